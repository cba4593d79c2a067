"""First advice, case by case: which way a piece misses, where, and what the job says of a second coat."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction
from typing import Any

import pytest

from rules.assessment import assess
from rules.calibration_gate import cover
from rules.cautions import BY_SUBSTRATE, SCUFFING, STOP_LIST, STRIPPING, stop_classes
from rules.conformity import PieceLocation, by_piece_and_location, judged_builds
from rules.disposition import advise, recoat_test
from rules.results import Action, Advice
from rules.verdict import Finding, Verdict
from schemas.job import Recoat
from schemas.units import Unit
from tests.rules.builders import at, both_checks, job, location, reading, shop, verification

#: What a second coat adds in the worked example of the trade notes (arithmetic done there, no published source).
ADDS: dict[str, Any] = {"added_low": Decimal("1.5"), "added_high": Decimal("2.5")}


def _assess(
    figures: dict[str, dict[str, str]],
    places: list[dict[str, Any]],
    *,
    coats: int = 1,
    closing: bool = True,
    **more: Any,
) -> tuple[Advice, ...]:
    """Return the advice for readings by piece and location, one a location."""
    rows = [
        reading(n, figure, piece=piece, location=name)
        for n, (piece, name, figure) in enumerate(
            ((piece, name, figure) for piece, row in figures.items() for name, figure in row.items()), start=1
        )
    ]
    checks = both_checks() if closing else verification("V-1", at(8))
    policy = shop(bracket_limits=False)
    return assess(job(*places, **more), policy, rows, checks, coats=coats, bakes=coats).advice


def _places(figures: dict[str, str], places: list[dict[str, Any]]) -> tuple[PieceLocation, ...]:
    rows = [reading(n, figure, location=name) for n, (name, figure) in enumerate(figures.items(), start=1)]
    the_job = job(*places)
    return by_piece_and_location(the_job, judged_builds(the_job, rows))


def test_a_gate_with_heavy_edges_goes_to_the_customer_or_is_stripped() -> None:
    places = [location("bars"), location("edge", role="edge")]
    advice = _assess({"1": {"bars": "3.0", "edge": "4.4"}}, places, recoat=ADDS)
    assert [a.action for a in advice] == [Action.CONCESSION, Action.STRIP]
    assert advice[0].reasons[0] == "piece 1, edge: highest reading 4.40 mil is above the upper limit 4.0 mil"
    assert advice[0].cautions == ()
    assert advice[1].sentence == "Piece 1: Strip and redo where the milder way is refused or fails."
    assert set(STRIPPING) <= set(advice[1].cautions)


@pytest.mark.parametrize("role", ["fit", "masked"])
def test_a_fit_or_a_masked_place_that_is_over_is_reworked_by_its_drawing_or_stripped(role: str) -> None:
    places = [location("face"), location("bore", None, "0.5", role=role)]
    advice = _assess({"1": {"face": "3.0", "bore": "0.9"}}, places)
    assert [a.action for a in advice] == [Action.REWORK, Action.STRIP]
    assert "drawing" in advice[0].sentence


def test_pieces_with_the_same_advice_share_it_and_pieces_in_order_get_none() -> None:
    figures = {"1": {"face": "1.8"}, "2": {"face": "3.0"}, "3": {"face": "1.7"}, "4": {"face": "9.0"}}
    advice = _assess(figures, [location("face", "2.0", "6.0")], recoat=ADDS)
    assert [(a.action, a.sentence.partition(":")[0]) for a in advice] == [
        (Action.CONCESSION, "Piece 4"),
        (Action.RECOAT, "Pieces 1 and 3"),
        (Action.STRIP, "Piece 4"),
    ]


def test_a_recoat_comes_with_what_to_ask_and_the_dust_cautions() -> None:
    places = [location("face", "2.0", "6.0"), location("pin", None, "9.0", role="masked")]
    (advice,) = _assess({"1": {"face": "1.8", "pin": "0.1"}}, places, recoat={**ADDS, "data_sheet": "PX-10 rev. 4"})
    assert advice.action is Action.RECOAT
    assert advice.cautions == SCUFFING
    asked = " ".join(advice.ask_first)
    for words in ("PX-10 rev. 4", "pin masked again", "common practice, no source", "baked", "cause"):
        assert words in " ".join((asked, *advice.reasons))


def test_while_the_closing_check_is_to_come_the_advice_is_to_make_it() -> None:
    (advice,) = _assess({"1": {"face": "3.0"}}, [location("face")], closing=False)
    assert advice.action is Action.REMEASURE
    assert "make the closing check" in advice.sentence


def test_a_safety_critical_part_that_conforms_is_accepted_and_one_that_misses_is_left_alone() -> None:
    places = [location("face")]
    (good,) = _assess({"1": {"face": "3.0"}}, places, safety_class="lifting point")
    assert good.action is Action.ACCEPT
    (stop,) = _assess({"1": {"face": "1.0"}}, places, safety_class="lifting point", closing=False)
    assert stop.action is Action.STOP
    assert "approval of the part's owner" in " ".join(stop.ask_first)
    assert stop.ask_first[0].startswith("The gauge first:")


@pytest.mark.parametrize("figure", ["14.99", "15.0"])
def test_a_chrome_look_part_is_a_case_for_stripping_from_15_mil(figure: str) -> None:
    """15 to 20 mil on a chrome-look part under clear: common practice, no source."""
    advice = _assess({"1": {"arm": figure}}, [location("arm")], chrome_look=True)
    expected = [Action.STRIP] if figure == "15.0" else [Action.CONCESSION, Action.STRIP]
    assert [a.action for a in advice] == expected


@pytest.mark.parametrize(
    ("figures", "recoat", "feasible"),
    [
        pytest.param({"corner": "1.4", "face": "2.6"}, ADDS, False, id="the worked example: 5.1 over 4"),
        pytest.param({"corner": "1.4", "face": "1.5"}, ADDS, True, id="4.0 is exactly the limit"),
        pytest.param({"corner": "0.5", "face": "1.5"}, ADDS, True, id="2.0 is exactly the limit"),
        pytest.param({"corner": "0.49", "face": "1.5"}, ADDS, False, id="1.99 under 2"),
        pytest.param(
            {"corner": "1.4", "face": "1.4"}, {**ADDS, "sheet_max_total": Decimal("3.8")}, False, id="over the sheet"
        ),
        pytest.param(
            {"corner": "1.4", "face": "1.3"}, {**ADDS, "sheet_max_total": Decimal("3.9")}, True, id="on the sheet"
        ),
        pytest.param({"corner": "1.4", "face": "1.5"}, None, None, id="nothing known of a recoat"),
    ],
)
def test_whether_a_second_coat_fits(
    figures: dict[str, str], recoat: dict[str, Any] | None, feasible: bool | None
) -> None:
    """The feasibility test of the trade notes (arithmetic done there); limits of 2 to 4 mil."""
    places = _places(figures, [location("corner"), location("face")])
    found = recoat_test(places, None if recoat is None else Recoat.checked(recoat, "recoat"), Unit.MIL)
    assert found.feasible is feasible
    assert bool(found.missing) is (feasible is None)


def test_the_sums_of_the_worked_example_are_spelled_out_the_broken_one_first() -> None:
    places = _places({"corner": "1.4", "face": "2.6"}, [location("corner"), location("face")])
    found = recoat_test(places, Recoat.checked(ADDS, "recoat"), Unit.MIL)
    assert found.reasons[0] == "face: highest 2.60 + 2.5 = 5.10 mil > 4.0 mil, the upper limit"
    assert "corner: lowest 1.40 + 1.5 = 2.90 mil > 2.0 mil, the lower limit" in found.reasons


def test_without_any_upper_bound_the_data_sheet_is_asked_for() -> None:
    advice = _assess({"1": {"face": "1.0"}}, [location("face", "2.0", None)], recoat=ADDS)
    assert [a.action for a in advice] == [Action.STOP]
    assert "sheet_max_total" in " ".join(advice[0].ask_first)


@pytest.mark.parametrize(
    ("title", "name"),
    [
        ("Scuba cylinder, 12 l", "Gas, scuba and oxygen cylinders"),
        ("Aircraft seat bracket", "Aircraft parts"),
        ("Lifting hook", "Lifting chain, hooks and slings"),
        ("Alloy wheel 17 in", "Aluminium wheels"),
        ("Coil spring", "High-strength steel, springs and hardened fasteners"),
        ("Brake caliper", "Magnesium, brake, steering and suspension parts"),
    ],
)
def test_what_the_stop_list_knows_by_its_words_is_stopped(title: str, name: str) -> None:
    (advice,) = _assess({"1": {"face": "9.0"}}, [location("face")], title=title)
    assert advice.action is Action.STOP
    assert any(entry.name.startswith(name) for entry in stop_classes(title))


@pytest.mark.parametrize("title", ["Garden gate", "Handwheel guard", "Shelf bracket", "Chain guard", "Trim rail"])
def test_common_parts_are_not_on_the_stop_list(title: str) -> None:
    assert stop_classes(title, "mild steel sheet", None) == ()


def test_every_caution_names_its_authority_and_how_well_it_is_known() -> None:
    cautions = [*STRIPPING, *SCUFFING, *(s.caution for s in BY_SUBSTRATE), *(s.as_caution() for s in STOP_LIST)]
    for caution in cautions:
        assert caution.authority
        assert any(word in caution.known for word in ("read", "from memory", "common practice, no source"))


def test_a_piece_refused_by_a_guard_band_above_its_lower_limit_is_thin_not_thick() -> None:
    the_job = job(location("face", "2.0", "6.0"), recoat=ADDS)
    rows = [reading(1, "2.05", location="face")]
    refused = Finding(
        Verdict.FAIL,
        "lowest reading",
        "piece 1, face: lowest reading 2.05 mil is in the guard band",
        location="face",
        piece="1",
        found=Fraction("2.05"),
        limit=Decimal("2.0"),
        low=True,
    )
    (advice,) = advise(
        the_job,
        by_piece_and_location(the_job, judged_builds(the_job, rows)),
        [refused],
        cover(rows, both_checks(), the_job, shop(bracket_limits=False)),
        conformity=Verdict.FAIL,
        coats=1,
        bakes=1,
    )
    assert advice.action is Action.RECOAT

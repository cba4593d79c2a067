"""First advice, case by case: which way a piece misses, where, and what the job says of a second coat."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from decimal import Decimal
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.assessment import assess
from rules.calibration_gate import cover
from rules.cautions import cautions, stop_classes
from rules.conformity import by_piece_and_location, judge, judged_builds
from rules.disposition import DECORATIVE_COAT_NOTE, advise
from rules.recoat import AddedBuild
from rules.results import Action, Advice
from rules.verdict import Finding, Verdict, overall
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


def _advise(
    figures: dict[str, dict[str, str]],
    places: list[dict[str, Any]],
    findings: Sequence[Finding] | None = None,
    *,
    coats: int = 1,
    added: AddedBuild | None = None,
    guards: dict[str, Fraction] | None = None,
    **more: Any,
) -> tuple[Advice, ...]:
    """Return the advice with what an assessment does not hand over yet: history, guards, findings of our own."""
    the_job = job(*places, **more)
    rows = [
        reading(n, figure, piece=piece, location=name)
        for n, (piece, name, figure) in enumerate(
            ((piece, name, figure) for piece, row in figures.items() for name, figure in row.items()), start=1
        )
    ]
    here = by_piece_and_location(the_job, judged_builds(the_job, rows))
    found = list(judge(the_job, rows, here)) if findings is None else list(findings)
    return advise(
        the_job,
        here,
        found,
        cover(rows, both_checks(), the_job, shop(bracket_limits=False)),
        conformity=overall(found),
        coats=coats,
        bakes=coats,
        added=added,
        guards=guards,
    )


def _actions(advice: tuple[Advice, ...]) -> list[Action]:
    return [a.action for a in advice]


def test_a_gate_with_heavy_edges_goes_to_the_customer_or_is_stripped() -> None:
    places = [location("bars"), location("edge", role="edge")]
    advice = _assess({"1": {"bars": "3.0", "edge": "4.4"}}, places, recoat=ADDS)
    assert [a.action for a in advice] == [Action.CONCESSION, Action.STRIP]
    assert advice[0].reasons[0] == "piece 1, edge: highest reading 4.40 mil is above the upper limit 4.0 mil"
    assert advice[0].cautions == ()
    assert advice[1].sentence == "Piece 1: Strip and redo where the milder way is refused or fails."
    assert set(cautions().stripping) <= set(advice[1].cautions)


@pytest.mark.parametrize("role", ["fit", "masked"])
def test_a_fit_or_a_masked_place_that_is_over_is_reworked_by_its_drawing_or_stripped(role: str) -> None:
    places = [location("face"), location("bore", None, "0.5", role=role)]
    advice = _assess({"1": {"face": "3.0", "bore": "0.9"}}, places)
    assert [a.action for a in advice] == [Action.REWORK, Action.STRIP]
    assert "drawing" in advice[0].sentence


def test_pieces_with_the_same_advice_share_it_and_pieces_in_order_get_none() -> None:
    figures = {"1": {"face": "1.8"}, "2": {"face": "3.0"}, "3": {"face": "1.7"}, "4": {"face": "9.0"}}
    advice = _assess(figures, [location("face", "2.0", "6.0")], recoat=ADDS)
    assert [(a.rank, a.action, a.sentence.partition(":")[0]) for a in advice] == [
        (1, Action.CONCESSION, "Piece 4"),
        (1, Action.RECOAT, "Pieces 1 and 3"),
        (2, Action.STRIP, "Pieces 1, 3 and 4"),
    ]


def test_a_recoat_comes_with_what_to_ask_and_the_dust_cautions() -> None:
    places = [location("face", "2.0", "6.0"), location("pin", None, "9.0", role="masked")]
    advice, strip = _assess({"1": {"face": "1.8", "pin": "0.1"}}, places, recoat={**ADDS, "data_sheet": "PX-10 rev. 4"})
    assert (advice.action, advice.rank, strip.action, strip.rank) == (Action.RECOAT, 1, Action.STRIP, 2)
    assert advice.test == "Recoat test: fits; a coat adds 1.5 to 2.5 mil (from the job)."
    assert advice.cautions == cautions().scuffing
    asked = " ".join(advice.ask_first)
    for words in ("PX-10 rev. 4", "pin masked again", "common practice, no source", "baked", "cause", "cure", "colour"):
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


def test_a_piece_refused_by_a_guard_band_within_its_limits_is_measured_more_and_never_coated_or_stripped() -> None:
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
    advice = _advise({"1": {"face": "2.05"}}, [location("face", "2.0", "6.0")], [refused], recoat=ADDS)
    assert _actions(advice) == [Action.REMEASURE, Action.CONCESSION]
    assert (
        advice[0].test == "Every number lies within its limit, and one in the guard band: it is not shown to conform."
    )
    assert all(not a.cautions for a in advice)
    # Beside a real miss the one in the guard band adds nothing.
    thin = replace(refused, found=Fraction("1.95"), sentence="too thin")
    both = _advise({"1": {"face": "1.95"}}, [location("face", "2.0", "6.0")], [refused, thin], recoat=ADDS)
    assert _actions(both) == [Action.RECOAT, Action.STRIP]


# History and guards

#: What a shop's archive could say: invented.
HISTORY = AddedBuild(
    Decimal("1.5"),
    Decimal("2.3"),
    24,
    Decimal("1.90"),
    Decimal("0.20"),
    "24 pairs in the archive: mean 1.90, s 0.20 mil",
)


def test_the_shops_own_history_takes_the_place_of_the_jobs_figures_and_says_so() -> None:
    places = [location("face", "2.0", "4.0")]
    of_the_job = {"added_low": Decimal("1.5"), "added_high": Decimal("2.5")}
    assert Action.RECOAT not in _actions(_advise({"1": {"face": "1.6"}}, places, recoat=of_the_job))
    (recoat, _) = _advise({"1": {"face": "1.6"}}, places, recoat=of_the_job, added=HISTORY)
    assert recoat.action is Action.RECOAT
    assert recoat.test == (
        "Recoat test: fits; a coat adds 1.5 to 2.3 mil (from 24 pairs in the archive: mean 1.90, s 0.20 mil)."
    )


def test_history_alone_is_enough_where_the_job_says_nothing_of_a_recoat() -> None:
    advice = _advise({"1": {"face": "1.6"}}, [location("face", "2.0", "4.0")], added=HISTORY)
    assert _actions(advice) == [Action.RECOAT, Action.STRIP]
    assert any("sheet_max_total" in ask for ask in advice[0].ask_first)


def test_a_guard_counts_in_the_recoat_test_at_its_location() -> None:
    places = [location("face", "2.0", "4.0")]
    guards = {"face": Fraction(1, 10)}
    fits = _advise({"1": {"face": "1.6"}}, places, added=HISTORY, guards=guards)
    assert fits[0].action is Action.RECOAT  # 1.6 + 2.3 + 0.1 = 4.0 exactly
    assert "piece 1, face: highest 1.60 + 2.3 + 0.10 guard = 4.00 mil = 4.0 mil, the upper limit" in fits[0].reasons
    more = _advise({"1": {"face": "1.61"}}, places, added=HISTORY, guards=guards)
    assert _actions(more) == [Action.CONCESSION, Action.STRIP]
    assert "1.61 + 2.3 + 0.10 guard = 4.01 mil > 4.0 mil" in more[0].ruled_out[0]


def test_a_guard_band_that_is_not_known_is_asked_for() -> None:
    refused = Finding(
        Verdict.FAIL,
        "lowest reading",
        "too thin",
        location="face",
        piece="1",
        found=Fraction(1),
        limit=Decimal(2),
        low=True,
    )
    places = [location("face", "2.0", "6.0")]
    for rule, asked in (("simple", False), ("guard-band", True)):
        advice = _advise({"1": {"face": "1.6"}}, places, [refused], added=HISTORY, decision={"rule": rule})
        assert any("guard band" in ask for ask in advice[0].ask_first) is asked


# Looks


def test_a_surface_that_is_not_seen_is_a_case_for_a_concession_first() -> None:
    places = [location("back", "2.0", "6.0")]
    advice = _advise({"1": {"back": "1.8"}}, places, recoat=ADDS, appearance="not-seen")
    assert [(a.rank, a.action) for a in advice] == [(1, Action.CONCESSION), (2, Action.RECOAT), (3, Action.STRIP)]


def test_one_hidden_place_that_is_thin_may_be_touched_up_where_the_customer_approves() -> None:
    places = [location("face", "2.0", "6.0"), location("inside", "2.0", "6.0", role="hidden")]
    advice = _advise({"1": {"face": "3.0", "inside": "1.2"}}, places, recoat=ADDS)
    assert _actions(advice) == [Action.CONCESSION, Action.TOUCH_UP, Action.RECOAT, Action.STRIP]
    assert "customer approve touch-up" in advice[1].ask_first[0]
    assert not any("too thin at" in ask for ask in advice[2].ask_first)  # the concession comes first as it is
    assert advice[1].cautions[: len(cautions().touch_up)] == cautions().touch_up


def test_hidden_places_relax_nothing_where_a_visible_one_misses_as_well() -> None:
    places = [location("face", "2.0", "6.0"), location("inside", "2.0", "6.0", role="hidden")]
    advice = _advise({"1": {"face": "1.3", "inside": "1.2"}}, places, recoat=ADDS)
    assert _actions(advice) == [Action.RECOAT, Action.STRIP]


def test_too_much_at_a_hidden_place_says_that_it_is_hidden() -> None:
    advice = _advise({"1": {"inside": "7.0"}}, [location("inside", "2.0", "6.0", role="hidden")])
    assert any("hidden places alone" in reason for reason in advice[0].reasons)


def test_one_visible_place_that_is_thin_is_recoated_first_and_asked_about() -> None:
    places = [location("face", "2.0", "6.0"), location("corner", "2.0", "6.0")]
    advice = _advise({"1": {"face": "3.0", "corner": "1.2"}}, places, recoat=ADDS)
    assert _actions(advice) == [Action.RECOAT, Action.STRIP]
    assert advice[0].ask_first[0].startswith("Piece 1 is too thin at corner alone: is that a surface that counts?")


@pytest.mark.parametrize(
    ("appearance", "word"),
    [
        ("high-gloss", "High gloss: what does a trial piece show?"),
        ("metallic", "Metallic: what does a trial piece show?"),
        ("texture", "Texture: what does a trial piece show?"),
        ("chrome-look", "Chrome-look: what does a trial piece show?"),
        (None, "Is the surface high-gloss, metallic, textured or chrome-look?"),
        ("plain", None),
    ],
)
def test_looks_in_which_a_second_coat_shows_bring_a_question(appearance: str | None, word: str | None) -> None:
    advice = _advise({"1": {"face": "1.8"}}, [location("face", "2.0", "6.0")], recoat=ADDS, appearance=appearance)
    assert advice[0].action is Action.RECOAT
    looks = [ask for ask in advice[0].ask_first if "trial piece" in ask or "chrome-look" in ask]
    assert len(looks) == (0 if word is None else 1)
    assert word is None or looks[0].startswith(word)


@pytest.mark.parametrize("said", [{"chrome_look": True}, {"appearance": "chrome-look"}])
def test_both_ways_of_saying_chrome_look_count_alike(said: dict[str, Any]) -> None:
    advice = _advise({"1": {"arm": "18.0"}}, [location("arm")], coats=3, **said)
    assert _actions(advice) == [Action.STRIP]
    assert any("chrome-look part" in reason for reason in advice[0].reasons)
    thin = _advise({"1": {"arm": "1.8"}}, [location("arm", "2.0", "6.0")], recoat=ADDS, **said)
    assert any(reason.startswith("The part is chrome-look") for reason in thin[0].reasons)
    assert any(ask.startswith("Chrome-look: what does a trial piece show?") for ask in thin[0].ask_first)


# Fits


def test_a_feature_that_does_not_fit_is_named_with_its_numbers_though_all_limits_pass() -> None:
    places = [location("face"), location("bore", "1.0", "3.0", fit={"feature": "hole", "may_change": Decimal("5.0")})]
    (advice,) = _advise({"1": {"face": "3.0", "bore": "2.6"}}, places)
    assert advice.action is Action.ACCEPT
    assert "ask before it is shipped" in advice.sentence
    assert advice.reasons == (
        "piece 1, bore: the highest build 2.60 mil takes 5.20 mil off the hole's diameter; the drawing leaves 5.0 mil, "
        "a film of 2.5 mil: it does not fit",
    )
    assert advice.test == "Fit test: does not fit."
    assert "before or after coating" in advice.ask_first[0]
    (fits,) = _advise({"1": {"face": "3.0", "bore": "2.5"}}, places)
    assert (fits.reasons, fits.ask_first, fits.test) == ((), (), "Fit test: fits.")


def test_on_a_safety_critical_part_the_owner_is_asked_before_a_feature_is_worked_on() -> None:
    places = [location("bore", "1.0", "3.0", fit={"feature": "hole", "may_change": Decimal("5.0")})]
    (advice,) = _advise({"1": {"bore": "2.6"}}, places, safety_class="lifting point")
    assert "owner" in advice.ask_first[0]


def test_a_feature_over_its_limit_that_fits_all_the_same_goes_to_the_customer_first() -> None:
    room = {"feature": "shaft", "may_change": Decimal("8.0")}
    advice = _advise({"1": {"pin": "3.5"}}, [location("pin", "1.0", "3.0", fit=room)])
    assert _actions(advice) == [Action.CONCESSION, Action.REWORK, Action.STRIP]
    assert {a.test for a in advice} == {"Fit test: fits."}


def test_a_feature_over_its_limit_that_does_not_fit_gets_no_concession() -> None:
    room = {"feature": "thread", "may_change": Decimal("8.0")}
    advice = _advise({"1": {"stud": "3.5"}}, [location("stud", "1.0", "3.0", fit=room)])
    assert _actions(advice) == [Action.REWORK, Action.STRIP]
    assert any("changes the thread's pitch diameter by 14.00 mil" in why for why in advice[0].ruled_out)


def test_the_reasons_to_rework_a_feature_are_those_of_the_feature() -> None:
    room = {"feature": "hole", "may_change": Decimal("5.0")}
    places = [location("face", "2.0", "4.0"), location("bore", "1.0", "3.0", fit=room)]
    advice = _advise({"1": {"face": "1.5", "bore": "2.7"}}, places, recoat=ADDS)
    assert _actions(advice) == [Action.REWORK, Action.CONCESSION, Action.STRIP]
    assert [reason.partition(":")[0] for reason in advice[0].reasons[:-1]] == ["piece 1, bore"]


def test_where_the_job_does_not_say_what_fits_the_advice_says_that() -> None:
    advice = _advise({"1": {"bore": "0.9"}}, [location("bore", None, "0.5", role="fit")])
    assert _actions(advice) == [Action.REWORK, Action.STRIP]
    assert advice[0].test.startswith("Fit test: cannot be told")


def test_a_fit_known_at_one_place_says_nothing_of_another() -> None:
    known = location("pin", None, "9.0", fit={"feature": "shaft", "may_change": Decimal(20)})
    advice = _advise({"1": {"pin": "1.0", "bore": "0.9"}}, [known, location("bore", None, "0.5", role="fit")])
    assert _actions(advice) == [Action.REWORK, Action.STRIP]


def test_a_piece_in_order_whose_feature_does_not_fit_is_named_beside_one_that_misses() -> None:
    places = [location("face", "2.0", "6.0", fit={"feature": "hole", "may_change": Decimal(10)})]
    advice = _advise({"1": {"face": "5.5"}, "2": {"face": "9.0"}}, places)
    assert [(a.action, a.sentence.partition(":")[0]) for a in advice] == [
        (Action.REWORK, "Pieces 1 and 2"),
        (Action.STRIP, "Piece 2"),
    ]


def test_what_fits_bounds_a_recoat_as_the_upper_limit_does() -> None:
    places = [location("face", "2.0", "6.0", fit={"feature": "thread", "may_change": Decimal(16)})]
    advice = _advise({"1": {"face": "1.6"}}, places, recoat=ADDS)
    assert _actions(advice) == [Action.CONCESSION, Action.STRIP]
    assert "highest 1.60 + 2.5 = 4.10 mil > 4 mil, the most film with which the thread fits" in advice[0].ruled_out[0]


# The lot, and what stands where


def test_a_lot_that_is_refused_as_a_whole_is_asked_about_though_no_piece_misses() -> None:
    refused = Finding(Verdict.FAIL, "nonconforming pieces", "3 nonconforming pieces are more than 2")
    (advice,) = _advise({"1": {"face": "3.0"}}, [location("face")], [refused])
    assert (advice.action, advice.reasons) == (Action.STOP, ("3 nonconforming pieces are more than 2",))
    assert "lot" in advice.sentence
    thin = Finding(
        Verdict.FAIL,
        "lowest reading",
        "thin",
        location="face",
        piece="1",
        found=Fraction(1),
        limit=Decimal(2),
        low=True,
    )
    both = _advise({"1": {"face": "1.8"}}, [location("face", "2.0", "6.0")], [refused, thin], recoat=ADDS)
    assert _actions(both) == [Action.STOP, Action.RECOAT, Action.STRIP]
    assert both[0].reasons == advice.reasons


def test_a_later_option_ranks_after_all_that_is_milder_for_any_of_its_pieces() -> None:
    places = [location("face", "2.0", "6.0"), location("inside", "2.0", "6.0", role="hidden")]
    figures = {"1": {"face": "3.0", "inside": "1.2"}, "2": {"face": "9.0", "inside": "3.0"}}
    advice = _advise(figures, places, recoat=ADDS)
    assert [(a.rank, a.action) for a in advice] == [
        (1, Action.CONCESSION),
        (2, Action.TOUCH_UP),
        (3, Action.RECOAT),
        (4, Action.STRIP),
    ]
    assert advice[3].sentence.startswith("Pieces 1 and 2: Strip and redo where the milder way")


def test_stripping_that_comes_first_with_a_piece_is_said_apart_from_stripping_that_comes_later() -> None:
    figures = {"1": {"arm": "18.0"}, "2": {"arm": "5.0"}}
    advice = _advise(figures, [location("arm")], chrome_look=True)
    assert [(a.rank, a.sentence) for a in advice if a.action is Action.STRIP] == [
        (1, "Piece 1: Strip and redo."),
        (2, "Piece 2: Strip and redo where the milder way is refused or fails."),
    ]


def test_what_first_comes_with_a_piece_stands_before_the_same_coming_later() -> None:
    places = [location("face", "2.0", "4.0"), location("bore", None, "0.5", role="fit")]
    advice = _advise({"1": {"face": "5.0", "bore": "0.9"}, "2": {"face": "5.0", "bore": "0.1"}}, places)
    assert [(a.rank, a.action, a.sentence.partition(":")[0]) for a in advice] == [
        (1, Action.REWORK, "Piece 1"),
        (1, Action.CONCESSION, "Piece 2"),
        (2, Action.CONCESSION, "Piece 1"),
        (3, Action.STRIP, "Pieces 1 and 2"),
    ]


def test_a_lot_without_fits_claims_no_fit_test() -> None:
    (advice,) = _advise({"1": {"face": "3.0"}}, [location("face")])
    assert advice.test == ""


def test_on_blasted_metal_the_reasons_say_that_the_builds_are_corrected() -> None:
    thin = Finding(
        Verdict.FAIL,
        "lowest reading",
        "thin",
        location="face",
        piece="1",
        found=Fraction(1),
        limit=Decimal(2),
        low=True,
    )
    places = [location("face", "2.0", "6.0")]
    for blasted in (True, False):
        advice = _advise({"1": {"face": "1.8"}}, places, [thin], recoat=ADDS, blasted=blasted, base_reading=blasted)
        assert any("less the base metal readings" in reason for reason in advice[0].reasons) is blasted


def test_there_is_always_an_advice() -> None:
    """Even for a failure that belongs to no piece that was handed over."""
    stray = Finding(Verdict.FAIL, "lowest reading", "piece 9 is thin", location="face", piece="9")
    assert len(_advise({"1": {"face": "3.0"}}, [location("face")], [stray])) == 1


def test_what_is_no_question_is_not_asked() -> None:
    """All but short reminders end in a question mark, a bracket after it, or ask for a fact by name."""
    advice = (
        *_advise({"1": {"face": "1.8"}}, [location("face", "2.0", "6.0")], recoat=ADDS),
        *_advise({"1": {"face": "9.0"}}, [location("face", "2.0", "6.0")], recoat=ADDS),
    )
    for one in advice:
        assert all("?" in ask for ask in one.ask_first), one.ask_first
    strip = next(a for a in advice if a.action is Action.STRIP)
    assert strip.notes == (DECORATIVE_COAT_NOTE,)


def test_a_piece_that_carries_all_its_coats_says_so_where_a_recoat_is_ruled_out() -> None:
    places = [location("face", "2.0", "6.0")]
    advice = _advise({"1": {"face": "1.8"}}, places, recoat={**ADDS, "max_coats": 1})
    assert _actions(advice) == [Action.CONCESSION, Action.STRIP]
    assert advice[0].ruled_out == (
        "scuff and recoat: 1 coat of at most 1 (the job's max_coats) is on: no further one goes on top",
    )


# Laws

MILS = st.integers(0, 1200).map(lambda hundredths: f"{Decimal(hundredths) / 100:.2f}")
TITLES = ["Garden gate", "Coil spring", "Lifting hook", "Alloy wheel 17 in", "Brake caliper", "Scuba cylinder"]
LAW = settings(max_examples=60, deadline=None)


@LAW
@given(face=MILS, edge=MILS, coats=st.integers(1, 5), most=st.integers(1, 4), history=st.booleans())
def test_no_recoat_goes_on_once_the_part_carries_all_its_coats(
    face: str, edge: str, coats: int, most: int, history: bool
) -> None:
    places = [location("face", "2.0", "6.0"), location("edge", "2.0", "6.0", role="edge")]
    advice = _advise(
        {"1": {"face": face, "edge": edge}},
        places,
        coats=coats,
        recoat={**ADDS, "max_coats": most},
        added=HISTORY if history else None,
    )
    assert advice
    if coats >= most:
        assert Action.RECOAT not in _actions(advice)


@LAW
@given(face=MILS, title=st.sampled_from(TITLES), safety=st.booleans(), coats=st.integers(1, 3))
def test_the_stop_list_always_wins(face: str, title: str, safety: bool, coats: int) -> None:
    advice = _advise(
        {"1": {"face": face}},
        [location("face", "2.0", "6.0")],
        title=title,
        safety_class="lifting point" if safety else None,
        coats=coats,
        recoat=ADDS,
    )
    stopped = safety or bool(stop_classes(title))
    conforms = Decimal(2) <= Decimal(face) <= Decimal(6)
    assert (_actions(advice) == [Action.STOP]) is (stopped and not conforms)


@LAW
@given(
    figures=st.lists(st.tuples(MILS, MILS), min_size=1, max_size=4),
    appearance=st.sampled_from([None, "plain", "not-seen", "metallic"]),
    role=st.sampled_from(["visible", "hidden", "fit", "masked"]),
)
def test_options_stand_by_rank_each_with_a_test_and_stripping_never_without_cautions(
    figures: list[tuple[str, str]], appearance: str | None, role: str
) -> None:
    pieces = {str(n): {"face": face, "side": side} for n, (face, side) in enumerate(figures, start=1)}
    places = [location("face", "2.0", "6.0"), location("side", "1.0", "6.0", role=role)]
    advice = _advise(pieces, places, recoat=ADDS, appearance=appearance)
    ranks = [a.rank for a in advice]
    assert ranks == sorted(ranks)
    assert ranks[0] == 1
    for one in advice:
        if one.action is not Action.ACCEPT:
            assert one.test
            assert one.reasons
            assert one.rank == 1 or not one.ruled_out
        if one.action is Action.STRIP:
            assert set(cautions().stripping) <= set(one.cautions)

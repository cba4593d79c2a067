"""What the pieces measured make of their lot: plans applied to an inspection, from readings to verdict."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.assessment import assess
from rules.lot_judgement import LotTerms, characteristic, state_plan
from rules.lot_tables import Severity
from rules.lots import Drawn, draw, drawn_of, plan_for
from rules.results import Action, Assessment
from rules.verdict import Verdict
from schemas.errors import BadInput
from schemas.job import Sampling
from schemas.vocabulary import Level, Scheme
from tests.rules.builders import at, job, location, reading, shop, verification

ATTRIBUTES = {"scheme": "attributes", "aql": Decimal("4.0")}


def _lot(
    builds: dict[str, str], sampling: dict[str, Any], terms: LotTerms | None, *, upper: str | None = "4.0", **more: Any
) -> Assessment:
    """Assess a lot with one reading a piece, between two good checks."""
    asked = job(location(upper=upper, lower=more.pop("lower", "2.0")), sampling=sampling, **more)
    unit = more.get("unit", "mil")
    taken = [
        reading(number, shown, unit, piece=piece, spot=1) for number, (piece, shown) in enumerate(builds.items(), 1)
    ]
    checks = [*verification("open", at(8, 45)), *verification("close", at(18), occasion="closing")]
    return assess(asked, shop(bracket_limits=False), taken, checks, coats=1, bakes=1, lot=terms)


def _pieces(count: int, failing: int = 0) -> dict[str, str]:
    return {str(n): "1.9" if n <= failing else "3.0" for n in range(1, count + 1)}


@pytest.mark.parametrize(
    ("failing", "verdict", "apart"), [(0, Verdict.PASS, ()), (1, Verdict.PASS, ("1",)), (2, Verdict.FAIL, ())]
)
def test_a_lot_of_40_at_aql_4_is_accepted_with_one_nonconforming_of_13_and_rejected_with_two(
    failing: int, verdict: Verdict, apart: tuple[str, ...]
) -> None:
    """MIL-STD-105E, tables I and II-A (read): lot of 40, level II: letter D, arrow to E, n 13, Ac 1, Re 2."""
    found = _lot(_pieces(13, failing), ATTRIBUTES, LotTerms(40))
    assert (found.verdict, found.set_apart) == (verdict, apart)
    assert found.lot is not None
    assert found.lot.n == 13
    # The piece stays nonconforming at its location, whatever the lot.
    assert found.locations[0].verdict is (Verdict.FAIL if failing else Verdict.PASS)
    assert (found.advice[0].action is Action.ACCEPT) is (failing == 0)


def test_a_rejected_lot_is_held_and_sorted_before_anything_is_done_to_single_pieces() -> None:
    advice = _lot(_pieces(13, 2), ATTRIBUTES, LotTerms(40)).advice
    assert advice[0].action is Action.SORT
    assert advice[0].sentence.startswith("The lot is not accepted: hold all of it. 27 pieces of 40 were not measured")
    assert len(advice) > 1
    whole = _lot(_pieces(5, 1), {"scheme": "every-piece"}, LotTerms(5)).advice
    assert Action.SORT not in {a.action for a in whole}


def test_too_few_pieces_are_undecided_and_never_a_pass() -> None:
    found = _lot(_pieces(12), ATTRIBUTES, LotTerms(40))
    assert found.verdict is Verdict.UNDECIDED
    assert found.lot_findings[0].sentence == "12 pieces of a lot of 40 decided, fewer than the plan asks for (13)"


@pytest.mark.parametrize("terms", [None, LotTerms(None)])
def test_a_lot_of_unknown_size_has_no_plan_and_is_undecided(terms: LotTerms | None) -> None:
    found = _lot(_pieces(13), ATTRIBUTES, terms)
    assert (found.verdict, found.lot) == (Verdict.UNDECIDED, None)
    assert found.lot_findings[-1].sentence == (
        "the job samples the lot, and nobody said how many pieces the lot has: there is no plan"
    )


def test_an_aql_without_a_column_is_undecided_with_the_reason() -> None:
    found = _lot(_pieces(13), {"scheme": "attributes", "aql": Decimal("3.0")}, LotTerms(40))
    assert found.verdict is Verdict.UNDECIDED
    assert "plans are held for an AQL of 0.65, 1.0, 1.5, 2.5, 4.0 percent, not 3.0" in found.lot_findings[-1].sentence


def test_while_acceptance_is_stopped_a_good_lot_is_undecided() -> None:
    terms = LotTerms(40, Severity.TIGHTENED, stopped=True, changes=("after lot 9: stopped",))
    found = _lot(_pieces(20), ATTRIBUTES, terms)
    assert found.verdict is Verdict.UNDECIDED
    assert any("acceptance is stopped" in f.sentence for f in found.lot_findings)
    assert found.lot is not None
    assert found.lot.series == "Tightened inspection; after lot 9: stopped."


def test_tightened_inspection_reads_the_tightened_table() -> None:
    """MIL-STD-105E, table II-B (read): letter D, AQL 4.0: arrows to F, n 20, Ac 1."""
    assert _lot(_pieces(20, 1), ATTRIBUTES, LotTerms(40, Severity.TIGHTENED)).verdict is Verdict.PASS
    assert _lot(_pieces(13), ATTRIBUTES, LotTerms(40, Severity.TIGHTENED)).verdict is Verdict.UNDECIDED


def test_reduced_inspection_accepts_in_the_gap_between_its_numbers() -> None:
    """MIL-STD-105E, table II-C (from memory): letter F, AQL 4.0: n 8, Ac 1, Re 3."""
    terms = LotTerms(60, Severity.REDUCED)
    sampling = ATTRIBUTES | {"level": "III"}
    found = _lot(_pieces(8, 2), sampling, terms)
    assert found.verdict is Verdict.PASS
    assert any("between the acceptance number 1 and the rejection number 3" in f.sentence for f in found.lot_findings)
    assert _lot(_pieces(8, 3), sampling, terms).verdict is Verdict.FAIL


def test_a_label_lot_of_150_allows_one_rejected_piece_of_ten_but_none_under_the_floor() -> None:
    """The label's lot table (read): 11 to 200 pieces, 10 samples, 1 rejected; a value below 80 % is no such piece."""
    areas = location(lower="60", upper=None, spots=5, readings_per_spot=3)

    def judged(low: str, **sampling: bool) -> Verdict:
        asked = job(
            areas, rule="architectural-label", unit="um", sampling={"scheme": "architectural-label", **sampling}
        )
        taken = [
            reading(100 * piece + n, low if piece == 1 and n < 3 else "59" if piece == 1 else "70", "um", piece=str(piece), spot=1 + n // 3)
            for piece in range(1, 11)
            for n in range(15)
        ]  # fmt: skip
        checks = [*verification("open", at(8, 45)), *verification("close", at(10, day=5), occasion="closing")]
        policy = shop(bracket_limits=False, max_age_hours=100)
        return assess(asked, policy, taken, checks, coats=1, bakes=1, lot=LotTerms(150)).verdict

    assert judged("59") is Verdict.PASS
    assert judged("47") is Verdict.FAIL
    assert judged("47", absorb_below_floor=True) is Verdict.PASS


def test_the_example_of_mil_std_414_is_accepted_by_variables() -> None:
    """MIL-STD-414, example B-1 (from memory, data and result agree): upper limit 209, 197 188 184 205 201, n 5, k 1.53."""
    values = dict(zip("abcde", ["197", "188", "184", "205", "201"], strict=True))
    sampling = {"scheme": "variables", "letter": "D", "aql": Decimal("1.0")}
    found = _lot(values, sampling, LotTerms(40), lower=None, upper="209", unit="um", rule="location-means")
    assert found.verdict is Verdict.PASS
    assert any("times the standard deviation 8.803 µm is 208.5 µm, within the upper limit" in f.sentence for f in found.lot_findings)  # fmt: skip
    assert found.lot is not None
    assert found.lot.characteristic is not None
    worse = values | {"d": "209"}
    assert _lot(worse, sampling, LotTerms(40), lower=None, upper="209", unit="um").verdict is Verdict.FAIL
    assert _lot({"a": "197"}, sampling, LotTerms(40), lower=None, upper="209", unit="um").verdict is Verdict.UNDECIDED


shown = st.lists(st.integers(150, 450), min_size=1, max_size=15)


def _verdict(steps: list[int], sampling: dict[str, Any]) -> Assessment:
    figures = {str(n): f"{Decimal(s) / 100:.2f}" for n, s in enumerate(steps, 1)}
    return _lot(figures, sampling, LotTerms(40))


@pytest.mark.parametrize("sampling", [ATTRIBUTES, {"scheme": "every-piece"}])
@given(steps=shown, which=st.integers(0, 14), by=st.integers(1, 100))
def test_a_lot_never_improves_when_a_reading_moves_away_from_its_window(
    sampling: dict[str, Any], steps: list[int], which: int, by: int
) -> None:
    at_piece = which % len(steps)
    moved = list(steps)
    # 2.00 to 4.00 is the window; a reading moves away from its middle.
    moved[at_piece] += by if moved[at_piece] > 300 else -by
    assert _verdict(moved, sampling).verdict >= _verdict(steps, sampling).verdict


@given(steps=shown)
def test_a_lot_passes_only_where_everything_that_decides_about_it_passes(steps: list[int]) -> None:
    found = _verdict(steps, ATTRIBUTES)
    assert (found.verdict is Verdict.PASS) is all(f.verdict is Verdict.PASS for f in found.lot_findings)
    failing = {f.piece for f in found.about_pieces if f.verdict is Verdict.FAIL}
    assert set(found.set_apart) == (failing if found.verdict is Verdict.PASS else set())


# The sample that was drawn


def test_a_piece_that_was_drawn_and_not_measured_leaves_the_lot_undecided() -> None:
    drawn = Drawn("said-before", 40, 13)
    measured = {str(piece): "3.0" for piece in drawn.pieces}
    assert _lot(measured, ATTRIBUTES, LotTerms(40, drawn=drawn)).verdict is Verdict.PASS
    first, *rest = drawn.pieces
    other = next(str(n) for n in range(1, 41) if n not in drawn.pieces)
    swapped = {other: "3.0", **{str(piece): "3.0" for piece in rest}}
    found = _lot(swapped, ATTRIBUTES, LotTerms(40, drawn=drawn))
    assert found.verdict is Verdict.UNDECIDED
    assert found.lot_findings[-1].sentence == f"drawn and not measured: piece {first}"
    of_another = _lot(measured, ATTRIBUTES, LotTerms(40, drawn=Drawn("x", 41, 13)))
    assert of_another.lot_findings[-1].sentence == (
        "the sample was drawn from 41 pieces, and the lot has 40: draw again"
    )


@given(
    st.integers(1, 500), st.data(), st.text(st.characters(min_codepoint=33, max_codepoint=126), min_size=1, max_size=60)
)
def test_a_draw_survives_as_a_note_and_draws_the_same_pieces_again(
    lot_size: int, data: st.DataObject, seed: str
) -> None:
    drawn = Drawn(seed, lot_size, data.draw(st.integers(1, lot_size)))
    again = drawn_of(["something else", drawn.as_note(), "and more"])
    assert again == drawn
    assert again is not None
    assert again.pieces == draw(lot_size, drawn.n, seed)


@pytest.mark.parametrize(
    "note",
    [
        "",
        "sample drawn before measuring, seed a b: 3 of 9 pieces",
        "sample drawn before measuring, seed a: 10 of 9 pieces",
        "sample drawn before measuring, seed a: 0 of 9 pieces",
        "not a sample drawn before measuring, seed a: 3 of 9 pieces",
    ],
)
def test_a_note_that_only_looks_like_a_draw_is_none(note: str) -> None:
    assert drawn_of([note]) is None


def test_a_draw_of_more_than_there_are_or_with_a_blank_in_its_seed_is_refused() -> None:
    for seed, lot_size, n in (("a", 9, 10), ("a", 9, 0), ("a b", 9, 3), ("", 9, 3)):
        with pytest.raises(ValueError, match="is no draw"):
            Drawn(seed, lot_size, n)


# What the plan can tell


def test_the_curve_of_a_plan_has_the_binomial_points_and_its_risks() -> None:
    """Binomial points of n 13, Ac 1, by hand: (1 - p)^13 + 13 p (1 - p)^12."""
    found = characteristic(plan_for(40, Scheme.ATTRIBUTES, Level.II, Decimal("4.0")), Decimal("4.0"))
    assert found is not None
    p = Fraction(1, 10)
    assert dict(found.points)[p] == (1 - p) ** 13 + 13 * p * (1 - p) ** 12
    q = Fraction(4, 100)
    assert found.producers_risk == 1 - ((1 - q) ** 13 + 13 * q * (1 - q) ** 12)
    assert found.consumers_pieces == 10


def test_measuring_every_piece_has_no_sampling_risk() -> None:
    assert characteristic(plan_for(40, Scheme.EVERY_PIECE), None) is None
    stated = state_plan(Sampling(scheme=Scheme.EVERY_PIECE), LotTerms(40))
    assert stated.risk == "Every piece is measured: no sampling risk."
    assert stated.chosen == "How the pieces were chosen is not recorded."
    assert stated.series == ""


def test_a_plan_needs_the_size_of_the_lot_and_more_pieces_than_the_variables_plan_measures() -> None:
    with pytest.raises(ValueError, match="nobody said how many"):
        state_plan(Sampling(scheme=Scheme.EVERY_PIECE), LotTerms(None))
    by_values = Sampling(scheme=Scheme.VARIABLES, letter="D", aql=Decimal("1.0"))
    with pytest.raises(ValueError, match="measures 5 pieces, and the lot has 4"):
        state_plan(by_values, LotTerms(4))


@pytest.mark.parametrize(
    ("sampling", "sentence"),
    [
        ({"scheme": "attributes"}, "needs aql"),
        ({"scheme": "variables", "aql": 1}, "needs letter"),
        ({"scheme": "every-piece", "aql": 1}, "aql does not belong to sampling by every-piece"),
        ({"scheme": "attributes", "aql": 1, "letter": "D"}, "attributes finds its own"),
        ({"scheme": "every-piece", "reduced": True}, "reduced does not belong"),
        ({"scheme": "attributes", "aql": 1, "absorb_below_floor": True}, "absorb_below_floor does not belong"),
    ],
)
def test_a_sampling_table_that_contradicts_itself_is_refused(sampling: dict[str, Any], sentence: str) -> None:
    with pytest.raises(BadInput, match=sentence):
        job(sampling=sampling)

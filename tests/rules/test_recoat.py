"""Whether a second coat fits, and what a recoat added in the shop's own history."""

from __future__ import annotations

import statistics
from decimal import Decimal
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.conformity import by_piece_and_location, judged_builds
from rules.places import PieceLocation
from rules.recoat import AddedBuild, RecoatTest, added_build, recoat_test
from schemas.job import Recoat
from schemas.units import Unit
from tests.rules.builders import job, location, reading

#: What a second coat adds in the worked example of the trade notes (arithmetic done there, no published source).
ADDS: dict[str, Any] = {"added_low": Decimal("1.5"), "added_high": Decimal("2.5")}


def _places(figures: dict[str, str], *places: dict[str, Any]) -> tuple[PieceLocation, ...]:
    """Return the places of one piece; limits of 2 to 4 mil unless *places* are given."""
    rows = [reading(n, figure, location=name) for n, (name, figure) in enumerate(figures.items(), start=1)]
    the_job = job(*(places or [location(name) for name in figures]))
    return by_piece_and_location(the_job, judged_builds(the_job, rows))


def _test(
    figures: dict[str, str], recoat: dict[str, Any] | None = ADDS, *places: dict[str, Any], **more: Any
) -> RecoatTest:
    checked = None if recoat is None else Recoat.checked(recoat, "recoat")
    return recoat_test(_places(figures, *places), checked, Unit.MIL, **more)


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
    found = _test(figures, recoat)
    assert found.feasible is feasible
    assert bool(found.missing) is (feasible is None)


def test_the_sums_of_the_worked_example_are_spelled_out_the_broken_one_first() -> None:
    found = _test({"corner": "1.4", "face": "2.6"})
    assert found.reasons[0] == "piece 1, face: highest 2.60 + 2.5 = 5.10 mil > 4.0 mil, the upper limit"
    assert "piece 1, corner: lowest 1.40 + 1.5 = 2.90 mil > 2.0 mil, the lower limit" in found.reasons
    assert found.broken == 1
    assert found.sentence == "Recoat test: does not fit; a coat adds 1.5 to 2.5 mil (from the job)."


def test_the_borderline_of_the_worked_example_fits_without_a_guard_and_with_none_other() -> None:
    """1.4 to 1.5 comes to 2.9 to 4.0: "with any g > 0 it fails"."""
    figures = {"corner": "1.4", "face": "1.5"}
    assert _test(figures, guards={"face": Fraction(0)}).feasible is True
    found = _test(figures, guards={"face": Fraction(1, 10**9)})
    assert found.feasible is False
    assert found.reasons[0] == (
        "piece 1, face: highest 1.50 + 2.5 + 0.000000001 guard = 4.000000001 mil > 4.0 mil, the upper limit"
    )


def test_a_guard_stands_in_both_sums() -> None:
    found = _test({"face": "1.2"}, guards={"face": Fraction(1, 10)})
    assert found.reasons == (
        "piece 1, face: lowest 1.20 + 1.5 - 0.10 guard = 2.60 mil > 2.0 mil, the lower limit",
        "piece 1, face: highest 1.20 + 2.5 + 0.10 guard = 3.80 mil < 4.0 mil, the upper limit",
    )


def test_a_masked_place_is_masked_again_and_not_counted() -> None:
    masked = location("pin", None, "0.5", role="masked")
    assert _test({"face": "1.5", "pin": "0.4"}, ADDS, location("face"), masked).feasible is True


def test_a_place_that_was_not_measured_leaves_the_answer_open() -> None:
    found = _test({"face": "1.5"}, ADDS, location("face"), location("back"))
    assert (found.feasible, found.missing) == (None, ("What is the build at piece 1, back? It was not measured.",))


def test_a_place_that_was_not_measured_does_not_hide_one_that_says_no() -> None:
    assert _test({"face": "2.6"}, ADDS, location("face"), location("back")).feasible is False


def test_nothing_measured_shows_nothing() -> None:
    found = recoat_test((), Recoat.checked(ADDS, "recoat"), Unit.MIL)
    assert found.feasible is None
    assert found.missing


def test_without_an_upper_limit_or_a_sheet_total_the_answer_is_open() -> None:
    found = _test({"face": "1.0"}, ADDS, location("face", "2.0", None))
    assert found.feasible is None
    assert "sheet_max_total" in found.missing[0]
    assert found.sentence == "Recoat test: cannot be told; a coat adds 1.5 to 2.5 mil (from the job)."


def test_a_sheet_total_stands_in_for_an_upper_limit() -> None:
    sheet = {**ADDS, "sheet_max_total": Decimal(8)}
    assert _test({"face": "1.0"}, sheet, location("face", "2.0", None)).feasible is True


def test_what_is_known_already_is_not_asked_for() -> None:
    (asked,) = _test({"face": "1.0"}, {"sheet_max_total": Decimal(8)}).missing
    assert "added_low" in asked
    assert len(_test({"face": "1.0"}, {"max_coats": 2}).missing) == 2


def test_what_still_fits_is_a_ceiling_beside_limit_and_sheet() -> None:
    hole = location("bore", "2.0", "9.0", fit={"feature": "hole", "may_change": Decimal("7.0")})
    adds = {**ADDS, "sheet_max_total": Decimal("8.0")}
    assert _test({"bore": "1.0"}, adds, hole).feasible is True  # 3.5 and 7 / 2
    found = _test({"bore": "1.01"}, adds, hole)
    assert found.reasons[0] == (
        "piece 1, bore: highest 1.01 + 2.5 = 3.51 mil > 3.5 mil, the most film with which the hole fits"
    )


# The shop's own history


def _halves(*tenths: int) -> list[Fraction]:
    return [Fraction(t, 10) for t in tenths]


TEN = _halves(17, 18, 18, 19, 19, 19, 20, 20, 21, 19)


def test_nine_pairs_are_too_few() -> None:
    assert added_build(TEN[:9], Unit.MIL) is None
    assert added_build(TEN, Unit.MIL) is not None


def test_what_a_recoat_added_is_the_mean_and_two_deviations_rounded_outward() -> None:
    """The standard library's statistics module is the independent answer: mean 1.90, stdev 0.1155."""
    assert statistics.mean(TEN) == Fraction("1.9")
    assert statistics.stdev([float(x) for x in TEN]) == pytest.approx(0.115470, abs=1e-6)
    assert added_build(TEN, Unit.MIL) == AddedBuild(
        low=Decimal("1.66"),  # 1.6691
        high=Decimal("2.14"),  # 2.1309
        pairs=10,
        mean=Decimal("1.90"),
        deviation=Decimal("0.12"),
        source="10 pairs in the archive: mean 1.90, s 0.12 mil",
    )


def test_without_any_spread_nothing_is_rounded_away() -> None:
    found = added_build([Fraction("1.9")] * 12, Unit.MIL)
    assert found is not None
    assert (found.low, found.high) == (Decimal("1.90"), Decimal("1.90"))


def test_the_least_added_is_never_below_nothing() -> None:
    found = added_build([Fraction(0)] * 9 + [Fraction(10)], Unit.UM)
    assert found is not None
    assert f"{found.low:f}" == "0.0"


def test_pairs_between_which_nothing_was_added_are_no_history_of_recoats() -> None:
    assert added_build([Fraction(-1, 10)] * 20, Unit.MIL) is None


def test_the_history_takes_the_place_of_what_the_job_says() -> None:
    found = _test({"face": "1.8"}, ADDS, added=added_build(TEN, Unit.MIL))
    assert found.feasible is True  # 1.8 + 2.14 = 3.94, where the job's 2.5 would be over
    assert found.sentence == (
        "Recoat test: fits; a coat adds 1.66 to 2.14 mil (from 10 pairs in the archive: mean 1.90, s 0.12 mil)."
    )


# Laws

LAW = settings(max_examples=80, deadline=None)
hundredths = st.integers(0, 500).map(lambda n: Fraction(n, 100))
readings_there = st.lists(st.integers(0, 600), min_size=1, max_size=3)


@LAW
@given(
    differences=st.lists(st.fractions(-2, 8, max_denominator=1000), min_size=10, max_size=30),
    unit=st.sampled_from(list(Unit)),
)
def test_low_and_high_are_the_nearest_figures_outside_the_exact_range(differences: list[Fraction], unit: Unit) -> None:
    """Checked in squares, so that no root is taken: (mean - low)² is at least 4 s², one step further in it is not."""
    found = added_build(differences, unit)
    centre = sum(differences, Fraction(0)) / len(differences)
    if centre <= 0:
        assert found is None
        return
    assert found is not None
    square = 4 * sum((d - centre) ** 2 for d in differences) / (len(differences) - 1)
    step = Fraction(1, 100) if unit is Unit.MIL else Fraction(1, 10)
    high = Fraction(found.high)
    assert high >= centre
    assert (high - centre) ** 2 >= square
    assert high - step < centre or (high - step - centre) ** 2 < square
    low = Fraction(found.low)
    assert low <= centre
    if low > 0:
        assert (centre - low) ** 2 >= square
        assert low + step > centre or (centre - low - step) ** 2 < square


def _at(hundredths_read: list[int]) -> dict[str, str]:
    return {f"place {n}": f"{Decimal(h) / 100:.2f}" for n, h in enumerate(hundredths_read)}


@LAW
@given(builds=readings_there, guard=hundredths, more=hundredths)
def test_a_bigger_guard_never_makes_a_recoat_feasible(builds: list[int], guard: Fraction, more: Fraction) -> None:
    figures = _at(builds)
    before = _test(figures, guards=dict.fromkeys(figures, guard))
    after = _test(figures, guards=dict.fromkeys(figures, guard + more))
    assert before.feasible or not after.feasible


@LAW
@given(builds=readings_there, low=st.integers(1, 300), high=st.integers(0, 300), more=st.integers(0, 300))
def test_a_coat_that_may_add_more_or_less_never_makes_a_recoat_feasible(
    builds: list[int], low: int, high: int, more: int
) -> None:
    def added(least: int, most: int) -> dict[str, Any]:
        return {"added_low": Decimal(least) / 100, "added_high": Decimal(most) / 100}

    figures = _at(builds)
    before = _test(figures, added(low, low + high))
    heavier = _test(figures, added(low, low + high + more))
    lighter = _test(figures, added(max(1, low - more), low + high))
    assert before.feasible or not heavier.feasible
    assert before.feasible or not lighter.feasible


@LAW
@given(builds=readings_there, may_change=st.integers(800, 2000))
def test_a_fit_never_makes_a_recoat_feasible(builds: list[int], may_change: int) -> None:
    figures = _at(builds)
    fit = {"feature": "thread", "may_change": Decimal(may_change) / 100}
    free = _test(figures)
    bound = _test(figures, ADDS, *(location(name, fit=fit) for name in figures))
    assert free.feasible or not bound.feasible

"""One reading far from the others: what is flagged, what is only near it, and that nothing is removed."""

from __future__ import annotations

from decimal import Decimal, localcontext
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.unusual import Side, critical_distance, grubbs

SPOT = [Decimal(x) for x in ("2.4", "2.5", "2.6", "2.5", "4.9")]
VALUES = st.lists(st.fractions(min_value=0, max_value=5, max_denominator=1000), min_size=3, max_size=12)


def test_a_far_reading_is_flagged_with_the_numbers_and_stays_where_it_is() -> None:
    given_to_it = list(SPOT)
    found = grubbs(given_to_it)
    assert given_to_it == SPOT
    assert (found.unusual, found.farthest, found.readings) == (True, (4,), 5)
    assert found.mean == Fraction("2.98")
    assert found.distance > found.critical == critical_distance(5)


def test_the_side_is_the_one_that_is_asked_for() -> None:
    low, high = grubbs(SPOT, Side.LOW), grubbs(SPOT, Side.HIGH)
    assert (low.unusual, low.farthest) == (False, (0,))
    assert (high.unusual, high.farthest) == (True, (4,))
    assert low.critical == high.critical < grubbs(SPOT).critical


@pytest.mark.parametrize(
    ("values", "side", "farthest"),
    [
        pytest.param("1 2 3", Side.EITHER, (0, 2), id="as far on either side"),
        pytest.param("1 1 3 5 5 3", Side.HIGH, (3, 4), id="two alike on one side"),
        pytest.param("1 1 3 5 5 3", Side.EITHER, (0, 1, 3, 4), id="two alike on both"),
    ],
)
def test_readings_that_are_as_far_are_all_named(values: str, side: Side, farthest: tuple[int, ...]) -> None:
    found = grubbs([Decimal(x) for x in values.split()], side)
    assert found.farthest == farthest
    assert not found.unusual


def test_two_unusual_readings_hide_each_other() -> None:
    """A known weakness of the test (masking), which is why it decides nothing."""
    assert grubbs(SPOT).unusual
    assert not grubbs([*SPOT, Decimal("4.9")]).unusual


@pytest.mark.parametrize("side", Side)
def test_readings_that_are_alike_have_none_that_is_far(side: Side) -> None:
    found = grubbs([Decimal("2.5")] * 4, side)
    assert (found.distance, found.deviation, found.farthest, found.unusual) == (0, 0, (), False)


@pytest.mark.parametrize("count", [0, 1, 2])
def test_fewer_than_three_readings_are_refused(count: int) -> None:
    with pytest.raises(ValueError, match=f"three readings, not {count}"):
        grubbs([Decimal(1)] * count)


@pytest.mark.parametrize("level", ["0", "1", "-0.05", "1.5"])
def test_a_level_that_is_none_is_refused(level: str) -> None:
    with pytest.raises(ValueError, match="between 0 and 1"):
        grubbs(SPOT, level=Decimal(level))


def test_three_readings_can_be_flagged_only_just() -> None:
    """Of three, none lies farther than 2/√3 = 1.1547 deviations; the critical value is a little below that."""
    assert grubbs([Decimal("2.0"), Decimal("2.0"), Decimal("2.6")]).unusual
    assert not grubbs([Decimal("2.0"), Decimal("2.1"), Decimal("2.6")]).unusual


@given(VALUES, st.sampled_from(Side))
@settings(max_examples=60, deadline=None)
def test_no_reading_is_farther_than_the_arithmetic_allows(values: list[Fraction], side: Side) -> None:
    """Nor is a critical value: (n - 1)/√n is the most that one of n can be from their mean."""
    found = grubbs(values, side)
    n = len(values)
    assert 0 <= Fraction(found.distance) ** 2 <= Fraction((n - 1) ** 2, n) * (1 + Fraction(1, 10**30))
    assert Fraction(found.critical) ** 2 < Fraction((n - 1) ** 2, n)
    assert found.unusual == (found.distance > found.critical)


@given(VALUES, st.fractions(min_value=-5, max_value=5, max_denominator=100))
@settings(max_examples=60, deadline=None)
def test_a_shift_or_a_change_of_unit_changes_no_distance(values: list[Fraction], shift: Fraction) -> None:
    before, after = grubbs(values), grubbs([x * Fraction("25.4") + shift for x in values])
    assert (before.distance, before.farthest, before.unusual) == (after.distance, after.farthest, after.unusual)


def test_the_mirror_image_is_unusual_on_the_other_side() -> None:
    mirrored = [-value for value in SPOT]
    assert grubbs(mirrored, Side.LOW).distance == grubbs(SPOT, Side.HIGH).distance
    assert grubbs(mirrored, Side.LOW).unusual


def test_the_callers_decimal_context_does_not_matter() -> None:
    with localcontext() as context:
        context.prec = 3
        critical_distance.cache_clear()
        found = grubbs(SPOT)
    critical_distance.cache_clear()
    assert found == grubbs(SPOT)

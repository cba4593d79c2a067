"""Axes: round steps written exactly, everything inside, time by the shop's calendar."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from decimal import Decimal
from fractions import Fraction
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from report.chart_scale import apart, axis_over, nice_step, tick_label, time_axis

LONDON = ZoneInfo("Europe/London")
AMOUNTS = st.decimals(-2000, 2000, places=4, allow_nan=False, allow_infinity=False)


@pytest.mark.parametrize(
    ("rough", "step"),
    [
        ("1", "1"),
        ("1.0001", "2"),
        ("2", "2"),
        ("4.9", "5"),
        ("5.01", "1E+1"),
        ("0.03", "0.05"),
        ("0.5", "0.5"),
        ("99", "1E+2"),
    ],
)
def test_a_step_is_the_next_of_one_two_and_five_times_a_power_of_ten(rough: str, step: str) -> None:
    assert nice_step(Fraction(rough)) == Decimal(step)


@given(st.fractions(Fraction(1, 10**6), 10**6))
def test_a_step_is_never_below_what_was_asked_and_less_than_two_and_a_half_times_it(rough: Fraction) -> None:
    assert rough <= Fraction(nice_step(rough)) <= rough * Fraction(5, 2)


def test_ticks_are_written_with_exactly_their_digits() -> None:
    axis = axis_over([Decimal("2.0"), Decimal("3.1")], 0, 100)
    assert [tick_label(t) for t in axis.ticks] == ["2.0", "2.2", "2.4", "2.6", "2.8", "3.0"]
    wide = axis_over([-40, 160], 0, 100, about=5)
    assert [tick_label(t) for t in wide.ticks] == ["0", "50", "100", "150"]
    assert tick_label(Decimal("-0.50")) == "\u22120.50"


def test_an_axis_is_straight_between_its_ends() -> None:
    """Worked by hand: 60 to 90 with 4 % of 30 around is 58.8 to 91.2; 75 is their middle, 90 lies 31.2/32.4 up."""
    axis = axis_over([60, 90], 268, 26)
    assert (axis.low, axis.high, axis.step) == (Fraction("58.8"), Fraction("91.2"), Decimal(10))
    assert axis.at(75) == 147
    assert axis.at(90) == round(268 - 242 * 31.2 / 32.4, 2) == 34.96


@given(st.lists(AMOUNTS, min_size=1, max_size=20), st.booleans())
def test_everything_lies_on_its_axis_with_a_few_ticks(amounts: list[Decimal], upwards: bool) -> None:
    start, end = (300.0, 20.0) if upwards else (20.0, 300.0)
    axis = axis_over(amounts, start, end)
    assert all(20 <= axis.at(a) <= 300 for a in amounts)
    assert 2 <= len(axis.ticks) <= 8
    assert all(20 <= axis.at(t) <= 300 for t in axis.ticks)


def test_an_axis_of_counts_has_whole_numbers_from_zero() -> None:
    assert [tick_label(t) for t in axis_over([1, 2], 0, 10, from_zero=True, whole=True).ticks] == ["0", "1", "2"]


def test_a_film_build_s_axis_does_not_go_below_zero_unless_a_reading_does() -> None:
    assert axis_over([Decimal("0.2"), 90], 0, 10, never_below=0).low == 0
    assert axis_over([-2, 90], 0, 10, never_below=0).low < -2


@pytest.mark.parametrize(
    ("days", "labels"),
    [
        (0, ["03-28 21:00", "22:00", "23:00"]),
        (2, ["03-29 00:00", "12:00", "03-30 00:00", "12:00", "03-31 00:00"]),
        (20, ["2026-03-30", "2026-04-06", "2026-04-13"]),
        (300, ["2026-05", "2026-07", "2026-09", "2026-11", "2027-01"]),
        (3650, ["2028", "2030", "2032", "2034", "2036"]),
    ],
)
def test_time_has_hours_days_months_or_years(days: int, labels: list[str]) -> None:
    first = datetime(2026, 3, 28, 21, 10, tzinfo=LONDON)
    axis = time_axis([first, first + timedelta(days=days, hours=2)], 0, 700, LONDON)
    assert [words for _, words in axis.ticks()] == labels


def test_a_day_begins_at_the_shop_s_midnight_on_both_sides_of_the_change_of_the_clocks() -> None:
    """Summer time began in London on 2026-03-29 at 01:00 UTC (IANA time zone database)."""
    first = datetime(2026, 3, 27, 12, tzinfo=LONDON)
    axis = time_axis([first, first + timedelta(days=4)], 0, 700, LONDON)
    assert [when.astimezone(UTC).hour for when, _ in axis.ticks()] == [0, 0, 23, 23]


@given(st.lists(st.integers(0, 7_000_000_000), min_size=1, max_size=5))
def test_every_moment_lies_on_the_time_axis_and_ticks_are_few_and_in_order(seconds: list[int]) -> None:
    aware = [datetime.fromtimestamp(second, UTC) for second in seconds]
    axis = time_axis(aware, 58, 764, LONDON)
    ticks = axis.ticks()
    assert all(58 <= axis.at(moment) <= 764 for moment in aware)
    assert len(ticks) <= 8
    assert [when for when, _ in ticks] == sorted(when for when, _ in ticks)
    assert all(axis.holds(when) for when, _ in ticks)


@given(st.lists(st.floats(0, 200), min_size=1, max_size=8))
def test_labels_never_stand_on_one_another(wanted: list[float]) -> None:
    placed = apart(sorted(wanted), 15, 0, 200)
    assert all(b - a >= 15 - 1e-9 for a, b in pairwise(placed))
    assert placed[-1] <= 200
    assert placed[0] >= -1e-9

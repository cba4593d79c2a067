"""Edges of how numbers and times stand in sentences."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone
from decimal import Decimal
from fractions import Fraction

from rules.wording import amount, apart, as_written, counted, listed, local_day, local_time
from schemas.units import Unit


def test_a_time_is_that_of_the_shops_clock_whatever_the_computers_zone_is() -> None:
    moment = datetime(2026, 3, 3, 23, 30, tzinfo=UTC)
    for hours, said in ((-7, "2026-03-03 16:30"), (0, "2026-03-03 23:30"), (5, "2026-03-04 04:30")):
        zone = timezone(timedelta(hours=hours))
        assert local_time(moment, zone) == said
        assert local_day(moment, zone) == said.split()[0]


def test_figures_have_the_places_of_their_unit_and_more_only_where_fewer_would_be_untrue() -> None:
    assert amount(Fraction("79.96"), Unit.UM) == "80.0"
    assert amount(Fraction("79.96"), Unit.UM, Decimal(80)) == "79.96"
    assert amount(Fraction("80.04"), Unit.UM, Decimal(80)) == "80.04"
    assert amount(Fraction(80), Unit.UM, Decimal("80.0")) == "80.0"
    # With one place it would stand on the other side of the limit.
    assert amount(Fraction("79.96"), Unit.UM, Decimal("79.97")) == "79.96"
    assert amount(Fraction("80.04"), Unit.UM, Decimal("80.03")) == "80.04"
    assert amount(Fraction("1.996"), Unit.MIL) == "2.00"
    assert amount(Fraction("1.996"), Unit.MIL, Decimal("2.0")) == "1.996"
    assert amount(Fraction("2.5"), Unit.MIL, Decimal("2.0")) == "2.50"


def test_two_numbers_side_by_side_look_equal_only_where_they_are() -> None:
    assert apart(Fraction("2.1333"), Fraction("2.06"), 1) == ("2.13", "2.06")
    assert apart(Fraction("2.06"), Fraction("2.1333"), 1) == ("2.06", "2.13")
    assert apart(Fraction("8.9333"), Fraction("2.86"), 1) == ("8.9", "2.9")
    assert apart(Fraction("2.44"), Fraction("2.4"), 1) == ("2.44", "2.4")
    assert apart(Fraction("2.5"), Fraction("2.5"), 1) == ("2.5", "2.5")
    assert apart(Fraction(1), 1 - Fraction(1, 10**15), 1) == ("1.000000000000", "1.000000000000")


def test_a_difference_beyond_twelve_places_is_not_spelled_out() -> None:
    limit = Decimal(80)
    assert amount(80 - Fraction(6, 10**12), Unit.UM, limit) == "79.99999999999"
    assert amount(80 - Fraction(6, 10**13), Unit.UM, limit) == "79.999999999999"
    assert amount(80 - Fraction(4, 10**13), Unit.UM, limit) == "80.000000000000"


def test_a_limit_stands_as_it_was_written_and_a_derived_one_with_what_it_needs() -> None:
    assert [as_written(Decimal(text)) for text in ("2.0", "2.00", "6E1")] == ["2.0", "2.00", "60"]
    assert [as_written(Fraction(8, 5)), as_written(Fraction(60))] == ["1.6", "60"]
    assert as_written(Fraction(2, 3)) == "0.666666666667"


def test_one_is_singular_and_nothing_is_plural() -> None:
    assert [counted(n, "reading") for n in (0, 1, 2)] == ["0 readings", "1 reading", "2 readings"]


def test_lists_in_a_sentence() -> None:
    assert [listed(words) for words in ([], ["a"], ["a", "b"], ["a", "b", "c"])] == ["", "a", "a and b", "a, b and c"]
    assert listed("abc", most=3) == "a, b and c"
    assert listed("abcde", most=3) == "a, b, c and 2 more"
    assert listed("abcdefghijkl") == "a, b, c, d, e, f, g, h, i, j, k and l"
    assert listed("abcdefghijklm") == "a, b, c, d, e, f, g, h, i, j, k, l and 1 more"

"""Statistics, rounding and the figures in sentences: the cases that binary floats and careless rounding get wrong."""

from __future__ import annotations

import math
from decimal import Decimal, localcontext
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.rounding import Comparison, Tie, at_least, at_most, exact_decimal, last_place, round_to_step, shown
from rules.statistics import mean, nearest_rank_quantile, square_root, standard_deviation
from rules.wording import amount, as_written, listed
from schemas.units import Unit

DECIMALS = st.decimals(min_value=0, max_value=2500, places=4)


def test_a_mean_is_exact_where_a_float_is_not() -> None:
    tenths = [Decimal("0.1"), Decimal("0.2"), Decimal("0.3")]
    assert mean(tenths) == Fraction(1, 5)
    assert sum(map(float, tenths)) / 3 != 0.2


def test_a_mean_does_not_depend_on_the_callers_decimal_context() -> None:
    with localcontext() as context:
        context.prec = 3
        assert mean([Decimal("1234.5678"), Decimal("1234.5680")]) == Fraction("1234.5679")
        assert standard_deviation([Decimal("1000.0001"), Decimal("1000.0003")]) == square_root(Fraction(2, 10**8))


def test_values_that_agree_have_no_deviation() -> None:
    assert standard_deviation([Fraction(1, 3)] * 5) == 0


@pytest.mark.parametrize("values", [[], [Decimal(1)]], ids=["none", "one"])
def test_a_deviation_needs_two_values(values: list[Decimal]) -> None:
    with pytest.raises(ValueError, match="two values"):
        standard_deviation(values)


def test_a_mean_needs_one_value() -> None:
    with pytest.raises(ValueError, match="at least one"):
        mean([])


@given(st.integers(min_value=1, max_value=10**40), st.integers(min_value=1, max_value=10**40))
@settings(max_examples=80)
def test_a_square_root_is_right_to_28_digits(above: int, below: int) -> None:
    root = Fraction(square_root(Fraction(above, below)))
    # math.isqrt is the reference: the root of a scaled integer, floor, in integers alone.
    scale = 10**80
    reference = Fraction(math.isqrt(above * scale * scale // below), scale)
    assert abs(root - reference) <= root / 10**28


@pytest.mark.parametrize(
    ("share", "expected"),
    [("0", 10), ("0.01", 10), ("0.2", 10), ("0.21", 20), ("0.5", 30), ("0.8", 40), ("0.81", 50), ("1", 50)],
)
def test_a_quantile_is_the_nearest_rank(share: str, expected: int) -> None:
    values = [Decimal(v) for v in (30, 10, 50, 20, 40)]
    assert nearest_rank_quantile(values, Decimal(share)) == expected


@given(st.lists(DECIMALS, min_size=1, max_size=40), st.fractions(min_value=0, max_value=1))
@settings(max_examples=80)
def test_a_quantile_has_its_share_at_or_below_it_and_the_value_before_has_not(
    values: list[Decimal], share: Fraction
) -> None:
    found = nearest_rank_quantile(values, share)
    assert sum(v <= found for v in values) >= share * len(values)
    smaller = [v for v in values if v < found]
    assert not smaller or len(smaller) < share * len(values)


@pytest.mark.parametrize("share", ["-0.1", "1.1"])
def test_a_quantile_asks_for_a_share(share: str) -> None:
    with pytest.raises(ValueError, match="0 to 1"):
        nearest_rank_quantile([Decimal(1)], Decimal(share))


@pytest.mark.parametrize(
    ("value", "places", "expected"),
    [
        (Fraction(-1, 1000), 1, "0.0"),
        (Fraction(-1, 20), 1, "0.0"),
        (Fraction(-3, 20), 1, "-0.2"),
        (Fraction(1, 8), 2, "0.12"),
        (Fraction(3, 8), 2, "0.38"),
        (Fraction(2, 3), 4, "0.6667"),
        (Fraction(1995, 10), 0, "200"),
        (Fraction(1985, 10), 0, "198"),
    ],
)
def test_what_is_shown_is_rounded_half_to_even_and_is_never_minus_zero(
    value: Fraction, places: int, expected: str
) -> None:
    assert str(shown(value, places)) == expected


@given(st.fractions(min_value=-3000, max_value=3000), st.integers(min_value=0, max_value=6))
@settings(max_examples=120)
def test_rounding_moves_a_number_by_half_a_step_at_the_most(value: Fraction, places: int) -> None:
    step = Fraction(1, 10**places)
    assert abs(Fraction(shown(value, places)) - value) <= step / 2
    away = round_to_step(-value, Decimal(1).scaleb(-places), Tie.AWAY)
    assert away == -round_to_step(value, Decimal(1).scaleb(-places), Tie.AWAY)


def test_a_step_need_not_be_a_power_of_ten() -> None:
    assert round_to_step(Decimal("12.3"), Decimal("0.5")) == Decimal("12.5")
    assert round_to_step(Decimal("12.25"), Decimal("0.5")) == Decimal("12.0")
    assert round_to_step(Decimal("12.25"), Decimal("0.5"), Tie.AWAY) == Decimal("12.5")


@pytest.mark.parametrize("step", ["0", "-0.1", "NaN", "Infinity"])
def test_a_step_that_is_none_is_refused(step: str) -> None:
    with pytest.raises(ValueError, match=r"."):
        round_to_step(Decimal(1), Decimal(step))


def test_the_last_place_is_that_of_the_limit_as_it_is_written() -> None:
    places = [last_place(Decimal(limit)) for limit in ("2.0", "2", "0.50", "36E3")]
    assert places == [Decimal("0.1"), Decimal(1), Decimal("0.01"), Decimal(1000)]


def test_the_rounding_method_needs_a_limit_that_says_its_places() -> None:
    assert at_least(Decimal("1.96"), Decimal("2.0"), Comparison.ROUNDING)
    assert not at_least(Decimal("1.96"), Decimal("2.00"), Comparison.ROUNDING)
    assert at_most(Decimal("4.04"), Decimal("4.0"), Comparison.ROUNDING)
    with pytest.raises(TypeError, match="last place"):
        at_most(Decimal(4), Fraction(4), Comparison.ROUNDING)


def test_a_fraction_without_a_finite_decimal_is_not_made_one() -> None:
    assert exact_decimal(Fraction(1, 3)) is None
    assert str(exact_decimal(Fraction(32, 5))) == "6.4"
    assert str(exact_decimal(Fraction(-48))) == "-48"


@pytest.mark.parametrize(
    ("value", "unit", "against", "expected"),
    [
        pytest.param("1.996", Unit.MIL, "2.0", "1.996", id="just under"),
        pytest.param("2.0004", Unit.MIL, "2.0", "2.0004", id="just over"),
        pytest.param("2", Unit.MIL, "2.0", "2.00", id="on it"),
        pytest.param("2.125", Unit.MIL, "2.125", "2.125", id="on a limit of more places"),
        pytest.param("1.62", Unit.MIL, "2.0", "1.62", id="well under"),
        pytest.param("65", Unit.UM, "60", "65.0", id="micrometres"),
    ],
)
def test_the_figures_never_say_other_than_the_number(value: str, unit: Unit, against: str, expected: str) -> None:
    assert amount(Fraction(value), unit, Decimal(against)) == expected


@given(st.fractions(min_value=0, max_value=5, max_denominator=10**6), st.decimals(min_value=0, max_value=5, places=2))
@settings(max_examples=120)
def test_the_figures_stand_to_the_limit_as_the_number_does(value: Fraction, limit: Decimal) -> None:
    figures = Fraction(amount(value, Unit.MIL, limit))
    assert (figures < limit, figures > limit) == (value < limit, value > limit)


def test_a_limit_is_printed_as_it_was_written_and_a_derived_one_in_full() -> None:
    assert [as_written(Decimal("2.0")), as_written(Fraction(4, 5) * 8)] == ["2.0", "6.4"]


def test_a_long_list_says_how_many_more_there_are() -> None:
    assert listed(["1", "2", "3"]) == "1, 2 and 3"
    assert listed(["1", "2", "3", "4"], most=2) == "1, 2 and 2 more"
    assert (listed(["1"]), listed([])) == ("1", "")

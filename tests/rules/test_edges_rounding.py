"""Edges of rounding and of comparing at a limit, and what is refused, in words."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import pytest

from rules.rounding import Comparison, Tie, at_least, at_most, exact_decimal, last_place, round_to_step, shown


@pytest.mark.parametrize(
    ("value", "even", "away"),
    [
        ("2.5", "2", "3"),
        ("3.5", "4", "4"),
        ("-2.5", "-2", "-3"),
        ("-3.5", "-4", "-4"),
        ("0.5", "0", "1"),
        ("-0.5", "0", "-1"),
        ("2.4999", "2", "2"),
        ("2.5001", "3", "3"),
        ("0", "0", "0"),
    ],
)
def test_a_tie_goes_to_the_even_multiple_or_away_from_zero(value: str, even: str, away: str) -> None:
    one = Decimal(1)
    assert str(round_to_step(Decimal(value), one)) == even
    assert str(round_to_step(Decimal(value), one, Tie.EVEN)) == even
    assert str(round_to_step(Decimal(value), one, Tie.AWAY)) == away


def test_a_step_of_several_digits_keeps_its_places() -> None:
    assert str(round_to_step(Decimal("12.3"), Decimal("0.25"))) == "12.25"
    assert str(round_to_step(Decimal("12.4"), Decimal("0.25"))) == "12.50"
    assert str(round_to_step(Decimal(1260), Decimal("25E1"))) == "1.25E+3"


@pytest.mark.parametrize(
    ("step", "sentence"),
    [
        ("0", "a rounding step is above zero, not 0"),
        ("-0.1", "a rounding step is above zero, not -0.1"),
        ("NaN", "NaN is not a finite number"),
        ("Infinity", "Infinity is not a finite number"),
    ],
)
def test_a_step_that_is_none_is_refused_in_words(step: str, sentence: str) -> None:
    with pytest.raises(ValueError, match=f"^{sentence}$"):
        round_to_step(Decimal(1), Decimal(step))


def test_a_limit_without_a_last_place_is_refused_in_words() -> None:
    with pytest.raises(ValueError, match=r"^NaN is not a finite number$"):
        last_place(Decimal("NaN"))
    sentence = r"^the rounding method rounds to the last place of the limit: give it as a Decimal$"
    for compare in (at_least, at_most):
        with pytest.raises(TypeError, match=sentence):
            compare(Decimal(4), Fraction(4), Comparison.ROUNDING)


def test_on_a_limit_a_number_meets_it_by_every_method() -> None:
    for method in Comparison:
        assert at_least(Decimal("2.0"), Decimal("2.0"), method)
        assert at_most(Decimal("2.0"), Decimal("2.0"), method)
    assert at_least(Fraction(2), Fraction(2))
    assert at_most(2, 2)


def test_what_is_compared_by_default_is_the_number_as_it_is() -> None:
    assert not at_least(Decimal("1.96"), Decimal("2.0"))
    assert not at_most(Decimal("2.04"), Decimal("2.0"))


def test_a_tie_at_the_limit_is_decided_by_the_rule_that_is_named() -> None:
    """2.05 is midway: to the even 2.0, or away from zero to 2.1."""
    found, limit = Decimal("2.05"), Decimal("2.0")
    assert [at_most(found, limit, method) for method in (Comparison.ROUNDING, Comparison.ROUNDING_UP)] == [True, False]
    assert [at_least(found, Decimal("2.1"), m) for m in (Comparison.ROUNDING, Comparison.ROUNDING_UP)] == [False, True]
    assert [method.tie for method in Comparison] == [Tie.EVEN, Tie.EVEN, Tie.AWAY]


def test_what_is_shown_has_exactly_its_places() -> None:
    assert [str(shown(Fraction(n), 2)) for n in ("1", "1.005", "-0.004")] == ["1.00", "1.00", "0.00"]
    assert str(shown(Fraction(1250), -2)) == "1.2E+3"


@pytest.mark.parametrize(
    ("value", "said"),
    [
        (Fraction(1, 8), "0.125"),
        (Fraction(1, 5), "0.2"),
        (Fraction(1, 25), "0.04"),
        (Fraction(1, 40), "0.025"),
        (Fraction(1, 250), "0.004"),
        (Fraction(12), "12"),
        (Fraction(0), "0"),
        (Fraction(1, 7), "None"),
        (Fraction(1, 6), "None"),
    ],
)
def test_a_fraction_that_has_a_decimal_has_it_with_no_more_places_than_it_needs(value: Fraction, said: str) -> None:
    assert str(exact_decimal(value)) == said


def test_a_decimal_of_very_many_places_is_exact_too() -> None:
    """More than a binary float holds."""
    value = Fraction(3, 10**40)
    assert str(exact_decimal(value)) == "3E-40"
    assert exact_decimal(Fraction(3, 10**40 * 7)) is None

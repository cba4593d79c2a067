"""Normalized error: its edges, and what the other party would have to state."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import pytest

from rules.normalized_error import least_that_settles, normalized_error

ONE = Decimal(1)


def test_the_bound_is_decided_on_the_squares_where_the_root_has_no_end() -> None:
    """√2 is irrational: a hair above it is beyond, a hair below is not, though 34 digits show both as 1."""
    hair = Fraction(1, 10**60)
    root = Fraction(
        14142135623730950488016887242096980785696718753769480731766797379907324784621070388503875343, 10**91
    )
    assert not normalized_error(root - hair, ONE, ONE).beyond
    assert normalized_error(root + hair, ONE, ONE).beyond


def test_exchanging_the_results_turns_the_sign_and_nothing_else() -> None:
    one = normalized_error(Fraction(7, 3), Decimal("1.1"), Decimal("0.7"), (Decimal("0.3"), Decimal("0.2")))
    other = normalized_error(Fraction(-7, 3), Decimal("0.7"), Decimal("1.1"), (Decimal("0.2"), Decimal("0.3")))
    assert (one.value, one.expanded, one.beyond) == (other.value.copy_negate(), other.expanded, other.beyond)


def test_one_uncertainty_may_be_zero_but_not_both() -> None:
    assert normalized_error(Fraction(2), Decimal(0), Decimal(4)).value == Decimal("0.5")
    with pytest.raises(ValueError, match="above zero"):
        normalized_error(Fraction(2), Decimal(0), Decimal(0))


@pytest.mark.parametrize("wrong", [("-1", "1"), ("1", "-1")])
def test_an_uncertainty_is_not_negative(wrong: tuple[str, str]) -> None:
    with pytest.raises(ValueError, match="not negative"):
        normalized_error(Fraction(1), Decimal(wrong[0]), Decimal(wrong[1]))


@pytest.mark.parametrize("shared", [("1.1", "0.5"), ("0.5", "1.1"), ("-0.1", "0.5"), ("0.5", "-0.1")])
def test_no_more_is_shared_than_there_is(shared: tuple[str, str]) -> None:
    with pytest.raises(ValueError, match="cannot be shared"):
        normalized_error(Fraction(1), ONE, ONE, (Decimal(shared[0]), Decimal(shared[1])))


def test_all_of_both_shared_leaves_nothing_to_divide_by() -> None:
    with pytest.raises(ValueError, match="above zero"):
        normalized_error(Fraction(1), ONE, ONE, (ONE, ONE))


def test_what_the_other_has_to_state_makes_the_normalized_error_one() -> None:
    needed = least_that_settles(Fraction(5), Decimal(3))
    assert needed == 4
    assert abs(normalized_error(Fraction(5), Decimal(3), needed).value) == 1
    assert least_that_settles(Fraction(-5), Decimal(0)) == 5


@pytest.mark.parametrize("known", ["5", "5.1"])
def test_a_difference_within_the_one_uncertainty_that_is_known_means_nothing_whatever_is_stated(known: str) -> None:
    assert least_that_settles(Fraction(5), Decimal(known)) is None

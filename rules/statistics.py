"""Mean, standard deviation and quantile of exact numbers, exact as far as the result allows."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import ROUND_HALF_EVEN, Context, Decimal, DivisionByZero, InvalidOperation, Overflow
from fractions import Fraction
from math import ceil, lcm
from typing import Final, TypeVar

Exact = TypeVar("Exact", Decimal, Fraction)

#: Significant digits of a square root that is given out.
ROOT_DIGITS: Final = 34
_TRAPS: Final = (InvalidOperation, DivisionByZero, Overflow)
# Division and root are done with enough digits that the rounding to ROOT_DIGITS is the only one that shows.
_WORK: Final = Context(prec=ROOT_DIGITS + 16, rounding=ROUND_HALF_EVEN, traps=list(_TRAPS))
_RESULT: Final = Context(prec=ROOT_DIGITS, rounding=ROUND_HALF_EVEN, traps=list(_TRAPS))


def mean(values: Sequence[Decimal] | Sequence[Fraction]) -> Fraction:
    """Return the arithmetic mean of *values*, exactly, in their unit.

    A binary float is never involved: a mean that lies exactly on a limit comes out exactly on it.

    Raises:
        ValueError: There are no values.
    """
    if not values:
        raise ValueError("a mean needs at least one value")
    numerators, denominator = _over_one_denominator(values)
    return Fraction(sum(numerators), len(numerators) * denominator)


def variance(values: Sequence[Decimal] | Sequence[Fraction]) -> Fraction:
    """Return the sample variance (n - 1) of *values*, exactly, in their unit squared.

    Raises:
        ValueError: There are fewer than two values.
    """
    n = len(values)
    if n < 2:
        raise ValueError("a standard deviation needs at least two values")
    numerators, denominator = _over_one_denominator(values)
    # n·Σx² - (Σx)² loses nothing in integers, however far the values lie from zero.
    spread = n * sum(x * x for x in numerators) - sum(numerators) ** 2
    return Fraction(spread, n * (n - 1) * denominator * denominator)


def standard_deviation(values: Sequence[Decimal] | Sequence[Fraction]) -> Decimal:
    """Return the sample standard deviation (n - 1) of *values*, in their unit, to 34 significant digits.

    The definition is that of the NIST Statistical Reference Datasets, univariate summary statistics
    (read, and recomputed from their data).

    Raises:
        ValueError: There are fewer than two values.
    """
    return square_root(variance(values))


def square_root(square: Fraction) -> Decimal:
    """Return the square root of *square*, a number that is not negative, to 34 significant digits.

    Raises:
        ValueError: *square* is negative.
    """
    if square < 0:
        raise ValueError(f"{square} has no square root")
    quotient = _WORK.divide(Decimal(square.numerator), Decimal(square.denominator))
    return _RESULT.plus(_WORK.sqrt(quotient))


def nearest_rank_quantile(values: Sequence[Exact], share: Fraction | Decimal) -> Exact:
    """Return the nearest-rank quantile: the smallest value with at least *share* of the values at or below it.

    This is the one quantile of the contract, and what DuckDB calls ``quantile_disc``: an observed
    value, never one between two. A *share* of 0 gives the smallest value, 1 the largest.

    Raises:
        ValueError: There are no values, or *share* is not from 0 to 1.
    """
    if not values:
        raise ValueError("a quantile needs at least one value")
    exact_share = Fraction(share)
    if not 0 <= exact_share <= 1:
        raise ValueError(f"the share of a quantile is from 0 to 1, not {share}")
    rank = max(1, ceil(exact_share * len(values)))
    return sorted(values)[rank - 1]


def _over_one_denominator(values: Sequence[Decimal] | Sequence[Fraction]) -> tuple[list[int], int]:
    """Return the values as integers over one common denominator: one gcd a value instead of one an addition."""
    ratios = [value.as_integer_ratio() for value in values]
    denominator = lcm(*(below for _, below in ratios))
    return [above * (denominator // below) for above, below in ratios], denominator

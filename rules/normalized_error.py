"""The normalized error E_n: whether two results of one quantity differ by more than their uncertainties allow.

    E_n = (x - X) / √(U(x)² + U(X)²)        |E_n| ≤ 1: the difference means nothing

with U the expanded uncertainty of each result, k = 2. Whether |E_n| is above 1 is decided exactly, on the squares.

How well this is known: the formula, the bound of 1 and k = 2 were read on the pages of two providers of proficiency
tests and, with ISO 13528 named as the source and a table of results, in a reference manual of NIST (it recomputes). That they
stand in ISO 13528:2015, 9.7, and ISO/IEC 17043:2010, B.3, is from memory. With k = 2 it is half of the zeta score, whose
warning signal of 2 is the same bound (read, in the same manual); so the zeta score is not given beside it.

Both results are taken as independent. Where both rest on one standard they are not: what the standard brings moves both
alike and is not in the difference, so that E_n comes out too small. The covariance of JCGM 100, 5.2.2 (from memory), with a
coefficient of 1, takes it out.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

from rules.statistics import square_root


@dataclass(frozen=True, slots=True)
class NormalizedError:
    """A difference beside its expanded uncertainty.

    Attributes:
        difference: Of two results, in their unit, exact, with its sign.
        square: Square of the expanded uncertainty of the difference, in the unit squared, above zero.
    """

    difference: Fraction
    square: Fraction

    @property
    def size(self) -> Decimal:
        """Return |E_n|, to 34 significant digits."""
        return square_root(self.difference**2 / self.square)

    @property
    def value(self) -> Decimal:
        """Return E_n, with its sign, to 34 significant digits."""
        # Minus and abs of a Decimal would round to the context of whoever calls.
        return self.size.copy_negate() if self.difference < 0 else self.size

    @property
    def expanded(self) -> Decimal:
        """Return the expanded uncertainty of the difference: no smaller one can be noticed."""
        return square_root(self.square)

    @property
    def beyond(self) -> bool:
        """Return whether |E_n| is above 1; exactly on 1 it is not."""
        return self.difference**2 > self.square


def normalized_error(
    difference: Fraction,
    first: Decimal,
    second: Decimal,
    shared: tuple[Decimal, Decimal] = (Decimal(0), Decimal(0)),
) -> NormalizedError:
    """Return the normalized error of two results that differ by *difference*.

    Args:
        difference: The one result less the other.
        first: Expanded uncertainty (k = 2) of the one, not negative; all in one unit.
        second: Of the other.
        shared: What of the two comes from one source that moves both alike, such as one standard: its expanded part of
            *first* and of *second*.

    Raises:
        ValueError: An uncertainty is negative, both are zero, or more is shared than there is.
    """
    if first < 0 or second < 0:
        raise ValueError(f"an expanded uncertainty is not negative: {first}, {second}")
    if not (0 <= shared[0] <= first and 0 <= shared[1] <= second):
        raise ValueError(f"of uncertainties {first} and {second}, {shared[0]} and {shared[1]} cannot be shared")
    square = Fraction(first) ** 2 + Fraction(second) ** 2 - 2 * Fraction(shared[0]) * Fraction(shared[1])
    if square <= 0:
        raise ValueError("a normalized error needs an uncertainty above zero")
    return NormalizedError(difference, square)


def least_that_settles(difference: Fraction, known: Decimal) -> Decimal | None:
    """Return the least expanded uncertainty that the other party would have to state for *difference* to mean nothing.

    √(d² - U²), from |E_n| = 1. None where the uncertainty that is *known* settles it alone: whatever the other states.
    """
    rest = difference**2 - Fraction(known) ** 2
    return square_root(rest) if rest > 0 else None

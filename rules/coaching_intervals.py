"""Means and differences of pieces with their intervals, and whether a difference is more than the gauge's.

Intervals are Student's t on pieces, Welch's for two groups (from memory; scipy agrees), with the confidence divided over the
pairs that were looked at (Bonferroni).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

from rules.distributions import t_quantile
from rules.rounding import shown
from rules.statistics import mean, square_root, variance
from rules.uncertainty import nearest_decimal


@dataclass(frozen=True, slots=True)
class Interval:
    """A mean or a difference with its interval, in the unit of the builds."""

    value: Fraction
    low: Fraction
    high: Fraction

    @property
    def is_apart(self) -> bool:
        """Return whether the interval leaves 0 out."""
        return self.low > 0 or self.high < 0


def mean_interval(figures: Sequence[Fraction], confidence: Decimal, pairs: int = 1) -> Interval:
    """Return the mean of *figures*, of two at the least, with its interval by Student's t."""
    centre = mean(figures)
    t = _t(confidence, Fraction(len(figures) - 1), pairs)
    half = t * Fraction(square_root(variance(figures) / len(figures)))
    return Interval(centre, centre - half, centre + half)


def difference_interval(
    first: Sequence[Fraction], second: Sequence[Fraction], confidence: Decimal, pairs: int = 1
) -> Interval:
    """Return the mean of *first* less that of *second*, by Welch."""
    value = mean(first) - mean(second)
    parts = [(variance(group) / len(group), len(group) - 1) for group in (first, second)]
    total = sum((part for part, _ in parts), Fraction(0))
    if not total:
        return Interval(value, value, value)
    degrees = total**2 / sum((part**2 / nu for part, nu in parts), Fraction(0))
    half = _t(confidence, degrees, pairs) * Fraction(square_root(total))
    return Interval(value, value - half, value + half)


def _t(confidence: Decimal, degrees: Fraction, pairs: int) -> Fraction:
    upper = 1 - (1 - Fraction(confidence)) / (2 * pairs)
    # A few digits are enough for degrees of freedom, and fewer of them are looked up again.
    return Fraction(t_quantile(nearest_decimal(upper), shown(degrees, 3)))


def more_than_gauge(difference: Fraction, expanded: Sequence[Fraction | None]) -> bool | None:
    """Return whether a difference of two means is more than the larger uncertainty explains twice over, root of squares."""
    known = [one for one in expanded if one is not None]
    return None if len(known) < len(expanded) or not known else difference**2 > 2 * max(known) ** 2

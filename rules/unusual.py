"""One reading that lies far from the others: Grubbs' test.

The test says that a reading is unusual, and by which numbers. It removes nothing, and the acceptance rules do not
know of it: a reading counts until a person says otherwise, with a reason. A flag is a reason to look at the spot and
to read it again.

It holds for readings that are about normally distributed but for one. Two unusual readings hide each other, and
repeating the test on what is left is another test, with other critical values.

The statistic and its critical value are those of the NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.17
(formula read in material quoting it). They agree with two published tables and with scipy.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Context, Decimal
from enum import StrEnum
from fractions import Fraction
from functools import lru_cache
from typing import Final

from rules.distributions import f_survival
from rules.statistics import mean, square_root, variance

#: The probability of flagging a reading where none is unusual, where nothing else is agreed.
USUAL_LEVEL: Final = Decimal("0.05")
#: Fewest readings that the test is made for.
FEWEST: Final = 3

_CRITICAL_DIGITS: Final = 12
_WORK: Final = Context(prec=28, rounding=ROUND_HALF_EVEN)
_CRITICAL: Final = Context(prec=_CRITICAL_DIGITS, rounding=ROUND_HALF_EVEN)


class Side(StrEnum):
    """On which side of the mean a reading is looked for; to be chosen before the readings are seen."""

    EITHER = "either"
    LOW = "low"
    HIGH = "high"


@dataclass(frozen=True, slots=True)
class Grubbs:
    """Grubbs' test of some readings, with its numbers.

    Attributes:
        side: On which side was looked.
        level: Probability of flagging a reading where none is unusual.
        readings: How many readings there are.
        mean: Their mean, exact, in their unit.
        deviation: Their standard deviation (n - 1), in their unit.
        farthest: Positions, from 0, of the readings that lie farthest from the mean on that side: more than one where
            some are alike or as far on either side, none where all readings are alike.
        distance: How many standard deviations those lie from the mean (G); 0 where all readings are alike.
        critical: The distance that is exceeded with the probability *level* where no reading is unusual.
        unusual: Whether the distance is above the critical one.
    """

    side: Side
    level: Decimal
    readings: int
    mean: Fraction
    deviation: Decimal
    farthest: tuple[int, ...]
    distance: Decimal
    critical: Decimal
    unusual: bool


def grubbs(
    values: Sequence[Decimal] | Sequence[Fraction], side: Side = Side.EITHER, level: Decimal = USUAL_LEVEL
) -> Grubbs:
    """Return Grubbs' test of *values*, all in one unit, for one unusual reading on *side*.

    Raises:
        ValueError: There are fewer than three values, or *level* is not between 0 and 1.
    """
    count = len(values)
    critical = critical_distance(count, side, level)
    centre, squared = mean(values), variance(values)
    outward = [_outward(Fraction(value) - centre, side) for value in values]
    most = max(outward)
    distance = square_root(most * most / squared) if squared else Decimal(0)
    return Grubbs(
        side=side,
        level=level,
        readings=count,
        mean=centre,
        deviation=square_root(squared),
        farthest=tuple(at for at, out in enumerate(outward) if out == most) if squared else (),
        distance=distance,
        critical=critical,
        unusual=distance > critical,
    )


@lru_cache(maxsize=256)
def critical_distance(readings: int, side: Side = Side.EITHER, level: Decimal = USUAL_LEVEL) -> Decimal:
    """Return the distance, in standard deviations, beyond which Grubbs' test calls a reading unusual; to 12 digits.

    (n - 1)/√n · √(t²/(n - 2 + t²)), where Student's t with n - 2 degrees of freedom is above t with a probability of
    level/n, or of level/(2n) where either side is looked at.

    Raises:
        ValueError: *readings* is below three, or *level* is not between 0 and 1.
    """
    if readings < FEWEST:
        raise ValueError(f"Grubbs' test needs at least three readings, not {readings}")
    if not 0 < level < 1:
        raise ValueError(f"a level of significance is between 0 and 1, not {level}")
    sides = 2 if side is Side.EITHER else 1
    above = _WORK.divide(level, Decimal(sides * readings))
    squared = Fraction(_t_squared(above, readings - 2))
    farthest = Fraction((readings - 1) ** 2, readings)
    return _CRITICAL.plus(square_root(farthest * squared / (readings - 2 + squared)))


def _t_squared(above: Decimal, degrees: int) -> Decimal:
    """Return t², where Student's t is above t with a probability of *above*, which is below one half.

    t² is above a value as often as F with 1 and *degrees* degrees of freedom is, and that is twice as often as t is
    above its root. The interval is halved, since the tail is too flat for faster methods where *above* is small.
    """
    wanted = _WORK.multiply(2, above)
    low, high = Decimal(0), Decimal(1)
    while f_survival(high, 1, degrees) > wanted:
        low, high = high, _WORK.multiply(4, high)
    while _WORK.subtract(high, low) > _WORK.scaleb(high, -_CRITICAL_DIGITS - 2):
        middle = _WORK.divide(_WORK.add(low, high), 2)
        if f_survival(middle, 1, degrees) > wanted:
            low = middle
        else:
            high = middle
    return high


def _outward(difference: Fraction, side: Side) -> Fraction:
    """Return how far a reading lies from the mean on *side*; below zero on the other one."""
    if side is Side.EITHER:
        return abs(difference)
    return difference if side is Side.HIGH else -difference

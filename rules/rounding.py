"""Comparison at a limit and rounding, in exact numbers.

Two published practices stand behind this module:

* ASTM E29 names two methods of comparing with a specified limit, absolute and rounding, and asks the
  specification to say which (read, scope of E29-93a and E29-13). That the rounding method rounds to
  the last place of the limit, a tie to the even digit, is from memory; its published table agrees.
* ISO 80000-1, annex B, gives two rules for a tie, A (even multiple) and B (higher in magnitude), and
  forbids rounding in stages (from memory; its published examples agree).
"""

from __future__ import annotations

from decimal import Decimal
from enum import StrEnum
from fractions import Fraction
from typing import Final

Number = Decimal | Fraction | int


class Comparison(StrEnum):
    """How a number is compared with a limit (the two methods of ASTM E29)."""

    ABSOLUTE = "absolute"
    ROUNDING = "rounding"
    ROUNDING_UP = "rounding, a tie away from zero"

    @property
    def tie(self) -> Tie:
        """Return which of two equally near multiples it takes; E29 takes the even one (from memory)."""
        return Tie.AWAY if self is Comparison.ROUNDING_UP else Tie.EVEN


class Tie(StrEnum):
    """Which multiple is taken when two are equally near (the two rules of ISO 80000-1, annex B)."""

    EVEN = "A"
    AWAY = "B"


def last_place(limit: Decimal) -> Decimal:
    """Return the value of one in the last place of *limit* as it is written: 2.0 gives 0.1, 36E3 gives 1000.

    Raises:
        ValueError: *limit* is not a finite number.
    """
    return Decimal((0, (1,), _exponent(limit)))


def at_least(found: Number, limit: Number, method: Comparison = Comparison.ABSOLUTE) -> bool:
    """Return whether *found* meets the lower *limit*; on the limit it does. Both in one unit.

    With a rounding method, *found* is first rounded to the last place of *limit* (ASTM E29), so
    there the limit has to be a Decimal, written with the places that are meant.

    Raises:
        TypeError: The rounding method is asked for and *limit* is not a Decimal.
    """
    return _as_compared(found, limit, method) >= Fraction(limit)


def at_most(found: Number, limit: Number, method: Comparison = Comparison.ABSOLUTE) -> bool:
    """Return whether *found* meets the upper *limit*; on the limit it does. As :func:`at_least` otherwise."""
    return _as_compared(found, limit, method) <= Fraction(limit)


def round_to_step(value: Number, step: Decimal, rule: Tie = Tie.EVEN) -> Decimal:
    """Return the multiple of *step* nearest to *value*, with the places of *step*; never a negative zero.

    The unrounded value is rounded once, as ISO 80000-1, annex B, asks. Rule B takes the multiple that
    is higher in magnitude, so that a number and its negative round alike (from memory).

    Raises:
        ValueError: *step* is not a finite number above zero.
    """
    places = _exponent(step)
    if step <= 0:
        raise ValueError(f"a rounding step is above zero, not {step}")
    # The step is units·10^places; everything up to the last line is in integers.
    units = int("".join(map(str, step.as_tuple().digits)))
    steps = abs(Fraction(value)) / Fraction(step)
    count, rest = divmod(steps.numerator, steps.denominator)
    twice = 2 * rest
    if twice > steps.denominator or (twice == steps.denominator and (rule is Tie.AWAY or count % 2 == 1)):
        count += 1
    sign = 1 if value < 0 and count else 0
    return Decimal((sign, tuple(map(int, str(count * units))), places))


def shown(value: Fraction, places: int) -> Decimal:
    """Return *value* rounded half to even to *places* decimals, with exactly these; never "-0.0".

    For print only: nothing is decided on what this returns.
    """
    return round_to_step(value, Decimal((0, (1,), -places)))


def exact_decimal(value: Fraction) -> Decimal | None:
    """Return *value* as a Decimal without loss, with no more places than it needs, or None where it has none."""
    below = value.denominator
    places = 0
    for prime in _PRIMES_OF_TEN:
        power = 0
        while below % prime == 0:
            below //= prime
            power += 1
        places = max(places, power)
    return None if below != 1 else shown(value, places)


_PRIMES_OF_TEN: Final = (2, 5)


def _as_compared(found: Number, limit: Number, method: Comparison) -> Fraction:
    if method is Comparison.ABSOLUTE:
        return Fraction(found)
    if not isinstance(limit, Decimal):
        raise TypeError("the rounding method rounds to the last place of the limit: give it as a Decimal")
    return Fraction(round_to_step(found, last_place(limit), method.tie))


def _exponent(number: Decimal) -> int:
    exponent = number.as_tuple().exponent
    if not isinstance(exponent, int):
        raise ValueError(f"{number} is not a finite number")  # noqa: TRY004 - the type is right, the value is not
    return exponent

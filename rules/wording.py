"""How numbers and times stand in the sentences of findings and reasons."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, tzinfo
from decimal import Decimal
from fractions import Fraction
from typing import Final

from rules.rounding import exact_decimal, shown
from schemas.units import Unit

#: Places that a thickness is spelled out with, more where fewer would say something untrue.
PLACES: Final = {Unit.UM: 1, Unit.MIL: 2}
_MOST_PLACES: Final = 12


def amount(value: Fraction, unit: Unit, against: Decimal | Fraction | None = None) -> str:
    """Return *value* (in *unit*) as figures without the unit, rounded half to even.

    Given the number that it is compared *against*, as many places are printed as it takes for the
    figures to stand to that number as the exact value does: 1.996 next to a limit of 2.0 is never "2.00".
    """
    for places in range(PLACES[unit], _MOST_PLACES):
        figures = shown(value, places)
        if against is None or _order(Fraction(figures), Fraction(against)) == _order(value, Fraction(against)):
            return f"{figures:f}"
    return f"{shown(value, _MOST_PLACES):f}"


def as_written(limit: Decimal | Fraction) -> str:
    """Return a limit as it was written, or a derived one (80 % of a minimum) with the places that it needs."""
    if isinstance(limit, Decimal):
        return f"{limit:f}"
    exact = exact_decimal(limit)
    return f"{shown(limit, _MOST_PLACES) if exact is None else exact:f}"


def local_time(moment: datetime, zone: tzinfo) -> str:
    """Return *moment* by the shop's clock, to the minute."""
    return f"{moment.astimezone(zone):%Y-%m-%d %H:%M}"


def counted(number: int, noun: str) -> str:
    """Return a number with its noun: 1 reading, 2 readings."""
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def listed(words: Sequence[str], most: int = 12) -> str:
    """Return *words* as a list in a sentence, cut off with a count after *most* of them."""
    if len(words) > most:
        return ", ".join(words[:most]) + f" and {len(words) - most} more"
    if len(words) < 2:
        return "".join(words)
    return ", ".join(words[:-1]) + " and " + words[-1]


def _order(left: Fraction, right: Fraction) -> int:
    return (left > right) - (left < right)

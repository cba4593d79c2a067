"""How numbers and times stand in the sentences of findings and reasons."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime, tzinfo
from decimal import Decimal
from fractions import Fraction
from typing import Final

from rules.rounding import exact_decimal, shown
from rules.sentence import Day, Figures, Sentence, joined, said, template
from schemas.units import Unit

#: Places that a thickness is spelled out with, more where fewer would say something untrue.
PLACES: Final = {Unit.UM: 1, Unit.MIL: 2}
_MOST_PLACES: Final = 12

_Words = tuple[Callable[..., Sentence], Callable[..., Sentence]]
#: One of something, and several: as the subject or the object of a sentence.
_COUNTED: Final[dict[str, _Words]] = {
    "coat": (template("{n} coat"), template("{n} coats")),
    "consecutive step": (template("{n} consecutive step"), template("{n} consecutive steps")),
    "pair": (template("{n} pair"), template("{n} pairs")),
    "piece": (template("{n} piece"), template("{n} pieces")),
    "reading": (template("{n} reading"), template("{n} readings")),
    "step": (template("{n} step"), template("{n} steps")),
    "time": (template("{n} time"), template("{n} times")),
}
#: The whole that some are a part of: "3" is said before it.
_OUT_OF: Final[dict[str, _Words]] = {
    "piece": (template("of {n} piece"), template("of {n} pieces")),
    "reading": (template("of {n} reading"), template("of {n} readings")),
}
#: Pieces by their names: as the subject or the object of a sentence.
_PIECES: Final[_Words] = (template("piece {names}"), template("pieces {names}"))


def amount(value: Fraction, unit: Unit, against: Decimal | Fraction | None = None) -> Figures:
    """Return *value* (in *unit*) as figures without the unit, rounded half to even.

    Given the number that it is compared *against*, as many places are printed as it takes for the
    figures to stand to that number as the exact value does: 1.996 next to a limit of 2.0 is never "2.00".
    """
    return Figures(f"{_beside(value, against, PLACES[unit]):f}")


def apart(one: Fraction, other: Fraction, places: int) -> tuple[Figures, Figures]:
    """Return two numbers that are told side by side as figures, rounded half to even to *places* decimals.

    Each has more where :func:`amount` would give it more beside the other one, and both have where the figures would still not
    stand to each other as the exact values do: an error of 2.13 beside a tolerance of 2.06 is never "2.1" beside "2.1".
    """
    first, second = _beside(one, other, places), _beside(other, one, places)
    while _order(Fraction(first), Fraction(second)) != _order(one, other) and places < _MOST_PLACES:
        places += 1
        first, second = shown(one, places), shown(other, places)
    return Figures(f"{first:f}"), Figures(f"{second:f}")


def as_written(limit: Decimal | Fraction) -> Figures:
    """Return a limit as it was written, or a derived one (80 % of a minimum) with the places that it needs."""
    if isinstance(limit, Decimal):
        return Figures(f"{limit:f}")
    exact = exact_decimal(limit)
    return Figures(f"{shown(limit, _MOST_PLACES) if exact is None else exact:f}")


def with_unit(figures: str, unit: Unit) -> str:
    """Return *figures* with their unit."""
    return joined([figures, unit.symbol])


def percent(figures: str) -> str:
    """Return *figures* with a percent sign."""
    return joined([figures, "%"])


def local_day(moment: datetime, zone: tzinfo) -> str:
    """Return the day of *moment* by the shop's clock."""
    return Day(moment.astimezone(zone).date())


def local_time(moment: datetime, zone: tzinfo) -> str:
    """Return *moment* by the shop's clock, to the minute."""
    return said("{day} {clock}", day=local_day(moment, zone), clock=f"{moment.astimezone(zone):%H:%M}")


def counted(number: int, noun: str) -> str:
    """Return a number with its noun: 1 reading, 2 readings. A noun that only a terminal shows is said in English."""
    if noun not in _COUNTED:
        return f"{number} {noun}" if number == 1 else f"{number} {noun}s"
    one, several = _COUNTED[noun]
    return (one if number == 1 else several)(n=number)


def out_of(number: int, noun: str) -> str:
    """Return a number with its noun as the whole of which some are counted: of 1 reading, of 2 readings."""
    one, several = _OUT_OF[noun]
    return (one if number == 1 else several)(n=number)


def pieces_named(names: Sequence[str], most: int = 12) -> str:
    """Return pieces by their names: piece 7, pieces 7 and 8."""
    one, several = _PIECES
    return (one if len(names) == 1 else several)(names=listed(names, most))


def listed(words: Sequence[str], most: int = 12) -> str:
    """Return *words* as a list in a sentence, cut off with a count after *most* of them."""
    if len(words) > most:
        return said("{first} and {n} more", first=joined(words[:most], ", "), n=len(words) - most)
    if len(words) < 2:
        return words[0] if words else ""
    return said("{first} and {last}", first=joined(words[:-1], ", "), last=words[-1])


def _beside(value: Fraction, against: Decimal | Fraction | None, places: int) -> Decimal:
    """Return *value* rounded to *places*, or to as many more as it takes to stand to *against* as it does exactly."""
    for enough in range(places, _MOST_PLACES):
        figures = shown(value, enough)
        if against is None or _order(Fraction(figures), Fraction(against)) == _order(value, Fraction(against)):
            return figures
    return shown(value, _MOST_PLACES)


def _order(left: Fraction, right: Fraction) -> int:
    return (left > right) - (left < right)

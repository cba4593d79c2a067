"""How a number, a moment or a verdict is written on a page. Every rounding of the report is here."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime, timedelta
from decimal import Decimal
from fractions import Fraction
from typing import Final
from zoneinfo import ZoneInfo

from rules.rounding import shown
from rules.sentence import Day, Figures, joined, said
from rules.uncertainty import nearest_decimal
from rules.verdict import Verdict
from schemas.letters import unprinted
from schemas.readings import GaugeReading
from schemas.units import Unit

NBSP: Final = "\u00a0"
MINUS: Final = "\u2212"
DASH: Final = "\u2013"

VERDICT_WORDS: Final = {
    Verdict.PASS: said("conforms"),
    Verdict.UNDECIDED: said("undecided"),
    Verdict.FAIL: said("does not conform"),
}
_CONDITIONALLY: Final = {
    Verdict.PASS: said("conforms, conditionally"),
    Verdict.UNDECIDED: said("undecided, conditionally"),
    Verdict.FAIL: said("does not conform, conditionally"),
}


def verdict_word(verdict: Verdict, *, conditional: bool = False) -> str:
    """Return the word for a verdict; what conforms only within a guard band never looks like what is clear of it."""
    return _CONDITIONALLY[verdict] if conditional else VERDICT_WORDS[verdict]


# One µm is 0.04 mil, so a mil figure needs two places more to say as much. A hundredth of a mil is a
# quarter of a µm: one place less.
_MORE_PLACES_IN_MIL: Final = 2
_FEWER_PLACES_IN_UM: Final = 1


def figure(number: Fraction | Decimal | None, places: int) -> str:
    """Return *number* rounded half to even to *places* decimals, with a real minus; a dash for None."""
    return DASH if number is None else Figures(f"{shown(Fraction(number), places):f}".replace("-", MINUS))


def two_figures(number: Fraction | None) -> str:
    """Return an expanded uncertainty with two significant figures (JCGM 100, 7.2.6: at most two; from memory).

    Rounded half to even; of 10 and more the whole number. A dash for None.
    """
    if number is None:
        return DASH
    places = max(0, 1 - nearest_decimal(number).adjusted()) if number else 0
    if places and shown(number, places).adjusted() > nearest_decimal(number).adjusted():
        places -= 1  # 9.96 is 10, and not 10.0
    return figure(number, places)


def figure_between(number: Fraction | None, places: int, bounds: Iterable[Decimal | Fraction | None]) -> str:
    """Return *number* as :func:`figure` does, with as many places more as it takes not to lie about *bounds*.

    A mean of 59.96 beside a lower limit of 60.0 is never printed as 60.0.
    """
    if number is None:
        return DASH
    against = [Fraction(b) for b in bounds if b is not None]
    while any(_order(Fraction(shown(number, places)), b) != _order(number, b) for b in against):
        places += 1
    return figure(number, places)


def _order(left: Fraction, right: Fraction) -> int:
    return (left > right) - (left < right)


def as_written(number: Decimal) -> str:
    """Return *number* with the decimals that whoever wrote it gave it."""
    return Figures(f"{number:f}".replace("-", MINUS))


def as_shown(figures: str) -> str:
    """Return the gauge's own figures, with a real minus."""
    return figures.replace("-", MINUS)


def printable(text: str) -> str:
    """Return what a person noted, with each letter that no certificate can print written as its code."""
    return "".join(c if unprinted(c) is None else c.encode("unicode_escape").decode() for c in text)


def with_unit(written: str, unit: str) -> str:
    """Return a number and its unit, never to be torn apart at the end of a line."""
    return joined((written, unit), NBSP)


def places_of(readings: Iterable[GaugeReading], unit: Unit) -> int:
    """Return how many decimals the readings carry, seen in *unit*."""
    return max((_places(r.shown, Unit(r.unit), unit) for r in readings), default=0 if unit is Unit.UM else 2)


def _places(figures: str, given: Unit, wanted: Unit) -> int:
    _, _, decimals = figures.replace(",", ".").partition(".")
    places = len(decimals)
    if given is wanted:
        return places
    return max(0, places - _FEWER_PLACES_IN_UM) if wanted is Unit.UM else places + _MORE_PLACES_IN_MIL


def limits(lower: Decimal | None, upper: Decimal | None) -> str:
    """Return two limits, either of which may be missing, as they are printed."""
    if lower is not None and upper is not None:
        return joined((as_written(lower), DASH, as_written(upper)), NBSP)
    if lower is not None:
        return joined(("\u2265", as_written(lower)), NBSP)
    if upper is not None:
        return joined(("\u2264", as_written(upper)), NBSP)
    return DASH


def moment(when: datetime, zone: ZoneInfo, seconds: bool = False) -> str:
    """Return *when* in the shop's time zone, with its offset from UTC."""
    local = when.astimezone(zone)
    clock = local.strftime("%H:%M:%S" if seconds else "%H:%M")
    return joined((day(local.date()), clock, f"({offset(local)})"), NBSP)


def clock_time(when: datetime, zone: ZoneInfo) -> str:
    """Return the time of day of *when* in *zone*, to the second."""
    return when.astimezone(zone).strftime("%H:%M:%S")


def day(when: date) -> str:
    """Return a day as year, month and day."""
    return Day(when)


def offset(local: datetime) -> str:
    """Return the offset of *local* from UTC, as UTC+01:00."""
    ahead = local.utcoffset() or timedelta(0)
    minutes = abs(ahead) // timedelta(minutes=1)
    sign = MINUS if ahead < timedelta(0) else "+"
    return f"UTC{sign}{minutes // 60:02}:{minutes % 60:02}"


def fingerprint(hex_digits: str) -> str:
    """Return a fingerprint in groups of four, as a person compares it."""
    return " ".join(hex_digits[i : i + 4] for i in range(0, len(hex_digits), 4))

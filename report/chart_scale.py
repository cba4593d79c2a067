"""The scales of charts: round steps with exact numbers on the axis, and time by the shop's calendar. Pure.

Where a mark stands is a float, since a picture decides nothing; what is written at a tick is exact.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from decimal import Decimal
from fractions import Fraction
from typing import Final
from zoneinfo import ZoneInfo

from report.figures import MINUS

Number = Fraction | Decimal | int

_STEPS: Final = (1, 2, 5, 10)
#: Room above and below what is shown, as a share of its span.
_AIR: Final = Fraction(4, 100)


@dataclass(frozen=True, slots=True)
class Axis:
    """A straight scale from an amount to a place on the drawing.

    Attributes:
        low, high: The amounts at its ends, *high* above *low*.
        step: From tick to tick: 1, 2 or 5 times a power of ten.
        start, end: Where *low* and *high* stand, in px of the drawing; an axis that goes up ends above its start.
    """

    low: Fraction
    high: Fraction
    step: Decimal
    start: float
    end: float

    def at(self, amount: Number) -> float:
        """Return where *amount* stands, in px."""
        share = float((Fraction(amount) - self.low) / (self.high - self.low))
        return round(self.start + share * (self.end - self.start), 2)

    @property
    def ticks(self) -> list[Decimal]:
        """Return the multiples of the step on the axis, exactly."""
        step = Fraction(self.step)
        return [n * self.step for n in range(math.ceil(self.low / step), math.floor(self.high / step) + 1)]


def axis_over(
    amounts: Iterable[Number | None],
    start: float,
    end: float,
    *,
    about: int = 6,
    from_zero: bool = False,
    whole: bool = False,
    never_below: Number | None = None,
) -> Axis:
    """Return an axis that takes in all *amounts* with a little room around them; 0 to 1 where there are none.

    Args:
        amounts: What has to lie on it; None is passed over.
        start, end: Where it begins and ends, in px.
        about: How many ticks there are, roughly.
        from_zero: Whether it begins at zero, without room before it.
        whole: Whether only whole numbers are ticks, as for counts.
        never_below: Where it begins at the lowest, as zero for a film build.
    """
    seen = [Fraction(a) for a in amounts if a is not None]
    low, high = (min(seen), max(seen)) if seen else (Fraction(0), Fraction(1))
    if from_zero:
        low = Fraction(0)
    span = (high - low) or abs(high) or Fraction(1)
    if not from_zero:
        low = low - _AIR * span
        if never_below is not None and min(seen, default=low) >= never_below:
            low = max(low, Fraction(never_below))
    high = high + _AIR * span
    step = nice_step((high - low) / about)
    return Axis(low, high, max(step, Decimal(1)) if whole else step, start, end)


def nice_step(rough: Fraction) -> Decimal:
    """Return the least of 1, 2 and 5 times a power of ten that is not below *rough*, exactly.

    Raises:
        ValueError: *rough* is not above zero.
    """
    if rough <= 0:
        raise ValueError(f"a step is above zero, not {rough}")
    power = math.floor(math.log10(rough)) - 1
    for exponent in (power, power + 1, power + 2):
        for n in _STEPS[:3]:
            step = Decimal((0, (n,), exponent))
            if Fraction(step) >= rough:
                return step
    raise AssertionError("a hundred times a power of ten is above what lies between it and the next")


def tick_label(tick: Decimal) -> str:
    """Return a tick as it is written: its own digits, with a real minus; never -0."""
    written = f"{tick + 0:f}"
    if "." in written:
        # A step of 0.5 has one decimal at every tick, so that the numbers of an axis stand in line.
        places = -int(tick.as_tuple().exponent)
        written = f"{tick + 0:.{places}f}"
    return "0" if not tick else written.replace("-", MINUS)


@dataclass(frozen=True, slots=True)
class TimeAxis:
    """A scale from moments to places on the drawing, by the shop's calendar.

    Attributes:
        first, last: The moments at its ends, with their zones.
        start, end: Where they stand, in px.
        zone: The shop's.
    """

    first: datetime
    last: datetime
    start: float
    end: float
    zone: ZoneInfo

    def at(self, when: datetime) -> float:
        """Return where *when* stands, in px."""
        share = (when - self.first) / (self.last - self.first)
        return round(self.start + share * (self.end - self.start), 2)

    def holds(self, when: datetime) -> bool:
        """Return whether *when* lies on the axis."""
        return self.first <= when <= self.last

    def ticks(self, most: int = 8) -> list[tuple[datetime, str]]:
        """Return at most *most* moments with what is written at them: hours, days, months or years."""
        for hours in (1, 2, 3, 6, 12):
            found = self._hours(hours)
            if len(found) <= most:
                return found
        for days in (1, 2, 7):
            found = self._days(days)
            if len(found) <= most:
                return found
        for months in (1, 2, 3, 6, 12, 24, 60, 120, 240, 600, 1200):
            found = self._months(months)
            if len(found) <= most:
                return found
        return []

    def _hours(self, step: int) -> list[tuple[datetime, str]]:
        # More hours than any axis has room for need not be counted one by one.
        if self.last - self.first > timedelta(days=7):
            return [(self.first, "")] * 1000
        day = self.first.astimezone(self.zone).date()
        found: list[tuple[datetime, str]] = []
        while (midnight := self._midnight(day)) <= self.last:
            for hour in range(0, 24, step):
                when = datetime.combine(day, time(hour), self.zone)
                if self.holds(when):
                    found.append((when, f"{day:%m-%d} {hour:02}:00" if hour == 0 or not found else f"{hour:02}:00"))
            day = midnight.date() + timedelta(days=1)
        return found

    def _days(self, step: int) -> list[tuple[datetime, str]]:
        day = self.first.astimezone(self.zone).date()
        if step == 7:
            day -= timedelta(days=day.weekday())
        count = (self.last - self.first).days + 9
        if count > 10_000:
            return [(self.first, "")] * 1000
        moments = [(d, self._midnight(d)) for d in (day + timedelta(days=n) for n in range(0, count, step))]
        return [(when, d.isoformat()) for d, when in moments if self.holds(when)]

    def _months(self, step: int) -> list[tuple[datetime, str]]:
        first, last = (m.astimezone(self.zone).date() for m in (self.first, self.last))
        begin, end = first.year * 12 + first.month - 1, last.year * 12 + last.month - 1
        found = []
        for n in range(-(-begin // step) * step, end + 1, step):
            day = date(n // 12, n % 12 + 1, 1)
            when = self._midnight(day)
            if self.holds(when):
                found.append((when, f"{day:%Y}" if step % 12 == 0 else f"{day:%Y-%m}"))
        return found

    def _midnight(self, day: date) -> datetime:
        return datetime.combine(day, time(), self.zone)


def time_axis(moments: Sequence[datetime], start: float, end: float, zone: ZoneInfo) -> TimeAxis:
    """Return an axis over *moments*, with room at both ends.

    Raises:
        ValueError: There are no moments.
    """
    if not moments:
        raise ValueError("a time axis needs at least one moment")
    first, last = min(moments), max(moments)
    air = max((last - first) * 2 / 100, timedelta(minutes=30))
    return TimeAxis(first - air, last + air, start, end, zone)


def apart(wanted: Sequence[float], gap: float, low: float, high: float) -> list[float]:
    """Return places in the order of *wanted*, which rises, at least *gap* apart and from *low* to *high* where they fit.

    Each stays as near to where it is wanted as the others before it let it.
    """
    placed: list[float] = []
    for place in wanted:
        placed.append(max(place, low, placed[-1] + gap if placed else low))
    most = high
    for i in range(len(placed) - 1, -1, -1):
        placed[i] = min(placed[i], most)
        most = placed[i] - gap
    return placed

"""The values that the charts of a page are drawn from: exact, in the unit of the specification."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from fractions import Fraction
from typing import Final

from report.figures import as_written, limits
from rules.rounding import exact_decimal, shown
from rules.wording import PLACES
from schemas.units import Unit

_MOST_PLACES: Final = 4


@dataclass(frozen=True, slots=True)
class Window:
    """What the specification asks of a location; only limits are what may be shipped, the target is what is aimed at."""

    lower: Fraction | None = None
    target_low: Fraction | None = None
    target_high: Fraction | None = None
    upper: Fraction | None = None

    def lets(self, build: Fraction) -> bool:
        """Return whether *build* lies within the limits; on a limit it does."""
        return (self.lower is None or build >= self.lower) and (self.upper is None or build <= self.upper)

    @property
    def bounds(self) -> tuple[Fraction | None, ...]:
        """Return all four, from the lowest to the highest."""
        return (self.lower, self.target_low, self.target_high, self.upper)

    @property
    def has_limits(self) -> bool:
        """Return whether there is a limit at all."""
        return self.lower is not None or self.upper is not None


@dataclass(frozen=True, slots=True)
class TrendPoint:
    """The readings of one inspection, or of all inspections of one month, at one location.

    Attributes:
        when: When they were taken.
        label: What names them: the inspection and its lot, or the month.
        n: How many readings.
        mean, low, high: Of the film builds.
        deviation: Their standard deviation (n - 1); None for a single one.
        outside: How many lie outside the limits.
        window: What was asked at that time.
    """

    when: datetime
    label: str
    n: int
    mean: Fraction
    low: Fraction
    high: Fraction
    deviation: Fraction | None
    outside: int
    window: Window


class EventKind(StrEnum):
    """What happened to a gauge."""

    PASSED = "check passed"
    FAILED = "check failed"
    ADJUSTMENT = "adjustment"
    CALIBRATION = "calibration"
    INCIDENT = "incident"


@dataclass(frozen=True, slots=True)
class GaugeEvent:
    """A verification, adjustment, calibration or incident of a gauge."""

    when: datetime
    gauge: str
    kind: EventKind
    label: str = ""


@dataclass(frozen=True, slots=True)
class CountedShare:
    """How many of some readings lie outside the limits: a month's, or an inspection's.

    Attributes:
        label: What stands at the axis where there is room: the month, or the day.
        name: What names it in the table.
        n, outside: How many readings, and how many of them lie outside.
    """

    label: str
    name: str
    n: int
    outside: int


@dataclass(frozen=True, slots=True)
class LocationSummary:
    """All readings at one location.

    Attributes:
        location: Its name.
        n, outside: How many readings, and how many of them lie outside the limits.
        mean, low, high: Of the film builds.
        p5, p95: Nearest-rank quantiles: a twentieth of the readings lies at or below the one, as many above the other.
        deviation: Standard deviation (n - 1); None for a single reading.
        window: What is asked.
        point: Its place on the part's drawing, as fractions from the left and from the top; None where it has none.
    """

    location: str
    n: int
    outside: int
    mean: Fraction
    low: Fraction
    high: Fraction
    p5: Fraction
    p95: Fraction
    deviation: Fraction | None
    window: Window
    point: tuple[float, float] | None = None


def written(bound: Fraction) -> str:
    """Return a limit as a decimal with no more places than it needs; a converted one, which has no end, to four."""
    exact = exact_decimal(bound)
    if exact is None:
        exact = shown(bound, _MOST_PLACES)
    return as_written(exact)


def limits_written(low: Fraction | None, high: Fraction | None) -> str:
    """Return two bounds, either of which may be missing."""
    return limits(*(None if b is None else exact_decimal(b) or shown(b, _MOST_PLACES) for b in (low, high)))


def places(unit: Unit) -> int:
    """Return how many decimals a film build is written with in *unit*."""
    return PLACES[unit]


def bounds_of(windows: Iterable[Window]) -> list[Fraction]:
    """Return every bound of *windows*."""
    return [bound for window in windows for bound in window.bounds if bound is not None]

"""What was measured on a rack and what is aimed at there, and its builds by piece, location and spot."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

from rules.short_run import target_of
from rules.statistics import mean
from schemas.vocabulary import Role

Number = Decimal | Fraction
#: Builds by piece and spot.
Pieces = Mapping[str, Mapping[int, list[Fraction]]]


@dataclass(frozen=True, slots=True)
class RackReading:
    """A reading that counts: where it was taken, and its film build in the unit of the specification."""

    piece: str
    location: str
    spot: int
    build: Number
    rack_position: str | None = None


@dataclass(frozen=True, slots=True)
class Rack:
    """One rack, with the readings that count, in the order taken.

    Attributes:
        label: What it is called on a chart: its number, or its inspection.
        part_no: Part number.
        powder: Code of the powder; None where it was not stated.
        sprayer: Code of the person who sprayed; never a name, and only carried through.
        readings: Of the total coat, base metal subtracted.
    """

    label: str
    part_no: str
    powder: str | None
    sprayer: str | None
    readings: tuple[RackReading, ...]


@dataclass(frozen=True, slots=True)
class Aim:
    """A location with what is aimed at and what may be shipped, in the unit of the specification."""

    location: str
    role: Role
    lower: Number | None
    target_low: Number | None
    target_high: Number | None
    upper: Number | None

    @property
    def band(self) -> tuple[Fraction | None, Fraction | None]:
        """Return what the mean is to lie between: the target band, and the limit where an end of it is not stated."""
        low = self.lower if self.target_low is None else self.target_low
        high = self.upper if self.target_high is None else self.target_high
        return None if low is None else Fraction(low), None if high is None else Fraction(high)

    @property
    def middle(self) -> Fraction | None:
        """Return what is aimed at; None where that is not stated."""
        return target_of(self.lower, self.target_low, self.target_high, self.upper)

    def off(self, build: Fraction) -> Fraction:
        """Return how far *build* lies outside the band: below 0 where it is thin, 0 inside."""
        low, high = self.band
        if low is not None and build < low:
            return build - low
        if high is not None and build > high:
            return build - high
        return Fraction(0)


def places_hung(readings: Iterable[RackReading]) -> frozenset[str | None]:
    """Return the places on the rack that were read; None among them where a reading states none."""
    return frozenset(reading.rack_position for reading in readings)


def readings_at(readings: Iterable[RackReading], location: str) -> dict[str, dict[int, list[Fraction]]]:
    """Return the builds at *location* by piece and spot."""
    found: dict[str, dict[int, list[Fraction]]] = {}
    for reading in readings:
        if reading.location == location:
            found.setdefault(reading.piece, {}).setdefault(reading.spot, []).append(Fraction(reading.build))
    return found


def nested(readings: Iterable[RackReading]) -> dict[str, dict[str, dict[int, list[Fraction]]]]:
    """Return the builds by piece, location and spot, as rules.variation takes them."""
    found: dict[str, dict[str, dict[int, list[Fraction]]]] = {}
    for reading in readings:
        spots = found.setdefault(reading.piece, {}).setdefault(reading.location, {})
        spots.setdefault(reading.spot, []).append(Fraction(reading.build))
    return found


def piece_means(pieces: Pieces) -> dict[str, Fraction]:
    """Return the mean of each piece: one figure a piece."""
    return {piece: mean([build for builds in spots.values() for build in builds]) for piece, spots in pieces.items()}

"""What a gauge's error could mean for readings in doubt: an estimate, never a verdict. Pure and exact.

Where a check found by how much the gauge was off on its standards, every reading in doubt is taken to be off by as much as
on the standards next to it: the nearest at or below it and the nearest at or above it (common practice, no source). Which of
the two errors applies is not known, so each build gets a least and a greatest value, and the job's own rule judges all the
least ones and all the greatest ones, exactly and in the unit of the specification. When within the time in doubt the
gauge went off is not known either; what is asked is what holds if the whole error applied from the first reading on. The
error of a base metal reading has the opposite effect on the build, and may have applied or not.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from fractions import Fraction

from rules.conformity import by_piece_and_location, judge, judged_builds, rule_statement
from rules.doubt import InDoubt
from rules.film_build import is_base, pieces_read
from rules.statistics import mean
from rules.verdict import Finding, Verdict, overall
from schemas.gauge_checks import GaugeCheck
from schemas.job import Job, Location
from schemas.readings import GaugeReading
from schemas.units import Unit, from_um
from schemas.vocabulary import RuleName

_NONE: Sequence[Fraction] = (Fraction(0),)


class Outcome(StrEnum):
    """What holds if the whole error applied."""

    WITHIN = "within"
    OUTSIDE = "outside"
    UNDECIDED = "undecided"


@dataclass(frozen=True, slots=True)
class ErrorFound:
    """By how much a gauge was off on one standard, exact, in µm: above zero where it read too high."""

    standard_id: str | None
    certified_um: Fraction
    error_um: Fraction


@dataclass(frozen=True, slots=True)
class PlaceEstimate:
    """One location over all pieces, exact, in the unit of the specification.

    Attributes:
        recorded: The lowest and the highest build as they were recorded.
        estimated: The same if the whole error applied: the least that the lowest, and the most that the highest could be.
        as_recorded: What the rule says of the builds as recorded.
        outcome: What it would say.
        means: Where the rule compares means: the lowest and the highest of them if the whole error applied; else None.
    """

    location: str
    lower: Decimal | None
    upper: Decimal | None
    recorded: tuple[Fraction, Fraction]
    estimated: tuple[Fraction, Fraction]
    as_recorded: Verdict
    outcome: Outcome
    means: tuple[Fraction, Fraction] | None = None


@dataclass(frozen=True, slots=True)
class Estimate:
    """What the error could mean for one inspection.

    Attributes:
        unit: Unit of the specification.
        places: Every location with a build in doubt, in the job's order.
        as_recorded: What the rule says of the whole inspection as recorded, the gauge aside.
        outcome: What it would say if the whole error applied.
        beyond: Whether readings lie below or above every standard of the check, where its errors say less.
        rule: By which rule, in words; None where that asks every reading for the limits, as whoever reads them expects.
    """

    unit: Unit
    places: tuple[PlaceEstimate, ...]
    as_recorded: Verdict
    outcome: Outcome
    beyond: bool
    rule: str | None = None


def errors_found(rows: Sequence[GaugeCheck]) -> tuple[ErrorFound, ...]:
    """Return the errors that the rows of a verification show, by certified thickness.

    They are found anew from the readings, since the archive keeps an error rounded.
    """
    found = [
        ErrorFound(
            row.standard_id,
            Fraction(row.certified_um),
            mean(row.readings_um) - Fraction(row.certified_um) if row.readings_um else Fraction(row.error_um),
        )
        for row in rows
        if row.certified_um is not None and row.error_um is not None
    ]
    return tuple(sorted(found, key=lambda e: (e.certified_um, e.error_um)))


def errors_near(thickness_um: Fraction, errors: Sequence[ErrorFound]) -> tuple[Fraction, ...]:
    """Return the errors on the standards next to a reading: at or below it and at or above it, or on the end ones."""
    below = max((e.certified_um for e in errors if e.certified_um <= thickness_um), default=None)
    above = min((e.certified_um for e in errors if e.certified_um >= thickness_um), default=None)
    return tuple(e.error_um for e in errors if e.certified_um in (below, above))


def estimate(
    job: Job,
    readings: Sequence[GaugeReading],
    found: InDoubt,
    errors: Mapping[str, Sequence[ErrorFound]],
    told_um: Fraction | None,
) -> Estimate | None:
    """Return what the error could mean for an inspection, or None where it is not known for every reading in doubt.

    Args:
        job: What the inspection was judged by.
        readings: All its readings.
        found: Which of them are in doubt.
        errors: By check_id, what it found on its standards.
        told_um: By how much the gauge was off at any thickness, where a person tells; it then holds alone.
    """

    def shifts(reading: GaugeReading) -> tuple[Fraction, ...]:
        if told_um is not None:
            return (told_um,)
        of = [errors.get(d.error_of, ()) for d in found.doubts if d.error_of is not None and d.holds(reading)]
        return tuple(s for known in of for s in errors_near(Fraction(reading.thickness_um), known))

    off = {r.reading_no: shifts(r) for r in found.taken}
    if not found.taken or not all(off.values()):
        return None
    base_doubts = [d for d in found.doubts if any(is_base(r) and d.holds(r) for r in found.taken)]

    def base_shifts(reading: GaugeReading) -> Sequence[Fraction]:
        if reading.base_metal_um is None or not base_doubts:
            return _NONE
        if told_um is not None:
            return (*_NONE, told_um)
        known = [errors.get(d.error_of or "", ()) for d in base_doubts]
        return (*_NONE, *(s for one in known for s in errors_near(Fraction(reading.base_metal_um), one)))

    def least(r: GaugeReading) -> Fraction:
        return -max(off.get(r.reading_no, _NONE)) + min(base_shifts(r))

    def greatest(r: GaugeReading) -> Fraction:
        return -min(off.get(r.reading_no, _NONE)) + max(base_shifts(r))

    return _estimate(job, readings, found, least, greatest, beyond=told_um is None and _beyond(found, errors))


_Shift = Callable[[GaugeReading], Fraction]


def _estimate(
    job: Job, readings: Sequence[GaugeReading], found: InDoubt, least: _Shift, greatest: _Shift, *, beyond: bool
) -> Estimate:
    recorded, lowest, highest = (_Judged(job, readings, shift) for shift in (lambda _: Fraction(0), least, greatest))
    names = {location.name for r in found.every if (location := job.find(r.location)) is not None}
    places = tuple(
        PlaceEstimate(
            location.name,
            location.lower,
            location.upper,
            (min(recorded.builds[location.name]), max(recorded.builds[location.name])),
            (min(lowest.builds[location.name]), max(highest.builds[location.name])),
            recorded.verdict(location),
            _outcome(lowest.verdict(location), highest.verdict(location)),
            (min(lowest.means[location.name]), max(highest.means[location.name]))
            if job.rule.name is RuleName.LOCATION_MEANS
            else None,
        )
        for location in job.location
        if location.name in names and recorded.builds.get(location.name)
    )
    return Estimate(
        job.unit,
        places,
        overall(recorded.findings),
        _outcome(overall(lowest.findings), overall(highest.findings)),
        beyond,
        None if job.rule.name is RuleName.EVERY_READING else rule_statement(job.rule).title,
    )


class _Judged:
    """The builds of an inspection, each shifted, and what the job's rule finds in them."""

    def __init__(self, job: Job, readings: Sequence[GaugeReading], shift_um: _Shift) -> None:
        by_number = {r.reading_no: r for r in readings}
        judged = [
            (r, location, build + from_um(shift_um(by_number[r.reading_no]), job.unit))
            for r, location, build in judged_builds(job, readings)
            if isinstance(r, GaugeReading)
        ]
        self.builds: dict[str, list[Fraction]] = {}
        for _, location, build in judged:
            self.builds.setdefault(location.name, []).append(build)
        places = by_piece_and_location(job, judged, pieces_read(readings))
        self.means: dict[str, list[Fraction]] = {}
        for place in places:
            if place.builds:
                self.means.setdefault(place.location.name, []).append(mean(place.builds))
        self.findings: list[Finding] = judge(job, readings, places)

    def verdict(self, location: Location) -> Verdict:
        return overall(f for f in self.findings if f.location == location.name)


def _outcome(*verdicts: Verdict) -> Outcome:
    worst = max(verdicts)
    return {Verdict.PASS: Outcome.WITHIN, Verdict.UNDECIDED: Outcome.UNDECIDED, Verdict.FAIL: Outcome.OUTSIDE}[worst]


def _beyond(found: InDoubt, errors: Mapping[str, Sequence[ErrorFound]]) -> bool:
    for doubt in found.doubts:
        known = [e.certified_um for e in errors.get(doubt.error_of or "", ())]
        if known and any(
            doubt.holds(r) and not min(known) <= Fraction(r.thickness_um) <= max(known) for r in found.taken
        ):
            return True
    return False

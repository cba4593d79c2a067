"""The calibration gate: which readings the gauge's checks cover, and what a failed check puts in doubt.

Calibration (a laboratory's certificate), verification (the shop's check on known standards) and
adjustment are three different records (ASTM D7091, read). A failed check makes every reading since the
last good one suspect (SSPC-PA 2, read). That a verification belongs at the start and the end of a run
and after a drop, a change of battery, probe or mode, is from memory (ASTM D7091, SSPC-PA 2); how old
the last one may be is the shop's own policy.

What this module makes of cases that no standard settles:

* Where an adjustment or an incident and a verification carry the same time, the adjustment or incident
  counts as the later one; where a failed and a passed verification do, the failed one does. What the
  records do not show is not assumed in the gauge's favour.
* An adjustment between a reading and its closing check hides what the gauge had drifted, so that check
  then shows nothing about the reading. A laboratory may adjust as well: a calibration on a later day
  than the one and before the other counts as an adjustment.
* An incident after a reading matters only through the next verification: passed, the gauge was still right.
* A drop, a battery change and a temperature change concern the gauge in every mode; any other record
  concerns the mode that it names, or every mode where it names none.
* A base metal reading was taken with a gauge too: a counted reading that something was subtracted from
  is no better covered than the worst base reading of its inspection. Brackets are not asked of a base
  reading, since the limits are not about it.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from decimal import Decimal
from fractions import Fraction
from functools import cached_property
from typing import Final, Protocol
from zoneinfo import ZoneInfo

from rules.film_build import is_base, is_judged
from rules.results import CheckSummary, Coverage, GateState, ReadingCoverage
from rules.rounding import exact_decimal
from rules.sentence import Day, Figures, Sentence, joined, said, template
from rules.statistics import mean, square_root
from rules.wording import PLACES, amount, apart, as_written, counted, listed, local_time, out_of, with_unit
from schemas.errors import BadInput
from schemas.gauge_checks import GaugeCheck
from schemas.job import Job
from schemas.readings import GaugeReading
from schemas.shop import Shop
from schemas.units import Unit, to_um
from schemas.vocabulary import CheckKind, CoatStage, Occasion, ProbeMode, ToleranceRule

#: The larger is the one to heed.
_RANK: Final = {GateState.COVERED: 0, GateState.OPEN: 1, GateState.UNCOVERED: 2, GateState.SUSPECT: 3}
_WHOLE_GAUGE: Final = frozenset({Occasion.DROP, Occasion.BATTERY, Occasion.TEMPERATURE})


@dataclass(frozen=True, slots=True)
class StandardJudgement:
    """What the readings on one standard show. Mean and error are exact; the tolerance is only for print.

    Attributes:
        mean_um: Mean of the readings, exact.
        error_um: Mean less certified thickness, exact.
        tolerance_um: Largest error allowed; an irrational one to 34 significant digits.
        within: Whether the error is within the tolerance, decided without rounding.
    """

    mean_um: Fraction
    error_um: Fraction
    tolerance_um: Decimal
    within: bool


def judge_standard(
    readings_um: Sequence[Decimal],
    certified_um: Decimal,
    expanded_u_um: Decimal,
    accuracy_um: Decimal,
    accuracy_percent: Decimal,
    rule: ToleranceRule,
) -> StandardJudgement:
    """Judge what a gauge read on one standard.

    The gauge's accuracy at the certified thickness t is a + b·t/100 (*accuracy_um*, *accuracy_percent*);
    it is joined with the standard's expanded uncertainty (k = 2) as the root of the sum of squares or
    as the plain sum. Both ways are in use and the one taken has to be stated (from memory, doubtful:
    ASTM D7091 practice). An error exactly as large as the tolerance is within.

    Raises:
        ValueError: There are no readings.
    """
    mean_um = mean(readings_um)
    error_um = mean_um - Fraction(certified_um)
    accuracy = Fraction(accuracy_um) + Fraction(accuracy_percent) * Fraction(certified_um) / 100
    uncertainty = Fraction(expanded_u_um)
    if rule is ToleranceRule.SUM:
        # Sums and products of decimals, over 100: always a decimal again.
        tolerance = exact_decimal(accuracy + uncertainty)
        assert tolerance is not None  # noqa: S101 - by the line above
        return StandardJudgement(mean_um, error_um, tolerance, abs(error_um) <= accuracy + uncertainty)
    square = accuracy**2 + uncertainty**2
    return StandardJudgement(mean_um, error_um, square_root(square), error_um**2 <= square)


def cover(readings: Sequence[GaugeReading], checks: Sequence[GaugeCheck], job: Job, shop: Shop) -> Coverage:
    """Return what *checks* show about the gauges at the moments of *readings*.

    Pure: what counts as today is nowhere asked, only the times of readings and checks. Days (of a
    calibration or a standard that runs out, the last day included) are those of the shop's time zone.

    Args:
        readings: All readings of one inspection, in the order taken; only judged ones get an entry.
        checks: All that is known of the gauges, in any order; other gauges' checks do no harm.
        job: For the limits that the standards have to bracket.
        shop: Gauges with their calibration, the verification policy, the time zone.
    """
    gate = _Gate(checks, job, shop)
    judged = [r for r in readings if is_judged(r)]
    relied_on = any(r.base_metal_um is not None for r in judged)
    base = [r for r in readings if relied_on and is_base(r)]
    worst_base = max((gate.judge(r) for r in base), key=lambda entry: _RANK[entry.state], default=None)
    entries = [_with_base(gate.judge(r), r, worst_base) for r in judged]
    return gate.summary(judged, entries, base)


class Taken(Protocol):
    """What the gate looks at in a reading; GaugeReading has it, and more."""

    @property
    def reading_no(self) -> int: ...
    @property
    def taken_at(self) -> datetime: ...
    @property
    def gauge_serial(self) -> str: ...
    @property
    def probe_mode(self) -> str: ...
    @property
    def location(self) -> str: ...
    @property
    def coat_stage(self) -> str: ...
    @property
    def specification_unit(self) -> str: ...
    @property
    def lower(self) -> Decimal | None: ...
    @property
    def upper(self) -> Decimal | None: ...


@dataclass(frozen=True, slots=True)
class _Run:
    """What a run of readings has in common, at one moment and location that the job names."""

    gauge_serial: str
    probe_mode: str
    taken_at: datetime
    location: str
    reading_no: int = 0
    coat_stage: str = CoatStage.TOTAL
    specification_unit: str = Unit.UM
    lower: Decimal | None = None
    upper: Decimal | None = None


class RunGate:
    """The gate for many inspections of one job: what holds for one run holds for every run between the same events.

    A run is what one gauge read in one mode from a first to a last moment. Between two events of that gauge (a check, an
    adjustment, an incident, the end of a check's age) and within one day the state does not change with time, so it is
    found once.
    """

    def __init__(self, checks: Sequence[GaugeCheck], job: Job, shop: Shop) -> None:
        self._gate = _Gate(checks, job, shop)
        self._age = timedelta(microseconds=int(Fraction(shop.verification.max_age_hours) * 3_600_000_000))
        self._breaks: dict[tuple[str, str], list[datetime]] = {}
        self._states: dict[tuple[str, str, date, int, tuple[str, ...]], GateState] = {}

    def state(
        self, gauge_serial: str, probe_mode: str, first: datetime, last: datetime, locations: tuple[str, ...]
    ) -> GateState | None:
        """Return the worst state of a run, or None where it has to be found reading by reading.

        Args:
            gauge_serial: The gauge that took it.
            probe_mode: In which mode.
            first: The earliest moment of any of its readings, those before coating included.
            last: The latest.
            locations: Where its judged readings were taken, as the job names them.
        """
        day = self._gate.day(first)
        breaks = self._breaks_of(_Run(gauge_serial, probe_mode, last, ""))
        segment = bisect_right(breaks, first)
        if day != self._gate.day(last) or segment != bisect_right(breaks, last):
            return None
        key = (gauge_serial, probe_mode, day, segment, locations)
        if key not in self._states:
            found = [self._gate.judge(_Run(gauge_serial, probe_mode, last, name)).state for name in locations]
            self._states[key] = max(found, key=_RANK.__getitem__)
        return self._states[key]

    def _breaks_of(self, run: _Run) -> list[datetime]:
        gauge = (run.gauge_serial, run.probe_mode)
        if gauge not in self._breaks:
            moments = self._gate.events(run)
            ends = [moment + self._age for moment in moments]
            # An event counts on its own moment as well as after it, so both sides are breaks.
            instant = timedelta(microseconds=1)
            self._breaks[gauge] = sorted({b for m in (*moments, *ends) for b in (m, m + instant)})
        return self._breaks[gauge]


class GateNow:
    """The gate for readings that are about to be taken: what the checks so far would say of one taken at a moment."""

    def __init__(self, checks: Sequence[GaugeCheck], job: Job, shop: Shop) -> None:
        self._gate = _Gate(checks, job, shop)
        self._locations = [place.name for place in job.location]

    def judge(self, gauge_serial: str, probe_mode: str, at: datetime) -> ReadingCoverage:
        """Return the worst that would be said of a reading at any of the job's locations."""
        found = [self._gate.judge(_Run(gauge_serial, probe_mode, at, name)) for name in self._locations]
        return max(found, key=lambda entry: _RANK[entry.state])


def doubt_interval(
    checks: Sequence[GaugeCheck], failed_check_id: str, probe_mode: str | None = None
) -> tuple[datetime | None, datetime]:
    """Return the time that a failed verification puts in doubt: (last good check, failed check), UTC.

    The start is None where no check of that gauge and mode passed before: then everything earlier is in
    doubt. Readings at either end are in doubt too. By SSPC-PA 2 (read): a failed check makes every
    reading since the last good one suspect.

    Args:
        checks: All that is known of the gauge, in any order.
        failed_check_id: The verification.
        probe_mode: Ask for the readings in this mode alone: a check of the whole gauge that failed is
            answered by the last good one in that mode. Without it, the time of every mode that it concerns.

    Raises:
        BadInput: There is no such verification, or it did not fail.
    """
    failed = _failed_verification(checks, failed_check_id)
    if probe_mode is not None:
        last = timeline(checks, failed.gauge_serial, probe_mode).last_good(failed)
        return (None if last is None else last.done_at), failed.done_at
    good = [v for v in verifications_of(checks) if v.passed and v.done_at < failed.done_at and _same_gauge(v, failed)]
    return (max(v.done_at for v in good) if good else None), failed.done_at


def readings_in_doubt(
    readings: Iterable[GaugeReading], checks: Sequence[GaugeCheck], failed_check_id: str
) -> tuple[GaugeReading, ...]:
    """Return those of *readings* that the failed verification puts in doubt, in their order: the look-back.

    Readings of that gauge and mode within :func:`doubt_interval`, both ends included, whether counted
    or not.

    Raises:
        BadInput: There is no such verification, or it did not fail.
    """
    failed = _failed_verification(checks, failed_check_id)
    since: dict[str, datetime | None] = {}

    def is_in_doubt(reading: GaugeReading) -> bool:
        mode = reading.probe_mode
        if not failed.concerns(reading.gauge_serial, mode) or reading.taken_at > failed.done_at:
            return False
        if mode not in since:
            since[mode] = doubt_interval(checks, failed_check_id, mode)[0]
        start = since[mode]
        return start is None or reading.taken_at >= start

    return tuple(r for r in readings if is_in_doubt(r))


def timeline(checks: Iterable[GaugeCheck], gauge_serial: str, probe_mode: str) -> Timeline:
    """Return what *checks* hold of one gauge in one mode."""
    kept = list(checks)
    return Timeline(
        *(
            tuple(event for event in events if event.concerns(gauge_serial, probe_mode))
            for events in (
                verifications_of(kept),
                _oldest_first(events_of(kept, CheckKind.ADJUSTMENT)),
                _oldest_first(events_of(kept, CheckKind.INCIDENT)),
                _oldest_first(events_of(kept, CheckKind.CALIBRATION)),
            )
        )
    )


def summarize_check(checks: Sequence[GaugeCheck], check_id: str) -> CheckSummary | None:
    """Return the check *check_id* as it is cited, or None where there is none of that name."""
    rows = [c for c in checks if c.check_id == check_id]
    if not rows:
        return None
    return CheckEvent(tuple(rows)).summary()


@dataclass(frozen=True)
class CheckEvent:
    """The rows of one check, of whichever kind."""

    rows: tuple[GaugeCheck, ...]

    @property
    def check_id(self) -> str:
        return self.rows[0].check_id

    @property
    def gauge_serial(self) -> str:
        return self.rows[0].gauge_serial

    @property
    def probe_mode(self) -> str | None:
        return self.rows[0].probe_mode

    @cached_property
    def done_at(self) -> datetime:
        """When it was done; a check on several standards is done with the last of them."""
        return max(row.done_at for row in self.rows)

    @cached_property
    def measured(self) -> tuple[GaugeCheck, ...]:
        """The standards that were measured; a row without a result shows nothing."""
        return tuple(row for row in self.rows if row.within is not None)

    @cached_property
    def passed(self) -> bool:
        return bool(self.measured) and all(row.within for row in self.measured)

    def concerns(self, gauge_serial: str, probe_mode: str) -> bool:
        """Return whether it is about this gauge in this mode."""
        if self.gauge_serial != gauge_serial:
            return False
        row = self.rows[0]
        whole = row.kind == CheckKind.INCIDENT and row.occasion in _WHOLE_GAUGE
        return whole or self.probe_mode is None or self.probe_mode == probe_mode

    def summary(self) -> CheckSummary:
        row = self.rows[0]
        return CheckSummary(
            check_id=row.check_id,
            kind=row.kind,
            occasion=row.occasion,
            done_at=self.done_at,
            done_by=row.done_by,
            passed=self.passed if self.measured else None,
            standards=tuple(r.standard_id for r in self.rows if r.standard_id is not None),
        )


def events_of(checks: Iterable[GaugeCheck], kind: CheckKind) -> list[CheckEvent]:
    """Return the checks of one kind, the rows of each together, in the order first met."""
    rows: dict[str, list[GaugeCheck]] = {}
    for row in checks:
        if row.kind == kind:
            rows.setdefault(row.check_id, []).append(row)
    return [CheckEvent(tuple(group)) for group in rows.values()]


def verifications_of(checks: Iterable[GaugeCheck]) -> list[CheckEvent]:
    """Return the verifications that measured something, oldest first; at one time, the failed after the passed."""
    found = [event for event in events_of(checks, CheckKind.VERIFICATION) if event.measured]
    return sorted(found, key=lambda v: (v.done_at, not v.passed, v.check_id))


def _failed_verification(checks: Sequence[GaugeCheck], check_id: str) -> CheckEvent:
    found = next((v for v in verifications_of(checks) if v.check_id == check_id), None)
    if found is None:
        raise BadInput(f"there is no verification {check_id!r}; name one that is on record")
    if found.passed:
        raise BadInput(f"verification {check_id!r} passed, so it puts nothing in doubt; name one that failed")
    return found


def _same_gauge(earlier: CheckEvent, failed: CheckEvent) -> bool:
    if earlier.gauge_serial != failed.gauge_serial:
        return False
    # A failed check of the whole gauge is answered only by a good one of the whole gauge.
    return earlier.probe_mode is None or earlier.probe_mode == failed.probe_mode


@dataclass(frozen=True)
class Timeline:
    """What is on record for one gauge in one mode."""

    verifications: tuple[CheckEvent, ...]
    adjustments: tuple[CheckEvent, ...]
    incidents: tuple[CheckEvent, ...]
    calibrations: tuple[CheckEvent, ...]

    @cached_property
    def _times(self) -> list[datetime]:
        return [v.done_at for v in self.verifications]

    def around(self, moment: datetime) -> tuple[CheckEvent | None, CheckEvent | None]:
        """Return the last verification at or before *moment* and the first after it; at one time, a failed one."""
        after = bisect_right(self._times, moment)
        opening = self.verifications[after - 1] if after else None
        if after == len(self._times):
            return opening, None
        # Among those of one time the failed ones stand last.
        return opening, self.verifications[bisect_right(self._times, self._times[after]) - 1]

    def last_good(self, failed: CheckEvent) -> CheckEvent | None:
        """Return the last verification that passed before *failed*."""
        return next((v for v in reversed(self.verifications) if v.passed and v.done_at < failed.done_at), None)


class _Gate:
    """The checks, sorted by gauge and mode once for all readings."""

    def __init__(self, checks: Sequence[GaugeCheck], job: Job, shop: Shop) -> None:
        self._verifications = verifications_of(checks)
        self._adjustments = _oldest_first(events_of(checks, CheckKind.ADJUSTMENT))
        self._incidents = _oldest_first(events_of(checks, CheckKind.INCIDENT))
        self._calibrations = _oldest_first(events_of(checks, CheckKind.CALIBRATION))
        self._job = job
        self._policy = shop.verification
        self._zone = ZoneInfo(shop.time_zone)
        self._gauges = {gauge.serial: gauge for gauge in shop.gauge}
        self._standards_due = {standard.serial: standard.due for standard in shop.standard}
        self._timelines: dict[tuple[str, str], Timeline] = {}
        self._standards_faults: dict[str, str | None] = {}

    def judge(self, reading: Taken) -> ReadingCoverage:
        """Return what the gate says of *reading*, its base metal left aside."""
        line = self._timeline(reading)
        opening, following = line.around(reading.taken_at)
        state, reason = self._decide(reading, line, opening, following)
        return ReadingCoverage(
            reading_no=reading.reading_no,
            state=state,
            reason=reason,
            opening_check_id=None if opening is None else opening.check_id,
            closing_check_id=None if following is None else following.check_id,
        )

    def day(self, moment: datetime) -> date:
        """Return the day of *moment* by the shop's clock."""
        return self._day(moment)

    def events(self, reading: Taken) -> list[datetime]:
        """Return when anything was done to the gauge that took *reading*, in its mode."""
        line = self._timeline(reading)
        return [e.done_at for e in (*line.verifications, *line.adjustments, *line.incidents, *line.calibrations)]

    def _timeline(self, reading: Taken) -> Timeline:
        key = (reading.gauge_serial, reading.probe_mode)
        if key not in self._timelines:
            self._timelines[key] = Timeline(
                *(
                    tuple(event for event in events if event.concerns(*key))
                    for events in (self._verifications, self._adjustments, self._incidents, self._calibrations)
                )
            )
        return self._timelines[key]

    def _decide(
        self, reading: Taken, line: Timeline, opening: CheckEvent | None, following: CheckEvent | None
    ) -> tuple[GateState, str]:
        if following is not None and not following.passed:
            return GateState.SUSPECT, self._why_suspect(reading, line, following)
        fault = (
            self._calibration_fault(reading, line)
            or self._opening_fault(reading, line, opening)
            or self._closing_fault(reading, line, following)
        )
        if fault is not None:
            return GateState.UNCOVERED, fault
        assert opening is not None  # noqa: S101 - without one there is a fault
        if following is None and self._policy.closing_required:
            return (
                GateState.OPEN,
                said(
                    "{gauge} passed check {check} before, and its closing check is still to come",
                    gauge=_gauge(reading),
                    check=opening.check_id,
                ),
            )
        if following is None:
            return (
                GateState.COVERED,
                said(
                    "{gauge} passed check {check} before; the shop's policy asks for no closing check",
                    gauge=_gauge(reading),
                    check=opening.check_id,
                ),
            )
        return (
            GateState.COVERED,
            said(
                "{gauge} passed check {opening} before and check {closing} after",
                gauge=_gauge(reading),
                opening=opening.check_id,
                closing=following.check_id,
            ),
        )

    # Each of these returns the fault as a sentence, or None.

    def _calibration_fault(self, reading: Taken, line: Timeline) -> str | None:
        """Compare days: a calibration holds from the day it was made to its due day, both included."""
        day = self._day(reading.taken_at)
        held: list[tuple[date, date, str]] = []
        gauge = self._gauges.get(reading.gauge_serial)
        if gauge is not None:
            held.append((gauge.calibrated_on, gauge.calibration_due, gauge.calibration_certificate))
        for event in line.calibrations:
            row = event.rows[0]
            if row.due is not None and row.within is not False:
                held.append((self._day(event.done_at), row.due, row.certificate_no or event.check_id))
        if not held:
            return said("no calibration of {gauge} is on record", gauge=_gauge(reading))
        if any(start <= day <= due for start, due, _ in held):
            return None
        # The one that ran out last says most; where all begin later, the first of these.
        past = [entry for entry in held if entry[1] < day]
        if past:
            _, due, certificate = max(past, key=lambda entry: entry[1])
            return said(
                "the calibration of {gauge} (certificate {certificate}) was due on {due}, before the reading on {day}",
                gauge=_gauge(reading),
                certificate=certificate,
                due=Day(due),
                day=Day(day),
            )
        start, _, certificate = min(held)
        return said(
            "the calibration of {gauge} (certificate {certificate}) dates from {start}, after the reading on {day}",
            gauge=_gauge(reading),
            certificate=certificate,
            start=Day(start),
            day=Day(day),
        )

    def _opening_fault(self, reading: Taken, line: Timeline, opening: CheckEvent | None) -> str | None:
        if opening is None:
            return said("{gauge} has no check on record before the reading", gauge=_gauge(reading))
        if not opening.passed:
            return said(
                "{gauge} failed its last check before the reading: {failure}",
                gauge=_gauge(reading),
                failure=self._failure(opening),
            )
        return (
            self._age_fault(reading, opening)
            or self._standards_fault(opening)
            or self._touched_fault(reading, line, opening)
            or self._bracket_fault(reading, opening)
        )

    def _age_fault(self, reading: Taken, opening: CheckEvent) -> str | None:
        age = reading.taken_at - opening.done_at
        if Fraction(age // timedelta(microseconds=1), 3_600_000_000) <= Fraction(self._policy.max_age_hours):
            return None
        allowed_h = as_written(self._policy.max_age_hours)
        whole_h = age // timedelta(hours=1)
        # In whole hours, so that the readings of one run share one reason.
        at_least_h = whole_h if whole_h > self._policy.max_age_hours else allowed_h
        return said(
            "check {check} of {gauge} ({time}) was more than {at_least} h old; the shop's policy allows {allowed} h",
            check=opening.check_id,
            gauge=_gauge(reading),
            time=self._time(opening),
            at_least=at_least_h,
            allowed=allowed_h,
        )

    def _standards_fault(self, check: CheckEvent) -> str | None:
        """Ask of every standard measured that its own certificate held on the day."""
        if check.check_id not in self._standards_faults:
            self._standards_faults[check.check_id] = self._find_standards_fault(check)
        return self._standards_faults[check.check_id]

    def _find_standards_fault(self, check: CheckEvent) -> str | None:
        day = self._day(check.done_at)
        for row in check.measured:
            due = row.standard_due
            if due is None and row.standard_id is not None:
                due = self._standards_due.get(row.standard_id)
            if due is None:
                return said(
                    "check {check} used {standard}, whose certificate's due date is not known",
                    check=check.check_id,
                    standard=_standard(row),
                )
            if due < day:
                return said(
                    "check {check} on {day} used {standard}, whose certificate was due on {due}",
                    check=check.check_id,
                    day=Day(day),
                    standard=_standard(row),
                    due=Day(due),
                )
        return None

    def _touched_fault(self, reading: Taken, line: Timeline, opening: CheckEvent) -> str | None:
        start, end = opening.done_at, reading.taken_at
        for event in line.adjustments:
            if start <= event.done_at <= end:
                return said(
                    "{gauge} was adjusted ({event}, {time}) after its check {check} and not checked since",
                    gauge=_gauge(reading),
                    event=event.check_id,
                    time=self._time(event),
                    check=opening.check_id,
                )
        for event in line.incidents:
            if start <= event.done_at <= end:
                return said(
                    "{gauge} had an incident ({what}; {event}, {time}) after its check {check} and was not checked again "
                    "before the reading",
                    gauge=_gauge(reading),
                    what=_what_happened(event.rows[0].occasion),
                    event=event.check_id,
                    time=self._time(event),
                    check=opening.check_id,
                )
        for event in line.calibrations:
            if self._lies_between(event, start, end):
                return said(
                    "{gauge} was calibrated ({event}, {day}) after its check {check} and not checked since",
                    gauge=_gauge(reading),
                    event=event.check_id,
                    day=Day(self._day(event.done_at)),
                    check=opening.check_id,
                )
        return None

    def _bracket_fault(self, reading: Taken, opening: CheckEvent) -> str | None:
        """Ask for standards at or beyond the location's limits; a limit that is not given asks for nothing."""
        if not self._policy.bracket_limits or is_base(reading):
            return None
        certified = [Fraction(row.certified_um) for row in opening.measured if row.certified_um is not None]
        lower_um, upper_um = self._limits_um(reading)
        low_open = lower_um is not None and not any(t <= lower_um for t in certified)
        high_open = upper_um is not None and not any(t >= upper_um for t in certified)
        if not low_open and not high_open:
            return None
        standards = listed([_standard(row) for row in opening.measured])
        lower = None if lower_um is None else with_unit(amount(lower_um, Unit.UM), Unit.UM)
        upper = None if upper_um is None else with_unit(amount(upper_um, Unit.UM), Unit.UM)
        check, location = opening.check_id, reading.location
        if low_open and high_open:
            return said(
                "check {check} used {standards}: none lies beyond the limit of {location} (lower {lower} and upper {upper})",
                check=check,
                standards=standards,
                location=location,
                lower=lower,
                upper=upper,
            )
        if low_open:
            return said(
                "check {check} used {standards}: none lies at or below the limit of {location} (lower {lower})",
                check=check,
                standards=standards,
                location=location,
                lower=lower,
            )
        return said(
            "check {check} used {standards}: none lies at or above the limit of {location} (upper {upper})",
            check=check,
            standards=standards,
            location=location,
            upper=upper,
        )

    def _closing_fault(self, reading: Taken, line: Timeline, following: CheckEvent | None) -> str | None:
        if not self._policy.closing_required:
            # The policy takes the opening check for enough; a passed one after it can add nothing.
            return None
        start = reading.taken_at
        end = None if following is None else following.done_at
        for event in line.adjustments:
            if start < event.done_at and (end is None or event.done_at < end):
                return said(
                    "{gauge} was adjusted ({event}, {time}) before its closing check, which therefore shows nothing about the "
                    "reading",
                    gauge=_gauge(reading),
                    event=event.check_id,
                    time=self._time(event),
                )
        for event in line.calibrations:
            if self._lies_between(event, start, end):
                return said(
                    "{gauge} went to calibration ({event}, {day}) before its closing check, which therefore shows nothing about "
                    "the reading",
                    gauge=_gauge(reading),
                    event=event.check_id,
                    day=Day(self._day(event.done_at)),
                )
        return None if following is None else self._standards_fault(following)

    def _lies_between(self, calibration: CheckEvent, start: datetime, end: datetime | None) -> bool:
        """Return whether a calibration was made between: on a later day, since its time of day says little."""
        if self._day(calibration.done_at) <= self._day(start):
            return False
        return end is None or self._day(calibration.done_at) < self._day(end)

    def _why_suspect(self, reading: Taken, line: Timeline, failed: CheckEvent) -> str:
        good = line.last_good(failed)
        if good is None:
            return said(
                "{gauge} failed the next check after the reading: {failure}; no earlier check passed, so every earlier "
                "reading is in doubt",
                gauge=_gauge(reading),
                failure=self._failure(failed),
            )
        return said(
            "{gauge} failed the next check after the reading: {failure}; the last good check is {good} ({time})",
            gauge=_gauge(reading),
            failure=self._failure(failed),
            good=good.check_id,
            time=self._time(good),
        )

    def _failure(self, failed: CheckEvent) -> str:
        faults = [_standard_fault(row) for row in failed.measured if row.within is False]
        return joined([failed.check_id, " (", self._time(failed), "), ", listed(faults)], "")

    def _limits_um(self, reading: Taken) -> tuple[Fraction | None, Fraction | None]:
        """Return the limits of the reading's location: the job's, or the reading's own where the job names no such."""
        place = self._job.find(reading.location)
        if place is not None:
            lower, upper, unit = place.lower, place.upper, self._job.unit
        else:
            lower, upper, unit = reading.lower, reading.upper, Unit(reading.specification_unit)
        return (
            None if lower is None else Fraction(to_um(lower, unit)),
            None if upper is None else Fraction(to_um(upper, unit)),
        )

    def _day(self, moment: datetime) -> date:
        return moment.astimezone(self._zone).date()

    def _time(self, event: CheckEvent) -> str:
        return local_time(event.done_at, self._zone)

    def summary(
        self, readings: Sequence[GaugeReading], entries: Sequence[ReadingCoverage], base: Sequence[GaugeReading]
    ) -> Coverage:
        """Return the coverage of the inspection from that of its judged *readings* and the *base* ones behind them."""
        if not entries:
            return Coverage(
                state=GateState.UNCOVERED,
                sentence=said("There are no counted readings, so there is nothing that a check could cover."),
                readings=(),
                opening=None,
                closing=None,
                last_good=None,
                doubtful=0,
            )
        state = max((entry.state for entry in entries), key=_RANK.__getitem__)
        opening, closing = self._ends(readings)
        return Coverage(
            state=state,
            sentence=_sentence(state, entries),
            readings=tuple(entries),
            opening=None if opening is None else opening.summary(),
            closing=None if closing is None else closing.summary(),
            last_good=self._last_good_of((*base, *readings)),
            doubtful=sum(entry.state is not GateState.COVERED for entry in entries),
        )

    def _ends(self, readings: Sequence[GaugeReading]) -> tuple[CheckEvent | None, CheckEvent | None]:
        """Return the check before the first reading and the check after the last one."""
        first = min(readings, key=lambda r: r.taken_at)
        last = max(readings, key=lambda r: r.taken_at)
        return (
            self._timeline(first).around(first.taken_at)[0],
            self._timeline(last).around(last.taken_at)[1],
        )

    def _last_good_of(self, readings: Iterable[GaugeReading]) -> CheckSummary | None:
        """Return the last check that passed before the first failed one next to a reading."""
        for reading in sorted(readings, key=lambda r: r.taken_at):
            line = self._timeline(reading)
            for event in line.around(reading.taken_at):
                if event is not None and not event.passed:
                    good = line.last_good(event)
                    return None if good is None else good.summary()
        return None


_BASE: Final = {
    GateState.OPEN: template("base metal reading {number}, which it was reduced by, is open: {reason}"),
    GateState.UNCOVERED: template("base metal reading {number}, which it was reduced by, is uncovered: {reason}"),
    GateState.SUSPECT: template("base metal reading {number}, which it was reduced by, is suspect: {reason}"),
}


def _with_base(entry: ReadingCoverage, reading: GaugeReading, base: ReadingCoverage | None) -> ReadingCoverage:
    """Return *entry*, or what the worst base reading makes of it where something was subtracted."""
    if base is None or reading.base_metal_um is None or _RANK[base.state] <= _RANK[entry.state]:
        return entry
    return ReadingCoverage(
        reading_no=entry.reading_no,
        state=base.state,
        reason=_BASE[base.state](number=base.reading_no, reason=base.reason),
        opening_check_id=entry.opening_check_id,
        closing_check_id=entry.closing_check_id,
    )


def _sentence(state: GateState, entries: Sequence[ReadingCoverage]) -> str:
    reasons = Counter(entry.reason for entry in entries if entry.state is state)
    count, total = sum(reasons.values()), len(entries)
    why = _reasons(reasons)
    if state is GateState.COVERED:
        if count == 1:
            return said("The one reading is covered: {reasons}.", reasons=why)
        return said("All {n} readings are covered: {reasons}.", n=total, reasons=why)
    one, several, what_to_do = _STATES[state]
    found = (one if count == 1 else several)(n=count, of_readings=out_of(total, "reading"), reasons=why)
    others = Counter(entry.state for entry in entries if entry.state not in (state, GateState.COVERED))
    also = [_BESIDES[s][0 if n == 1 else 1](n=n) for s, n in others.items()]
    return joined([found, what_to_do, *also])


def _reasons(reasons: Counter[str]) -> str:
    """Return the reasons, most frequent first; one alone needs no count of its own."""
    if len(reasons) == 1:
        return next(iter(reasons))
    spelled: list[str] = [
        joined([reason, " (", counted(n, "reading"), ")"], "") for reason, n in reasons.most_common(_MOST_REASONS)
    ]
    more = len(reasons) - _MOST_REASONS
    if more == 1:
        spelled.append(said("and {n} more reason, given with the readings", n=more))
    elif more > 1:
        spelled.append(said("and {n} more reasons, given with the readings", n=more))
    return joined(spelled, "; ")


_MOST_REASONS: Final = 4
#: Of the worst state: one reading, several, and what to do.
_STATES: Final = {
    GateState.OPEN: (
        template("{n} {of_readings} waits for its closing check: {reasons}."),
        template("{n} {of_readings} wait for their closing check: {reasons}."),
        said("Check the gauge on its standards now."),
    ),
    GateState.UNCOVERED: (
        template("{n} {of_readings} is not covered: {reasons}."),
        template("{n} {of_readings} are not covered: {reasons}."),
        said("Check the gauge and measure these again."),
    ),
    GateState.SUSPECT: (
        template("{n} {of_readings} is in doubt: {reasons}."),
        template("{n} {of_readings} are in doubt: {reasons}."),
        said("Put the gauge right, check it, and measure these again; look back at what else it measured."),
    ),
}
#: Of a state that is not the worst: one reading, and several.
_BESIDES: Final = {
    GateState.OPEN: (
        template("Besides, {n} waits for its closing check."),
        template("Besides, {n} wait for their closing check."),
    ),
    GateState.UNCOVERED: (
        template("Besides, {n} is not covered."),
        template("Besides, {n} are not covered."),
    ),
}


def _oldest_first(events: Iterable[CheckEvent]) -> list[CheckEvent]:
    return sorted(events, key=lambda event: (event.done_at, event.check_id))


_GAUGES: Final[dict[str, Callable[..., Sentence]]] = {
    ProbeMode.MAGNETIC: template("gauge {serial} (magnetic)"),
    ProbeMode.EDDY_CURRENT: template("gauge {serial} (eddy-current)"),
}
_HAPPENED: Final[dict[str | None, str]] = {
    None: said("incident"),
    Occasion.DROP: said("drop"),
    Occasion.BATTERY: said("battery"),
    Occasion.PROBE: said("probe"),
    Occasion.MODE: said("mode"),
    Occasion.TEMPERATURE: said("temperature"),
    Occasion.OTHER: said("of another kind"),
}


def _gauge(reading: Taken) -> str:
    if reading.probe_mode in _GAUGES:
        return _GAUGES[reading.probe_mode](serial=reading.gauge_serial)
    return f"gauge {reading.gauge_serial} ({reading.probe_mode})"


def _what_happened(occasion: str | None) -> str:
    return _HAPPENED.get(occasion or None, occasion or "")


def _standard(row: GaugeCheck) -> str:
    name = row.standard_id or said("an unnamed standard")
    if row.certified_um is None:
        return name
    return joined([name, " (", with_unit(amount(Fraction(row.certified_um), Unit.UM), Unit.UM), ")"], "")


def _standard_fault(row: GaugeCheck) -> str:
    if row.error_um is None or row.tolerance_um is None:
        return said("outside the tolerance on {standard}", standard=_standard(row))
    # By magnitude, so that the figures never say that the error lies inside.
    size, allowed = apart(abs(Fraction(row.error_um)), Fraction(row.tolerance_um), PLACES[Unit.UM])
    sign = "-" if row.error_um < 0 else "+"
    return said(
        "error {error} on {standard} against a tolerance of ±{tolerance}",
        error=with_unit(Figures(f"{sign}{size}"), Unit.UM),
        standard=_standard(row),
        tolerance=with_unit(allowed, Unit.UM),
    )

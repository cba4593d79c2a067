"""Which readings are in doubt, and through what: from a check, a gauge or a standard back to the readings. Pure.

A doubt is a stretch of time of one gauge in one mode. What puts readings in doubt is what the calibration gate takes from
them, and the same reading of the same records: for every stretch that :func:`doubts_on_record` finds, the gate says
suspect, uncovered or open of each reading within it. (The gate asks more besides, which is no look-back: how old a check
is, whether its standards bracket the limits, what is past its due date.) Three kinds are beyond the gate, since no record of
the shop says them: that a laboratory found the gauge off, that a standard was wrong, and what a person states.

Which readings lie within is asked of taken_at, by whosever clock that is. A reading at the moment of the last good check is
in doubt, and so is one at the moment of the failed check (:func:`rules.calibration_gate.doubt_interval`). At the moment of
a check that passes and so ends a doubt, a reading counts as taken after it, as it does at the gate.

A reading that something was subtracted from rests on the base readings of its inspection as well, whenever it was taken
itself.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from enum import StrEnum
from typing import Final

from rules.calibration_gate import CheckEvent, Taken, Timeline, doubt_interval, events_of, timeline, verifications_of
from rules.film_build import is_base, is_judged
from schemas.certificates import Certificate
from schemas.errors import BadInput
from schemas.gauge_checks import GaugeCheck
from schemas.inspections import Inspection
from schemas.readings import GaugeReading
from schemas.vocabulary import CheckKind, ProbeMode

#: How far clocks may stand apart: a reading is not sealed more than this before it says that it was taken (archive/store.py).
CLOCKS_APART: Final = timedelta(days=1)
#: So far back a last good check is looked for first.
_A_WHILE: Final = timedelta(days=62)


class Cause(StrEnum):
    """What puts readings in doubt."""

    FAILED_CHECK = "failed check"
    AFTER_FAILED_CHECK = "used after a failed check"
    NO_CLOSING_CHECK = "no closing check"
    NO_CHECK_BEFORE = "no check before"
    ADJUSTMENT = "adjusted between checks"
    INCIDENT = "not checked after an incident"
    BACK_FROM_LABORATORY = "calibrated between checks"
    FOUND_OFF = "found off by the laboratory"
    STANDARD = "standard found wrong"
    STATED = "stated"


@dataclass(frozen=True, slots=True)
class Doubt:
    """A stretch of time of one gauge in one mode whose readings are in doubt.

    Attributes:
        start: From when on, that moment included, UTC; None where nothing before sets an end to it.
        end: Until when, UTC; None where nothing since sets an end to it.
        end_counts: Whether a reading at *end* itself is in doubt.
        check_id: The check, adjustment, incident or calibration that puts in doubt; None where a person states it.
        good_id: The last check that passed before.
        next_id: The check that ends it.
        error_of: The check whose standards tell by how much the gauge was off; None where none does.
    """

    cause: Cause
    gauge_serial: str
    probe_mode: str
    start: datetime | None
    end: datetime | None
    end_counts: bool = True
    check_id: str | None = None
    good_id: str | None = None
    next_id: str | None = None
    error_of: str | None = None

    def holds(self, reading: Taken) -> bool:
        """Return whether *reading* was taken within it."""
        if reading.gauge_serial != self.gauge_serial or reading.probe_mode != self.probe_mode:
            return False
        if self.start is not None and reading.taken_at < self.start:
            return False
        return self.end is None or reading.taken_at < self.end or (self.end_counts and reading.taken_at == self.end)


@dataclass(frozen=True, slots=True)
class Policy:
    """What the shop's own rules say that a look-back has to know.

    Attributes:
        closing_required: Whether readings need a check after them (shop.toml, [verification]).
        zone: The shop's time zone, whose days calibrations are compared by.
        modes: The modes of the gauge.
        calibrated_on: The day of the calibration that stands in shop.toml, where there is one.
    """

    closing_required: bool
    zone: tzinfo
    modes: tuple[str, ...] = tuple(ProbeMode)
    calibrated_on: date | None = None


def doubts_of_check(checks: Sequence[GaugeCheck], check_id: str, policy: Policy) -> tuple[Doubt, ...]:
    """Return what *check_id* puts in doubt, a stretch for each mode that it concerns.

    A verification that failed: since the last good one, and on until the next good one where the gauge was used all the
    same. The last verification, passed and with none after it: what waits for its closing check. An adjustment: since the
    check before it and until the next. An incident: until the next check. A calibration: that the laboratory found the
    gauge off as it came in, so that everything since the calibration before is in doubt.

    Args:
        checks: All that is known of its gauge, in any order; other gauges' checks do no harm.
        check_id: The check.
        policy: What the shop's rules say.

    Raises:
        BadInput: There is no such check, or it puts nothing in doubt; the sentence says why.
    """
    event = _event(checks, check_id)
    kind, gauge = event.rows[0].kind, event.gauge_serial
    lines = [(m, timeline(checks, gauge, m)) for m in policy.modes if event.concerns(gauge, m)]
    if kind == CheckKind.CALIBRATION:
        return tuple(_found_off(event, m, line, policy) for m, line in lines)
    if kind == CheckKind.ADJUSTMENT:
        return tuple(_adjusted(event, m, line, policy) for m, line in lines)
    if kind == CheckKind.INCIDENT:
        return tuple(_happened(event, m, line) for m, line in lines)
    if kind != CheckKind.VERIFICATION or not event.measured:
        raise BadInput(f"{check_id!r} is a {kind} that measured no standard, so it puts nothing in doubt")
    if not event.passed:
        return tuple(d for m, line in lines for d in _failed(checks, event, m, line))
    still_open = tuple(d for m, line in lines for d in _waiting(line, gauge, m, policy) if d.good_id == check_id)
    if not still_open:
        raise BadInput(
            f"verification {check_id!r} passed and does not wait for a closing check, so it puts nothing in doubt; name one "
            "that failed"
        )
    return still_open


def doubts_looked_up(
    checks_since: Callable[[datetime | None], Sequence[GaugeCheck]],
    check_id: str,
    done_at: datetime | None,
    policy: Policy,
) -> tuple[tuple[Doubt, ...], Sequence[GaugeCheck]]:
    """Return what :func:`doubts_of_check` says and the checks that it took, asking for no more of the past than it takes.

    A gauge is checked every day, so the last good check is seldom far; only where it is not found are all checks asked for.

    Args:
        checks_since: Returns the checks from a moment on, or all.
        check_id: The check.
        done_at: When it was done or recorded, whichever is earlier; None where that is not known.
        policy: What the shop's rules say.

    Raises:
        BadInput: As :func:`doubts_of_check`.
    """
    if done_at is not None:
        near = checks_since(done_at - _A_WHILE)
        known = [c for c in near if c.check_id == check_id]
        if known and all(c.kind in (CheckKind.VERIFICATION, CheckKind.INCIDENT, CheckKind.ADJUSTMENT) for c in known):
            found = doubts_of_check(near, check_id, policy)
            if all(doubt.good_id is not None and doubt.start is not None for doubt in found):
                return found, near
    every = checks_since(None)
    return doubts_of_check(every, check_id, policy), every


def doubts_on_record(checks: Sequence[GaugeCheck], gauge_serial: str, policy: Policy) -> tuple[Doubt, ...]:
    """Return every stretch that the records alone put in doubt of one gauge, oldest first; one may lie within another."""
    found: list[Doubt] = []
    for mode in policy.modes:
        line = timeline(checks, gauge_serial, mode)
        for event in line.verifications:
            if not event.passed:
                found += _failed(checks, event, mode, line)
        found += [_adjusted(event, mode, line, policy) for event in line.adjustments]
        found += [_happened(event, mode, line) for event in line.incidents]
        found += [d for event in line.calibrations for d in _back(event, mode, line, policy)]
        found += [*_unopened(line, gauge_serial, mode), *_waiting(line, gauge_serial, mode, policy)]
    never = datetime.min.replace(tzinfo=UTC)
    return tuple(sorted(found, key=lambda d: (d.start is not None, d.start or never, d.probe_mode, d.cause)))


def doubts_of_standard(
    checks: Sequence[GaugeCheck],
    standard_id: str,
    start: datetime | None,
    end: datetime | None,
    *,
    end_counts: bool = True,
    closing_required: bool = True,
) -> tuple[Doubt, ...]:
    """Return what the checks made on a standard from *start* to *end* were to cover, *end* itself where it counts.

    That are the readings since the check before each and until the check after it, whatever those were made on. Stretches
    that join are one; its check_id is then the first such check's.
    """
    found: list[Doubt] = []
    for event in verifications_of(checks):
        if not any(row.standard_id == standard_id for row in event.measured):
            continue
        if start is not None and event.done_at < start:
            continue
        if end is not None and not (event.done_at < end or (end_counts and event.done_at == end)):
            continue
        for mode in ProbeMode:
            if not event.concerns(event.gauge_serial, mode):
                continue
            line = timeline(checks, event.gauge_serial, mode)
            before = _last(v for v in line.verifications if v.done_at < event.done_at)
            after = _first_after(line, event.done_at)
            found.append(
                Doubt(
                    Cause.STANDARD,
                    event.gauge_serial,
                    mode,
                    (None if before is None else before.done_at) if closing_required else event.done_at,
                    None if after is None else after.done_at,
                    end_counts=False,
                    check_id=event.check_id,
                    next_id=None if after is None else after.check_id,
                )
            )
    return _joined(found)


def stated(
    gauge_serial: str, modes: Iterable[str], start: datetime | None, end: datetime | None, *, end_counts: bool = True
) -> tuple[Doubt, ...]:
    """Return the stretch that a person states, a doubt for each mode."""
    return tuple(Doubt(Cause.STATED, gauge_serial, mode, start, end, end_counts) for mode in modes)


@dataclass(frozen=True, slots=True)
class InDoubt:
    """What of one inspection, in one revision, is in doubt.

    Attributes:
        taken: The readings taken within a doubt, counted or not, in the order taken.
        by_base: Further counted readings: taken outside, less a base metal reading that lies within.
        doubts: The doubts that hold one of *taken*.
    """

    taken: tuple[GaugeReading, ...]
    by_base: tuple[GaugeReading, ...]
    doubts: tuple[Doubt, ...]

    def __bool__(self) -> bool:
        return bool(self.taken)

    @property
    def every(self) -> tuple[GaugeReading, ...]:
        """Return all of them, in the order taken."""
        return tuple(sorted((*self.taken, *self.by_base), key=lambda r: r.reading_no))


def in_doubt(readings: Sequence[GaugeReading], doubts: Sequence[Doubt]) -> InDoubt:
    """Return which of *readings*, those of one inspection in one revision, are in doubt.

    As at the gate, a reading that something was subtracted from rests on every base reading of its inspection.
    """
    taken = tuple(r for r in readings if any(d.holds(r) for d in doubts))
    base = any(is_base(r) for r in taken)
    inside = {r.reading_no for r in taken}
    by_base = tuple(
        r for r in readings if base and is_judged(r) and r.base_metal_um is not None and r.reading_no not in inside
    )
    return InDoubt(taken, by_base, tuple(d for d in doubts if any(d.holds(r) for r in taken)))


@dataclass(frozen=True, slots=True)
class CertificateInDoubt:
    """An issued certificate that states readings in doubt.

    Attributes:
        found: Which readings of the inspection's revision that it states.
        superseded_by: The last revision of the same certificate, where there is a later one.
    """

    certificate: Certificate
    found: InDoubt
    superseded_by: Certificate | None


@dataclass(frozen=True, slots=True)
class Touched:
    """An inspection of which something is in doubt.

    Attributes:
        inspection: Its valid revision.
        readings: All readings of that revision.
        found: Which of them are in doubt: none where only a certificate of an earlier revision is.
        certificates: Every certificate in doubt that was issued for it, whichever revision it states, oldest first.
    """

    inspection: Inspection
    readings: tuple[GaugeReading, ...]
    found: InDoubt
    certificates: tuple[CertificateInDoubt, ...]


def look_back(
    doubts: Sequence[Doubt],
    revisions: Iterable[Inspection],
    certificates: Iterable[Certificate],
    readings_of: Callable[[str, int], Sequence[GaugeReading]],
) -> tuple[Touched, ...]:
    """Return every inspection and every issued certificate with readings in doubt, inspections in the order given.

    Of an inspection the valid revision is judged; a certificate is judged by the revision that it states, since that is
    what was handed out.

    Args:
        doubts: What is in doubt.
        revisions: Inspections in every revision; those that cannot matter may be missing.
        certificates: Issued certificates in every revision.
        readings_of: Returns the readings of an inspection in a revision; asked of no inspection of another gauge.
    """
    if not doubts:
        return ()
    gauges = {(d.gauge_serial, d.probe_mode) for d in doubts}
    by_id: dict[str, dict[int, Inspection]] = {}
    for one in revisions:
        by_id.setdefault(one.inspection_id, {})[one.revision] = one
    issued: dict[str, list[Certificate]] = {}
    for certificate in certificates:
        issued.setdefault(certificate.inspection_id, []).append(certificate)
    found: list[Touched] = []
    for inspection_id, known in by_id.items():
        # One inspection is of one gauge in one mode (archive/agreement.py); a correction may name another.
        near = {n for n, one in known.items() if (one.gauge_serial, one.probe_mode) in gauges}
        if not near:
            continue
        valid = max(known)
        handed_out = issued.get(inspection_id, [])
        readings = {
            n: tuple(readings_of(inspection_id, n))
            for n in {valid, *(c.inspection_revision for c in handed_out)}
            if n in near
        }
        judged = {n: in_doubt(rows, doubts) for n, rows in readings.items()}
        nothing = InDoubt((), (), ())
        doubtful = tuple(
            CertificateInDoubt(c, judged[c.inspection_revision], _later(c, handed_out))
            for c in handed_out
            if judged.get(c.inspection_revision, nothing)
        )
        if doubtful or judged.get(valid, nothing):
            found.append(Touched(known[valid], readings.get(valid, ()), judged.get(valid, nothing), doubtful))
    return tuple(found)


def earliest(doubts: Sequence[Doubt]) -> datetime | None:
    """Return the moment before which nothing that *doubts* touch can have been committed, or None where there is none.

    A reading is sealed after it was taken, and a certificate after that, as far as clocks agree. How late a capture is
    sealed nobody can tell, so there is no such moment at the other end.
    """
    starts = [d.start for d in doubts]
    kept = [start for start in starts if start is not None]
    return None if len(kept) < len(starts) or not kept else min(kept) - CLOCKS_APART


def _later(one: Certificate, handed_out: Iterable[Certificate]) -> Certificate | None:
    later = [c for c in handed_out if c.number == one.number and c.revision > one.revision]
    return max(later, key=lambda c: c.revision, default=None)


def hulls(doubts: Sequence[Doubt]) -> tuple[Doubt, ...]:
    """Return *doubts* with those of one gauge and mode that overlap or touch made one, oldest first within each.

    Every reading that one of *doubts* holds, one of these holds; which doubt it was is lost.
    """
    return _joined(doubts)


# What each kind of event puts in doubt.


def _failed(checks: Sequence[GaugeCheck], failed: CheckEvent, mode: str, line: Timeline) -> Iterator[Doubt]:
    start, end = doubt_interval(checks, failed.check_id, mode)
    good = line.last_good(failed)
    good_id = None if good is None else good.check_id
    gauge, name = failed.gauge_serial, failed.check_id
    yield Doubt(Cause.FAILED_CHECK, gauge, mode, start, end, check_id=name, good_id=good_id, error_of=name)
    after = next((v for v in line.verifications if v.passed and v.done_at > failed.done_at), None)
    yield Doubt(
        Cause.AFTER_FAILED_CHECK,
        gauge,
        mode,
        failed.done_at,
        None if after is None else after.done_at,
        end_counts=False,
        check_id=name,
        good_id=good_id,
        next_id=None if after is None else after.check_id,
        error_of=name,
    )


def _adjusted(event: CheckEvent, mode: str, line: Timeline, policy: Policy) -> Doubt:
    """Nothing shows what the gauge read before it was adjusted, or after, but a check without an adjustment between."""
    before = _last(v for v in line.verifications if v.done_at <= event.done_at)
    start = (None if before is None else before.done_at) if policy.closing_required else event.done_at
    return _until_checked(Cause.ADJUSTMENT, event, mode, line, start)


def _happened(event: CheckEvent, mode: str, line: Timeline) -> Doubt:
    found = _until_checked(Cause.INCIDENT, event, mode, line, event.done_at)
    touched = [
        e for e in (*line.adjustments, *line.calibrations) if found.end and event.done_at <= e.done_at <= found.end
    ]
    # Not touched since, so what the next check found is what it read.
    return found if found.next_id is None or touched else replace(found, error_of=found.next_id)


def _until_checked(cause: Cause, event: CheckEvent, mode: str, line: Timeline, start: datetime | None) -> Doubt:
    before = _last(v for v in line.verifications if v.passed and v.done_at <= event.done_at)
    after = _first_after(line, event.done_at)
    return Doubt(
        cause,
        event.gauge_serial,
        mode,
        start,
        None if after is None else after.done_at,
        end_counts=False,
        check_id=event.check_id,
        good_id=None if before is None else before.check_id,
        next_id=None if after is None else after.check_id,
    )


def _back(event: CheckEvent, mode: str, line: Timeline, policy: Policy) -> Iterator[Doubt]:
    """A laboratory may adjust; by days, since its time of day says little: that day's own readings are left out."""
    day = _day(event.done_at, policy.zone)
    midnight, next_midnight = _midnight(day, policy.zone), _midnight(day + timedelta(days=1), policy.zone)
    before = _last(v for v in line.verifications if v.done_at < next_midnight)
    after = next((v for v in line.verifications if v.done_at >= midnight), None)
    if before is not None and before.done_at >= midnight:
        return  # checked on the very day
    end, next_id = (None, None) if after is None else (after.done_at, after.check_id)
    good = _last(v for v in line.verifications if v.passed and v.done_at < midnight)
    good_id = None if good is None else good.check_id
    where = (Cause.BACK_FROM_LABORATORY, event.gauge_serial, mode)
    if policy.closing_required:
        start = None if before is None else before.done_at
        yield Doubt(
            *where, start, midnight, end_counts=False, check_id=event.check_id, good_id=good_id, next_id=next_id
        )
    yield Doubt(*where, next_midnight, end, end_counts=False, check_id=event.check_id, good_id=good_id, next_id=next_id)


def _found_off(event: CheckEvent, mode: str, line: Timeline, policy: Policy) -> Doubt:
    day = _day(event.done_at, policy.zone)
    days = [d for e in line.calibrations if (d := _day(e.done_at, policy.zone)) < day]
    if policy.calibrated_on is not None and policy.calibrated_on < day:
        days.append(policy.calibrated_on)
    since = max(days, default=None)
    return Doubt(
        Cause.FOUND_OFF,
        event.gauge_serial,
        mode,
        None if since is None else _midnight(since, policy.zone),
        _midnight(day + timedelta(days=1), policy.zone),
        end_counts=False,
        check_id=event.check_id,
    )


def _unopened(line: Timeline, gauge_serial: str, mode: str) -> Iterator[Doubt]:
    first = line.verifications[0] if line.verifications else None
    yield Doubt(
        Cause.NO_CHECK_BEFORE,
        gauge_serial,
        mode,
        None,
        None if first is None else first.done_at,
        end_counts=False,
        next_id=None if first is None else first.check_id,
    )


def _waiting(line: Timeline, gauge_serial: str, mode: str, policy: Policy) -> Iterator[Doubt]:
    """What was read since the last check, where the shop asks for one that closes."""
    if policy.closing_required and line.verifications and line.verifications[-1].passed:
        last = line.verifications[-1]
        yield Doubt(Cause.NO_CLOSING_CHECK, gauge_serial, mode, last.done_at, None, good_id=last.check_id)


def _joined(doubts: Sequence[Doubt]) -> tuple[Doubt, ...]:
    """Return stretches with those that overlap or touch made one, by gauge, mode and time."""
    found: list[Doubt] = []
    for one in sorted(doubts, key=lambda d: (d.gauge_serial, d.probe_mode, d.start is not None, d.start)):
        last = found[-1] if found else None
        if last is None or (last.gauge_serial, last.probe_mode) != (one.gauge_serial, one.probe_mode):
            found.append(one)
        elif last.end is None or (one.start is not None and one.start > last.end):
            found += [] if last.end is None else [one]
        else:
            longer = max(last, one, key=_end)
            found[-1] = replace(last, end=longer.end, end_counts=longer.end_counts, next_id=longer.next_id)
    return tuple(found)


def _end(doubt: Doubt) -> tuple[bool, datetime, bool]:
    return doubt.end is None, doubt.end or datetime.max.replace(tzinfo=UTC), doubt.end_counts


def _event(checks: Sequence[GaugeCheck], check_id: str) -> CheckEvent:
    rows = tuple(c for c in checks if c.check_id == check_id)
    if not rows:
        raise BadInput(f"there is no check {check_id!r}; name one that is on record")
    (event,) = events_of(rows, CheckKind(rows[0].kind))
    return event


def _first_after(line: Timeline, moment: datetime) -> CheckEvent | None:
    return next((v for v in line.verifications if v.done_at > moment), None)


def _last(events: Iterable[CheckEvent]) -> CheckEvent | None:
    found = None
    for found in events:  # noqa: B007 - the last one is wanted
        pass
    return found


def _day(moment: datetime, zone: tzinfo) -> date:
    return moment.astimezone(zone).date()


def _midnight(day: date, zone: tzinfo) -> datetime:
    return datetime.combine(day, time.min, tzinfo=zone)

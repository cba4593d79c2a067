"""What a look-back found, in words: what happened, which time is in doubt, what the error could mean. Pure.

The same sentences stand on the screen and in the letter to a customer, so they state facts of the record and nothing else:
no fault, no promise, and no name of a person.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from decimal import Decimal
from fractions import Fraction
from typing import Final
from zoneinfo import ZoneInfo

from report.figures import MINUS
from report.looking_back import Affected, LookBack
from rules.doubt import Cause, Doubt
from rules.doubt_estimate import Estimate, Outcome, PlaceEstimate
from rules.results import GateState
from rules.verdict import Verdict
from rules.wording import PLACES, amount, apart, as_written, counted, listed, local_day, local_time
from schemas.gauge_checks import GaugeCheck
from schemas.tombstones import Tombstone
from schemas.units import Unit
from schemas.vocabulary import Occasion

#: What the shop has to write where the record says nothing.
TO_BE_WRITTEN: Final = "what happened: to be written by the shop"
_ESTIMATE: Final = (
    "This is an estimate and no verdict: only measuring again shows what the film build is. It takes every reading in doubt "
    "to be off by as much as the gauge was found off on the standards nearest to it, from the first reading on."
)
_ESTIMATE_AS_TOLD: Final = (
    "This is an estimate and no verdict: only measuring again shows what the film build is. It takes every reading in doubt "
    "to be {size} too {way}, as is stated, from the first reading on."
)
NOT_SHIPPED_KNOWN: Final = "The records do not say which pieces have been shipped, or where they are now."
#: So many things are named in a sentence; --json names all.
_NAMED: Final = 12
_BEYOND: Final = " Some of these readings lie beyond the standards of the check, where its errors say less."

_OCCASIONS: Final[dict[str | None, str]] = {
    Occasion.OPENING: "opening check",
    Occasion.CLOSING: "closing check",
    Occasion.DROP: "a drop",
    Occasion.BATTERY: "a change of battery",
    Occasion.PROBE: "a change of probe",
    Occasion.MODE: "a change of mode",
    Occasion.TEMPERATURE: "a change of temperature",
}
_GATE: Final = {
    GateState.COVERED: "covered by its checks",
    GateState.OPEN: "waiting for the closing check",
    GateState.UNCOVERED: "not covered by its checks",
    GateState.SUSPECT: "suspect",
}
_RECORDED: Final = {
    Verdict.PASS: "as recorded it conforms",
    Verdict.UNDECIDED: "as recorded it is undecided",
    Verdict.FAIL: "as recorded it does not conform",
}
_WHOLE: Final = {
    Outcome.WITHIN: "still within limits if the whole error applies",
    Outcome.OUTSIDE: "would not be within limits if the whole error applies",
    Outcome.UNDECIDED: "could not be decided if the whole error applies",
}


def about_estimates(off_um: Fraction | None) -> str:
    """Return what an estimate is and is not, and what it takes the error to be."""
    if off_um is None:
        return _ESTIMATE
    size = f"{amount(abs(off_um), Unit.UM)} µm"
    return _ESTIMATE_AS_TOLD.format(size=size, way="low" if off_um < 0 else "high")


def gate_words(state: GateState | None) -> str:
    """Return what the gate says of the counted readings in doubt."""
    return "no counted reading" if state is None else _GATE[state]


def happened(found: LookBack, doubt: Doubt) -> list[str]:
    """Return what put readings in doubt, as sentences: facts of the record."""
    return _HAPPENED[doubt.cause](found, doubt)


def told_once(found: LookBack, doubts: Sequence[Doubt]) -> list[tuple[Doubt, list[str]]]:
    """Return *doubts*, those of one check that was recorded again as one, each with a sentence that says so, if it was."""
    alike: dict[tuple[object, ...], list[Doubt]] = {}
    for doubt in doubts:
        alike.setdefault((_but_for_ids(doubt), _measured(found.rows(doubt.check_id))), []).append(doubt)
    told = []
    for first, *others in alike.values():
        ids = [str(doubt.check_id) for doubt in (first, *others)]
        told.append((first, [f"The same check is on record more than once: {listed(ids)}."] if others else []))
    return told


def _but_for_ids(doubt: Doubt) -> Doubt:
    return replace(doubt, check_id=None, error_of=None)


def _measured(rows: Sequence[GaugeCheck]) -> tuple[object, ...]:
    return tuple(
        (
            r.kind,
            r.occasion,
            r.done_at,
            r.standard_id,
            r.certified_um,
            r.mean_um,
            r.error_um,
            r.within,
            r.certificate_no,
        )
        for r in rows
    )


def not_passed_words(found: LookBack) -> list[str]:
    """Return which gauges failed a check and have not passed one since, where no reading in doubt says so already."""
    return [
        f"{_the_gauge(doubt)} did not pass check {doubt.check_id} on {_at(found.rows(doubt.check_id), found.zone)} and has not "
        "passed one since; no sealed reading was taken with it after that."
        for doubt in found.not_passed
    ]


def stretch_words(doubt: Doubt, zone: ZoneInfo) -> str:
    """Return the time in doubt, with what holds of its ends."""
    gauge = gauge_words(doubt)
    start = None if doubt.start is None else _exactly(doubt.start, zone)
    if doubt.end is None:
        return (
            f"every reading of {gauge}"
            if start is None
            else f"readings of {gauge} from {start} on, that moment included"
        )
    # A day that is over ends before its midnight; said as a day it is understood.
    whole_day = not doubt.end_counts and doubt.end.astimezone(zone).time() == datetime.min.time()
    if whole_day:
        end = f"the end of {doubt.end.astimezone(zone).date() - timedelta(days=1)}"
    else:
        end = _exactly(doubt.end, zone)
    counts = "" if whole_day else ", that moment included" if doubt.end_counts else ", that moment not included"
    if start is None:
        return f"every reading of {gauge} up to {end}{counts}"
    both = "" if whole_day else ", both included" if doubt.end_counts else ", the latter not included"
    return f"readings of {gauge} from {start} to {end}{both}"


def _exactly(moment: datetime, zone: ZoneInfo) -> str:
    """Return *moment* to the second or the millisecond where it has any: it is an end, and a reading may lie just beyond."""
    more = f":{moment:%S}" if moment.second or moment.microsecond else ""
    return f"{local_time(moment, zone)}{more}{f'.{moment.microsecond // 1000:03d}' if moment.microsecond else ''}"


def nothing_words(found: LookBack) -> str:
    """Return that nothing is in doubt, as far as that can be said."""
    where = "that is still in the archive" if found.absent.lost or found.absent.certificates else "in the archive"
    asked = found.asked
    if asked.check_id is not None or (asked.gauge_serial is not None and asked.stretch.given):
        readings = "in that time"
    elif asked.standard_id is not None:
        readings = f"that a check on standard {asked.standard_id}{' then' if asked.stretch.given else ''} was to cover"
    else:
        readings = f"that the records of gauge {asked.gauge_serial} put in doubt"
    return f"Nothing {where} is in doubt: no sealed inspection and no certificate has a reading {readings}."


def removed_words(found: LookBack) -> list[str]:
    """Return what was removed by an order and so is not looked at, an order a sentence, and what is still registered of it."""
    by_order: dict[str, list[Tombstone]] = {}
    for one in found.absent.removed:
        by_order.setdefault(one.removal_id, []).append(one)
    said = []
    for gone in by_order.values():
        names, order = {one.key for one in gone}, gone[0]
        were = "was removed" if len(gone) == 1 else "were removed"
        left = [f"{c.number} revision {c.revision} ({c.customer}, lot {c.lot})" for c in found.absent.certificates if c.inspection_id in names]  # fmt: skip
        said.append(
            f"{counted(len(gone), 'inspection')} that may hold readings in doubt {were} on "
            f"{local_day(order.removed_at, found.zone)} ({order.reason}) and not looked at: "
            f"{listed([one.key for one in gone], _NAMED)}. "
            + (
                f"Still registered of {'it' if len(gone) == 1 else 'them'}: certificate {listed(left, _NAMED)}. Neither a "
                "tombstone nor the register says with which gauge the readings were taken; the certificate does."
                if left
                else "No certificate is registered any more."
            )
        )
    return said


def gauge_words(doubt: Doubt) -> str:
    """Return the gauge and its mode."""
    return f"gauge {doubt.gauge_serial} ({doubt.probe_mode})"


def span_words(first: datetime, last: datetime, zone: ZoneInfo) -> str:
    """Return when readings were taken: one moment, hours of one day, or days."""
    start, end = (moment.astimezone(zone) for moment in (first, last))
    if start.date() != end.date():
        return f"{local_time(first, zone)} to {local_time(last, zone)}"
    same = f"{start:%H:%M}" == f"{end:%H:%M}"
    return local_time(first, zone) if same else f"{local_time(first, zone)} to {end:%H:%M}"


def readings_words(one: Affected) -> str:
    """Return how many readings of the valid revision are in doubt, and of which kinds."""
    found = one.touched.found
    if not found:
        return "none of the valid revision"
    total = len(one.touched.readings)
    number = len(found.every)
    words = f"{number} of {counted(total, 'reading')}" if number < total else f"all {counted(total, 'reading')}"
    kept = sum(not r.counted for r in found.taken)
    more = [f"{kept} of them kept but not judged"] if kept else []
    if found.by_base:
        more.append(f"{len(found.by_base)} of them through the base metal reading subtracted")
    return f"{words} ({', '.join(more)})" if more else words


def estimate_words(estimate: Estimate) -> str:
    """Return what the error could mean for one inspection, in half a sentence."""
    beyond = _BEYOND if estimate.beyond else ""
    rule = "" if estimate.rule is None else f" Judged by the rule: {estimate.rule}."
    return f"{_RECORDED[estimate.as_recorded]}; {_WHOLE[estimate.outcome]}.{rule}{beyond}"


def place_words(place: PlaceEstimate, estimate: Estimate) -> tuple[str, str, str, str]:
    """Return limits, what was recorded, what it would be, and what that comes to, as cells.

    Where a rule does not ask every reading for the limits, a range beyond them may conform. Then the means that are compared
    stand beside it, or the last cell says that the rule, which :func:`estimate_words` names, is another one.
    """
    unit, against = estimate.unit, (place.lower, place.upper)
    whole = _range(place.estimated, against, unit)
    if place.means is not None:
        means = _range(place.means, against, unit)
        whole += f", {'mean' if place.means[0] == place.means[1] else 'means'} {means}"
    outcome = {Outcome.WITHIN: "within", Outcome.OUTSIDE: "would not be", Outcome.UNDECIDED: "undecided"}[place.outcome]
    by_rule = " (by the rule)" if place.means is None and estimate.rule is not None else ""
    return _limits(place, unit), _range(place.recorded, against, unit), whole, outcome + by_rule


def _limits(place: PlaceEstimate, unit: Unit) -> str:
    if place.lower is None or place.upper is None:
        one = place.upper if place.lower is None else place.lower
        side = "at most" if place.lower is None else "at least"
        return "none" if one is None else f"{side} {as_written(one)} {unit.symbol}"
    return f"{as_written(place.lower)} to {as_written(place.upper)} {unit.symbol}"


def _range(ends: tuple[Fraction, Fraction], against: tuple[Decimal | None, Decimal | None], unit: Unit) -> str:
    least, greatest = (amount(end, unit, limit) for end, limit in zip(ends, against, strict=True))
    return str(least) if least == greatest else f"{least} to {greatest}"


# What happened.


def _failed(found: LookBack, doubt: Doubt) -> list[str]:
    rows = found.rows(doubt.check_id)
    occasion = _OCCASIONS.get(rows[0].occasion, "check")
    kind = occasion if occasion.endswith("check") else f"check after {occasion}"
    out = [_standard(row) for row in rows if row.within is False]
    good = [_standard(row) for row in rows if row.within]
    at = _at(rows, found.zone)
    said = [
        f"{_the_gauge(doubt)} was checked on certified standards on {at} ({kind} {doubt.check_id}). "
        f"Outside the tolerance: {listed(out)}." + (f" Within it: {listed(good)}." if good else "")
    ]
    last = found.rows(doubt.good_id)
    if last:
        said.append(f"The last check before it that passed: {doubt.good_id}, {_at(last, found.zone)}.")
    else:
        said.append("No earlier check of it in this mode is on record that passed.")
    return said


def _after_failed(found: LookBack, doubt: Doubt) -> list[str]:
    failed = found.rows(doubt.check_id)
    after = f"{_the_gauge(doubt)} was used after the check {doubt.check_id} on {_at(failed, found.zone)}, which it did not pass."
    return [after, _next(found, doubt, "It has not passed a check since.", "The next check that passed")]


def _no_closing(found: LookBack, doubt: Doubt) -> list[str]:
    return [
        f"{_the_gauge(doubt)} passed check {doubt.good_id} on {_at(found.rows(doubt.good_id), found.zone)} and has not been checked "
        "since; the shop's own rule asks for a check after the readings."
    ]


def _no_check_before(found: LookBack, doubt: Doubt) -> list[str]:
    return [
        f"No check of {gauge_words(doubt)} is on record before these readings.",
        _next(found, doubt, "None is on record since.", "The first check"),
    ]


def _adjusted(found: LookBack, doubt: Doubt) -> list[str]:
    return [
        f"{_the_gauge(doubt)} was adjusted on {_at(found.rows(doubt.check_id), found.zone)} ({doubt.check_id}). The checks before and "
        "after cannot show what it read between.",
        _next(found, doubt, "It has not been checked since.", "The next check"),
    ]


def _incident(found: LookBack, doubt: Doubt) -> list[str]:
    rows = found.rows(doubt.check_id)
    what = _OCCASIONS.get(rows[0].occasion, "another incident")
    note = f", with the note: {rows[0].note}" if rows[0].note else ""
    said = [
        f"On {_at(rows, found.zone)}, {what} of {gauge_words(doubt)} was recorded ({doubt.check_id}{note}); it was used before "
        "it was checked again.",
        _next(found, doubt, "It has not been checked since.", "The next check"),
    ]
    if doubt.error_of is not None:
        said.append(f"That check found: {listed([_standard(row) for row in found.rows(doubt.error_of)])}.")
    return said


def _back(found: LookBack, doubt: Doubt) -> list[str]:
    row = found.rows(doubt.check_id)[0]
    return [
        f"{_the_gauge(doubt)} was calibrated by {row.done_by} on {local_day(row.done_at, found.zone)} (certificate {row.certificate_no}) and not "
        "checked that day; the checks before and after cannot show what it read between, where the laboratory adjusted it.",
        _next(found, doubt, "It has not been checked since.", "The next check"),
    ]


def _found_off(found: LookBack, doubt: Doubt) -> list[str]:
    row = found.rows(doubt.check_id)[0]
    said = [
        f"The calibration of {gauge_words(doubt)} by {row.done_by} on {local_day(row.done_at, found.zone)} (certificate {row.certificate_no}) "
        "is stated to have found it outside its tolerance as it came in."
    ]
    if doubt.start is None:
        return [*said, "No calibration before it is on record."]
    return [*said, f"The calibration before it was made on {local_day(doubt.start, found.zone)}."]


def _wrong_standard(found: LookBack, doubt: Doubt) -> list[str]:
    asked = found.asked.standard_id
    first = found.rows(doubt.check_id)
    return [
        f"Standard {asked} is in doubt. Checks of {gauge_words(doubt)} were made on it, beginning with {doubt.check_id} on "
        f"{_at(first, found.zone)}; what they were to cover is in doubt with it."
    ]


def _stated(found: LookBack, doubt: Doubt) -> list[str]:
    said = f"Readings of {gauge_words(doubt)} are under review."
    return [said] if found.asked.reason is None else [said, f"Reason: {found.asked.reason}"]


_HAPPENED: Final[dict[Cause, Callable[[LookBack, Doubt], list[str]]]] = {
    Cause.FAILED_CHECK: _failed,
    Cause.AFTER_FAILED_CHECK: _after_failed,
    Cause.NO_CLOSING_CHECK: _no_closing,
    Cause.NO_CHECK_BEFORE: _no_check_before,
    Cause.ADJUSTMENT: _adjusted,
    Cause.INCIDENT: _incident,
    Cause.BACK_FROM_LABORATORY: _back,
    Cause.FOUND_OFF: _found_off,
    Cause.STANDARD: _wrong_standard,
    Cause.STATED: _stated,
}


def _the_gauge(doubt: Doubt) -> str:
    """Return the gauge and its mode, at the head of a sentence."""
    words = gauge_words(doubt)
    return words[0].upper() + words[1:]


def _next(found: LookBack, doubt: Doubt, none: str, one: str) -> str:
    rows = found.rows(doubt.next_id)
    return f"{one}: {doubt.next_id}, {_at(rows, found.zone)}." if rows else none


def _standard(row: GaugeCheck) -> str:
    if row.certified_um is None or row.error_um is None or row.tolerance_um is None:
        return str(row.standard_id)
    size, tolerance = apart(abs(Fraction(row.error_um)), Fraction(row.tolerance_um), PLACES[Unit.UM])
    error = f"{MINUS if row.error_um < 0 else '+'}{size}"
    certified = amount(Fraction(row.certified_um), Unit.UM)
    return f"{row.standard_id} (certified {certified} µm, error {error} µm, tolerance ±{tolerance} µm)"


def _at(rows: Sequence[GaugeCheck], zone: ZoneInfo) -> str:
    return local_time(max(row.done_at for row in rows), zone)

"""The checks of a gauge that bear on readings, read from the archive no further than the gate has to look."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from datetime import datetime
from typing import Final, TypeVar

from archive.store import Archive
from rules.calibration_gate import verifications_of
from rules.results import Coverage, GateState
from schemas.gauge_checks import GaugeCheck
from schemas.readings import GaugeReading
from schemas.shop import OLDEST_VERIFICATION
from schemas.vocabulary import CheckKind

_Found = TypeVar("_Found")
#: What the gate says where no check next to a reading failed.
_NONE_FAILED: Final = (GateState.COVERED, GateState.OPEN)


def found_with_checks(
    archive: Archive,
    gauge_serial: str,
    readings: Sequence[GaugeReading],
    find: Callable[[tuple[GaugeCheck, ...]], _Found],
    coverage_of: Callable[[_Found], Coverage],
) -> tuple[tuple[GaugeCheck, ...], _Found]:
    """Return the checks around *readings* and what *find* makes of them: as of all that there are, without reading all.

    Those of ten years take seconds to read. They are needed where what stands around the readings names no check before
    them, for then the gate names the last one that there was, however long ago; and so with what came much later.

    Args:
        archive: The shop's.
        gauge_serial: The gauge that took the readings.
        readings: All of one inspection.
        find: What is asked of the checks, calibrations among them and studies not.
        coverage_of: What the gate says in it.

    Raises:
        IntegrityFailed, BadInput: As ``Archive.checks``.
    """
    spans = _wider_and_wider([r.taken_at for r in readings])
    checks = _read(archive, gauge_serial, next(spans))
    found = find(checks)
    for since, before in spans:
        coverage = coverage_of(found)
        # What is older than the check before the readings decides nothing, nor what is later than the one after them.
        if _earlier_ones_named(coverage, checks) if since is None else _later_ones_named(coverage):
            continue
        wider = _read(archive, gauge_serial, (since, before))
        # Each span holds the one before it: as many are the same ones.
        if len(wider) > len(checks):
            checks, found = wider, find(wider)
    return checks, found


def bearing_checks(readings: Sequence[GaugeReading], checks: Sequence[GaugeCheck]) -> tuple[GaugeCheck, ...]:
    """Return the checks that can decide about *readings*: every calibration, and what was done from the
    oldest verification that a policy allows up to the first one after the last reading, in each mode."""
    if not readings:
        return tuple(checks)
    first, last = min(r.taken_at for r in readings), max(r.taken_at for r in readings)
    ends = []
    for mode in {r.probe_mode for r in readings}:
        after = [
            c.done_at
            for c in checks
            if c.kind == CheckKind.VERIFICATION and c.probe_mode in (mode, None) and c.done_at > last
        ]
        ends.append(min(after, default=None))
    until = None if None in ends else max(e for e in ends if e is not None)
    return tuple(
        c
        for c in checks
        if c.kind == CheckKind.CALIBRATION
        or (c.done_at >= first - OLDEST_VERIFICATION and (until is None or c.done_at <= until))
    )


_Span = tuple[datetime | None, datetime | None]


def _wider_and_wider(taken_at: Sequence[datetime]) -> Iterator[_Span]:
    """Yield the time of the checks that can cover readings; then of those too that came much later; then all time."""
    if taken_at:
        since = min(taken_at) - OLDEST_VERIFICATION
        yield since, max(taken_at) + OLDEST_VERIFICATION
        yield since, None
    yield None, None


def _read(archive: Archive, gauge_serial: str, span: _Span) -> tuple[GaugeCheck, ...]:
    known = archive.checks(gauge_serial, *span, lasting=(CheckKind.CALIBRATION,))
    # A study says how a gauge and its hands repeat; it covers no reading.
    return tuple(c for c in known if c.kind != CheckKind.STUDY)


def _later_ones_named(coverage: Coverage) -> bool:
    return all(of.closing_check_id for of in coverage.readings)


def _earlier_ones_named(coverage: Coverage, checks: Sequence[GaugeCheck]) -> bool:
    """Return whether nothing is told of the checks before the readings that older ones could change."""
    if not all(of.opening_check_id for of in coverage.readings):
        return False
    # Next to a failed check the last one that passed is named, however long ago.
    if not coverage.readings or coverage.state in _NONE_FAILED or coverage.last_good is not None:
        return True
    # So it is where each that failed has one that passed before it among these.
    oldest = {one.probe_mode: one for one in reversed(verifications_of(checks))}
    return all(one.passed for one in oldest.values())

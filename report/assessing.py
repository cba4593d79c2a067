"""From the archive to one assessed inspection: what bears on it, and what it comes to."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from archive.store import Archive
from report.evidence import Evidence
from report.lot_series import Judge, lot_terms, shown_before, standing_before
from report.shop_history import recoat_differences
from rules.assessment import assess
from rules.lot_judgement import LotTerms
from rules.lots import Standing
from rules.recoat import added_build
from rules.results import Assessment, GateState
from rules.verdict import Verdict
from schemas.gauge_checks import GaugeCheck
from schemas.inspections import Inspection
from schemas.job import Job
from schemas.readings import GaugeReading
from schemas.shop import OLDEST_VERIFICATION, Shop
from schemas.vocabulary import CheckKind


@dataclass(frozen=True, slots=True)
class Assessed:
    """An inspection, what it is judged by, and what came out."""

    evidence: Evidence
    assessment: Assessment


def assessed(archive: Archive, inspection: Inspection) -> Assessed:
    """Return *inspection* judged by its own job and policy, by every check that bears on it and the lots before its own."""
    job = Job.from_json(inspection.job_json)
    if job.sampling is None:
        return _assessed(archive, inspection, None)
    state = series_before(archive, job, inspection.customer, inspection.inspection_id)
    before = shown_before(archive, inspection, _judge_in(archive))
    return _assessed(archive, inspection, lot_terms(inspection, state, before))


def series_before(archive: Archive, job: Job, customer: str, before: str | None) -> Standing | None:
    """Return how the series of lots of *job* stands before an inspection, or now; None where it has none."""
    return standing_before(archive, job, customer, before, _judge_in(archive))


def _judge_in(archive: Archive) -> Judge:
    def judged(inspection: Inspection, terms: LotTerms) -> tuple[Evidence, Assessment]:
        case = _assessed(archive, inspection, terms)
        return case.evidence, case.assessment

    return judged


def _assessed(archive: Archive, inspection: Inspection, lot: LotTerms | None) -> Assessed:
    readings = archive.reading_records(inspection.inspection_id, inspection.revision)
    evidence = Evidence(
        shop=Shop.from_json(inspection.shop_json),
        job=Job.from_json(inspection.job_json),
        inspection=inspection,
        readings=tuple(readings),
        checks=(),
        lot=lot,
    )
    for checks in _wider_and_wider(archive, inspection.gauge_serial, [r.taken_at for r in readings]):
        evidence = replace(evidence, checks=checks)
        whole = judge(evidence)
        if all(of.opening_check_id and of.closing_check_id for of in whole.coverage.readings) and (
            whole.coverage.state is not GateState.SUSPECT or whole.coverage.last_good is not None
        ):
            break
    if evidence.job.recoat is not None and any(f.verdict is Verdict.FAIL for f in whole.about_pieces):
        # Only what misses asks what a further coat would add.
        differences = recoat_differences(archive, evidence.job, inspection.inspection_id)
        evidence = replace(evidence, added=added_build(differences, evidence.job.unit))
        whole = judge(evidence)
    bearing = replace(evidence, checks=bearing_checks(readings, evidence.checks))
    few = judge(bearing)
    # A sentence may cite an older check; then all are kept, so that the evidence gives the same again.
    return Assessed(bearing, few) if few == whole else Assessed(evidence, whole)


def _wider_and_wider(
    archive: Archive, gauge_serial: str, taken_at: Sequence[datetime]
) -> Iterator[tuple[GaugeCheck, ...]]:
    """Yield the checks that can cover readings; then those too that came much later; then all that there are.

    Those of ten years take seconds to read. They are needed where what stands around the readings names no check before or after
    them, for then the gate names the last one that there was, however long ago.
    """
    first, last = min(taken_at, default=None), max(taken_at, default=None)
    spans: list[tuple[datetime | None, datetime | None]] = [(None, None)]
    if first is not None and last is not None:
        spans = [(first - OLDEST_VERIFICATION, last + OLDEST_VERIFICATION), (first - OLDEST_VERIFICATION, None), *spans]
    for since, before in spans:
        known = archive.checks(gauge_serial, since, before, lasting=(CheckKind.CALIBRATION,))
        # A study says how a gauge and its hands repeat; it covers no reading.
        yield tuple(c for c in known if c.kind != CheckKind.STUDY)


def judge(evidence: Evidence) -> Assessment:
    """Return what the rules say of *evidence*."""
    inspection = evidence.inspection
    return assess(
        evidence.job,
        evidence.shop,
        evidence.readings,
        evidence.checks,
        coats=inspection.coats,
        bakes=inspection.bakes,
        lot=evidence.lot,
        added=evidence.added,
    )


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

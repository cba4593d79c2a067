"""From the archive to one assessed inspection: what bears on it, and what it comes to."""

from __future__ import annotations

from dataclasses import dataclass, replace

from archive.store import Archive
from report.checks_around import bearing_checks, found_with_checks
from report.evidence import Evidence
from report.lot_series import Judge, lot_terms, shown_before, standing_before
from report.shop_history import recoat_differences
from rules.assessment import assess
from rules.lot_judgement import LotTerms
from rules.lots import Standing
from rules.recoat import added_build
from rules.results import Assessment
from rules.verdict import Verdict
from schemas.inspections import Inspection
from schemas.job import Job
from schemas.shop import Shop


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
    checks, whole = found_with_checks(
        archive,
        inspection.gauge_serial,
        readings,
        lambda checks: judge(replace(evidence, checks=checks)),
        lambda assessment: assessment.coverage,
    )
    evidence = replace(evidence, checks=checks)
    if evidence.job.recoat is not None and any(f.verdict is Verdict.FAIL for f in whole.about_pieces):
        # Only what misses asks what a further coat would add.
        differences = recoat_differences(archive, evidence.job, inspection.inspection_id)
        evidence = replace(evidence, added=added_build(differences, evidence.job.unit))
        whole = judge(evidence)
    bearing = replace(evidence, checks=bearing_checks(readings, evidence.checks))
    few = judge(bearing)
    # A sentence may cite an older check; then all are kept, so that the evidence gives the same again.
    return Assessed(bearing, few) if few == whole else Assessed(evidence, whole)


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

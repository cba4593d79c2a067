"""The verdict of every inspection of an archive: many at once where their rule allows it, else one by one."""

from __future__ import annotations

from dataclasses import dataclass

import pyarrow as pa

from archive.store import Archive
from report.assessing import assessed
from rules.many import NEEDED, Screened, assess_many
from rules.results import GateState
from rules.screening import screenable
from rules.verdict import Verdict
from schemas.gauge_checks import GaugeCheck
from schemas.inspections import Inspection
from schemas.job import Job
from schemas.shop import Shop
from schemas.vocabulary import CheckKind


@dataclass(frozen=True, slots=True)
class Summary:
    """What one inspection comes to."""

    inspection: Inspection
    verdict: Verdict
    state: GateState


def every_verdict(archive: Archive) -> list[Summary]:
    """Return what every inspection of *archive* comes to, in its valid revision, oldest commit first."""
    inspections = archive.inspections()
    at_once = _at_once(archive, inspections)
    found = []
    for inspection in inspections:
        screened = at_once.get(inspection.inspection_id)
        if screened is not None:
            found.append(Summary(inspection, screened.verdict, screened.state))
        else:
            case = assessed(archive, inspection)
            found.append(Summary(inspection, case.assessment.verdict, case.assessment.coverage.state))
    return found


def _at_once(archive: Archive, inspections: list[Inspection]) -> dict[str, Screened | None]:
    groups: dict[tuple[str, str], list[Inspection]] = {}
    for inspection in inspections:
        groups.setdefault((inspection.job_json, inspection.shop_json), []).append(inspection)
    checks: list[GaugeCheck] | None = None
    found: dict[str, Screened | None] = {}
    for (job_json, shop_json), group in groups.items():
        job, shop = Job.from_json(job_json), Shop.from_json(shop_json)
        if not screenable(job, shop):
            continue
        if checks is None:
            checks = [c for c in archive.checks() if c.kind != CheckKind.STUDY]
        readings = pa.concat_tables([archive.readings(i.inspection_id, i.revision).select(list(NEEDED)) for i in group])
        found.update(assess_many(job, shop, readings, checks))
    return found

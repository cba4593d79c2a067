"""An assessment as plain JSON, a history as lines of plain text. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import asdict
from typing import Any
from zoneinfo import ZoneInfo

from archive.index import ListedInspection
from report.assessing import Assessed
from report.evidence import flagged
from report.figures import VERDICT_WORDS, moment, places_of
from report.spread import spread_json
from report.terminal_text import table
from report.view import advice_block, all_findings, build_row
from rules.film_build import is_judged
from rules.lot_judgement import LotStatement
from rules.uncertainty import Budget
from rules.verdict import Verdict
from schemas.certificates import Certificate
from schemas.inspections import Inspection


def assessment_json(case: Assessed) -> dict[str, Any]:
    """Return an assessment as plain JSON; exact numbers are fractions or decimals written out."""
    inspection, assessment = case.evidence.inspection, case.assessment
    places = places_of((r for r in case.evidence.readings if is_judged(r)), assessment.unit)
    return {
        "inspection_id": inspection.inspection_id,
        "revision": inspection.revision,
        "part_no": inspection.part_no,
        "lot": inspection.lot,
        "rule": assessment.rule.name,
        "unit": assessment.unit.value,
        "verdict": assessment.verdict.name,
        "conformity": assessment.conformity.name,
        "gate": {
            "state": assessment.coverage.state.value,
            "sentence": assessment.coverage.sentence,
            "readings_not_covered": assessment.coverage.doubtful,
            "opening": assessment.coverage.opening.check_id if assessment.coverage.opening else None,
            "closing": assessment.coverage.closing.check_id if assessment.coverage.closing else None,
            "last_good": assessment.coverage.last_good.check_id if assessment.coverage.last_good else None,
        },
        "locations": [
            {
                **asdict(build_row(place, places, assessment.unit)),
                "verdict": place.verdict.name,
                "conditional": place.conditional,
                "uncertainty_um": _budget_json(place.uncertainty),
                "uncertainty_of_one_reading_um": _budget_json(place.one_reading),
                "risk": None if place.risk is None else float(place.risk),
            }
            for place in assessment.locations
        ],
        "findings": [
            {
                "verdict": f.verdict.name,
                "check": f.check,
                "location": f.location,
                "piece": f.piece,
                "sentence": f.sentence,
            }
            for f in all_findings(assessment)
        ],
        "correction": assessment.correction or None,
        "unusual": [
            {
                "reading": flag.number,
                "piece": flag.piece,
                "location": flag.location,
                "distance": float(flag.distance),
                "critical": float(flag.critical),
                "sentence": flag.sentence,
            }
            for flag in flagged(case.evidence, assessment)
        ],
        "variance_components": spread_json(case.evidence, assessment),
        "lot_plan": None if assessment.lot is None else _lot_json(assessment.lot),
        "set_apart": list(assessment.set_apart),
        "advice": [{**asdict(advice_block(a)), "rank": a.rank} for a in assessment.advice],
    }


def _budget_json(budget: Budget | None) -> dict[str, Any] | None:
    if budget is None:
        return None
    return {
        "components": [
            {"name": c.name, "type": c.kind.value, "standard": float(c.standard), "how": c.how}
            for c in budget.components
        ],
        "combined": float(budget.combined),
        "effective_degrees_of_freedom": None if budget.effective_degrees is None else float(budget.effective_degrees),
        "coverage": float(budget.coverage),
        "factor": float(budget.factor),
        "expanded": float(budget.expanded),
    }


def _lot_json(lot: LotStatement) -> dict[str, Any]:
    return {
        "scheme": lot.scheme.value,
        "pieces_to_measure": lot.n,
        "plan": lot.text,
        "source": lot.source,
        "known": lot.known,
        "series": lot.series,
        "chosen": lot.chosen,
        "risk": lot.risk,
    }


def history_rows(
    inspections: Iterable[Inspection | ListedInspection], certificates: Iterable[Certificate]
) -> list[dict[str, Any]]:
    """Return one plain row per inspection, oldest first, with its newest certificate."""
    newest: dict[str, Certificate] = {}
    for certificate in certificates:
        known = newest.get(certificate.inspection_id)
        if known is None or certificate.revision > known.revision:
            newest[certificate.inspection_id] = certificate
    rows = []
    for one in inspections:
        issued = newest.get(one.inspection_id)
        rows.append(
            {
                "sealed_at": one.sealed_at.isoformat(timespec="seconds"),
                "inspection_id": one.inspection_id,
                "revision": one.revision,
                "customer": one.customer,
                "purchase_order": one.purchase_order,
                "part_no": one.part_no,
                "lot": one.lot,
                "gauge_serial": one.gauge_serial,
                "readings_counted": one.readings_counted,
                "conformity": one.conformity,
                "certificate": f"{issued.number} r{issued.revision}" if issued else None,
                "certified_revision": issued.inspection_revision if issued else None,
            }
        )
    return rows


def history_lines(rows: Sequence[dict[str, Any]], zone: ZoneInfo, days_meant: str = "") -> list[str]:
    """Return history rows as a table, or one line that there is none, with *days_meant*: which days were asked for."""
    from datetime import datetime

    if not rows:
        return [f"no sealed inspection matches{days_meant}"]
    head = ("sealed", "inspection", "customer", "part", "lot", "readings say", "certificate")
    cells = []
    for row in rows:
        issued = row["certificate"] or "none"
        if row["certificate"] and row["certified_revision"] != row["revision"]:
            issued += f" (of revision {row['certified_revision']})"
        revision = f" r{row['revision']}" if row["revision"] > 1 else ""
        cells.append(
            (
                moment(datetime.fromisoformat(row["sealed_at"]), zone),
                f"{row['inspection_id']}{revision}",
                row["customer"],
                row["part_no"],
                row["lot"],
                VERDICT_WORDS[Verdict[row["conformity"]]],
                issued,
            )
        )
    return [line.replace("\u00a0", " ") for line in table([head, *cells])]

"""An assessment, a history and a verification as lines of plain text, and as plain JSON. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import asdict
from typing import Any
from zoneinfo import ZoneInfo

from report.assessing import Assessed
from report.figures import VERDICT_WORDS, moment, places_of
from report.verifying import VerificationReport
from report.view import advice_block, all_findings, build_row
from rules.film_build import is_judged
from rules.results import GateState
from rules.verdict import Verdict
from schemas.certificates import Certificate
from schemas.inspections import Inspection


def assessment_lines(case: Assessed) -> list[str]:
    """Return an assessment as it is read at the bench: verdict, builds, gate, findings, advice."""
    inspection, assessment = case.evidence.inspection, case.assessment
    unit = assessment.unit.symbol
    places = places_of((r for r in case.evidence.readings if is_judged(r)), assessment.unit)
    rows = [build_row(place, places, assessment.unit) for place in assessment.locations]
    head = ("location", "limits", "n", "mean", "least", "greatest", "s", "U", "verdict")
    cells = [
        (r.location, r.limits, r.count, r.mean, r.least, r.greatest, r.deviation, r.expanded, r.verdict) for r in rows
    ]
    lines = [
        f"inspection {inspection.inspection_id} revision {inspection.revision}, part {inspection.part_no}, lot {inspection.lot}: "
        f"{VERDICT_WORDS[assessment.verdict].upper()}",
        f"rule: {assessment.rule.title}",
        f"gauge: {assessment.coverage.state}. {assessment.coverage.sentence}",
    ]
    if assessment.coverage.state is not GateState.COVERED:
        lines.append(f"by the readings alone: {VERDICT_WORDS[assessment.conformity]}")
    lines += ["", f"film build in {unit}", *table([head, *cells], right={2, 3, 4, 5, 6, 7})]
    open_findings = [f for f in all_findings(assessment) if f.verdict is not Verdict.PASS or f.conditional]
    if open_findings:
        lines += ["", "findings", *(f"  {f.sentence}" for f in open_findings)]
    for advice in assessment.advice:
        block = advice_block(advice)
        lines += ["", f"advice: {block.action}. {block.sentence}", *(f"  because: {r}" for r in block.reasons)]
        lines += [f"  ask first: {a}" for a in block.ask_first]
        lines += [f"  caution: {c.text} ({c.authority})" for c in block.cautions]
    return [line.replace("\u00a0", " ") for line in lines]


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
            {**asdict(build_row(place, places, assessment.unit)), "verdict": place.verdict.name}
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
        "advice": [asdict(advice_block(a)) for a in assessment.advice],
    }


def history_rows(inspections: Iterable[Inspection], certificates: Iterable[Certificate]) -> list[dict[str, Any]]:
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


def history_lines(rows: Sequence[dict[str, Any]], zone: ZoneInfo) -> list[str]:
    """Return history rows as a table, or one line that there is none."""
    from datetime import datetime

    if not rows:
        return ["no sealed inspection matches"]
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


def verification_lines(found: VerificationReport) -> list[str]:
    """Return a verification as lines: one per part, then what the certificate states."""
    words = {Verdict.PASS: "holds", Verdict.UNDECIDED: "not shown", Verdict.FAIL: "REFUSED"}
    width = max(len(p.name) for p in found.parts)
    lines = [f"{p.name:<{width}}  {words[p.verdict]:<9}  {p.sentence}" for p in found.parts]
    if found.number is not None:
        lines.append(f"certificate {found.number}, states: {found.states}")
    return [line.replace("\u00a0", " ") for line in lines]


def table(rows: Sequence[Sequence[str]], right: Iterable[int] = ()) -> list[str]:
    """Return *rows* of equal length as lines with aligned columns; columns in *right* are flush right."""
    flush = set(right)
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    return [
        "  "
        + "  ".join(
            cell.rjust(width) if i in flush else cell.ljust(width)
            for i, (cell, width) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in rows
    ]

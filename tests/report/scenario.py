"""Evidence of our own making for the tests of report: shop, people, part and readings are invented."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from typing import Any

from report.evidence import Evidence, IssueFacts
from schemas.gauge_checks import GaugeCheck
from schemas.inspections import Inspection
from schemas.job import Job
from schemas.readings import GaugeReading
from schemas.shop import Shop
from schemas.units import Unit, to_um

BEGAN = datetime(2026, 3, 4, 13, 5, tzinfo=UTC)
ISSUED = datetime(2026, 3, 4, 16, 30, tzinfo=UTC)

PLACES = (
    "Front face", "Back face", "Left edge", "Right edge", "Top rim", "Bottom rim",
    "Hinge side", "Latch side", "Inner corner", "Weld seam", "Sliding fit", "Hidden back",
)  # fmt: skip
ROLES = (
    "visible",
    "visible",
    "edge",
    "edge",
    "visible",
    "visible",
    "other",
    "other",
    "hidden",
    "other",
    "fit",
    "hidden",
)


def shop(**changes: Any) -> Shop:
    """Return an invented shop."""
    content: dict[str, Any] = {
        "name": "Marlowe Lane Powder Works",
        "address": "7 Marlowe Lane, Eastfold",
        "contact": "quality@marlowelane.example",
        "code": "MLP",
        "time_zone": "Europe/Berlin",
        "gauge": [
            {
                "serial": "G-204", "name": "bench gauge", "probe_modes": ["magnetic", "eddy-current"],
                "calibration_certificate": "K-2025-118", "calibrated_by": "Harrow Measuring Laboratory",
                "calibrated_on": date(2025, 11, 3), "calibration_due": date(2026, 11, 3),
                "accuracy_um": Decimal("1.0"), "accuracy_percent": Decimal(1),
            }
        ],
        "standard": [
            {"serial": "S-0", "certified_um": Decimal(0), "expanded_u_um": Decimal("0.2"), "certificate": "S-0/25", "due": date(2027, 1, 31)},
            {"serial": "S-50", "certified_um": Decimal("49.8"), "expanded_u_um": Decimal("0.5"), "certificate": "S-50/25", "due": date(2027, 1, 31)},
            {"serial": "S-250", "certified_um": Decimal("251.5"), "expanded_u_um": Decimal("1.2"), "certificate": "S-250/25", "due": date(2027, 1, 31)},
        ],
        "inspector": [
            {"code": "IDA", "name": "Ida Brandt", "role": "inspector", "independent_of_production": True, "identity": "identities/IDA.p12"},
            {"code": "TOM", "name": "Tomasz Żółkiewski", "role": "quality manager", "independent_of_production": True},
        ],
    }  # fmt: skip
    return Shop.checked(content | changes, "shop.toml")


def job(names: Sequence[str] = PLACES, unit: str = "um", **changes: Any) -> Job:
    """Return a job with one location per name, five readings each."""
    bounds = ("60", "70", "100", "120") if unit == "um" else ("2.4", "2.8", "3.9", "4.7")
    lower, target_low, target_high, upper = map(Decimal, bounds)
    content: dict[str, Any] = {
        "title": "Cabinet door, left",
        "customer": "Fenwick Cabinets",
        "customer_address": "Dock Road 12, Northaven",
        "part_no": "FC-1180-L",
        "part_revision": "C",
        "substrate": "steel sheet 1.5 mm, cold rolled",
        "pretreatment": "zirconium, 5 stages",
        "powder": "PX-7016 smooth matt",
        "specification": "drawing FC-1180-L, note 4",
        "probe_mode": "magnetic",
        "unit": unit,
        "rule": {"name": "every-reading"},
        "location": [
            {
                "name": name, "role": ROLES[i % len(ROLES)], "lower": lower, "target_low": target_low,
                "target_high": target_high, "upper": upper, "spots": 1, "readings_per_spot": 5,
            }
            for i, name in enumerate(names)
        ],
    }  # fmt: skip
    return Job.checked(content | changes, "jobs/door.toml")


def figures(places: int, each: int, unit: str = "um") -> list[list[str]]:
    """Return readings as a gauge shows them: spread over the window, none outside."""
    rows = [[Decimal(720 + (i * 37 + k * 61 + i * k * 7) % 290) / 10 for k in range(each)] for i in range(places)]
    if unit == "um":
        return [[f"{v:.1f}" for v in row] for row in rows]
    return [[f"{v / Decimal('25.4'):.2f}" for v in row] for row in rows]


def evidence(
    of_job: Job | None = None,
    of_shop: Shop | None = None,
    shown: Sequence[Sequence[str]] | None = None,
    checks: Sequence[GaugeCheck] | None = None,
    inspection: dict[str, Any] | None = None,
    reading: dict[int, dict[str, Any]] | None = None,
) -> Evidence:
    """Return a whole inspection.

    Args:
        of_job: The job; twelve locations by default.
        of_shop: The shop.
        shown: Figures per location; five each by default.
        checks: The gauge's checks; an opening and a closing one by default.
        inspection: Fields of the inspection that differ.
        reading: Fields of single readings that differ, by number.
    """
    of_job, of_shop = of_job or job(), of_shop or shop()
    shown = shown or figures(len(of_job.location), 5, of_job.unit.value)
    rows: list[GaugeReading] = []
    for place, row in zip(of_job.location, shown, strict=True):
        for figure in row:
            number = len(rows) + 1
            rows.append(
                GaugeReading(
                    inspection_id="260304-door", revision=1, reading_no=number,
                    taken_at=BEGAN + timedelta(seconds=11 * number), clock="computer", shop=of_shop.name,
                    customer=of_job.customer, purchase_order="PO 4471, line 2", work_order="W-901",
                    part_no=of_job.part_no, part_revision=of_job.part_revision, lot="L-2231", lot_size=40,
                    rack="R3", rack_position=None, powder="PX-7016", powder_batch="B-88120", coat_stage="total",
                    sprayer="OLE", inspector="IDA", piece="1", location=place.name, role=place.role.value, spot=1,
                    thickness_um=to_um(Decimal(figure), Unit(of_job.unit)), shown=figure, unit=of_job.unit.value,
                    raw_line=f"{number:04} {figure} {of_job.unit.value}", base_metal_um=None, gauge_serial="G-204",
                    probe_mode="magnetic", opening_check_id="C-1", specification_unit=of_job.unit.value,
                    lower=place.lower, target_low=place.target_low, target_high=place.target_high, upper=place.upper,
                    counted=True, excluded_reason=None, excluded_by=None, source="typed", profile="plain",
                )
            )  # fmt: skip
    for number, changes in (reading or {}).items():
        rows[number - 1] = dataclasses.replace(rows[number - 1], **changes)
    counted = [r for r in rows if r.counted]
    fields: dict[str, Any] = {
        "inspection_id": "260304-door", "revision": 1, "sealed_at": BEGAN + timedelta(hours=1), "sealed_by": "IDA",
        "shop": of_shop.name, "customer": of_job.customer, "purchase_order": "PO 4471, line 2", "work_order": "W-901",
        "part_no": of_job.part_no, "part_revision": of_job.part_revision, "lot": "L-2231", "lot_size": 40,
        "job": "door", "gauge_serial": "G-204", "probe_mode": "magnetic", "coats": 1, "bakes": 1,
        "pieces_measured": len({r.piece for r in counted}), "readings_counted": len(counted),
        "readings_excluded": len(rows) - len(counted), "conformity": "PASS", "findings_json": "[]",
        "job_json": of_job.to_json(), "shop_json": of_shop.to_json(), "checks_json": "[]", "profile_json": "{}",
        "other_lines_json": "[]", "notes_json": "[]", "capture_sha256": "00" * 32, "supersedes": None,
        "superseded_why": None,
    }  # fmt: skip
    return Evidence(
        of_shop,
        of_job,
        Inspection(**(fields | (inspection or {}))),
        tuple(rows),
        tuple(opening() + closing() if checks is None else checks),
    )


def opening(at: datetime = BEGAN - timedelta(minutes=5), error: str = "0.2", within: bool = True) -> list[GaugeCheck]:
    """Return a check on three standards before the readings."""
    return _check("C-1", "opening", at, error, within)


def closing(at: datetime = BEGAN + timedelta(minutes=30), error: str = "0.3", within: bool = True) -> list[GaugeCheck]:
    """Return a check on three standards after the readings."""
    return _check("C-2", "closing", at, error, within)


def _check(name: str, occasion: str, at: datetime, error: str, within: bool) -> list[GaugeCheck]:
    rows = []
    for standard in shop().standard:
        mean = standard.certified_um + Decimal(error)
        tolerance = (
            (Decimal(1) + standard.certified_um / 100) ** 2 + standard.expanded_u_um**2
        ).sqrt().quantize(Decimal("0.0001"))  # fmt: skip
        rows.append(
            GaugeCheck(
                check_id=name, kind="verification", occasion=occasion, gauge_serial="G-204", probe_mode="magnetic",
                done_at=at, done_by="IDA", temperature_c=Decimal("21.0"), standard_id=standard.serial,
                certified_um=standard.certified_um, certified_u_um=standard.expanded_u_um, standard_due=standard.due,
                readings_um=[mean, mean, mean], unit="um", mean_um=mean, error_um=Decimal(error),
                tolerance_um=tolerance, tolerance_rule="root-sum-square", within=within, certificate_no=None, due=None,
                note=None,
            )
        )  # fmt: skip
    return rows


def facts(**changes: Any) -> IssueFacts:
    """Return the facts of a first issue."""
    given: dict[str, Any] = {
        "number": "MLP-260304-door",
        "revision": 1,
        "issued_at": ISSUED,
        "signer": "IDA",
        "key_sha256": "ab" * 32,
        "ledger_head": '{"bench1": [4, "aa"]}',
    }
    return IssueFacts(**(given | changes))

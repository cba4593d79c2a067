"""Inspections, checks and certificates of an invented shop, for the archive's tests and benches."""

from __future__ import annotations

import dataclasses
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any, Final

import pyarrow as pa

from archive.store import Archive
from schemas import parquet
from schemas.certificates import Certificate
from schemas.gauge_checks import GaugeCheck
from schemas.inspections import Inspection
from schemas.readings import READINGS, GaugeReading

START: Final = datetime(2026, 11, 3, 9, 15, 2, tzinfo=UTC)
_ALPHABET: Final = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"

_SHARED: Final[dict[str, Any]] = {
    "revision": 1,
    "shop": "Kestrel Lane Coating",
    "customer": "Ferrow Gate Works",
    "purchase_order": "4711/2",
    "work_order": "W-88",
    "part_no": "FG-20-114",
    "part_revision": "C",
    "lot": "L-77",
    "lot_size": 120,
    "gauge_serial": "G-1044",
    "probe_mode": "magnetic",
}


def inspection_id(number: int, at: datetime = START) -> str:
    """Return the identity of the inspection *number* that was started at *at*."""
    tail = "".join(_ALPHABET[number // 32**place % 32] for place in (3, 2, 1, 0))
    return f"{at:%Y%m%d-%H%M%S}-{tail}"


def inspection(number: int = 1, at: datetime = START, readings: int = 60, **changed: Any) -> Inspection:
    """Return the inspection *number*, started at *at* and sealed twenty minutes later."""
    whole = Inspection(
        **_SHARED,
        inspection_id=inspection_id(number, at),
        sealed_at=at + timedelta(minutes=20),
        sealed_by="TA",
        job="gate-post",
        coats=1,
        bakes=1,
        pieces_measured=-(-readings // 12),
        readings_counted=readings,
        readings_excluded=0,
        conformity="PASS",
        findings_json="[]",
        job_json='{"title":"Gate post, 80 × 80 mm","unit":"um"}' + " " * 2000,
        shop_json='{"name":"Kestrel Lane Coating"}' + " " * 1000,
        checks_json="[]",
        profile_json="{}",
        other_lines_json='[{"text":"--- over range\\t","why":"not a reading"}]',
        notes_json="[]",
        capture_sha256="ab" * 32,
        supersedes=None,
        superseded_why=None,
    )
    return dataclasses.replace(whole, **changed)


def reading_records(of: Inspection, thickness_um: Decimal = Decimal("70.5")) -> list[GaugeReading]:
    """Return the readings of *of*: as many as it says, twelve a piece."""
    return [
        GaugeReading(
            **{name: getattr(of, name) for name in _SHARED},
            inspection_id=of.inspection_id,
            reading_no=number + 1,
            taken_at=START + timedelta(milliseconds=2311 * number),
            clock="computer",
            rack="R3",
            rack_position=None,
            powder="P-7016",
            powder_batch="B-991",
            coat_stage="total",
            sprayer="KM",
            inspector="TA",
            piece=str(number // 12 + 1),
            location="front face",
            role="visible",
            spot=number % 12 + 1,
            thickness_um=thickness_um + Decimal(number) / 10,
            shown=str(thickness_um + Decimal(number) / 10),
            unit="um",
            raw_line=f"{thickness_um + Decimal(number) / 10} um",
            base_metal_um=None,
            opening_check_id="20261103-060000-0001",
            specification_unit="um",
            lower=Decimal("60"),
            target_low=Decimal("70"),
            target_high=Decimal("90"),
            upper=Decimal("120"),
            counted=True,
            excluded_reason=None,
            excluded_by=None,
            source="typed",
            profile="plain",
        )
        for number in range(of.readings_counted)
    ]


def readings(of: Inspection, thickness_um: Decimal = Decimal("70.5")) -> pa.Table:
    """Return the readings of *of* as a table."""
    return parquet.table_of(READINGS, reading_records(of, thickness_um))


def correction(of: Inspection, why: str = "two readings were taken on the wrong face") -> Inspection:
    """Return the next revision of *of*, sealed an hour later."""
    return dataclasses.replace(
        of,
        revision=of.revision + 1,
        supersedes=of.revision,
        superseded_why=why,
        sealed_at=of.sealed_at + timedelta(hours=1),
    )


def verification(
    check_id: str = "20261103-060000-0001", done_at: datetime = START - timedelta(hours=3), gauge: str = "G-1044"
) -> list[GaugeCheck]:
    """Return a verification of *gauge* on two standards."""
    return [
        GaugeCheck(
            check_id=check_id,
            kind="verification",
            occasion="opening",
            gauge_serial=gauge,
            probe_mode="magnetic",
            done_at=done_at,
            done_by="TA",
            temperature_c=Decimal("21.5"),
            standard_id=standard,
            certified_um=certified,
            certified_u_um=Decimal("0.5"),
            standard_due=date(2027, 5, 1),
            readings_um=[certified + Decimal("0.1"), certified, certified + Decimal("0.2")],
            unit="um",
            mean_um=certified + Decimal("0.1"),
            error_um=Decimal("0.1"),
            tolerance_um=Decimal("1.6"),
            tolerance_rule="root-sum-square",
            within=True,
            certificate_no=None,
            due=None,
            note=None,
        )
        for standard, certified in (("S-50", Decimal("49.8")), ("S-125", Decimal("124.6")))
    ]


def certificate(of: Inspection, ledger_head: str, **changed: Any) -> Certificate:
    """Return the certificate of *of*, issued ten minutes after it was sealed."""
    whole = Certificate(
        number=f"KLC-{of.inspection_id}",
        revision=of.revision,
        inspection_id=of.inspection_id,
        inspection_revision=of.revision,
        customer=of.customer,
        part_no=of.part_no,
        lot=of.lot,
        issued_at=of.sealed_at + timedelta(minutes=10),
        signer="TA",
        key_sha256="cd" * 32,
        pdf_sha256="ef" * 32,
        pdf_name=f"KLC-{of.inspection_id}-r{of.revision}.pdf",
        verdict="PASS",
        deviation=None,
        supersedes=None,
        superseded_why=None,
        ledger_head=ledger_head,
    )
    return dataclasses.replace(whole, **changed)


#: When the months of :func:`three_months` can be folded, all but the last.
FOLDED_AT: Final = datetime(2026, 11, 20, tzinfo=UTC)


def three_months(root: Path, readings_each: int = 6, inspections_each: int = 3) -> Archive:
    """Commit September, October and November 2026 of two benches to the archive at *root*: checks, inspections of two
    parts, a correction in the month after, and certificates.

    Returns:
        The archive, as bench1 sees it.
    """
    benches = Archive(root, "bench1"), Archive(root, "bench2")
    for month in (9, 10, 11):
        start = datetime(2026, month, 3, 9, 15, 2, tzinfo=UTC)
        checks = verification(f"{start:%Y%m%d}-060000-0001", start - timedelta(hours=3))
        benches[0].commit_checks(checks, start - timedelta(hours=3))
        for number in range(inspections_each):
            at = start + timedelta(days=number)
            bench = benches[number % 2]
            one = inspection(
                month * 100 + number, at, readings_each, part_no=f"FG-{number % 2}", lot=f"L-{month}-{number}"
            )
            bench.commit_inspection(one, readings(one, Decimal(60 + number)))
            if number == 0:
                bench.commit_certificate(certificate(one, bench.head()))
            if number == 1:  # corrected a month later, so that its revisions lie apart
                later = dataclasses.replace(correction(one), sealed_at=at + timedelta(days=29))
                if month < 11:
                    bench.commit_inspection(later, readings(later, Decimal(75)))
    return benches[0]


def everything(archive: Archive) -> dict[str, Any]:
    """Return all that an archive can be asked for, to be compared."""
    inspections = archive.inspections(all_revisions=True)
    return {
        "inspections": inspections,
        "valid": archive.inspections(),
        "readings": [archive.readings(one.inspection_id, one.revision).to_pylist() for one in inspections],
        "checks": archive.checks(),
        "certificates": archive.certificates(),
        "head": archive.head(),
    }

"""One whole record of each table, for tests that need rows and not a story."""

from __future__ import annotations

from datetime import UTC, date, datetime
from decimal import Decimal

from schemas.certificates import Certificate
from schemas.gauge_checks import GaugeCheck
from schemas.holds import Hold
from schemas.inspections import Inspection
from schemas.readings import GaugeReading
from schemas.tombstones import Tombstone

AT = datetime(2026, 11, 3, 9, 15, 2, 120_000, tzinfo=UTC)

READING = GaugeReading(
    inspection_id="20261103-091502-7KQ4",
    revision=1,
    reading_no=1,
    taken_at=AT,
    clock="computer",
    shop="Tannery Lane Powder Works",
    customer="Hollin and Wray Garden Works",
    purchase_order=None,
    work_order=None,
    part_no="HW-210",
    part_revision="C",
    lot="GL-1141",
    lot_size=12,
    rack=None,
    rack_position=None,
    powder=None,
    powder_batch=None,
    coat_stage="total",
    sprayer=None,
    inspector="mk",
    piece="1",
    location="front face",
    role="visible",
    spot=1,
    thickness_um=Decimal("79.2480"),
    shown="3.12",
    unit="mil",
    raw_line="3.12",
    base_metal_um=None,
    gauge_serial="FB-07",
    probe_mode="magnetic",
    opening_check_id=None,
    specification_unit="mil",
    lower=Decimal("2.0000"),
    target_low=None,
    target_high=None,
    upper=Decimal("5.0000"),
    counted=True,
    excluded_reason=None,
    excluded_by=None,
    source="typed",
    profile="typed",
)

CHECK = GaugeCheck(
    check_id="20261103-084500-4HJ5",
    kind="verification",
    occasion="opening",
    gauge_serial="FB-07",
    probe_mode="magnetic",
    done_at=AT,
    done_by="mk",
    temperature_c=Decimal("20.5"),
    standard_id="S-50",
    certified_um=Decimal("50.2000"),
    certified_u_um=Decimal("0.5000"),
    standard_due=date(2027, 5, 10),
    readings_um=[Decimal("50.4000"), Decimal("50.1000")],
    unit="um",
    mean_um=Decimal("50.2500"),
    error_um=Decimal("0.0500"),
    tolerance_um=Decimal("1.5830"),
    tolerance_rule="root-sum-square",
    within=True,
    certificate_no=None,
    due=None,
    note=None,
)

INSPECTION = Inspection(
    inspection_id="20261103-091502-7KQ4",
    revision=1,
    sealed_at=AT,
    sealed_by="mk",
    shop="Tannery Lane Powder Works",
    customer="Hollin and Wray Garden Works",
    purchase_order=None,
    work_order=None,
    part_no="HW-210",
    part_revision="C",
    lot="GL-1141",
    lot_size=12,
    job="gate-leaf",
    gauge_serial="FB-07",
    probe_mode="magnetic",
    coats=1,
    bakes=1,
    pieces_measured=1,
    readings_counted=1,
    readings_excluded=0,
    conformity="PASS",
    findings_json="[]",
    job_json="{}",
    shop_json="{}",
    checks_json="[]",
    profile_json="{}",
    other_lines_json="[]",
    notes_json="[]",
    capture_sha256="0" * 64,
    supersedes=None,
    superseded_why=None,
)

CERTIFICATE = Certificate(
    number="TLPW-20261103-091502-7KQ4",
    revision=1,
    inspection_id="20261103-091502-7KQ4",
    inspection_revision=1,
    customer="Hollin and Wray Garden Works",
    part_no="HW-210",
    lot="GL-1141",
    issued_at=AT,
    signer="mk",
    key_sha256="1" * 64,
    pdf_sha256="2" * 64,
    pdf_name="TLPW-20261103-091502-7KQ4-r1.pdf",
    verdict="PASS",
    deviation=None,
    supersedes=None,
    superseded_why=None,
    ledger_head="{}",
)

HOLD = Hold(
    hold_id="20261103-100000-H0LD",
    revision=1,
    state="set",
    customer="Hollin and Wray Garden Works",
    inspection_id=None,
    at=AT,
    by="mk",
    reason="a claim is open",
)

TOMBSTONE = Tombstone(
    removal_id="20370103-100000-G0NE",
    removed_table="readings",
    bench="bench1",
    seq=42,
    key="20261103-091502-7KQ4",
    revision=1,
    named_at=AT,
    record_hash="3" * 64,
    previous="4" * 64,
    content_sha256="5" * 64,
    rows=60,
    inspection_id="20261103-091502-7KQ4",
    lot="GL-1141",
    part_no="HW-210",
    customer="Hollin and Wray Garden Works",
    pdf_name=None,
    pdf_sha256=None,
    removed_at=datetime(2037, 1, 3, 10, 0, tzinfo=UTC),
    by="mk",
    reason="the retention is over",
    kept_until=date(2036, 11, 3),
    rule="10 years by the job",
)

RECORDS = {
    "readings": READING,
    "gauge_checks": CHECK,
    "inspections": INSPECTION,
    "certificates": CERTIFICATE,
    "holds": HOLD,
    "tombstones": TOMBSTONE,
}

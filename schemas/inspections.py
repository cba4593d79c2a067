"""inspections: one row per sealed inspection and revision; the record in a readings file's footer."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Final

import pyarrow as pa

from schemas.column import Column, Table
from schemas.readings import TIME


@dataclass(frozen=True, slots=True, kw_only=True)
class Inspection:
    """The readings taken for one lot under one job, as sealed."""

    inspection_id: Annotated[str, Column(pa.string(), "The inspection; also the stem of its certificate's number.")]
    revision: Annotated[int, Column(pa.int32(), "Revision, from 1; the highest is the valid one.")]
    sealed_at: Annotated[datetime, Column(TIME, "When the readings were sealed.", unit="UTC")]
    sealed_by: Annotated[str, Column(pa.string(), "Code of the person who sealed it.")]
    shop: Annotated[str, Column(pa.string(), "Name of the coating shop.")]
    customer: Annotated[str, Column(pa.string(), "Customer whose parts these are.")]
    purchase_order: Annotated[str | None, Column(pa.string(), "Customer's purchase order, with its line.")]
    work_order: Annotated[str | None, Column(pa.string(), "The shop's work order.")]
    part_no: Annotated[str, Column(pa.string(), "Customer's part number.")]
    part_revision: Annotated[str | None, Column(pa.string(), "Revision of the part's drawing.")]
    lot: Annotated[str, Column(pa.string(), "Lot: the parts judged together.")]
    lot_size: Annotated[int | None, Column(pa.int32(), "Number of pieces in the lot.", unit="pieces")]
    job: Annotated[str, Column(pa.string(), "Name of the job file.")]
    gauge_serial: Annotated[str, Column(pa.string(), "Serial number of the gauge.")]
    probe_mode: Annotated[str, Column(pa.string(), "Principle of the probe: magnetic or eddy-current.")]
    coats: Annotated[int, Column(pa.int32(), "Coats on the parts, this one included.", unit="coats")]
    bakes: Annotated[int, Column(pa.int32(), "Bakes of the parts, the last one included.", unit="bakes")]
    pieces_measured: Annotated[int, Column(pa.int32(), "Pieces with at least one counted reading.", unit="pieces")]
    readings_counted: Annotated[int, Column(pa.int32(), "Readings that are judged.", unit="readings")]
    readings_excluded: Annotated[
        int, Column(pa.int32(), "Readings kept but not judged, base metal readings included.", unit="readings")
    ]
    conformity: Annotated[
        str,
        Column(
            pa.string(),
            "What the readings show by the job's rule, the gauge aside: PASS, UNDECIDED or FAIL. Whether the gauge was right is decided from gauge_checks.",
        ),
    ]
    findings_json: Annotated[str, Column(pa.string(), "The findings behind conformity, as JSON.")]
    job_json: Annotated[str, Column(pa.string(), "The whole job as it was, as JSON.")]
    shop_json: Annotated[
        str, Column(pa.string(), "The shop's gauges, standards, inspectors and policy as they were, as JSON.")
    ]
    checks_json: Annotated[
        str,
        Column(
            pa.string(),
            "The gauge's checks known when sealed, as JSON: from 31 days before the first reading on, and the last calibration, adjustment and incident before that.",
        ),
    ]
    profile_json: Annotated[str, Column(pa.string(), "The line profile as it was, as JSON.")]
    other_lines_json: Annotated[
        str,
        Column(pa.string(), "Lines that came and are not readings, as JSON: a list of line_no, source, at, text, why."),
    ]
    notes_json: Annotated[
        str, Column(pa.string(), "Notes, skipped locations and what else was said, as JSON: a list of at, by, what.")
    ]
    capture_sha256: Annotated[str, Column(pa.string(), "SHA-256 of the capture's bytes.", unit="hex")]
    supersedes: Annotated[int | None, Column(pa.int32(), "Revision that this one supersedes; null for the first.")]
    superseded_why: Annotated[str | None, Column(pa.string(), "Why it supersedes; null for the first.")]


INSPECTIONS: Final = Table("inspections", 1, "One row per sealed inspection and revision.", Inspection)

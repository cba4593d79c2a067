"""readings: one row per gauge reading, wide, so that no reader ever needs a join."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from typing import Annotated, Final

import pyarrow as pa

from schemas.column import Column, Table

THICKNESS: Final = pa.decimal128(9, 4)
TIME: Final = pa.timestamp("ms", tz="UTC")


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeReading:
    """One gauge reading with the facts of its inspection."""

    inspection_id: Annotated[str, Column(pa.string(), "Inspection that the reading belongs to.")]
    revision: Annotated[int, Column(pa.int32(), "Revision of the inspection, from 1; the highest is the valid one.")]
    reading_no: Annotated[
        int, Column(pa.int32(), "Number of the reading within the inspection, from 1, in the order taken.")
    ]
    taken_at: Annotated[datetime, Column(TIME, "When the reading was taken or came in.", unit="UTC")]
    clock: Annotated[str, Column(pa.string(), "Whose clock gave taken_at: gauge, computer, or stated by a person.")]
    shop: Annotated[str, Column(pa.string(), "Name of the coating shop.")]
    customer: Annotated[str, Column(pa.string(), "Customer whose parts these are.")]
    purchase_order: Annotated[str | None, Column(pa.string(), "Customer's purchase order, with its line.")]
    work_order: Annotated[str | None, Column(pa.string(), "The shop's work order.")]
    part_no: Annotated[str, Column(pa.string(), "Customer's part number.")]
    part_revision: Annotated[str | None, Column(pa.string(), "Revision of the part's drawing.")]
    lot: Annotated[str, Column(pa.string(), "Lot: the parts judged together.")]
    lot_size: Annotated[int | None, Column(pa.int32(), "Number of pieces in the lot.", unit="pieces")]
    rack: Annotated[str | None, Column(pa.string(), "Rack on which the piece hung.")]
    rack_position: Annotated[str | None, Column(pa.string(), "Place of the piece on the rack.")]
    powder: Annotated[str | None, Column(pa.string(), "Powder: the shop's or supplier's code.")]
    powder_batch: Annotated[str | None, Column(pa.string(), "Batch of the powder.")]
    coat_stage: Annotated[
        str,
        Column(
            pa.string(),
            "What was on the metal when read: bare, zinc, earlier-coat, or total (everything up to the last coat).",
        ),
    ]
    sprayer: Annotated[str | None, Column(pa.string(), "Code of the person who sprayed.")]
    inspector: Annotated[str, Column(pa.string(), "Code of the person who measured.")]
    piece: Annotated[str, Column(pa.string(), "Piece within the lot.")]
    location: Annotated[str, Column(pa.string(), "Location on the piece, as the job names it.")]
    role: Annotated[str, Column(pa.string(), "Role of the location: visible, edge, hidden, fit, masked, other.")]
    spot: Annotated[int, Column(pa.int32(), "Spot within the location, from 1; its value is the mean of its readings.")]
    thickness_um: Annotated[
        Decimal,
        Column(
            THICKNESS,
            "Thickness that the gauge showed, converted exactly (1 mil = 25.4 µm). The film build is thickness_um less base_metal_um.",
            unit="µm",
        ),
    ]
    shown: Annotated[str, Column(pa.string(), "The figures as the gauge showed them, in the column unit.")]
    unit: Annotated[str, Column(pa.string(), "Unit of shown: um or mil.")]
    raw_line: Annotated[str, Column(pa.string(), "The line as it came from the gauge.")]
    base_metal_um: Annotated[
        Decimal | None,
        Column(
            THICKNESS,
            "What is subtracted: mean of the readings on the bare blasted metal, or of the zinc or the earlier coat read first; null where nothing is.",
            unit="µm",
        ),
    ]
    gauge_serial: Annotated[str, Column(pa.string(), "Serial number of the gauge.")]
    probe_mode: Annotated[str, Column(pa.string(), "Principle of the probe: magnetic or eddy-current.")]
    opening_check_id: Annotated[
        str | None,
        Column(pa.string(), "The last verification of this gauge and mode before the reading, as known when sealed."),
    ]
    specification_unit: Annotated[
        str,
        Column(
            pa.string(), "Unit of lower, target_low, target_high and upper, in which conformity is decided: um or mil."
        ),
    ]
    lower: Annotated[Decimal | None, Column(THICKNESS, "Lower limit of the location.", unit="specification_unit")]
    target_low: Annotated[
        Decimal | None,
        Column(THICKNESS, "Lower end of the target band; never decides conformity.", unit="specification_unit"),
    ]
    target_high: Annotated[
        Decimal | None,
        Column(THICKNESS, "Upper end of the target band; never decides conformity.", unit="specification_unit"),
    ]
    upper: Annotated[Decimal | None, Column(THICKNESS, "Upper limit of the location.", unit="specification_unit")]
    counted: Annotated[
        bool, Column(pa.bool_(), "Whether the reading is judged. False keeps it in sight with a reason.")
    ]
    excluded_reason: Annotated[str | None, Column(pa.string(), "Why the reading is not judged; null where it is.")]
    excluded_by: Annotated[str | None, Column(pa.string(), "Who said so; null where the reading is judged.")]
    source: Annotated[str, Column(pa.string(), "Where the line came from: typed, or file: and the file's name.")]
    profile: Annotated[str, Column(pa.string(), "Line profile that read the line.")]


READINGS: Final = Table("readings", 1, "One row per gauge reading, counted or not.", GaugeReading)

"""tombstones: what was removed from the archive once its retention was over, and by whose order."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from typing import Annotated, Final

import pyarrow as pa

from schemas.column import Column, Table
from schemas.readings import TIME


@dataclass(frozen=True, slots=True, kw_only=True)
class Tombstone:
    """One commit that was removed, with its place in its bench's chain."""

    removal_id: Annotated[str, Column(pa.string(), "The order by which it was removed.")]
    removed_table: Annotated[str, Column(pa.string(), "Table of the commit: readings, or certificates.")]
    bench: Annotated[str, Column(pa.string(), "Bench that had committed it.")]
    seq: Annotated[int, Column(pa.int32(), "Its number in that bench's ledger.")]
    key: Annotated[str, Column(pa.string(), "The inspection, or the number of the certificate.")]
    revision: Annotated[int, Column(pa.int32(), "Revision of what the key names.")]
    named_at: Annotated[datetime, Column(TIME, "The time in the name of its file.", unit="UTC")]
    record_hash: Annotated[str, Column(pa.string(), "SHA-256 of its ledger record.", unit="hex")]
    previous: Annotated[
        str, Column(pa.string(), "Hash of the bench's record before it, as its own record said.", unit="hex")
    ]
    content_sha256: Annotated[
        str, Column(pa.string(), "Hash of the canonical lines of its rows, as its record said.", unit="hex")
    ]
    rows: Annotated[int, Column(pa.int32(), "Number of rows that it held.", unit="rows")]
    inspection_id: Annotated[str, Column(pa.string(), "Inspection that it held, or that the certificate stated.")]
    lot: Annotated[str | None, Column(pa.string(), "Lot, as the removed revision or certificate had it.")]
    part_no: Annotated[str | None, Column(pa.string(), "Part number, likewise.")]
    customer: Annotated[str | None, Column(pa.string(), "Customer whose parts these were, likewise.")]
    pdf_name: Annotated[
        str | None, Column(pa.string(), "File name of the certificate that went with it; null where none did.")
    ]
    pdf_sha256: Annotated[
        str | None, Column(pa.string(), "Hash of that file as it was issued; null where none did.", unit="hex")
    ]
    removed_at: Annotated[datetime, Column(TIME, "When its removal was ordered.", unit="UTC")]
    by: Annotated[str, Column(pa.string(), "Code of the person who ordered it.")]
    reason: Annotated[str, Column(pa.string(), "Why, as that person said.")]
    kept_until: Annotated[date, Column(pa.date32(), "Last day on which it had to be kept.")]
    rule: Annotated[str, Column(pa.string(), "How that day came about, in words.")]


TOMBSTONES: Final = Table(
    "tombstones",
    1,
    "One row per commit that was removed when its retention was over; it stands in the chain for the commit.",
    Tombstone,
)

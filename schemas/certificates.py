"""certificates: the register of what was issued."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Final

import pyarrow as pa

from schemas.column import Column, Table
from schemas.readings import TIME


@dataclass(frozen=True, slots=True, kw_only=True)
class Certificate:
    """One issued certificate, in one revision."""

    number: Annotated[str, Column(pa.string(), "Number on the certificate.")]
    revision: Annotated[int, Column(pa.int32(), "Revision of the certificate, from 1.")]
    inspection_id: Annotated[str, Column(pa.string(), "Inspection that it states.")]
    inspection_revision: Annotated[int, Column(pa.int32(), "Revision of that inspection.")]
    customer: Annotated[str, Column(pa.string(), "Customer that it is for.")]
    part_no: Annotated[str, Column(pa.string(), "Part that it is for.")]
    lot: Annotated[str, Column(pa.string(), "Lot that it is for.")]
    issued_at: Annotated[datetime, Column(TIME, "When it was issued.", unit="UTC")]
    signer: Annotated[str, Column(pa.string(), "Code of the inspector who signed.")]
    key_sha256: Annotated[str, Column(pa.string(), "SHA-256 fingerprint of the signing certificate.", unit="hex")]
    pdf_sha256: Annotated[str, Column(pa.string(), "SHA-256 of the signed PDF.", unit="hex")]
    pdf_name: Annotated[str, Column(pa.string(), "File name of the PDF in the shop folder's certificates.")]
    verdict: Annotated[str, Column(pa.string(), "Verdict that it states: PASS, UNDECIDED or FAIL.")]
    deviation: Annotated[
        str | None,
        Column(pa.string(), "Deviation that it was issued under, with who stated it; null where none was needed."),
    ]
    supersedes: Annotated[
        int | None, Column(pa.int32(), "Revision of the certificate that this one supersedes; null for the first.")
    ]
    superseded_why: Annotated[str | None, Column(pa.string(), "Why it supersedes; null for the first.")]
    ledger_head: Annotated[
        str,
        Column(
            pa.string(),
            "The archive's ledger as of the issue: each bench's last sequence number and record hash, as JSON.",
        ),
    ]
    code: Annotated[
        str | None,
        Column(pa.string(), "Short code printed on it, by which a paper copy is found; null before version 2."),
    ] = None


CERTIFICATES: Final = Table("certificates", 2, "One row per issued certificate and revision.", Certificate)

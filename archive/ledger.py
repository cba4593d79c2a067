"""The ledger: each commit's record, chained per bench over the content of the rows. Pure.

A record lies in the footer of its commit's file, under RECORD_KEY, as canonical JSON: keys sorted,
no blanks, UTF-8. The record hash is the SHA-256 of that text; the next record of the same bench
holds it as `previous`, so that no record can be changed, taken out or put in without the later ones
showing it. The last records of a bench show it only against an anchor kept elsewhere: a ledger head.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, fields
from datetime import UTC, datetime
from typing import Any, Final

import pyarrow as pa

from schemas.errors import BadInput, IntegrityFailed
from schemas.inspections import INSPECTIONS, Inspection

#: The key of the record in a file's footer.
RECORD_KEY: Final = "filmtally.record"
#: What the first record of a bench holds as `previous`.
NO_RECORD: Final = "0" * 64


@dataclass(frozen=True, kw_only=True, slots=True)
class Record:
    """What one commit says of itself.

    Attributes:
        table: Table of the rows.
        table_version: Version of that table's schema; the content hash is over its columns.
        key: Inspection, check, or certificate number.
        revision: Revision of what the key names.
        bench: The bench that committed.
        seq: Number in the bench's ledger, from 1.
        committed_at: When, by the clock of the bench; UTC.
        named_at: The time in the file's name; later than committed_at where a clock was set back.
        previous: Hash of the bench's record before this one, or NO_RECORD.
        content_sha256: Hash of the canonical lines of the rows.
        rows: Number of rows.
        facts: The inspection's row, for readings; None for other tables, whose rows say all.
        facts_version: Version of the schema of facts; None without facts.
    """

    table: str
    table_version: int
    key: str
    revision: int
    bench: str
    seq: int
    committed_at: datetime
    named_at: datetime
    previous: str
    content_sha256: str
    rows: int
    facts: Mapping[str, Any] | None = None
    facts_version: int | None = None

    def text(self) -> str:
        """Return the record as it stands in the footer."""
        said = {field.name: getattr(self, field.name) for field in fields(self)}
        return canonical(said | {"committed_at": iso(self.committed_at), "named_at": iso(self.named_at)})


def record_of(text: str, where: str) -> Record:
    """Return the record that *text* is.

    Raises:
        IntegrityFailed: It is not a record, or not in canonical form; the sentence starts with *where*.
    """
    try:
        said = json.loads(text)
        record = Record(
            **{**said, "committed_at": time_of(said["committed_at"]), "named_at": time_of(said["named_at"])}
        )
        sound = record.text() == text and isinstance(record.seq, int) and isinstance(record.revision, int)
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
        sound = False
    if not sound:
        raise IntegrityFailed(f"{where}: its ledger record is not one; restore the file from a copy")
    return record


def record_hash(text: str) -> str:
    """Return the hash of the record that stands as *text* in a footer, as hex."""
    return hashlib.sha256(text.encode()).hexdigest()


def canonical(value: Any) -> str:
    """Return *value* as canonical JSON."""
    return json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)


def facts_of(inspection: Inspection) -> dict[str, Any]:
    """Return *inspection* as the facts of a record: times as text, the rest as it is.

    Raises:
        BadInput: A value is not what its column takes.
    """
    facts: dict[str, Any] = {}
    for c in INSPECTIONS.columns:
        value = getattr(inspection, c.name)
        if isinstance(value, datetime) and value.tzinfo is not None:
            value = iso(value)
        if not _fits(value, c.column.type, c.nullable):
            raise BadInput(
                f"inspections.{c.name}: {value!r} is not what the column takes, {c.column.type}"
                f"{' or nothing' if c.nullable else ''}; nothing was changed"
            )
        facts[c.name] = value
    return facts


def inspection_of(record: Record, where: str) -> Inspection:
    """Return the inspection that *record* holds.

    Raises:
        IntegrityFailed: It holds none; the sentence starts with *where*.
        BadInput: It was written by a newer version of this program.
    """
    if record.facts is None or not isinstance(record.facts_version, int):
        raise IntegrityFailed(f"{where}: its ledger record holds no inspection; restore the file from a copy")
    if record.facts_version > INSPECTIONS.version:
        raise BadInput(
            f"{where}: holds an inspection of version {record.facts_version}; this program knows up to "
            f"{INSPECTIONS.version}, use a newer one"
        )
    values: dict[str, Any] = {}
    for c in INSPECTIONS.columns:
        value = record.facts.get(c.name)
        if not _fits(value, c.column.type, c.nullable):
            raise IntegrityFailed(f"{where}: its inspection's {c.name} is {value!r}; restore the file from a copy")
        values[c.name] = time_of(str(value)) if pa.types.is_timestamp(c.column.type) else value
    return Inspection(**values)


def heads_of(anchor: str, where: str) -> dict[str, tuple[int, str]]:
    """Return each bench's last sequence number and record hash, as the ledger head *anchor* says.

    Raises:
        BadInput: *anchor* is not a ledger head; the sentence starts with *where*.
    """
    try:
        heads = {str(bench): (head["seq"], head["record"]) for bench, head in json.loads(anchor).items()}
        sound = all(type(seq) is int and seq > 0 and isinstance(held, str) for seq, held in heads.values())
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
        sound = False
    if not sound:
        raise BadInput(f"{where}: {anchor[:60]!r} is not a ledger head; copy it whole from the certificate")
    return heads


def iso(at: datetime) -> str:
    """Return *at* in UTC and milliseconds, as 2026-11-03T09:15:02.123Z."""
    return at.astimezone(UTC).replace(tzinfo=None).isoformat(timespec="milliseconds") + "Z"


def time_of(text: str) -> datetime:
    """Return the time that :func:`iso` wrote.

    Raises:
        ValueError: It did not write this.
    """
    at = datetime.fromisoformat(text.removesuffix("Z")).replace(tzinfo=UTC)  # strptime takes ten times as long
    if iso(at) != text:
        raise ValueError(f"{text!r} is not a time in UTC and milliseconds")
    return at


def _fits(value: object, kind: pa.DataType, nullable: bool) -> bool:
    if value is None:
        return nullable
    if pa.types.is_integer(kind):
        return type(value) is int and -(2**31) <= value < 2**31
    if pa.types.is_timestamp(kind):
        try:
            return isinstance(value, str) and iso(time_of(value)) == value
        except ValueError:
            return False
    return isinstance(value, str)

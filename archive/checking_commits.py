"""One commit, looked at: is its record in its place, are its rows those that were committed, do they say the same?"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from archive import stored
from archive.agreement import disagreement
from archive.ledger import RECORD_KEY, Record, inspection_of, record_hash, record_of
from archive.listing import Stored
from archive.opening import Vanished, reading
from archive.own_hash import OWN_HASH_KEY, is_as_hashed
from archive.segments import KEY_COLUMNS
from archive.troubles import Link, Trouble
from schemas import parquet
from schemas.certificates import CERTIFICATES, Certificate
from schemas.column import Table
from schemas.errors import IntegrityFailed
from schemas.readings import READINGS
from schemas.tables import COMMITTED
from schemas.tombstones import TOMBSTONES, Tombstone

#: What the key of each table names, but for readings.
_NAMED: Final = {"gauge_checks": "check", "certificates": "certificate", "holds": "hold", "tombstones": "order"}


@dataclass(frozen=True, slots=True)
class Examined:
    """What was found of one commit.

    Attributes:
        one: The commit.
        link: Its place in its bench's chain; None where its record cannot be read or belongs elsewhere.
        certificates: The certificates in its rows, where those hold and it is of that table.
        troubles: What is wrong with it.
        tombstones: The tombstones in its rows, as certificates.
    """

    one: Stored
    link: Link | None
    certificates: tuple[Certificate, ...]
    troubles: tuple[Trouble, ...]
    tombstones: tuple[Tombstone, ...] = ()

    def without_facts(self) -> Examined:
        """Return this with a record that holds no facts: an archive may hold a million inspections."""
        if self.link is None:
            return self
        record = replace(self.link.record, facts=None, facts_version=None)
        return replace(self, link=replace(self.link, record=record))


def examined_single(one: Stored) -> Examined:
    """Return what is found of *one*, which has a file of its own.

    Raises:
        Vanished: The file is gone.
        BadInput: The file may not be read.
    """
    contract = COMMITTED[one.table]
    try:
        text = stored.record_text_of_file(one.path)
        link, troubles = linked(one, text)
    except Vanished:
        raise
    except IntegrityFailed as wrong:
        return Examined(one, None, (), (Trouble(one.path, "changed", wrong.sentence),))
    if link is None:
        return Examined(one, None, (), troubles)
    try:
        rows = stored.rows_of_file(contract, one)
        said = [*_faults_of_file(contract, one.path, link.record, rows), *faults(one, link.record, rows)]
    except Vanished:
        raise
    except IntegrityFailed as wrong:
        return Examined(one, link, (), (Trouble(one.path, "changed", wrong.sentence),))
    troubles = tuple(Trouble(one.path, "changed", f"{one.where}: {what}") for what in said)
    return Examined(one, link, certificates_in(one, rows), troubles, tombstones_in(one, rows))


def certificates_in(one: Stored, rows: pa.Table) -> tuple[Certificate, ...]:
    """Return the certificates in the *rows* of *one*, where it is of that table."""
    return tuple(parquet.records(CERTIFICATES, rows)) if one.table == CERTIFICATES.name else ()


def tombstones_in(one: Stored, rows: pa.Table) -> tuple[Tombstone, ...]:
    """Return the tombstones in the *rows* of *one*, where it is of that table."""
    return tuple(parquet.records(TOMBSTONES, rows)) if one.table == TOMBSTONES.name else ()


def linked(one: Stored, text: str) -> tuple[Link | None, tuple[Trouble, ...]]:
    """Return the place in its chain of *one*, whose record is *text*; None where it belongs elsewhere.

    Raises:
        IntegrityFailed: *text* is no record.
    """
    record = record_of(text, one.where)
    if (wrong_place := stored.misplaced(record, one)) is not None:
        return None, (Trouble(one.path, "unexpected", wrong_place),)
    return Link(one.path, one.where, record, record_hash(text)), ()


def faults(one: Stored, record: Record, rows: pa.Table) -> Iterator[str]:
    """Yield how *rows* and *record* of *one* disagree, each as half a sentence.

    Raises:
        IntegrityFailed: The record holds no inspection where it should.
    """
    if one.table == READINGS.name:
        inspection = inspection_of(record, one.where)
        if (inspection.inspection_id, inspection.revision) != (record.key, record.revision):
            yield f"its inspection is {inspection.inspection_id} revision {inspection.revision}, its name says otherwise"
        elif (wrong := disagreement(inspection, rows)) is not None:
            yield f"{wrong}; it was not committed so by this program"
    else:
        key, revision = KEY_COLUMNS[one.table]
        keys = set(rows.column(key).to_pylist())
        revisions = {record.revision} if revision is None else set(rows.column(revision).to_pylist())
        if keys != {record.key} or revisions != {record.revision} or (revision is not None and rows.num_rows != 1):
            yield f"holds another {_NAMED[one.table]} than its name says"


def false_to_readers(contract: Table, path: Path, rows: pa.Table) -> Iterator[str]:
    """Yield what in the file *path* would mislead whoever reads it without us, each as half a sentence.

    Args:
        contract: The table, in the version that the file is of.
        path: The file.
        rows: All its rows.

    Raises:
        IntegrityFailed: The file is gone or not whole.
    """
    if not rows.schema.equals(contract.arrow_schema, check_metadata=False) or any(
        rows.schema.field(c.name).metadata != contract.arrow_schema.field(c.name).metadata for c in contract.columns
    ):
        yield "the meaning or unit of a column is not as declared; restore the file from a copy"
    if (name := _false_statistic(path, rows)) is not None:
        yield f"its statistics of {name} are not those of its rows; restore the file from a copy"


def _faults_of_file(contract: Table, path: Path, record: Record, rows: pa.Table) -> Iterator[str]:
    found = False
    if record.table_version == contract.version:
        # The content hash covers the values alone.
        for what in false_to_readers(contract, path, rows):
            found = True
            yield what
    with reading(path):
        footer = parquet.footer(path)
        said = footer.get(OWN_HASH_KEY)
        # Where it was said already what is changed, that it is changed says nothing more.
        if not found and said is not None and not is_as_hashed(path.read_bytes(), said):
            yield "its bytes are not those that were written, though it reads as it was committed; restore it from a copy"
    if set(footer) - {RECORD_KEY, OWN_HASH_KEY, "filmtally"}:
        yield "its footer holds what this program does not write; restore it from a copy"


def _false_statistic(path: Path, rows: pa.Table) -> str | None:
    """Return the first column whose statistics disagree with its rows: readers skip rows by them."""
    with reading(path):
        return _first_false(pq.read_metadata(path), rows)


def _first_false(metadata: pq.FileMetaData, rows: pa.Table) -> str | None:
    start = 0
    for group in range(metadata.num_row_groups):
        info = metadata.row_group(group)
        part = rows.slice(start, info.num_rows)
        start += info.num_rows
        for index in range(info.num_columns):
            chunk = info.column(index)
            statistics = chunk.statistics
            if statistics is None or "." in chunk.path_in_schema:  # a list's entries
                continue
            if chunk.path_in_schema not in rows.column_names:
                return str(chunk.path_in_schema)
            column = part.column(chunk.path_in_schema)
            if statistics.null_count is not None and statistics.null_count != column.null_count:
                return chunk.path_in_schema
            if statistics.has_min_max:
                ends: Any = pc.min_max(column).as_py()
                if not _at_or_beyond(statistics, ends):
                    return chunk.path_in_schema
    return None


def _at_or_beyond(statistics: Any, ends: dict[str, Any]) -> bool:
    """Return whether the statistics' ends take in the rows' own: no reader then passes over a row."""
    if ends["min"] is None:
        return False
    try:
        return bool(statistics.min <= ends["min"] and statistics.max >= ends["max"])
    except TypeError:
        return False

"""Open one stored file: its record, its rows, and whether they agree."""

from __future__ import annotations

from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from archive.content import content_sha256
from archive.layout import CommitName
from archive.ledger import RECORD_KEY, Record, record_of
from archive.listing import Stored
from archive.opening import reading
from schemas import parquet
from schemas.column import Table
from schemas.errors import IntegrityFailed


def record_text(path: Path) -> str:
    """Return the ledger record in the footer of *path*, as it stands there.

    Raises:
        IntegrityFailed: The file is not whole, or holds no record.
        BadInput: The file may not be read.
    """
    with reading(path):
        text = parquet.footer(path).get(RECORD_KEY)
    if text is None:
        raise IntegrityFailed(f"{path}: holds no ledger record; it is not a file of the archive")
    return text


def record(one: Stored) -> Record:
    """Return the ledger record of *one*, which is the commit that its name says.

    Raises:
        IntegrityFailed: The file is not whole, its record is not one, or its name says otherwise.
        BadInput: The file may not be read.
    """
    said = record_of(record_text(one.path), str(one.path))
    if (wrong := misplaced(said, one)) is not None:
        raise IntegrityFailed(wrong)
    return said


def misplaced(said: Record, one: Stored) -> str | None:
    """Return what a person is told where *one* lies under another name than its record says, or None."""
    name = CommitName(said.named_at, said.bench, said.seq, said.key, said.revision)
    if name == one.name and said.table == one.table:
        return None
    return (
        f"{one.path}: its record says that it is {said.table}/{name.month}/{name.file_name}; "
        "it is a copy or was renamed; move it back or away"
    )


def rows(contract: Table, one: Stored) -> pa.Table:
    """Return the rows of *one*, in the newest version of *contract*, shown to be those that were committed.

    Raises:
        IntegrityFailed: The file is not whole, its name says otherwise than its record, or its rows
            are not those that its record vouches for.
        BadInput: The file may not be read, or is of a newer version than this program knows.
    """
    path, said = one.path, record(one)
    with reading(path):
        table = parquet.read(contract, path)
        # The hash is over the columns as they were committed, before any migration.
        committed = table if said.table_version == contract.version else pq.read_table(path, partitioning=None)
        found = content_sha256(committed)
    if found != said.content_sha256 or table.num_rows != said.rows:
        raise IntegrityFailed(
            f"{path}: its rows are not those that were committed (content hash {found[:12]}…, its record says "
            f"{said.content_sha256[:12]}…); restore the file from a copy"
        )
    return table

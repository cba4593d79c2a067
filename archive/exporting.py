"""One table of the archive as one file for others: Parquet, or CSV that a spreadsheet opens safely."""

from __future__ import annotations

import os
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path
from typing import Any, Final

import pyarrow as pa
import pyarrow.compute as pc
from pyarrow import csv

from archive.commit import cannot_write
from archive.content import as_text, joined
from archive.layout import TEMPORARY_PREFIX
from schemas import parquet
from schemas.column import Table
from schemas.errors import BadInput

#: What makes a spreadsheet take a cell for a formula (OWASP, "CSV Injection"; the list from memory).
_FORMULA: Final = r"^[=+\-@\t\r]"


def export(contract: Table, parts: Iterable[pa.Table], path: Path) -> None:
    """Write *parts*, tables of *contract*, to *path*, in the format that its suffix names.

    A text cell that a spreadsheet would run as a formula gets an apostrophe in front, in CSV only.
    What stands at *path* is replaced once the new file is whole.

    Raises:
        BadInput: The suffix is neither .parquet nor .csv, or *path* cannot be written.
    """
    suffix = path.suffix.lower()
    if suffix not in (".parquet", ".csv"):
        raise BadInput(f"{path}: cannot tell the format; let the name end in .parquet or .csv")
    if not path.parent.is_dir():
        raise BadInput(f"{path.parent}: there is no such folder; make it or name another")
    if path.is_dir():
        raise BadInput(f"{path}: this is a folder; name a file")
    temporary = path.with_name(TEMPORARY_PREFIX + path.name)
    try:
        if suffix == ".parquet":
            parquet.write(contract, pa.concat_tables([_empty(contract), *parts]), temporary)
        else:
            _write_csv(contract, parts, temporary)
        os.replace(temporary, path)  # noqa: PTH105 - its errors are translated like those of a commit
    except OSError as wrong:
        raise cannot_write(path, wrong) from None
    finally:
        with suppress(OSError):
            temporary.unlink()


def _write_csv(contract: Table, parts: Iterable[pa.Table], path: Path) -> None:
    cells = pa.schema([(c.name, pa.string()) for c in contract.columns])
    with csv.CSVWriter(path, cells) as file:
        for part in parts:
            columns = [_cell(column) for column in part.combine_chunks().columns]
            file.write_table(pa.table(columns, schema=cells))


def _cell(column: pa.ChunkedArray[Any]) -> Any:
    text = as_text(column.combine_chunks())
    if pa.types.is_timestamp(column.type):
        return pc.if_else(text.is_valid(), joined(pc.replace_substring(text, " ", "T"), "Z", ""), text)
    if not pa.types.is_string(column.type):
        return text
    return pc.if_else(pc.match_substring_regex(text, _FORMULA), joined("'", text, ""), text)


def _empty(contract: Table) -> pa.Table:
    return contract.arrow_schema.empty_table()

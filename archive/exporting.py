"""Rows of the archive as one file for others: Parquet, or CSV and Excel that a spreadsheet opens safely."""

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
from archive.selection import Chosen
from archive.targets import demand_target
from schemas import parquet
from schemas.column import Table

SUFFIXES: Final = (".csv", ".parquet", ".xlsx")
#: What makes a spreadsheet take a cell for a formula (OWASP, "CSV Injection"; the list from memory), and the apostrophe
#: that is put before it: one that stands there already gets another, so that nothing is lost.
_BEGINS: Final = r"\A(['=+\-@\t\r\n＝＋－＠])"
#: A spreadsheet that takes these for the end of a cell finds such beginnings inside a text.
_BEGINS_INSIDE: Final = r"([;\t\r\n])(['=+\-@＝＋－＠])"


def export(chosen: Chosen, path: Path, *, replace: bool = False) -> None:
    """Write what was chosen to *path*, in the format that its suffix names; a few commits are in memory at a time.

    In CSV a text cell that a spreadsheet would run as a formula gets an apostrophe in front. The file appears when it is
    whole.

    Args:
        chosen: The rows.
        path: The file.
        replace: Write over a file that is there.

    Raises:
        BadInput: The suffix is none of SUFFIXES, *path* is there or cannot be written, or a sheet has no room for the rows.
        IntegrityFailed: A file of the archive is not whole.
    """
    demand_place(path, replace=replace)
    suffix = path.suffix.lower()
    temporary = path.with_name(TEMPORARY_PREFIX + path.name)
    try:
        if suffix == ".parquet":
            parquet.write_parts(chosen.contract, chosen.parts(), temporary)
        elif suffix == ".csv":
            _write_csv(chosen.contract, chosen.parts(), temporary)
        else:
            from archive import workbook  # a library of its own, which only this format needs

            workbook.demand_room(chosen.contract, chosen.rows)
            workbook.write_workbook(chosen.contract, chosen.parts(), chosen.words, temporary)
        demand_place(path, replace=replace)
        os.replace(temporary, path)  # noqa: PTH105 - its errors are translated like those of a commit
    except OSError as wrong:
        raise cannot_write(path, wrong, "this file") from None
    finally:
        with suppress(OSError):
            temporary.unlink()


def demand_place(path: Path, *, replace: bool) -> None:
    """Refuse a *path* that no export can be written to.

    Raises:
        BadInput: As :func:`archive.targets.demand_target`.
    """
    demand_target(path, SUFFIXES, replace=replace)


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
    inside = pc.replace_substring_regex(text, pattern=_BEGINS_INSIDE, replacement=r"\1'\2")
    return pc.replace_substring_regex(inside, pattern=_BEGINS, replacement=r"'\1")

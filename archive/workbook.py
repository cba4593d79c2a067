"""One table as an Excel workbook: nothing in it runs, nothing is cut, no figure becomes another.

Texts are text cells whatever they begin with, so that none is a formula or a link. What XML cannot hold, a control
character, is written as _xHHHH_, which is how the format writes it (ECMA-376, type ST_Xstring; from memory) and every
spreadsheet reads it. A text longer than a cell holds lies whole on a sheet of its own.

A thickness is a number with four places. Spreadsheets reckon in binary with fifteen figures, and a thickness has at most
nine, so what is shown and what is read back is the very decimal of the archive. Times are dates of the spreadsheet in
UTC, to be sorted and subtracted; one before March 1900, which a spreadsheet has no right date for, is a text.
"""

from __future__ import annotations

import re
import tempfile
from collections.abc import Iterable
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any, Final

import pyarrow as pa
import xlsxwriter
from xlsxwriter.exceptions import XlsxWriterException
from xlsxwriter.worksheet import Worksheet

from schemas.column import NamedColumn, Table
from schemas.errors import BadInput

#: Rows of a sheet, the header included (the limit that the format's makers publish; so is the next).
SHEET_ROWS: Final = 1_048_576
#: The most UTF-16 units that a cell holds.
CELL_UNITS: Final = 32_767
#: Letters of one piece of a text that no cell holds: two units each at the most.
_PIECE_LETTERS: Final = CELL_UNITS // 2
#: A spreadsheet takes 1900 for a leap year, so the days before its 1st of March are one off.
_FIRST_DAY: Final = date(1900, 3, 1)
#: Every workbook says so: the same rows make the same bytes.
_CREATED: Final = datetime(2000, 1, 1)  # noqa: DTZ001 - the library takes a time without a zone
_FORMULA_SIGNS: Final = ("=", "+", "-", "@")
_TEXTS_SHEET: Final = "long texts"
_ESCAPE: Final = re.compile(r"_(?=x[0-9A-Fa-f]{4}_)")
_CONTROL: Final = re.compile("[\x00-\x08\x0b-\x1f\ufffe\uffff]")


def write_workbook(contract: Table, parts: Iterable[pa.Table], chosen: str, path: Path) -> None:
    """Write *parts*, tables of *contract*, as a workbook to *path*: a sheet of rows, and one that explains the columns.

    One row is held at a time. The rows must fit: see :func:`demand_room`.

    Args:
        contract: The table's declaration.
        parts: Its rows.
        chosen: What they are, in words.
        path: Where to; what stands there is overwritten.

    Raises:
        BadInput: More rows or long texts come than a sheet holds.
        OSError: The file cannot be written.
    """
    with tempfile.TemporaryDirectory(prefix="filmtally-") as beside:
        book = xlsxwriter.Workbook(
            str(path),
            {
                "constant_memory": True,
                "tmpdir": beside,
                "strings_to_formulas": False,
                "strings_to_urls": False,
                "strings_to_numbers": False,
                "nan_inf_to_errors": False,
            },
        )
        book.use_zip64()
        book.set_properties({"created": _CREATED, "title": contract.name})
        try:
            _fill(book, contract, parts, chosen)
            book.close()
        except XlsxWriterException as wrong:
            raise OSError(None, str(wrong)) from None
        finally:
            for sheet in book.worksheets():
                sheet.discard()


def demand_room(contract: Table, rows: int) -> None:
    """Refuse *rows* that a sheet has no room for.

    Raises:
        BadInput: There are more of them than a sheet holds below its header.
    """
    if rows > SHEET_ROWS - 1:
        raise BadInput(
            f"{contract.name}: {rows:,} rows are more than the {SHEET_ROWS - 1:,} that a sheet holds below its header; "
            "let the name end in .parquet or .csv, or choose fewer"
        )


class _Sheet(Worksheet):  # type: ignore[misc]  # the library publishes no types
    """A sheet that escapes as the format asks, also where one escape looks like the beginning of the next."""

    @staticmethod
    def _escape_control_characters(data: Any) -> Any:
        if not isinstance(data, str):
            return data
        return _CONTROL.sub(lambda found: f"_x{ord(found[0]):04X}_", _ESCAPE.sub("_x005F_", data))

    def discard(self) -> None:
        """Let go of the file in which rows wait to be packed."""
        self._opt_close()


class _Rows:
    """Writes rows into the sheet *sheet*, and what is too long for a cell into *texts*."""

    def __init__(self, book: Any, sheet: Any, texts: Any, contract: Table) -> None:
        self._sheet, self._texts, self._contract = sheet, texts, contract
        self._plain = book.add_format({})
        self._quoted = book.add_format({"quote_prefix": True})
        self._day = book.add_format({"num_format": "yyyy-mm-dd"})
        self._time = book.add_format({"num_format": "yyyy-mm-dd hh:mm:ss.000"})
        self._decimals: dict[int, Any] = {}
        for c in contract.columns:
            if pa.types.is_decimal(c.column.type):
                scale = c.column.type.scale
                self._decimals[scale] = book.add_format({"num_format": "0." + "0" * scale})
        self._row = 0
        self._piece = 0
        self._long = 0

    def write(self, part: pa.Table) -> None:
        columns = [(c, part.column(c.name).to_pylist()) for c in self._contract.columns]
        demand_room(self._contract, self._row + part.num_rows)
        for index in range(part.num_rows):
            self._row += 1
            for place, (c, values) in enumerate(columns):
                if (value := values[index]) is not None:
                    self._cell(place, c, value)

    def _cell(self, place: int, c: NamedColumn, value: Any) -> None:
        kind, sheet, row = c.column.type, self._sheet, self._row
        if pa.types.is_boolean(kind):
            sheet.write_boolean(row, place, value)
        elif pa.types.is_integer(kind):
            sheet.write_number(row, place, value)
        elif pa.types.is_decimal(kind):
            sheet.write_number(row, place, value, self._decimals[kind.scale])
        elif pa.types.is_timestamp(kind):
            at = value.astimezone(UTC).replace(tzinfo=None)
            if at.date() >= _FIRST_DAY:
                sheet.write_datetime(row, place, at, self._time)
            else:
                sheet.write_string(row, place, at.isoformat(timespec="milliseconds") + "Z")
        elif pa.types.is_date(kind):
            if value >= _FIRST_DAY:
                sheet.write_datetime(row, place, value, self._day)
            else:
                sheet.write_string(row, place, value.isoformat())
        elif pa.types.is_list(kind):
            self._text(place, c, " ".join("" if entry is None else str(entry) for entry in value))
        else:
            self._text(place, c, value)

    def _text(self, place: int, c: NamedColumn, text: str) -> None:
        if len(text) > _PIECE_LETTERS and len(text.encode("utf-16-le")) // 2 > CELL_UNITS:
            text = self._elsewhere(c, text)
        # A text that is a formula once somebody opens the cell and confirms it is kept a text even then.
        style = self._quoted if text.startswith(_FORMULA_SIGNS) else self._plain
        self._sheet.write_string(self._row, place, text, style)

    def _elsewhere(self, c: NamedColumn, text: str) -> str:
        self._long += 1
        pieces = [text[start : start + _PIECE_LETTERS] for start in range(0, len(text), _PIECE_LETTERS)]
        demand_room(self._contract, self._piece + len(pieces))
        for number, piece in enumerate(pieces, start=1):
            self._piece += 1
            for place, value in enumerate((self._long, self._row + 1, c.name, number)):
                self._texts.write(self._piece, place, value)
            self._texts.write_string(self._piece, 4, piece, self._quoted)
        return (
            f"[{len(text):,} letters, more than a cell holds: whole on the sheet '{_TEXTS_SHEET}' as text {self._long}]"
        )


def _fill(book: Any, contract: Table, parts: Iterable[pa.Table], chosen: str) -> None:
    bold = book.add_format({"bold": True})
    table, about, texts = (
        book.add_worksheet(name, worksheet_class=_Sheet) for name in (contract.name, "columns", _TEXTS_SHEET)
    )
    table.freeze_panes(1, 0)
    table.set_column(0, len(contract.columns) - 1, 18)
    for place, c in enumerate(contract.columns):
        table.write_string(0, place, _heading(c), bold)
    texts.freeze_panes(1, 0)
    texts.set_column(4, 4, 100)
    for place, name in enumerate(
        ("text", f"row of {contract.name}", "column", "piece", "letters, to be joined in order")
    ):
        texts.write_string(0, place, name, bold)
    rows = _Rows(book, table, texts, contract)
    for part in parts:
        rows.write(part)
    _explain(about, contract, chosen, bold, book.add_format({"text_wrap": True, "valign": "top"}))


def _heading(c: NamedColumn) -> str:
    return c.name if c.column.unit is None else f"{c.name} [{c.column.unit}]"


def _explain(sheet: Any, contract: Table, chosen: str, bold: Any, wrapped: Any) -> None:
    sheet.set_column(0, 0, 24)
    sheet.set_column(1, 3, 14)
    sheet.set_column(4, 4, 100)
    notes = (
        f"{contract.name}, version {contract.version}: {contract.meaning}",
        f"Chosen: {chosen}.",
        "Times are dates of the spreadsheet, in UTC; one before March 1900 is a text. An empty cell means nothing.",
        "Thicknesses are numbers with four places, equal to the archive's; what the gauge showed stands as text in shown.",
        f"A text that is longer than a cell holds stands whole on the sheet '{_TEXTS_SHEET}'.",
    )
    for row, note in enumerate(notes):
        sheet.write_string(row, 0, note)
    top = len(notes) + 1
    for place, name in enumerate(("column", "unit", "type", "may be empty", "meaning")):
        sheet.write_string(top, place, name, bold)
    for row, c in enumerate(contract.columns, start=top + 1):
        cells = (c.name, c.column.unit or "", str(c.column.type), "yes" if c.nullable else "no", c.column.meaning)
        for place, text in enumerate(cells):
            sheet.write_string(row, place, text, wrapped)

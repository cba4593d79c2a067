"""orders.csv: the shop's work orders as whatever it plans with exports them, and which of them a scanned code means. Pure.

One row is one work order; the first row names the columns, in any order:

    work_order      the number that is scanned or typed; needed
    job             name of the job file
    lot, lot_size   the parts judged together, and how many they are
    pieces          how many of them are measured
    purchase_order, rack, rack_position, powder, powder_batch, sprayer
    coats, bakes    on the parts, this one and the last one included

Other columns are passed over: such exports have many. An empty cell says nothing. The table is read in UTF-8, in UTF-16
with its mark, or else in Windows-1252, with cells parted by comma, semicolon or tab; that a spreadsheet of the continent
writes semicolons, and Windows-1252 where it is not told otherwise, is common practice, no source.

A mistake in one row stops only who scans that row's number: the export of a whole shop is never without one.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any, Final

from schemas.errors import BadInput
from schemas.letters import unfit

_SEPARATORS: Final = (",", ";", "\t")
_COUNTS: Final = ("lot_size", "pieces", "coats", "bakes")
_MOST_BYTES: Final = 50_000_000
_MOST_LETTERS: Final = 200
_MOST: Final = {"lot_size": 10_000_000, "pieces": 100_000, "coats": 20, "bakes": 20}
#: A spreadsheet writes a whole number with decimals where its column has them; three digits could be thousands.
_WHOLE: Final = re.compile(r"([0-9]{1,9})(?:[.,]0{1,2})?", re.ASCII)
_NUMBER: Final = re.compile(r"[+-]?[0-9]+(?:[.,][0-9]+)?", re.ASCII)
#: What a spreadsheet takes for the beginning of a formula (OWASP, "CSV Injection", from memory); a number is none.
_FORMULA: Final = re.compile(r"[=+\-@＝＋－＠]")


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkOrder:
    """What is known of one work order; None where the table does not say.

    Attributes:
        line: Line of the table that says it, counted from 1.
    """

    work_order: str
    line: int
    job: str | None = None
    lot: str | None = None
    lot_size: int | None = None
    pieces: int | None = None
    purchase_order: str | None = None
    rack: str | None = None
    rack_position: str | None = None
    powder: str | None = None
    powder_batch: str | None = None
    sprayer: str | None = None
    coats: int | None = None
    bakes: int | None = None

    def facts(self) -> dict[str, str | int]:
        """Return what the table says of the order, by column; the number itself included."""
        return {name: value for name in COLUMNS if (value := getattr(self, name)) is not None}


#: The columns that are read, as the table's first row names them.
COLUMNS: Final = tuple(f.name for f in fields(WorkOrder) if f.name != "line")


_Row = tuple[int, list[str]]  # the line that it begins in, and its cells


@dataclass(frozen=True, slots=True)
class WorkOrders:
    """The work orders of one table. A row is looked at only when its number is asked for: a shop's export is long.

    Attributes:
        where: The table's file, for sentences.
        code: Reads the number, group work_order, out of what the scanner types; None where the code is the number.
    """

    where: str
    code: re.Pattern[str] | None
    _columns: Mapping[str, int]
    _by_number: Mapping[str, Sequence[_Row]]  # by number, as told; rows without one stand under ""

    def __len__(self) -> int:
        return len(self._by_number) - ("" in self._by_number)

    def find(self, scanned: str) -> WorkOrder | None:
        """Return the work order that *scanned* means, or None where the table has none of that number.

        Raises:
            BadInput: The table says it with a mistake, or says it twice and not alike.
        """
        number = work_order_scanned(scanned, self.code)
        if not number:
            return None
        found = [_order(row, self._columns, self.where) for row in self._by_number.get(number.casefold(), ())]
        for again in found[1:]:
            if differs := ", ".join(n for n in COLUMNS[1:] if getattr(again, n) != getattr(found[0], n)):
                raise BadInput(
                    f"{self.where}: work order {number!r} stands in line {found[0].line} and in line {again.line} with "
                    f"different {differs}; keep the one that holds"
                )
        return found[0] if found else None

    def not_found(self, scanned: str) -> str:
        """Return the sentence for a number that the table does not have."""
        number = work_order_scanned(scanned, self.code)
        nameless = self._by_number.get("", ())
        unread = f" (line {nameless[0][0]} has no number)" if nameless else ""
        return f"{self.where}: there is no work order {number!r}{unread}; export the table anew, or correct the number"


def work_order_scanned(scanned: str, code: re.Pattern[str] | None) -> str:
    """Return the number that *scanned*, typed by a person or by a scanner, stands for.

    Blanks around it go, and the asterisks that begin and end a Code 39 symbol: some scanners type them, some do not
    (ISO/IEC 16388 has the asterisk as start and stop character and never as data: from memory). Where *code* fits the
    whole of it, its group work_order is the number; where it does not, a person typed the bare number.
    """
    text = scanned.strip()
    if len(text) > 2 and text[0] == text[-1] == "*":
        text = text[1:-1].strip()
    found = code.fullmatch(text) if code is not None and len(text) <= _MOST_LETTERS else None
    return (found["work_order"] or "").strip() or text if found else text


def read_orders(data: bytes, where: str, code: re.Pattern[str] | None = None) -> WorkOrders:
    """Return the work orders of the table *data*.

    Args:
        data: The file's bytes.
        where: Its name, for sentences.
        code: As of :class:`WorkOrders`.

    Raises:
        BadInput: It is no such table; a mistake in a single row is told by :meth:`WorkOrders.find`.
    """
    if len(data) > _MOST_BYTES:
        raise BadInput(f"{where}: has {len(data):,} bytes; export the open orders alone, at most 50 MB are read")
    rows = _rows(_text(data, where), where)
    head_line, columns = _columns(rows, where)
    number_at = columns["work_order"]
    by_number: dict[str, list[_Row]] = {}
    for row in rows:
        if row[0] > head_line and any(row[1]):
            number = row[1][number_at].strip().casefold() if number_at < len(row[1]) else ""
            by_number.setdefault(number, []).append(row)
    return WorkOrders(where, code, columns, by_number)


def _text(data: bytes, where: str) -> str:
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        encodings: tuple[str, ...] = ("utf-16",)
    else:
        encodings = ("utf-8-sig", "cp1252", "latin-1")
    for encoding in encodings:
        try:
            return data.decode(encoding)
        except UnicodeDecodeError:
            continue
    raise BadInput(f"{where}: is no text; save the table as CSV in UTF-8")


def _rows(text: str, where: str) -> list[_Row]:
    """Return the rows with the line that each begins in."""
    lines = text.splitlines()
    named = lines[0][4:] if lines and lines[0][:4].casefold() == "sep=" else ""
    separator = named if named in _SEPARATORS else _separator(lines[0] if lines else "")
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    rows = []
    line = 1
    try:
        for cells in reader:
            if not (line == 1 and named):
                rows.append((line, cells))
            line = reader.line_num + 1
    except csv.Error as wrong:
        raise BadInput(
            f"{where}: line {line}: is no row of a table ({wrong}); close the quotes, or export it anew"
        ) from None
    return rows


def _separator(head: str) -> str:
    """Return what parts the cells of the first row: that by which it has a work_order, else what stands there most often."""
    for separator in _SEPARATORS:
        names = (_name(cell.strip().strip('"')) for cell in head.split(separator))
        if "work_order" in names:
            return separator
    return max(_SEPARATORS, key=head.count)


def _name(cell: str) -> str:
    return re.sub(r"[\s_-]+", "_", cell.strip().casefold())


def _columns(rows: Sequence[_Row], where: str) -> tuple[int, dict[str, int]]:
    head_line, head = next(((line, cells) for line, cells in rows if any(c.strip() for c in cells)), (1, []))
    columns: dict[str, int] = {}
    for at, cell in enumerate(head):
        name = _name(cell)
        if name not in COLUMNS:
            continue
        if name in columns:
            raise BadInput(
                f"{where}: line {head_line}: columns {columns[name] + 1} and {at + 1} are both called {name!r}; keep one"
            )
        columns[name] = at
    if "work_order" not in columns:
        have = ", ".join(repr(c.strip()[:40]) for c in head[:8] if c.strip()) or "none"
        raise BadInput(
            f"{where}: line {head_line}: there is no column 'work_order' (there are: {have}); "
            f"name the columns in the first row: {', '.join(COLUMNS)}"
        )
    return head_line, columns


def _order(row: _Row, columns: Mapping[str, int], where: str) -> WorkOrder:
    line, cells = row
    texts = {name: cells[at].strip() for name, at in columns.items() if at < len(cells)}

    def fault(name: str, sentence: str) -> BadInput:
        return BadInput(f"{where}: line {line}, column {name}: {sentence}")

    for name, text in texts.items():
        if (wrong := _wrong(text)) is not None:
            raise fault(name, wrong)
    counts = {name: _count(texts[name], name, fault) for name in _COUNTS if texts.get(name)}
    if "pieces" in counts and counts.get("lot_size", counts["pieces"]) < counts["pieces"]:
        raise fault("pieces", f"{counts['pieces']} are more than the lot's {counts['lot_size']}; correct one of them")
    said: dict[str, Any] = {name: text for name, text in texts.items() if text and name not in _COUNTS}
    return WorkOrder(line=line, **(said | counts))


def _wrong(text: str) -> str | None:
    """Return what speaks against a cell, or None."""
    if len(text) > _MOST_LETTERS:
        return f"has {len(text)} characters; at most {_MOST_LETTERS} are kept"
    if _FORMULA.match(text) and not _NUMBER.fullmatch(text):
        return f"{text!r} begins like a spreadsheet's formula; write the bare text, or leave the cell empty"
    return unfit(text)


def _count(text: str, name: str, fault: Callable[[str, str], BadInput]) -> int:
    found = _WHOLE.fullmatch(text)
    value = int(found[1]) if found else 0
    if not 1 <= value <= _MOST[name]:
        raise fault(name, f"{text!r} is no number from 1 to {_MOST[name]}; write it with digits alone")
    return value

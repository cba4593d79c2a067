"""Another party's readings as a table of plain text (CSV): which columns, which unit, which decimal mark. Pure.

Never a silent guess: what the table does not say and no option does is asked for, in a sentence that names the option.

    location   where; needed            (also: place)
    reading    the film build; needed   (also: thickness, dft, film build; with its unit as reading_um or reading [mil])
    unit       um or mil
    piece      which part
    spot       number of the spot
    n          how many readings the figure is the mean of
    u          expanded uncertainty of the location's mean, k = 2, in the unit of the figure
    base       what lay there before coating and is still to be subtracted, in the unit of the figure

Columns are separated by semicolons, tabs or commas, and a first line sep=; may say by which; other columns are left alone.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Final

from rules.party_readings import PartyReading
from schemas.errors import BadInput
from schemas.units import UNIT_WORDS, Unit, to_um, unit_of

_MOST_BYTES: Final = 20_000_000
_MOST_UM: Final = Decimal(100_000)
_LONGEST_NAME: Final = 60

#: Column by the names that it goes by, without blanks, case and unit.
_COLUMNS: Final[dict[str, tuple[str, ...]]] = {
    "location": ("location", "place"),
    "reading": ("reading", "thickness", "dft", "filmbuild"),
    "unit": ("unit",),
    "piece": ("piece",),
    "spot": ("spot",),
    "n": ("n",),
    "u": ("u",),
    "base": ("base", "basemetal"),
}
COLUMNS: Final = tuple(_COLUMNS)
_NEEDED: Final = ("location", "reading")
_SEPARATORS: Final = (";", "\t", ",")
_SAID_SEPARATOR: Final = re.compile(r'"?sep=(.)"?[ ;,]*', re.IGNORECASE)
_FIGURE: Final = re.compile(r"[-+]?[0-9]{1,7}(?:[.,][0-9]{1,6})?")
_UNIT_AT_END: Final = re.compile(r"^(.*?)[\s_]*[\[(]?\s*(um|µm|μm|microns?|mils?)\s*[\])]?$", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class TableTerms:
    """What options say of a table: its unit, its decimal mark ("." or ","), and columns that go by other names."""

    unit: Unit | None = None
    decimal_mark: str | None = None
    columns: Mapping[str, str] | None = None


@dataclass(frozen=True, slots=True)
class ReadTable:
    """A table as read: its figures, and whether each figure's unit stood in the table."""

    readings: tuple[PartyReading, ...]
    unit_recorded: bool


def read_table(content: bytes, name: str, terms: TableTerms | None = None) -> ReadTable:
    """Return the readings of a table.

    Args:
        content: The file.
        name: What it is called in sentences.
        terms: What options say.

    Raises:
        BadInput: It is no such table, or it does not say what is needed; the sentence names line and option.
    """
    terms = terms or TableTerms()
    rows = _rows(content, name)
    if not rows:
        raise BadInput(f"{name}: there is nothing in this table; name the right file")
    (_, head), *body = rows
    at, head_unit = _columns(head, name, terms.columns or {})
    if not body:
        raise BadInput(f"{name}: there is a header and no reading below it; name the right file")
    for line_no, row in body:
        if len(row) != len(head):
            raise BadInput(
                f"{name}: line {line_no}: has {len(row)} cells and the header has {len(head)}; a decimal comma in a table "
                "with commas between its columns does that: separate the columns by semicolons"
            )
    mark = _decimal_mark([(n, row[at[c]]) for n, row in body for c in ("reading", "u", "base") if c in at], name, terms)
    readings = tuple(_reading(name, line_no, row, at, head_unit or terms.unit, mark) for line_no, row in body)
    if terms.unit is not None and any(r.unit is not terms.unit for r in readings):
        other = next(r.unit for r in readings if r.unit is not terms.unit)
        raise BadInput(
            f"{name}: --unit says {terms.unit.value} and the table says {other.value}; leave --unit out, or correct the table"
        )
    return ReadTable(readings, unit_recorded="unit" in at)


def _rows(content: bytes, name: str) -> list[tuple[int, list[str]]]:
    if len(content) > _MOST_BYTES:
        raise BadInput(f"{name}: has {len(content)} bytes, which no list of readings has; name the right file")
    text = _text(content, name)
    first = next((line for line in text.splitlines() if line.strip()), "")
    separator = next((s for s in _SEPARATORS if s in first), None)
    said = _SAID_SEPARATOR.fullmatch(first)
    if said is not None:
        # What a spreadsheet is told by; the line stays as a blank one, so that lines are counted as they stand.
        separator = said[1]
        if separator not in _SEPARATORS:
            raise BadInput(
                f"{name}: line 1 says that {separator!r} separates the columns; save it with semicolons, tabs or commas"
            )
        text = text.replace(first, "", 1)
    if separator is None:
        raise BadInput(
            f"{name}: its first line names no columns; write a header such as location;reading;unit above the figures"
            + ("" if content.strip() else ", and readings below it")
            + ", or name the profile of a gauge's own lines with --profile"
        )
    try:
        read = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
        return [(read.line_num, [cell.strip() for cell in row]) for row in read if any(cell.strip() for cell in row)]
    except csv.Error as wrong:
        raise BadInput(f"{name}: is no table ({wrong}); save it as CSV") from None


def _text(content: bytes, name: str) -> str:
    if content[:2] in (b"\xff\xfe", b"\xfe\xff"):
        encodings: tuple[str, ...] = ("utf-16",)
    else:
        encodings = ("utf-8-sig", "latin-1")
    for encoding in encodings:
        try:
            text = content.decode(encoding)
        except UnicodeDecodeError:
            continue
        odd = next((c for c in text if ord(c) < 32 and c not in "\t\r\n"), None)
        if odd is None:
            return text
        break
    raise BadInput(f"{name}: is not text; save the readings as CSV, or name a certificate's PDF")


def _columns(head: Sequence[str], name: str, given: Mapping[str, str]) -> tuple[dict[str, int], Unit | None]:
    """Return where each column stands, and the unit that the header of the readings names."""
    at: dict[str, int] = {}
    unit: Unit | None = None
    for column, called in given.items():
        wanted = called.casefold()
        found = [i for i, cell in enumerate(head) if wanted in (cell.casefold(), _without_unit(cell)[0].casefold())]
        if len(found) != 1:
            raise BadInput(f"{name}: --column {column}={called}: the table's columns are {', '.join(head)}")
        at[column] = found[0]
    taken = set(at.values())
    for i, cell in enumerate(head):
        bare, word = _without_unit(cell)
        packed = re.sub(r"[\s_\-]+", "", bare).casefold()
        if i in taken:
            if i == at.get("reading") and word is not None:
                unit = unit_of(word)
            continue
        known = [c for c, names in _COLUMNS.items() if packed in names and c not in given]
        if not known:
            continue
        (column,) = known
        if column in at:
            raise BadInput(
                f"{name}: columns {head[at[column]]!r} and {cell!r} may both be the {column}; say which one with --column "
                f"{column}=NAME"
            )
        at[column] = i
        if column == "reading" and word is not None:
            unit = unit_of(word)
    missing = [c for c in _NEEDED if c not in at]
    if missing:
        raise BadInput(
            f"{name}: there is no column {missing[0]!r} (the columns are {', '.join(head)}); name the one that is meant with "
            f"--column {missing[0]}=NAME"
        )
    return at, unit


def _without_unit(cell: str) -> tuple[str, str | None]:
    """Return a header without the unit at its end, and the unit's word: reading_um, reading (µm), reading [mil]."""
    match = _UNIT_AT_END.match(cell)
    if match is None or not match.group(1):
        return cell, None
    return str(match.group(1)), str(match.group(2))


def _decimal_mark(figures: Iterable[tuple[int, str]], name: str, terms: TableTerms) -> str:
    """Return the decimal mark, where the figures leave no doubt or the option says."""
    marks: dict[str, list[tuple[int, str]]] = {".": [], ",": []}
    for line_no, figure in figures:
        if "." in figure and "," in figure:
            raise BadInput(
                f"{name}: line {line_no}: {figure!r} has a point and a comma; write figures without marks between thousands"
            )
        for mark, having in marks.items():
            if mark in figure:
                having.append((line_no, figure))
    if terms.decimal_mark is not None:
        other = "," if terms.decimal_mark == "." else "."
        if marks[other]:
            line_no, figure = marks[other][0]
            raise BadInput(
                f"{name}: line {line_no}: {figure!r} has another decimal mark than --decimal-mark says; correct one of them"
            )
        return terms.decimal_mark
    if marks["."] and marks[","]:
        (one, a), (other_line, b) = marks["."][0], marks[","][0]
        raise BadInput(
            f"{name}: {a!r} on line {one} and {b!r} on line {other_line} have different decimal marks; correct the table"
        )
    comma = marks[","]
    if comma and all(re.search(r",[0-9]{3}$", figure) for _, figure in comma):
        line_no, figure = comma[0]
        raise BadInput(
            f"{name}: line {line_no}: {figure!r} may be a decimal or in thousands; say which with --decimal-mark , or --decimal-mark ."
        )
    return "," if comma else "."


def _reading(
    name: str, line_no: int, row: Sequence[str], at: Mapping[str, int], unit: Unit | None, mark: str
) -> PartyReading:
    where = f"{name}: line {line_no}"
    cell = {column: row[i] for column, i in at.items()}
    location = cell["location"]
    if not location:
        raise BadInput(f"{where}: the location is not named; name it, or take the line out")
    for word in (location, cell.get("piece", "")):
        if len(word) > _LONGEST_NAME or not word.isprintable():
            raise BadInput(f"{where}: {word[:_LONGEST_NAME]!r} is no name of a location or piece; correct it")
    written = cell.get("unit", "")
    if written:
        named = unit_of(written)
        if named is None:
            raise BadInput(f"{where}: unknown unit {written[:20]!r}; the units are: {', '.join(UNIT_WORDS)}")
        if unit is not None and named is not unit:
            raise BadInput(
                f"{where}: the line says {named.value}, and the header or --unit says {unit.value}; correct one of them"
            )
        unit = named
    if unit is None:
        raise BadInput(
            f"{where}: no unit stands beside {cell['reading'][:20]!r} nor in the header; say it with --unit um or --unit mil"
        )
    figure = _figure(where, cell["reading"], mark, "reading")
    if figure < 0:
        raise BadInput(
            f"{where}: {cell['reading']} in column reading is below zero, which no film build is; correct it, or take the line "
            "out (what is to be subtracted stands in column base)"
        )
    base = _figure(where, cell["base"], mark, "base") if cell.get("base") else None
    expanded = _figure(where, cell["u"], mark, "u") if cell.get("u") else None
    if expanded is not None and expanded <= 0:
        raise BadInput(f"{where}: an uncertainty is above zero, not {cell['u']}; correct it")
    exponent = int(figure.as_tuple().exponent)
    return PartyReading(
        location=" ".join(location.split()),
        thickness_um=_in_um(where, figure, unit),
        step_um=to_um(Decimal((0, (1,), exponent)), unit),
        unit=unit,
        piece=cell.get("piece") or None,
        spot=_whole(where, cell["spot"], "spot") if cell.get("spot") else None,
        base_um=None if base is None else _in_um(where, base, unit),
        readings=_whole(where, cell["n"], "n") if cell.get("n") else 1,
        expanded_um=None if expanded is None else _in_um(where, expanded, unit),
    )


def _figure(where: str, text: str, mark: str, column: str) -> Decimal:
    wrong_mark = "." if mark == "," else ","
    if not _FIGURE.fullmatch(text) or wrong_mark in text:
        raise BadInput(f"{where}: {text[:30]!r} in column {column} is not a number; correct it, or take the line out")
    return Decimal(text.replace(",", "."))


def _in_um(where: str, figure: Decimal, unit: Unit) -> Decimal:
    thickness_um = to_um(figure, unit)
    if abs(thickness_um) >= _MOST_UM:
        raise BadInput(f"{where}: {figure} {unit.symbol} is no film build; correct it, or take the line out")
    return thickness_um


def _whole(where: str, text: str, column: str) -> int:
    if not re.fullmatch(r"[0-9]{1,6}", text) or int(text) < 1:
        raise BadInput(f"{where}: {text[:30]!r} in column {column} is not a whole number above zero; correct it")
    return int(text)

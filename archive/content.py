"""The canonical lines of a table's rows, and their hash: what the ledger vouches for.

A hash over a file would not outlive writing the same rows anew, with other encodings, by another
release of pyarrow, or folded with other commits into one file. So the hash is over text that any
reader can print from the rows:

- first the names of the columns in the file's order, then one line per row; UTF-8;
- fields are parted by one tab, every line ends with one line feed;
- nothing (null) is \\N; in text, backslash, tab, line feed and carriage return are written \\\\ \\t \\n \\r;
- whole numbers as digits; true and false; decimals with all places of their type: 80.0000;
- times in UTC as 2026-11-03 09:15:02.123; days as 2026-11-03;
- lists in brackets, entries parted by one blank: [80.0000 81.2000];
- rows of readings stand in the order of reading_no. Rows of other tables have no order of their
  own: their lines are sorted by their UTF-8 bytes.

The null, the escapes and the tab are those of the PostgreSQL COPY text format.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from itertools import accumulate, pairwise
from typing import Any, Final

import pyarrow as pa
import pyarrow.compute as pc

#: Rows whose lines are built at once: 65,536 lines of half a kilobyte stay far below what one Arrow string array holds.
_SLICE_ROWS: Final = 65_536
#: Under this, looking for what is the same in all rows takes longer than it saves.
_FEW_ROWS: Final = 256
_ESCAPES: Final = (("\\", "\\\\"), ("\t", "\\t"), ("\n", "\\n"), ("\r", "\\r"))
_MARKS: Final = tuple(mark.encode() for mark, _ in _ESCAPES)
_NULL: Final = "\\N"
_ORDER: Final = "reading_no"


def content_sha256(rows: pa.Table) -> str:
    """Return the SHA-256 of the canonical lines of *rows*, as hex."""
    digest = hashlib.sha256()
    for part in canonical_lines(rows):
        digest.update(part)
    return digest.hexdigest()


def contents_sha256(rows: pa.Table, spans: Sequence[tuple[int, int]]) -> list[str]:
    """Return the :func:`content_sha256` of each of *spans* of *rows*, many commits in one table, all at once.

    Args:
        rows: The rows of the commits.
        spans: Of each commit the place of its first row, from 0, and its number of rows.
    """
    head = _head(rows)
    found: dict[tuple[int, int], str] = {}
    wanted = sorted(set(spans))
    if any(following[0] != sum(span) for span, following in pairwise(wanted)):
        # Side by side they are made into lines together.
        near = pa.concat_tables([rows.slice(*span) for span in wanted])
        ends = list(accumulate(count for _, count in wanted))
        if near.num_rows == ends[-1]:  # else a span reaches beyond the rows
            beside = [(end - count, count) for end, (_, count) in zip(ends, wanted, strict=True)]
            said = dict(zip(wanted, contents_sha256(near.combine_chunks(), beside), strict=True))
            return [said[span] for span in spans]
    for batch in _batches(wanted):
        start, end = batch[0][0], sum(batch[-1])
        part = rows.slice(start, end - start)
        if len(batch) == 1 or part.num_rows < end - start or not _each_in_order(part, [s - start for s, _ in batch]):
            found |= {span: content_sha256(rows.slice(*span)) for span in batch}
            continue
        lines = _lines(part).split(b"\n")
        for span in batch:
            here = [line + b"\n" for line in lines[span[0] - start : sum(span) - start]]
            if _ORDER not in rows.column_names:
                here.sort()
            found[span] = hashlib.sha256(head + b"".join(here)).hexdigest()
    return [found[span] for span in spans]


def _batches(spans: Sequence[tuple[int, int]]) -> Iterator[list[tuple[int, int]]]:
    """Yield *spans*, in order, those together that follow one another and are not too many rows."""
    batch: list[tuple[int, int]] = []
    for span in spans:
        if batch and (span[0] != sum(batch[-1]) or sum(span) - batch[0][0] > _SLICE_ROWS):
            yield batch
            batch = []
        batch.append(span)
    if batch:
        yield batch


def _each_in_order(rows: pa.Table, starts: list[int]) -> bool:
    """Return whether the rows stand in order, but for those of *starts*, where another commit's begin."""
    if _ORDER not in rows.column_names or rows.num_rows < 2:
        return True
    numbers = rows.column(_ORDER).combine_chunks()
    falls: list[Any] = pc.indices_nonzero(pc.less_equal(numbers[1:], numbers[:-1])).to_pylist()
    return numbers.null_count == 0 and set(starts).issuperset(at + 1 for at in falls)


def canonical_lines(rows: pa.Table) -> Iterator[bytes]:
    """Yield the canonical lines of *rows*, in parts of whole lines."""
    yield _head(rows)
    if rows.num_rows == 0:
        return
    if _ORDER in rows.column_names:
        ordered = _in_order(rows)
        for start in range(0, rows.num_rows, _SLICE_ROWS):
            yield _lines(ordered.slice(start, _SLICE_ROWS))
    else:
        yield b"".join(sorted(_lines(rows).splitlines(keepends=True)))


def _head(rows: pa.Table) -> bytes:
    return ("\t".join(_escaped(name) for name in rows.column_names) + "\n").encode()


def _in_order(rows: pa.Table) -> pa.Table:
    numbers = rows.column(_ORDER).combine_chunks()
    if len(numbers) < 2 or pc.all(pc.less(numbers[:-1], numbers[1:])).as_py():
        return rows
    return rows.sort_by(_ORDER)


def _lines(rows: pa.Table) -> bytes:
    rows = rows.combine_chunks()
    columns: list[Any] = [c.chunk(0) if c.num_chunks else pa.array([], c.type) for c in rows.columns]
    if rows.num_rows < _FEW_ROWS:
        return _few_lines(columns, rows.num_rows)
    # What is the same in all rows, as most facts of an inspection are, is made into text once.
    return _joined([_repeated(column) if all_same(column) else _field(column) for column in columns], rows.num_rows)


def _few_lines(columns: list[Any], rows: int) -> bytes:
    lines = _joined([as_text(column) for column in columns], rows)
    # Hardly any text holds what needs an escape. Counting the separators of the finished lines
    # shows whether one does in a fraction of the time that it takes to look through each column.
    nulls = sum(column.null_count + _inner_nulls(column) for column in columns)
    plain = (
        lines.count(b"\t") == rows * (len(columns) - 1)
        and lines.count(b"\n") == rows
        and lines.count(b"\\") == nulls
        and b"\r" not in lines
    )
    return lines if plain else _joined([_field(column) for column in columns], rows)


def _joined(fields: list[Any], rows: int) -> bytes:
    """Return the lines of *rows* rows; a field is an array, or the text that it is in all rows."""
    if not any(isinstance(field, str) for field in fields):
        *others, last = fields
        return bytes(_values(joined(*others, joined(last, "", "\n"), "\t")))
    parts: list[Any] = []
    text = ""
    for place, field in enumerate(fields):
        if isinstance(field, str):
            text += field
        else:
            parts += [text, field]
            text = ""
        text += "\t" if place < len(fields) - 1 else "\n"
    if not parts:
        return text.encode() * rows
    # The values of an Arrow text array lie end to end: here, the finished lines.
    return bytes(_values(joined(*parts, text, "")))


def _field(column: Any) -> Any:
    """Return *column* as it stands in the lines, with escapes; null stays null."""
    text = as_text(column)
    if not pa.types.is_string(column.type):
        return text
    held = bytes(_values(text))
    return _escape(text) if any(mark in held for mark in _MARKS) else text


def _repeated(column: Any) -> str:
    value = _field(column[:1])[0].as_py()
    return _NULL if value is None else value


def all_same(column: Any) -> bool:
    """Return whether *column*, which has rows, holds the same value in all of them."""
    kind, nulls = column.type, column.null_count
    if nulls or pa.types.is_list(kind):
        return bool(nulls == len(column))
    if pa.types.is_boolean(kind):
        return len(pc.unique(column)) == 1
    if pa.types.is_string(kind):
        lengths: Any = pc.min_max(pc.binary_length(column)).as_py()
        if lengths["min"] != lengths["max"]:
            return False
    values = bytes(_values(column))
    return values == values[: len(values) // len(column)] * len(column)


def _values(column: Any) -> memoryview:
    """Return the bytes of the values of *column*: text, or values of one width that is whole bytes."""
    start, end = column.offset, column.offset + len(column)
    if not pa.types.is_string(column.type):
        width = column.type.bit_width // 8
        return memoryview(column.buffers()[1])[start * width : end * width]
    _, ends, text = column.buffers()
    if text is None:  # a column without a single letter has no buffer for them
        return memoryview(b"")
    at = memoryview(ends).cast("i")
    return memoryview(text)[at[start] : at[end]]


def joined(*fields: Any) -> Any:
    """Return an Arrow array of *fields*, arrays and texts, joined row by row by the last of them; null as \\N."""
    # The stub knows arrays alone or texts alone; the function takes both.
    return pc.binary_join_element_wise(*fields, null_handling="replace", null_replacement=_NULL)


def as_text(column: Any) -> Any:
    """Return the values of *column* as the canonical lines hold them, before escapes; null stays null."""
    kind = column.type
    if pa.types.is_string(kind):
        return column
    if pa.types.is_timestamp(kind):
        # Without its zone, which is UTC throughout: with one, Arrow asks for a time zone database,
        # and Windows has none.
        return column.cast(pa.timestamp("ms")).cast(pa.string())
    if pa.types.is_list(kind):
        entries = column.values.cast(pa.string()).to_pylist()
        spans = zip(
            column.offsets.to_pylist(), column.offsets.to_pylist()[1:], column.is_valid().to_pylist(), strict=False
        )
        return pa.array(
            [
                "[" + " ".join(_NULL if e is None else e for e in entries[a:b]) + "]" if valid else None
                for a, b, valid in spans
            ],
            pa.string(),
        )
    if pa.types.is_decimal(kind) and len(column) >= _FEW_ROWS:
        # A gauge shows few different figures, and each is made into text once.
        different = column.dictionary_encode()
        return different.dictionary.cast(pa.string()).take(different.indices)
    return column.cast(pa.string())


def _inner_nulls(column: Any) -> int:
    return column.flatten().null_count if pa.types.is_list(column.type) else 0


def _escape(column: pa.Array[Any]) -> pa.Array[Any]:
    for mark, escape in _ESCAPES:
        column = pc.replace_substring(column, mark, escape)
    return column


def _escaped(text: str) -> str:
    for mark, escape in _ESCAPES:
        text = text.replace(mark, escape)
    return text

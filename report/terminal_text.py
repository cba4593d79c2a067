"""Plain text at the width of the reader's terminal: paragraphs that wrap, bullets that hang, tables that fit."""

from __future__ import annotations

import shutil
import textwrap
from collections.abc import Iterable, Sequence
from typing import Final

_NARROWEST: Final = 40
_USUAL: Final = 100


def width() -> int:
    """Return the columns of the terminal, or 100 where there is none."""
    return max(_NARROWEST, shutil.get_terminal_size((_USUAL, 24)).columns)


def wrapped(lines: Iterable[str], columns: int) -> list[str]:
    """Return *lines* with none longer than *columns*, except where a single word is.

    A line that goes on is set in as far as it began; after a bullet or a number, as far as the words after it. A row of
    a table, which has two blanks between words after its own margin, is left alone where it fits.
    """
    found: list[str] = []
    for line in lines:
        if len(line) <= columns:
            found.append(line)
            continue
        body = line.lstrip()
        margin = len(line) - len(body)
        head = body.split(" ", 1)[0]
        hang = len(head) + 1 if head in ("-", "·") or (head[:-1].isdigit() and head.endswith(".")) else 0
        found += textwrap.wrap(
            line, columns, subsequent_indent=" " * (margin + hang), break_long_words=False, break_on_hyphens=False
        )
    return found


def table(rows: Sequence[Sequence[str]], right: Iterable[int] = ()) -> list[str]:
    """Return *rows* of equal length as lines with aligned columns; columns in *right* are flush right."""
    flush = set(right)
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    return [
        "  "
        + "  ".join(
            cell.rjust(width) if i in flush else cell.ljust(width)
            for i, (cell, width) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in rows
    ]


def fitted(
    rows: Sequence[Sequence[str]], columns: int, right: Iterable[int] = (), spare: Sequence[int] = ()
) -> list[str]:
    """Return a table no wider than *columns*: columns in *spare* are left out, in that order, until it fits."""
    flush, left_out = set(right), list(spare)
    kept = list(range(len(rows[0])))
    while True:
        lines = table([[row[i] for i in kept] for row in rows], [at for at, i in enumerate(kept) if i in flush])
        if not left_out or max(map(len, lines)) <= columns:
            return lines
        kept.remove(left_out.pop(0))

"""Tables as CSV, for whoever opens a certificate's readings in a spreadsheet.

A spreadsheet runs a cell that begins with `=`, `+`, `-` or `@` as a formula, also in a file that came by
mail, and one that takes `;` or a tab for the end of a cell finds such beginnings inside a text. A customer,
a location or a gauge's line can be called anything, so a text gets an apostrophe before each such beginning;
whatever is a number stays one, "-1.2" too. What begins with an apostrophe itself gets one more, so nothing is
lost: :func:`as_written` takes them off again. certificate.json and readings.parquet hold every text as it is.

Which beginnings are formulas, and the apostrophe against them: OWASP, "CSV Injection" (from memory).
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable
from typing import Any, Final

from report.document import as_plain
from schemas.column import Table

_NUMBER: Final = re.compile(r"[+-]?[0-9]+(?:\.[0-9]+)?", re.ASCII)
# Behind ; and what parts lines a cell may begin as well. The wide letters are =, +, - and @ to a spreadsheet too.
_DANGEROUS: Final = re.compile(r"\A(?=['=+\-@\t\r\n＝＋－＠])|(?<=[;\t\r\n])(?=['=+\-@＝＋－＠])")
_APOSTROPHE: Final = re.compile(r"\A'|(?<=[;\t\r\n])'")


def csv_of(contract: Table, records: Iterable[Any]) -> bytes:
    """Return records as CSV with a header line, UTF-8, CRLF (RFC 4180); a list is joined by blanks.

    No cell of it is a formula to a spreadsheet; see the module.
    """
    return _written(contract, records, guarded=True)


def is_table_of(content: bytes, contract: Table, records: Iterable[Any]) -> bool:
    """Return whether *content* is what :func:`csv_of` makes of *records*.

    Certificates up to document version 2 hold their texts without apostrophes; these count as well.
    """
    kept = tuple(records)
    return content == csv_of(contract, kept) or content == _written(contract, kept, guarded=False)


def as_cell(text: str) -> str:
    """Return *text* so that no spreadsheet takes a part of it for a formula; a plain number stays as it is."""
    return text if _NUMBER.fullmatch(text) else _DANGEROUS.sub("'", text)


def as_written(cell: str) -> str:
    """Return the text that :func:`as_cell` made *cell* of."""
    return _APOSTROPHE.sub("", cell)


def _written(contract: Table, records: Iterable[Any], *, guarded: bool) -> bytes:
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    names = [c.name for c in contract.columns]
    writer.writerow(names)
    for record in records:
        plain = as_plain(record)
        # Only what is a text in the record can be called anything; numbers and times are written by us.
        writer.writerow(
            [
                as_cell(plain[name]) if guarded and isinstance(getattr(record, name), str) else _cell(plain[name])
                for name in names
            ]
        )
    return out.getvalue().encode()


def _cell(plain: Any) -> str:
    if plain is None:
        return ""
    if isinstance(plain, bool):
        return "true" if plain else "false"
    return " ".join(plain) if isinstance(plain, list) else str(plain)

"""The short code of a paper copy: what a person types to find the register's entry, and the QR that says the same.

The code is twelve characters: eleven of Crockford's base 32 from a SHA-256, 55 bits, and his check symbol. It
proves nothing by itself: it finds the entry, whose hash proves. In 2^55 codes two of a million alike are
as likely as 1 in 70,000; that new ones end in a digit or a letter of base 32 leaves 32 of every 37.
"""

from __future__ import annotations

import hashlib
import itertools
from collections.abc import Iterator
from typing import Final

from markupsafe import Markup, escape

from schemas.errors import BadInput

#: Crockford, Base 32, https://www.crockford.com/base32.html (from memory): no I, L, O, U; five more for checks.
DIGITS: Final = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
CHECKS: Final = DIGITS + "*~$=U"
LENGTH: Final = 11
_GROUP: Final = 4
_READ_AS: Final = str.maketrans({"O": "0", "I": "1", "L": "1"})
_BITS: Final = 5
#: ISO/IEC 18004, 5.3.8: four modules free on every side (from memory).
_QUIET: Final = 4


def short_code(payload: bytes) -> str:
    """Return the code of *payload*, as XXXX-XXXX-XXXX; all of it digits and letters.

    Codes of earlier editions may end in one of the five other check symbols, which :func:`parsed` takes as well.

    Args:
        payload: What the code stands for: number, revision and the embedded data. The same bytes, the same code.
    """
    value = next(value for value in _values(payload) if check_symbol(value) in DIGITS)
    return _grouped(encoded(value).rjust(LENGTH, "0") + check_symbol(value))


def _values(payload: bytes) -> Iterator[int]:
    """Yield the numbers that may stand for *payload*, the first of its hash, the next of its hash with 1, 2, … behind it."""
    for count in itertools.count():
        digest = hashlib.sha256(payload + (str(count).encode() if count else b"")).digest()
        yield int.from_bytes(digest) >> (256 - LENGTH * _BITS)


def parsed(written: str) -> str:
    """Return the code that a person wrote or a reader read, in its one form.

    Case, blanks and hyphens do not matter, and O is read as 0, I and L as 1.

    Raises:
        BadInput: It has too few or too many characters, one that is in no code, or does not fit its check symbol.
    """
    bare = "".join(c for c in written.upper() if c not in "- \t\u00a0\u2010\u2011\u2013\u2212").translate(_READ_AS)
    shown = repr(written.strip()[:40])
    odd = next((c for c in bare[:LENGTH] if c not in DIGITS), None)
    if odd is None and len(bare) > LENGTH and bare[LENGTH] not in CHECKS:
        odd = bare[LENGTH]
    if odd is not None:
        raise BadInput(f"code {shown}: {odd!r} is in no code; read the {LENGTH + 1} characters again")
    if len(bare) != LENGTH + 1:
        raise BadInput(f"code {shown}: it has {len(bare)} characters and a code has {LENGTH + 1}; read it again")
    if check_symbol(decoded(bare[:LENGTH])) != bare[LENGTH]:
        raise BadInput(
            f"code {shown}: its check character does not fit, so one or more characters are mistaken; read it again"
        )
    return _grouped(bare)


def encoded(value: int) -> str:
    """Return a number from 0 in Crockford's base 32, without a check symbol."""
    digits = ""
    while True:
        value, digit = divmod(value, 32)
        digits = DIGITS[digit] + digits
        if not value:
            return digits


def decoded(digits: str) -> int:
    """Return the number that Crockford's base 32 says."""
    value = 0
    for digit in digits:
        value = value * 32 + DIGITS.index(digit)
    return value


def check_symbol(value: int) -> str:
    """Return Crockford's check symbol: the number modulo 37, the least prime above 32.

    It finds every single mistaken character and every exchange of two neighbours.
    """
    return CHECKS[value % 37]


def qr(text: str, title: str) -> Markup:
    """Return *text* as a QR code, error correction M, with its quiet zone: one picture, as wide as what is around it.

    Args:
        text: What a reader reads.
        title: What the picture is, for whoever does not see it.

    Raises:
        BadInput: The text is longer than a QR code holds.
    """
    import segno

    try:
        code = segno.make_qr(text, error="M", boost_error=False, encoding="utf-8")
    except segno.DataOverflowError:
        raise BadInput(f"{len(text)} characters are more than a QR code holds; shorten the address") from None
    rows = [bytes(row) for row in code.matrix]
    side = len(rows) + 2 * _QUIET
    path = "".join(_runs(row, y + _QUIET) for y, row in enumerate(rows))
    return Markup(  # noqa: S704 - numbers of ours, and a title that is escaped
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {side} {side}" width="{side}" height="{side}" '
        f'style="display:block;width:100%;height:auto"><title>{escape(title)}</title><path d="{path}" fill="#000"/></svg>'
    )


def _runs(row: bytes, y: int) -> str:
    """Return the dark modules of a row, each run of neighbours as one box: boxes that touch show hairlines on screens."""
    boxes, x = [], 0
    while x < len(row):
        end = x
        while end < len(row) and row[end]:
            end += 1
        if end > x:
            boxes.append(f"M{x + _QUIET} {y}h{end - x}v1h{x - end}z")
        x = max(end, x + 1)
    return "".join(boxes)


def _grouped(code: str) -> str:
    return "-".join(code[i : i + _GROUP] for i in range(0, len(code), _GROUP))

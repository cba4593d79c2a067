"""The letters that a certificate can print: what its bundled fonts hold, known before the first reading."""

from __future__ import annotations

import re
import unicodedata
from typing import Final

#: Latin, Greek and Cyrillic with the usual punctuation, currency and mathematical signs.
_PRINTED: Final = re.compile(
    "[\u0020-\u007e\u00a0-\u024f\u0370-\u052f\u1e00-\u1fff\u2010-\u2027\u2030-\u205e"
    "\u20a0-\u20bf\u2100-\u214f\u2190-\u2193\u2200-\u22ff]*"
)


def unprinted(text: str) -> str | None:
    """Return why *text* cannot stand on a certificate, naming the first such character, or None where it can."""
    end = _PRINTED.match(text)
    at = end.end() if end else 0
    if at == len(text):
        return None
    odd = text[at]
    name = unicodedata.name(odd, "no name")
    return (
        f"a certificate cannot print {odd!r} (U+{ord(odd):04X}, {name}); write it in Latin, Greek or Cyrillic letters"
    )

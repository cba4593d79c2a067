"""The letters that a certificate can print, and print so that a reader sees which they are; asked before the first reading.

Two texts that look the same must be the same: nothing that is invisible, turns the direction of writing, joins the letter
before it, or exists a second time gets into a name or a number. What stays possible is a whole word in another script:
that is how its people write.
"""

from __future__ import annotations

import re
import unicodedata
from typing import Final

#: Latin, Greek and Cyrillic with the usual punctuation, currency and mathematical signs.
_PRINTED: Final = re.compile(
    "[\u0020-\u007e\u00a0-\u024f\u0370-\u052f\u1e00-\u1fff\u2010-\u2027\u2030-\u205e"
    "\u20a0-\u20bf\u2100-\u214f\u2190-\u2193\u2200-\u22ff]*"
)

#: Letters that look like a Latin one, after the Unicode Technical Standard 39 (confusables; from memory).
_LOOK_LATIN: Final = frozenset(
    "\u0410\u0412\u0421\u0415\u041d\u0406\u0408\u041a\u041c\u041e\u0420\u0405\u0422\u0425\u0423"  # Cyrillic capitals
    "\u0430\u0441\u0435\u0456\u0458\u043e\u0440\u0455\u0445\u0443\u0501\u051b\u051d"  # Cyrillic small letters
    "\u0391\u0392\u0395\u0396\u0397\u0399\u039a\u039c\u039d\u039f\u03a1\u03a4\u03a5\u03a7\u03bf"  # Greek
)
_LATIN: Final = re.compile("[A-Za-z\u00c0-\u024f\u1e00-\u1eff]")
_WORD: Final = re.compile(r"[^\W\d_]+")


def unfit(text: str) -> str | None:
    """Return why *text* is not taken where a person enters it, or None where it is: :func:`unprinted` or :func:`misread`."""
    return unprinted(text) or misread(text)


def misread(text: str) -> str | None:
    """Return why a reader could take *text* for another one, naming the first such character, or None."""
    for letter in text:
        if unicodedata.category(letter) in ("Cf", "Cc", "Mn", "Me", "Mc"):
            return f"{_named(letter)} is no letter that can be seen by itself; take it out"
        usual = unicodedata.normalize("NFC", letter)
        if usual != letter:
            return f"{_named(letter)} looks like {usual!r} and is none; write that"
    for word in _WORD.findall(text):
        if _LATIN.search(word) and (odd := next((c for c in word if c in _LOOK_LATIN), None)):
            return f"{_named(odd)} in {word!r} looks like a Latin letter and is none; write the word in one alphabet"
    return None


def _named(letter: str) -> str:
    return f"{letter!r} (U+{ord(letter):04X}, {unicodedata.name(letter, 'no name')})"


def unprinted(text: str) -> str | None:
    """Return why *text* cannot stand on a certificate, naming the first such character, or None where it can."""
    end = _PRINTED.match(text)
    at = end.end() if end else 0
    if at == len(text):
        return None
    odd = text[at]
    return f"a certificate cannot print {_named(odd)}; write it in Latin, Greek or Cyrillic letters"

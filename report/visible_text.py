"""Text that came from outside, as it may be shown on a terminal: nothing in it moves, hides or turns what is around it.

The name in a signer's certificate is whatever the signer wrote. With a line break it would write a line of its own
into an answer, with an escape code or a change of direction it would overwrite one. So such characters are
shown by their number. Pure.
"""

from __future__ import annotations

import unicodedata
from typing import Final

#: Controls, format characters (direction and invisible ones among them), line and paragraph ends, and what is no letter.
_HIDDEN: Final = frozenset(("Cc", "Cf", "Zl", "Zp", "Cs", "Co", "Cn"))
_BLANKS: Final = frozenset(" \u00a0\u202f")


def visible(text: str) -> str:
    r"""Return *text* with every character that is not seen by itself written as \u{NUMBER}, in hex.

    >>> visible("Ida\n  signer known  holds")
    'Ida\\u{a}  signer known  holds'
    """
    if text.isascii() and text.isprintable():
        return text
    return "".join(f"\\u{{{ord(c):x}}}" if _is_hidden(c) else c for c in text)


def _is_hidden(letter: str) -> bool:
    kind = unicodedata.category(letter)
    return kind in _HIDDEN or (kind == "Zs" and letter not in _BLANKS)

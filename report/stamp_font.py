"""The font of a signature block: which letters it holds, and how pyHanko gets it."""

from __future__ import annotations

import io
import unicodedata
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any, Final

from pyhanko.pdf_utils.font.opentype import GlyphAccumulator, GlyphAccumulatorFactory

STAMP_FONT: Final = "OpenSans-Stamp.ttf"


@dataclass(frozen=True)
class StampFont(GlyphAccumulatorFactory):
    """Our stamp's font from memory; pyHanko's own factory opens the file and leaves it open."""

    def create_font_engine(self, writer: Any, obj_stream: Any = None) -> GlyphAccumulator:
        return GlyphAccumulator(writer, io.BytesIO(_content(self.font_file)), self.font_size, obj_stream=obj_stream)


def unstamped(text: str) -> str | None:
    """Return why *text* cannot stand in a signature block, naming the first such letter, or None where it can."""
    odd = next((c for c in text if c not in "\n" and ord(c) not in _letters()), None)
    if odd is None:
        return None
    named = f"{odd!r} (U+{ord(odd):04X}, {unicodedata.name(odd, 'no name')})"
    return f"a signature block cannot print {named}; write it in Latin, Greek or Cyrillic letters"


@cache
def _letters() -> frozenset[int]:
    from fontTools.ttLib import TTFont

    return frozenset(TTFont(io.BytesIO(_content(STAMP_FONT)), lazy=True).getBestCmap())


def _content(name: str) -> bytes:
    return (files("report") / "templates" / "fonts" / name).read_bytes()

"""Text of a drawing, turned into outlines of our own letters.

A page prints the words that follow from its data and no others, so that they can be compared with it word by
word; the words of a drawing therefore become shapes. They lose their own font, and nothing else.
"""

from __future__ import annotations

import math
import re
import unicodedata
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Final

from report.letter_shapes import Weight, glyph, heights
from report.svg_geometry import NotGeometry, Step

#: How far an upright letter leans where italics are asked for: tan of about 11°, our own choice.
_LEAN: Final = 0.2
#: Outlines are drawn to this share of the font size.
_FINENESS: Final = 2000
_WEIGHTS: Final[Mapping[str, Weight]] = {"400": 400, "600": 600, "700": 700}


@dataclass(slots=True)
class Letter:
    """One character of a text element, with the inherited properties that hold where it stands.

    Attributes:
        character: The character.
        style: The settled inherited properties.
        run: Which stretch of text it belongs to; the letters of one stretch are painted alike.
        x, y: Where it is put, None where it follows the one before.
        dx, dy: By how much it is moved beside that.
    """

    character: str
    style: Mapping[str, str]
    run: int
    x: float | None = None
    y: float | None = None
    dx: float = 0.0
    dy: float = 0.0


def collapsed(pieces: list[tuple[str, bool]]) -> Iterator[str]:
    """Yield the pieces of one text with their blanks as SVG shows them (SVG 1.1, 10.15, from memory).

    Args:
        pieces: Text, and whether its blanks are kept.
    """
    last_blank = True
    kept: list[str] = []
    for text, preserve in pieces:
        if preserve:
            text = re.sub(r"[\n\r\t]", " ", text)
        else:
            text = re.sub(r" +", " ", re.sub(r"[\n\r]", "", text).replace("\t", " "))
            if last_blank:
                text = text.removeprefix(" ")
        if text:
            last_blank = text.endswith(" ")
        kept.append(text)
    if pieces and last_blank:
        for i in range(len(kept) - 1, -1, -1):
            if kept[i]:
                if not pieces[i][1]:
                    kept[i] = kept[i].rstrip(" ")
                break
    yield from kept


def refuse_unreadable(text: str) -> None:
    """Refuse what cannot be drawn letter by letter from left to right with our own font.

    Raises:
        NotGeometry: There is such a character; the message names it.
    """
    for character in text:
        joined = unicodedata.combining(character) or unicodedata.bidirectional(character) in (
            "R",
            "AL",
            "RLE",
            "RLO",
            "RLI",
        )
        if joined or glyph(character, 400) is None:
            name = unicodedata.name(character, "no name")
            raise NotGeometry(f"its text has {character!r} (U+{ord(character):04X}, {name}), which is not drawn here")


def outlines(letters: list[Letter]) -> dict[int, list[Step]]:
    """Return the outlines of a text element by stretch.

    Args:
        letters: Its letters in order, none of them unreadable.
    """
    placed = _placed(letters)
    result: dict[int, list[Step]] = {}
    for letter, (x, y) in zip(letters, placed, strict=True):
        weight = _WEIGHTS[letter.style["font-weight"]]
        shape = glyph(letter.character, weight)
        if shape is None:
            raise RuntimeError(f"{letter.character!r} was not refused")
        size = float(letter.style["font-size"])
        lean = 0.0 if letter.style["font-style"] == "normal" else _LEAN
        y += _lift(letter.style["dominant-baseline"], weight) * size
        steps = result.setdefault(letter.run, [])
        # Finer than this nobody prints, and the file grows with every figure.
        digits = max(0, math.ceil(math.log10(_FINENESS / size))) if size else 0
        for verb, args in shape.steps:
            points = zip(args[::2], args[1::2], strict=True)
            spots = ((x + (px - lean * py) * size, y + py * size) for px, py in points)
            steps.append((verb, tuple(round(v, digits) for spot in spots for v in spot)))
    return result


def _placed(letters: list[Letter]) -> list[tuple[float, float]]:
    """Return where each letter stands: text goes on to the right, and each stretch with its own x or y is anchored anew."""
    spots: list[tuple[float, float]] = []
    x = y = 0.0
    chunk = 0
    ends: list[float] = []
    for i, letter in enumerate(letters):
        if i and (letter.x is not None or letter.y is not None):
            _anchor(letters, spots, ends, chunk, i)
            x = ends[-1]
            chunk = i
        x = (letter.x if letter.x is not None else x) + letter.dx
        y = (letter.y if letter.y is not None else y) + letter.dy
        spots.append((x, y))
        shape = glyph(letter.character, _WEIGHTS[letter.style["font-weight"]])
        advance = (shape.advance if shape else 0.0) * float(letter.style["font-size"])
        x += advance + float(letter.style["letter-spacing"])
        ends.append(x)
    if letters:
        _anchor(letters, spots, ends, chunk, len(letters))
    return spots


def _anchor(letters: list[Letter], spots: list[tuple[float, float]], ends: list[float], start: int, end: int) -> None:
    share = {"start": 0.0, "middle": 0.5, "end": 1.0}[letters[start].style["text-anchor"]]
    shift = share * (ends[end - 1] - spots[start][0])
    for i in range(start, end):
        spots[i] = (spots[i][0] - shift, spots[i][1])
        ends[i] -= shift


def _lift(baseline: str, weight: Weight) -> float:
    """Return by how much of the size text is lowered so that another line than the alphabetic one lies on y."""
    known = heights(weight)
    if baseline == "middle":
        return known.x_height / 2
    if baseline == "central":
        return (known.ascent - known.descent) / 2
    return 0.0

"""The bundled letters as shapes and widths, for text that is drawn and for room that has to be known beforehand.

Widths are sums of advances: no kerning, so that a width never comes out smaller than what is printed by
more than a hair.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from itertools import pairwise
from typing import Any, Final, Literal

Weight = Literal[400, 600, 700]

_FILES: Final[dict[Weight, str]] = {
    400: "OpenSans-Regular.ttf",
    600: "OpenSans-Semibold.ttf",
    700: "OpenSans-Bold.ttf",
}


@dataclass(frozen=True, slots=True)
class Glyph:
    """One letter, in units of the font size, y downwards from the baseline.

    Attributes:
        advance: How far the next letter stands.
        steps: Its outline as path commands M, L, Q and Z with their numbers.
    """

    advance: float
    steps: tuple[tuple[str, tuple[float, ...]], ...]


@dataclass(frozen=True, slots=True)
class Heights:
    """Heights of a weight above its baseline, in units of the font size; *descent* is positive."""

    ascent: float
    descent: float
    x_height: float


def glyph(letter: str, weight: Weight) -> Glyph | None:
    """Return the shape of one character, or None where the font has none."""
    return _glyph(letter, weight)


def width(text: str, weight: Weight = 400) -> float:
    """Return how wide *text* is on one line, in units of the font size."""
    return sum(_advance(letter, weight) for letter in text)


def heights(weight: Weight) -> Heights:
    """Return the heights of a weight."""
    font = _font(weight)
    em = font["head"].unitsPerEm
    return Heights(font["hhea"].ascent / em, -font["hhea"].descent / em, font["OS/2"].sxHeight / em)


@cache
def _font(weight: Weight) -> Any:
    import io

    from fontTools.ttLib import TTFont

    path = files("report") / "templates" / "fonts" / _FILES[weight]
    return TTFont(io.BytesIO(path.read_bytes()), lazy=True)


@cache
def _names(weight: Weight) -> dict[int, str]:
    names: dict[int, str] = _font(weight).getBestCmap()
    return names


@cache
def _advance(letter: str, weight: Weight) -> float:
    # A letter that no font has is refused elsewhere; here it takes the room of a wide one.
    font = _font(weight)
    name = _names(weight).get(ord(letter), "M")
    return float(font["hmtx"][name][0] / font["head"].unitsPerEm)


@cache
def _glyph(letter: str, weight: Weight) -> Glyph | None:
    from fontTools.pens.recordingPen import DecomposingRecordingPen

    name = _names(weight).get(ord(letter))
    if name is None:
        return None
    font = _font(weight)
    em = font["head"].unitsPerEm
    shapes = font.getGlyphSet()
    pen = DecomposingRecordingPen(shapes)
    shapes[name].draw(pen)
    steps: list[tuple[str, tuple[float, ...]]] = []
    for verb, points in pen.value:
        if verb in ("moveTo", "lineTo"):
            ((x, y),) = points
            steps.append(("M" if verb == "moveTo" else "L", (x / em, -y / em)))
        elif verb == "qCurveTo":
            steps += _quadratics(points, em)
        elif verb in ("closePath", "endPath"):
            steps.append(("Z", ()))
        else:
            raise RuntimeError(f"the bundled font draws {letter!r} with {verb}, which TrueType does not have")
    return Glyph(_advance(letter, weight), tuple(steps))


def _quadratics(points: Any, em: int) -> list[tuple[str, tuple[float, ...]]]:
    """Return the pieces of a TrueType curve: between two control points lies an implied point (Apple, TrueType manual)."""
    *controls, last = [(x / em, -y / em) for x, y in points]
    steps: list[tuple[str, tuple[float, ...]]] = []
    for here, after in pairwise(controls):
        middle = ((here[0] + after[0]) / 2, (here[1] + after[1]) / 2)
        steps.append(("Q", (*here, *middle)))
    steps.append(("Q", (*controls[-1], *last)))
    return steps

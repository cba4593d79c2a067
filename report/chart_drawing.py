"""What all charts are drawn with: colours, lines, marks and the frame around them. Pure: values in, SVG text out.

Colour is never alone: what is outside has another shape than what is inside, and lines differ by their dashes and
by where they are labelled, so that a grey print says the same. A limit of the specification looks like a wall, a
thick line with short strokes on its far side; a control limit, which comes from the process and not from the
customer, is thin and broken, and has no strokes.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from markupsafe import Markup, escape

#: Of letters: at least 4.5:1 on white (WCAG 2.2, success criterion 1.4.3). Of marks and lines that say something: at
#: least 3:1 (1.4.11). tests/report/test_page_contrast.py computes both.
INK: Final = "#1a1a1a"
QUIET: Final = "#4a5157"
INSIDE: Final = "#1d4e6b"
OUTSIDE: Final = "#a3170a"
LIMIT: Final = "#111111"
TARGET_EDGE: Final = "#5d6b73"
CONTROL: Final = "#6a3d8f"
MEAN: Final = "#8a3b06"
#: Fields and lines that only help the eye; nothing is said by them alone.
TARGET: Final = "#dfe5e8"
GRID: Final = "#e3e6e8"
GROUND: Final = "#ffffff"

TEXT_COLOURS: Final = (INK, QUIET, OUTSIDE, CONTROL, MEAN, INSIDE)
MARK_COLOURS: Final = (INSIDE, OUTSIDE, LIMIT, TARGET_EDGE, CONTROL, MEAN)

#: A wall's strokes stand so far apart and reach so far, in px.
_STROKES: Final = "1.2 7"
_REACH: Final = 6.0
SIZE: Final = 13.0


@dataclass(frozen=True, slots=True)
class Plot:
    """Where the field of a chart lies on its drawing, in px from the top left."""

    left: float
    top: float
    right: float
    bottom: float


def drawing(width: float, height: float, title: str, description: str, parts: Iterable[str]) -> Markup:
    """Return a picture with its name and what it shows in words, for whoever does not see it.

    Args:
        width, height: Its size in px; a page may show it larger or smaller.
        title: What it is.
        description: What is to be seen on it, in a sentence or two.
        parts: What is drawn, in SVG; texts in it are escaped already.
    """
    return Markup(  # noqa: S704 - numbers of ours, and texts that are escaped where they are drawn
        f'<svg xmlns="http://www.w3.org/2000/svg" role="img" viewBox="0 0 {n(width)} {n(height)}" width="{n(width)}" '
        f'height="{n(height)}" font-size="{n(SIZE)}" fill="{INK}"><title>{escape(title)}</title>'
        f"<desc>{escape(description)}</desc>{''.join(parts)}</svg>"
    )


def text(
    x: float,
    y: float,
    words: str,
    *,
    anchor: str = "start",
    colour: str = INK,
    bold: bool = False,
    size: float | None = None,
) -> str:
    """Return *words* with their base line at *y*."""
    more = "" if anchor == "start" else f' text-anchor="{anchor}"'
    more += "" if colour == INK else f' fill="{colour}"'
    more += ' font-weight="600"' if bold else ""
    more += "" if size is None else f' font-size="{n(size)}"'
    return f'<text x="{n(x)}" y="{n(y)}"{more}>{escape(words)}</text>'


def line(path: str, colour: str, thickness: float, dashes: str = "") -> str:
    """Return the line along *path*; nothing for an empty one."""
    if not path:
        return ""
    broken = f' stroke-dasharray="{dashes}"' if dashes else ""
    return f'<path d="{path}" fill="none" stroke="{colour}" stroke-width="{n(thickness)}"{broken}/>'


def field(path: str, colour: str) -> str:
    """Return the area inside *path*; nothing for an empty one."""
    return f'<path d="{path}" fill="{colour}"/>' if path else ""


def wall(x0: float, y0: float, x1: float, y1: float, away: int) -> str:
    """Return a limit of the specification, level or upright, with strokes on the side that is not allowed.

    Args:
        x0, y0, x1, y1: Its ends.
        away: 1 where what is not allowed lies below (of a level one) or to the right (of an upright one), else -1.
    """
    shift = away * _REACH / 2
    dx, dy = (0.0, shift) if y0 == y1 else (shift, 0.0)
    strokes = f"M{n(x0 + dx)} {n(y0 + dy)}L{n(x1 + dx)} {n(y1 + dy)}"
    return line(strokes, LIMIT, _REACH, _STROKES) + line(f"M{n(x0)} {n(y0)}L{n(x1)} {n(y1)}", LIMIT, 2)


# Marks: pieces of a path around a spot, so that a thousand of them are one element.


def dot(x: float, y: float, r: float) -> str:
    """Return a round mark."""
    return f"M{n(x - r)} {n(y)}a{n(r)} {n(r)} 0 1 0 {n(2 * r)} 0a{n(r)} {n(r)} 0 1 0 {n(-2 * r)} 0z"


def cross(x: float, y: float, r: float) -> str:
    """Return a cross that lies on its side."""
    return f"M{n(x - r)} {n(y - r)}l{n(2 * r)} {n(2 * r)}m0 {n(-2 * r)}l{n(-2 * r)} {n(2 * r)}"


def diamond(x: float, y: float, r: float) -> str:
    """Return a square on its corner."""
    return f"M{n(x)} {n(y - r)}l{n(r)} {n(r)}l{n(-r)} {n(r)}l{n(-r)} {n(-r)}z"


def square(x: float, y: float, r: float) -> str:
    """Return a square."""
    return f"M{n(x - r)} {n(y - r)}h{n(2 * r)}v{n(2 * r)}h{n(-2 * r)}z"


def triangle(x: float, y: float, r: float) -> str:
    """Return a triangle that points up."""
    return f"M{n(x)} {n(y - r)}l{n(r)} {n(1.8 * r)}h{n(-2 * r)}z"


def upright(x: float, y: float, r: float) -> str:
    """Return a short upright stroke."""
    return f"M{n(x)} {n(y - r)}v{n(2 * r)}"


def zigzag(points: Sequence[tuple[float, float]]) -> str:
    """Return the path from point to point."""
    return "".join(f"{'L' if i else 'M'}{n(x)} {n(y)}" for i, (x, y) in enumerate(points))


def n(value: float) -> str:
    """Return a number of a drawing, to a hundredth, as short as it can be."""
    written = f"{value:.2f}".rstrip("0").rstrip(".")
    return "0" if written in ("-0", "") else written

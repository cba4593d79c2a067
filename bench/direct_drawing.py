"""A certificate's page drawn directly with reportlab: the floor of the certificate's bench.

Draws what the HTML holds, so that it keeps to the page when the page changes: every heading, paragraph, list,
table row and picture, with the same fonts and sizes and repeated heads. It does not tag, embed, sign or check
anything. Reading the HTML is not part of the floor: whoever draws directly has the strings.
"""

from __future__ import annotations

import io
import re
import xml.etree.ElementTree as ElementTree
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cache
from importlib.resources import files
from typing import Any, Final

from reportlab.lib.pagesizes import A4, LETTER
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.platypus import BaseDocTemplate, Flowable, Frame, PageTemplate, Paragraph, Table

_SVG: Final = "{http://www.w3.org/2000/svg}"
_SILENT: Final = ("head", "colgroup", "title", "input")
_SIDE_BY_SIDE: Final = ("who", "release-row", "header")
_STEP: Final = re.compile(r"([A-Za-z])([^A-Za-z]*)")
_FIGURE: Final = re.compile(r"-?(?:\d+\.?\d*|\.\d+)")
_PX: Final = 0.75
_PICTURE_WIDE: Final = 76.0
_CELL_PAD: Final = 2.8


@dataclass(slots=True)
class _Text:
    text: str
    style: str


@dataclass(slots=True)
class _Rows:
    """A table: cells are strings, pictures, or both where text has to wrap."""

    cells: list[list[Any]]
    heads: int
    size: float
    widths: list[float] = field(default_factory=list)
    right: list[int] = field(default_factory=list)


@dataclass(slots=True)
class _Beside:
    columns: list[list[Any]]


@dataclass(frozen=True, slots=True)
class _Picture:
    wide: float
    high: float
    shapes: tuple[tuple[Any, ...], ...]


@dataclass(frozen=True, slots=True)
class Recipe:
    """What there is to draw."""

    blocks: list[Any]
    foot: str
    letter: bool


def recipe_of(html: str) -> Recipe:
    """Return what *html*, a certificate's well-formed page, holds.

    Raises:
        ValueError: A picture holds a shape that cannot be drawn here.
    """
    _register()
    root = ElementTree.fromstring(html)  # noqa: S314 - our own template's
    body = root.find("body")
    assert body is not None
    foot = next(("".join(e.itertext()) for e in body if e.get("class") == "foot-left"), "")
    wide = (LETTER if "letter" in html[:2000].lower() else A4)[0] - 28 * mm
    return Recipe(list(_blocks(body, wide, 8.0)), foot, "letter" in html[:2000].lower())


def draw(recipe: Recipe, pages: int) -> tuple[bytes, int]:
    """Return the PDF and how many pages it has.

    Args:
        recipe: What to draw.
        pages: How many pages the foot says there are.
    """
    out = io.BytesIO()
    width, height = LETTER if recipe.letter else A4
    document = BaseDocTemplate(out, pagesize=(width, height), title="floor")

    def foot(canvas: Any, doc: Any) -> None:
        canvas.setFont("OS", 7.5)
        canvas.drawString(14 * mm, 8 * mm, recipe.foot)
        canvas.drawRightString(width - 14 * mm, 8 * mm, f"Page {doc.page} of {pages}")

    frame = Frame(14 * mm, 14 * mm, width - 28 * mm, height - 26 * mm, 0, 0, 0, 0)
    document.addPageTemplates([PageTemplate(frames=[frame], onPage=foot)])
    document.build([_flowable(block) for block in recipe.blocks])
    return out.getvalue(), document.page


@cache
def _register() -> None:
    fonts = files("report") / "templates" / "fonts"
    for name, file in (("OS", "OpenSans-Regular.ttf"), ("OSS", "OpenSans-Semibold.ttf"), ("OSB", "OpenSans-Bold.ttf")):
        pdfmetrics.registerFont(TTFont(name, io.BytesIO((fonts / file).read_bytes())))


@cache
def _style(name: str) -> ParagraphStyle:
    size = {"h1": 15.0, "h2": 9.0, "h3": 8.5, "p": 8.0, "li": 8.0, "dt": 8.0, "dd": 8.0, "big": 13.0}.get(name, 7.0)
    font = {"h1": "OSB", "h2": "OSB", "h3": "OSS", "big": "OSB", "th": "OSS"}.get(name, "OS")
    before = {"h2": 3 * mm, "h3": 2 * mm, "big": 3 * mm}.get(name, 0)
    after = {"h2": 2 * mm, "h1": 2 * mm, "big": 3 * mm}.get(name, 0.3 * mm)
    left = 4 * mm if name == "li" else 0
    return ParagraphStyle(name, fontName=font, fontSize=size, leading=size * (1.2 if size < 8 else 1.32), spaceBefore=before, spaceAfter=after, leftIndent=left)  # fmt: skip


def _blocks(element: Any, wide: float, size: float) -> Iterator[Any]:
    for child in element:
        kind, classes = child.tag, (child.get("class") or "").split()
        if kind in _SILENT or "foot-left" in classes:
            continue
        if kind == "table":
            yield _rows(child, wide)
        elif kind == "dl":
            pairs = [["".join(part.itertext()) for part in entry.iter() if part.tag in ("dt", "dd")] for entry in child]
            yield _fitted(_Rows([p for p in pairs if p], 0, size), [30 * mm, wide - 30 * mm])
        elif kind in ("h1", "h2", "h3", "p", "li"):
            yield _Text(_escaped(child), "big" if "word" in classes else kind)
        elif kind == "header" or any(c in _SIDE_BY_SIDE for c in classes):
            parts = list(child)
            yield _Beside([list(_blocks(part, wide / len(parts), size)) for part in parts])
        elif kind == f"{_SVG}svg":
            yield _picture(child)
        elif child.get("id") == "signature-place":
            yield _Picture(84 * mm, 21 * mm, (("rect", 0, 0, 84 * mm, 21 * mm, None),))
        else:
            if (child.text or "").strip():
                yield _Text((child.text or "").strip(), "p")
            yield from _blocks(child, wide, size)


def _escaped(element: Any) -> str:
    return "".join(element.itertext()).strip().replace("&", "&amp;").replace("<", "&lt;")


def _rows(table: Any, wide: float) -> _Rows:
    rows = [[_cell(cell) for cell in row] for row in table.iter("tr")]
    heads = sum(1 for group in table.iter("thead") for _ in group.iter("tr"))
    size = 7.5 if table.get("class") in ("builds", "checks") else 7.0
    columns = max(len(row) for row in rows)
    made = _Rows([row + [""] * (columns - len(row)) for row in rows], heads, size)
    last = next(iter(row for row in table.iter("tr")))
    made.right = [i for i, cell in enumerate(last) if "r" in (cell.get("class") or "").split()]
    needed = [max(_needed(row[i], size) for row in made.cells) for i in range(columns)]
    return _fitted(made, [n * wide / sum(needed) for n in needed])


def _cell(cell: Any) -> Any:
    picture = cell.find(f"{_SVG}svg")
    return _picture(picture) if picture is not None else "".join(cell.itertext()).strip()


def _needed(cell: Any, size: float) -> float:
    if isinstance(cell, _Picture):
        return _PICTURE_WIDE + _CELL_PAD
    return min(110.0, float(pdfmetrics.stringWidth(cell, "OSS", size))) + _CELL_PAD


def _fitted(rows: _Rows, widths: list[float]) -> _Rows:
    """Mark the cells whose text does not fit on a line: only those need a paragraph, which costs more."""
    rows.widths = widths
    for row in rows.cells:
        for i, cell in enumerate(row):
            if isinstance(cell, str) and pdfmetrics.stringWidth(cell, "OS", rows.size) > widths[i] - _CELL_PAD + 0.01:
                row[i] = _Text(cell.replace("&", "&amp;").replace("<", "&lt;"), "dd" if rows.size >= 8 else "td")
    return rows


def _flowable(block: Any) -> Any:
    if isinstance(block, _Text):
        return Paragraph(block.text, _style(block.style))
    if isinstance(block, _Picture):
        return _Drawing(block)
    if isinstance(block, _Beside):
        return Table([[[_flowable(b) for b in column] for column in block.columns]], style=[("VALIGN", (0, 0), (-1, -1), "TOP"), ("LEFTPADDING", (0, 0), (-1, -1), 0), ("TOPPADDING", (0, 0), (-1, -1), 0), ("BOTTOMPADDING", (0, 0), (-1, -1), 0)])  # fmt: skip
    cells = [[c if isinstance(c, str) else _flowable(c) for c in row] for row in block.cells]
    commands: list[tuple[Any, ...]] = [
        ("FONT", (0, 0), (-1, -1), "OS", block.size, block.size * 1.2),
        ("LEFTPADDING", (0, 0), (-1, -1), 0), ("RIGHTPADDING", (0, 0), (-1, -1), _CELL_PAD),
        ("TOPPADDING", (0, 0), (-1, -1), 0.4), ("BOTTOMPADDING", (0, 0), (-1, -1), 0.6),
        ("VALIGN", (0, 0), (-1, -1), "MIDDLE"),
    ]  # fmt: skip
    if block.heads:
        commands += [
            ("FONT", (0, 0), (-1, block.heads - 1), "OSS", block.size, block.size * 1.2),
            ("LINEBELOW", (0, 0), (-1, -1), 0.3, "#bbbbbb"),
        ]
    commands += [("ALIGN", (i, 0), (i, -1), "RIGHT") for i in block.right]
    return Table(cells, colWidths=block.widths, repeatRows=block.heads, style=commands, spaceAfter=1 * mm)


class _Drawing(Flowable):  # type: ignore[misc]  # reportlab publishes no types
    def __init__(self, picture: _Picture) -> None:
        super().__init__()
        self.picture = picture
        self.width, self.height = picture.wide, picture.high

    def draw(self) -> None:
        canvas = self.canv
        for kind, *rest in self.picture.shapes:
            if kind == "rect":
                x, y, wide, high, fill = rest
                if fill:
                    canvas.setFillColor(fill)
                canvas.rect(x, y, wide, high, stroke=0 if fill else 1, fill=1 if fill else 0)
            elif kind == "text":
                x, y, text, size = rest
                canvas.setFillColor("#222222")
                canvas.setFont("OS", size)
                canvas.drawCentredString(x, y, text)
            else:
                steps, stroke, thick, fill = rest
                path = canvas.beginPath()
                for name, *at in steps:
                    getattr(path, name)(*at)
                if stroke:
                    canvas.setStrokeColor(stroke)
                    canvas.setLineWidth(thick)
                if fill:
                    canvas.setFillColor(fill)
                canvas.drawPath(path, stroke=1 if stroke else 0, fill=1 if fill else 0)


def _picture(svg: Any) -> _Picture:
    _, _, wide, high = (float(v) for v in svg.get("viewBox").split())
    scale = _PICTURE_WIDE / wide
    return _Picture(_PICTURE_WIDE, high * scale, tuple(_shapes(svg, scale, high)))


def _shapes(element: Any, scale: float, high: float) -> Iterator[tuple[Any, ...]]:
    for child in element:
        kind = child.tag.removeprefix(_SVG)
        if kind in ("title", "desc"):
            continue
        number = {k: float(v) * scale for k, v in child.attrib.items() if _FIGURE.fullmatch(v)}
        if kind == "g":
            yield from _shapes(child, scale, high)
        elif kind == "rect":
            tall = number["height"]
            yield ("rect", number.get("x", 0), high * scale - number.get("y", 0) - tall, number["width"], tall, child.get("fill", "#000000"))  # fmt: skip
        elif kind == "text":
            text = "".join(child.itertext())
            yield ("text", number.get("x", 0), high * scale - number.get("y", 0), text, 13 * scale)
        elif kind == "path":
            steps = list(_steps(child.get("d"), scale, high))
            fill = child.get("fill")
            yield ("path", steps, child.get("stroke"), number.get("stroke-width", scale), None if fill == "none" else fill)  # fmt: skip
        else:
            raise ValueError(f"the floor cannot draw <{kind}>; teach bench/direct_drawing.py to")


def _steps(path: str, scale: float, high: float) -> Iterator[tuple[Any, ...]]:
    """Yield reportlab's steps of an SVG path; two half circles, as a dot is drawn, are a circle."""
    x = y = 0.0
    half = False
    for command, rest in _STEP.findall(path):
        n = [float(v) for v in _FIGURE.findall(rest)]
        relative = command.islower()
        match command.upper():
            case "M" | "L":
                x, y = (x + n[0], y + n[1]) if relative else (n[0], n[1])
                yield ("moveTo" if command.upper() == "M" else "lineTo", x * scale, (high - y) * scale)
            case "H":
                x = x + n[0] if relative else n[0]
                yield ("lineTo", x * scale, (high - y) * scale)
            case "V":
                y = y + n[0] if relative else n[0]
                yield ("lineTo", x * scale, (high - y) * scale)
            case "A":
                if not half:
                    yield ("circle", (x + n[5] / 2) * scale, (high - y) * scale, n[0] * scale)
                half = not half
                x, y = (x + n[5], y + n[6]) if relative else (n[5], n[6])
            case "Z":
                yield ("close",)
            case _:
                raise ValueError(f"the floor cannot draw the path step {command}; teach bench/direct_drawing.py to")

"""The part drawing with its locations: where every label goes, and the marks and lines over the drawing.

Labels stand in two columns beside the drawing, each joined to its point by a thin line, so that nothing of the
drawing is covered. Where the columns are full, numbers beside the points take their place and refer to the
table. All of it is reckoned beforehand from the widths of our own letters: no label covers another one, a mark
or the edge.

Labels are text of the page; marks and lines are one picture over the drawing. They are placed without CSS
positions on purpose: what is positioned is painted after the rest of the page, and would then be read after
it as well. Pictures say overflow: visible for the same reason, since what clips is painted last and would cover
the labels.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final, Literal

from markupsafe import Markup, escape

from report.letter_shapes import Weight, width
from schemas.errors import BadInput

Verdict = Literal["conforms", "does not conform", "undecided"]
Way = Literal["beside", "numbers"]

#: Sizes in mm, chosen by us: 7 pt letters, as in the tables; marks that are told apart at arm's length.
FONT_PT: Final = 7.0
NUMBER_PT: Final = 6.0
_PT: Final = 25.4 / 72
_LINE: Final = 1.2
_GAP: Final = 1.0
_AIR: Final = 2.5
_MARK: Final = 1.25
#: A mark's ring of white: what has to stay free around a point.
_CLEAR: Final = _MARK + 0.35
_WIDEST: Final = 46.0
_NARROWEST: Final = 12.0
#: Margins that are tried around a drawing with numbers.
_EDGES: Final = (4.5, 12.0, 24.0, 36.0)
#: A printed width may be a hair over the reckoned one where letters are hinted.
_SAFETY: Final = 1.03
_NAME: Final[Weight] = 400
_VALUE: Final[Weight] = 600
_COLOURS: Final[dict[Verdict, str]] = {"conforms": "#1d4e6b", "does not conform": "#a3170a", "undecided": "#7a5200"}


@dataclass(frozen=True, slots=True)
class Place:
    """A location with a point.

    Attributes:
        number: Its row in the table of locations, from 1.
        location: Its name.
        value: What is printed beside the name, the mean with its unit for example.
        x, y: The point, as fractions of the drawing's width and height from top left.
        verdict: Which mark it gets.
    """

    number: int
    location: str
    value: str
    x: float
    y: float
    verdict: Verdict


@dataclass(frozen=True, slots=True)
class Label:
    """A label and where it stands, in mm from the top left of the whole.

    Attributes:
        place: The location.
        lines: Its text line by line, each with its weight.
        left, top, width, height: Its box.
        anchor: Which side of the box its line comes from; text is set against that side.
        size_pt: Size of its letters.
    """

    place: Place
    lines: tuple[tuple[str, Weight], ...]
    left: float
    top: float
    width: float
    height: float
    anchor: Literal["left", "right"]
    size_pt: float

    def reaches(self, x: float, y: float, radius: float) -> bool:
        """Return whether the label comes nearer to a spot than *radius*."""
        dx = max(self.left - x, 0.0, x - self.left - self.width)
        dy = max(self.top - y, 0.0, y - self.top - self.height)
        return math.hypot(dx, dy) < radius


@dataclass(frozen=True, slots=True)
class PartDrawing:
    """Where everything of a part drawing stands, in mm from the top left of the whole.

    Attributes:
        way: beside where labels with values stand in columns, numbers where numbers refer to the table.
        width, height: The whole.
        left, top, drawing_width, drawing_height: The drawing in it.
        labels: One per location, in the order given.
        overlay: Marks and lines, a picture as large as the whole.
    """

    way: Way
    width: float
    height: float
    left: float
    top: float
    drawing_width: float
    drawing_height: float
    labels: tuple[Label, ...]
    overlay: Markup

    def point(self, place: Place) -> tuple[float, float]:
        """Return where a location's point lies, in mm from the top left of the whole."""
        return self.left + place.x * self.drawing_width, self.top + place.y * self.drawing_height

    def markup(self, picture: Markup) -> Markup:
        """Return the whole as a block of a page: drawing, marks, then the labels in their order.

        Args:
            picture: The drawing as an element that fills the width around it.
        """
        labels = Markup("").join(_printed(label) for label in self.labels)
        height = _mm(self.height)
        return Markup(
            '<div class="part-drawing" style="width:{w};height:{h};break-inside:avoid">'
            '<div style="height:0"><div style="padding-top:{top};margin-left:{left};width:{dw};height:{dh}">{picture}</div></div>'
            '<div style="height:0">{overlay}</div>{labels}</div>'
        ).format(
            w=_mm(self.width),
            h=height,
            top=_mm(self.top),
            left=_mm(self.left),
            dw=_mm(self.drawing_width),
            dh=_mm(self.drawing_height),
            picture=picture,
            overlay=self.overlay,
            labels=labels,
        )


def part_drawing(
    places: Sequence[Place],
    aspect: float,
    title: str,
    width_mm: float = 182.0,
    highest_mm: float = 120.0,
    *,
    only_numbers: bool = False,
) -> PartDrawing:
    """Return where the labels of *places* go.

    Labels stand beside the drawing as long as both columns hold them, first with name and value on lines of
    their own, then on one line; beyond that, numbers stand beside the points.

    Args:
        places: The locations with a point, in the order of the table.
        aspect: Width by height of the drawing.
        title: What marks and lines show, for whoever does not see them.
        width_mm: Room across.
        highest_mm: Room down.
        only_numbers: Whether numbers are wanted although labels would fit: where letters are not ours, their widths
            are not known.

    Raises:
        BadInput: A point lies outside the drawing, or there is no room for so many numbers.
    """
    for place in places:
        if not (0 <= place.x <= 1 and 0 <= place.y <= 1):
            raise BadInput(
                f"location {place.location!r}: point [{place.x}, {place.y}] lies outside the drawing; both are fractions "
                "from 0 to 1, from the left and from the top"
            )
    for stacked in () if only_numbers else (True, False):
        made = _beside(places, aspect, width_mm, highest_mm, stacked=stacked)
        if made is not None:
            break
    else:
        made = _numbered(places, aspect, width_mm, highest_mm)
    return replace(made, overlay=_overlay(made, title))


# --- labels in columns


def _beside(
    places: Sequence[Place], aspect: float, across: float, highest: float, *, stacked: bool
) -> PartDrawing | None:
    """Return labels in columns left and right of the drawing, or None where they do not fit."""
    texts = [_lines(place, stacked=stacked) for place in places]
    column = max((_wide(lines, FONT_PT) for lines in texts), default=_NARROWEST)
    column = max(_NARROWEST, column)
    drawn_width = across - 2 * (column + _AIR)
    drawn_height = min(highest - 2 * _CLEAR, drawn_width / aspect)
    drawn_width = drawn_height * aspect
    tall = [len(lines) * _line_height(FONT_PT) for lines in texts]
    needed = sum(tall) + _GAP * len(tall)
    # The columns may be higher than a flat drawing, as long as there is room.
    down = min(highest, max(drawn_height + 2 * _CLEAR, needed / 2 * 1.1 + max(tall, default=0)))
    left, top = (across - drawn_width) / 2, (down - drawn_height) / 2
    frame = PartDrawing("beside", across, down, left, top, drawn_width, drawn_height, (), Markup(""))
    sides = _sides(places, tall, down)
    if sides is None:
        return None
    boxes: dict[int, Label] = {}
    for anchor, chosen in sides:
        for i, y in _column(
            [frame.point(p) for p in places], tall, chosen, down, left if anchor == "right" else None, frame
        ):
            x = left - _AIR - column if anchor == "right" else left + drawn_width + _AIR
            boxes[i] = Label(places[i], texts[i], x, y, column, tall[i], anchor, FONT_PT)
    return replace(frame, labels=tuple(boxes[i] for i in range(len(places))))


def _sides(
    places: Sequence[Place], tall: Sequence[float], down: float
) -> tuple[tuple[Literal["left", "right"], list[int]], ...] | None:
    """Return which labels stand left of the drawing (anchored at their right) and which right, or None."""
    order = sorted(range(len(places)), key=lambda i: (places[i].x, places[i].y, i))
    best: tuple[float, int] | None = None
    for cut in range(len(order) + 1):
        loads = [sum(tall[i] + _GAP for i in part) - _GAP for part in (order[:cut], order[cut:])]
        if max(loads) > down:
            continue
        # A point goes to its own half, and halves that are too full give to the other.
        strays = sum(places[i].x > 0.5 for i in order[:cut]) + sum(places[i].x <= 0.5 for i in order[cut:])
        cost = strays + 4 * max(0.0, max(loads) / down - 0.75) * len(order)
        if best is None or cost < best[0]:
            best = cost, cut
    if best is None:
        return None
    return ("right", order[: best[1]]), ("left", order[best[1] :])


def _column(
    points: Sequence[tuple[float, float]],
    tall: Sequence[float],
    chosen: Sequence[int],
    down: float,
    left_edge: float | None,
    frame: PartDrawing,
) -> list[tuple[int, float]]:
    """Return the labels of one column with their tops: near their points, apart from one another, lines uncrossed."""
    edge = left_edge - _AIR if left_edge is not None else frame.left + frame.drawing_width + _AIR
    order = sorted(chosen, key=lambda i: (points[i][1], points[i][0], i))
    tops = _apart([points[i][1] - tall[i] / 2 for i in order], [tall[i] for i in order], down)
    crossed = _crossings(order, tops, tall, points, edge)
    # Each exchange must leave fewer crossings than before, so this ends.
    improving = True
    while crossed and improving:
        improving = False
        for k in range(len(order) - 1):
            tried = [*order[:k], order[k + 1], order[k], *order[k + 2 :]]
            new_tops = _apart([points[i][1] - tall[i] / 2 for i in tried], [tall[i] for i in tried], down)
            fewer = _crossings(tried, new_tops, tall, points, edge)
            if fewer < crossed:
                order, tops, crossed, improving = tried, new_tops, fewer, True
    return list(zip(order, tops, strict=True))


def _apart(wanted: Sequence[float], tall: Sequence[float], down: float) -> list[float]:
    """Return tops in the order given, as near to *wanted* as they can stand with a gap between and inside *down*.

    Blocks of labels that touch move as one to the mean of what they want (isotonic regression by pooling of
    adjacent violators; Ayer and others, Annals of Mathematical Statistics 26, 1955, from memory).
    """
    offsets: list[float] = []
    total = 0.0
    for height in tall:
        offsets.append(total)
        total += height + _GAP
    blocks: list[tuple[float, int]] = []
    for want, offset in zip(wanted, offsets, strict=True):
        mean, count = want - offset, 1
        while blocks and blocks[-1][0] > mean:
            before, many = blocks.pop()
            mean, count = (before * many + mean * count) / (many + count), many + count
        blocks.append((mean, count))
    last = down - (total - _GAP)
    placed = [min(max(mean, 0.0), max(last, 0.0)) for mean, count in blocks for _ in range(count)]
    return [mean + offset for mean, offset in zip(placed, offsets, strict=True)]


def _crossings(
    order: Sequence[int],
    tops: Sequence[float],
    tall: Sequence[float],
    points: Sequence[tuple[float, float]],
    edge: float,
) -> int:
    lines = [(edge, top + tall[i] / 2, *points[i]) for i, top in zip(order, tops, strict=True)]
    return sum(_cross(a, b) for k, a in enumerate(lines) for b in lines[k + 1 :])


def _cross(a: tuple[float, float, float, float], b: tuple[float, float, float, float]) -> bool:
    def side(line: tuple[float, float, float, float], x: float, y: float) -> float:
        return (line[2] - line[0]) * (y - line[1]) - (line[3] - line[1]) * (x - line[0])

    return side(a, b[0], b[1]) * side(a, b[2], b[3]) < -1e-9 and side(b, a[0], a[1]) * side(b, a[2], a[3]) < -1e-9


def _lines(place: Place, *, stacked: bool) -> tuple[tuple[str, Weight], ...]:
    whole = f"{place.location} {place.value}"
    if not stacked and _text_width(whole, _VALUE, FONT_PT) <= _WIDEST:
        return ((whole, _VALUE),)
    return (
        *((line, _NAME) for line in _wrapped(place.location, _NAME)),
        *((line, _VALUE) for line in _wrapped(place.value, _VALUE)),
    )


def _wrapped(text: str, weight: Weight) -> Iterator[str]:
    """Yield *text* in lines that are narrow enough: broken at blanks, and inside a word only where one is too long."""
    line = ""
    for word in text.split():
        rest = word
        if line and _text_width(f"{line} {word}", weight, FONT_PT) <= _WIDEST:
            line = f"{line} {word}"
            continue
        if line:
            yield line
        while _text_width(rest, weight, FONT_PT) > _WIDEST:
            cut = next(
                n for n in range(len(rest), 0, -1) if n == 1 or _text_width(rest[:n], weight, FONT_PT) <= _WIDEST
            )
            yield rest[:cut]
            rest = rest[cut:]
        line = rest
    if line:
        yield line


# --- numbers


def _numbered(places: Sequence[Place], aspect: float, across: float, highest: float) -> PartDrawing:
    """Return a number beside every point, as near to it as there is room.

    Where points lie so close that there is not enough, the drawing gets a wider margin for their numbers.
    """
    for edge in _EDGES:
        drawn_width = across - 2 * edge
        drawn_height = min(highest - 2 * edge, drawn_width / aspect)
        drawn_width = drawn_height * aspect
        if drawn_width <= 0 or drawn_height <= 0:
            break
        left, down = (across - drawn_width) / 2, drawn_height + 2 * edge
        frame = PartDrawing("numbers", across, down, left, edge, drawn_width, drawn_height, (), Markup(""))
        points = [frame.point(p) for p in places]
        raster = _Raster(points, across, down)
        labels: list[Label] = []
        for place, point in zip(places, points, strict=True):
            label = raster.nearest(place, point)
            if label is None:
                break
            labels.append(label)
        else:
            return replace(frame, labels=tuple(labels))
    raise BadInput(
        f"the part drawing has no room for the numbers of {len(places)} locations; give points to fewer of them"
    )


class _Raster:
    """What of the frame is taken, in small squares: a square is taken when any part of it is."""

    _CELL: Final = 0.4

    def __init__(self, points: Sequence[tuple[float, float]], across: float, down: float) -> None:
        self._columns, self._rows = int(across / self._CELL), int(down / self._CELL)
        self._taken = [bytearray(self._columns) for _ in range(self._rows)]
        for x, y in points:
            self._take_round(x, y)

    def nearest(self, place: Place, point: tuple[float, float]) -> Label | None:
        """Return a label for *place* where there is room, the nearest to its point, and take that room; or None."""
        lines: tuple[tuple[str, Weight], ...] = ((str(place.number), _VALUE),)
        wide, high = _wide(lines, NUMBER_PT), _line_height(NUMBER_PT)
        for dx, dy in _spiral(wide, high, math.hypot(self._columns, self._rows) * self._CELL):
            left, top = point[0] + dx, point[1] + dy
            first, last = math.floor(left / self._CELL), math.ceil((left + wide) / self._CELL)
            upper, lower = math.floor(top / self._CELL), math.ceil((top + high) / self._CELL)
            if first < 0 or upper < 0 or last > self._columns or lower > self._rows:
                continue
            if any(any(row[first:last]) for row in self._taken[upper:lower]):
                continue
            for row in self._taken[upper:lower]:
                row[first:last] = b"\1" * (last - first)
            anchor: Literal["left", "right"] = "left" if left + wide / 2 >= point[0] else "right"
            return Label(place, lines, left, top, wide, high, anchor, NUMBER_PT)
        return None

    def _take_round(self, x: float, y: float) -> None:
        reach = math.ceil(_CLEAR / self._CELL) + 1
        column, row = int(x / self._CELL), int(y / self._CELL)
        for r in range(max(0, row - reach), min(self._rows, row + reach + 1)):
            for c in range(max(0, column - reach), min(self._columns, column + reach + 1)):
                dx = max(c * self._CELL - x, 0.0, x - (c + 1) * self._CELL)
                dy = max(r * self._CELL - y, 0.0, y - (r + 1) * self._CELL)
                if math.hypot(dx, dy) < _CLEAR:
                    self._taken[r][c] = 1


@lru_cache(maxsize=64)
def _spiral(wide: float, high: float, farthest: float) -> tuple[tuple[float, float], ...]:
    """Return corners for a box around a point, seen from the point: right of it first, then all around, then farther out."""
    corners: list[tuple[float, float]] = []
    distance = 0.0
    while distance < farthest:
        reach_x, reach_y = _CLEAR + wide / 2 + distance, _CLEAR + high / 2 + distance
        steps = 8 * (1 + int(distance / 2))
        for k in range(steps):
            turn = 2 * math.pi * ((k + 1) // 2 * (1 if k % 2 else -1)) / steps
            corners.append((reach_x * math.cos(turn) - wide / 2, reach_y * math.sin(turn) - high / 2))
        distance += 0.8
    return tuple(corners)


# --- what is drawn over it


def _overlay(made: PartDrawing, title: str) -> Markup:
    """Return marks and lines as one picture: a dot where it conforms, a cross in a ring where not, a bar in a ring else."""
    lines = "".join(_leader(made, label) for label in made.labels)
    marks: dict[Verdict, list[tuple[float, float]]] = {}
    for label in made.labels:
        marks.setdefault(label.place.verdict, []).append(made.point(label.place))
    everywhere = [at for spots in marks.values() for at in spots]
    parts = [f"<title>{escape(title)}</title>"]
    if lines:
        # White under the line keeps it apart from the lines of the drawing.
        parts.append(f'<path d="{lines}" fill="none" stroke="#fff" stroke-width="0.6"/>')
        parts.append(f'<path d="{lines}" fill="none" stroke="#333" stroke-width="0.2"/>')
    if made.way == "numbers" and made.labels:
        free = "".join(f"M{_n(b.left)} {_n(b.top)}h{_n(b.width)}v{_n(b.height)}h{_n(-b.width)}z" for b in made.labels)
        parts.append(f'<path d="{free}" fill="#fff"/>')
    if everywhere:
        halo = "".join(_circle(x, y, _CLEAR) for x, y in everywhere)
        parts.append(f'<path d="{halo}" fill="#fff"/>')
    for verdict, spots in sorted(marks.items()):
        parts.append(_marks(verdict, spots))
    size = f'width="{_n(made.width)}mm" height="{_n(made.height)}mm"'
    return Markup(  # noqa: S704 - numbers of ours, and a title that is escaped above
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_n(made.width)} {_n(made.height)}" {size} '
        f'style="display:block;overflow:visible">{"".join(parts)}</svg>'
    )


def _marks(verdict: Verdict, spots: Sequence[tuple[float, float]]) -> str:
    colour = _COLOURS[verdict]
    if verdict == "conforms":
        return f'<path d="{"".join(_circle(x, y, _MARK) for x, y in spots)}" fill="{colour}"/>'
    ring = _MARK - 0.15
    arm = ring * (math.sqrt(0.5) if verdict == "does not conform" else 1.0)
    drawn = []
    for x, y in spots:
        drawn.append(_circle(x, y, ring))
        if verdict == "does not conform":
            drawn.append(f"M{_n(x - arm)} {_n(y - arm)}L{_n(x + arm)} {_n(y + arm)}")
            drawn.append(f"M{_n(x - arm)} {_n(y + arm)}L{_n(x + arm)} {_n(y - arm)}")
        else:
            drawn.append(f"M{_n(x - arm)} {_n(y)}H{_n(x + arm)}")
    return f'<path d="{"".join(drawn)}" fill="none" stroke="{colour}" stroke-width="0.4"/>'


def _leader(made: PartDrawing, label: Label) -> str:
    x, y = made.point(label.place)
    if made.way == "beside":
        start = (label.left if label.anchor == "left" else label.left + label.width, label.top + label.height / 2)
        start = (start[0] + (-0.6 if label.anchor == "left" else 0.6), start[1])
    else:
        if not _is_far(label, x, y):
            return ""
        start = (min(max(x, label.left), label.left + label.width), min(max(y, label.top), label.top + label.height))
    return f"M{_n(start[0])} {_n(start[1])}L{_n(x)} {_n(y)}"


def _is_far(label: Label, x: float, y: float) -> bool:
    """Return whether a number needs a line to say which point it belongs to."""
    return not label.reaches(x, y, _CLEAR + 0.9)


def _printed(label: Label) -> Markup:
    """Return a label as text of the page; its box takes no room, so every label is placed from the same spot."""
    lines = Markup("<br/>").join(
        Markup("<b>{}</b>").format(text) if weight == _VALUE else Markup("{}").format(text)
        for text, weight in label.lines
    )
    return Markup(
        '<div style="height:0"><p style="margin:0 0 0 {left};padding:{top} 0 0;width:{width};height:0;box-sizing:content-box;'
        'font-size:{size}pt;line-height:{line}mm;white-space:nowrap;text-align:{align}">{lines}</p></div>'
    ).format(
        left=_mm(label.left),
        top=_mm(label.top),
        width=_mm(label.width),
        size=f"{label.size_pt:g}",
        line=_n(_line_height(label.size_pt)),
        align=label.anchor,
        lines=lines,
    )


def _wide(lines: Sequence[tuple[str, Weight]], size_pt: float) -> float:
    return max(_text_width(text, weight, size_pt) for text, weight in lines)


def _text_width(text: str, weight: Weight, size_pt: float) -> float:
    return width(text, weight) * size_pt * _PT * _SAFETY


def _line_height(size_pt: float) -> float:
    return size_pt * _PT * _LINE


def _circle(x: float, y: float, r: float) -> str:
    return f"M{_n(x - r)} {_n(y)}a{_n(r)} {_n(r)} 0 1 0 {_n(2 * r)} 0a{_n(r)} {_n(r)} 0 1 0 {_n(-2 * r)} 0z"


def _mm(value: float) -> str:
    return f"{_n(value)}mm"


def _n(value: float) -> str:
    written = f"{value:.3f}".rstrip("0").rstrip(".")
    return "0" if written == "-0" else written

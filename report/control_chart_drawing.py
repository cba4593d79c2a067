"""A control chart as a picture: points in their order, the centre line and the control limits of the process.

Which limits these are and what is a signal is not decided here: both come in as values. Control limits are drawn thin
and broken, never as the walls that limits of the specification are (report/chart_drawing.py): the one comes from the
process, the other from the customer.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Final

from markupsafe import Markup

from report.chart_drawing import (
    CONTROL,
    GRID,
    INSIDE,
    OUTSIDE,
    QUIET,
    Plot,
    diamond,
    dot,
    drawing,
    line,
    n,
    text,
    zigzag,
)
from report.chart_drawing import field as area
from report.chart_figure import Figure, NumberTable
from report.chart_scale import Axis, apart, axis_over, tick_label
from report.charted import places
from report.checks_strip import swatch
from report.figures import figure
from rules.wording import counted, listed
from schemas.units import Unit

WIDTH: Final = 900.0
_LEFT: Final = 58.0
_RIGHT: Final = 764.0
_PANEL: Final = 190.0
_HEAD: Final = 26.0
_FOOT: Final = 34.0
_LABELS: Final = 14
_CONTROL_DASHES: Final = "9 3 2 3"

Bound = Fraction | Sequence[Fraction | None] | None


@dataclass(frozen=True, slots=True)
class ControlPanel:
    """One of the charts that stand over one another: individuals over moving ranges, means over deviations.

    Attributes:
        name: What is drawn, with its unit: "mean of a rack, µm".
        values: In order; None where there is none, as for the first moving range.
        centre: The centre line; None where it is not known.
        lower, upper: Control limits: one for all, one for each point where their numbers of readings differ, or None.
        signals: Which points are signals, from 0, and what each is a signal of.
    """

    name: str
    values: Sequence[Fraction | None]
    centre: Fraction | None = None
    lower: Bound = None
    upper: Bound = None
    signals: Mapping[int, str] = field(default_factory=dict)


def control_figure(
    panels: Sequence[ControlPanel],
    labels: Sequence[str],
    unit: Unit,
    about: str,
    caption: str,
    notes: tuple[str, ...] = (),
) -> Figure:
    """Return the chart of *panels*, which share their points, with its numbers.

    Args:
        panels: One or two, each with a value per label.
        labels: What each point is: its day, lot or rack.
        unit: Of the values.
        about: What it is about, as its location.
        caption: What the chart is.
        notes: What a reader has to know.

    Raises:
        ValueError: There are no points, or a panel has not as many as there are labels.
    """
    key = [
        (swatch(line("M1 8H29", INSIDE, 0.9) + area(dot(15, 8, 4), INSIDE), 30), "a point"),
        (swatch(line("M1 8H29", CONTROL, 1.2), 30), "centre line"),
        (swatch(line("M1 8H29", CONTROL, 1.5, _CONTROL_DASHES), 30), "control limit: what the process does by itself"),
    ]
    if any(panel.signals for panel in panels):
        key.append((swatch(_signal_marks([(9, 8)], 5)), "signal: look for its cause"))
    return Figure(
        picture=control_chart(panels, labels, unit, f"{about}: {caption}"),
        about=about,
        caption=caption,
        key=tuple(key),
        table=_table(panels, labels, unit),
        notes=notes,
    )


def control_chart(panels: Sequence[ControlPanel], labels: Sequence[str], unit: Unit, title: str) -> Markup:
    """Return the drawing alone; raises as :func:`control_figure` does."""
    if not labels:
        raise ValueError("a control chart needs at least one point")
    for panel in panels:
        if len(panel.values) != len(labels):
            raise ValueError(f"{panel.name}: {len(panel.values)} values for {len(labels)} points")
    parts: list[str] = []
    top = 0.0
    for i, panel in enumerate(panels):
        last = i == len(panels) - 1
        plot = Plot(_LEFT, top + _HEAD, _RIGHT, top + _HEAD + _PANEL)
        parts += _panel(panel, plot, labels if last else (), unit)
        top = plot.bottom + (_FOOT if last else 14)
    described = " ".join(_described(panel, labels, unit) for panel in panels)
    return drawing(WIDTH, top, title, described, parts)


def _panel(panel: ControlPanel, plot: Plot, labels: Sequence[str], unit: Unit) -> Iterator[str]:
    lower, upper = _each(panel.lower, len(panel.values)), _each(panel.upper, len(panel.values))
    up = axis_over([*panel.values, *lower, *upper, panel.centre], plot.bottom, plot.top, about=4, never_below=0)
    room = (plot.right - plot.left) / len(panel.values)

    def x(i: int) -> float:
        return round(plot.left + (i + 0.5) * room, 2)

    yield line("".join(f"M{n(plot.left)} {n(up.at(t))}H{n(plot.right)}" for t in up.ticks), GRID, 1)
    yield line(f"M{n(plot.left)} {n(plot.top)}V{n(plot.bottom)}H{n(plot.right)}", QUIET, 1)
    yield text(plot.left - 50, plot.top - 11, panel.name, colour=QUIET)
    for tick in up.ticks:
        yield text(plot.left - 7, up.at(tick) + 4.5, tick_label(tick), anchor="end")
    if panel.centre is not None:
        yield line(f"M{n(plot.left)} {n(up.at(panel.centre))}H{n(plot.right)}", CONTROL, 1.2)
    for bound in (lower, upper):
        yield line(_stairs(bound, up, plot.left, room), CONTROL, 1.5, _CONTROL_DASHES)
    yield from _line_labels(panel.centre, lower[-1], upper[-1], up, plot, unit)
    r = max(1.5, min(4.0, room * 0.42))
    for run in _runs([None if v is None else (x(i), up.at(v)) for i, v in enumerate(panel.values)]):
        yield line(zigzag(run), INSIDE, 0.9)
    spots = {i: (x(i), up.at(v)) for i, v in enumerate(panel.values) if v is not None}
    yield area("".join(dot(*at, r) for i, at in spots.items() if i not in panel.signals), INSIDE)
    yield _signal_marks([at for i, at in spots.items() if i in panel.signals], max(3.4, r + 1.4))
    every = -(-len(labels) // _LABELS) if labels else 1
    for i in range(0, len(labels), every):
        yield text(x(i), plot.bottom + 18, _cut(labels[i], room * every), anchor="middle", size=12)


def _signal_marks(spots: Sequence[tuple[float, float]], r: float) -> str:
    return area("".join(diamond(x, y, r + 1) for x, y in spots), OUTSIDE) if spots else ""


def _line_labels(
    centre: Fraction | None, lower: Fraction | None, upper: Fraction | None, up: Axis, plot: Plot, unit: Unit
) -> Iterator[str]:
    named = [
        (words, bound)
        for words, bound in (("upper control", upper), ("centre", centre), ("lower control", lower))
        if bound is not None
    ]
    at = [up.at(bound) for _, bound in named]
    placed = apart([y + 4.5 for y in at], 15, plot.top + 4, plot.bottom + 8)
    for (words, bound), line_at, base in zip(named, at, placed, strict=True):
        if abs(base - 4.5 - line_at) > 2:
            yield line(f"M{n(plot.right)} {n(line_at)}L{n(plot.right + 7)} {n(base - 4.5)}", QUIET, 0.8)
        yield text(plot.right + 9, base, f"{words} {figure(bound, places(unit))}", colour=CONTROL, size=12)


def _stairs(bound: Sequence[Fraction | None], up: Axis, left: float, room: float) -> str:
    """Return a limit that may differ from point to point, level over each."""
    path, before = [], None
    for i, value in enumerate(bound):
        if value is None:
            before = None
            continue
        y = up.at(value)
        path.append(f"M{n(left + i * room)} {n(y)}" if before is None else "" if before == y else f"V{n(y)}")
        # A level limit is one line, so that its dashes do not begin anew at every point.
        if i + 1 == len(bound) or bound[i + 1] is None or up.at(bound[i + 1]) != y:  # type: ignore[arg-type]
            path.append(f"H{n(left + (i + 1) * room)}")
        before = y
    return "".join(path)


def _each(bound: Bound, count: int) -> list[Fraction | None]:
    if bound is None or isinstance(bound, Fraction):
        return [bound] * count
    if len(bound) != count:
        raise ValueError(f"{len(bound)} control limits for {count} points")
    return list(bound)


def _runs(spots: Sequence[tuple[float, float] | None]) -> Iterator[list[tuple[float, float]]]:
    run: list[tuple[float, float]] = []
    for spot in [*spots, None]:
        if spot is not None:
            run.append(spot)
        elif run:
            if len(run) > 1:
                yield run
            run = []


def _cut(words: str, room: float) -> str:
    most = max(4, int(room / 6.6))
    return words if len(words) <= most else f"{words[: most - 1]}…"


def _table(panels: Sequence[ControlPanel], labels: Sequence[str], unit: Unit) -> NumberTable:
    digits = places(unit) + 1
    heads = ["point"]
    for panel in panels:
        heads += [panel.name, "lower control", "centre", "upper control"]
    bounds = [(_each(p.lower, len(labels)), _each(p.upper, len(labels))) for p in panels]
    rows = []
    for i, label in enumerate(labels):
        row = [label]
        for panel, (lower, upper) in zip(panels, bounds, strict=True):
            row += [figure(v, digits) for v in (panel.values[i], lower[i], panel.centre, upper[i])]
        row.append(listed([p.signals[i] for p in panels if i in p.signals]))
        rows.append(tuple(row))
    return NumberTable((*heads, "signal"), tuple(rows), frozenset({len(heads)}))


def _described(panel: ControlPanel, labels: Sequence[str], unit: Unit) -> str:
    found = counted(sum(v is not None for v in panel.values), "point")
    signals = [f"{labels[i]} ({what})" for i, what in sorted(panel.signals.items())]
    said = f"signals: {listed(signals)}" if signals else "no signal"
    centre = "" if panel.centre is None else f", centre {figure(panel.centre, places(unit))} {unit.symbol}"
    return f"{panel.name}: {found}{centre}, {said}."

"""The film build at one location over time, against its limits and its target, over the checks of the gauge.

One mark per inspection, or per month where there are many: the mean, a thick stroke one standard deviation up and
down, a thin one from the least to the greatest reading.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from fractions import Fraction
from typing import Final
from zoneinfo import ZoneInfo

from markupsafe import Markup

from report import checks_strip
from report.chart_drawing import (
    GRID,
    INSIDE,
    LIMIT,
    OUTSIDE,
    QUIET,
    TARGET,
    TARGET_EDGE,
    Plot,
    cross,
    dot,
    drawing,
    line,
    n,
    text,
    wall,
    zigzag,
)
from report.chart_drawing import field as area
from report.chart_figure import Figure, NumberTable
from report.chart_scale import Axis, TimeAxis, apart, axis_over, tick_label, time_axis
from report.charted import EventKind, GaugeEvent, TrendPoint, Window, bounds_of, places, written
from report.figures import day, figure, figure_between
from rules.wording import counted
from schemas.units import Unit

WIDTH: Final = 900.0
PLOT: Final = Plot(58, 26, 764, 268)
_AXIS: Final = 24.0
#: Broken like nothing else on these charts.
_TARGET_DASHES: Final = "2 4"


def trend_figure(
    points: Sequence[TrendPoint],
    events: Sequence[GaugeEvent],
    unit: Unit,
    location: str,
    zone: ZoneInfo,
    span: tuple[datetime, datetime] | None = None,
) -> Figure:
    """Return the chart of *points*, which follow one another in time, with its numbers.

    Args:
        points: What was measured at the location; at least one.
        events: What happened to the gauges.
        unit: Of the film builds and limits.
        location: Its name.
        zone: The shop's.
        span: From when to when the axis goes, where charts are to be compared.

    Raises:
        ValueError: There are no points.
    """
    moments = [p.when for p in points] + ([e.when for e in events] if span is None else list(span))
    along = time_axis(moments, PLOT.left, PLOT.right, zone)
    return Figure(
        picture=trend_chart(points, events, unit, location, along),
        about=location,
        caption="Film build over time",
        key=_key(points, events),
        table=_table(points, unit, zone),
    )


def trend_chart(
    points: Sequence[TrendPoint], events: Sequence[GaugeEvent], unit: Unit, location: str, along: TimeAxis
) -> Markup:
    """Return the drawing alone, on a time axis that ends where :data:`PLOT` does."""
    seen: list[Fraction] = [v for p in points for v in (p.low, p.high)]
    up = axis_over([*seen, *bounds_of(p.window for p in points)], PLOT.bottom, PLOT.top, never_below=0)
    strip_top = PLOT.bottom + _AXIS + 4
    height = strip_top + checks_strip.strip_height(events) + 6
    parts = [
        *_grid(up, along, unit),
        *_windows(points, up, along),
        *_points(points, up, along),
        *checks_strip.strip_parts(events, along, strip_top),
    ]
    return drawing(WIDTH, height, f"Film build at {location} over time", _described(points, events, unit), parts)


def mean_mark(spots: Sequence[tuple[float, float]], r: float) -> str:
    """Return the mark of a mean within the limits."""
    path = "".join(dot(x, y, r) for x, y in spots)
    return area(path, INSIDE) if path else ""


def outside_mean_mark(spots: Sequence[tuple[float, float]], r: float) -> str:
    """Return the mark of a mean outside the limits: a cross in a ring."""
    if not spots:
        return ""
    rings = "".join(dot(x, y, r) for x, y in spots)
    return area(rings, "#fff") + line(rings + "".join(cross(x, y, r * 0.62) for x, y in spots), OUTSIDE, 1.6)


def outside_reading_mark(spots: Sequence[tuple[float, float]], r: float) -> str:
    """Return the mark of a reading outside the limits: a cross."""
    return line("".join(cross(x, y, r) for x, y in spots), OUTSIDE, 1.8)


def _grid(up: Axis, along: TimeAxis, unit: Unit) -> list[str]:
    level = "".join(f"M{n(PLOT.left)} {n(up.at(t))}H{n(PLOT.right)}" for t in up.ticks)
    days = along.ticks()
    upright = "".join(f"M{n(along.at(when))} {n(PLOT.top)}V{n(PLOT.bottom)}" for when, _ in days)
    return [
        line(level + upright, GRID, 1),
        line(f"M{n(PLOT.left)} {n(PLOT.top)}V{n(PLOT.bottom)}H{n(PLOT.right)}", QUIET, 1),
        text(PLOT.left - 50, 15, f"film build, {unit.symbol}", colour=QUIET),
        *(text(PLOT.left - 7, up.at(t) + 4.5, tick_label(t), anchor="end") for t in up.ticks),
        *(text(along.at(when), PLOT.bottom + 18, words, anchor="middle") for when, words in days),
    ]


def _windows(points: Sequence[TrendPoint], up: Axis, along: TimeAxis) -> list[str]:
    """Return limits and targets, from the middle between two inspections on where they changed there."""
    runs: list[tuple[Window, float]] = []
    for i, point in enumerate(points):
        if not runs or runs[-1][0] != point.window:
            start = PLOT.left if i == 0 else (along.at(points[i - 1].when) + along.at(point.when)) / 2
            runs.append((point.window, start))
    parts = []
    for i, (window, start) in enumerate(runs):
        end = runs[i + 1][1] if i + 1 < len(runs) else PLOT.right
        parts.append(_band(window, start, end, up))
        if window.upper is not None:
            parts.append(wall(start, up.at(window.upper), end, up.at(window.upper), -1))
        if window.lower is not None:
            parts.append(wall(start, up.at(window.lower), end, up.at(window.lower), 1))
    return parts + _labels(runs[-1][0], up)


def _band(window: Window, start: float, end: float, up: Axis) -> str:
    low, high = window.target_low, window.target_high
    if low is None and high is None:
        return ""
    # A target that is open at one end reaches to the limit there, or to the edge.
    top = up.at(high) if high is not None else (up.at(window.upper) if window.upper is not None else PLOT.top)
    bottom = up.at(low) if low is not None else (up.at(window.lower) if window.lower is not None else PLOT.bottom)
    edges = "".join(f"M{n(start)} {n(up.at(b))}H{n(end)}" for b in (low, high) if b is not None)
    return area(f"M{n(start)} {n(top)}H{n(end)}V{n(bottom)}H{n(start)}z", TARGET) + line(
        edges, TARGET_EDGE, 1.4, _TARGET_DASHES
    )


def _labels(window: Window, up: Axis) -> list[str]:
    """Return what the lines are, at their right ends, never over one another."""
    named = (
        ("upper limit", window.upper, True),
        ("target to", window.target_high, False),
        ("target from", window.target_low, False),
        ("lower limit", window.lower, True),
    )
    there = [(words, bound, bold) for words, bound, bold in named if bound is not None]
    at = [up.at(bound) for _, bound, _ in there]
    placed = apart([y + 4.5 for y in at], 15, PLOT.top + 4, PLOT.bottom + 8)
    parts = []
    for (words, bound, bold), line_at, base in zip(there, at, placed, strict=True):
        if abs(base - 4.5 - line_at) > 2:
            parts.append(line(f"M{n(PLOT.right)} {n(line_at)}L{n(PLOT.right + 7)} {n(base - 4.5)}", QUIET, 0.8))
        colour = LIMIT if bold else QUIET
        parts.append(text(PLOT.right + 9, base, f"{words} {written(bound)}", colour=colour, bold=bold, size=12))
    return parts


def _points(points: Sequence[TrendPoint], up: Axis, along: TimeAxis) -> list[str]:
    room = (PLOT.right - PLOT.left) / max(1, len(points))
    r = max(1.5, min(4.2, room * 0.45))
    thick = max(1.0, min(3.4, room * 0.5))
    means: dict[bool, list[tuple[float, float]]] = {True: [], False: []}
    beyond: list[tuple[float, float]] = []
    spread, deviation, path = [], [], []
    for point in points:
        x, y = along.at(point.when), up.at(point.mean)
        path.append((x, y))
        spread.append(f"M{n(x)} {n(up.at(point.low))}V{n(up.at(point.high))}")
        if point.deviation is not None:
            # Drawn no further than the readings go, which a skewed handful may not reach.
            least, most = max(point.mean - point.deviation, point.low), min(point.mean + point.deviation, point.high)
            deviation.append(f"M{n(x)} {n(up.at(least))}V{n(up.at(most))}")
        means[point.window.lets(point.mean)].append((x, y))
        if point.n > 1:
            beyond += [(x, up.at(end)) for end in (point.low, point.high) if not point.window.lets(end)]
    return [
        line(zigzag(path), TARGET_EDGE, 0.8) if len(path) > 1 else "",
        line("".join(spread), INSIDE, min(1.1, thick)),
        line("".join(deviation), INSIDE, thick),
        area("".join(dot(x, y, r + 1) for x, y in means[True]), "#fff") if room > 9 else "",
        mean_mark(means[True], r),
        outside_reading_mark(beyond, max(2.4, r)),
        outside_mean_mark(means[False], max(3.2, r + 0.8)),
    ]


def _key(points: Sequence[TrendPoint], events: Sequence[GaugeEvent]) -> tuple[tuple[Markup, str], ...]:
    swatch = checks_strip.swatch
    found = [
        (
            swatch(line("M9 0V16", INSIDE, 1.1) + line("M9 4V12", INSIDE, 3.4) + mean_mark([(9, 8)], 4.2)),
            "mean, one standard deviation up and down, least to greatest reading",
        )
    ]
    if any(p.n > 1 and not (p.window.lets(p.low) and p.window.lets(p.high)) for p in points):
        found.append((swatch(outside_reading_mark([(9, 8)], 4.2)), "a reading outside the limits"))
    if any(not p.window.lets(p.mean) for p in points):
        found.append((swatch(outside_mean_mark([(9, 8)], 5)), "the mean outside the limits"))
    if any(p.window.has_limits for p in points):
        found.append((swatch(wall(1, 11, 29, 11, -1), 30), "limit of the specification, its strokes on the far side"))
    if any(p.window.target_low is not None or p.window.target_high is not None for p in points):
        band = area("M1 3H29V13H1z", TARGET) + line("M1 3H29M1 13H29", TARGET_EDGE, 1.4, _TARGET_DASHES)
        found.append((swatch(band, 30), "target, which decides nothing"))
    drawn = set(checks_strip.gauges_of(events))
    kinds: set[EventKind] = {event.kind for event in events if event.gauge in drawn}
    return (*found, *checks_strip.key(kinds))


def _table(points: Sequence[TrendPoint], unit: Unit, zone: ZoneInfo) -> NumberTable:
    digits = places(unit)
    symbol = unit.symbol
    rows = []
    for p in points:
        window = p.window
        low, mean, high = (figure_between(v, digits, _decimals(window)) for v in (p.low, p.mean, p.high))
        rows.append(
            (
                p.label,
                day(p.when.astimezone(zone).date()),
                str(p.n),
                mean,
                figure(p.deviation, digits + 1),
                low,
                high,
                str(p.outside) if window.has_limits else "–",
            )
        )
    heads = ("measured", "day", "n", f"mean, {symbol}", "std. deviation", "least", "greatest", "outside limits")
    return NumberTable(heads, tuple(rows), frozenset({1}))


def _decimals(window: Window) -> list[Fraction | None]:
    return [window.lower, window.upper]


def _described(points: Sequence[TrendPoint], events: Sequence[GaugeEvent], unit: Unit) -> str:
    digits = places(unit)
    means = [p.mean for p in points]
    outside = sum(not p.window.lets(p.mean) for p in points)
    readings = sum(p.outside for p in points)
    last = points[-1]
    asked = [
        f"{words} {written(bound)} {unit.symbol}"
        for words, bound in (("lower limit", last.window.lower), ("upper limit", last.window.upper))
        if bound is not None
    ]
    sentences = [
        f"{counted(len(points), 'mean')}, from {figure(min(means), digits)} to {figure(max(means), digits)} {unit.symbol}, "
        f"the last {figure(last.mean, digits)}.",
        f"At the end: {', '.join(asked)}." if asked else "No limits.",
        f"{counted(outside, 'mean')} and {counted(readings, 'reading')} outside the limits." if asked else "",
        checks_strip.said_of(events),
    ]
    return " ".join(s for s in sentences if s)

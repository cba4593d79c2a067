"""What happened to the gauges, on the time axis of another chart or by itself: a row for each gauge.

Passed checks are short strokes, many of them and all alike; a failed one is a cross, an adjustment a diamond, a
calibration a triangle, an incident an open square: told apart without colour.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Final

from markupsafe import Markup

from report.chart_drawing import (
    GRID,
    INSIDE,
    LIMIT,
    OUTSIDE,
    QUIET,
    cross,
    diamond,
    drawing,
    line,
    n,
    square,
    text,
    triangle,
    upright,
)
from report.chart_drawing import field as area
from report.chart_scale import TimeAxis
from report.charted import EventKind, GaugeEvent
from rules.wording import counted

ROW: Final = 24.0
_WORDS: Final = {
    EventKind.PASSED: ("check passed", "checks passed"),
    EventKind.FAILED: ("check failed", "checks failed"),
    EventKind.ADJUSTMENT: ("adjustment", "adjustments"),
    EventKind.CALIBRATION: ("calibration", "calibrations"),
    EventKind.INCIDENT: ("incident", "incidents"),
}
#: Rows that a strip has at the most; a selection over many gauges shows those that were used the most.
MOST_GAUGES: Final = 6
_LONGEST: Final = 16
#: So many strokes side by side are drawn as one bar.
_FEW: Final = 3


def gauges_of(events: Sequence[GaugeEvent]) -> list[str]:
    """Return whose rows are drawn, those with the most events first, at most :data:`MOST_GAUGES`."""
    often = Counter(event.gauge for event in events)
    return sorted(often, key=lambda gauge: (-often[gauge], gauge))[:MOST_GAUGES]


def strip_height(events: Sequence[GaugeEvent]) -> float:
    """Return how high the rows of *events* are, in px."""
    return ROW * len(gauges_of(events))


def strip_parts(events: Sequence[GaugeEvent], axis: TimeAxis, top: float) -> list[str]:
    """Return the rows in SVG, to stand on a drawing whose time axis is *axis*, from *top* down."""
    parts: list[str] = []
    for row, gauge in enumerate(gauges_of(events)):
        middle = top + ROW * (row + 0.5)
        parts.append(line(f"M{n(axis.start)} {n(middle + 9)}H{n(axis.end)}", GRID, 1))
        parts.append(text(axis.end + 8, middle + 4, _cut(f"gauge {gauge}"), colour=QUIET, size=12))
        parts += _marks([e for e in events if e.gauge == gauge and axis.holds(e.when)], axis, middle)
    return parts


def checks_strip(events: Sequence[GaugeEvent], axis: TimeAxis, width: float) -> Markup:
    """Return the strip as a picture of its own, with the days beneath.

    Args:
        events: What happened.
        axis: The time axis, in px of the picture.
        width: The picture's.
    """
    bottom = strip_height(events) + 4
    days = [text(axis.at(when), bottom + 16, day, anchor="middle", colour=QUIET) for when, day in axis.ticks()]
    lines = line("".join(f"M{n(axis.at(when))} 0V{n(bottom)}" for when, _ in axis.ticks()), GRID, 1)
    return drawing(
        width,
        bottom + 24,
        "Checks of the gauges over time",
        said_of(events),
        [lines, *strip_parts(events, axis, 2), *days],
    )


def said_of(events: Sequence[GaugeEvent]) -> str:
    """Return how often what happened, in a sentence."""
    often = Counter(event.kind for event in events)
    found = [f"{often[kind]} {_WORDS[kind][often[kind] != 1]}" for kind in EventKind if often[kind]]
    gauges = counted(len({event.gauge for event in events}), "gauge")
    return f"{gauges}: {', '.join(found)}." if found else "No check of a gauge in this time."


def key(kinds: set[EventKind]) -> list[tuple[Markup, str]]:
    """Return the marks of *kinds* with what they mean."""
    return [(_swatch(kind), f"gauge: {_WORDS[kind][0]}") for kind in EventKind if kind in kinds]


def _marks(events: Sequence[GaugeEvent], axis: TimeAxis, middle: float) -> list[str]:
    # Strokes that fall on one another are one stroke; ten years of daily checks would be thousands.
    spots: dict[EventKind, list[float]] = {}
    for event in events:
        x = float(round(axis.at(event.when)))
        seen = spots.setdefault(event.kind, [])
        if not seen or seen[-1] != x:
            seen.append(x)
    # Passed checks are many: they stand below, so that what is rare is never drawn on a bar of them.
    return [
        _drawn(kind, [(x, middle + (5.5 if kind is EventKind.PASSED else -3)) for x in spots[kind]])
        for kind in (
            EventKind.PASSED,
            EventKind.CALIBRATION,
            EventKind.ADJUSTMENT,
            EventKind.INCIDENT,
            EventKind.FAILED,
        )
        if kind in spots
    ]


def _drawn(kind: EventKind, spots: Sequence[tuple[float, float]]) -> str:
    if kind is EventKind.PASSED:
        return _strokes([x for x, _ in spots], spots[0][1])
    if kind is EventKind.FAILED:
        path = "".join(cross(x, y, 5) for x, y in spots)
        return line(path, "#fff", 5) + line(path, OUTSIDE, 2.4)
    if kind is EventKind.ADJUSTMENT:
        path = "".join(diamond(x, y, 6) for x, y in spots)
        return area(path, "#fff") + line(path, LIMIT, 1.6)
    if kind is EventKind.CALIBRATION:
        return area("".join(triangle(x, y, 5.5) for x, y in spots), LIMIT)
    path = "".join(square(x, y, 4.5) for x, y in spots)
    return area(path, "#fff") + line(path, OUTSIDE, 1.8)


def _strokes(places: Sequence[float], y: float) -> str:
    """Return short strokes, those that touch one another as one bar."""
    runs: list[list[float]] = []
    for x in places:
        if runs and x - runs[-1][-1] <= 1:
            runs[-1].append(x)
        else:
            runs.append([x])
    single = "".join(upright(x, y, 3) for run in runs for x in run if len(run) < _FEW)
    bars = "".join(f"M{n(run[0] - 0.7)} {n(y)}H{n(run[-1] + 0.7)}" for run in runs if len(run) >= _FEW)
    return line(single, INSIDE, 1.4) + line(bars, INSIDE, 6)


def _swatch(kind: EventKind) -> Markup:
    return swatch(_drawn(kind, [(9.0, 8.0)]))


def swatch(parts: str, width: float = 18.0) -> Markup:
    """Return a small drawing for a key; it says nothing that the words beside it do not."""
    return Markup(  # noqa: S704 - numbers of ours and nothing else
        f'<svg aria-hidden="true" viewBox="0 0 {n(width)} 16" width="{n(width)}" height="16">{parts}</svg>'
    )


def _cut(words: str) -> str:
    return words if len(words) <= _LONGEST else f"{words[: _LONGEST - 1]}…"

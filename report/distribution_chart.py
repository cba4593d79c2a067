"""How often which film build was read at a location: a histogram between its limits, with its target.

What lies outside a limit is drawn hatched, also within a bar that a limit goes through, so that areas never lie.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from decimal import Decimal
from fractions import Fraction
from itertools import pairwise
from typing import Final

from markupsafe import Markup

from report.chart_drawing import (
    GRID,
    INSIDE,
    OUTSIDE,
    QUIET,
    TARGET,
    TARGET_EDGE,
    Plot,
    drawing,
    line,
    n,
    text,
    wall,
)
from report.chart_drawing import field as area
from report.chart_figure import Figure, NumberTable
from report.chart_scale import Axis, axis_over, nice_step, tick_label
from report.charted import Window, places, written
from report.checks_strip import swatch
from report.figures import figure
from report.share_chart import share_written
from rules.wording import counted
from schemas.units import Unit

WIDTH: Final = 440.0
HEIGHT: Final = 262.0
PLOT: Final = Plot(48, 40, 430, 214)
#: So many bars at the least and at the most between the least and the greatest reading; in between, twice the cube
#: root of the number of readings (the "Rice rule", common practice, no source).
_FEWEST, _MOST = 5, 30
_HATCH: Final = 4.0


def distribution_figure(builds: Mapping[Fraction, int], window: Window, unit: Unit, location: str) -> Figure:
    """Return the histogram of *builds* with its numbers.

    Args:
        builds: How often each film build was read, in *unit*.
        window: What is asked; where it changed, what was asked last.
        unit: Of the builds.
        location: Its name.

    Raises:
        ValueError: There are no builds.
    """
    bins = binned(builds, window)
    total = sum(builds.values())
    outside = sum(count for build, count in builds.items() if not window.lets(build))
    digits = max(places(unit), -int(bins[0].width_step))
    rows = tuple(
        (
            f"{figure(b.start, digits)} to under {figure(b.end, digits)}",
            str(b.inside + b.outside),
            str(b.outside) if window.has_limits else "–",
        )
        for b in bins
    )
    key = [(swatch(area("M2 3H16V16H2z", INSIDE)), "within the limits" if window.has_limits else "readings")]
    if outside:
        key.append((swatch(_hatched(2, 3, 14, 13)), "outside the limits"))
    said = f"{share_written(outside, total)} outside" if window.has_limits else "no limits"
    return Figure(
        picture=distribution_chart(bins, window, unit, location, total, outside),
        about=location,
        caption=f"Distribution of {counted(total, 'reading')}, {said}",
        key=tuple(key),
        table=NumberTable((f"film build, {unit.symbol}", "readings", "of these outside"), rows),
    )


class Bin:
    """Readings from one film build to under another."""

    __slots__ = ("end", "inside", "outside", "start", "width_step")

    def __init__(self, start: Fraction, end: Fraction, exponent: int) -> None:
        """Begin without readings; *exponent* is the power of ten that its ends are multiples of."""
        self.start, self.end, self.width_step = start, end, exponent
        self.inside = self.outside = 0


def binned(builds: Mapping[Fraction, int], window: Window) -> list[Bin]:
    """Return *builds* in bins of one round width, gaps included.

    Raises:
        ValueError: There are no builds.
    """
    if not builds:
        raise ValueError("a distribution needs at least one reading")
    least, most = min(builds), max(builds)
    step = _bar(builds) if most > least else nice_step(max(abs(most), Fraction(1)) / 100)
    width, exponent = Fraction(step), int(step.as_tuple().exponent)
    first, last = math.floor(least / width), math.floor(most / width)
    bins = [Bin(k * width, (k + 1) * width, exponent) for k in range(first, last + 1)]
    for build, count in builds.items():
        found = bins[math.floor(build / width) - first]
        if window.lets(build):
            found.inside += count
        else:
            found.outside += count
    return bins


def _bar(builds: Mapping[Fraction, int]) -> Decimal:
    """Return how wide a bar is: hardly narrower than two readings of the gauge lie apart, which would leave a comb."""
    inner = sorted(builds)
    bars = min(_MOST, max(_FEWEST, math.ceil(2 * sum(builds.values()) ** (1 / 3))))
    apart = min(b - a for a, b in pairwise(inner))
    span = inner[-1] - inner[0]
    return nice_step(max(span / bars, min(apart, span / _FEWEST)))


def distribution_chart(bins: list[Bin], window: Window, unit: Unit, location: str, total: int, outside: int) -> Markup:
    """Return the drawing alone."""
    ends = [bins[0].start, bins[-1].end]
    along = axis_over([*ends, *window.bounds], PLOT.left, PLOT.right, about=7, never_below=0)
    up = axis_over([b.inside + b.outside for b in bins], PLOT.bottom, PLOT.top, about=4, from_zero=True, whole=True)
    level = "".join(f"M{n(PLOT.left)} {n(up.at(t))}H{n(PLOT.right)}" for t in up.ticks)
    bars, hatched = [], []
    for b in bins:
        left, right = along.at(b.start) + 0.5, along.at(b.end) - 0.5
        right = max(right, left + 0.6)
        top = up.at(b.inside)
        if b.inside:
            bars.append(f"M{n(left)} {n(PLOT.bottom)}V{n(top)}H{n(right)}V{n(PLOT.bottom)}z")
        if b.outside:
            higher = up.at(b.inside + b.outside)
            hatched.append(_hatched(left, higher, right - left, top - higher))
    parts = [
        _target(window, along),
        line(level, GRID, 1),
        area("".join(bars), INSIDE),
        *hatched,
        line(f"M{n(PLOT.left)} {n(PLOT.top)}V{n(PLOT.bottom)}H{n(PLOT.right)}", QUIET, 1),
        *_walls(window, along),
        text(2, 14, "readings", colour=QUIET),
        text(PLOT.right, HEIGHT - 8, f"film build, {unit.symbol}", anchor="end", colour=QUIET),
        *(text(PLOT.left - 6, up.at(t) + 4.5, tick_label(t), anchor="end") for t in up.ticks),
        *(text(along.at(t), PLOT.bottom + 18, tick_label(t), anchor="middle") for t in along.ticks),
    ]
    asked = f"{counted(outside, 'reading')} outside the limits." if window.has_limits else "No limits."
    fullest = max(bins, key=lambda b: b.inside + b.outside)
    digits = max(places(unit), -fullest.width_step)
    described = (
        f"{counted(total, 'reading')}, most of them from {figure(fullest.start, digits)} to under "
        f"{figure(fullest.end, digits)} {unit.symbol}. {asked}"
    )
    return drawing(WIDTH, HEIGHT, f"Distribution of the film build at {location}", described, parts)


def _target(window: Window, along: Axis) -> str:
    low, high = window.target_low, window.target_high
    if low is None and high is None:
        return ""
    left = along.at(low) if low is not None else (PLOT.left if window.lower is None else along.at(window.lower))
    right = along.at(high) if high is not None else (PLOT.right if window.upper is None else along.at(window.upper))
    edges = "".join(f"M{n(along.at(b))} {n(PLOT.top)}V{n(PLOT.bottom)}" for b in (low, high) if b is not None)
    band = area(f"M{n(left)} {n(PLOT.top)}H{n(right)}V{n(PLOT.bottom)}H{n(left)}z", TARGET)
    words = text((left + right) / 2, PLOT.top - 5, "target", anchor="middle", colour=QUIET, size=12)
    return band + line(edges, TARGET_EDGE, 1.4, "2 4") + words


def _walls(window: Window, along: Axis) -> list[str]:
    parts = []
    for words, bound, away in (("lower", window.lower, -1), ("upper", window.upper, 1)):
        if bound is None:
            continue
        x = along.at(bound)
        parts.append(wall(x, PLOT.top - 6, x, PLOT.bottom, away))
        # The words stand on the far side where there is room for them, else on the near one.
        anchor = "start" if x < PLOT.left + 60 else "end" if x > PLOT.right - 60 else "middle"
        parts.append(text(x, PLOT.top - 18, f"{words} {written(bound)}", anchor=anchor, bold=True, size=12))
    return parts


def _hatched(left: float, top: float, width: float, height: float) -> str:
    """Return a bar of slanting strokes inside an outline; each stroke is cut to the bar by reckoning."""
    if height <= 0:
        return ""
    strokes = []
    for k in range(1, int((width + height) / _HATCH) + 1):
        # The line x + y = c from the left or lower edge to the upper or right one, seen from the bar's top left.
        c = k * _HATCH
        x0, y0 = (0.0, c) if c <= height else (c - height, height)
        x1, y1 = (c, 0.0) if c <= width else (width, c - width)
        if x0 < width and y1 < height:
            strokes.append(f"M{n(left + x0)} {n(top + y0)}L{n(left + x1)} {n(top + y1)}")
    outline = f"M{n(left)} {n(top)}h{n(width)}v{n(height)}h{n(-width)}z"
    return area(outline, "#fff") + line("".join(strokes), OUTSIDE, 1.1) + line(outline, OUTSIDE, 1.2)

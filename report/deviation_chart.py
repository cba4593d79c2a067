"""Deviation from target, location by location on one scale: locations with windows of their own at one look.

A deviation of 0 is what is aimed at, and 1 is half the window between the limits (rules/short_run.py). The marks are means of
racks: this rack large, earlier ones small.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Final

from report.chart_drawing import (
    GRID,
    INSIDE,
    OUTSIDE,
    QUIET,
    TARGET,
    TARGET_EDGE,
    diamond,
    dot,
    drawing,
    line,
    n,
    text,
    upright,
    wall,
)
from report.chart_drawing import field as area
from report.chart_figure import Figure, NumberTable
from report.chart_scale import axis_over, tick_label
from report.checks_strip import swatch
from report.figures import figure

WIDTH: Final = 900.0
_LEFT: Final = 230.0
_RIGHT: Final = 860.0
_ROW: Final = 44.0
_HEAD: Final = 30.0
_FOOT: Final = 40.0
_NAME: Final = 30


@dataclass(frozen=True, slots=True)
class LocationDeviations:
    """Deviations at one location.

    Attributes:
        location: Its name.
        this: Of the rack in hand.
        earlier: Of earlier racks, oldest first.
        limits: Where the lower and the upper limit lie on the same scale.
        band: Where the ends of the target band lie.
        firm: Whether *this* lies outside the band for sure, by more than the gauge explains.
    """

    location: str
    this: Fraction
    earlier: tuple[Fraction, ...]
    limits: tuple[Fraction, Fraction]
    band: tuple[Fraction, Fraction]
    firm: bool


def deviation_figure(rows: Sequence[LocationDeviations], caption: str) -> Figure:
    """Return the chart of *rows* with its numbers.

    Raises:
        ValueError: There are no rows.
    """
    if not rows:
        raise ValueError("a chart of deviations needs at least one location")
    every = [value for row in rows for value in (row.this, *row.earlier, *row.limits)]
    across = axis_over([*every, Fraction(-1), Fraction(1)], _LEFT, _RIGHT, about=6)
    bottom = _HEAD + _ROW * len(rows)
    parts = [line("".join(f"M{n(across.at(t))} {n(_HEAD)}V{n(bottom)}" for t in across.ticks), GRID, 1)]
    parts += [text(across.at(t), bottom + 18, tick_label(t), anchor="middle") for t in across.ticks]
    parts.append(text(_LEFT, 16, "thinner than aimed at", colour=QUIET))
    parts.append(text(_RIGHT, 16, "thicker than aimed at", anchor="end", colour=QUIET))
    parts.append(
        text(
            (_LEFT + _RIGHT) / 2, bottom + 36, "halves of the window between the limits", anchor="middle", colour=QUIET
        )
    )
    for i, row in enumerate(rows):
        top, middle, foot = _HEAD + i * _ROW + 5, _HEAD + (i + 0.5) * _ROW, _HEAD + (i + 1) * _ROW - 5
        left, right = (across.at(end) for end in row.band)
        parts.append(text(_LEFT - 14, middle + 5, _cut(row.location), anchor="end"))
        parts.append(area(f"M{n(left)} {n(top)}H{n(right)}V{n(foot)}H{n(left)}z", TARGET))
        parts.append(line(f"M{n(left)} {n(top)}V{n(foot)}M{n(right)} {n(top)}V{n(foot)}", TARGET_EDGE, 1.2, "2 3"))
        for bound, away in zip(row.limits, (-1, 1), strict=True):
            parts.append(wall(across.at(bound), top - 3, across.at(bound), foot + 3, away))
        parts.append(line("".join(upright(across.at(v), middle, 7) for v in row.earlier), INSIDE, 1.2))
        at = across.at(row.this), middle
        parts.append(area(diamond(*at, 9), OUTSIDE) if row.firm else area(dot(*at, 7), INSIDE))
    described = "; ".join(f"{row.location}: {figure(row.this, 2)}" for row in rows)
    key = [
        (swatch(area(dot(8, 8, 6), INSIDE)), "mean of this rack"),
        (swatch(area("M1 2H17V14H1z", TARGET)), "target band"),
    ]
    if any(row.earlier for row in rows):
        key.insert(1, (swatch(line("M4 2v12M8 2v12M13 2v12", INSIDE, 1.2)), "means of earlier racks"))
    if any(row.firm for row in rows):
        key.insert(1, (swatch(area(diamond(8, 8, 7), OUTSIDE)), "outside the band, more than the gauge explains"))
    table = NumberTable(
        ("location", "this rack", "earlier racks", "least of these", "greatest"),
        tuple(
            (
                row.location,
                figure(row.this, 2),
                str(len(row.earlier)),
                figure(min(row.earlier, default=None), 2),
                figure(max(row.earlier, default=None), 2),
            )
            for row in rows
        ),
    )
    return Figure(
        drawing(WIDTH, bottom + _FOOT, caption, f"Deviation from target of this rack: {described}.", parts),
        "all locations",
        caption,
        tuple(key),
        table,
        (
            "A deviation of 0 is what is aimed at. That locations are read side by side does not make them alike: each has its own window.",
        ),
    )


def _cut(words: str) -> str:
    return words if len(words) <= _NAME else f"{words[: _NAME - 1]}…"

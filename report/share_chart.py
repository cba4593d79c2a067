"""Which share of the readings lies outside the limits, month by month or inspection by inspection.

A share of few readings says little, so each has its number and between which shares the true one may lie.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from fractions import Fraction
from typing import Final

from markupsafe import Markup

from report.chart_drawing import (
    GRID,
    INK,
    INSIDE,
    OUTSIDE,
    QUIET,
    TARGET_EDGE,
    Plot,
    diamond,
    dot,
    drawing,
    line,
    n,
    text,
)
from report.chart_drawing import field as area
from report.chart_figure import Figure, NumberTable
from report.chart_scale import axis_over, tick_label
from report.charted import CountedShare
from report.checks_strip import swatch
from report.figures import NBSP, figure
from rules.proportion import wilson_interval
from rules.rounding import shown
from rules.wording import counted

WIDTH: Final = 440.0
HEIGHT: Final = 262.0
PLOT: Final = Plot(52, 24, 430, 196)
#: How wide a letter of a label is at the most, in px, and what stays free between two labels.
_LETTER: Final = 6.4
_BETWEEN: Final = 10.0
_MOST_PLACES: Final = 6
#: With less room than this for each, in px, intervals run into one another.
_CROWDED: Final = 3.0
NOTE: Final = (
    "Interval: 95 % by Wilson's score method, as if every reading were independent of the others. "
    "Readings of one piece are alike, so the true interval is wider."
)


def share_figure(shares: Sequence[CountedShare], location: str, per: str) -> Figure:
    """Return the chart of *shares*, in their order, with its numbers.

    Args:
        shares: Months or inspections with at least one reading each.
        location: Its name.
        per: What each is: month or inspection.

    Raises:
        ValueError: There are none.
    """
    rows = []
    for share in shares:
        low, high = wilson_interval(share.outside, share.n)
        rows.append(
            (
                share.name,
                str(share.n),
                str(share.outside),
                percent(Fraction(share.outside, share.n)),
                f"{percent(low)} to {percent(high)}",
            )
        )
    key = [(swatch(line("M9 1V15M6 1H12M6 15H12", INSIDE, 1.2) + area(dot(9, 8, 3.6), INSIDE)), "share, its interval")]
    if any(share.outside for share in shares):
        mark = line("M9 0V16", INSIDE, 1.2) + area(diamond(9, 8, 5), OUTSIDE)
        key.append((swatch(mark), "some outside"))
    return Figure(
        picture=share_chart(shares, location, per),
        about=location,
        caption=f"Readings outside the limits, per {per}",
        key=tuple(key),
        table=NumberTable((per, "readings", "outside", "share", "95 % interval"), tuple(rows)),
        notes=(NOTE,),
    )


def share_chart(shares: Sequence[CountedShare], location: str, per: str) -> Markup:
    """Return the drawing alone."""
    if not shares:
        raise ValueError("a chart of shares needs at least one")
    found = [(Fraction(s.outside, s.n), *wilson_interval(s.outside, s.n)) for s in shares]
    up = axis_over(
        [100 * min(high, Fraction(1)) for _, _, high in found], PLOT.bottom, PLOT.top, about=5, from_zero=True
    )
    room = (PLOT.right - PLOT.left) / len(shares)
    r = max(1.6, min(4.0, room * 0.4))
    bars: list[str] = []
    none: list[tuple[float, float]] = []
    some: list[tuple[float, float]] = []
    for i, (share, low, high) in enumerate(found):
        x, y = PLOT.left + (i + 0.5) * room, up.at(100 * share)
        cap = min(4.0, room * 0.3)
        bars.append(f"M{n(x)} {n(up.at(100 * low))}V{n(up.at(100 * high))}")
        if room > 6:
            bars += [f"M{n(x - cap)} {n(up.at(100 * end))}h{n(2 * cap)}" for end in (low, high)]
        (some if shares[i].outside else none).append((x, y))
    every = math.ceil((max(len(s.label) for s in shares) * _LETTER + _BETWEEN) / room)
    words = []
    free = -WIDTH
    for i in range(0, len(shares), every):
        x = PLOT.left + (i + 0.5) * room
        wide = len(shares[i].label) * _LETTER
        begins = min(max(x - wide / 2, PLOT.left), WIDTH - wide)
        if begins < free:
            continue  # the last one was moved away from the edge, and there is no room for it
        free = begins + wide + _BETWEEN / 2
        for below, label, colour in ((17, shares[i].label, INK), (33, str(shares[i].n), QUIET)):
            # Neither cut off at the edge, nor run into the sign of the row.
            half = len(label) * _LETTER / 2
            inside = min(max(x, PLOT.left + half), WIDTH - half)
            words.append(text(inside, PLOT.bottom + below, label, anchor="middle", colour=colour, size=11))
    level = "".join(f"M{n(PLOT.left)} {n(up.at(t))}H{n(PLOT.right)}" for t in up.ticks)
    parts = [
        line(level, GRID, 1),
        line(f"M{n(PLOT.left)} {n(PLOT.top)}V{n(PLOT.bottom)}H{n(PLOT.right)}", QUIET, 1),
        # Where intervals run into one another they are drawn faint, so that the marks stand out.
        line(
            "".join(bars),
            INSIDE if room > _CROWDED else TARGET_EDGE,
            1.2 if room > 6 else 0.8 if room > _CROWDED else 0.4,
        ),
        area("".join(dot(x, y, r) for x, y in none), INSIDE),
        area("".join(diamond(x, y, r + 1.4) for x, y in some), OUTSIDE),
        text(2, 14, "outside the limits, %", colour=QUIET),
        *(text(PLOT.left - 6, up.at(t) + 4.5, tick_label(t), anchor="end") for t in up.ticks),
        text(PLOT.left - 6, PLOT.bottom + 33, "n", anchor="end", colour=QUIET, size=11),
        *words,
        text(PLOT.right, HEIGHT - 8, per, anchor="end", colour=QUIET),
    ]
    outside, total = sum(s.outside for s in shares), sum(s.n for s in shares)
    worst = max(range(len(shares)), key=lambda i: found[i][0])
    described = f"{counted(outside, 'reading')} of {total} outside the limits, over {counted(len(shares), per)}."
    if outside:
        described += f" The most in {shares[worst].name}: {share_written(shares[worst].outside, shares[worst].n)}."
    return drawing(WIDTH, HEIGHT, f"Share of readings outside the limits at {location}, per {per}", described, parts)


def share_written(outside: int, of: int) -> str:
    """Return a share as its count, its whole and its percentage."""
    return f"{outside} of {of} ({percent(Fraction(outside, of))})" if of else "none"


def percent(share: Fraction) -> str:
    """Return *share* in percent to one decimal, and never as none or all where it is not."""
    percent = 100 * share
    places = 1
    while share not in (0, 1) and places < _MOST_PLACES and Fraction(shown(percent, places)) in (0, 100):
        places += 1
    return f"{figure(percent, places)}{NBSP}%"

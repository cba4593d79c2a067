"""All locations of a part at one look: a strip for each, and where the job has a drawing, their places on it.

A strip shows the limits as walls, the target as a field, from the least to the greatest reading as a thin line, from
the 5th to the 95th hundredth as a thick one, and the mean as a dot, or a cross in a ring where it lies outside.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final, Literal

from markupsafe import Markup

from report.chart_drawing import GRID, INSIDE, QUIET, TARGET, TARGET_EDGE, drawing, line, n, text, wall
from report.chart_drawing import field as area
from report.chart_scale import Axis, axis_over, tick_label
from report.charted import LocationSummary, Window, bounds_of, limits_written, places
from report.figures import figure, figure_between
from report.outside_pictures import OutsidePicture
from report.part_drawing import Place, part_drawing
from report.share_chart import share_written
from report.trend_chart import mean_mark, outside_mean_mark
from schemas.errors import BadInput
from schemas.units import Unit

WIDTH: Final = 300.0
HEIGHT: Final = 30.0
_MARGIN: Final = 8.0
_DRAWING_MM: Final = (100.0, 62.0)
#: What the marks on the drawing mean, in the order of how far they are from what is wanted.
MARKS: Final = (
    "Dot: the mean and nine readings of ten lie within the limits. Bar in a ring: the mean does, readings in the outer "
    "twentieths do not, or there are no limits. Cross in a ring: the mean lies outside."
)


def location_picture(
    locations: Sequence[LocationSummary],
    unit: Unit,
    caption: str,
    picture: OutsidePicture | None = None,
    prefix: str = "part",
) -> Markup:
    """Return the table of *locations* with their strips, beside the drawing with their numbers where there is one.

    Args:
        locations: What was read at each, in the order of the job.
        unit: Of the film builds and limits.
        caption: What the table is.
        picture: The part's drawing; drawn where a location has a point on it.
        prefix: Begins the ids inside the drawing, unlike those of any other on the page.
    """
    scale = strip_axis(locations)
    rows = Markup("").join(_row(number, one, scale, unit) for number, one in enumerate(locations, 1))
    symbol = unit.symbol
    table = Markup(
        '<div class="scrolls" tabindex="0" role="region" aria-label="{caption}"><table class="locations">'
        '<caption>{caption}</caption><thead><tr><th scope="col" class="r">no.</th><th scope="col">location</th>'
        '<th scope="col" class="strip">{axis}</th><th scope="col" class="r">limits, {symbol}</th><th scope="col" class="r">n</th>'
        '<th scope="col" class="r">mean</th><th scope="col" class="r">p5</th><th scope="col" class="r">p95</th>'
        '<th scope="col" class="r">outside limits</th></tr></thead><tbody>{rows}</tbody></table></div>'
    ).format(caption=caption, axis=_axis(scale, unit), symbol=symbol, rows=rows)
    return Markup('<div class="at-a-look">{}{}</div>').format(_on_drawing(locations, unit, picture, prefix), table)


def strip_axis(locations: Sequence[LocationSummary]) -> Axis:
    """Return the scale that the strips of *locations* share, in px of a strip."""
    seen = [build for one in locations for build in (one.low, one.high)]
    seen += bounds_of(one.window for one in locations)
    return axis_over(seen, _MARGIN, WIDTH - _MARGIN, about=6, never_below=0)


def strip(one: LocationSummary, scale: Axis, unit: Unit) -> Markup:
    """Return the strip of one location."""
    middle = HEIGHT / 2
    window = one.window
    ticks = "".join(f"M{n(scale.at(t))} 0V{n(HEIGHT)}" for t in scale.ticks)
    mean = [(scale.at(one.mean), middle)]
    parts = [
        line(ticks, GRID, 1),
        _target(window, scale),
        line(f"M{n(scale.at(one.low))} {n(middle)}H{n(scale.at(one.high))}", INSIDE, 1.2),
        line(f"M{n(scale.at(one.p5))} {n(middle)}H{n(scale.at(one.p95))}", INSIDE, 6),
    ]
    for bound, away in ((window.lower, -1), (window.upper, 1)):
        if bound is not None:
            parts.append(wall(scale.at(bound), 1, scale.at(bound), HEIGHT - 1, away))
    if window.lets(one.mean):
        parts += [mean_mark(mean, 6).replace(INSIDE, "#fff"), mean_mark(mean, 4.4)]
    else:
        parts.append(outside_mean_mark(mean, 6))
    return drawing(WIDTH, HEIGHT, f"Film build at {one.location}", _described(one, unit), parts)


def mark_of(one: LocationSummary) -> Literal["conforms", "does not conform", "undecided"]:
    """Return the mark that a location gets on the drawing, in the words of :mod:`report.part_drawing`.

    It says how the readings lie; whether a lot conforms is decided inspection by inspection, by the job's rule.
    """
    if not one.window.lets(one.mean):
        return "does not conform"
    if one.window.has_limits and one.window.lets(one.p5) and one.window.lets(one.p95):
        return "conforms"
    return "undecided"


def _on_drawing(
    locations: Sequence[LocationSummary], unit: Unit, picture: OutsidePicture | None, prefix: str
) -> Markup:
    placed = [
        Place(number, one.location, _mean(one, unit), *one.point, mark_of(one))
        for number, one in enumerate(locations, 1)
        if one.point is not None
    ]
    if picture is None or not placed:
        return Markup("")
    across, down = _DRAWING_MM
    title = "; ".join(f"{p.number}, {p.location}: mean {p.value}" for p in placed)
    try:
        made = part_drawing(placed, picture.aspect, title, across, down, only_numbers=True)
    except BadInput as crowded:
        return Markup('<p class="note">The part\'s drawing is left out: {}.</p>').format(crowded.sentence)
    return Markup('<div class="on-drawing">{}<p class="note">The numbers are those of the table. {}</p></div>').format(
        made.markup(picture.markup("Drawing of the part", prefix, inline=True)), MARKS
    )


def _row(number: int, one: LocationSummary, scale: Axis, unit: Unit) -> Markup:
    digits = places(unit)
    bounds = [one.window.lower, one.window.upper]
    p5, p95 = (figure_between(v, digits, bounds) for v in (one.p5, one.p95))
    return Markup(
        '<tr><td class="r">{number}</td><th scope="row">{location}</th><td class="strip">{strip}</td>'
        '<td class="r">{limits}</td><td class="r">{n}</td><td class="r">{mean}</td><td class="r">{p5}</td>'
        '<td class="r">{p95}</td><td class="r">{outside}</td></tr>'
    ).format(
        number=number,
        location=one.location,
        strip=strip(one, scale, unit),
        limits=limits_written(one.window.lower, one.window.upper),
        n=one.n,
        mean=figure_between(one.mean, digits, bounds),
        p5=p5,
        p95=p95,
        outside=share_written(one.outside, one.n) if one.window.has_limits else "–",
    )


def _axis(scale: Axis, unit: Unit) -> Markup:
    labels = [text(scale.at(t), 14, tick_label(t), anchor="middle", size=12) for t in scale.ticks]
    marks = line("".join(f"M{n(scale.at(t))} 18v4" for t in scale.ticks), QUIET, 1)
    return drawing(WIDTH, 22, f"Scale of the film build, {unit.symbol}", "", [*labels, marks])


def _target(window: Window, scale: Axis) -> str:
    low, high = window.target_low, window.target_high
    if low is None and high is None:
        return ""
    left = scale.at(low) if low is not None else (0.0 if window.lower is None else scale.at(window.lower))
    right = scale.at(high) if high is not None else (WIDTH if window.upper is None else scale.at(window.upper))
    edges = "".join(f"M{n(scale.at(b))} 4V{n(HEIGHT - 4)}" for b in (low, high) if b is not None)
    return area(f"M{n(left)} 4H{n(right)}V{n(HEIGHT - 4)}H{n(left)}z", TARGET) + line(edges, TARGET_EDGE, 1.2, "2 3")


def _mean(one: LocationSummary, unit: Unit) -> str:
    return f"{figure_between(one.mean, places(unit), [one.window.lower, one.window.upper])} {unit.symbol}"


def _described(one: LocationSummary, unit: Unit) -> str:
    digits = places(unit)
    asked = f", limits {limits_written(one.window.lower, one.window.upper)}" if one.window.has_limits else ""
    return (
        f"Mean {_mean(one, unit)}, nine of ten readings from {figure(one.p5, digits)} to {figure(one.p95, digits)}, "
        f"all from {figure(one.low, digits)} to {figure(one.high, digits)}{asked}."
    )

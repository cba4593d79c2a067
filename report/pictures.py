"""The pictures of a certificate: own inline SVG, one strip per location on a scale that all share.

Readable without colour: a limit is a thick upright bar, the target band a grey field, a reading within
the limits a dot and one outside them a cross, the mean a tall thin bar with its expanded uncertainty across. Floats are fine here: a picture
decides nothing.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from typing import Final

from markupsafe import Markup, escape

from report.languages import Presentation
from rules.results import LocationResult
from rules.sentence import said
from schemas.units import Unit, from_um

# One unit of the drawing is 1 CSS px; the style sheet scales the whole to the column.
WIDTH: Final = 200.0
HEIGHT: Final = 24.0
_MARGIN: Final = 5.0
_DOT: Final = 2.2
_CROSS: Final = 3.2
#: Of the mean and its uncertainty; dark enough to be told from the target when a page is printed grey.
_MEAN_COLOUR: Final = "#a5450b"
_STEPS: Final = (1.0, 2.0, 5.0)


@dataclass(frozen=True, slots=True)
class Scale:
    """A straight scale from thickness to the width of a strip."""

    low: float
    high: float
    step: float

    def x(self, thickness: Fraction | Decimal | float) -> float:
        """Return where *thickness* lies."""
        share = (float(thickness) - self.low) / (self.high - self.low)
        return round(_MARGIN + share * (WIDTH - 2 * _MARGIN), 2)

    @property
    def ticks(self) -> list[float]:
        """Return the round numbers on the scale."""
        first = math.ceil(self.low / self.step - 1e-9)
        last = math.floor(self.high / self.step + 1e-9)
        return [n * self.step for n in range(first, last + 1)]


def scale_of(places: tuple[LocationResult, ...]) -> Scale:
    """Return a scale that takes every limit, target and reading of *places*."""
    seen: list[float] = [float(b) for p in places for b in p.builds]
    seen += [float(v) for p in places for v in (p.lower, p.target_low, p.target_high, p.upper) if v is not None]
    low, high = min(seen, default=0.0), max(seen, default=1.0)
    span = (high - low) or abs(high) or 1.0
    low, high = low - 0.04 * span, high + 0.04 * span
    rough = (high - low) / 6
    power = 10.0 ** math.floor(math.log10(rough))
    step = next((s * power for s in _STEPS if s * power >= rough), 10 * power)
    return Scale(low, high, step)


def axis(scale: Scale, written: Presentation) -> Markup:
    """Return the numbers of the scale, to stand above the strips, as the certificate writes them."""
    labels = "".join(
        f'<text x="{scale.x(t):g}" y="11" text-anchor="middle">{written.number(_tick(t))}</text>'
        f'<path d="M{scale.x(t):g} 13v3" stroke="#444" stroke-width=".6"/>'
        for t in scale.ticks
    )
    return Markup(  # noqa: S704 - numbers of ours and nothing else
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH:g} 16" width="{WIDTH:g}" height="16">'
        f'<title>{escape(written.text(said("Scale of the film build")))}</title><g font-family="Open Sans" font-size="15" fill="#222">{labels}</g></svg>'
    )


def strip(place: LocationResult, scale: Scale, title: str, unit: Unit) -> Markup:
    """Return the strip of one location.

    Args:
        place: The location.
        scale: The scale that the strips share.
        title: What the strip shows, in words.
        unit: Unit of the scale.
    """
    middle = HEIGHT / 2
    parts = [f"<title>{escape(title)}</title>"]
    grid = "".join(f"M{scale.x(t):g} 0V{HEIGHT:g}" for t in scale.ticks)
    parts.append(f'<path d="{grid}" stroke="#ddd" stroke-width=".5"/>')
    if place.target_low is not None or place.target_high is not None:
        left = scale.x(place.target_low) if place.target_low is not None else _edge(place.lower, scale, 0.0)
        right = scale.x(place.target_high) if place.target_high is not None else _edge(place.upper, scale, WIDTH)
        parts.append(f'<rect x="{left:g}" y="4" width="{right - left:g}" height="{HEIGHT - 8:g}" fill="#cfd6da"/>')
    left, right = _edge(place.lower, scale, 0.0), _edge(place.upper, scale, WIDTH)
    parts.append(f'<path d="M{left:g} {middle:g}H{right:g}" stroke="#666" stroke-width=".7"/>')
    bars = "".join(f"M{scale.x(v):g} 1V{HEIGHT - 1:g}" for v in (place.lower, place.upper) if v is not None)
    parts.append(f'<path d="{bars}" stroke="#111" stroke-width="2"/>')
    inside: list[tuple[float, float]] = []
    outside: list[tuple[float, float]] = []
    for i, build in enumerate(place.builds):
        # Neighbours in time stand on different heights, so that equal readings stay countable.
        at = (scale.x(build), middle + (i % 3 - 1) * 4.2)
        (inside if _within(build, place) else outside).append(at)
    if inside:
        parts.append(f'<path d="{"".join(_dot(x, y) for x, y in inside)}" fill="#1d4e6b"/>')
    if outside:
        crosses = "".join(_cross(x, y) for x, y in outside)
        parts.append(f'<path d="{crosses}" stroke="#a3170a" stroke-width="1.7" fill="none"/>')
    if place.mean is not None:
        mean = scale.x(place.mean)
        parts.append(f'<path d="M{mean:g} 0V{HEIGHT:g}" stroke="{_MEAN_COLOUR}" stroke-width="1.3"/>')
        if place.uncertainty is not None:
            expanded = from_um(Fraction(place.uncertainty.expanded), unit)
            left = max(0.0, scale.x(place.mean - expanded))
            right = min(WIDTH, scale.x(place.mean + expanded))
            ends = f"M{left:g} {HEIGHT - 4.5:g}v4M{right:g} {HEIGHT - 4.5:g}v4"
            parts.append(
                f'<path d="M{left:g} {HEIGHT - 2.5:g}H{right:g}{ends}" stroke="{_MEAN_COLOUR}" stroke-width="1.2"/>'
            )
    return Markup(  # noqa: S704 - numbers of ours, and a title that is escaped above
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH:g} {HEIGHT:g}" width="{WIDTH:g}" '
        f'height="{HEIGHT:g}">{"".join(parts)}</svg>'
    )


def _edge(limit: Decimal | None, scale: Scale, open_end: float) -> float:
    return open_end if limit is None else scale.x(limit)


def _within(build: Fraction, place: LocationResult) -> bool:
    return (place.lower is None or build >= place.lower) and (place.upper is None or build <= place.upper)


def _dot(x: float, y: float) -> str:
    return f"M{x - _DOT:.2f} {y:.2f}a{_DOT} {_DOT} 0 1 0 {2 * _DOT} 0a{_DOT} {_DOT} 0 1 0 {-2 * _DOT} 0z"


def _cross(x: float, y: float) -> str:
    r = _CROSS
    return f"M{x - r:.2f} {y - r:.2f}l{2 * r} {2 * r}M{x - r:.2f} {y + r:.2f}l{2 * r} {-2 * r}"


def _tick(thickness: float) -> str:
    written = f"{thickness:.3f}".rstrip("0").rstrip(".")
    return written.replace("-", "\u2212") if written not in ("-0", "") else "0"

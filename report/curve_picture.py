"""The operating characteristic of a plan as a picture: a self-contained SVG, readable without colour."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from typing import Final

from markupsafe import escape

from rules.lot_judgement import LotStatement
from rules.operating_characteristic import CONSUMERS_RISK

_WIDTH: Final = 640
_HEIGHT: Final = 400
_LEFT: Final = 62
_RIGHT: Final = 18
_TOP: Final = 46
_BOTTOM: Final = 56
_INK: Final = "#222"


def curve_svg(statement: LotStatement, title: str) -> str:
    """Return the curve of a plan, with the producer's and the consumer's point marked.

    Raises:
        ValueError: The plan measures every piece, so it has no curve.
    """
    found = statement.characteristic
    if found is None:
        raise ValueError("every piece is measured, so there is no curve to draw")
    points = [(0.0, 1.0), *((float(share), float(accepted)) for share, accepted in found.points)]
    reach = next((share for share, accepted in points if accepted < 0.005), points[-1][0])

    def x(share: float) -> float:
        return round(_LEFT + share / reach * (_WIDTH - _LEFT - _RIGHT), 2)

    def y(accepted: float) -> float:
        return round(_TOP + (1 - accepted) * (_HEIGHT - _TOP - _BOTTOM), 2)

    drawn = [(share, accepted) for share, accepted in points if share <= reach]
    path = " ".join(f"{'M' if i == 0 else 'L'}{x(share)} {y(accepted)}" for i, (share, accepted) in enumerate(drawn))
    dots = "".join(f'<circle cx="{x(s)}" cy="{y(a)}" r="2.6" fill="#1d4e6b"/>' for s, a in drawn)
    marks = []
    if found.producers_risk is not None and found.aql is not None and float(found.aql) <= reach:
        risk, share = float(found.producers_risk), float(found.aql)
        marks.append(
            _mark(x(share), y(1 - risk), f"producer's risk: {risk:.1%} rejected at an AQL of {share * 100:.3g}%", y(0))
        )
    if found.consumers_quality is not None and float(found.consumers_quality) <= reach:
        risk, share = float(CONSUMERS_RISK), float(found.consumers_quality)
        marks.append(_mark(x(share), y(risk), f"consumer's risk: {risk:.0%} accepted at {share:.1%}", y(0)))
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDTH} {_HEIGHT}" width="{_WIDTH}" height="{_HEIGHT}" '
        f'font-family="Open Sans, sans-serif" font-size="13" fill="{_INK}">'
        f"<title>{escape(title)}</title><rect width='100%' height='100%' fill='#fff'/>"
        f'<text x="{_LEFT}" y="20" font-size="15">{escape(title)}</text>'
        f"{_grid(reach, x, y)}"
        f'<path d="{path}" fill="none" stroke="#1d4e6b" stroke-width="2"/>{dots}{"".join(marks)}'
        f'<text x="{(_LEFT + _WIDTH - _RIGHT) / 2}" y="{_HEIGHT - 12}" text-anchor="middle">'
        "nonconforming pieces of the process, %</text>"
        f'<text transform="translate(16 {(_TOP + _HEIGHT - _BOTTOM) / 2}) rotate(-90)" text-anchor="middle">'
        "such lots accepted, %</text></svg>\n"
    )


def _grid(reach: float, x: Callable[[float], float], y: Callable[[float], float]) -> str:
    parts = []
    for tenth in range(0, 11, 2):
        at = y(tenth / 10)
        parts.append(f'<path d="M{_LEFT} {at}H{_WIDTH - _RIGHT}" stroke="#ddd"/>')
        parts.append(f'<text x="{_LEFT - 8}" y="{at + 4}" text-anchor="end">{tenth * 10}</text>')
    step = next(s for s in (Fraction(1, 100), Fraction(1, 50), Fraction(1, 20), Fraction(1, 10)) if reach / s <= 10)
    for n in range(int(reach / step) + 1):
        at = x(float(n * step))
        parts.append(f'<path d="M{at} {_TOP}V{y(0)}" stroke="#eee"/>')
        parts.append(f'<text x="{at}" y="{y(0) + 18}" text-anchor="middle">{float(n * step) * 100:g}</text>')
    parts.append(f'<path d="M{_LEFT} {_TOP}V{y(0)}H{_WIDTH - _RIGHT}" fill="none" stroke="{_INK}"/>')
    return "".join(parts)


def _mark(at_x: float, at_y: float, said: str, bottom: float) -> str:
    # The curve falls to the right, so the room is above and to the right of a point on it.
    anchor, shift = ("start", 8) if at_x < _WIDTH * 0.6 else ("end", 24)
    return (
        f'<path d="M{_LEFT} {at_y}H{at_x}V{bottom}" fill="none" stroke="#a3170a" stroke-dasharray="4 3"/>'
        f'<circle cx="{at_x}" cy="{at_y}" r="4" fill="none" stroke="#a3170a" stroke-width="2"/>'
        f'<text x="{at_x + shift}" y="{at_y - 8}" text-anchor="{anchor}">{escape(said)}</text>'
    )

"""The place of a value in its window, in words and as a bar: lower limit, target band, upper limit, the value's mark. Pure.

It is for the eye alone. Whether a reading is in its window was decided before (Standing), from exact figures.
"""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal
from typing import Final

from ingest.capture_state import Standing, Window
from ingest.screen_text import Row, Signs, Span, Style, cut, width

#: How much of what lies outside the limits the bar shows, as a share of what lies between them. A choice of ours.
_BESIDE: Final = Decimal("0.3")
_LAST_PLACE: Final = Decimal("0.0001")
#: Longer figures than these are no film build, and are written with an exponent.
_MOST_DIGITS: Final = 12
_NARROWEST: Final = 12
_Cell = Callable[[Decimal], int]

STYLES: Final = {
    Standing.IN: Style.GOOD,
    Standing.LOW: Style.BAD,
    Standing.HIGH: Style.BAD,
    Standing.NO_LIMITS: Style.STRONG,
    Standing.NO_BASE: Style.CARE,
}


def figures(value: Decimal, places: Decimal = _LAST_PLACE) -> str:
    """Return *value* without needless zeros, rounded to *places*; what rounds to nothing is never shown as 0."""
    if not value.is_finite():
        return str(value)
    if value.adjusted() >= _MOST_DIGITS:
        return f"{value:.3e}"
    rounded = value.quantize(places)
    if not rounded and value:
        return f"{'-' if value < 0 else ''}<{places}"
    text = f"{rounded:f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def mean_figures(value: Decimal, unit: str) -> str:
    """Return a mean as it is shown: a tenth of a µm, a hundredth of a mil."""
    if not value.is_finite() or value.adjusted() >= _MOST_DIGITS:
        return figures(value)
    return f"{value.quantize(Decimal('0.01' if unit == 'mil' else '0.1')):f}"


def outside_by(value: Decimal, window: Window) -> Decimal | None:
    """Return how far *value* lies beyond the nearer limit, in the window's unit, or None where it does not."""
    if window.lower is not None and value < window.lower:
        return window.lower - value
    if window.upper is not None and value > window.upper:
        return value - window.upper
    return None


def standing_words(standing: Standing, value: Decimal, window: Window, signs: Signs) -> str:
    """Return where a value lies, in words: "IN WINDOW", "TOO LOW by 3.2 µm"."""
    if standing is Standing.IN:
        return f"{signs.good} IN WINDOW"
    if standing is Standing.NO_LIMITS:
        return "NO LIMITS HERE"
    if standing is Standing.NO_BASE:
        return f"{signs.bad} BASE READING MISSING"
    beyond = outside_by(value, window)
    by = f" by {figures(beyond)} {signs.clean(window.unit)}" if beyond is not None else ""
    return f"{signs.bad} TOO {'LOW' if standing is Standing.LOW else 'HIGH'}{by}"


def window_words(window: Window, signs: Signs, *, target: bool = True) -> str:
    """Return the limits and, where *target* asks for it, the target band in words: "60 – 120 µm, target 70 – 90"."""
    unit = signs.clean(window.unit)
    lower, upper, low, high = (
        figures(edge) if edge is not None else None
        for edge in (window.lower, window.upper, window.target_low, window.target_high)
    )
    if lower is not None and upper is not None:
        said = f"{lower} {signs.dash} {upper} {unit}"
    elif lower is not None:
        said = f"at least {lower} {unit}"
    elif upper is not None:
        said = f"at most {upper} {unit}"
    else:
        said = "no limits"
    if not target:
        return said
    if low is not None and high is not None:
        said += f", target {low} {signs.dash} {high}"
    elif low is not None or high is not None:
        said += f", target from {low}" if low is not None else f", target up to {high}"
    return said if lower or upper or not (low or high) else f"{said} {unit}"


def bar(window: Window, value: Decimal | None, standing: Standing | None, columns: int, signs: Signs) -> list[Row]:
    """Return three rows: the value's mark, the bar, the figures at its limits; none where there is nothing to draw.

    Args:
        window: Limits and target band; where one limit is missing, the bar has no end there.
        value: The value to be marked, in the window's unit; None marks nothing.
        standing: Where *value* lies; None where there is no value.
        columns: How many cells the bar may take.
        signs: What the console can show.
    """
    edges = [e for e in (window.lower, window.target_low, window.target_high, window.upper) if e is not None]
    if not edges or columns < _NARROWEST:
        return []
    start, end = _shown_range(window, edges)
    last = columns - 1

    def cell(at: Decimal) -> int:
        return max(0, min(last, int(((at - start) / (end - start) * last).to_integral_value())))

    return [
        _mark_row(value, standing, window, start, end, columns, cell, signs),
        _bar_row(window, columns, cell, signs),
        _figures_row(window, columns, cell, signs),
    ]


def _shown_range(window: Window, edges: list[Decimal]) -> tuple[Decimal, Decimal]:
    lowest, highest = min(edges), max(edges)
    span = highest - lowest or abs(highest) or Decimal(1)
    start = lowest - span * _BESIDE
    end = highest + span * _BESIDE
    if window.lower is None:
        start = min(Decimal(0), lowest - span)
    if window.upper is None:
        end = highest + span
    return start, end


def _mark_row(
    value: Decimal | None,
    standing: Standing | None,
    window: Window,
    start: Decimal,
    end: Decimal,
    columns: int,
    cell: _Cell,
    signs: Signs,
) -> Row:
    if value is None or not value.is_finite():
        return ()
    style = STYLES[standing] if standing is not None else Style.STRONG
    text = figures(value)
    if value < start:
        return (Span(cut(f"{signs.below} {text}", columns, signs), style),)
    if value > end:
        said = cut(f"{text} {signs.above}", columns, signs)
        return (Span(" " * (columns - width(said))), Span(said, style))
    return (Span(" " * _on_its_side(cell(value), standing, window, columns, cell)), Span(signs.mark, style))


def _on_its_side(at: int, standing: Standing | None, window: Window, columns: int, cell: _Cell) -> int:
    """Return *at*, moved by a cell where rounding to cells would put the mark on the limit or beyond it."""
    lower = cell(window.lower) if window.lower is not None else None
    upper = cell(window.upper) if window.upper is not None else None
    if standing is Standing.LOW and lower is not None:
        return max(0, min(at, lower - 1))
    if standing is Standing.HIGH and upper is not None:
        return min(columns - 1, max(at, upper + 1))
    if standing is Standing.IN and lower is not None and upper is not None and upper - lower > 1:
        return max(lower + 1, min(at, upper - 1))
    return at


def _bar_row(window: Window, columns: int, cell: _Cell, signs: Signs) -> Row:
    lower = cell(window.lower) if window.lower is not None else None
    upper = cell(window.upper) if window.upper is not None else None
    cells = []
    for at in range(columns):
        if at in (lower, upper):
            cells.append((signs.limit, Style.STRONG))
        elif (lower is not None and at < lower) or (upper is not None and at > upper):
            cells.append((signs.outside, Style.PLAIN))
        elif _in_target(at, window, cell):
            cells.append((signs.target, Style.GOOD))
        else:
            cells.append((signs.inside, Style.PLAIN))
    return _runs(cells)


def _in_target(at: int, window: Window, cell: _Cell) -> bool:
    if window.target_low is None and window.target_high is None:
        return False
    from_here = window.target_low is None or at >= cell(window.target_low)
    up_to_here = window.target_high is None or at <= cell(window.target_high)
    return from_here and up_to_here


def _figures_row(window: Window, columns: int, cell: _Cell, signs: Signs) -> Row:
    """The limits first, each under its place; target figures where they still fit."""
    taken = [" "] * columns
    for edge in (window.lower, window.upper, window.target_low, window.target_high):
        if edge is None:
            continue
        text = figures(edge)
        if len(text) > columns:
            continue
        start = max(0, min(columns - len(text), cell(edge) - len(text) // 2))
        around = taken[max(0, start - 1) : start + len(text) + 1]
        if all(sign == " " for sign in around):
            taken[start : start + len(text)] = text
    return (Span("".join(taken).rstrip()),)


def _runs(cells: list[tuple[str, Style]]) -> Row:
    spans: list[Span] = []
    for sign, style in cells:
        if spans and spans[-1].style is style:
            spans[-1] = Span(spans[-1].text + sign, style)
        else:
            spans.append(Span(sign, style))
    return tuple(spans)

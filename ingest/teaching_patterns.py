"""Pieces and what they mean, as one regular expression that a person can read."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from ingest.teaching_checks import FoundCheck, tail_of
from ingest.teaching_fields import Fields
from ingest.teaching_shapes import WAYS, Token, tokens_of, written
from ingest.teaching_times import stamp_pattern

#: All words of schemas.units, short enough to be read.
_UNITS: Final = "(?i:[uµμ]m|microns?|mils?)"
_NUMBER: Final = r"[-+]?[0-9]+(?:[.,][0-9]+)?"
#: A day and a time of day that are passed over; bounded, so that no line takes long.
_DAY: Final = "[0-9]{1,4}(?:[-/. ]?[0-9A-Za-z]{1,4}){2}"
_CLOCK: Final = "[0-9]{1,2}:[0-9:.,]{2,12}(?: ?[AaPp][Mm]|Z|[-+][0-9:]{4,5})?"


@dataclass(frozen=True, slots=True)
class Layout:
    """All that the expression is made of.

    Attributes:
        lines: Line, and its pieces; all are built alike.
        value: Number of the piece that is the thickness.
        decimal_mark: Decimal mark; None where the gauge writes no decimals.
        places: How many of the last figures are decimals; 0 where the mark says so.
        fields: What the pieces mean.
        check: The check; None where there is none.
        tail: How the end looks where a check is passed over; None where there is none.
        cut_mark: Decimal mark of the other figures.
        telling: Lines that show how many decimals their unit has.
    """

    lines: Mapping[int, Sequence[Token]]
    value: int
    decimal_mark: str | None
    places: int
    fields: Fields
    check: FoundCheck | None
    tail: str | None
    cut_mark: str
    telling: Sequence[int]


def line_pattern(layout: Layout) -> str:
    """Return the expression of a reading."""
    first = next(iter(layout.lines.values()))
    out: list[str] = []
    moment = layout.fields.moment
    at = 0
    sign_before = _sign_piece(layout, first)
    while at < len(first):
        place = str(at)
        gap = _gap(layout, at)
        if moment is not None and place == moment.places[0]:
            out += [gap, f"(?P<time>{stamp_pattern(moment.order)})"]
            at = int(moment.places[1]) + 1
            continue
        if at == sign_before:
            at += 1
            continue
        out += [
            _gap(layout, sign_before) if at == layout.value and sign_before is not None else gap,
            _piece(layout, at, gap),
        ]
        at += 1
    return "".join(out)


def _sign_piece(layout: Layout, tokens: Sequence[Token]) -> int | None:
    """Return the piece before the thickness that is its sign with blanks after it, as in "+  82.5"."""
    at = layout.value - 1
    if at < 0 or tokens[at].text != "+" or not any(t[layout.value].gap for t in layout.lines.values()):
        return None
    return at


def _piece(layout: Layout, at: int, gap: str) -> str:
    fields = layout.fields
    place = str(at)
    token = next(iter(layout.lines.values()))[at]
    if at == layout.value:
        blanks = " *" if at == 0 or gap or _sign_piece(layout, next(iter(layout.lines.values()))) is not None else ""
        mark = layout.decimal_mark
        decimals = "" if layout.places or mark is None else f"(?:{written(mark)}[0-9]+)?"
        sign = f"(?:[-+]{blanks})?" if blanks else "[-+]?"
        return f"(?P<thickness>{sign}[0-9]+{decimals})"
    if place == fields.unit:
        return f"(?P<unit>{_unit_words(layout, at)})"
    if place in fields.unit_words:
        return _UNITS
    if place == fields.counter:
        return "(?P<counter>[0-9]{1,9})"
    if place == fields.mode:
        return f"(?P<mode>{'|'.join(written(w) for w in sorted(fields.modes, key=lambda w: (-len(w), w)))})"
    if place in fields.fixed:
        texts = fields.fixed[place]
        return written(texts[0]) if len(texts) == 1 else f"(?:{'|'.join(written(t) for t in texts)})"
    if token.kind == "check":
        if layout.check is not None:
            return f"(?P<check>{layout.check.pattern})"
        return (layout.tail or "").split(")", 1)[-1]
    if token.kind == "number":
        commas = any(t.text == "," for t in next(iter(layout.lines.values())))
        return rf"[-+]?[0-9]+(?:{written(layout.cut_mark)}[0-9]+)?" if commas else _NUMBER
    if token.kind == "word":
        # No figures: they would be taken from a number that stands right behind.
        free = r"[^\W\d]+(?:[-/][^\W\d]+)*"
        if " " in token.text:
            free = rf"{free}(?: {free})*"
        never = "|".join(written(word) for word in fields.excluded.get(place, ()))
        return rf"(?!(?:{never})(?![\w/-])){free}" if never else free
    if token.kind == "day":
        return _DAY
    if token.kind == "clock":
        return _CLOCK
    return written(token.text)


def _unit_words(layout: Layout, at: int) -> str:
    """Return all words for units; where no decimal mark is written, those that were shown alone: another may have other decimals."""
    if not layout.places:
        return _UNITS
    seen = sorted({layout.lines[i][at].text for i in layout.telling})
    return "|".join(written(word) for word in seen)


def _gap(layout: Layout, at: int) -> str:
    """Return the blanks before a piece."""
    gaps = {tokens[at].gap for tokens in layout.lines.values()}
    if at == 0:
        return ""
    tokens = next(iter(layout.lines.values()))
    left, right = tokens[at - 1], tokens[at]
    if gaps != {0}:
        parts_alike = _alike(left, right) and min(gaps) > 0
        return " +" if parts_alike else " *"
    if left.kind == "mark" and right.kind == "mark":
        return ""
    # A field that was as wide in every line may be padded once it is not.
    inner = right if left.kind == "mark" else left if right.kind == "mark" else None
    if inner is None or inner.kind in ("day", "clock", "check"):
        return ""
    where = at if inner is right else at - 1
    if str(where) in layout.fields.fixed or not _parts_fields(left if inner is right else right):
        return ""
    widths = {len(line[where].text) for line in layout.lines.values()}
    return " *" if len(widths) == 1 else ""


def _parts_fields(mark: Token) -> bool:
    return mark.text in ";,|:=\t/"


def _alike(left: Token, right: Token) -> bool:
    """Return whether two pieces would run into one without a blank between them."""
    figures = ("number", "day", "clock", "check")
    return (left.kind in figures and right.kind in figures) or (
        left.kind in ("word", "check") and right.kind in ("word", "check")
    )


def other_line_pattern(text: str, readings: Sequence[str], check: FoundCheck | None, tail: str | None) -> str | None:
    """Return an expression for a line that is no reading and matches none of *readings*; None where there is none."""
    for pattern in (_general(text, check, tail), written(text)):
        if not any(re.fullmatch(pattern, reading) for reading in readings):
            return pattern
    return None


def _general(text: str, check: FoundCheck | None, tail: str | None) -> str:
    end = ""
    if tail is not None and (cut := tail_of(text, tail)) is not None:
        text = cut.before
        end = (check.pattern if check is not None else tail.split(")", 1)[-1]) + "".join(written(c) for c in cut.after)
    out = []
    tokens = tokens_of(text, WAYS[0])
    for at, token in enumerate(tokens):
        if token.gap:
            out.append(" +" if at and _alike(tokens[at - 1], token) else " *")
        if token.kind == "number":
            out.append(_NUMBER)
        elif token.kind == "day":
            out.append(_DAY)
        elif token.kind == "clock":
            out.append(_CLOCK)
        else:
            out.append(written(token.text))
    trailing = len(text) - len(text.rstrip(" "))
    if trailing:
        out.append(" *")
    return "".join(out) + end

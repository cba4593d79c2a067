"""Text in the cells of a terminal: styles, signs, widths, cutting and wrapping. Pure.

Whatever comes from a gauge or a file passes :meth:`Signs.clean` before it is drawn, so that nothing but
visible characters ever reaches the terminal.
"""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass, replace
from enum import Enum
from typing import Final, NamedTuple

from prompt_toolkit.utils import get_cwidth


class Style(Enum):
    """What is drawn otherwise than plain. A colour is never the only sign: words and shapes say the same."""

    PLAIN = "plain"
    STRONG = "strong"
    BAND = "band"
    GOOD = "good"
    BAD = "bad"
    CARE = "care"
    GOOD_BAND = "good band"
    BAD_BAND = "bad band"
    CARE_BAND = "care band"


class Span(NamedTuple):
    """A piece of a row in one style; clean text."""

    text: str
    style: Style = Style.PLAIN


Row = tuple[Span, ...]

#: General categories of Unicode that cannot be seen, or that change how what stands beside them is seen.
_UNSEEN: Final = frozenset({"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"})


@dataclass(frozen=True, slots=True)
class Signs:
    """The signs that a console can show.

    Attributes:
        encoding: What the console's text is encoded in; what that lacks is shown as "?".
        combining: Whether a mark that joins the letter before it takes no cell of its own.
        full, upper, lower: Blocks of which figures are made: the whole cell, its upper and lower half.
        halves: Whether upper and lower differ, so that a cell holds two dots.
        more: Says that text goes on.
        here: Points at the present location.
        mark: Stands over the bar where the value is; *below* and *above* where it lies off the bar.
        outside, inside, target, limit: What the bar is made of.
        good, bad: Stand before a word of praise or warning.
        dot: Stands between two facts.
        micro: The letter before m.
    """

    encoding: str
    combining: bool
    full: str
    upper: str
    lower: str
    halves: bool
    more: str
    here: str
    mark: str
    below: str
    above: str
    outside: str
    inside: str
    target: str
    limit: str
    good: str
    bad: str
    dot: str
    micro: str
    dash: str

    def clean(self, text: str) -> str:
        """Return *text* on one line, every character of it visible or a space, and showable in this encoding."""
        if text.isascii() and text.isprintable():
            return text
        return "".join(map(self._shown, unicodedata.normalize("NFC", text)))

    def _shown(self, letter: str) -> str:
        if letter in "\t\n\r":
            return " "
        category = unicodedata.category(letter)
        if category in _UNSEEN or "\ufe00" <= letter <= "\ufe0f":
            return "?"
        if category == "Zs":
            return " "
        if category in ("Mn", "Me", "Mc") and not self.combining:
            return "?"
        if letter in "µμ":
            letter = self.micro
        try:
            letter.encode(self.encoding)
        except (UnicodeEncodeError, LookupError):
            return "?" * max(1, get_cwidth(letter))
        return letter


UNICODE: Final = Signs(
    "utf-8", True, "█", "▀", "▄", True, "…", "▶", "▼", "◀", "▶", "·", "─", "█", "┃", "✓", "!", "·", "µ", "–"
)
#: What the code pages of old consoles have (437, 850 and their kin), and so their raster fonts.
OLD_CONSOLE: Final = Signs(
    "cp437", False, "█", "▀", "▄", True, "...", ">", "V", "<", ">", "·", "─", "█", "│", "*", "!", "·", "µ", "-"
)
ASCII: Final = Signs(
    "ascii", False, "#", "#", "#", False, "...", ">", "V", "<", ">", ".", "-", "=", "|", "*", "!", "-", "u", "-"
)


def signs_for(encoding: str | None, *, old_console: bool = False) -> Signs:
    """Return the richest signs that a console with *encoding* can show; *old_console* asks for no more than a code page has."""
    for signs in (UNICODE, OLD_CONSOLE):
        if old_console and signs is UNICODE:
            continue
        drawn = (
            signs.full + signs.upper + signs.lower + signs.more + signs.here + signs.mark + signs.below + signs.above
        ) + (
            signs.outside
            + signs.inside
            + signs.target
            + signs.limit
            + signs.good
            + signs.dot
            + signs.micro
            + signs.dash
        )
        try:
            drawn.encode(encoding or "ascii")
        except (UnicodeEncodeError, LookupError):
            continue
        return _in(signs, encoding or "ascii")
    return _in(ASCII, encoding or "ascii")


def _in(signs: Signs, encoding: str) -> Signs:
    try:
        "a".encode(encoding)
    except LookupError:
        encoding = "ascii"
    return replace(signs, encoding=encoding)


def width(text: str) -> int:
    """Return how many cells clean *text* takes."""
    return len(text) if text.isascii() else int(get_cwidth(text))


def row_width(row: Row) -> int:
    """Return how many cells *row* takes."""
    return sum(width(span.text) for span in row)


def cut(text: str, columns: int, signs: Signs) -> str:
    """Return clean *text* in at most *columns* cells; where something had to go, a sign says so."""
    if width(text) <= columns:
        return text
    more = signs.more if columns >= width(signs.more) else signs.more[:1] if columns > 0 else ""
    return _head(text, columns - width(more))[0] + more


def _head(text: str, columns: int) -> tuple[str, str]:
    """Return what of *text* goes into *columns* cells, and the rest; a mark stays with its letter."""
    used = at = 0
    for at, letter in enumerate(text):  # noqa: B007 - where it broke off is what we want
        step = width(letter)
        if used + step > columns:
            break
        used += step
    else:
        at = len(text)
    return text[:at], text[at:]


def wrap(text: str, columns: int) -> list[str]:
    """Return clean *text* in lines of at most *columns* cells, broken between words where they fit; nothing is lost."""
    columns = max(1, columns)
    lines: list[str] = []
    line = ""
    for word in text.split():
        joined = f"{line} {word}" if line else word
        if width(joined) <= columns:
            line = joined
            continue
        if line:
            lines.append(line)
        while width(word) > columns:
            head, rest = _head(word, columns)
            if not head:  # one letter is wider than the whole line
                head, rest = "?", word[1:]
            lines.append(head)
            word = rest
        line = word
    if line or not lines:
        lines.append(line)
    return lines


def padded(text: str, columns: int) -> str:
    """Return *text* with spaces up to *columns* cells."""
    return text + " " * (columns - width(text))


def band(text: str, columns: int, style: Style, signs: Signs) -> Row:
    """Return a row that is *style* over its whole width."""
    return (Span(padded(cut(f" {text}", columns, signs), columns), style),)


def fitted(row: Row, columns: int, signs: Signs) -> Row:
    """Return *row* in at most *columns* cells, with a sign where it was longer."""
    if row_width(row) <= columns:
        return row
    kept: list[Span] = []
    left = columns - width(signs.more)
    if left < 0:
        return (Span(signs.more[:columns]),)
    for span in row:
        if width(span.text) <= left:
            kept.append(span)
            left -= width(span.text)
            continue
        kept.append(Span(_head(span.text, left)[0] + signs.more, span.style))
        return tuple(kept)
    return tuple(kept)


def beside(left: Row, columns: int, right: Row) -> Row:
    """Return *left* filled up to *columns* cells, with *right* behind it."""
    fill = columns - row_width(left)
    return (*left, Span(" " * fill), *right) if fill > 0 else (*left, *right)

"""The shape of a line: numbers, words, days, times of day, and the marks between them."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Final, Literal

Kind = Literal["number", "word", "day", "clock", "mark", "check"]

_MONTHS: Final = "Jan|Feb|Mar|Apr|May|Jun|Jul|Aug|Sep|Oct|Nov|Dec"
_DAY: Final = (
    r"(?<![0-9/-])(?<![0-9]\.)(?:[0-9]{4}(?P<s1>[-/.])[0-9]{1,2}(?P=s1)[0-9]{1,2}|[0-9]{1,2}(?P<s2>[-/.])[0-9]{1,2}(?P=s2)(?:[0-9]{4}|[0-9]{2})"
    rf"|[0-9]{{1,2}}(?P<s3>[- ]?)(?i:{_MONTHS})(?P=s3)(?:[0-9]{{4}}|[0-9]{{2}}))(?![0-9]|[./-][0-9])"
)
_CLOCK: Final = (
    r"(?<![0-9:])(?<![0-9]\.)[0-9]{1,2}:[0-9]{2}(?::[0-9]{2}(?:{mark}[0-9]{1,6})?)?(?![0-9:])"
    r"(?: ?[AaPp][Mm](?![A-Za-z])|Z(?![A-Za-z])|[-+][0-9]{2}:?[0-9]{2}(?![0-9]))?"
)
_WORD: Final = r"[^\W\d_]+(?:[-/_][^\W\d_]+)*"


@dataclass(frozen=True, slots=True)
class Token:
    """A piece of a line.

    Attributes:
        kind: What it is.
        text: The piece; a number has its sign.
        start, end: Where in the line it stands.
        gap: How many blanks stand before it.
    """

    kind: Kind
    text: str
    start: int
    end: int
    gap: int

    @property
    def digits(self) -> str:
        """Return a number without its sign."""
        return self.text.lstrip("+-")


@dataclass(frozen=True)
class Way:
    """How lines are cut into pieces.

    Attributes:
        decimal_mark: Which decimal mark numbers have.
        words_join: Whether words in a row are one name.
        times: Whether days and times of day are one piece; else "96:84.3" is a counter and figures.
    """

    decimal_mark: Literal[".", ","]
    words_join: bool = False
    times: bool = True

    @cached_property
    def pattern(self) -> re.Pattern[str]:
        """Return the expression that finds the next piece."""
        mark = re.escape(self.decimal_mark)
        word = f"{_WORD}(?: {_WORD})*" if self.words_join else _WORD
        times = rf"|(?P<day>{_DAY})|(?P<clock>{_CLOCK.replace('{mark}', mark)})" if self.times else ""
        return re.compile(
            rf"(?P<gap> +){times}"
            rf"|(?P<number>(?:(?<![A-Za-z0-9])[-+])?[0-9]+(?:{mark}[0-9]+)?)|(?P<word>{word})|(?P<mark>.)",
            re.DOTALL,
        )


#: In the order in which they are tried.
WAYS: Final = (
    Way("."),
    Way(","),
    Way(".", words_join=True),
    Way(",", words_join=True),
    Way(".", times=False),
    Way(",", times=False),
)


def tokens_of(text: str, way: Way) -> tuple[Token, ...]:
    """Return the pieces of *text*."""
    found = []
    gap = 0
    for match in way.pattern.finditer(text):
        kind = match.lastgroup
        if kind == "gap":
            gap = len(match[0])
            continue
        found.append(Token(kind, match[0], match.start(), match.end(), gap))  # type: ignore[arg-type]
        gap = 0
    return tuple(found)


def shape_of(tokens: Sequence[Token]) -> tuple[tuple[str, str], ...]:
    """Return what two lines that are built alike have in common: kinds in order, and the marks themselves."""
    return tuple((t.kind, t.text if t.kind == "mark" else "") for t in tokens)


def written(text: str) -> str:
    """Return *text* as a regular expression that matches it, as readable as can be."""
    out = []
    for letter in text:
        if letter == "\t":
            out.append(r"\t")
        elif ord(letter) < 32 or ord(letter) == 127:
            out.append(f"\\x{ord(letter):02x}")
        elif letter in r".^$*+?{}[]\|()":
            out.append("\\" + letter)
        else:
            out.append(letter)
    return "".join(out)

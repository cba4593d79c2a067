"""Which check digit fits the lines of a gauge, and whether that can be chance."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from math import comb
from typing import Final

from schemas.check_digit import KINDS, CheckDigit, Written

#: So improbable must it be that any of all tried checks fits by chance (a choice of ours).
_CHANCE: Final = 0.001
_ENDS: Final = "\x03\x04\x17 "


@dataclass(frozen=True, slots=True)
class Tail:
    """A line with the piece at its end that may be a check.

    Attributes:
        before: All that stands before the piece.
        piece: The piece.
        after: What stands behind it: control characters that end a frame.
    """

    before: str
    piece: str
    after: str


@dataclass(frozen=True, slots=True)
class FoundCheck:
    """A check that fits.

    Attributes:
        check: What it is.
        chance: How probable it is that one of all that were tried fits by chance, at most.
        pattern: How the check is written, as a regular expression.
    """

    check: CheckDigit
    chance: float
    pattern: str

    @property
    def is_sure(self) -> bool:
        """Return whether chance is as good as out of the question."""
        return self.chance < _CHANCE


def tail_of(text: str, pattern: str) -> Tail | None:
    """Return *text* cut before the piece at its end that *pattern* matches, or None where nothing there does."""
    body = text.rstrip(_ENDS)
    match = re.search(f"(?:{pattern})$", body)
    if match is None:
        return None
    return Tail(text[: match.start()], match[0], text[match.end() :].rstrip(" "))


#: How a check is written: form, width, whether with its lower byte first, bits, expression.
_FORMS: Final[tuple[tuple[Written, int | None, bool, int, str], ...]] = (
    ("HEX", 2, False, 8, "[0-9A-F]{2}"),
    ("hex", 2, False, 8, "[0-9a-f]{2}"),
    ("HEX", 4, False, 16, "[0-9A-F]{4}"),
    ("hex", 4, False, 16, "[0-9a-f]{4}"),
    ("HEX", 4, True, 16, "[0-9A-F]{4}"),
    ("hex", 4, True, 16, "[0-9a-f]{4}"),
    ("HEX", None, False, 8, "(?<![0-9A-Za-z])[0-9A-F]{1,2}"),
    ("hex", None, False, 8, "(?<![0-9A-Za-z])[0-9a-f]{1,2}"),
    ("HEX", None, False, 16, "(?<![0-9A-Za-z])[0-9A-F]{1,4}"),
    ("hex", None, False, 16, "(?<![0-9A-Za-z])[0-9a-f]{1,4}"),
    ("decimal", None, False, 8, "(?<![0-9A-Za-z])[0-9]{1,3}"),
    ("decimal", None, False, 16, "(?<![0-9A-Za-z])[0-9]{1,5}"),
)


def checks_that_fit(shown: Sequence[str], others: Sequence[str], encoding: str | None) -> list[FoundCheck]:
    """Return the checks that fit every line of *shown*; the one that covers most of the line first.

    Args:
        shown: Lines that hold a reading, as they came.
        others: Other lines, some of which may hold one as well.
        encoding: How letters beyond ASCII are written, "utf-8" or "latin-1"; None where no line has any.
    """
    tried = 0
    fits: list[tuple[CheckDigit, str]] = []
    distinct = sorted(set(shown))
    for form, width, swapped, bits, pattern in _FORMS:
        tails = [tail_of(text, pattern) for text in distinct]
        if not tails or any(t is None or not t.before for t in tails):
            continue
        whole = [t for t in tails if t is not None]
        for kind, (kind_bits, _) in KINDS.items():
            if kind_bits != bits:
                continue
            for first, last in _spans([t.before for t in whole]):
                check = CheckDigit.model_validate(
                    {
                        "kind": kind,
                        "written": form,
                        "width": width,
                        "low_byte_first": swapped,
                        "skip_first": first,
                        "skip_last": last,
                        "encoding": encoding,
                    }
                )
                tried += 1
                if all(check.wrong(t.before, t.piece) is None for t in whole):
                    fits.append((check, pattern))
    more = sorted(set(others) - set(shown))
    found = []
    for check, pattern in _without_likes(fits, distinct):
        agree = sum(
            1
            for text in more
            if (tail := tail_of(text, pattern)) is not None and check.wrong(tail.before, tail.piece) is None
        )
        chance = tried * comb(len(more), agree) * 2.0 ** (-check.bits * (len(distinct) + agree))
        found.append(FoundCheck(check, chance, pattern.split(")", 1)[-1] if pattern.startswith("(?<!") else pattern))
    return sorted(found, key=lambda f: f.check.skip_first + f.check.skip_last)


def _spans(befores: Sequence[str]) -> list[tuple[int, int]]:
    """Return what a check may leave out at the beginning of the line and just before itself."""
    firsts = [0]
    if all(not text[0].isalnum() and text[0].isascii() for text in befores):
        firsts.append(1)
    marks = min(len(text) - len(re.sub(r"[^A-Za-z0-9]+$", "", text, flags=re.ASCII)) for text in befores)
    if any(not c.isascii() for text in befores for c in text[-marks:] if marks):
        marks = 0
    return [(first, last) for first in firsts for last in range(min(marks, 3) + 1)]


def _without_likes(fits: list[tuple[CheckDigit, str]], lines: Sequence[str]) -> list[tuple[CheckDigit, str]]:
    """Leave out what says the same as another for ever: other spans of the same check, and a freer way to write it.

    All spans of one kind that fit differ by characters that are the same in every line of the gauge, which the
    profile's expression asks for; so they go on to fit together.
    """
    kept: dict[tuple[str, str, bool], tuple[CheckDigit, str]] = {}
    for check, pattern in sorted(fits, key=lambda f: (f[0].skip_first + f[0].skip_last, f[0].width is not None)):
        kept.setdefault((check.kind, check.written, check.low_byte_first), (check, pattern))
    return list(kept.values())

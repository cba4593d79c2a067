"""A raw line: what came, when, and as the how-manieth."""

from __future__ import annotations

from datetime import datetime
from typing import NamedTuple

from ingest.framing import Frame
from schemas.vocabulary import Clock


class RawLine(NamedTuple):
    """One line as a link hands it on.

    Attributes:
        line_no: Number of the line in its source, from 1.
        frame: The bytes.
        received_at: When it came, aware; None where the source does not say.
        clock: Whose clock received_at is from.
        directive: Whether the line is a word to filmtally, as a capture of ours may hold.
    """

    line_no: int
    frame: Frame
    received_at: datetime | None
    clock: Clock = Clock.COMPUTER
    directive: bool = False


def is_utf_16(beginning: bytes) -> bool:
    """Return whether a file that begins so is UTF-16, by its mark or, without one, by its zeros in every other place."""
    if beginning[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return True
    even = beginning[: min(64, len(beginning) // 2 * 2)]
    zeros = (even[::2].count(0), even[1::2].count(0))
    return len(even) > 2 and sorted(zeros) == [0, len(even) // 2]

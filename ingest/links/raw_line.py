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

"""An item: one thing that happened on a link, with the time it happened. A link knows nothing of readings."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum

from ingest.framing import Frame


class Kind(StrEnum):
    """What happened.

    LINE: a whole line came. PARTIAL: what came of a line before the link went, or a file's tail without
    an end; never glued to what comes later. UP, DOWN: the link is there, or is not. LOST: bytes that had
    to be dropped because nobody took the items; the note says how many. NO_ANSWER: a request was not
    answered in time. END: the source is used up, and nothing will come any more.
    """

    LINE = "line"
    PARTIAL = "partial"
    UP = "up"
    DOWN = "down"
    LOST = "lost"
    NO_ANSWER = "no-answer"
    END = "end"


@dataclass(frozen=True, slots=True)
class Origin:
    """Where in a file a line stood, for a link that reads files.

    Attributes:
        name: Name of the file, without its folder.
        end: Offset of the byte after the line and its end.
        sha256: Hash of the file's bytes up to *end*, in hex; what comes later may still be appended.
    """

    name: str
    end: int
    sha256: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """One thing that happened on a link.

    Attributes:
        kind: What happened.
        link: The link, as the archive names a source: scheme and address, such as "serial:/dev/ttyUSB0".
        seq: Number of the item on its link, from 1, in the order it happened.
        at: Wall clock, aware, UTC.
        mono_ns: Monotonic clock, in nanoseconds: what two moments are apart, whatever the wall clock does.
        frame: The line of LINE and PARTIAL, byte for byte; None otherwise.
        note: A sentence for the inspector: why the link went, how much was lost, how the link is set (UP), what speaks
            against a line (LINE: its beginning may be missing, since it came in the moment the link came up).
        doubled: Whether the very same bytes came a moment before over a link that is known to repeat itself.
        about: What the device at the other end says of itself (UP): serial_number, manufacturer, model,
            firmware, battery_percent.
        origin: Where in a file the line stood; None for a link that reads no files.
    """

    kind: Kind
    link: str
    seq: int
    at: datetime
    mono_ns: int
    frame: Frame | None = None
    note: str = ""
    doubled: bool = False
    about: Mapping[str, str] = field(default_factory=dict)
    origin: Origin | None = None

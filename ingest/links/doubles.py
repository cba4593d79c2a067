"""The same bytes twice within a moment: perhaps sent once and delivered twice. Pure; nothing is dropped here."""

from __future__ import annotations

from typing import Final, NamedTuple

from ingest.framing import Frame, Framer

_NS_PER_MS: Final = 1_000_000


class Marked(NamedTuple):
    """A line, and whether it may have been delivered twice, as a whole or in part."""

    frame: Frame
    doubled: bool


class Repeats:
    """Tells whether bytes are those that came just before. An honest repeat looks the same: it is a suspicion."""

    def __init__(self, within_ms: int) -> None:
        self._within_ns = within_ms * _NS_PER_MS
        self._last = b""
        self._last_ns: int | None = None

    def suspects(self, data: bytes, mono_ns: int) -> bool:
        """Return whether *data*, come at *mono_ns*, repeats what came within the time before it."""
        again = (
            self._within_ns > 0
            and self._last_ns is not None
            and data == self._last
            and mono_ns - self._last_ns <= self._within_ns
        )
        self._last, self._last_ns = data, mono_ns
        return again


class DoubleMarker:
    """Puts text together from the pieces that it comes in, and marks lines in which a piece may have come twice.

    A line whose every piece came twice in a row is garbage ("50" and CR twice is "5050", CR, and an empty line);
    a line that came twice as a whole, piece after piece, is two lines. Both are marked, and so is a line of one
    piece that came twice: the second one. Many short lines sent at once in one piece are never marked for
    being alike.
    """

    def __init__(self, framer: Framer, within_ms: int) -> None:
        self._framer = framer
        self._pieces = Repeats(within_ms)
        self._long_lines = Repeats(within_ms)
        self._in_tail = 0
        self._tail_doubled = False

    @property
    def holds_a_tail(self) -> bool:
        """Return whether the beginning of a line has come, and not its end."""
        return self._framer.holds_a_tail

    def feed(self, piece: bytes, mono_ns: int) -> list[Marked]:
        """Return the lines that *piece*, come at *mono_ns*, completes."""
        again = self._pieces.suspects(piece, mono_ns)
        marked = []
        for frame in self._framer.feed(piece):
            doubled = again or self._tail_doubled
            if self._in_tail and self._long_lines.suspects(frame.data, mono_ns):
                doubled = True
            marked.append(Marked(frame, doubled))
            self._in_tail, self._tail_doubled = 0, False
        if self._framer.holds_a_tail:
            self._in_tail += 1
            self._tail_doubled = self._tail_doubled or again
        return marked

    def pause(self) -> Marked | None:
        """Return what has come since the last line end as a line that a pause ended, or None where nothing has."""
        return self._rest(self._framer.pause())

    def close(self) -> Marked | None:
        """Return the tail that no line end followed, or None where there is none."""
        return self._rest(self._framer.close())

    def _rest(self, frame: Frame | None) -> Marked | None:
        doubled, self._tail_doubled, self._in_tail = self._tail_doubled, False, 0
        return None if frame is None else Marked(frame, doubled)

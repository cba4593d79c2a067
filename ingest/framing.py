"""Bytes to lines: CR, LF or CRLF, and one more end where a gauge has its own; split anywhere, bounded."""

from __future__ import annotations

import re
from collections.abc import Callable
from functools import partial
from itertools import repeat
from typing import Final, NamedTuple


class Frame(NamedTuple):
    """One line as it came, without its end.

    Attributes:
        data: The bytes; of an overlong line the first ones only.
        length: How many bytes the line had.
        ended: Whether a line end was seen; False for a tail that may have been cut short.
    """

    data: bytes
    length: int
    ended: bool = True

    @property
    def overlong(self) -> bool:
        """Return whether the line was longer than the framer keeps."""
        return self.length > len(self.data)


_AS_FRAME: Final[Callable[[tuple[bytes, int, bool]], Frame]] = partial(tuple.__new__, Frame)


class Framer:
    """Cut a stream of chunks into lines. How the stream is cut into chunks makes no difference.

    Args:
        max_line_bytes: Longest line that is kept whole; of a longer one the first bytes are.
        line_end: What ends a line beside CR, LF and CRLF, as a profile's line_end in UTF-8; None for nothing.

    Raises:
        ValueError: *line_end* has CR or LF beside other bytes; those end a line of their own.
    """

    def __init__(self, max_line_bytes: int, line_end: bytes | None = None) -> None:
        self._max = max_line_bytes
        self._head = bytearray()
        self._length = 0
        self._after_cr = False
        self._own_end = (line_end or b"").strip(b"\r\n")
        if self._own_end and self._own_end != line_end:
            raise ValueError("CR and LF end a line anyway; leave them out of line_end")
        self._ends = re.compile(b"\r\n|\r|\n|" + re.escape(self._own_end)) if self._own_end else None
        self._held = b""  # what may be the beginning of the end of its own

    def feed(self, chunk: bytes) -> list[Frame]:
        """Return the lines that *chunk* completes, oldest first."""
        if self._after_cr and chunk.startswith(b"\n"):
            chunk = chunk[1:]
            self._after_cr = False
        if not chunk:
            return []
        self._after_cr = chunk.endswith(b"\r")
        if self._ends is None:
            lines = chunk.splitlines()
            tail = b"" if chunk[-1:] in (b"\n", b"\r") else lines.pop()
        else:
            lines = self._ends.split(self._held + chunk)
            tail = self._hold_back(lines.pop())
        frames = []
        if self._length and lines:
            self._keep(lines.pop(0))
            frames.append(self._take(ended=True))
        if max(map(len, lines), default=0) > self._max:
            frames += [Frame(line[: self._max], len(line)) for line in lines]
        else:  # by far the most; made without going through Frame.__new__, which is Python and takes twice as long
            frames += map(_AS_FRAME, zip(lines, map(len, lines), repeat(True)))
        self._keep(tail)
        return frames

    @property
    def holds_a_tail(self) -> bool:
        """Return whether the beginning of a line has come, and not its end."""
        return self._length > 0 or bool(self._held)

    def pause(self) -> Frame | None:
        """Return what has come since the last line end as a line that a pause ended, or None where nothing has.

        For a gauge that sends no line end: whoever reads the link calls this when nothing came for a while.
        """
        return self._rest(ended=True)

    def close(self) -> Frame | None:
        """Return the tail that no line end followed, or None where there is none."""
        return self._rest(ended=False)

    def _rest(self, *, ended: bool) -> Frame | None:
        self._keep(self._held)
        self._held = b""
        return self._take(ended=ended) if self._length else None

    def _hold_back(self, tail: bytes) -> bytes:
        """Return *tail* without what may be the beginning of the end of its own, and hold that."""
        for size in range(min(len(self._own_end) - 1, len(tail)), 0, -1):
            if tail.endswith(self._own_end[:size]):
                self._held = tail[-size:]
                return tail[:-size]
        self._held = b""
        return tail

    def _keep(self, part: bytes) -> None:
        self._head += part[: max(0, self._max - len(self._head))]
        self._length += len(part)

    def _take(self, *, ended: bool) -> Frame:
        frame = Frame(bytes(self._head), self._length, ended)
        self._head.clear()
        self._length = 0
        return frame

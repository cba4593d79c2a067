"""Bytes to lines: CR, LF or CRLF, split anywhere, bounded."""

from __future__ import annotations

from typing import NamedTuple


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


class Framer:
    """Cut a stream of chunks into lines. How the stream is cut into chunks makes no difference."""

    def __init__(self, max_line_bytes: int) -> None:
        self._max = max_line_bytes
        self._head = bytearray()
        self._length = 0
        self._after_cr = False

    def feed(self, chunk: bytes) -> list[Frame]:
        """Return the lines that *chunk* completes, oldest first."""
        if self._after_cr and chunk.startswith(b"\n"):
            chunk = chunk[1:]
            self._after_cr = False
        if not chunk:
            return []
        self._after_cr = chunk.endswith(b"\r")
        lines = chunk.splitlines()
        tail = b"" if chunk[-1:] in (b"\n", b"\r") else lines.pop()
        frames = []
        for line in lines:
            if self._length:
                self._keep(line)
                frames.append(self._take(ended=True))
            else:
                frames.append(Frame(line[: self._max], len(line)))
        self._keep(tail)
        return frames

    def close(self) -> Frame | None:
        """Return the tail that no line end followed, or None where there is none."""
        return self._take(ended=False) if self._length else None

    def _keep(self, part: bytes) -> None:
        self._head += part[: max(0, self._max - len(self._head))]
        self._length += len(part)

    def _take(self, *, ended: bool) -> Frame:
        frame = Frame(bytes(self._head), self._length, ended)
        self._head.clear()
        self._length = 0
        return frame

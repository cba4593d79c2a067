"""What a person types in lines, or a program writes to standard input, as items of the link "typed". No raw terminal."""

from __future__ import annotations

import contextlib
import os
import select
import threading
from typing import Any, Final

from ingest.framing import Framer
from ingest.links.item import Kind
from ingest.links.live import LinkDown
from ingest.links.stream import Stream

NAME: Final = "typed"
_CHUNK_BYTES: Final = 1 << 16


class TypedLines:
    """The lines of a text stream, each put into the stream of items with the time it came.

    A tail without a line end is a line: a person ended it, with the end of the input. Of a stream with a file
    descriptor the bytes are read past its buffer, so that the thread can be told to stop while nobody types, and a
    byte that is no text is kept as it came.

    Args:
        source: Such as sys.stdin.
        max_line_bytes: Longest line that is kept whole.
    """

    def __init__(self, source: Any, max_line_bytes: int) -> None:
        self._source = source
        self._framer = Framer(max_line_bytes)
        self._thread: threading.Thread | None = None
        self._woken, self._wake = os.pipe()
        self._open = True
        self._was_terminal = bool(source.isatty())

    @property
    def name(self) -> str:
        """Return the link's name."""
        return NAME

    @property
    def is_gone(self) -> bool:
        """Return whether the input was a terminal and is none any more: somebody closed its window."""
        return self._was_terminal and not self._source.isatty()

    def start(self, stream: Stream) -> None:
        """Begin: items go into *stream* until close(), or until the input ends, which is an END."""
        self._thread = threading.Thread(target=self._run, args=(stream,), name=NAME, daemon=True)
        self._thread.start()

    def send(self, data: bytes) -> None:
        """Raise LinkDown: nothing can be sent to a keyboard."""
        raise LinkDown("nothing can be sent to a keyboard; take the reading on the gauge itself")

    def close(self) -> None:
        """Stop. A second close does nothing."""
        if not self._open:
            return
        self._open = False
        os.write(self._wake, b"x")
        if self._thread is not None:
            self._thread.join(timeout=2)  # a console that cannot be waited for keeps its thread, which dies with us
        for file in (self._woken, self._wake):
            os.close(file)

    def _run(self, stream: Stream) -> None:
        try:
            file = self._source.fileno()
        except (OSError, ValueError, AttributeError):
            file = None
        if file is None:
            self._put_text(stream)
        else:
            self._put_bytes(stream, file)
        stream.put(Kind.END, NAME)

    def _put_text(self, stream: Stream) -> None:
        for text in self._source:
            for frame in self._framer.feed(text.encode("utf-8", "surrogateescape")):
                stream.put(Kind.LINE, NAME, frame, wait=True)
        self._put_tail(stream)

    def _put_bytes(self, stream: Stream, file: int) -> None:
        while self._open:
            if os.name != "nt":  # where only sockets can be waited for, the read itself waits
                ready, _, _ = select.select([file, self._woken], [], [])
                if self._woken in ready:
                    return
            try:
                chunk = os.read(file, _CHUNK_BYTES)
            except OSError:  # the terminal is gone
                chunk = b""
            if not chunk:
                break
            for frame in self._framer.feed(chunk):
                stream.put(Kind.LINE, NAME, frame, wait=True)
        self._put_tail(stream)

    def _put_tail(self, stream: Stream) -> None:
        with contextlib.suppress(OSError):
            if (tail := self._framer.close()) is not None:
                stream.put(Kind.LINE, NAME, tail._replace(ended=True), wait=True)

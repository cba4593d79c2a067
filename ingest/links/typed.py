"""Lines that a person types, or that a program writes to standard input."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import datetime
from typing import TextIO

from ingest.framing import Frame
from ingest.links.raw_line import RawLine


def lines(stream: TextIO, now: Callable[[], datetime], prompt: Callable[[], None]) -> Iterator[RawLine]:
    """Yield each line of *stream* with the time it came; *prompt* is called before each is waited for."""
    line_no = 0
    while True:
        prompt()
        try:
            text = stream.readline()
        except UnicodeDecodeError:
            text = "\x00\n"  # what cannot be read as text is shown as such, not dropped
        if not text:
            return
        line_no += 1
        data = text.rstrip("\r\n").encode("utf-8", "surrogateescape")
        yield RawLine(line_no, Frame(data, len(data)), now(), directive=data.lstrip().startswith(b"@"))

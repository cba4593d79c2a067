"""Lines from a file: a gauge's own export, or a capture with the time of each line.

A capture of ours is text. Its first line is `# filmtally capture 1`. Then each line is a time (ISO
8601 with its offset), a tab, and what came from the gauge; what begins with `@` is a word of the
inspector (see ingest/inspection.py); a line that begins with `#` is a remark.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Final

from ingest.framing import Frame, Framer
from ingest.links.raw_line import RawLine, is_utf_16
from schemas.errors import BadInput
from schemas.vocabulary import Clock

HEADER: Final = b"# filmtally capture 1"
_CHUNK_BYTES: Final = 1 << 20
#: Bytes that a time and its tab may take before what came from the gauge.
LONGEST_STAMP: Final = 40


def lines(
    path: Path, max_line_bytes: int, stated_at: datetime | None = None, called: str | None = None
) -> Iterator[RawLine]:
    """Yield the lines of *path* in order, with the time they came where the file says it.

    Args:
        path: The file.
        max_line_bytes: Longest line that is kept whole.
        stated_at: Time of every line that comes with none, as a person stated it.
        called: What the inspector calls the file, where that is not *path*.

    Raises:
        BadInput: The file cannot be read, is empty, is UTF-16, or a line of a capture has no time.
    """
    name = called or str(path)
    framer = framer_for(max_line_bytes)
    line_no = 0
    timed = False
    for frame in _frames(path, name, framer):
        line_no += 1
        if line_no == 1:
            timed = is_header(frame)
            if timed:
                continue
        line = raw_line(name, line_no, frame, stated_at, timed=timed)
        if line is not None:
            yield line
    if line_no == 0 or (timed and line_no == 1):
        raise nothing_in(name)


def nothing_in(name: str) -> BadInput:
    """Return what is said of a file without a single line."""
    return BadInput(f"{name}: there is nothing in this capture; take the readings again or name the right file")


def framer_for(max_line_bytes: int) -> Framer:
    """Return what cuts a file into lines: the gauge's own, with room for the time before each."""
    return Framer(max_line_bytes + LONGEST_STAMP)


def is_header(frame: Frame) -> bool:
    """Return whether *frame*, the first of a file, says that it is a capture of ours."""
    return frame.data.removeprefix(b"\xef\xbb\xbf").rstrip() == HEADER


def raw_line(name: str, line_no: int, frame: Frame, stated_at: datetime | None, *, timed: bool) -> RawLine | None:
    """Return a line of a file, or None for a remark.

    Args:
        name: What the inspector calls the file.
        line_no: Number of the line, from 1; the first line of a capture of ours is none of these.
        frame: The line.
        stated_at: Time of a line that comes with none.
        timed: Whether the file is a capture of ours.

    Raises:
        BadInput: A line of a capture has no time.
    """
    if not timed:
        return RawLine(line_no, frame, stated_at, Clock.STATED)
    if not frame.data.strip() or frame.data.startswith(b"#"):
        return None
    return _timed(name, line_no, frame)


def _frames(path: Path, name: str, framer: Framer) -> Iterator[Frame]:
    try:
        with path.open("rb") as source:
            first = True
            while chunk := source.read(_CHUNK_BYTES):
                if first and is_utf_16(chunk):
                    raise BadInput(f"{name}: line 1: this is UTF-16; save it as UTF-8 or plain text and take it again")
                first = False
                yield from framer.feed(chunk)
    except FileNotFoundError:
        raise BadInput(f"{name}: there is no such capture") from None
    except IsADirectoryError:
        raise BadInput(f"{name}: this is a folder, not a capture") from None
    except PermissionError:
        raise BadInput(f"{name}: this capture may not be read; ask whoever owns it") from None
    tail = framer.close()
    if tail is not None:
        yield tail


def _timed(name: str, line_no: int, frame: Frame) -> RawLine:
    stamp, tab, rest = frame.data.partition(b"\t")
    try:
        received_at = datetime.fromisoformat(stamp.decode("ascii")) if tab else None
    except ValueError:
        received_at = None
    if received_at is None or received_at.tzinfo is None:
        raise BadInput(
            f"{name}: line {line_no}: does not start with a time and a tab; a capture's line is "
            "2026-01-31T09:15:02.120Z, a tab, and what came"
        )
    kept = Frame(rest, frame.length - len(stamp) - 1, frame.ended)
    return RawLine(line_no, kept, received_at, directive=rest.startswith(b"@"))

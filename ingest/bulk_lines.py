"""The lines of a file in columns, a block at a time.

This reads no other files than links/file.py does, and reads none otherwise: a line that does not have the form
that most of its block have is marked as odd, and who takes the lines has links/file.py look at it.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Final

import pyarrow as pa
import pyarrow.compute

from ingest.framing import Frame, Framer
from ingest.links.file import LONGEST_STAMP, framer_for, is_header, nothing_in, raw_line
from ingest.links.raw_line import RawLine

pc: Final[Any] = pyarrow.compute  # its type information knows fewer pairs of arguments than it takes

#: Bytes that are read at once: some hundred thousand lines.
BLOCK_BYTES: Final = 8 << 20
INSTANT: Final = pa.timestamp("us", tz="UTC")

# Slices without an end fail in Arrow 26 for some numbers of lines: it multiplies the end by that number.
_TO_THE_END: Final = 1 << 30
#: A block whose first lines have none of the forms known here is looked at line by line.
_LOOKED_AT: Final = 8
DIGITS_TO_0: Final = bytes.maketrans(b"123456789", b"000000000")
#: Forms of a time that Arrow and datetime.fromisoformat read alike; each digit stands as 0.
_STAMPS: Final = re.compile(rb"0000-00-00T00:00:00(?:\.000|\.000000)?(?:Z|[+-]00:00)\t")
#: A day after the first moment that datetime knows, in µs: from here on no offset leads out of its range.
_FIRST_US: Final = -62_135_596_800_000_000 + 86_400_000_000


@dataclass(frozen=True, slots=True)
class Block:
    """Lines one after the other.

    Attributes:
        first_no: Number of the first line in the file.
        lines: Each line without its end; Arrow binary.
        text: What came from the gauge: the line, or what stands behind its time. Not to be heeded where odd.
        received_us: When it came, in µs since 1970, where the file says so; null where odd. None for a file without times.
        odd: Numbers, from 0, of the lines that have another form, in order.
    """

    first_no: int
    lines: Any
    text: Any
    received_us: Any | None
    odd: tuple[int, ...]

    def __len__(self) -> int:
        return len(self.lines)


class FileInBlocks:
    """A file, cut into blocks of lines and into single lines where a block cannot be made.

    Args:
        path: The file.
        name: What the inspector calls it.
        max_line_bytes: Longest line that is kept whole.
        stated_at: Time of every line that comes with none.

    Raises:
        OSError: It cannot be read.
    """

    def __init__(self, path: Path, name: str, max_line_bytes: int, stated_at: datetime | None) -> None:
        self._path = path
        self._name = name
        self._stated_at = stated_at
        self._longest = max_line_bytes + LONGEST_STAMP
        self._framer = framer_for(max_line_bytes)
        self._one: Framer = framer_for(max_line_bytes)
        self._line_no = 0
        self._timed = False

    @property
    def timed(self) -> bool:
        """Return whether it is a capture of ours, with the time of each line."""
        return self._timed

    def parts(self) -> Iterator[Block | RawLine]:
        """Yield all lines in order: blocks, and single lines as links/file.py gives them.

        Raises:
            BadInput: As links/file.py, for the same line.
        """
        held = b""
        line_by_line = False
        with self._path.open("rb") as source:
            while chunk := source.read(BLOCK_BYTES):
                if line_by_line:
                    yield from self._single(self._framer.feed(chunk))
                    continue
                data = held + chunk
                cut = data.rfind(b"\n") + 1
                whole, held = data[:cut], data[cut:]
                if not whole:
                    # No line ends in all this: overlong lines, or ends that are CR alone.
                    line_by_line = True
                    yield from self._single(self._framer.feed(data))
                    continue
                if not self._line_no:
                    first, end, whole = whole.partition(b"\n")
                    yield from self._single(self._framer.feed(first + end))
                if whole:
                    yield from self._block(whole)
        if held and not line_by_line:
            yield from self._single(self._framer.feed(held))
        tail = self._framer.close()
        if tail is not None:
            yield from self._single([tail])
        if self._line_no == 0 or (self._timed and self._line_no == 1):
            raise nothing_in(self._name)

    def line(self, block: Block, place: int) -> RawLine | None:
        """Return one line of *block* as links/file.py gives it; None for a remark."""
        (frame,) = self._one.feed(block.lines[place].as_py() + b"\n")
        return raw_line(self._name, block.first_no + place, frame, self._stated_at, timed=self._timed)

    def _single(self, frames: list[Frame]) -> Iterator[RawLine]:
        for frame in frames:
            self._line_no += 1
            if self._line_no == 1:
                self._timed = is_header(frame)
                if self._timed:
                    continue
            line = raw_line(self._name, self._line_no, frame, self._stated_at, timed=self._timed)
            if line is not None:
                yield line

    def _block(self, whole: bytes) -> Iterator[Block | RawLine]:
        """Yield *whole*, which ends with a line's end and begins behind one."""
        returns = whole.count(b"\r")
        if returns and not returns == whole.count(b"\r\n") == whole.count(b"\n"):
            yield from self._single(self._framer.feed(whole))
            return
        end = b"\r\n" if returns else b"\n"
        lines = pc.split_pattern(pa.array([whole], pa.binary()), pattern=end).values[:-1]
        odd = pc.greater(pc.binary_length(lines), self._longest)
        block = self._timed_block(lines, odd) if self._timed else self._plain_block(lines, odd)
        if block is None:
            yield from self._single(self._framer.feed(whole))
            return
        self._line_no += len(lines)
        yield block

    def _plain_block(self, lines: Any, odd: Any) -> Block:
        return Block(self._line_no + 1, lines, lines, None, _places(odd))

    def _timed_block(self, lines: Any, odd: Any) -> Block | None:
        """Return the block, or None where the times of hardly any lines have a form that is known here."""
        found = (_STAMPS.match(line.translate(DIGITS_TO_0)) for line in lines[:_LOOKED_AT].to_pylist())
        form = next((form for form in found if form is not None), None)
        if form is None:
            return None
        width = form.end()
        stamps = pc.binary_slice(lines, 0, width)
        if not _all_are(stamps, form[0]):
            pattern = form[0].decode("ascii").replace(".", r"\.").replace("+", r"\+").replace("0", "[0-9]")
            odd = pc.or_(odd, pc.invert(pc.match_substring_regex(lines, pattern="^" + pattern)))
            if len(lines) > 1 and pc.sum(odd).as_py() > len(lines) // 4:
                return None
            stamps = pc.if_else(odd, pa.scalar(None, stamps.type), stamps)
        received_us = _instants(pc.binary_slice(stamps, 0, width - 1), width - 1)
        if received_us is None:
            return None
        text = pc.binary_slice(lines, width, _TO_THE_END)
        # A word of the inspector steers what comes after it.
        odd = pc.or_(odd, pc.starts_with(text, pattern="@"))
        return Block(self._line_no + 1, lines, text, received_us, _places(odd))


def _instants(stamps: Any, width: int) -> Any | None:
    """Return *stamps*, which all have one known form of *width* bytes, in µs since 1970; None where one is no time."""
    try:
        for offset in pc.unique(pc.binary_slice(stamps, width - 6, width)).drop_null().to_pylist():
            if not offset.endswith(b"Z"):
                datetime.fromisoformat(f"2000-01-01T00:00:00{offset.decode('ascii')}")
        instants = stamps.cast(pa.string()).cast(INSTANT).cast(pa.int64())
    except (ValueError, pa.ArrowInvalid):
        return None
    first = pc.min(instants).as_py()
    return None if first is None or first < _FIRST_US else instants


def _all_are(stamps: Any, form: bytes) -> bool:
    """Return whether each of *stamps*, with 0 for any digit, is *form*; may say no where each is."""
    held = stamps.buffers()[2]
    if held is None or pc.any(pc.not_equal(pc.binary_length(stamps), len(form))).as_py():
        return False
    return bool(held.to_pybytes().translate(DIGITS_TO_0) == form * len(stamps))


def _places(mask: Any) -> tuple[int, ...]:
    return tuple(pc.indices_nonzero(mask).to_pylist()) if pc.any(mask).as_py() else ()

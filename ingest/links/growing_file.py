"""What was taken of one file, and what is new in it. Pure: it is given the file's bytes and the time, again and again.

A file that a gauge's program writes is looked at while it is written, copied, written anew or cut off. What was
taken of it is known by its length and its hash; as long as the file begins with the very same bytes, only
what stands behind them is new.
"""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass, field
from datetime import datetime
from typing import Final

from ingest.framing import Frame
from ingest.links.file import HEADER
from ingest.links.item import Kind, Origin
from ingest.links.raw_line import is_utf_16
from ingest.said import number_of

#: Hash of no bytes at all.
NOTHING: Final = hashlib.sha256(b"").hexdigest()
_BOM: Final = b"\xef\xbb\xbf"
#: Line ends of a file whose hashes are kept, to know a file again that is being written anew.
_MOST_MARKS: Final = 256


@dataclass(frozen=True, slots=True)
class TakenLine:
    """A line, or a tail without an end, that is new.

    Attributes:
        kind: LINE or PARTIAL.
        frame: Its bytes, never marked as ended where it is PARTIAL; without the time in front where it comes from a capture of ours.
        origin: Where it stood.
        taken_at: The time in front of it.
        note: What is to be said of it.
    """

    kind: Kind
    frame: Frame
    origin: Origin
    taken_at: datetime | None = None
    note: str = ""


@dataclass(frozen=True, slots=True)
class Look:
    """What one look at a file brought.

    Attributes:
        lines: What is new.
        notes: What is to be said of the file as a whole; each once, as long as the file stays as it is.
        quiet: Whether the file has not changed for the settle time, so that it need not be read again before it does.
    """

    lines: tuple[TakenLine, ...] = ()
    notes: tuple[str, ...] = ()
    quiet: bool = False


@dataclass(slots=True)
class _Ends:
    """How lines end: CR, LF, CRLF, and what the profile says."""

    line_end: bytes | None
    pattern: re.Pattern[bytes] = field(init=False)

    def __post_init__(self) -> None:
        self.line_end = (self.line_end or b"").strip(b"\r\n") or None
        also = b"|" + re.escape(self.line_end) if self.line_end else b""
        self.pattern = re.compile(b"\r\n|\r|\n" + also)

    def end_of_last(self, data: bytes) -> int:
        """Return the offset behind the last line end of *data*; a CR at its very end may be half of one."""
        last = 0
        for found in self.pattern.finditer(data.removesuffix(b"\r")):
            last = found.end()
        return last

    def ended(self, data: bytes) -> bool:
        return data[-1:] in (b"\n", b"\r") or (self.line_end is not None and data.endswith(self.line_end))


class GrowingFile:
    """One file.

    Args:
        name: Its name, for origins and notes.
        max_line_bytes: Longest line that is kept whole.
        line_end: What ends a line beside CR, LF and CRLF.
        settle_s: How long a file must not change before its tail is taken for all there is.
        end: How many of its bytes were taken before.
        sha256: Hash of those, in hex.
    """

    def __init__(
        self,
        name: str,
        max_line_bytes: int,
        line_end: bytes | None,
        settle_s: float,
        end: int = 0,
        sha256: str = NOTHING,
    ) -> None:
        self.name = name
        self.end = end
        self.sha256 = sha256
        #: Length and hash of all that was there at the last look.
        self.seen = (end, sha256)
        self.marks: dict[int, bytes] = {}
        #: What stands behind the last whole line, and waits for its end.
        self.tail = b""
        #: Whether the file did not begin with what was taken at the last look.
        self.displaced = False
        #: Length and hash of what was taken when the file came to hold something else.
        self.past: list[tuple[int, str]] = []
        self._max = max_line_bytes
        self._ends = _Ends(line_end)
        self._settle_s = settle_s
        self._since_s: float | None = None
        self._said: set[str] = set()
        self._other: tuple[int, str] | None = None

    @property
    def origin(self) -> Origin:
        """Return how far the file was taken."""
        return Origin(self.name, self.end, self.sha256)

    def take_for_known(self, data: bytes) -> None:
        """Take all of *data* as known: nothing of it is new."""
        self.seen = (len(data), hashlib.sha256(data).hexdigest())
        written = data.rstrip(b"\0")
        self.end, self.sha256 = len(written), hashlib.sha256(written).hexdigest()
        self._mark(written)

    def was_seen(self, seen: tuple[int, str], since_s: float) -> None:
        """Say that its length and hash have been *seen* since *since_s*, so that no second settle time is waited for."""
        self.seen, self._since_s = seen, since_s

    def forget(self) -> None:
        """Read the file from its beginning at the next look: what it held went somewhere else."""
        self.past.append((self.end, self.sha256))
        self.end, self.sha256 = 0, NOTHING
        self.marks = {}
        self.displaced = False

    def begins(self, data: bytes) -> bool:
        """Return whether the whole lines of *data* are the first ones of this file, as far as its marks reach."""
        last = self._ends.end_of_last(data)
        furthest = max(self.marks, default=0)
        last = min(last, furthest)
        return last > 0 and self.marks.get(last) == _short(hashlib.sha256(data[:last]))

    def look(self, data: bytes, now_s: float) -> Look:
        """Return what is new in the file, whose bytes are *data* at *now_s* (monotonic, seconds)."""
        seen = (len(data), hashlib.sha256(data).hexdigest())
        if seen != self.seen or self._since_s is None:
            self.seen = seen
            self._since_s = now_s
            self._said.clear()
        quiet = now_s - self._since_s >= self._settle_s
        notes: list[str] = []
        self.tail = b""
        self.displaced = False
        if is_utf_16(data):
            self._say(
                notes, f"{self.name}: this is UTF-16, so nothing is taken from it; export it as UTF-8 or plain text"
            )
            return Look((), tuple(notes), quiet)
        written = data.rstrip(b"\0")  # room that was made for a file is zeros until it is written
        if quiet and len(written) < len(data) and len(data) > self.end:
            zeros = len(data) - len(written)
            self._say(
                notes,
                f"{self.name}: ends in {number_of(zeros, 'zero byte, which is', 'zero bytes, which are')} not taken; export it again",
            )
        begins_anew = ""
        if not self._begins_with_what_was_taken(written):
            self.displaced = True
            if self._is_a_beginning(written):
                if quiet:
                    self._say(
                        notes,
                        f"{self.name}: is shorter than it was, and all that it holds was taken before; "
                        "nothing is taken again",
                    )
                return Look((), tuple(notes), quiet)
            if not self._is_still_other(written):
                return Look((), tuple(notes), False)
            begins_anew = (
                f"{self.name}: holds something else than the {self.end:,} bytes that were taken from it before, "
                "and is read from its beginning; look whether readings came twice"
            )
            self.forget()
        self._other = None
        lines = self._new_lines(written, quiet, begins_anew)
        return Look(tuple(lines), tuple(notes), quiet)

    def _say(self, notes: list[str], note: str) -> None:
        if note not in self._said:
            self._said.add(note)
            notes.append(note)

    def _begins_with_what_was_taken(self, data: bytes) -> bool:
        if len(data) < self.end or hashlib.sha256(data[: self.end]).hexdigest() != self.sha256:
            return False
        if not self.marks and self.end:
            self._mark(data[: self.end])
        return True

    def _is_a_beginning(self, data: bytes) -> bool:
        """Return whether *data* is shorter, and its whole lines the first of what was taken: it is being written anew."""
        return len(data) < self.end and (self._ends.end_of_last(data) == 0 or self.begins(data))

    def _is_still_other(self, data: bytes) -> bool:
        """Return whether the last look saw the same other beginning: a file that is being written over settles first."""
        if self._other is not None:
            length, sha256 = self._other
            if len(data) >= length and hashlib.sha256(data[:length]).hexdigest() == sha256:
                return True
        self._other = (len(data), hashlib.sha256(data).hexdigest())
        return False

    def _mark(self, data: bytes) -> None:
        digest = hashlib.sha256()
        at = 0
        for found in self._ends.pattern.finditer(data):
            if len(self.marks) >= _MOST_MARKS:
                return
            digest.update(data[at : found.end()])
            at = found.end()
            self.marks[at] = _short(digest)

    def _new_lines(self, data: bytes, quiet: bool, note: str) -> list[TakenLine]:
        first = self._ends.pattern.search(data)
        timed = first is not None and data[: first.start()].removeprefix(_BOM).rstrip() == HEADER
        digest = hashlib.sha256(data[: self.end])
        hashed = self.end
        start = self.end
        rest = bool(self.end) and not self._ends.ended(data[: self.end])
        if data[start - 1 : start] == b"\r" and data[start : start + 1] == b"\n":
            start += 1  # the second half of a CRLF whose first half ended a line at an earlier look
        lines: list[TakenLine] = []
        for found in self._ends.pattern.finditer(data, start):
            digest.update(data[hashed : found.end()])
            hashed = self.end = found.end()
            if len(self.marks) < _MOST_MARKS:
                self.marks[self.end] = _short(digest)
            self.sha256 = digest.hexdigest()
            line = data[start : found.start()]
            if rest:
                lines.append(self._rest(line, note))
            elif not timed:
                lines.append(TakenLine(Kind.LINE, self._frame(line), self.origin, note=note))
            elif start and line.strip() and not line.startswith(b"#"):
                lines.append(self._timed(line, note))
            else:
                start = found.end()
                continue
            rest = False
            note = ""
            start = found.end()
        tail = data[start:]
        if tail and quiet:
            digest.update(data[hashed:])
            self.end, self.sha256 = len(data), digest.hexdigest()
            said = f"{self.name}: its last line has no end, and may be cut short; compare it with the gauge"
            if rest:
                lines.append(self._rest(tail, note))
            else:
                frame = self._frame(tail, ended=False)
                lines.append(TakenLine(Kind.PARTIAL, frame, self.origin, note=_joined(note, said)))
        else:
            self.tail = tail[: self._max]
        return lines

    def _rest(self, line: bytes, note: str) -> TakenLine:
        said = (
            f"{self.name}: this is the rest of a line whose beginning came before it, without an end; "
            "compare both with the gauge"
            if line
            else f"{self.name}: the end of the last line came only now; that line was whole"
        )
        return TakenLine(Kind.PARTIAL, self._frame(line, ended=False), self.origin, note=_joined(note, said))

    def _timed(self, line: bytes, note: str) -> TakenLine:
        stamp, tab, what_came = line.partition(b"\t")
        try:
            taken_at = datetime.fromisoformat(stamp.decode("ascii")) if tab else None
        except ValueError:
            taken_at = None
        if taken_at is None or taken_at.tzinfo is None:
            said = (
                f"{self.name}: this line does not start with a time and a tab, as a line of a capture does, "
                "and is not taken as a reading"
            )
            return TakenLine(Kind.PARTIAL, self._frame(line, ended=False), self.origin, note=_joined(note, said))
        return TakenLine(Kind.LINE, self._frame(what_came), self.origin, taken_at, note)

    def _frame(self, line: bytes, *, ended: bool = True) -> Frame:
        return Frame(line[: self._max], len(line), ended)


def _joined(first: str, second: str) -> str:
    return f"{first}. {second}" if first else second


def _short(digest: hashlib._Hash) -> bytes:
    return digest.digest()[:8]

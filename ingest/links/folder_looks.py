"""A folder in which a gauge's export files appear or grow, looked at again and again. Reads files; has no thread and no clock.

What stands in a name counts for little: a program writes under a temporary name and renames, copies a file, or exports
the same readings again. So a file is known by its bytes. Names say which files are still being made, and which
one came first.
"""

from __future__ import annotations

import hashlib
import os
import re
import stat
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Final

from ingest.framing import Frame
from ingest.links.growing_file import NOTHING, GrowingFile, Look
from ingest.links.item import Kind, Origin
from ingest.links.live import FileSeen

#: More than a gauge's memory ever holds; what is larger is no export of one.
MOST_BYTES: Final = 64 << 20
_MOST_NAMED: Final = 5
#: Two files of so few lines may be the same by chance: a gauge that writes a file a spot says 3.12 more than once.
_BY_CHANCE_LINES: Final = 3
_MADE_BY_THE_SYSTEM: Final = frozenset({"thumbs.db", "desktop.ini"})
_NONBLOCK: Final = getattr(os, "O_NONBLOCK", 0)
_BINARY: Final = getattr(os, "O_BINARY", 0)

_DIGITS: Final = frozenset("0123456789")

Stamp = tuple[int, int, int, int]


class FolderGone(Exception):
    """The folder cannot be listed. The message is a sentence for the inspector."""


@dataclass(frozen=True, slots=True)
class Happening:
    """What a look at the folder brought: a line, a tail, or (UP) something to be said.

    Attributes are those of Item. An UP with an origin says that a file is known up to there by another name.
    """

    kind: Kind
    note: str = ""
    frame: Frame | None = None
    origin: Origin | None = None
    taken_at: datetime | None = None
    doubled: bool = False


@dataclass(slots=True)
class _Known:
    """A file that is known by name."""

    file: GrowingFile
    stamp: Stamp | None = None
    quiet: bool = False
    gone_since_s: float | None = None
    gone_said: bool = False
    read: bool = False
    not_taken: str = ""


@dataclass(slots=True)
class _New:
    """A file that is not known yet: waited for, since it has no whole line, or its bytes so far are those of a known one."""

    seen: tuple[int, str]
    since_s: float
    tail: bytes


@dataclass(slots=True)
class _Unreadable:
    since_s: float
    said: bool = False


@dataclass(slots=True)
class FolderLooks:
    """Looks at one folder.

    Args:
        folder: The folder.
        max_line_bytes: Longest line that is kept whole.
        line_end: What ends a line beside CR, LF and CRLF.
        settle_s: How long a file must not change before its tail is taken for all there is.
        taken: What was taken before, to go on there; None where files that are there already are not to be taken.
        there_before: Files that were there before the first start, where it goes on.
    """

    folder: Path
    max_line_bytes: int
    line_end: bytes | None
    settle_s: float
    taken: Mapping[str, Origin] | None = None
    there_before: tuple[Origin, ...] = ()
    _known: dict[str, _Known] = field(default_factory=dict)
    _new: dict[str, _New] = field(default_factory=dict)
    _unreadable: dict[str, _Unreadable] = field(default_factory=dict)
    _said: set[str] = field(default_factory=set)
    _folders: list[str] = field(default_factory=list)

    def begin(self, now_s: float) -> tuple[Origin, ...]:
        """Return the files that are there before the start, which are not taken; nothing where it goes on.

        The first of them has no name: it is the folder's own mark, so that one that held nothing is known to have begun.

        Raises:
            FolderGone: The folder cannot be listed.
        """
        found = self._listing()
        if self.taken is not None:
            for origin in self.there_before:
                if origin.name:
                    self._known[origin.name] = _Known(self._file(origin.name, origin.end, origin.sha256))
            for name, origin in self.taken.items():
                if name:
                    self._known[name] = _Known(self._file(name, origin.end, origin.sha256), read=True)
            return ()
        for name in found:
            data = self._read(name, now_s)
            if data is not None:
                known = _Known(self._file(name), found[name])
                known.file.take_for_known(data)
                self._known[name] = known
        return (Origin("", 0, NOTHING), *(known.file.origin for known in self._known.values()))

    def look(self, now_s: float) -> Iterator[Happening]:
        """Yield what is new in the folder at *now_s* (monotonic, seconds).

        Raises:
            FolderGone: The folder cannot be listed.
        """
        found = self._listing()
        yield from self._of_folders()
        for name in [n for n in self._known if n in found]:
            yield from self._look_at_known(name, found[name], now_s)
        for name in [n for n in found if n not in self._known]:
            yield from self._look_at_new(name, found, now_s)
        for name in [n for n in self._new if n not in found]:
            waited = self._new.pop(name)
            if waited.tail:
                self._known[name] = _Known(self._file(name), read=True)
                self._known[name].file.tail = waited.tail
        yield from self._of_gone(found, now_s)
        yield from self._of_unreadable(found, now_s)

    def files(self) -> tuple[FileSeen, ...]:
        """Return the files that were read since the start."""
        return tuple(
            FileSeen(self.folder / name, known.file.origin, known.not_taken)
            for name, known in self._known.items()
            if known.read
        )

    def _file(self, name: str, end: int = 0, sha256: str | None = None) -> GrowingFile:
        if sha256 is None:
            return GrowingFile(name, self.max_line_bytes, self.line_end, self.settle_s)
        return GrowingFile(name, self.max_line_bytes, self.line_end, self.settle_s, end, sha256)

    def _listing(self) -> dict[str, Stamp]:
        """Return the regular files with what tells whether they have changed, in the order they were written."""
        self._folders = []
        found: list[tuple[int, list[tuple[int, str]], str, Stamp]] = []
        try:
            names = os.listdir(self.folder)  # noqa: PTH208 - a Path for each name of a large folder costs more than the look
        except OSError as wrong:
            raise FolderGone(
                f"{self.folder}: this folder cannot be read ({wrong.strerror}); bring it back, or its drive or network, "
                "and it goes on where it was"
            ) from None
        for name in names:
            if is_temporary(name):
                continue
            try:
                # Not what the folder says of it: on Windows that is stale while a program holds the file open.
                facts = os.stat(self.folder / name)  # noqa: PTH116
            except OSError:
                continue
            if stat.S_ISDIR(facts.st_mode):
                self._folders.append(name)
            elif stat.S_ISREG(facts.st_mode):
                stamp = (facts.st_size, facts.st_mtime_ns, facts.st_ctime_ns, facts.st_ino)
                found.append((facts.st_mtime_ns, _natural(name), name, stamp))
        return {name: stamp for _, _, name, stamp in sorted(found)}

    def _read(self, name: str, now_s: float) -> bytes | None:
        """Return the bytes of a file, or None where it cannot be read now. The file is not held open meanwhile."""
        try:
            handle = os.open(self.folder / name, os.O_RDONLY | _NONBLOCK | _BINARY)
            try:
                data = _all_of(handle)
            finally:
                os.close(handle)
        except FileNotFoundError:
            return None
        except OSError:
            self._unreadable.setdefault(name, _Unreadable(now_s))
            return None
        self._unreadable.pop(name, None)
        return data

    def _look_at_known(self, name: str, stamp: Stamp, now_s: float) -> Iterator[Happening]:
        known = self._known[name]
        known.gone_since_s = None
        known.gone_said = False
        if known.quiet and stamp == known.stamp and name not in self._unreadable:
            return
        if stamp != known.stamp:
            known.stamp, known.quiet = stamp, False
        data = self._read(name, now_s)
        if data is None:
            known.quiet = False
            return
        if len(data) > MOST_BYTES:
            yield from self._too_large(name, known)
            return
        yield from self._told(known, known.file.look(data, now_s))

    def _told(self, known: _Known, look: Look, doubled: int = 0, note: str = "") -> Iterator[Happening]:
        known.quiet = look.quiet
        known.read = known.read or bool(look.lines or look.notes)
        if look.notes and not look.lines and not known.file.end:
            known.not_taken = look.notes[0]
        for said in look.notes:
            yield Happening(Kind.UP, said)
        for line in look.lines:
            known.not_taken = ""
            said = " ".join(filter(None, (note, line.note)))
            note = ""
            yield Happening(line.kind, said, line.frame, line.origin, line.taken_at, line.origin.end <= doubled)

    def _too_large(self, name: str, known: _Known) -> Iterator[Happening]:
        known.quiet = True
        said = (
            f"{name}: is larger than {MOST_BYTES >> 20} MB, which is no gauge's export; nothing more is taken from it, "
            "take it with 'filmtally measure --from'"
        )
        known.read, known.not_taken = True, said
        yield from self._once(said)

    def _look_at_new(self, name: str, found: Mapping[str, Stamp], now_s: float) -> Iterator[Happening]:
        data = self._read(name, now_s)
        if not data:
            return
        if len(data) > MOST_BYTES:
            self._known[name] = _Known(self._file(name), found[name])
            yield from self._too_large(name, self._known[name])
            return
        old = self._moved_from(data, found)
        if old is not None:
            yield from self._moved(old, name, data, found, now_s)
            return
        seen = (len(data), hashlib.sha256(data).hexdigest())
        waited = self._new.get(name)
        if waited is None or waited.seen != seen:
            waited = self._new[name] = _New(seen, now_s, b"")
        quiet = now_s - waited.since_s >= self.settle_s
        same = next((k.file.name for k in self._known.values() if k.file.seen == seen), None)
        begins = same or next(
            (k.file.name for k in self._known.values() if k.file.seen[0] > len(data) and k.file.begins(data)), None
        )
        whole = b"\n" in data or b"\r" in data or (self.line_end is not None and self.line_end in data)
        if not quiet and (begins is not None or not whole):
            waited.tail = b"" if begins else data[: self.max_line_bytes]
            return  # it may be a copy of a known file, which is still being written
        del self._new[name]
        known = self._known[name] = _Known(self._file(name), found[name], read=True)
        if same is not None and data.count(b"\n") + data.count(b"\r") + 1 > _BY_CHANCE_LINES:
            known.file.take_for_known(data)
            known.not_taken = (
                f"{name}: holds the very same bytes as {same} and is not taken again; "
                "if these are new readings, take them again on the gauge"
            )
            yield Happening(Kind.UP, known.not_taken, origin=known.file.origin)
            return
        known.file.was_seen(seen, waited.since_s)
        look = known.file.look(data, now_s)
        doubled, note = 0, ""
        if same is not None:
            doubled, note = len(data), f"{name}: holds the very same bytes as {same}; look whether readings came twice."
        elif begins is not None:
            doubled, note = len(data), f"{name}: begins as {begins} does; look whether readings came twice."
        else:
            ends = {(k.file.end, k.file.sha256): k.file.name for k in self._known.values() if k is not known}
            for line in look.lines:
                other = ends.get((line.origin.end, line.origin.sha256))
                if other is not None:
                    doubled = line.origin.end
                    note = f"{name}: begins with all that {other} holds; look whether readings came twice."
        yield from self._told(known, look, doubled, note)

    def _moved_from(self, data: bytes, found: Mapping[str, Stamp]) -> tuple[str, int, str] | None:
        """Return name, length and hash of what was taken of a file that *data* begins with, and that is elsewhere no more."""
        for name, known in self._known.items():
            ends = list(known.file.past)
            if name not in found or known.file.displaced:
                ends.append((known.file.end, known.file.sha256))
                if not known.file.end and known.file.tail and data.startswith(known.file.tail):
                    return name, 0, NOTHING
            for end, sha256 in ends:
                if 0 < end <= len(data) and hashlib.sha256(data[:end]).hexdigest() == sha256:
                    return name, end, sha256
        return None

    def _moved(
        self, old: tuple[str, int, str], name: str, data: bytes, found: Mapping[str, Stamp], now_s: float
    ) -> Iterator[Happening]:
        old_name, end, sha256 = old
        was = self._known[old_name]
        if old_name not in found:
            del self._known[old_name]
        elif was.file.displaced:
            was.file.forget()
        self._new.pop(name, None)
        known = self._known[name] = _Known(self._file(name, end, sha256), read=True)
        yield Happening(
            Kind.UP, f"{old_name}: is called {name} now, and goes on where it was", origin=known.file.origin
        )
        yield from self._told(known, known.file.look(data, now_s))

    def _of_gone(self, found: Mapping[str, Stamp], now_s: float) -> Iterator[Happening]:
        gone = []
        for name, known in self._known.items():
            if name in found or known.gone_said:
                continue
            if known.gone_since_s is None:
                known.gone_since_s = now_s
            elif now_s - known.gone_since_s >= self.settle_s:
                known.gone_said = True
                known.quiet = False
                if known.read:
                    gone.append(name)
        for name in gone:
            known = self._known[name]
            if known.file.tail:
                # No origin: if the file comes back, the line is read as a whole.
                frame = Frame(known.file.tail, len(known.file.tail), ended=False)
                known.file.tail = b""
                yield Happening(
                    Kind.PARTIAL, f"{name}: is gone, and its last line had no end; compare it with the gauge", frame
                )
        if gone:
            names = ", ".join(gone[:_MOST_NAMED]) + (", ..." if len(gone) > _MOST_NAMED else "")
            yield Happening(Kind.UP, f"{names}: no longer in the folder; what was taken stays taken")

    def _of_unreadable(self, found: Mapping[str, Stamp], now_s: float) -> Iterator[Happening]:
        for name in [n for n in self._unreadable if n not in found]:
            del self._unreadable[name]
        for name, state in self._unreadable.items():
            if not state.said and now_s - state.since_s >= self.settle_s:
                state.said = True
                yield Happening(
                    Kind.UP,
                    f"{name}: cannot be read; close the program that holds it, or let it be read by whoever runs "
                    "filmtally; it is tried again",
                )

    def _of_folders(self) -> Iterator[Happening]:
        for name in sorted(self._folders):
            yield from self._once(
                f"{name}: is a folder inside the watched one, and files in it are not taken; "
                "watch it as a link of its own if readings come there"
            )

    def _once(self, note: str) -> Iterator[Happening]:
        if note not in self._said:
            self._said.add(note)
            yield Happening(Kind.UP, note)


def _all_of(handle: int) -> bytes:
    """Return the bytes of an open file, at most one more than MOST_BYTES; none of what is no regular file."""
    if not stat.S_ISREG(os.fstat(handle).st_mode):
        return b""
    chunks: list[bytes] = []
    left = MOST_BYTES + 1
    while left and (chunk := os.read(handle, min(left, 1 << 20))):
        chunks.append(chunk)
        left -= len(chunk)
    return b"".join(chunks)


def is_temporary(name: str) -> bool:
    """Return whether *name* is one that programs give to what is not finished, or that the system made."""
    lower = name.lower()
    return (
        lower.startswith((".", "~"))
        or lower.endswith((".tmp", ".temp", ".part", ".partial", ".crdownload", "~"))
        or lower in _MADE_BY_THE_SYSTEM
    )


def _natural(name: str) -> list[tuple[int, str]]:
    """Return a key that puts 9 before 10."""
    return [(int(part), "") if part[:1] in _DIGITS else (-1, part) for part in re.split(r"([0-9]+)", name) if part]

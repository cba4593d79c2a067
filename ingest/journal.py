"""The journal of an open inspection: records as they come, on disk before they are acknowledged.

A journal is a text file, one record per line: CRC-32 of the rest in eight hex digits, a space, and
one JSON object with at least `kind` and `at`. A record is written with one write and synced before
append() returns. A tail that a kill or a power cut left unfinished is cut off on opening and kept as
a record of its own; damage anywhere else is refused.

After a write or a sync that failed nothing is known of what the file holds behind the last acknowledged record: the
system may have thrown the pages away and call the next sync a success. So the file is opened anew before the next
record, what was acknowledged is read and compared, and all behind it is cut off and written again.
"""

from __future__ import annotations

import contextlib
import errno
import json
import os
import zlib
from pathlib import Path
from types import TracebackType
from typing import Any, Final, Self

from filelock import FileLock, Timeout

from archive.journal_lines import JournalContent, read, record_of
from schemas.errors import BadInput, IntegrityFailed

SUFFIX: Final = ".journal"
#: What a system says when there is no room: on the disk, for this user, or for a file of this size.
_NO_ROOM: Final = frozenset({errno.ENOSPC, errno.EFBIG, getattr(errno, "EDQUOT", errno.ENOSPC)})
_O_BINARY: Final = getattr(os, "O_BINARY", 0)  # Windows alone translates line ends without it


class CannotWrite(BadInput):
    """Nothing can be written to the journal now; what was acknowledged is there, and appending may be tried again.

    Attributes:
        full: Whether there is no room, rather than something else wrong.
    """

    def __init__(self, sentence: str, *, full: bool) -> None:
        super().__init__(sentence)
        self.full = full


class Journal:
    """An open journal. One process holds it at a time.

    Args:
        path: Its file; made with its folder where it does not exist.
        begun: It has to be there: who holds it may put it away while this waits for the lock.

    Raises:
        BadInput: Another process holds it, or the folder cannot be written to.
        IntegrityFailed: A record in it is damaged.
        FileNotFoundError: It has to be there, and is not, or no longer.
    """

    def __init__(self, path: Path, *, begun: bool = False) -> None:
        self.path = path
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            self._lock = FileLock(path.with_suffix(".lock"))
            self._lock.acquire(timeout=_LOOKED_AT_S)
        except Timeout:
            raise BadInput(f"{path}: another filmtally is taking this inspection; finish it there first") from None
        except OSError as wrong:
            raise _sentence(path, wrong) from None
        if begun and not path.exists():
            self._lock.release()
            path.with_suffix(".lock").unlink(missing_ok=True)
            raise FileNotFoundError(path)
        try:
            new = not path.exists()
            self._content = JournalContent((), b"", 0) if new else read(path)
            flags = os.O_RDWR | os.O_CREAT | os.O_APPEND | _O_BINARY
            file = os.open(path, flags, 0o644)
            self._file: int | None = file
            self._sound_bytes = self._content.sound_bytes
            self._sound_crc = zlib.crc32(b"" if new else path.read_bytes()[: self._sound_bytes])
            self._doubtful = False
            if self._content.torn:
                os.ftruncate(file, self._sound_bytes)
            if new:
                _sync_folder(path.parent)
        except OSError as wrong:
            self._lock.release()
            raise _sentence(path, wrong) from None
        except IntegrityFailed:
            self._lock.release()
            raise

    @property
    def content(self) -> JournalContent:
        """Return what the journal held when it was opened."""
        return self._content

    @property
    def is_open(self) -> bool:
        """Return whether it can be appended to."""
        return self._file is not None

    def append(self, *records: dict[str, Any]) -> None:
        """Write *records* and return once they are on disk, all with one sync.

        Raises:
            CannotWrite: The disk is full or cannot be written to. What was not acknowledged is not there; appending
                the same again is right.
            IntegrityFailed: What was acknowledged is no longer what the file holds.
        """
        data = b"".join(_line(record) for record in records)
        if self._file is None:
            raise ValueError("the journal is closed")
        try:
            if self._doubtful:
                self._open_anew()
            _write_all(self._file, data)
            os.fsync(self._file)
        except OSError as wrong:
            self._doubtful = True
            with contextlib.suppress(OSError):  # where this fails, opening anew does it
                os.ftruncate(self._file, self._sound_bytes)
            raise _sentence(self.path, wrong) from None
        self._sound_bytes += len(data)
        self._sound_crc = zlib.crc32(data, self._sound_crc)

    def _open_anew(self) -> None:
        """Cut the file back to what was acknowledged, after a look that it is what was acknowledged."""
        assert self._file is not None  # noqa: S101 - append() looks
        fresh = os.open(self.path, os.O_RDWR | os.O_APPEND | _O_BINARY)
        os.close(self._file)
        self._file = fresh
        data = _read_all(fresh)
        if len(data) < self._sound_bytes or zlib.crc32(data[: self._sound_bytes]) != self._sound_crc:
            raise IntegrityFailed(
                f"{self.path}: is no longer what was written to it; restore it from a copy, and look at the disk"
            )
        os.ftruncate(fresh, self._sound_bytes)
        self._doubtful = False

    def close(self) -> None:
        """Close the journal; it can be opened again. A second close does nothing."""
        if self._file is not None:
            os.close(self._file)
            self._file = None
            self._lock.release()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


#: So long somebody's look whether the lock is held may keep it (is_held).
_LOOKED_AT_S: Final = 0.5


class SeenJournal:
    """A journal that is only looked at, while another process may be writing to it. Nothing is locked or changed.

    Raises:
        IntegrityFailed: A record that is not the last one is damaged.
        FileNotFoundError: There is no such journal.
    """

    is_open: Final = False

    def __init__(self, path: Path) -> None:
        self.path = path
        self.content = read(path)

    def append(self, *records: dict[str, Any]) -> None:
        """Refuse: nothing is written to what is only looked at."""
        raise ValueError("the journal is only looked at")

    def close(self) -> None:
        """Do nothing: nothing is held."""


def first_record(path: Path) -> dict[str, Any] | None:
    """Return the first record of the journal at *path*, whatever stands behind it, or None where it is not whole.

    Raises:
        OSError: It cannot be read.
    """
    with path.open("rb") as file:
        return record_of(file.readline().rstrip(b"\n"))


def is_held(path: Path) -> bool:
    """Return whether a process, this one included, has the journal at *path* open.

    There is no asking who holds a lock on every system, so it is taken for a moment and given back; whoever opens the
    journal at that very moment waits for it.
    """
    lock = path.with_suffix(".lock")
    if not lock.exists():
        return False
    probe = FileLock(lock)
    try:
        probe.acquire(timeout=0)
    except Timeout:
        return True
    except OSError:  # a folder that may not be written to: nobody can be taking an inspection there
        return False
    probe.release()
    return False


def _line(record: dict[str, Any]) -> bytes:
    body = json.dumps(record, ensure_ascii=True, separators=(",", ":")).encode("ascii")
    return b"%08x %s\n" % (zlib.crc32(body), body)


def _write_all(file: int, data: bytes) -> None:
    view = memoryview(data)
    while view:
        view = view[os.write(file, view) :]


def _read_all(file: int) -> bytes:
    os.lseek(file, 0, os.SEEK_SET)
    parts = []
    while part := os.read(file, 1 << 20):
        parts.append(part)
    return b"".join(parts)


def _sync_folder(folder: Path) -> None:
    if os.name == "nt":  # Windows cannot open a folder, and its rename needs no such sync
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _sentence(path: Path, wrong: OSError) -> CannotWrite:
    if wrong.errno in _NO_ROOM:
        said = f"{path}: the disk is full; this reading is not taken, free some space and take it again"
        return CannotWrite(said, full=True)
    said = f"{path}: cannot be written ({wrong.strerror}); make the folder writable and take it again"
    return CannotWrite(said, full=False)

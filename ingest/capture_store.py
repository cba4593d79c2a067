"""Captures, kept byte for byte under their SHA-256 before anything is read out of them."""

from __future__ import annotations

import contextlib
import dataclasses
import errno
import hashlib
import json
import os
import secrets
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from archive.locking import held_alone
from schemas.errors import BadInput, IntegrityFailed

_CHUNK_BYTES: Final = 1 << 20
#: The lock of whoever takes captures into inspections, and how long another is waited for.
_LOCK: Final = ".taking.lock"
_WAITED_S: Final = 60.0


@dataclass(frozen=True, slots=True)
class KeptCapture:
    """A capture that is on disk.

    Attributes:
        sha256: Hash of its bytes, in hex.
        path: Where it is kept.
        name: Name of the file that it came from.
    """

    sha256: str
    path: Path
    name: str


def keep(source: Path, folder: Path) -> KeptCapture:
    """Copy *source* into *folder*, synced, unless its very bytes are there already.

    Raises:
        BadInput: The source cannot be read, or the folder cannot be written to.
    """
    part = folder / f".part-{secrets.token_hex(8)}"
    digest = hashlib.sha256()
    try:
        with source.open("rb") as incoming:
            try:
                folder.mkdir(parents=True, exist_ok=True)
                with part.open("xb") as out:
                    while chunk := incoming.read(_CHUNK_BYTES):
                        digest.update(chunk)
                        out.write(chunk)
                    out.flush()
                    os.fsync(out.fileno())
                kept = KeptCapture(digest.hexdigest(), stored(folder, digest.hexdigest()), source.name)
                if kept.path.exists():
                    part.unlink()
                else:
                    part.replace(kept.path)
            except OSError as wrong:
                with contextlib.suppress(OSError):
                    part.unlink(missing_ok=True)
                if wrong.errno == errno.ENOSPC:
                    raise BadInput(
                        f"{folder}: the disk is full; the capture {source} is untouched, free some space and take it again"
                    ) from None
                raise BadInput(
                    f"{folder}: cannot be written ({wrong.strerror}); the capture {source} is untouched, make the folder writable and take it again"
                ) from None
    except FileNotFoundError:
        raise BadInput(f"{source}: there is no such capture") from None
    except IsADirectoryError:
        raise BadInput(f"{source}: this is a folder, not a capture") from None
    except PermissionError:
        raise BadInput(f"{source}: this capture may not be read; ask whoever owns it") from None
    return kept


@contextlib.contextmanager
def taking_alone(root: Path) -> Iterator[None]:
    """Let no other process take captures in the shop folder *root*, which exists.

    The look whether a capture was taken, and the taking up to where the next look shows it, stand in here together: else
    two processes both find that it was not, and its readings count twice.

    Raises:
        BadInput: Another process keeps the lock, or the folder cannot be written to; nothing was changed.
    """
    with held_alone(root / _LOCK, _WAITED_S, f"{root}: another filmtally has been taking a capture"):
        yield


@dataclass(frozen=True, slots=True)
class TakenAs:
    """What a capture was taken as."""

    inspection_id: str
    job: str
    lot: str


def mark_taken(folder: Path, sha256: str, taken: TakenAs) -> None:
    """Write beside a kept capture what it was taken as, so that taking it twice is noticed at once."""
    part = folder / f".part-{secrets.token_hex(8)}"
    with part.open("w", encoding="utf-8") as out:
        json.dump(dataclasses.asdict(taken), out)
        out.flush()
        os.fsync(out.fileno())
    part.replace(_mark(folder, sha256))


def taken_as(folder: Path, sha256: str) -> TakenAs | None:
    """Return what the capture was taken as, or None where it was not."""
    try:
        return TakenAs(**json.loads(_mark(folder, sha256).read_text(encoding="utf-8")))
    except FileNotFoundError:
        return None
    except (ValueError, TypeError):
        raise IntegrityFailed(
            f"{_mark(folder, sha256)}: cannot be read; remove it if the capture was never taken"
        ) from None


def is_marked(folder: Path, sha256: str) -> bool:
    """Return whether it is written beside the capture what it was taken as, readable or not."""
    return _mark(folder, sha256).exists()


def unmark(folder: Path, sha256: str) -> None:
    """Forget what a capture was taken as; the capture itself stays."""
    _mark(folder, sha256).unlink(missing_ok=True)


def _mark(folder: Path, sha256: str) -> Path:
    return folder / f"{sha256}.taken"


def stored(folder: Path, sha256: str) -> Path:
    """Return where the capture with hash *sha256* is kept."""
    return folder / f"{sha256}.capture"


def fetch(folder: Path, sha256: str) -> Path:
    """Return the kept capture after checking that its bytes still are what they were.

    Raises:
        IntegrityFailed: It is gone or has changed.
    """
    path = stored(folder, sha256)
    digest = hashlib.sha256()
    try:
        with path.open("rb") as capture:
            while chunk := capture.read(_CHUNK_BYTES):
                digest.update(chunk)
    except OSError:
        raise IntegrityFailed(f"{path}: this capture is gone; restore it from a copy") from None
    if digest.hexdigest() != sha256:
        raise IntegrityFailed(f"{path}: this capture is not what it was when it was taken; restore it from a copy")
    return path

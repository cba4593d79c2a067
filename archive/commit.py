"""One durable commit: a file stands whole under its final name, and stays, or nothing changed.

Written under a temporary name in the same folder, synced, renamed, and the folder synced: after a
power cut at any moment there is the whole file or none. Windows cannot sync a folder, and there the
rename itself is as durable as the file system makes it.
"""

from __future__ import annotations

import errno
import os
from contextlib import suppress
from pathlib import Path
from typing import Final

from archive.layout import TEMPORARY_PREFIX
from schemas.errors import BadInput

_FULL: Final = {getattr(errno, name) for name in ("ENOSPC", "EDQUOT") if hasattr(errno, name)}
_REFUSED: Final = {errno.EROFS, errno.EACCES, errno.EPERM}
#: What a file system says that has no syncing of folders.
_NO_FOLDER_SYNC: Final = {getattr(errno, name) for name in ("EINVAL", "ENOTSUP") if hasattr(errno, name)}
_CAN_OPEN_FOLDERS: Final = os.name != "nt"


def write_once(final: Path, content: bytes | bytearray | memoryview) -> None:
    """Write *content* durably to *final*, in a folder that exists.

    Raises:
        BadInput: *final* exists already, the disk is full, or the archive cannot be written to;
            nothing was changed. Or: the file is in place, but the disk did not confirm that it stays.
    """
    if os.path.lexists(final):
        raise BadInput(f"{final}: exists already, and nothing in the archive is overwritten; nothing was changed")
    write_over(final, content)


def write_over(final: Path, content: bytes | bytearray | memoryview) -> None:
    """Write *content* durably to *final*, in a folder that exists, in place of what stands there.

    At any moment there is the old file or the new one, whole. For a file outside of the archive that only
    grows, such as a certificate that gets a further signature.

    Raises:
        BadInput: The disk is full, or the folder cannot be written to; nothing was changed. Or: the file is
            in place, but the disk did not confirm that it stays.
    """
    temporary = final.with_name(TEMPORARY_PREFIX + final.name)
    try:
        _write_synced(temporary, content)
        os.replace(temporary, final)  # noqa: PTH105 - beside os.open and os.fsync, its own kind
    except BaseException as wrong:
        with suppress(OSError):
            temporary.unlink()
        if isinstance(wrong, OSError):
            raise cannot_write(final.parent, wrong) from None
        raise
    try:
        sync_folder(final.parent)
    except OSError as wrong:
        # Others may have seen the file by now, so it is not taken back.
        raise BadInput(
            f"{final}: is in place, but the disk did not confirm that it would outlast a power cut "
            f"({wrong.strerror or wrong}); do not repeat, look after the disk, then check the archive"
        ) from None


def make_folder(folder: Path) -> None:
    """Make *folder* and the folders above it, each synced into the one above; do nothing where it exists.

    Raises:
        BadInput: The disk is full, or the archive cannot be written to.
    """
    missing = []
    while not folder.is_dir():
        missing.append(folder)
        if folder.parent == folder:
            break
        folder = folder.parent
    try:
        for new in reversed(missing):
            new.mkdir(exist_ok=True)
            sync_folder(new.parent)
    except OSError as wrong:
        raise cannot_write(new, wrong) from None


def sync_folder(folder: Path) -> None:
    """Make the names in *folder* durable, where the system can.

    Raises:
        OSError: The disk says that it failed.
    """
    if not _CAN_OPEN_FOLDERS:
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    except OSError as wrong:
        if wrong.errno not in _NO_FOLDER_SYNC:
            raise
    finally:
        os.close(handle)


def _write_synced(path: Path, content: bytes | bytearray | memoryview) -> None:
    # Truncated, not exclusive: what a killed process left under this name is worth nothing.
    handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | getattr(os, "O_BINARY", 0), 0o644)
    try:
        rest = memoryview(content)
        while rest:
            rest = rest[os.write(handle, rest) :]
        os.fsync(handle)
    finally:
        os.close(handle)


def cannot_write(folder: Path, wrong: OSError, what: str = "the archive") -> BadInput:
    """Return the sentence for *wrong*, met while writing in *folder*, or to it where *what* is this file; nothing was changed."""
    if wrong.errno in _FULL:
        return BadInput(f"{folder}: the disk is full; nothing was changed; free some space and repeat")
    if wrong.errno in _REFUSED:
        return BadInput(
            f"{folder}: {what} cannot be written to ({os.strerror(wrong.errno)}); nothing was changed; "
            "ask whoever looks after this disk for the right to write, then repeat"
        )
    return BadInput(f"{folder}: could not be written ({wrong.strerror or wrong}); nothing was changed")

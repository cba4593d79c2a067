"""Whatever goes wrong while a file of the archive is read, in one sentence; and when a folder changed last."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

import pyarrow as pa

from schemas.errors import BadInput, IntegrityFailed

#: What pyarrow and the contract's reader raise on bytes that were changed, beyond what they translate themselves.
#: pyarrow says by a plain OSError that it could not unpack.
_BROKEN = (pa.ArrowException, OSError, ValueError, KeyError, TypeError, OverflowError, MemoryError)

#: Two seconds: the coarsest clock that a file system keeps its times by (FAT; from memory). A folder that changes twice within
#: one tick shows one time, so what was seen of it stands for that time only where that lay this far back.
WELL_BACK_NS: Final = 2_000_000_000
#: The same for a folder that changes while it is looked at: so far may the clocks of a file server and of this computer be
#: apart. A minute is a choice of ours.
CLOCKS_APART_NS: Final = 60_000_000_000


class Vanished(IntegrityFailed):
    """The file is not there; where it was folded meanwhile, what it held stands in a segment."""


@contextmanager
def reading(path: Path) -> Iterator[None]:
    """Translate whatever pyarrow raises on *path* meanwhile into one sentence.

    Raises:
        Vanished: The file is gone.
        IntegrityFailed: The file is not whole.
        BadInput: The file may not be read.
    """
    try:
        yield
    except (BadInput, IntegrityFailed):
        raise
    except FileNotFoundError:
        raise Vanished(f"{path}: is gone; restore it from a copy") from None
    except PermissionError:
        raise BadInput(f"{path}: this file may not be read; ask whoever owns it") from None
    except _BROKEN as wrong:
        said = (str(wrong).splitlines() or [""])[0] or type(wrong).__name__
        raise IntegrityFailed(f"{path}: cannot be read ({said}); restore it from a copy") from None


def changed_ns(folder: Path) -> int:
    """Return when *folder* changed last, in ns. A share's server is asked anew where it is opened, and not where its name is
    looked at.

    Raises:
        OSError: It is not there, or may not be looked at.
    """
    try:
        opened = os.open(folder, os.O_RDONLY)
    except PermissionError:  # Windows opens no folders
        return folder.stat().st_mtime_ns
    try:
        return os.fstat(opened).st_mtime_ns
    finally:
        os.close(opened)

"""One process at a time: a lock that every system has, with a sentence where it is not to be had."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from archive.commit import cannot_write
from schemas.errors import BadInput


@contextmanager
def held_alone(lock: Path, seconds: float, busy: str) -> Iterator[None]:
    """Hold the lock file *lock*, in a folder that exists.

    Args:
        lock: The file.
        seconds: How long another program is waited for.
        busy: Who has it, and what it has been doing, as it stands before the number of seconds.

    Raises:
        BadInput: Another program keeps it, or the folder cannot be written to; nothing was changed.
    """
    from filelock import FileLock, Timeout

    file = FileLock(lock, timeout=seconds)
    try:
        file.acquire()
    except Timeout:
        raise BadInput(
            f"{busy} for {seconds:.0f} seconds; nothing was changed; wait for it or end it, then repeat"
        ) from None
    except OSError as wrong:
        raise cannot_write(lock.parent, wrong) from None
    try:
        yield
    finally:
        file.release()

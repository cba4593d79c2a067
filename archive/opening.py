"""Whatever goes wrong while a file of the archive is read, in one sentence."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pyarrow as pa

from schemas.errors import BadInput, IntegrityFailed

#: What pyarrow and the contract's reader raise on bytes that were changed, beyond what they translate themselves.
_BROKEN = (pa.ArrowException, ValueError, KeyError, TypeError, OverflowError, MemoryError)


@contextmanager
def reading(path: Path) -> Iterator[None]:
    """Translate whatever pyarrow raises on *path* meanwhile into one sentence.

    Raises:
        IntegrityFailed: The file is gone or not whole.
        BadInput: The file may not be read.
    """
    try:
        yield
    except (BadInput, IntegrityFailed):
        raise
    except FileNotFoundError:
        raise IntegrityFailed(f"{path}: is gone; restore it from a copy") from None
    except PermissionError:
        raise BadInput(f"{path}: this file may not be read; ask whoever owns it") from None
    except _BROKEN as wrong:
        said = (str(wrong).splitlines() or [""])[0] or type(wrong).__name__
        raise IntegrityFailed(f"{path}: cannot be read ({said}); restore it from a copy") from None

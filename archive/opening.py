"""Whatever goes wrong while a file of the archive is read, in one sentence."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pyarrow as pa

from schemas.errors import BadInput, IntegrityFailed

#: What pyarrow and the contract's reader raise on bytes that were changed, beyond what they translate themselves.
#: pyarrow says by a plain OSError that it could not unpack.
_BROKEN = (pa.ArrowException, OSError, ValueError, KeyError, TypeError, OverflowError, MemoryError)


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

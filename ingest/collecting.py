"""Python's collector of unused objects, kept out of loops that only make objects which stay."""

from __future__ import annotations

import contextlib
import gc
from collections.abc import Iterator


@contextlib.contextmanager
def collector_paused() -> Iterator[None]:
    """Keep the collector out of what is done meanwhile; it would walk all the new objects again and again."""
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()

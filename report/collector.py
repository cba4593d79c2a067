"""Python's garbage collector, kept at rest while something makes very many objects that all live until it is done."""

from __future__ import annotations

import contextlib
import gc
from collections.abc import Iterator


@contextlib.contextmanager
def collector_at_rest() -> Iterator[None]:
    """Keep the garbage collector from going over the heap within the block.

    Laying out a page, or reading a whole PDF, makes hundreds of thousands of objects: Python looks through
    everything again and again meanwhile and finds nothing to free. Afterwards what was made meanwhile, the
    youngest generation, is collected once. Where the collector is off already, nothing is done.
    """
    if not gc.isenabled():
        yield
        return
    gc.disable()
    try:
        yield
    finally:
        gc.enable()
        gc.collect(0)

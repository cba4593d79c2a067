"""The name of a bench: the machine that commits, each with a chain of its own in the ledger."""

from __future__ import annotations

import re
from typing import Final

_LONGEST: Final = 16


def bench_slug(name: str) -> str:
    """Return *name* as a bench is called in the archive: up to 16 of a to z and 0 to 9."""
    return re.sub(r"[^a-z0-9]", "", name.lower())[:_LONGEST] or "bench"

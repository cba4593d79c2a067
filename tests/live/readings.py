"""Two thousand readings as a gauge writes them, and what the tests of links share. Invented data."""

from __future__ import annotations

import random
import time
from collections.abc import Callable

from ingest.links.item import Item, Kind
from ingest.links.stream import Stream
from schemas.profile import Profile

#: Generous: a loaded machine is no fault of the code.
PATIENCE_S = 60.0

PROFILE = Profile(title="plain number", reading=r"#(?P<counter>\d+) (?P<thickness>\d+\.\d\d)", unit="mil")


def two_thousand() -> list[bytes]:
    rng = random.Random(2000)
    return [b"#%04d %.2f" % (number, 2 + rng.random() * 3) for number in range(2000)]


def got(stream: Stream, enough: Callable[[list[Item]], bool]) -> list[Item]:
    """Return the items of *stream* once they are *enough*; fails where they never are."""
    items: list[Item] = []
    deadline = time.monotonic() + PATIENCE_S
    while not enough(items):
        item = stream.get(1.0)
        if item is not None:
            items.append(item)
        assert time.monotonic() < deadline, f"waited in vain; the last of {len(items)} items are {items[-5:]}"
    return items


def lines_of(items: list[Item], *kinds: Kind) -> list[bytes]:
    """Return the bytes of the items of these kinds (LINE where none is given)."""
    return [item.frame.data for item in items if item.kind in (kinds or (Kind.LINE,)) and item.frame is not None]


def has_lines(count: int) -> Callable[[list[Item]], bool]:
    return lambda items: sum(item.kind is Kind.LINE for item in items) >= count


def has(kind: Kind, count: int = 1) -> Callable[[list[Item]], bool]:
    return lambda items: sum(item.kind is kind for item in items) >= count

"""What the tests of live links share: taking items out of a stream with patience, and the readings that are sent."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Final

from ingest.links.item import Item, Kind
from ingest.links.live import LiveLink
from ingest.links.stream import Stream

#: Generous, since machines are busy: a test that passes never waits for it.
PATIENCE_S: Final = 40


@contextmanager
def listening(link: LiveLink) -> Iterator[Stream]:
    """Start *link*, hand out its stream, and close both."""
    stream = Stream()
    link.start(stream)
    try:
        yield stream
    finally:
        link.close()
        stream.close()


def take(stream: Stream) -> Item:
    """Return the next item."""
    item = stream.get(PATIENCE_S)
    assert item is not None, "nothing came"
    return item


def take_kind(stream: Stream, kind: Kind) -> Item:
    """Return the next item, which must be of *kind*."""
    item = take(stream)
    assert item.kind is kind, item
    return item


def take_lines(stream: Stream, number: int) -> list[bytes]:
    """Return the next *number* lines, passing what happens to the link by."""
    lines: list[bytes] = []
    while len(lines) < number:
        item = take(stream)
        assert item.kind in (Kind.LINE, Kind.UP, Kind.DOWN), item
        if item.kind is Kind.LINE:
            assert item.frame is not None
            lines.append(item.frame.data)
    return lines


def rest(stream: Stream) -> list[Item]:
    """Return what waits now."""
    items = []
    while (item := stream.get(0)) is not None:
        items.append(item)
    return items


def eventually(holds: Callable[[], bool]) -> None:
    """Wait until *holds*."""
    until = time.monotonic() + PATIENCE_S
    while not holds():
        assert time.monotonic() < until, "it never came to hold"
        time.sleep(0.01)


def readings(number: int) -> list[bytes]:
    """Return *number* lines of readings, without their ends; each is longer than a notification's 20 bytes."""
    return [b"%06d  %d.%d um  probe N" % (n, 40 + n * 7 % 90, n % 10) for n in range(1, number + 1)]

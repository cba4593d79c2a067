"""What the tests of live links share: quick links, and waiting for what a link hands on."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from ingest.links import rfc2217_port, serial_port, tcp_port
from ingest.links.address import address_of
from ingest.links.item import Item, Kind
from ingest.links.live import LiveLink
from ingest.links.port_link import BackOff, PortLink
from ingest.links.stream import Stream
from schemas.profile import Profile

#: Generous: a loaded machine is no fault of the link.
PATIENCE_S = 60.0
QUICK = BackOff(first_s=0.005, most_s=0.02)


def profile(**changes: object) -> Profile:
    """Return a profile of a gauge that writes "3.12 mil"."""
    plain: dict[str, object] = {"title": "gauge", "reading": r"(?P<thickness>[0-9.]+) (?P<unit>mil)"}
    return Profile.model_validate(plain | changes)


def quick_link(address: str, read_by: Profile | None = None) -> PortLink:
    """Return a link to *address* that tries again at once."""
    where = address_of(address)
    made_by = {"serial": serial_port.link, "socket": tcp_port.link, "rfc2217": rfc2217_port.link}[where.scheme]
    return made_by(where, read_by or profile(), QUICK)


@contextmanager
def followed(link: LiveLink, stream: Stream | None = None) -> Iterator[Stream]:
    """Start *link*, yield its stream, and close both."""
    into = stream or Stream()
    link.start(into)
    try:
        yield into
    finally:
        link.close()
        into.close()


def until(stream: Stream, enough: Callable[[Item], bool]) -> list[Item]:
    """Return the items up to and with the first for which *enough* is true."""
    deadline = time.monotonic() + PATIENCE_S
    items: list[Item] = []
    while True:
        item = stream.get(max(0.0, deadline - time.monotonic()))
        assert item is not None, f"what was waited for did not come; the last items: {items[-5:]}"
        items.append(item)
        if enough(item):
            return items


def until_kind(stream: Stream, kind: Kind, times: int = 1) -> list[Item]:
    """Return the items up to and with the *times*-th of *kind*."""
    seen = 0

    def enough(item: Item) -> bool:
        nonlocal seen
        seen += item.kind is kind
        return seen == times

    return until(stream, enough)


def rest(stream: Stream) -> list[Item]:
    """Return what is in the stream now."""
    items = []
    while (item := stream.get(0)) is not None:
        items.append(item)
    return items


def lines_of(items: list[Item], kind: Kind = Kind.LINE) -> list[bytes]:
    """Return the bytes of the lines (or tails) in *items*."""
    return [item.frame.data for item in items if item.kind is kind and item.frame is not None]


def wait_until(true: Callable[[], bool], what: str) -> None:
    """Wait until *true* is."""
    deadline = time.monotonic() + PATIENCE_S
    while not true():
        assert time.monotonic() < deadline, f"waited in vain: {what}"
        time.sleep(0.002)

"""The one stream into which all links of a bench put their items. Bounded; nothing is dropped in silence.

A link that can hold its peer back (a file, a pipe, a socket) waits where the stream is full. One that
cannot (a serial line, Bluetooth, keys) goes on reading, drops what has no room, and the stream says so
with one LOST item, in the place where the bytes are missing, as soon as there is room again.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from typing import Any, Final

from ingest.framing import Frame
from ingest.links.item import Item, Kind, Origin

#: Hours of readings by hand; a gauge that empties its memory at full speed fits as well.
MOST_ITEMS: Final = 100_000


class Stream:
    """Items of any number of links, in the order they came. Safe between threads.

    Args:
        most_items: How many may wait.
        wall: The wall clock, aware.
        mono_ns: The monotonic clock.
    """

    def __init__(
        self,
        most_items: int = MOST_ITEMS,
        wall: Callable[[], datetime] = lambda: datetime.now(UTC),
        mono_ns: Callable[[], int] = time.monotonic_ns,
    ) -> None:
        self._most = most_items
        self._wall = wall
        self._mono_ns = mono_ns
        self._items: deque[Item] = deque()
        self._seq: dict[str, int] = {}
        self._dropped: dict[str, tuple[int, int]] = {}
        self._changed = threading.Condition()
        self._closed = False
        self._nudged = False

    def put(
        self,
        kind: Kind,
        link: str,
        frame: Frame | None = None,
        *,
        note: str = "",
        doubled: bool = False,
        about: Mapping[str, str] | None = None,
        origin: Origin | None = None,
        taken_at: datetime | None = None,
        there_before: tuple[Origin, ...] = (),
        wait: bool = False,
        unless: Callable[[], bool] = lambda: False,
    ) -> bool:
        """Add an item, with the time it is now; return False where there was no room for it.

        Lines and tails alone may find no room: what happens to a link (UP, DOWN, END ...) always has some.

        Args:
            wait: Wait for room instead: for a link that can hold its peer back. Ends, with False, when the
                stream is closed.
            unless: Waiting ends once this is true, and what found no room counts as lost; not so where it has an
                origin, since the file still has it. Whoever makes it true calls wake().
        """
        with self._changed:
            bulky = kind in (Kind.LINE, Kind.PARTIAL)
            while bulky and wait and len(self._items) >= self._most and not self._closed and not unless():
                self._changed.wait()
            if self._closed:
                return False
            if bulky and len(self._items) >= self._most:
                if wait and origin is not None:
                    return False
                lines, size = self._dropped.get(link, (0, 0))
                self._dropped[link] = (lines + 1, size + (frame.length if frame else 0))
                return False
            self._say_what_was_dropped(link)
            self._append(
                kind,
                link,
                frame=frame,
                note=note,
                doubled=doubled,
                about=dict(about or {}),
                origin=origin,
                taken_at=taken_at,
                there_before=there_before,
            )
            self._changed.notify_all()
            return True

    def get(self, timeout_s: float | None = None) -> Item | None:
        """Return the oldest item, or None where none came within *timeout_s* seconds (None: wait for one).

        None comes at once where nothing waits and the stream is closed, or after :meth:`nudge`.
        """
        with self._changed:
            self._changed.wait_for(
                lambda: bool(self._items or self._dropped or self._closed or self._nudged), timeout_s
            )
            self._nudged = False
            if not self._items:
                for link in list(self._dropped):
                    self._say_what_was_dropped(link)
            if not self._items:
                return None
            item = self._items.popleft()
            self._changed.notify_all()
            return item

    def nudge(self) -> None:
        """Let whoever waits in :meth:`get` go, or the next one who would: something else has happened, such as a key press."""
        with self._changed:
            self._nudged = True
            self._changed.notify_all()

    @property
    def closed(self) -> bool:
        """Return whether the stream takes no more items."""
        return self._closed

    def wake(self) -> None:
        """Let whoever waits for room look again at what was given as *unless*."""
        with self._changed:
            self._changed.notify_all()

    def close(self) -> None:
        """Take no more items; whoever waits for room is let go. What waits to be got stays."""
        with self._changed:
            self._closed = True
            self._changed.notify_all()

    def _say_what_was_dropped(self, link: str) -> None:
        if link in self._dropped:
            lines, size = self._dropped.pop(link)
            what, took = (
                ("1 line", "it could be taken and is")
                if lines == 1
                else (f"{lines:,} lines", "they could be taken and are")
            )
            note = (
                f"{what} ({size:,} bytes) came faster than {took} lost; look into the gauge's memory and take these "
                "readings again"
            )
            self._append(Kind.LOST, link, note=note)

    def _append(self, kind: Kind, link: str, **rest: Any) -> None:
        seq = self._seq[link] = self._seq.get(link, 0) + 1
        self._items.append(Item(kind=kind, link=link, seq=seq, at=self._wall(), mono_ns=self._mono_ns(), **rest))

"""What the links that run on a thread have in common: start, close, and a sentence where one of them fails."""

from __future__ import annotations

import threading
from abc import ABC, abstractmethod

from ingest.links.item import Kind
from ingest.links.live import LinkDown
from ingest.links.stream import Stream


class ThreadedLink(ABC):
    """A link that reads on a thread of its own and sends nothing. A subclass fills in run(), and wake() where it blocks."""

    def __init__(self, name: str) -> None:
        self._name = name
        self._closing = threading.Event()
        self._thread: threading.Thread | None = None
        self._stream: Stream | None = None

    @property
    def name(self) -> str:
        """Return scheme and address, as Item.link has it."""
        return self._name

    def start(self, stream: Stream) -> None:
        """Begin: items go into *stream* until close()."""
        self._stream = stream
        self._thread = threading.Thread(target=self._guarded, args=(stream,), name=self._name, daemon=True)
        self._thread.start()

    def send(self, data: bytes) -> None:
        """Raise LinkDown: nothing can be sent over a link that only reads."""
        raise LinkDown(f"{self._name}: nothing can be sent over this link; take the reading on the gauge itself")

    def close(self) -> None:
        """Stop, and return once the thread has ended. A second close does nothing."""
        self._closing.set()
        if self._stream is not None:
            self._stream.wake()
        self.wake()
        if self._thread is not None and self._thread is not threading.current_thread():
            self._thread.join()
            self._thread = None

    @property
    def closing(self) -> bool:
        """Return whether close() was called."""
        return self._closing.is_set()

    def wake(self) -> None:  # noqa: B027 - a read that never blocks needs nothing
        """Let a read that blocks come back."""

    @abstractmethod
    def run(self, stream: Stream) -> None:
        """Put items into *stream* until closing."""

    def _guarded(self, stream: Stream) -> None:
        try:
            self.run(stream)
        except BaseException:
            # A defect of ours: its traceback is shown by the thread, and whoever waits for readings must know.
            stream.put(Kind.DOWN, self._name, note=f"{self._name}: this link has failed; start it again")
            stream.put(Kind.END, self._name)
            raise

"""A simulated gauge on a serial line: a pseudo-terminal, under a path that stays the same when it is plugged in again.

with PtyGauge(folder) as gauge:          # gauge.path is the device, gauge.address "serial:..."
    ...open the link, wait for UP...     # what is written before somebody has opened it is flushed by the open
    gauge.write([b"3.12 mil"])           # lines, each with gauge.end behind it; bytes are written as they are
    gauge.unplug()                       # what was sent is read first, as a pty would lose it
    gauge.replug()
"""

from __future__ import annotations

import contextlib
import os
import pty
import select
import threading
import time
import tty
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import Self

from tests.live.pacing import joined, paced

#: Generous: a loaded machine is no fault of the gauge.
PATIENCE_S = 60.0


class PtyGauge:
    """A gauge on a pseudo-terminal.

    Args:
        folder: Where the device's path is made.
        baud: How fast it writes; None for at once.
        faster: Factor by which the line is faster than *baud* says.
        end: What it writes behind a line.
        answer: Given what the host has sent since it was asked last, returns what the gauge writes back.
        name: Name of the device in *folder*.
    """

    def __init__(
        self,
        folder: Path,
        *,
        baud: int | None = None,
        faster: float = 1.0,
        end: bytes = b"\r\n",
        answer: Callable[[bytes], bytes] | None = None,
        name: str = "gauge",
    ) -> None:
        self.path = folder / name
        self.end = end
        self.heard = bytearray()
        self._baud = baud
        self._faster = faster
        self._answer = answer
        self._ends: tuple[int, int] | None = None
        self._listener: threading.Thread | None = None
        self._stop: tuple[int, int] | None = None
        self._writing = threading.Lock()

    @property
    def address(self) -> str:
        """Return the address as a person writes it."""
        return f"serial:{self.path}"

    def start(self) -> None:
        """Plug in and switch on."""
        master, slave = pty.openpty()
        tty.setraw(slave)  # a cooked one would echo, and make LF of CRLF
        os.set_blocking(master, False)
        self._ends = master, slave
        self.path.unlink(missing_ok=True)
        self.path.symlink_to(os.ttyname(slave))
        self._stop = os.pipe()
        self._listener = threading.Thread(target=self._listen, args=(master, self._stop[0]), daemon=True)
        self._listener.start()

    def write(self, lines: bytes | list[bytes]) -> None:
        """Write lines, or bytes as they are; returns when all of it is in the line."""
        assert self._ends is not None, "the gauge is not plugged in"
        with self._writing:
            for piece in paced(joined(lines, self.end), self._baud, self._faster):
                self._send(self._ends[0], piece)

    def drain(self) -> None:
        """Wait until the host has read all that was written."""
        assert self._ends is not None, "the gauge is not plugged in"
        until = time.monotonic() + PATIENCE_S
        # poll() of a terminal hands on what lies in between before it answers, so "nothing to read" is the truth.
        while select.select([self._ends[1]], [], [], 0)[0]:
            assert time.monotonic() < until, "nobody reads what the gauge has written"
            time.sleep(0.001)

    def unplug(self, *, drain: bool = True) -> None:
        """Pull the cable; the path goes with it."""
        assert self._ends is not None, "the gauge is not plugged in"
        if drain:
            self.drain()
        assert self._stop is not None
        assert self._listener is not None
        os.write(self._stop[1], b"x")
        self._listener.join()
        self.path.unlink(missing_ok=True)
        for end in (*self._ends, *self._stop):
            os.close(end)
        self._ends = self._stop = self._listener = None

    def replug(self) -> None:
        """Plug in again, at the same path."""
        self.start()

    def close(self) -> None:
        """Switch off; a second time does nothing."""
        if self._ends is not None:
            self.unplug(drain=False)

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, fault: BaseException | None, at: TracebackType | None) -> None:
        self.close()

    def _send(self, master: int, data: bytes) -> None:
        until = time.monotonic() + PATIENCE_S
        while data:
            try:
                data = data[os.write(master, data) :]
            except BlockingIOError:
                assert time.monotonic() < until, "the host does not read"
                select.select([], [master], [], 0.01)

    def _listen(self, master: int, stop: int) -> None:
        while True:
            ready = select.select([master, stop], [], [])[0]
            if stop in ready:
                return
            with contextlib.suppress(BlockingIOError):
                data = os.read(master, 4096)
                self.heard += data
                if self._answer is not None:
                    back = self._answer(data)
                    if back:
                        self._send(master, back)

"""A pipe: standard input, or a named pipe into which programs write. Who writes is held back while nobody takes the lines.

Standard input ends when its writer does. A named pipe does not: writers come and go, which is DOWN and UP. Until the first
one writes it cannot be known whether anybody has opened it, so the link is UP as soon as the pipe is open.

A read that waits must end when the link is closed. Where select() works on pipes (all but Windows) it does so at
once. Elsewhere the read is left to a thread of its own that nobody waits for: what comes after close() goes with it.
"""

from __future__ import annotations

import contextlib
import os
import queue
import select
import stat
import threading
from pathlib import Path
from typing import Final, Protocol

from ingest.framing import Frame, Framer
from ingest.links.address import Address
from ingest.links.item import Kind
from ingest.links.stream import Stream
from ingest.links.threaded import ThreadedLink
from schemas.profile import Profile

_CHUNK_BYTES: Final = 1 << 16
_MOST_CHUNKS: Final = 4
_RETRY_S: Final = 0.5
_LONGEST_RETRY_S: Final = 10.0
_NONBLOCK: Final = getattr(os, "O_NONBLOCK", 0)
_BINARY: Final = getattr(os, "O_BINARY", 0)


class Waiting(Protocol):
    """Reads from a file descriptor, so that the read can be ended from another thread."""

    def read(self, fd: int, timeout_s: float | None) -> bytes | None:
        """Return what came, b"" at the end, None where nothing came within *timeout_s*, or after stop()."""
        ...

    def stop(self) -> None:
        """End a read that waits."""
        ...

    def close(self) -> None:
        """Let go of what it holds."""
        ...


class SelectWaiting:
    """Waits with select(): for all systems where that works on pipes."""

    def __init__(self) -> None:
        self._awake, self._wake = os.pipe()

    def read(self, fd: int, timeout_s: float | None) -> bytes | None:
        """As of Waiting."""
        ready, _, _ = select.select([fd, self._awake], [], [], timeout_s)
        return None if self._awake in ready or fd not in ready else os.read(fd, _CHUNK_BYTES)

    def stop(self) -> None:
        """As of Waiting."""
        with contextlib.suppress(OSError):
            os.write(self._wake, b"x")

    def close(self) -> None:
        """As of Waiting."""
        os.close(self._awake)
        os.close(self._wake)


class ThreadWaiting:
    """Reads on a thread that is left behind when it blocks: for Windows, where select() is for sockets alone."""

    def __init__(self) -> None:
        self._chunks: queue.Queue[bytes | OSError | None] = queue.Queue(_MOST_CHUNKS)
        self._stopped = threading.Event()
        self._thread: threading.Thread | None = None

    def read(self, fd: int, timeout_s: float | None) -> bytes | None:
        """As of Waiting; what was read before stop() is still handed on."""
        if self._thread is None and not self._stopped.is_set():
            self._thread = threading.Thread(target=self._pump, args=(fd,), name="pipe read", daemon=True)
            self._thread.start()
        try:
            came = self._chunks.get(block=not self._stopped.is_set(), timeout=timeout_s)
        except queue.Empty:
            return None
        if isinstance(came, OSError):
            self._thread = None
            raise came
        if came == b"":
            self._thread = None
        return came

    def stop(self) -> None:
        """As of Waiting."""
        self._stopped.set()
        with contextlib.suppress(queue.Full):
            self._chunks.put_nowait(None)

    def close(self) -> None:
        """As of Waiting."""

    def _pump(self, fd: int) -> None:
        chunk = b"x"
        while chunk and not self._stopped.is_set():
            try:
                chunk = os.read(fd, _CHUNK_BYTES)
            except OSError as wrong:
                self._hand_on(wrong)
                return
            self._hand_on(chunk)

    def _hand_on(self, came: bytes | OSError) -> None:
        while not self._stopped.is_set():
            with contextlib.suppress(queue.Full):
                self._chunks.put(came, timeout=0.5)
                return


class Pipe(ThreadedLink):
    """The link `pipe:-` or `pipe:PATH`.

    Args:
        address: Which pipe.
        profile: How long lines are, and how they end.
        stdin: The file descriptor of standard input.
        waiting: How a read waits; by default as the system can.
    """

    def __init__(self, address: Address, profile: Profile, *, stdin: int = 0, waiting: Waiting | None = None) -> None:
        super().__init__(address.name)
        self._path = None if address.rest == "-" else Path(address.rest).expanduser()
        self._stdin = stdin
        self._waiting: Waiting | None = waiting or (ThreadWaiting() if os.name == "nt" else SelectWaiting())
        self._framer = Framer(profile.max_line_bytes, profile.line_end.encode() if profile.line_end else None)
        self._idle_s = profile.idle_end_ms / 1000 if profile.idle_end_ms else None
        self._up = False

    def wake(self) -> None:
        """Let a read that waits come back."""
        if self._waiting is not None:
            self._waiting.stop()

    def close(self) -> None:
        """Stop, and return once the thread has ended. A second close does nothing."""
        super().close()
        if self._waiting is not None:
            self._waiting.close()
            self._waiting = None

    def run(self, stream: Stream) -> None:
        """Read until the end, or until closing."""
        waiting = self._waiting
        if waiting is None:
            return
        if self._path is None:
            self._come_up(stream, "")
            self._read(stream, waiting, self._stdin)
            self._give_tail(stream, "standard input ended in the middle of a line; compare it with the gauge")
        else:
            self._run_named(stream, waiting, self._path)
        if not self.closing:
            stream.put(Kind.END, self.name)

    def _run_named(self, stream: Stream, waiting: Waiting, path: Path) -> None:
        fd = self._opened(stream, path)
        if fd is None:
            return
        try:
            is_fifo = stat.S_ISFIFO(os.fstat(fd).st_mode)
            self._come_up(stream, f"{path}: is open, and waits for whoever writes" if is_fifo else "")
            while not self.closing:
                came = self._read(stream, waiting, fd, is_fifo=is_fifo)
                self._give_tail(stream, f"{path}: ended in the middle of a line; compare it with the gauge")
                if self.closing or not is_fifo:
                    return
                if self._up:
                    self._go_down(stream, f"{path}: who wrote is gone; waits for the next to write")
                if not came:
                    self._closing.wait(
                        _RETRY_S
                    )  # some systems call a pipe that nobody has opened ended, again and again
                # The new end is opened before the old one is closed: a pipe that nobody reads throws its bytes away.
                again = self._opened(stream, path)
                if again is None:
                    return
                os.close(fd)
                fd = again
        finally:
            os.close(fd)

    def _opened(self, stream: Stream, path: Path) -> int | None:
        """Return *path* opened, as soon as it can be; None where the link is closed before."""
        wait_s = _RETRY_S
        said = False
        while not self.closing:
            try:
                return os.open(path, os.O_RDONLY | _NONBLOCK | _BINARY)
            except OSError as wrong:
                if not said:
                    self._go_down(stream, f"{path}: cannot be opened ({wrong.strerror}); it is tried again and again")
                said = True
            self._closing.wait(wait_s)
            wait_s = min(_LONGEST_RETRY_S, wait_s * 2)
        return None

    def _read(self, stream: Stream, waiting: Waiting, fd: int, *, is_fifo: bool = False) -> bool:
        """Read *fd* to its end, or until closing; return whether anything came."""
        any_came = False
        while True:
            try:
                came = _there_now(fd) if any_came and is_fifo and not self.closing else None
                if came is None:
                    came = waiting.read(fd, self._idle_s if self._framer.holds_a_tail else None)
            except BlockingIOError:
                continue
            except OSError as wrong:
                self._go_down(stream, f"{self.name}: cannot be read ({wrong.strerror})")
                return any_came
            if came is None:
                if self.closing:
                    return any_came
                if self._idle_s is not None and (paused := self._framer.pause()) is not None:
                    self._give(stream, Kind.LINE, paused)
                continue
            if not came:
                return any_came
            any_came = True
            if not self._up:
                self._come_up(stream, "")
            for frame in self._framer.feed(came):
                self._give(stream, Kind.LINE, frame)

    def _give(self, stream: Stream, kind: Kind, frame: Frame, note: str = "") -> None:
        stream.put(kind, self.name, frame, note=note, wait=True, unless=lambda: self.closing)

    def _give_tail(self, stream: Stream, note: str) -> None:
        tail = self._framer.close()
        if tail is not None:
            self._give(stream, Kind.PARTIAL, tail, note)

    def _come_up(self, stream: Stream, note: str) -> None:
        self._up = True
        stream.put(Kind.UP, self.name, note=note)

    def _go_down(self, stream: Stream, note: str) -> None:
        self._up = False
        stream.put(Kind.DOWN, self.name, note=note)


def _there_now(fd: int) -> bytes | None:
    """Return what a named pipe holds, b"" where it holds nothing and nobody is left to write, None where somebody is.

    Of a writer that was gone before *fd* was opened select() never says that it is gone (Linux): the beginning of a line that
    it left would wait for the next one, and become part of what that one writes.
    """
    try:
        return os.read(fd, _CHUNK_BYTES)
    except BlockingIOError:
        return None


def link(address: Address, profile: Profile) -> Pipe:
    """Return the link to the pipe that *address* names."""
    return Pipe(address, profile)

"""A live link over a port: one thread that opens it, reads it, cuts lines, and opens it again when it is gone."""

from __future__ import annotations

import contextlib
import math
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from ingest.framing import Frame, Framer
from ingest.links.item import Kind
from ingest.links.live import LinkDown
from ingest.links.port import Opening, Port, PortFault, Reason
from ingest.links.stream import Stream
from schemas.profile import Profile

#: How long a read may wait before it is looked whether the link is to be closed: a net under interrupt().
_LONGEST_READ_S: Final = 0.5
#: What comes so soon after opening may be the end of a line whose beginning was sent before. No published figure.
_AT_ONCE_S: Final = 0.1
#: A link that was up for so long, or over which something came, is tried again without having to wait longer.
_STEADY_S: Final = 5.0
#: A thread that hangs in the operating system (a name server that does not answer) is left to itself after this.
_PATIENCE_S: Final = 5.0
_HEAD_MAY_LACK: Final = (
    "came in the moment the link came up, so its beginning may be missing; compare it with the gauge's display"
)


@dataclass(frozen=True, slots=True)
class BackOff:
    """How long is waited before a link is tried again: doubled each time, up to a bound. Seconds."""

    first_s: float = 0.25
    most_s: float = 5.0

    def wait_s(self, failures: int) -> float:
        """Return the wait after so many failures in a row, from 1."""
        return min(self.first_s * 2.0 ** min(failures - 1, 32), self.most_s)


class PortLink:
    """A link that implements ingest.links.live.LiveLink over any port.

    Args:
        name: Scheme and address, as Item.link has it.
        opening: Opens the port.
        profile: Says how a line ends and how long it may be.
        can_wait: Whether the peer can be held back where the stream is full, as over a network; otherwise the
            link goes on reading, and the stream says what had no room.
        back_off: How long is waited before the port is tried again.
        mono_s: The monotonic clock, in seconds.
    """

    def __init__(
        self,
        name: str,
        opening: Opening,
        profile: Profile,
        *,
        can_wait: bool,
        back_off: BackOff | None = None,
        mono_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self._name = name
        self._opening = opening
        self._max_line_bytes = profile.max_line_bytes
        self._line_end = profile.line_end.encode() if profile.line_end else None
        idle_end_s = profile.idle_end_ms / 1000 if profile.idle_end_ms else None
        self._read_s = min(idle_end_s or _LONGEST_READ_S, _LONGEST_READ_S)
        #: How many reads in a row without a byte make the pause that ends a line; None where none does.
        self._pause_is = math.ceil(idle_end_s / self._read_s) if idle_end_s else None
        self._can_wait = can_wait
        self._back_off = back_off or BackOff()
        self._mono_s = mono_s
        self._closing = threading.Event()
        self._using = threading.Lock()  # held while the port is written to, changed or closed
        self._port: Port | None = None
        self._why_down = "it has not been opened yet"
        self._said: set[Reason] = set()  # in this outage
        self._sent = False
        self._came = False
        self._stream: Stream | None = None
        self._thread: threading.Thread | None = None

    @property
    def name(self) -> str:
        """Return scheme and address, as Item.link has it."""
        return self._name

    def start(self, stream: Stream) -> None:
        """Begin: items go into *stream* until close()."""
        if self._thread is not None:
            raise RuntimeError(f"{self._name} was started already")
        self._stream = stream
        self._thread = threading.Thread(target=self._run, args=(stream,), name=f"link {self._name}", daemon=True)
        self._thread.start()

    def send(self, data: bytes) -> None:
        """Send *data* to the device.

        Raises:
            LinkDown: The link is not up, or cannot send.
        """
        with self._using:
            if self._port is None:
                raise LinkDown(self._why_down)
            self._sent = True  # before it is: the answer may be there before write() has returned
            try:
                self._port.write(data)
            except Exception as fault:
                raise LinkDown(_sentence(fault)) from fault

    def close(self) -> None:
        """Stop, let go of the device, and return once the thread has ended. A second close does nothing."""
        self._closing.set()
        with self._using:  # a descriptor that the reader has closed may be another file's by now
            if self._port is not None:
                with contextlib.suppress(Exception):  # then the read comes to its end by itself
                    self._port.interrupt()
        if self._stream is not None:
            self._stream.wake()
        if self._thread is not None:
            self._thread.join(_PATIENCE_S)

    def _run(self, stream: Stream) -> None:
        failures = 0
        while not self._closing.is_set():
            try:
                steady = self._once(stream)
            except Exception as fault:  # whatever it is, the link says so and goes on trying
                steady = False
                self._down(stream, fault)
            failures = 1 if steady else failures + 1
            self._closing.wait(self._back_off.wait_s(failures))

    def _once(self, stream: Stream) -> bool:
        """Open, read until the port is gone, and return whether the link was steady in between.

        Raises:
            PortFault: The port could not be opened.
        """
        port = self._opening(self._read_s, self._closing)
        opened_s = self._mono_s()
        framer = Framer(self._max_line_bytes, self._line_end)
        self._came = False
        gone: Exception | None = None
        try:
            with self._using:
                self._port, self._sent = port, False
            stream.put(Kind.UP, self._name, note=port.settings)
            self._read(stream, port, framer, opened_s)
        except Exception as fault:
            gone = fault
        finally:
            with self._using:
                self._port, self._why_down = None, _sentence(gone) if gone else "the link was closed"
                port.close()
        tail = framer.close()
        if tail is not None:
            self._put(stream, Kind.PARTIAL, tail)
        if gone is not None:
            self._said.clear()  # a new outage
            self._down(stream, gone)
        return self._came or self._mono_s() - opened_s >= _STEADY_S

    def _read(self, stream: Stream, port: Port, framer: Framer, opened_s: float) -> None:
        head_may_lack = False
        empty = 0
        while not self._closing.is_set():
            data = port.read()
            if data:
                empty = 0
                if not self._came:
                    self._came = True
                    head_may_lack = not self._sent and self._mono_s() - opened_s < _AT_ONCE_S
                for frame in framer.feed(data):
                    self._put(stream, Kind.LINE, frame, _HEAD_MAY_LACK if head_may_lack else "")
                    head_may_lack = False
                continue
            empty += 1
            if self._pause_is is not None and empty == self._pause_is and not self._closing.is_set():
                ended = framer.pause()
                if ended is not None:
                    self._put(stream, Kind.LINE, ended, _HEAD_MAY_LACK if head_may_lack else "")
                    head_may_lack = False

    def _put(self, stream: Stream, kind: Kind, frame: Frame, note: str = "") -> None:
        stream.put(kind, self._name, frame, note=note, wait=self._can_wait, unless=self._closing.is_set)

    def _down(self, stream: Stream, fault: Exception) -> None:
        """Say why the link is down, unless that was said in this outage already."""
        self._why_down = _sentence(fault)
        reason = fault.reason if isinstance(fault, PortFault) else Reason.OTHER
        if reason not in self._said and not self._closing.is_set():
            self._said.add(reason)
            stream.put(Kind.DOWN, self._name, note=self._why_down)


def _sentence(fault: Exception) -> str:
    if isinstance(fault, PortFault):
        return str(fault)
    return (
        f"the link failed in a way that was not foreseen ({type(fault).__name__}: {fault}); it is tried again, and if it "
        "does not come back, unplug the gauge and plug it in again"
    )

"""Gauges behind a serial device server that passes the bytes on as they are: socket://HOST:PORT.

A socket of our own and not pyserial's: that one throws away what comes while it opens, and reads byte by byte.
"""

from __future__ import annotations

import contextlib
import errno
import os
import select
import socket
import threading
import time
from typing import Final

from ingest.links.address import Address
from ingest.links.port import PortFault
from ingest.links.port_link import BackOff, PortLink
from schemas.errors import BadInput
from schemas.profile import Profile

_CONNECT_S: Final = 5.0
_WRITE_S: Final = 2.0
_SLICE_S: Final = 0.1
_CHUNK_BYTES: Final = 1 << 16
#: A peer that vanished without a word (its cable was pulled) is noticed after about 25 s.
_KEEP_ALIVE: Final = {"TCP_KEEPIDLE": 10, "TCP_KEEPALIVE": 10, "TCP_KEEPINTVL": 5, "TCP_KEEPCNT": 3}
_UNDER_WAY: Final = {errno.EINPROGRESS, errno.EWOULDBLOCK, errno.EAGAIN, getattr(errno, "WSAEWOULDBLOCK", -1)}

_LOOK: Final = "look at the device server, its power and its network cable"


def link(address: Address, profile: Profile, back_off: BackOff | None = None) -> PortLink:
    """Return the link to the device server at *address*, which nothing has connected to yet.

    Raises:
        BadInput: The address names no port from 1 to 65535.
    """
    host, number = host_and_port(address)

    def opening(read_s: float, closing: threading.Event) -> TcpPort:
        return TcpPort(host, number, read_s, closing)

    return PortLink(address.name, opening, profile, can_wait=True, back_off=back_off)


def host_and_port(address: Address) -> tuple[str, int]:
    """Return the host and the port that *address* names.

    Raises:
        BadInput: The port is none.
    """
    host, _, number = address.rest.rpartition(":")
    if not 0 < int(number) < 65536:
        raise BadInput(f"{address.name}: {number} is no port; write one from 1 to 65535")
    return host.removeprefix("[").removesuffix("]"), int(number)


class TcpPort:
    """An open connection (ingest.links.port.Port).

    Args:
        host: Name or address.
        number: Port.
        read_s: How long a read() waits.
        closing: Ends the opening early.

    Raises:
        PortFault: There is no connection to be had.
    """

    def __init__(self, host: str, number: int, read_s: float, closing: threading.Event) -> None:
        self._peer = f"{host}:{number}"
        self._read_s = read_s
        self._socket = _connected(host, number, self._peer, closing)
        _keep_alive(self._socket)

    @property
    def settings(self) -> str:
        """Return how the line is set, which such a server alone knows."""
        return "as the device server has it set"

    def read(self) -> bytes:
        """Return what came; see Port."""
        return self.read_within(self._read_s)

    def read_within(self, timeout_s: float) -> bytes:
        """Return what came, or b"" where nothing did within *timeout_s* seconds."""
        try:
            if not select.select([self._socket], [], [], timeout_s)[0]:
                return b""
            data = self._socket.recv(_CHUNK_BYTES)
        except (BlockingIOError, InterruptedError):
            return b""
        except (OSError, ValueError) as fault:
            raise PortFault(f"the connection to {self._peer} broke ({_plain(fault)}); {_LOOK}") from fault
        if not data:
            raise PortFault(f"{self._peer} ended the connection; {_LOOK}")
        return data

    def write(self, data: bytes) -> None:
        """Send all of *data*; see Port."""
        until = time.monotonic() + _WRITE_S
        rest = memoryview(data)
        try:
            while rest:
                if not select.select([], [self._socket], [], max(0.0, until - time.monotonic()))[1]:
                    raise PortFault(f"{self._peer} does not take what is sent; {_LOOK}")
                with contextlib.suppress(BlockingIOError, InterruptedError):
                    rest = rest[self._socket.send(rest) :]
        except (OSError, ValueError) as fault:
            raise PortFault(f"the connection to {self._peer} broke ({_plain(fault)}); {_LOOK}") from fault

    def interrupt(self) -> None:
        """Make a read() that waits return: it sees the end of the connection."""
        with contextlib.suppress(OSError):
            self._socket.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        """End the connection."""
        with contextlib.suppress(OSError):
            self._socket.shutdown(socket.SHUT_RDWR)
        self._socket.close()


def _connected(host: str, number: int, peer: str, closing: threading.Event) -> socket.socket:
    try:
        found = socket.getaddrinfo(host, number, type=socket.SOCK_STREAM)
    except (OSError, UnicodeError) as fault:
        raise PortFault(
            f"{host} is not known in this network ({_plain(fault)}); correct the name, or write its number"
        ) from fault
    last: OSError = _fault(errno.EADDRNOTAVAIL)
    for family, kind, protocol, _, address in found:
        connection = socket.socket(family, kind, protocol)
        try:
            _connect(connection, address, closing)
        except OSError as refused:
            connection.close()
            last = refused
        else:
            return connection
    if isinstance(last, ConnectionRefusedError):
        why = "refuses the connection: its port is another, it is not ready, or another program is connected"
    elif isinstance(last, TimeoutError):
        why = "does not answer"
    else:
        why = f"cannot be reached ({_plain(last)})"
    raise PortFault(f"{peer} {why}; {_LOOK}") from last


def _connect(connection: socket.socket, address: tuple[object, ...], closing: threading.Event) -> None:
    """Connect without blocking, so that a link can be closed while it connects.

    Raises:
        OSError: It cannot be done; TimeoutError where nobody answers, or *closing* was set.
    """
    connection.setblocking(False)
    number = connection.connect_ex(address)
    if number not in (0, *_UNDER_WAY):
        raise _fault(number)
    until = time.monotonic() + _CONNECT_S
    # Windows tells of a refused connection among the exceptional ones.
    while not any(select.select([], [connection], [connection], _SLICE_S)):
        if closing.is_set() or time.monotonic() > until:
            raise _fault(errno.ETIMEDOUT)
    number = connection.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR)
    if number:
        raise _fault(number)


def _fault(number: int) -> OSError:
    words: dict[int, str] = getattr(socket, "errorTab", {})  # Windows has numbers of its own for sockets
    return OSError(number, words.get(number) or os.strerror(number))


def _keep_alive(connection: socket.socket) -> None:
    with contextlib.suppress(OSError):  # an option that this system lacks is no fault of the link
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        connection.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
    for option, value in _KEEP_ALIVE.items():
        if hasattr(socket, option):
            with contextlib.suppress(OSError):
                connection.setsockopt(socket.IPPROTO_TCP, getattr(socket, option), value)


def _plain(fault: Exception) -> str:
    said = getattr(fault, "strerror", None) or str(fault)
    return " ".join(str(said).split()) or type(fault).__name__

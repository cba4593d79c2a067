"""A simulated gauge behind a device server that passes its bytes on: one TCP connection at a time.

with SocketGauge() as gauge:             # gauge.address "socket://127.0.0.1:PORT"
    ...open the link, wait for UP...
    gauge.write([b"3.12 mil"])           # waits until somebody is connected
    gauge.drop()                         # the connection ends; the server goes on
    gauge.unplug()                       # the server is gone too: a connection is refused
    gauge.replug()                       # at the same port
"""

from __future__ import annotations

import contextlib
import select
import socket
import threading
from collections.abc import Callable
from types import TracebackType
from typing import Self

from tests.live.pacing import joined, paced
from tests.live.pty_gauge import PATIENCE_S


class SocketGauge:
    """A gauge behind a server on this machine.

    Args:
        baud: How fast it writes; None for at once.
        faster: Factor by which the line is faster than *baud* says.
        end: What it writes behind a line.
        answer: Given what the host has sent since it was asked last, returns what the gauge writes back.
        greeting: What it writes as soon as somebody has connected.
    """

    scheme = "socket"

    def __init__(
        self,
        *,
        baud: int | None = None,
        faster: float = 1.0,
        end: bytes = b"\r\n",
        answer: Callable[[bytes], bytes] | None = None,
        greeting: bytes = b"",
    ) -> None:
        self.end = end
        self.heard = bytearray()
        self.port = 0
        self.connections = 0
        self._baud = baud
        self._faster = faster
        self._answer = answer
        self._greeting = greeting
        self._listening: socket.socket | None = None
        self._connection: socket.socket | None = None
        self._changed = threading.Condition()
        self._writing = threading.Lock()
        self._server: threading.Thread | None = None
        self._stopping = False

    @property
    def address(self) -> str:
        """Return the address as a person writes it."""
        return f"{self.scheme}://127.0.0.1:{self.port}"

    def start(self) -> None:
        """Switch on."""
        self._listening = socket.create_server(("127.0.0.1", self.port), backlog=8)
        self.port = self._listening.getsockname()[1]
        self._stopping = False
        self._server = threading.Thread(target=self._serve, args=(self._listening,), daemon=True)
        self._server.start()

    def connected(self) -> socket.socket:
        """Wait until somebody is connected, and ready to get the gauge's bytes."""
        with self._changed:
            assert self._changed.wait_for(lambda: self._connection is not None, PATIENCE_S), "nobody connects"
            assert self._connection is not None
            return self._connection

    def write(self, lines: bytes | list[bytes]) -> None:
        """Write lines, or bytes as they are; returns when the system has taken all of it."""
        connection = self.connected()
        for piece in paced(joined(lines, self.end), self._baud, self._faster):
            with self._writing:
                connection.sendall(self._on_the_wire(piece))

    def drop(self) -> None:
        """End the connection, after what was written."""
        with self._changed:
            connection = self._connection
        if connection is not None:
            with contextlib.suppress(OSError):
                connection.shutdown(socket.SHUT_WR)
            with self._changed:
                assert self._changed.wait_for(lambda: self._connection is not connection, PATIENCE_S)

    def unplug(self) -> None:
        """Switch the server off, after what was written."""
        assert self._listening is not None
        self._stopping = True
        self._listening.close()
        self.drop()
        assert self._server is not None
        self._server.join(PATIENCE_S)
        assert not self._server.is_alive()
        self._listening = self._server = None

    def replug(self) -> None:
        """Switch on again, at the same port."""
        self.start()

    def close(self) -> None:
        """Switch off; a second time does nothing."""
        if self._listening is not None:
            self.unplug()

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, fault: BaseException | None, at: TracebackType | None) -> None:
        self.close()

    def _serve(self, listening: socket.socket) -> None:
        while not self._stopping:
            try:
                if not select.select([listening], [], [], 0.02)[0]:
                    continue
                connection = listening.accept()[0]
            except (OSError, ValueError):
                return  # it was closed
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            with connection:
                self.connections += 1
                with contextlib.suppress(OSError):
                    self._attend(connection)
                with self._changed:
                    self._connection = None
                    self._changed.notify_all()

    def _attend(self, connection: socket.socket) -> None:
        """Serve one connection until the other side ends it."""
        if self._greeting:
            connection.sendall(self._greeting)
        self._ready(connection)
        while data := connection.recv(4096):
            self._take(connection, data)

    def _ready(self, connection: socket.socket) -> None:
        with self._changed:
            self._connection = connection
            self._changed.notify_all()
            if self._stopping:  # unplugged since somebody connected: nobody else ends this connection
                with contextlib.suppress(OSError):
                    connection.shutdown(socket.SHUT_WR)

    def _take(self, connection: socket.socket, data: bytes) -> None:
        self.heard += data
        if self._answer is not None:
            back = self._answer(data)
            if back:
                with self._writing:
                    connection.sendall(self._on_the_wire(back))

    def _on_the_wire(self, data: bytes) -> bytes:
        return data

"""A simulated gauge behind a real RFC 2217 server: pyserial's PortManager, which our client has no code in common with.

As SocketGauge; `line` is the server's serial line, with the settings that the client has made.
"""

from __future__ import annotations

import socket
import threading

import serial
from serial.rfc2217 import PortManager

from tests.live.socket_gauge import SocketGauge


class ServersLine:
    """What PortManager sets: the server's serial line. *fastest* is the highest baud that it can do."""

    def __init__(self, fastest: int) -> None:
        self._fastest = fastest
        self._baudrate = 1200
        self.bytesize = serial.EIGHTBITS
        self.parity = serial.PARITY_NONE
        self.stopbits = serial.STOPBITS_ONE
        self.xonxoff = self.rtscts = self.dsrdtr = self.break_condition = False
        self.dtr = self.rts = False
        self.cts = self.dsr = self.cd = True
        self.ri = False
        self.purged = 0

    @property
    def baudrate(self) -> int:
        return self._baudrate

    @baudrate.setter
    def baudrate(self, baud: int) -> None:
        if baud > self._fastest:
            raise ValueError("too fast for this line")
        self._baudrate = baud

    def reset_input_buffer(self) -> None:
        self.purged += 1

    def reset_output_buffer(self) -> None:
        self.purged += 1


class _Connection:
    """What PortManager writes its Telnet commands to, not in the middle of the gauge's bytes."""

    def __init__(self, connection: socket.socket, writing: threading.Lock) -> None:
        self._connection = connection
        self._writing = writing

    def write(self, data: bytes) -> None:
        with self._writing:
            self._connection.sendall(data)


class Rfc2217Gauge(SocketGauge):
    """A gauge behind an RFC 2217 server. *fastest* is the highest baud that the server's line can do; otherwise as SocketGauge."""

    scheme = "rfc2217"

    def __init__(self, *, fastest: int = 4_000_000, **as_socket: object) -> None:
        super().__init__(**as_socket)  # type: ignore[arg-type]
        self.line = ServersLine(fastest)

    def _attend(self, connection: socket.socket) -> None:
        manager = PortManager(self.line, _Connection(connection, self._writing))
        ready = False
        while raw := connection.recv(4096):
            data = b"".join(manager.filter(raw))
            if not ready and manager._client_is_rfc2217:
                ready = True
                self._ready(connection)
            if data:
                self._take(connection, data)

    def _on_the_wire(self, data: bytes) -> bytes:
        return data.replace(b"\xff", b"\xff\xff")

"""Gauges behind a serial device server that takes settings over the network: rfc2217://HOST:PORT.

Sources: RFC 2217 (Telnet Com Port Control Option), RFC 854 (Telnet), RFC 856 (binary), RFC 858 (suppress go-ahead).

A client of our own and not pyserial's: that one keeps what came in a queue without a bound, throws away what was in
it when the connection goes, and its write() does not notice that. pyserial's server is what the tests speak to.
"""

from __future__ import annotations

import struct
import threading
import time
from collections.abc import Callable
from typing import Final

from ingest.links.address import Address
from ingest.links.port import PortFault, Reason
from ingest.links.port_link import BackOff, PortLink
from ingest.links.serial_port import settings_said
from ingest.links.tcp_port import TcpPort, host_and_port
from schemas.profile import Profile
from schemas.transport import Serial

#: Telnet, RFC 854.
_SE, _SB, _WILL, _WONT, _DO, _DONT, _IAC = 240, 250, 251, 252, 253, 254, 255
#: Options: RFC 856, RFC 857, RFC 858, RFC 2217.
_BINARY, _ECHO, _NO_GO_AHEAD, _COM_PORT = 0, 1, 3, 44
#: RFC 2217, section 3: commands of the client; the server answers with 100 more.
_SET_BAUD, _SET_DATA_BITS, _SET_PARITY, _SET_STOP_BITS, _SET_CONTROL = 1, 2, 3, 4, 5
_ANSWER: Final = 100
_PARITY: Final = {"none": 1, "odd": 2, "even": 3, "mark": 4, "space": 5}
_STOP_BITS: Final = {"1": 1, "2": 2, "1.5": 3}
_FLOW: Final = {"none": (1,), "xon-xoff": (2,), "rts-cts": (3,), "dsr-dtr": (19, 18)}
_DTR: Final = {True: 8, False: 9}
_RTS: Final = {True: 11, False: 12}
_AGREE_S: Final = 5.0
_SLICE_S: Final = 0.1
#: No command is longer; a server that sends more inside one speaks something else.
_LONGEST_COMMAND: Final = 1024


def link(address: Address, profile: Profile, back_off: BackOff | None = None) -> PortLink:
    """Return the link to the device server at *address*, which nothing has connected to yet.

    Raises:
        BadInput: The address names no port from 1 to 65535.
    """
    host, number = host_and_port(address)

    def opening(read_s: float, closing: threading.Event) -> Rfc2217Port:
        return Rfc2217Port(host, number, profile.serial, read_s, closing)

    return PortLink(address.name, opening, profile, can_wait=True, back_off=back_off)


class Rfc2217Port:
    """An open serial line of a device server (ingest.links.port.Port).

    What the server had kept from before is read and not purged: these are readings too.

    Args:
        host: Name or address.
        number: Port.
        settings: Of the profile.
        read_s: How long a read() waits.
        closing: Ends the opening early.

    Raises:
        PortFault: There is no connection, or the server cannot set the line so.
    """

    def __init__(self, host: str, number: int, settings: Serial, read_s: float, closing: threading.Event) -> None:
        self._peer = f"{host}:{number}"
        self._settings = settings
        self._read_s = read_s
        self._tcp = TcpPort(host, number, read_s, closing)
        self._came = bytearray()  # data that came while the settings were agreed on
        self._parse = _Telnet(self._peer)
        self._answers: dict[int, bytes] = {}
        self._agreed: bool | None = None
        self._we_do: dict[int, bool] = {}
        self._they_do: dict[int, bool] = {}
        try:
            self._open(closing)
        except BaseException:
            self._tcp.close()
            raise

    @property
    def settings(self) -> str:
        """Return how the line is set."""
        return settings_said(self._settings)

    def read(self) -> bytes:
        """Return what came; see Port."""
        if self._came:
            came = bytes(self._came)
            self._came.clear()
            return came
        until = time.monotonic() + self._read_s
        while True:  # a command of the server alone is no pause of the gauge
            left = max(0.0, until - time.monotonic())
            raw = self._tcp.read_within(left)
            data = self._understood(raw) if raw else b""
            if data or not raw:
                return data

    def write(self, data: bytes) -> None:
        """Send all of *data*; see Port."""
        self._tcp.write(data.replace(b"\xff", b"\xff\xff"))

    def interrupt(self) -> None:
        """Make a read() that waits return."""
        self._tcp.interrupt()

    def close(self) -> None:
        """End the connection."""
        self._tcp.close()

    def _open(self, closing: threading.Event) -> None:
        for option in (_BINARY, _NO_GO_AHEAD, _COM_PORT):
            self._we_do[option] = True
            self._tcp.write(bytes((_IAC, _WILL, option)))
        for option in (_BINARY, _NO_GO_AHEAD):
            self._they_do[option] = True
            self._tcp.write(bytes((_IAC, _DO, option)))
        self._until(lambda: self._agreed is not None, closing)
        if not self._agreed:
            raise PortFault(
                f"{self._peer} takes no settings of a serial line (RFC 2217); switch that on in the device server, or "
                f"write socket://{self._peer} and set the line there",
                Reason.UNFIT,
            )
        wanted = {
            _SET_BAUD: struct.pack("!I", self._settings.baud),
            _SET_DATA_BITS: bytes((self._settings.data_bits,)),
            _SET_PARITY: bytes((_PARITY[self._settings.parity],)),
            _SET_STOP_BITS: bytes((_STOP_BITS[self._settings.stop_bits],)),
        }
        for command, value in wanted.items():
            self._command(command, value)
        self._until(lambda: all(command in self._answers for command in wanted), closing)
        if any(self._answers.get(command) != value for command, value in wanted.items()):
            raise PortFault(
                f"{self._peer} does not set its line to {self.settings}; correct [serial] in the profile, or see what the "
                "device server can do",
                Reason.UNFIT,
            )
        controls = list(_FLOW[self._settings.flow])
        if self._settings.flow != "dsr-dtr":
            controls.append(_DTR[self._settings.dtr is not False])
        if self._settings.flow != "rts-cts":
            controls.append(_RTS[self._settings.rts is not False])
        for control in controls:  # many a server answers these wrongly or not at all
            self._command(_SET_CONTROL, bytes((control,)))

    def _until(self, done: Callable[[], bool], closing: threading.Event) -> None:
        """Read until *done*, or until time is up or *closing* is set."""
        until = time.monotonic() + _AGREE_S
        while not done() and time.monotonic() < until and not closing.is_set():
            raw = self._tcp.read_within(_SLICE_S)
            if raw:
                self._came += self._understood(raw)

    def _command(self, command: int, value: bytes) -> None:
        self._tcp.write(
            bytes((_IAC, _SB, _COM_PORT, command)) + value.replace(b"\xff", b"\xff\xff") + bytes((_IAC, _SE))
        )

    def _understood(self, raw: bytes) -> bytes:
        """Return the gauge's bytes in *raw*, and do what the server wants in between."""
        data, commands = self._parse.feed(raw)
        for command in commands:
            if command[0] == _SB:
                if len(command) > 2 and command[1] == _COM_PORT:
                    self._answers[command[2] - _ANSWER] = command[3:]
            else:
                self._negotiate(command[0], command[1])
        return data

    def _negotiate(self, verb: int, option: int) -> None:
        """Answer a wish, once, so that no two sides answer each other for ever (RFC 1143)."""
        if verb in (_DO, _DONT):
            if option == _COM_PORT:
                self._agreed = verb == _DO
            can = verb == _DO and option in (_BINARY, _NO_GO_AHEAD, _COM_PORT)
            if self._we_do.get(option, False) != can or (verb == _DO and not can):
                self._tcp.write(bytes((_IAC, _WILL if can else _WONT, option)))
            self._we_do[option] = can
        else:
            can = verb == _WILL and option in (_BINARY, _NO_GO_AHEAD, _COM_PORT)
            if self._they_do.get(option, False) != can or (verb == _WILL and not can):
                self._tcp.write(bytes((_IAC, _DO if can else _DONT, option)))
            self._they_do[option] = can


class _Telnet:
    """Take Telnet commands out of a stream of bytes. How it is cut into chunks makes no difference."""

    def __init__(self, peer: str) -> None:
        self._peer = peer
        self._begun = b""  # a command whose end has not come yet

    def feed(self, raw: bytes) -> tuple[bytes, list[bytes]]:
        """Return the data in *raw*, and the commands without the byte that announces each: a verb and its option, or
        SB, the option and the rest.

        Raises:
            PortFault: A command has no end.
        """
        raw = self._begun + raw
        self._begun = b""
        if _IAC not in raw:
            return raw, []
        data = bytearray()
        commands: list[bytes] = []
        at = 0
        while (start := raw.find(_IAC, at)) >= 0:
            data += raw[at:start]
            verb = raw[start + 1] if start + 1 < len(raw) else None
            if verb == _IAC:
                data.append(_IAC)
                at = start + 2
            elif verb == _SB:
                end = _end_of_command(raw, start + 2)
                if end is None:
                    if len(raw) - start > _LONGEST_COMMAND:
                        raise PortFault(
                            f"{self._peer} does not speak Telnet as RFC 2217 has it; write socket://{self._peer}"
                        )
                    self._begun = raw[start:]
                    return bytes(data), commands
                commands.append(bytes((_SB,)) + raw[start + 2 : end].replace(b"\xff\xff", b"\xff"))
                at = end + 2
            elif verb is None or (verb >= _WILL and start + 2 >= len(raw)):
                self._begun = raw[start:]
                return bytes(data), commands
            elif verb >= _WILL:
                commands.append(raw[start + 1 : start + 3])
                at = start + 3
            else:
                at = start + 2  # a command without an option, such as "no operation": nothing is to be done
        data += raw[at:]
        return bytes(data), commands


def _end_of_command(raw: bytes, at: int) -> int | None:
    """Return where IAC SE stands in *raw* from *at*, jumping over doubled IACs; None where it has not come yet."""
    while (found := raw.find(_IAC, at)) >= 0:
        if raw[found + 1 : found + 2] == bytes((_SE,)):
            return found
        at = found + 2
    return None

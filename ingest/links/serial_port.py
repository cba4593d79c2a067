"""Gauges on a serial line: a USB adapter, a COM port, a Bluetooth serial port (rfcomm). Settings as the profile has them.

Only what every system has is imported up here.
"""

from __future__ import annotations

import contextlib
import errno
import re
import stat
import sys
import threading
from pathlib import Path
from typing import Final

import serial
from serial.tools import list_ports

from ingest.links.address import Address
from ingest.links.port import PortFault, Reason
from ingest.links.port_link import BackOff, PortLink
from schemas.profile import Profile
from schemas.transport import Serial

#: A gauge that holds its line back for so long does not take what is sent.
_WRITE_S: Final = 2.0
PARITY: Final = {
    "none": serial.PARITY_NONE,
    "even": serial.PARITY_EVEN,
    "odd": serial.PARITY_ODD,
    "mark": serial.PARITY_MARK,
    "space": serial.PARITY_SPACE,
}
_STOP_BITS: Final = {
    "1": serial.STOPBITS_ONE,
    "1.5": serial.STOPBITS_ONE_POINT_FIVE,
    "2": serial.STOPBITS_TWO,
}
_MISSING: Final = {errno.ENOENT, errno.ENXIO, errno.ENODEV}
_BUSY: Final = {errno.EAGAIN, errno.EWOULDBLOCK, errno.EBUSY}
_FORBIDDEN: Final = {errno.EACCES, errno.EPERM}
_NO_PORT: Final = {errno.ENOTTY, errno.EISDIR, errno.ENOTDIR}
_UNREACHED: Final = {errno.EHOSTDOWN, errno.ECONNREFUSED, errno.ETIMEDOUT, errno.EHOSTUNREACH, errno.ECONNABORTED}


def link(address: Address, profile: Profile, back_off: BackOff | None = None) -> PortLink:
    """Return the link to the serial line *address*, which nothing has opened yet."""
    device = address.rest

    def opening(read_s: float, _closing: threading.Event) -> SerialPort:
        return SerialPort(device, profile.serial, read_s)

    return PortLink(address.name, opening, profile, can_wait=False, back_off=back_off)


def ports() -> list[tuple[str, str]]:
    """Return the serial ports of this computer: the address of each, and what the system says of it."""
    lasting = {}
    by_id = Path("/dev/serial/by-id")
    if by_id.is_dir():
        lasting = {str(path.resolve()): str(path) for path in sorted(by_id.iterdir())}
    found = []
    for port in sorted(list_ports.comports(), key=lambda port: _in_order(port.device)):
        said = "" if port.description in (None, "n/a", port.device) else str(port.description)
        if port.device in lasting:
            name = f"whatever else is plugged in, it is also serial:{lasting[port.device]}"
            said = f"{said}; {name}" if said else name
        found.append((f"serial:{port.device}", said or "a serial port"))
    return found


def settings_said(settings: Serial) -> str:
    """Return the settings of a serial line in words."""
    stop = "1 stop bit" if settings.stop_bits == "1" else f"{settings.stop_bits} stop bits"
    parity = "no parity" if settings.parity == "none" else f"{settings.parity} parity"
    flow = "" if settings.flow == "none" else f", flow control {settings.flow}"
    return f"{settings.baud} baud, {settings.data_bits} data bits, {parity}, {stop}{flow}"


class SerialPort:
    """An open serial line (ingest.links.port.Port).

    Args:
        device: Device path or COM port.
        settings: Of the profile.
        read_s: How long a read() waits.

    Raises:
        PortFault: It cannot be opened.
    """

    def __init__(self, device: str, settings: Serial, read_s: float) -> None:
        self._device = device
        self._settings = settings
        port = serial.Serial()
        try:
            port.port = device
            port.baudrate = settings.baud
            port.bytesize = settings.data_bits
            port.parity = PARITY[settings.parity]
            port.stopbits = _STOP_BITS[settings.stop_bits]
            port.rtscts = settings.flow == "rts-cts"
            port.dsrdtr = settings.flow == "dsr-dtr"
            port.xonxoff = settings.flow == "xon-xoff"
            port.timeout = read_s
            port.write_timeout = _WRITE_S
            port.exclusive = True  # two readers would share the bytes out between them
            if settings.dtr is not None:
                port.dtr = settings.dtr
            if settings.rts is not None:
                port.rts = settings.rts
            port.open()
            fits = _is_set_as(port, settings)
        except Exception as fault:  # termios.error is no OSError, and exists on one system only
            port.close()
            raise _not_opened(device, settings, fault) from fault
        self._port = port
        if not fits:
            self.close()
            raise _unfit(device, settings)

    @property
    def settings(self) -> str:
        """Return how the line is set."""
        return settings_said(self._settings)

    def read(self) -> bytes:
        """Return what came; see Port.

        Never more is asked for than is there: what read() has gathered when the device goes is lost with it.
        """
        try:
            return self._port.read(max(1, self._port.in_waiting))
        except Exception as fault:
            raise PortFault(self._why_gone(fault)) from fault

    def write(self, data: bytes) -> None:
        """Send all of *data*; see Port."""
        try:
            sent = self._port.write(data)
        except serial.SerialTimeoutException as fault:
            raise PortFault(
                f"{self._device} does not take what is sent; look at the cable and the flow control in the profile"
            ) from fault
        except Exception as fault:
            raise PortFault(self._why_gone(fault)) from fault
        if sent is not None and sent != len(data):
            raise PortFault(f"{self._device} took {sent} of {len(data)} bytes that were sent; send them again")

    def interrupt(self) -> None:
        """Make a read() that waits return."""
        self._port.cancel_read()

    def close(self) -> None:
        """Let go of the device. What could not be sent is dropped: a close would wait for it to drain."""
        with contextlib.suppress(Exception):
            self._port.reset_output_buffer()
        with contextlib.suppress(Exception):
            self._port.close()

    def _why_gone(self, fault: Exception) -> str:
        if self._device.startswith("/") and not Path(self._device).exists():
            return f"{self._device} is gone: it was unplugged; plug it in again"
        return (
            f"{self._device} does not answer any more ({_plain(fault)}): it was unplugged, lost its power, or another "
            "program reads from it; look at the cable and the gauge"
        )


def _not_opened(device: str, settings: Serial, fault: Exception) -> PortFault:
    number = _errno_of(fault)
    if number in _MISSING:
        return PortFault(
            f"{device} is not there; plug the gauge in and switch it on, or name the right port "
            "('filmtally measure --list-links' shows those there are)"
        )
    if number in _BUSY or (number in _FORBIDDEN and sys.platform == "win32"):
        return PortFault(f"{device} is held by another program; close that one", Reason.HELD)
    if number in _FORBIDDEN:
        return PortFault(f"{device} may not be opened by you; {_who_may(device)}", Reason.FORBIDDEN)
    if number in _UNREACHED:
        return PortFault(f"{device} reaches no gauge ({_plain(fault)}); switch the gauge on and bring it near")
    if number in _NO_PORT or _is_no_device(device):
        listed = "'filmtally measure --list-links' shows those there are"
        return PortFault(f"{device} is no serial port; name one ({listed})", Reason.UNFIT)
    if number == errno.EINVAL or isinstance(fault, ValueError):
        return _unfit(device, settings)
    return PortFault(
        f"{device} cannot be opened ({_plain(fault)}); unplug the gauge, plug it in again, and look at the cable",
        Reason.OTHER,
    )


def _unfit(device: str, settings: Serial) -> PortFault:
    return PortFault(
        f"{device} cannot be set to {settings_said(settings)}; correct [serial] in the profile", Reason.UNFIT
    )


def _is_set_as(port: serial.Serial, settings: Serial) -> bool:
    """Return whether the line took data bits, parity, stop bits and speed, where the system tells.

    A driver may leave out what it cannot do; the C library reports that only where it did nothing else either.
    """
    try:
        import termios
    except ImportError:
        return True
    flags, speed = termios.tcgetattr(port.fileno())[2:6:3]
    size = {5: termios.CS5, 6: termios.CS6, 7: termios.CS7, 8: termios.CS8}[settings.data_bits]
    return (
        flags & termios.CSIZE == size
        and bool(flags & termios.PARENB) == (settings.parity != "none")
        and bool(flags & termios.CSTOPB) == (settings.stop_bits != "1")
        and speed == getattr(termios, f"B{settings.baud}", speed)
    )


def _who_may(device: str) -> str:
    """Return what to do so that *device* may be opened: POSIX only."""
    ask = "ask whoever looks after this computer"
    try:
        import grp

        status = Path(device).stat()
        group = grp.getgrgid(status.st_gid).gr_name
    except (ImportError, OSError, KeyError):
        return ask
    if status.st_gid == 0 or not status.st_mode & stat.S_IWGRP:
        return ask  # nobody is sent into the group of the superuser, or into one that may not either
    return f"it belongs to the group {group}: have 'sudo usermod -aG {group} YOUR-NAME' run once, then log out and in again"


def _is_no_device(device: str) -> bool:
    if not device.startswith("/"):
        return False
    try:
        return not stat.S_ISCHR(Path(device).stat().st_mode)
    except OSError:
        return False


def _errno_of(fault: BaseException) -> int | None:
    """Return the system's number for *fault*, which may lie below pyserial's own exception, or only in its words."""
    seen: BaseException | None = fault
    while seen is not None:
        number = seen.args[0] if seen.args else None
        if isinstance(number, int):
            return number
        seen = seen.__cause__ or seen.__context__
    words = re.search(r"Error\((\d+),", str(fault))  # as on Windows: "PermissionError(13, 'Access is denied.', ...)"
    return int(words.group(1)) if words else None


def _plain(fault: Exception) -> str:
    """Return what the system says of *fault*, in a line."""
    return " ".join(str(fault).split()) or type(fault).__name__


def _in_order(device: str) -> tuple[str, int]:
    """Sort COM10 after COM9."""
    name = device.rstrip("0123456789")
    return name, int(device[len(name) :] or 0)

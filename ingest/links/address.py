"""Where a link goes, as a person writes it: `serial:/dev/ttyUSB0`, `COM3`, `socket://10.0.0.7:4001`, `ble:...`, `folder:PATH`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from schemas.errors import BadInput

#: Scheme, and what an address of it looks like.
SCHEMES: Final = {
    "serial": "serial:/dev/ttyUSB0, serial:COM3 (a Bluetooth serial port such as /dev/rfcomm0 is one too)",
    "socket": "socket://192.168.1.20:4001",
    "rfc2217": "rfc2217://192.168.1.20:4001",
    "ble": "ble:AA:BB:CC:DD:EE:FF (macOS: the UUID that stands for it) or ble:name=NAME, and on Linux ,adapter=hci1 behind it",
    "keys": "keys (typed, or a gauge that types like a keyboard)",
    "file": "file:PATH",
    "pipe": "pipe:PATH, or pipe:- for standard input",
    "folder": "folder:PATH (a folder in which the gauge's own export files appear)",
}
_LAST_PORT: Final = 65_535
_PORT_DIGITS: Final = 5


@dataclass(frozen=True, slots=True)
class Address:
    """A link's address.

    Attributes:
        scheme: One of SCHEMES.
        rest: What stands behind the scheme; empty for keys.
    """

    scheme: str
    rest: str

    @property
    def name(self) -> str:
        """Return the address as the archive names a source."""
        separator = "://" if self.scheme in ("socket", "rfc2217") else ":"
        return f"{self.scheme}{separator}{self.rest}" if self.rest else self.scheme


def address_of(text: str) -> Address:
    """Return the address that *text* writes; a bare device path or COM port is a serial one.

    Raises:
        BadInput: It is none; the sentence lists what can be written.
    """
    if text == "keys":
        return Address("keys", "")
    if text.startswith("/dev/") or (text[:3].upper() == "COM" and text[3:].isdigit()):
        return Address("serial", text)
    scheme, colon, rest = text.partition(":")
    if scheme in ("socket", "rfc2217"):
        rest = rest.removeprefix("//")
        host, _, port = rest.rpartition(":")
        if not host or not (port.isascii() and port.isdigit()):
            rest = ""
        elif len(port) > _PORT_DIGITS or not 1 <= int(port) <= _LAST_PORT:
            raise BadInput(
                f"{text!r}: {port[:12]} is no port; write one from 1 to {_LAST_PORT}, such as {SCHEMES[scheme]}"
            )
    if not colon or scheme not in SCHEMES or scheme == "keys" or not rest:
        ways = "; ".join(SCHEMES.values())
        raise BadInput(f"{text!r} is no link; write one of: {ways}")
    address = Address(scheme, rest)
    if scheme == "ble":
        from ingest.links.bluetooth_address import wanted_by

        wanted_by(address)
    return address

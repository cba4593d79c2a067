"""Which gauge a Bluetooth address means, and over which adapter."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from ingest.links.address import SCHEMES, Address
from schemas.errors import BadInput

_ADAPTER: Final = re.compile(r",adapter=([A-Za-z0-9]+)\Z")
#: On macOS a device has no address but a UUID that the computer gives it.
_DEVICE: Final = re.compile(
    r"(?:[0-9A-Fa-f]{2}:){5}[0-9A-Fa-f]{2}|[0-9A-Fa-f]{8}(?:-[0-9A-Fa-f]{4}){3}-[0-9A-Fa-f]{12}"
)


@dataclass(frozen=True, slots=True)
class Wanted:
    """The gauge that is looked for: by *device*, its address in capitals, or by *called*, its name; the other is None.

    *adapter* is the computer's Bluetooth adapter ("hci1", Linux only); None leaves the choice to the computer.
    """

    device: str | None
    called: str | None
    adapter: str | None = None

    @property
    def who(self) -> str:
        """Return the gauge as a sentence names it."""
        return self.device or repr(self.called)

    def fits(self, device: str, name: str | None) -> bool:
        """Return whether the device with this address and name is the one."""
        if self.device is not None:
            return device.upper() == self.device
        return name is not None and self.called is not None and name.strip().casefold() == self.called.casefold()


def wanted_by(address: Address) -> Wanted:
    """Return what *address* asks for.

    Raises:
        BadInput: It is no Bluetooth address.
    """
    rest, adapter = address.rest, None
    chosen = _ADAPTER.search(rest)
    if chosen is not None:
        rest, adapter = rest[: chosen.start()], chosen.group(1)
    elif ",adapter=" in rest:
        raise BadInput(
            f"{address.name!r}: behind ,adapter= stands no adapter; name one, as in ,adapter=hci1, or leave ,adapter= out"
        )
    if rest.startswith("name="):
        called = rest.removeprefix("name=").strip()
        if called:
            return Wanted(None, called, adapter)
    elif _DEVICE.fullmatch(rest):
        return Wanted(rest.upper(), None, adapter)
    raise BadInput(f"{address.name!r} is no Bluetooth gauge; write {SCHEMES['ble']}")

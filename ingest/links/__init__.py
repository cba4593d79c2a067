"""Where lines come from. A link yields raw lines with the time they came and knows nothing of readings."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Final

from ingest.links import file, typed
from ingest.links.address import Address
from ingest.links.live import LiveLink
from ingest.links.raw_line import RawLine
from schemas.profile import Profile

#: The links by name; a new one is one more entry here.
LINKS: Final[dict[str, Callable[..., Iterator[RawLine]]]] = {"file": file.lines, "typed": typed.lines}


def _bluetooth(address: Address, profile: Profile) -> LiveLink:
    # bleak takes long to import, and most benches have a cable.
    from ingest.links.bluetooth import BluetoothLink

    return BluetoothLink(address, profile)


#: The live links by the scheme of their address.
LIVE: Final[dict[str, Callable[[Address, Profile], LiveLink]]] = {"ble": _bluetooth}

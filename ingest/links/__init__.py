"""Where lines come from. A link yields raw lines with the time they came and knows nothing of readings."""

from __future__ import annotations

import importlib
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Final

from ingest.links import file, typed
from ingest.links.raw_line import RawLine

if TYPE_CHECKING:
    from ingest.links.address import Address
    from ingest.links.live import LiveLink
    from schemas.profile import Profile

#: The links by name that are read from beginning to end; a new one is one more entry here.
LINKS: Final[dict[str, Callable[..., Iterator[RawLine]]]] = {"file": file.lines, "typed": typed.lines}


def _made_in(module: str) -> Callable[[Address, Profile], LiveLink]:
    """Return what makes a link by the function `link` of ingest/links/MODULE.py, which is imported only then."""

    def make(address: Address, profile: Profile) -> LiveLink:
        made: LiveLink = importlib.import_module(f"ingest.links.{module}").link(address, profile)
        return made

    return make


#: The live links by the scheme of their address (ingest/links/address.py); a new one is one more entry here.
#: A serial gauge must not have to wait until Bluetooth is imported, so each is imported when it is asked for.
LIVE: Final[dict[str, Callable[[Address, Profile], LiveLink]]] = {
    "serial": _made_in("serial_port"),
    "socket": _made_in("tcp_port"),
    "rfc2217": _made_in("rfc2217_port"),
}

#: The schemes over which a gauge can be asked (profile.request).
ASKABLE: Final = ("serial", "socket", "rfc2217", "ble")


def live_link(address: Address, profile: Profile) -> LiveLink:
    """Return the link to *address*, not yet started; a Requester, with ask(), where the profile has a request.

    Raises:
        BadInput: Nothing reaches such an address live, or a gauge cannot be asked over it.
    """
    from ingest.links.asking import Requester
    from schemas.errors import BadInput

    if address.scheme not in LIVE:
        raise BadInput(f"{address.name} is no live link; write one of: {', '.join(LIVE)}")
    if profile.request is None:
        return LIVE[address.scheme](address, profile)
    if address.scheme not in ASKABLE:
        raise BadInput(
            f"{address.name}: a gauge cannot be asked over this link, and its profile has a request; connect it otherwise, "
            "or take [request] out of the profile"
        )
    return Requester(LIVE[address.scheme](address, profile), profile.request)

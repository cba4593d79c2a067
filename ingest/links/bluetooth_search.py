"""Looking for gauges over Bluetooth LE: the one that is wanted, or all that can be seen."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from bleak import BleakAdapter, BleakScanner
from bleak.args.bluez import BlueZAdapterArgs, BlueZScannerArgs
from bleak.backends.device import BLEDevice
from bleak.backends.scanner import AdvertisementData, BaseBleakScanner
from bleak.exc import BleakError

from ingest.links.bluetooth_address import Wanted
from ingest.links.bluetooth_faults import LinkFault, not_found
from schemas.transport import MEASUREMENT_SERVICE, UART_SERVICE

#: What devices that are connected are asked for by: services that nearly every one has (generic attribute, device
#: information, battery).
_COMMON_SERVICES: Final = ("1801", "180a", "180f")
_FORMS: Final = {UART_SERVICE: "uart", MEASUREMENT_SERVICE: "measurement"}


@dataclass(frozen=True, slots=True)
class Found:
    """A device that showed itself.

    Attributes:
        address: Its address (on macOS the UUID that stands for it).
        name: Its name; empty where it tells none.
        rssi_dbm: How strongly it was heard; nearer to 0 is stronger.
        services: UUIDs of the services that it shows.
        form: The form of bluetooth settings that fits what it shows ("uart", "measurement"); empty where none is known.
    """

    address: str
    name: str
    rssi_dbm: int
    services: tuple[str, ...]
    form: str


def _adapter_args(adapter: str | None) -> BlueZScannerArgs:
    return {"adapter": adapter} if adapter else {}


async def see_all(seconds: float, adapter: str | None, backend: type[BaseBleakScanner] | None) -> list[Found]:
    """Return every device that shows itself within *seconds*, the strongest first."""
    seen: dict[str, Found] = {}

    def note(device: BLEDevice, shown: AdvertisementData) -> None:
        services = tuple(sorted(uuid.lower() for uuid in shown.service_uuids))
        form = next((_FORMS[uuid] for uuid in services if uuid in _FORMS), "")
        seen[device.address] = Found(device.address, shown.local_name or device.name or "", shown.rssi, services, form)

    async with BleakScanner(note, bluez=_adapter_args(adapter), backend=backend):
        await asyncio.sleep(seconds)
    return sorted(seen.values(), key=lambda found: (-found.rssi_dbm, found.address))


async def find(
    wanted: Wanted,
    known: str | None,
    services: tuple[str, ...],
    backend: type[BaseBleakScanner] | None,
    *,
    search_s: float,
    settle_s: float,
) -> BLEDevice:
    """Return the wanted gauge.

    Args:
        wanted: Address or name.
        known: Address under which it was found before: among several of one name it is the one.
        services: Services of the gauge, by which it is found where the computer still holds it connected, as after
            this program was killed; a connected gauge does not show itself.
        backend: What bleak scans with; None for the system's.
        search_s: How long to listen.
        settle_s: How long to go on listening for a second one of the same name.

    Raises:
        LinkFault: It is not there, or there are several of that name.
    """
    held = await _held(wanted, services) if backend is None else []
    if len(held) == 1:
        return held[0]
    seen: dict[str, BLEDevice] = {}
    news = asyncio.Event()

    # A callback, and none of bleak's find_device_by_...: those miss what shows itself before the scan is said to have begun.
    def note(device: BLEDevice, shown: AdvertisementData) -> None:
        if wanted.fits(device.address, shown.local_name or device.name):
            seen[device.address] = device
            news.set()

    async with BleakScanner(note, bluez=_adapter_args(wanted.adapter), backend=backend):
        sure = known or wanted.device
        await _until(news, search_s, lambda: sure is None or sure in seen or sure.upper() in seen)
        if sure is None and seen:
            await asyncio.sleep(settle_s)
    for address, device in seen.items():
        if sure is not None and address.upper() == sure.upper():
            return device
    if len(seen) > 1:
        raise LinkFault(
            f"there are {len(seen)} gauges {wanted.who} ({', '.join(sorted(seen))}); write the address of the right one, as in ble:{min(seen)}"
        )
    if not seen:
        raise LinkFault(not_found(wanted.who))
    return next(iter(seen.values()))


async def _until(news: asyncio.Event, seconds: float, enough: Callable[[], bool]) -> None:
    try:
        async with asyncio.timeout(seconds):
            while True:
                await news.wait()
                news.clear()
                if enough():
                    return
    except TimeoutError:
        return


async def _held(wanted: Wanted, services: tuple[str, ...]) -> list[BLEDevice]:
    args: BlueZAdapterArgs = {"adapter": wanted.adapter} if wanted.adapter else {}
    try:
        adapter = await BleakAdapter.get(bluez=args)
        connected = await adapter.get_connected_devices([*services, *_COMMON_SERVICES])
    except (NotImplementedError, BleakError):
        # Not every system can tell; where Bluetooth itself is the matter, the scan says it better.
        return []
    return [device for device in connected if wanted.fits(device.address, device.name)]

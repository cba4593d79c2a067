"""A gauge at the other end of bumble's virtual radio link, and that link as a backend of bleak.

A second, independent layer: real ATT bytes, a real MTU and no D-Bus; it passes bleak's BlueZ code by. bumble runs on
the loop of the link that uses it, so a gauge serves one link at a time, from its first scan on.

    gauge = BumbleGauge()
    link = BluetoothLink(address, profile, client_backend=gauge.client_backend, scanner_backend=gauge.scanner_backend)
    link.start(stream)
    gauge.notify([b"79.2 um\\r\\n"])       # waits until somebody listens
    gauge.drop()
"""

from __future__ import annotations

import asyncio
import contextlib
import struct
import threading
from collections.abc import Coroutine, Sequence
from typing import Any, Final

from bleak.backends.characteristic import BleakGATTCharacteristic
from bleak.backends.client import BaseBleakClient, NotifyCallback
from bleak.backends.descriptor import BleakGATTDescriptor
from bleak.backends.scanner import AdvertisementData, BaseBleakScanner
from bleak.backends.service import BleakGATTService, BleakGATTServiceCollection
from bleak.exc import BleakDeviceNotFoundError, BleakError
from bumble.controller import Controller
from bumble.core import UUID, AdvertisingData, BaseBumbleError
from bumble.device import Device, Peer
from bumble.gatt import Characteristic, Descriptor, Service
from bumble.hci import Address
from bumble.host import Host
from bumble.link import LocalLink
from bumble.transport.common import AsyncPipeSink

from tests.live.bluez_gauge import UART_LAYOUT, Layout, unique_address

_MTU: Final = 247
_PATIENCE_S: Final = 30


class BumbleGauge:
    """A gauge on a virtual link, and `client_backend` and `scanner_backend` for bleak."""

    def __init__(self, layout: Layout = UART_LAYOUT, *, name: str = "Gauge MK", address: str | None = None) -> None:
        self.layout = layout
        self.name = name
        self.address = address or unique_address()
        self.loop: asyncio.AbstractEventLoop | None = None
        self.central: Device | None = None
        self.device: Device | None = None
        self.present = True
        self.refusals = 0
        self.connections = 0
        self.mtus: list[int] = []
        self.written: list[bytes] = []
        self._begun = threading.Event()
        self._characteristics: dict[str, Characteristic[bytes]] = {}
        self._subscribed: asyncio.Event | None = None

        class Client(_Client):
            gauge = self

        class Scanner(_Scanner):
            gauge = self

        self.client_backend: type[BaseBleakClient] = Client
        self.scanner_backend: type[BaseBleakScanner] = Scanner

    # For the tests, from another thread

    def notify(self, pieces: Sequence[bytes], *, piece_bytes: int = 20) -> None:
        """Send *pieces*, each cut to *piece_bytes*; waits until somebody has subscribed, and until all is delivered."""
        self._on_loop(self._notify(pieces, piece_bytes))

    def drop(self) -> None:
        """Break the connection off."""
        self._on_loop(self._drop())

    def vanish(self) -> None:
        """Be gone: break off, and do not show itself any more."""
        self.present = False
        self._on_loop(self._drop())

    def appear(self) -> None:
        """Be there again."""
        self.present = True

    def refuse(self, times: int) -> None:
        """Refuse the next *times* connections."""
        self.refusals = times

    def _on_loop(self, work: Coroutine[Any, Any, None]) -> None:
        assert self._begun.wait(_PATIENCE_S), "no link has looked for the gauge"
        assert self.loop is not None
        asyncio.run_coroutine_threadsafe(work, self.loop).result(_PATIENCE_S)

    # On the link's loop

    async def begin(self) -> None:
        """Switch both ends of the virtual link on, once for each loop."""
        if self.loop is asyncio.get_running_loop():
            return
        self.loop = asyncio.get_running_loop()
        self._subscribed = asyncio.Event()
        link = LocalLink()
        self.central = _device(link, "bench", unique_address())
        self.device = _device(link, self.name, self.address)
        for uuid, characteristics in self.layout:
            self.device.add_service(Service(UUID(uuid), [self._characteristic(*c) for c in characteristics]))
        self.device.on("connection", self._connected)
        await self.central.power_on()
        await self.device.power_on()
        self._begun.set()

    def _characteristic(
        self, uuid: str, flags: list[str], value: str, descriptors: dict[str, str]
    ) -> Characteristic[bytes]:
        properties = Characteristic.Properties(0)
        for flag in flags:
            properties |= Characteristic.Properties[flag.upper().replace("-", "_")]
        made: Characteristic[bytes] = Characteristic(
            UUID(uuid),
            properties,
            Characteristic.READABLE | Characteristic.WRITEABLE,
            bytes.fromhex(value),
            [Descriptor(UUID(d), Descriptor.READABLE, bytes.fromhex(data)) for d, data in descriptors.items()],
        )
        made.on("subscription", self._subscription)
        made.on("write", lambda _, data: self.written.append(bytes(data)))
        self._characteristics[uuid] = made
        return made

    def _connected(self, connection: Any) -> None:
        self.connections += 1
        connection.on("connection_att_mtu_update", lambda: self.mtus.append(connection.att_mtu))

    def _subscription(self, *_: object) -> None:
        assert self._subscribed is not None
        self._subscribed.set()

    async def _notify(self, pieces: Sequence[bytes], piece_bytes: int) -> None:
        assert self.device is not None
        assert self._subscribed is not None
        target = next(
            c
            for c in self._characteristics.values()
            if c.properties & (Characteristic.Properties.NOTIFY | Characteristic.Properties.INDICATE)
        )
        for sent, whole in enumerate(pieces):
            for start in range(0, len(whole), piece_bytes):
                while not (listening := self._listening(target)):
                    self._subscribed.clear()
                    await self._subscribed.wait()
                piece = whole[start : start + piece_bytes]
                if target.properties & Characteristic.Properties.NOTIFY:
                    await self.device.notify_subscriber(listening, target, piece)
                else:
                    await self.device.indicate_subscriber(listening, target, piece)
            if sent % 20 == 19:
                await asyncio.sleep(0.001)
        await asyncio.sleep(0.05)  # the link hands packets on by the loop, a few turns each

    def _listening(self, target: Characteristic[bytes]) -> Any:
        assert self.device is not None
        for connection in self.device.connections.values():
            state = self.device.gatt_server.subscribers.get(connection, {}).get(target.handle, b"\x00\x00")
            if struct.unpack("<H", state)[0]:
                return connection
        return None

    async def _drop(self) -> None:
        assert self.device is not None
        for connection in list(self.device.connections.values()):
            await connection.disconnect()


def _device(link: LocalLink, name: str, address: str) -> Device:
    controller = Controller(name, link=link)
    return Device(name=name, address=Address(address), host=Host(controller, AsyncPipeSink(controller)))


class _Scanner(BaseBleakScanner):
    gauge: BumbleGauge

    def __init__(self, detection_callback: Any, service_uuids: Any, scanning_mode: str, **_: Any) -> None:
        super().__init__(detection_callback, service_uuids)
        self._showing: asyncio.Task[None] | None = None

    async def start(self) -> None:
        await self.gauge.begin()
        assert self.gauge.central is not None
        self.seen_devices = {}
        self.gauge.central.on("advertisement", self._seen)
        await self.gauge.central.start_scanning(filter_duplicates=False)
        self._showing = asyncio.create_task(self._show())

    async def _show(self) -> None:
        """Have the gauge show itself while it is there and not connected."""
        device = self.gauge.device
        assert device is not None
        data = AdvertisingData(
            [
                (AdvertisingData.COMPLETE_LOCAL_NAME, self.gauge.name.encode()),
                (
                    AdvertisingData.COMPLETE_LIST_OF_128_BIT_SERVICE_CLASS_UUIDS,
                    bytes(UUID(self.gauge.layout[0][0]).to_bytes(force_128=True)),
                ),
            ]
        )
        while True:
            if self.gauge.present and not device.connections and not device.is_advertising:
                await device.start_advertising(
                    advertising_data=bytes(data), advertising_interval_min=20, advertising_interval_max=20
                )
            await asyncio.sleep(0.02)

    async def stop(self) -> None:
        central = self.gauge.central
        assert central is not None
        if self._showing is not None:
            self._showing.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await self._showing
        central.remove_listener("advertisement", self._seen)
        await central.stop_scanning()

    def set_scanning_filter(self, **_: Any) -> None:
        return None

    def _seen(self, shown: Any) -> None:
        name = shown.data.get(AdvertisingData.COMPLETE_LOCAL_NAME)
        services = shown.data.get(AdvertisingData.COMPLETE_LIST_OF_128_BIT_SERVICE_CLASS_UUIDS) or []
        address = str(shown.address).split("/", maxsplit=1)[0]
        advertisement = AdvertisementData(
            local_name=name,
            manufacturer_data={},
            service_data={},
            service_uuids=[_written(uuid) for uuid in services],
            tx_power=None,
            rssi=shown.rssi,
            platform_data=(),
        )
        device = self.create_or_update_device(address, address, name, None, advertisement)
        self.call_detection_callbacks(device, advertisement)


class _Client(BaseBleakClient):
    gauge: BumbleGauge

    def __init__(self, device: Any, **how: Any) -> None:
        super().__init__(device, disconnected_callback=how["disconnected_callback"], timeout=how["timeout"])
        self._connection: Any = None
        self._peer: Any = None

    @property
    def name(self) -> str:
        return self.gauge.name

    @property
    def mtu_size(self) -> int:
        return int(self._connection.att_mtu)

    @property
    def is_connected(self) -> bool:
        return self._connection is not None

    async def connect(self, pair: bool, **_: Any) -> None:
        await self.gauge.begin()
        if self.gauge.refusals:
            self.gauge.refusals -= 1
            raise BleakError("the connection was refused")
        if not self.gauge.present:
            raise BleakDeviceNotFoundError(self.address)
        assert self.gauge.central is not None
        try:
            self._connection = await self.gauge.central.connect(Address(self.address), timeout=self._timeout)
            self._connection.on("disconnection", self._went)
            self._peer = Peer(self._connection)
            await self._peer.request_mtu(_MTU)
            self.services = await self._discover()
        except (BaseBumbleError, TimeoutError) as fault:
            raise BleakError(str(fault)) from fault

    async def _discover(self) -> BleakGATTServiceCollection:
        found = BleakGATTServiceCollection()
        for service in await self._peer.discover_services():
            home = BleakGATTService(service, service.handle, _written(service.uuid))
            found.add_service(home)
            for characteristic in await service.discover_characteristics():
                properties = [
                    flag.name.lower().replace("_", "-")
                    for flag in Characteristic.Properties
                    if flag & characteristic.properties and flag.name
                ]
                made = BleakGATTCharacteristic(
                    characteristic,
                    characteristic.handle,
                    _written(characteristic.uuid),
                    properties,  # type: ignore[arg-type]
                    lambda: self._connection.att_mtu - 3 if self._connection else 20,
                    home,
                )
                found.add_characteristic(made)
                for descriptor in await characteristic.discover_descriptors():
                    found.add_descriptor(
                        BleakGATTDescriptor(descriptor, descriptor.handle, _written(descriptor.type), made)
                    )
        return found

    def _went(self, *_: object) -> None:
        self._connection = None
        self.services = None
        if self._disconnected_callback is not None:
            self._disconnected_callback()

    async def disconnect(self) -> None:
        if self._connection is not None:
            await self._connection.disconnect()

    async def pair(self, *_: Any, **__: Any) -> None:
        return None

    async def unpair(self) -> None:
        return None

    async def _do(self, work: Coroutine[Any, Any, Any]) -> Any:
        if self._connection is None:
            work.close()
            raise BleakError("Not connected")
        try:
            return await work
        except BaseBumbleError as fault:
            raise BleakError(str(fault)) from fault

    async def read_gatt_char(self, characteristic: BleakGATTCharacteristic, **_: Any) -> bytearray:
        return bytearray(await self._do(self._peer.read_value(characteristic.obj)))

    async def read_gatt_descriptor(self, descriptor: BleakGATTDescriptor, **_: Any) -> bytearray:
        return bytearray(await self._do(self._peer.read_value(descriptor.obj)))

    async def write_gatt_char(self, characteristic: BleakGATTCharacteristic, data: Any, response: bool) -> None:
        await self._do(self._peer.write_value(characteristic.obj, bytes(data), with_response=response))

    async def write_gatt_descriptor(self, descriptor: BleakGATTDescriptor, data: Any) -> None:
        await self._do(self._peer.write_value(descriptor.obj, bytes(data), with_response=True))

    async def start_notify(self, characteristic: BleakGATTCharacteristic, callback: NotifyCallback, **_: Any) -> None:
        await self._do(self._peer.subscribe(characteristic.obj, lambda value: callback(bytearray(value))))

    async def stop_notify(self, characteristic: BleakGATTCharacteristic) -> None:
        await self._do(self._peer.unsubscribe(characteristic.obj))


def _written(uuid: Any) -> str:
    """Return bumble's UUID written out, in small letters."""
    raw = bytes(uuid.to_bytes(force_128=True))[::-1].hex()
    return f"{raw[:8]}-{raw[8:12]}-{raw[12:16]}-{raw[16:20]}-{raw[20:]}"

"""A gauge behind a simulated org.bluez on a private dbus-daemon, in a process of its own.

The program's side is real: bleak's BlueZ backend over real D-Bus. This side is ours: what of BlueZ's D-Bus interface
a central needs (adapter, device, GATT objects, AcquireNotify), with the ways of BlueZ that matter here: a connected
device does not show itself, it stays connected when the program that connected it is killed, and a subscription ends
with the program that asked for it. It proves our code and bleak's, not the timing of BlueZ or of a radio.

    with BluezGauge() as gauge:                      # starts bus and gauge; sets DBUS_SYSTEM_BUS_ADDRESS
        link = LIVE["ble"](address_of(f"ble:{gauge.address}"), profile)
        gauge.notify([b"79.2 um\\r\\n"])              # waits until somebody listens; pieces of 20 bytes
        gauge.drop()

Everything is a method that returns when the gauge has done it. `python -m tests.live.bluez_gauge` is the gauge's process.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import secrets
import socket
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path
from types import TracebackType
from typing import Any, Final, Self

from dbus_fast import Message, MessageType, RequestNameReply, Variant
from dbus_fast.aio import MessageBus

UART: Final = "6e400001-b5a3-f393-e0a9-e50e24dcca9e"
UART_WRITE: Final = "6e400002-b5a3-f393-e0a9-e50e24dcca9e"
UART_NOTIFY: Final = "6e400003-b5a3-f393-e0a9-e50e24dcca9e"
OWN: Final = "7d2a0001-5c1e-4f0a-9d3b-2f6e8c4b1a90"
OWN_VALUE: Final = "7d2a0002-5c1e-4f0a-9d3b-2f6e8c4b1a90"
#: D-Bus sends are paced: dbus-fast gives a connection up that it is flooded over.
_PACE_S: Final = 0.0005


def sig(number: int) -> str:
    """Return the UUID of an assigned number."""
    return f"0000{number:04x}-0000-1000-8000-00805f9b34fb"


def unique_address() -> str:
    """Return a static random address that no other gauge has."""
    return "C0:" + ":".join(f"{byte:02X}" for byte in secrets.token_bytes(5))


#: Service, characteristic, properties, first value in hex, descriptors in hex.
Layout = list[tuple[str, list[tuple[str, list[str], str, dict[str, str]]]]]
DEVICE_INFORMATION: Final[Layout] = [
    (
        sig(0x180A),
        [
            (sig(0x2A25), ["read"], b"MK-00417".hex(), {}),
            (sig(0x2A24), ["read"], b"Bench gauge".hex(), {}),
            (sig(0x2A29), ["read"], b"Harbour Row Instruments\x00".hex(), {}),
            (sig(0x2A26), ["read"], b"1.4.2".hex(), {}),
        ],
    ),
    (sig(0x180F), [(sig(0x2A19), ["read", "notify"], "57", {})]),
]
UART_LAYOUT: Final[Layout] = [
    (UART, [(UART_WRITE, ["write", "write-without-response"], "", {}), (UART_NOTIFY, ["notify"], "", {})]),
    *DEVICE_INFORMATION,
]
MEASUREMENT_LAYOUT: Final[Layout] = [
    (sig(0x185A), [(sig(0x2C0A), ["read", "indicate"], "ffffffff", {sig(0x2904): "08f90127010000"})]),
    *DEVICE_INFORMATION,
]
#: sint32, metre × 10^-7, described by its presentation format.
DESCRIBED_LAYOUT: Final[Layout] = [
    (OWN, [(OWN_VALUE, ["notify"], "", {sig(0x2904): "10f90127010000"})]),
    *DEVICE_INFORMATION,
]


class BluezGauge:
    """A gauge in its own process, and the bus it is on.

    Args:
        layout: What services and characteristics it has.
        name, address: How it shows itself; no two gauges have one address, where none is given.
        decoys: Names of other devices near it.
        adapters: The computer's adapters; the gauge is near the last one.
        set_environment: Set DBUS_SYSTEM_BUS_ADDRESS of this process while the gauge lives, which bleak reads as it
            opens the bus; otherwise the user passes *bus_address* on.
    """

    def __init__(
        self,
        layout: Layout = UART_LAYOUT,
        *,
        name: str = "Gauge MK",
        address: str | None = None,
        decoys: Sequence[str] = ("Wrist band", "Kettle"),
        adapters: Sequence[str] = ("hci0",),
        set_environment: bool = True,
    ) -> None:
        self.name = name
        # filmtally holds an address for the whole computer, and tests run side by side.
        self.address = address or unique_address()
        self._set_environment = set_environment
        self._before = os.environ.get("DBUS_SYSTEM_BUS_ADDRESS")
        self._scratch = tempfile.TemporaryDirectory(prefix="gauge-bus-")
        self._daemon = subprocess.Popen(
            ["dbus-daemon", "--session", "--nofork", "--print-address=1", f"--address=unix:dir={self._scratch.name}"],
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,  # it says that it cannot raise a limit, which harms nobody
        )
        assert self._daemon.stdout is not None
        self.bus_address = self._daemon.stdout.readline().decode().strip()
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.live.bluez_gauge", self.bus_address],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            cwd=Path(__file__).parents[2],
            text=True,
        )
        if set_environment:
            os.environ["DBUS_SYSTEM_BUS_ADDRESS"] = self.bus_address
        self._ask("begin", layout=layout, name=name, address=self.address, decoys=list(decoys), adapters=list(adapters))

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def notify(
        self, pieces: Sequence[bytes], *, piece_bytes: int | None = 20, uuid: str | None = None, pace_s: float = _PACE_S
    ) -> None:
        """Send *pieces*, each cut to *piece_bytes* (None: sent as it is); waits until somebody has subscribed.

        Returns when the bus has taken all of it, in order: what is done next comes after it.
        """
        self._ask("notify", pieces=[p.hex() for p in pieces], piece_bytes=piece_bytes, uuid=uuid, pace_s=pace_s)

    def drop(self) -> None:
        """Break the connection off, as a gauge out of reach does; returns at once where there is none."""
        self._ask("drop")

    def refuse(self, times: int, error: str = "org.bluez.Error.Failed", details: str = "le-connection-refused") -> None:
        """Answer the next *times* connections with an error."""
        self._ask("refuse", times=times, error=error, details=details)

    def vanish(self) -> None:
        """Be gone: the connection breaks off, and it does not show itself any more."""
        self._ask("vanish")

    def appear(self) -> None:
        """Be there again."""
        self._ask("appear")

    def double(self, times: int) -> None:
        """Send every notification *times* times."""
        self._ask("double", times=times)

    def be_silent(self, silent: bool) -> None:
        """Answer no read any more, or again."""
        self._ask("be_silent", silent=silent)

    def set_value(self, uuid: str, value: bytes) -> None:
        """Give a characteristic another value; read, not sent."""
        self._ask("set_value", uuid=uuid, value=value.hex())

    def move_to(self, address: str) -> None:
        """Show itself at another address from now on, as a gauge with a private address does; drops the connection."""
        self._ask("move_to", address=address)
        self.address = address

    def power(self, adapter: str, on: bool) -> None:
        """Switch one of the computer's adapters."""
        self._ask("power", adapter=adapter, on=on)

    def stop_service(self) -> None:
        """Let org.bluez leave the bus, as when bluetoothd dies: nobody is told."""
        self._ask("stop_service")

    def start_service(self) -> None:
        """Let org.bluez come back, with nothing connected."""
        self._ask("start_service")

    def written(self) -> list[tuple[bytes, str]]:
        """Return what was written to the gauge, and how ("request": with response, "command": without)."""
        return [(bytes.fromhex(data), how) for data, how in self._ask("written")]

    def state(self) -> dict[str, Any]:
        """Return connected, subscribers, discovering (adapters), connections (how many there were), reads."""
        answer: dict[str, Any] = self._ask("state")
        return answer

    def close(self) -> None:
        """End the gauge and its bus."""
        if self._process.poll() is None:
            assert self._process.stdin is not None
            with contextlib.suppress(BrokenPipeError):
                self._process.stdin.close()
            self._process.wait(10)
        if self._process.stdout is not None:
            self._process.stdout.close()
        self._daemon.terminate()
        self._daemon.wait(10)
        if self._daemon.stdout is not None:
            self._daemon.stdout.close()
        self._scratch.cleanup()
        if self._set_environment:
            if self._before is None:
                os.environ.pop("DBUS_SYSTEM_BUS_ADDRESS", None)
            else:
                os.environ["DBUS_SYSTEM_BUS_ADDRESS"] = self._before

    def _ask(self, what: str, **how: Any) -> Any:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(json.dumps({"what": what, **how}) + "\n")
        self._process.stdin.flush()
        answer = self._process.stdout.readline()
        if not answer:
            raise RuntimeError(f"the gauge's process has ended; it was asked to {what}")
        said = json.loads(answer)
        if "fault" in said:
            raise RuntimeError(said["fault"])
        return said["answer"]


# The gauge's own process

_ADAPTER = "org.bluez.Adapter1"
_DEVICE = "org.bluez.Device1"
_SERVICE = "org.bluez.GattService1"
_CHARACTERISTIC = "org.bluez.GattCharacteristic1"
_DESCRIPTOR = "org.bluez.GattDescriptor1"
_PROPERTIES = "org.freedesktop.DBus.Properties"
_OBJECTS = "org.freedesktop.DBus.ObjectManager"


class _Bluez:
    """org.bluez with its objects; one device has a gauge's layout."""

    def __init__(self, bus: Any) -> None:
        self.bus = bus
        self.objects: dict[str, dict[str, dict[str, Any]]] = {}
        self.values: dict[str, bytes] = {}
        self.uuid_paths: dict[str, str] = {}
        self.subscribers: dict[str, set[str]] = {}
        self.pipes: dict[str, socket.socket] = {}
        self.discovering: dict[str, set[str]] = {}
        self.written: list[tuple[str, str]] = []
        self.refusals = 0
        self.refusal = ("", "")
        self.times = 1
        self.silent = False
        self.present = True
        self.connections = 0
        self.reads = 0
        self.subscribed = asyncio.Event()
        self.on_bus = True
        self.gatt: dict[str, dict[str, dict[str, Any]]] = {}
        self.shown: dict[str, dict[str, Any]] = {}

    def begin(self, layout: Layout, name: str, address: str, decoys: list[str], adapters: list[str]) -> None:

        for number, adapter in enumerate(adapters):
            self.objects[f"/org/bluez/{adapter}"] = {
                _ADAPTER: {
                    "Address": Variant("s", f"00:00:00:00:00:0{number}"),
                    "Name": Variant("s", "bench"),
                    "Alias": Variant("s", "bench"),
                    "Powered": Variant("b", True),
                    "Discovering": Variant("b", False),
                    "Roles": Variant("as", ["central", "peripheral"]),
                }
            }
        home = f"/org/bluez/{adapters[-1]}" if adapters else "/org/bluez/hci0"
        for number, (called, at) in enumerate(
            [(name, address), *((d, f"C0:FF:EE:00:01:0{i}") for i, d in enumerate(decoys))]
        ):
            self.shown[f"{home}/dev_{at.replace(':', '_')}"] = {
                "Address": Variant("s", at),
                "AddressType": Variant("s", "random"),
                "Name": Variant("s", called),
                "Alias": Variant("s", called),
                "Adapter": Variant("o", home),
                "UUIDs": Variant("as", [service for service, _ in layout] if number == 0 else [sig(0x1812)]),
                "Connected": Variant("b", False),
                "Paired": Variant("b", False),
                "Trusted": Variant("b", False),
                "ServicesResolved": Variant("b", False),
                "RSSI": Variant("n", -48 - 10 * number),
            }
        self.home = home
        self.device = next(iter(self.shown))
        handle = 0x0A
        for service, characteristics in layout:
            handle += 1
            at_service = f"{self.device}/service{handle:04x}"
            self.gatt[at_service] = {
                _SERVICE: {
                    "UUID": Variant("s", service),
                    "Device": Variant("o", self.device),
                    "Primary": Variant("b", True),
                }
            }
            for uuid, flags, value, descriptors in characteristics:
                handle += 2
                path = f"{at_service}/char{handle:04x}"
                properties = {
                    "UUID": Variant("s", uuid),
                    "Service": Variant("o", at_service),
                    "Flags": Variant("as", flags),
                    "Value": Variant("ay", b""),
                    "MTU": Variant("q", 23),
                }
                if {"notify", "indicate"} & set(flags):
                    properties["Notifying"] = Variant("b", False)
                    properties["NotifyAcquired"] = Variant("b", False)
                    handle += 1
                self.gatt[path] = {_CHARACTERISTIC: properties}
                self.uuid_paths[uuid] = path
                self.values[path] = bytes.fromhex(value)
                for descriptor, described in descriptors.items():
                    handle += 1
                    at_descriptor = f"{path}/desc{handle:04x}"
                    self.gatt[at_descriptor] = {
                        _DESCRIPTOR: {
                            "UUID": Variant("s", descriptor),
                            "Characteristic": Variant("o", path),
                            "Value": Variant("ay", b""),
                        }
                    }
                    self.values[at_descriptor] = bytes.fromhex(described)

    def move_to(self, address: str) -> None:
        before, self.device = self.device, f"{self.home}/dev_{address.replace(':', '_')}"

        def moved(path: str) -> str:
            return path.replace(before, self.device)

        self.shown = {moved(path): shown for path, shown in self.shown.items()}
        self.shown[self.device]["Address"] = Variant("s", address)
        self.values = {moved(path): value for path, value in self.values.items()}
        self.uuid_paths = {uuid: moved(path) for uuid, path in self.uuid_paths.items()}
        self.gatt = {
            moved(path): {
                name: {
                    key: Variant("o", moved(value.value)) if value.signature == "o" else value
                    for key, value in values.items()
                }
                for name, values in interfaces.items()
            }
            for path, interfaces in self.gatt.items()
        }

    # Signals

    def emit(self, path: str, interface: str, member: str, signature: str, body: list[Any]) -> None:

        self.bus.send(Message.new_signal(path, interface, member, signature, body))

    def change(self, path: str, interface: str, **values: Any) -> None:
        self.objects[path][interface].update(values)
        self.emit(path, _PROPERTIES, "PropertiesChanged", "sa{sv}as", [interface, values, []])

    def add(self, path: str, interfaces: dict[str, dict[str, Any]]) -> None:
        self.objects[path] = interfaces
        self.emit("/", _OBJECTS, "InterfacesAdded", "oa{sa{sv}}", [path, interfaces])

    def remove(self, path: str) -> None:
        interfaces = self.objects.pop(path)
        self.emit("/", _OBJECTS, "InterfacesRemoved", "oas", [path, list(interfaces)])

    async def flush(self) -> None:
        """Return once the bus has taken what was sent before."""

        await self.bus.call(Message("org.freedesktop.DBus", "/org/freedesktop/DBus", "org.freedesktop.DBus", "GetId"))

    async def show(self) -> None:
        """Let the devices show themselves, again and again, to whoever scans on the adapter they are near."""

        while True:
            await asyncio.sleep(0.01)
            if not self.on_bus or not self.discovering.get(self.home):
                continue
            for path, properties in self.shown.items():
                if path == self.device and not self.present:
                    continue
                if path not in self.objects:
                    self.add(path, {_DEVICE: dict(properties)})
                elif not self.objects[path][_DEVICE]["Connected"].value:
                    self.change(path, _DEVICE, RSSI=Variant("n", properties["RSSI"].value))

    # Calls

    def handle(self, message: Any) -> Any:

        if message.message_type == MessageType.SIGNAL and message.member == "NameOwnerChanged":
            name, _, new = message.body
            if not new:
                self.client_ended(name)
            return None
        if message.message_type != MessageType.METHOD_CALL or message.destination in (None, "org.freedesktop.DBus"):
            return None
        if not self.on_bus:
            return Message.new_error(message, "org.freedesktop.DBus.Error.ServiceUnknown", "org.bluez is not there")
        if message.member in ("Connect", "ReadValue", "Disconnect"):
            task = asyncio.create_task(self.slowly(message))
            _tasks.add(task)
            task.add_done_callback(_tasks.discard)
            return True
        return self.answer(message)

    async def slowly(self, message: Any) -> None:
        await asyncio.sleep(0)
        reply = self.answer(message)
        if reply is not None:
            self.bus.send(reply)

    def answer(self, message: Any) -> Any:

        path, member = message.path, message.member
        if member == "GetManagedObjects":
            return Message.new_method_return(message, "a{oa{sa{sv}}}", [self.objects])
        if path not in self.objects:
            return Message.new_error(message, "org.freedesktop.DBus.Error.UnknownObject", f"no {path}")
        done = Message.new_method_return(message)
        if member in ("SetDiscoveryFilter", "Set"):
            return done
        if member == "StartDiscovery":
            if not self.objects[path][_ADAPTER]["Powered"].value:
                return Message.new_error(message, "org.bluez.Error.NotReady", "Resource Not Ready")
            self.discovering.setdefault(path, set()).add(message.sender)
            return done
        if member == "StopDiscovery":
            self.discovering.get(path, set()).discard(message.sender)
            return done
        if member == "Connect":
            return self.connect(message, path, done)
        if member == "Disconnect":
            self.bus.send(done)
            self.disconnect()
            return None
        if member == "ReadValue":
            self.reads += 1
            if self.silent:
                return None
            return Message.new_method_return(message, "ay", [self.values[path]])
        if member == "WriteValue":
            data, options = message.body
            self.written.append((bytes(data).hex(), options["type"].value))
            return done
        if member == "StartNotify":
            self.subscribers.setdefault(path, set()).add(message.sender)
            self.change(path, _CHARACTERISTIC, Notifying=Variant("b", True))
            self.subscribed.set()
            return done
        if member == "StopNotify":
            self.subscribers.get(path, set()).discard(message.sender)
            return done
        if member == "AcquireNotify":
            ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
            self.pipes[path] = ours
            reply = Message.new_method_return(message, "hq", [0, 23], [theirs.detach()])
            self.subscribed.set()
            return reply
        return Message.new_error(message, "org.freedesktop.DBus.Error.UnknownMethod", member)

    def connect(self, message: Any, path: str, done: Any) -> Any:

        if self.refusals:
            self.refusals -= 1
            return Message.new_error(message, *self.refusal)
        if path != self.device or not self.present:
            return Message.new_error(message, "org.bluez.Error.Failed", "br-connection-page-timeout")
        if not self.objects[path][_DEVICE]["Connected"].value:
            self.connections += 1
            self.change(path, _DEVICE, Connected=Variant("b", True))
            for at, interfaces in self.gatt.items():
                self.add(at, {name: dict(values) for name, values in interfaces.items()})
            self.change(path, _DEVICE, ServicesResolved=Variant("b", True))
        return done

    def disconnect(self) -> None:

        if not self.connected():
            return
        for pipe in self.pipes.values():
            pipe.close()
        self.pipes.clear()
        self.subscribers.clear()
        self.subscribed.clear()
        self.change(self.device, _DEVICE, ServicesResolved=Variant("b", False), Connected=Variant("b", False))
        for at in [path for path in self.objects if path.startswith(f"{self.device}/")]:
            self.remove(at)

    def client_ended(self, name: str) -> None:
        """A program left the bus: BlueZ ends its scan and its subscriptions, and keeps the device connected."""
        for scanning in self.discovering.values():
            scanning.discard(name)
        for listening in self.subscribers.values():
            listening.discard(name)
        if not any(self.subscribers.values()) and not self.pipes:
            self.subscribed.clear()

    def connected(self) -> bool:
        return self.device in self.objects and bool(self.objects[self.device][_DEVICE]["Connected"].value)

    # What the tests ask for

    async def notify(self, pieces: list[str], piece_bytes: int | None, uuid: str | None, pace_s: float) -> None:

        path = self.uuid_paths[uuid] if uuid else self._first_that_notifies()
        sent = 0
        for whole in (bytes.fromhex(piece) for piece in pieces):
            size = piece_bytes or max(1, len(whole))
            for start in range(0, max(1, len(whole)), size):
                while not (self.subscribers.get(path) or path in self.pipes):
                    self.subscribed.clear()
                    await self.subscribed.wait()
                for _ in range(self.times):
                    if path in self.pipes:
                        while True:
                            try:
                                self.pipes[path].send(whole[start : start + size], socket.MSG_DONTWAIT)
                                break
                            except BlockingIOError:
                                await asyncio.sleep(0.001)
                            except OSError:  # who listened was killed; whoever comes next gets it
                                self.pipes.pop(path).close()
                                while path not in self.pipes:
                                    self.subscribed.clear()
                                    await self.subscribed.wait()
                    else:
                        self.change(path, _CHARACTERISTIC, Value=Variant("ay", whole[start : start + size]))
                sent += 1
                if sent % 50 == 0:
                    await self.flush()
                await asyncio.sleep(pace_s)
        await self.flush()

    def _first_that_notifies(self) -> str:
        return next(
            path
            for path, interfaces in self.gatt.items()
            if _CHARACTERISTIC in interfaces
            and {"notify", "indicate"} & set(interfaces[_CHARACTERISTIC]["Flags"].value)
        )

    async def do(self, what: str, how: dict[str, Any]) -> Any:

        if what == "begin":
            self.begin(**how)
            assert await self.bus.request_name("org.bluez") == RequestNameReply.PRIMARY_OWNER
        elif what == "notify":
            await self.notify(**how)
        elif what in ("drop", "vanish"):
            self.present = self.present and what == "drop"
            self.disconnect()
            if what == "vanish" and self.device in self.objects:
                self.remove(self.device)
        elif what == "move_to":
            self.disconnect()
            if self.device in self.objects:
                self.remove(self.device)
            self.move_to(how["address"])
        elif what == "appear":
            self.present = True
        elif what == "refuse":
            self.refusals, self.refusal = how["times"], (how["error"], how["details"])
        elif what == "double":
            self.times = how["times"]
        elif what == "be_silent":
            self.silent = how["silent"]
        elif what == "set_value":
            self.values[self.uuid_paths[how["uuid"]]] = bytes.fromhex(how["value"])
        elif what == "power":
            self.change(f"/org/bluez/{how['adapter']}", _ADAPTER, Powered=Variant("b", how["on"]))
        elif what == "stop_service":
            self.on_bus = False
            await self.bus.release_name("org.bluez")
        elif what == "start_service":
            for at in [path for path in self.objects if path.startswith(f"{self.home}/")]:
                del self.objects[at]
            self.subscribers.clear()
            self.discovering.clear()
            self.on_bus = True
            await self.bus.request_name("org.bluez")
        elif what == "written":
            return self.written
        elif what == "state":
            return {
                "connected": self.connected(),
                "subscribers": sum(len(s) for s in self.subscribers.values()) + len(self.pipes),
                "discovering": [path for path, senders in self.discovering.items() if senders],
                "connections": self.connections,
                "reads": self.reads,
            }
        await self.flush()
        return None


_tasks: set[asyncio.Task[None]] = set()


async def _be_a_gauge(bus_address: str) -> None:

    bus = await MessageBus(bus_address=bus_address, negotiate_unix_fd=True).connect()
    bluez = _Bluez(bus)
    bus.add_message_handler(bluez.handle)
    await bus.call(
        Message(
            "org.freedesktop.DBus",
            "/org/freedesktop/DBus",
            "org.freedesktop.DBus",
            "AddMatch",
            signature="s",
            body=["type='signal',member='NameOwnerChanged'"],
        )
    )
    showing = asyncio.create_task(bluez.show())
    lines = asyncio.StreamReader()
    await asyncio.get_running_loop().connect_read_pipe(lambda: asyncio.StreamReaderProtocol(lines), sys.stdin)
    while line := await lines.readline():
        asked = json.loads(line)
        try:
            said = {"answer": await bluez.do(asked.pop("what"), asked)}
        except Exception as fault:
            said = {"fault": f"{type(fault).__name__}: {fault}"}
        print(json.dumps(said), flush=True)
    showing.cancel()
    bus.disconnect()


if __name__ == "__main__":
    asyncio.run(_be_a_gauge(sys.argv[1]))

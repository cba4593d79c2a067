"""One connection to a gauge over Bluetooth LE, from the first word to the last.

What a notification brings is put aside with its time and nothing else is done in bleak's callback: an exception
there would only be logged, and the reading gone. Bytes are re-framed, since they come in pieces of any size.
"""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections import deque
from collections.abc import Callable, Iterable
from typing import Final, NamedTuple

from bleak import BleakClient
from bleak.backends.characteristic import BleakGATTCharacteristic
from bleak.backends.descriptor import BleakGATTDescriptor
from bleak.exc import BleakError, BleakGATTProtocolError

from ingest.framing import Frame, Framer
from ingest.gatt_values import line_of, presentation_of, why_unreadable
from ingest.links.bluetooth_faults import FAULTS, LinkFault, silent, vanished
from ingest.links.doubles import DoubleMarker, Marked, Repeats
from ingest.links.item import Kind
from ingest.links.live import LinkDown
from ingest.links.stream import Stream
from schemas.profile import Profile
from schemas.transport import LENGTH, LINEAR_POSITION, MEASUREMENT_SERVICE

#: Device Information and Battery, by the Bluetooth SIG's assigned numbers.
_ABOUT: Final = {
    "serial_number": "00002a25-0000-1000-8000-00805f9b34fb",
    "model": "00002a24-0000-1000-8000-00805f9b34fb",
    "manufacturer": "00002a29-0000-1000-8000-00805f9b34fb",
    "firmware": "00002a26-0000-1000-8000-00805f9b34fb",
}
_BATTERY: Final = "00002a19-0000-1000-8000-00805f9b34fb"
_PRESENTATION: Final = "00002904-0000-1000-8000-00805f9b34fb"
_AGGREGATE: Final = "00002905-0000-1000-8000-00805f9b34fb"
#: Said once each as the battery falls to it.
_LOW_BATTERY_PERCENT: Final = (20, 10, 5)
_LONGEST_ABOUT: Final = 100


class Channel(NamedTuple):
    """A characteristic that readings come from, with its presentation format where values are read by it."""

    characteristic: BleakGATTCharacteristic
    presentation: bytes | None = None


class _Arrival(NamedTuple):
    channel: Channel
    data: bytes
    mono_ns: int


class Session:
    """A connection.

    Args:
        client: bleak's, not yet connected.
        who: The gauge, as a sentence names it.
        name: The link's name, as Item.link has it.
        profile: How the gauge writes.
        stream: Where items go.
        ask_s: How long reading Device Information may take in all.
        late_s: How long after the link went what was on its way may still come.
        must_be: Serial number that the gauge must have, where it shows itself at another address than before;
            None where its address is proof enough.
    """

    def __init__(
        self,
        client: BleakClient,
        who: str,
        name: str,
        profile: Profile,
        stream: Stream,
        *,
        ask_s: float,
        late_s: float,
        must_be: str | None = None,
    ) -> None:
        self._client = client
        self._who = who
        self._name = name
        self._settings = profile.bluetooth
        self._profile = profile
        self._stream = stream
        self._ask_s = ask_s
        self._late_s = late_s
        self._must_be = must_be
        self._arrived: deque[_Arrival] = deque()
        self._woken = asyncio.Event()
        self._gone = False
        self._fault: Exception | None = None
        self._battery: int | None = None
        self._battery_said: int | None = None
        self._about: dict[str, str] = {}
        self._lines = DoubleMarker(
            Framer(profile.max_line_bytes, profile.line_end.encode() if profile.line_end else None),
            self._settings.doubled_within_ms,
        )
        self._values: dict[int, Repeats] = {}
        self._heard_ns = time.monotonic_ns()
        self._channels: tuple[Channel, ...] = ()
        self._writing = asyncio.Lock()
        self.up = False

    def gone(self) -> None:
        """Take notice that the connection went; bleak calls this."""
        self._gone = True
        self._woken.set()

    @property
    def serial_number(self) -> str | None:
        """Return the serial number that the gauge told, if it did."""
        return self._about.get("serial_number")

    async def open(self) -> None:
        """Subscribe, and ask the gauge who it is.

        Raises:
            LinkFault: The profile does not fit the gauge, or it is another gauge than before.
            BleakError, OSError, EOFError: As bleak raises them.
        """
        self._channels = await self._find_channels()
        acquire = {"start-notify": True, "acquire-notify": False}.get(self._settings.subscribe)
        for channel in self._channels:
            take = self._taker(channel)
            if acquire is None:
                await self._client.start_notify(channel.characteristic, take)
            else:
                await self._client.start_notify(channel.characteristic, take, bluez={"use_start_notify": acquire})
        await self._ask()
        if self._must_be is not None and (not self._must_be or self.serial_number != self._must_be):
            self._arrived.clear()  # another gauge's
            raise LinkFault(
                f"a gauge {self._who} is near, and it is not the one that was connected before; switch the right one on, "
                "or begin anew with this one"
            )

    async def run(self) -> None:
        """Say that the link is up, and hand on what comes until the connection goes.

        Raises:
            LinkFault: Always, in the end: why the connection is no more.
            BleakError, OSError, EOFError: As bleak raises them.
        """
        self._say_up()
        watch = asyncio.create_task(self._watch())
        try:
            await self._hand_on()
        finally:
            watch.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await watch

    async def end(self) -> None:
        """Let go of the connection, whatever state it is in, and hand on what had come.

        The connection is let go even if it is lost already: bleak keeps a file open otherwise.
        """
        try:
            async with asyncio.timeout(5):
                await self._client.disconnect()
        except Exception:  # noqa: S110 - whatever it is, the connection is done with
            pass
        if self._late_s and self._settings.subscribe == "acquire-notify":
            # Readings and the news of the loss come by different ways here, and the news may come first.
            await asyncio.sleep(self._late_s)
        if self._arrived and not self.up:
            self._say_up()
        self._take_arrivals()
        tail = self._lines.close()
        if tail is not None:
            self._put(Kind.PARTIAL, tail)

    async def write(self, data: bytes) -> None:
        """Send *data*, in pieces that fit.

        Raises:
            LinkDown: The gauge has nothing that can be written to.
            BleakError, OSError, EOFError: As bleak raises them.
        """
        uuid = self._settings.write
        target = next((c for c in self._characteristics() if c.uuid == uuid), None) if uuid else None
        if target is None:
            raise LinkDown(f"gauge {self._who} has nothing to write to; set bluetooth.write in the profile")
        response = "write" in target.properties
        size = max(1, target.max_write_without_response_size)
        async with self._writing:
            for start in range(0, len(data), size):
                await self._client.write_gatt_char(target, data[start : start + size], response=response)

    # What the gauge has

    def _characteristics(self) -> Iterable[BleakGATTCharacteristic]:
        """Return the gauge's characteristics; those of the profile's service first."""
        service = MEASUREMENT_SERVICE if self._settings.form == "measurement" else self._settings.service
        services = sorted(self._client.services, key=lambda s: s.uuid != service)
        return [characteristic for s in services for characteristic in s.characteristics]

    async def _find_channels(self) -> tuple[Channel, ...]:
        if self._settings.form == "measurement":
            return (Channel(self._measurement()),)
        uuid = self._settings.notify
        found = [c for c in self._characteristics() if c.uuid == uuid]
        in_service = [c for c in found if c.service_uuid == self._settings.service]
        candidates = in_service or found
        if not candidates:
            raise LinkFault(
                f"gauge {self._who} has no characteristic {_short(uuid)}; is it the right gauge, and do the profile's bluetooth settings fit it"
            )
        if len(candidates) > 1:
            raise LinkFault(
                f"gauge {self._who} has {len(candidates)} characteristics {_short(uuid)}; set bluetooth.service to that of the right one"
            )
        channel = Channel(self._that_notifies(candidates[0]))
        return (
            (await self._with_presentation(channel.characteristic),)
            if self._settings.form == "described"
            else (channel,)
        )

    def _measurement(self) -> BleakGATTCharacteristic:
        wanted = (self._settings.chosen,) if self._settings.chosen else (LENGTH, LINEAR_POSITION)
        found = [c for c in self._characteristics() if c.service_uuid == MEASUREMENT_SERVICE and c.uuid in wanted]
        if not found:
            raise LinkFault(
                f"gauge {self._who} offers no Length and no Linear Position in the service for measuring devices (185A); "
                "use another form in the profile's bluetooth settings"
            )
        if len(found) > 1:
            kinds = sorted({_short(c.uuid) for c in found})
            if len(kinds) > 1:
                raise LinkFault(
                    f'gauge {self._who} offers Length and Linear Position; write notify = "{kinds[1]}" or "{kinds[0]}" into the profile\'s bluetooth settings'
                )
            raise LinkFault(
                f"gauge {self._who} offers {len(found)} values {kinds[0]}, and which is the film build cannot be told; use another link of the gauge"
            )
        return self._that_notifies(found[0])

    def _that_notifies(self, characteristic: BleakGATTCharacteristic) -> BleakGATTCharacteristic:
        if not {"notify", "indicate"} & set(characteristic.properties):
            raise LinkFault(
                f"characteristic {_short(characteristic.uuid)} of gauge {self._who} does not send by itself; set bluetooth.notify to one that does"
            )
        return characteristic

    async def _with_presentation(self, characteristic: BleakGATTCharacteristic) -> Channel:
        descriptors = [d for d in characteristic.descriptors if d.uuid == _PRESENTATION]
        several = len(descriptors) > 1 or characteristic.get_descriptor(_AGGREGATE) is not None
        if not descriptors or several:
            has = "several presentation formats" if several else "no presentation format (2904)"
            raise LinkFault(
                f"characteristic {_short(characteristic.uuid)} of gauge {self._who} has {has}, so its values cannot be read; use another form in the profile"
            )
        data = bytes(await self._client.read_gatt_descriptor(descriptors[0]))
        presentation = presentation_of(data)
        why = (
            "has a presentation format that is not 7 bytes long"
            if presentation is None
            else why_unreadable(presentation)
        )
        if why:
            raise LinkFault(
                f"characteristic {_short(characteristic.uuid)} of gauge {self._who} {why}; use another link of the gauge"
            )
        return Channel(characteristic, data)

    # What the gauge says of itself

    async def _ask(self) -> None:
        """Read what the gauge says of itself, as far as it does within the time for it."""
        try:
            async with asyncio.timeout(self._ask_s):
                for key, uuid in _ABOUT.items():
                    data = await self._read(uuid)
                    said = _printable(data) if data is not None else ""
                    if said:
                        self._about[key] = said
                battery = self._characteristic(_BATTERY)
                if battery is not None and {"notify", "indicate"} & set(battery.properties):
                    await self._client.start_notify(battery, self._take_battery)
                self._note_battery(await self._read(_BATTERY))
        except TimeoutError:
            return
        except FAULTS:
            if self._gone:
                raise LinkFault(vanished(self._who)) from None

    def _characteristic(self, uuid: str) -> BleakGATTCharacteristic | None:
        return next((c for c in self._characteristics() if c.uuid == uuid), None)

    async def _read(self, uuid: str) -> bytes | None:
        """Return the value of a characteristic, or None where there is none that may be read."""
        characteristic = self._characteristic(uuid)
        if characteristic is None or "read" not in characteristic.properties:
            return None
        try:
            return bytes(await self._client.read_gatt_char(characteristic))
        except BleakGATTProtocolError:
            return None

    def _take_battery(self, _: BleakGATTCharacteristic, data: bytearray) -> None:
        self._note_battery(bytes(data))

    def _note_battery(self, data: bytes | None) -> None:
        if data is not None and len(data) == 1 and data[0] <= 100:
            self._battery = data[0]
            self._woken.set()

    def _say_up(self) -> None:
        self.up = True
        self._battery_said = self._battery
        if self._battery is not None:
            self._about["battery_percent"] = str(self._battery)
        note = f"gauge {self._who} is connected"
        if self._battery is not None and self._battery <= _LOW_BATTERY_PERCENT[0]:
            note += f"; its battery is at {self._battery} %: charge it soon"
        self._stream.put(Kind.UP, self._name, note=note, about=self._about)

    def _say_battery(self) -> None:
        """Say UP once more, with a note, as the battery falls to a step at which it should be charged."""
        if self._battery is None or self._battery == self._battery_said:
            return
        before = 101 if self._battery_said is None else self._battery_said
        self._battery_said = self._battery
        if any(self._battery <= step < before for step in _LOW_BATTERY_PERCENT):
            self._about["battery_percent"] = str(self._battery)
            note = f"the battery of gauge {self._who} is at {self._battery} %: charge it soon"
            self._stream.put(Kind.UP, self._name, note=note, about=self._about)

    # What comes

    def _taker(self, channel: Channel) -> Callable[[BleakGATTCharacteristic, bytearray], None]:
        def take(_: BleakGATTCharacteristic, data: bytearray) -> None:
            self._arrived.append(_Arrival(channel, bytes(data), time.monotonic_ns()))
            self._woken.set()

        return take

    async def _hand_on(self) -> None:
        idle_s = self._profile.idle_end_ms / 1000 if self._profile.idle_end_ms else None
        while True:
            try:
                async with asyncio.timeout(idle_s if self._lines.holds_a_tail else None):
                    await self._woken.wait()
            except TimeoutError:
                line = self._lines.pause()
                if line is not None:
                    self._put(Kind.LINE, line)
                continue
            self._woken.clear()
            self._take_arrivals()
            self._say_battery()
            if self._fault is not None:
                raise self._fault
            if self._gone:
                raise LinkFault(vanished(self._who))

    def _take_arrivals(self) -> None:
        while self._arrived:
            channel, data, mono_ns = self._arrived.popleft()
            self._heard_ns = mono_ns
            if self._settings.form == "uart":
                for line in self._lines.feed(data, mono_ns):
                    self._put(Kind.LINE, line)
            else:
                repeats = self._values.setdefault(
                    channel.characteristic.handle, Repeats(self._settings.doubled_within_ms)
                )
                kept = line_of(channel.characteristic.uuid, data, channel.presentation)
                self._put(Kind.LINE, Marked(Frame(kept, len(kept)), repeats.suspects(data, mono_ns)))

    def _put(self, kind: Kind, line: Marked) -> None:
        # A radio link cannot hold its peer back: what finds no room is counted and said by the stream.
        self._stream.put(kind, self._name, line.frame, doubled=line.doubled)

    # Whether anybody is there

    async def _watch(self) -> None:
        """Ask the gauge something while it says nothing; a gauge that lies idle answers, a dead link does not."""
        limit_s = float(self._settings.silent_after_s or 0)
        target = self._something_to_ask()
        if not limit_s or target is None:
            return
        asked_after_s = limit_s / 3
        while True:
            quiet_s = (time.monotonic_ns() - self._heard_ns) / 1e9
            if quiet_s < asked_after_s:
                await asyncio.sleep(asked_after_s - quiet_s)
                continue
            try:
                async with asyncio.timeout(limit_s - asked_after_s):
                    await self._probe(target)
            except TimeoutError:
                if (time.monotonic_ns() - self._heard_ns) / 1e9 >= limit_s:
                    self._give_up(LinkFault(silent(self._who, f"{limit_s:g}")))
                    return
            except BleakGATTProtocolError:
                self._heard_ns = time.monotonic_ns()
            except (BleakError, OSError, EOFError) as fault:
                self._give_up(fault)
                return
            else:
                self._heard_ns = time.monotonic_ns()

    def _give_up(self, fault: Exception) -> None:
        self._fault = fault
        self._woken.set()

    def _something_to_ask(self) -> BleakGATTCharacteristic | BleakGATTDescriptor | None:
        """Return what can be read without being read twice: never the characteristic that readings come from.

        BlueZ hands a value that is read on as a notification too, where it is subscribed to.
        """
        for uuid in (_BATTERY, *_ABOUT.values()):
            characteristic = self._characteristic(uuid)
            if characteristic is not None and "read" in characteristic.properties:
                return characteristic
        return next((d for channel in self._channels for d in channel.characteristic.descriptors), None)

    async def _probe(self, target: BleakGATTCharacteristic | BleakGATTDescriptor) -> None:
        if isinstance(target, BleakGATTDescriptor):
            await self._client.read_gatt_descriptor(target)
            return
        data = bytes(await self._client.read_gatt_char(target))
        if target.uuid == _BATTERY:
            self._note_battery(data)


def _short(uuid: str) -> str:
    """Return a UUID as a person writes it."""
    tail = "-0000-1000-8000-00805f9b34fb"
    return uuid[4:8].upper() if uuid.startswith("0000") and uuid.endswith(tail) else uuid


def _printable(data: bytes) -> str:
    text = data.split(b"\x00", 1)[0].decode("utf-8", errors="replace")
    return "".join(c for c in text if c.isprintable()).strip()[:_LONGEST_ABOUT]

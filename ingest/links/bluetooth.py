"""The live link over Bluetooth LE: found, connected, subscribed, lost, found again, on a thread with its own loop.

What a gauge sends is in one of three forms (schemas/transport.py): text in pieces, a value of the Bluetooth SIG's
Industrial Measurement Device service, or a value that describes itself. Of that service only Length and Linear
Position are read: the layouts of its status, control and historical data were not to be read when this was written,
and are left out. A value goes on as a line of text that stands for its bytes (ingest/gatt_values.py).

UP comes with what the gauge says of itself, and once more, with a note, when its battery falls to 20, 10 and 5 %.
DOWN comes once per outage, with the reason that was seen first.
"""

from __future__ import annotations

import asyncio
import concurrent.futures
import contextlib
import logging
import os
import tempfile
import threading
from collections.abc import Coroutine
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, TypeVar

from bleak import BleakClient
from bleak.backends.client import BaseBleakClient
from bleak.backends.device import BLEDevice
from bleak.backends.scanner import BaseBleakScanner
from filelock import FileLock
from filelock import Timeout as HeldElsewhere

from ingest.links.address import Address
from ingest.links.bluetooth_address import wanted_by
from ingest.links.bluetooth_faults import FAULTS, LinkFault, sentence_of
from ingest.links.bluetooth_search import Found, find, see_all
from ingest.links.bluetooth_session import Session
from ingest.links.item import Kind
from ingest.links.live import LinkDown
from ingest.links.stream import Stream
from schemas.errors import BadInput
from schemas.profile import Profile

# What bleak and dbus-fast log would be printed across the capture screen; what matters of it is in our sentences.
for _noisy in ("bleak", "dbus_fast"):
    logging.getLogger(_noisy).addHandler(logging.NullHandler())


@dataclass(frozen=True, slots=True, kw_only=True)
class Patience:
    """How long things may take, in seconds.

    Attributes:
        search_s: Listening for a gauge, each time.
        settle_s: Listening for a second gauge of the same name.
        connect_s: Connecting and learning what the gauge has.
        ask_s: Reading Device Information and battery.
        late_s: What is on its way when the link goes.
        send_s: Sending a request.
        waits_s: Between one try and the next; the last one again and again.
    """

    search_s: float = 10
    settle_s: float = 1
    connect_s: float = 20
    ask_s: float = 5
    late_s: float = 0.1
    send_s: float = 5
    waits_s: tuple[float, ...] = (0.2, 0.5, 1, 2, 5, 10)


_PATIENCE: Final = Patience()
_T = TypeVar("_T")


class BluetoothLink:
    """A gauge over Bluetooth LE; see LiveLink.

    Args:
        address: Which gauge: `ble:AA:BB:CC:DD:EE:FF` or `ble:name=NAME`, with `,adapter=hci1` behind it or not.
        profile: How the gauge writes, and its bluetooth settings.
        client_backend, scanner_backend: What bleak works with; None for what the system has.
        patience: How long things may take.

    Raises:
        BadInput: The address names no gauge.
    """

    def __init__(
        self,
        address: Address,
        profile: Profile,
        *,
        client_backend: type[BaseBleakClient] | None = None,
        scanner_backend: type[BaseBleakScanner] | None = None,
        patience: Patience = _PATIENCE,
    ) -> None:
        self._name = address.name
        self._wanted = wanted_by(address)
        self._profile = profile
        self._client_backend = client_backend
        self._scanner_backend = scanner_backend
        self._patience = patience
        self._known: str | None = None
        self._serial_number: str | None = None
        self._stream: Stream | None = None
        self._thread: threading.Thread | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._task: asyncio.Task[None] | None = None
        self._session: Session | None = None
        self._ready = threading.Event()

    @property
    def name(self) -> str:
        """Return scheme and address, as Item.link has it."""
        return self._name

    def start(self, stream: Stream) -> None:
        """Begin: items go into *stream* until close()."""
        self._stream = stream
        self._thread = threading.Thread(target=self._run, name=self._name, daemon=True)
        self._thread.start()
        self._ready.wait()

    def send(self, data: bytes) -> None:
        """Send *data* to the gauge.

        Raises:
            LinkDown: The link is not up, or the gauge takes nothing.
        """
        session, loop = self._session, self._loop
        if session is None or loop is None or not session.up:
            raise LinkDown(f"gauge {self._wanted.who} is not connected; the request was not sent")
        writing = session.write(data)
        try:
            future = asyncio.run_coroutine_threadsafe(writing, loop)
        except RuntimeError:
            writing.close()
            raise LinkDown(f"gauge {self._wanted.who} is not connected; the request was not sent") from None
        try:
            future.result(self._patience.send_s)
        except concurrent.futures.CancelledError:
            raise LinkDown(f"gauge {self._wanted.who} is not connected; the request was not sent") from None
        except FAULTS as fault:
            future.cancel()
            raise LinkDown(sentence_of(fault, self._wanted.who, self._wanted.adapter)) from None

    def close(self) -> None:
        """Stop, let go of the gauge, and return once the thread has ended. A second close does nothing."""
        thread, self._thread = self._thread, None
        if thread is None:
            return
        if self._loop is not None and self._task is not None:
            with contextlib.suppress(RuntimeError):  # it has ended by itself
                self._loop.call_soon_threadsafe(self._task.cancel)
        thread.join()

    # On the link's thread

    def _run(self) -> None:
        try:
            with contextlib.suppress(asyncio.CancelledError):
                asyncio.run(_with_tidy_end(self._live()))
        finally:
            self._ready.set()

    async def _live(self) -> None:
        self._loop = asyncio.get_running_loop()
        self._task = asyncio.current_task()
        self._ready.set()
        tries, is_down = 0, False
        while True:
            was_up = False
            try:
                with _claim(self._known or self._wanted.device, self._wanted.who):
                    await self._once()
            except Exception as fault:
                was_up = self._session is not None and self._session.up
                self._session = None
                if was_up or not is_down:
                    self._put_down(sentence_of(fault, self._wanted.who, self._wanted.adapter))
                is_down = True
                if not isinstance(fault, LinkFault):
                    await _forget_bus()
            tries = 0 if was_up else tries + 1
            waits = self._patience.waits_s
            await asyncio.sleep(waits[min(tries, len(waits) - 1)])

    def _put_down(self, why: str) -> None:
        assert self._stream is not None  # noqa: S101 - start() set it
        self._stream.put(Kind.DOWN, self._name, note=why)

    async def _once(self) -> None:
        """Find the gauge, connect, and hand on what comes until it goes; always ends by raising why."""
        device = await find(
            self._wanted,
            self._known,
            (self._profile.bluetooth.service,),
            self._scanner_backend,
            search_s=self._patience.search_s,
            settle_s=self._patience.settle_s,
        )
        if self._known is None and self._wanted.device is None:
            with _claim(device.address, self._wanted.who):
                await self._connected(device)
        else:
            await self._connected(device)

    async def _connected(self, device: BLEDevice) -> None:
        assert self._stream is not None  # noqa: S101 - start() set it
        client = BleakClient(
            device,
            lambda _: session.gone(),
            timeout=self._patience.connect_s,
            bluez={"adapter": self._wanted.adapter} if self._wanted.adapter else {},
            backend=self._client_backend,
        )
        session = Session(
            client,
            self._wanted.who,
            self._name,
            self._profile,
            self._stream,
            ask_s=self._patience.ask_s,
            late_s=self._patience.late_s,
            must_be=self._serial_number or "" if self._known not in (None, device.address) else None,
        )
        self._session = session
        try:
            async with asyncio.timeout(self._patience.connect_s):
                await client.connect()
            await session.open()
            self._known, self._serial_number = device.address, session.serial_number
            await session.run()
        finally:
            await _undisturbed(session.end())


async def _undisturbed(work: Coroutine[Any, Any, None]) -> None:
    """Do *work* to its end, even if the task that waits for it is told to stop meanwhile."""
    task = asyncio.ensure_future(work)
    stopped: asyncio.CancelledError | None = None
    while not task.done():
        try:
            await asyncio.shield(task)
        except asyncio.CancelledError as told:
            stopped = told
    if stopped is not None:
        raise stopped
    task.result()


def _claim(device: str | None, who: str) -> contextlib.AbstractContextManager[object]:
    """Return a hold on a gauge for this computer: two that listen to one gauge would cut each other off.

    The hold goes with the process, however it ends.

    Raises:
        LinkFault: On entering: another filmtally holds it.
    """
    return contextlib.nullcontext() if device is None else _Claim(device, who)


class _Claim:
    def __init__(self, device: str, who: str) -> None:
        name = "".join(c for c in device.upper() if c.isalnum())
        user = getattr(os, "getuid", lambda: 0)()  # Windows has a folder for each user
        self._lock = FileLock(Path(tempfile.gettempdir()) / f"filmtally-gauge-{user}-{name}.lock")
        self._who = who

    def __enter__(self) -> None:
        try:
            self._lock.acquire(timeout=0)
        except HeldElsewhere:
            raise LinkFault(
                f"another filmtally on this computer listens to gauge {self._who}; end that one, or use another gauge"
            ) from None
        except OSError:
            # Where no lock can be had, a reading is worth more than the hold.
            return

    def __exit__(self, *_: object) -> None:
        self._lock.release()


async def _with_tidy_end(work: Coroutine[Any, Any, _T]) -> _T:
    """Do *work*, then close the connection to the system's bus that bleak would keep until the process ends."""
    try:
        return await work
    finally:
        await _forget_bus()


async def _forget_bus() -> None:
    """Have bleak begin anew with the system's bus: what it knows of it may be of a service that died meanwhile."""
    with contextlib.suppress(ImportError, AssertionError, AttributeError, OSError, EOFError):
        # Linux alone has it; elsewhere the import fails.
        from bleak.backends.bluezdbus import manager as bluez

        kept = bluez._global_instances.pop(asyncio.get_running_loop(), None)
        if kept is not None and kept._bus is not None:
            kept._bus.disconnect()
            if kept._bus_watcher_task is not None:
                await asyncio.wait({kept._bus_watcher_task}, timeout=2)


def link(address: Address, profile: Profile) -> BluetoothLink:
    """Return the link to the gauge that *address* names."""
    return BluetoothLink(address, profile)


def scan(
    seconds: float, adapter: str | None = None, *, scanner_backend: type[BaseBleakScanner] | None = None
) -> list[Found]:
    """Return the Bluetooth LE devices that show themselves within *seconds*, the strongest first.

    Args:
        seconds: How long to listen.
        adapter: The computer's adapter ("hci1", Linux only); None for any.
        scanner_backend: What bleak works with; None for what the system has.

    Raises:
        BadInput: There is no Bluetooth, or it is off; the sentence says what to do.
    """

    async def see() -> list[Found]:
        return await _with_tidy_end(see_all(seconds, adapter, scanner_backend))

    try:
        return asyncio.run(see())
    except FAULTS as fault:
        raise BadInput(sentence_of(fault, "any", adapter)) from None

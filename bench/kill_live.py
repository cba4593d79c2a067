"""kill -9 at random moments of a live capture: is every acknowledged reading there, and does it go on?

A simulated gauge (the peer, a parameter) writes readings that are all different over a real link to the real
`filmtally measure`. The parent notes what is shown as taken, kills at a random moment (while it starts, takes or
seals), goes on with `measure --resume`, lets the gauge write the rest, and looks at what is sealed in the end: every
acknowledged reading in its place and number, everything that was sent after the resume, and nothing twice.
"""

from __future__ import annotations

import contextlib
import random
import shutil
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import AbstractContextManager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Protocol

from archive.shop_folder import ShopFolder
from archive.store import Archive
from bench.live_process import Measuring
from ingest.open_inspection import OpenInspection, open_ids

if TYPE_CHECKING:
    from tests.live.bluez_gauge import BluezGauge

SAMPLES: Final = Path(__file__).parents[1] / "sample_captures" / "shop"
#: The gate leaf of the sample shop: four locations of five readings on each of two pieces.
READINGS: Final = 40


class Peer(Protocol):
    """A gauge that writes lines over a link, as those of tests/live do."""

    @property
    def address(self) -> str: ...

    def write(self, lines: list[bytes]) -> None: ...


#: Makes a peer that uses the folder it is given; its environment is what the program needs to find it.
PeerMaker = Callable[[Path], AbstractContextManager[Peer]]


def serial_peer(folder: Path) -> AbstractContextManager[Peer]:
    """Return a gauge on a pseudo-terminal."""
    from tests.live.pty_gauge import PtyGauge

    return PtyGauge(folder)


def socket_peer(_folder: Path) -> AbstractContextManager[Peer]:
    """Return a gauge behind a server that passes its bytes on."""
    from tests.live.socket_gauge import SocketGauge

    return SocketGauge()


@contextlib.contextmanager
def bluetooth_peer(_folder: Path) -> Iterator[Peer]:
    """Return a gauge over Bluetooth LE, behind a simulated org.bluez on a private bus."""
    from tests.live.bluez_gauge import BluezGauge

    with BluezGauge(set_environment=False) as gauge:
        yield _Bluetooth(gauge)


class _Bluetooth:
    """What the campaign asks of a peer, for a gauge over Bluetooth LE."""

    #: What the gauge says that its serial number is.
    device_serial = "MK-00417"

    def __init__(self, gauge: BluezGauge) -> None:
        self._gauge = gauge
        self.address = f"ble:{gauge.address}"
        self.environment = {"DBUS_SYSTEM_BUS_ADDRESS": gauge.bus_address}

    def write(self, lines: list[bytes]) -> None:
        self._gauge.notify([line + b"\r\n" for line in lines])


#: The peers by the name of their link; a new one is one more entry here.
PEERS: Final[dict[str, PeerMaker]] = {"serial": serial_peer, "socket": socket_peer, "ble": bluetooth_peer}


@dataclass
class Seen:
    """What one kill left behind."""

    acknowledged: int = 0
    lost: int = 0
    half_visible: int = 0
    failed: int = 0
    why: str = ""


def campaign(times: int, seed: int, peer: str = "serial") -> dict[str, Any]:
    """Kill *times* live captures; return what was run, how often, and what was lost or failed."""
    rng = random.Random(seed)  # noqa: S311 - when to kill
    total = Seen()
    for _ in range(times):
        seen = _one(rng, PEERS[peer])
        total.acknowledged += seen.acknowledged
        total.lost += seen.lost
        total.half_visible += seen.half_visible
        total.failed += seen.failed
        total.why = total.why or seen.why
    return {
        "name": f"kill live capture, {peer}",
        "what": "kill -9 at a random moment of a capture over a live link, then resume, take the rest, and seal",
        "times": times,
        "acknowledged": total.acknowledged,
        "lost": total.lost,
        "half_visible": total.half_visible,
        "failed": total.failed,
        "first_failure": total.why,
    }


def _one(rng: random.Random, make_peer: PeerMaker) -> Seen:
    root = Path(tempfile.mkdtemp(prefix="filmtally-kill-live-"))
    try:
        folder = ShopFolder(root / "shop")
        shutil.copytree(SAMPLES, folder.root)
        seen = Seen()
        with make_peer(root) as peer:
            _name_the_device(folder, getattr(peer, "device_serial", None))
            _kill_and_go_on(folder, peer, rng, seen)
        return seen
    finally:
        shutil.rmtree(root, ignore_errors=True)


def _name_the_device(folder: ShopFolder, device_serial: str | None) -> None:
    """Write into shop.toml what the gauge says that it is; else it is asked about, and nobody is there to answer."""
    if device_serial is not None:
        path = folder.root / "shop.toml"
        text = path.read_text(encoding="utf-8")
        named = text.replace('serial = "FB-07"\n', f'serial = "FB-07"\ndevice_serial = "{device_serial}"\n', 1)
        path.write_text(named, encoding="utf-8")


def _figures(number: int) -> str:
    """Return the *number*-th reading: each another value, all within every limit of the job."""
    return f"{2 + number / 100:.2f}"


def _kill_and_go_on(folder: ShopFolder, peer: Peer, rng: random.Random, seen: Seen) -> None:
    environment: Mapping[str, str] = getattr(peer, "environment", {})
    words = ("measure", "gate-leaf", "--lot", "K", "--inspector", "mk", "--gauge", "FB-07", "--pieces", "2")
    # Up to READINGS: while taking; beyond, it is told to end, and the kill comes while it seals. Below 0: while it starts.
    kill_after = rng.randrange(-3, READINGS + 6)
    sent = 0
    with Measuring(folder.root, *words, "--link", peer.address, environment=environment) as first:
        if kill_after < 0:
            time.sleep(rng.random() * 0.8)
        else:
            first.wait_until_up()
            while sent < min(READINGS, kill_after + rng.randrange(4)):
                peer.write([_figures(sent).encode()])
                sent += 1
            first.wait_for_taken(min(kill_after, sent))
            if kill_after >= READINGS:
                first.end_input()
            time.sleep(rng.random() * (0.006 if kill_after < READINGS else 0.3))
        first.kill()
        acknowledged = first.taken()
    seen.acknowledged += len(acknowledged)
    if any(_figures(number - 1) != figures for number, figures in acknowledged.items()):
        _fail(seen, f"shown in another order than sent: {acknowledged}")
    later = _go_on(folder, peer, sent, words, environment, seen)
    _look(folder, acknowledged, later, seen)


def _go_on(
    folder: ShopFolder, peer: Peer, sent: int, words: tuple[str, ...], environment: Mapping[str, str], seen: Seen
) -> list[str]:
    """Go on where the kill was, let the gauge write what the plan still lacks, and return that."""
    later: list[str] = []
    ids = open_ids(folder)
    if not ids and Archive(folder.archive, "look").inspections():
        return later
    if ids:
        with OpenInspection(folder, ids[0], datetime.now(UTC)) as inspection:
            there = len(inspection.taking.readings)
        again = ("measure", "--resume", ids[0], "--link", peer.address)
    else:
        there = 0
        again = (*words, "--link", peer.address)
    with Measuring(folder.root, *again, environment=environment) as second:
        try:
            second.wait_until_up()
            for number in range(sent, sent + READINGS - there):
                later.append(_figures(number))
                peer.write([later[-1].encode()])
            if not second.wait_for_taken(len(later)):
                _fail(seen, f"ended before it had taken what came after the resume: {second.lines}")
            second.end_input()
            if second.ended() != 0:
                _fail(seen, f"did not seal: {second.lines}")
        except AssertionError as late:
            _fail(seen, str(late))
    return later


def _look(folder: ShopFolder, acknowledged: dict[int, str], later: list[str], seen: Seen) -> None:
    archive = Archive(folder.archive, "look")
    if troubles := [t for t in archive.check() if t.kind != "leftover"]:
        _fail(seen, str(troubles))
    sealed = archive.inspections()
    if len(sealed) != 1 or open_ids(folder):
        seen.half_visible += 1
        seen.why = seen.why or f"{len(sealed)} sealed, open: {open_ids(folder)}"
        return
    shown = [reading.shown for reading in archive.reading_records(sealed[0].inspection_id)]
    seen.lost += sum(shown[n - 1 : n] != [figures] for n, figures in acknowledged.items())
    if later:
        seen.lost += sum(figures not in shown for figures in later)
    if len(set(shown)) != len(shown) or len(shown) != READINGS:
        _fail(seen, f"something is there twice or too much: {shown}")


def _fail(seen: Seen, why: str) -> None:
    seen.failed += 1
    seen.why = seen.why or why

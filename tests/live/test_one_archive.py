"""The same 2,000 readings over every kind of link, also with the link lost in the middle, come to the same sealed rows.

The reference is the same lines taken from a capture file. What came is compared twice: byte for byte as the journal keeps
it, and as the readings of the sealed table. Invented data.
"""

from __future__ import annotations

import contextlib
import os
import pty
import random
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path

import pytest

from archive.journal_lines import read
from archive.shop_folder import ShopFolder
from ingest.capture_store import keep
from ingest.capturing import Capture
from ingest.facts import InspectionFacts
from ingest.links import live_link
from ingest.links.address import address_of
from ingest.links.bluetooth import BluetoothLink, Patience
from ingest.links.item import Kind
from ingest.links.keys import Keys
from ingest.links.live import LiveLink, ReadsFiles
from ingest.links.stream import Stream
from ingest.open_inspection import OpenInspection, SaidOfLines
from ingest.sealing import seal
from schemas.profile import Profile
from tests.ingest.taking import SHOP, job
from tests.live.bluez_gauge import BluezGauge
from tests.live.bumble_gauge import BumbleGauge
from tests.live.following import quick_link
from tests.live.pty_gauge import PtyGauge
from tests.live.rfc2217_gauge import Rfc2217Gauge
from tests.live.socket_gauge import SocketGauge

HALF = 1000
PATIENCE_S = 60.0
READINGS = [b"%04d %.2f mil" % (n, random.Random(n).randrange(210, 490) / 100) for n in range(1, 2 * HALF + 1)]
PROFILE = Profile(title="bench", reading=r"(?P<counter>\d{4}) (?P<thickness>[0-9.]+) (?P<unit>mil)")
FACE = {"name": "face", "lower": Decimal(2), "upper": Decimal(5), "spots": 4, "readings_per_spot": 5}
GAUGE = SHOP.gauge[0].model_copy(update={"device_serial": "MK-00417"})
FACTS = InspectionFacts(
    inspection_id="20261103-120000-SAME",
    job_name="part",
    job=job(location=[FACE]),
    shop=SHOP,
    profile_name="bench",
    profile=PROFILE,
    inspector="mk",
    gauge_serial="G1",
    lot="L1",
    pieces=tuple(str(n) for n in range(1, 101)),
)
#: What of a reading depends on the line alone, and where it was put.
COLUMNS = ["reading_no", "raw_line", "thickness_um", "shown", "unit", "piece", "location", "spot", "counted"]


@dataclass
class Way:
    """One way from a gauge to the program.

    Attributes:
        link: Makes the link anew.
        first: Sends the first thousand readings.
        lose: Loses the link, within a line where the way can; None where ending the program is what can happen.
        second: Sends the rest.
    """

    link: Callable[[], LiveLink]
    first: Callable[[], None]
    second: Callable[[], None]
    lose: Callable[[], None] | None = None
    ups: int = 0
    downs: int = 0

    def settle(self, *, ups: int = 0, downs: int = 0) -> None:
        """Wait until the link came and went so often, and for the moment in which a line's beginning is doubted to pass."""
        deadline = time.monotonic() + PATIENCE_S
        while (self.ups < ups or self.downs < downs) and time.monotonic() < deadline:
            time.sleep(0.01)
        time.sleep(0.15)


def _ended(lines: list[bytes], end: bytes = b"\r\n") -> bytes:
    return b"".join(line + end for line in lines)


@contextlib.contextmanager
def _wire(gauge: PtyGauge | SocketGauge | Rfc2217Gauge) -> Iterator[Way]:
    def lose() -> None:
        gauge.write(READINGS[HALF][:9])
        gauge.unplug()
        gauge.replug()

    with gauge:
        yield Way(
            lambda: quick_link(gauge.address, PROFILE),
            lambda: gauge.write(READINGS[:HALF]),
            lambda: gauge.write(READINGS[HALF:]),
            lose,
        )


@contextlib.contextmanager
def _radio(layer: str) -> Iterator[Way]:
    with contextlib.ExitStack() as stack:
        gauge: BluezGauge | BumbleGauge
        if layer == "bluez":
            gauge = stack.enter_context(BluezGauge())
            how = {}
        else:
            gauge = BumbleGauge()
            how = {"client_backend": gauge.client_backend, "scanner_backend": gauge.scanner_backend}
        patience = Patience(search_s=5, settle_s=0.2, waits_s=(0.02, 0.05))

        def lose() -> None:
            gauge.notify([READINGS[HALF][:9]])
            gauge.drop()

        yield Way(
            lambda: BluetoothLink(address_of(f"ble:{gauge.address}"), PROFILE, patience=patience, **how),
            lambda: gauge.notify([line + b"\r\n" for line in READINGS[:HALF]]),
            lambda: gauge.notify([line + b"\r\n" for line in READINGS[HALF:]]),
            lose,
        )


@contextlib.contextmanager
def _keys() -> Iterator[Way]:
    master, slave = pty.openpty()

    def write(lines: list[bytes]) -> None:
        data = _ended(lines, b"\r")
        while data:
            data = data[os.write(master, data[:512]) :]

    yield Way(
        lambda: Keys(address_of("keys"), PROFILE, fd=slave),
        lambda: write(READINGS[:HALF]),
        lambda: write(READINGS[HALF:]),
    )
    os.close(master)
    os.close(slave)


@contextlib.contextmanager
def _pipe(folder: Path) -> Iterator[Way]:
    fifo = folder / "gauge.fifo"
    os.mkfifo(fifo)

    def write(data: bytes) -> None:
        with fifo.open("wb", buffering=0) as out:
            while data:
                data = data[out.write(data[:4096]) :]

    def lose() -> None:
        way.settle(downs=1)  # the first writer's end was seen; two writers in a moment are one to a pipe
        write(READINGS[HALF][:9])  # this one goes in the middle of a line
        way.settle(downs=2)

    way = Way(
        lambda: live_link(address_of(f"pipe:{fifo}"), PROFILE),
        lambda: write(_ended(READINGS[:HALF])),
        lambda: write(_ended(READINGS[HALF:])),
        lose,
    )
    yield way


@contextlib.contextmanager
def _file(folder: Path) -> Iterator[Way]:
    path = folder / "readings.txt"
    path.write_bytes(_ended(READINGS))
    yield Way(lambda: live_link(address_of(f"file:{path}"), PROFILE), lambda: None, lambda: None)


@contextlib.contextmanager
def _folder(folder: Path) -> Iterator[Way]:
    exports = folder / "exports"
    exports.mkdir()

    def write(lines: list[bytes], name: str) -> None:
        for at in range(0, len(lines), 250):
            with (exports / f"{name}-{at // 500}.txt").open("ab") as out:
                out.write(_ended(lines[at : at + 250]))

    yield Way(
        lambda: live_link(address_of(f"folder:{exports}"), PROFILE),
        lambda: write(READINGS[:HALF], "a"),
        lambda: write(READINGS[HALF:], "b"),
    )


WAYS: dict[str, Callable[[Path], contextlib.AbstractContextManager[Way]]] = {
    "serial": lambda folder: _wire(PtyGauge(folder)),
    "socket": lambda _: _wire(SocketGauge()),
    "rfc2217": lambda _: _wire(Rfc2217Gauge()),
    "ble-bluez": lambda _: _radio("bluez"),
    "ble-bumble": lambda _: _radio("bumble"),
    "keys": lambda _: _keys(),
    "pipe": _pipe,
    "file": _file,
    "folder": _folder,
}


@pytest.fixture(scope="module")
def from_a_capture(tmp_path_factory: pytest.TempPathFactory) -> dict[str, list[object]]:
    root = tmp_path_factory.mktemp("reference")
    source = root / "readings.txt"
    source.write_bytes(_ended(READINGS))
    folder = ShopFolder(root / "shop")
    at = datetime(2026, 11, 3, 12, 0, tzinfo=UTC)
    with OpenInspection(folder, FACTS.inspection_id, at, FACTS) as inspection:
        inspection.take_captures([keep(source, folder.captures)], at, SaidOfLines(), at)
        return _sealed(inspection)


@pytest.mark.parametrize("lost", [False, True], ids=["unbroken", "lost-in-the-middle"])
@pytest.mark.parametrize("name", WAYS)
def test_the_same_readings_over_every_link_are_the_same_rows(
    name: str, lost: bool, tmp_path: Path, from_a_capture: dict[str, list[object]]
) -> None:
    folder = ShopFolder(tmp_path / "shop")
    with WAYS[name](tmp_path) as way:
        if way.lose is None and lost:  # no link to lose: the program ends in the middle and goes on
            with _inspection(folder) as first, _taking(first, way, following=way.first, until=HALF):
                pass
            with _inspection(folder) as inspection, _taking(inspection, way, following=way.second):
                sealed = _sealed(inspection)
        else:
            with _inspection(folder) as inspection:

                def all_of_it() -> None:
                    way.settle(ups=1)
                    way.first()
                    if lost and way.lose is not None:
                        way.lose()
                        way.settle(downs=1)
                        if name != "pipe":  # which comes up with its next writer
                            way.settle(ups=2)
                    way.second()

                with _taking(inspection, way, following=all_of_it):
                    sealed = _sealed(inspection)
    assert sealed == from_a_capture
    items = [r for r in read(folder.journals / f"{FACTS.inspection_id}.journal").records if r["kind"] == "item"]
    assert [bytes.fromhex(r["bytes"]) for r in items if r["what"] == Kind.LINE] == READINGS
    tails = [bytes.fromhex(r["bytes"]) for r in items if r["what"] == Kind.PARTIAL]
    assert tails == ([READINGS[HALF][:9]] if lost and way.lose is not None else [])
    assert any(r["what"] == Kind.DOWN for r in items) >= (lost and way.lose is not None)
    assert not any(r["what"] == Kind.LOST for r in items)


@contextlib.contextmanager
def _inspection(folder: ShopFolder) -> Iterator[OpenInspection]:
    new = not (folder.journals / f"{FACTS.inspection_id}.journal").exists()
    with OpenInspection(folder, FACTS.inspection_id, datetime.now(UTC), FACTS if new else None) as inspection:
        yield inspection


@contextlib.contextmanager
def _taking(
    inspection: OpenInspection, way: Way, *, following: Callable[[], None], until: int = len(READINGS)
) -> Iterator[None]:
    """Take what the link hands on until *until* readings are on disk, while *following* sends; then close the link."""
    link = way.link()
    origins = inspection.live.origins.get(link.name)
    if origins and isinstance(link, ReadsFiles):
        link.resume(origins)
    stream = Stream()
    # Where the keyboard is the only link, what it writes is read by the gauge's profile, not as bare figures.
    links = [] if link.name == "keys" else [link.name]
    capture = Capture(
        inspection, lambda: [], lambda: datetime.now(UTC), links=links, gauge=GAUGE, asks=False, confirms=False
    )
    gauge = threading.Thread(target=following, daemon=True)
    link.start(stream)
    deadline = time.monotonic() + PATIENCE_S
    while (item := stream.get(1.0)) is None or item.kind is not Kind.UP:
        assert time.monotonic() < deadline
    capture.item(item)
    way.ups += 1
    gauge.start()
    while len(inspection.taking.readings) < until:
        assert time.monotonic() < deadline, (len(inspection.taking.readings), inspection.taking.other_lines[:3])
        came = stream.get(0.2)
        while came is not None and len(inspection.taking.readings) < until:
            batch = [came]
            while len(batch) < 200 and (more := stream.get(0)) is not None:
                batch.append(more)
            capture.items(batch)
            way.ups += sum(one.kind is Kind.UP for one in batch)
            way.downs += sum(one.kind is Kind.DOWN for one in batch)
            came = stream.get(0)
    gauge.join(PATIENCE_S)
    link.close()
    stream.close()
    yield


def _sealed(inspection: OpenInspection) -> dict[str, list[object]]:
    sealed = seal(
        inspection.facts,
        inspection.taking,
        [],
        capture_sha256=inspection.capture_sha256,
        sealed_at=datetime.now(UTC) + timedelta(minutes=1),
        sealed_by="mk",
    )
    found: dict[str, list[object]] = sealed.readings.select(COLUMNS).to_pydict()
    return found

"""From the wire to the screen, and lines without a pause: the real `filmtally measure` against bare readers.

First row: a gauge writes a line to a serial line (a pseudo-terminal) every 40 to 70 ms, the program draws its screen on a
terminal of 80 x 24, and the clock stops with the bytes in which the screen first shows the count of taken readings, which is
after the reading is durable. Its floor does the least that can be called the same: read the line, append it to a file, sync, and
write one line to its terminal.

Second row: 20,000 lines at once over a socket in plain lines, until the last is shown as taken; its floor reads the same bytes
from the same gauge, appends each chunk to a file and syncs it.
"""

from __future__ import annotations

import fcntl
import os
import pty
import random
import select
import shutil
import statistics
import struct
import subprocess
import sys
import tempfile
import termios
import threading
import time
from contextlib import redirect_stdout
from io import StringIO
from pathlib import Path
from typing import Any, Final

import pyte

from archive.shop_folder import ShopFolder
from bench.live_process import Measuring
from filmtally import main
from tests.live.pty_gauge import PtyGauge
from tests.live.socket_gauge import SocketGauge

ROOT: Final = Path(__file__).parents[1]
SAMPLES: Final = ROOT / "sample_captures" / "shop"
READINGS: Final = 200
LINES: Final = 20_000
#: What the customer wants on a certificate, so that nothing is asked.
_FACTS: Final = ("--lot-size", "400", "--purchase-order", "B-1", "--powder-batch", "B-2")
_COLUMNS: Final = 80
_ROWS: Final = 24
_PATIENCE_S: Final = 60.0
_BARE: Final = """
import os, sys, tty
link = os.open(sys.argv[1], os.O_RDWR | os.O_NOCTTY)
tty.setraw(link)
out = os.open(sys.argv[2], os.O_WRONLY | os.O_CREAT | os.O_APPEND)
os.write(1, b"ready\\r\\n")
held = b""
number = 0
while True:
    held += os.read(link, 4096)
    while b"\\r\\n" in held:
        line, _, held = held.partition(b"\\r\\n")
        os.write(out, line + b"\\n")
        os.fsync(out)
        number += 1
        os.write(1, b"taken %d of 200\\r\\n" % number)
"""
_BARE_SOCKET: Final = """
import os, socket, sys
link = socket.create_connection((sys.argv[1], int(sys.argv[2])))
out = os.open(sys.argv[3], os.O_WRONLY | os.O_CREAT | os.O_APPEND)
lines = 0
while lines < int(sys.argv[4]):
    data = link.recv(65536)
    os.write(out, data)
    os.fsync(out)
    lines += data.count(b"\\n")
"""


def rows() -> list[dict[str, Any]]:
    """Return the rows of this benchmark."""
    root = Path(tempfile.mkdtemp(prefix="filmtally-bench-"))
    try:
        folder = _shop(root)
        ours, floor = _to_the_screen(folder, root), _bare_to_the_screen(root)
        sustained, bare = _without_a_pause(folder), _bare_without_a_pause(root)
    finally:
        shutil.rmtree(root, ignore_errors=True)
    at = {"p50": 50, "p99": 99}
    found = []
    for name, percent in at.items():
        bare_ms, ours_ms = (statistics.quantiles(times, n=100)[percent - 1] for times in (floor, ours))
        found.append(_row(f"line on the wire to reading on the screen, {name}, ms", bare_ms, ours_ms, "reported"))
    name = f"{LINES:,} lines over a socket to the last durable and shown, s ({LINES / sustained:,.0f} lines/s)"
    found.append(_row(name, bare, sustained, "reported"))
    return found


def _row(name: str, floor: float, ours: float, aim: str) -> dict[str, Any]:
    return {"name": name, "floor": round(floor, 3), "ours": round(ours, 3), "ratio": round(ours / floor, 2), "aim": aim}


def _shop(root: Path) -> ShopFolder:
    folder = ShopFolder(root / "shop")
    shutil.copytree(SAMPLES, folder.root)
    job = (folder.root / "jobs" / "gate-leaf.toml").read_text(encoding="utf-8")
    head, _, _ = job.partition("[[location]]")
    place = '[[location]]\nname = "face"\nlower = 2.0\nupper = 5.0\nreadings_per_spot = 100\n'
    (folder.root / "jobs" / "bench.toml").write_text(head.replace('drawing = "gate-leaf.svg"', "") + place, "utf-8")
    check = ["check", "verification", "--gauge", "FB-07", "--occasion", "opening", "--by", "mk"]
    for standard in ("Z-0=0.1,0.0,0.1", "S-50=50.3,50.1,50.2", "S-130=129.6,129.9,129.5"):
        check += ["--standard", standard]
    with redirect_stdout(StringIO()):
        main(["--shop", str(folder.root), *check])
    return folder


def _to_the_screen(folder: ShopFolder, root: Path) -> list[float]:
    """Return, per reading, milliseconds from the write on the wire to the screen that shows it as taken."""
    with PtyGauge(root) as gauge:
        words = [
            "measure",
            "bench",
            "--lot",
            "S",
            "--inspector",
            "mk",
            "--gauge",
            "FB-07",
            "--pieces",
            str(READINGS // 100),
            *_FACTS,
        ]
        command = [sys.executable, "-m", "filmtally", "--shop", str(folder.root), *words, "--link", gauge.address]
        with _Terminal([*command, "--keep-open"]) as terminal:
            return terminal.times(gauge, f"taken 0 of {READINGS}")


def _bare_to_the_screen(root: Path) -> list[float]:
    with PtyGauge(root) as gauge, _Terminal([sys.executable, "-c", _BARE, str(gauge.path), str(root / "bare")]) as term:
        return term.times(gauge, "ready")


class _Terminal:
    """A program on a terminal of its own; what it writes is kept with its time and drawn afterwards."""

    def __init__(self, command: list[str]) -> None:
        self._command = command
        self._came: list[tuple[float, bytes]] = []
        self._changed = threading.Condition()

    def __enter__(self) -> _Terminal:
        self._master, slave = pty.openpty()
        fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", _ROWS, _COLUMNS, 0, 0))
        self._child = subprocess.Popen(
            self._command, cwd=ROOT, stdin=slave, stdout=slave, stderr=slave, start_new_session=True,
            env={**os.environ, "TERM": "xterm-256color", "PYTHONPATH": str(ROOT)},
        )  # fmt: skip
        os.close(slave)
        self._over = threading.Event()
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._child.kill()
        self._child.wait()
        self._over.set()
        self._reader.join()
        os.close(self._master)

    def _read(self) -> None:
        while not self._over.is_set():
            if not select.select([self._master], [], [], 0.2)[0]:
                continue
            try:
                data = os.read(self._master, 65536)
            except OSError:
                return
            with self._changed:
                self._came.append((time.perf_counter(), data))
                self._changed.notify_all()

    def _settled(self) -> None:
        """Wait until nothing more was written for a moment."""
        count = -1
        while count != len(self._came):
            count = len(self._came)
            time.sleep(0.3)

    def times(self, gauge: PtyGauge, ready: str) -> list[float]:
        """Return, per reading, milliseconds from its write to the first screen that counts it."""
        deadline = time.monotonic() + _PATIENCE_S
        while not any(ready in line for line in self._drawn()):
            assert time.monotonic() < deadline, self._drawn()
            time.sleep(0.05)
        self._settled()
        rng = random.Random(5)  # noqa: S311 - the same pauses in every run
        written = []
        for number in range(READINGS):
            written.append(time.perf_counter())
            gauge.write([b"3.%02d" % (number % 90)])
            time.sleep(rng.uniform(0.04, 0.07))
        self._settled()
        counted = self._counted()
        missing = [n for n in range(1, READINGS + 1) if n not in counted]
        assert len(missing) <= READINGS // 50, missing
        return [(counted[n] - written[n - 1]) * 1000 for n in range(1, READINGS + 1) if n in counted]

    def _drawn(self) -> list[str]:
        screen = pyte.Screen(_COLUMNS, _ROWS)
        stream = pyte.ByteStream(screen)
        for _, data in list(self._came):
            stream.feed(data)
        return list(screen.display)

    def _counted(self) -> dict[int, float]:
        """Return when the screen first showed each count: everything is drawn again, piece by piece."""
        screen = pyte.Screen(_COLUMNS, _ROWS)
        stream = pyte.ByteStream(screen)
        found: dict[int, float] = {}
        for at, data in self._came:
            stream.feed(data)
            for line in screen.display:
                if "taken " in line and (number := line.partition("taken ")[2].split(" ")[0]).isdigit():
                    found.setdefault(int(number), at)
        return found


def _without_a_pause(folder: ShopFolder) -> float:
    lines = [b"3.%02d" % (number % 90) for number in range(LINES)]
    with SocketGauge() as gauge:
        words = [
            "measure",
            "bench",
            "--lot",
            "W",
            "--inspector",
            "mk",
            "--gauge",
            "FB-07",
            "--pieces",
            str(LINES // 100),
            *_FACTS,
        ]
        with Measuring(folder.root, *words, "--link", gauge.address, "--keep-open") as measuring:
            measuring.wait_until_up()
            start = time.perf_counter()
            gauge.write(lines)
            last = f"taken {LINES}:"
            while last not in measuring.lines[-1]:
                assert time.perf_counter() - start < 300, measuring.lines[-1]
                time.sleep(0.002)
            return time.perf_counter() - start


def _bare_without_a_pause(root: Path) -> float:
    lines = [b"3.%02d" % (number % 90) for number in range(LINES)]
    with SocketGauge() as gauge:
        host, _, port = gauge.address.removeprefix("socket://").rpartition(":")
        command = [sys.executable, "-c", _BARE_SOCKET, host, port, str(root / "bare-socket"), str(LINES)]
        child = subprocess.Popen(command)
        gauge.connected()
        start = time.perf_counter()
        gauge.write(lines)
        child.wait(_PATIENCE_S)
        return time.perf_counter() - start

"""What the screen writes to a terminal, byte by byte: read by pyte at the other end of a pseudo-terminal."""

from __future__ import annotations

import fcntl
import os
import select
import signal
import struct
import subprocess
import sys
import termios
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pyte
import pytest

ROOT = Path(__file__).parents[2]


class PtyBench:
    """The screen's program on a pseudo-terminal; nothing is read from it unless it is asked for."""

    def __init__(self, master: int, gauge: int, disk: Path, columns: int, rows: int) -> None:
        self.master = master
        self._gauge = gauge
        self._disk = disk
        self.screen = pyte.Screen(columns, rows)
        self._stream = pyte.ByteStream(self.screen)
        self.written = b""

    def send(self, *lines: str) -> None:
        os.write(self._gauge, "".join(f"{line}\n" for line in lines).encode())

    def press(self, keys: bytes) -> None:
        os.write(self.master, keys)

    @property
    def on_disk(self) -> list[str]:
        return self._disk.read_text(encoding="utf-8").splitlines() if self._disk.exists() else []

    def read_until(self, true: Callable[[str], bool], what: str) -> bytes:
        """Read what the program writes until *true* of the screen, and return what it wrote since the last call."""
        deadline = time.monotonic() + 60
        start = len(self.written)
        while not true("\n".join(self.screen.display)):
            assert time.monotonic() < deadline, f"{what}:\n" + "\n".join(self.screen.display)
            if select.select([self.master], [], [], 0.1)[0]:
                data = os.read(self.master, 65536)
                self.written += data
                self._stream.feed(data)
        return self.written[start:]


@contextmanager
def pty_bench(folder: Path, *options: str, columns: int = 80, rows: int = 24, **more: str) -> Iterator[PtyBench]:
    fifo, disk = folder / "gauge", folder / "disk"
    os.mkfifo(fifo)
    master, slave = os.openpty()
    fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", rows, columns, 0, 0))
    gauge = os.open(fifo, os.O_RDWR)
    environ = {**os.environ, "PYTHONPATH": str(ROOT), "TERM": "xterm", "LC_ALL": "C.UTF-8", "PYTHONUTF8": "1", **more}
    environ.pop("NO_COLOR", None) if "NO_COLOR" not in more else None
    program = subprocess.Popen(
        [sys.executable, "-m", "tests.live.screen_program", "--fifo", str(fifo), str(disk), *options],
        stdin=slave,
        stdout=slave,
        stderr=slave,
        env=environ,
        cwd=ROOT,
        start_new_session=True,
    )
    os.close(slave)
    try:
        yield PtyBench(master, gauge, disk, columns, rows)
    finally:
        program.send_signal(signal.SIGKILL)
        program.wait()
        os.close(gauge)
        os.close(master)


def shows(text: str) -> Callable[[str], bool]:
    return lambda screen: text in screen


@pytest.mark.parametrize("columns", [80, 120])
def test_only_what_changes_is_written(tmp_path: Path, columns: int) -> None:
    with pty_bench(tmp_path, "--no-sound", columns=columns) as live:
        live.read_until(shows("F10 F"), "the first screen")
        live.send("84.2", "84.2")
        live.read_until(lambda screen: "taken 2 of 24" in screen and "2/2 84.2" in screen, "readings")
        live.send("84.3")
        change = live.read_until(shows("taken 3 of 24"), "the next reading")
        assert b"\x1b[2J" not in change
        assert len(change) < columns * 24 / 4
        live.press(b"\x1b[99~")  # a key that means nothing writes nothing
        live.press(b"\x1bOR")
        undone = live.read_until(shows("NOT COUNTED"), "undone")
        assert b"\x1b[2J" not in undone


def test_the_three_sounds_are_one_two_and_three_bells_and_none_where_none_is_wanted(tmp_path: Path) -> None:
    with pty_bench(tmp_path) as live:
        live.read_until(shows("No reading yet."), "the first screen")
        for line, bells in (("84.2", 1), ("200", 3), ("words", 6)):
            live.send(line)
            live.read_until(lambda _, bells=bells: live.written.count(b"\x07") == bells, f"{bells} bells")  # type: ignore[misc]
    folder = tmp_path / "silent"
    folder.mkdir()
    with pty_bench(folder, "--no-sound") as live:
        live.read_until(shows("No reading yet."), "the first screen")
        live.send("84.2", "200", "words")
        live.read_until(shows("NO READING"), "three lines")
        assert b"\x07" not in live.written


def test_a_terminal_that_takes_nothing_does_not_keep_readings_from_the_disk(tmp_path: Path) -> None:
    with pty_bench(tmp_path, columns=200, rows=60) as live:
        live.read_until(shows("No reading yet."), "the first screen")
        for number in range(300):  # nobody reads the terminal meanwhile, and its buffer is full long before the end
            live.send(f"{60 + number % 60}.{number % 10}")
            if number % 10 == 0:
                time.sleep(0.02)
        deadline = time.monotonic() + 60
        while len(live.on_disk) < 300:
            assert time.monotonic() < deadline, len(live.on_disk)
            time.sleep(0.02)
        live.read_until(shows("taken 300 of 24"), "the last screen, once it is read again")


def test_without_colours_nothing_but_bold_and_reverse_is_asked_for(tmp_path: Path) -> None:
    with pty_bench(tmp_path, "--no-sound", NO_COLOR="1") as live:
        live.read_until(shows("No reading yet."), "the first screen")
        live.send("200")
        live.read_until(shows("TOO HIGH"), "a reading outside")
        colours = {cell.fg for row in live.screen.buffer.values() for cell in row.values()}
        assert colours == {"default"}


def test_with_colours_sixteen_are_enough(tmp_path: Path) -> None:
    with pty_bench(tmp_path, "--no-sound", COLORTERM="truecolor", TERM="xterm-256color") as live:
        live.read_until(shows("No reading yet."), "the first screen")
        live.send("200")
        live.read_until(shows("TOO HIGH"), "a reading outside")
        colours = {cell.fg for row in live.screen.buffer.values() for cell in row.values()}
        assert colours <= {"default", "red", "green", "brown"}
        assert b"38;" not in live.written


def test_a_console_of_plain_ascii_is_written_to_in_plain_ascii(tmp_path: Path) -> None:
    with pty_bench(tmp_path, "--no-sound", LC_ALL="C", PYTHONUTF8="0", PYTHONIOENCODING="ascii") as live:
        live.read_until(shows("No reading yet."), "the first screen")
        live.send("84.2")
        live.read_until(shows("IN WINDOW"), "a reading")
        assert live.written.isascii()
        assert "######" in "\n".join(live.screen.display)


def test_an_undo_pressed_before_a_reading_came_is_not_for_that_reading(tmp_path: Path) -> None:
    with pty_bench(tmp_path, "--no-sound") as live:
        live.read_until(shows("No reading yet."), "the first screen")
        live.send("84.2")
        live.read_until(shows("taken 1 of 24"), "a reading")
        live.press(b"u")
        time.sleep(0.02)  # the letter waits for what follows it; the reading comes meanwhile
        live.send("99.9")
        live.read_until(shows("1 not counted"), "undone")
        live.read_until(lambda _: len(live.on_disk) == 3, "both")
        assert live.on_disk[1:] == ["act undo", "reading 99.9 P-1 top rail"]

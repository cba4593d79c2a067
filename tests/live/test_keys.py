"""The keyboard as a link, on real pseudo-terminals; the terminal is restored whatever happens."""

from __future__ import annotations

import contextlib
import os
import pty
import select
import signal
import subprocess
import sys
import termios
import threading
import time
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from ingest.links.address import address_of
from ingest.links.item import Kind
from ingest.links.key_lines import Key
from ingest.links.keys import Keys, console_bytes
from ingest.links.stream import Stream
from tests.live.readings import PATIENCE_S, PROFILE, got, has, has_lines, lines_of, two_thousand

Terminal = tuple[int, int]


@pytest.fixture
def terminal() -> Iterator[Terminal]:
    master, slave = pty.openpty()
    yield master, slave
    for fd in (master, slave):
        os.close(fd)


def write_all(fd: int, data: bytes) -> None:
    while data:
        data = data[os.write(fd, data) :]


def test_two_thousand_readings_through_the_keyboard_and_the_terminal_is_as_it_was(terminal: Terminal) -> None:
    master, slave = terminal
    before = termios.tcgetattr(slave)
    stream = Stream()
    link = Keys(address_of("keys"), PROFILE, fd=slave)
    link.start(stream)
    got(stream, has(Kind.UP))
    readings = two_thousand()
    writer = threading.Thread(target=write_all, args=(master, b"".join(line + b"\r" for line in readings)))
    writer.start()
    items = got(stream, has_lines(2000))
    writer.join()
    assert lines_of(items) == readings
    assert {item.about["entered"] for item in items} == {"wedge"}
    assert termios.tcgetattr(slave) != before
    link.close()
    link.close()
    assert termios.tcgetattr(slave) == before


def test_bytes_that_a_usual_terminal_swallows_arrive(terminal: Terminal) -> None:
    master, slave = terminal
    stream = Stream()
    profile = PROFILE.model_copy(update={"line_end": "\t", "max_line_bytes": 8192})
    link = Keys(address_of("keys"), profile, fd=slave)
    link.start(stream)
    got(stream, has(Kind.UP))
    sent = [b"12\x033.4", b"12\x153.4", b"3.1\x7f2", b"\x13\x11\x1a\x1c3.12", b"x" * 6000]
    writer = threading.Thread(target=write_all, args=(master, b"".join(line + b"\t" for line in sent)))
    writer.start()
    items = got(stream, has_lines(len(sent)))
    writer.join()
    link.close()
    assert lines_of(items) == sent


def test_keys_and_the_line_so_far_are_told_and_ctrl_d_ends_the_link(terminal: Terminal) -> None:
    master, slave = terminal
    stream = Stream()
    keys: list[Key] = []
    texts: list[bytes] = []
    link = Keys(address_of("keys"), PROFILE, fd=slave)
    link.listen(keys.append, texts.append)
    link.start(stream)
    got(stream, has(Kind.UP))

    def until(done: Callable[[], bool]) -> None:
        deadline = time.monotonic() + PATIENCE_S
        while not done():
            assert time.monotonic() < deadline
            time.sleep(0.01)

    os.write(master, b"3")
    until(lambda: bool(texts) and texts[-1] == b"3")
    os.write(master, b"\x1b[15~")
    until(lambda: Key("f5") in keys)
    os.write(master, b"\r")
    assert lines_of(got(stream, has_lines(1))) == [b"3"]
    os.write(master, b"\x04")
    assert got(stream, has(Kind.END))[-1].kind is Kind.END
    link.close()


def test_a_terminal_that_goes_is_down_and_the_tail_is_kept(terminal: Terminal) -> None:
    master, slave = pty.openpty()
    stream = Stream()
    link = Keys(address_of("keys"), PROFILE, fd=slave)
    link.start(stream)
    os.write(master, b"3.12\r#0001 3.")
    got(stream, has_lines(1))
    os.close(master)
    items = got(stream, has(Kind.END))
    link.close()
    os.close(slave)
    assert [item.kind for item in items if item.kind is not Kind.PARTIAL] == [Kind.DOWN, Kind.END]
    # What a terminal had not handed on yet goes with it; what was read is kept.
    assert b"#0001 3.".startswith(b"".join(lines_of(items, Kind.PARTIAL)))


def test_without_a_terminal_it_says_so() -> None:
    reading, writing = os.pipe()
    stream = Stream()
    link = Keys(address_of("keys"), PROFILE, fd=reading)
    link.start(stream)
    down, _ = got(stream, has(Kind.END))
    link.close()
    os.close(reading)
    os.close(writing)
    assert "no terminal" in down.note


def test_special_keys_of_a_windows_console_are_the_terminals() -> None:
    def of(codes: str) -> bytes:
        left = list(codes)
        return console_bytes(lambda: left.pop(0), lambda: bool(left))

    assert of("\0?") == b"\x1b[15~"
    assert of("\xe0H") == b"\x1b[A"
    assert of("\xe0") == "à".encode()
    assert of("µ") == "µ".encode()
    assert of("\ud83d\ude00") == "\U0001f600".encode()


CHILD = """
import sys, time
from ingest.links.address import address_of
from ingest.links.item import Kind
from ingest.links.keys import Keys
from ingest.links.stream import Stream
from schemas.profile import Profile
stream = Stream()
link = Keys(address_of("keys"), Profile(title="t", reading=r"(?P<thickness>[0-9.]+)", unit="mil"))
link.start(stream)
assert stream.get().kind is Kind.UP
print("ready", flush=True)
while True:
    item = stream.get()
    print(item.kind, flush=True)
    if item.frame and item.frame.data == b"fail":
        raise RuntimeError
"""


#: As a shell does: the program is a job of its own in the foreground, and can be stopped and continued.
SHELL = """
import fcntl, os, signal, subprocess, sys, termios
fcntl.ioctl(0, termios.TIOCSCTTY, 0)
signal.signal(signal.SIGTTOU, signal.SIG_IGN)
job = subprocess.Popen([sys.executable, "-c", sys.argv[1]], process_group=0, restore_signals=True)
os.tcsetpgrp(0, job.pid)
print(f"job {job.pid}.", flush=True)
status = job.wait()
print(f"status {status}.", flush=True)
sys.stdin.readline()
"""


class Child:
    """A program that takes keys on a terminal of its own, started as a shell does."""

    def __init__(self) -> None:
        self.master, self.slave = pty.openpty()
        self.before = termios.tcgetattr(self.slave)
        self.heard = b""
        self.process = subprocess.Popen(
            [sys.executable, "-c", SHELL, f"import signal\nsignal.signal(signal.SIGTTOU, signal.SIG_DFL)\n{CHILD}"],
            stdin=self.slave,
            stdout=self.slave,
            stderr=self.slave,
            start_new_session=True,
        )
        self.read_until(b".")
        self.pid = int(self.heard.split(b"job ")[1].split(b".")[0])

    def wait(self) -> int:
        """Return what the program ended with; the shell still holds the terminal then."""
        self.read_until(b"status ")
        self.read_until(b".\r\n", behind=b"status ")
        return int(self.heard.split(b"status ")[1].split(b".")[0])

    def read_until(self, word: bytes, behind: bytes = b"") -> None:
        deadline = time.monotonic() + PATIENCE_S
        while word not in self.heard.partition(behind or b"job ")[2]:
            assert time.monotonic() < deadline, self.heard
            if select.select([self.master], [], [], 0.2)[0]:
                self.heard += os.read(self.master, 4096)

    def is_raw(self) -> bool:
        return not termios.tcgetattr(self.slave)[3] & termios.ICANON

    def wait_for(self, done: Callable[[], Any]) -> None:
        deadline = time.monotonic() + PATIENCE_S
        while not done():
            assert time.monotonic() < deadline
            time.sleep(0.01)

    def state(self) -> str:
        with open(f"/proc/{self.pid}/stat") as facts:  # noqa: PTH123 - no file on a disk
            return facts.read().rsplit(")", 1)[1].split()[0]

    def close(self) -> None:
        for pid in (self.pid, self.process.pid):
            with contextlib.suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
        self.process.wait()
        os.close(self.master)
        os.close(self.slave)


@pytest.fixture
def child() -> Iterator[Child]:
    started = Child()
    try:
        started.read_until(b"ready")
        assert started.is_raw()
        yield started
    finally:
        started.close()


def test_ctrl_c_interrupts_and_the_terminal_is_restored(child: Child) -> None:
    os.write(child.master, b"\x03")
    assert child.wait() != 0
    child.read_until(b"KeyboardInterrupt")
    assert termios.tcgetattr(child.slave) == child.before


def test_an_exception_restores_the_terminal(child: Child) -> None:
    os.write(child.master, b"fail\r")
    assert child.wait() == 1
    assert termios.tcgetattr(child.slave) == child.before


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP])
def test_a_signal_that_ends_the_program_restores_the_terminal(child: Child, number: signal.Signals) -> None:
    os.kill(child.pid, number)
    assert child.wait() == -number
    assert termios.tcgetattr(child.slave) == child.before


@pytest.mark.skipif(
    not sys.platform.startswith("linux"), reason="asks /proc whether a process is stopped; runs on Linux"
)
@pytest.mark.parametrize("by", ["signal", "key"])
def test_a_program_that_is_suspended_leaves_the_terminal_as_it_was_and_takes_it_back(child: Child, by: str) -> None:
    if by == "key":
        os.write(child.master, b"\x1a")
    else:
        os.kill(child.pid, signal.SIGTSTP)
    child.wait_for(lambda: child.state() == "T")
    assert termios.tcgetattr(child.slave) == child.before
    os.kill(child.pid, signal.SIGCONT)
    child.wait_for(child.is_raw)
    os.write(child.master, b"3.12\r")
    child.read_until(b"line")

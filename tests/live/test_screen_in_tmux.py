"""The capture screen in a real terminal: keys pressed, screen read, and the terminal left as it was found."""

from __future__ import annotations

import os
import shutil
import signal
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.live.tmux_terminal import TmuxTerminal

pytestmark = pytest.mark.skipif(shutil.which("tmux") is None, reason="tmux is not installed: apt-get install tmux")
ROOT = Path(__file__).parents[2]


class Bench:
    """A screen in tmux, and the gauge at the other end of its pipe."""

    def __init__(self, terminal: TmuxTerminal, gauge: int, disk: Path) -> None:
        self.terminal = terminal
        self._gauge = gauge
        self._disk = disk

    def send(self, *lines: str) -> None:
        os.write(self._gauge, "".join(f"{line}\n" for line in lines).encode("utf-8", "surrogateescape"))

    @property
    def on_disk(self) -> list[str]:
        return self._disk.read_text(encoding="utf-8").splitlines() if self._disk.exists() else []

    def wait_on_disk(self, line: str) -> None:
        until(lambda: line in self.on_disk, f"{line!r} on disk")


def until(true: Callable[[], bool], what: str) -> None:
    deadline = time.monotonic() + 60
    while not true():
        assert time.monotonic() < deadline, what
        time.sleep(0.02)


@contextmanager
def bench(
    folder: Path, *options: str, columns: int = 80, rows: int = 24, in_a_shell: bool = False, term: str | None = None
) -> Iterator[Bench]:
    fifo, disk = folder / "gauge", folder / "disk"
    os.mkfifo(fifo)
    command = [sys.executable, "-m", "tests.live.screen_program", "--fifo", str(fifo), str(disk), *options]
    if term is not None:
        command = ["env", f"TERM={term}", *command]
    environ = {**os.environ, "PYTHONPATH": str(ROOT), "PYTHONDONTWRITEBYTECODE": "1"}
    gauge = os.open(fifo, os.O_RDWR)
    try:
        with TmuxTerminal(columns, rows, command, environ, in_a_shell=in_a_shell) as terminal:
            yield Bench(terminal, gauge, disk)
    finally:
        os.close(gauge)


def is_own_again(terminal: TmuxTerminal) -> bool:
    return terminal.state("#{alternate_on}") == "0" and terminal.state("#{cursor_flag}") == "1"


def words(screen: str) -> str:
    return " ".join(screen.split())


def test_a_reading_is_on_disk_when_it_is_on_the_screen_and_keys_steer(tmp_path: Path) -> None:
    with bench(tmp_path, "--request") as live:
        terminal = live.terminal
        terminal.wait_for("No reading yet.")
        assert terminal.state("#{cursor_flag}") == "0"
        live.send("84.2")
        screen = terminal.wait_for("IN WINDOW")
        assert live.on_disk == ["reading 84.2 P-1 top rail"]
        assert "taken 1 of 24" in screen
        live.send("136.5")
        assert "TOO HIGH by 16.5 µm" in terminal.wait_for("TOO HIGH")
        terminal.keys("F3")
        terminal.wait_for("NOT COUNTED")
        terminal.keys("x")
        terminal.wait_for("1  probe slipped")
        terminal.keys("2")
        live.wait_on_disk("act exclude on an edge")
        terminal.keys("F2")
        live.wait_on_disk("reading 77.7 P-1 bottom rail")
        terminal.keys("g")
        terminal.wait_for("another location on this piece")
        terminal.keys("1")
        terminal.wait_for("Which location?")
        terminal.keys("3")
        live.wait_on_disk("act go to @location Türblatt")
        terminal.wait_for("done: go to")
        terminal.keys("t")
        terminal.wait_for("What is to be noted?")
        terminal.type("rain äöü")
        terminal.wait_for("> rain äöü_")
        terminal.keys("Enter")
        live.wait_on_disk("act note rain äöü")
        terminal.keys("p")
        terminal.wait_for("PAUSED")
        time.sleep(0.8)  # the key pressed again sooner would be a finger that trembles
        terminal.keys("F9")
        terminal.wait_until(lambda screen: "PAUSED" not in screen, "no pause")
        terminal.keys("F1")
        terminal.wait_for("KEYS (any key goes back)")
        terminal.keys("Escape")
        terminal.wait_for("F10 F")
        terminal.keys("F10")
        assert "readings are missing" in terminal.wait_for("stop for now; it stays open")
        terminal.keys("2")
        terminal.wait_for("left: later")
        until(lambda: is_own_again(terminal), "a terminal as it was before")


def test_scanned_names_are_gone_to_and_anything_else_is_told(tmp_path: Path) -> None:
    with bench(tmp_path) as live:
        live.terminal.wait_for("No reading yet.")
        live.terminal.type("P-2\r")
        live.wait_on_disk("act go to @piece P-2")
        live.terminal.type("unpfx\r")
        live.terminal.wait_for("'unpfx' was scanned or typed")
        assert live.on_disk == ["act go to @piece P-2"]


def test_a_question_a_lost_link_and_a_full_disk_are_shown_and_pass(tmp_path: Path) -> None:
    with bench(tmp_path) as live:
        terminal = live.terminal
        terminal.wait_for("No reading yet.")
        live.send("3.31")
        assert "3.31 looks like mil" in terminal.wait_for("QUESTION")
        terminal.keys("u")
        terminal.wait_for("Answer the question first")
        terminal.keys("F12")
        live.wait_on_disk("act leave out")
        live.send("!down")
        assert "the cable is out; plug it in" in terminal.wait_for("LINK DOWN")
        live.send("!up")
        terminal.wait_until(lambda screen: "LINK DOWN" not in screen, "link up")
        full = tmp_path / "disk.full"
        full.touch()
        terminal.wait_for("STOPPED – nothing is taken.")
        live.send("88.1", "88.2")
        terminal.wait_for("STOPPED")
        assert not [line for line in live.on_disk if line.startswith("reading")]
        full.unlink()
        live.wait_on_disk("reading 88.2 P-1 top rail")
        terminal.wait_until(lambda screen: "STOPPED" not in screen and "taken 2 of 24" in screen, "goes on")


def test_the_window_may_change_its_size_at_any_time(tmp_path: Path) -> None:
    with bench(tmp_path) as live:
        terminal = live.terminal
        terminal.wait_for("No reading yet.")
        live.send("84.2")
        terminal.wait_for("IN WINDOW")
        for columns, rows in ((120, 40), (40, 12), (60, 20), (25, 6), (80, 24)):
            terminal.resize(columns, rows)
            whole = columns >= 40
            screen = terminal.wait_until(
                lambda screen, rows=rows, whole=whole: (  # type: ignore[misc]
                    len(screen.rstrip("\n").split("\n")) == rows
                    and (("IN WINDOW" in screen and "F1" in screen) or not whole)
                ),
                f"{columns} x {rows}",
            )
            assert all(len(line) <= columns for line in screen.split("\n"))


def test_what_is_typed_is_a_reading_where_the_keyboard_is_the_link(tmp_path: Path) -> None:
    with bench(tmp_path, "--keys") as live:
        terminal = live.terminal
        terminal.wait_for("typed: _")
        for name in ("8", "4", ".", "2", "5", "BSpace"):  # one by one, each once the one before is on the screen
            before = terminal.capture()
            terminal.keys(name)
            terminal.wait_until(lambda screen, before=before: screen != before, name)  # type: ignore[misc]
        terminal.keys("Enter")
        live.wait_on_disk("reading 84.2 P-1 top rail")
        terminal.type("91.0\r")
        live.wait_on_disk("reading 91.0 P-1 top rail")
        time.sleep(0.2)  # no finger follows a gauge that types within 35 ms
        terminal.keys("C-u")
        live.wait_on_disk("act undo")
        terminal.type("P-3\r")
        live.wait_on_disk("act go to @piece P-3")


def test_an_escape_sequence_from_a_gauge_does_not_reach_the_terminal(tmp_path: Path) -> None:
    with bench(tmp_path) as live:
        terminal = live.terminal
        terminal.wait_for("No reading yet.")
        title = terminal.state("#{pane_title}")
        live.send("\x1b]0;owned\x07\x1b[2J\x1b[?1049l")
        screen = words(terminal.wait_for("NO READING"))
        assert "owned" in screen
        assert "F1 H help" in screen
        assert terminal.state("#{pane_title}") == title
        assert terminal.state("#{alternate_on}") == "1"


@pytest.mark.parametrize("how", ["control-c", "crash", "SIGTERM", "SIGINT", "SIGHUP"])
def test_the_terminal_is_left_as_it_was_found(tmp_path: Path, how: str) -> None:
    with bench(tmp_path, in_a_shell=True) as live:
        terminal = live.terminal
        terminal.wait_for("No reading yet.")
        if how == "control-c":
            terminal.keys("C-c")
        elif how == "crash":
            live.send("!crash")
        else:
            os.kill(program_in(terminal), getattr(signal, how))
        terminal.wait_for("a defect of ours" if how == "crash" else "left: later")
        terminal.wait_until(lambda screen: screen.rstrip().endswith("shell>"), "the shell's prompt")
        until(lambda: is_own_again(terminal), "a terminal as it was before")
        assert "screen_program" in terminal.capture()  # what stood there before stands there again
        terminal.type("stty -a | tr ' ' '\\n' | grep -x -e icanon -e echo -e isig -e 'ixon' | wc -l")
        terminal.keys("Enter")
        terminal.wait_until(lambda screen: "\n4\n" in screen, "a terminal that echoes, edits and signals")


def test_control_z_gives_the_terminal_back_and_fg_draws_the_screen_again(tmp_path: Path) -> None:
    with bench(tmp_path, in_a_shell=True) as live:
        terminal = live.terminal
        terminal.wait_for("No reading yet.")
        live.send("84.2")
        terminal.wait_for("IN WINDOW")
        for again in range(2):
            terminal.keys("C-z")
            terminal.wait_until(lambda screen: screen.rstrip().endswith("shell>"), "the shell's prompt")
            until(lambda: is_own_again(terminal), "a terminal as it was before")
            live.send(f"9{again}.5")  # waits in the pipe
            terminal.type("fg")
            terminal.keys("Enter")
            live.wait_on_disk(f"reading 9{again}.5 P-1 {'top rail' if again == 0 else 'bottom rail'}")
            terminal.wait_for(f"taken {again + 2} of 24")
            assert terminal.state("#{alternate_on}") == "1"
        terminal.keys("C-c")
        terminal.wait_for("left: later")


@pytest.mark.parametrize(("term", "size"), [("dumb", (80, 24)), (None, (39, 24)), (None, (80, 11))])
def test_where_no_screen_can_be_drawn_none_is(tmp_path: Path, term: str | None, size: Sequence[int]) -> None:
    with bench(tmp_path, columns=size[0], rows=size[1], term=term) as live:
        live.terminal.wait_for("no screen here")


def program_in(terminal: TmuxTerminal) -> int:
    """Return the process of the program that the shell in the pane has started."""
    shell = terminal.state("#{pane_pid}")
    children = Path(f"/proc/{shell}/task/{shell}/children")
    until(lambda: bool(children.read_text().split()), "the program")
    return int(children.read_text().split()[0])

"""The terminal itself: key presses in, rows out. A thin edge over prompt_toolkit's Input and Output; it knows no inspection.

One thread reads keys, one draws. Whoever takes readings never waits for a slow or stopped console: only the last screen
is drawn, and of it only what has changed. Whatever happens, the terminal is left as it was found.
"""

from __future__ import annotations

import contextlib
import os
import select
import signal
import sys
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator, Mapping
from types import FrameType
from typing import Any, Final, NamedTuple, Self, TextIO

from prompt_toolkit.input import Input
from prompt_toolkit.input.defaults import create_input
from prompt_toolkit.output import ColorDepth, Output
from prompt_toolkit.output.defaults import create_output
from prompt_toolkit.styles import Attrs

from ingest.screen_keys import Press
from ingest.screen_text import Row, Signs, Style, signs_for, width

#: Below this, plain lines say more than a screen.
FEWEST_COLUMNS: Final = 40
FEWEST_ROWS: Final = 12
#: An escape that nothing follows for so long is the key Esc; a slow serial console needs so much.
_ESCAPE_S: Final = 0.1
#: Terminals swallow bells that come closer (from memory).
_BETWEEN_BELLS_S: Final = 0.25
_JOIN_S: Final = 2.0
#: So many unchanged cells cost less than moving the cursor over them.
_GAP_CELLS: Final = 5
_NO_COLOUR_TERMS: Final = ("vt1", "vt2", "vt3", "vt5")  # vt100 and its kin
_ENDING: Final = ("SIGTERM", "SIGHUP", "SIGINT", "SIGBREAK")

_PLAIN: Final = Attrs(
    color="",
    bgcolor="",
    bold=False,
    underline=False,
    strike=False,
    italic=False,
    blink=False,
    reverse=False,
    hidden=False,
    dim=False,
)
#: Sixteen colours at most, and readable where there is none.
_ATTRS: Final = {
    Style.PLAIN: _PLAIN,
    Style.STRONG: _PLAIN._replace(bold=True),
    Style.BAND: _PLAIN._replace(reverse=True),
    Style.GOOD: _PLAIN._replace(color="ansigreen", bold=True),
    Style.BAD: _PLAIN._replace(color="ansired", bold=True),
    Style.CARE: _PLAIN._replace(color="ansiyellow", bold=True),
    Style.GOOD_BAND: _PLAIN._replace(color="ansigreen", reverse=True),
    Style.BAD_BAND: _PLAIN._replace(color="ansired", reverse=True),
    Style.CARE_BAND: _PLAIN._replace(color="ansiyellow", reverse=True),
}


class _Cell(NamedTuple):
    """What stands in a cell; text is empty where the cell before is two cells wide."""

    text: str
    style: Style


_BLANK: Final = _Cell(" ", Style.PLAIN)


def screen_possible(stdin: TextIO, stdout: TextIO, environ: Mapping[str, str]) -> bool:
    """Return whether the capture screen can be drawn and steered here; where not, plain lines do."""
    try:
        if not (stdin.isatty() and stdout.isatty()):
            return False
        size = os.get_terminal_size(stdout.fileno())
    except (OSError, ValueError, AttributeError):
        return False
    if sys.platform != "win32" and environ.get("TERM", "").lower() in ("", "dumb", "unknown"):
        return False
    # A console that does not know its size (some serial ones) says 0 and is taken for 80 x 24.
    return (size.columns or 80) >= FEWEST_COLUMNS and (size.lines or 24) >= FEWEST_ROWS


class Terminal:
    """The terminal, while the screen is on it.

    Args:
        stdin, stdout: The terminal's two sides.
        environ: The environment: TERM, NO_COLOR.
        wake: Called from other threads when there is a key press, or the end is asked for.
        monotonic_ns: The monotonic clock.
    """

    def __init__(
        self,
        stdin: TextIO,
        stdout: TextIO,
        environ: Mapping[str, str],
        wake: Callable[[], None],
        monotonic_ns: Callable[[], int] = time.monotonic_ns,
    ) -> None:
        self._input: Input = create_input(stdin)
        self._output: Output = create_output(stdout)
        self._wake = wake
        self._monotonic_ns = monotonic_ns
        self._presses: deque[Press] = deque()
        self._ended = False
        self._ended_by: int | None = None
        self._keys = _KeyReader(self._input, self._came, self._lost)
        self._painter = _Painter(self._output, _depth(environ))
        old = type(self._output).__name__ == "Win32Output" or environ.get("TERM") == "linux"
        self.signs: Signs = signs_for(self._output.encoding(), old_console=old)
        self._undo = contextlib.ExitStack()

    def __enter__(self) -> Self:
        self._take_signals()
        try:
            self._go_in()
        except BaseException:
            self._undo.close()
            raise
        return self

    def __exit__(self, *fault: object) -> None:
        try:
            self._go_out()
        finally:
            self._undo.close()
            self._input.close()

    @property
    def ended(self) -> bool:
        """Return whether the end was asked for from outside: a signal, a terminal that went away."""
        return self._ended

    @property
    def ended_by(self) -> int | None:
        """Return the signal that asked for the end, or None; a terminal that went away counts as its hang-up."""
        return self._ended_by

    def presses(self) -> list[Press]:
        """Return the key presses that came since the last call, oldest first."""
        found = []
        while self._presses:
            found.append(self._presses.popleft())
        return found

    def size(self) -> tuple[int, int]:
        """Return columns and rows as they are now."""
        size = self._output.get_size()
        return size.columns, size.rows

    def show(self, rows: tuple[Row, ...], columns: int) -> None:
        """Have *rows* drawn, and return at once. A screen that was not drawn yet is forgotten."""
        self._painter.show(rows, columns)

    def ring(self, times: int) -> None:
        """Have the bell rung so many times, and return at once."""
        self._painter.ring(times)

    def suspend(self) -> None:
        """Give the terminal back and stop, as Ctrl-Z does; returns when the shell goes on with it."""
        stop = getattr(signal, "SIGTSTP", None)
        if stop is None:
            return
        self._go_out()
        before = signal.signal(stop, signal.SIG_DFL) if _in_main_thread() else None
        try:
            os.kill(0, stop)
            # The signal may reach another thread first; by the end of this pause all of them were stopped.
            time.sleep(0.2)
        finally:
            if before is not None:
                signal.signal(stop, before)
            self._go_in()

    def _go_in(self) -> None:
        self._raw = self._input.raw_mode()
        self._raw.__enter__()
        self._painter.start()
        self._keys.start()

    def _go_out(self) -> None:
        self._keys.stop()
        self._painter.stop()
        self._raw.__exit__(None, None, None)

    def _take_signals(self) -> None:
        if not _in_main_thread():
            return
        for name in _ENDING:
            number = getattr(signal, name, None)
            if number is not None:
                self._on(number, self._end)
        stop = getattr(signal, "SIGTSTP", None)
        if stop is not None:
            self._on(stop, self._stop)

    def _on(self, number: int, handler: Callable[[int, FrameType | None], Any]) -> None:
        before = signal.signal(number, handler)
        self._undo.callback(signal.signal, number, before if before is not None else signal.SIG_DFL)

    def _end(self, number: int, frame: FrameType | None) -> None:
        self._ended_by = self._ended_by or number
        self._ended = True

    def _stop(self, number: int, frame: FrameType | None) -> None:
        self._presses.append(Press("c-z", "\x1a", self._monotonic_ns()))

    def _lost(self) -> None:
        self._ended_by = self._ended_by or getattr(signal, "SIGHUP", signal.SIGINT)
        self._ended = True
        self._wake()

    def _came(self, presses: list[tuple[str, str]]) -> None:
        at_ns = self._monotonic_ns()
        self._presses.extend(Press(key, data, at_ns) for key, data in presses)
        self._wake()


def _in_main_thread() -> bool:
    return threading.current_thread() is threading.main_thread()


def _depth(environ: Mapping[str, str]) -> ColorDepth:
    if environ.get("NO_COLOR") or environ.get("TERM", "").startswith(_NO_COLOUR_TERMS):
        return ColorDepth.DEPTH_1_BIT
    return ColorDepth.DEPTH_4_BIT


class _KeyReader:
    """Reads key presses on a thread of its own."""

    def __init__(self, source: Input, came: Callable[[list[tuple[str, str]]], None], lost: Callable[[], None]) -> None:
        self._source = source
        self._came = came
        self._lost = lost
        self._thread: threading.Thread | None = None
        self._stopping = threading.Event()
        self._waker: tuple[int, int] | None = None

    def start(self) -> None:
        self._stopping.clear()
        self._waker = os.pipe()
        self._thread = threading.Thread(target=self._run, args=(self._waker[0],), name="keys", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        if self._thread is None or self._waker is None:
            return
        self._stopping.set()
        os.write(self._waker[1], b".")
        self._thread.join(_JOIN_S)
        if not self._thread.is_alive():
            for end in self._waker:
                os.close(end)
        self._thread = self._waker = None

    def _run(self, waker: int) -> None:
        half = False
        try:
            while not self._stopping.is_set():
                if not self._wait(waker, _ESCAPE_S if half else None):
                    if half and not self._stopping.is_set():
                        self._hand_on(self._source.flush_keys())
                        half = False
                    continue
                self._hand_on(self._source.read_keys())
                half = True
                if self._source.closed:
                    break
        except OSError:
            pass  # the terminal is gone
        if not self._stopping.is_set():
            self._lost()

    def _wait(self, waker: int, timeout_s: float | None) -> bool:
        """Return whether there are keys to be read; False after *timeout_s*, or when it is time to stop."""
        if sys.platform == "win32":
            from prompt_toolkit.eventloop.win32 import wait_for_handles

            # A console's handle cannot be waited for together with a pipe.
            ms = 100 if timeout_s is None else int(timeout_s * 1000)
            return wait_for_handles([self._source.handle], timeout=ms) is not None  # type: ignore[attr-defined]
        ready, _, _ = select.select([self._source.fileno(), waker], [], [], timeout_s)
        return self._source.fileno() in ready and waker not in ready

    def _hand_on(self, found: list[Any]) -> None:
        if found:
            self._came([(str(getattr(press.key, "value", press.key)), press.data) for press in found])


class _Painter:
    """Draws on a thread of its own: the last screen only, and of it what differs from what stands there."""

    def __init__(self, output: Output, depth: ColorDepth) -> None:
        self._output = output
        self._depth = depth
        self._from = 0 if type(output).__name__ == "Win32Output" else 1
        self._changed = threading.Condition()
        self._thread: threading.Thread | None = None
        self._stopping = False
        self._wanted: tuple[tuple[Row, ...], int] | None = None
        self._stands: list[list[_Cell]] | None = None
        self._bells = 0
        self._bell_at = 0.0

    def start(self) -> None:
        self._output.enter_alternate_screen()
        self._output.hide_cursor()
        self._output.disable_autowrap()
        self._output.flush()
        self._stopping = False
        self._stands = None
        self._thread = threading.Thread(target=self._run, name="painter", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        with self._changed:
            self._stopping = True
            self._changed.notify()
        if self._thread is not None:
            self._thread.join(_JOIN_S)
        with contextlib.suppress(OSError, ValueError):  # a terminal that went away needs nothing
            self._output.reset_attributes()
            self._output.enable_autowrap()
            self._output.show_cursor()
            self._output.quit_alternate_screen()
            self._output.flush()

    def show(self, rows: tuple[Row, ...], columns: int) -> None:
        with self._changed:
            self._wanted = rows, columns
            self._changed.notify()

    def ring(self, times: int) -> None:
        with self._changed:
            self._bells = times
            self._changed.notify()

    def _run(self) -> None:
        with contextlib.suppress(OSError, ValueError):
            while True:
                with self._changed:
                    self._changed.wait_for(self._has_work, self._until_bell())
                    if self._stopping:
                        return
                    wanted, self._wanted = self._wanted, None
                    ring = self._bells > 0 and time.monotonic() >= self._bell_at
                    if ring:
                        self._bells -= 1
                        self._bell_at = time.monotonic() + _BETWEEN_BELLS_S
                if wanted is not None:
                    self._paint(*wanted)
                if ring:
                    self._output.bell()

    def _has_work(self) -> bool:
        due = self._bells > 0 and time.monotonic() >= self._bell_at
        return self._stopping or self._wanted is not None or due

    def _until_bell(self) -> float | None:
        return max(0.0, self._bell_at - time.monotonic()) if self._bells else None

    def _paint(self, rows: tuple[Row, ...], columns: int) -> None:
        grid = [_cells(row, columns) for row in rows]
        stands = self._stands
        if stands is None or len(stands) != len(grid) or any(map(_differs_in_length, stands, grid)):
            self._output.reset_attributes()
            self._output.erase_screen()
            stands = [[_BLANK] * columns for _ in grid]
        style: Style | None = None
        for y, (old, new) in enumerate(zip(stands, grid, strict=True)):
            for start, end in _changes(old, new):
                self._output.cursor_goto(y + self._from, start + self._from)
                for cell in new[start:end]:
                    if cell.style is not style and cell.text:
                        self._output.set_attributes(_ATTRS[cell.style], self._depth)
                        style = cell.style
                    self._output.write(cell.text)
        if style is not None:
            self._output.reset_attributes()
        self._output.flush()
        self._stands = grid


def _differs_in_length(old: list[_Cell], new: list[_Cell]) -> bool:
    return len(old) != len(new)


def _cells(row: Row, columns: int) -> list[_Cell]:
    cells: list[_Cell] = []
    for text, style in row:
        for letter in text:
            wide = width(letter)
            if wide == 0:
                if cells:
                    at = len(cells) - (1 if cells[-1].text else 2)
                    cells[at] = cells[at]._replace(text=cells[at].text + letter)
                continue
            cells.append(_Cell(letter, style))
            if wide == 2:
                cells.append(_Cell("", style))
    cells = cells[:columns]
    return cells + [_BLANK] * (columns - len(cells))


def _changes(old: list[_Cell], new: list[_Cell]) -> Iterator[tuple[int, int]]:
    """Yield where *new* differs, as ranges of cells; ranges a few cells apart are one.

    A range ends after a wide or joined letter: terminals do not agree on how far the cursor goes there, so what follows is
    placed anew.
    """
    at, last = 0, len(new)
    while at < last:
        if old[at] == new[at]:
            at += 1
            continue
        start = end = at
        if not new[start].text and start:
            start -= 1  # half a wide letter cannot be drawn
        same = 0
        while at < last and same <= _GAP_CELLS:
            if old[at] == new[at]:
                same += 1
            else:
                same = 0
                end = at + 1
            at += 1
            if (at < last and not new[at].text) or len(new[at - 1].text) > 1:
                end = min(last, at + (1 if at < last and not new[at].text else 0))
                at = end
                break
        yield start, max(end, start + 1)
        at = max(end, start + 1)

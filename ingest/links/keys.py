"""The keyboard as a link: what is typed, or what a gauge types like a keyboard (a wedge). No byte is swallowed.

A terminal as it usually is keeps a line until Enter, acts on Ctrl-C, Ctrl-D, Ctrl-U and Backspace wherever they come
from, and cuts lines of more than 4,095 bytes. So it is switched to hand on every byte, and switched back in every
case but one that nobody can help (SIGKILL; then `stty sane` does). Output goes on as usual.

What is typed is not shown by the terminal any more: whoever shows something says so with listen(). Ctrl-C interrupts as
ever, Ctrl-Z suspends, Ctrl-D in an empty line ends the link.
"""

from __future__ import annotations

import _thread
import atexit
import contextlib
import os
import select
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator
from types import FrameType
from typing import Any, Final

from ingest.links.address import Address
from ingest.links.item import Kind
from ingest.links.key_lines import Entered, Key, KeyLine, KeyLines
from ingest.links.stream import Stream
from ingest.links.threaded import ThreadedLink
from schemas.profile import Profile

_CHUNK_BYTES: Final = 4096
_WINDOWS_POLL_S: Final = 0.005
_MIXED: Final = (
    "this line was partly typed by hand and partly by the gauge, or the gauge fell silent in the middle of it; "
    "take the reading again"
)
_LEFT: Final = "the keys ended in the middle of this line; take the reading again"


class RawTerminal:
    """A POSIX terminal that hands on every byte, until restore(). Made and restored on any thread.

    Args:
        fd: The terminal.

    Raises:
        OSError: It is none.
    """

    def __init__(self, fd: int) -> None:
        import termios

        self._fd = fd
        try:
            self._before = termios.tcgetattr(fd)
        except termios.error as wrong:
            raise OSError(*wrong.args) from None
        self._was: dict[int, Any] = {}
        self._raw = self._closed = False
        self.make_raw()
        atexit.register(self.restore)
        if threading.current_thread() is threading.main_thread():
            for number in (signal.SIGTERM, signal.SIGHUP, signal.SIGTSTP):
                self._was[number] = signal.signal(number, self._leave)
            self._was[signal.SIGCONT] = signal.signal(signal.SIGCONT, self._come_back)

    def make_raw(self) -> None:
        """Have every byte handed on at once, and nothing done with it. What is written is not affected."""
        import termios

        mode = list(self._before)
        mode[0] &= ~(
            termios.BRKINT | termios.ICRNL | termios.INLCR | termios.IGNCR | termios.INPCK | termios.ISTRIP
            | termios.IXON | termios.PARMRK
        )  # fmt: skip
        mode[3] &= ~(termios.ECHO | termios.ICANON | termios.IEXTEN | termios.ISIG)
        mode[6] = list(mode[6])
        mode[6][termios.VMIN], mode[6][termios.VTIME] = 1, 0
        self._set(mode)
        self._raw = True

    def restore(self) -> None:
        """Have the terminal be as it was. A second call does nothing."""
        if self._raw:
            self._raw = False
            self._set(self._before)

    def close(self) -> None:
        """Restore, and leave signals to whoever had them."""
        self._closed = True
        self.restore()
        atexit.unregister(self.restore)
        if threading.current_thread() is threading.main_thread():
            for number, was in self._was.items():
                signal.signal(number, was)
            self._was.clear()

    def suspend(self) -> None:
        """Stop the program as Ctrl-Z does, with the terminal as it was, and go on when it is continued."""
        handled = signal.SIGTSTP in self._was
        if not handled:
            self.restore()
        os.killpg(os.getpgrp(), signal.SIGTSTP)  # all of the job, as the terminal does
        if not handled:
            self.make_raw()

    def _set(self, mode: list[Any]) -> None:
        import termios

        # NOW, since the other ways throw away what was typed meanwhile. A terminal that is gone needs no restoring.
        with contextlib.suppress(termios.error):
            termios.tcsetattr(self._fd, termios.TCSANOW, mode)

    def _leave(self, number: int, frame: FrameType | None) -> None:
        was = self._was.get(number, signal.SIG_DFL)
        if was == signal.SIG_IGN:
            return
        self.restore()
        if callable(was):
            was(number, frame)
            return
        signal.signal(number, signal.SIG_DFL)
        signal.pthread_sigmask(signal.SIG_UNBLOCK, {number})
        os.kill(os.getpid(), number)
        # Reached after SIGTSTP alone: when the program goes on, or at once where no shell is there that could continue it.
        signal.signal(number, self._leave)
        if not self._closed:
            self.make_raw()

    def _come_back(self, number: int, frame: FrameType | None) -> None:
        if not self._closed:
            self.make_raw()
        was = self._was.get(number)
        if callable(was):
            was(number, frame)


class Keys(ThreadedLink):
    """The link `keys`.

    Args:
        address: Nothing but `keys`.
        profile: How long lines are, and how they end.
        fd: The terminal; where it is not given, standard input, or else the terminal that the program runs in.
        mono_ns: The monotonic clock.
    """

    def __init__(
        self,
        address: Address,
        profile: Profile,
        *,
        fd: int | None = None,
        mono_ns: Callable[[], int] = time.monotonic_ns,
    ) -> None:
        super().__init__(address.name)
        self._fd = fd
        self._mono_ns = mono_ns
        end = profile.line_end.encode() if profile.line_end else None
        self._lines = KeyLines(profile.max_line_bytes, end, profile.idle_end_ms)
        self._on_key: Callable[[Key], None] = lambda key: None
        self._on_text: Callable[[bytes], None] = lambda text: None
        self._terminal: RawTerminal | None = None
        self._own_fd: int | None = None
        self._failure = ""
        self._wake: tuple[int, int] | None = None

    def listen(self, on_key: Callable[[Key], None], on_text: Callable[[bytes], None]) -> None:
        """Have keys, and the line as it stands after each change, told; on the link's thread. Called before start()."""
        self._on_key, self._on_text = on_key, on_text

    def start(self, stream: Stream) -> None:
        """Begin: items go into *stream* until close(). Called on the main thread, signals restore the terminal too."""
        if os.name != "nt":
            try:
                self._fd = self._found_terminal()
                self._terminal = RawTerminal(self._fd)
                self._wake = os.pipe()
            except OSError:
                self._failure = "there is no terminal to type at; use pipe:- for what another program writes"
        super().start(stream)

    def wake(self) -> None:
        """Let a read that waits come back."""
        if self._wake is not None:
            os.write(self._wake[1], b"x")

    def close(self) -> None:
        """Stop, restore the terminal, and return once the thread has ended. A second close does nothing."""
        try:
            super().close()
        finally:
            if self._terminal is not None:
                self._terminal.close()
                self._terminal = None
            for fd in (*(self._wake or ()), *([self._own_fd] if self._own_fd is not None else [])):
                os.close(fd)
            self._wake = self._own_fd = None

    def run(self, stream: Stream) -> None:
        """Take keys until they end, or until closing."""
        if self._failure:
            stream.put(Kind.DOWN, self.name, note=self._failure)
            stream.put(Kind.END, self.name)
            return
        stream.put(Kind.UP, self.name)
        gone = ""
        try:
            for data in self._from_console() if os.name == "nt" else self._from_terminal():
                now_ns = self._mono_ns()
                heard = self._lines.feed(data, now_ns) if data else self._lines.tick(now_ns)
                if not self._told(stream, heard):
                    break
        except OSError as wrong:
            gone = f"the terminal is gone ({wrong.strerror})"
        finally:
            if self._terminal is not None:
                self._terminal.restore()
        self._told(stream, self._lines.close())
        if not self.closing:
            if gone:
                stream.put(Kind.DOWN, self.name, note=gone)
            stream.put(Kind.END, self.name)

    def _told(self, stream: Stream, heard: list[KeyLine | Key]) -> bool:
        """Hand on what was heard; return False where it was the end."""
        for one in heard:
            if isinstance(one, KeyLine):
                self._give(stream, one)
            elif one.name == "ctrl-d" and not self._lines.text:
                return False
            else:
                self._press(one)
        self._on_text(self._lines.text)
        return True

    def _give(self, stream: Stream, line: KeyLine) -> None:
        about = {"entered": line.entered.value}
        if not line.frame.ended:
            stream.put(Kind.PARTIAL, self.name, line.frame, note=_LEFT, about=about)
        elif line.entered is Entered.MIXED:
            stream.put(Kind.PARTIAL, self.name, line.frame._replace(ended=False), note=_MIXED, about=about)
        else:
            stream.put(Kind.LINE, self.name, line.frame, about=about)

    def _press(self, key: Key) -> None:
        self._on_key(key)
        if key.name == "ctrl-c":
            if hasattr(signal, "pthread_kill"):  # to the main thread itself, which may be waiting for a reading
                signal.pthread_kill(threading.main_thread().ident or 0, signal.SIGINT)
            else:
                _thread.interrupt_main()
        elif key.name == "ctrl-z" and self._terminal is not None:
            self._terminal.suspend()

    def _found_terminal(self) -> int:
        if self._fd is not None:
            return self._fd
        if sys.__stdin__ is not None and os.isatty(0):
            return 0
        self._own_fd = os.open("/dev/tty", os.O_RDWR | os.O_NOCTTY)
        return self._own_fd

    def _from_terminal(self) -> Iterator[bytes]:
        """Yield what came, or nothing where it is time to look at what was held back."""
        fd, wake = self._fd, self._wake
        assert fd is not None  # noqa: S101 - start() has seen to it
        assert wake is not None  # noqa: S101 - as above
        while not self.closing:
            due_ns = self._lines.due_ns()
            wait_s = None if due_ns is None else max(0.0, (due_ns - self._mono_ns()) / 1e9)
            ready, _, _ = select.select([fd, wake[0]], [], [], wait_s)
            if wake[0] in ready:
                return
            if fd in ready:
                data = os.read(fd, _CHUNK_BYTES)
                if not data:
                    raise OSError(0, "it has hung up")
                yield data
            else:
                yield b""

    def _from_console(self) -> Iterator[bytes]:
        """Yield the same on Windows. What terminals send for its special keys stands in for their codes."""
        import msvcrt

        console: Any = msvcrt
        while not self.closing:
            if not console.kbhit():
                time.sleep(_WINDOWS_POLL_S)
                yield b""
                continue
            yield console_bytes(console.getwch, console.kbhit)


#: Codes of special keys behind 0 or 0xE0, as the Windows console hands them out (from memory), and the terminal's bytes.
_CONSOLE: Final = {
    "H": b"\x1b[A", "P": b"\x1b[B", "M": b"\x1b[C", "K": b"\x1b[D", "G": b"\x1b[H", "O": b"\x1b[F",
    "R": b"\x1b[2~", "S": b"\x1b[3~", "I": b"\x1b[5~", "Q": b"\x1b[6~",
    ";": b"\x1bOP", "<": b"\x1bOQ", "=": b"\x1bOR", ">": b"\x1bOS", "?": b"\x1b[15~", "@": b"\x1b[17~",
    "A": b"\x1b[18~", "B": b"\x1b[19~", "C": b"\x1b[20~", "D": b"\x1b[21~", "\x85": b"\x1b[23~", "\x86": b"\x1b[24~",
}  # fmt: skip


def console_bytes(getwch: Callable[[], str], kbhit: Callable[[], bool]) -> bytes:
    """Return the bytes of one key of the Windows console; *getwch* and *kbhit* are those of msvcrt."""
    char = getwch()
    if char == "\0" or (char == "\xe0" and kbhit()):
        return _CONSOLE.get(getwch(), b"\x1b[99~")
    if "\ud800" <= char <= "\udbff":
        char += getwch()
    return char.encode("utf-16", "surrogatepass").decode("utf-16", "replace").encode()


def link(address: Address, profile: Profile) -> Keys:
    """Return the link to the keyboard."""
    return Keys(address, profile)

"""The program at a real terminal: a pseudo-terminal, what is typed into it, and what it shows."""

from __future__ import annotations

import os
import pty
import re
import select
import signal
import sys
import termios
import time
from pathlib import Path
from types import TracebackType
from typing import Self

ROOT = Path(__file__).parents[2]
#: Far longer than anything here takes on a loaded machine.
DEADLINE_S = 60.0


class Terminal:
    """`filmtally` with *words*, at a terminal of its own. Used as a context: what still runs at its end is killed.

    It can do no more than plain lines, unless *screen* gives columns and rows.
    """

    def __init__(self, folder: Path, *words: str, screen: tuple[int, int] | None = None) -> None:
        self.shown = ""
        self._seen = 0
        self.exit_code: int | None = None
        environment = os.environ | {"TERM": "dumb", "COLUMNS": "100", "LINES": "40", "PYTHONPATH": str(ROOT)}
        environment.pop("FILMTALLY_SHOP", None)
        if screen is not None:
            environment["TERM"] = "xterm"
        program = [sys.executable, str(ROOT / "filmtally.py"), "--shop", str(folder), *words]
        self.pid, self._screen = pty.fork()
        if self.pid == 0:
            if screen is not None:
                termios.tcsetwinsize(0, (screen[1], screen[0]))
            os.execve(program[0], program, environment)  # noqa: S606 - the program under test

    def sees(self, text: str) -> str:
        """Wait until *text* is shown after what was seen before; return all that was shown up to its end."""
        until = time.monotonic() + DEADLINE_S
        while (at := self.shown.find(text, self._seen)) < 0:
            if not self._more(until):
                raise AssertionError(f"{text!r} was not shown; shown since: {self.shown[self._seen :]!r}")
        before = self.shown[self._seen : at + len(text)]
        self._seen = at + len(text)
        return before

    def types(self, line: str) -> None:
        """Type *line* and Enter."""
        os.write(self._screen, f"{line}\n".encode())

    def key(self, data: bytes) -> None:
        """Press a key, such as b"\\x03"."""
        os.write(self._screen, data)

    def pauses(self, seconds: float) -> None:
        """Type nothing for so long, as a person does between two keys."""
        time.sleep(seconds)

    def mode(self) -> list[object]:
        """Return how the terminal is set."""
        return termios.tcgetattr(self._screen)

    def ends(self) -> int:
        """Wait for the end and return the exit code; negative where a signal ended it."""
        until = time.monotonic() + DEADLINE_S
        while self._more(until):
            pass
        return self._wait()

    def kill(self) -> None:
        """End it as a power cut would."""
        os.kill(self.pid, signal.SIGKILL)
        self._wait()

    def _more(self, until: float) -> bool:
        ready, _, _ = select.select([self._screen], [], [], max(0.0, until - time.monotonic()))
        if not ready:
            raise AssertionError(f"nothing more came within {DEADLINE_S} s; shown: {self.shown[self._seen :]!r}")
        try:
            data = os.read(self._screen, 65536)
        except OSError:  # Linux: the other side is closed
            return False
        self.shown += re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", data.decode(errors="replace")).replace("\r\n", "\n")
        return bool(data)

    def _wait(self) -> int:
        if self.exit_code is None:
            _, status = os.waitpid(self.pid, 0)
            self.exit_code = os.waitstatus_to_exitcode(status)
        return self.exit_code

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self.exit_code is None:
            self.kill()
        os.close(self._screen)

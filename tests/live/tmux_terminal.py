"""A real terminal for a program: tmux, with keys pressed and the screen read."""

from __future__ import annotations

import os
import shlex
import subprocess
import time
import uuid
from collections.abc import Callable, Mapping, Sequence
from typing import Self

_PATIENCE_S = 60.0


class TmuxTerminal:
    """A terminal of so many columns and rows, on a tmux server of its own.

    Args:
        columns, rows: The size.
        command: The program and its arguments.
        environ: Its environment.
        in_a_shell: Start an interactive shell that runs the command, so that there is job control.
    """

    def __init__(
        self, columns: int, rows: int, command: Sequence[str], environ: Mapping[str, str], *, in_a_shell: bool = False
    ) -> None:
        self._name = f"filmtally-{os.getpid()}-{uuid.uuid4().hex[:8]}"
        self._size = columns, rows
        self._command = shlex.join(command)
        self._environ = {**environ, "LC_ALL": "C.UTF-8", "ENV": ""}
        self._shell = in_a_shell

    def __enter__(self) -> Self:
        columns, rows = self._size
        started = "sh -i" if self._shell else self._command
        self._tmux(
            *("-f", "/dev/null", "new-session", "-d", "-x", str(columns), "-y", str(rows), started),
            *(";", "set-option", "-g", "remain-on-exit", "on", ";", "set-option", "-g", "status", "off"),
            *(";", "set-option", "-g", "escape-time", "0", ";", "set-option", "-g", "bell-action", "any"),
            *(";", "resize-window", "-x", str(columns), "-y", str(rows)),
        )
        if self._shell:
            self.type("PS1='she''ll> '")  # a shell of root's sets its own
            self.keys("Enter")
            self.wait_for("shell>")
            self.type(self._command)
            self.keys("Enter")
        return self

    def __exit__(self, *_: object) -> None:
        self._tmux("kill-server")

    def _tmux(self, *arguments: str) -> str:
        done = subprocess.run(
            ["tmux", "-u", "-L", self._name, *arguments],
            env=self._environ,
            check=True,
            capture_output=True,
            timeout=_PATIENCE_S,
        )
        return done.stdout.decode("utf-8")

    def type(self, text: str) -> None:
        """Type *text*, letter by letter, as fast as tmux does."""
        self._tmux("send-keys", "-l", text)

    def keys(self, *names: str) -> None:
        """Press keys by tmux's names: F3, Enter, Escape, C-c."""
        self._tmux("send-keys", *names)

    def resize(self, columns: int, rows: int) -> None:
        self._tmux("resize-window", "-x", str(columns), "-y", str(rows))

    def capture(self, *, colours: bool = False) -> str:
        return self._tmux("capture-pane", "-p", *(["-e", "-N"] if colours else []))

    def state(self, what: str) -> str:
        """Return what tmux knows of the pane: "#{alternate_on}", "#{cursor_flag}", "#{pane_dead}", "#{pane_pid}"."""
        return self._tmux("display-message", "-p", what).strip()

    def wait_for(self, text: str) -> str:
        """Return the screen once *text* is on it."""
        return self.wait_until(lambda screen: text in screen, text)

    def wait_until(self, true: Callable[[str], bool], what: str) -> str:
        """Return the screen once *true* of it."""
        deadline = time.monotonic() + _PATIENCE_S
        while True:
            screen = self.capture()
            if true(screen):
                return screen
            if time.monotonic() > deadline:
                raise AssertionError(f"{what!r} did not come; on the screen is:\n{screen}")
            time.sleep(0.03)

"""The real `filmtally measure` as a process: its lines are awaited, it can be typed to, killed and limited."""

from __future__ import annotations

import contextlib
import os
import re
import subprocess
import sys
import threading
import time
from collections import deque
from collections.abc import Mapping, Sequence
from pathlib import Path
from types import TracebackType
from typing import Final, Self

ROOT: Final = Path(__file__).parents[1]
#: Generous: a loaded machine is no fault of the program.
PATIENCE_S: Final = 90.0
#: What the program shows of a reading that is on disk: its number and its figures.
TAKEN: Final = re.compile(r"taken (\d+): (\S+) ")


class Measuring:
    """One process that runs the front door, its output read as it comes.

    Args:
        shop: The shop folder.
        words: The command and its options.
        environment: Added to the environment.
        prefix: What the process is started by, such as a limit.
    """

    def __init__(
        self, shop: Path, *words: str, environment: Mapping[str, str] | None = None, prefix: Sequence[str] = ()
    ) -> None:
        python_path = os.pathsep.join([str(ROOT), *filter(None, [os.environ.get("PYTHONPATH")])])
        self.child = subprocess.Popen(
            [*prefix, sys.executable, "-m", "filmtally", "--shop", str(shop), *words],
            cwd=ROOT,
            env={**os.environ, "PYTHONPATH": python_path, **(environment or {})},
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
        )
        self.lines: list[str] = []
        self._unseen: deque[str] = deque()
        self._changed = threading.Condition()
        self._over = False
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        assert self.child.stdout is not None
        for raw in self.child.stdout:
            with self._changed:
                line = raw.decode("utf-8", "replace").rstrip("\n")
                self.lines.append(line)
                self._unseen.append(line)
                self._changed.notify_all()
        with self._changed:
            self._over = True
            self._changed.notify_all()

    def wait_for(self, part: str) -> str:
        """Return the next line that holds *part*.

        Raises:
            AssertionError: It ended without, or nothing came for very long.
        """
        until = time.monotonic() + PATIENCE_S
        with self._changed:
            while True:
                while self._unseen:
                    line = self._unseen.popleft()
                    if part in line:
                        return line
                if self._over or time.monotonic() > until:
                    raise AssertionError(f"no line with {part!r} came; there were: {self.lines}")
                self._changed.wait(1.0)

    def wait_until_up(self) -> None:
        """Wait until a link is there and a line that comes is no longer taken for the rest of an earlier one.

        That lasts a tenth of a second from opening, which was before we hear of it: so waiting is never too short.
        """
        self.wait_for("is there")
        time.sleep(0.15)

    def wait_for_taken(self, count: int) -> bool:
        """Wait until *count* readings are shown as taken; return False where the process ended before."""
        with self._changed:
            return self._changed.wait_for(lambda: len(self.taken()) >= count or self._over, PATIENCE_S) and (
                len(self.taken()) >= count
            )

    def taken(self) -> dict[int, str]:
        """Return the readings that were shown as taken so far: number and figures."""
        return {int(found[1]): found[2] for line in self.lines if (found := TAKEN.search(line))}

    def type(self, text: str) -> None:
        """Type a line."""
        assert self.child.stdin is not None
        self.child.stdin.write(text.encode() + b"\n")
        self.child.stdin.flush()

    def end_input(self) -> None:
        """End the input, as Ctrl-D does."""
        assert self.child.stdin is not None
        self.child.stdin.close()

    def kill(self) -> None:
        """SIGKILL, and wait until all that was shown is read."""
        self.child.kill()
        self.ended()

    def ended(self) -> int:
        """Wait for the end and return the exit code."""
        code = self.child.wait(PATIENCE_S)
        self._reader.join(PATIENCE_S)
        return code

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self.child.poll() is None:
            self.child.kill()
        self.ended()
        for stream in (self.child.stdin, self.child.stdout):
            if stream is not None:
                with contextlib.suppress(BrokenPipeError):
                    stream.close()

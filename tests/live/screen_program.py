"""The capture screen as a program of its own, for a terminal in the tests.

    python -m tests.live.screen_program STATE            draws a state of tests/live/screen_states.py until it is ended
    python -m tests.live.screen_program --fifo FIFO DISK takes lines from FIFO; DISK is what is on disk (stand_in_capture.py)

A line "!up", "!down" of the FIFO is a link that comes and goes, "!crash" a defect. --keys: what is typed is readings too.
Writes how it was left, as the last line, where the terminal is its own again.
"""

from __future__ import annotations

import os
import sys
import threading
import time
from pathlib import Path

from ingest.framing import Frame, Framer
from ingest.links.item import Kind
from ingest.links.key_lines import KeyLines
from ingest.links.stream import Stream
from ingest.screen import run
from ingest.screen_drawing import draw
from ingest.sounds import sounds_for
from ingest.terminal import Terminal, screen_possible
from tests.live.screen_states import STATES
from tests.live.stand_in_capture import PIECES, StandInCapture


class _Crashing(StandInCapture):
    def _line(self, text: str) -> None:
        if text == "!crash":
            raise RuntimeError("a defect of ours")
        super()._line(text)


def _show(name: str) -> None:
    shown, entry = STATES[name]
    with Terminal(sys.stdin, sys.stdout, os.environ, lambda: None) as terminal:
        while not terminal.ended and not terminal.presses():
            columns, rows = terminal.size()
            terminal.show(draw(shown, entry, columns, rows, terminal.signs), columns)
            time.sleep(0.05)


def _feed(fifo: str, stream: Stream) -> None:
    framer = Framer(1024)
    with Path(fifo).open("rb", buffering=0) as source:
        while chunk := source.read(4096):
            for frame in framer.feed(chunk):
                if frame.data in (b"!up", b"!down"):
                    stream.put(
                        Kind.UP if frame.data == b"!up" else Kind.DOWN,
                        "pipe:gauge",
                        note="the cable is out; plug it in",
                    )
                else:
                    stream.put(Kind.LINE, "pipe:gauge", frame)


def main(arguments: list[str]) -> int:
    if not screen_possible(sys.stdin, sys.stdout, os.environ):
        print("no screen here")
        return 3
    if arguments[0] != "--fifo":
        _show(arguments[0])
        return 0
    _, fifo, disk, *options = arguments
    stream = Stream()
    capture = _Crashing(Path(disk))
    request = (lambda: stream.put(Kind.LINE, "pipe:gauge", Frame(b"77.7", 4))) if "--request" in options else None
    with Terminal(sys.stdin, sys.stdout, os.environ, stream.nudge) as terminal:
        threading.Thread(target=_feed, args=(fifo, stream), daemon=True).start()
        sounds = sounds_for("off" if "--no-sound" in options else "bell", terminal.ring, time.sleep)
        ended = run(
            capture,
            stream,
            terminal,
            sounds,
            pieces=PIECES,
            key_lines=KeyLines(1024) if "--keys" in options else None,
            request=request,
        )
    print(f"left: {ended}")
    return 0


if __name__ == "__main__":
    code = main(sys.argv[1:])
    sys.stdout.flush()
    time.sleep(0.5)  # tmux may let a pane die before it has read the last words of a program that is gone at once
    raise SystemExit(code)

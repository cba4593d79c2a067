"""The loop of the screen over the real capture: a journal on disk, questions of the real rules, a gate that does not cover."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from ingest.framing import Frame
from ingest.links.item import Kind
from ingest.links.key_lines import KeyLines
from ingest.links.stream import Stream
from ingest.screen import Ended, run
from ingest.screen_keys import Press
from ingest.screen_text import UNICODE, Row
from ingest.sounds import Silence
from tests.ingest.live_bench import LINK, Bench, covering

Step = tuple[str, Callable[["Scripted"], None]]


class Scripted:
    """A console on which, when a text stands on the screen, the next thing is done. The clock goes a second a look."""

    def __init__(self, stream: Stream, steps: list[Step]) -> None:
        self.signs = UNICODE
        self.stream = stream
        self.steps = steps
        self.drawn = ""
        self.ended = False
        self.now_ns = 10**12
        self._presses: list[Press] = []
        self._looks = 0

    def presses(self) -> list[Press]:
        self._looks += 1
        assert self._looks < 2000, f"{self.steps[0][0]!r} never came:\n{self.drawn}"
        found, self._presses = self._presses, []
        return found

    def size(self) -> tuple[int, int]:
        return 80, 24

    def suspend(self) -> None:
        raise AssertionError("nobody pressed Ctrl-Z")

    def show(self, rows: tuple[Row, ...], columns: int) -> None:
        self.drawn = "\n".join("".join(span.text for span in row) for row in rows)
        if self.steps and self.steps[0][0] in self.drawn:
            _, do = self.steps.pop(0)
            do(self)
            self.stream.nudge()

    def monotonic_ns(self) -> int:
        self.now_ns += 10**9
        return self.now_ns

    def press(self, key: str, data: str = "") -> None:
        self._presses.append(Press(key, data, self.monotonic_ns()))


def line(text: str) -> Callable[[Scripted], None]:
    return lambda console: (console.stream.put(Kind.LINE, LINK, Frame(text.encode(), len(text))), None)[1]


def key(name: str, data: str = "") -> Callable[[Scripted], None]:
    return lambda console: console.press(name, data)


def test_an_inspection_is_taken_with_its_question_its_undo_and_its_skip(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    bench.checks = covering(bench.now)
    stream = Stream(wall=lambda: bench.now)
    console = Scripted(
        stream,
        [
            ("No reading yet.", line("3.1")),
            ("IN WINDOW", line("75")),
            ("QUESTION", key("f11")),
            ("unit looked at, it is right", key("1", "1")),
            ("taken 2 of", key("f3")),
            ("1 not counted", key("f5")),
            ("skipped?", key("1", "1")),
            ("skipped", key("f10")),
            ("Finish?", key("2", "2")),
        ],
    )
    with bench.begin() as inspection:
        capture = bench.capture(inspection)
        ended = run(
            capture, stream, console, Silence(), pieces=inspection.taking.pieces, monotonic_ns=console.monotonic_ns
        )
        assert ended is Ended.LATER
        assert console.steps == []
        assert [(r.decoded.shown, r.counted) for r in inspection.taking.readings] == [("3.1", True), ("75", False)]
        assert any("skipped: cannot be reached" in note.what for note in inspection.taking.notes)
        assert any("unit looked at, it is right" in note.what for note in inspection.taking.notes)
    with bench.again() as again:
        assert [r.decoded.shown for r in again.taking.readings] == ["3.1", "75"]


def test_a_gate_that_does_not_cover_is_asked_about_before_the_first_reading(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    stream = Stream(wall=lambda: bench.now)
    console = Scripted(stream, [("F11 A", key("f10")), ("Finish?", key("2", "2"))])
    with bench.begin() as inspection:
        capture = bench.capture(inspection, confirms=True)
        run(capture, stream, console, Silence(), pieces=inspection.taking.pieces, monotonic_ns=console.monotonic_ns)
        assert console.steps == []
        assert inspection.taking.readings == []


def test_what_is_typed_comes_over_the_link_of_the_keys(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    bench.checks = covering(bench.now)
    stream = Stream(wall=lambda: bench.now)

    def type_it(console: Scripted) -> None:
        for letter in "3.1":
            console.press(letter, letter)
        console.press("c-m", "\r")

    console = Scripted(stream, [("keys up", type_it), ("taken 1 of", key("c-c", "\x03"))])
    with bench.begin() as inspection:
        capture = bench.capture(inspection, links=("keys",))
        ended = run(
            capture,
            stream,
            console,
            Silence(),
            pieces=inspection.taking.pieces,
            key_lines=KeyLines(1024),
            monotonic_ns=console.monotonic_ns,
        )
        assert ended is Ended.LATER
        assert [(r.decoded.shown, r.source) for r in inspection.taking.readings] == [("3.1", "keys")]

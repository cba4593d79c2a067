"""The loop of the capture screen: what comes from the links and from the keys, in the order it happened, to the capture.

Everything happens on the thread that calls :func:`run`. A reading is drawn as taken only after the capture has
returned, and then it is on disk.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from enum import StrEnum
from typing import Final, Protocol

from ingest.capture_state import Act, GateState, Heard, MessageKind, Shown
from ingest.links.item import Item, Kind
from ingest.links.key_lines import Entered, KeyLine, KeyLines
from ingest.links.live import LinkDown
from ingest.links.stream import Stream
from ingest.screen_drawing import draw
from ingest.screen_keys import Do, Go, Leave, Press, ScreenKeys, TypedLine
from ingest.screen_text import Row, Signs
from ingest.sounds import Sounds, most_telling

#: What is typed comes over this link.
KEYS_LINK: Final = "keys"
_MIXED: Final = "this line was partly typed by hand and partly by the gauge; take the reading again"
_MOST_AT_ONCE: Final = 500
#: How often the window's size is looked at.
_LOOK_S: Final = 0.25
_RETRY_NS: Final = 2_000_000_000
#: How often the gauge's checks are looked at again while they do not cover: somebody may be checking it just now.
_GATE_NS: Final = 5_000_000_000
#: How often keys are looked at while nothing can be written and nothing wakes us.
_STOPPED_S: Final = 0.05
#: Readings wait no longer than this for a key that is being held down.
_LONGEST_HOLD_NS: Final = 500_000_000


class Capture(Protocol):
    """What the screen asks of a capture (ingest/capturing.py)."""

    def items(self, items: Sequence[Item]) -> None:
        """Take what came; returns once it is on disk, or the capture says that it has stopped."""
        ...

    def act(self, act: Act, text: str | None = None) -> object:
        """Carry out what the inspector wants. FINISH and REQUEST are the loop's."""
        ...

    def say(self, kind: MessageKind, sentence: str) -> None:
        """Show *sentence* as the last thing to be said."""
        ...

    def refresh_gate(self) -> None:
        """Look at the gauge's checks again."""
        ...

    def shown(self) -> Shown:
        """Return what is to be seen now."""
        ...

    @property
    def stopped(self) -> str | None:
        """Return why nothing can be written, or None; while it says something, the items stay in the stream."""
        ...

    def heard(self) -> Sequence[Heard]:
        """Return what is to be heard since the last call."""
        ...

    def retry(self) -> object:
        """Try again to write what could not be written."""
        ...


class Console(Protocol):
    """What the screen asks of a terminal (ingest/terminal.py)."""

    signs: Signs

    @property
    def ended(self) -> bool: ...
    def presses(self) -> list[Press]: ...
    def size(self) -> tuple[int, int]: ...
    def show(self, rows: tuple[Row, ...], columns: int) -> None: ...
    def suspend(self) -> None: ...


class Ended(StrEnum):
    """How the screen was left. FINISHED: the inspector is done. LATER: the inspection stays open."""

    FINISHED = "finished"
    LATER = "later"


def run(
    capture: Capture,
    stream: Stream,
    terminal: Console,
    sounds: Sounds,
    *,
    pieces: tuple[str, ...],
    key_lines: KeyLines | None = None,
    request: Callable[[], object] | None = None,
    monotonic_ns: Callable[[], int] = time.monotonic_ns,
) -> Ended:
    """Show the capture and take what comes until the inspector leaves, or the end is asked for from outside.

    Args:
        capture: Takes the items and the acts.
        stream: What the links bring.
        terminal: Where it is drawn, and where the keys come from; its *wake* is ``stream.nudge``.
        sounds: What is heard.
        pieces: Names of the pieces, in order.
        key_lines: Where readings are typed, or come from a gauge that types: makes lines of the keys, by the gauge's
            profile. They come over the link "keys". None where the keyboard steers and no more.
        request: Asks the gauge for a reading; None where it cannot be asked. LinkDown is told.
        monotonic_ns: The clock of the items and the presses.
    """
    keys = ScreenKeys(key_lines is not None, request is not None, pieces)
    if key_lines is not None:
        keys.lines = key_lines
        stream.put(Kind.UP, KEYS_LINK)
    loop = _Loop(capture, stream, terminal, sounds, keys, request, monotonic_ns)
    return loop.run()


class _Loop:
    def __init__(
        self,
        capture: Capture,
        stream: Stream,
        terminal: Console,
        sounds: Sounds,
        keys: ScreenKeys,
        request: Callable[[], object] | None,
        monotonic_ns: Callable[[], int],
    ) -> None:
        self._capture = capture
        self._stream = stream
        self._terminal = terminal
        self._sounds = sounds
        self._keys = keys
        self._request = request
        self._now = monotonic_ns
        self._held: list[Item] = []
        self._held_since = 0
        self._tried_ns = 0
        self._gate_ns = monotonic_ns()

    def run(self) -> Ended:
        drawn: object = None
        while True:
            self._look_at_gate(self._capture.shown())
            shown = self._capture.shown()
            now = (shown, self._keys.entry(shown), self._terminal.size())
            if now != drawn:
                columns, rows = now[2]
                self._terminal.show(draw(shown, now[1], columns, rows, self._terminal.signs), columns)
                drawn = now
            left = self._turn()
            if left is Leave.SUSPEND:
                self._terminal.suspend()
                drawn = None
            elif left is not None:
                self._let_in()
                return Ended.FINISHED if left is Leave.FINISH else Ended.LATER

    def _turn(self) -> Leave | None:
        """Wait for what comes next and take it; return how to leave, or None."""
        items = self._come()
        presses = self._terminal.presses()
        left = None
        events: list[Item | Press] = [*items, *presses]
        for event in sorted(events, key=_when):
            if isinstance(event, Item):
                self._hold(event)
            else:
                if not self._keys.pending:
                    self._let_in()
                left = self._carry_out(self._keys.press(event, self._capture.shown())) or left
        if self._held and self._now() - self._held_since >= _LONGEST_HOLD_NS:
            self._let_in()
        left = self._carry_out(self._keys.tick(self._now(), self._capture.shown())) or left
        if not self._keys.pending:
            self._let_in()
        self._try_again()
        return Leave.LATER if left is None and self._terminal.ended else left

    def _come(self) -> list[Item]:
        wait_s = _LOOK_S
        if self._keys.deadline_ns is not None:
            wait_s = max(0.0, min(wait_s, (self._keys.deadline_ns - self._now()) / 1e9))
        if self._capture.stopped is not None:  # what comes stays in the stream, which has room and says what it loses
            time.sleep(min(wait_s, _STOPPED_S))
            return []
        item = self._stream.get(wait_s)
        if item is None and self._stream.closed:
            time.sleep(min(wait_s, 0.02))  # nobody wakes us any more
        items = []
        while item is not None:
            items.append(item)
            item = self._stream.get(0) if len(items) < _MOST_AT_ONCE else None
        return items

    def _hold(self, item: Item) -> None:
        """Keep *item* until it is known what a key pressed before it means: undo is for the reading that was seen."""
        if not self._held:
            self._held_since = self._now()
        self._held.append(item)

    def _let_in(self) -> None:
        if self._held and self._capture.stopped is None:
            held, self._held = self._held, []
            self._capture.items(held)
            self._sound()

    def _carry_out(self, steps: list[Do | TypedLine | Go]) -> Leave | None:
        left = None
        for step in steps:
            match step:
                case Do(Act.REQUEST) if self._request is not None:
                    try:
                        self._request()
                    except LinkDown as down:
                        self._capture.say(MessageKind.LINK, str(down))
                case Do(act, text):
                    self._capture.act(act, text)
                    self._sound()
                case TypedLine(line):
                    self._put(line)
                case Go(how):
                    left = how
        return left

    def _put(self, line: KeyLine) -> None:
        about = {"entered": line.entered.value}
        if line.entered is Entered.MIXED:
            self._stream.put(Kind.PARTIAL, KEYS_LINK, line.frame._replace(ended=False), note=_MIXED, about=about)
        else:
            self._stream.put(Kind.LINE, KEYS_LINK, line.frame, about=about)

    def _try_again(self) -> None:
        if self._capture.stopped is not None and self._now() - self._tried_ns >= _RETRY_NS:
            self._tried_ns = self._now()
            self._capture.retry()
            self._sound()

    def _look_at_gate(self, shown: Shown) -> None:
        if shown.gate.state is not GateState.COVERED and self._now() - self._gate_ns >= _GATE_NS:
            self._capture.refresh_gate()
            self._gate_ns = self._now()

    def _sound(self) -> None:
        heard = most_telling(self._capture.heard())
        if heard is not None:
            self._sounds.play(heard)


def _when(event: Item | Press) -> int:
    return event.mono_ns if isinstance(event, Item) else event.at_ns

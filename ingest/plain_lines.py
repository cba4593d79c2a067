"""The capture without a screen: one line for each thing that happens, for a terminal that can do no more, a pipe, or a test.

What is typed comes through the same stream as what the gauges send, so that all of it has one order. A line that begins
with @ is an act:

    @undo @exclude REASON @skip REASON @next @piece NAME @location NAME @base NAME @coated @note TEXT
    @accept REASON @leave-out [REASON]   answer a question
    @pause                               nothing is taken, until the next @pause
    @request                             ask the gauge for a reading
    @finish                              end, as the end of the input does

A typed line that was doubted is accepted by typing it again; any other line leaves it out.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Final, TextIO

from ingest.capture_state import Act, GateState
from ingest.capturing import Capture
from ingest.decoding import DecodedReading, LineDecoder, text_of
from ingest.inspection import OtherLine, Problem, Slot, TakenReading, Told
from ingest.links.asking import Requester
from ingest.links.item import Item, Kind
from ingest.links.live import LiveLink
from ingest.links.stream import Stream
from ingest.live_taking import TYPED, About, Asked, Came, Happened
from schemas.errors import BadInput

#: So many items go to disk with one sync, where that many wait.
_MOST_AT_ONCE: Final = 500
#: How often it is looked whether somebody wants it to end, and whether there is room again.
_TICK_S: Final = 0.25
#: After so many quiet ticks without a covering check the checks are looked at again.
_TICKS_TO_GATE: Final = 40
_WORDS: Final = {
    "@undo": Act.UNDO,
    "@exclude": Act.EXCLUDE,
    "@skip": Act.SKIP,
    "@next": Act.NEXT_PIECE,
    "@note": Act.NOTE,
    "@accept": Act.ACCEPT,
    "@leave-out": Act.LEAVE_OUT,
    "@pause": Act.PAUSE,
    "@request": Act.REQUEST,
    "@finish": Act.FINISH,
}


_ANSWER: Final = "answer @accept REASON, or @leave-out; what comes meanwhile waits"
_ANSWER_GATE: Final = "answer @accept REASON, or @finish and check the gauge; what comes meanwhile waits"


class Ended(StrEnum):
    """Why the loop ended."""

    FINISHED = "finished"
    LATER = "to be gone on with later"
    ASKED = "a question is open"
    STOPPED = "stopped from outside"


@dataclass(slots=True)
class PlainLines:
    """The loop over plain lines.

    Args:
        capture: What it shows.
        stream: Where the items come from.
        links: The live links; what is typed is not among them.
        out: Where the lines go.
        interactive: Whether a person sits at the input and is told what is next.
        typed: Whether lines are typed, or written to the input by a program, at all.
        stop: Whether somebody wants it to end, such as a signal.
    """

    capture: Capture
    stream: Stream
    links: Sequence[LiveLink]
    out: TextIO
    interactive: bool
    typed: bool = True
    stop: Callable[[], bool] = lambda: False
    problems: int = 0
    _finish: bool = False
    _said_stopped: bool = False
    _prompted: bool = False
    _quiet: int = 0
    _ended: set[str] = field(default_factory=set)
    _asked: Asked | None = None
    _asked_in_vain: Asked | None = None
    _lines_in_vain: int = -1
    _filled: bool = False
    _gate: GateState | None = None
    _pause: threading.Event = field(default_factory=threading.Event)

    def run(self) -> Ended:
        """Take what comes until it is finished, and return why it ended.

        Raises:
            BadInput: Nothing can be written, and there is nobody who would wait for room.
        """
        self._show()
        self._prompt()
        while not self.stop():
            if self.capture.stopped is not None:
                self._wait_for_room()
                continue
            batch = self._next_batch()
            if batch:
                self._quiet = 0
                self._take(batch)
                self._prompt()
            else:
                self._tick()
            if self._is_finished():
                return self._last_word()
        return Ended.STOPPED

    def _next_batch(self) -> list[Item]:
        batch = []
        item = self.stream.get(_TICK_S)
        while item is not None:
            batch.append(item)
            item = self.stream.get(0) if len(batch) < _MOST_AT_ONCE else None
        return batch

    def _take(self, batch: Sequence[Item]) -> None:
        together: list[Item] = []
        for item in batch:
            if item.kind is Kind.END:
                self._ended.add(item.link)
            if item.link != TYPED:
                together.append(item)
                continue
            if together:
                self.capture.items(together)
                self._show()
                together = []
            if item.kind is Kind.LINE:
                self._prompted = False  # the typed line has ended the prompt's
                self._typed(item)
                self._show()
            elif item.kind is Kind.PARTIAL:  # a wedge's line that broke off, or that somebody typed into
                self._prompted = False
                self.capture.item(item)
                self._show()
        if together:
            self.capture.items(together)
            self._show()

    def _typed(self, item: Item) -> None:
        assert item.frame is not None  # noqa: S101 - Item says so
        data = item.frame.data
        if data.lstrip().startswith(b"@") and (words := self._words(data)) is not None:
            self._act(*words)
            return
        asked = self.capture.inspection.live.question
        if asked is not None and asked.came is not None and asked.came.link == TYPED:
            if asked.came.line.frame.data.strip() == data.strip():
                self.capture.act(Act.ACCEPT, "typed twice by the inspector", TYPED)
                return
            self._leave_out()
        self.capture.item(item)

    def _words(self, data: bytes) -> tuple[Act, str] | None:
        """Return what a typed word asks for, or None where it is no text: then it is kept as a line."""
        try:
            text = data.decode("utf-8").strip()
        except UnicodeDecodeError:
            return None
        word, _, rest = text.partition(" ")
        act = _WORDS.get(word.lower())
        return (Act.GO_TO, text) if act is None else (act, rest.strip())

    def _act(self, act: Act, text: str) -> None:
        asked = self.capture.inspection.live.question
        if act is Act.FINISH:
            self._finish = True
            return
        if act is Act.REQUEST:
            self._send_request()
            return
        typed = asked is not None and asked.came is not None and asked.came.link == TYPED
        if typed and act not in (Act.ACCEPT, Act.LEAVE_OUT, Act.NOTE, Act.PAUSE):
            self._leave_out()
        self.capture.act(act, text, TYPED)

    def _leave_out(self) -> None:
        """Leave out what was typed and doubted, silently: it was said when it was doubted."""
        self.capture.act(Act.LEAVE_OUT)
        self.capture.happened()
        self.problems += 1

    def _send_request(self) -> None:
        askable = [link for link in self.links if isinstance(link, Requester)]
        if not askable:
            self._line("  the gauge's profile has no [request]; take the reading on the gauge itself")
        for link in askable:
            link.ask()

    def _tick(self) -> None:
        self._quiet += 1
        asked = self.capture.inspection.live.question
        if asked is not None and asked.about is About.GATE and self._quiet % _TICKS_TO_GATE == 0:
            self.capture.refresh_gate()
            self._show()

    def _wait_for_room(self) -> None:
        assert self.capture.stopped is not None  # noqa: S101 - run() looks
        if not self._said_stopped:
            self._said_stopped = True
            self._line(f"  STOPPED: {self.capture.stopped}")
        if not self.interactive and not self.links:
            raise BadInput(self.capture.stopped)
        # Nothing is taken out of the stream meanwhile: it holds what comes.
        self._pause.wait(_TICK_S)
        if self.capture.retry():
            self._said_stopped = False
            self._line("  there is room again, and it goes on")
            self._show()

    def _is_finished(self) -> bool:
        if self._finish:
            return True
        if self.typed and TYPED not in self._ended:
            return False
        asked = self.capture.inspection.live.question
        if asked is not None and asked.came is not None and asked.came.link == TYPED:
            self._leave_out()  # it cannot be typed again, and what the gauge sends would wait for ever
            self._show()
        # Where nobody can type any more, a gauge is listened to until the plan is done.
        alive = any(link.name not in self._ended for link in self.links)
        return self.interactive or not alive or self.capture.complete or self._waits_in_vain()

    def _nobody_answers(self) -> bool:
        """Return whether a question stays open here: no terminal, and no input any more that could bring an answer."""
        return not self.interactive and (not self.typed or TYPED in self._ended)

    def _waits_in_vain(self) -> bool:
        """Say once that nobody can answer here; return whether what is counted and what waits fill the plan."""
        inspection = self.capture.inspection
        live, taking = inspection.live, inspection.taking
        asked = live.question
        if asked is None or not self._nobody_answers():
            return False
        if asked is not self._asked_in_vain:
            self._asked_in_vain = asked
            self._line(
                "  nobody can answer here: answer it at a terminal with 'filmtally measure --resume "
                f"{inspection.facts.inspection_id}'; what comes meanwhile waits on disk"
            )
        if self._lines_in_vain != len(live.waiting):  # it is looked at with every tick, and changes with a line alone
            self._lines_in_vain = len(live.waiting)
            lacking = sum(count for _, _, count in taking.missing())
            waiting = [*live.waiting, *([asked.came] if asked.came is not None else [])]
            self._filled = sum(_may_be_a_reading(came, taking.decoder) for came in waiting) >= lacking
        return self._filled

    def _last_word(self) -> Ended:
        asked = self.capture.inspection.live.question
        if asked is None:
            return Ended.FINISHED
        if asked.came is not None and asked.came.link == TYPED:
            self._leave_out()
            return self._last_word()
        return Ended.ASKED

    # what is shown

    def _show(self) -> None:
        for one in self.capture.happened():
            if (said := self._said(one)) is not None:
                self._line(said)

    def _said(self, one: Happened) -> str | None:
        match one.outcome:
            case TakenReading() as taken:
                twice = "; may have been sent twice by the link" if one.doubled else ""
                return (
                    f"  taken {taken.reading_no}: {taken.decoded.shown} {taken.decoded.unit.symbol} at {taken.location}, "
                    f"piece {taken.piece}{twice}"
                )
            case OtherLine() as other:
                return f"  no reading: {other.why}"
            case Problem() as problem:
                return self._not_taken(one, problem)
            case Told() as told:
                return f"  {told.answer}"
            case _ if one.kind in (Kind.LINE, Kind.PARTIAL) and one.sentence and self._nobody_answers():
                return None  # it waits; how many do is said at the end
            case _ if one.sentence:
                return f"  {one.link}: {one.sentence}"
            case _:
                return "  nothing typed" if one.link == TYPED and one.kind is Kind.LINE else None

    def _not_taken(self, one: Happened, problem: Problem) -> str:
        if not one.asked:
            self.problems += 1
        number = f"line {problem.line_no}: " if problem.line_no else ""
        where = "" if one.link in (TYPED, "") else f"{one.link}: "
        if one.kind is None and not problem.line_no:
            return f"  NOT DONE: {problem.sentence}"
        if not one.asked:
            return f"  NOT TAKEN: {where}{number}{problem.sentence}"
        self._asked = self.capture.inspection.live.question
        if one.link == TYPED:
            return f"  NOT TAKEN: {number}{problem.sentence}; type it again to take it as it is"
        return f"  ASKED: {where}{number}{problem.sentence}; {_ANSWER}"

    def _say_question(self) -> None:
        """Say what is asked where it was not said as it came up: of the gate, of a device, or since an earlier session."""
        asked = self.capture.shown().question
        if asked is not None:
            line = f"{asked.line!r}: " if asked.line else ""
            answer = _ANSWER if Act.LEAVE_OUT in asked.acts else _ANSWER_GATE
            self._line(f"  ASKED: {line}{asked.sentence}; {answer}")

    def _say_gate(self) -> None:
        """Say what the gate would say of a reading taken now, where it is not asked and not what was said last."""
        asked = self.capture.inspection.live.question
        gate = self.capture.gate()
        if gate.state is not self._gate and (asked is None or asked.about is not About.GATE):
            self._line(f"  gauge {gate.state.value}: {gate.sentence}")
            self._gate = gate.state

    def _prompt(self) -> None:
        self._say_gate()
        asked = self.capture.inspection.live.question
        if asked is not None and asked is not self._asked:
            self._say_question()
        self._asked = asked
        if self.interactive:
            slot = self.capture.inspection.taking.next_slot()
            self._write(f"{place_said(slot) if slot else 'all taken; Ctrl-D seals'} > ")
            self._prompted = True

    def _line(self, text: str) -> None:
        self._write(("\n" if self._prompted else "") + text + "\n")
        self._prompted = False

    def _write(self, text: str) -> None:
        self.out.write(text)
        self.out.flush()


def _may_be_a_reading(came: Came, decoder: LineDecoder) -> bool:
    text = text_of(came.line.frame, decoder.control)
    return isinstance(text, str) and isinstance(decoder.decode(text), DecodedReading)


def place_said(slot: Slot) -> str:
    """Return where the next reading belongs."""
    spot = f", spot {slot.spot}" if slot.location.spots > 1 else ""
    of = f" ({slot.nth} of {slot.location.readings_per_spot})" if slot.location.readings_per_spot > 1 else ""
    return f"piece {slot.piece}, {slot.location.name}{spot}{of}"

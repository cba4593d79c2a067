"""What becomes of what comes over live links while an inspection is taken. Pure: no disk, no terminal, no clock.

It stands over the state of taking (ingest/inspection.py) and adds what a live bench needs: a line against which
something speaks is asked about once, and what comes meanwhile waits; a pause; which links are up and what the
device at the other end says of itself. Each entry point is given what a record of the journal holds, and nothing
else decides: replaying the records gives the very same state.

    a LINE while nothing is asked     a reading, a line that is no reading, a line that is not taken, or a question
    a LINE while something is asked   waits, in order, until the answer
    a LINE while it is paused         kept as no reading: an inspector who pauses tries the gauge on something else
    a PARTIAL                         kept as no reading; a person may accept it as the very next act
    UP, DOWN, LOST                    notes of the inspection: what the device is, how often the link went, what is missing

A slip of the unit that was accepted with a reason at a location is accepted there for the same reason from then on,
each time with its own note: who has said why once is not asked fifty times, and the record still says it of each.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from typing import Final

from ingest.capture_state import Act
from ingest.decoding import DecodedReading, LineDecoder, Rejected, escaped, text_of
from ingest.framing import Frame
from ingest.inspection import Note, OtherLine, Outcome, Problem, TakenReading, Taking, Told
from ingest.links.item import Item, Kind, Origin
from ingest.links.raw_line import RawLine

#: The link of what a person types; a word that begins with @ is an act there and never a line.
TYPED: Final = "typed"
#: Where a person types, or a gauge that types like a keyboard; beside a live link it is the person.
_BY_HAND: Final = frozenset({TYPED, "keys"})
_PARTIAL: Final = "the link went in the middle of this line"
_NO_END: Final = "has no line end, so it may be cut short"


class About(StrEnum):
    """What a question is about."""

    LINE = "line"
    GATE = "gate"
    DEVICE = "device"


@dataclass(frozen=True, slots=True)
class Came:
    """A line that came.

    Attributes:
        line: The line, numbered within its link.
        link: The link.
        doubled: Whether it may have been sent twice.
        against: What the link says against it; empty where nothing does.
    """

    line: RawLine
    link: str
    doubled: bool = False
    against: str = ""


@dataclass(frozen=True, slots=True)
class Asked:
    """A question that is open.

    Attributes:
        about: What it is about.
        sentence: What speaks against it, and what to do.
        came: The line (LINE).
        link: The link whose device it is (DEVICE).
        same_as: As of :class:`ingest.inspection.Problem` (LINE).
        serial: What the device says that its serial number is (DEVICE).
    """

    about: About
    sentence: str
    came: Came | None = None
    link: str = ""
    same_as: str | None = None
    serial: str = ""


@dataclass(frozen=True, slots=True)
class Happened:
    """What became of an item or an act.

    Attributes:
        link: The link it came over; empty for an act.
        outcome: What the state of taking made of it; None for what happens to a link, and for a blank line.
        sentence: What is to be said where *outcome* says nothing: a link that came or went, a line that waits.
        kind: Of the item; None for an act.
        asked: Whether it is now asked about; *outcome* then is the problem.
        doubled: Whether the line may have been sent twice.
    """

    link: str
    outcome: Outcome = None
    sentence: str = ""
    kind: Kind | None = None
    asked: bool = False
    doubled: bool = False


@dataclass(slots=True)
class LinkSeen:
    """What is known of a link."""

    up: bool = False
    note: str = ""
    about: Mapping[str, str] = field(default_factory=dict)
    lines: int = 0
    went: int = 0
    went_note: int | None = None


@dataclass(slots=True)
class LiveTaking:
    """One inspection while it is taken over live links.

    Args:
        taking: The state of taking that everything goes into.
        by_hand: Reads what a person types beside a live link: bare figures.
    """

    taking: Taking
    by_hand: LineDecoder
    asks: bool = True
    paused: bool = False
    questions: deque[Asked] = field(default_factory=deque)
    waiting: deque[Came] = field(default_factory=deque)
    links: dict[str, LinkSeen] = field(default_factory=dict)
    origins: dict[str, dict[str, Origin]] = field(default_factory=dict)
    doubled: set[int] = field(default_factory=set)
    happened: list[Happened] = field(default_factory=list)
    gate_settled: bool = False
    session_links: tuple[str, ...] = ()
    also_figures: bool = False
    _devices: dict[tuple[str, str], bool] = field(default_factory=dict)
    _slips: dict[str, str] = field(default_factory=dict)
    _partial: tuple[Came, OtherLine] | None = None

    @property
    def question(self) -> Asked | None:
        """Return what is asked now, or None."""
        return self.questions[0] if self.questions else None

    def begin(self, *, prompted: bool, asks: bool, links: tuple[str, ...], also_figures: bool = False) -> None:
        """Begin, or go on, at a bench.

        Args:
            prompted: Whether the inspector sees what is next (as of :class:`ingest.inspection.Taking`).
            asks: Whether there is anybody to answer; where not, a line that is doubted is not taken.
            links: The live links; what is typed beside them is bare figures.
            also_figures: Whether a person types on the keyboard over which the gauge types: bare figures are read as
                such where the gauge's profile does not fit.
        """
        self.taking.prompted = prompted
        self.also_figures = also_figures
        self.asks = asks
        self.session_links = links
        for seen in self.links.values():
            seen.up = False
        for link in links:
            self.links.setdefault(link, LinkSeen())

    # what comes over links

    def item(self, item: Item) -> None:
        """Take one item; what became of it is appended to *happened*."""
        self.taking.now = item.at
        seen = self.links.setdefault(item.link, LinkSeen())
        for origin in (*item.there_before, item.origin):
            if origin is not None:
                self.origins.setdefault(item.link, {})[origin.name] = origin
        match item.kind:
            case Kind.LINE | Kind.PARTIAL:
                assert item.frame is not None  # noqa: S101 - Item says so
                seen.lines += 1
                came = Came(_line_of(item, seen.lines), item.link, item.doubled, item.note)
                if self.questions:
                    self.waiting.append(came)
                    self._tell(item, "waits until the question is answered")
                else:
                    self._line(came)
            case Kind.UP:
                self._up(item, seen)
            case Kind.DOWN:
                self._down(item, seen)
            case Kind.LOST:
                self.taking.notes.append(Note(item.at.isoformat(), "filmtally", f"{item.link}: {item.note}"))
                self._tell(item, item.note)
            case Kind.END:
                seen.up, seen.note = False, item.note or "has ended"
                self._tell(item, seen.note)
            case Kind.NO_ANSWER:
                self._tell(item, item.note or "the gauge did not answer in time; ask again")

    def _up(self, item: Item, seen: LinkSeen) -> None:
        said = ", ".join(f"{name.replace('_', ' ')} {value}" for name, value in item.about.items())
        steady = {name: value for name, value in item.about.items() if name != "battery_percent"}
        known = {name: value for name, value in seen.about.items() if name != "battery_percent"}
        if steady and steady != known:
            told = ", ".join(f"{name.replace('_', ' ')} {value}" for name, value in steady.items())
            self.taking.notes.append(
                Note(item.at.isoformat(), "filmtally", f"{item.link}: the device says of itself: {told}")
            )
        seen.up, seen.note, seen.about = True, said or item.note, dict(item.about)
        there = f"is there ({said})" if said else "is there"
        self._tell(item, f"{there}; {item.note}" if item.note else there)

    def _down(self, item: Item, seen: LinkSeen) -> None:
        was_up = seen.up
        seen.up, seen.note = False, item.note
        if was_up:
            seen.went += 1
            times = "once" if seen.went == 1 else f"{seen.went} times"
            note = Note(item.at.isoformat(), "filmtally", f"{item.link}: the link went {times}, last: {item.note}")
            # One note that counts, for a loose plug would fill the record.
            if seen.went_note is None:
                seen.went_note = len(self.taking.notes)
                self.taking.notes.append(note)
            else:
                self.taking.notes[seen.went_note] = note
        self._tell(item, item.note or "is not there")

    def _line(self, came: Came) -> None:
        self._partial = None
        if self.paused:
            self._aside(came, "came while the inspection was paused")
            return
        serial = self.links[came.link].about.get("serial_number")
        if serial is not None and self._devices.get((came.link, serial)) is False:
            self._aside(came, f"came from another gauge (serial number {serial})", of_the_gauge=False)
            return
        if not came.line.frame.ended:
            whole_source = came.link.partition(":")[0] in ("file", "folder", "pipe", TYPED)
            other = self._aside(came, came.against or (_NO_END if whole_source else _PARTIAL))
            self._partial = (came, other)
            return
        outcome = self._feed(came, None)
        if isinstance(outcome, Problem) and outcome.same_as in self._slips:
            outcome = self._feed(came, f"{self._slips[outcome.same_as]} (said before of the same)")
        if isinstance(outcome, Problem) and outcome.can_be_accepted and self.asks:
            self.questions.append(Asked(About.LINE, outcome.sentence, came, same_as=outcome.same_as))
            self.happened.append(Happened(came.link, outcome, kind=Kind.LINE, asked=True, doubled=came.doubled))
            return
        self._took(came, outcome)

    def _took(self, came: Came, outcome: Outcome) -> None:
        if isinstance(outcome, Problem):
            self._keep_refused(came, outcome)
        if came.doubled and isinstance(outcome, TakenReading):
            self.doubled.add(outcome.reading_no)
            said = f"reading {outcome.reading_no} may have been sent twice by the link"
            self.taking.notes.append(Note(outcome.taken_at.isoformat(), "filmtally", said))
        self.happened.append(Happened(came.link, outcome, kind=Kind.LINE, doubled=came.doubled))

    def _feed(self, came: Came, accept: str | None) -> Outcome:
        usual = self.taking.decoder
        if self._is_by_hand(came):
            self.taking.decoder = self.by_hand
        try:
            return self.taking.feed(came.line, came.link, accept=accept, against=came.against)
        finally:
            self.taking.decoder = usual

    def _is_by_hand(self, came: Came) -> bool:
        if came.link not in _BY_HAND:
            return False
        return bool(self.session_links) or (self.also_figures and self._is_figures(came))

    def _is_figures(self, came: Came) -> bool:
        """Return whether the gauge's profile does not read a line, and a person's bare figures it is."""
        usual = self.taking.decoder
        text = text_of(came.line.frame, usual.control)
        return (
            isinstance(text, str)
            and isinstance(usual.decode(text), Rejected)
            and isinstance(self.by_hand.decode(text), DecodedReading)
        )

    def _aside(self, came: Came, why: str, *, of_the_gauge: bool = True) -> OtherLine:
        of_the_gauge = of_the_gauge and not self._is_by_hand(came)
        other = self.taking.keep_aside(came.line, came.link, why, of_the_gauge=of_the_gauge)
        self.happened.append(Happened(came.link, other, kind=Kind.LINE))
        return other

    def _keep_refused(self, came: Came, problem: Problem, left_out: str = "") -> None:
        # It was seen all the same, so the next is not asked about for the same gap.
        why = f"not taken: {problem.sentence}{left_out}"
        self.taking.keep_aside(came.line, came.link, why, of_the_gauge=not self._is_by_hand(came))

    def _tell(self, item: Item, sentence: str) -> None:
        self.happened.append(Happened(item.link, sentence=sentence, kind=item.kind))

    # what is asked, and what the inspector does

    def ask_of_gate(self, sentence: str) -> None:
        """Ask whether readings shall be taken although the gate does not cover them."""
        self.questions.append(Asked(About.GATE, sentence))

    def ask_of_device(self, link: str, serial: str, sentence: str) -> None:
        """Ask whether the readings of another device than the gauge named shall be taken."""
        self.questions.append(Asked(About.DEVICE, sentence, link=link, serial=serial))

    def withdraw_gate(self) -> None:
        """Take the question of the gate back: the gauge was checked meanwhile."""
        self.questions = deque(q for q in self.questions if q.about is not About.GATE)
        self._drain()

    def device_is_known(self, link: str, serial: str) -> bool:
        """Return whether a person has said what becomes of this device's readings, or is being asked."""
        asked = any(q.about is About.DEVICE and (q.link, q.serial) == (link, serial) for q in self.questions)
        return asked or (link, serial) in self._devices

    def act(self, act: Act, text: str, at: datetime, link: str = "") -> None:
        """Carry out what a person does; what became of it is appended to *happened*.

        Args:
            act: What; REQUEST and FINISH are not for here.
            text: The reason, note or name.
            at: When.
            link: TYPED where it was typed as a word among the lines.
        """
        self.taking.now = at
        seen = self.links.setdefault(link, LinkSeen()) if link else LinkSeen()
        seen.lines += 1
        by = self.taking.by
        if act in (Act.ACCEPT, Act.LEAVE_OUT):
            outcome: Outcome = self._accept(text, at) if act is Act.ACCEPT else self._leave_out(text, at)
        elif act is Act.PAUSE:
            self.paused = not self.paused
            said = "paused" if self.paused else "goes on"
            self.taking.notes.append(Note(at.isoformat(), by, f"{said}: {text}" if text else said))
            outcome = Told(f"{said}; what comes now is kept and is no reading" if self.paused else said)
        elif self.questions and act is not Act.NOTE:
            outcome = Problem(0, f"{act.value}: answer the question first ({self.questions[0].sentence})")
        else:
            words = self._words(act, text)
            line = RawLine(seen.lines, _frame(words), at, directive=True)
            outcome = self.taking.feed(line, link)
            if isinstance(outcome, Problem) and link:
                self._keep_refused(Came(line, link), outcome)
        self.happened.append(Happened(link, outcome))
        self._drain()

    def settle(self, reason: str, at: datetime) -> None:
        """Answer every question with no, before sealing: what waits is kept as no reading, with *reason*."""
        self.taking.now = at
        while self.questions:
            asked = self.questions.popleft()
            if asked.came is not None:
                problem = Problem(asked.came.line.line_no, asked.sentence)
                self._keep_refused(asked.came, problem, f"; {reason}")
        while self.waiting:
            self._aside(self.waiting.popleft(), f"came while a question was open that was not answered; {reason}")

    def _accept(self, reason: str, at: datetime) -> Outcome:
        by = self.taking.by
        if not reason.strip():
            return Problem(0, "accept needs a reason after it")
        if not self.questions:
            return self._accept_partial(reason)
        asked = self.questions.popleft()
        if asked.about is About.LINE:
            assert asked.came is not None  # noqa: S101 - Asked says so
            outcome = self._feed(asked.came, reason)
            if asked.same_as is not None and isinstance(outcome, TakenReading):
                self._slips[asked.same_as] = reason
            self._took(asked.came, outcome)
            return Told(f"accepted: {reason}")
        if asked.about is About.DEVICE:
            self._devices[asked.link, asked.serial] = True
        else:
            self.gate_settled = True
        self.taking.notes.append(Note(at.isoformat(), by, f"readings taken although {asked.sentence}: {reason}"))
        return Told(f"accepted: {reason}")

    def _accept_partial(self, reason: str) -> Outcome:
        if self._partial is None:
            return Problem(0, "there is nothing that could be accepted")
        came, other = self._partial
        self._partial = None
        # It does not stand between itself and the line before it.
        self.taking.counters.take_back()
        outcome = self._feed(came, reason)
        if not isinstance(outcome, TakenReading):
            self.taking.counters.pass_by()
            return (
                outcome
                if isinstance(outcome, Problem)
                else Problem(0, f"{escaped(came.line.frame.data)!r} is no reading")
            )
        self.taking.other_lines.remove(other)
        said = f"reading {outcome.reading_no} accepted although the line came without its end: {reason}"
        self.taking.notes.append(Note(outcome.taken_at.isoformat(), self.taking.by, said))
        self.happened.append(Happened(came.link, outcome, kind=Kind.PARTIAL))
        return Told(f"accepted: {reason}")

    def _leave_out(self, reason: str, at: datetime) -> Outcome:
        if not self.questions:
            return Problem(0, "nothing is asked that could be left out")
        asked = self.questions[0]
        if asked.about is About.GATE:
            return Problem(0, "check the gauge, or accept with a reason; or finish, and measure later")
        self.questions.popleft()
        if asked.about is About.DEVICE:
            self._devices[asked.link, asked.serial] = False
            note = f"nothing is taken from the device with serial number {asked.serial} at {asked.link}"
            self.taking.notes.append(Note(at.isoformat(), self.taking.by, f"{note}: {reason}" if reason else note))
            return Told(note)
        assert asked.came is not None  # noqa: S101 - Asked says so
        left_out = f"; left out by {self.taking.by}: {reason}" if reason else ""
        self._keep_refused(asked.came, Problem(0, asked.sentence), left_out)
        return Told("left out")

    def _drain(self) -> None:
        while self.waiting and not self.questions:
            self._line(self.waiting.popleft())

    def _words(self, act: Act, text: str) -> str:
        match act:
            case Act.GO_TO if text.startswith("@"):
                return text
            case Act.GO_TO if self.taking.job.find(text) is None and text in self.taking.pieces:
                return f"@piece {text}"
            case Act.GO_TO:
                return f"@location {text}"
            case Act.NEXT_PIECE:
                return "@next"
            case _:
                return f"@{act.value} {text}".rstrip()


def _line_of(item: Item, line_no: int) -> RawLine:
    assert item.frame is not None  # noqa: S101 - Item says so
    frame = item.frame._replace(ended=False) if item.kind is Kind.PARTIAL else item.frame
    # A capture of ours says the time of each line, and holds words of the inspector.
    directive = item.taken_at is not None and frame.data.startswith(b"@")
    return RawLine(line_no, frame, item.taken_at or item.at, directive=directive)


def _frame(words: str) -> Frame:
    data = words.encode("utf-8", "surrogateescape")
    return Frame(data, len(data))

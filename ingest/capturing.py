"""The capture: what an inspector sees and does while an inspection is taken live. No terminal and no threads of its own.

A loop (ingest/plain_lines.py, ingest/screen.py) hands in what came and what the inspector does, and shows what is to
be seen. A reading is in Shown only once it is on disk. Everything that comes is written at once, also while a question
is open: then it waits on disk, so that a kill loses nothing.

Where the disk is full, what is in hand stays here, `stopped` says so in one sentence, and retry() tries again; the loop
takes nothing more from its stream meanwhile, which holds what comes.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from fractions import Fraction
from typing import Final
from zoneinfo import ZoneInfo

from ingest.capture_state import (
    Act,
    BaseShown,
    Doubt,
    GateShown,
    GateState,
    Heard,
    LastReading,
    LinkShown,
    LocationCount,
    Message,
    MessageKind,
    NextPlace,
    PieceCount,
    Question,
    Shown,
    Standing,
    Window,
)
from ingest.decoding import escaped
from ingest.inspection import OtherLine, Problem, TakenReading, Told, base_means_um
from ingest.journal import CannotWrite
from ingest.links.item import Item, Kind
from ingest.live_taking import About, Asked, Happened
from ingest.open_inspection import OpenInspection
from rules.calibration_gate import GateNow
from rules.results import GateState as Coverage
from rules.results import ReadingCoverage
from schemas.gauge_checks import GaugeCheck
from schemas.job import Location
from schemas.shop import Gauge
from schemas.units import Unit, exact_um, from_um
from schemas.vocabulary import BASE_READING, EVERYWHERE, CoatStage

_NO_WINDOW: Final = Window(lower=None, target_low=None, target_high=None, upper=None, unit="")
_ANSWERS: Final = {
    About.LINE: (Act.ACCEPT, Act.LEAVE_OUT),
    About.GATE: (Act.ACCEPT, Act.FINISH),
    About.DEVICE: (Act.ACCEPT, Act.LEAVE_OUT),
}
_UNDER: Final = {CoatStage.BARE: "bare metal", CoatStage.ZINC: "zinc"}


@dataclass(slots=True)
class _Tally:
    """Of one location on one piece: how many readings count, and their sum in µm."""

    counted: int = 0
    sum_um: Decimal = Decimal(0)


class Capture:
    """One inspection while it is taken.

    Args:
        inspection: The open inspection; stays the caller's to close.
        checks: Returns the gauge's checks as they are on record now.
        now: The clock, aware.
        links: Names of the live links, as Item.link has them.
        gauge: The gauge as shop.toml has it today, for the serial number that it reports; None where it is no longer there.
        prompted: Whether the inspector sees what is next; see :class:`ingest.inspection.Taking`.
        asks: Whether there is anybody to answer a question about a line.
        confirms: Whether there is anybody to confirm that readings are taken although no check covers them.
        also_figures: As of :meth:`ingest.live_taking.LiveTaking.begin`.
    """

    def __init__(
        self,
        inspection: OpenInspection,
        checks: Callable[[], Sequence[GaugeCheck]],
        now: Callable[[], datetime],
        *,
        links: Sequence[str] = (),
        gauge: Gauge | None = None,
        prompted: bool = True,
        asks: bool = True,
        confirms: bool = True,
        also_figures: bool = False,
    ) -> None:
        self._inspection = inspection
        self._checks = checks
        self._now = now
        self._gauge = gauge
        self._confirms = confirms
        self._held: list[Item] = []
        self._stopped: str | None = None
        self._message: Message | None = None
        self._happened: list[Happened] = []
        self._heard: list[Heard] = []
        self._tallies: dict[tuple[str, str], _Tally] = {}
        self._tallied = 0
        self._base_um: dict[str, Decimal] | None = None
        self._lacking: tuple[PieceCount, ...] | None = None
        self._checked_at: dict[str, datetime] = {}
        inspection.begin_session(now(), prompted=prompted, asks=asks, links=links, also_figures=also_figures)
        self._gate = self._gate_of(checks())
        self._ask_of_gate()
        if inspection.live.question is not None:
            self._say(MessageKind.TOLD, "a question is still open")

    # what comes, and what the inspector does

    @property
    def inspection(self) -> OpenInspection:
        """Return the inspection that is taken."""
        return self._inspection

    @property
    def stopped(self) -> str | None:
        """Return why nothing is taken any more, or None. While it says something, hand in nothing but retry()."""
        return self._stopped

    @property
    def complete(self) -> bool:
        """Return whether the plan is done, and nothing is asked."""
        return self._inspection.live.question is None and self._inspection.taking.next_slot() is None

    def item(self, item: Item) -> None:
        """Take one item; see :meth:`items`."""
        self.items([item])

    def items(self, items: Sequence[Item]) -> None:
        """Take what came, in order, all of it with one sync; where that cannot be written, it is kept for retry()."""
        self._held += items
        self.retry()

    def retry(self) -> bool:
        """Take what is in hand because it could not be written before; return whether nothing is left in hand."""
        while self._held:
            batch = self._until_a_device(self._held)
            try:
                self._inspection.take(batch)
            except CannotWrite as wrong:
                self._stop(wrong)
                return False
            del self._held[: len(batch)]
            self._gather()
            self._ask_of_device(batch[-1])
        if self._stopped is not None:
            self._stopped = None
            self._say(MessageKind.TOLD, "there is room again, and it goes on")
        return True

    def act(self, act: Act, text: str | None = None, link: str = "") -> bool:
        """Do what the inspector says; return whether it was done. FINISH and REQUEST are the loop's.

        Args:
            act: What.
            text: Reason, note or name. GO_TO takes the name of a location or a piece, or a word such as "@base rail".
            link: Where it came from, for what was typed as a word among the lines.
        """
        if act in (Act.FINISH, Act.REQUEST):
            return True
        if not self.retry():
            return False
        before = len(self._happened)
        try:
            self._inspection.act(act, (text or "").strip(), self._now(), link)
        except CannotWrite as wrong:
            self._stop(wrong, act)
            return False
        if act is not Act.NOTE:
            self._tallied, self._tallies = 0, {}
        self._gather()
        if act is Act.PAUSE:
            self.refresh_gate()
        return not any(isinstance(one.outcome, Problem) and not one.kind for one in self._happened[before:])

    def say(self, kind: MessageKind, sentence: str) -> None:
        """Show *sentence* as the last thing to be said: for what only the loop knows, such as a request that was not sent."""
        self._say(kind, sentence)

    def refresh_gate(self) -> None:
        """Look at the gauge's checks again; a question of the gate goes away once a check covers it."""
        self._gate = self._gate_of(self._checks())
        asked = any(q.about is About.GATE for q in self._inspection.live.questions)
        if asked and self._coverage()[0] is not GateState.UNCOVERED and self.retry():
            try:
                self._inspection.withdraw_gate(self._now())
            except CannotWrite as wrong:
                self._stop(wrong)
                return
            self._gather()
            self._say(MessageKind.TOLD, "the gauge was checked; readings are taken")

    def heard(self) -> list[Heard]:
        """Return what there was to be heard since the last call, oldest first."""
        found, self._heard = self._heard, []
        return found

    def happened(self) -> list[Happened]:
        """Return what became of items and acts since the last call, oldest first: for plain lines."""
        found, self._happened = self._happened, []
        return found

    # questions that do not follow from the lines

    def _gate_of(self, checks: Sequence[GaugeCheck]) -> GateNow:
        facts = self._inspection.facts
        of_gauge = [c for c in checks if c.gauge_serial == facts.gauge_serial]
        self._checked_at = {c.check_id: c.done_at for c in of_gauge}
        return GateNow(of_gauge, facts.job, facts.shop)

    def _judged(self) -> ReadingCoverage:
        facts = self._inspection.facts
        return self._gate.judge(facts.gauge_serial, facts.job.probe_mode.value, self._now())

    def _checked(self, entry: ReadingCoverage) -> str:
        """Return in a few words that the gauge was checked, and when by the shop's clock: the usual state of a day."""
        done_at = self._checked_at.get(entry.opening_check_id or "")
        if entry.state is not Coverage.OPEN or done_at is None:
            return ""
        zone = ZoneInfo(self._inspection.facts.shop.time_zone)
        done, now = done_at.astimezone(zone), self._now().astimezone(zone)
        when = f"{done:%H:%M}" if done.date() == now.date() else f"{done:%Y-%m-%d %H:%M}"
        return f"gauge checked {when}; closing check after the last reading"

    def _coverage(self, entry: ReadingCoverage | None = None) -> tuple[GateState, str]:
        entry = entry or self._judged()
        if entry.state is Coverage.COVERED:
            return GateState.COVERED, entry.reason
        if entry.state is Coverage.OPEN:
            return GateState.OPEN, f"{entry.reason}: check the gauge again after the last reading"
        return GateState.UNCOVERED, entry.reason

    def _ask_of_gate(self) -> None:
        live = self._inspection.live
        if live.gate_settled or any(q.about is About.GATE for q in live.questions):
            return
        state, reason = self._coverage()
        if state is not GateState.UNCOVERED:
            return
        if self._confirms and not self._inspection.taking.readings:
            self._inspection.ask_of_gate(reason, self._now())
        else:
            self._say(MessageKind.TOLD, self._uncovered(reason))

    def _uncovered(self, reason: str) -> str:
        serial = self._inspection.facts.gauge_serial
        mode = (
            f" --mode {self._inspection.facts.job.probe_mode}"
            if self._gauge and len(self._gauge.probe_modes) > 1
            else ""
        )
        by = self._inspection.facts.inspector
        return (
            f"{reason}; no certificate can be issued from readings taken now. Check the gauge first: 'filmtally check "
            f"verification --gauge {serial}{mode} --occasion opening --by {by} --standard SERIAL=R,R,R'"
        )

    def _until_a_device(self, items: list[Item]) -> list[Item]:
        """Return the first of *items*, up to and with one after which a device has to be asked about; at least one."""
        for number, item in enumerate(items, start=1):
            if self._other_device(item) is not None:
                return items[:number]
        return list(items)

    def _other_device(self, item: Item) -> str | None:
        """Return the serial number that *item* reports where it is not that of the gauge, else None."""
        said = item.about.get("serial_number", "").strip() if item.kind is Kind.UP else ""
        if not said or self._gauge is None or self._inspection.live.device_is_known(item.link, said):
            return None
        expected = self._gauge.device_serial or self._gauge.serial
        return None if said.casefold() == expected.strip().casefold() else said

    def _ask_of_device(self, item: Item) -> None:
        said = self._other_device(item)
        if said is None or self._gauge is None:
            return
        expected = self._gauge.device_serial or self._gauge.serial
        sentence = f"the device at {item.link} says that its serial number is {said}, and gauge {self._gauge.serial}"
        if self._gauge.device_serial is not None:
            sentence += f" has device_serial {expected!r} in shop.toml"
        else:
            sentence += f' is another by shop.toml (if it is the same, add device_serial = "{said}" there)'
        self._inspection.ask_of_device(item.link, said, sentence, self._now())

    # what is to be said

    def _stop(self, wrong: CannotWrite, act: Act | None = None) -> None:
        where = self._inspection.journal.path.parent
        why = "the disk is full" if wrong.full else wrong.sentence.partition(": ")[2].partition(";")[0]
        todo = "make room on it" if wrong.full else "make it writable"
        again = f"; {act.value} was not done, do it again then" if act is not None else ""
        self._stopped = (
            f"{where}: {why}, so nothing more is taken; what is shown as taken is on disk. {todo[0].upper()}{todo[1:]} "
            f"and it goes on by itself{again}"
        )
        self._say(MessageKind.STOPPED, self._stopped)

    def _gather(self) -> None:
        live = self._inspection.live
        for one in live.happened:
            self._happened.append(one)
            self._hear(one)
            self._say_of(one)
        live.happened.clear()

    def _hear(self, one: Happened) -> None:
        match one.outcome:
            case TakenReading():
                self._tally()
                standing = self._last_of(one.outcome).standing
                self._heard.append(Heard.OUT if standing in (Standing.LOW, Standing.HIGH) else Heard.IN)
            case OtherLine():
                self._heard.append(Heard.NOT_A_READING)
            case Problem() if one.kind is not None:
                self._heard.append(Heard.NOT_A_READING)

    def _say_of(self, one: Happened) -> None:
        match one.outcome:
            case TakenReading() if one.doubled:
                self._say(MessageKind.TOLD, f"reading {one.outcome.reading_no} may have been sent twice by the link")
            case TakenReading():
                self._message = None
            case OtherLine():
                self._say(MessageKind.NOT_A_READING, f"no reading: {one.outcome.why}")
            case Problem() if not one.asked:
                self._say(MessageKind.NOT_TAKEN, f"not taken: {one.outcome.sentence}")
            case Told():
                self._say(MessageKind.TOLD, one.outcome.answer)
            case None if one.sentence:
                self._say(MessageKind.LINK, f"{one.link}: {one.sentence}")

    def _say(self, kind: MessageKind, sentence: str) -> None:
        self._message = Message(kind=kind, sentence=sentence)

    # what is to be seen

    def gate(self) -> GateShown:
        """Return what the calibration gate would say of a reading taken now."""
        entry = self._judged()
        state, reason = self._coverage(entry)
        sentence = self._uncovered(reason) if state is GateState.UNCOVERED else reason
        return GateShown(state=state, sentence=sentence, short=self._checked(entry))

    def shown(self) -> Shown:
        """Return all that is to be seen now."""
        inspection = self._inspection
        taking, facts, live = inspection.taking, inspection.facts, inspection.live
        self._tally()
        next_place = self._next()
        piece = next_place.piece if next_place is not None else taking.piece
        readings = taking.readings
        counted = sum(tally.counted for tally in self._tallies.values())
        asked = live.question
        return Shown(
            inspection_id=facts.inspection_id,
            part=facts.job.title,
            customer=facts.job.customer,
            lot=facts.lot,
            work_order=facts.work_order,
            gauge=facts.gauge_serial,
            inspector=facts.inspector,
            next=next_place,
            last=self._last_of(readings[-1]) if readings else None,
            locations=tuple(self._count_of(piece, location) for location in facts.job.location),
            counted=counted,
            not_counted=len(readings) - counted,
            planned=len(taking.pieces) * sum(location.planned for location in facts.job.location),
            gate=self.gate(),
            links=tuple(
                LinkShown(name=name, up=seen.up, note=seen.note, battery_percent=_percent(seen.about))
                for name, seen in live.links.items()
                if name != "typed"
            ),
            message=self._message,
            question=self._question(asked) if asked is not None else None,
            paused=live.paused,
            stopped=self._stopped,
            base=self._base_shown(),
            pieces=self._pieces(),
        )

    def _base_shown(self) -> BaseShown | None:
        job = self._inspection.facts.job
        if not job.base_reading:
            return None
        missing = tuple(place.name for place in job.location if self._base_of(place.name) is None)
        return BaseShown(under=_UNDER.get(job.read_first, "part before coating"), missing=missing)

    def _pieces(self) -> tuple[PieceCount, ...]:
        """Return what each piece lacks; counted again only after something was taken or done."""
        if self._lacking is None:
            lacking = dict.fromkeys(self._inspection.taking.pieces, 0)
            for piece, _, count in self._inspection.taking.missing():
                lacking[piece] += count
            self._lacking = tuple(PieceCount(piece=piece, lacking=count) for piece, count in lacking.items())
        return self._lacking

    def _question(self, asked: Asked) -> Question:
        sentence = self._uncovered(asked.sentence) if asked.about is About.GATE else asked.sentence
        line = escaped(asked.came.line.frame.data) if asked.came is not None else ""
        return Question(sentence=sentence, line=line, acts=_ANSWERS[asked.about], about=_doubt(asked))

    def _next(self) -> NextPlace | None:
        taking = self._inspection.taking
        before = taking.before_coating
        pieces = taking.pieces
        if before is not None:
            base = [r for r in taking.readings if r.excluded_reason == BASE_READING and r.location == before]
            window = _NO_WINDOW if before == EVERYWHERE else self._window(taking.job.find(before))
            number = pieces.index(taking.piece) + 1
            return NextPlace(
                piece=taking.piece,
                piece_no=number,
                pieces=len(pieces),
                location=before,
                spot=1,
                spots=1,
                nth=len(base) + 1,
                per_spot=0,
                window=window,
                before_coating=True,
            )
        slot = taking.next_slot()
        if slot is None:
            return None
        return NextPlace(
            piece=slot.piece,
            piece_no=pieces.index(slot.piece) + 1,
            pieces=len(pieces),
            location=slot.location.name,
            spot=slot.spot,
            spots=slot.location.spots,
            nth=slot.nth,
            per_spot=slot.location.readings_per_spot,
            window=self._window(slot.location),
        )

    def _window(self, location: Location | None) -> Window:
        if location is None:
            return _NO_WINDOW
        return Window(
            lower=location.lower,
            target_low=location.target_low,
            target_high=location.target_high,
            upper=location.upper,
            unit=self._inspection.facts.job.unit.symbol,
        )

    def _last_of(self, reading: TakenReading) -> LastReading:
        job = self._inspection.facts.job
        location = job.find(reading.location)
        build = self._build_um(reading.decoded.thickness_um, reading.location, reading.stage)
        return LastReading(
            number=reading.reading_no,
            shown=reading.decoded.shown,
            unit=reading.decoded.unit.symbol,
            value=_figure(from_um(reading.decoded.thickness_um if build is None else build, job.unit)),
            piece=reading.piece,
            location=reading.location,
            spot=reading.spot,
            window=self._window(location),
            standing=(
                Standing.NO_BASE
                if build is None and reading.stage is CoatStage.TOTAL
                else _standing(build, location, job.unit)
            ),
            counted=reading.counted,
            doubled=reading.reading_no in self._inspection.live.doubled,
            before_coating=reading.excluded_reason == BASE_READING,
        )

    def _build_um(self, thickness_um: Decimal, location: str, stage: CoatStage) -> Decimal | None:
        """Return the film build, or None where what it is reduced by was not read yet, or it is what others are reduced by."""
        if stage is not CoatStage.TOTAL:
            return None
        if not self._inspection.facts.job.base_reading:
            return thickness_um
        base = self._base_of(location)
        return None if base is None else thickness_um - base

    def _base_of(self, location: str) -> Decimal | None:
        """Return the mean of what was read before coating there, in µm, or None where nothing was."""
        if self._base_um is None:
            self._base_um = dict(base_means_um(self._inspection.taking.readings))
        return self._base_um.get(location, self._base_um.get(EVERYWHERE))

    def _tally(self) -> None:
        readings = self._inspection.taking.readings
        if self._tallied == 0 or self._tallied != len(readings):
            self._lacking = None
        if self._tallied == 0:
            self._base_um = None
        for reading in readings[self._tallied :]:
            if reading.excluded_reason == BASE_READING:
                self._base_um = None
            if reading.counted:
                tally = self._tallies.setdefault((reading.piece, reading.location), _Tally())
                tally.counted += 1
                tally.sum_um += reading.decoded.thickness_um
        self._tallied = len(readings)

    def _count_of(self, piece: str, location: Location) -> LocationCount:
        unit = self._inspection.facts.job.unit
        tally = self._tallies.get((piece, location.name), _Tally())
        build = None
        if tally.counted:
            # The mean less what is subtracted from each is the mean of the film build.
            mean_um = tally.sum_um / tally.counted
            build = self._build_um(mean_um, location.name, CoatStage.TOTAL)
        return LocationCount(
            location=location.name,
            counted=tally.counted,
            planned=location.planned,
            mean=None if build is None else _figure(from_um(build, unit)),
            standing=_standing(build, location, unit)
            if build is not None
            else Standing.NO_BASE
            if tally.counted
            else None,
            window=self._window(location),
            skipped=self._inspection.taking.is_skipped(piece, location),
        )


def _doubt(asked: Asked) -> Doubt:
    if asked.about is not About.LINE:
        return Doubt.GATE if asked.about is About.GATE else Doubt.DEVICE
    if asked.came is not None and asked.came.against:
        return Doubt.LINK
    # A reason given once holds for the next such slip of the unit; a counter is asked about each time.
    return Doubt.UNIT if asked.same_as is not None else Doubt.COUNTER


def _standing(build_um: Decimal | None, location: Location | None, unit: Unit) -> Standing:
    """Return where a film build lies between the limits, exactly: a value on a limit is in."""
    if build_um is None or location is None:
        return Standing.NO_LIMITS
    exact = Fraction(build_um)
    if location.lower is not None and exact < exact_um(location.lower, unit):
        return Standing.LOW
    if location.upper is not None and exact > exact_um(location.upper, unit):
        return Standing.HIGH
    return Standing.IN


def _figure(exact: Fraction) -> Decimal:
    """Return *exact* as a decimal: all its digits where they end, 28 where they do not (µm in mil)."""
    return Decimal(exact.numerator) / Decimal(exact.denominator)


def _percent(about: object) -> int | None:
    said = about.get("battery_percent") if hasattr(about, "get") else None
    return int(said) if isinstance(said, str) and said.isdecimal() else None

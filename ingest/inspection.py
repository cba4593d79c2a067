"""The state of taking an inspection: what is measured next, undo, exclude, skip. No I/O and no clock.

The words of an inspector, typed or in a capture, each on a line that begins with @:

    @piece NAME       go on with this piece
    @location NAME    go on at this location
    @base NAME        what follows is read before coating at this location ("@base *": for all of them)
    @coated           what follows is read on the finished part again
    @undo             the last reading is kept but not counted
    @exclude REASON   the same, with a reason
    @skip REASON      leave the rest of this location
    @next             go on with the next piece that still lacks readings
    @note TEXT        keep this beside the readings
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from decimal import ROUND_HALF_EVEN, Decimal
from fractions import Fraction
from typing import Final, NamedTuple

from ingest.counters import Counters, CountersSeen
from ingest.decoding import Blank, DecodedReading, LineDecoder, NotAReading, Rejected, escaped, text_of
from ingest.links.raw_line import RawLine
from ingest.plausibility import looks_like_other_unit, out_of_range, window_um
from ingest.said import number_of
from ingest.taken_readings import Stretch, TakenReadings
from schemas.job import Job, Location
from schemas.letters import unfit
from schemas.shop import Plausible
from schemas.units import Unit
from schemas.vocabulary import BASE_READING, EVERYWHERE, UNDONE, Clock, CoatStage, ProbeMode

_PLACE_UM: Final = Decimal("0.0001")
#: So many characters of a reason or a note are kept.
_LONGEST: Final = 200
#: A gauge's and a computer's clock may differ by this much before a reading counts as from the future.
_CLOCK_SLACK: Final = timedelta(minutes=5)


class Slot(NamedTuple):
    """A reading that the plan asks for: the how-manieth of which spot, location and piece."""

    piece: str
    location: Location
    spot: int
    nth: int


@dataclass(slots=True)
class TakenReading:
    """A reading in its place; what can still change is whether it counts."""

    reading_no: int
    line_no: int
    source: str
    raw_line: str
    decoded: DecodedReading
    taken_at: datetime
    clock: Clock
    probe_mode: ProbeMode
    stage: CoatStage
    piece: str
    location: str
    spot: int
    slot: Slot | None
    excluded_reason: str | None = None
    excluded_by: str | None = None

    @property
    def counted(self) -> bool:
        """Return whether the reading is judged."""
        return self.excluded_reason is None


@dataclass(frozen=True, slots=True)
class OtherLine:
    """A line that came and is not a reading."""

    line_no: int
    source: str
    at: str | None
    text: str
    why: str


@dataclass(frozen=True, slots=True)
class Note:
    """A word of the inspector: a note, a skip, a clock that stepped."""

    at: str | None
    by: str
    what: str


@dataclass(frozen=True, slots=True)
class Problem:
    """A line that cannot be taken as it is.

    Attributes:
        line_no: The line.
        sentence: What is wrong and what to do, after the words "line N: ".
        can_be_accepted: Whether a person's word, with a reason, makes it a reading.
        same_as: Names the kind of slip and its location where a reason given once holds for the next such line
            as well; None where each has to be asked about.
    """

    line_no: int
    sentence: str
    can_be_accepted: bool = False
    same_as: str | None = None


class Skip(NamedTuple):
    """The rest of a location that was left, with the inspector's reason."""

    piece: str
    location: str
    reason: str


@dataclass(frozen=True, slots=True)
class Told:
    """A word of the inspector was carried out; *answer* says so."""

    answer: str


Outcome = TakenReading | OtherLine | Problem | Told | None


class Run(NamedTuple):
    """Places one after the other that the plan asks for next: *size* of one location on one piece, *start* being the first."""

    piece: str
    location: Location
    start: int
    size: int

    def slot(self, nth: int) -> Slot:
        """Return the *nth* place, from 0."""
        return _slot(self.piece, self.location, self.start + nth)


class _Places:
    """The planned readings of one location on one piece, by place: 0 is the first reading of spot 1."""

    def __init__(self, location: Location) -> None:
        self._planned = location.planned
        self._per_spot = location.readings_per_spot
        self._below = 0  # every place below this one is taken
        self._taken: set[int] = set()  # of the others
        self.skipped = False

    @property
    def lacking(self) -> int:
        return 0 if self.skipped else self._planned - self._below - len(self._taken)

    def free(self, spot: int | None = None) -> int | None:
        """Return the first free place, in *spot* where one is named, or None."""
        if self.skipped:
            return None
        if spot is not None:
            start = (spot - 1) * self._per_spot
            places = range(max(start, self._below), start + self._per_spot)
            return next((p for p in places if p not in self._taken), None)
        return self._below if self._below < self._planned else None

    def free_runs(self) -> Iterator[tuple[int, int]]:
        """Yield the free places in order, as first place and number of those that lie one after the other."""
        start = self._below
        for end in () if self.skipped else (*sorted(self._taken), self._planned):
            if end > start:
                yield start, end - start
            start = end + 1

    def take(self, place: int, count: int = 1) -> None:
        if place == self._below:
            self._below += count
            while self._below in self._taken:
                self._taken.remove(self._below)
                self._below += 1
        else:
            self._taken.update(range(place, place + count))

    def release(self, place: int) -> None:
        if place < self._below:
            self._taken.update(range(place + 1, self._below))
            self._below = place
        else:
            self._taken.discard(place)


@dataclass(slots=True)
class Taking:
    """One inspection while it is taken.

    Args:
        job: The job.
        pieces: Names of the pieces to be measured, in order.
        by: Code of the inspector.
        decoder: Reads the lines.
        plausible: The shop's range of plausible readings.
        now: Time at which the lines are handed in; a reading later than this is refused.
        prompted: Whether the inspector sees what is next before each reading. Where not, a reading
            beyond the plan of a location that was named is a problem, and never goes elsewhere.
        counters: What the gauge's counter said so far.
    """

    job: Job
    pieces: tuple[str, ...]
    by: str
    decoder: LineDecoder
    plausible: Plausible
    now: datetime
    prompted: bool = False
    readings: TakenReadings[TakenReading] = field(default_factory=TakenReadings)
    other_lines: list[OtherLine] = field(default_factory=list)
    notes: list[Note] = field(default_factory=list)
    skips: list[Skip] = field(default_factory=list)
    counters: CountersSeen = field(default_factory=Counters)
    _piece: str = ""
    _order: dict[str, int] = field(default_factory=dict)
    _base_for: str | None = None
    _location: Location | None = None
    _named: bool = False
    _places: dict[tuple[str, str], _Places] = field(default_factory=dict)
    _slips: dict[tuple[str, Unit, str | None], tuple[str, bool] | None] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self._order = {piece: place for place, piece in enumerate(self.pieces)}
        self._piece = self.pieces[0]

    # what comes in

    def feed(
        self,
        line: RawLine,
        source: str,
        *,
        accept: str | None = None,
        set_aside: str | None = None,
        against: str = "",
    ) -> Outcome:
        """Take one line.

        Args:
            line: The line.
            source: Where it came from, as the archive names it.
            accept: A person's reason to take it although something speaks against it.
            set_aside: A person's reason to keep it as no reading.
            against: What the link itself says against it; empty where nothing does.

        Returns:
            The reading taken, the line kept as no reading, what was carried out, the problem that
            stands against it, or None for a blank line. After a problem nothing has changed: whoever does not ask
            about it, or is told no, says so with :meth:`keep_aside` or :meth:`pass_by`.
        """
        text = text_of(line.frame, "" if line.directive else self.decoder.control)
        at = line.received_at
        if set_aside is not None:
            return self.keep_aside(line, source, f"set aside by {self.by}: {set_aside}")
        if isinstance(text, Rejected):
            return Problem(line.line_no, text.why)
        if line.directive:
            return self._obey(line, text)
        decoded = self.decoder.decode(text)
        if isinstance(decoded, Blank):
            return None
        if isinstance(decoded, NotAReading):
            return self.keep_aside(line, source, decoded.meaning)
        if isinstance(decoded, Rejected):
            cut = "" if line.frame.ended else "; it is the last line and has no line end, so it may be cut short"
            return Problem(line.line_no, decoded.why + cut)
        if not line.frame.ended and accept is None:
            return Problem(
                line.line_no,
                f"{text.strip()!r} is the last line and has no line end, so it may be cut short",
                can_be_accepted=True,
            )
        taken_at = decoded.taken_at or at
        if taken_at is None:
            return Problem(
                line.line_no, "neither the line nor the capture says when it was taken; state it with --measured-at"
            )
        clock = Clock.GAUGE if decoded.taken_at else line.clock
        return self._take(line, source, text, decoded, taken_at, clock, accept, against)

    def _take(
        self,
        line: RawLine,
        source: str,
        text: str,
        decoded: DecodedReading,
        taken_at: datetime,
        clock: Clock,
        accept: str | None,
        said: str,
    ) -> Outcome:
        mode = decoded.mode or self.job.probe_mode
        slot = None if self._base_for is not None else self._slot_for(decoded, line.line_no)
        if isinstance(slot, Problem):
            return slot
        against = _both(said, self._against(decoded, taken_at, mode, slot))
        if against is not None and (accept is None or not against.can_be_accepted):
            return replace(against, line_no=line.line_no)
        base = self._base_for
        reading = TakenReading(
            reading_no=len(self.readings) + 1,
            line_no=line.line_no,
            source=source,
            raw_line=text,
            decoded=decoded,
            taken_at=taken_at,
            clock=clock,
            probe_mode=mode,
            stage=CoatStage.TOTAL if base is None else self.job.read_first,
            piece=decoded.piece or self._piece if slot is None else slot.piece,
            location=base if slot is None and base is not None else slot.location.name if slot else "",
            spot=1 if slot is None else slot.spot,
            slot=slot,
        )
        if base is not None:
            reading.excluded_reason, reading.excluded_by = BASE_READING, self.by
        if slot is not None:
            self._at(slot.piece, slot.location).take(_place(slot))
            self._piece, self._location = slot.piece, slot.location
        if accept is not None and against is not None:
            self.notes.append(
                Note(
                    taken_at.isoformat(),
                    self.by,
                    f"reading {reading.reading_no} accepted although {against.sentence}: {accept}",
                )
            )
        if self.readings and taken_at < self.readings[-1].taken_at:
            self.note_step_back(taken_at, reading.reading_no)
        if decoded.counter is not None:
            self.counters.add(decoded.counter, reading.reading_no)
        self.readings.append(reading)
        return reading

    def _against(
        self, decoded: DecodedReading, taken_at: datetime, mode: ProbeMode, slot: Slot | None
    ) -> Problem | None:
        if taken_at > self.now + _CLOCK_SLACK:
            return Problem(0, f"is from {taken_at:%Y-%m-%d %H:%M} UTC, which is still to come; set the clock right")
        if mode is not self.job.probe_mode:
            return Problem(
                0,
                f"was read in mode {mode}, and the job asks for {self.job.probe_mode}; set the gauge's mode and read it again",
            )
        counted = self._against_counter(decoded)
        slip = self._slip(decoded, slot.location if slot else None)
        if slip is None:
            return counted
        here = f" at {slot.location.name!r} on piece {slot.piece}" if slot else ""
        sentence = f"{decoded.shown} {decoded.unit.symbol}{here} {slip[0]}"
        if not slip[1]:
            return Problem(0, sentence)
        if counted is not None:  # a word that accepts must have heard of both
            return Problem(0, f"{counted.sentence}; and {sentence}", can_be_accepted=True)
        where = slot.location.name if slot else ""
        return Problem(0, sentence, can_be_accepted=True, same_as=f"{decoded.unit} at {where}")

    def _against_counter(self, decoded: DecodedReading) -> Problem | None:
        if decoded.counter is None:
            return None
        against = self.counters.against(decoded.counter, in_order=decoded.location is None)
        return None if against is None else Problem(0, against, can_be_accepted=True)

    def _slip(self, decoded: DecodedReading, location: Location | None) -> tuple[str, bool] | None:
        """Return what the figures themselves speak against the reading, and whether a person may accept it."""
        key = (decoded.shown, decoded.unit, location.name if location else None)
        if key not in self._slips:
            self._slips[key] = self._look_for_slip(decoded, location)
        return self._slips[key]

    def _look_for_slip(self, decoded: DecodedReading, location: Location | None) -> tuple[str, bool] | None:
        unit = self.job.unit
        if location is not None:
            other = looks_like_other_unit(Decimal(decoded.shown), decoded.unit, *window_um(location, unit))
            if other is not None:
                lower, upper = (limit if limit is not None else "…" for limit in (location.lower, location.upper))
                said = f"looks like {decoded.shown} {other.symbol} (limits {lower} to {upper} {unit.symbol})"
                return f"{said}; set the unit right in the profile or on the gauge", True
        odd = out_of_range(decoded.thickness_um, self.plausible)
        return (odd, False) if odd else None

    # where a reading belongs

    @property
    def piece(self) -> str:
        """Return the piece that is measured now."""
        return self._piece

    @property
    def before_coating(self) -> str | None:
        """Return the location whose readings before coating are taken now (EVERYWHERE: of all), or None."""
        return self._base_for

    def is_skipped(self, piece: str, location: Location) -> bool:
        """Return whether the rest of *location* was left on *piece*."""
        return self._at(piece, location).skipped

    def next_slot(self) -> Slot | None:
        """Return what is to be measured next, or None where the plan is done."""
        if self._location is not None and (free := self._free_in(self._piece, self._location)):
            return free
        start = self._order[self._piece]
        for step in range(len(self.pieces)):
            piece = self.pieces[(start + step) % len(self.pieces)]
            for location in self.job.location:
                if free := self._free_in(piece, location):
                    return free
        return None

    def missing(self) -> Iterator[tuple[str, Location, int]]:
        """Yield piece, location and how many readings it still lacks, where it lacks any and is not skipped."""
        for piece in self.pieces:
            for location in self.job.location:
                lacking = self._at(piece, location).lacking
                if lacking:
                    yield piece, location, lacking

    def _slot_for(self, decoded: DecodedReading, line_no: int) -> Slot | Problem:
        piece = decoded.piece or self._piece
        if piece not in self._order:
            return Problem(
                line_no,
                f"piece {piece!r} is not one of those to be measured ({_few(self.pieces)}); correct the line or name it with --piece",
            )
        if decoded.location is None:
            if self._named and self._location is not None and not self.prompted and piece == self._piece:
                free = self._free_in(piece, self._location)
                if free is None:
                    return self._full(line_no, piece, self._location)
            elif decoded.piece is not None:
                free = next((f for location in self.job.location if (f := self._free_in(piece, location))), None)
            else:
                free = self.next_slot()
            if free is None:
                return Problem(
                    line_no,
                    f"is one reading more than the job asks for ({number_of(len(self.pieces), 'piece', 'pieces')}); name more pieces with --pieces, or set it aside",
                )
            return free
        location = self.job.find(decoded.location)
        if location is None:
            names = ", ".join(repr(place.name) for place in self.job.location)
            return Problem(
                line_no, f"location {decoded.location!r} is not one of the job's ({names}); correct the line or the job"
            )
        if decoded.spot is not None and not 1 <= decoded.spot <= location.spots:
            return Problem(
                line_no,
                f"spot {decoded.spot} is not one of the {location.spots} at {location.name!r}; correct the line or the job",
            )
        return self._free_in(piece, location, decoded.spot) or self._full(line_no, piece, location, decoded.spot)

    def _full(self, line_no: int, piece: str, location: Location, spot: int | None = None) -> Problem:
        where, has = f"{location.name!r} on piece {piece}", location.planned
        if spot is not None and self._at(piece, location).lacking:
            where, has = f"spot {spot} of {where}", location.readings_per_spot
        return Problem(
            line_no,
            f"{where} already has its {number_of(has, 'reading', 'readings')}; set this one aside, or exclude one with a reason first",
        )

    def _at(self, piece: str, location: Location) -> _Places:
        key = (piece, location.name)
        places = self._places.get(key)
        if places is None:
            places = self._places[key] = _Places(location)
        return places

    def _free_in(self, piece: str, location: Location, spot: int | None = None) -> Slot | None:
        place = self._at(piece, location).free(spot)
        if place is None:
            return None
        return _slot(piece, location, place)

    # many at once

    @property
    def latest(self) -> datetime:
        """Return the time after which a reading counts as from the future."""
        return self.now + _CLOCK_SLACK

    def speaks_against(self, decoded: DecodedReading, location: Location) -> bool:
        """Return whether the figures themselves speak against a reading at *location*."""
        return self._slip(decoded, location) is not None

    def runs_ahead(self, most: int) -> list[Run]:
        """Return where the next readings belong that name no place, for as many as the plan has room, *most* at the most.

        It is what :meth:`feed` would find for one after the other, were each of them taken.
        """
        runs: list[Run] = []
        if self._base_for is not None:
            return runs
        for piece, location in self._places_ahead():
            for start, count in self._at(piece, location).free_runs():
                if most <= 0:
                    return runs
                runs.append(Run(piece, location, start, min(count, most)))
                most -= count
        return runs

    def _places_ahead(self) -> Iterator[tuple[str, Location]]:
        here = self._location
        if here is not None:
            yield self._piece, here
            if self._named and not self.prompted:
                return
        start = self._order[self._piece]
        for step in range(len(self.pieces)):
            piece = self.pieces[(start + step) % len(self.pieces)]
            for location in self.job.location:
                if step or here is None or location.name != here.name:
                    yield piece, location

    def note_step_back(self, taken_at: datetime, reading_no: int) -> None:
        """Note that the clock had stepped back when a reading was taken at *taken_at*."""
        said = f"the clock stepped back before reading {reading_no}; readings are ordered by number"
        self.notes.append(Note(taken_at.isoformat(), "filmtally", said))

    def left_out(self) -> Iterator[TakenReading]:
        """Yield the readings that do not count, in the order taken."""
        for part in self.readings.parts:
            if isinstance(part, list):
                yield from (reading for reading in part if not reading.counted)
            else:
                yield from part.left_out.values()

    @property
    def counted(self) -> int:
        """Return how many readings count."""
        return len(self.readings) - sum(1 for _ in self.left_out())

    def take_stretch(self, stretch: Stretch[TakenReading], runs: Sequence[Run]) -> None:
        """Take readings that nothing speaks against, in the places that :meth:`runs_ahead` gave for them."""
        for run in runs:
            self._at(run.piece, run.location).take(run.start, run.size)
        if runs:
            self._piece, self._location = runs[-1].piece, runs[-1].location
        self.readings.extend_by(stretch)

    # the inspector's words

    def _obey(self, line: RawLine, text: str) -> Outcome:
        word, _, rest = text.strip().partition(" ")
        rest = rest.strip()
        if (why := _unfit_reason(rest)) is not None:
            return Problem(line.line_no, f"{word[:20]}: {why}")
        match word.lower():
            case "@piece":
                return self._go_to_piece(line.line_no, rest)
            case "@location":
                return self._go_to_location(line.line_no, rest)
            case "@base":
                return self._begin_base(line.line_no, rest)
            case "@coated":
                self._base_for = None
                return Told("on the finished part again")
            case "@undo":
                return self._leave_out_last(line.line_no, UNDONE)
            case "@exclude" if rest:
                return self._leave_out_last(line.line_no, rest)
            case "@next":
                return self._go_to_next_piece(line.line_no)
            case "@skip" if rest:
                return self._skip(line, rest)
            case "@note" if rest:
                self.notes.append(Note(_iso(line.received_at), self.by, rest))
                return Told("noted")
            case "@exclude" | "@skip" | "@note":
                return Problem(line.line_no, f"{word} needs a reason after it")
        return Problem(
            line.line_no,
            f"{word!r} means nothing here; the words are @piece @location @next @base @coated @undo @exclude @skip @note",
        )

    def _go_to_piece(self, line_no: int, name: str) -> Outcome:
        if name not in self._order:
            return Problem(
                line_no,
                f"piece {name!r} is not one of those to be measured ({_few(self.pieces)}); correct it or name it with --piece",
            )
        self._piece, self._location, self._base_for, self._named = name, None, None, False
        if any(self._at(name, location).lacking for location in self.job.location):
            return Told(f"piece {name}")
        return Told(f"piece {name} lacks no reading; to measure on it again, exclude one of its readings first")

    def _go_to_next_piece(self, line_no: int) -> Outcome:
        start = self._order[self._piece]
        for step in range(1, len(self.pieces)):
            piece = self.pieces[(start + step) % len(self.pieces)]
            if any(self._at(piece, location).lacking for location in self.job.location):
                return self._go_to_piece(line_no, piece)
        return Problem(line_no, f"no other piece lacks readings, so it goes on with piece {self._piece}")

    def _go_to_location(self, line_no: int, name: str) -> Outcome:
        location = self._find(line_no, name)
        if isinstance(location, Problem):
            return location
        self._location, self._base_for, self._named = location, None, True
        if self._at(self._piece, location).lacking:
            return Told(location.name)
        return Told(
            f"{location.name} on piece {self._piece} lacks no reading; to measure it again, exclude one of its readings first"
        )

    def _begin_base(self, line_no: int, name: str) -> Outcome:
        if not self.job.base_reading:
            return Problem(
                line_no,
                "the job asks for no readings before coating; set base_reading = true in the job, or take @base out",
            )
        if name == "*":
            self._base_for = EVERYWHERE
            return Told("before coating, for every location")
        location = self._find(line_no, name)
        if isinstance(location, Problem):
            return location
        self._base_for = location.name
        return Told(f"before coating, {location.name}")

    def _find(self, line_no: int, name: str) -> Location | Problem:
        location = self.job.find(name)
        if location is None:
            names = ", ".join(repr(place.name) for place in self.job.location)
            return Problem(line_no, f"location {name!r} is not one of the job's ({names}); correct the line or the job")
        return location

    def _leave_out_last(self, line_no: int, reason: str) -> Outcome:
        last = next((r for r in reversed(self.readings) if r.counted or r.excluded_reason == BASE_READING), None)
        if last is None:
            return Problem(line_no, "there is no reading before this that could be left out")
        last.excluded_reason, last.excluded_by = reason, self.by
        if last.slot is not None:
            self._release(last.slot)
        return Told(
            f"reading {last.reading_no} ({last.decoded.shown} {last.decoded.unit.symbol}) is kept but not counted: {reason}"
        )

    def _release(self, slot: Slot) -> None:
        self._at(slot.piece, slot.location).release(_place(slot))
        self._piece, self._location = slot.piece, slot.location

    def _skip(self, line: RawLine, reason: str) -> Outcome:
        slot = self.next_slot()
        if slot is None:
            return Problem(line.line_no, "there is nothing left to skip")
        self._at(slot.piece, slot.location).skipped = True
        self.skips.append(Skip(slot.piece, slot.location.name, reason))
        self.notes.append(
            Note(_iso(line.received_at), self.by, f"{slot.location.name} on piece {slot.piece} skipped: {reason}")
        )
        return Told(f"skipped {slot.location.name} on piece {slot.piece}")

    def pass_by(self, line: RawLine) -> None:
        """Let *line*, which is not taken, count for the gauge's counter all the same: the next is compared with it."""
        if line.directive:
            return
        text = text_of(line.frame, self.decoder.control)
        decoded = text if isinstance(text, Rejected) else self.decoder.decode(text)
        if isinstance(decoded, DecodedReading) and line.frame.ended:
            if decoded.counter is not None:
                self.counters.add(decoded.counter, None)
        elif not isinstance(decoded, Blank):
            self.counters.pass_by()

    def keep_aside(self, line: RawLine, source: str, why: str, *, of_the_gauge: bool = True) -> OtherLine:
        """Keep *line* as no reading, for the reason *why*; *of_the_gauge* says whether its counter went on with it."""
        if of_the_gauge:
            self.pass_by(line)
        other = OtherLine(line.line_no, source, _iso(line.received_at), escaped(line.frame.data), why)
        self.other_lines.append(other)
        return other


def _both(said: str, found: Problem | None) -> Problem | None:
    """Return what a link says against a reading together with what was found: a word that accepts must have heard of both."""
    if not said or (found is not None and not found.can_be_accepted):
        return found
    return Problem(0, said if found is None else f"{said}; and {found.sentence}", can_be_accepted=True)


def _unfit_reason(said: str) -> str | None:
    """Return why what an inspector says behind a word cannot be kept, or None where it can: a certificate prints it."""
    if len(said) > _LONGEST:
        return f"has {len(said)} characters behind it; at most {_LONGEST} are kept"
    return unfit(said.replace("\t", " "))


def _slot(piece: str, location: Location, place: int) -> Slot:
    return Slot(piece, location, place // location.readings_per_spot + 1, place % location.readings_per_spot + 1)


def _place(slot: Slot) -> int:
    return (slot.spot - 1) * slot.location.readings_per_spot + slot.nth - 1


def base_means_um(readings: Iterable[TakenReading]) -> Mapping[str, Decimal]:
    """Return per location the mean of what was read before coating, in µm.

    Rounded to 0.0001 µm, a tie to the even digit, since that is what the archive keeps; every later
    decision starts from the figure kept.
    """
    found: dict[str, list[Decimal]] = {}
    for reading in readings:
        if reading.excluded_reason == BASE_READING:
            found.setdefault(reading.location, []).append(reading.decoded.thickness_um)
    return {location: _mean_um(values) for location, values in found.items()}


def _mean_um(values: list[Decimal]) -> Decimal:
    steps = Fraction(sum(values)) / len(values) / Fraction(_PLACE_UM)
    return (Decimal(round(steps)) * _PLACE_UM).quantize(_PLACE_UM, ROUND_HALF_EVEN)


def _iso(at: datetime | None) -> str | None:
    return at.isoformat() if at is not None else None


def _few(names: tuple[str, ...]) -> str:
    return ", ".join(names[:5]) + (", …" if len(names) > 5 else "")

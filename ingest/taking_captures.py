"""The lines of one capture into an inspection: one by one, or many at once where the file is long.

Many are taken at once where nothing can be said against any of them and each belongs where the plan goes on. Every
other line, and every line of a short file, is fed one by one; so whatever is kept, noted or said against a line is the
same in both ways.
"""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any, Final

import pyarrow as pa
import pyarrow.compute

from ingest.bulk_decoding import Figures, Sort, figures_of
from ingest.bulk_lines import Block, FileInBlocks
from ingest.bulk_shapes import figures_by_shape
from ingest.counters import Counters
from ingest.decoding import DecodedReading
from ingest.inspection import Problem, Run, Taking
from ingest.links import LINKS
from ingest.links.raw_line import RawLine
from ingest.readings_in_columns import ReadingsInColumns, from_us, to_us
from schemas.profile import Profile
from schemas.vocabulary import Clock

pc: Final[Any] = pyarrow.compute  # its type information knows fewer pairs of arguments than it takes

#: Files from this size on, some two thousand lines, are taken in columns.
LONG_BYTES: Final = 1 << 16
#: Fewer readings than this between two odd lines are fed one by one.
FEWEST: Final = 32
#: So many lines at the beginning of a block show whether most of them are different.
_LOOKED_AT: Final = 1024
#: So often in one block something may speak against a reading; then the rest of it is fed line by line.
_MOST_STUMBLES: Final = 50


@dataclass(slots=True)
class CaptureLines:
    """What became of the lines of one capture.

    Attributes:
        taking: The inspection.
        source: Where the lines come from, as the archive names it.
        accept: Line number to the reason to take it; those that were met are gone.
        set_aside: Line number to the reason to keep it as no reading; those that were met are gone.
        problems: What stood against lines.
        last_no: Number of the last line that is no remark.
    """

    taking: Taking
    source: str
    accept: dict[int, str]
    set_aside: dict[int, str]
    problems: list[Problem] = field(default_factory=list)
    last_no: int = 0

    def feed(self, line: RawLine) -> None:
        """Take one line."""
        number = self.last_no = line.line_no
        outcome = self.taking.feed(
            line, self.source, accept=self.accept.pop(number, None), set_aside=self.set_aside.pop(number, None)
        )
        if isinstance(outcome, Problem):
            self.problems.append(outcome)
            self.taking.pass_by(line)


def take_lines(into: CaptureLines, path: Path, name: str, profile: Profile, stated_at: datetime | None) -> None:
    """Feed all lines of *path*.

    Args:
        into: Where they go.
        path: The file.
        name: What the inspector calls it.
        profile: How the gauge writes a line.
        stated_at: Time of every line that comes with none.

    Raises:
        BadInput: As links/file.py.
    """
    if profile.line_end is not None or not _is_long(path):
        for line in LINKS["file"](path, profile.max_line_bytes, stated_at, name):
            into.feed(line)
        return
    file = FileInBlocks(path, name, profile.max_line_bytes, stated_at)
    for part in file.parts():
        if isinstance(part, RawLine):
            into.feed(part)
        else:
            _take_block(into, file, part, stated_at)


def _is_long(path: Path) -> bool:
    try:
        with path.open("rb") as capture:
            sixteen_bit = capture.read(2) in (b"\xff\xfe", b"\xfe\xff")
        return not sixteen_bit and path.stat().st_size >= LONG_BYTES
    except OSError:
        return False  # the link says what is wrong with the file


def _take_block(into: CaptureLines, file: FileInBlocks, block: Block, stated_at: datetime | None) -> None:
    decoder = into.taking.decoder
    figures = figures_by_shape(block.text, decoder) if _mostly_different(block.text) else None
    figures = figures or figures_of(block.text, decoder)
    in_columns = figures is not None and (figures.counters is None or isinstance(into.taking.counters, Counters))
    taken = _Block.of(into, file, block, figures, stated_at) if figures is not None and in_columns else None
    if taken is None:
        for place in range(len(block)):
            line = file.line(block, place)
            if line is not None:
                into.feed(line)
    else:
        taken.take()


def _mostly_different(lines: Any) -> bool:
    looked_at = lines[:_LOOKED_AT]
    return len(pc.unique(looked_at)) * 2 > len(looked_at)


@dataclass(slots=True)
class _Block:
    """A block while its lines are taken. Places are line numbers within it, from 0."""

    into: CaptureLines
    file: FileInBlocks
    block: Block
    figures: Figures
    clock: Clock
    taken_us: Any
    readings: Any
    beside: list[int]
    singly: list[int]
    stumbles: int = 0
    counted_at: int | None = None
    _ranks: Any | None = None

    @classmethod
    def of(
        cls, into: CaptureLines, file: FileInBlocks, block: Block, figures: Figures, stated_at: datetime | None
    ) -> _Block | None:
        """Return what is to be done with the lines of *block*; None where nearly all have to be fed one by one."""
        count = len(block)
        clock = Clock.COMPUTER if file.timed else Clock.STATED
        if figures.taken_us is not None:
            clock, taken_us = Clock.GAUGE, figures.taken_us
        elif block.received_us is not None:
            taken_us = block.received_us
        elif stated_at is not None:
            taken_us = pa.repeat(pa.scalar(to_us(stated_at), pa.int64()), count)
        else:
            return None
        spoken_of = (number - block.first_no for number in (*into.accept, *into.set_aside))
        singly = {*block.odd, *(place for place in spoken_of if 0 <= place < count)}
        sorts = figures.sorts
        mode = into.taking.job.probe_mode
        other_mode = [isinstance(said, DecodedReading) and said.mode not in (None, mode) for said in figures.different]
        if any(other_mode):
            singly.update(pc.indices_nonzero(pa.array(other_mode).take(figures.which)).to_pylist())
        if sorts is not None:
            singly.update(pc.indices_nonzero(pc.equal(sorts, Sort.SINGLY.value)).to_pylist())
        if len(singly) > count // 4:
            return None
        beside = [] if sorts is None else pc.indices_nonzero(pc.equal(sorts, Sort.BESIDE.value)).to_pylist()
        readings = (
            pc.cast(pc.subtract(pc.cumulative_sum(pa.repeat(pa.scalar(1, pa.int32()), count)), 1), pa.uint64())
            if sorts is None
            else pc.indices_nonzero(pc.equal(sorts, Sort.READING.value))
        )
        beside = [place for place in beside if place not in singly]
        return cls(into, file, block, figures, clock, taken_us, readings, beside, sorted(singly))

    def take(self) -> None:
        start = 0
        for place in (*self.singly, len(self.block)):
            self._take_between(start, place)
            if place < len(self.block):
                self._feed(place, place + 1)
            start = place + 1

    def _feed(self, start: int, end: int) -> None:
        for place in range(start, end):
            line = self.file.line(self.block, place)
            if line is not None:
                self.into.feed(line)

    def _take_between(self, start: int, end: int) -> None:
        """Take the lines from *start* to *end*, none of which is odd by itself."""
        if start >= end:
            return
        places = memoryview(self.readings.buffers()[1]).cast("Q")[: len(self.readings)]
        while start < end:
            first, last = bisect_left(places, start), bisect_left(places, end)
            if last - first < FEWEST or self.stumbles >= _MOST_STUMBLES:
                self._feed(start, end)
                return
            taken = self._take_many(first, last, start)
            stop = end if taken == last - first else places[first + taken]
            self._feed_beside(start, stop)
            if taken and self.counted_at is not None:
                self._counters.passed = bisect_left(self.beside, stop) - bisect_left(self.beside, self.counted_at)
            if stop < end:
                self.stumbles += 1
                self._feed(stop, stop + 1)
            start = stop + 1
        self.into.last_no = max(self.into.last_no, self.block.first_no + end - 1)

    def _feed_beside(self, start: int, end: int) -> None:
        for place in self.beside[bisect_left(self.beside, start) : bisect_left(self.beside, end)]:
            self._feed(place, place + 1)

    def _take_many(self, first: int, last: int, start: int) -> int:
        """Take readings number *first* to *last* of the block, the lines from *start* on, up to the one that something speaks against; return how many."""
        self.counted_at = None
        taking = self.into.taking
        rows = self.readings[first:last]
        whole = len(self.readings) == len(self.block)

        def of(column: Any) -> Any:
            return column[first:last] if whole else column.take(rows)

        taken_us, which = of(self.taken_us), of(self.figures.which)
        most = _first(pc.greater(taken_us, to_us(taking.latest)), len(rows))
        counters = None if self.figures.counters is None else of(self.figures.counters)
        if counters is not None:
            most = min(most, self._counters_go_on(counters, rows, start))
        # Looked for last, and for no more than may be taken: where the plan has room for many, they are many runs.
        runs = taking.runs_ahead(most)
        most = min(most, sum(run.size for run in runs))
        most = min(most, self._figures_fit(which, runs, most))
        if not most:
            return 0
        stretch = ReadingsInColumns(
            first_no=len(taking.readings) + 1,
            source=self.into.source,
            clock=self.clock,
            probe_mode=taking.job.probe_mode,
            runs=_shortened(runs, most),
            decoder=taking.decoder,
            line_no=pc.add(rows[:most].cast(pa.int64()), self.block.first_no),
            text=of(self.figures.text)[:most],
            different=self.figures.different,
            which=which[:most],
            taken_us=taken_us[:most],
        )
        self._note_steps_back(stretch, rows)
        if counters is not None:
            valid = pc.indices_nonzero(pc.is_valid(counters[:most]))
            self.counted_at = rows[valid[-1].as_py()].as_py() if len(valid) else None
            _remember(self._counters, counters[:most], stretch.first_no)
        taking.take_stretch(stretch, stretch.runs)
        return most

    @property
    def _counters(self) -> Counters:
        counters = self.into.taking.counters
        assert isinstance(counters, Counters)  # noqa: S101 - others are never taken in columns
        return counters

    def _counters_go_on(self, counters: Any, rows: Any, start: int) -> int:
        """Return how many readings come before the one whose counter does not follow the last, or was seen.

        It follows as well where no more are missing than lines that are no readings came between, from *start* on.
        """
        valid = pc.indices_nonzero(pc.is_valid(counters))
        if not len(valid):
            return len(counters)
        held = counters.drop_null()
        seen = self._counters
        first = held[0].as_py()
        if seen.last is not None and not 0 <= first - seen.last - 1 <= seen.passed + self._beside_between(
            start, rows[valid[0].as_py()].as_py()
        ):
            return int(valid[0].as_py())
        missing = pc.subtract(pc.subtract(held[1:], held[:-1]), 1)
        good = 1 + _first(pc.not_equal(missing, 0), len(missing))
        if good < len(held) and self.beside:
            ranks = self._ranks_of(rows.take(valid))
            fits = pc.less_equal(missing, pc.subtract(ranks[1:], ranks[:-1]))
            good = 1 + _first(pc.invert(pc.and_(fits, pc.greater_equal(missing, 0))), len(missing))
        met = seen.seen_from(first)
        if met is not None:
            good = min(good, _first(pc.greater_equal(held, met), len(held)))
        return int(valid[good].as_py()) if good < len(held) else len(counters)

    def _beside_between(self, start: int, end: int) -> int:
        return bisect_left(self.beside, end) - bisect_left(self.beside, start)

    def _ranks_of(self, places: Any) -> Any:
        """Return for each of *places* how many lines that are no readings come before it in the block."""
        if self._ranks is None:
            beside = pc.equal(self.figures.sorts, Sort.BESIDE.value)
            self._ranks = pc.cumulative_sum(pc.cast(beside, pa.int64()))
        return self._ranks.take(places)

    def _figures_fit(self, which: Any, runs: list[Run], most: int) -> int:
        """Return how many readings come before the one whose figures speak against it where it belongs."""
        taking = self.into.taking
        codes = pc.unique(which[:most]).to_pylist()
        different = self.figures.different
        against: dict[str, list[bool]] = {}
        for run in runs:
            if run.location.name not in against:
                found = against[run.location.name] = [False] * len(different)
                for code in codes:
                    said = different[code]
                    found[code] = isinstance(said, DecodedReading) and taking.speaks_against(said, run.location)
        if not any(map(any, against.values())):
            return most
        start = 0
        for run in runs:
            if start >= most:
                break
            if any(against[run.location.name]):
                said_here = which[start : start + run.size]
                met = _first(pa.array(against[run.location.name]).take(said_here), len(said_here))
                if met < len(said_here):
                    return min(most, start + met)
            start += run.size
        return most

    def _note_steps_back(self, stretch: ReadingsInColumns, rows: Any) -> None:
        taking = self.into.taking
        back = []
        if taking.readings and stretch.taken_us[0].as_py() < to_us(taking.readings[-1].taken_at):
            back.append(0)
        later = pc.less(stretch.taken_us[1:], stretch.taken_us[:-1])
        if len(later) and pc.any(later).as_py():
            back += [place + 1 for place in pc.indices_nonzero(later).to_pylist()]
        for place in back:
            taken_at = from_us(stretch.taken_us[place].as_py())
            if self.clock is not Clock.GAUGE:
                line = self.file.line(self.block, rows[place].as_py())
                assert line is not None  # noqa: S101 - a remark is no reading
                assert line.received_at is not None  # noqa: S101 - neither is what came with no time
                taken_at = line.received_at  # the same moment, as it was written
            taking.note_step_back(taken_at, stretch.first_no + place)


def _remember(seen: Counters, counters: Any, first_no: int) -> None:
    if counters.null_count:
        for number, counter in enumerate(counters.to_pylist(), start=first_no):
            if counter is not None:
                seen.add(counter, number)
        return
    breaks = pc.indices_nonzero(pc.not_equal(pc.subtract(counters[1:], counters[:-1]), 1)).to_pylist()
    start = 0
    for end in (*(place + 1 for place in breaks), len(counters)):
        seen.add_run(counters[start].as_py(), end - start, first_no + start)
        start = end


def _shortened(runs: list[Run], size: int) -> list[Run]:
    kept = []
    for run in runs:
        if size <= 0:
            break
        kept.append(run._replace(size=min(run.size, size)))
        size -= run.size
    return kept


def _first(mask: Any, otherwise: int) -> int:
    """Return the first place where *mask* holds, or *otherwise*."""
    place = pc.index(mask, True).as_py()
    return otherwise if place < 0 else int(place)

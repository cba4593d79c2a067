"""Readings that were taken many at once, in columns: as rows of the archive, or one by one as objects."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from itertools import accumulate
from typing import Any, Final

import pyarrow as pa
import pyarrow.compute

from ingest.decoding import Decoded, DecodedReading, LineDecoder
from ingest.inspection import Run, TakenReading
from schemas.job import Location
from schemas.parquet import column_of
from schemas.readings import READINGS
from schemas.vocabulary import Clock, CoatStage, ProbeMode

pc: Final[Any] = pyarrow.compute  # its type information knows fewer pairs of arguments than it takes

_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND: Final = timedelta(microseconds=1)


def to_us(moment: datetime) -> int:
    """Return *moment* in µs since 1970."""
    return (moment - _EPOCH) // _MICROSECOND


def from_us(microseconds: int) -> datetime:
    """Return the moment, in UTC, that lies *microseconds* after the beginning of 1970."""
    return _EPOCH + microseconds * _MICROSECOND


@dataclass(slots=True)
class ReadingsInColumns:
    """A stretch of readings in the order taken, on the finished part, each in a place of the plan.

    Attributes:
        first_no: Number of the first reading.
        source: Where the lines came from.
        clock: Whose clock the times are from.
        probe_mode: Mode of the probe.
        runs: Where they belong, in order.
        decoder: Reads a line anew, where somebody asks for it.
        line_no: Number of each line; Arrow int64.
        text: Each line; Arrow string.
        different: What is said, once each.
        which: Which of those each reading says; Arrow int32.
        taken_us: Time of each, in µs since 1970; Arrow int64.
    """

    first_no: int
    source: str
    clock: Clock
    probe_mode: ProbeMode
    runs: Sequence[Run]
    decoder: LineDecoder
    line_no: Any
    text: Any
    different: Sequence[Decoded]
    which: Any
    taken_us: Any
    _made: dict[int, TakenReading] = field(default_factory=dict)
    _ends: list[int] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._ends = list(accumulate(run.size for run in self.runs))

    def __len__(self) -> int:
        return len(self.which)

    def at(self, place: int) -> TakenReading:
        """Return the reading at *place*, from 0: the same object each time."""
        made = self._made.get(place)
        if made is None:
            made = self._made[place] = self._make(place)
        return made

    @property
    def left_out(self) -> dict[int, TakenReading]:
        """Return the readings that do not count any more, by their places, in order."""
        found = {place: made for place, made in self._made.items() if not made.counted}
        return dict(sorted(found.items()))

    def _make(self, place: int) -> TakenReading:
        number = bisect_right(self._ends, place)
        run = self.runs[number]
        slot = run.slot(place - self._ends[number] + run.size)
        text: str = self.text[place].as_py()
        decoded = self.decoder.decode(text)
        assert isinstance(decoded, DecodedReading)  # noqa: S101 - it was one when it was taken
        return TakenReading(
            reading_no=self.first_no + place,
            line_no=self.line_no[place].as_py(),
            source=self.source,
            raw_line=text,
            decoded=decoded,
            taken_at=from_us(self.taken_us[place].as_py()),
            clock=self.clock,
            probe_mode=self.probe_mode,
            stage=CoatStage.TOTAL,
            piece=slot.piece,
            location=slot.location.name,
            spot=slot.spot,
            slot=slot,
        )

    def columns(self, locations: Sequence[Location]) -> dict[str, Any]:
        """Return what the readings say, and where they belong, as columns of the archive's table; a text is the same for all.

        Beside those, "at_place" is the place in *locations* of each reading's location, a number where it is one for all.
        """
        count = len(self)
        order = {location.name: number for number, location in enumerate(locations)}
        at_places = [order[run.location.name] for run in self.runs]
        of_run: Any = _run_numbers(self._ends)
        per_spot = pa.array([run.location.readings_per_spot for run in self.runs], pa.int32())
        # What is to be added to the place of a reading in this stretch to have its place in its location.
        shift = pa.array(
            [run.start - end + run.size for run, end in zip(self.runs, self._ends, strict=True)], pa.int32()
        )
        places = pc.add(_counted_from(0, count), shift.take(of_run))

        def by_figures(name: str, value: Callable[[DecodedReading], Any]) -> Any:
            said = [value(one) if isinstance(one, DecodedReading) else None for one in self.different]
            return pa.array(said, READINGS.arrow_schema.field(name).type).take(self.which)

        def by_run(name: str, values: list[str]) -> Any:
            return values[0] if len(set(values)) == 1 else column_of(READINGS, name, values).take(of_run)

        return {
            "reading_no": _counted_from(self.first_no, count),
            "taken_at": self.taken_us.cast(pa.timestamp("us", tz="UTC")),
            "clock": self.clock.value,
            "coat_stage": CoatStage.TOTAL.value,
            "piece": by_run("piece", [run.piece for run in self.runs]),
            "location": by_run("location", [run.location.name for run in self.runs]),
            "spot": pc.add(pc.divide(places, per_spot.take(of_run)), pa.scalar(1, pa.int32())),
            "raw_line": self.text,
            "thickness_um": by_figures("thickness_um", lambda said: said.thickness_um),
            "shown": by_figures("shown", lambda said: said.shown),
            "unit": by_figures("unit", lambda said: said.unit.value),
            "probe_mode": self.probe_mode.value,
            "source": self.source,
            "at_place": at_places[0] if len(set(at_places)) == 1 else pa.array(at_places, pa.int32()).take(of_run),
        }


def _run_numbers(ends: list[int]) -> Any:
    """Return for each reading the number of its run, from 0; *ends* are the places behind the last of each."""
    encoded: Any = pa.RunEndEncodedArray.from_arrays(pa.array(ends, pa.int32()), pa.array(range(len(ends)), pa.int32()))
    return pc.run_end_decode(encoded)


def _counted_from(first: int, count: int) -> Any:
    ones = pa.repeat(pa.scalar(1, pa.int32()), count)
    return pc.cumulative_sum(ones, start=pa.scalar(first - 1, pa.int32()))

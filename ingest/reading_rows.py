"""From readings taken to the rows of the archive's table. Pure.

Readings that are objects are made into columns one value after the other; a stretch that was taken in columns
stays one. What all rows share is kept once, and each part of the table points to it.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Mapping, Sequence
from datetime import datetime
from decimal import Decimal
from typing import Any, Final

import pyarrow as pa
import pyarrow.compute

from ingest.decoding import DecodedReading
from ingest.facts import InspectionFacts
from ingest.inspection import TakenReading, Taking
from ingest.readings_in_columns import ReadingsInColumns, to_us
from schemas.gauge_checks import GaugeCheck
from schemas.job import Location
from schemas.parquet import column_of
from schemas.readings import READINGS, TIME
from schemas.vocabulary import EVERYWHERE, CheckKind, CoatStage, Role

pc: Final[Any] = pyarrow.compute  # its type information knows fewer pairs of arguments than it takes

_NO_LIMITS: Final = Location.model_construct(
    name=EVERYWHERE, role=Role.OTHER, lower=None, target_low=None, target_high=None, upper=None
)
#: The columns that follow from the location alone.
_OF_PLACE: Final = ("role", "lower", "target_low", "target_high", "upper")
#: Rows of the piece that a column of one value is made of; whole row groups of a file fit in.
_SHARED_ROWS: Final = 65_536


def rows_of(
    facts: InspectionFacts, taking: Taking, base: Mapping[str, Decimal], checks: Sequence[GaugeCheck]
) -> pa.Table:
    """Return the rows of the readings of *taking*.

    Args:
        facts: What was known before the first reading.
        taking: The readings.
        base: What is subtracted at each location, in µm.
        checks: The gauge's checks known so far.

    Raises:
        BadInput: A value is not what its column takes.
    """
    places = [*facts.job.location, _NO_LIMITS]
    of_places: dict[str, list[Any]] = {
        "role": [place.role.value for place in places],
        **{name: [getattr(place, name) for place in places] for name in _OF_PLACE[1:]},
    }
    opening = _OpeningChecks(checks, facts.gauge_serial)
    parts = []
    for part in taking.readings.parts:
        if isinstance(part, list):
            columns = _columns_of_objects(part, facts, base, of_places, opening)
        else:
            assert isinstance(part, ReadingsInColumns)  # noqa: S101 - there is no other kind of stretch
            columns = _columns_of_stretch(part, facts, base, of_places, opening)
        parts.append((columns, len(part)))
    same = _same_in_all(facts)
    arrays = [
        _repeated(same[named.name], named.column.type, len(taking.readings))
        if named.name in same
        else _joined([(columns[named.name], count) for columns, count in parts], named.column.type)
        for named in READINGS.columns
    ]
    return pa.table(arrays, schema=READINGS.arrow_schema)


def base_of(reading: TakenReading, base: Mapping[str, Decimal]) -> Decimal | None:
    """Return what is subtracted from *reading*: nothing from one that was itself taken before coating."""
    if not base or reading.stage is not CoatStage.TOTAL:
        return None
    return base.get(reading.location, base.get(EVERYWHERE))


def _same_in_all(facts: InspectionFacts) -> dict[str, Any]:
    job = facts.job
    return {
        "inspection_id": facts.inspection_id,
        "revision": 1,
        "shop": facts.shop.name,
        "customer": job.customer,
        "purchase_order": facts.purchase_order,
        "work_order": facts.work_order,
        "part_no": job.part_no,
        "part_revision": job.part_revision,
        "lot": facts.lot,
        "lot_size": facts.lot_size,
        "rack": facts.rack,
        "rack_position": facts.rack_position,
        "powder": facts.powder or job.powder,
        "powder_batch": facts.powder_batch,
        "sprayer": facts.sprayer,
        "inspector": facts.inspector,
        "gauge_serial": facts.gauge_serial,
        "specification_unit": job.unit.value,
        "profile": facts.profile_name,
    }


def _columns_of_objects(
    taken: list[TakenReading],
    facts: InspectionFacts,
    base: Mapping[str, Decimal],
    of_places: Mapping[str, list[Any]],
    opening: _OpeningChecks,
) -> dict[str, Any]:
    names = [place.name for place in facts.job.location]
    order = {name: index for index, name in enumerate(names)}
    at_place = pa.array([order.get(r.location, len(names)) for r in taken], type=pa.int32())
    lines, of_line = _distinct([r.decoded for r in taken])
    columns: dict[str, list[Any]] = {
        "reading_no": [r.reading_no for r in taken],
        "clock": [r.clock.value for r in taken],
        "coat_stage": [r.stage.value for r in taken],
        "piece": [r.piece for r in taken],
        "location": [r.location for r in taken],
        "spot": [r.spot for r in taken],
        "raw_line": [r.raw_line for r in taken],
        "base_metal_um": [base_of(r, base) for r in taken],
        "probe_mode": [r.probe_mode.value for r in taken],
        "opening_check_id": [opening.before(r.taken_at, r.probe_mode.value) for r in taken],
        "counted": [r.excluded_reason is None for r in taken],
        "excluded_reason": [r.excluded_reason for r in taken],
        "excluded_by": [r.excluded_by for r in taken],
        "source": [r.source for r in taken],
    }
    # What depends on the location or on the line's text alone is converted once, not once per reading.
    of_lines: dict[str, list[Any]] = {
        "thickness_um": [line.thickness_um for line in lines],
        "shown": [line.shown for line in lines],
        "unit": [line.unit.value for line in lines],
    }
    return {
        **{name: column_of(READINGS, name, values) for name, values in columns.items()},
        **{name: column_of(READINGS, name, values).take(at_place) for name, values in of_places.items()},
        **{name: column_of(READINGS, name, values).take(of_line) for name, values in of_lines.items()},
        "taken_at": _milliseconds([r.taken_at for r in taken]),
    }


def _columns_of_stretch(
    stretch: ReadingsInColumns,
    facts: InspectionFacts,
    base: Mapping[str, Decimal],
    of_places: Mapping[str, list[Any]],
    opening: _OpeningChecks,
) -> dict[str, Any]:
    columns = stretch.columns(facts.job.location)
    at_place = columns.pop("at_place")
    subtracted = [base.get(place.name, base.get(EVERYWHERE)) for place in facts.job.location]
    of_all: dict[str, list[Any]] = {**of_places, "base_metal_um": [*subtracted, None]}
    for name, values in of_all.items():
        if isinstance(at_place, int) or len(set(values[:-1])) == 1:
            columns[name] = values[at_place if isinstance(at_place, int) else 0]
        else:
            columns[name] = column_of(READINGS, name, values).take(at_place)
    columns["taken_at"] = columns["taken_at"].cast(TIME, safe=False)
    columns["opening_check_id"] = opening.before_each(stretch.taken_us, stretch.probe_mode.value)
    columns |= {"counted": True, "excluded_reason": None, "excluded_by": None}
    if left_out := stretch.left_out:
        count = len(stretch)
        for name in ("counted", "excluded_reason", "excluded_by"):
            each: list[Any] = [columns[name]] * count
            for place, reading in left_out.items():
                each[place] = getattr(reading, name)
            columns[name] = column_of(READINGS, name, each)
    return columns


def _repeated(value: Any, kind: pa.DataType, count: int) -> Any:
    """Return a column of *count* times *value*, which takes little more room than one piece of it."""
    scalar: Any = pa.scalar(value, type=kind)
    if count <= _SHARED_ROWS:
        return pa.repeat(scalar, count)
    piece = pa.repeat(scalar, _SHARED_ROWS)
    whole, rest = divmod(count, _SHARED_ROWS)
    return pa.chunked_array([*[piece] * whole, *([piece[:rest]] if rest else [])])


def _joined(parts: list[tuple[Any, int]], kind: pa.DataType) -> Any:
    """Return one column of *parts*: arrays, or a value that is the same in so many rows."""
    values = [value for value, _ in parts if not isinstance(value, pa.Array)]
    if len(values) == len(parts) and all(value == values[0] for value in values):
        return _repeated(values[0], kind, sum(count for _, count in parts))
    chunks: list[Any] = []
    for value, count in parts:
        made = value if isinstance(value, pa.Array) else _repeated(value, kind, count)
        chunks += made.chunks if isinstance(made, pa.ChunkedArray) else [made]
    return chunks[0] if len(chunks) == 1 else pa.chunked_array(chunks)


def _distinct(decoded: list[DecodedReading]) -> tuple[list[DecodedReading], Any]:
    """Return the different objects among *decoded* and, for each of them all, which of those it is."""
    seen: dict[int, int] = {}
    lines: list[DecodedReading] = []
    of_line = []
    for line in decoded:
        index = seen.setdefault(id(line), len(lines))
        if index == len(lines):
            lines.append(line)
        of_line.append(index)
    return lines, pa.array(of_line, type=pa.int32())


def _milliseconds(moments: list[datetime]) -> Any:
    """Return *moments* as the archive keeps them, cut to milliseconds."""
    exact: Any = pa.array(moments, type=pa.timestamp("us", tz="UTC"))
    return exact.cast(TIME, safe=False)


class _OpeningChecks:
    """The last verification of a gauge before a moment."""

    def __init__(self, checks: Sequence[GaugeCheck], gauge_serial: str) -> None:
        self._by_mode: dict[str | None, tuple[list[datetime], list[str]]] = {}
        for check in sorted(checks, key=lambda c: c.done_at):
            if check.gauge_serial == gauge_serial and check.kind == CheckKind.VERIFICATION:
                times, ids = self._by_mode.setdefault(check.probe_mode, ([], []))
                times.append(check.done_at)
                ids.append(check.check_id)

    def before(self, moment: datetime, mode: str) -> str | None:
        times, ids = self._by_mode.get(mode, ([], []))
        place = bisect_right(times, moment)
        return ids[place - 1] if place else None

    def before_each(self, moments_us: Any, mode: str) -> Any:
        """Return the same for many moments, in µs since 1970: a column, or what holds for all of them."""
        times, ids = self._by_mode.get(mode, ([], []))
        times_us = [to_us(time) for time in times]
        spread = pc.min_max(moments_us).as_py()
        first, last = bisect_right(times_us, spread["min"]), bisect_right(times_us, spread["max"])
        if first == last:
            return ids[first - 1] if first else None
        place: Any = pa.repeat(pa.scalar(first, pa.int32()), len(moments_us))
        for time_us in times_us[first:last]:
            place = pc.add(place, pc.greater_equal(moments_us, time_us).cast(pa.int32()))
        return pa.array([None, *ids], pa.string()).take(place)

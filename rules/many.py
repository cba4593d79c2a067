"""Verdict and gate state of many inspections of one job at once; what cannot be told that way is left to the full judgement."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Final

import pyarrow as pa
import pyarrow.compute

from rules.calibration_gate import RunGate
from rules.results import GateState
from rules.screening import COLUMNS, screen
from rules.verdict import Verdict
from schemas.gauge_checks import GaugeCheck
from schemas.job import Job
from schemas.shop import Shop
from schemas.vocabulary import CoatStage

pc: Final[Any] = pyarrow.compute

#: What is read of the readings table.
NEEDED: Final = (*COLUMNS, "taken_at", "gauge_serial", "probe_mode")


@dataclass(frozen=True, slots=True)
class Screened:
    """What was decided about one inspection, as :class:`rules.results.Assessment` has it."""

    conformity: Verdict
    state: GateState

    @property
    def verdict(self) -> Verdict:
        """Return what is decided: conformity where the gate says covered, else UNDECIDED."""
        return self.conformity if self.state is GateState.COVERED else Verdict.UNDECIDED


def assess_many(job: Job, shop: Shop, readings: pa.Table, checks: Sequence[GaugeCheck]) -> dict[str, Screened | None]:
    """Return what is decided about each inspection in *readings*; None where it has to be judged one by one.

    Args:
        job: A job that is :func:`rules.screening.screenable` under *shop*.
        shop: Gauges, policy and time zone as they were.
        readings: Rows of the readings table with at least NEEDED, of inspections taken under *job* and *shop*.
        checks: What is known of the gauges, in any order.
    """
    found: dict[str, Screened | None] = dict.fromkeys(pc.unique(readings["inspection_id"]).to_pylist())
    if not found:
        return {}
    gate = RunGate(checks, job, shop)
    conformity = screen(job, readings)
    locations = tuple(place.name for place in job.location)
    for inspection_id, first, last, gauge, gauges, mode, modes, measured in _runs(readings):
        judged = conformity[inspection_id]
        # One gauge, one mode, and just the locations that the job names: other runs are looked at closely.
        if judged is None or gauges > 1 or modes > 1 or measured != len(locations):
            continue
        state = gate.state(gauge, mode, first, last, locations)
        if state is not None:
            found[inspection_id] = Screened(judged, state)
    return found


def _runs(readings: pa.Table) -> Iterator[tuple[Any, ...]]:
    """Yield for each inspection its first and last moment, gauge and mode, and how many of these and of locations it has.

    Readings that are not judged count for the moments: a wider run is only looked at more closely.
    """
    judged = pc.and_(readings["counted"], pc.equal(readings["coat_stage"], CoatStage.TOTAL.value))
    location = pc.if_else(judged, readings["location"], None)
    columns = {name: readings[name] for name in ("inspection_id", "taken_at", "gauge_serial", "probe_mode")}
    grouped = (
        pa.table({**columns, "location": location})
        .group_by("inspection_id")
        .aggregate(
            [
                ("taken_at", "min"),
                ("taken_at", "max"),
                ("gauge_serial", "min"),
                ("gauge_serial", "count_distinct"),
                ("probe_mode", "min"),
                ("probe_mode", "count_distinct"),
                ("location", "count_distinct"),
            ]
        )
    )
    names = ("inspection_id", "taken_at_min", "taken_at_max", "gauge_serial_min", "gauge_serial_count_distinct", "probe_mode_min", "probe_mode_count_distinct", "location_count_distinct")  # fmt: skip
    return zip(*(grouped[name].to_pylist() for name in names), strict=True)

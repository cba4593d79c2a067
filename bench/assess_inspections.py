"""Assessing: many inspections at once against DuckDB's group means, and one against the making of its strings.

10,000 inspections of 60 readings (12 locations x 5) of one part, twelve a day between an opening and a closing check,
lie in one Parquet file. The floor reads that file and takes the mean of each inspection and location in DuckDB; ours
reads it and decides verdict and gate state of each inspection, exactly. The verdicts are compared with the full
assessment of every hundredth inspection, whose time for one is a row of its own.

    python -m bench.assess_inspections
"""

from __future__ import annotations

import json
import random
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any, Final

import duckdb
import pyarrow as pa
import pyarrow.parquet as pq

from report.evidence import Evidence, IssueFacts
from report.view import certificate_view
from rules.assessment import assess
from rules.many import NEEDED, assess_many
from schemas.gauge_checks import GaugeCheck
from schemas.job import Job
from schemas.parquet import records, table_of
from schemas.readings import READINGS, GaugeReading
from schemas.shop import Shop
from tests.report import scenario
from tests.rules import builders

INSPECTIONS: Final = 10_000
_PER_DAY: Final = 12
_LOCATIONS: Final = 12
_READINGS: Final = 5
_LARGE: Final = 300
_ROUNDS: Final = 3
_BEGAN: Final = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)


def rows(inspections: int = INSPECTIONS) -> list[dict[str, Any]]:
    """Return the rows of this benchmark."""
    shop, job, checks = _shop(), _job(), _checks(inspections)
    with tempfile.TemporaryDirectory() as scratch:
        path = Path(scratch) / "readings.parquet"
        table = _readings(job, inspections)
        pq.write_table(table, path)
        floor = min(_timed(lambda: _means(path)) for _ in range(_ROUNDS))
        ours = min(_timed(lambda: _ours(path, job, shop, checks)) for _ in range(_ROUNDS))
        found = _ours(path, job, shop, checks)
        alone = _one_by_one(table, job, shop, checks, found)
    single, strings = _single()
    return [
        _row(f"assess {inspections:,} inspections of 60 readings; DuckDB group means, s", floor, ours, "at most 20 x"),
        _row("one of them in full, with reasons and advice, ms; the same means, each", floor / inspections * 1e3, alone * 1e3, "none"),
        _row(f"assess one inspection of {_LARGE} readings; its view strings, ms", strings * 1e3, single * 1e3, "under 5 x"),
    ]  # fmt: skip


def _row(name: str, floor: float, ours: float, aim: str) -> dict[str, Any]:
    return {"name": name, "floor": round(floor, 4), "ours": round(ours, 4), "ratio": round(ours / floor, 2), "aim": aim}


def _timed(work: Callable[[], object]) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def _means(path: Path) -> int:
    asked = "SELECT inspection_id, location, avg(thickness_um) FROM read_parquet(?) WHERE counted GROUP BY ALL"
    return len(duckdb.connect().execute(asked, [str(path)]).fetchall())


def _ours(path: Path, job: Job, shop: Shop, checks: list[GaugeCheck]) -> dict[str, Any]:
    return assess_many(job, shop, pq.read_table(path, columns=list(NEEDED)), checks)


def _one_by_one(table: pa.Table, job: Job, shop: Shop, checks: list[GaugeCheck], found: dict[str, Any]) -> float:
    """Return the time of a full assessment, and see that it comes to what was found at once."""
    took = []
    for number in range(0, len(found), 100):
        some = records(READINGS, table.slice(number * _LOCATIONS * _READINGS, _LOCATIONS * _READINGS))
        around = [c for c in checks if abs(c.done_at - some[0].taken_at) < timedelta(days=2)]
        start = time.perf_counter()
        alone = assess(job, shop, some, around, coats=1, bakes=1)
        took.append(time.perf_counter() - start)
        screened = found[some[0].inspection_id]
        if screened is None or (screened.verdict, screened.state) != (alone.verdict, alone.coverage.state):
            raise AssertionError(f"{some[0].inspection_id}: {screened} at once, {alone.verdict} alone")
    return min(took)


def _single() -> tuple[float, float]:
    """Return the times of assessing one inspection of many readings, and of making the strings of its certificate."""
    job = scenario.job([f"place {n}" for n in range(_LARGE // 10)])
    evidence: Evidence = scenario.evidence(job, shown=scenario.figures(_LARGE // 10, 10, job.unit.value))
    facts: IssueFacts = scenario.facts()

    def judged() -> Any:
        return assess(evidence.job, evidence.shop, evidence.readings, evidence.checks, coats=1, bakes=1)

    found = judged()
    single = min(_timed(judged) for _ in range(10))
    strings = min(_timed(lambda: json.dumps(certificate_view(evidence, found, facts).stated())) for _ in range(10))
    return single, strings


def _shop() -> Shop:
    return builders.shop(bracket_limits=False, max_age_hours=12)


def _job() -> Job:
    return builders.job(
        *(builders.location(f"place {n}", "2.0", "4.0", readings_per_spot=_READINGS) for n in range(_LOCATIONS))
    )


def _checks(inspections: int) -> list[GaugeCheck]:
    rows: list[GaugeCheck] = []
    for day in range(-(-inspections // _PER_DAY)):
        morning = _BEGAN + timedelta(days=day) - timedelta(minutes=15)
        rows += builders.verification(f"open-{day}", morning, standard_due=datetime(2060, 1, 1, tzinfo=UTC).date())
        rows += builders.verification(
            f"close-{day}",
            morning + timedelta(hours=8),
            occasion="closing",
            standard_due=datetime(2060, 1, 1, tzinfo=UTC).date(),
        )
    return rows


def _readings(job: Job, inspections: int) -> pa.Table:
    rng = random.Random(1)  # noqa: S311 - the same readings in every run
    template: GaugeReading = builders.reading(1, "3.00")
    one = table_of(READINGS, [template])
    many = inspections * _LOCATIONS * _READINGS
    columns = {name: pa.repeat(one[name][0], many) for name in one.column_names}
    each = _LOCATIONS * _READINGS
    started = [_started(n) for n in range(inspections)]
    shown = [Decimal(round(rng.gauss(300, 22))) / 100 for _ in range(many)]
    columns |= {
        "inspection_id": pa.array([f"I-{n:06}" for n in range(inspections) for _ in range(each)]),
        "reading_no": pa.array([k + 1 for _ in range(inspections) for k in range(each)], pa.int32()),
        "taken_at": pa.array([start + timedelta(seconds=5 * k) for start in started for k in range(each)], one.schema.field("taken_at").type),
        "location": pa.array([place.name for _ in range(inspections) for place in job.location for _ in range(_READINGS)]),
        "spot": pa.array([1] * many, pa.int32()),
        "thickness_um": pa.array([figure * Decimal("25.4") for figure in shown], pa.decimal128(9, 4)),
        "shown": pa.array([f"{figure:.2f}" for figure in shown]),
    }  # fmt: skip
    return pa.table([columns[name].cast(one.schema.field(name).type) for name in one.column_names], schema=one.schema)


def _started(number: int) -> datetime:
    day, nth = divmod(number, _PER_DAY)
    return _BEGAN + timedelta(days=day, minutes=30 * nth)


if __name__ == "__main__":
    for line in rows():
        print(line)

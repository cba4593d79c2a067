"""Monthly mean, standard deviation and percentiles by part and location: the archive's question against DuckDB alone.

The floor is DuckDB over one Parquet file of the same readings, sorted by part, that holds nothing but the columns asked
for: what could be had by whoever gave up everything else. Each run is a process of its own, which says how much memory it
took at the most.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path
from typing import Any, Final

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from archive import listing, segments
from archive.layout import FOLDED_FOLDER
from bench.seal_capture import most_memory_mb
from schemas.parquet import ROW_GROUP_ROWS

_COLUMNS: Final = (
    *("part_no", "location", "inspection_id", "revision", "taken_at", "thickness_um", "base_metal_um", "counted"),
    *("coat_stage", "specification_unit", "lower", "upper"),
)
_PLAIN: Final = """
    SELECT part_no, location, date_trunc('month', taken_at) AS month, count(*) AS n, avg(thickness_um) AS mean_um,
        stddev_samp(thickness_um) AS deviation_um, quantile_disc(thickness_um, [0.05, 0.5, 0.95]) AS quantiles
    FROM read_parquet('{}') WHERE counted AND coat_stage = 'total' GROUP BY ALL ORDER BY ALL
"""
_TIMES: Final = 3


def rows(root: Path, scratch: Path) -> list[dict[str, Any]]:
    """Return the rows for the archive at *root*: seconds, and MB at the most."""
    folded = scratch / "folded"
    folded.mkdir()
    (folded / FOLDED_FOLDER).symlink_to((root / FOLDED_FOLDER).resolve(), target_is_directory=True)
    one_file = scratch / "one-sorted-file.parquet"
    found = []
    for which, archive in (("", root), (", the folded months alone", folded)):
        readings = _alone(write_sorted, archive, one_file)
        ours, same, plain = [], [], []
        for _ in range(_TIMES):  # in turn, so that all meet the same neighbours on the machine
            plain.append(_alone(_plain, one_file))
            same.append(_alone(_question_over, one_file))
            ours.append(_alone(_question, archive))
        groups = {run[2] for run in (*ours, *same)}
        what = f"month, part and location over {readings:,} readings{which}"
        asked = [min(run[0] for run in runs) for runs in (plain, same, ours)]
        most = [max(run[1] for run in runs) for runs in (plain, same, ours)]
        found += [
            _row(
                f"mean, deviation, percentiles, range, shares outside, inspections by {what} (s), {groups} groups; floor: DuckDB, "
                "the same question over one sorted file",
                asked[1],
                asked[2],
                "at most 1.3 x",
            ),
            _row(
                "the same; floor: mean, deviation and percentiles alone over one sorted file",
                asked[0],
                asked[2],
                "reported",
            ),
            _row("the same as the first, most memory (MB)", most[1], most[2], "reported"),
        ]
    return found


def _row(name: str, floor: float, ours: float, aim: str) -> dict[str, Any]:
    return {"name": name, "floor": round(floor, 2), "ours": round(ours, 2), "ratio": round(ours / floor, 2), "aim": aim}


def write_sorted(root: Path, target: Path) -> int:
    """Write the readings of all valid revisions at *root* to one file, by part and then inspection; return how many."""
    superseded = _superseded(root)
    folded = [pq.ParquetFile(one.rows_path) for one in segments.segments(root, "readings")]
    single = [one.path for one in listing.commits(root, "readings") if one.place is None]
    newest = [_wanted(pq.read_table(path, columns=list(_COLUMNS), partitioning=None), superseded) for path in single]
    tables = [pa.concat_tables(newest)] if newest else []
    groups = {file: _parts_of_groups(file) for file in folded}
    parts = sorted(
        {part for spans in groups.values() for low, high in spans for part in (low, high)}
        | {part for table in tables for part in pc.unique(table.column("part_no")).to_pylist()}
    )
    count = 0
    with pq.ParquetWriter(
        target,
        folded[0].schema_arrow.empty_table().select(list(_COLUMNS)).schema if folded else tables[0].schema,
        compression="zstd",
        store_decimal_as_integer=True,
        use_dictionary=[name for name in _COLUMNS if name != "taken_at"],
        column_encoding={"taken_at": "DELTA_BINARY_PACKED"},
    ) as writer:
        for part in parts:
            found = []
            for file, spans in groups.items():
                here = [number for number, (low, high) in enumerate(spans) if low <= part <= high]
                if here:
                    table = file.read_row_groups(here, columns=list(_COLUMNS))
                    found.append(_wanted(table.filter(pc.equal(table.column("part_no"), part)), superseded))
            found += [table.filter(pc.equal(table.column("part_no"), part)) for table in tables]
            whole = pa.concat_tables(found)
            writer.write_table(whole.select(list(_COLUMNS)), row_group_size=ROW_GROUP_ROWS * 8)
            count += whole.num_rows
    return count


def _superseded(root: Path) -> pa.Table:
    corrected = {one.name.key: one.name.revision for one in _corrections(root)}
    gone = [(key, lower) for key, revision in corrected.items() for lower in range(1, revision)]
    return pa.table(
        {
            "inspection_id": pa.array([key for key, _ in gone], pa.string()),
            "revision": pa.array([revision for _, revision in gone], pa.int32()),
        }
    )


def _corrections(root: Path) -> list[listing.Stored]:
    """Return the commits of a revision above the first, by revision."""
    every = (one for one in listing.commits(root, "readings") if one.name.revision > 1)
    return sorted(every, key=lambda one: one.name.revision)


def _wanted(table: pa.Table, superseded: pa.Table) -> pa.Table:
    if not pc.any(pc.is_in(table.column("inspection_id"), superseded.column("inspection_id"))).as_py():
        return table
    kept = table.join(superseded, ["inspection_id", "revision"], join_type="left anti").select(table.column_names)
    return pa.Table.from_arrays(kept.columns, schema=table.schema)


def _parts_of_groups(file: pq.ParquetFile) -> list[tuple[str, str]]:
    """Return the first and the last part in each row group."""
    column = file.schema_arrow.get_field_index("part_no")
    found = []
    for group in range(file.metadata.num_row_groups):
        held = file.metadata.row_group(group).column(column).statistics
        found.append((held.min, held.max))
    return found


def _alone(function: Callable[..., Any], *args: Any) -> Any:
    with ProcessPoolExecutor(max_workers=1, mp_context=get_context("spawn")) as alone:
        return alone.submit(function, *args).result()


def _plain(path: Path) -> tuple[float, float, int]:
    import duckdb

    start = time.perf_counter()
    with duckdb.connect() as connection:
        connection.execute("SET TimeZone = 'UTC'")
        found = connection.sql(_PLAIN.format(path)).to_arrow_table()
    return time.perf_counter() - start, most_memory_mb(), found.num_rows


def _question_over(path: Path) -> tuple[float, float, int]:
    from archive import query
    from archive.questions import Selection, month_summaries

    start = time.perf_counter()
    with query.connected() as connection:
        month = "date_trunc('month', taken_at) AS month"
        connection.execute(f"CREATE TEMP VIEW readings AS SELECT *, {month} FROM read_parquet('{path}')")  # noqa: S608
        found = query.answer(connection, month_summaries(Selection()))
    return time.perf_counter() - start, most_memory_mb(), found.num_rows


def _question(root: Path) -> tuple[float, float, int]:
    from archive import query
    from archive.questions import Selection, month_summaries

    start = time.perf_counter()
    parts = query.parts(root, month_summaries(Selection()))
    return time.perf_counter() - start, most_memory_mb(), sum(part.num_rows for part in parts)

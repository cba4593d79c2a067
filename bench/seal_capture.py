"""A capture of many lines to sealed Parquet, against pyarrow alone reading and writing the same columns.

Two captures: one of ours, of which each line is a time and a figure; and a gauge's own export, of which no two lines are
the same, since each has its counter and its time. Each run is a process of its own, which also says how much memory it
took at the most.

python -m bench.seal_capture [LINES]
"""

from __future__ import annotations

import json
import random
import shutil
import sys
import tempfile
import time
from collections.abc import Callable, Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from multiprocessing import get_context
from pathlib import Path
from typing import Any, Final

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv
import pyarrow.parquet as pq

from archive.shop_folder import ShopFolder
from archive.store import Archive
from ingest.capture_store import keep
from ingest.facts import InspectionFacts
from ingest.open_inspection import OpenInspection, SaidOfLines
from ingest.sealing import seal
from schemas import parquet
from schemas.job import Job
from schemas.profile import Profile
from schemas.readings import READINGS
from schemas.shop import Shop

SAMPLES: Final = Path(__file__).parents[1] / "sample_captures" / "shop"
LINES: Final = 1_000_000
_PER_PIECE: Final = 100
_TIMES: Final = 3
_AIM: Final = "at most 3 x"


@dataclass(frozen=True)
class Kind:
    """A kind of capture.

    Attributes:
        name: What it is, in the table.
        profile: The sample shop's line profile that reads it.
        unit: What the job is specified in.
        write: Writes so many lines to an open text file.
        floor: Reads the file by pyarrow alone; returns the columns that differ from line to line.
    """

    name: str
    profile: str
    unit: str
    write: Callable[[Any, int], None]
    floor: Callable[[Path], dict[str, Any]]


def rows(lines: int = LINES) -> list[dict[str, Any]]:
    """Return the rows of this benchmark: seconds, and megabytes at the most."""
    found: list[dict[str, Any]] = []
    for kind in KINDS:
        root = Path(tempfile.mkdtemp(prefix="filmtally-bench-"))
        try:
            found += _rows_of(kind, root, lines)
        finally:
            shutil.rmtree(root, ignore_errors=True)
    return found


def _rows_of(kind: str, root: Path, lines: int) -> list[dict[str, Any]]:
    capture = root / "big.capture"
    with capture.open("w", encoding="utf-8", newline="\n") as out:
        KINDS[kind].write(out, lines)
    ours, floor = [], []
    for number in range(_TIMES):  # in turn, so that both meet the same neighbours on the machine
        ours.append(_alone(_ours, kind, root / f"shop{number}", capture, lines))
        floor.append(_alone(_floor, kind, capture, root / "floor.parquet", ours[0][2]))
    what = f"{lines:,} lines, {KINDS[kind].name}"
    seconds = [min(run[0] for run in runs) for runs in (floor, ours)]
    megabytes = [min(run[1] for run in runs) for runs in (floor, ours)]
    return [
        _row(f"{what}, to sealed Parquet, s", seconds, _AIM),
        _row(f"{what}, most memory, MB", megabytes, "reported"),
    ]


def _row(name: str, found: Iterable[float], aim: str) -> dict[str, Any]:
    floor, ours = found
    return {"name": name, "floor": round(floor, 2), "ours": round(ours, 2), "ratio": round(ours / floor, 2), "aim": aim}


def _alone(function: Callable[..., Any], *args: Any) -> Any:
    with ProcessPoolExecutor(max_workers=1, mp_context=get_context("spawn")) as alone:
        return alone.submit(function, *args).result()


def most_memory_mb() -> float:
    """Return the most memory that this process had, in MB of 2**20 bytes."""
    try:
        # Of this program alone; what getrusage says may be left from the one that started it.
        status = Path("/proc/self/status").read_text(encoding="ascii")
        kilobytes = next(int(line.split()[1]) for line in status.splitlines() if line.startswith("VmHWM"))
    except (OSError, StopIteration):
        import resource

        kilobytes = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return kilobytes / 1024


def _warm_up() -> None:
    """Let pyarrow look for pandas, as it does for the first list that it is given; only benches and tests have it."""
    pa.array([0])


def _ours(kind: str, folder_path: Path, capture: Path, lines: int) -> tuple[float, float, Path]:
    folder = ShopFolder(folder_path)
    shutil.copytree(SAMPLES, folder.root)
    facts = _facts(KINDS[kind], folder, lines)
    archive = Archive(folder.archive, "bench")
    now = datetime(2026, 12, 1, tzinfo=UTC)
    _warm_up()
    start = time.perf_counter()
    kept = keep(capture, folder.captures)
    with OpenInspection(folder, facts.inspection_id, now, facts) as inspection:
        inspection.take_captures([kept], None, SaidOfLines(), now)
        sealed = seal(
            facts,
            inspection.taking,
            [],
            capture_sha256=inspection.capture_sha256,
            sealed_at=now,
            sealed_by="mk",
        )
    path = archive.commit_inspection(sealed.inspection, sealed.readings)
    return time.perf_counter() - start, most_memory_mb(), path


def _facts(kind: Kind, folder: ShopFolder, lines: int) -> InspectionFacts:
    limits = (
        {"lower": Decimal(1), "upper": Decimal(6)}
        if kind.unit == "mil"
        else {"lower": Decimal(25), "upper": Decimal(152)}
    )
    job = Job.model_validate(
        {
            "title": "Bench part",
            "customer": "Bench customer",
            "part_no": "B-1",
            "substrate": "steel",
            "probe_mode": "magnetic",
            "unit": kind.unit,
            "rule": {"name": "every-reading"},
            "location": [{"name": "face", **limits, "readings_per_spot": _PER_PIECE}],
        }
    )
    return InspectionFacts(
        inspection_id="20261201-000000-BNCH",
        job_name="bench",
        job=job,
        shop=Shop.load(folder.root / "shop.toml"),
        profile_name=kind.profile,
        profile=Profile.load(folder.root / "profiles" / f"{kind.profile}.toml"),
        inspector="mk",
        gauge_serial="FB-07",
        lot="B",
        pieces=tuple(str(n) for n in range(lines // _PER_PIECE)),
    )


def _floor(kind: str, capture: Path, target: Path, sealed: Path) -> tuple[float, float]:
    """Read the same file as CSV and write the same columns: the constant ones repeated, the others from the file."""
    same = pq.read_table(sealed, partitioning=None).slice(0, 1).to_pylist()[0]
    _warm_up()
    start = time.perf_counter()
    varying = KINDS[kind].floor(capture)
    count = len(varying["shown"])
    per_piece: Any = pc.divide(pa.array(range(count), type=pa.int32()), pa.scalar(_PER_PIECE, type=pa.int32()))
    varying |= {
        "reading_no": pa.array(range(1, count + 1), type=pa.int32()),
        "piece": pc.cast(per_piece, pa.string()),
    }
    arrays: list[Any] = []
    for named in READINGS.columns:
        if named.name in varying:
            arrays.append(varying[named.name])
        else:
            scalar: Any = pa.scalar(same[named.name], type=named.column.type)
            arrays.append(pa.repeat(scalar, count))
    parquet.write(READINGS, pa.table(arrays, schema=READINGS.arrow_schema), target)
    return time.perf_counter() - start, most_memory_mb()


def _write_own(out: Any, lines: int) -> None:
    rng = random.Random(1)  # noqa: S311 - the same lines in every run
    at = datetime(2026, 11, 3, 8, 0, tzinfo=UTC)
    out.write("# filmtally capture 1\n")
    for n in range(lines):
        stamp = (at + timedelta(milliseconds=700 * n)).isoformat(timespec="milliseconds").replace("+00:00", "Z")
        out.write(f"{stamp}\t{rng.gauss(3.4, 0.3):.2f}\n")


def _floor_of_own(capture: Path) -> dict[str, Any]:
    table = pyarrow.csv.read_csv(
        capture,
        read_options=pyarrow.csv.ReadOptions(column_names=["taken_at", "shown"], skip_rows=1),
        parse_options=pyarrow.csv.ParseOptions(delimiter="\t"),
        convert_options=pyarrow.csv.ConvertOptions(
            column_types={"taken_at": pa.timestamp("ms", tz="UTC"), "shown": pa.string()}
        ),
    )
    mil: Any = pc.cast(table["shown"], pa.decimal128(9, 4))
    return {
        "taken_at": table["taken_at"],
        "shown": table["shown"],
        "raw_line": table["shown"],
        "thickness_um": pc.cast(pc.multiply(mil, pa.scalar(Decimal("25.4"))), pa.decimal128(9, 4), safe=False),
    }


def _write_export(out: Any, lines: int) -> None:
    rng = random.Random(2)  # noqa: S311 - as above
    at = datetime(2026, 11, 3, 8, 0)  # noqa: DTZ001 - as the gauge writes it
    for n in range(lines):
        out.write(f"{n + 1};{at + timedelta(seconds=n)};FE;{rng.gauss(86, 8):.1f};um\n")


def _floor_of_export(capture: Path) -> dict[str, Any]:
    """Beside the parts, the lines themselves, since they are a column too. The sample shop is in Ireland."""
    types = {"time": pa.timestamp("ms"), "counter": pa.int64(), "shown": pa.string()}
    parts = pyarrow.csv.read_csv(
        capture,
        read_options=pyarrow.csv.ReadOptions(column_names=["counter", "time", "mode", "shown", "unit"]),
        parse_options=pyarrow.csv.ParseOptions(delimiter=";"),
        convert_options=pyarrow.csv.ConvertOptions(column_types=types),
    )
    whole = pyarrow.csv.read_csv(
        capture,
        read_options=pyarrow.csv.ReadOptions(column_names=["line"]),
        parse_options=pyarrow.csv.ParseOptions(delimiter="\x1f"),
    )
    return {
        "taken_at": pc.assume_timezone(parts["time"], "Europe/Dublin").cast(pa.timestamp("ms", tz="UTC")),
        "shown": parts["shown"],
        "raw_line": whole["line"],
        "thickness_um": pc.cast(parts["shown"], pa.decimal128(9, 4)),
    }


KINDS: Final = {
    "own": Kind("each a time and a figure", "plain-number", "mil", _write_own, _floor_of_own),
    "export": Kind("no two the same", "delimited", "um", _write_export, _floor_of_export),
}


if __name__ == "__main__":
    print(json.dumps(rows(int(sys.argv[1]) if len(sys.argv) > 1 else LINES), indent=1))

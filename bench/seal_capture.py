"""A capture of many lines to sealed Parquet, against pyarrow alone reading and writing the same columns."""

from __future__ import annotations

import random
import shutil
import tempfile
import time
from datetime import UTC, datetime, timedelta
from decimal import Decimal
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


def rows(lines: int = LINES) -> list[dict[str, Any]]:
    """Return the one row of this benchmark; times in seconds."""
    root = Path(tempfile.mkdtemp(prefix="filmtally-bench-"))
    try:
        capture = _write_capture(root / "big.capture", lines)
        folder = ShopFolder(root / "shop")
        shutil.copytree(SAMPLES, folder.root)
        ours, sealed = _ours(folder, capture, lines)
        floor = min(_floor(capture, root / "floor.parquet", sealed) for _ in range(2))
        return [
            {
                "name": f"{lines:,} captured lines to sealed Parquet, s",
                "floor": round(floor, 3),
                "ours": round(ours, 3),
                "ratio": round(ours / floor, 2),
                "aim": "at most 3 x",
            }
        ]
    finally:
        shutil.rmtree(root, ignore_errors=True)


def _write_capture(path: Path, lines: int) -> Path:
    rng = random.Random(1)  # noqa: S311 - the same lines in every run
    at = datetime(2026, 11, 3, 8, 0, tzinfo=UTC)
    with path.open("w", encoding="utf-8", newline="\n") as out:
        out.write("# filmtally capture 1\n")
        for n in range(lines):
            stamp = (at + timedelta(milliseconds=700 * n)).isoformat(timespec="milliseconds").replace("+00:00", "Z")
            out.write(f"{stamp}\t{rng.gauss(3.4, 0.3):.2f}\n")
    return path


def _ours(folder: ShopFolder, capture: Path, lines: int) -> tuple[float, Path]:
    shop = Shop.load(folder.root / "shop.toml")
    job = Job.model_validate(
        {
            "title": "Bench part",
            "customer": "Bench customer",
            "part_no": "B-1",
            "substrate": "steel",
            "probe_mode": "magnetic",
            "unit": "mil",
            "rule": {"name": "every-reading"},
            "location": [{"name": "face", "lower": Decimal(1), "upper": Decimal(6), "readings_per_spot": _PER_PIECE}],
        }
    )
    now = datetime(2026, 12, 1, tzinfo=UTC)
    facts = InspectionFacts(
        inspection_id="20261201-000000-BNCH",
        job_name="bench",
        job=job,
        shop=shop,
        profile_name="plain-number",
        profile=Profile.load(folder.root / "profiles" / "plain-number.toml"),
        inspector="mk",
        gauge_serial="FB-07",
        lot="B",
        pieces=tuple(str(n) for n in range(lines // _PER_PIECE)),
    )
    archive = Archive(folder.archive, "bench")
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
    return time.perf_counter() - start, path


def _floor(capture: Path, target: Path, sealed: Path) -> float:
    """Read the same file as CSV and write the same columns: the constant ones repeated, the others from the file."""
    same = pq.read_table(sealed, partitioning=None).slice(0, 1)
    start = time.perf_counter()
    table = pyarrow.csv.read_csv(
        capture,
        read_options=pyarrow.csv.ReadOptions(column_names=["taken_at", "shown"], skip_rows=1),
        parse_options=pyarrow.csv.ParseOptions(delimiter="\t"),
        convert_options=pyarrow.csv.ConvertOptions(
            column_types={"taken_at": pa.timestamp("ms", tz="UTC"), "shown": pa.string()}
        ),
    )
    count = table.num_rows
    mil: Any = pc.cast(table["shown"], pa.decimal128(9, 4))
    per_piece: Any = pc.divide(pa.array(range(count), type=pa.int32()), pa.scalar(_PER_PIECE, type=pa.int32()))
    varying = {
        "taken_at": table["taken_at"],
        "shown": table["shown"],
        "raw_line": table["shown"],
        "thickness_um": pc.cast(pc.multiply(mil, pa.scalar(Decimal("25.4"))), pa.decimal128(9, 4), safe=False),
        "reading_no": pa.array(range(1, count + 1), type=pa.int32()),
        "piece": pc.cast(per_piece, pa.string()),
    }
    arrays: list[Any] = []
    for named in READINGS.columns:
        if named.name in varying:
            arrays.append(varying[named.name])
        else:
            scalar: Any = same.column(named.name)[0]
            arrays.append(pa.repeat(scalar, count))
    parquet.write(READINGS, pa.table(arrays, schema=READINGS.arrow_schema), target)
    return time.perf_counter() - start

"""How long one commit takes, against writing and syncing the same bytes.

python -m bench.commit_inspection
"""

from __future__ import annotations

import json
import os
import tempfile
import time
from pathlib import Path
from statistics import median

from archive.store import Archive
from tests.archive import scenario

_TIMES = 300


def rows() -> list[dict[str, object]]:
    """Return the measured rows: name, floor and ours in milliseconds (medians), ratio, aim."""
    with tempfile.TemporaryDirectory() as scratch:
        ours, floor = _alternated(Path(scratch))
    return [
        {
            "name": "commit one inspection of 60 readings (ms); floor: write, sync, rename the same bytes, sync the folder",
            "floor": round(floor, 3),
            "ours": round(ours, 3),
            "ratio": round(ours / floor, 2),
            "aim": "at most 2 x",
        }
    ]


def _alternated(scratch: Path) -> tuple[float, float]:
    archive = Archive(scratch / "archive", "bench1")
    bare = scratch / "bare"
    bare.mkdir()
    first = scenario.inspection(0)
    table = scenario.readings(first)
    ours, floor = [], []
    for number in range(_TIMES):
        one = scenario.inspection(number)
        rows_of_one = table.set_column(0, table.schema.field(0), [[one.inspection_id] * table.num_rows])
        start = time.perf_counter()
        path = archive.commit_inspection(one, rows_of_one)
        ours.append(time.perf_counter() - start)
        content = path.read_bytes()
        start = time.perf_counter()
        bare_commit(bare, f"{number:08d}.parquet", content)
        floor.append(time.perf_counter() - start)
    return median(ours) * 1000, median(floor) * 1000


def bare_commit(folder: Path, name: str, content: bytes) -> None:
    """Write *content* to *folder* as a commit does, with nothing around it."""
    temporary, final = folder / f".{name}", folder / name
    handle = os.open(temporary, os.O_WRONLY | os.O_CREAT)
    os.write(handle, content)
    os.fsync(handle)
    os.close(handle)
    os.replace(temporary, final)  # noqa: PTH105 - the bare calls are the floor
    if os.name != "nt":
        handle = os.open(folder, os.O_RDONLY)
        os.fsync(handle)
        os.close(handle)


if __name__ == "__main__":
    print(json.dumps(rows(), indent=1))

"""A reading durable in the journal, against write and fsync of the same line. Times in milliseconds."""

from __future__ import annotations

import os
import statistics
import tempfile
import time
from pathlib import Path
from typing import Any, Final

from ingest.journal import Journal

READINGS: Final = 400


def rows() -> list[dict[str, Any]]:
    """Return the one row of this benchmark; ours and floor alternate, so that both see the same disk."""
    with tempfile.TemporaryDirectory(prefix="filmtally-bench-") as root:
        path = Path(root) / "a.journal"
        record = {
            "kind": "line",
            "at": "2026-11-03T09:15:02.120+00:00",
            "line_no": 1,
            "bytes": b"3.12".hex(),
            "ended": True,
        }
        ours, floor = [], []
        with Journal(path) as journal:
            journal.append(record)
            line = path.read_bytes()
            bare = os.open(Path(root) / "bare", os.O_WRONLY | os.O_CREAT | os.O_APPEND)
            for _ in range(READINGS):
                start = time.perf_counter()
                journal.append(record)
                middle = time.perf_counter()
                os.write(bare, line)
                os.fsync(bare)
                floor.append(time.perf_counter() - middle)
                ours.append(middle - start)
            os.close(bare)
    floor_ms, ours_ms = (statistics.median(times) * 1000 for times in (floor, ours))
    return [
        {
            "name": "one reading durable in the journal, p50, ms",
            "floor": round(floor_ms, 3),
            "ours": round(ours_ms, 3),
            "ratio": round(ours_ms / floor_ms, 2),
            "aim": "at most 1.5 x",
        }
    ]

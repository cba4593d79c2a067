"""`filmtally --help`, against Python importing the command-line library alone. Times in milliseconds."""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import time
from pathlib import Path
from typing import Any, Final

RUNS: Final = 15
ROOT: Final = Path(__file__).parents[1]


def rows() -> list[dict[str, Any]]:
    """Return the one row of this benchmark; ours and floor alternate."""
    ours, floor = [], []
    _time([sys.executable, "-m", "filmtally", "--help"])  # compiles, as an installation does once
    for _ in range(RUNS):
        floor.append(_time([sys.executable, "-c", "import argparse"]))
        ours.append(_time([sys.executable, "-m", "filmtally", "--help"]))
    floor_ms, ours_ms = (statistics.median(times) * 1000 for times in (floor, ours))
    return [
        {
            "name": "filmtally --help, ms",
            "floor": round(floor_ms, 1),
            "ours": round(ours_ms, 1),
            "ratio": round(ours_ms / floor_ms, 2),
            "aim": "at most 2 x",
        }
    ]


def _time(command: list[str]) -> float:
    env = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    start = time.perf_counter()
    subprocess.run(command, cwd=ROOT, env=env, check=True, stdout=subprocess.DEVNULL)
    return time.perf_counter() - start

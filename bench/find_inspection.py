"""Whether finding one inspection stays as quick in a large archive as in a small one.

A shop that seals 40 inspections a working day fills 1,000 in six weeks and 20,000 in two years. What
is sought is spread evenly over that time. The inspections that are not sought are copies of one file
under names of their own: a look-up lists names and opens only the file that it seeks.

    python -m bench.find_inspection
"""

from __future__ import annotations

import json
import os
import tempfile
import time
from datetime import datetime, timedelta
from pathlib import Path
from statistics import median

from archive.layout import CommitName
from archive.store import Archive
from tests.archive import scenario

_SIZES = (1_000, 20_000)
_SOUGHT = 100
_PER_DAY = 40
_ROUNDS = 3


def rows() -> list[dict[str, object]]:
    """Return the measured rows: name, floor and ours in milliseconds (medians), ratio, aim."""
    with tempfile.TemporaryDirectory() as scratch:
        archives = {size: _filled(Path(scratch) / str(size), size) for size in _SIZES}
        took: dict[tuple[str, int], list[float]] = {}
        for _ in range(_ROUNDS):
            for size, (root, sought) in archives.items():
                in_use = Archive(root, "bench1")
                for number, identity in enumerate(sought):
                    # A new Archive first, as a command starts with one.
                    archive = Archive(root, "bench1")
                    start = time.perf_counter()
                    archive.inspection(identity)
                    between = time.perf_counter()
                    archive.readings(identity)
                    end = time.perf_counter()
                    took.setdefault(("all", size), []).append(end - start)
                    took.setdefault(("facts", size), []).append(between - start)
                    if number >= _SOUGHT * 9 // 10:
                        took.setdefault(("recent", size), []).append(end - start)
                    start = time.perf_counter()
                    in_use.inspection(identity)
                    in_use.readings(identity)
                    took.setdefault(("in use", size), []).append(time.perf_counter() - start)
    return [
        _row("find one inspection, its facts and its readings, by a program in use", "in use", took),
        _row("the same as a program's first look-up, among the newest tenth", "recent", took),
        _row("the same as a program's first look-up, of any age", "all", took),
        _row("its facts alone as a program's first look-up, of any age", "facts", took),
    ]


def _row(name: str, which: str, took: dict[tuple[str, int], list[float]]) -> dict[str, object]:
    small, large = (median(took[which, size]) * 1000 for size in _SIZES)
    return {
        "name": f"{name} (ms); floor: among {_SIZES[0]:,}, ours: among {_SIZES[1]:,}",
        "floor": round(small, 3),
        "ours": round(large, 3),
        "ratio": round(large / small, 2),
        "aim": "at most 1.5 x",
    }


def _filled(root: Path, size: int) -> tuple[Path, list[str]]:
    """Fill an archive with *size* inspections, oldest first; return it and the identities to seek."""
    archive = Archive(root, "bench1")
    sought, filler, folders = [], b"", set()
    step = size // _SOUGHT
    for number in range(size):
        at = _started(number)
        if number % step == step - 1:
            one = scenario.inspection(number, at)
            sought.append(one.inspection_id)
            path = archive.commit_inspection(one, scenario.readings(one))
            filler = filler or path.read_bytes()
            continue
        identity = scenario.inspection_id(number, at)
        name = CommitName(at + timedelta(minutes=20), "bench2", number + 1, identity, 1)
        folder = root / "readings" / name.month
        if folder not in folders:
            folder.mkdir(parents=True, exist_ok=True)
            folders.add(folder)
        handle = os.open(folder / name.file_name, os.O_WRONLY | os.O_CREAT)
        os.write(handle, filler)
        os.close(handle)
    return root, sought


def _started(number: int) -> datetime:
    days = number // _PER_DAY
    return scenario.START + timedelta(days=days + days // 5 * 2, minutes=10 * (number % _PER_DAY))


if __name__ == "__main__":
    print(json.dumps(rows(), indent=1))

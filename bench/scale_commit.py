"""How long a commit takes, against writing and syncing the same bytes, with several benches at once; and beside a fold.

Each bench is a process of its own. Its own commits and the bare writes take turns, so both meet the same neighbours.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from datetime import UTC, datetime, timedelta
from multiprocessing import get_context
from pathlib import Path
from statistics import median, quantiles
from typing import Any

from archive.fold import fold
from archive.store import Archive
from bench.commit_inspection import bare_commit
from tests.archive import scenario

#: Any time after the commits' months.
_LATER = datetime(2028, 1, 1, tzinfo=UTC)


def rows(scratch: Path, times: int) -> list[dict[str, Any]]:
    """Return the rows: milliseconds, *times* commits by each bench."""
    found: list[dict[str, Any]] = []
    for benches in (1, 2, 4):
        root = scratch / f"by{benches}"
        ours, floor = _at_once(root, benches, times)
        lost = _lost(root, benches * times)
        words = (
            f"commit one inspection of 60 readings, {benches} at once, {{}} (ms), {lost}; floor: the same bytes, bare"
        )
        for name, reckoned in (("p50", median), ("p99", _p99)):
            found.append(_row(words.format(name), reckoned(floor), reckoned(ours), "at most 2 x"))
    root = scratch / "folding"
    with ProcessPoolExecutor(max_workers=3, mp_context=get_context("spawn")) as several:
        benches = [several.submit(_bench, root, f"bench{n}", times, n * 10_000) for n in (1, 2)]
        beside = several.submit(_fold_and_check, root, times)
        both = [bench.result() for bench in benches]
        folds, checks, troubles = beside.result()
    ours, floor = ([one for pair in both for one in pair[which]] for which in (0, 1))
    fold(root, _LATER)
    words = f"the same, 2 at once beside {folds} folds and {checks} checks, which found {troubles}, p50 (ms)"
    found.append(_row(f"{words}, {_lost(root, 2 * times)}", median(floor), median(ours), "nothing lost"))
    return found


def _row(name: str, floor: float, ours: float, aim: str) -> dict[str, Any]:
    return {
        "name": name,
        "floor": round(floor * 1000, 2),
        "ours": round(ours * 1000, 2),
        "ratio": round(ours / floor, 2),
        "aim": aim,
    }


def _p99(values: list[float]) -> float:
    return quantiles(values, n=100)[98]


def _at_once(root: Path, benches: int, times: int) -> tuple[list[float], list[float]]:
    with ProcessPoolExecutor(max_workers=benches, mp_context=get_context("spawn")) as several:
        found = [several.submit(_bench, root, f"bench{n}", times, n * 10_000) for n in range(benches)]
        both = [one.result() for one in found]
    return [one for ours, _ in both for one in ours], [one for _, floor in both for one in floor]


def _bench(root: Path, name: str, times: int, first: int) -> tuple[list[float], list[float]]:
    """Commit *times* inspections over some two months; return the seconds of each, and of a bare write of its bytes."""
    archive = Archive(root, name)
    bare = root.parent / f"{root.name}-bare"
    bare.mkdir(parents=True, exist_ok=True)
    table = scenario.readings(scenario.inspection(0))
    ours, floor = [], []
    for number in range(times):
        at = scenario.START + timedelta(days=60 * number / times)
        one = scenario.inspection(first + number, at)
        rows_of_one = table.set_column(0, table.schema.field(0), [[one.inspection_id] * table.num_rows])
        start = time.perf_counter()
        path = archive.commit_inspection(one, rows_of_one)
        ours.append(time.perf_counter() - start)
        try:
            content = path.read_bytes()
        except FileNotFoundError:
            continue  # folded already
        floor.append(
            _seconds(lambda content=content, number=number: bare_commit(bare, f"{name}-{number:08d}.parquet", content))
        )
    return ours, floor


def _seconds(work: Callable[[], None]) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def _fold_and_check(root: Path, times: int) -> tuple[int, int, str]:
    """Fold and check until the benches are done; return how often, and what the checks found but leftovers."""
    folds = checks = still = 0
    troubles: list[str] = []
    seen = -1
    while still < 5:
        time.sleep(0.2)
        if not root.is_dir():
            continue
        fold(root, _LATER)
        troubles += [trouble.sentence for trouble in Archive(root, "look").check() if not trouble.harmless]
        folds, checks = folds + 1, checks + 1
        now = len(Archive(root, "look").inspections())
        still = still + 1 if now == seen or now >= 2 * times else 0
        seen = now
    return folds, checks, "nothing" if not troubles else f"{len(troubles)} troubles ({troubles[0]})"


def _lost(root: Path, made: int) -> str:
    archive = Archive(root, "look")
    there = len(archive.inspections())
    troubles = [trouble for trouble in archive.check() if not trouble.harmless]
    if there == made and not troubles:
        return f"all {made} there"
    return f"{made - there} LOST, {len(troubles)} TROUBLES"

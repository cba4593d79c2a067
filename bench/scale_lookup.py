"""How long it takes to look up one inspection, its facts and its readings, in archives of several sizes.

A look-up as a program's first one: what this process keeps of segments is thrown away before, the index stays. The
look-ups of a program in use. And the command that shows and judges one inspection, from its start to its end.
"""

from __future__ import annotations

import gc
import os
import random
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Mapping
from pathlib import Path
from statistics import median, quantiles
from typing import Any

from archive import listing, segments
from archive.index import index_path
from archive.store import Archive

_SOUGHT = 200
#: How often the command runs for each archive.
_RUNS = 40


def rows(archives: Mapping[int, Path]) -> list[dict[str, Any]]:
    """Return the rows for *archives*, by their number of inspections: milliseconds, smallest archive against largest."""
    sought: dict[int, list[str]] = {}
    rebuilt: dict[int, float] = {}
    for size, root in archives.items():
        keys = [one.name.key for one in listing.commits(root, "readings")]
        sought[size] = random.Random(size).sample(keys, min(_SOUGHT, len(keys)))  # noqa: S311 - which are looked at
        known = index_path(root).exists()
        start = time.perf_counter()
        archive = Archive(root, "look")
        archive.inspection(keys[0])
        archive.close()
        rebuilt[size] = 0.0 if known else time.perf_counter() - start
        del keys
        segments.forget()
        gc.collect()
    took: dict[tuple[str, int], list[float]] = {}
    in_use = {size: Archive(root, "look") for size, root in archives.items()}
    for number in range(_SOUGHT):
        for size, root in archives.items():  # in turn, so that all meet the same neighbours on the machine
            key = sought[size][number % len(sought[size])]
            segments.forget()
            archive = Archive(root, "look")
            started, used = time.perf_counter(), time.process_time()
            archive.inspection(key)
            archive.readings(key)
            took.setdefault(("first", size), []).append(time.perf_counter() - started)
            took.setdefault(("first, processor", size), []).append(time.process_time() - used)
            archive.close()
    for number in range(_SOUGHT):
        for size in archives:
            key = sought[size][-1 - number % len(sought[size])]
            started = time.perf_counter()
            in_use[size].inspection(key)
            in_use[size].readings(key)
            took.setdefault(("in use", size), []).append(time.perf_counter() - started)
    for size, seconds in _commands(archives, sought):
        took.setdefault(("command", size), []).append(seconds)
    largest = max(archives)
    found: list[dict[str, Any]] = [_forms(in_use[largest], largest)]
    for which, words in (
        ("first", "look up one inspection of any age, facts and readings verified, a program's first"),
        ("first, processor", "the same, time of the processor alone"),
        ("in use", "the same by a program in use"),
        ("command", "'filmtally assess' of one inspection of any age, the whole process"),
    ):
        small, *_, large = archives
        middle = [size for size in archives if size not in (small, large)]
        for name, reckoned in (("p50", median), ("p99", _p99)):
            ms = {size: reckoned(took[which, size]) * 1000 for size in archives}
            between = "".join(f"; {size:,}: {ms[size]:.2f}" for size in middle)
            found.append(
                {
                    "name": f"{words}, {name} (ms); floor: among {small:,}, ours: among {large:,}{between}",
                    "floor": round(ms[small], 2),
                    "ours": round(ms[large], 2),
                    "ratio": round(ms[large] / ms[small], 2),
                    "aim": "at most 1.5 x" if which != "first, processor" else "reported",
                }
            )
    size_of_index = sum(path.stat().st_size for path in index_path(archives[largest]).parent.glob("index-*"))
    found.append(
        {
            "name": f"the index of {largest:,} inspections made anew, s (all indexes here: {size_of_index / 1e6:.0f} MB); 0 where it was there",
            "floor": 0,
            "ours": round(rebuilt[largest], 1),
            "ratio": "",
            "aim": "reported",
        }
    )
    return found


def _forms(archive: Archive, size: int) -> dict[str, Any]:
    """Return the row that compares the two forms within one archive."""
    keys: dict[bool, list[str]] = {True: [], False: []}
    for one in listing.commits(archive.root, "readings"):
        keys[one.place is None].append(one.name.key)
    took: dict[bool, list[float]] = {True: [], False: []}
    picked = {single: random.Random(size).choices(of_form, k=_SOUGHT) for single, of_form in keys.items() if of_form}  # noqa: S311
    for both in zip(*picked.values(), strict=True):
        for single, key in zip(picked, both, strict=True):
            started = time.perf_counter()
            archive.inspection(key)
            archive.readings(key)
            took[single].append(time.perf_counter() - started)
    ms = {single: round(median(times) * 1000, 2) if times else 0.0 for single, times in took.items()}
    return {
        "name": f"look up one inspection among {size:,} in use, p50 (ms); floor: one with a file of its own, ours: a folded one",
        "floor": ms[True],
        "ours": ms[False],
        "ratio": round(ms[False] / ms[True], 2) if ms[True] else "",
        "aim": "reported",
    }


def _commands(archives: Mapping[int, Path], sought: Mapping[int, list[str]]) -> Iterator[tuple[int, float]]:
    """Yield what the command takes, in s: for each of *archives* in turn, in a shop folder of its own that leads to it."""
    with tempfile.TemporaryDirectory(prefix="filmtally-scale-shops-") as scratch:
        shops = {size: Path(scratch) / str(size) for size in archives}
        for size, shop in shops.items():
            _run("new", str(shop))
            (shop / "archive").symlink_to(archives[size].resolve(), target_is_directory=True)
        for number in range(_RUNS):
            for size, shop in shops.items():
                key = sought[size][number % len(sought[size])]
                started = time.perf_counter()
                _run("--shop", str(shop), "assess", key)
                yield size, time.perf_counter() - started


def _run(*words: str) -> None:
    done = subprocess.run([sys.executable, "-m", "filmtally", *words], capture_output=True, text=True, check=False)
    if done.returncode not in (0, 1, 3):  # whatever the verdict is
        raise RuntimeError(f"filmtally {' '.join(words)}: {done.stderr}")


def _p99(values: list[float]) -> float:
    return quantiles(values, n=100)[98]


def in_cache_of(folder: Path) -> None:
    """Keep indexes in *folder* from now on."""
    os.environ["FILMTALLY_CACHE"] = str(folder)

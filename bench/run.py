"""`make bench`: every ratio against its floor, measured in this run; prints the table and writes bench.json."""

from __future__ import annotations

import argparse
import json
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from typing import Any, Final

from bench import (
    answer_help,
    assess_inspections,
    certificates,
    commit_inspection,
    find_inspection,
    group,
    journal_reading,
    live_capture,
    scale,
    seal_capture,
)
from bench.results_folder import RESULTS

PARTS: Final = (
    seal_capture,
    certificates,
    commit_inspection,
    journal_reading,
    live_capture,
    find_inspection,
    assess_inspections,
    scale,
    group,
    answer_help,
)


def main() -> None:
    """Run all benchmarks, or those that are named."""
    parser = argparse.ArgumentParser(description=__doc__)
    names = {part.__name__.removeprefix("bench."): part for part in PARTS}
    parser.add_argument("only", nargs="*", metavar="NAME", help=f"one or more of {', '.join(names)}")
    chosen = parser.parse_args().only or list(names)
    table: list[dict[str, Any]] = []
    for name in chosen:
        print(f"{name} ...", flush=True)
        # Each in a process of its own: what one leaves on the heap would slow the next.
        with ProcessPoolExecutor(max_workers=1, mp_context=get_context("spawn")) as alone:
            table += alone.submit(names[name].rows).result()
    print()
    print(f"{'what':<72} {'floor':>10} {'ours':>10} {'ratio':>8}  aim")
    for row in table:
        print(f"{row['name']:<72} {row['floor']:>10} {row['ours']:>10} {row['ratio']:>8}  {row['aim']}")
    RESULTS.mkdir(exist_ok=True)
    (RESULTS / "bench.json").write_text(json.dumps(table, indent=2, ensure_ascii=False) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()

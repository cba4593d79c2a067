"""Whether the archive stays quick as it grows: look-ups, commits beside one another and beside a fold, and history.

    python -m bench.scale [--inspections N] [--folder FOLDER] [lookup] [commit] [history]

The archives are those of bench/large_archive.py: of a small shop's first 1,000 inspections, a year of them, of two years of a
larger one, 20,000, and of N, where N is that large, else of a plant a twentieth as large. Of each the months that are over
are folded, and the last one is under way. Those that are in FOLDER already, named by their number of inspections, are taken as they are.
"""

from __future__ import annotations

import argparse
import json
import tempfile
from collections.abc import Iterable
from pathlib import Path
from typing import Any, Final

from bench import scale_commit, scale_history, scale_lookup
from bench.large_archive import make
from bench.large_plant import PER_MONTH
from bench.results_folder import RESULTS

PARTS: Final = ("lookup", "commit", "history")
#: How many the shops of the two smaller archives seal in a month, and those of the short form.
_PER_MONTH: Final = {1_000: 80, 20_000: 820}
_FEW_PER_MONTH: Final = PER_MONTH // 20
_DEFAULT: Final = 2_000


def rows(
    inspections: int = _DEFAULT, folder: Path | None = None, parts: Iterable[str] = PARTS, cache: Path | None = None
) -> list[dict[str, Any]]:
    """Return the measured rows: name, floor, ours, ratio, aim."""
    large = inspections >= 2 * PER_MONTH
    sizes = sorted({*((1_000, 20_000) if large else (50, inspections // 4)), inspections})
    found: list[dict[str, Any]] = []
    with tempfile.TemporaryDirectory(prefix="filmtally-scale-") as scratch:
        here = Path(scratch)
        scale_lookup.in_cache_of(cache or here / "cache")
        archives = {}
        for size in sizes if {"lookup", "history"} & set(parts) else ():
            archives[size] = (folder or here) / str(size)
            if not archives[size].exists():
                print(f"  making {size:,} inspections ...", flush=True)
                made = make(
                    archives[size],
                    size,
                    per_month=_PER_MONTH.get(size, PER_MONTH) if large else _FEW_PER_MONTH,
                    processes=2,
                )
                print("  " + "\n  ".join(made.lines()), flush=True)
                found += _bytes(size, made.found())
        if "lookup" in parts:
            found += _told(scale_lookup.rows(archives))
        if "commit" in parts:
            found += _told(scale_commit.rows(here, 300 if large else 60))
        if "history" in parts:
            found += _told(scale_history.rows(archives[sizes[-1]], here))
    return found


def _told(table: list[dict[str, Any]]) -> list[dict[str, Any]]:
    for row in table:
        print(f"{row['name']:<130} {row['floor']:>10} {row['ours']:>10} {row['ratio']:>8}  {row['aim']}", flush=True)
    return table


def _bytes(size: int, found: dict[str, dict[str, float]]) -> list[dict[str, Any]]:
    return [
        {
            "name": f"bytes per reading, {form}, of {size:,} inspections; floor: the rows without their records",
            "floor": round(of_form["rows_bytes_per_reading"], 1),
            "ours": round(of_form["bytes_per_reading"], 1),
            "ratio": round(of_form["bytes_per_reading"] / of_form["rows_bytes_per_reading"], 2),
            "aim": "reported",
        }
        for form, of_form in found.items()
    ]


def main() -> None:
    """Run the parts that are named, or all; print a table and write scale.json."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("parts", nargs="*", metavar="PART", help=f"one or more of {', '.join(PARTS)}")
    parser.add_argument("--inspections", type=int, default=_DEFAULT)
    parser.add_argument("--folder", type=Path, help="where archives are, or are made and kept")
    parser.add_argument("--cache", type=Path, metavar="FOLDER", help="where indexes are, or are made and kept")
    args = parser.parse_args()
    if unknown := set(args.parts) - set(PARTS):
        parser.error(f"there is no part {', '.join(sorted(unknown))}; there are: {', '.join(PARTS)}")
    table = rows(args.inspections, args.folder, args.parts or PARTS, args.cache)
    RESULTS.mkdir(exist_ok=True)
    (RESULTS / "scale.json").write_text(json.dumps(table, indent=2, ensure_ascii=False) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()

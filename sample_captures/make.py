"""Make the sample captures again: `python -m sample_captures.make`. Same seed, same bytes."""

from __future__ import annotations

import json
import random
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from typing import Final

HERE: Final = Path(__file__).parent
HEADER: Final = "# filmtally capture 1"


def captures() -> dict[str, str]:
    """Return every generated capture: file name and text."""
    return {
        "gate-leaf-GL-1141.capture": _gate_leaf(),
        "hinge-HG-0388.txt": _hinge(),
        "bench-end-BE-0027.capture": _bench_end(),
        "bollard-BO-2209.capture": _bollard(),
        "mast-plate-MP-0903.capture": _mast_plate(),
        "sash-profile-SP-4410.jsonl": _sash_profile(),
    }


def work_orders() -> str:
    """Return the shop's open work orders as its planning exports them: semicolons, a mark, and columns that nobody here needs."""
    rows = (
        "work_order;customer;due;job;lot;lot_size;pieces;purchase_order;rack;powder_batch;sprayer;coats",
        "W-26-1141;Hollin and Wray Garden Works;2026-11-04;gate-leaf;GL-1141;12;2;HW-5520/1;R3;LG-0417;pd;1",
        "W-26-1152;Hollin and Wray Garden Works;2026-11-12;gate-leaf;GL-1152;16;2;HW-5561/1;R1;LG-0421;pd;1",
        "W-26-1153;Hollin and Wray Garden Works;2026-11-12;hinge;HG-0397;40;3;HW-5561/2;R2;BT-1107;pd;1",
        "W-26-1158;;2026-11-13;bollard;BO-2214;6;2;5540;;DG-2231;;1",
        "W-26-1160;;2026-11-16;sash-profile;SP-4418;30;3;LJ-81;R4;PG-0019;tq;1",
    )
    return "\ufeff" + "\r\n".join(rows) + "\r\n"


def _figures(rng: random.Random, mean: float, spread: float, count: int, places: int) -> list[str]:
    return [f"{rng.gauss(mean, spread):.{places}f}" for _ in range(count)]


def _timed(start: str, lines: list[str], rng: random.Random) -> str:
    at = datetime.fromisoformat(start)
    out = [HEADER]
    for line in lines:
        at += timedelta(milliseconds=rng.randrange(2_000, 9_000))
        out.append(f"{at.isoformat(timespec='milliseconds').replace('+00:00', 'Z')}\t{line}")
    return "\n".join(out) + "\n"


def _gate_leaf() -> str:
    """Two leaves; edges heavy, inside corners thin; one slip of the probe, one lift-off, a battery word."""
    rng = random.Random(1141)
    lines: list[str] = []
    for piece in ("1", "2"):
        lines.append(f"@piece {piece}")
        for mean, spread in ((3.4, 0.2), (3.3, 0.2), (4.9, 0.4), (2.1, 0.15)):
            lines += _figures(rng, mean, spread, 5, 2)
    lines[8:8] = ["0.31", "@exclude probe slipped off the bar"]
    lines.insert(15, "----")
    lines.insert(30, "LOW BATT")
    return _timed("2026-11-03T09:20:00+00:00", lines, rng)


def _hinge() -> str:
    """A gauge's own export without times; the running fit came out heavy."""
    rng = random.Random(388)
    lines: list[str] = []
    for _ in range(3):
        lines += [f"{f} um" for f in _figures(rng, 88, 5, 4, 1)]
        lines += [f"{f} um" for f in _figures(rng, 52, 3, 4, 1)]
    lines.insert(10, "no contact")
    return "\n".join(lines) + "\n"


def _bench_end() -> str:
    """In for its third coat: far over any limit."""
    rng = random.Random(27)
    lines = [
        f"{f} mil"
        for f in _figures(rng, 17.2, 0.9, 5, 1) + _figures(rng, 18.6, 0.8, 5, 1) + _figures(rng, 15.4, 0.7, 3, 1)
    ]
    lines.insert(3, ">> mil")
    return _timed("2026-11-03T11:05:00+00:00", lines, rng)


def _bollard() -> str:
    """The zinc is read first, the powder after; figures with a decimal comma."""
    rng = random.Random(2209)
    zinc = {"upper barrel": 92.0, "cap": 104.0}
    lines: list[str] = []
    for place, mean in zinc.items():
        lines.append(f"@base {place}")
        lines += [f"{f} µm" for f in _figures(rng, mean, 3, 5, 1)]
    lines.append("@coated")
    for piece in ("B1", "B2"):
        lines.append(f"@piece {piece}")
        lines += [f"{f} µm" for f in _figures(rng, 92 + 84, 5, 6, 1)]
        lines += [f"{f} µm" for f in _figures(rng, 104 + 90, 6, 5, 1)]
    lines.insert(20, "KEIN KONTAKT")
    return _timed("2026-11-04T07:45:00+00:00", [_with_comma(line) for line in lines], rng)


def _with_comma(line: str) -> str:
    return line if line.startswith("@") else line.replace(".", ",")


def _mast_plate() -> str:
    """Base metal readings on the blasted plate, then 2 sides of 5 spots of 3 readings, by counter and gauge clock."""
    rng = random.Random(903)
    at = datetime.fromisoformat("2026-11-04T13:10:00")
    counter = 411
    lines: list[str] = []

    def gauge(figures: list[str]) -> Iterator[str]:
        nonlocal at, counter
        for figure in figures:
            at += timedelta(seconds=rng.randrange(3, 10))
            yield f"{counter};{at:%Y-%m-%d %H:%M:%S};FE;{figure};mil"
            counter += 1

    lines.append("@base *")
    lines += gauge(_figures(rng, 0.6, 0.15, 10, 2))
    lines.append("@coated")
    for _ in ("top side", "under side"):
        lines += gauge(_figures(rng, 5.9, 0.35, 15, 2))
    lines.insert(20, "#batt low")
    return _timed("2026-11-04T13:10:05+00:00", lines, rng)


def _sash_profile() -> str:
    """JSON lines that name piece, location and spot themselves."""
    rng = random.Random(4410)
    at = datetime.fromisoformat("2026-11-05T10:00:00+00:00")
    out = []
    for piece in ("1", "2", "3"):
        for spot in range(1, 6):
            for figure in _figures(rng, 78, 4, 3, 1):
                at += timedelta(seconds=rng.randrange(2, 8))
                out.append(
                    json.dumps(
                        {
                            "film": float(figure),
                            "in": "um",
                            "when": f"{at:%Y-%m-%dT%H:%M:%S%z}",
                            "piece": piece,
                            "place": "outer face",
                            "spot": spot,
                        }
                    )
                )
    out.insert(7, '{"state": "lift"}')
    return "\n".join(out) + "\n"


def main() -> None:
    """Write the captures beside this file, and the work orders into the shop."""
    for name, text in captures().items():
        (HERE / "captures" / name).write_bytes(text.encode("utf-8"))
    (HERE / "shop" / "orders.csv").write_bytes(work_orders().encode("utf-8"))


if __name__ == "__main__":
    main()

"""`make fuzz`: framing, decoding and taking under inputs steered by coverage (atheris); writes fuzz.json.

The first byte of an input names the line profile, the second how the rest is cut into chunks.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Final

from bench.results_folder import RESULTS

INPUTS: Final = 10_000_000
SAMPLES: Final = Path(__file__).parents[1] / "sample_captures"


def main() -> int:
    """Run the campaign on some processes at once; return 1 where an input broke a law, which is then printed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--inputs", type=int, default=INPUTS, metavar="N", help=f"how many (default: {INPUTS:,})")
    parser.add_argument("--processes", type=int, default=2, metavar="N")
    parser.add_argument("--child", help=argparse.SUPPRESS)
    parser.add_argument("--seed", type=int, default=20261126, metavar="N")
    args = parser.parse_args()
    if args.child:
        return _fuzz(Path(args.child), args.inputs, args.seed)
    start = time.monotonic()
    share = -(-args.inputs // args.processes)
    with tempfile.TemporaryDirectory(prefix="filmtally-fuzz-") as root:
        children = []
        for number in range(args.processes):
            folder = Path(root) / str(number)
            (folder / "corpus").mkdir(parents=True)
            _write_seeds(folder / "corpus")
            words = [
                "-m",
                "bench.fuzz",
                "--child",
                str(folder),
                "--inputs",
                str(share),
                "--seed",
                str(args.seed + number),
            ]
            children.append((folder, subprocess.Popen([sys.executable, *words], stderr=subprocess.PIPE, text=True)))
        results = [_result(folder, child) for folder, child in children]
    total = {
        "name": "fuzz",
        "what": "framing, decoding and taking of any bytes, steered by coverage",
        "inputs": sum(r["inputs"] for r in results),
        "readings": sum(r["readings"] for r in results),
        "no_readings": sum(r["no_readings"] for r in results),
        "not_taken": sum(r["not_taken"] for r in results),
        "blank": sum(r["blank"] for r in results),
        "broken": sum(r["broken"] for r in results),
        "seconds": round(time.monotonic() - start),
    }
    print(json.dumps(total))
    RESULTS.mkdir(exist_ok=True)
    (RESULTS / "fuzz.json").write_text(json.dumps(total, indent=2) + "\n", encoding="utf-8")
    return int(bool(total["broken"]) or total["inputs"] < args.inputs)


def _write_seeds(corpus: Path) -> None:
    captures = sorted((SAMPLES / "captures").iterdir())
    for number, path in enumerate(captures):
        for at, line in enumerate(path.read_bytes().splitlines(keepends=True)[:40]):
            bare = line.split(b"\t", 1)[-1]
            for profile in range(5):
                (corpus / f"{number}-{at}-{profile}").write_bytes(bytes([profile, at % 7]) + bare + bare)


def _result(folder: Path, child: subprocess.Popen[str]) -> dict[str, int]:
    _, errors = child.communicate()
    counted = folder / "counted.json"
    found = json.loads(counted.read_text(encoding="utf-8")) if counted.exists() else {}
    broken = int(child.returncode != 0)
    if broken:
        print(errors[-4000:], file=sys.stderr)
    return {**dict.fromkeys(("inputs", "readings", "no_readings", "not_taken", "blank"), 0), **found, "broken": broken}


def _fuzz(folder: Path, inputs: int, seed: int) -> int:
    import atexit

    import atheris

    with atheris.instrument_imports(include=["ingest.framing", "ingest.decoding"]):
        from bench import line_laws
    counted = dict.fromkeys(("inputs", "readings", "no_readings", "not_taken", "blank"), 0)

    def one(data: bytes) -> None:
        counted["inputs"] += 1
        if len(data) >= 2:
            seen = line_laws.check(data[0] % len(line_laws.PROFILES), chunks_of(data[2:], data[1]))
            for name, count in seen._asdict().items():
                counted[name] += count
        if counted["inputs"] % 50_000 == 0 or counted["inputs"] == inputs:
            write()

    def write() -> None:
        (folder / "counted.json").write_text(json.dumps(counted), encoding="utf-8")

    atexit.register(write)
    words = [sys.argv[0], str(folder / "corpus"), f"-runs={inputs}", f"-seed={seed}", "-max_len=32", "-verbosity=0"]
    atheris.Setup([*words, f"-artifact_prefix={folder}/"], one)
    atheris.Fuzz()
    return 0


def chunks_of(data: bytes, cut: int) -> list[bytes]:
    """Return *data* in chunks of *cut* bytes; whole where *cut* is 0."""
    size = cut % 23
    return [data[at : at + size] for at in range(0, len(data), size)] if size else [data]


if __name__ == "__main__":
    sys.exit(main())

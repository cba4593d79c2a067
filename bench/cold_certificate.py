"""One certificate by a process that has just begun; `python -m bench.cold_certificate ours 12 5` prints its peak memory.

`bare` in place of `ours` lays out the HTML on standard input by WeasyPrint and signs it by pyHanko.
"""

from __future__ import annotations

import json
import re
import subprocess
import sys
import time
from pathlib import Path

from bench.certificate_cases import Size


def measured(kind: str, size: Size, html: str = "") -> tuple[float, float]:
    """Return the wall time in ms from the start of a process to its signed certificate, and its peak memory in MB."""
    places, each = size
    start = time.perf_counter()
    done = subprocess.run(  # our own module
        [sys.executable, "-m", "bench.cold_certificate", kind, str(places), str(each)],
        input=html.encode(), capture_output=True, check=True,
    )  # fmt: skip
    taken = (time.perf_counter() - start) * 1000
    return taken, json.loads(done.stdout)["peak_mb"]


def _ours(size: Size) -> None:
    from bench.certificate_cases import evidence_of
    from tests.report.made import drafted, signed

    signed(drafted(evidence_of(size)).pdf)


def _bare(html: str) -> None:
    from bench import bare
    from report.pdf import SignaturePlace
    from tests.report import scenario
    from tests.report.made import identity

    content = bare.render(html, {}, scenario.ISSUED)
    bare.sign(content, SignaturePlace(0, 100, 100, 300, 160), identity())


def _peak_mb() -> float:
    """Return the peak of this process's memory; getrusage would give that of whoever started it, if larger."""
    found = re.search(r"^VmHWM:\s+(\d+) kB", Path("/proc/self/status").read_text(encoding="ascii"), re.MULTILINE)
    return int(found[1]) / 1024 if found else float("nan")


if __name__ == "__main__":
    if sys.argv[1] == "ours":
        _ours((int(sys.argv[2]), int(sys.argv[3])))
    else:
        _bare(sys.stdin.read())
    print(json.dumps({"peak_mb": _peak_mb()}))

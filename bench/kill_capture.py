"""kill -9 at random moments of a journalled capture: is every acknowledged reading there, and nothing half?

A child process runs the real `filmtally measure` on readings that come through a pipe, and seals at
their end. The parent counts what the child shows as taken, kills it at a random moment (while it
starts, takes or seals), and then looks at what is on disk.
"""

from __future__ import annotations

import contextlib
import io
import random
import re
import shutil
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

from archive.shop_folder import ShopFolder
from archive.store import Archive
from filmtally import main
from ingest.open_inspection import OpenInspection, open_ids

SAMPLES: Final = Path(__file__).parents[1] / "sample_captures" / "shop"
JOB: Final = "gate-leaf"
READINGS: Final = 40
_TAKEN: Final = re.compile(r"taken (\d+):")


@dataclass
class Seen:
    """What one kill left behind."""

    acknowledged: int = 0
    lost: int = 0
    half_visible: int = 0
    failed: int = 0


def campaign(times: int, seed: int) -> dict[str, Any]:
    """Kill *times* captures; return what was run, how often, and what was lost or failed."""
    rng = random.Random(seed)  # noqa: S311 - when to kill
    total = Seen()
    for _ in range(times):
        seen = _one(rng)
        total.acknowledged += seen.acknowledged
        total.lost += seen.lost
        total.half_visible += seen.half_visible
        total.failed += seen.failed
    return {
        "name": "kill capture",
        "what": "kill -9 at a random moment of a journalled capture, then resume and seal",
        "times": times,
        "acknowledged": total.acknowledged,
        "lost": total.lost,
        "half_visible": total.half_visible,
        "failed": total.failed,
    }


def _one(rng: random.Random) -> Seen:
    root = Path(tempfile.mkdtemp(prefix="filmtally-kill-"))
    try:
        folder = ShopFolder(root / "shop")
        shutil.copytree(SAMPLES, folder.root)
        seen = Seen(acknowledged=_run_and_kill(folder, rng))
        _look(folder, seen)
        return seen
    finally:
        shutil.rmtree(root, ignore_errors=True)


def _run_and_kill(folder: ShopFolder, rng: random.Random) -> int:
    """Return how many readings the child had shown as taken when it was killed or had ended."""
    words = ["measure", JOB, "--lot", "K", "--inspector", "mk", "--gauge", "FB-07", "--pieces", "2"]
    child = subprocess.Popen(
        [sys.executable, "-m", "filmtally", "--shop", str(folder.root), *words],
        cwd=Path(__file__).parents[1],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        bufsize=0,
    )
    assert child.stdin is not None
    assert child.stdout is not None
    child.stdin.write(b"".join(b"3.%02d\n" % (n % 60) for n in range(READINGS)))
    child.stdin.close()
    # Up to READINGS: while taking. Beyond: while sealing, or after its end.
    kill_after = rng.randrange(READINGS + 8)
    delay = rng.random() * (0.006 if kill_after < READINGS else 0.15)
    acknowledged = 0
    with io.TextIOWrapper(child.stdout) as shown:
        while acknowledged < kill_after:
            line = shown.readline()
            if not line:
                break
            taken = _TAKEN.search(line)
            acknowledged = int(taken[1]) if taken else acknowledged
            if acknowledged == READINGS:
                break
        time.sleep(delay)
        child.kill()
        for line in shown:
            taken = _TAKEN.search(line)
            acknowledged = int(taken[1]) if taken else acknowledged
    child.wait()
    return acknowledged


def _look(folder: ShopFolder, seen: Seen) -> None:
    archive = Archive(folder.archive, "look")
    troubles = [t for t in archive.check() if t.kind != "leftover"]
    seen.failed += len(troubles)
    sealed = archive.inspections()
    if sealed:
        rows = archive.readings(sealed[0].inspection_id).num_rows
        seen.half_visible += rows != READINGS
        seen.lost += max(0, seen.acknowledged - rows)
    ids = open_ids(folder)
    if not ids:
        seen.lost += 0 if sealed else seen.acknowledged
        return
    with OpenInspection(folder, ids[0], datetime.now(UTC)) as inspection:
        there = len(inspection.taking.readings)
    if not sealed:
        seen.lost += max(0, seen.acknowledged - there)
    if there == 0:
        return
    with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
        code = main(["--shop", str(folder.root), "seal", "--as-is", "the bench was killed"])
    rows = archive.readings(ids[0]).num_rows if code == 0 else -1
    seen.failed += code != 0 or rows != there or bool(open_ids(folder))

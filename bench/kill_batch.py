"""Kill a batch of certificates at random moments and run it again: each inspection ends with one certificate.

python -m bench.kill_batch 20
"""

from __future__ import annotations

import json
import os
import random
import signal
import sys
import tempfile
import time
from pathlib import Path
from typing import Final

from tests.front.many_lots import begin, copied, faults, orphans, shop_of_lots

LOTS: Final = 8
_WORDS: Final = ("certify", "--all", "--signer", "mk", "--passphrase-file", "passphrase.txt", "--workers", "2")
#: About what one certificate takes, and how many of those the workers take to start.
_MOMENT_S: Final = 0.5
_STARTING: Final = 6


def campaign(times: int, seed: int = 1) -> dict[str, object]:
    """Kill a batch *times* times, each time the program alone or with its workers, and return what was found.

    Returns:
        name, what, times; acknowledged: certificates that were said to be issued; lost: those of them that are not in the
        register with their PDF; half_visible: what the register and the folder disagree in after a kill; failed: what is
        wrong once the batch has been run to its end, and workers that outlived the program.
    """
    rng = random.Random(seed)  # noqa: S311 - moments, not secrets; the seed makes a failure repeatable
    acknowledged, kills, shops = 0, 0, 0
    lost: list[str] = []
    half_visible: list[str] = []
    failed: list[str] = []
    with tempfile.TemporaryDirectory() as scratch:
        empty = shop_of_lots(Path(scratch) / "empty", LOTS)
        while kills < times:
            shops += 1
            shop = copied(empty, Path(scratch) / f"shop {shops}")
            told: set[str] = set()
            while kills < times and len(told) < LOTS:
                told |= _killed(shop, rng)
                kills += 1
                failed += orphans(shop)
                half_visible += faults(shop, complete=False)
            acknowledged += len(told)
            out, err = (program := begin(shop, *_WORDS)).communicate()
            if program.returncode != 0:
                failed.append(f"the last run ended with {program.returncode}: {err or out}")
            failed += faults(shop, complete=True)
            issued = {path.name for path in (shop / "certificates").glob("*-r1.pdf")}
            lost += sorted(name for name in told if name not in issued)
    return {
        "name": "kill -9 while certifying many",
        "what": f"a batch of {LOTS} certificates is killed {times} times at random moments, and run again to its end in {shops} shops",
        "times": times,
        "acknowledged": acknowledged,
        "lost": lost,
        "half_visible": half_visible,
        "failed": failed,
    }


def _killed(shop: Path, rng: random.Random) -> set[str]:
    """Kill a batch after some certificates and a moment more, and return the names of the PDFs that it said it issued."""
    program = begin(shop, *_WORDS)
    assert program.stdout is not None
    # On a busy machine as on an idle one some are issued; now and then the kill comes while workers start.
    shown = [program.stdout.readline() for _ in range(rng.choice((0, 1, 1, 2, 3)))]
    time.sleep(rng.uniform(0, _MOMENT_S) * (1 if shown else _STARTING))
    if rng.random() < 0.5:
        program.kill()
    elif program.poll() is None:
        os.killpg(program.pid, signal.SIGKILL)
    rest, _ = program.communicate()
    # A line that was cut by the kill was not acknowledged.
    whole = [line for line in [*shown, *rest.splitlines(keepends=True)] if line.endswith("\n") and ".pdf" in line]
    return {Path(line.strip().rpartition(": ")[2]).name for line in whole}


if __name__ == "__main__":
    print(json.dumps(campaign(int(sys.argv[1]) if len(sys.argv) > 1 else 20), indent=1))

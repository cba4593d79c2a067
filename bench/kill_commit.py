"""Kill a committing process at random moments: nothing acknowledged is lost, nothing is half there.

python -m bench.kill_commit 200
"""

from __future__ import annotations

import json
import random
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from archive.store import Archive
from schemas.errors import FilmtallyError
from tests.archive import scenario

_REPOSITORY = Path(__file__).resolve().parent.parent
_CHILD = """
import sys
from pathlib import Path
from archive.store import Archive
from tests.archive import scenario
archive = Archive(Path(sys.argv[1]), "bench1")
number = int(sys.argv[2])
one = scenario.inspection(number)
table = scenario.readings(one)
print("ready", flush=True)
while True:
    one = scenario.inspection(number)
    identity = [one.inspection_id] * table.num_rows
    archive.commit_inspection(one, table.set_column(0, table.schema.field(0), [identity]))
    print(one.inspection_id, flush=True)
    number += 1
"""


def campaign(times: int, seed: int = 1) -> dict[str, object]:
    """Kill a committing child *times* times and return what was found.

    Returns:
        name, what, times; acknowledged: commits that the children said were done; lost: those of
        them that are not there whole; half_visible: inspections that are listed and cannot be read
        whole; failed: what the archive's own check says apart from harmless leftovers.
    """
    moments = random.Random(seed)  # noqa: S311 - moments, not secrets; the seed makes a failure repeatable
    acknowledged: list[str] = []
    lost, half_visible = set(), set()
    with tempfile.TemporaryDirectory() as scratch:
        root = Path(scratch) / "archive"
        archive = Archive(root, "bench1")
        listed: list[str] = []
        for _ in range(times):
            acknowledged += _one_kill(root, len(listed), moments.randrange(5), moments.uniform(0.0, 0.01))
            listed = [one.inspection_id for one in archive.inspections()]
            lost |= set(acknowledged) - set(listed)
        expected = {one.inspection_id: one for one in map(scenario.inspection, range(len(listed)))}
        for identity in listed:
            try:
                whole = archive.inspection(identity) == expected[identity]
                whole &= archive.reading_records(identity) == scenario.reading_records(expected[identity])
            except (FilmtallyError, KeyError):
                whole = False
            if not whole:
                half_visible.add(identity)
        # The chain goes on where the last kill left it.
        after = scenario.inspection(len(listed))
        archive.commit_inspection(after, scenario.readings(after))
        failed = [trouble.sentence for trouble in archive.check() if not trouble.harmless]
        if json.loads(archive.head())["bench1"]["seq"] != len(listed) + 1:
            failed.append("the chain's length is not the number of inspections")
    return {
        "name": "kill -9 while committing",
        "what": f"a process that commits inspections of 60 readings is killed {times} times at random moments",
        "times": times,
        "acknowledged": len(acknowledged),
        "lost": sorted(lost | (half_visible & set(acknowledged))),
        "half_visible": sorted(half_visible),
        "failed": failed,
    }


def _one_kill(root: Path, first: int, after_commits: int, after_s: float) -> list[str]:
    """Kill a child after some commits and a moment more: on a busy machine as on an idle one there are some."""
    with subprocess.Popen(
        [sys.executable, "-c", _CHILD, str(root), str(first)], cwd=_REPOSITORY, stdout=subprocess.PIPE, text=True
    ) as child:
        assert child.stdout is not None
        assert child.stdout.readline() == "ready\n"
        shown = [child.stdout.readline() for _ in range(after_commits)]
        time.sleep(after_s)
        child.kill()
        shown += child.stdout.read().splitlines(keepends=True)
        # A line that was cut by the kill was not acknowledged.
        return [line.strip() for line in shown if line.endswith("\n")]


if __name__ == "__main__":
    print(json.dumps(campaign(int(sys.argv[1]) if len(sys.argv) > 1 else 100), indent=1))

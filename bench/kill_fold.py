"""Kill a fold at every step that changes the disk: the archive is as before or after, and the next fold finishes.

python -m bench.kill_fold 200
"""

from __future__ import annotations

import json
import os
import random
import shutil
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path
from typing import Any, Final
from unittest.mock import patch

from archive import segments
from archive.fold import fold
from archive.store import Archive
from schemas.errors import FilmtallyError
from tests.archive import scenario

#: What changes the disk. A fold does nothing else to it, see tests/archive/test_fold.py.
STEPS: Final = ("write", "fsync", "replace", "unlink", "mkdir")


class Killed(BaseException):
    """The process is dead; no handler of it changes the disk any more, since every further step raises this again."""


@contextmanager
def dying_at(step: int, die: Callable[[], None]) -> Iterator[list[str]]:
    """Call *die* in place of the disk's *step*-th change, from 1; a write is done by half before.

    Gives the names of the steps so far.
    """
    plain: dict[str, Callable[..., Any]] = {name: getattr(os, name) for name in STEPS}
    done: list[str] = []

    def counted(name: str) -> Callable[..., Any]:
        def call(*args: Any, **named: Any) -> Any:
            done.append(name)
            if len(done) == step and name == "write":
                plain["write"](args[0], args[1][: len(args[1]) // 2])
            if len(done) >= step:
                die()
            return plain[name](*args, **named)

        return call

    for name in STEPS:
        setattr(os, name, counted(name))
    try:
        yield done
    finally:
        for name, function in plain.items():
            setattr(os, name, function)


def raise_killed() -> None:
    """Die within this process: what is on the disk is what a kill would leave."""
    raise Killed


def steps_of(root: Path) -> list[str]:
    """Fold the archive at *root* and return what changed the disk, in order."""
    with dying_at(sys.maxsize, raise_killed) as done:
        fold(root, scenario.FOLDED_AT)
    return done


def killed_here(root: Path, step: int) -> None:
    """Fold the archive at *root* until *step*, within this process."""
    try:
        with dying_at(step, raise_killed):
            fold(root, scenario.FOLDED_AT)
    except Killed:
        pass


def killed_in_a_child(root: Path, step: int) -> None:
    """Fold the archive at *root* until *step* in a process of its own, which ends there and then."""
    child = os.fork()
    if child == 0:
        with dying_at(step, lambda: os._exit(9)):
            fold(root, scenario.FOLDED_AT)
        os._exit(0)
    os.waitpid(child, 0)


def unlike(root: Path, expected: dict[str, Any], allowed_leftovers: bool) -> list[str]:
    """Return how the archive at *root* differs from what it held before it was folded."""
    archive = Archive(root, "bench1")
    try:
        found = scenario.everything(archive)
    except FilmtallyError as wrong:
        return [wrong.sentence]
    differ = [f"{name} are not as before" for name in expected if found[name] != expected[name]]
    troubles = [t.sentence for t in archive.check([expected["head"]]) if not (t.harmless and allowed_leftovers)]
    return differ + troubles


def every_step(
    make: Callable[[Path], Archive], kill: Callable[[Path, int], None], segment_rows: int
) -> tuple[int, list[str]]:
    """Kill a fold of the archive that *make* makes at each of its steps, look, fold again, and look again.

    Args:
        make: Makes the archive.
        kill: Folds it until a step.
        segment_rows: So many rows go into one segment, fewer than a month has, so that it is folded into several.

    Returns:
        How many steps there are, and what was found wrong.
    """
    failed: list[str] = []
    with tempfile.TemporaryDirectory() as scratch, patch.object(segments, "SEGMENT_ROWS", segment_rows):
        plain, after, root = Path(scratch) / "plain", Path(scratch) / "after", Path(scratch) / "archive"
        expected = scenario.everything(make(plain))
        shutil.copytree(plain, after)
        steps = steps_of(after)
        wanted = _files(after)
        for step in range(1, len(steps) + 1):
            shutil.copytree(plain, root)
            kill(root, step)
            where = f"step {step} of {len(steps)}, {steps[step - 1]}: "
            failed += [where + wrong for wrong in unlike(root, expected, allowed_leftovers=True)]
            fold(root, scenario.FOLDED_AT)
            failed += [where + "folded again: " + wrong for wrong in unlike(root, expected, allowed_leftovers=False)]
            if _files(root) != wanted:
                failed.append(where + "folded again, the files are not those of a fold that was left alone")
            shutil.rmtree(root)
    return len(steps), failed


def many_kills(times: int, seed: int) -> list[str]:
    """Kill folds one after the other at random steps, with late commits in between, *times* times in all."""
    rng = random.Random(seed)  # noqa: S311 - steps, not secrets; the seed makes a failure repeatable
    failed: list[str] = []
    done = 0
    while done < times:
        with tempfile.TemporaryDirectory() as scratch:
            root = Path(scratch) / "archive"
            archive = scenario.three_months(root)
            for number in range(rng.randrange(2, 6)):
                at = rng.choice((scenario.START - timedelta(days=50), scenario.START - timedelta(days=20)))
                late = scenario.inspection(5000 + number, at, readings=6)
                # A bench with a clock that is off by a month: it commits into one that is over.
                Archive(root, f"late{number}").commit_inspection(late, scenario.readings(late))
                expected = scenario.everything(Archive(root, "bench1"))
                killed_in_a_child(root, rng.randrange(1, 90))
                done += 1
                failed += [f"kill {done}: {wrong}" for wrong in unlike(root, expected, allowed_leftovers=True)]
            fold(root, scenario.FOLDED_AT)
            failed += [f"after kill {done}: {wrong}" for wrong in unlike(root, expected, allowed_leftovers=False)]
            if list((root / "readings").glob("2026-09/*")):
                failed.append(f"after kill {done}: September was not folded whole")
            del archive
    return failed


def campaign(times: int, seed: int = 1) -> dict[str, object]:
    """Kill a fold of two months at every step, then *times* at random with late commits in between.

    Returns:
        name, what, times; steps: how many steps the fold has; failed: what was not as before.
    """
    steps, failed = every_step(scenario.three_months, killed_in_a_child, 12)
    failed += many_kills(times, seed)
    return {
        "name": "a fold killed at every step",
        "what": f"a fold of two months and three tables, some into several segments, ends at each of its {steps} writes, syncs, renames and removals; "
        f"then {times} folds at random steps, with late commits in between",
        "times": steps + times,
        "steps": steps,
        "lost": [],
        "half_visible": [],
        "failed": failed,
    }


def _files(root: Path) -> dict[str, bytes]:
    """Return every file of the archive at *root*, but the locks."""
    return {
        str(path.relative_to(root)): path.read_bytes()
        for path in sorted(root.rglob("*"))
        if path.is_file() and not path.name.startswith(".lock-")
    }


if __name__ == "__main__":
    print(json.dumps(campaign(int(sys.argv[1]) if len(sys.argv) > 1 else 50), indent=1))

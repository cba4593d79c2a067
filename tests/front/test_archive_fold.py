"""`archive fold`: past months are put together, and every command answers as before."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path

from tests.front.shop import FrontDoor

LATER = datetime(2027, 1, 10, 12, 0, tzinfo=UTC)


def test_a_past_month_is_folded_and_every_command_answers_as_before(door: FrontDoor) -> None:
    door.covered_lot()
    nothing = door("archive", "fold")
    assert (nothing.code, nothing.out) == (
        0,
        "nothing to fold: no month that has been over for two days has single files\n",
    )
    asked = (
        ("assess", "L-1"),
        ("history",),
        ("history", "--json"),
        ("archive", "check"),
        ("archive", "check", "--json"),
    )
    before = [door(*words) for words in asked]
    door.now = LATER
    done = door("archive", "fold")
    assert done.code == 0
    assert done.out.startswith("2026-11: folded 3 commits of ")
    assert " bytes before, " in done.out
    assert [door(*words) for words in asked] == before
    assert list((door.folder / "archive").glob("[rgc]*/*/*.parquet")) == []
    assert door("archive", "fold").out.startswith("nothing to fold")
    # The shop goes on.
    assert door.verify_gauge("opening", "2027-01-10T09:00").code == 0
    assert door("archive", "check").code == 0


def test_what_was_folded_is_told_as_json(door: FrontDoor) -> None:
    door.covered_lot()
    door.now = LATER
    done = json.loads(door("archive", "fold", "--json").out)
    (month,) = done["months"]
    assert (month["month"], month["commits"], month["cleared"]) == ("2026-11", 3, 0)
    assert [Path(path).parent.name for path in month["segments"]] == ["gauge_checks", "readings"]
    assert done["left_alone"] == []


def test_a_damaged_file_is_named_and_a_month_that_is_not_over_is_refused(door: FrontDoor) -> None:
    door.covered_lot()
    (path,) = (door.folder / "archive" / "readings").rglob("*.parquet")
    path.write_bytes(path.read_bytes()[:-40])
    refused = door("archive", "fold", "--until", "2026-11")
    assert refused.code == 2
    assert "2026-11 cannot be folded yet" in refused.sentence
    door.now = LATER
    done = door("archive", "fold", "--until", "2026-11")
    assert done.code == 4
    assert f"left alone: {path}: " in done.out
    assert "the readings of 2026-11 were left as they are" in done.out
    assert "2026-11: folded 2 commits" in done.out


def test_a_commit_that_is_missing_is_said_and_the_fold_goes_on(door: FrontDoor) -> None:
    door.covered_lot()
    (path,) = (door.folder / "archive" / "readings").rglob("*.parquet")
    path.unlink()
    door.now = LATER
    done = door("archive", "fold")
    bench = path.name.split("-")[1]
    assert "2026-11: folded 2 commits of " in done.out
    assert (done.code, done.out.splitlines()[-1]) == (
        4,
        f"missing: commit 2 of bench {bench} is missing; run 'filmtally archive check'",
    )
    again = door("archive", "fold", "--json")
    assert (again.code, len(json.loads(again.out)["missing"])) == (4, 1)

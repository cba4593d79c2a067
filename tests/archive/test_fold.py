"""Folding: what the archive answers stays as it was, whatever happens meanwhile, and the next fold finishes."""

from __future__ import annotations

import dataclasses
import errno
import shutil
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest

from archive import fold as folding
from archive import listing, store, stored
from archive.commit import cannot_write
from archive.fold import fold, folding_alone, open_month
from archive.layout import TABLE_FOLDERS
from archive.segments import Segment, names_of, segments
from archive.store import Archive
from bench.kill_fold import every_step, killed_here, steps_of
from schemas.column import Table
from schemas.errors import BadInput, IntegrityFailed
from schemas.readings import READINGS
from tests.archive import scenario

REPOSITORY = Path(__file__).resolve().parents[2]
NOW = scenario.FOLDED_AT


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three months of two benches, in single files; not to be changed."""
    root = tmp_path_factory.mktemp("plain") / "archive"
    scenario.three_months(root)
    return root


@pytest.fixture
def root(plain: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(plain, tmp_path / "archive"))


def one_month(root: Path) -> Archive:
    """Two small inspections of a month that is over."""
    archive = Archive(root, "bench1")
    for number in (1, 2):
        one = scenario.inspection(number, datetime(2026, 10, number, 8, tzinfo=UTC), readings=2)
        archive.commit_inspection(one, scenario.readings(one))
    return archive


def late(root: Path, number: int = 700) -> Path:
    one = scenario.inspection(number, datetime(2026, 9, 20, 8, tzinfo=UTC), readings=3)
    return Archive(root, "late").commit_inspection(one, scenario.readings(one))


def test_a_folded_archive_answers_as_before(root: Path, tmp_path: Path) -> None:
    archive = Archive(root, "bench1")
    before = scenario.everything(archive)
    archive.export("readings", tmp_path / "before.parquet")
    done = fold(root, NOW)
    assert [month.month for month in done.months] == ["2026-09", "2026-10"]
    assert [(month.commits, month.rows) for month in done.months] == [(5, 21), (6, 27)]
    assert all(month.bytes_after < month.bytes_before for month in done.months)
    assert done.left_alone == ()
    assert [p.parent.name for p in root.rglob("2*-r*.parquet")].count("2026-11") == len(
        list(root.rglob("2*-r*.parquet"))
    )
    # The one that was open meanwhile, and one opened anew.
    for reader in (archive, Archive(root, "bench1")):
        assert scenario.everything(reader) == before
        assert reader.check([before["head"]]) == []
        assert reader.unlike_head(before["head"], "the paper") is None
    Archive(root, "bench1").export("readings", tmp_path / "after.parquet")
    assert pq.read_table(tmp_path / "before.parquet") == pq.read_table(tmp_path / "after.parquet")
    assert fold(root, NOW) == folding.Fold((), (), 0)


def test_a_look_up_reads_only_the_row_groups_that_hold_it(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    fold(root, NOW)
    asked: list[list[int]] = []
    plain = pq.ParquetFile.read_row_groups

    def read_row_groups(self: pq.ParquetFile, groups: list[int], *args: Any, **named: Any) -> object:
        asked.append(groups)
        return plain(self, groups, *args, **named)

    monkeypatch.setattr(pq.ParquetFile, "read_row_groups", read_row_groups)
    archive = Archive(root, "bench1")
    one = next(i for i in archive.inspections() if i.sealed_at.month == 9)
    assert archive.readings(one.inspection_id).num_rows == 6
    assert asked == [[0]]


def test_a_bench_goes_on_where_its_folded_commits_end(root: Path) -> None:
    fold(root, datetime(2027, 1, 20, tzinfo=UTC))
    assert list(root.rglob("2*-r*.parquet")) == []
    archive = Archive(root, "bench1")
    last = max(
        (i for i in archive.inspections() if i.inspection_id.startswith("202611")), key=lambda i: i.inspection_id
    )
    with pytest.raises(BadInput, match="revision 1 is in the archive already; a correction is revision 2"):
        archive.commit_inspection(last, scenario.readings(last))
    later = dataclasses.replace(scenario.correction(last), sealed_at=datetime(2027, 1, 21, tzinfo=UTC))
    archive.commit_inspection(later, scenario.readings(later))
    checks = scenario.verification("20261003-060000-0001", datetime(2027, 1, 21, tzinfo=UTC))
    with pytest.raises(BadInput, match="is in the archive already"):
        archive.commit_checks(checks, datetime(2027, 1, 21, tzinfo=UTC))
    assert '"seq":13' in archive.head()
    assert archive.check() == []
    assert archive.inspection(last.inspection_id) == later
    assert archive.inspection(last.inspection_id, 1) == last


def test_a_month_is_folded_two_days_after_its_end_and_not_before(root: Path) -> None:
    assert open_month(datetime(2026, 10, 2, 23, 59, tzinfo=UTC)) == "2026-09"
    assert open_month(datetime(2026, 10, 3, tzinfo=UTC)) == "2026-10"
    assert fold(root, datetime(2026, 10, 2, 23, 59, tzinfo=UTC)).months == ()
    assert [m.month for m in fold(root, NOW, until="2026-09").months] == ["2026-09"]
    with pytest.raises(BadInput, match="2026-11 cannot be folded yet"):
        fold(root, NOW, until="2026-11")
    with pytest.raises(BadInput, match="'autumn' is no month"):
        fold(root, NOW, until="autumn")


def test_what_comes_late_is_folded_into_a_further_segment(root: Path) -> None:
    fold(root, NOW)
    first = segments(root, "readings")
    bytes_before = {path: path.read_bytes() for one in first for path in one.paths}
    path = late(root)
    before = scenario.everything(Archive(root, "bench1"))
    done = fold(root, NOW)
    assert [(m.month, m.commits, m.cleared) for m in done.months] == [("2026-09", 1, 0)]
    assert not path.exists()
    assert len(segments(root, "readings")) == len(first) + 1
    assert {path: path.read_bytes() for path in bytes_before} == bytes_before
    assert scenario.everything(Archive(root, "bench1")) == before
    assert Archive(root, "bench1").check() == []


def test_two_benches_that_hold_the_same_revision_are_folded_apart_and_still_a_fork(tmp_path: Path, root: Path) -> None:
    other = Path(shutil.copytree(root, tmp_path / "other"))
    path = late(root)
    one = scenario.inspection(700, datetime(2026, 9, 20, 8, tzinfo=UTC), readings=3)
    twin = Archive(other, "twin").commit_inspection(one, scenario.readings(one))
    shutil.copy(twin, path.parent)
    assert fold(root, NOW).left_alone == ()
    assert [one.month for one in segments(root, "readings")].count("2026-09") == 2
    assert [t.kind for t in Archive(root, "bench1").check()] == ["fork"]
    with pytest.raises(IntegrityFailed, match="both hold revision 1 of"):
        Archive(root, "bench1").inspection(one.inspection_id)


def test_a_damaged_file_leaves_its_month_alone_and_the_others_go_on(root: Path) -> None:
    damaged = min((root / "readings" / "2026-09").iterdir())
    whole = damaged.read_bytes()
    damaged.write_bytes(whole[:200] + bytes([whole[200] ^ 255]) + whole[201:])
    (left,) = (done := fold(root, NOW)).left_alone
    assert left.path == damaged
    assert str(damaged) in left.sentence
    assert "the readings of 2026-09 were left as they are" in left.sentence
    assert len(list((root / "readings" / "2026-09").iterdir())) == 3
    assert [m.month for m in done.months] == ["2026-09", "2026-10"]  # September's checks and certificate, October whole
    damaged.write_bytes(whole)
    assert fold(root, NOW).left_alone == ()
    assert Archive(root, "bench1").check() == []


def test_a_single_file_that_differs_from_its_folded_form_is_named_and_never_removed(plain: Path, root: Path) -> None:
    fold(root, NOW)
    name = min((plain / "readings" / "2026-09").iterdir()).name
    other = max((plain / "readings" / "2026-09").iterdir())
    single = root / "readings" / "2026-09" / name
    single.parent.mkdir()
    shutil.copy(other, single)
    (left,) = fold(root, NOW).left_alone
    assert left.path == single
    assert "is folded already" in left.sentence
    assert "the two differ" in left.sentence
    (trouble,) = Archive(root, "bench1").check()
    assert (trouble.kind, trouble.path) == ("changed", single)
    assert "say different things" in trouble.sentence
    shutil.copy(plain / "readings" / "2026-09" / name, single)
    (trouble,) = Archive(root, "bench1").check()
    assert (trouble.kind, trouble.path) == ("leftover", single)
    assert [(m.commits, m.cleared) for m in fold(root, NOW).months] == [(0, 1)]
    assert not single.exists()


def test_what_is_read_back_otherwise_than_it_was_written_is_not_published(
    root: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = scenario.everything(Archive(root, "bench1"))
    monkeypatch.setattr(folding, "contents_sha256", lambda _, spans: ["0" * 64] * len(spans))
    done = fold(root, NOW)
    assert len(done.left_alone) == 6
    assert "read back, " in done.left_alone[0].sentence
    assert segments(root, "readings") == []
    monkeypatch.undo()
    assert scenario.everything(Archive(root, "bench1")) == before
    assert len(fold(root, NOW).months) == 2


def test_files_without_a_manifest_are_cleared_only_where_all_stands_elsewhere(root: Path) -> None:
    fold(root, NOW)
    segment = segments(root, "readings")[0]
    manifest = segment.manifest_path.read_bytes()
    segment.manifest_path.unlink()
    (left,) = fold(root, NOW).left_alone
    assert left.path == segment.manifest_path
    assert "3 commits of readings can no longer be shown" in left.sentence
    troubles = Archive(root, "bench1").check()
    assert ("missing", segment.manifest_path) in [(t.kind, t.path) for t in troubles]
    segment.manifest_path.write_bytes(manifest)
    bare = [path.with_name(path.name.replace(segment.id, "0" * 16)) for path in segment.paths[:2]]
    for path, copy in zip(segment.paths, bare, strict=False):
        shutil.copy(path, copy)
    half = segment.rows_path.with_name(".writing-2026-09-x")
    half.write_bytes(b"PAR")
    troubles = Archive(root, "bench1").check()
    assert {("leftover", path) for path in (*bare, half)} == {(t.kind, t.path) for t in troubles}
    assert fold(root, NOW).cleared == 3
    assert Archive(root, "bench1").check() == []


def test_one_folds_at_a_time_and_no_bench_waits_for_it(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(folding, "_LOCK_SECONDS", 0.05)
    with folding_alone(root):
        with pytest.raises(BadInput, match="another program has been folding or removing"):
            fold(root, NOW)
        late(root)


def test_a_fold_that_stops_tells_what_was_folded_before(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    before = scenario.everything(Archive(root, "bench1"))
    real = folding.write_segment

    def refused(where: Path, contract: Table, month: str, *more: Any) -> Segment:
        if month == "2026-10":
            raise cannot_write(where, PermissionError(errno.EACCES, "Permission denied"))
        return real(where, contract, month, *more)

    with monkeypatch.context() as patched:
        patched.setattr(folding, "write_segment", refused)
        with pytest.raises(BadInput) as stopped:
            fold(root, NOW)
        done = sum(len(names_of(segment)) for table in TABLE_FOLDERS for segment in segments(root, table))
        assert done > 0
        assert stopped.value.sentence.startswith(
            f"folded these commits: {done} of 2026-09; then stopped: {root}: the archive cannot be written to (Permission denied)"
        )
        with pytest.raises(BadInput) as stopped:
            fold(root, NOW)
        assert stopped.value.sentence.startswith(f"{root}: the archive cannot be written to"), (
            "nothing was folded before"
        )
    assert [month.commits for month in fold(root, NOW).months] == [5 - done, 6]
    assert scenario.everything(Archive(root, "bench1")) == before


def test_what_a_fold_may_not_clear_away_is_a_sentence(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    fold(root, NOW)
    half = segments(root, "readings")[0].rows_path.with_name(".writing-2026-09-x")
    half.write_bytes(b"PAR")

    def refused(self: Path, missing_ok: bool = False) -> None:
        raise PermissionError(errno.EACCES, "Permission denied")

    monkeypatch.setattr(Path, "unlink", refused)
    with pytest.raises(BadInput, match=r"the archive cannot be written to \(Permission denied\)"):
        fold(root, NOW)


def test_an_archive_that_does_not_exist_has_nothing_to_fold(tmp_path: Path) -> None:
    assert fold(tmp_path / "nothing", NOW) == folding.Fold((), (), 0)
    assert not (tmp_path / "nothing").exists()


def test_a_commit_that_is_folded_between_listing_and_reading_is_read_from_its_segment(root: Path) -> None:
    listed = [one for one in listing.commits(root, "readings") if one.name.month == "2026-09"]
    expected = [stored.rows(READINGS, one) for one in listed]
    fold(root, NOW)
    assert [stored.record(one).key for one in listed] == [one.name.key for one in listed]
    assert [stored.rows(READINGS, one) for one in listed] == expected
    assert list(stored.every_rows(READINGS, listed)) == expected


def test_a_fold_between_the_checks_looks_is_no_finding(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """At every second of the check's listings of single files, everything is folded right after it."""
    plain = listing.singles
    for turn in range(0, 6, 2):
        copy = Path(shutil.copytree(root, root.with_name(f"copy{turn}")))
        calls = iter(range(100))

        def singles(
            where: Path, table: str, from_month: str = "", calls: object = calls, turn: int = turn
        ) -> list[listing.Stored]:
            found = plain(where, table, from_month)
            if next(calls) == turn:  # type: ignore[call-overload]  # an iterator, kept by this turn's function
                monkeypatch.setattr(listing, "singles", plain)
                fold(where, NOW)
                monkeypatch.setattr(listing, "singles", singles)
            return found

        monkeypatch.setattr(listing, "singles", singles)
        assert Archive(copy, "bench1").check() == []
        monkeypatch.undo()
        assert segments(copy, "readings") != []


def test_a_fold_killed_at_any_step_is_before_or_after_and_the_next_one_finishes() -> None:
    """The long form, of three tables and two months, is in `make campaign`."""
    steps, failed = every_step(one_month, killed_here, segment_rows=2)  # a segment for each of the two
    assert failed == []
    assert steps > 30


def test_every_change_of_the_disk_is_a_step_that_can_be_killed(tmp_path: Path) -> None:
    """Three files renamed into place, and single files removed only after the last of them; a kill in between is finished."""
    one_month(tmp_path / "archive")
    steps = steps_of(tmp_path / "archive")
    assert steps.count("replace") == 3
    assert steps.count("unlink") == 2
    assert steps.index("unlink") > len(steps) - 1 - steps[::-1].index("replace")
    one_month(tmp_path / "other")
    killed_here(tmp_path / "other", len(steps) - 3)
    assert [(m.commits, m.cleared) for m in fold(tmp_path / "other", NOW).months] == [(0, 2)]


_WRITER = """
import sys
from datetime import timedelta
from pathlib import Path
from typing import Any
from archive.store import Archive
from tests.archive import scenario
root, bench, first = Path(sys.argv[1]), sys.argv[2], int(sys.argv[3])
archive = Archive(root, bench)
for number in range(first, first + 25):
    # Half of it into months that are over: a clock that is off, and the fold has something to do.
    at = scenario.START - timedelta(days=60 - number % 2 * 60)
    one = scenario.inspection(number, at, readings=2)
    archive.commit_inspection(one, scenario.readings(one))
    print(one.inspection_id, flush=True)
"""


def test_fold_and_check_beside_two_benches_lose_nothing_and_find_nothing(tmp_path: Path) -> None:
    root = tmp_path / "archive"
    root.mkdir()
    command = [sys.executable, "-c", _WRITER, str(root)]
    writers = [
        subprocess.Popen([*command, bench, first], cwd=REPOSITORY, stdout=subprocess.PIPE, text=True)
        for bench, first in (("bench1", "1000"), ("bench2", "2000"))
    ]
    folded = found = 0
    troubles: list[str] = []
    while any(writer.poll() is None for writer in writers):
        done = fold(root, NOW)
        folded += sum(month.commits for month in done.months)
        troubles += [one.sentence for one in done.left_alone]
        troubles += [t.sentence for t in Archive(root, "reader").check() if not t.harmless]
        seen = [one.inspection_id for one in Archive(root, "reader").inspections(all_revisions=True)]
        assert len(seen) == len(set(seen))
        assert len(seen) >= found
        found = len(seen)
    acknowledged = [line.strip() for writer in writers if writer.stdout is not None for line in writer.stdout]
    for writer in writers:
        writer.communicate()
        assert writer.returncode == 0
    folded += sum(month.commits for month in fold(root, NOW).months)
    assert troubles == []
    archive = Archive(root, "reader")
    assert len(acknowledged) == 50
    assert sorted(acknowledged) == sorted(one.inspection_id for one in archive.inspections())
    assert all(archive.readings(identity).num_rows == 2 for identity in acknowledged)
    assert folded > 0
    assert archive.check() == []


def test_a_month_folder_that_a_fold_takes_away_is_made_again_by_a_commit(
    root: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    archive = Archive(root, "bench9")
    late = scenario.inspection(999, datetime(2026, 9, 20, 9, tzinfo=UTC))
    plain = store.write_once

    def folded_just_before(path: Path, content: bytes | memoryview) -> None:
        monkeypatch.setattr(store, "write_once", plain)
        fold(root, NOW)
        assert not path.parent.exists()
        plain(path, content)

    monkeypatch.setattr(store, "write_once", folded_just_before)
    archive.commit_inspection(late, scenario.readings(late))
    assert archive.inspection(late.inspection_id) == late
    assert archive.check() == []

from __future__ import annotations

import errno
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import pytest
from filelock import FileLock

from archive import commit, store
from archive.store import Archive
from bench.kill_commit import campaign
from schemas.errors import BadInput
from tests.archive import scenario

REPOSITORY = Path(__file__).resolve().parents[2]


def commit_one(archive: Archive, number: int) -> None:
    one = scenario.inspection(number, readings=6)
    archive.commit_inspection(one, scenario.readings(one))


def files(root: Path) -> list[str]:
    return sorted(path.name for path in root.rglob("*") if path.is_file() and not path.name.startswith(".lock"))


def test_a_kill_at_any_moment_loses_nothing_that_was_acknowledged() -> None:
    found = campaign(10)
    assert found["lost"] == []
    assert found["half_visible"] == []
    assert found["failed"] == []
    assert int(str(found["acknowledged"])) > 0


@pytest.mark.parametrize(
    ("code", "sentence"),
    [
        (errno.ENOSPC, "the disk is full; nothing was changed; free some space and repeat"),
        (errno.EROFS, "the archive cannot be written to"),
        (errno.EACCES, "the archive cannot be written to"),
        (errno.EIO, "could not be written .*; nothing was changed"),
    ],
)
@pytest.mark.parametrize("call", ["write", "fsync", "replace"])
def test_a_disk_that_refuses_leaves_the_archive_as_it_was(
    archive: Archive, monkeypatch: pytest.MonkeyPatch, call: str, code: int, sentence: str
) -> None:
    commit_one(archive, 1)
    before = files(archive.root)

    def refuse(*_: object) -> None:
        raise OSError(code, os.strerror(code))

    monkeypatch.setattr(commit.os, call, refuse)
    with pytest.raises(BadInput, match=sentence):
        commit_one(archive, 2)
    monkeypatch.undo()
    assert before == files(archive.root)
    commit_one(archive, 2)
    assert archive.check() == []


def test_a_write_that_takes_a_part_at_a_time_is_carried_on(archive: Archive, monkeypatch: pytest.MonkeyPatch) -> None:
    plain = os.write
    monkeypatch.setattr(commit.os, "write", lambda handle, data: plain(handle, data[:1000]))
    commit_one(archive, 1)
    monkeypatch.undo()
    assert archive.check() == []


@pytest.mark.skipif(os.name == "nt", reason="Windows has no syncing of folders")
def test_a_folder_that_cannot_be_synced_is_told_and_the_file_is_not_taken_back(
    archive: Archive, monkeypatch: pytest.MonkeyPatch
) -> None:
    commit_one(archive, 1)

    def refuse(_: Path) -> None:
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    monkeypatch.setattr(commit, "sync_folder", refuse)
    with pytest.raises(BadInput, match="is in place, but the disk did not confirm"):
        commit_one(archive, 2)
    assert len(archive.inspections()) == 2


def test_the_file_is_synced_before_its_name_appears_and_the_folder_after(
    archive: Archive, monkeypatch: pytest.MonkeyPatch
) -> None:
    commit_one(archive, 1)
    calls: list[str] = []
    sync, replace = os.fsync, os.replace
    monkeypatch.setattr(commit.os, "fsync", lambda handle: (calls.append("fsync"), sync(handle))[1])
    monkeypatch.setattr(commit.os, "replace", lambda *a: (calls.append("replace"), replace(*a))[1])
    commit_one(archive, 2)
    assert (["fsync", "replace"] if os.name == "nt" else ["fsync", "replace", "fsync"]) == calls


def test_a_name_that_is_taken_is_never_overwritten(tmp_path: Path) -> None:
    taken = tmp_path / "a.parquet"
    taken.write_bytes(b"first")
    with pytest.raises(BadInput, match="nothing in the archive is overwritten"):
        commit.write_once(taken, b"second")
    assert taken.read_bytes() == b"first"


def test_what_a_killed_commit_left_is_named_and_harmless(archive: Archive) -> None:
    commit_one(archive, 1)
    whole = next(archive.root.rglob("*.parquet"))
    (whole.parent / f".writing-{whole.name}").write_bytes(whole.read_bytes()[:500])
    (trouble,) = archive.check()
    assert trouble.kind == "leftover"
    assert trouble.harmless
    assert len(archive.inspections()) == 1
    commit_one(archive, 2)


def test_a_commit_waits_for_its_own_bench_alone(archive: Archive, monkeypatch: pytest.MonkeyPatch) -> None:
    commit_one(archive, 1)
    monkeypatch.setattr(store, "_LOCK_SECONDS", 0.1)
    with FileLock(archive.root / ".lock-bench1"):
        with pytest.raises(BadInput, match="another program has been committing as bench 'bench1'"):
            commit_one(archive, 2)
        commit_one(Archive(archive.root, "bench2"), 2)
    commit_one(archive, 3)


def test_two_benches_and_two_processes_of_one_bench_commit_at_once(archive: Archive) -> None:
    script = """
import sys
from pathlib import Path
from archive.store import Archive
from tests.archive import scenario
archive = Archive(Path(sys.argv[1]), sys.argv[2])
for number in range(int(sys.argv[3]), int(sys.argv[3]) + 15):
    one = scenario.inspection(number, readings=6)
    archive.commit_inspection(one, scenario.readings(one))
"""
    with ExitStack() as running:
        started = [
            running.enter_context(
                subprocess.Popen([sys.executable, "-c", script, str(archive.root), bench, first], cwd=REPOSITORY)
            )
            for bench, first in (("bench1", "0"), ("bench1", "100"), ("bench2", "200"))
        ]
        # Reading beside them sees whole commits only; one that is being written looks like a leftover.
        while any(process.poll() is None for process in started):
            assert [trouble for trouble in archive.check() if not trouble.harmless] == []
            archive.head()
    assert [process.returncode for process in started] == [0, 0, 0]
    assert len(archive.inspections()) == 45
    assert archive.check() == []


@pytest.mark.skipif(os.name == "nt", reason="Windows guards folders by other means")
def test_an_archive_that_may_only_be_read_is_read_and_not_written() -> None:
    folder = Path(tempfile.mkdtemp())
    archive = Archive(folder / "archive", "bench1")
    try:
        commit_one(archive, 1)
        for path in [*folder.rglob("*"), folder]:
            path.chmod(0o555 if path.is_dir() else 0o444)
        with nobody():
            one = archive.inspections()[0]
            assert archive.readings(one.inspection_id).num_rows == 6
            assert archive.check() == []
            with pytest.raises(BadInput, match=r"the archive cannot be written to .*nothing was changed"):
                commit_one(archive, 2)
    finally:
        for path in [folder, *folder.rglob("*")]:
            path.chmod(0o755)
        shutil.rmtree(folder)


@pytest.mark.skipif(os.name == "nt", reason="Windows guards folders by other means")
def test_a_folder_that_may_not_be_read_is_not_taken_for_an_empty_one() -> None:
    folder = Path(tempfile.mkdtemp())
    archive = Archive(folder / "archive", "bench1")
    try:
        commit_one(archive, 1)
        folder.chmod(0o755)
        (archive.root / "readings").chmod(0o000)
        with nobody(), pytest.raises(BadInput, match="may not be read; ask whoever owns it"):
            archive.inspections()
        with nobody(), pytest.raises(BadInput, match="may not be read; ask whoever owns it"):
            archive.check()
    finally:
        (archive.root / "readings").chmod(0o755)
        shutil.rmtree(folder)


@contextmanager
def nobody() -> Iterator[None]:
    """Give up root's right to read and write anything, for a while."""
    if os.geteuid() != 0:
        yield
        return
    os.seteuid(65534)
    try:
        yield
    finally:
        os.seteuid(0)

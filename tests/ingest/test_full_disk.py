"""A disk that is full, or fails: one sentence, nothing acknowledged is lost, nothing is shown that is not there, and it goes on."""

from __future__ import annotations

import errno
import os
import resource
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from archive.shop_folder import ShopFolder
from bench.live_process import Measuring
from ingest import journal
from ingest.capture_state import Act, MessageKind
from ingest.journal import CannotWrite, Journal
from ingest.open_inspection import open_ids
from schemas.errors import IntegrityFailed
from tests.front.shop import sample_shop
from tests.ingest.live_bench import Bench, shown_of, state
from tests.live.pty_gauge import PtyGauge


def _record(number: int) -> dict[str, object]:
    return {"kind": "item", "at": "t", "n": number}


class _Failing:
    """One system call that fails until it is told not to."""

    def __init__(self, patch: pytest.MonkeyPatch, name: str, error: int) -> None:
        self.fails = True
        self._real = getattr(os, name)
        self._error = error
        patch.setattr(os, name, self)

    def __call__(self, *args: object) -> object:
        if self.fails:
            raise OSError(self._error, os.strerror(self._error))
        return self._real(*args)


@pytest.mark.parametrize("error", [errno.EIO, errno.ENOSPC, errno.EROFS, errno.EDQUOT, errno.EFBIG])
@pytest.mark.parametrize("call", ["write", "fsync"])
def test_after_a_failed_write_or_sync_what_was_acknowledged_is_there_once_and_it_goes_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, call: str, error: int
) -> None:
    path = tmp_path / "a.journal"
    with Journal(path) as open_journal:
        open_journal.append(_record(1))
        failing = _Failing(monkeypatch, call, error)
        for _ in range(2):
            with pytest.raises(CannotWrite) as said:
                open_journal.append(_record(2), _record(3))
        assert said.value.full == (error in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG))
        failing.fails = False
        open_journal.append(_record(2), _record(3))
        open_journal.append(_record(4))
    assert [record["n"] for record in journal.read(path).records] == [1, 2, 3, 4]


def test_a_tail_that_could_not_be_cut_off_is_cut_off_before_the_next_record(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "a.journal"
    with Journal(path) as open_journal:
        open_journal.append(_record(1))
        failing = [_Failing(monkeypatch, name, errno.EIO) for name in ("fsync", "ftruncate")]
        with pytest.raises(CannotWrite):
            open_journal.append(_record(2))
        assert len(journal.read(path).records) == 2  # written, not acknowledged
        for one in failing:
            one.fails = False
        open_journal.append(_record(3))
    assert [record["n"] for record in journal.read(path).records] == [1, 3]


def test_a_journal_that_lost_what_was_acknowledged_is_not_written_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "a.journal"
    with Journal(path) as open_journal:
        open_journal.append(_record(1))
        failing = _Failing(monkeypatch, "fsync", errno.EIO)
        with pytest.raises(CannotWrite):
            open_journal.append(_record(2))
        failing.fails = False
        path.write_bytes(path.read_bytes()[:10])  # as a disk does that loses pages
        with pytest.raises(IntegrityFailed, match="is no longer what was written to it"):
            open_journal.append(_record(2))


def test_the_reading_in_hand_is_kept_tried_again_and_never_shown_before_it_is_on_disk(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench = Bench(tmp_path)
    with bench.begin() as inspection:
        capture = bench.capture(inspection)
        capture.items(bench.items("3.1"))
        failing = _Failing(monkeypatch, "fsync", errno.ENOSPC)
        capture.items(bench.items("3.2"))
        capture.items(bench.items("3.3"))
        shown = capture.shown()
        assert shown.counted == 1
        assert shown.stopped is not None
        assert (
            "the disk is full, so nothing more is taken; what is shown as taken is on disk. Make room" in shown.stopped
        )
        assert shown.message is not None
        assert shown.message.kind is MessageKind.STOPPED
        assert not capture.act(Act.UNDO)
        assert not capture.retry()
        failing.fails = False
        assert capture.act(Act.NOTE, "room again")
        assert shown_of(inspection.taking.readings) == ["3.1", "3.2", "3.3"]
        assert all(reading.counted for reading in inspection.taking.readings)
        assert capture.shown().stopped is None
        before = state(inspection)
    with bench.again() as inspection:
        assert before == state(inspection)


def test_an_act_that_could_not_be_written_is_not_done_and_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench = Bench(tmp_path)
    with bench.begin() as inspection:
        capture = bench.capture(inspection)
        capture.items(bench.items("3.1"))
        failing = _Failing(monkeypatch, "write", errno.ENOSPC)
        assert not capture.act(Act.UNDO)
        assert capture.stopped is not None
        assert "undo was not done, do it again then" in capture.stopped
        assert inspection.taking.readings[0].counted
        failing.fails = False
        assert capture.act(Act.UNDO)
        assert not inspection.taking.readings[0].counted


def _take_until_full(measuring: Measuring, gauge: PtyGauge) -> int:
    """Let the gauge write until the program says that it has stopped; return how many readings it wrote."""
    measuring.wait_until_up()
    for number in range(1, 41):
        gauge.write([_figures(number)])
        if not _is_taken(measuring, number):
            return number
    raise AssertionError("it never stopped")


def _figures(number: int) -> bytes:
    return b"3.%02d" % number


def _is_taken(measuring: Measuring, number: int) -> bool:
    while True:
        line = measuring.wait_for("")
        if "STOPPED" in line:
            return False
        if f"taken {number}:" in line:
            return True


def _goes_on(measuring: Measuring, gauge: PtyGauge, sent: int) -> None:
    measuring.wait_for("there is room again")
    gauge.write([_figures(n) for n in range(sent + 3, 41)])
    assert measuring.wait_for_taken(40)
    assert measuring.taken() == {n: _figures(n).decode() for n in range(1, 41)}
    measuring.end_input()
    assert measuring.ended() == 0, measuring.lines


#: Starts a program whose files may not grow beyond 12,000 bytes, until its parent says otherwise.
_LIMITED = (
    sys.executable,
    "-c",
    "import os, resource as r, sys; r.setrlimit(r.RLIMIT_FSIZE, (12000, r.RLIM_INFINITY)); os.execv(sys.argv[1], sys.argv[1:])",
)
_WORDS = ("measure", "gate-leaf", "--lot", "F", "--inspector", "mk", "--gauge", "FB-07", "--pieces", "2")


def test_a_process_whose_file_may_not_grow_stops_with_one_sentence_and_goes_on_after_room_is_made(
    tmp_path: Path,
) -> None:
    shop = sample_shop(tmp_path / "shop")
    with (
        PtyGauge(tmp_path) as gauge,
        Measuring(shop, *_WORDS, "--link", gauge.address, prefix=_LIMITED) as measuring,
    ):
        sent = _take_until_full(measuring, gauge)
        assert sent > 1
        gauge.write([_figures(sent + 1), _figures(sent + 2)])
        assert len([line for line in measuring.lines if "STOPPED" in line]) == 1
        resource.prlimit(measuring.child.pid, resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
        _goes_on(measuring, gauge, sent)
    assert open_ids(ShopFolder(shop)) == []


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of 64 KiB; only root can mount one."""
    where = tmp_path / "disk"
    where.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=64k", "tmpfs", str(where)], capture_output=True, text=True, check=False
    )
    if mounted.returncode != 0:
        pytest.skip(f"run as root where file systems can be mounted: {mounted.stderr.strip()}")
    try:
        yield where
    finally:
        subprocess.run(["umount", "--lazy", str(where)], check=True)


def test_a_disk_that_fills_up_stops_with_one_sentence_and_it_goes_on_after_room_is_made(
    tmp_path: Path, small_disk: Path
) -> None:
    shop = sample_shop(tmp_path / "shop")
    (shop / "journals").symlink_to(small_disk, target_is_directory=True)
    filler = small_disk / "filler"
    filler.write_bytes(b"x" * 52_000)
    with PtyGauge(tmp_path) as gauge, Measuring(shop, *_WORDS, "--link", gauge.address) as measuring:
        sent = _take_until_full(measuring, gauge)
        gauge.write([_figures(sent + 1), _figures(sent + 2)])
        filler.unlink()
        _goes_on(measuring, gauge, sent)
    assert open_ids(ShopFolder(shop)) == []

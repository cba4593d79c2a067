"""The journal: acknowledged means on disk; a torn tail is kept apart, damage elsewhere is refused."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest

from bench.kill_capture import campaign
from ingest import journal
from ingest.journal import Journal
from schemas.errors import BadInput, IntegrityFailed


def _written(path: Path, count: int = 3) -> list[dict[str, object]]:
    records: list[dict[str, object]] = [{"kind": "line", "at": "t", "n": n, "text": "µ\n"} for n in range(count)]
    with Journal(path) as open_journal:
        for record in records:
            open_journal.append(record)
    return records


def test_what_was_appended_is_read(tmp_path: Path) -> None:
    records = _written(tmp_path / "a.journal")
    assert tuple(records) == journal.read(tmp_path / "a.journal").records


def test_every_prefix_of_a_journal_gives_the_whole_records_and_the_torn_tail(tmp_path: Path) -> None:
    path = tmp_path / "a.journal"
    records = _written(path)
    data = path.read_bytes()
    for length in range(len(data) + 1):
        path.write_bytes(data[:length])
        content = journal.read(path)
        whole = data[:length].count(b"\n")
        assert tuple(records[:whole]) == content.records
        assert data[content.sound_bytes : length] == content.torn


def test_a_torn_tail_is_cut_off_on_opening_so_that_the_next_record_is_whole(tmp_path: Path) -> None:
    path = tmp_path / "a.journal"
    records = _written(path)
    path.write_bytes(path.read_bytes()[:-5])
    with Journal(path) as open_journal:
        assert open_journal.content.torn
        open_journal.append({"kind": "line", "at": "t", "n": 9})
    assert (*records[:2], {"kind": "line", "at": "t", "n": 9}) == journal.read(path).records


def test_a_changed_byte_before_the_last_record_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.journal"
    _written(path)
    data = bytearray(path.read_bytes())
    data[15] ^= 1
    path.write_bytes(bytes(data))
    with pytest.raises(IntegrityFailed, match="line 1 is damaged"):
        journal.read(path)


def test_two_processes_never_hold_one_journal(tmp_path: Path) -> None:
    with Journal(tmp_path / "a.journal"), pytest.raises(BadInput, match="another filmtally is taking this inspection"):
        Journal(tmp_path / "a.journal")


def test_a_full_disk_takes_nothing_half_and_says_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "a.journal"
    records = _written(path)
    with Journal(path) as open_journal:
        real = os.write
        calls = 0

        def full(file: int, data: bytes) -> int:
            nonlocal calls
            calls += 1
            if calls > 1:
                raise OSError(errno.ENOSPC, "No space left on device")
            return real(file, bytes(data)[:7])

        monkeypatch.setattr(os, "write", full)
        with pytest.raises(BadInput, match="the disk is full; this reading is not taken"):
            open_journal.append({"kind": "line", "at": "t"})
        monkeypatch.undo()
        open_journal.append({"kind": "line", "at": "u"})
    assert (*records, {"kind": "line", "at": "u"}) == journal.read(path).records


def test_a_kill_at_any_moment_loses_no_acknowledged_reading() -> None:
    """Short form of `make campaign`: kill -9 at random moments of a journalled capture."""
    result = campaign(times=6, seed=3)
    assert (result["lost"], result["half_visible"], result["failed"]) == (0, 0, 0)
    assert result["times"] == 6
    assert result["acknowledged"] > 0

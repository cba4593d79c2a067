"""`archive check` looks at what inspections were sealed from: the kept captures and the sealed journals."""

from __future__ import annotations

import io
import json
import os
import shutil
import sys
import zlib
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest

from tests.front.shop import FrontDoor

REST = ("--measured-at", "2026-11-03T10:05")


def _found(door: FrontDoor) -> list[tuple[str, str]]:
    answer = door("archive", "check", "--json")
    assert answer.err == ""
    found = json.loads(answer.out)
    assert answer.code == (4 if found else 0), answer
    return [(Path(one["path"]).name, one["kind"]) for one in found]


def _only(folder: Path, pattern: str) -> Path:
    (path,) = folder.rglob(pattern)
    return path


def _typed(door: FrontDoor, monkeypatch: pytest.MonkeyPatch, lot: str = "L-1") -> Path:
    """Seal a typed lot and return its journal."""
    monkeypatch.setattr(sys, "stdin", io.StringIO("88.0\n" * 4 + "nonsense\n@undo\n88.5\n" + "32.0\n" * 4))
    words = ("measure", "hinge", "--lot", lot, "--inspector", "mk", "--gauge", "FB-11", "--profile", "typed")
    before = set((door.folder / "journals").rglob("*.journal"))
    door(*words)
    (path,) = set((door.folder / "journals" / "sealed").glob("*.journal")) - before
    return path


def _rewritten(path: Path, change: Callable[[bytes], bytes]) -> None:
    """Change each record of a journal, with its checksum, as somebody would who knows how it is written."""
    bodies = [change(line[9:]) for line in path.read_bytes().splitlines()]
    path.write_bytes(b"".join(b"%08x %s\n" % (zlib.crc32(body), body) for body in bodies))


def test_a_capture_that_was_changed_or_is_gone_is_named_with_its_inspection(door: FrontDoor) -> None:
    inspection = door.covered_lot()
    assert _found(door) == []
    capture = _only(door.folder / "captures", "*.capture")
    whole = capture.read_bytes()
    capture.write_bytes(whole.replace(b"88.0", b"89.0", 1))
    assert _found(door) == [(capture.name, "changed")]
    said = f"this capture of inspection {inspection} is not what it was when it was taken; restore it from a copy"
    assert said in door("archive", "check").out
    capture.unlink()
    assert _found(door) == [(capture.name, "missing")]
    said = f"this capture of inspection {inspection} is not there; restore it from a copy"
    assert said in door("archive", "check").out
    os.mkfifo(capture)
    assert _found(door) == [(capture.name, "changed")]
    capture.unlink()
    capture.write_bytes(whole)
    assert _found(door) == []


def test_a_journal_that_is_gone_is_named(door: FrontDoor) -> None:
    inspection = door.covered_lot()
    journal = _only(door.folder / "journals", "*.journal")
    journal.unlink()
    assert _found(door) == [(journal.name, "missing")]
    assert f"inspection {inspection} was sealed from this journal" in door("archive", "check").out


def test_an_archive_without_any_journal_is_one_sentence(door: FrontDoor) -> None:
    for lot in ("L-1", "L-2"):
        door.covered_lot(lot=lot, build="88.0 um" if lot == "L-1" else "89.0 um")
    shutil.rmtree(door.folder / "journals")
    shutil.rmtree(door.folder / "captures")
    assert _found(door) == [("sealed", "missing")]
    assert "holds no journal at all, and 2 inspections of the archive were sealed from" in door("archive", "check").out


def test_a_sealed_journal_that_was_changed_is_named(door: FrontDoor, monkeypatch: pytest.MonkeyPatch) -> None:
    journal = _typed(door, monkeypatch)
    assert _found(door) == []
    whole = journal.read_bytes()
    typed = b"88.0".hex().encode()
    assert typed in whole
    journal.write_bytes(whole.replace(typed, b"89.0".hex().encode(), 1))
    assert _found(door) == [(journal.name, "changed")]
    journal.write_bytes(whole)
    _rewritten(journal, lambda body: body.replace(typed, b"89.0".hex().encode()))
    assert _found(door) == [(journal.name, "changed")]
    said = f"is not the journal from which inspection {journal.stem} was sealed; restore it from a copy"
    assert said in door("archive", "check").out
    for odd in (b"", whole[:-5], whole + b"torn", b"%08x []\n" % zlib.crc32(b"[]"), b"%08x {}\n" % zlib.crc32(b"{}")):
        journal.write_bytes(odd)
        assert _found(door) == [(journal.name, "changed")], odd
    journal.write_bytes(whole)
    assert _found(door) == []


def test_several_captures_and_typed_lines_in_one_inspection_and_an_amendment_are_sound(
    door: FrontDoor, monkeypatch: pytest.MonkeyPatch
) -> None:
    one, two = door.write("a.txt", b"88.0 um\n" * 3), door.write("b.txt", b"88.1 um\n")
    assert door.measure("hinge", one, "--from", two, "--keep-open").code == 0
    inspection = _only(door.folder / "journals", "*.journal").stem
    rest = door(
        "measure", "--resume", inspection, "--from", door.write("c.txt", b"32.0 um\n" * 3), *REST, "--keep-open"
    )
    assert rest.code == 0, rest
    monkeypatch.setattr(sys, "stdin", io.StringIO("32.1\n"))
    assert door("measure", "--resume", inspection, "--link", "keys").code == 0
    amended = door("amend", inspection, "--set", "powder_batch=B-2", "--by", "mk", "--why", "was missing")
    assert amended.code == 0, amended
    assert _found(door) == []
    journal = door.folder / "journals" / "sealed" / f"{inspection}.journal"
    _rewritten(journal, lambda body: body.replace(b"32.1".hex().encode(), b"32.2".hex().encode()))
    assert _found(door) == [(journal.name, "changed")]


def test_what_was_given_up_or_is_still_open_is_no_trouble(door: FrontDoor) -> None:
    short = door.write("a.txt", b"88.0 um\n" * 3)
    assert door.measure("hinge", short, "--keep-open").code == 0
    assert _found(door) == []
    assert door("seal", "--abandon", "the wrong part").code == 0
    assert _found(door) == []
    capture = _only(door.folder / "captures", "*.capture")
    capture.write_bytes(b"")
    assert _found(door) == [(capture.name, "changed")]


def test_a_journal_that_a_kill_kept_from_being_put_away_is_no_trouble(door: FrontDoor) -> None:
    door.covered_lot()
    journal = _only(door.folder / "journals", "*.journal")
    shutil.move(journal, door.folder / "journals" / journal.name)
    assert _found(door) == []
    assert door("seal").code == 0
    assert _found(door) == []


def test_what_retention_took_away_is_not_missing(door: FrontDoor, monkeypatch: pytest.MonkeyPatch) -> None:
    first = door.covered_lot()
    _typed(door, monkeypatch, "L-2")
    door.now = datetime(2060, 1, 1, 12, tzinfo=UTC)
    words = ("--by", "mk", "--reason", "kept long enough", "--inspection", first, "--yes", "1")
    assert door("archive", "retain", "--remove", *words).code == 0
    assert not list((door.folder / "captures").glob("*.capture"))
    assert _found(door) == []

"""One capture is taken once and one inspection sealed once, however many programs are at it at the same moment."""

from __future__ import annotations

import contextlib
import subprocess
from pathlib import Path
from typing import Any

import pytest

from archive.shop_folder import ShopFolder
from archive.store import Archive
from filmtally import main
from ingest.capture_store import taking_alone
from ingest.open_inspection import ABANDONED, SEALED, OpenInspection, open_ids, put_away
from tests.front.many_lots import begin
from tests.front.shop import NOW, FrontDoor

HINGE = b"88.0 um\n" * 4 + b"32.0 um\n" * 4
#: So long the other program is waited for while this one is in the middle of taking.
_MIDDLE_S = 4.0


def _words(capture: str, *more: str) -> tuple[str, ...]:
    words = ("measure", "hinge", "--lot", "L-1", "--inspector", "mk", "--gauge", "FB-11", "--from", capture)
    return (*words, "--measured-at", "2026-11-03T10:00", *more)


def _meanwhile(door: FrontDoor, monkeypatch: pytest.MonkeyPatch, *words: str) -> list[subprocess.Popen[str]]:
    """Let another program begin with *words* in the middle of this one's taking; it is there once that has begun."""
    others: list[subprocess.Popen[str]] = []
    take = OpenInspection.take_captures

    def taken_slowly(self: OpenInspection, *args: Any) -> None:
        if not others:
            others.append(begin(door.folder, *words))
            with contextlib.suppress(subprocess.TimeoutExpired):
                others[0].wait(_MIDDLE_S)
        take(self, *args)

    monkeypatch.setattr(OpenInspection, "take_captures", taken_slowly)
    return others


@pytest.mark.parametrize("more", [(), ("--keep-open",)], ids=["sealed", "kept open"])
def test_the_same_capture_by_two_programs_at_once_is_taken_once(
    door: FrontDoor, monkeypatch: pytest.MonkeyPatch, more: tuple[str, ...]
) -> None:
    words = _words(door.write("n.txt", HINGE), *more)
    others = _meanwhile(door, monkeypatch, *words)
    assert door(*words).code == 0
    out, err = others[0].communicate(timeout=60)
    assert (others[0].returncode, err) == (0, "")
    assert "this capture was taken already, as inspection" in out
    assert out.strip().endswith("nothing is added")
    assert len(Archive(door.folder / "archive", "look").inspections()) + len(open_ids(ShopFolder(door.folder))) == 1


def test_who_waits_too_long_for_the_taking_of_another_is_told(door: FrontDoor, monkeypatch: pytest.MonkeyPatch) -> None:
    capture = door.write("n.txt", HINGE)
    monkeypatch.setattr("ingest.capture_store._WAITED_S", 0.1)
    with taking_alone(door.folder):
        answer = door(*_words(capture))
    assert answer.code == 2
    assert f"{door.folder}: another filmtally has been taking a capture for" in answer.sentence
    assert answer.sentence.endswith("nothing was changed; wait for it or end it, then repeat")
    assert Archive(door.folder / "archive", "look").inspections() == []


def test_a_mark_that_a_kill_prevented_is_made_up_for_before_sealing(door: FrontDoor) -> None:
    words = _words(door.write("n.txt", HINGE))
    assert door(*words, "--keep-open").code == 0
    (mark,) = (door.folder / "captures").glob("*.taken")
    mark.unlink()  # as after a kill between the journal and the mark
    assert door("seal").code == 0
    assert "this capture was taken already, as inspection" in door(*words).out
    assert len(Archive(door.folder / "archive", "look").inspections()) == 1


@pytest.mark.parametrize(("where", "said"), [(SEALED, "was sealed meanwhile"), (ABANDONED, "was given up meanwhile")])
def test_an_inspection_put_away_while_it_was_waited_for(
    door: FrontDoor, monkeypatch: pytest.MonkeyPatch, where: str, said: str
) -> None:
    assert door(*_words(door.write("n.txt", HINGE[:-8]), "--keep-open")).code == 0
    folder = ShopFolder(door.folder)
    (inspection,) = open_ids(folder)
    kept = Path.is_file

    def put_away_then(path: Path) -> bool:
        found = kept(path)
        if path == folder.journals / f"{inspection}.journal" and found:
            put_away(folder, inspection, where)  # what the other program does once this one has seen the journal
        return found

    monkeypatch.setattr(Path, "is_file", put_away_then)
    words = ("measure", "--resume", inspection, "--from", door.write("rest.txt", b"32.0 um\n"))
    answer = door(*words, "--measured-at", "2026-11-03T10:05")
    assert answer.code == 2
    assert answer.sentence.startswith(f"filmtally: inspection {inspection} {said}, so nothing ")
    assert open_ids(folder) == []
    assert not list(folder.journals.glob(f"{inspection}.*"))  # no empty journal, and no lock, is left in its place


def test_two_programs_go_on_with_one_inspection_at_once(door: FrontDoor, monkeypatch: pytest.MonkeyPatch) -> None:
    assert door(*_words(door.write("n.txt", HINGE[:-8]), "--keep-open")).code == 0
    (inspection,) = open_ids(ShopFolder(door.folder))
    at = ("--measured-at", "2026-11-03T10:05")
    captures = [door.write(f"rest{n}.txt", b"32.%d um\n" % n) for n in (1, 2)]
    others = _meanwhile(door, monkeypatch, "measure", "--resume", inspection, "--from", captures[1], *at)
    words = ["--shop", str(door.folder), "measure", "--resume", inspection, "--from", captures[0], *at]
    assert main(words, now=lambda: NOW) == 0
    _, err = others[0].communicate(timeout=60)
    # Which of the two is said lies in how soon it looks: while the other still seals, or behind that.
    assert others[0].returncode == 2
    assert "was sealed meanwhile" in err or "another filmtally is taking this inspection" in err
    assert Archive(door.folder / "archive", "look").inspection(inspection).readings_counted == 8

"""Which inspections are open: looked at without a lock, told as values, and what a person decides of them."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import pytest

from archive.shop_folder import ShopFolder
from ingest.capture_state import Act
from ingest.journal import Journal, is_held
from ingest.links.item import Item, Kind
from ingest.open_first import Decision, OpenFirst, Way
from ingest.open_inspection import OpenInspection, journal_path, open_ids
from ingest.open_list import OpenSeen, open_inspections
from schemas.errors import BadInput
from tests.ingest.taking import NOW, facts, job, line

ID = "20261103-120000-TEST"


@pytest.fixture
def folder(tmp_path: Path) -> ShopFolder:
    return ShopFolder(tmp_path)


def _item(number: int, text: str) -> Item:
    came = line(number, text)
    return Item(kind=Kind.LINE, link="typed", seq=number, at=came.received_at or NOW, mono_ns=number, frame=came.frame)


def _take(folder: ShopFolder, *texts: str) -> OpenInspection:
    inspection = OpenInspection(folder, ID, NOW, facts(job(), pieces=("1", "2")))
    inspection.begin_session(NOW, prompted=True, asks=True, links=["typed"])
    inspection.take([_item(number, text) for number, text in enumerate(texts, start=1)])
    return inspection


def test_what_an_open_journal_holds_is_told_while_it_is_taken_and_nothing_in_it_changes(folder: ShopFolder) -> None:
    with _take(folder, "3.1", "3.2") as taking:
        taking.act(Act.UNDO, "", NOW)
        taking.act(Act.SKIP, "out of reach", NOW)
        path = taking.journal.path
        before = path.read_bytes()
        (seen,) = open_inspections(folder, NOW)
        assert path.read_bytes() == before
        taking.take([_item(9, "3.3")])
    assert seen == OpenSeen(
        inspection_id=ID, job="part", title="Part", lot="L1", begun_at=NOW, last_at=NOW,
        inspector="mk", gauge="G1", counted=1, planned=8, missing=6, held=True,
    )  # fmt: skip
    (after,) = open_inspections(folder, NOW)
    assert not after.held


def test_a_look_never_keeps_the_lock(folder: ShopFolder) -> None:
    _take(folder, "3.1").close()
    path = journal_path(folder, ID)
    assert not is_held(path)
    with Journal(path):
        assert is_held(path)
        with pytest.raises(BadInput, match="another filmtally is taking this inspection"):
            Journal(path)
    assert not is_held(path)


def test_a_tail_that_a_kill_left_is_only_looked_at(folder: ShopFolder) -> None:
    _take(folder, "3.1").close()
    path = journal_path(folder, ID)
    path.write_bytes(path.read_bytes() + b"1234abcd {half")
    before = path.read_bytes()
    (seen,) = open_inspections(folder, NOW)
    assert (seen.counted, seen.fault) == (1, None)
    assert path.read_bytes() == before


def test_damage_and_strange_files_are_told_in_one_sentence_each_and_hide_nothing_else(folder: ShopFolder) -> None:
    _take(folder, "3.1", "3.2").close()
    path = journal_path(folder, ID)
    lines = path.read_bytes().split(b"\n")
    (folder.journals / "20261103-130000-BADD.journal").write_bytes(b"\n".join([lines[0], b"x" + lines[1], *lines[2:]]))
    (folder.journals / "a copy.journal").write_bytes(b"nothing\n")
    (folder.journals / "20261103-140000-NONE.journal").write_bytes(b"")
    told = {one.inspection_id: one for one in open_inspections(folder, NOW)}
    assert set(told) == {ID, "20261103-130000-BADD", "a copy"} == set(open_ids(folder))
    assert told[ID].fault is None
    damaged = told["20261103-130000-BADD"]
    assert damaged.fault is not None
    assert "line 2 is damaged" in damaged.fault
    assert (damaged.job, damaged.lot) == ("part", "L1")
    assert "is no inspection's name" in str(told["a copy"].fault)


def test_what_is_only_looked_at_cannot_be_taken(folder: ShopFolder) -> None:
    _take(folder, "3.1").close()
    with OpenInspection(folder, ID, NOW, looking=True) as seen, pytest.raises(ValueError):
        seen.take([_item(2, "3.2")])
    (after,) = open_inspections(folder, NOW)
    assert after.counted == 1


# what is decided


def _one(name: str, **changes: object) -> OpenSeen:
    plain: dict[str, object] = {"inspection_id": name, "job": "hinge", "lot": name, "begun_at": NOW, "inspector": "mk", "counted": 3, "planned": 8, "missing": 5}  # fmt: skip
    return OpenSeen(**(plain | changes))  # type: ignore[arg-type]


def _first(*seen: OpenSeen) -> OpenFirst:
    return OpenFirst(seen, lambda at: datetime.isoformat(at)[:16])


def test_enter_goes_on_with_the_last_one_that_nobody_holds() -> None:
    dialogue = _first(_one("A"), _one("B"), _one("C", held=True))
    asked = dialogue.question()
    assert asked is not None
    assert asked.question == "3 inspections are open."
    assert asked.hint == "type a number; Enter: go on with 2"
    assert [c.label for c in asked.choices][1:] == [
        "hinge, lot B, begun 2026-11-03T12:00 by mk, 3 of 8 readings",
        "hinge, lot C, begun 2026-11-03T12:00 by mk, 3 of 8 readings",
        "begin another",
        "give one up",
        "seal one",
    ]
    assert dialogue.answer("3") == "another filmtally is taking this inspection right now; finish it there first"
    assert dialogue.answer("9") == "there is no '9' in the list; type a number that stands there"
    assert dialogue.answer("<") is not None
    assert dialogue.answer("") is None
    assert (dialogue.decision, dialogue.question()) == (Decision(Way.GO_ON, "B"), None)


def test_where_none_can_be_gone_on_with_enter_begins_another() -> None:
    dialogue = _first(_one("A", held=True), _one("B", fault="B.journal: line 2 is damaged; restore it"))
    assert dialogue.answer("2") == "B.journal: line 2 is damaged; restore it"
    assert dialogue.answer("") is None
    assert dialogue.decision == Decision(Way.BEGIN)


def test_giving_up_asks_which_and_why_and_every_step_goes_back() -> None:
    dialogue = _first(_one("A"), _one("B"))
    for text in ("4", "1", "", "2", "<", "", "4", "2"):
        assert dialogue.answer(text) is None, text
    asked = dialogue.question()
    assert asked is not None
    assert asked.question == "Why is it given up?"
    assert dialogue.answer("sent\x07back") == "the reason 'sent\\x07back' has a line end or a control character; write it on one line"  # fmt: skip
    assert dialogue.answer("sent back") is None
    assert dialogue.decision == Decision(Way.GIVE_UP, "B", "sent back")


def test_sealing_asks_why_only_where_readings_are_missing() -> None:
    whole = _first(_one("A", counted=8, missing=0))
    assert whole.answer("4") is None
    assert whole.decision == Decision(Way.SEAL, "A")
    part = _first(_one("A"))
    assert part.answer("4") is None
    assert part.decision is None
    assert part.answer("") is None, "back to the first question"
    assert part.answer("4") is None
    assert part.answer("shift ended") is None
    assert part.decision == Decision(Way.SEAL, "A", "shift ended")
    empty = _first(_one("A", counted=0, missing=8))
    assert empty.answer("4") == "it holds no reading, so there is nothing to seal; go on with it, or give it up"
    assert empty.answer("") is None
    assert empty.decision == Decision(Way.GO_ON, "A")

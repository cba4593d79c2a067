"""measure, begun at a real terminal: a scanned work order, what is missing, the first reading, a kill, and going on."""

from __future__ import annotations

import io
import json
import os
import signal
import sys
from datetime import timedelta
from pathlib import Path

import pytest

from archive.shop_folder import ShopFolder
from archive.store import Archive
from ingest.journal import Journal
from ingest.open_inspection import journal_path, open_ids
from tests.front.shop import FrontDoor

if sys.platform == "win32":
    pytest.skip("a pseudo-terminal is not a thing of Windows", allow_module_level=True)

from tests.front.terminal import Terminal

ORDERS = (
    "Work Order;Customer no.;Job;Lot;Pieces;Powder;Purchase Order\r\n"
    "7001;K-12;hinge;HG-0412;2;bronze, matt;PO-88\r\n"
    "7002;K-12;strap-hinge;HG-0413;1;;\r\n"
)


@pytest.fixture
def shop(door: FrontDoor) -> Path:
    (door.folder / "orders.csv").write_bytes(ORDERS.encode("cp1252"))
    return door.folder


def _nothing_was_made(shop: Path) -> bool:
    return not (shop / "archive").exists() and open_ids(ShopFolder(shop)) == []


def _begins(terminal: Terminal) -> None:
    """Answer what the gate asks of a gauge that was not checked, so that no day of the calendar matters here."""
    terminal.sees("ASKED: ")
    terminal.sees("piece 1, strap face")
    terminal.types("@accept a trial of the program")
    terminal.sees("piece 1, strap face")


def test_a_work_order_is_scanned_the_rest_is_answered_and_a_kill_loses_nothing(shop: Path) -> None:
    with Terminal(shop, "measure") as terminal:
        terminal.sees("WHICH WORK ORDER?")
        terminal.types("*7001*")  # as a scanner types a Code 39 symbol
        shown = terminal.sees("WHO MEASURES?")
        for known in ("hinge", "HG-0412", "bronze, matt", "PO-88"):
            assert known in shown
        terminal.types("1")
        shown = terminal.sees("WHICH GAUGE?") + terminal.sees("(type a number")
        assert "FB-11 · gauge of the fitting bay" in shown
        assert "NOT COVERED NOW: gauge FB-11" in shown
        terminal.types("FB-11")
        _begins(terminal)
        terminal.types("88.0")
        terminal.sees("taken 1: 88.0 µm at strap face, piece 1")
        terminal.kill()
    (only,) = open_ids(ShopFolder(shop))
    with Terminal(shop, "measure") as terminal:
        shown = terminal.sees("Enter: go on with 1)")
        assert "hinge, lot HG-0412" in shown
        assert "by mk, 1 of 16 readings" in shown
        terminal.types("")
        terminal.sees(f"inspection {only}: 1 reading counted")
        terminal.types("89.5")
        terminal.sees("taken 2: 89.5 µm")
        with Terminal(shop, "measure") as other:  # a second bench looks on, and is told who has it
            assert "being taken right now by another filmtally" in other.sees("Enter: begin another)")
            other.types("1")
            other.sees("NOT TAKEN: another filmtally is taking this inspection right now; finish it there first")
            other.key(b"\x03")
            assert other.ends() == 130
        terminal.types("90.0")
        terminal.sees("taken 3: 90.0 µm")


def test_leaving_the_questions_makes_nothing_and_says_nothing_of_readings(shop: Path) -> None:
    with Terminal(shop, "measure") as terminal:
        terminal.sees("WHICH WORK ORDER?")
        terminal.types("7001")
        terminal.sees("WHO MEASURES?")
        terminal.key(b"\x03")
        assert terminal.ends() == 130
        assert terminal.shown.endswith("filmtally: stopped\n")
    assert _nothing_was_made(shop)
    with Terminal(shop, "measure", "hinge") as terminal:
        terminal.sees("WHICH WORK ORDER?")
        terminal.key(b"\x04")  # the end of the input leaves as well
        assert terminal.ends() == 130
    assert _nothing_was_made(shop)


def _left_open(door: FrontDoor, lot: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Take one reading without a terminal and leave the inspection open."""
    monkeypatch.setattr(sys, "stdin", io.StringIO("@accept a trial of the program\n88.0\n"))
    words = ("--lot", lot, "--inspector", "mk", "--gauge", "FB-11", "--work-order", "X", "--keep-open")
    answer = door("measure", "hinge", *words)
    assert "taken 1: 88.0 µm" in answer.out, answer


def test_an_inspection_that_is_open_can_be_given_up_or_sealed_as_it_is(
    shop: Path, door: FrontDoor, monkeypatch: pytest.MonkeyPatch
) -> None:
    for lot in ("A", "B"):
        door.now += timedelta(minutes=1)
        _left_open(door, lot, monkeypatch)
    with Terminal(shop, "measure") as terminal:
        terminal.sees("2 INSPECTIONS ARE OPEN.")
        terminal.types("4")
        terminal.sees("WHICH ONE IS GIVEN UP?")
        terminal.types("1")
        terminal.sees("WHY IS IT GIVEN UP?")
        terminal.types("parts were sent back")
        terminal.sees("given up (parts were sent back)")
        terminal.sees("1 INSPECTION IS OPEN.")
        terminal.types("4")
        terminal.sees("WHY IS IT SEALED WITH READINGS MISSING?")
        terminal.types("shift ended")
        terminal.sees("sealed, 1 reading counted")
        assert terminal.ends() == 0
    assert open_ids(ShopFolder(shop)) == []
    assert [i.lot for i in Archive(shop / "archive", "look").inspections()] == ["B"]


def test_a_lot_that_is_open_is_gone_on_with_before_anything_else_is_asked(
    shop: Path, door: FrontDoor, monkeypatch: pytest.MonkeyPatch
) -> None:
    _left_open(door, "A", monkeypatch)
    with Terminal(shop, "measure", "hinge", "--plain") as terminal:
        terminal.sees("WHICH WORK ORDER?")
        terminal.types("")
        terminal.sees("WHICH LOT?")
        terminal.types("A")
        shown = terminal.sees("this goes on with it")
        assert "HOW MANY" not in shown
        assert "WHO MEASURES" not in shown


def test_the_work_order_of_the_command_line_gives_job_and_lot_without_a_terminal(shop: Path, door: FrontDoor) -> None:
    capture = door.write("hinge.txt", (b"88.0 um\n" * 4 + b"32.0 um\n" * 4) * 2)
    words = ("--inspector", "mk", "--gauge", "FB-11", "--from", capture, "--measured-at", "2026-11-03T10:00")
    answer = door("measure", "--work-order", "*7001*", *words)
    assert answer.code == 0, answer
    (sealed,) = Archive(door.folder / "archive", "look").inspections()
    assert (sealed.job, sealed.lot, sealed.work_order, sealed.purchase_order) == ("hinge", "HG-0412", "7001", "PO-88")
    assert sealed.pieces_measured == 2


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (("--work-order", "9"), "orders.csv: there is no work order '9'; export the table anew, or correct the number"),
        (("--work-order", "7002"), "orders.csv: line 3: there is no job 'strap-hinge' in the shop; pick the one that is meant, and name it as JOB"),
        (("hinge", "--work-order", "7001", "--lot", "Z"), "orders.csv: line 2: work order '7001' is of lot 'HG-0412', and 'Z' was given; correct one of them"),
        (("hinge", "--work-order", "7001"), "--inspector is missing; say which inspector this is"),
        (("hinge",), "--lot is missing; say which lot this is"),
    ],
)  # fmt: skip
def test_without_a_terminal_nothing_is_asked_and_one_sentence_says_what_is_missing(
    shop: Path, door: FrontDoor, words: tuple[str, ...], sentence: str
) -> None:
    answer = door("measure", *words)
    assert answer.code == 2
    assert answer.sentence.endswith(sentence), answer.sentence
    assert _nothing_was_made(door.folder)


def test_a_table_that_shop_toml_names_has_to_be_there(door: FrontDoor) -> None:
    path = door.folder / "shop.toml"
    path.write_text(path.read_text() + '\n[orders]\nfile = "plan.csv"\n')
    answer = door("measure", "--work-order", "7001")
    assert answer.sentence.endswith(
        "plan.csv: there is no such file; export the work orders there, or correct orders.file in shop.toml"
    )


def test_the_open_inspections_are_listed_and_none_is_a_sentence(
    door: FrontDoor, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert door("measure", "--open").out.endswith("no inspection is open\n")
    _left_open(door, "A", monkeypatch)
    (only,) = open_ids(ShopFolder(door.folder))
    assert door("measure", "--open").out == (f"{only}: hinge, lot A, begun 2026-11-25 12:00 by mk, 1 of 8 readings\n")
    with Journal(journal_path(ShopFolder(door.folder), only)):
        (one,) = json.loads(door("measure", "--open", "--json").out)["open"]
        assert "being taken right now by another filmtally" in door("measure", "--open").out
    told = {name: one[name] for name in ("job", "lot", "work_order", "inspector", "gauge", "held", "fault")}
    assert told == {"job": "hinge", "lot": "A", "work_order": "X", "inspector": "mk", "gauge": "FB-11", "held": True, "fault": None}  # fmt: skip
    assert (one["readings_counted"], one["readings_planned"], one["readings_missing"]) == (1, 8, 7)


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP, signal.SIGINT])
def test_a_signal_that_ends_the_screen_is_told_by_the_exit_code(shop: Path, number: signal.Signals) -> None:
    words = ("measure", "hinge", "--lot", "L", "--inspector", "mk", "--gauge", "FB-11", "--pieces", "1")
    with Terminal(shop, *words, screen=(100, 40)) as terminal:
        terminal.sees("NEXT")
        os.kill(terminal.pid, number)
        assert terminal.ends() == 128 + number

"""`archive hold`, `archive retain` and `archive export` as a person calls them."""

from __future__ import annotations

import json
import os
import pty
import shutil
import subprocess
import sys
import time
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import openpyxl
import pyarrow.parquet as pq
import pytest

from archive.store import Archive
from tests.front.shop import FrontDoor

WHO = ("--by", "mk", "--reason", "kept long enough")
LATER = datetime(2060, 1, 1, 12, tzinfo=UTC)


@pytest.fixture
def lot(door: FrontDoor) -> str:
    """Return a certified inspection; it is many years later."""
    name = door.covered_lot()
    assert door("certify", name, *door.signed_in()).code == 0
    door.now = LATER
    return name


def test_what_may_go_is_said_and_nothing_is_removed(door: FrontDoor, lot: str) -> None:
    (one,) = json.loads(door("archive", "retain", "--json").out)
    assert (one["inspection_id"], one["kept_until"], one["may_go"]) == (lot, "2036-11-25", True)
    said = door("archive", "retain").out
    assert "10 years by the job, from the sealing on 2026-11-25" in said
    assert "1 inspection: 1 may go, 0 over and held, 0 to be kept" in said
    assert door("archive", "check").code == 0
    assert len(json.loads(door("history", "--json").out)) == 1


def test_a_removal_asks_for_the_number_and_leaves_a_whole_archive(door: FrontDoor, lot: str) -> None:
    answer = door("archive", "retain", "--remove", *WHO)
    assert (answer.code, answer.sentence.endswith("then say --yes 1; nothing was removed")) == (2, True)
    answer = door("archive", "retain", "--remove", *WHO, "--yes", "2")
    assert (answer.code, "1 inspection would go, not 2" in answer.sentence) == (2, True)
    assert door("archive", "check").out.startswith("every file")
    assert door("archive", "retain", "--remove", *WHO, "--yes", "1").code == 0
    said = door("archive", "check")
    assert said.code == 0
    assert f"inspection {lot} revision 1 was removed on 2060-01-01 by mk (kept long enough)" in said.out
    assert json.loads(door("history", "--json").out) == []
    assert not list((door.folder / "journals").rglob(f"{lot}*"))
    assert not list((door.folder / "captures").iterdir())
    pdf = next((door.folder / "certificates").glob("*.pdf"))
    assert door("verify", str(pdf), "--quick").code == 0
    assert door("archive", "retain", "--remove", *WHO).out == "nothing may go; nothing was removed\n"


def test_with_certificates_nothing_of_it_is_left_but_tombstones(door: FrontDoor, lot: str) -> None:
    answer = door("archive", "retain", "--remove", "--with-certificates", *WHO, "--yes", "1", "--json")
    assert json.loads(answer.out)["inspections"] == [lot]
    assert not list((door.folder / "certificates").glob("*.pdf"))
    assert door("archive", "check").code == 0
    target = door.folder.parent / "removed.parquet"
    assert door("archive", "export", "tombstones", str(target)).code == 0
    assert pq.read_table(target).column("removed_table").to_pylist() == ["readings", "certificates"]


def test_a_removal_that_was_cut_short_is_said_and_finished(
    door: FrontDoor, lot: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as patched:
        patched.setattr("archive.removing._unlinked", lambda paths: [])
        assert door("archive", "retain", "--remove", "--with-certificates", *WHO, "--yes", "1").code == 0
    kinds = {one["kind"] for one in json.loads(door("archive", "check", "--json").out)}
    assert kinds == {"leftover"}
    assert "a removal was cut short" in door("archive", "retain").out
    # What was ordered before is finished, and not ordered a second time.
    said = door("archive", "retain", "--remove", "--with-certificates", *WHO)
    assert "finished a removal that was cut short" in said.out
    assert (said.code, said.out.endswith("nothing may go; nothing was removed\n")) == (0, True)
    assert door("archive", "check").code == 0
    assert "leftover" not in door("archive", "check").out


def test_what_is_held_or_not_over_is_refused_with_its_reason(door: FrontDoor, lot: str) -> None:
    held = door("archive", "hold", "--set", "--inspection", lot, "--by", "mk", "--reason", "a claim is open", "--json")
    number = json.loads(held.out)["hold_id"]
    told = door("archive", "hold", "--set", "--customer", "hollin and wray garden works", *WHO).out
    assert ": all of hollin and wray garden works, 1 inspection now, stays until the hold is lifted" in told
    assert door("archive", "hold", "--lift", told.split()[1].rstrip(":"), *WHO).code == 0
    assert f"{number}: inspection {lot}, by mk since 2060-01-01 (a claim is open)" in door("archive", "hold").out
    answer = door("archive", "retain", "--remove", "--inspection", lot, *WHO, "--yes", "1")
    assert (answer.code, "is held by mk since 2060-01-01 (a claim is open)" in answer.sentence) == (2, True)
    assert "0 may go, 1 over and held" in door("archive", "retain").out
    assert door("archive", "hold", "--lift", number, "--by", "mk", "--reason", "settled").code == 0
    assert door("archive", "hold").out == "nothing is held\n"
    door.now = datetime(2036, 11, 25, 12, tzinfo=UTC)
    answer = door("archive", "retain", "--remove", "--inspection", lot, *WHO, "--yes", "1")
    assert (answer.code, "is kept until 2036-11-25 (10 years by the job" in answer.sentence) == (2, True)


def test_the_customers_years_hold_where_they_are_more(door: FrontDoor, lot: str) -> None:
    customer = json.loads(door("archive", "retain", "--json").out)[0]["customer"]
    (door.folder / "customers").mkdir()
    file = door.folder / "customers" / "them.toml"
    file.write_text(f'name = "{customer}"\n[retention]\nyears = 60\n', encoding="utf-8")
    assert door("archive", "retain").out.startswith("no inspection's retention is over")
    file.write_text(f'name = "{customer}"\n[retention]\nyears = 0\n', encoding="utf-8")
    answer = door("archive", "retain")
    assert (answer.code, "retention.years" in answer.sentence) == (2, True)


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (("hold", "--set", "--customer", "Nobody Ltd", *WHO), "there is no customer 'Nobody Ltd' in the archive"),
        (("hold", "--set", *WHO), "--set needs what is held"),
        (("hold", "--set", "--customer", "x"), "--set needs who says so and why"),
        (("hold", "--lift", "x", *WHO), "there is no hold 'x'"),
        (("hold", "--customer", "x"), "say --set to hold it"),
        (("retain", "--yes", "1"), "go with --remove"),
        (("retain", "--remove", "--by", "zz", "--reason", "x"), "there is no inspector 'zz'"),
        (("retain", "--remove", "--by", "mk", "--reason", "a\u200bb"), "--reason: "),
        (("retain", "--customer", "Nobody Ltd"), "there is no inspection of a customer 'Nobody Ltd'"),
    ],
)
def test_what_cannot_be_is_said_in_a_sentence(door: FrontDoor, words: tuple[str, ...], sentence: str) -> None:
    answer = door("archive", *words)
    assert (answer.code, sentence in answer.sentence) == (2, True), answer


def test_at_a_terminal_the_number_is_typed(door: FrontDoor, lot: str, monkeypatch: pytest.MonkeyPatch) -> None:
    ours, theirs = pty.openpty()
    with os.fdopen(theirs, "r") as terminal:
        monkeypatch.setattr(sys, "stdin", terminal)
        os.write(ours, b"yes\n")
        answer = door("archive", "retain", "--remove", *WHO)
        assert (answer.code, "'yes' is not 1; nothing was removed" in answer.err) == (2, True)
        assert f"{lot}  " in answer.out
        os.write(ours, b"1\n")
        assert door("archive", "retain", "--remove", *WHO).code == 0
    os.close(ours)
    assert json.loads(door("history", "--json").out) == []


def test_of_two_removals_at_once_the_second_finds_nothing(
    door: FrontDoor, lot: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The second begins when the first has said its --yes, and waits for it."""
    root = Path(__file__).parents[2]
    words = ["--shop", str(door.folder), "archive", "retain", "--remove", *WHO, "--yes", "1"]
    code = (
        "import datetime, sys; from filmtally import main; "
        "sys.exit(main(sys.argv[1:], now=lambda: datetime.datetime(2060, 1, 1, 12, tzinfo=datetime.UTC)))"
    )
    second: list[subprocess.Popen[str]] = []
    real = Archive.commit_tombstones

    def beside(self: Archive, rows: Any) -> Path:
        second.append(subprocess.Popen([sys.executable, "-c", code, *words], cwd=root, stdout=-1, stderr=-1, text=True))
        time.sleep(1.0)
        return real(self, rows)

    monkeypatch.setattr(Archive, "commit_tombstones", beside)
    assert door("archive", "retain", "--remove", *WHO, "--yes", "1").code == 0
    out, err = second[0].communicate(timeout=60)
    assert (second[0].returncode, out, err) == (0, "nothing may go; nothing was removed\n", "")
    assert door("archive", "check").code == 0


def test_what_was_held_while_the_number_was_typed_stays(
    door: FrontDoor, lot: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    def typed(_: str) -> str:
        assert door("archive", "hold", "--set", "--inspection", lot, "--by", "mk", "--reason", "a claim").code == 0
        return "1"

    ours, theirs = pty.openpty()
    with os.fdopen(theirs, "r") as terminal:
        monkeypatch.setattr(sys, "stdin", terminal)
        monkeypatch.setattr("builtins.input", typed)
        answer = door("archive", "retain", "--remove", *WHO)
    os.close(ours)
    assert (answer.code, answer.sentence.partition(": ")[2]) == (
        2,
        "0 inspections may go now, and not the 1 that were looked at; look again; nothing was removed",
    )
    assert len(json.loads(door("history", "--json").out)) == 1


def test_a_part_of_a_table_as_a_workbook(door: FrontDoor, lot: str) -> None:
    target = door.folder.parent / "lot.xlsx"
    answer = door("archive", "export", "readings", str(target), "--lot", "L-1")
    assert answer.out == f"{target}: 8 rows of readings (lot L-1; the valid revisions alone)\n"
    assert openpyxl.load_workbook(target)["readings"].max_row == 9
    answer = door("archive", "export", "readings", str(target), "--lot", "L-1")
    assert (answer.code, "is there already; name another file, or say --replace" in answer.sentence) == (2, True)
    before = door("archive", "export", "certificates", str(target), "--inspection", lot, "--replace").out
    assert f"1 row of certificates (inspection {lot};" in before
    assert (
        "no sealed inspection"
        in door("archive", "export", "readings", str(target), "--inspection", "x", "--replace").sentence
    )


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (("--to", "soon"), "--to 'soon' is no day; write it as 2026-01-31"),
        (("--from", "2026-11-05", "--to", "2026-11-04"), "--from 2026-11-05 is later than --to 2026-11-04; swap them"),
    ],
)
def test_days_that_cannot_be_meant_are_refused(
    door: FrontDoor, tmp_path: Path, words: tuple[str, ...], sentence: str
) -> None:
    answer = door("archive", "export", "readings", str(tmp_path / "days.csv"), *words)
    assert (answer.code, sentence in answer.sentence) == (2, True)
    assert not (tmp_path / "days.csv").exists()


def test_an_export_of_nothing_says_so_and_writes_nothing(door: FrontDoor, lot: str) -> None:
    target = door.folder.parent / "lot.csv"
    part = json.loads(door("archive", "retain", "--json").out)[0]["part_no"]
    for words, sentence in (
        (
            ("readings", "--lot", "L-2"),
            "no readings to export (lot L-2; the valid revisions alone); nothing was written",
        ),
        (("readings", "--part", "L-1"), "there is no part 'L-1', but a lot: --lot L-1; nothing was written"),
        (("certificates", "--lot", part), f"there is no lot {part!r}, but a part: --part {part}; nothing was written"),
        (("holds",), "there are no holds to export (the whole table; every revision)"),
    ):
        answer = door("archive", "export", words[0], str(target), *words[1:])
        assert (answer.code, sentence in answer.sentence) == (2, True), answer
        assert not target.exists()


def test_what_became_of_a_removed_lot_is_answered(door: FrontDoor, lot: str) -> None:
    (one,) = json.loads(door("archive", "retain", "--json").out)
    assert door("archive", "retain", "--remove", *WHO, "--yes", "1").code == 0
    target = door.folder.parent / "out.parquet"
    told = f"inspection {lot} (lot L-1) was removed on 2060-01-01 by mk (kept long enough)"
    for wanted in ("L-1", lot, lot[:15]):
        for words in (
            ("assess", wanted),
            ("archive", "retain", "--inspection", wanted),
            ("archive", "export", "readings", str(target), "--inspection", wanted),
        ):
            answer = door(*words)
            assert (answer.code, told in answer.sentence) == (2, True), answer
    answer = door("archive", "export", "readings", str(target), "--lot", "L-1")
    assert (answer.code, f"no readings to export (lot L-1; the valid revisions alone); {told}" in answer.sentence) == (
        2,
        True,
    )
    assert "no such lot" in door("assess", "L-9").sentence
    for words in (("--lot", "L-1"), ("--part", one["part_no"]), ("--customer", "hollin"), ("--inspection", "L-1")):
        assert door("archive", "export", "tombstones", str(target), *words, "--replace").code == 0, words
        (row,) = pq.read_table(target).to_pylist()
        assert (row["lot"], row["part_no"], row["customer"]) == ("L-1", one["part_no"], one["customer"])
    assert door("archive", "export", "tombstones", str(target), "--lot", "L-9", "--replace").code == 2


def part_of(door: FrontDoor, pdf: Path, name: str) -> tuple[str, str]:
    """Return verdict and sentence of one part of what `verify` says of *pdf*."""
    (answer,) = json.loads(door("verify", str(pdf), "--quick", "--json").out)
    return next((one["verdict"], one["sentence"]) for one in answer["parts"] if one["part"] == name)


def test_the_customers_copy_of_a_removed_certificate_is_no_loss(door: FrontDoor, lot: str) -> None:
    (pdf,) = (door.folder / "certificates").glob("*.pdf")
    copy = Path(shutil.copy(pdf, door.folder.parent / "customers.pdf"))
    assert part_of(door, copy, "ledger")[1].startswith("The archive still holds what it held")
    assert door("archive", "retain", "--remove", "--with-certificates", *WHO, "--yes", "1").code == 0
    told = "removed on 2060-01-01 by mk (kept long enough)"
    said = door("archive", "check", "--anchor", str(copy))
    assert (said.code, f"removed: {copy}: this shop issued this certificate" in said.out, told in said.out) == (
        0,
        True,
        True,
    )
    verdict, sentence = part_of(door, copy, "register")
    assert (verdict, told in sentence) == ("UNDECIDED", True)
    verdict, sentence = part_of(door, copy, "ledger")
    assert (verdict, f"the readings that it states were {told}" in sentence) == ("PASS", True)
    assert "still holds" not in sentence
    said = door("verify", str(copy), "--quick")
    assert (said.code, "register" in said.out, "REFUSED" in said.out) == (1, True, False)
    # One that the shop never registered is still refused, tombstone or not.
    copy.write_bytes(pdf_of_another_issue(copy.read_bytes()))
    assert part_of(door, copy, "register")[0] == "FAIL"


def pdf_of_another_issue(pdf: bytes) -> bytes:
    """Return *pdf* with its last byte changed."""
    return pdf[:-1] + bytes([pdf[-1] ^ 1])


def test_an_anchor_that_is_no_pdf_is_bad_input(door: FrontDoor, lot: str) -> None:
    page = door.folder.parent / "x.html"
    page.write_text("<p>a page</p>", encoding="utf-8")
    answer = door("archive", "check", "--anchor", str(page))
    assert (answer.code, "is no PDF; name a certificate's PDF" in answer.sentence) == (2, True)


def test_certificates_that_a_removal_left_can_go_later(door: FrontDoor, lot: str) -> None:
    said = door("archive", "retain", "--remove", *WHO, "--yes", "1")
    assert "their certificates stay" in said.out
    assert "certificates of 1 inspection removed earlier, which may go as well" in door("archive", "retain").out
    words = ("archive", "retain", "--remove", "--with-certificates", *WHO)
    answer = door(*words)
    assert (answer.code, "1 inspection (of 1 the certificates alone" in answer.sentence) == (2, True)
    told = door("archive", "hold", "--set", "--inspection", lot, *WHO)
    assert (
        f": the certificates of inspection {lot}, which was removed on 2060-01-01 by mk (kept long enough), stay until"
        in told.out
    )
    assert door("archive", "hold", "--lift", told.out.split()[1].rstrip(":"), *WHO).code == 0
    # A hold, and a customer's longer years, keep them as they keep an inspection.
    hold = json.loads(door("archive", "hold", "--set", "--customer", _customer(door), *WHO, "--json").out)["hold_id"]
    assert door(*words).out == "nothing may go; nothing was removed\n"
    assert "is held by mk" in door(*words, "--inspection", "L-1", "--yes", "1").sentence
    assert door("archive", "hold", "--lift", hold, *WHO).code == 0
    (door.folder / "customers").mkdir()
    file = door.folder / "customers" / "them.toml"
    file.write_text(f'name = "{_customer(door)}"\n[retention]\nyears = 60\n', encoding="utf-8")
    assert "60 years by the customer's file, from the last certificate" in door(*words, "--inspection", lot).sentence
    file.unlink()
    said = door(*words, "--inspection", "L-1", "--yes", "1")
    assert (said.code, "their certificates stay" in said.out) == (0, False)
    assert not list((door.folder / "certificates").glob("*.pdf"))
    assert door("archive", "export", "certificates", str(door.folder / "none.csv")).code == 2
    assert door("archive", "check").code == 0
    assert "removed earlier" not in door("archive", "retain").out


def _customer(door: FrontDoor) -> str:
    target = door.folder.parent / "customer.parquet"
    assert door("archive", "export", "certificates", str(target), "--replace").code == 0
    return str(pq.read_table(target).column("customer")[0].as_py())


def test_certificates_that_there_are_none_of_are_not_said_to_stay(door: FrontDoor) -> None:
    door.covered_lot()
    door.now = LATER
    said = door("archive", "retain", "--remove", *WHO, "--yes", "1")
    assert said.out.count("\n") == 1
    assert "1 inspection removed, 4 files are gone" in said.out


@pytest.mark.parametrize("option", ["--part", "--lot", "--customer", "--gauge", "--inspection", "--from", "--to"])
def test_an_export_option_that_is_said_twice_is_refused(
    door: FrontDoor, capsys: pytest.CaptureFixture[str], option: str
) -> None:
    with pytest.raises(SystemExit, match="^2$"):
        door("archive", "export", "readings", "x.csv", option, "A", option, "B")
    assert f"argument {option}: is said twice, 'A' and 'B'; export each to a file of its own" in capsys.readouterr().err

"""A look-back through the front door: what is listed is what was handed out and read in that time, listed here by hand."""

from __future__ import annotations

import csv
import io
import json
import os
import re
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from archive import look_back, query
from archive.store import Archive
from sample_captures import demo
from tests.front.shop import FrontDoor

BAD = ("--standard", "Z-0=0.2,0.1,0.3", "--standard", "S-50=54.9,55.3,55.0", "--standard", "S-130=138.2,138.9,138.5", "--standard", "S-255=266.0,265.1,266.4")  # fmt: skip


@pytest.fixture
def week(door: FrontDoor) -> FrontDoor:
    """The demo's week: six lots between their checks, nothing certified."""
    for words in demo.checks():
        door(*words)
    for lot in demo.LOTS:
        capture = str(demo.HERE / "captures" / lot.capture)
        words = ("measure", lot.job, "--lot", lot.lot, "--inspector", "mk", "--gauge", lot.gauge, "--from", capture)
        assert door(*words, *lot.options).code == 0
    return door


def _failed(door: FrontDoor) -> str:
    return next(c.check_id for c in Archive(door.folder / "archive", "test").checks() if c.within is False)


def _found(door: FrontDoor, *words: str) -> dict[str, Any]:
    answer = door("lookback", *words, "--json")
    found: dict[str, Any] = json.loads(answer.out)
    assert answer.code == (1 if found["affected"] else 0), answer
    return found


def test_an_archive_with_a_commit_missing_is_not_said_to_be_without_doubt(door: FrontDoor) -> None:
    door.covered_lot()
    whole = door("lookback", "--gauge", "FB-11", "--from", "2026-12-01", "--json")
    assert (whole.code, json.loads(whole.out)["incomplete"]) == (0, [])
    (file,) = (door.folder / "archive" / "readings").rglob("*.parquet")
    name = file.name.split("-", 3)[3].removesuffix("-r1.parquet")
    content = file.read_bytes()
    file.unlink()
    answer = door("lookback", "--gauge", "FB-11", "--from", "2026-11-01")
    assert answer.code == 4
    assert f"the answer is incomplete: commit 2 of bench {file.name.split('-')[1]} is missing; inspection {name}, whose" in answer.sentence  # fmt: skip
    assert answer.sentence.endswith("run 'filmtally archive check'")
    assert "Nothing that is still in the archive is in doubt" in answer.out
    assert "This answer is incomplete" in answer.out
    file.write_bytes(content)
    assert door("certify", name, *door.signed_in()).code == 0
    for folded in (False, True):
        assert door("lookback", "--gauge", "FB-11", "--from", "2026-11-01").code == 1
        if not folded:
            door.now = datetime(2027, 2, 1, tzinfo=UTC)
            assert door("archive", "fold").code == 0


def test_a_certificate_whose_inspection_is_missing_makes_the_answer_incomplete(door: FrontDoor) -> None:
    door.certified()
    (file,) = (door.folder / "archive" / "readings").rglob("*.parquet")
    file.unlink()
    for journal in (door.folder / "journals" / "sealed").glob("*.journal"):
        journal.unlink()
    answer = door("lookback", "--gauge", "FB-11", "--from", "2026-11-01", "--json")
    assert answer.code == 4
    commit, certificate = json.loads(answer.out)["incomplete"]
    assert commit.startswith("commit 2 of bench ")
    assert "revision 1 states inspection" in certificate


def test_what_was_removed_is_named_with_the_certificates_that_are_still_registered(door: FrontDoor) -> None:
    name = door.covered_lot()
    assert door("certify", name, *door.signed_in()).code == 0
    door.now = datetime(2060, 1, 1, 12, tzinfo=UTC)
    who = ("--by", "mk", "--reason", "kept long enough", "--yes", "1")
    assert door("archive", "retain", "--remove", *who).code == 0
    answer = door("lookback", "--gauge", "FB-11", "--from", "2026-11-03", "--to", "2026-11-04")
    assert (answer.code, answer.err) == (1, "")
    said = " ".join(answer.out.split())
    assert f"1 inspection that may hold readings in doubt was removed on 2060-01-01 (kept long enough) and not looked at: {name}." in said  # fmt: skip
    assert "revision 1 (Hollin and Wray Garden Works, lot L-1). Neither a tombstone nor the register says" in said
    found = json.loads(door("lookback", "--gauge", "FB-11", "--from", "2026-11-03", "--json").out)
    assert [(one["inspection_id"], len(one["certificates_registered"])) for one in found["removed"]] == [(name, 1)]
    # Sealed on 25 November: nothing taken later can be in it.
    assert door("lookback", "--gauge", "FB-11", "--from", "2027-01-01").code == 0


def test_a_rule_that_judges_means_shows_the_means_beside_readings_outside_the_limits(
    door: FrontDoor, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "120")  # wide enough for a row to stand in one line
    door.verify_gauge("opening", "2026-11-03T09:00")
    path = door.write("x.txt", b"50.0 um\n88.0 um\n90.0 um\n92.0 um\n" + b"32.0 um\n" * 4)
    assert door.measure("hinge", path).code == 0
    files = [door.folder.parent / name for name in ("t.csv", "t.html")]
    words = ("--gauge", "FB-11", "--from", "2026-11-03", "--off", "+2.5 um")
    answer = door("lookback", *words, "--csv", str(files[0]), "--html", str(files[1]))
    # By hand: 50 + 88 + 90 + 92 is 320, a mean of 80, and 77.5 less the error.
    assert re.search(r"50.0 to 92.0 +47.5 to 89.5, mean 77.5 +within$", answer.out, re.MULTILINE)
    assert "Judged by the rule: Mean of each location within the limits." in " ".join(answer.out.split())
    (row,) = csv.DictReader(io.StringIO(files[0].read_text(encoding="utf-8")))
    assert row["estimate_rule"] == "Mean of each location within the limits"
    assert "<td>47.5 to 89.5, mean 77.5</td><td>within</td>" in files[1].read_text(encoding="utf-8").replace(
        "\u00a0", " "
    )


def test_a_gauge_that_failed_and_measured_nothing_since_is_still_said_to_have_failed(door: FrontDoor) -> None:
    door.covered_lot()
    door.verify_gauge("opening", "2026-11-04T09:00", read=BAD)
    answer = door("lookback", "--gauge", "FB-11")
    assert answer.code == 0
    said = " ".join(answer.out.split())
    assert "Gauge FB-11 (magnetic) did not pass check" in said
    assert "on 2026-11-04 09:00 and has not passed one since; no sealed reading was taken with it after that." in said
    assert "has a reading that the records of gauge FB-11 put in doubt" in said
    assert "in that time" not in said
    door.verify_gauge("opening", "2026-11-04T10:00")
    assert "did not pass" not in door("lookback", "--gauge", "FB-11").out


def test_a_failed_check_that_was_recorded_twice_is_told_once_and_to_the_second(door: FrontDoor) -> None:
    door.verify_gauge("opening", "2026-11-03T09:00:12")
    path = door.write("x.txt", b"88.0 um\n" * 4 + b"32.0 um\n" * 4)
    assert door.measure("hinge", path).code == 0
    ids = []
    for _ in range(2):
        failed = door.verify_gauge("closing", "2026-11-03T15:00:41", read=BAD)
        ids += re.findall(r"--check (\S+)", failed.err)
    letter = door.folder.parent / "t.html"
    answer = door("lookback", "--gauge", "FB-11", "--html", str(letter))
    assert answer.code == 1
    said = " ".join(answer.out.split())
    html = letter.read_text(encoding="utf-8")
    for text in (said, html):
        assert text.count("was checked on certified standards") == 1
        assert text.count("from 2026-11-03 09:00:12 to 2026-11-03 15:00:41, both included") == 1
        assert text.count("The same check is on record more than once: ") == 1
    assert all(name in said for name in ids)
    assert len(set(ids)) == 2


def _lots(found: dict[str, Any]) -> list[str]:
    return [one["lot"] for one in found["affected"]]


def test_the_failed_check_of_the_demo_puts_the_mast_plate_in_doubt_and_nothing_else(week: FrontDoor) -> None:
    found = _found(week, "--check", _failed(week))
    assert _lots(found) == ["MP-0903"]
    (one,) = found["affected"]
    assert (one["customer"], one["purchase_order"], one["gate"]) == ("Quillon Mast and Rigging", "QM-301/4", "suspect")
    assert one["readings"] == list(range(1, 41))
    assert (found["certificates"], one["certificates"]) == (0, [])
    (doubt,) = found["doubts"]
    assert (doubt["from"], doubt["to"], doubt["to_included"]) == ("2026-11-04T12:50:00.000Z", "2026-11-04T16:30:00.000Z", True)  # fmt: skip
    # By hand: S-130 (129.6) was read as 138.2, 138.9 and 138.5, which is 8.9333 µm too high.
    assert any("S-130 (certified 129.6 µm, error +8.9 µm, tolerance ±2.9 µm)" in s for s in doubt["sentences"])


def test_an_error_just_beyond_its_tolerance_does_not_look_equal_to_it(door: FrontDoor) -> None:
    door.covered_lot()
    # S-50 (50.2, U 0.5), accuracy 1.0 + 1 %: by hand, the tolerance is the root of 1.502² + 0.5², or 1.5830.
    failed = door.verify_gauge("closing", "2026-11-03T16:00", read=("--standard", "S-50=51.82,51.82,51.82"))
    assert "error 1.62 µm, tolerance ±1.58 µm: OUT" in failed.out
    door.measure(
        "hinge",
        door.write("more.txt", b"87.0 um\n" * 4 + b"31.0 um\n" * 4),
        "--measured-at",
        "2026-11-03T15:30",
        lot="L-2",
    )
    answer = door("lookback", "--check", _failed(door), "--html", str(door.folder.parent / "letter.html"))
    expected = "S-50 (certified 50.2 µm, error +1.62 µm, tolerance ±1.58 µm)"
    assert expected in " ".join(answer.out.split())
    assert expected in (door.folder.parent / "letter.html").read_text(encoding="utf-8").replace("\n", " ")
    assert "error +1.62 µm on S-50 (50.2 µm) against a tolerance of ±1.58 µm" in " ".join(
        door("assess", "L-2").out.split()
    )


def test_a_stretch_of_days_of_a_gauge_lists_what_it_read_then(week: FrontDoor) -> None:
    days = ("--from", "2026-11-03", "--to")
    assert _lots(_found(week, "--gauge", "FB-11", *days, "2026-11-05")) == ["HG-0388", "SP-4410", "BE-0027"]
    assert _lots(_found(week, "--gauge", "FB-11", *days, "2026-11-04")) == ["HG-0388", "BE-0027"]
    assert _lots(_found(week, "--gauge", "FB-11", "--mode", "eddy-current", *days, "2026-11-05")) == ["SP-4410"]
    # The hinges carry one stated time, 10:10, and a minute is meant whole.
    assert _lots(_found(week, "--gauge", "FB-11", *days, "2026-11-03T10:10")) == ["HG-0388"]
    assert _lots(_found(week, "--gauge", "FB-11", *days, "2026-11-03T10:09")) == []
    assert _lots(_found(week, "--gauge", "FB-11", "--from", "2026-11-03T10:10:00", "--to", "2026-11-03T10:10:00")) == ["HG-0388"]  # fmt: skip


def test_an_hour_that_the_clock_shows_twice_is_meant_whole_and_one_that_it_skips_shortens_nothing(
    door: FrontDoor,
) -> None:
    # Dublin, by its published rule: the last Sunday of October 02:00 becomes 01:00, of March 01:00 becomes 02:00.
    lots = {
        "first": "2026-10-25T01:30:00+01:00",
        "second": "2026-10-25T01:30:00+00:00",
        "before": "2026-03-29T00:50:00+00:00",
        "after": "2026-03-29T02:10:00+01:00",
    }
    for number, (lot, at) in enumerate(lots.items()):
        lines = "".join(f"{88 + number}.0 um\n" * 4 + "32.0 um\n" * 4)
        assert door.measure("hinge", door.write(f"{lot}.txt", lines.encode()), "--measured-at", at, lot=lot).code == 0

    def between(since: str, until: str) -> list[str]:
        return _lots(_found(door, "--gauge", "FB-11", "--from", since, "--to", until))

    assert between("2026-10-25T01:20", "2026-10-25T01:40") == ["first", "second"]
    assert between("2026-10-25T01:20", "2026-10-25T01:30:00") == ["first", "second"]
    assert between("2026-10-25T01:40", "2026-10-25T01:20") == []
    assert between("2026-10-25T01:40", "2026-10-25T01:30") == ["second"]
    assert between("2026-10-25T00:50", "2026-10-25T00:59") == []
    assert between("2026-10-25T01:30+00:00", "2026-10-25T02:00") == ["second"]
    assert between("2026-10-25", "2026-10-25") == ["first", "second"]
    # 01:30 is 00:30 UTC by the clock after, 01:30 UTC by the clock before: both are meant.
    assert between("2026-03-29T01:30", "2026-03-29T01:30") == ["before", "after"]
    assert between("2026-03-29T01:30", "2026-03-29T02:05") == ["before"]
    assert between("2026-03-29T00:55", "2026-03-29T01:15") == ["after"]
    assert between("2026-03-29T01:55", "2026-03-29T02:10") == ["after"]
    assert between("2026-03-29T01:40", "2026-03-29T01:10") == ["before", "after"]


def test_a_gauge_alone_is_asked_what_its_records_put_in_doubt(week: FrontDoor) -> None:
    found = _found(week, "--gauge", "FB-12")
    assert _lots(found) == ["BO-2209"]
    assert [d["cause"] for d in found["doubts"]] == ["no closing check"]
    assert found["affected"][0]["gate"] == "open"
    assert _lots(_found(week, "--gauge", "FB-11")) == []
    assert _lots(_found(week, "--gauge", "FB-19")) == ["MP-0903"]


def test_a_standard_puts_in_doubt_what_its_checks_were_to_cover(week: FrontDoor) -> None:
    found = _found(week, "--standard", "S-130", "--to", "2026-11-03")
    assert _lots(found) == ["GL-1141", "HG-0388", "BE-0027"]
    assert _lots(_found(week, "--standard", "S-25")) == ["HG-0388", "BE-0027"]
    assert _lots(_found(week, "--standard", "S-130", "--from", "2026-11-05")) == ["SP-4410"]


def test_certificates_in_doubt_are_listed_in_every_revision_with_what_superseded_them(door: FrontDoor) -> None:
    door.verify_gauge("opening", "2026-11-03T08:00")
    inspections = {}
    for lot, hour, build, gauge in (("L-0", 8, 86, "FB-11"), ("L-1", 10, 87, "FB-11"), ("L-2", 11, 88, "FB-11"), ("L-9", 10, 89, "FB-07")):  # fmt: skip
        if lot == "L-1":
            door.verify_gauge("opening", "2026-11-03T09:00")
        path = door.write(f"{lot}.txt", (f"{build}.0 um\n" * 4 + "32.0 um\n" * 4).encode())
        at = ("--measured-at", f"2026-11-03T{hour:02}:30", "--profile", "number-and-unit")
        answer = door("measure", "hinge", "--lot", lot, "--inspector", "mk", "--gauge", gauge, "--from", path, *at)
        assert answer.code == 0, answer
        inspections[lot] = answer.out.split()[1].rstrip(":")
    signed = (*door.signed_in(), "--deviation", "released before the closing check", "--deviation-by", "mk")
    assert door("certify", "L-1", *signed).code in (0, 1)
    amended = door("amend", "L-1", "--exclude", "1=slipped", "--by", "mk", "--why", "the probe had slipped")
    assert amended.code == 0, amended
    assert door("certify", "L-1", *signed, "--why", "a reading was excluded").code in (0, 1)

    failed = door.verify_gauge("closing", "2026-11-03T15:00", read=BAD)
    assert failed.code == 1
    named = re.search(r"filmtally lookback --check (\S+)", failed.err)
    assert named is not None
    assert "look back now: 2 inspections and 2 certificates with readings in doubt" in failed.sentence

    found = _found(door, "--check", named[1])
    assert (found["inspections"], found["certificates"]) == (2, 2)
    assert [one["inspection_id"] for one in found["affected"]] == [inspections["L-1"], inspections["L-2"]]
    first, second = found["affected"][0]["certificates"]
    assert (first["revision"], first["inspection_revision"], first["readings"]) == (1, 1, list(range(1, 9)))
    assert first["superseded_by"] == {"revision": 2, "why": "a reading was excluded"}
    assert (second["revision"], second["inspection_revision"], second["superseded_by"]) == (2, 2, None)
    assert found["affected"][0]["revision"] == 2

    said = door("lookback", "--check", named[1])
    assert said.code == 1
    words = " ".join(said.out.split())
    assert "superseded by revision 2" in words
    assert "(of revision 1 of the inspection)" in words
    _letter_states(door, named[1])
    _table_holds(door, named[1], inspections)


def _letter_states(door: FrontDoor, check_id: str) -> None:
    path = door.folder.parent / "letter.html"
    assert door("lookback", "--check", check_id, "--html", str(path)).code == 1
    html = path.read_text(encoding="utf-8")
    assert html.count('<section class="letter A4">') == 1
    for stated in (
        "Hollin and Wray Garden Works",
        "lot L-1",
        "lot L-2",
        "superseded by revision 2",
        "This is an estimate",
    ):
        assert stated in html
    assert "lot L-0" not in html
    assert "lot L-9" not in html


def _table_holds(door: FrontDoor, check_id: str, inspections: dict[str, str]) -> None:
    path = door.folder.parent / "table.csv"
    assert door("lookback", "--check", check_id, "--csv", str(path)).code == 1
    rows = list(csv.DictReader(io.StringIO(path.read_text(encoding="utf-8"))))
    assert [(r["what"], r["inspection_id"], r["certificate_revision"]) for r in rows] == [
        ("inspection", inspections["L-1"], ""),
        ("certificate", inspections["L-1"], "1"),
        ("certificate", inspections["L-1"], "2"),
        ("inspection", inspections["L-2"], ""),
    ]


def test_each_customer_gets_a_letter_of_its_own_that_names_nobody_elses_parts(week: FrontDoor) -> None:
    path = week.folder.parent / "letters.html"
    assert week(*demo.LOOK_BACK, "--html", str(path)).code == 1
    html = path.read_text(encoding="utf-8")
    letters = html.split("<section ")[1:]
    assert len(letters) == 3
    for own, lot in zip(letters, ("HG-0388", "SP-4410", "BE-0027"), strict=True):
        assert lot in own
        assert [other for other in ("HG-0388", "SP-4410", "BE-0027") if other in own] == [lot]
    assert "default-src 'none'; style-src 'unsafe-inline'" in html
    assert not re.search(r"https?://|src=|<script|url\(", html)


def test_what_an_order_is_called_is_neither_a_formula_in_the_table_nor_markup_in_the_letter(door: FrontDoor) -> None:
    door.verify_gauge("opening", "2026-11-03T09:00")
    path = door.write("x.txt", ("88.0 um\n" * 4 + "32.0 um\n" * 4).encode())
    answer = door.measure("hinge", path, "--purchase-order", "=cmd|' /C calc'!A0", "--work-order", "<b>x</b>", lot="@L")
    assert answer.code == 0, answer
    table, letter = door.folder.parent / "t.csv", door.folder.parent / "t.html"
    words = ("lookback", "--gauge", "FB-11", "--from", "2026-11-03", "--csv", str(table), "--html", str(letter))
    assert door(*words).code == 1
    (row,) = csv.DictReader(io.StringIO(table.read_text(encoding="utf-8")))
    assert (row["purchase_order"], row["lot"]) == ("'=cmd|' /C calc'!A0", "'@L")
    html = letter.read_text(encoding="utf-8")
    assert "<b>" not in html
    assert "&lt;b&gt;x&lt;/b&gt;" in html


def test_nothing_in_doubt_is_said_and_no_letter_is_written(week: FrontDoor) -> None:
    path = week.folder.parent / "none.html"
    answer = week("lookback", "--gauge", "FB-11", "--to", "2026-11-02", "--html", str(path))
    assert answer.code == 0
    assert "Nothing in the archive is in doubt" in answer.out
    assert not path.exists()


@pytest.mark.skipif(sys.platform == "win32", reason="a pipe that closes is told otherwise there")
@pytest.mark.parametrize(("since", "code"), [("2026-11-01", 1), ("2026-12-01", 0)])
@pytest.mark.parametrize("json_said", [(), ("--json",)], ids=["text", "json"])
def test_the_exit_code_answers_although_nobody_reads_to_the_end(
    door: FrontDoor, since: str, code: int, json_said: tuple[str, ...]
) -> None:
    door.covered_lot()
    words = ("--shop", str(door.folder), "lookback", "--gauge", "FB-11", "--from", since, *json_said)
    # The reading end is closed before the program starts, so that its first write already finds nobody.
    to_read, to_write = os.pipe()
    os.close(to_read)
    program = subprocess.run(
        [sys.executable, "-m", "filmtally", *words],
        stdout=to_write, stderr=subprocess.PIPE, cwd=Path(__file__).parents[2], timeout=120, check=False,
    )  # fmt: skip
    os.close(to_write)
    assert (program.returncode, program.stderr) == (code, b"")


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device that is always full")
def test_an_answer_that_finds_no_room_is_one_sentence_and_no_answer(door: FrontDoor) -> None:
    door.covered_lot()
    words = ("--shop", str(door.folder), "lookback", "--gauge", "FB-11", "--from", "2026-12-01")
    with Path("/dev/full").open("wb") as full:
        program = subprocess.run(
            [sys.executable, "-m", "filmtally", *words],
            stdout=full, stderr=subprocess.PIPE, cwd=Path(__file__).parents[2], timeout=120, check=False,
        )  # fmt: skip
    (sentence,) = program.stderr.decode().splitlines()
    assert program.returncode == 2
    assert sentence.startswith("filmtally: the answer cannot be written to standard output (No space left")


def test_only_the_months_that_can_matter_are_asked(week: FrontDoor, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[str] = []

    def ask(root: Path, question: Any, from_month: str = "") -> Any:
        asked.append(from_month)
        return query.ask(root, question, from_month)

    monkeypatch.setattr(look_back, "ask", ask)
    assert week("lookback", "--check", _failed(week)).code == 1
    assert asked == ["2026-11"]
    assert week("lookback", "--gauge", "FB-19", "--from", "2026-12-02").code == 0
    assert asked == ["2026-11", "2026-12", "2026-12"]


def test_a_failed_check_is_said_although_the_archive_cannot_tell_what_it_touches(door: FrontDoor) -> None:
    door.verify_gauge("opening", "2026-11-03T09:00")
    for lot in ("88.0", "87.0"):
        path = door.write("x.txt", (f"{lot} um\n" * 4 + "32.0 um\n" * 4).encode())
        assert door.measure("hinge", path, lot=lot).code == 0
    # Not the bench's last commit: on that it could not go on.
    file = min((door.folder / "archive" / "readings").rglob("*.parquet"))
    file.write_bytes(file.read_bytes()[:-100])
    failed = door.verify_gauge("closing", "2026-11-03T15:00", read=BAD)
    assert failed.code == 4
    assert "FAILED" in failed.out
    assert file.name in failed.sentence


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        ((), "name one of them"),
        (("--gauge", "FB-11", "--check", "x"), "name one of them"),
        (("--gauge", "FB-99"), "there is no gauge 'FB-99'"),
        (("--standard", "S-99"), "there is no standard 'S-99'"),
        (("--check", "20261103-084500-ZZZZ"), "there is no check '20261103-084500-ZZZZ'"),
        (("--check", "x", "--from", "2026-11-03"), "--from and --to go with --gauge or --standard"),
        (("--standard", "S-50", "--mode", "magnetic"), "--mode goes with --gauge"),
        (("--gauge", "FB-11", "--from", "2026-11-04", "--to", "2026-11-03"), "is later than --to 2026-11-03"),
        (("--gauge", "FB-11", "--from", "yesterday"), "write a day as 2026-01-31"),
        (("--gauge", "FB-11", "--from", "0026-11-03"), "correct the year"),
        (
            ("--gauge", "FB-12", "--mode", "eddy-current"),
            "gauge FB-12 has no mode 'eddy-current' in shop.toml or on record",
        ),
        (("--gauge", "FB-12", "--mode", "eddy-current", "--from", "2026-11-03"), "(it has: magnetic); correct --mode"),
        (("--gauge", "FB-11", "--off", "2.5"), "write it with its unit"),
        (("--gauge", "FB-11", "--reason", "why"), "--reason goes with --gauge and a time"),
        (("--gauge", "FB-11", "--from", "2026-11-03", "--reason", "a\nb"), "--reason"),
    ],
)
def test_what_cannot_be_asked_is_refused_in_one_sentence(
    door: FrontDoor, words: tuple[str, ...], sentence: str
) -> None:
    answer = door("lookback", *words)
    assert answer.code == 2
    assert sentence in answer.sentence


@pytest.mark.parametrize(
    ("option", "name", "sentence"),
    [
        ("--csv", "no/t.csv", "no: there is no such folder"),
        ("--csv", "shop.toml", "let the name end in .csv"),
        ("--html", "t.csv", "let the name end in .html"),
        ("--csv", "orders.csv", "belongs to what the shop keeps"),
        ("--csv", "Orders.CSV", "belongs to what the shop keeps"),
        ("--html", "certificates/t.html", "belongs to what the shop keeps"),
        ("--html", "archive/readings/t.html", "belongs to what the shop keeps"),
        ("--csv", "journals/sealed/t.csv", "belongs to what the shop keeps"),
        ("--csv", "jobs/t.csv", "belongs to what the shop keeps"),
        ("--csv", "into-jobs.csv", "belongs to what the shop keeps"),
    ],
)
def test_a_file_that_may_not_be_written_is_refused_even_with_replace(
    door: FrontDoor, option: str, name: str, sentence: str
) -> None:
    for folder in ("archive/readings", "certificates", "journals/sealed"):
        (door.folder / folder).mkdir(parents=True, exist_ok=True)
    (door.folder / "into-jobs.csv").symlink_to(door.folder / "jobs" / "hinge.csv")
    before = {p: p.read_bytes() for p in door.folder.rglob("*") if p.is_file()}
    answer = door("lookback", "--gauge", "FB-11", "--replace", option, str(door.folder / name))
    assert answer.code == 2
    assert sentence in answer.sentence
    assert {p: p.read_bytes() for p in door.folder.rglob("*") if p.is_file()} == before


def test_a_file_that_is_there_is_written_over_only_when_that_is_said(door: FrontDoor) -> None:
    table, letter = door.folder / "t.csv", door.folder / "t.html"
    table.write_text("mine", encoding="utf-8")
    words = ("lookback", "--gauge", "FB-11", "--csv", str(table), "--html", str(letter))
    assert door(*words).sentence.endswith("t.csv: is there already; name another file, or say --replace")
    assert table.read_text(encoding="utf-8") == "mine"
    letter.symlink_to(table)
    assert "t.html: is to hold two different things" in door(*words, "--replace").sentence
    letter.unlink()
    assert door(*words, "--replace").code == 0
    assert table.read_text(encoding="utf-8").startswith("what,customer")


def test_an_order_table_that_the_shop_calls_otherwise_is_its_own_too(door: FrontDoor) -> None:
    shop = door.folder / "shop.toml"
    named = shop.read_text(encoding="utf-8") + '\n[orders]\nfile = "open-orders.csv"\n'
    shop.write_text(named, encoding="utf-8")
    answer = door("lookback", "--gauge", "FB-11", "--replace", "--csv", str(door.folder / "open-orders.csv"))
    assert "belongs to what the shop keeps" in answer.sentence
    assert (
        "belongs to what the shop keeps"
        in door("archive", "export", "readings", str(door.folder / "open-orders.csv"), "--replace").sentence
    )

"""Bad input gets one sentence that says what, where and what to do, and its exit code; never a traceback."""

from __future__ import annotations

import errno
import os
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from archive.shop_folder import ShopFolder
from archive.store import Archive
from ingest.open_inspection import open_ids
from tests.front.shop import Answer, FrontDoor

GOOD_HINGE = b"88.0 um\n" * 4 + b"32.0 um\n" * 4


def _refused(door: FrontDoor, answer: Answer, *parts: str, code: int = 2) -> None:
    assert code == answer.code, answer
    for part in parts:
        assert part in answer.sentence
    assert Archive(door.folder / "archive", "look").inspections() == []
    assert open_ids(ShopFolder(door.folder)) == []


def _hinge(door: FrontDoor, data: bytes, *more: str) -> Answer:
    return door.measure("hinge", door.write("hinge.txt", data), *more)


@pytest.mark.parametrize(
    ("bad", "parts"),
    [
        pytest.param(b"88.0 ell", ("line 3: unknown unit 'ell'; the units are: um",), id="unknown unit"),
        pytest.param(b"3.5 um", ("line 3: 3.5 µm at 'strap face' on piece 1 looks like 3.5 mil", "--accept 3=REASON"), id="mil typed as µm"),
        pytest.param(b"88.0 mil", ("line 3: 88.0 mil at 'strap face' on piece 1 looks like 88.0 µm", "--accept 3=REASON"), id="µm typed as mil"),
        pytest.param(b"88,0 um", ("line 3: '88,0' has a decimal comma", 'use a profile with decimal_mark = ","'), id="decimal comma"),
        pytest.param(b"-88.0 um", ("line 3: -88.0 µm at 'strap face' on piece 1 is negative", "verify the gauge on its zero plate"), id="negative"),
        pytest.param(b"9000 um", ("line 3: 9000 µm at 'strap face' on piece 1 is above 2500 µm",), id="absurd"),
        pytest.param(b"\xfe\xed\xfa\xce\x01\x02", ("line 3: is not text; look at the baud rate",), id="binary garbage"),
        pytest.param(b"88.0\x00 um", ("line 3: has a NUL byte",), id="NUL bytes"),
        pytest.param(b"8" * 10_000_000, ("line 3: is 10,000,000 bytes long",), id="10 MB line"),
    ],
)  # fmt: skip
def test_a_line_that_cannot_be_taken_stops_the_import(door: FrontDoor, bad: bytes, parts: tuple[str, ...]) -> None:
    lines = GOOD_HINGE.splitlines()
    answer = _hinge(door, b"\n".join([*lines[:2], bad, *lines[2:]]) + b"\n")
    _refused(door, answer, "hinge.txt: ", *parts, "nothing was taken, the capture is kept")
    assert len(list((door.folder / "captures").glob("*.capture"))) == 1


def test_mil_in_a_comma_profile_meets_a_point(door: FrontDoor) -> None:
    capture = door.write("hinge.txt", GOOD_HINGE.replace(b"um", "µm".encode()))
    answer = door.measure("hinge", capture, "--profile", "comma-decimals")
    _refused(door, answer, "line 1: '88.0' has a decimal point", 'decimal_mark = "."')


@pytest.mark.parametrize("data", [b"", b"# filmtally capture 1\n"], ids=["no byte", "header alone"])
def test_an_empty_capture(door: FrontDoor, data: bytes) -> None:
    _refused(door, _hinge(door, data), "there is nothing in this capture")


def test_a_capture_of_blank_lines_has_no_reading(door: FrontDoor) -> None:
    _refused(door, _hinge(door, b"\n\n"), "hinge.txt: there is no reading in this capture")


def test_a_truncated_last_line(door: FrontDoor) -> None:
    answer = _hinge(door, GOOD_HINGE[:-3])
    _refused(
        door,
        answer,
        "line 8: '32.0' is not how profile",
        "it is the last line and has no line end, so it may be cut short",
    )
    answer = _hinge(door, GOOD_HINGE[:-1])
    _refused(
        door,
        answer,
        "line 8: '32.0 um' is the last line and has no line end, so it may be cut short",
        "--accept 8=REASON",
    )
    assert _hinge(door, GOOD_HINGE[:-1], "--accept", "8=the gauge ends its file so").code == 0


def test_the_same_capture_twice_adds_nothing(door: FrontDoor) -> None:
    assert _hinge(door, GOOD_HINGE).code == 0
    again = _hinge(door, GOOD_HINGE)
    assert again.code == 0
    assert "this capture was taken already, as inspection" in again.out
    assert len(Archive(door.folder / "archive", "look").inspections()) == 1
    other = door.measure("hinge", str(door.folder.parent / "hinge.txt"), lot="L-2")
    assert other.code == 2
    assert "was taken already" in other.sentence
    assert "lot 'L-1'; name the capture of this lot" in other.sentence


def test_readings_for_a_location_that_the_job_does_not_name(door: FrontDoor) -> None:
    line = b'{"film": 78.1, "in": "um", "when": "2026-11-05T10:00:05+0000", "piece": "1", "place": "lid", "spot": 1}\n'
    answer = door.measure("sash-profile", door.write("sash.jsonl", line), "--profile", "json-lines", "--lot-size", "1")
    _refused(
        door,
        answer,
        "sash.jsonl: line 1: location 'lid' is not one of the job's ('outer face'); correct the line or the job",
    )


def test_too_few_readings_keep_the_inspection_open_and_lose_none(door: FrontDoor) -> None:
    answer = _hinge(door, b"88.0 um\n" * 4 + b"32.0 um\n")
    assert answer.code == 2
    assert "too few readings: 'knuckle, running fit' on piece 1 has 1 of 4" in answer.sentence
    (inspection,) = open_ids(ShopFolder(door.folder))
    rest = door(
        "measure",
        "--resume",
        inspection,
        "--from",
        door.write("rest.txt", b"32.0 um\n" * 3),
        "--measured-at",
        "2026-11-03T10:05",
    )
    assert rest.code == 0
    assert Archive(door.folder / "archive", "look").inspection(inspection).readings_counted == 8


def test_a_check_on_a_standard_past_its_due_date(door: FrontDoor) -> None:
    answer = door.verify_gauge("opening", "2026-11-03T09:00", read=("--standard", "S-500=500,501,502"))
    _refused(door, answer, "shop.toml: standard 'S-500' was due on 2026-02-27", "use one that is in date")
    assert Archive(door.folder / "archive", "look").checks() == []


def test_reversed_limits(door: FrontDoor) -> None:
    job = door.folder / "jobs" / "hinge.toml"
    job.write_text(job.read_text(encoding="utf-8").replace("lower = 60", "lower = 160"), encoding="utf-8")
    _refused(
        door,
        _hinge(door, GOOD_HINGE),
        "jobs/hinge.toml: location['strap face']: lower 160 is above target_low 75; limits are reversed",
    )


def test_a_toml_syntax_error(door: FrontDoor) -> None:
    shop = door.folder / "shop.toml"
    shop.write_text(shop.read_text(encoding="utf-8").replace("[verification]", "[verification"), encoding="utf-8")
    _refused(door, _hinge(door, GOOD_HINGE), "shop.toml: not valid TOML: ", "line 9")


def test_a_wrong_passphrase(door: FrontDoor) -> None:
    inspection = door.covered_lot()
    door.signed_in()
    wrong = door.folder / "wrong.txt"
    wrong.write_text("not the passphrase\n", encoding="utf-8")
    answer = door("certify", inspection, "--signer", "mk", "--passphrase-file", str(wrong))
    assert answer.code == 2
    assert "the passphrase is wrong" in answer.sentence
    assert "mk.p12" in answer.sentence
    assert list((door.folder / "certificates").glob("*.pdf")) == []


def test_an_expired_signing_certificate(door: FrontDoor) -> None:
    inspection = door.covered_lot()
    signer = door.signed_in()
    door.now = datetime(2099, 1, 1, tzinfo=UTC)
    answer = door("certify", inspection, *signer)
    assert answer.code == 2
    assert "mk.p12: its certificate expired on 2031-11-25; sign with one that holds" in answer.sentence
    assert list((door.folder / "certificates").glob("*.pdf")) == []


def test_a_certificate_asked_for_twice_needs_a_reason_and_then_supersedes(door: FrontDoor) -> None:
    inspection = door.covered_lot()
    signer = door.signed_in()
    assert door("certify", inspection, *signer).code == 0
    answer = door("certify", inspection, *signer)
    assert answer.code == 2
    assert f"TLPW-{inspection}" in answer.sentence
    assert "--why" in answer.sentence
    assert door("certify", inspection, *signer, "--why", "the customer's order number was missing").code == 0
    first, second = Archive(door.folder / "archive", "look").certificates(inspection)
    assert (
        first.revision,
        first.supersedes,
        second.revision,
        second.supersedes,
        second.superseded_why,
    ) == (1, None, 2, 1, "the customer's order number was missing")


def _fail_in_the_archive(monkeypatch: pytest.MonkeyPatch, folder: Path, number: int) -> None:
    """Let every synced write below *folder* fail as a full or read-only disk does; root is above permissions."""
    real = os.fsync

    def fsync(file: int) -> None:
        if str(folder) in str(Path(f"/proc/self/fd/{file}").readlink()):
            raise OSError(number, os.strerror(number))
        real(file)

    monkeypatch.setattr(os, "fsync", fsync)


@pytest.mark.parametrize(
    ("number", "words"),
    [(errno.ENOSPC, "the disk is full"), (errno.EROFS, "cannot be written")],
    ids=["disk full", "read-only"],
)
def test_an_archive_that_takes_nothing_leaves_the_readings_in_the_journal(
    door: FrontDoor, monkeypatch: pytest.MonkeyPatch, number: int, words: str
) -> None:
    with monkeypatch.context() as patch:
        _fail_in_the_archive(patch, door.folder / "archive", number)
        answer = _hinge(door, GOOD_HINGE)
    assert answer.code == 2
    assert words in answer.sentence
    assert str(door.folder / "archive") in answer.sentence
    assert Archive(door.folder / "archive", "look").inspections() == []
    assert door("seal").code == 0
    assert Archive(door.folder / "archive", "look").inspections()[0].readings_counted == 8


@pytest.mark.parametrize(
    ("number", "words"),
    [(errno.ENOSPC, "the disk is full"), (errno.EROFS, "cannot be written")],
    ids=["disk full", "read-only"],
)
@pytest.mark.parametrize("where", ["captures", "journals"])
def test_a_disk_that_takes_nothing_leaves_the_capture_untouched(
    door: FrontDoor, monkeypatch: pytest.MonkeyPatch, number: int, words: str, where: str
) -> None:
    with monkeypatch.context() as patch:
        _fail_in_the_archive(patch, door.folder / where, number)
        answer = _hinge(door, GOOD_HINGE)
    assert answer.code == 2
    assert words in answer.sentence
    assert _hinge(door, GOOD_HINGE).code == 0


@pytest.mark.parametrize(
    ("words", "parts"),
    [
        (("measure", "gate", "--lot", "1", "--inspector", "mk", "--gauge", "FB-07"), ("there is no job 'gate'", "gate-leaf")),
        (("measure", "hinge", "--lot", "1", "--inspector", "zz", "--gauge", "FB-11"), ("there is no inspector 'zz'",)),
        (("measure", "hinge", "--lot", "1", "--inspector", "mk", "--gauge", "X"), ("there is no gauge 'X'",)),
        (("measure", "hinge", "--inspector", "mk", "--gauge", "FB-11"), ("--lot is missing",)),
        (("measure",), ("name the job",)),
        (("measure", "sash-profile", "--lot", "1", "--inspector", "mk", "--gauge", "FB-07"), ("gauge 'FB-07' has no mode eddy-current",)),
        (("measure", "hinge", "--lot", "1", "--inspector", "mk", "--gauge", "FB-11", "--pieces", "0"), ("--pieces 0",)),
        (("measure", "--resume", "nothing"), ("there is no open inspection 'nothing'",)),
        (("measure", "--resume", "../../shop"), ("is no inspection's name",)),
        (("seal",), ("no inspection is open",)),
        (("amend", "none", "--by", "mk", "--why", "w", "--exclude", "1=x"), ("none",)),
        (("assess", "none"), ("none",)),
        (("certify", "none", "--signer", "mk"), ("none",)),
        (("check", "verification", "--gauge", "FB-11", "--occasion", "opening", "--by", "mk", "--standard", "S-50=50"), ("say which with --mode",)),
        (("check", "verification", "--gauge", "FB-07", "--occasion", "opening", "--by", "mk", "--standard", "S-50"), ("write it as NAME=VALUE",)),
        (("check", "verification", "--gauge", "FB-07", "--occasion", "opening", "--by", "mk", "--standard", "S-50=50;1"), ("is not a number",)),
        (("check", "verification", "--gauge", "FB-07", "--occasion", "opening", "--by", "mk", "--at", "noon"), ("'noon' is no moment",)),
        (("check", "calibration", "--gauge", "FB-07", "--certificate", "N", "--laboratory", "L", "--at", "2026-01-02", "--due", "soon"), ("'soon' is no day",)),
    ],
)  # fmt: skip
def test_words_that_name_nothing(door: FrontDoor, words: tuple[str, ...], parts: tuple[str, ...]) -> None:
    _refused(door, door(*words), *parts)


@pytest.mark.parametrize("words", [(), ("dance",), ("measure", "--lots", "1"), ("check",)])
def test_bad_usage_is_exit_2(door: FrontDoor, words: tuple[str, ...]) -> None:
    with pytest.raises(SystemExit) as caught:
        door(*words)
    assert caught.value.code == 2


def test_a_folder_that_is_no_shop(door: FrontDoor, tmp_path: Path) -> None:
    door.folder = tmp_path / "elsewhere"
    door.folder.mkdir()
    for words in (("history",), ("assess", "--all"), ("seal",), ("archive", "check")):
        answer: Any = door(*words)
        assert answer.code == 2, words
        assert "there is no shop.toml here" in answer.sentence


@pytest.mark.parametrize("name", ["drawings/hinge.svg", "logo.svg"])
def test_a_drawing_or_logo_that_is_no_file_or_too_large_is_one_sentence(door: FrontDoor, name: str) -> None:
    inspection, signed = door.covered_lot(), door.signed_in()
    path = door.folder / name
    path.unlink()
    os.mkfifo(path)
    answer = door("certify", inspection, *signed)
    assert (answer.code, f"{path}: is no file" in answer.sentence) == (2, True)
    path.unlink()
    path.symlink_to("/dev/zero")
    answer = door("certify", inspection, *signed)
    assert (answer.code, f"{path}: is no file" in answer.sentence) == (2, True)
    path.unlink()
    with path.open("wb") as file:
        file.truncate(20_000_001)
    answer = door("certify", inspection, *signed)
    assert (answer.code, "has 20000001 bytes; at most 20 MB" in answer.sentence) == (2, True)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("certify", "L-1", "--signer", "mk"), "filmtally: stopped"),
        (("measure", "hinge", "--lot", "L-2", "--inspector", "mk", "--gauge", "FB-11", "--from", "x.txt"), "filmtally: stopped; what was shown as taken is on disk"),
        (("check", "study", "--gauge", "FB-11", "--by", "mk"), "filmtally: stopped; what was shown as taken is on disk"),
    ],
    ids=["certify", "measure", "study"],
)  # fmt: skip
def test_an_interrupt_says_what_is_kept_where_readings_are_taken(
    door: FrontDoor, monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...], said: str
) -> None:
    def interrupted(_: ShopFolder) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(ShopFolder, "shop", interrupted)
    answer = door(*words)
    assert (answer.code, answer.sentence) == (130, said)

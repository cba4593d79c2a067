"""Issuing: what is refused, what is registered, and that nothing is lost or issued twice."""

from __future__ import annotations

import hashlib
import os
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from archive.store import Archive
from report.assessing import judge
from report.checks_around import bearing_checks
from report.printed import page_texts
from tests.front.shop import GOOD, NOW, FrontDoor, sample_shop
from tests.report import scenario


@pytest.fixture
def door(tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> FrontDoor:
    monkeypatch.delenv("FILMTALLY_PASSPHRASE", raising=False)
    return FrontDoor(sample_shop(tmp_path / "shop"), capsys)


def _certificates(door: FrontDoor) -> list[str]:
    return sorted(path.name for path in (door.folder / "certificates").glob("*"))


def test_a_certificate_is_registered_with_the_hash_of_its_bytes(door: FrontDoor) -> None:
    inspection = door.covered_lot()
    assert door("certify", inspection, *door.signed_in()).code == 0
    (entry,) = Archive(door.folder / "archive", "look").certificates()
    assert (entry.number, entry.revision, entry.verdict, entry.signer) == (f"TLPW-{inspection}", 1, "PASS", "mk")
    assert entry.pdf_sha256 == hashlib.sha256((door.folder / "certificates" / entry.pdf_name).read_bytes()).hexdigest()


def test_a_deviation_needs_a_person_and_is_printed_and_registered(door: FrontDoor) -> None:
    door.verify_gauge("opening", "2026-11-03T09:00", read=(*GOOD, "--standard", "S-25=25.1,24.8,25.0"))
    door.measure("hinge", door.write("a.txt", b"88.0 um\n" * 4 + b"32.0 um\n" * 4))
    signer = door.signed_in()
    assert door("certify", "L-1", *signer, "--deviation", "no closing check").code == 2
    assert door("certify", "L-1", *signer, "--deviation", "no closing check", "--deviation-by", "zz").code == 2
    answer = door("certify", "L-1", *signer, "--deviation", "no closing check", "--deviation-by", "oj")
    assert answer.code == 1
    (entry,) = Archive(door.folder / "archive", "look").certificates()
    assert (entry.verdict, entry.deviation) == ("UNDECIDED", "no closing check (stated by oj)")
    first_page = page_texts((door.folder / "certificates" / entry.pdf_name).read_bytes())[0]
    assert "Deviationnoclosingcheck" in first_page
    assert "undecided" in first_page
    assert door("verify", str(door.folder / "certificates" / entry.pdf_name)).code == 1


def test_what_the_gate_does_not_cover_is_refused_before_the_passphrase_is_asked_for(door: FrontDoor) -> None:
    door.verify_gauge("opening", "2026-11-03T09:00", read=(*GOOD, "--standard", "S-25=25.1,24.8,25.0"))
    door.measure("hinge", door.write("a.txt", b"88.0 um\n" * 4 + b"32.0 um\n" * 4))
    answer = door("certify", "L-1", "--signer", "mk", "--passphrase-file", "no such file")
    assert answer.code == 3
    assert "its closing check is still to come" in answer.sentence
    assert _certificates(door) == []
    assert Archive(door.folder / "archive", "look").certificates() == []


def test_asked_twice_it_is_issued_once_and_again_only_for_a_reason(door: FrontDoor) -> None:
    inspection = door.covered_lot()
    signer = door.signed_in()
    door("certify", inspection, *signer)
    (name,) = _certificates(door)
    before = (door.folder / "certificates" / name).read_bytes()
    again = door("certify", inspection, *signer)
    assert again.code == 2
    assert f"certificate TLPW-{inspection} revision 1 was issued on" in again.sentence
    assert "needs --why REASON" in again.sentence
    assert _certificates(door) == [name]
    assert door("certify", inspection, *signer, "--why", "order number was missing").code == 0
    assert (door.folder / "certificates" / name).read_bytes() == before
    entries = Archive(door.folder / "archive", "look").certificates()
    assert sorted((e.revision, e.supersedes, e.superseded_why) for e in entries) == [
        (1, None, None),
        (2, 1, "order number was missing"),
    ]
    told = door("verify", str(door.folder / "certificates" / name))
    assert told.code == 1
    assert "superseded by revision 2" in told.out
    newest = (door.folder / "certificates" / f"TLPW-{inspection}-r2.pdf").read_bytes()
    assert "Supersedesrevision1ofthiscertificate:ordernumberwasmissing" in page_texts(newest)[0]


@pytest.mark.parametrize("secret", [b"another\n", b"\n", b"\xff\xfe"], ids=["wrong", "empty", "no text"])
def test_a_wrong_passphrase_issues_nothing(secret: bytes, door: FrontDoor) -> None:
    inspection = door.covered_lot()
    door.signed_in()
    wrong = door.write("wrong.txt", secret)
    answer = door("certify", inspection, "--signer", "mk", "--passphrase-file", wrong)
    assert answer.code == 2
    assert "passphrase" in answer.sentence
    assert _certificates(door) == []
    assert Archive(door.folder / "archive", "look").certificates() == []


def test_an_expired_key_issues_nothing(door: FrontDoor) -> None:
    inspection = door.covered_lot()
    signer = door.signed_in()
    door.now = NOW + timedelta(days=6 * 365)
    answer = door("certify", inspection, *signer)
    assert answer.code == 2
    assert "expired on 2031-11-25" in answer.sentence
    assert _certificates(door) == []


def test_an_undecided_lot_is_not_certified_and_says_what_is_missing(door: FrontDoor) -> None:
    door.verify_gauge("opening", "2026-11-03T09:00", read=(*GOOD, "--standard", "S-25=25.1,24.8,25.0"))
    door.measure("hinge", door.write("a.txt", b"88.0 um\n" * 4 + b"32.0 um\n"))
    door("seal", "--as-is", "part was taken away")
    door.verify_gauge("closing", "2026-11-03T15:00")
    answer = door("certify", "L-1", *door.signed_in())
    assert answer.code == 2
    assert "is undecided, so there is nothing to certify" in answer.sentence
    assert "1 of 4" in answer.sentence


def test_a_signer_without_a_key_is_told_how_to_make_one(door: FrontDoor) -> None:
    answer = door("certify", door.covered_lot(), "--signer", "oj")
    assert answer.code == 2
    assert "make one with 'filmtally identity oj'" in answer.sentence


def test_someone_who_joined_after_the_sealing_may_sign(door: FrontDoor) -> None:
    inspection = door.covered_lot()
    shop = door.folder / "shop.toml"
    person = '\n[[inspector]]\ncode = "nw"\nname = "Nell Wynd"\nrole = "quality inspector"\nindependent_of_production = true\n'
    shop.write_text(shop.read_text(encoding="utf-8") + person, encoding="utf-8")
    secret = door.folder / "nw.txt"
    secret.write_text("hers\n", encoding="utf-8")
    assert door("identity", "nw", "--passphrase-file", str(secret)).code == 0
    assert door("certify", inspection, "--signer", "nw", "--passphrase-file", str(secret)).code == 0
    (name,) = _certificates(door)
    assert door("verify", str(door.folder / "certificates" / name)).code == 0


def test_a_job_that_was_changed_after_sealing_judges_as_it_was(door: FrontDoor) -> None:
    inspection = door.covered_lot()
    job = door.folder / "jobs" / "hinge.toml"
    job.write_text(job.read_text(encoding="utf-8").replace("upper = 125", "upper = 101"), encoding="utf-8")
    answer = door("assess", inspection)
    assert "60 – 125" in answer.out


def test_nothing_is_registered_when_the_pdf_cannot_be_written(door: FrontDoor, monkeypatch: pytest.MonkeyPatch) -> None:
    inspection = door.covered_lot()
    signer = door.signed_in()
    real = os.fsync

    def full(file: int) -> None:
        if "certificates" in str(Path(f"/proc/self/fd/{file}").readlink()):
            raise OSError(28, "No space left on device")
        real(file)

    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", full)
        answer = door("certify", inspection, *signer)
    assert answer.code == 2
    assert "the disk is full" in answer.sentence
    assert Archive(door.folder / "archive", "look").certificates() == []
    assert door("certify", inspection, *signer).code == 0


def test_a_pdf_that_a_kill_left_unregistered_is_moved_aside_and_kept(door: FrontDoor) -> None:
    inspection = door.covered_lot()
    left = door.folder / "certificates" / f"TLPW-{inspection}-r1.pdf"
    left.parent.mkdir()
    left.write_bytes(b"left over")
    answer = door("certify", inspection, *door.signed_in())
    assert answer.code == 0
    assert "never registered" in answer.err
    assert _certificates(door) == [f"TLPW-{inspection}-r1.pdf", f"TLPW-{inspection}-r1.unregistered-1.pdf"]
    assert (left.parent / f"TLPW-{inspection}-r1.unregistered-1.pdf").read_bytes() == b"left over"


def test_a_forged_file_with_the_right_name_is_not_in_the_register(door: FrontDoor) -> None:
    from tests.report.made import whole

    door("certify", door.covered_lot(), *door.signed_in())
    forged = door.folder.parent / "forged.pdf"
    forged.write_bytes(whole())
    answer = door("verify", str(forged))
    assert answer.code == 4
    assert "is none of the known ones" in answer.err or "register has no certificate" in answer.out


def test_a_lot_is_found_by_its_name_by_its_number_and_by_the_beginning_of_it(door: FrontDoor) -> None:
    inspection = door.covered_lot(lot="7")
    for wanted in (inspection, inspection[:17], "7"):
        assert door("assess", wanted).code == 0
    door.now = NOW + timedelta(seconds=5)
    door.covered_lot(lot="8", fit="33.0 um")
    answer = door("assess", inspection[:10])
    assert answer.code == 2
    assert "names 2 inspections" in answer.sentence


def test_the_checks_that_bear_on_an_inspection_judge_it_as_all_of_them_do() -> None:
    early = [replace(c, check_id="C-0") for c in scenario.opening(scenario.BEGAN - timedelta(days=200))]
    late = [
        replace(c, check_id="C-9")
        for c in scenario.closing(scenario.BEGAN + timedelta(days=90), error="9.0", within=False)
    ]
    of = scenario.evidence(checks=[*early, *scenario.opening(), *scenario.closing(), *late])
    bearing = bearing_checks(of.readings, of.checks)
    assert [c.check_id for c in bearing] == ["C-1"] * 3 + ["C-2"] * 3
    assert judge(replace(of, checks=bearing)) == judge(of)


def test_a_certificate_of_an_archive_that_was_put_in_place_of_another_is_told_by_the_ledger(door: FrontDoor) -> None:
    inspection = door.covered_lot()
    assert door("certify", inspection, *door.signed_in()).code == 0
    (pdf,) = (door.folder / "certificates").glob("*.pdf")
    answer = door("verify", str(pdf))
    assert answer.code == 0
    assert "The archive still holds what it held when the certificate was issued." in answer.out
    for file in sorted((door.folder / "archive" / "gauge_checks").rglob("*.parquet")):
        file.unlink()
    lost = door("verify", str(pdf))
    assert lost.code == 4
    assert "The archive has no commit" in lost.err

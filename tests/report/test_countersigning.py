"""countersign, through the front door: in a shop folder, and with nothing but the file and a key."""

from __future__ import annotations

import json
import os
from datetime import timedelta
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives.serialization import Encoding

from report.identities import load_identity, make_identity
from tests.front.shop import NOW, PASSPHRASE, Answer, FrontDoor, sample_shop
from tests.report.authorities import authorities, settings_in


@pytest.fixture
def door(tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> FrontDoor:
    monkeypatch.delenv("FILMTALLY_PASSPHRASE", raising=False)
    monkeypatch.delenv("FILMTALLY_SHOP", raising=False)
    (tmp_path / "secret.txt").write_text(PASSPHRASE + "\n", encoding="utf-8")
    return FrontDoor(sample_shop(tmp_path / "shop"), capsys)


def _secret(door: FrontDoor) -> tuple[str, str]:
    return ("--passphrase-file", str(door.folder.parent / "secret.txt"))


def _by_oj(door: FrontDoor, pdf: Path, *more: str) -> Answer:
    if not (door.folder / "identities" / "oj.p12").exists():
        assert door("identity", "oj", *_secret(door)).code == 0
    return door("countersign", str(pdf), "--signer", "oj", "--as", "quality manager", *_secret(door), *more)


def _receiver(door: FrontDoor) -> Path:
    path = door.folder.parent / "receiver.p12"
    if not path.exists():
        path.write_bytes(make_identity("Ola Receiver", "Fenwick Cabinets", PASSPHRASE, NOW - timedelta(days=1)))
    return path


def _by_receiver(door: FrontDoor, pdf: Path, *more: str) -> Answer:
    """Approve as a customer's representative does, who has no shop folder."""
    elsewhere = FrontDoor(door.folder.parent, door.capsys, door.now)
    words = ("--name", "Ola Receiver", "--role", "authorised inspector of Fenwick Cabinets")
    return elsewhere("countersign", str(pdf), "--identity", str(_receiver(door)), *words, *_secret(door), *more)


def test_a_quality_manager_approves_and_the_register_still_knows_the_certificate(door: FrontDoor) -> None:
    pdf = door.certified()
    issued = pdf.read_bytes()
    answer = _by_oj(door, pdf)
    assert answer.code == 0, answer
    assert "approval 1 by" in answer.out
    assert "quality manager" in answer.out
    assert pdf.read_bytes().startswith(issued)
    found = door("verify", str(pdf))
    assert found.code == 0, found
    assert f"Its first {len(issued)} bytes are in the register as TLPW-" in found.out
    assert door("archive", "check").code == 0
    (said,) = json.loads(door("verify", "--json", str(pdf)).out)
    assert [s["kind"] for s in said["signatures"]] == ["release", "approval"]
    assert said["signatures"][1]["meaning"] == "I have seen this certificate and agree to it."


def test_a_customer_approves_with_nothing_but_the_file_and_a_key(door: FrontDoor) -> None:
    pdf = door.certified()
    copy = door.folder.parent / "received.pdf"
    copy.write_bytes(pdf.read_bytes())
    answer = _by_receiver(door, copy, "--meaning", "Witnessed and accepted on arrival.")
    assert answer.code == 0, answer
    assert "not shown before it was countersigned: No known key was given" in answer.out
    key = load_identity(_receiver(door).read_bytes(), PASSPHRASE, NOW, "x")
    # The shop sees an approval by somebody that it does not know until it is told who that is.
    unsure = door("verify", str(copy))
    assert unsure.code == 1
    assert "Not known for an approval: Ola Receiver" in unsure.out
    assert "is none of the known ones" in unsure.out
    assert (
        "approval by Ola Receiver, at 2026-11-25 12:00 UTC by that signer's clock, in the words: \"Witnessed"
        in unsure.out
    )
    told = door("verify", str(copy), "--trust", key.key_sha256)
    assert told.code == 0
    assert "behind them stands what Ola Receiver signed afterwards" in told.out


def test_the_second_approval_closes_the_certificate(door: FrontDoor) -> None:
    pdf = door.certified()
    assert _by_oj(door, pdf).code == 0
    answer = _by_receiver(door, pdf)
    assert answer.code == 0, answer
    assert "approval 2 by Ola Receiver" in answer.out
    assert "nothing may be added any more" in answer.out
    (third := door.folder.parent / "third.p12").write_bytes(make_identity("T", "T", PASSPHRASE, NOW))
    more = door("countersign", str(pdf), "--identity", str(third), "--name", "T", "--role", "T", *_secret(door), "--trust", _key(_receiver(door)))  # fmt: skip
    assert (more.code, "closed it; nothing may be added any more" in more.sentence) == (2, True)


def _key(path: Path) -> str:
    return load_identity(path.read_bytes(), PASSPHRASE, NOW, "x").key_sha256


def test_the_first_approval_closes_it_where_it_is_said_to_be_the_last(door: FrontDoor) -> None:
    pdf = door.certified()
    assert _by_oj(door, pdf, "--last").code == 0
    answer = _by_receiver(door, pdf)
    assert (answer.code, "closed it" in answer.sentence) == (2, True)


def test_out_leaves_the_certificate_alone_and_never_overwrites(door: FrontDoor) -> None:
    pdf = door.certified()
    before = pdf.read_bytes()
    new = door.folder.parent / "approved.pdf"
    assert _by_oj(door, pdf, "--out", str(new)).code == 0
    assert pdf.read_bytes() == before
    assert new.read_bytes().startswith(before)
    again = _by_oj(door, pdf, "--out", str(new))
    assert (again.code, "is there already and is not written over; name another file" in again.sentence) == (2, True)


def test_out_writes_nothing_among_what_the_shop_keeps(door: FrontDoor) -> None:
    pdf = door.certified()
    approved = door.folder / "approved.pdf"
    by_oj = _by_oj(door, pdf, "--out", str(approved))
    assert by_oj.code == 0, by_oj
    before = {path for path in door.folder.rglob("*") if path.is_file()}
    for name, sentence in (
        ("archive/approved.pdf", "belongs to what the shop keeps"),
        # Among the certificates it would look like one that was never registered.
        (f"certificates/{pdf.stem}-approved.pdf", "belongs to what the shop keeps"),
        ("certificates/TLPW-1-r1.pdf", "belongs to what the shop keeps"),
        ("jobs/hinge.toml", "let the name end in .pdf"),
        ("no/approved.pdf", "there is no such folder"),
    ):
        answers = [by(door, pdf, "--out", str(door.folder / name)) for by in (_by_oj, _by_receiver)]
        assert [answer.code for answer in answers] == [2, 2]
        assert all(sentence in answer.sentence for answer in answers), answers
    assert {path for path in door.folder.rglob("*") if path.is_file()} == before
    assert door("archive", "check").code == 0


def test_a_copy_is_approved_into_the_place_of_a_certificate_that_was_lost(door: FrontDoor) -> None:
    pdf = door.certified()
    issued = pdf.read_bytes()
    copy = door.folder.parent / "received.pdf"
    pdf.rename(copy)
    assert "its PDF is not there" in door("archive", "check").out
    answer = _by_oj(door, copy, "--out", str(pdf))
    assert answer.code == 0, answer
    assert pdf.read_bytes().startswith(issued)
    assert door("archive", "check").code == 0
    over = _by_receiver(door, copy, "--out", str(pdf))
    assert over.code == 2


def test_what_does_not_hold_is_not_countersigned(door: FrontDoor) -> None:
    pdf = door.certified()
    good = pdf.read_bytes()
    place = good.index(b"stream", 2000) + 40
    for bad in (good[:place] + bytes([good[place] ^ 1]) + good[place + 1 :], good + b"\n"):
        pdf.write_bytes(bad)
        answer = _by_oj(door, pdf)
        assert answer.code == 4
        assert pdf.read_bytes() == bad
    pdf.write_bytes(b"hello")
    assert _by_oj(door, pdf).code == 4


def test_a_superseded_certificate_is_not_countersigned(door: FrontDoor) -> None:
    pdf = door.certified()
    inspection = pdf.stem.removeprefix("TLPW-").removesuffix("-r1")
    assert door("certify", inspection, *door.signed_in(), "--why", "order number was missing").code == 0
    answer = _by_oj(door, pdf)
    assert (answer.code, "superseded by revision 2" in answer.sentence) == (2, True)


def test_who_released_it_does_not_approve_it_as_well(door: FrontDoor) -> None:
    pdf = door.certified()
    answer = door("countersign", str(pdf), *door.signed_in())
    assert (answer.code, "has signed it with this key already" in answer.sentence) == (2, True)


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ((), "say who approves"),
        (("--signer", "oj", "--identity", "x.p12"), "say who approves"),
        (("--identity", "x.p12"), "--identity needs --name NAME and --role ROLE"),
        (("--identity", "x.p12", "--name", "A\u4e2d", "--role", "inspector"), "the name of the approval"),
        (("--identity", "x.p12", "--name", "A", "--role", "x" * 300), "has 1 to 200 letters"),
        (("--identity", "x.p12", "--name", "A", "--role", "r"), "x.p12: cannot be read"),
        (("--identity", "x.p12", "--name", "A", "--role", "r", "--level", "b-t"), "is set up in a shop folder"),
        (("--signer", "zz"), "there is no inspector 'zz'"),
        (("--signer", "oj", "--level", "b-t"), "level b-t cannot be signed: add tsa_url"),
    ],
)
def test_what_is_asked_for_wrongly_is_said_in_one_sentence(words: tuple[str, ...], says: str, door: FrontDoor) -> None:
    pdf = door.certified()
    before = pdf.read_bytes()
    answer = door("countersign", str(pdf), *words, *_secret(door))
    assert answer.code == 2
    assert says in answer.sentence
    assert pdf.read_bytes() == before
    assert door("countersign", str(pdf.with_name("none.pdf")), *words, *_secret(door)).code == 2


def test_a_full_disk_leaves_the_certificate_as_it_was(door: FrontDoor, monkeypatch: pytest.MonkeyPatch) -> None:
    pdf = door.certified()
    before = pdf.read_bytes()
    assert door("identity", "oj", *_secret(door)).code == 0
    real = os.fsync

    def full(file: int) -> None:
        if "certificates" in str(Path(f"/proc/self/fd/{file}").readlink()):
            raise OSError(28, "No space left on device")
        real(file)

    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", full)
        answer = _by_oj(door, pdf)
    assert (answer.code, "the disk is full" in answer.sentence) == (2, True)
    assert pdf.read_bytes() == before
    assert [p.name for p in pdf.parent.iterdir()] == [pdf.name]


def test_archive_check_tells_an_approval_from_a_change(door: FrontDoor) -> None:
    pdf = door.certified()
    assert _by_oj(door, pdf).code == 0
    assert door("archive", "check").code == 0
    pdf.write_bytes(pdf.read_bytes() + b"\n%more\n")
    answer = door("archive", "check")
    assert answer.code == 4
    assert "is not the certificate that was issued" in answer.out


# At a level with a time stamp


def _with_authority(door: FrontDoor, level: str, url: str, revocation: str = "fetch") -> None:
    shop = door.folder / "shop.toml"
    more = f'\n[signature]\nlevel = "{level}"\ntsa_url = "{url}"\ntsa_roots = "trust/time.pem"\nrevocation = "{revocation}"\n'
    shop.write_text(shop.read_text(encoding="utf-8") + more, encoding="utf-8")


def test_a_shop_with_an_authority_certifies_and_approves_with_time_stamps_over_the_network(door: FrontDoor) -> None:
    """Revocation is looked up over HTTP here, by the machine's own clock."""
    from datetime import UTC, datetime

    door.now = datetime.now(UTC)
    with authorities() as by:
        settings_in(door.folder, by, door.now, "b-lta")
        pdf = door.certified()
        assert door("verify", str(pdf)).code == 0
        _with_authority(door, "b-lta", by.tsa_url)
        again = door("certify", pdf.stem.removeprefix("TLPW-").removesuffix("-r1"), *door.signed_in(), "--why", "level")
        assert again.code == 0, again
        newer = pdf.with_name(pdf.name.replace("-r1", "-r2"))
        approved = _by_oj(door, newer)
        assert approved.code == 0, approved
    found = door("verify", "--json", str(newer))
    (said,) = json.loads(found.out)
    assert found.code == 0, [p for p in said["parts"] if p["verdict"] != "PASS"]
    assert [s["kind"] for s in said["signatures"]] == ["release", "time stamp", "approval", "time stamp"]
    assert door("archive", "check").code == 0


def test_an_authority_that_is_away_issues_nothing_and_a_lower_level_has_to_be_asked_for(door: FrontDoor) -> None:
    with authorities(NOW) as by:
        settings_in(door.folder, by, NOW, "b-t")
    _with_authority(door, "b-t", "http://127.0.0.1:9/")
    inspection = door.covered_lot()
    signer = door.signed_in()
    answer = door("certify", inspection, *signer)
    assert answer.code == 2
    assert "the time-stamp authority http://127.0.0.1:9/ gave no time stamp" in answer.sentence
    assert not list((door.folder / "certificates").glob("*"))
    assert door("certify", inspection, *signer, "--level", "b-b").code == 0
    (pdf,) = (door.folder / "certificates").glob("*")
    before = pdf.read_bytes()
    assert _by_oj(door, pdf).code == 2
    assert pdf.read_bytes() == before
    assert _by_oj(door, pdf, "--level", "b-b").code == 0


def test_where_a_key_is_kept_and_who_stamps_the_time_never_reaches_a_customer(door: FrontDoor) -> None:
    import pikepdf

    with authorities(NOW) as by:
        settings_in(door.folder, by, NOW, "b-t")
        _with_authority(door, "b-t", by.tsa_url)
        pdf = door.certified()
    with pikepdf.open(pdf) as opened:
        inside = opened.attachments["certificate.json"].get_file().read_bytes()
    assert b"tsa" not in inside
    assert b"trust/" not in inside


def test_the_certificate_of_each_key_lies_open_beside_it(door: FrontDoor) -> None:
    _by_oj(door, door.certified())
    for code in ("mk", "oj"):
        lies = (door.folder / "identities" / f"{code}.crt").read_bytes()
        certificate = x509.load_pem_x509_certificate(lies)
        assert certificate.public_bytes(Encoding.PEM) == lies.replace(b"\r\n", b"\n")
        assert b"PRIVATE" not in lies

"""The signature, by a foreign program and by ours; and every way that a certificate can stop being true."""

from __future__ import annotations

import random
import shutil
import subprocess
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from report.signing import load_identity, make_identity
from report.verifying import VerificationReport, verify
from rules.verdict import Verdict
from schemas.errors import BadInput, IntegrityFailed
from tests.report import scenario
from tests.report.made import (
    PASSPHRASE,
    drafted,
    identity,
    signed,
    whole,
    with_document,
    with_later_page,
    with_page_text,
)

needs_pdfsig = pytest.mark.skipif(
    shutil.which("pdfsig") is None, reason="needs poppler-utils: apt-get install poppler-utils"
)


def _known(pdf: bytes) -> VerificationReport:
    return verify(pdf, {identity().key_sha256})


def _part(found: VerificationReport, name: str) -> Verdict:
    return next(p.verdict for p in found.parts if p.name == name)


def _pdfsig(pdf: bytes, tmp_path: Path) -> list[str]:
    path = tmp_path / "some.pdf"
    path.write_bytes(pdf)
    shown = subprocess.run(["pdfsig", "-nocert", str(path)], capture_output=True, text=True, check=False).stdout
    return [line.strip(" -") for line in shown.splitlines()]


@needs_pdfsig
def test_pdfsig_calls_the_signature_valid_and_the_total_document_signed(tmp_path: Path) -> None:
    lines = _pdfsig(whole(), tmp_path)
    assert "Signature Validation: Signature is Valid." in lines
    assert "Total document signed" in lines


@needs_pdfsig
@pytest.mark.parametrize("place", [2_000, 20_000, 60_000])
def test_one_flipped_byte_inside_the_signed_range_is_refused_by_pdfsig_and_by_us(place: int, tmp_path: Path) -> None:
    changed = bytearray(whole())
    changed[place] ^= 0x01
    assert "Signature Validation: Signature is Valid." not in _pdfsig(bytes(changed), tmp_path)
    assert _refused(bytes(changed))


def _refused(pdf: bytes) -> bool:
    try:
        found = _known(pdf)
    except IntegrityFailed:
        return True
    return any(p.verdict is Verdict.FAIL for p in found.parts)


def test_a_good_certificate_holds_in_every_part() -> None:
    found = _known(whole())
    assert [(p.name, p.verdict, p.sentence) for p in found.parts if p.verdict is not Verdict.PASS] == []
    assert found.holds
    assert found.states == "conforms"


def test_two_hundred_single_bit_flips_all_over_the_file_are_all_refused() -> None:
    rng = random.Random(2360)
    good = whole()
    accepted = []
    for _ in range(200):
        place, bit = rng.randrange(len(good)), 1 << rng.randrange(8)
        changed = bytearray(good)
        changed[place] ^= bit
        if not _refused(bytes(changed)):
            accepted.append((place, bit))
    assert accepted == []


def test_every_digit_of_the_signature_itself_counts() -> None:
    """The hex digits of the signature are outside of what is signed; a rule that looks at the range alone misses them."""
    good = whole()
    start = good.index(b"/Contents <") + len(b"/Contents <")
    for place in range(start, start + 2600, 97):
        changed = bytearray(good)
        changed[place] ^= 0x01
        assert _refused(bytes(changed)), place


@pytest.mark.parametrize("tail", [b"\n", b"x", b"%comment\n"])
def test_bytes_behind_the_signature_are_refused(tail: bytes) -> None:
    assert _part(_known(whole() + tail), "whole file") is Verdict.FAIL


@pytest.mark.parametrize("length", [0, 10, 1_000, 100_000, -1, -30])
def test_a_file_that_is_cut_is_refused(length: int) -> None:
    assert _refused(whole()[:length])


def test_a_later_change_by_an_incremental_update_is_refused() -> None:
    assert _refused(with_later_page(whole()))


@pytest.mark.parametrize("content", [b"", b"hello", b"%PDF-1.7\n%%EOF", b"%PDF-1.7\n/ByteRange [0 1 2 3]"])
def test_what_is_no_certificate_is_refused_in_one_sentence(content: bytes) -> None:
    with pytest.raises(IntegrityFailed):
        verify(content, set())


def test_an_unsigned_certificate_is_refused() -> None:
    with pytest.raises(IntegrityFailed, match="is not signed"):
        verify(drafted().pdf.content, set())


def test_an_unknown_signer_is_not_shown_to_be_anyone() -> None:
    assert _part(verify(whole(), set()), "signer known") is Verdict.UNDECIDED


def test_a_certificate_signed_with_another_key_of_the_same_name_is_refused() -> None:
    made = make_identity("Ida Brandt", "Marlowe Lane Powder Works", PASSPHRASE, scenario.ISSUED - timedelta(days=1))
    foreign = load_identity(made, PASSPHRASE, scenario.ISSUED, "x.p12")
    found = _known(signed(drafted().pdf, foreign))
    assert _part(found, "signer known") is Verdict.FAIL
    assert _part(found, "key as printed") is Verdict.FAIL


def _thicker(document: dict[str, Any]) -> None:
    document["readings"][0]["thickness_um"] = "95.0000"


def _verdict(document: dict[str, Any]) -> None:
    document["judged"]["verdict"] = "FAIL"


def _mean(document: dict[str, Any]) -> None:
    document["stated"]["builds"][0]["mean"] = "99.99"


def _edition_and_mean(document: dict[str, Any]) -> None:
    document["edition"] = "0" * 16
    document["stated"]["builds"][0]["mean"] = "99.99"


def _edition_and_words(document: dict[str, Any]) -> None:
    document["edition"] = "0" * 16
    document["stated"]["order"][0]["text"] = "Somebody Else"


@pytest.mark.parametrize("change", [_thicker, _verdict, _mean, _edition_and_mean, _edition_and_words])
def test_data_that_was_changed_before_signing_with_the_right_key_is_refused(change: Any) -> None:
    found = _known(with_document(change))
    assert _part(found, "signature intact") is Verdict.PASS
    assert any(p.verdict is Verdict.FAIL for p in found.parts), change


def test_a_certificate_of_another_edition_still_holds() -> None:
    def older(document: dict[str, Any]) -> None:
        document["edition"] = "0" * 16

    found = _known(with_document(older))
    assert [(p.name, p.sentence) for p in found.parts if p.verdict is not Verdict.PASS] == []


@pytest.mark.parametrize(
    ("old", "new"),
    [(">conforms</p>", ">conforms fully</p>"), ("Fenwick Cabinets", "Fenwick Gates"), ("PO 4471", "PO 4472")],
)
def test_pages_that_print_something_else_than_the_data_are_refused(old: str, new: str) -> None:
    assert _part(_known(with_page_text(old, new)), "printed pages") is Verdict.FAIL


def test_a_wrong_passphrase_and_a_file_that_is_no_key_get_one_sentence() -> None:
    made = make_identity("Ida Brandt", "M", PASSPHRASE, scenario.ISSUED)
    with pytest.raises(BadInput, match="x.p12: the passphrase is wrong"):
        load_identity(made, "another", scenario.ISSUED, "x.p12")
    with pytest.raises(BadInput, match="x.p12: the passphrase is wrong, or this is not a PKCS#12 file"):
        load_identity(b"nonsense", PASSPHRASE, scenario.ISSUED, "x.p12")
    with pytest.raises(BadInput, match="the passphrase is empty"):
        make_identity("Ida Brandt", "M", "", scenario.ISSUED)


def test_an_expired_key_and_one_that_does_not_hold_yet_do_not_sign() -> None:
    made = make_identity("Ida Brandt", "M", PASSPHRASE, scenario.ISSUED, valid_days=10)
    with pytest.raises(BadInput, match="expired on 2026-03-14"):
        load_identity(made, PASSPHRASE, scenario.ISSUED + timedelta(days=11), "x.p12")
    with pytest.raises(BadInput, match="holds only from 2026-03-04"):
        load_identity(made, PASSPHRASE, scenario.ISSUED - timedelta(days=1), "x.p12")


STORED = Path(__file__).parent / "stored"


def test_a_certificate_of_an_earlier_edition_that_a_customer_kept_still_holds() -> None:
    """Made once, before uncertainty was printed, and never made again: every later edition must verify it."""
    pdf = (STORED / "certificate-document-v1.pdf").read_bytes()
    key = (STORED / "certificate-document-v1.key").read_text(encoding="ascii").strip()
    found = verify(pdf, {key})
    assert [(p.name, p.sentence) for p in found.parts if p.verdict is not Verdict.PASS] == []
    assert found.states == "does not conform"

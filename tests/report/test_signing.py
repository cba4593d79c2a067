"""The signature, by a foreign program; and which keys sign at all."""

from __future__ import annotations

import shutil
import subprocess
from datetime import timedelta
from functools import cache
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.serialization import BestAvailableEncryption, Encoding, pkcs12
from cryptography.x509.oid import NameOID

from report.assessing import judge
from report.certificate import draft
from report.identities import Identity, load_identity, make_identity
from report.pdf import UnsignedPdf
from report.verifying import verify
from rules.verdict import Verdict
from schemas.errors import BadInput
from tests.report import scenario
from tests.report.made import PASSPHRASE, drafted, identity, signed, whole

needs_pdfsig = pytest.mark.skipif(
    shutil.which("pdfsig") is None, reason="needs poppler-utils: apt-get install poppler-utils"
)
VALID = "Signature Validation: Signature is Valid."


def _pdfsig(pdf: bytes, tmp_path: Path) -> list[str]:
    """Return the lines of pdfsig; its exit code says nothing of what it found."""
    path = tmp_path / "some.pdf"
    path.write_bytes(pdf)
    shown = subprocess.run(["pdfsig", "-nocert", str(path)], capture_output=True, text=True, check=False).stdout
    return [line.strip(" -") for line in shown.splitlines()]


@cache
def _unsigned() -> UnsignedPdf:
    return drafted(scenario.evidence(scenario.job(["face"]))).pdf


@needs_pdfsig
def test_pdfsig_calls_the_signature_valid_and_the_total_document_signed(tmp_path: Path) -> None:
    lines = _pdfsig(whole(), tmp_path)
    assert VALID in lines
    assert "Total document signed" in lines
    assert "Signature Type: ETSI.CAdES.detached" in lines
    assert "Signing Hash Algorithm: SHA-256" in lines
    assert "Signer Certificate Common Name: Ida Brandt" in lines


@needs_pdfsig
@pytest.mark.parametrize("share", [0.01, 0.2, 0.5])
def test_one_flipped_byte_inside_the_signed_range_is_refused_by_pdfsig_and_by_us(share: float, tmp_path: Path) -> None:
    good = whole()
    place = int(share * good.index(b"/Contents <"))
    changed = good[:place] + bytes([good[place] ^ 0xFF]) + good[place + 1 :]
    assert VALID not in _pdfsig(changed, tmp_path)
    found = verify(changed, {identity().key_sha256})
    assert any(p.verdict is Verdict.FAIL for p in found.parts)


@needs_pdfsig
def test_pdfsig_finds_no_signature_on_a_certificate_before_it_is_signed(tmp_path: Path) -> None:
    lines = _pdfsig(_unsigned().content, tmp_path)
    assert VALID not in lines
    assert any("The signature form field is not signed" in line for line in lines)


def test_signing_adds_to_the_file_and_changes_nothing_of_it() -> None:
    """ISO 32000-1, 7.5.6: an incremental update leaves the bytes before it as they were (from memory)."""
    assert signed(_unsigned()).startswith(_unsigned().content)


def test_a_self_made_certificate_is_for_signing_documents_and_for_nothing_else() -> None:
    """RFC 5280, 4.2.1.3 and 4.2.1.9 for the usages; RFC 9336 for id-kp-documentSigning (numbers from memory)."""
    made = make_identity("Ida Brandt", "Marlowe Lane Powder Works", PASSPHRASE, scenario.ISSUED, valid_days=10)
    key, certificate, others = pkcs12.load_key_and_certificates(made, PASSPHRASE.encode())
    assert key is not None
    assert certificate is not None
    assert others == []
    usage = certificate.extensions.get_extension_for_class(x509.KeyUsage).value
    assert (usage.digital_signature, usage.content_commitment, usage.key_cert_sign, usage.crl_sign) == (True, True, False, False)  # fmt: skip
    purposes = certificate.extensions.get_extension_for_class(x509.ExtendedKeyUsage).value
    assert [p.dotted_string for p in purposes] == ["1.3.6.1.5.5.7.3.36"]
    assert not certificate.extensions.get_extension_for_class(x509.BasicConstraints).value.ca
    assert certificate.not_valid_after_utc - certificate.not_valid_before_utc == timedelta(days=10)
    assert certificate.public_bytes(Encoding.DER) == load_identity(made, PASSPHRASE, scenario.ISSUED, "x.p12").certificate_der  # fmt: skip


def test_two_keys_of_one_name_are_two_keys() -> None:
    both = [make_identity("Ida Brandt", "M", PASSPHRASE, scenario.ISSUED) for _ in range(2)]
    assert len({load_identity(b, PASSPHRASE, scenario.ISSUED, "x.p12").key_sha256 for b in both}) == 2


def test_the_names_of_a_key_may_be_longer_than_a_certificate_takes() -> None:
    """RFC 5280, appendix A.1: ub-common-name and ub-organization-name are 64 (from memory); bytes are counted here."""
    made = make_identity("Żółkiewska-" * 20, "Ελληνικά " * 20, PASSPHRASE, scenario.ISSUED)
    der = load_identity(made, PASSPHRASE, scenario.ISSUED, "x.p12").certificate_der
    names = [str(a.value) for a in x509.load_der_x509_certificate(der).subject]
    assert [("Żółkiewska-" * 20).startswith(n) for n in names[:1]] == [True]
    assert [60 <= len(n.encode()) <= 64 for n in names] == [True, True]


def test_a_wrong_passphrase_and_a_file_that_is_no_key_get_one_sentence() -> None:
    made = make_identity("Ida Brandt", "M", PASSPHRASE, scenario.ISSUED)
    with pytest.raises(BadInput, match="x.p12: the passphrase is wrong"):
        load_identity(made, "another", scenario.ISSUED, "x.p12")
    with pytest.raises(BadInput, match="x.p12: the passphrase is wrong"):
        load_identity(made, "", scenario.ISSUED, "x.p12")
    with pytest.raises(BadInput, match="x.p12: the passphrase is wrong, or this is not a PKCS#12 file"):
        load_identity(b"nonsense", PASSPHRASE, scenario.ISSUED, "x.p12")
    with pytest.raises(BadInput, match="the passphrase is empty"):
        make_identity("Ida Brandt", "M", "", scenario.ISSUED)


@pytest.mark.parametrize("length", [0, 1, 100, 500, -1])
def test_a_key_file_that_is_cut_is_refused_in_one_sentence(length: int) -> None:
    made = make_identity("Ida Brandt", "M", PASSPHRASE, scenario.ISSUED)
    with pytest.raises(BadInput, match="or this is not a PKCS#12 file"):
        load_identity(made[:length], PASSPHRASE, scenario.ISSUED, "x.p12")


def test_an_expired_key_and_one_that_does_not_hold_yet_do_not_sign() -> None:
    made = make_identity("Ida Brandt", "M", PASSPHRASE, scenario.ISSUED, valid_days=10)
    last = scenario.ISSUED + timedelta(days=10)
    for holds in (scenario.ISSUED, last):
        assert load_identity(made, PASSPHRASE, holds, "x.p12").key_sha256
    with pytest.raises(BadInput, match="expired on 2026-03-14"):
        load_identity(made, PASSPHRASE, last + timedelta(seconds=1), "x.p12")
    with pytest.raises(BadInput, match="holds only from 2026-03-04"):
        load_identity(made, PASSPHRASE, scenario.ISSUED - timedelta(seconds=1), "x.p12")


@pytest.mark.parametrize("days", [-2, 3650], ids=["before it held", "after it expired"])
def test_a_signature_that_claims_a_time_when_its_certificate_did_not_hold_is_refused(days: int) -> None:
    found = verify(signed(_unsigned(), now=scenario.ISSUED + timedelta(days=days)), {identity().key_sha256})
    assert [p.name for p in found.parts if p.verdict is Verdict.FAIL] == ["signature valid"]


@pytest.mark.parametrize(("signs", "failed"), [(True, []), (False, ["signature valid"])])
def test_a_key_whose_certificate_is_not_for_signing_is_refused(signs: bool, failed: list[str]) -> None:
    """RFC 5280, 4.2.1.3: digitalSignature or nonRepudiation (from memory)."""
    by = _with_usage(signs)
    of = scenario.evidence(scenario.job(["face"]))
    pdf = draft(of, judge(of), scenario.facts(key_sha256=by.key_sha256)).pdf
    found = verify(signed(pdf, by), {by.key_sha256})
    assert [p.name for p in found.parts if p.verdict is Verdict.FAIL] == failed


def _with_usage(signs: bool) -> Identity:
    """Return a key whose certificate is for signing, or else for agreeing on keys only."""
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "Ida Brandt")])
    usage = x509.KeyUsage(
        digital_signature=signs, content_commitment=signs, key_encipherment=False, data_encipherment=False,
        key_agreement=not signs, key_cert_sign=False, crl_sign=False, encipher_only=False, decipher_only=False,
    )  # fmt: skip
    certificate = (
        x509.CertificateBuilder(subject_name=name, issuer_name=name, public_key=key.public_key(), serial_number=7)
        .not_valid_before(scenario.ISSUED - timedelta(days=1))
        .not_valid_after(scenario.ISSUED + timedelta(days=1))
        .add_extension(usage, critical=True)
        .sign(key, hashes.SHA256())
    )
    lock = BestAvailableEncryption(PASSPHRASE.encode())
    made = pkcs12.serialize_key_and_certificates(b"x", key, certificate, None, lock)
    return load_identity(made, PASSPHRASE, scenario.ISSUED, "x.p12")

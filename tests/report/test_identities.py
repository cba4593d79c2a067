"""Keys that an authority vouches for: the request, the certificate that comes back, and what is given to customers."""

from __future__ import annotations

import shutil
import subprocess
from datetime import timedelta
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec, rsa
from cryptography.hazmat.primitives.serialization import BestAvailableEncryption, Encoding, pkcs12
from cryptography.x509.oid import NameOID

from report.assessing import judge
from report.certificate import draft
from report.identities import join_identity, load_identity, make_request
from report.verifying import verify
from schemas.errors import BadInput
from tests.front.shop import NOW, PASSPHRASE, FrontDoor, sample_shop
from tests.report import made, scenario

needs_openssl = pytest.mark.skipif(shutil.which("openssl") is None, reason="needs openssl: apt-get install openssl")


@pytest.fixture
def door(tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> FrontDoor:
    monkeypatch.delenv("FILMTALLY_PASSPHRASE", raising=False)
    (tmp_path / "secret.txt").write_text(PASSPHRASE + "\n", encoding="utf-8")
    return FrontDoor(sample_shop(tmp_path / "shop"), capsys)


def _secret(door: FrontDoor) -> tuple[str, str]:
    return ("--passphrase-file", str(door.folder.parent / "secret.txt"))


class Authority:
    """A certificate authority of the simplest kind: a root, and one below it that issues."""

    def __init__(self) -> None:
        self._root_key, self._key = (ec.generate_private_key(ec.SECP384R1()) for _ in range(2))
        self.root = self._certificate("Root", "Root", self._root_key.public_key(), self._root_key, ca=True)
        self.own = self._certificate("Issuing", "Root", self._key.public_key(), self._root_key, ca=True)

    def issue(self, request_pem: bytes, days: int = 365, signs: bool = True) -> x509.Certificate:
        """Return the certificate for a request, as of NOW."""
        request = x509.load_pem_x509_csr(request_pem)
        assert request.is_signature_valid
        name = request.subject.get_attributes_for_oid(NameOID.COMMON_NAME)[0].value
        return self._certificate(
            str(name), "Issuing", request.public_key(), self._key, ca=False, days=days, signs=signs
        )

    @staticmethod
    def _certificate(
        name: str, issuer: str, public: object, key: ec.EllipticCurvePrivateKey, *, ca: bool, days: int = 3650, signs: bool = True
    ) -> x509.Certificate:  # fmt: skip
        usage = x509.KeyUsage(
            digital_signature=signs, content_commitment=signs, key_encipherment=not signs, data_encipherment=False,
            key_agreement=False, key_cert_sign=ca, crl_sign=ca, encipher_only=False, decipher_only=False,
        )  # fmt: skip
        return (
            x509.CertificateBuilder()
            .subject_name(x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)]))
            .issuer_name(x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, issuer)]))
            .public_key(public)  # type: ignore[arg-type]
            .serial_number(x509.random_serial_number())
            .not_valid_before(NOW - timedelta(days=300))
            .not_valid_after(NOW + timedelta(days=days))
            .add_extension(x509.BasicConstraints(ca=ca, path_length=None), critical=True)
            .add_extension(usage, critical=True)
            .sign(key, hashes.SHA256())
        )


def _pem(*certificates: x509.Certificate) -> bytes:
    return b"".join(c.public_bytes(Encoding.PEM) for c in certificates)


def _requested(door: FrontDoor) -> bytes:
    answer = door("identity", "mk", "--request", str(door.folder / "mk.csr"), *_secret(door))
    assert answer.code == 0, answer
    return (door.folder / "mk.csr").read_bytes()


@needs_openssl
def test_the_request_is_one_that_another_program_reads_and_holds_no_secret(door: FrontDoor) -> None:
    """PKCS#10 (RFC 2986), asked of OpenSSL."""
    request = _requested(door)
    shown = subprocess.run(
        ["openssl", "req", "-verify", "-noout", "-subject", "-text"], input=request, capture_output=True, check=True
    )
    text = shown.stdout.decode() + shown.stderr.decode()
    assert "verify OK" in text
    assert "Digital Signature, Non Repudiation" in text
    assert "PRIVATE" not in request.decode()
    assert b"ENCRYPTED PRIVATE KEY" in (door.folder / "identities" / "mk.pending.pem").read_bytes()


def test_the_certificate_that_comes_back_is_joined_with_its_key_and_signs(door: FrontDoor) -> None:
    authority = Authority()
    issued = door.folder / "issued.pem"
    issued.write_bytes(_pem(authority.root, authority.issue(_requested(door)), authority.own))
    answer = door("identity", "mk", "--certificate", str(issued), *_secret(door))
    assert answer.code == 0, answer
    assert "key with the certificate that Issuing issued" in answer.out
    assert not (door.folder / "identities" / "mk.pending.pem").exists()
    identity = load_identity((door.folder / "identities" / "mk.p12").read_bytes(), PASSPHRASE, NOW, "mk.p12")
    assert (identity.issuer, len(identity.chain_der)) == ("Issuing", 2)
    inspection = door.covered_lot()
    assert door("certify", inspection, "--signer", "mk", *_secret(door)).code == 0
    pdf = str(door.folder / "certificates" / f"TLPW-{inspection}-r1.pdf")
    assert door("verify", pdf).code == 0
    # A customer trusts the authority, or the certificate that the shop gives out.
    root, given = door.folder.parent / "root.pem", door.folder.parent / "given.pem"
    root.write_bytes(_pem(authority.root))
    assert door("identity", "mk", "--export", str(given)).code == 0  # nobody is asked for what is open to all
    customer = FrontDoor(door.folder.parent, door.capsys)
    assert customer("verify", pdf, "--trust", str(given)).code == 0
    by_root = customer("verify", pdf, "--trust", str(root))
    assert by_root.code == 1
    assert "whether it was revoked is shown by nothing here" in by_root.out
    stranger = door.folder.parent / "stranger.pem"
    stranger.write_bytes(_pem(Authority().root))
    assert customer("verify", pdf, "--trust", str(stranger)).code == 4


def test_the_certificate_that_lies_open_is_exported_without_a_passphrase(door: FrontDoor, tmp_path: Path) -> None:
    given, kept = tmp_path / "given.pem", door.folder / "identities" / "mk.crt"
    assert door("identity", "mk", *_secret(door)).code == 0
    answer = door("identity", "mk", "--export", str(given))
    assert (answer.code, given.read_bytes()) == (0, kept.read_bytes())
    first = load_identity((door.folder / "identities" / "mk.p12").read_bytes(), PASSPHRASE, NOW, "mk.p12")
    assert first.key_sha256 in "".join(answer.out.split())
    # Where there was another key before, only the key itself says which certificate is its own.
    (door.folder / "identities" / "mk.p12").unlink()
    assert door("identity", "mk", *_secret(door)).code == 0
    over = ("identity", "mk", "--replace", "--export", str(given))
    assert "no passphrase" in door(*over).sentence
    assert door(*over, *_secret(door)).code == 0
    assert given.read_bytes() != kept.read_bytes()
    kept.unlink()
    assert "no passphrase" in door(*over).sentence
    assert "no inspector" in door("identity", "nobody", "--export", str(given)).sentence


def test_what_identity_writes_goes_over_nothing_unasked_and_never_among_what_the_shop_keeps(
    door: FrontDoor, tmp_path: Path
) -> None:
    shop = door.folder / "shop.toml"
    told = shop.read_text(encoding="utf-8").replace('code = "oj"', 'code = "oj"\nidentity = "keys/oj.p12"')
    shop.write_text(told, encoding="utf-8")
    (door.folder / "keys").mkdir()
    assert door("identity", "oj", *_secret(door)).code == 0
    assert door("identity", "mk", *_secret(door)).code == 0
    (mine := tmp_path / "mine.txt").write_text("mine", encoding="utf-8")
    (door.folder / "to-the-key.pem").symlink_to(door.folder / "keys" / "oj.p12")
    before = {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()}
    kept = [door.folder / name for name in ("keys/oj.p12", "to-the-key.pem", "identities/mk.crt", "shop.toml")]
    for path in kept:
        answer = door("identity", "mk", "--replace", "--export", str(path))
        assert (answer.code, "belongs to what the shop keeps" in answer.sentence) == (2, True), answer
    unasked = door("identity", "mk", "--export", str(mine))
    assert (unasked.code, "is there already; name another file, or say --replace" in unasked.sentence) == (2, True)
    (door.folder / "identities" / "mk.p12").rename(tmp_path / "away.p12")
    before[tmp_path / "away.p12"] = before.pop(door.folder / "identities" / "mk.p12")
    for path, sentence in (
        (mine, "is there already and is not written over; name another file"),
        (door.folder / "identities" / "mk.csr", "belongs to what the shop keeps"),
        (tmp_path / "no" / "mk.csr", "there is no such folder"),
    ):
        answer = door("identity", "mk", "--request", str(path), *_secret(door))
        assert (answer.code, sentence in answer.sentence) == (2, True), answer
    over = door("identity", "mk", "--replace", *_secret(door))
    assert (over.code, "a key that is there is never written over" in over.sentence) == (2, True)
    # No key waits for a certificate that nobody asked for.
    assert {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()} == before


def test_a_fingerprint_is_taken_from_a_text_file(door: FrontDoor, tmp_path: Path) -> None:
    inspection = door.covered_lot()
    assert door("certify", inspection, *door.signed_in()).code == 0
    (pdf,) = (str(p) for p in (door.folder / "certificates").glob("*.pdf"))
    told = door("identity", "mk", "--export", str(tmp_path / "given.pem")).out.splitlines()[-1].rpartition(": ")[2]
    customer = FrontDoor(tmp_path / "customer", door.capsys)
    written = tmp_path / "fingerprint.txt"
    bare = "".join(told.split())
    pairs = ":".join(bare[i : i + 2] for i in range(0, 64, 2)).upper()
    for text in (told, bare, f"{pairs}\r\n", f"\ufeff{bare[:32]}\n{bare[32:]}\n"):
        written.write_text(text, encoding="utf-8")
        assert customer("verify", pdf, "--trust", str(written)).code == 0, text
    written.write_text(bare[:-1] + ("0" if bare[-1] != "0" else "1"), encoding="utf-8")
    assert customer("verify", pdf, "--trust", str(written)).code in (1, 4)
    for text in (bare[:-1], bare + "0", "", "g" * 64):
        written.write_text(text, encoding="utf-8")
        answer = customer("verify", pdf, "--trust", str(written))
        assert answer.code == 2
        assert str(written) in answer.sentence


def test_what_does_not_belong_together_is_not_joined(door: FrontDoor) -> None:
    authority = Authority()
    request = _requested(door)
    pending = (door.folder / "identities" / "mk.pending.pem").read_bytes()
    _, other = make_request("Somebody", "Else", PASSPHRASE)
    where = ("mk.pending.pem", "issued.pem")

    def join(*certificates: x509.Certificate, passphrase: str = PASSPHRASE) -> bytes:
        return join_identity(pending, _pem(*certificates), passphrase, NOW, where)

    with pytest.raises(BadInput, match="no certificate in it is of the key"):
        join(authority.issue(other), authority.own)
    with pytest.raises(BadInput, match="is none of the authorities above 'Mara Kohl'|is none of the authorities above"):
        join(authority.issue(request), Authority().own)
    with pytest.raises(BadInput, match="expired on"):
        join(authority.issue(request, days=-1), authority.own)
    with pytest.raises(BadInput, match="is not for signing"):
        join(authority.issue(request, signs=False), authority.own)
    with pytest.raises(BadInput, match="the passphrase is wrong"):
        join(authority.issue(request), passphrase="another")  # noqa: S106 - it is the wrong one
    with pytest.raises(BadInput, match="is no certificate in PEM or DER"):
        join_identity(pending, b"hello", PASSPHRASE, NOW, where)
    assert join(authority.issue(request), authority.own)


def test_a_request_is_made_once_and_never_over_a_key(door: FrontDoor) -> None:
    _requested(door)
    again = door("identity", "mk", "--request", str(door.folder / "again.csr"), *_secret(door))
    assert (again.code, "a request is made once" in again.sentence) == (2, True)
    assert not (door.folder / "again.csr").exists()
    assert door("identity", "oj", *_secret(door)).code == 0
    over = door("identity", "oj", "--request", str(door.folder / "oj.csr"), *_secret(door))
    assert (over.code, "there is a key already" in over.sentence) == (2, True)
    none = door("identity", "oj", "--certificate", str(door.folder / "x.pem"), *_secret(door))
    assert none.code == 2


def test_a_certificate_without_a_pending_key_says_how_to_begin(door: FrontDoor) -> None:
    answer = door("identity", "mk", "--certificate", "issued.pem", *_secret(door))
    assert "there is no key that waits for a certificate; make one with 'filmtally identity mk --request FILE'" in answer.sentence  # fmt: skip


@pytest.mark.parametrize("bits", [1024, 2048, 3072])
def test_an_rsa_key_signs_and_a_short_one_is_refused(bits: int) -> None:
    """NIST SP 800-131A rev. 2: less than 2048 bits is disallowed (from memory)."""
    key = rsa.generate_private_key(65537, bits)
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "Ida Brandt")])
    certificate = (
        x509.CertificateBuilder(subject_name=name, issuer_name=name, public_key=key.public_key(), serial_number=7)
        .not_valid_before(scenario.ISSUED - timedelta(days=1))
        .not_valid_after(scenario.ISSUED + timedelta(days=1))
        .sign(key, hashes.SHA256())
    )
    lock = BestAvailableEncryption(PASSPHRASE.encode())
    content = pkcs12.serialize_key_and_certificates(b"x", key, certificate, None, lock)
    if bits < 2048:
        with pytest.raises(BadInput, match="its RSA key has 1024 bits"):
            load_identity(content, PASSPHRASE, scenario.ISSUED, "x.p12")
        return
    by = load_identity(content, PASSPHRASE, scenario.ISSUED, "x.p12")
    of = scenario.evidence(scenario.job(["Front face"]))
    pdf = draft(of, judge(of), scenario.facts(key_sha256=by.key_sha256)).pdf
    assert verify(made.signed(pdf, by), {by.key_sha256}).holds

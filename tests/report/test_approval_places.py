"""An approval goes into the place that is called as its role, under the name of its key, in the certificate's own words."""

from __future__ import annotations

import dataclasses
import io
import subprocess
from datetime import timedelta
from pathlib import Path
from typing import Any

import pikepdf
import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.serialization import BestAvailableEncryption, pkcs12
from cryptography.x509.oid import NameOID
from fontTools.ttLib import TTFont

from report.identities import Identity, load_identity, make_identity
from report.key_names import other_holder, refuse_anothers_key
from report.languages import catalogue, presentation_of
from report.pdf import refuse_unprintable
from report.signing import approve, sign
from report.stamp_font import unstamped
from report.verifying import verify
from rules.verdict import Verdict
from schemas.customer import Customer
from schemas.errors import BadInput
from schemas.letters import unprinted
from schemas.vocabulary import Language
from tests.front.shop import NOW, PASSPHRASE, Answer, FrontDoor, sample_shop
from tests.report import scenario
from tests.report.made import drafted, identity, second, small

LABELS = ("Jefe de calidad", "Inspector del cliente")
TWO = f'approvals = ["{LABELS[0]}", "{LABELS[1]}"]\n'


@pytest.fixture
def door(tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> FrontDoor:
    for variable in ("FILMTALLY_PASSPHRASE", "FILMTALLY_SHOP"):
        monkeypatch.delenv(variable, raising=False)
    (tmp_path / "secret.txt").write_text(PASSPHRASE + "\n", encoding="utf-8")
    return FrontDoor(sample_shop(tmp_path / "shop"), capsys)


def _certified(door: FrontDoor, wants: str) -> Path:
    (door.folder / "customers").mkdir(exist_ok=True)
    (door.folder / "customers" / "hollin.toml").write_text('name = "Hollin and Wray Garden Works"\n' + wants)
    return door.certified()


def _by_key(
    door: FrontDoor,
    pdf: Path,
    role: str,
    *more: str,
    name: str = "Ola Receiver",
    organisation: str = "Fenwick Cabinets",
) -> Answer:
    """Approve with a key of Ola Receiver, printed as *name*."""
    key = door.folder.parent / f"{organisation}.p12"
    if not key.exists():
        key.write_bytes(make_identity("Ola Receiver", organisation, PASSPHRASE, NOW - timedelta(days=1)))
    words = ("--identity", str(key), "--name", name, "--role", role)
    return door("countersign", str(pdf), *words, "--passphrase-file", str(door.folder.parent / "secret.txt"), *more)


def _by_oj(door: FrontDoor, pdf: Path, *more: str) -> Answer:
    secret = ("--passphrase-file", str(door.folder.parent / "secret.txt"))
    if not (door.folder / "identities" / "oj.p12").exists():
        assert door("identity", "oj", *secret).code == 0
    return door("countersign", str(pdf), "--signer", "oj", *secret, *more)


def _fields(pdf: bytes) -> dict[str, tuple[str, bool]]:
    """Return label and whether it is signed of each approval field, as the file itself has it."""
    with pikepdf.open(io.BytesIO(pdf)) as opened:
        fields = [f for f in opened.Root.AcroForm.Fields if str(f.T).startswith("Approval")]
        return {str(f.T): (str(f.get("/TU", "")), "/V" in f) for f in fields}


# The place


def test_an_approval_takes_the_place_that_is_called_as_its_role_whatever_the_case(door: FrontDoor) -> None:
    pdf = _certified(door, TWO)
    answer = _by_key(door, pdf, "  inspector DEL cliente ")
    assert answer.code == 0, answer
    assert "approval 1 by Ola Receiver, Inspector del cliente in its place on the page" in answer.out
    assert "nothing may be added" not in answer.out
    assert _fields(pdf.read_bytes()) == {"Approval1": (LABELS[0], False), "Approval2": (LABELS[1], True)}
    assert door("verify", str(pdf), "--trust", str(_exported(door))).code == 0
    # The other place is still there, and whoever takes the last one closes the file.
    last = _by_oj(door, pdf, "--as", LABELS[0], "--trust", str(_exported(door)))
    assert last.code == 0, last
    assert (
        "approval 2 by Odo Jasper, Jefe de calidad in its place on the page; nothing may be added any more" in last.out
    )
    assert _fields(pdf.read_bytes()) == {"Approval1": (LABELS[0], True), "Approval2": (LABELS[1], True)}
    assert door("verify", str(pdf), "--trust", str(_exported(door))).code == 0
    signed = subprocess.run(["pdfsig", "-nocert", str(pdf)], capture_output=True, text=True, check=False).stdout
    assert signed.count("Signature Validation: Signature is Valid.") == 3


def _exported(door: FrontDoor) -> Path:
    key = load_identity((door.folder.parent / "Fenwick Cabinets.p12").read_bytes(), PASSPHRASE, NOW, "x")
    (path := door.folder.parent / "ola.der").write_bytes(key.certificate_der)
    return path


def test_a_role_without_a_place_is_refused_with_the_places_that_are_free(door: FrontDoor) -> None:
    pdf = _certified(door, TWO)
    before = pdf.read_bytes()
    answer = _by_key(door, pdf, "Inspector")
    assert answer.code == 2
    assert (
        "it has no place of 'Inspector' to sign in; free is 'Jefe de calidad' and 'Inspector del cliente'"
        in answer.sentence
    )
    # A person of the shop whose role in shop.toml names no place is told the same before a passphrase is asked for.
    unasked = door("countersign", str(pdf), "--signer", "oj", "--passphrase-file", "not asked for")
    assert "it has no place of 'coating line lead' to sign in" in unasked.sentence
    assert pdf.read_bytes() == before


def test_a_place_that_is_taken_is_said_with_who_took_it(door: FrontDoor) -> None:
    pdf = _certified(door, TWO)
    assert _by_key(door, pdf, LABELS[1]).code == 0
    answer = _by_oj(door, pdf, "--as", LABELS[1], "--trust", str(_exported(door)))
    assert answer.code == 2
    assert "Ola Receiver has signed in the place of 'Inspector del cliente' already; free is 'Jefe de calidad'" in answer.sentence  # fmt: skip


def test_a_certificate_with_one_place_takes_one_approval(door: FrontDoor) -> None:
    pdf = _certified(door, f'approvals = ["{LABELS[0]}"]\n')
    assert _by_oj(door, pdf, "--as", LABELS[0]).code == 0
    answer = _by_key(door, pdf, "Somebody")
    assert (answer.code, "no place is free any more" in answer.sentence) == (2, True)


# Type 3.2


THIRD = TWO + f'document_type = "3.2"\nfurther_party = "{LABELS[1]}"\n'


def test_nobody_of_the_shop_completes_a_3_2(door: FrontDoor) -> None:
    pdf = _certified(door, THIRD)
    before = pdf.read_bytes()
    answer = _by_oj(door, pdf, "--as", LABELS[1])
    assert answer.code == 2
    assert "is that of the purchaser's representative or of an official inspector, which Odo Jasper" in answer.sentence
    shop = next(line for line in (door.folder / "shop.toml").read_text().splitlines() if line.startswith("name"))
    own = _by_key(door, pdf, LABELS[1], organisation=shop.split('"')[1].upper())
    assert own.code == 2
    assert "this key is made out to" in own.sentence
    assert pdf.read_bytes() == before
    assert _by_oj(door, pdf, "--as", LABELS[0]).code == 0
    assert _by_key(door, pdf, LABELS[1]).code == 0


# The printed name and the key's


def test_a_self_made_key_signs_under_its_own_name_alone(door: FrontDoor) -> None:
    pdf = _certified(door, TWO)
    before = pdf.read_bytes()
    answer = _by_key(door, pdf, LABELS[1], name="Somebody Else")
    assert answer.code == 2
    assert "the key is made out to 'Ola Receiver', and the name to be printed is 'Somebody Else'" in answer.sentence
    assert pdf.read_bytes() == before


def test_a_certificate_is_not_released_with_a_self_made_key_of_another_name(door: FrontDoor) -> None:
    inspection = door.covered_lot()
    words = door.signed_in()
    (door.folder / "identities" / "mk.p12").write_bytes(
        make_identity("Ola Receiver", "Fenwick Cabinets", PASSPHRASE, NOW - timedelta(days=1))
    )
    for which in ((inspection,), ("--all",)):
        answer = door("certify", *which, *words)
        assert answer.code == 2
        assert "the key is made out to 'Ola Receiver', and the name to be printed is 'Maire Kettle'" in answer.sentence
    assert not list((door.folder / "certificates").glob("*"))


def test_a_long_name_is_that_of_the_key_that_holds_as_much_of_it_as_fits() -> None:
    long = "Żaneta " * 20
    key = load_identity(make_identity(long, "Shop", PASSPHRASE, NOW), PASSPHRASE, NOW, "x")
    assert len(key.holder.encode()) <= 64
    refuse_anothers_key(key, long)
    with pytest.raises(BadInput, match="made out to"):
        refuse_anothers_key(key, "Żaneta")


def _issued(name: str) -> Identity:
    """Return the identity of *name* that another key than its own vouches for."""
    keys = [ec.generate_private_key(ec.SECP256R1()) for _ in range(2)]
    names = [x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, n)]) for n in ("Northaven Signers", name)]
    certificate = (
        x509.CertificateBuilder()
        .issuer_name(names[0])
        .subject_name(names[1])
        .public_key(keys[1].public_key())
        .serial_number(7)
        .not_valid_before(scenario.ISSUED - timedelta(days=1))
        .not_valid_after(scenario.ISSUED + timedelta(days=1))
        .sign(keys[0], hashes.SHA256())
    )
    lock = BestAvailableEncryption(PASSPHRASE.encode())
    content = pkcs12.serialize_key_and_certificates(None, keys[1], certificate, None, lock)
    return load_identity(content, PASSPHRASE, scenario.ISSUED, "x")


def _stamp(pdf: bytes, field: str, tmp_path: Path) -> str:
    """Return the words of the block in *field*, read by poppler, in one line."""
    with pikepdf.open(io.BytesIO(pdf)) as opened:
        widget = next(f for f in opened.Root.AcroForm.Fields if str(f.T) == field)
        page = next(
            n for n, p in enumerate(opened.pages, 1) if widget.objgen in [a.objgen for a in p.get("/Annots", [])]
        )
        x1, y1, x2, y2 = (float(v) for v in widget.Rect)
        height = float(opened.pages[page - 1].MediaBox[3])
    (path := tmp_path / "stamped.pdf").write_bytes(pdf)
    box = ("-x", x1, "-y", height - y2, "-W", x2 - x1, "-H", y2 - y1)
    words = ["pdftotext", "-f", page, "-l", page, *(round(b) if isinstance(b, float) else b for b in box), path, "-"]
    shown = subprocess.run([str(w) for w in words], capture_output=True, text=True, check=True).stdout
    return " ".join(shown.split())


def test_an_authoritys_form_of_the_name_stands_in_the_block_and_in_what_verify_says(tmp_path: Path) -> None:
    key = _issued("Brandt, Ida, Dipl.-Ing. 4711")
    refuse_anothers_key(key, "Ida Brandt")  # an authority's form of a name is nobody's lie
    assert other_holder(key, "Ida Brandt") == "Brandt, Ida, Dipl.-Ing. 4711"
    unsigned = drafted(scenario.evidence(scenario.job(["face"])), key)
    pdf = sign(unsigned.pdf.content, unsigned.pdf.place, key, name="Ida Brandt", reason="R.", location="E", now=scenario.ISSUED, when="then")  # fmt: skip
    assert _stamp(pdf, "Release", tmp_path).startswith(
        "Digitally signed by Ida Brandt; key made out to Brandt, Ida, Dipl.-Ing. 4711 then"
    )
    (part,) = (p for p in verify(pdf, {key.key_sha256}).parts if p.name == "key as printed")
    assert part.verdict is Verdict.PASS
    assert (
        "made out to Brandt, Ida, Dipl.-Ing. 4711 of no organisation, and printed is Ida Brandt of Mar" in part.sentence
    )


def test_verify_says_under_which_other_name_an_approval_was_printed() -> None:
    key = second("Ola Receiver", "Fenwick Cabinets")
    pdf = approve(small(), key, name="Somebody Else", role="r", reason="R.", location=None, now=scenario.ISSUED, when="then")  # fmt: skip
    found = verify(pdf, {identity().key_sha256, key.key_sha256})
    (part,) = (p for p in found.parts if p.name == "key as printed")
    assert (
        "The approval that prints Somebody Else was made with a key that is made out to Ola Receiver." in part.sentence
    )
    assert [(s.holder, s.name) for s in found.signatures][1:] == [("Ola Receiver", "Somebody Else")]


# The words of the block


@pytest.mark.parametrize(("code", "day"), [("en", "2026-11-25"), ("de", "25.11.2026"), ("fr", "25/11/2026"), ("es", "25/11/2026")])  # fmt: skip
def test_a_block_is_worded_as_the_page_is(code: str, day: str, door: FrontDoor, tmp_path: Path) -> None:
    pdf = _certified(door, TWO + f'language = "{code}"\n')
    assert _by_key(door, pdf, LABELS[1]).code == 0
    language = Language(code)

    def words(template: str, **values: Any) -> str:
        return (template if code == "en" else catalogue(language)[template]).format(**values)

    released, approved = (_stamp(pdf.read_bytes(), f, tmp_path) for f in ("Release", "Approval2"))
    for block, who, meaning in (
        (released, "Maire Kettle", "I have seen the readings and checks behind this certificate and release it."),
        (approved, f"Ola Receiver, {LABELS[1]}", "I have seen this certificate and agree to it."),
    ):
        assert block.startswith(f"{words('Digitally signed by {who}', who=who)} {day}")
        assert words(meaning) in block
        assert words("Key {fingerprint}", fingerprint="") in block
        assert (code == "en") == ("Digitally signed" in block)
    # Both moments are in the time zone of the page.
    zone = "UTC" + released.split("(UTC")[1].split(")")[0]
    assert f"({zone})" in approved


@pytest.mark.parametrize("code", ["de", "fr", "es"])
def test_the_meaning_of_an_approval_stands_at_its_place_word_for_word(code: str) -> None:
    known = catalogue(Language(code))
    assert known["{party}: I have seen this certificate and agree to it."].endswith(
        known["I have seen this certificate and agree to it."]
    )


def test_the_font_of_the_block_holds_every_letter_that_a_page_prints() -> None:
    """The pages' own letters are those of the font's character map, read by fontTools."""
    folder = Path(__file__).parents[2] / "report" / "templates" / "fonts"
    kept = [set(TTFont(folder / f"OpenSans-{n}.ttf").getBestCmap()) for n in ("Regular", "Semibold", "Bold")]
    for letter in map(chr, sorted(set.intersection(*kept))):
        if letter.isprintable() and unprinted(letter) is None:
            refuse_unprintable(letter)
            assert unstamped(letter) is None, hex(ord(letter))
    for language in ("de", "fr", "es"):
        assert unstamped("".join(catalogue(Language(language)).values())) is None


def test_a_letter_that_the_block_lacks_is_refused_before_anything_is_signed(door: FrontDoor) -> None:
    assert unprinted("\u1f00") is None
    pdf = _certified(door, TWO)
    before = pdf.read_bytes()
    for words in (("--meaning", "Seen \u1f00."), ("--name", "Ola \u1f00")):
        answer = door("countersign", str(pdf), "--identity", "x.p12", "--name", "Ola", "--role", LABELS[0], *words)
        assert answer.code == 2
        assert "a signature block cannot print '\u1f00' (U+1F00" in answer.sentence
    assert pdf.read_bytes() == before
    unsigned = drafted(scenario.evidence(scenario.job(["face"]))).pdf
    with pytest.raises(BadInput, match=r"nothing was signed, since .* a signature block cannot print"):
        sign(unsigned.content, unsigned.place, _issued("伊達"), name="Ida Brandt", reason="R.", location="E", now=scenario.ISSUED, when="then")  # fmt: skip


# The customer's file


@pytest.mark.parametrize(
    ("more", "says"),
    [
        ({"document_type": "3.2", "approvals": ["A", "B"]}, "say with further_party which place is theirs: 'A' or 'B'"),
        ({"document_type": "3.2", "approvals": ["A"], "further_party": "C"}, "further_party 'C' is none of approvals"),
        ({"further_party": "A"}, "further_party 'A' is none of approvals"),
        ({"approvals": ["Quality manager", "quality  Manager"]}, "stands twice"),
    ],
)
def test_a_customers_file_that_leaves_a_place_open_is_refused(more: dict[str, Any], says: str) -> None:
    with pytest.raises(BadInput, match=says):
        Customer.checked({"name": "x"} | more, "x.toml")


def test_a_3_2_from_before_the_place_was_asked_for_is_still_read_and_names_all_of_them() -> None:
    kept = Customer.from_json('{"name": "x", "document_type": "3.2", "approvals": ["Fore", "Aft"]}')
    of = dataclasses.replace(scenario.evidence(), customer=kept)
    assert "once it is signed below by Fore, Aft as well:" in drafted(of, document_type="3.2").html
    named = kept.model_copy(update={"further_party": "Aft"})
    page = drafted(dataclasses.replace(of, customer=named), document_type="3.2").html
    assert "once it is signed below by Aft as well:" in page
    assert presentation_of(of.shop, named).language is Language.ENGLISH

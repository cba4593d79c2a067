"""Every way that a certificate can stop being true, and that verify tells each of them."""

from __future__ import annotations

import hashlib
import io
import json
from collections.abc import Callable
from datetime import timedelta
from functools import cache
from pathlib import Path
from typing import Any

import pikepdf
import pytest
from cryptography import x509
from cryptography.hazmat.primitives.serialization import Encoding

from bench.flip_bytes import spread_flips
from filmtally import main
from report.assessing import judge
from report.certificate import draft
from report.evidence import Evidence
from report.identities import Identity, load_identity, make_identity
from report.pdf import UnsignedPdf, render
from report.verifying import VerificationReport, verify
from rules.verdict import Verdict
from schemas.certificates import Certificate
from schemas.errors import IntegrityFailed
from tests.report import scenario
from tests.report.made import PASSPHRASE, drafted, identity, parts, signed, whole, with_later_page

Change = Callable[[dict[str, Any]], None]
NUMBER = "MLP-260304-door"
STORED = Path(__file__).parent / "stored"


def _known(pdf: bytes) -> VerificationReport:
    return verify(pdf, {identity().key_sha256})


def _part(found: VerificationReport, name: str) -> Verdict:
    return next(p.verdict for p in found.parts if p.name == name)


def _failed(found: VerificationReport) -> list[str]:
    return [p.name for p in found.parts if p.verdict is Verdict.FAIL]


def _not_shown(found: VerificationReport) -> list[str]:
    """Return the parts that could not be shown, where nothing else is wrong."""
    assert _failed(found) == []
    return [p.name for p in found.parts if p.verdict is Verdict.UNDECIDED]


def _refused(pdf: bytes) -> bool:
    try:
        found = _known(pdf)
    except IntegrityFailed:
        return True
    return _failed(found) != []


def _one_location(**changes: Any) -> Evidence:
    return scenario.evidence(scenario.job(["Front face"]), **changes)


@cache
def _small() -> bytes:
    """Return a good certificate of one location, which is quicker to look at."""
    return signed(_laid_out())


@cache
def _foreign() -> Identity:
    """Return another key of the same name."""
    made = make_identity("Ida Brandt", "Marlowe Lane Powder Works", PASSPHRASE, scenario.ISSUED - timedelta(days=1))
    return load_identity(made, PASSPHRASE, scenario.ISSUED, "x.p12")


def _altered(
    document: Change = lambda _: None,
    files: Callable[[dict[str, bytes]], None] = lambda _: None,
    pages: tuple[str, str] = ("", ""),
    by: Identity | None = None,
) -> bytes:
    """Return a certificate that was altered before it was signed.

    Args:
        document: Changes its certificate.json in place.
        files: Changes the files inside in place.
        pages: What its pages print, and what they print instead.
        by: Who signs; the right key by default.
    """
    files_of, html = _parts()
    inside = dict(files_of)
    plain = json.loads(inside["certificate.json"])
    document(plain)
    inside["certificate.json"] = json.dumps(plain, ensure_ascii=False, indent=1).encode()
    files(inside)
    if pages[0]:
        assert pages[0] in html
        return signed(render(html.replace(*pages, 1), inside, scenario.ISSUED), by)
    return signed(_with_files(_laid_out(), inside), by)


def _with_files(unsigned: UnsignedPdf, inside: dict[str, bytes]) -> UnsignedPdf:
    """Return *unsigned* with other content in the files inside it."""
    out = io.BytesIO()
    with pikepdf.open(io.BytesIO(unsigned.content)) as pdf:
        for spec in pdf.Root.AF:
            spec.EF.F.write(inside[str(spec.F)])
        pdf.save(out, object_stream_mode=pikepdf.ObjectStreamMode.disable, fix_metadata_version=False)
    return UnsignedPdf(out.getvalue(), unsigned.pages, unsigned.place)


@cache
def _laid_out() -> UnsignedPdf:
    return drafted(_one_location()).pdf


@cache
def _parts() -> tuple[dict[str, bytes], str]:
    """Return the files and the pages of a good certificate of one location."""
    return parts(_one_location())


def _set(value: Any, *keys: str | int) -> Change:
    def change(plain: Any) -> None:
        for key in keys[:-1]:
            plain = plain[key]
        assert plain[keys[-1]] != value
        plain[keys[-1]] = value

    return change


# What holds


def test_a_good_certificate_holds_in_every_part() -> None:
    found = _known(whole())
    assert [(p.name, p.sentence) for p in found.parts if p.verdict is not Verdict.PASS] == []
    assert (found.holds, found.states, found.number) == (True, "conforms", f"{NUMBER}, revision 1")


@pytest.mark.parametrize(
    ("of", "facts", "states"),
    [
        pytest.param(
            scenario.evidence(shown=[["130.5", "90", "90", "90", "55.2"], *scenario.figures(11, 5)]), {}, "does not conform",
            id="does not conform, with advice and cautions over pages",
        ),
        pytest.param(
            _one_location(checks=scenario.opening()), {"deviation": "No closing check.", "deviation_by": "TOM"}, "undecided",
            id="undecided, under a deviation",
        ),
        pytest.param(
            scenario.evidence(scenario.job([f"place {n}" for n in range(1, 41)]), checks=scenario.opening() + scenario.closing(scenario.BEGAN + timedelta(hours=2))),
            {}, "conforms", id="forty locations, tables over pages",
        ),
    ],
)  # fmt: skip
def test_a_certificate_as_issued_holds_in_every_part(of: Evidence, facts: dict[str, Any], states: str) -> None:
    found = _known(signed(drafted(of, **facts).pdf))
    assert [(p.name, p.sentence) for p in found.parts if p.verdict is not Verdict.PASS] == []
    assert found.holds
    assert (found.states, found.number) == (states, f"{NUMBER}, revision 1")


@pytest.mark.parametrize(("column", "printed"), [("limits", "50 – 120"), ("deviation", "1.00"), ("mean", "99.0")])
def test_a_figure_that_only_another_edition_could_have_worded_is_still_compared_with_the_data(
    column: str, printed: str
) -> None:
    def altered(plain: dict[str, Any]) -> None:
        plain["edition"] = "0" * 16
        plain["stated"]["builds"][0][column] = printed

    assert "numbers" in _failed(_known(_altered(altered)))


def test_a_certificate_of_another_edition_still_holds_in_all_but_its_wording() -> None:
    found = _known(_altered(_set("0" * 16, "edition")))
    assert _not_shown(found) == ["printed pages"]


@pytest.mark.parametrize("version", [1, 2])
def test_a_certificate_of_an_earlier_edition_that_a_customer_kept_still_holds_in_all_but_its_wording(
    version: int,
) -> None:
    """Made once, before uncertainty (1), before codes and languages (2), and never made again: every later edition verifies it."""
    pdf = (STORED / f"certificate-document-v{version}.pdf").read_bytes()
    key = (STORED / f"certificate-document-v{version}.key").read_text(encoding="ascii").strip()
    found = verify(pdf, {key})
    assert _not_shown(found) == ["printed pages"]
    assert "its wording" in next(p.sentence for p in found.parts if p.name == "printed pages")
    assert found.states == "does not conform"


# The bytes


def test_single_bytes_changed_in_every_part_of_the_file_are_all_refused() -> None:
    """`make campaign` does the same 2,000 times."""
    changed = list(spread_flips(_small(), 40, seed=2360))
    assert len(changed) >= 40
    assert [place for place, copy in changed if not _refused(copy)] == []


def test_every_digit_of_the_signature_itself_counts() -> None:
    """The hex digits of the signature are outside of what is signed; a rule that looks at the range alone misses them."""
    good = _small()
    start = good.index(b"/Contents <") + len(b"/Contents <")
    for place in range(start, start + 2600, 97):
        changed = bytearray(good)
        changed[place] ^= 0x01
        assert _refused(bytes(changed)), place


@pytest.mark.parametrize("tail", [b"\n", b"x", b"%comment\n"])
def test_bytes_behind_the_signature_are_refused(tail: bytes) -> None:
    assert _part(_known(_small() + tail), "whole file") is Verdict.FAIL


def test_so_many_bytes_behind_it_that_no_reader_finds_its_end_are_refused_too() -> None:
    assert _refused(_small() + b"\x00" * 5000)


@pytest.mark.parametrize("length", [0, 10, 1_000, 60_000, -1, -30])
def test_a_file_that_is_cut_is_refused(length: int) -> None:
    assert _refused(_small()[:length])


def test_a_later_change_by_an_incremental_update_is_refused_and_so_is_a_second_one() -> None:
    once = with_later_page(_small())
    for changed in (once, with_later_page(once)):
        assert changed.startswith(_small())
        assert _refused(changed)


def test_an_attachment_that_was_swapped_by_an_incremental_update_is_refused() -> None:
    from pyhanko.pdf_utils.generic import StreamObject
    from pyhanko.pdf_utils.incremental_writer import IncrementalPdfFileWriter

    writer = IncrementalPdfFileWriter(io.BytesIO(_small()))
    specs = writer.root["/AF"]
    spec = next(s.get_object() for s in specs if s.get_object()["/F"] == "readings.csv")
    spec["/EF"]["/F"] = writer.add_object(StreamObject(stream_data=b"reading_no\r\n"))
    writer.update_container(spec["/EF"])
    out = io.BytesIO()
    writer.write(out)
    assert out.getvalue() != _small()
    assert _refused(out.getvalue())


@pytest.mark.parametrize("content", [b"", b"hello", b"%PDF-1.7\n%%EOF", b"%PDF-1.7\n/ByteRange [0 1 2 3]"])
def test_what_is_no_certificate_is_refused_in_one_sentence(content: bytes) -> None:
    with pytest.raises(IntegrityFailed) as refused:
        verify(content, set())
    assert len(refused.value.sentence.splitlines()) == 1


def test_an_unsigned_certificate_is_refused() -> None:
    with pytest.raises(IntegrityFailed, match="is not signed"):
        verify(_laid_out().content, set())


# The key


def test_an_unknown_signer_is_not_shown_to_be_anyone_and_a_known_one_is() -> None:
    assert _part(verify(_small(), set()), "signer known") is Verdict.UNDECIDED
    assert _part(verify(_small(), {_foreign().key_sha256}), "signer known") is Verdict.FAIL
    assert _part(verify(_small(), {identity().key_sha256.upper()}), "signer known") is Verdict.PASS


def test_a_certificate_signed_with_another_key_of_the_same_name_is_refused() -> None:
    found = _known(signed(_laid_out(), _foreign()))
    assert _failed(found) == ["signer known", "key as printed"]


def _swap_csv(inside: dict[str, bytes]) -> None:
    assert b"Fenwick Cabinets" in inside["readings.csv"]
    inside["readings.csv"] = inside["readings.csv"].replace(b"Fenwick Cabinets", b"Fenwick Gates")


def test_a_swapped_attachment_is_refused_whoever_signed_it_again() -> None:
    assert _failed(_known(_altered(files=_swap_csv))) == ["embedded tables"]
    assert _failed(_known(_altered(files=_swap_csv, by=_foreign()))) == ["signer known", "embedded tables", "key as printed"]  # fmt: skip


def test_a_forger_who_names_his_own_key_throughout_is_still_unknown() -> None:
    of = _one_location()
    forged = draft(of, judge(of), scenario.facts(key_sha256=_foreign().key_sha256)).pdf
    assert _failed(_known(signed(forged, _foreign()))) == ["signer known"]


# The numbers and the pages, signed again with the right key


@pytest.mark.parametrize(
    ("change", "refused_by"),
    [
        pytest.param(_set("95.0000", "readings", 0, "thickness_um"), "numbers", id="a reading"),
        pytest.param(_set("FAIL", "judged", "verdict"), "numbers", id="the verdict"),
        pytest.param(_set({}, "judged"), "numbers", id="nothing said to be judged"),
        pytest.param(_set("85", "judged", "locations", 0, "mean"), "numbers", id="the exact mean"),
        pytest.param(_set("99.99", "stated", "builds", 0, "mean"), "numbers", id="the printed mean"),
        pytest.param(_set("undecided", "stated", "verdict"), "numbers", id="the printed verdict"),
        pytest.param(_set("Somebody Else", "stated", "order", 0, "text"), "printed pages", id="the customer"),
        pytest.param(_set("61", "job", "location", 0, "lower"), "numbers", id="a limit that still holds"),
        pytest.param(_set("75", "job", "location", 0, "lower"), "numbers", id="a limit above the target"),
        pytest.param(_set(False, "checks", 0, "within"), "embedded tables", id="a check"),
        pytest.param(_set("sNaN", "readings", 0, "thickness_um"), "numbers", id="a number that raises when compared"),
        pytest.param(_set("1E+99999999", "readings", 0, "lower"), "numbers", id="a number that fills the memory"),
        pytest.param(_set("0001-01-01T00:00:00+14:00", "readings", 0, "taken_at"), "numbers", id="before all time"),
        pytest.param(_set("{", "inspection", "notes_json"), "printed pages", id="notes that are none"),
        pytest.param(_set(None, "stated", "builds"), "numbers", id="no builds stated"),
    ],
)
def test_data_that_was_changed_and_signed_again_with_the_right_key_is_refused(change: Change, refused_by: str) -> None:
    found = _known(_altered(change))
    assert (_part(found, "signature intact"), _part(found, "signature valid")) == (Verdict.PASS, Verdict.PASS)
    assert refused_by in _failed(found)


@pytest.mark.parametrize("change", [_set("99.99", "stated", "builds", 0, "mean"), _set("Somebody Else", "stated", "order", 0, "text")])  # fmt: skip
def test_naming_another_edition_does_not_hide_a_change(change: Change) -> None:
    def both(document: dict[str, Any]) -> None:
        document["edition"] = "0" * 16
        change(document)

    assert _failed(_known(_altered(both))) != []


@pytest.mark.parametrize(
    ("old", "new"),
    [
        (">conforms</p>", ">conforms fully</p>"),
        ("Fenwick Cabinets", "Fenwick Gates"),
        ("PO 4471", "PO 4472"),
        ("<h2>Release</h2>", "<p>Cure was examined as well.</p><h2>Release</h2>"),
        (" End of the certificate.", ""),
    ],
)
def test_pages_that_print_something_else_than_the_data_are_refused(old: str, new: str) -> None:
    assert _failed(_known(_altered(pages=(old, new)))) == ["printed pages"]


# The register


def _entry(pdf: bytes, **changes: Any) -> Certificate:
    content: dict[str, Any] = {
        "number": NUMBER, "revision": 1, "inspection_id": "260304-door", "inspection_revision": 1, "customer": "Fenwick Cabinets",
        "part_no": "FC-1180-L", "lot": "L-2231", "issued_at": scenario.ISSUED, "signer": "IDA", "key_sha256": identity().key_sha256,
        "pdf_sha256": hashlib.sha256(pdf).hexdigest(), "pdf_name": f"{NUMBER}-r1.pdf", "verdict": "PASS", "deviation": None,
        "supersedes": None, "superseded_why": None, "ledger_head": "{}",
    }  # fmt: skip
    return Certificate(**(content | changes))


def _by_register(*register: Certificate) -> tuple[Verdict, str]:
    part = verify(_small(), {identity().key_sha256}, list(register)).parts[-1]
    assert part.name == "register"
    return part.verdict, part.sentence


def test_the_register_knows_the_bytes_that_were_issued_and_no_others() -> None:
    ours, other = _entry(_small()), _entry(b"other bytes")
    assert _by_register(other, ours)[0] is Verdict.PASS
    assert _by_register(other)[0] is Verdict.FAIL
    assert _by_register()[0] is Verdict.FAIL
    assert _by_register(_entry(_small(), number="MLP-other"))[0] is Verdict.FAIL


def test_a_certificate_that_was_superseded_is_as_issued_and_not_the_last_word() -> None:
    newer = _entry(b"newer", revision=2, supersedes=1, superseded_why="order number was missing")
    verdict, sentence = _by_register(_entry(_small()), newer)
    assert verdict is Verdict.UNDECIDED
    assert "superseded by revision 2 of 2026-03-04: order number was missing" in sentence


# Through the front door, outside of any shop


@pytest.fixture
def outside(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("FILMTALLY_SHOP", raising=False)
    return tmp_path


def _file(folder: Path, content: bytes, name: str = "certificate.pdf") -> str:
    path = folder / name
    path.write_bytes(content)
    return str(path)


def test_a_stranger_s_certificate_is_not_shown_to_hold_until_its_key_is_named(outside: Path) -> None:
    pdf = _file(outside, _small())
    certificate = x509.load_der_x509_certificate(identity().certificate_der)
    pem = _file(outside, certificate.public_bytes(Encoding.PEM), "shop.pem")
    der = _file(outside, identity().certificate_der, "shop.der")
    assert main(["verify", pdf]) == 1
    assert main(["verify", pdf, "--trust", identity().key_sha256]) == 0
    assert main(["verify", pdf, "--trust", _in_groups(identity().key_sha256)]) == 0
    assert main(["verify", pdf, "--trust", pem]) == 0
    assert main(["verify", pdf, "--trust", der]) == 0
    assert main(["verify", pdf, "--trust", _foreign().key_sha256]) == 4


def _in_groups(digits: str) -> str:
    return " ".join(digits[i : i + 4].upper() for i in range(0, 64, 4))


def test_what_verify_found_is_its_exit_code(outside: Path, capsys: pytest.CaptureFixture[str]) -> None:
    trust = ["--trust", identity().key_sha256]
    good = _file(outside, _small())
    flipped = _file(outside, _small()[:5000] + bytes([_small()[5000] ^ 1]) + _small()[5001:], "flipped.pdf")
    failing = _file(outside, signed(drafted(_one_location(shown=[["130.5", "90", "90", "90", "90"]])).pdf), "fails.pdf")
    assert main(["verify", good, *trust]) == 0
    assert main(["verify", failing, *trust]) == 1  # every part holds, and it states that the lot does not conform
    assert main(["verify", flipped, *trust]) == 4
    assert main(["verify", good, failing, *trust]) == 1
    assert main(["verify", flipped, good, *trust]) == 4
    assert main(["verify", str(outside / "none.pdf"), *trust]) == 2
    assert main(["verify", good, "--trust", "no such file"]) == 2
    assert main(["verify", good, "--trust", good]) == 2
    said = capsys.readouterr()
    assert "Traceback" not in said.err
    assert f"--trust {good}: is no certificate in PEM or DER" in said.err


def test_the_answer_in_json_says_the_same_as_the_exit_code(outside: Path, capsys: pytest.CaptureFixture[str]) -> None:
    pdf = _file(outside, _small())
    code = main(["verify", pdf, "--trust", identity().key_sha256, "--json"])
    (answer,) = json.loads(capsys.readouterr().out)
    assert (code, answer["holds"], answer["states"]) == (0, True, "conforms")
    assert {p["verdict"] for p in answer["parts"]} == {"PASS"}


def test_a_certificate_of_twelve_locations_that_was_flipped_in_its_pages_is_refused() -> None:
    good = whole()
    place = good.index(b"stream", 2000) + 40
    assert _refused(good[:place] + bytes([good[place] ^ 1]) + good[place + 1 :])

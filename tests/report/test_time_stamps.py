"""Signatures with the help of a time-stamp authority: what each level shows, for how long, and what happens without it.

Levels after ETSI EN 319 142-1; the years are simulated by the clocks of the authorities and of the reader.
"""

from __future__ import annotations

import asyncio
import base64
import io
import random
import threading
import tomllib
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from http.server import BaseHTTPRequestHandler, HTTPServer
from itertools import pairwise
from pathlib import Path
from typing import Any

import pikepdf
import pytest
from asn1crypto import crl, x509
from pyhanko.pdf_utils.incremental_writer import IncrementalPdfFileWriter
from pyhanko.pdf_utils.reader import PdfFileReader
from pyhanko.sign.ades.report import AdESIndeterminate, AdESPassed
from pyhanko.sign.validation.ades import ades_lta_validation
from pyhanko.sign.validation.policy_decl import (
    LocalKnowledge,
    PdfSignatureValidationSpec,
    RevinfoOnlineFetchingRule,
    RevocationInfoGatheringSpec,
    SignatureValidationSpec,
)
from pyhanko_certvalidator.context import CertValidationPolicySpec
from pyhanko_certvalidator.ltv.types import ValidationTimingInfo
from pyhanko_certvalidator.policy_decl import REQUIRE_REVINFO, CertRevTrustPolicy
from pyhanko_certvalidator.registry import SimpleTrustManager
from pyhanko_certvalidator.revinfo.archival import CRLContainer

from report.assessing import judge
from report.certificate import draft
from report.frame import frames_of
from report.identities import Identity, load_identity
from report.pdf import UnsignedPdf
from report.pyhanko_log import silent
from report.signing import sign
from report.time_stamping import long_term, with_document_time_stamp
from report.trust import Trust
from report.verifying import Part, VerificationReport, verify
from rules.verdict import Verdict
from schemas.errors import BadInput, IntegrityFailed
from schemas.shop import Inspector, SignatureSettings
from schemas.vocabulary import SignatureLevel
from tests.report import scenario
from tests.report.authorities import Authorities, authorities, settings_in, years
from tests.report.made import PASSPHRASE, approved, asking, second, signed

LEVELS = ("b-b", "b-t", "b-lt", "b-lta")


@pytest.fixture(scope="module")
def by() -> Iterator[Authorities]:
    """Return the authorities, whose clocks stand at the time of issue."""
    with authorities(scenario.ISSUED) as answering:
        yield answering


@pytest.fixture(scope="module")
def ida(by: Authorities) -> Identity:
    """Return the signer whose certificate an authority issued."""
    return load_identity(by.pkcs12("ida"), PASSPHRASE, scenario.ISSUED, "ida.p12")


def _unsigned(by: Identity) -> UnsignedPdf:
    of = scenario.evidence(scenario.job(["Front face"]))
    return draft(asking(of), judge(of), scenario.facts(key_sha256=by.key_sha256)).pdf


@pytest.fixture(scope="module")
def files(by: Authorities, ida: Identity, tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    """Return one certificate for each level."""
    folder = tmp_path_factory.mktemp("shop")
    return {level: _signed(by, ida, folder, level) for level in LEVELS}


def _signed(by: Authorities, identity: Identity, folder: Path, level: str, **changes: Any) -> bytes:
    settings = settings_in(folder, by, scenario.ISSUED, level, **changes)
    unsigned = _unsigned(identity)
    return sign(
        unsigned.content, unsigned.place, identity, name="Ida Brandt", reason="Released.", location="Eastfold",
        now=scenario.ISSUED, when="then", long_term=long_term(settings, folder, scenario.ISSUED),
    )  # fmt: skip


def _trust(by: Authorities, **changes: Any) -> Trust:
    load = x509.Certificate.load
    trust = Trust(roots=(load(by.certificate("root")),), time_roots=(load(by.certificate("time-root")),))
    return replace(trust, **changes)


def _crl(by: Authorities, issuer: str, at: Any = scenario.ISSUED) -> crl.CertificateList:
    return crl.CertificateList.load(by.crl(issuer, at))


def _part(found: VerificationReport, name: str) -> Part:
    return next(p for p in found.parts if p.name == name)


def _stand(found: VerificationReport) -> dict[str, str]:
    return {p.name: p.verdict.name for p in found.parts if p.verdict is not Verdict.PASS}


# What each level shows


def test_a_certificate_without_a_time_stamp_says_whose_clock_its_time_is(
    by: Authorities, files: dict[str, bytes]
) -> None:
    lists = (_crl(by, "root"), _crl(by, "between"))
    found = verify(files["b-b"], _trust(by, crls=lists), now=scenario.ISSUED)
    assert _stand(found) == {}
    assert _part(found, "time").sentence == (
        "Ida Brandt signed at 2026-03-04 16:30 UTC by the signer's own clock; nobody else shows when."
    )


@pytest.mark.parametrize("level", ["b-lt", "b-lta"])
def test_with_its_evidence_inside_a_certificate_shows_all_without_anything_beside_it(
    level: str, by: Authorities, files: dict[str, bytes]
) -> None:
    found = verify(files[level], _trust(by), now=scenario.ISSUED)
    assert _stand(found) == {}
    assert "says the time-stamp authority Northaven Time Stamps, which is trusted" in _part(found, "time").sentence
    assert "Marlowe Lane Powder Works by Eastfold Signing Authority" in _part(found, "signer known").sentence


@pytest.mark.parametrize("level", ["b-b", "b-t"])
def test_without_a_list_of_the_authority_it_is_not_shown_that_a_signer_was_not_revoked(
    level: str, by: Authorities, files: dict[str, bytes]
) -> None:
    found = verify(files[level], _trust(by), now=scenario.ISSUED)
    assert _stand(found) == {"signer known": "UNDECIDED"}
    assert "give the authority's newest list with --crl FILE" in _part(found, "signer known").sentence


@pytest.mark.parametrize("level", ["b-t", "b-lt", "b-lta"])
def test_a_time_stamp_of_an_unknown_authority_is_named_and_shows_nothing(
    level: str, by: Authorities, ida: Identity, files: dict[str, bytes]
) -> None:
    found = verify(files[level], {ida.key_sha256}, now=scenario.ISSUED)
    assert _stand(found) == {"time": "UNDECIDED"}
    assert "no root to know it by was given, name one with --trust-time FILE" in _part(found, "time").sentence
    foreign = x509.Certificate.load(second().certificate_der)
    stranger = verify(files[level], Trust(frozenset({ida.key_sha256}), time_roots=(foreign,)), now=scenario.ISSUED)
    assert "is none of the trusted ones" in _part(stranger, "time").sentence


def test_a_root_for_time_vouches_for_no_signer(by: Authorities, files: dict[str, bytes]) -> None:
    root = x509.Certificate.load(by.certificate("root"))
    found = verify(files["b-lta"], Trust(time_roots=(root,)), now=scenario.ISSUED)
    assert _part(found, "signer known").verdict is Verdict.UNDECIDED
    assert verify(files["b-lta"], Trust(frozenset({"00" * 32}), time_roots=(root,))).parts[3].verdict is Verdict.FAIL


def test_every_signature_and_time_stamp_is_listed_with_what_it_says(files: dict[str, bytes]) -> None:
    found = verify(files["b-lta"], set())
    assert [(s.kind, s.holder, s.authority) for s in found.signatures] == [
        ("release", "Ida Brandt", "Northaven Time Stamps"),
        ("time stamp", "Northaven Time Stamps", "Northaven Time Stamps"),
    ]
    assert found.signatures[0].stamped_at == "2026-03-04T16:30:00+00:00"
    assert [name for name, _ in found.signers] == ["Ida Brandt"]


def test_another_client_of_the_same_authority_is_not_taken_for_the_shop(by: Authorities) -> None:
    """Whoever trusts a root trusts all that it vouches for; the names then have to be those on the page."""
    tomasz = load_identity(by.pkcs12("rsa"), PASSPHRASE, scenario.ISSUED, "tomasz.p12")
    lists = (_crl(by, "root"), _crl(by, "between"))
    pdf = signed(_unsigned(tomasz), tomasz)
    found = verify(pdf, _trust(by, crls=lists), now=scenario.ISSUED)
    assert _stand(found) == {"key as printed": "UNDECIDED"}
    assert "made out to Tomasz Żółkiewski of Marlowe Lane Powder Works, and printed is Ida Brandt of" in _part(found, "key as printed").sentence  # fmt: skip
    by_key = _trust(by, crls=lists, fingerprints=frozenset({tomasz.key_sha256}))
    assert verify(pdf, by_key, now=scenario.ISSUED).holds


# A revoked signer


def test_a_signer_who_was_revoked_before_is_refused_however_the_list_comes(by: Authorities, tmp_path: Path) -> None:
    una = load_identity(by.pkcs12("revoked"), PASSPHRASE, scenario.ISSUED, "una.p12")
    pdf = signed(_unsigned(una), una)
    newest = (_crl(by, "root"), _crl(by, "between"))
    assert _part(verify(pdf, _trust(by, crls=newest)), "signer known").verdict is Verdict.FAIL
    assert _part(verify(pdf, _trust(by)), "signer known").verdict is Verdict.UNDECIDED
    # Known by its key or not: what an authority took back is taken back.
    known = _trust(by, crls=newest, fingerprints=frozenset({una.key_sha256}))
    assert _part(verify(pdf, known), "signer known").verdict is Verdict.FAIL
    older = (_crl(by, "between", scenario.ISSUED - timedelta(days=90)), *newest)
    assert _part(verify(pdf, _trust(by, crls=older)), "signer known").verdict is Verdict.FAIL


def test_a_revoked_signer_cannot_sign_with_the_evidence_inside(by: Authorities, tmp_path: Path) -> None:
    una = load_identity(by.pkcs12("revoked"), PASSPHRASE, scenario.ISSUED, "una.p12")
    with pytest.raises(BadInput, match="cannot be relied on: .*revoked") as refused:
        _signed(by, una, tmp_path, "b-lt")
    assert len(refused.value.sentence.splitlines()) == 1


# Years later


@pytest.mark.parametrize(
    ("level", "after", "stand"),
    [
        ("b-b", 0, {}),
        ("b-b", 5, {"signer known": "UNDECIDED"}),
        ("b-t", 5, {}),
        ("b-lt", 5, {}),
        ("b-lta", 5, {}),
        ("b-lta", 9.5, {}),
        ("b-lt", 11, {"signer known": "UNDECIDED", "time": "UNDECIDED"}),
        ("b-lta", 11, {"signer known": "UNDECIDED", "time": "UNDECIDED"}),
    ],
)
def test_what_still_holds_years_later(
    level: str, after: float, stand: dict[str, str], by: Authorities, files: dict[str, bytes]
) -> None:
    """The signer's certificate ends in 2028, the time-stamp authority's in 2036; b-b and b-t are given the lists of then."""
    then = scenario.ISSUED + years(after)
    beside = () if level in ("b-lt", "b-lta") else (_crl(by, "root", then), _crl(by, "between", then))
    found = verify(files[level], _trust(by, crls=beside), now=then)
    assert _stand(found) == stand


def test_a_self_made_key_in_date_when_it_signed_stays_known_by_its_fingerprint() -> None:
    from tests.report.made import identity, small

    found = verify(small(), {identity().key_sha256}, now=scenario.ISSUED + years(11))
    assert _stand(found) == {}


def test_a_newer_time_stamp_over_the_whole_carries_it_on(
    by: Authorities, ida: Identity, files: dict[str, bytes], tmp_path: Path
) -> None:
    """In the ninth year another authority stamps the file; in the fifteenth the first one's certificate is long gone."""
    then = scenario.ISSUED + years(9)
    with by.in_the_year(then):
        settings = settings_in(tmp_path, by, then, "b-lta", tsa_url=by.tsa_url_of("next-tsa"))
        more = long_term(settings, tmp_path, then)
        assert more is not None
        writer = IncrementalPdfFileWriter(io.BytesIO(files["b-lta"]))
        writer._update_meta = lambda: None
        self_made = replace(ida, issuer=None)  # the stamp is over the file: the signer's own certificate has ended
        renewed = with_document_time_stamp(writer, more, self_made, then)
    found = verify(renewed, _trust(by), now=scenario.ISSUED + years(15))
    assert _stand(found) == {}
    assert _stand(verify(files["b-lta"], _trust(by), now=scenario.ISSUED + years(15))) != {}


def _ades(pdf: bytes, by: Authorities, after: float) -> Any:
    """Return what pyHanko's own long-term validation (ETSI EN 319 102-1, 5.6) says, with no network."""
    at = scenario.ISSUED + years(after)
    trust = SimpleTrustManager.build([x509.Certificate.load(by.certificate(n)) for n in ("root", "time-root")])
    policy = CertValidationPolicySpec(trust_manager=trust, revinfo_policy=CertRevTrustPolicy(REQUIRE_REVINFO))
    spec = SignatureValidationSpec(
        cert_validation_policy=policy,
        revinfo_gathering_policy=RevocationInfoGatheringSpec(RevinfoOnlineFetchingRule.LOCAL_ONLY),
        # What a reader of that year can get: the lists of then.
        local_knowledge=LocalKnowledge(
            known_crls=[CRLContainer(_crl(by, n, at)) for n in ("root", "between", "time-root")]
        ),
    )
    timing = ValidationTimingInfo(validation_time=at, best_signature_time=at, point_in_time_validation=True)
    (embedded,) = PdfFileReader(io.BytesIO(pdf)).embedded_regular_signatures
    with silent():
        return asyncio.run(ades_lta_validation(embedded, PdfSignatureValidationSpec(spec), timing)).ades_subindic


@pytest.mark.parametrize(
    ("level", "after", "says"),
    [
        ("b-lta", 0.01, AdESPassed.OK),
        ("b-lta", 5, AdESPassed.OK),
        ("b-lta", 9.5, AdESPassed.OK),
        ("b-lta", 11, AdESIndeterminate.NO_POE),
        ("b-lt", 0.01, AdESIndeterminate.NO_POE),
        ("b-lt", 5, AdESIndeterminate.NO_POE),
    ],
)
def test_the_long_term_validation_of_the_standard_agrees_on_b_lta_and_asks_more_of_b_lt(
    level: str, after: float, says: Any, by: Authorities, files: dict[str, bytes]
) -> None:
    """ETSI EN 319 102-1, 5.6: revocation lists count only with proof of when they existed, which is what b-lta adds."""
    assert _ades(files[level], by, after) is says


# Nothing half-made


def test_an_authority_that_cannot_be_reached_signs_nothing_and_says_so_in_one_sentence(
    by: Authorities, ida: Identity, tmp_path: Path
) -> None:
    with pytest.raises(BadInput) as refused:
        _signed(by, ida, tmp_path, "b-t", tsa_url="http://127.0.0.1:9/stamps")
    assert refused.value.sentence.startswith("the time-stamp authority http://127.0.0.1:9/stamps gave no time stamp (")
    assert "nothing was signed; try again later, or sign without one by --level b-b" in refused.value.sentence


class _SaysHello(BaseHTTPRequestHandler):
    """Answers whoever gives the right name and password."""

    def do_POST(self) -> None:
        right = "Basic " + base64.b64encode(b"marlowe:let me in").decode()
        self.send_response(200 if self.headers["Authorization"] == right else 401)
        self.end_headers()
        self.wfile.write(b"hello")

    def log_message(self, *_: Any) -> None:
        """Keep requests out of the test's output."""


def test_an_answer_that_is_no_time_stamp_and_a_page_that_is_not_there_sign_nothing(
    by: Authorities, ida: Identity, tmp_path: Path
) -> None:
    with HTTPServer(("127.0.0.1", 0), _SaysHello) as server:
        thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True)
        thread.start()
        (tmp_path / "password.txt").write_text("let me in\n", encoding="utf-8")
        right = {"tsa_username": "marlowe", "tsa_password_file": "password.txt"}
        with pytest.raises(BadInput, match="its answer is no time stamp"):
            _signed(by, ida, tmp_path, "b-t", tsa_url=f"http://127.0.0.1:{server.server_port}/", **right)
        with pytest.raises(BadInput, match="it answers 401"):
            _signed(by, ida, tmp_path, "b-t", tsa_url=f"http://127.0.0.1:{server.server_port}/")
        server.shutdown()
        thread.join()
    with pytest.raises(BadInput, match="it answers 404"):
        _signed(by, ida, tmp_path, "b-t", tsa_url=f"http://127.0.0.1:{by.port}/nobody")


def test_a_clock_that_is_far_from_the_authority_s_signs_nothing(by: Authorities, ida: Identity, tmp_path: Path) -> None:
    with (
        by.in_the_year(scenario.ISSUED + timedelta(hours=2)),
        pytest.raises(BadInput, match="this machine's clock is 120 minutes from that; set the clock right"),
    ):
        _signed(by, ida, tmp_path, "b-t")


def test_an_authority_with_another_root_than_the_named_one_signs_nothing(
    by: Authorities, ida: Identity, tmp_path: Path
) -> None:
    with pytest.raises(BadInput, match="cannot be relied on"):
        _signed(by, ida, tmp_path, "b-t", tsa_roots="trust/signers.pem")


def test_evidence_that_is_incomplete_or_stale_signs_nothing(by: Authorities, ida: Identity, tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="cannot be relied on"):
        _signed(by, ida, tmp_path, "b-lt", crl_files=["trust/root.crl"])
    settings = settings_in(tmp_path, by, scenario.ISSUED - timedelta(days=200), "b-lt")
    unsigned = _unsigned(ida)
    with pytest.raises(BadInput, match="not recent enough"):
        sign(
            unsigned.content, unsigned.place, ida, name="Ida Brandt", reason="Released.", location="Eastfold",
            now=scenario.ISSUED, when="then", long_term=long_term(settings, tmp_path, scenario.ISSUED),
        )  # fmt: skip


# The file


@pytest.mark.parametrize("level", LEVELS)
def test_at_every_level_the_file_stays_pdf_1_7_and_its_description_is_left_alone(
    level: str, ida: Identity, files: dict[str, bytes]
) -> None:
    before = _unsigned(ida).content
    assert files[level].startswith(before)
    with pikepdf.open(io.BytesIO(files[level])) as pdf, pikepdf.open(io.BytesIO(before)) as unsigned:
        assert str(pdf.Root.get("/Version", "/1.7")) == "/1.7"
        assert [str(e.BaseVersion) for e in pdf.Root.get("/Extensions", {}).values()] in (
            [],
            ["/1.7"],
            ["/1.7", "/1.7"],
        )
        assert pdf.Root.Metadata.read_bytes() == unsigned.Root.Metadata.read_bytes()
        assert dict(pdf.docinfo) == dict(unsigned.docinfo)
        assert ("/DSS" in pdf.Root) == (level in ("b-lt", "b-lta"))


def test_a_certificate_with_a_time_stamp_over_it_takes_an_approval_with_one_of_its_own(
    by: Authorities, files: dict[str, bytes], tmp_path: Path
) -> None:
    tomasz = load_identity(by.pkcs12("rsa"), PASSPHRASE, scenario.ISSUED, "tomasz.p12")
    at = scenario.ISSUED + timedelta(hours=1)
    with by.in_the_year(at):
        more = long_term(settings_in(tmp_path, by, at, "b-lta"), tmp_path, at)
        both = approved(files["b-lta"], tomasz, long_term=more)
    found = verify(both, _trust(by), now=scenario.ISSUED + years(5))
    assert _stand(found) == {}
    assert [s.kind for s in found.signatures] == ["release", "time stamp", "approval", "time stamp"]
    assert "Tomasz Żółkiewski had signed by 2026-03-04 17:30 UTC" in _part(found, "time").sentence


@pytest.mark.parametrize("level", ["b-t", "b-lt", "b-lta"])
def test_single_bit_flips_are_refused_or_change_nothing_that_is_said(
    level: str, by: Authorities, files: dict[str, bytes]
) -> None:
    """A time stamp is written by its authority: some of its digits nobody signs, and they say nothing."""
    rng = random.Random(3161)
    good = files[level]
    trust = _trust(by, crls=(_crl(by, "root"), _crl(by, "between")) if level == "b-t" else ())
    said = _said(good, trust)
    places = [*_one_in_each(rng, 0, len(good), 4)]
    places += [place for frame in frames_of(good) for place in _one_in_each(rng, frame.gap, frame.after, 5)]
    for place in places:
        changed = bytearray(good)
        changed[place] ^= 1 << rng.randrange(4)
        answer = _said(bytes(changed), trust)
        assert answer is None or answer == said, place
    assert said is not None


def _one_in_each(rng: random.Random, low: int, high: int, stretches: int) -> list[int]:
    """Return one place in each of *stretches* of one length, so that all of it is met."""
    cuts = [low + (high - low) * n // stretches for n in range(stretches + 1)]
    return [rng.randrange(begin, end) for begin, end in pairwise(cuts)]


def _said(pdf: bytes, trust: Trust) -> Any:
    """Return all that a verification says, or None where not every part holds."""
    try:
        found = verify(pdf, trust, now=scenario.ISSUED)
    except IntegrityFailed:
        return None
    if not found.holds:
        return None
    return [(p.name, p.verdict, p.sentence) for p in found.parts], found.signatures, found.number, found.states


# What is written about it


def test_the_examples_of_the_docs_are_what_a_shop_file_takes() -> None:
    page = (Path(__file__).parents[2] / "docs" / "signatures.md").read_text(encoding="utf-8")
    blocks = ["\n".join(b) for b in _toml_blocks(page)]
    assert len(blocks) == 2
    signature, inspector = (tomllib.loads(b) for b in blocks)
    settings = SignatureSettings.checked(signature["signature"], "docs")
    assert settings.level is SignatureLevel.B_LTA
    (person,) = (Inspector.checked(i, "docs") for i in inspector["inspector"])
    assert person.token is not None


def _toml_blocks(page: str) -> Iterator[list[str]]:
    lines: list[str] = []
    for line in [*page.splitlines(), ""]:
        if line.startswith("    "):
            lines.append(line[4:])
        else:
            if lines and lines[0].startswith("["):
                yield lines
            lines = []


@pytest.mark.parametrize(
    ("content", "says"),
    [
        ({"level": "b-t"}, "level b-t cannot be signed: add tsa_url"),
        ({"level": "b-t", "tsa_url": "https://x.example"}, "add tsa_roots"),
        (
            {"level": "b-lt", "tsa_url": "https://x.example", "tsa_roots": "t.pem", "revocation": "files"},
            "add crl_files",
        ),
        ({"tsa_url": "file:///etc/passwd"}, "tsa_url"),
        ({"tsa_username": "a"}, "tsa_username and tsa_password_file go together"),
        ({"level": "b-x"}, "level"),
    ],
)
def test_a_level_that_cannot_be_signed_is_refused_when_the_shop_file_is_read(
    content: dict[str, Any], says: str
) -> None:
    with pytest.raises(BadInput, match=says):
        SignatureSettings.checked(content, "shop.toml")

"""Whether a certificate is what it was when it was signed, and whether its numbers follow from its data.

The parts stay apart: an intact file says nothing of the numbers in it, a valid signature nothing of who
holds the key. A part holds (PASS), does not (FAIL), or could not be shown (UNDECIDED).

pyHanko checks the cryptography and what was added after the signature. It leaves out a signature whose
entry it does not know, and takes bytes behind the last one for nothing; so the frame of the file
is checked here, by the bytes, before pyHanko is asked.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import logging
import re
import tempfile
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

import pikepdf
from asn1crypto import cms
from pyhanko.pdf_utils.reader import PdfFileReader
from pyhanko.sign.fields import MDPPerm
from pyhanko.sign.validation import SignatureCoverageLevel, validate_pdf_signature
from pyhanko_certvalidator import ValidationContext

from report.assessing import judge
from report.certificate import html_of
from report.collector import collector_at_rest
from report.document import ReadDocument, csv_of, read_document
from report.edition import edition
from report.figures import VERDICT_WORDS, fingerprint
from report.judged import as_far_as, judged, misprint
from report.printed import printed_differs, printed_lacks
from report.signing import RELEASE_FIELD
from report.view import certificate_view
from rules.results import Assessment
from rules.verdict import Verdict
from schemas.certificates import Certificate
from schemas.errors import BadInput, FilmtallyError, IntegrityFailed
from schemas.gauge_checks import GAUGE_CHECKS
from schemas.parquet import read, records
from schemas.readings import READINGS

_BYTE_RANGE: Final = re.compile(rb"/ByteRange\s*\[\s*(\d{1,10})\s+(\d{1,10})\s+(\d{1,10})\s+(\d{1,10})\s*\]")
_FILES: Final = ("certificate.json", "gauge_checks.csv", "readings.csv", "readings.parquet")
_WORDS: Final = {verdict.name: word for verdict, word in VERDICT_WORDS.items()}
_MOST_BYTES: Final = 200_000_000


@dataclass(frozen=True, slots=True)
class Part:
    """One thing that was looked at.

    Attributes:
        name: What it is.
        verdict: PASS where it holds, FAIL where it does not, UNDECIDED where that could not be shown.
        sentence: What was found.
    """

    name: str
    verdict: Verdict
    sentence: str


@dataclass(frozen=True, slots=True)
class VerificationReport:
    """What became of every part, in the order looked at.

    Attributes:
        parts: The parts.
        number: Number and revision that the certificate states; None where it could not be read.
        states: The verdict that it states; None where it could not be read.
        signers: Who signed, as their certificates say, with their fingerprints.
    """

    parts: tuple[Part, ...]
    number: str | None
    states: str | None
    signers: tuple[tuple[str, str], ...]

    @property
    def holds(self) -> bool:
        """Return whether every part holds."""
        return bool(self.parts) and all(p.verdict is Verdict.PASS for p in self.parts)


@collector_at_rest()
def verify(
    pdf: bytes, trusted_fingerprints: Collection[str], register: list[Certificate] | None = None
) -> VerificationReport:
    """Look at every part of a certificate.

    Args:
        pdf: The file.
        trusted_fingerprints: SHA-256 fingerprints (hex) of the signing certificates that are known.
        register: The shop's register of issued certificates, where there is one at hand.

    Raises:
        IntegrityFailed: It is no PDF, it is not signed, or it is broken beyond being looked at.
    """
    frames = _frames(pdf)
    signatures = _signatures(pdf, len(frames))
    parts = [_whole_file(pdf, frames, signatures), _intact(signatures), _valid(signatures)]
    parts.append(_known(signatures, {t.lower() for t in trusted_fingerprints}))
    number = states = None
    try:
        inside = _embedded(pdf[: frames[0].end])
        stated = read_document(inside["certificate.json"])
        number = f"{stated.facts.number}, revision {stated.facts.revision}"
        parts += [_embedded_agree(inside, stated), *_computed_again(pdf, stated)]
        states = str(stated.stated.get("verdict"))
        parts.append(_same_key(stated, signatures[0]))
    except FilmtallyError as wrong:
        parts.append(Part("numbers", Verdict.FAIL, wrong.sentence))
    if register is not None:
        parts.append(_registered(pdf, register, number))
    return VerificationReport(tuple(parts), number, states, tuple((s.holder, s.fingerprint) for s in signatures))


def ledger_head_of(path: Path) -> str:
    """Return the ledger's head that the certificate at *path* carries.

    Raises:
        IntegrityFailed: It is no certificate, or its data cannot be read.
        BadInput: The file cannot be read.
    """
    try:
        content = path.read_bytes()
    except OSError as wrong:
        raise BadInput(f"{path}: cannot be read ({wrong.strerror}); name a certificate's PDF") from None
    return read_document(_embedded(content)["certificate.json"]).facts.ledger_head


# ---- the frame, by the bytes -------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Frame:
    """What one signature covers: from 0 to gap, and from after to end."""

    gap: int
    after: int
    end: int


def _frames(pdf: bytes) -> list[_Frame]:
    if not pdf.startswith(b"%PDF-"):
        raise IntegrityFailed("this is not a PDF; a certificate is the file NUMBER-rREVISION.pdf that the shop issued")
    if len(pdf) > _MOST_BYTES:
        raise IntegrityFailed(f"this PDF has {len(pdf)} bytes, which no certificate has")
    found = []
    for match in _BYTE_RANGE.finditer(pdf):
        start, gap, after, rest = (int(n) for n in match.groups())
        covered = match.end() <= gap or match.start() >= after
        if start != 0 or not covered or not 0 < gap < after <= after + rest <= len(pdf):
            raise IntegrityFailed("a signature in this PDF does not say which bytes it covers; the file was changed")
        found.append(_Frame(gap, after, after + rest))
    if not found:
        raise IntegrityFailed(
            "this PDF is not signed, or its signature was destroyed; ask the shop for the certificate anew"
        )
    return sorted(found, key=lambda f: f.end)


def _whole_file(pdf: bytes, frames: list[_Frame], signatures: list[_Signature]) -> Part:
    name = "whole file"
    wrong = _frame_fault(pdf, frames, signatures)
    if wrong is not None:
        return Part(name, Verdict.FAIL, wrong)
    further = len(signatures) - 1
    more = "" if not further else f", and {further} further signature{'s' if further > 1 else ''} after it"
    return Part(name, Verdict.PASS, f"One certifying signature{more}, and not a byte outside them.")


def _frame_fault(pdf: bytes, frames: list[_Frame], signatures: list[_Signature]) -> str | None:
    first = signatures[0]
    if first.field != RELEASE_FIELD or not first.certifies:
        return "The first signature is not the one that releases the certificate and forbids changes."
    if any(s.certifies for s in signatures[1:]):
        return "There is a second certifying signature, where only one may be."
    if frames[-1].end != len(pdf):
        return f"{len(pdf) - frames[-1].end} bytes stand behind what the last signature covers; they were added afterwards."
    for frame, signature in zip(frames, signatures, strict=True):
        held = pdf[frame.gap : frame.after]
        digits = held[1:-1]
        if held[:1] != b"<" or held[-1:] != b">" or signature.end != frame.end:
            return "A signature does not cover the bytes around it."
        written = _written(signature.cms_der, canonical=signature is first, certificate=signature.certificate)
        # Ours are written in capitals; another program may write its further signature in small letters.
        if written is None or digits not in (
            written.ljust(len(digits), b"0"),
            *([] if signature is first else [written.lower().ljust(len(digits), b"0")]),
        ):
            return "The signature's own bytes are not as they were written."
    return None


def _written(der: bytes, canonical: bool, certificate: Any) -> bytes | None:
    """Return the hex digits that a signature's bytes must be, or None where they cannot be rebuilt.

    The digits between the brackets are outside of what is signed. Our own signature holds nothing
    but what is rebuilt here, so any other byte in it is a change.
    """
    if not canonical:
        return der.hex().upper().encode()
    try:
        signed = cms.ContentInfo.load(der, strict=True)["content"]
        (info,) = signed["signer_infos"]
        rebuilt = cms.ContentInfo(
            {
                "content_type": "signed_data",
                "content": cms.SignedData(
                    {
                        "version": "v1",
                        "digest_algorithms": [{"algorithm": "sha256"}],
                        "encap_content_info": {"content_type": "data"},
                        "certificates": [certificate],
                        "signer_infos": [
                            cms.SignerInfo(
                                {
                                    "version": "v1",
                                    "sid": cms.SignerIdentifier(
                                        {
                                            "issuer_and_serial_number": cms.IssuerAndSerialNumber(
                                                {
                                                    "issuer": certificate.issuer,
                                                    "serial_number": certificate.serial_number,
                                                }
                                            )
                                        }
                                    ),
                                    "digest_algorithm": {"algorithm": "sha256"},
                                    "signed_attrs": info["signed_attrs"],
                                    "signature_algorithm": {"algorithm": "sha256_ecdsa"},
                                    "signature": info["signature"].native,
                                }
                            )
                        ],
                    }
                ),
            }
        )
        return bytes(rebuilt.dump()).hex().upper().encode()
    except Exception:
        return None


# ---- the signatures, by pyHanko ----------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Signature:
    """What pyHanko says of one signature."""

    field: str
    certifies: bool
    end: int
    cms_der: bytes
    certificate: Any
    holder: str
    fingerprint: str
    claimed_at: datetime | None
    intact: bool
    valid: bool
    chain_holds: bool
    later_changes_allowed: bool


def _signatures(pdf: bytes, expected: int) -> list[_Signature]:
    try:
        with _silent():
            found = [_signature(s) for s in PdfFileReader(io.BytesIO(pdf), strict=True).embedded_signatures]
    except Exception as wrong:
        raise IntegrityFailed(
            f"this PDF is broken, or was changed after it was signed ({type(wrong).__name__}); ask the shop for it anew"
        ) from None
    if len(found) != expected:
        raise IntegrityFailed(
            f"this PDF holds {expected} signatures by its bytes and {len(found)} by its structure; it was changed"
        )
    return sorted(found, key=lambda s: s.end)


def _signature(embedded: Any) -> _Signature:
    certificate = embedded.signer_cert
    claimed = embedded.self_reported_timestamp
    moment = claimed or datetime.now(UTC)
    # The key is compared by its fingerprint, so here the certificate stands for itself.
    context = ValidationContext(trust_roots=[certificate], allow_fetching=False, moment=moment)
    status = validate_pdf_signature(embedded, signer_validation_context=context)
    start, gap, after, rest = (int(n) for n in embedded.byte_range)
    certifies = embedded.docmdp_level is not None and embedded.docmdp_level <= MDPPerm.FILL_FORMS
    covers = embedded.evaluate_signature_coverage() >= SignatureCoverageLevel.ENTIRE_REVISION
    return _Signature(
        field=str(embedded.field_name),
        certifies=certifies,
        end=after + rest,
        cms_der=_der(bytes(embedded.pkcs7_content)),
        certificate=certificate,
        holder=str(certificate.subject.native.get("common_name", certificate.subject.human_friendly)),
        fingerprint=hashlib.sha256(certificate.dump()).hexdigest(),
        claimed_at=claimed,
        intact=bool(status.intact) and covers and start == 0 and gap > 0,
        valid=bool(status.valid) and claimed is not None,
        chain_holds=bool(status.trusted) and _may_sign(certificate, moment),
        later_changes_allowed=bool(status.docmdp_ok),
    )


def _may_sign(certificate: Any, moment: datetime) -> bool:
    """Return whether a certificate held at *moment* and is for signing; pyHanko does not ask that of one trusted by itself."""
    usage = certificate.key_usage_value
    for_signing = usage is None or not {"digital_signature", "non_repudiation"}.isdisjoint(usage.native)
    return for_signing and bool(certificate.not_valid_before <= moment <= certificate.not_valid_after)


def _der(contents: bytes) -> bytes:
    """Return the one DER value at the head of *contents*, without the padding behind it."""
    value = cms.ContentInfo.load(contents)
    return bytes(value.dump())


def _intact(signatures: list[_Signature]) -> Part:
    name = "signature intact"
    for s in signatures:
        if not s.intact:
            return Part(name, Verdict.FAIL, f"The file is not as it was when {s.holder} signed it.")
        if not s.later_changes_allowed:
            return Part(name, Verdict.FAIL, f"After {s.holder} signed, more was changed than the signature allows.")
    return Part(name, Verdict.PASS, "The file is as it was when it was signed.")


def _valid(signatures: list[_Signature]) -> Part:
    name = "signature valid"
    for s in signatures:
        if not s.valid and s.intact:
            return Part(name, Verdict.FAIL, f"The signature was not made with the key in {s.holder}'s certificate.")
        if not s.intact:
            return Part(name, Verdict.FAIL, f"Not judged, because the file is not as it was when {s.holder} signed it.")
        if not s.chain_holds:
            return Part(
                name,
                Verdict.FAIL,
                f"The certificate of {s.holder} did not hold when it signed, or is not for signing documents.",
            )
    when = signatures[0].claimed_at
    said = f"; it claims {when.astimezone(UTC):%Y-%m-%d %H:%M} UTC, by the signer's own clock" if when else ""
    return Part(name, Verdict.PASS, f"Made with the key of the certificate inside it{said}.")


def _known(signatures: list[_Signature], trusted: set[str]) -> Part:
    name = "signer known"
    for s in signatures:
        if s.fingerprint in trusted:
            continue
        key = f"{s.holder}, key {fingerprint(s.fingerprint)}"
        if not trusted:
            return Part(
                name,
                Verdict.UNDECIDED,
                f"No known key was given to compare with {key}; name the shop's certificate with --trust FILE.",
            )
        return Part(name, Verdict.FAIL, f"{key}, is none of the known ones.")
    return Part(name, Verdict.PASS, "; ".join(f"{s.holder}, key {fingerprint(s.fingerprint)}" for s in signatures))


def _same_key(stated: ReadDocument, first: _Signature) -> Part:
    name = "key as printed"
    if stated.facts.key_sha256 == first.fingerprint:
        return Part(name, Verdict.PASS, "The key that signed is the one that the certificate names.")
    return Part(name, Verdict.FAIL, "The key that signed is not the one that the certificate names.")


# ---- the numbers -------------------------------------------------------------------------------


def _embedded(pdf: bytes) -> dict[str, bytes]:
    try:
        with pikepdf.open(io.BytesIO(pdf)) as opened:
            return {name: bytes(opened.attachments[name].get_file().read_bytes()) for name in _FILES}
    except Exception as wrong:
        raise IntegrityFailed(
            f"the data inside this PDF cannot be read ({type(wrong).__name__}); ask the shop for the certificate anew"
        ) from None


def _embedded_agree(inside: dict[str, bytes], stated: ReadDocument) -> Part:
    name = "embedded tables"
    evidence = stated.evidence
    differ = []
    if inside["readings.csv"] != csv_of(READINGS, evidence.readings):
        differ.append("readings.csv")
    if inside["gauge_checks.csv"] != csv_of(GAUGE_CHECKS, evidence.checks):
        differ.append("gauge_checks.csv")
    # Read from a path: pyarrow may abort at exit after reading from memory (apache/arrow 33975, 34314).
    with tempfile.TemporaryDirectory(prefix="filmtally-") as folder:
        path = Path(folder) / "readings.parquet"
        path.write_bytes(inside["readings.parquet"])
        if tuple(records(READINGS, read(READINGS, path))) != evidence.readings:
            differ.append("readings.parquet")
    if differ:
        return Part(name, Verdict.FAIL, f"{' and '.join(differ)} differ from certificate.json.")
    return Part(
        name, Verdict.PASS, f"The tables inside hold the same {len(evidence.readings)} readings as certificate.json."
    )


def _computed_again(pdf: bytes, stated: ReadDocument) -> list[Part]:
    name = "numbers"
    evidence = stated.evidence
    try:
        assessment = assess_evidence(stated)
        exact = judged(assessment)
        # Only an earlier edition may have judged less than is judged now.
        comparable = exact if stated.edition == edition() else as_far_as(stated.judged, exact)
        unlike = difference(stated.judged, comparable) or misprint(stated.stated, exact, _WORDS)
    except FilmtallyError as wrong:
        return [Part(name, Verdict.FAIL, f"The certificate's data cannot be judged again: {wrong.sentence}")]
    except (ValueError, KeyError, TypeError, ArithmeticError) as wrong:
        return [Part(name, Verdict.FAIL, f"The certificate's data cannot be judged again ({wrong}).")]
    if unlike is not None:
        return [Part(name, Verdict.FAIL, f"Computed again, {unlike}.")]
    said = (
        f"Computed again from the {len(evidence.readings)} readings inside, every build and verdict is the one stated."
    )
    return [Part(name, Verdict.PASS, said), _pages(pdf, stated, assessment)]


def assess_evidence(stated: ReadDocument) -> Assessment:
    """Return what the rules say of a certificate's own data."""
    return judge(stated.evidence)


def _pages(pdf: bytes, stated: ReadDocument, assessment: Assessment) -> Part:
    name = "printed pages"
    try:
        if stated.edition != edition():
            # Another edition of the program may word and lay out the same facts otherwise.
            missing = printed_lacks(pdf, stated.stated, str(stated.stated["number"]))
            if missing is not None:
                return Part(
                    name, Verdict.FAIL, f"The pages do not print what the certificate says they do: {missing!r}."
                )
            return Part(
                name, Verdict.PASS, "The pages print what was stated, in the words of another edition of this program."
            )
        view = certificate_view(stated.evidence, assessment, stated.facts)
        unlike = difference(stated.stated, view.stated())
        if unlike is not None:
            return Part(name, Verdict.FAIL, f"Worded again, {unlike}.")
        unlike = printed_differs(pdf, html_of(view, stated.evidence, assessment, stated.facts), view.number)
    except FilmtallyError as wrong:
        return Part(name, Verdict.FAIL, f"The certificate's data cannot be worded again: {wrong.sentence}")
    except Exception as wrong:
        return Part(name, Verdict.FAIL, f"The pages cannot be read ({type(wrong).__name__}).")
    if unlike is not None:
        return Part(name, Verdict.FAIL, unlike)
    return Part(name, Verdict.PASS, "The pages print, word for word, what follows from the data inside.")


def difference(stated: Any, computed: Any, where: str = "") -> str | None:
    """Return the first string that differs, as a clause of a sentence, or None where nothing does."""
    if isinstance(stated, dict) and isinstance(computed, dict):
        if stated.keys() != computed.keys():
            return f"{where or 'the certificate'} has other entries than it states"
        found = (difference(stated[key], computed[key], f"{where} {key}".strip()) for key in computed)
    elif isinstance(stated, list) and isinstance(computed, list):
        if len(stated) != len(computed):
            return f"{where} has {len(computed)} lines and not the {len(stated)} stated"
        pairs = enumerate(zip(stated, computed, strict=True), 1)
        found = (difference(s, c, f"{where} {i}".strip()) for i, (s, c) in pairs)
    else:
        return None if stated == computed else f"{where} is {computed!r} and not {stated!r} as stated"
    return next((unlike for unlike in found if unlike is not None), None)


# ---- the register ------------------------------------------------------------------------------


def _registered(pdf: bytes, register: list[Certificate], number: str | None) -> Part:
    name = "register"
    digest = hashlib.sha256(pdf).hexdigest()
    entry = next((c for c in register if c.pdf_sha256 == digest), None)
    if entry is None:
        return Part(name, Verdict.FAIL, "The shop's register has no certificate with the bytes of this file.")
    if number != f"{entry.number}, revision {entry.revision}":
        return Part(name, Verdict.FAIL, f"The register has these bytes as {entry.number}, revision {entry.revision}.")
    latest = max((c for c in register if c.number == entry.number), key=lambda c: c.revision)
    if latest.revision != entry.revision:
        return Part(
            name,
            Verdict.UNDECIDED,
            f"As it was issued, but superseded by revision {latest.revision} of {latest.issued_at:%Y-%m-%d}: {latest.superseded_why}",
        )
    return Part(name, Verdict.PASS, f"In the register as {number}, byte for byte.")


@contextlib.contextmanager
def _silent() -> Iterator[None]:
    """Keep pyHanko from telling on stderr what is told here in sentences."""
    loggers = [logging.getLogger(n) for n in ("pyhanko", "pyhanko_certvalidator")]
    before = [(logger.level, logger) for logger in loggers]
    for logger in loggers:
        logger.setLevel(logging.CRITICAL + 1)
    try:
        yield
    finally:
        for level, logger in before:
            logger.setLevel(level)

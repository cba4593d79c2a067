"""Whether a certificate is what it was when it was signed, and whether its numbers follow from its data.

The parts stay apart: an intact file says nothing of the numbers in it, a valid signature nothing of who
holds the key. A part holds (PASS), does not (FAIL), or could not be shown (UNDECIDED).

pyHanko checks the cryptography and what was added after the signature (report/signatures.py). It leaves out a
signature whose entry it does not know, and takes bytes behind the last one for nothing; so the frame of
the file is checked by the bytes as well (report/frame.py). Whom to believe is a third question
(report/trust.py).
"""

from __future__ import annotations

import io
import tempfile
from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Final

import pikepdf

from archive.ledger import heads_of
from archive.tombstones import removed_words
from report.assessing import judge
from report.collector import collector_at_rest
from report.csv_tables import is_table_of
from report.document import ReadDocument, code_of, read_document
from report.edition import edition
from report.embedded_files import LOGOS
from report.figures import VERDICT_WORDS
from report.frame import Frame, frame_fault, frame_limits, frames_of, issued_length
from report.judged import as_far_as, judged, misprint
from report.key_names import same_name
from report.languages import presentation_of
from report.packing import refuse_bombs
from report.page import page_html
from report.page_content import Fault, PageContent, page_content
from report.page_look import page_look
from report.printed import (
    Foot,
    described_differs,
    facts_printed,
    figures_lacking,
    pictures_differ,
    printed_differs,
    printed_has,
    printed_lacks,
)
from report.pyhanko_log import silent
from report.rebuilding import rebuilt_alike
from report.signatures import KeptEvidence, Kind, Signature, signatures_of
from report.signing import key_words, signed_by
from report.trust import ShownTime, Trust, shown_times, signer_known
from report.view import certificate_view
from report.visible_text import visible
from rules.results import Assessment
from rules.verdict import Verdict
from schemas.certificates import Certificate
from schemas.errors import BadInput, FilmtallyError, IntegrityFailed
from schemas.gauge_checks import GAUGE_CHECKS
from schemas.inspections import Inspection
from schemas.parquet import read, records, row_count
from schemas.readings import READINGS
from schemas.tombstones import Tombstone

_FILES: Final = ("certificate.json", "gauge_checks.csv", "readings.csv", "readings.parquet")
_WORDS: Final = {verdict.name: str(word) for verdict, word in VERDICT_WORDS.items()}
#: So many bytes a drawing may have; everything else is far less.
_MOST_INSIDE: Final = 40_000_000
_PICTURES: Final = ("drawing.svg", "drawing.png", *LOGOS)
#: The part about time comes behind the four about the file and its signers.
_BEHIND_SIGNER: Final = 4
_NO_REGISTER: Final = (
    "whether a later revision supersedes it only the shop's register knows; no shop folder was asked here"
)
#: A clock may be ahead of the reader's by so much, and a release is signed within so much of the issue that it prints.
_AHEAD: Final = timedelta(minutes=5)
_OF_THE_ISSUE: Final = timedelta(days=1)
#: So much of a stated and a computed string stands in a sentence.
_MOST_SHOWN: Final = 60
#: So many letters a moment has, printed without blanks.
_LONGEST_MOMENT: Final = 60


@dataclass(frozen=True, slots=True)
class Part:
    """One thing that was looked at.

    Attributes:
        name: What it is.
        verdict: PASS where it holds, FAIL where it does not, UNDECIDED where that could not be shown.
        sentence: What was found.
        called: What an answer calls that, where there is a word for it beside holds, not shown and refused.
    """

    name: str
    verdict: Verdict
    sentence: str
    called: str = ""


@dataclass(frozen=True, slots=True)
class SignatureFound:
    """One signature or time stamp, in the order in which they were made.

    Attributes:
        kind: release, approval or time stamp.
        holder: The name in its certificate.
        name: The name that the signature gives and prints; empty where it gives none.
        key_sha256: Fingerprint of that certificate, in hex.
        meaning: What the signer says that it means; empty for a time stamp.
        claimed_at: The time by its own clock (ISO 8601, UTC); None where it gives none.
        stamped_at: The time that a time-stamp authority gave, trusted or not; None where none did.
        authority: That authority.
    """

    kind: str
    holder: str
    name: str
    key_sha256: str
    meaning: str
    claimed_at: str | None
    stamped_at: str | None
    authority: str | None


@dataclass(frozen=True, slots=True)
class VerificationReport:
    """What became of every part, in the order looked at.

    Attributes:
        parts: The parts.
        number: Number and revision that the certificate states; None where it could not be read.
        states: The verdict that it states; None where it could not be read.
        signers: Who signed, as their certificates say, with their fingerprints.
        signatures: Every signature and time stamp, in their order.
        notes: What no part is about and a reader should know, in sentences.
    """

    parts: tuple[Part, ...]
    number: str | None
    states: str | None
    signers: tuple[tuple[str, str], ...]
    signatures: tuple[SignatureFound, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def holds(self) -> bool:
        """Return whether every part holds."""
        return bool(self.parts) and all(p.verdict is Verdict.PASS for p in self.parts)


@silent()
@collector_at_rest()
def verify(
    pdf: bytes,
    trusted: Trust | Collection[str],
    register: list[Certificate] | None = None,
    *,
    now: datetime | None = None,
    unlike_ledger: Callable[[str, str], str | None] | None = None,
    rebuild: bool = False,
    removed: Collection[Tombstone] = (),
    valid_revision: Callable[[str], Inspection] | None = None,
) -> VerificationReport:
    """Look at every part of a certificate.

    Args:
        pdf: The file.
        trusted: Whom the reader trusts, or only SHA-256 fingerprints (hex) of signing certificates that are known.
        register: The shop's register of issued certificates, where there is one at hand.
        now: The reader's time; where None, certificates are judged at the time of signing alone.
        unlike_ledger: Says in a sentence how the shop's archive differs from a head of its ledger (the second argument says
            what holds it), or None; None where there is no archive at hand.
        rebuild: Whether the pages are laid out anew and compared with those in the file; takes longer than all the rest.
        removed: The tombstones of the shop's archive: what stands for itself there no longer, by an order.
        valid_revision: Gives an inspection of the shop's archive in its valid revision, by its number, and raises BadInput where
            it has none; None where there is no archive at hand.

    Raises:
        IntegrityFailed: It is no PDF, it is not signed, or it is broken beyond being looked at.
    """
    trust = trusted if isinstance(trusted, Trust) else Trust.of_fingerprints(trusted)
    frames = frames_of(pdf)
    refuse_bombs(pdf)
    signatures, kept = signatures_of(pdf, len(frames))
    times = shown_times(signatures, kept, trust, now)
    parts = [_whole_file(pdf, frames, signatures), _intact(signatures), _valid(signatures)]
    parts.append(_known(signatures, times, kept, trust, now))
    issued_at: datetime | None = None
    number = states = None
    try:
        released = pdf[: frames[0].end]
        inside = _embedded(released)
        stated = read_document(inside["certificate.json"], inside)
        number = f"{stated.facts.number}, revision {stated.facts.revision}"
        issued_at = stated.facts.issued_at
        parts += [_embedded_agree(inside, stated), *_computed_again(released, stated, signatures[0], inside, rebuild)]
        # In the words of this program's answers, whatever the language of the page.
        states = _WORDS.get(str(stated.judged.get("verdict")))
        parts.append(_same_key(stated, signatures, trust))
        if unlike_ledger is not None:
            parts.append(_ledger(stated, unlike_ledger, removed))
    except FilmtallyError as wrong:
        parts.append(Part("numbers", Verdict.FAIL, wrong.sentence))
    parts.insert(_BEHIND_SIGNER, _time(times, signatures, issued_at, now))
    if register is not None:
        parts.append(_registered(pdf, frames, signatures, register, number, removed))
    signers = tuple((visible(s.holder), s.fingerprint) for s in signatures if s.kind is not Kind.TIME_STAMP)
    return VerificationReport(
        tuple(replace(part, sentence=visible(part.sentence)) for part in parts),
        None if number is None else visible(number),
        states,
        signers,
        tuple(_found(s) for s in signatures),
        (_NO_REGISTER,) if register is None else tuple(map(visible, _amended(pdf, frames, register, valid_revision))),
    )


@silent()
def only_approved_since(pdf: bytes, pdf_sha256: str) -> bool:
    """Return whether *pdf* begins with the file of the SHA-256 hash, and only signatures stand behind that.

    Whose they are is not asked here.
    """
    try:
        frames = frames_of(pdf)
        if issued_length(pdf, frames, {pdf_sha256}) is None:
            return False
        refuse_bombs(pdf)
        signatures, _ = signatures_of(pdf, len(frames))
    except IntegrityFailed:
        return False
    parts = (_whole_file(pdf, frames, signatures), _intact(signatures), _valid(signatures))
    return all(p.verdict is Verdict.PASS for p in parts)


@silent()
def issued_as(pdf: bytes, register: Collection[Certificate]) -> Certificate | None:
    """Return what the register has of a PDF, with or without signatures behind what was issued; None where it has nothing.

    Raises:
        IntegrityFailed: It is no signed PDF.
    """
    by_digest = {c.pdf_sha256: c for c in register}
    known = issued_length(pdf, frames_of(pdf), by_digest)
    return None if known is None else by_digest[known[1]]


@silent()
def removed_as(pdf: bytes, removed: Collection[Tombstone]) -> Tombstone | None:
    """Return the tombstone of a certificate that was removed from the register, as :func:`issued_as`.

    Raises:
        IntegrityFailed: It is no signed PDF.
    """
    return _tombstone_of(pdf, frames_of(pdf), removed)


def _tombstone_of(pdf: bytes, frames: list[Frame], removed: Collection[Tombstone]) -> Tombstone | None:
    by_digest = {one.pdf_sha256: one for one in removed if one.pdf_sha256 is not None}
    known = issued_length(pdf, frames, by_digest)
    return None if known is None else by_digest[known[1]]


def _found(signature: Signature) -> SignatureFound:
    stamp = signature.time_stamp
    return SignatureFound(
        kind=signature.kind.value,
        holder=visible(signature.holder),
        name=visible(signature.name),
        key_sha256=signature.fingerprint,
        meaning=visible(signature.reason),
        claimed_at=None if signature.claimed_at is None else signature.claimed_at.astimezone(UTC).isoformat(),
        stamped_at=None if stamp is None else stamp.at.astimezone(UTC).isoformat(),
        authority=None if stamp is None else visible(stamp.authority),
    )


@silent()
def document_of(pdf: bytes) -> ReadDocument:
    """Return the document inside a certificate as it was when it was first signed; it says nothing of whether it holds.

    Raises:
        IntegrityFailed: It is no certificate, or its data cannot be read.
        BadInput: It is of a newer version than this program knows.
    """
    frames = frames_of(pdf)
    refuse_bombs(pdf)
    inside = _embedded(pdf[: frames[0].end])
    return read_document(inside["certificate.json"], inside)


@silent()
def ledger_head_of(path: Path) -> str:
    """Return the ledger's head that the certificate at *path* carries.

    Raises:
        IntegrityFailed: It is no certificate, or its data cannot be read.
        BadInput: The file cannot be read.
    """
    try:
        if not path.is_file():  # a pipe would be waited for
            raise BadInput(f"{path}: is no file; name a certificate's PDF")
        content = path.read_bytes()
    except OSError as wrong:
        raise BadInput(f"{path}: cannot be read ({wrong.strerror}); name a certificate's PDF") from None
    refuse_bombs(content)
    inside = _embedded(content)
    return read_document(inside["certificate.json"], inside).facts.ledger_head


# ---- the signatures ----------------------------------------------------------------------------


def _whole_file(pdf: bytes, frames: list[Frame], signatures: list[Signature]) -> Part:
    name = "whole file"
    wrong = frame_fault(pdf, frames, signatures)
    if wrong is not None:
        return Part(name, Verdict.FAIL, wrong)
    kinds = [s.kind for s in signatures]
    more = ""
    for kind, one in ((Kind.APPROVAL, "further signature"), (Kind.TIME_STAMP, "time stamp over the whole")):
        if count := kinds.count(kind):
            more += f", {count} {one}{'s' if count > 1 else ''}" if kind is Kind.APPROVAL else f", {count} {one}"
    limits = "".join(f" {said[0].upper()}{said[1:]}." for said in frame_limits(signatures))
    return Part(name, Verdict.PASS, f"One certifying signature{more}, and not a byte outside them.{limits}")


def _intact(signatures: list[Signature]) -> Part:
    name = "signature intact"
    for s in signatures:
        if not s.intact:
            return Part(name, Verdict.FAIL, f"The file is not as it was when {s.holder} signed it.")
        if not s.later_changes_allowed:
            return Part(name, Verdict.FAIL, f"After {s.holder} signed, more was changed than the signature allows.")
    after = [f"{s.holder} signed it as well" for s in signatures[1:] if s.kind is Kind.APPROVAL]
    since = f" Since then {' and '.join(after)}, and nothing else was changed." if after else ""
    return Part(
        name,
        Verdict.PASS,
        f"The file is as it was when {'it' if not after else signatures[0].holder} {'was signed' if not after else 'signed it'}.{since}",
    )


def _valid(signatures: list[Signature]) -> Part:
    name = "signature valid"
    for s in signatures:
        if not s.valid and s.intact:
            return Part(name, Verdict.FAIL, f"The signature was not made with the key in {s.holder}'s certificate.")
        if not s.intact:
            return Part(name, Verdict.FAIL, f"Not judged, because the file is not as it was when {s.holder} signed it.")
        if not s.in_date:
            return Part(
                name,
                Verdict.FAIL,
                f"The certificate of {s.holder} did not hold when it signed, or is not for signing documents.",
            )
    if len(signatures) == 1:
        return Part(name, Verdict.PASS, "Made with the key of the certificate inside it.")
    return Part(name, Verdict.PASS, "Each was made with the key of the certificate inside it.")


def _known(
    signatures: list[Signature], times: list[ShownTime], kept: KeptEvidence, trust: Trust, now: datetime | None
) -> Part:
    signers = [s for s in signatures if s.kind is not Kind.TIME_STAMP]
    found = [signer_known(s, shown, kept, trust, now) for s, shown in zip(signers, times, strict=True)]
    verdicts = [
        # Anyone may approve what the shop released: an approver whom nobody vouches for takes nothing from the release.
        Verdict.UNDECIDED if f.unknown and s.kind is Kind.APPROVAL and found[0].verdict is Verdict.PASS else f.verdict
        for s, f in zip(signers, found, strict=True)
    ]
    worst = max(verdicts)
    if worst is Verdict.PASS:
        return Part("signer known", worst, "; ".join(f.sentence for f in found))
    if len(found) == 1:
        return Part("signer known", worst, found[0].sentence)
    # The worst first, and each of them said, so that none hides another.
    told = sorted(zip(verdicts, signers, found, strict=True), key=lambda one: -one[0])
    said = []
    for verdict, signer, f in told:
        role = "the release" if signer is signers[0] else "an approval"
        known = f"Known for {role}: " if verdict is Verdict.PASS else f"Not known for {role}: "
        said.append(f"{known}{f.sentence.rstrip('.')}.")
    return Part("signer known", worst, " ".join(said))


def _time(
    times: list[ShownTime], signatures: list[Signature], issued_at: datetime | None, now: datetime | None
) -> Part:
    worst = max(t.verdict for t in times)
    said = [t.sentence for t in times if worst is Verdict.PASS or t.verdict is worst]
    odd = [] if worst is Verdict.FAIL else list(_odd_moments(signatures, issued_at, now))
    if odd:
        return Part("time", Verdict.UNDECIDED, " ".join([*odd, *said]))
    return Part("time", worst, " ".join(said))


def _odd_moments(signatures: list[Signature], issued_at: datetime | None, now: datetime | None) -> Iterator[str]:
    """Return in sentences which signatures claim a moment that cannot be: not yet come, or not that of the issue."""
    for s in signatures:
        if s.claimed_at is None:
            continue
        at = f"{s.claimed_at.astimezone(UTC):%Y-%m-%d %H:%M} UTC"
        if now is not None and s.claimed_at > now + _AHEAD:
            yield f"{s.holder} signed at {at}, which is still to come by the clock of this machine."
        if issued_at is None or s.kind is Kind.TIME_STAMP:
            continue
        early = s.claimed_at < issued_at - _OF_THE_ISSUE
        if early or (s.kind is Kind.RELEASE and s.claimed_at > issued_at + _OF_THE_ISSUE):
            yield (
                f"{s.holder} signed at {at}, and the certificate says that it was issued on "
                f"{issued_at.astimezone(UTC):%Y-%m-%d}."
            )


def _same_key(stated: ReadDocument, signatures: list[Signature], trust: Trust) -> Part:
    name, first = "key as printed", signatures[0]
    if stated.facts.key_sha256 != first.fingerprint:
        return Part(name, Verdict.FAIL, "The key that signed is not the one that the certificate names.")
    said = "The key that signed is the one that the certificate names"
    others = "".join(
        f" The approval that prints {s.name} was made with a key that is made out to {s.holder}."
        for s in signatures
        if s.kind is Kind.APPROVAL and s.name and not same_name(s.name, s.holder)
    )
    subject = first.certificate.subject.native
    made_out = (str(subject.get("common_name", "nobody")), str(subject.get("organization_name", "no organisation")))
    printed = (stated.evidence.shop.find_inspector(stated.facts.signer).name, stated.evidence.shop.name)
    alike = all(same_name(p, m) for p, m in zip(printed, made_out, strict=True))
    # An authority vouches for many: that it is this shop's person is in the names alone.
    by_names = first.fingerprint not in trust.fingerprints and bool(trust.roots)
    if alike:
        more = f", and is made out to {printed[0]} of {printed[1]} as printed" if by_names else ""
        return Part(name, Verdict.PASS, f"{said}{more}.{others}")
    differs = (
        f"{said}, but it is made out to {made_out[0]} of {made_out[1]}, and printed is {printed[0]} of {printed[1]}"
    )
    if by_names:
        return Part(name, Verdict.UNDECIDED, f"{differs}: ask the shop whether that is the same.{others}")
    return Part(name, Verdict.PASS, f"{differs}.{others}")


# ---- the numbers -------------------------------------------------------------------------------


def _embedded(pdf: bytes) -> dict[str, bytes]:
    try:
        with pikepdf.open(io.BytesIO(pdf)) as opened:
            _one_of_each(opened)
            inside = {
                name: bytes(opened.attachments[name].get_file().read_bytes())
                for name in (*_FILES, *_PICTURES)
                if name in opened.attachments or name in _FILES
            }
            unknown = sorted(set(opened.attachments) - set(inside))
    except IntegrityFailed:
        raise
    except Exception as wrong:
        raise IntegrityFailed(
            f"the data inside this PDF cannot be read ({type(wrong).__name__}); ask the shop for the certificate anew"
        ) from None
    giant = next((name for name, content in inside.items() if len(content) > _MOST_INSIDE), None)
    if giant is not None:
        raise IntegrityFailed(f"{giant} inside this PDF has {len(inside[giant])} bytes, which no certificate's has")
    if unknown:
        raise IntegrityFailed(
            f"this PDF holds a file that no certificate has ({unknown[0]!r}); ask the shop for the certificate anew"
        )
    return inside


def _one_of_each(opened: pikepdf.Pdf) -> None:
    """Refuse a file in which one name stands for two attachments, or whose lists of attachments differ.

    Each viewer has a way of its own to choose among them.

    Raises:
        IntegrityFailed: It is such a file.
    """
    again = "ask the shop for the certificate anew"
    listed = opened.Root.Names.EmbeddedFiles
    if set(listed.keys()) - {"/Names"}:
        raise IntegrityFailed(f"the list of files inside this PDF is none of a certificate's; {again}")
    pairs = list(listed.Names)
    names, specs = [str(name) for name in pairs[::2]], pairs[1::2]
    if len(set(names)) != len(names):
        twice = next(name for name in names if names.count(name) > 1)
        raise IntegrityFailed(f"this PDF holds two files of the name {twice!r}; {again}")
    for name, spec in zip(names, specs, strict=True):
        called = {str(spec[key]) for key in ("/F", "/UF") if key in spec}
        streams = {stream.objgen for stream in spec.EF.values()}
        if called != {name} or len(streams) != 1 or set(spec.EF.keys()) - {"/F", "/UF"}:
            raise IntegrityFailed(f"the file {name!r} inside this PDF has another name or content as well; {again}")
    if sorted(spec.objgen for spec in specs) != sorted(spec.objgen for spec in opened.Root.get("/AF", ())):
        raise IntegrityFailed(f"the two lists of files inside this PDF name different files; {again}")
    for page in opened.pages:
        if any(one.get("/Subtype") != "/Widget" for one in page.get("/Annots", ())) or "/AF" in page:
            raise IntegrityFailed(
                f"a page of this PDF holds a note, a stamp or a file, which no certificate's does; {again}"
            )


def _embedded_agree(inside: dict[str, bytes], stated: ReadDocument) -> Part:
    name = "embedded tables"
    evidence = stated.evidence
    differ = []
    if not is_table_of(inside["readings.csv"], READINGS, evidence.readings):
        differ.append("readings.csv")
    if not is_table_of(inside["gauge_checks.csv"], GAUGE_CHECKS, evidence.checks):
        differ.append("gauge_checks.csv")
    # Read from a path: pyarrow may abort at exit after reading from memory (apache/arrow 33975, 34314).
    with tempfile.TemporaryDirectory(prefix="filmtally-") as folder:
        path = Path(folder) / "readings.parquet"
        path.write_bytes(inside["readings.parquet"])
        # Asked first, since a small file may hold the same row a thousand million times.
        if (
            row_count(path) != len(evidence.readings)
            or tuple(records(READINGS, read(READINGS, path))) != evidence.readings
        ):
            differ.append("readings.parquet")
    if differ:
        return Part(name, Verdict.FAIL, f"{' and '.join(differ)} differ from certificate.json.")
    return Part(
        name, Verdict.PASS, f"The tables inside hold the same {len(evidence.readings)} readings as certificate.json."
    )


def _computed_again(
    released: bytes, stated: ReadDocument, first: Signature, inside: dict[str, bytes], rebuild: bool
) -> list[Part]:
    name = "numbers"
    evidence = stated.evidence
    try:
        assessment = assess_evidence(stated)
        exact = judged(assessment)
        # Only an earlier edition may have judged less than is judged now.
        comparable = exact if stated.edition == edition() else as_far_as(stated.judged, exact)
        written = presentation_of(evidence.shop, evidence.customer)
        unlike = difference(stated.judged, comparable) or misprint(stated.stated, exact, written)
    except FilmtallyError as wrong:
        return [Part(name, Verdict.FAIL, f"The certificate's data cannot be judged again: {wrong.sentence}")]
    except (ValueError, KeyError, TypeError, ArithmeticError) as wrong:
        return [Part(name, Verdict.FAIL, f"The certificate's data cannot be judged again ({wrong}).")]
    if unlike is not None:
        return [Part(name, Verdict.FAIL, f"Computed again, {unlike}.")]
    said = (
        f"Computed again from the {len(evidence.readings)} readings inside, every build and verdict is the one stated."
    )
    return [Part(name, Verdict.PASS, said), _pages(released, stated, assessment, first, inside, rebuild)]


def assess_evidence(stated: ReadDocument) -> Assessment:
    """Return what the rules say of a certificate's own data."""
    return judge(stated.evidence)


def _pages(
    released: bytes,
    stated: ReadDocument,
    assessment: Assessment,
    first: Signature,
    inside: dict[str, bytes],
    rebuild: bool,
) -> Part:
    name = "printed pages"
    try:
        content = page_content(released)
        unlike = _release_differs(content, stated, first)
        if unlike is not None:
            return Part(name, Verdict.FAIL, unlike)
        if stated.edition != edition():
            return _pages_of_another_edition(released, content, stated, assessment)
        if stated.code != code_of(stated.basis):
            return Part(name, Verdict.FAIL, "The short code is not the one that follows from the data inside.")
        view = certificate_view(stated.evidence, assessment, stated.facts, stated.code)
        unlike = difference(stated.stated, view.stated())
        if unlike is not None:
            return Part(name, Verdict.FAIL, f"Worded again, {unlike}.")
        html = page_html(view, stated.evidence, assessment, page_look(stated.evidence), stated.facts.issued_at)
        unlike = printed_differs(released, html, Foot.of(view.stated()), content.texts)
        unlike = unlike or pictures_differ(content.pictures, html, len(content.texts))
        unlike = unlike or described_differs(content.titles, content.subjects, html)
        if unlike is not None:
            return Part(name, Verdict.FAIL, unlike)
        said = "The pages print, word for word, what follows from the data inside"
        if not rebuild:
            return Part(
                name,
                Verdict.PASS,
                f"{said}, in letters that are drawn as they read, with nothing painted over them. They were not laid out "
                "anew: where each word stands, lines, marks and pictures were not compared.",
            )
        found = rebuilt_alike(released, stated, assessment, inside)
        return Part(name, found.verdict, f"{said}. {found.sentence}")
    except Fault as wrong:
        return Part(name, Verdict.FAIL, str(wrong))
    except FilmtallyError as wrong:
        return Part(name, Verdict.FAIL, f"The certificate's data cannot be worded again: {wrong.sentence}")
    except Exception as wrong:
        return Part(name, Verdict.FAIL, f"The pages cannot be read ({type(wrong).__name__}).")


def _pages_of_another_edition(
    released: bytes, content: PageContent, stated: ReadDocument, assessment: Assessment
) -> Part:
    """Another edition of the program may word and lay out the same facts otherwise."""
    name = "printed pages"
    missing = printed_lacks(released, stated.stated, content.texts)
    if missing is not None:
        return Part(name, Verdict.FAIL, f"The pages do not print what the certificate says they do: {missing!r}.")
    fact = next((fact for fact in facts_printed(stated) if not printed_has(content.texts, fact)), None)
    if fact is not None:
        return Part(name, Verdict.FAIL, f"The pages do not print {fact!r}, which stands in the data inside.")
    said = (
        "The pages print what the certificate states, and whose parts they are, limits, builds and verdicts follow from the "
        "data inside; but another edition of this program worded them, and its wording and whatever else stands on the "
        "pages were not compared."
    )
    worded = certificate_view(stated.evidence, assessment, stated.facts, stated.code or "").stated()
    lacking = figures_lacking(content.texts, worded)
    if lacking:
        said += (
            f" This edition would also print {len(lacking)} figures that are not there, the first {_cut(lacking[0])}: they "
            "may be written otherwise, or not follow from the data."
        )
    return Part(name, Verdict.UNDECIDED, f"{said} Verify it with the edition that issued it, or ask the shop.")


def _release_differs(content: PageContent, stated: ReadDocument, first: Signature) -> str | None:
    """Return in a sentence where the block of the release prints something else than what was signed."""
    shown = content.release
    if shown is None:
        return None
    who = stated.evidence.shop.find_inspector(stated.facts.signer).name
    written = presentation_of(stated.evidence.shop, stated.evidence.customer)
    # The words of its language, and English, in which an earlier edition wrote every block.
    for worded in (written.text, str):
        closing = "".join(f"{first.reason}{worded(key_words(first.fingerprint))}".split())
        for holder in (None, first.holder):
            opening = "".join(worded(signed_by(who, holder)).split())
            between = len(shown) - len(opening) - len(closing)
            if shown.startswith(opening) and shown.endswith(closing) and 0 <= between <= _LONGEST_MOMENT:
                return None
    return "The block of the release prints something else than who signed, when, in what words and with which key."


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
        return None if stated == computed else f"{where} is {_cut(computed)} and not {_cut(stated)} as stated"
    return next((unlike for unlike in found if unlike is not None), None)


def _cut(value: Any) -> str:
    """Return *value* for a sentence: a fraction of hundreds of figures tells nobody more than its beginning does."""
    if isinstance(value, str) and len(value) > _MOST_SHOWN:
        return f"{value[:_MOST_SHOWN]!r}\u2026"
    said = repr(value)
    return said if len(said) <= 2 * _MOST_SHOWN else f"{said[:_MOST_SHOWN]}\u2026"


# ---- the ledger and the register ---------------------------------------------------------------


def _ledger(stated: ReadDocument, unlike: Callable[[str, str], str | None], removed: Collection[Tombstone]) -> Part:
    name = "ledger"
    try:
        wrong = unlike(stated.facts.ledger_head, "the certificate")
        heads = heads_of(stated.facts.ledger_head, "the certificate")
    except FilmtallyError as refused:
        return Part(name, Verdict.FAIL, refused.sentence)
    if wrong is not None:
        return Part(name, Verdict.FAIL, wrong)
    since = [one for one in removed if one.bench in heads and one.seq <= heads[one.bench][0]]
    if not since:
        return Part(name, Verdict.PASS, "The archive still holds what it held when the certificate was issued.")
    mine = (stated.evidence.inspection.inspection_id, stated.evidence.inspection.revision)
    own = next((one for one in since if one.removed_table == READINGS.name and (one.key, one.revision) == mine), None)
    told = (
        f"the readings that it states were {removed_words(own)}"
        if own is not None
        else "the readings that it states are not among them"
    )
    many = f"{len(since)} {'commit' if len(since) == 1 else 'commits'} of it {'was' if len(since) == 1 else 'were'}"
    return Part(
        name,
        Verdict.PASS,
        "The archive's ledger goes on from what it was when the certificate was issued. Since then "
        f"{many} removed by order: {told}.",
    )


def _registered(
    pdf: bytes,
    frames: list[Frame],
    signatures: list[Signature],
    register: list[Certificate],
    number: str | None,
    removed: Collection[Tombstone],
) -> Part:
    name = "register"
    known = issued_length(pdf, frames, {c.pdf_sha256 for c in register})
    if known is None and (gone := _tombstone_of(pdf, frames, removed)) is not None:
        return Part(
            name,
            Verdict.UNDECIDED,
            f"Issued as {gone.key}, revision {gone.revision}, with these very bytes; its entry in the register was "
            f"{removed_words(gone)}, so the register no longer says what it stated.",
            called="removed",
        )
    if known is None:
        return Part(name, Verdict.FAIL, "The shop's register has no certificate with the bytes of this file.")
    length, digest = known
    entry = next(c for c in register if c.pdf_sha256 == digest)
    if number != f"{entry.number}, revision {entry.revision}":
        return Part(name, Verdict.FAIL, f"The register has these bytes as {entry.number}, revision {entry.revision}.")
    latest = max((c for c in register if c.number == entry.number), key=lambda c: c.revision)
    if latest.revision != entry.revision:
        return Part(
            name,
            Verdict.UNDECIDED,
            f"As it was issued, but superseded by revision {latest.revision} of {latest.issued_at:%Y-%m-%d}: {latest.superseded_why}",
            called="superseded",
        )
    later = [s.holder for s in signatures if s.kind is Kind.APPROVAL and s.end > length]
    if length == len(pdf):
        return Part(name, Verdict.PASS, f"In the register as {number}, byte for byte.")
    after = f"; behind them stands what {' and '.join(later)} signed" if later else "; behind them stands a time stamp"
    return Part(
        name,
        Verdict.PASS,
        f"Its first {length} bytes are in the register as {number}, byte for byte{after} afterwards.",
    )


def _amended(
    pdf: bytes,
    frames: list[Frame],
    register: list[Certificate],
    valid_revision: Callable[[str], Inspection] | None,
) -> Iterator[str]:
    """Return in a sentence that the inspection was amended since, and no certificate states that yet; else nothing.

    Once one does, the register calls this one superseded, and says why.
    """
    known = issued_length(pdf, frames, {c.pdf_sha256 for c in register})
    if known is None or valid_revision is None:
        return
    entry = next(c for c in register if c.pdf_sha256 == known[1])
    try:
        now = valid_revision(entry.inspection_id)
    except BadInput:  # removed, or lost: the part about the ledger says which
        return
    except FilmtallyError as wrong:
        yield f"whether the inspection was amended since cannot be told: {wrong.sentence}"
        return
    of_it = (c.inspection_revision for c in register if c.inspection_id == entry.inspection_id)
    if max(of_it) < now.revision:
        why = f" ({now.superseded_why})" if now.superseded_why else ""
        yield (
            f"inspection {entry.inspection_id} was amended since: its revision {now.revision} of {now.sealed_at:%Y-%m-%d}{why} is "
            f"what holds, and this certificate states revision {entry.inspection_revision}; no certificate states the newer "
            "one yet, 'filmtally certify' with --why issues it"
        )

"""Issue a certificate: gate, number, PDF, signature, register, in this order, none of it twice."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date, datetime
from pathlib import Path
from typing import Final
from zoneinfo import ZoneInfo

from archive.commit import make_folder, write_once, write_over
from archive.locking import held_alone
from archive.shop_folder import ShopFolder
from archive.store import Archive
from report.assessing import Assessed, assessed
from report.certificate import draft
from report.demands import missing
from report.evidence import Drawing, EarlierInspection, Evidence, IssueFacts
from report.figures import moment
from report.identities import Identity, load_identity
from report.key_names import refuse_anothers_key
from report.languages import presentation_of
from report.page_facts import MEANING
from report.page_look import PageLook, page_look
from report.pdf import UnsignedPdf
from report.signing import sign
from report.time_stamping import LongTerm, long_term
from report.tokens import open_token
from report.web_page import web_page
from rules.results import Assessment, GateState
from rules.verdict import Verdict
from schemas.certificates import Certificate
from schemas.errors import BadInput, FilmtallyError, GateRefused
from schemas.inspections import Inspection
from schemas.letters import unfit
from schemas.shop import Shop
from schemas.vocabulary import SignatureLevel

#: How long another program that is issuing is waited for.
_LOCK_SECONDS: Final = 60.0
#: So many characters of a reason or a deviation are printed.
_LONGEST: Final = 1000


@dataclass(frozen=True, slots=True)
class Wish:
    """What is asked for.

    Attributes:
        signer: Code of the inspector who signs.
        deviation: What the certificate deviates in, where the gate does not cover it.
        deviation_by: Code of the person who states the deviation.
        why: Why there is to be a new revision of a certificate that was issued before.
        packing_slip: Number of the packing slip that the pieces go out with.
        quantity: Pieces that go out with it.
        received_on: Day on which the parts came in.
        document_type: Type of inspection certificate by EN 10204; None takes the one that the customer's file asks for.
        html: Whether a copy for a browser is wanted beside the PDF.
        level: The level to sign at; the shop's own where None.
    """

    signer: str
    deviation: str | None = None
    deviation_by: str | None = None
    why: str | None = None
    packing_slip: str | None = None
    quantity: int | None = None
    received_on: date | None = None
    document_type: str | None = None
    html: bool = False
    level: SignatureLevel | None = None


@dataclass(frozen=True, slots=True)
class Prepared:
    """A certificate that nothing stands in the way of but a key.

    Attributes:
        evidence: What it is made from, with the people and the look of today.
        assessment: What the rules say of it.
        facts: The facts of its issue, with no key and no head of the ledger yet.
        look: What its pages look like beside what they say.
        html: Whether a copy for a browser is wanted beside the PDF.
        more: What the signature is to carry for later, where more than itself; None where nothing.
    """

    evidence: Evidence
    assessment: Assessment
    facts: IssueFacts
    look: PageLook
    html: bool = False
    more: LongTerm | None = None


@dataclass(frozen=True, slots=True)
class LaidOut:
    """A certificate before it is signed.

    Attributes:
        pdf: The file.
        code: Its short code, as printed.
        html: The page that it was laid out from, where a copy for a browser is wanted.
    """

    pdf: UnsignedPdf
    code: str
    html: str | None


@dataclass(frozen=True, slots=True)
class Issued:
    """A certificate as issued.

    Attributes:
        entry: Its line in the register.
        path: Where the PDF is.
        moved_aside: A PDF that stood in its place and was never registered, where it is now.
        html: The copy for a browser, where one was wanted.
    """

    entry: Certificate
    path: Path
    moved_aside: Path | None
    html: Path | None = None


def issue(
    folder: ShopFolder,
    archive: Archive,
    inspection: Inspection,
    wish: Wish,
    passphrase: Callable[[], str],
    now: datetime,
    pin: Callable[[], str] | None = None,
) -> Issued:
    """Certify *inspection* and return what was issued.

    The passphrase, or the PIN of a token, is asked for last, when nothing else stands in the way.

    Raises:
        GateRefused: The gauge was not shown to be right, and no deviation is stated.
        BadInput: It is undecided for want of readings; the customer asks for what is missing; it was certified before and
            no reason is given; the signer has no key, or it does not open or hold; a deviation without a person; a
            time-stamp authority is wanted and gives nothing. Nothing was issued.
    """
    ready = prepare(folder, archive, inspection, wish, now)
    identity = open_identity(folder, folder.shop(), wish.signer, passphrase, now, pin)
    refuse_anothers_key(identity, ready.evidence.shop.find_inspector(wish.signer).name)
    facts = with_key(ready.facts, identity, archive.head())
    laid = lay_out(ready.evidence, ready.assessment, facts, ready.look, html=ready.html)
    return register(folder, archive, ready, facts, release(laid.pdf, ready, facts, identity), laid)


def lay_out(evidence: Evidence, assessment: Assessment, facts: IssueFacts, look: PageLook, *, html: bool) -> LaidOut:
    """Return the certificate as it is signed and registered, with its page where *html* asks for it.

    Raises:
        BadInput: It would print a character that no bundled font has.
    """
    made = draft(evidence, assessment, facts, look)
    return LaidOut(made.pdf, made.view.code, made.html if html else None)


def prepare(folder: ShopFolder, archive: Archive, inspection: Inspection, wish: Wish, now: datetime) -> Prepared:
    """Return the certificate of *inspection* up to its key.

    Raises:
        GateRefused, BadInput: As :func:`issue`, but for the key.
    """
    shop = folder.shop()
    shop.find_inspector(wish.signer)
    case = assessed(archive, inspection)
    _may_be_certified(case, wish, shop)
    then = case.evidence.shop
    revision, supersedes = _revision(archive, then.code, inspection, wish)
    customer = folder.customer(inspection.customer)
    drawing = case.evidence.job.drawing
    # Whoever signs today may have joined the shop after the inspection was sealed, or work in production by now; whoever
    # measured may have left it.
    known = {i.code for i in shop.inspector}
    people = (*(i for i in then.inspector if i.code not in known), *shop.inspector)
    of_today = {"inspector": people, "certificate": shop.certificate, "page": shop.page}
    evidence = replace(
        case.evidence,
        shop=then.model_copy(update=of_today),
        customer=customer,
        earlier=earlier_inspections(archive, inspection),
        drawing=None if drawing is None else Drawing(drawing.rpartition(".")[2], folder.picture(drawing)),
    )
    # A type of EN 10204 declares compliance with the order besides, so what does not conform cannot claim the one that
    # the customer's file asks for.
    asked = customer.document_type if customer is not None and case.assessment.verdict is Verdict.PASS else None
    facts = IssueFacts(
        number=certificate_number(then.code, inspection),
        revision=revision,
        issued_at=now.replace(microsecond=now.microsecond // 1000 * 1000),
        signer=wish.signer,
        key_sha256="",
        deviation=wish.deviation,
        deviation_by=wish.deviation_by,
        supersedes=supersedes,
        superseded_why=wish.why if supersedes is not None else None,
        packing_slip=wish.packing_slip,
        quantity=wish.quantity,
        received_on=wish.received_on,
        document_type=wish.document_type or asked,
    )
    _received_before(evidence, facts)
    lacking = missing(evidence, case.assessment, facts)
    if lacking:
        who = f"inspection {inspection.inspection_id} is not certified, since"
        theirs = [lack.what for lack in lacking if not lack.of_the_type]
        types = [lack.what for lack in lacking if lack.of_the_type]
        said = [f"{inspection.customer} asks for what is missing: {'; '.join(theirs)}"] if theirs else []
        said += [f"type {facts.document_type} of EN 10204 needs what is missing: {'; '.join(types)}"] if types else []
        raise BadInput(f"{who} {'; and '.join(said)}")
    look = page_look(evidence, None if shop.certificate.logo is None else folder.logo(shop.certificate.logo))
    more = long_term(shop.signature, folder.root, now, wish.level)
    return Prepared(evidence, case.assessment, facts, look, wish.html, more)


def _received_before(evidence: Evidence, facts: IssueFacts) -> None:
    """Refuse a day of receipt on which nobody can have received what was measured then."""
    if facts.received_on is None or not evidence.readings:
        return
    zone = ZoneInfo(evidence.shop.time_zone)
    first = min(r.taken_at for r in evidence.readings).astimezone(zone).date()
    if facts.received_on > first:
        raise BadInput(
            f"the parts were measured on {first}, so they cannot have come in on {facts.received_on}; correct the day of receipt"
        )


def with_key(facts: IssueFacts, identity: Identity, ledger_head: str) -> IssueFacts:
    """Return *facts* of a certificate that *identity* releases, as of *ledger_head*."""
    return replace(facts, key_sha256=identity.key_sha256, key_issuer=identity.issuer, ledger_head=ledger_head)


def release(unsigned: UnsignedPdf, ready: Prepared, facts: IssueFacts, identity: Identity) -> bytes:
    """Return the certificate signed by whoever releases it.

    Raises:
        BadInput: The key is a self-made one of somebody else; a time-stamp authority is wanted and gives nothing.
    """
    shop = ready.evidence.shop
    written = presentation_of(shop, ready.evidence.customer)
    name = shop.find_inspector(facts.signer).name
    refuse_anothers_key(identity, name)
    return sign(
        unsigned.content,
        unsigned.place,
        identity,
        name=name,
        reason=written.text(MEANING),
        location=shop.address,
        now=facts.issued_at,
        when=written.text(moment(facts.issued_at, ZoneInfo(shop.time_zone))),
        long_term=ready.more,
        worded=written.text,
    )


def earlier_inspections(archive: Archive, inspection: Inspection) -> tuple[EarlierInspection, ...]:
    """Return the inspections of the same lot of the same part before *inspection*, oldest first."""
    same = archive.listed(customer=inspection.customer, part_no=inspection.part_no, lot=inspection.lot)
    before = [i for i in same if i.inspection_id < inspection.inspection_id]
    return tuple(
        EarlierInspection(inspection_id=i.inspection_id, sealed_at=i.sealed_at, coats=i.coats, conformity=i.conformity)
        for i in sorted(before, key=lambda i: i.inspection_id)
    )


def certificate_number(shop_code: str, inspection: Inspection) -> str:
    """Return the number of the certificate of *inspection*: unique without asking anyone."""
    return f"{shop_code}-{inspection.inspection_id}"


def open_identity(
    folder: ShopFolder,
    shop: Shop,
    code: str,
    passphrase: Callable[[], str],
    now: datetime,
    pin: Callable[[], str] | None = None,
) -> Identity:
    """Return the signing identity of the inspector *code*: on a token where shop.toml names one, or in a file.

    Raises:
        BadInput: There is none, the passphrase or PIN is wrong, or its certificate does not hold now.
    """
    token = shop.find_inspector(code).token
    if token is not None:
        return open_token(token, folder.root, pin or passphrase, now)
    path = identity_path(folder, shop, code)
    try:
        content = path.read_bytes()
    except OSError:
        raise BadInput(
            f"{path}: inspector {code!r} has no key there; make one with 'filmtally identity {code}', "
            'or name the PKCS#12 file with identity = "..." in shop.toml'
        ) from None
    return load_identity(content, passphrase(), now, str(path))


def identity_path(folder: ShopFolder, shop: Shop, code: str) -> Path:
    """Return where the key of the inspector *code* lies."""
    named = shop.find_inspector(code).identity
    return folder.root / named if named else folder.identities / f"{code}.p12"


def _may_be_certified(case: Assessed, wish: Wish, shop: Shop) -> None:
    for option, text in (("--deviation", wish.deviation), ("--why", wish.why)):
        if text is None:
            continue
        if not text.strip():
            raise BadInput(f"{option} is empty; say it in words, or leave the option out")
        if len(text) > _LONGEST:
            raise BadInput(f"{option} has {len(text)} characters; it takes 1 to {_LONGEST}")
        why = unfit(text)
        if why is not None:
            raise BadInput(f"{option}: {why}")
    if (wish.deviation is None) != (wish.deviation_by is None):
        raise BadInput(
            "a deviation needs its text and the person who states it; give --deviation and --deviation-by both"
        )
    if wish.deviation_by is not None:
        shop.find_inspector(wish.deviation_by)
        return
    coverage = case.assessment.coverage
    if coverage.state is not GateState.COVERED:
        raise GateRefused(f"inspection {case.evidence.inspection.inspection_id} is not certified: {coverage.sentence}")
    if case.assessment.verdict is Verdict.UNDECIDED:
        findings = [f for place in case.assessment.locations for f in place.findings] + list(
            case.assessment.lot_findings
        )
        why = next((f.sentence for f in findings if f.verdict is Verdict.UNDECIDED), "nothing was measured")
        raise BadInput(
            f"inspection {case.evidence.inspection.inspection_id} is undecided, so there is nothing to certify: {why}; "
            "measure what is missing, or state a deviation with --deviation and --deviation-by"
        )


def _revision(archive: Archive, shop_code: str, inspection: Inspection, wish: Wish) -> tuple[int, int | None]:
    before = archive.certificates(inspection.inspection_id)
    if not before:
        return 1, None
    last = max(before, key=lambda c: c.revision)
    if wish.why is None:
        raise BadInput(
            f"certificate {certificate_number(shop_code, inspection)} revision {last.revision} was issued on "
            f"{last.issued_at:%Y-%m-%d %H:%M} UTC ({last.pdf_name}); a new revision supersedes it and needs --why REASON"
        )
    return last.revision + 1, last.revision


def register(
    folder: ShopFolder, archive: Archive, ready: Prepared, facts: IssueFacts, signed: bytes, laid: LaidOut
) -> Issued:
    """Put a signed certificate into its place and into the register.

    Args:
        folder: The shop's folder.
        archive: Its archive.
        ready: What it was made from.
        facts: The facts of its issue.
        signed: The PDF.
        laid: What was signed, before it was.

    Raises:
        BadInput: Its number and revision were issued meanwhile; nothing was changed.
    """
    inspection = ready.evidence.inspection
    path = folder.certificates / f"{facts.number}-r{facts.revision}.pdf"
    make_folder(folder.certificates)
    by = f" (stated by {facts.deviation_by})" if facts.deviation_by else ""
    entry = Certificate(
        number=facts.number,
        revision=facts.revision,
        inspection_id=inspection.inspection_id,
        inspection_revision=inspection.revision,
        customer=inspection.customer,
        part_no=inspection.part_no,
        lot=inspection.lot,
        issued_at=facts.issued_at,
        signer=facts.signer,
        key_sha256=facts.key_sha256,
        pdf_sha256=hashlib.sha256(signed).hexdigest(),
        pdf_name=path.name,
        verdict=ready.assessment.verdict.name,
        deviation=f"{facts.deviation}{by}" if facts.deviation else None,
        supersedes=facts.supersedes,
        superseded_why=facts.superseded_why,
        ledger_head=facts.ledger_head,
        code=laid.code,
    )
    # Two benches may certify the same lot at the same time, and a number is given once.
    busy = f"{folder.certificates}: another program has been issuing certificates"
    with held_alone(folder.root / ".issuing.lock", _LOCK_SECONDS, busy):
        if any(c.revision >= facts.revision for c in archive.certificates(inspection.inspection_id)):
            raise BadInput(
                f"certificate {facts.number} revision {facts.revision} was issued by another program meanwhile; "
                "nothing was changed"
            )
        moved = _move_aside(path) if path.exists() else None
        copy = None if laid.html is None else path.with_suffix(".html")
        if laid.html is not None and copy is not None:
            write_over(copy, web_page(laid.html, ready.look).encode())
        write_once(path, signed)
        # Last, so that what the register knows is there as a whole, whatever comes in between.
        try:
            archive.commit_certificate(entry)
        except FilmtallyError:
            if not _in_the_register(archive, entry):
                # Signed and in no register it would be found one day, and be worth nothing.
                for made in (path, copy):
                    if made is not None:
                        made.unlink(missing_ok=True)
            raise
    return Issued(entry, path, moved, copy)


def _in_the_register(archive: Archive, entry: Certificate) -> bool:
    try:
        return any(c.pdf_sha256 == entry.pdf_sha256 for c in Archive(archive.root, archive.bench).certificates())
    except FilmtallyError:
        return True  # who cannot tell throws nothing away


def _move_aside(path: Path) -> Path:
    """Move away a PDF that was written and never registered, because a kill came in between."""
    number = 1
    while (aside := path.with_name(f"{path.stem}.unregistered-{number}.pdf")).exists():
        number += 1
    path.rename(aside)
    return aside

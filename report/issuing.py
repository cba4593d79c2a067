"""Issue a certificate: gate, number, PDF, signature, register, in this order, none of it twice."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from archive.commit import make_folder, write_once
from archive.shop_folder import ShopFolder
from archive.store import Archive
from report.assessing import Assessed, assessed, judge
from report.certificate import draft
from report.evidence import IssueFacts
from report.figures import moment
from report.identities import Identity, load_identity
from report.signing import sign
from report.time_stamping import long_term
from report.tokens import open_token
from report.view import MEANING
from rules.results import GateState
from rules.verdict import Verdict
from schemas.certificates import Certificate
from schemas.errors import BadInput, GateRefused
from schemas.inspections import Inspection
from schemas.shop import Shop
from schemas.vocabulary import SignatureLevel


@dataclass(frozen=True, slots=True)
class Wish:
    """What is asked for.

    Attributes:
        signer: Code of the inspector who signs.
        deviation: What the certificate deviates in, where the gate does not cover it.
        deviation_by: Code of the person who states the deviation.
        why: Why there is to be a new revision of a certificate that was issued before.
        level: The level to sign at; the shop's own where None.
    """

    signer: str
    deviation: str | None = None
    deviation_by: str | None = None
    why: str | None = None
    level: SignatureLevel | None = None


@dataclass(frozen=True, slots=True)
class Issued:
    """A certificate as issued: its line in the register, where it is, and what was moved aside for it."""

    entry: Certificate
    path: Path
    moved_aside: Path | None


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
        BadInput: It is undecided for want of readings; it was certified before and no reason is given;
            the signer has no key, or it does not open or hold; a deviation without a person; a time-stamp
            authority is wanted and gives nothing. Nothing was issued.
    """
    shop = folder.shop()
    signer = shop.find_inspector(wish.signer)
    case = assessed(archive, inspection)
    # Whoever signs today may have joined the shop after the inspection was sealed.
    then = case.evidence.shop
    known = {i.code for i in then.inspector}
    people = (*then.inspector, *(i for i in shop.inspector if i.code not in known))
    case = replace(case, evidence=replace(case.evidence, shop=then.model_copy(update={"inspector": people})))
    _may_be_certified(case, wish, shop)
    revision, supersedes = _revision(archive, then.code, inspection, wish)
    more = long_term(shop.signature, folder.root, now, wish.level)
    identity = open_identity(folder, shop, wish.signer, passphrase, now, pin)
    number = certificate_number(then.code, inspection)
    stamp = now.replace(microsecond=now.microsecond // 1000 * 1000)
    facts = IssueFacts(
        number=number,
        revision=revision,
        issued_at=stamp,
        signer=wish.signer,
        key_sha256=identity.key_sha256,
        deviation=wish.deviation,
        deviation_by=wish.deviation_by,
        supersedes=supersedes,
        superseded_why=wish.why if supersedes is not None else None,
        ledger_head=archive.head(),
    )
    unsigned = draft(case.evidence, judge(case.evidence), facts).pdf
    signed = sign(
        unsigned.content,
        unsigned.place,
        identity,
        name=signer.name,
        reason=MEANING,
        location=shop.address,
        now=stamp,
        when=moment(stamp, ZoneInfo(shop.time_zone)),
        long_term=more,
    )
    return _register(folder, archive, case, facts, signed)


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
        if text is not None and not text.strip():
            raise BadInput(f"{option} is empty; say it in words, or leave the option out")
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


def _register(folder: ShopFolder, archive: Archive, case: Assessed, facts: IssueFacts, signed: bytes) -> Issued:
    inspection = case.evidence.inspection
    path = folder.certificates / f"{facts.number}-r{facts.revision}.pdf"
    make_folder(folder.certificates)
    moved = _move_aside(path) if path.exists() else None
    write_once(path, signed)
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
        verdict=case.assessment.verdict.name,
        deviation=f"{facts.deviation}{by}" if facts.deviation else None,
        supersedes=facts.supersedes,
        superseded_why=facts.superseded_why,
        ledger_head=facts.ledger_head,
    )
    archive.commit_certificate(entry)
    return Issued(entry, path, moved)


def _move_aside(path: Path) -> Path:
    """Move away a PDF that was written and never registered, because a kill came in between."""
    number = 1
    while (aside := path.with_name(f"{path.stem}.unregistered-{number}.pdf")).exists():
        number += 1
    path.rename(aside)
    return aside

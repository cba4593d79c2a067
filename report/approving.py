"""A further signature on a released certificate: checked first, written behind what is there, never over it.

The register keeps the hash of the file as it was issued, and that file is the beginning of the approved one;
so nothing in the register changes, and `verify` shows both.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Final
from zoneinfo import ZoneInfo

from archive.commit import write_over
from report.approval_places import PlaceToSign, place_of, places_to_sign, refuse_own_person, refuse_shops_own_key
from report.figures import moment
from report.frame import frames_of
from report.identities import Identity
from report.key_names import refuse_anothers_key
from report.languages import presentation_of
from report.page_facts import AGREEMENT
from report.signature_fields import APPROVAL_FIELDS
from report.signatures import Kind, signatures_of
from report.signing import approve, free_approval_fields
from report.stamp_font import unstamped
from report.time_stamping import LongTerm
from report.trust import Trust
from report.verifying import VerificationReport, document_of, verify
from rules.verdict import Verdict
from schemas.certificates import Certificate
from schemas.errors import BadInput, IntegrityFailed
from schemas.letters import unfit

_LONGEST: Final = 200


@dataclass(frozen=True, slots=True)
class Approval:
    """Who approves, and what that means.

    Attributes:
        name: The person as it is printed.
        role: In what role.
        meaning: What the approval means; its usual words where None.
        location: Where it is signed; None where that is not said.
        closes: Whether nothing may follow.
        of_a_shop: Whether it is a person of a shop folder, who is nobody's further party.
    """

    name: str
    role: str
    meaning: str | None = None
    location: str | None = None
    closes: bool = False
    of_a_shop: bool = False


@dataclass(frozen=True, slots=True)
class Approved:
    """A certificate with one more approval.

    Attributes:
        number: Number and revision that the certificate states.
        which: The how-manieth approval it is.
        place: Label of the place that it stands in; None where the certificate has no places.
        closed: Whether it closed the file.
        states: The verdict that the certificate states.
    """

    number: str | None
    which: int
    place: str | None
    closed: bool
    states: str | None


def refuse_unsayable(approval: Approval) -> None:
    """Refuse an approval whose words cannot be printed.

    Raises:
        BadInput: One is empty, too long, or holds a letter that no bundled font has.
    """
    meaning = AGREEMENT if approval.meaning is None else approval.meaning
    for option, text in (("name", approval.name), ("role", approval.role), ("meaning", meaning)):
        why = unfit(text) or unstamped(text)
        if not text.strip() or len(text) > _LONGEST:
            raise BadInput(f"the {option} of the approval has 1 to {_LONGEST} letters")
        if why is not None:
            raise BadInput(f"the {option} of the approval, {text!r}: {why}")


def refuse_unapprovable(
    content: bytes, trust: Trust, register: list[Certificate] | None, now: datetime, where: str
) -> VerificationReport:
    """Refuse a certificate that is not what it was when it was released, or that takes no approval.

    Whoever signs vouches for what is there, so it is verified first.

    Args:
        content: The certificate.
        trust: Whom the approver trusts.
        register: The shop's register, where there is one at hand.
        now: When it is to be approved.
        where: The file's name, for messages.

    Raises:
        IntegrityFailed: A part of it does not hold.
        BadInput: It was superseded; an approval closed it; it has no place for another one.
    """
    found = verify(content, trust, register, now=now)
    for part in found.parts:
        if part.verdict is Verdict.FAIL:
            raise IntegrityFailed(f"{where} is not countersigned: {part.sentence}")
        if part.name == "register" and part.verdict is Verdict.UNDECIDED:
            raise BadInput(f"{where} is not countersigned: {part.sentence}")
    signatures, _ = signatures_of(content, len(frames_of(content)))
    closing = next((s for s in signatures if s.closes), None)
    if closing is not None:
        raise BadInput(f"{where}: the approval of {closing.holder} closed it; nothing may be added any more")
    others = sum(s.kind is Kind.APPROVAL for s in signatures)
    if not free_approval_fields(content) or others >= len(APPROVAL_FIELDS):
        raise BadInput(f"{where}: it has {others} approvals, which is all that it takes")
    return found


def place_for(content: bytes, approval: Approval, where: str) -> PlaceToSign | None:
    """Return the place that an approval takes: the one that is called as its role; None where there are no places.

    Args:
        content: The certificate, which :func:`refuse_unapprovable` looked at.
        approval: Who approves.
        where: The file's name, for messages.

    Raises:
        BadInput: No place is called so, or somebody has signed there; it is a further party's, and the person a shop's.
    """
    signatures, _ = signatures_of(content, len(frames_of(content)))
    places = places_to_sign(document_of(content), {s.field: s.holder for s in signatures})
    place = place_of(approval.role, places, where)
    if approval.of_a_shop:
        refuse_own_person(place, approval.name, where)
    return place


def countersign(
    path: Path,
    target: Path,
    approval: Approval,
    identity: Identity,
    found: VerificationReport,
    *,
    content: bytes,
    now: datetime,
    long_term: LongTerm | None = None,
) -> Approved:
    """Add an approval to the certificate at *path* and write it durably to *target*, which may be the same.

    Args:
        path: The certificate.
        target: Where the approved certificate goes; what stands there is replaced as a whole.
        approval: Who approves, and what that means.
        identity: The key.
        found: What :func:`refuse_unapprovable` found.
        content: The bytes that it looked at.
        now: The time that the approval claims.
        long_term: What a time-stamp authority adds; nothing where None.

    Raises:
        BadInput: It has no place for this approval; the key has signed it already, is a self-made one of somebody else,
            or the shop's own where a further party signs; the file changed meanwhile; it cannot be written; the
            authority gave nothing that can be used. Nothing was changed.
    """
    holder = next((name for name, key in found.signers if key == identity.key_sha256), None)
    if holder is not None:
        raise BadInput(f"{path}: {holder} has signed it with this key already; an approval is another person's")
    place = place_for(content, approval, str(path))
    evidence = document_of(content).evidence
    refuse_shops_own_key(place, identity.organisation, evidence.shop.name, str(path))
    refuse_anothers_key(identity, approval.name)
    written = presentation_of(evidence.shop, evidence.customer)
    free = free_approval_fields(content)
    signed = approve(
        content,
        identity,
        name=approval.name,
        role=approval.role if place is None else place.label,
        reason=approval.meaning or written.text(AGREEMENT),
        location=approval.location,
        now=now,
        when=written.text(moment(now, ZoneInfo(evidence.shop.time_zone))),
        closes=approval.closes,
        long_term=long_term,
        field=None if place is None else place.field,
        worded=written.text,
    )
    if path.read_bytes() != content:
        raise BadInput(f"{path}: was changed while it was being countersigned; look at it, then repeat")
    write_over(target, signed)
    which = len(APPROVAL_FIELDS) - len(free) + 1
    return Approved(
        found.number, which, None if place is None else place.label, approval.closes or len(free) == 1, found.states
    )

"""A further signature on a released certificate: checked first, written behind what is there, never over it.

The register keeps the hash of the file as it was issued, and that file is the beginning of the approved one;
so nothing in the register changes, and `verify` shows both.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Final

from archive.commit import write_over
from report.frame import frames_of
from report.identities import Identity
from report.signatures import Kind, signatures_of
from report.signing import APPROVAL_FIELDS, approve, next_approval_field
from report.time_stamping import LongTerm
from report.trust import Trust
from report.verifying import VerificationReport, verify
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
    """

    name: str
    role: str
    meaning: str | None = None
    location: str | None = None
    closes: bool = False

    @property
    def reason(self) -> str:
        """Return what the approval means, in the words that are printed and signed."""
        return self.meaning or f"Approved as {self.role}: this certificate as it was released."


@dataclass(frozen=True, slots=True)
class Approved:
    """A certificate with one more approval: which approval it is, whether it closed the file, what was checked."""

    number: str | None
    which: int
    closed: bool
    states: str | None


def refuse_unsayable(approval: Approval) -> None:
    """Refuse an approval whose words cannot be printed.

    Raises:
        BadInput: One is empty, too long, or holds a letter that no bundled font has.
    """
    for option, text in (("name", approval.name), ("role", approval.role), ("meaning", approval.reason)):
        why = unfit(text)
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
    if next_approval_field(content) is None or others >= len(APPROVAL_FIELDS):
        raise BadInput(f"{where}: it has {others} approvals, which is all that it takes")
    return found


def countersign(
    path: Path,
    target: Path,
    approval: Approval,
    identity: Identity,
    found: VerificationReport,
    *,
    content: bytes,
    now: datetime,
    when: str,
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
        when: The same as it is printed.
        long_term: What a time-stamp authority adds; nothing where None.

    Raises:
        BadInput: The key has signed it already; the file changed meanwhile; it cannot be written; the
            authority gave nothing that can be used. Nothing was changed.
    """
    holder = next((name for name, key in found.signers if key == identity.key_sha256), None)
    if holder is not None:
        raise BadInput(f"{path}: {holder} has signed it with this key already; an approval is another person's")
    field = next_approval_field(content)
    assert field is not None  # noqa: S101 - refuse_unapprovable asked
    signed = approve(
        content,
        identity,
        name=approval.name,
        role=approval.role,
        reason=approval.reason,
        location=approval.location,
        now=now,
        when=when,
        closes=approval.closes,
        long_term=long_term,
    )
    if path.read_bytes() != content:
        raise BadInput(f"{path}: was changed while it was being countersigned; look at it, then repeat")
    write_over(target, signed)
    which = APPROVAL_FIELDS.index(field) + 1
    return Approved(found.number, which, approval.closes or field == APPROVAL_FIELDS[-1], found.states)

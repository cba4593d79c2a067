"""Whom a reader trusts, and what follows from that for the signatures and time stamps of a file.

A signer is known by the fingerprint of the certificate, or because the certificate ends in a root that the
reader trusts for signers. A time-stamp authority ends in a root that is trusted for time, or for signers: a
root for time vouches for no signer.
"""

from __future__ import annotations

import asyncio
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any, Final

from pyhanko_certvalidator import CertificateValidator, ValidationContext
from pyhanko_certvalidator.errors import (
    InsufficientRevinfoError,
    PathBuildingError,
    PathValidationError,
    RevokedError,
    ValidationError,
)

from report.figures import fingerprint
from report.pyhanko_log import silent
from report.signatures import KeptEvidence, Kind, Signature, TimeStamp
from rules.verdict import Verdict

#: How far a signer's clock may be ahead of the authority's, and behind it.
_AHEAD: Final = timedelta(minutes=5)
_BEHIND: Final = timedelta(hours=1)


@dataclass(frozen=True, slots=True)
class Trust:
    """What a reader trusts.

    Attributes:
        fingerprints: SHA-256 fingerprints (hex, small letters) of signing certificates.
        roots: Certificates of authorities that vouch for signers.
        time_roots: Certificates of authorities, or their roots, that vouch for time.
        crls: Revocation lists at hand, beside those in the file.
    """

    fingerprints: frozenset[str] = frozenset()
    roots: tuple[Any, ...] = ()
    time_roots: tuple[Any, ...] = ()
    crls: tuple[Any, ...] = ()

    @classmethod
    def of_fingerprints(cls, fingerprints: Iterable[str]) -> Trust:
        """Return trust in signing certificates alone."""
        return cls(frozenset(f.lower() for f in fingerprints))

    @property
    def names_a_signer(self) -> bool:
        """Return whether there is anything to know a signer by."""
        return bool(self.fingerprints or self.roots)


@dataclass(frozen=True, slots=True)
class Said:
    """What was found of one thing: how it stands, in words, and whether that is for want of anyone who vouches for it."""

    verdict: Verdict
    sentence: str
    unknown: bool = False


@dataclass(frozen=True, slots=True)
class ShownTime:
    """When a signature existed.

    Attributes:
        verdict: UNDECIDED where a time stamp says something that is not shown, FAIL where it is false.
        sentence: What is known, in words.
        at: The time that a trusted authority gave; None where none did.
    """

    verdict: Verdict
    sentence: str
    at: datetime | None


def shown_times(
    signatures: Sequence[Signature], kept: KeptEvidence, trust: Trust, now: datetime | None
) -> list[ShownTime]:
    """Return when each signature existed, for those that are not time stamps themselves, in order.

    A time stamp is worth as much as its authority's certificate at the time when the stamp is relied on:
    now, or the time of a later one over it.

    Args:
        signatures: All signatures and time stamps of a file, in order.
        kept: What lies in the file to judge certificates by.
        trust: Whom the reader trusts.
        now: The reader's time; the time stamps' own where None.
    """
    archived = _archived(signatures, kept, trust, now)
    return [_shown(s, archived, kept, trust, now) for s in signatures if s.kind is not Kind.TIME_STAMP]


def _archived(
    signatures: Sequence[Signature], kept: KeptEvidence, trust: Trust, now: datetime | None
) -> list[tuple[Signature, Said]]:
    """Return the time stamps over the whole file with what they are worth, oldest first."""
    found: list[tuple[Signature, Said]] = []
    relied_on = now
    for one in reversed(signatures):
        if one.kind is not Kind.TIME_STAMP or one.time_stamp is None:
            continue
        worth = _worth(one.time_stamp, one.intact and one.valid, relied_on, kept, trust)
        found.append((one, worth))
        if worth.verdict is Verdict.PASS:
            relied_on = one.time_stamp.at
    return found[::-1]


def _shown(
    signature: Signature,
    archived: Sequence[tuple[Signature, Said]],
    kept: KeptEvidence,
    trust: Trust,
    now: datetime | None,
) -> ShownTime:
    later = [(s.time_stamp, worth) for s, worth in archived if s.end > signature.end and s.time_stamp is not None]
    good = [(stamp, worth) for stamp, worth in later if worth.verdict is Verdict.PASS]
    stamps = [(stamp, worth) for stamp, worth in later]
    if signature.time_stamp is not None:
        relied_on = min((stamp.at for stamp, _ in good), default=now)
        own = (signature.time_stamp, _worth(signature.time_stamp, signature.time_stamp.valid, relied_on, kept, trust))
        stamps.insert(0, own)
        if own[1].verdict is Verdict.PASS:
            good.insert(0, own)
    clock = "" if signature.claimed_at is None else _utc(signature.claimed_at)
    if not stamps:
        return ShownTime(
            Verdict.PASS,
            f"{signature.holder} signed at {clock} by the signer's own clock; nobody else shows when.",
            None,
        )
    bad = next((worth for _, worth in stamps if worth.verdict is Verdict.FAIL), None)
    if bad is not None:
        return ShownTime(Verdict.FAIL, bad.sentence, None)
    if not good:
        return ShownTime(
            Verdict.UNDECIDED,
            f"{signature.holder} signed at {clock} by the signer's own clock. {stamps[0][1].sentence}",
            None,
        )
    stamp, worth = min(good, key=lambda pair: pair[0].at)
    said = f"{signature.holder} had signed by {_utc(stamp.at)}: {worth.sentence}"
    if signature.time_stamp is not None and signature.claimed_at is not None:
        apart = signature.time_stamp.at - signature.claimed_at
        if not -_AHEAD <= apart <= _BEHIND:
            return ShownTime(
                Verdict.UNDECIDED, f"{said} The signer's own clock said {clock}, which is far from that.", stamp.at
            )
    if len(later) > 0 and good[-1][0] is not stamp:
        said += f" A time stamp of {_utc(good[-1][0].at)} covers all of that."
    return ShownTime(Verdict.PASS, said, stamp.at)


class _WasRevoked(Exception):
    """A list at hand has the certificate."""


def _worth(stamp: TimeStamp, made: bool, relied_on: datetime | None, kept: KeptEvidence, trust: Trust) -> Said:
    if not made:
        return Said(Verdict.FAIL, f"The time stamp of {stamp.authority} is not of this file, or was changed.")
    roots = [*trust.time_roots, *trust.roots]
    said = f"so says the time-stamp authority {stamp.authority}"
    if not roots:
        return Said(
            Verdict.UNDECIDED,
            f"The time-stamp authority {stamp.authority} says {_utc(stamp.at)}; no root to know it by was given, "
            "name one with --trust-time FILE.",
        )
    moment = relied_on or stamp.at
    # In date when it is relied on; revoked or not is asked of the lists at hand.
    fault: Exception | None = _path(stamp.certificate, stamp.others, roots, moment, kept, (), purpose="time_stamping")
    if fault is None and _revoked(stamp.certificate, stamp.others, roots, stamp.at, kept, trust):
        fault = _WasRevoked()
    if fault is None:
        return Said(Verdict.PASS, f"{said}, which is trusted.")
    if moment > stamp.certificate.not_valid_after:
        return Said(
            Verdict.UNDECIDED,
            f"The certificate of the time-stamp authority {stamp.authority}, which says {_utc(stamp.at)}, expired on "
            f"{stamp.certificate.not_valid_after:%Y-%m-%d}, and no later time stamp covers it.",
        )
    why = " (its certificate was revoked)" if isinstance(fault, _WasRevoked) else ""
    return Said(
        Verdict.UNDECIDED,
        f"The time-stamp authority {stamp.authority} says {_utc(stamp.at)}, and it is none of the trusted ones{why}.",
    )


def signer_known(
    signature: Signature, shown: ShownTime, kept: KeptEvidence, trust: Trust, now: datetime | None
) -> Said:
    """Return whether a signer is one that the reader knows, in words.

    Args:
        signature: The signature.
        shown: When it existed.
        kept: What lies in the file to judge certificates by.
        trust: Whom the reader trusts.
        now: The reader's time; not asked for where None.
    """
    key = f"{signature.holder}, key {fingerprint(signature.fingerprint)}"
    moment = shown.at or signature.claimed_at or now
    by_key = signature.fingerprint in trust.fingerprints
    if trust.roots and moment is not None:
        lists = (*kept.crls, *trust.crls)
        fault = _path(signature.certificate, signature.others, trust.roots, moment, kept, lists, revocation="require")
        issuer = str(signature.certificate.issuer.native.get("common_name", "an authority"))
        if _revoked(signature.certificate, signature.others, trust.roots, moment, kept, trust):
            return Said(Verdict.FAIL, f"{key}: {issuer} had revoked its certificate when it signed.")
        if not by_key and fault is None:
            if shown.at is None and now is not None and now > signature.certificate.not_valid_after:
                return Said(
                    Verdict.UNDECIDED,
                    f"{key}: its certificate by {issuer} expired on {signature.certificate.not_valid_after:%Y-%m-%d}, and "
                    "no trusted time stamp shows that it signed before.",
                )
            return Said(
                Verdict.PASS, f"{key}, {_made_out_to(signature)} by {issuer}, which is trusted, and not revoked"
            )
        if not by_key and isinstance(fault, InsufficientRevinfoError):
            return Said(
                Verdict.UNDECIDED,
                f"{key}, {_made_out_to(signature)} by {issuer}, which is trusted; whether it was revoked is shown by nothing "
                "here, give the authority's newest list with --crl FILE.",
            )
    if by_key:
        return Said(Verdict.PASS, key)
    if not trust.names_a_signer:
        return Said(
            Verdict.UNDECIDED,
            f"No known key was given to compare with {key}; name the shop's certificate with --trust FILE.",
        )
    return Said(Verdict.FAIL, f"{key}, is none of the known ones.", unknown=True)


def _made_out_to(signature: Signature) -> str:
    organisation = signature.certificate.subject.native.get("organization_name")
    return f"its certificate made out to {signature.holder}{f' of {organisation}' if organisation else ''}"


def _revoked(
    certificate: Any, others: Sequence[Any], roots: Sequence[Any], moment: datetime, kept: KeptEvidence, trust: Trust
) -> bool:
    """Return whether one list at hand, in the file or beside it, has a certificate as revoked at *moment*.

    Each list is asked alone: an older one that does not have it yet is no answer to a newer one that has.
    """
    return any(
        isinstance(_path(certificate, others, roots, moment, kept, (one,)), RevokedError)
        for one in (*kept.crls, *trust.crls)
    )


def _path(
    certificate: Any,
    others: Sequence[Any],
    roots: Sequence[Any],
    moment: datetime,
    kept: KeptEvidence,
    crls: Sequence[Any],
    *,
    purpose: str | None = None,
    revocation: str = "soft-fail",
) -> Exception | None:
    """Return why a certificate does not lead to one of *roots*, or None where it does."""
    purposes = set() if purpose is None else {purpose}
    try:
        context = ValidationContext(
            trust_roots=list(roots),
            other_certs=[*others, *kept.certificates],
            moment=moment,
            crls=list(crls),
            ocsps=list(kept.ocsps) if crls or revocation == "require" else [],
            revocation_mode=revocation,
            # A list is newer than what it is asked about: what counts is what it says of that time.
            retroactive_revinfo=True,
        )
        validator = CertificateValidator(certificate, validation_context=context)
        with silent():
            checking = validator.async_validate_usage(set(), extended_key_usage=purposes)  # type: ignore[no-untyped-call]
            asyncio.run(checking)
    except (PathBuildingError, PathValidationError, ValidationError) as wrong:
        return wrong
    except (ValueError, TypeError, KeyError):
        return PathBuildingError("a certificate cannot be read")
    return None


def _utc(moment: datetime) -> str:
    return f"{moment.astimezone(UTC):%Y-%m-%d %H:%M} UTC"

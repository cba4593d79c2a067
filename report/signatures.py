"""What pyHanko says of every signature and time stamp in a file: intact, made with its key, what came after.

Nothing here says whom to trust; each certificate stands for itself. That question is asked in
report/trust.py.
"""

from __future__ import annotations

import hashlib
import io
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from enum import Enum
from typing import Any, Final

from asn1crypto import cms, crl, ocsp
from pyhanko.pdf_utils.reader import PdfFileReader
from pyhanko.sign.diff_analysis import (
    CatalogModificationRule,
    DiffResult,
    DocInfoRule,
    DSSCompareRule,
    FormUpdatingRule,
    MetadataUpdateRule,
    ModificationLevel,
    ObjectStreamRule,
    SigFieldCreationRule,
    SigFieldModificationRule,
    StandardDiffPolicy,
    XrefStreamRule,
)
from pyhanko.sign.fields import FieldMDPAction, MDPPerm
from pyhanko.sign.validation import SignatureCoverageLevel, validate_pdf_signature, validate_pdf_timestamp
from pyhanko.sign.validation.dss import DocumentSecurityStore
from pyhanko.sign.validation.errors import NoDSSFoundError
from pyhanko.sign.validation.generic_cms import extract_tst_data_iter
from pyhanko_certvalidator import ValidationContext

from report.description import same_description
from report.pyhanko_log import silent
from schemas.errors import IntegrityFailed

#: What may be added behind a signature: a signature in its field, and what judges it. pyHanko by itself would also let
#: the values of other form fields change, of which a certificate has none. What changes in the description of the
#: file is looked at apart.
_ADDITIONS: Final = StandardDiffPolicy(
    global_rules=[
        CatalogModificationRule(  # type: ignore[no-untyped-call]  # pyHanko's own
            ignored_keys=frozenset({"/AcroForm", "/DSS", "/Extensions", "/Metadata", "/Version"})
        ),
        DocInfoRule().as_qualified(ModificationLevel.LTA_UPDATES),
        MetadataUpdateRule().as_qualified(ModificationLevel.LTA_UPDATES),  # type: ignore[no-untyped-call]  # as above
        XrefStreamRule().as_qualified(ModificationLevel.LTA_UPDATES),
        ObjectStreamRule().as_qualified(ModificationLevel.LTA_UPDATES),
        DSSCompareRule().as_qualified(ModificationLevel.LTA_UPDATES),
    ],
    form_rule=FormUpdatingRule(
        field_rules=[SigFieldCreationRule(), SigFieldModificationRule()],  # type: ignore[no-untyped-call]  # as above
    ),
)


class Kind(Enum):
    """What a signature is for."""

    RELEASE = "release"
    APPROVAL = "approval"
    TIME_STAMP = "time stamp"


@dataclass(frozen=True, slots=True)
class TimeStamp:
    """What a time-stamp authority said.

    Attributes:
        at: The time that it gave.
        authority: Its name, as its certificate has it.
        certificate: That certificate.
        others: Certificates that came with it.
        valid: Whether it is of these bytes and made with the key of that certificate.
    """

    at: datetime
    authority: str
    certificate: Any
    others: tuple[Any, ...]
    valid: bool


@dataclass(frozen=True, slots=True)
class Signature:
    """One signature or time stamp in the order in which they were made.

    Attributes:
        kind: What it is for.
        field: Name of its field.
        certifies: Whether it forbids changes but for further signatures.
        closes: Whether it forbids further signatures too.
        end: Up to which byte it covers the file.
        cms_der: The signature itself.
        certificate: The signer's certificate, or the authority's.
        others: Certificates that came with it.
        holder: The common name in that certificate.
        name: The name that the signature itself gives; empty where it gives none.
        fingerprint: Its SHA-256 fingerprint, in hex.
        claimed_at: The time that the signer's own clock gave; the authority's for a time stamp.
        reason: What the signer says that it means.
        intact: Whether the bytes it covers are as they were, and are all up to its end.
        valid: Whether it was made with the key of its certificate.
        in_date: Whether the certificate held at the time claimed, and is for signing.
        later_changes_allowed: Whether what came after it is no more than it allows.
        time_stamp: The time stamp over it, where it has one; a time stamp's own.
    """

    kind: Kind
    field: str
    certifies: bool
    closes: bool
    end: int
    cms_der: bytes
    certificate: Any
    others: tuple[Any, ...]
    holder: str
    name: str
    fingerprint: str
    claimed_at: datetime | None
    reason: str
    intact: bool
    valid: bool
    in_date: bool
    later_changes_allowed: bool
    time_stamp: TimeStamp | None


@dataclass(frozen=True, slots=True)
class KeptEvidence:
    """What lies in the file to judge certificates by: further certificates, revocation lists and answers."""

    certificates: tuple[Any, ...] = ()
    crls: tuple[Any, ...] = ()
    ocsps: tuple[Any, ...] = ()


def signatures_of(pdf: bytes, expected: int) -> tuple[list[Signature], KeptEvidence]:
    """Return the signatures and time stamps in *pdf*, in order, and what is kept to judge them by.

    Args:
        pdf: The file.
        expected: How many there are by its bytes.

    Raises:
        IntegrityFailed: It is broken, or its structure shows another number of them.
    """
    try:
        with silent():
            reader = PdfFileReader(io.BytesIO(pdf), strict=True)
            found = [_signature(s) for s in reader.embedded_signatures]
            kept = _kept(reader)
            found.sort(key=lambda s: s.end)
            if len(found) > 1 and not same_description(pdf[: found[0].end], pdf):
                found[0] = replace(found[0], later_changes_allowed=False)
    except Exception as wrong:
        raise IntegrityFailed(
            f"this PDF is broken, or was changed after it was signed ({type(wrong).__name__}); ask the shop for it anew"
        ) from None
    if len(found) != expected:
        raise IntegrityFailed(
            f"this PDF holds {expected} signatures by its bytes and {len(found)} by its structure; it was changed"
        )
    return found, kept


def _signature(embedded: Any) -> Signature:
    certificate = embedded.signer_cert
    is_stamp = embedded.sig_object_type == "/DocTimeStamp"
    # The key is compared elsewhere, so here the certificate stands for itself.
    if is_stamp:
        own = ValidationContext(trust_roots=[certificate], allow_fetching=False)
        status: Any = validate_pdf_timestamp(embedded, own, diff_policy=_ADDITIONS)
        at = status.timestamp
        stamp: TimeStamp | None = TimeStamp(
            at, _name(certificate), certificate, tuple(embedded.other_embedded_certs), bool(status.valid)
        )
        in_date, claimed = bool(certificate.not_valid_before <= at <= certificate.not_valid_after), at
    else:
        claimed = embedded.self_reported_timestamp
        moment = claimed or datetime.now(UTC)
        own = ValidationContext(trust_roots=[certificate], allow_fetching=False, moment=moment)
        status = validate_pdf_signature(embedded, signer_validation_context=own, diff_policy=_ADDITIONS)
        stamp = _stamp(embedded, status)
        in_date = bool(status.trusted) and _may_sign(certificate, moment)
    start, gap, after, rest = (int(n) for n in embedded.byte_range)
    level = embedded.docmdp_level
    certifies = _is_certification(embedded) and level is not None and level <= MDPPerm.FILL_FORMS
    covers = embedded.evaluate_signature_coverage() >= SignatureCoverageLevel.ENTIRE_REVISION
    return Signature(
        kind=Kind.TIME_STAMP if is_stamp else Kind.RELEASE if certifies else Kind.APPROVAL,
        field=str(embedded.field_name),
        certifies=certifies,
        closes=not certifies and not is_stamp and _closes(embedded),
        end=after + rest,
        cms_der=_der(bytes(embedded.pkcs7_content)),
        certificate=certificate,
        others=tuple(embedded.other_embedded_certs),
        holder=_name(certificate),
        name=str(embedded.sig_object.get("/Name", "")),
        fingerprint=hashlib.sha256(certificate.dump()).hexdigest(),
        claimed_at=claimed,
        reason=str(embedded.sig_object.get("/Reason", "")),
        intact=bool(status.intact) and covers and start == 0 and gap > 0,
        valid=bool(status.valid) and claimed is not None,
        in_date=in_date,
        later_changes_allowed=bool(status.docmdp_ok) if not is_stamp else _only_allowed_follows(status),
        time_stamp=stamp,
    )


def _is_certification(embedded: Any) -> bool:
    """Return whether this is the signature that the catalog names as the one that certifies (ISO 32000-1, 12.8.4)."""
    references = embedded.sig_object.get("/Reference", ())
    if not any(r.get_object()["/TransformMethod"] == "/DocMDP" for r in references):
        return False
    named = embedded.reader.root["/Perms"].raw_get("/DocMDP")
    return bool(named.reference == embedded.sig_field.raw_get("/V").reference)


def _closes(embedded: Any) -> bool:
    """Return whether an approval locks every field (ISO 32000-1, 12.8.2.4; P as other programs write it too)."""
    lock = embedded.fieldmdp
    for reference in embedded.sig_object.get("/Reference", ()):
        terms = reference.get_object().get("/TransformParams", {})
        if terms.get("/P") == MDPPerm.NO_CHANGES.value:
            return True
    return embedded.docmdp_level is MDPPerm.NO_CHANGES or (lock is not None and lock.action is FieldMDPAction.ALL)


def _only_allowed_follows(status: Any) -> bool:
    return isinstance(status.diff_result, DiffResult) and status.modification_level <= ModificationLevel.FORM_FILLING


def _stamp(embedded: Any, status: Any) -> TimeStamp | None:
    """Return the time stamp in the unsigned attributes of a signature, or None where it has none."""
    tokens = list(extract_tst_data_iter(embedded.signer_info, signed=False))
    if not tokens:
        return None
    found = status.timestamp_validity
    others = tuple(c.chosen for token in tokens for c in token["certificates"])
    certificate = found.signing_cert
    return TimeStamp(found.timestamp, _name(certificate), certificate, others, bool(found.intact and found.valid))


def _name(certificate: Any) -> str:
    return str(certificate.subject.native.get("common_name", certificate.subject.human_friendly))


def _kept(reader: Any) -> KeptEvidence:
    try:
        store = DocumentSecurityStore.read_dss(reader)
    except NoDSSFoundError:
        return KeptEvidence()
    return KeptEvidence(
        certificates=tuple(store.load_certs()),
        crls=tuple(crl.CertificateList.load(bytes(s.get_object().data)) for s in store.crls),
        ocsps=tuple(ocsp.OCSPResponse.load(bytes(s.get_object().data)) for s in store.ocsps),
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

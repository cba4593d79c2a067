"""What the bytes of a signature must be, rebuilt from the parts of it that are protected.

A CMS signature (RFC 5652) signs its signed attributes. Its version numbers, the certificates beside it and
how it is encoded are signed by nobody; this program writes them in one way only, and here they are written
again. The certificates are held by each other: each must have signed another one there.
"""

from __future__ import annotations

from typing import Any

from asn1crypto import cms
from cryptography import x509

from report.identities import issued_by, name_of, vouches_for_itself

#: How a signature is named for each kind of key; the digest is always SHA-256 (RFC 5754).
_ALGORITHMS = {"ec": "sha256_ecdsa", "rsa": "sha256_rsa"}


def as_written(der: bytes) -> bytes | None:
    """Return what this program would have written for the signature *der*, or None where it writes no such thing."""
    try:
        signed = cms.ContentInfo.load(der, strict=True)["content"]
        (info,) = signed["signer_infos"]
        certificates = [c.chosen for c in signed["certificates"]]
        if not all(_held(c, certificates) for c in certificates if not _is_signers(c, info)):
            return None
        (signer,) = (c for c in certificates if _is_signers(c, info))
        return _rebuilt(signer, certificates, info)
    except Exception:
        # Whatever cannot be read is not what we wrote.
        return None


def _rebuilt(signer: Any, certificates: list[Any], info: Any) -> bytes:
    content: dict[str, Any] = {
        "version": "v1",
        "sid": cms.SignerIdentifier(
            {
                "issuer_and_serial_number": cms.IssuerAndSerialNumber(
                    {"issuer": signer.issuer, "serial_number": signer.serial_number}
                )
            }
        ),
        "digest_algorithm": {"algorithm": "sha256"},
        "signed_attrs": info["signed_attrs"],
        "signature_algorithm": {"algorithm": _ALGORITHMS[signer.public_key.algorithm]},
        "signature": info["signature"].native,
    }
    if info["unsigned_attrs"]:
        (time_stamp,) = info["unsigned_attrs"]
        if time_stamp["type"].native != "signature_time_stamp_token" or len(time_stamp["values"]) != 1:
            raise ValueError("an attribute that this program does not write")
        content["unsigned_attrs"] = info["unsigned_attrs"]
    rebuilt = cms.ContentInfo(
        {
            "content_type": "signed_data",
            "content": cms.SignedData(
                {
                    "version": "v1",
                    "digest_algorithms": [{"algorithm": "sha256"}],
                    "encap_content_info": {"content_type": "data"},
                    "certificates": certificates,
                    "signer_infos": [cms.SignerInfo(content)],
                }
            ),
        }
    )
    return bytes(rebuilt.dump())


def loosely_held(der: bytes) -> list[str]:
    """Return whose certificates beside a signature no other one there vouches for: an authority's without its root."""
    try:
        signed = cms.ContentInfo.load(der)["content"]
        (info,) = signed["signer_infos"]
        loose = []
        every = [c.chosen for c in signed["certificates"]]
        for certificate in every:
            if _is_signers(certificate, info):
                continue
            ours = x509.load_der_x509_certificate(certificate.dump())
            if not any(issued_by(ours, x509.load_der_x509_certificate(c.dump())) for c in every):
                loose.append(name_of(ours.subject))
    except (ValueError, TypeError, KeyError):
        return []
    return loose


def _is_signers(certificate: Any, info: Any) -> bool:
    sid = info["sid"].chosen
    same_issuer = sid["issuer"].dump() == certificate.issuer.dump()
    return bool(same_issuer and sid["serial_number"].native == certificate.serial_number)


def _held(certificate: Any, others: list[Any]) -> bool:
    """Return whether an authority's certificate issued another one there, and signed itself where it says so."""
    ours = x509.load_der_x509_certificate(certificate.dump())
    if ours.issuer == ours.subject and not vouches_for_itself(ours):
        return False
    return any(issued_by(x509.load_der_x509_certificate(c.dump()), ours) for c in others if c is not certificate)

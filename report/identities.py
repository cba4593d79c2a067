"""Signing identities: a key with its certificate, made here or issued by an authority.

A self-made certificate vouches for itself and is told by its fingerprint. One from an authority ends in a
root that others know as well. How a key signs is no business of this module.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final

from asn1crypto import pem as asn1_pem
from asn1crypto import x509 as asn1_x509
from cryptography import x509
from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec, rsa
from cryptography.hazmat.primitives.serialization import pkcs12
from cryptography.x509.oid import NameOID, ObjectIdentifier
from pyhanko.sign import signers

from schemas.errors import BadInput

# id-kp-documentSigning, RFC 9336.
_DOCUMENT_SIGNING: Final = ObjectIdentifier("1.3.6.1.5.5.7.3.36")
_NAME_MOST: Final = 64  # RFC 5280, upper bounds of common and organisation name
#: Shorter keys are not signed with: NIST SP 800-131A rev. 2 disallows them (from memory).
_RSA_LEAST: Final = 2048
_PEM_BEGINS: Final = b"-----BEGIN"

#: What an authority is told, and a self-made certificate says: for signing, and for nothing else.
_KEY_USAGE: Final = x509.KeyUsage(
    digital_signature=True,
    content_commitment=True,  # the later name of nonRepudiation
    key_encipherment=False,
    data_encipherment=False,
    key_agreement=False,
    key_cert_sign=False,
    crl_sign=False,
    encipher_only=False,
    decipher_only=False,
)


@dataclass(frozen=True, slots=True)
class Identity:
    """A key with its certificate, opened and in date.

    Attributes:
        key_sha256: SHA-256 fingerprint of the certificate, in hex.
        certificate_der: The certificate.
        signer: What pyHanko signs with.
        issuer: Name of the authority that issued the certificate; None where it is self-made.
        chain_der: The authorities' certificates that came with it.
    """

    key_sha256: str
    certificate_der: bytes
    signer: Any
    issuer: str | None = None
    chain_der: tuple[bytes, ...] = ()

    @property
    def self_made(self) -> bool:
        """Return whether the certificate vouches for itself."""
        return self.issuer is None

    @property
    def holder(self) -> str:
        """Return to whom the certificate is made out."""
        return name_of(x509.load_der_x509_certificate(self.certificate_der).subject)

    @property
    def organisation(self) -> str | None:
        """Return the organisation that the certificate names with its holder; None where it names none."""
        subject = x509.load_der_x509_certificate(self.certificate_der).subject
        named = subject.get_attributes_for_oid(NameOID.ORGANIZATION_NAME)
        return str(named[0].value) if named else None


def make_identity(name: str, organisation: str, passphrase: str, now: datetime, valid_days: int = 1826) -> bytes:
    """Return a new self-made identity as a PKCS#12 file.

    One certificate that vouches for itself: an own root above it would add nothing, since whoever
    relies on it compares the fingerprint anyway.

    Args:
        name: The person.
        organisation: The shop.
        passphrase: What the file is locked with.
        now: When it begins to hold.
        valid_days: How long it holds.

    Raises:
        BadInput: The passphrase is empty.
    """
    lock = _lock(passphrase)
    key = ec.generate_private_key(ec.SECP256R1())
    subject = _subject(name, organisation)
    certificate = (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(subject)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now)
        .not_valid_after(now + timedelta(days=valid_days))
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(_KEY_USAGE, critical=True)
        .add_extension(x509.ExtendedKeyUsage([_DOCUMENT_SIGNING]), critical=False)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
        .sign(key, hashes.SHA256())
    )
    return pkcs12.serialize_key_and_certificates(name.encode(), key, certificate, None, lock)


def make_request(name: str, organisation: str, passphrase: str) -> tuple[bytes, bytes]:
    """Return a new key as encrypted PKCS#8 (PEM), and the request for its certificate (PKCS#10, PEM).

    Args:
        name: The person.
        organisation: The shop.
        passphrase: What the key is locked with.

    Raises:
        BadInput: The passphrase is empty.
    """
    lock = _lock(passphrase)
    key = ec.generate_private_key(ec.SECP256R1())
    request = (
        x509.CertificateSigningRequestBuilder()
        .subject_name(_subject(name, organisation))
        .add_extension(_KEY_USAGE, critical=True)
        .add_extension(x509.ExtendedKeyUsage([_DOCUMENT_SIGNING]), critical=False)
        .sign(key, hashes.SHA256())
    )
    held = key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, lock)
    return held, request.public_bytes(serialization.Encoding.PEM)


def join_identity(pending: bytes, issued: bytes, passphrase: str, now: datetime, where: tuple[str, str]) -> bytes:
    """Return the identity of a pending key and the certificate that an authority issued for it, as PKCS#12.

    Args:
        pending: The key that :func:`make_request` gave.
        issued: The certificate with its chain, in any order (PEM), or the certificate alone (DER).
        passphrase: What the key is locked with, and the identity will be.
        now: When it is joined.
        where: Names of the two files, for messages.

    Raises:
        BadInput: The passphrase is wrong; no certificate there is this key's; it does not hold now, or is
            not for signing; a certificate there is no authority's above it.
    """
    try:
        key = serialization.load_pem_private_key(pending, passphrase.encode() or None)
    except (ValueError, TypeError):
        raise BadInput(f"{where[0]}: the passphrase is wrong, or this is not a key; try again") from None
    if not isinstance(key, ec.EllipticCurvePrivateKey | rsa.RSAPrivateKey):
        raise BadInput(f"{where[0]}: this is no key that signs certificates; make a request anew")
    certificates = [x509.load_der_x509_certificate(der) for der in certificates_in(issued, where[1])]
    ours = next((c for c in certificates if c.public_key() == key.public_key()), None)
    if ours is None:
        raise BadInput(
            f"{where[1]}: no certificate in it is of the key in {where[0]}; ask the authority for the one to the request"
        )
    _refuse_out_of_date(ours, now, where[1])
    if not may_sign(ours):
        raise BadInput(f"{where[1]}: the certificate is not for signing (key usage); ask the authority for one that is")
    chain = _chain(ours, [c for c in certificates if c is not ours], where[1])
    return pkcs12.serialize_key_and_certificates(None, key, ours, chain, _lock(passphrase))


def load_identity(content: bytes, passphrase: str, now: datetime, where: str) -> Identity:
    """Return the identity in a PKCS#12 file.

    Args:
        content: The file.
        passphrase: What it is locked with.
        now: When it is to sign.
        where: The file's name, for messages.

    Raises:
        BadInput: The passphrase is wrong, the file is no PKCS#12, its key is of a kind that does not sign
            here, or its certificate does not hold now.
    """
    try:
        key, certificate, others = pkcs12.load_key_and_certificates(content, passphrase.encode())
    except ValueError:
        raise BadInput(f"{where}: the passphrase is wrong, or this is not a PKCS#12 file; try again") from None
    if key is None or certificate is None:
        raise BadInput(f"{where}: holds no key with its certificate; make one with 'filmtally new --signer'")
    refuse_unusable(certificate, now, where)
    signer = signers.SimpleSigner.load_pkcs12_data(content, other_certs=[], passphrase=passphrase.encode())
    return identity_of(certificate, others, signer)


def identity_of(certificate: x509.Certificate, chain: Sequence[x509.Certificate], signer: Any) -> Identity:
    """Return the identity of an opened key."""
    der = serialization.Encoding.DER
    return Identity(
        fingerprint_of(certificate),
        certificate.public_bytes(der),
        signer,
        None if vouches_for_itself(certificate) else name_of(certificate.issuer),
        tuple(c.public_bytes(der) for c in chain),
    )


def refuse_unusable(certificate: x509.Certificate, now: datetime, where: str) -> None:
    """Refuse a certificate that is not to be signed with.

    Raises:
        BadInput: Its key is of another kind than RSA or elliptic curve, or too short; it does not hold now.
    """
    public = certificate.public_key()
    if not isinstance(public, ec.EllipticCurvePublicKey | rsa.RSAPublicKey):
        raise BadInput(f"{where}: its key is neither RSA nor an elliptic curve's; sign with one that is")
    if isinstance(public, rsa.RSAPublicKey) and public.key_size < _RSA_LEAST:
        raise BadInput(f"{where}: its RSA key has {public.key_size} bits; sign with one of {_RSA_LEAST} or more")
    _refuse_out_of_date(certificate, now, where)


def _refuse_out_of_date(certificate: x509.Certificate, now: datetime, where: str) -> None:
    begins, ends = certificate.not_valid_before_utc, certificate.not_valid_after_utc
    # A certificate counts in whole seconds, and one made in this second holds from its beginning.
    moment = now.replace(microsecond=0)
    if moment > ends:
        raise BadInput(f"{where}: its certificate expired on {ends:%Y-%m-%d}; sign with one that holds")
    if moment < begins:
        raise BadInput(
            f"{where}: its certificate holds only from {begins:%Y-%m-%d}; set the clock right, or sign with another"
        )


def fingerprint_of(certificate: x509.Certificate) -> str:
    """Return the SHA-256 fingerprint of a certificate, in hex."""
    return hashlib.sha256(certificate.public_bytes(serialization.Encoding.DER)).hexdigest()


def name_of(name: x509.Name) -> str:
    """Return the common name in *name*, or all of it where it has none."""
    common = name.get_attributes_for_oid(NameOID.COMMON_NAME)
    return str(common[0].value) if common else name.rfc4514_string()


def vouches_for_itself(certificate: x509.Certificate) -> bool:
    """Return whether *certificate* is signed with its own key."""
    return issued_by(certificate, certificate)


def issued_by(certificate: x509.Certificate, issuer: x509.Certificate) -> bool:
    """Return whether *issuer* names itself as the issuer of *certificate* and its key signed it."""
    try:
        certificate.verify_directly_issued_by(issuer)
    except (ValueError, TypeError, InvalidSignature):
        return False
    return True


def may_sign(certificate: x509.Certificate) -> bool:
    """Return whether a certificate is for signing: no key usage, or one of the two (RFC 5280, 4.2.1.3)."""
    try:
        usage = certificate.extensions.get_extension_for_class(x509.KeyUsage).value
    except x509.ExtensionNotFound:
        return True
    return usage.digital_signature or usage.content_commitment


def certificates_in(content: bytes, where: str) -> list[bytes]:
    """Return the certificates (DER) in a PEM bundle or a DER file.

    Raises:
        BadInput: There is none, or one cannot be read.
    """
    try:
        if _PEM_BEGINS in content:
            found = [der for kind, _, der in asn1_pem.unarmor(content, multiple=True) if kind == "CERTIFICATE"]
        else:
            found = [content]
        for der in found:
            asn1_x509.Certificate.load(der, strict=True).native  # noqa: B018 - reads all of it
            x509.load_der_x509_certificate(der)
    except (ValueError, TypeError, KeyError):
        found = []
    if not found:
        raise BadInput(f"{where}: is no certificate in PEM or DER; ask whoever issued it for one")
    return found


def as_pem(certificates_der: Sequence[bytes]) -> bytes:
    """Return certificates as one PEM bundle."""
    return b"".join(asn1_pem.armor("CERTIFICATE", der) for der in certificates_der)


def _chain(ours: x509.Certificate, others: list[x509.Certificate], where: str) -> list[x509.Certificate]:
    """Return *others* in the order from *ours* to the root."""
    chain = [ours]
    rest = list(others)
    while rest:
        above = next((c for c in rest if issued_by(chain[-1], c)), None)
        if above is None:
            raise BadInput(
                f"{where}: the certificate of {name_of(rest[0].subject)!r} in it is none of the authorities above "
                f"{name_of(ours.subject)!r}; leave it out"
            )
        rest.remove(above)
        chain.append(above)
    return chain[1:]


def _subject(name: str, organisation: str) -> x509.Name:
    return x509.Name(
        [
            x509.NameAttribute(NameOID.COMMON_NAME, cut_name(name)),
            x509.NameAttribute(NameOID.ORGANIZATION_NAME, cut_name(organisation)),
        ]
    )


def cut_name(name: str) -> str:
    """Return as much of *name* as a certificate takes, which counts bytes and not letters."""
    return name.encode()[:_NAME_MOST].decode(errors="ignore")


def _lock(passphrase: str) -> serialization.KeySerializationEncryption:
    if not passphrase:
        raise BadInput("the passphrase is empty; give one that only the signer knows")
    return serialization.BestAvailableEncryption(passphrase.encode())

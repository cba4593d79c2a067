"""Whom to trust, read from what a person names; and the certificates of the shop's own people, kept for that.

A PKCS#12 file gives its certificate only to whoever knows the passphrase. So beside each key its certificate
lies open, as NAME.crt in the folder of identities: `verify` in the shop folder knows those, and the file
is what customers are given.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

from asn1crypto import x509 as asn1_x509
from cryptography import x509

from archive.commit import make_folder, write_once
from report.identities import Identity, as_pem, certificates_in, fingerprint_of
from report.time_stamping import crl_of
from report.trust import Trust
from schemas.errors import BadInput

_FINGERPRINT_LENGTH: Final = 64
_HEX: Final = "0123456789abcdef"
_ENDING: Final = ".crt"
#: The beginning of a fingerprint, as keep_certificate puts it into a name.
_BEGINNING: Final = "[0-9a-f]" * 8


def trust_from(trusted: Sequence[str], trusted_for_time: Sequence[str], crls: Sequence[str]) -> Trust:
    """Return the trust that a person named.

    Args:
        trusted: Fingerprints, text files with one, or files with certificates: an authority's is a root, any other is a signer's.
            Where a file holds a signer's certificate with the authorities above it, only the signer is
            trusted.
        trusted_for_time: Files with roots of time-stamp authorities, or their own certificates.
        crls: Files with lists of revoked certificates.

    Raises:
        BadInput: A file cannot be read, or holds nothing of the kind.
    """
    fingerprints: set[str] = set()
    roots: list[Any] = []
    for named in trusted:
        if (said := _fingerprint(named)) is not None:
            fingerprints.add(said)
            continue
        content = _read(named, "--trust", " is no fingerprint of 64 hex digits, and no file that can be read")
        if (said := _fingerprint(content.decode("utf-8-sig", errors="replace"))) is not None:
            fingerprints.add(said)
            continue
        found = certificates_in(content, f"--trust {named}")
        signers = [der for der in found if not _is_authority(der)]
        fingerprints |= {fingerprint_of(x509.load_der_x509_certificate(der)) for der in signers}
        if not signers:
            roots += [asn1_x509.Certificate.load(der) for der in found]
    for_time = [
        asn1_x509.Certificate.load(der)
        for named in trusted_for_time
        for der in _certificates(named, "--trust-time", " cannot be read")
    ]
    lists = [crl_of(_read(named, "--crl", " cannot be read"), f"--crl {named}") for named in crls]
    return Trust(frozenset(fingerprints), tuple(roots), tuple(for_time), tuple(lists))


def own_fingerprints(identities: Path) -> frozenset[str]:
    """Return the fingerprints of the signers' certificates that lie open in the folder of identities.

    Raises:
        BadInput: A file there is no certificate.
    """
    found = set()
    for path in sorted(identities.glob(f"*{_ENDING}")):
        first, *_ = certificates_in(path.read_bytes(), str(path))
        found.add(fingerprint_of(x509.load_der_x509_certificate(first)))
    return frozenset(found)


def keep_certificate(identities: Path, code: str, identity: Identity) -> Path:
    """Lay the certificate of *identity* open in the folder of identities, and return where; do nothing twice.

    Raises:
        BadInput: It cannot be written.
    """
    plain = identities / f"{code}{_ENDING}"
    content = as_pem([identity.certificate_der, *identity.chain_der])
    if plain.exists() and plain.read_bytes() != content:
        # The certificate of an earlier key stays: what it signed is still to be verified.
        plain = identities / f"{code}-{identity.key_sha256[:8]}{_ENDING}"
    if not plain.exists():
        make_folder(identities)
        write_once(plain, content)
    return plain


def open_certificate(identities: Path, code: str) -> tuple[bytes, str] | None:
    """Return the certificate of *code* that lies open in the folder of identities, with its fingerprint.

    None where there is none, or where those of several keys lie there: which one is in use only the key itself says.

    Raises:
        BadInput: The file is no certificate, or cannot be read.
    """
    plain = identities / f"{code}{_ENDING}"
    if not plain.is_file() or any(identities.glob(f"{code}-{_BEGINNING}{_ENDING}")):
        return None
    content = _read(str(plain), "certificate", " cannot be read")
    first, *_ = certificates_in(content, str(plain))
    return content, fingerprint_of(x509.load_der_x509_certificate(first))


def _fingerprint(text: str) -> str | None:
    """Return the fingerprint that *text* is, whatever blanks and colons stand in it; None where it is none."""
    digits = "".join(text.replace(":", "").split()).lower()
    return digits if len(digits) == _FINGERPRINT_LENGTH and all(c in _HEX for c in digits) else None


def _certificates(named: str, option: str, fault: str) -> list[bytes]:
    return certificates_in(_read(named, option, fault), f"{option} {named}")


def _read(named: str, option: str, fault: str) -> bytes:
    try:
        return Path(named).read_bytes()
    except OSError as wrong:
        raise BadInput(f"{option} {named}:{fault} ({wrong.strerror})") from None


def _is_authority(der: bytes) -> bool:
    extensions = x509.load_der_x509_certificate(der).extensions
    try:
        return bool(extensions.get_extension_for_class(x509.BasicConstraints).value.ca)
    except x509.ExtensionNotFound:
        return False

"""A signing identity, and the signature that releases a certificate.

The signature is PAdES B-B with ECDSA P-256, and certifies: after it only further signatures may be
added. It says no more than that the file is unchanged since the holder of this key signed it.
"""

from __future__ import annotations

import hashlib
import io
import textwrap
from dataclasses import dataclass
from datetime import datetime, timedelta
from importlib.resources import files
from typing import Any, Final

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.serialization import pkcs12
from cryptography.x509.oid import NameOID, ObjectIdentifier
from pyhanko.pdf_utils.font.opentype import GlyphAccumulator, GlyphAccumulatorFactory
from pyhanko.pdf_utils.incremental_writer import IncrementalPdfFileWriter
from pyhanko.pdf_utils.layout import AxisAlignment, Margins, SimpleBoxLayoutRule
from pyhanko.pdf_utils.text import TextBoxStyle
from pyhanko.sign import fields, signers
from pyhanko.stamp import TextStampStyle

from report.figures import fingerprint
from report.pdf import SignaturePlace
from report.signature_fields import RELEASE_FIELD
from schemas.errors import BadInput

# id-kp-documentSigning, RFC 9336.
_DOCUMENT_SIGNING: Final = ObjectIdentifier("1.3.6.1.5.5.7.3.36")
_NAME_MOST: Final = 64  # RFC 5280, upper bounds of common and organisation name
_PDF_A_VERSION: Final = (1, 7)
_STAMP_LINE: Final = 52
_STAMP_POINTS: Final = 7


@dataclass(frozen=True, slots=True)
class Identity:
    """A key with its certificate, opened and in date.

    Attributes:
        key_sha256: SHA-256 fingerprint of the certificate, in hex.
        certificate_der: The certificate.
        signer: What pyHanko signs with.
    """

    key_sha256: str
    certificate_der: bytes
    signer: Any


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
    if not passphrase:
        raise BadInput("the passphrase is empty; give one that only the signer knows")
    key = ec.generate_private_key(ec.SECP256R1())
    subject = x509.Name(
        [
            x509.NameAttribute(NameOID.COMMON_NAME, _cut(name)),
            x509.NameAttribute(NameOID.ORGANIZATION_NAME, _cut(organisation)),
        ]
    )
    key_usage = x509.KeyUsage(
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
    certificate = (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(subject)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now)
        .not_valid_after(now + timedelta(days=valid_days))
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(key_usage, critical=True)
        .add_extension(x509.ExtendedKeyUsage([_DOCUMENT_SIGNING]), critical=False)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
        .sign(key, hashes.SHA256())
    )
    lock = serialization.BestAvailableEncryption(passphrase.encode())
    return pkcs12.serialize_key_and_certificates(name.encode(), key, certificate, None, lock)


def _cut(name: str) -> str:
    """Return as much of *name* as a certificate takes, which counts bytes and not letters."""
    return name.encode()[:_NAME_MOST].decode(errors="ignore")


def load_identity(content: bytes, passphrase: str, now: datetime, where: str) -> Identity:
    """Return the identity in a PKCS#12 file.

    Args:
        content: The file.
        passphrase: What it is locked with.
        now: When it is to sign.
        where: The file's name, for messages.

    Raises:
        BadInput: The passphrase is wrong, the file is no PKCS#12, or its certificate does not hold now.
    """
    try:
        key, certificate, _ = pkcs12.load_key_and_certificates(content, passphrase.encode())
    except ValueError:
        raise BadInput(f"{where}: the passphrase is wrong, or this is not a PKCS#12 file; try again") from None
    if key is None or certificate is None:
        raise BadInput(f"{where}: holds no key with its certificate; make one with 'filmtally new --signer'")
    begins, ends = certificate.not_valid_before_utc, certificate.not_valid_after_utc
    # A certificate counts in whole seconds, and one made in this second holds from its beginning.
    moment = now.replace(microsecond=0)
    if moment > ends:
        raise BadInput(f"{where}: its certificate expired on {ends:%Y-%m-%d}; sign with one that holds")
    if moment < begins:
        raise BadInput(
            f"{where}: its certificate holds only from {begins:%Y-%m-%d}; set the clock right, or sign with another"
        )
    signer = signers.SimpleSigner.load_pkcs12_data(content, other_certs=[], passphrase=passphrase.encode())
    return Identity(fingerprint_of(certificate), certificate.public_bytes(serialization.Encoding.DER), signer)


def fingerprint_of(certificate: x509.Certificate) -> str:
    """Return the SHA-256 fingerprint of a certificate, in hex."""
    return hashlib.sha256(certificate.public_bytes(serialization.Encoding.DER)).hexdigest()


def sign(
    pdf: bytes,
    place: SignaturePlace,
    identity: Identity,
    *,
    name: str,
    reason: str,
    location: str,
    now: datetime,
    when: str,
) -> bytes:
    """Return the PDF signed and certified, with a visible signature block.

    Args:
        pdf: The unsigned certificate.
        place: Where its signature block goes.
        identity: Who signs.
        name: The signer as it is printed.
        reason: What the signature means.
        location: Where it is signed.
        now: The time that the signature claims.
        when: The same as it is printed.
    """
    meta = signers.PdfSignatureMetadata(
        field_name=RELEASE_FIELD,
        md_algorithm="sha256",
        subfilter=fields.SigSeedSubFilter.PADES,
        certify=True,
        docmdp_permissions=fields.MDPPerm.FILL_FORMS,
        reason=reason,
        location=location,
        name=name,
    )
    key = fingerprint(identity.key_sha256)
    middle = len(key) // 2
    lines = [
        *textwrap.wrap(f"Digitally signed by {name}", _STAMP_LINE),
        *textwrap.wrap(when, _STAMP_LINE),
        *textwrap.wrap(reason, _STAMP_LINE),
        f"Key {key[:middle].strip()}",
        key[middle:].strip(),
    ]
    style = TextStampStyle(
        stamp_text="%(said)s",
        border_width=0,
        text_box_style=TextBoxStyle(
            font=_StampFont("OpenSans-Stamp.ttf", font_size=_STAMP_POINTS), font_size=_STAMP_POINTS, leading=8
        ),
        inner_content_layout=SimpleBoxLayoutRule(AxisAlignment.ALIGN_MIN, AxisAlignment.ALIGN_MID, Margins(3, 3, 3, 3)),
    )
    signer = _SignerAt(now, meta, signer=identity.signer, stamp_style=style)
    writer = _PdfAWriter(io.BytesIO(pdf))
    out = signer.sign_pdf(writer, appearance_text_params={"said": "\n".join(lines)})
    signed: bytes = out.getvalue()
    return signed


@dataclass(frozen=True)
class _StampFont(GlyphAccumulatorFactory):
    """Our stamp's font from memory; pyHanko's own factory opens the file and leaves it open."""

    def create_font_engine(self, writer: Any, obj_stream: Any = None) -> GlyphAccumulator:
        content = (files("report") / "templates" / "fonts" / self.font_file).read_bytes()
        return GlyphAccumulator(writer, io.BytesIO(content), self.font_size, obj_stream=obj_stream)


class _PdfAWriter(IncrementalPdfFileWriter):
    """Keeps the file PDF 1.7, which PDF/A-3 is (ISO 19005-3, 6.1.2).

    pyHanko would raise it to 2.0 and announce an extension of PDF 2.0 (ISO/TS 32002) for the curve of the
    key; a reader of PAdES needs neither.
    """

    output_version = _PDF_A_VERSION

    def ensure_output_version(self, version: tuple[int, int]) -> None:
        super().ensure_output_version(min(version, _PDF_A_VERSION))  # type: ignore[no-untyped-call]  # pyHanko's own

    def register_extension(self, ext: Any) -> None:
        if ext.base_version != "/2.0":
            super().register_extension(ext)

    def _update_meta(self) -> None:
        """Leave the file's description as it is; pyHanko would write its XMP anew, and less than PDF/A asks for."""


class _SignerAt(signers.PdfSigner):
    """Signs with a time that is given; pyHanko by itself takes the machine's."""

    def __init__(self, now: datetime, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self._now = now

    def init_signing_session(self, *args: Any, **kwargs: Any) -> Any:
        session = super().init_signing_session(*args, **kwargs)
        session.system_time = self._now
        return session

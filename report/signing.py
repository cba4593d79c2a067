"""The signatures of a certificate: the one that releases it, and the approvals that may follow.

The release certifies: after it only further signatures may be added. It says no more than that the file is
unchanged since the holder of this key signed it. An approval is a signature of its own behind it; the
last one that is wanted closes the file. What a time-stamp authority adds to either stands in
report/time_stamping.py.
"""

from __future__ import annotations

import io
import textwrap
from collections.abc import Callable
from datetime import datetime
from typing import Any, Final

from pyhanko.pdf_utils.incremental_writer import IncrementalPdfFileWriter
from pyhanko.pdf_utils.layout import AxisAlignment, Margins, SimpleBoxLayoutRule
from pyhanko.pdf_utils.reader import PdfFileReader
from pyhanko.pdf_utils.text import TextBoxStyle
from pyhanko.sign import fields, signers
from pyhanko.sign.signers.cms_embedder import SigMDPSetup
from pyhanko.stamp import TextStampStyle

from report.figures import fingerprint
from report.identities import Identity
from report.key_names import other_holder
from report.pdf import SignaturePlace
from report.signature_fields import APPROVAL_FIELDS, RELEASE_FIELD
from report.stamp_font import STAMP_FONT, StampFont, unstamped
from report.time_stamping import LongTerm, with_document_time_stamp
from rules.sentence import said
from schemas.errors import BadInput

_PDF_A_VERSION: Final = (1, 7)
_STAMP_LINE: Final = 52
_STAMP_POINTS: Final = 7


def sign(
    pdf: bytes,
    place: SignaturePlace | None,
    identity: Identity,
    *,
    name: str,
    reason: str,
    location: str,
    now: datetime,
    when: str,
    long_term: LongTerm | None = None,
    worded: Callable[[str], str] = str,
) -> bytes:
    """Return the PDF signed and certified, with a visible signature block.

    Args:
        pdf: The unsigned certificate.
        place: Where its signature block goes, where the file has no empty field of that name.
        identity: Who signs.
        name: The signer as it is printed.
        reason: What the signature means.
        location: Where it is signed.
        now: The time that the signature claims.
        when: The same as it is printed.
        long_term: What a time-stamp authority adds; nothing where None.
        worded: Says the block's own words in the language of the certificate.

    Raises:
        BadInput: A word cannot be printed; the authority gave nothing that can be used. Nothing was signed.
    """
    spec = None
    if RELEASE_FIELD not in empty_fields(pdf):
        if place is None:
            raise ValueError("the file has no field for the release, and no place for one is given")
        box = (round(place.left), round(place.bottom), round(place.right), round(place.top))
        spec = fields.SigFieldSpec(RELEASE_FIELD, on_page=place.page, box=box, readable_field_name="Release signature")
    meta = _meta(RELEASE_FIELD, name, reason, location, certify=True)
    stamp = _stamp(name, other_holder(identity, name), when, reason, identity, worded)
    return _signed(pdf, meta, spec, stamp, identity, now, long_term, closes=False)


def approve(
    pdf: bytes,
    identity: Identity,
    *,
    name: str,
    role: str,
    reason: str,
    location: str | None,
    now: datetime,
    when: str,
    closes: bool = False,
    long_term: LongTerm | None = None,
    field: str | None = None,
    worded: Callable[[str], str] = str,
) -> bytes:
    """Return the certificate with one more approval signature behind what it holds already.

    It takes the field that is named, or else the next empty one; a file that has none gets one that is not drawn,
    since nothing may be drawn on a page that is released.

    Args:
        pdf: The released certificate.
        identity: Who approves.
        name: The person as it is printed.
        role: In what role.
        reason: What the approval means.
        location: Where it is signed; None where that is not said.
        now: The time that the signature claims.
        when: The same as it is printed.
        closes: Whether nothing may follow; what takes the last field closes the file by itself.
        long_term: What a time-stamp authority adds; nothing where None.
        field: Its field, one that nobody has signed.
        worded: Says the block's own words in the language of the certificate.

    Raises:
        BadInput: A word cannot be printed; the authority gave nothing that can be used. Nothing was signed.
        ValueError: There is no place for another approval, or not in that field.
    """
    free = free_approval_fields(pdf)
    field = field or next(iter(free), None)
    if field not in free:
        raise ValueError("there is no place for another approval")
    spec = None
    if field not in empty_fields(pdf):
        spec = fields.SigFieldSpec(field, box=None, readable_field_name=f"Approval signature {field[-1]}")
    stamp = _stamp(f"{name}, {role}", other_holder(identity, name), when, reason, identity, worded)
    closes = closes or len(free) == 1
    meta = _meta(field, name, reason, location, certify=False)
    return _signed(pdf, meta, spec, stamp, identity, now, long_term, closes)


def empty_fields(pdf: bytes) -> set[str]:
    """Return the names of the signature fields that nobody has signed."""
    reader = PdfFileReader(io.BytesIO(pdf))
    return {str(name) for name, _, _ in fields.enumerate_sig_fields(reader, filled_status=False)}


def free_approval_fields(pdf: bytes) -> tuple[str, ...]:
    """Return the names of the fields that an approval may still take, in their order."""
    reader = PdfFileReader(io.BytesIO(pdf))
    taken = {str(name) for name, _, _ in fields.enumerate_sig_fields(reader, filled_status=True)}
    return tuple(name for name in APPROVAL_FIELDS if name not in taken)


def _meta(field: str, name: str, reason: str, location: str | None, *, certify: bool) -> signers.PdfSignatureMetadata:
    return signers.PdfSignatureMetadata(
        field_name=field,
        md_algorithm="sha256",
        subfilter=fields.SigSeedSubFilter.PADES,
        certify=certify,
        docmdp_permissions=fields.MDPPerm.FILL_FORMS,
        reason=reason,
        location=location,
        name=name,
    )


def signed_by(who: str, holder: str | None = None) -> str:
    """Return the first words of a signature block.

    Args:
        who: The signer as the page names him.
        holder: Whom the key's certificate names, where that is another name.
    """
    if holder is None:
        return said("Digitally signed by {who}", who=who)
    return said("Digitally signed by {who}; key made out to {holder}", who=who, holder=holder)


def key_words(digits: str) -> str:
    """Return the words with which the key stands in a signature block."""
    return said("Key {fingerprint}", fingerprint=digits)


def _stamp(
    who: str, holder: str | None, when: str, reason: str, identity: Identity, worded: Callable[[str], str]
) -> str:
    """Return the lines of a signature block.

    Raises:
        BadInput: One holds a letter that the block cannot print.
    """
    key = fingerprint(identity.key_sha256)
    middle = len(key) // 2
    lines = [
        *textwrap.wrap(worded(signed_by(who, holder)), _STAMP_LINE),
        *textwrap.wrap(when, _STAMP_LINE),
        *textwrap.wrap(reason, _STAMP_LINE),
        worded(key_words(key[:middle].strip())),
        key[middle:].strip(),
    ]
    for line in lines:
        why = unstamped(line)
        if why is not None:
            raise BadInput(f"nothing was signed, since {line!r} stands in the signature block: {why}")
    return "\n".join(lines)


def _signed(
    pdf: bytes,
    meta: signers.PdfSignatureMetadata,
    spec: fields.SigFieldSpec | None,
    stamp: str,
    identity: Identity,
    now: datetime,
    long_term: LongTerm | None,
    closes: bool,
) -> bytes:
    style = TextStampStyle(
        stamp_text="%(said)s",
        border_width=0,
        text_box_style=TextBoxStyle(
            font=StampFont(STAMP_FONT, font_size=_STAMP_POINTS), font_size=_STAMP_POINTS, leading=8
        ),
        inner_content_layout=SimpleBoxLayoutRule(AxisAlignment.ALIGN_MIN, AxisAlignment.ALIGN_MID, Margins(3, 3, 3, 3)),
    )
    timestamper = None
    if long_term is not None:
        meta, timestamper = long_term.applied(meta, identity, now), long_term.timestamper
    signer = _SignerAt(
        now, closes, meta, signer=identity.signer, stamp_style=style, new_field_spec=spec, timestamper=timestamper
    )
    if long_term is None:
        return _written(signer, pdf, stamp)
    with long_term.faults_said():
        signed = _written(signer, pdf, stamp)
        if long_term.archives:
            return with_document_time_stamp(_PdfAWriter(io.BytesIO(signed)), long_term, identity, now)
        return signed


def _written(signer: _SignerAt, pdf: bytes, stamp: str) -> bytes:
    out = signer.sign_pdf(_PdfAWriter(io.BytesIO(pdf)), appearance_text_params={"said": stamp})
    signed: bytes = out.getvalue()
    return signed


class _PdfAWriter(IncrementalPdfFileWriter):
    """Keeps the file PDF 1.7, which PDF/A-3 is (ISO 19005-3, 6.1.2).

    pyHanko would raise it to 2.0 and announce an extension of PDF 2.0 (ISO/TS 32002) for the curve of the
    key; a reader of PAdES needs neither.
    """

    output_version = _PDF_A_VERSION

    def ensure_output_version(self, version: tuple[int, int]) -> None:
        super().ensure_output_version(min(version, _PDF_A_VERSION))  # type: ignore[no-untyped-call]  # pyHanko's own

    def _update_meta(self) -> None:
        """Leave the description of the file alone; pyHanko would write itself and the machine's time into it."""

    def register_extension(self, ext: Any) -> None:
        if ext.base_version != "/2.0":
            super().register_extension(ext)


class _SignerAt(signers.PdfSigner):
    """Signs with a time that is given, and closes the file where told; pyHanko by itself takes the machine's
    time, and closes only where the empty field said so before."""

    def __init__(self, now: datetime, closes: bool, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self._now = now
        self._closes = closes

    def init_signing_session(self, *args: Any, **kwargs: Any) -> Any:
        session = super().init_signing_session(*args, **kwargs)
        session.system_time = self._now
        if self._closes:
            every_field = fields.FieldMDPSpec(fields.FieldMDPAction.ALL)
            setup = SigMDPSetup(
                md_algorithm=session.md_algorithm, field_lock=every_field, docmdp_perms=fields.MDPPerm.NO_CHANGES
            )
            session._apply_locking_rules = lambda: setup  # type: ignore[method-assign]  # the only way to say so
        return session

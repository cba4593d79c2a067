"""WeasyPrint and pyHanko with nothing of ours around them: the floors of the certificate's bench."""

from __future__ import annotations

import io
from collections.abc import Mapping
from datetime import datetime
from importlib.resources import files
from pathlib import Path
from typing import Any, Final

from report.pdf import SignaturePlace
from report.signing import Identity

_APPROVAL: Final = "Receipt"


def render(html: str, inside: Mapping[str, bytes], stamp: datetime) -> bytes:
    """Return *html* as WeasyPrint writes it, with the same fonts, style sheet, tags and attachments."""
    import weasyprint

    from report import pdf as our_pdf

    kit = our_pdf._kit()
    attached = [
        weasyprint.Attachment(file_obj=io.BytesIO(inside[name]), name=name, created=stamp, modified=stamp)
        for name in sorted(inside)
    ]
    page = weasyprint.HTML(string=html, base_url="asset:", url_fetcher=our_pdf._AssetFetcher())
    content: bytes = page.write_pdf(
        stylesheets=[kit.sheet], font_config=kit.fonts, pdf_variant="pdf/a-3a", attachments=attached
    )
    return content


def sign(pdf: bytes, place: SignaturePlace, identity: Identity) -> bytes:
    """Return *pdf* certified by pyHanko, with a block of text in the same font where ours has one."""
    from pyhanko.pdf_utils.font.opentype import GlyphAccumulatorFactory
    from pyhanko.pdf_utils.incremental_writer import IncrementalPdfFileWriter
    from pyhanko.pdf_utils.text import TextBoxStyle
    from pyhanko.sign import fields, signers
    from pyhanko.stamp import TextStampStyle

    font = Path(str(files("report") / "templates" / "fonts" / "OpenSans-Stamp.ttf"))
    style = TextStampStyle(
        stamp_text="Digitally signed by Ida Brandt\nReleased.\nKey " + identity.key_sha256,
        border_width=0,
        text_box_style=TextBoxStyle(font=GlyphAccumulatorFactory(str(font)), font_size=7),
    )
    box = (round(place.left), round(place.bottom), round(place.right), round(place.top))
    meta = signers.PdfSignatureMetadata(
        field_name="Release",
        md_algorithm="sha256",
        subfilter=fields.SigSeedSubFilter.PADES,
        certify=True,
        docmdp_permissions=fields.MDPPerm.FILL_FORMS,
    )
    field = fields.SigFieldSpec("Release", on_page=place.page, box=box)
    signer = signers.PdfSigner(meta, signer=identity.signer, stamp_style=style, new_field_spec=field)
    return _signed(signer, IncrementalPdfFileWriter(io.BytesIO(pdf)))


def approve(pdf: bytes, identity: Identity) -> bytes:
    """Return a certificate with a second signature, as another party's program would add it."""
    from pyhanko.pdf_utils.incremental_writer import IncrementalPdfFileWriter
    from pyhanko.sign import fields, signers

    meta = signers.PdfSignatureMetadata(
        field_name=_APPROVAL, md_algorithm="sha256", subfilter=fields.SigSeedSubFilter.PADES
    )
    signer = signers.PdfSigner(
        meta, signer=identity.signer, new_field_spec=fields.SigFieldSpec(_APPROVAL, on_page=0, box=None)
    )
    return _signed(signer, IncrementalPdfFileWriter(io.BytesIO(pdf)))


def _signed(signer: Any, writer: Any) -> bytes:
    out: bytes = signer.sign_pdf(writer).getvalue()
    return out

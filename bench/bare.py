"""WeasyPrint and pyHanko with nothing of ours around them: the floors of the certificate's bench."""

from __future__ import annotations

import io
from collections.abc import Mapping
from datetime import datetime
from importlib.resources import files
from pathlib import Path
from typing import Any

from report.identities import Identity
from report.pdf import SignaturePlace


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


def sign(pdf: bytes, place: SignaturePlace, identity: Identity, *, has_field: bool = False) -> bytes:
    """Return *pdf* certified by pyHanko, with a block of text in the same font where ours has one: in its empty field where
    it has one, else in one at *place*."""
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
    # Where nothing of ours was at work, the page's own check box has the name Release.
    name = "Release" if has_field else "Released"
    field = None if has_field else fields.SigFieldSpec(name, on_page=place.page, box=box)
    meta = signers.PdfSignatureMetadata(
        field_name=name,
        md_algorithm="sha256",
        subfilter=fields.SigSeedSubFilter.PADES,
        certify=True,
        docmdp_permissions=fields.MDPPerm.FILL_FORMS,
    )
    signer = signers.PdfSigner(meta, signer=identity.signer, stamp_style=style, new_field_spec=field)
    return _signed(signer, IncrementalPdfFileWriter(io.BytesIO(pdf)))


def _signed(signer: Any, writer: Any) -> bytes:
    out: bytes = signer.sign_pdf(writer).getvalue()
    return out

"""Certificates made once for all tests of report: drafted, signed, and altered in ways that only a key's holder can."""

from __future__ import annotations

import dataclasses
import io
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cache
from importlib.resources import files
from typing import Any

import pikepdf
from pyhanko.pdf_utils.font.opentype import GlyphAccumulator, GlyphAccumulatorFactory
from pyhanko.pdf_utils.incremental_writer import IncrementalPdfFileWriter
from pyhanko.pdf_utils.text import TextBoxStyle
from pyhanko.sign import fields, signers
from pyhanko.stamp import TextStampStyle

from report.assessing import judge
from report.certificate import Draft, attachments, draft
from report.document import basis, code_of, document
from report.evidence import Evidence, IssueFacts
from report.identities import Identity, load_identity, make_identity
from report.page import page_html
from report.page_look import page_look
from report.pdf import UnsignedPdf
from report.signing import approve, sign
from report.view import certificate_view
from schemas.customer import Customer
from tests.report import scenario

PASSPHRASE = "for these tests"  # noqa: S105 - it protects a key made for one run


@cache
def identity(name: str = "Ida Brandt") -> Identity:
    """Return a self-made identity that holds at the scenario's time of issue."""
    made = make_identity(name, "Marlowe Lane Powder Works", PASSPHRASE, scenario.ISSUED - timedelta(days=1))
    return load_identity(made, PASSPHRASE, scenario.ISSUED, "IDA.p12")


def drafted(of: Evidence | None = None, key_of: Identity | None = None, **facts: Any) -> Draft:
    """Return an unsigned certificate that names our identity's key, or another one's."""
    of = of or scenario.evidence()
    return draft(of, judge(of), scenario.facts(key_sha256=(key_of or identity()).key_sha256, **facts))


def parts(of: Evidence, **facts: Any) -> tuple[dict[str, bytes], str]:
    """Return the files inside a certificate, by name, and the HTML that its pages are laid out from."""
    assessment, stated = judge(of), scenario.facts(key_sha256=identity().key_sha256, **facts)
    known = basis(of, assessment, stated)
    view = certificate_view(of, assessment, stated, code_of(known))
    return attachments(of, known, view), page_html(view, of, assessment, page_look(of), stated.issued_at)


def document_of(of: Evidence, facts: IssueFacts | None = None) -> bytes:
    """Return the JSON document of a certificate."""
    assessment, stated = judge(of), facts or scenario.facts()
    known = basis(of, assessment, stated)
    return document(known, certificate_view(of, assessment, stated, code_of(known)))


def signed(
    pdf: UnsignedPdf, by: Identity | None = None, now: datetime = scenario.ISSUED, name: str = "Ida Brandt"
) -> bytes:
    """Return *pdf* signed as a certificate is."""
    return sign(pdf.content, pdf.place, by or identity(), name=name, reason="Released.", location="Eastfold", now=now, when="then")  # fmt: skip


@cache
def whole() -> bytes:
    """Return a good certificate of twelve locations with five readings each."""
    return signed(drafted().pdf)


def asking(of: Evidence, *labels: str) -> Evidence:
    """Return *of* for a customer who wants further signatures: two, where no *labels* say which."""
    wants = Customer(name=of.job.customer, approvals=labels or ("Quality manager", "Customer's representative"))
    return dataclasses.replace(of, customer=wants)


def with_approvals(*labels: str, of: Evidence | None = None) -> UnsignedPdf:
    """Return an unsigned certificate with a place to sign for each of *labels*, besides that of the release."""
    return drafted(asking(of or scenario.evidence(), *labels)).pdf


def signed_by_another(pdf: bytes, field: str = "Approval1", by: str = "Ola Receiver") -> bytes:
    """Return *pdf* with an approval signature in a field that is there, by pyHanko alone as another party would."""
    meta = signers.PdfSignatureMetadata(
        field_name=field, subfilter=fields.SigSeedSubFilter.PADES, md_algorithm="sha256"
    )
    box = TextBoxStyle(font=_EmbeddedFont("OpenSans-Stamp.ttf", font_size=7), font_size=7, leading=8)
    style = TextStampStyle(stamp_text="Approved by %(signer)s", border_width=0, text_box_style=box, background=None)
    signer = signers.PdfSigner(meta, signer=identity(by).signer, stamp_style=style)
    signed: bytes = signer.sign_pdf(_Keeping(io.BytesIO(pdf))).getvalue()
    return signed


@dataclass(frozen=True)
class _EmbeddedFont(GlyphAccumulatorFactory):
    """A font of ours, read at once; pyHanko's own factory leaves the file open."""

    def create_font_engine(self, writer: Any, obj_stream: Any = None) -> GlyphAccumulator:
        content = (files("report") / "templates" / "fonts" / self.font_file).read_bytes()
        return GlyphAccumulator(writer, io.BytesIO(content), self.font_size, obj_stream=obj_stream)


class _Keeping(IncrementalPdfFileWriter):
    """Keeps version and description of the file as they are, which PDF/A-3 asks for."""

    output_version = (1, 7)

    def ensure_output_version(self, version: tuple[int, int]) -> None:
        pass

    def register_extension(self, ext: Any) -> None:
        pass

    def _update_meta(self) -> None:
        pass


def with_later_page(pdf: bytes) -> bytes:
    """Return a signed certificate to which a page was added by an incremental update."""
    from pyhanko.pdf_utils.reader import PdfFileReader

    writer = IncrementalPdfFileWriter(io.BytesIO(pdf))
    page = PdfFileReader(io.BytesIO(pdf)).root["/Pages"]["/Kids"][0]
    writer.root["/Lang"] = page["/Type"]
    writer.update_root()
    out = io.BytesIO()
    writer.write(out)
    return out.getvalue()


def texts(pdf: bytes) -> dict[str, bytes]:
    """Return the files inside *pdf*."""
    with pikepdf.open(io.BytesIO(pdf)) as opened:
        return {name: bytes(spec.get_file().read_bytes()) for name, spec in opened.attachments.items()}


@cache
def second(name: str = "Tomasz Żółkiewski", organisation: str = "Marlowe Lane Powder Works") -> Identity:
    """Return the self-made identity of somebody else."""
    made = make_identity(name, organisation, PASSPHRASE, scenario.ISSUED - timedelta(days=1))
    return load_identity(made, PASSPHRASE, scenario.ISSUED, "second.p12")


@cache
def small() -> bytes:
    """Return a good certificate of one location with places for approvals, which is quicker to look at."""
    return signed(
        with_approvals(
            "Quality manager", "Customer's representative", of=scenario.evidence(scenario.job(["Front face"]))
        )
    )


def approved(pdf: bytes, by: Identity, closes: bool = False, **more: Any) -> bytes:
    """Return *pdf* approved as a quality manager does."""
    return approve(pdf, by, name="Tomasz Żółkiewski", role="quality manager", reason="Approved as released.", location="Eastfold", now=scenario.ISSUED + timedelta(hours=1), when="later", closes=closes, **more)  # fmt: skip


@cache
def small_approved() -> bytes:
    """Return :func:`small` with one approval."""
    return approved(small(), second())

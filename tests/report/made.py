"""Certificates made once for all tests of report: drafted, signed, and altered in ways that only a key's holder can."""

from __future__ import annotations

import io
from datetime import datetime, timedelta
from functools import cache
from typing import Any

import pikepdf

from report.assessing import judge
from report.certificate import Draft, draft
from report.evidence import Evidence
from report.pdf import UnsignedPdf
from report.signing import APPROVAL_FIELDS, Identity, approve, load_identity, make_identity, sign
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


def signed(pdf: UnsignedPdf, by: Identity | None = None, now: datetime = scenario.ISSUED) -> bytes:
    """Return *pdf* signed as a certificate is."""
    return sign(pdf.content, pdf.place, by or identity(), name="Ida Brandt", reason="Released.", location="Eastfold", now=now, when="then")  # fmt: skip


@cache
def whole() -> bytes:
    """Return a good certificate of twelve locations with five readings each."""
    return signed(drafted().pdf)


def with_later_page(pdf: bytes) -> bytes:
    """Return a signed certificate to which a page was added by an incremental update."""
    from pyhanko.pdf_utils.incremental_writer import IncrementalPdfFileWriter
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


def with_places(unsigned: UnsignedPdf) -> UnsignedPdf:
    """Return *unsigned* with three empty signature fields on its last page: for the release and two approvals."""
    out = io.BytesIO()
    with pikepdf.open(io.BytesIO(unsigned.content)) as pdf:
        if "/AcroForm" in pdf.Root:
            return unsigned  # the layout has made them already
        page = pdf.pages[unsigned.place.page]
        fields = []
        for number, name in enumerate(("Release", *APPROVAL_FIELDS)):
            left = 40 + 170 * number
            field = pdf.make_indirect(
                pikepdf.Dictionary(
                    FT=pikepdf.Name.Sig, T=name, TU=f"Signature: {name}", Type=pikepdf.Name.Annot,
                    Subtype=pikepdf.Name.Widget, Rect=[left, 60, left + 160, 110], F=132, P=page.obj,
                )
            )  # fmt: skip
            fields.append(field)
        page.obj.Annots = pdf.make_indirect(pikepdf.Array([*page.obj.get("/Annots", []), *fields]))
        pdf.Root.AcroForm = pdf.make_indirect(
            pikepdf.Dictionary(Fields=pdf.make_indirect(pikepdf.Array(fields)), SigFlags=0)
        )
        pdf.save(
            out, object_stream_mode=pikepdf.ObjectStreamMode.disable, fix_metadata_version=False, deterministic_id=True
        )
    return UnsignedPdf(out.getvalue(), unsigned.pages, unsigned.place)


@cache
def small() -> bytes:
    """Return a good certificate of one location with places for approvals, which is quicker to look at."""
    return signed(with_places(drafted(scenario.evidence(scenario.job(["Front face"]))).pdf))


def approved(pdf: bytes, by: Identity, closes: bool = False, **more: Any) -> bytes:
    """Return *pdf* approved as a quality manager does."""
    return approve(pdf, by, name="Tomasz Żółkiewski", role="quality manager", reason="Approved as released.", location="Eastfold", now=scenario.ISSUED + timedelta(hours=1), when="later", closes=closes, **more)  # fmt: skip


@cache
def small_approved() -> bytes:
    """Return :func:`small` with one approval."""
    return approved(small(), second())

"""The known attacks on signed PDFs by incremental updates, on a certificate that is released and on one that is approved.

Kinds after the published studies of signed PDFs (from memory): "1 Trillion Dollar Refund" (CCS 2019: universal forgery,
incremental saving, wrapping), "Shadow Attacks" (NDSS 2021: hide, replace, hide-and-replace) and "Breaking the
Specification" (IEEE S&P 2021: annotations and signatures over certified content).
"""

from __future__ import annotations

import io
import re
from collections.abc import Callable
from functools import cache
from typing import Any

import pikepdf
import pytest
from pyhanko.pdf_utils import generic
from pyhanko.pdf_utils.generic import pdf_name, pdf_string
from pyhanko.pdf_utils.incremental_writer import IncrementalPdfFileWriter
from pyhanko.sign import fields, signers

from report.pdf import UnsignedPdf
from report.signing import empty_fields
from report.verifying import verify
from rules.verdict import Verdict
from schemas.errors import IntegrityFailed
from tests.report import scenario
from tests.report.made import approved, asking, drafted, identity, second, signed, small, small_approved

Attack = Callable[[IncrementalPdfFileWriter], None]
_OVER = b"q 1 1 1 rg 50 600 300 100 re f Q BT /F1 12 Tf 60 640 Td (accepted) Tj ET"


def _page(writer: Any) -> Any:
    pages = writer.root["/Pages"]
    while "/Kids" in pages:
        pages = pages["/Kids"][0]
    return pages


def _dictionary(**entries: Any) -> Any:
    return generic.DictionaryObject({pdf_name("/" + key): value for key, value in entries.items()})


def _new_content(writer: Any) -> None:
    page = _page(writer)
    added = writer.add_object(generic.StreamObject(stream_data=_OVER))
    page[pdf_name("/Contents")] = generic.ArrayObject([page.raw_get("/Contents"), added])
    writer.update_container(page)


def _content_in_place(writer: Any) -> None:
    content = _page(writer)["/Contents"]
    if isinstance(content, generic.ArrayObject):
        content = content[0]
    content._data = _OVER
    content._encoded_data = None
    writer.update_container(content)


def _annotation_over_the_page(writer: Any) -> None:
    look = generic.StreamObject(
        _dictionary(
            Type=pdf_name("/XObject"),
            Subtype=pdf_name("/Form"),
            BBox=generic.ArrayObject(generic.NumberObject(n) for n in (0, 0, 300, 100)),
        ),
        stream_data=b"1 1 1 rg 0 0 300 100 re f",
    )
    over = _dictionary(
        Type=pdf_name("/Annot"),
        Subtype=pdf_name("/Stamp"),
        F=generic.NumberObject(4),
        Rect=generic.ArrayObject(generic.NumberObject(n) for n in (50, 600, 350, 700)),
        AP=_dictionary(N=writer.add_object(look)),
    )
    _annotated(writer, writer.add_object(over))


def _annotated(writer: Any, reference: Any) -> None:
    page = _page(writer)
    before = page["/Annots"] if "/Annots" in page else ()  # noqa: SIM401 - get() gives the reference and not what it refers to
    page[pdf_name("/Annots")] = generic.ArrayObject([*before, reference])
    writer.update_container(page)


def _added_page(writer: Any) -> None:
    kids = writer.root["/Pages"]["/Kids"]
    kids.append(kids.raw_get(0))
    writer.root["/Pages"][pdf_name("/Count")] = generic.NumberObject(len(kids))
    writer.update_container(writer.root["/Pages"])
    writer.update_container(kids)


def _swapped_attachment(writer: Any) -> None:
    spec = next(s.get_object() for s in writer.root["/AF"] if s.get_object()["/F"] == "readings.csv")
    spec["/EF"][pdf_name("/F")] = writer.add_object(generic.StreamObject(stream_data=b"reading_no\r\n"))
    writer.update_container(spec["/EF"])


def _changed_metadata(writer: Any) -> None:
    data = generic.StreamObject(
        _dictionary(Type=pdf_name("/Metadata"), Subtype=pdf_name("/XML")), stream_data=b"<x:xmpmeta xmlns:x='adobe:ns:meta/'/>"
    )  # fmt: skip
    writer.root[pdf_name("/Metadata")] = writer.add_object(data)
    writer.update_root()


def _added_text_field(writer: Any) -> None:
    field = writer.add_object(
        _dictionary(
            Type=pdf_name("/Annot"),
            Subtype=pdf_name("/Widget"),
            FT=pdf_name("/Tx"),
            T=pdf_string("Remark"),
            V=pdf_string("accepted as is"),
            F=generic.NumberObject(4),
            Rect=generic.ArrayObject(generic.NumberObject(n) for n in (50, 600, 350, 700)),
        )
    )
    writer.root["/AcroForm"]["/Fields"].append(field)
    writer.update_container(writer.root["/AcroForm"]["/Fields"])
    _annotated(writer, field)


def _release_field(writer: Any) -> Any:
    return next(f.get_object() for f in writer.root["/AcroForm"]["/Fields"] if f.get_object()["/T"] == "Release")


def _changed_signature_look(writer: Any) -> None:
    look = _release_field(writer)["/AP"]["/N"]
    look._data = b"1 0 0 rg 0 0 300 100 re f"
    look._encoded_data = None
    writer.update_container(look)


def _moved_signature_block(writer: Any) -> None:
    field = _release_field(writer)
    field[pdf_name("/Rect")] = generic.ArrayObject(generic.NumberObject(n) for n in (50, 600, 350, 700))
    writer.update_container(field)


def _changed_title(writer: Any) -> None:
    info = writer.trailer["/Info"]
    info[pdf_name("/Title")] = pdf_string("Certificate of something else")
    writer.update_container(info)


def _no_more_certified(writer: Any) -> None:
    del writer.root["/Perms"]
    writer.update_root()


def _action_on_opening(writer: Any) -> None:
    writer.root[pdf_name("/OpenAction")] = _dictionary(S=pdf_name("/URI"), URI=pdf_string("https://x.example/"))
    writer.update_root()


def _changed_to_unicode(writer: Any) -> None:
    fonts = _page(writer)["/Resources"]["/Font"]
    font = fonts[next(iter(fonts))]
    font[pdf_name("/ToUnicode")] = writer.add_object(generic.StreamObject(stream_data=b"beginbfchar endbfchar"))
    writer.update_container(font)


def _changed_page_box(writer: Any) -> None:
    page = _page(writer)
    page[pdf_name("/CropBox")] = generic.ArrayObject(generic.NumberObject(n) for n in (0, 0, 300, 300))
    writer.update_container(page)


def _reordered_reading(writer: Any) -> None:
    """Replace the tag tree, which is what a screen reader reads."""
    writer.root[pdf_name("/StructTreeRoot")] = writer.add_object(_dictionary(Type=pdf_name("/StructTreeRoot")))
    writer.update_root()


ATTACKS = {
    "new page content": _new_content,
    "page content in place": _content_in_place,
    "annotation over the page": _annotation_over_the_page,
    "added page": _added_page,
    "swapped attachment": _swapped_attachment,
    "changed metadata": _changed_metadata,
    "changed title": _changed_title,
    "added form field": _added_text_field,
    "changed look of the signature": _changed_signature_look,
    "moved signature block": _moved_signature_block,
    "certification taken out": _no_more_certified,
    "action on opening": _action_on_opening,
    "changed letters behind the glyphs": _changed_to_unicode,
    "changed page box": _changed_page_box,
    "replaced tag tree": _reordered_reading,
}


def _updated(pdf: bytes, attack: Attack) -> bytes:
    writer = IncrementalPdfFileWriter(io.BytesIO(pdf))
    attack(writer)
    out = io.BytesIO()
    writer.write(out)
    changed = out.getvalue()
    assert changed.startswith(pdf)
    assert len(changed) > len(pdf)
    return changed


def _refused_by(pdf: bytes) -> list[str]:
    """Return the names of the parts that refuse *pdf*, to a reader who trusts everybody of the scenario."""
    everybody = {identity().key_sha256, second().key_sha256, second("Ola Receiver", "Fenwick Cabinets").key_sha256}
    try:
        found = verify(pdf, everybody)
    except IntegrityFailed:
        return ["the file"]
    return [p.name for p in found.parts if p.verdict is Verdict.FAIL]


FRAME = {"the file", "whole file", "signature intact"}


@pytest.fixture(params=["certified", "certified and approved"])
def good(request: pytest.FixtureRequest) -> bytes:
    """Return a certificate that holds."""
    return small() if request.param == "certified" else small_approved()


def test_the_certificates_that_are_attacked_hold_before_that(good: bytes) -> None:
    assert _refused_by(good) == []


@pytest.mark.parametrize("attack", ATTACKS.values(), ids=ATTACKS.keys())
def test_an_incremental_update_is_refused_by_its_bytes(attack: Attack, good: bytes) -> None:
    assert FRAME & set(_refused_by(_updated(good, attack)))


@pytest.mark.parametrize("attack", ATTACKS.values(), ids=ATTACKS.keys())
def test_an_update_that_a_trusted_signer_covers_with_an_approval_is_refused_as_well(attack: Attack) -> None:
    """The bytes are all covered then; that the change is more than the release allows is what refuses it."""
    changed = _updated(small(), attack)
    assert "signature intact" in _refused_by(_approved_blindly(changed)) or "the file" in _refused_by(
        _approved_blindly(changed)
    )


def _approved_blindly(pdf: bytes) -> bytes:
    """Return *pdf* with an approval by somebody who does not look, made by pyHanko alone."""
    meta = signers.PdfSignatureMetadata(
        field_name="Approval1", subfilter=fields.SigSeedSubFilter.PADES, md_algorithm="sha256"
    )
    out: bytes = signers.sign_pdf(
        IncrementalPdfFileWriter(io.BytesIO(pdf)), meta, signer=second().signer, in_place=False
    ).getvalue()
    return out


def _signed_over_the_page(pdf: bytes) -> bytes:
    spec = fields.SigFieldSpec("Receipt", on_page=0, box=(50, 600, 350, 700))
    meta = signers.PdfSignatureMetadata(
        field_name="Receipt", subfilter=fields.SigSeedSubFilter.PADES, md_algorithm="sha256", reason="accepted"
    )
    by = second("Ola Receiver", "Fenwick Cabinets").signer
    signer = signers.PdfSigner(meta, signer=by, new_field_spec=spec)
    out: bytes = signer.sign_pdf(IncrementalPdfFileWriter(io.BytesIO(pdf))).getvalue()
    return out


def test_a_trusted_second_signer_cannot_add_a_field_over_the_page(good: bytes) -> None:
    assert _refused_by(_signed_over_the_page(good)) == ["signature intact"]


def test_a_trusted_second_signer_cannot_move_a_field_over_the_page(good: bytes) -> None:
    free = sorted(empty_fields(good))[0]

    def move(writer: Any) -> None:
        field = next(f.get_object() for f in writer.root["/AcroForm"]["/Fields"] if f.get_object()["/T"] == free)
        field[pdf_name("/Rect")] = generic.ArrayObject(generic.NumberObject(n) for n in (50, 600, 350, 700))
        writer.update_container(field)

    moved = _updated(good, move)
    assert "signature intact" in _refused_by(approved(moved, second("Ola Receiver", "Fenwick Cabinets")))


def test_a_second_certification_is_refused() -> None:
    meta = signers.PdfSignatureMetadata(
        field_name="Approval1",
        subfilter=fields.SigSeedSubFilter.PADES,
        md_algorithm="sha256",
        certify=True,
        docmdp_permissions=fields.MDPPerm.ANNOTATE,
    )
    signer = signers.PdfSigner(meta, signer=second().signer)
    signer._enforce_certification_constraints = lambda _: None  # type: ignore[method-assign]
    twice = signer.sign_pdf(IncrementalPdfFileWriter(io.BytesIO(small()))).getvalue()
    assert FRAME & set(_refused_by(twice))


def test_after_the_closing_approval_nothing_more_is_taken() -> None:
    closed = approved(small(), second(), closes=True)
    assert _refused_by(closed) == []
    more = approved(closed, second("Ola Receiver", "Fenwick Cabinets"))
    assert {"whole file", "signature intact"} <= set(_refused_by(more))


def test_an_approval_cut_off_is_the_certificate_as_released() -> None:
    assert small_approved()[: len(small())] == small()
    assert _refused_by(small_approved()[: len(small()) + 100]) == ["whole file"]


def test_an_approval_alone_does_not_stand_for_a_release() -> None:
    unsigned = drafted(asking(scenario.evidence(scenario.job(["Front face"])))).pdf
    assert "whole file" in _refused_by(approved(unsigned.content, second()))


# Prepared before the signature: whoever lays a trap has the right key


def _laid_out() -> UnsignedPdf:
    return drafted(asking(scenario.evidence(scenario.job(["Front face"])))).pdf


@cache
def _prepared(kind: str) -> bytes:
    """Return a certificate with a trap in it, signed with the right key."""
    unsigned = _laid_out()
    out = io.BytesIO()
    with pikepdf.open(io.BytesIO(unsigned.content)) as pdf:
        page = pdf.pages[0]
        if kind == "hide":
            # The true content lies under a picture of what is to be signed; the picture goes away later.
            over = pdf.make_stream(b"1 1 1 rg 0 0 100 100 re f", Type=pikepdf.Name.XObject, Subtype=pikepdf.Name.Form, BBox=[0, 0, 100, 100])  # fmt: skip
            page.obj.Resources.XObject = pikepdf.Dictionary(Shade=over)
            page.contents_add(b"q 300 0 0 100 50 600 cm /Shade Do Q")
        elif kind == "replace":
            # A field shows one value, and another one once it is asked again.
            field = pdf.make_indirect(
                pikepdf.Dictionary(
                    FT=pikepdf.Name.Tx, T="Remark", V="none", Type=pikepdf.Name.Annot, Subtype=pikepdf.Name.Widget,
                    Rect=[50, 600, 350, 700], F=4, P=page.obj,
                )
            )  # fmt: skip
            pdf.Root.AcroForm.Fields.append(field)
            page.obj.Annots = pdf.make_indirect(pikepdf.Array([*page.obj.get("/Annots", []), field]))
        else:
            # A second catalog lies in the file, with nothing that leads to it but a private entry.
            other = pdf.make_indirect(pikepdf.Dictionary(pdf.Root))
            other.Pages = pdf.make_indirect(
                pikepdf.Dictionary(Type=pikepdf.Name.Pages, Count=1, Kids=[pdf.pages[-1].obj])
            )
            pdf.Root.PieceInfo = pikepdf.Dictionary(Second=other)
        pdf.save(out, object_stream_mode=pikepdf.ObjectStreamMode.disable, fix_metadata_version=False)
    return signed(UnsignedPdf(out.getvalue(), unsigned.pages, unsigned.place))


def _hidden_shown(writer: Any) -> None:
    shade = _page(writer)["/Resources"]["/XObject"]["/Shade"]
    shade._data, shade._encoded_data = b" ", None
    writer.update_container(shade)


def _value_replaced(writer: Any) -> None:
    field = next(f.get_object() for f in writer.root["/AcroForm"]["/Fields"] if f.get_object()["/T"] == "Remark")
    field[pdf_name("/V")] = pdf_string("accepted as is")
    writer.update_container(field)


def _with_other_catalog(pdf: bytes) -> bytes:
    """Return *pdf* with nothing but a cross-reference section behind it, whose trailer names the other catalog."""
    trailer = pdf[pdf.rindex(b"trailer") :]
    with pikepdf.open(io.BytesIO(pdf)) as opened:
        number = opened.Root.PieceInfo.Second.objgen[0]
    start = int(re.search(rb"startxref\s+(\d+)", trailer).group(1))  # type: ignore[union-attr]
    other = re.sub(rb"/Root \d+ 0 R", b"/Root %d 0 R" % number, trailer[: trailer.index(b"startxref")])
    other = re.sub(rb"/Prev \d+", b"/Prev %d" % start, other)
    return pdf + b"xref\n0 0\n" + other + b"startxref\n%d\n%%%%EOF\n" % len(pdf)


@pytest.mark.parametrize(
    ("kind", "attack"), [("hide", _hidden_shown), ("replace", _value_replaced)], ids=["hide", "replace"]
)
def test_what_was_prepared_before_the_signature_is_refused_when_it_is_let_loose(kind: str, attack: Attack) -> None:
    loose = _updated(_prepared(kind), attack)
    assert FRAME & set(_refused_by(loose))
    assert "signature intact" in _refused_by(_approved_blindly(loose))


def test_hide_and_replace_by_another_catalog_is_refused() -> None:
    prepared = _prepared("hide and replace")
    loose = _with_other_catalog(prepared)
    with pikepdf.open(io.BytesIO(loose)) as opened:
        assert len(opened.pages) == 1  # a reader follows the trap
    assert FRAME & set(_refused_by(loose))
    assert _refused_by(_approved_blindly(loose)) != []

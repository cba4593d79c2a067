"""The file is PDF/A-3a and PDF/UA-1 unsigned, signed once and signed twice; and the checker that says so finds faults."""

from __future__ import annotations

import io
import re
import shutil
import subprocess
import warnings
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import pikepdf
import pytest
from pyhanko.pdf_utils.reader import PdfFileReader
from pyhanko.sign.validation import validate_pdf_signature
from pyhanko_certvalidator import ValidationContext

from report.pdf import render
from schemas.shop import Shop
from tests.report import scenario
from tests.report.made import drafted, signed, signed_by_another, with_approvals
from tests.report.pdf_structure import faults

PLACES = ("Approved by the quality manager", "Approved by the customer's representative")
needs_poppler = pytest.mark.skipif(
    shutil.which("pdfinfo") is None, reason="needs poppler-utils: apt-get install poppler-utils"
)
needs_qpdf = pytest.mark.skipif(shutil.which("qpdf") is None, reason="needs qpdf: apt-get install qpdf")


@cache
def _stages() -> dict[str, bytes]:
    """Return one certificate with places for two approvals: unsigned, released, and approved by one."""
    unsigned = with_approvals(*PLACES)
    released = signed(unsigned)
    return {"unsigned": unsigned.content, "signed once": released, "signed twice": signed_by_another(released)}


@pytest.mark.parametrize("stage", ["unsigned", "signed once", "signed twice"])
def test_the_file_has_no_fault_that_pdf_a_3a_or_pdf_ua_1_names(stage: str) -> None:
    assert faults(_stages()[stage]) == []


@needs_qpdf
@pytest.mark.parametrize("stage", ["unsigned", "signed once", "signed twice"])
def test_qpdf_finds_no_fault_in_the_syntax(stage: str, tmp_path: Path) -> None:
    path = tmp_path / "some.pdf"
    path.write_bytes(_stages()[stage])
    found = subprocess.run(["qpdf", "--check", str(path)], capture_output=True, text=True, check=False)
    assert (found.returncode, found.stderr) == (0, "")


@pytest.mark.parametrize(
    ("names", "of_shop"),
    [
        (["face"], scenario.shop(page="Letter")),
        ([f"place {n}" for n in range(1, 61)], scenario.shop()),
        (["Ελληνικά Μέταλλα <b>&amp;", "Żółte Płoty"], scenario.shop(name="A & B <Works>")),
    ],
    ids=["one location on Letter", "sixty locations over pages", "names with markup and Greek"],
)
def test_other_layouts_have_no_fault_either(names: list[str], of_shop: Shop) -> None:
    of = scenario.evidence(scenario.job(names), of_shop, shown=scenario.figures(len(names), 3))
    assert faults(signed(drafted(of).pdf)) == []


def test_the_places_to_sign_are_empty_fields_before_anybody_signs() -> None:
    """The first signature allows nothing but the signing of fields that are there (ISO 32000-1, 12.8.2.2)."""
    unsigned = with_approvals(*PLACES)
    assert unsigned.fields == ("Release", "Approval1", "Approval2")
    with pikepdf.open(io.BytesIO(unsigned.content)) as pdf:
        shown = [(str(f.T), str(f.TU), "/V" in f, bytes(f.AP.N.read_bytes())) for f in pdf.Root.AcroForm.Fields]
        places = [a for page in pdf.pages for a in page.get("/Annots", [])]
        assert [float(a.Rect[3]) - float(a.Rect[1]) > 40 for a in places] == [True] * 3
    assert shown == [
        ("Release", "Signature that releases this certificate", False, b""),
        ("Approval1", PLACES[0], False, b""),
        ("Approval2", PLACES[1], False, b""),
    ]


def test_a_certificate_without_approvals_has_the_field_of_its_release_alone() -> None:
    made = drafted()
    assert made.pdf.fields == ("Release",)


def test_the_second_signature_in_its_field_is_what_the_first_allows() -> None:
    reader = PdfFileReader(io.BytesIO(_stages()["signed twice"]), strict=True)
    found = []
    for embedded in reader.embedded_signatures:
        context = ValidationContext(
            trust_roots=[embedded.signer_cert], allow_fetching=False, moment=embedded.self_reported_timestamp
        )
        status = validate_pdf_signature(embedded, signer_validation_context=context)
        found.append((embedded.field_name, status.intact, status.valid, bool(status.docmdp_ok)))
    assert found == [("Release", True, True, True), ("Approval1", True, True, True)]


def test_the_third_signature_too() -> None:
    third = signed_by_another(_stages()["signed twice"], "Approval2", "Quin Manager")
    assert faults(third) == []
    reader = PdfFileReader(io.BytesIO(third), strict=True)
    assert [s.field_name for s in reader.embedded_signatures] == ["Release", "Approval1", "Approval2"]
    for embedded in reader.embedded_signatures:
        context = ValidationContext(
            trust_roots=[embedded.signer_cert], allow_fetching=False, moment=embedded.self_reported_timestamp
        )
        assert validate_pdf_signature(embedded, signer_validation_context=context).docmdp_ok


@pytest.mark.parametrize(
    ("body", "said"),
    [
        ('<input class="sign-here" type="text" name="Release"/>', "a form field of the kind /Tx"),
        (
            '<input class="sign-here" type="checkbox" name="A"/><input class="sign-here" type="checkbox" name="A"/>',
            "two places to sign of one name",
        ),
        ('<svg xmlns="http://www.w3.org/2000/svg" width="9" height="9"><path d="M0 0h9v9z"/></svg>', "has no title"),
    ],
)
def test_a_page_that_could_not_be_signed_or_read_aloud_is_refused(body: str, said: str) -> None:
    page = f'<html lang="en"><head><title>t</title></head><body><h1>t</h1><div id="signature-place">{body}</div></body></html>'
    with pytest.raises(RuntimeError, match=said):
        render(page, {}, scenario.ISSUED)


# What the checker is worth: one fault planted at a time, and it is found.


def _element(pdf: Any, kind: str) -> Any:
    return next(o for o in pdf.objects if isinstance(o, pikepdf.Dictionary) and o.get("/S") == kind and "/P" in o)


def _metadata(old: str, new: str) -> Callable[[Any], None]:
    def change(pdf: Any) -> None:
        packet = pdf.Root.Metadata.read_bytes().decode()
        assert old in packet
        pdf.Root.Metadata.write(packet.replace(old, new).encode())

    return change


def _content(old: bytes, new: bytes) -> Callable[[Any], None]:
    def change(pdf: Any) -> None:
        page = pdf.pages[0].Contents.read_bytes()
        assert old in page
        pdf.pages[0].Contents.write(page.replace(old, new, 1))

    return change


def _without(of: Callable[[Any], Any], key: str) -> Callable[[Any], None]:
    def change(pdf: Any) -> None:
        del of(pdf)[key]

    return change


def _set(of: Callable[[Any], Any], key: str, value: Any) -> Callable[[Any], None]:
    def change(pdf: Any) -> None:
        of(pdf)[key] = value

    return change


def _swapped_names(pdf: Any) -> None:
    names = pdf.Root.Names.EmbeddedFiles.Names
    pdf.Root.Names.EmbeddedFiles.Names = pikepdf.Array([*names[2:4], *names[0:2], *names[4:]])


def _two_rdf(pdf: Any) -> None:
    """As WeasyPrint's own option for further metadata would have it; the mark of PDF/UA is then not seen."""
    packet = pdf.Root.Metadata.read_bytes().decode()
    mark = re.search(r"<rdf:Description[^>]*pdfuaid.*?</rdf:Description>", packet, re.DOTALL)
    assert mark is not None
    other = f'<rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">{mark.group()}</rdf:RDF>'
    pdf.Root.Metadata.write(packet.replace(mark.group(), "").replace("</x:xmpmeta>", f"{other}</x:xmpmeta>").encode())


def _loose_form(pdf: Any) -> None:
    """As pyHanko has it when it makes the field itself."""
    form = _element(pdf, "/Form")
    form.P.K = pikepdf.Array([k for k in (form.P.K if isinstance(form.P.K, pikepdf.Array) else [form.P.K]) if k.objgen != form.objgen])  # fmt: skip


def _wide_row(pdf: Any) -> None:
    _element(pdf, "/TR").K.append(_element(pdf, "/TD"))


def _deep_heading(pdf: Any) -> None:
    _element(pdf, "/H2").S = pikepdf.Name.H4


def _div_in_list(pdf: Any) -> None:
    _element(pdf, "/LI").S = pikepdf.Name.Div


def _font(kind: str) -> Callable[[Any], Any]:
    return lambda pdf: next(
        o for o in pdf.objects if isinstance(o, pikepdf.Dictionary) and o.get("/Type") == "/Font" and o.Subtype == kind
    )


def _standard_font(pdf: Any) -> None:
    """As pyHanko's own stamp has it."""
    look = pdf.Root.AcroForm.Fields[0].AP.N
    look.Resources = pikepdf.Dictionary(
        Font=pikepdf.Dictionary(
            F1=pikepdf.Dictionary(Type=pikepdf.Name.Font, Subtype=pikepdf.Name.Type1, BaseFont=pikepdf.Name.Courier)
        )
    )


def _spec(pdf: Any) -> Any:
    return pdf.Root.AF[0]


def _field(pdf: Any) -> Any:
    return pdf.Root.AcroForm.Fields[0]


def _orphan(pdf: Any) -> None:
    page = pdf.pages[0]
    page.Contents.write(page.Contents.read_bytes() + b"\n/Span <</MCID 9999>> BDC\nEMC\n")


PLANTED: dict[str, tuple[Callable[[Any], None], str]] = {
    "version 2.0": (_set(lambda p: p.Root, "/Version", pikepdf.Name("/2.0")), "raises the version"),
    "script": (_set(lambda p: p.Root, "/OpenAction", pikepdf.Dictionary(S=pikepdf.Name.JavaScript)), "has /OpenAction"),
    "not marked": (_set(lambda p: p.Root.MarkInfo, "/Marked", False), "does not say that the content is marked"),
    "no language": (_without(lambda p: p.Root, "/Lang"), "names no language"),
    "no title shown": (_without(lambda p: p.Root, "/ViewerPreferences"), "is not what a viewer shows"),
    "appearances to be made": (_set(lambda p: p.Root.AcroForm, "/NeedAppearances", True), "has /NeedAppearances"),
    "PDF/A-2": (_metadata("<pdfaid:part>3<", "<pdfaid:part>2<"), "does not say PDF/A-3"),
    "level B": (_metadata("<pdfaid:conformance>A<", "<pdfaid:conformance>B<"), "does not say PDF/A level A"),
    "no PDF/UA": (_metadata("<pdfuaid:part>1</pdfuaid:part>", ""), "does not say PDF/UA-1"),
    "two rdf": (_two_rdf, "holds 2 rdf:RDF"),
    "undescribed property": (_metadata("<pdfaSchema:prefix>pdfuaid<", "<pdfaSchema:prefix><"), "neither predefined"),
    "other title": (_metadata('"x-default">Film', '"x-default">Fim'), "/Title of the document information"),
    "other date": (_metadata("<xmp:ModifyDate>2026", "<xmp:ModifyDate>2027"), "/ModDate of the document"),
    "other language": (_metadata("<rdf:li>en<", "<rdf:li>de<"), "another language than the catalog"),
    "no output intent": (_without(lambda p: p.Root, "/OutputIntents"), "0 output intents"),
    "font not embedded": (
        _without(lambda p: _font("/CIDFontType2")(p).FontDescriptor, "/FontFile2"),
        "is not embedded",
    ),
    "no ToUnicode": (_without(_font("/Type0"), "/ToUnicode"), "says no Unicode"),
    "standard font in a stamp": (_standard_font, "/Courier is a simple font"),
    "no tag tree": (_without(lambda p: p.Root, "/StructTreeRoot"), "There is no tag tree"),
    "unknown type": (_set(lambda p: _element(p, "/P"), "/S", pikepdf.Name.Prose), "/Prose is none of the standard"),
    "wrong parent": (_set(lambda p: _element(p, "/H1"), "/P", pikepdf.Dictionary()), "names another parent"),
    "list with a div": (_div_in_list, "A /L holds a /Div"),
    "text in a section": (_set(lambda p: _element(p, "/P"), "/S", pikepdf.Name.Div), "Text stands in a /Div"),
    "heading jump": (_deep_heading, "A heading of level 4 follows one of level 1"),
    "no alternative text": (_without(lambda p: _element(p, "/Figure"), "/Alt"), "has no alternative text"),
    "picture elsewhere": (_set(lambda p: _element(p, "/Figure").A, "/BBox", [0, 0, 9, 2000]), "outside its page"),
    "no scope": (_without(lambda p: _element(p, "/TH"), "/A"), "does not say what it heads"),
    "wide row": (_wide_row, "The rows of a table have"),
    "untagged text": (_content(b"<</MCID 0>>\nBDC", b"BMC"), "paints what is neither tagged nor"),
    "orphan": (_orphan, "belongs to no element of the tree"),
    "twice": (_content(b"/MCID 1>>", b"/MCID 0>>"), "Content 0 is marked twice"),
    "parent tree": (_set(lambda p: p.Root.StructTreeRoot.ParentTree.Nums[1], 0, None), "gives another element"),
    "loose form": (_loose_form, "stands in no Form of the tag tree"),
    "field without words": (_without(_field, "/TU"), "says nothing of what it is for"),
    "hidden field": (_set(_field, "/F", 4 | 2), "is hidden or does not print"),
    "field without a look": (_without(_field, "/AP"), "has no appearance"),
    "tab order": (_without(lambda p: p.pages[-1], "/Tabs"), "does not follow the tags"),
    "no relationship": (_without(_spec, "/AFRelationship"), "does not say how it belongs"),
    "no media type": (_without(lambda p: _spec(p).EF.F, "/Subtype"), "has no media type"),
    "no date": (_without(lambda p: _spec(p).EF.F.Params, "/ModDate"), "has no date"),
    "other content": (lambda p: _spec(p).EF.F.write(b"{}"), "has another checksum"),
    "listed twice": (lambda p: p.Root.AF.append(p.Root.AF[0]), "are not the embedded ones, each once"),
    "names out of order": (_swapped_names, "not in the order of their names"),
}


@pytest.mark.parametrize("fault", PLANTED)
def test_the_checker_finds_a_planted_fault(fault: str) -> None:
    change, said = PLANTED[fault]
    with pikepdf.open(io.BytesIO(_stages()["unsigned"])) as pdf:
        change(pdf)
        out = io.BytesIO()
        pdf.save(out, object_stream_mode=pikepdf.ObjectStreamMode.disable, fix_metadata_version=False)
    found = faults(out.getvalue())
    assert any(said in f for f in found), found


def test_the_checker_finds_what_weasyprint_leaves_by_itself() -> None:
    """What report/tag_tree.py and report/pdf.py put right, as WeasyPrint 70 has it without them."""
    import weasyprint

    style = "<style>dl{display:table} div{display:table-row} @page{@bottom-left{content:'foot'}}</style>"
    table = "<table><thead><tr><th>a<tbody><tr><td>b</table>"
    lists = f"<dl><div><dt>a</dt><dd>b</dd></div></dl>{table}"
    page = f'<html lang="en"><title>t</title>{style}<h1>t</h1>{lists}'
    with warnings.catch_warnings():
        # WeasyPrint leaves the closing of its own colour profile to the garbage collector.
        warnings.filterwarnings("ignore", message=r"unclosed file.*sRGB2014\.icc", category=ResourceWarning)
        found = faults(weasyprint.HTML(string=page).write_pdf(pdf_variant="pdf/a-3a"))
    for said in (
        "does not say PDF/UA-1",
        "A /L holds a /Div",
        "belongs to no element of the tree",
        "no IDTree",
        "the parent tree's next key",
    ):
        assert any(said.lower() in f.lower() for f in found), said

"""Certificates that the holder of the right key signed, with pages that show something else than their text and data."""

from __future__ import annotations

import dataclasses
import io
import json
import re
from collections.abc import Callable
from datetime import timedelta
from functools import cache
from pathlib import Path
from typing import Any

import pikepdf
import pytest
from pyhanko.pdf_utils import generic
from pyhanko.pdf_utils.incremental_writer import IncrementalPdfFileWriter
from pyhanko.sign import fields, signers

from filmtally import main
from report.page_look import page_look
from report.pdf import UnsignedPdf
from report.signing import approve
from report.trust import Trust
from report.verification_text import verification_lines
from report.verifying import VerificationReport, verify
from report.visible_text import visible
from rules.verdict import Verdict
from schemas.customer import Customer
from schemas.errors import IntegrityFailed
from tests.report import scenario
from tests.report.made import asking, drafted, identity, second, signed

Alter = Callable[[pikepdf.Pdf], None]


@cache
def _unsigned() -> UnsignedPdf:
    return drafted(asking(scenario.evidence(scenario.job(["Front face"])))).pdf


def _forged(alter: Alter) -> bytes:
    """Return a certificate that was altered and then signed with the key that it names."""
    unsigned, out = _unsigned(), io.BytesIO()
    with pikepdf.open(io.BytesIO(unsigned.content)) as pdf:
        alter(pdf)
        pdf.save(out, object_stream_mode=pikepdf.ObjectStreamMode.disable, fix_metadata_version=False)
    return signed(UnsignedPdf(out.getvalue(), unsigned.pages, unsigned.place))


def _look(pdf: bytes, *, rebuild: bool = False, **more: Any) -> VerificationReport:
    return verify(pdf, {identity().key_sha256, second().key_sha256}, rebuild=rebuild, **more)


def _pages(found: VerificationReport) -> tuple[Verdict, str]:
    return next((p.verdict, p.sentence) for p in found.parts if p.name == "printed pages")


def _told(found: VerificationReport, name: str) -> tuple[Verdict, str]:
    return next((p.verdict, p.sentence) for p in found.parts if p.name == name)


def _drawn(content: bytes, *, first: bool = False, resources: Alter | None = None) -> Alter:
    def alter(pdf: pikepdf.Pdf) -> None:
        if resources is not None:
            resources(pdf)
        pdf.pages[0].contents_add(pdf.make_stream(content), prepend=first)

    return alter


def _helvetica(pdf: pikepdf.Pdf) -> None:
    font = pikepdf.Dictionary(Type=pikepdf.Name.Font, Subtype=pikepdf.Name.Type1, BaseFont=pikepdf.Name("/Helvetica"))
    pdf.pages[0].Resources.Font["/H"] = pdf.make_indirect(font)


def _image(pdf: pikepdf.Pdf) -> None:
    image = pikepdf.Stream(pdf, b"\xff" * 12, Type=pikepdf.Name.XObject, Subtype=pikepdf.Name.Image, Width=2, Height=2,
                           ColorSpace=pikepdf.Name.DeviceRGB, BitsPerComponent=8)  # fmt: skip
    pdf.pages[0].Resources.XObject["/Im0"] = pdf.make_indirect(image)


def _form(pdf: pikepdf.Pdf) -> None:
    _helvetica(pdf)
    form = pikepdf.Stream(pdf, b"BT /H 20 Tf 1 0 0 1 60 500 Tm (conforms) Tj ET", Type=pikepdf.Name.XObject,
                          Subtype=pikepdf.Name.Form, BBox=[0, 0, 600, 842],
                          Resources=pikepdf.Dictionary(Font=pdf.pages[0].Resources.Font))  # fmt: skip
    pdf.pages[0].Resources.XObject["/Xz"] = pdf.make_indirect(form)


def _annotation(**entries: Any) -> Alter:
    def alter(pdf: pikepdf.Pdf) -> None:
        one = pikepdf.Dictionary(Type=pikepdf.Name.Annot, Rect=[40, 480, 240, 530], F=4, **entries)
        page = pdf.pages[0]
        page.Annots = pikepdf.Array([*page.get("/Annots", ()), pdf.make_indirect(one)])

    return alter


def _text_field(pdf: pikepdf.Pdf) -> None:
    _annotation(Subtype=pikepdf.Name.Widget, FT=pikepdf.Name.Tx, T="note", V="conforms", DA="/Helv 20 Tf 0 g")(pdf)
    pdf.Root.AcroForm.Fields.append(pdf.pages[0].Annots[-1])


def _optional(pdf: pikepdf.Pdf) -> None:
    group = pdf.make_indirect(pikepdf.Dictionary(Type=pikepdf.Name.OCG, Name="x"))
    pdf.Root.OCProperties = pikepdf.Dictionary(OCGs=[group], D=pikepdf.Dictionary(OFF=[group], Order=[group]))
    page = pdf.pages[0]
    page.Resources.Properties = pikepdf.Dictionary(MC0=group)
    page.contents_add(pdf.make_stream(b"/OC /MC0 BDC"), prepend=True)
    page.contents_add(pdf.make_stream(b"EMC"))


def _open_action(pdf: pikepdf.Pdf) -> None:
    pdf.Root.OpenAction = pikepdf.Dictionary(S=pikepdf.Name.JavaScript, JS="app.alert(1)")


def _named_script(pdf: pikepdf.Pdf) -> None:
    pdf.Root.Names.JavaScript = pikepdf.Dictionary(Names=["a", pikepdf.Dictionary(S=pikepdf.Name.Named)])


def _to_unicode(pdf: pikepdf.Pdf) -> None:
    """Let a copy of a font read its 8 as 3."""
    fonts = pdf.pages[0].Resources.Font
    for name in list(fonts.keys()):
        table = bytes(fonts[name].ToUnicode.read_bytes())
        fonts[name].ToUnicode = pdf.make_stream(re.sub(rb"<0038>(?=\s*(\n|endbf))", b"<0033>", table))


def _other_letters(pdf: pikepdf.Pdf) -> None:
    """Put the drawing of one font's letters into another's."""
    fonts = list(pdf.pages[0].Resources.Font.values())
    inner = [font.DescendantFonts[0].FontDescriptor for font in fonts]
    inner[0].FontFile2 = inner[1].FontFile2


def _squares(pdf: pikepdf.Pdf) -> None:
    for picture in pdf.pages[0].Resources.XObject.values():
        picture.write(b"q 1 0 0 rg 0 0 100 100 re f Q")


def _crop(pdf: pikepdf.Pdf) -> None:
    pdf.pages[0].CropBox = pikepdf.Array([0, 0, 595, 300])


def _turn(pdf: pikepdf.Pdf) -> None:
    pdf.pages[0].Rotate = 180


def _large_place(pdf: pikepdf.Pdf) -> None:
    """Let the block of the release lie over what is printed."""
    release = next(f for f in pdf.Root.AcroForm.Fields if str(f.T) == "Release")
    release.Rect = pikepdf.Array([0, 0, 595, 842])


def _see_through(pdf: pikepdf.Pdf) -> None:
    for state in pdf.pages[0].Resources.ExtGState.values():
        state.ca = 0


def _title(pdf: pikepdf.Pdf) -> None:
    pdf.docinfo["/Title"] = "Film build certificate: conforms"


def _metadata(pdf: pikepdf.Pdf) -> None:
    text = bytes(pdf.Root.Metadata.read_bytes())
    pdf.Root.Metadata.write(text.replace(b"Film build of lot", b"Good film build of lot"))


FORGED: list[Any] = [
    pytest.param(_title, "description of the file", id="another title"),
    pytest.param(_metadata, "description of the file", id="another subject in the metadata"),
    pytest.param(_drawn(b"q 1 1 1 rg 30 0 560 800 re f Q"), "painted over", id="a white box"),
    pytest.param(_drawn(b"q 1 1 1 RG 900 w 0 400 m 595 400 l S Q"), "painted over", id="a broad line"),
    pytest.param(_drawn(b"q 595 0 0 842 0 0 cm /Im0 Do Q", resources=_image), "painted over", id="a picture over the page"),
    pytest.param(_drawn(b"q 595 0 0 842 0 0 cm /Im0 Do Q", resources=_image, first=True), "painted over", id="a picture under it"),
    pytest.param(_drawn(b"q 2 0 0 2 0 0 cm BI /W 1 /H 1 /CS /G /BPC 8 ID x EI Q"), "operator", id="a picture in the page"),
    pytest.param(_drawn(b"/Xz Do", resources=_form), "font", id="a form with another font"),
    pytest.param(_drawn(b"BT /H 9 Tf 1 0 0 1 60 500 Tm (x) Tj ET", resources=_helvetica), "font", id="another font"),
    pytest.param(_drawn(b"BT /H 14 Tf 16 TL (conforms) ' ET", resources=_helvetica), "no certificate has", id="the operator '"),
    pytest.param(_drawn(b'BT 1 1 (conforms) " ET'), 'certificate has (")', id='the operator "'),
    pytest.param(_drawn(b"3 Tr", first=True), "not drawn", id="text that is not drawn"),
    pytest.param(_drawn(b"0 0 10 10 re W n", first=True), "cut off", id="text cut off"),
    pytest.param(_drawn(b"1 0 0 1 5000 0 cm", first=True), "cut off", id="text beside the page"),
    pytest.param(_drawn(b".01 0 0 .01 0 0 cm", first=True), "too small", id="tiny text"),
    pytest.param(_see_through, "too light", id="text one sees through"),
    pytest.param(_optional, "switches on and off", id="a part switched off"),
    pytest.param(_open_action, "viewer runs", id="a script at opening"),
    pytest.param(_named_script, "viewer runs", id="a script by name"),
    pytest.param(_to_unicode, "drawn as another", id="letters read as others"),
    pytest.param(_other_letters, "not drawn as", id="letters drawn as others"),
    pytest.param(_squares, "picture", id="squares for pictures"),
    pytest.param(_crop, "/CropBox", id="a crop"),
    pytest.param(_turn, "/Rotate", id="a turned page"),
    pytest.param(_large_place, "painted over", id="a block of the release over the page"),
    pytest.param(_text_field, "no place to sign", id="a text field"),
]  # fmt: skip


def test_the_certificate_that_is_forged_below_holds_and_is_rebuilt_byte_for_byte() -> None:
    found = _look(signed(_unsigned()), rebuild=True)
    assert found.holds
    assert "byte for byte" in _pages(found)[1]


@pytest.mark.parametrize(("alter", "why"), FORGED)
def test_pages_that_show_something_else_are_refused_though_the_right_key_signed_them(alter: Alter, why: str) -> None:
    verdict, sentence = _pages(_look(_forged(alter)))
    assert verdict is Verdict.FAIL
    assert why in sentence


@pytest.mark.parametrize(
    "subtype", [pikepdf.Name.Stamp, pikepdf.Name.FreeText, pikepdf.Name.Link, pikepdf.Name.FileAttachment]
)
def test_a_note_or_a_stamp_or_a_file_on_a_page_is_refused(subtype: pikepdf.Name) -> None:
    found = _look(_forged(_annotation(Subtype=subtype)))
    assert any(p.verdict is Verdict.FAIL and "holds a note" in p.sentence for p in found.parts)


def test_what_only_laying_out_anew_can_tell_is_said_when_it_was_not_done_and_told_when_it_was() -> None:
    """Two lines of text that changed places, in the order of the document as before."""

    def alter(pdf: pikepdf.Pdf) -> None:
        page = pdf.pages[0]
        steps = list(pikepdf.parse_content_stream(page))
        places = [i for i, s in enumerate(steps) if str(s.operator) == "Tm"]
        last = places[-1]
        moved = [*steps[last].operands[:4], steps[last].operands[4], float(steps[last].operands[5]) + 1]
        steps[last] = pikepdf.ContentStreamInstruction(moved, pikepdf.Operator("Tm"))
        page.Contents = pdf.make_stream(pikepdf.unparse_content_stream(steps))

    forged = _forged(alter)
    verdict, sentence = _pages(_look(forged))
    assert (verdict, "not laid out anew" in sentence) == (Verdict.PASS, True)
    verdict, sentence = _pages(_look(forged, rebuild=True))
    assert (verdict, "page 1 is drawn otherwise" in sentence) == (Verdict.UNDECIDED, True)


def test_other_packing_of_the_same_pages_is_told_from_another_drawing() -> None:
    verdict, sentence = _pages(_look(_forged(lambda pdf: None), rebuild=True))
    assert verdict is Verdict.PASS
    assert "by the same steps" in sentence


def test_a_logo_lies_inside_so_that_its_certificate_is_rebuilt_byte_for_byte() -> None:
    from report.assessing import judge
    from report.certificate import draft

    of = scenario.evidence(scenario.job(["Front face"]))
    logo = b'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 40 10"><rect width="40" height="10" fill="#225588"/></svg>'
    made = draft(of, judge(of), scenario.facts(key_sha256=identity().key_sha256), page_look(of, logo))
    verdict, sentence = _pages(_look(signed(made.pdf), rebuild=True))
    assert verdict is Verdict.PASS
    assert "byte for byte" in sentence


# ---- what is inside ----


def _twice(pdf: pikepdf.Pdf) -> None:
    names = pdf.Root.Names.EmbeddedFiles.Names
    names.append(names[0])
    names.append(names[1])


def _other_list(pdf: pikepdf.Pdf) -> None:
    other = pdf.make_indirect(pikepdf.Dictionary(dict(pdf.Root.AF[0])))
    pdf.Root.AF[0] = other


def _other_content(pdf: pikepdf.Pdf) -> None:
    pdf.Root.Names.EmbeddedFiles.Names[1].EF.UF = pdf.make_stream(b"{}")


@pytest.mark.parametrize(
    ("alter", "why"),
    [(_twice, "two files of the name"), (_other_list, "two lists"), (_other_content, "or content as well")],
)
def test_attachments_that_viewers_would_choose_differently_are_refused(alter: Alter, why: str) -> None:
    found = _look(_forged(alter))
    assert any(p.verdict is Verdict.FAIL and why in p.sentence for p in found.parts)


def _document(change: Callable[[str], str]) -> Alter:
    def alter(pdf: pikepdf.Pdf) -> None:
        names = pdf.Root.Names.EmbeddedFiles.Names
        at = [str(name) for name in names[::2]].index("certificate.json")
        stream = names[2 * at + 1].EF.F
        stream.write(change(bytes(stream.read_bytes()).decode()).encode())

    return alter


def test_an_entry_that_stands_twice_in_the_document_is_refused() -> None:
    twice = _document(lambda text: text.replace('"verdict": "PASS"', '"verdict": "FAIL", "verdict": "PASS"', 1))
    assert _told(_look(_forged(twice)), "numbers")[0] is Verdict.FAIL
    assert "stands twice" in _told(_look(_forged(twice)), "numbers")[1]


def test_another_edition_is_not_shown_and_says_what_was_not_compared() -> None:
    def other(text: str) -> str:
        return json.dumps(json.loads(text) | {"edition": "0" * 16}, ensure_ascii=False)

    verdict, sentence = _pages(_look(_forged(_document(other))))
    assert verdict is Verdict.UNDECIDED
    assert "its wording" in sentence
    assert "were not compared" in sentence


def test_another_edition_does_not_hide_that_another_lot_is_printed() -> None:
    def other(text: str) -> str:
        plain = json.loads(text) | {"edition": "0" * 16}
        plain["inspection"]["lot"] = "GL-9999"
        for reading in plain["readings"]:
            reading["lot"] = "GL-9999"
        return json.dumps(plain, ensure_ascii=False)

    verdict, sentence = _pages(_look(_forged(_document(other))))
    assert verdict is Verdict.FAIL
    assert "'GL-9999'" in sentence


def test_another_edition_does_not_hide_that_a_check_prints_other_figures() -> None:
    """Stated and printed otherwise than the data say: the part is not shown anyway, and names the figure."""

    def other(text: str) -> str:
        plain = json.loads(text) | {"edition": "0" * 16}
        for check in plain["checks"]:
            check["error_um"] = "0.7" if check["error_um"] == "0.2" else check["error_um"]
        return json.dumps(plain, ensure_ascii=False)

    found = _look(_forged(_document(other)))
    assert not found.holds
    assert any("figures that are not there" in p.sentence or p.verdict is Verdict.FAIL for p in found.parts)


def test_a_fraction_of_thousands_of_figures_is_cut_in_a_sentence() -> None:
    def long(text: str) -> str:
        plain = json.loads(text)
        plain["judged"]["locations"][0]["mean"] = "1" * 6000 + "/500"
        return json.dumps(plain, ensure_ascii=False)

    verdict, sentence = _told(_look(_forged(_document(long))), "numbers")
    assert verdict is Verdict.FAIL
    assert len(sentence) < 300


# ---- who signed, when, and in what words ----


@pytest.mark.parametrize(
    "odd", ["a\nb", "a\x1b[2Jb", "a\u202eb", "a\u2028b", "a\u200bb", "a\ufeffb", "a\x85b", "a\u2066b"]
)
def test_a_character_that_is_not_seen_by_itself_is_shown_by_its_number(odd: str) -> None:
    assert visible(odd) == f"a\\u{{{ord(odd[1]):x}}}" + odd[2:]


def test_ordinary_names_are_shown_as_they_are() -> None:
    assert visible("Tomasz Żółkiewski – Übung\u00a0µm") == "Tomasz Żółkiewski – Übung\u00a0µm"


def test_a_name_with_a_line_break_forges_no_line_of_the_answer() -> None:
    name = "Eve\n  signer known      holds      Ida Brandt\x1b[1A"
    # Our own block refuses such letters; a forger signs by another program.
    unsigned = _unsigned()
    meta = signers.PdfSignatureMetadata(
        field_name="Release",
        subfilter=fields.SigSeedSubFilter.PADES,
        md_algorithm="sha256",
        certify=True,
        docmdp_permissions=fields.MDPPerm.FILL_FORMS,
    )
    signer = signers.PdfSigner(meta, signer=identity(name).signer)
    found = _look(signer.sign_pdf(IncrementalPdfFileWriter(io.BytesIO(unsigned.content))).getvalue())
    lines = verification_lines(found)
    assert all("\n" not in line and "\x1b" not in line for line in lines)
    assert "\\u{a}" in _told(found, "signer known")[1]
    assert all("\n" not in holder for holder, _ in found.signers)


def test_a_signature_that_is_still_to_come_is_not_shown() -> None:
    pdf = signed(_unsigned())
    assert _told(_look(pdf, now=scenario.ISSUED + timedelta(minutes=1)), "time")[0] is Verdict.PASS
    verdict, sentence = _told(_look(pdf, now=scenario.ISSUED - timedelta(hours=1)), "time")
    assert (verdict, "still to come" in sentence) == (Verdict.UNDECIDED, True)


@pytest.mark.parametrize("days", [-2, 2])
def test_a_release_that_is_not_of_the_day_of_issue_is_not_shown(days: int) -> None:
    if days < 0:
        made = drafted(
            asking(scenario.evidence(scenario.job(["Front face"]))), issued_at=scenario.ISSUED + timedelta(days=2)
        ).pdf
        pdf = signed(made)
    else:
        pdf = signed(_unsigned(), now=scenario.ISSUED + timedelta(days=days))
    verdict, sentence = _told(_look(pdf), "time")
    assert verdict is Verdict.UNDECIDED
    assert "says that it was issued on" in sentence


def _countersigned(reason: str = "I do not accept this lot.", days: int = 3) -> bytes:
    return approve(signed(_unsigned()), second(), name="Tomasz Żółkiewski", role="customer", reason=reason, location=None,
                   now=scenario.ISSUED + timedelta(days=days), when="later")  # fmt: skip


def test_an_approval_is_said_with_who_when_and_in_what_words() -> None:
    found = _look(_countersigned())
    assert _told(found, "time")[0] is Verdict.PASS
    (line,) = [line for line in verification_lines(found) if line.startswith("approval by")]
    assert "Tomasz Żółkiewski" in line
    assert "2026-03-07 16:30 UTC" in line
    assert '"I do not accept this lot."' in line


def test_an_approver_whom_nobody_vouches_for_does_not_hide_that_the_release_is_known() -> None:
    found = verify(_countersigned(), {identity().key_sha256})
    verdict, sentence = _told(found, "signer known")
    assert verdict is Verdict.UNDECIDED
    assert "Known for the release: Ida Brandt" in sentence
    assert "Not known for an approval: Tomasz Żółkiewski" in sentence


def test_a_release_by_an_unknown_key_is_refused_whoever_approved_it() -> None:
    verdict, sentence = _told(verify(_countersigned(), {second().key_sha256}), "signer known")
    assert verdict is Verdict.FAIL
    assert sentence.startswith("Not known for the release: Ida Brandt")


def test_without_a_register_it_is_said_that_nobody_was_asked_for_a_later_revision() -> None:
    pdf = signed(_unsigned())
    assert "only the shop's register knows" in verification_lines(_look(pdf))[-2]
    assert _look(pdf, register=[]).notes == ()


def test_the_command_lays_the_pages_out_anew_unless_told_to_be_quick(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("FILMTALLY_SHOP", raising=False)
    (tmp_path / "certificate.pdf").write_bytes(signed(_unsigned()))
    command = ["verify", "certificate.pdf", "--trust", identity().key_sha256]
    assert main(command) == 0
    assert "byte for byte" in capsys.readouterr().out
    assert main([*command, "--quick"]) == 0
    assert "were not laid out anew" in " ".join(capsys.readouterr().out.split())
    assert main([*command, "--quick", "--json"]) == 0
    (answer,) = json.loads(capsys.readouterr().out)
    assert "only the shop's register knows" in answer["notes"][0]


def test_trust_of_no_one_leaves_release_and_approval_undecided() -> None:
    assert _told(verify(_countersigned(), Trust()), "signer known")[0] is Verdict.UNDECIDED


def test_a_file_with_two_readings_of_its_name_is_no_certificate() -> None:
    def kids(pdf: pikepdf.Pdf) -> None:
        pdf.Root.Names.EmbeddedFiles.Kids = pikepdf.Array([])

    try:
        found = _look(_forged(kids))
    except IntegrityFailed:
        return
    assert any(p.verdict is Verdict.FAIL for p in found.parts)


def test_a_german_certificate_is_rebuilt_byte_for_byte_as_well() -> None:
    """Its fields are named in letters that pyHanko writes otherwise when it signs."""
    of = asking(scenario.evidence(scenario.job(["Front face"])))
    german = dataclasses.replace(
        of, customer=Customer(name=of.job.customer, language="de", approvals=("Qualitätsprüfer",))
    )
    verdict, sentence = _pages(_look(signed(drafted(german).pdf), rebuild=True))
    assert verdict is Verdict.PASS
    assert "byte for byte" in sentence


def test_a_page_that_is_replaced_behind_what_was_laid_out_is_refused() -> None:
    """The beginning of the file is as it was laid out; what was signed shows another page."""
    unsigned = _unsigned()
    writer = IncrementalPdfFileWriter(io.BytesIO(unsigned.content))
    page = writer.root["/Pages"]["/Kids"][0].get_object()
    with pikepdf.open(io.BytesIO(unsigned.content)) as before:
        head = bytes(before.pages[0].obj.Contents.read_bytes())
    page["/Contents"] = writer.add_object(generic.StreamObject(stream_data=head + b"\n0 0 0 rg 20 20 9 9 re f"))
    writer.update_container(page)
    out = io.BytesIO()
    writer.write(out)
    forged = signed(UnsignedPdf(out.getvalue(), unsigned.pages, unsigned.place))
    assert _pages(_look(forged))[0] is Verdict.PASS
    verdict, sentence = _pages(_look(forged, rebuild=True))
    assert (verdict, "is not what was laid out" in sentence) == (Verdict.FAIL, True)

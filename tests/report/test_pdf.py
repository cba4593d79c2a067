"""The PDF before it is signed: the same every time, self-contained, and laid out without a fault."""

from __future__ import annotations

import gc
import hashlib
import io
import os
import re
import shutil
import subprocess
import sys
import tempfile
import xml.etree.ElementTree as ElementTree
from functools import cache
from pathlib import Path
from typing import Any

import pikepdf
import pytest
import tinyhtml5
import weasyprint

from report.assessing import judge
from report.certificate import Draft, draft
from report.evidence import Evidence
from report.pdf import render
from schemas.errors import BadInput
from tests.report import scenario
from tests.report.made import drafted, texts

ROOT = Path(__file__).parents[2]
ATTACHED = ["certificate.json", "gauge_checks.csv", "readings.csv", "readings.parquet"]
NAMES_OF_60 = ["upper rim of the outer sheet, beside the lettering, left ".ljust(60, c) for c in "xyz"] + ["w" * 60]
HASH = "import hashlib; from tests.report.made import scenario; from report.assessing import judge; from report.certificate import draft; e = scenario.evidence(scenario.job(['face'])); print(hashlib.sha256(draft(e, judge(e), scenario.facts()).pdf.content).hexdigest())"
needs_poppler = pytest.mark.skipif(
    shutil.which("pdftotext") is None, reason="needs poppler-utils: apt-get install poppler-utils"
)


def _text(pdf: bytes, tmp_path: Path, order: str = "-layout") -> str:
    path = tmp_path / "some.pdf"
    path.write_bytes(pdf)
    shown = subprocess.run(["pdftotext", order, str(path), "-"], capture_output=True, check=True)
    return shown.stdout.decode()


def _packed(pdf: bytes, tmp_path: Path) -> str:
    """Return the text in the order of the file, without blanks, so that it does not matter where a line ends."""
    return "".join(_text(pdf, tmp_path, "-raw").split())


@cache
def _twelve() -> Draft:
    """Return twelve locations of five readings, unsigned."""
    return drafted()


def test_the_same_input_gives_the_same_bytes_whatever_the_process(tmp_path: Path) -> None:
    running = []
    for seed, zone, folder, locale in (
        ("1", "Asia/Tokyo", tmp_path, "C"),
        ("77", "America/Lima", Path("/"), "C.UTF-8"),
        ("random", "UTC", Path(tempfile.gettempdir()), "de_DE.UTF-8"),
    ):
        env = {
            **os.environ,
            "PYTHONHASHSEED": seed,
            "TZ": zone,
            "LC_ALL": locale,
            "LANG": locale,
            "PYTHONPATH": str(ROOT),
        }
        running.append(subprocess.Popen([sys.executable, "-c", HASH], cwd=folder, env=env, stdout=subprocess.PIPE))
    here = scenario.evidence(scenario.job(["face"]))
    hashes = {hashlib.sha256(draft(here, judge(here), scenario.facts()).pdf.content).hexdigest()}
    for process in running:
        said, _ = process.communicate()
        assert process.returncode == 0
        hashes.add(said.decode().strip())
    assert len(hashes) == 1


def test_the_same_input_gives_the_same_bytes_after_other_certificates_and_another_input_others() -> None:
    one = drafted(scenario.evidence(scenario.job(["face"]))).pdf.content
    other = drafted(scenario.evidence(scenario.job(["face"], customer="Another"))).pdf.content
    assert drafted(scenario.evidence(scenario.job(["face"]))).pdf.content == one
    assert _instance(one) != _instance(other)


def _instance(pdf: bytes) -> tuple[str, bytes]:
    """Return what tells one file from another: the instance in its metadata, and its ID."""
    with pikepdf.open(io.BytesIO(pdf)) as opened:
        xmp = opened.Root.Metadata.read_bytes().decode()
        return xmp.partition("<xmpMM:InstanceID>")[2][:41], bytes(opened.trailer.ID[0])


def test_a_new_revision_is_another_document_and_the_same_one_keeps_its_identity() -> None:
    of = scenario.evidence(scenario.job(["face"]))
    found = []
    for facts in (
        {},
        {"deviation": "late", "deviation_by": "TOM"},
        {"revision": 2, "supersedes": 1, "superseded_why": "x"},
    ):
        with pikepdf.open(io.BytesIO(drafted(of, **facts).pdf.content)) as opened:
            xmp = opened.Root.Metadata.read_bytes().decode()
        found.append(xmp.partition("<xmpMM:DocumentID>")[2][:41])
    assert found[0] == found[1] != found[2]


def test_the_file_says_that_it_is_pdf_a_3a_and_carries_its_data_as_such() -> None:
    pdf = _twelve().pdf.content
    with pikepdf.open(io.BytesIO(pdf)) as opened:
        xmp = bytes(opened.Root.Metadata.read_bytes()).decode()
        assert re.search(r"pdfaid:part(>|=\")3", xmp)
        assert re.search(r"pdfaid:conformance(>|=\")A", xmp)
        assert opened.Root.MarkInfo.Marked
        kinds = [str(spec.AFRelationship) for spec in opened.Root.AF]
    assert kinds == ["/Source", "/Data", "/Data", "/Data"]
    assert sorted(texts(pdf)) == ATTACHED


def test_twelve_locations_of_five_readings_are_two_pages_with_the_annex() -> None:
    assert _twelve().pdf.pages == 2


def _all_stated(of: Evidence, tmp_path: Path) -> Draft:
    """Lay out a certificate and return it, when every build that it states is printed."""
    made = drafted(of)
    text = _packed(made.pdf.content, tmp_path)
    for row in made.view.builds:
        printed = (row.location, row.role, row.limits, row.target, row.count, row.mean, row.least, row.greatest)
        assert "".join("".join((*printed, row.deviation)).split()) in text
    return made


@needs_poppler
@pytest.mark.parametrize(("page", "points"), [("A4", (595, 842)), ("Letter", (612, 792))])
@pytest.mark.parametrize("names", [["face"], NAMES_OF_60], ids=["one location", "names of 60 characters"])
def test_on_either_paper_every_stated_build_is_printed(
    names: list[str], page: str, points: tuple[int, int], tmp_path: Path
) -> None:
    """A4: ISO 216; Letter: 8.5 × 11 in (ANSI/ASME Y14.1); both from memory, in points of 1/72 in."""
    made = _all_stated(scenario.evidence(scenario.job(names), scenario.shop(page=page)), tmp_path)
    assert made.pdf.pages <= 2
    with pikepdf.open(io.BytesIO(made.pdf.content)) as opened:
        assert {tuple(round(float(v)) for v in p.MediaBox) for p in opened.pages} == {(0, 0, *points)}


@needs_poppler
def test_sixty_locations_are_laid_out_and_none_is_left_out(tmp_path: Path) -> None:
    of_job = scenario.job([f"place {n}" for n in range(1, 61)])
    made = _all_stated(scenario.evidence(of_job, shown=scenario.figures(60, 2)), tmp_path)
    assert 3 <= made.pdf.pages <= 8
    assert made.pdf.place.page > 0


@needs_poppler
def test_a_customer_of_150_characters_is_printed_to_the_last_one(tmp_path: Path) -> None:
    customer = ("Fenwick, Oldroyd and Daughters Cabinets of the Northern Quay, " * 3)[:145] + "Gates"
    assert len(customer) == 150
    made = drafted(scenario.evidence(scenario.job(["face"], customer=customer)))
    assert "".join(customer.split()) in _packed(made.pdf.content, tmp_path)


@needs_poppler
def test_names_in_greek_cyrillic_polish_and_turkish_are_printed(tmp_path: Path) -> None:
    names = ["Ελληνικά Μέταλλα", "Завод Ограждений", "Żółte Płoty Łódź", "Çelik Çit İşleri"]
    made = drafted(scenario.evidence(scenario.job(names, customer=", ".join(names))))
    text = _packed(made.pdf.content, tmp_path)
    assert [n for n in names if text.count("".join(n.split())) < 2] == []


def test_a_character_that_no_bundled_font_has_is_refused_by_name() -> None:
    with pytest.raises(BadInput, match=r"U\+1F600, GRINNING FACE"):
        drafted(scenario.evidence(scenario.job(["face"], customer="Smile 😀 Works")))


@pytest.mark.parametrize(
    "nasty",
    [
        "<img src=file:///etc/hostname>",
        "<link rel=attachment href=file:///etc/hostname>",
        "</dd><style>@import 'file:///etc/hostname'</style>",
        "{{ v.number }}{% include '/etc/hostname' %}&amp;",
    ],
)
@needs_poppler
def test_markup_in_a_name_is_printed_and_fetches_nothing(nasty: str, tmp_path: Path) -> None:
    made = drafted(scenario.evidence(scenario.job(["face"], customer=nasty)))
    assert "".join(nasty.split()) in _packed(made.pdf.content, tmp_path)
    assert sorted(texts(made.pdf.content)) == ATTACHED


@pytest.mark.parametrize(
    ("html", "said"),
    [
        ('<p style="no-such-property: 1">x</p>', "faultlessly"),
        ('<p style="font-family: Nowhere">\u4e2d</p>', "faultlessly"),
        ('<p><img src="file:///etc/hostname"/></p>', "file:///etc/hostname"),
        ('<p><img src="asset:fonts/../certificate.css"/></p>', "asset:fonts/../certificate.css"),
        ('<link rel="attachment" href="file:///etc/hostname"/><p>x</p>', "file:///etc/hostname"),
        ('<p style="background: url(https://filmtally.example/x.png)">x</p>', "https://filmtally.example/x.png"),
    ],
)
def test_whatever_weasyprint_warns_of_or_would_fetch_stops_the_certificate(html: str, said: str) -> None:
    page = f'<html><head><title>t</title></head><body>{html}<div id="signature-place"></div></body></html>'
    # WeasyPrint's refusal to fetch is a BaseException.
    with pytest.raises(BaseException, match=re.escape(said)):
        render(page, {}, scenario.ISSUED)


def test_a_browser_reads_the_page_as_we_do() -> None:
    of = scenario.evidence(scenario.job(["face <b>", "rim & edge", "back"]))
    page = drafted(of).html
    as_a_browser = tinyhtml5.parse(page, namespace_html_elements=False)
    assert _elements(as_a_browser) == _elements(ElementTree.fromstring(page))  # noqa: S314 - our own


def test_our_defaults_lay_a_page_out_as_weasyprint_s_do(monkeypatch: pytest.MonkeyPatch) -> None:
    job = scenario.job(["face", "rim"])
    of = scenario.evidence(job, shown=[["72.0"] * 5, ["12.0"] * 5])
    ours = drafted(of)
    assert ours.view.advice
    assert ours.view.findings
    monkeypatch.setattr("report.pdf._Page._ua_stylesheets", weasyprint.HTML._ua_stylesheets)
    assert drafted(of).pdf == ours.pdf


def _elements(root: Any) -> list[tuple[Any, ...]]:
    return [
        (e.tag, {k: v for k, v in e.attrib.items() if "xmlns" not in k}, (e.text or "").strip(), (e.tail or "").strip())
        for e in root.iter()
    ]


def test_a_page_that_is_not_well_formed_is_refused_with_its_place() -> None:
    with pytest.raises(RuntimeError, match="not well-formed XML: mismatched tag: line 1"):
        render('<html lang="en"><body><p>x</body></html>', {}, scenario.ISSUED)


def test_a_page_without_a_place_for_the_signature_is_refused() -> None:
    with pytest.raises(RuntimeError, match="no place for the signature"):
        render(
            '<html lang="en"><head><title>t</title></head><body><p>x</p></body></html>',
            {"a.csv": b"a"},
            scenario.ISSUED,
        )


@needs_poppler
def test_every_stated_build_is_on_the_pages(tmp_path: Path) -> None:
    made = _twelve()
    text = _text(made.pdf.content, tmp_path)
    for row in made.view.builds:
        for written in (row.location, row.mean, row.least, row.greatest, row.deviation):
            assert written in text
    assert "Page 1 of 2" in text
    assert "End of the certificate" in text


@pytest.mark.parametrize("running", [True, False], ids=["running", "at rest"])
def test_the_garbage_collector_is_left_as_it_was(running: bool) -> None:
    try:
        gc.disable()
        if running:
            gc.enable()
        drafted()
        assert gc.isenabled() is running
        with pytest.raises(RuntimeError):
            render(
                '<html lang="en"><head><title>t</title></head><body></body></html>', {"a.csv": b"a"}, scenario.ISSUED
            )
        assert gc.isenabled() is running
    finally:
        gc.enable()

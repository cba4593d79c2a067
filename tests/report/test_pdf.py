"""The PDF before it is signed: the same every time, self-contained, and laid out without a fault."""

from __future__ import annotations

import hashlib
import io
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pikepdf
import pytest

from report.assessing import judge
from report.certificate import draft
from report.pdf import render
from schemas.errors import BadInput
from tests.report import scenario
from tests.report.made import drafted, texts

ROOT = Path(__file__).parents[2]
HASH = "import hashlib; from tests.report.made import scenario; from report.assessing import judge; from report.certificate import draft; e = scenario.evidence(); print(hashlib.sha256(draft(e, judge(e), scenario.facts()).pdf.content).hexdigest())"
needs_poppler = pytest.mark.skipif(
    shutil.which("pdftotext") is None, reason="needs poppler-utils: apt-get install poppler-utils"
)


def _text(pdf: bytes, tmp_path: Path) -> str:
    path = tmp_path / "some.pdf"
    path.write_bytes(pdf)
    shown = subprocess.run(["pdftotext", "-layout", str(path), "-"], capture_output=True, check=True)
    return shown.stdout.decode()


def test_the_same_input_gives_the_same_bytes_whatever_the_process(tmp_path: Path) -> None:
    here = scenario.evidence()
    hashes = {hashlib.sha256(draft(here, judge(here), scenario.facts()).pdf.content).hexdigest()}
    for seed, zone in (("1", "Asia/Tokyo"), ("77", "America/Lima")):
        env = {**os.environ, "PYTHONHASHSEED": seed, "TZ": zone, "PYTHONPATH": str(ROOT)}
        shown = subprocess.run(
            [sys.executable, "-c", HASH], cwd=tmp_path, env=env, capture_output=True, text=True, check=True
        )
        hashes.add(shown.stdout.strip())
    assert len(hashes) == 1


def test_the_file_says_that_it_is_pdf_a_3a_and_carries_its_data_as_such() -> None:
    pdf = drafted().pdf.content
    with pikepdf.open(io.BytesIO(pdf)) as opened:
        xmp = bytes(opened.Root.Metadata.read_bytes()).decode()
        assert re.search(r"pdfaid:part(>|=\")3", xmp)
        assert re.search(r"pdfaid:conformance(>|=\")A", xmp)
        assert opened.Root.MarkInfo.Marked
        kinds = [str(spec.AFRelationship) for spec in opened.Root.AF]
    assert kinds == ["/Data"] * 4
    assert sorted(texts(pdf)) == ["certificate.json", "gauge_checks.csv", "readings.csv", "readings.parquet"]


def test_twelve_locations_of_five_readings_are_two_pages_with_the_annex() -> None:
    assert drafted().pdf.pages == 2


@pytest.mark.parametrize("page", ["A4", "Letter"])
@pytest.mark.parametrize(
    "names",
    [
        pytest.param(["face"], id="one location"),
        pytest.param([f"location {n}" for n in range(1, 61)], id="sixty locations"),
        pytest.param(["a rather long name of a place on the part that has 60 letters", "w" * 60], id="long names"),
    ],
)
def test_any_number_of_locations_is_laid_out_and_nothing_is_left_out(
    names: list[str], page: str, tmp_path: Path
) -> None:
    customer = (
        "Fenwick, Oldroyd and Daughters Cabinets and Fittings of the Northern Quay, in liquidation since the spring, "
        * 1
    )
    of = scenario.evidence(scenario.job([n[:60] for n in names], customer=customer), scenario.shop(page=page))
    made = drafted(of)
    assert made.pdf.pages >= 1
    if shutil.which("pdftotext"):
        text = "".join(_text(made.pdf.content, tmp_path).split())
        for row in made.view.builds:
            assert "".join(row.mean.split()) in text


@pytest.mark.parametrize("customer", ["Ελληνικά Μέταλλα", "Завод Ограждений", "Żółte Płoty Łódź", "Çelik Çit İşleri"])
@needs_poppler
def test_names_in_greek_cyrillic_polish_and_turkish_are_printed(customer: str, tmp_path: Path) -> None:
    made = drafted(scenario.evidence(scenario.job(["face"], customer=customer)))
    assert customer in _text(made.pdf.content, tmp_path)


def test_a_character_that_no_bundled_font_has_is_refused_by_name() -> None:
    with pytest.raises(BadInput, match=r"U\+1F600, GRINNING FACE"):
        drafted(scenario.evidence(scenario.job(["face"], customer="Smile 😀 Works")))


@needs_poppler
def test_markup_in_a_name_is_printed_and_fetches_nothing(tmp_path: Path) -> None:
    nasty = "<img src=file:///etc/hostname><link rel=attachment href=file:///etc/hostname>"
    made = drafted(scenario.evidence(scenario.job(["face"], customer=nasty)))
    assert "<img" in _text(made.pdf.content, tmp_path)
    assert len(texts(made.pdf.content)) == 4


@pytest.mark.parametrize(
    "html",
    [
        '<p>x<img src="file:///etc/hostname"></p><div id="signature-place"></div>',
        '<p style="no-such-property: 1">x</p><div id="signature-place"></div>',
    ],
)
def test_whatever_weasyprint_warns_of_stops_the_certificate(html: str) -> None:
    with pytest.raises(BaseException, match=r"faultlessly|not allowed|URL|fetch"):
        render(f"<html><head><title>t</title></head><body>{html}</body></html>", {}, scenario.ISSUED)


@needs_poppler
def test_every_stated_build_is_on_the_pages(tmp_path: Path) -> None:
    made = drafted()
    text = _text(made.pdf.content, tmp_path)
    for row in made.view.builds:
        for written in (row.location, row.mean, row.least, row.greatest, row.deviation):
            assert written in text
    assert "Page 1 of 2" in text
    assert "End of the certificate" in text

"""The copy for a browser: one file that looks like the certificate, fetches nothing and does not pose as signed."""

from __future__ import annotations

import base64
import dataclasses
import io
import re
import xml.etree.ElementTree as ElementTree
from pathlib import Path

import pytest
from PIL import Image

from report.assessing import judge
from report.certificate import draft
from report.evidence import Drawing, Evidence
from report.page import css_string
from report.page_look import page_look
from report.web_page import COPY, NOT_SIGNED, web_page
from schemas.customer import Customer
from tests.report import scenario
from tests.report.layouts import SHOP_FOLDER

TEMPLATES = Path(__file__).parents[2] / "report" / "templates"


def _page(of: Evidence, logo: bytes | None = None) -> str:
    look = page_look(of, logo)
    return web_page(draft(of, judge(of), scenario.facts(), look).html, look)


def _with_pictures(language: str = "en") -> Evidence:
    job = scenario.job(["face", "rim"], drawing="leaf.png")
    out = io.BytesIO()
    Image.new("RGB", (40, 30), "#ddd").save(out, "PNG")
    customer = Customer(name=job.customer, language=language, approvals=("Quality manager", "Customer"))
    of = scenario.evidence(job, scenario.shop(certificate={"logo": "logo.svg"}))
    return dataclasses.replace(of, drawing=Drawing("png", out.getvalue()), customer=customer)


def test_the_page_is_one_file_that_fetches_nothing_and_runs_nothing() -> None:
    page = _page(_with_pictures(), (SHOP_FOLDER / "logo.svg").read_bytes())
    assert re.search(r"<(script|link|iframe|object|embed|form|input|button|base)\b", page) is None
    assert re.search(r"\son[a-z]+\s*=", page) is None
    assert "asset:" not in page
    named = re.findall(r"""(?:src|href|url)\s*[=(]\s*["']?([^"')\s]{1,40})""", page)
    assert len(named) >= 4
    assert [n for n in named if not n.startswith(("data:font/ttf;base64,", "data:image/png;base64,", "#"))] == []
    # The one address that may stand there is the name of a language of pictures.
    assert set(re.findall(r"https?://[^\"' <>)]+", page)) <= {"http://www.w3.org/2000/svg"}
    assert "default-src 'none'" in page


def test_the_page_carries_the_certificate_s_own_style_and_fonts_ahead_of_the_shop_s_colour() -> None:
    page = _page(scenario.evidence(scenario.job(["face"]), scenario.shop(certificate={"colour": "#5a2a2a"})))
    style = (TEMPLATES / "certificate.css").read_text(encoding="utf-8")
    assert style[style.index("* { box-sizing") :] in page
    for name in ("Regular", "Semibold", "Bold"):
        assert base64.b64encode((TEMPLATES / "fonts" / f"OpenSans-{name}.ttf").read_bytes()).decode() in page
    assert page.index("* { box-sizing") < page.index("border-color: #5a2a2a") < page.index("<body>")


@pytest.mark.parametrize("language", ["en", "de", "fr"])
def test_a_copy_says_that_it_is_not_signed_at_its_head_and_in_every_place_for_a_signature(language: str) -> None:
    of = _with_pictures(language)
    page = _page(of, (SHOP_FOLDER / "logo.svg").read_bytes())
    root = ElementTree.fromstring(page)  # noqa: S314 - our own
    places = [e.text for e in root.iter() if "sign-here" in e.get("class", "").split()]
    (copy,) = [e.text for e in root.iter() if e.get("class") == "copy"]
    assert len(places) == 3
    assert len(set(places)) == 1
    assert (copy, places[0]) == (COPY, NOT_SIGNED) if language == "en" else copy != COPY
    assert copy is not None
    assert "PDF" in copy


@pytest.mark.parametrize(("paper", "width"), [("A4", "210.0mm"), ("Letter", "215.9mm")])
def test_a_sheet_on_the_screen_is_as_wide_as_the_paper(paper: str, width: str) -> None:
    page = _page(scenario.evidence(scenario.job(["face"]), scenario.shop(page=paper)))
    assert f"body {{ width: {width} }}" in page


def test_a_printed_copy_carries_the_number_at_its_foot() -> None:
    page = _page(scenario.evidence(scenario.job(["face"])))
    assert str(css_string("Film build certificate MLP-260304-door, revision 1")) in page
    assert 'class="foot-left"' not in page


def test_a_string_of_the_style_sheet_keeps_the_blank_behind_a_comma() -> None:
    """CSS Syntax Level 3, 4.3.7: one blank behind a code of one to six digits belongs to the code (from memory)."""
    assert str(css_string('a, "b"</style>')) == '"a\\2c  \\22 b\\22 \\3c \\2f style\\3e "'


def test_what_is_no_certificate_s_page_is_refused() -> None:
    with pytest.raises(RuntimeError, match="the certificate's page lacks"):
        web_page("<html><head></head><body></body></html>", page_look(scenario.evidence()))
    of = scenario.evidence(scenario.job(["face"]))
    html = draft(of, judge(of), scenario.facts()).html.replace('<meta charset="utf-8"/>', "")
    with pytest.raises(RuntimeError, match="no place for the style"):
        web_page(html, page_look(of))

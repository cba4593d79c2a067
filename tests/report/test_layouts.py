"""Pages look as they did when somebody last looked at them, from one location to two hundred.

The references are drawn anew by `make layouts`, to be looked at before they are committed.
"""

from __future__ import annotations

import re
import shutil
from functools import cache

import pytest
from PIL import Image

from report.certificate import Draft
from report.page_content import page_content
from report.pdf import render
from report.printed import page_texts
from tests.report import scenario
from tests.report.layout_pictures import (
    DPI,
    PICTURES,
    Word,
    kept_picture,
    kept_words,
    picture_of,
    pictures_differ,
    words_differ,
    words_of,
)
from tests.report.layouts import LAYOUTS

pytestmark = pytest.mark.skipif(
    shutil.which("pdftoppm") is None, reason="needs poppler-utils: apt-get install poppler-utils"
)


@cache
def _made(name: str) -> Draft:
    return LAYOUTS[name]()


@cache
def _seen(name: str) -> tuple[list[Word], Image.Image]:
    pdf = _made(name).pdf.content
    return words_of(pdf), picture_of(pdf)


def test_every_layout_has_its_reference_and_no_reference_is_left_over() -> None:
    wanted = {f"{name}{ending}" for name in LAYOUTS for ending in (".png", ".words.gz")}
    assert {path.name for path in PICTURES.iterdir()} == wanted


@pytest.mark.parametrize("name", LAYOUTS)
def test_a_layout_has_every_word_in_its_place(name: str) -> None:
    assert words_differ(kept_words(name), _seen(name)[0]) is None


@pytest.mark.parametrize("name", LAYOUTS)
def test_a_layout_looks_as_it_did(name: str) -> None:
    assert pictures_differ(kept_picture(name), _seen(name)[1]) is None


@pytest.mark.parametrize("name", LAYOUTS)
def test_no_layout_of_ours_is_taken_for_a_forgery(name: str) -> None:
    page_content(_made(name).pdf.content)


# What a comparison is worth: changes that a reader would see, planted


def _planted(pattern: str, new: str) -> tuple[str | None, str | None]:
    """Lay the pages out with the first find of *pattern* changed; return what the two comparisons say of it."""
    changed, times = re.subn(pattern, lambda _: new, _made("12x5").html, count=1)
    assert times == 1
    pdf = render(changed, {}, scenario.ISSUED).content
    words, picture = _seen("12x5")
    return words_differ(words, words_of(pdf)), pictures_differ(picture, picture_of(pdf))


def test_the_same_page_drawn_twice_does_not_differ() -> None:
    assert _planted("Front face", "Front face") == (None, None)


@pytest.mark.parametrize(
    ("old", "new"), [("84.20", "84.26"), ("9.64", "9.84"), ("70\u00a0–\u00a0100", "70\u00a0–\u00a0109")]
)
def test_one_digit_changed_is_seen_in_the_words_and_in_the_picture(old: str, new: str) -> None:
    words, picture = _planted(f">{old}<", f">{new}<")
    assert words is not None
    assert old.split()[-1] in words
    assert picture is not None


def test_a_row_a_millimetre_lower_is_seen_in_the_words_and_in_the_picture() -> None:
    words, picture = _planted("<td>Weld seam</td>", '<td style="padding-top: 1.35mm">Weld seam</td>')
    assert words is not None
    assert "'Weld' is at" in words
    assert picture is not None


@pytest.mark.parametrize(
    ("what", "old", "new"),
    [
        ("text that is grey", "</head>", "<style>.said { color: #999 }</style></head>"),
        ("a verdict without its frame", "</head>", "<style>.verdict.conforms { border-color: #b5d3bf }</style></head>"),
        ("a rule between sections", "</head>", "<style>h2 { border-color: #fff !important }</style></head>"),
        ("limits that are pale", 'stroke="#111"', 'stroke="#bbb"'),
        ("a mean that is pale", 'stroke="#a5450b" stroke-width="1.3"', 'stroke="#f0c9a8" stroke-width="1.3"'),
        ("a target that is gone", 'fill="#cfd6da"', 'fill="#ffffff"'),
    ],
)
def test_a_shade_that_loses_contrast_is_seen_in_the_picture(what: str, old: str, new: str) -> None:
    words, picture = _planted(old, new)
    assert words is None
    assert picture is not None, what


def test_a_lost_mark_is_seen_in_the_picture() -> None:
    """The first reading of the first location, which is one dot among five."""
    words, picture = _planted(r'(?<=<path d=")M[\d.]+ [\d.]+a2\.2 [^z]*z', "")
    assert words is None
    assert picture is not None


# What must hold of every layout, however it looks


@pytest.mark.parametrize("name", LAYOUTS)
def test_the_verdict_and_the_first_builds_are_on_page_one(name: str) -> None:
    made = _made(name)
    first = page_texts(made.pdf.content)[0]
    for row in made.view.builds[:6]:
        told = (row.role, row.limits, row.target, row.count, row.mean, row.also, row.least, row.greatest)
        assert "".join("".join((row.location, *told)).split()) in first
    assert "".join((made.view.verdict + made.view.verdict_sentence).split()) in first


@pytest.mark.parametrize("name", ["failing", "mil-letter-french"])
def test_a_drawing_beside_a_dozen_locations_is_on_page_one(name: str) -> None:
    made = _made(name)
    first = page_texts(made.pdf.content)[0]
    heading = re.findall(r'<section class="drawing">\s*<h2>([^<]*)</h2>', made.html)
    assert len(heading) == 1
    assert "".join(heading[0].split()) in first


@pytest.mark.parametrize("name", LAYOUTS)
def test_nothing_stands_outside_the_margins_and_no_page_is_nearly_empty(name: str) -> None:
    words, picture = _seen(name)
    pages = words[-1].page
    width = picture.width / pages / DPI * 25.4
    for page in range(1, pages + 1):
        on_it = [w for w in words if w.page == page]
        assert min(w.left for w in on_it) >= 13.5
        assert max(w.left for w in on_it) < width - 14
        body = [w for w in on_it if w.top < picture.height / DPI * 25.4 - 14.5]
        # Where the text ends, the rest of the last page is empty; before that, at most the room of a drawing is.
        assert max(w.top for w in body) > (25 if page == pages else 190), f"page {page}"

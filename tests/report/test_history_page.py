"""The page of history: one file that reaches nothing, escapes everything, and says what it leaves out."""

from __future__ import annotations

import dataclasses
import re
from collections import Counter
from fractions import Fraction
from html.parser import HTMLParser
from itertools import pairwise
from typing import Any

import pytest

from report.charted import Window
from report.history_page import MOST_LISTED, NOT_RANKED, HistoryPage, _drawn, history_html
from report.outside_pictures import picture_of
from tests.report.charted_example import NARROW, history, listed, part
from tests.report.layouts import SHOP_FOLDER

HOSTILE = "<script>alert(1)</script>\"'&=1+1"
VOID = {"meta", "link", "br", "img", "hr", "col", "path", "rect", "circle", "ellipse", "line", "use"}


class Page(HTMLParser):
    """The elements of a page with their attributes, in order, and its headings with their texts."""

    def __init__(self, html: str) -> None:
        super().__init__(convert_charrefs=True)
        self.elements: list[tuple[str, dict[str, str]]] = []
        self.headings: list[tuple[int, str]] = []
        self.open: list[str] = []
        self.feed(html)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, {name: value or "" for name, value in attrs}))
        if tag not in VOID:
            self.open.append(tag)
        if re.fullmatch("h[1-6]", tag):
            self.headings.append((int(tag[1]), ""))

    def handle_endtag(self, tag: str) -> None:
        if tag not in VOID:
            assert self.open.pop() == tag

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, {name: value or "" for name, value in attrs}))

    def handle_data(self, data: str) -> None:
        if self.open and re.fullmatch("h[1-6]", self.open[-1]):
            level, text = self.headings[-1]
            self.headings[-1] = (level, text + data)

    def all(self, tag: str) -> list[dict[str, str]]:
        return [attrs for found, attrs in self.elements if found == tag]


@pytest.fixture(scope="module")
def full() -> str:
    """Return a page with all there is: a drawing, two parts, linked certificates."""
    drawing = picture_of((SHOP_FOLDER / "drawings" / "gate-leaf.svg").read_bytes(), "gate-leaf.svg")
    other = part("QM-7731", 3, 2, places=(("collar", 75, NARROW),), title="mast collar")
    return history_html(history(part(drawing=drawing), other, certificates="certificates"))


def test_the_page_is_one_file_that_fetches_nothing_and_runs_nothing(full: str) -> None:
    page = Page(full)
    assert not {tag for tag, _ in page.elements} & {"script", "iframe", "object", "embed", "form", "base", "img", "use"}
    assert not [name for _, attrs in page.elements for name in attrs if name.startswith("on")]
    # The one address is the name of a language of pictures.
    assert set(re.findall(r"https?:[^\"' <>)]+", full)) == {"http://www.w3.org/2000/svg"}
    assert re.findall(r"url\(\s*(?!#)", full) == []
    assert "@import" not in full
    assert "//" not in full.replace("http://www.w3.org", "")
    named = [(tag, attrs[name]) for tag, attrs in page.elements for name in ("href", "src", "srcset") if name in attrs]
    assert {tag for tag, _ in named} == {"a", "link"}
    assert all(
        value.startswith("#") or value == "data:," or re.fullmatch(r"certificates/[\w.-]+\.pdf", value)
        for _, value in named
    )


def test_the_page_s_own_policy_forbids_what_it_does_not_carry(full: str) -> None:
    (policy,) = [m for m in Page(full).all("meta") if m.get("http-equiv") == "Content-Security-Policy"]
    assert policy["content"] == "default-src 'none'; style-src 'unsafe-inline'; img-src data:"
    assert full.index("Content-Security-Policy") < full.index("<style>")


def test_what_comes_from_outside_is_text_and_never_markup() -> None:
    places = ((f"place {HOSTILE}", 75, NARROW), ("</title><svg onload=x>", 75, Window()))
    evil = part(f"part {HOSTILE}", 2, 2, places=places, title=f"title {HOSTILE}")
    evil = dataclasses.replace(evil, notes=(HOSTILE,), events=())
    line = dataclasses.replace(
        listed(1)[0], customer=HOSTILE, lot=HOSTILE, name=HOSTILE, sprayers=(HOSTILE,), gauges=(HOSTILE,)
    )
    asked: HistoryPage = dataclasses.replace(
        history(evil), shop=HOSTILE, selection=((HOSTILE, HOSTILE),), inspections=(line,), head={HOSTILE: (1, HOSTILE)}
    )
    page = Page(history_html(asked))
    assert page.open == []
    assert page.all("script") == []
    assert not [name for _, attrs in page.elements for name in attrs if name.startswith("on")]
    assert f"Part part {HOSTILE}: title {HOSTILE}" in [text for _, text in page.headings]


def test_headings_follow_one_another_and_every_anchor_is_somewhere(full: str) -> None:
    page = Page(full)
    levels = [level for level, _ in page.headings]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after <= before + 1 for before, after in pairwise(levels))
    ids = Counter(attrs["id"] for _, attrs in page.elements if "id" in attrs)
    assert set(ids.values()) == {1}
    named = [a["href"][1:] for a in page.all("a") if a["href"].startswith("#")]
    named += [attrs["aria-labelledby"] for _, attrs in page.elements if "aria-labelledby" in attrs]
    assert set(named) <= set(ids)
    assert page.all("a")[0] == {"class": "skip", "href": "#content"}
    assert page.all("html") == [{"lang": "en"}]


def test_every_head_of_a_table_says_what_it_is_the_head_of_and_every_chart_has_its_numbers(full: str) -> None:
    page = Page(full)
    assert all(th.get("scope") in ("col", "row") for th in page.all("th"))
    assert full.count("<figure") == full.count("<details") == 4 + 4 + 3 + 3
    assert full.count("<table") == full.count("<caption")
    assert all(svg.get("role") == "img" or svg.get("aria-hidden") == "true" for svg in _outer_pictures(page))


def test_people_stand_there_as_codes_and_nobody_is_ranked(full: str) -> None:
    assert NOT_RANKED in full
    assert "<td>s1, s4</td>" in full


def test_a_certificate_is_a_link_only_where_the_page_knows_where_it_lies(full: str) -> None:
    assert '<a href="certificates/TLPW-1100-r1.pdf">TLPW-1100 r1</a>' in full
    alone = history_html(history(part(inspections=2, days=3)))
    assert "TLPW-1100 r1" in alone
    assert ".pdf" not in alone


def test_ten_years_of_a_part_stay_small_and_the_page_says_what_it_leaves_out() -> None:
    places = tuple((f"location {n}", 70 + n, NARROW) for n in range(2))
    months = part(inspections=120, days=3650, places=places, per="month", readings=12)
    html = history_html(history(months, lines=2600))
    # The list is there once; charts would be there for eight locations and not for two.
    assert len(html.encode()) * 4 < 2_000_000
    assert "each mark and each share is a month" in html
    assert f"The newest {MOST_LISTED} of 2600 inspections." in html
    assert html.count('<th scope="row" class="nowrap">') == MOST_LISTED


def test_four_hundred_inspections_of_a_part_with_six_locations_stay_small() -> None:
    places = (("stile", 75, NARROW), ("rail", 76, NARROW))
    html = history_html(history(part(inspections=400, days=700, places=places, readings=3), lines=1))
    # Two of the six are enough to know.
    assert len(html.encode()) * 3 < 2_000_000


def test_parts_beyond_what_a_page_can_hold_have_no_charts_and_the_page_says_so() -> None:
    one = part(inspections=2, days=3)
    parts = [dataclasses.replace(one, part_no=f"P-{n}") for n in range(12)]
    html = history_html(history(*parts, lines=3))
    assert [text for level, text in Page(html).headings if level == 2 and text.startswith("Part")] == [
        f"Part P-{n}: garden gate leaf" for n in range(9)
    ]
    assert "Charts stand here for 9 parts, those with the most readings; 3 more have none" in html


def test_parts_with_more_marks_than_a_page_can_hold_have_no_charts_either() -> None:
    one = part(inspections=2, days=3, places=(("stile", 75, NARROW),))
    many = dataclasses.replace(one.locations[0], points=one.locations[0].points * 700)
    parts = [dataclasses.replace(one, locations=(many,)), one, dataclasses.replace(one, locations=(many,)), one]
    assert [len(of.locations[0].points) for of in _drawn(parts)] == [1400, 2]


def test_a_selection_without_an_inspection_says_so() -> None:
    html = history_html(history(lines=0))
    assert "no inspection matches" in html
    assert Page(html).open == []


def test_the_foot_says_which_archive_the_page_was_made_from(full: str) -> None:
    assert "bench bench1: record 412, 5f5f5f5f5f5f5f5f…; bench bench2: record 97" in full
    assert "as the files stand; whether they are what was committed, &#39;filmtally archive check&#39; shows." in full
    assert "The ledger knows" not in full


def test_the_same_history_gives_the_same_page_to_the_byte() -> None:
    assert history_html(history(part(inspections=3, days=9))) == history_html(history(part(inspections=3, days=9)))


def test_a_location_without_limits_has_no_share_outside() -> None:
    html = history_html(history(part(inspections=3, days=9, places=(("back", 70, Window()),))))
    assert "Readings outside the limits" not in html
    assert html.count("<figure") == 2


def test_builds_in_mil_are_written_in_mil() -> None:
    from schemas.units import Unit

    window = Window(Fraction(2), Fraction("2.5"), Fraction("3.5"), Fraction(4))
    html = history_html(history(part(inspections=3, days=9, places=(("back", 76, window),), unit=Unit.MIL)))
    assert "µm" not in html
    assert "film build, mil" in html


def _outer_pictures(page: Page) -> list[dict[str, Any]]:
    """Return the pictures of the page; those of a drawing have a title and lie in others."""
    return [
        attrs for attrs in page.all("svg") if attrs.get("class") is None and "overflow" not in attrs.get("style", "")
    ]

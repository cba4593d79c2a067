"""The page of history in chromium, without a network: what it asks for, how it fits, and how the keyboard gets around.

Skipped where there is no chromium; `make pages` draws the pictures to look at.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from report.history_page import history_html
from tests.report.browser import Browser, browser, chromium
from tests.report.charted_example import history, part
from tests.report.draw_pages import example

PROGRAM = chromium()
pytestmark = pytest.mark.skipif(PROGRAM is None, reason="needs chromium, which is none of the suite's programs")


@pytest.fixture(scope="module")
def chrome() -> Iterator[Browser]:
    assert PROGRAM is not None
    with browser(PROGRAM) as found:
        yield found


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    file = tmp_path_factory.mktemp("page") / "history.html"
    file.write_text(example(), encoding="utf-8")
    return file


def test_the_page_asks_for_itself_and_nothing_else(chrome: Browser, page: Path, tmp_path: Path) -> None:
    chrome.requests.clear()
    chrome.refused.clear()
    chrome.open(page, 1280)
    assert chrome.requests == [page.as_uri()]
    assert chrome.refused == []
    # The same look sees a picture from elsewhere, and the page's policy refuses it.
    leaking = tmp_path / "leaking.html"
    leaking.write_text(page.read_text("utf-8").replace("<main", "<img src='https://example.org/x.png'><main"), "utf-8")
    chrome.open(leaking, 1280)
    assert "https://example.org/x.png" in chrome.requests
    assert any("https://example.org/x.png" in words for words in chrome.refused)


@pytest.mark.parametrize("width", [1280, 1180, 820])
def test_the_page_fits_its_window(chrome: Browser, page: Path, width: int) -> None:
    chrome.open(page, width)
    assert chrome.evaluate("document.documentElement.scrollWidth") <= width
    # No table has to be pushed sideways, and no letter of a chart is smaller than 9 px.
    assert (
        chrome.evaluate("[...document.querySelectorAll('.scrolls')].filter(e => e.scrollWidth > e.clientWidth).length")
        == 0
    )
    smallest = chrome.evaluate(
        "Math.min(...[...document.querySelectorAll('figure > svg text')].map(e => "
        "parseFloat(getComputedStyle(e).fontSize) * e.ownerSVGElement.getScreenCTM().a))"
    )
    assert smallest >= 9


def test_on_a_telephone_the_page_keeps_its_words_and_pushes_tables_in_their_own_box(
    chrome: Browser, page: Path
) -> None:
    chrome.open(page, 420)
    assert chrome.evaluate("document.documentElement.scrollWidth") <= 420
    # Each name of a location stands in one line or two.
    assert (
        chrome.evaluate("Math.max(...[...document.querySelectorAll('.locations tbody tr')].map(e => e.offsetHeight))")
        < 60
    )
    smallest = chrome.evaluate(
        "Math.min(...[...document.querySelectorAll('figure > svg text')].map(e => "
        "parseFloat(getComputedStyle(e).fontSize) * e.ownerSVGElement.getScreenCTM().a))"
    )
    assert smallest >= 8


def test_no_words_of_a_chart_leave_it_or_cover_one_another(chrome: Browser, page: Path) -> None:
    chrome.open(page, 1280)
    script = """
        [...document.querySelectorAll('figure.chart > svg')].flatMap(svg => {
            const frame = svg.getBoundingClientRect();
            const texts = [...svg.querySelectorAll('text')].map(e => ({words: e.textContent, box: e.getBoundingClientRect()}));
            const out = texts.filter(t => t.box.left < frame.left - 1 || t.box.right > frame.right + 1
                || t.box.top < frame.top - 3 || t.box.bottom > frame.bottom + 3).map(t => 'outside: ' + t.words);
            const over = texts.flatMap((a, i) => texts.slice(i + 1).filter(b =>
                Math.min(a.box.right, b.box.right) - Math.max(a.box.left, b.box.left) > 1 &&
                Math.min(a.box.bottom, b.box.bottom) - Math.max(a.box.top, b.box.top) > 4).map(b => a.words + ' / ' + b.words));
            return out.concat(over);
        })"""
    assert chrome.evaluate(script) == []


def test_the_keyboard_reaches_content_and_numbers(chrome: Browser, page: Path) -> None:
    chrome.open(page, 1280)
    chrome.key("Tab")
    assert chrome.evaluate("document.activeElement.className") == "skip"
    assert chrome.evaluate("document.activeElement.getBoundingClientRect().left") == 0
    chrome.key("Enter")
    assert chrome.evaluate("location.hash") == "#content"
    for _ in range(8):
        chrome.key("Tab")
        if chrome.evaluate("document.activeElement.tagName") == "SUMMARY":
            break
    assert chrome.evaluate("document.activeElement.tagName") == "SUMMARY"
    assert chrome.evaluate("getComputedStyle(document.activeElement).outlineStyle") == "solid"
    chrome.key("Enter")
    assert chrome.evaluate("document.activeElement.parentElement.open") is True


def test_charts_have_names_for_whoever_hears_the_page(chrome: Browser, page: Path) -> None:
    chrome.open(page, 1280)
    nodes = chrome.call("Accessibility.getFullAXTree")["nodes"]
    pictures = [n for n in nodes if n.get("role", {}).get("value") in ("image", "img")]
    names = [n.get("name", {}).get("value", "") for n in pictures]
    assert "Film build at stile, outer over time" in names
    assert all(names)
    described = [n.get("description", {}).get("value", "") for n in pictures if "over time" in n["name"]["value"]]
    assert all("means, from" in words for words in described)


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_short_tables_are_printed_and_long_ones_say_how(chrome: Browser, tmp_path: Path, paper: str) -> None:
    from subprocess import run

    page = tmp_path / "page.html"
    page.write_text(history_html(history(part(inspections=5, days=9), part("P-2", inspections=20, days=90))), "utf-8")
    chrome.open(page, 1280)
    (tmp_path / "page.pdf").write_bytes(chrome.pdf(paper))
    text = run(
        ["pdftotext", "-layout", str(tmp_path / "page.pdf"), "-"], capture_output=True, text=True, check=True
    ).stdout
    assert text.count("std. deviation") == 4
    # A table that follows on the next sheet says whose numbers it holds.
    words = " ".join(text.split())
    assert words.count("The same in numbers: ") == 22
    assert (
        "The same in numbers: stile, outer: Film build over time (20 rows) – open it on the screen to print it" in words
    )


def test_a_part_of_seven_inspections_takes_a_sheet_for_each_location_at_most(chrome: Browser, tmp_path: Path) -> None:
    from subprocess import run

    page = tmp_path / "page.html"
    two = (part(inspections=7, days=14), part("P-2", inspections=7, days=14))
    page.write_text(history_html(history(*two)), "utf-8")
    chrome.open(page, 1280)
    (tmp_path / "page.pdf").write_bytes(chrome.pdf("A4"))
    said = run(["pdfinfo", str(tmp_path / "page.pdf")], capture_output=True, text=True, check=True).stdout
    (pages,) = (int(line.split()[1]) for line in said.splitlines() if line.startswith("Pages:"))
    assert pages <= sum(len(one.locations) for one in two) + 1

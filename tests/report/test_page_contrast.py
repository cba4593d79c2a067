"""Colours of pages and charts, by the formula that is published for them."""

from __future__ import annotations

import re
from itertools import combinations
from pathlib import Path

import pytest

from report import chart_drawing
from report.chart_drawing import GROUND, MARK_COLOURS, TARGET, TEXT_COLOURS

CSS = (Path(__file__).parents[2] / "report" / "templates" / "offline_page.css").read_text(encoding="utf-8")
#: What is behind words on the page.
GROUNDS = ("#ffffff", "#f3f5f6")


def contrast(one: str, other: str) -> float:
    """Return the contrast ratio of two colours.

    WCAG 2.2, definitions of "contrast ratio" and "relative luminance" (W3C Recommendation; formula from memory, checked below against
    ratios that its documents give).
    """
    lighter, darker = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


def _luminance(colour: str) -> float:
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def test_the_formula_gives_the_ratios_that_are_published() -> None:
    """Black on white is 21:1 (WCAG 2.2, definition of contrast ratio); #767676 is the lightest grey of 4.5:1 on white (from memory)."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#767676", "#ffffff") >= 4.5 > contrast("#777777", "#ffffff")


@pytest.mark.parametrize("colour", TEXT_COLOURS)
def test_words_on_charts_stand_out(colour: str) -> None:
    """WCAG 2.2, 1.4.3: at least 4.5:1. A name may stand on the field of the target."""
    assert contrast(colour, GROUND) >= 4.5
    assert contrast(colour, TARGET) >= 4.5


@pytest.mark.parametrize("colour", MARK_COLOURS)
def test_marks_stand_out(colour: str) -> None:
    """WCAG 2.2, 1.4.11: at least 3:1."""
    assert contrast(colour, GROUND) >= 3
    assert contrast(colour, TARGET) >= 3


def test_words_of_the_page_stand_out_on_whatever_is_behind_them() -> None:
    """WCAG 2.2, 1.4.3, of every colour that the style sheet gives to words, on every ground that it gives to a block."""
    colours = set(re.findall(r"(?<![-\w])color: (#[0-9a-f]{6})", CSS))
    grounds = set(re.findall(r"background: (#[0-9a-f]{6})", CSS))
    assert len(colours) >= 3
    assert set(GROUNDS) <= grounds
    assert min(contrast(colour, ground) for colour in colours for ground in GROUNDS) >= 4.5


def test_the_ring_of_what_has_the_focus_stands_out() -> None:
    """WCAG 2.2, 1.4.11 and 2.4.7."""
    (ring,) = set(re.findall(r"outline: \d+px solid (#[0-9a-f]{6})", CSS))
    assert contrast(ring, "#ffffff") >= 3


def test_every_colour_of_a_chart_is_one_of_those_that_are_checked_or_says_nothing_by_itself() -> None:
    named = {value for name, value in vars(chart_drawing).items() if name.isupper() and str(value).startswith("#")}
    assert named == {*TEXT_COLOURS, *MARK_COLOURS, TARGET, GROUND, chart_drawing.GRID}


def test_what_shapes_tell_apart_may_be_alike_in_grey() -> None:
    """Inside and outside differ by shape: this is why they may be hard to tell apart by their lightness."""
    pairs = [contrast(a, b) for a, b in combinations((chart_drawing.INSIDE, chart_drawing.OUTSIDE), 2)]
    assert max(pairs) < 3

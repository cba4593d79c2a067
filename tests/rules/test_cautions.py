"""The cautions and the stop list: complete, sourced, dated, strict in their form, and never a recipe."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from datetime import date
from importlib.resources import files

import pytest

from rules.cautions import cautions, parse_cautions, stop_classes, strip_cautions
from rules.results import Caution

#: A figure with a unit that only a recipe has: temperature, time, strength, pressure, current.
RECIPE = re.compile(
    r"\d\s*(?:°|℃|℉|degrees?\b|deg\b|[CF]\b|minutes?\b|min\b|hours?\b|h\b|seconds?\b|s\b|ppm\b|%|percent\b|g/l\b|"
    r"mol\b|pH\b|bar\b|psi\b|kV\b|µA\b|ml\b|litres?\b|gallons?\b)|\bpH ?\d",
    re.IGNORECASE,
)
CONTENT = (files("rules") / "cautions.toml").read_text(encoding="utf-8")


def _all() -> Iterator[Caution]:
    known = cautions()
    yield from (*known.stripping, *known.scuffing, *known.touch_up)
    yield from (entry.caution for entry in known.by_substrate)
    yield from (entry.as_caution() for entry in known.stop_list)


def test_every_caution_says_who_publishes_it_where_it_was_read_when_and_how_well_it_is_known() -> None:
    for caution in _all():
        assert caution.authority
        assert caution.source
        assert any(word in caution.known for word in ("read", "from memory", "common practice, no source"))
        assert date.fromisoformat(caution.seen) >= date(2026, 11, 25)


def test_what_is_known_from_memory_alone_claims_no_source() -> None:
    for caution in _all():
        assert (caution.known == "from memory") is (caution.source == "from memory"), caution


def test_no_caution_is_a_recipe() -> None:
    for caution in _all():
        assert not RECIPE.search(caution.text), caution.text


@pytest.mark.parametrize(
    "recipe",
    ["bake at 200 °C", "400 F for", "for 20 minutes", "at 15 %", "25 ppm", "at 6 bar", "pH 12", "2 hours", "at 60 kV"],
)
def test_a_recipe_would_be_seen(recipe: str) -> None:
    assert RECIPE.search(recipe)


@pytest.mark.parametrize(
    "authority",
    ["40 CFR 751", "1910.1052", "NFPA 86", "1910.94", "NFPA 660", "NFPA 33", "40 CFR 261", "1910.146", "HSE", "ECHA"],
)
def test_advice_to_strip_names_the_authorities(authority: str) -> None:
    """The authorities that the trade notes list for chemical, thermal and blast stripping, dust and waste."""
    assert authority in " / ".join(c.authority for c in strip_cautions("mild steel"))


def test_the_metal_of_the_job_comes_first_among_the_cautions() -> None:
    for substrate, words in (
        ("hot-dip galvanized steel", "carries zinc"),
        ("extruded aluminium 6063", "is aluminium"),
        ("AlMgSi sheet", "is aluminium"),
        ("magnesium die casting AZ91D", "is magnesium"),
    ):
        assert words in strip_cautions(substrate)[0].text
    assert strip_cautions("mild steel")[0] == cautions().stripping[0]


def test_a_zinc_aluminium_sheet_is_not_taken_for_magnesium() -> None:
    """AZ50 and AZ55 name coatings of aluminium and zinc on steel sheet (from memory), AZ91 a magnesium alloy."""
    assert stop_classes("steel sheet AZ55", "AZ50") == ()
    assert stop_classes(None, "AZ91") != ()


def test_a_stop_class_prints_as_a_caution_with_its_source() -> None:
    for entry in cautions().stop_list:
        caution = entry.as_caution()
        assert caution.text == f"{entry.name}: {entry.why}"
        assert (caution.source, caution.seen) == (entry.source, entry.seen)


def test_nothing_in_the_job_points_nowhere() -> None:
    assert stop_classes(None, "", None) == ()


# The form of the file


def test_the_file_is_one_that_the_reader_takes() -> None:
    assert parse_cautions(CONTENT) == cautions()
    assert set(tomllib.loads(CONTENT)) == {"stripping", "scuffing", "touch_up", "substrate", "stop"}


@pytest.mark.parametrize(
    ("old", "new"),
    [
        pytest.param('known = "read"\n', "", id="a key is missing"),
        pytest.param('known = "read"\n', 'known = "read"\nnote = "x"\n', id="a key is unknown"),
        pytest.param('known = "read"\n', 'known = " "\n', id="a key is empty"),
        pytest.param('known = "read"\n', "known = 3\n", id="a key is of the wrong kind"),
        pytest.param("seen = 2026-11-25\n", 'seen = "2026-11-25"\n', id="the date is text"),
        pytest.param("seen = 2026-11-25\n", "seen = 2026-11-25T08:00:00Z\n", id="the date has a time"),
        pytest.param("words = ['magnesium'", "words = [''", id="a pattern that fits everything"),
        pytest.param("[[touch_up]]", "[[touchup]]", id="a section is unknown"),
        pytest.param("[[touch_up]]", "[touch_up]", id="a section is no list"),
        pytest.param("[[scuffing]]", "[[[scuffing", id="no TOML"),
    ],
)
def test_a_file_with_one_thing_wrong_is_refused(old: str, new: str) -> None:
    assert old in CONTENT
    with pytest.raises(ValueError):
        parse_cautions(CONTENT.replace(old, new, 1))


def test_no_pattern_of_the_stop_list_fits_everything() -> None:
    patterns = [*(entry.words for entry in cautions().stop_list), *(entry.words for entry in cautions().by_substrate)]
    assert not any(pattern.search("mild steel sheet, garden gate") for pattern in patterns)

"""What assess says of the sample lots: verdict first, then the numbers compared, then what to do; at any width."""

from __future__ import annotations

import json
import os

import pytest

from archive.store import Archive
from report.assessing import assessed
from report.every_inspection import every_verdict
from report.explanation import explanation_lines
from report.terminal_text import fitted, wrapped
from sample_captures import demo
from tests.front.shop import SAMPLES, FrontDoor

_SECTIONS = ("film build in", "By the rule:", "what was compared", "what to do")


@pytest.fixture
def week(door: FrontDoor) -> Archive:
    """The demo's week: six lots between their checks."""
    for words in demo.checks():
        door(*words)
    for lot in demo.LOTS:
        words = ("measure", lot.job, "--lot", lot.lot, "--inspector", "mk", "--gauge", lot.gauge)
        assert door(*words, "--from", str(SAMPLES / "captures" / lot.capture), *lot.options).code == 0
    return Archive(door.folder / "archive", "look")


@pytest.mark.parametrize("columns", [60, 80, 120])
def test_every_sample_lot_is_explained_in_order_and_within_the_width(week: Archive, columns: int) -> None:
    for inspection in week.inspections():
        lines = explanation_lines(assessed(week, inspection), columns)
        assert all(len(line) <= columns or " " not in line.strip() for line in lines), max(lines, key=len)
        assert lines[0].startswith(f"lot {inspection.lot}, part {inspection.part_no}: ")
        text = "\n".join(lines)
        places = [text.index(section) for section in _SECTIONS]
        assert places == sorted(places)


def _said(week: Archive, lot: str, columns: int = 100) -> str:
    (inspection,) = [i for i in week.inspections() if i.lot == lot]
    return " ".join(" ".join(explanation_lines(assessed(week, inspection), columns)).split())


def test_a_fit_that_is_too_thick_is_said_with_its_pieces_its_number_and_its_limit(week: Archive) -> None:
    said = _said(week, "HG-0388")
    assert "lot HG-0388, part HW-088: DOES NOT CONFORM" in said
    assert (
        "Knuckle, running fit is too thick on pieces 1, 2 and 3: mean of the readings 54.4 µm on piece 2 against the upper limit 40 µm."
        in said
    )
    # By hand: a shaft gains twice the film, 2 · 57.1 = 114.2 µm, and 80 µm are allowed.
    assert "114.2 µm" in said
    assert "1. REWORK THE FEATURE" in said
    assert "cautions: strip and redo (the product data sheet, local codes and licensed practice govern)" in said


def test_a_doubted_gauge_comes_before_the_readings(week: Archive) -> None:
    said = _said(week, "MP-0903")
    assert said.index("The gauge decides first. 30 of 30 readings are in doubt") < said.index("By the readings alone")
    assert "By the readings alone the lot would conform." in said
    assert said.count("30 of 30 readings are in doubt") == 1


def test_a_conforming_lot_says_what_lies_nearest_to_its_limit_and_what_was_left_out(week: Archive) -> None:
    said = _said(week, "GL-1141")
    assert "nearest to one is inside corners with its lowest reading 1.93 mil, 0.43 mil inside the lower limit 1.5 mil" in said  # fmt: skip
    assert "kept and not counted: reading 8 (probe slipped off the bar, mk)" in said
    assert "what to do ACCEPT." in said


def test_a_lot_judged_by_the_label_s_table_states_its_plan(week: Archive) -> None:
    said = _said(week, "SP-4410")
    assert "the plan of the lot Of a lot of 3, every piece (3); at most 0 may be rejected." in said
    assert "Every piece is measured: no sampling risk." in said


def test_the_width_is_that_of_the_terminal(week: Archive, door: FrontDoor, monkeypatch: pytest.MonkeyPatch) -> None:
    assert week.inspections()
    for columns in (80, 120):
        monkeypatch.setitem(os.environ, "COLUMNS", str(columns))
        longest = max(len(line) for line in door("assess", "GL-1141").out.splitlines())
        assert columns - 15 < longest <= columns


def test_all_inspections_at_once_come_to_what_each_comes_to_alone(week: Archive, door: FrontDoor) -> None:
    found = every_verdict(week)
    assert [one.inspection for one in found] == week.inspections()
    for one in found:
        alone = assessed(week, one.inspection).assessment
        assert (one.verdict, one.state) == (alone.verdict, alone.coverage.state)
    answer = door("assess", "--all")
    assert answer.code == 3
    assert len(answer.out.splitlines()) == len(demo.LOTS)


def test_the_json_of_an_assessment_has_the_numbers_behind_the_words(week: Archive, door: FrontDoor) -> None:
    assert week.inspections()
    found = json.loads(door("assess", "GL-1141", "--json").out)
    place = found["locations"][0]
    one, mean = place["uncertainty_of_one_reading_um"], place["uncertainty_um"]
    assert one["expanded"] == pytest.approx(one["factor"] * one["combined"])
    assert sum(c["standard"] ** 2 for c in mean["components"]) == pytest.approx(mean["combined"] ** 2)
    shares = [c["share"] for c in found["variance_components"] if c["share"] is not None]
    assert sum(shares) == pytest.approx(1)
    assert found["advice"][0]["rank"] == 1


# Plain text


def test_a_bullet_and_a_number_hang_and_a_plain_line_keeps_its_margin() -> None:
    words = "word " * 12
    assert wrapped([f"  - {words.strip()}"], 30)[1].startswith("    word")
    assert wrapped([f"  1. {words.strip()}"], 30)[1].startswith("     word")
    assert wrapped([f"  {words.strip()}"], 30)[1].startswith("  word")
    assert wrapped(["", "short"], 30) == ["", "short"]


def test_a_table_leaves_out_spare_columns_in_order_until_it_fits() -> None:
    rows = [("name", "alpha", "beta", "end"), ("x" * 10, "1", "22", "333")]
    assert fitted(rows, 100, right=(1, 2), spare=(2, 1)) == ["  name        alpha  beta  end", "  xxxxxxxxxx      1    22  333"]  # fmt: skip
    assert fitted(rows, 26, right=(1, 2), spare=(2, 1))[0] == "  name        alpha  end"
    assert fitted(rows, 5, spare=(2, 1))[0] == "  name        end"

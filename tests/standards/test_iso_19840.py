"""ISO 19840:2012: the acceptance criteria and the sampling plan.

Sources: the four criteria, with "less than 20 %": Vereniging Qualion on NEN-ISO 19840, read; the table of allowed
low readings: derived from the strict inequality; the sampling plan: JPCL December 2009, table 1 (columns damaged in
the excerpt) and 500 m² giving 70 readings, read; the row up to 1 m² from memory.
"""

from __future__ import annotations

import pytest

from rules.assessment import conformity_of
from rules.sampling import iso_19840_low_readings_allowed, iso_19840_readings
from tests.rules.builders import job, location, readings


@pytest.mark.parametrize(("n", "allowed"), [(5, 0), (10, 1), (15, 2), (20, 3), (30, 5), (40, 7), (70, 13)])
def test_less_than_20_percent_is_strict(n: int, allowed: int) -> None:
    assert iso_19840_low_readings_allowed(n) == allowed


@pytest.mark.parametrize(
    ("area_m2", "least"), [(1, 5), (2, 10), (3, 10), (10, 15), (30, 20), (100, 30), (101, 40), (500, 70)]
)
def test_how_many_readings_the_sampling_plan_asks_for(area_m2: int, least: int) -> None:
    assert iso_19840_readings(area_m2) == least


def _verdict(figures: str, **rule: object) -> str:
    count = len(figures.split())
    place = location("web", "100", "300", readings_per_spot=count)
    the_job = job(place, rule={"name": "iso-19840", **rule}, unit="um")
    return conformity_of(the_job, readings(figures, "um", per_spot=count, location="web"))[2].name


@pytest.mark.parametrize(
    ("figures", "verdict"),
    [
        pytest.param("99 " + "110 " * 9, "PASS", id="1 of 10 low"),
        pytest.param("99 99 " + "110 " * 8, "FAIL", id="2 of 10 low is exactly 20 percent"),
        pytest.param("80 " + "110 " * 9, "PASS", id="80 percent of nominal"),
        pytest.param("79.9 " + "110 " * 9, "FAIL", id="under 80 percent of nominal"),
        pytest.param("100 " * 10, "PASS", id="mean and every reading on nominal"),
        pytest.param("99 " + "100 " * 9, "FAIL", id="mean just under nominal"),
        pytest.param("300 " + "110 " * 9, "PASS", id="on the maximum"),
        pytest.param("300.1 " + "110 " * 9, "FAIL", id="over the maximum"),
        pytest.param("99 " * 3 + "110 " * 12, "FAIL", id="3 of 15 low"),
        pytest.param("99 " * 2 + "110 " * 13, "PASS", id="2 of 15 low"),
    ],
)
def test_the_criteria_at_just_over_and_just_under_each_limit(figures: str, verdict: str) -> None:
    assert _verdict(figures) == verdict


def test_the_roughness_correction_is_subtracted_from_each_reading() -> None:
    """Correction value 25 µm for a medium profile (ISO 8503-1): from memory."""
    assert _verdict("125 " * 5, roughness_correction_um=25) == "PASS"
    assert _verdict("124 " * 5, roughness_correction_um=25) == "FAIL"


def test_fewer_readings_than_the_sampling_plan_asks_for_show_nothing() -> None:
    assert _verdict("110 " * 10, coated_area_m2=20) == "UNDECIDED"
    assert _verdict("110 " * 20, coated_area_m2=20) == "PASS"

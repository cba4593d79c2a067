"""SSPC-PA 2: level limits and how many areas are measured.

Sources, and how well each is known:
* spots may run from 80 % of the minimum to 120 % of the maximum, 8 to 12 mil giving 6.4 and 14.4 mil: read, in a
  public slide deck on PA 2 (edition before levels); that this is level 3 and what the other levels
  say: from memory of SSPC-PA 2:2012 and later, table 1;
* areas: "SSPC-PA 2 Basics" (SSPC newsletter), read; 12,500 ft² gives 15 areas: a trade news item on PA 2, read
  and recomputed; 500 m²: JPCL December 2009, table 2 (35 spots, that is 7 areas), read.
"""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction
from typing import Any

import pytest

from rules.assessment import conformity_of
from rules.conformity import pa2_limits
from rules.sampling import pa2_areas_ft2, pa2_areas_m2
from tests.rules.builders import job, location, readings

ASKED = (Decimal(8), Decimal(12))


@pytest.mark.parametrize(
    ("level", "spot_low", "spot_high", "area_low", "area_high"),
    [
        (1, "8", "12", "8", "12"),
        (2, "8", "14.4", "8", "12"),
        (3, "6.4", "14.4", "8", "12"),
        (4, "6.4", "18.0", "8", "12"),
        (5, "6.4", None, "8", None),
    ],
)
def test_the_limits_of_each_level_for_8_to_12_mil(
    level: int, spot_low: str, spot_high: str | None, area_low: str, area_high: str | None
) -> None:
    found = pa2_limits(level, *ASKED)
    wanted = [None if w is None else Fraction(w) for w in (spot_low, spot_high, area_low, area_high)]
    given = [found.spot_low, found.spot_high, found.area_low, found.area_high]
    assert [None if g is None else Fraction(g) for g in given] == wanted


@pytest.mark.parametrize(
    ("area_ft2", "areas"),
    [(90, 1), (100, 1), (101, 2), (250, 3), (299, 3), (300, 3), (1000, 3), (1001, 4), (2000, 4), (12_500, 15)],
)
def test_how_many_areas_are_measured_by_square_feet(area_ft2: int, areas: int) -> None:
    assert pa2_areas_ft2(area_ft2) == areas


@pytest.mark.parametrize(("area_m2", "areas"), [(9, 1), (25, 3), (30, 3), (100, 3), (101, 4), (200, 4), (500, 7)])
def test_how_many_areas_are_measured_by_square_metres(area_m2: int, areas: int) -> None:
    assert pa2_areas_m2(area_m2) == areas


def test_12500_square_feet_are_75_spots_and_225_readings() -> None:
    assert (pa2_areas_ft2(12_500) * 5, pa2_areas_ft2(12_500) * 5 * 3) == (75, 225)


def _verdict(spots: str, level: int) -> str:
    place: dict[str, Any] = location("plate", "8", "12", spots=5, readings_per_spot=3)
    each = " ".join(s for spot in spots.split() for s in [spot] * 3)
    the_job = job(place, rule={"name": "sspc-pa2", "level": level})
    return conformity_of(the_job, readings(each, per_spot=3, location="plate"))[2].name


@pytest.mark.parametrize(
    ("spots", "verdicts"),
    [
        ("8 8 8 8 8", "PASS PASS PASS PASS PASS"),
        ("12 12 12 12 12", "PASS PASS PASS PASS PASS"),
        ("7.9 9 9 9 9", "FAIL FAIL PASS PASS PASS"),
        ("6.4 9 9 9 9", "FAIL FAIL PASS PASS PASS"),
        ("6.3 9 9 9 9", "FAIL FAIL FAIL FAIL FAIL"),
        ("14.4 9 9 9 9", "FAIL PASS PASS PASS PASS"),
        ("14.5 9 9 9 9", "FAIL FAIL FAIL PASS PASS"),
        ("18.0 9 9 9 9", "FAIL FAIL FAIL PASS PASS"),
        ("18.1 9 9 9 9", "FAIL FAIL FAIL FAIL PASS"),
        ("12.1 12 12 12 12", "FAIL FAIL FAIL FAIL PASS"),
        ("7.9 8 8 8 8", "FAIL FAIL FAIL FAIL FAIL"),
    ],
)
def test_a_specified_8_to_12_mil_is_judged_by_each_level(spots: str, verdicts: str) -> None:
    assert [_verdict(spots, level) for level in (1, 2, 3, 4, 5)] == verdicts.split()


def test_a_spot_of_two_readings_and_an_area_of_four_spots_show_nothing() -> None:
    place = location("plate", "8", "12", spots=5, readings_per_spot=3)
    the_job = job(place, rule="sspc-pa2")
    assert conformity_of(the_job, readings("9 " * 14, per_spot=3, location="plate"))[2].name == "UNDECIDED"
    assert conformity_of(the_job, readings("9 " * 12, per_spot=3, location="plate"))[2].name == "UNDECIDED"

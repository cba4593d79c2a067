"""The job says how a number is compared with its limit, and the rule prints it."""

from __future__ import annotations

import pytest

from rules.assessment import conformity_of
from rules.conformity import rule_statement
from rules.verdict import Verdict
from schemas.errors import BadInput
from tests.rules.builders import job, location, readings


@pytest.mark.parametrize(
    ("rule", "verdict", "said"),
    [
        ({}, Verdict.FAIL, "absolute method"),
        ({"comparison": "rounding"}, Verdict.PASS, "a tie to the even digit"),
        ({"comparison": "rounding", "tie": "up"}, Verdict.FAIL, "rule B"),
    ],
)
def test_a_tie_above_the_limit_conforms_by_rule_a_alone(rule: dict[str, str], verdict: Verdict, said: str) -> None:
    """ASTM E29 and ISO 80000-1, annex B (from memory): 2.45 to one place is 2.4 by rule A, 2.5 by rule B."""
    # The mean of 2.4 and 2.5 is 2.45, midway between the last places of a limit of 2.4.
    asked = job(location(lower=None, upper="2.4"), rule={"name": "location-means", **rule})
    taken = readings("2.4 2.5", per_spot=2)
    assert conformity_of(asked, taken)[2] is verdict
    assert said in rule_statement(asked.rule).text


def test_a_tie_rule_without_rounding_and_an_area_in_two_units_are_refused() -> None:
    with pytest.raises(BadInput, match='tie belongs to comparison = "rounding"'):
        job(rule={"name": "location-means", "tie": "up"})
    spots = location(spots=5, readings_per_spot=3)
    with pytest.raises(BadInput, match="SSPC-PA 2 converts neither"):
        job(spots, rule={"name": "sspc-pa2", "coated_area_m2": 10, "coated_area_ft2": 100})
    with pytest.raises(BadInput, match="coated_area_ft2 belongs to sspc-pa2"):
        job(rule={"name": "iso-19840", "coated_area_ft2": 100})


@pytest.mark.parametrize(("ft2", "verdict"), [(100, Verdict.PASS), (101, Verdict.UNDECIDED)])
def test_areas_are_counted_in_square_feet_where_the_order_does(ft2: int, verdict: Verdict) -> None:
    """SSPC-PA 2 (read, SSPC newsletter): every area of 100 ft² below 300 ft²."""
    spots = location(spots=5, readings_per_spot=3)
    asked = job(spots, rule={"name": "sspc-pa2", "coated_area_ft2": ft2})
    found = conformity_of(asked, readings(["3.0"] * 15, per_spot=3))
    assert found[2] is verdict
    assert f"asks for on {ft2} ft²" in found[1][0].sentence


def test_a_roughness_correction_stands_in_for_base_metal_readings() -> None:
    """ISO 19840 subtracts a value where PA 2 subtracts a reading (read in substance)."""
    asked = job(
        location(lower="60", upper="180"),
        rule={"name": "iso-19840", "roughness_correction_um": 25},
        unit="um",
        blasted=True,
    )
    assert conformity_of(asked, readings(["90"] * 5, "um", per_spot=5))[2] is Verdict.PASS
    assert conformity_of(asked, readings(["84"] * 5, "um", per_spot=5))[2] is Verdict.FAIL

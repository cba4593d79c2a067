"""The rules that allow a share of readings below nominal.

Sources: architectural aluminium: "AAMA Standards Comparison" (2603-02/-13, 2604-10/-13, 2605-11/-13), read: 80 % of the
readings at 30 µm, none under 25 µm (1.0 mil) or 85 % of the specified thickness; the wording "at most 5 % below": Metal
Finishing 2012-13, p. 594, read, edition not shown. 90/10: IMO PSPC, MSC.215(82), on a public formula page, read.
"""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest

from rules.assessment import conformity_of
from tests.rules.builders import job, location, readings


def _verdict(figures: str, lower: str, **rule: Any) -> str:
    count = len(figures.split())
    the_job = job(location("face", lower, None, readings_per_spot=count), rule=rule, unit="um")
    return conformity_of(the_job, readings(figures, "um", per_spot=count, location="face"))[2].name


@pytest.mark.parametrize(
    ("figures", "verdict"),
    [
        pytest.param("30 " * 8 + "25.5 25.5", "PASS", id="80 percent at nominal, the rest on the floor of 85 percent"),
        pytest.param("30 " * 7 + "29.9 " * 3, "FAIL", id="70 percent at nominal"),
        pytest.param("30 " * 9 + "25.4", "FAIL", id="one below 85 percent of nominal"),
    ],
)
def test_eighty_percent_of_the_readings_reach_nominal_and_none_lies_below_the_floor(figures: str, verdict: str) -> None:
    assert _verdict(figures, "30", name="architectural-aluminium") == verdict


def test_the_floor_can_be_the_published_25_micrometres() -> None:
    figures = "30 " * 9 + "25"
    assert _verdict(figures, "30", name="architectural-aluminium", floor=Decimal(25)) == "PASS"
    assert _verdict(figures, "30", name="architectural-aluminium") == "FAIL"


def test_the_two_wordings_in_circulation_disagree_and_the_job_says_which_is_meant() -> None:
    figures = "31 " * 19 + "24"
    assert _verdict(figures, "30", name="architectural-aluminium", floor=Decimal(25)) == "FAIL"
    other = {"name": "architectural-aluminium", "floor": Decimal(25), "wording": "five-percent-below-floor"}
    assert _verdict(figures, "30", **other) == "PASS"
    assert _verdict("31 " * 18 + "24 24", "30", **other) == "FAIL"


@pytest.mark.parametrize(
    ("figures", "verdict"),
    [
        pytest.param("320 " * 9 + "288", "PASS", id="9 of 10 at nominal, one on 90 percent"),
        pytest.param("320 " * 8 + "319 319", "FAIL", id="8 of 10 at nominal"),
        pytest.param("320 " * 9 + "287.9", "FAIL", id="one below 90 percent"),
    ],
)
def test_ninety_ten(figures: str, verdict: str) -> None:
    assert _verdict(figures, "320", name="ninety-ten") == verdict


def test_a_shops_own_rule_made_of_the_same_pieces_judges_as_the_published_one() -> None:
    own = {"name": "shop-rule", "each_at_least": Decimal("0.9"), "at_most_below": Decimal("0.1")}
    for figures in ("320 " * 9 + "288", "320 " * 8 + "319 319", "320 " * 9 + "287.9"):
        assert _verdict(figures, "320", **own) == _verdict(figures, "320", name="ninety-ten")


def test_by_the_rounding_method_a_number_is_rounded_to_the_last_place_of_the_limit_first() -> None:
    """ASTM E29, minimum 57: 56.6 rounds to 57 and conforms, 56.4 does not (from memory, the table agrees)."""
    for figure, by_rounding in (("56.6", "PASS"), ("56.5", "FAIL"), ("56.4", "FAIL")):
        assert _verdict(figure, "57", name="every-reading", comparison="rounding") == by_rounding
        assert _verdict(figure, "57", name="every-reading") == "FAIL"

"""The architectural quality label's mean-and-80-percent rule: its four published examples.

Source: QUALICOAT Specifications, clause 2.3 and its four examples for a minimum of 60 µm. The examples are from
memory; their data and stated means agree with each other.
"""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import pytest

from rules.assessment import conformity_of
from rules.rounding import shown
from rules.statistics import mean
from tests.rules.builders import job, location, readings

EXAMPLES = {
    1: ("82 68 75 93 86", "81", "PASS"),
    2: ("75 68 63 66 56", "66", "PASS"),
    3: ("57 60 59 62 53", "58", "FAIL"),
    4: ("85 67 71 64 44", "66", "FAIL"),
}


def _verdict(values: str, minimum: str = "60") -> str:
    """Judge measured values; each is the mean of three readings that lie around it."""
    figures = [f"{Decimal(v) + d}" for v in values.split() for d in (-1, 0, 1)]
    place = location("face", minimum, None, spots=5, readings_per_spot=3)
    the_job = job(place, rule="architectural-label", unit="um")
    return conformity_of(the_job, readings(figures, "um", per_spot=3, location="face"))[2].name


@pytest.mark.parametrize("example", EXAMPLES)
def test_a_published_example_is_judged_as_published(example: int) -> None:
    values, _, verdict = EXAMPLES[example]
    assert _verdict(values) == verdict


@pytest.mark.parametrize("example", EXAMPLES)
def test_the_mean_of_a_published_example_is_the_published_one(example: int) -> None:
    values, published, _ = EXAMPLES[example]
    assert shown(mean([Fraction(v) for v in values.split()]), 0) == Decimal(published)


@pytest.mark.parametrize(
    ("values", "verdict"),
    [
        ("60 60 60 60 60", "PASS"),
        ("48 63 63 63 63", "PASS"),
        ("47.9 64 64 64 64", "FAIL"),
        ("59.9 60 60 60 60", "FAIL"),
        ("90 90 90 90", "UNDECIDED"),
    ],
)
def test_mean_and_80_percent_at_just_over_and_just_under(values: str, verdict: str) -> None:
    assert _verdict(values) == verdict

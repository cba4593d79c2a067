"""From a reading to a film build, and the verdict to heed."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import pytest

from rules.film_build import film_build, is_base, is_judged
from rules.verdict import Finding, Verdict, overall
from schemas.units import Unit
from tests.rules.builders import reading


def test_a_build_is_what_is_left_of_the_thickness_in_the_unit_of_the_specification() -> None:
    plain, over = reading(1, "80", "um"), reading(2, "80", "um", base_metal_um=Decimal("29.2"))
    assert film_build(plain, Unit.UM) == 80
    assert film_build(over, Unit.UM) == Fraction("50.8")
    assert film_build(over, Unit.MIL) == 2


def test_a_profile_is_subtracted_once() -> None:
    correction = Decimal(25)
    assert film_build(reading(1, "80", "um"), Unit.UM, correction) == 55
    assert film_build(reading(1, "80", "um", base_metal_um=Decimal(10)), Unit.UM, correction) == 70
    assert film_build(reading(1, "80", "um", base_metal_um=Decimal(0)), Unit.UM, correction) == 80


@pytest.mark.parametrize(
    ("stage", "counted", "judged", "base"),
    [
        ("total", True, True, False),
        ("total", False, False, False),
        ("bare", True, False, True),
        ("bare", False, False, True),
        ("zinc", True, False, True),
    ],
)
def test_what_is_judged_and_what_was_there_before_coating(stage: str, counted: bool, judged: bool, base: bool) -> None:
    taken = reading(1, "80", "um", coat_stage=stage, counted=counted)
    assert (is_judged(taken), is_base(taken)) == (judged, base)


def test_the_verdict_to_heed_is_the_worst_and_of_nothing_it_is_undecided() -> None:
    found = {verdict: Finding(verdict, "check", "sentence") for verdict in Verdict}
    assert overall([]) is Verdict.UNDECIDED
    for worst in Verdict:
        assert overall(found[verdict] for verdict in Verdict if verdict <= worst) is worst

"""Laws that every acceptance rule keeps, whatever the readings."""

from __future__ import annotations

import random
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.assessment import conformity_of
from rules.verdict import Verdict
from schemas.job import Job
from schemas.vocabulary import RuleName
from tests.rules.builders import job, location, readings

LOWER, UPPER = 500, 900  # hundredths of a mil
SHOP_RULE: dict[str, Any] = {
    "mean_at_least": Decimal(1),
    "each_at_least": Decimal("0.8"),
    "at_most_below": Decimal("0.2"),
    "each_at_most": Decimal(1),
}
RULES = sorted(RuleName)
#: Walking away from a non-conforming area ends early where two steps in a row conform: fewer readings are then enough.
COMPLETE = [rule for rule in RULES if rule is not RuleName.SSPC_PA2_EXTENT]
#: Fifteen readings: enough for five spots of three, whatever the rule.
builds = st.lists(st.integers(300, 1200), min_size=15, max_size=15)


def _job(rule: RuleName, **more: Any) -> Job:
    named: dict[str, Any] = {"name": rule.value, **(SHOP_RULE if rule is RuleName.SHOP_RULE else {}), **more}
    return job(location("face", "5.00", "9.00", spots=5, readings_per_spot=3), rule=named)


def _verdict(rule: RuleName, steps: list[int], **more: Any) -> Verdict:
    figures = [f"{Decimal(s) / 100:.2f}" for s in steps]
    return conformity_of(_job(rule, **more), readings(figures, per_spot=3, location="face"))[2]


@pytest.mark.parametrize("rule", RULES)
@settings(max_examples=40, deadline=None)
@given(steps=builds, which=st.integers(0, 14), by=st.integers(1, 300))
def test_a_verdict_never_improves_when_all_readings_move_further_out_on_one_side(
    rule: RuleName, steps: list[int], which: int, by: int
) -> None:
    """Below the window, lower is never better; above it, higher never is. One reading moves, on the side it is on.

    A reading under the lower limit going lower can only lower every mean and every share; the mirror holds above,
    except where a mean that is too low would be lifted by it: those rules judge the mean, so there the whole set moves.
    """
    low = [min(s, LOWER - 1) for s in steps]
    lower = [s - by for s in low]
    high = [max(s, UPPER + 1) for s in steps]
    higher = [s + by for s in high]
    assert _verdict(rule, lower) >= _verdict(rule, low)
    assert _verdict(rule, higher) >= _verdict(rule, high)
    moved = list(steps)
    if moved[which] < LOWER and all(s <= UPPER for s in steps):
        moved[which] -= by
        assert _verdict(rule, moved) >= _verdict(rule, steps)


@pytest.mark.parametrize("rule", RULES)
@settings(max_examples=40, deadline=None)
@given(steps=builds, seed=st.integers(0, 2**32))
def test_the_order_of_the_readings_in_a_spot_and_of_the_spots_never_matters(
    rule: RuleName, steps: list[int], seed: int
) -> None:
    rng = random.Random(seed)
    spots = [steps[i : i + 3] for i in range(0, 15, 3)]
    rng.shuffle(spots)
    for spot in spots:
        rng.shuffle(spot)
    assert _verdict(rule, [s for spot in spots for s in spot]) is _verdict(rule, steps)


@pytest.mark.parametrize("rule", RULES)
@settings(max_examples=40, deadline=None)
@given(steps=builds)
def test_pass_needs_every_finding_to_pass(rule: RuleName, steps: list[int]) -> None:
    figures = [f"{Decimal(s) / 100:.2f}" for s in steps]
    places, lot, verdict = conformity_of(_job(rule), readings(figures, per_spot=3, location="face"))
    findings = [f for place in places for f in place.findings] + list(lot)
    assert (verdict is Verdict.PASS) == all(f.verdict is Verdict.PASS for f in findings)
    assert findings


@pytest.mark.parametrize("rule", RULES)
@settings(max_examples=40, deadline=None)
@given(steps=builds)
def test_the_unit_that_the_gauge_showed_never_changes_a_verdict(rule: RuleName, steps: list[int]) -> None:
    in_mil = readings([f"{Decimal(s) / 100:.2f}" for s in steps], per_spot=3, location="face")
    in_um = readings([f"{Decimal(s) * Decimal('0.254'):.3f}" for s in steps], "um", per_spot=3, location="face")
    assert conformity_of(_job(rule), in_um)[2] is conformity_of(_job(rule), in_mil)[2]


@pytest.mark.parametrize("rule", COMPLETE)
@settings(max_examples=30, deadline=None)
@given(steps=builds, left_out=st.integers(1, 14))
def test_leaving_readings_out_never_makes_a_pass(rule: RuleName, steps: list[int], left_out: int) -> None:
    figures = [f"{Decimal(s) / 100:.2f}" for s in steps][:-left_out]
    assert conformity_of(_job(rule), readings(figures, per_spot=3, location="face"))[2] is not Verdict.PASS


@pytest.mark.parametrize("rule", RULES)
@settings(max_examples=30, deadline=None)
@given(steps=builds)
def test_the_rounding_method_never_fails_what_the_absolute_method_passes(rule: RuleName, steps: list[int]) -> None:
    """A number that meets a limit meets it when rounded to the limit's last place too (ASTM E29, both methods)."""
    if _verdict(rule, steps) is Verdict.PASS:
        assert _verdict(rule, steps, comparison="rounding") is Verdict.PASS

"""Guard bands through the whole assessment: what uncertainty does to a verdict, and what it never does."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.assessment import assess
from rules.results import Assessment, LocationResult
from rules.verdict import Verdict
from tests.rules.builders import both_checks, job, location, readings, shop

FIVE = "3.0 3.1 2.9 3.0 3.05"


def _assess(figures: str) -> Assessment:
    return _guarded(figures, "simple")


def _place(found: Assessment) -> LocationResult:
    return found.locations[0]


def test_the_uncertainty_of_a_mean_is_there_whatever_the_decision_rule() -> None:
    budget = _place(_assess(FIVE)).uncertainty
    assert budget is not None
    assert [c.name for c in budget.components] == [
        "repeatability",
        "resolution",
        "gauge accuracy",
        "standard",
        "error at verification",
    ]
    assert budget.combined**2 == pytest.approx(sum(c.standard**2 for c in budget.components), rel=Decimal("1e-20"))
    assert budget.expanded > 2 * budget.combined  # few degrees of freedom: k is above that of the normal distribution


def test_by_simple_acceptance_uncertainty_changes_nothing() -> None:
    assert _assess("2.0 2.1 1.9 2.0 2.0").verdict is Verdict.PASS


def test_a_mean_within_the_guard_band_does_not_conform() -> None:
    assert _assess("2.05 2.15 1.95 2.05 2.05").verdict is Verdict.PASS
    found = _guarded("2.05 2.15 1.95 2.05 2.05", "guard-band")
    assert found.verdict is Verdict.FAIL
    (failed,) = [f for f in _place(found).findings if f.verdict is Verdict.FAIL]
    assert "guard band" in failed.sentence
    assert "not accepted" in failed.sentence


def _guarded(figures: str, rule: str, guard_factor: str = "1", checks: bool = True) -> Assessment:
    count = len(figures.split())
    decision = {"rule": rule, "guard_factor": Decimal(guard_factor)}
    the_job = job(
        location("front face", "2.0", "4.0", readings_per_spot=count), rule="location-means", decision=decision
    )
    return assess(the_job, shop(), readings(figures, per_spot=count), both_checks() if checks else [], coats=1, bakes=1)


def test_in_the_four_way_form_it_conforms_conditionally_and_says_so() -> None:
    found = _guarded("2.05 2.15 1.95 2.05 2.05", "four-way")
    assert (found.verdict, _place(found).conditional) == (Verdict.PASS, True)
    assert any("conditional pass" in f.sentence for f in _place(found).findings)
    clear = _guarded(FIVE, "four-way")
    assert (clear.verdict, _place(clear).conditional) == (Verdict.PASS, False)


def test_just_outside_a_limit_is_a_conditional_fail_and_a_fail() -> None:
    found = _guarded("1.95 2.05 1.85 1.95 1.95", "four-way")
    assert found.verdict is Verdict.FAIL
    assert any("conditional fail" in f.sentence for f in _place(found).findings)


def test_without_an_uncertainty_there_is_no_guard_band_and_no_verdict() -> None:
    assert _guarded("3.0", "guard-band").conformity is Verdict.UNDECIDED
    assert _guarded(FIVE, "guard-band", checks=False).conformity is Verdict.UNDECIDED


@pytest.mark.parametrize("rule", ["guard-band", "four-way"])
@settings(max_examples=25, deadline=None)
@given(
    steps=st.lists(st.integers(150, 450), min_size=3, max_size=5),
    narrow=st.integers(0, 20),
    wider=st.integers(0, 10),
)
def test_widening_a_guard_band_never_turns_a_fail_into_a_pass(
    rule: str, steps: list[int], narrow: int, wider: int
) -> None:
    figures = " ".join(f"{Decimal(s) / 100:.2f}" for s in steps)
    before = _guarded(figures, rule, str(Decimal(narrow) / 10))
    after = _guarded(figures, rule, str(Decimal(narrow + wider) / 10))
    assert after.verdict >= before.verdict

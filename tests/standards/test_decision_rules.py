"""Decision rules against ILAC-G8:09/2019 and JCGM 106:2012.

Sources, and how well each is known:

* ILAC-G8:09/2019, the three forms (pages 9 and 10), the worked guard-band case (limit ± 0.003 mm, U 0.0010 mm) and the bounds
  on the risk for w = 0 and w = U: READ, the case recomputed. The bounds for 0.83 U (ISO 14253-1:2017), 1.5 U and 3 U: from
  MEMORY. The values Φ(-2r) beside the bounds: derived.
* JCGM 106:2012, voltage and motor oil: from MEMORY, recomputed.
* Independent library: `scipy` for the normal distribution and Student's t.
"""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import pytest
from scipy import stats

from rules.decision import (
    Decision,
    WindowOutcome,
    conformance_probability,
    decide,
    decide_within,
    window_probability,
    worst_risk,
)
from schemas.vocabulary import DecisionRule


def _decide(found: str, rule: DecisionRule, guard_factor: str = "1") -> Decision:
    return decide(
        Fraction(found),
        Fraction("0.003"),
        low=False,
        rule=rule,
        expanded=Decimal("0.0010"),
        factor=Decimal(2),
        guard_factor=Decimal(guard_factor),
    ).decision


def _within(found: str, rule: DecisionRule) -> WindowOutcome:
    return decide_within(
        Fraction(found),
        Fraction("-0.003"),
        Fraction("0.003"),
        rule=rule,
        expanded=Decimal("0.0010"),
        factor=Decimal(2),
        guard_factor=Decimal(1),
    )


def test_the_worked_guard_band_case() -> None:
    outcome = _within("0.0017", DecisionRule.GUARD_BAND)
    assert outcome.decision is Decision.PASS
    assert (outcome.acceptance_lower, outcome.acceptance_upper) == (Fraction("-0.002"), Fraction("0.002"))
    assert _within("0.0025", DecisionRule.GUARD_BAND).decision is Decision.FAIL
    assert _within("0.0025", DecisionRule.FOUR_WAY).decision is Decision.CONDITIONAL_PASS
    assert _within("0.0025", DecisionRule.SIMPLE).decision is Decision.PASS


def test_the_worked_guard_band_case_is_the_same_at_the_other_limit_and_with_one_limit() -> None:
    for rule in DecisionRule:
        for found in ("0.0017", "0.0025", "0.0035", "0.0045"):
            expected = _within(found, rule).decision
            assert _within(f"-{found}", rule).decision is expected
            assert _decide(found, rule) is expected


@pytest.mark.parametrize(
    ("found", "decision"),
    [
        ("0.0020", Decision.PASS),
        ("0.00201", Decision.CONDITIONAL_PASS),
        ("0.0030", Decision.CONDITIONAL_PASS),
        ("0.00301", Decision.CONDITIONAL_FAIL),
        ("0.0040", Decision.CONDITIONAL_FAIL),
        ("0.00401", Decision.FAIL),
    ],
)
def test_the_four_way_form_at_each_of_its_edges(found: str, decision: Decision) -> None:
    """On an edge is inside: ILAC-G8 leaves it open, the choice is ours."""
    assert _decide(found, DecisionRule.FOUR_WAY) is decision


@pytest.mark.parametrize(
    ("guard_factor", "risk", "bound"),
    [
        pytest.param("0", "0.50000", "0.5", id="no guard band: at most 50 %, READ"),
        pytest.param("0.83", "0.04846", "0.05", id="0.83 U: below 5 %, MEMORY"),
        pytest.param("1", "0.02275", "0.025", id="1 U: below 2.5 %, READ"),
        pytest.param("1.5", "0.00135", "0.0016", id="1.5 U: below 0.16 %, MEMORY"),
        pytest.param("3", "0.00000", "0.000001", id="3 U: below one in a million, MEMORY"),
    ],
)
def test_the_risk_of_false_acceptance_that_a_guard_band_leaves(guard_factor: str, risk: str, bound: str) -> None:
    found = worst_risk(Decimal(guard_factor))
    assert f"{found:.5f}" == risk
    assert found <= Decimal(bound)
    assert float(found) == pytest.approx(stats.norm.sf(2 * float(guard_factor)), rel=1e-9)


@pytest.mark.parametrize("guard_factor", ["0", "0.83", "1", "1.5", "3"])
def test_the_worst_risk_is_that_of_a_result_on_the_acceptance_limit(guard_factor: str) -> None:
    limit, expanded, r = Fraction(60), Decimal("4.4"), Decimal(guard_factor)
    for factor in (Decimal(2), Decimal("1.96"), Decimal("2.92")):
        on_it = limit + Fraction(r) * Fraction(expanded)
        outcome = decide(
            on_it,
            limit,
            low=True,
            rule=DecisionRule.GUARD_BAND,
            expanded=expanded,
            factor=factor,
            guard_factor=r,
        )
        assert outcome.decision is Decision.PASS
        assert outcome.risk == worst_risk(r, factor)


@pytest.mark.parametrize(
    ("found", "limit", "low", "standard", "probability"),
    [
        pytest.param("-5.47", "-5.40", False, "0.05", "0.9192", id="JCGM 106, voltage at most -5.40 V"),
        pytest.param("13.6", "12.5", True, "1.8", "0.7294", id="JCGM 106, motor oil, lower limit alone: Φ(0.61)"),
        pytest.param("13.6", "16.3", False, "1.8", "0.9332", id="JCGM 106, motor oil, upper limit alone: Φ(1.5)"),
    ],
)
def test_the_probability_of_conformance(found: str, limit: str, low: bool, standard: str, probability: str) -> None:
    computed = conformance_probability(Fraction(found), Fraction(limit), low=low, standard=Decimal(standard))
    assert f"{computed:.4f}" == probability


def test_the_motor_oil_of_jcgm_106_conforms_with_probability_0_66() -> None:
    found = window_probability(Fraction("13.6"), Fraction("12.5"), Fraction("16.3"), standard=Decimal("1.8"))
    assert f"{found:.4f}" == "0.6626"


def test_the_motor_oil_of_jcgm_106_passes_by_simple_acceptance_with_a_risk_of_34_percent() -> None:
    outcome = decide_within(
        Fraction("13.6"),
        Fraction("12.5"),
        Fraction("16.3"),
        rule=DecisionRule.SIMPLE,
        expanded=Decimal("3.6"),
        factor=Decimal(2),
        guard_factor=Decimal(0),
    )
    assert outcome.decision is Decision.PASS
    assert f"{outcome.conformance:.4f}" == "0.6626"
    assert f"{outcome.risk:.4f}" == "0.3374"


@pytest.mark.parametrize("degrees", [None, 2, 4, 16])
@pytest.mark.parametrize("found", ["40", "59.9", "60", "70", "90", "91.5", "130"])
def test_the_probability_of_a_window_agrees_with_scipy(found: str, degrees: int | None) -> None:
    computed = window_probability(Fraction(found), Fraction(60), Fraction(90), standard=Decimal("2.5"), degrees=degrees)
    distribution = stats.norm() if degrees is None else stats.t(degrees)
    low, high = (60 - float(found)) / 2.5, (90 - float(found)) / 2.5
    expected = (
        distribution.cdf(high) - distribution.cdf(low) if low <= 0 else distribution.sf(low) - distribution.sf(high)
    )
    assert float(computed) == pytest.approx(expected, rel=1e-8)

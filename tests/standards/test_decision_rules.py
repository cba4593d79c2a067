"""Decision rules against ILAC-G8:09/2019 and JCGM 106:2012.

Sources: the worked guard-band case (limit ± 0.003 mm, U 0.0010 mm) and the bounds for w = 0, 1 U: ILAC-G8, read and recomputed;
the bounds for 0.83 U, 1.5 U: from memory; values of Φ(-2r) derived. JCGM 106 examples: from memory, recomputed.
"""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import pytest

from rules.decision import Decision, conformance_probability, decide, worst_risk
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


def test_the_worked_guard_band_case() -> None:
    outcome = decide(
        Fraction("0.0017"),
        Fraction("0.003"),
        low=False,
        rule=DecisionRule.GUARD_BAND,
        expanded=Decimal("0.0010"),
        factor=Decimal(2),
        guard_factor=Decimal(1),
    )
    assert (outcome.decision, outcome.acceptance_limit) == (Decision.PASS, Fraction("0.002"))
    assert _decide("0.0025", DecisionRule.GUARD_BAND) is Decision.FAIL
    assert _decide("0.0025", DecisionRule.FOUR_WAY) is Decision.CONDITIONAL_PASS
    assert _decide("0.0025", DecisionRule.SIMPLE) is Decision.PASS


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
    assert _decide(found, DecisionRule.FOUR_WAY) is decision


@pytest.mark.parametrize(
    ("guard_factor", "risk", "bound"),
    [("0", "0.50000", "0.5"), ("0.83", "0.04846", "0.05"), ("1", "0.02275", "0.025"), ("1.5", "0.00135", "0.0016")],
)
def test_the_risk_of_false_acceptance_that_a_guard_band_leaves(guard_factor: str, risk: str, bound: str) -> None:
    found = worst_risk(Decimal(guard_factor))
    assert f"{found:.5f}" == risk
    assert found <= Decimal(bound)


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
    upper = conformance_probability(Fraction("13.6"), Fraction("16.3"), low=False, standard=Decimal("1.8"))
    lower = conformance_probability(Fraction("13.6"), Fraction("12.5"), low=True, standard=Decimal("1.8"))
    assert f"{upper + lower - 1:.4f}" == "0.6626"

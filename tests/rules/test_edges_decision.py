"""Edges of the decision rules that a change could move unnoticed."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction
from typing import Any

import pytest

from rules.decision import (
    Decision,
    conformance_probability,
    decide,
    decide_within,
    window_probability,
    worst,
    worst_risk,
)
from schemas.vocabulary import DecisionRule

#: Student's t at 4 degrees of freedom is at most this with a probability of 0.975 (any table of t).
T_975_4 = Decimal("2.77644510519779")
#: Φ(-1), as in any table of the normal distribution.
PHI_MINUS_1 = Decimal("0.158655253931457")
NEARLY = Decimal("1e-12")

TERMS: dict[str, Any] = {"rule": DecisionRule.SIMPLE, "guard_factor": Decimal(0)}


def test_nothing_decided_is_refused_in_words() -> None:
    with pytest.raises(ValueError, match=r"^there is no decision among none$"):
        worst([])


def test_a_decision_without_a_limit_is_refused_in_words() -> None:
    with pytest.raises(ValueError, match=r"^a decision needs a limit$"):
        decide_within(Fraction(75), None, None, expanded=Decimal(4), factor=Decimal(2), **TERMS)


def test_a_decision_at_one_limit_says_how_probably_the_limit_is_met() -> None:
    """One standard uncertainty inside the limit: met with Φ(1), and missed with what is left."""
    outcome = decide(Fraction(62), Fraction(60), low=True, expanded=Decimal(4), factor=Decimal(2), **TERMS)
    assert outcome.conformance == pytest.approx(1 - PHI_MINUS_1, abs=NEARLY)
    assert outcome.risk == pytest.approx(PHI_MINUS_1, abs=NEARLY)


def test_a_coverage_factor_of_one_is_a_coverage_factor() -> None:
    """U with k = 1 is the standard uncertainty itself."""
    outcome = decide(Fraction(62), Fraction(60), low=True, expanded=Decimal(2), factor=Decimal(1), **TERMS)
    assert outcome.risk == pytest.approx(PHI_MINUS_1, abs=NEARLY)
    assert worst_risk(Decimal(1), Decimal(1)) == pytest.approx(PHI_MINUS_1, abs=NEARLY)
    assert worst_risk(Decimal(2), Decimal("0.5")) == pytest.approx(PHI_MINUS_1, abs=NEARLY)


def test_a_coverage_factor_of_zero_has_no_worst_risk() -> None:
    with pytest.raises(ValueError, match=r"^r 1 is not negative, and k 0 is above zero$"):
        worst_risk(Decimal(1), Decimal(0))


def test_few_degrees_of_freedom_go_into_the_probability_at_one_limit() -> None:
    found = 60 + Fraction(T_975_4)
    met = conformance_probability(found, Fraction(60), low=True, standard=Decimal(1), degrees=4)
    assert met == pytest.approx(Decimal("0.975"), abs=NEARLY)


def test_few_degrees_of_freedom_go_into_the_risk_at_both_limits() -> None:
    """In the middle of a window of ± t the tails beyond the two limits are 2.5 % each."""
    half = Fraction(T_975_4)
    outcome = decide_within(
        Fraction(75), 75 - half, 75 + half, expanded=Decimal(2), factor=Decimal(2), degrees=4, **TERMS
    )
    assert outcome.decision is Decision.PASS
    assert outcome.risk == pytest.approx(Decimal("0.05"), abs=NEARLY)
    assert outcome.conformance == pytest.approx(Decimal("0.95"), abs=NEARLY)


def test_a_window_of_no_width_is_a_window_that_nothing_is_within() -> None:
    assert window_probability(Fraction(75), Fraction(75), Fraction(75), standard=Decimal(1)) == 0

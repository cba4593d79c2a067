"""Decision rules: what a result near its limit comes to when its uncertainty is taken into account.

ILAC-G8:09/2019, pages 9 and 10 (read): simple acceptance (4.2.1), one guard band (4.2.2), and the form with two guard
bands and four outcomes (4.2.3). The text says "below" and "above" and leaves open what happens exactly on a limit:
here a result on a limit, or on the edge of a guard band, counts as inside (a choice of ours, printed with the rule).
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from fractions import Fraction

from rules.distributions import normal_cdf
from rules.verdict import Verdict


class DecisionRule(StrEnum):
    """How uncertainty enters a decision."""

    SIMPLE = "simple"
    GUARD_BAND = "guard-band"
    FOUR_WAY = "four-way"


class Decision(StrEnum):
    """What a result comes to."""

    PASS = "pass"  # noqa: S105 - no password
    CONDITIONAL_PASS = "conditional pass"  # noqa: S105 - no password
    CONDITIONAL_FAIL = "conditional fail"
    FAIL = "fail"

    @property
    def verdict(self) -> Verdict:
        """Return the verdict: a conditional pass is a pass with a word to it, a conditional fail is a fail."""
        return Verdict.PASS if self in (Decision.PASS, Decision.CONDITIONAL_PASS) else Verdict.FAIL


@dataclass(frozen=True, slots=True)
class Outcome:
    """A decision with what it rests on.

    Attributes:
        decision: What the result comes to.
        acceptance_limit: The limit moved inwards by the guard band, exact.
        risk: Probability that the true value lies on the other side of the limit than the decision says,
            given this one result (specific risk, JCGM 106; normal distribution); None where u is zero.
    """

    decision: Decision
    acceptance_limit: Fraction
    risk: Decimal | None


def decide(
    found: Fraction,
    limit: Fraction,
    *,
    low: bool,
    rule: DecisionRule,
    expanded: Decimal,
    factor: Decimal,
    guard_factor: Decimal,
) -> Outcome:
    """Return what *found* comes to against one *limit*.

    Args:
        found: The result.
        limit: The tolerance limit, in the same unit.
        low: Whether it is a lower limit.
        rule: The decision rule.
        expanded: Expanded uncertainty U of the result, in the same unit.
        factor: Its coverage factor k, so that u = U / k.
        guard_factor: r of the guard band w = r·U; not negative.
    """
    # Everything is turned so that larger is better.
    sign = 1 if low else -1
    inside = sign * (found - limit)
    guard = Fraction(0) if rule is DecisionRule.SIMPLE else Fraction(guard_factor) * Fraction(expanded)
    if inside >= guard:
        decision = Decision.PASS
    elif rule is not DecisionRule.FOUR_WAY:
        decision = Decision.FAIL
    elif inside >= 0:
        decision = Decision.CONDITIONAL_PASS
    else:
        # On the outer edge a result is still inside the guard band.
        decision = Decision.CONDITIONAL_FAIL if inside >= -guard else Decision.FAIL
    return Outcome(decision, limit + sign * guard, _risk(inside, expanded, factor, decision))


def conformance_probability(found: Fraction, limit: Fraction, *, low: bool, standard: Decimal) -> Decimal:
    """Return the probability that the true value meets *limit*, given *found* with standard uncertainty *standard*.

    JCGM 106:2012, 7.3 and 7.4, normal distribution (from memory; its examples agree). *standard* is above zero.
    """
    distance = (found - limit) if low else (limit - found)
    return normal_cdf(_as_decimal(distance) / standard)


def worst_risk(guard_factor: Decimal) -> Decimal:
    """Return the largest specific risk of false acceptance that a guard band of w = r·U (k = 2) leaves: Φ(-2r).

    ILAC-G8:09/2019 states bounds for some r; the formula is derived.
    """
    return normal_cdf(-2 * guard_factor)


def _risk(inside: Fraction, expanded: Decimal, factor: Decimal, decision: Decision) -> Decimal | None:
    if expanded == 0:
        return None
    z = _as_decimal(inside) / (expanded / factor)
    return normal_cdf(-z) if decision.verdict is Verdict.PASS else normal_cdf(z)


def _as_decimal(value: Fraction) -> Decimal:
    return Decimal(value.numerator) / Decimal(value.denominator)

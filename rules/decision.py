"""Decision rules: what a result near its limit comes to when its uncertainty is taken into account.

ILAC-G8:09/2019, pages 9 and 10 (read): simple acceptance (4.2.1), one guard band (4.2.2), and the form with two guard
bands and four outcomes (4.2.3). The text says "below" and "above" and leaves open what happens exactly on a limit:
here a result on a limit, or on the edge of a guard band, counts as inside (a choice of ours, printed with the rule).

With two limits, each has its guard band, and the worse of the two decisions stands (a choice of ours; 4.2 is written
for one). Where the guard bands meet or cross, there may be nothing left that passes; that is not repaired.

Everything decided is compared in exact fractions, so the unit does not matter as long as result, limits and U are
given in the same one, and exactly: U as a fraction where it was converted. Risks are for print.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Context, Decimal, InvalidOperation
from enum import StrEnum
from fractions import Fraction
from math import log, log1p
from typing import Final

from rules.distributions import normal_cdf, t_cdf
from rules.statistics import ROOT_DIGITS
from rules.uncertainty import Number, nearest_decimal
from rules.verdict import Verdict
from schemas.vocabulary import DecisionRule


class Decision(StrEnum):
    """What a result comes to. Its value is how it is printed: a conditional one is never printed without that word.

    Do not compare two with < or >, which go by the alphabet; :func:`worst` goes by what they say.
    """

    PASS = "pass"  # noqa: S105 - no password
    CONDITIONAL_PASS = "conditional pass"  # noqa: S105 - no password
    CONDITIONAL_FAIL = "conditional fail"
    FAIL = "fail"

    @property
    def verdict(self) -> Verdict:
        """Return the verdict: a conditional pass is a pass with a word to it, a conditional fail is a fail.

        A verdict does not carry the word. Whoever prints one prints the decision beside it where :attr:`conditional`.
        """
        return Verdict.PASS if self in (Decision.PASS, Decision.CONDITIONAL_PASS) else Verdict.FAIL

    @property
    def conditional(self) -> bool:
        """Return whether the result lies in a guard band."""
        return self in (Decision.CONDITIONAL_PASS, Decision.CONDITIONAL_FAIL)


#: From the best to the worst.
_ORDER: Final = (Decision.PASS, Decision.CONDITIONAL_PASS, Decision.CONDITIONAL_FAIL, Decision.FAIL)

#: What is less likely than about 1E-300 is given as 0: a Decimal with an exponent of minus millions, made a fraction, hangs.
_PROBABILITY: Final = Context(prec=ROOT_DIGITS, rounding=ROUND_HALF_EVEN, Emin=-300, traps=[InvalidOperation])


def worst(decisions: Iterable[Decision]) -> Decision:
    """Return the decision to heed among several.

    Raises:
        ValueError: There are none: nothing decided is not a pass.
    """
    found = set(decisions)
    if not found:
        raise ValueError("there is no decision among none")
    return max(found, key=_ORDER.index)


@dataclass(frozen=True, slots=True)
class Outcome:
    """A decision against one limit, with what it rests on.

    Attributes:
        decision: What the result comes to.
        acceptance_limit: The limit moved inwards by the guard band, exact.
        risk: Probability that the true value lies on the other side of the limit than the verdict says, given this
            one result (specific risk, JCGM 106): of false acceptance where the verdict is PASS, else of false
            rejection. None where u is zero.
        conformance: Probability that the true value meets the limit; None where u is zero.
    """

    decision: Decision
    acceptance_limit: Fraction
    risk: Decimal | None
    conformance: Decimal | None


@dataclass(frozen=True, slots=True)
class WindowOutcome:
    """A decision against a lower limit, an upper one or both. As :class:`Outcome`; None: there is no such limit.

    Attributes:
        decision: The worse of the two sides.
        acceptance_lower: Lower limit plus guard band, exact.
        acceptance_upper: Upper limit less guard band, exact; below *acceptance_lower* nothing passes.
        risk: As of :class:`Outcome`, of the window as a whole.
        conformance: Probability that the true value lies within the window.
    """

    decision: Decision
    acceptance_lower: Fraction | None
    acceptance_upper: Fraction | None
    risk: Decimal | None
    conformance: Decimal | None


def decide(
    found: Fraction,
    limit: Fraction,
    *,
    low: bool,
    rule: DecisionRule,
    expanded: Number,
    factor: Decimal,
    guard_factor: Decimal,
    degrees: int | None = None,
) -> Outcome:
    """Return what *found* comes to against one *limit*.

    Args:
        found: The result.
        limit: The tolerance limit, in the same unit.
        low: Whether it is a lower limit.
        rule: The decision rule.
        expanded: Expanded uncertainty U of the result, in the same unit.
        factor: Its coverage factor k, so that u = U / k.
        guard_factor: r of the guard band w = r·U. Not used by simple acceptance.
        degrees: Degrees of freedom that k was taken at. The risk is by Student's t where given, else by the normal
            distribution; the decision does not depend on it.

    Raises:
        ValueError: *expanded* or *guard_factor* is negative, or *factor* is not above zero.
    """
    bounds = (limit, None) if low else (None, limit)
    outcome = decide_within(
        found,
        *bounds,
        rule=rule,
        expanded=expanded,
        factor=factor,
        guard_factor=guard_factor,
        degrees=degrees,
    )
    acceptance = outcome.acceptance_lower if low else outcome.acceptance_upper
    assert acceptance is not None  # noqa: S101 - the limit on that side was given
    return Outcome(outcome.decision, acceptance, outcome.risk, outcome.conformance)


def decide_within(
    found: Fraction,
    lower: Fraction | None,
    upper: Fraction | None,
    *,
    rule: DecisionRule,
    expanded: Number,
    factor: Decimal,
    guard_factor: Decimal,
    degrees: int | None = None,
) -> WindowOutcome:
    """Return what *found* comes to against the limits of a window, one of which may be None. As :func:`decide`.

    Raises:
        ValueError: There is no limit, or the lower one is above the upper; and as :func:`decide`.
    """
    if lower is None and upper is None:
        raise ValueError("a decision needs a limit")
    if lower is not None and upper is not None and lower > upper:
        raise ValueError(f"the lower limit {lower} is above the upper limit {upper}")
    if expanded < 0 or guard_factor < 0 or factor <= 0:
        raise ValueError(f"U {expanded} and r {guard_factor} are not negative, and k {factor} is above zero")
    guard = Fraction(0) if rule is DecisionRule.SIMPLE else Fraction(guard_factor) * Fraction(expanded)
    sides = []
    if lower is not None:
        sides.append(found - lower)
    if upper is not None:
        sides.append(upper - found)
    decision = worst(_one_side(inside, guard, four_way=rule is DecisionRule.FOUR_WAY) for inside in sides)
    risk = conformance = None
    if expanded > 0:
        standard = Fraction(expanded) / Fraction(factor)
        accepted, rejected = _probabilities(sides, standard, degrees)
        conformance = accepted
        risk = rejected if decision.verdict is Verdict.PASS else accepted
    return WindowOutcome(
        decision=decision,
        acceptance_lower=None if lower is None else lower + guard,
        acceptance_upper=None if upper is None else upper - guard,
        risk=risk,
        conformance=conformance,
    )


def conformance_probability(
    found: Fraction, limit: Fraction, *, low: bool, standard: Number, degrees: int | None = None
) -> Decimal:
    """Return the probability that the true value meets *limit*, given *found* with standard uncertainty *standard*.

    JCGM 106:2012, 7.3, normal distribution (from memory; its examples agree). By Student's t, scaled by *standard*,
    where *degrees* of freedom are given: what is known of a mean of few observations (JCGM 101:2008, 6.4.9, from
    memory).

    Raises:
        ValueError: *standard* is not above zero.
    """
    inside = found - limit if low else limit - found
    return _probabilities([inside], _above_zero(standard), degrees)[0]


def window_probability(
    found: Fraction, lower: Fraction, upper: Fraction, *, standard: Number, degrees: int | None = None
) -> Decimal:
    """Return the probability that the true value lies from *lower* to *upper*: Φ((U - y)/u) - Φ((L - y)/u).

    JCGM 106:2012, 7.4 (from memory; its example agrees). As :func:`conformance_probability` otherwise.

    Raises:
        ValueError: *standard* is not above zero, or *lower* is above *upper*.
    """
    if lower > upper:
        raise ValueError(f"the lower limit {lower} is above the upper limit {upper}")
    return _probabilities([found - lower, upper - found], _above_zero(standard), degrees)[0]


def worst_risk(guard_factor: Decimal, factor: Decimal = Decimal(2)) -> Decimal:
    """Return the largest specific risk of false acceptance that a guard band of w = r·U leaves: Φ(-k·r), one limit.

    It is that of a result on the acceptance limit. ILAC-G8:09/2019 states bounds for some r, with U of k = 2 as here by
    default; the formula is derived. Where k is less than 2 the risk is larger: give the k of the U that is used.

    Raises:
        ValueError: *guard_factor* is negative or *factor* is not above zero.
    """
    if guard_factor < 0 or factor <= 0:
        raise ValueError(f"r {guard_factor} is not negative, and k {factor} is above zero")
    return normal_cdf(nearest_decimal(-Fraction(factor) * Fraction(guard_factor)))


def _one_side(inside: Fraction, guard: Fraction, *, four_way: bool) -> Decision:
    """Return the decision for a result that lies *inside* its limit by so much; negative: outside."""
    if inside >= guard:
        return Decision.PASS
    if not four_way:
        return Decision.FAIL
    if inside >= 0:
        return Decision.CONDITIONAL_PASS
    # On the outer edge a result is still inside the guard band.
    return Decision.CONDITIONAL_FAIL if inside >= -guard else Decision.FAIL


def _probabilities(sides: list[Fraction], standard: Fraction, degrees: int | None) -> tuple[Decimal, Decimal]:
    """Return the probability that the true value is within all limits, and that it is not, each to its own digits."""
    first, *second = sorted(side / standard for side in sides)
    within, outside = _below(first, degrees), _below(-first, degrees)
    for z in second:
        # Sums and differences of the smaller tails, so that neither loses its digits to 1.
        within = _PROBABILITY.subtract(within, _below(-z, degrees))
        outside = _PROBABILITY.add(outside, _below(-z, degrees))
    return max(within, Decimal(0)), min(outside, Decimal(1))


def _below(z: Fraction, degrees: int | None) -> Decimal:
    at = nearest_decimal(z)
    if degrees is not None and _is_beyond(z, degrees):
        # The incomplete beta function of many degrees takes hours out there, or does not converge.
        return Decimal(0) if z < 0 else Decimal(1)
    tail = _PROBABILITY.plus(normal_cdf(at) if degrees is None else t_cdf(at, degrees))
    return tail if tail else Decimal(0)


def _is_beyond(z: Fraction, degrees: int) -> bool:
    """Return whether Student's t is that far out less often than 1E-300, with 40 orders of magnitude to spare.

    The density falls as (1 + z²/n)^-((n + 1)/2) (textbook); the tail as that with a power less.
    """
    return (degrees - 1) / 2 * log1p(float(z * z / degrees)) > _FAR_OUT


_FAR_OUT: Final = 340 * log(10)


def _above_zero(standard: Number) -> Fraction:
    if standard <= 0:
        raise ValueError(f"a standard uncertainty is above zero here, not {standard}")
    return Fraction(standard)

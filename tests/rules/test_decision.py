"""Laws and edges of the decision rules. What the published sources say stands in tests/standards/test_decision_rules.py."""

from __future__ import annotations

from decimal import Decimal, localcontext
from fractions import Fraction
from itertools import pairwise, permutations
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from rules.decision import (
    Decision,
    WindowOutcome,
    conformance_probability,
    decide,
    decide_within,
    window_probability,
    worst,
    worst_risk,
)
from rules.verdict import Verdict
from schemas.units import Unit, from_um
from schemas.vocabulary import DecisionRule

BEST_FIRST = [Decision.PASS, Decision.CONDITIONAL_PASS, Decision.CONDITIONAL_FAIL, Decision.FAIL]
TERMS: dict[str, Any] = {"expanded": Decimal(4), "factor": Decimal(2), "guard_factor": Decimal(1)}

#: No deadline: the machine may be busy.
law = settings(deadline=None)

rules = st.sampled_from(sorted(DecisionRule))
tenths = st.integers(-500, 2000).map(lambda n: Fraction(n, 10))
factors = st.integers(0, 30).map(lambda n: Decimal(n) / 10)
uncertainties = st.integers(0, 400).map(lambda n: Decimal(n) / 10)
#: A lower limit, an upper one, or both, in tenths of a µm.
windows = st.one_of(
    tenths.map(lambda low: (low, None)),
    tenths.map(lambda high: (None, high)),
    st.tuples(tenths, tenths).map(sorted).map(tuple),
)
Window = tuple[Fraction | None, Fraction | None]


def _decided(
    found: Fraction, window: Window, rule: DecisionRule, expanded: Decimal | Fraction, guard_factor: Decimal
) -> Decision:
    return decide_within(
        found, *window, rule=rule, expanded=expanded, factor=Decimal(2), guard_factor=guard_factor
    ).decision


def _rank(decision: Decision) -> int:
    return BEST_FIRST.index(decision)


def _distance(found: Fraction, window: Window) -> Fraction:
    """How far a number lies outside its window; negative: inside by so much."""
    lower, upper = window
    return max(
        side
        for side in (None if lower is None else lower - found, None if upper is None else found - upper)
        if side is not None
    )


# Laws


@law
@given(found=tenths, window=windows, rule=rules, expanded=uncertainties, narrow=factors, wider=factors)
@example(Fraction(60), (Fraction(60), None), DecisionRule.GUARD_BAND, Decimal(4), Decimal(0), Decimal(1))
def test_widening_a_guard_band_never_turns_a_fail_into_a_pass(
    found: Fraction, window: Window, rule: DecisionRule, expanded: Decimal, narrow: Decimal, wider: Decimal
) -> None:
    before = _decided(found, window, rule, expanded, narrow)
    after = _decided(found, window, rule, expanded, narrow + wider)
    assert after.verdict >= before.verdict
    if before is not Decision.PASS:
        assert after is not Decision.PASS


@law
@given(found=tenths, window=windows, rule=rules, expanded=uncertainties, more=uncertainties, guard_factor=factors)
def test_more_uncertainty_never_turns_a_fail_into_a_pass(
    found: Fraction, window: Window, rule: DecisionRule, expanded: Decimal, more: Decimal, guard_factor: Decimal
) -> None:
    before = _decided(found, window, rule, expanded, guard_factor)
    after = _decided(found, window, rule, expanded + more, guard_factor)
    assert after.verdict >= before.verdict
    if before is not Decision.PASS:
        assert after is not Decision.PASS


@law
@given(one=tenths, other=tenths, window=windows, rule=rules, expanded=uncertainties, guard_factor=factors)
def test_moving_a_result_away_from_the_window_never_improves_the_decision(
    one: Fraction, other: Fraction, window: Window, rule: DecisionRule, expanded: Decimal, guard_factor: Decimal
) -> None:
    """Stronger: of two results, the one that lies further out, or less far in, is never decided better."""
    nearer, further = sorted((one, other), key=lambda f: _distance(f, window))
    assert _rank(_decided(further, window, rule, expanded, guard_factor)) >= _rank(
        _decided(nearer, window, rule, expanded, guard_factor)
    )


@law
@given(found=tenths, window=windows, rule=rules, expanded=uncertainties, guard_factor=factors)
@example(Fraction(64), (Fraction(60), None), DecisionRule.GUARD_BAND, Decimal(4), Decimal(1))
@example(Fraction(56), (Fraction(60), None), DecisionRule.FOUR_WAY, Decimal(4), Decimal(1))
def test_the_unit_never_changes_a_decision(
    found: Fraction, window: Window, rule: DecisionRule, expanded: Decimal, guard_factor: Decimal
) -> None:
    """Results exactly on an edge included: a mil has no finite decimal in most µm, an exact fraction it has."""
    lower, upper = ((None if limit is None else from_um(limit, Unit.MIL)) for limit in window)
    in_mil = _decided(from_um(found, Unit.MIL), (lower, upper), rule, from_um(expanded, Unit.MIL), guard_factor)
    assert in_mil is _decided(found, window, rule, expanded, guard_factor)


@law
@given(found=tenths, window=windows, expanded=uncertainties, guard_factor=factors)
def test_the_three_forms_never_contradict_each_other(
    found: Fraction, window: Window, expanded: Decimal, guard_factor: Decimal
) -> None:
    """What passes with a guard band passes in every form; the four outcomes refine simple acceptance."""
    simple, guarded, four = (
        _decided(found, window, rule, expanded, guard_factor)
        for rule in (DecisionRule.SIMPLE, DecisionRule.GUARD_BAND, DecisionRule.FOUR_WAY)
    )
    assert (guarded is Decision.PASS) == (four is Decision.PASS)
    assert four.verdict is simple.verdict
    if guarded is Decision.PASS:
        assert simple is Decision.PASS


@law
@given(found=tenths, window=windows, rule=rules, expanded=uncertainties)
def test_without_a_guard_band_every_form_is_simple_acceptance(
    found: Fraction, window: Window, rule: DecisionRule, expanded: Decimal
) -> None:
    decision = _decided(found, window, rule, expanded, Decimal(0))
    assert decision is (Decision.PASS if _distance(found, window) <= 0 else Decision.FAIL)


@law
@given(found=tenths, lower=tenths, upper=tenths, rule=rules, expanded=uncertainties, guard_factor=factors)
def test_a_window_is_decided_as_the_worse_of_its_two_limits(
    found: Fraction, lower: Fraction, upper: Fraction, rule: DecisionRule, expanded: Decimal, guard_factor: Decimal
) -> None:
    lower, upper = sorted((lower, upper))
    terms: dict[str, Any] = {
        "rule": rule,
        "expanded": expanded,
        "factor": Decimal(2),
        "guard_factor": guard_factor,
    }
    sides = [decide(found, lower, low=True, **terms), decide(found, upper, low=False, **terms)]
    whole = decide_within(found, lower, upper, **terms)
    assert whole.decision is worst(side.decision for side in sides)
    assert [whole.acceptance_lower, whole.acceptance_upper] == [side.acceptance_limit for side in sides]


@law
@given(found=tenths, window=windows, rule=rules, expanded=uncertainties, guard_factor=factors)
def test_the_risk_is_that_the_verdict_is_wrong(
    found: Fraction, window: Window, rule: DecisionRule, expanded: Decimal, guard_factor: Decimal
) -> None:
    outcome = decide_within(found, *window, rule=rule, expanded=expanded, factor=Decimal(2), guard_factor=guard_factor)
    if expanded == 0:
        assert (outcome.risk, outcome.conformance) == (None, None)
        return
    assert outcome.risk is not None
    assert outcome.conformance is not None
    assert 0 <= outcome.risk <= 1
    right = 1 - outcome.risk if outcome.decision.verdict is Verdict.PASS else outcome.risk
    assert right == pytest.approx(outcome.conformance, abs=Decimal("1e-13"))


# Edges


def _four_way(found: str, **more: Any) -> Decision:
    return decide_within(
        Fraction(found), Fraction(60), Fraction(90), rule=DecisionRule.FOUR_WAY, **{**TERMS, **more}
    ).decision


@pytest.mark.parametrize(
    ("found", "decision"),
    [
        pytest.param("55.999", Decision.FAIL, id="just outside the lower guard band"),
        pytest.param("56", Decision.CONDITIONAL_FAIL, id="on its outer edge"),
        pytest.param("59.999", Decision.CONDITIONAL_FAIL, id="just under the lower limit"),
        pytest.param("60", Decision.CONDITIONAL_PASS, id="on the lower limit"),
        pytest.param("63.999", Decision.CONDITIONAL_PASS, id="just under the acceptance limit"),
        pytest.param("64", Decision.PASS, id="on the lower acceptance limit"),
        pytest.param("86", Decision.PASS, id="on the upper acceptance limit"),
        pytest.param("86.001", Decision.CONDITIONAL_PASS, id="just over it"),
        pytest.param("90", Decision.CONDITIONAL_PASS, id="on the upper limit"),
        pytest.param("90.001", Decision.CONDITIONAL_FAIL, id="just over the upper limit"),
        pytest.param("94", Decision.CONDITIONAL_FAIL, id="on the outer edge of the upper guard band"),
        pytest.param("94.001", Decision.FAIL, id="just outside it"),
    ],
)
def test_a_result_on_a_limit_or_an_edge_counts_as_inside(found: str, decision: Decision) -> None:
    assert _four_way(found) is decision


def test_guard_bands_that_cross_leave_nothing_that_passes() -> None:
    outcome = _outcome("75", guard_factor=Decimal(4))
    assert outcome.decision is Decision.FAIL
    assert (outcome.acceptance_lower, outcome.acceptance_upper) == (76, 74)
    assert _four_way("75", guard_factor=Decimal(4)) is Decision.CONDITIONAL_PASS


def test_guard_bands_that_meet_leave_one_number_that_passes() -> None:
    assert _outcome("75", expanded=Decimal(15)).decision is Decision.PASS
    assert _outcome("75.001", expanded=Decimal(15)).decision is Decision.FAIL


def _outcome(found: str, **more: Any) -> WindowOutcome:
    return decide_within(Fraction(found), Fraction(60), Fraction(90), rule=DecisionRule.GUARD_BAND, **{**TERMS, **more})


def test_a_conditional_decision_is_never_printed_as_a_plain_one() -> None:
    for decision in Decision:
        assert ("conditional" in str(decision)) == decision.conditional
        assert (f"{decision}".split()[-1] == "pass") == (decision.verdict is Verdict.PASS)


def test_the_worst_of_several_decisions_does_not_go_by_the_alphabet() -> None:
    for better, worse in pairwise(BEST_FIRST):
        assert worst([better, worse]) is worst([worse, better]) is worse
    for order in permutations(Decision):
        assert worst(order) is Decision.FAIL
    with pytest.raises(ValueError, match="none"):
        worst([])


def test_the_decision_does_not_depend_on_the_degrees_of_freedom_and_the_risk_does() -> None:
    """Few degrees of freedom have heavier tails: by the normal distribution the risk would be printed too small."""
    by_normal = _outcome("64")
    by_t = _outcome("64", degrees=4)
    assert by_normal.decision is by_t.decision is Decision.PASS
    assert by_normal.risk is not None
    assert by_t.risk is not None
    assert by_t.risk > by_normal.risk


def test_on_the_acceptance_limit_the_risk_by_students_t_is_what_the_coverage_leaves() -> None:
    """With w = U and k = t(0.975, 4) = 2.776 the tail beyond the limit is 2.5 % by the definition of U."""
    k = Decimal("2.77644510519779")
    terms: dict[str, Any] = {**TERMS, "factor": k, "rule": DecisionRule.GUARD_BAND}
    outcome = decide(Fraction(64), Fraction(60), low=True, degrees=4, **terms)
    assert outcome.decision is Decision.PASS
    assert outcome.risk == pytest.approx(Decimal("0.025"), abs=Decimal("1e-12"))


def test_a_risk_in_the_far_tail_keeps_its_digits() -> None:
    outcome = _outcome("75", expanded=Decimal(2))
    assert f"{outcome.risk:.2E}" == "7.34E-51"
    assert f"{_outcome('120', expanded=Decimal(6)).risk:.2E}" == "7.62E-24"


def test_a_risk_beyond_all_reason_is_zero_and_no_exponent_of_millions() -> None:
    """As a fraction, 10 to the power of -347 million took minutes and gigabytes."""
    outcome = _outcome("2060", expanded=Decimal("0.1"))
    assert (outcome.decision, outcome.risk, outcome.conformance) == (Decision.FAIL, 0, 0)
    assert str(outcome.risk) == "0"
    assert Fraction(_outcome("2060", expanded=Decimal("0.1"), degrees=4).risk or 0) > 0


def test_the_decimal_context_of_the_caller_changes_nothing() -> None:
    usual = _outcome("63.7", expanded=Decimal("3.7"))
    with localcontext(prec=3):
        assert _outcome("63.7", expanded=Decimal("3.7")) == usual


@pytest.mark.parametrize(
    "wrong",
    [
        pytest.param({"expanded": Decimal(-1)}, id="U below zero"),
        pytest.param({"guard_factor": Decimal("-0.1")}, id="r below zero"),
        pytest.param({"factor": Decimal(0)}, id="k of zero"),
    ],
)
def test_terms_that_make_no_guard_band_are_refused(wrong: dict[str, Decimal]) -> None:
    with pytest.raises(ValueError, match="not negative"):
        _outcome("75", **wrong)


def test_a_window_without_limits_or_with_crossed_ones_is_refused() -> None:
    with pytest.raises(ValueError, match="needs a limit"):
        decide_within(Fraction(75), None, None, rule=DecisionRule.SIMPLE, **TERMS)
    with pytest.raises(ValueError, match="above the upper"):
        decide_within(Fraction(75), Fraction(90), Fraction(60), rule=DecisionRule.SIMPLE, **TERMS)
    with pytest.raises(ValueError, match="above the upper"):
        window_probability(Fraction(75), Fraction(90), Fraction(60), standard=Decimal(1))


def test_a_probability_without_an_uncertainty_is_refused() -> None:
    with pytest.raises(ValueError, match="above zero"):
        conformance_probability(Fraction(75), Fraction(60), low=True, standard=Decimal(0))
    with pytest.raises(ValueError, match="not negative"):
        worst_risk(Decimal(-1))


def test_a_result_that_lies_hundreds_of_standard_uncertainties_out_with_many_degrees_is_decided_at_once() -> None:
    """What is less likely than 1E-300 is given as 0; mpmath does not come to an end there."""
    found = decide(
        Fraction(20), Fraction(2), low=False, rule=DecisionRule.GUARD_BAND, expanded=Fraction(9, 100), factor=Decimal(2),
        guard_factor=Decimal(1), degrees=1_000_000,
    )  # fmt: skip
    assert (found.decision, found.risk, found.conformance) == (Decision.FAIL, 0, 0)
    inside = decide(
        Fraction(-20), Fraction(2), low=False, rule=DecisionRule.GUARD_BAND, expanded=Fraction(9, 100), factor=Decimal(2),
        guard_factor=Decimal(1), degrees=1_000_000,
    )  # fmt: skip
    assert (inside.decision, inside.risk, inside.conformance) == (Decision.PASS, 0, 1)
    assert conformance_probability(Fraction(37), Fraction(0), low=False, standard=Decimal(1), degrees=1_000_000) > 0

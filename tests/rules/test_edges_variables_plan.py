"""Edges, sentences and evidence of the s method. Numbers are invented so that every root is a whole number."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal
from fractions import Fraction
from typing import Any

import mpmath
import pytest

from rules.lot_tables import Severity
from rules.statistics import square_root
from rules.variables_plan import (
    AQLS,
    VariablesPlan,
    _crossing,
    _row,
    acceptance_by_values,
    allowed_share,
    estimated_shares,
    judge_values,
    tolerance_factor,
    variables_plan,
)
from rules.verdict import Finding, Verdict
from schemas.units import Unit


def _plan(k: str = "1", n: int = 3, spread: str | None = None) -> VariablesPlan:
    return VariablesPlan("X", n, Decimal(k), "", "", None if spread is None else Decimal(spread))


def _values(centre: str, step: Fraction = Fraction(1)) -> list[Fraction]:
    """Return three values whose standard deviation is *step*, exactly."""
    return [Fraction(centre) + step * i for i in (-1, 0, 1)]


MEASURED = Finding(
    Verdict.PASS,
    "pieces measured",
    "3 pieces measured, as many as the 3 of the plan",
    found=Fraction(3),
    limit=Decimal(3),
)


# The plan


def test_a_row_of_the_table_lacks_its_cells_on_the_left() -> None:
    assert _row(3, "1.12", ".958") == (3, (None, None, None, Decimal("1.12"), Decimal("0.958")))
    assert _row(5, *"12345") == (5, tuple(map(Decimal, range(1, len(AQLS) + 1))))


def test_a_plan_of_the_table_says_where_it_stands() -> None:
    assert variables_plan("D", Decimal("1.0"), Severity.TIGHTENED) == VariablesPlan(
        "D",
        5,
        Decimal("1.65"),
        "MIL-STD-414, table B-1, letter D, AQL 1.0, tightened inspection",
        "from memory; two values read, the others agree with each other",
    )


@pytest.mark.parametrize(
    ("letter", "aql", "severity", "sentence"),
    [
        pytest.param(
            "A",
            "1.0",
            Severity.NORMAL,
            "plans are held for the code letters B, C, D, E, F, G, H, I, J, K, L, M of MIL-STD-414, not 'A'",
            id="letter",
        ),
        pytest.param(
            "D",
            "2.0",
            Severity.NORMAL,
            "plans are held for an AQL of 0.65, 1.0, 1.5, 2.5, 4.0 percent, not 2.0",
            id="AQL",
        ),
        pytest.param(
            "D",
            "1.0",
            Severity.REDUCED,
            "no plans for reduced inspection are held here: the table was not read",
            id="reduced",
        ),
        pytest.param(
            "D",
            "0.65",
            Severity.TIGHTENED,
            "no plan is held for letter D, AQL 0.65, tightened inspection",
            id="left of the table",
        ),
        pytest.param(
            "B", "1.5", Severity.NORMAL, "no plan is held for letter B, AQL 1.5, normal inspection", id="empty cell"
        ),
    ],
)
def test_a_plan_that_is_not_held_is_refused_in_words(letter: str, aql: str, severity: Severity, sentence: str) -> None:
    with pytest.raises(ValueError, match=f"^{sentence}$"):
        variables_plan(letter, Decimal(aql), severity)


@pytest.mark.parametrize(
    ("k", "n", "spread"),
    [
        pytest.param("1", 2, None, id="two pieces"),
        pytest.param("0", 3, None, id="k of zero"),
        pytest.param("1", 3, "0", id="spread of zero"),
    ],
)
def test_numbers_that_make_no_plan_are_refused_in_words(k: str, n: int, spread: str | None) -> None:
    with pytest.raises(ValueError, match=f"^no plan of the s method has n = {n}, k = {k} and a spread of {spread}$"):
        _plan(k, n, spread)


def test_the_smallest_numbers_that_make_a_plan() -> None:
    plan = _plan("0.5", 3, "0.25")
    assert (plan.n, plan.k, plan.spread) == (3, Decimal("0.5"), Decimal("0.25"))


# One limit


def test_a_mean_just_as_far_inside_a_lower_limit_as_asked_is_enough() -> None:
    assert judge_values(_plan("2"), _values("82"), Decimal("80"), None, Unit.UM) == [
        MEASURED,
        Finding(
            Verdict.PASS,
            "mean less k standard deviations",
            "mean 82.0 µm less 2 times the standard deviation 1.000 µm is 80.0 µm, within the lower limit 80 µm",
            found=Fraction(80),
            limit=Decimal(80),
        ),
    ]


def test_a_mean_too_near_to_an_upper_limit_is_outside() -> None:
    assert judge_values(_plan("2"), _values("82"), None, Decimal("83.96"), Unit.UM) == [
        MEASURED,
        Finding(
            Verdict.FAIL,
            "mean plus k standard deviations",
            "mean 82.0 µm plus 2 times the standard deviation 1.000 µm is 84.0 µm, outside the upper limit 83.96 µm",
            found=Fraction(84),
            limit=Decimal("83.96"),
        ),
    ]


def test_figures_that_would_stand_on_the_limit_have_more_places() -> None:
    lower = judge_values(_plan("2"), _values("81.96"), Decimal("80.0"), None, Unit.UM)[1]
    assert lower.sentence == (
        "mean 82.0 µm less 2 times the standard deviation 1.000 µm is 79.96 µm, outside the lower limit 80.0 µm"
    )
    upper = judge_values(_plan("2"), _values("2.996", Fraction("0.5")), None, Decimal("4.0"), Unit.MIL)[1]
    assert upper.sentence == (
        "mean 3.00 mil plus 2 times the standard deviation 0.5000 mil is 3.996 mil, within the upper limit 4.0 mil"
    )


def test_a_mean_outside_its_limit_is_not_within_it_however_large_the_distance_is() -> None:
    """The square of the distance says nothing of its side."""
    assert [f.verdict for f in judge_values(_plan("2"), _values("70"), Decimal(80), None, Unit.UM)] == [
        Verdict.PASS,
        Verdict.FAIL,
    ]
    assert judge_values(_plan("2"), _values("90"), None, Decimal(80), Unit.UM)[1].verdict is Verdict.FAIL


@pytest.mark.parametrize("deviation", [Fraction(1, 3), Fraction(2, 3), Fraction(3, 7)])
def test_a_standard_deviation_that_is_a_fraction_stays_exact(deviation: Fraction) -> None:
    found = judge_values(_plan("1"), _values("82", deviation), Decimal(80), None, Unit.UM)[1].found
    assert found == 82 - deviation


@pytest.mark.parametrize(
    ("values", "squared"),
    [
        pytest.param([0, 0, 2, 2], Fraction(4, 3), id="over no square"),
        pytest.param([0, 2, 2, 3], Fraction(19, 12), id="neither a square"),
        pytest.param([0, 1, 2, 3, 4], Fraction(5, 2), id="whole numbers, no squares"),
        pytest.param([0, 0, 1], Fraction(1, 3), id="one over no square"),
        pytest.param([Fraction(0), Fraction(0), Fraction(3, 2)], Fraction(3, 4), id="no square over a square"),
    ],
)
def test_another_one_has_34_digits(values: list[Fraction], squared: Fraction) -> None:
    plan = _plan("1", len(values))
    exact = [Fraction(v) for v in values]
    found = judge_values(plan, exact, Decimal(-9), None, Unit.UM)[1].found
    assert found == sum(exact) / len(exact) - Fraction(square_root(squared))


def test_too_few_and_too_many_values_say_so_and_show_nothing() -> None:
    assert judge_values(_plan("2"), _values("82")[:1], Decimal(80), None, Unit.UM) == [
        Finding(
            Verdict.UNDECIDED,
            "pieces measured",
            "1 piece measured, fewer than the 3 of the plan; k 2 belongs to 3 pieces, so nothing is shown",
            found=Fraction(1),
            limit=Decimal(3),
        )
    ]
    (finding,) = judge_values(_plan("2"), [*_values("82"), Fraction(82)], Decimal(80), None, Unit.UM)
    assert finding.sentence == (
        "4 pieces measured, more than the 3 of the plan; k 2 belongs to 3 pieces, so nothing is shown"
    )


# Two limits


def test_a_spread_just_as_large_as_allowed_is_within() -> None:
    findings = judge_values(_plan("0.5", spread="0.125"), _values("80"), Decimal(76), Decimal(84), Unit.UM)
    assert findings[3] == Finding(
        Verdict.PASS,
        "standard deviation",
        "standard deviation 1.0 µm is within 0.125 of the distance of the limits, 1 µm",
        found=Fraction(1),
        limit=Fraction(1),
    )
    assert [f.verdict for f in findings] == [Verdict.PASS] * 4


def test_a_spread_above_what_is_allowed_says_so_with_the_places_that_it_takes() -> None:
    values = _values("80", Fraction("1.004"))
    finding = judge_values(_plan("0.5", spread="0.125"), values, Decimal(76), Decimal(84), Unit.UM)[3]
    assert finding == Finding(
        Verdict.FAIL,
        "standard deviation",
        "standard deviation 1.004 µm is above 0.125 of the distance of the limits, 1 µm",
        found=Fraction("1.004"),
        limit=Fraction(1),
    )


def test_estimated_shares_of_just_what_the_plan_allows_are_within() -> None:
    """k standard deviations inside one limit, and far inside the other: the estimate is what the plan is made for."""
    findings = judge_values(_plan("1"), _values("80"), Decimal(70), Decimal(81), Unit.UM)
    allowed = allowed_share(3, Decimal(1))
    # With n = 3 the beta distribution is that of the arcsine: 2/π · arcsin √(1/2 - √3/4) is 1/6.
    assert allowed == pytest.approx(Decimal(1) / 6, abs=Decimal("1e-14"))
    assert findings[3] == Finding(
        Verdict.PASS,
        "estimated share nonconforming",
        "estimated 0.00 % below the lower and 16.67 % above the upper limit, together 16.67 %, within the 16.67 % that "
        "the plan allows",
        found=Fraction(allowed),
        limit=allowed,
    )


def test_limits_that_make_no_judgement_are_refused_in_words() -> None:
    with pytest.raises(ValueError, match=r"^a lot cannot be judged without a limit$"):
        judge_values(_plan(), _values("80"), None, None, Unit.UM)
    with pytest.raises(ValueError, match=r"^a lower limit is below the upper one, not 9 and 9$"):
        judge_values(_plan(), _values("80"), Decimal(9), Decimal(9), Unit.UM)


# The estimate


def test_a_limit_that_is_not_given_has_no_share_beyond_it() -> None:
    estimate = estimated_shares(_values("80"), None, Decimal(81))
    assert (estimate.below, estimate.total) == (0, estimate.above)
    estimate = estimated_shares(_values("80"), Decimal(79), None)
    assert (estimate.above, estimate.total) == (0, estimate.below)
    both = estimated_shares(_values("80"), Decimal(79), Decimal(81))
    assert both.total == both.below + both.above == 2 * estimate.below


def test_at_the_farthest_that_values_can_lie_the_estimate_is_nothing_or_all() -> None:
    """Of four values none lies more than 3/√4 = 1.5 standard deviations from the mean."""
    assert [allowed_share(4, Decimal(k)) for k in ("1.5", "1.6", "-1.5", "-1.6")] == [0, 0, 1, 1]
    assert allowed_share(4, Decimal(0)) == Decimal("0.5")


def test_too_few_values_for_an_estimate_are_refused_in_words() -> None:
    with pytest.raises(ValueError, match=r"^a share nonconforming is estimated from at least three values$"):
        estimated_shares(_values("80")[:2], None, Decimal(81))


# The operating characteristic


def test_half_of_a_normal_lot_beyond_its_limit_is_accepted_half_of_the_time_with_a_k_of_zero() -> None:
    """Then the mean alone decides, and lies on either side alike."""
    for n in (2, 3, 10):
        assert acceptance_by_values(n, 0, 0.5) == pytest.approx(Decimal("0.5"), abs=Decimal("1e-12"))


def test_two_values_are_accepted_by_the_law_of_cauchy() -> None:
    """Of two values of a lot centred on its limit, t has one degree of freedom: above √2·k with 1/2 - arctan(√2·k)/π."""
    # √2·k = 1 and arctan 1 = π/4.
    k = Decimal("0.70710678118654752440")
    assert acceptance_by_values(2, k, 0.5) == pytest.approx(Decimal("0.25"), abs=Decimal("1e-9"))


def test_a_tolerance_limit_for_half_of_the_lot_at_even_odds_is_the_mean() -> None:
    assert tolerance_factor(2, 0.5, 0.5) == 0
    assert str(tolerance_factor(4, 0.5, 0.5).as_tuple().exponent) == "-8"


def test_a_confidence_below_one_half_asks_for_less_than_the_mean() -> None:
    """Of two values t has one degree of freedom: k = tan(π·(confidence - 1/2)) / √2, here tan(-0.4·π) / √2."""
    assert tolerance_factor(2, 0.5, 0.1) == pytest.approx(Decimal("-2.17625090"), abs=Decimal("1e-7"))


@pytest.mark.parametrize(
    ("n", "content", "confidence", "sentence"),
    [
        pytest.param(1, 0.5, 0.5, "a standard deviation needs at least two values, not 1", id="one value"),
        pytest.param(2, 0, 0.5, "a probability here is between 0 and 1, not 0", id="no content"),
        pytest.param(2, 1, 0.5, "a probability here is between 0 and 1, not 1", id="all content"),
        pytest.param(2, 0.5, 0, "a probability here is between 0 and 1, not 0", id="no confidence"),
        pytest.param(2, 0.5, 1, "a probability here is between 0 and 1, not 1", id="all confidence"),
    ],
)
def test_a_tolerance_limit_that_is_none_is_refused_in_words(
    n: int, content: float, confidence: float, sentence: str
) -> None:
    with pytest.raises(ValueError, match=f"^{sentence}$"):
        tolerance_factor(n, content, confidence)


def test_a_curve_that_is_none_is_refused_in_words() -> None:
    with pytest.raises(ValueError, match=r"^a standard deviation needs at least two values, not 1$"):
        acceptance_by_values(1, 1, 0.1)
    for share in (0, 1):
        with pytest.raises(ValueError, match=f"^a share here is between 0 and 1, not {share}$"):
            acceptance_by_values(2, 1, share)


# How a factor is found


@pytest.mark.parametrize(
    ("falling", "low", "high", "zero"),
    [
        pytest.param(lambda x: 1 - x**9, "0", "1.5", "1", id="steep on the right"),
        pytest.param(lambda x: (mpmath.mpf("1.5") - x) ** 9 - 1, "0", "1.5", "0.5", id="steep on the left"),
        pytest.param(lambda x: 1 - mpmath.exp(5 * x - 2), "-1", "3", "0.4", id="steeper still"),
    ],
)
def test_a_zero_is_found_in_few_steps_although_one_end_would_stay_put(
    falling: Callable[[Any], Any], low: str, high: str, zero: str
) -> None:
    """By false position alone each of these takes hundreds: the flat end moves hardly at all."""
    asked = []

    def counted(x: Any) -> Any:
        asked.append(x)
        return falling(x)

    with mpmath.workdps(20):
        found = _crossing(counted, mpmath.mpf(low), mpmath.mpf(high))
        assert abs(found - mpmath.mpf(zero)) < mpmath.mpf("1e-13")
    assert len(asked) <= 40


def test_a_jump_is_found_where_no_value_is_near_zero() -> None:
    with mpmath.workdps(20):
        third = mpmath.mpf(1) / 3
        found = _crossing(lambda x: mpmath.mpf(1) if x < third else mpmath.mpf(-1), mpmath.mpf(0), mpmath.mpf(1))
        assert abs(found - third) < mpmath.mpf("2e-13")

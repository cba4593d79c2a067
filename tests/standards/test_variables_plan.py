"""The s method against published figures and against what its tables are built on.

Sources, with how well each is known:

* MIL-STD-414, table B-1, normal inspection: from memory. Read anchors: letter I, AQL 1.0 tightened, n = 25, k = 1.98 (help
  output of the R package Planesmuestra); k = 1.57 and F = 0.266 (a German regulation with the same form of test).
* MIL-STD-414, example B-1 (upper limit 209, lot of 40, level IV, AQL 1.0, so letter D): from memory; data and printed
  results agree (s is printed as 8.81, and is 8.803).
* OIML R 138, Annex A.2, by ISO 3951:1989, letter J, AQL 2.5: n = 35 and letter read; that k and F belong to it inferred.
* MIL-STD-414, table B-3 (M in percent) for the cells named below: from memory.
* One-sided normal tolerance factors, 90 % content, 95 % confidence: derived, non-central t.
* scipy.stats: a second implementation of the normal, beta and non-central t distributions.
"""

from __future__ import annotations

import random
from decimal import Decimal
from fractions import Fraction
from math import isnan, sqrt
from statistics import mean, stdev

import pytest
from scipy import integrate, stats

from rules.lot_tables import Severity
from rules.statistics import standard_deviation
from rules.variables_plan import (
    AQLS,
    ISO_3951_J,
    K_TABLE,
    VariablesPlan,
    acceptance_by_values,
    allowed_share,
    estimated_shares,
    judge_values,
    tolerance_factor,
    variables_plan,
)
from rules.verdict import Verdict, overall
from schemas.units import Unit

TABLE_B_1 = """
B 3 - - - 1.12 .958
C 4 - 1.45 1.34 1.17 1.01
D 5 1.65 1.53 1.40 1.24 1.07
E 7 1.75 1.62 1.50 1.33 1.15
F 10 1.84 1.72 1.58 1.41 1.23
G 15 1.91 1.79 1.65 1.47 1.30
H 20 1.96 1.82 1.69 1.51 1.33
I 25 1.98 1.85 1.72 1.53 1.35
J 30 2.00 1.86 1.73 1.55 1.36
K 35 2.03 1.89 1.76 1.57 1.39
L 40 2.03 1.89 1.76 1.58 1.39
M 50 2.08 1.93 1.80 1.61 1.42
"""
#: Letter: M in percent at AQL 1.0, 1.5, 2.5 and 4.0 (from memory).
TABLE_B_3 = {
    "D": ("3.32", "5.83", "9.80", "14.39"),
    "F": ("3.26", "4.77", "7.29", "10.54"),
    "H": ("2.95", "4.09", "6.17", "8.92"),
    "K": ("2.68", "3.70", "5.57", "8.10"),
}
EXAMPLE = [Decimal(value) for value in (197, 188, 184, 205, 201)]
LETTER_D = variables_plan("D", Decimal("1.0"))


def _cells() -> list[tuple[str, int, Decimal, Decimal]]:
    return [
        (letter, n, aql, k)
        for letter, (n, row) in K_TABLE.items()
        for aql, k in zip(AQLS, row, strict=True)
        if k is not None
    ]


def _verdict(plan: VariablesPlan, values: list[Decimal], lower: str | None, upper: str | None) -> Verdict:
    limits = [None if limit is None else Decimal(limit) for limit in (lower, upper)]
    return overall(judge_values(plan, values, limits[0], limits[1], Unit.UM))


# The table


def test_every_k_is_that_of_table_b_1() -> None:
    for line in TABLE_B_1.strip().splitlines():
        letter, n, *cells = line.split()
        for cell, aql in zip(cells, AQLS, strict=True):
            if cell == "-":
                with pytest.raises(ValueError, match="no plan is held"):
                    variables_plan(letter, aql)
            else:
                plan = variables_plan(letter, aql)
                assert (int(n), Decimal(cell)) == (plan.n, plan.k)
    assert len(TABLE_B_1.strip().splitlines()) == len(K_TABLE)


def test_the_two_read_anchors_agree() -> None:
    tightened = variables_plan("I", Decimal("1.0"), Severity.TIGHTENED)
    assert (25, Decimal("1.98")) == (tightened.n, tightened.k)
    same_size = variables_plan("K", Decimal("2.5"))
    assert (ISO_3951_J.n, ISO_3951_J.k) == (same_size.n, same_size.k)


@pytest.mark.parametrize("letter", K_TABLE)
def test_within_a_letter_a_lot_at_its_aql_is_accepted_with_one_probability(letter: str) -> None:
    """The values agree with each other (derived): one misremembered by a few hundredths would stand out. By scipy."""
    n, row = K_TABLE[letter]
    accepted = [
        stats.nct.sf(float(k) * sqrt(n), n - 1, stats.norm.isf(float(aql) / 100) * sqrt(n))
        for aql, k in zip(AQLS, row, strict=True)
        if k is not None
    ]
    assert max(accepted) - min(accepted) < 0.0062
    assert 0.88 < min(accepted) < 0.96


@pytest.mark.parametrize("letter", TABLE_B_3)
def test_the_share_allowed_at_k_is_m_as_far_as_k_is_rounded(letter: str) -> None:
    for aql, printed in zip(AQLS[1:], TABLE_B_3[letter], strict=True):
        plan = variables_plan(letter, aql)
        half = Decimal("0.005")
        lowest, highest = allowed_share(plan.n, plan.k + half) * 100, allowed_share(plan.n, plan.k - half) * 100
        assert lowest - half <= Decimal(printed) <= highest + half


def test_a_plan_that_is_not_held_is_refused() -> None:
    with pytest.raises(ValueError, match="not 'A'"):
        variables_plan("A", Decimal("1.0"))
    with pytest.raises(ValueError, match="percent, not 6.5"):
        variables_plan("D", Decimal("6.5"))
    with pytest.raises(ValueError, match="no plan is held for letter D, AQL 0.65, tightened"):
        variables_plan("D", Decimal("0.65"), Severity.TIGHTENED)
    with pytest.raises(ValueError, match="reduced"):
        variables_plan("D", Decimal("1.0"), Severity.REDUCED)


# One limit


def test_the_published_example_is_accepted_with_its_printed_figures() -> None:
    assert (5, Decimal("1.53")) == (LETTER_D.n, LETTER_D.k)
    s = standard_deviation(EXAMPLE)
    assert round(s, 3) == Decimal("8.803")
    assert round((209 - Decimal(195)) / s, 3) == Decimal("1.590")
    findings = judge_values(LETTER_D, EXAMPLE, None, Decimal(209), Unit.UM)
    assert overall(findings) is Verdict.PASS
    assert findings[1].sentence == (
        "mean 195.0 µm plus 1.53 times the standard deviation 8.803 µm is 208.5 µm, within the upper limit 209 µm"
    )


def test_the_mirrored_example_is_judged_alike_at_a_lower_limit() -> None:
    mirrored = [400 - value for value in EXAMPLE]
    assert _verdict(LETTER_D, mirrored, "191", None) is Verdict.PASS
    assert _verdict(LETTER_D, mirrored, "191.6", None) is Verdict.FAIL
    assert _verdict(LETTER_D, EXAMPLE, None, "208.4") is Verdict.FAIL


def test_a_mean_just_k_standard_deviations_inside_is_accepted_and_a_hair_less_is_not() -> None:
    """0, 0, 2, 4 and 4 have the mean 2 and s = 2, so that mean + 1.53·s is 5.06, exactly."""
    values = [Decimal(value) for value in (0, 0, 2, 4, 4)]
    assert standard_deviation(values) == 2
    assert _verdict(LETTER_D, values, None, "5.06") is Verdict.PASS
    assert _verdict(LETTER_D, values, None, "5.0599999999999999999999999999999999999999") is Verdict.FAIL
    assert _verdict(LETTER_D, values, "-1.06", None) is Verdict.PASS
    assert _verdict(LETTER_D, values, "-1.0599999999999999999999999999999999999999", None) is Verdict.FAIL


def test_values_all_alike_are_accepted_on_the_limit_and_not_beyond_it() -> None:
    alike = [Decimal(60)] * 5
    assert _verdict(LETTER_D, alike, "60", None) is Verdict.PASS
    assert _verdict(LETTER_D, alike, "60.1", None) is Verdict.FAIL
    assert _verdict(LETTER_D, alike, "60", "80") is Verdict.PASS
    assert _verdict(LETTER_D, alike, "61", "80") is Verdict.FAIL


def test_any_other_number_of_values_than_the_plan_asks_for_is_undecided() -> None:
    assert _verdict(LETTER_D, EXAMPLE[:4], None, "209") is Verdict.UNDECIDED
    assert _verdict(LETTER_D, [*EXAMPLE, Decimal(195)], None, "209") is Verdict.UNDECIDED
    assert _verdict(LETTER_D, [], None, "209") is Verdict.UNDECIDED
    for values in (EXAMPLE[:4], [*EXAMPLE, Decimal(195)]):
        (finding,) = judge_values(LETTER_D, values, None, Decimal(150), Unit.UM)
        assert "k 1.53 belongs to 5 pieces, so nothing is shown" in finding.sentence


def test_without_a_limit_or_with_limits_the_wrong_way_round_there_is_nothing_to_judge() -> None:
    with pytest.raises(ValueError, match="without a limit"):
        judge_values(LETTER_D, EXAMPLE, None, None, Unit.UM)
    with pytest.raises(ValueError, match="below the upper one"):
        judge_values(LETTER_D, EXAMPLE, Decimal(9), Decimal(9), Unit.UM)
    with pytest.raises(ValueError, match="no plan of the s method"):
        VariablesPlan("X", 2, Decimal(1), "", "")


# Two limits


def test_the_two_limit_rule_of_oiml_r_138_has_three_conditions() -> None:
    """Accept if mean + k·s <= U, mean - k·s >= L and s <= F(U - L): computed here in floats, away from the limits."""
    rng = random.Random(3951)
    seen = set()
    for _ in range(300):
        centre, spread = rng.uniform(70, 90), rng.uniform(1, 16)
        values = [Decimal(f"{rng.gauss(centre, spread):.1f}") for _ in range(35)]
        floats = [float(value) for value in values]
        m, s = mean(floats), stdev(floats)
        conditions = (m + 1.57 * s <= 110, m - 1.57 * s >= 60, s <= 0.266 * 50)
        expected = Verdict.PASS if all(conditions) else Verdict.FAIL
        assert _verdict(ISO_3951_J, values, "60", "110") is expected
        seen.add(conditions)
    assert len(seen) >= 4


def test_the_factor_of_the_spread_follows_from_k_as_far_as_k_is_rounded() -> None:
    """At the largest s the mean is midway and half of M lies beyond each limit (derived): the two constants fit."""
    factors = []
    for k in (Decimal("1.575"), Decimal("1.565")):
        share = float(allowed_share(35, k)) / 2
        q = (0.5 - stats.beta.ppf(share, 16.5, 16.5)) * 2 * 34 / sqrt(35)
        factors.append(1 / (2 * q))
    assert factors[0] - 0.0005 <= 0.266 <= factors[1] + 0.0005


def test_two_limits_that_are_each_met_can_together_be_failed() -> None:
    """Each limit alone allows 3.23 %; with 2 % and more beyond each of the two, the lot is not accepted."""
    assert _verdict(LETTER_D, EXAMPLE, "181", None) is Verdict.PASS
    assert _verdict(LETTER_D, EXAMPLE, None, "209") is Verdict.PASS
    findings = judge_values(LETTER_D, EXAMPLE, Decimal(181), Decimal(209), Unit.UM)
    assert [finding.verdict for finding in findings] == [Verdict.PASS, Verdict.PASS, Verdict.PASS, Verdict.FAIL]
    assert findings[-1].sentence == (
        "estimated 2.18 % below the lower and 2.18 % above the upper limit, together 4.36 %, above the 3.23 % that the "
        "plan allows"
    )
    assert _verdict(LETTER_D, EXAMPLE, "178", "209") is Verdict.PASS


def test_a_limit_far_off_adds_nothing() -> None:
    assert estimated_shares(EXAMPLE, Decimal(0), Decimal(209)).below == 0
    assert _verdict(LETTER_D, EXAMPLE, "0", "209") is Verdict.PASS


# The estimate


def test_the_estimate_of_the_published_example_is_the_published_one() -> None:
    """MIL-STD-414, example B-2, the same data by the second form: 2.19 percent for Q = 1.59 (from memory)."""
    estimate = estimated_shares(EXAMPLE, None, Decimal(209)).above * 100
    assert abs(estimate - Decimal("2.19")) < Decimal("0.01")


@pytest.mark.parametrize("n", [3, 4, 5, 10, 35])
def test_the_estimate_agrees_with_the_beta_distribution_of_scipy(n: int) -> None:
    rng = random.Random(n)
    values = [Decimal(f"{rng.gauss(70, 5):.1f}") for _ in range(n)]
    floats = [float(value) for value in values]
    for limit in (40, 65, 70, 76.5, 85, 300):
        q = (limit - mean(floats)) / stdev(floats)
        x = min(1.0, max(0.0, 0.5 - q * sqrt(n) / (2 * (n - 1))))
        expected = stats.beta.cdf(x, n / 2 - 1, n / 2 - 1)
        found = estimated_shares(values, None, Decimal(str(limit)))
        assert float(found.above) == pytest.approx(expected, rel=1e-9, abs=1e-12)
        assert float(estimated_shares(values, Decimal(str(limit)), None).below) == pytest.approx(
            1 - expected, rel=1e-9, abs=1e-12
        )


@pytest.mark.parametrize("n", [5, 10, 35])
@pytest.mark.parametrize("share", [0.01, 0.05, 0.3])
def test_the_estimate_is_unbiased(n: int, share: float) -> None:
    """Its mean over the non-central t distribution of √n·Q is the share itself: the property that defines it."""
    centre = stats.norm.isf(share) * sqrt(n)

    def weighted(t: float) -> float:
        x = min(1.0, max(0.0, 0.5 - t / (2 * (n - 1))))
        density = stats.nct.pdf(t, n - 1, centre)
        # Far out, where there is nothing left of it, scipy gives no number.
        return 0.0 if isnan(density) else float(stats.beta.cdf(x, n / 2 - 1, n / 2 - 1) * density)

    inside, _ = integrate.quad(weighted, -(n - 1), n - 1, limit=200)
    beyond = stats.nct.sf(n - 1, n - 1, -centre)
    assert inside + beyond == pytest.approx(share, abs=1e-6)


def test_the_estimate_needs_three_values() -> None:
    with pytest.raises(ValueError, match="at least three"):
        estimated_shares(EXAMPLE[:2], None, Decimal(209))


def test_all_values_beyond_a_limit_leave_all_of_the_lot_there_when_they_are_alike() -> None:
    alike = [Fraction(50)] * 4
    assert (
        estimated_shares(alike, Decimal(60), Decimal(80)).below,
        estimated_shares(alike, None, Decimal(50)).above,
    ) == (1, 0)


# The operating characteristic


@pytest.mark.parametrize(("letter", "n", "aql", "k"), _cells()[::5])
def test_the_probability_of_acceptance_is_that_of_the_non_central_t_of_scipy(
    letter: str, n: int, aql: Decimal, k: Decimal
) -> None:
    for share in (float(aql) / 100, 0.1):
        expected = stats.nct.sf(float(k) * sqrt(n), n - 1, stats.norm.isf(share) * sqrt(n))
        assert float(acceptance_by_values(n, k, share)) == pytest.approx(expected, abs=1e-9), letter


@pytest.mark.parametrize(("n", "factor"), [(5, "3.4066"), (10, "2.3546"), (43, "1.6796")])
def test_the_one_sided_tolerance_factors_are_the_known_ones(n: int, factor: str) -> None:
    """90 % content, 95 % confidence; and scipy's non-central t."""
    found = tolerance_factor(n, Decimal("0.9"), Decimal("0.95"))
    assert round(found, 4) == Decimal(factor)
    expected = stats.nct.ppf(0.95, n - 1, stats.norm.ppf(0.9) * sqrt(n)) / sqrt(n)
    assert float(found) == pytest.approx(expected, abs=1e-7)


def test_what_has_no_curve_is_refused() -> None:
    with pytest.raises(ValueError, match="at least two values"):
        acceptance_by_values(1, 1, 0.1)
    with pytest.raises(ValueError, match="between 0 and 1"):
        acceptance_by_values(5, 1, 0)
    with pytest.raises(ValueError, match="at least two values"):
        tolerance_factor(1, 0.9, 0.95)
    with pytest.raises(ValueError, match="between 0 and 1"):
        tolerance_factor(5, 0.9, 1)

"""A gauge study by both methods against a published study, its table of factors, and independent libraries.

Sources:

* AIAG, Measurement Systems Analysis, 4th edition, study of 10 parts, 3 operators and 3 trials. Data: read in public
  copies. Results of average and range: read, recomputed. Sums of squares and components of the analysis of
  variance: derived from the data, and compared with statsmodels below; the four components that are remembered from
  the manual (0.0400, 0.0515, 0.0914, 1.0864) agree.
* Factors: K1 for 3 trials, K2 for 3 operators and K3 for 10 parts read on a public page; the others from memory.
* d2 and d3: their definition, with the distribution of the range from scipy.
"""

from __future__ import annotations

import json
from decimal import Decimal
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from scipy import stats
from statsmodels.stats.anova import anova_lm

from rules.gauge_study import D2, D3, Source, average_and_range, range_divisor, range_factor, variance_study

DATA = json.loads((Path(__file__).parent / "aiag_grr.json").read_text(encoding="utf-8"))["data"]
#: Operator, part, trials.
AIAG = {
    operator: {
        f"part {part}": [Decimal(value) for value in values]
        for part, values in enumerate(zip(*trials, strict=True), start=1)
    }
    for operator, trials in DATA.items()
}
#: Invented: the operators do not agree on which part is thicker, so that the interaction is plain.
AT_ODDS = {
    "Ruta": {
        "hinge": [Decimal("2.10"), Decimal("2.14")],
        "latch": [Decimal("2.71"), Decimal("2.69")],
        "rail": [Decimal("3.20"), Decimal("3.31")],
    },
    "Emre": {
        "hinge": [Decimal("2.51"), Decimal("2.55")],
        "latch": [Decimal("2.50"), Decimal("2.44")],
        "rail": [Decimal("3.02"), Decimal("2.95")],
    },
}


def _frame(study: dict[str, dict[str, list[Decimal]]]) -> pd.DataFrame:
    rows = [(operator, part, float(x)) for operator, parts in study.items() for part, xs in parts.items() for x in xs]
    return pd.DataFrame(rows, columns=["operator", "part", "y"])


def test_the_interim_results_of_average_and_range_are_the_published_ones() -> None:
    found = average_and_range(AIAG)
    assert [f"{float(summary.mean_range):.4f}" for summary in found.operators] == ["0.1840", "0.5130", "0.3280"]
    assert [summary.operator for summary in found.operators] == ["A", "B", "C"]
    assert f"{float(found.mean_range):.5f}" == "0.34167"
    assert f"{float(found.operator_difference):.5f}" == "0.44467"
    assert f"{float(found.part_range):.5f}" == "3.51111"
    factors = (found.trial_factor, found.operator_factor, found.part_factor)
    assert [str(factor) for factor in factors] == ["0.5908", "0.5231", "0.3146"]


def test_the_results_of_average_and_range_are_the_published_ones() -> None:
    found = average_and_range(AIAG).contributions
    assert {row.source: (f"{row.deviation:.5f}", f"{row.percent_variation:.1f}") for row in found.rows} == {
        Source.REPEATABILITY: ("0.20186", "17.6"),
        Source.REPRODUCIBILITY: ("0.22967", "20.0"),
        Source.GAUGE: ("0.30577", "26.7"),
        Source.PART: ("1.10460", "96.4"),
        Source.TOTAL: ("1.14613", "100.0"),
    }
    assert (f"{found.category_ratio:.2f}", found.categories) == ("5.09", 5)


def test_the_table_of_the_analysis_of_variance_comes_out() -> None:
    table = variance_study(AIAG).with_interaction.table
    assert [(row.source, row.degrees, f"{float(row.sum_of_squares):.6f}") for row in table] == [
        (Source.PART, 9, "88.361934"),
        (Source.OPERATOR, 2, "3.167262"),
        (Source.INTERACTION, 18, "0.358982"),
        (Source.REPEATABILITY, 60, "2.758933"),
    ]
    assert [f"{float(row.mean_square):.7f}" for row in table] == ["9.8179927", "1.5836311", "0.0199435", "0.0459822"]
    assert [f"{float(row.ratio or 0):.4f}" for row in table[:3]] == ["492.2914", "79.4060", "0.4337"]
    assert f"{table[2].probability:.4f}" == "0.9741"
    assert f"{float(variance_study(AIAG).sum_of_squares):.6f}" == "94.647112"


def test_the_interaction_is_pooled_and_the_pooled_table_comes_out() -> None:
    found = variance_study(AIAG)
    assert found.is_pooled
    assert found.chosen is found.pooled
    error = found.pooled.row(Source.REPEATABILITY)
    assert (error.degrees, f"{float(error.mean_square):.7f}") == (78, "0.0399733")
    ratios = [f"{float(found.pooled.row(source).ratio or 0):.4f}" for source in (Source.PART, Source.OPERATOR)]
    assert ratios == ["245.6139", "39.6172"]


def test_the_pooled_components_come_out() -> None:
    found = variance_study(AIAG).pooled.contributions
    assert {row.source: (f"{float(row.variance):.7f}", f"{row.deviation:.6f}") for row in found.rows} == {
        Source.REPEATABILITY: ("0.0399733", "0.199933"),
        Source.OPERATOR: ("0.0514553", "0.226838"),
        Source.REPRODUCIBILITY: ("0.0514553", "0.226838"),
        Source.GAUGE: ("0.0914285", "0.302372"),
        Source.PART: ("1.0864466", "1.042327"),
        Source.TOTAL: ("1.1778751", "1.085300"),
    }
    gauge = found.of(Source.GAUGE)
    assert (f"{gauge.percent_contribution:.2f}", f"{gauge.percent_variation:.2f}") == ("7.76", "27.86")
    assert (f"{found.category_ratio:.2f}", found.categories) == ("4.86", 4)


def test_the_components_with_the_interaction_come_out_and_the_interaction_is_below_zero() -> None:
    found = variance_study(AIAG).with_interaction.contributions
    interaction = found.of(Source.INTERACTION)
    assert interaction.below_zero
    assert (interaction.variance, interaction.deviation) == (0, 0)
    variances = {row.source: f"{float(row.variance):.7f}" for row in found.rows}
    assert variances[Source.REPEATABILITY] == "0.0459822"
    assert variances[Source.OPERATOR] == "0.0521229"
    assert variances[Source.PART] == "1.0886721"
    assert variances[Source.GAUGE] == "0.0981051"


def test_the_two_methods_count_different_categories_and_both_are_right() -> None:
    by_range, by_variance = average_and_range(AIAG).contributions, variance_study(AIAG).chosen.contributions
    assert (by_range.categories, by_variance.categories) == (5, 4)


@pytest.mark.parametrize("study", [AIAG, AT_ODDS], ids=["published", "with an interaction"])
def test_the_analysis_of_variance_is_that_of_statsmodels(study: dict[str, dict[str, list[Decimal]]]) -> None:
    found = variance_study(study)
    frame = _frame(study)
    full = anova_lm(smf.ols("y ~ C(part) * C(operator)", frame).fit(), typ=2)
    additive = anova_lm(smf.ols("y ~ C(part) + C(operator)", frame).fit(), typ=2)
    assert [float(row.sum_of_squares) for row in found.with_interaction.table] == pytest.approx(list(full["sum_sq"]))
    assert [row.degrees for row in found.with_interaction.table] == list(full["df"])
    interaction = found.with_interaction.row(Source.INTERACTION)
    assert float(interaction.probability or 0) == pytest.approx(full["PR(>F)"].iloc[2], rel=1e-9)
    assert [float(row.sum_of_squares) for row in found.pooled.table] == pytest.approx(list(additive["sum_sq"]))
    probabilities = [float(row.probability or 0) for row in found.pooled.table[:2]]
    assert probabilities == pytest.approx(list(additive["PR(>F)"].iloc[:2]), rel=1e-6, abs=1e-25)


def test_the_components_are_those_of_the_closed_form() -> None:
    """Expected mean squares of the crossed random model (any textbook): interaction, then operator and part over it."""
    values = np.array([[[float(x) for x in xs] for xs in parts.values()] for parts in AT_ODDS.values()])
    o, p, n = values.shape
    cells, operators, parts, whole = values.mean(2), values.mean((1, 2)), values.mean((0, 2)), values.mean()
    within = ((values - cells[..., None]) ** 2).sum() / (o * p * (n - 1))
    crossed = cells - operators[:, None] - parts + whole
    between = n * (crossed**2).sum() / ((o - 1) * (p - 1))
    of_operator = (p * n * ((operators - whole) ** 2).sum() / (o - 1) - between) / (p * n)
    of_part = (o * n * ((parts - whole) ** 2).sum() / (p - 1) - between) / (o * n)
    found = variance_study(AT_ODDS)
    assert not found.is_pooled
    estimates = {row.source: float(row.estimate) for row in found.chosen.contributions.rows}
    assert estimates[Source.REPEATABILITY] == pytest.approx(within)
    assert estimates[Source.INTERACTION] == pytest.approx((between - within) / n)
    assert estimates[Source.OPERATOR] == pytest.approx(of_operator)
    assert estimates[Source.PART] == pytest.approx(of_part)


def test_the_printed_factors_come_out() -> None:
    many = 30
    assert [str(range_factor(trials, many)) for trials in (2, 3)] == ["0.8862", "0.5908"]
    assert [str(range_factor(operators, 1)) for operators in (2, 3)] == ["0.7071", "0.5231"]
    printed = ["0.7071", "0.5231", "0.4467", "0.4030", "0.3742", "0.3534", "0.3375", "0.3249", "0.3146"]
    assert [str(range_factor(parts, 1)) for parts in range(2, 11)] == printed


@pytest.mark.parametrize("size", D2)
def test_d2_and_d3_are_the_mean_and_the_standard_deviation_of_the_range(size: int) -> None:
    """The range of a normal sample is the studentized range with infinitely many degrees of freedom."""
    w = np.linspace(0, 12, 4001)
    beyond = stats.studentized_range.sf(w, size, np.inf)
    first, second = np.trapezoid(beyond, w), np.trapezoid(2 * w * beyond, w)
    assert float(D2[size]) == pytest.approx(first, abs=3e-6)
    assert float(D3[size]) == pytest.approx(np.sqrt(second - first**2), abs=3e-6)


def test_the_divisor_makes_the_square_right_on_average_and_falls_towards_d2() -> None:
    """d2* is what makes the mean of (mean range / d2*)² the variance: the mean of R² is d2² + d3²/g (definition)."""
    divisors = [range_divisor(3, ranges) for ranges in range(1, 17)]
    assert all(later < earlier for earlier, later in pairwise(divisors))
    assert divisors[-1] == D2[3]
    assert float(divisors[3]) ** 2 == pytest.approx(float(D2[3]) ** 2 + float(D3[3]) ** 2 / 4)

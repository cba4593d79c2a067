"""The interval of a share, against published values and two libraries, and why it is this one."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction
from math import sqrt

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom, binomtest, norm
from statsmodels.stats.proportion import proportion_confint

from rules.proportion import wilson_interval


@pytest.mark.parametrize(
    ("found", "of", "low", "high"),
    [
        (81, 263, "0.2553", "0.3662"),
        (15, 148, "0.0624", "0.1605"),
        (0, 20, "0.0000", "0.1611"),
        (1, 29, "0.0061", "0.1718"),
    ],
)
def test_the_interval_is_that_of_newcombe_s_table(found: int, of: int, low: str, high: str) -> None:
    """R. G. Newcombe, Statistics in Medicine 17 (1998), 857-872, table I, method 3, score without correction (from memory)."""
    assert [f"{float(bound):.4f}" for bound in wilson_interval(found, of)] == [low, high]


def test_the_interval_of_none_is_that_of_agresti_s_example() -> None:
    """A. Agresti, Categorical Data Analysis, 2nd ed. (2002), 1.4.3: 0 of 25, score interval 0.0 to 0.133 (from memory)."""
    assert [f"{float(bound):.3f}" for bound in wilson_interval(0, 25)] == ["0.000", "0.133"]


@pytest.mark.parametrize(("found", "of", "coverage"), [(4, 20, 0.9), (1, 6, 0.95), (3, 3, 0.95), (17, 400, 0.99)])
def test_the_interval_is_that_of_the_handbook_s_formula(found: int, of: int, coverage: float) -> None:
    """NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.4.1 (read: a draft of that page)."""
    share, z = found / of, norm.isf((1 - coverage) / 2)
    half = z * sqrt(share * (1 - share) / of + z**2 / (4 * of**2))
    limits = [(share + z**2 / (2 * of) + way * half) / (1 + z**2 / of) for way in (-1, 1)]
    assert [float(bound) for bound in wilson_interval(found, of, Decimal(str(coverage)))] == pytest.approx(limits)


@pytest.mark.parametrize("of", [3, 5, 6, 10, 20, 40])
def test_it_holds_as_often_as_it_says_over_all_shares_where_the_exact_one_is_too_wide(of: int) -> None:
    """Brown, Cai and DasGupta (2001, read: abstract) recommend it for small numbers; reckoned here with scipy's binomial."""
    shares = np.linspace(0.0005, 0.9995, 1000)
    chances = binom.pmf(np.arange(of + 1)[:, None], of, shares)
    exact = [binomtest(found, of).proportion_ci(0.95, "exact") for found in range(of + 1)]

    def holds(ends: list[tuple[float, float]]) -> np.ndarray:
        low, high = np.array(ends).T[:, :, None]
        held: np.ndarray = (chances * ((low <= shares) & (shares <= high))).sum(axis=0)
        return held

    ours = [(float(low), float(high)) for low, high in (wilson_interval(found, of) for found in range(of + 1))]
    theirs = [(one.low, one.high) for one in exact]
    assert holds(ours).mean() == pytest.approx(0.953, abs=0.004)
    assert holds(ours).min() > 0.82
    assert holds(theirs).mean() > holds(ours).mean() + 0.015
    # How much wider the exact one is, over all shares.
    widths = [
        (chances * np.array([high - low for low, high in ends])[:, None]).sum(axis=0).mean() for ends in (ours, theirs)
    ]
    assert 1.08 < widths[1] / widths[0] < 1.26


@given(
    st.integers(1, 5000).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))), st.sampled_from([0.8, 0.95, 0.99])
)
def test_the_interval_is_that_of_two_libraries(share: tuple[int, int], coverage: float) -> None:
    """scipy.stats.binomtest(...).proportion_ci("wilson") and statsmodels' proportion_confint(method="wilson")."""
    found, of = share
    ours = [float(bound) for bound in wilson_interval(found, of, Decimal(str(coverage)))]
    scipys = binomtest(found, of).proportion_ci(coverage, "wilson")
    models = proportion_confint(found, of, alpha=1 - coverage, method="wilson")
    assert ours == pytest.approx([scipys.low, scipys.high], abs=1e-9)
    assert ours == pytest.approx([float(bound) for bound in models], abs=1e-9)


@given(st.integers(1, 500).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))))
def test_the_share_lies_in_its_interval_and_the_interval_between_none_and_all(share: tuple[int, int]) -> None:
    found, of = share
    low, high = wilson_interval(found, of)
    assert 0 <= low <= Fraction(found, of) <= high <= 1


@pytest.mark.parametrize(("found", "of"), [(0, 0), (-1, 5), (6, 5)])
def test_what_is_no_share_has_no_interval(found: int, of: int) -> None:
    with pytest.raises(ValueError, match="is no share"):
        wilson_interval(found, of)


@pytest.mark.parametrize("coverage", ["-0.5", "0", "1"])
def test_what_is_no_coverage_is_refused(coverage: str) -> None:
    with pytest.raises(ValueError, match="a coverage is between 0 and 1"):
        wilson_interval(1, 5, Decimal(coverage))

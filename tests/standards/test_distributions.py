"""Quantiles and tails against an independent library: scipy.stats."""

from __future__ import annotations

import pytest
from scipy import stats

from rules.distributions import (
    chi_square_quantile,
    f_survival,
    noncentrality_bound,
    normal_cdf,
    normal_quantile,
    t_cdf,
    t_quantile,
)


@pytest.mark.parametrize("z", [-6.0, -1.96, 0.0, 0.83, 1.4, 3.0])
def test_the_normal_distribution_agrees_with_scipy(z: float) -> None:
    assert float(normal_cdf(z)) == pytest.approx(stats.norm.cdf(z), rel=1e-11)
    if z > -6:
        assert float(normal_quantile(float(stats.norm.cdf(z)))) == pytest.approx(z, abs=1e-9)


@pytest.mark.parametrize("degrees", [1, 2, 4, 16, 16.75, 50, 400])
@pytest.mark.parametrize("probability", [0.00001, 0.005, 0.025, 0.3, 0.5, 0.9, 0.95, 0.975, 0.995, 0.9999])
def test_students_t_agrees_with_scipy(degrees: float, probability: float) -> None:
    found = float(t_quantile(probability, degrees))
    assert found == pytest.approx(stats.t.ppf(probability, degrees), rel=1e-9, abs=1e-12)
    assert float(t_cdf(found, degrees)) == pytest.approx(probability, rel=1e-9)


@pytest.mark.parametrize(("f", "d1", "d2"), [(0.43372, 18, 60), (1.0, 3, 7), (79.406, 2, 18), (492.2914, 9, 18)])
def test_the_tail_of_f_agrees_with_scipy(f: float, d1: int, d2: int) -> None:
    assert float(f_survival(f, d1, d2)) == pytest.approx(stats.f.sf(f, d1, d2), rel=1e-9)


@pytest.mark.parametrize("probability", [0, 1, -0.1, 1.1])
def test_a_probability_that_is_none_is_refused(probability: float) -> None:
    with pytest.raises(ValueError, match="between 0 and 1"):
        normal_quantile(probability)
    with pytest.raises(ValueError, match="between 0 and 1"):
        t_quantile(probability, 5)


@pytest.mark.parametrize("degrees", [1, 2.5, 19, 60.4, 400])
@pytest.mark.parametrize("probability", [0.005, 0.025, 0.5, 0.975])
def test_chi_square_agrees_with_scipy(degrees: float, probability: float) -> None:
    assert float(chi_square_quantile(probability, degrees)) == pytest.approx(
        stats.chi2.ppf(probability, degrees), rel=1e-9
    )


@pytest.mark.parametrize("degrees", [1, 2, 4, 24, 124, 400])
@pytest.mark.parametrize("t", [-3.0, 0.0, 2.0, 10.0, 30.0])
def test_the_bound_of_a_non_centrality_agrees_with_scipy(t: float, degrees: int) -> None:
    bound = float(noncentrality_bound(t, degrees, 0.95))
    assert stats.nct.cdf(t, degrees, bound) == pytest.approx(0.95, abs=1e-6)


def test_degrees_that_are_none_are_refused() -> None:
    with pytest.raises(ValueError, match="degrees of freedom are above zero"):
        chi_square_quantile(0.5, 0)
    with pytest.raises(ValueError, match="degrees of freedom are at least 1"):
        noncentrality_bound(1.0, 0, 0.95)

"""The interval of a share, against published values and two libraries."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binomtest
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

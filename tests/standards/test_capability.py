"""Capability indices against a published example, scipy's distributions, and how often the intervals cover.

Sources:

* NIST/SEMATECH e-Handbook of Statistical Methods, 6.1.6: definitions read; its example (limits 8 and 20, mean 16, s = 2: Cp 1.0,
  Cpk 0.6667) from memory.
* Limits 38 and 62, s = 1.75 from 20 figures: Cp 2.29, upper end 3.01 (read, a page of solved problems; its lower end of 1.67 is
  that of one side alone, at 95 %); 1.57 to 3.01 in Montgomery, Introduction to Statistical Quality Control (from memory).
* Bissell's interval for Cpk as Rodriguez restates it in the Journal of Quality Technology, 1992 (read).
* One-sided tolerance factors of a normal population, 95 % with 95 % confidence, 2.292 for 25 figures and 2.220 for 30 (tables in many
  handbooks, from memory; scipy agrees): the same distribution asked the other way round.
"""

from __future__ import annotations

import math
from decimal import Decimal
from fractions import Fraction

import numpy as np
import pytest
from scipy import stats

from rules.capability import Index, capability, index_of_side, index_of_window

CONFIDENCE = Decimal("0.95")


def _figures(n: int, mean: str, s: str) -> list[Decimal]:
    """Return *n* figures, an even number, with this mean and this standard deviation to some 25 digits."""
    half = Decimal(s) * (Decimal(n - 1) / Decimal(n)).sqrt()
    return [Decimal(mean) + (half if at % 2 else -half) for at in range(n)]


def _rounded(index: Index | None, places: int = 2) -> tuple[str, str, str]:
    assert index is not None
    return f"{index.value:.{places}f}", f"{index.low:.{places}f}", f"{index.high:.{places}f}"


def test_the_example_of_the_handbook_comes_out() -> None:
    found = capability("face", _figures(50, "16", "2"), Decimal(8), Decimal(20))
    assert found.pp is not None
    assert found.ppk is not None
    assert f"{found.pp.value:.4f}" == "1.0000"
    assert f"{found.ppk.value:.4f}" == "0.6667"


def test_a_published_interval_of_cp_comes_out() -> None:
    found = index_of_window("Cp", Fraction(24), Fraction("1.75"), Fraction(19), CONFIDENCE)
    assert _rounded(found) == ("2.29", "1.56", "3.01")
    # Printed from the index as rounded: 2.29·√(8.91/19) is 1.57.
    assert float(found.low) == pytest.approx(1.57, abs=0.006)
    assert found.at_least is not None
    assert f"{found.at_least:.2f}" == "1.67"


@pytest.mark.parametrize("n", [25, 30, 50, 125])
@pytest.mark.parametrize("value", ["0.4", "1.0", "1.33", "2.2"])
def test_the_intervals_are_those_of_scipy(n: int, value: str) -> None:
    index = float(value)
    window = index_of_window("Pp", Fraction(6) * Fraction(value), Fraction(1), Fraction(n - 1), CONFIDENCE)
    ends = [index * math.sqrt(stats.chi2.ppf(p, n - 1) / (n - 1)) for p in (0.025, 0.975)]
    assert (float(window.low), float(window.high)) == pytest.approx(ends, rel=1e-9)
    side = index_of_side("Ppk", 3 * Fraction(value), Fraction(1), Fraction(n - 1), n, CONFIDENCE, exact=True)
    half = stats.norm.ppf(0.975) * math.sqrt(1 / (9 * n * index**2) + 1 / (2 * (n - 1)))
    assert (float(side.low), float(side.high)) == pytest.approx((index * (1 - half), index * (1 + half)), rel=1e-9)
    assert side.at_least is not None
    bound = 3 * math.sqrt(n) * float(side.at_least)
    assert stats.nct.sf(3 * math.sqrt(n) * index, n - 1, bound) == pytest.approx(0.05, abs=1e-7)


@pytest.mark.parametrize(("n", "factor"), [(25, "2.292"), (30, "2.220")])
def test_the_bound_is_a_tolerance_factor_the_other_way_round(n: int, factor: str) -> None:
    """Where the limit lies k·s away, and k is the factor of 95 % with 95 % confidence, at least 95 % are shown to be inside."""
    found = index_of_side("Ppk", Fraction(factor), Fraction(1), Fraction(n - 1), n, CONFIDENCE, exact=True)
    assert found.at_least is not None
    assert stats.norm.cdf(3 * float(found.at_least)) == pytest.approx(0.95, abs=1e-4)
    exact = stats.nct.ppf(0.95, n - 1, stats.norm.ppf(0.95) * math.sqrt(n)) / math.sqrt(n)
    assert exact == pytest.approx(float(factor), abs=0.0006)


def test_so_few_figures_say_next_to_nothing() -> None:
    """The reason for asking for 25: what 1.33 may be, from 10 figures and from 125."""
    few, many = (
        index_of_side("Ppk", Fraction("3.99"), Fraction(1), Fraction(n - 1), n, CONFIDENCE, exact=True)
        for n in (10, 125)
    )
    assert _rounded(few) == ("1.33", "0.68", "1.98")
    assert _rounded(many) == ("1.33", "1.15", "1.51")


def test_the_intervals_cover_as_often_as_they_say() -> None:
    """A short simulation: mean 0, s = 1, limits at -3.6 and 4.5, so Pp is 1.35 and Ppk is 1.2."""
    drawn = np.random.default_rng(7).normal(size=(120, 30))
    hits = np.zeros(3)
    for row in drawn:
        figures = [Decimal(f"{value:.6f}") for value in row]
        found = capability("face", figures, Decimal("-3.6"), Decimal("4.5"))
        assert found.pp is not None
        assert found.ppk is not None
        assert found.ppk.at_least is not None
        hits += (
            found.pp.low <= Decimal("1.35") <= found.pp.high,
            found.ppk.low <= Decimal("1.2") <= found.ppk.high,
            found.ppk.at_least <= Decimal("1.2"),
        )
    # Of 120 intervals that cover 95 times in 100, 106 to 119 do in 998 such tests of 1000; the bound covers more with two limits.
    assert 106 <= hits[0] <= 119
    assert 106 <= hits[1] <= 119
    assert hits[2] >= 106


def test_skewness_is_that_of_scipy() -> None:
    figures = [Decimal(f"{value:.4f}") for value in np.random.default_rng(3).gamma(2, size=40)]
    found = capability("face", figures, Decimal(-1), Decimal(9))
    assert found.skewness is not None
    assert float(found.skewness) == pytest.approx(stats.skew([float(f) for f in figures], bias=False))
    assert any("skewed towards thick ones" in note for note in found.notes)


def test_its_standard_error_is_that_of_a_simulation() -> None:
    n = 30
    drawn = stats.skew(np.random.default_rng(5).normal(size=(20_000, n)), axis=1, bias=False)
    assert drawn.std() == pytest.approx(math.sqrt(6 * n * (n - 1) / ((n - 2) * (n + 1) * (n + 3))), rel=0.02)

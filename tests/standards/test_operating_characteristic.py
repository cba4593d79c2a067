"""Operating characteristics against published definitions and an independent library.

Source of the figures: binomial and hypergeometric distributions by their definitions (the table of acceptance
probabilities below is derived, no published example), and scipy.stats as a second implementation.
"""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import pytest
from scipy import stats

from rules.lot_tables import AQLS, SAMPLE_SIZES, Severity, table_plan
from rules.operating_characteristic import (
    consumers_risk_pieces,
    consumers_risk_quality,
    curve,
    curve_of_lot,
    probability_of_acceptance,
    probability_of_acceptance_of_lot,
    producers_risk,
)

SHARES = ("0.01", "0.025", "0.05", "0.10", "0.20")
#: n, acceptance number: probability of acceptance at SHARES, to four decimals (derived).
POINTS = {
    (20, 0): (".8179", ".6027", ".3585", ".1216", ".0115"),
    (32, 1): (".9593", ".8097", ".5200", ".1564", ".0071"),
    (50, 2): (".9862", ".8706", ".5405", ".1117", ".0013"),
    (80, 3): (".9913", ".8594", ".4284", ".0353", ".0000"),
    (80, 5): (".9998", ".9848", ".7892", ".1769", ".0006"),
    (10, 1): (".9957", ".9754", ".9139", ".7361", ".3758"),
    (20, 2): (".9990", ".9870", ".9245", ".6769", ".2061"),
    (30, 3): (".9998", ".9936", ".9392", ".6474", ".1227"),
}
PLANS = sorted({(p.n, p.accept) for s in SAMPLE_SIZES for a in AQLS for p in [table_plan(s, a, Severity.NORMAL)]})


@pytest.mark.parametrize("plan", POINTS)
def test_the_curve_of_a_plan_goes_through_its_points(plan: tuple[int, int]) -> None:
    points = curve(*plan, [Decimal(share) for share in SHARES])
    for point, figure, share in zip(points, POINTS[plan], SHARES, strict=True):
        assert point.share == Fraction(share)
        assert abs(point.accepted - Fraction(figure)) <= Fraction(1, 20000)


def test_the_probability_is_exact() -> None:
    """Two pieces, none may fail, one in ten does: 0.9 squared."""
    assert probability_of_acceptance(2, 0, Decimal("0.1")) == Fraction(81, 100)
    assert probability_of_acceptance_of_lot(2, 0, 10, 1) == Fraction(8, 10)


@pytest.mark.parametrize("plan", PLANS)
def test_the_binomial_curve_agrees_with_scipy(plan: tuple[int, int]) -> None:
    n, accept = plan
    for share in ("0.001", "0.01", "0.025", "0.1", "0.3"):
        expected = stats.binom.cdf(accept, n, float(share))
        assert float(probability_of_acceptance(n, accept, Decimal(share))) == pytest.approx(
            expected, rel=1e-9, abs=1e-12
        )


@pytest.mark.parametrize(
    ("n", "accept", "lot_size"), [(10, 1, 11), (10, 1, 200), (20, 2, 500), (30, 3, 800), (13, 0, 90), (80, 5, 1200)]
)
def test_the_hypergeometric_curve_agrees_with_scipy(n: int, accept: int, lot_size: int) -> None:
    for nonconforming in (0, 1, 2, 5, lot_size // 10, lot_size // 2, lot_size):
        found = float(probability_of_acceptance_of_lot(n, accept, lot_size, nonconforming))
        expected = stats.hypergeom.cdf(accept, lot_size, nonconforming, n)
        assert found == pytest.approx(expected, rel=1e-9, abs=1e-12)


@pytest.mark.parametrize("plan", PLANS)
def test_the_consumers_risk_quality_is_the_quantile_of_the_beta_distribution(plan: tuple[int, int]) -> None:
    """P(at most c of n) = 10 % at the 90 % quantile of Beta(c + 1, n - c); a textbook identity, by scipy."""
    n, accept = plan
    found = consumers_risk_quality(n, accept)
    assert float(found) == pytest.approx(stats.beta.ppf(0.9, accept + 1, n - accept), abs=1.01e-6)
    step = Decimal("0.000001")
    assert probability_of_acceptance(n, accept, found) <= Fraction(1, 10)
    assert probability_of_acceptance(n, accept, found - step) > Fraction(1, 10)


@pytest.mark.parametrize(("n", "accept", "lot_size"), [(10, 1, 200), (20, 2, 500), (75, 6, 8000), (7, 0, 7)])
def test_the_consumers_risk_in_pieces_is_the_first_number_accepted_no_more_often(
    n: int, accept: int, lot_size: int
) -> None:
    found = consumers_risk_pieces(n, accept, lot_size)
    assert stats.hypergeom.cdf(accept, lot_size, found, n) <= 0.1
    assert stats.hypergeom.cdf(accept, lot_size, found - 1, n) > 0.1


def test_the_producers_risk_at_the_aql_is_what_the_curve_leaves() -> None:
    assert producers_risk(20, 0, Decimal("0.65")) == 1 - Fraction("0.9935") ** 20
    for plan in PLANS:
        assert float(producers_risk(*plan, 1)) == pytest.approx(stats.binom.sf(plan[1], plan[0], 0.01), rel=1e-6)


@pytest.mark.parametrize("plan", [(10, 1), (20, 0), (80, 5)])
def test_the_curve_falls_from_one_to_nothing(plan: tuple[int, int]) -> None:
    points = curve_of_lot(*plan, 200)
    heights = [point.accepted for point in points]
    assert (heights[0], heights[-1]) == (1, 0)
    assert heights == sorted(heights, reverse=True)
    assert [Fraction(4, 200)] == [point.share for point in curve_of_lot(*plan, 200, [4])]


def test_a_lot_is_told_apart_better_than_a_process_with_the_same_share() -> None:
    """Measuring without putting back: the hypergeometric curve lies below the binomial one for a poor lot."""
    assert probability_of_acceptance_of_lot(10, 1, 50, 15) < probability_of_acceptance(10, 1, Fraction(15, 50))


def test_what_is_no_plan_no_share_and_no_lot_is_refused() -> None:
    with pytest.raises(ValueError, match="no plan"):
        probability_of_acceptance(0, 0, 0)
    with pytest.raises(ValueError, match="from 0 to 1"):
        probability_of_acceptance(5, 0, 2)
    with pytest.raises(ValueError, match="cannot be measured"):
        probability_of_acceptance_of_lot(5, 0, 4, 0)
    with pytest.raises(ValueError, match="0 to 10 nonconforming"):
        probability_of_acceptance_of_lot(5, 0, 10, 11)
    with pytest.raises(ValueError, match="never rejects"):
        consumers_risk_quality(5, 5)
    with pytest.raises(ValueError, match="between 0 and 1"):
        consumers_risk_quality(5, 0, 0)
    with pytest.raises(ValueError, match="cannot be measured"):
        consumers_risk_pieces(5, 0, 4)

"""Which spread is the repeatability: of a spot, of spots, of a piece; checked against closed forms in numpy."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import numpy as np
import pytest

from rules.location_budget import LocationKnowledge, Nest, repeatability
from rules.uncertainty import GaugeKnowledge, film_build_budget

GAUGE = GaugeKnowledge(Decimal(1), Decimal(1), Decimal("0.1"), "S-50", Decimal("0.5"), Decimal("0.3"))
#: Two pieces of two spots of three readings.
BALANCED = (((60, 61, 62), (70, 71, 72)), ((80, 83, 86), (90, 92, 94)))


def _nest(plain: tuple[tuple[tuple[int, ...], ...], ...]) -> Nest:
    return tuple(tuple(tuple(Fraction(b) for b in spot) for spot in piece) for piece in plain)


def test_a_mean_over_spots_repeats_as_spot_means_do() -> None:
    """Nested analysis of variance, equal numbers: the mean square between spots within pieces (closed form in numpy)."""
    found = repeatability(_nest(BALANCED), over_spots=True)
    spot_means = np.array([[np.mean(spot) for spot in piece] for piece in BALANCED])
    mean_square = 3 * ((spot_means - spot_means.mean(axis=1, keepdims=True)) ** 2).sum() / 2
    assert float(found.variance) == pytest.approx(mean_square)
    assert (found.degrees, found.of) == (2, "spots within 2 pieces")


def test_a_piece_without_a_reading_that_counts_says_nothing_of_how_readings_repeat() -> None:
    with_empty = (*_nest(BALANCED), (), ((),))
    for over_spots in (True, False):
        assert repeatability(with_empty, over_spots=over_spots) == repeatability(_nest(BALANCED), over_spots=over_spots)


def test_a_single_spot_repeats_as_its_readings_do() -> None:
    found = repeatability(_nest(BALANCED), over_spots=False)
    assert float(found.variance) == pytest.approx(np.mean([np.var(s, ddof=1) for p in BALANCED for s in p]))
    assert (found.degrees, found.of) == (8, "readings within 4 spots")


def test_spots_of_one_reading_repeat_within_their_piece_and_pieces_do_not_count() -> None:
    plain = (((60,), (62,)), ((160,), (162,)))
    for over_spots in (True, False):
        found = repeatability(_nest(plain), over_spots=over_spots)
        assert (found.variance, found.degrees, found.of) == (2, 2, "readings within 2 pieces")


def test_one_reading_a_piece_leaves_only_the_spread_of_the_pieces() -> None:
    found = repeatability(_nest((((60,),), ((62,),))), over_spots=True)
    assert (found.variance, found.degrees, found.of) == (2, 1, "2 readings, one a piece")
    with pytest.raises(ValueError, match="at least two values"):
        repeatability(_nest((((60,),),)), over_spots=True)


def test_what_one_gauge_reads_twice_cancels_in_the_difference_of_two_coats() -> None:
    """JCGM 100, 5.2.2 with r = 1: u(a + b·t₁ - a - b·t₀) = b·(t₁ - t₀); the constant part of the accuracy is gone."""
    nest = _nest((((100, 101, 102),),))
    base = (Fraction(40), Fraction(41), Fraction(42))
    apart = LocationKnowledge(nest, 3, GAUGE, base, None, Decimal(0)).budget(3, Decimal("0.95"))
    together = LocationKnowledge(nest, 3, GAUGE, base, None, Decimal(1)).budget(3, Decimal("0.95"))
    accuracy = {c.name: float(c.standard) for c in together.components}["gauge accuracy"]
    # The build is 101, below it lie 41: a + b·142 less a + b·41, rectangular.
    assert accuracy == pytest.approx(0.01 * 101 / 3**0.5)
    assert together.expanded < apart.expanded


def test_the_budget_is_that_of_the_module_of_uncertainty_with_the_spread_put_in() -> None:
    nest = _nest(BALANCED)
    known = LocationKnowledge(nest, 3, GAUGE)
    same = film_build_budget(known.builds_um, 6, GAUGE, spread=repeatability(nest, over_spots=True))
    assert known.budget(6, Decimal("0.95")) == same

"""Which spread is the repeatability at one location, worked by hand."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import pytest

from rules.location_budget import LocationKnowledge, Nest, repeatability
from rules.statistics import square_root
from rules.uncertainty import GaugeKnowledge, Spread, film_build_budget

GAUGE = GaugeKnowledge(
    accuracy_um=Decimal(1),
    accuracy_percent=Decimal(1),
    step_um=Decimal("0.1"),
    standard="S-75",
    standard_u_um=Decimal("0.6"),
    error_um=Decimal("0.3"),
)


def _nest(*pieces: list[list[int]]) -> Nest:
    return tuple(tuple(tuple(map(Fraction, spot)) for spot in piece) for piece in pieces)


#: Spot means 61 and 65, and 71 and 72.
TWO_PIECES = _nest([[60, 62], [64, 66]], [[70, 72], [70, 74]])


def test_a_mean_over_spots_repeats_as_spot_means_of_one_piece_differ() -> None:
    """About 63: 2·4 + 2·4 = 16. About 71.5: 2·0.25 + 2·0.25 = 1. Together 17 over 2 degrees."""
    assert repeatability(TWO_PIECES, over_spots=True) == Spread(Fraction(17, 2), 2, "spots within 2 pieces")


def test_one_reading_or_spot_repeats_as_readings_of_one_spot_differ() -> None:
    """Squares about the spot means: 2, 2, 2 and 8, over 4 degrees."""
    assert repeatability(TWO_PIECES, over_spots=False) == Spread(Fraction(14, 4), 4, "readings within 4 spots")


def test_where_no_piece_has_two_spots_there_is_nothing_between_spots() -> None:
    nest = _nest([[60, 62]], [[70, 74]])
    assert repeatability(nest, over_spots=True) == Spread(Fraction(5), 2, "readings within 2 spots")


def test_where_no_spot_has_two_readings_the_readings_of_a_piece_show_the_spread() -> None:
    nest = _nest([[60], [62], [64]], [[71]])
    for over_spots in (True, False):
        assert repeatability(nest, over_spots=over_spots) == Spread(Fraction(4), 2, "readings within 2 pieces")
    assert repeatability(_nest([[60], [62]]), over_spots=False).of == "readings within 1 piece"


def test_where_no_piece_has_two_readings_the_spread_of_all_is_taken() -> None:
    nest = _nest([[60]], [[62]], [[64]])
    for over_spots in (True, False):
        assert repeatability(nest, over_spots=over_spots) == Spread(Fraction(4), 2, "3 readings, one a piece")


def test_spots_without_readings_are_none() -> None:
    nest = _nest([[60, 62], []], [[]])
    assert repeatability(nest, over_spots=True) == Spread(Fraction(2), 1, "readings within 1 spot")
    spread = repeatability(_nest([[60], [], [62]]), over_spots=True)
    assert (spread.variance, spread.degrees) == (2, 1)


def test_a_piece_of_one_spot_brings_nothing_between_spots() -> None:
    nest = _nest([[60, 62], [64, 66]], [[90, 92]])
    assert repeatability(nest, over_spots=True) == Spread(Fraction(16), 1, "spots within 2 pieces")


def test_one_build_shows_no_spread() -> None:
    with pytest.raises(ValueError, match=r"^a standard deviation needs at least two values$"):
        repeatability(_nest([[60]]), over_spots=False)


def test_the_budget_of_a_spot_and_of_a_mean_over_spots_take_each_their_own_spread() -> None:
    known = LocationKnowledge(TWO_PIECES, 2, GAUGE)
    assert known.builds_um == (60, 62, 64, 66, 70, 72, 70, 74)
    for averaged, square in ((1, Fraction(14, 4)), (2, Fraction(14, 4) / 2), (4, Fraction(17, 2) / 4)):
        found = known.budget(averaged, Decimal("0.9"))
        assert found.components[0].standard == square_root(square)
        assert found.coverage == Decimal("0.9")
    assert known.budget(1, Decimal("0.9")).components[0].how == "s of readings within 4 spots, one reading"
    assert known.budget(4, Decimal("0.9")).components[0].how == "s of spots within 2 pieces, mean of 4"


def test_what_is_subtracted_and_shared_goes_into_the_budget() -> None:
    base = tuple(map(Fraction, (4, 6, 5)))
    known = LocationKnowledge(TWO_PIECES, 2, GAUGE, base, shared=Decimal(1))
    assert known.budget(2, Decimal("0.95")) == film_build_budget(
        known.builds_um,
        2,
        GAUGE,
        base,
        Decimal("0.95"),
        shared=Decimal(1),
        spread=Spread(Fraction(14, 4), 4, "readings within 4 spots"),
    )
    apart = LocationKnowledge(TWO_PIECES, 2, GAUGE, base)
    assert apart.budget(2, Decimal("0.95")).expanded > known.budget(2, Decimal("0.95")).expanded


def test_one_reading_repeats_as_on_the_standards_where_that_is_known() -> None:
    """A mean does not: it repeats as the surface does."""
    on_standards = Spread(Fraction(1, 4), 8, "readings on the standards")
    known = LocationKnowledge(TWO_PIECES, 2, GAUGE, on_standards=on_standards)
    one, two = (known.budget(averaged, Decimal("0.95")).components[0] for averaged in (1, 2))
    assert (one.standard, one.degrees) == (Decimal("0.5"), 8)
    assert one.how == "s of readings on the standards, one reading"
    assert (two.standard, two.degrees) == (square_root(Fraction(14, 8)), 4)


def test_the_gauge_is_known_at_the_value_with_what_was_subtracted_from_it_and_the_mean_is_the_usual_value() -> None:
    asked: list[Fraction] = []

    def at(thickness_um: Fraction) -> GaugeKnowledge:
        asked.append(thickness_um)
        return GAUGE

    base = tuple(map(Fraction, (4, 6, 5)))
    coverage = Decimal("0.95")
    known = LocationKnowledge(TWO_PIECES, 2, GAUGE, base, gauge_at=at)
    known.budget(2, coverage)
    assert asked == []
    accuracy = {c.name: c for c in known.budget(2, coverage, Fraction(95)).components}["gauge accuracy"]
    assert asked == [100]
    assert accuracy.how.startswith("maker's ± 2.00 µm at 100.0 µm, rectangular")
    rough = LocationKnowledge(TWO_PIECES, 2, GAUGE, fixed_um=Fraction(25), gauge_at=at)
    accuracy = {c.name: c for c in rough.budget(1, coverage, Fraction(85)).components}["gauge accuracy"]
    assert asked == [100, 110]
    assert accuracy.how == "maker's ± 2.10 µm at 110.0 µm, rectangular"
    accuracy = {c.name: c for c in rough.budget(1, coverage).components}["gauge accuracy"]
    assert accuracy.how == "maker's ± 1.92 µm at 92.2 µm, rectangular"

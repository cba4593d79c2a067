"""Edges of Grubbs' test that have an answer in closed form."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import pytest

from rules.statistics import square_root
from rules.unusual import Grubbs, Side, critical_distance, grubbs


def test_a_reading_just_as_far_as_the_critical_distance_is_not_unusual() -> None:
    """Of three readings on one side at even odds: t, one degree of freedom, is above √3 with 1/6, and 2/√3·√(3/4) is 1."""
    half = Decimal("0.5")
    assert critical_distance(3, Side.LOW, half) == 1
    assert grubbs([Decimal(-1), Decimal(0), Decimal(1)], Side.LOW, half) == Grubbs(
        side=Side.LOW,
        level=half,
        readings=3,
        mean=Fraction(0),
        deviation=Decimal(1),
        farthest=(0,),
        distance=Decimal(1),
        critical=Decimal(1),
        unusual=False,
    )


def test_the_test_keeps_what_it_was_asked() -> None:
    found = grubbs([Decimal(1), Decimal(2), Decimal(6)], Side.HIGH, Decimal("0.1"))
    assert (found.side, found.level, found.mean, found.farthest) == (Side.HIGH, Decimal("0.1"), 3, (2,))
    usual = grubbs([Decimal(1), Decimal(2), Decimal(6)])
    assert (usual.side, usual.level) == (Side.EITHER, Decimal("0.05"))


def test_three_readings_have_a_critical_distance_in_closed_form() -> None:
    """One degree of freedom: t²/(1 + t²) is cos² α, α = π·level/3 on one side, so 15° at 0.25; on either side half that.

    cos² 15° is (1 + cos 30°) / 2, and cos 30° is √3 / 2.
    """
    expected = square_root(Fraction(4, 3) * (1 + Fraction(square_root(Fraction(3))) / 2) / 2)
    for side, level in ((Side.HIGH, "0.25"), (Side.LOW, "0.25"), (Side.EITHER, "0.5")):
        assert critical_distance(3, side, Decimal(level)) == pytest.approx(expected, abs=Decimal("1e-11"))


@pytest.mark.parametrize(("level", "distance"), [("0.05", "1.4625"), ("0.5", "1.125"), ("0.9", "0.825")])
def test_four_readings_have_one_to_every_digit(level: str, distance: str) -> None:
    """Two degrees of freedom: t²/(2 + t²) is (1 - 2α)², α = level/4 on one side, so it is 3/2·(1 - level/2)."""
    assert critical_distance(4, Side.HIGH, Decimal(level)) == Decimal(distance)


def test_a_critical_distance_has_twelve_digits() -> None:
    assert len(critical_distance(10).as_tuple().digits) == 12


def test_what_has_no_critical_distance_is_refused_in_words() -> None:
    with pytest.raises(ValueError, match=r"^Grubbs' test needs at least three readings, not 2$"):
        critical_distance(2)
    for level in ("0", "1"):
        with pytest.raises(ValueError, match=f"^a level of significance is between 0 and 1, not {level}$"):
            critical_distance(3, level=Decimal(level))

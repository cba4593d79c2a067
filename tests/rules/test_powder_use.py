"""Powder above need: what a location needs, and what is never claimed. Numbers are invented."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.powder_use import Film, Need, coverage_ft2_per_lb, coverage_m2_per_kg, film_needed, powder_above_need
from schemas.units import Unit

D = Decimal


def test_what_is_needed_is_the_target_unless_the_spread_asks_for_more() -> None:
    assert film_needed(D(60), D(75), D(3), D(2), Unit.UM) == Need(Fraction(75), "the target of 75.0 µm")
    wide = film_needed(D(60), D(75), D(9), D(2), Unit.UM)
    assert wide == Need(
        Fraction(80),
        "80.0 µm, the lower limit of 60 with 2 s of 9.0 and a guard band of 2.0, which is more than the target: lower the spread "
        "before the mean",
    )
    assert film_needed(D(60), None, None, D(0), Unit.UM) is None
    assert film_needed(None, None, D(3), D(0), Unit.UM) is None


def test_a_thin_place_does_not_pay_for_a_thick_one() -> None:
    films = [
        Film("face", 9, Fraction(60), Need(Fraction(70), "x")),
        Film("rim", 9, Fraction(90), Need(Fraction(70), "x")),
    ]
    assert powder_above_need(films, Unit.UM).above == 10


def test_film_above_need_that_the_mean_is_not_known_to_is_not_claimed() -> None:
    (sentence, _) = powder_above_need([Film("face", 9, Fraction(72), Need(Fraction(70), "x"), D(3))], Unit.UM).sentences
    assert sentence.endswith("no more than the uncertainty of the mean (± 3.0 µm): nothing should be claimed from it.")


def test_no_film_above_need_is_no_powder_even_where_its_weight_is_not_known() -> None:
    found = powder_above_need([Film("face", 9, Fraction(70), Need(Fraction(70), "x"))], Unit.MIL)
    assert (found.least, found.most, found.area) == (0, 0, 100)
    assert found.sentences[-1] == "In all: no film above need."
    assert powder_above_need([Film("face", 9, Fraction(70), None)], Unit.UM).sentences == (
        "Powder above need cannot be told: what is needed is not known at any location.",
    )


@given(st.integers(1, 40), st.integers(1, 200), st.integers(1, 100))
def test_coverage_falls_as_film_and_gravity_rise(gravity: int, film: int, share: int) -> None:
    for cover in (coverage_ft2_per_lb, coverage_m2_per_kg):
        one = cover(D(gravity), D(film), Fraction(share, 100))
        assert cover(D(2 * gravity), D(film), Fraction(share, 100)) == one / 2
        assert cover(D(gravity), D(2 * film), Fraction(share, 100)) == one / 2
        assert cover(D(gravity), D(film)) == one * Fraction(100, share)


def test_figures_that_are_none_are_refused() -> None:
    with pytest.raises(ValueError, match="the specific gravity is above zero, not 0"):
        powder_above_need([], Unit.UM, specific_gravity=D(0))
    with pytest.raises(ValueError, match="the area is above zero, not -1"):
        powder_above_need([], Unit.UM, area=D(-1))
    with pytest.raises(ValueError, match="the smaller one first"):
        powder_above_need([], Unit.UM, transfer=(D("0.6"), D("0.5")))
    with pytest.raises(ValueError, match="a share of 1 at the most, not 2"):
        coverage_m2_per_kg(D(1), D(1), D(2))
    with pytest.raises(ValueError, match="the film is above zero, not 0"):
        coverage_ft2_per_lb(D(1), D(0))

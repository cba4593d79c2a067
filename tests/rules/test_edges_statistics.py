"""Edges of mean, deviation and quantile, worked by hand, and what is refused, in words."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import pytest

from rules.statistics import mean, nearest_rank_quantile, square_root, standard_deviation, variance


def test_mean_and_variance_of_numbers_with_different_denominators() -> None:
    """1/2, 1/3 and 7/6: their mean is 2/3, and the squares 1/36, 4/36 and 9/36 over 2 are 7/36."""
    values = [Fraction(1, 2), Fraction(1, 3), Fraction(7, 6)]
    assert mean(values) == Fraction(2, 3)
    assert variance(values) == Fraction(7, 36)
    assert standard_deviation([Decimal("0.1"), Decimal("0.25"), Decimal("0.4")]) == Decimal("0.15")
    assert variance([Decimal(1), Decimal(3)]) == 2


def test_a_root_has_34_digits() -> None:
    """√2, from any table of constants."""
    assert str(square_root(Fraction(2))) == "1.414213562373095048801688724209698"
    assert [square_root(Fraction(n)) for n in (0, 4)] == [0, 2]
    assert str(square_root(Fraction(1, 3))) == "0.5773502691896257645091487805019575"


def test_a_quantile_of_one_value_is_that_value() -> None:
    assert [nearest_rank_quantile([Fraction(7)], Fraction(share)) for share in (0, "0.5", 1)] == [7, 7, 7]


def test_what_has_no_answer_is_refused_in_words() -> None:
    with pytest.raises(ValueError, match=r"^a mean needs at least one value$"):
        mean([])
    with pytest.raises(ValueError, match=r"^a standard deviation needs at least two values$"):
        variance([Decimal(1)])
    with pytest.raises(ValueError, match=r"^-1/4 has no square root$"):
        square_root(Fraction(-1, 4))
    with pytest.raises(ValueError, match=r"^a quantile needs at least one value$"):
        nearest_rank_quantile(list[Decimal](), Decimal("0.5"))
    for share in ("-0.1", "1.1"):
        with pytest.raises(ValueError, match=f"^the share of a quantile is from 0 to 1, not {share}$"):
            nearest_rank_quantile([Decimal(1)], Decimal(share))

"""Values of the distributions that have a closed form, and what is refused, in words."""

from __future__ import annotations

from decimal import Decimal

import pytest

from rules.distributions import f_survival, normal_cdf, normal_quantile, t_cdf, t_quantile

NEARLY = Decimal("1e-14")


def test_the_middle_of_each_distribution() -> None:
    assert normal_cdf(0) == Decimal("0.5")
    assert normal_quantile(Decimal("0.5")) == 0
    for degrees in (1, 3, Decimal("2.5")):
        assert t_cdf(0, degrees) == Decimal("0.5")
        assert t_quantile(Decimal("0.5"), degrees) == 0
    # F with equal degrees is as often above 1 as below.
    assert f_survival(1, 4, 4) == Decimal("0.5")


def test_one_degree_of_freedom_is_the_law_of_cauchy() -> None:
    """1/2 + arctan(t)/π: at 1 it is 3/4, at √3 it is 5/6."""
    assert t_cdf(1, 1) == pytest.approx(Decimal("0.75"), abs=NEARLY)
    assert t_cdf(-1, 1) == pytest.approx(Decimal("0.25"), abs=NEARLY)
    assert t_cdf(Decimal("1.7320508075688772935"), 1) == pytest.approx(Decimal(5) / 6, abs=NEARLY)
    assert t_quantile(Decimal("0.75"), 1) == pytest.approx(Decimal(1), abs=NEARLY)
    assert t_quantile(Decimal("0.25"), 1) == pytest.approx(Decimal(-1), abs=NEARLY)
    # tan(0.49·π), beyond the first bracket.
    assert t_quantile(Decimal("0.99"), 1) == pytest.approx(Decimal("31.8205159537740"), abs=Decimal("1e-12"))


def test_two_degrees_of_freedom_have_a_root() -> None:
    """1/2 + t / (2·√(2 + t²)): at √2 it is 1/2 + 1/(2·√2)."""
    assert t_cdf(Decimal("1.4142135623730950488"), 2) == pytest.approx(Decimal("0.853553390593274"), abs=NEARLY)


def test_less_than_one_degree_of_freedom_is_allowed() -> None:
    assert t_quantile(Decimal("0.75"), Decimal("0.5")) > t_quantile(Decimal("0.75"), 1)


def test_f_with_two_degrees_below_is_a_power() -> None:
    """Above f with 2 and 2 degrees lies 1/(1 + f); with 2 and 4, (1 + f/2)⁻²; above nothing lies all."""
    assert f_survival(3, 2, 2) == Decimal("0.25")
    assert f_survival(2, 2, 4) == Decimal("0.25")
    assert f_survival(0, 3, 5) == 1


def test_results_have_fifteen_digits() -> None:
    assert len(normal_cdf(1).as_tuple().digits) == 15
    assert str(normal_cdf(Decimal("1.959963984540054"))).startswith("0.975000000000000")
    assert str(normal_quantile(Decimal("0.975"))) == "1.95996398454005"


@pytest.mark.parametrize("probability", ["0", "1"])
def test_a_probability_that_is_none_is_refused_in_words(probability: str) -> None:
    sentence = f"^a probability here is between 0 and 1, not {probability}$"
    with pytest.raises(ValueError, match=sentence):
        normal_quantile(Decimal(probability))
    with pytest.raises(ValueError, match=sentence):
        t_quantile(Decimal(probability), 5)


@pytest.mark.parametrize("degrees", [0, -1])
def test_no_degrees_of_freedom_are_refused_in_words(degrees: int) -> None:
    with pytest.raises(ValueError, match=f"^degrees of freedom are above zero, not {degrees}$"):
        t_quantile(Decimal("0.9"), degrees)

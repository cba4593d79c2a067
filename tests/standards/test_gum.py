"""Uncertainty against the GUM's own examples, and against an independent library.

Sources: JCGM 100:2008 example H.1 (end gauge), read in open documentation of a public uncertainty library and recomputed;
4.4.3 (temperatures), from memory, recomputed. Independent library: `uncertainties` (PyPI).
"""

from __future__ import annotations

import json
from decimal import Decimal
from fractions import Fraction
from pathlib import Path

import pytest
import uncertainties

from rules.statistics import mean
from rules.uncertainty import Component, arcsine, budget, normal, rectangular, type_a

GUM_443 = json.loads((Path(__file__).parent / "gum.json").read_text(encoding="utf-8"))["4.4.3"]


def _component(name: str, standard_nm: str | Decimal, degrees: int | None) -> Component:
    return Component(name, Decimal(standard_nm), degrees, name)


H1_COMPARATOR = [
    _component("repeated observations", "5.8", 24),
    _component("comparator, random", "3.9", 5),
    _component("comparator, systematic", "6.7", 8),
]
#: Contributions in nm: the standard, the difference, the two thermal terms (0.29e-6... times 50 mm), first order.
H1 = [
    _component("standard", "25", 18),
    *H1_COMPARATOR,
    _component("difference of expansion coefficients", "2.887", 50),
    _component("difference of temperatures", "16.599", 2),
]


def test_example_h1_combines_to_32_nm() -> None:
    found = budget(H1, Decimal("0.99"))
    assert f"{found.combined:.2f}" == "31.66"


def test_example_h1_has_16_effective_degrees_of_freedom_and_k_2_92() -> None:
    found = budget(H1, Decimal("0.99"))
    assert found.effective_degrees is not None
    assert f"{found.effective_degrees:.1f}" in {"16.7", "16.8"}
    assert int(found.effective_degrees) == 16
    assert f"{found.factor:.2f}" == "2.92"


def test_example_h1_is_expanded_to_92_or_93_nm() -> None:
    """The GUM multiplies the rounded 2.92 and 32 and prints 93; unrounded it is 92.5."""
    assert f"{budget(H1, Decimal('0.99')).expanded:.1f}" == "92.5"


def test_the_comparator_of_example_h1_combines_to_9_7_nm_with_25_degrees_of_freedom() -> None:
    found = budget(H1_COMPARATOR)
    assert f"{found.combined:.1f}" == "9.7"
    assert found.effective_degrees is not None
    assert int(found.effective_degrees) == 25


def test_truncation_comes_after_the_unrounded_combination() -> None:
    """Putting the rounded 32 nm into Welch-Satterthwaite would give 17.5 degrees of freedom."""
    below = sum(Fraction(c.standard) ** 4 / c.degrees for c in H1 if c.degrees)
    assert int(Fraction(32) ** 4 / below) == 17


def test_the_distributions_of_example_h1() -> None:
    assert f"{rectangular(Decimal('2E-6')):.2E}" == "1.15E-6"
    assert f"{rectangular(Decimal('1E-6')):.2E}" == "5.77E-7"
    assert f"{rectangular(Decimal('0.05')):.3f}" == "0.029"
    assert f"{arcsine(Decimal('0.5')):.2f}" == "0.35"
    assert normal(Decimal("0.075"), Decimal(3)) == Decimal("0.025")


def test_example_4_4_3() -> None:
    temperatures = [Decimal(t) for t in GUM_443]
    standard, degrees = type_a(temperatures)
    assert f"{float(mean(temperatures)):.3f}" == "100.145"
    assert (f"{standard:.3f}", degrees) == ("0.333", 19)


@pytest.mark.parametrize("standards", [["0.5", "1.2"], ["25", "5.8", "3.9", "6.7"], ["0.001", "2", "0.3"]])
def test_a_combination_agrees_with_the_uncertainties_library(standards: list[str]) -> None:
    total = sum(uncertainties.ufloat(1, float(s)) for s in standards)
    found = budget([_component("x", s, None) for s in standards])
    assert float(found.combined) == pytest.approx(total.std_dev, rel=1e-12)
    assert float(found.factor) == pytest.approx(1.959964, rel=1e-6)

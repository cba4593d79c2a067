"""Coverage of powder: its constant from units, and published figures.

Sources: 192.3 ft²/lb at a specific gravity of 1 and 1 mil (read, a powder maker and Products Finishing), 192.4 in Powder Coated Tough
(read). A coverage chart: specific gravity 1.6 at 2 mil gives 60.1 ft²/lb, and 30.05 at 50 % (read, powdercoatingonline.com). 1 lb is
0.45359237 kg and 1 ft is 0.3048 m (NIST SP 811, from memory).
"""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import pytest

from rules.powder_use import (
    FT2_MIL_PER_LB,
    Film,
    Need,
    coverage_ft2_per_lb,
    coverage_m2_per_kg,
    powder_above_need,
)
from schemas.units import Unit

KG_PER_LB = Fraction("0.45359237")
M2_PER_FT2 = Fraction("0.3048") ** 2
M_PER_MIL = Fraction("0.0000254")


def test_the_constant_follows_from_a_cubic_foot_of_water_at_62_4_pounds() -> None:
    assert float(Fraction(12_000) / Fraction("62.4")) == pytest.approx(float(FT2_MIL_PER_LB), abs=0.01)
    assert float(Fraction(12_000) / Fraction("62.37")) == pytest.approx(192.4, abs=0.005)


def test_the_constant_for_water_of_one_gram_a_cubic_centimetre_is_a_little_less() -> None:
    exact = KG_PER_LB / 1000 / M_PER_MIL / M2_PER_FT2
    assert f"{float(exact):.2f}" == "192.22"
    assert float(abs(exact - Fraction(FT2_MIL_PER_LB)) / exact) < 0.0005


def test_the_metric_form_follows_from_units_exactly() -> None:
    """One kilogram at a specific gravity of 1 fills a litre, which is a film of 1 µm on 1000 m²."""
    assert coverage_m2_per_kg(Decimal(1), Decimal(1)) == Fraction(1, 1000) / Fraction(1, 10**6)


def test_the_two_systems_agree_within_the_density_of_water() -> None:
    imperial = coverage_ft2_per_lb(Decimal("1.5"), Decimal(3), Decimal("0.6")) * M2_PER_FT2 / KG_PER_LB
    metric = coverage_m2_per_kg(Decimal("1.5"), 3 * Decimal("25.4"), Decimal("0.6"))
    assert float(imperial) == pytest.approx(float(metric), rel=0.0005)


def test_a_published_coverage_chart_comes_out() -> None:
    assert f"{float(coverage_ft2_per_lb(Decimal('1.6'), Decimal(2))):.1f}" == "60.1"
    assert f"{float(coverage_ft2_per_lb(Decimal('1.6'), Decimal(2), Decimal('0.5'))):.2f}" == "30.05"


def test_a_magazines_metric_answer_comes_out_as_far_as_its_own_conversion_allows() -> None:
    """Products Finishing: specific gravity 1.5, 3 mil, 95 % used, 8.4 m²/kg (read); it converts 192.3 to 39.8 and not to 39.4."""
    found = coverage_m2_per_kg(Decimal("1.5"), 3 * Decimal("25.4"), Decimal("0.95"))
    assert float(found) == pytest.approx(8.4, rel=0.015)
    assert float(found * Fraction("39.8") / Fraction("39.37")) == pytest.approx(8.4, abs=0.05)


def test_powder_above_need_is_the_mass_of_that_film() -> None:
    """By another way round: area times film times density, over the share that stays; 0.5 mil on 100,000 ft² at 60 %."""
    film = Film("face", 40, Fraction(3), Need(Fraction("2.5"), "the target of 2.50 mil"))
    share = (Decimal("0.6"), Decimal("0.6"))
    found = powder_above_need([film], Unit.MIL, specific_gravity=Decimal("1.5"), area=Decimal(100_000), transfer=share)
    kilograms = 100_000 * M2_PER_FT2 * M_PER_MIL / 2 * 1500 / Fraction("0.6")
    assert found.least == found.most
    assert float(found.most or 0) == pytest.approx(float(kilograms / KG_PER_LB), rel=0.0005)
    assert "about 650 lb" in found.sentences[-1]

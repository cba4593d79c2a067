"""Rounding and comparison at a limit.

Sources: ASTM E29, table of the rounding and the absolute method (from memory; consistent with a tie to the even digit);
ISO 80000-1, annex B, rules A and B (from memory; its examples agree). 1 mil = 25.4 µm exactly: NIST SP 811, appendix B,
from 1 in = 2.54 cm exactly.
"""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import pytest

from rules.rounding import Comparison, Tie, at_least, at_most, round_to_step
from schemas.units import Unit, from_um, to_um

MINIMA = [
    ("36E3", "35940", True, False),
    ("36E3", "35500", True, False),
    ("36E3", "35490", False, False),
    ("57", "56.4", False, False),
    ("57", "56.5", False, False),
    ("57", "56.6", True, False),
    ("57", "57", True, True),
]
MAXIMA = [
    ("40", "40.4", True, False),
    ("40", "40.5", True, False),
    ("40", "40.6", False, False),
    ("40", "40", True, True),
    ("0.5", "0.54", True, False),
    ("0.5", "0.55", False, False),
    ("0.5", "0.56", False, False),
]


@pytest.mark.parametrize(("limit", "observed", "by_rounding", "absolute"), MINIMA)
def test_the_table_of_astm_e29_for_a_minimum(limit: str, observed: str, by_rounding: bool, absolute: bool) -> None:
    assert at_least(Decimal(observed), Decimal(limit), Comparison.ROUNDING) is by_rounding
    assert at_least(Decimal(observed), Decimal(limit), Comparison.ABSOLUTE) is absolute


@pytest.mark.parametrize(("limit", "observed", "by_rounding", "absolute"), MAXIMA)
def test_the_table_of_astm_e29_for_a_maximum(limit: str, observed: str, by_rounding: bool, absolute: bool) -> None:
    assert at_most(Decimal(observed), Decimal(limit), Comparison.ROUNDING) is by_rounding
    assert at_most(Decimal(observed), Decimal(limit), Comparison.ABSOLUTE) is absolute


@pytest.mark.parametrize(
    ("number", "step", "even", "up"),
    [
        ("12.223", "0.1", "12.2", "12.2"),
        ("12.251", "0.1", "12.3", "12.3"),
        ("12.275", "0.1", "12.3", "12.3"),
        ("1223.3", "10", "1220", "1220"),
        ("1225.1", "10", "1230", "1230"),
        ("1227.5", "10", "1230", "1230"),
        ("12.25", "0.1", "12.2", "12.3"),
        ("12.35", "0.1", "12.4", "12.4"),
        ("1225.0", "10", "1220", "1230"),
        ("1235.0", "10", "1240", "1240"),
    ],
)
def test_the_examples_of_iso_80000_1(number: str, step: str, even: str, up: str) -> None:
    assert round_to_step(Decimal(number), Decimal(step), Tie.EVEN) == Decimal(even)
    assert round_to_step(Decimal(number), Decimal(step), Tie.AWAY) == Decimal(up)


def test_one_mil_is_25_point_4_micrometres_exactly() -> None:
    assert to_um(Decimal(1), Unit.MIL) == Decimal("25.4")
    assert from_um(Decimal("25.4"), Unit.MIL) == Fraction(1)
    assert from_um(Decimal(80), Unit.MIL) == Fraction(400, 127)

"""Grubbs' test against published examples and tables, and against scipy.

Sources:

* NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.17: eight values with 245.57 among them. G and the critical
  values agree; the data and values from memory.
* Course appendix with six values, 5.328 the lowest: G and critical value read, recomputed.
* Table of one-sided critical values to two decimals, as printed with a description of the test that names Grubbs 1950
  and 1969: read on a public page. Its columns of 5, 2.5 and 1 %.
* Modification of ASTM E178, table of critical values for either side at 5 %: read on a public page.
* Student's t of scipy.
"""

from __future__ import annotations

from decimal import Decimal

import pytest
from scipy import stats

from rules.unusual import Side, critical_distance, grubbs

NIST = [Decimal(x) for x in ("199.31", "199.53", "200.19", "200.82", "201.92", "201.95", "202.18", "245.57")]
COURSE = [Decimal(x) for x in ("5.363", "5.352", "5.345", "5.359", "5.347", "5.328")]
#: One-sided, at 5, 2.5 and 1 %.
ONE_SIDED = {
    4: ("1.46", "1.48", "1.49"),
    5: ("1.67", "1.71", "1.75"),
    6: ("1.82", "1.89", "1.94"),
    7: ("1.94", "2.02", "2.10"),
    8: ("2.03", "2.13", "2.22"),
    9: ("2.11", "2.21", "2.32"),
    10: ("2.18", "2.29", "2.41"),
    11: ("2.23", "2.36", "2.48"),
    12: ("2.29", "2.41", "2.55"),
    13: ("2.33", "2.46", "2.61"),
    14: ("2.37", "2.51", "2.66"),
    15: ("2.41", "2.55", "2.71"),
    16: ("2.44", "2.59", "2.75"),
    17: ("2.47", "2.62", "2.79"),
    18: ("2.50", "2.65", "2.82"),
    19: ("2.53", "2.68", "2.85"),
    20: ("2.56", "2.71", "2.88"),
}
#: A last place, and as much again as rounding a value of three decimals a second time can add.
_PRINTED = Decimal("0.0055")


@pytest.mark.parametrize(("side", "critical"), [(Side.HIGH, "2.032"), (Side.EITHER, "2.127")])
def test_the_highest_of_the_handbooks_values_is_unusual(side: Side, critical: str) -> None:
    found = grubbs(NIST, side)
    assert (f"{found.distance:.5f}", f"{found.critical:.3f}") == ("2.46876", critical)
    assert (found.unusual, found.farthest) == (True, (7,))


def test_the_lowest_of_the_course_values_is_not_unusual() -> None:
    found = grubbs(COURSE, Side.LOW)
    assert (f"{found.distance:.5f}", f"{found.critical:.3f}") == ("1.69664", "1.822")
    assert (found.unusual, found.farthest) == (False, (5,))


@pytest.mark.parametrize("readings", ONE_SIDED)
def test_the_one_sided_critical_values_are_those_of_the_printed_table(readings: int) -> None:
    for level, printed in zip(("0.05", "0.025", "0.01"), ONE_SIDED[readings], strict=True):
        for side in (Side.LOW, Side.HIGH):
            assert abs(critical_distance(readings, side, Decimal(level)) - Decimal(printed)) < _PRINTED


@pytest.mark.parametrize(
    ("readings", "printed"), [(3, "1.15"), (4, "1.48"), (5, "1.71"), (6, "1.89"), (7, "2.02"), (8, "2.13")]
)
def test_the_critical_values_for_either_side_are_those_of_the_printed_table(readings: int, printed: str) -> None:
    assert abs(critical_distance(readings) - Decimal(printed)) < _PRINTED


@pytest.mark.parametrize("readings", [3, 4, 6, 8, 13, 30, 100, 1000])
@pytest.mark.parametrize("level", ["0.2", "0.05", "0.01", "0.001"])
@pytest.mark.parametrize(("side", "sides"), [(Side.LOW, 1), (Side.HIGH, 1), (Side.EITHER, 2)])
def test_critical_values_agree_with_scipy(readings: int, level: str, side: Side, sides: int) -> None:
    t = stats.t.isf(float(level) / (sides * readings), readings - 2)
    expected = (readings - 1) / readings**0.5 * (t * t / (readings - 2 + t * t)) ** 0.5
    assert float(critical_distance(readings, side, Decimal(level))) == pytest.approx(expected, rel=1e-10)

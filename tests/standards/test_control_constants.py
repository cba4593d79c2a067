"""Constants of control charts against textbook tables, their definitions in scipy, and a published chart.

Sources: the table is that of textbook appendices (read, recomputed). The chart is the piston rings of a textbook, first 25
subgroups of five, with results quoted from R's package qcc (read and recomputed); the data are not copied here. The
definitions in scipy: c4 by the mean of a chi variable, d2 and d3 by the distribution of the range.
"""

from __future__ import annotations

import math
from decimal import Decimal

import pytest
from scipy import integrate, stats

from rules.control_constants import control_constants, unbiasing_constant

#: n: A2, D3, D4, A3, B3, B4, c4.
TABLE = {
    2: ("1.880", "0", "3.267", "2.659", "0", "3.267", ".797885"),
    3: ("1.023", "0", "2.575", "1.954", "0", "2.568", ".886227"),
    4: (".729", "0", "2.282", "1.628", "0", "2.266", ".921318"),
    5: (".577", "0", "2.114", "1.427", "0", "2.089", ".939986"),
    6: (".483", "0", "2.004", "1.287", ".030", "1.970", ".951533"),
    7: (".419", ".076", "1.924", "1.182", ".118", "1.882", ".959369"),
    8: (".373", ".136", "1.864", "1.099", ".185", "1.815", ".965030"),
    9: (".337", ".184", "1.816", "1.032", ".239", "1.761", ".969311"),
    10: (".308", ".223", "1.777", ".975", ".284", "1.716", ".972659"),
}


@pytest.mark.parametrize("size", sorted(TABLE))
def test_the_constants_are_those_of_the_tables(size: int) -> None:
    found = control_constants(size)
    named = (found.a2, found.d3, found.d4, found.a3, found.b3, found.b4, found.c4)
    for number, printed in zip(named, TABLE[size], strict=True):
        places = len(printed.partition(".")[2])
        # D4 of 3 and of 5 lies on a tie of its last place: 2.5746 and 2.1145 (read as such).
        assert float(number) == pytest.approx(float(printed), abs=0.6 * 10**-places)


@pytest.mark.parametrize("size", sorted(TABLE))
def test_the_constants_follow_from_their_definitions(size: int) -> None:
    found = control_constants(size)
    c4 = stats.chi(size - 1).mean() / math.sqrt(size - 1)
    assert float(found.c4) == pytest.approx(c4, rel=1e-10)
    assert float(found.a3) == pytest.approx(3 / (c4 * math.sqrt(size)), rel=1e-10)
    assert float(found.b4) == pytest.approx(1 + 3 * math.sqrt(1 - c4**2) / c4, rel=1e-9)
    assert float(found.b3) == pytest.approx(max(0, 1 - 3 * math.sqrt(1 - c4**2) / c4), abs=1e-9)
    # The mean of the range: the integral of 1 - Φ(x)^n - (1 - Φ(x))^n.
    d2, _ = integrate.quad(lambda x: 1 - stats.norm.cdf(x) ** size - stats.norm.sf(x) ** size, -10, 10)
    assert float(found.a2) == pytest.approx(3 / (d2 * math.sqrt(size)), rel=2e-6)


def test_the_limits_of_the_piston_rings() -> None:
    found = control_constants(5)
    centre, ranges = Decimal("74.00118"), Decimal("0.02276")
    assert round(centre + found.a2 * ranges, 5) == pytest.approx(Decimal("74.01431"), abs=Decimal("0.00001"))
    assert round(centre - found.a2 * ranges, 5) == pytest.approx(Decimal("73.98804"), abs=Decimal("0.00001"))
    assert round(found.d4 * ranges, 5) == pytest.approx(Decimal("0.04811"), abs=Decimal("0.00002"))
    assert found.d3 * ranges == 0


@pytest.mark.parametrize("size", [0, 1, 11])
def test_other_subgroups_have_no_constants_here(size: int) -> None:
    with pytest.raises(ValueError, match="subgroups of 2 to 10, not"):
        control_constants(size)


def test_a_size_is_kept_and_its_constants_are_found_once() -> None:
    assert control_constants(4).size == 4
    assert control_constants(4) is control_constants(4)


@pytest.mark.parametrize("size", [2, 5, 10, 25, 60])
def test_c4_of_any_size_is_the_mean_of_a_chi_variable(size: int) -> None:
    assert float(unbiasing_constant(size)) == pytest.approx(stats.chi(size - 1).mean() / math.sqrt(size - 1), rel=1e-10)


def test_one_reading_has_no_c4() -> None:
    with pytest.raises(ValueError, match="at least two values, not 1"):
        unbiasing_constant(1)

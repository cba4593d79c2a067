"""The normalized error against published tables of it, and its uncertainty against an independent library.

Sources, and how well each is known:

* The formula (x - X)/√(U² + U²) and |E_n| ≤ 1, U with k = 2: READ on the pages of two providers of proficiency tests, and in the
  introduction of a paper on choosing performance indicators (Accreditation and Quality Assurance, 2005), which takes it from
  ISO/IEC Guide 43-1. ISO 13528:2015, 9.7, and ISO/IEC 17043:2010, B.3: from MEMORY.
* A table of E_n: NIST, reference manual of Dataplot, "ISO 13528 EN SCORE" (public domain): method READ (expanded
  uncertainties as twice the standard deviation of a batch and of all data, assigned value 1), first four rows of its output
  READ, recomputed here. The page says itself that the figures show the mechanics and are no proficiency data.
* A table of zeta scores: the same manual, "ISO 13528 ZETA SCORE": first five rows READ. They are printed truncated.
* The data behind both, GEAR.DAT of the NIST/SEMATECH e-Handbook: from MEMORY; the printed rows agree to the last digit.
* Bound of 2 for zeta as the bound of 1 for E_n with k = 2: READ on the first of these pages.
* The covariance of two results that rest on one standard: JCGM 100, 5.2.2, from MEMORY; recomputed by `uncertainties`.
"""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction
from math import isclose, sqrt

import pytest
import uncertainties
from uncertainties import ufloat

from rules.normalized_error import normalized_error
from rules.statistics import standard_deviation

GEAR = (
    "1.006 0.996 0.998 1.000 0.992 0.993 1.002 0.999 0.994 1.000",
    "0.998 1.006 1.000 1.002 0.997 0.998 0.996 1.000 1.006 0.988",
    "0.991 0.987 0.997 0.999 0.995 0.994 1.000 0.999 0.996 0.996",
    "1.005 1.002 0.994 1.000 0.995 0.994 0.998 0.996 1.002 0.996",
    "0.998 0.998 0.982 0.990 1.002 0.984 0.996 0.993 0.980 0.996",
    "1.009 1.013 1.009 0.997 0.988 1.002 0.995 0.998 0.981 0.996",
    "0.990 1.004 0.996 1.001 0.998 1.000 1.018 1.010 0.996 1.002",
    "0.998 1.000 1.006 1.000 1.002 0.996 0.998 0.996 1.002 1.006",
    "1.002 0.998 0.996 0.995 0.996 1.004 1.004 0.998 0.999 0.991",
    "0.991 0.995 0.984 0.994 0.997 0.997 0.991 0.998 1.004 0.997",
)
BATCHES = [[Decimal(figure) for figure in row.split()] for row in GEAR]
ASSIGNED = Fraction(1)


def _scores(factor: int) -> list[tuple[Decimal, Decimal, Decimal]]:
    """Return figure, uncertainty of the laboratory and score of the first batch, as the two pages work them out."""
    reference = factor * standard_deviation([y for batch in BATCHES for y in batch])
    own = factor * standard_deviation(BATCHES[0])
    return [(y, own, normalized_error(Fraction(y) - ASSIGNED, own, reference).value) for y in BATCHES[0]]


def test_the_table_of_en_scores_in_the_manual_of_nist() -> None:
    published = [("1.006", "0.393"), ("0.996", "-0.262"), ("0.998", "-0.131"), ("1.000", "0.000")]
    for (figure, score), (y, own, found) in zip(published, _scores(2), strict=False):
        assert y == Decimal(figure)
        assert round(own, 3) == Decimal("0.009")
        assert round(found, 3) == Decimal(score)


def test_the_table_of_zeta_scores_in_the_manual_of_nist_and_that_with_k_2_en_is_half_of_zeta() -> None:
    published = [("1.006", "0.785"), ("0.996", "-0.523"), ("0.998", "-0.261"), ("1.000", "0.000"), ("0.992", "-1.047")]
    half = _scores(2)
    for at, (figure, score) in enumerate(published):
        y, own, zeta = _scores(1)[at]
        assert y == Decimal(figure)
        assert round(own, 3) == Decimal("0.004")
        assert int(zeta * 1000) == int(Decimal(score) * 1000)  # truncated, as printed
        assert isclose(2 * half[at][2], zeta, rel_tol=1e-30)


@pytest.mark.parametrize(("difference", "beyond"), [("5", False), ("-5", False), ("5.0001", True), ("-5.0001", True)])
def test_the_bound_is_one_and_one_itself_is_satisfactory(difference: str, beyond: bool) -> None:
    """Providers of proficiency tests: -1 ≤ E_n ≤ 1 passes (read)."""
    error = normalized_error(Fraction(difference), Decimal(3), Decimal(4))
    assert error.beyond is beyond
    assert (abs(error.value) > 1) is beyond


@pytest.mark.parametrize(
    ("x", "u", "y", "v"), [(83.2, 1.9, 79.4, 1.1), (2.31, 0.045, 2.52, 0.06), (101.0, 3.0, 101.0, 2.0)]
)
def test_the_uncertainty_of_the_difference_against_an_independent_library(
    x: float, u: float, y: float, v: float
) -> None:
    difference = ufloat(x, u) - ufloat(y, v)
    error = normalized_error(Fraction(x) - Fraction(y), Decimal(2 * u), Decimal(2 * v))
    assert isclose(error.expanded, 2 * difference.std_dev, rel_tol=1e-12)
    assert isclose(error.value, difference.nominal_value / (2 * difference.std_dev), rel_tol=1e-9, abs_tol=1e-15)


def test_what_one_standard_brings_to_both_is_taken_out_as_the_library_takes_it_out() -> None:
    standard = ufloat(0.0, 0.4)
    mine, theirs = ufloat(80.0, 1.2) + standard, ufloat(77.0, 0.9) + standard
    difference = mine - theirs
    error = normalized_error(
        Fraction(3), Decimal(2 * mine.std_dev), Decimal(2 * theirs.std_dev), (Decimal("0.8"), Decimal("0.8"))
    )
    assert isclose(error.expanded, 2 * difference.std_dev, rel_tol=1e-12)
    # By hand: the standard is in neither of what is left.
    assert isclose(error.expanded, 2 * sqrt(1.2**2 + 0.9**2), rel_tol=1e-12)
    matrix = uncertainties.covariance_matrix([mine, theirs])
    assert isclose(matrix[0][1], 0.16, rel_tol=1e-9)

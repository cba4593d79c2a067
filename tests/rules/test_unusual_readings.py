"""Flags on single readings: with the test, its numbers and nothing removed."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

from rules.unusual_readings import JudgedReading, unusual_readings
from schemas.units import Unit
from tests.rules.builders import shop

GAUGE = shop().gauge[0]


def _readings(shown: str, piece: str = "1", first: int = 1) -> list[JudgedReading]:
    return [
        JudgedReading(first + n, piece, "face", Fraction(Decimal(figure))) for n, figure in enumerate(shown.split())
    ]


def test_the_outlier_of_the_handbook_is_flagged_with_its_numbers() -> None:
    """NIST/SEMATECH e-Handbook, 1.3.5.17 (from memory, data and G agree): 245.57 is an outlier, G 2.4688."""
    taken = _readings("199.31 199.53 200.19 200.82 201.92 201.95 202.18 245.57")
    (flag,) = unusual_readings(taken, Unit.UM, GAUGE)
    assert (flag.number, flag.build) == (8, Fraction("245.57"))
    assert flag.sentence == (
        "reading 8, piece 1, face: 245.6 µm is unusual among the 8 there (Grubbs: G = 2.469, critical 2.274 at 1 %). It "
        "counts; look at the spot and read it again before anything is said against it"
    )


def test_readings_are_tested_among_those_of_their_own_piece_and_place() -> None:
    thin, thick = _readings("60 61 60 61 60"), _readings("90 91 90 91 90", "2", 6)
    assert unusual_readings([*thin, *thick], Unit.UM, GAUGE) == ()


def test_a_reading_within_the_gauge_s_own_accuracy_is_not_unusual_however_alike_the_others_are() -> None:
    # a + b·t of this gauge at 50 µm is 1.5 µm.
    assert unusual_readings(_readings("50 50 50 50 51"), Unit.UM, GAUGE) == ()
    (flag,) = unusual_readings(_readings("50 50 50 50 53"), Unit.UM, GAUGE)
    assert flag.number == 5
    assert len(unusual_readings(_readings("50 50 50 50 51"), Unit.UM, None)) == 1


def test_the_accuracy_counts_in_the_unit_of_the_job() -> None:
    # 1.5 µm are 0.06 mil at 2 mil.
    assert unusual_readings(_readings("2.00 2.00 2.00 2.00 2.05"), Unit.MIL, GAUGE) == ()
    assert len(unusual_readings(_readings("2.00 2.00 2.00 2.00 2.15"), Unit.MIL, GAUGE)) == 1


def test_two_readings_or_two_alike_on_either_side_are_not_tested() -> None:
    assert unusual_readings(_readings("50 90"), Unit.UM, GAUGE) == ()
    assert unusual_readings(_readings("40 50 60"), Unit.UM, GAUGE) == ()

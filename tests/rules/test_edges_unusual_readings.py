"""Which readings are flagged, word for word. Numbers are invented."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

from rules.unusual import critical_distance, grubbs
from rules.unusual_readings import JudgedReading, UnusualReading, unusual_readings
from schemas.shop import Gauge
from schemas.units import Unit
from tests.rules.builders import shop

LEVEL = Decimal("0.01")


def _gauge(accuracy_um: str, percent: str = "0") -> Gauge:
    return (
        shop().gauge[0].model_copy(update={"accuracy_um": Decimal(accuracy_um), "accuracy_percent": Decimal(percent)})
    )


def _taken(figures: str, piece: str = "1", location: str = "rail", first: int = 1) -> list[JudgedReading]:
    return [JudgedReading(first + at, piece, location, Fraction(build)) for at, build in enumerate(figures.split())]


#: 60 to 62 and one of 90: the mean is 66.
FAR = "60 61 62 60 61 62 60 61 62 61 90"


def test_a_flag_says_which_reading_and_by_which_numbers_and_that_it_counts() -> None:
    taken = _taken(FAR, first=4)
    test = grubbs([reading.build for reading in taken], level=LEVEL)
    critical = critical_distance(11, level=LEVEL)
    assert unusual_readings(taken, Unit.UM, None) == (
        UnusualReading(
            14,
            "1",
            "rail",
            Fraction(90),
            test.distance,
            critical,
            f"reading 14, piece 1, rail: 90.0 µm is unusual among the 11 there (Grubbs: G = {test.distance:.3f}, critical "
            f"{critical:.3f} at 1 %). It counts; look at the spot and read it again before anything is said against it",
        ),
    )
    # Tables of Grubbs' test, either side at 1 %, have 2.564 for 11 (from memory).
    assert round(critical, 2) == Decimal("2.56")


def test_each_location_on_each_piece_is_a_group_of_its_own_and_flags_stand_in_the_order_taken() -> None:
    late, early = _taken(FAR, piece="1", first=30), _taken(FAR, piece="2", first=1)
    other = _taken(FAR, location="lid", first=60)
    found = unusual_readings([*late, *early, *other], Unit.UM, None)
    assert [(flag.number, flag.piece, flag.location) for flag in found] == [
        (11, "2", "rail"),
        (40, "1", "rail"),
        (70, "1", "lid"),
    ]
    # Spread over three pieces no group is large enough to tell.
    apart = [JudgedReading(r.number, f"{r.number}", r.location, r.build) for r in early]
    assert unusual_readings(apart, Unit.UM, None) == ()


def test_three_readings_are_a_group_and_two_are_none() -> None:
    assert unusual_readings(_taken("60 60"), Unit.UM, None) == ()
    (flag,) = unusual_readings(_taken("60 60 90"), Unit.UM, None)
    assert flag.number == 3


def test_readings_that_agree_are_none_of_them_unusual() -> None:
    assert unusual_readings(_taken("60 60 60 60"), Unit.UM, None) == ()
    assert unusual_readings(_taken("60 61 62"), Unit.UM, None) == ()


def test_a_reading_that_is_unusual_at_five_percent_and_not_at_one_is_not_flagged() -> None:
    values = FAR.replace("90", "65")
    assert grubbs([Fraction(x) for x in values.split()]).unusual
    assert unusual_readings(_taken(values), Unit.UM, None) == ()


def test_a_reading_within_the_gauges_accuracy_of_the_mean_is_not_called_unusual() -> None:
    """60, 60 and 63: the mean is 61, and 63 stands 2 from it."""
    taken = _taken("60 60 63")
    assert unusual_readings(taken, Unit.UM, _gauge("2")) == ()
    assert len(unusual_readings(taken, Unit.UM, _gauge("1.99"))) == 1
    # 1.39 and 1 % of 61 are 2.
    assert unusual_readings(taken, Unit.UM, _gauge("1.39", "1")) == ()
    assert len(unusual_readings(taken, Unit.UM, _gauge("1.38", "1"))) == 1


def test_the_accuracy_is_taken_over_into_the_unit_of_the_builds() -> None:
    """2, 2 and 2.3 mil: the mean is 2.1, and 0.2 mil are 5.08 µm; 1 % of 53.34 µm is 0.5334."""
    taken = _taken("2 2 2.3")
    assert unusual_readings(taken, Unit.MIL, _gauge("5.08")) == ()
    assert len(unusual_readings(taken, Unit.MIL, _gauge("5.07"))) == 1
    assert unusual_readings(taken, Unit.MIL, _gauge("4.5466", "1")) == ()
    assert len(unusual_readings(taken, Unit.MIL, _gauge("4.5465", "1"))) == 1
    assert "2.30 mil is unusual" in unusual_readings(taken, Unit.MIL, None)[0].sentence


def test_a_low_reading_is_as_unusual_as_a_high_one() -> None:
    (flag,) = unusual_readings(_taken("63 63 60"), Unit.UM, _gauge("1.99"))
    assert flag.build == 60
    assert unusual_readings(_taken("63 63 60"), Unit.UM, _gauge("2")) == ()

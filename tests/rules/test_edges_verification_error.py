"""What becomes of the error at verification, worked by hand and word for word."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from fractions import Fraction

import pytest

from rules.results import Coverage, GateState, ReadingCoverage
from rules.statistics import square_root
from rules.uncertainty import GaugeKnowledge, Spread
from rules.verification_error import Correcting, corrected_readings, correcting, one_gauge_unadjusted
from schemas.gauge_checks import GaugeCheck
from schemas.readings import GaugeReading
from schemas.vocabulary import VerificationError
from tests.rules.builders import at, event, reading, shop

CARRIED, CORRECTED, LINE = VerificationError.CARRIED, VerificationError.CORRECTED, VerificationError.LINE
GAUGE = shop().gauge[0]


def _row(
    serial: str | None, certified: str | None, figures: str, u: str | None = "0.8", check: str = "V-1"
) -> GaugeCheck:
    """Return what was read on one standard; its mean is kept to four decimals, as a check is."""
    read = [Decimal(figure) for figure in figures.split()]
    mean = None if not read else (sum(read, Decimal(0)) / len(read)).quantize(Decimal("0.0001"))
    return event(
        check,
        "verification",
        at(8),
        standard_id=serial,
        certified_um=None if certified is None else Decimal(certified),
        certified_u_um=None if u is None else Decimal(u),
        readings_um=read,
        mean_um=mean,
    )


#: Errors of +1, +2 and +6 on 0, 50 and 100 µm.
ROWS = [_row("F-100", "100", "105 107"), _row("Z-0", "0", "1 1"), _row("F-50", "50", "51 53")]


def _how(policy: VerificationError, rows: list[GaugeCheck] = ROWS) -> Correcting:
    found = correcting(policy, "V-1", rows)
    assert found is not None
    return found


# What is done


def test_the_rows_of_the_check_stand_by_their_certified_thickness() -> None:
    other = _row("F-25", "25", "26", check="V-2")
    unread, uncertified = _row("F-75", "75", ""), _row("F-0", None, "3")
    found = _how(CARRIED, [*ROWS, other, unread, uncertified])
    assert [row.standard_id for row in found.rows] == ["Z-0", "F-50", "F-100"]
    assert (found.check_id, found.policy, found.line, found.said) == ("V-1", CARRIED, None, "")
    for policy in VerificationError:
        assert correcting(policy, "V-9", ROWS) is None
        assert correcting(policy, "V-1", [unread, uncertified]) is None


def test_an_error_that_is_carried_corrects_nothing() -> None:
    assert _how(CARRIED).at(Decimal(80)) == 0


def test_corrected_on_the_nearest_standard_a_reading_loses_that_standards_error() -> None:
    found = _how(CORRECTED)
    assert (found.policy, found.line) == (CORRECTED, None)
    assert [found.at(Decimal(t)) for t in ("-3", "24.9", "25", "25.1", "75", "75.1", "300")] == [
        -1,
        -1,
        -1,
        -2,
        -2,
        -6,
        -6,
    ]
    assert str(found.at(Decimal(0))) == "-1.0000"
    assert found.said == (
        "Readings are corrected for the error that check V-1 found on the nearest standard: -1.0000 µm at Z-0, -2.0000 µm "
        "at F-50, -6.0000 µm at F-100."
    )


def test_a_gauge_that_reads_low_is_corrected_upwards() -> None:
    found = _how(CORRECTED, [_row("F-50", "50", "48.5 48.5")])
    assert found.at(Decimal(60)) == Decimal("1.5")
    assert "+1.5000 µm at F-50." in found.said


def test_a_standard_that_was_read_once_shows_no_spread_so_the_error_is_carried() -> None:
    found = _how(CORRECTED, [ROWS[1], _row("F-50", "50", "52")])
    assert found.policy is CARRIED
    assert found.at(Decimal(50)) == 0
    assert found.said == (
        "The policy corrects readings for the error at verification, but check V-1 read standard F-50 once only, so how good "
        "a correction is cannot be told: the error is carried instead."
    )


# The line


def test_by_a_line_a_reading_loses_what_the_line_says() -> None:
    """Readings 1, 52, 106 with corrections -1, -2, -6: means 53 and -3; slope -264 over 5514, by least squares."""
    found = _how(LINE)
    assert found.policy is LINE
    assert found.line is not None
    x, y = [1 - 53, 52 - 53, 106 - 53], [-1 + 3, -2 + 3, -6 + 3]
    slope = Fraction(sum(a * b for a, b in zip(x, y, strict=True)), sum(a * a for a in x))
    assert (found.line.reference, found.line.offset, found.line.slope) == (53, -3, slope)
    assert found.at(Decimal(53)) == -3
    # Rounded to four decimals of a µm.
    assert found.at(Decimal(153)) == Decimal("-7.7878")
    residual = sum((b - slope * a) ** 2 for a, b in zip(x, y, strict=True))
    assert found.line.residual == square_root(Fraction(residual))
    assert found.said == (
        "Readings are corrected by the calibration line through the 3 standards of check V-1: -3.00 µm at 53.0 µm, "
        "-4.79 µm for each 100 µm more (s 1.17 µm)."
    )


@pytest.mark.parametrize("rows", [ROWS[:2], [*ROWS[:2], _row("F-99", "99", "106")]], ids=["two", "two that read alike"])
def test_fewer_than_three_readings_that_differ_make_no_line(rows: list[GaugeCheck]) -> None:
    found = _how(LINE, rows)
    assert (found.policy, found.line, found.at(Decimal(50))) == (CARRIED, None, 0)
    assert found.said == (
        "The policy corrects readings by a calibration line, which needs three standards; check V-1 has 2 that were read "
        "apart from each other: the error is carried instead."
    )


# What is then known of the gauge


def test_what_is_known_of_a_gauge_whose_error_is_carried() -> None:
    assert _how(CARRIED).knowledge(GAUGE, Decimal("0.1"), Fraction(80)) == GaugeKnowledge(
        accuracy_um=Decimal(1),
        accuracy_percent=Decimal(1),
        step_um=Decimal("0.1"),
        standard="F-100",
        standard_u_um=Decimal("0.8"),
        error_um=Decimal(6),
    )
    nameless = _how(CARRIED, [_row(None, "50", "52", u=None)]).knowledge(GAUGE, Decimal(1), Fraction(80))
    assert (nameless.standard, nameless.standard_u_um, nameless.step_um) == ("standard", 0, 1)


def test_what_is_known_of_a_gauge_that_is_corrected_on_a_standard() -> None:
    """On F-100 105 and 107 were read: s² is 2, that of their mean 1."""
    known = _how(CORRECTED).knowledge(GAUGE, Decimal("0.1"), Fraction(80))
    assert (known.standard, known.error_um, known.corrected) == ("F-100", 6, True)
    assert (known.error_standard_um, known.error_degrees) == (1, 1)


def test_what_is_known_of_a_gauge_that_is_corrected_by_a_line() -> None:
    how = _how(LINE)
    known = how.knowledge(GAUGE, Decimal("0.1"), Fraction(53))
    assert how.line is not None
    found = how.line.at(Fraction(53))
    assert (known.standard, known.error_um, known.corrected) == ("F-50", 3, True)
    assert (known.error_standard_um, known.error_degrees) == (found.standard, 1)
    assert how.knowledge(GAUGE, Decimal("0.1"), Fraction(153)).error_um == Decimal("7.7878")


def test_how_readings_on_the_standards_repeat_is_pooled_over_them() -> None:
    """Squares about the means: 2, 0 and 2, over 3 degrees."""
    assert _how(CARRIED).repeats == Spread(Fraction(4, 3), 3, "6 readings on 3 standards")
    one_of_two = _how(CARRIED, [ROWS[0], _row("F-50", "50", "52")])
    assert one_of_two.repeats == Spread(Fraction(2), 1, "3 readings on 2 standards")
    assert _how(CARRIED, [_row("F-50", "50", "52")]).repeats is None


# Readings


def _covered(*checks: str | None) -> Coverage:
    entries = tuple(ReadingCoverage(n, GateState.COVERED, "", check, None) for n, check in enumerate(checks, 1))
    return Coverage(GateState.COVERED, "", entries, None, None, None, 0)


def _read(*figures: str) -> list[GaugeReading]:
    return [reading(n, figure, "um") for n, figure in enumerate(figures, 1)]


def test_each_reading_is_corrected_by_the_check_that_opened_it() -> None:
    low = _how(CORRECTED, [_row("F-50", "50", "48.5 48.5")])
    taken = _read("80", "80", "80", "80")
    found = corrected_readings(taken, _covered("V-1", "V-2", None), {"V-1": _how(CORRECTED), "V-2": low})
    assert [r.thickness_um for r in found] == [74, Decimal("81.5"), 80, 80]
    assert str(found[0].thickness_um) == "74.0000"
    assert found[0] == replace(taken[0], thickness_um=Decimal(74))


def test_the_base_metal_value_is_corrected_at_its_own_thickness() -> None:
    (found,) = corrected_readings(
        [reading(1, "80", "um", base_metal_um=Decimal(10))], _covered("V-1"), {"V-1": _how(CORRECTED)}
    )
    assert (found.thickness_um, found.base_metal_um) == (74, 9)


def test_where_errors_are_carried_readings_stay_as_they_are() -> None:
    taken = _read("80", "80")
    carried = _how(CARRIED)
    assert corrected_readings(taken, _covered("V-1", "V-1"), {"V-1": carried}) == taken
    assert corrected_readings(taken, _covered("V-1", "V-1"), {}) == taken
    mixed = corrected_readings(taken, _covered("V-1", "V-2"), {"V-1": carried, "V-2": _how(CORRECTED)})
    assert [r.thickness_um for r in mixed] == [80, 74]


# One gauge


def test_one_gauge_in_one_mode_without_an_adjustment_between() -> None:
    taken = [reading(1, "5", "um", coat_stage="bare", taken_at=at(9)), reading(2, "80", "um", taken_at=at(11))]
    assert one_gauge_unadjusted(taken, [])
    assert not one_gauge_unadjusted([*taken, reading(3, "80", "um", gauge_serial="HG-8")], [])
    assert not one_gauge_unadjusted([*taken, reading(3, "80", "um", probe_mode="eddy-current")], [])
    assert one_gauge_unadjusted([*taken, reading(3, "80", "um", gauge_serial="HG-8", counted=False)], [])
    assert not one_gauge_unadjusted([], [])


@pytest.mark.parametrize(("hour", "one"), [(8, True), (9, False), (10, False), (11, False), (12, True)])
def test_an_adjustment_between_the_first_and_the_last_reading_parts_them(hour: int, one: bool) -> None:
    taken = [reading(1, "5", "um", coat_stage="bare", taken_at=at(9)), reading(2, "80", "um", taken_at=at(11))]
    assert one_gauge_unadjusted(taken, [event("A-1", "adjustment", at(hour))]) is one
    assert one_gauge_unadjusted(taken, [event("E-1", "incident", at(hour))])


def test_a_zero_plate_is_the_thinnest_standard_and_nothing_read_on_it_is_a_reading() -> None:
    rows = [_row("F-thin", "0.5", "0.5 0.5"), _row("Z-0", "0", "0 0"), _row("F-50", "50", "51 51")]
    assert [row.standard_id for row in _how(CARRIED, rows).rows] == ["Z-0", "F-thin", "F-50"]
    line = _how(LINE, rows).line
    assert line is not None
    assert line.reference == Fraction("51.5") / 3


def test_what_the_gauge_showed_is_found_from_what_was_made_of_it() -> None:
    """Errors of 1, 2 and 6 on 0, 50 and 100: what showed 60 became 58, and what showed 80 became 74."""
    carried, nearest, line = _how(CARRIED), _how(CORRECTED), _how(LINE)
    assert [carried.uncorrected(Fraction(t)) for t in (3, 60)] == [3, 60]
    assert [nearest.uncorrected(Fraction(t)) for t in (3, 58, 74)] == [4, 60, 80]
    # 74.9 became 72.9, 75 became 73 and 75.1 became 69.1: from 69 to 73 either standard could be, and the nearer figure is taken.
    assert nearest.uncorrected(Fraction(70)) == 72
    for shown in (Fraction(4), Fraction(60), Fraction(110)):
        assert line.uncorrected(shown + Fraction(line.at(Decimal(int(shown))))) == pytest.approx(shown, abs=1e-4)


def test_a_thickness_that_no_figure_became_is_looked_up_as_it_is() -> None:
    """Errors of 0 and -6: what showed 24.9 became 24.9, and what showed 25.1 became 31.1."""
    how = _how(CORRECTED, [_row("Z-0", "0", "0 0"), _row("F-50", "50", "44 44")])
    assert [how.uncorrected(Fraction(t)) for t in (20, 28, 40)] == [20, 28, 34]

"""Every rounding of a page, and how a moment, a limit and a fingerprint are written."""

from __future__ import annotations

from datetime import UTC, datetime
from decimal import Decimal
from fractions import Fraction
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from report.figures import (
    DASH,
    as_shown,
    as_written,
    figure,
    figure_between,
    fingerprint,
    limits,
    moment,
    places_of,
    two_figures,
)
from schemas.units import Unit
from tests.report import scenario


@pytest.mark.parametrize(
    ("number", "places", "written"),
    [
        (Fraction(1, 3), 2, "0.33"),
        (Fraction(-1, 1000), 1, "0.0"),
        (Fraction(-1, 20), 1, "0.0"),
        (Decimal("-0.0"), 1, "0.0"),
        (Fraction(-5, 2), 1, "\u22122.5"),
        (Fraction(5, 2), 0, "2"),
        (Fraction(7, 2), 0, "4"),
        (None, 1, "\u2013"),
    ],
)
def test_a_number_is_rounded_once_half_to_even_and_never_to_minus_zero(
    number: Fraction | None, places: int, written: str
) -> None:
    assert figure(number, places) == written


@given(st.fractions(min_value=-3, max_value=3), st.integers(0, 4))
def test_no_number_is_printed_with_a_hyphen_or_as_minus_zero(number: Fraction, places: int) -> None:
    written = figure(number, places)
    assert "-" not in written
    assert not (written.startswith("\u2212") and Decimal(written[1:]) == 0)
    assert abs(Fraction(Decimal(written.replace("\u2212", "-"))) - number) <= Fraction(1, 2 * 10**places)


@pytest.mark.parametrize(
    ("number", "written"),
    [("59.96", "59.96"), ("60", "60.0"), ("60.04", "60.04"), ("61.04", "61.0"), ("59.999", "59.999")],
)
def test_a_rounded_number_never_lies_about_the_limit_beside_it(number: str, written: str) -> None:
    assert figure_between(Fraction(number), 1, [Decimal("60.0"), None]) == written


@given(st.fractions(min_value=59, max_value=61, max_denominator=997), st.integers(0, 3))
def test_a_printed_number_stands_on_the_side_of_the_limit_that_the_exact_one_does(n: Fraction, places: int) -> None:
    printed = Fraction(Decimal(figure_between(n, places, [Decimal(60)])))
    assert (printed < 60, printed > 60) == (n < 60, n > 60)


def test_figures_of_a_gauge_and_of_a_limit_keep_their_decimals_and_get_a_real_minus() -> None:
    assert (as_shown("-0.40"), as_shown("88"), as_written(Decimal("-1.50"))) == ("\u22120.40", "88", "\u22121.50")


def test_a_moment_carries_its_offset_in_summer_and_in_winter() -> None:
    zone = ZoneInfo("Europe/Berlin")
    summer, winter = datetime(2026, 7, 1, 12, 0, tzinfo=UTC), datetime(2026, 1, 1, 12, 0, tzinfo=UTC)
    assert moment(summer, zone).replace("\u00a0", " ") == "2026-07-01 14:00 (UTC+02:00)"
    assert moment(winter, zone).replace("\u00a0", " ") == "2026-01-01 13:00 (UTC+01:00)"


@pytest.mark.parametrize(
    ("zone", "written"),
    [
        ("America/St_Johns", "2026-01-01 08:30 (UTC\u221203:30)"),
        ("Asia/Kathmandu", "2026-01-01 17:45 (UTC+05:45)"),
        ("Pacific/Kiritimati", "2026-01-02 02:00 (UTC+14:00)"),
        ("UTC", "2026-01-01 12:00 (UTC+00:00)"),
    ],
)
def test_an_offset_may_be_negative_and_need_not_be_whole_hours(zone: str, written: str) -> None:
    """Offsets: IANA time zone database, from memory."""
    assert moment(datetime(2026, 1, 1, 12, 0, tzinfo=UTC), ZoneInfo(zone)).replace("\u00a0", " ") == written


def test_limits_say_which_of_them_there_is() -> None:
    given_ends = [(Decimal("2.0"), Decimal("4.0")), (Decimal(2), None), (None, Decimal(4)), (None, None)]
    shown = [limits(*ends).replace("\u00a0", " ") for ends in given_ends]
    assert shown == ["2.0 \u2013 4.0", "≥ 2", "≤ 4", "\u2013"]


def test_a_fingerprint_is_written_in_groups_of_four() -> None:
    assert fingerprint("0123456789ab") == "0123 4567 89ab"


def test_a_figure_in_mil_carries_two_places_more_than_one_in_micrometres() -> None:
    """1 mil is 25.4 µm (ISO 31-0 and NIST SP 811: 1 in = 25.4 mm exactly, from memory)."""
    readings = scenario.evidence(scenario.job(["face"]), shown=[["88", "88.5", "90", "91", "92"]]).readings
    assert places_of(readings, Unit.UM) == 1
    assert places_of(readings, Unit.MIL) == 3
    assert places_of([], Unit.UM) == 0


@pytest.mark.parametrize(
    ("number", "written"),
    [
        ("0.1804", "0.18"),
        ("4.163", "4.2"),
        ("12.36", "12"),
        ("9.96", "10"),
        ("0.0996", "0.10"),
        ("0.095", "0.095"),
        ("130.2", "130"),
        ("0", "0"),
        ("1", "1.0"),
        (None, DASH),
    ],
)
def test_an_expanded_uncertainty_has_two_figures(number: str | None, written: str) -> None:
    """JCGM 100, 7.2.6 (from memory): at most two significant figures."""
    assert two_figures(None if number is None else Fraction(number)) == written

"""What a gauge's error could mean for readings in doubt: sums done by hand, and laws."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta
from decimal import Decimal
from fractions import Fraction

from hypothesis import given
from hypothesis import strategies as st

from rules.doubt import Cause, Doubt, in_doubt
from rules.doubt_estimate import ErrorFound, Estimate, Outcome, errors_found, errors_near, estimate
from rules.verdict import Verdict
from schemas.job import Job
from schemas.readings import GaugeReading
from tests.rules.builders import GAUGE, NINE, at, job, location, reading, readings, verification

F = Fraction
#: Reads 2 µm too high at 50 and 6 µm too high at 150.
OFF = (ErrorFound("F-50", F(50), F(2)), ErrorFound("F-150", F(150), F(6)))
DOUBT = Doubt(Cause.FAILED_CHECK, GAUGE, "magnetic", at(8), at(17), check_id="V-2", error_of="V-2")
ONE_FACE = job(location("front face", "60", "100", spots=1, readings_per_spot=1), unit="um")


def guess(
    read: Sequence[GaugeReading],
    errors: Sequence[ErrorFound] = OFF,
    told: str | None = None,
    of: Job = ONE_FACE,
    doubt: Doubt = DOUBT,
) -> Estimate | None:
    return estimate(of, read, in_doubt(read, [doubt]), {"V-2": errors}, None if told is None else F(told))


def test_the_error_is_that_of_the_standards_next_to_the_reading() -> None:
    assert errors_near(F(80), OFF) == (2, 6)
    assert errors_near(F(50), OFF) == (2,)
    assert errors_near(F(150), OFF) == (6,)
    assert errors_near(F(20), OFF) == (2,)
    assert errors_near(F(300), OFF) == (6,)
    assert errors_near(F(80), ()) == ()


def test_the_errors_of_a_check_are_exact_though_the_archive_keeps_them_rounded() -> None:
    rows = verification("V-2", at(17), passed=False, standards=(("F-125", "125"), ("Z-0", "0")))
    thirds = replace(rows[0], readings_um=[Decimal(130), Decimal(130), Decimal(131)], error_um=Decimal("5.3333"))
    assert errors_found([thirds, rows[1]]) == (
        ErrorFound("Z-0", F(0), F(rows[1].mean_um or 0)),
        ErrorFound("F-125", F(125), F(16, 3)),
    )
    assert errors_found([replace(rows[0], readings_um=None)])[0].error_um == F(rows[0].error_um or 0)


def test_a_build_gets_the_least_and_the_most_that_the_two_errors_leave_of_it() -> None:
    found = guess(readings("80", "um"))
    assert found is not None
    (place,) = found.places
    assert (place.recorded, place.estimated) == ((80, 80), (74, 78))
    assert (found.as_recorded, found.outcome, found.beyond) == (Verdict.PASS, Outcome.WITHIN, False)


def test_on_the_limit_is_within_and_a_hair_beyond_is_not() -> None:
    within, beyond = guess(readings("66", "um")), guess(readings("65.9999", "um"))
    assert within is not None
    assert beyond is not None
    assert (within.outcome, within.places[0].estimated) == (Outcome.WITHIN, (60, 64))
    assert (beyond.outcome, beyond.as_recorded) == (Outcome.OUTSIDE, Verdict.PASS)


def test_an_error_can_bring_within_what_was_recorded_outside() -> None:
    found = guess(readings("101", "um"))
    assert found is not None
    assert (found.as_recorded, found.outcome) == (Verdict.FAIL, Outcome.WITHIN)


def test_conformity_is_asked_in_the_unit_of_the_specification() -> None:
    """2.0 mil is 50.8 µm exactly; 52.07 µm less 1.27 µm (0.05 mil) is on it, and any more is beyond."""
    mil = job(location("front face", "2.0", "4.0", spots=1, readings_per_spot=1), unit="mil")
    on, beyond = (
        guess(readings("52.07", "um"), told="1.27", of=mil),
        guess(readings("52.07", "um"), told="1.2701", of=mil),
    )
    assert on is not None
    assert beyond is not None
    assert (on.places[0].estimated, on.outcome) == ((2, 2), Outcome.WITHIN)
    assert beyond.outcome is Outcome.OUTSIDE


def test_the_error_of_a_base_metal_reading_works_the_other_way_and_may_not_have_applied() -> None:
    read = [
        reading(1, "20", "um", coat_stage="bare", counted=False),
        reading(2, "100", "um", base_metal_um=Decimal(20)),
    ]
    found = guess(read)
    assert found is not None
    # 80 less 2 to 6 of the film's reading, and 0 or 2 more for the base reading.
    assert found.places[0].estimated == (74, 80)
    later = [read[0], replace(read[1], taken_at=at(18))]
    found = guess(later)
    assert found is not None
    assert found.places[0].estimated == (80, 82)


def test_readings_outside_the_doubt_stay_as_they_were_recorded() -> None:
    read = [reading(1, "80", "um"), reading(2, "70", "um", taken_at=at(18))]
    found = guess(read)
    assert found is not None
    assert found.places[0].estimated == (70, 78)


def test_nothing_is_estimated_where_no_error_is_known() -> None:
    assert guess(readings("80", "um"), ()) is None
    assert guess(readings("80", "um"), doubt=replace(DOUBT, error_of=None)) is None
    assert guess(readings("80", "um"), doubt=replace(DOUBT, end=NINE - timedelta(minutes=5)), told="1") is None


def test_what_is_told_holds_alone_and_at_any_thickness() -> None:
    found = guess(readings("80 90", "um"), told="-3")
    assert found is not None
    assert (found.places[0].estimated, found.beyond) == ((83, 93), False)


def test_a_reading_beyond_the_standards_is_said_to_be() -> None:
    found = guess(readings("160", "um"))
    assert found is not None
    assert found.beyond


def test_the_jobs_own_rule_judges_the_estimate() -> None:
    """Level 3 of SSPC-PA 2 lets a spot be down to 80 % of the minimum: 66 less 6 is a spot of 60 under 70, and 56 is allowed."""
    place = location("front face", "70", "100", spots=5, readings_per_spot=3)
    pa2 = job(place, unit="um", rule={"name": "sspc-pa2", "level": 3})
    read = readings(["66"] * 3 + ["80"] * 12, "um", per_spot=3)
    found = guess(read, of=pa2)
    assert found is not None
    assert (found.as_recorded, found.outcome) == (Verdict.PASS, Outcome.WITHIN)
    strict = guess(read, of=job(place, unit="um"))
    assert strict is not None
    assert strict.outcome is Outcome.OUTSIDE


um = st.decimals(min_value=10, max_value=200, places=1)
error = st.decimals(min_value=-9, max_value=9, places=1)


@given(st.lists(um, min_size=1, max_size=6), error, error)
def test_the_estimate_is_within_where_every_build_is_within_with_both_errors(
    shown: list[Decimal], low: Decimal, high: Decimal
) -> None:
    errors = (ErrorFound("F-50", F(50), F(low)), ErrorFound("F-150", F(150), F(high)))
    found = guess(
        readings([str(s) for s in shown], "um"),
        errors,
        of=job(location("front face", "60", "100", spots=1, readings_per_spot=1), unit="um"),
    )
    assert found is not None
    possible = [F(s) - e for s in shown for e in errors_near(F(s), errors)]
    assert found.places[0].estimated == (min(possible), max(possible))
    within = all(60 <= build <= 100 for build in possible)
    assert found.outcome is (Outcome.WITHIN if within else Outcome.OUTSIDE)

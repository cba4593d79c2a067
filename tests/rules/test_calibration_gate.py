"""The gate: every state, every reason, and the look-back."""

from __future__ import annotations

import random
from datetime import date, timedelta
from decimal import Decimal
from fractions import Fraction

import pytest

from rules.calibration_gate import cover, doubt_interval, judge_standard, readings_in_doubt, summarize_check
from rules.results import Coverage, GateState
from schemas.errors import BadInput
from schemas.gauge_checks import GaugeCheck
from schemas.vocabulary import ToleranceRule
from tests.rules.builders import (
    GAUGE,
    NINE,
    at,
    both_checks,
    event,
    job,
    location,
    reading,
    readings,
    shop,
    verification,
)


def covered(checks: list[GaugeCheck], *, places: tuple[dict[str, object], ...] = (), **policy: object) -> Coverage:
    """Return the coverage of two readings taken at 9:01 and 9:02."""
    return cover(readings("2.5 2.6"), checks, job(*places), shop(**policy))


def test_readings_between_two_passed_checks_are_covered() -> None:
    coverage = covered(both_checks())
    assert coverage.state is GateState.COVERED
    assert coverage.sentence == (
        "All 2 readings are covered: gauge HG-7 (magnetic) passed check V-1 before and check V-2 after."
    )
    assert coverage.doubtful == 0
    assert [entry.reading_no for entry in coverage.readings] == [1, 2]
    assert coverage.opening is not None
    assert coverage.opening.check_id == "V-1"
    assert coverage.opening.standards == ("Z-0", "F-125")
    assert coverage.closing is not None
    assert coverage.closing.check_id == "V-2"
    assert coverage.last_good is None


def test_without_readings_nothing_is_covered() -> None:
    coverage = cover([], both_checks(), job(), shop())
    assert coverage.state is GateState.UNCOVERED
    assert coverage.readings == ()


def test_without_any_check_readings_are_uncovered() -> None:
    coverage = covered([])
    assert coverage.state is GateState.UNCOVERED
    assert coverage.sentence == (
        "2 of 2 readings are not covered: gauge HG-7 (magnetic) has no check on record before the reading. "
        "Check the gauge and measure these again."
    )
    assert coverage.doubtful == 2
    assert coverage.opening is None


def test_a_closing_check_that_is_required_and_missing_leaves_readings_open() -> None:
    coverage = covered(verification("V-1", at(8)))
    assert coverage.state is GateState.OPEN
    assert coverage.closing is None
    assert coverage.doubtful == 2
    assert "wait for their closing check" in coverage.sentence


def test_a_closing_check_that_is_not_required_may_be_missing() -> None:
    assert covered(verification("V-1", at(8)), closing_required=False).state is GateState.COVERED


def test_a_closing_check_that_is_not_required_still_counts_when_it_fails() -> None:
    checks = [*verification("V-1", at(8)), *verification("V-2", at(17), passed=False)]
    assert covered(checks, closing_required=False).state is GateState.SUSPECT


@pytest.mark.parametrize("occasion", ["closing", "drop", "opening"])
def test_a_failed_check_after_the_readings_makes_them_suspect_whatever_its_occasion(occasion: str) -> None:
    checks = [*verification("V-1", at(8)), *verification("V-2", at(17), passed=False, occasion=occasion)]
    coverage = covered(checks)
    assert coverage.state is GateState.SUSPECT
    assert coverage.sentence == (
        "2 of 2 readings are in doubt: gauge HG-7 (magnetic) failed the next check after the reading: V-2 "
        "(2026-03-03 17:00), error +5.0 µm on F-125 (125.0 µm) against a tolerance of ±2.4 µm; the last good check "
        "is V-1 (2026-03-03 08:00). Put the gauge right, check it, and measure these again; look back at what else it "
        "measured."
    )
    assert coverage.last_good is not None
    assert coverage.last_good.check_id == "V-1"
    assert coverage.doubtful == 2


def test_a_failed_check_with_none_good_before_it_says_so() -> None:
    coverage = covered(verification("V-2", at(17), passed=False))
    assert coverage.state is GateState.SUSPECT
    assert "no earlier check passed" in coverage.sentence
    assert coverage.last_good is None


def test_an_opening_check_that_failed_leaves_readings_uncovered() -> None:
    coverage = covered([*verification("V-1", at(8), passed=False), *verification("V-2", at(17))])
    assert coverage.state is GateState.UNCOVERED
    assert "failed its last check before the reading: V-1" in coverage.sentence


def test_a_check_that_passed_after_the_failed_opening_one_counts() -> None:
    checks = [
        *verification("V-0", at(8), passed=False),
        event("A-1", "adjustment", at(8, 10)),
        *verification("V-1", at(8, 20)),
        *verification("V-2", at(17)),
    ]
    coverage = covered(checks)
    assert coverage.state is GateState.COVERED
    assert coverage.opening is not None
    assert coverage.opening.check_id == "V-1"


def test_a_check_that_failed_on_one_standard_of_two_failed() -> None:
    rows = verification("V-1", at(8), passed=False)
    assert [row.within for row in rows] == [True, False]
    assert covered([*rows, *verification("V-2", at(17))]).state is GateState.UNCOVERED


def test_a_verification_that_measured_nothing_is_none() -> None:
    nothing = event("V-1", "verification", at(8), probe_mode="magnetic")
    assert "no check on record" in covered([nothing]).sentence


def test_a_check_older_than_the_policy_allows_does_not_cover() -> None:
    coverage = covered([*verification("V-1", at(18, day=2)), *verification("V-2", at(17))])
    assert coverage.state is GateState.UNCOVERED
    assert (
        "check V-1 of gauge HG-7 (magnetic) (2026-03-02 18:00) was more than 15 h old; the shop's policy allows 12 h"
        in coverage.sentence
    )
    assert len({entry.reason for entry in coverage.readings}) == 1


@pytest.mark.parametrize(
    ("taken_at", "expected"),
    [
        pytest.param(at(20), GateState.COVERED, id="exactly as old as allowed"),
        pytest.param(at(20) + timedelta(milliseconds=1), GateState.UNCOVERED, id="a millisecond older"),
    ],
)
def test_the_age_of_a_check_is_compared_exactly(taken_at: object, expected: GateState) -> None:
    checks = [*verification("V-1", at(8)), *verification("V-2", at(23))]
    coverage = cover([reading(1, "2.5", taken_at=taken_at)], checks, job(), shop())
    assert coverage.state is expected


def test_a_check_covers_a_reading_of_the_same_moment() -> None:
    checks = [*verification("V-1", NINE), *verification("V-2", at(17))]
    assert cover([reading(1, "2.5", taken_at=NINE)], checks, job(), shop()).state is GateState.COVERED


def test_an_adjustment_after_the_opening_check_asks_for_another_check() -> None:
    coverage = covered([*both_checks(), event("A-1", "adjustment", at(8, 30))])
    assert coverage.state is GateState.UNCOVERED
    assert "was adjusted (A-1, 2026-03-03 08:30) after its check V-1 and not checked since" in coverage.sentence


@pytest.mark.parametrize("occasion", ["drop", "battery", "probe", "mode", "temperature", "other"])
def test_an_incident_after_the_opening_check_asks_for_another_check(occasion: str) -> None:
    coverage = covered([*both_checks(), event("X-1", "incident", at(8, 30), occasion=occasion)])
    assert coverage.state is GateState.UNCOVERED
    said = "of another kind" if occasion == "other" else occasion
    assert f"had an incident ({said}; X-1, 2026-03-03 08:30)" in coverage.sentence


def test_an_incident_answered_by_a_passed_check_before_the_readings_does_no_harm() -> None:
    checks = [*both_checks(), event("X-1", "incident", at(8, 30), occasion="drop"), *verification("V-3", at(8, 40))]
    assert covered(checks).state is GateState.COVERED


def test_an_incident_of_the_same_time_as_the_check_counts_as_the_later_one() -> None:
    checks = [*both_checks(), event("X-1", "incident", at(8), occasion="drop")]
    assert covered(checks).state is GateState.UNCOVERED


def test_an_incident_between_two_readings_uncovers_only_the_second() -> None:
    drop = event("X-1", "incident", NINE + timedelta(seconds=90), occasion="drop")
    coverage = covered([*both_checks(), drop])
    assert [entry.state for entry in coverage.readings] == [GateState.COVERED, GateState.UNCOVERED]
    assert coverage.state is GateState.UNCOVERED
    assert coverage.doubtful == 1
    assert coverage.sentence.startswith("1 of 2 readings is not covered")


def test_an_incident_after_the_readings_is_answered_by_the_closing_check() -> None:
    drop = event("X-1", "incident", at(12), occasion="drop")
    assert covered([*both_checks(), drop]).state is GateState.COVERED
    failed = [*verification("V-1", at(8)), drop, *verification("V-2", at(17), passed=False)]
    assert covered(failed).state is GateState.SUSPECT


def test_an_incident_in_the_other_mode_matters_only_where_it_concerns_the_whole_gauge() -> None:
    drop = event("X-1", "incident", at(8, 30), occasion="drop", probe_mode="eddy-current")
    assert covered([*both_checks(), drop]).state is GateState.UNCOVERED
    probe = event("X-1", "incident", at(8, 30), occasion="probe", probe_mode="eddy-current")
    assert covered([*both_checks(), probe]).state is GateState.COVERED


def test_an_adjustment_before_the_closing_check_hides_what_it_would_have_shown() -> None:
    coverage = covered([*both_checks(), event("A-1", "adjustment", at(12))])
    assert coverage.state is GateState.UNCOVERED
    assert "was adjusted (A-1, 2026-03-03 12:00) before its closing check" in coverage.sentence


def test_an_adjustment_after_the_readings_cannot_be_waited_out() -> None:
    checks = [*verification("V-1", at(8)), event("A-1", "adjustment", at(12))]
    assert covered(checks).state is GateState.UNCOVERED


def test_an_adjustment_before_a_closing_check_that_fails_leaves_readings_suspect() -> None:
    checks = [
        *verification("V-1", at(8)),
        event("A-1", "adjustment", at(12)),
        *verification("V-2", at(17), passed=False),
    ]
    assert covered(checks).state is GateState.SUSPECT


def test_an_adjustment_after_the_closing_check_does_no_harm() -> None:
    assert covered([*both_checks(), event("A-1", "adjustment", at(18))]).state is GateState.COVERED


def test_an_adjustment_after_readings_that_need_no_closing_check_does_no_harm() -> None:
    checks = [*both_checks(), event("A-1", "adjustment", at(12))]
    assert covered(checks, closing_required=False).state is GateState.COVERED


def test_a_calibration_on_a_day_between_hides_what_the_closing_check_would_have_shown() -> None:
    laboratory = event("K-1", "calibration", at(12, day=5), due=date(2027, 3, 5), certificate_no="C-99")
    checks = [*verification("V-1", at(8)), laboratory, *verification("V-2", at(17, day=9))]
    coverage = covered(checks)
    assert coverage.state is GateState.UNCOVERED
    assert "went to calibration (K-1, 2026-03-05) before its closing check" in coverage.sentence


def test_a_calibration_since_the_last_check_asks_for_another_check() -> None:
    laboratory = event("K-1", "calibration", at(12, day=2), due=date(2027, 3, 5), certificate_no="C-99")
    checks = [*verification("V-1", at(8, day=1)), laboratory, *verification("V-2", at(17))]
    assert "was calibrated (K-1, 2026-03-02) after its check V-1" in covered(checks, max_age_hours=72).sentence


def test_checks_of_another_gauge_or_mode_cover_nothing() -> None:
    other_gauge = verification("V-1", at(8), gauge_serial="HG-8")
    other_mode = verification("V-1", at(8), probe_mode="eddy-current")
    assert covered(other_gauge).state is GateState.UNCOVERED
    assert covered(other_mode).state is GateState.UNCOVERED


def test_two_modes_in_one_inspection_are_each_judged_by_their_own_checks() -> None:
    taken = [reading(1, "2.5"), reading(2, "2.5", probe_mode="eddy-current")]
    coverage = cover(taken, both_checks(), job(), shop())
    assert [entry.state for entry in coverage.readings] == [GateState.COVERED, GateState.UNCOVERED]


@pytest.mark.parametrize(
    ("standards", "expected", "words"),
    [
        pytest.param((("Z-0", "0"), ("F-125", "125")), GateState.COVERED, "", id="beyond both"),
        pytest.param((("F-50", "50.8"), ("F-101", "101.6")), GateState.COVERED, "", id="exactly at both"),
        pytest.param(
            (("Z-0", "0"), ("F-100", "101.5")),
            GateState.UNCOVERED,
            "none lies at or above the limit of front face (upper 101.6 µm)",
            id="upper not reached",
        ),
        pytest.param(
            (("F-51", "51"), ("F-125", "125")),
            GateState.UNCOVERED,
            "none lies at or below the limit of front face (lower 50.8 µm)",
            id="lower not reached",
        ),
        pytest.param(
            (("F-75", "75"),),
            GateState.UNCOVERED,
            "used F-75 (75.0 µm): none lies beyond the limit of front face (lower 50.8 µm and upper 101.6 µm)",
            id="neither",
        ),
    ],
)
def test_the_standards_bracket_the_limits_in_um(
    standards: tuple[tuple[str, str], ...], expected: GateState, words: str
) -> None:
    checks = [*verification("V-1", at(8), standards=standards), *verification("V-2", at(17))]
    coverage = covered(checks)
    assert coverage.state is expected
    assert words in coverage.sentence


def test_a_limit_that_is_not_given_needs_no_standard() -> None:
    low_only = [*verification("V-1", at(8), standards=(("Z-0", "0"),)), *verification("V-2", at(17))]
    assert covered(low_only, places=(location(upper=None),)).state is GateState.COVERED
    high_only = [*verification("V-1", at(8), standards=(("F-125", "125"),)), *verification("V-2", at(17))]
    assert covered(high_only, places=(location(lower=None),)).state is GateState.COVERED
    assert covered(low_only, places=(location(lower=None),)).state is GateState.UNCOVERED


def test_a_policy_without_brackets_takes_any_standard() -> None:
    checks = [*verification("V-1", at(8), standards=(("F-75", "75"),)), *verification("V-2", at(17))]
    assert covered(checks, bracket_limits=False).state is GateState.COVERED


def test_a_standard_past_its_own_due_date_shows_nothing() -> None:
    checks = [*verification("V-1", at(8), standard_due=date(2026, 3, 2)), *verification("V-2", at(17))]
    coverage = covered(checks)
    assert coverage.state is GateState.UNCOVERED
    assert "V-1 on 2026-03-03 used Z-0 (0.0 µm), whose certificate was due on 2026-03-02" in coverage.sentence
    assert covered(
        [*verification("V-1", at(8), standard_due=date(2026, 3, 3)), *verification("V-2", at(17))]
    ).state is (GateState.COVERED)


def test_a_closing_check_on_a_standard_past_due_closes_nothing() -> None:
    checks = [*verification("V-1", at(8)), *verification("V-2", at(17), standard_due=date(2026, 3, 2))]
    assert covered(checks).state is GateState.UNCOVERED


def test_a_standard_whose_due_date_nobody_knows_shows_nothing() -> None:
    checks = [*verification("V-1", at(8), standard_due=None), *verification("V-2", at(17))]
    assert "due date is not known" in covered(checks).sentence


@pytest.mark.parametrize(
    ("day", "expected"),
    [
        pytest.param(date(2026, 5, 31), GateState.COVERED, id="the due day itself"),
        pytest.param(date(2026, 6, 1), GateState.UNCOVERED, id="the day after"),
        pytest.param(date(2025, 6, 1), GateState.COVERED, id="the day of calibration"),
        pytest.param(date(2025, 5, 31), GateState.UNCOVERED, id="the day before it"),
    ],
)
def test_a_calibration_holds_from_its_day_to_its_due_day(day: date, expected: GateState) -> None:
    moment = at(9).replace(year=day.year, month=day.month, day=day.day)
    checks = [
        *verification("V-1", moment - timedelta(hours=1)),
        *verification("V-2", moment + timedelta(hours=1)),
    ]
    coverage = cover([reading(1, "2.5", taken_at=moment)], checks, job(), shop())
    assert coverage.state is expected
    assert ("certificate C-55" in coverage.sentence) is (expected is GateState.UNCOVERED)


def test_days_are_those_of_the_shops_time_zone() -> None:
    # 3:30 UTC on 1 June is still 31 May in Chicago, the due day; in UTC the calibration has run out.
    moment = at(3, 30).replace(month=6, day=1)
    checks = [*verification("V-1", moment - timedelta(hours=1)), *verification("V-2", moment + timedelta(hours=1))]
    taken = [reading(1, "2.5", taken_at=moment)]
    assert cover(taken, checks, job(), shop(time_zone="America/Chicago")).state is GateState.COVERED
    assert cover(taken, checks, job(), shop()).state is GateState.UNCOVERED


def test_a_calibration_on_record_counts_besides_the_shop_file() -> None:
    moment = at(9).replace(month=6, day=10)
    checks = [*verification("V-1", moment - timedelta(hours=1)), *verification("V-2", moment + timedelta(hours=1))]
    renewed = event("K-1", "calibration", at(9).replace(month=6, day=2), due=date(2027, 6, 2), certificate_no="C-99")
    taken = [reading(1, "2.5", taken_at=moment)]
    assert "(certificate C-55) was due on 2026-05-31" in cover(taken, checks, job(), shop()).sentence
    assert cover(taken, [*checks, renewed], job(), shop()).state is GateState.COVERED


def test_a_gauge_that_nobody_calibrated_covers_nothing() -> None:
    taken = [reading(1, "2.5", gauge_serial="HG-8")]
    checks = [*verification("V-1", at(8), gauge_serial="HG-8"), *verification("V-2", at(17), gauge_serial="HG-8")]
    assert "no calibration of gauge HG-8" in cover(taken, checks, job(), shop()).sentence


def test_suspect_outranks_uncovered_outranks_open() -> None:
    taken = [
        reading(1, "2.5", taken_at=at(7)),  # before any check: uncovered, but V-1 passed after it
        reading(2, "2.5", taken_at=at(9)),  # V-2 failed after it: suspect
        reading(3, "2.5", taken_at=at(18, 30)),  # V-3 passed before it: open
    ]
    checks = [
        *verification("V-1", at(8)),
        *verification("V-2", at(17), passed=False),
        *verification("V-3", at(18)),
    ]
    coverage = cover(taken, checks, job(), shop())
    assert [entry.state for entry in coverage.readings] == [GateState.UNCOVERED, GateState.SUSPECT, GateState.OPEN]
    assert coverage.state is GateState.SUSPECT
    assert coverage.sentence.endswith("Besides, 1 is not covered. Besides, 1 waits for its closing check.")
    assert cover(taken[::2], checks, job(), shop()).state is GateState.UNCOVERED


def test_only_counted_readings_need_cover() -> None:
    early = reading(1, "2.5", taken_at=at(7), counted=False, excluded_reason="slipped", excluded_by="AM")
    coverage = cover([early, reading(2, "2.5")], both_checks(), job(), shop())
    assert coverage.state is GateState.COVERED
    assert [entry.reading_no for entry in coverage.readings] == [2]


def test_what_was_subtracted_needs_cover_too() -> None:
    base = reading(1, "0.4", taken_at=at(7), coat_stage="bare", counted=False)
    coated = reading(2, "2.9", base_metal_um=Decimal("10.16"))
    coverage = cover([base, coated], both_checks(), job(), shop())
    assert coverage.state is GateState.UNCOVERED
    assert "base metal reading 1, which it was reduced by, is uncovered" in coverage.sentence
    assert [entry.reading_no for entry in coverage.readings] == [2]
    # A base reading that nothing was reduced by harms nobody.
    assert cover([base, reading(2, "2.5")], both_checks(), job(), shop()).state is GateState.COVERED


def test_brackets_are_not_asked_of_base_readings() -> None:
    zero_only = verification("V-0", at(6), standards=(("Z-0", "0"),))
    base = reading(1, "0.4", taken_at=at(7), coat_stage="bare", counted=False)
    coated = reading(2, "2.9", base_metal_um=Decimal("10.16"))
    assert cover([base, coated], [*zero_only, *both_checks()], job(), shop()).state is GateState.COVERED


def test_the_order_in_which_checks_are_given_does_not_matter() -> None:
    checks = [
        *verification("V-0", at(7), passed=False),
        event("A-1", "adjustment", at(7, 30)),
        *both_checks(),
        event("X-1", "incident", NINE + timedelta(seconds=90), occasion="drop"),
        event("A-2", "adjustment", at(8)),
        *verification("V-9", at(17), passed=False),
    ]
    expected = covered(checks)
    shuffler = random.Random(7)
    for _ in range(50):
        shuffled = shuffler.sample(checks, len(checks))
        actual = covered(shuffled)
        assert (expected.state, expected.readings) == (actual.state, actual.readings)


# A standard judged


def test_an_error_on_the_tolerance_is_within_and_a_hair_more_is_not() -> None:
    # A 3-4-5 triangle: accuracy 3 + 0 %, uncertainty 4, so the root is exactly 5.
    on = judge_standard([Decimal(105)], Decimal(100), Decimal(4), Decimal(3), Decimal(0), ToleranceRule.ROOT_SUM_SQUARE)
    assert (Fraction(5), Decimal(5), True) == (on.error_um, on.tolerance_um, on.within)
    over = judge_standard(
        [Decimal("105.0001")], Decimal(100), Decimal(4), Decimal(3), Decimal(0), ToleranceRule.ROOT_SUM_SQUARE
    )
    assert over.within is False


def test_an_irrational_tolerance_is_decided_without_its_root() -> None:
    # sqrt(1 + 1) = 1.41421356...; the readings differ from it in the tenth place alone.
    for figures, expected in (("101.4142135623", True), ("101.4142135624", False)):
        judged = judge_standard(
            [Decimal(figures)], Decimal(100), Decimal(1), Decimal(1), Decimal(0), ToleranceRule.ROOT_SUM_SQUARE
        )
        assert expected is judged.within


def test_the_accuracy_grows_with_the_certified_thickness() -> None:
    judged = judge_standard(
        [Decimal(128)] * 3, Decimal(125), Decimal("0.75"), Decimal(1), Decimal(1), ToleranceRule.SUM
    )
    assert (Decimal(3), True) == (judged.tolerance_um, judged.within)
    assert not judge_standard(
        [Decimal("128.01")], Decimal(125), Decimal("0.75"), Decimal(1), Decimal(1), ToleranceRule.SUM
    ).within


def test_a_low_reading_gauge_fails_as_a_high_reading_one() -> None:
    assert not judge_standard([Decimal(90)], Decimal(100), Decimal(1), Decimal(1), Decimal(1), ToleranceRule.SUM).within


def test_a_mean_of_thirds_is_exact() -> None:
    judged = judge_standard(
        [Decimal(100), Decimal(100), Decimal(101)], Decimal(100), Decimal(0), Decimal(1), Decimal(0), ToleranceRule.SUM
    )
    assert Fraction(1, 3) == judged.error_um


# The look-back


def test_the_doubt_runs_from_the_last_good_check_to_the_failed_one() -> None:
    checks = [*verification("V-1", at(8)), *verification("V-2", at(12)), *verification("V-3", at(17), passed=False)]
    assert (at(12), at(17)) == doubt_interval(checks, "V-3")


def test_the_doubt_has_no_start_where_nothing_passed_before() -> None:
    checks = [
        *verification("V-1", at(8), probe_mode="eddy-current"),
        *verification("V-2", at(12), gauge_serial="HG-8"),
        *verification("V-3", at(17), passed=False),
    ]
    assert (None, at(17)) == doubt_interval(checks, "V-3")


def test_a_failed_check_between_ends_no_doubt() -> None:
    checks = [
        *verification("V-1", at(8)),
        *verification("V-2", at(12), passed=False),
        *verification("V-3", at(17), passed=False),
    ]
    assert (at(8), at(17)) == doubt_interval(checks, "V-3")


def test_the_look_back_finds_the_readings_of_that_gauge_and_mode() -> None:
    checks = [*verification("V-1", at(8)), *verification("V-2", at(17), passed=False)]
    taken = [
        reading(1, "2.5", taken_at=at(7, 59)),
        reading(2, "2.5", taken_at=at(8)),
        reading(3, "2.5", taken_at=at(9), gauge_serial="HG-8"),
        reading(4, "2.5", taken_at=at(9), probe_mode="eddy-current"),
        reading(5, "2.5", taken_at=at(17), counted=False),
        reading(6, "2.5", taken_at=at(17, 1)),
    ]
    assert [r.reading_no for r in readings_in_doubt(taken, checks, "V-2")] == [2, 5]


@pytest.mark.parametrize("check_id", ["V-1", "V-9"], ids=["passed", "unknown"])
def test_only_a_failed_check_can_be_looked_back_from(check_id: str) -> None:
    with pytest.raises(BadInput, match=check_id):
        doubt_interval(both_checks(), check_id)


def test_a_check_is_cited_with_its_standards() -> None:
    summary = summarize_check(both_checks(), "V-2")
    assert summary is not None
    assert (summary.occasion, summary.passed, summary.standards) == ("closing", True, ("Z-0", "F-125"))
    assert summarize_check(both_checks(), "V-9") is None
    assert both_checks()[0].gauge_serial == GAUGE

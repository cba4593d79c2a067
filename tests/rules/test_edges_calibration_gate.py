"""Edges of the calibration gate: moments that coincide, what is said, and what is kept beside the state."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from decimal import Decimal
from fractions import Fraction
from typing import Any

import pytest

from rules.calibration_gate import (
    StandardJudgement,
    cover,
    doubt_interval,
    judge_standard,
    readings_in_doubt,
    summarize_check,
)
from rules.results import CheckSummary, Coverage, GateState
from schemas.errors import BadInput
from schemas.gauge_checks import GaugeCheck
from schemas.readings import GaugeReading
from schemas.shop import Standard
from schemas.vocabulary import ToleranceRule
from tests.rules.builders import at, both_checks, event, job, location, reading, shop, verification

COVERED, OPEN, UNCOVERED, SUSPECT = GateState.COVERED, GateState.OPEN, GateState.UNCOVERED, GateState.SUSPECT


def _taken(number: int = 1, hour: int = 9, minute: int = 0, **more: Any) -> GaugeReading:
    return reading(number, "2.5", **{"taken_at": at(hour, minute), **more})


def _cover(checks: list[GaugeCheck], *taken: GaugeReading, **policy: Any) -> Coverage:
    return cover(list(taken) or [_taken()], checks, job(), shop(**policy))


def _reason(checks: list[GaugeCheck], taken: GaugeReading | None = None, **policy: Any) -> str:
    """Return the reason of the one reading, taken at 9:00 unless another is given."""
    (entry,) = _cover(checks, taken or _taken(), **policy).readings
    return entry.reason


# A standard


def test_what_the_readings_on_a_standard_show_is_kept_in_full() -> None:
    """Accuracy 1 + 1 % of 125 is 2.25, joined with 3 as 3.75 or as 5.25: by Pythagoras 2.25, 3 and 3.75."""
    figures = [Decimal(x) for x in ("128", "129", "130")]
    terms = (Decimal(125), Decimal(3), Decimal(1), Decimal(1))
    assert judge_standard(figures, *terms, ToleranceRule.ROOT_SUM_SQUARE) == StandardJudgement(
        Fraction(129), Fraction(4), Decimal("3.75"), False
    )
    assert judge_standard(figures, *terms, ToleranceRule.SUM) == StandardJudgement(
        Fraction(129), Fraction(4), Decimal("5.25"), True
    )
    with pytest.raises(ValueError, match=r"^a mean needs at least one value$"):
        judge_standard([], *terms, ToleranceRule.SUM)


# A check as it is cited


def test_a_check_is_cited_in_full() -> None:
    rows = verification("V-1", at(8))
    later = [rows[0], replace(rows[1], done_at=at(8, 5), done_by="JB")]
    assert summarize_check(later, "V-1") == CheckSummary(
        "V-1", "verification", "opening", at(8, 5), "AM", True, ("Z-0", "F-125")
    )
    assert summarize_check([event("A-1", "adjustment", at(8))], "A-1") == CheckSummary(
        "A-1", "adjustment", None, at(8), "AM", None, ()
    )
    failed = summarize_check(verification("V-2", at(9), passed=False), "V-2")
    assert failed is not None
    assert failed.passed is False


def test_each_reading_keeps_the_checks_around_it() -> None:
    (entry,) = _cover(both_checks()).readings
    assert (entry.opening_check_id, entry.closing_check_id) == ("V-1", "V-2")
    (entry,) = _cover([]).readings
    assert (entry.opening_check_id, entry.closing_check_id) == (None, None)


# Moments that coincide


@pytest.mark.parametrize("names", [("V-1", "V-2"), ("V-2", "V-1")])
def test_of_a_passed_and_a_failed_check_of_one_moment_the_failed_one_counts(names: tuple[str, str]) -> None:
    failed, passed = names
    before = [*verification(failed, at(8), passed=False), *verification(passed, at(8)), *verification("V-9", at(17))]
    coverage = _cover(before)
    assert coverage.state is UNCOVERED
    assert f"failed its last check before the reading: {failed} " in coverage.sentence
    after = [*verification("V-0", at(8)), *verification(failed, at(17), passed=False), *verification(passed, at(17))]
    coverage = _cover(after)
    assert coverage.state is SUSPECT
    assert coverage.last_good is not None
    assert coverage.last_good.check_id == "V-0"
    assert doubt_interval(after, failed) == (at(8), at(17))


def test_a_check_that_failed_before_is_no_last_good_one() -> None:
    checks = [
        *verification("V-1", at(7)),
        *verification("V-2", at(8), passed=False),
        *verification("V-3", at(17), passed=False),
    ]
    coverage = _cover(checks)
    assert coverage.last_good is not None
    assert coverage.last_good.check_id == "V-1"
    assert "the last good check is V-1 (2026-03-03 07:00)" in coverage.sentence


@pytest.mark.parametrize("kind", ["adjustment", "incident"])
@pytest.mark.parametrize(("hour", "state"), [(8, UNCOVERED), (9, UNCOVERED), (17, COVERED)])
def test_what_happens_at_the_moment_of_a_check_or_a_reading_counts_as_after_the_check_and_before_the_reading(
    kind: str, hour: int, state: GateState
) -> None:
    """With the closing check, it counts as after that."""
    assert _cover([*both_checks(), event("E-1", kind, at(hour))]).state is state


def test_the_first_moment_after_the_allowed_age_is_too_late() -> None:
    checks = [*verification("V-1", at(1)), *verification("V-2", at(17))]
    on_time = reading(1, "2.5", taken_at=at(9))
    late = reading(1, "2.5", taken_at=at(9) + timedelta(microseconds=1))
    assert _cover(checks, on_time, max_age_hours=8).state is COVERED
    assert _cover(checks, late, max_age_hours=8).state is UNCOVERED


# Reasons


@pytest.mark.parametrize(
    ("minute", "allowed", "said"),
    [
        pytest.param(30, "7.25", "7.25", id="less than a whole hour over"),
        pytest.param(30, "7.0", "7.0", id="on the whole hour the figure of the policy stands"),
        pytest.param(30, "3.5", "7", id="whole hours"),
    ],
)
def test_an_old_check_says_how_old_at_the_least(minute: int, allowed: str, said: str) -> None:
    checks = [*verification("V-1", at(2)), *verification("V-2", at(17))]
    assert _reason(checks, _taken(hour=9, minute=minute), max_age_hours=Decimal(allowed)) == (
        f"check V-1 of gauge HG-7 (magnetic) (2026-03-03 02:00) was more than {said} h old; the shop's policy allows "
        f"{allowed} h"
    )


def test_times_in_reasons_are_by_the_shops_clock() -> None:
    checks = [*both_checks(), event("A-1", "adjustment", at(8, 30))]
    assert _reason(checks, time_zone="America/New_York") == (
        "gauge HG-7 (magnetic) was adjusted (A-1, 2026-03-03 03:30) after its check V-1 and not checked since"
    )


def test_an_incident_says_of_what_kind_where_that_is_known() -> None:
    said = "gauge HG-7 (magnetic) had an incident ({}; E-1, 2026-03-03 08:30) after its check V-1 and was not checked again before the reading"
    assert _reason([*both_checks(), event("E-1", "incident", at(8, 30), occasion="drop")]) == said.format("drop")
    assert _reason([*both_checks(), event("E-1", "incident", at(8, 30))]) == said.format("incident")


def test_an_adjustment_before_the_closing_check_says_what_that_check_no_longer_shows() -> None:
    assert _reason([*both_checks(), event("A-1", "adjustment", at(12))]) == (
        "gauge HG-7 (magnetic) was adjusted (A-1, 2026-03-03 12:00) before its closing check, which therefore shows "
        "nothing about the reading"
    )


def test_a_failed_check_with_none_good_before_it_says_so_in_full() -> None:
    assert _reason(verification("V-2", at(17), passed=False)) == (
        "gauge HG-7 (magnetic) failed the next check after the reading: V-2 (2026-03-03 17:00), error +5.0 µm on F-125 "
        "(125.0 µm) against a tolerance of ±2.4 µm; no earlier check passed, so every earlier reading is in doubt"
    )


def test_a_policy_without_a_closing_check_says_so() -> None:
    assert _reason(verification("V-1", at(8)), closing_required=False) == (
        "gauge HG-7 (magnetic) passed check V-1 before; the shop's policy asks for no closing check"
    )
    assert _reason(verification("V-1", at(8))) == (
        "gauge HG-7 (magnetic) passed check V-1 before, and its closing check is still to come"
    )


# What a failed standard says


def _failed(**more: Any) -> str:
    (row,) = verification("V-1", at(8), standards=(("F-125", "125"),))
    said = _reason([replace(row, within=False, **more), *verification("V-2", at(17))])
    return said.removeprefix("gauge HG-7 (magnetic) failed its last check before the reading: V-1 (2026-03-03 08:00), ")


@pytest.mark.parametrize(
    ("error", "tolerance", "said"),
    [
        pytest.param("3", "2.4", "error +3.0 µm on F-125 (125.0 µm) against a tolerance of ±2.4 µm", id="high"),
        pytest.param("-3", "2.4", "error -3.0 µm on F-125 (125.0 µm) against a tolerance of ±2.4 µm", id="low"),
        pytest.param("0.5", "0.4", "error +0.5 µm on F-125 (125.0 µm) against a tolerance of ±0.4 µm", id="small"),
        pytest.param("0", "0", "error +0.0 µm on F-125 (125.0 µm) against a tolerance of ±0.0 µm", id="none"),
        pytest.param(
            "2.44", "2.4", "error +2.44 µm on F-125 (125.0 µm) against a tolerance of ±2.4 µm", id="error just over"
        ),
        pytest.param(
            "2.5",
            "2.46",
            "error +2.5 µm on F-125 (125.0 µm) against a tolerance of ±2.46 µm",
            id="tolerance just under",
        ),
        pytest.param(
            "2.13",
            "2.06",
            "error +2.13 µm on F-125 (125.0 µm) against a tolerance of ±2.06 µm",
            id="both rounded to one",
        ),
    ],
)
def test_an_error_and_its_tolerance_are_never_printed_the_other_way_round(
    error: str, tolerance: str, said: str
) -> None:
    assert _failed(error_um=Decimal(error), tolerance_um=Decimal(tolerance)) == said


def test_a_failure_without_figures_says_only_that_it_was_one() -> None:
    for unknown in ({"error_um": None}, {"tolerance_um": None}):
        assert _failed(**unknown) == "outside the tolerance on F-125 (125.0 µm)"
    assert _failed(error_um=None, standard_id=None) == "outside the tolerance on an unnamed standard (125.0 µm)"
    assert _failed(error_um=None, certified_um=None) == "outside the tolerance on F-125"


# Calibrations

NOT_IN_THE_SHOP_FILE = "HG-9"


def _calibrated(*rows: GaugeCheck) -> str | None:
    """Return the reason of a reading with a gauge that only these calibrations speak of; None: it is covered."""
    own: dict[str, Any] = {"gauge_serial": NOT_IN_THE_SHOP_FILE}
    checks = [
        *verification("V-1", at(8), **own),
        *verification("V-2", at(17), **own),
        *(replace(row, **own) for row in rows),
    ]
    (entry,) = _cover(checks, _taken(**own)).readings
    return None if entry.state is COVERED else entry.reason


def _calibration(check_id: str, day: int, due: date | None, **more: Any) -> GaugeCheck:
    return event(check_id, "calibration", at(6, day=day), due=due, **more)


def test_a_calibration_on_record_holds_whether_its_result_is_stated_or_not() -> None:
    assert _calibrated(_calibration("C-1", 1, date(2026, 3, 3))) is None
    assert _calibrated(_calibration("C-1", 1, date(2026, 3, 3), within=True)) is None


def test_a_calibration_that_failed_or_has_no_due_day_is_none() -> None:
    none = "no calibration of gauge HG-9 (magnetic) is on record"
    assert _calibrated() == none
    assert _calibrated(_calibration("C-1", 1, date(2026, 4, 1), within=False)) == none
    assert _calibrated(_calibration("C-1", 1, None)) == none


def test_of_calibrations_that_ran_out_the_one_that_ran_out_last_is_named() -> None:
    """Not the one that was made last, nor the last by name."""
    first = _calibration("C-1", 1, date(2026, 3, 2), certificate_no="L-1")
    second = event("C-2", "calibration", at(6, day=2), due=date(2026, 3, 1), certificate_no="L-2")
    said = "the calibration of gauge HG-9 (magnetic) (certificate {}) was due on 2026-03-02, before the reading on 2026-03-03"
    assert _calibrated(first, second) == said.format("L-1")
    assert _calibrated(replace(first, certificate_no=None), second) == said.format("C-1")


def test_of_calibrations_made_later_the_first_is_named() -> None:
    said = "the calibration of gauge HG-9 (magnetic) (certificate {}) dates from {}, after the reading on 2026-03-03"
    later = [_calibration("C-1", 6, date(2027, 3, 1)), _calibration("C-2", 5, date(2027, 4, 1))]
    assert _calibrated(*later) == said.format("C-2", "2026-03-05")
    # One that was due on the day itself had not run out by then.
    assert _calibrated(_calibration("C-3", 5, date(2026, 3, 3))) == said.format("C-3", "2026-03-05")


@pytest.mark.parametrize(
    ("day", "closing_day", "state"),
    [
        pytest.param(3, 5, COVERED, id="on the day of the reading"),
        pytest.param(4, 5, UNCOVERED, id="on a day between"),
        pytest.param(5, 5, COVERED, id="on the day of the closing check"),
        pytest.param(6, 5, COVERED, id="after it"),
    ],
)
def test_a_calibration_matters_only_on_a_day_between_a_reading_and_its_closing_check(
    day: int, closing_day: int, state: GateState
) -> None:
    calibration = event("C-2", "calibration", at(12, day=day), due=date(2027, 3, 1))
    checks = [*verification("V-1", at(8)), *verification("V-2", at(17, day=closing_day)), calibration]
    assert _cover(checks).state is state
    if state is UNCOVERED:
        assert _reason(checks) == (
            "gauge HG-7 (magnetic) went to calibration (C-2, 2026-03-04) before its closing check, which therefore shows "
            "nothing about the reading"
        )


# Standards


def test_a_due_date_that_a_check_does_not_say_is_that_of_the_shop_file() -> None:
    rows = [replace(row, standard_due=None) for row in both_checks()]
    known = [
        Standard.checked(
            {
                "serial": serial,
                "certified_um": Decimal(0),
                "expanded_u_um": Decimal(1),
                "certificate": "S-1",
                "due": due,
            },
            "standard",
        )
        for serial, due in (("Z-0", date(2026, 3, 3)), ("F-125", date(2026, 3, 2)))
    ]
    with_both = shop().model_copy(update={"standard": known})
    (entry,) = cover([_taken()], rows, job(), with_both).readings
    assert entry.reason == "check V-1 on 2026-03-03 used F-125 (125.0 µm), whose certificate was due on 2026-03-02"
    (entry,) = cover([_taken()], rows, job(), shop()).readings
    assert entry.reason == "check V-1 used Z-0 (0.0 µm), whose certificate's due date is not known"
    nameless = [replace(row, standard_id=None) for row in rows]
    (entry,) = cover([_taken()], nameless, job(), with_both).readings
    assert entry.reason == "check V-1 used an unnamed standard (0.0 µm), whose certificate's due date is not known"


@pytest.mark.parametrize(
    ("unit", "lower", "upper"), [("mil", "2.0", "4.0"), ("um", "50.8", "101.6")], ids=["in mil", "in micrometres"]
)
def test_at_a_location_that_the_job_does_not_name_the_limits_are_the_readings_own(
    unit: str, lower: str, upper: str
) -> None:
    taken = reading(
        1,
        "70",
        "um",
        location="lid",
        specification_unit=unit,
        lower=Decimal(lower),
        upper=Decimal(upper),
        taken_at=at(9),
    )
    closing = verification("V-2", at(17))
    just = verification("V-1", at(8), standards=(("F-50", "50.8"), ("F-101", "101.6")))
    assert _cover([*just, *closing], taken).state is COVERED
    short = verification("V-1", at(8), standards=(("F-51", "50.9"), ("F-101", "101.5")))
    assert _reason([*short, *closing], taken) == (
        "check V-1 used F-51 (50.9 µm) and F-101 (101.5 µm): none lies beyond the limit of lid (lower 50.8 µm and upper "
        "101.6 µm)"
    )
    assert _cover([*short, *closing], replace(taken, lower=None, upper=None)).state is COVERED


def test_limits_in_micrometres_are_bracketed_in_micrometres() -> None:
    in_um = job(location(lower="50.8", upper="101.6"), unit="um")
    checks = verification("V-1", at(8), standards=(("F-50", "50.8"), ("F-101", "101.6")))
    coverage = cover([reading(1, "70", "um", taken_at=at(9))], [*checks, *verification("V-2", at(17))], in_um, shop())
    assert coverage.state is COVERED


# Base metal readings


def _bare(number: int, **more: Any) -> GaugeReading:
    return _taken(number, coat_stage="bare", **more)


def test_a_reading_is_no_better_covered_than_the_worst_of_the_base_readings_and_keeps_its_own_checks() -> None:
    taken = [_bare(1), _bare(2, probe_mode="eddy-current"), _taken(3, base_metal_um=Decimal(5))]
    (entry,) = _cover(both_checks(), *taken).readings
    assert (entry.reading_no, entry.state) == (3, UNCOVERED)
    assert entry.reason == (
        "base metal reading 2, which it was reduced by, is uncovered: gauge HG-7 (eddy-current) has no check on record "
        "before the reading"
    )
    assert (entry.opening_check_id, entry.closing_check_id) == ("V-1", "V-2")


def test_only_a_reading_that_something_was_subtracted_from_leans_on_the_base_readings() -> None:
    plain = _taken(3)
    entries = _cover(both_checks(), _bare(1, probe_mode="eddy-current"), plain, _taken(4, base_metal_um=Decimal(5)))
    assert [entry.state for entry in entries.readings] == [COVERED, UNCOVERED]
    alone = _cover(both_checks(), _taken(4, base_metal_um=Decimal(5)))
    assert alone.state is COVERED


def test_a_reading_does_not_lean_on_other_readings_of_the_film() -> None:
    taken = [_bare(1), _taken(2, base_metal_um=Decimal(5)), _taken(3, probe_mode="eddy-current")]
    assert [entry.state for entry in _cover(both_checks(), *taken).readings] == [COVERED, UNCOVERED]


def test_base_readings_that_nothing_rests_on_are_not_looked_at() -> None:
    """A check that failed next to one of them is then no failed check of this inspection."""
    failed = verification("V-0", at(6), passed=False)
    coverage = _cover([*failed, *both_checks()], _bare(1, hour=7), _taken(2))
    assert (coverage.state, coverage.last_good) == (COVERED, None)
    checks = [*verification("V-9", at(5)), *failed, *both_checks()]
    assert _cover(checks, _bare(1, hour=7), _taken(2)).last_good is None
    leaning = _cover(checks, _bare(1, hour=7), _taken(2, base_metal_um=Decimal(5)))
    assert leaning.last_good is not None
    assert leaning.last_good.check_id == "V-9"


def test_a_base_reading_that_is_as_well_covered_says_nothing() -> None:
    (entry,) = _cover(both_checks(), _bare(1), _taken(2, base_metal_um=Decimal(5))).readings
    assert entry.reason == "gauge HG-7 (magnetic) passed check V-1 before and check V-2 after"


# The inspection as a whole


def test_without_a_counted_reading_there_is_nothing_to_cover() -> None:
    assert _cover(both_checks(), _taken(counted=False)) == Coverage(
        state=UNCOVERED,
        sentence="There are no counted readings, so there is nothing that a check could cover.",
        readings=(),
        opening=None,
        closing=None,
        last_good=None,
        doubtful=0,
    )


def test_one_reading_is_spoken_of_in_the_singular() -> None:
    said = "gauge HG-7 (magnetic) passed check V-1 before"
    assert _cover(both_checks()).sentence == f"The one reading is covered: {said} and check V-2 after."
    assert _cover(verification("V-1", at(8))).sentence == (
        f"1 of 1 reading waits for its closing check: {said}, and its closing check is still to come. Check the gauge on "
        "its standards now."
    )


def test_what_is_less_bad_is_counted_besides() -> None:
    open_one, open_two = _taken(1), _taken(2)
    uncovered = _taken(3, probe_mode="eddy-current")
    coverage = _cover(verification("V-1", at(8)), open_one, uncovered)
    assert coverage.sentence.endswith(
        " Check the gauge and measure these again. Besides, 1 waits for its closing check."
    )
    coverage = _cover(verification("V-1", at(8)), open_one, open_two, uncovered)
    assert coverage.sentence.endswith(" Besides, 2 wait for their closing check.")
    assert coverage.sentence.startswith(
        "1 of 3 readings is not covered: gauge HG-7 (eddy-current) has no check on record"
    )
    assert coverage.doubtful == 3


def _gauges(count: int) -> list[GaugeReading]:
    """Return readings with so many gauges that nobody checked: two with the first, one with each other."""
    serials = ["HG-1", *(f"HG-{n}" for n in range(1, count + 1))]
    return [_taken(number, gauge_serial=serial) for number, serial in enumerate(serials, 1)]


def test_reasons_are_counted_and_after_four_of_them_the_rest_is_summed_up() -> None:
    def no_calibration(number: int, count: str) -> str:
        return f"no calibration of gauge HG-{number} (magnetic) is on record ({count})"

    first_four = "; ".join([no_calibration(1, "2 readings"), *(no_calibration(n, "1 reading") for n in (2, 3, 4))])
    what_to_do = "Check the gauge and measure these again."
    assert _cover([], *_gauges(4)).sentence == f"5 of 5 readings are not covered: {first_four}. {what_to_do}"
    assert _cover([], *_gauges(5)).sentence == (
        f"6 of 6 readings are not covered: {first_four}; and 1 more reason, given with the readings. {what_to_do}"
    )
    assert "; and 2 more reasons, given with the readings." in _cover([], *_gauges(6)).sentence


# The look-back


def test_what_cannot_be_looked_back_from_is_refused_in_words() -> None:
    with pytest.raises(BadInput) as unknown:
        readings_in_doubt([], both_checks(), "V-9")
    assert str(unknown.value) == "there is no verification 'V-9'; name one that is on record"
    with pytest.raises(BadInput) as passed:
        doubt_interval(both_checks(), "V-1")
    assert str(passed.value) == "verification 'V-1' passed, so it puts nothing in doubt; name one that failed"

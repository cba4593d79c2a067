"""Verdicts on columns: what has to be decided there, exactly on and beside each limit, and what is left open."""

from __future__ import annotations

from datetime import datetime, timedelta
from decimal import Decimal
from typing import Any

import pytest

from rules.calibration_gate import RunGate
from rules.many import Screened, assess_many
from rules.results import GateState
from rules.screening import screen, screenable
from rules.verdict import Verdict
from schemas.job import Job
from schemas.parquet import table_of
from schemas.readings import READINGS, GaugeReading
from schemas.vocabulary import VerificationError
from tests.rules.builders import GAUGE, at, both_checks, event, job, location, reading, shop, verification

PASS, UNDECIDED, FAIL = Verdict.PASS, Verdict.UNDECIDED, Verdict.FAIL
COVERED, OPEN, UNCOVERED, SUSPECT = GateState.COVERED, GateState.OPEN, GateState.UNCOVERED, GateState.SUSPECT


def _taken(figures: str, unit: str = "mil", inspection: str = "I-1", first: int = 1, **more: Any) -> list[GaugeReading]:
    """Return readings of one spot of the front face."""
    facts: dict[str, Any] = {"spot": 1, "inspection_id": inspection, **more}
    return [reading(first + n, figure, unit, **facts) for n, figure in enumerate(figures.split())]


def _screened(the_job: Job, *taken: list[GaugeReading]) -> dict[str, Verdict | None]:
    return screen(the_job, table_of(READINGS, [row for rows in taken for row in rows]))


def _one(the_job: Job, figures: str, unit: str = "mil", **more: Any) -> Verdict | None:
    return _screened(the_job, _taken(figures, unit, **more))["I-1"]


# Single readings


@pytest.mark.parametrize(
    ("figures", "verdict"),
    [
        ("2.0 4.0", PASS),
        ("1.99 4.0", FAIL),
        ("2.0 4.01", FAIL),
        ("3.0", UNDECIDED),
        ("1.9", FAIL),
        ("2.0 3.0 4.0", PASS),
    ],
)
def test_single_readings_are_decided_on_their_limits(figures: str, verdict: Verdict) -> None:
    assert _one(job(location(readings_per_spot=2)), figures) is verdict


@pytest.mark.parametrize(
    ("figures", "verdict"), [("50.8 101.6", PASS), ("50.7999 101.6", FAIL), ("50.8 101.6001", FAIL)]
)
def test_the_last_place_of_a_reading_decides(figures: str, verdict: Verdict) -> None:
    """2 and 4 mil are 50.8 and 101.6 µm."""
    assert _one(job(location(readings_per_spot=2)), figures, "um") is verdict
    assert _one(job(location(lower="50.8", upper="101.6", readings_per_spot=2), unit="um"), figures, "um") is verdict


@pytest.mark.parametrize("rule", ["every-reading", "location-means"])
def test_one_limit_alone_is_asked_about_alone(rule: str) -> None:
    floor, ceiling = job(location(upper=None), rule=rule), job(location(lower=None), rule=rule)
    assert [_one(floor, figure) for figure in ("1.99", "2.0", "90.0")] == [FAIL, PASS, PASS]
    assert [_one(ceiling, figure) for figure in ("0.0", "4.0", "4.01")] == [PASS, PASS, FAIL]


# Means


@pytest.mark.parametrize(
    ("figures", "verdict"),
    [
        ("1.0 3.0", PASS),
        ("1.0 2.99", FAIL),
        ("3.0 5.0", PASS),
        ("3.01 5.0", FAIL),
        ("3.0", UNDECIDED),
        ("2.0 2.0 2.0", PASS),
        ("2.0 2.0 1.99", FAIL),
    ],
)
def test_means_are_decided_on_their_limits(figures: str, verdict: Verdict) -> None:
    means = job(location(readings_per_spot=2), rule="location-means")
    assert _one(means, figures) is verdict


def test_limits_of_different_places_are_each_compared_exactly() -> None:
    """Means of 2.125 and of 3.0625 mil."""
    means = job(location(lower="2.125", upper=None), location("back", None, "3.0625"), rule="location-means")

    def verdict(front: str, back: str) -> Verdict | None:
        return _screened(means, _taken(front), _taken(back, first=50, location="back"))["I-1"]

    assert verdict("2.12 2.13", "3.06 3.065") is PASS
    assert verdict("2.12 2.129", "3.06 3.065") is FAIL
    assert verdict("2.12 2.13", "3.06 3.066") is FAIL


# What is judged, and what is subtracted


def test_what_is_not_counted_or_was_there_before_coating_is_not_judged() -> None:
    aside = _taken("9.0", first=2, counted=False)
    before = _taken("0.1", first=3, coat_stage="bare", counted=True)
    # Nor may either make up for what is missing: left open at the most, never decided by it.
    assert _screened(job(), [*_taken("3.0"), *aside])["I-1"] in (PASS, None)
    assert _screened(job(), [*_taken("3.0"), *before])["I-1"] in (PASS, None)
    assert _screened(job(), [*aside, *before])["I-1"] in (UNDECIDED, None)


def test_the_base_metal_value_is_subtracted_and_where_it_is_asked_for_and_missing_the_answer_is_open() -> None:
    over = _taken("60.8", "um", base_metal_um=Decimal(10))
    assert _screened(job(), over) == {"I-1": PASS}
    assert _screened(job(), _taken("60.7999", "um", base_metal_um=Decimal(10))) == {"I-1": FAIL}
    asked = job(base_reading=True)
    assert _screened(asked, over) == {"I-1": PASS}
    assert _screened(asked, over, _taken("60.8", "um", inspection="I-2")) == {"I-1": PASS, "I-2": None}


def test_what_leaves_one_inspection_open_leaves_others_open_for_other_reasons() -> None:
    """A location that the job does not name, and a base metal reading that is missing."""
    asked = job(base_reading=True)
    unknown = _taken("60.8", "um", base_metal_um=Decimal(10), location="lid")
    bare = _taken("60.8", "um", inspection="I-2")
    assert _screened(asked, unknown, bare) == {"I-1": None, "I-2": None}


def test_names_of_locations_are_found_whatever_their_case_and_unknown_ones_leave_the_answer_open() -> None:
    assert _one(job(), "3.0", location="FRONT face") is PASS
    assert _screened(
        job(), _taken("3.0"), _taken("3.0", inspection="I-2"), _taken("3.0", inspection="I-2", first=2, location="lid")
    ) == {"I-1": PASS, "I-2": None}
    assert _one(job(), "3.0", location="lid") is None


# Completeness


def test_each_piece_has_to_be_measured_at_each_location() -> None:
    both = job(location(), location("back"))
    front, back = _taken("3.0"), _taken("3.0", first=2, location="back")
    assert _screened(both, front) == {"I-1": UNDECIDED}
    assert _screened(both, front, back) == {"I-1": PASS}
    other = _taken("3.0", first=3, piece="2")
    assert _screened(both, front, back, other) == {"I-1": UNDECIDED}
    assert _screened(both, front, back, other, _taken("3.0", first=4, piece="2", location="back")) == {"I-1": PASS}


def test_readings_beyond_the_plan_make_up_for_none_and_spots_beyond_it_leave_the_answer_open() -> None:
    two_spots = job(location(spots=2, readings_per_spot=2))
    one, two = _taken("3.0 3.0"), _taken("3.0 3.0", first=10, spot=2)
    assert _screened(two_spots, one, two) == {"I-1": PASS}
    assert _screened(two_spots, one, _taken("3.0", first=10, spot=2)) == {"I-1": UNDECIDED}
    assert _screened(two_spots, _taken("3.0 3.0 3.0 3.0")) == {"I-1": UNDECIDED}
    assert _screened(two_spots, one, two, _taken("3.0", first=20, spot=3)) == {"I-1": None}
    # A failure is one whatever is missing or beyond.
    assert _screened(two_spots, one, two, _taken("9.0", first=20, spot=3)) == {"I-1": FAIL}
    assert _screened(two_spots, _taken("9.0")) == {"I-1": FAIL}


def test_inspections_and_pieces_are_told_apart() -> None:
    rows = [
        *_taken("3.0", inspection="I-1"),
        *_taken("9.0", inspection="I-2"),
        *_taken("3.0", inspection="I-3", piece="9"),
        *_taken("3.0", inspection="I-4", first=1),
        *_taken("1.0", inspection="I-4", first=2, piece="2"),
    ]
    expected: dict[str, Verdict | None] = {"I-1": PASS, "I-2": FAIL, "I-3": PASS, "I-4": FAIL}
    assert _screened(job(), rows) == expected
    assert _screened(job(), list(reversed(rows))) == expected


def test_numbers_of_spots_too_large_for_a_key_leave_all_open() -> None:
    huge = _taken("3.0", spot=2**31 - 1, piece="1")
    many = [reading(n, "3.0", inspection_id=f"I-{n}", piece=f"{n}", spot=1) for n in range(2, 60_000, 20_000)]
    assert set(_screened(job(), huge, many).values()) == {PASS}


# The gate of a run, and both together


def _state(
    checks: Any, first: datetime, last: datetime, locations: tuple[str, ...] = ("front face",), **policy: Any
) -> Any:
    facts: dict[str, Any] = {"bracket_limits": False, **policy}
    return RunGate(checks, job(), shop(**facts)).state(GAUGE, "magnetic", first, last, locations)


def test_a_run_within_what_one_pair_of_checks_covers_has_one_state() -> None:
    good = both_checks()
    assert _state(good, at(9), at(10)) is COVERED
    assert _state(verification("V-1", at(8)), at(9), at(10)) is OPEN
    assert _state([], at(9), at(10)) is UNCOVERED
    failed = [*verification("V-1", at(8)), *verification("V-2", at(17), passed=False)]
    assert _state(failed, at(9), at(10)) is SUSPECT


def test_a_run_across_an_event_or_a_day_is_left_open() -> None:
    good = both_checks()
    assert _state(good, at(9), at(18)) is None
    assert _state(good, at(7), at(9)) is None
    assert _state([*good, event("A-1", "adjustment", at(9, 30))], at(9), at(10)) is None
    assert _state([*good, event("E-1", "incident", at(9, 30))], at(9), at(10)) is None
    late = [*verification("V-1", at(20)), *verification("V-2", at(6, day=4))]
    assert _state(late, at(23), at(23, 59)) is COVERED
    assert _state(late, at(23), at(1, day=4)) is None


def test_the_end_of_a_checks_age_parts_a_run() -> None:
    checks = [*verification("V-1", at(1)), *verification("V-2", at(20))]
    ends = at(9)
    instant = timedelta(microseconds=1)
    assert _state(checks, at(8), ends - instant, max_age_hours=8) is COVERED
    # On the very moment, it is looked at closely.
    assert _state(checks, at(8), ends, max_age_hours=8) is None
    assert _state(checks, ends + instant, at(10), max_age_hours=8) is UNCOVERED
    assert _state(checks, at(8), ends + instant, max_age_hours=8) is None


def test_of_several_locations_the_worst_counts() -> None:
    places = (location("front face", "2.0", "4.0"), location("back", "2.0", "9.0"))
    gate = RunGate(both_checks(), job(*places), shop())
    assert gate.state(GAUGE, "magnetic", at(9), at(10), ("front face",)) is COVERED
    assert gate.state(GAUGE, "magnetic", at(9), at(10), ("front face", "back")) is UNCOVERED
    assert gate.state(GAUGE, "eddy-current", at(9), at(10), ("front face",)) is UNCOVERED


def test_the_events_of_one_mode_part_no_run_of_another() -> None:
    checks = [*both_checks(), *verification("V-3", at(9, 30), probe_mode="eddy-current")]
    gate = RunGate(checks, job(), shop(bracket_limits=False))
    assert gate.state(GAUGE, "magnetic", at(9), at(10), ("front face",)) is COVERED
    assert gate.state(GAUGE, "eddy-current", at(9), at(10), ("front face",)) is None
    assert gate.state(GAUGE, "eddy-current", at(10), at(11), ("front face",)) is OPEN


def test_many_inspections_have_each_its_verdict() -> None:
    rows = [
        *_taken("3.0", inspection="I-1", taken_at=at(9)),
        *_taken("9.0", inspection="I-2", taken_at=at(9)),
        *_taken("3.0", inspection="I-3", taken_at=at(18)),
        *_taken("3.0", inspection="I-4", taken_at=at(9), location="lid"),
    ]
    found = assess_many(job(), shop(), table_of(READINGS, rows), both_checks())
    assert found == {
        "I-1": Screened(PASS, COVERED),
        "I-2": Screened(FAIL, COVERED),
        "I-3": Screened(PASS, OPEN),
        "I-4": None,
    }
    assert [one.verdict for one in found.values() if one is not None] == [PASS, FAIL, UNDECIDED]
    assert assess_many(job(), shop(), table_of(READINGS, []), both_checks()) == {}


def test_runs_of_two_gauges_two_modes_or_not_all_locations_are_looked_at_closely() -> None:
    first = _taken("3.0", taken_at=at(9))

    def found(*more: GaugeReading) -> Screened | None:
        return assess_many(job(), shop(), table_of(READINGS, [*first, *more]), both_checks())["I-1"]

    assert found() == Screened(PASS, COVERED)
    (other,) = _taken("3.0", first=2, taken_at=at(9, 1), gauge_serial="HG-8")
    (mode,) = _taken("3.0", first=2, taken_at=at(9, 1), probe_mode="eddy-current")
    (later,) = _taken("3.0", first=2, taken_at=at(18))
    (aside,) = _taken("3.0", first=2, taken_at=at(18), counted=False)
    assert [found(row) for row in (other, mode, later, aside)] == [None] * 4
    both = job(location(), location("back"))
    assert assess_many(both, shop(), table_of(READINGS, first), both_checks())["I-1"] is None


# What can be screened


@pytest.mark.parametrize(
    ("more", "can"),
    [
        ({}, True),
        ({"rule": "location-means"}, True),
        ({"rule": "ninety-ten"}, False),
        ({"rule": {"name": "location-means", "comparison": "rounding"}}, False),
        ({"decision": {"rule": "four-way"}}, False),
        ({"sampling": {"scheme": "every-piece"}}, False),
    ],
)
def test_only_plain_jobs_are_screened(more: dict[str, Any], can: bool) -> None:
    assert screenable(job(**more), shop()) is can


@pytest.mark.parametrize("error", VerificationError)
def test_only_where_errors_are_carried(error: VerificationError) -> None:
    assert screenable(job(), shop(error=error.value)) is (error is VerificationError.CARRIED)

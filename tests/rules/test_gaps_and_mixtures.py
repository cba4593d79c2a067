"""What is missing, mixed or beside the plan is never judged as if it were in order."""

from __future__ import annotations

from decimal import Decimal

import pytest

from rules.assessment import conformity_of
from rules.verdict import Finding, Verdict
from schemas.job import Job
from schemas.readings import GaugeReading
from tests.rules.builders import job, location, reading, readings


def _all(the_job: Job, rows: list[GaugeReading]) -> list[Finding]:
    places, lot, _ = conformity_of(the_job, rows)
    return [*(f for place in places for f in place.findings), *lot]


def _undecided(the_job: Job, rows: list[GaugeReading]) -> list[str]:
    return [f.sentence for f in _all(the_job, rows) if f.verdict is Verdict.UNDECIDED]


def test_readings_at_a_location_that_the_job_does_not_name_are_reported_and_undecide_it() -> None:
    rows = [reading(1, "3.0"), reading(2, "0.1", location="hinge")]
    assert _undecided(job(), rows) == ["1 reading at hinge, a location that the job does not name: not judged"]
    assert conformity_of(job(), rows)[2] is Verdict.UNDECIDED


def test_a_location_is_known_by_its_name_whatever_the_case() -> None:
    (place,), lot, verdict = conformity_of(job(), [reading(1, "3.0", location="Front Face")])
    assert (place.location, lot, verdict) == ("front face", (), Verdict.PASS)


def test_more_readings_at_one_spot_do_not_make_up_for_a_spot_that_was_left_out() -> None:
    the_job = job(location(spots=3, readings_per_spot=2))
    rows = readings("3.0 3.0 3.0 3.0 3.0 3.0", spot=1)
    assert _undecided(the_job, rows) == [
        "piece 1, front face: too few readings: 2 of 6 that the plan asks for",
    ]


def test_each_measured_piece_needs_every_location() -> None:
    the_job = job(location("front"), location("back"))
    rows = [
        reading(1, "3.0", location="front"),
        reading(2, "3.0", location="back"),
        reading(3, "3.0", location="front", piece="2"),
    ]
    assert _undecided(the_job, rows) == ["piece 2, back: too few readings: 0 of 1 that the plan asks for"]


def test_a_fail_is_a_fail_though_readings_are_missing() -> None:
    the_job = job(location(spots=5))
    assert conformity_of(the_job, readings("1.0 3.0"))[2] is Verdict.FAIL


def test_a_reading_on_bare_metal_is_no_film_build_even_where_it_is_counted() -> None:
    rows = [reading(1, "0.1", coat_stage="bare"), reading(2, "3.0", spot=1)]
    (place,), _, verdict = conformity_of(job(), rows)
    assert (len(place.builds), place.excluded, verdict) == (1, 0, Verdict.PASS)


def test_builds_stand_in_the_order_taken_over_all_pieces() -> None:
    rows = [reading(1, "3.1", piece="b"), reading(2, "2.9", piece="a"), reading(3, "3.3", piece="b", spot=2)]
    (place,), _, _ = conformity_of(job(), rows)
    assert [float(build) for build in place.builds] == [3.1, 2.9, 3.3]


def test_locations_without_readings_are_undecided_each() -> None:
    places, _, verdict = conformity_of(job(location("front"), location("back")), [])
    assert [place.verdict for place in places] == [Verdict.UNDECIDED, Verdict.UNDECIDED]
    assert [(place.mean, place.deviation) for place in places] == [(None, None), (None, None)]
    assert verdict is Verdict.UNDECIDED


def test_an_extra_spot_of_too_few_readings_is_not_passed_over_by_pa_2() -> None:
    the_job = job(location(spots=5, readings_per_spot=3), rule="sspc-pa2")
    rows = [*readings("3.0 " * 15, per_spot=3), reading(16, "0.2", spot=6)]
    assert _undecided(the_job, rows) == [
        "piece 1, front face: spot 6 has 1 reading; the rule takes at least 3 to a spot",
    ]


@pytest.mark.parametrize(("pieces", "expected"), [(6, Verdict.UNDECIDED), (7, Verdict.PASS)])
def test_pa_2_asks_for_as_many_areas_as_the_coated_area_needs(pieces: int, expected: Verdict) -> None:
    """500 m² need seven areas: JPCL December 2009, table 2 (read)."""
    rule = {"name": "sspc-pa2", "coated_area_m2": Decimal(500)}
    the_job = job(location(spots=5, readings_per_spot=3), rule=rule)
    rows = [r for p in range(pieces) for r in readings("3.0 " * 15, per_spot=3, piece=str(p))]
    _, lot, verdict = conformity_of(the_job, rows)
    assert verdict is expected
    assert [f.verdict for f in lot] == [expected]
    assert f"areas measured: {pieces}" in lot[0].sentence


def test_the_label_takes_five_measuring_areas_over_the_locations_of_one_minimum() -> None:
    """Five measuring areas of three to five readings: the architectural label, from memory."""
    places = [
        location("outer face", "60", None, spots=3, readings_per_spot=3),
        location("inner face", "60", None, spots=2, readings_per_spot=3),
    ]
    the_job = job(*places, rule="architectural-label", unit="um")
    outer = readings("65 " * 9, "um", per_spot=3, location="outer face")
    inner = readings("55 " * 6, "um", per_spot=3, location="inner face")
    _, lot, verdict = conformity_of(the_job, [*outer, *inner])
    # (3·65 + 2·55) / 5 = 61: enough together, though the inner face alone would not be.
    assert [f.sentence for f in lot] == [
        "piece 1, outer face and inner face: mean of the measured values 61.0 µm meets the minimum 60 µm"
    ]
    assert verdict is Verdict.PASS
    _, lot, verdict = conformity_of(the_job, outer)
    assert verdict is Verdict.UNDECIDED
    assert any("too few measuring areas: 3 of 5" in f.sentence for f in lot)


def test_the_label_does_not_take_six_readings_for_a_measuring_area() -> None:
    the_job = job(location(lower="60", upper=None, spots=5, readings_per_spot=3), rule="architectural-label", unit="um")
    rows = [*readings("65 " * 15, "um", per_spot=3), *readings("65 65 65", "um", first=16, spot=1)]
    said = _undecided(the_job, rows)
    assert "piece 1, front face: spot 1 has 6 readings; the rule takes at most 5 to a spot" in said


def test_an_upper_limit_beside_the_label_is_the_jobs_own_and_asked_of_every_reading() -> None:
    place = location(lower="60", upper="120", spots=5, readings_per_spot=3)
    the_job = job(place, rule="architectural-label", unit="um")
    on_it = ["65"] * 14 + ["120"]
    over = ["65"] * 14 + ["121"]
    assert conformity_of(the_job, readings(on_it, "um", per_spot=3))[2] is Verdict.PASS
    assert conformity_of(the_job, readings(over, "um", per_spot=3))[2] is Verdict.FAIL


def test_the_roughness_is_not_taken_off_where_a_base_reading_already_was() -> None:
    """ISO 19840 subtracts a value, PA 2 a base metal reading: the one or the other, or one profile goes twice."""
    rule = {"name": "iso-19840", "roughness_correction_um": Decimal(25)}
    the_job = job(location(lower="100", upper="300", spots=5), rule=rule, unit="um")
    corrected = conformity_of(the_job, readings("125 " * 5, "um"))
    subtracted = conformity_of(the_job, readings("110 " * 5, "um", base_metal_um=Decimal(10)))
    assert [float(b) for b in corrected[0][0].builds] == [100.0] * 5
    assert [float(b) for b in subtracted[0][0].builds] == [100.0] * 5
    assert (corrected[2], subtracted[2]) == (Verdict.PASS, Verdict.PASS)


def test_a_finding_names_piece_location_number_limit_and_unit() -> None:
    sentences = [f.sentence for f in _all(job(), [reading(1, "1.62")])]
    assert sentences == [
        "piece 1, front face: lowest reading 1.62 mil is below the lower limit 2.0 mil",
        "piece 1, front face: highest reading 1.62 mil is within the upper limit 4.0 mil",
    ]

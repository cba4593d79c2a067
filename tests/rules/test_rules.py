"""The acceptance rules through the door that sealing and assessing use: at, just under and just over each limit."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import pytest

from rules.assessment import assess, conformity_of
from rules.results import GateState
from rules.verdict import Finding, Verdict, overall
from tests.rules.builders import both_checks, job, location, reading, readings, shop


def _verdict(rule: str, figures: str, lower: str | None = "2.0", upper: str | None = "4.0") -> Verdict:
    count = len(figures.split())
    the_job = job(location(lower=lower, upper=upper, readings_per_spot=count), rule=rule)
    return conformity_of(the_job, readings(figures, per_spot=count))[2]


@pytest.mark.parametrize(
    ("rule", "figures", "verdict"),
    [
        ("every-reading", "2.0 4.0", Verdict.PASS),
        ("every-reading", "1.99 3.0", Verdict.FAIL),
        ("every-reading", "3.0 4.01", Verdict.FAIL),
        ("location-means", "1.0 3.0", Verdict.PASS),
        ("location-means", "1.0 2.99", Verdict.FAIL),
        ("location-means", "3.0 5.0", Verdict.PASS),
        ("location-means", "3.01 5.0", Verdict.FAIL),
    ],
)
def test_a_rule_at_just_under_and_just_over(rule: str, figures: str, verdict: Verdict) -> None:
    assert _verdict(rule, figures) is verdict


@pytest.mark.parametrize("rule", ["every-reading", "location-means"])
def test_one_limit_alone_is_judged_alone(rule: str) -> None:
    assert _verdict(rule, "9.0 9.0", upper=None) is Verdict.PASS
    assert _verdict(rule, "0.1 0.1", lower=None) is Verdict.PASS
    assert _verdict(rule, "4.1 4.1", lower=None) is Verdict.FAIL


def test_undecided_outranks_pass_and_fail_outranks_both() -> None:
    def finding(verdict: Verdict) -> Finding:
        return Finding(verdict, "check", "sentence")

    assert overall([]) is Verdict.UNDECIDED
    assert overall([finding(Verdict.PASS), finding(Verdict.UNDECIDED)]) is Verdict.UNDECIDED
    assert overall([finding(Verdict.FAIL), finding(Verdict.UNDECIDED)]) is Verdict.FAIL
    assert overall([finding(Verdict.PASS)]) is Verdict.PASS


def test_missing_readings_are_never_a_pass() -> None:
    the_job = job(location(readings_per_spot=5), location("back face"))
    places, _, verdict = conformity_of(the_job, readings("3.0 3.0 3.0", per_spot=5))
    assert verdict is Verdict.UNDECIDED
    assert [p.verdict for p in places] == [Verdict.UNDECIDED, Verdict.UNDECIDED]
    sentences = [f.sentence for p in places for f in p.findings if f.verdict is Verdict.UNDECIDED]
    assert any("3 of 5" in s for s in sentences)


def test_nothing_measured_is_undecided() -> None:
    assert conformity_of(job(), [])[2] is Verdict.UNDECIDED


def test_a_piece_that_fails_fails_the_location_though_the_others_pass() -> None:
    the_job = job(location(readings_per_spot=1), rule="location-means")
    rows = [reading(1, "3.0", piece="1"), reading(2, "1.0", piece="2"), reading(3, "3.0", piece="3")]
    (place,), _, verdict = conformity_of(the_job, rows)
    assert (place.verdict, verdict) == (Verdict.FAIL, Verdict.FAIL)
    (missed,) = [f for f in place.findings if f.verdict is Verdict.FAIL]
    assert missed.piece == "2"
    assert (missed.found, missed.limit) == (Fraction(1), Decimal("2.0"))
    assert "1" in missed.sentence
    assert "2.0 mil" in missed.sentence


def test_what_is_not_counted_is_not_judged_and_is_counted_as_excluded() -> None:
    the_job = job(location(readings_per_spot=2))
    rows = readings("3.0 3.0", per_spot=2)
    rows.append(reading(3, "0.1", counted=False, excluded_reason="slipped", excluded_by="AM"))
    (place,), _, verdict = conformity_of(the_job, rows)
    assert (verdict, place.excluded, len(place.builds)) == (Verdict.PASS, 1, 2)


def test_the_base_metal_reading_is_subtracted_before_anything_is_compared() -> None:
    the_job = job(location(readings_per_spot=1), base_reading=True, blasted=True)
    passes = [reading(1, "2.6", base_metal_um=Decimal("15.2400"))]
    fails = [reading(1, "2.59", base_metal_um=Decimal("15.2400"))]
    assert conformity_of(the_job, passes)[2] is Verdict.PASS
    assert conformity_of(the_job, fails)[2] is Verdict.FAIL


def test_a_base_reading_that_is_asked_for_and_not_there_leaves_it_undecided() -> None:
    the_job = job(location(readings_per_spot=1), base_reading=True, blasted=True)
    assert conformity_of(the_job, [reading(1, "3.0")])[2] is not Verdict.PASS


def test_a_micrometre_gauge_on_a_mil_order_is_converted_exactly_and_judged_in_mil() -> None:
    the_job = job(location(readings_per_spot=1))
    assert conformity_of(the_job, readings("50.8", "um"))[2] is Verdict.PASS
    assert conformity_of(the_job, readings("50.7999", "um"))[2] is Verdict.FAIL


def test_the_target_band_never_decides() -> None:
    place = location(readings_per_spot=1, target_low=Decimal("3.0"), target_high=Decimal("3.5"))
    assert conformity_of(job(place), readings("2.1"))[2] is Verdict.PASS


def test_validity_comes_before_conformity() -> None:
    the_job = job(location(readings_per_spot=1))
    covered = assess(the_job, shop(), readings("1.0"), both_checks(), coats=1, bakes=1)
    uncovered = assess(the_job, shop(), readings("1.0"), [], coats=1, bakes=1)
    assert (covered.coverage.state, covered.conformity, covered.verdict) == (
        GateState.COVERED,
        Verdict.FAIL,
        Verdict.FAIL,
    )
    assert (uncovered.coverage.state, uncovered.conformity, uncovered.verdict) == (
        GateState.UNCOVERED,
        Verdict.FAIL,
        Verdict.UNDECIDED,
    )

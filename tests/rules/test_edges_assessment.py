"""An assessment as a whole: what is handed from one part to the next, and what is kept beside the verdict."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from fractions import Fraction
from typing import Any

import pytest

from rules.assessment import assess, conformity_of
from rules.conformity import rule_statement
from rules.guarding import risks
from rules.lot_judgement import LotTerms, state_plan
from rules.recoat import AddedBuild
from rules.results import Action, Assessment, GateState, LocationResult
from rules.statistics import standard_deviation
from rules.verdict import Verdict
from schemas.gauge_checks import GaugeCheck
from schemas.job import Job
from schemas.readings import GaugeReading
from schemas.shop import Shop
from schemas.units import Unit
from schemas.vocabulary import Role
from tests.rules.builders import at, both_checks, job, location, reading, readings, shop, verification

PASS, UNDECIDED, FAIL = Verdict.PASS, Verdict.UNDECIDED, Verdict.FAIL
FIVE = "3.0 3.1 2.9 3.0 3.05"
SAMPLING: dict[str, Any] = {"sampling": {"scheme": "attributes", "aql": Decimal("4.0")}}


def _assess(
    the_job: Job,
    taken: list[GaugeReading],
    checks: list[GaugeCheck] | None = None,
    *,
    by: Shop | None = None,
    **more: Any,
) -> Assessment:
    facts: dict[str, Any] = {"coats": 1, "bakes": 1, **more}
    return assess(the_job, by or shop(), taken, both_checks() if checks is None else checks, **facts)


def _one(**more: Any) -> Job:
    return job(location("front face", "2.0", "4.0", readings_per_spot=5), **more)


# A location


def test_a_location_keeps_its_limits_its_builds_and_what_they_come_to() -> None:
    place = location(
        "front face",
        "2.0",
        "4.0",
        target_low=Decimal("2.5"),
        target_high=Decimal("3.5"),
        role="edge",
        readings_per_spot=5,
    )
    taken = readings(FIVE, per_spot=5)
    set_aside = [
        reading(7, "9.9", counted=False, excluded_reason="slipped"),
        reading(8, "9.9", counted=False, location="FRONT FACE"),
        reading(9, "0.1", counted=False, coat_stage="bare"),
        reading(10, "9.9", counted=False, location="nowhere"),
    ]
    found = _assess(job(place), [*taken, *set_aside])
    (result,) = found.locations
    builds = tuple(Fraction(x) for x in FIVE.split())
    assert (result.location, result.role) == ("front face", Role.EDGE)
    assert (result.lower, result.target_low, result.target_high, result.upper) == (
        Decimal("2.0"),
        Decimal("2.5"),
        Decimal("3.5"),
        Decimal("4.0"),
    )
    assert (result.builds, result.excluded) == (builds, 2)
    assert (result.mean, result.least, result.greatest) == (Fraction("3.01"), Fraction("2.9"), Fraction("3.1"))
    assert result.deviation == standard_deviation(builds)
    assert (result.verdict, len(result.findings), result.risk, result.risk_sentence) == (PASS, 2, None, "")
    assert result.uncertainty is not None
    assert result.one_reading is not None
    assert result.uncertainty.components[0].how.endswith("mean of 5")
    assert result.one_reading.components[0].how.endswith("one reading")
    assert (result.uncertainty.coverage, result.one_reading.coverage) == (Decimal("0.95"), Decimal("0.95"))


def test_the_coverage_of_the_job_is_that_of_its_uncertainties() -> None:
    decision = {"rule": "simple", "coverage": Decimal("0.9")}
    (result,) = _assess(_one(decision=decision), readings(FIVE, per_spot=5)).locations
    assert result.uncertainty is not None
    assert result.one_reading is not None
    assert (result.uncertainty.coverage, result.one_reading.coverage) == (Decimal("0.9"), Decimal("0.9"))


def test_a_location_without_readings_is_there_and_undecided() -> None:
    places, lot, verdict = conformity_of(job(location(), location("back", "1.0", None)), readings("3.0"))
    assert places[1] == LocationResult(
        location="back",
        role=Role.VISIBLE,
        lower=Decimal("1.0"),
        target_low=None,
        target_high=None,
        upper=None,
        builds=(),
        excluded=0,
        mean=None,
        least=None,
        greatest=None,
        deviation=None,
        verdict=UNDECIDED,
        findings=places[1].findings,
    )
    assert (lot, verdict) == ((), UNDECIDED)
    assert places[0].deviation is None
    assert places[0].mean == 3


def test_findings_without_a_location_are_about_the_lot() -> None:
    taken = [*readings("3.0"), reading(2, "3.0", location="lid")]
    places, lot, verdict = conformity_of(job(), taken)
    assert [f.check for f in lot] == ["locations of the job"]
    assert [f.check for f in places[0].findings] == ["lowest reading", "highest reading"]
    assert verdict is UNDECIDED


# The gate


@pytest.mark.parametrize(("checks", "state"), [(True, GateState.COVERED), (False, GateState.UNCOVERED)])
def test_only_a_covered_gauge_makes_a_verdict_of_what_conforms(checks: bool, state: GateState) -> None:
    found = _assess(_one(), readings(FIVE, per_spot=5), both_checks() if checks else [])
    assert (found.coverage.state, found.conformity) == (state, PASS)
    assert found.verdict is (PASS if checks else UNDECIDED)
    assert found.advice[0].action is (Action.ACCEPT if checks else Action.REMEASURE)


def test_an_assessment_says_its_unit_and_its_rule() -> None:
    the_job = _one(rule={"name": "location-means", "edition": "rev. 3"})
    found = _assess(the_job, readings(FIVE, per_spot=5))
    assert (found.unit, found.rule) == (Unit.MIL, rule_statement(the_job.rule))
    assert (found.lot, found.piece_findings, found.correction, found.lot_findings) == (None, (), "", ())


# Uncertainty


def test_a_number_near_its_limit_has_a_risk() -> None:
    near = "2.02 2.01 2.03 2.02 2.02"
    found = _assess(_one(rule="location-means"), readings(near, per_spot=5))
    (result,) = found.locations
    assert result.verdict is PASS
    assert result.risk is not None
    assert 0 < result.risk < Decimal("0.5")
    assert result.risk_sentence.startswith("front face: mean of the readings 2.02 mil lies within U = ")
    assert result.risk_sentence.endswith("the decision accepts what is really outside")
    assert risks(result.findings, {}, _one().decision, Unit.MIL) == {}


def test_a_guard_band_decides_and_makes_the_advice() -> None:
    near = readings("1.85 1.95 1.75 1.85 1.85", per_spot=5)
    decision = {"rule": "guard-band"}
    added = AddedBuild(Decimal("0.5"), Decimal("1.0"), 12, Decimal("0.75"), Decimal("0.1"), "12 pairs in the archive")
    found = _assess(_one(rule="location-means", decision=decision), near, added=added)
    assert found.verdict is FAIL
    recoat = found.advice[0]
    assert recoat.action is Action.RECOAT
    assert recoat.test == "Recoat test: fits; a coat adds 0.5 to 1.0 mil (from 12 pairs in the archive)."
    assert any(" guard = " in reason for reason in recoat.reasons)
    assert (
        "baked 3 times"
        in _assess(_one(rule="location-means"), readings("1.0 " * 5, per_spot=5), bakes=3).advice[0].reasons[-1]
    )


def test_a_correction_is_made_before_anything_is_compared_and_is_said() -> None:
    """The check read 0.5 µm too much on both standards; 3.0 mil are 76.2 µm."""
    by = shop(error="corrected")
    found = _assess(_one(rule="location-means"), readings(FIVE, per_spot=5), by=by)
    (result,) = found.locations
    assert result.builds[0] == (Fraction("76.2") - Fraction("0.5")) / Fraction("25.4")
    assert found.correction == (
        "Readings are corrected for the error that check V-1 found on the nearest standard: -0.5000 µm at Z-0, -0.5000 µm at "
        "F-125."
    )
    assert result.uncertainty is not None
    assert "corrected for" in result.uncertainty.components[4].how


def test_corrections_of_several_checks_are_each_said_once() -> None:
    checks = [*verification("V-1", at(8)), *verification("V-2", at(10)), *verification("V-3", at(17))]
    taken = [*readings(FIVE, per_spot=5), *readings("3.0 3.1", first=6, spot=2, taken_at=at(11))]
    found = _assess(_one(rule="location-means"), taken, checks, by=shop(error="corrected"))
    said = "Readings are corrected for the error that check {} found on the nearest standard: -0.5000 µm at Z-0, -0.5000 µm at F-125."
    assert found.correction == f"{said.format('V-1')} {said.format('V-2')}"


# The lot


def _pieces(thin: int = 0, count: int = 13) -> list[GaugeReading]:
    """Return one reading of each piece, of which the first *thin* ones are too thin."""
    return [reading(n, "1.5" if n <= thin else "3.0", piece=f"{n}", spot=1) for n in range(1, count + 1)]


def test_a_sampled_lot_is_decided_by_its_plan() -> None:
    the_job = job(**SAMPLING)
    terms = LotTerms(60)
    found = _assess(the_job, _pieces(thin=1), lot=terms)
    assert the_job.sampling is not None
    assert found.lot == state_plan(the_job.sampling, terms)
    assert [f.check for f in found.lot_findings] == ["pieces measured", "nonconforming pieces"]
    assert (found.conformity, found.verdict, found.piece_findings) == (PASS, PASS, ())
    # The piece itself does not conform, and is advised about.
    assert found.locations[0].verdict is FAIL
    assert [advice.action for advice in found.advice] == [Action.STOP]
    assert found.advice[0].sentence.startswith("Piece 1: ")


def test_a_rejected_lot_is_advised_about_as_a_whole_and_once() -> None:
    found = _assess(job(**SAMPLING), _pieces(thin=2), lot=LotTerms(60))
    assert (found.conformity, found.verdict) == (FAIL, FAIL)
    lots = [advice for advice in found.advice if advice.sentence.startswith("The lot: ")]
    assert [lot.reasons for lot in lots] == [
        ("2 of 13 pieces nonconforming: pieces 1 and 2; the plan rejects the lot from 2",)
    ]


def test_a_sampled_lot_of_unknown_size_has_no_plan_and_no_verdict() -> None:
    found = _assess(job(**SAMPLING), _pieces())
    assert (found.lot, found.conformity) == (None, UNDECIDED)
    assert [f.check for f in found.lot_findings] == ["lot size"]
    assert found.advice[0].action is Action.REMEASURE


def test_what_was_found_of_a_piece_as_a_whole_is_kept_beside_the_lot() -> None:
    places = [location(name, "2.0", "6.0", spots=3, readings_per_spot=3) for name in ("front face", "back")]
    the_job = job(*places, rule="architectural-label", sampling={"scheme": "architectural-label"})
    taken = [
        reading(9 * n + s, "3.0", location=name, spot=s // 3 + 1, taken_at=at(9, n))
        for n, name in enumerate(("front face", "back"))
        for s in range(9)
    ]
    found = _assess(the_job, [replace(r, reading_no=n) for n, r in enumerate(taken, 1)], lot=LotTerms(5))
    assert [f.check for f in found.piece_findings] == ["mean of the measured values"]
    assert found.piece_findings[0].piece == "1"
    assert "mean of the measured values" not in [f.check for f in found.lot_findings]


def test_what_was_found_of_a_piece_is_a_reason_once() -> None:
    """The mean of a piece is found for the piece and stands among the findings of the lot as well."""
    the_job = job(
        location("front face", "2.0", "6.0", spots=5, readings_per_spot=3),
        rule="architectural-label",
        safety_class="lifting point",
    )
    taken = [reading(n + 1, "1.9", spot=n // 3 + 1) for n in range(15)]
    (advice,) = _assess(the_job, taken).advice
    assert advice.action is Action.STOP
    assert advice.reasons[1:] == (
        "piece 1, front face: mean of the measured values 1.90 mil is below the minimum 2.0 mil",
    )


def test_a_rejected_lot_is_held_and_sorted_before_anything_else() -> None:
    held = _assess(job(**SAMPLING), _pieces(thin=2), lot=LotTerms(60)).advice[0]
    assert len(held.reasons) == 1
    assert held.reasons[0].startswith(
        "By the plan: Single sampling by attributes, normal inspection, level II, AQL 4.0 %"
    )
    assert (
        "were not measured, and nothing is shown of them: measure every piece and set apart what does not conform"
        in (held.sentence)
    )
    assert held.sentence.endswith(", or treat the whole lot as below.")
    assert held.ask_first == (
        "Does the customer agree that the lot is sorted and sent again?",
        "Is the cause found, and are the racks that hung beside these held as well?",
    )
    assert held.notes == (
        "A lot that is sent again does not count in the series that sets the severity (MIL-STD-105E, 4.7, read).",
    )
    almost = _assess(job(**SAMPLING), _pieces(thin=2), lot=LotTerms(14)).advice[0]
    assert " was not measured, and nothing is shown of them" in almost.sentence
    assert "By the plan: " not in "".join(_assess(job(**SAMPLING), _pieces(thin=1), lot=LotTerms(60)).advice[0].reasons)

"""Uncertainty joined with findings: edges, evidence and words. Numbers are invented."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from fractions import Fraction
from typing import Any

import pytest

from rules.conformity import by_piece_and_location, judged_builds
from rules.decision import decide
from rules.guarding import Risk, guard_bands, guarded, in_unit, knowledge, risks
from rules.location_budget import LocationKnowledge
from rules.uncertainty import GaugeKnowledge
from rules.verdict import Finding, Verdict
from rules.verification_error import Correcting, correcting
from schemas.job import DecisionTerms, Job
from schemas.readings import GaugeReading
from schemas.units import Unit, from_um
from schemas.vocabulary import BASE_READING, EVERYWHERE, VerificationError
from tests.rules.builders import both_checks, event, job, location, reading, shop

PASS, UNDECIDED, FAIL = Verdict.PASS, Verdict.UNDECIDED, Verdict.FAIL
GAUGE = GaugeKnowledge(
    accuracy_um=Decimal("1.63"),  # 1 and 1 % of the mean of all; without a share, so that U is the same at every value
    accuracy_percent=Decimal(0),
    step_um=Decimal("0.1"),
    standard="S-75",
    standard_u_um=Decimal("0.6"),
    error_um=Decimal("0.3"),
)
NEST = (((Fraction(60), Fraction(62)), (Fraction(64), Fraction(66))),)
RAIL = LocationKnowledge(NEST, 2, GAUGE)
#: The mean of the four is uncertain by 28.4 µm: spot means 61 and 65 show 16 over one degree of freedom, so u² of the mean
#: is 4 and 1.007 from the gauge, the effective degrees are 1.57, and t at one degree is 12.7.
#: The same with twice the spread about its mean:
RIB = LocationKnowledge(tuple(tuple(tuple(2 * b - 63 for b in spot) for spot in piece) for piece in NEST), 2, GAUGE)
KNOWN = {"rail": RAIL, "rib": RIB}
COVERAGE = Decimal("0.95")


def _terms(rule: str = "guard-band", factor: str = "1", **more: Any) -> DecisionTerms:
    return DecisionTerms.checked({"rule": rule, "guard_factor": Decimal(factor), **more}, "decision")


def _finding(found: Fraction, limit: str = "60", *, low: bool = True, averaged: int = 4, **more: Any) -> Finding:
    meets = found >= Decimal(limit) if low else found <= Decimal(limit)
    facts: dict[str, Any] = {"location": "rail", "piece": "7", "averaged": averaged, **more}
    return Finding(
        PASS if meets else FAIL, "mean", "mean as found", found=found, limit=Decimal(limit), low=low, **facts
    )


def _u(known: LocationKnowledge = RAIL, averaged: int = 4, coverage: Decimal = COVERAGE) -> Fraction:
    return Fraction(known.budget(averaged, coverage).expanded)


def _guarded(finding: Finding, terms: DecisionTerms | None = None, unit: Unit = Unit.UM) -> Finding:
    (found,) = guarded([finding], KNOWN, terms or _terms(), unit)
    return found


# Findings decided anew


def test_by_simple_acceptance_findings_stay_as_they_are() -> None:
    findings = [_finding(Fraction(60)), _finding(Fraction(59))]
    assert guarded(findings, KNOWN, _terms("simple"), Unit.UM) == findings


@pytest.mark.parametrize(
    "without",
    [{"low": None}, {"found": None}, {"limit": None}],
    ids=["no side", "no number", "no limit"],
)
def test_a_finding_that_compares_no_build_with_a_limit_stays_as_it_is(without: dict[str, Any]) -> None:
    finding = replace(_finding(Fraction(60)), **without)
    assert _guarded(finding) is finding


def test_on_the_guard_band_it_passes_and_just_inside_it_does_not() -> None:
    edge = 60 + _u()
    assert _guarded(_finding(edge)).verdict is PASS
    assert _guarded(_finding(edge - Fraction(1, 10**40))).verdict is FAIL
    high = 90 - _u()
    assert _guarded(_finding(high, "90", low=False)).verdict is PASS
    assert _guarded(_finding(high + Fraction(1, 10**40), "90", low=False)).verdict is FAIL


def test_the_guard_factor_and_the_coverage_make_the_guard_band() -> None:
    half = _terms(factor="0.5")
    assert _guarded(_finding(60 + _u() / 2), half).verdict is PASS
    assert _guarded(_finding(60 + _u() / 2)).verdict is FAIL
    wider = _terms(coverage=Decimal("0.99"))
    assert _guarded(_finding(60 + _u()), wider).verdict is FAIL
    assert _guarded(_finding(60 + _u(coverage=Decimal("0.99"))), wider).verdict is PASS


def test_a_number_is_as_uncertain_as_the_mean_that_it_is() -> None:
    assert _u(averaged=1) != _u(averaged=4)
    edge = 60 + _u(averaged=1)
    assert _guarded(_finding(edge, averaged=1)).verdict is PASS
    assert _guarded(_finding(edge - Fraction(1, 10**30), averaged=1)).verdict is FAIL


def test_a_mean_over_several_locations_is_as_uncertain_as_the_worst_of_them() -> None:
    assert _u(RIB) > _u(RAIL)
    edge = 60 + _u(RIB)
    assert _guarded(_finding(edge, location=None)).verdict is PASS
    assert _guarded(_finding(edge - Fraction(1, 10**30), location=None)).verdict is FAIL


@pytest.mark.parametrize("found", [61, 59])
def test_where_the_uncertainty_is_not_known_a_pass_is_undecided_and_a_fail_stays_one(found: int) -> None:
    finding = _finding(Fraction(found), location="lid")
    assert _guarded(finding) == replace(
        finding,
        verdict=UNDECIDED if found == 61 else FAIL,
        sentence="mean as found; its uncertainty is not known, so the guard band is not either",
    )
    (nowhere,) = guarded([_finding(Fraction(61), location=None)], {}, _terms(), Unit.UM)
    assert nowhere.verdict is UNDECIDED


@pytest.mark.parametrize(
    ("away", "verdict", "conditional", "words"),
    [
        pytest.param("1.01", PASS, False, "clear of the guard band", id="clear"),
        pytest.param("0.99", PASS, True, "in the guard band: conditional pass", id="conditional pass"),
        pytest.param("-0.99", FAIL, True, "outside, in the guard band: conditional fail", id="conditional fail"),
        pytest.param("-1.01", FAIL, False, "not accepted", id="outside"),
    ],
)
def test_the_four_outcomes_are_said(away: str, verdict: Verdict, conditional: bool, words: str) -> None:
    finding = _finding(60 + Fraction(away) * _u())
    found = _guarded(finding, _terms("four-way"))
    assert (found.verdict, found.conditional) == (verdict, conditional)
    assert found.sentence.startswith("mean as found; U 28.4 µm, guard band 28.4 µm (r = 1): " + words)
    assert (found.found, found.limit, found.check, found.location) == (finding.found, finding.limit, "mean", "rail")


def test_the_sentence_has_the_uncertainty_the_guard_band_and_the_risk() -> None:
    """The risk is that of the decision rules, to a tenth of a percent."""
    finding = _finding(60 + _u() / 2)
    budget = RAIL.budget(4, COVERAGE)
    assert budget.effective_degrees is not None
    outcome = decide(
        60 + _u() / 2,
        Fraction(60),
        low=True,
        rule=_terms("four-way").rule,
        expanded=budget.expanded,
        factor=budget.factor,
        guard_factor=Decimal("0.25"),
        degrees=int(budget.effective_degrees),
    )
    assert outcome.risk is not None
    risk = float(outcome.risk) * 100
    assert _guarded(finding, _terms("four-way", "0.25")).sentence == (
        f"mean as found; U 28.4 µm, guard band 7.1 µm (r = 0.25): clear of the guard band, risk of a wrong decision {risk:.1f} %"
    )


def test_a_guard_band_in_mil_is_that_in_micrometres() -> None:
    in_mil = from_um(_u(), Unit.MIL)
    found = guarded([_finding(2 + in_mil, "2.0")], KNOWN, _terms(), Unit.MIL)[0]
    assert found.verdict is PASS
    assert "U 1.12 mil, guard band 1.12 mil (r = 1): clear of the guard band" in found.sentence
    assert guarded([_finding(2 + in_mil - Fraction(1, 10**30), "2.0")], KNOWN, _terms(), Unit.MIL)[0].verdict is FAIL
    assert (in_unit(Decimal("50.8"), Unit.MIL), in_unit(Decimal("50.8"), Unit.UM)) == (2, Decimal("50.8"))


# Risks


def test_a_risk_is_stated_where_a_limit_lies_within_the_uncertainty_of_a_number() -> None:
    terms = _terms("simple")
    edge = _finding(60 + _u())
    found = risks([edge], KNOWN, terms, Unit.UM)["rail"]
    assert (found.location, found.verdict) == ("rail", PASS)
    # The tail beyond U is half of what a coverage of 95 % leaves.
    assert found.probability == pytest.approx(Decimal("0.025"), abs=Decimal("0.003"))
    assert found.sentence == (
        "rail: mean 88.4 µm lies within U = 28.4 µm of the limit 60 µm: with a probability of "
        f"{float(found.probability) * 100:.0f} % the decision accepts what is really outside"
    )
    assert risks([_finding(60 + _u() + Fraction(1, 10**30))], KNOWN, terms, Unit.UM) == {}


def test_a_fail_near_its_limit_may_reject_what_is_inside() -> None:
    found = risks([_finding(Fraction("59.99"))], KNOWN, _terms("simple"), Unit.UM)["rail"]
    assert found.verdict is FAIL
    assert found.probability == pytest.approx(Decimal("0.5"), abs=Decimal("0.01"))
    assert found.sentence == (
        "rail: mean 59.99 µm lies within U = 28.4 µm of the limit 60 µm: with a probability of 50 % the decision rejects "
        "what is really inside"
    )


def test_of_several_risks_at_a_location_the_largest_is_stated() -> None:
    near, nearer, far = (_finding(Fraction(60 + away)) for away in (4, 1, 6))
    for order in ([near, nearer, far], [nearer, near, far], [far, near, nearer]):
        assert risks(order, KNOWN, _terms("simple"), Unit.UM)["rail"].probability == (
            risks([nearer], KNOWN, _terms("simple"), Unit.UM)["rail"].probability
        )
    apart = risks([near, replace(nearer, location="rib")], KNOWN, _terms("simple"), Unit.UM)
    assert list(apart) == ["rail", "rib"]
    assert isinstance(apart["rib"], Risk)


@pytest.mark.parametrize(
    "without",
    [{"low": None}, {"found": None}, {"limit": None}, {"location": None}, {"location": "lid"}],
    ids=["no side", "no number", "no limit", "no location", "not known"],
)
def test_where_nothing_is_compared_or_known_there_is_no_risk(without: dict[str, Any]) -> None:
    finding = replace(_finding(Fraction(60)), **without)
    assert risks([finding], KNOWN, _terms("simple"), Unit.UM) == {}


def test_a_limit_in_mil_lies_within_an_uncertainty_in_mil() -> None:
    in_mil = from_um(_u(), Unit.MIL)
    assert "U = 1.12 mil of the limit 2.0 mil" in (
        risks([_finding(2 + in_mil, "2.0")], KNOWN, _terms("simple"), Unit.MIL)["rail"].sentence
    )
    assert risks([_finding(2 + 2 * in_mil, "2.0")], KNOWN, _terms("simple"), Unit.MIL) == {}


# Guard bands of the job


def test_the_guard_band_of_each_location_is_that_of_the_mean_that_is_planned() -> None:
    places = [
        location("rail", spots=2, readings_per_spot=2),
        location("rib", spots=1, readings_per_spot=2),
        location("lid"),
    ]
    with_band = job(*places, decision={"rule": "guard-band", "guard_factor": Decimal("0.5")}, unit="um")
    assert guard_bands(KNOWN, with_band) == {"rail": _u() / 2, "rib": _u(RIB, 2) / 2}
    in_mil = job(*places, decision={"rule": "four-way", "coverage": Decimal("0.99")})
    assert guard_bands(KNOWN, in_mil)["rail"] == from_um(_u(coverage=Decimal("0.99")), Unit.MIL)
    assert guard_bands(KNOWN, job(*places)) == {}


# What is known at a location


def _how() -> Correcting:
    found = correcting(VerificationError.CARRIED, "V-1", both_checks())
    assert found is not None
    return found


def _known(the_job: Job, taken: list[GaugeReading], checks: Any = ()) -> dict[str, LocationKnowledge]:
    places = by_piece_and_location(the_job, judged_builds(the_job, taken))
    return knowledge(the_job, shop(), taken, places, list(checks), _how())


def _taken(*figures: str, first: int = 1, **more: Any) -> list[GaugeReading]:
    facts: dict[str, Any] = {"location": "rail", "spot": 1, **more}
    return [reading(first + n, figure, "um", **facts) for n, figure in enumerate(figures)]


def _job(*places: dict[str, Any], **more: Any) -> Job:
    return job(*(places or (location("rail", "60", "90", readings_per_spot=2),)), **{"unit": "um", **more})


def test_what_is_known_at_a_location_is_made_of_its_readings_and_the_opening_check() -> None:
    """The nearest standard to 80 is that of 125; the gauge shows whole µm or tenths, and the coarser counts."""
    taken = [*_taken("78", "80.5"), *_taken("81", first=3, spot=2), *_taken("79", first=4, piece="2")]
    how = _how()
    assert _known(_job(), taken) == {
        "rail": LocationKnowledge(
            nest_um=(((Fraction(78), Fraction("80.5")), (Fraction(81),)), ((Fraction(79),),)),
            per_spot=2,
            gauge=how.knowledge(shop().gauge[0], Decimal(1), Fraction("79.625")),
            base_um=(),
            on_standards=how.repeats,
            shared=Decimal(0),
        )
    }


def test_without_a_check_nothing_is_known() -> None:
    taken = _taken("78", "80")
    places = by_piece_and_location(_job(), judged_builds(_job(), taken))
    assert knowledge(_job(), shop(), taken, places, [], None) == {}


def test_one_reading_two_gauges_or_an_unknown_gauge_leave_a_location_unknown_and_the_next_one_is_looked_at() -> None:
    both = _job(location("rail", "60", "90"), location("rib", "60", "90"))
    good = _taken("78", "80", first=7, location="rib")
    for taken in (
        [],
        _taken("78"),
        [*_taken("78"), *_taken("80", first=2, gauge_serial="HG-8")],
        _taken("78", "80", gauge_serial="HG-9"),
        [*_taken("78"), *_taken("80", first=2, counted=False)],
    ):
        assert list(_known(both, [*taken, *good])) == ["rib"]


def test_readings_at_a_location_are_found_whatever_its_case_and_others_are_passed_over() -> None:
    taken = [*_taken("78"), *_taken("80", first=2, location="RAIL"), *_taken("99", first=3, location="lid")]
    assert _known(_job(), taken)["rail"].nest_um == (((Fraction(78), Fraction(80)),),)


def _base(number: int, figure: str, **more: Any) -> GaugeReading:
    facts: dict[str, Any] = {
        "location": "rail",
        "coat_stage": "bare",
        "counted": False,
        "excluded_reason": BASE_READING,
        **more,
    }
    return reading(number, figure, "um", **facts)


def test_what_is_subtracted_is_known_from_the_base_readings_there_or_else_from_those_everywhere() -> None:
    over = _taken("90", "92", first=5, base_metal_um=Decimal(10))
    here, everywhere = _base(1, "10", location="Rail"), _base(2, "12", location=EVERYWHERE)
    other = _base(3, "14", location="rib")
    assert _known(_job(), [here, everywhere, other, *over])["rail"].base_um == (10,)
    assert _known(_job(), [everywhere, other, *over])["rail"].base_um == (12,)
    known = _known(_job(), [here, *over])["rail"]
    assert known.nest_um == (((Fraction(80), Fraction(82)),),)
    assert known.shared == 1
    assert _known(_job(), [here, *_taken("90", "92", first=5)])["rail"].base_um == ()


def test_an_adjustment_between_leaves_nothing_shared() -> None:
    over = _taken("90", "92", first=5, base_metal_um=Decimal(10))
    taken = [_base(1, "10"), *over]
    between = event("A-1", "adjustment", over[0].taken_at)
    assert _known(_job(), taken, [between])["rail"].shared == 0


def test_a_correction_goes_into_the_base_readings_too() -> None:
    how = correcting(VerificationError.CORRECTED, "V-1", both_checks())
    assert how is not None
    taken = [_base(1, "10"), *_taken("90", "92", first=5, base_metal_um=Decimal(10))]
    places = by_piece_and_location(_job(), judged_builds(_job(), taken))
    known = knowledge(_job(), shop(), taken, places, [], how)["rail"]
    assert known.base_um == (Fraction("9.5"),)
    assert known.gauge.corrected


def test_builds_in_mil_are_known_in_micrometres() -> None:
    in_mil = job(location("rail", "2.0", "4.0", readings_per_spot=2))
    taken = [reading(n, figure, "mil", location="rail", spot=1) for n, figure in enumerate(("3.0", "3.15"), 1)]
    places = by_piece_and_location(in_mil, judged_builds(in_mil, taken))
    known = knowledge(in_mil, shop(), taken, places, [], _how())["rail"]
    assert known.nest_um == (((Fraction("76.2"), Fraction("80.01")),),)
    assert known.gauge.step_um == Decimal("2.54")


def test_the_nearest_standard_is_that_of_the_mean_of_the_readings() -> None:
    """Standards of 0 and 125: midway lies 62.5."""
    assert _known(_job(), _taken("40", "50"))["rail"].gauge.standard == "Z-0"
    assert _known(_job(), _taken("62.3", "62.5"))["rail"].gauge.standard == "Z-0"
    assert _known(_job(), _taken("62.5", "62.7"))["rail"].gauge.standard == "F-125"


def test_what_is_subtracted_from_the_first_reading_says_whether_anything_is() -> None:
    first, second = _taken("90", "92", first=5, base_metal_um=Decimal(10))
    plain = replace(second, base_metal_um=None)
    assert _known(_job(), [_base(1, "10"), first, plain])["rail"].base_um == (10,)


def test_without_any_uncertainty_there_is_no_risk_to_speak_of() -> None:
    nothing: dict[str, Any] = dict.fromkeys(
        ("accuracy_um", "accuracy_percent", "step_um", "standard_u_um", "error_um"), Decimal(0)
    )
    exact = replace(GAUGE, **nothing)
    alike = {"rail": LocationKnowledge((((Fraction(60), Fraction(60)),),), 2, exact)}
    finding = _finding(Fraction(60), averaged=2)
    (found,) = guarded([finding], alike, _terms(), Unit.UM)
    assert found.sentence == "mean as found; U 0.0 µm, guard band 0.0 µm (r = 1): clear of the guard band"
    assert risks([finding], alike, _terms("simple"), Unit.UM) == {}


def test_on_the_limit_itself_either_decision_is_as_risky() -> None:
    found = _guarded(_finding(Fraction(60)), _terms("four-way", "0"))
    assert found.sentence.endswith("clear of the guard band, risk of a wrong decision 50.0 %")


def test_a_guard_band_for_what_is_not_measured_yet_is_the_widest_up_to_the_limits() -> None:
    """A recoat is judged near the upper limit: of a gauge of 1 µm + 10 %, at 200 µm and not at the 63 µm that are there."""
    coarse = LocationKnowledge(NEST, 2, replace(GAUGE, accuracy_percent=Decimal(10)))
    place = location("rail", "60", "200", spots=2, readings_per_spot=2)
    with_band = job(place, decision={"rule": "guard-band"}, unit="um")
    widest = Fraction(coarse.budget(4, COVERAGE, Fraction(200)).expanded)
    assert guard_bands({"rail": coarse}, with_band) == {"rail": widest}
    assert widest > _u(coarse)
    open_above = job(
        location("rail", "20", None, spots=2, readings_per_spot=2), decision={"rule": "guard-band"}, unit="um"
    )
    guard = guard_bands({"rail": coarse}, open_above)["rail"]
    assert guard == max(_u(coarse), Fraction(coarse.budget(4, COVERAGE, Fraction(20)).expanded))


def test_a_fixed_value_for_roughness_is_on_the_gauge_all_the_same() -> None:
    """ISO 19840: 25 µm are subtracted from what the gauge shows; its accuracy statement holds for what it shows."""
    rough = _job(rule={"name": "iso-19840", "roughness_correction_um": Decimal(25)})
    known = _known(rough, _taken("98", "100"))["rail"]
    assert (known.fixed_um, known.builds_um) == (25, (73, 75))
    how = {c.name: c.how for c in known.budget(1, COVERAGE, Fraction(75)).components}
    assert how["gauge accuracy"] == "maker's ± 2.00 µm at 100.0 µm, rectangular"
    assert how["standard"].startswith("F-125")
    assert {c.name: c.how for c in known.budget(1, COVERAGE, Fraction(30)).components}["standard"].startswith("Z-0")
    assert _known(_job(), _taken("98", "100"))["rail"].fixed_um == 0

"""Everything decided about one inspection, from its readings, the gauge's checks, the job and the shop."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from typing import Final

from rules.calibration_gate import cover
from rules.conformity import by_piece_and_location, judge, judged_builds, rule_statement
from rules.disposition import advise
from rules.film_build import Judged, is_base, pieces_read
from rules.guarding import Risk, guard_bands, guarded, knowledge, risks
from rules.location_budget import LocationKnowledge
from rules.lot_judgement import LotStatement, LotTerms, judge_sampling, nonconforming_pieces, state_plan
from rules.places import PieceLocation
from rules.recoat import AddedBuild
from rules.results import Action, Advice, Assessment, Coverage, GateState, LocationResult
from rules.sentence import joined, said, template
from rules.statistics import mean, standard_deviation
from rules.verdict import Finding, Verdict, overall
from rules.verification_error import Correcting, corrected_readings, correcting
from schemas.gauge_checks import GaugeCheck
from schemas.job import Job, Location
from schemas.readings import GaugeReading
from schemas.shop import Shop
from schemas.units import from_um


def assess(
    job: Job,
    shop: Shop,
    readings: Sequence[GaugeReading],
    checks: Sequence[GaugeCheck],
    *,
    coats: int,
    bakes: int,
    lot: LotTerms | None = None,
    added: AddedBuild | None = None,
) -> Assessment:
    """Return what is decided about one inspection, and the first advice.

    Validity comes before conformity: where the gate does not say covered, the verdict is UNDECIDED,
    not FAIL either, since the numbers were not shown to be good. Where the job names a guard band, it is
    applied here, with the uncertainty that the checks give.

    Args:
        job: The job as it was when the readings were taken.
        shop: Gauges, policy and time zone as they were.
        readings: All readings of the inspection, in the order taken; those not counted are never judged.
        checks: What is known of the gauges, before, during and after, in any order.
        coats: Coats on the parts, the last one included.
        bakes: Bakes of the parts, the last one included.
        lot: What is known of the lot, where the job samples.
        added: What a recoat added in the shop's own history; None where that holds too little.
    """
    coverage = cover(readings, checks, job, shop)
    how = _how_corrected(shop, coverage, checks)
    read = corrected_readings(readings, coverage, how)
    comparison = _compare(job, read)
    shown_um = {r.reading_no: r.thickness_um for r in readings}
    opening = how.get(coverage.opening.check_id) if coverage.opening is not None else None
    known = knowledge(job, shop, read, comparison.places, checks, opening, shown_um)
    findings = guarded(comparison.findings, known, job.decision, job.unit)
    locations, lot_findings, conformity = _results(job, read, comparison, findings, known)
    statement = None
    about_pieces: tuple[Finding, ...] = ()
    if job.sampling is not None:
        terms = lot or LotTerms(None)
        about_pieces = tuple(f for f in lot_findings if f.piece is not None)
        lot_findings = tuple(judge_sampling(job.sampling, terms, comparison.places, findings, job.unit))
        conformity = overall(lot_findings)
        with suppress(ValueError):  # that there is no plan is among the findings
            statement = state_plan(job.sampling, terms)
    verdict = conformity if coverage.state is GateState.COVERED else Verdict.UNDECIDED
    # A piece that does not conform needs advice even where its lot is accepted.
    worst = max(conformity, Verdict.FAIL if nonconforming_pieces(findings) else Verdict.PASS)
    advice = advise(
        job,
        comparison.places,
        [*findings, *(f for f in lot_findings if f.verdict is not Verdict.PASS and f not in findings)],
        coverage,
        conformity=worst,
        coats=coats,
        bakes=bakes,
        added=added,
        guards=guard_bands(known, job),
    )
    if statement is not None and verdict is Verdict.FAIL:
        advice = (*_sort_the_lot(statement, lot, comparison.places), *advice)
    return Assessment(
        unit=job.unit,
        rule=rule_statement(job.rule),
        locations=locations,
        lot_findings=lot_findings,
        coverage=coverage,
        conformity=conformity,
        verdict=verdict,
        advice=advice,
        lot=statement,
        piece_findings=about_pieces,
        correction=joined(dict.fromkeys(h.said for h in how.values() if h.said)),
    )


@dataclass(frozen=True, slots=True)
class GaugeSide:
    """What the gauge brings to an inspection, its conformity aside.

    Attributes:
        coverage: What the gate says.
        readings: All readings, corrected for the error at verification where the policy says so.
        expanded: By location: expanded uncertainty (k = 2) that the gauge alone brings to the mean of the readings there, in
            the unit of the specification; a location where it is not known is not in it.
    """

    coverage: Coverage
    readings: tuple[GaugeReading, ...]
    expanded: dict[str, Fraction]


def gauge_side(job: Job, shop: Shop, readings: Sequence[GaugeReading], checks: Sequence[GaugeCheck]) -> GaugeSide:
    """Return what the gauge brings to *readings*, as :func:`assess` reckons it: for coaching, which judges no part."""
    coverage = cover(readings, checks, job, shop)
    how = _how_corrected(shop, coverage, checks)
    read = corrected_readings(readings, coverage, how)
    places = by_piece_and_location(job, judged_builds(job, read))
    shown_um = {r.reading_no: r.thickness_um for r in readings}
    opening = how.get(coverage.opening.check_id) if coverage.opening is not None else None
    known = knowledge(job, shop, read, places, checks, opening, shown_um)
    return GaugeSide(coverage, tuple(read), {name: from_um(one.gauge_alone(), job.unit) for name, one in known.items()})


def conformity_of(
    job: Job, readings: Sequence[Judged]
) -> tuple[tuple[LocationResult, ...], tuple[Finding, ...], Verdict]:
    """Return what the readings show by the job's rule, the gauge aside: per location, for the lot, and in all.

    Locations stand in the job's order; one without readings is UNDECIDED. Thicknesses are in the unit
    of the specification.
    """
    comparison = _compare(job, readings)
    return _results(job, readings, comparison, comparison.findings, {})


_SORT_ONE: Final = template(
    "The lot is not accepted: hold all of it. {n} piece of {size} was not measured, and nothing is shown of them: measure "
    "every piece and set apart what does not conform, or treat the whole lot as below."
)
_SORT: Final = template(
    "The lot is not accepted: hold all of it. {n} pieces of {size} were not measured, and nothing is shown of them: measure "
    "every piece and set apart what does not conform, or treat the whole lot as below."
)


def _sort_the_lot(plan: LotStatement, lot: LotTerms | None, places: Sequence[PieceLocation]) -> tuple[Advice, ...]:
    """Return what becomes of the pieces of a rejected lot that nobody measured (common practice, no source)."""
    size = lot.lot_size if lot is not None else None
    measured = len({place.piece for place in places if place.builds})
    if size is None or measured >= size:
        return ()
    return (
        Advice(
            Action.SORT,
            (_SORT_ONE if size - measured == 1 else _SORT)(n=size - measured, size=size),
            reasons=(said("By the plan: {plan}", plan=plan.text),),
            ask_first=(
                said("Does the customer agree that the lot is sorted and sent again?"),
                said("Is the cause found, and are the racks that hung beside these held as well?"),
            ),
            notes=(
                said(
                    "A lot that is sent again does not count in the series that sets the severity (MIL-STD-105E, 4.7, read)."
                ),
            ),
        ),
    )


def _how_corrected(shop: Shop, coverage: Coverage, checks: Sequence[GaugeCheck]) -> dict[str, Correcting]:
    opened_by = {r.opening_check_id for r in coverage.readings if r.opening_check_id is not None}
    found = {check_id: correcting(shop.verification.error, check_id, checks) for check_id in sorted(opened_by)}
    return {check_id: how for check_id, how in found.items() if how is not None}


_Conformity = tuple[tuple[LocationResult, ...], tuple[Finding, ...], Verdict]


@dataclass(frozen=True, slots=True)
class _Comparison:
    """The builds of an inspection, by reading and by place, and what its rule finds in them."""

    judged: list[tuple[Judged, Location, Fraction]]
    places: tuple[PieceLocation, ...]
    findings: list[Finding]


def _compare(job: Job, readings: Sequence[Judged]) -> _Comparison:
    judged = list(judged_builds(job, readings))
    places = by_piece_and_location(job, judged, pieces_read(readings))
    return _Comparison(judged, places, judge(job, readings, places))


def _results(
    job: Job,
    readings: Sequence[Judged],
    comparison: _Comparison,
    findings: Sequence[Finding],
    known: Mapping[str, LocationKnowledge],
) -> _Conformity:
    builds: dict[str, list[Fraction]] = {}
    for _, location, build in comparison.judged:
        builds.setdefault(location.name, []).append(build)
    by_location: dict[str | None, list[Finding]] = {}
    for finding in findings:
        by_location.setdefault(finding.location, []).append(finding)
    excluded = _excluded(job, readings)
    near = risks(findings, known, job.decision, job.unit)
    locations = tuple(
        _result(
            location,
            tuple(builds.get(location.name, ())),
            excluded[location.name],
            tuple(by_location.get(location.name, ())),
            known.get(location.name),
            job.decision.coverage,
            near.get(location.name),
        )
        for location in job.location
    )
    # A location without a single finding has not been shown to conform, so its verdict is heeded as well.
    conformity = max((overall(findings), *(result.verdict for result in locations)))
    return locations, tuple(by_location.get(None, ())), conformity


def _excluded(job: Job, readings: Iterable[Judged]) -> Counter[str]:
    """Count the readings that are kept but not judged, by location; base readings are none of these."""
    names = Counter(r.location for r in readings if not r.counted and not is_base(r))
    found: Counter[str] = Counter()
    for name, number in names.items():
        location = job.find(name)
        if location is not None:
            found[location.name] += number
    return found


def _result(
    location: Location,
    builds: tuple[Fraction, ...],
    excluded: int,
    findings: tuple[Finding, ...],
    known: LocationKnowledge | None,
    coverage: Decimal,
    risk: Risk | None,
) -> LocationResult:
    return LocationResult(
        location=location.name,
        role=location.role,
        lower=location.lower,
        target_low=location.target_low,
        target_high=location.target_high,
        upper=location.upper,
        builds=builds,
        excluded=excluded,
        mean=mean(builds) if builds else None,
        least=min(builds, default=None),
        greatest=max(builds, default=None),
        deviation=standard_deviation(builds) if len(builds) > 1 else None,
        verdict=overall(findings),
        findings=findings,
        uncertainty=known.budget(len(builds), coverage) if known is not None else None,
        one_reading=known.budget(1, coverage) if known is not None else None,
        risk=None if risk is None else risk.probability,
        risk_sentence="" if risk is None else risk.sentence,
    )

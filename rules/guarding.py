"""Uncertainty and decision rule joined with what was compared: budgets per location, findings decided anew.

Conformity at sealing knows no checks, so it is by simple acceptance; the decision rule that the job names is
applied here, when the checks are known.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from fractions import Fraction
from functools import partial
from typing import Final

from rules.comparison_words import check_words
from rules.decision import Decision, Outcome, decide
from rules.film_build import is_judged
from rules.location_budget import LocationKnowledge
from rules.places import LOW_READINGS_CHECK, PieceLocation
from rules.sentence import Figures, joined, said, template
from rules.statistics import mean
from rules.uncertainty import Budget, GaugeKnowledge
from rules.verdict import Finding, Guard, Verdict
from rules.verification_error import Correcting, one_gauge_unadjusted
from rules.wording import amount, as_written, percent, with_unit
from schemas.gauge_checks import GaugeCheck
from schemas.job import DecisionTerms, Job
from schemas.readings import GaugeReading
from schemas.shop import Gauge, Shop
from schemas.units import Unit, exact_um, from_um, to_um
from schemas.vocabulary import BASE_READING, EVERYWHERE, DecisionRule, RuleName


def knowledge(
    job: Job,
    shop: Shop,
    readings: Sequence[GaugeReading],
    places: Sequence[PieceLocation],
    checks: Sequence[GaugeCheck],
    how: Correcting | None,
    shown_um: Mapping[int, Decimal] | None = None,
) -> dict[str, LocationKnowledge]:
    """Return what is known at each location that has two readings or more, by the opening check's standards.

    Args:
        job: The job.
        shop: The shop, with its gauges.
        readings: Every reading, corrected where the policy corrects.
        places: The builds by piece and location.
        checks: What is known of the gauges.
        how: What becomes of the error at verification; None where no opening check measured a standard.
        shown_um: What the gauge showed for each reading's number, where *readings* are corrected: a correction is looked up
            there.
    """
    if how is None:
        return {}
    gauges = {g.serial: g for g in shop.gauge}
    judged: dict[str, list[GaugeReading]] = {}
    for reading in readings:
        place = job.find(reading.location) if is_judged(reading) else None
        if place is not None:
            judged.setdefault(place.name, []).append(reading)
    shown = shown_um or {}
    shared = Decimal(1) if one_gauge_unadjusted(readings, checks) else Decimal(0)
    roughness_um = job.rule.roughness_correction_um if job.rule.name is RuleName.ISO_19840 else Decimal(0)
    found = {}
    for location in job.location:
        nest = tuple(tuple(place.spots.values()) for place in places if place.location.name == location.name)
        there = judged.get(location.name, [])
        serials = {r.gauge_serial for r in there}
        if len(there) < 2 or len(serials) != 1 or not serials <= gauges.keys():
            continue  # a location that two gauges read has no one uncertainty
        centre_um = mean([Fraction(shown.get(r.reading_no, r.thickness_um)) for r in there])
        base_um = _base_um(readings, location.name, how) if there[0].base_metal_um is not None else ()
        gauge, step_um = gauges[there[0].gauge_serial], max(_step_um(r) for r in there)
        found[location.name] = LocationKnowledge(
            tuple(tuple(tuple(exact_um(b, job.unit) for b in spot) for spot in piece) for piece in nest),
            location.readings_per_spot,
            how.knowledge(gauge, step_um, centre_um),
            base_um,
            how.repeats,
            shared if base_um else Decimal(0),
            Fraction(roughness_um) if there[0].base_metal_um is None else Fraction(0),
            partial(_gauge_at, how, gauge, step_um),
        )
    return found


def _gauge_at(how: Correcting, gauge: Gauge, step_um: Decimal, thickness_um: Fraction) -> GaugeKnowledge:
    # A correction is looked up at what the gauge showed.
    return how.knowledge(gauge, step_um, how.uncorrected(thickness_um))


@dataclass(frozen=True, slots=True)
class Risk:
    """That a number lies so near its limit that its uncertainty could turn the decision.

    Attributes:
        location: Where.
        verdict: What was decided there.
        probability: Specific risk that the decision is wrong, given this one result (JCGM 106): of false acceptance where
            the verdict is PASS, else of false rejection.
        sentence: The same in words, with its numbers.
    """

    location: str
    verdict: Verdict
    probability: Decimal
    sentence: str


def risks(
    findings: Sequence[Finding], known: Mapping[str, LocationKnowledge], terms: DecisionTerms, unit: Unit
) -> dict[str, Risk]:
    """Return the largest risk at each location, where uncertainty matters: where a limit lies within U of a number.

    That a result within U of its limit is one whose uncertainty matters is how ISO/IEC 17025, 7.8.3.1, is commonly read
    (from memory). By simple acceptance the risk is stated and changes nothing.
    """
    found: dict[str, Risk] = {}
    for finding in findings:
        risk = _risk(finding, known, terms, unit)
        if risk is not None and (finding.location not in found or risk.probability > found[risk.location].probability):
            found[risk.location] = risk
    return found


def _risk(finding: Finding, known: Mapping[str, LocationKnowledge], terms: DecisionTerms, unit: Unit) -> Risk | None:
    where = finding.location
    if finding.low is None or finding.found is None or finding.limit is None or where is None or where not in known:
        return None
    value = finding.found if finding.guard is None else finding.guard.value
    budget = known[where].budget(finding.averaged, terms.coverage, exact_um(value, unit))
    if abs(value - Fraction(finding.limit)) > from_um(Fraction(budget.expanded), unit):
        return None
    outcome = _outcome(finding, value, budget, terms, unit)
    if outcome.conformance is None:
        return None
    # By the rounding method a number outside its limit may be accepted, so the risk is that of what was decided.
    wrong = Decimal(1) - outcome.conformance if finding.verdict is Verdict.PASS else outcome.conformance
    words = _ACCEPTS if finding.verdict is Verdict.PASS else _REJECTS
    expanded = in_unit(budget.expanded, unit)
    return Risk(
        where,
        finding.verdict,
        wrong,
        words(
            location=where,
            check=check_words(finding.check),
            found=with_unit(amount(value, unit, Fraction(finding.limit)), unit),
            expanded=with_unit(amount(Fraction(expanded), unit), unit),
            limit=with_unit(as_written(finding.limit), unit),
            probability=percent(Figures(f"{float(wrong) * 100:.0f}")),
        ),
    )


_ACCEPTS: Final = template(
    "{location}: {check} {found} lies within U = {expanded} of the limit {limit}: with a probability of {probability} "
    "the decision accepts what is really outside"
)
_REJECTS: Final = template(
    "{location}: {check} {found} lies within U = {expanded} of the limit {limit}: with a probability of {probability} "
    "the decision rejects what is really inside"
)


def in_unit(budget_um: Decimal, unit: Unit) -> Decimal:
    """Return an uncertainty in µm in *unit*, to the digits of a Decimal: for print and for guard bands."""
    exact = from_um(Fraction(budget_um), unit)
    return Decimal(exact.numerator) / Decimal(exact.denominator)


def guard_bands(known: Mapping[str, LocationKnowledge], job: Job) -> dict[str, Fraction]:
    """Return by location how wide the guard band of a mean there is, in the unit of the job; none by simple acceptance.

    It is for what is not measured yet, so it is the widest of those at the mean and at the limits there.
    """
    if job.decision.rule is DecisionRule.SIMPLE:
        return {}
    r = Fraction(job.decision.guard_factor)
    found = {}
    for place in job.location:
        if place.name in known:
            limits = [exact_um(Fraction(limit), job.unit) for limit in (place.lower, place.upper) if limit is not None]
            there = [known[place.name].budget(place.planned, job.decision.coverage, at_um) for at_um in (None, *limits)]
            found[place.name] = r * from_um(max(Fraction(b.expanded) for b in there), job.unit)
    return found


def guarded(
    findings: Sequence[Finding], known: Mapping[str, LocationKnowledge], terms: DecisionTerms, unit: Unit
) -> list[Finding]:
    """Return *findings* decided by the job's decision rule; by simple acceptance they stay as they are.

    A finding that compares a film build with a limit is decided with the expanded uncertainty of what it
    compares, at its thickness: of one reading, or of the mean that it is. Where that is not known it is UNDECIDED.
    Where several are asked the same, the one decides that its guard band leaves least room; the lowest need not be it
    where the next one is nearer to a worse standard.
    """
    if terms.rule is DecisionRule.SIMPLE:
        return list(findings)
    return [_guarded(f, known, terms, unit) for f in findings]


def _guarded(finding: Finding, known: Mapping[str, LocationKnowledge], terms: DecisionTerms, unit: Unit) -> Finding:
    if finding.check == LOW_READINGS_CHECK:
        as_read = said("the readings are counted as read, without a guard band")
        return replace(finding, sentence=joined([finding.sentence, as_read], "; "))
    if finding.low is None or finding.found is None or finding.limit is None:
        return finding
    # A mean over several locations is as uncertain as the worst of them.
    if finding.location is None:
        where = list(known.values())
    else:
        where = [known[finding.location]] if finding.location in known else []
    if not where:
        unknown = said("its uncertainty is not known, so the guard band is not either")
        return replace(
            finding,
            verdict=max(finding.verdict, Verdict.UNDECIDED),
            sentence=joined([finding.sentence, unknown], "; "),
        )
    value, budget = _least_room(finding, where, terms, unit)
    outcome = _outcome(finding, value, budget, terms, unit)
    expanded = in_unit(budget.expanded, unit)
    said_before = [finding.sentence]
    if value != finding.found:
        other = with_unit(amount(value, unit, Fraction(finding.limit)), unit)
        said_before.append(said("{value} decides, by its own guard band", value=other))
    exact = from_um(Fraction(budget.expanded), unit)
    return replace(
        finding,
        verdict=outcome.decision.verdict,
        sentence=joined([*said_before, _decided(outcome, expanded, terms, unit)], "; "),
        conditional=outcome.decision in (Decision.CONDITIONAL_PASS, Decision.CONDITIONAL_FAIL),
        guard=Guard(value, exact, Fraction(terms.guard_factor) * exact, outcome.acceptance_limit),
    )


def _least_room(
    finding: Finding, where: Sequence[LocationKnowledge], terms: DecisionTerms, unit: Unit
) -> tuple[Fraction, Budget]:
    """Return the value that decides *finding*, with its budget."""
    assert finding.found is not None and finding.limit is not None and finding.low is not None  # noqa: S101, PT018
    limit, r = Fraction(finding.limit), Fraction(terms.guard_factor)

    def inside(value: Fraction) -> Fraction:
        return value - limit if finding.low else limit - value

    def budget_of(value: Fraction) -> Budget:
        there = [k.budget(finding.averaged, terms.coverage, exact_um(value, unit)) for k in where]
        return max(there, key=lambda b: b.expanded)

    values = list(dict.fromkeys((finding.found, *finding.among)))
    outward = 1
    if inside(finding.found) < 0:
        # It fails whatever its guard band; in the four-way form that of another may be passed altogether.
        values = [v for v in values if inside(v) < 0] if terms.rule is DecisionRule.FOUR_WAY else [finding.found]
        outward = -1
    budgets = {value: budget_of(value) for value in values}
    value = min(budgets, key=lambda v: inside(v) - outward * r * from_um(Fraction(budgets[v].expanded), unit))
    return value, budgets[value]


def _outcome(finding: Finding, value: Fraction, budget: Budget, terms: DecisionTerms, unit: Unit) -> Outcome:
    assert finding.limit is not None and finding.low is not None  # noqa: S101, PT018
    return decide(
        value,
        Fraction(finding.limit),
        low=finding.low,
        rule=terms.rule,
        expanded=from_um(Fraction(budget.expanded), unit),
        factor=budget.factor,
        guard_factor=terms.guard_factor,
        degrees=None if budget.effective_degrees is None else max(1, int(budget.effective_degrees)),
    )


_DECIDED: Final = {
    Decision.PASS: template("U {expanded}, guard band {guard} (r = {r}): clear of the guard band"),
    Decision.CONDITIONAL_PASS: template(
        "U {expanded}, guard band {guard} (r = {r}): in the guard band: conditional pass"
    ),
    Decision.CONDITIONAL_FAIL: template(
        "U {expanded}, guard band {guard} (r = {r}): outside, in the guard band: conditional fail"
    ),
    Decision.FAIL: template("U {expanded}, guard band {guard} (r = {r}): not accepted"),
}


def _decided(outcome: Outcome, expanded: Decimal, terms: DecisionTerms, unit: Unit) -> str:
    guard = Fraction(terms.guard_factor) * Fraction(expanded)
    decided = _DECIDED[outcome.decision](
        expanded=with_unit(amount(Fraction(expanded), unit), unit),
        guard=with_unit(amount(guard, unit), unit),
        r=as_written(terms.guard_factor),
    )
    if outcome.risk is None:
        return decided
    risk = percent(Figures(f"{float(outcome.risk) * 100:.1f}"))
    return joined([decided, said("risk of a wrong decision {risk}", risk=risk)], ", ")


def _base_um(readings: Sequence[GaugeReading], location: str, how: Correcting) -> tuple[Fraction, ...]:
    before = [r for r in readings if r.excluded_reason == BASE_READING]
    here = [r for r in before if r.location.casefold() == location.casefold()] or [
        r for r in before if r.location == EVERYWHERE
    ]
    return tuple(Fraction(r.thickness_um) + Fraction(how.at(r.thickness_um)) for r in here)


def _step_um(reading: GaugeReading) -> Decimal:
    _, _, decimals = reading.shown.partition(".")
    return to_um(Decimal(1).scaleb(-len(decimals)), Unit(reading.unit))

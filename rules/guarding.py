"""Uncertainty and decision rule joined with what was compared: budgets per location, findings decided anew.

Conformity at sealing knows no checks, so it is by simple acceptance; the decision rule that the job names is
applied here, when the checks are known.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from fractions import Fraction

from rules.decision import Decision, Outcome, decide
from rules.film_build import is_judged
from rules.places import PieceLocation
from rules.results import Coverage
from rules.uncertainty import Budget, GaugeKnowledge, film_build_budget
from rules.verdict import Finding, Verdict
from rules.wording import amount, as_written
from schemas.gauge_checks import GaugeCheck
from schemas.job import DecisionTerms, Job
from schemas.readings import GaugeReading
from schemas.shop import Shop
from schemas.units import Unit, from_um, to_um
from schemas.vocabulary import BASE_READING, EVERYWHERE, DecisionRule


@dataclass(frozen=True, slots=True)
class LocationKnowledge:
    """What the uncertainty at one location is worked out from; all in µm.

    Attributes:
        builds_um: Every counted film build there, over all pieces.
        gauge: The gauge, as its opening check and its accuracy statement show it.
        base_um: Readings whose mean is subtracted there; none where nothing is.
    """

    builds_um: tuple[Fraction, ...]
    gauge: GaugeKnowledge
    base_um: tuple[Fraction, ...]

    def budget(self, averaged: int, coverage: Decimal) -> Budget:
        """Return the budget of the mean of *averaged* readings here, in µm."""
        return film_build_budget(self.builds_um, averaged, self.gauge, self.base_um, coverage)


def knowledge(
    job: Job,
    shop: Shop,
    readings: Sequence[GaugeReading],
    places: Sequence[PieceLocation],
    checks: Sequence[GaugeCheck],
    coverage: Coverage,
) -> dict[str, LocationKnowledge]:
    """Return what is known at each location that has two readings or more and an opening check on a standard."""
    if coverage.opening is None:
        return {}
    rows = [c for c in checks if c.check_id == coverage.opening.check_id and c.certified_um is not None]
    gauges = {g.serial: g for g in shop.gauge}
    judged: dict[str, list[GaugeReading]] = {}
    for reading in readings:
        place = job.find(reading.location) if is_judged(reading) else None
        if place is not None:
            judged.setdefault(place.name, []).append(reading)
    found = {}
    for location in job.location:
        builds = [b for place in places if place.location.name == location.name for b in place.builds]
        there = judged.get(location.name, [])
        serials = {r.gauge_serial for r in there}
        if len(builds) < 2 or not rows or len(serials) != 1 or not serials <= gauges.keys():
            continue  # a location that two gauges read has no one uncertainty
        gauge = gauges[there[0].gauge_serial]
        centre_um = sum((Fraction(r.thickness_um) for r in there), Fraction(0)) / len(there)
        nearest = min(rows, key=lambda c: abs(Fraction(c.certified_um or 0) - centre_um))
        found[location.name] = LocationKnowledge(
            tuple(_in_um(b, job.unit) for b in builds),
            GaugeKnowledge(
                accuracy_um=gauge.accuracy_um,
                accuracy_percent=gauge.accuracy_percent,
                step_um=max(_step_um(r) for r in there),
                standard=nearest.standard_id or "standard",
                standard_u_um=nearest.certified_u_um or Decimal(0),
                error_um=nearest.error_um or Decimal(0),
            ),
            _base_um(readings, location.name) if there[0].base_metal_um is not None else (),
        )
    return found


def in_unit(budget_um: Decimal, unit: Unit) -> Decimal:
    """Return an uncertainty in µm in *unit*, to the digits of a Decimal: for print and for guard bands."""
    exact = from_um(Fraction(budget_um), unit)
    return Decimal(exact.numerator) / Decimal(exact.denominator)


def guarded(
    findings: Sequence[Finding], known: Mapping[str, LocationKnowledge], terms: DecisionTerms, unit: Unit
) -> list[Finding]:
    """Return *findings* decided by the job's decision rule; by simple acceptance they stay as they are.

    A finding that compares a film build with a limit is decided with the expanded uncertainty of what it
    compares: of one reading, or of the mean that it is. Where that is not known it is UNDECIDED.
    """
    if terms.rule is DecisionRule.SIMPLE:
        return list(findings)
    return [_guarded(f, known, terms, unit) for f in findings]


def _guarded(finding: Finding, known: Mapping[str, LocationKnowledge], terms: DecisionTerms, unit: Unit) -> Finding:
    if finding.low is None or finding.found is None or finding.limit is None:
        return finding
    # A mean over several locations is as uncertain as the worst of them.
    if finding.location is None:
        where = list(known.values())
    else:
        where = [known[finding.location]] if finding.location in known else []
    if not where:
        return replace(
            finding,
            verdict=max(finding.verdict, Verdict.UNDECIDED),
            sentence=f"{finding.sentence}; its uncertainty is not known, so the guard band is not either",
        )
    worst = max((k.budget(finding.averaged, terms.coverage) for k in where), key=lambda b: b.expanded)
    expanded = in_unit(worst.expanded, unit)
    outcome = decide(
        finding.found,
        Fraction(finding.limit),
        low=finding.low,
        rule=terms.rule,
        expanded=from_um(Fraction(worst.expanded), unit),
        factor=worst.factor,
        guard_factor=terms.guard_factor,
        degrees=None if worst.effective_degrees is None else max(1, int(worst.effective_degrees)),
    )
    return replace(
        finding,
        verdict=outcome.decision.verdict,
        sentence=f"{finding.sentence}; {_said(outcome, expanded, terms, unit)}",
        conditional=outcome.decision in (Decision.CONDITIONAL_PASS, Decision.CONDITIONAL_FAIL),
    )


def _said(outcome: Outcome, expanded: Decimal, terms: DecisionTerms, unit: Unit) -> str:
    guard = Fraction(terms.guard_factor) * Fraction(expanded)
    word = {
        Decision.PASS: "clear of the guard band",
        Decision.CONDITIONAL_PASS: "in the guard band: conditional pass",
        Decision.CONDITIONAL_FAIL: "outside, in the guard band: conditional fail",
        Decision.FAIL: "not accepted",
    }[outcome.decision]
    risk = "" if outcome.risk is None else f", risk of a wrong decision {float(outcome.risk) * 100:.1f} %"
    return (
        f"U {amount(Fraction(expanded), unit)} {unit.symbol}, guard band {amount(guard, unit)} {unit.symbol} "
        f"(r = {as_written(terms.guard_factor)}): {word}{risk}"
    )


def _base_um(readings: Sequence[GaugeReading], location: str) -> tuple[Fraction, ...]:
    before = [r for r in readings if r.excluded_reason == BASE_READING]
    here = [r for r in before if r.location.casefold() == location.casefold()] or [
        r for r in before if r.location == EVERYWHERE
    ]
    return tuple(Fraction(r.thickness_um) for r in here)


def _step_um(reading: GaugeReading) -> Decimal:
    _, _, decimals = reading.shown.partition(".")
    return to_um(Decimal(1).scaleb(-len(decimals)), Unit(reading.unit))


def _in_um(build: Fraction, unit: Unit) -> Fraction:
    return build if unit is Unit.UM else build * Fraction(to_um(Decimal(1), unit))

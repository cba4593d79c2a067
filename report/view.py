"""From an assessment to the exact strings that a certificate prints. Pure; decides nothing.

The template lays these strings out and adds headings; it never sees a number.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from datetime import datetime
from decimal import Decimal
from fractions import Fraction
from typing import Any, Final
from zoneinfo import ZoneInfo

from report.evidence import Evidence, IssueFacts, builds_by_reading, flagged
from report.figures import (
    DASH,
    VERDICT_WORDS,
    as_shown,
    as_written,
    clock_time,
    day,
    figure,
    figure_between,
    fingerprint,
    limits,
    moment,
    places_of,
    two_figures,
    verdict_word,
    with_unit,
)
from rules.decision import worst_risk
from rules.distributions import normal_quantile
from rules.film_build import is_base, is_judged, pieces_read
from rules.results import Action, Advice, Assessment, CheckSummary, GateState, LocationResult
from rules.uncertainty import COMPONENTS, Budget
from rules.verdict import Finding, Verdict
from rules.wording import counted, listed
from schemas.gauge_checks import GaugeCheck
from schemas.job import DecisionTerms
from schemas.readings import GaugeReading
from schemas.units import Unit, from_um
from schemas.vocabulary import DecisionRule, RuleName

DECISION_RULES: Final = {
    DecisionRule.SIMPLE: (
        "Simple acceptance: a result on or within its limit conforms, and measurement uncertainty is not taken into "
        "account. For a result at the limit the risk of false acceptance is up to 50\u00a0% (ILAC-G8:09/2019, 4.2.1)."
    ),
    DecisionRule.GUARD_BAND: (
        "Guard band of w = {r} · U inside each limit: a result conforms where it is clear of it, and does not where it is "
        "not; on its edge it is clear. The risk of false acceptance is at most {risk}\u00a0% (ILAC-G8:09/2019, 4.2.2)."
    ),
    DecisionRule.FOUR_WAY: (
        "Guard bands of w = {r} · U on both sides of each limit: pass, conditional pass, conditional fail, fail; a conditional "
        "pass counts as conforming and is said to be conditional, a conditional fail as not conforming. The risk of false "
        "acceptance of a pass is at most {risk}\u00a0% (ILAC-G8:09/2019, 4.2.3)."
    ),
}
#: Rules that ask for a share of the readings besides.
_COUNT_READINGS: Final = (
    RuleName.ISO_19840,
    RuleName.ARCHITECTURAL_ALUMINIUM,
    RuleName.NINETY_TEN,
    RuleName.SHOP_RULE,
)
MEANING: Final = "I have seen the readings and checks behind this certificate and release it."
RELATES_ONLY: Final = "This certificate relates only to the items measured."
IN_FULL: Final = "It may be passed on only as a whole."
#: Up to here (Latin Extended-A) a gauge's line is printed as it is.
_PLAIN: Final = 0x180
NOT_EXAMINED: Final = (
    "Nothing but film build was examined for this certificate: not cure, adhesion, colour, gloss or appearance."
)


@dataclass(frozen=True, slots=True)
class Fact:
    """One labelled line."""

    label: str
    text: str


@dataclass(frozen=True, slots=True)
class BuildRow:
    """The build at one location."""

    location: str
    role: str
    limits: str
    target: str
    count: str
    mean: str
    least: str
    greatest: str
    deviation: str
    expanded: str
    verdict: str
    picture: str


@dataclass(frozen=True, slots=True)
class BudgetRow:
    """The uncertainty of the mean at one location, component by component."""

    location: str
    components: tuple[str, ...]
    combined: str
    degrees: str
    factor: str
    expanded: str
    one_reading: str


@dataclass(frozen=True, slots=True)
class CheckRow:
    """One standard measured in a check, or one other thing done to the gauge."""

    occasion: str
    done: str
    standard: str
    certified: str
    mean: str
    error: str
    tolerance: str
    outcome: str


@dataclass(frozen=True, slots=True)
class CautionLine:
    """A usual caution and who publishes it."""

    text: str
    authority: str


@dataclass(frozen=True, slots=True)
class AdviceBlock:
    """What to do, why, and what to ask first."""

    action: str
    sentence: str
    test: str
    reasons: tuple[str, ...]
    notes: tuple[str, ...]
    ask_first: tuple[str, ...]
    ruled_out: tuple[str, ...]
    cautions: tuple[CautionLine, ...]


@dataclass(frozen=True, slots=True)
class ReadingRow:
    """One reading that was judged."""

    number: str
    time: str
    piece: str
    location: str
    spot: str
    shown: str
    build: str


@dataclass(frozen=True, slots=True)
class KeptRow:
    """One reading that was kept and not judged, and why."""

    number: str
    time: str
    piece: str
    location: str
    spot: str
    shown: str
    reason: str
    by: str


@dataclass(frozen=True, slots=True)
class OtherLine:
    """A line that came and is no reading."""

    time: str
    text: str
    why: str


@dataclass(frozen=True, slots=True)
class CertificateView:
    """Everything a certificate says, as it is printed."""

    number: str
    issued: str
    shop_name: str
    shop_lines: tuple[str, ...]
    page: str
    order: tuple[Fact, ...]
    process: tuple[Fact, ...]
    verdict: str
    verdict_sentence: str
    deviation: str
    supersedes: str
    unit: str
    builds: tuple[BuildRow, ...]
    gauge: tuple[Fact, ...]
    gate_sentence: str
    checks: tuple[CheckRow, ...]
    rule: tuple[Fact, ...]
    sampling: tuple[Fact, ...]
    findings: tuple[str, ...]
    notable: tuple[str, ...]
    not_measured: tuple[str, ...]
    advice: tuple[AdviceBlock, ...]
    release: tuple[Fact, ...]
    key_note: str
    budget_intro: str
    budgets: tuple[BudgetRow, ...]
    readings_taken: str
    readings_intro: str
    readings: tuple[ReadingRow, ...]
    kept: tuple[KeptRow, ...]
    other_lines: tuple[OtherLine, ...]

    def stated(self) -> dict[str, Any]:
        """Return every string, as plain JSON lists and objects."""
        plain: dict[str, Any] = json.loads(json.dumps(asdict(self)))
        return plain


def certificate_view(evidence: Evidence, assessment: Assessment, facts: IssueFacts) -> CertificateView:
    """Return the strings of a certificate.

    Args:
        evidence: The rows that it states.
        assessment: What the rules say of them.
        facts: Number, date, signer and the like.

    Raises:
        BadInput: The signer, or whoever stated a deviation, is no inspector of the shop.
        ValueError: The assessment is not one of this evidence.
    """
    shop, job, inspection = evidence.shop, evidence.job, evidence.inspection
    zone = ZoneInfo(shop.time_zone)
    places = places_of((r for r in evidence.readings if is_judged(r)), assessment.unit)
    unit = assessment.unit.symbol
    builds = builds_by_reading(evidence, assessment)
    return CertificateView(
        number=f"{facts.number}, revision {facts.revision}",
        issued=moment(facts.issued_at, zone),
        shop_name=shop.name,
        shop_lines=_given([shop.address, shop.contact]),
        page=shop.page,
        order=_order(evidence),
        process=_process(evidence),
        verdict=VERDICT_WORDS[assessment.verdict],
        verdict_sentence=_verdict_sentence(assessment),
        deviation=_deviation(evidence, facts),
        supersedes=_supersedes(facts),
        unit=unit,
        builds=tuple(build_row(place, places, assessment.unit) for place in assessment.locations),
        gauge=_gauge(evidence),
        gate_sentence=assessment.coverage.sentence,
        checks=tuple(_check_row(c, places, assessment.unit, zone) for c in cited_checks(evidence, assessment)),
        rule=_rule(assessment, job.decision),
        sampling=_sampling(assessment),
        findings=tuple(f.sentence for f in all_findings(assessment) if f.verdict is not Verdict.PASS or f.conditional),
        notable=(
            *(place.risk_sentence for place in assessment.locations if place.risk_sentence),
            *(flag.sentence for flag in flagged(evidence, assessment)),
        ),
        not_measured=_not_measured(evidence),
        advice=_advice(assessment),
        release=_release(evidence, facts, zone),
        key_note=(
            f"The signature shows that this file is as it was when the holder of the key with the fingerprint "
            f"{fingerprint(facts.key_sha256)} signed it. The shop made that key itself, and nobody else vouches for it: "
            "before relying on it, ask the shop by another way than this document whether the fingerprint is theirs."
        ),
        budget_intro=_budget_intro(job.decision.coverage, unit),
        budgets=tuple(
            _budget_row(place, places, assessment.unit) for place in assessment.locations if place.uncertainty
        ),
        readings_taken=_taken(evidence.readings, zone),
        readings_intro=_intro(evidence),
        readings=tuple(
            _reading_row(r, figure(builds[r.reading_no], places), zone) for r in evidence.readings if is_judged(r)
        ),
        kept=tuple(_kept_row(r, evidence, zone) for r in evidence.readings if not is_judged(r)),
        other_lines=_other_lines(inspection.other_lines_json, zone),
    )


def cited_checks(evidence: Evidence, assessment: Assessment) -> list[GaugeCheck]:
    """Return the checks that a certificate shows, by time: those that the gate cites, and whatever
    else was done to the gauge from the opening check to the closing one."""
    coverage = assessment.coverage
    around = [c for c in (coverage.opening, coverage.closing, coverage.last_good) if c is not None]
    cited = {c.check_id for c in around}
    for reading in coverage.readings:
        cited.update(c for c in (reading.opening_check_id, reading.closing_check_id) if c is not None)
    chosen = [c for c in evidence.checks if c.check_id in cited or _between(c, around)]
    return sorted(chosen, key=lambda c: (c.done_at, c.check_id, c.certified_um or 0, c.standard_id or ""))


def _between(check: GaugeCheck, around: list[CheckSummary]) -> bool:
    moments = [c.done_at for c in around]
    return bool(moments) and min(moments) <= check.done_at <= max(moments)


def _given(lines: Iterable[str | None]) -> tuple[str, ...]:
    return tuple(line for line in lines if line)


def _facts(*pairs: tuple[str, str | None]) -> tuple[Fact, ...]:
    return tuple(Fact(label, text) for label, text in pairs if text)


def _joined(words: Iterable[str | None]) -> str:
    """Return the different words in the order met, joined by commas."""
    return ", ".join(dict.fromkeys(w for w in words if w))


def _with_revision(part_no: str, revision: str | None) -> str:
    return f"{part_no}, revision {revision}" if revision else part_no


def _order(evidence: Evidence) -> tuple[Fact, ...]:
    inspection, job = evidence.inspection, evidence.job
    lot_size = str(inspection.lot_size) if inspection.lot_size is not None else "not stated"
    return _facts(
        ("Customer", inspection.customer),
        ("Address", job.customer_address),
        ("Purchase order", inspection.purchase_order),
        ("Work order", inspection.work_order),
        ("Part", _with_revision(inspection.part_no, inspection.part_revision)),
        ("Description", job.title),
        ("Lot", inspection.lot),
        ("Pieces in the lot", lot_size),
        ("Pieces measured", str(inspection.pieces_measured)),
    )


def _process(evidence: Evidence) -> tuple[Fact, ...]:
    inspection, job = evidence.inspection, evidence.job
    return _facts(
        ("Specification", job.specification),
        ("Metal", job.substrate),
        ("Pretreatment", job.pretreatment),
        ("Powder", _joined(r.powder for r in evidence.readings) or job.powder),
        ("Powder batch", _joined(r.powder_batch for r in evidence.readings) or "not stated"),
        ("Coats", str(inspection.coats)),
        ("Bakes", str(inspection.bakes)),
        ("Racks", _joined(r.rack for r in evidence.readings)),
        ("Safety class", job.safety_class),
    )


def _verdict_sentence(assessment: Assessment) -> str:
    covered = assessment.coverage.state is GateState.COVERED
    if assessment.lot is not None and covered:
        return f"{_lot_sentence(assessment)} {RELATES_ONLY} {IN_FULL}"
    by_rule = {
        Verdict.PASS: "By the rule below, the items measured conform to the limits below.",
        Verdict.UNDECIDED: "By the rule below, it is not decided whether the items measured conform to the limits below.",
        Verdict.FAIL: "By the rule below, the items measured do not conform to the limits below.",
    }
    conditional = assessment.verdict is Verdict.PASS and any(place.conditional for place in assessment.locations)
    if covered:
        word = " Conditionally: numbers lie in the guard band of their limits, see the findings." if conditional else ""
        return f"{by_rule[assessment.verdict]}{word} {RELATES_ONLY} {IN_FULL}"
    readings = {
        Verdict.PASS: "Taken as they stand the readings would conform, ",
        Verdict.UNDECIDED: "Taken as they stand the readings would leave it undecided, ",
        Verdict.FAIL: "Taken as they stand the readings would not conform, ",
    }[assessment.conformity]
    return f"{readings}but the gauge was not shown to be right when they were taken. {RELATES_ONLY} {IN_FULL}"


def _lot_sentence(assessment: Assessment) -> str:
    if assessment.verdict is Verdict.FAIL:
        return "By the rule and the plan below, the lot is not accepted."
    if assessment.verdict is Verdict.UNDECIDED:
        return "By the rule and the plan below, it is not decided whether the lot is accepted."
    apart = assessment.set_apart
    if not apart:
        return "By the rule and the plan below, the lot is accepted; every piece measured conforms."
    pieces, do, are = ("piece", "does", "is") if len(apart) == 1 else ("pieces", "do", "are")
    return (
        f"By the rule and the plan below, the lot is accepted; {pieces} {listed(apart)} {do} not conform, {are} set apart and no "
        "part of what is certified."
    )


def _person(evidence: Evidence, code: str) -> str:
    """Return who *code* is, or the code itself where the shop of then does not know it."""
    known = next((i for i in evidence.shop.inspector if i.code == code), None)
    return f"{known.name} ({code})" if known else code


def _deviation(evidence: Evidence, facts: IssueFacts) -> str:
    if facts.deviation is None:
        return ""
    by = evidence.shop.find_inspector(facts.deviation_by or "")
    return f"{facts.deviation} Stated by {by.name}, {by.role}."


def _supersedes(facts: IssueFacts) -> str:
    if facts.supersedes is None:
        return ""
    return f"Supersedes revision {facts.supersedes} of this certificate: {facts.superseded_why}"


def build_row(place: LocationResult, places: int, in_unit_of: Unit) -> BuildRow:
    """Return the build at one location; *places* are the decimals of a reading in *in_unit_of*."""
    unit = in_unit_of.symbol
    bounds = (place.lower, place.upper)
    mean = figure_between(place.mean, places + 1, bounds)
    least, greatest = figure_between(place.least, places, bounds), figure_between(place.greatest, places, bounds)
    verdict = verdict_word(place.verdict, conditional=place.conditional)
    allowed = limits(place.lower, place.upper)
    picture = (
        f"{place.location}: {len(place.builds)} readings from {least} to {greatest} {unit}, mean {mean} {unit}, "
        f"limits {allowed} {unit}; {verdict}"
        if place.builds
        else f"{place.location}: no reading; limits {allowed} {unit}"
    )
    return BuildRow(
        location=place.location,
        role=place.role.value,
        limits=allowed,
        target=limits(place.target_low, place.target_high),
        count=str(len(place.builds)),
        mean=mean,
        least=least,
        greatest=greatest,
        deviation=figure(place.deviation, places + 1),
        expanded=_expanded(place.uncertainty, in_unit_of),
        verdict=verdict,
        picture=picture,
    )


def _gauge(evidence: Evidence) -> tuple[Fact, ...]:
    inspection = evidence.inspection
    gauge = evidence.shop.find_gauge(inspection.gauge_serial)
    accuracy = (
        f"{with_unit(as_written(gauge.accuracy_um), 'µm')} + {with_unit(as_written(gauge.accuracy_percent), '%')} "
        "of the thickness, as its maker states"
    )
    return _facts(
        ("Gauge", f"{gauge.name}, serial {gauge.serial}" if gauge.name else f"serial {gauge.serial}"),
        ("Probe", inspection.probe_mode),
        ("Accuracy", accuracy),
        ("Calibration certificate", f"{gauge.calibration_certificate}, {gauge.calibrated_by}"),
        ("Calibrated", f"{day(gauge.calibrated_on)}, holds up to {day(gauge.calibration_due)}"),
    )


def _check_row(check: GaugeCheck, places: int, unit: Unit, zone: ZoneInfo) -> CheckRow:
    def thickness(um: Any, more: int = 1) -> str:
        return DASH if um is None else figure(from_um(um, unit), places + more)

    return CheckRow(
        occasion=f"{check.occasion} {check.kind}" if check.occasion else check.kind,
        done=f"{moment(check.done_at, zone)} {check.done_by}",
        standard=check.standard_id or check.note or DASH,
        certified=thickness(check.certified_um),
        mean=thickness(check.mean_um),
        error=thickness(check.error_um),
        tolerance=DASH if check.tolerance_um is None else f"±{thickness(check.tolerance_um)}",
        outcome=_outcome(check),
    )


def _outcome(check: GaugeCheck) -> str:
    if check.within is None:
        return DASH
    return "within" if check.within else "not within"


def _uncertainty(um: Decimal | None, places: int, unit: Unit) -> str:
    return figure(None if um is None else from_um(um, unit), places + 1)


def _expanded(budget: Budget | None, unit: Unit) -> str:
    return two_figures(None if budget is None else from_um(Fraction(budget.expanded), unit))


def _budget_row(place: LocationResult, places: int, unit: Unit) -> BudgetRow:
    budget = place.uncertainty
    assert budget is not None  # noqa: S101 - the caller leaves the others out
    by_name = {c.name: c for c in budget.components}
    return BudgetRow(
        location=place.location,
        components=tuple(
            _uncertainty(by_name[name].standard if name in by_name else None, places + 1, unit) for name in COMPONENTS
        ),
        combined=_uncertainty(budget.combined, places + 1, unit),
        degrees="\u221e" if budget.effective_degrees is None else str(int(budget.effective_degrees)),
        factor=figure(budget.factor, 2),
        expanded=_expanded(budget, unit),
        one_reading=_expanded(place.one_reading, unit),
    )


def _budget_intro(coverage: Decimal, unit: str) -> str:
    return (
        f"Standard uncertainties of the mean at each location, in {unit}, by the GUM (JCGM 100:2008); u: combined; \u03bd: effective "
        f"degrees of freedom (Welch-Satterthwaite); U = k · u covers with about {(coverage * 100).normalize():f}\u00a0%. U(1): the "
        "same for one reading, which repeats as on the standards. Repeatability of a mean holds the spread of the surface."
    )


def decision_text(terms: DecisionTerms) -> str:
    """Return the decision rule of a job in words, with the risk that it leaves."""
    risk = figure(Fraction(worst_risk(terms.guard_factor, normal_quantile((1 + terms.coverage) / 2))) * 100, 1)
    return DECISION_RULES[terms.rule].format(r=as_written(terms.guard_factor), risk=risk)


def _rule(assessment: Assessment, terms: DecisionTerms) -> tuple[Fact, ...]:
    rule = assessment.rule
    edition = f"{rule.source}; edition stated by the order: {rule.edition}" if rule.edition else rule.source
    return _facts(
        ("Rule", f"{rule.title}. {rule.text}"),
        ("Source", edition),
        ("How well known", rule.known),
        ("Decision rule", _with_shares(decision_text(terms), terms, rule.name)),
        ("Correction", assessment.correction or None),
    )


def _with_shares(text: str, terms: DecisionTerms, rule: str) -> str:
    """Add what a guard band does not reach, where the rule counts readings."""
    if terms.rule is DecisionRule.SIMPLE or rule not in _COUNT_READINGS:
        return text
    return f"{text} Where the rule counts readings, they are counted as read, without a guard band."


def _sampling(assessment: Assessment) -> tuple[Fact, ...]:
    lot = assessment.lot
    if lot is None:
        return ()
    return _facts(
        ("Plan of the lot", lot.text),
        ("Series", lot.series),
        ("Pieces", lot.chosen),
        ("What it can tell", lot.risk),
        ("Source of the plan", f"{lot.source}; {lot.known}"),
    )


def all_findings(assessment: Assessment) -> list[Finding]:
    """Return every finding, those at a location first."""
    at_places = [f for place in assessment.locations for f in place.findings]
    return [*at_places, *assessment.piece_findings, *assessment.lot_findings]


def _not_measured(evidence: Evidence) -> tuple[str, ...]:
    inspection = evidence.inspection
    lines = []
    if inspection.lot_size is None:
        measured = counted(inspection.pieces_measured, "piece")
        lines.append(f"The size of the lot is not stated; {measured} of it measured.")
    elif inspection.lot_size > inspection.pieces_measured:
        # A piece of which no reading counts was read all the same; the findings say that it is not decided.
        rest = max(0, inspection.lot_size - len(pieces_read(evidence.readings)))
        of = f"of the {inspection.lot_size} pieces in the lot"
        lines.append(f"{rest} {of} {'was' if rest == 1 else 'were'} not measured.")
    left_out = [r for r in evidence.readings if not r.counted and not is_base(r)]
    if left_out:
        each = "The reason for it stands" if len(left_out) == 1 else "The reason for each stands"
        lines.append(f"{counted(len(left_out), 'reading')} kept and not judged. {each} in the annex.")
    if inspection.supersedes is not None:
        lines.append(
            f"Revision {inspection.revision} of the inspection supersedes revision {inspection.supersedes}: "
            f"{inspection.superseded_why}"
        )
    for note in json.loads(inspection.notes_json):
        lines.append(_note(note))
    lines.append(NOT_EXAMINED)
    return tuple(lines)


def _note(note: dict[str, Any]) -> str:
    return f"Note by {note['by']}: {note['what']}"


def _advice(assessment: Assessment) -> tuple[AdviceBlock, ...]:
    """Return the advice that a customer reads: what becomes of pieces that were set apart is not their matter."""
    if assessment.set_apart:
        return ()
    return tuple(advice_block(a) for a in assessment.advice if a.action is not Action.ACCEPT or a.reasons)


def advice_block(advice: Advice) -> AdviceBlock:
    """Return an advice as it is printed."""
    return AdviceBlock(
        action=advice.action.value,
        sentence=advice.sentence,
        test=advice.test,
        reasons=advice.reasons,
        notes=advice.notes,
        ask_first=advice.ask_first,
        ruled_out=advice.ruled_out,
        cautions=tuple(CautionLine(c.text, f"{c.authority}; {c.known}") for c in advice.cautions),
    )


def _release(evidence: Evidence, facts: IssueFacts, zone: ZoneInfo) -> tuple[Fact, ...]:
    signer = evidence.shop.find_inspector(facts.signer)
    standing = "independent of production" if signer.independent_of_production else "not independent of production"
    return _facts(
        ("Released by", f"{signer.name}, {signer.role}, {standing}"),
        ("Issued", moment(facts.issued_at, zone)),
        ("Meaning of the signature", MEANING),
    )


def _taken(readings: tuple[GaugeReading, ...], zone: ZoneInfo) -> str:
    if not readings:
        return DASH
    first, last = min(r.taken_at for r in readings), max(r.taken_at for r in readings)
    return f"{moment(first, zone, seconds=True)} to {moment(last, zone, seconds=True)}"


def _intro(evidence: Evidence) -> str:
    by = _joined(_person(evidence, r.inspector) for r in evidence.readings)
    clocks = _joined(r.clock for r in evidence.readings)
    days = sorted({r.taken_at.astimezone(ZoneInfo(evidence.shop.time_zone)).date() for r in evidence.readings})
    dates = day(days[0]) if len(days) == 1 else f"{day(days[0])} to {day(days[-1])}" if days else DASH
    shown_in = _joined(Unit(r.unit).symbol for r in evidence.readings)
    zone = f"{evidence.shop.time_zone} time"
    return f"Taken on {dates} ({zone}, clock: {clocks}) by {by}. Shown: the figures on the gauge, in {shown_in}."


def _reading_row(reading: GaugeReading, build: str, zone: ZoneInfo) -> ReadingRow:
    return ReadingRow(
        number=str(reading.reading_no),
        time=clock_time(reading.taken_at, zone),
        piece=reading.piece,
        location=reading.location,
        spot=str(reading.spot),
        shown=as_shown(reading.shown),
        build=build,
    )


def _kept_row(reading: GaugeReading, evidence: Evidence, zone: ZoneInfo) -> KeptRow:
    by = _person(evidence, reading.excluded_by) if reading.excluded_by else DASH
    return KeptRow(
        number=str(reading.reading_no),
        time=clock_time(reading.taken_at, zone),
        piece=reading.piece,
        location=reading.location,
        spot=str(reading.spot),
        shown=with_unit(as_shown(reading.shown), Unit(reading.unit).symbol),
        reason=reading.excluded_reason or f"read on {reading.coat_stage} metal",
        by=by,
    )


def _other_lines(other_lines_json: str, zone: ZoneInfo) -> tuple[OtherLine, ...]:
    return tuple(
        OtherLine(
            clock_time(datetime.fromisoformat(line["at"]), zone) if line["at"] else f"line {line['line_no']}",
            _visible(line["text"]),
            _visible(line["why"]),
        )
        for line in json.loads(other_lines_json)
    )


def _visible(raw: str) -> str:
    """Return a gauge's line with whatever is not a plain letter written as its code."""
    return "".join(c if c.isprintable() and ord(c) < _PLAIN else c.encode("unicode_escape").decode() for c in raw)

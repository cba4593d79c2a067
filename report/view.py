"""From an assessment to the exact strings that a certificate prints. Pure; decides nothing.

The template lays these strings out and adds headings; it never sees a number.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from decimal import Decimal
from fractions import Fraction
from typing import Any, Final
from zoneinfo import ZoneInfo

from report.evidence import Evidence, IssueFacts, builds_by_reading, flagged
from report.figures import (
    DASH,
    NBSP,
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
    printable,
    two_figures,
    verdict_word,
    with_unit,
)
from report.guard_sentences import guard_band_sentences
from report.languages import Presentation, presentation_of
from report.page_facts import (
    Fact,
    document_type_text,
    gauge_facts,
    joined_words,
    key_note,
    order_facts,
    process_facts,
    release_facts,
    rule_facts,
    sampling_facts,
)
from rules.film_build import is_base, is_judged, pieces_read
from rules.results import Action, Advice, Assessment, CheckSummary, GateState, LocationResult
from rules.sentence import joined, said
from rules.uncertainty import COMPONENTS, Budget
from rules.verdict import Finding, Verdict
from rules.wording import counted, listed
from schemas.gauge_checks import GaugeCheck
from schemas.readings import GaugeReading
from schemas.units import Unit, exact_um, from_um
from schemas.vocabulary import BASE_READING, UNDONE, CheckKind, Clock, CoatStage, Occasion, Role

RELATES_ONLY: Final = said("This certificate relates only to the items measured.")
IN_FULL: Final = said("It may be passed on only as a whole.")
#: So many readings of one spot share a row of the annex.
_MOST_IN_A_ROW: Final = 25
#: Stands between two figures; a line may break there.
_WIDE: Final = "\u2002"
DRAFT: Final = said("Draft: not signed, not in the register, and worth nothing.")
_KINDS: Final = {Verdict.PASS: "conforms", Verdict.UNDECIDED: "undecided", Verdict.FAIL: "does-not-conform"}
ROLES: Final = {
    Role.VISIBLE: said("visible"),
    Role.EDGE: said("edge"),
    Role.HIDDEN: said("hidden"),
    Role.FIT: said("fit"),
    Role.MASKED: said("masked"),
    Role.OTHER: said("other"),
}
CHECK_KINDS: Final = {
    CheckKind.CALIBRATION: said("calibration"),
    CheckKind.VERIFICATION: said("verification"),
    CheckKind.ADJUSTMENT: said("adjustment"),
    CheckKind.INCIDENT: said("incident"),
    CheckKind.STUDY: said("study"),
}
OCCASIONS: Final = {
    Occasion.OPENING: said("opening"),
    Occasion.CLOSING: said("closing"),
    Occasion.DROP: said("after a drop"),
    Occasion.BATTERY: said("battery changed"),
    Occasion.PROBE: said("probe changed"),
    Occasion.MODE: said("mode changed"),
    Occasion.TEMPERATURE: said("temperature changed"),
    Occasion.OTHER: said("other occasion"),
}
CLOCKS: Final = {
    Clock.GAUGE: said("gauge"),
    Clock.COMPUTER: said("computer"),
    Clock.STATED: said("stated"),
}
ACTIONS: Final = {
    Action.ACCEPT: said("accept"),
    Action.REMEASURE: said("measure again"),
    Action.SORT: said("sort the lot"),
    Action.CONCESSION: said("ask for a concession"),
    Action.TOUCH_UP: said("touch up"),
    Action.REWORK: said("rework the feature"),
    Action.RECOAT: said("scuff and recoat"),
    Action.STRIP: said("strip and redo"),
    Action.STOP: said("stop and ask"),
}
BEFORE_COATING: Final = {
    CoatStage.BARE: said("read on bare metal"),
    CoatStage.ZINC: said("read on zinc"),
    CoatStage.EARLIER_COAT: said("read on an earlier coat"),
    CoatStage.TOTAL: said("not judged"),
}
#: Up to here (Latin Extended-A) a gauge's line is printed as it is.
_PLAIN: Final = 0x180
NOT_EXAMINED: Final = said(
    "Nothing but film build was examined for this certificate: not cure, adhesion, colour, gloss or appearance."
)


@dataclass(frozen=True, slots=True)
class BuildRow:
    """The build at one location."""

    location: str
    role: str
    limits: str
    target: str
    count: str
    mean: str
    also: str
    least: str
    greatest: str
    deviation: str
    expanded: str
    verdict: str
    kind: str
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
    """Readings that were judged, taken one after the other on one spot of one piece.

    Attributes:
        numbers: From the first to the last.
        times: Likewise.
        shown: The figures on the gauge, one after the other.
        builds: The builds that were judged, one after the other.
    """

    numbers: str
    times: str
    piece: str
    location: str
    spot: str
    shown: str
    builds: str


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
class ApprovalPlace:
    """A place for a further signature."""

    label: str
    meaning: str


@dataclass(frozen=True, slots=True)
class DrawingLabel:
    """What stands beside a location's point on the drawing."""

    location: str
    text: str


@dataclass(frozen=True, slots=True)
class CertificateView:
    """Everything a certificate says, as it is printed.

    The kind of a verdict is its class for the style sheet; language, page and code_text are not printed as text.
    """

    language: str
    title: str
    foot: str
    page_count: tuple[str, str, str]
    number: str
    issued: str
    code: str
    code_text: str
    document_type: str
    shop_name: str
    shop_lines: tuple[str, ...]
    page: str
    order: tuple[Fact, ...]
    process: tuple[Fact, ...]
    verdict: str
    kind: str
    verdict_sentence: str
    deviation: str
    supersedes: str
    draft: str
    statement: str
    unit: str
    also_unit: str
    builds: tuple[BuildRow, ...]
    drawing: tuple[DrawingLabel, ...]
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
    approvals: tuple[ApprovalPlace, ...]
    key_note: str
    budget_intro: str
    budgets: tuple[BudgetRow, ...]
    readings_taken: str
    readings_intro: str
    shown_otherwise: bool
    readings: tuple[ReadingRow, ...]
    kept: tuple[KeptRow, ...]
    other_lines: tuple[OtherLine, ...]

    def stated(self) -> dict[str, Any]:
        """Return every string, as plain JSON lists and objects."""
        plain: dict[str, Any] = json.loads(json.dumps(asdict(self)))
        return plain


def certificate_view(
    evidence: Evidence, assessment: Assessment, facts: IssueFacts, code: str = "", *, is_draft: bool = False
) -> CertificateView:
    """Return the strings of a certificate, in its language.

    Args:
        evidence: The rows that it states.
        assessment: What the rules say of them.
        facts: Number, date, signer and the like.
        code: The short code by which a paper copy is found.
        is_draft: Whether it is only to be looked at.

    Raises:
        BadInput: The signer, or whoever stated a deviation, is no inspector of the shop.
        ValueError: The assessment is not one of this evidence.
    """
    shop, job, inspection, customer = evidence.shop, evidence.job, evidence.inspection, evidence.customer
    presentation = presentation_of(shop, customer)
    zone = ZoneInfo(shop.time_zone)
    places = places_of((r for r in evidence.readings if is_judged(r)), assessment.unit)
    unit = assessment.unit
    also_in = presentation.also_in if presentation.also_in is not unit else None
    builds = builds_by_reading(evidence, assessment)
    taken = [r for r in evidence.readings if is_judged(r)]
    number = said("{number}, revision {revision}", number=facts.number, revision=facts.revision)
    approvals = customer.approvals if customer is not None else ()
    rows = tuple(build_row(place, places, unit, also_in) for place in assessment.locations)
    return presentation.whole(
        CertificateView(
            language=presentation.language.value,
            title=said("Film build certificate"),
            foot=said("Film build certificate {number}", number=number),
            page_count=page_count(presentation),
            number=number,
            issued=said("issued {when}", when=moment(facts.issued_at, zone)),
            code=code,
            code_text=_code_text(evidence, facts, code),
            document_type=document_type_text(facts, customer),
            shop_name=shop.name,
            shop_lines=_given([shop.address, shop.contact]),
            page=presentation.page,
            order=order_facts(evidence, facts),
            process=process_facts(evidence),
            verdict=verdict_word(assessment.verdict, conditional=_conditional(assessment)),
            kind=_KINDS[assessment.verdict],
            verdict_sentence=_verdict_sentence(assessment),
            deviation=_deviation(evidence, facts),
            supersedes=_supersedes(facts),
            draft=DRAFT if is_draft else "",
            statement=(customer.statement or "") if customer is not None else "",
            unit=unit.symbol,
            also_unit=also_in.symbol if also_in is not None else "",
            builds=rows,
            drawing=_drawing_labels(evidence, assessment, rows, unit.symbol),
            gauge=gauge_facts(evidence),
            gate_sentence=assessment.coverage.sentence,
            checks=_check_rows(cited_checks(evidence, assessment), places, unit, zone),
            rule=rule_facts(assessment, job),
            sampling=sampling_facts(assessment),
            findings=tuple(
                f.sentence for f in all_findings(assessment) if f.verdict is not Verdict.PASS or f.conditional
            ),
            notable=(
                *guard_band_sentences(all_findings(assessment), unit),
                *(place.risk_sentence for place in assessment.locations if place.risk_sentence),
                *(flag.sentence for flag in flagged(evidence, assessment)),
            ),
            not_measured=_not_measured(evidence),
            advice=_advice(assessment) if customer is None or customer.advice else (),
            release=release_facts(evidence, facts, zone),
            approvals=tuple(
                ApprovalPlace(label, said("{party}: I have seen this certificate and agree to it.", party=label))
                for label in approvals
            ),
            key_note="" if is_draft else key_note(fingerprint(facts.key_sha256), facts.key_issuer),
            budget_intro=_budget_intro(job.decision.coverage, unit.symbol),
            budgets=tuple(_budget_row(place, places, unit) for place in assessment.locations if place.uncertainty),
            readings_taken=_taken(evidence.readings, zone),
            readings_intro=_intro(evidence),
            shown_otherwise=any(as_shown(r.shown) != figure(builds[r.reading_no], places) for r in taken),
            readings=tuple(_reading_row(group, builds, places, zone) for group in _side_by_side(taken)),
            kept=tuple(_kept_row(r, evidence, zone) for r in evidence.readings if not is_judged(r)),
            other_lines=_other_lines(inspection.other_lines_json, zone),
        )
    )


def page_count(presentation: Presentation) -> tuple[str, str, str]:
    """Return what stands before, between and after the page's number and the number of pages, at the foot."""
    before, rest = presentation.word(said("Page {page} of {pages}", page="", pages="").template).split("{page}")
    between, after = rest.split("{pages}")
    return before, between, after


def _code_text(evidence: Evidence, facts: IssueFacts, code: str) -> str:
    """Return what the QR code holds: the shop's own address with the code in it, or number, revision and code."""
    address = evidence.shop.certificate.code_address
    if address is not None:
        return address.replace("{code}", code.replace(" ", ""))
    return f"{facts.number} r{facts.revision} {code}".strip()


def _drawing_labels(
    evidence: Evidence, assessment: Assessment, rows: tuple[BuildRow, ...], unit: str
) -> tuple[DrawingLabel, ...]:
    """Return what stands on the drawing: each location that has a point, with its mean."""
    if evidence.drawing is None:
        return ()
    points = {place.name for place in evidence.job.location if place.point is not None}
    return tuple(
        DrawingLabel(row.location, _beside_the_point(row, place, unit))
        for row, place in zip(rows, assessment.locations, strict=True)
        if row.location in points
    )


def _beside_the_point(row: BuildRow, place: LocationResult, unit: str) -> str:
    """Return the mean at a location, or the reading that is out of its limits where the mean is within them: a cross beside
    a number that passes would say nothing."""
    if (
        place.verdict is Verdict.FAIL
        and place.mean is not None
        and place.least is not None
        and place.greatest is not None
    ):
        above_lower = place.lower is None or place.mean >= place.lower
        below_upper = place.upper is None or place.mean <= place.upper
        if above_lower and below_upper and place.lower is not None and place.least < place.lower:
            return said("least {value}", value=with_unit(row.least, unit))
        if above_lower and below_upper and place.upper is not None and place.greatest > place.upper:
            return said("greatest {value}", value=with_unit(row.greatest, unit))
    return with_unit(row.mean, unit)


def cited_checks(evidence: Evidence, assessment: Assessment) -> list[GaugeCheck]:
    """Return the checks that a certificate shows, by time: those that the gate cites, and whatever
    else was done to the gauge from the opening check to the closing one."""
    coverage = assessment.coverage
    around = [c for c in (coverage.opening, coverage.closing, coverage.last_good) if c is not None]
    cited = {c.check_id for c in around}
    for reading in coverage.readings:
        cited.update(c for c in (reading.opening_check_id, reading.closing_check_id) if c is not None)
    modes = {r.probe_mode for r in evidence.readings} or {evidence.inspection.probe_mode}
    # What was read with the gauge's other probe says nothing about these readings.
    of_the_mode = [c for c in evidence.checks if c.probe_mode in modes or c.probe_mode is None]
    chosen = [c for c in of_the_mode if c.check_id in cited or _between(c, around)]
    return sorted(chosen, key=lambda c: (c.done_at, c.check_id, c.certified_um or 0, c.standard_id or ""))


def _between(check: GaugeCheck, around: list[CheckSummary]) -> bool:
    moments = [c.done_at for c in around]
    return bool(moments) and min(moments) <= check.done_at <= max(moments)


def _given(lines: Iterable[str | None]) -> tuple[str, ...]:
    return tuple(line for line in lines if line)


def _verdict_sentence(assessment: Assessment) -> str:
    """Return the statement of conformity."""
    return joined((_statement(assessment), RELATES_ONLY, IN_FULL))


def _conditional(assessment: Assessment) -> bool:
    return assessment.verdict is Verdict.PASS and any(place.conditional for place in assessment.locations)


def _statement(assessment: Assessment) -> str:
    covered = assessment.coverage.state is GateState.COVERED
    if assessment.lot is not None and covered:
        return _lot_sentence(assessment)
    if covered:
        sentence = {
            Verdict.PASS: said("By the rule below, the items measured conform to the limits below."),
            Verdict.UNDECIDED: said(
                "By the rule below, it is not decided whether the items measured conform to the limits below."
            ),
            Verdict.FAIL: said("By the rule below, the items measured do not conform to the limits below."),
        }[assessment.verdict]
        if _conditional(assessment):
            return joined(
                (sentence, said("Conditionally: numbers lie in the guard band of their limits, see the findings."))
            )
        return sentence
    return {
        Verdict.PASS: said(
            "Taken as they stand the readings would conform, but the gauge was not shown to be right when they were taken."
        ),
        Verdict.UNDECIDED: said(
            "Taken as they stand the readings would leave it undecided, but the gauge was not shown to be right when they "
            "were taken."
        ),
        Verdict.FAIL: said(
            "Taken as they stand the readings would not conform, but the gauge was not shown to be right when they were "
            "taken."
        ),
    }[assessment.conformity]


def _lot_sentence(assessment: Assessment) -> str:
    if assessment.verdict is Verdict.FAIL:
        return said("By the rule and the plan below, the lot is not accepted.")
    if assessment.verdict is Verdict.UNDECIDED:
        return said("By the rule and the plan below, it is not decided whether the lot is accepted.")
    apart = assessment.set_apart
    if not apart:
        return said("By the rule and the plan below, the lot is accepted; every piece measured conforms.")
    if len(apart) == 1:
        return said(
            "By the rule and the plan below, the lot is accepted; piece {piece} does not conform, is set apart and no part of "
            "what is certified.",
            piece=apart[0],
        )
    return said(
        "By the rule and the plan below, the lot is accepted; pieces {pieces} do not conform, are set apart and no part of "
        "what is certified.",
        pieces=listed(apart),
    )


def _person(evidence: Evidence, code: str) -> str:
    """Return who *code* is, or the code itself where the shop of then does not know it."""
    known = next((i for i in evidence.shop.inspector if i.code == code), None)
    return f"{known.name} ({code})" if known else code


def _deviation(evidence: Evidence, facts: IssueFacts) -> str:
    if facts.deviation is None:
        return ""
    by = evidence.shop.find_inspector(facts.deviation_by or "")
    text = facts.deviation.rstrip()
    whole = text if text.endswith((".", "!", "?")) else f"{text}."
    return said("{deviation} Stated by {name}, {role}.", deviation=whole, name=by.name, role=by.role)


def _supersedes(facts: IssueFacts) -> str:
    if facts.supersedes is None:
        return ""
    return said(
        "Supersedes revision {revision} of this certificate: {why}",
        revision=facts.supersedes,
        why=facts.superseded_why or "",
    )


def build_row(place: LocationResult, places: int, in_unit_of: Unit, also_in: Unit | None = None) -> BuildRow:
    """Return the build at one location.

    Args:
        place: The location.
        places: The decimals of a reading in *in_unit_of*.
        in_unit_of: Unit of the specification.
        also_in: A second unit for the mean, for information.
    """
    bounds = (place.lower, place.upper)
    mean = figure_between(place.mean, places + 1, bounds)
    least, greatest = figure_between(place.least, places, bounds), figure_between(place.greatest, places, bounds)
    verdict = verdict_word(place.verdict, conditional=place.conditional)
    allowed = limits(place.lower, place.upper)
    words = {"location": place.location, "unit": in_unit_of.symbol, "limits": allowed}
    picture = (
        said(
            "{location}: readings {n}, from {least} to {greatest} {unit}, mean {mean} {unit}, limits {limits} {unit}; {verdict}",
            n=len(place.builds),
            least=least,
            greatest=greatest,
            mean=mean,
            verdict=verdict,
            **words,
        )
        if place.builds
        else said("{location}: no reading; limits {limits} {unit}", **words)
    )
    return BuildRow(
        location=place.location,
        role=ROLES[place.role],
        limits=allowed,
        target=limits(place.target_low, place.target_high),
        count=str(len(place.builds)),
        mean=mean,
        also=_converted(place.mean, places, in_unit_of, also_in),
        least=least,
        greatest=greatest,
        deviation=figure(place.deviation, places + 1),
        expanded=_expanded(place.uncertainty, in_unit_of),
        verdict=verdict,
        kind=_KINDS[place.verdict],
        picture=picture,
    )


def _converted(mean: Fraction | None, places: int, unit: Unit, also_in: Unit | None) -> str:
    """Return a mean in another unit, with as many decimals as say as much; empty where none is asked for."""
    if also_in is None:
        return ""
    if mean is None:
        return DASH
    # A hundredth of a mil is a quarter of a µm: a place and a half more or fewer.
    decimals = max(0, places - 1) if also_in is Unit.UM else places + 2
    return figure(from_um(exact_um(mean, unit), also_in), decimals)


def _check_rows(checks: list[GaugeCheck], places: int, unit: Unit, zone: ZoneInfo) -> tuple[CheckRow, ...]:
    """Return a row per standard measured; the first of each check has the check's number."""
    before = [None, *(c.check_id for c in checks)]
    return tuple(
        _check_row(c, places, unit, zone, first=c.check_id != last) for c, last in zip(checks, before, strict=False)
    )


def _check_row(check: GaugeCheck, places: int, unit: Unit, zone: ZoneInfo, *, first: bool) -> CheckRow:
    def thickness(um: Any, more: int = 1) -> str:
        return DASH if um is None else figure(from_um(um, unit), places + more)

    return CheckRow(
        occasion=_occasion(check),
        done=joined((moment(check.done_at, zone), check.done_by, *([check.check_id] if first else []))),
        standard=check.standard_id or check.note or DASH,
        certified=thickness(check.certified_um),
        mean=thickness(check.mean_um),
        error=thickness(check.error_um),
        tolerance=DASH if check.tolerance_um is None else joined(("±", thickness(check.tolerance_um)), ""),
        outcome=_outcome(check),
    )


def _outcome(check: GaugeCheck) -> str:
    if check.within is None:
        return DASH
    return said("within") if check.within else said("not within")


def _occasion(check: GaugeCheck) -> str:
    kind = CHECK_KINDS[CheckKind(check.kind)]
    if not check.occasion:
        return kind
    return said("{kind}, {occasion}", kind=kind, occasion=OCCASIONS[Occasion(check.occasion)])


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
    return said(
        "Standard uncertainties of the mean at each location, in {unit}, by the GUM (JCGM 100:2008); u: combined; \u03bd: effective "
        "degrees of freedom (Welch-Satterthwaite); U = k · u covers with about {coverage}\u00a0%. U(1): the "
        "same for one reading, which repeats as on the standards. Repeatability of a mean holds the spread of the surface. "
        "Both are U at the location's mean; decisions and risks take U at the value judged.",
        unit=unit,
        coverage=as_written((coverage * 100).normalize()),
    )


def all_findings(assessment: Assessment) -> list[Finding]:
    """Return every finding, those at a location first."""
    at_places = [f for place in assessment.locations for f in place.findings]
    return [*at_places, *assessment.piece_findings, *assessment.lot_findings]


def _not_measured(evidence: Evidence) -> tuple[str, ...]:
    inspection = evidence.inspection
    lines: list[str] = []
    if inspection.lot_size is None:
        measured = counted(inspection.pieces_measured, "piece")
        lines.append(said("The size of the lot is not stated; {measured} of it measured.", measured=measured))
    elif inspection.lot_size > inspection.pieces_measured:
        # A piece of which no reading counts was read all the same; the findings say that it is not decided.
        rest = max(0, inspection.lot_size - len(pieces_read(evidence.readings)))
        lines.append(
            said("1 of the {size} pieces in the lot was not measured.", size=inspection.lot_size)
            if rest == 1
            else said("{rest} of the {size} pieces in the lot were not measured.", rest=rest, size=inspection.lot_size)
        )
        if evidence.lot is None or (evidence.lot.drawn is None and evidence.job.sampling is None):
            lines.append(said("How the pieces that were measured were chosen is not recorded."))
    left_out = [r for r in evidence.readings if not r.counted and not is_base(r)]
    if len(left_out) == 1:
        lines.append(said("1 reading kept and not judged. The reason for it stands in the annex."))
    elif left_out:
        lines.append(
            said("{n} readings kept and not judged. The reason for each stands in the annex.", n=len(left_out))
        )
    if inspection.supersedes is not None:
        lines.append(
            said(
                "Revision {revision} of the inspection supersedes revision {old}: {why}",
                revision=inspection.revision,
                old=inspection.supersedes,
                why=printable(inspection.superseded_why or ""),
            )
        )
    for note in json.loads(inspection.notes_json):
        lines.append(said("Note by {who}: {what}", who=note["by"], what=printable(note["what"])))
    lines.append(NOT_EXAMINED)
    return tuple(lines)


def _advice(assessment: Assessment) -> tuple[AdviceBlock, ...]:
    """Return the advice that a customer reads: what becomes of pieces that were set apart is not their matter."""
    if assessment.set_apart:
        return ()
    return tuple(advice_block(a) for a in assessment.advice if a.action is not Action.ACCEPT or a.reasons)


def advice_block(advice: Advice) -> AdviceBlock:
    """Return an advice as it is printed."""
    return AdviceBlock(
        action=ACTIONS[advice.action],
        sentence=advice.sentence,
        test=advice.test,
        reasons=advice.reasons,
        notes=advice.notes,
        ask_first=advice.ask_first,
        ruled_out=advice.ruled_out,
        cautions=tuple(CautionLine(c.text, joined((c.authority, c.known), "; ")) for c in advice.cautions),
    )


def _taken(readings: tuple[GaugeReading, ...], zone: ZoneInfo) -> str:
    if not readings:
        return ""
    first, last = min(r.taken_at for r in readings), max(r.taken_at for r in readings)
    return said(
        "Readings taken {first} to {last}.",
        first=moment(first, zone, seconds=True),
        last=moment(last, zone, seconds=True),
    )


def _intro(evidence: Evidence) -> str:
    zone = ZoneInfo(evidence.shop.time_zone)
    days = sorted({r.taken_at.astimezone(zone).date() for r in evidence.readings})
    if not days:
        return ""
    return said(
        "Taken on {days} ({zone} time, clock: {clocks}) by {people}. Shown: the figures on the gauge, in {units}.",
        days=day(days[0]) if len(days) == 1 else said("{first} to {last}", first=day(days[0]), last=day(days[-1])),
        zone=evidence.shop.time_zone,
        clocks=joined_words(CLOCKS[Clock(r.clock)] for r in evidence.readings),
        people=joined_words(_person(evidence, r.inspector) for r in evidence.readings),
        units=joined_words(Unit(r.unit).symbol for r in evidence.readings),
    )


def _side_by_side(readings: Sequence[GaugeReading]) -> Iterator[list[GaugeReading]]:
    """Yield the readings that share a row: one after the other on one spot, and not too many for a page."""
    group: list[GaugeReading] = []
    for reading in readings:
        if group:
            last = group[-1]
            same = (last.piece, last.location, last.spot, last.reading_no + 1) == (
                reading.piece,
                reading.location,
                reading.spot,
                reading.reading_no,
            )
            if not same or len(group) == _MOST_IN_A_ROW:
                yield group
                group = []
        group.append(reading)
    if group:
        yield group


def _reading_row(group: list[GaugeReading], builds: dict[int, Fraction], places: int, zone: ZoneInfo) -> ReadingRow:
    first, last = group[0], group[-1]
    times = dict.fromkeys(clock_time(r.taken_at, zone) for r in (first, last))
    return ReadingRow(
        numbers=_dashed(dict.fromkeys(str(r.reading_no) for r in (first, last))),
        times=_dashed(times),
        piece=first.piece,
        location=first.location,
        spot=str(first.spot),
        shown=_WIDE.join(as_shown(r.shown) for r in group),
        builds=joined([figure(builds[r.reading_no], places) for r in group], _WIDE),
    )


def _dashed(ends: Iterable[str]) -> str:
    return f"{NBSP}{DASH}{NBSP}".join(ends)


def _kept_row(reading: GaugeReading, evidence: Evidence, zone: ZoneInfo) -> KeptRow:
    by = _person(evidence, reading.excluded_by) if reading.excluded_by else DASH
    return KeptRow(
        number=str(reading.reading_no),
        time=clock_time(reading.taken_at, zone),
        piece=reading.piece,
        location=reading.location,
        spot=str(reading.spot),
        shown=with_unit(as_shown(reading.shown), Unit(reading.unit).symbol),
        reason=_reason(reading),
        by=by,
    )


def _reason(reading: GaugeReading) -> str:
    """Return why a reading is not judged: the program's own reasons in the certificate's language, a person's as written."""
    given = reading.excluded_reason
    if given == BASE_READING:
        return said("base metal reading: subtracted, not judged")
    if given == UNDONE:
        return said("undone by the inspector")
    return printable(given) if given else BEFORE_COATING[CoatStage(reading.coat_stage)]


def _other_lines(other_lines_json: str, zone: ZoneInfo) -> tuple[OtherLine, ...]:
    return tuple(
        OtherLine(
            clock_time(datetime.fromisoformat(line["at"]), zone)
            if line["at"]
            else said("line {number}", number=line["line_no"]),
            _visible(line["text"]),
            _visible(line["why"]),
        )
        for line in json.loads(other_lines_json)
    )


def _visible(raw: str) -> str:
    """Return a gauge's line with whatever is not a plain letter written as its code."""
    return "".join(c if c.isprintable() and ord(c) < _PLAIN else c.encode("unicode_escape").decode() for c in raw)

"""What the pieces measured make of their lot, by the plan that the job names; and what that plan can tell.

Where a job names no plan, every piece measured has to conform and nothing is said of the others. Where it names one,
the lot is decided by it: a piece that does not conform stays nonconforming and is set apart, and the lot may still be
accepted (attributes, label) if no more of them were found than the plan allows.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from typing import Final

from rules.lot_tables import Severity
from rules.lots import INSPECTIONS, Drawn, MeasuredPiece, Plan, judge_lot, plan_for
from rules.operating_characteristic import (
    CONSUMERS_RISK,
    consumers_risk_pieces,
    consumers_risk_quality,
    probability_of_acceptance,
)
from rules.places import PieceLocation
from rules.sentence import Figures, joined, said, template
from rules.statistics import mean
from rules.variables_plan import VariablesPlan, acceptance_by_values, judge_values, variables_plan
from rules.verdict import Finding, Verdict, overall
from rules.wording import counted, listed, percent, pieces_named
from schemas.job import Sampling
from schemas.units import Unit
from schemas.vocabulary import Scheme

#: The check of the architectural label that asks for 80 % of the minimum (rules.conformity).
LABEL_FLOOR_CHECK: Final = "lowest measured value"
_SHARES: Final = tuple(
    Fraction(percent, 1000) for percent in (5, 10, 15, 25, 40, 65, 100, 150, 200, 250, 300, 400, 500)
)


@dataclass(frozen=True, slots=True)
class LotTerms:
    """What is known of a lot beyond its readings.

    Attributes:
        lot_size: Pieces of the lot; None where nobody said.
        severity: How severely it is inspected, as the lots before it ask.
        stopped: Acceptance is stopped, and nothing is said to have been put right.
        changes: Each change of severity in the series so far, with its reason.
        drawn: The sample that was drawn before measuring; None where none was recorded.
        shown_before: What earlier inspections of this very lot came to, a sentence each without its full stop.
    """

    lot_size: int | None
    severity: Severity = Severity.NORMAL
    stopped: bool = False
    changes: tuple[str, ...] = ()
    drawn: Drawn | None = None
    shown_before: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Characteristic:
    """What a plan can tell: how often lots of a given quality are accepted.

    Attributes:
        points: Share nonconforming of a process, and the probability that a lot from it is accepted.
        producers_risk: Probability that a lot just as good as the AQL is not accepted; None without an AQL.
        consumers_quality: Share nonconforming at which a lot is still accepted with a probability of 10 %, rounded up.
        consumers_pieces: Fewest nonconforming pieces in this very lot at which it is accepted no more often than that;
            None where every piece is measured, or where measured values are judged.
        aql: The share nonconforming that the plan was chosen for; None without one.
    """

    points: tuple[tuple[Fraction, Fraction], ...]
    producers_risk: Fraction | None
    consumers_quality: Decimal | None
    consumers_pieces: int | None
    aql: Fraction | None = None


@dataclass(frozen=True, slots=True)
class LotStatement:
    """The plan of a lot as it is stated.

    Attributes:
        scheme: Where it comes from.
        n: Pieces to be measured.
        text: The plan in a sentence.
        source: The publication and table.
        known: How well that is known here.
        series: How the series of lots stands: severity and the last change, in a sentence; empty where there is none.
        chosen: How the pieces were chosen, in a sentence.
        risk: What the plan can tell, in sentences.
        characteristic: The same in numbers; None where every piece is measured.
    """

    scheme: Scheme
    n: int
    text: str
    source: str
    known: str
    series: str
    chosen: str
    risk: str
    characteristic: Characteristic | None


def state_plan(sampling: Sampling, terms: LotTerms) -> LotStatement:
    """Return the plan for a lot, before or after it is measured.

    Raises:
        ValueError: There is no such plan: no size of the lot, an AQL without a column, a lot beyond the label's table.
    """
    if terms.lot_size is None:
        raise ValueError("the plan depends on the number of pieces in the lot, and nobody said how many there are")
    if sampling.scheme is Scheme.VARIABLES:
        plan = _variables(sampling, terms.severity)
        if plan.n > terms.lot_size:
            raise ValueError(
                f"the plan measures {plan.n} pieces, and the lot has {terms.lot_size}: measure every piece"
            )
        found: Characteristic | None = _of_values(plan, sampling.aql or Decimal(0))
        n, source, known = plan.n, plan.source, plan.known
        text: str = said(
            "By variables, s method, {inspection}: {pieces} of a lot of {lot_size}, one mean each; at each limit the mean "
            "lies at least k = {k} standard deviations inside. It holds for values that are about normally distributed and "
            "come from one process.",
            inspection=INSPECTIONS[terms.severity],
            pieces=counted(plan.n, "piece"),
            lot_size=terms.lot_size,
            k=Figures(plan.k),
        )
    else:
        counting = plan_for(terms.lot_size, sampling.scheme, sampling.level, sampling.aql, terms.severity)
        found = characteristic(counting, sampling.aql)
        n, source, known, text = counting.n, counting.source, counting.known, counting.text
    return LotStatement(
        scheme=sampling.scheme,
        n=n,
        text=text,
        source=source,
        known=known,
        series=_series(sampling, terms),
        chosen=_chosen(terms.drawn),
        risk=(
            _risk(found, sampling.aql, terms.lot_size) if found else said("Every piece is measured: no sampling risk.")
        ),
        characteristic=found,
    )


def judge_sampling(
    sampling: Sampling, terms: LotTerms, places: Sequence[PieceLocation], findings: Sequence[Finding], unit: Unit
) -> list[Finding]:
    """Return what decides about the lot; with these, the findings about single pieces decide no longer.

    Args:
        sampling: How the job samples.
        terms: What is known of the lot.
        places: What was measured.
        findings: What the acceptance rule found; those that name a piece make that piece's verdict.
        unit: Unit of the specification.
    """
    others = [f for f in findings if f.piece is None]
    if terms.lot_size is None:
        sentence = said("the job samples the lot, and nobody said how many pieces the lot has: there is no plan")
        return [*others, Finding(Verdict.UNDECIDED, "lot size", sentence)]
    try:
        if sampling.scheme is Scheme.VARIABLES:
            plan = _variables(sampling, terms.severity)
            found = list(_by_values(plan, places, unit))
        else:
            counting = plan_for(terms.lot_size, sampling.scheme, sampling.level, sampling.aql, terms.severity)
            pieces = measured_pieces(places, findings)
            found = judge_lot(counting, pieces, terms.lot_size, absorb_below_floor=sampling.absorb_below_floor)
    except ValueError as without:
        # Not str(without): what went wrong remembers how it was put together.
        why = without.args[0] if without.args else str(without)
        sentence = said("there is no plan for this lot: {why}", why=why)
        return [*others, Finding(Verdict.UNDECIDED, "plan", sentence)]
    if terms.stopped:
        sentence = said(
            "acceptance is stopped: five lots were not accepted on tightened inspection. Once the cause is put right and the "
            "customer agrees, the job says resumed_on"
        )
        found.append(Finding(Verdict.UNDECIDED, "series of lots", sentence))
    found.extend(_as_drawn(terms, places))
    return [*others, *found]


def measured_pieces(places: Sequence[PieceLocation], findings: Sequence[Finding]) -> list[MeasuredPiece]:
    """Return what came out for each piece measured, by the findings that name it."""
    by_piece: dict[str, list[Finding]] = {place.piece: [] for place in places}
    for finding in findings:
        if finding.piece is not None:
            by_piece.setdefault(finding.piece, []).append(finding)
    return [
        MeasuredPiece(
            piece,
            overall(about),
            below_floor=any(f.check == LABEL_FLOOR_CHECK and f.verdict is Verdict.FAIL for f in about),
        )
        for piece, about in by_piece.items()
    ]


def nonconforming_pieces(findings: Iterable[Finding]) -> int:
    """Return how many pieces the findings that name one show to be nonconforming."""
    return len({f.piece for f in findings if f.piece is not None and f.verdict is Verdict.FAIL})


def characteristic(plan: Plan, aql: Decimal | None) -> Characteristic | None:
    """Return what an attributes or label plan can tell; None where every piece is measured.

    A plan with a gap accepts the lot up to one below its rejection number, so that number is taken.
    """
    if plan.every_piece:
        return None
    accepts = plan.reject - 1
    points = tuple((share, probability_of_acceptance(plan.n, accepts, share)) for share in _SHARES)
    rejects = accepts < plan.n
    return Characteristic(
        points=points,
        producers_risk=None if aql is None else 1 - probability_of_acceptance(plan.n, accepts, Fraction(aql) / 100),
        consumers_quality=consumers_risk_quality(plan.n, accepts, places=4) if rejects else None,
        consumers_pieces=consumers_risk_pieces(plan.n, accepts, plan.lot_size) if rejects else None,
        aql=None if aql is None else Fraction(aql) / 100,
    )


def _of_values(plan: VariablesPlan, aql: Decimal) -> Characteristic:
    shares = [share for share in _SHARES if share <= Fraction(1, 4)]
    points = tuple((share, Fraction(acceptance_by_values(plan.n, plan.k, _decimal(share)))) for share in shares)
    accepted = Fraction(acceptance_by_values(plan.n, plan.k, aql / 100))
    return Characteristic(points, 1 - accepted, None, None, Fraction(aql) / 100)


def _decimal(share: Fraction) -> Decimal:
    return Decimal(share.numerator) / Decimal(share.denominator)


def _variables(sampling: Sampling, severity: Severity) -> VariablesPlan:
    assert sampling.letter is not None  # noqa: S101 - the job's model asks for both
    assert sampling.aql is not None  # noqa: S101
    return variables_plan(sampling.letter, sampling.aql, severity)


def _by_values(plan: VariablesPlan, places: Sequence[PieceLocation], unit: Unit) -> Iterator[Finding]:
    """Judge the means of the pieces, location by location: each location is a characteristic of its own."""
    for name in dict.fromkeys(place.location.name for place in places):
        here = [place for place in places if place.location.name == name]
        location = here[0].location
        values = [mean(place.builds) for place in here if place.builds]
        for finding in judge_values(plan, values, location.lower, location.upper, unit):
            yield Finding(
                finding.verdict,
                finding.check,
                joined([name, finding.sentence], ": "),
                found=finding.found,
                limit=finding.limit,
            )


_ONE_DRAWN_FROM: Final = template("the sample was drawn from {n} piece, and the lot has {lot_size}: draw again")
_DRAWN_FROM: Final = template("the sample was drawn from {n} pieces, and the lot has {lot_size}: draw again")


def _as_drawn(terms: LotTerms, places: Sequence[PieceLocation]) -> Iterator[Finding]:
    drawn = terms.drawn
    if drawn is None:
        return
    if drawn.lot_size != terms.lot_size:
        yield Finding(
            Verdict.UNDECIDED,
            "sample as drawn",
            (_ONE_DRAWN_FROM if drawn.lot_size == 1 else _DRAWN_FROM)(n=drawn.lot_size, lot_size=terms.lot_size),
        )
        return
    measured = dict.fromkeys(place.piece for place in places if place.builds)
    missing = [str(number) for number in drawn.pieces if str(number) not in measured]
    if missing:
        yield Finding(
            Verdict.UNDECIDED,
            "sample as drawn",
            said("drawn and not measured: {pieces}", pieces=pieces_named(missing)),
            found=Fraction(len(drawn.pieces) - len(missing)),
            limit=Decimal(len(drawn.pieces)),
        )
    else:
        yield Finding(
            Verdict.PASS,
            "sample as drawn",
            (_ALL_ONE if len(drawn.pieces) == 1 else _ALL)(n=len(drawn.pieces)),
            found=Fraction(len(drawn.pieces)),
            limit=Decimal(len(drawn.pieces)),
        )


_ALL_ONE: Final = template("all {n} piece drawn are measured")
_ALL: Final = template("all {n} pieces drawn are measured")
_UNCHANGED: Final = {
    Severity.NORMAL: said("Normal inspection: no change of severity in the series so far."),
    Severity.TIGHTENED: said("Tightened inspection: no change of severity in the series so far."),
    Severity.REDUCED: said("Reduced inspection: no change of severity in the series so far."),
}
_CHANGED: Final = {
    Severity.NORMAL: template("Normal inspection; {change}."),
    Severity.TIGHTENED: template("Tightened inspection; {change}."),
    Severity.REDUCED: template("Reduced inspection; {change}."),
}


def _series(sampling: Sampling, terms: LotTerms) -> str:
    again = [said("Shown again: {sentence}.", sentence=sentence) for sentence in terms.shown_before]
    return joined([*_severity(sampling, terms), *again])


def _severity(sampling: Sampling, terms: LotTerms) -> tuple[str, ...]:
    if sampling.scheme is not Scheme.ATTRIBUTES:
        return ()
    if not terms.changes:
        return (_UNCHANGED[terms.severity],)
    return (_CHANGED[terms.severity](change=terms.changes[-1]),)


def _chosen(drawn: Drawn | None) -> str:
    if drawn is None:
        return said("How the pieces were chosen is not recorded.")
    return said(
        "Drawn at random before measuring, with the seed {seed}: pieces {pieces} of 1 to {lot_size}.",
        seed=drawn.seed,
        pieces=listed([str(p) for p in drawn.pieces], 60),
        lot_size=drawn.lot_size,
    )


def _risk(found: Characteristic, aql: Decimal | None, lot_size: int) -> str:
    risks: list[str] = []
    if found.producers_risk is not None and aql is not None:
        risks.append(
            said(
                "Of lots just as good as the AQL of {aql}, {risk} are not accepted (producer's risk).",
                aql=percent(Figures(f"{aql.normalize():f}")),
                risk=_percent(found.producers_risk),
            )
        )
    if found.consumers_quality is not None:
        quality, risk = _percent(Fraction(found.consumers_quality)), _percent(CONSUMERS_RISK)
        if found.consumers_pieces is None:
            risks.append(
                said(
                    "Of lots with {quality} nonconforming, {risk} are still accepted (consumer's risk).",
                    quality=quality,
                    risk=risk,
                )
            )
        else:
            risks.append(
                said(
                    "Of lots with {quality} nonconforming (in this lot: {n} of {lot_size} pieces), {risk} are still accepted "
                    "(consumer's risk).",
                    quality=quality,
                    n=found.consumers_pieces,
                    lot_size=lot_size,
                    risk=risk,
                )
            )
    return joined(risks) if risks else said("The plan is judged by measured values; see its curve.")


def _percent(share: Fraction) -> str:
    return percent(Figures(f"{float(share) * 100:.1f}"))

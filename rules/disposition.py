"""First advice on what to do with the pieces measured: never a decision, never a recipe.

The order of the questions is the trade's (a decision table read in a trade handbook in part, else common
practice, no source): is the gauge in order and everything measured; is the part safety-critical; is it
too thin, too thick, or both; how many coats are on it; would a second coat fit in between the limits.
The figures that are nobody's standard stand at the top of this module, each marked as such.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal
from enum import Enum
from fractions import Fraction
from typing import Final

from rules.cautions import SCUFFING, StopClass, stop_classes, strip_cautions
from rules.conformity import LOW_READINGS_CHECK
from rules.places import PieceLocation
from rules.results import Action, Advice, Caution, Coverage, GateState
from rules.verdict import Finding, Verdict
from rules.wording import amount, as_written, counted, listed
from schemas.job import Job, Location, Recoat
from schemas.units import Unit, from_um, to_um
from schemas.vocabulary import Role

#: Coats after which a shop strips instead, where the job does not say (common practice, no source).
USUAL_MAX_COATS: Final = 2
#: A chrome-look part under a clear coat with this much on it, in mil, is a case for stripping: 15 to 20
#: mil are (common practice, no source), so the advice begins at the lower figure.
CHROME_LOOK_STRIP_MIL: Final = Decimal(15)
#: A single decorative coat is aimed at 3 to 4 mil and passed at 2 to 5 (common practice, no source).
DECORATIVE_COAT_NOTE: Final = (
    "A single decorative coat is commonly aimed at 3 to 4 mil and passed at 2 to 5 (common practice, no source); "
    "the order and the data sheet govern."
)
SCUFF_NOTE: Final = (
    "How to scuff is the data sheet's to say, and sources disagree about the grit: a trade magazine names coarse paper "
    "finished fine (read); others scuff until all gloss is gone with 320 on an orbital sander, work from 180 up to 320 "
    "where the damage is deep, take 400 by hand, and feather the edge of the damage wide (common practice, no source). "
    "Deep scratches show through the next coat (read)."
)
_PIECES_SPELLED: Final = 6


class _Miss(Enum):
    """Which way a piece misses, and where."""

    THIN = "thin"
    THICK = "thick"
    FIT_OVER = "fit over"


@dataclass(frozen=True, slots=True)
class RecoatTest:
    """Whether a second coat over the whole piece would fit, with the arithmetic spelled out.

    Attributes:
        feasible: True or False; None where the job says too little to tell.
        reasons: The sums, one sentence a location; first those that break a limit.
        missing: What the job would have to say.
    """

    feasible: bool | None
    reasons: tuple[str, ...]
    missing: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _PieceAdvice:
    action: Action
    piece: str
    reasons: tuple[str, ...]


def advise(
    job: Job,
    places: Sequence[PieceLocation],
    findings: Sequence[Finding],
    coverage: Coverage,
    *,
    conformity: Verdict,
    coats: int,
    bakes: int,
) -> tuple[Advice, ...]:
    """Return the first advice, at least one, the strongest question first.

    Args:
        job: The job, with its recoat data, safety class and look.
        places: The judged builds by location and piece.
        findings: All findings of the rule, those about the lot included.
        coverage: What the gate says; anything but covered leads to measuring again and nothing else.
        conformity: What the findings show.
        coats: Coats on the parts, the last one included.
        bakes: Bakes of the parts, the last one included.

    A safety-critical part that misses gets "stop and ask" alone, whatever the gate says: nothing may be
    tried on it in the meantime. Where several things can be done, each is an advice of its own, the
    milder first.
    """
    stops = _stop_reasons(job)
    covered = coverage.state is GateState.COVERED
    if conformity is Verdict.FAIL and stops:
        return (_stop(stops, findings, None if covered else coverage),)
    if not covered or conformity is Verdict.UNDECIDED:
        return (_measure_again(findings, coverage),)
    if conformity is Verdict.PASS:
        return (_accept(),)
    history = (
        f"The parts carry {counted(coats, 'coat')} and have been baked {counted(bakes, 'time')}.",
        *((_chrome_note(),) if job.chrome_look else ()),
    )
    wanted: list[_PieceAdvice] = []
    for piece in dict.fromkeys(place.piece for place in places):
        wanted.extend(_advise_piece(job, [p for p in places if p.piece == piece], findings, coats))
    return tuple(_merged(job, wanted, history, coats, bakes))


def recoat_test(places: Iterable[PieceLocation], recoat: Recoat | None, unit: Unit) -> RecoatTest:
    """Return whether another coat over one piece fits, from its builds and what a coat adds.

    At each location: the least build and the least that a coat adds must reach the lower limit; the
    greatest build and the most that a coat adds must stay within the upper limit and the data sheet's
    largest total (common practice, no source; the arithmetic is plain). Masked locations are left out:
    they are masked again. Exactly on a limit fits.
    """
    if recoat is None or recoat.added_low is None or recoat.added_high is None:
        return RecoatTest(
            None,
            (),
            (
                "What does a recoat add here, at the least and at the most? (job: recoat.added_low, recoat.added_high, "
                "from the shop's own history)",
                "What total film does the data sheet allow, and does it allow a second coat? (job: recoat.sheet_max_total)",
            ),
        )
    broken: list[str] = []
    kept: list[str] = []
    missing: list[str] = []
    for place in places:
        if place.location.role is Role.MASKED or not place.builds:
            continue
        for fits, sentence in _recoat_sums(place, recoat, recoat.added_low, recoat.added_high, unit):
            (kept if fits else broken).append(sentence)
        if place.location.upper is None and recoat.sheet_max_total is None:
            missing.append(
                f"What total film does the data sheet allow at {place.location.name}? No upper limit is given."
            )
    if broken:
        return RecoatTest(False, (*broken, *kept))
    return RecoatTest(None if missing else True, tuple(kept), tuple(missing))


def _recoat_sums(
    place: PieceLocation, recoat: Recoat, added_low: Decimal, added_high: Decimal, unit: Unit
) -> Iterator[tuple[bool, str]]:
    location = place.location
    if location.lower is not None:
        least = min(place.builds)
        total = least + Fraction(added_low)
        yield (
            total >= location.lower,
            _sum_sentence(location, "lowest", least, added_low, total, location.lower, "the lower limit", unit),
        )
    ceilings = [
        (limit, name)
        for limit, name in ((location.upper, "the upper limit"), (recoat.sheet_max_total, "the data sheet's total"))
        if limit is not None
    ]
    if ceilings:
        limit, name = min(ceilings, key=lambda ceiling: ceiling[0])
        greatest = max(place.builds)
        total = greatest + Fraction(added_high)
        yield (
            total <= limit,
            _sum_sentence(location, "highest", greatest, added_high, total, limit, name, unit),
        )


def _sum_sentence(
    location: Location,
    which: str,
    build: Fraction,
    added: Decimal,
    total: Fraction,
    limit: Decimal,
    name: str,
    unit: Unit,
) -> str:
    sign = "<" if total < limit else ">" if total > limit else "="
    return (
        f"{location.name}: {which} {amount(build, unit)} + {as_written(added)} = {amount(total, unit, limit)} {unit.symbol} "
        f"{sign} {as_written(limit)} {unit.symbol}, {name}"
    )


def _stop_reasons(job: Job) -> tuple[str, ...]:
    reasons = []
    if job.safety_class is not None:
        reasons.append(
            f"The part is safety-critical ({job.safety_class}): heat, acid and blasting can destroy it unseen."
        )
    stops: tuple[StopClass, ...] = stop_classes(job.title, job.substrate, job.specification)
    reasons.extend(
        f"The job's words point to {s.name[0].lower()}{s.name[1:]}: {s.why} ({s.authority}; {s.known})." for s in stops
    )
    return tuple(reasons)


def _stop(reasons: Sequence[str], findings: Sequence[Finding], uncovered: Coverage | None) -> Advice:
    ask = [
        "Is the written approval of the part's owner for any rework on file?",
        "Alloy, temper and heat treatment of the part, from its maker?",
        "What does the maker of the part allow: a further bake, stripping, blasting, none of them?",
    ]
    if uncovered is not None:
        ask.insert(0, f"The gauge first: {uncovered.sentence}")
    return Advice(
        Action.STOP,
        "Do nothing to these pieces until the owner of the part has said in writing what may be done.",
        reasons=(*reasons, *_failures(findings)),
        ask_first=tuple(ask),
    )


def _measure_again(findings: Sequence[Finding], coverage: Coverage) -> Advice:
    reasons = [] if coverage.state is GateState.COVERED else [coverage.sentence]
    reasons.extend(_cut([f.sentence for f in findings if f.verdict is Verdict.UNDECIDED]))
    waits = coverage.state is GateState.OPEN and not any(f.verdict is Verdict.UNDECIDED for f in findings)
    return Advice(
        Action.REMEASURE,
        "Nothing is decided yet: make the closing check; if it passes the readings stand, else measure again."
        if waits
        else "Nothing is decided yet: measure again before anything is done to the pieces.",
        reasons=tuple(reasons) or ("There is nothing that a verdict could rest on.",),
    )


def _accept() -> Advice:
    return Advice(Action.ACCEPT, "Everything asked for was measured with a covered gauge and conforms.")


def _advise_piece(
    job: Job, places: Sequence[PieceLocation], findings: Sequence[Finding], coats: int
) -> Iterator[_PieceAdvice]:
    piece = places[0].piece
    missed = [f for f in findings if f.piece == piece and f.verdict is Verdict.FAIL]
    if not missed:
        return
    roles = {place.location.name: place.location.role for place in places}
    misses = {_miss(f, roles) for f in missed}
    reasons = tuple(f.sentence for f in missed)
    heavy = _chrome_heavy(job, places) if _Miss.THICK in misses else None
    if heavy is not None:
        yield _PieceAdvice(Action.STRIP, piece, (*reasons, heavy))
        return
    if _Miss.FIT_OVER in misses:
        yield _PieceAdvice(Action.REWORK, piece, reasons)
    if _Miss.THIN in misses and _Miss.THICK in misses:
        both = (*reasons, "A second coat only adds: what is over its limit stays over.")
        yield _PieceAdvice(Action.CONCESSION, piece, both)
        yield _PieceAdvice(Action.STRIP, piece, both)
    elif _Miss.THIN in misses:
        yield from _advise_thin(job, piece, places, reasons, coats)
    elif _Miss.THICK in misses:
        yield _PieceAdvice(Action.CONCESSION, piece, reasons)
        yield _PieceAdvice(Action.STRIP, piece, reasons)
    else:
        yield _PieceAdvice(Action.STRIP, piece, reasons)


def _advise_thin(
    job: Job, piece: str, places: Sequence[PieceLocation], reasons: tuple[str, ...], coats: int
) -> Iterator[_PieceAdvice]:
    most = USUAL_MAX_COATS if job.recoat is None else job.recoat.max_coats
    if coats >= most:
        whose = "common practice, no source" if job.recoat is None else "the job's max_coats"
        yield _PieceAdvice(
            Action.STRIP,
            piece,
            (*reasons, f"{counted(coats, 'coat')} of at most {most} ({whose}) are on: no further one goes on top."),
        )
        return
    test = recoat_test(places, job.recoat, job.unit)
    if test.feasible:
        yield _PieceAdvice(Action.RECOAT, piece, (*reasons, *test.reasons))
    elif test.feasible is None:
        yield _PieceAdvice(
            Action.STOP,
            piece,
            (*reasons, *test.reasons, "Whether a second coat fits cannot be told from what the job says."),
        )
    else:
        why = (*reasons, "A second coat does not fit:", *test.reasons)
        yield _PieceAdvice(Action.CONCESSION, piece, why)
        yield _PieceAdvice(Action.STRIP, piece, why)


def _miss(finding: Finding, roles: dict[str, Role]) -> _Miss:
    if finding.check == LOW_READINGS_CHECK:
        return _Miss.THIN
    # By the side that the limit lies on where that is known: with a guard band a miss can lie within the limit.
    thin = finding.low
    if thin is None and finding.found is not None and finding.limit is not None:
        thin = finding.found < Fraction(finding.limit)
    if thin:
        return _Miss.THIN
    if finding.location is not None and roles.get(finding.location) in (Role.FIT, Role.MASKED):
        return _Miss.FIT_OVER
    return _Miss.THICK


def _chrome_heavy(job: Job, places: Iterable[PieceLocation]) -> str | None:
    if not job.chrome_look:
        return None
    bound = from_um(to_um(CHROME_LOOK_STRIP_MIL, Unit.MIL), job.unit)
    heaviest = max((p for p in places if p.builds), key=lambda p: max(p.builds), default=None)
    if heaviest is None or max(heaviest.builds) < bound:
        return None
    return (
        f"{heaviest.location.name}: {amount(max(heaviest.builds), job.unit, bound)} {job.unit.symbol} on a chrome-look part "
        f"with a clear coat; from {as_written(CHROME_LOOK_STRIP_MIL)} to 20 mil that is a case for stripping "
        "(common practice, no source)."
    )


def _chrome_note() -> str:
    return "The part is chrome-look under a clear coat: its data sheet says whether it can be recoated at all."


# What each action says and asks

_SENTENCES: Final = {
    Action.CONCESSION: "Ask the customer for a concession, if nothing binds, looks right and the limit is no functional one.",
    Action.REWORK: "Rework the feature that is over as its drawing allows, or strip; the dimension governs there.",
    Action.RECOAT: "Scuff and recoat the whole piece: by the sums below a second coat fits.",
    Action.STRIP: "Strip and redo.",
    Action.STOP: "Stop and ask before a second coat goes on.",
}
_CAUSE: Final = "Is the cause found and put right? A coat over bad adhesion, contamination or wrong pretreatment is stripped, never recoated."
_ORDER: Final = (Action.REWORK, Action.CONCESSION, Action.RECOAT, Action.STOP, Action.STRIP)


def _merged(
    job: Job, wanted: Sequence[_PieceAdvice], history: tuple[str, ...], coats: int, bakes: int
) -> Iterator[Advice]:
    """Join what is wanted for several pieces into one advice an action, the milder first."""
    for action in _ORDER:
        entries = [entry for entry in wanted if entry.action is action]
        if not entries:
            continue
        pieces = [entry.piece for entry in entries]
        reasons = dict.fromkeys(reason for entry in entries for reason in entry.reasons)
        alternative = action is Action.STRIP and all(
            any(w.piece == piece and w.action is not Action.STRIP for w in wanted) for piece in pieces
        )
        sentence = "Strip and redo where the milder way is refused or fails." if alternative else _SENTENCES[action]
        yield Advice(
            action,
            f"{'Piece' if len(pieces) == 1 else 'Pieces'} {listed(pieces, _PIECES_SPELLED)}: {sentence}",
            reasons=(*_cut(list(reasons)), *history),
            ask_first=_ask_first(job, action, bakes),
            cautions=_cautions(job, action),
        )


def _ask_first(job: Job, action: Action, bakes: int) -> tuple[str, ...]:
    sheet = "the product data sheet" if job.recoat is None or job.recoat.data_sheet is None else job.recoat.data_sheet
    bake = f"Do powder and alloy stand another bake after {counted(bakes, 'bake')} ({sheet}; the part's maker)?"
    if action is Action.CONCESSION:
        return (
            "Is the limit a functional one, or the look alone?",
            "Do fits, threads and earthing points still work?",
            "Who at the customer may grant it, in writing?",
        )
    if action is Action.REWORK:
        return (
            "What does the drawing say of this feature, before or after coating?",
            "May it be chased, reamed or cleared, and does bare metal matter there?",
            "Was it masked, and why did the mask not hold?",
        )
    if action is Action.RECOAT:
        masked = [place.name for place in job.location if place.role in (Role.FIT, Role.MASKED)]
        return (
            f"Does {sheet} allow a second coat of this powder on itself?",
            _CAUSE,
            "Does the customer have to agree to rework?",
            bake,
            *((f"Are {listed(masked)} masked again?",) if masked else ()),
            SCUFF_NOTE,
            "Measure every location again after scuffing and after the second coat; scuffing takes film off.",
        )
    if action is Action.STOP:
        return (*recoat_questions(job), _CAUSE, bake)
    return (
        "Is the part on the stop list printed with the cautions, or anything like it?",
        "Alloy and temper of the part, and what it is joined with?",
        "What is in the old film: lead, chromate, PVC, fluoropolymer?",
        "Who strips: a licensed stripper, or trained people here under local permits?",
        _CAUSE,
        bake,
        DECORATIVE_COAT_NOTE,
    )


def recoat_questions(job: Job) -> tuple[str, ...]:
    """Return what the job would have to say before a second coat can be judged."""
    if job.recoat is None:
        return recoat_test((), None, job.unit).missing
    return ("What total film does the data sheet allow? (job: recoat.sheet_max_total)",)


def _cautions(job: Job, action: Action) -> tuple[Caution, ...]:
    if action is Action.STRIP:
        return strip_cautions(job.substrate)
    return SCUFFING if action is Action.RECOAT else ()


def _failures(findings: Iterable[Finding]) -> list[str]:
    return _cut([f.sentence for f in findings if f.verdict is Verdict.FAIL])


def _cut(sentences: Sequence[str], most: int = 12) -> list[str]:
    """Return the sentences, and where there are many the first of them and how many more there are."""
    if len(sentences) <= most:
        return list(sentences)
    return [*sentences[: most - 1], f"and {len(sentences) - most + 1} more, given with the findings"]

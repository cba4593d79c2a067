"""Lots: the plan that says how many pieces are measured, which ones, what their verdicts make of the lot, and what follows.

A lot is judged on pieces, whatever rule judged each of them. Too few pieces measured is UNDECIDED, never a pass, and a
piece that is itself UNDECIDED counts as neither conforming nor nonconforming, so it is one piece fewer. A lot is
rejected as soon as the rejection number is reached: measuring the rest could not undo it. An accepted lot does not make
a nonconforming piece conform; every finding names those pieces.

A sampling plan limits how often a bad lot is accepted; it does not show that every piece conforms. Where a piece that
is out of limits can hurt someone, the drawing, the customer and the codes that apply say what is measured, and that is
often every piece.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from typing import Final

from rules.lot_tables import SMALLEST_LOT, Severity, code_letter, label_lot, table_plan
from rules.sentence import Figures, joined, said, template
from rules.verdict import Finding, Verdict
from rules.wording import counted, listed, out_of, percent, pieces_named
from schemas.vocabulary import Level, Scheme


@dataclass(frozen=True, slots=True)
class Plan:
    """How many pieces of a lot are measured, and what number of nonconforming ones decides.

    Attributes:
        kind: Where it comes from.
        n: Pieces to be measured; as many as the lot has is 100 % inspection.
        accept: The lot is accepted with up to this many nonconforming pieces.
        reject: And rejected from this many.
        source: The publication and table.
        known: How well it is known here.
        lot_size: Pieces of the lot that it was made for.
        text: The plan in one sentence, for a person.
    """

    kind: Scheme
    n: int
    accept: int
    reject: int
    source: str
    known: str
    lot_size: int
    text: str

    def __post_init__(self) -> None:
        """Raise a ValueError where the numbers are no plan."""
        if not 1 <= self.n <= self.lot_size:
            raise ValueError(f"a plan measures 1 to {self.lot_size} pieces of a lot of {self.lot_size}, not {self.n}")
        if not 0 <= self.accept < self.reject:
            raise ValueError(f"no plan accepts at {self.accept} and rejects at {self.reject}")

    @property
    def every_piece(self) -> bool:
        """Return whether it asks for 100 % inspection."""
        return self.n == self.lot_size


@dataclass(frozen=True, slots=True)
class MeasuredPiece:
    """What came out for one piece.

    Attributes:
        piece: Its name or number; each piece once.
        verdict: PASS: it conforms; FAIL: it does not; UNDECIDED: it was measured, yet neither is shown.
        below_floor: A measured value of it lies under 80 % of the minimum (only the architectural label asks).
    """

    piece: str
    verdict: Verdict
    below_floor: bool = False

    def __post_init__(self) -> None:
        """Raise a ValueError where a piece under the floor is said to conform."""
        if self.below_floor and self.verdict is Verdict.PASS:
            raise ValueError(f"piece {self.piece} has a value under 80 % of the minimum, so it cannot conform")


# The plan

#: How severely a lot is inspected, as one of the terms that a plan is listed by.
INSPECTIONS: Final[dict[Severity, str]] = {
    Severity.NORMAL: said("normal inspection"),
    Severity.TIGHTENED: said("tightened inspection"),
    Severity.REDUCED: said("reduced inspection"),
}
_ATTRIBUTES_SOURCE: Final = said("MIL-STD-105E, tables I, II-A, II-B and II-C (the single plans of ISO 2859-1)")
_ATTRIBUTES_KNOWN: Final = said(
    "read in public copies and recomputed; the rows of the largest samples from memory, by the tables' own pattern"
)
_REDUCED_KNOWN: Final = said("from memory, by the pattern of the tables for normal and tightened inspection")
_LABEL_SOURCE: Final = said("lot table of the quality label for coated architectural aluminium")
_LABEL_KNOWN: Final = said("read, in a public tender text that quotes it")
_BELOW_FLOOR: Final = "pieces below 80 % of the minimum"


def plan_for(
    lot_size: int,
    scheme: Scheme,
    level: Level = Level.II,
    aql: Decimal | None = None,
    severity: Severity = Severity.NORMAL,
) -> Plan:
    """Return the plan for a lot of *lot_size* pieces; *level*, *aql* (percent) and *severity* are for ATTRIBUTES only.

    Where the plan asks for as many pieces as the lot has, or more, every piece is measured (MIL-STD-105E, tables
    II-A and II-B: read). Its acceptance number then stays the table's. A lot of one piece is in no row of the table
    of code letters: that piece is measured and has to conform.

    Level II is the one to use unless another is specified (MIL-STD-105E, from memory).

    Raises:
        ValueError: There is no such plan here: an AQL without a column, a lot without pieces or beyond the label's
            table, attributes without an AQL; or VARIABLES, whose plans :mod:`rules.variables_plan` has.
    """
    if scheme is Scheme.VARIABLES:
        raise ValueError("a plan by variables judges measured values, not pieces; see rules.variables_plan")
    if lot_size < 1:
        raise ValueError(said("a lot has at least one piece, not {n}", n=lot_size))
    if scheme is Scheme.EVERY_PIECE:
        return _every_piece(lot_size)
    if scheme is Scheme.LABEL:
        return _label_plan(lot_size)
    if aql is None:
        raise ValueError(said("sampling by attributes needs an AQL, the acceptable quality limit in percent"))
    return _attributes_plan(lot_size, level, aql, severity)


def _every_piece(lot_size: int) -> Plan:
    return Plan(
        Scheme.EVERY_PIECE,
        n=lot_size,
        accept=0,
        reject=1,
        source=said("as the order says"),
        known=said("common practice, no source"),
        lot_size=lot_size,
        text=said("Every piece of the lot ({n}) is measured; none may be nonconforming.", n=lot_size),
    )


def _label_plan(lot_size: int) -> Plan:
    row = label_lot(lot_size)
    n = lot_size if row.n is None else row.n
    return Plan(
        Scheme.LABEL,
        n=n,
        accept=row.accept,
        reject=row.accept + 1,
        source=_LABEL_SOURCE,
        known=_LABEL_KNOWN,
        lot_size=lot_size,
        text=_label_text(n, lot_size, row.accept),
    )


def _label_text(n: int, lot_size: int, accept: int) -> str:
    if n == lot_size:
        return said(
            "Of a lot of {lot_size}, every piece ({n}); at most {accept} may be rejected.",
            lot_size=lot_size,
            n=n,
            accept=accept,
        )
    return said(
        "Of a lot of {lot_size}, {pieces}, taken at random; at most {accept} may be rejected.",
        lot_size=lot_size,
        pieces=counted(n, "piece"),
        accept=accept,
    )


def _attributes_plan(lot_size: int, level: Level, aql: Decimal, severity: Severity) -> Plan:
    # A lot of one piece is looked up as the smallest of the table; every plan that leads to allows none.
    letter = code_letter(max(lot_size, SMALLEST_LOT), level)
    found = table_plan(letter, aql, severity)
    n = min(found.n, lot_size)
    by = {"inspection": INSPECTIONS[severity], "level": str(level), "aql": percent(Figures(aql)), "letter": letter}
    if found.letter == letter:
        first = said(
            "Single sampling by attributes, {inspection}, level {level}, AQL {aql}: code letter {letter}.", **by
        )
    else:
        first = said(
            "Single sampling by attributes, {inspection}, level {level}, AQL {aql}: code letter {letter}, the plan of "
            "{other}.",
            **by,
            other=found.letter,
        )
    if n == lot_size:
        then = said(
            "Of a lot of {lot_size}, every piece ({n}); accepted with up to {accept} nonconforming, rejected from {reject}.",
            lot_size=lot_size,
            n=n,
            accept=found.accept,
            reject=found.reject,
        )
    else:
        then = said(
            "Of a lot of {lot_size}, {pieces}; accepted with up to {accept} nonconforming, rejected from {reject}.",
            lot_size=lot_size,
            pieces=counted(n, "piece"),
            accept=found.accept,
            reject=found.reject,
        )
    return Plan(
        Scheme.ATTRIBUTES,
        n=n,
        accept=found.accept,
        reject=found.reject,
        source=_ATTRIBUTES_SOURCE,
        known=_REDUCED_KNOWN if severity is Severity.REDUCED else _ATTRIBUTES_KNOWN,
        lot_size=lot_size,
        text=joined([first, then]),
    )


# The lot


def judge_lot(
    plan: Plan, pieces: Sequence[MeasuredPiece], lot_size: int, *, absorb_below_floor: bool = False
) -> list[Finding]:
    """Return what the measured *pieces* of a lot of *lot_size* show about it.

    All measured pieces count, also those beyond the plan's number, for which no more nonconforming ones are allowed.

    Whether the label's allowance of rejected pieces takes in a piece with a measured value under 80 % of the minimum
    is an open question: its published example 4 calls such a piece unsatisfactory, and does not say of the lot. By
    default such a piece rejects the lot. With *absorb_below_floor* it counts as one rejected piece like another, and
    the finding says so. Other plans do not ask.

    Raises:
        ValueError: A piece is there twice, or the lot has no pieces.
    """
    if lot_size < 1:
        raise ValueError(said("a lot has at least one piece, not {n}", n=lot_size))
    names = [piece.piece for piece in pieces]
    if len(set(names)) < len(names):
        twice = sorted({name for name in names if names.count(name) > 1})
        raise ValueError(said("a piece counts once; measured more than once: {pieces}", pieces=listed(twice)))
    failed = [piece for piece in pieces if piece.verdict is Verdict.FAIL]
    decided = sum(piece.verdict is not Verdict.UNDECIDED for piece in pieces)
    # A piece that was measured and is not decided may turn out nonconforming: it must not be the one too many.
    complete = decided >= plan.n and len(failed) + len(pieces) - decided < plan.reject
    findings = [
        *_other_lot(plan, len(pieces), lot_size),
        _measured(plan, pieces, decided, lot_size),
        _nonconforming(plan, failed, decided, complete=complete),
    ]
    if plan.kind is Scheme.LABEL:
        findings.append(_below_floor(failed, complete=complete, absorbed=absorb_below_floor))
    return findings


def _other_lot(plan: Plan, measured: int, lot_size: int) -> Iterator[Finding]:
    if plan.lot_size != lot_size:
        yield Finding(
            Verdict.UNDECIDED,
            "lot size",
            said(
                "the plan is for a lot of {planned}, and this lot has {pieces}: it needs a plan of its own",
                planned=plan.lot_size,
                pieces=counted(lot_size, "piece"),
            ),
            found=Fraction(lot_size),
            limit=Decimal(plan.lot_size),
        )
    if measured > lot_size:
        yield Finding(
            Verdict.UNDECIDED,
            "lot size",
            said(
                "{pieces} measured of a lot that is said to have {lot_size}: one of the two is wrong",
                pieces=counted(measured, "piece"),
                lot_size=lot_size,
            ),
            found=Fraction(measured),
            limit=Decimal(lot_size),
        )


#: By whether enough pieces are decided, and whether the plan asks for every piece.
_DECIDED: Final = {
    (True, True): template("{pieces} of a lot of {lot_size} decided, as many as the plan asks for (all {n})"),
    (True, False): template("{pieces} of a lot of {lot_size} decided, as many as the plan asks for ({n})"),
    (False, True): template("{pieces} of a lot of {lot_size} decided, fewer than the plan asks for (all {n})"),
    (False, False): template("{pieces} of a lot of {lot_size} decided, fewer than the plan asks for ({n})"),
}


def _measured(plan: Plan, pieces: Sequence[MeasuredPiece], decided: int, lot_size: int) -> Finding:
    undecided = [piece.piece for piece in pieces if piece.verdict is Verdict.UNDECIDED]
    enough = decided >= plan.n
    words = _DECIDED[enough, plan.every_piece]
    sentence: str = words(pieces=counted(decided, "piece"), lot_size=lot_size, n=plan.n)
    if undecided:
        neither = said("measured but undecided, so counted as neither: {pieces}", pieces=pieces_named(undecided))
        sentence = joined([sentence, neither], "; ")
    return Finding(
        Verdict.PASS if enough else Verdict.UNDECIDED,
        "pieces measured",
        sentence,
        found=Fraction(decided),
        limit=Decimal(plan.n),
    )


def _nonconforming(plan: Plan, failed: Sequence[MeasuredPiece], decided: int, *, complete: bool) -> Finding:
    found, of_pieces = len(failed), out_of(decided, "piece")
    named = pieces_named([piece.piece for piece in failed])
    sentence: str = (
        said("{n} {of_pieces} nonconforming: {pieces}", n=found, of_pieces=of_pieces, pieces=named)
        if failed
        else said("{n} {of_pieces} nonconforming", n=found, of_pieces=of_pieces)
    )
    if found >= plan.reject:
        verdict = Verdict.FAIL
        decides = said("the plan rejects the lot from {reject}", reject=plan.reject)
    elif not complete:
        verdict = Verdict.UNDECIDED
        decides = said(
            "the plan rejects the lot from {reject}, and too few pieces are decided to accept it", reject=plan.reject
        )
    else:
        verdict = Verdict.PASS
        if found > plan.accept:
            decides = said(
                "between the acceptance number {accept} and the rejection number {reject}: accepted",
                accept=plan.accept,
                reject=plan.reject,
            )
        else:
            decides = said("the plan accepts the lot with up to {accept}", accept=plan.accept)
    sentence = joined([sentence, decides], "; ")
    if verdict is Verdict.PASS and failed:
        apart = said("That does not make these pieces conform: they are set apart")
        sentence = joined([sentence, apart], ". ")
    return Finding(verdict, "nonconforming pieces", sentence, found=Fraction(found), limit=Decimal(plan.accept))


#: Of one piece below the floor, and of several: where the plan takes them in, and where it does not.
_ABSORBED: Final = (
    template(
        "piece {names} has a measured value under 80 % of the minimum; by the shop's choice counted among the rejected "
        "pieces that the table allows"
    ),
    template(
        "pieces {names} have a measured value under 80 % of the minimum; by the shop's choice counted among the rejected "
        "pieces that the table allows"
    ),
)
_NOT_ABSORBED: Final = (
    template(
        "piece {names} has a measured value under 80 % of the minimum; that is not covered by the rejected pieces that "
        "the table allows"
    ),
    template(
        "pieces {names} have a measured value under 80 % of the minimum; that is not covered by the rejected pieces that "
        "the table allows"
    ),
)


def _below_floor(failed: Sequence[MeasuredPiece], *, complete: bool, absorbed: bool) -> Finding:
    below = [piece.piece for piece in failed if piece.below_floor]
    if not below:
        return Finding(
            Verdict.PASS if complete else Verdict.UNDECIDED,
            _BELOW_FLOOR,
            said("no nonconforming piece has a measured value under 80 % of the minimum"),
            found=Fraction(0),
            limit=Decimal(0),
        )
    one, several = _ABSORBED if absorbed else _NOT_ABSORBED
    sentence = (one if len(below) == 1 else several)(names=listed(below))
    if absorbed:
        # Nothing is compared here: as chosen, the piece is among the nonconforming ones that the plan allows for.
        return Finding(
            Verdict.PASS if complete else Verdict.UNDECIDED, _BELOW_FLOOR, sentence, found=Fraction(len(below))
        )
    return Finding(Verdict.FAIL, _BELOW_FLOOR, sentence, found=Fraction(len(below)), limit=Decimal(0))


# From lot to lot

#: MIL-STD-105E, 4.7 and 4.8 (read): lots looked back on, rejected ones among them that lead to tightened inspection,
#: accepted ones in a row that lead back, and lots not accepted on tightened that stop inspection.
LOOK_BACK: Final = 5
REJECTED_TO_TIGHTEN: Final = 2
ACCEPTED_TO_RELAX: Final = 5
REJECTED_TO_STOP: Final = 5
#: ISO 2859-1, switching score. Read: that there is one and that it starts at 0. From memory: these points.
SCORE_TO_REDUCE: Final = 30
SCORE_SMALL_NUMBER: Final = 2
SCORE_ONE_STEP_TIGHTER: Final = 3
#: Acceptance numbers of normal inspection in the order of the tables' diagonal: one step to a tighter AQL in the same
#: row is the number before (recomputed from tables II-A).
NORMAL_NUMBERS: Final = (0, 1, 2, 3, 5, 7, 10, 14, 21)


@dataclass(frozen=True, slots=True)
class LotOutcome:
    """How the inspection of one lot came out.

    Attributes:
        lot: Its name.
        severity: How it was inspected.
        verdict: PASS: accepted; FAIL: not accepted; UNDECIDED: neither was shown.
        accept: Acceptance number of the plan used.
        nonconforming: Nonconforming pieces found.
        resubmitted: It had been inspected before. Only original inspection counts.
        steady: Production was at a steady rate.
        corrected: Before it, the cause of an earlier stop was put right, and the customer agreed that inspection resumes.
    """

    lot: str
    severity: Severity
    verdict: Verdict
    accept: int
    nonconforming: int
    resubmitted: bool = False
    steady: bool = True
    corrected: bool = False


@dataclass(frozen=True, slots=True)
class Standing:
    """Where a series of lots stands, for the lot to come.

    Attributes:
        severity: How the next lot is inspected.
        stopped: Acceptance is stopped until the cause is put right; it resumes on tightened inspection.
        score: Switching score; None while it is not kept (only normal inspection does).
        accepted_in_a_row: Lots accepted one after the other at this severity.
        not_accepted_on_tightened: Lots not accepted since tightened inspection began.
        may_reduce: Reduced inspection could be asked for.
        changes: Each change of severity with its reason, oldest first.
    """

    severity: Severity
    stopped: bool
    score: int | None
    accepted_in_a_row: int
    not_accepted_on_tightened: int
    may_reduce: bool
    changes: tuple[str, ...]


def standing(history: Iterable[LotOutcome], *, reduced_wanted: bool = False) -> Standing:
    """Return where the series stands after *history*, its lots in the order inspected. It begins on normal inspection.

    The changes, with how well each is known, are those of MIL-STD-105E 4.7 and 4.8 (read):

    * normal to tightened: two of up to five consecutive lots not accepted;
    * tightened to normal: five consecutive lots accepted;
    * reduced to normal: a lot not accepted, or accepted only between the acceptance and the rejection number, or
      production not steady;
    * stop: five lots not accepted in all while on tightened; after correction it resumes on tightened;

    except normal to reduced, which goes by the switching score of ISO 2859-1 (from memory): with an acceptance number
    of 0 or 1 an accepted lot adds 2; with 2 or more, a lot that would also be accepted with the AQL one step tighter
    adds 3; any other lot sets the score to 0. From 30, with steady production, reduced inspection may be used where
    it is wanted. The limit numbers that MIL-STD-105E uses instead are not held here.

    Choices of our own: an UNDECIDED lot is not accepted and not rejected. It breaks a row of accepted lots, sets the
    score to 0, ends reduced inspection, and does not stand in the way of two rejected lots meeting in five. Every
    count begins anew with each change of severity.

    Raises:
        ValueError: A lot was inspected otherwise than the lots before it ask, or after a stop without correction.
    """
    now = Standing(Severity.NORMAL, False, 0, 0, 0, False, ())
    recent: tuple[bool, ...] = ()
    for lot in history:
        if lot.resubmitted:
            continue
        if now.stopped:
            now = _resumed(now, lot)
        if lot.severity is not now.severity:
            raise ValueError(f"lot {lot.lot} was inspected as {lot.severity}; {now.severity} inspection was due")
        before = now.severity
        if before is Severity.NORMAL:
            if lot.verdict is not Verdict.UNDECIDED:
                recent = (*recent, lot.verdict is Verdict.FAIL)[-LOOK_BACK:]
            now = _after_normal(now, lot, sum(recent), reduced_wanted=reduced_wanted)
        elif before is Severity.TIGHTENED:
            now = _after_tightened(now, lot)
        else:
            now = _after_reduced(now, lot)
        if now.severity is not before:
            recent = ()
    return now


def _after_normal(now: Standing, lot: LotOutcome, rejected: int, *, reduced_wanted: bool) -> Standing:
    if rejected >= REJECTED_TO_TIGHTEN:
        change = said(
            "after lot {lot}: tightened inspection, {n} of at most {most} consecutive lots not accepted",
            lot=lot.lot,
            n=rejected,
            most=LOOK_BACK,
        )
        return _changed(now, Severity.TIGHTENED, change)
    points = _points(lot)
    score = (now.score or 0) + points if points else 0
    may_reduce = score >= SCORE_TO_REDUCE and lot.steady
    if may_reduce and reduced_wanted:
        change = said(
            "after lot {lot}: reduced inspection, switching score {score}, at least {least}",
            lot=lot.lot,
            score=score,
            least=SCORE_TO_REDUCE,
        )
        return _changed(now, Severity.REDUCED, change)
    return Standing(now.severity, False, score, _row(now, lot), 0, may_reduce, now.changes)


def _after_tightened(now: Standing, lot: LotOutcome) -> Standing:
    row = _row(now, lot)
    if row >= ACCEPTED_TO_RELAX:
        change = said("after lot {lot}: normal inspection, {n} consecutive lots accepted", lot=lot.lot, n=row)
        return _changed(now, Severity.NORMAL, change)
    failed = now.not_accepted_on_tightened + (lot.verdict is Verdict.FAIL)
    stopped = failed >= REJECTED_TO_STOP
    changes = now.changes
    if stopped:
        stop = said("after lot {lot}: stopped, {n} lots not accepted on tightened inspection", lot=lot.lot, n=failed)
        changes = (*changes, stop)
    return Standing(now.severity, stopped, None, row, failed, False, changes)


def _after_reduced(now: Standing, lot: LotOutcome) -> Standing:
    change = None
    if lot.verdict is Verdict.FAIL:
        change = said("after lot {lot}: normal inspection, lot not accepted", lot=lot.lot)
    elif lot.verdict is not Verdict.PASS:
        change = said("after lot {lot}: normal inspection, lot undecided", lot=lot.lot)
    elif lot.nonconforming > lot.accept:
        change = said(
            "after lot {lot}: normal inspection, accepted only between the acceptance and the rejection number, with {n} "
            "nonconforming",
            lot=lot.lot,
            n=lot.nonconforming,
        )
    elif not lot.steady:
        change = said("after lot {lot}: normal inspection, production not steady", lot=lot.lot)
    if change is not None:
        return _changed(now, Severity.NORMAL, change)
    return Standing(now.severity, False, None, _row(now, lot), 0, False, now.changes)


def _resumed(now: Standing, lot: LotOutcome) -> Standing:
    if not lot.corrected:
        raise ValueError(f"acceptance was stopped before lot {lot.lot}, and nothing is said to have been put right")
    return Standing(
        Severity.TIGHTENED,
        False,
        None,
        0,
        0,
        False,
        (*now.changes, said("before lot {lot}: resumed on tightened inspection after correction", lot=lot.lot)),
    )


def _changed(now: Standing, severity: Severity, change: str) -> Standing:
    score = 0 if severity is Severity.NORMAL else None
    return Standing(severity, False, score, 0, 0, False, (*now.changes, change))


def _row(now: Standing, lot: LotOutcome) -> int:
    return now.accepted_in_a_row + 1 if lot.verdict is Verdict.PASS else 0


def _points(lot: LotOutcome) -> int:
    """Return what a lot adds to the switching score; 0 where it sets it back."""
    if lot.verdict is not Verdict.PASS:
        return 0
    if lot.accept < NORMAL_NUMBERS[2]:
        return SCORE_SMALL_NUMBER
    tighter = max(number for number in NORMAL_NUMBERS if number < lot.accept)
    return SCORE_ONE_STEP_TIGHTER if lot.nonconforming <= tighter else 0


# Which pieces

_DRAW_LABEL: Final = b"filmtally draw 1"


@dataclass(frozen=True, slots=True)
class Drawn:
    """A sample as it was drawn before measuring; lot size and seed are enough to draw it again.

    Attributes:
        seed: What it was drawn with.
        lot_size: Pieces of the lot, numbered from 1.
        n: Pieces drawn.
    """

    seed: str
    lot_size: int
    n: int

    def __post_init__(self) -> None:
        """Raise a ValueError where the numbers are no draw, or the seed is not one word."""
        if not 1 <= self.n <= self.lot_size or not _SEED.fullmatch(self.seed):
            raise ValueError(f"{self.n} of {self.lot_size} pieces with the seed {self.seed!r} is no draw")

    @property
    def pieces(self) -> tuple[int, ...]:
        """Return the numbers of the pieces drawn, ascending."""
        return draw(self.lot_size, self.n, self.seed)

    def as_note(self) -> str:
        """Return it as a note that an inspection keeps; :func:`drawn_of` reads it."""
        return f"{_NOTE}{self.seed}: {self.n} of {counted(self.lot_size, 'piece')}"


def drawn_of(notes: Iterable[str]) -> Drawn | None:
    """Return the sample that the last such note tells of, or None."""
    found = None
    for text in notes:
        match = _NOTED.fullmatch(text.strip())
        if match is not None and 1 <= int(match["n"]) <= int(match["lot_size"]):
            found = Drawn(match["seed"], int(match["lot_size"]), int(match["n"]))
    return found


_SEED: Final = re.compile(r"[!-~]{1,60}")
_NOTE: Final = "sample drawn before measuring, seed "
_NOTED: Final = re.compile(
    rf"{_NOTE}(?P<seed>[!-~]{{1,60}}): (?P<n>[0-9]{{1,7}}) of (?P<lot_size>[0-9]{{1,7}}) pieces?"
)


def draw(lot_size: int, n: int, seed: str) -> tuple[int, ...]:
    """Return the numbers of *n* pieces to be measured of a lot numbered 1 to *lot_size*, ascending.

    Drawn without replacement, every set of *n* pieces as likely as another over the seeds. The same lot size and seed
    give the same pieces on any computer, and a larger *n* keeps the pieces of a smaller one. Whoever draws says
    the seed before the pieces are seen, and writes it down: a seed that is tried until the draw pleases is no draw.

    The draw is the first *n* steps of a Fisher-Yates shuffle of 1 to *lot_size*. Step i takes its random number, from
    0 up to what is left, from SHA-256 of a label, the lot size, the seed and a counter, as a 256-bit integer; integers
    beyond the last whole multiple of the range are passed over, so that no piece is favoured.

    Raises:
        ValueError: The lot has fewer than *n* pieces, or *n* is negative.
    """
    if not 0 <= n <= lot_size:
        raise ValueError(f"from a lot of {lot_size}, 0 to {lot_size} pieces can be drawn, not {n}")
    blocks = _blocks(lot_size, seed)
    # Only the places that were swapped are kept: the lot may be large and the sample small.
    moved: dict[int, int] = {}
    drawn = []
    for i in range(n):
        j = i + _below(lot_size - i, blocks)
        drawn.append(moved.get(j, j) + 1)
        moved[j] = moved.get(i, i)
    return tuple(sorted(drawn))


def _blocks(lot_size: int, seed: str) -> Iterator[int]:
    text = seed.encode("utf-8")
    # Lengths first, so that no two different inputs are hashed as the same bytes.
    start = _DRAW_LABEL + lot_size.to_bytes(8, "big") + len(text).to_bytes(8, "big") + text
    counter = 0
    while True:
        yield int.from_bytes(hashlib.sha256(start + counter.to_bytes(8, "big")).digest(), "big")
        counter += 1


def _below(limit: int, blocks: Iterator[int]) -> int:
    whole = (1 << 256) // limit * limit
    return next(block for block in blocks if block < whole) % limit

"""What an assessment says: the values that pass from the rules to whoever prints them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from enum import StrEnum
from fractions import Fraction

from rules.lot_judgement import LotStatement
from rules.uncertainty import Budget
from rules.verdict import Finding, Verdict
from schemas.units import Unit
from schemas.vocabulary import Role


class GateState(StrEnum):
    """What the checks show about the gauge at the moment of a reading."""

    COVERED = "covered"
    OPEN = "open"
    UNCOVERED = "uncovered"
    SUSPECT = "suspect"


@dataclass(frozen=True, slots=True)
class ReadingCoverage:
    """What the gate says of one reading.

    Attributes:
        reading_no: The reading.
        state: Its state.
        reason: Why, in one sentence; the same text for every reading that shares it.
        opening_check_id: The last verification before it, or None.
        closing_check_id: The first verification after it, or None.
    """

    reading_no: int
    state: GateState
    reason: str
    opening_check_id: str | None
    closing_check_id: str | None


@dataclass(frozen=True, slots=True)
class CheckSummary:
    """A check as it is cited: its identity, when, by whom, on what, and whether it passed."""

    check_id: str
    kind: str
    occasion: str | None
    done_at: datetime
    done_by: str
    passed: bool | None
    standards: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Coverage:
    """What the gate says of an inspection.

    Attributes:
        state: The worst state among the readings: suspect, then uncovered, then open, then covered.
        sentence: What holds and what to do, naming checks and the number of readings concerned.
        readings: One entry per counted reading.
        opening: The check that opens the run; None where there is none.
        closing: The check that closes it; None where there is none yet.
        last_good: The last check that passed before a failed one; None where nothing failed or none passed.
        doubtful: How many counted readings are not covered.
    """

    state: GateState
    sentence: str
    readings: tuple[ReadingCoverage, ...]
    opening: CheckSummary | None
    closing: CheckSummary | None
    last_good: CheckSummary | None
    doubtful: int


@dataclass(frozen=True, slots=True)
class RuleStatement:
    """An acceptance rule as it is stated: what it asks, where it is from, how well that is known.

    Attributes:
        edition: As the order states it.
        seen: Which edition was seen here, and in what form.
    """

    name: str
    title: str
    text: str
    source: str
    edition: str | None
    known: str
    seen: str


@dataclass(frozen=True, slots=True)
class LocationResult:
    """The build at one location, over all pieces measured, in the unit of the specification.

    Attributes:
        builds: Every counted film build, exact, in the order taken.
        excluded: How many readings there are kept but not judged (base metal readings left out).
        mean, least, greatest: Of the builds, exact; None where there is none.
        deviation: Standard deviation (n - 1); None under two builds.
        verdict: What the findings show; UNDECIDED where there is none.
        findings: What was compared here, per piece where the rule works per piece.
        uncertainty: Of the mean of all builds here, in µm; None where too little is known for one.
        one_reading: The same of one reading.
        risk: Largest specific risk of a wrong decision here, where uncertainty matters; else None.
        risk_sentence: That risk in words; empty where there is none.
    """

    location: str
    role: Role
    lower: Decimal | None
    target_low: Decimal | None
    target_high: Decimal | None
    upper: Decimal | None
    builds: tuple[Fraction, ...]
    excluded: int
    mean: Fraction | None
    least: Fraction | None
    greatest: Fraction | None
    deviation: Decimal | None
    verdict: Verdict
    findings: tuple[Finding, ...]
    uncertainty: Budget | None = None
    one_reading: Budget | None = None
    risk: Decimal | None = None
    risk_sentence: str = ""

    @property
    def conditional(self) -> bool:
        """Return whether it conforms with a word to it: a number lies in the guard band of its limit."""
        return self.verdict is Verdict.PASS and any(f.conditional for f in self.findings)


class Action(StrEnum):
    """What can be done with a part."""

    ACCEPT = "accept"
    REMEASURE = "measure again"
    SORT = "sort the lot"
    CONCESSION = "ask for a concession"
    TOUCH_UP = "touch up"
    REWORK = "rework the feature"
    RECOAT = "scuff and recoat"
    STRIP = "strip and redo"
    STOP = "stop and ask"


@dataclass(frozen=True, slots=True)
class Caution:
    """A usual caution, with the authority that publishes it and how well that is known.

    Attributes:
        source: Where it was read or how it came to be known here, spelled out.
        seen: The day on which that was looked at, as YYYY-MM-DD.
    """

    text: str
    authority: str
    known: str
    source: str = ""
    seen: str = ""


@dataclass(frozen=True, slots=True)
class Advice:
    """What to do, why, what to ask before, and the cautions that go with it. Never a recipe.

    Attributes:
        reasons: What was found, and the sums that the advice rests on.
        ask_first: Questions to be answered before anything is done.
        rank: Its place among what can be done with these pieces: 1 is the mildest that is possible.
        test: The test that decides here and how it came out, in a sentence; empty where there is none.
        ruled_out: What cannot be done with these pieces, each with why; stands with rank 1 alone.
        notes: What is good to know and is neither a reason nor a question.
    """

    action: Action
    sentence: str
    reasons: tuple[str, ...] = ()
    ask_first: tuple[str, ...] = ()
    cautions: tuple[Caution, ...] = ()
    rank: int = 1
    test: str = ""
    ruled_out: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Assessment:
    """Everything decided about one inspection.

    Attributes:
        unit: Unit of the specification; every thickness here is in it.
        conformity: What the readings show by the rule, the gauge aside.
        verdict: What is decided: conformity where the gate says covered, else UNDECIDED.
        lot_findings: Findings about more than one location: pieces measured, part means. Where the job samples its lot
            these decide, and those of single pieces say which are set apart.
        lot: The plan of the lot; None where the job names none.
        piece_findings: Where the job samples its lot: what was found about a piece as a whole.
        correction: What was done about the error at verification, in words; empty where it is carried.
    """

    unit: Unit
    rule: RuleStatement
    locations: tuple[LocationResult, ...]
    lot_findings: tuple[Finding, ...]
    coverage: Coverage
    conformity: Verdict
    verdict: Verdict
    advice: tuple[Advice, ...]
    lot: LotStatement | None = None
    piece_findings: tuple[Finding, ...] = ()
    correction: str = ""

    @property
    def about_pieces(self) -> tuple[Finding, ...]:
        """Return every finding that names a piece."""
        every = [f for place in self.locations for f in place.findings]
        return tuple(f for f in (*every, *self.lot_findings, *self.piece_findings) if f.piece is not None)

    @property
    def set_apart(self) -> tuple[str, ...]:
        """Return the pieces that do not conform although their lot is accepted."""
        if self.lot is None or self.conformity is not Verdict.PASS:
            return ()
        return tuple(dict.fromkeys(f.piece for f in self.about_pieces if f.piece and f.verdict is Verdict.FAIL))

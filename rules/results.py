"""What an assessment says: the values that pass from the rules to whoever prints them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from enum import StrEnum
from fractions import Fraction

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
    """An acceptance rule as it is stated: what it asks, where it is from, how well that is known."""

    name: str
    title: str
    text: str
    source: str
    edition: str | None
    known: str


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

    @property
    def conditional(self) -> bool:
        """Return whether it conforms with a word to it: a number lies in the guard band of its limit."""
        return self.verdict is Verdict.PASS and any(f.conditional for f in self.findings)


class Action(StrEnum):
    """What can be done with a part."""

    ACCEPT = "accept"
    REMEASURE = "measure again"
    CONCESSION = "ask for a concession"
    REWORK = "rework the feature"
    RECOAT = "scuff and recoat"
    STRIP = "strip and redo"
    STOP = "stop and ask"


@dataclass(frozen=True, slots=True)
class Caution:
    """A usual caution, with the authority that publishes it and how well that is known."""

    text: str
    authority: str
    known: str


@dataclass(frozen=True, slots=True)
class Advice:
    """What to do, why, what to ask before, and the cautions that go with it. Never a recipe."""

    action: Action
    sentence: str
    reasons: tuple[str, ...] = ()
    ask_first: tuple[str, ...] = ()
    cautions: tuple[Caution, ...] = ()


@dataclass(frozen=True, slots=True)
class Assessment:
    """Everything decided about one inspection.

    Attributes:
        unit: Unit of the specification; every thickness here is in it.
        conformity: What the readings show by the rule, the gauge aside.
        verdict: What is decided: conformity where the gate says covered, else UNDECIDED.
        lot_findings: Findings about more than one location: pieces measured, part means.
    """

    unit: Unit
    rule: RuleStatement
    locations: tuple[LocationResult, ...]
    lot_findings: tuple[Finding, ...]
    coverage: Coverage
    conformity: Verdict
    verdict: Verdict
    advice: tuple[Advice, ...]

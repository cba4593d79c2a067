"""The verdict with three values, and the finding that carries the numbers that it compared."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from decimal import Decimal
from enum import IntEnum
from fractions import Fraction


class Verdict(IntEnum):
    """Ordered so that the larger is the one to heed."""

    PASS = 1
    UNDECIDED = 2
    FAIL = 3


@dataclass(frozen=True, slots=True)
class Guard:
    """What a finding was decided with, in the unit of the specification.

    Attributes:
        value: The value that decided: of all that were asked the same, the one that its guard band leaves least room.
        expanded: Its expanded uncertainty U.
        width: Width w = r·U of the guard band.
        acceptance: The limit moved inwards by it.
    """

    value: Fraction
    expanded: Fraction
    width: Fraction
    acceptance: Fraction


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that was compared, and what came out.

    Attributes:
        verdict: What it shows.
        check: What was compared, in a few words: "lowest reading", "mean of the location".
        sentence: The finding spelled out with its numbers and unit, for a person.
        location: Location that it is about; None where it is about more.
        piece: Piece that it is about; None where it is about more.
        found: The number found, in the unit of the specification or a share of 1; exact.
        limit: What it was compared with, in the same; None where nothing was compared.
        low: Whether *limit* is a lower one; None where *found* is no film build.
        averaged: How many readings *found* is the mean of.
        conditional: Whether it passes, or fails, within a guard band only (ILAC-G8, four outcomes).
        among: Where *found* is the lowest or the highest of several that are asked the same: all of them.
        guard: The guard band that decided; None where none did.
    """

    verdict: Verdict
    check: str
    sentence: str
    location: str | None = None
    piece: str | None = None
    found: Fraction | None = None
    limit: Decimal | Fraction | None = None
    low: bool | None = None
    averaged: int = 1
    conditional: bool = False
    among: tuple[Fraction, ...] = field(default=(), repr=False, compare=False)
    guard: Guard | None = None

    @property
    def by_guard_band(self) -> bool:
        """Return whether it fails although the number lies within its limit: for want of certainty, not of film."""
        if self.verdict is not Verdict.FAIL or self.low is None or self.found is None or self.limit is None:
            return False
        limit = Fraction(self.limit)
        return self.found >= limit if self.low else self.found <= limit


def overall(findings: Iterable[Finding]) -> Verdict:
    """Return the verdict to heed. With no findings, nothing has been shown: UNDECIDED."""
    return max((f.verdict for f in findings), default=Verdict.UNDECIDED)

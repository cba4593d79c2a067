"""What one party found on a part, location by location, and how uncertain it says that is; thicknesses in µm, exact.

The rest of rules/ asks whether a part conforms. Here and in rules.party_comparison and rules.party_explanations two parties
have measured one part, and the question is whether they differ. Every uncertainty here is expanded with k = 2, as the
normalized error asks (see rules.normalized_error); where readings are few it is that of Student's t for the same probability.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from decimal import Decimal
from fractions import Fraction
from functools import cached_property

from rules.results import GateState
from rules.statistics import mean, square_root, variance
from rules.uncertainty import (
    TWO_SIGMA,
    Budget,
    Component,
    Kind,
    Spread,
    budget,
    nearest_decimal,
    rectangular,
)
from schemas.units import Unit

Number = Decimal | Fraction


@dataclass(frozen=True, slots=True)
class Stated:
    """An expanded uncertainty that somebody stated beside the figures, k = 2; whatever the figures are."""

    expanded_um: Decimal

    def expanded(self, centre_um: Fraction, averaged: int) -> Decimal:
        """Return it; how thick, and of how many readings, makes no difference."""
        return self.expanded_um

    def standard_part(self, averaged: int) -> Decimal | None:
        """Return None: it is not known what of it the standard brings."""
        return None

    def scaled(self, factor: Fraction) -> Stated:
        """Return it as it is: it was stated in a unit of its own."""
        return self


@dataclass(frozen=True, slots=True)
class Accurate:
    """An accuracy statement ± (a + b·t) of the gauge, with what the figures themselves show.

    Attributes:
        accuracy_um: a.
        accuracy_percent: b, in percent.
        step_um: Last place that was shown.
        spread: How readings repeat; None where no location has two.
    """

    accuracy_um: Decimal
    accuracy_percent: Decimal
    step_um: Fraction
    spread: Spread | None

    def expanded(self, centre_um: Fraction, averaged: int) -> Decimal:
        """Return the expanded uncertainty (k = 2) of the mean of *averaged* readings of about *centre_um*."""
        return self.budget(centre_um, averaged).expanded

    def budget(self, centre_um: Fraction, averaged: int) -> Budget:
        """Return repeatability, resolution and accuracy as one budget; rectangular where they are bounds (GUM 4.3.7)."""
        bound = Fraction(self.accuracy_um) + abs(centre_um) * Fraction(self.accuracy_percent) / 100
        components = [
            Component("resolution", rectangular(self.step_um / 2), None, "last place shown", Kind.B),
            Component("gauge accuracy", rectangular(bound), None, "as stated, rectangular", Kind.B),
        ]
        if self.spread is not None:
            size = square_root(self.spread.variance / averaged)
            said = f"s of {self.spread.of}, mean of {averaged}"
            components.insert(0, Component("repeatability", size, self.spread.degrees, said, Kind.A))
        return budget(components, TWO_SIGMA)

    def standard_part(self, averaged: int) -> Decimal | None:
        """Return None: it is not known what of it the standard brings."""
        return None

    def scaled(self, factor: Fraction) -> Accurate:
        """Return it for figures that were meant *factor* times as large; the accuracy was stated in a unit of its own."""
        spread = self.spread and replace(self.spread, variance=self.spread.variance * factor**2)
        return replace(self, step_um=self.step_um * factor, spread=spread)


@dataclass(frozen=True, slots=True)
class Budgeted:
    """The budgets of a certificate: of the mean, and of one reading where that is known."""

    of_mean: Budget
    of_one: Budget | None
    times: Fraction = Fraction(1)

    def expanded(self, centre_um: Fraction, averaged: int) -> Decimal:
        """Return the expanded uncertainty (k = 2) of the mean, or of one reading where one is asked for and known."""
        return self._sized(self._of(averaged).expanded)

    def standard_part(self, averaged: int) -> Decimal | None:
        """Return what of :meth:`expanded` the standard brings."""
        of = self._of(averaged)
        found = [c.standard for c in of.components if c.name == "standard"]
        return self._sized(nearest_decimal(Fraction(found[0]) * Fraction(of.factor))) if found else None

    def scaled(self, factor: Fraction) -> Budgeted:
        """Return the budgets for figures that were meant *factor* times as large."""
        return replace(self, times=self.times * factor)

    def _of(self, averaged: int) -> Budget:
        return self.of_one if averaged == 1 and self.of_one is not None else self.of_mean

    def _sized(self, expanded: Decimal) -> Decimal:
        return expanded if self.times == 1 else nearest_decimal(Fraction(expanded) * self.times)


def budgeted(of_mean: Budget, of_one: Budget | None) -> Budgeted:
    """Return the budgets of a certificate with k = 2, whatever probability the certificate prints them for."""
    return Budgeted(
        budget(of_mean.components, TWO_SIGMA), None if of_one is None else budget(of_one.components, TWO_SIGMA)
    )


Terms = Stated | Accurate | Budgeted


@dataclass(frozen=True)
class Result:
    """What one party found at one location.

    Attributes:
        builds_um: The figures: film builds, with what lay there before coating subtracted where the party does so.
        count: How many readings there are behind their mean; more than there are figures where the party gives a mean alone.
        terms: How uncertain; None where the party does not say.
        subtracted_um: What the party has subtracted for the metal or zinc below; None where nothing, as far as is known.
        gauge_error_um: Error that the party's gauge checks found nearest to this thickness and that was not corrected for;
            None where no check is known.
        standard: The standard that the gauge was checked on, by its serial; None where that is not known.
        lower_um, upper_um: Limits of the specification, as this party has them.
    """

    builds_um: tuple[Fraction, ...]
    count: int
    terms: Terms | None = None
    subtracted_um: Fraction | None = None
    gauge_error_um: Fraction | None = None
    standard: str | None = None
    lower_um: Fraction | None = None
    upper_um: Fraction | None = None

    def __post_init__(self) -> None:
        if not self.builds_um or self.count < len(self.builds_um):
            raise ValueError("a result has at least one figure, and a reading behind each")

    @cached_property
    def centre_um(self) -> Fraction:
        """Return the mean, exactly."""
        return mean(self.builds_um)

    @cached_property
    def variance_um2(self) -> Fraction | None:
        """Return the variance of one reading here (n - 1), exactly; None where a single figure shows none."""
        return variance(self.builds_um) if len(self.builds_um) > 1 else None

    @cached_property
    def expanded_um(self) -> Decimal | None:
        """Return the expanded uncertainty (k = 2) of the mean; None where it is not known."""
        return None if self.terms is None else self.terms.expanded(self.centre_um, self.count)

    @cached_property
    def standard_part_um(self) -> Decimal | None:
        """Return what of it the standard brings; None where that is not known."""
        return None if self.terms is None else self.terms.standard_part(self.count)

    def moved(self, by_um: Fraction) -> Result:
        """Return this result with *by_um* added to every figure; its uncertainty stays."""
        return replace(self, builds_um=tuple(b + by_um for b in self.builds_um))

    def scaled(self, factor: Fraction) -> Result:
        """Return this result with every figure *factor* times as large."""
        terms = None if self.terms is None else self.terms.scaled(factor)
        return replace(self, builds_um=tuple(b * factor for b in self.builds_um), terms=terms)

    def single(self, build_um: Fraction) -> Result:
        """Return *build_um*, one reading of these, as the result."""
        return replace(self, builds_um=(build_um,), count=1)


@dataclass(frozen=True, slots=True)
class Checked:
    """What is known of a party's gauge checks: what they show, and in a sentence."""

    state: GateState | None
    sentence: str


@dataclass(frozen=True, slots=True)
class Party:
    """One party and what it found.

    Attributes:
        name: What it is called in sentences.
        results: By location, in the party's order.
        unit: The unit its figures were given in.
        unit_recorded: Whether the unit was recorded with each reading; else somebody has stated it.
        checked: What is known of its gauge checks.
        says_subtracted: Whether it is on record what the party subtracted for the metal below; else nobody has said.
        judges: Its acceptance rule, in words; empty where it names none.
        pieces: Where the mean is over several pieces and the other party does not say which it measured: each piece's own
            results.
        printed_coverage: The probability that the uncertainties on the party's own paper are for; None where that is not known.
    """

    name: str
    results: Mapping[str, Result]
    unit: Unit
    unit_recorded: bool
    checked: Checked
    says_subtracted: bool = False
    judges: str = ""
    pieces: Mapping[str, Mapping[str, Result]] = field(default_factory=dict)
    printed_coverage: Decimal | None = None


def pooled(groups: Sequence[Sequence[Fraction]]) -> Spread | None:
    """Return how readings repeat within *groups*, pooled; None where no group has two."""
    degrees = sum(len(g) - 1 for g in groups if len(g) > 1)
    if not degrees:
        return None
    total = sum((variance(g) * (len(g) - 1) for g in groups if len(g) > 1), Fraction(0))
    return Spread(total / degrees, degrees, f"{sum(map(len, groups))} readings within {len(groups)} locations")

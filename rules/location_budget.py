"""What the uncertainty at one location is worked out from, and which spread is its repeatability.

Readings lie within spots and spots within pieces, and a result repeats as well as whatever it is an average over:

* one reading stands for the film at its own point, so it repeats as the gauge does on a standard: as the readings on the
  standards of the opening check differ, pooled. That the film differs from point to point is the film;
* the mean of one spot: as readings of one spot differ;
* the mean over several spots of a piece: as spot means of one piece differ, so that three readings in a spot do not
  count as three independent ones. With equal numbers this is the mean square between spots over the number of readings
  averaged (nested analysis of variance, see rules.variation; textbook, from memory);
* where no spot has two readings: as the readings of one piece differ.

How well the gauge reads depends on the thickness: its accuracy statement, the standard that lies nearest and the error
found there are those at the value that is judged, be that one reading or a mean, and not those at the mean of its
neighbours. Only repeatability is taken from them.

That pieces differ from each other is what the pieces are, and no uncertainty of measurement. Only where no piece has
two readings is the spread of all taken, which is too large rather than too small.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from fractions import Fraction
from functools import cached_property

from rules.statistics import mean, square_root, variance
from rules.uncertainty import (
    COMPONENTS,
    USUAL_COVERAGE,
    Budget,
    GaugeKnowledge,
    Spread,
    film_build_budget,
    pooled_variance,
)
from rules.wording import counted

#: Film builds in µm by piece and spot.
Nest = tuple[tuple[tuple[Fraction, ...], ...], ...]


@dataclass(frozen=True)
class LocationKnowledge:
    """What the uncertainty at one location is worked out from; all in µm.

    Attributes:
        nest_um: Every counted film build there, piece by piece, spot by spot; two or more in all.
        per_spot: Readings of a spot, as the job plans them.
        gauge: The gauge, as its opening check and its accuracy statement show it at the mean of the readings.
        base_um: Readings whose mean is subtracted there; none where nothing is.
        on_standards: How readings on the standards of the opening check repeat; None where each was read once.
        shared: Correlation of what is systematic in a reading and in the reading subtracted: 1 where one gauge took
            both with no adjustment between.
        fixed_um: What is subtracted from every reading there for its roughness, as ISO 19840 allows.
        gauge_at: From a thickness in µm, what was subtracted included, to what is known of the gauge there; None: it is
            the same at every thickness.
    """

    nest_um: Nest
    per_spot: int
    gauge: GaugeKnowledge
    base_um: tuple[Fraction, ...] = ()
    on_standards: Spread | None = None
    shared: Decimal = Decimal(0)
    fixed_um: Fraction = Fraction(0)
    gauge_at: Callable[[Fraction], GaugeKnowledge] | None = field(default=None, repr=False, compare=False)
    # Many findings of a location ask for the budget of one value.
    _found: dict[tuple[int, Decimal, Fraction | None], Budget] = field(
        default_factory=dict, init=False, repr=False, compare=False
    )

    @cached_property
    def builds_um(self) -> tuple[Fraction, ...]:
        """Return all builds, in order."""
        return tuple(build for piece in self.nest_um for spot in piece for build in spot)

    def gauge_alone(self) -> Fraction:
        """Return the expanded uncertainty (k = 2), in µm, that the gauge alone brings to the mean of all builds here.

        That is all of the budget but how the film readings repeat. What is subtracted belongs to it, since it moves every
        build here alike; a single base metal reading has the spread that the budget gives it.
        """
        found = self.budget(len(self.builds_um), USUAL_COVERAGE)
        parts = [Fraction(c.standard) ** 2 for c in found.components if c.name != COMPONENTS[0]]
        if len(self.base_um) == 1:
            parts.append(repeatability(self.nest_um, over_spots=len(self.builds_um) > self.per_spot).variance)
        return Fraction(2 * square_root(sum(parts, Fraction(0))))

    def budget(self, averaged: int, coverage: Decimal, at_um: Fraction | None = None) -> Budget:
        """Return the budget of the mean of *averaged* readings here, in µm.

        Args:
            averaged: How many readings the value is the mean of.
            coverage: Probability that the expanded uncertainty covers.
            at_um: The value, a film build; None: the mean of all builds here.
        """
        key = (averaged, coverage, at_um)
        if key not in self._found:
            self._found[key] = self._budget(averaged, coverage, at_um)
        return self._found[key]

    def _budget(self, averaged: int, coverage: Decimal, at_um: Fraction | None) -> Budget:
        spread = self.on_standards if averaged == 1 else None
        gauge = self.gauge
        if at_um is not None and self.gauge_at is not None:
            gauge = self.gauge_at(at_um + self.fixed_um + (mean(self.base_um) if self.base_um else 0))
        return film_build_budget(
            self.builds_um,
            averaged,
            gauge,
            self.base_um,
            coverage,
            shared=self.shared,
            spread=spread or repeatability(self.nest_um, over_spots=averaged > self.per_spot),
            at_um=(mean(self.builds_um) if at_um is None else at_um) + self.fixed_um,
        )


def repeatability(nest_um: Nest, *, over_spots: bool) -> Spread:
    """Return the variance of one reading that the mean of readings repeats by, with its degrees of freedom.

    Args:
        nest_um: Builds in µm by piece and spot.
        over_spots: Whether the result is a mean over several spots of a piece.

    Raises:
        ValueError: There are fewer than two builds.
    """
    # A piece all of whose readings here were left out stands in the nest and says nothing of how readings repeat.
    pieces = [spots for piece in nest_um if (spots := [spot for spot in piece if spot])]
    several = any(len(spot) > 1 for piece in pieces for spot in piece)
    if several and over_spots and any(len(piece) > 1 for piece in pieces):
        square, degrees = _between_spots(pieces)
        return Spread(square, degrees, f"spots within {counted(len(pieces), 'piece')}")
    if several:
        square, degrees = pooled_variance(spot for piece in pieces for spot in piece)
        return Spread(square, degrees, f"readings within {counted(sum(map(len, pieces)), 'spot')}")
    flat = [[build for spot in piece for build in spot] for piece in pieces]
    if any(len(piece) > 1 for piece in flat):
        square, degrees = pooled_variance(flat)
        return Spread(square, degrees, f"readings within {counted(len(flat), 'piece')}")
    every = [build for piece in flat for build in piece]
    return Spread(variance(every), len(every) - 1, f"{counted(len(every), 'reading')}, one a piece")


def _between_spots(pieces: Sequence[Sequence[Sequence[Fraction]]]) -> tuple[Fraction, int]:
    """Return the mean square between spots within pieces, weighted by readings."""
    total, degrees = Fraction(0), 0
    for piece in pieces:
        centre = mean([build for spot in piece for build in spot])
        total += sum((len(spot) * (mean(spot) - centre) ** 2 for spot in piece), Fraction(0))
        degrees += len(piece) - 1
    return total / degrees, degrees

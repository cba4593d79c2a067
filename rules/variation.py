"""Where film build varies: between pieces, between locations, between spots, or from reading to reading.

A nested analysis of variance. Readings lie within spots, spots within locations, locations within pieces, and a
location here belongs to its piece: "front face" of one piece and of the next count as two. Every level is taken as a
random sample. A location that is thinner on every piece alike shows between locations, not as an effect of its own.

Sums of squares and mean squares are exact, and so are the components, in the unit of the builds squared.

What is known:

* Sums of squares and degrees of freedom: from the definition. They agree with published tables and with statsmodels.
* Components by the method of moments: each mean square is set equal to its expectation. The expectations for unequal
  numbers are those of the completely nested classification by Gates and Shiue (Biometrics 18, 1962), which are also
  what Satterthwaite's test starts from: abstract read, formula from memory. Each coefficient is recomputed in the
  tests as an exact expectation, from the definition.
* An estimate may come out below zero. It is kept as it came out, the component that is reported is 0, and the other
  estimates are left as they are: common practice, no source.

Not here: tests of significance and intervals. With unequal numbers no exact test of the upper levels exists, and the
readings of one job are seldom enough for an approximate one.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence, Sized
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from fractions import Fraction
from itertools import pairwise
from math import lcm
from typing import Final

from rules.statistics import square_root

Builds = Mapping[str, Mapping[str, Mapping[int, Sequence[Decimal] | Sequence[Fraction]]]]


class Level(StrEnum):
    """A level of the nest, from the outside in."""

    PIECE = "piece"
    LOCATION = "location"
    SPOT = "spot"
    READING = "reading"


@dataclass(frozen=True, slots=True)
class LevelVariation:
    """What one level adds to the variation.

    Attributes:
        level: The level.
        members: How many pieces, locations, spots or readings there are, over all.
        degrees: Degrees of freedom; 0 where each member of the level above has only one of this level.
        sum_of_squares: Of the members' means about the mean of what they lie in, weighted by readings; exact.
        mean_square: The sum of squares over the degrees; None where these are 0.
        expected: How often the variance of this level and of each one inside it is in the expected mean square, in
            their order; empty where there is no mean square. Levels without degrees are counted, too.
        estimate: The variance of this level as it comes out, perhaps below zero; None where it cannot be told.
        component: The estimate, or 0 where that is below zero; None where it cannot be told.
        share: The component as a share of the sum of all components, of 1; None where it cannot be told, or
            where nothing varies.
        shown_in: Where *degrees* are 0: the level that shows this one's variation together with its own. None where
            the level has degrees, or where nothing shows it (there is only one piece).
    """

    level: Level
    members: int
    degrees: int
    sum_of_squares: Fraction
    mean_square: Fraction | None
    expected: tuple[Fraction, ...]
    estimate: Fraction | None
    component: Fraction | None
    share: Fraction | None
    shown_in: Level | None

    @property
    def below_zero(self) -> bool:
        """Return whether the estimate came out below zero, so that the component is 0 in its place."""
        return self.estimate is not None and self.estimate < 0

    @property
    def deviation(self) -> Decimal | None:
        """Return the standard deviation that belongs to the component, in the unit of the builds; None without one."""
        return None if self.component is None else square_root(self.component)


@dataclass(frozen=True, slots=True)
class Variation:
    """The variation of film builds, level by level.

    Attributes:
        mean: Mean of all readings, exact, in their unit.
        levels: Piece, location, spot, reading.
        sum_of_squares: Of all readings about their mean: the sum of those of the levels, exactly.
        total: Sum of the components, in the unit squared.
        balanced: Whether every piece has as many locations, every location as many spots, every spot as many readings.
    """

    mean: Fraction
    levels: tuple[LevelVariation, ...]
    sum_of_squares: Fraction
    total: Fraction
    balanced: bool

    def at(self, level: Level) -> LevelVariation:
        """Return what *level* adds."""
        return self.levels[_LEVELS.index(level)]

    @property
    def deviation(self) -> Decimal:
        """Return the standard deviation of one reading of any piece, from all components, in the unit of the builds."""
        return square_root(self.total)


def nested_variation(builds: Builds) -> Variation:
    """Return the variation of *builds*, by piece, location and spot; all in one unit.

    A level with one member in each of the level above, as one reading a spot, cannot be told from that level: it has
    no component, and says where it is shown. One piece alone shows nothing of the difference between pieces.

    Raises:
        ValueError: There are fewer than two readings, or a piece, location or spot is named that has none.
    """
    sums, sizes, below = _groups(builds)
    count, total = sizes[0][()], sums[0][()]
    if count < 2:
        raise ValueError("variation needs at least two readings")
    # The sum of T²/n over the groups of each level; the first is that of all readings together.
    squares = [_squares(s, n) / (below * below) for s, n in zip(sums, sizes, strict=True)]
    degrees = [len(inner) - len(outer) for outer, inner in pairwise(sizes)]
    sums_of_squares = [inner - outer for outer, inner in pairwise(squares)]
    mean_squares = [ss / df if df else None for ss, df in zip(sums_of_squares, degrees, strict=True)]
    expected = [_expected(sizes, depth, df) for depth, df in enumerate(degrees, start=1)]
    estimates = _estimates(mean_squares, expected)
    components = [None if estimate is None else max(estimate, Fraction(0)) for estimate in estimates]
    whole = sum((component for component in components if component is not None), Fraction(0))
    levels = tuple(
        LevelVariation(
            level=level,
            members=len(sizes[at + 1]),
            degrees=degrees[at],
            sum_of_squares=sums_of_squares[at],
            mean_square=mean_squares[at],
            expected=expected[at],
            estimate=estimates[at],
            component=components[at],
            share=_share(components[at], whole),
            shown_in=_shown_in(degrees, at),
        )
        for at, level in enumerate(_LEVELS)
    )
    return Variation(
        mean=Fraction(total, count * below),
        levels=levels,
        sum_of_squares=squares[-1] - squares[0],
        total=whole,
        balanced=all(len(set(n.values())) == 1 for n in sizes),
    )


_LEVELS: Final = tuple(Level)
#: Where a group lies: nowhere for all readings, (piece,), (piece, location), and so on.
_Path = tuple[str | int, ...]


def _groups(builds: Builds) -> tuple[list[dict[_Path, int]], list[dict[_Path, int]], int]:
    """Return sum and number of readings of each group, from all readings down to each one, and the sums' denominator."""
    readings: dict[_Path, Decimal | Fraction] = {}
    for piece, locations in builds.items():
        _is_filled(locations, f"piece {piece}")
        for location, spots in locations.items():
            _is_filled(spots, f"{location} of piece {piece}")
            for spot, values in spots.items():
                _is_filled(values, f"spot {spot}, {location} of piece {piece}")
                for at in range(len(values)):
                    readings[piece, location, spot, at] = values[at]
    ratios = {path: value.as_integer_ratio() for path, value in readings.items()}
    below = lcm(*(ratio[1] for ratio in ratios.values()))
    sums: list[dict[_Path, int]] = [{(): 0}, *({} for _ in _LEVELS)]
    sizes: list[dict[_Path, int]] = [{(): 0}, *({} for _ in _LEVELS)]
    for path, ratio in ratios.items():
        value = ratio[0] * (below // ratio[1])
        for depth in range(len(path) + 1):
            group = path[:depth]
            sums[depth][group] = sums[depth].get(group, 0) + value
            sizes[depth][group] = sizes[depth].get(group, 0) + 1
    return sums, sizes, below


def _is_filled(members: Sized, name: str) -> None:
    if not members:
        raise ValueError(f"{name} has no readings")


def _squares(sums: Mapping[_Path, int], sizes: Mapping[_Path, int]) -> Fraction:
    """Return the sum of T²/n, gathered by n: one fraction a size instead of one a group."""
    by_size: Counter[int] = Counter()
    for group, value in sums.items():
        by_size[sizes[group]] += value * value
    return sum((Fraction(square, size) for size, square in by_size.items()), Fraction(0))


def _expected(sizes: Sequence[Mapping[_Path, int]], depth: int, degrees: int) -> tuple[Fraction, ...]:
    """Return how often the variance of the level at *depth*, and of each one inside, is in its expected mean square."""
    if not degrees:
        return ()
    return tuple(
        (_held(sizes, depth, inner) - _held(sizes, depth - 1, inner)) / degrees for inner in range(depth, len(sizes))
    )


def _held(sizes: Sequence[Mapping[_Path, int]], outer: int, inner: int) -> Fraction:
    """Return the expectation of the sum of T²/n at depth *outer* when only the level at *inner* varies, by one.

    The members of a group are independent: the expectation of T² is the sum of the squares of their readings' numbers.
    """
    by_group: Counter[_Path] = Counter()
    for path, size in sizes[inner].items():
        by_group[path[:outer]] += size * size
    return sum((Fraction(square, sizes[outer][group]) for group, square in by_group.items()), Fraction(0))


def _estimates(
    mean_squares: Sequence[Fraction | None], expected: Sequence[tuple[Fraction, ...]]
) -> list[Fraction | None]:
    """Return the variances that the mean squares are the expectations of, from the inside out.

    A level without degrees is left out: it has the same groups as the level above, so the same coefficients as that
    one in every row, and that one's estimate is of both together.
    """
    found: list[Fraction | None] = [None] * len(mean_squares)
    for at in reversed(range(len(mean_squares))):
        mean_square = mean_squares[at]
        if mean_square is None:
            continue
        own, *inside = expected[at]
        inner = zip(inside, found[at + 1 :], strict=True)
        rest = sum((k * variance for k, variance in inner if variance is not None), Fraction(0))
        found[at] = (mean_square - rest) / own
    return found


def _share(component: Fraction | None, whole: Fraction) -> Fraction | None:
    return None if component is None or not whole else component / whole


def _shown_in(degrees: Sequence[int], at: int) -> Level | None:
    if degrees[at]:
        return None
    return next((_LEVELS[above] for above in reversed(range(at)) if degrees[above]), None)

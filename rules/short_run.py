"""Short runs: builds of parts with different limits, brought to one scale so that they can be looked at together.

    deviation = (build - target) / half of the window between the limits

A deviation of 0 is on target; where the target is midway, -1 and 1 are the limits. What is known: charts of the deviation from a
nominal value are common for short runs (read, in several texts); dividing by half the tolerance is a choice of ours (common
practice, no source). It is exact.

Only like goes with like: one location, one place on the rack and one powder may be pooled over parts, and nothing else
is. That the spread is about the same share of the window on each part is an assumption, and is for the reader to judge: the
spread of each part is given beside the pooled one.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

from rules.statistics import mean, standard_deviation

Number = Decimal | Fraction


@dataclass(frozen=True, slots=True)
class Like:
    """What has to be the same for builds to be pooled over parts."""

    location: str
    rack_position: str | None
    powder: str | None


@dataclass(frozen=True, slots=True)
class RunBuild:
    """One build with its own limits, all in one unit.

    Attributes:
        part: Part number.
        like: What it may be pooled with.
        build: The film build.
        target: What is aimed at; see :func:`target_of`.
        lower: Lower limit.
        upper: Upper limit.
    """

    part: str
    like: Like
    build: Number
    target: Number
    lower: Number
    upper: Number


@dataclass(frozen=True, slots=True)
class Deviations:
    """Deviations from target of one part, or of several together.

    Attributes:
        n: How many.
        mean: Exact; above 0 is thicker than aimed at.
        deviation: Standard deviation, to 34 significant digits; None from a single one.
        values: Each of them, exact, in the order given.
    """

    n: int
    mean: Fraction
    deviation: Decimal | None
    values: tuple[Fraction, ...]


@dataclass(frozen=True, slots=True)
class ShortRun:
    """What is alike, together and by part, parts in the order that they came."""

    like: Like
    together: Deviations
    by_part: tuple[tuple[str, Deviations], ...]


def target_of(
    lower: Number | None, target_low: Number | None, target_high: Number | None, upper: Number | None
) -> Fraction | None:
    """Return what is aimed at: the middle of the target band, else the one end that it has, else the middle of the limits.

    None where there is no band and a limit is missing.
    """
    band = [Fraction(end) for end in (target_low, target_high) if end is not None]
    if band:
        return mean(band)
    if lower is None or upper is None:
        return None
    return (Fraction(lower) + Fraction(upper)) / 2


def deviation_from_target(build: Number, target: Number, lower: Number, upper: Number) -> Fraction:
    """Return how far *build* lies from *target*, in halves of the window; all in one unit.

    Raises:
        ValueError: The lower limit is not below the upper one.
    """
    width = Fraction(upper) - Fraction(lower)
    if width <= 0:
        raise ValueError(f"the lower limit {lower} is not below the upper limit {upper}")
    return (Fraction(build) - Fraction(target)) * 2 / width


def short_runs(builds: Iterable[RunBuild]) -> tuple[ShortRun, ...]:
    """Return the deviations of *builds*, pooled over parts like with like, in the order that they came.

    Raises:
        ValueError: As :func:`deviation_from_target`.
    """
    found: dict[Like, dict[str, list[Fraction]]] = {}
    order: dict[Like, list[Fraction]] = {}
    for one in builds:
        value = deviation_from_target(one.build, one.target, one.lower, one.upper)
        found.setdefault(one.like, {}).setdefault(one.part, []).append(value)
        order.setdefault(one.like, []).append(value)
    return tuple(
        ShortRun(like, _deviations(order[like]), tuple((part, _deviations(values)) for part, values in parts.items()))
        for like, parts in found.items()
    )


def _deviations(values: list[Fraction]) -> Deviations:
    spread = standard_deviation(values) if len(values) > 1 else None
    return Deviations(len(values), mean(values), spread, tuple(values))

"""Control charts: what a process does of itself, and which points say that something has changed.

Limits come from the process's own variation, three standard deviations on each side of its mean. They are no limits of a
specification, and none of those is asked for here.

* Individuals and moving ranges, for one figure at a time: sigma is the mean moving range over d2(2), so that the natural
  process limits are mean ± 2.66 mean moving ranges, and a moving range is at most 3.267 of them.
* Means and standard deviations, or means and ranges, for subgroups of several: sigma from the spread within subgroups.
  Where all have one size, the limits are mean ± A3·s̄ and B3·s̄ to B4·s̄, or mean ± A2·R̄ and D3·R̄ to D4·R̄. Where the
  sizes differ, sigma is the mean of sᵢ/c4(nᵢ), or Rᵢ/d2(nᵢ), each weighted by how well it is known, and every point
  has the limits of its own size.

What is known:

* The limits: Montgomery and Runger, Applied Statistics and Probability for Engineers, 16-6, whose example of an
  individuals chart was read and comes out, and the NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2 (its figures read where
  others quote them).
* The weights for unequal sizes, c4²/(1 - c4²) and (d2/d3)²: those of the linear estimate without bias that varies least; named in the
  documentation of an R package with Burr (1969) as the source (read), the formula from memory.
* Signals: a point beyond three standard deviations (Shewhart), and eight points in a row on one side of the centre line,
  one of the tests of Western Electric's Statistical Quality Control Handbook, 1956 (both read in texts that restate
  them; Nelson's list of 1984 asks for nine). The other tests of those lists are left out: each one more cries wolf more often.
* Moving ranges are correlated, and runs among them mean nothing (read: Montgomery and Runger): no test of runs there.
* Below 20 points limits are provisional: textbooks ask for 20 to 25 (from memory).

The degrees of freedom of sigma are those of the chi-square variable whose root varies as much, relative to its mean
(a choice of ours). For n - 1 moving ranges the variance of sigma is (0.8264 n - 1.082)/(n - 1)² of sigma² (from memory;
the tests derive it).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from fractions import Fraction
from itertools import pairwise
from typing import Final

from rules.control_constants import unbiasing_constant
from rules.gauge_study import D2, D3
from rules.rounding import shown
from rules.statistics import mean, square_root, standard_deviation
from rules.uncertainty import nearest_decimal
from rules.wording import counted

Number = Decimal | Fraction

#: Standard deviations from the centre to a limit.
SIGMAS: Final = 3
#: Points in a row on one side of the centre line that are a signal.
RUN: Final = 8
#: Fewer points than this give limits that are provisional.
SETTLED: Final = 20
#: Fewer points than this give no limits at all (a choice of ours).
LEAST_POINTS: Final = 5


class ChartKind(StrEnum):
    """What is drawn."""

    INDIVIDUALS = "individuals"
    MOVING_RANGES = "moving ranges"
    MEANS = "means"
    DEVIATIONS = "standard deviations"
    RANGES = "ranges"


class Signal(StrEnum):
    """What says that something has changed."""

    BEYOND = "beyond a limit"
    """The point lies beyond three standard deviations."""
    RUN = "run on one side"
    """The point is the eighth in a row, or a later one, on one side of the centre line."""


@dataclass(frozen=True, slots=True)
class ChartPoint:
    """One point of a chart.

    Attributes:
        label: What it is of: a rack, a piece.
        size: How many figures stand behind it.
        value: In the unit of the figures, as exact as it can be.
        lower: Lower control limit of a point of this size; 0 for a spread whose limit would lie below.
        centre: Centre line of a point of this size.
        upper: Upper control limit of a point of this size.
        baseline: Whether the limits rest on this point.
        signals: What it shows; empty where it shows nothing.
    """

    label: str
    size: int
    value: Fraction
    lower: Fraction
    centre: Fraction
    upper: Fraction
    baseline: bool
    signals: tuple[Signal, ...]


@dataclass(frozen=True, slots=True)
class Chart:
    """Points in the order made, with limits from the process itself."""

    kind: ChartKind
    points: tuple[ChartPoint, ...]

    @property
    def signalling(self) -> tuple[ChartPoint, ...]:
        """Return the points that show a signal."""
        return tuple(point for point in self.points if point.signals)


@dataclass(frozen=True, slots=True)
class ChartPair:
    """A chart of where the process lies and one of how it spreads.

    Attributes:
        level: Individuals or means.
        spread: Moving ranges, standard deviations or ranges. A moving range stands under the second of its two points.
        centre: Mean that the limits stand about, in the unit of the figures.
        sigma: Standard deviation that the limits rest on: from point to point, or within subgroups.
        degrees: Its degrees of freedom, about; see the module.
        based_on: How many points the limits rest on.
        notes: What to know when reading it, in sentences.
    """

    level: Chart
    spread: Chart
    centre: Fraction
    sigma: Decimal
    degrees: Fraction
    based_on: int
    notes: tuple[str, ...]

    @property
    def provisional(self) -> bool:
        """Return whether the limits rest on fewer points than settle them."""
        return self.based_on < SETTLED

    @property
    def quiet(self) -> bool:
        """Return whether neither chart shows a signal."""
        return not self.level.signalling and not self.spread.signalling


def individuals(figures: Sequence[tuple[str, Number]], *, baseline: int | None = None) -> ChartPair:
    """Return the charts of single figures and of their moving ranges.

    Args:
        figures: Each with its label, in the order made; all in one unit.
        baseline: How many of the first figures the limits rest on; all by default. The others are only compared.

    Raises:
        ValueError: The limits would rest on fewer than five figures, or on more than there are.
    """
    count = _baseline(len(figures), baseline, "figures")
    values = [Fraction(value) for _, value in figures]
    centre = mean(values[:count])
    moves = [abs(second - first) for first, second in pairwise(values)]
    mean_move = mean(moves[: count - 1])
    sigma = mean_move / Fraction(D2[2])
    half = SIGMAS * sigma
    moved = SIGMAS * Fraction(D3[2]) * sigma
    level = _chart(
        ChartKind.INDIVIDUALS,
        [(label, 1) for label, _ in figures],
        values,
        [(centre - half, centre, centre + half)] * len(values),
        count,
        runs=True,
    )
    spread = _chart(
        ChartKind.MOVING_RANGES,
        [(label, 2) for label, _ in figures[1:]],
        moves,
        [(max(Fraction(0), mean_move - moved), mean_move, mean_move + moved)] * len(moves),
        count - 1,
        runs=False,
    )
    degrees = _plain(Fraction((count - 1) ** 2) / (2 * (_MOVES_BY_COUNT * count - _MOVES_LESS)))
    return ChartPair(level, spread, centre, nearest_decimal(sigma), degrees, count, _notes(count, sigma))


def means_and_deviations(
    subgroups: Sequence[tuple[str, Sequence[Decimal] | Sequence[Fraction]]], *, baseline: int | None = None
) -> ChartPair:
    """Return the charts of the means and of the standard deviations of subgroups of two figures or more.

    Args:
        subgroups: Each with its label, in the order made; all in one unit.
        baseline: How many of the first subgroups the limits rest on; all by default.

    Raises:
        ValueError: The limits would rest on fewer than five subgroups, or on more than there are, or a subgroup
            has fewer than two figures.
    """
    return _subgrouped(
        subgroups,
        baseline,
        ChartKind.DEVIATIONS,
        lambda values: Fraction(standard_deviation(values)),
        lambda n: (Fraction(unbiasing_constant(n)), 1 - Fraction(unbiasing_constant(n)) ** 2),
    )


def means_and_ranges(
    subgroups: Sequence[tuple[str, Sequence[Decimal] | Sequence[Fraction]]], *, baseline: int | None = None
) -> ChartPair:
    """Return the charts of the means and of the ranges of subgroups of two to ten figures.

    Args:
        subgroups: Each with its label, in the order made; all in one unit.
        baseline: How many of the first subgroups the limits rest on; all by default.

    Raises:
        ValueError: As :func:`means_and_deviations`, or a subgroup has more than ten figures.
    """
    for label, values in subgroups:
        if len(values) > max(D2):
            raise ValueError(
                f"{label} has {counted(len(values), 'reading')}: ranges are for up to {max(D2)}, take standard deviations"
            )
    return _subgrouped(
        subgroups,
        baseline,
        ChartKind.RANGES,
        lambda values: max(map(Fraction, values)) - min(map(Fraction, values)),
        lambda n: (Fraction(D2[n]), Fraction(D3[n]) ** 2),
    )


_MOVES_BY_COUNT: Final = Fraction("0.8264")
_MOVES_LESS: Final = Fraction("1.082")
_Values = Sequence[Decimal] | Sequence[Fraction]
_Lines = tuple[Fraction, Fraction, Fraction]


def _subgrouped(
    subgroups: Sequence[tuple[str, _Values]],
    baseline: int | None,
    kind: ChartKind,
    spread_of: Callable[[_Values], Fraction],
    constants: Callable[[int], tuple[Fraction, Fraction]],
) -> ChartPair:
    """Return both charts; *constants* gives mean and variance of the spread of *n* figures, for a sigma of one."""
    count = _baseline(len(subgroups), baseline, "subgroups")
    for label, values in subgroups:
        if len(values) < 2:
            raise ValueError(f"{label} has {counted(len(values), 'reading')}; a subgroup has at least two")
    sizes = [len(values) for _, values in subgroups]
    known = {n: constants(n) for n in set(sizes)}
    spreads = [spread_of(values) for _, values in subgroups]
    weights = [expected**2 / varies for expected, varies in (known[n] for n in sizes[:count])]
    sigma = sum(
        (w * spread / known[n][0] for w, spread, n in zip(weights, spreads[:count], sizes[:count], strict=True)),
        Fraction(0),
    ) / sum(weights, Fraction(0))
    means = [mean(values) for _, values in subgroups]
    total = sum((n * m for n, m in zip(sizes[:count], means[:count], strict=True)), Fraction(0))
    centre = total / sum(sizes[:count])
    halves = {n: SIGMAS * sigma / Fraction(square_root(Fraction(n))) for n in known}
    labels = [(label, len(values)) for label, values in subgroups]
    level = _chart(
        ChartKind.MEANS,
        labels,
        means,
        [(centre - halves[n], centre, centre + halves[n]) for n in sizes],
        count,
        runs=True,
    )
    spread = _chart(kind, labels, spreads, [_spread_lines(sigma, known[n]) for n in sizes], count, runs=True)
    notes = _notes(count, sigma)
    if len(known) > 1:
        notes += (f"Subgroups have {min(sizes)} to {max(sizes)} figures; each point has the limits of its own size.",)
    return ChartPair(level, spread, centre, nearest_decimal(sigma), _plain(sum(weights, Fraction(0)) / 2), count, notes)


def _spread_lines(sigma: Fraction, constants: tuple[Fraction, Fraction]) -> _Lines:
    expected, varies = constants
    half = SIGMAS * sigma * Fraction(square_root(varies))
    return max(Fraction(0), expected * sigma - half), expected * sigma, expected * sigma + half


def _plain(degrees: Fraction) -> Fraction:
    """Return degrees of freedom as they are used: they are an approximation, and no digit behind the third means anything."""
    return Fraction(shown(degrees, 3))


def _baseline(points: int, baseline: int | None, what: str) -> int:
    count = points if baseline is None else baseline
    if count > points:
        raise ValueError(f"limits cannot rest on {count} {what} where there are {points}")
    if count < LEAST_POINTS:
        raise ValueError(f"limits rest on at least {LEAST_POINTS} {what}, not {count}")
    return count


def _notes(count: int, sigma: Fraction) -> tuple[str, ...]:
    notes: tuple[str, ...] = ()
    if count < SETTLED:
        notes += (f"The limits are provisional: they rest on {count} points, and {SETTLED} are asked for.",)
    if not sigma:
        notes += ("The points that the limits rest on do not vary at all, so that no signal can be told from them.",)
    return notes


def _chart(
    kind: ChartKind,
    labels: Sequence[tuple[str, int]],
    values: Sequence[Fraction],
    lines: Sequence[_Lines],
    count: int,
    *,
    runs: bool,
) -> Chart:
    points: list[ChartPoint] = []
    side, length = 0, 0
    for at, ((label, size), value, (lower, centre, upper)) in enumerate(zip(labels, values, lines, strict=True)):
        now = (value > centre) - (value < centre)
        # A point on the centre line is on neither side, and ends a run.
        length = length + 1 if now and now == side else abs(now)
        side = now
        signals: tuple[Signal, ...] = ()
        if lower < upper:
            signals += (Signal.BEYOND,) if not lower <= value <= upper else ()
            signals += (Signal.RUN,) if runs and length >= RUN else ()
        points.append(ChartPoint(label, size, value, lower, centre, upper, at < count, signals))
    return Chart(kind, tuple(points))


def signal_sentences(pair: ChartPair) -> tuple[str, ...]:
    """Return a sentence for each signal, oldest first; a run is said once, at the last point that it reaches."""
    found: list[str] = []
    for chart in (pair.level, pair.spread):
        open_run: ChartPoint | None = None
        for point in chart.points:
            if open_run is not None and Signal.RUN not in point.signals:
                found.append(_run_sentence(chart.kind, open_run))
                open_run = None
            if Signal.BEYOND in point.signals:
                side = "above the upper" if point.value > point.upper else "below the lower"
                found.append(f"{point.label} lies {side} control limit of the {chart.kind.value}.")
            if Signal.RUN in point.signals:
                open_run = point
        if open_run is not None:
            found.append(_run_sentence(chart.kind, open_run))
    return tuple(found)


def _run_sentence(kind: ChartKind, last: ChartPoint) -> str:
    side = "above" if last.value > last.centre else "below"
    return f"{RUN} points or more in a row, up to {last.label}, lie {side} the centre line of the {kind.value}."

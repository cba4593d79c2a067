"""Capability: how the spread of one location compares with the window between its limits.

    Pp = (U - L) / 6s          Ppk = the smaller of (mean - L) / 3s and (U - mean) / 3s

with s the standard deviation of all figures; Cp and Cpk are the same with the short-term sigma that a control chart's
limits rest on. Limits are the customer's, sigma is the process's own: the two are compared here and nowhere confused.

A figure is one independent observation: one piece's mean at this location, or its single reading. Readings of one piece
are no independent figures, and the locations of a part are no subgroups (common practice, no source), so an index is of one
location at a time.

What is known:

* The indices: NIST/SEMATECH e-Handbook of Statistical Methods, 6.1.6 (read). One limit alone gives no Pp, and a Ppk from
  that side.
* The interval of Pp: that of a variance by chi-square, exact for normal figures. For Cp the same with the degrees of freedom of its sigma,
  which makes it an approximation.
* The interval of Ppk and Cpk: the normal approximation of Bissell (Applied Statistics, 1990), index ± z·√(1/9n + index²/2ν), as
  restated by Rodriguez in the Journal of Quality Technology, 1992 (read). A short simulation in the tests says how often it covers.
* The lower bound of Ppk: from the non-central t distribution, exact with one limit. With two it holds at least as often as it says,
  since the bound of whichever side is the nearer one holds.
* At least 25 figures: with fewer, the interval is so wide that an index says next to nothing (from 10 pieces, 1.33 may be 0.68 or
  1.98, recomputed). Cpk asks for a process that shows no signals and for limits that are settled; a process not
  shown to be so gets Ppk (read, of the automotive convention).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from typing import Final

from rules.control_charts import SETTLED, ChartPair
from rules.distributions import chi_square_quantile, noncentrality_bound, normal_quantile
from rules.rounding import shown
from rules.statistics import mean, square_root, variance
from rules.uncertainty import USUAL_COVERAGE, nearest_decimal
from rules.window import LEAST_READINGS
from rules.wording import counted

Number = Decimal | Fraction

#: Fewer figures than this get no index (common practice, no source).
LEAST_FIGURES: Final = LEAST_READINGS
#: A skewness further from 0 than this many of its standard errors is said (a choice of ours).
_NOTED_SKEWNESS: Final = 2


@dataclass(frozen=True, slots=True)
class Index:
    """One capability index with what it may be.

    Attributes:
        name: Pp, Ppk, Cp or Cpk.
        value: The index, to 34 significant digits.
        low: Lower end of its interval.
        high: Upper end of its interval.
        confidence: Of the interval, both sides together, and of *at_least* on its one side.
        at_least: The index is at least this with that confidence; None where no bound is worked out.
        degrees: Degrees of freedom of the standard deviation.
        how: How the interval was found.
    """

    name: str
    value: Decimal
    low: Decimal
    high: Decimal
    confidence: Decimal
    at_least: Decimal | None
    degrees: Fraction
    how: str

    @property
    def sentence(self) -> str:
        """Return the index with its interval."""
        percent = f"{shown(Fraction(self.confidence) * 100, 0):f} %"
        text = f"{self.name} {_two(self.value)}, {percent} interval {_two(self.low)} to {_two(self.high)}"
        return text if self.at_least is None else f"{text}; at least {_two(self.at_least)} ({percent}, one-sided)"


@dataclass(frozen=True, slots=True)
class Capability:
    """The indices of one location, as far as they can be given.

    Attributes:
        location: The location.
        n: Figures behind them.
        mean: Of the figures, in their unit, exact.
        deviation: Long-term standard deviation s; None below two figures.
        pp: Window over 6 s; None where refused.
        ppk: Distance to the nearer limit over 3 s; None where refused.
        cp: As pp with the short-term sigma; None where refused.
        cpk: As ppk with the short-term sigma; None where refused.
        skewness: Of the figures, adjusted for their number; None below three figures or where they do not vary.
        refused: Why an index is not given, in sentences.
        notes: What to know when reading the indices.
    """

    location: str
    n: int
    mean: Fraction | None
    deviation: Decimal | None
    pp: Index | None
    ppk: Index | None
    cp: Index | None
    cpk: Index | None
    skewness: Decimal | None
    refused: tuple[str, ...]
    notes: tuple[str, ...]

    @property
    def indices(self) -> tuple[Index, ...]:
        """Return the indices that are given, long-term ones first."""
        return tuple(index for index in (self.pp, self.ppk, self.cp, self.cpk) if index is not None)

    @property
    def sentences(self) -> tuple[str, ...]:
        """Return the indices with their numbers, what is refused and why, and the notes."""
        given = tuple(f"{self.location}: {index.sentence} (n = {self.n})." for index in self.indices)
        return given + self.refused + self.notes


def capability(
    location: str,
    figures: Sequence[Decimal] | Sequence[Fraction],
    lower: Number | None,
    upper: Number | None,
    chart: ChartPair | None = None,
    *,
    confidence: Decimal = USUAL_COVERAGE,
) -> Capability:
    """Return the indices of one location.

    Args:
        location: Its name.
        figures: One a piece, in the unit of the limits.
        lower: The lower limit, if there is one.
        upper: The upper limit, if there is one.
        chart: The control charts of the same process at this location; without them there is no Cp and no Cpk.
        confidence: Of the intervals.

    Raises:
        ValueError: The limits are reversed or equal, or *confidence* is not between 0 and 1.
    """
    if lower is not None and upper is not None and Fraction(lower) >= Fraction(upper):
        raise ValueError(f"{location}: the lower limit {lower} is not below the upper limit {upper}")
    exact = [Fraction(figure) for figure in figures]
    n = len(exact)
    centre = mean(exact) if exact else None
    deviation = square_root(variance(exact)) if n > 1 else None
    skewness = _skewness(exact)
    why = _refusal(location, n, lower, upper, deviation)
    if why is not None or centre is None or deviation is None:
        return Capability(location, n, centre, deviation, None, None, None, None, skewness, (why or "",), ())
    distances = [centre - Fraction(lower)] if lower is not None else []
    distances += [Fraction(upper) - centre] if upper is not None else []
    width = Fraction(upper) - Fraction(lower) if lower is not None and upper is not None else None
    refused: list[str] = []
    if width is None:
        refused.append(f"{location}: one limit alone gives no window, so there is no Pp and no Cp.")
    long_term = Fraction(deviation), Fraction(n - 1)
    pp = None if width is None else index_of_window("Pp", width, *long_term, confidence)
    ppk = index_of_side("Ppk", min(distances), *long_term, n, confidence, exact=True)
    cp = cpk = None
    why_not = _not_short_term(location, chart)
    if why_not is None and chart is not None:
        short = Fraction(chart.sigma), chart.degrees
        cp = None if width is None else index_of_window("Cp", width, *short, confidence)
        cpk = index_of_side("Cpk", min(distances), *short, n, confidence, exact=False)
    elif why_not is not None:
        refused.append(why_not)
    notes = _notes(location, n, skewness)
    return Capability(location, n, centre, deviation, pp, ppk, cp, cpk, skewness, tuple(refused), notes)


def index_of_window(name: str, width: Fraction, sigma: Fraction, degrees: Fraction, confidence: Decimal) -> Index:
    """Return Pp or Cp: *width* over 6 *sigma*, with its interval by chi-square.

    Args:
        name: What it is called.
        width: Between the limits, above zero.
        sigma: Standard deviation, above zero, in the same unit.
        degrees: Its degrees of freedom, above zero.
        confidence: Of the interval, and of the bound.
    """
    value = width / (6 * sigma)
    low, high = _tails(confidence)
    nu = nearest_decimal(degrees)
    ends = [value * Fraction(square_root(Fraction(chi_square_quantile(p, nu)) / degrees)) for p in (low, high)]
    bound = value * Fraction(square_root(Fraction(chi_square_quantile(_one_sided(confidence), nu)) / degrees))
    return Index(
        name=name,
        value=nearest_decimal(value),
        low=nearest_decimal(ends[0]),
        high=nearest_decimal(ends[1]),
        confidence=confidence,
        at_least=nearest_decimal(bound),
        degrees=degrees,
        how="chi-square" if name == "Pp" else "chi-square with the degrees of freedom of the chart's sigma",
    )


def index_of_side(
    name: str, distance: Fraction, sigma: Fraction, degrees: Fraction, n: int, confidence: Decimal, *, exact: bool
) -> Index:
    """Return Ppk or Cpk: *distance* over 3 *sigma*, with its interval by the normal approximation.

    Args:
        name: What it is called.
        distance: From the mean to the nearer limit; below zero where the mean lies outside.
        sigma: Standard deviation, above zero, in the same unit.
        degrees: Its degrees of freedom, above zero.
        n: Figures behind the mean.
        confidence: Of the interval, and of the bound.
        exact: Whether sigma is the standard deviation of the same *n* figures, so that the bound by non-central t is exact.
    """
    value = distance / (3 * sigma)
    z = Fraction(normal_quantile(_tails(confidence)[1]))
    half = z * Fraction(square_root(Fraction(1, 9 * n) + value**2 / (2 * degrees)))
    bound: Decimal | None = None
    if exact:
        root = 3 * Fraction(square_root(Fraction(n)))
        seen = shown(root * value, 12)
        bound = nearest_decimal(Fraction(noncentrality_bound(seen, n - 1, confidence)) / root)
    return Index(
        name=name,
        value=nearest_decimal(value),
        low=nearest_decimal(value - half),
        high=nearest_decimal(value + half),
        confidence=confidence,
        at_least=bound,
        degrees=degrees,
        how="normal approximation" + ("; the bound by non-central t" if exact else ""),
    )


def _refusal(
    location: str, n: int, lower: Number | None, upper: Number | None, deviation: Decimal | None
) -> str | None:
    if lower is None and upper is None:
        return f"{location}: no index without a limit."
    if n < LEAST_FIGURES:
        return (
            f"{location}: no index from {counted(n, 'piece')}; {LEAST_FIGURES} are asked for, since the interval of one from "
            "fewer is so wide that it says next to nothing."
        )
    if not deviation:
        return f"{location}: no index, since all {n} figures are the same: the spread is below what the gauge shows."
    return None


def _not_short_term(location: str, chart: ChartPair | None) -> str | None:
    """Return why there is no Cp and no Cpk; None where there is nothing against them."""
    if chart is None:
        return (
            f"{location}: no Cpk, since no control chart says whether the process is stable; Ppk stands in its place."
        )
    if not chart.quiet:
        return f"{location}: no Cpk, since the control chart shows signals; Ppk says what was made."
    if chart.provisional:
        return (
            f"{location}: no Cpk, since the control limits rest on {chart.based_on} points and {SETTLED} are asked for; "
            "Ppk says what was made."
        )
    if not chart.sigma:
        return f"{location}: no Cpk, since the points of the control chart do not vary."
    return None


def _tails(confidence: Decimal) -> tuple[Decimal, Decimal]:
    low = (1 - Fraction(confidence)) / 2
    return nearest_decimal(low), nearest_decimal(1 - low)


def _one_sided(confidence: Decimal) -> Decimal:
    return nearest_decimal(1 - Fraction(confidence))


def _skewness(figures: Sequence[Fraction]) -> Decimal | None:
    """Return G1 = √(n(n-1))/(n-2) · m3/m2^1.5, as statistical packages print it (from memory; scipy agrees)."""
    n = len(figures)
    if n < 3:
        return None
    centre = mean(figures)
    second = sum(((x - centre) ** 2 for x in figures), Fraction(0)) / n
    third = sum(((x - centre) ** 3 for x in figures), Fraction(0)) / n
    if not second:
        return None
    size = square_root(third**2 * n * (n - 1) / (second**3 * (n - 2) ** 2))
    return size.copy_negate() if third < 0 else size


def _notes(location: str, n: int, skewness: Decimal | None) -> tuple[str, ...]:
    # The variance of G1 for normal figures: 6n(n-1)/((n-2)(n+1)(n+3)) (from memory; a simulation agrees).
    expected = Fraction(6 * n * (n - 1), (n - 2) * (n + 1) * (n + 3))
    if skewness is None or Fraction(skewness) ** 2 <= _NOTED_SKEWNESS**2 * expected:
        return ()
    tail = "thick" if skewness > 0 else "thin"
    return (
        f"{location}: the figures are skewed towards {tail} ones (skewness {_two(skewness)}). The indices count on a normal "
        "spread, and say too little about that side and too much about the other: look at the figures themselves.",
    )


def _two(number: Decimal) -> str:
    return f"{shown(Fraction(number), 2):f}"

"""Measurement uncertainty by the GUM (JCGM 100:2008): components, budgets, the budget of a film build, a calibration line.

Thicknesses and standard uncertainties are in µm unless said otherwise. Variances are exact fractions; a standard
uncertainty is the root of one, a Decimal of 34 significant digits; k is a quantile of 15 digits. No binary float
is involved.

How well the formulas are known: the law of propagation (5.1.2, and 5.2.2 where inputs are correlated), the
Welch-Satterthwaite formula (G.4.1), k from Student's t (G.6.4), the distributions of 4.3 and the straight line of H.3
are from memory. Example H.1 (read in the open documentation of a public uncertainty library) comes out digit by digit,
and so do 4.4.3 and H.3 (from memory, data and results agree).

What this module makes of cases that the GUM leaves open (choices of ours, no source):

* Welch-Satterthwaite asks for independent inputs. Correlated ones are joined into one component first, which has the
  fewest degrees of freedom among them.
* The error found at a verification, where it is carried and not corrected for, stands beside the maker's accuracy
  statement. That counts part of the gauge twice and is on the safe side.
* The resolution of the gauge is not made smaller by averaging: readings of one film may all be rounded the same way.
* Where one gauge took both readings of a difference, nothing is taken to cancel unless the caller says how much is
  shared; what its standard and its error at verification bring is then counted once, in full.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from decimal import ROUND_HALF_EVEN, Context, Decimal, DivisionByZero, InvalidOperation, Overflow
from enum import StrEnum
from fractions import Fraction
from functools import cached_property
from itertools import combinations
from typing import Final

from rules.distributions import normal_quantile, t_quantile
from rules.rounding import shown
from rules.statistics import ROOT_DIGITS, mean, square_root, variance
from rules.wording import as_written, counted
from schemas.units import Unit, from_um

Number = Decimal | Fraction

#: Probability that an expanded uncertainty covers, where nothing else is agreed.
USUAL_COVERAGE: Final = Decimal("0.95")
#: The probability that k = 2 covers of a normal distribution (GUM table G.1, from memory; 2Φ(2) - 1 agrees).
TWO_SIGMA: Final = Decimal("0.9545")

#: The components of a film build's budget, in the order that they are printed.
COMPONENTS: Final = (
    "repeatability",
    "resolution",
    "gauge accuracy",
    "standard",
    "error at verification",
    "base metal reading",
)
#: What stands for the base metal reading where the thickness of one coat is a difference.
EARLIER_COAT: Final = "earlier coat"

_RESULT: Final = Context(prec=ROOT_DIGITS, rounding=ROUND_HALF_EVEN, traps=[InvalidOperation, DivisionByZero, Overflow])


class Kind(StrEnum):
    """How a standard uncertainty was found (GUM 0.7 and 4.1.6)."""

    A = "A"
    """From a series of observations."""
    B = "B"
    """By other means: a certificate, a specification, what is known."""


@dataclass(frozen=True, slots=True)
class Component:
    """One contribution to an uncertainty.

    Attributes:
        name: Where it comes from.
        standard: Standard uncertainty of the result that it makes, not negative.
        degrees: Degrees of freedom, at least 1; None where they are taken as infinite.
        how: How it was found, in a sentence with its numbers.
        kind: From observations (A) or by other means (B).
    """

    name: str
    standard: Decimal
    degrees: int | Fraction | None
    how: str
    kind: Kind


@dataclass(frozen=True, slots=True)
class Input:
    """A quantity that a result depends on.

    Attributes:
        name: What it is; unique among the inputs of one result.
        standard: Its standard uncertainty, in its own unit, not negative.
        degrees: Degrees of freedom, at least 1; None where they are taken as infinite.
        how: How it was found, in a sentence with its numbers.
        kind: From observations (A) or by other means (B).
        sensitivity: By how much the result changes with it: the partial derivative (5.1.3), in the unit of the
            result over its own, with its sign.
    """

    name: str
    standard: Decimal
    degrees: int | Fraction | None
    how: str
    kind: Kind
    sensitivity: Number = Fraction(1)

    @property
    def contribution(self) -> Fraction:
        """Return sensitivity times standard uncertainty, with its sign, exactly."""
        return Fraction(self.sensitivity) * Fraction(self.standard)


@dataclass(frozen=True, slots=True)
class Correlation:
    """How two inputs, by their names, move together: *coefficient* is from -1 to 1 (5.2.2)."""

    first: str
    second: str
    coefficient: Number


@dataclass(frozen=True, slots=True)
class Budget:
    """The components of one uncertainty and what they come to.

    Attributes:
        components: Every contribution, none left out.
        combined: Combined standard uncertainty.
        effective_degrees: By Welch-Satterthwaite, not truncated; None where infinite.
        coverage: Probability that the expanded uncertainty covers.
        factor: Coverage factor k, from Student's t at the truncated degrees of freedom.
        expanded: factor times combined.
    """

    components: tuple[Component, ...]
    combined: Decimal
    effective_degrees: Decimal | None
    coverage: Decimal
    factor: Decimal
    expanded: Decimal


def budget(components: Sequence[Component], coverage: Decimal = USUAL_COVERAGE) -> Budget:
    """Return what uncorrelated *components* come to; correlated inputs become such by :func:`contributions`.

    The effective degrees of freedom are worked out with the unrounded combined uncertainty and then truncated to the
    next lower whole number before t is taken, as example H.1 does (16.75 becomes 16).

    Raises:
        ValueError: There are no components, one is negative or has less than one degree of freedom, or *coverage* is
            not between 0 and 1.
    """
    if not components:
        raise ValueError("a budget needs at least one component")
    for component in components:
        _check(component)
    total = sum((_square(c.standard) for c in components), Fraction(0))
    combined = square_root(total)
    degrees = _welch_satterthwaite(components, total)
    upper = nearest_decimal((1 + Fraction(coverage)) / 2)
    factor = normal_quantile(upper) if degrees is None else t_quantile(upper, int(degrees))
    return Budget(
        components=tuple(components),
        combined=combined,
        effective_degrees=None if degrees is None else nearest_decimal(degrees),
        coverage=coverage,
        factor=factor,
        expanded=_RESULT.multiply(factor, combined),
    )


def contributions(inputs: Sequence[Input], correlations: Sequence[Correlation] = ()) -> tuple[Component, ...]:
    """Return what *inputs* bring to the result, as components that are no longer correlated with each other.

    An input on its own brings |sensitivity| · standard uncertainty (5.1.3). Inputs that are correlated, directly or
    through others, become one component, with the cross terms 2·r·cᵢ·uᵢ·cⱼ·uⱼ of 5.2.2, at the place of the first.
    A pair that is not named is not correlated.

    Raises:
        ValueError: Names are not unique, a correlation names an unknown input, an input twice or a pair again, a
            coefficient is not from -1 to 1, or the coefficients contradict each other (the variance is negative).
    """
    by_name = {i.name: i for i in inputs}
    if len(by_name) != len(inputs):
        raise ValueError("the inputs of one result need names that differ")
    linked = _coefficients(correlations, by_name)
    found: list[Component] = []
    done: set[str] = set()
    for one in inputs:
        if one.name in done:
            continue
        group = [i for i in inputs if i.name in _reached_from(one.name, linked)]
        done.update(i.name for i in group)
        found.append(_joined(group, linked))
    return tuple(found)


def in_unit(found: Budget, unit: Unit) -> Budget:
    """Return a budget in µm with its thicknesses in *unit*; k and degrees of freedom stay, and so do the sentences (µm).

    For print: 1 mil is 25.4 µm exactly (see schemas.units), the quotients have 34 digits.
    """
    return replace(
        found,
        components=tuple(replace(c, standard=nearest_decimal(from_um(c.standard, unit))) for c in found.components),
        combined=nearest_decimal(from_um(found.combined, unit)),
        expanded=nearest_decimal(from_um(found.expanded, unit)),
    )


# What is known of one input


def rectangular(half_width: Number) -> Decimal:
    """Return the standard uncertainty of a quantity that lies anywhere within ± *half_width* alike: a/√3 (4.3.7).

    Raises:
        ValueError: *half_width* is negative; so for the other shapes.
    """
    return square_root(_width(half_width) ** 2 / 3)


def triangular(half_width: Number) -> Decimal:
    """Return it for a quantity within ± *half_width*, likelier the nearer to the middle: a/√6 (4.3.9)."""
    return square_root(_width(half_width) ** 2 / 6)


def arcsine(half_width: Number) -> Decimal:
    """Return it for a quantity that swings between ± *half_width*: a/√2 (example H.1)."""
    return square_root(_width(half_width) ** 2 / 2)


def normal(expanded: Number, factor: Number = Decimal(2)) -> Decimal:
    """Return the standard uncertainty behind a certificate's expanded uncertainty and its coverage factor (4.3.3).

    Raises:
        ValueError: *expanded* is negative or *factor* is not above zero.
    """
    if factor <= 0:
        raise ValueError(f"a coverage factor is above zero, not {factor}")
    return nearest_decimal(_width(expanded) / Fraction(factor))


def degrees_of_reliability(doubt: Number) -> Fraction:
    """Return the degrees of freedom of an uncertainty that may itself be wrong by the share *doubt*: 1/(2·doubt²) (G.4.2).

    Raises:
        ValueError: *doubt* is not above zero.
    """
    if doubt <= 0:
        raise ValueError(f"the doubt in an uncertainty is a share above zero, not {doubt}")
    return 1 / (2 * Fraction(doubt) ** 2)


def type_a(values: Sequence[Decimal] | Sequence[Fraction], averaged: int | None = None) -> tuple[Decimal, int]:
    """Return the standard uncertainty of the mean of *averaged* values, and its n - 1 degrees of freedom (4.2.3).

    Args:
        values: The observations that show the spread.
        averaged: How many of such are averaged in the result; all of *values* by default.

    Raises:
        ValueError: There are fewer than two values, or fewer than one is averaged.
    """
    count = len(values) if averaged is None else averaged
    _averaged(count)
    return square_root(variance(values) / count), len(values) - 1


def pooled_deviation(groups: Iterable[Sequence[Fraction]]) -> tuple[Decimal, int]:
    """Return the standard deviation within *groups*, pooled, and its degrees of freedom (4.2.4, H.3.6; from memory).

    s² = Σ(nᵢ - 1)·sᵢ² / Σ(nᵢ - 1). A group of one value shows no spread and brings nothing.

    Raises:
        ValueError: No group has two values.
    """
    found, degrees = pooled_variance(groups)
    return square_root(found), degrees


# The budget of a film build


@dataclass(frozen=True, slots=True)
class GaugeKnowledge:
    """What is known of the gauge when a film build was read; all in µm.

    Attributes:
        accuracy_um: a of the maker's accuracy statement a + b·t.
        accuracy_percent: b of it, in percent.
        step_um: Last place that the gauge showed.
        standard: Serial of the standard that lies nearest to the build.
        standard_u_um: Its expanded uncertainty (k = 2).
        error_um: Error found on it before the readings.
        corrected: Whether the builds have been corrected for that error (which the caller does); else it is carried.
        error_standard_um: Standard uncertainty of the error or of the correction, the standard's own apart: s/√n of
            the readings on the standard, or from :func:`calibration_line`. Asked for where corrected.
        error_degrees: Its degrees of freedom; None where infinite.
    """

    accuracy_um: Decimal
    accuracy_percent: Decimal
    step_um: Decimal
    standard: str
    standard_u_um: Decimal
    error_um: Decimal
    corrected: bool = False
    error_standard_um: Decimal | None = None
    error_degrees: int | None = None

    def accuracy_at(self, thickness_um: Fraction) -> Fraction:
        """Return the maker's a + b·t at *thickness_um*, whose sign does not matter, in µm, exactly."""
        return Fraction(self.accuracy_um) + abs(thickness_um) * Fraction(self.accuracy_percent) / 100


@dataclass(frozen=True, slots=True)
class Spread:
    """How readings repeat: the variance of one, in µm², its degrees of freedom, and of what it is, in words."""

    variance: Fraction
    degrees: int
    of: str


def film_build_budget(
    builds_um: Sequence[Fraction],
    averaged: int,
    gauge: GaugeKnowledge,
    base_um: Sequence[Fraction] = (),
    coverage: Decimal = USUAL_COVERAGE,
    *,
    base_gauge: GaugeKnowledge | None = None,
    shared: Number = Decimal(0),
    pieces_um: Sequence[Sequence[Fraction]] = (),
    spread: Spread | None = None,
    at_um: Fraction | None = None,
) -> Budget:
    """Return the budget of the mean of *averaged* readings at a location, or of one reading, in µm.

    Args:
        builds_um: The builds at the location, base metal subtracted: their spread is the repeatability, surface and
            hand included.
        averaged: How many readings the result is the mean of; 1 for a single reading.
        gauge: What is known of the gauge.
        base_um: Readings on the bare metal (or zinc) whose mean is subtracted; none where nothing is. The spread of a
            single one is not known, so it is given that of the builds (common practice, no source).
        coverage: Probability that the expanded uncertainty covers.
        base_gauge: What is known of the gauge that took the base readings, where it was another one, or the same one
            before an adjustment. None: as the gauge.
        shared: Correlation coefficient, 0 to 1, of what is systematic in the two readings. 1 where the same gauge took
            both in the same mode with no adjustment between: a of a + b·t then cancels in the difference, and b times
            the difference stays. Only where *base_gauge* is None.
        pieces_um: The same builds piece by piece; where given, the repeatability is pooled within the pieces, and that
            the pieces differ is not counted as uncertainty.
        spread: How readings repeat, where the caller has worked it out otherwise; then *builds_um* only say how thick.
        at_um: The build whose uncertainty it is, where that is not the mean of *builds_um*: the accuracy statement is
            taken there.

    Raises:
        ValueError: The spread of the builds is not known (fewer than two, on no piece two), nothing is averaged,
            *shared* is out of range or given with *base_gauge*, the pieces hold other builds, or the gauge is said to
            be corrected and how well is not.
    """
    _averaged(averaged)
    spread = spread or _spread(builds_um, pieces_um)
    said = f"s of {spread.of}"
    said += f", mean of {averaged}" if averaged > 1 else ", one reading"
    share = Fraction(1, averaged)
    if len(base_um) == 1:
        # One estimate of the spread stands for both, so both are one component with its degrees of freedom.
        share += 1
        said += ", less one base metal reading of the same spread"
    components = [Component("repeatability", square_root(spread.variance * share), spread.degrees, said, Kind.A)]
    centre = mean(builds_um) if at_um is None else at_um
    if not base_um:
        components += _systematic(_Side(centre, gauge), None, Fraction(0))
    else:
        below = mean(base_um)
        components += _systematic(_Side(centre + below, gauge), _Side(below, base_gauge), _shared(shared, base_gauge))
    if len(base_um) > 1:
        components.append(_mean_of(COMPONENTS[-1], base_um))
    return budget(components, coverage)


def coat_budget(
    after_um: Sequence[Fraction],
    before_um: Sequence[Fraction],
    gauge: GaugeKnowledge,
    coverage: Decimal = USUAL_COVERAGE,
    *,
    before_gauge: GaugeKnowledge | None = None,
    shared: Number = Decimal(0),
) -> Budget:
    """Return the budget of one coat at a location: mean of the readings after it less mean of those before it, in µm.

    The spreads before and after are taken as independent. Where the readings are of the same spots, a thick first coat
    shows in both, and this is on the safe side.

    Args:
        after_um: Readings with the coat, two or more.
        before_um: Readings before the coat, two or more.
        gauge: What is known of the gauge that took those after.
        coverage: Probability that the expanded uncertainty covers.
        before_gauge: As *base_gauge* of :func:`film_build_budget`.
        shared: As there.

    Raises:
        ValueError: There are fewer than two readings before or after; and as :func:`film_build_budget`.
    """
    components = [
        _mean_of(COMPONENTS[0], after_um),
        *_systematic(_Side(mean(after_um), gauge), _Side(mean(before_um), before_gauge), _shared(shared, before_gauge)),
        _mean_of(EARLIER_COAT, before_um),
    ]
    return budget(components, coverage)


# A straight line through verification points


@dataclass(frozen=True, slots=True)
class Correction:
    """What a calibration line says at one thickness, exact; its standard uncertainty and degrees of freedom."""

    value: Fraction
    standard: Decimal
    degrees: int


@dataclass(frozen=True)
class CalibrationLine:
    """A straight line y = offset + slope·(x - reference) by least squares, exact (JCGM 100, H.3).

    Attributes:
        reference: x at which the offset is taken.
        offset: y there.
        slope: Change of y with x.
        offset_variance: Square of the offset's standard uncertainty.
        slope_variance: Square of the slope's.
        covariance: Of offset and slope.
        residual_variance: s² of the points about the line.
        degrees: Degrees of freedom, points less two.
    """

    reference: Fraction
    offset: Fraction
    slope: Fraction
    offset_variance: Fraction
    slope_variance: Fraction
    covariance: Fraction
    residual_variance: Fraction
    degrees: int

    @cached_property
    def offset_standard(self) -> Decimal:
        """Return the standard uncertainty of the offset (H.13d)."""
        return square_root(self.offset_variance)

    @cached_property
    def slope_standard(self) -> Decimal:
        """Return the standard uncertainty of the slope (H.13e)."""
        return square_root(self.slope_variance)

    @cached_property
    def residual(self) -> Decimal:
        """Return the standard deviation s of the points about the line (H.13f)."""
        return square_root(self.residual_variance)

    @cached_property
    def correlation(self) -> Decimal | None:
        """Return the correlation coefficient of offset and slope (H.14); None where all points lie on the line."""
        product = self.offset_variance * self.slope_variance
        if product == 0:
            return None
        size = square_root(self.covariance**2 / product)
        return -size if self.covariance < 0 else size

    def at(self, x: Number) -> Correction:
        """Return what the line says at *x*: u² = u²(offset) + d²·u²(slope) + 2·d·cov, d = x - reference (H.15).

        That of the standards the points were taken on is not in it, and has to be added.
        """
        d = Fraction(x) - self.reference
        square = self.offset_variance + d**2 * self.slope_variance + 2 * d * self.covariance
        return Correction(self.offset + d * self.slope, square_root(square), self.degrees)


def calibration_line(points: Sequence[tuple[Number, Number]], reference: Number = Decimal(0)) -> CalibrationLine:
    """Return the least-squares line through verification *points*, all weighted alike (JCGM 100, H.3).

    Args:
        points: (reading, correction) in one unit each, a correction being certified thickness less reading; so the line
            gives what has to be added to a reading.
        reference: Reading at which the offset is taken. The correlation depends on it, what the line predicts does not.

    Raises:
        ValueError: There are fewer than three points (two leave nothing to tell the uncertainty from), or all readings
            are alike.
    """
    n = len(points)
    if n < 3:
        raise ValueError(f"a line with an uncertainty needs at least three points, not {n}")
    x = [Fraction(p) - Fraction(reference) for p, _ in points]
    y = [Fraction(q) for _, q in points]
    sum_x, sum_y = sum(x, Fraction(0)), sum(y, Fraction(0))
    sum_xx = sum((v * v for v in x), Fraction(0))
    sum_xy = sum((v * w for v, w in zip(x, y, strict=True)), Fraction(0))
    below = n * sum_xx - sum_x**2
    if below == 0:
        raise ValueError("a line needs readings that differ")
    offset = (sum_y * sum_xx - sum_xy * sum_x) / below
    slope = (n * sum_xy - sum_y * sum_x) / below
    residual = sum(((w - offset - slope * v) ** 2 for v, w in zip(x, y, strict=True)), Fraction(0)) / (n - 2)
    return CalibrationLine(
        reference=Fraction(reference),
        offset=offset,
        slope=slope,
        offset_variance=residual * sum_xx / below,
        slope_variance=residual * n / below,
        covariance=-residual * sum_x / below,
        residual_variance=residual,
        degrees=n - 2,
    )


def nearest_decimal(value: Fraction) -> Decimal:
    """Return the Decimal of 34 significant digits nearest to *value*, whatever the caller's decimal context."""
    return _RESULT.divide(Decimal(value.numerator), Decimal(value.denominator))


@dataclass(frozen=True, slots=True)
class _Side:
    """One of two readings that are subtracted: how thick, in µm, and its gauge; None: as the other side's."""

    thickness: Fraction
    gauge: GaugeKnowledge | None


def _systematic(top: _Side, bottom: _Side | None, shared: Fraction) -> list[Component]:
    """Return resolution, accuracy, standard and error of a reading, less another one where there is a *bottom*."""
    gauge = top.gauge
    assert gauge is not None  # noqa: S101 - only a bottom has none
    above = [_resolution(gauge), _accuracy(gauge, top.thickness), _standard(gauge), _error(gauge)]
    if bottom is None:
        return above
    other = bottom.gauge or gauge
    lower = [_resolution(other), _accuracy(other, bottom.thickness)]
    if bottom.gauge is not None:
        lower += [_standard(other), _error(other)]
    below = {c.name: c for c in lower}
    return [
        _less(c, below[c.name], shared if c.name == "gauge accuracy" else Fraction(0)) if c.name in below else c
        for c in above
    ]


def _less(above: Component, below: Component, shared: Fraction) -> Component:
    """Return what one source brings to the difference of two readings: 5.2.2 with the sensitivities 1 and -1."""
    squares = _square(above.standard) + _square(below.standard)
    cross = 2 * shared * Fraction(above.standard) * Fraction(below.standard)
    how = f"{above.how}; the reading subtracted: {below.how}"
    if shared:
        how += f"; correlation {as_written(shared)}"
    return Component(
        name=above.name,
        standard=square_root(squares - cross),
        # Only what has infinite degrees of freedom is ever shared.
        degrees=_welch_satterthwaite((above, below), squares),
        how=how,
        kind=above.kind if above.kind is below.kind else Kind.B,
    )


def _resolution(gauge: GaugeKnowledge) -> Component:
    half = Fraction(gauge.step_um) / 2
    return Component("resolution", rectangular(half), None, f"last place shown {gauge.step_um:f} µm", Kind.B)


def _accuracy(gauge: GaugeKnowledge, thickness: Fraction) -> Component:
    bound = gauge.accuracy_at(thickness)
    how = f"maker's ± {shown(bound, 2):f} µm at {shown(thickness, 1):f} µm, rectangular"
    return Component("gauge accuracy", rectangular(bound), None, how, Kind.B)


def _standard(gauge: GaugeKnowledge) -> Component:
    how = f"{gauge.standard}: U {gauge.standard_u_um:f} µm, k = 2"
    return Component("standard", normal(gauge.standard_u_um), None, how, Kind.B)


def _error(gauge: GaugeKnowledge) -> Component:
    name = "error at verification"
    if not gauge.corrected:
        how = f"{gauge.error_um:f} µm, carried, rectangular"
        return Component(name, rectangular(abs(gauge.error_um)), None, how, Kind.B)
    if gauge.error_standard_um is None:
        raise ValueError("a corrected error needs its standard uncertainty")
    how = f"{gauge.error_um:f} µm, corrected for: the uncertainty of the correction"
    return Component(name, gauge.error_standard_um, gauge.error_degrees, how, Kind.A)


def _mean_of(name: str, values_um: Sequence[Fraction]) -> Component:
    standard, degrees = type_a(values_um)
    return Component(name, standard, degrees, f"s of {len(values_um)} readings, mean of {len(values_um)}", Kind.A)


def _spread(builds_um: Sequence[Fraction], pieces_um: Sequence[Sequence[Fraction]]) -> Spread:
    of = f"{len(builds_um)} readings"
    if not pieces_um:
        return Spread(variance(builds_um), len(builds_um) - 1, of)
    if sorted(b for piece in pieces_um for b in piece) != sorted(builds_um):
        raise ValueError("the builds piece by piece are not the builds at the location")
    return Spread(*pooled_variance(pieces_um), f"{of} within {counted(len(pieces_um), 'piece')}")


def pooled_variance(groups: Iterable[Sequence[Fraction]]) -> tuple[Fraction, int]:
    """Return the variance within *groups*, pooled, exact, and its degrees of freedom; as :func:`pooled_deviation`."""
    shown_by = [g for g in groups if len(g) > 1]
    degrees = sum(len(g) - 1 for g in shown_by)
    if not degrees:
        raise ValueError("a pooled standard deviation needs a group of at least two values")
    return sum((variance(g) * (len(g) - 1) for g in shown_by), Fraction(0)) / degrees, degrees


def _coefficients(correlations: Sequence[Correlation], by_name: dict[str, Input]) -> dict[frozenset[str], Fraction]:
    linked: dict[frozenset[str], Fraction] = {}
    for c in correlations:
        pair = frozenset((c.first, c.second))
        if not pair <= by_name.keys():
            raise ValueError(f"{c.first!r} or {c.second!r} is not among the inputs")
        if len(pair) < 2 or pair in linked:
            raise ValueError(f"the correlation of {c.first!r} and {c.second!r} is given once, and of two inputs")
        if not -1 <= c.coefficient <= 1:
            raise ValueError(f"a correlation coefficient is from -1 to 1, not {c.coefficient}")
        linked[pair] = Fraction(c.coefficient)
    return linked


def _reached_from(name: str, linked: dict[frozenset[str], Fraction]) -> set[str]:
    reached, waiting = {name}, [name]
    while waiting:
        here = waiting.pop()
        for pair, coefficient in linked.items():
            if here in pair and coefficient:
                fresh = pair - reached
                reached |= fresh
                waiting.extend(fresh)
    return reached


def _joined(group: Sequence[Input], linked: dict[frozenset[str], Fraction]) -> Component:
    for one in group:
        _check(one)
    if len(group) == 1:
        (one,) = group
        return Component(one.name, nearest_decimal(abs(one.contribution)), one.degrees, one.how, one.kind)
    total = sum((i.contribution**2 for i in group), Fraction(0))
    for first, second in combinations(group, 2):
        coefficient = linked.get(frozenset((first.name, second.name)), Fraction(0))
        total += 2 * coefficient * first.contribution * second.contribution
    if total < 0:
        raise ValueError("the correlation coefficients contradict each other: the variance is negative")
    finite = [i.degrees for i in group if i.degrees is not None]
    return Component(
        name=" and ".join(i.name for i in group),
        standard=square_root(total),
        degrees=min(finite, default=None),
        how="; ".join(f"{i.name}: {i.how}" for i in group) + "; correlated",
        kind=Kind.A if all(i.kind is Kind.A for i in group) else Kind.B,
    )


def _welch_satterthwaite(components: Sequence[Component], total: Fraction) -> Fraction | None:
    below = sum((_square(c.standard) ** 2 / c.degrees for c in components if c.degrees is not None), Fraction(0))
    return total**2 / below if below else None


def _check(one: Component | Input) -> None:
    if one.standard < 0:
        raise ValueError(f"the standard uncertainty of {one.name!r} is not negative, and here it is {one.standard}")
    if one.degrees is not None and one.degrees < 1:
        raise ValueError(f"{one.name!r} has at least one degree of freedom, not {one.degrees}")


def _shared(shared: Number, other: GaugeKnowledge | None) -> Fraction:
    if not 0 <= shared <= 1:
        raise ValueError(f"what two readings share is from 0 to 1, not {shared}")
    if shared and other is not None:
        raise ValueError("what is known of two gauges is given, so the readings share nothing")
    return Fraction(shared)


def _averaged(count: int) -> None:
    if count < 1:
        raise ValueError(f"a result is the mean of at least one reading, not {count}")


def _width(half_width: Number) -> Fraction:
    if half_width < 0:
        raise ValueError(f"a half-width is not negative, and here it is {half_width}")
    return Fraction(half_width)


def _square(value: Decimal) -> Fraction:
    return Fraction(value) ** 2

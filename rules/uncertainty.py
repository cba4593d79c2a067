"""Measurement uncertainty by the GUM (JCGM 100:2008): components, budget, and the budget of a film build.

Standard uncertainties are Decimals in µm unless said otherwise; variances are summed exactly. The law of
propagation for uncorrelated inputs, the Welch-Satterthwaite formula (annex G.4) and k from Student's t
(annex G.6.4) are those of the GUM, from memory; its example H.1 agrees digit by digit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from typing import Final

from rules.distributions import normal_quantile, t_quantile
from rules.statistics import square_root, standard_deviation

#: Probability that an expanded uncertainty covers, where nothing else is agreed.
USUAL_COVERAGE: Final = Decimal("0.95")


@dataclass(frozen=True, slots=True)
class Component:
    """One contribution to an uncertainty.

    Attributes:
        name: Where it comes from.
        standard: Standard uncertainty of the result that it makes, not negative.
        degrees: Degrees of freedom; None where they are taken as infinite.
        how: How it was found, in a sentence with its numbers.
    """

    name: str
    standard: Decimal
    degrees: int | None
    how: str


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
    """Return what uncorrelated *components* come to.

    Raises:
        ValueError: There are none, or *coverage* is not between 0 and 1.
    """
    if not components:
        raise ValueError("a budget needs at least one component")
    variance = sum((_square(c.standard) for c in components), Fraction(0))
    combined = square_root(variance)
    degrees = _welch_satterthwaite(components, variance)
    upper = (1 + coverage) / 2
    # Truncated to the next lower whole number, as example H.1 does with 16.75.
    factor = normal_quantile(upper) if degrees is None else t_quantile(upper, max(1, int(degrees)))
    return Budget(
        tuple(components),
        combined,
        None if degrees is None else Decimal(degrees.numerator) / Decimal(degrees.denominator),
        coverage,
        factor,
        factor * combined,
    )


def rectangular(half_width: Decimal | Fraction) -> Decimal:
    """Return the standard uncertainty of a quantity that lies anywhere within ± *half_width* alike: a/√3 (4.3.7)."""
    return square_root(Fraction(half_width) ** 2 / 3)


def arcsine(half_width: Decimal | Fraction) -> Decimal:
    """Return the standard uncertainty of a quantity that swings between ± *half_width*: a/√2 (example H.1)."""
    return square_root(Fraction(half_width) ** 2 / 2)


def normal(expanded: Decimal | Fraction, factor: Decimal | Fraction = Decimal(2)) -> Decimal:
    """Return the standard uncertainty behind a certificate's expanded uncertainty and its coverage factor (4.3.3)."""
    quotient = Fraction(expanded) / Fraction(factor)
    return Decimal(quotient.numerator) / Decimal(quotient.denominator)


def type_a(values: Sequence[Decimal] | Sequence[Fraction], averaged: int | None = None) -> tuple[Decimal, int]:
    """Return the standard uncertainty of the mean of *averaged* values, and its degrees of freedom (4.2.3).

    Args:
        values: The observations that show the spread.
        averaged: How many of such are averaged in the result; all of *values* by default.

    Raises:
        ValueError: There are fewer than two values.
    """
    count = len(values) if averaged is None else averaged
    spread = standard_deviation(values)
    return square_root(_square(spread) / count), len(values) - 1


@dataclass(frozen=True, slots=True)
class GaugeKnowledge:
    """What is known of the gauge when a film build was read; all in µm.

    Attributes:
        accuracy_um: a of the maker's accuracy statement a + b·t.
        accuracy_percent: b of it, in percent.
        step_um: Last place that the gauge showed.
        standard: Serial of the standard that lies nearest to the build.
        standard_u_um: Its expanded uncertainty (k = 2).
        error_um: Error found on it before the readings; it is carried, not corrected for.
    """

    accuracy_um: Decimal
    accuracy_percent: Decimal
    step_um: Decimal
    standard: str
    standard_u_um: Decimal
    error_um: Decimal


def film_build_budget(
    builds_um: Sequence[Fraction],
    averaged: int,
    gauge: GaugeKnowledge,
    base_um: Sequence[Fraction] = (),
    coverage: Decimal = USUAL_COVERAGE,
) -> Budget:
    """Return the budget of the mean of *averaged* readings at a location, or of one reading.

    Args:
        builds_um: The builds at the location, in µm: their spread is the repeatability, surface and hand included.
        averaged: How many readings the result is the mean of; 1 for a single reading.
        gauge: What is known of the gauge.
        base_um: Readings on the bare metal (or zinc) whose mean is subtracted; none where nothing is.
        coverage: Probability that the expanded uncertainty covers.

    The error found at the verification is carried as a rectangular half-width beside the maker's accuracy
    statement: that counts part of the gauge twice and is on the safe side (a choice of ours, no source).

    Raises:
        ValueError: There are fewer than two builds, so their spread is not known.
    """
    centre = sum(builds_um, Fraction(0)) / len(builds_um)
    spread, degrees = type_a(builds_um, averaged)
    accuracy = Fraction(gauge.accuracy_um) + abs(centre) * Fraction(gauge.accuracy_percent) / 100
    said = f"s of {len(builds_um)} readings" + (f", mean of {averaged}" if averaged > 1 else ", one reading")
    components = [
        Component("repeatability", spread, degrees, said),
        Component(
            "resolution", rectangular(Fraction(gauge.step_um) / 2), None, f"last place shown {gauge.step_um:f} µm"
        ),
        Component("gauge accuracy", rectangular(accuracy), None, f"maker's ± {float(accuracy):.2f} µm, rectangular"),
        Component(
            "standard", normal(gauge.standard_u_um), None, f"{gauge.standard}: U {gauge.standard_u_um:f} µm, k = 2"
        ),
        Component("error at verification", rectangular(abs(gauge.error_um)), None, f"{gauge.error_um:f} µm, carried"),
    ]
    if len(base_um) > 1:
        base, base_degrees = type_a(base_um)
        components.append(Component("base metal reading", base, base_degrees, f"mean of {len(base_um)} readings"))
    return budget(components, coverage)


def _welch_satterthwaite(components: Sequence[Component], variance: Fraction) -> Fraction | None:
    below = sum((_square(c.standard) ** 2 / c.degrees for c in components if c.degrees is not None), Fraction(0))
    return variance**2 / below if below else None


def _square(value: Decimal) -> Fraction:
    return Fraction(value) ** 2

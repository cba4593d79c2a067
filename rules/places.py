"""A place is one location on one piece with its builds; here it is compared with limits, and findings are worded.

Every acceptance rule is made of these comparisons. A number exactly on its limit conforms.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from fractions import Fraction
from typing import Final

from rules.comparison_words import comparison_sentence, share_of
from rules.rounding import Comparison, at_least, at_most
from rules.sentence import said, template
from rules.verdict import Finding, Verdict
from rules.wording import amount, as_written, percent, with_unit
from schemas.job import Location, Rule
from schemas.units import Unit

Limit = Decimal | Fraction

#: The check whose number is a share: too many low readings, though the number lies above its limit.
LOW_READINGS_CHECK: Final = "share of low readings"


@dataclass(frozen=True, slots=True)
class PieceLocation:
    """The judged film builds at one location on one piece, exact, in the unit of the specification.

    Attributes:
        comparison: How a number is compared with a limit.
        spots: The builds of each spot that has any, by its number, in the order taken.
    """

    piece: str
    location: Location
    spots: dict[int, tuple[Fraction, ...]]
    comparison: Comparison = Comparison.ABSOLUTE

    @property
    def builds(self) -> tuple[Fraction, ...]:
        """Return all builds here, spot by spot."""
        return tuple(build for spot in self.spots.values() for build in spot)

    @property
    def credited(self) -> int:
        """Return how many readings of the plan are there: as many spots as planned, the fullest first.

        Readings beyond the plan at one spot do not make up for a spot that was left out.
        """
        fullest = sorted((len(spot) for spot in self.spots.values()), reverse=True)[: self.location.spots]
        return sum(min(taken, self.location.readings_per_spot) for taken in fullest)


def comparison_of(rule: Rule) -> Comparison:
    """Return how the job's rule compares a number with a limit."""
    if rule.comparison == "absolute":
        return Comparison.ABSOLUTE
    return Comparison.ROUNDING_UP if rule.tie == "up" else Comparison.ROUNDING


@dataclass(frozen=True, slots=True)
class AcceptanceRule:
    """An acceptance rule: the function that judges, and what is said of it.

    Attributes:
        judge: From the measured places, the job's rule and the unit to findings. A finding without a
            location is about more than one.
        known: How well the rule is known here, figure by figure.
        seen: Which edition was seen, and in what form.
    """

    title: str
    text: str
    source: str
    known: str
    seen: str
    judge: Callable[[Sequence[PieceLocation], Rule, Unit], list[Finding]]


def lowest_and_highest(place: PieceLocation, values: Sequence[Fraction], noun: str, unit: Unit) -> Iterator[Finding]:
    """Yield the lowest value against the lower limit and the highest against the upper one."""
    lower, upper = place.location.lower, place.location.upper
    if values and lower is not None:
        yield lowest(place, f"lowest {noun}", values, lower, "the lower limit", unit)
    if values and upper is not None:
        yield highest(place, f"highest {noun}", values, upper, "the upper limit", unit)


def lowest(
    place: PieceLocation,
    check: str,
    values: Sequence[Fraction],
    limit: Limit,
    limit_name: str,
    unit: Unit,
    averaged: int = 1,
) -> Finding:
    """Return what comes out when each of *values* is to be at least *limit*: the finding of the lowest."""
    return replace(low(place, check, min(values), limit, limit_name, unit, averaged), among=tuple(values))


def highest(
    place: PieceLocation,
    check: str,
    values: Sequence[Fraction],
    limit: Limit,
    limit_name: str,
    unit: Unit,
    averaged: int = 1,
) -> Finding:
    """Return what comes out when each of *values* is to be at most *limit*: the finding of the highest."""
    return replace(high(place, check, max(values), limit, limit_name, unit, averaged), among=tuple(values))


def low(
    place: PieceLocation, check: str, found: Fraction, limit: Limit, limit_name: str, unit: Unit, averaged: int = 1
) -> Finding:
    """Return what comes out when *found* is to be at least *limit*, both in *unit*."""
    return _compared_at(place, check, found, limit, limit_name, unit, averaged, low=True)


def high(
    place: PieceLocation, check: str, found: Fraction, limit: Limit, limit_name: str, unit: Unit, averaged: int = 1
) -> Finding:
    """Return what comes out when *found* is to be at most *limit*, both in *unit*."""
    return _compared_at(place, check, found, limit, limit_name, unit, averaged, low=False)


def _compared_at(
    place: PieceLocation,
    check: str,
    found: Fraction,
    limit: Limit,
    limit_name: str,
    unit: Unit,
    averaged: int,
    *,
    low: bool,
) -> Finding:
    return compared(
        where(place),
        place.comparison,
        check,
        found,
        limit,
        limit_name,
        unit,
        low=low,
        piece=place.piece,
        location=place.location.name,
        averaged=averaged,
    )


def compared(
    place: str,
    comparison: Comparison,
    check: str,
    found: Fraction,
    limit: Limit,
    limit_name: str,
    unit: Unit,
    *,
    low: bool,
    piece: str,
    location: str | None = None,
    averaged: int = 1,
) -> Finding:
    """Return the finding of one comparison; *place* says in words where, *limit_name* what the limit is.

    By the rounding method a number is rounded to the last place of the limit first. That needs the limit as
    someone wrote it: one that a rule derives (80 % of a minimum) is always compared unrounded.
    """
    method = comparison if isinstance(limit, Decimal) else Comparison.ABSOLUTE
    good = at_least(found, limit, method) if low else at_most(found, limit, method)
    shown_against = limit if method is Comparison.ABSOLUTE else None
    number = with_unit(amount(found, unit, shown_against), unit)
    if method is not Comparison.ABSOLUTE:
        number = said("{found}, rounded to the last place of the limit,", found=number)
    sentence = comparison_sentence(
        place, check, number, limit_name, with_unit(as_written(limit), unit), low=low, good=good
    )
    return Finding(
        Verdict.PASS if good else Verdict.FAIL,
        check,
        sentence,
        location=location,
        piece=piece,
        found=found,
        limit=limit,
        low=low,
        averaged=averaged,
    )


def named(limit_name: str, limit: Limit, specified: Decimal | None) -> str:
    """Return what a level makes of a limit in words: "80 % of the lower limit"."""
    if specified is None or not specified or limit == specified:
        return limit_name
    return share_of(percent(as_written(Fraction(limit) / Fraction(specified) * 100)), limit_name)


_TOO_FEW: Final = {
    ("readings", "the plan asks for"): template("{place}: too few readings: {found} of {asked} that the plan asks for"),
    ("spots", "an area mean needs"): template("{place}: too few spots: {found} of {asked} that an area mean needs"),
}


def too_few(place: PieceLocation, what: str, found: int, asked: int, who_asks: str) -> Finding:
    """Return that fewer were measured than asked for: UNDECIDED."""
    return Finding(
        Verdict.UNDECIDED,
        what,
        _TOO_FEW[what, who_asks](place=where(place), found=found, asked=asked),
        location=place.location.name,
        piece=place.piece,
        found=Fraction(found),
        limit=Decimal(asked),
    )


def where(place: PieceLocation) -> str:
    """Return the place in words."""
    return said("piece {piece}, {location}", piece=place.piece, location=place.location.name)

"""What two parties' results come to: whether they differ, what would explain it, and what to do next.

Exchanging the parties turns the sign of every difference and of every E_n, and changes no sentence: neither party is the
measure of the other. What to do is common practice where no source stands beside it, and never says who is right.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from fractions import Fraction
from typing import Final

from rules.distributions import f_survival
from rules.parties import Party, Result, pooled
from rules.party_explanations import (
    Cause,
    Explanation,
    Sides,
    Standing,
    differ_by_unit,
    error_figure,
    explanations,
)
from rules.party_places import Bearing, Place, key_of, only_in, places_of, worst
from rules.statistics import square_root
from rules.uncertainty import TWO_SIGMA
from rules.wording import amount, as_written, counted, listed
from schemas.units import Unit, from_um


class Action(StrEnum):
    """What can be done next."""

    NOTHING = "nothing about the gauges"
    ASK_UNCERTAINTY = "ask for the uncertainty"
    SETTLE = "settle what would explain it"
    SETTLE_RULE = "settle the rule"
    SAME_SPOT = "same part, same marked spot"
    ONE_STANDARD = "both gauges on one standard"
    SAME_FOOTING = "same rule, unit and correction"
    COMPARE_AGAIN = "compare again"
    REFEREE = "cross-section as referee"


@dataclass(frozen=True, slots=True)
class Step:
    """One thing to do: what, in a sentence; where it is from or how well it is known; and the caution that goes with it."""

    action: Action
    sentence: str
    known: str
    caution: str = ""


@dataclass(frozen=True, slots=True)
class AtLimits:
    """How both parties' results stand to the limits at one location; True: inside or on the limit.

    Attributes:
        outside: How many single figures of each party lie outside.
    """

    location: str
    first_mean_inside: bool
    second_mean_inside: bool
    outside: tuple[int, int]


@dataclass(frozen=True, slots=True)
class Comparison:
    """Everything said about two parties' results.

    Attributes:
        unit: Unit that the sentences are written in.
        places: Location by location, in the order of the first.
        only_first, only_second: Locations that one party alone has; they are not compared.
        bearing: The worst of the places.
        explanations: What would explain it, the best first; empty where no difference means anything, or may.
        at_limits: How both stand to the limits, where there are any.
        about_limits: What follows for the verdicts, in sentences.
        remarks: What else is worth knowing, in sentences.
        steps: What to do, in this order.
    """

    first: Party
    second: Party
    unit: Unit
    places: tuple[Place, ...]
    only_first: tuple[str, ...]
    only_second: tuple[str, ...]
    bearing: Bearing
    conclusion: str
    explanations: tuple[Explanation, ...]
    at_limits: tuple[AtLimits, ...]
    about_limits: tuple[str, ...]
    remarks: tuple[str, ...]
    steps: tuple[Step, ...]


def compare(first: Party, second: Party, unit: Unit) -> Comparison:
    """Return what two parties' results come to.

    Raises:
        ValueError: They have no location in common, or one name.
    """
    if first.name == second.name:
        raise ValueError(f"both parties are called {first.name!r}")
    places = places_of(first, second)
    if not places:
        raise ValueError("the parties have no location in common")
    sides = Sides(first, second, places, unit)
    found = explanations(sides)
    limits = tuple(_at_limits(places))
    about, by_rule = _about_limits(sides, limits)
    return Comparison(
        first=first,
        second=second,
        unit=unit,
        places=places,
        only_first=only_in(first, second),
        only_second=only_in(second, first),
        bearing=worst(places),
        conclusion=_conclusion(places),
        explanations=found,
        at_limits=limits,
        about_limits=about,
        remarks=tuple(_remarks(sides)),
        steps=tuple(_steps(sides, found, by_rule=by_rule)),
    )


def _conclusion(places: Sequence[Place]) -> str:
    beyond = sorted((p.location for p in places if p.bearing is Bearing.BEYOND), key=key_of)
    still_open = sorted((p.location for p in places if p.bearing is Bearing.OPEN), key=key_of)
    of = counted(len(places), "location")
    if beyond:
        verb = "means" if len(beyond) == 1 else "mean"
        what = "The difference" if len(beyond) == 1 else "The differences"
        said = f"{what} at {listed(beyond, 6)} {verb} something: more than both uncertainties allow"
        said += f" ({len(beyond)} of {of})" if len(places) > 1 else ""
        return f"{said}; {len(still_open)} cannot be told" if still_open else said
    if still_open:
        return (
            f"Whether the differences mean anything cannot be told at {listed(still_open, 6)}: "
            "an uncertainty is not stated"
        )
    return f"No difference means anything: {_within(places)}"


def _within(places: Sequence[Place]) -> str:
    """Return in what the differences lie that mean nothing: an uncertainty that is not stated may not be needed."""
    both = [p for p in places if p.error is not None]
    one = [p for p in places if p.error is None and p.difference_um]
    of = counted(len(places), "location")
    if len(both) == len(places):
        return f"at {of} all lie within both uncertainties"
    if len(one) == len(places):
        return f"at {of} all lie within the one uncertainty that is known"
    kinds = (
        (len(both), "lie within both uncertainties", "lies within both uncertainties"),
        (len(one), "lie within the one uncertainty that is known", "lies within the one uncertainty that is known"),
        (len(places) - len(both) - len(one), "are none at all", "is none at all"),
    )
    if kinds[2][0] == len(places):
        return f"at {of} there is none at all"
    return f"of those at {of} {listed([f'{n} {more if n > 1 else single}' for n, more, single in kinds if n])}"


# Limits


def _limits(at: Place) -> tuple[Fraction | None, Fraction | None]:
    """Return the limits there; where the parties have other ones, the narrower window."""
    lowers = [r.lower_um for r in (at.first, at.second) if r.lower_um is not None]
    uppers = [r.upper_um for r in (at.first, at.second) if r.upper_um is not None]
    return max(lowers, default=None), min(uppers, default=None)


def _at_limits(places: Iterable[Place]) -> Iterator[AtLimits]:
    for p in places:
        lower, upper = _limits(p)
        if lower is None and upper is None:
            continue
        outside = [sum(not _inside(b, lower, upper) for b in r.builds_um) for r in (p.first, p.second)]
        yield AtLimits(
            p.location,
            _inside(p.first.centre_um, lower, upper),
            _inside(p.second.centre_um, lower, upper),
            (outside[0], outside[1]),
        )


def _inside(value: Fraction, lower: Fraction | None, upper: Fraction | None) -> bool:
    return (lower is None or value >= lower) and (upper is None or value <= upper)


def _about_limits(sides: Sides, limits: Sequence[AtLimits]) -> tuple[tuple[str, ...], bool]:
    """Return what follows for the verdicts, and whether the rule alone makes one accept what another rejects."""
    said: list[str] = []
    by_rule = False
    by_location = {p.location: p for p in sides.places}
    for one in sorted(limits, key=lambda x: key_of(x.location)):
        window = _window(by_location[one.location], sides.unit)
        if one.first_mean_inside is not one.second_mean_inside:
            inside, outside = _named(sides, first=one.first_mean_inside)
            said.append(
                f"{one.location}: by the mean, {inside} lies within the limits ({window}) and {outside} does not."
            )
        place = by_location[one.location]
        for party, result, mean_inside, count in sorted(
            (
                (sides.first.name, place.first, one.first_mean_inside, one.outside[0]),
                (sides.second.name, place.second, one.second_mean_inside, one.outside[1]),
            ),
            key=lambda x: x[0],
        ):
            if mean_inside and count:
                by_rule = True
                verb = "does" if count == 1 else "do"
                said.append(
                    f"{one.location}: the mean of {party} lies within the limits ({window}), {count} of its "
                    f"{len(result.builds_um)} readings {verb} not: whoever judges means accepts it, whoever judges "
                    "every reading rejects it."
                )
    if any(_limits_differ(p) for p in sides.places):
        said.append("The parties have different limits; here the narrower window is taken.")
    rules = {party.judges for party in (sides.first, sides.second) if party.judges}
    if len(rules) > 1:
        by_rule = True
        said.append(f"The parties judge by different rules: {listed(sorted(rules))}.")
    return tuple(said), by_rule


def _limits_differ(at: Place) -> bool:
    pairs = ((at.first.lower_um, at.second.lower_um), (at.first.upper_um, at.second.upper_um))
    return any(one is not None and other is not None and one != other for one, other in pairs)


def _window(at: Place, unit: Unit) -> str:
    lower, upper = (None if limit is None else as_written(from_um(limit, unit)) for limit in _limits(at))
    if lower is None:
        return f"at most {upper} {unit.symbol}"
    return f"at least {lower} {unit.symbol}" if upper is None else f"{lower} to {upper} {unit.symbol}"


def _named(sides: Sides, *, first: bool) -> tuple[str, str]:
    one, other = sides.first.name, sides.second.name
    return (one, other) if first else (other, one)


# Remarks


#: A spread is called larger where chance alone would show it less often than this (two-sided; a choice of ours).
_SELDOM: Final = Decimal("0.01")


def _remarks(sides: Sides) -> Iterator[str]:
    if not differ_by_unit(sides):
        yield from _spreads(sides)
    yield from _counts(sides)
    yield from _shared(sides)
    errors = [p.error for p in sides.places if p.error is not None]
    if errors:
        least = min(e.expanded for e in errors)
        most = max(e.expanded for e in errors)
        yield (
            f"A difference smaller than {_between(Fraction(least), Fraction(most), sides.unit)} (by location) could not be "
            "noticed here; that none means anything does not show that the parties agree any closer."
        )
    beyond = sum(p.bearing is Bearing.BEYOND for p in sides.places)
    if beyond == 1 and len(errors) >= _MANY:
        chance = (1 - TWO_SIGMA ** len(errors)) * 100
        yield (
            f"k = 2 covers 95 %: of {len(errors)} locations that all agree, one or more lies beyond by chance with a "
            f"probability of {amount(Fraction(chance), Unit.UM)[:-2]} % (were they independent). Measure that one again first."
        )


#: From so many locations on it is said what chance does (a choice of ours).
_MANY: Final = 10


def _spreads(sides: Sides) -> Iterator[str]:
    spreads = []
    for party, results in _both(sides):
        spread = pooled([r.builds_um for r in results])
        if spread is None:
            return
        spreads.append((spread.variance, spread.degrees, party.name))
    (large, above, wide), (small, below, narrow) = sorted(spreads, reverse=True)
    if not small:
        if large:
            yield f"The readings of {narrow} within a location are all alike, those of {wide} are not: ask how they were taken."
        return
    chance = 2 * f_survival(Decimal(1) * _decimal(large / small), above, below)
    if chance < _SELDOM:
        s_wide, s_narrow = (_um(Fraction(square_root(v)), sides.unit) for v in (large, small))
        yield (
            f"The readings of {wide} vary more within a location than those of {narrow} (s {s_wide} against {s_narrow}): "
            "more than chance explains. Another probe, another hand or a wider spot does that."
        )


def _counts(sides: Sides) -> Iterator[str]:
    pairs = [(p.first.count, p.second.count) for p in sides.places]
    if any(max(pair) >= 2 * min(pair) for pair in pairs):
        said = [
            f"{party.name} took {_range([r.count for r in results])}"
            for party, results in sorted(_both(sides), key=lambda x: x[0].name)
        ]
        yield f"Number of readings at a location: {listed(said)}. A mean of few readings is less certain than one of many."


def _shared(sides: Sides) -> Iterator[str]:
    of = [p for p in sides.places if p.shared is not None]
    if not of:
        return
    standards = sorted({p.shared for p in of if p.shared is not None})
    said = (
        f"Both gauges were checked on {listed(standards)}: what that brings moves both alike, so it is taken out of U of the "
        "difference."
    )
    turned = [
        p
        for p in of
        if p.error is not None and p.taken_apart is not None and p.error.beyond is not p.taken_apart.beyond
    ]
    for p in sorted(turned, key=lambda x: key_of(x.location)):
        if p.error is not None and p.taken_apart is not None:
            said += (
                f" At {p.location} that decides: |E_n| is {error_figure(p.error.size)}, and "
                f"{error_figure(p.taken_apart.size)} with both taken as independent."
            )
    yield said


def _both(sides: Sides) -> tuple[tuple[Party, list[Result]], tuple[Party, list[Result]]]:
    return (
        (sides.first, [p.first for p in sides.places]),
        (sides.second, [p.second for p in sides.places]),
    )


def _range(counts: Sequence[int]) -> str:
    low, high = min(counts), max(counts)
    return str(low) if low == high else f"{low} to {high}"


# What to do


_PRACTICE: Final = "common practice, no source"

_AGREE: Final = "The figures agree as well as they can be told apart. Keep both lists with this comparison."
_AGREE_WITHIN_ONE: Final = (
    "The figures agree whatever uncertainty {silent} {verb} not state: it could only make the differences mean less. How closely "
    "they agree is not shown without it. Keep both lists with this comparison."
)

_SETTLE: Final[dict[Cause | None, str]] = {
    Cause.UNIT: "Ask in which unit the gauge was set and the list written: {parties}. Correct the list, not the part.",
    Cause.BASE_METAL: "Agree whether a value for the metal below is subtracted, which one, and from how many readings on the "
    "bare metal it comes; then compare on that footing.",
    Cause.GAUGE_CHECK: "Agree whether errors found at gauge checks are corrected for, by both parties or by neither.",
    Cause.EXCHANGED: "Lay both lists beside the drawing and name every location alike; a list that names it otherwise is "
    "compared with --same.",
    Cause.PIECE: "Ask which piece was measured, and compare that piece alone: {parties}.",
    Cause.SINGLE: "Agree how many readings make a result, and whether their mean or each of them counts.",
    Cause.COUNT: "Ask whether the stated U holds what the readings vary by, or the gauge alone: {parties}.",
}


def _steps(sides: Sides, found: Sequence[Explanation], *, by_rule: bool) -> Iterator[Step]:
    bearing = worst(sides.places)
    silent = [party.name for party, results in _both(sides) if any(r.expanded_um is None for r in results)]
    if bearing is Bearing.OPEN:
        yield _ask_uncertainty(sorted(silent))
    yield from _settle(found)
    if by_rule:
        yield Step(
            Action.SETTLE_RULE,
            "Look up which rule the order names, each reading or the mean of a location, and judge both lists by that one; "
            "where the order names none, agree on one in writing.",
            f"ISO/IEC 17025, 7.1.3 and 7.8.6: the decision rule is agreed and stated (read); {_PRACTICE}",
        )
    if bearing is Bearing.WITHIN:
        yield Step(
            Action.NOTHING,
            _AGREE
            if not silent
            else _AGREE_WITHIN_ONE.format(silent=listed(sorted(silent)), verb="do" if len(silent) > 1 else "does"),
            _PRACTICE,
        )
        return
    if bearing is Bearing.BEYOND and silent:
        yield _ask_uncertainty(sorted(silent))
    yield from (_ONE_STANDARD, _SAME_SPOT) if _adjustment_first(found) else (_SAME_SPOT, _ONE_STANDARD)
    yield from (_SAME_FOOTING, _COMPARE_AGAIN, _REFEREE)


def _settle(found: Sequence[Explanation]) -> Iterator[Step]:
    told: set[Cause | None] = set()
    for one in found:
        if one.standing not in (Standing.FULLY, Standing.PARTLY):
            continue
        for cause in (one.cause, one.and_then):
            # What is common to all locations, and another spot, are what both parties measuring again is for.
            if cause in _SETTLE and cause not in told:
                told.add(cause)
                text = _SETTLE[cause].format(parties=listed(one.parties) or "both")
                yield Step(Action.SETTLE, text, _PRACTICE)


def _adjustment_first(found: Sequence[Explanation]) -> bool:
    best = next((one for one in found if one.standing is Standing.FULLY), None)
    return best is not None and (best.and_then or best.cause) in (Cause.OFFSET, Cause.SLOPE, Cause.GAUGE_CHECK)


def _ask_uncertainty(silent: Sequence[str]) -> Step:
    return Step(
        Action.ASK_UNCERTAINTY,
        f"Ask for the expanded uncertainty (k = 2) of the figures, or for the accuracy of the gauge: {listed(silent)}. "
        "Neither repeatability nor the last digit shown proves who is right; an uncertainty budget does.",
        "ISO/IEC 17025, 7.8.3.1: uncertainty is reported where it matters or is asked for (from memory); what proves it: "
        "read, in a trade magazine",
    )


_SAME_SPOT: Final = Step(
    Action.SAME_SPOT,
    "Take one part that both parties can get at, mark the spots on it (a circle of about 4 cm), and let each party take the "
    "same number of readings in each, three or more, moving the probe between them.",
    f"three readings or more in a circle of about 4 cm are a spot of SSPC-PA 2 (read); the rest {_PRACTICE}",
)
_ONE_STANDARD: Final = Step(
    Action.ONE_STANDARD,
    "Let both gauges read the same certified standards, in date, one on each side of the thickness in question, and a zero "
    "plate of the part's own metal and shape, right before and right after the part; write down stated and measured value.",
    "verification before and after by SSPC-PA 2 and ASTM D7091 (from memory); one standard for both: common practice, no "
    "source",
)
_SAME_FOOTING: Final = Step(
    Action.SAME_FOOTING,
    "Write down before measuring what both will do alike: unit, number of readings, mean or each reading, what is "
    "subtracted for the metal below, locations on the drawing.",
    _PRACTICE,
)
_COMPARE_AGAIN: Final = Step(
    Action.COMPARE_AGAIN,
    "Compare the new figures again, with both uncertainties. Only an |E_n| that stays above 1 is a dispute about the part.",
    "ISO 13528 and ISO/IEC 17043 for E_n (how well these are known: docs/comparing.md)",
)
_REFEREE: Final = Step(
    Action.REFEREE,
    "If it stays: a cross-section under the microscope at the marked spot, by a laboratory that both parties accept and name "
    "beforehand, with its own stated uncertainty.",
    "microscopy as referee: read for galvanizing, in an association's guide; destructive sections of paint films: ASTM D4138, "
    "read in summary; ASTM B487 is for metal and oxide coatings (scope read), so is ISO 1463 (from memory); ISO 2808 lists the "
    "methods for paint films (read)",
    caution="A section destroys the part. Settle beforehand which part, where, who pays and who may watch; a part that matters "
    "to safety is cut only with the leave of whoever answers for it, and no part that was cut goes back into service. "
    "Cutting and grinding are work for a laboratory.",
)


def _decimal(value: Fraction) -> Decimal:
    return Decimal(value.numerator) / Decimal(value.denominator)


def _um(value_um: Fraction, unit: Unit) -> str:
    return f"{amount(from_um(value_um, unit), unit)} {unit.symbol}"


def _between(low_um: Fraction, high_um: Fraction, unit: Unit) -> str:
    low, high = amount(from_um(low_um, unit), unit), amount(from_um(high_um, unit), unit)
    return f"{low} {unit.symbol}" if low == high else f"{low} to {high} {unit.symbol}"

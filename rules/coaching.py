"""Coaching: what the rack just measured says, and the one thing to change, or that there is nothing to change.

The rack is compared with its target bands, with earlier racks that are like it, and with what the gauge itself cannot tell
apart. One change is suggested at the most, with its evidence. Which one goes by an order that is written down (a
choice of ours), so that the same readings always give the same answer:

1. A location that is off while others are not: aim, distance and technique at that location.
2. A place on the rack that is off while others are not.
3. The whole part thinner or thicker than aimed at.
4. The level has changed against earlier racks, though it still lies in the band: look for what has changed.
5. Too much spread, from piece to piece or within the piece.
6. Nothing to change. Reacting to every wiggle widens the spread (Deming's funnel, read in texts that restate it; the tests show it
   on numbers).

What keeps it fair (common practice, no source, unless said otherwise):

* Like with like: the same part, location, places on the rack and powder. Place on the rack alone made a shop's figures useless
  until it was told apart (read, a quality forum).
* A difference that is no larger than the gauge's own expanded uncertainty is the gauge's, and is never blamed on the sprayer.
* One figure a piece: readings on one piece are not independent, so that intervals count pieces. Every figure says how
  many stand behind it, and nothing is said of a location from fewer than 3 pieces or 5 readings.
* A sprayer is a code here, and no two are compared.
* Suggestions are of technique, in ordinary words. Settings belong to the data sheet of the powder and to the manual of the equipment.
  Where the film is thin, the ground comes first (read, a powder maker's guide).

Intervals are Student's t on pieces, Welch's for two groups (from memory; scipy agrees), with the confidence divided over the
pairs that were looked at (Bonferroni). Texts here stand on a screen and are said in English.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from enum import StrEnum
from fractions import Fraction
from itertools import combinations
from typing import Final

from rules.capability import Capability, capability
from rules.control_charts import LEAST_POINTS, Chart, ChartPair, Signal, individuals, means_and_deviations
from rules.distributions import share_interval, t_quantile
from rules.powder_use import Film, PowderAbove, film_needed, powder_above_need
from rules.rounding import shown
from rules.short_run import deviation_from_target, target_of
from rules.statistics import mean, square_root, variance
from rules.uncertainty import USUAL_COVERAGE, nearest_decimal
from rules.variation import Level, Variation, nested_variation
from rules.window import LEAST_READINGS
from rules.wording import amount, counted, listed
from schemas.units import Unit
from schemas.vocabulary import Role

Number = Decimal | Fraction

#: Of a location with fewer pieces or readings nothing is said but how many there are (a choice of ours).
LEAST_PIECES: Final = 3
LEAST_AT_LOCATION: Final = 5
#: Fewer earlier racks than this are not compared with; a control chart asks for more (a choice of ours).
LEAST_EARLIER: Final = 3
#: Fewer pieces than this at a place on the rack do not speak for it (a choice of ours).
LEAST_AT_POSITION: Final = 3


# What was measured


@dataclass(frozen=True, slots=True)
class RackReading:
    """A reading that counts: where it was taken, and its film build in the unit of the specification."""

    piece: str
    location: str
    spot: int
    build: Number
    rack_position: str | None = None


@dataclass(frozen=True, slots=True)
class Rack:
    """One rack, with the readings that count, in the order taken.

    Attributes:
        label: What it is called on a chart: its number, or its inspection.
        part_no: Part number.
        powder: Code of the powder; None where it was not stated.
        sprayer: Code of the person who sprayed; never a name, and only carried through.
        readings: Of the total coat, base metal subtracted.
    """

    label: str
    part_no: str
    powder: str | None
    sprayer: str | None
    readings: tuple[RackReading, ...]


@dataclass(frozen=True, slots=True)
class Aim:
    """A location with what is aimed at and what may be shipped, in the unit of the specification."""

    location: str
    role: Role
    lower: Number | None
    target_low: Number | None
    target_high: Number | None
    upper: Number | None

    @property
    def band(self) -> tuple[Fraction | None, Fraction | None]:
        """Return what the mean is to lie between: the target band, and the limit where an end of it is not stated."""
        low = self.lower if self.target_low is None else self.target_low
        high = self.upper if self.target_high is None else self.target_high
        return None if low is None else Fraction(low), None if high is None else Fraction(high)

    @property
    def middle(self) -> Fraction | None:
        """Return what is aimed at; None where that is not stated."""
        return target_of(self.lower, self.target_low, self.target_high, self.upper)

    def off(self, build: Fraction) -> Fraction:
        """Return how far *build* lies outside the band: below 0 where it is thin, 0 inside."""
        low, high = self.band
        if low is not None and build < low:
            return build - low
        if high is not None and build > high:
            return build - high
        return Fraction(0)


# What it says


@dataclass(frozen=True, slots=True)
class Interval:
    """A mean or a difference with its interval, in the unit of the builds."""

    value: Fraction
    low: Fraction
    high: Fraction

    @property
    def is_apart(self) -> bool:
        """Return whether the interval leaves 0 out."""
        return self.low > 0 or self.high < 0


@dataclass(frozen=True, slots=True)
class OutOfWindow:
    """How much lies outside the limits.

    Attributes:
        readings: Readings.
        below: Of these, below the lower limit.
        above: Of these, above the upper limit.
        pieces: Pieces.
        pieces_out: Of these, with a reading outside.
        low: Lower end of the 95 % interval of the share of such pieces, of 1 (Clopper-Pearson).
        high: Upper end.
    """

    readings: int
    below: int
    above: int
    pieces: int
    pieces_out: int
    low: Decimal
    high: Decimal


@dataclass(frozen=True, slots=True)
class AgainstEarlier:
    """The rack beside earlier ones that are like it.

    Attributes:
        racks: How many earlier racks.
        difference: This rack's mean less the mean of theirs.
        beyond_gauge: Whether it is larger than the gauge explains; None where that is not known.
    """

    racks: int
    difference: Interval
    beyond_gauge: bool | None


@dataclass(frozen=True, slots=True)
class LocationCoaching:
    """One location of the rack.

    Attributes:
        aim: The location with its bands.
        n: Readings.
        pieces: Pieces.
        enough: Whether there are enough of both to say anything; otherwise what follows is None or empty.
        mean: Mean of the pieces' means, with its interval.
        off: How far the mean lies outside the band; 0 inside.
        off_firmly: Whether it is outside with its whole interval, and by more than the gauge explains.
        between_pieces: Standard deviation from piece to piece; None where it cannot be told.
        within_piece: Standard deviation within a piece, spots and readings together; None where it cannot be told.
        out: How much lies outside the limits.
        earlier: Compared with earlier racks; None where there are too few.
        chart: Individuals chart of the racks' means, limits from the earlier ones; this rack is the last point.
        spread_chart: Chart of the standard deviations of the pieces' means, in the same way.
        capability: Indices from all pieces of these racks; None where nothing is measured.
        expanded: Expanded uncertainty that the gauge alone brings to a mean here; None where it is not known.
        sentences: All of it in words.
    """

    aim: Aim
    n: int
    pieces: int
    enough: bool
    mean: Interval | None
    off: Fraction
    off_firmly: bool
    between_pieces: Decimal | None
    within_piece: Decimal | None
    out: OutOfWindow | None
    earlier: AgainstEarlier | None
    chart: ChartPair | None
    spread_chart: Chart | None
    capability: Capability | None
    expanded: Fraction | None
    sentences: tuple[str, ...]

    @property
    def few(self) -> bool:
        """Return whether a page shows it in grey: fewer readings than plans are made with."""
        return self.n < LEAST_READINGS

    @property
    def deviation(self) -> Fraction | None:
        """Return how far the mean lies from the middle of its aim, in halves of the window; None without both limits."""
        middle, lower, upper = self.aim.middle, self.aim.lower, self.aim.upper
        if self.mean is None or middle is None or lower is None or upper is None or lower >= upper:
            return None
        return deviation_from_target(self.mean.value, middle, lower, upper)

    @property
    def level_signals(self) -> bool:
        """Return whether the chart says that the level of this rack has changed."""
        if self.chart is None:
            return False
        jump = self.chart.spread.points[-1].signals
        return bool(self.chart.level.points[-1].signals) or Signal.BEYOND in jump

    @property
    def spread_signals(self) -> bool:
        """Return whether this rack spreads more than earlier ones do."""
        if self.spread_chart is None:
            return False
        last = self.spread_chart.points[-1]
        return bool(last.signals) and last.value > last.centre


@dataclass(frozen=True, slots=True)
class PositionMean:
    """A place on the rack: pieces there, and how much thicker they are than the rack's mean, location by location."""

    position: str
    pieces: int
    above_rack: Fraction
    off: Fraction


@dataclass(frozen=True, slots=True)
class PositionPattern:
    """Places on the rack compared.

    Attributes:
        positions: Thinnest first; only those with enough pieces.
        difference: The thickest less the thinnest; None with fewer than two.
        beyond_gauge: Whether that is larger than the gauge explains; None where that is not known.
        sentence: In words.
    """

    positions: tuple[PositionMean, ...]
    difference: Interval | None
    beyond_gauge: bool | None
    sentence: str


class Change(StrEnum):
    """What is suggested."""

    LOCATION = "technique at one location"
    POSITION = "one place on the rack"
    LEVEL = "the whole part"
    LOOK = "look for what has changed"
    SPREAD = "evenness"
    NOTHING = "nothing to change"
    UNCLEAR = "not clear enough to change anything"
    TOO_FEW = "too few readings"


@dataclass(frozen=True, slots=True)
class Suggestion:
    """The one thing to change, or that there is none.

    Attributes:
        change: Which kind.
        sentence: What to do, in one sentence or two.
        first: What to look at before that; None where nothing comes first.
        evidence: Why, with the numbers.
        known: Where the suggestion comes from.
        cautions: What to keep in mind; empty where nothing is to be done.
    """

    change: Change
    sentence: str
    first: str | None
    evidence: tuple[str, ...]
    known: str
    cautions: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Coaching:
    """What a rack says.

    Attributes:
        rack: Its label.
        part_no: Part number.
        powder: Code of the powder.
        sprayer: Code of the person who sprayed.
        unit: Unit of all builds.
        n: Readings.
        pieces: Pieces.
        alike: Labels of the earlier racks that it was compared with, oldest first.
        locations: In the order of the job.
        variation: Between pieces, locations, spots and readings of this rack; None below two readings.
        positions: Places on the rack; None where none is stated.
        suggestion: The one change.
        notes: What was left out, and what is not known.
    """

    rack: str
    part_no: str
    powder: str | None
    sprayer: str | None
    unit: Unit
    n: int
    pieces: int
    alike: tuple[str, ...]
    locations: tuple[LocationCoaching, ...]
    variation: Variation | None
    positions: PositionPattern | None
    suggestion: Suggestion
    notes: tuple[str, ...]


def coach(
    rack: Rack,
    aims: Sequence[Aim],
    earlier: Sequence[Rack],
    unit: Unit,
    gauge: Mapping[str, Number],
    *,
    confidence: Decimal = USUAL_COVERAGE,
) -> Coaching:
    """Return what *rack* says and the one thing to change.

    Args:
        rack: The rack just measured.
        aims: Its locations, in the order of the job; readings elsewhere are left out and counted, and so are masked locations.
        earlier: Earlier racks, oldest first; those that are not like this one are left out and counted.
        unit: Unit of all builds.
        gauge: By location: expanded uncertainty (k = 2) that the gauge alone brings to a mean there (accuracy, standard,
            resolution, error at verification, and not how readings spread), in *unit*. Where a location is not in it, nothing
            is suggested from it, since a difference there may be the gauge's.
        confidence: Of every interval.

    Raises:
        ValueError: Two aims have one location, or an uncertainty is negative.
    """
    names = [aim.location for aim in aims]
    if len(set(names)) != len(names):
        raise ValueError("a location is named twice")
    for location, expanded in gauge.items():
        if expanded < 0:
            raise ValueError(f"{location}: the gauge's uncertainty is not negative, {expanded} is")
    known = frozenset(names)
    alike, notes = _alike(rack, earlier)
    masked = [aim.location for aim in aims if aim.role is Role.MASKED]
    if masked:
        notes += (f"Left out: {listed(masked)}, which is to stay bare; film there is a matter of masking.",)
    elsewhere = sum(reading.location not in known for reading in rack.readings)
    if elsewhere:
        notes += (f"Left out: {counted(elsewhere, 'reading')} at locations that the job does not name.",)
    here = [reading for reading in rack.readings if reading.location in known and reading.location not in masked]
    locations = tuple(
        _location(aim, rack, alike, unit, gauge.get(aim.location), confidence)
        for aim in aims
        if aim.role is not Role.MASKED
    )
    unknown = [one.aim.location for one in locations if one.enough and one.expanded is None]
    if unknown:
        notes += (
            f"What the gauge alone brings is not known at {listed(unknown)}; a difference there may be the gauge's, so nothing is "
            "suggested from it.",
        )
    positions = _positions(here, locations, unit, confidence)
    return Coaching(
        rack=rack.label,
        part_no=rack.part_no,
        powder=rack.powder,
        sprayer=rack.sprayer,
        unit=unit,
        n=len(here),
        pieces=len({reading.piece for reading in here}),
        alike=tuple(other.label for other in alike),
        locations=locations,
        variation=nested_variation(_nest(here)) if len(here) > 1 else None,
        positions=positions,
        suggestion=_suggestion(here, locations, positions, unit, confidence),
        notes=notes,
    )


def powder_of(
    found: Coaching,
    guards: Mapping[str, Number] | None = None,
    *,
    specific_gravity: Number | None = None,
    area: Number | None = None,
    transfer: tuple[Number, Number] | None = None,
) -> PowderAbove:
    """Return the powder that went into film above need on this rack, as :func:`rules.powder_use.powder_above_need` does.

    What is needed at a location is its target, or its lower limit with room for the rack's own spread and for the guard band
    of *guards* where that is more. Locations of which nothing is said are left out.
    """
    guards = guards or {}
    films: list[Film] = []
    for one in found.locations:
        if one.mean is None:
            continue
        parts = [Fraction(part) ** 2 for part in (one.between_pieces, one.within_piece) if part is not None]
        spread = square_root(sum(parts, Fraction(0))) if parts else None
        stated = one.aim.target_low is not None or one.aim.target_high is not None
        need = film_needed(
            one.aim.lower,
            one.aim.middle if stated else None,
            spread,
            guards.get(one.aim.location, Fraction(0)),
            found.unit,
        )
        films.append(Film(one.aim.location, one.n, one.mean.value, need, one.expanded))
    return powder_above_need(films, found.unit, specific_gravity=specific_gravity, area=area, transfer=transfer)


# Like with like


def _alike(rack: Rack, earlier: Sequence[Rack]) -> tuple[list[Rack], tuple[str, ...]]:
    kept: list[Rack] = []
    left: dict[str, int] = {}
    for other in earlier:
        if other.part_no != rack.part_no:
            why = "another part"
        elif other.powder != rack.powder:
            why = "another powder"
        elif _hung(other.readings) != _hung(rack.readings):
            why = "other places on the rack"
        else:
            kept.append(other)
            continue
        left[why] = left.get(why, 0) + 1
    notes = tuple(f"Left out: {counted(number, 'earlier rack')}, {why}." for why, number in left.items())
    if kept and rack.powder is None:
        notes += ("No powder is stated for these racks, so it is not shown that they had the same one.",)
    return kept, notes


def _hung(readings: Iterable[RackReading]) -> frozenset[str | None]:
    return frozenset(reading.rack_position for reading in readings)


# One location


_Pieces = Mapping[str, Mapping[int, list[Fraction]]]


def _at(readings: Iterable[RackReading], location: str) -> dict[str, dict[int, list[Fraction]]]:
    found: dict[str, dict[int, list[Fraction]]] = {}
    for reading in readings:
        if reading.location == location:
            found.setdefault(reading.piece, {}).setdefault(reading.spot, []).append(Fraction(reading.build))
    return found


def _nest(readings: Iterable[RackReading]) -> dict[str, dict[str, dict[int, list[Fraction]]]]:
    found: dict[str, dict[str, dict[int, list[Fraction]]]] = {}
    for reading in readings:
        spots = found.setdefault(reading.piece, {}).setdefault(reading.location, {})
        spots.setdefault(reading.spot, []).append(Fraction(reading.build))
    return found


def _piece_means(pieces: _Pieces) -> dict[str, Fraction]:
    return {piece: mean([build for builds in spots.values() for build in builds]) for piece, spots in pieces.items()}


def _location(
    aim: Aim, rack: Rack, alike: Sequence[Rack], unit: Unit, gauge: Number | None, confidence: Decimal
) -> LocationCoaching:
    pieces = _at(rack.readings, aim.location)
    builds = [build for spots in pieces.values() for several in spots.values() for build in several]
    expanded = None if gauge is None else Fraction(gauge)
    if len(pieces) < LEAST_PIECES or len(builds) < LEAST_AT_LOCATION:
        sentence = (
            f"{aim.location}: {counted(len(builds), 'reading')} on {counted(len(pieces), 'piece')}; nothing is said from fewer "
            f"than {LEAST_AT_LOCATION} readings on {LEAST_PIECES} pieces."
        )
        return LocationCoaching(
            aim, len(builds), len(pieces), False, None, Fraction(0), False, None, None, None, None, None, None, None, expanded, (sentence,)
        )  # fmt: skip
    figures = list(_piece_means(pieces).values())
    centre = _mean_interval(figures, confidence)
    off = aim.off(centre.value)
    firmly = bool(off) and aim.off(centre.low) * off > 0 and aim.off(centre.high) * off > 0
    firmly = firmly and expanded is not None and abs(off) > expanded
    nest = nested_variation({piece: {aim.location: spots} for piece, spots in pieces.items()})
    before = [(other.label, list(_piece_means(_at(other.readings, aim.location)).values())) for other in alike]
    before = [(label, values) for label, values in before if values]
    out = _out_of_window(aim, pieces, confidence)
    earlier = _against(figures, [values for _, values in before], expanded, confidence)
    chart, spread_chart = _charts(rack.label, figures, before)
    found = LocationCoaching(
        aim=aim,
        n=len(builds),
        pieces=len(pieces),
        enough=True,
        mean=centre,
        off=off,
        off_firmly=firmly,
        between_pieces=nest.at(Level.PIECE).deviation,
        within_piece=_within(nest),
        out=out,
        earlier=earlier,
        chart=chart,
        spread_chart=spread_chart,
        capability=_capability(aim, rack, figures, before, confidence),
        expanded=expanded,
        sentences=(),
    )
    return _worded(found, unit, confidence)


def _within(nest: Variation) -> Decimal | None:
    parts = [nest.at(level).component for level in (Level.SPOT, Level.READING)]
    known = [part for part in parts if part is not None]
    return square_root(sum(known, Fraction(0))) if known else None


def _mean_interval(figures: Sequence[Fraction], confidence: Decimal, pairs: int = 1) -> Interval:
    centre = mean(figures)
    t = _t(confidence, Fraction(len(figures) - 1), pairs)
    half = t * Fraction(square_root(variance(figures) / len(figures)))
    return Interval(centre, centre - half, centre + half)


def _difference(first: Sequence[Fraction], second: Sequence[Fraction], confidence: Decimal, pairs: int = 1) -> Interval:
    """Return the mean of *first* less that of *second*, by Welch."""
    value = mean(first) - mean(second)
    parts = [(variance(group) / len(group), len(group) - 1) for group in (first, second)]
    total = sum((part for part, _ in parts), Fraction(0))
    if not total:
        return Interval(value, value, value)
    degrees = total**2 / sum((part**2 / nu for part, nu in parts), Fraction(0))
    half = _t(confidence, degrees, pairs) * Fraction(square_root(total))
    return Interval(value, value - half, value + half)


def _t(confidence: Decimal, degrees: Fraction, pairs: int) -> Fraction:
    upper = 1 - (1 - Fraction(confidence)) / (2 * pairs)
    # A few digits are enough for degrees of freedom, and fewer of them are looked up again.
    return Fraction(t_quantile(nearest_decimal(upper), shown(degrees, 3)))


def _out_of_window(aim: Aim, pieces: _Pieces, confidence: Decimal) -> OutOfWindow:
    below = above = pieces_out = readings = 0
    for spots in pieces.values():
        builds = [build for several in spots.values() for build in several]
        thin = sum(aim.lower is not None and build < aim.lower for build in builds)
        thick = sum(aim.upper is not None and build > aim.upper for build in builds)
        readings, below, above = readings + len(builds), below + thin, above + thick
        pieces_out += bool(thin or thick)
    low, high = share_interval(pieces_out, len(pieces), confidence)
    return OutOfWindow(readings, below, above, len(pieces), pieces_out, low, high)


def _against(
    figures: Sequence[Fraction], before: Sequence[Sequence[Fraction]], expanded: Fraction | None, confidence: Decimal
) -> AgainstEarlier | None:
    if len(before) < LEAST_EARLIER:
        return None
    difference = _difference(figures, [mean(values) for values in before], confidence)
    # Two results of equal uncertainty, taken as independent.
    beyond = None if expanded is None else difference.value**2 > 2 * expanded**2
    return AgainstEarlier(len(before), difference, beyond)


def _charts(
    label: str, figures: Sequence[Fraction], before: Sequence[tuple[str, list[Fraction]]]
) -> tuple[ChartPair | None, Chart | None]:
    if len(before) < LEAST_POINTS:
        return None, None
    levels = [(name, mean(values)) for name, values in before]
    chart = individuals([*levels, (label, mean(figures))], baseline=len(levels))
    groups = [(name, values) for name, values in before if len(values) > 1]
    if len(groups) < LEAST_POINTS:
        return chart, None
    return chart, means_and_deviations([*groups, (label, figures)], baseline=len(groups)).spread


def _capability(
    aim: Aim, rack: Rack, figures: list[Fraction], before: Sequence[tuple[str, list[Fraction]]], confidence: Decimal
) -> Capability:
    groups = [*before, (rack.label, figures)]
    together = [figure for _, values in groups for figure in values]
    chart: ChartPair | None = None
    if len(groups) >= LEAST_POINTS and all(len(values) > 1 for _, values in groups):
        chart = means_and_deviations(groups)
    found = capability(aim.location, together, aim.lower, aim.upper, chart, confidence=confidence)
    if not found.indices:
        return found
    notes = found.notes
    if any(len(builds) > 1 for builds in _per_piece(aim.location, rack)):
        notes += (f"{aim.location}: a figure is the mean of one piece; single readings spread wider than these.",)
    places = sorted(place for place in _hung(rack.readings) if place is not None)
    if len(places) > 1:
        notes += (
            f"{aim.location}: pieces from {listed(places)} are together; where these differ, an index describes none of them.",
        )
    return replace(found, notes=notes)


def _per_piece(location: str, rack: Rack) -> Iterable[list[Fraction]]:
    return ([x for builds in spots.values() for x in builds] for spots in _at(rack.readings, location).values())


# Places on the rack


def _positions(
    here: Sequence[RackReading], locations: Sequence[LocationCoaching], unit: Unit, confidence: Decimal
) -> PositionPattern | None:
    hung: dict[str, set[str]] = {}
    for reading in here:
        if reading.rack_position is not None:
            hung.setdefault(reading.rack_position, set()).add(reading.piece)
    if not hung:
        return None
    usable = [one for one in locations if one.enough]
    means = {one.aim.location: _piece_means(_at(here, one.aim.location)) for one in usable}
    scores: dict[str, list[Fraction]] = {}
    offs: dict[str, Fraction] = {}
    for position, pieces in hung.items():
        # Only pieces that were read everywhere: a missing location would count as a thinner or a thicker piece.
        whole = [piece for piece in sorted(pieces) if usable and all(piece in found for found in means.values())]
        if len(whole) < LEAST_AT_POSITION:
            continue
        scores[position] = [mean([means[one.aim.location][piece] - _centre(one) for one in usable]) for piece in whole]
        at = [one.aim.off(mean([means[one.aim.location][piece] for piece in whole])) for one in usable]
        offs[position] = mean(at)
    order = sorted(scores, key=lambda position: (mean(scores[position]), position))
    found = tuple(PositionMean(p, len(scores[p]), mean(scores[p]), offs[p]) for p in order)
    if len(found) < 2:
        return PositionPattern(
            found,
            None,
            None,
            f"Places on the rack are not compared: that takes two with {LEAST_AT_POSITION} pieces each.",
        )
    pairs = len(found) * (len(found) - 1) // 2
    difference = _difference(scores[order[-1]], scores[order[0]], confidence, pairs)
    beyond = _beyond(difference.value, [one.expanded for one in usable])
    sentence = (
        f"{order[-1]} is {_thick(difference.value, unit)} thicker than {order[0]} "
        f"({_interval(difference, unit, confidence)}; {counted(found[-1].pieces, 'piece')} and {found[0].pieces})"
        f"{_gauge_words(beyond)}."
    )
    return PositionPattern(found, difference, beyond, sentence)


def _centre(one: LocationCoaching) -> Fraction:
    return Fraction(0) if one.mean is None else one.mean.value


def _beyond(difference: Fraction, expanded: Sequence[Fraction | None]) -> bool | None:
    """Return whether a difference of two means is more than the larger uncertainty explains twice over, root of squares."""
    known = [one for one in expanded if one is not None]
    return None if len(known) < len(expanded) or not known else difference**2 > 2 * max(known) ** 2


# The one change


_COMMON: Final = "common practice, no source"
_GROUND: Final = (
    "First look at the ground: hooks, racks and contact points clean to bare metal, and the ground of the rack as the "
    "equipment's manual asks for it (read, a powder maker's guide: low film and poor wrap, ground first)."
)
_SETTINGS: Final = (
    "Settings of the gun and the booth are not given here: they stand in the data sheet of the powder and in the manual of the "
    "equipment."
)
_ALONE: Final = "Change this alone, and measure the next rack before anything else is changed."
_CAUTION: Final = (
    "Look at hooks and ground only with the gun off and as the manual says. Grounding and fire protection of a booth are "
    "matters of local codes and of a competent person."
)
_AT_LOCATION: Final[Mapping[tuple[bool, Role], str]] = {
    (
        True,
        Role.EDGE,
    ): "At {place}, spray the edge from both of its faces, with the gun square to each, before the large faces",
    (
        True,
        Role.HIDDEN,
    ): "At {place}, begin there: aim into the recess first and straight, and do the open faces after it",
    (
        False,
        Role.EDGE,
    ): "At {place}, keep the gun further off and begin and end each stroke beyond the edge, so that it is not sprayed twice",
    (False, Role.HIDDEN): "At {place}, do not stay: one stroke fewer into the recess",
}
_THIN: Final = "At {place}, give that place a stroke of its own, with the gun square to it and at the usual distance"
_THICK: Final = "At {place}, pass over it one stroke fewer, and see that strokes do not overlap there"


def _suggestion(
    here: Sequence[RackReading],
    locations: Sequence[LocationCoaching],
    positions: PositionPattern | None,
    unit: Unit,
    confidence: Decimal,
) -> Suggestion:
    told = [one for one in locations if one.enough]
    if not told:
        return _nothing(
            Change.TOO_FEW,
            f"Nothing is said yet: measure at least {LEAST_AT_LOCATION} readings on {LEAST_PIECES} pieces at a location.",
            tuple(sentence for one in locations for sentence in one.sentences),
        )
    known = [one for one in told if one.expanded is not None]
    for found in (
        _one_location(here, known, unit, confidence),
        _one_position(known, positions, unit),
        _whole_part(known, unit),
        _changed(known, unit, confidence),
        _uneven(known, unit),
    ):
        if found is not None:
            return found
    return _leave(told, known, unit)


def _one_location(
    here: Sequence[RackReading], known: Sequence[LocationCoaching], unit: Unit, confidence: Decimal
) -> Suggestion | None:
    """Return what to do at a location that is off while another is not, or is off the other way."""
    aimed = [one for one in known if one.aim.middle is not None]
    pairs = list(combinations(aimed, 2))
    best: tuple[Fraction, LocationCoaching, LocationCoaching, Interval, int] | None = None
    for first, second in pairs:
        if not (first.off_firmly or second.off_firmly) or first.off * second.off > 0:
            continue
        means = [_piece_means(_at(here, one.aim.location)) for one in (first, second)]
        middles = [one.aim.middle or Fraction(0) for one in (first, second)]
        both = sorted(means[0].keys() & means[1].keys())
        if len(both) < LEAST_PIECES:
            continue
        apart = [(means[0][piece] - middles[0]) - (means[1][piece] - middles[1]) for piece in both]
        difference = _mean_interval(apart, confidence, len(pairs))
        if not difference.is_apart or not _beyond(difference.value, [first.expanded, second.expanded]):
            continue
        at = _worse(first, second)
        # Bands of different width: the one that is off has to be the odd one against its own aim as well.
        if (difference.value if at is first else -difference.value) * at.off < 0:
            continue
        if best is None or abs(difference.value) > best[0]:
            best = abs(difference.value), first, second, difference, len(both)
    if best is None:
        return None
    _, first, second, difference, pieces = best
    at = _worse(first, second)
    other = second if at is first else first
    thin = at.off < 0
    words = _AT_LOCATION.get((thin, at.aim.role), _THIN if thin else _THICK)
    thicker, thinner = (first, second) if difference.value > 0 else (second, first)
    evidence = (
        _off_sentence(at, unit),
        f"Against what is aimed at, {thicker.aim.location} is {_thick(difference.value, unit)} thicker than {thinner.aim.location} "
        f"({_interval(_sized(difference), unit, confidence)}; {counted(pieces, 'piece')}), more than the gauge explains.",
        _off_sentence(other, unit),
    )
    return _do(Change.LOCATION, words.format(place=at.aim.location) + f" ({_COMMON}).", evidence, thin=thin)


def _worse(first: LocationCoaching, second: LocationCoaching) -> LocationCoaching:
    """Return which of two, of which one at least is off firmly, to act at: the thin one where both are."""
    return min((one for one in (first, second) if one.off_firmly), key=lambda one: one.off)


def _one_position(
    known: Sequence[LocationCoaching], positions: PositionPattern | None, unit: Unit
) -> Suggestion | None:
    if positions is None or positions.difference is None or not positions.beyond_gauge:
        return None
    thinnest, thickest = positions.positions[0], positions.positions[-1]
    thin = thinnest.off < 0
    at = thinnest if thin else thickest
    largest = max((one.expanded for one in known if one.expanded is not None), default=Fraction(0))
    if not positions.difference.is_apart or thinnest.off * thickest.off > 0 or abs(at.off) <= largest:
        return None
    act = (
        f"At {at.position} (place on the rack), let the strokes run past the pieces as far as everywhere else, at the same distance"
        if thin
        else f"At {at.position} (place on the rack), see that strokes do not meet twice, and keep the distance of everywhere else"
    )
    evidence = (
        positions.sentence,
        *(
            f"{place.position}: {_place_words(place, unit)} ({counted(place.pieces, 'piece')})."
            for place in (thinnest, thickest)
        ),
    )
    return _do(Change.POSITION, f"{act} ({_COMMON}).", evidence, thin=thin)


def _place_words(place: PositionMean, unit: Unit) -> str:
    if not place.off:
        return "in the bands of the locations, taken together"
    return (
        f"{_thick(place.off, unit)} {'below' if place.off < 0 else 'above'} the bands of the locations, taken together"
    )


def _whole_part(known: Sequence[LocationCoaching], unit: Unit) -> Suggestion | None:
    firm = [one for one in known if one.off_firmly]
    if not firm or len({one.off > 0 for one in firm}) > 1:
        return None
    thin = firm[0].off < 0
    if any((_from_middle(one) > 0) is thin for one in known if _from_middle(one)):
        return None
    act = (
        "Over the whole part, move the gun a little slower or make one stroke more"
        if thin
        else "Over the whole part, move the gun a little faster or make one stroke fewer"
    )
    evidence = tuple(_off_sentence(one, unit) for one in known)
    return _do(Change.LEVEL, f"{act} ({_COMMON}).", evidence, thin=thin)


def _from_middle(one: LocationCoaching) -> Fraction:
    return Fraction(0) if one.mean is None or one.aim.middle is None else one.mean.value - one.aim.middle


def _changed(known: Sequence[LocationCoaching], unit: Unit, confidence: Decimal) -> Suggestion | None:
    moved = [
        one
        for one in known
        if one.level_signals
        and one.earlier is not None
        and one.earlier.beyond_gauge
        and one.earlier.difference.is_apart
    ]
    if not moved:
        return None
    evidence = tuple(
        f"{one.aim.location}: the control chart of {counted(one.earlier.racks, 'earlier rack')} shows a signal; "
        f"{_earlier_sentence(one.earlier, unit, confidence)}"
        for one in moved
        if one.earlier is not None
    )
    return _do(
        Change.LOOK,
        "Before anything is changed, look for what has changed since the earlier racks: powder batch, hooks and ground, hanging, "
        f"weather, line ({_COMMON}).",
        evidence,
        thin=False,
    )


def _uneven(known: Sequence[LocationCoaching], unit: Unit) -> Suggestion | None:
    for one in known:
        spread = one.out is not None and one.out.pieces_out and not one.off
        if not spread and not one.spread_signals:
            continue
        between, within = one.between_pieces, one.within_piece
        if between is None or within is None or one.expanded is None:
            continue
        # Half of the expanded uncertainty is the gauge's own standard uncertainty.
        if Fraction(between) ** 2 + Fraction(within) ** 2 <= (one.expanded / 2) ** 2:
            continue
        pieces = between > within
        act = (
            "From piece to piece: hang all pieces alike, see that every hook makes contact, and make the same strokes on each"
            if pieces
            else "Within the piece: overlap each stroke by the same amount, and keep distance and speed even to the end of it"
        )
        evidence = (
            f"{one.aim.location}: s = {_with(Fraction(between), unit)} from piece to piece, {_with(Fraction(within), unit)} within "
            f"a piece (n = {one.n}, {counted(one.pieces, 'piece')}).",
            *((_out_sentence(one.aim.location, one.out),) if one.out is not None else ()),
        )
        return _do(Change.SPREAD, f"{act} ({_COMMON}).", evidence, thin=False)
    return None


def _leave(told: Sequence[LocationCoaching], known: Sequence[LocationCoaching], unit: Unit) -> Suggestion:
    evidence = tuple(_off_sentence(one, unit) for one in told)
    troubled = any(one.off or (one.out is not None and one.out.pieces_out) for one in told)
    if len(known) < len(told) or troubled:
        return _nothing(
            Change.UNCLEAR,
            "Change nothing yet: what is seen is not clear enough, or no more than the gauge explains. Measure more pieces, or the "
            "next rack.",
            evidence,
        )
    return _nothing(
        Change.NOTHING,
        "Nothing to change: every location of which enough was read lies in its band. Reacting to every wiggle widens the "
        "spread (read: Deming's funnel).",
        evidence,
    )


def _do(change: Change, sentence: str, evidence: tuple[str, ...], *, thin: bool) -> Suggestion:
    cautions: tuple[str, ...] = () if change is Change.LOOK else (_ALONE,)
    cautions += (_SETTINGS, _CAUTION) if thin or "hook" in sentence else (_SETTINGS,)
    return Suggestion(change, sentence, _GROUND if thin else None, evidence, _COMMON, cautions)


def _nothing(change: Change, sentence: str, evidence: tuple[str, ...]) -> Suggestion:
    return Suggestion(change, sentence, None, evidence, _COMMON, ())


# In words


def _worded(one: LocationCoaching, unit: Unit, confidence: Decimal) -> LocationCoaching:
    sentences = [_mean_sentence(one, unit, confidence), _off_sentence(one, unit), _spread_sentence(one, unit)]
    if one.out is not None:
        sentences.append(_out_sentence(one.aim.location, one.out))
    if one.earlier is not None:
        sentences.append(f"{one.aim.location}: {_earlier_sentence(one.earlier, unit, confidence)}")
    if one.level_signals or one.spread_signals:
        what = " and ".join(
            word for word, is_so in (("level", one.level_signals), ("spread", one.spread_signals)) if is_so
        )
        sentences.append(f"{one.aim.location}: the control charts show a signal for the {what} of this rack.")
    if one.chart is not None:
        sentences += [f"{one.aim.location}: {note}" for note in one.chart.notes]
    if one.capability is not None:
        sentences += one.capability.sentences
    return replace(one, sentences=tuple(sentence for sentence in sentences if sentence))


def _mean_sentence(one: LocationCoaching, unit: Unit, confidence: Decimal) -> str:
    if one.mean is None:
        return ""
    return (
        f"{one.aim.location}: mean {_with(one.mean.value, unit)}, {_interval(one.mean, unit, confidence)} "
        f"(n = {one.n}, {counted(one.pieces, 'piece')})."
    )


def _off_sentence(one: LocationCoaching, unit: Unit) -> str:
    if one.mean is None:
        return ""
    low, high = one.aim.band
    if low is None and high is None:
        return f"{one.aim.location}: no band and no limit is stated."
    stated = one.aim.target_low is not None or one.aim.target_high is not None
    what = "target band" if stated else "limits"
    ends = [f"{amount(end, unit)}" for end in (low, high) if end is not None]
    named = f"{what} ({' to '.join(ends)} {unit.symbol})"
    if len(ends) == 1:
        named = f"{what} ({'from' if high is None else 'up to'} {ends[0]} {unit.symbol})"
    of = f"n = {one.n}, {counted(one.pieces, 'piece')}"
    if not one.off:
        return f"{one.aim.location}: the mean lies in the {named}; {of}."
    side = "below" if one.off < 0 else "above"
    if one.expanded is None:
        gauge = "; what the gauge alone brings is not known"
    elif abs(one.off) <= one.expanded:
        gauge = f", no more than the gauge explains (± {_with(one.expanded, unit)})"
    elif not one.off_firmly:
        gauge = ", but its interval reaches into it"
    else:
        gauge = f", more than the gauge explains (± {_with(one.expanded, unit)})"
    return f"{one.aim.location}: {_thick(one.off, unit)} {side} the {named}{gauge}; {of}."


def _spread_sentence(one: LocationCoaching, unit: Unit) -> str:
    parts = [
        f"{_with(Fraction(deviation), unit)} {where}"
        for deviation, where in ((one.between_pieces, "from piece to piece"), (one.within_piece, "within a piece"))
        if deviation is not None
    ]
    if not parts:
        return ""
    alone = "" if one.within_piece is not None else "; one reading a piece does not tell the two apart"
    return f"{one.aim.location}: s = {' and '.join(parts)} (n = {one.n}, {counted(one.pieces, 'piece')}){alone}."


def _out_sentence(location: str, out: OutOfWindow) -> str:
    if not out.pieces_out:
        head = f"{location}: none of {counted(out.readings, 'reading')} lies outside the limits"
    else:
        sides = [f"{n} {side}" for n, side in ((out.below, "below"), (out.above, "above")) if n]
        head = (
            f"{location}: {' and '.join(sides)} the limits, of {counted(out.readings, 'reading')}; "
            f"{out.pieces_out} of {counted(out.pieces, 'piece')}"
        )
    low, high = (f"{shown(Fraction(end) * 100, 0):f}" for end in (out.low, out.high))
    return f"{head}. From {counted(out.pieces, 'piece')}, {low} to {high} % of pieces may be concerned."


def _earlier_sentence(earlier: AgainstEarlier, unit: Unit, confidence: Decimal) -> str:
    way = "thicker" if earlier.difference.value >= 0 else "thinner"
    return (
        f"{_thick(earlier.difference.value, unit)} {way} than {counted(earlier.racks, 'earlier rack')} like it "
        f"({_interval(_sized(earlier.difference), unit, confidence)}){_gauge_words(earlier.beyond_gauge)}."
    )


def _gauge_words(beyond: bool | None) -> str:
    if beyond is None:
        return "; what the gauge alone brings is not known"
    return ", more than the gauge explains" if beyond else ", no more than the gauge explains"


def _sized(difference: Interval) -> Interval:
    """Return a difference taken the way that it is above 0."""
    if difference.value >= 0:
        return difference
    return Interval(-difference.value, -difference.high, -difference.low)


def _interval(of: Interval, unit: Unit, confidence: Decimal) -> str:
    percent = f"{shown(Fraction(confidence) * 100, 0):f} %"
    return f"{percent} interval {amount(of.low, unit)} to {_with(of.high, unit)}"


def _thick(difference: Fraction, unit: Unit) -> str:
    return _with(abs(difference), unit)


def _with(value: Fraction, unit: Unit) -> str:
    return f"{amount(value, unit)} {unit.symbol}"

"""One location of a rack: its level and spread, beside its band, the limits and earlier racks."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from decimal import Decimal
from fractions import Fraction
from typing import Final

from rules.capability import Capability, capability
from rules.coaching_findings import LEAST_AT_LOCATION, LEAST_PIECES, AgainstEarlier, LocationCoaching, OutOfWindow
from rules.coaching_intervals import difference_interval, mean_interval
from rules.coaching_racks import Aim, Number, Pieces, Rack, piece_means, places_hung, readings_at
from rules.coaching_words import worded
from rules.control_charts import LEAST_POINTS, Chart, ChartPair, individuals, means_and_deviations
from rules.proportion import wilson_interval
from rules.statistics import mean, square_root
from rules.variation import Level, Variation, nested_variation
from rules.wording import counted, listed
from schemas.units import Unit

#: Fewer earlier racks than this are not compared with; a control chart asks for more (a choice of ours).
LEAST_EARLIER: Final = 3


def location_coaching(
    aim: Aim, rack: Rack, alike: Sequence[Rack], unit: Unit, gauge: Number | None, confidence: Decimal
) -> LocationCoaching:
    """Return what *rack* says at the location of *aim*, beside the racks *alike* and the gauge's expanded uncertainty there."""
    pieces = readings_at(rack.readings, aim.location)
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
    figures = list(piece_means(pieces).values())
    centre = mean_interval(figures, confidence)
    off = aim.off(centre.value)
    firmly = bool(off) and aim.off(centre.low) * off > 0 and aim.off(centre.high) * off > 0
    firmly = firmly and expanded is not None and abs(off) > expanded
    nest = nested_variation({piece: {aim.location: spots} for piece, spots in pieces.items()})
    before = [(other.label, list(piece_means(readings_at(other.readings, aim.location)).values())) for other in alike]
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
    return worded(found, unit, confidence)


def _within(nest: Variation) -> Decimal | None:
    parts = [nest.at(level).component for level in (Level.SPOT, Level.READING)]
    known = [part for part in parts if part is not None]
    return square_root(sum(known, Fraction(0))) if known else None


def _out_of_window(aim: Aim, pieces: Pieces, confidence: Decimal) -> OutOfWindow:
    below = above = pieces_out = readings = 0
    for spots in pieces.values():
        builds = [build for several in spots.values() for build in several]
        thin = sum(aim.lower is not None and build < aim.lower for build in builds)
        thick = sum(aim.upper is not None and build > aim.upper for build in builds)
        readings, below, above = readings + len(builds), below + thin, above + thick
        pieces_out += bool(thin or thick)
    low, high = wilson_interval(pieces_out, len(pieces), confidence)
    return OutOfWindow(readings, below, above, len(pieces), pieces_out, low, high)


def _against(
    figures: Sequence[Fraction], before: Sequence[Sequence[Fraction]], expanded: Fraction | None, confidence: Decimal
) -> AgainstEarlier | None:
    if len(before) < LEAST_EARLIER:
        return None
    difference = difference_interval(figures, [mean(values) for values in before], confidence)
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
    places = sorted(place for place in places_hung(rack.readings) if place is not None)
    if len(places) > 1:
        notes += (
            f"{aim.location}: pieces from {listed(places)} are together; where these differ, an index describes none of them.",
        )
    return replace(found, notes=notes)


def _per_piece(location: str, rack: Rack) -> Iterable[list[Fraction]]:
    return ([x for builds in spots.values() for x in builds] for spots in readings_at(rack.readings, location).values())

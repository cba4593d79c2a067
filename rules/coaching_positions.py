"""Places on the rack compared: whether pieces that hang at one are thicker than at another."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal
from fractions import Fraction
from typing import Final

from rules.coaching_findings import LocationCoaching, PositionMean, PositionPattern
from rules.coaching_intervals import difference_interval, more_than_gauge
from rules.coaching_racks import RackReading, piece_means, readings_at
from rules.coaching_words import gauge_words, interval_words, thickness
from rules.statistics import mean
from rules.wording import counted
from schemas.units import Unit

#: Fewer pieces than this at a place on the rack do not speak for it (a choice of ours).
LEAST_AT_POSITION: Final = 3


def position_pattern(
    here: Sequence[RackReading], locations: Sequence[LocationCoaching], unit: Unit, confidence: Decimal
) -> PositionPattern | None:
    """Return the places on the rack compared; None where no reading states one."""
    hung: dict[str, set[str]] = {}
    for reading in here:
        if reading.rack_position is not None:
            hung.setdefault(reading.rack_position, set()).add(reading.piece)
    if not hung:
        return None
    usable = [one for one in locations if one.enough]
    means = {one.aim.location: piece_means(readings_at(here, one.aim.location)) for one in usable}
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
    difference = difference_interval(scores[order[-1]], scores[order[0]], confidence, pairs)
    beyond = more_than_gauge(difference.value, [one.expanded for one in usable])
    sentence = (
        f"{order[-1]} is {thickness(difference.value, unit)} thicker than {order[0]} "
        f"({interval_words(difference, unit, confidence)}; {counted(found[-1].pieces, 'piece')} and {found[0].pieces})"
        f"{gauge_words(beyond)}."
    )
    return PositionPattern(found, difference, beyond, sentence)


def _centre(one: LocationCoaching) -> Fraction:
    return Fraction(0) if one.mean is None else one.mean.value

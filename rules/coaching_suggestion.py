"""The one change that is suggested, with its evidence, or that there is nothing to change.

Which one goes by an order that is written down (a choice of ours), so that the same readings always give the same answer:

1. A location that is off while others are not: aim, distance and technique at that location.
2. A place on the rack that is off while others are not.
3. The whole part thinner or thicker than aimed at.
4. The level has changed against earlier racks, though it still lies in the band: look for what has changed.
5. Too much spread, from piece to piece or within the piece.
6. Nothing to change. Reacting to every wiggle widens the spread (Deming's funnel, read in texts that restate it; the tests show it
   on numbers).

Suggestions are of technique, in ordinary words. Settings belong to the data sheet of the powder and to the manual of the equipment.
Where the film is thin, the ground comes first (read, a powder maker's guide).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from decimal import Decimal
from fractions import Fraction
from itertools import combinations
from typing import Final

from rules.coaching_findings import (
    LEAST_AT_LOCATION,
    LEAST_PIECES,
    Change,
    LocationCoaching,
    PositionMean,
    PositionPattern,
    Suggestion,
)
from rules.coaching_intervals import Interval, mean_interval, more_than_gauge
from rules.coaching_racks import RackReading, piece_means, readings_at
from rules.coaching_words import (
    earlier_sentence,
    interval_words,
    off_sentence,
    out_sentence,
    sized,
    thickness,
    with_symbol,
)
from rules.wording import counted
from schemas.units import Unit
from schemas.vocabulary import Role

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


def suggested(
    here: Sequence[RackReading],
    locations: Sequence[LocationCoaching],
    positions: PositionPattern | None,
    unit: Unit,
    confidence: Decimal,
) -> Suggestion:
    """Return the one change that the readings *here* and what was found in them ask for."""
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
        _uneven(known, unit, confidence),
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
        means = [piece_means(readings_at(here, one.aim.location)) for one in (first, second)]
        middles = [one.aim.middle or Fraction(0) for one in (first, second)]
        both = sorted(means[0].keys() & means[1].keys())
        if len(both) < LEAST_PIECES:
            continue
        apart = [(means[0][piece] - middles[0]) - (means[1][piece] - middles[1]) for piece in both]
        difference = mean_interval(apart, confidence, len(pairs))
        if not difference.is_apart or not more_than_gauge(difference.value, [first.expanded, second.expanded]):
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
        off_sentence(at, unit),
        f"Against what is aimed at, {thicker.aim.location} is {thickness(difference.value, unit)} thicker than {thinner.aim.location} "
        f"({interval_words(sized(difference), unit, confidence)}; {counted(pieces, 'piece')}), more than the gauge explains.",
        off_sentence(other, unit),
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
    return f"{thickness(place.off, unit)} {'below' if place.off < 0 else 'above'} the bands of the locations, taken together"


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
    evidence = tuple(off_sentence(one, unit) for one in known)
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
        f"{earlier_sentence(one.earlier, unit, confidence)}"
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


def _uneven(known: Sequence[LocationCoaching], unit: Unit, confidence: Decimal) -> Suggestion | None:
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
            f"{one.aim.location}: s = {with_symbol(Fraction(between), unit)} from piece to piece, {with_symbol(Fraction(within), unit)} within "
            f"a piece (n = {one.n}, {counted(one.pieces, 'piece')}).",
            *((out_sentence(one.aim.location, one.out, confidence),) if one.out is not None else ()),
        )
        return _do(Change.SPREAD, f"{act} ({_COMMON}).", evidence, thin=False)
    return None


def _leave(told: Sequence[LocationCoaching], known: Sequence[LocationCoaching], unit: Unit) -> Suggestion:
    evidence = tuple(off_sentence(one, unit) for one in told)
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

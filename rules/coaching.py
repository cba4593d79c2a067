"""Coaching: what the rack just measured says, and the one thing to change, or that there is nothing to change.

The rack is compared with its target bands, with earlier racks that are like it, and with what the gauge itself cannot tell
apart. One change is suggested at the most, with its evidence, in the order of rules.coaching_suggestion.

What keeps it fair (common practice, no source, unless said otherwise):

* Like with like: the same part, location, places on the rack and powder. Place on the rack alone made a shop's figures useless
  until it was told apart (read, a quality forum).
* A difference that is no larger than the gauge's own expanded uncertainty is the gauge's, and is never blamed on the sprayer.
* One figure a piece: readings on one piece are not independent, so that intervals count pieces. Every figure says how
  many stand behind it, and nothing is said of a location from fewer than 3 pieces or 5 readings.
* A sprayer is a code here, and no two are compared.

Texts here stand on a screen and are said in English.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from decimal import Decimal

from rules.coaching_findings import Coaching
from rules.coaching_likeness import alike_racks
from rules.coaching_location import location_coaching
from rules.coaching_positions import position_pattern
from rules.coaching_racks import Aim, Number, Rack, nested
from rules.coaching_suggestion import suggested
from rules.uncertainty import USUAL_COVERAGE
from rules.variation import nested_variation
from rules.wording import counted, listed
from schemas.units import Unit
from schemas.vocabulary import Role


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
    alike, notes = alike_racks(rack, earlier)
    masked = [aim.location for aim in aims if aim.role is Role.MASKED]
    if masked:
        notes += (f"Left out: {listed(masked)}, which is to stay bare; film there is a matter of masking.",)
    elsewhere = sum(reading.location not in known for reading in rack.readings)
    if elsewhere:
        notes += (f"Left out: {counted(elsewhere, 'reading')} at locations that the job does not name.",)
    here = [reading for reading in rack.readings if reading.location in known and reading.location not in masked]
    locations = tuple(
        location_coaching(aim, rack, alike, unit, gauge.get(aim.location), confidence)
        for aim in aims
        if aim.role is not Role.MASKED
    )
    unknown = [one.aim.location for one in locations if one.enough and one.expanded is None]
    if unknown:
        notes += (
            f"What the gauge alone brings is not known at {listed(unknown)}; a difference there may be the gauge's, so nothing is "
            "suggested from it.",
        )
    positions = position_pattern(here, locations, unit, confidence)
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
        variation=nested_variation(nested(here)) if len(here) > 1 else None,
        positions=positions,
        suggestion=suggested(here, locations, positions, unit, confidence),
        notes=notes,
    )

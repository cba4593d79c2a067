"""Like with like: which earlier racks a rack is compared with, and why the others are left out."""

from __future__ import annotations

from collections.abc import Sequence

from rules.coaching_racks import Rack, places_hung
from rules.wording import counted


def alike_racks(rack: Rack, earlier: Sequence[Rack]) -> tuple[list[Rack], tuple[str, ...]]:
    """Return the racks of *earlier* that are like *rack*, and notes that count the others."""
    kept: list[Rack] = []
    left: dict[str, int] = {}
    for other in earlier:
        if other.part_no != rack.part_no:
            why = "another part"
        elif other.powder != rack.powder:
            why = "another powder"
        elif places_hung(other.readings) != places_hung(rack.readings):
            why = "other places on the rack"
        else:
            kept.append(other)
            continue
        left[why] = left.get(why, 0) + 1
    notes = tuple(f"Left out: {counted(number, 'earlier rack')}, {why}." for why, number in left.items())
    if kept and rack.powder is None:
        notes += ("No powder is stated for these racks, so it is not shown that they had the same one.",)
    return kept, notes

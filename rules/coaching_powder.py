"""Powder above need on a rack that was coached."""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction

from rules.coaching_findings import Coaching
from rules.coaching_racks import Number
from rules.powder_use import Film, PowderAbove, film_needed, powder_above_need
from rules.statistics import square_root


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

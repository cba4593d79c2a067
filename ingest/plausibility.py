"""Slips that a look at the figures shows: the wrong unit, an absurd value. Pure; it judges no part."""

from __future__ import annotations

from decimal import Decimal
from typing import Final

from schemas.job import Location
from schemas.shop import Plausible
from schemas.units import Unit, to_um

#: How far outside its window a reading may lie before the other unit is thought of, as a factor.
#: A choice of ours: well under the 25.4 that lies between the two units.
_FAR: Final = Decimal(3)


def window_um(location: Location, unit: Unit) -> tuple[Decimal, Decimal]:
    """Return the location's limits in µm, with a guess where one is missing: nothing below, thrice above."""
    lower = to_um(location.lower, unit) if location.lower is not None else Decimal(0)
    upper = to_um(location.upper, unit) if location.upper is not None else lower * _FAR
    return lower, upper


def looks_like_other_unit(shown: Decimal, unit: Unit, lower_um: Decimal, upper_um: Decimal) -> Unit | None:
    """Return the unit that *shown* makes sense in, where *unit* does not and the other does; else None."""
    as_said = to_um(shown, unit)
    if lower_um / _FAR <= as_said <= upper_um * _FAR:
        return None
    other = Unit.MIL if unit is Unit.UM else Unit.UM
    as_other = to_um(shown, other)
    return other if lower_um / _FAR <= as_other <= upper_um * _FAR and shown > 0 else None


def out_of_range(thickness_um: Decimal, plausible: Plausible) -> str | None:
    """Return why *thickness_um* is no film build that this shop could have read, or None."""
    if thickness_um < plausible.lowest_um:
        low = "negative" if thickness_um < 0 else f"below {plausible.lowest_um} µm"
        return f"is {low}, which no film is; verify the gauge on its zero plate, then take the reading again"
    if thickness_um > plausible.highest_um:
        return f"is above {plausible.highest_um} µm, which is taken for a slip; take the reading again or raise plausible.highest_um in shop.toml"
    return None

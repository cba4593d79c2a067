"""The units of film build, and the one place where a thickness changes its unit.

1 mil is 0.001 inch and 1 inch is 25.4 mm exactly (international yard and pound agreement of 1959;
also NIST SP 811, appendix B), so 1 mil = 25.4 µm exactly.
"""

from __future__ import annotations

from decimal import Decimal
from enum import StrEnum
from fractions import Fraction
from typing import Final

UM_PER_MIL: Final = Decimal("25.4")


class Unit(StrEnum):
    """A unit in which film build is specified, judged and printed."""

    UM = "um"
    MIL = "mil"

    @property
    def symbol(self) -> str:
        """Return the unit as it is printed."""
        return "µm" if self is Unit.UM else "mil"


# What gauges and people write; the micro sign exists twice in Unicode (U+00B5 and U+03BC).
UNIT_WORDS: Final[dict[str, Unit]] = {
    "um": Unit.UM,
    "µm": Unit.UM,
    "μm": Unit.UM,
    "micron": Unit.UM,
    "microns": Unit.UM,
    "mil": Unit.MIL,
    "mils": Unit.MIL,
}


def unit_of(word: str) -> Unit | None:
    """Return the unit that *word* names, whatever its case, or None where it names none."""
    return UNIT_WORDS.get(word.strip().lower())


def to_um(thickness: Decimal, unit: Unit) -> Decimal:
    """Return *thickness* (in *unit*) in µm, exactly."""
    return thickness if unit is Unit.UM else thickness * UM_PER_MIL


def exact_um(thickness: Decimal | Fraction, unit: Unit) -> Fraction:
    """Return *thickness* (in *unit*) in µm as an exact fraction; undoes :func:`from_um`."""
    exact = Fraction(thickness)
    return exact if unit is Unit.UM else exact * Fraction(UM_PER_MIL)


def from_um(thickness_um: Decimal | Fraction, unit: Unit) -> Fraction:
    """Return *thickness_um* in *unit* as an exact fraction.

    A fraction, because a µm reading in mil has no finite decimal (80 µm = 400/127 mil).
    """
    exact = Fraction(thickness_um)
    return exact if unit is Unit.UM else exact / Fraction(UM_PER_MIL)

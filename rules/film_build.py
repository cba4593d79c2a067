"""From a gauge reading to the film build that is judged."""

from __future__ import annotations

from collections.abc import Iterable
from decimal import Decimal
from fractions import Fraction
from functools import lru_cache
from typing import Final, Protocol

from schemas.units import Unit, from_um
from schemas.vocabulary import UNDONE, CoatStage

_NOTHING_UM: Final = Decimal(0)


class Judged(Protocol):
    """What conformity needs to know of a gauge reading; schemas.readings.GaugeReading has it, and more."""

    @property
    def piece(self) -> str: ...
    @property
    def location(self) -> str: ...
    @property
    def spot(self) -> int: ...
    @property
    def thickness_um(self) -> Decimal: ...
    @property
    def base_metal_um(self) -> Decimal | None: ...
    @property
    def counted(self) -> bool: ...
    @property
    def coat_stage(self) -> str: ...
    @property
    def excluded_reason(self) -> str | None: ...


def is_judged(reading: Judged) -> bool:
    """Return whether *reading* is one that conformity rests on: counted, and taken on the whole film.

    A reading on bare metal or on zinc is never a film build, whatever its counted says.
    """
    return reading.counted and reading.coat_stage == CoatStage.TOTAL


def pieces_read(readings: Iterable[Judged]) -> tuple[str, ...]:
    """Return the pieces that were read on the whole film, in the order first met, whether any of their readings counts.

    A piece all of whose readings were excluded was measured and is not decided; it does not vanish. A reading that was
    undone at once says nothing about its piece.
    """
    return tuple(
        dict.fromkeys(r.piece for r in readings if not is_base(r) and (r.counted or r.excluded_reason != UNDONE))
    )


class Staged(Protocol):
    """A reading of which only matters what was on the metal."""

    @property
    def coat_stage(self) -> str: ...


def is_base(reading: Staged) -> bool:
    """Return whether *reading* was taken before coating, to be subtracted: on blasted metal or on zinc."""
    return reading.coat_stage != CoatStage.TOTAL


def film_build(reading: Judged, unit: Unit, roughness_correction_um: Decimal = _NOTHING_UM) -> Fraction:
    """Return the film build of *reading* in *unit*, exactly: thickness less what lay there before coating.

    Two practices allow for a blasted profile: subtracting a reading on the bare blasted metal
    (SSPC-PA 2, read), or subtracting a fixed value from a reading made after adjustment on smooth
    steel (ISO 19840, read in substance). Taking both would subtract one profile twice, so
    *roughness_correction_um* (µm) is subtracted only where the reading carries no base metal value.
    """
    base_um = reading.base_metal_um
    return _less(reading.thickness_um, roughness_correction_um if base_um is None else base_um, unit)


@lru_cache(maxsize=16_384)  # a gauge shows few different figures, and each is the same build every time
def _less(thickness_um: Decimal, subtracted_um: Decimal, unit: Unit) -> Fraction:
    # Fractions, not Decimals: Decimal arithmetic rounds to the context of whoever calls.
    return from_um(Fraction(thickness_um) - Fraction(subtracted_um), unit)

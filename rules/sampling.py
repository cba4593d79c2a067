"""How much has to be measured on a coated area. SI and US figures are each used on their own.

SSPC-PA 2 says that its SI and US values are not exact equivalents (cl. 1.5, read), so an area in ft²
is never converted into m² here, nor the other way round.
"""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction
from math import ceil
from typing import Final

#: SSPC-PA 2, cl. 8.1 and 8.2 (read): readings that make a spot, spots that make an area.
PA2_READINGS_PER_SPOT: Final = 3
PA2_SPOTS_PER_AREA: Final = 5

#: ISO 19840, table of the sampling plan: inspection area up to (m²), readings at the least. The counts
#: were read in a trade journal's table (December 2009, columns damaged); the first row is from memory.
ISO_19840_READINGS: Final = ((1, 5), (3, 10), (10, 15), (30, 20), (100, 30))


def pa2_areas_m2(coated_area_m2: Decimal | Fraction | int) -> int:
    """Return how many areas of 10 m² SSPC-PA 2 asks to be measured on *coated_area_m2* (m²).

    Under 30 m² every one; from 30 to 100 m² three; above, three and one more for each further 100 m²
    or part of it (read: an SSPC newsletter on the basics of PA 2).

    Raises:
        ValueError: The area is not above zero.
    """
    return _pa2_areas(coated_area_m2, unit_area=10)


def pa2_areas_ft2(coated_area_ft2: Decimal | Fraction | int) -> int:
    """Return how many areas of 100 ft² SSPC-PA 2 asks to be measured on *coated_area_ft2* (ft²).

    As :func:`pa2_areas_m2`, with 300 and 1000 ft² in place of 30 and 100 m² (read, same source).

    Raises:
        ValueError: The area is not above zero.
    """
    return _pa2_areas(coated_area_ft2, unit_area=100)


def iso_19840_readings(inspection_area_m2: Decimal | Fraction | int) -> int:
    """Return the least number of readings that ISO 19840 asks for on *inspection_area_m2* (m²).

    Above 100 m²: 30, and 10 more for each further 100 m² or part of it (read: 500 m² gives 70).

    Raises:
        ValueError: The area is not above zero.
    """
    area = _above_zero(inspection_area_m2)
    for up_to, readings in ISO_19840_READINGS:
        if area <= up_to:
            return readings
    return 30 + 10 * ceil((area - 100) / 100)


def iso_19840_low_readings_allowed(readings: int) -> int:
    """Return how many of *readings* may lie between 80 % and 100 % of nominal: strictly less than 20 % of them.

    ISO 19840 says "less than 20 %" (read): of 10 readings one may, two are exactly 20 % and may not.

    Raises:
        ValueError: There are no readings.
    """
    if readings < 1:
        raise ValueError(f"a share needs at least one reading, not {readings}")
    return ceil(Fraction(readings, 5)) - 1


def _pa2_areas(coated_area: Decimal | Fraction | int, unit_area: int) -> int:
    area = _above_zero(coated_area) / unit_area
    if area < 3:
        return ceil(area)
    return 3 + max(0, ceil((area - 10) / 10))


def _above_zero(area: Decimal | Fraction | int) -> Fraction:
    exact = Fraction(area)
    if exact <= 0:
        raise ValueError(f"a coated area is above zero, not {area}")
    return exact

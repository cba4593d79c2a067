"""Edges of how much has to be measured."""

from __future__ import annotations

import pytest

from rules.sampling import iso_19840_low_readings_allowed, iso_19840_readings, pa2_areas_ft2, pa2_areas_m2


def test_from_30_to_100_square_metres_three_areas_are_enough() -> None:
    """In between as at both ends."""
    assert [pa2_areas_m2(area) for area in (20, 21, 30, 31, 35, 100, 101, 200, 201)] == [2, 3, 3, 3, 3, 3, 4, 4, 5]
    assert [pa2_areas_ft2(area) for area in (200, 300, 350, 1000, 1001, 2001)] == [2, 3, 3, 3, 4, 5]


def test_above_100_square_metres_ten_readings_more_for_each_hundred_or_part_of_it() -> None:
    assert [iso_19840_readings(area) for area in (100, 101, 200, 201, 300, 301, 500)] == [30, 40, 40, 50, 50, 60, 70]


def test_no_area_is_refused_in_words() -> None:
    for ask in (pa2_areas_m2, pa2_areas_ft2, iso_19840_readings):
        with pytest.raises(ValueError, match=r"^a coated area is above zero, not 0$"):
            ask(0)


def test_less_than_a_fifth_of_the_readings_may_be_low() -> None:
    assert [iso_19840_low_readings_allowed(n) for n in (1, 5, 6, 10, 11, 15)] == [0, 0, 1, 1, 2, 2]
    with pytest.raises(ValueError, match=r"^a share needs at least one reading, not 0$"):
        iso_19840_low_readings_allowed(0)

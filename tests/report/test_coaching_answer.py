"""What coaching says of a period. Racks and numbers are invented."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal

import pytest

from report.coaching_answer import period_sentences
from rules.coaching import coach
from rules.coaching_findings import LocationCoaching
from rules.coaching_racks import Aim, Rack, RackReading
from schemas.units import Unit
from schemas.vocabulary import Role

D = Decimal
FACE = Aim("face", Role.VISIBLE, D(60), D(70), D(80), D(100))


def _face(builds: Sequence[int]) -> LocationCoaching:
    """Return the face of a rack with two readings on each piece."""
    readings = tuple(
        RackReading(f"piece {at}", "face", spot, D(build)) for at, build in enumerate(builds) for spot in (1, 2)
    )
    return coach(Rack("all", "A-1", "grey", None, readings), [FACE], [], Unit.UM, {"face": D(1)}).locations[0]


@pytest.mark.parametrize(
    ("builds", "said"),
    [
        (
            [75, 76, 74, 75],
            [
                "face: the mean lies in the target band (70.0 to 80.0 µm); n = 8, 4 pieces.",
                "face: none of 8 readings lies outside the limits.",
            ],
        ),
        (
            [104, 62, 101, 75],
            [
                "face: 5.5 µm above the target band (70.0 to 80.0 µm), more than the gauge explains (± 1.0 µm); n = 8, 4 pieces.",
                "face: 4 above the limits, of 8 readings; 2 of 4 pieces.",
            ],
        ),
    ],
)
def test_a_period_is_told_without_an_interval(builds: list[int], said: list[str]) -> None:
    assert period_sentences(_face(builds), Unit.UM) == said


def test_a_rack_is_told_that_the_interval_of_its_mean_reaches_into_the_band() -> None:
    assert any("but its interval reaches into it" in sentence for sentence in _face([104, 62, 101, 75]).sentences)


def test_of_a_period_with_too_few_pieces_nothing_is_said() -> None:
    assert period_sentences(_face([75, 75]), Unit.UM) == [
        "face: 4 readings on 2 pieces; nothing is said from fewer than 5 readings on 3 pieces."
    ]

"""A nested analysis of variance worked by hand, every figure of it; and what is refused, in words."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import pytest

from rules.statistics import square_root
from rules.variation import Level, LevelVariation, Variation, nested_variation


def _nest(*pieces: dict[str, list[list[int]]]) -> dict[str, dict[str, dict[int, list[Fraction]]]]:
    return {
        f"G-{at}": {
            location: {spot: [Fraction(x) for x in readings] for spot, readings in enumerate(spots, 1)}
            for location, spots in piece.items()
        }
        for at, piece in enumerate(pieces, 1)
    }


def test_every_figure_of_a_balanced_nest() -> None:
    """Two pieces, two locations each, two spots each, two readings each.

    Spot means 1, 5; 3, 7 and 9, 13; 15, 19. Locations 3, 5 and 11, 17. Pieces 4 and 14, all 9.
    Squares: readings 8 · 2 · 1, spots 8 · 2 · 4, locations 4 · (1 + 1 + 9 + 9), pieces 8 · (25 + 25).
    """
    found = nested_variation(
        _nest(
            {"front": [[0, 2], [4, 6]], "back": [[2, 4], [6, 8]]},
            {"front": [[8, 10], [12, 14]], "back": [[14, 16], [18, 20]]},
        )
    )

    def row(
        level: Level, members: int, degrees: int, squares: int, expected: list[int], estimate: Fraction, share: Fraction
    ) -> LevelVariation:
        mean_square = Fraction(squares, degrees)
        return LevelVariation(
            level,
            members,
            degrees,
            Fraction(squares),
            mean_square,
            tuple(map(Fraction, expected)),
            estimate,
            max(estimate, Fraction(0)),
            share,
            None,
        )

    # Mean squares 400, 40, 16 and 2; (400 - 40)/8, (40 - 16)/4, (16 - 2)/2 and 2.
    total = Fraction(45 + 6 + 7 + 2)
    assert found == Variation(
        mean=Fraction(9),
        levels=(
            row(Level.PIECE, 2, 1, 400, [8, 4, 2, 1], Fraction(45), 45 / total),
            row(Level.LOCATION, 4, 2, 80, [4, 2, 1], Fraction(6), 6 / total),
            row(Level.SPOT, 8, 4, 64, [2, 1], Fraction(7), 7 / total),
            row(Level.READING, 16, 8, 16, [1], Fraction(2), 2 / total),
        ),
        sum_of_squares=Fraction(560),
        total=total,
        balanced=True,
    )
    assert found.deviation == square_root(Fraction(60))
    assert [found.at(level).deviation for level in Level] == [square_root(Fraction(n)) for n in (45, 6, 7, 2)]


def test_an_estimate_of_just_nothing_is_not_below_zero() -> None:
    """Mean squares of 8 between two locations and of 8 between the readings in them: (8 - 8) / 2."""
    found = nested_variation(_nest({"front": [[0, 4]], "back": [[4, 4]], "lid": [[2, 2]]}))
    assert [level.degrees for level in found.levels] == [0, 2, 0, 3]
    location = found.at(Level.LOCATION)
    # Means 2, 4 and 2 about 8/3: squares 16/3 over 2; within them 8 over 3: the same.
    assert location.mean_square == found.at(Level.READING).mean_square == Fraction(8, 3)
    assert (location.estimate, location.component, location.below_zero) == (0, 0, False)


def test_an_estimate_between_nothing_and_one_is_not_below_zero() -> None:
    found = nested_variation(_nest({"front": [[1, 1]], "back": [[2, 2]]}))
    assert (found.at(Level.LOCATION).estimate, found.at(Level.LOCATION).below_zero) == (Fraction(1, 2), False)
    assert not found.at(Level.PIECE).below_zero


def test_unequal_numbers_have_coefficients_of_their_own() -> None:
    """One location of one reading and one of three: (4 - (1 + 9)/4) / 1 = 3/2 readings a location."""
    found = nested_variation(_nest({"front": [[5]], "back": [[1, 2, 3]]}))
    location, reading = found.at(Level.LOCATION), found.at(Level.READING)
    assert location.expected == (Fraction(3, 2), Fraction(3, 2), Fraction(1))
    assert (location.mean_square, reading.mean_square) == (Fraction(27, 4), 1)
    assert location.estimate == (Fraction(27, 4) - 1) / Fraction(3, 2)
    assert (found.mean, found.balanced) == (Fraction(11, 4), False)


def test_balance_is_asked_of_every_level() -> None:
    even = {"front": [[1, 2]], "back": [[3, 4]]}
    assert nested_variation(_nest(even, even)).balanced
    assert not nested_variation(_nest(even, {"front": [[1, 2]]})).balanced
    assert not nested_variation(_nest({"front": [[1], [2]], "back": [[3, 4]]})).balanced
    assert not nested_variation(_nest({"front": [[1, 2, 3]], "back": [[3, 4]]})).balanced


def test_readings_of_different_denominators_are_added_exactly() -> None:
    found = nested_variation({"A": {"front": {1: [Decimal("0.5"), Decimal("0.25"), Decimal("0.125")]}}})
    assert found.mean == Fraction(7, 24)
    # 1/4 + 1/16 + 1/64 - (7/8)²/3
    assert found.sum_of_squares == Fraction(21, 64) - Fraction(49, 192)


@pytest.mark.parametrize(
    ("builds", "sentence"),
    [
        pytest.param({}, "variation needs at least two readings", id="nothing"),
        pytest.param(_nest({"front": [[1]]}), "variation needs at least two readings", id="one reading"),
        pytest.param({"A": {}}, "piece A has no readings", id="an empty piece"),
        pytest.param({"A": {"front": {}}}, "front of piece A has no readings", id="an empty location"),
        pytest.param({"A": {"front": {2: []}}}, "spot 2, front of piece A has no readings", id="an empty spot"),
    ],
)
def test_what_shows_no_variation_is_refused_in_words(
    builds: dict[str, dict[str, dict[int, list[Fraction]]]], sentence: str
) -> None:
    with pytest.raises(ValueError, match=f"^{sentence}$"):
        nested_variation(builds)

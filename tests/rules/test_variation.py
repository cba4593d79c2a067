"""Variation by piece, location and spot: what can be told apart, what cannot, and what is said of it."""

from __future__ import annotations

from decimal import Decimal, localcontext
from fractions import Fraction
from itertools import count, product

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.statistics import variance
from rules.variation import Level, nested_variation

Nest = dict[str, dict[str, dict[int, list[Fraction]]]]

#: How many readings each spot of each location of each piece has.
LAYOUTS = {
    "balanced": [[[2, 2], [2, 2]], [[2, 2], [2, 2]]],
    "one location a piece": [[[2, 2, 2]], [[2, 2, 2]], [[2, 2, 2]]],
    "one reading a spot": [[[1, 1, 1], [1, 1, 1]], [[1, 1], [1, 1, 1, 1]]],
    "unequal everywhere": [[[3, 1], [2]], [[1], [1, 2], [2]]],
    "unequal pieces": [[[2], [1, 1]], [[3]]],
}
NESTS = st.lists(
    st.lists(
        st.lists(
            st.lists(st.fractions(min_value=0, max_value=5, max_denominator=1000), min_size=1, max_size=3),
            min_size=1,
            max_size=3,
        ),
        min_size=1,
        max_size=3,
    ),
    min_size=1,
    max_size=3,
)


def _nest(lists: list[list[list[list[Fraction]]]]) -> Nest:
    """Return nested lists of readings as builds by piece, location and spot."""
    return {
        f"G-{piece}": {
            f"rail {location}": {spot: list(readings) for spot, readings in enumerate(spots, start=1)}
            for location, spots in enumerate(locations)
        }
        for piece, locations in enumerate(lists)
    }


def _builds(text: str) -> Nest:
    """Return builds from text: pieces apart by |, locations by ;, spots by ",", readings by a space."""
    return _nest(
        [
            [[[Fraction(x) for x in spot.split()] for spot in location.split(",")] for location in piece.split(";")]
            for piece in text.split("|")
        ]
    )


def _with_effects(layout: list[list[list[int]]], level: Level, effects: tuple[int, ...]) -> Nest:
    """Return builds of *layout* in which only the members of *level* differ, each by the next of the effects."""
    effect = iter(effects)
    nest = []
    for piece in layout:
        of_piece = next(effect) if level is Level.PIECE else 0
        locations = []
        for location in piece:
            of_location = next(effect) if level is Level.LOCATION else of_piece
            spots = []
            for readings in location:
                of_spot = next(effect) if level is Level.SPOT else of_location
                spots.append([Fraction(next(effect) if level is Level.READING else of_spot) for _ in range(readings)])
            locations.append(spots)
        nest.append(locations)
    return _nest(nest)


def _members(layout: list[list[list[int]]], level: Level) -> int:
    return {
        Level.PIECE: len(layout),
        Level.LOCATION: sum(len(piece) for piece in layout),
        Level.SPOT: sum(len(location) for piece in layout for location in piece),
        Level.READING: sum(sum(location) for piece in layout for location in piece),
    }[level]


def test_a_difference_of_pieces_is_found_between_pieces_alone() -> None:
    found = nested_variation(_builds("1 1, 1 1; 1 1, 1 1 | 3 3, 3 3; 3 3, 3 3"))
    assert [level.component for level in found.levels] == [2, 0, 0, 0]
    assert [level.share for level in found.levels] == [1, 0, 0, 0]
    assert (found.mean, found.total, found.balanced) == (2, 2, True)


def test_a_difference_of_spots_is_found_between_spots_alone_and_pulls_the_levels_above_below_zero() -> None:
    found = nested_variation(_builds("1 1, 3 3; 1 1, 3 3 | 1 1, 3 3; 1 1, 3 3"))
    assert [level.component for level in found.levels] == [0, 0, 2, 0]
    assert found.at(Level.LOCATION).estimate == -1
    assert found.at(Level.LOCATION).below_zero
    assert not found.at(Level.SPOT).below_zero


def test_an_estimate_below_zero_leaves_the_other_estimates_as_they_are() -> None:
    """Pieces are estimated with the -1 of the locations, not with the 0 that is reported."""
    found = nested_variation(_builds("1 1, 3 3; 1 1, 3 3 | 5 5, 7 7; 5 5, 7 7"))
    assert found.at(Level.LOCATION).estimate == -1
    assert found.at(Level.PIECE).estimate == 8
    assert found.total == 10


@pytest.mark.parametrize("layout", LAYOUTS.values(), ids=LAYOUTS)
@pytest.mark.parametrize("level", Level)
def test_the_expected_mean_squares_are_exact_expectations(layout: list[list[list[int]]], level: Level) -> None:
    """Averaged over every pattern of effects of +1 and -1 (variance 1), a mean square is just its coefficient."""
    members = _members(layout, level)
    patterns = list(product((1, -1), repeat=members)) if members <= 10 else _balanced_patterns(members)
    sums = [Fraction(0)] * len(Level)
    for pattern in patterns:
        found = nested_variation(_with_effects(layout, level, pattern))
        sums = [so_far + (row.mean_square or Fraction(0)) for so_far, row in zip(sums, found.levels, strict=True)]
    inside = list(Level).index(level)
    for outer, row in enumerate(found.levels):
        expected = row.expected[inside - outer] if row.expected and inside >= outer else 0
        assert sums[outer] / len(patterns) == expected


def _balanced_patterns(members: int) -> list[tuple[int, ...]]:
    """Return few patterns of +1 and -1 in which any two members agree as often as they differ: rows of a Sylvester matrix.

    A mean square is a quadratic form, so no more than that is needed for its exact expectation.
    """
    size = 1 << members.bit_length()
    return [tuple(1 - 2 * ((row & column).bit_count() % 2) for column in range(1, members + 1)) for row in range(size)]


@given(NESTS)
@settings(max_examples=25, deadline=None)
def test_degrees_and_sums_of_squares_add_up_to_those_of_all_readings(lists: list[list[list[list[Fraction]]]]) -> None:
    builds = _nest(lists)
    readings = [x for piece in lists for location in piece for spot in location for x in spot]
    if len(readings) < 2:
        return
    found = nested_variation(builds)
    assert sum(level.degrees for level in found.levels) == len(readings) - 1
    assert sum(level.sum_of_squares for level in found.levels) == found.sum_of_squares
    assert found.sum_of_squares == variance(readings) * (len(readings) - 1)
    assert all(level.sum_of_squares >= 0 for level in found.levels)


@given(NESTS, st.fractions(min_value=-5, max_value=5, max_denominator=100), st.fractions(min_value=1, max_value=30))
@settings(max_examples=25, deadline=None)
def test_a_shift_changes_no_component_and_a_scale_changes_each_by_its_square(
    lists: list[list[list[list[Fraction]]]], shift: Fraction, scale: Fraction
) -> None:
    if sum(len(spot) for piece in lists for location in piece for spot in location) < 2:
        return
    moved = [[[[x * scale + shift for x in spot] for spot in location] for location in piece] for piece in lists]
    before, after = nested_variation(_nest(lists)), nested_variation(_nest(moved))
    assert [None if level.estimate is None else level.estimate * scale**2 for level in before.levels] == [
        level.estimate for level in after.levels
    ]
    assert [level.share for level in before.levels] == [level.share for level in after.levels]


@given(NESTS)
@settings(max_examples=25, deadline=None)
def test_the_shares_that_can_be_told_add_up_to_one(lists: list[list[list[list[Fraction]]]]) -> None:
    if sum(len(spot) for piece in lists for location in piece for spot in location) < 2:
        return
    shares = [level.share for level in nested_variation(_nest(lists)).levels if level.share is not None]
    assert not shares or sum(shares) == 1


@pytest.mark.parametrize(
    ("text", "shown_in"),
    [
        pytest.param("1, 2; 3, 4 | 5, 7; 6, 8", [None, None, None, Level.SPOT], id="one reading a spot"),
        pytest.param("1 2, 3 4 | 5 7, 6 8", [None, Level.PIECE, None, None], id="one location a piece"),
        pytest.param("1 2; 3 4 | 5 7; 6 8", [None, None, Level.LOCATION, None], id="one spot a location"),
        pytest.param("1 2 | 3 4", [None, Level.PIECE, Level.PIECE, None], id="one spot a piece"),
        pytest.param("1 | 3", [None, Level.PIECE, Level.PIECE, Level.PIECE], id="one reading a piece"),
        pytest.param("1 2, 3 4; 5 7, 6 8", [None, None, None, None], id="one piece"),
        pytest.param("1 2, 3 4", [None, None, None, None], id="one location of one piece"),
        pytest.param("1 2 3 4", [None, None, None, None], id="one spot"),
    ],
)
def test_a_level_with_one_member_each_says_where_it_is_shown(text: str, shown_in: list[Level | None]) -> None:
    found = nested_variation(_builds(text))
    assert [level.shown_in for level in found.levels] == shown_in
    for level in found.levels:
        known = level.degrees > 0
        assert (level.mean_square is not None, level.component is not None, level.share is not None) == (known,) * 3
        assert (level.deviation is not None, bool(level.expected)) == (known, known)


def test_one_spot_read_often_has_the_variance_of_its_readings() -> None:
    readings = [Fraction(x) for x in ("2.1", "2.4", "2.2", "2.9")]
    found = nested_variation({"G-1": {"front": {1: readings}}})
    assert found.at(Level.READING).component == found.total == variance(readings)
    assert [level.degrees for level in found.levels] == [0, 0, 0, 3]


def test_a_location_is_one_of_its_piece_whatever_its_name() -> None:
    same = {"A": {"front": {1: [Fraction(1)], 2: [Fraction(2)]}}, "B": {"front": {1: [Fraction(4)], 2: [Fraction(6)]}}}
    apart = {"A": same["A"], "B": {"back": same["B"]["front"]}}
    assert nested_variation(same) == nested_variation(apart)
    assert nested_variation(same).at(Level.LOCATION).members == 2


def test_decimals_and_fractions_give_the_same_and_the_callers_context_does_not_matter() -> None:
    as_fractions = _builds("2.11 2.13, 2.20; 1.97 | 2.5, 2.55 2.61")
    as_decimals = {
        piece: {
            location: {
                spot: [Decimal(x.numerator) / x.denominator for x in readings] for spot, readings in spots.items()
            }
            for location, spots in locations.items()
        }
        for piece, locations in as_fractions.items()
    }
    expected = nested_variation(as_fractions)
    with localcontext() as context:
        context.prec = 3
        found = nested_variation(as_decimals)
        assert found == expected
        assert (found.deviation, found.at(Level.PIECE).deviation) == (
            expected.deviation,
            expected.at(Level.PIECE).deviation,
        )


def test_a_small_difference_far_from_zero_is_not_lost() -> None:
    far = nested_variation(_builds("1000000000.1 1000000000.3 | 1000000000.1 1000000000.3"))
    assert far.at(Level.READING).component == Fraction(1, 50)


def test_readings_that_agree_vary_nowhere_and_have_no_shares() -> None:
    found = nested_variation(_builds("2.5 2.5, 2.5 2.5; 2.5 2.5 | 2.5 2.5"))
    assert (found.total, found.deviation, found.sum_of_squares) == (0, 0, 0)
    assert [level.share for level in found.levels] == [None] * 4
    assert [level.component for level in found.levels] == [0] * 4


@pytest.mark.parametrize(
    ("builds", "said"),
    [
        pytest.param({}, "two readings", id="nothing"),
        pytest.param({"A": {"front": {1: [Fraction(1)]}}}, "two readings", id="one reading"),
        pytest.param({"A": {}}, "piece A has no readings", id="an empty piece"),
        pytest.param({"A": {"front": {}}}, "front of piece A has no readings", id="an empty location"),
        pytest.param(
            {"A": {"front": {1: [Fraction(1), Fraction(2)], 2: []}}},
            "spot 2, front of piece A has no readings",
            id="an empty spot",
        ),
    ],
)
def test_a_place_without_readings_is_never_taken_for_one(builds: Nest, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        nested_variation(builds)


def test_the_layouts_of_this_test_are_as_they_are_called() -> None:
    counter = count()
    balanced = {
        name: nested_variation(_with_effects(layout, Level.READING, tuple(next(counter) for _ in range(99)))).balanced
        for name, layout in LAYOUTS.items()
    }
    assert balanced == {name: name in {"balanced", "one location a piece"} for name in LAYOUTS}

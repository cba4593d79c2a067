"""Findings of one comparison, word for word and with their evidence."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import pytest

from rules.places import PieceLocation, compared, high, low, lowest_and_highest, named, too_few, where
from rules.rounding import Comparison
from rules.verdict import Finding, Verdict
from schemas.job import Location
from schemas.units import Unit
from tests.rules.builders import job, location


def _location(lower: str | None = "60", upper: str | None = "90", spots: int = 2, per_spot: int = 3) -> Location:
    return job(location("rail", lower, upper, spots=spots, readings_per_spot=per_spot), unit="um").location[0]


def _place(
    spots: dict[int, list[str]] | None = None,
    comparison: Comparison = Comparison.ABSOLUTE,
    lower: str | None = "60",
    upper: str | None = "90",
) -> PieceLocation:
    builds = {number: tuple(map(Fraction, taken)) for number, taken in (spots or {}).items()}
    return PieceLocation("7", _location(lower, upper), builds, comparison)


PLACE = _place()


def test_a_number_on_its_lower_limit_meets_it() -> None:
    assert low(PLACE, "lowest reading", Fraction(60), Decimal("60"), "the lower limit", Unit.UM) == Finding(
        Verdict.PASS,
        "lowest reading",
        "piece 7, rail: lowest reading 60.0 µm meets the lower limit 60 µm",
        location="rail",
        piece="7",
        found=Fraction(60),
        limit=Decimal(60),
        low=True,
        averaged=1,
    )


def test_a_number_just_under_its_lower_limit_is_below_it_and_shows_it() -> None:
    found = Fraction("59.99")
    assert low(PLACE, "mean", found, Decimal("60"), "the lower limit", Unit.UM, 5) == Finding(
        Verdict.FAIL,
        "mean",
        "piece 7, rail: mean 59.99 µm is below the lower limit 60 µm",
        location="rail",
        piece="7",
        found=found,
        limit=Decimal(60),
        low=True,
        averaged=5,
    )


def test_a_number_on_its_upper_limit_is_within_it_and_just_over_it_is_not() -> None:
    assert high(PLACE, "highest reading", Fraction(90), Decimal("90"), "the upper limit", Unit.UM) == Finding(
        Verdict.PASS,
        "highest reading",
        "piece 7, rail: highest reading 90.0 µm is within the upper limit 90 µm",
        location="rail",
        piece="7",
        found=Fraction(90),
        limit=Decimal(90),
        low=False,
        averaged=1,
    )
    above = high(PLACE, "mean", Fraction("90.01"), Decimal("90"), "the upper limit", Unit.UM, 4)
    assert (above.verdict, above.averaged, above.low) == (Verdict.FAIL, 4, False)
    assert above.sentence == "piece 7, rail: mean 90.01 µm is above the upper limit 90 µm"


def test_by_the_rounding_method_the_finding_says_so_and_keeps_the_unrounded_number() -> None:
    place = _place(comparison=Comparison.ROUNDING)
    assert low(place, "mean", Fraction("59.6"), Decimal("60"), "the lower limit", Unit.UM) == Finding(
        Verdict.PASS,
        "mean",
        "piece 7, rail: mean 59.6 µm, rounded to the last place of the limit, meets the lower limit 60 µm",
        location="rail",
        piece="7",
        found=Fraction("59.6"),
        limit=Decimal(60),
        low=True,
    )
    assert high(place, "mean", Fraction("90.51"), Decimal("90"), "the upper limit", Unit.UM).verdict is Verdict.FAIL
    # For print as many places as ever: nothing is compared on what stands there.
    assert "mean 60.0 µm, rounded" in low(place, "mean", Fraction("59.99"), Decimal("60"), "it", Unit.UM).sentence


def test_a_derived_limit_is_never_rounded_to() -> None:
    place = _place(comparison=Comparison.ROUNDING)
    finding = low(place, "lowest reading", Fraction("47.9"), Fraction(48), "80 % of nominal", Unit.UM)
    assert finding.verdict is Verdict.FAIL
    assert finding.sentence == "piece 7, rail: lowest reading 47.9 µm is below 80 % of nominal 48 µm"


def test_a_comparison_that_is_about_more_than_one_place_names_none() -> None:
    finding = compared(
        "piece 7, both rails",
        Comparison.ABSOLUTE,
        "mean",
        Fraction(61),
        Decimal(60),
        "the minimum",
        Unit.UM,
        low=True,
        piece="7",
    )
    assert (finding.piece, finding.location, finding.averaged) == ("7", None, 1)
    assert finding.sentence == "piece 7, both rails: mean 61.0 µm meets the minimum 60 µm"


def test_the_lowest_and_the_highest_are_held_against_the_limits_that_there_are() -> None:
    values = [Fraction(v) for v in (70, 61, 89)]
    both = list(lowest_and_highest(PLACE, values, "reading", Unit.UM))
    assert [f.sentence for f in both] == [
        "piece 7, rail: lowest reading 61.0 µm meets the lower limit 60 µm",
        "piece 7, rail: highest reading 89.0 µm is within the upper limit 90 µm",
    ]
    assert [f.check for f in both] == ["lowest reading", "highest reading"]
    (lower,) = lowest_and_highest(_place(upper=None), values, "reading", Unit.UM)
    (upper,) = lowest_and_highest(_place(lower=None), values, "reading", Unit.UM)
    assert (lower.low, upper.low) == (True, False)
    assert list(lowest_and_highest(PLACE, [], "reading", Unit.UM)) == []


def test_too_few_are_undecided_and_say_who_asks() -> None:
    assert too_few(PLACE, "spots", 2, 5, "an area mean needs") == Finding(
        Verdict.UNDECIDED,
        "spots",
        "piece 7, rail: too few spots: 2 of 5 that an area mean needs",
        location="rail",
        piece="7",
        found=Fraction(2),
        limit=Decimal(5),
    )
    assert where(PLACE) == "piece 7, rail"


@pytest.mark.parametrize(
    ("limit", "specified", "said"),
    [
        pytest.param(Fraction(48), Decimal(60), "80 % of the lower limit", id="a share of it"),
        pytest.param(Fraction(60), Decimal(60), "the lower limit", id="the limit itself"),
        pytest.param(Fraction(48), None, "the lower limit", id="none specified"),
        pytest.param(Fraction(48), Decimal(0), "the lower limit", id="of nothing there is no share"),
        pytest.param(Decimal(72), Decimal(60), "120 % of the lower limit", id="more than it"),
        pytest.param(Fraction("0.5"), Decimal(1), "50 % of the lower limit", id="of one"),
    ],
)
def test_a_level_says_what_it_makes_of_a_limit(limit: Fraction | Decimal, specified: Decimal | None, said: str) -> None:
    assert named("the lower limit", limit, specified) == said


def test_the_readings_of_a_place_stand_spot_by_spot() -> None:
    assert _place({1: ["61", "62"], 2: ["63"]}).builds == (61, 62, 63)


def test_readings_beyond_the_plan_do_not_make_up_for_a_spot_that_was_left_out() -> None:
    """Two spots of three readings are planned."""
    full, more, single = ["61"] * 3, ["61"] * 5, ["61"]
    assert [
        _place(spots).credited
        for spots in (
            {1: full, 2: full},
            {1: more},
            {1: single, 2: full, 3: more},
            {1: single, 2: single, 3: single},
            {},
        )
    ] == [6, 3, 6, 2, 0]

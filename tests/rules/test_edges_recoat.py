"""Edges of the sums for a second coat, word for word. Numbers are invented."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction
from typing import Any

import pytest

from rules.places import PieceLocation
from rules.recoat import RecoatTest, added_build, recoat_test
from schemas.job import Recoat
from schemas.units import Unit
from tests.rules.builders import job, location

ADDS: dict[str, Any] = {"added_low": Decimal("1.5"), "added_high": Decimal("2.5")}


def _tested(
    build: str, sheet: str | None = None, adds: dict[str, Any] = ADDS, unit: str = "mil", **place: Any
) -> RecoatTest:
    at = job(location("face", **place), unit=unit).location[0]
    said = {**adds, **({} if sheet is None else {"sheet_max_total": Decimal(sheet)})}
    places = [PieceLocation("7", at, {1: (Fraction(build),)})]
    return recoat_test(places, Recoat.checked(said, "recoat"), Unit(unit))


@pytest.mark.parametrize(
    ("sheet", "said"),
    [
        ("3.9", "4.00 mil > 3.9 mil, the data sheet's total"),
        ("4.0", "4.00 mil = 4.0 mil, the upper limit"),
        ("4.1", "4.00 mil = 4.0 mil, the upper limit"),
        (None, "4.00 mil = 4.0 mil, the upper limit"),
    ],
)
def test_the_lowest_ceiling_is_the_one_that_counts_and_of_two_alike_the_limit(sheet: str | None, said: str) -> None:
    sums = {reason.partition("face: ")[2] for reason in _tested("1.5", sheet).reasons}
    assert f"highest 1.50 + 2.5 = {said}" in sums


def test_a_fit_is_said_to_be_the_lowest_ceiling_where_it_is() -> None:
    found = _tested("1.5", fit={"feature": "shaft", "may_change": Decimal(7)})
    assert found == RecoatTest(
        False,
        (
            "piece 7, face: highest 1.50 + 2.5 = 4.00 mil > 3.5 mil, the most film with which the shaft fits",
            "piece 7, face: lowest 1.50 + 1.5 = 3.00 mil > 2.0 mil, the lower limit",
        ),
        used="a coat adds 1.5 to 2.5 mil (from the job)",
        broken=1,
    )


def test_what_is_missing_is_asked_for_in_full() -> None:
    what_it_adds = (
        "What does a recoat add here, at the least and at the most? (job: recoat.added_low, recoat.added_high, from the "
        "shop's own history)"
    )
    what_total = (
        "What total film does the data sheet allow, and does it allow a second coat? (job: recoat.sheet_max_total)"
    )
    assert recoat_test([], None, Unit.MIL) == RecoatTest(None, (), (what_it_adds, what_total))
    known = Recoat.checked({"sheet_max_total": Decimal(8)}, "recoat")
    assert recoat_test([], known, Unit.MIL) == RecoatTest(None, (), (what_it_adds,))
    assert recoat_test([], None, Unit.MIL).sentence == "Recoat test: cannot be told."


def test_where_there_is_no_ceiling_the_data_sheet_is_asked_for() -> None:
    found = _tested("1.5", upper=None)
    assert found == RecoatTest(
        None,
        ("piece 7, face: lowest 1.50 + 1.5 = 3.00 mil > 2.0 mil, the lower limit",),
        ("What total film does the data sheet allow at face? No upper limit is given. (job: recoat.sheet_max_total)",),
        "a coat adds 1.5 to 2.5 mil (from the job)",
    )


def test_a_place_with_an_upper_limit_alone_has_one_sum() -> None:
    found = _tested("1.5", lower=None)
    assert found == RecoatTest(
        True,
        ("piece 7, face: highest 1.50 + 2.5 = 4.00 mil = 4.0 mil, the upper limit",),
        (),
        "a coat adds 1.5 to 2.5 mil (from the job)",
    )


def test_where_nothing_was_measured_that_is_said() -> None:
    recoat = Recoat.checked(ADDS, "recoat")
    assert recoat_test([], recoat, Unit.MIL).missing == (
        "What is the build? No place that a second coat goes on was measured.",
    )


def test_a_masked_or_unmeasured_place_does_not_hide_the_next_one() -> None:
    the_job = job(location("pin", None, "0.5", role="masked"), location("back"), location("face"))
    pin, back, face = the_job.location
    places = [
        PieceLocation("7", pin, {1: (Fraction(1),)}),
        PieceLocation("7", back, {}),
        PieceLocation("7", face, {1: (Fraction(9),)}),
    ]
    found = recoat_test(places, Recoat.checked(ADDS, "recoat"), Unit.MIL)
    assert (found.feasible, found.broken) == (False, 1)
    assert found.reasons[0].startswith("piece 7, face: highest 9.00")


def test_the_history_has_its_mean_and_spread_to_the_places_of_the_unit() -> None:
    """Ten differences of 38 and 42: the mean is 40, s² is 40/9, and 2 s is 4.2164."""
    found = added_build([Fraction(38), Fraction(42)] * 5, Unit.UM)
    assert found is not None
    assert [str(x) for x in (found.low, found.high, found.mean, found.deviation)] == ["35.7", "44.3", "40.0", "2.1"]
    assert (found.pairs, found.source) == (10, "10 pairs in the archive: mean 40.0, s 2.1 µm")


def test_a_history_of_nothing_added_is_none() -> None:
    assert added_build([Fraction(0)] * 10, Unit.UM) is None
    least = added_build([Fraction(1, 100)] * 10, Unit.UM)
    assert least is not None
    assert (str(least.low), str(least.high)) == ("0.0", "0.1")

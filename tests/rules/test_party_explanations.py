"""What would explain that two parties differ: each cause shows where it is the cause, and not where it is none."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import pytest

from rules.parties import Accurate, Checked, Party, Result
from rules.party_explanations import Cause, Explanation, Sides, Standing, error_figure, explanations
from rules.party_places import Bearing, places_of
from rules.results import GateState
from rules.uncertainty import Spread
from schemas.units import Unit
from tests.rules.two_parties import UNKNOWN, party, result

FACES = ("front", "back", "edge", "corner")


def _explained(one: Party, other: Party, unit: Unit = Unit.UM) -> list[Explanation]:
    return list(explanations(Sides(one, other, places_of(one, other), unit)))


def _of(cause: Cause, found: list[Explanation]) -> Explanation:
    (only,) = [x for x in found if x.cause is cause]
    return only


def _fully(found: list[Explanation]) -> list[Cause]:
    return [x.cause for x in found if x.standing is Standing.FULLY]


def test_where_no_difference_means_anything_nothing_is_explained() -> None:
    assert _explained(party("A", dict.fromkeys(FACES, "80")), party("B", dict.fromkeys(FACES, "82"))) == []


# unit


def test_figures_in_mil_that_were_taken_as_um_are_found_out() -> None:
    one = party("A", {"front": "76.2", "back": "101.6", "edge": "127"})
    other = party("B", {"front": "3", "back": "4", "edge": "5"})
    found = _explained(one, other)
    assert found[0].cause is Cause.UNIT
    assert found[0].standing is Standing.FULLY
    assert found[0].sentence == (
        "The figures of B are in mil and were taken as µm (the larger figures are 25.40 times the smaller; 1 mil is "
        "25.4 µm): would explain it; the greatest |E_n| left would be 0.00."
    )
    assert found[0].greatest_error == 0


def test_figures_in_um_that_were_taken_as_mil_are_found_out() -> None:
    one = party("A", {"front": "76.2", "back": "101.6"})
    other = party("B", {"front": "1935.48", "back": "2580.64"}, unit=Unit.MIL, unit_recorded=False)
    found = _explained(one, other, Unit.MIL)
    assert found[0].sentence.startswith(
        "The figures of B are in µm and were taken as mil (the larger figures are 25.40"
    )


def test_a_unit_that_each_reading_records_is_doubted_less_than_one_that_somebody_stated() -> None:
    one = party("A", {"front": "3"}, unit_recorded=False)
    other = party("B", {"front": "76.2"})
    assert _of(Cause.UNIT, _explained(one, other)).parties == ("A",)
    assert _of(Cause.UNIT, _explained(other, one)).parties == ("A",)


def test_whose_figures_lie_far_from_the_limits_is_doubted_first() -> None:
    one = party("A", {"front": result("3", lower_um="2", upper_um="5")}, unit_recorded=False)
    other = party("B", {"front": "76.2"})
    assert _of(Cause.UNIT, _explained(one, other)).parties == ("B",)
    assert _of(Cause.UNIT, _explained(other, one)).parties == ("B",)
    assert "converted into µm once too often" in _of(Cause.UNIT, _explained(one, other)).sentence


def test_a_ratio_that_is_not_that_of_the_units_is_not_tried_as_one() -> None:
    found = _of(Cause.UNIT, _explained(party("A", {"front": "80"}), party("B", {"front": "100"})))
    assert (found.standing, found.left) == (Standing.NO, ())


def test_a_ratio_needs_figures_above_zero() -> None:
    found = _explained(party("A", {"front": "0"}), party("B", {"front": "100"}))
    assert _of(Cause.UNIT, found).standing is Standing.OPEN


def test_a_stated_uncertainty_stays_in_its_own_unit_when_figures_change_theirs() -> None:
    """U = 2 µm on both sides before and after: d = 2.5, E_n = 2.5 / √8."""
    found = _explained(party("A", {"front": "78.7"}), party("B", {"front": "3"}))
    assert _of(Cause.UNIT, found).greatest_error == pytest.approx(Decimal("0.88388"), abs=Decimal("0.00001"))


def test_with_the_unit_put_right_a_second_cause_may_explain_the_rest() -> None:
    one = party("A", {"front": "76.2", "back": "101.6", "edge": "127", "corner": "50.8"})
    other = party("B", {"front": "3.2", "back": "4.2", "edge": "5.2", "corner": "2.2"})
    best = _explained(one, other)[0]
    assert (best.cause, best.and_then, best.standing, best.fitted) == (
        Cause.UNIT,
        Cause.OFFSET,
        Standing.FULLY,
        1,
    )
    assert "What is left: B reads 5.1 µm thicker than A everywhere" in best.sentence


# base metal


def test_a_base_metal_value_that_one_party_alone_subtracts() -> None:
    one = party("A", {place: result(str(70 + at), subtracted_um="12.5") for at, place in enumerate(FACES)})
    other = party("B", {place: str(82.5 + at) for at, place in enumerate(FACES)}, says_subtracted=False)
    found = _explained(one, other)
    assert found[0].cause is Cause.BASE_METAL
    assert found[0].sentence == (
        "A subtracted 12.5 µm for the metal below and B nothing: would explain it; the greatest |E_n| left would be 0.00."
    )
    assert found[0].fitted == 0
    # The offset explains as much, but was fitted.
    assert Cause.OFFSET in _fully(found)[1:]


def test_base_metal_values_that_differ_are_compared_as_the_gauges_read() -> None:
    one = party("A", {place: result("70", subtracted_um="20") for place in FACES})
    other = party("B", {place: result("80", subtracted_um="10") for place in FACES})
    assert _explained(one, other)[0].sentence.startswith(
        "What the parties subtracted for the metal below is what differs"
    )


def test_where_nobody_said_what_was_subtracted_it_stays_open_and_where_all_did_it_is_ruled_out() -> None:
    one, other = party("A", {"front": "80"}), party("B", {"front": "92"}, says_subtracted=False)
    silent = _of(Cause.BASE_METAL, _explained(one, other))
    assert (silent.standing, silent.parties) == (Standing.OPEN, ("B",))
    assert _of(Cause.BASE_METAL, _explained(one, party("B", {"front": "92"}))).standing is Standing.NO


# gauge checks


def test_an_error_that_a_gauge_check_found_and_nobody_corrected_for() -> None:
    one = party("A", {place: result("80", gauge_error_um="0.2") for place in FACES})
    other = party("B", {place: result("88", gauge_error_um="7.9") for place in FACES})
    best = _explained(one, other)[0]
    assert (best.cause, best.standing) == (Cause.GAUGE_CHECK, Standing.FULLY)
    assert "(0.2 µm to 7.9 µm)" in best.sentence or "(0.2 to 7.9 µm)" in best.sentence


@pytest.mark.parametrize("state", [GateState.OPEN, GateState.SUSPECT, GateState.UNCOVERED])
def test_a_gauge_that_is_not_covered_cannot_be_ruled_out(state: GateState) -> None:
    one = party("A", {"front": "80"}, checked=Checked(state, "the closing check failed"))
    found = _of(Cause.GAUGE_CHECK, _explained(one, party("B", {"front": "92"})))
    assert (found.standing, found.sentence) == (Standing.OPEN, "A: the closing check failed")


def test_a_gauge_whose_checks_nobody_knows_cannot_be_ruled_out() -> None:
    found = _explained(party("A", {"front": "80"}), party("B", {"front": "92"}, checked=UNKNOWN))
    assert _of(Cause.GAUGE_CHECK, found).standing is Standing.OPEN


# locations


def test_two_locations_that_are_exchanged() -> None:
    one = party("A", {"front": "80", "back": "60", "edge": "120", "corner": "45"})
    other = party("B", {"front": "80.4", "back": "60.2", "edge": "45.3", "corner": "119.8"})
    best = _explained(one, other)[0]
    assert best.cause is Cause.EXCHANGED
    assert best.sentence.startswith(
        "The locations corner and edge are exchanged in one of the two lists: would explain it"
    )
    assert {left.location for left in best.left} == {"front", "back", "corner / edge"}


def test_a_list_that_has_slipped_by_one() -> None:
    figures = ["80", "62", "121", "45", "99"]
    one = party("A", dict(zip("abcde", figures, strict=True)))
    other = party("B", dict(zip("abcde", [*figures[1:], figures[0]], strict=True)))
    assert _explained(one, other)[0].cause is Cause.EXCHANGED
    assert _explained(one, other)[0].greatest_error == 0


def test_an_offset_is_not_taken_for_an_exchange() -> None:
    one = party("A", {"front": "80", "back": "60", "edge": "120", "corner": "45"})
    other = party("B", {"front": "90", "back": "70", "edge": "130", "corner": "55"})
    assert Cause.EXCHANGED not in _fully(_explained(one, other))


# piece, rule


def test_one_piece_against_the_mean_of_several() -> None:
    pieces = {"1": {"front": result("70"), "back": result("60")}, "2": {"front": result("90"), "back": result("80")}}
    one = party("A", {"front": "80", "back": "70"}, pieces=pieces)
    best = _explained(one, party("B", {"front": "90.5", "back": "79"}))[0]
    assert best.cause is Cause.PIECE
    assert best.sentence.startswith("B measured piece 2 alone, and A gives the mean of 2 pieces: would explain it")


def test_the_least_reading_against_the_mean() -> None:
    one = party("A", {"front": ("70", "80", "90"), "back": ("60", "66", "78"), "edge": ("100", "110", "114")})
    other = party("B", {"front": "70.3", "back": "60.1", "edge": "99.8"})
    single = _of(Cause.SINGLE, _explained(one, other))
    assert single.standing is Standing.FULLY
    assert single.sentence.startswith("B gives the least reading of each location, and A the mean of several")


def test_one_reading_has_the_uncertainty_of_one_reading() -> None:
    spread = Spread(Fraction(25), 8, "readings")
    terms = Accurate(Decimal(1), Decimal(0), Fraction(1, 10), spread)
    many = Result(tuple(Fraction(v) for v in (70, 80, 90, 80)), 4, terms)
    assert many.single(Fraction(70)).expanded_um is not None
    assert many.expanded_um is not None
    assert many.single(Fraction(70)).expanded_um > many.expanded_um


# offset, slope


def test_a_common_offset_and_who_reads_thicker() -> None:
    one = party("A", {"front": "80", "back": "60", "edge": "220"})
    other = party("B", {"front": "74", "back": "54.2", "edge": "213.8"})
    best = _explained(one, other)[0]
    assert best.cause is Cause.OFFSET
    assert best.sentence.startswith(
        "A reads 6.0 µm thicker than B everywhere (5.8 to 6.2 µm), as a gauge does whose zero or adjustment is off"
    )
    assert Cause.SLOPE not in _fully(_explained(one, other))


def test_a_common_ratio() -> None:
    one = party("A", {"front": "80", "back": "60", "edge": "220"})
    other = party("B", {"front": "88", "back": "66", "edge": "242"})
    best = _explained(one, other)[0]
    assert best.cause is Cause.SLOPE
    assert best.sentence.startswith("B reads 10.0 % thicker than A everywhere")


def test_what_is_common_is_not_told_from_two_locations_nor_where_differences_go_both_ways() -> None:
    two = _explained(party("A", {"front": "80", "back": "60"}), party("B", {"front": "90", "back": "70"}))
    assert _of(Cause.OFFSET, two).standing is _of(Cause.SLOPE, two).standing is Standing.OPEN
    mixed = _explained(
        party("A", {"front": "80", "back": "60", "edge": "50"}), party("B", {"front": "90", "back": "50", "edge": "50"})
    )
    assert _of(Cause.OFFSET, mixed).standing is Standing.NO


def test_a_ratio_that_no_gauge_is_adjusted_off_by_is_none() -> None:
    one = party("A", {"front": "80", "back": "60", "edge": "50"})
    other = party("B", {"front": "128", "back": "96", "edge": "80"})
    assert _of(Cause.SLOPE, _explained(one, other)).standing is Standing.NO


def test_one_location_far_off_is_not_taken_for_an_offset_of_all() -> None:
    one = party("A", {"front": "80", "back": "60", "edge": "50"})
    other = party("B", {"front": "80", "back": "62.9", "edge": "50"})
    assert _of(Cause.OFFSET, _explained(one, other)).standing is Standing.NO


# spot, few readings


def test_one_location_alone_where_the_film_varies_that_much() -> None:
    """s = 10 µm there: 2·√2·10 = 28.3 µm more of U, for a difference of 20 µm."""
    one = party("A", {"front": "80", "back": "60", "edge": ("40", "50", "60")})
    other = party("B", {"front": "80", "back": "60", "edge": "70"})
    spot = _of(Cause.SPOT, _explained(one, other))
    assert spot.standing is Standing.FULLY
    assert spot.greatest_error == pytest.approx(Decimal(20) / Decimal(808).sqrt())
    assert spot.sentence.startswith("edge alone differs: the parties measured different spots there")


def test_one_location_alone_where_the_film_hardly_varies() -> None:
    one = party("A", {"front": "80", "back": "60", "edge": ("49.9", "50", "50.1")})
    other = party("B", {"front": "80", "back": "60", "edge": "70"})
    assert _of(Cause.SPOT, _explained(one, other)).standing is Standing.NO


def test_one_location_alone_where_nobody_knows_how_the_film_varies() -> None:
    one = party("A", {"front": "80", "back": "60", "edge": "50"})
    other = party("B", {"front": "80", "back": "60", "edge": "70"})
    assert _of(Cause.SPOT, _explained(one, other)).standing is Standing.OPEN


def test_half_of_the_locations_are_not_one_alone() -> None:
    one = party("A", {"front": ("75", "85"), "back": ("55", "65")})
    other = party("B", {"front": "80", "back": "90"})
    assert not [x for x in _explained(one, other) if x.cause is Cause.SPOT]


def test_a_stated_uncertainty_without_what_few_readings_vary_by() -> None:
    """A's readings vary by s = 10; one reading of B's adds (2·10)², three of A's own (2·10)²/3 more."""
    one = party("A", {"front": ("70", "80", "90")})
    other = party("B", {"front": result("92", u="1")})
    few = _of(Cause.COUNT, _explained(one, other))
    assert few.standing is Standing.FULLY
    assert few.greatest_error == pytest.approx(Decimal(12) / (Decimal(5) + 400 + Decimal(400) / 3).sqrt())
    assert few.parties == ("A", "B")


# without an uncertainty


def test_without_an_uncertainty_a_cause_has_to_leave_a_quarter_of_the_differences() -> None:
    one = party("A", {place: result(f, u=None) for place, f in zip(FACES, ("80", "60", "120", "45"), strict=True)})
    other = party("B", {place: result(f, u=None) for place, f in zip(FACES, ("90", "70", "130", "55.4"), strict=True)})
    best = _explained(one, other)[0]
    assert (best.cause, best.standing, best.greatest_error) == (Cause.OFFSET, Standing.FULLY, None)
    assert best.sentence.endswith("the greatest difference left would be 0.3 µm, where it is 10.4 µm now.")
    assert all(left.bearing is Bearing.OPEN for left in best.left)


def test_a_normalized_error_near_one_is_printed_with_the_places_that_tell_it_from_one() -> None:
    assert error_figure(Fraction("1.0004")) == "1.0004"
    assert error_figure(Fraction("-0.9996")) == "-0.9996"
    assert error_figure(Fraction(1)) == "1.00"
    assert error_figure(Fraction("-1.78")) == "-1.78"


def test_a_cause_that_was_not_fitted_comes_before_one_that_was() -> None:
    one = party("A", {place: result("70", subtracted_um="12") for place in FACES})
    other = party("B", dict.fromkeys(FACES, "82"))
    found = [x for x in _explained(one, other) if x.standing is Standing.FULLY]
    assert [x.fitted for x in found] == sorted(x.fitted for x in found)

"""Budgets of film builds, and the laws that every budget keeps. Numbers are invented; published examples: tests/standards/test_gum.py."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal, localcontext
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from rules.statistics import square_root, standard_deviation
from rules.uncertainty import (
    COMPONENTS,
    EARLIER_COAT,
    Budget,
    Component,
    Correlation,
    GaugeKnowledge,
    Input,
    Kind,
    arcsine,
    budget,
    calibration_line,
    coat_budget,
    contributions,
    degrees_of_reliability,
    film_build_budget,
    in_unit,
    normal,
    pooled_deviation,
    rectangular,
    triangular,
    type_a,
)
from schemas.units import Unit, to_um

BUILDS = [Fraction(v) for v in ("78", "81", "80", "79", "82")]
BASE = [Fraction(v) for v in ("11", "13", "12")]
GAUGE = GaugeKnowledge(
    accuracy_um=Decimal("1.5"),
    accuracy_percent=Decimal(2),
    step_um=Decimal("0.1"),
    standard="S-75",
    standard_u_um=Decimal("0.6"),
    error_um=Decimal("-0.9"),
)
OTHER = replace(GAUGE, standard="S-25", standard_u_um=Decimal("0.8"), error_um=Decimal("0.3"), step_um=Decimal(1))


def _close(found: Decimal, square: Fraction) -> bool:
    return abs(Fraction(found) ** 2 - square) <= square * Fraction(1, 10**30)


def _named(found: Budget) -> dict[str, Component]:
    assert len({c.name for c in found.components}) == len(found.components)
    return {c.name: c for c in found.components}


# The budget of a film build


def test_the_budget_of_a_mean_component_by_component() -> None:
    found = _named(film_build_budget(BUILDS, 5, GAUGE))
    assert list(found) == list(COMPONENTS[:5])
    # s² of 78 to 82 is 2.5; half a step 0.05; 1.5 + 2 % of 80 = 3.1; 0.6 / 2; 0.9.
    assert _close(found["repeatability"].standard, Fraction("0.5"))
    assert _close(found["resolution"].standard, Fraction("0.05") ** 2 / 3)
    assert _close(found["gauge accuracy"].standard, Fraction("3.1") ** 2 / 3)
    assert found["standard"].standard == Decimal("0.3")
    assert _close(found["error at verification"].standard, Fraction("0.9") ** 2 / 3)
    assert {c.name: (c.kind, c.degrees) for c in found.values()} == {
        "repeatability": (Kind.A, 4),
        "resolution": (Kind.B, None),
        "gauge accuracy": (Kind.B, None),
        "standard": (Kind.B, None),
        "error at verification": (Kind.B, None),
    }


def test_one_reading_has_the_whole_spread_and_the_rest_alike() -> None:
    one, five = _named(film_build_budget(BUILDS, 1, GAUGE)), _named(film_build_budget(BUILDS, 5, GAUGE))
    assert _close(one["repeatability"].standard, Fraction("2.5"))
    assert one["repeatability"].degrees == 4
    assert {n: c for n, c in one.items() if n != "repeatability"} == {
        n: c for n, c in five.items() if n != "repeatability"
    }


def test_within_pieces_that_the_pieces_differ_is_not_counted() -> None:
    pieces = [[Fraction(v) for v in ("60", "61", "62")], [Fraction(v) for v in ("90", "91", "92")]]
    builds = [b for piece in pieces for b in piece]
    found = _named(film_build_budget(builds, 6, GAUGE, pieces_um=pieces))["repeatability"]
    assert _close(found.standard, Fraction(1, 6))
    assert found.degrees == 4
    assert found.how == "s of 6 readings within 2 pieces, mean of 6"
    over_all = _named(film_build_budget(builds, 6, GAUGE))["repeatability"]
    assert over_all.standard > 10 * found.standard


def test_an_error_that_is_corrected_leaves_only_its_own_uncertainty() -> None:
    gauge = replace(GAUGE, corrected=True, error_standard_um=Decimal("0.12"), error_degrees=9)
    found = _named(film_build_budget(BUILDS, 5, gauge))["error at verification"]
    assert (found.standard, found.degrees, found.kind) == (Decimal("0.12"), 9, Kind.A)


def test_a_corrected_error_of_unknown_uncertainty_is_refused() -> None:
    with pytest.raises(ValueError, match="corrected"):
        film_build_budget(BUILDS, 5, replace(GAUGE, corrected=True))


def test_nothing_cancels_over_base_metal_unless_the_caller_says_so() -> None:
    """Accuracy at 92 µm and at 12 µm: 1.5 + 1.84 and 1.5 + 0.24, joined as independent."""
    found = _named(film_build_budget(BUILDS, 5, GAUGE, BASE))
    assert list(found) == list(COMPONENTS)
    assert _close(found["gauge accuracy"].standard, (Fraction("3.34") ** 2 + Fraction("1.74") ** 2) / 3)
    assert _close(found["resolution"].standard, 2 * Fraction("0.05") ** 2 / 3)
    assert found["standard"].standard == Decimal("0.3")
    assert _close(found["base metal reading"].standard, Fraction(1, 3))
    assert (found["base metal reading"].degrees, found["base metal reading"].kind) == (2, Kind.A)


def test_what_is_constant_in_the_gauge_cancels_over_base_metal_and_what_is_in_proportion_stays() -> None:
    """1.5 µm cancels; 2 % of the difference of 80 µm stay."""
    found = _named(film_build_budget(BUILDS, 5, GAUGE, BASE, shared=Decimal(1)))["gauge accuracy"]
    assert _close(found.standard, Fraction("1.6") ** 2 / 3)
    assert (
        found.how
        == "maker's ± 3.34 µm at 92.0 µm, rectangular; the reading subtracted: maker's ± 1.74 µm at 12.0 µm, rectangular; correlation 1"
    )
    constant = replace(GAUGE, accuracy_percent=Decimal(0))
    assert _named(film_build_budget(BUILDS, 5, constant, BASE, shared=Decimal(1)))["gauge accuracy"].standard == 0


def test_base_metal_read_with_another_gauge_brings_that_gauges_standard_and_error_too() -> None:
    found = _named(film_build_budget(BUILDS, 5, GAUGE, BASE, base_gauge=OTHER))
    assert _close(found["standard"].standard, Fraction("0.3") ** 2 + Fraction("0.4") ** 2)
    assert _close(found["error at verification"].standard, (Fraction("0.9") ** 2 + Fraction("0.3") ** 2) / 3)
    assert _close(found["resolution"].standard, (Fraction("0.05") ** 2 + Fraction("0.5") ** 2) / 3)


def test_two_gauges_share_nothing() -> None:
    with pytest.raises(ValueError, match="two gauges"):
        film_build_budget(BUILDS, 5, GAUGE, BASE, base_gauge=OTHER, shared=Decimal(1))


@pytest.mark.parametrize("shared", ["-0.1", "1.1"])
def test_a_share_that_is_none_is_refused(shared: str) -> None:
    with pytest.raises(ValueError, match="from 0 to 1"):
        film_build_budget(BUILDS, 5, GAUGE, BASE, shared=Decimal(shared))


def test_a_single_base_metal_reading_is_not_passed_over() -> None:
    """Its spread is taken to be that of the builds: 2.5 · (1/5 + 1), one estimate with four degrees of freedom."""
    found = _named(film_build_budget(BUILDS, 5, GAUGE, BASE[:1]))
    assert "base metal reading" not in found
    assert _close(found["repeatability"].standard, Fraction(3))
    assert found["repeatability"].degrees == 4
    assert "base metal" in found["repeatability"].how


def test_fewer_than_two_builds_have_no_budget() -> None:
    for builds in ([], BUILDS[:1]):
        with pytest.raises(ValueError, match="at least"):
            film_build_budget(builds, 1, GAUGE)
    with pytest.raises(ValueError, match="at least one reading"):
        film_build_budget(BUILDS, 0, GAUGE)


def test_pieces_that_hold_other_builds_are_refused() -> None:
    with pytest.raises(ValueError, match="not the builds"):
        film_build_budget(BUILDS, 5, GAUGE, pieces_um=[BUILDS[:4]])


def test_one_coat_is_the_difference_of_two_means() -> None:
    after = [Fraction(v) for v in ("150", "152", "154", "156")]
    before = [Fraction(v) for v in ("70", "71", "72")]
    found = _named(coat_budget(after, before, GAUGE, shared=Decimal(1)))
    assert list(found) == [*COMPONENTS[:5], EARLIER_COAT]
    assert _close(found["repeatability"].standard, Fraction(20, 3) / 4)
    assert _close(found[EARLIER_COAT].standard, Fraction(1, 3))
    # 2 % of 153 - 71.
    assert _close(found["gauge accuracy"].standard, Fraction("1.64") ** 2 / 3)
    with pytest.raises(ValueError, match="at least two"):
        coat_budget(after, before[:1], GAUGE)


def test_a_budget_in_mil_is_the_one_in_um_over_25_4() -> None:
    um = film_build_budget(BUILDS, 5, GAUGE)
    mil = in_unit(um, Unit.MIL)
    assert (mil.factor, mil.effective_degrees, mil.coverage) == (um.factor, um.effective_degrees, um.coverage)
    pairs = [(mil.combined, um.combined), (mil.expanded, um.expanded)]
    pairs += [(a.standard, b.standard) for a, b in zip(mil.components, um.components, strict=True)]
    for in_mil, in_um in pairs:
        assert to_um(in_mil, Unit.MIL) == pytest.approx(in_um, rel=Decimal("1e-25"))
    assert in_unit(um, Unit.UM) == um


def test_the_decimal_context_of_the_caller_changes_nothing() -> None:
    usual = film_build_budget(BUILDS, 5, GAUGE, BASE, shared=Decimal("0.5"))
    with localcontext(prec=4):
        assert film_build_budget(BUILDS, 5, GAUGE, BASE, shared=Decimal("0.5")) == usual


# Components, inputs and correlations


def _input(name: str, standard: str, sensitivity: int = 1, degrees: int | None = None) -> Input:
    return Input(name, Decimal(standard), degrees, name, Kind.B, Fraction(sensitivity))


def test_a_negative_sensitivity_brings_a_positive_uncertainty() -> None:
    (found,) = contributions([_input("x", "0.5", -3)])
    assert (found.name, found.standard) == ("x", Decimal("1.5"))


def test_the_same_error_in_both_terms_of_a_difference_cancels() -> None:
    pair = [_input("after", "2"), _input("before", "2", -1)]
    (found,) = contributions(pair, [Correlation("after", "before", Decimal(1))])
    assert found.standard == 0
    (found,) = contributions(pair, [Correlation("before", "after", Decimal(-1))])
    assert found.standard == 4


def test_correlated_inputs_become_one_component_where_the_first_of_them_stood() -> None:
    inputs = [_input("a", "1", degrees=9), _input("b", "5"), _input("c", "2", degrees=4), _input("d", "2")]
    found = contributions(inputs, [Correlation("a", "c", Decimal("0.5")), Correlation("c", "d", Decimal("-0.5"))])
    assert [c.name for c in found] == ["a and c and d", "b"]
    assert _close(found[0].standard, Fraction(1 + 4 + 4 + 2 - 4))
    assert found[0].degrees == 4


def test_a_coefficient_of_zero_joins_nothing() -> None:
    inputs = [_input("a", "1"), _input("b", "5")]
    assert contributions(inputs, [Correlation("a", "b", Decimal(0))]) == contributions(inputs)


@pytest.mark.parametrize(
    ("correlations", "message"),
    [
        pytest.param([("a", "x", "0.5")], "not among", id="unknown input"),
        pytest.param([("a", "a", "0.5")], "of two inputs", id="with itself"),
        pytest.param([("a", "b", "0.5"), ("b", "a", "0.5")], "once", id="twice"),
        pytest.param([("a", "b", "1.01")], "-1 to 1", id="out of range"),
        pytest.param([("a", "b", "-1"), ("b", "c", "-1"), ("a", "c", "-1")], "contradict", id="impossible together"),
    ],
)
def test_correlations_that_cannot_be_are_refused(correlations: list[tuple[str, str, str]], message: str) -> None:
    inputs = [_input("a", "1"), _input("b", "1"), _input("c", "1")]
    with pytest.raises(ValueError, match=message):
        contributions(inputs, [Correlation(first, second, Decimal(r)) for first, second, r in correlations])


def test_inputs_of_one_name_are_refused() -> None:
    with pytest.raises(ValueError, match="differ"):
        contributions([_input("a", "1"), _input("a", "2")])


def test_a_budget_refuses_what_is_no_component() -> None:
    with pytest.raises(ValueError, match="at least one component"):
        budget([])
    with pytest.raises(ValueError, match="not negative"):
        budget([Component("x", Decimal(-1), None, "", Kind.B)])
    with pytest.raises(ValueError, match="degree of freedom"):
        budget([Component("x", Decimal(1), 0, "", Kind.A)])
    with pytest.raises(ValueError, match="between 0 and 1"):
        budget([Component("x", Decimal(1), None, "", Kind.B)], Decimal(1))


def test_an_uncertainty_of_nothing_is_zero_and_not_an_error() -> None:
    found = budget([Component("x", Decimal(0), 4, "five equal readings", Kind.A)])
    assert (found.combined, found.expanded, found.effective_degrees) == (0, 0, None)


@pytest.mark.parametrize("shape", [rectangular, triangular, arcsine, normal])
def test_a_negative_half_width_is_refused(shape: Any) -> None:
    with pytest.raises(ValueError, match="not negative"):
        shape(Decimal("-0.1"))


def test_a_coverage_factor_or_a_doubt_of_zero_is_refused() -> None:
    with pytest.raises(ValueError, match="above zero"):
        normal(Decimal(1), Decimal(0))
    with pytest.raises(ValueError, match="above zero"):
        degrees_of_reliability(Decimal(0))


def test_the_uncertainty_of_a_mean_of_fewer_than_were_observed() -> None:
    values = [Fraction(v) for v in (1, 2, 3, 4)]
    assert type_a(values) == (square_root(Fraction(5, 3) / 4), 3)
    assert type_a(values, 1) == (standard_deviation(values), 3)
    with pytest.raises(ValueError, match="at least one"):
        type_a(values, 0)


def test_a_pooled_deviation_weighs_groups_by_their_degrees_of_freedom() -> None:
    groups = [[Fraction(1), Fraction(3)], [Fraction(0), Fraction(5), Fraction(10)], [Fraction(99)]]
    # Variances 2 (1 degree) and 25 (2 degrees): 52/3.
    assert pooled_deviation(groups) == (square_root(Fraction(52, 3)), 3)
    with pytest.raises(ValueError, match="at least two"):
        pooled_deviation([[Fraction(1)], [Fraction(2)]])


# The calibration line


def test_points_on_a_line_leave_no_uncertainty() -> None:
    line = calibration_line([(Decimal(x), Decimal(2) + Decimal(x) / 50) for x in (25, 75, 150)])
    assert (line.offset, line.slope) == (2, Fraction(1, 50))
    assert (line.offset_standard, line.slope_standard, line.correlation) == (0, 0, None)
    assert (line.at(Decimal(100)).value, line.at(Decimal(100)).standard) == (4, 0)


def test_a_line_needs_three_points_that_differ() -> None:
    with pytest.raises(ValueError, match="three points"):
        calibration_line([(Decimal(1), Decimal(1)), (Decimal(2), Decimal(2))])
    with pytest.raises(ValueError, match="differ"):
        calibration_line([(Decimal(1), Decimal(n)) for n in range(4)])


def test_a_line_is_surest_at_the_mean_of_its_points() -> None:
    points = [(Decimal(x), Decimal(y)) for x, y in (("25", "0.2"), ("75", "-0.1"), ("150", "0.4"), ("250", "0.1"))]
    line = calibration_line(points)
    centre = line.at(Decimal(125))
    assert _close(centre.standard, line.residual_variance / 4)
    assert line.at(Decimal(124)).standard > centre.standard < line.at(Decimal(126)).standard


# Laws

#: No deadline: the machine may be busy.
law = settings(deadline=None)

standards = st.integers(0, 5000).map(lambda n: Decimal(n) / 1000)
degrees = st.one_of(st.none(), st.integers(1, 60))
components = st.lists(
    st.builds(Component, st.text(max_size=3), standards, degrees, st.just(""), st.sampled_from(Kind)),
    min_size=1,
    max_size=6,
)
readings = st.lists(st.integers(300, 1200).map(lambda n: Fraction(n, 10)), min_size=2, max_size=8)


@law
@given(components)
def test_the_combined_uncertainty_lies_between_the_largest_component_and_their_sum(found: list[Component]) -> None:
    combined = budget(found).combined
    slack = 1 + Decimal("1e-25")
    assert max(c.standard for c in found) <= combined * slack
    assert combined <= sum((c.standard for c in found), Decimal(0)) * slack


@law
@given(components)
def test_the_effective_degrees_lie_between_the_fewest_and_their_sum(found: list[Component]) -> None:
    """The bounds hold for independent components that all have finite degrees (GUM G.4, from memory)."""
    finite = [c for c in found if c.degrees is not None and c.standard]
    assume(finite)
    effective = budget(found).effective_degrees
    assert effective is not None
    slack = Decimal("1e-20")
    assert effective >= min(int(c.degrees or 0) for c in finite) - slack
    if len(finite) == len([c for c in found if c.standard]):
        assert effective <= sum(int(c.degrees or 0) for c in finite) + slack


@law
@given(components, st.randoms(use_true_random=False))
def test_the_order_of_the_components_never_matters(found: list[Component], rng: Any) -> None:
    other = list(found)
    rng.shuffle(other)
    assert replace(budget(other), components=()) == replace(budget(found), components=())


@law
@given(components, st.integers(51, 99), st.integers(0, 40))
def test_to_cover_more_never_makes_the_expanded_uncertainty_smaller(
    found: list[Component], percent: int, more: int
) -> None:
    lower, higher = Decimal(percent) / 100, min(Decimal(percent + more) / 100, Decimal("0.999"))
    assert budget(found, higher).expanded >= budget(found, lower).expanded


@law
@given(readings, st.integers(1, 8), st.integers(0, 8))
def test_averaging_more_readings_never_makes_a_film_build_less_certain(
    builds: list[Fraction], averaged: int, more: int
) -> None:
    one = film_build_budget(builds, averaged, GAUGE).combined
    assert film_build_budget(builds, averaged + more, GAUGE).combined <= one


@law
@given(readings, readings, st.integers(0, 10), st.integers(0, 10))
def test_sharing_more_never_makes_a_difference_less_certain(
    builds: list[Fraction], base: list[Fraction], one: int, other: int
) -> None:
    less, more = sorted((one, other))
    assert (
        film_build_budget(builds, 1, GAUGE, base, shared=Decimal(more) / 10).combined
        <= film_build_budget(builds, 1, GAUGE, base, shared=Decimal(less) / 10).combined
    )


@law
@given(st.lists(st.tuples(st.integers(0, 500), st.integers(-30, 30)), min_size=3, max_size=9), st.integers(-50, 50))
def test_what_a_line_predicts_does_not_depend_on_its_reference(points: list[tuple[int, int]], reference: int) -> None:
    assume(len({x for x, _ in points}) > 1)
    exact = [(Decimal(x), Decimal(y) / 10) for x, y in points]
    one, other = calibration_line(exact), calibration_line(exact, Decimal(reference))
    assert one.at(Decimal(80)) == other.at(Decimal(80))

"""Edges, sentences and evidence of uncertainty budgets that a change could move unnoticed. Numbers are invented."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from fractions import Fraction

import pytest

from rules.statistics import square_root
from rules.uncertainty import (
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
from schemas.units import Unit

BUILDS = [Fraction(v) for v in (78, 81, 80, 79, 82)]
BEFORE = [Fraction(v) for v in (38, 40, 42)]
BASE = [Fraction(v) for v in (11, 13, 12)]
GAUGE = GaugeKnowledge(
    accuracy_um=Decimal("1.5"),
    accuracy_percent=Decimal(2),
    step_um=Decimal("0.1"),
    standard="S-75",
    standard_u_um=Decimal("0.6"),
    error_um=Decimal("-0.9"),
)
OTHER = replace(GAUGE, standard="S-25", standard_u_um=Decimal("0.8"), error_um=Decimal("0.3"), step_um=Decimal(1))

ONE = Component("one", Decimal(3), 4, "as given", Kind.A)
LENGTH = Input("length", Decimal(2), 8, "of ten readings", Kind.A)
WIDTH = Input("width", Decimal(1), None, "from its certificate", Kind.B, Fraction(3))
HEIGHT = Input("height", Decimal(5), 3, "of four readings", Kind.A, Fraction(-2))


def _of(found: Budget, name: str) -> Component:
    (one,) = (c for c in found.components if c.name == name)
    return one


# Budgets


def test_a_budget_keeps_its_components_and_multiplies_out() -> None:
    """3 and 4 make 5, by Pythagoras; k = 2 to four places at 95.45 %."""
    two = Component("two", Decimal(4), None, "as given", Kind.B)
    found = budget([replace(ONE, degrees=None), two], coverage=Decimal("0.9545"))
    assert found.components == (replace(ONE, degrees=None), two)
    assert (found.combined, found.coverage, found.effective_degrees) == (5, Decimal("0.9545"), None)
    assert found.factor == pytest.approx(Decimal(2), abs=Decimal("1e-4"))
    assert found.expanded == 5 * found.factor


def test_the_effective_degrees_of_a_component_on_its_own_are_its_degrees() -> None:
    found = budget([ONE])
    assert (found.effective_degrees, found.combined) == (4, 3)
    # Any table of Student's t: 0.975 at 4 degrees of freedom.
    assert found.factor == pytest.approx(Decimal("2.77644510519779"), abs=Decimal("1e-12"))


def test_a_component_without_size_is_a_component() -> None:
    assert budget([ONE, Component("nothing", Decimal(0), 1, "as given", Kind.B)]).combined == 3


@pytest.mark.parametrize(
    ("components", "sentence"),
    [
        pytest.param([], "a budget needs at least one component", id="none"),
        pytest.param(
            [replace(ONE, standard=Decimal(-3))],
            "the standard uncertainty of 'one' is not negative, and here it is -3",
            id="below zero",
        ),
        pytest.param(
            [replace(ONE, degrees=0)], "'one' has at least one degree of freedom, not 0", id="no degree of freedom"
        ),
    ],
)
def test_what_makes_no_budget_is_refused_in_words(components: list[Component], sentence: str) -> None:
    with pytest.raises(ValueError, match=f"^{sentence}$"):
        budget(components)


def test_a_budget_in_mil_keeps_everything_but_the_thicknesses() -> None:
    """25.4 µm are 1 mil, exactly."""
    found = budget([Component("one", Decimal("50.8"), 4, "50.8 µm, as given", Kind.A)], coverage=Decimal("0.9"))
    converted = in_unit(found, Unit.MIL)
    assert converted.components == (replace(found.components[0], standard=Decimal(2)),)
    assert converted.combined == 2
    assert converted.expanded == pytest.approx(found.expanded / Decimal("25.4"), abs=Decimal("1e-25"))
    assert (converted.coverage, converted.factor, converted.effective_degrees) == (
        Decimal("0.9"),
        found.factor,
        found.effective_degrees,
    )
    assert in_unit(found, Unit.UM) == found


# Inputs and correlations


def test_an_input_on_its_own_becomes_a_component_as_it_is() -> None:
    assert contributions([HEIGHT]) == (Component("height", Decimal(10), 3, "of four readings", Kind.A),)


def test_inputs_that_are_correlated_stand_at_the_place_of_the_first_and_the_rest_stays() -> None:
    """(2 · 1)² + (3 · 1)² + 2 · 0.5 · 2 · 3 = 19."""
    joined, rest = contributions([LENGTH, HEIGHT, WIDTH], [Correlation("width", "length", Decimal("0.5"))])
    assert joined == Component(
        name="length and width",
        standard=square_root(Fraction(19)),
        degrees=8,
        how="length: of ten readings; width: from its certificate; correlated",
        kind=Kind.B,
    )
    assert rest.name == "height"


def test_what_stands_behind_a_correlated_pair_is_not_lost() -> None:
    found = contributions([LENGTH, WIDTH, HEIGHT], [Correlation("length", "width", Decimal("0.5"))])
    assert [one.name for one in found] == ["length and width", "height"]


def test_inputs_that_are_correlated_through_a_third_are_one_component() -> None:
    """The pair that is not named has no cross term: 4 + 9 + 100 + 2 · (0.5 · 2 · 3 + 0.5 · 3 · (-10))."""
    chain = [Correlation("length", "width", Decimal("0.5")), Correlation("width", "height", Decimal("0.5"))]
    (found,) = contributions([LENGTH, WIDTH, HEIGHT], chain)
    assert found.name == "length and width and height"
    assert found.standard == square_root(Fraction(4 + 9 + 100 + 6 - 30))
    assert found.degrees == 3


def test_a_joined_component_is_from_observations_only_where_all_are() -> None:
    (found,) = contributions([LENGTH, HEIGHT], [Correlation("length", "height", Decimal("0.5"))])
    assert found.kind is Kind.A
    (found,) = contributions([LENGTH, WIDTH], [Correlation("length", "width", Decimal("0.5"))])
    assert found.kind is Kind.B


def test_a_coefficient_of_minus_one_or_one_is_a_coefficient() -> None:
    """Wholly correlated inputs add and subtract like numbers."""
    together = [Correlation("length", "width", Decimal(1))]
    against = [Correlation("length", "width", Decimal(-1))]
    assert contributions([LENGTH, WIDTH], together)[0].standard == 5
    assert contributions([LENGTH, WIDTH], against)[0].standard == 1


def test_a_variance_of_nothing_is_no_contradiction() -> None:
    even = replace(WIDTH, sensitivity=Fraction(2))
    (found,) = contributions([LENGTH, even], [Correlation("length", "width", Decimal(-1))])
    assert found.standard == 0


@pytest.mark.parametrize(
    ("inputs", "correlations", "sentence"),
    [
        pytest.param([LENGTH, LENGTH], [], "the inputs of one result need names that differ", id="one name twice"),
        pytest.param(
            [LENGTH], [("length", "depth", "0.5")], "'length' or 'depth' is not among the inputs", id="unknown"
        ),
        pytest.param(
            [LENGTH],
            [("length", "length", "0.5")],
            "the correlation of 'length' and 'length' is given once, and of two inputs",
            id="with itself",
        ),
        pytest.param(
            [LENGTH, WIDTH],
            [("length", "width", "0.5"), ("width", "length", "0.5")],
            "the correlation of 'width' and 'length' is given once, and of two inputs",
            id="a pair twice",
        ),
        pytest.param(
            [LENGTH, WIDTH],
            [("length", "width", "-1.5")],
            "a correlation coefficient is from -1 to 1, not -1.5",
            id="below minus one",
        ),
        pytest.param(
            [LENGTH, WIDTH],
            [("length", "width", "1.5")],
            "a correlation coefficient is from -1 to 1, not 1.5",
            id="above one",
        ),
        pytest.param(
            [LENGTH, WIDTH, HEIGHT],
            [("length", "width", "-1"), ("length", "height", "-1"), ("width", "height", "-1")],
            "the correlation coefficients contradict each other: the variance is negative",
            id="against each other",
        ),
    ],
)
def test_inputs_that_make_no_result_are_refused_in_words(
    inputs: list[Input], correlations: list[tuple[str, str, str]], sentence: str
) -> None:
    given = [Correlation(first, second, Decimal(r)) for first, second, r in correlations]
    # All of one size: three numbers cannot each be the opposite of both others.
    alike = [replace(one, standard=Decimal(1), sensitivity=Fraction(1)) for one in inputs]
    with pytest.raises(ValueError, match=f"^{sentence}$"):
        contributions(alike, given)


# What is known of one input


def test_the_shapes_are_roots_of_a_share_of_the_square() -> None:
    """3/√3, 6/√6 and 2/√2 are roots of 3, 6 and 2."""
    assert rectangular(Decimal(3)) == square_root(Fraction(3))
    assert triangular(Decimal(6)) == square_root(Fraction(6))
    assert arcsine(Decimal(2)) == square_root(Fraction(2))
    assert rectangular(Decimal(0)) == triangular(Decimal(0)) == arcsine(Decimal(0)) == normal(Decimal(0)) == 0


def test_a_certificate_without_a_factor_is_taken_at_two() -> None:
    assert normal(Decimal("0.6")) == Decimal("0.3")
    assert normal(Decimal("0.6"), Decimal(1)) == Decimal("0.6")
    assert normal(Decimal("0.6"), Decimal("0.5")) == Decimal("1.2")


def test_what_says_nothing_about_an_input_is_refused_in_words() -> None:
    with pytest.raises(ValueError, match=r"^a half-width is not negative, and here it is -1$"):
        rectangular(Decimal(-1))
    with pytest.raises(ValueError, match=r"^a coverage factor is above zero, not 0$"):
        normal(Decimal(1), Decimal(0))
    with pytest.raises(ValueError, match=r"^the doubt in an uncertainty is a share above zero, not 0$"):
        degrees_of_reliability(Decimal(0))
    with pytest.raises(ValueError, match=r"^a result is the mean of at least one reading, not 0$"):
        type_a(BUILDS, 0)
    with pytest.raises(ValueError, match=r"^a pooled standard deviation needs a group of at least two values$"):
        pooled_deviation([[Fraction(1)], [Fraction(2)]])


def test_a_doubt_of_one_half_leaves_two_degrees_and_more_than_all_leaves_less_than_one() -> None:
    """1/(2 · 0.25) = 2, 1/(2 · 1) = 1/2, 1/(2 · 4) = 1/8."""
    assert [degrees_of_reliability(Decimal(doubt)) for doubt in ("0.5", "1", "2")] == [
        2,
        Fraction(1, 2),
        Fraction(1, 8),
    ]


def test_a_single_value_has_the_whole_spread() -> None:
    """s² of 78 to 82 is 2.5, and of their mean a fifth of it."""
    assert type_a(BUILDS, 1) == (square_root(Fraction("2.5")), 4)
    assert type_a(BUILDS) == (square_root(Fraction("0.5")), 4)


def test_a_group_of_one_value_brings_nothing_to_the_pooled_spread() -> None:
    """Of 1 and 3 s² is 2, of 4, 4 and 7 it is 3: (1 · 2 + 2 · 3) / 3."""
    groups = [[Fraction(v) for v in group] for group in ((1, 3), (9,), (4, 4, 7))]
    assert pooled_deviation(groups) == (square_root(Fraction(8, 3)), 3)


# Film build and coat


def test_every_component_of_a_film_build_says_how_it_was_found() -> None:
    found = film_build_budget(BUILDS, 5, GAUGE, coverage=Decimal("0.9"))
    assert [c.how for c in found.components] == [
        "s of 5 readings, mean of 5",
        "last place shown 0.1 µm",
        "maker's ± 3.10 µm at 80.0 µm, rectangular",
        "S-75: U 0.6 µm, k = 2",
        "-0.9 µm, carried, rectangular",
    ]
    assert found.coverage == Decimal("0.9")


def test_one_reading_and_one_base_metal_reading_say_so() -> None:
    found = film_build_budget(BUILDS, 1, GAUGE, BASE[:1])
    one = _of(found, "repeatability")
    assert one.how == "s of 5 readings, one reading, less one base metal reading of the same spread"
    # 2.5 for the reading and 2.5 for the base metal under it.
    assert one.standard == square_root(Fraction(5))
    assert [c.name for c in found.components][-1] == "error at verification"
    assert _of(film_build_budget(BUILDS, 2, GAUGE, BASE[:2]), "base metal reading").how == "s of 2 readings, mean of 2"
    two = film_build_budget(BUILDS, 2, GAUGE, BASE)
    assert _of(two, "repeatability").how == "s of 5 readings, mean of 2"
    assert _of(two, "base metal reading").how == "s of 3 readings, mean of 3"


def test_a_correction_says_whose_uncertainty_is_left() -> None:
    gauge = replace(GAUGE, corrected=True, error_standard_um=Decimal("0.12"), error_degrees=9)
    found = _of(film_build_budget(BUILDS, 5, gauge), "error at verification")
    assert found == Component(
        "error at verification",
        Decimal("0.12"),
        9,
        "-0.9 µm, corrected for: the uncertainty of the correction",
        Kind.A,
    )
    with pytest.raises(ValueError, match=r"^a corrected error needs its standard uncertainty$"):
        film_build_budget(BUILDS, 5, replace(GAUGE, corrected=True))


def test_two_corrected_gauges_are_joined_by_welch_satterthwaite() -> None:
    """u² of 9 with 4 degrees and of 16 with 8: 25² / (81/4 + 256/8)."""
    top = replace(GAUGE, corrected=True, error_standard_um=Decimal(3), error_degrees=4)
    bottom = replace(OTHER, corrected=True, error_standard_um=Decimal(4), error_degrees=8)
    found = _of(coat_budget(BUILDS, BEFORE, top, before_gauge=bottom), "error at verification")
    assert (found.standard, found.kind) == (5, Kind.A)
    assert found.degrees == Fraction(625) / (Fraction(81, 4) + Fraction(256, 8))
    carried = _of(coat_budget(BUILDS, BEFORE, top, before_gauge=OTHER), "error at verification")
    assert carried.kind is Kind.B


def test_a_coat_measured_with_another_gauge_before_brings_both_gauges() -> None:
    found = coat_budget(BUILDS, BEFORE, GAUGE, Decimal("0.9"), before_gauge=OTHER)
    assert found.coverage == Decimal("0.9")
    assert [c.name for c in found.components][-1] == EARLIER_COAT
    assert _of(found, "standard").standard == Decimal("0.5")
    assert _of(found, "standard").how == "S-75: U 0.6 µm, k = 2; the reading subtracted: S-25: U 0.8 µm, k = 2"
    assert _of(found, "resolution").standard == square_root((Fraction("0.05") ** 2 + Fraction("0.5") ** 2) / 3)
    same = coat_budget(BUILDS, BEFORE, GAUGE)
    assert _of(same, "standard").standard == Decimal("0.3")
    assert same.coverage == Decimal("0.95")


def test_two_gauges_share_nothing() -> None:
    sentence = r"^what is known of two gauges is given, so the readings share nothing$"
    with pytest.raises(ValueError, match=sentence):
        coat_budget(BUILDS, BEFORE, GAUGE, before_gauge=OTHER, shared=Decimal(1))
    with pytest.raises(ValueError, match=sentence):
        film_build_budget(BUILDS, 5, GAUGE, BASE, base_gauge=OTHER, shared=Decimal("0.5"))


@pytest.mark.parametrize("shared", ["-0.1", "1.1"])
def test_what_two_readings_share_is_a_share(shared: str) -> None:
    with pytest.raises(ValueError, match=f"^what two readings share is from 0 to 1, not {shared}$"):
        coat_budget(BUILDS, BEFORE, GAUGE, shared=Decimal(shared))


def test_half_of_the_accuracy_may_be_shared() -> None:
    """1.5 + 2 % of 80 and of 40: 3.1² + 2.3² - 2 · 0.5 · 3.1 · 2.3, over 3; only to the digits of a root."""
    found = _of(coat_budget(BUILDS, BEFORE, GAUGE, shared=Decimal("0.5")), "gauge accuracy")
    expected = square_root((Fraction("3.1") ** 2 + Fraction("2.3") ** 2 - Fraction("3.1") * Fraction("2.3")) / 3)
    assert found.standard == pytest.approx(expected, abs=Decimal("1e-25"))
    assert found.how.endswith("; correlation 0.5")
    assert "correlation" not in _of(coat_budget(BUILDS, BEFORE, GAUGE), "gauge accuracy").how


def test_the_builds_piece_by_piece_are_the_same_builds() -> None:
    with pytest.raises(ValueError, match=r"^the builds piece by piece are not the builds at the location$"):
        film_build_budget(BUILDS, 5, GAUGE, pieces_um=[BUILDS[:2], BUILDS[2:4]])
    found = film_build_budget(BUILDS, 5, GAUGE, pieces_um=[BUILDS])
    assert _of(found, "repeatability").how == "s of 5 readings within 1 piece, mean of 5"


def test_the_accuracy_of_a_gauge_does_not_ask_for_the_sign_of_a_build() -> None:
    assert GAUGE.accuracy_at(Fraction(80)) == GAUGE.accuracy_at(Fraction(-80)) == Fraction("3.1")


# The straight line


def test_a_line_through_four_points_worked_by_hand() -> None:
    """(1, 0), (2, 1), (3, 1), (4, 2): Σx 10, Σx² 30, Σy 4, Σxy 13, n·Σx² - (Σx)² = 20."""
    line = calibration_line([(Fraction(x), Fraction(y)) for x, y in ((1, 0), (2, 1), (3, 1), (4, 2))])
    assert (line.reference, line.offset, line.slope) == (0, Fraction(-1, 2), Fraction(3, 5))
    # The residuals are -0.1, 0.3, -0.3 and 0.1: Σ 0.2, over 4 - 2.
    assert (line.residual_variance, line.degrees) == (Fraction(1, 10), 2)
    assert line.offset_variance == Fraction(1, 10) * 30 / 20
    assert line.slope_variance == Fraction(1, 10) * 4 / 20
    assert line.covariance == -Fraction(1, 10) * 10 / 20
    assert line.residual == square_root(Fraction(1, 10))
    assert line.offset_standard == square_root(Fraction(3, 20))
    assert line.slope_standard == square_root(Fraction(1, 50))
    # cov² / (u²·u²) = 0.0025 / 0.003.
    assert line.correlation == -square_root(Fraction(5, 6))
    at = line.at(Fraction(5, 2))
    # In the middle of the readings the offset's uncertainty there is s/√n, and the line goes through their means.
    assert (at.value, at.standard, at.degrees) == (1, square_root(Fraction(1, 40)), 2)
    end = line.at(Decimal(4))
    assert (end.value, end.standard) == (Fraction(19, 10), square_root(Fraction(1, 10) * Fraction(7, 10)))


def test_the_correlation_changes_its_sign_with_the_side_of_the_reference() -> None:
    points = [(Fraction(x), Fraction(y)) for x, y in ((1, 0), (2, 1), (3, 1), (4, 2))]
    beyond = calibration_line(points, Decimal(5))
    assert beyond.reference == 5
    assert beyond.correlation == square_root(Fraction(5, 6))
    middle = calibration_line(points, Decimal("2.5"))
    assert middle.correlation == 0
    assert str(middle.correlation) == "0"


def test_a_line_that_all_points_lie_on_has_no_correlation() -> None:
    line = calibration_line([(Fraction(x), Fraction(2 * x)) for x in range(4)])
    assert (line.correlation, line.residual, line.slope, line.offset) == (None, 0, 2, 0)


def test_points_that_make_no_line_are_refused_in_words() -> None:
    with pytest.raises(ValueError, match=r"^a line with an uncertainty needs at least three points, not 2$"):
        calibration_line([(Fraction(1), Fraction(0)), (Fraction(2), Fraction(1))])
    with pytest.raises(ValueError, match=r"^a line needs readings that differ$"):
        calibration_line([(Fraction(1), Fraction(y)) for y in range(3)])
    assert calibration_line([(Fraction(x), Fraction(0)) for x in range(3)]).degrees == 1

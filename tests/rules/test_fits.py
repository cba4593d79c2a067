"""What a film does to holes, shafts and threads."""

from __future__ import annotations

import math
from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.conformity import by_piece_and_location, judged_builds
from rules.fits import FitResult, change_at, fit_results, largest_film
from schemas.job import Fit
from schemas.units import Unit
from schemas.vocabulary import Feature
from tests.rules.builders import job, location, reading


def _fit(feature: str, may_change: str) -> Fit:
    return Fit.checked({"feature": feature, "may_change": Decimal(may_change)}, "fit")


def _results(*builds: str, feature: str = "hole", may_change: str = "5.0") -> tuple[FitResult, ...]:
    places = [location("face"), location("bore", "1.0", fit={"feature": feature, "may_change": Decimal(may_change)})]
    the_job = job(*places)
    rows = [reading(n, build, location="bore") for n, build in enumerate(builds, start=1)]
    rows.append(reading(9, "3.0", location="face"))
    return fit_results(by_piece_and_location(the_job, judged_builds(the_job, rows)), Unit.MIL)


def test_a_hole_that_is_to_be_an_inch_is_drilled_six_thousandths_larger_for_3_mil() -> None:
    """An enclosure fabricator's page on finish tolerances (read): 1.006 in for a finished 1.000 in at 3 mil."""
    assert Fraction("1.006") - change_at(_fit("hole", "6"), Fraction(3)) / 1000 == 1


def test_a_thread_changes_its_pitch_diameter_by_four_times_the_film() -> None:
    """A calculator site's page on dimensional changes of threads (read): 4t at 60°; 2.5 mil are 0.010 in."""
    assert change_at(_fit("thread", "10"), Fraction("2.5")) / 1000 == Fraction("0.010")


@pytest.mark.parametrize("film", [0.5, 2.5, 4.0])
def test_the_four_follows_from_the_angle_of_the_flanks(film: float) -> None:
    """Plain geometry: a flank 30° off the radius moves by t / sin 30° along it, on each side of the diameter."""
    radial = film / math.sin(math.radians(30))
    assert float(change_at(_fit("thread", "10"), Fraction(film))) == pytest.approx(2 * radial)


def test_a_shaft_grows_on_both_sides() -> None:
    assert change_at(_fit("shaft", "1"), Fraction("1.25")) == Fraction("2.5")


@given(
    feature=st.sampled_from(list(Feature)),
    may_change=st.integers(1, 5000).map(lambda hundredths: Decimal(hundredths) / 100),
)
def test_the_largest_film_uses_up_exactly_what_the_drawing_allows(feature: Feature, may_change: Decimal) -> None:
    fit = Fit.checked({"feature": feature.value, "may_change": may_change}, "fit")
    assert change_at(fit, largest_film(fit)) == may_change


@pytest.mark.parametrize(("build", "fits"), [("2.49", True), ("2.50", True), ("2.51", False)])
def test_exactly_what_the_drawing_allows_fits(build: str, fits: bool) -> None:
    (found,) = _results("1.00", build)
    assert (found.fits, found.largest_film, found.location) == (fits, Fraction("2.5"), "bore")


@pytest.mark.parametrize(
    ("feature", "sentence"),
    [
        (
            "hole",
            "piece 1, bore: the highest build 2.60 mil takes 5.20 mil off the hole's diameter; "
            "the drawing leaves 5.0 mil, a film of 2.5 mil: it does not fit",
        ),
        (
            "shaft",
            "piece 1, bore: the highest build 2.60 mil adds 5.20 mil to the shaft's diameter; "
            "the drawing leaves 5.0 mil, a film of 2.5 mil: it does not fit",
        ),
        (
            "thread",
            "piece 1, bore: the highest build 2.60 mil changes the thread's pitch diameter by 10.40 mil; "
            "the drawing leaves 5.0 mil, a film of 1.25 mil: it does not fit",
        ),
    ],
)
def test_the_sentence_has_the_numbers_and_their_unit(feature: str, sentence: str) -> None:
    (found,) = _results("2.60", feature=feature)
    assert found.sentence == sentence


def test_figures_never_stand_on_the_wrong_side_of_what_is_allowed() -> None:
    (found,) = _results("2.5004")
    assert not found.fits
    assert "build 2.5004 mil" in found.sentence
    assert "5.001 mil off" in found.sentence


def test_places_without_a_fit_or_without_readings_say_nothing() -> None:
    assert _results() == ()

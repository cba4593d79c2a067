"""What a film does to a feature, as it is kept and said."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

from rules.fits import FitResult, fit_results
from rules.places import PieceLocation
from schemas.units import Unit
from schemas.vocabulary import Feature
from tests.rules.builders import job, location


def _result(build: str) -> FitResult:
    at = job(location("bore", fit={"feature": "hole", "may_change": Decimal("5.0")})).location[0]
    (found,) = fit_results([PieceLocation("7", at, {1: (Fraction(1), Fraction(build))})], Unit.MIL)
    return found


def test_a_feature_that_fits_is_kept_with_every_figure() -> None:
    assert _result("2.4") == FitResult(
        piece="7",
        location="bore",
        feature=Feature.HOLE,
        build=Fraction("2.4"),
        change=Fraction("4.8"),
        may_change=Decimal("5.0"),
        largest_film=Fraction("2.5"),
        fits=True,
        sentence="piece 7, bore: the highest build 2.40 mil takes 4.80 mil off the hole's diameter; the drawing leaves 5.0 "
        "mil, a film of 2.5 mil: it fits",
    )
    assert not _result("2.6").fits

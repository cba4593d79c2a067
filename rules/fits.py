"""What a film does to holes, shafts and threads, and how much film the drawing leaves room for.

A film of thickness t lies on both sides of a diameter. A hole loses 2t on its diameter and a shaft gains 2t
(read: the page on finish tolerances of an enclosure fabricator). The pitch diameter of a 60° thread changes by
4t: its flanks stand 30° off the radius, so that on each side they move by t / sin 30° = 2t along it (read: a
calculator site's page on dimensional changes of threads; the derivation is plain geometry). Fractions throughout,
in the unit of the job.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from typing import Final

from rules.places import PieceLocation, where
from rules.sentence import joined, template
from rules.wording import amount, as_written, with_unit
from schemas.job import Fit
from schemas.units import Unit
from schemas.vocabulary import Feature

#: How many times the film a feature's diameter (of a thread: its pitch diameter) changes by.
TIMES: Final[dict[Feature, int]] = {Feature.HOLE: 2, Feature.SHAFT: 2, Feature.THREAD: 4}
_CHANGES: Final = {
    Feature.HOLE: template("{place}: the highest build {build} takes {change} off the hole's diameter"),
    Feature.SHAFT: template("{place}: the highest build {build} adds {change} to the shaft's diameter"),
    Feature.THREAD: template("{place}: the highest build {build} changes the thread's pitch diameter by {change}"),
}
_FITS: Final = template("the drawing leaves {room}, a film of {film}: it fits")
_DOES_NOT_FIT: Final = template("the drawing leaves {room}, a film of {film}: it does not fit")


@dataclass(frozen=True, slots=True)
class FitResult:
    """What the greatest build at one location of one piece does to the feature there; in the unit of the job.

    Attributes:
        build: The greatest build there.
        change: By how much it changes the diameter, or the pitch diameter of a thread.
        may_change: By how much the drawing lets it change.
        largest_film: The largest film that still fits.
        fits: Whether it fits; exactly on what the drawing allows does.
    """

    piece: str
    location: str
    feature: Feature
    build: Fraction
    change: Fraction
    may_change: Decimal
    largest_film: Fraction
    fits: bool
    sentence: str


def change_at(fit: Fit, build: Fraction) -> Fraction:
    """Return by how much a film of *build* changes the diameter, or the pitch diameter of a thread."""
    return TIMES[fit.feature] * build


def largest_film(fit: Fit) -> Fraction:
    """Return the largest film with which the feature still fits."""
    return Fraction(fit.may_change) / TIMES[fit.feature]


def fit_results(places: Iterable[PieceLocation], unit: Unit) -> tuple[FitResult, ...]:
    """Return what the greatest build does at each measured place whose job names a feature that has to fit.

    The greatest build is taken to lie all round the feature: the film is rarely that even, so this errs
    to the safe side.
    """
    return tuple(
        _result(place, place.location.fit, max(place.builds), unit)
        for place in places
        if place.location.fit is not None and place.builds
    )


def _result(place: PieceLocation, fit: Fit, build: Fraction, unit: Unit) -> FitResult:
    change, room = change_at(fit, build), largest_film(fit)
    fits = change <= fit.may_change
    changes = _CHANGES[fit.feature](
        place=where(place),
        build=with_unit(amount(build, unit, room), unit),
        change=with_unit(amount(change, unit, fit.may_change), unit),
    )
    leaves = (_FITS if fits else _DOES_NOT_FIT)(
        room=with_unit(as_written(fit.may_change), unit), film=with_unit(as_written(room), unit)
    )
    sentence = joined([changes, leaves], "; ")
    return FitResult(place.piece, place.location.name, fit.feature, build, change, fit.may_change, room, fits, sentence)

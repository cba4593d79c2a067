"""Readings that another party took, as they come from its table or its gauge, and the party that they make."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

from rules.parties import Accurate, Checked, Party, Result, Stated, Terms, pooled
from rules.party_places import key_of
from rules.statistics import mean
from rules.uncertainty import Spread
from schemas.units import Unit


@dataclass(frozen=True, slots=True)
class PartyReading:
    """One figure of another party.

    Attributes:
        location: Where, as the party calls it.
        thickness_um: What was read, in µm.
        step_um: Value of one in the last place that was shown, in µm.
        unit: The unit that it was given in.
        piece, spot: None where the party does not say.
        base_um: What lay there before coating, to be subtracted; None where nothing is.
        readings: How many readings the figure is the mean of.
        expanded_um: Expanded uncertainty (k = 2) that stands beside the figure; None where none does.
    """

    location: str
    thickness_um: Decimal
    step_um: Decimal
    unit: Unit
    piece: str | None = None
    spot: int | None = None
    base_um: Decimal | None = None
    readings: int = 1
    expanded_um: Decimal | None = None


@dataclass(frozen=True, slots=True)
class Accuracy:
    """An accuracy statement ± (a + b·t): a in µm, b in percent."""

    um: Decimal
    percent: Decimal


@dataclass(frozen=True, slots=True)
class Told:
    """What was told of another party beside its readings.

    Attributes:
        name: What it is called.
        expanded_um: Expanded uncertainty (k = 2) of each location's mean.
        accuracy: Of its gauge, where no uncertainty is stated.
        subtracted_um: What it has subtracted from its figures already; 0: nothing. None where nobody has said.
        standard: The standard that its gauge was checked on, as the certificate calls it.
        unit_recorded: Whether its gauge wrote the unit beside each figure.
    """

    name: str
    expanded_um: Decimal | None = None
    accuracy: Accuracy | None = None
    subtracted_um: Decimal | None = None
    standard: str | None = None
    unit_recorded: bool = False


def party_of(readings: Iterable[PartyReading], told: Told) -> Party:
    """Return the party that *readings* make: one result for each location, over all pieces and spots.

    An uncertainty beside the figures is taken before one told for all of them, and that before an accuracy.

    Raises:
        ValueError: There are no readings, or one location has figures with different uncertainties or a mean beside others.
    """
    by_location: dict[str, list[PartyReading]] = {}
    names: dict[str, str] = {}
    for reading in readings:
        key = key_of(reading.location)
        names.setdefault(key, reading.location)
        by_location.setdefault(key, []).append(reading)
    if not by_location:
        raise ValueError("there are no readings")
    builds = {key: tuple(_build(r) for r in there) for key, there in by_location.items()}
    spread = pooled([found for found in builds.values() if len(found) > 1])
    results = {names[key]: _result(names[key], there, builds[key], spread, told) for key, there in by_location.items()}
    every = [reading for there in by_location.values() for reading in there]
    return Party(
        name=told.name,
        results=results,
        unit=every[0].unit,
        unit_recorded=told.unit_recorded,
        checked=Checked(None, "no check of its gauge is known here; ask for the one before and the one after"),
        says_subtracted=told.subtracted_um is not None or any(r.base_um is not None for r in every),
    )


def pieces_in(readings: Iterable[PartyReading]) -> tuple[str, ...]:
    """Return the pieces that *readings* name, in the order first met."""
    return tuple(dict.fromkeys(r.piece for r in readings if r.piece is not None))


def _build(reading: PartyReading) -> Fraction:
    return Fraction(reading.thickness_um) - Fraction(reading.base_um or 0)


def _result(
    name: str, there: Sequence[PartyReading], builds: tuple[Fraction, ...], spread: Spread | None, told: Told
) -> Result:
    if len(there) > 1 and any(r.readings > 1 for r in there):
        raise ValueError(
            f"{name!r} has {len(there)} figures, and one of them is a mean; give its readings, or one mean"
        )
    bases = [Fraction(r.base_um) for r in there if r.base_um is not None]
    subtracted = mean(bases) if bases else None
    if subtracted is None and told.subtracted_um is not None:
        subtracted = Fraction(told.subtracted_um)
    return Result(
        builds_um=builds,
        count=sum(r.readings for r in there),
        terms=_terms(name, there, spread, told),
        subtracted_um=subtracted,
        standard=told.standard,
    )


def _terms(name: str, there: Sequence[PartyReading], spread: Spread | None, told: Told) -> Terms | None:
    beside = {r.expanded_um for r in there}
    if len(beside) > 1:
        raise ValueError(f"{name!r} has figures with different uncertainties; give one U for the mean there")
    (stated,) = beside
    if stated is None:
        stated = told.expanded_um
    if stated is not None:
        return Stated(stated)
    if told.accuracy is None:
        return None
    step = max(Fraction(r.step_um) for r in there)
    return Accurate(told.accuracy.um, told.accuracy.percent, step, spread)

"""Powder used above need: what the film that nobody asked for weighs, as a range, with what it rests on.

    coverage in ft²/lb = 192.3 / (specific gravity · mils) · transfer efficiency
    coverage in m²/kg  = 1000 / (specific gravity · µm) · transfer efficiency

What is known: 192.3 is printed by a powder maker and in a trade magazine's answer, 192.4 by another magazine (read). One
pound at a specific gravity of 1 fills 1/62.4 ft³, and a mil is 1/12,000 ft, so it is 12,000/62.4 = 192.31; with a density of
water of exactly 1 g/cm³ it is 192.22 (recomputed in the tests). The printed 192.3 is taken here. The metric form is exact
for that density, so the two differ by 0.04 %; each is used in its own system.

How much of the powder sprayed stays on the part, the transfer efficiency, is the weakest number: typical are about 50 % where
overspray is waste and 65 to 85 % with reclaim (read, a trade site), and a plant found 60 % (read). So the answer is a range, and the
shop's own figures (powder issued against film mass from readings) are worth more than any that are printed.

Lowering the mean is only safe once the spread allows it: what is needed is the target, or the lower limit with room for
the spread and for the guard band where that is more (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from typing import Final

from rules.rounding import shown
from rules.statistics import mean
from rules.wording import amount, as_written, counted
from schemas.units import Unit

Number = Decimal | Fraction

#: ft²/lb at a specific gravity of 1 and a film of 1 mil, nothing lost (read; see the module).
FT2_MIL_PER_LB: Final = Decimal("192.3")
#: m²/kg at a specific gravity of 1 and a film of 1 µm, nothing lost: from the units.
M2_UM_PER_KG: Final = 1000
#: Share of the powder that stays on the part where the shop has not said: waste to reclaim (read, a trade site).
PUBLISHED_TRANSFER: Final = (Decimal("0.50"), Decimal("0.85"))
#: Standard deviations between the lower limit and the least mean that is safe (a choice of ours; of a normal spread 2.3 % lie below).
SPREADS_ABOVE_LOWER: Final = 2
#: Area that the answer is given for where none is stated.
_PER: Final = {Unit.UM: 1, Unit.MIL: 100}
_AREA: Final = {Unit.UM: "m²", Unit.MIL: "ft²"}
_MASS: Final = {Unit.UM: "kg", Unit.MIL: "lb"}


@dataclass(frozen=True, slots=True)
class Need:
    """The film that is needed at a location.

    Attributes:
        build: In the unit asked for, exact.
        how: Where it comes from, as it stands after "needed:".
    """

    build: Fraction
    how: str


@dataclass(frozen=True, slots=True)
class Film:
    """The film at one location.

    Attributes:
        location: The location.
        n: Readings behind the mean.
        mean: Mean build, in the unit asked for, exact.
        need: What is needed there; None where that is not known.
        expanded: Expanded uncertainty (k = 2) of the mean; None where it is not known.
    """

    location: str
    n: int
    mean: Fraction
    need: Need | None
    expanded: Number | None = None

    @property
    def above(self) -> Fraction:
        """Return the film above need, 0 where there is none or the need is not known."""
        return Fraction(0) if self.need is None else max(Fraction(0), self.mean - self.need.build)


@dataclass(frozen=True, slots=True)
class PowderAbove:
    """Powder that went into film above need, in the mass of the unit's own system: kg beside µm, lb beside mil.

    Attributes:
        films: The locations whose need is known.
        above: Film above need, the mean over these; a location that is thinner than needed counts as 0, since what is missing
            in one place does not pay for what is too much in another.
        unit: Unit of the builds.
        area: m² or ft² that the masses are for.
        stated: Whether that is an area that was stated; otherwise it is 1 m² or 100 ft².
        least: Mass at the higher transfer efficiency; None where it cannot be told, 0 where nothing is above need.
        most: Mass at the lower transfer efficiency.
        sentences: The answer, location by location and then in all.
        assumptions: What it rests on, a sentence each.
        missing: What would have to be known, a sentence each.
    """

    films: tuple[Film, ...]
    above: Fraction
    unit: Unit
    area: Fraction
    stated: bool
    least: Fraction | None
    most: Fraction | None
    sentences: tuple[str, ...]
    assumptions: tuple[str, ...]
    missing: tuple[str, ...]


def coverage_ft2_per_lb(specific_gravity: Number, mils: Number, transfer: Number = Decimal(1)) -> Fraction:
    """Return how many ft² a pound of powder covers at a film of *mils*, exactly by the printed formula.

    Raises:
        ValueError: A number is not above zero, or *transfer* is above 1.
    """
    return _coverage(Fraction(FT2_MIL_PER_LB), specific_gravity, mils, transfer)


def coverage_m2_per_kg(specific_gravity: Number, um: Number, transfer: Number = Decimal(1)) -> Fraction:
    """Return how many m² a kilogram of powder covers at a film of *um*, exactly.

    Raises:
        ValueError: As :func:`coverage_ft2_per_lb`.
    """
    return _coverage(Fraction(M2_UM_PER_KG), specific_gravity, um, transfer)


def film_needed(
    lower: Number | None, target: Number | None, deviation: Number | None, guard: Number, unit: Unit
) -> Need | None:
    """Return the mean build that is needed: the target, or the lower limit with room for spread and guard where that is more.

    Args:
        lower: The lower limit, if there is one.
        target: What is aimed at, if that is stated.
        deviation: Standard deviation of a reading here; without it the room for the spread is not known.
        guard: The guard band, 0 where there is none.
        unit: Unit of all of them.

    Returns:
        None where neither a target nor a lower limit with a spread is known: nothing is guessed.
    """
    safe = None
    if lower is not None and deviation is not None:
        safe = Fraction(lower) + SPREADS_ABOVE_LOWER * Fraction(deviation) + Fraction(guard)
    if target is not None and (safe is None or Fraction(target) >= safe):
        return Need(Fraction(target), f"the target of {amount(Fraction(target), unit)} {unit.symbol}")
    if safe is None or lower is None or deviation is None:
        return None
    guarded = f" and a guard band of {amount(Fraction(guard), unit)}" if guard else ""
    above_target = "" if target is None else ", which is more than the target: lower the spread before the mean"
    return Need(
        safe,
        f"{amount(safe, unit)} {unit.symbol}, the lower limit of {as_written(lower)} with {SPREADS_ABOVE_LOWER} s of "
        f"{amount(Fraction(deviation), unit)}{guarded}{above_target}",
    )


def powder_above_need(
    films: Sequence[Film],
    unit: Unit,
    *,
    specific_gravity: Number | None = None,
    area: Number | None = None,
    transfer: tuple[Number, Number] | None = None,
) -> PowderAbove:
    """Return what the film above need took, over the range of transfer efficiency.

    Args:
        films: By location; builds in *unit*.
        unit: µm: masses in kg and areas in m²; mil: lb and ft².
        specific_gravity: Of the powder, from its data sheet; without it no mass is given.
        area: Area coated, in m² or ft²; without it the answer is for 1 m² or for 100 ft².
        transfer: Least and greatest share of the powder sprayed that stays on the part, as the shop knows it; the published
            range without.

    Raises:
        ValueError: A figure is not above zero, a share is above 1, or the shares are reversed.
    """
    for figure, name in ((specific_gravity, "specific gravity"), (area, "area")):
        if figure is not None and figure <= 0:
            raise ValueError(f"the {name} is above zero, not {figure}")
    least_share, greatest_share = (Fraction(share) for share in (transfer or PUBLISHED_TRANSFER))
    if not 0 < least_share <= greatest_share <= 1:
        raise ValueError("transfer efficiency is a range of shares above 0 and up to 1, the smaller one first")
    told = tuple(film for film in films if film.need is not None)
    missing = [
        f"{film.location}: neither a target nor a lower limit with a spread is known, so nothing is said of it."
        for film in films
        if film.need is None
    ]
    above = mean([film.above for film in told]) if told else Fraction(0)
    for_area = Fraction(area) if area is not None else Fraction(_PER[unit])
    masses: tuple[Fraction, Fraction] | None = None
    if specific_gravity is None:
        missing.append("The specific gravity of the powder is not stated; it stands in its data sheet.")
    elif above:
        cover = coverage_m2_per_kg if unit is Unit.UM else coverage_ft2_per_lb
        masses = (
            for_area / cover(specific_gravity, above, greatest_share),
            for_area / cover(specific_gravity, above, least_share),
        )
    if area is None:
        missing.append(f"The area coated is not stated, so the answer is for {_PER[unit]} {_AREA[unit]}.")
    if told and not above:
        masses = Fraction(0), Fraction(0)
    return PowderAbove(
        films=told,
        above=above,
        unit=unit,
        area=for_area,
        stated=area is not None,
        least=None if masses is None else masses[0],
        most=None if masses is None else masses[1],
        sentences=(
            *(_film_sentence(film, film.need, unit) for film in told if film.need is not None),
            _in_all(told, above, masses, for_area, unit),
        ),
        assumptions=_assumptions(told, specific_gravity, transfer, least_share, greatest_share),
        missing=tuple(missing),
    )


def _coverage(constant: Fraction, specific_gravity: Number, film: Number, transfer: Number) -> Fraction:
    for figure, name in ((specific_gravity, "specific gravity"), (film, "film"), (transfer, "transfer efficiency")):
        if figure <= 0:
            raise ValueError(f"the {name} is above zero, not {figure}")
    if transfer > 1:
        raise ValueError(f"transfer efficiency is a share of 1 at the most, not {transfer}")
    return constant / (Fraction(specific_gravity) * Fraction(film)) * Fraction(transfer)


def _film_sentence(film: Film, need: Need, unit: Unit) -> str:
    head = f"{film.location}: mean build {amount(film.mean, unit, need.build)} {unit.symbol} (n = {film.n}); needed: {need.how}"
    if not film.above:
        return f"{head}. No film above need."
    tail = f"{head}. {amount(film.above, unit, Fraction(0))} {unit.symbol} above need"
    if film.expanded is not None and film.above <= Fraction(film.expanded):
        return (
            f"{tail}, no more than the uncertainty of the mean (± {amount(Fraction(film.expanded), unit)} {unit.symbol}): "
            "nothing should be claimed from it."
        )
    return f"{tail}."


def _in_all(
    films: Sequence[Film], above: Fraction, masses: tuple[Fraction, Fraction] | None, area: Fraction, unit: Unit
) -> str:
    if not films:
        return "Powder above need cannot be told: what is needed is not known at any location."
    if not above:
        return "In all: no film above need."
    film = f"In all {amount(above, unit, Fraction(0))} {unit.symbol} of film above need, the mean over {counted(len(films), 'location')}"
    if masses is None:
        return f"{film}; what that weighs cannot be said."
    least, most = (_three_figures(mass) for mass in masses)
    weight = f"{least} {_MASS[unit]}" if least == most else f"{least} to {most} {_MASS[unit]}"
    return f"{film}: about {weight} of powder on {_three_figures(area)} {_AREA[unit]}."


def _assumptions(
    films: Sequence[Film],
    specific_gravity: Number | None,
    transfer: tuple[Number, Number] | None,
    least: Fraction,
    greatest: Fraction,
) -> tuple[str, ...]:
    said: list[str] = []
    if specific_gravity is not None:
        said.append(
            f"Specific gravity {as_written(specific_gravity)}, as stated; check it against the data sheet of the powder."
        )
    low, high = (f"{shown(share * 100, 0):f}" for share in (least, greatest))
    shares = f"{low} %" if low == high else f"{low} to {high} %"
    said.append(
        f"Transfer efficiency {shares}, as the shop states it."
        if transfer is not None
        else f"Transfer efficiency {shares}: not the shop's own, but what a trade site gives from spray-to-waste to reclaim (read)."
    )
    said.append(
        "The location measured is taken to stand for the whole area coated."
        if len(films) == 1
        else "The locations measured are taken to stand for the whole area coated, each for an equal share of it."
    )
    said.append("Powder left in the booth, in the hopper and at a colour change is not in it.")
    return tuple(said)


def _three_figures(value: Fraction) -> str:
    """Return a mass or an area with three significant figures, for print."""
    places = 0
    while places < 6 and value and abs(value) * 10**places < 100:
        places += 1
    return f"{shown(value, places).normalize():f}"

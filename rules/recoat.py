"""Whether a second coat over the whole piece fits in between the limits: a sum at each location.

With m the least build there and M the greatest, a coat that adds a at the least and A at the most, and the
guard g of the job's decision rule, a recoat is feasible where at every location

    m + a - g >= the lower limit   and   M + A + g <= the upper limit, the data sheet's total, and what fits

(common practice, no source; the arithmetic is plain). What a coat adds comes from the shop's own history
where it holds enough, else from the job.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from math import floor
from typing import Final

from rules.fits import largest_film
from rules.places import PieceLocation, where
from rules.rounding import shown
from rules.sentence import Figures, joined, said, template
from rules.statistics import mean, standard_deviation, variance
from rules.wording import PLACES, amount, as_written, counted, with_unit
from schemas.job import Recoat
from schemas.units import Unit
from schemas.vocabulary import Feature, Role

#: Fewer pairs than this before and after a recoat say too little (common practice, no source).
LEAST_PAIRS: Final = 10
#: The range of what a recoat adds is the mean and this many standard deviations on each side (common practice,
#: no source; of a normal spread some 95 % lie within).
SPREADS: Final = 2


@dataclass(frozen=True, slots=True)
class AddedBuild:
    """What a recoat added in the shop's own history, in the unit of the job.

    Attributes:
        low: Mean less two standard deviations, never below zero, rounded down to the places of the unit.
        high: Mean and two standard deviations, rounded up.
        pairs: How many pairs of builds, before and after, of the same piece and location.
        mean: Rounded, for print.
        deviation: Rounded, for print.
        source: Where it comes from, as it stands after "from".
    """

    low: Decimal
    high: Decimal
    pairs: int
    mean: Decimal
    deviation: Decimal
    source: str


@dataclass(frozen=True, slots=True)
class RecoatTest:
    """Whether a second coat over the whole piece would fit, with the arithmetic spelled out.

    Attributes:
        feasible: True or False; None where too little is known to tell.
        reasons: The sums, one sentence each; first those that break a limit.
        missing: What the job would have to say, or what would have to be measured.
        used: What a coat is taken to add and where that comes from; empty where it is not known.
        broken: How many of the sums break a limit.
    """

    feasible: bool | None
    reasons: tuple[str, ...]
    missing: tuple[str, ...] = ()
    used: str = ""
    broken: int = 0

    @property
    def sentence(self) -> str:
        """Return the test and how it came out, in a sentence."""
        alone, with_used = _OUTCOMES[self.feasible]
        return with_used(used=self.used) if self.used else alone()


#: How a test came out: alone, and with what a coat is taken to add.
_OUTCOMES: Final = {
    True: (template("Recoat test: fits."), template("Recoat test: fits; {used}.")),
    False: (template("Recoat test: does not fit."), template("Recoat test: does not fit; {used}.")),
    None: (template("Recoat test: cannot be told."), template("Recoat test: cannot be told; {used}.")),
}


def added_build(differences: Sequence[Fraction], unit: Unit) -> AddedBuild | None:
    """Return what recoats added, from the build after less the build before of each pair, all in *unit*.

    Returns None under ten pairs, and where their mean is not above zero: such a history shows no coat.
    Low and high are rounded outward from the exact values, so that rounding never makes a recoat fit.
    """
    if len(differences) < LEAST_PAIRS:
        return None
    centre = mean(differences)
    if centre <= 0:
        return None
    spread_squared = SPREADS**2 * variance(differences)
    deviation = standard_deviation(differences)
    places = PLACES[unit]
    printed_mean, printed_deviation = shown(centre, places), shown(Fraction(deviation), places)
    return AddedBuild(
        low=max(_below(centre, spread_squared, places), shown(Fraction(0), places)),
        high=-_below(-centre, spread_squared, places),
        pairs=len(differences),
        mean=printed_mean,
        deviation=printed_deviation,
        source=said(
            "{pairs} in the archive: mean {mean}, s {deviation}",
            pairs=counted(len(differences), "pair"),
            mean=Figures(f"{printed_mean:f}"),
            deviation=with_unit(Figures(f"{printed_deviation:f}"), unit),
        ),
    )


def recoat_test(
    places: Iterable[PieceLocation],
    recoat: Recoat | None,
    unit: Unit,
    *,
    added: AddedBuild | None = None,
    guards: Mapping[str, Fraction] | None = None,
) -> RecoatTest:
    """Return whether another coat over one piece fits, from its builds and what a coat adds.

    Args:
        places: The places of one piece. Masked ones are left out: they are masked again. One that was not
            measured leaves the answer open, unless another place says no.
        recoat: What the job says.
        unit: The unit of the job; everything here is in it.
        added: What the shop's own history says a recoat adds; it takes the place of the job's figures.
        guards: The guard by location, zero where none is given.

    Exactly on a limit fits.
    """
    range_added = _added(recoat, added, unit)
    if range_added is None:
        return RecoatTest(
            None,
            (),
            (
                said(
                    "What does a recoat add here, at the least and at the most? (job: recoat.added_low, recoat.added_high, "
                    "from the shop's own history)"
                ),
                *(
                    (
                        said(
                            "What total film does the data sheet allow, and does it allow a second coat? "
                            "(job: recoat.sheet_max_total)"
                        ),
                    )
                    if recoat is None or recoat.sheet_max_total is None
                    else ()
                ),
            ),
        )
    low, high, used = range_added
    sheet_max = None if recoat is None else recoat.sheet_max_total
    broken: list[str] = []
    kept: list[str] = []
    missing: list[str] = []
    for place in places:
        if place.location.role is Role.MASKED:
            continue
        if not place.builds:
            missing.append(said("What is the build at {place}? It was not measured.", place=where(place)))
            continue
        guard = Fraction(0) if guards is None else guards.get(place.location.name, Fraction(0))
        for fits, sentence in _sums(place, low, high, sheet_max, guard, unit):
            (kept if fits else broken).append(sentence)
        if place.location.upper is None and sheet_max is None:
            missing.append(
                said(
                    "What total film does the data sheet allow at {location}? No upper limit is given. "
                    "(job: recoat.sheet_max_total)",
                    location=place.location.name,
                )
            )
    if broken:
        return RecoatTest(False, (*broken, *kept), used=used, broken=len(broken))
    if not kept and not missing:
        missing.append(said("What is the build? No place that a second coat goes on was measured."))
    return RecoatTest(None if missing else True, tuple(kept), tuple(missing), used)


def _added(recoat: Recoat | None, added: AddedBuild | None, unit: Unit) -> tuple[Decimal, Decimal, str] | None:
    if added is not None:
        used = said(
            "a coat adds {low} to {high} (from {source})",
            low=as_written(added.low),
            high=with_unit(as_written(added.high), unit),
            source=added.source,
        )
        return added.low, added.high, used
    if recoat is not None and recoat.added_low is not None and recoat.added_high is not None:
        used = said(
            "a coat adds {low} to {high} (from the job)",
            low=as_written(recoat.added_low),
            high=with_unit(as_written(recoat.added_high), unit),
        )
        return recoat.added_low, recoat.added_high, used
    return None


_LOWEST: Final = template("{place}: lowest {sum} = {total} {sign} {limit}, the lower limit")
_HIGHEST: Final = template("{place}: highest {sum} = {total} {sign} {limit}, the upper limit")
_HIGHEST_BY_SHEET: Final = template("{place}: highest {sum} = {total} {sign} {limit}, the data sheet's total")
_HIGHEST_BY_FIT: Final = {
    Feature.HOLE: template("{place}: highest {sum} = {total} {sign} {limit}, the most film with which the hole fits"),
    Feature.SHAFT: template("{place}: highest {sum} = {total} {sign} {limit}, the most film with which the shaft fits"),
    Feature.THREAD: template(
        "{place}: highest {sum} = {total} {sign} {limit}, the most film with which the thread fits"
    ),
}


def _sums(
    place: PieceLocation,
    added_low: Decimal,
    added_high: Decimal,
    sheet_max: Decimal | None,
    guard: Fraction,
    unit: Unit,
) -> Iterator[tuple[bool, str]]:
    location = place.location
    if location.lower is not None:
        least = min(place.builds)
        total = least + Fraction(added_low) - guard
        terms = _sum(least, added_low, guard, _LESS_GUARD, unit)
        yield total >= location.lower, _compared(_LOWEST, place, terms, total, location.lower, unit)
    ceilings: list[tuple[Decimal | Fraction, Callable[..., str]]] = []
    if location.upper is not None:
        ceilings.append((location.upper, _HIGHEST))
    if sheet_max is not None:
        ceilings.append((sheet_max, _HIGHEST_BY_SHEET))
    if location.fit is not None:
        ceilings.append((largest_film(location.fit), _HIGHEST_BY_FIT[location.fit.feature]))
    if ceilings:
        limit, words = min(ceilings, key=lambda ceiling: ceiling[0])
        greatest = max(place.builds)
        total = greatest + Fraction(added_high) + guard
        terms = _sum(greatest, added_high, guard, _MORE_GUARD, unit)
        yield total <= limit, _compared(words, place, terms, total, limit, unit)


_LESS_GUARD: Final = template("{build} + {added} - {guard} guard")
_MORE_GUARD: Final = template("{build} + {added} + {guard} guard")


def _sum(build: Fraction, added: Decimal, guard: Fraction, with_guard: Callable[..., str], unit: Unit) -> str:
    if not guard:
        return joined([amount(build, unit), as_written(added)], " + ")
    return with_guard(build=amount(build, unit), added=as_written(added), guard=amount(guard, unit, Fraction(0)))


def _compared(
    words: Callable[..., str],
    place: PieceLocation,
    terms: str,
    total: Fraction,
    limit: Decimal | Fraction,
    unit: Unit,
) -> str:
    return words(
        place=where(place),
        sum=terms,
        total=with_unit(amount(total, unit, limit), unit),
        sign="<" if total < limit else ">" if total > limit else "=",
        limit=with_unit(as_written(limit), unit),
    )


def _below(centre: Fraction, spread_squared: Fraction, places: int) -> Decimal:
    """Return *centre* less the root of *spread_squared*, rounded down to *places*; exactly, whatever the root is."""
    step = Fraction(1, 10**places)
    count = floor(centre / step)  # at or above what is looked for

    def reaches(steps: int) -> bool:
        distance = centre - steps * step
        return distance >= 0 and distance * distance >= spread_squared

    stride = 1
    while not reaches(count - stride):
        stride *= 2
    low, high = count - stride, count  # low reaches; the largest that does lies from low to high
    while low < high:
        middle = (low + high + 1) // 2
        low, high = (middle, high) if reaches(middle) else (low, middle - 1)
    return shown(low * step, places)

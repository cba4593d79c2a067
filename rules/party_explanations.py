"""What would explain that two parties differ: each cause supposed in turn, and what would then be left of the differences.

Nothing is guessed: a cause is supposed, the figures are worked out as they would be, and the E_n that would remain is
said. That a cause would explain the figures does not show that it is the cause; whoever measured has to say so.

When a supposed cause counts as an explanation (choices of ours, no source):

* FULLY: it leaves no |E_n| above 1, and the differences shrink: of the sum of their squares three quarters are gone (the
  differences halved). Where no E_n is known, fifteen sixteenths (a quarter is left).
* PARTLY: it leaves fewer |E_n| above 1 and half of the sum of squares is gone; or it leaves as many, and three quarters are.
* A cause that widens the uncertainty instead (another spot, few readings) only has to leave no |E_n| above 1.

Of several that explain alike, the one that leaves least comes after the one for which nothing had to be fitted to the
figures. Exchanging the parties gives the same explanations, word for word.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from decimal import Decimal
from enum import IntEnum, StrEnum
from fractions import Fraction
from typing import Final

from rules.normalized_error import NormalizedError
from rules.parties import Party, Result, Stated
from rules.party_places import (
    Bearing,
    Place,
    greatest_difference_um,
    greatest_error,
    key_of,
    place,
    root_mean_square,
    sum_of_squares,
)
from rules.results import GateState
from rules.statistics import mean
from rules.wording import amount, counted, listed
from schemas.units import UM_PER_MIL, Unit, from_um


class Cause(StrEnum):
    """What may lie behind differences between two parties, in the order that they are asked for."""

    UNIT = "unit"
    BASE_METAL = "base metal correction"
    GAUGE_CHECK = "gauge check"
    EXCHANGED = "location"
    PIECE = "piece"
    SINGLE = "rule: one reading or a mean"
    OFFSET = "common offset"
    SLOPE = "common ratio"
    SPOT = "another spot"
    COUNT = "few readings"


class Standing(IntEnum):
    """How far a supposed cause goes."""

    FULLY = 0
    PARTLY = 1
    OPEN = 2
    """It can be neither shown nor ruled out from what is known."""
    NO = 3


@dataclass(frozen=True, slots=True)
class Left:
    """What would be left at one location: the difference without its sign, in µm, and |E_n| where it is known."""

    location: str
    difference_um: Fraction
    error: Decimal | None
    bearing: Bearing


@dataclass(frozen=True, slots=True)
class Explanation:
    """One supposed cause and what it would leave.

    Attributes:
        cause: What is supposed.
        standing: How far it goes.
        sentence: What is supposed, with its numbers, and what would be left; the same whichever party comes first.
        fitted: How many numbers were fitted to the figures: what is fitted explains less.
        left: What would be left, by location; empty where nothing can be worked out.
        parties: Names of the parties whose figures it concerns, in alphabetical order.
        and_then: A second cause that explains what this one leaves, where it takes both.
        after: The places as they would be; empty where nothing can be worked out.
    """

    cause: Cause
    standing: Standing
    sentence: str
    fitted: int = 0
    left: tuple[Left, ...] = ()
    parties: tuple[str, ...] = ()
    and_then: Cause | None = None
    after: tuple[Place, ...] = field(default=(), repr=False, compare=False)

    @property
    def greatest_error(self) -> Decimal | None:
        """Return the greatest |E_n| that would be left; None where none is known."""
        return max((one.error for one in self.left if one.error is not None), default=None)


@dataclass(frozen=True, slots=True)
class Sides:
    """Two parties with the places where they are compared, and the unit that sentences are written in."""

    first: Party
    second: Party
    places: tuple[Place, ...]
    unit: Unit

    @property
    def differing(self) -> tuple[Place, ...]:
        """Return the places whose difference means something, or may."""
        return tuple(p for p in self.places if p.bearing is not Bearing.WITHIN)


def explanations(sides: Sides) -> tuple[Explanation, ...]:
    """Return every cause with how far it goes, the best first; none where no difference means anything, or may."""
    if not sides.differing:
        return ()
    found = [one for suppose in _CAUSES for one in suppose(sides)]
    if all(one.standing is not Standing.FULLY for one in found):
        found = [_with_second(one, sides) for one in found]
    return tuple(sorted(found, key=_rank))


#: Causes that may act together with another one: nothing is fitted to try them.
_ACT_TOGETHER: Final = (Cause.UNIT, Cause.BASE_METAL, Cause.GAUGE_CHECK, Cause.EXCHANGED)


def _with_second(one: Explanation, sides: Sides) -> Explanation:
    """Return *one* with the cause that explains what it leaves, where a single one does."""
    if one.standing is not Standing.PARTLY or one.cause not in _ACT_TOGETHER:
        return one
    rest = Sides(sides.first, sides.second, one.after, sides.unit)
    seconds = [
        other
        for suppose in (_base_metal, _gauge_check, _exchanged, _offset, _slope, _spot, _count)
        for other in suppose(rest)
        if other.standing is Standing.FULLY and other.cause is not one.cause
    ]
    if not seconds:
        return one
    second = min(seconds, key=_rank)
    return replace(
        second,
        cause=one.cause,
        sentence=f"{one.sentence} What is left: {second.sentence[0].lower() if second.sentence[1:2].islower() else second.sentence[0]}{second.sentence[1:]}",
        fitted=one.fitted + second.fitted,
        parties=tuple(sorted({*one.parties, *second.parties})),
        and_then=second.cause,
    )


_Rank = tuple[int, int, Fraction, int, str, tuple[tuple[str, Fraction, Fraction], ...]]


def _rank(one: Explanation) -> _Rank:
    error = one.greatest_error
    left = Fraction(error) if error is not None else max((x.difference_um for x in one.left), default=Fraction(0))
    # What stands last only makes the order one and the same whichever party comes first.
    last = tuple((x.location, x.difference_um, Fraction(x.error or 0)) for x in one.left)
    return (int(one.standing), one.fitted, left, list(Cause).index(one.cause), one.sentence, last)


# The causes


def _unit(sides: Sides) -> Iterator[Explanation]:
    ratios = _ratios(sides)
    if not ratios:
        yield Explanation(Cause.UNIT, Standing.OPEN, "The unit cannot be tried: a ratio needs figures above zero.")
        return
    if not _is_ratio_of_units(ratios):
        yield Explanation(
            Cause.UNIT, Standing.NO, "The figures do not stand to each other as mil to µm do (1 mil is 25.4 µm)."
        )
        return
    second_larger = _middle_square(ratios) >= 1
    mil = Fraction(UM_PER_MIL)
    wrong_second = _mistaken(sides, second_larger=second_larger)
    party = sides.second if wrong_second else sides.first
    factor = 1 / mil if wrong_second is second_larger else mil
    after = [
        place(p.location, p.first, p.second.scaled(factor))
        if wrong_second
        else place(p.location, p.first.scaled(factor), p.second)
        for p in sides.places
    ]
    if (factor > 1) is (party.unit is Unit.UM):
        other = Unit.MIL if party.unit is Unit.UM else Unit.UM
        supposed = f"The figures of {party.name} are in {other.symbol} and were taken as {party.unit.symbol}"
    else:
        supposed = f"The figures of {party.name} were converted into {party.unit.symbol} once too often"
    spread = ratios[0], ratios[-1]
    if not second_larger:
        spread = 1 / ratios[-1], 1 / ratios[0]
    ratio = f"the larger figures are {_between(*spread)} times the smaller; 1 mil is 25.4 µm"
    yield _tried(Cause.UNIT, sides, after, f"{supposed} ({ratio})", parties=(party.name,))


def _ratios(sides: Sides) -> list[Fraction]:
    """Return the second's figures over the first's, in order of size, where both are above zero."""
    return sorted(
        p.second.centre_um / p.first.centre_um for p in sides.places if p.first.centre_um > 0 and p.second.centre_um > 0
    )


def _middle_square(ratios: Sequence[Fraction]) -> Fraction:
    """Return the square of the middle ratio: of an even number both in the middle count, so that exchanging the parties
    turns it over and no more."""
    return ratios[(len(ratios) - 1) // 2] * ratios[len(ratios) // 2]


def _is_ratio_of_units(ratios: Sequence[Fraction]) -> bool:
    square, mil = _middle_square(ratios), Fraction(UM_PER_MIL)
    return (mil / _AROUND) ** 2 <= max(square, 1 / square) <= (mil * _AROUND) ** 2


def differ_by_unit(sides: Sides) -> bool:
    """Return whether the figures stand to each other roughly as mil to µm: then no spread or offset means anything."""
    ratios = _ratios(sides)
    return bool(ratios) and _is_ratio_of_units(ratios)


def _mistaken(sides: Sides, *, second_larger: bool) -> bool:
    """Return whether the second party's unit is the one in doubt: whose figures fit the limits less, or was only stated."""
    fits = [sum(_near_limits(p, result) for p, result in _side(sides, second=second)) for second in (False, True)]
    if fits[0] != fits[1]:
        return fits[1] < fits[0]
    if sides.first.unit_recorded != sides.second.unit_recorded:
        return sides.first.unit_recorded
    # Small figures said to be µm are likely mil, large ones said to be mil are likely µm.
    small, large = (sides.first, sides.second) if second_larger else (sides.second, sides.first)
    mistaken = small if small.unit is Unit.UM and large.unit is Unit.UM else large
    return mistaken is sides.second


def _side(sides: Sides, *, second: bool) -> Iterator[tuple[Place, Result]]:
    for p in sides.places:
        yield p, p.second if second else p.first


def _near_limits(at: Place, result: Result) -> bool:
    lowers = [r.lower_um for r in (at.first, at.second) if r.lower_um is not None]
    uppers = [r.upper_um for r in (at.first, at.second) if r.upper_um is not None]
    if not lowers and not uppers:
        return False
    return (not lowers or result.centre_um >= min(lowers) / _FAR) and (
        not uppers or result.centre_um <= max(uppers) * _FAR
    )


#: A ratio within half and twice 25.4 is tried as a mistaken unit (a choice of ours).
_AROUND: Final = 2
#: How far outside its limits a figure may lie before another unit is thought of; well under 25.4 (a choice of ours).
_FAR: Final = 3


def _base_metal(sides: Sides) -> Iterator[Explanation]:
    subtracting = [party for party, second in _parties(sides) if _subtracted(sides, second=second)]
    if not subtracting:
        silent = [party.name for party, _ in _parties(sides) if not party.says_subtracted]
        if silent:
            said = f"It is not on record whether {listed(sorted(silent))} subtracted anything for the metal below; ask."
            yield Explanation(Cause.BASE_METAL, Standing.OPEN, said, parties=tuple(sorted(silent)))
        else:
            yield Explanation(Cause.BASE_METAL, Standing.NO, "Neither party subtracts anything for the metal below.")
        return
    after = [
        place(
            p.location,
            p.first.moved(p.first.subtracted_um or Fraction(0)),
            p.second.moved(p.second.subtracted_um or Fraction(0)),
        )
        for p in sides.places
    ]
    if len(subtracting) == 2:
        supposed = "What the parties subtracted for the metal below is what differs: compared as the gauges read"
    else:
        (party,) = subtracting
        other = sides.second.name if party is sides.first else sides.first.name
        values = _subtracted(sides, second=party is sides.second)
        supposed = (
            f"{party.name} subtracted {_between_um(min(values), max(values), sides.unit)} for the metal below and "
            f"{other} nothing"
        )
    names = tuple(sorted((sides.first.name, sides.second.name)))
    yield _tried(Cause.BASE_METAL, sides, after, supposed, parties=names)


def _subtracted(sides: Sides, *, second: bool) -> list[Fraction]:
    return [r.subtracted_um for _, r in _side(sides, second=second) if r.subtracted_um]


def _gauge_check(sides: Sides) -> Iterator[Explanation]:
    for party, _ in sorted(_parties(sides), key=lambda one: one[0].name):
        state = party.checked.state
        if state is GateState.COVERED:
            continue
        yield Explanation(
            Cause.GAUGE_CHECK, Standing.OPEN, f"{party.name}: {party.checked.sentence}", parties=(party.name,)
        )
    errors = [r.gauge_error_um for second in (False, True) for _, r in _side(sides, second=second)]
    known = [e for e in errors if e is not None]
    if not known:
        return
    after = [
        place(
            p.location,
            p.first.moved(-(p.first.gauge_error_um or Fraction(0))),
            p.second.moved(-(p.second.gauge_error_um or Fraction(0))),
        )
        for p in sides.places
    ]
    supposed = (
        "The errors that gauge checks found and that were not corrected for "
        f"({_between_um(min(known), max(known), sides.unit)}) are what differs"
    )
    yield _tried(Cause.GAUGE_CHECK, sides, after, supposed)


def _exchanged(sides: Sides) -> Iterator[Explanation]:
    if len(sides.places) < 2:
        return
    best: Explanation | None = None
    for order in _orders(sides):
        after = [place(_label(p, sides.places[to]), p.first, sides.places[to].second) for p, to in order]
        moved = [(p.location, sides.places[to].location) for p, to in order if p is not sides.places[to]]
        tried = _tried(Cause.EXCHANGED, sides, after, _moved(moved))
        if best is None or _rank(tried) < _rank(best):
            best = tried
    if best is not None:
        yield best


def _orders(sides: Sides) -> Iterator[list[tuple[Place, int]]]:
    """Yield the arrangements that are tried, each as the place of the one party and the index of the other's."""
    count = len(sides.places)
    index = {id(p): at for at, p in enumerate(sides.places)}
    # Of the locations that differ the thickest is put to the thickest: of all arrangements the one of least squares.
    differing = sides.differing
    mine = sorted(differing, key=lambda p: (p.first.centre_um, key_of(p.location)))
    theirs = sorted(differing, key=lambda p: (p.second.centre_um, key_of(p.location)))
    to = {id(p): index[id(q)] for p, q in zip(mine, theirs, strict=True)}
    if any(index[at] != target for at, target in to.items()):
        yield [(p, to.get(id(p), index[id(p)])) for p in sides.places]
    if count > 2 and _same_order(sides):
        yield [(p, count - 1 - at) for at, p in enumerate(sides.places)]
        for by in (1, -1):
            yield [(p, (at + by) % count) for at, p in enumerate(sides.places)]


def _same_order(sides: Sides) -> bool:
    shared = {key_of(p.location) for p in sides.places}
    one, other = ([key_of(n) for n in party.results if key_of(n) in shared] for party, _ in _parties(sides))
    return one == other


def _label(one: Place, other: Place) -> str:
    return one.location if one is other else " / ".join(sorted((one.location, other.location)))


def _moved(moved: Sequence[tuple[str, str]]) -> str:
    names = sorted({name for pair in moved for name in pair})
    if len(moved) == 2 and len(names) == 2:
        return f"The locations {names[0]} and {names[1]} are exchanged in one of the two lists"
    return f"The figures of {listed(names, 6)} stand in another order in one of the two lists"


def _piece(sides: Sides) -> Iterator[Explanation]:
    several = [(party, second) for party, second in _parties(sides) if party.pieces]
    if len(several) != 1:
        return
    ((party, second),) = several
    other = sides.first.name if second else sides.second.name
    best: Explanation | None = None
    for name, results in party.pieces.items():
        own = {key_of(location): result for location, result in results.items()}
        if not all(key_of(p.location) in own for p in sides.places):
            continue
        after = [
            place(p.location, p.first, own[key_of(p.location)])
            if second
            else place(p.location, own[key_of(p.location)], p.second)
            for p in sides.places
        ]
        supposed = (
            f"{other} measured piece {name} alone, and {party.name} gives the mean of "
            f"{counted(len(party.pieces), 'piece')}"
        )
        tried = _tried(Cause.PIECE, sides, after, supposed, fitted=1, parties=(other,))
        if best is None or _rank(tried) < _rank(best):
            best = tried
    if best is not None:
        yield best


def _single(sides: Sides) -> Iterator[Explanation]:
    for party, second in _parties(sides):
        own = [r for _, r in _side(sides, second=second)]
        others = [r for _, r in _side(sides, second=not second)]
        if not all(r.count == 1 for r in own) or not all(len(r.builds_um) > 1 for r in others):
            continue
        other = sides.first if second else sides.second
        best: Explanation | None = None
        for word, pick in (("least", min), ("greatest", max)):
            after = [_picked(p, pick, second=second) for p in sides.places]
            supposed = f"{party.name} gives the {word} reading of each location, and {other.name} the mean of several"
            tried = _tried(Cause.SINGLE, sides, after, supposed, fitted=1, parties=(party.name,))
            if best is None or _rank(tried) < _rank(best):
                best = tried
        if best is not None:
            yield best


def _picked(at: Place, pick: Callable[[Sequence[Fraction]], Fraction], *, second: bool) -> Place:
    several = at.first if second else at.second
    one = several.single(pick(several.builds_um))
    return place(at.location, one, at.second) if second else place(at.location, at.first, one)


def _offset(sides: Sides) -> Iterator[Explanation]:
    if differ_by_unit(sides):
        return
    if len(sides.places) < _FEWEST:
        yield _too_few(Cause.OFFSET, "A common offset")
        return
    differences = [p.difference_um for p in sides.places]
    common = mean(differences)
    after = [place(p.location, p.first.moved(-common / 2), p.second.moved(common / 2)) for p in sides.places]
    low, high = sorted((abs(min(differences)), abs(max(differences))))
    if min(differences) < 0 < max(differences):
        supposed = "One gauge reads higher by the same amount everywhere"
        tried = _tried(Cause.OFFSET, sides, after, supposed, fitted=1)
        yield replace(tried, standing=Standing.NO, sentence=f"{supposed}: no, the differences go both ways.")
        return
    thick, thin = _thicker(sides, common)
    supposed = (
        f"{thick} reads {_um(abs(common), sides.unit)} thicker than {thin} everywhere "
        f"({_between_um(low, high, sides.unit)}), as a gauge does whose zero or adjustment is off"
    )
    yield _tried(Cause.OFFSET, sides, after, supposed, fitted=1)


def _slope(sides: Sides) -> Iterator[Explanation]:
    if differ_by_unit(sides):
        return
    if len(sides.places) < _FEWEST:
        yield _too_few(Cause.SLOPE, "A common ratio")
        return
    if any(p.first.centre_um <= 0 or p.second.centre_um <= 0 for p in sides.places):
        yield Explanation(
            Cause.SLOPE, Standing.OPEN, "A common ratio cannot be tried: a ratio needs figures above zero."
        )
        return
    mine = Fraction(root_mean_square([p.first.centre_um for p in sides.places]))
    theirs = Fraction(root_mean_square([p.second.centre_um for p in sides.places]))
    if mine == theirs:
        yield Explanation(Cause.SLOPE, Standing.NO, "Taken together, neither party reads thicker: no common ratio.")
        return
    level = (mine + theirs) / 2  # both are brought to one level, so that neither party is the measure
    after = [place(p.location, p.first.scaled(level / mine), p.second.scaled(level / theirs)) for p in sides.places]
    thick, thin = _thicker(sides, mine - theirs)
    share = (max(mine, theirs) / min(mine, theirs) - 1) * 100
    if share > _STEEPEST:
        said = f"{thick} reads {amount(share, Unit.UM)} % thicker than {thin}: no gauge is adjusted that far off."
        yield Explanation(Cause.SLOPE, Standing.NO, said)
        return
    supposed = (
        f"{thick} reads {amount(share, Unit.UM)} % thicker than {thin} everywhere, as a gauge does whose slope is off"
    )
    yield _tried(Cause.SLOPE, sides, after, supposed, fitted=1)


#: A slope that is further off than this, in percent, is no matter of adjustment (a choice of ours).
_STEEPEST: Final = 50
#: Locations that it takes to tell what is common to all of them (a choice of ours).
_FEWEST: Final = 3


def _too_few(cause: Cause, what: str) -> Explanation:
    return Explanation(
        cause, Standing.OPEN, f"{what} cannot be told from fewer than {_FEWEST} locations; measure more of them."
    )


def _spot(sides: Sides) -> Iterator[Explanation]:
    beyond = [p for p in sides.places if p.bearing is Bearing.BEYOND]
    if not beyond or 2 * len(beyond) >= len(sides.places) or len(sides.places) < _FEWEST:
        return
    names = listed(sorted(p.location for p in beyond), 6)
    alone = "alone differs" if len(beyond) == 1 else "alone differ"
    after = []
    sizes = []
    for p in sides.places:
        known = [r.variance_um2 for r in (p.first, p.second) if r.variance_um2 is not None]
        if p.bearing is not Bearing.BEYOND or not known:
            after.append(p)
            continue
        # Each party's own spot: the film differs between them as readings here do, so its variance counts twice.
        extra = 2 * (sum(known, Fraction(0)) / len(known))
        sizes.append(extra)
        after.append(_widened(p, 4 * extra))
    if len(sizes) < len(beyond):
        said = f"{names} {alone}: the parties may not have measured one spot; how the film varies there is not known."
        yield Explanation(Cause.SPOT, Standing.OPEN, said)
        return
    supposed = f"{names} {alone}: the parties measured different spots there, and the film varies as its readings do"
    yield _tried(Cause.SPOT, sides, after, supposed, fitted=1, widens=True)


def _count(sides: Sides) -> Iterator[Explanation]:
    """Suppose that an uncertainty somebody stated is the gauge's alone, without what so few readings vary by."""
    stated = [
        party
        for party, second in _parties(sides)
        if any(isinstance(r.terms, Stated) for _, r in _side(sides, second=second))
    ]
    if not stated:
        return
    after = []
    widened = False
    for p in sides.places:
        extra = Fraction(0)
        for own, other in ((p.first, p.second), (p.second, p.first)):
            if isinstance(own.terms, Stated):
                spread = own.variance_um2 if own.variance_um2 is not None else other.variance_um2
                extra += (spread or Fraction(0)) / own.count
        widened = widened or extra > 0
        after.append(_widened(p, 4 * extra) if p.error is not None else p)
    names = tuple(sorted(party.name for party in stated))
    if not widened:
        return
    supposed = f"The U stated for {listed(names)} is that of the gauge alone, without what its few readings vary by"
    yield _tried(Cause.COUNT, sides, after, supposed, fitted=1, widens=True, parties=names)


def _widened(at: Place, by_um2: Fraction) -> Place:
    if at.error is None:
        return at
    error = NormalizedError(at.error.difference, at.error.square + by_um2)
    return replace(at, error=error, bearing=Bearing.BEYOND if error.beyond else Bearing.WITHIN)


_CAUSES: Final[tuple[Callable[[Sides], Iterator[Explanation]], ...]] = (
    _unit,
    _base_metal,
    _gauge_check,
    _exchanged,
    _piece,
    _single,
    _offset,
    _slope,
    _spot,
    _count,
)


# How far a cause goes


#: What has to be gone of the sum of squares: halved differences; a quarter of them where no E_n is known; for a part.
_HALVED: Final = Fraction(3, 4)
_QUARTERED: Final = Fraction(15, 16)
_PART: Final = Fraction(1, 2)


def _tried(
    cause: Cause,
    sides: Sides,
    after: Sequence[Place],
    supposed: str,
    *,
    fitted: int = 0,
    widens: bool = False,
    parties: tuple[str, ...] = (),
) -> Explanation:
    before = sum_of_squares(sides.places)
    gone = 1 - sum_of_squares(after) / before if before else Fraction(0)
    beyond = [p for p in sides.places if p.bearing is Bearing.BEYOND]
    still = [p for p in after if p.bearing is Bearing.BEYOND]
    if beyond:
        fully = not still and (widens or gone >= _HALVED)
        fewer = len(still) < len(beyond)
        partly = (fewer and (widens or gone >= _PART)) or (len(still) == len(beyond) and gone >= _HALVED)
    else:
        fully, partly = not still and not widens and gone >= _QUARTERED, False
    standing = Standing.FULLY if fully else Standing.PARTLY if partly else Standing.NO
    left = tuple(
        sorted(
            (
                Left(p.location, abs(p.difference_um), None if p.error is None else p.error.size, p.bearing)
                for p in after
            ),
            key=lambda one: (key_of(one.location), one.difference_um, one.error is None, one.error or Decimal(0)),
        )
    )
    sentence = f"{supposed}: {_outcome(standing, sides, after)}."
    return Explanation(cause, standing, sentence, fitted, left, parties, after=tuple(after))


def _outcome(standing: Standing, sides: Sides, after: Sequence[Place]) -> str:
    error = greatest_error(after)
    largest = _um(greatest_difference_um(after), sides.unit)
    now = _um(greatest_difference_um(sides.places), sides.unit)
    beyond = sum(p.bearing is Bearing.BEYOND for p in after)
    was = sum(p.bearing is Bearing.BEYOND for p in sides.places)
    if error is None:
        if standing is Standing.FULLY:
            return f"would explain it; the greatest difference left would be {largest}, where it is {now} now"
        return f"does not explain it; the greatest difference left would be {largest}, where it is {now} now"
    figures = f"the greatest |E_n| left would be {error_figure(error)}"
    if standing is Standing.FULLY:
        return f"would explain it; {figures}"
    if standing is Standing.PARTLY:
        return f"would explain a part; of {counted(was, 'difference')} that {'means' if was == 1 else 'mean'} something {beyond} would be left, {figures}"
    if error <= 1:
        return f"does not explain it; the differences hardly shrink ({figures})"
    return f"does not explain it; {figures}"


def error_figure(error: Decimal | Fraction) -> str:
    """Return E_n with two decimals, with more where fewer would say something untrue about the bound of 1."""
    exact = Fraction(error)
    return amount(exact, Unit.MIL, Fraction(-1) if exact < 0 else Fraction(1))


def _parties(sides: Sides) -> tuple[tuple[Party, bool], tuple[Party, bool]]:
    return ((sides.first, False), (sides.second, True))


def _thicker(sides: Sides, difference: Fraction) -> tuple[str, str]:
    one, other = sides.first.name, sides.second.name
    return (one, other) if difference > 0 else (other, one)


def _um(value_um: Fraction, unit: Unit) -> str:
    return f"{amount(from_um(value_um, unit), unit)} {unit.symbol}"


def _between_um(low_um: Fraction, high_um: Fraction, unit: Unit) -> str:
    low, high = amount(from_um(low_um, unit), unit), amount(from_um(high_um, unit), unit)
    return f"{low} {unit.symbol}" if low == high else f"{low} to {high} {unit.symbol}"


def _between(low: Fraction, high: Fraction) -> str:
    first, last = amount(low, Unit.MIL), amount(high, Unit.MIL)
    return first if first == last else f"{first} to {last}"


def by_location(one: Explanation) -> Mapping[str, Left]:
    """Return what would be left by location."""
    return {left.location: left for left in one.left}

"""Two parties' results side by side: location by location the difference, its E_n, and whether it means anything.

Exchanging the parties turns the sign of every difference and changes nothing else.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from enum import IntEnum
from fractions import Fraction
from typing import Final

from rules.normalized_error import NormalizedError, least_that_settles, normalized_error
from rules.parties import Party, Result
from rules.statistics import square_root

_NONE: Final = (Decimal(0), Decimal(0))


class Bearing(IntEnum):
    """Whether a difference means anything; of several the larger is heeded."""

    WITHIN = 0
    """It does not: it lies within the uncertainty of the difference."""
    OPEN = 1
    """It cannot be told: an uncertainty is not known, and it may turn the answer."""
    BEYOND = 2
    """It does: |E_n| is above 1."""


@dataclass(frozen=True, slots=True)
class Place:
    """One location as both parties have it; *difference_um* is the first less the second.

    Attributes:
        location: Its name.
        first, second: What each party found.
        difference_um: Exact.
        error: Its normalized error; None where an uncertainty is not known.
        needed_um: Where *error* is None: the least expanded uncertainty that would make the difference mean nothing, of the
            party that states none, or of both together (root sum of squares) where neither does; None where it means
            nothing whatever is stated.
        bearing: Whether it means anything.
        shared: The standard that both results rest on, taken out of *error*; None where there is none.
        taken_apart: E_n as it would be were nothing shared; None where nothing is, or an uncertainty is not known.
    """

    location: str
    first: Result
    second: Result
    difference_um: Fraction
    error: NormalizedError | None
    needed_um: Decimal | None
    bearing: Bearing
    shared: str | None = None
    taken_apart: NormalizedError | None = None


def key_of(name: str) -> str:
    """Return what two spellings of one location have in common: neither case nor blanks tell locations apart."""
    return " ".join(name.split()).casefold()


def places_of(first: Party, second: Party) -> tuple[Place, ...]:
    """Return the locations that both parties have, in the order of the first."""
    theirs = {key_of(name): result for name, result in second.results.items()}
    return tuple(
        place(name, result, theirs[key_of(name)]) for name, result in first.results.items() if key_of(name) in theirs
    )


def only_in(party: Party, other: Party) -> tuple[str, ...]:
    """Return the locations that *party* has and *other* has not."""
    known = {key_of(name) for name in other.results}
    return tuple(name for name in party.results if key_of(name) not in known)


def place(location: str, first: Result, second: Result) -> Place:
    """Return two results of one location compared."""
    difference = first.centre_um - second.centre_um
    mine, theirs = first.expanded_um, second.expanded_um
    if mine is None or theirs is None:
        known = mine if mine is not None else theirs
        needed = least_that_settles(difference, known if known is not None else Decimal(0))
        bearing = Bearing.WITHIN if needed is None else Bearing.OPEN
        return Place(location, first, second, difference, None, needed, bearing)
    shared, parts = _shared(first, second)
    error = normalized_error(difference, mine, theirs, parts)
    return Place(
        location=location,
        first=first,
        second=second,
        difference_um=difference,
        error=error,
        needed_um=None,
        bearing=Bearing.BEYOND if error.beyond else Bearing.WITHIN,
        shared=shared,
        taken_apart=normalized_error(difference, mine, theirs) if shared is not None else None,
    )


def _shared(first: Result, second: Result) -> tuple[str | None, tuple[Decimal, Decimal]]:
    """Return the standard that both rest on, and what it brings to each expanded uncertainty."""
    if first.standard is None or first.standard != second.standard:
        return None, _NONE
    known = [part for part in (first.standard_part_um, second.standard_part_um) if part is not None]
    if not known:
        return None, _NONE
    # A party that states one figure for everything has the standard in it, as the other party knows it.
    parts = (
        first.standard_part_um if first.standard_part_um is not None else known[0],
        second.standard_part_um if second.standard_part_um is not None else known[0],
    )
    mine, theirs = first.expanded_um, second.expanded_um
    if mine is None or theirs is None or parts[0] > mine or parts[1] > theirs or parts == (mine, theirs):
        return None, _NONE
    return first.standard, parts


def worst(places: Iterable[Place]) -> Bearing:
    """Return the bearing that is heeded of several; OPEN where nothing is compared."""
    return max((p.bearing for p in places), default=Bearing.OPEN)


def greatest_error(places: Iterable[Place]) -> Decimal | None:
    """Return the greatest |E_n|; None where none is known."""
    return max((p.error.size for p in places if p.error is not None), default=None)


def greatest_difference_um(places: Iterable[Place]) -> Fraction:
    """Return the greatest difference, without its sign; 0 where nothing is compared."""
    return max((abs(p.difference_um) for p in places), default=Fraction(0))


def sum_of_squares(places: Iterable[Place]) -> Fraction:
    """Return the sum of the squared differences, in µm²."""
    return sum((p.difference_um**2 for p in places), Fraction(0))


def root_mean_square(values: Sequence[Fraction]) -> Decimal:
    """Return √(Σv²/n).

    Raises:
        ValueError: There are no values.
    """
    if not values:
        raise ValueError("a root mean square needs at least one value")
    return square_root(sum((v * v for v in values), Fraction(0)) / len(values))


def renamed(results: Mapping[str, Result], names: Mapping[str, str]) -> dict[str, Result]:
    """Return *results* with locations that *names* calls otherwise renamed; a name is compared as :func:`key_of` says.

    Raises:
        ValueError: A location to be renamed is not there, or two would have one name.
    """
    wanted = {key_of(old): new for old, new in names.items()}
    unknown = [old for old in names if key_of(old) not in {key_of(n) for n in results}]
    if unknown:
        raise ValueError(f"there is no location {unknown[0]!r} to be called {names[unknown[0]]!r}")
    found: dict[str, Result] = {}
    for name, result in results.items():
        new = wanted.get(key_of(name), name)
        if key_of(new) in {key_of(n) for n in found}:
            raise ValueError(f"two locations would be called {new!r}")
        found[new] = result
    return found

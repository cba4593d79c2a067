"""How well a single sampling plan tells good lots from bad ones: its operating characteristic, in exact numbers.

Two questions that are easily mixed up, both from the definition of the distributions:

* binomial: a process turns out nonconforming pieces with a constant share, and a lot is a stretch of it;
* hypergeometric: one lot is there, with so many nonconforming pieces in it.

A plan is given by its two numbers: *n* pieces are measured, and the lot is accepted with up to *accept* nonconforming.
Shares are of 1; an AQL is in percent, as it is written.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from math import comb
from typing import Final

Share = Fraction | Decimal | int

#: The consumer's risk that the quality published with a plan is usually read at (MIL-STD-105E, table VI-A: from memory).
CONSUMERS_RISK: Final = Fraction(1, 10)


@dataclass(frozen=True, slots=True)
class Point:
    """One point of the curve: lots with this share nonconforming are accepted with this probability."""

    share: Fraction
    accepted: Fraction


def probability_of_acceptance(n: int, accept: int, share: Share) -> Fraction:
    """Return how probably a lot from a process with *share* nonconforming is accepted (binomial), exactly.

    Raises:
        ValueError: The numbers are no plan, or *share* is not from 0 to 1.
    """
    _is_plan(n, accept)
    exact = Fraction(share)
    if not 0 <= exact <= 1:
        raise ValueError(f"a share nonconforming is from 0 to 1, not {share}")
    above, below = exact.as_integer_ratio()
    return Fraction(_accepting(n, accept, above, below), below**n)


def probability_of_acceptance_of_lot(n: int, accept: int, lot_size: int, nonconforming: int) -> Fraction:
    """Return how probably a lot of *lot_size* with *nonconforming* such pieces is accepted (hypergeometric), exactly.

    Raises:
        ValueError: The numbers are no plan, or not in the lot.
    """
    _is_plan(n, accept)
    if n > lot_size:
        raise ValueError(f"{n} pieces cannot be measured of a lot of {lot_size}")
    if not 0 <= nonconforming <= lot_size:
        raise ValueError(f"a lot of {lot_size} has 0 to {lot_size} nonconforming pieces, not {nonconforming}")
    good = lot_size - nonconforming
    # comb() is 0 where more are taken than there are.
    favourable = sum(comb(nonconforming, found) * comb(good, n - found) for found in range(min(accept, n) + 1))
    return Fraction(favourable, comb(lot_size, n))


def producers_risk(n: int, accept: int, aql: Share) -> Fraction:
    """Return how probably a lot from a process that is just as good as the *aql* (percent) is not accepted, exactly.

    Raises:
        ValueError: The numbers are no plan, or *aql* is not from 0 to 100.
    """
    return 1 - probability_of_acceptance(n, accept, Fraction(aql) / 100)


def consumers_risk_quality(n: int, accept: int, risk: Share = CONSUMERS_RISK, places: int = 6) -> Decimal:
    """Return the share nonconforming at which a lot is still accepted with a probability of *risk* (binomial).

    The share has no exact decimal. Returned is the smallest one of *places* decimals at which the probability is not
    above *risk*: rounded up, never claiming more protection than there is.

    Raises:
        ValueError: The numbers are no plan, the plan never rejects, or *risk* is not between 0 and 1.
    """
    exact = _risk(n, accept, risk)
    one = 10**places
    limit = exact.numerator * one**n
    low, high = 0, one
    while high - low > 1:
        middle = (low + high) // 2
        if _accepting(n, accept, middle, one) * exact.denominator <= limit:
            high = middle
        else:
            low = middle
    return Decimal(high).scaleb(-places)


def consumers_risk_pieces(n: int, accept: int, lot_size: int, risk: Share = CONSUMERS_RISK) -> int:
    """Return the fewest nonconforming pieces in a lot of *lot_size* with which it is accepted no more often than *risk*.

    Raises:
        ValueError: As above, or the lot has fewer pieces than are measured.
    """
    exact = _risk(n, accept, risk)
    # The probability falls as the number rises, and is 0 for a lot without a conforming piece.
    low, high = 0, lot_size
    if n > lot_size:
        raise ValueError(f"{n} pieces cannot be measured of a lot of {lot_size}")
    while high - low > 1:
        middle = (low + high) // 2
        if probability_of_acceptance_of_lot(n, accept, lot_size, middle) <= exact:
            high = middle
        else:
            low = middle
    return high


def curve(n: int, accept: int, shares: Iterable[Share]) -> tuple[Point, ...]:
    """Return the points of the curve at *shares* nonconforming of a process, in their order.

    Raises:
        ValueError: As :func:`probability_of_acceptance`.
    """
    return tuple(Point(Fraction(share), probability_of_acceptance(n, accept, share)) for share in shares)


def curve_of_lot(n: int, accept: int, lot_size: int, numbers: Iterable[int] | None = None) -> tuple[Point, ...]:
    """Return the points of the curve for these *numbers* of nonconforming pieces in a lot; without any, for all.

    Raises:
        ValueError: As :func:`probability_of_acceptance_of_lot`.
    """
    chosen = range(lot_size + 1) if numbers is None else numbers
    return tuple(
        Point(Fraction(number, lot_size), probability_of_acceptance_of_lot(n, accept, lot_size, number))
        for number in chosen
    )


def _accepting(n: int, accept: int, above: int, below: int) -> int:
    """Return the probability of acceptance at a share of above/below, times below to the n, in integers."""
    good = below - above
    return sum(comb(n, found) * above**found * good ** (n - found) for found in range(min(accept, n) + 1))


def _is_plan(n: int, accept: int) -> None:
    if n < 1 or accept < 0:
        raise ValueError(f"no plan measures {n} pieces and accepts with up to {accept} nonconforming")


def _risk(n: int, accept: int, risk: Share) -> Fraction:
    _is_plan(n, accept)
    if accept >= n:
        raise ValueError(f"a plan of {n} pieces that accepts with {accept} nonconforming never rejects")
    exact = Fraction(risk)
    if not 0 < exact < 1:
        raise ValueError(f"a risk is between 0 and 1, not {risk}")
    return exact

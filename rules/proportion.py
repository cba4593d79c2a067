"""How far a share that was counted may be from the share that it stands for."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction
from functools import lru_cache
from typing import Final

from rules.distributions import normal_quantile
from rules.statistics import square_root

COVERAGE: Final = Decimal("0.95")


@lru_cache(maxsize=4096)
def wilson_interval(found: int, of: int, coverage: Decimal = COVERAGE) -> tuple[Fraction, Fraction]:
    """Return between which shares, from 0 to 1, the share behind *found* out of *of* lies, with *coverage*.

    The score interval of E. B. Wilson, Journal of the American Statistical Association 22 (1927), 209-212, which
    Brown, Cai and DasGupta, Statistical Science 16 (2001), 101-133, recommend for small numbers (both from memory).
    It takes every one counted to be independent of the others.

    Raises:
        ValueError: *of* is not above zero, *found* is not from 0 to *of*, or *coverage* is not between 0 and 1.
    """
    if of <= 0 or not 0 <= found <= of:
        raise ValueError(f"{found} of {of} is no share")
    z = Fraction(normal_quantile((1 + coverage) / 2))
    centre = found + z * z / 2
    half = z * Fraction(square_root(Fraction(found * (of - found), of) + z * z / 4))
    below = of + z * z
    # At the ends the exact bounds are 0 and 1, which a root cut off after 34 digits would miss by a hair.
    low = Fraction(0) if found == 0 else (centre - half) / below
    high = Fraction(1) if found == of else (centre + half) / below
    return low, high

"""How far a share that was counted may be from the share that it stands for: Wilson's interval, wherever a share is shown.

It is what is recommended where few were counted, as in a small shop: by Brown, Cai and DasGupta, Statistical Science 16 (2001),
101-133 (read: the abstract), and, after them and Agresti and Coull (1998), by the NIST/SEMATECH e-Handbook, 7.2.4.1 (read: a
draft of that page). The exact interval of Clopper and Pearson, which the handbook gives too, never holds less often
than it says. It pays for that: of 3 to 10 pieces it holds 98 to 99.5 times in a hundred instead of 95 and is a sixth to a quarter wider.
That would be asked for where something were decided by the interval; here nothing is.

What Wilson's costs: over all shares it holds 95 times in a hundred, but at some shares fewer, 83 times at the least. That is at a share
just below the lower end that one found gives, where it overstates the share, and mirrored near all.
tests/standards/test_proportion_interval.py has these figures.
"""

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

    The score interval of E. B. Wilson, Journal of the American Statistical Association 22 (1927), 209-212 (from memory).
    It takes every one counted to be independent of the others.

    Raises:
        ValueError: *of* is not above zero, *found* is not from 0 to *of*, or *coverage* is not between 0 and 1.
    """
    if of <= 0 or not 0 <= found <= of:
        raise ValueError(f"{found} of {of} is no share")
    if not 0 < coverage < 1:
        raise ValueError(f"a coverage is between 0 and 1, not {coverage}")
    z = Fraction(normal_quantile((1 + coverage) / 2))
    centre = found + z * z / 2
    half = z * Fraction(square_root(Fraction(found * (of - found), of) + z * z / 4))
    below = of + z * z
    # At the ends the exact bounds are 0 and 1, which a root cut off after 34 digits would miss by a hair.
    low = Fraction(0) if found == 0 else (centre - half) / below
    high = Fraction(1) if found == of else (centre + half) / below
    return low, high

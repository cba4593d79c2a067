"""The constants of control charts for subgroups of 2 to 10, from their definitions.

With d2 and d3 the mean and the standard deviation of the range of a normal sample, and c4 the mean of its standard
deviation, each in standard deviations: limits of X-bar from R are ± A2·R̄, of R from D3·R̄ to D4·R̄, of X-bar from s
± A3·s̄, of s from B3·s̄ to B4·s̄. Three standard deviations, and no limit below zero (textbooks; the definitions are
from memory, the values were read in textbook appendices and recomputed).
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from functools import lru_cache
from typing import Final

import mpmath

from rules.gauge_study import D2, D3

_DIGITS: Final = 12
_WORK_DIGITS: Final = 30
_SIGMAS: Final = 3


@dataclass(frozen=True, slots=True)
class ControlConstants:
    """The constants for subgroups of one size, to six figures or more: the table of d2 and d3 has six decimals."""

    size: int
    c4: Decimal
    a2: Decimal
    a3: Decimal
    b3: Decimal
    b4: Decimal
    d3: Decimal
    d4: Decimal


@lru_cache(maxsize=16)
def control_constants(size: int) -> ControlConstants:
    """Return the constants for subgroups of *size* readings.

    Raises:
        ValueError: *size* is not from 2 to 10.
    """
    if size not in D2:
        raise ValueError(f"constants are held for subgroups of {min(D2)} to {max(D2)}, not {size}")
    with mpmath.workdps(_WORK_DIGITS):
        n, mean_range, sd_range = mpmath.mpf(size), mpmath.mpf(str(D2[size])), mpmath.mpf(str(D3[size]))
        c4 = mpmath.sqrt(2 / (n - 1)) * mpmath.gamma(n / 2) / mpmath.gamma((n - 1) / 2)
        of_s = _SIGMAS * mpmath.sqrt(1 - c4**2) / c4
        of_range = _SIGMAS * sd_range / mean_range
        found = {
            "c4": c4,
            "a2": _SIGMAS / (mean_range * mpmath.sqrt(n)),
            "a3": _SIGMAS / (c4 * mpmath.sqrt(n)),
            "b3": max(mpmath.mpf(0), 1 - of_s),
            "b4": 1 + of_s,
            "d3": max(mpmath.mpf(0), 1 - of_range),
            "d4": 1 + of_range,
        }
        return ControlConstants(size, **{name: Decimal(mpmath.nstr(value, _DIGITS)) for name, value in found.items()})


@lru_cache(maxsize=256)
def unbiasing_constant(size: int) -> Decimal:
    """Return c4 for samples of any *size*: s over c4 has sigma as its mean, to 12 digits.

    Raises:
        ValueError: *size* is below 2.
    """
    if size < 2:
        raise ValueError(f"a standard deviation needs at least two values, not {size}")
    with mpmath.workdps(_WORK_DIGITS):
        n = mpmath.mpf(size)
        c4 = mpmath.sqrt(2 / (n - 1)) * mpmath.exp(mpmath.loggamma(n / 2) - mpmath.loggamma((n - 1) / 2))
        return Decimal(mpmath.nstr(c4, _DIGITS))

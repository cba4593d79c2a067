"""Quantiles and tails of the normal, Student's t and F distributions, to more digits than anything here needs.

The special functions are mpmath's, which computes them to any precision in pure Python. Nothing is
decided on a digit that a double could lose: results are given as Decimal with 15 significant digits.
"""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal
from functools import lru_cache
from typing import Any, Final

import mpmath

_DIGITS: Final = 15
_WORK_DIGITS: Final = 30


def normal_cdf(z: Decimal | float) -> Decimal:
    """Return the probability that a standard normal variable is at most *z*."""
    return _given(lambda: mpmath.ncdf(mpmath.mpf(str(z))))


@lru_cache(maxsize=256)
def normal_quantile(probability: Decimal | float) -> Decimal:
    """Return the value that a standard normal variable is at most with *probability*.

    Raises:
        ValueError: *probability* is not between 0 and 1.
    """
    _inside(probability)
    return _given(lambda: mpmath.sqrt(2) * mpmath.erfinv(2 * mpmath.mpf(str(probability)) - 1))


def t_cdf(t: Decimal | float, degrees: Decimal | float) -> Decimal:
    """Return the probability that Student's t with *degrees* of freedom (above zero, not always whole) is at most *t*."""
    return _given(lambda: _t_cdf(mpmath.mpf(str(t)), mpmath.mpf(str(degrees))))


@lru_cache(maxsize=1024)
def t_quantile(probability: Decimal | float, degrees: Decimal | float) -> Decimal:
    """Return the value that Student's t with *degrees* of freedom is at most with *probability*.

    Raises:
        ValueError: *probability* is not between 0 and 1, or *degrees* is not above zero.
    """
    _inside(probability)
    if degrees <= 0:
        raise ValueError(f"degrees of freedom are above zero, not {degrees}")

    def find() -> Any:
        wanted, nu = mpmath.mpf(str(probability)), mpmath.mpf(str(degrees))
        if wanted == mpmath.mpf("0.5"):
            return mpmath.mpf(0)
        # The distribution is symmetric, and its own quantile in the tail is a safe place to start from.
        upper = max(wanted, 1 - wanted)
        low, high = mpmath.mpf(0), mpmath.mpf(1)
        while _t_cdf(high, nu) < upper:
            low, high = high, 2 * high
        root = mpmath.findroot(
            lambda t: _t_cdf(t, nu) - upper, (low, high), solver="illinois", tol=mpmath.mpf(10) ** -40
        )
        return root if wanted == upper else -root

    return _given(find)


def f_survival(f: Decimal | float, numerator: int, denominator: int) -> Decimal:
    """Return the probability that F with these degrees of freedom is above *f* (not negative)."""

    def tail() -> Any:
        x, d1, d2 = mpmath.mpf(str(f)), mpmath.mpf(numerator), mpmath.mpf(denominator)
        return mpmath.betainc(d2 / 2, d1 / 2, 0, d2 / (d2 + d1 * x), regularized=True)

    return _given(tail)


def _t_cdf(t: Any, degrees: Any) -> Any:
    tail = mpmath.betainc(degrees / 2, mpmath.mpf("0.5"), 0, degrees / (degrees + t * t), regularized=True) / 2
    return 1 - tail if t > 0 else tail


def _given(compute: Callable[[], Any]) -> Decimal:
    with mpmath.workdps(_WORK_DIGITS):
        return Decimal(mpmath.nstr(compute(), _DIGITS, strip_zeros=False))


def _inside(probability: Decimal | float) -> None:
    if not 0 < probability < 1:
        raise ValueError(f"a probability here is between 0 and 1, not {probability}")

"""Quantiles and tails of the normal, Student's t, chi-square and F distributions, to more digits than anything here needs.

The special functions are mpmath's, which computes them to any precision in pure Python. Nothing is
decided on a digit that a double could lose: results are given as Decimal with 15 significant digits.
"""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal
from functools import lru_cache
from math import erfc, exp, fsum, log, sqrt
from statistics import NormalDist
from typing import Any, Final

import mpmath

_DIGITS: Final = 15
_WORK_DIGITS: Final = 30
#: A bound is found in doubles, to more digits than it is given with.
_BOUND_PLACES: Final = Decimal("1E-8")
_BOUND_WIDTH: Final = 1e-13
#: A step of Newton's that is this small, as a share of t, ends within about its square.
_NEAR: Final = mpmath.mpf(10) ** -14
_SMALLEST: Final = 1e-300


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
        # The distribution is symmetric.
        return _t_above(1 - wanted, nu) if wanted > 1 - wanted else -_t_above(wanted, nu)

    return _given(find)


def f_survival(f: Decimal | float, numerator: int, denominator: int) -> Decimal:
    """Return the probability that F with these degrees of freedom is above *f* (not negative)."""

    def tail() -> Any:
        x, d1, d2 = mpmath.mpf(str(f)), mpmath.mpf(numerator), mpmath.mpf(denominator)
        return mpmath.betainc(d2 / 2, d1 / 2, 0, d2 / (d2 + d1 * x), regularized=True)

    return _given(tail)


@lru_cache(maxsize=1024)
def chi_square_quantile(probability: Decimal | float, degrees: Decimal | float) -> Decimal:
    """Return the value that chi-square with *degrees* of freedom (not always whole) is at most with *probability*.

    Raises:
        ValueError: *probability* is not between 0 and 1, or *degrees* is not above zero.
    """
    _inside(probability)
    if degrees <= 0:
        raise ValueError(f"degrees of freedom are above zero, not {degrees}")

    def find() -> Any:
        wanted, half = mpmath.mpf(str(probability)), mpmath.mpf(str(degrees)) / 2

        def below(x: Any) -> Any:
            return mpmath.gammainc(half, 0, x, regularized=True) - wanted

        low, high = mpmath.mpf(0), half
        while below(high) < 0:
            low, high = high, 2 * high
        return 2 * mpmath.findroot(below, (low, high), solver="illinois", tol=mpmath.mpf(10) ** -40)

    return _given(find)


@lru_cache(maxsize=1024)
def noncentrality_bound(t: Decimal | float, degrees: int, confidence: Decimal | float) -> Decimal:
    """Return the non-centrality that is exceeded with *confidence* where *t* was seen: a lower bound, to 8 decimals.

    With that non-centrality, a non-central t variable with *degrees* of freedom is at least *t* with a probability of
    1 - *confidence*. Computed from the definition: (z + non-centrality) over the root of chi-square by its degrees.

    Raises:
        ValueError: *confidence* is not between 0 and 1, or *degrees* is below 1.
    """
    _inside(confidence)
    if degrees < 1:
        raise ValueError(f"degrees of freedom are at least 1, not {degrees}")
    seen, wanted = float(t), float(confidence)
    nodes = _chi_nodes(degrees)

    # The probability of a variable below what was seen: it falls as the non-centrality rises.
    def above(delta: float) -> float:
        return fsum(weight * erfc((delta - seen * w) / sqrt(2)) / 2 for w, weight in nodes) - wanted

    low, high, step = seen - 1, seen, 1.0
    while above(low) < 0:
        low, step = low - step, 2 * step
    step = 1.0
    while above(high) > 0:
        high, step = high + step, 2 * step
    while high - low > _BOUND_WIDTH * max(1.0, abs(high)):
        middle = (low + high) / 2
        low, high = (middle, high) if above(middle) > 0 else (low, middle)
    return Decimal(repr((low + high) / 2)).quantize(_BOUND_PLACES)


@lru_cache(maxsize=64)
def _chi_nodes(degrees: int) -> list[tuple[float, float]]:
    """Return places and weights that make an expectation over w = s/sigma a sum: the trapezium rule over log w.

    There the density is exp(nu·(log w - w²/2)) times a constant. It dies fast at both ends, so that the rule gains
    digits with every node; what is left is far below the last place that is given out.
    """
    width = 1 / sqrt(2 * degrees)
    low, high = -max(12 * width, 36 / degrees), min(12 * width, 2.5)
    step = width / 8
    places = [exp(low + step * k) for k in range(int((high - low) / step) + 2)]
    weights = [exp(degrees * (log(w) - (w * w - 1) / 2)) for w in places]
    total = fsum(weights)
    return [(w, weight / total) for w, weight in zip(places, weights, strict=True)]


def _t_cdf(t: Any, degrees: Any) -> Any:
    tail = _t_tail(t, degrees)
    return 1 - tail if t > 0 else tail


def _t_tail(t: Any, degrees: Any) -> Any:
    """Return how much of Student's t lies further from zero than *t*, on one side."""
    return mpmath.betainc(degrees / 2, mpmath.mpf("0.5"), 0, degrees / (degrees + t * t), regularized=True) / 2


def _t_above(tail: Any, degrees: Any) -> Any:
    """Return above which t the share *tail*, below one half, lies, by Newton's method.

    Right of zero the tail falls ever more slowly, so a step from below ends below again, and nearer; one from above may
    end below zero, and half the way is gone instead. The start is Cornish and Fisher's expansion to 1/degrees²
    (Abramowitz and Stegun 26.7.5; from memory).
    """
    z = mpmath.mpf(-NormalDist().inv_cdf(max(float(tail), _SMALLEST)))
    t = z + z * (z**2 + 1) / (4 * degrees) + z * (5 * z**4 + 16 * z**2 + 3) / (96 * degrees**2)
    scale = mpmath.gammaprod([(degrees + 1) / 2], [degrees / 2]) / mpmath.sqrt(degrees * mpmath.pi)
    while True:
        density = scale * (1 + t * t / degrees) ** (-(degrees + 1) / 2)
        step = (_t_tail(t, degrees) - tail) / density
        if abs(step) < _NEAR * max(t, 1):
            return t + step
        t = t + step if t + step > 0 else t / 2


def _given(compute: Callable[[], Any]) -> Decimal:
    with mpmath.workdps(_WORK_DIGITS):
        return Decimal(mpmath.nstr(compute(), _DIGITS, strip_zeros=False))


def _inside(probability: Decimal | float) -> None:
    if not 0 < probability < 1:
        raise ValueError(f"a probability here is between 0 and 1, not {probability}")

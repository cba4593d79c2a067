"""A lot judged on the measured values of its sample, not on a count of pieces: the s method, sigma unknown.

The mean and the sample standard deviation s of *n* values, one a piece, are held against each limit: the lot is
accepted if the mean lies at least k standard deviations inside it. That needs fewer pieces than counting does, and it
holds only where the values of the lot are about normally distributed and come from one process; that is for the
person who chooses the method to show. A single value outside a limit does not reject the lot here, and is not made to
conform by an accepted one.

What is known:

* The k table: MIL-STD-414, table B-1, normal inspection, from memory. Two anchors were read and agree: letter I, AQL
  1.0 tightened, k = 1.98, which is the normal value at 0.65 (help output of an R package); k = 1.57 for 35 pieces, in a
  regulation with the same form of test. The others agree with each other: within a letter, a lot at its AQL comes out
  accepted with nearly the same probability in every column, so that a value wrong by 0.03 or more would
  show (tried on every cell). That does not replace reading them.
* That tightened inspection reads the next smaller AQL: read, as the first anchor shows it.
* The estimate of the share nonconforming, and that the two-limit form allows what the estimate gives at k (M): from
  memory; that the estimate is unbiased was recomputed.
* The one plan by ISO 3951:1989 that is here, ISO_3951_J: see there.

Not here, because no copy was read: the table of MIL-STD-414 from lot size and level to code letter, so the letter is
given (it is not the letter of the attributes tables); its table of M, so M is computed from the printed k and can
differ from the printed M by what k was rounded by; its reduced inspection; the table cells that hold an arrow in place
of a plan; and the tables of ISO 3951-1.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from functools import lru_cache
from math import isqrt
from typing import Any, Final

import mpmath

from rules.lot_tables import Severity
from rules.rounding import shown
from rules.sentence import Figures, joined, said, template
from rules.statistics import mean, square_root, variance
from rules.verdict import Finding, Verdict
from rules.wording import PLACES, amount, as_written, counted, percent, with_unit
from schemas.units import Unit

Limit = Decimal | Fraction

_DIGITS: Final = 15
_WORK_DIGITS: Final = 30
_FACTOR_PLACES: Final = Decimal("1E-8")


@dataclass(frozen=True, slots=True)
class VariablesPlan:
    """A plan of the s method.

    Attributes:
        letter: Code letter, in the lettering of its own source.
        n: Pieces to be measured, one value each.
        k: Standard deviations that the mean lies inside a limit, at least.
        source: The publication and table.
        known: How well it is known here.
        spread: For two limits: s is at most this share of their distance. None: the estimated shares are added instead.
    """

    letter: str
    n: int
    k: Decimal
    source: str
    known: str
    spread: Decimal | None = None

    def __post_init__(self) -> None:
        """Raise a ValueError where the numbers are no plan."""
        if self.n < 3 or self.k <= 0 or (self.spread is not None and self.spread <= 0):
            raise ValueError(f"no plan of the s method has n = {self.n}, k = {self.k} and a spread of {self.spread}")


@dataclass(frozen=True, slots=True)
class Estimate:
    """Estimated shares nonconforming of the lot, of 1: below the lower and above the upper limit (0 without one)."""

    below: Decimal
    above: Decimal

    @property
    def total(self) -> Decimal:
        """Return both together."""
        return self.below + self.above


#: The columns of the k table: acceptable quality limits in percent nonconforming.
AQLS: Final = (Decimal("0.65"), Decimal("1.0"), Decimal("1.5"), Decimal("2.5"), Decimal("4.0"))


def _row(n: int, *k: str) -> tuple[int, tuple[Decimal | None, ...]]:
    """Return a row of the k table; the cells that are missing on its left are not held."""
    return n, (*(None,) * (len(AQLS) - len(k)), *map(Decimal, k))


#: By code letter: pieces to be measured, and k for each AQL; None where no value is held. Sources: see above.
K_TABLE: Final[dict[str, tuple[int, tuple[Decimal | None, ...]]]] = {
    "B": _row(3, "1.12", ".958"),
    "C": _row(4, "1.45", "1.34", "1.17", "1.01"),
    "D": _row(5, "1.65", "1.53", "1.40", "1.24", "1.07"),
    "E": _row(7, "1.75", "1.62", "1.50", "1.33", "1.15"),
    "F": _row(10, "1.84", "1.72", "1.58", "1.41", "1.23"),
    "G": _row(15, "1.91", "1.79", "1.65", "1.47", "1.30"),
    "H": _row(20, "1.96", "1.82", "1.69", "1.51", "1.33"),
    "I": _row(25, "1.98", "1.85", "1.72", "1.53", "1.35"),
    "J": _row(30, "2.00", "1.86", "1.73", "1.55", "1.36"),
    "K": _row(35, "2.03", "1.89", "1.76", "1.57", "1.39"),
    "L": _row(40, "2.03", "1.89", "1.76", "1.58", "1.39"),
    "M": _row(50, "2.08", "1.93", "1.80", "1.61", "1.42"),
}

#: Two limits, AQL 2.5, normal inspection. Number of pieces and letter: read in the sample text of OIML R 138, Annex
#: A.2, which goes by ISO 3951:1989. k and the factor of the spread: read in a regulation with the same form of test.
#: That they belong together was inferred; the factor is what follows from n and k, as far as k is rounded.
ISO_3951_J: Final = VariablesPlan(
    letter="J",
    n=35,
    k=Decimal("1.57"),
    source=said("ISO 3951:1989, s method, letter J, AQL 2.5, normal inspection, as OIML R 138 uses it"),
    known=said(
        "number of pieces and letter: read; k and the factor of the spread: read elsewhere, joined by inference"
    ),
    spread=Decimal("0.266"),
)

_SOURCES: Final = {
    Severity.NORMAL: template("MIL-STD-414, table B-1, letter {letter}, AQL {aql}, normal inspection"),
    Severity.TIGHTENED: template("MIL-STD-414, table B-1, letter {letter}, AQL {aql}, tightened inspection"),
}
_NOT_HELD: Final = {
    Severity.NORMAL: template("no plan is held for letter {letter}, AQL {aql}, normal inspection"),
    Severity.TIGHTENED: template("no plan is held for letter {letter}, AQL {aql}, tightened inspection"),
}
_KNOWN: Final = said("from memory; two values read, the others agree with each other")


def variables_plan(letter: str, aql: Decimal, severity: Severity = Severity.NORMAL) -> VariablesPlan:
    """Return the plan of MIL-STD-414, table B-1, for a code *letter* (its own) and an *aql* (percent).

    Tightened inspection reads the next smaller AQL.

    Raises:
        ValueError: There is no such letter or column, or that cell is not held here.
    """
    if letter not in K_TABLE:
        raise ValueError(
            said(
                "plans are held for the code letters {letters} of MIL-STD-414, not {letter}",
                letters=", ".join(K_TABLE),
                letter=repr(letter),
            )
        )
    if aql not in AQLS:
        held = joined([Figures(a) for a in AQLS], ", ")
        raise ValueError(said("plans are held for an AQL of {held} percent, not {aql}", held=held, aql=Figures(aql)))
    if severity is Severity.REDUCED:
        raise ValueError(said("no plans for reduced inspection are held here: the table was not read"))
    n, row = K_TABLE[letter]
    column = AQLS.index(aql) - (severity is Severity.TIGHTENED)
    k = row[column] if column >= 0 else None
    if k is None:
        raise ValueError(_NOT_HELD[severity](letter=letter, aql=Figures(aql)))
    return VariablesPlan(letter, n, k, _SOURCES[severity](letter=letter, aql=Figures(aql)), _KNOWN)


def judge_values(
    plan: VariablesPlan,
    values: Sequence[Decimal] | Sequence[Fraction],
    lower: Limit | None,
    upper: Limit | None,
    unit: Unit,
) -> list[Finding]:
    """Return what *values*, one for each piece measured, show about the lot; all in *unit*, that of the specification.

    For each limit: the mean lies at least k standard deviations inside it, compared exactly, without a square root.
    With two limits more is asked, since a lot may just meet both tests and then have twice the share nonconforming
    that is meant. Where the plan has a factor of the spread, s is at most that share of the distance of the limits.
    Else the estimated shares below and above are together at most the share that the plan allows at one limit.

    k belongs to its number of pieces: with fewer values or with more, the lot is UNDECIDED.

    Raises:
        ValueError: There is no limit, or the lower one is not below the upper.
    """
    if lower is None and upper is None:
        raise ValueError(said("a lot cannot be judged without a limit"))
    if lower is not None and upper is not None and not Fraction(lower) < Fraction(upper):
        raise ValueError(
            said(
                "a lower limit is below the upper one, not {lower} and {upper}",
                lower=Figures(lower),
                upper=Figures(upper),
            )
        )
    findings = [_measured(plan, len(values))]
    if len(values) != plan.n:
        return findings
    exact = [Fraction(value) for value in values]
    average, squared = mean(exact), variance(exact)
    if lower is not None:
        findings.append(_inside(plan, average, squared, lower, unit, low=True))
    if upper is not None:
        findings.append(_inside(plan, average, squared, upper, unit, low=False))
    if lower is not None and upper is not None:
        if plan.spread is not None:
            findings.append(_spread(plan.spread, squared, lower, upper, unit))
        else:
            findings.append(_both(plan, exact, lower, upper))
    return findings


def estimated_shares(
    values: Sequence[Decimal] | Sequence[Fraction], lower: Limit | None, upper: Limit | None
) -> Estimate:
    """Return the estimated shares nonconforming of the lot that *values* were taken from, to 15 digits.

    The minimum-variance unbiased estimate for a normal distribution: with Q = (U - mean)/s it is the probability that
    a beta variable with both parameters n/2 - 1 is at most 1/2 - Q·√n / (2(n - 1)), at least 0 and at most 1.
    Where all values are alike, all or nothing; on the limit conforms.

    Raises:
        ValueError: There are fewer than three values.
    """
    n = len(values)
    if n < 3:
        raise ValueError("a share nonconforming is estimated from at least three values")
    exact = [Fraction(value) for value in values]
    average, squared = mean(exact), variance(exact)
    return Estimate(
        below=Decimal(0) if lower is None else _beyond(n, average - Fraction(lower), squared),
        above=Decimal(0) if upper is None else _beyond(n, Fraction(upper) - average, squared),
    )


@lru_cache(maxsize=256)
def allowed_share(n: int, k: Decimal) -> Decimal:
    """Return the estimated share nonconforming (of 1) at which a plan of *n* pieces and *k* just accepts, to 15 digits.

    MIL-STD-414 calls it M and gives it in percent (from memory).
    """
    return _given(lambda: _estimate(n, mpmath.mpf(str(k))))


# The operating characteristic


@lru_cache(maxsize=1024)
def acceptance_by_values(n: int, k: Decimal | float, share: Decimal | float) -> Decimal:
    """Return how probably a lot with *share* nonconforming at its one limit is accepted by the s method.

    The probability that a non-central t variable with n - 1 degrees of freedom and non-centrality √n·K is at least
    √n·k, K being the normal quantile that *share* lies beyond; computed from its definition, to 15 digits.

    Raises:
        ValueError: *n* is below 2, or *share* is not between 0 and 1.
    """
    if n < 2:
        raise ValueError(f"a standard deviation needs at least two values, not {n}")
    if not 0 < share < 1:
        raise ValueError(f"a share here is between 0 and 1, not {share}")
    return _given(lambda: _acceptance(n, mpmath.mpf(str(k)), mpmath.mpf(str(share))))


@lru_cache(maxsize=256)
def tolerance_factor(n: int, content: Decimal | float, confidence: Decimal | float) -> Decimal:
    """Return the factor k of a one-sided tolerance limit: mean + k·s is, with *confidence*, above *content* of the lot.

    It is the k with which a lot that has just 1 - *content* beyond its limit is accepted with a probability of
    1 - *confidence*. To 8 decimals.

    Raises:
        ValueError: *n* is below 2, or a probability is not between 0 and 1.
    """
    if n < 2:
        raise ValueError(f"a standard deviation needs at least two values, not {n}")
    for probability in (content, confidence):
        if not 0 < probability < 1:
            raise ValueError(f"a probability here is between 0 and 1, not {probability}")

    def find() -> Any:
        share, risk = 1 - mpmath.mpf(str(content)), 1 - mpmath.mpf(str(confidence))

        # Accepted ever less often as k rises.
        def above(k: Any) -> Any:
            return _acceptance(n, k, share) - risk

        low, high = mpmath.mpf(-1), mpmath.mpf(1)
        while above(high) > 0:
            low, high = high, 2 * high
        while above(low) < 0:
            low, high = 2 * low, low
        return _crossing(above, low, high)

    return _given(find, work=20).quantize(_FACTOR_PLACES)


# What was compared


_AS_MANY: Final = template("{pieces} measured, as many as the {n} of the plan")
_FEWER: Final = template(
    "{pieces} measured, fewer than the {n} of the plan; k {k} belongs to {n} pieces, so nothing is shown"
)
_MORE: Final = template(
    "{pieces} measured, more than the {n} of the plan; k {k} belongs to {n} pieces, so nothing is shown"
)


def _measured(plan: VariablesPlan, measured: int) -> Finding:
    words = _AS_MANY if measured == plan.n else _FEWER if measured < plan.n else _MORE
    sentence = words(pieces=counted(measured, "piece"), n=plan.n, k=Figures(plan.k))
    return Finding(
        Verdict.PASS if measured == plan.n else Verdict.UNDECIDED,
        "pieces measured",
        sentence,
        found=Fraction(measured),
        limit=Decimal(plan.n),
    )


#: By whether the limit is a lower one, and whether the mean lies far enough inside it.
_INSIDE: Final = {
    (True, True): template(
        "mean {mean} less {k} times the standard deviation {s} is {found}, within the lower limit {limit}"
    ),
    (True, False): template(
        "mean {mean} less {k} times the standard deviation {s} is {found}, outside the lower limit {limit}"
    ),
    (False, True): template(
        "mean {mean} plus {k} times the standard deviation {s} is {found}, within the upper limit {limit}"
    ),
    (False, False): template(
        "mean {mean} plus {k} times the standard deviation {s} is {found}, outside the upper limit {limit}"
    ),
}


def _inside(
    plan: VariablesPlan, average: Fraction, squared: Fraction, limit: Limit, unit: Unit, *, low: bool
) -> Finding:
    k = Fraction(plan.k)
    distance = average - Fraction(limit) if low else Fraction(limit) - average
    # distance >= k·s, and k is above zero.
    good = distance >= 0 and distance * distance >= k * k * squared
    s = _root(squared)
    found = average - k * s if low else average + k * s
    check = f"mean {'less' if low else 'plus'} k standard deviations"
    sentence = _INSIDE[low, good](
        mean=with_unit(amount(average, unit), unit),
        k=Figures(plan.k),
        s=with_unit(_finely(s, unit), unit),
        found=with_unit(amount(found, unit, limit), unit),
        limit=with_unit(as_written(limit), unit),
    )
    return Finding(Verdict.PASS if good else Verdict.FAIL, check, sentence, found=found, limit=limit)


_SPREAD_WITHIN: Final = template("standard deviation {s} is within {factor} of the distance of the limits, {most}")
_SPREAD_ABOVE: Final = template("standard deviation {s} is above {factor} of the distance of the limits, {most}")


def _spread(factor: Decimal, squared: Fraction, lower: Limit, upper: Limit, unit: Unit) -> Finding:
    most = Fraction(factor) * (Fraction(upper) - Fraction(lower))
    good = squared <= most * most
    s = _root(squared)
    return Finding(
        Verdict.PASS if good else Verdict.FAIL,
        "standard deviation",
        (_SPREAD_WITHIN if good else _SPREAD_ABOVE)(
            s=with_unit(amount(s, unit, most), unit),
            factor=Figures(factor),
            most=with_unit(as_written(most), unit),
        ),
        found=s,
        limit=most,
    )


_SHARES_WITHIN: Final = template(
    "estimated {below} below the lower and {above} above the upper limit, together {total}, within the {most} that the "
    "plan allows"
)
_SHARES_ABOVE: Final = template(
    "estimated {below} below the lower and {above} above the upper limit, together {total}, above the {most} that the "
    "plan allows"
)


def _both(plan: VariablesPlan, values: Sequence[Fraction], lower: Limit, upper: Limit) -> Finding:
    estimate, most = estimated_shares(values, lower, upper), allowed_share(plan.n, plan.k)
    good = estimate.total <= most
    return Finding(
        Verdict.PASS if good else Verdict.FAIL,
        "estimated share nonconforming",
        (_SHARES_WITHIN if good else _SHARES_ABOVE)(
            below=_percent(estimate.below),
            above=_percent(estimate.above),
            total=_percent(estimate.total),
            most=_percent(most),
        ),
        found=Fraction(estimate.total),
        limit=most,
    )


def _finely(s: Fraction, unit: Unit) -> str:
    """Return a standard deviation with two places more than a thickness: it is multiplied before it is compared."""
    return Figures(f"{shown(s, PLACES[unit] + 2):f}")


def _percent(share: Decimal) -> str:
    return percent(Figures(f"{share * 100:.2f}"))


def _root(squared: Fraction) -> Fraction:
    """Return the square root, exactly where it is a fraction and else to 34 digits: for print and evidence only."""
    above, below = squared.as_integer_ratio()
    if isqrt(above) ** 2 == above and isqrt(below) ** 2 == below:
        return Fraction(isqrt(above), isqrt(below))
    return Fraction(square_root(squared))


def _beyond(n: int, distance: Fraction, squared: Fraction) -> Decimal:
    """Return the estimated share beyond a limit that lies *distance* outside the mean (negative: inside it)."""
    if squared == 0:
        return Decimal(0) if distance >= 0 else Decimal(1)

    def compute() -> Any:
        q = mpmath.mpf(distance.numerator) / distance.denominator
        return _estimate(n, q / mpmath.sqrt(mpmath.mpf(squared.numerator) / squared.denominator))

    return _given(compute)


def _estimate(n: int, q: Any) -> Any:
    x = mpmath.mpf("0.5") - q * mpmath.sqrt(n) / (2 * (n - 1))
    if x <= 0 or x >= 1:
        return mpmath.mpf(0 if x <= 0 else 1)
    half = mpmath.mpf(n) / 2 - 1
    return mpmath.betainc(half, half, 0, x, regularized=True)


def _acceptance(n: int, k: Any, share: Any) -> Any:
    """Integrate over s/sigma = w: accepted where a standard normal is at most √n·(K - k·w)."""
    nu, root = mpmath.mpf(n - 1), mpmath.sqrt(n)
    quantile = mpmath.sqrt(2) * mpmath.erfinv(1 - 2 * share)
    scale = mpmath.log(2) + nu / 2 * mpmath.log(nu / 2) - mpmath.loggamma(nu / 2)

    def density(w: Any) -> Any:
        if w == 0:
            return mpmath.mpf(0) if n > 2 else mpmath.exp(scale)
        return mpmath.exp(scale + (nu - 1) * mpmath.log(w) - nu * w * w / 2)

    # The density is narrow about 1; the pieces are a few of its own widths.
    width = 1 / mpmath.sqrt(2 * nu)
    inner = [w for w in (1 + width * j for j in (-8, -4, -2, 0, 2, 4, 8, 16)) if w > 0]
    return mpmath.quad(
        lambda w: density(w) * mpmath.ncdf(root * (quantile - k * w)), [mpmath.mpf(0), *inner, 1 + 40 * width]
    )


def _crossing(falling: Callable[[Any], Any], low: Any, high: Any) -> Any:
    """Return where *falling* crosses zero between *low* and *high*: false position, halving an end that stays put."""
    at_low, at_high = falling(low), falling(high)
    stayed = 0
    while True:
        middle = (low * at_high - high * at_low) / (at_high - at_low)
        found = falling(middle)
        if abs(found) < mpmath.mpf(10) ** -15 or high - low < mpmath.mpf(10) ** -13:
            return middle
        if found > 0:
            low, at_low = middle, found
            at_high = at_high / 2 if stayed > 0 else at_high
            stayed = 1
        else:
            high, at_high = middle, found
            at_low = at_low / 2 if stayed < 0 else at_low
            stayed = -1


def _given(compute: Callable[[], Any], work: int = _WORK_DIGITS) -> Decimal:
    with mpmath.workdps(work):
        return Decimal(mpmath.nstr(compute(), _DIGITS, strip_zeros=False))

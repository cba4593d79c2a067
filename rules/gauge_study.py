"""A study of a gauge and of the hands that use it: several operators measure the same parts several times.

How much of the variation is the gauge (repeatability), how much the operators (reproducibility), how much the parts?
Two methods answer, and they answer a little differently; both answers are right, each by its own rule:

* average and range: for pencil and paper, without an interaction of operator and part;
* analysis of variance: with the interaction, or with the interaction pooled into the repeatability.

Every operator measures every part equally often. All values are in one unit; variances are in that unit squared and
exact, whatever is a root or comes from a distribution is a Decimal. Nothing is accepted or rejected here.

What is known:

* Both methods are those of AIAG, Measurement Systems Analysis, 4th edition: from memory. The data of its study were
  read in public copies; the results of average and range were read and recomputed, those of the analysis of
  variance derived from the data.
* d2 and d3, the mean and standard deviation of the range of a normal sample: read in textbook appendices, recomputed
  from their definitions. The factors K1, K2 and K3 are 1/d2*, rounded to four decimals as the manual prints them;
  d2* = √(d2² + d3²/g) for g ranges: from memory, it gives every printed factor.
* Number of distinct categories: 1.41 times the parts over the gauge, truncated; 1.41 and not √2, as printed.
* Pooling where the interaction has p above 0.25: a cautious level for a preliminary test, common practice, no source.
  Both analyses are returned, so that another choice can be made.
* A variance that comes out below zero is taken as 0, and the row keeps what came out: common practice, no source.

Not here: shares of a tolerance, since practice differs in how many deviations the gauge is given, and intervals.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Context, Decimal
from enum import StrEnum
from fractions import Fraction
from math import isqrt
from typing import Final

from rules.distributions import f_survival
from rules.rounding import shown
from rules.statistics import ROOT_DIGITS, mean, square_root

#: What each operator read on each part: operator, part, the readings of that part in the order taken.
Study = Mapping[str, Mapping[str, Sequence[Decimal] | Sequence[Fraction]]]

#: Mean of the range of a normal sample of 2 to 10, in standard deviations. Source: see above.
D2: Final[Mapping[int, Decimal]] = {
    2: Decimal("1.128379"),
    3: Decimal("1.692569"),
    4: Decimal("2.058751"),
    5: Decimal("2.325929"),
    6: Decimal("2.534413"),
    7: Decimal("2.704357"),
    8: Decimal("2.847201"),
    9: Decimal("2.970026"),
    10: Decimal("3.077505"),
}
#: Standard deviation of that range, in standard deviations. Source: see above.
D3: Final[Mapping[int, Decimal]] = {
    2: Decimal("0.852502"),
    3: Decimal("0.888368"),
    4: Decimal("0.879808"),
    5: Decimal("0.864082"),
    6: Decimal("0.848040"),
    7: Decimal("0.833205"),
    8: Decimal("0.819831"),
    9: Decimal("0.807834"),
    10: Decimal("0.797051"),
}
#: From more ranges than this on, d2 is taken for d2* (AIAG, note to K1: from memory).
MANY_RANGES: Final = 15
#: The level at which the interaction is pooled, where nothing else is agreed. Source: see above.
POOLING_LEVEL: Final = Decimal("0.25")
#: What the ratio of parts to gauge is multiplied by for the number of distinct categories.
CATEGORY_FACTOR: Final = Decimal("1.41")

_FACTOR_PLACES: Final = 4
_RESULT: Final = Context(prec=ROOT_DIGITS, rounding=ROUND_HALF_EVEN)


class Source(StrEnum):
    """Where variation comes from."""

    REPEATABILITY = "repeatability"
    OPERATOR = "operator"
    INTERACTION = "operator by part"
    REPRODUCIBILITY = "reproducibility"
    GAUGE = "repeatability and reproducibility"
    PART = "part"
    TOTAL = "total"


@dataclass(frozen=True, slots=True)
class Contribution:
    """What one source contributes.

    Attributes:
        source: The source.
        estimate: Its variance as it comes out, perhaps below zero; of a sum of sources, the sum of their variances.
        variance: The estimate, or 0 where that is below zero.
        deviation: Its standard deviation, in the unit of the readings.
        percent_contribution: The variance in percent of the total variance; the sources add up to 100. None where
            nothing varies.
        percent_variation: The deviation in percent of the total deviation; these do not add up. None where nothing
            varies.
    """

    source: Source
    estimate: Fraction
    variance: Fraction
    deviation: Decimal
    percent_contribution: Decimal | None
    percent_variation: Decimal | None

    @property
    def below_zero(self) -> bool:
        """Return whether the estimate came out below zero, so that the variance is 0 in its place."""
        return self.estimate < 0


@dataclass(frozen=True, slots=True)
class Contributions:
    """The contributions of one analysis, and how many groups of parts the gauge can tell apart.

    Attributes:
        rows: One for each source.
        category_ratio: 1.41 times the deviation of the parts over that of the gauge; None where the gauge has none.
        categories: That ratio, truncated: the number of distinct categories. None where the gauge has no deviation.
    """

    rows: tuple[Contribution, ...]
    category_ratio: Decimal | None
    categories: int | None

    def of(self, source: Source) -> Contribution:
        """Return the contribution of *source*.

        Raises:
            KeyError: This analysis does not tell it apart.
        """
        for row in self.rows:
            if row.source is source:
                return row
        raise KeyError(source)


# Average and range


@dataclass(frozen=True, slots=True)
class OperatorSummary:
    """One operator's mean of all readings and mean of the ranges of the parts, exact."""

    operator: str
    mean: Fraction
    mean_range: Fraction


@dataclass(frozen=True, slots=True)
class RangeStudy:
    """A study by average and range, all in the unit of the readings.

    Attributes:
        operators: What was found of each operator, in the order given.
        mean_range: Mean of the operators' mean ranges.
        operator_difference: Highest less lowest mean of an operator.
        part_range: Highest less lowest mean of a part.
        trial_factor: K1, for the number of trials.
        operator_factor: K2, for the number of operators.
        part_factor: K3, for the number of parts.
        contributions: Repeatability (EV), reproducibility (AV), both (GRR), parts (PV), total (TV).
    """

    operators: tuple[OperatorSummary, ...]
    mean_range: Fraction
    operator_difference: Fraction
    part_range: Fraction
    trial_factor: Decimal
    operator_factor: Decimal
    part_factor: Decimal
    contributions: Contributions


def range_divisor(size: int, ranges: int) -> Decimal:
    """Return d2*, which the mean of *ranges* ranges of samples of *size* is divided by for a standard deviation.

    For more than 15 ranges it is d2.

    Raises:
        ValueError: No constants are held for this *size*, or there is no range.
    """
    if size not in D2:
        raise ValueError(f"constants of the range are held for {min(D2)} to {max(D2)} values, not {size}")
    if ranges < 1:
        raise ValueError(f"the mean of ranges needs at least one range, not {ranges}")
    if ranges > MANY_RANGES:
        return D2[size]
    return square_root(Fraction(D2[size]) ** 2 + Fraction(D3[size]) ** 2 / ranges)


def range_factor(size: int, ranges: int) -> Decimal:
    """Return 1/d2*, rounded to four decimals: what the mean of *ranges* ranges is multiplied by.

    K1 for the ranges of the trials, one for each part and operator; K2 for the one range of the operators' means; K3
    for the one range of the parts' means.

    Raises:
        ValueError: As :func:`range_divisor`.
    """
    return shown(1 / Fraction(range_divisor(size, ranges)), _FACTOR_PLACES)


def average_and_range(study: Study) -> RangeStudy:
    """Return what *study* shows by average and range.

    The reproducibility is freed of the part of the repeatability that is left in the operators' means.

    Raises:
        ValueError: There are fewer than two operators, parts or trials, or more than ten; an operator lacks a part,
            or a part was not measured equally often.
    """
    operators, parts, trials = _layout(study)
    for count, name in ((len(operators), "operators"), (len(parts), "parts"), (trials, "trials")):
        if count > max(D2):
            raise ValueError(f"average and range holds constants for up to {max(D2)} {name}, not {count}")
    summaries = tuple(
        OperatorSummary(
            operator,
            mean([Fraction(x) for part in parts for x in study[operator][part]]),
            mean([_range([Fraction(x) for x in study[operator][part]]) for part in parts]),
        )
        for operator in operators
    )
    mean_range = mean([summary.mean_range for summary in summaries])
    difference = _range([summary.mean for summary in summaries])
    part_range = _range([mean([Fraction(x) for o in operators for x in study[o][part]]) for part in parts])
    k1 = range_factor(trials, len(parts) * len(operators))
    k2, k3 = range_factor(len(operators), 1), range_factor(len(parts), 1)
    repeatability = (mean_range * Fraction(k1)) ** 2
    reproducibility = (difference * Fraction(k2)) ** 2 - repeatability / (len(parts) * trials)
    return RangeStudy(
        operators=summaries,
        mean_range=mean_range,
        operator_difference=difference,
        part_range=part_range,
        trial_factor=k1,
        operator_factor=k2,
        part_factor=k3,
        contributions=_contributions(
            repeatability, {Source.REPRODUCIBILITY: reproducibility}, (part_range * Fraction(k3)) ** 2
        ),
    )


# Analysis of variance


@dataclass(frozen=True, slots=True)
class AnalysisRow:
    """One row of an analysis of variance.

    Attributes:
        source: Where the variation comes from.
        degrees: Degrees of freedom.
        sum_of_squares: Exact, in the unit squared.
        mean_square: The sum of squares over the degrees, exact.
        against: The source that the mean square is compared with; None for the last one.
        ratio: F, the mean square over that of *against*, exact; None without one, or where that is 0.
        probability: How often F is above the ratio where the source adds nothing (p), to 15 digits. 0 where the
            mean square of *against* is 0 and this one is not, None where both are.
    """

    source: Source
    degrees: int
    sum_of_squares: Fraction
    mean_square: Fraction
    against: Source | None
    ratio: Fraction | None
    probability: Decimal | None


@dataclass(frozen=True, slots=True)
class Analysis:
    """One analysis of variance: its table and what follows from it."""

    table: tuple[AnalysisRow, ...]
    contributions: Contributions

    def row(self, source: Source) -> AnalysisRow:
        """Return the row of *source*.

        Raises:
            KeyError: The table has none.
        """
        for row in self.table:
            if row.source is source:
                return row
        raise KeyError(source)


@dataclass(frozen=True, slots=True)
class VarianceStudy:
    """A study by analysis of variance, operators and parts both taken as random samples.

    Attributes:
        with_interaction: The interaction of operator and part apart; it belongs to the reproducibility.
        pooled: The interaction taken together with the repeatability.
        level: The level that decides between the two.
        is_pooled: Whether the interaction has a probability above that level.
        sum_of_squares: Of all readings about their mean: the sum of those of the rows, exactly.
    """

    with_interaction: Analysis
    pooled: Analysis
    level: Decimal
    is_pooled: bool
    sum_of_squares: Fraction

    @property
    def chosen(self) -> Analysis:
        """Return the analysis that the level decides for."""
        return self.pooled if self.is_pooled else self.with_interaction


def variance_study(study: Study, level: Decimal = POOLING_LEVEL) -> VarianceStudy:
    """Return what *study* shows by analysis of variance; the interaction is pooled where its p is above *level*.

    Raises:
        ValueError: There are fewer than two operators, parts or trials; an operator lacks a part, or a part was not
            measured equally often; or *level* is not between 0 and 1.
    """
    if not 0 < level < 1:
        raise ValueError(f"a level of significance is between 0 and 1, not {level}")
    operators, parts, trials = _layout(study)
    o, p, n = len(operators), len(parts), trials
    readings = [Fraction(x) for operator in operators for part in parts for x in study[operator][part]]
    cells = [sum((Fraction(x) for x in study[operator][part]), Fraction(0)) for operator in operators for part in parts]
    by_operator = [sum(cells[at * p : (at + 1) * p], Fraction(0)) for at in range(o)]
    by_part = [sum(cells[at::p], Fraction(0)) for at in range(p)]
    correction = sum(cells, Fraction(0)) ** 2 / (o * p * n)
    of_parts = _squares(by_part) / (o * n) - correction
    of_operators = _squares(by_operator) / (p * n) - correction
    between_cells = _squares(cells) / n
    interaction = between_cells - correction - of_parts - of_operators
    within = _squares(readings) - between_cells
    df_interaction, df_within = (o - 1) * (p - 1), o * p * (n - 1)

    def analysis(residual: Fraction, df_residual: int, *, pooled: bool) -> Analysis:
        last = _row(Source.REPEATABILITY, df_residual, residual)
        between = last if pooled else _row(Source.INTERACTION, df_interaction, interaction, last)
        part_row = _row(Source.PART, p - 1, of_parts, between)
        operator_row = _row(Source.OPERATOR, o - 1, of_operators, between)
        # Expected mean squares of the crossed random model: each source adds its variance times the readings a member.
        added = {Source.OPERATOR: (operator_row.mean_square - between.mean_square) / (p * n)}
        if not pooled:
            added[Source.INTERACTION] = (between.mean_square - last.mean_square) / n
        of_part = (part_row.mean_square - between.mean_square) / (o * n)
        table = (part_row, operator_row, last) if pooled else (part_row, operator_row, between, last)
        return Analysis(table, _contributions(last.mean_square, added, of_part))

    full = analysis(within, df_within, pooled=False)
    probability = full.row(Source.INTERACTION).probability
    return VarianceStudy(
        with_interaction=full,
        pooled=analysis(within + interaction, df_within + df_interaction, pooled=True),
        level=level,
        is_pooled=probability is not None and probability > level,
        sum_of_squares=_squares(readings) - correction,
    )


def _layout(study: Study) -> tuple[tuple[str, ...], tuple[str, ...], int]:
    """Return operators, parts and the number of trials of a study that is complete."""
    operators = tuple(study)
    if len(operators) < 2:
        raise ValueError(f"a study of reproducibility needs at least two operators, not {len(operators)}")
    parts = tuple(study[operators[0]])
    if len(parts) < 2:
        raise ValueError(f"a study of a gauge needs at least two parts, not {len(parts)}")
    trials = len(study[operators[0]][parts[0]])
    if trials < 2:
        raise ValueError(f"a study of repeatability needs at least two trials, not {trials}")
    for operator in operators:
        if set(study[operator]) != set(parts):
            odd = sorted(set(study[operator]) ^ set(parts))
            raise ValueError(f"{operators[0]} and {operator} did not measure the same parts: {', '.join(odd)}")
        for part in parts:
            if len(study[operator][part]) != trials:
                raise ValueError(
                    f"{operator} measured part {part} {len(study[operator][part])} times, and not {trials} times "
                    "as the first part was: a study is complete"
                )
    return operators, parts, trials


def _contributions(repeatability: Fraction, added: Mapping[Source, Fraction], part: Fraction) -> Contributions:
    """Return the rows for these estimates; *added* are those that make up the reproducibility."""
    estimates: list[tuple[Source, Fraction]] = [(Source.REPEATABILITY, repeatability), *added.items()]
    reproducibility = _above_zero(added.values())
    if Source.REPRODUCIBILITY not in added:
        estimates.append((Source.REPRODUCIBILITY, reproducibility))
    gauge = repeatability + reproducibility
    total = gauge + max(part, Fraction(0))
    estimates += [(Source.GAUGE, gauge), (Source.PART, part), (Source.TOTAL, total)]
    squared = Fraction(CATEGORY_FACTOR) ** 2 * max(part, Fraction(0)) / gauge if gauge else None
    return Contributions(
        rows=tuple(_contribution(source, estimate, total) for source, estimate in estimates),
        category_ratio=None if squared is None else square_root(squared),
        # Truncated from the square, so that no digit of a root decides.
        categories=None if squared is None else isqrt(int(squared)),
    )


def _contribution(source: Source, estimate: Fraction, total: Fraction) -> Contribution:
    variance = max(estimate, Fraction(0))
    return Contribution(
        source=source,
        estimate=estimate,
        variance=variance,
        deviation=square_root(variance),
        percent_contribution=_decimal(100 * variance / total) if total else None,
        percent_variation=square_root(10_000 * variance / total) if total else None,
    )


def _row(source: Source, degrees: int, squares: Fraction, against: AnalysisRow | None = None) -> AnalysisRow:
    mean_square = squares / degrees
    ratio: Fraction | None = None
    probability: Decimal | None = None
    if against is not None and against.mean_square:
        ratio = mean_square / against.mean_square
        probability = f_survival(_decimal(ratio), degrees, against.degrees)
    elif against is not None and mean_square:
        probability = Decimal(0)
    return AnalysisRow(
        source, degrees, squares, mean_square, None if against is None else against.source, ratio, probability
    )


def _above_zero(variances: Iterable[Fraction]) -> Fraction:
    return sum((max(variance, Fraction(0)) for variance in variances), Fraction(0))


def _squares(values: Iterable[Fraction]) -> Fraction:
    return sum((value * value for value in values), Fraction(0))


def _range(values: Sequence[Fraction]) -> Fraction:
    return max(values) - min(values)


def _decimal(value: Fraction) -> Decimal:
    """Return *value* to 34 significant digits, whatever the caller's context."""
    return _RESULT.divide(Decimal(value.numerator), Decimal(value.denominator))

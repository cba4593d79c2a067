"""A small gauge study worked by hand, every figure of it; and what is refused, in words."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import pytest

from rules.gauge_study import (
    D2,
    D3,
    Analysis,
    AnalysisRow,
    Contribution,
    OperatorSummary,
    Source,
    average_and_range,
    range_divisor,
    range_factor,
    variance_study,
)
from rules.statistics import square_root

#: Both operators read the parts alike: no operator, no interaction. Cells (1, 3) and (5, 7), so means 2 and 6.
ALIKE = {name: {"p": [Decimal(1), Decimal(3)], "q": [Decimal(5), Decimal(7)]} for name in ("Ada", "Ben")}
#: Cells 1, 3 and 5, 7 of Ada, 3, 5 and 11, 13 of Ben: means 2, 6, 4 and 12.
APART = {
    "Ada": {"p": [Decimal(1), Decimal(3)], "q": [Decimal(5), Decimal(7)]},
    "Ben": {"p": [Decimal(3), Decimal(5)], "q": [Decimal(11), Decimal(13)]},
}
#: No spread within a cell.
STILL = {
    "Ada": {"p": [Decimal(1)] * 2, "q": [Decimal(5)] * 2},
    "Ben": {"p": [Decimal(1)] * 2, "q": [Decimal(5)] * 2},
}


def _row(found: Contribution) -> tuple[Fraction, Fraction, Decimal, Decimal | None, Decimal | None]:
    return found.estimate, found.variance, found.deviation, found.percent_contribution, found.percent_variation


def _root(number: int | Fraction) -> Decimal:
    return square_root(Fraction(number))


def test_every_row_of_the_contributions_of_a_study_without_operators() -> None:
    """MS: within 2, interaction and operators 0, parts 32. Variances: 2, (0 - 2)/2, 0, (32 - 0)/4; together 10."""
    found = variance_study(ALIKE).with_interaction.contributions
    assert [row.source for row in found.rows] == [
        Source.REPEATABILITY,
        Source.OPERATOR,
        Source.INTERACTION,
        Source.REPRODUCIBILITY,
        Source.GAUGE,
        Source.PART,
        Source.TOTAL,
    ]
    nothing = (Decimal(0), Decimal(0), Decimal(0))
    assert [_row(row) for row in found.rows] == [
        (2, 2, _root(2), 20, _root(2000)),
        (0, 0, *nothing),
        (-1, 0, *nothing),
        (0, 0, *nothing),
        (2, 2, _root(2), 20, _root(2000)),
        (8, 8, _root(8), 80, _root(8000)),
        (10, 10, _root(10), 100, 100),
    ]
    assert [row.below_zero for row in found.rows] == [False, False, True, False, False, False, False]
    # 1.41 · √(8/2) is 2.82.
    assert (found.category_ratio, found.categories) == (Decimal("2.82"), 2)


def test_every_row_of_the_table_of_a_study_with_an_interaction() -> None:
    """Means 2, 6, 4, 12 about 6: Ada 4, Ben 8; p 3, q 9. SS: operators 32, parts 72, interaction 8, within 8."""
    study = variance_study(APART, Decimal("0.1"))
    assert (study.level, study.sum_of_squares) == (Decimal("0.1"), 120)
    part, operator, interaction, within = study.with_interaction.table
    assert within == AnalysisRow(Source.REPEATABILITY, 4, Fraction(8), Fraction(2), None, None, None)
    assert (interaction.source, interaction.degrees, interaction.sum_of_squares) == (Source.INTERACTION, 1, 8)
    assert (interaction.against, interaction.ratio) == (Source.REPEATABILITY, 4)
    assert (operator.source, operator.degrees, operator.mean_square) == (Source.OPERATOR, 1, 32)
    assert (operator.against, operator.ratio) == (Source.INTERACTION, 4)
    assert (part.source, part.degrees, part.mean_square) == (Source.PART, 1, 72)
    assert (part.against, part.ratio) == (Source.INTERACTION, 9)
    # F with 1 and 1 degrees above 9: 1 - 2/π·arctan 3 = 0.2048328.
    assert part.probability == pytest.approx(Decimal("0.204832764699133"), abs=Decimal("1e-12"))
    rows = study.with_interaction.contributions
    # 2; (32 - 8)/4; (8 - 2)/2; both; all of these; (72 - 8)/4; together.
    assert [row.estimate for row in rows.rows] == [2, 6, 3, 9, 11, 16, 27]


def test_pooled_the_interaction_belongs_to_the_repeatability() -> None:
    """Within and interaction: SS 16 with 5 degrees."""
    study = variance_study(APART)
    part, operator, last = study.pooled.table
    assert (last.source, last.degrees, last.mean_square, last.against) == (
        Source.REPEATABILITY,
        5,
        Fraction(16, 5),
        None,
    )
    assert {part.against, operator.against} == {Source.REPEATABILITY}
    assert [row.source for row in study.pooled.contributions.rows][:3] == [
        Source.REPEATABILITY,
        Source.OPERATOR,
        Source.REPRODUCIBILITY,
    ]
    # F(1, 4) above 4 is 0.1161: pooled above 0.1 and not above 0.25.
    assert not study.is_pooled
    assert study.chosen is study.with_interaction
    strict = variance_study(APART, Decimal("0.1"))
    assert strict.is_pooled
    assert strict.chosen is strict.pooled


def test_a_gauge_without_deviation_has_no_ratio_and_no_categories() -> None:
    study = variance_study(STILL)
    part, operator, interaction, _ = study.with_interaction.table
    assert (part.ratio, part.probability) == (None, 0)
    assert (operator.ratio, operator.probability) == (None, None)
    assert (interaction.ratio, interaction.probability, study.is_pooled) == (None, None, False)
    found = study.with_interaction.contributions
    assert (found.category_ratio, found.categories) == (None, None)
    assert found.of(Source.PART).percent_contribution == 100


def test_where_nothing_varies_there_are_no_percents() -> None:
    study = {name: {part: [Decimal(3)] * 2 for part in "pq"} for name in ("Ada", "Ben")}
    for row in variance_study(study).with_interaction.contributions.rows:
        assert _row(row) == (0, 0, 0, None, None)


def test_what_an_analysis_does_not_tell_apart_is_said() -> None:
    study = variance_study(ALIKE)
    for ask in (study.pooled.contributions.of, study.pooled.row):
        with pytest.raises(KeyError) as wrong:
            ask(Source.INTERACTION)
        assert wrong.value.args == (Source.INTERACTION,)
    assert isinstance(study.pooled, Analysis)


def test_average_and_range_worked_by_hand() -> None:
    """Ranges are 2 in every cell; the operators' means are 4 and 8, the parts' 3 and 9. For 2: 1/d2* is 0.7071."""
    found = average_and_range(APART)
    assert found.operators == (
        OperatorSummary("Ada", Fraction(4), Fraction(2)),
        OperatorSummary("Ben", Fraction(8), Fraction(2)),
    )
    assert (found.mean_range, found.operator_difference, found.part_range) == (2, 4, 6)
    k = Decimal("0.7071")
    assert (found.operator_factor, found.part_factor) == (k, k)
    assert found.trial_factor == range_factor(2, 4)
    repeatability = (2 * Fraction(found.trial_factor)) ** 2
    rows = found.contributions
    assert rows.of(Source.REPEATABILITY).estimate == repeatability
    assert rows.of(Source.REPRODUCIBILITY).estimate == (4 * Fraction(k)) ** 2 - repeatability / 4
    assert rows.of(Source.PART).estimate == (6 * Fraction(k)) ** 2
    assert [row.source for row in rows.rows] == [
        Source.REPEATABILITY,
        Source.REPRODUCIBILITY,
        Source.GAUGE,
        Source.PART,
        Source.TOTAL,
    ]


def test_from_more_than_fifteen_ranges_on_d2_is_taken() -> None:
    assert range_divisor(2, 16) == D2[2]
    fifteen = square_root(Fraction(D2[2]) ** 2 + Fraction(D3[2]) ** 2 / 15)
    assert range_divisor(2, 15) == fifteen > D2[2]
    assert range_divisor(2, 1) == square_root(Fraction(D2[2]) ** 2 + Fraction(D3[2]) ** 2)


@pytest.mark.parametrize(
    ("size", "ranges", "sentence"),
    [
        pytest.param(1, 1, "constants of the range are held for 2 to 10 values, not 1", id="one value"),
        pytest.param(11, 1, "constants of the range are held for 2 to 10 values, not 11", id="eleven values"),
        pytest.param(2, 0, "the mean of ranges needs at least one range, not 0", id="no range"),
    ],
)
def test_a_divisor_that_is_not_held_is_refused_in_words(size: int, ranges: int, sentence: str) -> None:
    with pytest.raises(ValueError, match=f"^{sentence}$"):
        range_divisor(size, ranges)


def _study(operators: int, parts: int, trials: int) -> dict[str, dict[str, list[Decimal]]]:
    return {
        f"operator {o}": {f"part {p}": [Decimal(o + p + n) for n in range(trials)] for p in range(parts)}
        for o in range(operators)
    }


@pytest.mark.parametrize(
    ("counts", "sentence"),
    [
        pytest.param((11, 2, 2), "average and range holds constants for up to 10 operators, not 11", id="operators"),
        pytest.param((2, 11, 2), "average and range holds constants for up to 10 parts, not 11", id="parts"),
        pytest.param((2, 2, 11), "average and range holds constants for up to 10 trials, not 11", id="trials"),
    ],
)
def test_average_and_range_ends_at_ten(counts: tuple[int, int, int], sentence: str) -> None:
    with pytest.raises(ValueError, match=f"^{sentence}$"):
        average_and_range(_study(*counts))
    assert variance_study(_study(*counts)).sum_of_squares > 0
    assert average_and_range(_study(*(min(count, 10) for count in counts))).mean_range > 0


@pytest.mark.parametrize(
    ("counts", "sentence"),
    [
        pytest.param((1, 2, 2), "a study of reproducibility needs at least two operators, not 1", id="one operator"),
        pytest.param((2, 1, 2), "a study of a gauge needs at least two parts, not 1", id="one part"),
        pytest.param((2, 2, 1), "a study of repeatability needs at least two trials, not 1", id="one trial"),
    ],
)
def test_a_study_of_too_little_is_refused_in_words(counts: tuple[int, int, int], sentence: str) -> None:
    with pytest.raises(ValueError, match=f"^{sentence}$"):
        variance_study(_study(*counts))
    with pytest.raises(ValueError, match=f"^{sentence}$"):
        average_and_range(_study(*counts))


def test_a_study_that_is_not_complete_is_refused_in_words() -> None:
    other_parts = _study(2, 3, 2)
    other_parts["operator 1"]["part 9"] = other_parts["operator 1"].pop("part 2")
    with pytest.raises(ValueError, match=r"^operator 0 and operator 1 did not measure the same parts: part 2, part 9$"):
        variance_study(other_parts)
    too_few = _study(2, 2, 3)
    too_few["operator 1"]["part 1"].pop()
    with pytest.raises(
        ValueError,
        match=r"^operator 1 measured part part 1 2 times, and not 3 times as the first part was: a study is complete$",
    ):
        variance_study(too_few)


@pytest.mark.parametrize("level", ["0", "1"])
def test_a_level_that_is_none_is_refused_in_words(level: str) -> None:
    with pytest.raises(ValueError, match=f"^a level of significance is between 0 and 1, not {level}$"):
        variance_study(ALIKE, Decimal(level))

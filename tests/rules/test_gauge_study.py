"""A gauge study: what it refuses, what it says of a variance below zero, and when the interaction is pooled."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal, localcontext
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.gauge_study import Source, Study, average_and_range, range_divisor, variance_study
from rules.statistics import variance

METHODS: list[Callable[[Study], object]] = [average_and_range, variance_study]


def _study(text: str) -> dict[str, dict[str, list[Decimal]]]:
    """Return a study from text: a line an operator, parts apart by a comma, trials by a space."""
    return {
        operator: {f"GG-{at}": [Decimal(x) for x in part.split()] for at, part in enumerate(line.split(","))}
        for operator, line in zip(("Ruta", "Emre", "Solveig", "Bela"), text.split("|"), strict=False)
    }


USUAL = _study("2.0 2.1, 2.5 2.4, 3.0 3.2 | 2.1 2.1, 2.6 2.4, 3.1 3.1")
#: Each operator finds another part the thicker one.
AT_ODDS = _study("2.0 2.1, 2.9 3.0 | 2.9 3.0, 2.0 2.1")
STUDIES = st.tuples(st.integers(2, 3), st.integers(2, 4), st.integers(2, 3)).flatmap(
    lambda shape: st.lists(
        st.lists(
            st.lists(st.fractions(0, 5, max_denominator=100), min_size=shape[2], max_size=shape[2]),
            min_size=shape[1],
            max_size=shape[1],
        ),
        min_size=shape[0],
        max_size=shape[0],
    ).map(lambda lists: {f"O-{o}": {f"P-{p}": xs for p, xs in enumerate(parts)} for o, parts in enumerate(lists)})
)


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize(
    ("study", "said"),
    [
        pytest.param({}, "two operators, not 0", id="nobody"),
        pytest.param(_study("1 2, 3 4"), "two operators, not 1", id="one operator"),
        pytest.param(_study("1 2 | 1 2"), "two parts, not 1", id="one part"),
        pytest.param(_study("1, 2 | 1, 2"), "two trials, not 1", id="one trial"),
        pytest.param(_study("1 2, 3 4 | 1 2"), "Ruta and Emre did not measure the same parts: GG-1", id="a part lacks"),
        pytest.param(_study("1 2, 3 4 | 1 2, 3 4, 5 6"), "same parts: GG-2", id="a part more"),
        pytest.param(_study("1 2, 3 4 | 1 2, 3"), "Emre measured part GG-1 1 times, and not 2", id="a trial lacks"),
        pytest.param(_study("1 2, 3 4 5 | 1 2, 3 4"), "Ruta measured part GG-1 3 times", id="a trial more"),
    ],
)
def test_a_study_that_is_not_complete_is_refused(method: Callable[[Study], object], study: Study, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        method(study)


def test_average_and_range_refuses_more_than_it_has_constants_for_and_the_analysis_of_variance_does_not() -> None:
    eleven = _study("|".join([", ".join(f"{at} {at}.1" for at in range(11))] * 2))
    with pytest.raises(ValueError, match="up to 10 parts, not 11"):
        average_and_range(eleven)
    assert variance_study(eleven).pooled.row(Source.PART).degrees == 10


@pytest.mark.parametrize(("size", "ranges", "said"), [(1, 3, "2 to 10"), (11, 3, "2 to 10"), (3, 0, "one range")])
def test_a_divisor_that_is_not_held_is_refused(size: int, ranges: int, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        range_divisor(size, ranges)


def test_the_ranges_of_a_small_study_are_divided_by_more_than_d2() -> None:
    """Six ranges of two: √(1.128379² + 0.852502²/6) = 1.18083."""
    assert str(average_and_range(USUAL).trial_factor) == "0.8469"


@pytest.mark.parametrize("level", ["0", "1", "-0.1"])
def test_a_level_that_is_none_is_refused(level: str) -> None:
    with pytest.raises(ValueError, match="between 0 and 1"):
        variance_study(USUAL, Decimal(level))


def test_an_interaction_is_kept_where_it_shows_and_belongs_to_the_reproducibility() -> None:
    found = variance_study(AT_ODDS)
    assert not found.is_pooled
    assert found.chosen is found.with_interaction
    rows = found.chosen.contributions
    assert rows.of(Source.OPERATOR).variance == 0
    assert rows.of(Source.REPRODUCIBILITY).variance == rows.of(Source.INTERACTION).variance > 0


def test_the_level_decides_and_both_analyses_are_there_whatever_it_is() -> None:
    study = _study("2.0 2.2, 2.5 2.4, 3.2 3.0 | 2.2 2.1, 2.4 2.7, 3.1 3.3")
    p = variance_study(study).with_interaction.row(Source.INTERACTION).probability
    assert p is not None
    just_under, just_over = variance_study(study, p - Decimal("0.001")), variance_study(study, p + Decimal("0.001"))
    assert (just_under.is_pooled, variance_study(study, p).is_pooled, just_over.is_pooled) == (True, False, False)
    assert (just_under.pooled, just_under.with_interaction) == (just_over.pooled, just_over.with_interaction)


def test_a_source_that_is_not_told_apart_is_no_zero() -> None:
    with pytest.raises(KeyError):
        variance_study(USUAL).pooled.contributions.of(Source.INTERACTION)
    with pytest.raises(KeyError):
        variance_study(USUAL).pooled.row(Source.INTERACTION)


def test_operators_who_agree_better_than_their_readings_have_no_reproducibility_and_it_is_said() -> None:
    study = _study("2.0 2.4, 3.0 3.4 | 2.0 2.4, 3.4 3.0")
    by_range, by_variance = average_and_range(study).contributions, variance_study(study).pooled.contributions
    for rows, source in ((by_range, Source.REPRODUCIBILITY), (by_variance, Source.OPERATOR)):
        row = rows.of(source)
        assert row.estimate < 0
        assert row.below_zero
        assert (row.variance, row.deviation, row.percent_contribution) == (0, 0, 0)
        assert rows.of(Source.GAUGE).variance == rows.of(Source.REPEATABILITY).variance


def test_a_gauge_that_repeats_exactly_has_no_number_of_categories() -> None:
    study = _study("2.0 2.0, 3.0 3.0 | 2.0 2.0, 3.0 3.0")
    for contributions in (average_and_range(study).contributions, variance_study(study).chosen.contributions):
        assert (contributions.category_ratio, contributions.categories) == (None, None)
        assert contributions.of(Source.PART).percent_contribution == 100


def test_a_ratio_over_nothing_is_none_and_its_probability_says_whether_there_is_something() -> None:
    alike = variance_study(_study("2.0 2.0, 3.0 3.0 | 2.0 2.0, 3.0 3.0"))
    assert [row.ratio for row in alike.pooled.table] == [None] * 3
    assert [row.probability for row in alike.pooled.table] == [0, None, None]
    assert not alike.is_pooled
    crossed = variance_study(_study("2.0 2.0, 3.0 3.0 | 3.0 3.0, 2.0 2.0"))
    assert crossed.with_interaction.row(Source.INTERACTION).probability == 0
    assert not crossed.is_pooled


def test_where_nothing_varies_there_are_no_percents() -> None:
    study = _study("2.0 2.0, 2.0 2.0 | 2.0 2.0, 2.0 2.0")
    for contributions in (average_and_range(study).contributions, variance_study(study).chosen.contributions):
        assert {row.percent_contribution for row in contributions.rows} == {None}
        assert {row.percent_variation for row in contributions.rows} == {None}


def test_the_number_of_categories_is_truncated_and_may_be_none_at_all() -> None:
    coarse = variance_study(_study("2.0 3.0, 2.6 3.4 | 3.1 2.1, 3.3 2.7")).chosen.contributions
    assert coarse.categories == 0
    fine = variance_study(USUAL).chosen.contributions
    assert fine.category_ratio is not None
    assert fine.categories == int(fine.category_ratio)


def test_the_order_of_operators_and_parts_changes_no_result() -> None:
    turned = {operator: dict(reversed(USUAL[operator].items())) for operator in reversed(USUAL)}
    assert variance_study(turned) == variance_study(USUAL)
    assert average_and_range(turned).contributions == average_and_range(USUAL).contributions


def test_the_callers_decimal_context_does_not_matter() -> None:
    expected = average_and_range(USUAL), variance_study(USUAL)
    with localcontext() as context:
        context.prec = 3
        assert (average_and_range(USUAL), variance_study(USUAL)) == expected


@given(STUDIES)
@settings(max_examples=40, deadline=None)
def test_sums_of_squares_degrees_and_percents_add_up(study: dict[str, dict[str, list[Fraction]]]) -> None:
    readings = [x for parts in study.values() for xs in parts.values() for x in xs]
    found = variance_study(study)
    assert found.sum_of_squares == variance(readings) * (len(readings) - 1)
    for analysis in (found.with_interaction, found.pooled):
        assert sum(row.sum_of_squares for row in analysis.table) == found.sum_of_squares
        assert sum(row.degrees for row in analysis.table) == len(readings) - 1
        rows = analysis.contributions
        parts = rows.of(Source.GAUGE).percent_contribution, rows.of(Source.PART).percent_contribution
        if None not in parts:
            assert sum(Fraction(x) for x in parts if x is not None) == pytest.approx(100)
        assert rows.of(Source.TOTAL).variance == rows.of(Source.GAUGE).variance + rows.of(Source.PART).variance

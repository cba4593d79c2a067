"""Control charts: laws that hold for any process, and the edges."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.control_charts import (
    LEAST_POINTS,
    RUN,
    SETTLED,
    ChartPair,
    Signal,
    individuals,
    means_and_deviations,
    means_and_ranges,
    signal_sentences,
)

VALUES = st.lists(st.integers(0, 2000).map(lambda n: Fraction(n, 10)), min_size=LEAST_POINTS, max_size=14)


def _chart(values: list[Fraction], baseline: int | None = None) -> ChartPair:
    return individuals([(f"rack {at}", value) for at, value in enumerate(values, start=1)], baseline=baseline)


def _signals(pair: ChartPair) -> list[tuple[Signal, ...]]:
    return [point.signals for chart in (pair.level, pair.spread) for point in chart.points]


@settings(max_examples=25)
@given(VALUES, st.integers(-500, 500), st.integers(1, 30))
def test_moving_and_stretching_a_process_moves_and_stretches_its_limits(
    values: list[Fraction], shift: int, factor: int
) -> None:
    before, after = _chart(values), _chart([factor * value + shift for value in values])
    for old, new in zip(before.level.points, after.level.points, strict=True):
        assert (new.lower, new.centre, new.upper) == tuple(
            factor * line + shift for line in (old.lower, old.centre, old.upper)
        )
    for old, new in zip(before.spread.points, after.spread.points, strict=True):
        assert (new.lower, new.upper) == (factor * old.lower, factor * old.upper)
    assert _signals(before) == _signals(after)


@settings(max_examples=25)
@given(VALUES)
def test_a_process_in_the_mirror_has_its_limits_in_the_mirror(values: list[Fraction]) -> None:
    before, after = _chart(values), _chart([-value for value in values])
    assert [(-p.upper, -p.lower) for p in before.level.points] == [(p.lower, p.upper) for p in after.level.points]
    assert _signals(before) == _signals(after)


@settings(max_examples=25)
@given(VALUES, st.integers(0, 10_000))
def test_a_point_that_limits_do_not_rest_on_never_moves_them(values: list[Fraction], odd: int) -> None:
    alone, joined = _chart(values), _chart([*values, Fraction(odd)], baseline=len(values))
    assert joined.level.points[0].upper == alone.level.points[0].upper
    assert joined.spread.points[0].upper == alone.spread.points[0].upper
    assert [point.baseline for point in joined.level.points] == [True] * len(values) + [False]


@settings(max_examples=30)
@given(st.lists(st.lists(st.integers(0, 500).map(Fraction), min_size=3, max_size=3), min_size=5, max_size=8))
def test_the_order_within_a_subgroup_does_not_matter(groups: list[list[Fraction]]) -> None:
    for chart in (means_and_deviations, means_and_ranges):
        there = chart([(str(at), group) for at, group in enumerate(groups)])
        back = chart([(str(at), group[::-1]) for at, group in enumerate(groups)])
        assert there == back


def test_a_point_on_a_limit_lies_within_and_one_beyond_is_said() -> None:
    values = [Fraction(10), Fraction(12)] * 12
    upper = _chart(values).level.points[0].upper
    assert _chart([*values, upper], baseline=24).level.points[-1].signals == ()
    beyond = _chart([*values, upper + Fraction(1, 10**9)], baseline=24)
    assert beyond.level.points[-1].signals == (Signal.BEYOND,)
    assert "rack 25 lies above the upper control limit of the individuals." in signal_sentences(beyond)


def test_eight_in_a_row_are_a_signal_and_seven_are_none() -> None:
    values = [Fraction(10), Fraction(12)] * 12
    for run in (RUN - 1, RUN):
        found = _chart([*values[:23], *[Fraction(23, 2)] * run], baseline=20)
        assert found.level.points[0].centre == 11
        assert (Signal.RUN in found.level.points[-1].signals) == (run == RUN)


def test_a_point_on_the_centre_line_ends_a_run() -> None:
    values = [Fraction(10), Fraction(12)] * 12
    high = Fraction(23, 2)
    found = _chart([*values[:23], *[high] * 5, Fraction(11), *[high] * 5], baseline=20)
    assert found.quiet


def test_a_run_is_said_once_at_its_last_point() -> None:
    values = [Fraction(10), Fraction(12)] * 12
    found = _chart([*values[:23], *[Fraction(23, 2)] * 11], baseline=20)
    assert signal_sentences(found) == (
        "8 points or more in a row, up to rack 34, lie above the centre line of the individuals.",
    )


def test_fewer_points_than_settle_the_limits_are_said() -> None:
    assert _chart([Fraction(at % 2) for at in range(SETTLED)]).notes == ()
    few = _chart([Fraction(at % 2) for at in range(SETTLED - 1)])
    assert few.provisional
    assert few.notes == ("The limits are provisional: they rest on 19 points, and 20 are asked for.",)


def test_points_that_do_not_vary_show_no_signal() -> None:
    found = _chart([*[Fraction(70)] * 20, Fraction(80)], baseline=20)
    assert found.quiet
    assert found.notes == (
        "The points that the limits rest on do not vary at all, so that no signal can be told from them.",
    )


def test_unequal_subgroups_have_the_limits_of_their_own_size() -> None:
    groups = [(f"rack {at}", [Fraction(x) for x in range(at, at + 2 + at % 3)]) for at in range(6)]
    found = means_and_deviations(groups)
    wide, narrow = found.level.points[0], found.level.points[2]
    assert (wide.size, narrow.size) == (2, 4)
    assert (wide.upper - wide.centre) ** 2 * 2 == pytest.approx((narrow.upper - narrow.centre) ** 2 * 4)
    assert found.notes[-1] == "Subgroups have 2 to 4 figures; each point has the limits of its own size."


def test_what_is_no_chart_is_refused_in_a_sentence() -> None:
    with pytest.raises(ValueError, match="at least 5 figures, not 4"):
        _chart([Fraction(1)] * 4)
    with pytest.raises(ValueError, match="cannot rest on 9 figures where there are 5"):
        _chart([Fraction(1)] * 5, baseline=9)
    with pytest.raises(ValueError, match="rack 0 has 1 reading; a subgroup has at least two"):
        means_and_deviations([("rack 0", [Fraction(1)])] * 5)
    with pytest.raises(ValueError, match="ranges are for up to 10, take standard deviations"):
        means_and_ranges([("rack 0", [Fraction(1)] * 11)] * 5)

"""Capability: laws, and what is refused with its reason."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.capability import LEAST_FIGURES, capability
from rules.control_charts import ChartPair, individuals
from rules.short_run import Like, RunBuild, deviation_from_target, short_runs, target_of

FIGURES = st.lists(
    st.integers(600, 900).map(lambda n: Fraction(n, 10)), min_size=LEAST_FIGURES, max_size=LEAST_FIGURES + 6
).filter(lambda figures: len(set(figures)) > 1)
STEADY = [Fraction(70) + Fraction(at * 7 % 5) for at in range(30)]


def _charted(figures: list[Fraction]) -> ChartPair:
    return individuals([(str(at), figure) for at, figure in enumerate(figures)])


@settings(max_examples=8, deadline=None)
@given(FIGURES, st.integers(-50, 50), st.integers(2, 9))
def test_an_index_has_no_unit(figures: list[Fraction], shift: int, factor: int) -> None:
    one = capability("face", figures, Fraction(50), Fraction(100))
    other = capability(
        "face",
        [factor * figure + shift for figure in figures],
        Fraction(50 * factor + shift),
        Fraction(100 * factor + shift),
    )
    for here, there in zip(one.indices, other.indices, strict=True):
        for left, right in ((here.value, there.value), (here.low, there.low), (here.high, there.high)):
            assert float(left) == pytest.approx(float(right), rel=1e-12)


@settings(max_examples=8, deadline=None)
@given(FIGURES)
def test_an_index_is_the_same_in_the_mirror(figures: list[Fraction]) -> None:
    one = capability("face", figures, Fraction(50), Fraction(100))
    other = capability("face", [-figure for figure in figures], Fraction(-100), Fraction(-50))
    assert [index.value for index in one.indices] == [index.value for index in other.indices]
    assert one.skewness == (None if other.skewness is None else other.skewness.copy_negate()) or not one.skewness


@settings(max_examples=8, deadline=None)
@given(FIGURES)
def test_ppk_is_never_above_pp_and_lies_in_its_interval(figures: list[Fraction]) -> None:
    found = capability("face", figures, Fraction(50), Fraction(100))
    assert found.pp is not None
    assert found.ppk is not None
    assert found.ppk.value <= found.pp.value
    for index in found.indices:
        assert index.low < index.value < index.high
        assert index.at_least is None or index.at_least < index.value


def test_no_index_from_twenty_four() -> None:
    found = capability("face", STEADY[:24], Decimal(60), Decimal(80))
    assert found.indices == ()
    assert found.refused == (
        "face: no index from 24 pieces; 25 are asked for, since the interval of one from fewer is so wide that it says next to "
        "nothing.",
    )
    assert capability("face", STEADY[:25], Decimal(60), Decimal(80)).ppk is not None


def test_one_limit_gives_ppk_alone() -> None:
    found = capability("face", STEADY, Decimal(60), None, _charted(STEADY))
    assert [index.name for index in found.indices] == ["Ppk", "Cpk"]
    assert found.refused == ("face: one limit alone gives no window, so there is no Pp and no Cp.",)


def test_cpk_asks_for_a_chart_without_signals_and_with_settled_limits() -> None:
    limits = Decimal(50), Decimal(100)
    assert [index.name for index in capability("face", STEADY, *limits, _charted(STEADY)).indices] == [
        "Pp",
        "Ppk",
        "Cp",
        "Cpk",
    ]
    shifted = STEADY[:15] + [figure + 12 for figure in STEADY[15:]]
    for figures, chart, why in (
        (STEADY, None, "no control chart says whether the process is stable"),
        (shifted, _charted(shifted), "the control chart shows signals"),
        (STEADY, _charted(STEADY[:12]), "the control limits rest on 12 points and 20 are asked for"),
    ):
        found = capability("face", figures, *limits, chart)
        assert [index.name for index in found.indices] == ["Pp", "Ppk"]
        assert why in found.refused[0]


def test_what_cannot_be_said_is_said_to_be_so() -> None:
    assert capability("face", STEADY, None, None).refused == ("face: no index without a limit.",)
    assert "all 30 figures are the same" in capability("face", [Fraction(70)] * 30, Decimal(60), None).refused[0]
    assert capability("face", [], Decimal(60), None).mean is None
    with pytest.raises(ValueError, match="face: the lower limit 80 is not below the upper limit 60"):
        capability("face", STEADY, Decimal(80), Decimal(60))


def test_an_index_is_said_with_its_interval_and_how_many_stand_behind_it() -> None:
    found = capability("face", STEADY, Decimal(60), Decimal(80))
    assert found.sentences[0].startswith("face: Pp 2.32, 95 % interval 1.72 to 2.91; at least ")
    assert found.sentences[0].endswith("(95 %, one-sided) (n = 30).")


# Short runs


@given(
    st.integers(0, 300), st.integers(20, 100), st.integers(1, 100), st.integers(1, 20), st.integers(-50, 50)
)  # fmt: skip
def test_a_deviation_from_target_has_no_unit(build: int, lower: int, width: int, factor: int, shift: int) -> None:
    middle = lower + Fraction(width, 2)
    found = deviation_from_target(Fraction(build), middle, Fraction(lower), Fraction(lower + width))
    moved = [factor * Fraction(x) + shift for x in (build, middle, lower, lower + width)]
    assert deviation_from_target(*moved) == found
    assert (
        deviation_from_target(*[-x for x in (Fraction(build), middle, Fraction(lower + width), Fraction(lower))])
        == -found
    )


def test_the_limits_are_one_from_a_target_midway() -> None:
    ends = Decimal("2.0"), Decimal("4.0")
    assert [deviation_from_target(build, Decimal(3), *ends) for build in (*ends, Decimal("3.5"))] == [
        -1,
        1,
        Fraction(1, 2),
    ]


def test_only_like_goes_with_like() -> None:
    def build(part: str, location: str, value: str, target: str, position: str | None = None) -> RunBuild:
        lower, upper = Decimal(target) - 10, Decimal(target) + 10
        return RunBuild(part, Like(location, position, "grey"), Decimal(value), Decimal(target), lower, upper)

    builds = [
        build("A", "face", "75", "70"),
        build("B", "face", "95", "100"),
        build("A", "face", "80", "70", "top"),
        build("A", "edge", "70", "70"),
        build("B", "face", "100", "100"),
    ]
    face, top, edge = short_runs(builds)
    assert face.together.values == (Fraction(1, 2), Fraction(-1, 2), 0)
    assert [(part, one.n, one.mean) for part, one in face.by_part] == [
        ("A", 1, Fraction(1, 2)),
        ("B", 2, Fraction(-1, 4)),
    ]
    assert (top.together.mean, edge.together.mean, edge.together.deviation) == (1, 0, None)


def test_a_target_is_the_middle_of_its_band_or_of_the_limits() -> None:
    d = Decimal
    assert target_of(d(60), d(70), d(80), d(100)) == 75
    assert target_of(d(60), d(70), None, d(100)) == 70
    assert target_of(d(60), None, None, d(100)) == 80
    assert target_of(d(60), None, None, None) is None
    with pytest.raises(ValueError, match="is not below"):
        deviation_from_target(d(1), d(1), d(2), d(2))

"""The warning at job set-up: a window that the shop's own spread cannot be held in."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.window import window_warnings
from tests.rules.builders import job, location


def _warned(
    lower: str | None,
    upper: str | None,
    spread: tuple[str, int] | None = None,
    *,
    unit: str = "mil",
    guard: str | None = None,
    **more: Any,
) -> list[str]:
    the_job = job(location("face", lower, upper), unit=unit, **more)
    spreads = {} if spread is None else {"face": (Decimal(spread[0]), spread[1])}
    return window_warnings(the_job, spreads, guards=None if guard is None else {"face": Fraction(guard)})


@pytest.mark.parametrize(("upper", "warned"), [("3.49", True), ("3.50", False), ("3.51", False)])
def test_a_window_under_six_of_the_shops_own_deviations_is_warned_of(upper: str, warned: bool) -> None:
    """From the definition: three deviations on each side of a centred mean; 6 · 0.25 = 1.5."""
    assert bool(_warned("2.00", upper, ("0.25", 25))) is warned


@pytest.mark.parametrize(
    ("spread", "share"),
    [("1.0", "31.7 %"), ("0.5", "4.6 %"), ("0.34", "0.3 %")],
)
def test_the_share_outside_is_that_of_a_normal_spread(spread: str, share: str) -> None:
    """Within one and two deviations lie 68.27 % and 95.45 % (tables of the normal distribution, from memory).

    The last: 1 / 0.34 = 2.94 deviations, outside which 2 · 0.00164 lie (the same tables).
    """
    (warning,) = _warned("2.0", "4.0", (spread, 60))
    assert f"{share} of the readings would lie outside" in warning


def test_the_sentence_has_all_its_numbers() -> None:
    assert _warned("2.0", "3.0", ("0.35", 120)) == [
        "face: 2.0 to 3.0 mil leaves a window of 1.00 mil (25.4 µm); the shop's own spread here, s = 0.35 mil from "
        "120 readings, needs 2.10 mil (6 s). At best, with the mean in the middle, 15.3 % of the readings would lie "
        "outside (normal model)."
    ]


@pytest.mark.parametrize(
    ("lower", "upper", "unit", "warned"),
    [
        pytest.param("60", "83.9", "um", True, id="just under 24 µm"),
        pytest.param("60", "84", "um", False, id="24 µm"),
        pytest.param("2.0", "2.94", "mil", True, id="0.94 mil is 23.876 µm"),
        pytest.param("2.0", "2.95", "mil", False, id="0.95 mil is 24.13 µm"),
    ],
)
def test_without_a_history_a_consultants_figure_stands_in(lower: str, upper: str, unit: str, warned: bool) -> None:
    """±12 µm on flat easy parts with great care: Film Thickness Tolerance, Products Finishing (read)."""
    found = _warned(lower, upper, unit=unit)
    assert bool(found) is warned
    for warning in found:
        assert "not the shop's own figure" in warning
        assert "no readings here" in warning


def test_a_short_history_is_not_planned_with() -> None:
    assert _warned("2.0", "4.0", ("9.0", 24)) == []
    (warning,) = _warned("2.0", "2.5", ("0.01", 1))
    assert "only 1 reading here, and 25 are asked for" in warning


def test_four_micrometres_of_spread_hold_a_one_mil_window_barely() -> None:
    """The trade notes' sum: ±12 µm taken as three deviations is 4 µm, and 25.4 / (6 · 4) = 1.06 (arithmetic)."""
    assert _warned("50", "75.4", ("4", 200), unit="um") == []
    assert len(_warned("50", "73.9", ("4", 200), unit="um")) == 1


def test_a_guard_band_takes_its_part_of_the_window_on_both_sides() -> None:
    assert _warned("2.0", "4.0", ("0.3", 50)) == []
    (warning,) = _warned("2.0", "4.0", ("0.3", 50), guard="0.15")
    assert "less a guard band of 0.15 mil on each side leaves a window of 1.70 mil" in warning


def test_a_guard_band_that_eats_the_window_is_said_plainly() -> None:
    (warning,) = _warned("2.0", "2.4", guard="0.2")
    assert warning == (
        "face: 2.0 to 2.4 mil less a guard band of 0.20 mil on each side leaves a window of 0.00 mil: "
        "there is no room for any spread."
    )


@pytest.mark.parametrize(("lower", "upper"), [("2.0", None), (None, "2.1")])
def test_one_limit_alone_is_no_window(lower: str | None, upper: str | None) -> None:
    assert _warned(lower, upper, ("9.0", 99)) == []


def test_each_location_is_judged_by_its_own_spread() -> None:
    the_job = job(location("face", "2.0", "4.0"), location("edge", "2.0", "4.0"))
    spreads = {"face": (Decimal("0.2"), 80), "edge": (Decimal("0.5"), 80)}
    (warning,) = window_warnings(the_job, spreads)
    assert warning.startswith("edge: ")


@settings(max_examples=60, deadline=None)
@given(width=st.integers(1, 400), spread=st.integers(1, 100), more=st.integers(0, 50), guard=st.integers(0, 40))
def test_a_wider_spread_or_a_bigger_guard_never_takes_a_warning_away(
    width: int, spread: int, more: int, guard: int
) -> None:
    upper = f"{Decimal(200 + width) / 100}"
    before = _warned("2.00", upper, (f"{Decimal(spread) / 100}", 40))
    wider = _warned("2.00", upper, (f"{Decimal(spread + more) / 100}", 40))
    guarded = _warned("2.00", upper, (f"{Decimal(spread) / 100}", 40), guard=f"{Decimal(guard) / 100}")
    assert len(wider) >= len(before)
    assert len(guarded) >= len(before)

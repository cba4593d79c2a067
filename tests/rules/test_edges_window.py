"""Edges of the warning at job set-up, word for word. Numbers are invented."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import pytest

from rules.window import window_warnings
from tests.rules.builders import job, location

NOT_OWN = (
    "a trade-magazine consultant takes about ±12 µm, 24 µm in all, to be what is held on flat and easy parts with great care, "
    "and more to be needed on shaped parts (read). This is not the shop's own figure: the archive holds {} here, and 25 are "
    "asked for."
)


def _warned(lower: str, upper: str, spread: tuple[str, int] | None = None, guard: Fraction | None = None) -> str:
    spreads = {} if spread is None else {"face": (Decimal(spread[0]), spread[1])}
    guards = None if guard is None else {"face": guard}
    (warning,) = window_warnings(job(location("face", lower, upper)), spreads, guards=guards)
    return warning


def test_what_stands_in_for_a_spread_of_the_shops_own_is_said_in_full() -> None:
    head = "face: 2.0 to 2.5 mil leaves a window of 0.50 mil (12.7 µm); "
    assert _warned("2.0", "2.5") == head + NOT_OWN.format("no readings")
    assert _warned("2.0", "2.5", ("0.01", 1)) == head + NOT_OWN.format("only 1 reading")
    assert _warned("2.0", "2.5", ("0.01", 24)) == head + NOT_OWN.format("only 24 readings")


def test_a_location_without_a_window_is_passed_over_and_the_next_one_looked_at() -> None:
    the_job = job(location("back", "2.0", None), location("edge", None, "4.0"), location("face", "2.0", "2.5"))
    (warning,) = window_warnings(the_job, {})
    assert warning.startswith("face: ")


def test_a_guard_band_belongs_to_its_location() -> None:
    (warning,) = window_warnings(job(location("face", "2.0", "2.5")), {}, guards={"edge": Fraction(1)})
    assert warning.startswith("face: 2.0 to 2.5 mil leaves a window of 0.50 mil")


def test_limits_of_nothing_are_limits() -> None:
    assert _warned("0", "0.5").startswith("face: 0 to 0.5 mil leaves a window of 0.50 mil (12.7 µm); ")
    assert _warned("0", "0") == "face: 0 to 0 mil leaves a window of 0.00 mil: there is no room for any spread."


def test_in_micrometres_a_window_is_said_once() -> None:
    (warning,) = window_warnings(job(location("face", "60", "80"), unit="um"), {})
    assert warning.startswith("face: 60 to 80 µm leaves a window of 20.0 µm; a trade-magazine")


@pytest.mark.parametrize(
    ("guard", "said"), [(Fraction(1, 1000), "0.001"), (Fraction(1001, 1000), "1.00"), (Fraction(1, 10), "0.10")]
)
def test_a_small_guard_band_is_never_said_to_be_none(guard: Fraction, said: str) -> None:
    lower, upper = "2.0", "2.5" if guard < 1 else "4.5"
    assert f" less a guard band of {said} mil on each side" in _warned(lower, upper, guard=guard)


def test_a_small_window_and_a_small_spread_are_never_said_to_be_none() -> None:
    assert "leaves a window of 0.001 mil (0.0 µm); " in _warned("2.0", "2.001")
    assert "leaves a window of 1.00 mil (25.4 µm); " in _warned("2.0", "3.001", ("9", 25))
    assert "s = 0.001 mil from 25 readings, needs 0.01 mil (6 s)." in _warned("2.0", "2.001", ("0.001", 25))
    assert "s = 1.00 mil from 25 readings, needs 6.01 mil (6 s)." in _warned("2.0", "4.0", ("1.001", 25))


def test_what_a_spread_needs_never_stands_on_the_window() -> None:
    assert _warned("2.0", "3.5", ("0.2501", 25)) == (
        "face: 2.0 to 3.5 mil leaves a window of 1.50 mil (38.1 µm); the shop's own spread here, s = 0.25 mil from 25 "
        "readings, needs 1.501 mil (6 s). At best, with the mean in the middle, 0.3 % of the readings would lie outside "
        "(normal model)."
    )

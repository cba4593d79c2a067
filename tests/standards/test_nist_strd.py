"""Mean and standard deviation against certified values.

Source: NIST/ITL Statistical Reference Datasets (StRD), univariate summary statistics: Michelso, Mavro,
Lottery, NumAcc1, NumAcc2, NumAcc3. Certified values are given to 15 significant digits.
"""

from __future__ import annotations

import json
from decimal import Decimal
from fractions import Fraction
from pathlib import Path

import pytest

from rules.statistics import mean, standard_deviation

STRD = json.loads((Path(__file__).parent / "nist_strd.json").read_text(encoding="utf-8"))
CERTIFIED = {
    **{
        name: (
            [Decimal(x) for x in STRD[name]["data"]],
            Decimal(STRD[name]["mean"]),
            Decimal(STRD[name]["sd"]),
        )
        for name in ("Michelso", "Mavro", "Lottery")
    },
    "NumAcc1": ([Decimal(10_000_001), Decimal(10_000_003), Decimal(10_000_002)], Decimal(10_000_002), Decimal(1)),
    "NumAcc2": ([Decimal("1.2"), *[Decimal("1.1"), Decimal("1.3")] * 500], Decimal("1.2"), Decimal("0.1")),
    "NumAcc3": (
        [Decimal("1000000.2"), *[Decimal("1000000.1"), Decimal("1000000.3")] * 500],
        Decimal("1000000.2"),
        Decimal("0.1"),
    ),
}


def _to_15_digits(number: Decimal) -> Decimal:
    return Decimal(f"{number:.14E}")


@pytest.mark.parametrize("name", CERTIFIED)
def test_the_mean_agrees_with_the_certified_value_to_every_digit_given(name: str) -> None:
    data, certified, _ = CERTIFIED[name]
    found = mean(data)
    assert _to_15_digits(Decimal(found.numerator) / Decimal(found.denominator)) == _to_15_digits(certified)


@pytest.mark.parametrize("name", CERTIFIED)
def test_the_standard_deviation_agrees_with_the_certified_value_to_every_digit_given(name: str) -> None:
    data, _, certified = CERTIFIED[name]
    assert _to_15_digits(standard_deviation(data)) == _to_15_digits(certified)


@pytest.mark.parametrize("name", ["NumAcc1", "NumAcc2", "NumAcc3"])
def test_the_sets_made_to_break_arithmetic_come_out_exactly(name: str) -> None:
    data, certified_mean, certified_sd = CERTIFIED[name]
    assert (mean(data), standard_deviation(data)) == (Fraction(certified_mean), certified_sd)

"""A mean that lies exactly on a limit conforms, and one last place under it does not.

Source of what is checked: ILAC-G8:09/2019, 4.2.1, simple acceptance with the acceptance limit at the tolerance limit (read);
that a result on the limit conforms is a choice that the certificate states. The sets are made here, 10,000 of
them, exact in decimal: binary floats put about one in six of such means on the wrong side.
"""

from __future__ import annotations

import random
from decimal import Decimal

import pytest

from rules.assessment import conformity_of
from rules.rounding import at_least, at_most
from rules.statistics import mean
from tests.rules.builders import job, location, readings

SETS = 10_000


def _set_with_mean(rng: random.Random, limit: int, places: int) -> list[Decimal]:
    """Return up to 12 numbers of *places* decimals whose mean is exactly *limit* steps."""
    n = rng.randrange(2, 13)
    steps = [limit + rng.randrange(-limit // 2, limit // 2) for _ in range(n - 1)]
    steps.append(limit * n - sum(steps))
    rng.shuffle(steps)
    return [Decimal(s).scaleb(-places) for s in steps]


def test_ten_thousand_exact_means_on_the_limit_conform_and_one_step_beyond_does_not() -> None:
    rng = random.Random(19591)
    wrong_in_binary = 0
    for _ in range(SETS):
        places = rng.choice((1, 2, 3))
        steps = rng.randrange(100, 9000)
        limit = Decimal(steps).scaleb(-places)
        values = _set_with_mean(rng, steps, places)
        last_place = Decimal(1).scaleb(-places)
        assert at_least(mean(values), limit)
        assert at_most(mean(values), limit)
        assert not at_least(mean([values[0] - last_place, *values[1:]]), limit)
        assert not at_most(mean([values[0] + last_place, *values[1:]]), limit)
        wrong_in_binary += sum(map(float, values)) / len(values) < float(limit)
    assert wrong_in_binary > SETS // 50  # the sets are hard: floats would have failed hundreds of them


@pytest.mark.parametrize("unit", ["mil", "um"])
def test_means_on_the_lower_limit_conform_through_the_whole_rule(unit: str) -> None:
    rng = random.Random(254)
    for _ in range(150):
        steps = rng.randrange(150, 900)
        limit = f"{Decimal(steps).scaleb(-2)}"
        values = [str(v) for v in _set_with_mean(rng, steps, 2)]
        place = location("face", limit, None, readings_per_spot=len(values))
        the_job = job(place, rule="location-means", unit=unit)
        assert conformity_of(the_job, readings(values, unit, per_spot=20, location="face"))[2].name == "PASS"
        values[0] = str(Decimal(values[0]) - Decimal("0.01"))
        assert conformity_of(the_job, readings(values, unit, per_spot=20, location="face"))[2].name == "FAIL"

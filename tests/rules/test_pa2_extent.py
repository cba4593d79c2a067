"""Sizing a non-conforming area: steps away from it until two in a row conform."""

from __future__ import annotations

import pytest

from rules.assessment import conformity_of
from rules.verdict import Verdict
from tests.rules.builders import job, location, reading


def _walk(*means: str | None) -> tuple[Verdict, str]:
    east = location("east", "3.0", "5.0", spots=4, readings_per_spot=3)
    taken = [
        reading(3 * step + nth, shown, location="east", spot=step)
        for step, shown in enumerate(means, start=1)
        if shown is not None
        for nth in range(3)
    ]
    locations, _, verdict = conformity_of(job(east, rule="sspc-pa2-extent"), taken)
    (reach,) = [f for f in locations[0].findings if f.check == "reach of the non-conforming area"]
    return verdict, f"{reach.verdict.name}: {reach.sentence}"


@pytest.mark.parametrize(
    ("means", "verdict", "said"),
    [
        (("3.0", "5.0"), Verdict.PASS, "PASS: piece 1, east: conforms from step 1 on, 2 consecutive steps measured: the area ends before step 1"),
        (("2.9", "3.1", "3.1"), Verdict.FAIL, "PASS: piece 1, east: conforms from step 2 on, 2 consecutive steps measured: the area reaches past step 1 and ends before step 2"),
        (("3.1", "2.9", "3.1", "5.1"), Verdict.FAIL, "PASS: piece 1, east: all 4 steps that could be taken are measured, and no two in a row conform: the area reaches to the end of what was coated here"),
        (("2.9",), Verdict.FAIL, "UNDECIDED: piece 1, east: 1 step measured and no two in a row conform: go on"),
        (("3.1",), Verdict.UNDECIDED, "UNDECIDED: piece 1, east: 1 step measured and no two in a row conform: go on"),
        (("3.1", None, "3.1", "3.1"), Verdict.UNDECIDED, "UNDECIDED: piece 1, east: step 2 is missing; measure it"),
    ],
)  # fmt: skip
def test_a_direction_ends_with_two_conforming_steps_or_where_the_coating_does(
    means: tuple[str | None, ...], verdict: Verdict, said: str
) -> None:
    """SSPC-PA 2:2012, clause 8 (read in a copy): two consecutive spots, judged without the 80 and 120 % allowance."""
    assert _walk(*means) == (verdict, said)

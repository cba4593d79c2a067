"""How far a non-conforming area reaches, word for word. Limits are 60 and 90 µm."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import pytest

from rules.pa2_extent import pa2_extent
from rules.places import PieceLocation
from rules.rounding import Comparison
from rules.verdict import Finding, Verdict
from schemas.units import Unit
from tests.rules.builders import job, location

PASS, UNDECIDED, FAIL = Verdict.PASS, Verdict.UNDECIDED, Verdict.FAIL


def _walked(
    steps: str,
    planned: int = 4,
    lower: str | None = "60",
    upper: str | None = "90",
    comparison: Comparison = Comparison.ABSOLUTE,
) -> list[Finding]:
    """Return what steps of these means show; "-" is a step that was left out, "x" one of two readings only."""
    at = job(location("left", lower, upper, spots=planned, readings_per_spot=3), unit="um").location[0]
    spots: dict[int, tuple[Fraction, ...]] = {}
    for number, step in enumerate(steps.split(), 1):
        if step == "x":
            spots[number] = (Fraction(70),) * 2
        elif step != "-":
            spots[number] = (Fraction(step) - 1, Fraction(step), Fraction(step) + 1)
    return pa2_extent([PieceLocation("7", at, spots, comparison)], job().rule, Unit.UM)


def test_each_step_is_judged_against_the_limits_themselves() -> None:
    assert _walked("59 91 60 90")[:4] == [
        Finding(
            FAIL,
            "step 1",
            "piece 7, left: step 1 59.0 µm is below the specified minimum 60 µm",
            location="left",
            piece="7",
            found=Fraction(59),
            limit=Decimal(60),
            low=True,
            averaged=3,
        ),
        Finding(
            PASS,
            "step 1",
            "piece 7, left: step 1 59.0 µm is within the specified maximum 90 µm",
            location="left",
            piece="7",
            found=Fraction(59),
            limit=Decimal(90),
            low=False,
            averaged=3,
        ),
        Finding(
            PASS,
            "step 2",
            "piece 7, left: step 2 91.0 µm meets the specified minimum 60 µm",
            location="left",
            piece="7",
            found=Fraction(91),
            limit=Decimal(60),
            low=True,
            averaged=3,
        ),
        Finding(
            FAIL,
            "step 2",
            "piece 7, left: step 2 91.0 µm is above the specified maximum 90 µm",
            location="left",
            piece="7",
            found=Fraction(91),
            limit=Decimal(90),
            low=False,
            averaged=3,
        ),
    ]


def _reach(verdict: Verdict, said: str, walked: int) -> Finding:
    return Finding(
        verdict,
        "reach of the non-conforming area",
        f"piece 7, left: {said}",
        location="left",
        piece="7",
        found=Fraction(walked),
    )


@pytest.mark.parametrize(
    ("steps", "verdict", "said", "walked"),
    [
        pytest.param(
            "60 90",
            PASS,
            "conforms from step 1 on, 2 consecutive steps measured: the area ends before step 1",
            2,
            id="at once",
        ),
        pytest.param(
            "59 60 60",
            PASS,
            "conforms from step 2 on, 2 consecutive steps measured: the area reaches past step 1 and ends before step 2",
            3,
            id="after one step",
        ),
        pytest.param(
            "70 59 70 70",
            PASS,
            "conforms from step 3 on, 2 consecutive steps measured: the area reaches past step 2 and ends before step 3",
            4,
            id="after one that conforms alone",
        ),
        pytest.param(
            "70 59 70 91",
            PASS,
            "all 4 steps that could be taken are measured, and no two in a row conform: the area reaches to the end of "
            "what was coated here",
            4,
            id="not at all",
        ),
        pytest.param("70 59 70", UNDECIDED, "3 steps measured and no two in a row conform: go on", 3, id="not yet"),
        pytest.param("59", UNDECIDED, "1 step measured and no two in a row conform: go on", 1, id="after the first"),
        pytest.param("", UNDECIDED, "0 steps measured and no two in a row conform: go on", 0, id="before the first"),
        pytest.param("70 - 70 70", UNDECIDED, "step 2 is missing; measure it", 4, id="one left out"),
        pytest.param(
            "- 70 x 70", UNDECIDED, "steps 1 and 3 are missing; measure them", 4, id="one left out, one too short"
        ),
        pytest.param(
            "59 x", UNDECIDED, "1 step measured and no two in a row conform: go on", 1, id="the last too short"
        ),
        pytest.param(
            "70 70 - 59",
            PASS,
            "conforms from step 1 on, 2 consecutive steps measured: the area ends before step 1",
            4,
            id="what lies behind does not matter",
        ),
    ],
)
def test_how_far_the_area_reaches(steps: str, verdict: Verdict, said: str, walked: int) -> None:
    assert _walked(steps)[-1] == _reach(verdict, said, walked)


def test_every_step_that_was_left_out_or_is_too_short_is_named() -> None:
    last = _walked("- 70 x 70")[-1]
    assert (last.verdict, last.found) == (UNDECIDED, 4)
    assert "1 and 3" in last.sentence


def test_steps_beyond_the_plan_end_nothing() -> None:
    assert _walked("59 70 70", planned=2)[-1].sentence.startswith(
        "piece 7, left: all 2 steps that could be taken are measured, and no two in a row conform"
    )


def test_one_limit_alone_is_asked_about_alone() -> None:
    assert [f.low for f in _walked("59 91", upper=None)[:-1]] == [True, True]
    assert [f.low for f in _walked("59 91", lower=None)[:-1]] == [False, False]
    assert _walked("91 99", upper=None)[-1].verdict is PASS
    assert _walked("59 12", lower=None)[-1].verdict is PASS
    assert _walked("59 70", upper=None)[-1].verdict is UNDECIDED
    assert _walked("91 70", lower=None)[-1].verdict is UNDECIDED


def test_steps_are_compared_as_the_job_says() -> None:
    assert _walked("59.6 90.4")[-1].verdict is UNDECIDED
    assert _walked("59.6 90.4", comparison=Comparison.ROUNDING)[-1].verdict is PASS


def test_each_direction_is_walked_on_its_own() -> None:
    at = job(location("left", "60", "90", spots=2, readings_per_spot=3), unit="um").location[0]
    empty = PieceLocation("7", at, {})
    done = PieceLocation("8", at, {n: (Fraction(70),) * 3 for n in (1, 2)})
    reaches = [f for f in pa2_extent([empty, done], job().rule, Unit.UM) if f.check.startswith("reach")]
    assert [(f.piece, f.verdict) for f in reaches] == [("7", UNDECIDED), ("8", PASS)]

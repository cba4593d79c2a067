"""Guard bands through the whole assessment: what uncertainty does to a verdict, and what it never does."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from decimal import Decimal
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.assessment import assess
from rules.results import Assessment, LocationResult
from rules.verdict import Finding, Guard, Verdict
from schemas.gauge_checks import GaugeCheck
from schemas.shop import Shop
from tests.rules.builders import both_checks, job, location, readings, shop

FIVE = "3.0 3.1 2.9 3.0 3.05"


def _assess(figures: str) -> Assessment:
    return _guarded(figures, "simple")


def _place(found: Assessment) -> LocationResult:
    return found.locations[0]


def test_the_uncertainty_of_a_mean_is_there_whatever_the_decision_rule() -> None:
    budget = _place(_assess(FIVE)).uncertainty
    assert budget is not None
    assert [c.name for c in budget.components] == [
        "repeatability",
        "resolution",
        "gauge accuracy",
        "standard",
        "error at verification",
    ]
    assert budget.combined**2 == pytest.approx(sum(c.standard**2 for c in budget.components), rel=Decimal("1e-20"))
    assert budget.expanded > 2 * budget.combined  # few degrees of freedom: k is above that of the normal distribution


def test_by_simple_acceptance_uncertainty_changes_nothing() -> None:
    assert _assess("2.0 2.1 1.9 2.0 2.0").verdict is Verdict.PASS


def test_a_mean_within_the_guard_band_does_not_conform() -> None:
    assert _assess("2.05 2.15 1.95 2.05 2.05").verdict is Verdict.PASS
    found = _guarded("2.05 2.15 1.95 2.05 2.05", "guard-band")
    assert found.verdict is Verdict.FAIL
    (failed,) = [f for f in _place(found).findings if f.verdict is Verdict.FAIL]
    assert "guard band" in failed.sentence
    assert "not accepted" in failed.sentence


def _guarded(figures: str, rule: str, guard_factor: str = "1", checks: bool = True) -> Assessment:
    count = len(figures.split())
    decision = {"rule": rule, "guard_factor": Decimal(guard_factor)}
    the_job = job(
        location("front face", "2.0", "4.0", readings_per_spot=count), rule="location-means", decision=decision
    )
    return assess(the_job, shop(), readings(figures, per_spot=count), both_checks() if checks else [], coats=1, bakes=1)


def test_in_the_four_way_form_it_conforms_conditionally_and_says_so() -> None:
    found = _guarded("2.05 2.15 1.95 2.05 2.05", "four-way")
    assert (found.verdict, _place(found).conditional) == (Verdict.PASS, True)
    assert any("conditional pass" in f.sentence for f in _place(found).findings)
    clear = _guarded(FIVE, "four-way")
    assert (clear.verdict, _place(clear).conditional) == (Verdict.PASS, False)


def test_just_outside_a_limit_is_a_conditional_fail_and_a_fail() -> None:
    found = _guarded("1.95 2.05 1.85 1.95 1.95", "four-way")
    assert found.verdict is Verdict.FAIL
    assert any("conditional fail" in f.sentence for f in _place(found).findings)


def test_without_an_uncertainty_there_is_no_guard_band_and_no_verdict() -> None:
    assert _guarded("3.0", "guard-band").conformity is Verdict.UNDECIDED
    assert _guarded(FIVE, "guard-band", checks=False).conformity is Verdict.UNDECIDED


@pytest.mark.parametrize("rule", ["guard-band", "four-way"])
@settings(max_examples=25, deadline=None)
@given(
    steps=st.lists(st.integers(150, 450), min_size=3, max_size=5),
    narrow=st.integers(0, 20),
    wider=st.integers(0, 10),
)
def test_widening_a_guard_band_never_turns_a_fail_into_a_pass(
    rule: str, steps: list[int], narrow: int, wider: int
) -> None:
    figures = " ".join(f"{Decimal(s) / 100:.2f}" for s in steps)
    before = _guarded(figures, rule, str(Decimal(narrow) / 10))
    after = _guarded(figures, rule, str(Decimal(narrow + wider) / 10))
    assert after.verdict >= before.verdict


# The uncertainty is that of the value that is judged


def _two_percent() -> Shop:
    known = shop()
    gauge = known.gauge[0].model_copy(update={"accuracy_um": Decimal(1), "accuracy_percent": Decimal(2)})
    return known.model_copy(update={"gauge": (gauge,)})


def _checks(*errors: str, repeats: str = "0") -> list[GaugeCheck]:
    """Return both checks on standards of 0 and 125 µm, U 1 µm, with the errors found on them and how their readings differ."""
    rows = []
    for row in both_checks():
        error, off = Decimal(errors[row.standard_id == "F-125"]), Decimal(repeats)
        centre = (row.certified_um or Decimal(0)) + error
        told: dict[str, Any] = {"readings_um": [centre - off, centre, centre + off], "mean_um": centre}
        rows.append(replace(row, certified_u_um=Decimal(1), error_um=error, **told))
    return rows


def _each(
    figures: str, checks: Sequence[GaugeCheck], lower: str = "10", upper: str = "140", rule: str = "guard-band"
) -> list[Finding]:
    """Return the findings of the lowest and of the highest of readings in µm, by a gauge of 1 µm + 2 %."""
    count = len(figures.split())
    place = location("front face", lower, upper, readings_per_spot=count)
    the_job = job(place, rule="every-reading", unit="um", decision={"rule": rule})
    taken = readings(figures, "um", per_spot=count)
    found = assess(the_job, _two_percent(), taken, list(checks), coats=1, bakes=1)
    return list(found.locations[0].findings)


def _guard(finding: Finding) -> Guard:
    assert finding.guard is not None
    return finding.guard


@pytest.mark.parametrize("figures", ["30.0 31.0 32.0 31.5 30.5 137.0", "130.0 131.0 132.0 131.5 130.5 137.0"])
def test_one_thick_reading_among_thin_ones_is_as_uncertain_as_among_thick_ones(figures: str) -> None:
    """By hand, at 137 µm: accuracy (1 + 0.02 · 137)/√3 = 2.159; standard 1/2 = 0.5; last place 0.05/√3 = 0.029; so
    u = 2.217, and with k = 1.960 U = 4.344. 140 - 137 = 3 is less. 3/2.217 = 1.353, and the tail beyond it is 8.8 %."""
    highest = _each(figures, _checks("0", "0"))[1]
    guard = _guard(highest)
    assert (highest.verdict, guard.value) == (Verdict.FAIL, 137)
    assert float(guard.expanded) == pytest.approx(4.344, abs=0.001)
    assert float(guard.acceptance) == pytest.approx(135.656, abs=0.001)
    assert highest.sentence.endswith(
        "U 4.3 µm, guard band 4.3 µm (r = 1): not accepted, risk of a wrong decision 91.2 %"
    )


def test_the_risk_by_simple_acceptance_is_that_at_the_value() -> None:
    figures = "30.0 31.0 32.0 31.5 30.5 137.0"
    place = location("front face", "10", "140", readings_per_spot=6)
    the_job = job(place, rule="every-reading", unit="um")
    found = assess(the_job, _two_percent(), readings(figures, "um", per_spot=6), _checks("0", "0"), coats=1, bakes=1)
    here = found.locations[0]
    assert here.risk == pytest.approx(Decimal("0.088"), abs=Decimal("0.0005"))
    assert "137.0 µm lies within U = 4.3 µm of the limit 140 µm: with a probability of 9 %" in here.risk_sentence
    # U(1) of the location stands at its mean of 48.7 µm: accuracy 1.973/√3 = 1.139, so u = 1.244.
    assert here.one_reading is not None
    assert float(here.one_reading.combined) == pytest.approx(1.244, abs=0.001)


@settings(max_examples=25, deadline=None)
@given(
    first=st.lists(st.integers(300, 1365), min_size=2, max_size=5),
    second=st.lists(st.integers(300, 1365), min_size=2, max_size=5),
    policy=st.sampled_from(["carried", "corrected"]),
)
def test_the_uncertainty_of_a_reading_does_not_depend_on_its_neighbours(
    first: list[int], second: list[int], policy: str
) -> None:
    """Where repeatability is that on the standards, the neighbours can be exchanged for any others."""
    decision = {"rule": "guard-band"}
    guards = []
    for steps in (first, second):
        figures = " ".join(f"{Decimal(s) / 10:.1f}" for s in (*steps, 1370))
        count = len(steps) + 1
        place = location("front face", None, "140", readings_per_spot=count)
        the_job = job(place, rule="every-reading", unit="um", decision=decision)
        checked = _two_percent().model_copy(update={"verification": shop(error=policy).verification})
        taken = readings(figures, "um", per_spot=count)
        found = assess(the_job, checked, taken, _checks("0.3", "-0.4", repeats="0.2"), coats=1, bakes=1)
        (highest,) = found.locations[0].findings
        guards.append(_guard(highest))
    assert guards[0] == guards[1]


def test_a_reading_farther_inside_whose_standard_is_worse_is_not_passed_over() -> None:
    """The standards meet at 62.5 µm. An error of 3 µm at the upper one is carried from there on: u grows from 1.38 to
    2.22, U from 2.7 to 4.4. So 62.4 is clear of a limit of 59.5 and 62.6 is not."""
    checks = _checks("0", "3")
    assert _each("62.4 62.4", checks, "59.5")[0].verdict is Verdict.PASS
    lowest = _each("62.4 62.6 80.0", checks, "59.5")[0]
    assert (lowest.verdict, lowest.found, _guard(lowest).value) == (Verdict.FAIL, Fraction("62.4"), Fraction("62.6"))
    assert "lowest reading 62.4 µm meets the lower limit 59.5 µm; 62.6 µm decides, by its own guard band; U 4.4 µm" in (
        lowest.sentence
    )
    assert _each("62.6 62.6", checks, "59.5")[0].verdict is Verdict.FAIL


def test_what_lies_outside_fails_for_itself_and_in_the_four_way_form_the_worst_is_said() -> None:
    checks = _checks("3", "0")
    # Below 62.5 U is 4.4, above it 2.8.
    assert _guard(_each("62.4 62.6", checks, "66")[0]).value == Fraction("62.4")
    lowest = _each("62.4 62.6", checks, "66", rule="four-way")[0]
    assert (lowest.verdict, lowest.conditional, _guard(lowest).value) == (Verdict.FAIL, False, Fraction("62.6"))


@settings(max_examples=25, deadline=None)
@given(steps=st.lists(st.integers(550, 700), min_size=2, max_size=4), more=st.integers(550, 700))
def test_one_reading_more_never_turns_a_fail_into_a_pass(steps: list[int], more: int) -> None:
    checks = _checks("0", "3", repeats="0.1")
    before, after = (
        _each(" ".join(f"{Decimal(s) / 10:.1f}" for s in figures), checks, "59.5")[0].verdict
        for figures in (steps, [*steps, more])
    )
    assert after >= before


def test_the_mean_of_a_thick_piece_is_as_uncertain_as_its_own_thickness_says() -> None:
    """Two pieces, of 31 and 131 µm: the accuracy of each mean is (1 + 0.02 · t)/√3, and not that of 81 µm."""
    place = location("front face", "10", "140", readings_per_spot=3)
    the_job = job(place, rule="location-means", unit="um", decision={"rule": "guard-band"})
    taken = [
        *readings("30.0 31.0 32.0", "um", per_spot=3),
        *readings("130.0 131.0 132.0", "um", first=4, per_spot=3, piece="2", spot=1),
    ]
    found = assess(the_job, _two_percent(), taken, _checks("0", "0"), coats=1, bakes=1).locations[0].findings
    thin, thick = (next(_guard(f).expanded for f in found if f.piece == piece) for piece in "12")
    # s = 1 over 4 degrees, so 0.577 for a mean of 3; with the gauge u = 1.213 and 2.226, degrees 77 and 882.
    assert float(thin) == pytest.approx(1.991 * (1 / 3 + (1.62 / 3**0.5) ** 2 + 0.25 + 0.0025 / 3) ** 0.5, abs=0.001)
    assert float(thick) == pytest.approx(1.963 * (1 / 3 + (3.62 / 3**0.5) ** 2 + 0.25 + 0.0025 / 3) ** 0.5, abs=0.001)

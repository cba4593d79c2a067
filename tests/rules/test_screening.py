"""Verdicts on columns are the verdicts of one by one: the same readings, the same limits, exactly."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.assessment import assess, conformity_of
from rules.calibration_gate import RunGate, cover
from rules.many import assess_many
from rules.results import GateState
from rules.screening import screen, screenable
from rules.verdict import Verdict
from schemas.gauge_checks import GaugeCheck
from schemas.job import Job
from schemas.parquet import table_of
from schemas.readings import READINGS, GaugeReading
from schemas.units import Unit, to_um
from tests.rules.builders import GAUGE, at, event, job, location, reading, shop, verification

RULES = ("every-reading", "location-means")
PLACES = (
    location("face", "2.0", "4.0", spots=2, readings_per_spot=2),
    location("edge", None, "4.05"),
    location("back", "1.95", None, readings_per_spot=2),
)

figures = st.integers(190, 410).map(lambda n: f"{Decimal(n) / 100:.2f}")
# On and around the limits above all.
near = st.sampled_from(["1.94", "1.95", "1.99", "2.00", "2.01", "3.99", "4.00", "4.01", "4.05", "4.06"])
taken = st.lists(
    st.tuples(
        st.sampled_from(["1", "2"]),
        st.sampled_from(["face", "FACE", "edge", "back", "lid"]),
        st.integers(1, 3),
        st.one_of(near, near, figures),
        st.sampled_from([True, True, True, False]),
        st.sampled_from([None, None, "0.5"]),
    ),
    max_size=30,
)
complete = st.lists(near, min_size=14, max_size=14)


def _rows(number: int, entries: list[tuple[str, str, int, str, bool, str | None]]) -> list[GaugeReading]:
    return [
        reading(
            n,
            shown,
            inspection_id=f"I-{number}",
            piece=piece,
            location=place,
            spot=spot,
            counted=counted,
            excluded_reason=None if counted else "a word",
            base_metal_um=None if base is None else Decimal(base),
        )
        for n, (piece, place, spot, shown, counted, base) in enumerate(entries, 1)
    ]


def _planned(shown: list[str]) -> list[tuple[str, str, int, str, bool, str | None]]:
    slots = [("face", 1), ("face", 1), ("face", 2), ("face", 2), ("edge", 1), ("back", 1), ("back", 1)]
    places = [(piece, *slot) for piece in "12" for slot in slots]
    return [(piece, place, spot, f, True, None) for (piece, place, spot), f in zip(places, shown, strict=True)]


def _same(asked: Job, inspections: list[list[GaugeReading]]) -> int:
    """Compare both ways and return how many inspections the columns decided."""
    rows = [row for inspection in inspections for row in inspection]
    found = screen(asked, table_of(READINGS, rows))
    assert found.keys() == {row.inspection_id for row in rows}
    decided = 0
    for inspection in inspections:
        if inspection and (verdict := found[inspection[0].inspection_id]) is not None:
            assert verdict is conformity_of(asked, inspection)[2]
            decided += 1
    return decided


@pytest.mark.parametrize("rule", RULES)
@pytest.mark.parametrize("base", [False, True])
@settings(max_examples=60, deadline=None)
@given(st.lists(taken, min_size=1, max_size=4))
def test_whatever_was_read_the_columns_say_the_same_or_nothing(
    rule: str, base: bool, inspections: list[list[tuple[str, str, int, str, bool, str | None]]]
) -> None:
    asked = job(*PLACES, rule=rule, base_reading=base)
    _same(asked, [_rows(n, entries) for n, entries in enumerate(inspections)])


@pytest.mark.parametrize("rule", RULES)
@pytest.mark.parametrize("unit", ["mil", "um"])
@settings(max_examples=60, deadline=None)
@given(shown=complete)
def test_complete_inspections_are_decided_on_columns_on_the_limit_too(rule: str, unit: str, shown: list[str]) -> None:
    places = [
        {**p, **{k: to_um(p[k], Unit.MIL) for k in ("lower", "upper") if k in p and unit == "um"}} for p in PLACES
    ]
    asked = job(*places, rule=rule, unit=unit)
    assert _same(asked, [_rows(0, _planned(shown))]) == 1


def test_only_rules_that_look_at_readings_and_means_alone_are_screened() -> None:
    assert screenable(job(), shop())
    assert not screenable(job(rule={"name": "every-reading", "comparison": "rounding"}), shop())
    assert not screenable(job(decision={"rule": "guard-band"}), shop())
    assert not screenable(job(sampling={"scheme": "every-piece"}), shop())
    assert not screenable(job(rule="ninety-ten"), shop())
    assert not screenable(job(), shop(error="corrected"))


def test_nothing_to_screen_is_no_verdict() -> None:
    assert screen(job(), table_of(READINGS, [])) == {}
    bare = _rows(0, [("1", "face", 1, "3.0", False, None)])
    assert screen(job(*PLACES), table_of(READINGS, bare)) == {"I-0": None}
    before = [replace(row, counted=False, coat_stage="bare") for row in bare]
    assert screen(job(*PLACES), table_of(READINGS, before)) == {"I-0": Verdict.UNDECIDED}


# The gate of a run

events = st.lists(
    st.tuples(
        st.sampled_from(["good", "good", "bad", "adjustment", "incident", "calibration"]), st.integers(0, 30 * 60)
    ),
    max_size=7,
)


def _checks(made: list[tuple[str, int]]) -> list[GaugeCheck]:
    rows: list[GaugeCheck] = []
    for n, (kind, minute) in enumerate(made):
        moment = at(0) + timedelta(minutes=minute)
        if kind in ("good", "bad"):
            rows += verification(f"V-{n}", moment, passed=kind == "good")
        else:
            more: dict[str, Any] = {"occasion": "drop"} if kind == "incident" else {}
            if kind == "calibration":
                more = {"due": at(0).date().replace(year=2027), "certificate_no": "C-9", "within": True}
            rows.append(event(f"E-{n}", kind, moment, **more))
    return rows


@settings(max_examples=200, deadline=None)
@given(
    made=events,
    starts=st.lists(st.tuples(st.integers(0, 30 * 60), st.integers(0, 120)), min_size=1, max_size=6),
    closing=st.booleans(),
)
def test_the_state_of_a_run_is_the_worst_of_its_readings_or_left_open(
    made: list[tuple[str, int]], starts: list[tuple[int, int]], closing: bool
) -> None:
    asked, policy, checks = job(*PLACES), shop(closing_required=closing, time_zone="Europe/Berlin"), _checks(made)
    gate = RunGate(checks, asked, policy)
    for start, length in starts:
        first = at(0) + timedelta(minutes=start)
        moments = [first + timedelta(minutes=length * k / 5) for k in range(6)]
        names = ("face", "edge", "back")
        run = [reading(n, "3.0", location=names[n % 3], spot=1, taken_at=moment) for n, moment in enumerate(moments, 1)]
        state = gate.state(GAUGE, "magnetic", moments[0], moments[-1], names)
        assert state in (None, cover(run, checks, asked, policy).state)


def test_a_run_between_two_good_checks_is_covered_without_looking_at_each_reading() -> None:
    checks = [*verification("a", at(8)), *verification("b", at(18), occasion="closing")]
    gate = RunGate(checks, job(), shop(bracket_limits=False))
    assert gate.state(GAUGE, "magnetic", at(9), at(10), ("front face",)) is GateState.COVERED
    assert gate.state(GAUGE, "magnetic", at(9), at(19), ("front face",)) is None


@settings(max_examples=100, deadline=None)
@given(
    made=events,
    lots=st.lists(st.tuples(complete, st.integers(0, 30 * 60), st.integers(0, 90)), min_size=1, max_size=4),
    rule=st.sampled_from(RULES),
)
def test_many_inspections_at_once_come_to_what_each_comes_to_alone(
    made: list[tuple[str, int]], lots: list[tuple[list[str], int, int]], rule: str
) -> None:
    asked, policy, checks = job(*PLACES, rule=rule), shop(), _checks(made)
    every: dict[str, list[GaugeReading]] = {}
    for number, (shown, start, length) in enumerate(lots):
        rows = _rows(number, _planned(shown))
        every[f"I-{number}"] = [
            replace(row, taken_at=at(0) + timedelta(minutes=start + length * k / len(rows)))
            for k, row in enumerate(rows)
        ]
    table = table_of(READINGS, [row for rows in every.values() for row in rows])
    for inspection, found in assess_many(asked, policy, table, checks).items():
        if found is not None:
            alone = assess(asked, policy, every[inspection], checks, coats=1, bakes=1)
            assert (found.verdict, found.conformity, found.state) == (
                alone.verdict,
                alone.conformity,
                alone.coverage.state,
            )


def test_a_limit_finer_than_a_reading_is_compared_exactly_with_a_mean() -> None:
    # 2.0001 mil is 50.80254 µm: between two steps of 0.0001 µm, so a whole number would not do.
    asked = job(location("face", "2.0001", None, readings_per_spot=3), rule="location-means")
    for last, verdict in (("50.8077", Verdict.PASS), ("50.8076", Verdict.FAIL)):
        rows = [
            replace(reading(n, "2.00", location="face", spot=1), thickness_um=Decimal(um))
            for n, um in enumerate(("50.8000", "50.8000", last), 1)
        ]
        assert screen(asked, table_of(READINGS, rows)) == {"I-1": verdict}
        assert conformity_of(asked, rows)[2] is verdict


def test_an_inspection_that_is_looked_at_closely_does_not_hide_the_next_one() -> None:
    checks = [*verification("a", at(8)), *verification("b", at(18), occasion="closing")]
    odd = replace(reading(1, "3.0", inspection_id="I-0"), gauge_serial="other")
    rows = [odd, replace(odd, reading_no=2, gauge_serial=GAUGE), reading(1, "3.0", inspection_id="I-1")]
    found = assess_many(job(), shop(bracket_limits=False), table_of(READINGS, rows), checks)
    assert found["I-0"] is None
    assert found["I-1"] is not None
    assert found["I-1"].verdict is Verdict.PASS

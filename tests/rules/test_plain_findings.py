"""Findings from columns are the findings of one reading at a time: the same numbers, the same words, in the same order."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from rules.assessment import conformity_of
from rules.plain_findings import plain_findings
from rules.sentence import to_plain
from rules.verdict import Finding, Verdict
from schemas.job import Job
from schemas.parquet import table_of
from schemas.readings import READINGS, GaugeReading
from tests.rules.builders import job, location, reading

PLACES = (
    location("face", "2.0", "4.0", spots=2, readings_per_spot=2),
    location("edge", None, "4.05", spots=3),
    location("back", "1.95", None, readings_per_spot=2),
)
RULES: tuple[dict[str, Any], ...] = (
    {"name": "every-reading"},
    {"name": "every-reading", "comparison": "rounding"},
    {"name": "location-means"},
    {"name": "location-means", "comparison": "rounding", "tie": "up"},
)
_near = st.sampled_from(["1.94", "1.95", "1.99", "2.00", "2.01", "2.95", "3.0", "3.99", "4.00", "4.04", "4.05", "4.06"])


def _in_plan_order(the_job: Job, pieces: tuple[str, ...], shown: list[str], unit: str) -> list[GaugeReading]:
    """Return one reading for each place that the job plans, with the figures of *shown* over and over."""
    readings: list[GaugeReading] = []
    for piece in pieces:
        for place in the_job.location:
            for nth in range(place.planned):
                number = len(readings) + 1
                spot = nth // place.readings_per_spot + 1
                figure = shown[number % len(shown)]
                readings.append(reading(number, figure, unit, piece=piece, location=place.name, spot=spot))
    return readings


def _expected(the_job: Job, readings: list[GaugeReading]) -> tuple[list[Finding], Verdict]:
    locations, of_lot, verdict = conformity_of(the_job, readings)
    return [finding for result in locations for finding in result.findings] + list(of_lot), verdict


def _shows(findings: list[Finding]) -> list[tuple[object, ...]]:
    """Return all that a finding is, with what does not count when two are compared: its words and what it is among."""
    return [(finding, to_plain(finding.sentence), finding.among) for finding in findings]


_cases = st.tuples(
    st.sampled_from(RULES),
    st.integers(1, 3),
    st.sampled_from([("1",), ("2", "1"), ("{place}", "ä \\ %", "3")]),
    st.lists(_near, min_size=1, max_size=40),
    st.sampled_from(["mil", "um"]),
)


@given(_cases)
@example(({"name": "every-reading"}, 3, ("1",), ["4.00"], "mil"))
def test_a_complete_inspection_has_the_findings_of_one_by_one(
    case: tuple[dict[str, Any], int, tuple[str, ...], list[str], str],
) -> None:
    rule, many, pieces, shown, unit = case
    the_job = job(*PLACES[:many], rule=rule, unit=unit)
    readings = _in_plan_order(the_job, pieces, shown, unit)
    found = plain_findings(the_job, table_of(READINGS, readings))
    assert found is not None
    expected = _expected(the_job, readings)
    assert (_shows(found[0]), found[1]) == (_shows(expected[0]), expected[1])


@given(_cases, st.data())
def test_an_inspection_with_any_gap_has_the_same_findings_or_is_left_to_one_by_one(
    case: tuple[dict[str, Any], int, tuple[str, ...], list[str], str], data: st.DataObject
) -> None:
    rule, many, pieces, shown, unit = case
    the_job = job(*PLACES[:many], rule=rule, unit=unit)
    readings = _in_plan_order(the_job, pieces, shown, unit)
    place = data.draw(st.integers(0, len(readings) - 1))
    other = data.draw(st.integers(0, len(readings) - 1))
    match data.draw(
        st.sampled_from(["lost", "doubled", "left out", "swapped", "elsewhere", "unknown", "base", "spot"])
    ):
        case "lost":
            del readings[place]
        case "doubled":
            readings.insert(place, readings[place])
        case "left out":
            readings[place] = replace(
                readings[place], counted=False, excluded_reason="a run in the film", excluded_by="AM"
            )
        case "swapped":
            readings[place], readings[other] = readings[other], readings[place]
        case "elsewhere":
            readings[place] = replace(readings[place], piece=readings[other].piece, location=readings[other].location)
        case "unknown":
            readings[place] = replace(readings[place], location="lid")
        case "base":
            readings[place] = replace(readings[place], base_metal_um=Decimal(10))
        case _:
            readings[place] = replace(readings[place], spot=readings[place].spot + 1)
    if not readings:
        return
    found = plain_findings(the_job, table_of(READINGS, readings))
    if found is not None:
        expected = _expected(the_job, readings)
        assert (_shows(found[0]), found[1]) == (_shows(expected[0]), expected[1])


@pytest.mark.parametrize(
    ("rule", "more"),
    [
        ({"name": "shop-rule", "each_at_most": Decimal(1)}, {}),
        ({"name": "every-reading"}, {"base_reading": True, "blasted": True}),
    ],
)
def test_a_rule_that_looks_at_more_is_left_to_one_by_one(rule: dict[str, Any], more: dict[str, Any]) -> None:
    the_job = job(*PLACES[:1], rule=rule, **more)
    readings = _in_plan_order(the_job, ("1",), ["3.0"], "mil")
    assert plain_findings(the_job, table_of(READINGS, readings)) is None

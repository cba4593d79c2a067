"""How long an inspection is kept: days, years, time zones, whose years hold, and what a hold keeps."""

from __future__ import annotations

import dataclasses
from datetime import UTC, date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from archive.retention import holds_set, retained, years_later
from schemas.customer import Customer
from schemas.errors import IntegrityFailed
from schemas.holds import Hold
from tests.archive import scenario

NOBODY: Any = ((), None, (), UTC)


def hold(number: int = 1, state: str = "set", **on: str) -> Hold:
    return Hold(
        hold_id=f"20270101-100000-000{number}",
        revision=1 if state == "set" else 2,
        state=state,
        customer=on.get("customer"),
        inspection_id=on.get("inspection_id"),
        at=datetime(2027, 1, 1, 10, tzinfo=UTC),
        by="TA",
        reason="a claim is open",
    )


@pytest.mark.parametrize(
    ("day", "years", "last"),
    [
        pytest.param("2026-11-03", 10, "2036-11-03", id="the same day"),
        pytest.param("2024-02-29", 4, "2028-02-29", id="leap year to leap year"),
        pytest.param("2024-02-29", 1, "2025-03-01", id="29 February, no such day: the day after"),
        pytest.param("2000-02-29", 100, "2100-03-01", id="2100 is no leap year"),
        pytest.param("2026-12-31", 1, "2027-12-31", id="the last day of a year"),
    ],
)
def test_the_last_day_is_the_same_day_years_later(day: str, years: int, last: str) -> None:
    assert years_later(date.fromisoformat(day), years) == date.fromisoformat(last)


@given(day=st.dates(date(1990, 1, 1), date(2200, 12, 31)), years=st.integers(1, 100))
def test_whole_years_have_passed_on_the_last_day_and_no_day_less_is_kept(day: date, years: int) -> None:
    last = years_later(day, years)
    assert (last.year, last.month, last.day) >= (day.year + years, day.month, day.day)
    assert years_later(day + timedelta(days=1), years) >= last


def test_it_may_go_the_day_after_the_last() -> None:
    found = retained([scenario.inspection()], *NOBODY)
    assert (found.counted_from, found.kept_until) == (date(2026, 11, 3), date(2036, 11, 3))
    assert found.rule == "10 years by the job, from the sealing on 2026-11-03"
    assert [found.may_go(date(2036, 11, day)) for day in (2, 3, 4)] == [False, False, True]


@pytest.mark.parametrize(("zone", "day"), [("UTC", 3), ("Europe/Berlin", 4), ("America/Chicago", 3)])
def test_the_day_is_the_shops(zone: str, day: int) -> None:
    late = scenario.inspection(sealed_at=datetime(2026, 11, 3, 23, 30, tzinfo=UTC))
    assert retained([late], (), None, (), ZoneInfo(zone)).counted_from == date(2026, 11, day)


def test_it_counts_from_the_last_revision_and_the_last_certificate() -> None:
    one = scenario.inspection()
    corrected = dataclasses.replace(scenario.correction(one), sealed_at=one.sealed_at + timedelta(days=30))
    assert retained([one, corrected], *NOBODY).counted_from == date(2026, 12, 3)
    issued = scenario.certificate(one, "{}", issued_at=one.sealed_at + timedelta(days=60))
    found = retained([one, corrected], [issued], None, (), UTC)
    assert found.counted_from == date(2027, 1, 2)
    assert found.rule == "10 years by the job, from the last certificate on 2027-01-02"


@pytest.mark.parametrize(
    ("job", "customer", "years", "whose"),
    [
        (12, None, 12, "the job"),
        (12, 5, 12, "the job"),
        (5, 12, 12, "the customer's file"),
        (7, 7, 7, "the job"),
        (1, None, 1, "the job"),
    ],
)
def test_the_longer_of_job_and_customer_holds(job: int, customer: int | None, years: int, whose: str) -> None:
    one = scenario.inspection(job_json=f'{{"retention_years":{job}}}')
    file = None if customer is None else Customer.checked({"name": "x", "retention": {"years": customer}}, "x")
    found = retained([one], (), file, (), UTC)
    assert found.kept_until == date(2026 + years, 11, 3)
    assert found.rule.startswith(f"{years} year{'s' * (years > 1)} by {whose}, ")


def test_no_revision_makes_it_shorter() -> None:
    one = scenario.inspection(job_json='{"retention_years":30}')
    corrected = dataclasses.replace(scenario.correction(one), job_json='{"retention_years":2}')
    assert retained([one, corrected], *NOBODY).kept_until == date(2056, 11, 3)


@pytest.mark.parametrize(
    "job", ["", "[]", '{"retention_years":"ten"}', '{"retention_years":true}', '{"retention_years":0}']
)
def test_a_job_that_says_no_years_is_no_reason_to_remove(job: str) -> None:
    with pytest.raises(IntegrityFailed, match="nothing of it is removed"):
        retained([scenario.inspection(job_json=job)], *NOBODY)


@pytest.mark.parametrize(
    ("on", "keeps"),
    [
        ({"customer": "ferrow  GATE works"}, True),
        ({"customer": "Ferrow Gate"}, False),
        ({"inspection_id": scenario.inspection_id(1)}, True),
        ({"inspection_id": scenario.inspection_id(2)}, False),
    ],
)
def test_a_hold_keeps_what_it_names(on: dict[str, str], keeps: bool) -> None:
    found = retained([scenario.inspection()], (), None, [hold(**on)], UTC)
    assert bool(found.held_by) is keeps
    assert found.may_go(date(2100, 1, 1)) is not keeps
    assert found.is_over(date(2100, 1, 1))


def test_a_hold_that_was_lifted_keeps_nothing_and_the_other_stays() -> None:
    first, second = hold(1, customer="Ferrow"), hold(2, inspection_id="x")
    assert holds_set([first, second, hold(1, "lifted", customer="Ferrow")]) == [second]

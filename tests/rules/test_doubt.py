"""Which readings are in doubt: against a definition written straight from its sentence, and against the gate."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.calibration_gate import cover, readings_in_doubt
from rules.doubt import (
    Cause,
    Doubt,
    Policy,
    doubts_looked_up,
    doubts_of_check,
    doubts_of_standard,
    doubts_on_record,
    earliest,
    in_doubt,
    look_back,
    stated,
)
from rules.results import GateState
from schemas.certificates import Certificate
from schemas.errors import BadInput
from schemas.gauge_checks import GaugeCheck
from schemas.inspections import Inspection
from schemas.readings import GaugeReading
from tests.rules.builders import GAUGE, at, event, job, location, reading, shop, verification

MODES = ("magnetic", "eddy-current")
POLICY = Policy(closing_required=True, zone=UTC)
LONG_AGO = datetime(2026, 3, 1, tzinfo=UTC)


def numbers(readings: Iterable[GaugeReading]) -> list[int]:
    return [r.reading_no for r in readings]


def held(doubts: Sequence[Doubt], readings: Sequence[GaugeReading]) -> list[int]:
    return numbers(in_doubt(readings, doubts).taken)


# Random weeks: five days by six hours, so that moments coincide often.

moments = st.integers(0, 20).map(lambda step: LONG_AGO + timedelta(hours=6 * step))
modes = st.sampled_from(MODES)


@st.composite
def weeks(draw: st.DrawFn, kinds: Sequence[str], whole_gauge: bool = True) -> list[GaugeCheck]:
    """Return checks of two gauges in two modes, some of a whole gauge."""
    rows: list[GaugeCheck] = []
    for number in range(draw(st.integers(0, 9))):
        kind, when, serial = draw(st.sampled_from(kinds)), draw(moments), draw(st.sampled_from((GAUGE, GAUGE, "HG-8")))
        mode = draw(st.sampled_from((*MODES, None))) if whole_gauge else draw(modes)
        facts: dict[str, Any] = {"gauge_serial": serial, "probe_mode": mode}
        if kind == "verification":
            standards = draw(st.sampled_from(((("Z-0", "0"),), (("Z-0", "0"), ("F-125", "125")), (("F-125", "125"),))))
            rows += verification(f"C-{number}", when, passed=draw(st.booleans()), standards=standards, **facts)
        else:
            occasion = draw(st.sampled_from(("drop", "probe", "other"))) if kind == "incident" else None
            rows.append(event(f"C-{number}", kind, when, occasion=occasion, **facts))
    return rows


@st.composite
def taken(draw: st.DrawFn) -> list[GaugeReading]:
    """Return readings at any moment by either gauge in either mode."""
    every = draw(st.lists(st.tuples(moments, st.sampled_from((GAUGE, "HG-8")), modes), max_size=12))
    return [
        reading(n, "2.5", taken_at=when, gauge_serial=serial, probe_mode=mode)
        for n, (when, serial, mode) in enumerate(every, 1)
    ]


def is_suspect_by_the_sentence(one: GaugeReading, checks: Sequence[GaugeCheck], failed_id: str) -> bool:
    """SSPC-PA 2: where a gauge fails its check, every reading since the last good check is suspect (facts/standards: read)."""
    rows = [c for c in checks if c.check_id == failed_id]
    failed_at = rows[0].done_at
    if one.gauge_serial != rows[0].gauge_serial or rows[0].probe_mode not in (one.probe_mode, None):
        return False  # another gauge, or the same in another mode
    if one.taken_at > failed_at:
        return False
    for check_id in {c.check_id for c in checks if c.kind == "verification"}:
        other = [c for c in checks if c.check_id == check_id]
        same = other[0].gauge_serial == one.gauge_serial and other[0].probe_mode in (one.probe_mode, None)
        good = all(c.within for c in other)
        if same and good and one.taken_at < other[0].done_at < failed_at:
            return False  # a good check lies between the reading and the failed one
    return True


@given(weeks(["verification", "verification", "adjustment", "incident", "calibration"]), taken())
def test_a_failed_check_puts_every_reading_since_the_last_good_one_in_doubt_and_no_other(
    checks: list[GaugeCheck], readings: list[GaugeReading]
) -> None:
    for failed_id in {c.check_id for c in checks if c.within is False}:
        expected = [r.reading_no for r in readings if is_suspect_by_the_sentence(r, checks, failed_id)]
        assert numbers(readings_in_doubt(readings, checks, failed_id)) == expected
        doubts = doubts_of_check(checks, failed_id, POLICY)
        assert held([d for d in doubts if d.cause is Cause.FAILED_CHECK], readings) == expected


@settings(max_examples=200)
@given(
    weeks(["verification", "verification", "verification", "adjustment", "incident", "calibration"]),
    taken(),
    st.booleans(),
)
def test_what_the_records_put_in_doubt_is_what_the_gate_does_not_cover(
    checks: list[GaugeCheck], readings: list[GaugeReading], closing_required: bool
) -> None:
    """Where nothing is past its date or age and no brackets are asked for: what else the gate asks is no look-back."""
    own = [r for r in readings if r.gauge_serial == GAUGE]
    kept = shop(max_age_hours=744, bracket_limits=False, closing_required=closing_required)
    coverage = cover(own, checks, job(location(lower=None)), kept)
    not_covered = [entry.reading_no for entry in coverage.readings if entry.state is not GateState.COVERED]
    policy = replace(POLICY, closing_required=closing_required)
    assert held(doubts_on_record(checks, GAUGE, policy), own) == not_covered


@given(weeks(["verification", "verification", "adjustment"]), taken(), st.tuples(moments, moments).map(sorted))
def test_a_standard_puts_in_doubt_what_opens_or_closes_with_a_check_made_on_it(
    checks: list[GaugeCheck], readings: list[GaugeReading], ends: list[datetime]
) -> None:
    start, end = ends
    on_it = {c.check_id for c in checks if c.standard_id == "F-125" and start <= c.done_at <= end}
    doubts = doubts_of_standard(checks, "F-125", start, end)
    moments_of: dict[tuple[str, str], set[datetime]] = {}
    for check in checks:
        if check.check_id in on_it:
            for mode in MODES if check.probe_mode is None else (check.probe_mode,):
                moments_of.setdefault((check.gauge_serial, mode), set()).add(check.done_at)
    expected = []
    for one in readings:
        of_gauge = [
            c.done_at
            for c in checks
            if c.kind == "verification"
            and c.gauge_serial == one.gauge_serial
            and c.probe_mode in (one.probe_mode, None)
        ]
        around = {
            max((t for t in of_gauge if t <= one.taken_at), default=None),
            min((t for t in of_gauge if t > one.taken_at), default=None),
        }
        if around & moments_of.get((one.gauge_serial, one.probe_mode), set()):
            expected.append(one.reading_no)
    assert held(doubts, readings) == expected
    for one_doubt, next_doubt in pairwise(doubts):
        assert (one_doubt.gauge_serial, one_doubt.probe_mode) != (next_doubt.gauge_serial, next_doubt.probe_mode) or (
            one_doubt.end is not None and next_doubt.start is not None and one_doubt.end < next_doubt.start
        )


# One of each kind, by hand


def day_of(*checks: list[GaugeCheck]) -> list[GaugeCheck]:
    return [row for check in checks for row in check]


HOURLY = [reading(hour, "2.5", taken_at=at(hour)) for hour in range(6, 20)]


@pytest.mark.parametrize(
    ("checks", "named", "hours"),
    [
        (day_of(verification("V-1", at(8)), verification("V-2", at(12), passed=False)), "V-2", [8, 9, 10, 11, 12, *range(12, 20)]),
        (day_of(verification("V-1", at(8)), verification("V-2", at(12), passed=False), verification("V-3", at(14))), "V-2", [8, 9, 10, 11, 12, 13]),
        (day_of(verification("V-1", at(15))), "V-1", [15, 16, 17, 18, 19]),
        (day_of(verification("V-1", at(8)), [event("A-1", "adjustment", at(10))], verification("V-2", at(13))), "A-1", [8, 9, 10, 11, 12]),
        (day_of(verification("V-1", at(8)), [event("I-1", "incident", at(10), occasion="drop")], verification("V-2", at(13))), "I-1", [10, 11, 12]),
        (day_of(verification("V-1", at(8)), [event("I-1", "incident", at(17), occasion="drop")]), "I-1", [17, 18, 19]),
        ([event("K-1", "calibration", at(10), due=date(2027, 3, 3))], "K-1", list(range(6, 20))),
    ],
    ids=["failed", "failed, then good", "open", "adjusted", "dropped", "dropped and not checked", "found off"],
)  # fmt: skip
def test_what_each_kind_of_check_puts_in_doubt(checks: list[GaugeCheck], named: str, hours: list[int]) -> None:
    assert held(doubts_of_check(checks, named, POLICY), HOURLY) == sorted(set(hours))


def test_an_adjustment_touches_nothing_before_it_where_no_check_has_to_close() -> None:
    checks = day_of(verification("V-1", at(8)), [event("A-1", "adjustment", at(10))], verification("V-2", at(13)))
    assert held(doubts_of_check(checks, "A-1", replace(POLICY, closing_required=False)), HOURLY) == [10, 11, 12]


def test_a_calibration_that_found_the_gauge_off_reaches_back_to_the_one_before_by_days() -> None:
    checks = [event("K-0", "calibration", at(9, day=1)), event("K-1", "calibration", at(9, day=5)), event("K-2", "calibration", at(9, day=9))]  # fmt: skip
    days = [reading(day, "2.5", taken_at=at(6, day=day)) for day in range(1, 11)]
    assert held(doubts_of_check(checks, "K-2", POLICY), days) == [5, 6, 7, 8, 9]
    by_shop_file = replace(POLICY, calibrated_on=date(2026, 3, 7))
    assert held(doubts_of_check(checks, "K-2", by_shop_file), days) == [7, 8, 9]
    assert held(doubts_of_check(checks, "K-0", POLICY), days) == [1]


def test_the_check_after_an_incident_tells_the_error_unless_the_gauge_was_adjusted_between() -> None:
    incident = [event("I-1", "incident", at(10), occasion="drop")]
    checks = day_of(verification("V-1", at(8)), incident, verification("V-2", at(13)))
    errors = {d.probe_mode: d.error_of for d in doubts_of_check(checks, "I-1", POLICY)}
    assert errors == {"magnetic": "V-2", "eddy-current": None}
    adjusted = [*checks, event("A-1", "adjustment", at(12))]
    assert {d.error_of for d in doubts_of_check(adjusted, "I-1", POLICY)} == {None}


@pytest.mark.parametrize("days_before", [1, 61, 63, 500])
def test_however_far_back_the_last_good_check_is_it_is_found_and_no_more_is_asked_for(days_before: int) -> None:
    good = verification("V-1", at(8) - timedelta(days=days_before))
    checks = [*verification("V-0", at(8) - timedelta(days=900)), *good, *verification("V-2", at(12), passed=False)]
    asked: list[datetime | None] = []

    def since(moment: datetime | None) -> list[GaugeCheck]:
        asked.append(moment)
        return [c for c in checks if moment is None or c.done_at >= moment]

    policy = replace(POLICY, modes=("magnetic",))
    found, known = doubts_looked_up(since, "V-2", at(12), policy)
    assert found == doubts_of_check(checks, "V-2", policy)
    assert {"V-1", "V-2"} <= {c.check_id for c in known}
    assert (None in asked) is (days_before > 61)


@pytest.mark.parametrize(
    ("named", "sentence"),
    [
        ("V-9", "there is no check 'V-9'"),
        ("V-1", "'V-1' passed and does not wait for a closing check"),
        ("S-1", "'S-1' is a study"),
    ],
)
def test_what_puts_nothing_in_doubt_is_refused_in_words(named: str, sentence: str) -> None:
    checks = day_of(verification("V-1", at(8)), verification("V-2", at(12)), [event("S-1", "study", at(9))])
    with pytest.raises(BadInput, match=sentence):
        doubts_of_check(checks, named, POLICY)


def test_a_stated_stretch_holds_both_its_ends_unless_it_ends_with_a_day() -> None:
    assert held(stated(GAUGE, ["magnetic"], at(8), at(10)), HOURLY) == [8, 9, 10]
    assert held(stated(GAUGE, ["magnetic"], at(8), at(10), end_counts=False), HOURLY) == [8, 9]
    assert held(stated(GAUGE, ["eddy-current"], None, None), HOURLY) == []
    assert held(stated(GAUGE, MODES, None, None), HOURLY) == numbers(HOURLY)


def test_a_reading_rests_on_the_base_metal_reading_that_was_subtracted_from_it() -> None:
    read = [
        reading(1, "0.8", taken_at=at(8), coat_stage="bare", counted=False),
        reading(2, "3.1", taken_at=at(15), base_metal_um=Decimal(20)),
        reading(3, "3.2", taken_at=at(15), base_metal_um=Decimal(20), counted=False),
        reading(4, "3.3", taken_at=at(15)),
    ]
    found = in_doubt(read, stated(GAUGE, MODES, at(7), at(9)))
    assert (numbers(found.taken), numbers(found.by_base), numbers(found.every)) == ([1], [2], [1, 2])
    assert in_doubt(read, stated(GAUGE, MODES, at(14), at(16))).by_base == ()


# Revisions and certificates


def inspection(inspection_id: str, revision: int, gauge: str = GAUGE) -> Inspection:
    facts = dict.fromkeys(Inspection.__dataclass_fields__)
    given = {"inspection_id": inspection_id, "revision": revision, "gauge_serial": gauge, "probe_mode": "magnetic"}
    return Inspection(**{**facts, **given})


def certificate(inspection_id: str, revision: int, states: int) -> Certificate:
    facts = dict.fromkeys(Certificate.__dataclass_fields__)
    given = {
        "number": f"N-{inspection_id}",
        "revision": revision,
        "inspection_id": inspection_id,
        "inspection_revision": states,
    }
    return Certificate(**{**facts, **given})


@st.composite
def archives(draw: st.DrawFn) -> tuple[list[Inspection], list[Certificate], dict[tuple[str, int], list[GaugeReading]]]:
    inspections, certificates, rows = [], [], {}
    for name in ("I-1", "I-2", "I-3")[: draw(st.integers(1, 3))]:
        revisions = draw(st.integers(1, 3))
        for revision in range(1, revisions + 1):
            serial = draw(st.sampled_from((GAUGE, GAUGE, "HG-8")))
            inspections.append(inspection(name, revision, serial))
            rows[name, revision] = [
                reading(n, "2.5", taken_at=when, gauge_serial=serial, revision=revision)
                for n, when in enumerate(draw(st.lists(moments, max_size=4)), 1)
            ]
        states = sorted(draw(st.lists(st.integers(1, revisions), max_size=3)))
        certificates += [certificate(name, n, stated_by_it) for n, stated_by_it in enumerate(states, 1)]
    return draw(st.permutations(inspections)), certificates, rows


@given(archives(), st.tuples(moments, moments).map(sorted))
def test_every_valid_inspection_and_every_certificate_handed_out_is_found_and_no_other(
    kept: tuple[list[Inspection], list[Certificate], dict[tuple[str, int], list[GaugeReading]]], ends: list[datetime]
) -> None:
    inspections, certificates, rows = kept

    def doubtful(name: str, revision: int) -> bool:
        return any(r.gauge_serial == GAUGE and ends[0] <= r.taken_at <= ends[1] for r in rows[name, revision])

    valid = {
        i.inspection_id: max(o.revision for o in inspections if o.inspection_id == i.inspection_id) for i in inspections
    }
    expected = {name: doubtful(name, revision) for name, revision in valid.items()}
    handed_out = {(c.number, c.revision) for c in certificates if doubtful(c.inspection_id, c.inspection_revision)}
    found = look_back(
        stated(GAUGE, MODES, *ends), inspections, certificates, lambda name, revision: rows[name, revision]
    )
    assert {one.inspection.inspection_id for one in found if one.found} == {n for n, yes in expected.items() if yes}
    assert {(c.certificate.number, c.certificate.revision) for one in found for c in one.certificates} == handed_out
    assert all(one.inspection.revision == valid[one.inspection.inspection_id] for one in found)
    assert all(one.found or one.certificates for one in found)
    for one in found:
        for issued in one.certificates:
            later = [
                c.revision
                for c in certificates
                if c.number == issued.certificate.number and c.revision > issued.certificate.revision
            ]
            assert (None if issued.superseded_by is None else issued.superseded_by.revision) == max(later, default=None)


def test_no_reading_is_asked_for_of_an_inspection_of_another_gauge() -> None:
    def refuse(name: str, revision: int) -> list[GaugeReading]:
        raise AssertionError(f"{name} {revision} was opened")

    assert (
        look_back(stated(GAUGE, MODES, None, None), [inspection("I-1", 1, "HG-8")], [certificate("I-1", 1, 1)], refuse)
        == ()
    )
    assert look_back((), [inspection("I-1", 1)], [], refuse) == ()


def test_nothing_committed_a_day_before_the_earliest_doubt_can_matter() -> None:
    doubts = [*stated(GAUGE, MODES, at(9, day=5), None), *stated(GAUGE, MODES, at(9, day=4), at(9, day=5))]
    assert earliest(doubts) == at(9, day=3)
    assert earliest([*doubts, *stated(GAUGE, MODES, None, at(9))]) is None
    assert earliest([]) is None

"""From the archive's answers to charts: sums put together exactly, one unit, months where inspections are many."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from decimal import Decimal
from fractions import Fraction
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from archive.questions import BuildCount, InspectionSummary
from report.charted import EventKind
from report.history import CheckedGauge
from report.history_facts import _nearest_rank, gauge_events, listed_inspections, part_histories
from report.history_page import MOST_POINTS, PartHistory
from report.outside_pictures import OutsidePicture
from rules.statistics import nearest_rank_quantile, standard_deviation
from schemas.errors import BadInput
from schemas.job import Job
from schemas.units import Unit
from tests.report import scenario

ZONE = ZoneInfo("Europe/London")
BEGIN = datetime(2026, 3, 3, 9, 0, tzinfo=UTC)


def _summary(number: int, builds: list[str], location: str = "face", **changed: Any) -> InspectionSummary:
    exact = [Decimal(b) for b in builds]
    lower, upper = changed.get("lower", Decimal(60)), changed.get("upper", Decimal(90))
    factor = Decimal("25.4") if changed.get("specification_unit") == "mil" else Decimal(1)
    at = changed.pop("at", BEGIN + timedelta(days=number))
    facts: dict[str, Any] = {
        "n": len(exact),
        "sum_um": sum(exact),
        "sum_of_squares_um2": sum(b * b for b in exact),
        "min_um": min(exact),
        "max_um": max(exact),
        "limited": len(exact),
        "below": sum(b < lower * factor for b in exact),
        "above": sum(b > upper * factor for b in exact),
        "month": f"{at:%Y-%m}",
        "inspection_id": f"I{number:04}",
        "revision": 1,
        "group": ("P-1", location, changed.pop("who", "s1"), changed.pop("gauge", "FB-11")),
        "first_taken_at": at,
        "last_taken_at": at,
        "specification_unit": "um",
        "lower": lower,
        "target_low": None,
        "target_high": None,
        "upper": upper,
        "customer": "Sallow Vale Parks Trust",
        "part_no": "P-1",
        "lot": f"L-{number}",
        **dict.fromkeys(("powder", "powder_batch", "sprayer", "inspector", "rack", "rack_position", "gauge_serial")),
        "probe_mode": None,
    }
    known = InspectionSummary.__dataclass_fields__
    return InspectionSummary(**{name: value for name, value in (facts | changed).items() if name in known})


def _counts(summaries: list[InspectionSummary], builds: list[str]) -> list[BuildCount]:
    location = summaries[0].group[1]
    return [
        BuildCount(group=("P-1", location), build_um=Decimal(b), count=builds.count(b)) for b in sorted(set(builds))
    ]


def _history(
    summaries: list[InspectionSummary], builds: list[str], unit: Unit | None = None, drawing: Any = lambda job: None
) -> PartHistory:
    job = scenario.job(["face", "rim"])
    (part,) = part_histories(summaries, _counts(summaries, builds), (), lambda key: job, drawing, ZONE, unit)
    return part


def test_the_readings_of_two_sprayers_and_gauges_are_put_together_exactly() -> None:
    builds = ["70.1", "70.2", "95", "59.9"]
    one = [_summary(1, builds[:2]), _summary(1, builds[2:], who="s2", gauge="FB-07")]
    (place,) = _history(one, builds).locations
    (point,) = place.points
    exact = [Fraction(b) for b in builds]
    assert (point.n, point.mean, point.outside) == (4, sum(exact) / 4, 2)
    assert point.deviation is not None
    assert float(point.deviation) == pytest.approx(float(standard_deviation(exact)), abs=1e-12)
    assert (place.summary.p5, place.summary.p95) == (Fraction("59.9"), Fraction(95))
    (line,) = listed_inspections(one, (), lambda key: scenario.evidence().inspection, ())
    assert (line.sprayers, line.gauges, line.n, line.outside) == (("s1", "s2"), ("FB-11", "FB-07"), 4, 2)


@settings(max_examples=40)
@given(
    st.dictionaries(st.integers(0, 999).map(Fraction), st.integers(1, 9), min_size=1, max_size=30),
    st.sampled_from([5, 50, 95]),
)
def test_a_quantile_of_counts_is_that_of_the_readings(builds: dict[Fraction, int], percent: int) -> None:
    """rules.statistics.nearest_rank_quantile, the contract's one quantile."""
    every = [build for build, count in builds.items() for _ in range(count)]
    assert _nearest_rank(builds, Fraction(percent, 100)) == nearest_rank_quantile(every, Fraction(percent, 100))


def test_more_inspections_than_a_chart_has_room_for_become_months_of_the_shop_s_calendar() -> None:
    many = [_summary(n, ["70"], at=BEGIN + timedelta(hours=6 * n)) for n in range(MOST_POINTS + 1)]
    (place,) = _history(many, ["70"] * len(many)).locations
    assert place.per == "month"
    assert [share.label for share in place.shares] == ["2026-03", "2026-04", "2026-05", "2026-06"]
    assert sum(point.n for point in place.points) == MOST_POINTS + 1
    assert place.shares[0].name == "2026-03, 115 inspections"
    assert place.points[0].label == place.shares[0].name


def test_an_inspection_on_the_last_evening_belongs_to_the_shop_s_month() -> None:
    """22:30 UTC on 30 June is 23:30 in London; 23:30 UTC is July there already (summer time, UTC+1)."""
    late = [_summary(n, ["70"], at=BEGIN + timedelta(hours=n)) for n in range(MOST_POINTS)]
    late.append(_summary(9999, ["70"], at=datetime(2026, 6, 30, 23, 30, tzinfo=UTC)))
    (place,) = _history(late, ["70"] * len(late)).locations
    assert place.shares[-1].label == "2026-07"


def test_limits_that_were_written_in_mil_are_shown_in_the_part_s_unit_and_the_page_says_so() -> None:
    part = _history(
        [_summary(1, ["60"], specification_unit="mil", lower=Decimal(2), upper=Decimal(4))], ["60"], Unit.UM
    )
    window = part.locations[0].points[0].window
    assert (window.lower, window.upper) == (Fraction("50.8"), Fraction("101.6"))
    assert any("converted exactly" in note for note in part.notes)


def test_limits_that_changed_are_said() -> None:
    part = _history([_summary(1, ["70"]), _summary(2, ["70"], upper=Decimal(100))], ["70", "70"])
    assert any(note.startswith("Limits changed at 1 location") for note in part.notes)
    assert not _history([_summary(1, ["70"]), _summary(2, ["70"])], ["70", "70"]).notes


def test_a_drawing_that_cannot_be_read_is_left_out_and_said() -> None:
    def gone(job: Job) -> OutsidePicture:
        raise BadInput("drawings/leaf.svg: there is no such file")

    part = _history([_summary(1, ["70"])], ["70"], drawing=gone)
    assert part.drawing is None
    assert part.notes == ("The part's drawing is left out: drawings/leaf.svg: there is no such file.",)


def test_a_check_passed_only_where_it_was_within_on_every_standard() -> None:
    def check(kind: str, within: bool | None) -> CheckedGauge:
        return CheckedGauge("C-1", "2026-03", BEGIN, "FB-11", kind, None, within, None)

    rows = [
        check("verification", True),
        check("verification", False),
        check("verification", None),
        check("adjustment", None),
        check("calibration", None),
        check("incident", None),
    ]
    assert [event.kind for event in gauge_events(rows)] == [
        EventKind.PASSED,
        EventKind.FAILED,
        EventKind.FAILED,
        EventKind.ADJUSTMENT,
        EventKind.CALIBRATION,
        EventKind.INCIDENT,
    ]

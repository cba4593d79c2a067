"""The two certificates that the benches make: 12 locations of 5 readings, and 60 of 15; all of it invented."""

from __future__ import annotations

from datetime import timedelta

from report.evidence import Evidence
from tests.report import scenario
from tests.report.made import asking

#: Locations and readings per location.
Size = tuple[int, int]


def evidence_of(size: Size) -> Evidence:
    """Return a whole inspection of that size, which conforms."""
    places, each = size
    names = [f"{scenario.PLACES[i % 12]} {i // 12 + 1}" for i in range(places)]
    job = scenario.job(names)
    spec = [{**place.model_dump(), "readings_per_spot": each} for place in job.location]
    long_after = scenario.BEGAN + timedelta(seconds=11 * places * each + 600)
    return asking(
        scenario.evidence(
            scenario.job(names, location=spec),
            shown=scenario.figures(places, each),
            checks=scenario.opening() + scenario.closing(long_after),
            inspection={"sealed_at": long_after + timedelta(minutes=5)},
        )
    )

"""Small builders for the tests of taking an inspection."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from decimal import Decimal
from zoneinfo import ZoneInfo

from ingest.decoding import LineDecoder
from ingest.facts import InspectionFacts, typed_profile
from ingest.framing import Frame
from ingest.inspection import Taking
from ingest.links.raw_line import RawLine
from schemas.job import Job
from schemas.profile import Profile
from schemas.shop import Plausible, Shop

NOW = datetime(2026, 11, 3, 12, 0, tzinfo=UTC)
FACE = {"name": "face", "lower": Decimal(2), "upper": Decimal(5), "readings_per_spot": 2}
EDGE = {"name": "edge", "role": "edge", "lower": Decimal(2), "upper": Decimal(6), "spots": 2, "readings_per_spot": 1}

SHOP = Shop.model_validate(
    {
        "name": "Testing Shop",
        "address": "1 Test Street",
        "code": "TS",
        "gauge": [
            {
                "serial": "G1",
                "probe_modes": ["magnetic"],
                "calibration_certificate": "C1",
                "calibrated_by": "Lab",
                "calibrated_on": "2026-01-01",
                "calibration_due": "2026-12-31",
                "accuracy_um": Decimal(1),
                "accuracy_percent": Decimal(1),
            }
        ],
        "standard": [
            {"serial": "S50", "certified_um": Decimal(50), "expanded_u_um": Decimal("0.5"), "certificate": "C2", "due": "2026-12-31"},
            {"serial": "OLD", "certified_um": Decimal(130), "expanded_u_um": Decimal("0.5"), "certificate": "C3", "due": "2026-06-30"},
        ],
        "inspector": [{"code": "mk", "name": "M K", "role": "inspector", "independent_of_production": True}],
    }
)  # fmt: skip


def job(**changes: object) -> Job:
    """Return a job in mil with a face (2 readings) and an edge (2 spots of 1)."""
    plain: dict[str, object] = {
        "title": "Part",
        "customer": "Customer",
        "part_no": "P1",
        "substrate": "steel",
        "probe_mode": "magnetic",
        "unit": "mil",
        "rule": {"name": "every-reading"},
        "location": [FACE, EDGE],
    }
    return Job.model_validate(plain | changes)


def taking(
    profile: Profile | None = None, *, pieces: tuple[str, ...] = ("1",), prompted: bool = False, **changes: object
) -> Taking:
    """Return an inspection that nothing was taken for yet."""
    the_job = job(**changes)
    read_by = profile or typed_profile(the_job.unit, ".")
    return Taking(the_job, pieces, "mk", LineDecoder(read_by, ZoneInfo("UTC")), Plausible(), NOW, prompted=prompted)


def facts(the_job: Job, *, pieces: tuple[str, ...] = ("1",)) -> InspectionFacts:
    """Return facts that go with *the_job*."""
    return InspectionFacts(
        inspection_id="20261103-120000-TEST",
        job_name="part",
        job=the_job,
        shop=SHOP,
        profile_name="typed",
        profile=typed_profile(the_job.unit, "."),
        inspector="mk",
        gauge_serial="G1",
        lot="L1",
        pieces=pieces,
    )


def line(number: int, text: str, *, ended: bool = True, at: datetime | None = None) -> RawLine:
    """Return a raw line; what begins with @ is a word of the inspector."""
    data = text.encode()
    moment = at if at is not None else NOW - timedelta(hours=1) + timedelta(seconds=number)
    return RawLine(number, Frame(data, len(data), ended), moment, directive=text.startswith("@"))


def feed(state: Taking, *texts: str) -> list[object]:
    """Feed lines and return what came of each."""
    start = len(state.readings) + len(state.other_lines) + len(state.notes)
    return [state.feed(line(start + n, text), "typed") for n, text in enumerate(texts, start=1)]

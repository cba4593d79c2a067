"""Any bytes from a gauge: readings, no readings, or lines not taken. The long form, steered by coverage, is `make fuzz`."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from bench.fuzz import chunks_of
from bench.line_laws import NOW, PROFILES, check
from ingest.decoding import LineDecoder
from ingest.inspection import OtherLine, Problem, TakenReading, Taking
from ingest.links import LINKS
from schemas.errors import BadInput
from schemas.job import Job
from schemas.profile import Profile
from schemas.shop import Plausible

SAMPLES = Path(__file__).parents[2] / "sample_captures"
CAPTURES = {
    "gate-leaf-GL-1141.capture": ("gate-leaf", "plain-number", ("1", "2")),
    "hinge-HG-0388.txt": ("hinge", "number-and-unit", tuple("12345678")),
    "bench-end-BE-0027.capture": ("bench-end", "number-and-unit", ("1",)),
    "bollard-BO-2209.capture": ("bollard", "comma-decimals", ("B1", "B2")),
    "mast-plate-MP-0903.capture": ("mast-plate", "delimited", ("1",)),
    "sash-profile-SP-4410.jsonl": ("sash-profile", "json-lines", ("1", "2", "3", "4", "5")),
}
#: What gauges write, broken up: nearer to a reading than random bytes are.
PIECES = st.sampled_from(
    [
        *(bytes([c]) for c in b"0123456789.,-+;:\t #{}\"'"),
        *(b"\r", b"\n", b"\r\n", b"82.5", b"3,25", b" um", b" mil", b"\xb5m", "µm".encode(), b"\x00", b"\xff", b"\x02"),
        *(b"17;2026-11-03 09:15:02;FE;82.5;um", b'{"film": 82.5, "in": "um"}', b"OVER", b"---", b"LOW BATT", b"1e9"),
    ]
)


@given(
    st.integers(0, len(PROFILES) - 1),
    st.one_of(st.binary(max_size=200), st.lists(PIECES, max_size=60).map(b"".join)),
    st.integers(0, 255),
)
@settings(max_examples=600, deadline=None)
@example(0, b"\r\n\n3.12\n", 1)
@example(2, "\N{NO-BREAK SPACE}".encode(), 0)
def test_any_bytes_are_readings_no_readings_or_lines_not_taken_and_nothing_else(no: int, data: bytes, cut: int) -> None:
    check(no, chunks_of(data, cut))


@pytest.mark.parametrize("name", CAPTURES)
def test_no_prefix_of_a_sample_capture_is_read_as_more_or_other_than_the_whole_one(name: str, tmp_path: Path) -> None:
    job_name, profile_name, pieces = CAPTURES[name]
    shop = SAMPLES / "shop"
    job = Job.load(shop / "jobs" / f"{job_name}.toml")
    profile = Profile.load(shop / "profiles" / f"{profile_name}.toml")
    decoder = LineDecoder(profile, ZoneInfo("Europe/Berlin"))
    whole = (SAMPLES / "captures" / name).read_bytes()
    path = tmp_path / name

    def taken(data: bytes) -> tuple[list[tuple[str, str, str, str]], list[str]]:
        path.write_bytes(data)
        taking = Taking(job, pieces, "xx", decoder, Plausible(), NOW)
        problems = []
        for line in LINKS["file"](path, profile.max_line_bytes, datetime(2026, 11, 3, 10, 0, tzinfo=UTC)):
            outcome = taking.feed(line, name)
            if isinstance(outcome, Problem):
                problems.append(outcome.sentence)
            else:
                assert outcome is None or isinstance(outcome, TakenReading | OtherLine) or line.directive
        return [(r.raw_line, r.piece, r.location, r.decoded.shown) for r in taking.readings], problems

    every, problems = taken(whole)
    assert every
    assert not problems
    before = 0
    # Every length within three lines; then every seventh, so that the suite stays short.
    for length in range(1, len(whole), 1 if len(whole) < 1500 else 7):
        try:
            some, wrong = taken(whole[:length])
        except BadInput:  # the tail of a capture of ours that has not even its time
            continue
        assert some == every[: len(some)]
        assert len(some) >= before
        assert len(wrong) <= 1
        before = len(some)
    assert before >= len(every) - 1

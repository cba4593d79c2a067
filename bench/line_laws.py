"""What holds of any bytes that come from a gauge: each line is a reading, no reading, or not taken, and nothing is invented.

Used by the campaign of `make fuzz` and, with Hypothesis, by the suite.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from decimal import Decimal
from pathlib import Path
from typing import Final, NamedTuple
from zoneinfo import ZoneInfo

from ingest.decoding import LineDecoder
from ingest.framing import Frame, Framer
from ingest.inspection import OtherLine, Problem, TakenReading, Taking
from ingest.links.raw_line import RawLine
from schemas.job import Job
from schemas.profile import Profile
from schemas.shop import Plausible
from schemas.units import to_um

SAMPLES: Final = Path(__file__).parents[1] / "sample_captures"
PROFILES: Final = tuple(
    Profile.load(SAMPLES / "shop" / "profiles" / f"{name}.toml")
    for name in ("plain-number", "number-and-unit", "comma-decimals", "delimited", "json-lines")
)
NOW: Final = datetime(2026, 12, 1, tzinfo=UTC)
_DECODERS: Final = tuple(LineDecoder(profile, ZoneInfo("Europe/Berlin")) for profile in PROFILES)
_PLAUSIBLE: Final = Plausible()
_JOB: Final = Job.model_validate(
    {
        "title": "Any part",
        "customer": "Any customer",
        "part_no": "A-1",
        "substrate": "steel",
        "probe_mode": "magnetic",
        "unit": "um",
        "rule": {"name": "every-reading"},
        "location": [{"name": "face", "lower": Decimal(20), "upper": Decimal(200), "readings_per_spot": 1000}],
    }
)


class Seen(NamedTuple):
    """How many lines of an input were what."""

    readings: int
    no_readings: int
    not_taken: int
    blank: int


def check(profile_no: int, chunks: Sequence[bytes]) -> Seen:
    """Frame, decode and take *chunks* as one stream of the profile *profile_no*; return what the lines were.

    Raises:
        AssertionError: A law does not hold.
    """
    profile, decoder = PROFILES[profile_no], _DECODERS[profile_no]
    framer = Framer(profile.max_line_bytes)
    frames = [frame for chunk in chunks for frame in framer.feed(chunk)]
    tail = framer.close()
    if tail is not None:
        frames.append(tail)
    assert frames == list(_cut_byte_by_byte(b"".join(chunks), profile.max_line_bytes))
    taking = Taking(_JOB, ("1",), "xx", decoder, _PLAUSIBLE, NOW)
    no_readings = not_taken = blank = 0
    for number, frame in enumerate(frames, start=1):
        before = len(taking.readings), len(taking.other_lines)
        outcome = taking.feed(RawLine(number, frame, NOW), "fuzz")
        after = len(taking.readings) - before[0], len(taking.other_lines) - before[1]
        if isinstance(outcome, TakenReading):
            assert after == (1, 0)
            _is_what_was_written(outcome, frame, profile)
        elif isinstance(outcome, OtherLine):
            assert after == (0, 1)
            no_readings += 1
        elif isinstance(outcome, Problem):
            assert after == (0, 0)
            assert outcome.sentence
            not_taken += 1
        else:
            assert outcome is None
            assert after == (0, 0)
            assert not _as_text(frame.data).removeprefix("\ufeff").strip()
            blank += 1
    return Seen(len(taking.readings), no_readings, not_taken, blank)


def _as_text(data: bytes) -> str:
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError:
        return data.decode("latin-1")


def _is_what_was_written(reading: TakenReading, frame: Frame, profile: Profile) -> None:
    assert frame.ended
    assert not frame.overlong
    decoded = reading.decoded
    assert decoded.shown.replace(".", profile.decimal_mark).encode() in frame.data
    assert decoded.thickness_um == to_um(Decimal(decoded.shown), decoded.unit)
    assert _PLAUSIBLE.lowest_um <= decoded.thickness_um <= _PLAUSIBLE.highest_um


def _cut_byte_by_byte(stream: bytes, most: int) -> Iterable[Frame]:
    """Yield the lines of *stream* the slow and plain way."""
    line = bytearray()
    after_cr = False
    for byte in stream:
        if byte in b"\r\n":
            if not (byte == 0x0A and after_cr):
                yield Frame(bytes(line[:most]), len(line))
                line.clear()
            after_cr = byte == 0x0D
        else:
            line.append(byte)
            after_cr = False
    if line:
        yield Frame(bytes(line[:most]), len(line), ended=False)

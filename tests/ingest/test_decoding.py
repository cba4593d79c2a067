"""Line profile and line: a reading, not a reading, or rejected; never an exception."""

from __future__ import annotations

from datetime import UTC, datetime
from decimal import Decimal
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.decoding import Blank, DecodedReading, LineDecoder, NotAReading, Rejected, text_of
from ingest.framing import Frame
from schemas.profile import Profile
from schemas.units import Unit
from schemas.vocabulary import ProbeMode

PROFILES = Path(__file__).parents[2] / "sample_captures" / "shop" / "profiles"
NAMES = sorted(path.stem for path in PROFILES.glob("*.toml"))


def _decoder(name: str) -> LineDecoder:
    return LineDecoder(Profile.load(PROFILES / f"{name}.toml"), ZoneInfo("Europe/Dublin"))


@pytest.mark.parametrize(
    ("profile", "line", "expected"),
    [
        ("plain-number", "3.12", DecodedReading(Decimal("79.248"), "3.12", Unit.MIL)),
        ("plain-number", "  3.10 ", DecodedReading(Decimal("78.740"), "3.10", Unit.MIL)),
        ("number-and-unit", "79.2 um", DecodedReading(Decimal("79.2"), "79.2", Unit.UM)),
        ("number-and-unit", "3.1mils", DecodedReading(Decimal("78.74"), "3.1", Unit.MIL)),
        ("number-and-unit", "79.2 \u03bcm", DecodedReading(Decimal("79.2"), "79.2", Unit.UM)),
        ("comma-decimals", "79,2 µm", DecodedReading(Decimal("79.2"), "79.2", Unit.UM)),
        (
            "delimited",
            "411;2026-07-04 13:10:05;FE;5.92;mil",
            DecodedReading(
                Decimal("150.368"),
                "5.92",
                Unit.MIL,
                counter=411,
                taken_at=datetime(2026, 7, 4, 12, 10, 5, tzinfo=UTC),
                mode=ProbeMode.MAGNETIC,
            ),
        ),
        (
            "json-lines",
            '{"film": 78.10, "in": "um", "when": "2026-11-05T10:00:05+0000", "piece": 1, "place": "outer face", "spot": 2}',
            DecodedReading(
                Decimal("78.10"),
                "78.10",
                Unit.UM,
                taken_at=datetime(2026, 11, 5, 10, 0, 5, tzinfo=UTC),
                piece="1",
                location="outer face",
                spot=2,
            ),
        ),
    ],
)
def test_a_reading_is_read_exactly(profile: str, line: str, expected: DecodedReading) -> None:
    assert expected == _decoder(profile).decode(line)


@pytest.mark.parametrize(
    ("profile", "line"),
    [
        ("plain-number", "OVER"),
        ("plain-number", "----"),
        ("plain-number", "LOW BATT"),
        ("number-and-unit", ">> um"),
        ("number-and-unit", "no contact"),
        ("number-and-unit", "battery 8 %"),
        ("comma-decimals", "ÜBERLAUF"),
        ("comma-decimals", "KEIN KONTAKT"),
        ("comma-decimals", "BATTERIE SCHWACH"),
        ("delimited", "412;2026-11-04 13:10:11;FE;over;mil"),
        ("delimited", "412;2026-11-04 13:10:11;FE;-----;mil"),
        ("delimited", "#batt low"),
        ("json-lines", '{"state": "over"}'),
        ("json-lines", '{"state":"lift", "n": 3}'),
        ("json-lines", '{"battery": 7}'),
    ],
)
def test_over_range_no_contact_and_low_battery_are_not_readings(profile: str, line: str) -> None:
    assert isinstance(_decoder(profile).decode(line), NotAReading)


@pytest.mark.parametrize(
    ("profile", "line", "words"),
    [
        ("plain-number", "3,12", "has a decimal comma, and profile 'plain number' reads points"),
        ("comma-decimals", "79.2 µm", "has a decimal point, and profile 'comma decimals' reads commas"),
        ("number-and-unit", "79.2 ell", "unknown unit 'ell'; the units are:"),
        ("number-and-unit", "79.2", "is not how profile 'number and unit' writes a reading"),
        ("plain-number", "3.1.2", "'3.1.2' is not a number"),
        ("plain-number", "3.12345", "has more decimals than the archive keeps exactly"),
        ("plain-number", "9999999", "is no film build"),
        ("delimited", "411;2026-02-30 13:10:05;FE;5.92;mil", "is not a time written as"),
        ("delimited", "411;2026-11-04 13:10:05;XX;5.92;mil", "unknown probe mode 'XX'"),
        ("json-lines", "[1]", "is JSON but not an object"),
        ("json-lines", '{"film": ', "is not a JSON object"),
        ("json-lines", '{"in": "um"}', "has no key 'film'"),
        ("json-lines", '{"film": true, "in": "um"}', "'true' is not a number"),
        ("json-lines", '{"film": NaN, "in": "um"}', "'NaN' is not a number"),
    ],
)
def test_what_a_profile_cannot_read_is_rejected_with_what_to_do(profile: str, line: str, words: str) -> None:
    found = _decoder(profile).decode(line)
    assert isinstance(found, Rejected)
    assert words in found.why


@pytest.mark.parametrize("name", NAMES)
@given(text=st.text(max_size=60))
def test_any_text_is_decoded_to_one_of_the_four_and_never_raises(name: str, text: str) -> None:
    assert isinstance(_decoder(name).decode(text), DecodedReading | NotAReading | Rejected | Blank)


@pytest.mark.parametrize("name", NAMES)
@given(data=st.binary(max_size=80))
def test_any_bytes_become_text_or_a_reason(name: str, data: bytes) -> None:
    text = text_of(Frame(data, len(data)))
    if not isinstance(text, Rejected):
        _decoder(name).decode(text)


@pytest.mark.parametrize("name", ["plain-number", "number-and-unit", "comma-decimals"])
@given(steps=st.integers(0, 99_999))
def test_a_thickness_goes_through_exactly(name: str, steps: int) -> None:
    shown = f"{Decimal(steps) / 100:.2f}"
    line = {
        "plain-number": shown,
        "number-and-unit": f"{shown} mil",
        "comma-decimals": f"{shown.replace('.', ',')} mil",
    }[name]
    found = _decoder(name).decode(line)
    assert isinstance(found, DecodedReading)
    assert Decimal(steps) * Decimal("0.254") == found.thickness_um
    assert shown == found.shown


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"3.1\x00", "NUL byte; look at the baud"),
        ("3.1\r".encode("utf-16-le"), "as UTF-16 has; export it as UTF-8"),
        (b"\x003\x00.\x001\x00", "as UTF-16 has"),
        (b"\xfe\xed\xfa\xce", "is not text"),
        (b"3.1\x1b[2J", "control characters"),
    ],
)
def test_bytes_that_are_no_text_are_said_to_be_so(data: bytes, words: str) -> None:
    found = text_of(Frame(data, len(data)))
    assert isinstance(found, Rejected)
    assert words in found.why


def test_a_micro_sign_in_a_single_byte_is_understood() -> None:
    assert text_of(Frame(b"79,2 \xb5m", 7)) == "79,2 µm"

"""Values of Bluetooth characteristics against the published layouts.

Layouts, units and special values: the sources named in ingest/gatt_values.py. The worked examples of the 16-bit and
32-bit medfloats (0xE0C8 is 2.00; the special values) are those of pages that quote the SIG's transcoding white paper.
"""

from __future__ import annotations

import struct
from decimal import Decimal
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.decoding import Blank, Decoded, DecodedReading, LineDecoder, NotAReading, Rejected, text_of
from ingest.framing import Frame
from ingest.gatt_values import line_of, value_of
from schemas.profile import NotAReading as Known
from schemas.profile import Profile
from schemas.transport import LENGTH, LINEAR_POSITION, Bluetooth
from schemas.units import Unit, to_um

METRE, INCH, UNITLESS, PERCENT = 0x2701, 0x27A2, 0x2700, 0x27AD
OWN = "7d2a0001-5c1e-4f0a-9d3b-2f6e8c4b1a90"
MEASUREMENT = Profile(title="Values", form="characteristic", bluetooth=Bluetooth(form="measurement"))
DESCRIBED = Profile(
    title="Described values",
    form="characteristic",
    bluetooth=Bluetooth(form="described", notify=OWN),
    not_a_reading=(Known(pattern="---", meaning="the probe is not on the surface"),),
)


def _read(line: bytes, profile: Profile = MEASUREMENT) -> Decoded:
    text = text_of(Frame(line, len(line)))
    assert isinstance(text, str)
    return LineDecoder(profile, ZoneInfo("UTC")).decode(text)


def _described(code: int, exponent: int, unit: int, value: bytes, profile: Profile = DESCRIBED) -> Decoded:
    return _read(line_of(OWN, value, struct.pack("<BbHBH", code, exponent, unit, 1, 0)), profile)


def _um(figures: str) -> DecodedReading:
    return DecodedReading(Decimal(figures), figures, Unit.UM)


def test_a_length_is_a_tenth_of_a_micrometre_per_count() -> None:
    assert line_of(LENGTH, struct.pack("<I", 1234)) == b"2C0A d2040000"
    assert _read(b"2C0A d2040000") == _um("123.4")
    assert _read(b"2C0A 00000000") == _um("0.0")


def test_a_linear_position_may_lie_below_zero() -> None:
    assert _read(line_of(LINEAR_POSITION, struct.pack("<i", -12))) == _um("-1.2")


@pytest.mark.parametrize("line", [b"2C0A ffffffff", b"2C08 ffffff7f"])
def test_a_value_that_the_gauge_does_not_know_is_no_reading(line: bytes) -> None:
    assert _read(line) == NotAReading("the gauge says: value not known")


def test_the_greatest_known_values_are_values_and_no_film_build() -> None:
    for line in (b"2C0A feffffff", b"2C08 feffff7f", b"2C08 00000080"):
        answer = _read(line)
        assert isinstance(answer, Rejected)
        assert "is no film build" in answer.why


@pytest.mark.parametrize(
    "line", [b"2C0A", b"2C0A -", b"2C0A d20400", b"2C0A d204000000", b"2C07 d2040000", b"79.2", b"2C0A x"]
)
def test_what_is_no_value_is_rejected_with_its_reason(line: bytes) -> None:
    assert isinstance(_read(line), Rejected)


@pytest.mark.parametrize(
    ("code", "exponent", "unit", "value", "expected"),
    [
        (0x06, -7, METRE, struct.pack("<H", 792), _um("79.2")),
        (0x06, -6, METRE, struct.pack("<H", 79), _um("79")),
        (0x08, -7, METRE, struct.pack("<I", 1230), _um("123.0")),
        (0x0E, -6, METRE, struct.pack("<h", -3), _um("-3")),
        (0x10, -9, METRE, struct.pack("<i", 79250), _um("79.250")),
        (0x10, -5, METRE, struct.pack("<i", 8), _um("80")),
        (0x04, -6, METRE, b"\xff", _um("255")),
        (0x0F, -7, METRE, b"\xfe\xff\xff", _um("-0.2")),
        (0x08, -5, INCH, struct.pack("<I", 312), DecodedReading(Decimal("79.248"), "3.12", Unit.MIL)),
        (0x16, 0, METRE, b"\x18\x93", _um("79.2")),
        (0x19, 0, METRE, b"0.0000792\x00", _um("79.2")),
        (0x19, 0, INCH, b"0.00310", DecodedReading(Decimal("78.740"), "3.10", Unit.MIL)),
        (0x19, 0, METRE, b"---", NotAReading("the probe is not on the surface")),
    ],
)
def test_a_described_value_is_exact_and_keeps_its_resolution(
    code: int, exponent: int, unit: int, value: bytes, expected: Decoded
) -> None:
    assert _described(code, exponent, unit, value) == expected


def test_a_medfloat_keeps_its_trailing_zeros() -> None:
    in_um = Profile.model_validate({**DESCRIBED.model_dump(), "unit": "um"})
    assert _described(0x16, 0, UNITLESS, bytes.fromhex("c8e0"), in_um) == _um("2.00")
    assert _described(0x17, 0, UNITLESS, struct.pack("<I", 0xFE_0000C8), in_um) == _um("2.00")
    assert _described(0x17, 0, UNITLESS, struct.pack("<I", 0xFF_FFFFF3), in_um) == _um("-1.3")


@pytest.mark.parametrize(
    ("small", "large", "meaning"),
    [
        (0x07FF, 0x007FFFFF, "not a number"),
        (0x0800, 0x00800000, "not at this resolution"),
        (0x07FE, 0x007FFFFE, "above its range"),
        (0x0801, 0x00800001, "reserved"),
        (0x0802, 0x00800002, "below its range"),
    ],
)
def test_a_medfloat_that_is_no_number_is_no_reading(small: int, large: int, meaning: str) -> None:
    for answer in (
        _described(0x16, 0, METRE, struct.pack("<H", small)),
        _described(0x17, 0, METRE, struct.pack("<I", large)),
    ):
        assert isinstance(answer, NotAReading)
        assert meaning in answer.meaning


def test_a_value_without_a_unit_takes_the_profiles_and_is_refused_without_one() -> None:
    in_mil = Profile.model_validate({**DESCRIBED.model_dump(), "unit": "mil"})
    assert _described(0x06, -1, UNITLESS, b"\x1f\x00", in_mil) == DecodedReading(Decimal("78.74"), "3.1", Unit.MIL)
    answer = _described(0x06, -1, UNITLESS, b"\x1f\x00")
    assert isinstance(answer, Rejected)
    assert "without a unit" in answer.why


@pytest.mark.parametrize(
    ("code", "unit", "value", "why"),
    [
        (0x14, METRE, b"\x00\x00\x00\x00", "binary float"),
        (0x1B, METRE, b"\x00", "format 0x1B"),
        (0x06, PERCENT, b"\x00\x00", "unit 0x27AD"),
        (0x06, METRE, b"\x00", "1 bytes where its description says 2"),
        (0x06, METRE, b"", "0 bytes"),
        (0x19, METRE, b"\xff\xfe", "as text and is none"),
        (0x19, METRE, b"79,2", "not a number"),
        (0x10, METRE, b"\x01\x00\x00\x00", "no film build"),
    ],
)
def test_what_cannot_be_read_exactly_is_rejected(code: int, unit: int, value: bytes, why: str) -> None:
    answer = _described(code, 0, unit, value)
    assert isinstance(answer, Rejected)
    assert why in answer.why


@given(st.integers(0, 2**32 - 2))
def test_every_length_is_exact(count: int) -> None:
    answer = _read(line_of(LENGTH, struct.pack("<I", count)))
    if count < 1_000_000:
        assert isinstance(answer, DecodedReading)
        assert answer.thickness_um * 10 == count
    else:
        assert isinstance(answer, Rejected)


@given(st.integers(-(2**31), 2**31 - 1), st.integers(-128, 127), st.sampled_from([METRE, INCH]))
def test_every_described_integer_is_exact_or_rejected(number: int, exponent: int, unit: int) -> None:
    answer = _described(0x10, exponent, unit, struct.pack("<i", number))
    if isinstance(answer, DecodedReading):
        metres = Decimal(number).scaleb(exponent) * (1 if unit == METRE else Decimal("0.0254"))
        assert answer.thickness_um == metres.scaleb(6)
        assert to_um(Decimal(answer.shown), answer.unit) == answer.thickness_um
    else:
        assert isinstance(answer, Rejected)


@given(st.text(max_size=80))
def test_no_text_at_all_makes_the_decoder_fail(text: str) -> None:
    value_of(text)
    answer = LineDecoder(DESCRIBED, ZoneInfo("UTC")).decode(text)
    assert isinstance(answer, DecodedReading | NotAReading | Rejected | Blank)


@given(st.binary(max_size=7), st.binary(max_size=16))
def test_no_bytes_at_all_make_the_decoder_fail_and_none_are_lost(presentation: bytes, value: bytes) -> None:
    line = line_of(OWN, value, presentation)
    words = line.decode("ascii").split()
    assert [bytes.fromhex(word.replace("-", "")) for word in words[1:]] == [presentation, value]
    assert isinstance(_read(line, DESCRIBED), DecodedReading | NotAReading | Rejected)


@pytest.mark.parametrize(
    "wrong",
    [
        {"form": "characteristic"},
        {"form": "pattern", "reading": "(?P<thickness>.+)", "unit": "um", "bluetooth": {"form": "measurement"}},
        {"form": "characteristic", "bluetooth": {"form": "described"}},
        {"form": "characteristic", "bluetooth": {"form": "measurement", "notify": "2A19"}},
        {"form": "characteristic", "reading": "(?P<thickness>.+)", "bluetooth": {"form": "measurement"}},
    ],
)
def test_a_profile_that_contradicts_itself_is_refused(wrong: dict[str, object]) -> None:
    with pytest.raises(ValueError):
        Profile.model_validate({"title": "Wrong", **wrong})

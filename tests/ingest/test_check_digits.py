"""Check digits: against published check values, an implementation that is not ours, and in lines."""

from __future__ import annotations

import binascii
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.decoding import DecodedReading, LineDecoder, Rejected, text_of
from ingest.framing import Frame
from ingest.teaching_checks import checks_that_fit
from schemas.check_digit import CRCS, KINDS, CheckDigit
from schemas.errors import BadInput
from schemas.profile import Profile

#: The check values of the catalogue of parametrised CRC algorithms (reveng.sourceforge.io/crc-catalogue) for "123456789",
#: as repeated in the documentation of the package crc-catalog (docs.rs/crc-catalog: CRC-8/SMBUS, CRC-16/MODBUS) and in
#: public copies of the catalogue's entries (all others), read in November 2026.
PUBLISHED = {
    "CRC-8/SMBUS": 0xF4,
    "CRC-8/MAXIM-DOW": 0xA1,
    "CRC-8/ROHC": 0xD0,
    "CRC-8/I-432-1": 0xA1,
    "CRC-8/CDMA2000": 0xDA,
    "CRC-8/DVB-S2": 0xBC,
    "CRC-16/ARC": 0xBB3D,
    "CRC-16/MODBUS": 0x4B37,
    "CRC-16/USB": 0xB4C8,
    "CRC-16/MAXIM-DOW": 0x44C2,
    "CRC-16/UMTS": 0xFEE8,
    "CRC-16/XMODEM": 0x31C3,
    "CRC-16/IBM-3740": 0x29B1,
    "CRC-16/SPI-FUJITSU": 0xE5CC,
    "CRC-16/GENIBUS": 0xD64E,
    "CRC-16/KERMIT": 0x2189,
    "CRC-16/MCRF4XX": 0x6F91,
    "CRC-16/IBM-SDLC": 0x906E,
}


@pytest.mark.parametrize("name", sorted(CRCS))
def test_a_crc_gives_the_published_check_value(name: str) -> None:
    assert CRCS[name].of(b"123456789") == PUBLISHED[name]


@given(st.binary(max_size=60))
def test_two_crcs_agree_with_the_standard_library(data: bytes) -> None:
    """binascii.crc_hqx is CRC-16 with the polynomial 0x1021, neither reflected nor inverted (Python's documentation)."""
    assert CRCS["CRC-16/XMODEM"].of(data) == binascii.crc_hqx(data, 0)
    assert CRCS["CRC-16/IBM-3740"].of(data) == binascii.crc_hqx(data, 0xFFFF)


def test_sums_and_exclusive_or_are_what_their_names_say() -> None:
    data = bytes([0x31, 0x32, 0xFF])
    assert KINDS["sum"][1](data) == 0x62
    assert (KINDS["sum, two's complement"][1](data) + 0x62) % 256 == 0
    assert KINDS["sum, one's complement"][1](data) == 0x9D
    assert KINDS["sum of 16 bits"][1](data) == 0x162
    assert KINDS["exclusive-or"][1](data) == 0x31 ^ 0x32 ^ 0xFF


def _profile(**check: object) -> Profile:
    return Profile.model_validate(
        {
            "title": "checked",
            "reading": r"\x02?(?P<thickness>[0-9.]+) *(?P<unit>\w+) *\*(?P<check>[0-9A-Fa-f]+)\x03?",
            "control": "\x02\x03",
            "check": check,
        }
    )


def _decoded(profile: Profile, data: bytes) -> object:
    decoder = LineDecoder(profile, ZoneInfo("UTC"))
    text = text_of(Frame(data, len(data)), decoder.control)
    return text if isinstance(text, Rejected) else decoder.decode(text)


@pytest.mark.parametrize(
    ("check", "data"),
    [
        (
            {"kind": "exclusive-or", "width": 2},
            b"82.5 um*%02X" % (0x38 ^ 0x32 ^ 0x2E ^ 0x35 ^ 0x20 ^ 0x75 ^ 0x6D ^ 0x2A),
        ),
        ({"kind": "sum", "width": 2, "skip_last": 1}, b"82.5 um*%02X" % (sum(b"82.5 um") % 256)),
        ({"kind": "sum", "width": 2, "skip_first": 1}, b"\x0282.5 um*%02X\x03" % (sum(b"82.5 um*") % 256)),
        ({"kind": "sum", "width": 2}, b"  82.5 um*%02X  " % (sum(b"  82.5 um*") % 256)),
        ({"kind": "sum", "written": "decimal"}, b"82.5 um*%d" % (sum(b"82.5 um*") % 256)),
        ({"kind": "sum", "width": 2, "encoding": "latin-1"}, b"82.5 \xb5m*%02X" % (sum(b"82.5 \xb5m*") % 256)),
        ({"kind": "sum", "width": 2}, b"82.5 \xb5m*%02X" % (sum(b"82.5 \xb5m*") % 256)),
        ({"kind": "sum", "width": 2}, "82.5 µm*".encode() + b"%02X" % (sum("82.5 µm*".encode()) % 256)),
        ({"kind": "CRC-16/XMODEM", "width": 4, "written": "hex"}, b"82.5 um*%04x" % binascii.crc_hqx(b"82.5 um*", 0)),
    ],
)
def test_a_check_is_of_the_bytes_as_they_came(check: dict[str, object], data: bytes) -> None:
    assert isinstance(_decoded(_profile(**check), data), DecodedReading)


def test_a_damaged_line_is_rejected_and_both_checks_are_said() -> None:
    good = b"82.5 um*%02X" % (sum(b"82.5 um*") % 256)
    found = _decoded(_profile(kind="sum", width=2), good.replace(b"82.5", b"92.5"))
    assert isinstance(found, Rejected)
    assert (
        f"was damaged on the way: check says {sum(b'92.5 um*') % 256:02X}, the line gives {good[-2:].decode()}"
        in found.why
    )


@given(st.integers(0, 7), st.sampled_from(b"0123456789."))
def test_no_single_wrong_byte_passes_a_crc(at: int, wrong: int) -> None:
    good = b"82.5 um*%04X" % binascii.crc_hqx(b"82.5 um*", 0)
    bad = bytearray(good)
    bad[at] = wrong
    if bytes(bad) != good:
        assert isinstance(_decoded(_profile(kind="CRC-16/XMODEM", width=4), bytes(bad)), Rejected)


def test_control_characters_that_the_profile_does_not_name_are_rejected() -> None:
    found = _decoded(_profile(kind="sum"), b"\x0482.5 um*00")
    assert isinstance(found, Rejected)
    assert "has control characters" in found.why


@pytest.mark.parametrize(
    ("content", "words"),
    [
        ('check = {kind = "sum"}\nreading = "(?P<thickness>.+)"\nunit = "um"', "the group check and the table [check] go together"),
        ('reading = "(?P<thickness>.+)(?P<check>..)"\nunit = "um"', "the group check and the table [check] go together"),
        ('check = {kind = "CRC-99"}\nreading = "(?P<thickness>.+)(?P<check>..)"\nunit = "um"', "unknown check; write one of: sum,"),
        ('check = {kind = "sum", low_byte_first = true}\nreading = "(?P<thickness>.+)(?P<check>..)"\nunit = "um"', "low_byte_first goes with"),
        ('control = "\\u001b"\nreading = "(?P<thickness>.+)"\nunit = "um"', "not control characters that frame a line"),
        ('form = "json"\nkeys = {thickness = "t"}\nunit = "um"\ncheck = {kind = "sum"}', "check goes with form pattern"),
        ('fixed_keys = {a = "b"}\nreading = "(?P<thickness>.+)"\nunit = "um"', "go with form json"),
    ],
)  # fmt: skip
def test_a_profile_with_a_wrong_check_says_so(tmp_path: Path, content: str, words: str) -> None:
    path = tmp_path / "p.toml"
    path.write_text('title = "t"\n' + content)
    with pytest.raises(BadInput) as told:
        Profile.load(path)
    assert words in told.value.sentence


def test_figures_without_a_mark_are_read_by_their_places() -> None:
    profile = Profile.model_validate({"title": "t", "reading": "(?P<thickness>.+)", "unit": "um", "places": 1})
    decoder = LineDecoder(profile, ZoneInfo("UTC"))
    for line, shown in (("0825", "82.5"), ("-0005", "-0.5"), ("+12030", "1203.0"), ("-  5", "-0.5")):
        found = decoder.decode(line)
        assert isinstance(found, DecodedReading)
        assert found.shown == shown
    refused = decoder.decode("82.5")
    assert isinstance(refused, Rejected)
    assert "is no whole number, and the profile says that the last 1 figures are decimals" in refused.why


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_three_lines_are_enough_to_find_a_check_and_one_is_not(kind: str) -> None:
    check = CheckDigit(kind=kind, written="HEX", width=KINDS[kind][0] // 4, skip_last=1)
    lines = [text + check.of(text.encode()) for text in ("82.5 um*", "101.3 um*", "7.1 um*")]
    sure = [f for f in checks_that_fit(lines, [], None) if f.is_sure]
    assert {f.check.kind for f in sure} == {kind}
    assert sure[0].check.skip_last == 1
    assert not any(f.is_sure for f in checks_that_fit(lines[:1], [], None))


def test_two_lines_do_not_tell_a_check_of_8_bits_from_chance() -> None:
    lines = [text + f"{sum(text.encode()) % 256:02X}" for text in ("82.5 um*", "101.3 um*")]
    found = checks_that_fit(lines, [], None)
    assert found
    assert not any(f.is_sure for f in found)

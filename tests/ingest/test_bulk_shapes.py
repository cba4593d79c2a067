"""Lines read by their shapes against the decoder that reads one line, and expressions against Python's own re."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pyarrow as pa
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from ingest import bulk_shapes
from ingest.bulk_decoding import Figures, Sort, figures_of, sort_of
from ingest.bulk_shapes import figures_by_shape, treats_digits_alike
from ingest.decoding import DecodedReading, LineDecoder, Rejected, text_of
from ingest.framing import Frame
from ingest.readings_in_columns import from_us
from schemas.profile import Profile

ALIKE = [
    r"[0-9]+",
    r"(?P<counter>\d+);(?P<rest>[^;]*)",
    r"(?P<counter>[0-9]{1,3})?(?P<rest>\w*)",
    r"(?P<counter>[0-9]+?)(?P<rest>[0-9a-z]*)",
    r"(?:(?P<counter>[ -~]+)|#batt(?P<rest>ery)? ?low.*)",
    r"\s*(?P<counter>\S+)\s+(?P<rest>.*?)\s*",
    r"(?=[0-9a])(?P<counter>.)(?!x)(?P<rest>.*)",
    r"(?>[0-9]+)(?P<rest>[a-f]*+)",
    r"(?i)FE(?P<rest>[0-9.,]+)\b",
    r"(?<![0-9])(?P<rest>[^0-9]*)",
]
NOT_ALIKE = [
    r"[0-8]+",
    r"7.*",
    r"[^7]*",
    r"([0-9])\1",
    r"(?P<a>.)(?P=a)",
    r"[+-5]+",
    r"\x37",
    r"(x)?(?(1)a|b)",
    r"[a5-z]",
    "(",
]


@pytest.mark.parametrize("pattern", ALIKE)
@given(st.text("0123456789;a fFEx.#", max_size=12))
def test_where_an_expression_treats_digits_alike_its_groups_lie_where_they_lie_in_the_shape(
    pattern: str, text: str
) -> None:
    assert treats_digits_alike(pattern)
    shape = re.sub("[0-9]", "0", text)
    found, of_shape = re.fullmatch(pattern, text), re.fullmatch(pattern, shape)
    assert (found and found.regs) == (of_shape and of_shape.regs)


@pytest.mark.parametrize("pattern", NOT_ALIKE)
def test_an_expression_that_knows_one_digit_from_another_is_not_read_by_shapes(pattern: str) -> None:
    assert not treats_digits_alike(pattern)


def _profile(**changes: Any) -> Profile:
    plain = {
        "title": "export",
        "reading": r"(?P<counter>[0-9]*);(?:(?P<time>[0-9 :/T-]+);)?(?P<mode>\w*);(?P<thickness>[-+0-9.,]*) ?(?P<unit>\S+)?",
        "unit": "um",
        "time_format": "%Y-%m-%d %H:%M:%S",
        "modes": {"FE": "magnetic", "N2": "eddy-current"},
        "not_a_reading": [{"pattern": r"[0-9]+;.*;over", "meaning": "over the range"}],
    }
    return Profile.model_validate(plain | changes)


def _all_in_shapes(lines: list[bytes], decoder: LineDecoder) -> Figures | None:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(bulk_shapes, "_LINES_TO_A_SHAPE", 1)
        return figures_by_shape(pa.array(lines, pa.binary()), decoder)


def _compare(lines: list[bytes], decoder: LineDecoder, figures: Figures) -> int:
    """Hold each line against what the decoder says of it; return how many were read by their shapes."""
    read = 0
    sorts = [Sort.READING] * len(lines) if figures.sorts is None else figures.sorts.to_pylist()
    for place, data in enumerate(lines):
        text = text_of(Frame(data, len(data)))
        said = text if isinstance(text, Rejected) else decoder.decode(text)
        if sorts[place] == Sort.SINGLY:
            continue
        assert sorts[place] == sort_of(said)
        if isinstance(said, DecodedReading):
            read += 1
            found = figures.different[figures.which[place].as_py()]
            assert isinstance(found, DecodedReading)
            assert (said.thickness_um, said.shown, said.unit, said.mode) == (
                found.thickness_um,
                found.shown,
                found.unit,
                found.mode,
            )
            assert said.counter == (None if figures.counters is None else figures.counters[place].as_py())
            us = None if figures.taken_us is None else figures.taken_us[place].as_py()
            assert said.taken_at == (None if us is None else from_us(us))
            assert text == figures.text[place].as_py()
    return read


_PARTS = {
    "counter": st.sampled_from(["", "1", "17", "999999999", "1234567890", "x"]),
    "mode": st.sampled_from(["FE", "N2", "N3", "fe", ""]),
    "figure": st.sampled_from(["81.5", "82.5", "80", "-0.4", "80,1", "1.23456", "", "9999999", "over"]),
    "unit": st.sampled_from(["", "um", " mil", " ell", " u2"]),
    "around": st.sampled_from(["", "", "", " ", "\t", "\x07", "\x1c", "µ", "\x00"]),
}
_TIMES = st.one_of(
    # From before one zone sets its clocks back to after another does.
    st.integers(0, 9 * 86_400).map(lambda s: f"{datetime(2026, 10, 24, tzinfo=UTC) + timedelta(seconds=s):%Y-%m-%d %H:%M:%S}"),
    st.sampled_from(["2026-13-01 00:00:00", "1969-12-31 23:59:59", "2026-02-30 10:00:00", "2026-03-29 01:30:00", "0000-01-01 00:00:00", "2026-11-03T09:15:00", "2026-11-03  9:15:00", "2026-11-03 09:15:60"]),
)  # fmt: skip


@st.composite
def _lines(draw: st.DrawFn) -> list[bytes]:
    timed = draw(st.booleans())
    lines = []
    for _ in range(draw(st.integers(1, 12))):
        usual = draw(st.integers(0, 3)) > 0
        said = {name: draw(strategy) for name, strategy in _PARTS.items()}
        if usual:
            said |= {"counter": str(draw(st.integers(0, 10**9 - 1))), "mode": "FE", "unit": "um", "around": ""}
            said["figure"] = f"{draw(st.integers(0, 2000)) / 10}"
        time = draw(_TIMES) + ";" if timed or draw(st.integers(0, 40)) == 0 else ""
        text = f"{said['around']}{said['counter']};{time}{said['mode']};{said['figure']}{said['unit']}{said['around']}"
        lines.append(text.encode() if draw(st.integers(0, 30)) else text.encode("latin-1"))
    return lines


@given(_lines(), st.sampled_from(["UTC", "Europe/Dublin", "America/New_York", "Australia/Lord_Howe", "Asia/Kathmandu"]))
@example([b"1;2026-10-25 01:30:00;FE;80um", b"2;2026-10-25 00:30:00;FE;80um"], "Europe/Dublin")
@example([b"1;2026-11-01 01:30:00;FE;80um"], "America/New_York")
@example([b"1;2026-03-08 02:30:00;FE;80um"], "America/New_York")
@example([b"", b" ", b"\xff"], "UTC")
def test_lines_read_by_their_shapes_say_what_the_decoder_says(lines: list[bytes], zone: str) -> None:
    decoder = LineDecoder(_profile(), ZoneInfo(zone))
    figures = _all_in_shapes(lines, decoder)
    if figures is not None:
        _compare(lines, decoder, figures)
    once_each = figures_of(pa.array(lines, pa.binary()), decoder)
    if once_each is not None:
        _compare(lines, decoder, once_each)


@pytest.mark.parametrize(
    "time_format",
    ["%Y-%m-%d %H:%M:%S", "%d.%m.%Y %H:%M", "%Y%m%d%H%M%S", "%m/%d/%Y, %H:%M:%S", "%H:%M:%S %Y-%m-%d", "%Y-%m-%dT%H:%M:%S"],
)  # fmt: skip
@pytest.mark.parametrize("zone", ["Europe/Dublin", "Australia/Lord_Howe"])
def test_each_way_of_writing_a_time_in_figures_of_fixed_width_is_read_by_shapes(time_format: str, zone: str) -> None:
    start = datetime(2026, 3, 28, 20, 13, tzinfo=UTC)
    times = [start + timedelta(minutes=31 * n) for n in range(400)]
    lines = [f"{n};{at:{time_format}};FE;{80 + n / 10:.1f}um".encode() for n, at in enumerate(times)]
    reading = r"(?P<counter>[0-9]+);(?P<time>[^;]+);(?P<mode>[A-Z]+);(?P<thickness>[-+0-9.]+)(?P<unit>\S+)"
    decoder = LineDecoder(_profile(reading=reading, time_format=time_format), ZoneInfo(zone))
    figures = _all_in_shapes(lines, decoder)
    assert figures is not None
    assert _compare(lines, decoder, figures) == len(lines)


@pytest.mark.parametrize(
    "changes",
    [
        {"time_format": "%d %b %Y %H:%M"},
        {"time_format": "%y-%m-%d %H:%M:%S"},
        {"time_format": "%Y-%m-%d %H:%M:%S%z"},
        {"reading": r"(?P<counter>[0-9]+);(?P<piece>[0-9]+);(?P<thickness>[0-9.]+)"},
        {"reading": r"(?P<counter>[0-9]+);(?P<thickness>[0-9]+\.5)"},
        {"reading": None, "form": "json", "keys": {"thickness": "film"}},
        {"not_a_reading": [{"pattern": "999.*", "meaning": "no contact"}]},
    ],
)
def test_what_cannot_be_told_from_the_shape_is_left_to_the_decoder(changes: dict[str, Any]) -> None:
    decoder = LineDecoder(_profile(**changes), ZoneInfo("UTC"))
    assert figures_by_shape(pa.array([b"1;2026-11-03 09:15:00;FE;80um"] * 50, pa.binary()), decoder) is None


def test_a_profile_that_asks_for_more_than_is_known_here_is_left_to_the_decoder() -> None:
    class Wider(Profile):
        weather: str | None = None

    lines = pa.array([b"1;FE;80um"] * 50, pa.binary())
    plain = _profile().model_dump(exclude_defaults=True)
    assert figures_by_shape(lines, LineDecoder(Wider.model_validate(plain), ZoneInfo("UTC"))) is not None
    asking = Wider.model_validate(plain | {"weather": "fair"})
    assert figures_by_shape(lines, LineDecoder(asking, ZoneInfo("UTC"))) is None


def test_lines_with_a_check_are_read_one_by_one() -> None:
    profile = Profile.model_validate(
        {
            "title": "checked",
            "reading": r"(?P<thickness>[0-9.]+)um\*(?P<check>[0-9A-F]{2})",
            "unit": "um",
            "check": {"kind": "sum"},
        }
    )
    lines = pa.array([b"80um*D4"] * 50, pa.binary())
    assert figures_by_shape(lines, LineDecoder(profile, ZoneInfo("UTC"))) is None

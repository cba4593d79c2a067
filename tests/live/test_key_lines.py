"""Keys to lines: a wedge's bytes arrive unchanged, a person may mend, and neither is taken for the other."""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.links.key_lines import Entered, Key, KeyLine, KeyLines
from tests.live.readings import two_thousand

MS = 1_000_000
FINGER_MS = 120
SECOND_MS = 1000


class Keyboard:
    """A keyboard, and a clock that goes as keys are pressed."""

    def __init__(self, line_end: bytes | None = None, idle_end_ms: int | None = None, most: int = 64) -> None:
        self.lines = KeyLines(most, line_end, idle_end_ms)
        self.now_ms = 1000.0
        self.heard: list[KeyLine | Key] = []

    def _at(self) -> int:
        return int(self.now_ms * MS)

    def wait(self, ms: float) -> Keyboard:
        self.now_ms += ms
        self.heard += self.lines.tick(self._at())
        return self

    def fingers(self, text: bytes) -> Keyboard:
        for byte in text:
            self.now_ms += FINGER_MS
            self.heard += self.lines.feed(bytes([byte]), self._at())
        return self

    def press(self, key: bytes) -> Keyboard:
        self.now_ms += FINGER_MS
        self.heard += self.lines.feed(key, self._at())
        return self

    def wedge(self, data: bytes, gap_ms: float = 8) -> Keyboard:
        self.now_ms += SECOND_MS
        for byte in data:
            self.heard += self.lines.feed(bytes([byte]), self._at())
            self.now_ms += gap_ms
        return self

    def all(self) -> list[tuple[bytes, Entered] | str]:
        self.wait(5 * SECOND_MS)
        return [(h.frame.data, h.entered) if isinstance(h, KeyLine) else h.name for h in self.heard]


def test_what_fingers_type_is_typed_and_what_comes_fast_is_a_wedge() -> None:
    assert Keyboard().fingers(b"3.12\r").wedge(b"3.13\r").all() == [(b"3.12", Entered.TYPED), (b"3.13", Entered.WEDGE)]


def test_backspace_mends_what_a_person_typed_letter_by_letter() -> None:
    keys = Keyboard().fingers(b"3.1").press("µ".encode()).fingers(b"\x7f2\x084\x08\x084\r")
    assert keys.all() == [(b"3.4", Entered.TYPED)]


def test_a_person_starts_over_with_ctrl_u() -> None:
    assert Keyboard().fingers(b"9.99\x153.12\r").all() == [(b"3.12", Entered.TYPED)]


@pytest.mark.parametrize("data", [b"3.1\x7f2", b"12\x033.4", b"12\x153.4", b"\x023.12\x03", b"\x043.12", b"3.12\tmil"])
def test_every_byte_of_a_wedge_arrives_unchanged(data: bytes) -> None:
    assert Keyboard().wedge(data + b"\r\n").all() == [(data, Entered.WEDGE)]


@pytest.mark.parametrize("end", [b"\t", b"\x03", b"\x03\t"])
def test_an_end_of_the_gauges_own_ends_a_wedges_line(end: bytes) -> None:
    assert Keyboard(end).wedge(b"3.12" + end + b"3.13" + end).all() == [
        (b"3.12", Entered.WEDGE),
        (b"3.13", Entered.WEDGE),
    ]


def test_ctrl_c_is_a_key_whatever_ends_lines() -> None:
    assert Keyboard(b"\x03").fingers(b"3.1\x03").all() == ["ctrl-c"]


def test_ctrl_c_held_down_is_ctrl_c() -> None:
    assert set(Keyboard().wedge(b"\x03" * 9, gap_ms=33).all()) == {"ctrl-c"}


def test_ctrl_c_right_behind_a_wedge_is_ctrl_c() -> None:
    keys = Keyboard().wedge(b"3.12\r", gap_ms=5).wait(100)
    keys.heard += keys.lines.feed(b"\x03", int(keys.now_ms * MS))
    assert keys.all() == [(b"3.12", Entered.WEDGE), "ctrl-c"]


def test_ctrl_c_stops_even_what_types_without_a_pause() -> None:
    keys = Keyboard().wedge(b"9.99\r9.99\r9\x03.99\r9.9\x039\r9.\x0399\r9.99\r", gap_ms=10)
    assert "ctrl-c" in keys.all()


@pytest.mark.parametrize(
    ("sent", "name"),
    [(b"\x1b[15~", "f5"), (b"\x1bOP", "f1"), (b"\x1b[[B", "f2"), (b"\x1b[A", "up"), (b"\x1b[24~", "f12"), (b"\x1bu", "alt-u"),
     (b"\x1b[1;5C", "unknown"), (b"\x1b", "escape"), (b"\x04", "ctrl-d"), (b"\x0f", "ctrl-o")],
)  # fmt: skip
@pytest.mark.parametrize("gap_ms", [0, 5, 60])
def test_keys_are_known_however_their_sequence_is_cut(sent: bytes, name: str, gap_ms: float) -> None:
    for cut in range(1, len(sent) + 1):
        keys = Keyboard()
        for part in (sent[:cut], sent[cut:]):
            if part:
                keys.heard += keys.lines.feed(part, int(keys.now_ms * MS))
            keys.now_ms += gap_ms
        assert keys.all() == [name]


def test_a_key_in_the_middle_of_typing_does_not_disturb_the_line() -> None:
    assert Keyboard().fingers(b"3.1").press(b"\x1b[15~").fingers(b"2\r").all() == ["f5", (b"3.12", Entered.TYPED)]


def test_a_wedge_into_a_line_half_typed_is_nobodys_reading() -> None:
    assert Keyboard().fingers(b"1").wedge(b"3.12\r").all() == [(b"13.12", Entered.MIXED)]


def test_a_wedge_that_falls_silent_in_the_middle_and_types_on_later_is_nobodys_reading() -> None:
    assert Keyboard().wedge(b"12.3").wedge(b"3.12\r").all() == [(b"12.33.12", Entered.MIXED)]


def test_a_wedge_without_an_end_is_ended_by_hand_or_by_a_pause() -> None:
    assert Keyboard().wedge(b"12.3").fingers(b"\x7f\r").all() == ["backspace", (b"12.3", Entered.WEDGE)]
    assert Keyboard(idle_end_ms=100).wedge(b"12.3").wedge(b"12.4").all() == [
        (b"12.3", Entered.WEDGE),
        (b"12.4", Entered.WEDGE),
    ]


def test_a_pause_ends_no_line_of_a_person() -> None:
    assert Keyboard(idle_end_ms=20).fingers(b"3.12").wait(SECOND_MS).fingers(b"\r").all() == [(b"3.12", Entered.TYPED)]


def test_a_busy_computer_that_reads_a_wedge_late_cuts_no_line() -> None:
    line = b"123.45\r"
    for cut in range(2, len(line)):
        keys = Keyboard().wedge(line, gap_ms=5)
        keys.now_ms += SECOND_MS
        keys.heard += keys.lines.feed(line[:cut], int(keys.now_ms * MS))
        keys.now_ms += 200
        keys.heard += keys.lines.feed(line[cut:], int(keys.now_ms * MS))
        assert keys.all() == [(b"123.45", Entered.WEDGE)] * 2, cut


def test_an_overlong_line_keeps_its_head_and_its_length() -> None:
    (line,) = Keyboard(most=16).wedge(b"x" * 5000 + b"\r", gap_ms=0).heard
    assert isinstance(line, KeyLine)
    assert (line.frame.data, line.frame.length) == (b"x" * 16, 5000)


def test_what_is_left_at_the_end_is_no_whole_line() -> None:
    keys = Keyboard().fingers(b"3.1")
    (left,) = keys.lines.close()
    assert isinstance(left, KeyLine)
    assert (left.frame.data, left.frame.ended) == (b"3.1", False)


def test_it_says_when_it_wants_to_be_asked() -> None:
    keys = Keyboard()
    assert keys.lines.due_ns() is None
    keys.press(b"3")
    assert keys.lines.due_ns() == int(keys.now_ms * MS) + 35 * MS
    keys.wait(35)
    assert keys.lines.due_ns() is None
    assert keys.lines.text == b"3"


@given(
    st.lists(st.integers(0, 60), min_size=1, max_size=40), st.sampled_from([b"\r", b"\n", b"\r\n"]), st.integers(0, 34)
)
def test_readings_of_a_wedge_are_the_same_however_they_are_cut(cuts: list[int], end: bytes, gap_ms: int) -> None:
    readings = two_thousand()[:400]
    data = b"".join(line + end for line in readings)
    lines = KeyLines(64)
    heard: list[KeyLine | Key] = []
    at, now = 0, 1000 * MS
    for size in itertools.cycle([*cuts, 7]):
        heard += lines.feed(data[at : at + size], now)
        at += size
        now += gap_ms * MS
        if at >= len(data):
            break
    heard += lines.tick(now + 1000 * MS)
    assert [h.frame.data for h in heard if isinstance(h, KeyLine)] == readings
    assert {h.entered for h in heard if isinstance(h, KeyLine)} == {Entered.WEDGE}


@given(st.lists(st.tuples(st.binary(max_size=6), st.integers(0, 700)), max_size=30))
def test_whatever_is_pressed_and_when_nothing_raises_and_no_plain_character_is_lost(
    pressed: list[tuple[bytes, int]],
) -> None:
    lines = KeyLines(1024)
    now = 1000 * MS
    heard: list[KeyLine | Key] = []
    for data, gap_ms in pressed:
        now += gap_ms * MS
        heard += lines.feed(data, now)
    heard += lines.close()
    plain = set(b"0123456789.,")
    if not any(byte in (0x08, 0x7F, 0x15, 0x1B) for data, _ in pressed for byte in data):
        came = b"".join(bytes(b for b in data if b in plain) for data, _ in pressed)
        kept = b"".join(bytes(b for b in h.frame.data if b in plain) for h in heard if isinstance(h, KeyLine))
        assert kept == came


@given(st.text("0123456789.", min_size=1, max_size=8), st.data())
def test_however_slowly_a_line_is_typed_it_is_that_line_or_nobodys(text: str, data: st.DataObject) -> None:
    lines = KeyLines(64)
    now = 1000 * MS
    heard: list[KeyLine | Key] = []
    for char in text.encode() + b"\r":
        now += data.draw(st.integers(0, 2000)) * MS
        heard += lines.feed(bytes([char]), now)
    heard += lines.tick(now + 1000 * MS)
    assert [h.frame.data for h in heard if isinstance(h, KeyLine)] == [text.encode()]

"""What key presses mean on the capture screen. Times are given; nothing waits."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from prompt_toolkit.input.ansi_escape_sequences import REVERSE_ANSI_SEQUENCES
from prompt_toolkit.keys import Keys

from ingest.capture_state import Act, BaseShown, Doubt, LocationCount, PieceCount, Shown
from ingest.framing import Frame
from ingest.links.key_lines import Entered, KeyLine, KeyLines
from ingest.screen_keys import BURST_GAP_NS, Do, Go, Leave, Press, ScreenKeys, Step, TypedLine
from tests.live.screen_states import BEFORE_FIRST, DONE, IN_WINDOW, QUESTION, WINDOW

MS = 1_000_000
PIECES = ("1", "2", "P-17", "4")


def data_of(name: str) -> str:
    """What a terminal sends for a key."""
    return name if len(name) == 1 else REVERSE_ANSI_SEQUENCES[Keys(name)]


def typed(text: str, entered: Entered = Entered.TYPED) -> TypedLine:
    data = text.encode("utf-8", "surrogateescape")
    return TypedLine(KeyLine(Frame(data, len(data)), entered))


class Fingers:
    """Presses keys at given times and collects what comes of it."""

    def __init__(self, *, keyboard: bool = False, can_request: bool = True, shown: Shown = IN_WINDOW) -> None:
        self.keys = ScreenKeys(keyboard, can_request, PIECES)
        self.shown = shown
        self.now = 10_000 * MS
        self.steps: list[Step] = []

    def wait(self, ms: int = 1000) -> Fingers:
        self.now += ms * MS
        self.steps += self.keys.tick(self.now, self.shown)
        return self

    def press(self, *names: str, after_ms: int = 1000) -> Fingers:
        """Press keys one by one, as slowly as a person."""
        for name in names:
            self.wait(after_ms)
            self.steps += self.keys.press(Press(name, data_of(name), self.now), self.shown)
        return self.wait()

    def burst(self, text: str, gap_ms: int = 5) -> Fingers:
        """A scanner, or a gauge that types."""
        for letter in text:
            self.now += gap_ms * MS
            name = "c-m" if letter == "\r" else letter
            self.steps += self.keys.press(Press(name, letter, self.now), self.shown)
        return self.wait()

    @property
    def title(self) -> str | None:
        asked = self.keys.entry(self.shown).asked
        return asked.title if asked else None


# keys


@pytest.mark.parametrize(
    ("keys", "act"),
    [
        (("f3", "u", "c-u", "U"), Act.UNDO),
        (("f6", "n", "c-n"), Act.NEXT_PIECE),
        (("f9", "p", "c-p"), Act.PAUSE),
        (("f2", "r", "c-r"), Act.REQUEST),
    ],
)
def test_function_key_letter_and_control_key_do_the_same(keys: tuple[str, ...], act: Act) -> None:
    for key in keys:
        assert Fingers().press(key).steps == [Do(act)]


def test_where_the_keyboard_is_the_link_letters_and_digits_are_data_and_function_keys_act() -> None:
    fingers = Fingers(keyboard=True).press("8", "4", ".", "2", "u", "c-h")
    assert fingers.steps == []
    assert fingers.keys.entry(IN_WINDOW).typed == "84.2"
    assert fingers.press("c-m").steps == [typed("84.2")]
    assert fingers.keys.entry(IN_WINDOW).typed == ""
    assert fingers.press("f3").steps[1:] == [Do(Act.UNDO)]
    assert fingers.press("c-u").steps[2:] == [Do(Act.UNDO)]


def test_excluding_asks_for_a_reason_that_a_digit_picks() -> None:
    fingers = Fingers().press("f4")
    assert fingers.title == "Why does 84.2 µm at hinge side, piece 2 not count?"
    assert fingers.press("1").steps == [Do(Act.EXCLUDE, "probe slipped")]
    assert fingers.title is None


def test_a_reason_can_be_written_in_own_words() -> None:
    fingers = Fingers().press("x", "7").press(*"too wet", after_ms=150)
    assert fingers.steps == []
    assert fingers.press("c-h", "t", "c-m").steps == [Do(Act.EXCLUDE, "too wet")]


def test_an_empty_reason_is_no_reason() -> None:
    fingers = Fingers().press("s", "6", "c-m")
    assert fingers.steps == []
    assert "Nothing was written" in fingers.keys.said
    assert fingers.press("escape").title is None


def test_skipping_and_noting_bring_their_text() -> None:
    assert Fingers().press("f5", "2").steps == [Do(Act.SKIP, "masked")]
    assert Fingers().press("t").press(*"rain", after_ms=120).press("c-m").steps == [Do(Act.NOTE, "rain")]


def test_going_to_a_location_or_a_piece_is_picked_by_numbers() -> None:
    assert Fingers().press("g", "1", "5").steps == [Do(Act.GO_TO, "@location inside corner")]
    assert Fingers().press("g", "2", "3").steps == [Do(Act.GO_TO, "@piece P-17")]


def test_reading_before_coating_is_picked_where_the_job_asks_for_it() -> None:
    shown = replace(IN_WINDOW, base=BaseShown(under="bare metal", missing=()))
    assert Fingers(shown=shown).press("f7", "3").steps == [Do(Act.GO_TO, "@base *")]
    assert Fingers(shown=shown).press("f7", "4").steps == [Do(Act.GO_TO, "@base top rail")]
    assert IN_WINDOW.next is not None
    before = replace(shown, next=replace(IN_WINDOW.next, before_coating=True))
    assert Fingers(shown=before).press("f7", "3").steps == [Do(Act.GO_TO, "@coated")]


def test_the_list_of_pieces_says_how_many_readings_each_still_lacks() -> None:
    shown = replace(IN_WINDOW, pieces=(PieceCount(piece="1", lacking=0), PieceCount(piece="2", lacking=7)))
    asked = Fingers(shown=shown).press("g", "2").keys.entry(shown).asked
    assert asked is not None
    assert asked.choices == ("1 (lacks none)", "2 (lacks 7)", "P-17", "4")


def test_sixty_locations_are_leafed_through_from_the_present_one() -> None:
    many = tuple(
        LocationCount(location=f"place-{n}", counted=0, planned=1, mean=None, standing=None, window=WINDOW)
        for n in range(60)
    )
    assert IN_WINDOW.next is not None
    shown = replace(IN_WINDOW, locations=many, next=replace(IN_WINDOW.next, location="place-50"))
    assert Fingers(shown=shown).press("g", "1", "1").steps == [Do(Act.GO_TO, "@location place-45")]
    assert Fingers(shown=shown).press("g", "1", "0", "6").steps == [Do(Act.GO_TO, "@location place-59")]
    assert Fingers(shown=shown).press("g", "1", "0", "0", "1").steps == [Do(Act.GO_TO, "@location place-0")]
    nothing = Fingers(shown=shown).press("g", "1", "0", "9")
    assert nothing.steps == []
    assert nothing.keys.said == "There is no number 9"


def test_finishing_with_readings_missing_asks_and_says_how_many() -> None:
    fingers = Fingers().press("f10")
    asked = fingers.keys.entry(IN_WINDOW).asked
    assert asked is not None
    assert asked.detail.startswith("47 of 72 readings are missing")
    assert fingers.press("1").steps == []
    assert fingers.press("f10", "2").steps == [Go(Leave.LATER)]
    assert "filmtally seal --as-is REASON" in asked.detail
    assert len(asked.choices) == 2  # finishing would be refused, so it is not offered


def test_finishing_after_a_skip_asks_once_and_says_what_the_verdict_will_be() -> None:
    shown = replace(DONE, counted=69, pieces=(PieceCount(piece="1", lacking=0),))
    fingers = Fingers(shown=shown).press("f10")
    asked = fingers.keys.entry(shown).asked
    assert asked is not None
    assert asked.detail == "3 readings were skipped; the verdict will be undecided."
    assert fingers.press("3").steps == [Go(Leave.FINISH)]


def test_what_would_not_be_sealed_for_want_of_base_readings_is_said_before_the_screen_is_left() -> None:
    shown = replace(DONE, base=BaseShown(under="bare metal", missing=("top rail",)))
    asked = Fingers(shown=shown).press("f10").keys.entry(shown).asked
    assert asked is not None
    assert "top rail" in asked.detail
    assert len(asked.choices) == 2


@pytest.mark.parametrize("about", Doubt)
def test_each_kind_of_doubt_has_its_own_reasons(about: Doubt) -> None:
    assert QUESTION.question is not None
    shown = replace(QUESTION, question=replace(QUESTION.question, about=about))
    asked = Fingers(shown=shown).press("f11").keys.entry(shown).asked
    assert asked is not None
    assert any("unit" in reason for reason in asked.choices) is (about is Doubt.UNIT)
    assert any("certificate" in reason for reason in asked.choices) is (about is Doubt.GATE)
    assert any("deleted" in reason for reason in asked.choices) is (about is Doubt.COUNTER)


def test_finishing_when_all_is_taken_asks_nothing() -> None:
    assert Fingers(shown=DONE).press("f").steps == [Go(Leave.FINISH)]


def test_a_question_is_answered_and_nothing_else_is_done_before() -> None:
    fingers = Fingers(shown=QUESTION).press("f3", "n", "p")
    assert fingers.steps == []
    assert fingers.keys.said == "Answer the question first"
    assert fingers.press("l").steps == [Do(Act.LEAVE_OUT)]
    fingers = Fingers(shown=QUESTION).press("f11")
    assert fingers.title == "Why is it taken in although something speaks against it?"
    assert fingers.press("1").steps == [Do(Act.ACCEPT, "unit looked at, it is right")]


def test_a_gauge_that_cannot_be_asked_is_not_asked() -> None:
    fingers = Fingers(can_request=False).press("f2")
    assert fingers.steps == []
    assert "cannot be asked" in fingers.keys.said
    assert "read now" not in [hint.does for hint in fingers.keys.entry(IN_WINDOW).hints]


def test_nothing_is_excluded_before_the_first_reading() -> None:
    fingers = Fingers(shown=BEFORE_FIRST).press("x")
    assert (fingers.title, fingers.steps) == (None, [])


def test_help_goes_away_with_any_key_and_that_key_does_nothing_else() -> None:
    for key in ("f3", "u", "escape", "c-m", "f1"):
        fingers = Fingers().press("f1")
        assert fingers.keys.entry(IN_WINDOW).help
        fingers.press(key)
        assert not fingers.keys.entry(IN_WINDOW).help
        assert fingers.steps == []


def test_control_c_leaves_and_control_z_stops_at_any_time() -> None:
    for before in ((), ("f4",), ("f1",), ("t", "a")):
        assert Fingers().press(*before, "c-c").steps == [Go(Leave.LATER)]
        assert Fingers().press(*before, "c-z").steps == [Go(Leave.SUSPEND)]


# slips


def test_a_key_held_down_acts_once() -> None:
    for key in ("f3", "u"):
        fingers = Fingers()
        fingers.steps += fingers.keys.press(Press(key, key, fingers.now), fingers.shown)
        fingers.wait(500)
        for _ in range(100):
            fingers.now += 30 * MS
            fingers.steps += fingers.keys.press(Press(key, key, fingers.now), fingers.shown)
        assert fingers.wait().steps == [Do(Act.UNDO)]


def test_a_digit_held_down_picks_once_and_not_in_the_next_list_as_well() -> None:
    fingers = Fingers().press("g")
    fingers.steps += fingers.keys.press(Press("1", "1", fingers.now), fingers.shown)
    fingers.wait(500)
    for _ in range(5):
        fingers.now += 30 * MS
        fingers.steps += fingers.keys.press(Press("1", "1", fingers.now), fingers.shown)
    assert fingers.wait().steps == []
    assert fingers.title == "Which location?"


def test_a_glove_that_slides_over_letters_does_nothing() -> None:
    fingers = Fingers().burst("unp", gap_ms=20)
    assert fingers.steps == []
    assert "'unp' was scanned or typed and is no piece and no location here; nothing was done" in fingers.keys.said


def test_a_reading_that_comes_while_a_reason_is_picked_is_not_excluded_in_place_of_the_one_before() -> None:
    fingers = Fingers().press("f4")
    assert IN_WINDOW.last is not None
    fingers.shown = replace(IN_WINDOW, last=replace(IN_WINDOW.last, number=26, shown="90.0"))
    assert fingers.press("1").steps == []
    assert fingers.title is None
    fingers = Fingers().press("f4")
    fingers.shown = replace(IN_WINDOW, last=replace(IN_WINDOW.last, number=26, shown="90.0"))
    assert fingers.wait().title is None
    assert "another reading came" in fingers.keys.said


# scanners and gauges that type


def test_a_scanned_piece_or_location_is_gone_to() -> None:
    assert Fingers().burst("P-17\r").steps == [Do(Act.GO_TO, "@piece P-17")]
    assert Fingers().burst("latch side\r").steps == [Do(Act.GO_TO, "@location latch side")]
    assert Fingers().burst("2\r").steps == [Do(Act.GO_TO, "@piece 2")]
    assert Fingers().press("g").burst("P-17\r").steps == [Do(Act.GO_TO, "@piece P-17")]


def test_anything_else_that_is_scanned_is_said_to_be_unknown_and_never_taken_as_keys() -> None:
    for text in ("unpfx\r", "4001234567890\r", "u\r", "P-99\r", "unpfx", "xsf\t\r"):
        fingers = Fingers().burst(text)
        assert fingers.steps == []
        assert "nothing was done" in fingers.keys.said or fingers.keys.said == ""
        assert fingers.title is None


@given(st.text(alphabet=st.characters(min_codepoint=32, max_codepoint=126), min_size=2, max_size=30), st.booleans())
def test_no_burst_is_ever_keys(text: str, ended: bool) -> None:
    fingers = Fingers()
    same = len(set(text)) == 1
    fingers.burst(text + ("\r" if ended else ""), gap_ms=10)
    if not (same and not ended):  # one key held down is that key, once
        allowed = {f"@piece {name}" for name in PIECES} | {f"@location {c.location}" for c in IN_WINDOW.locations}
        assert all(isinstance(step, Do) and step.act is Act.GO_TO and step.text in allowed for step in fingers.steps)
        assert fingers.title is None
    assert len(fingers.steps) <= 1


def test_a_name_of_a_piece_and_a_location_alike_is_not_guessed() -> None:
    twin = replace(IN_WINDOW.locations[0], location="P-17")
    fingers = Fingers(shown=replace(IN_WINDOW, locations=(twin,))).burst("P-17\r")
    assert fingers.steps == []
    assert "is a piece and a location as well" in fingers.keys.said


def test_figures_from_a_gauge_that_types_are_readings_and_never_pieces() -> None:
    fingers = Fingers(keyboard=True).burst("2\r")
    assert fingers.steps == [typed("2")]
    assert fingers.burst("P-17\r").steps[1:] == [Do(Act.GO_TO, "@piece P-17")]
    assert fingers.burst("84.2 um\r").steps[2:] == [typed("84.2 um", Entered.WEDGE)]


def test_a_reading_that_a_gauge_types_while_a_reason_is_asked_is_not_lost_in_it() -> None:
    assert Fingers(keyboard=True).press("f4").burst("84.2\r").steps == [typed("84.2", Entered.WEDGE)]
    fingers = Fingers(keyboard=True).press("f8").press(*"dust", after_ms=120).burst("84.2\r")
    assert fingers.steps == [typed("84.2", Entered.WEDGE)]
    assert fingers.press("c-m").steps[1:] == [Do(Act.NOTE, "dust")]


def test_bytes_that_are_no_text_reach_the_line_as_they_came() -> None:
    fingers = Fingers(keyboard=True).burst("12\udcb5m\r")
    assert fingers.steps == [typed("12\udcb5m", Entered.WEDGE)]


def test_it_is_said_when_a_waiting_letter_wants_to_be_looked_at() -> None:
    fingers = Fingers()
    assert fingers.keys.deadline_ns is None
    fingers.keys.press(Press("u", "u", 5), fingers.shown)
    assert fingers.keys.deadline_ns == 5 + BURST_GAP_NS


@given(
    st.lists(
        st.tuples(
            st.sampled_from([*"abcdefghijklmnopqrstuvwxyz0123456789 .", "escape", "c-m", "c-h", "c-i", "pagedown"])
            | st.sampled_from([f"f{n}" for n in range(1, 13)]),
            st.integers(0, 1200),
        ),
        max_size=40,
    ),
    st.booleans(),
    st.sampled_from([IN_WINDOW, BEFORE_FIRST, QUESTION, DONE]),
)
def test_whatever_is_pressed_every_act_that_needs_a_text_has_one(
    presses: list[tuple[str, int]], keyboard: bool, shown: Shown
) -> None:
    fingers = Fingers(keyboard=keyboard, shown=shown)
    for name, gap in presses:
        fingers.now += gap * MS
        fingers.steps += fingers.keys.press(Press(name, data_of(name), fingers.now), shown)
        fingers.keys.entry(shown)
    for step in fingers.wait().steps:
        if isinstance(step, Do) and step.act in (Act.EXCLUDE, Act.SKIP, Act.GO_TO, Act.NOTE, Act.ACCEPT):
            assert step.text


def test_a_wedge_that_ends_with_tab_ends_a_line_with_it() -> None:
    fingers = Fingers(keyboard=True)
    fingers.keys.lines = KeyLines(1024, line_end=b"\t")
    for letter in "84.2\t":
        fingers.now += 5 * MS
        name = "c-i" if letter == "\t" else letter
        fingers.steps += fingers.keys.press(Press(name, letter, fingers.now), fingers.shown)
    assert fingers.wait().steps == [typed("84.2", Entered.WEDGE)]


def test_a_line_that_was_typed_by_hand_and_by_a_gauge_is_called_mixed() -> None:
    fingers = Fingers(keyboard=True).press("8").burst("84.2\r")
    assert fingers.steps == [typed("884.2", Entered.MIXED)]


def test_an_end_of_block_from_a_gauge_that_types_does_not_leave_the_screen() -> None:
    fingers = Fingers(keyboard=True)
    for letter in "\x0284.2\x03\r":
        fingers.now += 5 * MS
        name = {"\x02": "c-b", "\x03": "c-c", "\r": "c-m"}.get(letter, letter)
        fingers.steps += fingers.keys.press(Press(name, letter, fingers.now), fingers.shown)
    assert Go(Leave.LATER) not in fingers.wait().steps
    assert len(fingers.steps) == 1

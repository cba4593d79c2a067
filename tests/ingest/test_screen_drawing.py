"""The capture screen as a pure function: what must be seen is seen, and nothing breaks the terminal."""

from __future__ import annotations

import unicodedata
from dataclasses import replace
from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from prompt_toolkit.utils import get_cwidth

from ingest.big_figures import Scale, big, can_be_big
from ingest.capture_state import (
    Act,
    BaseShown,
    GateShown,
    GateState,
    LastReading,
    LinkShown,
    LocationCount,
    Message,
    MessageKind,
    NextPlace,
    Question,
    Shown,
    Standing,
    Window,
)
from ingest.screen_drawing import draw
from ingest.screen_entry import Asked, Entry
from ingest.screen_text import ASCII, OLD_CONSOLE, UNICODE, Row, Signs, Style, cut, signs_for, width, wrap
from ingest.window_bar import bar, figures, standing_words
from tests.live.screen_states import (
    BASE,
    BASE_MISSING,
    DISK_FULL,
    DONE,
    ENTRY,
    GATE_OPEN,
    GATE_REFUSING,
    HIGH,
    IN_WINDOW,
    LINK_LOST,
    LOW,
    MIL_WINDOW,
    NO_BASE,
    NO_LIMITS,
    PAUSED,
    QUESTION,
    QUESTION_ENTRY,
    REASONS,
    STATES,
    TYPING,
    WINDOW,
)

DESIGNED_FOR = [(80, 24), (120, 40)]
ALL_SIGNS = [UNICODE, OLD_CONSOLE, ASCII]


def text_of(rows: tuple[Row, ...]) -> str:
    return "\n".join("".join(span.text for span in row) for row in rows)


def words_of(rows: tuple[Row, ...]) -> str:
    """The words, however they are wrapped."""
    return " ".join(text_of(rows).split())


def stands_in(rows: tuple[Row, ...], columns: int, height: int) -> None:
    assert len(rows) == height
    for row in rows:
        drawn = "".join(span.text for span in row)
        assert sum(max(0, get_cwidth(letter)) for letter in drawn) <= columns
        assert not any(unicodedata.category(letter) in ("Cc", "Cf", "Cs", "Cn", "Zl", "Zp") for letter in drawn)


# what is seen


@pytest.mark.parametrize("signs", ALL_SIGNS)
@pytest.mark.parametrize(("columns", "height"), [*DESIGNED_FOR, (60, 20), (40, 12), (132, 50), (20, 5), (1, 1), (3, 2)])
@pytest.mark.parametrize("name", STATES)
def test_every_state_fits_every_size_with_every_console(name: str, columns: int, height: int, signs: Signs) -> None:
    stands_in(draw(*STATES[name], columns, height, signs), columns, height)


@pytest.mark.parametrize(("columns", "height"), [*DESIGNED_FOR, (60, 20)])
def test_piece_location_spot_window_counts_and_link_are_seen(columns: int, height: int) -> None:
    drawn = words_of(draw(IN_WINDOW, ENTRY, columns, height, UNICODE))
    for fact in ("piece 2 (2 of 4)", "spot 2 of 3", "60 – 120 µm", "✓ IN WINDOW", "taken 25 of 72", "hinge side"):
        assert fact in drawn
    for fact in ("1/3", "84.2 µm", "serial:/dev/ttyUSB0 up, battery 80 %", "1 not counted"):
        assert fact in drawn


@pytest.mark.parametrize(("columns", "height"), DESIGNED_FOR)
@pytest.mark.parametrize("signs", ALL_SIGNS)
def test_the_last_reading_stands_in_figures_of_five_rows_and_more(columns: int, height: int, signs: Signs) -> None:
    drawn = text_of(draw(IN_WINDOW, ENTRY, columns, height, signs)).split("\n")
    scales = (Scale(6, 6), Scale(5, 5), Scale(4, 4), Scale(3, 3), Scale(2, 2))
    large = [rows for scale in scales if (rows := big("84.2", scale, signs, over=False))]
    found = [
        rows
        for rows in large
        for at in range(len(drawn))
        if all(row.rstrip() in (drawn[at + i] if at + i < len(drawn) else "") for i, row in enumerate(rows))
    ]
    assert found
    assert len(found[0]) >= 5


@pytest.mark.parametrize(("columns", "height"), DESIGNED_FOR)
def test_the_next_location_stands_in_large_letters(columns: int, height: int) -> None:
    drawn = text_of(draw(IN_WINDOW, ENTRY, columns, height, UNICODE))
    large = [big("hinge side", scale, UNICODE) or [] for scale in (Scale(1, 1), Scale(2, 2))]
    assert any(all(row.rstrip() in drawn for row in rows) for rows in large)


def test_a_reading_outside_says_where_and_by_how_much() -> None:
    assert "! TOO HIGH by 16.5 µm" in words_of(draw(HIGH, ENTRY, 80, 24, UNICODE))
    assert "! TOO LOW by 18.3 um" in words_of(draw(LOW, ENTRY, 80, 24, ASCII))


@pytest.mark.parametrize(("columns", "height"), [*DESIGNED_FOR, (60, 20), (40, 12)])
def test_the_sentence_of_a_gate_that_refuses_is_there_whole_before_the_first_reading(columns: int, height: int) -> None:
    drawn = words_of(draw(GATE_REFUSING, ENTRY, columns, height, UNICODE))
    assert f"GAUGE NOT COVERED: {GATE_REFUSING.gate.sentence}" in drawn
    assert "No reading yet." in drawn


@pytest.mark.parametrize(("columns", "height"), DESIGNED_FOR)
def test_a_link_that_is_lost_says_why(columns: int, height: int) -> None:
    drawn = words_of(draw(LINK_LOST, ENTRY, columns, height, UNICODE))
    assert "LINK DOWN: serial:/dev/ttyUSB0 – the cable is out; trying again every 2 s, plug it in" in drawn
    assert "! serial:/dev/ttyUSB0 DOWN" in drawn
    assert "LINK: serial:/dev/ttyUSB0 went away; what came before is on disk, nothing is lost" in drawn


@pytest.mark.parametrize(("columns", "height"), [*DESIGNED_FOR, (60, 20)])
def test_a_question_shows_its_sentence_its_line_and_both_answers(columns: int, height: int) -> None:
    assert QUESTION.question is not None
    drawn = words_of(draw(QUESTION, QUESTION_ENTRY, columns, height, UNICODE))
    for fact in (QUESTION.question.sentence, 'came: "3.31 um"', "F11 A take it in", "F12 L leave it out"):
        assert fact in drawn


@pytest.mark.parametrize(("columns", "height"), [*DESIGNED_FOR, (60, 20), (40, 16)])
def test_a_question_about_the_gate_is_said_once_and_whole(columns: int, height: int) -> None:
    sentence = GATE_REFUSING.gate.sentence
    asked = Question(sentence=sentence, line="", acts=(Act.ACCEPT, Act.FINISH))
    drawn = words_of(draw(replace(GATE_REFUSING, question=asked), QUESTION_ENTRY, columns, height, UNICODE))
    assert drawn.count(sentence) == 1
    for fact in ("GAUGE NOT COVERED", "F11 A take it in", "F10 F finish"):
        assert fact in drawn
    assert "came:" not in drawn


@pytest.mark.parametrize(("columns", "height"), DESIGNED_FOR)
def test_the_large_figure_beside_a_question_is_the_line_in_question(columns: int, height: int) -> None:
    drawn = text_of(draw(QUESTION, QUESTION_ENTRY, columns, height, UNICODE))
    scales = (Scale(6, 6), Scale(5, 5), Scale(4, 4), Scale(3, 3), Scale(2, 2), Scale(1, 2), Scale(1, 1))
    large = [
        rows
        for scale in scales
        for as_written in (True, False)
        if (rows := big("3.31 um", scale, UNICODE, over=False, as_written=as_written))
    ]
    assert any(all(row.rstrip() in drawn for row in rows) for rows in large)
    assert "▼" not in drawn
    assert "IN WINDOW" not in drawn


@pytest.mark.parametrize(("state", "word"), [(PAUSED, "PAUSED"), (DONE, "ALL TAKEN")])
def test_a_pause_and_the_end_are_the_large_word_in_place_of_a_location(state: Shown, word: str) -> None:
    drawn = text_of(draw(state, ENTRY, 120, 40, UNICODE))
    large = [big(word, scale, UNICODE) or [] for scale in (Scale(1, 1), Scale(2, 2))]
    assert any(all(row.rstrip() in drawn for row in rows) for rows in large)


@pytest.mark.parametrize(("columns", "height"), [*DESIGNED_FOR, (60, 20), (60, 12)])
def test_a_gauge_that_waits_for_its_closing_check_is_one_quiet_line(columns: int, height: int) -> None:
    rows = draw(GATE_OPEN, ENTRY, columns, height, UNICODE)
    assert "gauge checked 07:40; closing check after the last reading" in text_of(rows)
    assert not any(span.style is Style.CARE_BAND for row in rows for span in row)


def test_a_question_is_there_whole_on_the_smallest_console() -> None:
    assert QUESTION.question is not None
    drawn = words_of(draw(QUESTION, QUESTION_ENTRY, 40, 12, ASCII))
    assert QUESTION.question.sentence.replace("µ", "u") in drawn
    assert "take it in" in drawn
    assert "leave it out" in drawn


@pytest.mark.parametrize(("columns", "height"), [*DESIGNED_FOR, (60, 20), (40, 12)])
def test_a_pause_and_a_full_disk_cannot_be_missed(columns: int, height: int) -> None:
    assert "PAUSED" in words_of(draw(PAUSED, ENTRY, columns, height, UNICODE))
    drawn = words_of(draw(DISK_FULL, ENTRY, columns, height, UNICODE))
    assert f"STOPPED – nothing is taken. {DISK_FULL.stopped}" in drawn


def test_readings_before_coating_and_readings_that_do_not_count_say_so() -> None:
    assert BASE.last is not None
    drawn = words_of(draw(BASE, ENTRY, 80, 24, UNICODE))
    assert drawn.count("BEFORE COATING") == 2
    assert "NO LIMITS" not in drawn
    undone = replace(BASE, last=replace(BASE.last, before_coating=False))
    assert "NOT COUNTED" in words_of(draw(undone, ENTRY, 80, 24, UNICODE))


@pytest.mark.parametrize(("columns", "height"), [*DESIGNED_FOR, (60, 20), (40, 16)])
def test_a_base_reading_that_is_missing_is_asked_for_before_the_first_reading(columns: int, height: int) -> None:
    drawn = words_of(draw(BASE_MISSING, ENTRY, columns, height, UNICODE))
    assert "BASE READING MISSING – read the bare metal first: F7, before coating" in drawn


def test_a_reading_without_its_base_reading_says_so_and_has_no_place_between_its_limits() -> None:
    drawn = words_of(draw(NO_BASE, ENTRY, 80, 24, UNICODE))
    assert "! BASE READING MISSING" in drawn
    assert "NO LIMITS" not in drawn
    assert "▼" not in drawn


def test_a_reading_that_may_have_come_twice_says_so() -> None:
    assert IN_WINDOW.last is not None
    drawn = words_of(draw(replace(IN_WINDOW, last=replace(IN_WINDOW.last, doubled=True)), ENTRY, 80, 24, UNICODE))
    assert "perhaps sent twice" in drawn


def test_where_there_are_no_limits_no_bar_is_drawn_and_the_words_say_it() -> None:
    drawn = words_of(draw(NO_LIMITS, ENTRY, 80, 24, UNICODE))
    assert "NO LIMITS HERE" in drawn
    assert "▼" not in drawn


def test_when_all_is_taken_the_screen_says_what_to_do() -> None:
    assert "ALL TAKEN – press finish" in words_of(draw(DONE, ENTRY, 80, 24, UNICODE))


def test_reasons_are_picked_by_number() -> None:
    drawn = words_of(draw(IN_WINDOW, REASONS, 80, 24, UNICODE))
    for fact in ("Why does 84.2 µm at hinge side, piece 2 not count?", "1 probe slipped", "5 another reason"):
        assert fact in drawn


def test_what_is_being_typed_is_shown_large() -> None:
    drawn = text_of(draw(IN_WINDOW, TYPING, 80, 24, UNICODE))
    assert all(row.rstrip() in drawn for row in big("84.2_", Scale(1, 1), UNICODE) or ["nothing"])
    assert "Ctrl-U" in drawn


@pytest.mark.parametrize("here", [0, 1, 29, 58, 59])
@pytest.mark.parametrize(("columns", "height"), [*DESIGNED_FOR, (60, 20), (40, 12)])
def test_of_sixty_locations_the_present_one_is_in_sight_and_the_rest_is_counted(
    here: int, columns: int, height: int
) -> None:
    many = tuple(
        LocationCount(location=f"place-{n}", counted=0, planned=3, mean=None, standing=None, window=WINDOW)
        for n in range(60)
    )
    assert IN_WINDOW.next is not None
    shown = replace(IN_WINDOW, locations=many, next=replace(IN_WINDOW.next, location=f"place-{here}"))
    rows = draw(shown, ENTRY, columns, height, UNICODE)
    drawn = text_of(rows)
    table = [row for row in drawn.split("\n") if "0/3" in row or " more" in row]
    assert any(f"▶ place-{here} " in row for row in table)
    told = sum(row.count("0/3") for row in table)
    assert f"and {60 - told} more" in drawn


@pytest.mark.parametrize(("columns", "height"), DESIGNED_FOR)
@pytest.mark.parametrize(("state", "word"), [(IN_WINDOW, "IN"), (HIGH, "HIGH"), (LOW, "LOW")])
def test_where_the_reading_lies_is_a_large_word_and_not_only_a_colour(
    state: Shown, word: str, columns: int, height: int
) -> None:
    drawn = text_of(draw(state, ENTRY, columns, height, UNICODE))
    assert all(row.rstrip() in drawn for row in big(word, Scale(1, 1), UNICODE, over=False) or ["nothing"])


@pytest.mark.parametrize(("columns", "height"), DESIGNED_FOR)
def test_from_reading_to_reading_nothing_jumps(columns: int, height: int) -> None:
    assert IN_WINDOW.last is not None
    places = set()
    for shown, standing in (
        ("84.2", Standing.IN),
        ("136.5", Standing.HIGH),
        ("9.5", Standing.LOW),
        ("99.9", Standing.IN),
    ):
        last = replace(IN_WINDOW.last, shown=shown, value=Decimal(shown), standing=standing)
        for message in (None, Message(kind=MessageKind.TOLD, sentence="noted")):
            drawn = text_of(draw(replace(IN_WINDOW, last=last, message=message), ENTRY, columns, height, UNICODE))
            lines = drawn.split("\n")
            places.add(
                tuple(next(i for i, row in enumerate(lines) if word in row) for word in ("┃", "▶", "piece 2 (2"))
            )
    assert len(places) == 1


def test_a_colour_is_never_the_only_sign() -> None:
    for good, bad in ((IN_WINDOW, HIGH), (IN_WINDOW, LOW), (IN_WINDOW, LINK_LOST), (IN_WINDOW, PAUSED)):
        assert text_of(draw(good, ENTRY, 80, 24, ASCII)) != text_of(draw(bad, ENTRY, 80, 24, ASCII))
    drawn = draw(HIGH, ENTRY, 80, 24, UNICODE)
    loud = [span.text for row in drawn for span in row if span.style is Style.BAD_BAND]
    assert any("TOO HIGH" in text for text in loud)


# what comes from outside

NASTY = st.text(
    alphabet=st.one_of(
        st.characters(),
        st.sampled_from("\x1b\x07\x9b\x9d\x00\x08\r\n\t\u202e\u200d\ufe0f\u0308\u3099漢字ｶ한😀ÄöüßµΩ"),
    ),
    max_size=40,
)
FIGURES = st.decimals(allow_nan=False, allow_infinity=False, min_value=-(10**9), max_value=10**9, places=4)
EDGES = st.none() | FIGURES


@st.composite
def windows(draw_one: st.DrawFn) -> Window:
    return Window(
        lower=draw_one(EDGES),
        target_low=draw_one(EDGES),
        target_high=draw_one(EDGES),
        upper=draw_one(EDGES),
        unit=draw_one(st.sampled_from(["µm", "mil"])),
    )


@st.composite
def shown_states(draw_one: st.DrawFn) -> Shown:
    pick = draw_one
    window = pick(windows())
    place = NextPlace(
        piece=pick(NASTY),
        piece_no=pick(st.integers(1, 10**6)),
        pieces=pick(st.integers(1, 10**6)),
        location=pick(NASTY),
        spot=pick(st.integers(1, 99)),
        spots=pick(st.integers(1, 99)),
        nth=1,
        per_spot=pick(st.integers(1, 9)),
        window=window,
        before_coating=pick(st.booleans()),
    )
    last = LastReading(
        number=pick(st.integers(1, 10**6)),
        shown=pick(st.one_of(NASTY, FIGURES.map(str), st.from_regex(r"[0-9]{1,15}", fullmatch=True))),
        unit=pick(st.sampled_from(["µm", "mil"])),
        value=pick(FIGURES),
        piece=pick(NASTY),
        location=pick(NASTY),
        spot=1,
        window=window,
        standing=pick(st.sampled_from(Standing)),
        counted=pick(st.booleans()),
        doubled=pick(st.booleans()),
    )
    count = st.builds(
        LocationCount,
        location=NASTY,
        counted=st.integers(0, 99),
        planned=st.integers(0, 99),
        mean=EDGES,
        standing=st.none() | st.sampled_from(Standing),
        window=st.just(window),
        skipped=st.booleans(),
    )
    link = st.builds(
        LinkShown, name=NASTY, up=st.booleans(), note=NASTY, battery_percent=st.none() | st.integers(0, 100)
    )
    return Shown(
        inspection_id="x",
        part=pick(NASTY),
        customer=pick(NASTY),
        lot=pick(NASTY),
        work_order=pick(st.none() | NASTY),
        gauge=pick(NASTY),
        inspector=pick(NASTY),
        next=pick(st.none() | st.just(place)),
        last=pick(st.none() | st.just(last)),
        locations=tuple(pick(st.lists(count, max_size=8))),
        counted=pick(st.integers(0, 10**6)),
        not_counted=pick(st.integers(0, 10**6)),
        planned=pick(st.integers(0, 10**6)),
        gate=GateShown(state=pick(st.sampled_from(GateState)), sentence=pick(NASTY)),
        links=tuple(pick(st.lists(link, max_size=4))),
        message=pick(st.none() | st.builds(Message, kind=st.sampled_from(MessageKind), sentence=NASTY)),
        question=pick(
            st.none() | st.builds(Question, sentence=NASTY, line=NASTY, acts=st.just(QUESTION.question.acts))  # type: ignore[union-attr]
        ),
        paused=pick(st.booleans()),
        base=pick(st.none() | st.builds(BaseShown, under=NASTY, missing=st.just((place.location,)))),
        stopped=pick(st.none() | NASTY),
    )


ENTRIES = st.builds(
    Entry,
    typed=st.none() | NASTY,
    asked=st.none()
    | st.builds(
        Asked, title=NASTY, choices=st.lists(NASTY, max_size=20).map(tuple), text=st.none() | NASTY, detail=NASTY
    ),
    said=NASTY,
    hints=st.just(ENTRY.hints),
    help=st.booleans(),
)


@settings(max_examples=40)
@given(shown_states(), ENTRIES, st.integers(1, 140), st.integers(1, 45), st.sampled_from(ALL_SIGNS))
def test_whatever_comes_is_drawn_within_the_screen_and_no_control_character_reaches_it(
    shown: Shown, entry: Entry, columns: int, height: int, signs: Signs
) -> None:
    rows = draw(shown, entry, columns, height, signs)
    stands_in(rows, columns, height)
    text_of(rows).encode(signs.encoding)


def test_an_escape_sequence_in_a_name_or_a_line_is_shown_as_harmless_signs() -> None:
    evil = "\x1b]0;owned\x07\x1b[2J\x9b31mweb"
    assert IN_WINDOW.next is not None
    shown = replace(
        QUESTION,
        next=replace(IN_WINDOW.next, location=evil),
        question=Question(sentence=evil, line=evil, acts=QUESTION.question.acts),  # type: ignore[union-attr]
        message=Message(kind=MessageKind.NOT_TAKEN, sentence=evil),
        links=(LinkShown(name=evil, up=False, note=evil),),
    )
    drawn = text_of(draw(shown, ENTRY, 80, 24, UNICODE))
    assert "?]0;owned??[2J?31mweb" in drawn
    assert all(letter.isprintable() or letter == "\n" for letter in drawn)


@given(NASTY, st.integers(0, 30), st.sampled_from(ALL_SIGNS))
def test_text_is_cut_only_with_a_sign(text: str, columns: int, signs: Signs) -> None:
    clean = signs.clean(text)
    found = cut(clean, columns, signs)
    assert width(found) <= columns
    if found != clean and columns:
        assert found.endswith(signs.more[: min(columns, len(signs.more))][-1:])


@given(NASTY, st.integers(2, 30))
def test_wrapping_loses_no_letter(text: str, columns: int) -> None:
    clean = UNICODE.clean(text)
    lines = wrap(clean, columns)
    assert all(width(line) <= columns for line in lines)
    assert "".join(lines).replace(" ", "") == "".join(clean.split())


@pytest.mark.parametrize("name", ["Türrahmen außen", "漢字の場所", "한국어 면", "a\u0308 b\u0301", "ﾊﾝｶｸ"])
@pytest.mark.parametrize("columns", [40, 60, 80, 120])
def test_wide_and_joined_letters_keep_the_table_in_its_columns(name: str, columns: int) -> None:
    counts = tuple(replace(count, location=f"{name} {n}") for n, count in enumerate(IN_WINDOW.locations))
    rows = draw(replace(IN_WINDOW, locations=counts), ENTRY, columns, 30, UNICODE)
    stands_in(rows, columns, 30)
    cells = [get_cwidth(text[: text.index("/3 ")]) for row in rows if "/3 " in (text := "".join(s.text for s in row))]
    assert len(cells) >= 2
    assert len(set(cells)) == 1


def test_fifteen_digits_are_shown_whole() -> None:
    assert IN_WINDOW.last is not None
    long = "123456789.12345"
    shown = replace(IN_WINDOW, last=replace(IN_WINDOW.last, shown=long, value=Decimal(long), standing=Standing.HIGH))
    drawn = text_of(draw(shown, ENTRY, 80, 24, UNICODE))
    larges = [big(long, scale, UNICODE, over=False) or [] for scale in (Scale(1, 1), Scale(1, 2))]
    assert any(all(row.rstrip() in drawn for row in rows) for rows in larges)
    assert long in text_of(draw(shown, ENTRY, 40, 12, UNICODE))


# the bar


def bar_cells(window: Window, value: str, standing: Standing, columns: int = 60) -> tuple[str, str, str]:
    rows = bar(window, Decimal(value), standing, columns, ASCII)
    mark, drawn, at = ("".join(span.text for span in row) for row in rows)
    return mark, drawn, at


def test_the_mark_stands_between_the_limits_exactly_where_the_value_does() -> None:
    for value in ("60", "60.0001", "75", "119.9999", "120"):
        mark, drawn, _ = bar_cells(WINDOW, value, Standing.IN)
        left, right = drawn.index("|"), drawn.rindex("|")
        assert left < mark.index("V") < right
    mark, drawn, _ = bar_cells(WINDOW, "59.9999", Standing.LOW)
    assert mark.index("V") < drawn.index("|")
    mark, drawn, _ = bar_cells(WINDOW, "120.0001", Standing.HIGH)
    assert mark.index("V") > drawn.rindex("|")


def test_a_value_far_off_the_bar_is_written_at_its_end() -> None:
    assert bar_cells(WINDOW, "3", Standing.LOW)[0] == "< 3"
    assert bar_cells(WINDOW, "900", Standing.HIGH)[0].endswith("900 >")


def test_limits_and_target_stand_under_the_bar() -> None:
    mark, drawn, at = bar_cells(WINDOW, "80", Standing.IN)
    assert at.split() == ["60", "70", "90", "120"]
    assert drawn[mark.index("V")] == "="


@pytest.mark.parametrize(("lower", "upper"), [("60", None), (None, "120")])
def test_a_window_with_one_limit_has_one_limit_drawn(lower: str | None, upper: str | None) -> None:
    window = replace(
        WINDOW,
        lower=Decimal(lower) if lower else None,
        upper=Decimal(upper) if upper else None,
        target_low=None,
        target_high=None,
    )
    _, drawn, at = bar_cells(window, "80", Standing.IN)
    assert drawn.count("|") == 1
    assert at.split() == [lower or upper]


@given(windows(), FIGURES, st.integers(1, 120), st.sampled_from(ALL_SIGNS))
def test_a_bar_is_never_wider_than_its_columns(window: Window, value: Decimal, columns: int, signs: Signs) -> None:
    for row in bar(window, value, Standing.IN, columns, signs):
        assert sum(width(span.text) for span in row) <= columns


def test_how_far_outside_is_exact_and_never_rounded_to_nothing() -> None:
    assert standing_words(Standing.HIGH, Decimal("120.00001"), WINDOW, UNICODE) == "! TOO HIGH by <0.0001 µm"
    assert standing_words(Standing.LOW, Decimal("2.37"), MIL_WINDOW, ASCII) == "! TOO LOW by 0.03 mil"
    assert figures(Decimal("84.3280")) == "84.328"


# large letters


def test_every_figure_differs_from_every_other_at_every_scale() -> None:
    for signs in ALL_SIGNS:
        for scale in (Scale(1, 1), Scale(1, 2), Scale(2, 2), Scale(4, 4)):
            drawn = ["\n".join(rows) for digit in "0123456789.-" if (rows := big(digit, scale, signs, over=False))]
            assert len(set(drawn)) == len(drawn)


def test_capitals_differ_from_one_another_and_umlauts_have_their_dots() -> None:
    drawn = {letter: big(letter, Scale(1, 1), UNICODE) for letter in "ABCDEFGHIJKLMNOPQRSTUVWXYZÄÖÜ"}
    assert len({tuple(rows or ()) for rows in drawn.values()}) == len(drawn)
    assert can_be_big("Tür links 3/4")
    assert not can_be_big("漢字")


def test_a_console_is_asked_for_no_sign_that_it_lacks() -> None:
    assert signs_for("utf-8").more == "…"
    assert signs_for("cp437").full == "█"
    assert signs_for("cp850").halves
    assert signs_for("ascii").full == "#"
    assert signs_for(None).full == "#"
    assert signs_for("utf-8", old_console=True).more == "..."
    assert signs_for("cp1252").full == "#"
    assert signs_for("latin-1").clean("漢ä") == "??ä"

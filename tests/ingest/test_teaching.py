"""Teaching: the right profile or an honest question, and never a wrong profile."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from datetime import UTC, datetime
from decimal import Decimal
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.decoding import DecodedReading, LineDecoder, NotAReading, Rejected, text_of
from ingest.framing import Frame
from ingest.profile_toml import profile_toml
from ingest.teaching import Shown, Taught, teach
from schemas.errors import BadInput
from schemas.profile import Profile
from schemas.units import Unit
from schemas.vocabulary import ProbeMode
from tests.ingest.gauges import Gauge, Inspector, Said

UTC_ZONE = ZoneInfo("UTC")


def taught(lines: list[str | bytes], shown: Mapping[int, str], **answers: str) -> Taught:
    """Teach, and answer every choice by the answer whose name begins the question's key."""
    data = [line if isinstance(line, bytes) else line.encode() for line in lines]
    found = teach(data, {i: Shown.of(s) for i, s in shown.items()})
    for _ in range(30):
        for question in found.questions:
            parts = question.key.replace("-", "_").replace(":", " ").split()
            answer = answers.get(f"{parts[0]}_{parts[-1]}") or answers.get(parts[0])
            if answer is not None and answer in [c.key for c in question.choices]:
                found = found.answer(question, answer)
                break
        else:
            return found
    raise AssertionError("asked without end")


def keys(found: Taught) -> set[str]:
    """Return what is open."""
    return {f"{q.kind} {q.key.partition(':')[0]}" for q in found.questions}


def read(found: Taught, line: str | bytes) -> object:
    """Return how the profile reads *line*."""
    assert found.profile is not None, found.questions
    data = line if isinstance(line, bytes) else line.encode()
    decoder = LineDecoder(found.profile, UTC_ZONE)
    text = text_of(Frame(data, len(data)), decoder.control)
    return text if isinstance(text, Rejected) else decoder.decode(text)


def figures(found: Taught, line: str | bytes) -> str:
    said = read(found, line)
    assert isinstance(said, DecodedReading), said
    return f"{said.shown} {said.unit}"


def _holds(said: Said, found: object) -> bool:
    if said.thickness_um is None:
        return not isinstance(found, DecodedReading)
    return isinstance(found, DecodedReading) and (
        found.thickness_um,
        found.unit,
        found.counter,
        found.taken_at,
        found.mode,
    ) == (said.thickness_um, said.unit, said.counter, said.taken_at, said.mode)


def test_no_gauge_of_a_grammar_is_taught_wrong_and_most_are_taught() -> None:
    """Shapes of tests/ingest/gauges.py, which these tests' author wrote together with the code; another grammar is in test_taught_shapes.py."""
    counted: Counter[str] = Counter()
    for seed in range(150):
        inspector = Inspector(Gauge(seed))
        found = inspector.lesson()
        assert inspector.asked <= 3, seed
        if found.profile is None:
            assert found.questions, seed
            counted["asked"] += 1
            continue
        counted["taught"] += 1
        for _ in range(60):
            said = next(inspector.source)
            assert _holds(said, read(found, said.data)), (seed, said, found.profile.reading or found.profile.keys)
        assert Profile.checked(_loaded(profile_toml(found.profile)), "again") == found.profile, seed
    assert counted["taught"] > 135, counted


def _loaded(text: str) -> dict[str, object]:
    import tomllib

    return tomllib.loads(text, parse_float=Decimal)


# What is asked for


def test_nothing_is_proposed_from_no_reading_or_one() -> None:
    assert keys(teach([], {})) == {"reading reading"}
    assert keys(taught(["82.5 um"], {0: "82.5 um"})) == {"reading differs"}
    assert keys(taught(["82.5 um", "82.5 um"], {0: "82.5 um", 1: "82.5 um"})) == {"reading differs"}


def test_two_places_that_hold_the_same_are_told_apart_by_another_reading() -> None:
    lines: list[str | bytes] = ["82.5;82.5;um", "90.1;90.1;um"]
    assert keys(taught(lines, {0: "82.5 um", 1: "90.1 um"})) == {"reading value"}
    found = taught([*lines, "85.0;86.9;um"], {0: "82.5 um", 1: "90.1 um", 2: "85.0 um"}, unit_place="yes")
    assert figures(found, "70.0;81.9;um") == "70.0 um"


def test_a_value_without_decimals_leaves_the_mark_open() -> None:
    found = taught(["82 um", "120 um"], {0: "82 um", 1: "120 um"})
    assert keys(found) == {"reading decimals"}
    assert (
        figures(taught(["82 um", "120 um", "9,5 um"], {0: "82 um", 1: "120 um", 2: "9.5 um"}), "7,25 um") == "7.25 um"
    )
    whole = found.answer(found.questions[0], "none")
    assert isinstance(read(whole, "82.5 um"), Rejected)


def test_a_comma_between_fields_settles_no_decimal_mark() -> None:
    lines: list[str | bytes] = ["463;2,5 mil,OK", "707;7,5 mil,OK"]
    shown = {0: "463 um", 1: "707 um"}
    assert "reading decimals" in keys(taught(lines, shown, word="fixed", unit_place="no"))
    found = taught([*lines, "67,5;0,7 mil,OK"], {**shown, 2: "67.5 um"}, word="fixed", unit_place="no")
    assert figures(found, "8,5;0,1 mil,OK") == "8.5 um"


def test_nought_says_nothing_of_decimals_in_another_unit() -> None:
    lines: list[str | bytes] = ["0825 um", "1203 um", "0000 mil"]
    found = taught(lines, {0: "82.5 um", 1: "120.3 um", 2: "0.00 mil"})
    assert keys(found) == {"choice other-unit"}


@pytest.mark.parametrize(("answer", "open_"), [("decimal", False), ("thousands", True)])
def test_a_comma_before_three_figures_is_asked_about(answer: str, open_: bool) -> None:
    found = taught(["1,234 mil", "2,500 mil"], {0: "1,234 mil", 1: "2,500 mil"})
    assert keys(found) == {"choice comma"}
    found = found.answer(found.questions[0], answer)
    assert (found.profile is None) == open_
    if not open_:
        assert figures(found, "0,875 mil") == "0.875 mil"


def test_an_order_of_day_and_month_is_never_guessed() -> None:
    lines: list[str | bytes] = [f"0{n}/04/2026 10:00:0{n};8{n}.5 um" for n in (3, 4)]
    shown = {0: "83.5 um", 1: "84.5 um"}
    found = taught(lines, shown)
    assert keys(found) == {"choice day_order".replace("_", "-")}
    said = read(taught(lines, shown, day_order="%d/%m/%Y %H:%M:%S"), lines[0])
    assert isinstance(said, DecodedReading)
    assert said.taken_at == datetime(2026, 4, 3, 10, 0, 3, tzinfo=UTC)
    said = read(taught(lines, shown, day_order="%m/%d/%Y %H:%M:%S"), lines[0])
    assert isinstance(said, DecodedReading)
    assert said.taken_at == datetime(2026, 3, 4, 10, 0, 3, tzinfo=UTC)


def test_a_day_after_the_twelfth_settles_the_order() -> None:
    found = taught(["13/04/2026 10:00:03;83.5 um", "13/04/2026 10:00:04;84.5 um"], {0: "83.5 um", 1: "84.5 um"})
    assert found.profile is not None
    assert found.profile.time_format == "%d/%m/%Y %H:%M:%S"


@pytest.mark.parametrize(("day", "settled"), [(3, True), (4, False)])
def test_the_time_of_arrival_settles_the_order_where_one_alone_fits(day: int, settled: bool) -> None:
    stamp = f"0{day}/04/2026"
    lines = [f"{stamp} 10:00:03;83.5 um".encode(), f"{stamp} 10:00:09;84.5 um".encode()]
    came = datetime(2026, 4, day, 10, 0, 20, tzinfo=UTC)
    found = teach(lines, {0: Shown.of("83.5 um"), 1: Shown.of("84.5 um")}, arrived={0: came, 1: came})
    assert (found.profile is not None) == settled


def test_a_counter_is_believed_after_three_lines_and_asked_for_after_two() -> None:
    lines: list[str | bytes] = ["7;82.5;um", "8;90.1;um"]
    assert keys(taught(lines, {0: "82.5 um", 1: "90.1 um"})) == {"reading counter"}
    said = read(taught([*lines, "9;70.0;um"], {0: "82.5 um", 1: "90.1 um", 2: "70.0 um"}), "412;5.5;um")
    assert isinstance(said, DecodedReading)
    assert said.counter == 412


def test_two_places_that_count_are_asked_about() -> None:
    lines: list[str | bytes] = ["7;101;82.5;um", "8;102;90.1;um", "9;103;70.0;um"]
    found = taught(lines, {0: "82.5 um", 1: "90.1 um", 2: "70.0 um"})
    assert keys(found) == {"choice counter"}
    assert len(found.questions) == 2


def test_the_meaning_of_a_mode_word_is_asked_and_the_other_mode_is_wanted() -> None:
    lines: list[str | bytes] = ["A 82.5 um", "A 90.1 um"]
    shown = {0: "82.5 um", 1: "90.1 um"}
    assert keys(taught(lines, shown)) == {"choice word"}
    assert keys(taught(lines, shown, word="eddy-current")) == {"reading other-mode"}
    found = taught([*lines, "S 9.1 um"], {**shown, 2: "9.1 um"}, word_A="eddy-current", word_S="magnetic")
    said = read(found, "S 12.0 um")
    assert isinstance(said, DecodedReading)
    assert said.mode is ProbeMode.MAGNETIC
    assert isinstance(read(found, "X 12.0 um"), Rejected)


def test_a_mode_that_is_a_figure_is_asked_about_as_well() -> None:
    lines: list[str | bytes] = ["1;82.5;um", "2;90.1;um", "1;70.0;um"]
    found = taught(lines, {0: "82.5 um", 1: "90.1 um", 2: "70.0 um"}, number_1="magnetic", number_2="eddy-current")
    said = read(found, "2;5.5;um")
    assert isinstance(said, DecodedReading)
    assert said.mode is ProbeMode.EDDY_CURRENT


def test_a_number_that_never_changed_may_be_a_status_and_is_asked_about() -> None:
    lines: list[str | bytes] = ["82.5;um;0", "90.1;um;0"]
    shown = {0: "82.5 um", 1: "90.1 um"}
    assert keys(taught(lines, shown)) == {"choice number"}
    assert isinstance(read(taught(lines, shown, number="fixed"), "70.0;um;1"), Rejected)
    assert figures(taught(lines, shown, number="free"), "70.0;um;1") == "70.0 um"


def test_units_are_asked_for_where_neither_line_nor_person_says_them() -> None:
    found = taught(["82.5", "90.1"], {0: "82.5", 1: "90.1"})
    assert keys(found) == {"choice unit"}
    assert figures(found.answer(found.questions[0], "mil"), "3.5") == "3.5 mil"


def test_units_that_the_lines_do_not_tell_apart_are_a_dead_end() -> None:
    assert keys(taught(["82.5", "3.25"], {0: "82.5 um", 1: "3.25 mil"})) == {"dead end unit"}


def test_a_display_in_another_unit_than_the_line_is_told() -> None:
    assert keys(taught(["82.5 um", "90.1 um"], {0: "82.5 mil", 1: "90.1 mil"})) == {"dead end unit"}
    assert keys(taught(["82.5 um", "90.1 um"], {0: "3.25 mil", 1: "3.55 mil"})) == {"dead end value"}


def test_more_decimals_than_the_display_shows_are_asked_about() -> None:
    found = taught(["82.47 um", "90.13 um"], {0: "82.5 um", 1: "90.1 um"})
    assert keys(found) == {"choice rounding"}
    assert figures(found.answer(found.questions[0], "yes"), "70.26 um") == "70.26 um"
    assert keys(found.answer(found.questions[0], "no")) == {"dead end rounding"}


def test_figures_without_a_mark_need_readings_of_different_sizes() -> None:
    assert keys(taught(["0825 um", "0901 um"], {0: "82.5 um", 1: "90.1 um"})) == {
        "reading places",
        "reading other-unit",
    }
    found = taught(["0825", "1203"], {0: "82.5 um", 1: "120.3 um"})
    assert figures(found, "-0051") == "-5.1 um"


@pytest.mark.parametrize(
    ("lines", "shown", "line", "expected"),
    [
        (["82.5 um 3.25 mil", "120.3 um 4.74 mil"], {0: "82.5 um", 1: "120.3 um"}, "9.9 um 0.39 mil", "9.9 um"),
        (["82.5 um 3.25 mil", "120.3 um 4.74 mil"], {0: "3.25 mil", 1: "4.74 mil"}, "9.9 um 0.39 mil", "0.39 mil"),
        (['"82.5","um"', '"120.3","um"'], {0: "82.5 um", 1: "120.3 um"}, '"9.9","mil"', "9.9 mil"),
        (["D1=82.5", "D2=120.3", "D3=7.0"], {0: "82.5 um", 1: "120.3 um", 2: "7.0 um"}, "D10=9.9", "9.9 um"),
        (["  82.5um", " 120.3um"], {0: "82.5 um", 1: "120.3 um"}, "-   9.9um", "-9.9 um"),
        ([b"82,5 \xb5m", b"120,3 \xb5m"], {0: "82,5 um", 1: "120,3 um"}, b"-0,5 \xb5m", "-0.5 um"),
        (["\x02 82.5\tum\x03", "\x02120.3\tum\x03"], {0: "82.5 um", 1: "120.3 um"}, "\x02  9.9\tMIL\x03", "9.9 mil"),
        (["um;82.5", "um;120.3"], {0: "82.5 um", 1: "120.3 um"}, "mil;9.9", "9.9 mil"),
        (['{"v":"82,5 um"}', '{"v":"120,3 um"}'], {0: "82.5 um", 1: "120.3 um"}, '{"v":"9,9 um"}', "9.9 um"),
        (['{"v":"82,5","u":"\\u00b5m"}', '{"v":"120,3","u":"mil"}'], {0: "82.5 um", 1: "120.3 mil"}, '{"u":"mil","v":"9,9"}', "9.9 mil"),
    ],
)  # fmt: skip
def test_lines_of_many_shapes_are_taught(
    lines: list[str | bytes], shown: dict[int, str], line: str | bytes, expected: str
) -> None:
    assert figures(taught(lines, shown, unit_place="yes", word="fixed"), line) == expected


def test_a_json_object_with_another_key_or_word_is_no_reading() -> None:
    lines: list[str | bytes] = ['{"t": 82.5, "u": "um", "is": "film"}', '{"t": 120.3, "u": "um", "is": "film"}']
    found = taught(lines, {0: "82.5 um", 1: "120.3 um"}, word="fixed")
    assert figures(found, '{"t": 9.9, "u": "mil", "is": "film"}') == "9.9 mil"
    for other in (
        '{"t": 82.5, "u": "um", "is": "mean"}',
        '{"t": 0, "u": "um", "is": "film", "error": 4}',
        '{"t": 5, "u": "um"}',
    ):
        assert isinstance(read(found, other), Rejected)


def test_a_check_that_fits_none_of_the_usual_kinds_is_told() -> None:
    lines: list[str | bytes] = ["82.5 um*4A", "120.3 um*B7", "9.9 um*0C"]
    found = taught(lines, {0: "82.5 um", 1: "120.3 um", 2: "9.9 um"})
    assert keys(found) == {"choice unread-check"}
    assert figures(found.answer(found.questions[0], "unchecked"), "70.0 um*11") == "70.0 um"


def test_a_line_that_is_named_is_known_and_keeps_no_reading_out() -> None:
    lines: list[str | bytes] = ["82.5 um", "MEAN 90.0 N=12", "120.3 um"]
    found = taught(lines, {0: "82.5 um", 2: "120.3 um"})
    assert isinstance(read(found, lines[1]), Rejected)
    found = found.with_name(1, "mean of a series")
    assert read(found, "MEAN 7.5 N=3") == NotAReading("mean of a series")
    assert figures(found, "70.0 um") == "70.0 um"


def test_a_line_that_is_a_reading_by_its_shape_can_be_named_by_its_figures() -> None:
    found = taught(["82.5 um", "9999.9 um", "120.3 um"], {0: "82.5 um", 2: "120.3 um"}).with_name(1, "over the range")
    assert read(found, "9999.9 um") == NotAReading("over the range")
    assert figures(found, "99.9 um") == "99.9 um"


def test_a_damaged_line_among_the_others_is_not_read() -> None:
    def closed(text: str) -> str:
        return f"{text}*{sum((text + '*').encode()) % 256:02X}"

    lines: list[str | bytes] = [
        closed("82.5 um"),
        closed("90.1 um").replace("9", "8"),
        closed("120.3 um"),
        closed("7.0 um"),
    ]
    found = taught(lines, {0: "82.5 um", 2: "120.3 um", 3: "7.0 um"})
    assert isinstance(found.lines[1].said, Rejected)
    assert "was damaged on the way" in found.lines[1].said.why


def test_what_is_said_wrongly_gets_a_sentence() -> None:
    with pytest.raises(BadInput, match="line 9 is not there; 1 lines came"):
        teach([b"82.5"], {8: Shown("82.5", Unit.UM)})
    with pytest.raises(BadInput, match="is not what a display shows"):
        Shown.of("about 80")
    with pytest.raises(BadInput, match="unknown unit 'ell'"):
        Shown.of("80 ell")
    found = taught(["82.5", "90.1"], {0: "82.5", 1: "90.1"})
    with pytest.raises(BadInput, match="'inch' is no answer to"):
        found.answer(found.questions[0], "inch")


def test_lines_that_are_no_text_or_are_built_differently_are_told() -> None:
    assert keys(taught([b"\xfe\xed\xfa", "82.5 um"], {0: "82.5 um"})) == {"dead end text"}
    assert keys(taught(["82.5 um", "x=90.1;um"], {0: "82.5 um", 1: "90.1 um"})) == {"dead end shape"}
    assert keys(taught(["82.5 um", "90.1 um"], {0: "82.5 um", 1: "77.7 um"})) == {"dead end value"}


def test_a_name_that_changes_takes_no_figures_from_the_counter_behind_it() -> None:
    lines: list[str | bytes] = ["A8 82.5 um", "B9 90.1 um", "C10 70.0 um"]
    found = taught(lines, {0: "82.5 um", 1: "90.1 um", 2: "70.0 um"}, word="free")
    said = read(found, "D123 5.5 um")
    assert isinstance(said, DecodedReading)
    assert said.counter == 123


@given(
    st.lists(st.binary(max_size=30) | st.from_regex(rb"[0-9A-F;,.*: umil-]{0,20}", fullmatch=True), max_size=6),
    st.dictionaries(
        st.integers(0, 5), st.sampled_from(["82.5 um", "1 um", "3.25 mil", "0,5", "1,234 um", "-2"]), max_size=4
    ),
    st.integers(0, 3),
)
def test_any_lines_give_a_profile_that_reads_what_was_shown_or_a_question(
    lines: list[bytes], shown: dict[int, str], pick: int
) -> None:
    said = {i: Shown.of(s) for i, s in shown.items() if i < len(lines)}
    found = teach(lines, said)
    for _ in range(8):
        question = next((q for q in found.questions if q.choices), None)
        if question is None:
            break
        found = found.answer(question, question.choices[pick % len(question.choices)].key)
    assert (found.profile is None) == bool(found.questions)
    if found.profile is not None:
        for line in found.lines:
            if line.shown is not None:
                assert isinstance(line.said, DecodedReading)
                assert line.shown.unit in (None, line.said.unit)


def test_a_file_says_what_the_profile_says(tmp_path: Path) -> None:
    profile = Profile.model_validate(
        {
            "title": "quotes \" ' and \\",
            "reading": "\\x02(?P<thickness>[0-9]+)'(?P<mode>\"A|'B)(?P<check>..)",
            "unit": "um",
            "control": "\x02\x03",
            "places": 2,
            "modes": {'"A': "magnetic", "'B": "eddy-current", "µ = 1": "magnetic"},
            "check": {"kind": "sum", "written": "HEX"},
            "line_end": "\t",
            "not_a_reading": [{"pattern": "a\\.b'c\"", "meaning": "x"}, {"pattern": "\\d", "meaning": "y"}],
            "serial": {"baud": 19200},
            "request": {"text": "M\r\n", "timeout_s": "0.5"},
        }
    )
    path = tmp_path / "p.toml"
    path.write_text(profile_toml(profile, ("a remark\nwith two lines",)), encoding="utf-8")
    assert Profile.load(path) == profile


def test_a_name_before_an_equals_sign_or_a_colon_is_not_asked_about() -> None:
    lines: list[str | bytes] = ["v=62.8um n=1", "v=71.3um n=2", "v=104.9um n=3", "v=88.0um n=4"]
    found = taught(lines, {0: "62.8 um", 1: "71.3 um"})
    assert not found.questions
    assert figures(found, "v=99.1um n=5") == "99.1 um"
    assert isinstance(read(found, "m=99.1um n=5"), Rejected)


def test_names_in_an_object_within_an_object_are_not_asked_about() -> None:
    lines: list[str | bytes] = [
        f'{{"r": {{"film": "{v}", "unit": "um"}}, "seq": {i}}}' for i, v in enumerate(("75.8", "91.2", "103.4"))
    ]
    found = taught(lines, {0: "75.8 um", 1: "91.2 um"})
    assert not found.questions
    assert figures(found, '{"r": {"film": "60.1", "unit": "um"}, "seq": 3}') == "60.1 um"


def test_a_name_that_may_be_a_probe_mode_is_asked_about_before_a_colon_as_well() -> None:
    for word in ("Fe", "NFe", "F", "N", "Al", "mag"):
        lines: list[str | bytes] = [f"{word}: 62.8 um", f"{word}: 71.3 um"]
        assert keys(taught(lines, {0: "62.8 um", 1: "71.3 um"})) == {"choice word"}


def test_a_counter_and_figures_are_no_time_of_day() -> None:
    lines: list[str | bytes] = ["95:105.4um", "96:84.3um", "97:101.8um", "98:62.7um"]
    found = taught(lines, {0: "105.4 um", 1: "84.3 um"})
    assert figures(found, "00:84.1um") == "84.1 um"
    assert figures(found, "12:45.3um") == "45.3 um"
    timed = taught(
        ["09:20 84.3um", "09:21 105.4um", "09:22 99.9um"], {0: "84.3 um", 1: "105.4 um"}, moment_apart="leave-out"
    )
    assert figures(timed, "09:23 77.7um") == "77.7 um"
    assert isinstance(read(timed, "96:84.3um"), Rejected)


def test_capital_letters_of_a_check_are_seen_in_lines_that_no_display_was_said_for() -> None:
    def line(body: str) -> str:
        return f"{body}{sum(body.encode()) & 255:02X}"

    bodies = [f"R{i:03d};{v:.1f};um;" for i, v in enumerate(60 + 0.7 * k for k in range(60))]
    numbers = [i for i, b in enumerate(bodies) if line(b)[-2:].isdigit()][:3]
    lines: list[str | bytes] = [line(b) for b in bodies]
    found = taught(lines, {i: f"{bodies[i].split(';')[1]} um" for i in numbers}, word="fixed")
    assert found.profile is not None
    assert found.profile.check is not None
    assert found.profile.check.written == "HEX"


def test_figures_that_take_many_values_are_asked_about_as_a_number_not_one_by_one() -> None:
    lines: list[str | bytes] = [f"{i % 10};{60 + 3.7 * i:.1f};um" for i in range(14)]
    shown = {i: f"{60 + 3.7 * i:.1f} um" for i in (0, 1, 4)}
    assert keys(taught(lines, shown)) == {"choice counter"}
    found = taught(lines, shown, counter="free")
    assert figures(found, "9;104.7;um") == "104.7 um"


def test_a_sentence_names_three_readings_at_most() -> None:
    lines: list[str | bytes] = [f"{5 * i + 60}.{i} um" for i in range(9)]
    [question] = taught(lines, {i: f"{300 + i} um" for i in range(9)}).questions
    assert question.sentence.count("(line ") == 3

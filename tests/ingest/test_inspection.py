"""Taking an inspection: where each reading belongs, what steers it, what is never guessed."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.inspection import OtherLine, Problem, TakenReading, Told, base_means_um
from schemas.profile import Profile
from schemas.vocabulary import BASE_READING, EVERYWHERE, CoatStage
from tests.ingest.taking import NOW, feed, line, taking

PROFILES = Path(__file__).parents[2] / "sample_captures" / "shop" / "profiles"


def _places(state: object) -> list[tuple[str, str, int]]:
    return [(r.piece, r.location, r.spot) for r in state.readings]  # type: ignore[attr-defined]


def _problem(outcome: object) -> Problem:
    assert isinstance(outcome, Problem), outcome
    return outcome


def test_readings_fall_into_the_plan_in_order() -> None:
    state = taking(pieces=("1", "2"))
    feed(state, *["3.1"] * 8)
    one = [("face", 1), ("face", 1), ("edge", 1), ("edge", 2)]
    assert [(p, *place) for p in ("1", "2") for place in one] == _places(state)
    assert state.next_slot() is None
    assert list(state.missing()) == []


def test_a_reading_beyond_the_plan_is_a_problem_and_not_a_guess() -> None:
    state = taking()
    *_, last = feed(state, *["3.1"] * 5)
    assert "is one reading more than the job asks for" in _problem(last).sentence
    assert len(state.readings) == 4


def test_a_named_location_takes_its_readings_and_no_more() -> None:
    state = taking()
    *_, last = feed(state, "@location edge", "3.1", "3.2", "3.3")
    assert _places(state) == [("1", "edge", 1), ("1", "edge", 2)]
    assert "'edge' on piece 1 already has its 2 readings" in _problem(last).sentence


def test_with_a_prompt_that_says_so_the_next_reading_goes_where_the_prompt_points() -> None:
    state = taking(prompted=True)
    feed(state, "@location edge", "3.1", "3.2", "3.3")
    assert _places(state)[-1] == ("1", "face", 1)


def test_an_excluded_reading_is_kept_with_its_reason_and_its_place_is_measured_again() -> None:
    state = taking()
    feed(state, "3.1", "0.2", "@exclude probe slipped", "3.2", "3.3")
    kept = state.readings[1]
    assert (kept.counted, kept.excluded_reason, kept.excluded_by) == (False, "probe slipped", "mk")
    assert _places(state) == [("1", "face", 1)] * 3 + [("1", "edge", 1)]


def test_undo_goes_back_one_reading_at_a_time() -> None:
    state = taking()
    feed(state, "3.1", "3.2", "@undo", "@undo", "3.3")
    assert [r.counted for r in state.readings] == [False, False, True]
    assert isinstance(feed(state, "@undo", "@undo")[-1], Problem)


def test_skip_leaves_the_rest_of_a_location_and_is_noted() -> None:
    state = taking()
    feed(state, "3.1", "@skip hanger mark", "3.2")
    assert _places(state)[-1] == ("1", "edge", 1)
    assert state.notes[0].what == "face on piece 1 skipped: hanger mark"


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        ("@location lid", "location 'lid' is not one of the job's ('face', 'edge'); correct the line or the job"),
        ("@piece 9", "piece '9' is not one of those to be measured (1)"),
        ("@exclude", "@exclude needs a reason after it"),
        ("@dance", "'@dance' means nothing here"),
        ("@base face", "the job asks for no readings before coating"),
    ],
)
def test_a_word_that_cannot_be_obeyed_says_why(words: str, sentence: str) -> None:
    assert sentence in _problem(feed(taking(), words)[0]).sentence


@pytest.mark.parametrize(
    ("text", "sentence", "can_be_accepted"),
    [
        ("75", "75 mil at 'face' on piece 1 looks like 75 µm (limits 2 to 5 mil)", True),
        ("3.1 um", "3.1 µm at 'face' on piece 1 looks like 3.1 mil (limits 2 to 5 mil)", True),
        ("-3.1", "-3.1 mil at 'face' on piece 1 is negative, which no film is", False),
        ("900", "is above 2500 µm, which is taken for a slip", False),
        ("3,1", "has a decimal comma", False),
        ("3.1 ell", "unknown unit 'ell'", False),
        ("what", "is not how profile 'typed (decimal_mark in shop.toml)' writes a reading", False),
    ],
)
def test_a_slip_is_stopped_with_one_sentence_and_nothing_is_taken(
    text: str, sentence: str, can_be_accepted: bool
) -> None:
    state = taking()
    problem = _problem(feed(state, text)[0])
    assert sentence in problem.sentence
    assert can_be_accepted == problem.can_be_accepted
    assert state.readings == []


def test_a_doubtful_reading_is_taken_on_a_persons_word_and_the_word_is_kept() -> None:
    state = taking()
    outcome = state.feed(line(1, "75"), "typed", accept="a very thick part")
    assert isinstance(outcome, TakenReading)
    assert "looks like 75 µm" in state.notes[0].what
    assert state.notes[0].what.endswith(": a very thick part")


def test_a_line_set_aside_is_kept_with_its_reason() -> None:
    state = taking()
    outcome = state.feed(line(1, "what"), "typed", set_aside="someone leaned on a key")
    assert isinstance(outcome, OtherLine)
    assert state.other_lines[0].why == "set aside by mk: someone leaned on a key"


def test_a_last_line_without_an_end_is_not_taken_silently() -> None:
    problem = _problem(taking().feed(line(1, "3.1", ended=False), "typed"))
    assert problem.sentence == "'3.1' is the last line and has no line end, so it may be cut short"
    assert problem.can_be_accepted


def test_a_reading_from_the_future_is_refused() -> None:
    problem = _problem(taking().feed(line(1, "3.1", at=NOW + timedelta(hours=2)), "typed"))
    assert "is still to come; set the clock right" in problem.sentence


def test_a_clock_that_steps_back_is_noted_and_the_order_stays() -> None:
    state = taking()
    state.feed(line(1, "3.1"), "typed")
    state.feed(line(2, "3.2", at=NOW - timedelta(days=2)), "typed")
    assert [r.reading_no for r in state.readings] == [1, 2]
    assert "the clock stepped back before reading 2" in state.notes[0].what


def _delimited(counter: int, mode: str = "FE") -> str:
    return f"{counter};2026-11-03 10:00:05;{mode};3.10;mil"


def test_a_counter_that_jumps_or_repeats_is_never_taken_silently() -> None:
    profile = Profile.load(PROFILES / "delimited.toml")
    state = taking(profile)
    first, again, gap = feed(state, _delimited(7), _delimited(7), _delimited(9))
    assert isinstance(first, TakenReading)
    assert "has counter 7 again, as reading 1 had" in _problem(again).sentence
    assert "has counter 9 after 7, so a reading may be missing" in _problem(gap).sentence


def test_a_reading_in_another_probe_mode_is_refused() -> None:
    state = taking(Profile.load(PROFILES / "delimited.toml"))
    assert (
        "was read in mode eddy-current, and the job asks for magnetic"
        in _problem(feed(state, _delimited(1, "NFE"))[0]).sentence
    )


def _json(place: str, spot: int) -> str:
    return f'{{"film": 3.10, "in": "mil", "when": "2026-11-03T10:00:05+0000", "piece": "1", "place": "{place}", "spot": {spot}}}'


def test_a_line_that_names_location_and_spot_goes_there() -> None:
    state = taking(Profile.load(PROFILES / "json-lines.toml"))
    *_, full, unknown, beyond = feed(
        state, _json("edge", 2), _json("FACE", 1), _json("edge", 2), _json("lid", 1), _json("edge", 3)
    )
    assert _places(state) == [("1", "edge", 2), ("1", "face", 1)]
    assert "spot 2 of 'edge' on piece 1 already has its 1 reading;" in _problem(full).sentence
    assert "location 'lid' is not one of the job's" in _problem(unknown).sentence
    assert "spot 3 is not one of the 2 at 'edge'" in _problem(beyond).sentence


def test_readings_before_coating_are_kept_apart_and_their_mean_is_subtracted_later() -> None:
    state = taking(base_reading=True, blasted=True)
    feed(state, "@base *", "0.5", "0.6", "@coated", "3.5")
    assert [r.stage for r in state.readings] == [CoatStage.BARE, CoatStage.BARE, CoatStage.TOTAL]
    assert [r.excluded_reason for r in state.readings] == [BASE_READING, BASE_READING, None]
    assert {EVERYWHERE: Decimal("13.9700")} == dict(base_means_um(state.readings))


def test_an_undone_base_reading_is_not_in_the_mean() -> None:
    state = taking(base_reading=True)
    feed(state, "@base face", "0.5", "2.9", "@exclude on a weld")
    assert {"face": Decimal("12.7000")} == dict(base_means_um(state.readings))
    assert CoatStage.ZINC is state.readings[0].stage


@given(st.lists(st.integers(0, 3000), min_size=1, max_size=7))
def test_the_base_mean_is_the_exact_mean_to_the_last_place_kept(steps: list[int]) -> None:
    state = taking(base_reading=True)
    feed(state, "@base face", *[f"{s / 10:.1f} um" for s in steps])
    (mean,) = base_means_um(state.readings).values()
    exact = Fraction(sum(steps), 10 * len(steps))
    assert abs(Fraction(mean) - exact) <= Fraction(1, 20_000)


def test_a_told_word_answers() -> None:
    assert Told("face") == feed(taking(), "@location FACE")[0]


def test_going_where_no_reading_is_lacking_says_so() -> None:
    lacks_none = "lacks no reading; to measure {} again, exclude one of its readings first"
    state = taking(prompted=True)
    *_, face, piece, here = feed(state, "3.1", "3.2", "@location face", "@piece 1", "@location edge")
    assert face == Told(f"face on piece 1 {lacks_none.format('it')}")
    assert (piece, here) == (Told("piece 1"), Told("edge"))
    *_, face, edge, piece = feed(state, "3.1", "3.2", "@location face", "@location edge", "@piece 1")
    assert face == Told(f"face on piece 1 {lacks_none.format('it')}")
    assert edge == Told(f"edge on piece 1 {lacks_none.format('it')}")
    assert piece == Told(f"piece 1 {lacks_none.format('on it')}")

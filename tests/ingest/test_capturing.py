"""The capture: what becomes of each item between a link and the archive, what is asked, what replaying the journal gives."""

from __future__ import annotations

import dataclasses
import json
import os
from collections.abc import Iterator
from datetime import timedelta
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.capture_state import Act, Doubt, GateState, Heard, MessageKind, Standing
from ingest.inspection import TakenReading
from ingest.links.item import Item, Kind, Origin
from ingest.live_records import item_of, item_record
from ingest.live_taking import About
from ingest.sealing import seal
from schemas.profile import Profile
from tests.ingest.live_bench import LINK, Bench, covering, shown_of, state
from tests.ingest.taking import SHOP, facts, job


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path)


def _same_again(bench: Bench, before: dict[str, object]) -> None:
    with bench.again() as again:
        assert before == state(again)


def test_lines_are_readings_non_readings_or_refused_and_nothing_else(bench: Bench) -> None:
    profile = Profile.model_validate(
        {
            "title": "test",
            "reading": r"(?P<thickness>[0-9.]+)",
            "unit": "mil",
            "not_a_reading": [{"pattern": "no contact", "meaning": "no contact with the part"}],
        }
    )
    bench.facts = dataclasses.replace(bench.facts, profile=profile)
    with bench.begin() as inspection:
        capture = bench.capture(inspection)
        capture.items(bench.items("3.1", "no contact", "what", "3.2", ""))
        assert shown_of(inspection.taking.readings) == ["3.1", "3.2"]
        assert [(o.text, o.why.split(";")[0]) for o in inspection.taking.other_lines] == [
            ("no contact", "no contact with the part"),
            ("what", "not taken: 'what' is not how profile 'test' writes a reading"),
        ]
        assert capture.heard() == [Heard.IN, Heard.NOT_A_READING, Heard.NOT_A_READING, Heard.IN]
        assert capture.heard() == []
        before = state(inspection)
    _same_again(bench, before)


def test_several_items_are_on_disk_with_one_sync(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    with bench.begin() as inspection:
        capture = bench.capture(inspection)
        capture.item(bench.item("3.1"))
        syncs = []
        real = os.fsync
        monkeypatch.setattr(os, "fsync", lambda file: (syncs.append(file), real(file))[1])
        capture.items(bench.items("3.1", "3.2", "3.3", "3.4"))
        assert len(syncs) == 1


def test_a_doubted_line_is_asked_about_once_and_what_comes_meanwhile_waits_on_disk(bench: Bench) -> None:
    with bench.begin() as inspection:
        capture = bench.capture(inspection)
        capture.items(bench.items("3.1", "75", "3.2"))
        shown = capture.shown()
        assert shown.question is not None
        assert shown.question.line == "75"
        assert "looks like 75 µm" in shown.question.sentence
        assert shown.question.about is Doubt.UNIT
        assert shown.question.acts == (Act.ACCEPT, Act.LEAVE_OUT)
        assert shown.counted == 1
        before = state(inspection)
    with bench.again() as inspection:
        assert before == state(inspection)
        capture = bench.capture(inspection)
        assert not capture.act(Act.UNDO)
        assert capture.act(Act.ACCEPT, "a very thick part")
        assert shown_of(inspection.taking.readings) == ["3.1", "75", "3.2"]
        assert inspection.taking.notes[0].what.endswith(": a very thick part")
        assert capture.shown().question is None


def test_a_line_that_is_left_out_is_kept_with_what_spoke_against_it_and_who_left_it_out(bench: Bench) -> None:
    with bench.begin() as inspection:
        capture = bench.capture(inspection)
        capture.items(bench.items("75", "3.2"))
        capture.act(Act.LEAVE_OUT, "gauge was set to µm")
        assert shown_of(inspection.taking.readings) == ["3.2"]
        (kept,) = inspection.taking.other_lines
        assert kept.text == "75"
        assert kept.why.startswith("not taken: 75 mil at 'face' on piece 1 looks like 75 µm")
        assert kept.why.endswith("; left out by mk: gauge was set to µm")
        before = state(inspection)
    _same_again(bench, before)


def test_an_answer_without_a_reason_is_none(bench: Bench) -> None:
    with bench.begin() as inspection:
        capture = bench.capture(inspection)
        capture.items(bench.items("75"))
        assert not capture.act(Act.ACCEPT, " ")
        assert capture.shown().question is not None


def test_a_unit_slip_accepted_at_a_location_is_not_asked_there_again_but_noted_each_time(bench: Bench) -> None:
    with bench.begin() as inspection:
        capture = bench.capture(inspection)
        capture.items(bench.items("75", "76", "77"))
        capture.act(Act.ACCEPT, "sheet steel under test")
        # face takes two; the third belongs to the edge, and there it has not been said yet.
        assert shown_of(inspection.taking.readings) == ["75", "76"]
        assert capture.shown().question is not None
        assert [note.what.split(" although")[0] for note in inspection.taking.notes] == [
            "reading 1 accepted",
            "reading 2 accepted",
        ]
        assert inspection.taking.notes[1].what.endswith("sheet steel under test (said before of the same)")
        before = state(inspection)
    _same_again(bench, before)


def test_where_nobody_can_answer_a_doubted_line_is_not_taken_and_it_goes_on(bench: Bench) -> None:
    with bench.begin() as inspection:
        capture = bench.capture(inspection, asks=False)
        capture.items(bench.items("75", "3.2"))
        assert shown_of(inspection.taking.readings) == ["3.2"]
        assert inspection.taking.other_lines[0].why.startswith("not taken: 75 mil")
        before = state(inspection)
    _same_again(bench, before)


def test_what_came_of_a_line_before_the_link_went_is_no_reading_unless_a_person_accepts_it(bench: Bench) -> None:
    with bench.begin() as inspection:
        capture = bench.capture(inspection)
        capture.items([bench.item("3.1", Kind.PARTIAL), bench.item(kind=Kind.DOWN, note="the cable is out")])
        (kept,) = inspection.taking.other_lines
        assert (kept.text, kept.why) == ("3.1", "the link went in the middle of this line")
        assert inspection.taking.readings == []
        assert capture.act(Act.ACCEPT, "the display showed 3.1")
        assert shown_of(inspection.taking.readings) == ["3.1"]
        assert inspection.taking.other_lines == []
        assert "although the line came without its end: the display showed 3.1" in inspection.taking.notes[-1].what
        before = state(inspection)
    _same_again(bench, before)


def test_a_line_that_the_link_itself_doubts_is_asked_about_together_with_what_else_speaks_against_it(
    bench: Bench,
) -> None:
    with bench.begin() as inspection:
        capture = bench.capture(inspection)
        capture.items([bench.item("3.1", note="its beginning may be missing")])
        assert capture.shown().question is not None
        assert capture.act(Act.ACCEPT, "the display showed 3.1")
        assert shown_of(inspection.taking.readings) == ["3.1"]
        capture.items([bench.item("75", note="its beginning may be missing")])
        question = capture.shown().question
        assert question is not None
        assert question.sentence.startswith("its beginning may be missing; and 75 mil at 'face' on piece 1 looks like")
        capture.act(Act.LEAVE_OUT)
        before = state(inspection)
    _same_again(bench, before)


def test_a_capture_of_ours_that_comes_over_a_link_says_its_own_times_and_words(bench: Bench) -> None:
    taken_at = bench.now - timedelta(hours=2)
    with bench.begin() as inspection:
        capture = bench.capture(inspection)
        items = [bench.item(text, link="folder:/exports", taken_at=taken_at) for text in ("3.1", "@undo", "3.2")]
        capture.items(items)
        assert [(r.taken_at, r.counted) for r in inspection.taking.readings] == [(taken_at, False), (taken_at, True)]
        before = state(inspection)
    _same_again(bench, before)


def test_a_tail_cannot_be_accepted_once_another_line_came(bench: Bench) -> None:
    with bench.begin() as inspection:
        capture = bench.capture(inspection)
        capture.items([bench.item("3.1", Kind.PARTIAL), *bench.items("3.2")])
        assert not capture.act(Act.ACCEPT, "late")
        assert shown_of(inspection.taking.readings) == ["3.2"]


def test_a_reading_that_may_have_come_twice_is_taken_and_flagged(bench: Bench) -> None:
    with bench.begin() as inspection:
        capture = bench.capture(inspection)
        capture.items([bench.item("3.1"), bench.item("3.1", doubled=True)])
        last = capture.shown().last
        assert last is not None
        assert last.doubled
        assert last.counted
        assert [n.what for n in inspection.taking.notes] == ["reading 2 may have been sent twice by the link"]
        before = state(inspection)
    _same_again(bench, before)


def test_what_the_device_says_of_itself_and_how_often_its_link_went_is_noted_once(bench: Bench) -> None:
    about = {"serial_number": "G1", "firmware": "2.1", "battery_percent": "80"}
    with bench.begin() as inspection:
        capture = bench.capture(inspection)
        for battery in ("80", "79"):
            capture.items([bench.item(kind=Kind.UP, about=about | {"battery_percent": battery}), *bench.items("3.1")])
            capture.items([bench.item(kind=Kind.DOWN, note="out of reach")])
        assert capture.shown().links[0].battery_percent == 79
        assert not capture.shown().links[0].up
        assert [n.what for n in inspection.taking.notes] == [
            f"{LINK}: the device says of itself: serial number G1, firmware 2.1",
            f"{LINK}: the link went 2 times, last: out of reach",
        ]
        before = state(inspection)
    _same_again(bench, before)


def test_lines_that_were_lost_are_noted_in_the_record(bench: Bench) -> None:
    with bench.begin() as inspection:
        capture = bench.capture(inspection)
        capture.items([*bench.items("3.1"), bench.item(kind=Kind.LOST, note="12 lines came too fast and are lost")])
        assert inspection.taking.notes[-1].what == f"{LINK}: 12 lines came too fast and are lost"
        message = capture.shown().message
        assert message is not None
        assert message.kind is MessageKind.LINK


def test_another_device_than_the_gauge_is_asked_about_before_its_readings_are_taken(bench: Bench) -> None:
    with bench.begin() as inspection:
        capture = bench.capture(inspection)
        capture.items([bench.item(kind=Kind.UP, about={"serial_number": "OTHER-9"}), *bench.items("3.1")])
        shown = capture.shown()
        assert shown.question is not None
        assert "its serial number is OTHER-9, and gauge G1 is another by shop.toml" in shown.question.sentence
        assert 'add device_serial = "OTHER-9" there' in shown.question.sentence
        assert shown.counted == 0
        before = state(inspection)
    with bench.again() as inspection:
        assert before == state(inspection)
        capture = bench.capture(inspection)
        capture.act(Act.LEAVE_OUT, "my colleague's")
        capture.items(bench.items("3.2"))
        assert inspection.taking.readings == []
        assert {o.why for o in inspection.taking.other_lines} == {"came from another gauge (serial number OTHER-9)"}
        # The right gauge afterwards is taken, and the other one is not asked about again.
        capture.items([bench.item(kind=Kind.UP, about={"serial_number": "g1"}), *bench.items("3.3")])
        assert shown_of(inspection.taking.readings) == ["3.3"]


def test_the_serial_number_that_shop_toml_gives_the_device_is_the_gauges(bench: Bench) -> None:
    gauge = SHOP.gauge[0].model_copy(update={"device_serial": "DEV-1"})
    with bench.begin() as inspection:
        capture = bench.capture(inspection, gauge=gauge)
        capture.items([bench.item(kind=Kind.UP, about={"serial_number": "dev-1"}), *bench.items("3.1")])
        assert shown_of(inspection.taking.readings) == ["3.1"]


def test_a_gauge_that_no_check_covers_is_confirmed_once_before_the_first_reading(bench: Bench) -> None:
    with bench.begin() as inspection:
        capture = bench.capture(inspection, confirms=True)
        shown = capture.shown()
        assert shown.gate.state is GateState.UNCOVERED
        assert shown.question is not None
        assert "gauge G1 (magnetic) has no check on record" in shown.question.sentence
        assert "no certificate can be issued" in shown.question.sentence
        assert "'filmtally check verification --gauge G1" in shown.question.sentence
        assert shown.question.acts == (Act.ACCEPT, Act.FINISH)
        assert shown.question.about is Doubt.GATE
        capture.items(bench.items("3.1"))
        assert inspection.taking.readings == []
        before = state(inspection)
    with bench.again() as inspection:
        assert before == state(inspection)
        capture = bench.capture(inspection, confirms=True)
        assert not capture.act(Act.LEAVE_OUT)
        assert capture.act(Act.ACCEPT, "only a trial")
        assert shown_of(inspection.taking.readings) == ["3.1"]
        assert inspection.taking.notes[0].what.startswith("readings taken although gauge G1 (magnetic) has no check")
        assert capture.shown().question is None
        before = state(inspection)
    _same_again(bench, before)
    with bench.again() as inspection:
        assert bench.capture(inspection, confirms=True).shown().question is None


def test_a_check_that_is_recorded_meanwhile_answers_the_question_of_the_gate(bench: Bench) -> None:
    with bench.begin() as inspection:
        capture = bench.capture(inspection, confirms=True)
        capture.items(bench.items("3.1"))
        bench.checks += covering(bench.now - timedelta(minutes=5))
        capture.refresh_gate()
        shown = capture.shown()
        assert (shown.question, shown.gate.state, shown.counted) == (None, GateState.OPEN, 1)
        before = state(inspection)
    _same_again(bench, before)


def test_the_gate_is_looked_at_with_the_clock_so_that_a_check_can_grow_too_old(bench: Bench) -> None:
    bench.checks += covering(bench.now - timedelta(minutes=5))
    with bench.begin() as inspection:
        capture = bench.capture(inspection)
        capture.items(bench.items("3.1"))
        assert capture.shown().gate.state is GateState.OPEN
        assert "closing check is still to come" in capture.shown().gate.sentence
        checked = capture.shown().gate.short
        assert checked.startswith("gauge checked ")
        assert checked.endswith("; closing check after the last reading")
        bench.now += timedelta(hours=13)
        assert capture.shown().gate.state is GateState.UNCOVERED
        assert "was more than 13 h old" in capture.shown().gate.sentence


def test_what_comes_while_it_is_paused_is_kept_and_is_no_reading(bench: Bench) -> None:
    with bench.begin() as inspection:
        capture = bench.capture(inspection)
        capture.items(bench.items("3.1"))
        capture.act(Act.PAUSE)
        capture.items(bench.items("9.9"))
        assert capture.shown().paused
        capture.act(Act.PAUSE)
        capture.items(bench.items("3.2"))
        assert shown_of(inspection.taking.readings) == ["3.1", "3.2"]
        assert [(o.text, o.why) for o in inspection.taking.other_lines] == [
            ("9.9", "came while the inspection was paused")
        ]
        before = state(inspection)
    _same_again(bench, before)


def test_the_inspectors_acts_steer_and_are_replayed(bench: Bench) -> None:
    with bench.begin() as inspection:
        capture = bench.capture(inspection)
        capture.items(bench.items("3.1", "3.2"))
        assert capture.act(Act.UNDO)
        assert capture.act(Act.GO_TO, "edge")
        capture.items(bench.items("4.0"))
        assert capture.act(Act.EXCLUDE, "probe slipped")
        assert capture.act(Act.SKIP, "hanger mark")
        assert capture.act(Act.NEXT_PIECE)
        assert not capture.act(Act.GO_TO, "lid")
        capture.items(bench.items("3.5"))
        assert capture.act(Act.GO_TO, "1")
        assert capture.act(Act.NOTE, "warm part")
        taking = inspection.taking
        assert [(r.piece, r.location, r.counted) for r in taking.readings] == [
            ("1", "face", True),
            ("1", "face", False),
            ("1", "edge", False),
            ("2", "face", True),
        ]
        assert [(skip.location, skip.reason) for skip in taking.skips] == [("edge", "hanger mark")]
        shown = capture.shown()
        assert (shown.counted, shown.not_counted, shown.planned) == (2, 2, 8)
        assert shown.next is not None
        assert (shown.next.piece, shown.next.location, shown.next.nth) == ("1", "face", 2)
        assert [(c.location, c.counted, c.skipped) for c in shown.locations] == [("face", 1, False), ("edge", 0, True)]
        before = state(inspection)
    _same_again(bench, before)


def test_where_a_value_lies_is_decided_exactly_in_the_unit_of_the_specification(bench: Bench) -> None:
    with bench.begin() as inspection:
        capture = bench.capture(inspection)
        seen = []
        for text in ("2.00 mil", "50.79 um", "5.0 mil", "127.1 um"):
            capture.items(bench.items(text, link="typed"))
            last = capture.shown().last
            assert last is not None
            seen.append((last.shown, last.standing, last.value))
            capture.act(Act.UNDO)
        # 2 mil is 50.8 µm and 5 mil is 127 µm exactly (1 mil = 25.4 µm).
        assert [standing for _, standing, _ in seen] == [Standing.IN, Standing.LOW, Standing.IN, Standing.HIGH]
        assert seen[0][2] == Decimal("2.00")
        assert capture.heard() == [Heard.IN, Heard.OUT, Heard.IN, Heard.OUT]


def test_the_running_mean_of_a_location_is_that_of_its_counted_readings(bench: Bench) -> None:
    with bench.begin() as inspection:
        capture = bench.capture(inspection)
        capture.items(bench.items("3.0", "9.0"))
        capture.act(Act.UNDO)
        capture.items(bench.items("4.0"))
        face = capture.shown().locations
        assert capture.shown().next is not None
        assert (face[0].counted, face[0].mean, face[0].standing) == (2, Decimal("3.5"), Standing.IN)


def test_what_was_read_before_coating_is_subtracted_in_what_is_seen(bench: Bench) -> None:
    bench.facts = facts(job(base_reading=True, base_is="zinc"))
    with bench.begin() as inspection:
        capture = bench.capture(inspection)
        asked_for = capture.shown().base
        assert asked_for is not None
        assert (asked_for.under, "face" in asked_for.missing) == ("zinc", True)
        capture.items(bench.items("4.0"))
        without = capture.shown()
        assert without.last is not None
        assert (without.last.standing, without.locations[0].standing) == (Standing.NO_BASE, Standing.NO_BASE)
        capture.act(Act.UNDO)
        capture.act(Act.GO_TO, "@base face")
        before_coating = capture.shown().next
        assert before_coating is not None
        assert before_coating.before_coating
        capture.items(bench.items("1.0", "1.2"))
        base = capture.shown()
        assert base.base is not None
        assert "face" not in base.base.missing
        assert base.last is not None
        assert base.last.before_coating
        capture.act(Act.GO_TO, "@coated")
        capture.items(bench.items("4.1"))
        shown = capture.shown()
        assert shown.last is not None
        assert (shown.last.value, shown.last.standing) == (Decimal("3.0"), Standing.IN)
        assert (shown.locations[0].counted, shown.locations[0].mean) == (1, Decimal("3.0"))


def test_bare_figures_typed_beside_a_gauge_are_read_as_a_person_writes_them(bench: Bench) -> None:
    profile = Profile.model_validate({"title": "t", "reading": r"D=(?P<thickness>[0-9.]+)", "unit": "um"})
    bench.facts = dataclasses.replace(bench.facts, profile=profile)
    with bench.begin() as inspection:
        capture = bench.capture(inspection)
        capture.items([*bench.items("D=80.0"), *bench.items("3.2", link="typed")])
        readings = inspection.taking.readings
        assert [(r.decoded.shown, r.decoded.unit, r.source) for r in readings] == [
            ("80.0", "um", LINK),
            ("3.2", "mil", "typed"),
        ]


def test_everything_ends_up_in_the_sealed_inspection(bench: Bench) -> None:
    bench.facts = facts(job())
    with bench.begin() as inspection:
        capture = bench.capture(inspection)
        capture.items([bench.item(kind=Kind.UP, about={"serial_number": "G1"}), *bench.items("3.1", "what", "3.2")])
        capture.items([bench.item("3.", Kind.PARTIAL), bench.item(kind=Kind.DOWN, note="cable")])
        capture.items(bench.items("3.3", "75", "3.4"))
        inspection.settle("sealed as it is: shift ended", bench.now)
        sealed = seal(
            bench.facts,
            inspection.taking,
            [],
            capture_sha256=inspection.capture_sha256,
            sealed_at=bench.now,
            sealed_by="mk",
            as_is="shift ended",
        )
        before = state(inspection)
    others = json.loads(sealed.inspection.other_lines_json)
    assert [o["text"] for o in others] == ["what", "3.", "75", "3.4"]
    assert others[2]["why"].startswith("not taken: 75 mil")
    assert others[3]["why"] == "came while a question was open that was not answered; sealed as it is: shift ended"
    notes = [n["what"] for n in json.loads(sealed.inspection.notes_json)]
    assert f"{LINK}: the device says of itself: serial number G1" in notes
    assert f"{LINK}: the link went once, last: cable" in notes
    _same_again(bench, before)


def test_a_link_that_comes_and_goes_alone_leaves_no_inspection_behind(bench: Bench) -> None:
    with bench.begin() as inspection:
        capture = bench.capture(inspection, confirms=True)
        capture.items([bench.item(kind=Kind.UP), bench.item(kind=Kind.DOWN, note="out")])
        path = inspection.journal.path
    assert not path.exists()


def test_looking_at_an_open_inspection_again_adds_nothing_to_it(bench: Bench) -> None:
    with bench.begin() as inspection:
        bench.capture(inspection).items(bench.items("3.1"))
        path = inspection.journal.path
    before = path.read_bytes()
    with bench.again() as inspection:
        bench.capture(inspection, confirms=True)
    assert before == path.read_bytes()


def test_where_a_file_was_read_to_is_known_again(bench: Bench) -> None:
    with bench.begin() as inspection:
        capture = bench.capture(inspection)
        for name, end in (("a.csv", 5), ("a.csv", 10), ("b.csv", 5)):
            capture.items([bench.item("3.1", link="folder:/exports", origin=Origin(name, end, f"{end:064d}"))])
    with bench.again() as inspection:
        known = inspection.live.origins["folder:/exports"]
        assert {name: origin.end for name, origin in known.items()} == {"a.csv": 10, "b.csv": 5}


_TEXTS = st.sampled_from(["3.1", "2.5 mil", "75", "80 um", "", "what", "9999", "-1", "3,1", "\x00", "µ", "3.14159265"])
_EVENTS = st.one_of(
    st.tuples(st.just("line"), _TEXTS),
    st.tuples(st.just("typed"), _TEXTS),
    st.tuples(st.just("partial"), _TEXTS.filter(bool)),
    st.tuples(st.sampled_from(["up", "down", "lost", "no-answer"]), st.sampled_from(["G1", "X9"])),
    st.tuples(st.sampled_from(list(Act)), st.sampled_from(["", "why", "edge", "2", "@base *", "lid"])),
)


def _items(bench: Bench, what: object, text: str) -> Iterator[Item]:
    match what:
        case "line" | "partial":
            yield bench.item(text, Kind(str(what)), doubled=len(text) == 7)
        case "typed":
            yield bench.item(text, link="typed")
        case "up":
            yield bench.item(kind=Kind.UP, about={"serial_number": text})
        case _:
            yield bench.item(kind=Kind(str(what)), note="a note")


@settings(max_examples=20)
@given(st.lists(st.lists(_EVENTS, min_size=1, max_size=6), min_size=1, max_size=6), st.booleans(), st.booleans())
def test_whatever_happens_replaying_the_journal_gives_the_very_same_state(
    tmp_path_factory: pytest.TempPathFactory,
    sessions: list[list[tuple[object, str]]],
    prompted: bool,
    asks: bool,
) -> None:
    bench = Bench(tmp_path_factory.mktemp("bench"))
    inspection = bench.begin()
    lines = 0
    unsynced = pytest.MonkeyPatch()
    unsynced.setattr(os, "fsync", lambda _: None)  # whether it is synced is another test's; thousands of syncs are slow
    try:
        for events in sessions:
            capture = bench.capture(inspection, confirms=True, prompted=prompted, asks=asks)
            for what, text in events:
                if isinstance(what, Act):
                    capture.act(what, text)
                else:
                    items = list(_items(bench, what, text))
                    lines += sum(1 for item in items if item.frame is not None and item.frame.data.strip())
                    capture.items(items)
                capture.shown()
            capture.act(Act.NOTE, "the end of a session")  # what is only asked, or up, is written with what comes next
            before = state(inspection)
            live, taking = inspection.live, inspection.taking
            asked = sum(1 for q in live.questions if q.about is About.LINE)
            waiting = sum(1 for came in live.waiting if came.line.frame.data.strip())
            # Each line is a reading, kept as no reading, asked about, or waits; blank ones may be kept as well.
            kept = sum(1 for other in taking.other_lines if other.text.strip())
            assert lines == len(taking.readings) + kept + asked + waiting
            inspection.close()
            inspection = bench.again()
            assert before == state(inspection)
            assert all(isinstance(reading, TakenReading) for reading in inspection.taking.readings)
    finally:
        inspection.close()
        unsynced.undo()


@given(
    st.binary(max_size=40),
    st.sampled_from([Kind.LINE, Kind.PARTIAL]),
    st.booleans(),
    st.one_of(st.none(), st.builds(Origin, st.text(max_size=9), st.integers(0, 2**40), st.text("0f", max_size=64))),
)
def test_an_item_comes_back_from_the_journal_byte_for_byte(
    data: bytes, kind: Kind, doubled: bool, origin: Origin | None
) -> None:
    item = Bench(Path()).item(data, kind, doubled=doubled, origin=origin, note="ü\n")
    assert item == item_of(json.loads(json.dumps(item_record(item))))

"""The gauge's counter: each gap and each line sent again is said once, and a counter that wraps is no gap.

Invented sequences; how counters wrap is common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from archive.shop_folder import ShopFolder
from ingest.capture_state import Act
from ingest.capture_store import keep
from ingest.framing import Frame
from ingest.inspection import OtherLine, Problem, TakenReading, Taking
from ingest.links.item import Item, Kind
from ingest.open_inspection import OpenInspection, SaidOfLines
from schemas.errors import BadInput
from schemas.profile import Profile
from tests.ingest.taking import NOW, facts, job, line, taking

PROFILE = Profile.model_validate(
    {
        "title": "counted",
        "reading": r"(?P<counter>[0-9]+);(?P<thickness>[0-9.]+)",
        "unit": "mil",
        "not_a_reading": [{"pattern": "over", "meaning": "over the range"}],
    }
)


def _state() -> Taking:
    return taking(PROFILE, pieces=tuple(str(n) for n in range(1, 200)))


def _problems(texts: list[str], fates: list[str] | None = None) -> list[str]:
    """Feed *texts*, do with each problem what *fates* says, and return the problems."""
    state, found = _state(), []
    for number, text in enumerate(texts, start=1):
        this = line(number, text)
        outcome = state.feed(this, "typed")
        if not isinstance(outcome, Problem):
            continue
        fate = fates[number % len(fates)] if fates else "passed by"
        if outcome.can_be_accepted:
            found.append(outcome.sentence)
        else:
            assert "what" in outcome.sentence
        if fate == "accepted" and outcome.can_be_accepted:
            assert isinstance(state.feed(this, "typed", accept="seen by eye"), TakenReading)
        elif fate == "set aside":
            assert isinstance(state.feed(this, "typed", set_aside="seen by eye"), OtherLine)
        elif fate == "left out":
            state.keep_aside(this, "typed", "not taken")
        else:
            state.pass_by(this)
    return found


def _counted(*counters: int | str) -> list[str]:
    return [counter if isinstance(counter, str) else f"{counter};3.1" for counter in counters]


@pytest.mark.parametrize("fate", ["accepted", "set aside", "left out", "passed by"])
@pytest.mark.parametrize(
    ("counters", "problems"),
    [
        ((1, 2, 4, 5, 6), ["4 after 2"]),
        ((4, "over", 6), []),
        ((4, "what", 6), []),
        ((4, "over", "what", 7), []),
        ((4, "over", 7), ["7 after 4"]),
        ((4, "over", 5, 7), ["7 after 5"]),
        ((4, "over", 4, 6), ["4 again"]),
        ((97, 98, 99, 0, 1), []),
        ((1, 2, 98, 99, 1, 2, 98), ["98 after 2", "98 after 2"]),
        ((998, 999, 0), []),
        ((998, 999, 1), []),
        ((8, 9, 0, 1), []),
        ((8, 9, 10), []),
        ((65534, 65535, 0), []),
        ((65534, 65535, 65536), []),
        ((98, "over", 0), []),
        ((0, 1, 2, 96, 97, 2, 3), ["96 after 2", "2 after 97"]),
        ((7, 7, 8), ["7 again"]),
        ((5, 6, 7, 5, 6, 8), ["5 again", "6 again"]),
    ],
)
def test_a_gap_and_a_counter_sent_again_are_said_once(
    counters: tuple[int | str, ...], problems: list[str], fate: str
) -> None:
    found = _problems(_counted(*counters), [fate])
    assert len(found) == len(problems)
    for sentence, part in zip(found, problems, strict=True):
        assert f"has counter {part}" in sentence


@dataclass
class _Gauge:
    """A gauge whose counter wraps, and how many of its lines have to be asked about."""

    highest: int
    lowest: int
    counter: int
    expected: int = 0

    def step(self) -> bool:
        """Count one on; return whether the counter wrapped."""
        wraps = self.counter == self.highest
        self.counter = self.lowest if wraps else self.counter + 1
        return wraps


@st.composite
def _sequences(draw: st.DrawFn) -> tuple[list[str], int]:
    highest = draw(st.sampled_from([9, 99, 999, 65535]))
    lowest = draw(st.sampled_from([0, 1])) if highest in (99, 999) else 0
    gauge = _Gauge(highest, lowest, highest - draw(st.integers(0, min(highest - 1, 30))))
    texts, this_round, passed = _counted(gauge.counter), [gauge.counter], 0
    for _ in range(draw(st.integers(0, 60))):
        kind = draw(st.sampled_from(["next", "next", "next", "gap", "line", "again"]))
        if kind == "line":
            texts.append(draw(st.sampled_from(["over", "what"])))
            passed += 1
        elif kind == "again":
            texts += _counted(draw(st.sampled_from(this_round[-3:])))
            gauge.expected += 1
        else:
            missing = 0 if kind == "next" else draw(st.integers(1, 1 if highest == 9 else 3))
            wrapped = [gauge.step() for _ in range(missing + 1)]
            if any(wrapped):
                this_round = []
                # A counter may begin again at 0 or at 1: that 0 is missing is not known.
                missing -= highest in (99, 999) and lowest == 0 and gauge.counter > 0
            gauge.expected += missing > passed
            texts += _counted(gauge.counter)
            this_round.append(gauge.counter)
            passed = 0
    return texts, gauge.expected


@given(
    _sequences(), st.lists(st.sampled_from(["accepted", "set aside", "left out", "passed by"]), min_size=1, max_size=7)
)
def test_there_are_as_many_problems_as_gaps_and_lines_sent_again(
    sequence: tuple[list[str], int], fates: list[str]
) -> None:
    texts, expected = sequence
    assert len(_problems(texts, fates)) == expected


LINK = "serial:/dev/ttyUSB0"


def _live(folder: Path, *, asks: bool = True) -> OpenInspection:
    (folder / "journals").mkdir(exist_ok=True)
    begun = replace(facts(job(), pieces=tuple("123456789")), profile=PROFILE)
    inspection = OpenInspection(ShopFolder(folder), begun.inspection_id, NOW, begun)
    inspection.begin_session(NOW, prompted=True, asks=asks, links=[LINK])
    return inspection


def _came(inspection: OpenInspection, *texts: str, kind: Kind = Kind.LINE, link: str = LINK) -> None:
    for text in texts:
        frame = Frame(text.encode(), len(text), kind is Kind.LINE)
        inspection.take([Item(kind=kind, link=link, seq=1, at=NOW, mono_ns=0, frame=frame)])


def _same_when_replayed(folder: Path, inspection: OpenInspection) -> None:
    inspection.close()
    with OpenInspection(ShopFolder(folder), inspection.facts.inspection_id, NOW) as again:
        assert list(again.taking.readings) == list(inspection.taking.readings)
        assert again.taking.other_lines == inspection.taking.other_lines
        assert again.taking.notes == inspection.taking.notes
        assert again.live.questions == inspection.live.questions
        for asked in range(12):
            assert again.taking.counters.against(asked, in_order=True) == inspection.taking.counters.against(
                asked, in_order=True
            )


def test_at_the_bench_a_gap_is_asked_about_once_whether_it_is_left_out_or_accepted(tmp_path: Path) -> None:
    for folder, act in ((tmp_path / "a", Act.LEAVE_OUT), (tmp_path / "b", Act.ACCEPT)):
        folder.mkdir()
        inspection = _live(folder)
        _came(inspection, "1;3.1", "2;3.1", "4;3.1")
        assert inspection.live.question is not None
        assert "has counter 4 after 2" in inspection.live.question.sentence
        _came(inspection, "5;3.1")
        inspection.act(act, "seen by eye", NOW)
        assert inspection.live.question is None
        _came(inspection, "6;3.1", "over", "8;3.1")
        assert inspection.live.question is None
        expected = [1, 2, 5, 6, 8] if act is Act.LEAVE_OUT else [1, 2, 4, 5, 6, 8]
        assert [r.decoded.counter for r in inspection.taking.readings] == expected
        _same_when_replayed(folder, inspection)


def test_where_nobody_answers_one_line_after_a_gap_is_not_taken_and_the_next_is(tmp_path: Path) -> None:
    inspection = _live(tmp_path, asks=False)
    _came(inspection, "1;3.1", "3;3.1", "4;3.1")
    assert [r.decoded.counter for r in inspection.taking.readings] == [1, 4]
    _same_when_replayed(tmp_path, inspection)


def test_what_came_in_a_pause_moves_the_counter_on_and_what_is_typed_does_not(tmp_path: Path) -> None:
    inspection = _live(tmp_path)
    _came(inspection, "1;3.1")
    inspection.act(Act.PAUSE, "", NOW)
    _came(inspection, "2;3.1", "3;3.1")
    inspection.act(Act.PAUSE, "", NOW)
    _came(inspection, "4;3.1")
    assert inspection.live.question is None
    _came(inspection, "what", link="typed")
    _came(inspection, "6;3.1")
    assert inspection.live.question is not None
    _same_when_replayed(tmp_path, inspection)


def test_a_line_without_its_end_that_is_accepted_is_compared_with_the_one_before(tmp_path: Path) -> None:
    inspection = _live(tmp_path)
    _came(inspection, "1;3.1")
    _came(inspection, "3;3.1", kind=Kind.PARTIAL)
    inspection.act(Act.ACCEPT, "it was whole", NOW)
    assert "reading 2 accepted although has counter 3 after 1" in inspection.taking.notes[0].what
    _came(inspection, "4;3.1")
    assert inspection.live.question is None
    _same_when_replayed(tmp_path, inspection)


def test_a_capture_with_a_gap_names_one_line_and_what_can_be_done_with_it(tmp_path: Path) -> None:
    for name in ("journals", "captures"):
        (tmp_path / name).mkdir()
    capture = tmp_path / "export.txt"
    capture.write_text("".join(f"{n};3.1\n" for n in (1, 2, 4, 5, 6)))
    inspection = _live(tmp_path)
    kept = keep(capture, tmp_path / "captures")
    with pytest.raises(BadInput) as refused:
        inspection.take_captures([kept], NOW, SaidOfLines(), NOW)
    inspection.close()
    assert refused.value.sentence == (
        "export.txt: line 3: has counter 4 after 2, so a reading may be missing and the rest out of place; as it stands, "
        "it can be taken with --accept 3=REASON or kept as no reading with --set-aside 3=REASON; nothing was taken, the "
        "capture is kept"
    )

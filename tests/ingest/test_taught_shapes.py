"""`teach` on shapes that its author did not tune to: the right profile, or an honest question, and never a wrong profile.

A truthful inspector stands at a gauge drawn from the grammar of tests/ingest/line_shapes.py: takes one to three readings,
says what the display shows, and answers what is asked as it is. What comes out is tried on 200 further lines of the gauge.
"""

from __future__ import annotations

from collections import Counter
from zoneinfo import ZoneInfo

import pytest

from ingest.decoding import DecodedReading, LineDecoder
from ingest.framing import Frame
from ingest.inspection import TakenReading, Taking
from ingest.links.raw_line import RawLine
from ingest.teaching import Question, Shown, Taught, teach
from schemas.profile import Profile
from schemas.shop import Plausible
from schemas.units import Unit
from tests.ingest.line_shapes import CHECKS, MODES, STAMPS, Shape, Written
from tests.ingest.taking import NOW, job

MOST_READINGS = 3
CHECK_NAMES = {"sum": "sum", "xor": "exclusive-or"}


def _shown(written: Written) -> Shown:
    assert written.truth is not None
    return Shown(written.truth.figures, Unit(written.truth.unit))


def _answered(shape: Shape, question: Question, first: Written) -> str | None:
    """Return the truthful answer, or None where the question offers none."""
    keys = {c.key for c in question.choices}
    kind, _, about = question.key.partition(":")
    about = about.rpartition(":")[2]
    if kind == "day-order":
        return STAMPS[shape.stamp] if STAMPS[shape.stamp] in keys else None
    if kind == "decimals":
        return "none" if not shape.decimals else shape.mark
    if kind == "other-mode":
        return "none"  # what was not shown in three readings may be refused later; it is never read wrongly
    if kind in ("word", "number"):
        if f"{about}=" in first.line.decode() and "every reading" in question.sentence:
            return "fixed"  # a label
        if about in shape.modes:
            return shape.modes[about]
        line = first.line.decode()
        stamped = shape.stamp != "none" and about not in ("SN", "4471", "SN4471") and about.isdigit()
        return "time" if stamped and "time" in keys and about in line else "fixed"
    if kind.startswith("check"):
        if shape.check == "none":
            return "none" if "none" in keys else None
        name = CHECK_NAMES.get(shape.check, shape.check)
        fitting = [c.key for c in question.choices if name.lower() in f"{c.key} {c.text}".lower()]
        return fitting[0] if fitting else None
    return None


def _taught(shape: Shape) -> tuple[Taught, list[Question], int]:
    """Return what was learnt, the questions left without a truthful answer, and how many readings were taken."""
    first = shape.reading()
    taught = teach([first.line], {0: _shown(first)})
    count = 1
    for _ in range(40):
        if taught.profile is not None or not taught.questions:
            break
        question = taught.questions[0]
        if question.kind == "reading":
            if count == MOST_READINGS:
                break
            further = shape.reading()
            taught = taught.with_reading([further.line], {count: _shown(further)})
            count += 1
            continue
        if question.key == "other-mode" and len(shape.modes) > 1 and count < MOST_READINGS:
            further = shape.reading(other_mode=True)
            taught = taught.with_reading([further.line], {count: _shown(further)})
            count += 1
            continue
        answer = _answered(shape, question, first) if question.kind == "choice" else None
        if answer is None:
            break
        taught = taught.answer(question, answer)
    return taught, list(taught.questions), count


def _wrong(shape: Shape, profile: Profile) -> tuple[list[str], int]:
    """Return what is read wrongly of 200 further lines, and how many readings are read right."""
    decoder = LineDecoder(profile, ZoneInfo("UTC"))
    taking = Taking(
        job(location=[{"name": "face", "lower": 0, "upper": 20, "readings_per_spot": 1000}]),
        ("1",), "mk", decoder, Plausible(), NOW, prompted=True,
    )  # fmt: skip
    wrong = []
    right = 0
    for number in range(200):
        written = shape.no_reading() if number % 8 == 7 else shape.reading()
        decoded = decoder.decode(written.line.decode())
        is_reading = isinstance(decoded, DecodedReading)
        if written.truth is None:
            frame = Frame(written.line, len(written.line))
            if is_reading or isinstance(taking.feed(RawLine(number, frame, NOW), "test"), TakenReading):
                wrong.append(f"{written.line!r} is no reading")
            continue
        if not isinstance(decoded, DecodedReading):
            continue
        truth = written.truth
        said = (decoded.shown.lstrip("+"), decoded.unit.value)
        if said != (truth.figures, truth.unit):
            wrong.append(f"{written.line!r} is {truth.figures} {truth.unit}, read as {said}")
        if decoded.counter is not None and decoded.counter != truth.counter:
            wrong.append(f"{written.line!r} has counter {truth.counter}, read as {decoded.counter}")
        if decoded.taken_at is not None and decoded.taken_at != truth.taken_at:
            wrong.append(f"{written.line!r} is from {truth.taken_at}, read as {decoded.taken_at}")
        if decoded.mode is not None and decoded.mode.value != truth.mode:
            wrong.append(f"{written.line!r} has mode {truth.mode}, read as {decoded.mode}")
        right += 1
    return wrong, right


SHAPES = 120


def test_the_grammar_makes_many_shapes() -> None:
    shapes = [Shape(seed) for seed in range(SHAPES)]
    assert {s.form for s in shapes} == {"delimited", "labels", "fixed", "spaces", "json"}
    assert {s.stamp for s in shapes} == set(STAMPS)
    assert {s.check for s in shapes} == {"none", *CHECKS}
    assert len({tuple(s.modes) for s in shapes}) == len(MODES)


@pytest.mark.parametrize("start", range(0, SHAPES, 40))
def test_no_taught_profile_is_wrong_and_most_shapes_are_taught_in_three_readings(start: int) -> None:
    ended: Counter[str] = Counter()
    for seed in range(start, start + 40):
        shape = Shape(seed)
        taught, questions, count = _taught(shape)
        assert count <= MOST_READINGS
        if taught.profile is None:
            assert questions, f"shape {seed}: neither a profile nor a question"
            assert all(q.sentence for q in questions)
            ended["question"] += 1
            continue
        wrong, right = _wrong(shape, taught.profile)
        assert wrong == [], f"shape {seed}: {wrong[:3]}"
        # What was never seen (another probe mode) may be refused; what was seen is read.
        assert right >= 100, f"shape {seed}: {right} of 175 readings are read: {taught.profile.reading}"
        ended["profile"] += 1
    assert ended["profile"] >= 30, ended

"""Lines of a gauge, and what its display showed for two or three of them, give a line profile or a question.

Pure. What the lines do not tell is asked, never guessed: no profile is proposed while anything is open.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

from ingest.decoding import Decoded, DecodedReading, LineDecoder, Rejected, text_of
from ingest.framing import Frame
from ingest.teaching_json import learn_json, object_of
from ingest.teaching_lesson import (
    EVERY_CONTROL,
    Given,
    Lesson,
)
from ingest.teaching_lines import learn_lines
from ingest.teaching_patterns import other_line_pattern
from ingest.teaching_questions import (
    Choice,
    Question,
    Shown,
    another_reading,
    dead_end,
)
from schemas.errors import BadInput
from schemas.profile import Profile

__all__ = ["Choice", "Question", "SeenLine", "Shown", "Taught", "teach"]


@dataclass(frozen=True, slots=True)
class SeenLine:
    """How a line is read by the profile as far as it is known.

    Attributes:
        index: Number of the line, from 0.
        text: The line, as it can be shown.
        said: What the profile makes of it; None where there is no profile yet.
        shown: What the display showed for it; None where nobody said.
    """

    index: int
    text: str
    said: Decoded | None
    shown: Shown | None


@dataclass(frozen=True)
class Taught:
    """What has been learnt of a gauge.

    Attributes:
        profile: The profile; None while anything is open.
        draft: The profile as far as it is known, to show how it reads; not to be used. None where nothing is known.
        questions: What is open; those that a reading settles first.
        lines: How every line is read.
        notes: What the person should know of the profile, in sentences.
    """

    profile: Profile | None
    draft: Profile | None
    questions: tuple[Question, ...]
    lines: tuple[SeenLine, ...]
    notes: tuple[str, ...]
    given: Given

    def answer(self, question: Question, choice: str) -> Taught:
        """Return what is known once *question* is answered by the key of one of its choices.

        Raises:
            BadInput: It has no such choice.
        """
        if choice not in [c.key for c in question.choices]:
            known = ", ".join(c.key for c in question.choices) or "none; take another reading"
            raise BadInput(f"{choice!r} is no answer to: {question.sentence} (answers: {known})")
        return _taught(replace(self.given, answers={**self.given.answers, question.key: choice}))

    def with_reading(
        self, lines: Sequence[bytes], shown: Mapping[int, Shown], arrived: Mapping[int, datetime] | None = None
    ) -> Taught:
        """Return what is known once *lines* have come as well; *shown* and *arrived* count from the first line of all."""
        return _taught(
            replace(
                self.given,
                lines=(*self.given.lines, *lines),
                shown={**self.given.shown, **dict(shown)},
                arrived={**self.given.arrived, **dict(arrived or {})},
            )
        )

    def with_name(self, index: int, meaning: str) -> Taught:
        """Return what is known once a person said that line *index* is no reading, and what it says."""
        return _taught(replace(self.given, named={**self.given.named, index: meaning}))


def teach(
    lines: Sequence[bytes],
    shown: Mapping[int, Shown],
    *,
    answers: Mapping[str, str] | None = None,
    arrived: Mapping[int, datetime] | None = None,
    named: Mapping[int, str] | None = None,
    title: str = "taught gauge",
    zone: ZoneInfo | None = None,
    settings: Mapping[str, Any] | None = None,
) -> Taught:
    """Return the profile that *lines* and *shown* tell, or what is open.

    Args:
        lines: Lines as they came, in order, without their ends; readings and others.
        shown: Line (from 0), and what the display showed for it.
        answers: Key of a question, and key of the choice that was taken.
        arrived: Line, and when it came, by the computer's clock in the gauge's time zone; only of lines that came live.
        named: Line that is no reading, and what it says in words.
        title: Title of the profile.
        zone: Time zone of the gauge's clock.
        settings: Further keys of the profile, such as serial and line_end.

    Raises:
        BadInput: *shown* names a line that is not there, or a line that is shown is named as no reading.
    """
    return _taught(
        Given(
            tuple(lines),
            dict(shown),
            dict(answers or {}),
            dict(arrived or {}),
            dict(named or {}),
            title,
            zone or ZoneInfo("UTC"),
            dict(settings or {}),
        )
    )


def _taught(given: Given) -> Taught:
    for index in (*given.shown, *given.named):
        if not 0 <= index < len(given.lines):
            raise BadInput(f"line {index + 1} is not there; {len(given.lines)} lines came")
    for index in given.named:
        if index in given.shown:
            raise BadInput(f"line {index + 1} cannot be a reading and none; say one of both")
    lesson = Lesson(given)
    _learn(lesson)
    draft = _profile_of(lesson)
    if draft is not None and not lesson.questions:
        draft = _with_other_lines(lesson, draft)
    seen = read_by(given, draft)
    if draft is not None and not lesson.questions:
        _hold_against(lesson, seen)
    readings = [q for q in lesson.questions if q.kind == "reading"]
    questions = (*readings, *(q for q in lesson.questions if q.kind != "reading"))
    return Taught(draft if not questions else None, draft, questions, seen, tuple(lesson.notes), given)


def _learn(lesson: Lesson) -> None:
    given = lesson.given
    for index, data in enumerate(given.lines):
        text = text_of(Frame(data, len(data)), EVERY_CONTROL)
        if isinstance(text, str):
            if text.strip():
                lesson.texts[index] = text
        elif index in given.shown:
            lesson.questions.append(dead_end("text", f"line {index + 1} {text.why}"))
            return
    if not given.shown:
        lesson.questions.append(another_reading("reading", "take a reading; what does the display show?"))
        return
    for index in lesson.shown:
        if index not in lesson.texts:
            lesson.questions.append(dead_end("text", f"line {index + 1} is empty, and no reading; name another line"))
            return
    if not _comma_is_clear(lesson):
        return
    objects = {i: found for i, text in lesson.texts.items() if (found := object_of(text)) is not None}
    if all(i in objects for i in lesson.shown) and learn_json(lesson, objects):
        return
    learn_lines(lesson)


def _comma_is_clear(lesson: Lesson) -> bool:
    shown = [lesson.given.shown[i] for i in lesson.shown]
    doubtful = [s for s in shown if s.may_be_thousands]
    if not doubtful or any("," in s.figures and not s.may_be_thousands for s in shown):
        return True
    answer = lesson.ask(
        Question(
            "comma",
            "choice",
            f"{doubtful[0].figures}: is the comma a decimal mark, or does it part thousands?",
            (Choice("decimal", "a decimal mark"), Choice("thousands", "it parts thousands")),
        )
    )
    if answer == "thousands":
        lesson.questions.append(
            dead_end("thousands", "say the figures without the comma that parts thousands, as in 1234")
        )
    return answer == "decimal"


def _profile_of(lesson: Lesson) -> Profile | None:
    if lesson.content is None or ("unit" not in lesson.content and not _has_unit(lesson.content)):
        return None
    try:
        return Profile.checked({"title": lesson.given.title, **lesson.content, **lesson.given.settings}, "profile")
    except BadInput as wrong:
        lesson.questions.append(dead_end("profile", wrong.sentence))
        return None


def _has_unit(content: Mapping[str, Any]) -> bool:
    return "unit" in content.get("keys", {}) or "(?P<unit>" in content.get("reading", "")


def _with_other_lines(lesson: Lesson, draft: Profile) -> Profile:
    """Return *draft* with the lines that a person named as no readings."""
    if not lesson.given.named:
        return draft
    readings = [
        s.text
        for s in read_by(lesson.given, draft)
        if isinstance(s.said, DecodedReading) and s.index not in lesson.given.named
    ]
    kept: list[dict[str, str]] = []
    for index, meaning in sorted(lesson.given.named.items()):
        text = lesson.texts.get(index)
        if text is None:
            continue
        pattern = other_line_pattern(text.strip(), [r.strip() for r in readings], lesson.check, lesson.tail)
        if pattern is None:
            raise BadInput(f"line {index + 1} is the same as a reading; it cannot be told apart")
        if all(k["pattern"] != pattern for k in kept):
            kept.append({"pattern": pattern, "meaning": meaning})
    assert lesson.content is not None  # noqa: S101 - there is a draft
    return Profile.checked(
        {"title": lesson.given.title, **lesson.content, **lesson.given.settings, "not_a_reading": kept}, "profile"
    )


def read_by(given: Given, draft: Profile | None) -> tuple[SeenLine, ...]:
    """Return how every line is read by *draft*."""
    decoder = LineDecoder(draft, given.zone) if draft is not None else None
    seen = []
    for index, data in enumerate(given.lines):
        said: Decoded | None = None
        text = text_of(Frame(data, len(data)), decoder.control if decoder else EVERY_CONTROL)
        if decoder is not None:
            said = decoder.decode(text) if isinstance(text, str) else text
        plain = data.decode("utf-8", errors="backslashreplace") if not isinstance(text, str) else text
        seen.append(SeenLine(index, plain, said, given.shown.get(index)))
    return tuple(seen)


def _hold_against(lesson: Lesson, seen: Sequence[SeenLine]) -> None:
    """Hold the profile against what was shown: a last look, so that nothing is written that does not read it."""
    for line in seen:
        if line.shown is None:
            continue
        said = line.said
        if isinstance(said, DecodedReading) and (line.shown.unit in (None, said.unit)):
            exact = Decimal(said.shown) == line.shown.value
            if exact or lesson.given.answers.get("rounding") == "yes":
                continue
        why = said.why if isinstance(said, Rejected) else "it is read as something else"
        lesson.questions.append(
            dead_end(
                "last-look",
                f"line {line.index + 1} shows {line.shown}, and no profile was found that reads it so: {why}",
            )
        )
    unread = sum(isinstance(s.said, Rejected) for s in seen)
    if unread:
        lesson.notes.append(
            f"{unread} of the lines are not understood; if the gauge writes them often, say what they are"
        )

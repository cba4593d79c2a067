"""Lines of a gauge, and what its display showed for two or three of them, give a line profile or a question.

Pure. What the lines do not tell is asked, never guessed: no profile is proposed while anything is open.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from decimal import Decimal
from typing import Any, Final, Literal
from zoneinfo import ZoneInfo

from ingest.decoding import Decoded, DecodedReading, LineDecoder, Rejected, text_of
from ingest.framing import Frame
from ingest.teaching_checks import FoundCheck, checks_that_fit, tail_of
from ingest.teaching_fields import Column, Evidence, Fields, columns_of, fields_of, unit_column
from ingest.teaching_patterns import Layout, line_pattern, other_line_pattern
from ingest.teaching_questions import (
    MOST_READINGS,
    Choice,
    Question,
    Shown,
    another_reading,
    dead_end,
)
from ingest.teaching_shapes import WAYS, Token, Way, shape_of, tokens_of
from ingest.teaching_times import stamp_formats
from schemas.errors import BadInput
from schemas.profile import FRAMING, Profile
from schemas.units import Unit, unit_of

__all__ = ["Choice", "Question", "SeenLine", "Shown", "Taught", "teach"]

_EVERY_CONTROL: Final = "".join(sorted(FRAMING))
_MOST_PLACES: Final = 4


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


@dataclass(frozen=True)
class Given:
    """All that a gauge is taught from; see :func:`teach`."""

    lines: tuple[bytes, ...]
    shown: Mapping[int, Shown]
    answers: Mapping[str, str]
    arrived: Mapping[int, datetime]
    named: Mapping[int, str]
    title: str
    zone: ZoneInfo
    settings: Mapping[str, Any]


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


@dataclass
class _Lesson:
    """What is found on the way to a profile."""

    given: Given
    texts: dict[int, str] = field(default_factory=dict)
    questions: list[Question] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    content: dict[str, Any] | None = None
    check: FoundCheck | None = None
    tail: str | None = None

    @property
    def shown(self) -> list[int]:
        return sorted(self.given.shown)

    @property
    def may_take_another(self) -> bool:
        return len(self.given.shown) < MOST_READINGS

    def ask(self, question: Question) -> str | None:
        answer = self.given.answers.get(question.key)
        if answer is None:
            self.questions.append(question)
        return answer


@dataclass(frozen=True, slots=True)
class _Place:
    """Where the thickness may stand.

    Attributes:
        way: How the lines are cut into pieces; None in JSON.
        at: The piece, or the key.
        places: How many of the last figures are decimals; 0 where the line has the mark.
        exact: Whether the figures are those of the display; False where they have more decimals and round to them.
    """

    way: Way | None
    at: str
    places: int
    exact: bool = True


def _taught(given: Given) -> Taught:
    for index in (*given.shown, *given.named):
        if not 0 <= index < len(given.lines):
            raise BadInput(f"line {index + 1} is not there; {len(given.lines)} lines came")
    for index in given.named:
        if index in given.shown:
            raise BadInput(f"line {index + 1} cannot be a reading and none; say one of both")
    lesson = _Lesson(given)
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


def _learn(lesson: _Lesson) -> None:
    given = lesson.given
    for index, data in enumerate(given.lines):
        text = text_of(Frame(data, len(data)), _EVERY_CONTROL)
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
    objects = {i: found for i, text in lesson.texts.items() if (found := _object_of(text)) is not None}
    if all(i in objects for i in lesson.shown) and _learn_json(lesson, objects):
        return
    _learn_pattern(lesson)


def _comma_is_clear(lesson: _Lesson) -> bool:
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


# Where the thickness stands


def _matches(lesson: _Lesson, texts: Mapping[int, str], mark: str, *, exact: bool) -> int | None:
    """Return the places by which the numbers *texts* are what was shown, or None where they are not."""
    fitting = {0, *range(1, _MOST_PLACES + 1)}
    for index in lesson.shown:
        shown = lesson.given.shown[index]
        text = texts[index].replace(" ", "")
        if not re.fullmatch(rf"[-+]?[0-9]+(?:{re.escape(mark)}[0-9]+)?", text):
            return None
        number = Decimal(text.replace(mark, "."))
        whole = mark not in text
        fitting = {
            p
            for p in fitting
            if (p == 0 or (whole and shown.decimals > 0)) and _is_shown(number.scaleb(-p), shown, exact=exact)
        }
    return min(fitting, default=None)


def _is_shown(number: Decimal, shown: Shown, *, exact: bool) -> bool:
    if exact:
        return number == shown.value
    if number == shown.value or -int(number.as_tuple().exponent) <= shown.decimals:
        return number == shown.value
    return abs(number - shown.value) * 2 <= Decimal(1).scaleb(-shown.decimals)


def _one_place(lesson: _Lesson, places: list[_Place], example: Mapping[str, str]) -> _Place | None:
    """Return the place of the thickness, or ask."""
    if not places:
        index = lesson.shown[-1]
        said = " and ".join(f"{lesson.given.shown[i]} (line {i + 1})" for i in lesson.shown)
        lesson.questions.append(
            dead_end(
                "value",
                f"no place in the lines holds {said}; look again what the display shows for line {index + 1}, "
                "which line belongs to the reading, and whether the gauge sends the unit that it shows",
            )
        )
        return None
    values = {lesson.given.shown[i].value for i in lesson.shown}
    if len(lesson.shown) < 2 or len(values) < 2:
        if lesson.may_take_another:
            lesson.questions.append(
                another_reading(
                    "differs", "take another reading that differs from the first; what does the display show?"
                )
            )
            return None
        if len(values) < 2:
            lesson.questions.append(
                dead_end("differs", "all readings are the same, and may be a number that never changes; start again")
            )
            return None
    if len(places) == 1:
        return places[0]
    if lesson.may_take_another:
        lesson.questions.append(
            another_reading(
                "value",
                f"{len(places)} places hold {lesson.given.shown[lesson.shown[0]]}; take another reading that differs",
            )
        )
        return None
    answer = lesson.ask(
        Question(
            "value",
            "choice",
            f"{len(places)} places of the line hold what the display shows; which is the reading?",
            tuple(Choice(_named(p), f"{_named(p)}: {example.get(_named(p), '')}") for p in places),
        )
    )
    return next((p for p in places if _named(p) == answer), None)


def _named(place: _Place) -> str:
    mark = f" with decimal {place.way.decimal_mark!r}" if place.way else ""
    return f"{place.at}{mark}" + (f", the last {place.places} figures decimals" if place.places else "")


def _rounds_is_fine(lesson: _Lesson, place: _Place, text: str) -> bool:
    if place.exact:
        return True
    index = lesson.shown[0]
    answer = lesson.ask(
        Question(
            "rounding",
            "choice",
            f"line {index + 1} says {text} where the display shows {lesson.given.shown[index].figures}; "
            "does the gauge send more decimals than it shows?",
            (Choice("yes", "yes, that is the reading"), Choice("no", "no, that is something else")),
        )
    )
    if answer == "no":
        lesson.questions.append(dead_end("rounding", "then no place in the lines holds what the display shows"))
    return answer == "yes"


# JSON


def _object_of(text: str) -> dict[str, Any] | None:
    try:
        found = json.loads(text, parse_float=str, parse_int=str, parse_constant=str)
    except (ValueError, RecursionError):
        return None
    return found if isinstance(found, dict) else None


def _json_columns(objects: Mapping[int, Mapping[str, Any]]) -> list[Column]:
    keys = list(dict.fromkeys(key for found in objects.values() for key in found))
    columns = []
    for key in keys:
        texts = {
            i: v if isinstance(v, str) else json.dumps(v)
            for i, found in objects.items()
            if (v := found.get(key)) is not None
        }
        if not texts:
            continue
        kinds = {_json_kind(text) for text in texts.values()}
        columns.append(Column(key, texts, kinds.pop() if len(kinds) == 1 else "word"))
    return columns


def _json_kind(text: str) -> str:
    if re.fullmatch(r"[-+]?[0-9]+(?:[.,][0-9]+)?", text.strip()):
        return "number"
    kinds = {t.kind for t in tokens_of(text, WAYS[0])}
    if {"day", "clock"} <= kinds or stamp_formats([text]):
        return "moment"
    return "day" if kinds == {"day"} else "clock" if kinds == {"clock"} else "word"


def _learn_json(lesson: _Lesson, objects: Mapping[int, Mapping[str, Any]]) -> bool:
    """Learn from JSON objects; return False where the thickness has no key of its own."""
    shown_keys = [frozenset(objects[i]) for i in lesson.shown]
    columns = _json_columns({i: objects[i] for i in lesson.shown})
    found: list[tuple[_Place, str]] = []
    for exact in (True, False):
        for column in columns:
            if any(i not in column.texts for i in lesson.shown):
                continue
            texts = {i: column.texts[i].strip() for i in lesson.shown}
            marks = (".", ",") if any("," in t for t in texts.values()) else (".",)
            for mark in marks:
                places = _matches(lesson, texts, mark, exact=exact)
                if places is not None:
                    found.append((_Place(None, column.place, places, exact), mark))
        if found:
            break
    if not found:
        return False
    if len(set(shown_keys)) > 1:
        lesson.questions.append(
            dead_end("keys", "the objects of the readings have different keys, and a profile reads one kind of object")
        )
        return True
    by_name = {c.place: c.texts[lesson.shown[0]] for c in columns}
    place = _one_place(lesson, [p for p, _ in found], by_name)
    if place is None:
        return True
    mark = next(m for p, m in found if p is place)
    if not _rounds_is_fine(lesson, place, by_name[place.at]):
        return True
    aligned = {
        i: o
        for i, o in objects.items()
        if frozenset(o) == shown_keys[0]
        and i not in lesson.given.named
        and isinstance(o.get(place.at), str)
        and re.fullmatch(rf"\s*[-+]?[0-9]+(?:{re.escape(mark)}[0-9]+)?\s*", o[place.at])
    }
    columns = _json_columns(aligned)
    evidence = Evidence(
        columns, place.at, lesson.shown, sorted(aligned), lesson.given.answers, lesson.given.arrived, ""
    )
    has_decimals = any(mark in c.texts[i] for c in columns if c.place == place.at for i in c.texts)
    # A number in JSON has a point; only one in quotes leaves the mark open.
    is_text = any(not re.search(rf'"{re.escape(place.at)}"\s*:\s*[-0-9]', lesson.texts[i]) for i in lesson.shown)
    fields = _fields(lesson, evidence, {})
    if fields is None:
        return True
    mark = _mark(lesson, mark, decided=has_decimals or place.places > 0 or not is_text)
    keys = {"thickness": place.at}
    for name in ("unit", "counter", "mode"):
        if (key := getattr(fields, name)) is not None:
            keys[name] = key
    if fields.moment is not None:
        keys["time"] = fields.moment.places[0]
    fixed = {k: v[0] for k, v in fields.fixed.items() if k not in keys.values()}
    if any(len(v) > 1 for k, v in fields.fixed.items()):
        lesson.notes.append("keys with several fixed words are passed over")
        fixed = {k: v[0] for k, v in fields.fixed.items() if len(v) == 1}
    others = sorted(set(shown_keys[0]) - set(keys.values()) - set(fixed))
    content: dict[str, Any] = {"form": "json", "keys": keys, "other_keys": others, "decimal_mark": mark}
    if fixed:
        content["fixed_keys"] = fixed
    _finish(lesson, content, evidence, fields, place)
    return True


# Lines of pieces


def _learn_pattern(lesson: _Lesson) -> None:
    if not _find_check(lesson):
        return
    cut = {way: _cut_all(lesson, way) for way in WAYS}
    places: list[_Place] = []
    shapes_differ = True
    for exact in (True, False):
        for join in (False, True):
            for way in WAYS:
                if way.words_join is not join:
                    continue
                tokens = {i: cut[way][i] for i in lesson.shown if i in cut[way]}
                if len(tokens) < len(lesson.shown) or len({shape_of(t) for t in tokens.values()}) > 1:
                    continue
                shapes_differ = False
                for column in columns_of(tokens):
                    if column.kind != "number":
                        continue
                    found = _matches(lesson, column.texts, way.decimal_mark, exact=exact)
                    if found is not None and not (found and _are_decimals(tokens, int(column.place))):
                        places.append(_Place(way, column.place, found, exact))
            if places:
                break
        if places:
            break
    if shapes_differ:
        lesson.questions.append(
            dead_end(
                "shape",
                f"lines {' and '.join(str(i + 1) for i in lesson.shown)} are built differently, and a profile reads one shape; "
                "look again which line belongs to which reading",
            )
        )
        return
    found_places = places
    places = _apart(places, cut, lesson.given.shown)
    texts = {_named(p): cut[p.way][lesson.shown[0]][int(p.at)].text for p in places if p.way}
    place = _one_place(lesson, places, texts)
    if place is None or place.way is None:
        return
    if not _rounds_is_fine(lesson, place, texts[_named(place)]):
        return
    cuts = {
        shape_of(cut[p.way][lesson.shown[0]])
        for p in found_places
        if p.way is not None and p.way.words_join is place.way.words_join
    }
    _learn_columns(lesson, place, cut[place.way], cut_is_sure=len(cuts) == 1)


def _are_decimals(tokens: Mapping[int, Sequence[Token]], at: int) -> bool:
    """Return whether figures stand behind a mark as decimals do, as in ".52": they are no whole number of hundredths."""
    before = {(line[at - 1].text, line[at].gap, at == 1) for line in tokens.values()} if at else set()
    return any(gap == 0 and (text == "." or (text == "," and first)) for text, gap, first in before)


def _apart(
    places: Sequence[_Place], cut: Mapping[Way, Mapping[int, Sequence[Token]]], shown: Mapping[int, Shown]
) -> list[_Place]:
    """Return *places* without those that are the same figures of the line, only cut in another way.

    A comma that parts fields is no decimal mark. Else the way that cuts the lines into the fewest pieces stays: its
    decimal mark is the one that other figures have.
    """

    def spans(place: _Place) -> tuple[tuple[int, int], ...]:
        if place.way is None:
            return ()
        return tuple((t.start, t.end) for i in shown for t in [cut[place.way][i][int(place.at)]])

    def rank(place: _Place) -> tuple[bool, int]:
        if place.way is None:
            return False, 0
        tokens = [t for i in shown for t in cut[place.way][i]]
        parts = place.way.decimal_mark == "," and any(t.kind == "mark" and t.text == "," for t in tokens)
        return parts, len(tokens)

    kept: dict[tuple[object, ...], _Place] = {}
    for place in sorted(places, key=rank):
        kept.setdefault((spans(place), place.places), place)

    def is_part(place: _Place) -> bool:
        """Return whether *place* is part of figures that are just those of the display, such as 39 in "0,39"."""
        return any(
            other is not place
            and other.way is not None
            and not other.places
            and all(a <= c and d <= b for (a, b), (c, d) in zip(spans(other), spans(place), strict=True))
            and all(
                len(cut[other.way][i][int(other.at)].text.partition(other.way.decimal_mark)[2]) == shown[i].decimals
                for i in shown
            )
            for other in kept.values()
        )

    return [p for p in kept.values() if not is_part(p)]


def _cut_all(lesson: _Lesson, way: Way) -> dict[int, tuple[Token, ...]]:
    """Return the pieces of every line; of those without the check that all readings have, nothing."""
    found = {}
    for index, text in lesson.texts.items():
        if index in lesson.given.named:
            continue
        if lesson.tail is None:
            found[index] = tokens_of(text.strip(), way)
            continue
        tail = tail_of(text, lesson.tail)
        if tail is None:
            continue
        if lesson.check is not None and lesson.check.check.wrong(tail.before, tail.piece) is not None:
            continue
        body = tail.before.lstrip()
        gap = len(body) - len(body.rstrip(" "))
        tokens = tokens_of(body, way)
        ends = tuple(Token("mark", c, 0, 0, 0) for c in tail.after if c != " ")
        found[index] = (*tokens, Token("check", tail.piece, len(body), len(body) + len(tail.piece), gap), *ends)
    return found


def _find_check(lesson: _Lesson) -> bool:
    """Find the check digit; return False where that must be settled first."""
    given = lesson.given
    shown = [lesson.texts[i] for i in lesson.shown]
    if len(shown) < 2:
        return True
    others = [t for i, t in lesson.texts.items() if i not in given.shown]
    beyond = [given.lines[i] for i in lesson.shown if not given.lines[i].isascii()]
    encoding = None if not beyond else "utf-8" if all(_is_utf8(data) for data in beyond) else "latin-1"
    fits = [f for f in checks_that_fit(shown, others, encoding) if given.answers.get(f"check:{_check_name(f)}") != "no"]
    sure = [f for f in fits if f.is_sure]
    if len(sure) == 1 or (len(sure) > 1 and (answer := given.answers.get("check"))):
        lesson.check = sure[0] if len(sure) == 1 else next((f for f in sure if _check_name(f) == answer), sure[0])
        lesson.tail = _tail_pattern(lesson.check)
        return True
    if fits and lesson.may_take_another:
        lesson.questions.append(
            another_reading(
                "check",
                f"{_check_name(fits[0])} fits the end of the lines, and may do so by chance; take one more reading",
            )
        )
        return False
    if len(sure) > 1:
        lesson.ask(
            Question(
                "check",
                "choice",
                "more than one check digit fits the lines; which does the gauge's manual name?",
                tuple(Choice(_check_name(f), _check_name(f)) for f in sure),
            )
        )
        return False
    for fit in fits:
        key = f"check:{_check_name(fit)}"
        answer = lesson.ask(
            Question(
                key,
                "choice",
                f"{_check_name(fit)} fits the end of the lines, and may do so by chance; is it a check digit?",
                (Choice("yes", "yes"), Choice("no", "no")),
            )
        )
        if answer == "yes":
            lesson.check = fit
            lesson.tail = _tail_pattern(fit)
        return answer == "yes"
    return _no_check_unread(lesson, shown)


def _tail_pattern(found: FoundCheck) -> str:
    free = found.check.width is None
    return f"(?<![0-9A-Za-z]){found.pattern}" if free else found.pattern


def _no_check_unread(lesson: _Lesson, shown: Sequence[str]) -> bool:
    """Ask where the lines end with what looks like a check that none of the usual kinds explains."""
    for pattern in (
        "(?<![0-9A-Za-z])[0-9A-F]{4}",
        "(?<![0-9A-Za-z])[0-9A-F]{2}",
        "(?<![0-9A-Za-z])[0-9a-f]{4}",
        "(?<![0-9A-Za-z])[0-9a-f]{2}",
    ):
        tails = [tail_of(text, pattern) for text in shown]
        pieces = {t.piece for t in tails if t is not None}
        if None in tails or len(pieces) < 2 or not _looks_hex(pieces):
            continue
        answer = lesson.ask(
            Question(
                "unread-check",
                "choice",
                f"the lines end with {', '.join(sorted(pieces))}, which may be a check digit and fits none of the usual kinds; "
                "read the lines without checking them?",
                (
                    Choice("unchecked", "yes: a line that was damaged on its way may then be read wrong"),
                    Choice("no-check", "it is no check digit"),
                    Choice("stop", "no: make no profile"),
                ),
            )
        )
        if answer == "stop":
            lesson.questions.append(dead_end("unread-check", "no profile is made, as you said"))
        if answer == "unchecked":
            lesson.tail = pattern
        return answer in ("unchecked", "no-check")
    return True


def _looks_hex(pieces: set[str]) -> bool:
    joined = "".join(pieces)
    mixed = any(c.isdigit() for c in joined) and any(c.isalpha() for c in joined)
    return mixed and not any(unit_of(p) for p in pieces)


def _check_name(found: FoundCheck) -> str:
    check = found.check
    span = "the whole line before it"
    if check.skip_first or check.skip_last:
        left_out = []
        if check.skip_first:
            left_out.append("the first character")
        if check.skip_last:
            left_out.append(
                f"the last {check.skip_last} before it" if check.skip_last > 1 else "the character before it"
            )
        span = f"the line without {' and without '.join(left_out)}"
    order = ", low byte first" if check.low_byte_first else ""
    return f"{check.kind} of {span}, {check.written}{order}"


def _is_utf8(data: bytes) -> bool:
    try:
        data.decode("utf-8")
    except UnicodeDecodeError:
        return False
    return True


def _learn_columns(lesson: _Lesson, place: _Place, cut: Mapping[int, tuple[Token, ...]], *, cut_is_sure: bool) -> None:
    assert place.way is not None  # noqa: S101 - the caller looks
    first = cut[lesson.shown[0]]
    shape = shape_of(first)
    aligned = {i: tokens for i, tokens in sorted(cut.items()) if shape_of(tokens) == shape}
    columns = columns_of(aligned)
    evidence = Evidence(
        columns,
        place.at,
        lesson.shown,
        list(aligned),
        lesson.given.answers,
        lesson.given.arrived,
        cut=f"/{len(columns)}{place.way.decimal_mark}",
        cut_is_sure=cut_is_sure,
    )
    between = {}
    for one, other in _neighbours(first):
        texts = {_between(tokens, one, other) for tokens in aligned.values()}
        between[str(one), str(other)] = texts.pop() if len(texts) == 1 else None
    fields = _fields(lesson, evidence, between)
    if fields is None:
        return
    mark: str = place.way.decimal_mark
    value = columns[int(place.at)]
    has_decimals = any(mark in text for text in value.texts.values())
    commas = any(t.kind == "mark" and t.text == "," for t in first)
    if not has_decimals and not place.places and commas:
        mark, decided = ".", True  # a comma cannot part both the figures and the fields
    else:
        decided = has_decimals or place.places > 0
    mark = _mark(lesson, mark, decided=decided)
    layout = Layout(
        aligned, int(place.at), mark if mark != "none" else None, place.places, fields, lesson.check, lesson.tail
    )
    content: dict[str, Any] = {"reading": line_pattern(layout), "decimal_mark": mark if mark != "none" else "."}
    if lesson.check is not None:
        content["check"] = lesson.check.check.model_dump(exclude_defaults=True) | {
            "kind": lesson.check.check.kind,
            "written": lesson.check.check.written,
        }
    control = "".join(sorted({c for i in lesson.shown for c in lesson.texts[i].strip() if c in FRAMING}))
    if control:
        content["control"] = control
    _finish(lesson, content, evidence, fields, place)


def _neighbours(tokens: Sequence[Token]) -> list[tuple[int, int]]:
    """Return the pairs that may be a day and a time: only marks, or one T, between them."""
    found = []
    for one, token in enumerate(tokens):
        if token.kind not in ("day", "clock", "number"):
            continue
        for other in range(one + 1, min(one + 4, len(tokens))):
            if tokens[other].kind in ("day", "clock", "number"):
                found.append((one, other))
                break
            if tokens[other].kind != "mark" and tokens[other].text != "T":
                break
    return found


def _between(tokens: Sequence[Token], one: int, other: int) -> str:
    """Return what stands between two pieces, several blanks as one: a time format reads any number of them."""
    out = []
    for token in tokens[one + 1 : other]:
        out.append(" " * min(token.gap, 1) + token.text)
    return "".join(out) + " " * min(tokens[other].gap, 1)


# What both have in common


def _fields(lesson: _Lesson, evidence: Evidence, between: Mapping[tuple[str, str], str | None]) -> Fields | None:
    units = {i: lesson.given.shown[i].unit for i in lesson.shown}
    unit = unit_column(evidence, units)
    if isinstance(unit, Question):
        lesson.questions.append(unit)
        return None
    fields = fields_of(evidence, unit, between)
    lesson.questions += fields.questions
    lesson.notes += fields.notes
    return fields


def _mark(lesson: _Lesson, mark: str, *, decided: bool) -> str:
    """Return the decimal mark, or "none" where the gauge never writes decimals."""
    if decided:
        return mark
    if lesson.given.answers.get("decimals") is None and lesson.may_take_another:
        lesson.questions.append(
            Question(
                "decimals",
                "reading",
                "no line shows decimals, so the decimal mark is open; take a reading that the display shows with decimals, "
                "such as one under 10 µm, or say that it never shows any",
                (Choice("none", "the display never shows decimals"),),
            )
        )
        return mark
    answer = lesson.ask(
        Question(
            "decimals",
            "choice",
            "no line shows decimals; how does the gauge write them?",
            (Choice("none", "it never does"), Choice(".", "after a point"), Choice(",", "after a comma")),
        )
    )
    return answer or mark


def _finish(lesson: _Lesson, content: dict[str, Any], evidence: Evidence, fields: Fields, place: _Place) -> None:
    if place.places:
        content["places"] = place.places
        _places_hold(lesson, evidence, fields)
    if fields.unit is None:
        unit = _stated_unit(lesson)
        if unit is not None:
            content["unit"] = str(unit)
            lesson.notes.append(
                f"the lines do not say the unit, and the profile takes {unit.symbol} for granted; a gauge that is set to another unit would be read wrong"
            )
    if fields.moment is not None:
        content["time_format"] = fields.moment.order
    if fields.mode is not None:
        content["modes"] = {word: str(mode) for word, mode in fields.modes.items()}
    lesson.content = content


def _stated_unit(lesson: _Lesson) -> Unit | None:
    units = {lesson.given.shown[i].unit for i in lesson.shown} - {None}
    if len(units) > 1:
        lesson.questions.append(
            dead_end(
                "unit",
                "the readings are in two units, and the lines do not say which; set the gauge to one unit and start again",
            )
        )
        return None
    if units:
        return units.pop()
    answer = lesson.ask(
        Question(
            "unit",
            "choice",
            "the lines do not say the unit; which does the display show?",
            (Choice("um", "µm"), Choice("mil", "mil")),
        )
    )
    return Unit(answer) if answer else None


def _places_hold(lesson: _Lesson, evidence: Evidence, fields: Fields) -> None:
    """Ask for what shows that the last figures are decimals whatever the value, and in each unit."""
    sizes = {len(lesson.given.shown[i].figures.lstrip("+-").split(".")[0].split(",")[0]) for i in lesson.shown}
    if len(sizes) < 2:
        question = "the line has no decimal mark; take a reading with another number of figures, such as one under 10 µm or over 100 µm"
        if lesson.may_take_another:
            lesson.questions.append(another_reading("places", question))
        else:
            lesson.ask(
                Question(
                    "places",
                    "choice",
                    "the line has no decimal mark; does the display always show as many decimals, whatever the value?",
                    (Choice("always", "always as many"),),
                )
            )
    column = next((c for c in evidence.columns if c.place == fields.unit), None)
    if column is not None and len({unit_of(column.texts[i]) for i in evidence.shown}) < 2:
        choice = (Choice("none", "this gauge is always set to one unit"),)
        sentence = (
            "the line has no decimal mark, and the other unit may have other decimals; take a reading in the other unit"
        )
        if lesson.given.answers.get("other-unit") is None:
            kind: Literal["reading", "choice"] = "reading" if lesson.may_take_another else "choice"
            lesson.questions.append(Question("other-unit", kind, sentence + ", or say that there is none", choice))


# The profile


def _profile_of(lesson: _Lesson) -> Profile | None:
    if lesson.content is None or ("unit" not in lesson.content and not _has_unit(lesson.content)):
        return None
    try:
        return Profile.checked({"title": lesson.given.title, **lesson.content, **lesson.given.settings}, "profile")
    except BadInput as wrong:
        lesson.questions.append(dead_end("profile", wrong.sentence))
        return None


def _has_unit(content: Mapping[str, Any]) -> bool:
    return "unit" in content.get("keys", {}) or "(?P<unit>" in content.get("reading", "")


def _with_other_lines(lesson: _Lesson, draft: Profile) -> Profile:
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
        text = text_of(Frame(data, len(data)), decoder.control if decoder else _EVERY_CONTROL)
        if decoder is not None:
            said = decoder.decode(text) if isinstance(text, str) else text
        plain = data.decode("utf-8", errors="backslashreplace") if not isinstance(text, str) else text
        seen.append(SeenLine(index, plain, said, given.shown.get(index)))
    return tuple(seen)


def _hold_against(lesson: _Lesson, seen: Sequence[SeenLine]) -> None:
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

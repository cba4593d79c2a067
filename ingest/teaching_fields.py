"""What the pieces of a line mean, from what the lines say and what a person answered. What neither tells is asked."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from itertools import pairwise
from typing import Final

from ingest.teaching_questions import MOST_READINGS, Choice, Question, another_reading, dead_end
from ingest.teaching_shapes import Token
from ingest.teaching_times import (
    clock_formats,
    compact_clock_formats,
    compact_day_formats,
    compact_formats,
    day_formats,
    said,
    settled_by_arrival,
    stamp_formats,
)
from schemas.units import Unit, unit_of
from schemas.vocabulary import ProbeMode

#: What may be a probe mode although it stands before "=" or ":", and is asked about (common practice, no source).
_MAY_BE_MODE: Final = re.compile(
    r"(?i:f|fe|fer.*|nf|nfe|nm|non.*|m|ma|mag.*|mode.*|e|ec|ed|edd.*|s|st|ste.*|i|iro.*|a|al|alu.*|w|cu|zn|p|probe.*)|N"
)
#: So many different figures may stand in the place of a probe mode; more are a number.
_MOST_MODES: Final = 3
#: So many words that no reading has are asked about.
_MOST_WORDS: Final = 5

_MODES: Final = (
    Choice(str(ProbeMode.MAGNETIC), "the probe mode on steel: magnetic"),
    Choice(str(ProbeMode.EDDY_CURRENT), "the probe mode on other metals: eddy current"),
)
_FIXED: Final = Choice("fixed", "it is always the same: a line with anything else there is no reading")
_FREE: Final = Choice("free", "it does not matter: anything may stand there, and the line is a reading all the same")
_TIME: Final = Choice("time", "it is part of the day or the time of the reading")
_UNIT: Final = Choice("unit", "it is the unit of the figures")
_NO_READING: Final = Choice("not-a-reading", "a line with it is no reading")
_COUNTER: Final = Choice("counter", "the gauge counts its readings with it")


@dataclass(frozen=True, slots=True)
class Column:
    """The same piece in all lines that are built alike.

    Attributes:
        place: Number of the piece, or key of the JSON object.
        texts: Line, and what it has there.
        kind: What sort of piece it is.
        label: Whether it names what comes after it, as D in "D=82.5".
        has_unit: Whether a unit stands right behind it.
    """

    place: str
    texts: Mapping[int, str]
    kind: str
    label: bool = False
    has_unit: bool = False

    @property
    def distinct(self) -> list[str]:
        """Return the texts without repeats, in the order of the lines."""
        return list(dict.fromkeys(self.texts[i] for i in sorted(self.texts)))


@dataclass(frozen=True, slots=True)
class Moment:
    """Day and time of a reading.

    Attributes:
        places: The columns that it is made of, first and last.
        order: Its format, in the codes of C's strftime.
    """

    places: tuple[str, ...]
    order: str


@dataclass
class Fields:
    """What the pieces mean.

    Attributes:
        unit: Place of the unit; None where no line has one.
        counter, mode: Places; None where there is none.
        modes: Word, and the probe mode that it means.
        moment: Day and time.
        fixed: Place, and what may stand there in a reading.
        free: Places that are passed over.
        excluded: Place, and words there that no reading has.
        questions: What is open.
        notes: What the person should know.
    """

    unit: str | None = None
    counter: str | None = None
    mode: str | None = None
    modes: dict[str, ProbeMode] = field(default_factory=dict)
    moment: Moment | None = None
    fixed: dict[str, list[str]] = field(default_factory=dict)
    free: set[str] = field(default_factory=set)
    excluded: dict[str, list[str]] = field(default_factory=dict)
    unit_words: set[str] = field(default_factory=set)
    questions: list[Question] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


@dataclass(frozen=True)
class Evidence:
    """What is known when the pieces are asked what they mean.

    Attributes:
        columns: The pieces, in the order of the line.
        value: Place of the thickness.
        shown: The lines that a person said the display for.
        aligned: All lines that are built like them, those included.
        answers: Key of a question, and key of the choice.
        arrived: Line, and when it came.
        cut: How the lines are cut; the same piece cut otherwise is another question.
        cut_is_sure: Whether no other way of cutting them fits as well.
    """

    columns: Sequence[Column]
    value: str
    shown: Sequence[int]
    aligned: Sequence[int]
    answers: Mapping[str, str]
    arrived: Mapping[int, datetime]
    cut: str
    cut_is_sure: bool = True

    def key(self, kind: str, place: str) -> str:
        """Return the key of a question about a place."""
        return f"{kind}:{place}{self.cut}"

    @property
    def may_take_another(self) -> bool:
        """Return whether another reading may still be asked for."""
        return len(self.shown) < MOST_READINGS


def fields_of(evidence: Evidence, unit: str | None, between: Mapping[tuple[str, str], str | None]) -> Fields:
    """Return what the pieces mean.

    Args:
        evidence: What is known.
        unit: Place of the unit, where there is one.
        between: First and second place of two columns, and what stands between them in every line; None where that differs.
    """
    found = Fields(unit=unit)
    taken = {evidence.value, unit}
    taken |= _moment(evidence, between, found)
    for column in evidence.columns:
        if column.place in taken or column.kind in ("mark", "check"):
            continue
        if any(i not in column.texts for i in evidence.shown):
            found.free.add(column.place)  # a key that only some objects have
        elif column.kind == "word":
            _word(evidence, column, found)
        elif column.kind == "number":
            _number(evidence, column, found)
        else:
            found.free.add(column.place)
    _one_mode(evidence, found)
    return found


def unit_column(evidence: Evidence, unit_of_shown: Mapping[int, Unit | None]) -> str | Question | None:
    """Return the place of the unit, None where no line has one, or what is open about it.

    What stands behind the figures, with no other figures between, is their unit. Any other word for a unit may belong to
    other figures, so it is asked about.
    """
    columns = list(evidence.columns)
    at = [c.place for c in columns].index(evidence.value)
    behind = _until_figures(columns[at + 1 :])
    for column in behind:
        if not _is_unit(column, evidence):
            continue
        wrong = [i for i in evidence.shown if unit_of_shown[i] not in (None, unit_of(column.texts[i]))]
        if not wrong:
            return column.place
        symbol = unit_of_shown[wrong[0]]
        return dead_end(
            "unit",
            f"line {wrong[0] + 1} says {column.texts[wrong[0]]!r}, and the display was said to show {symbol.symbol if symbol else ''}; "
            "look again which unit the display shows, or set the gauge to send the one that it shows",
        )
    before = _until_figures(columns[at - 1 :: -1] if at else [])
    elsewhere = [c for c in columns if c not in before and c not in behind]
    for column in (*before, *elsewhere):
        if column.kind != "word" or not _is_unit(column, evidence):
            continue
        if any(unit_of_shown[i] not in (None, unit_of(column.texts[i])) for i in evidence.shown):
            continue
        key = evidence.key("unit-place", column.place)
        answer = evidence.answers.get(key)
        if answer is None:
            return Question(
                key,
                "choice",
                f"{column.texts[evidence.shown[0]]!r} stands apart from the figures; is it the unit of the reading?",
                (
                    Choice("yes", "yes: it changes with the unit that the gauge is set to"),
                    Choice("no", "no, it belongs to something else"),
                ),
            )
        if answer == "yes":
            return column.place
    return None


def _until_figures(columns: Sequence[Column]) -> list[Column]:
    """Return the words of *columns* up to the first that holds figures."""
    found = []
    for column in columns:
        if column.kind not in ("word", "mark"):
            break
        if column.kind == "word":
            found.append(column)
    return found


def _is_unit(column: Column, evidence: Evidence) -> bool:
    return all(i in column.texts and unit_of(column.texts[i]) is not None for i in evidence.shown)


def _asked(evidence: Evidence, found: Fields, question: Question) -> str | None:
    """Return the answer to *question*, or note it as open."""
    answer = evidence.answers.get(question.key)
    if answer is None:
        found.questions.append(question)
    return answer


def _word(evidence: Evidence, column: Column, found: Fields) -> None:
    if all(unit_of(text) for text in column.texts.values()):
        # A second unit, as in "82.5 um 3.25 mil".
        found.unit_words.add(column.place)
        return
    shown_words = list(dict.fromkeys(column.texts[i] for i in evidence.shown))
    if column.label and len(shown_words) == 1 and not _MAY_BE_MODE.fullmatch(shown_words[0]):
        # A name of what comes behind it; a line with another name there is no reading, so nothing is guessed.
        found.fixed[column.place] = shown_words
        return
    _ask_what(evidence, column, found, (*_MODES, _UNIT, _FIXED, _FREE))


def _ask_what(evidence: Evidence, column: Column, found: Fields, choices: tuple[Choice, ...]) -> None:
    """Ask of each word or figure that stands in a place what it is."""
    shown_words = list(dict.fromkeys(column.texts[i] for i in evidence.shown))
    answers = {
        word: _asked(evidence, found, _what(evidence, column, word, choices, found.unit is None))
        for word in shown_words
    }
    said = set(answers.values())
    modes = {word: ProbeMode(answer) for word, answer in answers.items() if answer in tuple(ProbeMode)}
    others = [w for w in column.distinct if w not in shown_words]
    if "time" in said:
        _leave_out(
            evidence, found, "a profile reads day and time only where they stand together in a form that is known here"
        )
        found.free.add(column.place)
    elif "unit" in said:
        _one_unit(evidence, found, shown_words)
        found.fixed[column.place] = shown_words
    elif modes:
        for word in others:
            answer = _asked(evidence, found, _what(evidence, column, word, (*_MODES, _NO_READING), unit=False))
            if answer in tuple(ProbeMode):
                modes[word] = ProbeMode(answer)
        if found.mode is not None or len(said - {None}) > len(set(modes.values()) & said):
            sentence = (
                "two places were said to be the probe mode, or one word a mode and its neighbour none; start again"
            )
            found.questions.append(dead_end(f"mode:{column.place}", sentence))
            return
        found.mode = column.place
        found.modes = modes
    elif "free" in said:
        found.free.add(column.place)
        if column.kind == "word":
            for word in others[:_MOST_WORDS]:
                answer = _asked(evidence, found, _what(evidence, column, word, (_FREE, _NO_READING), unit=False))
                if answer == _NO_READING.key:
                    found.excluded.setdefault(column.place, []).append(word)
    else:
        found.fixed[column.place] = shown_words


def _what(evidence: Evidence, column: Column, text: str, choices: tuple[Choice, ...], unit: bool) -> Question:
    """Return the question what *text* is."""
    lines = [i for i in evidence.aligned if column.texts.get(i) == text]
    where = (
        "every reading" if len(lines) == len(evidence.aligned) else "line " + ", ".join(str(i + 1) for i in lines[:4])
    )
    kind = "word" if column.kind == "word" else "number"
    return Question(
        f"{evidence.key(kind, column.place)}:{text}",
        "choice",
        f"{text!r} stands in {where}; what is it?",
        tuple(c for c in choices if unit or c is not _UNIT),
    )


def _leave_out(evidence: Evidence, found: Fields, why: str) -> None:
    _asked(
        evidence,
        found,
        Question(
            "moment-apart",
            "choice",
            why,
            (Choice("leave-out", "leave it out: a reading has the time at which it arrives"),),
        ),
    )


def _one_unit(evidence: Evidence, found: Fields, words: Sequence[str]) -> None:
    """Ask whether a word for a unit that is not known here ever changes: a profile could not read the other."""
    _asked(
        evidence,
        found,
        Question(
            "one-unit",
            "choice",
            f"{', '.join(map(repr, words))} is no word for a unit that a profile knows; is the gauge always set to this unit?",
            (Choice("always", "always: a line with another word there is no reading"),),
        ),
    )


def _one_mode(evidence: Evidence, found: Fields) -> None:
    """Ask for the other probe mode where one alone was seen: a profile that does not know it could not read it."""
    if found.mode is None or len(set(found.modes.values())) > 1 or not found.modes:
        return
    key = "other-mode"
    if evidence.answers.get(key) == "none":
        return
    word = next(iter(found.modes))
    if evidence.may_take_another:
        metal = "another metal than steel" if found.modes[word] is ProbeMode.MAGNETIC else "steel"
        found.questions.append(
            Question(
                key,
                "reading",
                f"only {word!r} was seen so far; take one reading in the other probe mode, on {metal}, "
                "or say that this gauge has none",
                (Choice("none", "this gauge measures in one mode alone"),),
            )
        )
    else:
        _asked(
            evidence,
            found,
            Question(
                key,
                "choice",
                f"only {word!r} was seen; does the gauge have another probe mode? (if so, take a reading in it as well)",
                (Choice("none", "this gauge measures in one mode alone"),),
            ),
        )


def _number(evidence: Evidence, column: Column, found: Fields) -> None:
    lines = [i for i in evidence.aligned if i in column.texts]
    texts = [column.texts[i] for i in lines]
    if len(set(texts)) == 1:
        _ask_what(evidence, column, found, (*(_MODES if len(texts[0]) == 1 else ()), _TIME, _FIXED, _FREE))
        return
    if not all(re.fullmatch(r"[-+]?[0-9]+", t) for t in texts) or column.has_unit:
        found.free.add(column.place)
        return
    key = evidence.key("counter", column.place)
    counts = all(re.fullmatch(r"[0-9]{1,9}", t) for t in texts)
    rises = counts and _rises_by_one(lines, [int(t) for t in texts])
    answer = evidence.answers.get(key)
    goes_up = counts and all(int(a) < int(b) for a, b in pairwise(texts))
    if not goes_up and all(len(t) == 1 for t in texts) and len(set(texts)) <= _MOST_MODES:
        _ask_what(evidence, column, found, (*_MODES, _TIME, _FIXED, _FREE))
        return
    if answer is None and rises and len(lines) >= 3 and evidence.cut_is_sure and not _rivals(evidence, column):
        answer = "counter"
    numbers = ", ".join(texts[:4])
    if answer is None and goes_up and len(lines) < 3 and evidence.may_take_another:
        sentence = (
            f"the number {numbers} may be the gauge's counter; take one more reading, and see whether it goes up by one"
        )
        found.questions.append(another_reading(key, sentence))
    elif answer is None:
        choices = (*((_COUNTER,) if counts else ()), _TIME, _FREE)
        found.questions.append(Question(key, "choice", f"the number {numbers} changes; what is it?", choices))
    if answer == "counter" and found.counter is not None:
        found.questions.append(dead_end(f"two-{key}", "two places were said to be the counter; start again"))
    elif answer == "counter":
        found.counter = column.place
    else:
        found.free.add(column.place)
        if answer == "time":
            why = "a profile reads day and time only where they stand together in a form that is known here"
            _leave_out(evidence, found, why)


def _rivals(evidence: Evidence, column: Column) -> bool:
    """Return whether another place could be the counter as well."""
    return any(
        other.place not in (column.place, evidence.value)
        and other.kind == "number"
        and len(other.texts) >= 2
        and all(re.fullmatch(r"[0-9]{1,9}", t) for t in other.texts.values())
        and _rises_by_one(sorted(other.texts), [int(other.texts[i]) for i in sorted(other.texts)])
        for other in evidence.columns
    )


def _rises_by_one(lines: Sequence[int], numbers: Sequence[int]) -> bool:
    """Return whether every line moves the number on as a counter does; lines between may have moved it as well."""
    steps = [(b - a, j - i) for a, b, i, j in zip(numbers, numbers[1:], lines, lines[1:], strict=False)]
    return all(1 <= step <= apart for step, apart in steps) and sum(step == 1 for step, _ in steps) * 2 >= len(steps)


def _moment(evidence: Evidence, between: Mapping[tuple[str, str], str | None], found: Fields) -> set[str]:
    """Find day and time; return the places that they take."""
    columns = {c.place: c for c in evidence.columns if c.place != evidence.value}
    pairs = []
    for (one, other), mark in between.items():
        if mark is None or one not in columns or other not in columns:
            continue
        formats = _pair_formats(columns[one], columns[other], mark, evidence)
        if formats:
            pairs.append(((one, other), formats, mark))
    for place, column in columns.items():
        texts = [column.texts[i] for i in evidence.shown if i in column.texts]
        if (column.kind == "number" and len(texts) == len(evidence.shown) and (formats := compact_formats(texts))) or (
            column.kind == "moment" and (formats := stamp_formats(texts))
        ):
            pairs.append(((place, place), formats, ""))
    days = [p for p, c in columns.items() if c.kind in ("day", "clock")]
    whole = {place for places, formats, _ in pairs if "%Y" in formats[0] for place in places}
    pairs = [p for p in pairs if "%Y" in p[1][0] or not whole & set(p[0])]
    if len(pairs) > 1:
        named = {"-".join(places): (places, formats, mark) for places, formats, mark in pairs}
        answer = _asked(
            evidence,
            found,
            Question(
                "moment",
                "choice",
                "the lines have more than one day and time; which says when the reading was taken?",
                (
                    *(
                        Choice(name, f"{columns[places[0]].distinct[0]} {columns[places[1]].distinct[0]}")
                        for name, (places, _, _) in named.items()
                    ),
                    Choice("none", "none of them"),
                ),
            ),
        )
        pairs = [named[answer]] if answer in named else []
    elif not pairs and days:
        kinds = {columns[p].kind for p in days}
        what = (
            "day and time do not stand side by side, or are written in a way that is not known here"
            if len(kinds) > 1
            else "the lines have a time without a day"
            if kinds == {"clock"}
            else "the lines have a day without a time"
        )
        _leave_out(
            evidence,
            found,
            f"{what} ({', '.join(columns[p].distinct[0] for p in days)}), and a profile cannot read that",
        )
    if not pairs:
        return set()
    (one, other), formats, mark = pairs[0]
    lines = [i for i in evidence.aligned if i in columns[one].texts and i in columns[other].texts]
    stamps = {
        i: columns[one].texts[i] if one == other else columns[one].texts[i] + mark + columns[other].texts[i]
        for i in lines
    }
    first = stamps[lines[0]]
    orders = settled_by_arrival(stamps, evidence.arrived, formats)
    if len(orders) > 1 or (columns[one].kind == "number" and one != other and "%Y" not in orders[0]):
        answer = _asked(
            evidence,
            found,
            Question(
                evidence.key("day-order", one),
                "choice",
                f"the order of day, month and year is open: which day is {first!r}?",
                (
                    *(Choice(order, said(first, order)) for order in orders),
                    Choice("none", "none of these; pass over it"),
                ),
            ),
        )
        if answer not in orders:
            return set()
        orders = [answer]
    found.moment = Moment((one, other), orders[0])
    if one == other:
        return {one}
    order = [c.place for c in evidence.columns]
    return set(order[order.index(one) : order.index(other) + 1])


def _pair_formats(one: Column, other: Column, mark: str, evidence: Evidence) -> list[str]:
    """Return the formats that read both columns with *mark* between them in every line, or nothing."""
    lines = [i for i in evidence.aligned if i in one.texts and i in other.texts]
    first = [one.texts[i] for i in lines]
    second = [other.texts[i] for i in lines]
    if (one.kind, other.kind) == ("day", "clock"):
        return [f"{d}{mark}{c}" for d in day_formats(first) for c in clock_formats(second)]
    if (one.kind, other.kind) == ("clock", "day"):
        return [f"{c}{mark}{d}" for d in day_formats(second) for c in clock_formats(first)]
    if (one.kind, other.kind) == ("number", "number"):
        return [f"{d}{mark}{c}" for d in compact_day_formats(first) for c in compact_clock_formats(second)]
    return []


def columns_of(aligned: Mapping[int, Sequence[Token]]) -> list[Column]:
    """Return the columns of lines that are built alike."""
    first = next(iter(aligned.values()))
    columns = []
    for at, token in enumerate(first):
        texts = {i: tokens[at].text for i, tokens in aligned.items()}
        behind = first[at + 1] if at + 1 < len(first) else None
        has_unit = behind is not None and behind.kind == "word" and unit_of(behind.text) is not None
        label = token.kind == "word" and _is_label(first, at)
        columns.append(Column(str(at), texts, token.kind, label, has_unit))
    return columns


def _is_label(tokens: Sequence[Token], at: int) -> bool:
    """Return whether the word at *at* names what comes after it: "D=", "D: ", "D1=", and in JSON "D":."""
    rest = tokens[at + 1 : at + 4]
    if rest and rest[0].kind == "number" and rest[0].gap == 0:
        rest = rest[1:]
    if len(rest) > 1 and rest[0].text == '"' and rest[0].gap == 0 and rest[1].text == ":":
        rest = rest[1:]
    return bool(rest) and rest[0].text in ("=", ":") and rest[0].gap <= 1

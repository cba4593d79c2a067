"""What is found on the way from lines to a profile, and where in a line the thickness may stand."""

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from decimal import Decimal
from typing import Any, Final, Literal
from zoneinfo import ZoneInfo

from ingest.teaching_checks import FoundCheck
from ingest.teaching_fields import Evidence, Fields, fields_of, unit_column
from ingest.teaching_questions import (
    MOST_READINGS,
    Choice,
    Question,
    Shown,
    another_reading,
    dead_end,
)
from ingest.teaching_shapes import Way
from schemas.profile import FRAMING
from schemas.units import Unit, unit_of

EVERY_CONTROL: Final = "".join(sorted(FRAMING))
_MOST_PLACES: Final = 4
#: So many of the readings that were shown are named in a sentence, the last of them.
MOST_NAMED: Final = 3


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


@dataclass
class Lesson:
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
class Place:
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


def matches(lesson: Lesson, texts: Mapping[int, str], mark: str, *, exact: bool) -> int | None:
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


def one_place(lesson: Lesson, places: list[Place], example: Mapping[str, str]) -> Place | None:
    """Return the place of the thickness, or ask."""
    if not places:
        index = lesson.shown[-1]
        said = " and ".join(f"{lesson.given.shown[i]} (line {i + 1})" for i in lesson.shown[-MOST_NAMED:])
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
            tuple(Choice(named(p), f"{named(p)}: {example.get(named(p), '')}") for p in places),
        )
    )
    return next((p for p in places if named(p) == answer), None)


def named(place: Place) -> str:
    mark = f" with decimal {place.way.decimal_mark!r}" if place.way else ""
    return f"{place.at}{mark}" + (f", the last {place.places} figures decimals" if place.places else "")


def rounding_is_fine(lesson: Lesson, place: Place, text: str) -> bool:
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


def fields_found(lesson: Lesson, evidence: Evidence, between: Mapping[tuple[str, str], str | None]) -> Fields | None:
    units = {i: lesson.given.shown[i].unit for i in lesson.shown}
    unit = unit_column(evidence, units)
    if isinstance(unit, Question):
        lesson.questions.append(unit)
        return None
    fields = fields_of(evidence, unit, between)
    lesson.questions += fields.questions
    lesson.notes += fields.notes
    return fields


def decimal_mark_of(lesson: Lesson, mark: str, *, decided: bool) -> str:
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


def finish(lesson: Lesson, content: dict[str, Any], evidence: Evidence, fields: Fields, place: Place) -> None:
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


def _stated_unit(lesson: Lesson) -> Unit | None:
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


def _places_hold(lesson: Lesson, evidence: Evidence, fields: Fields) -> None:
    """Ask for what shows that the last figures are decimals whatever the value, and in each unit."""
    # Nought is nought with any number of decimals.
    telling = [i for i in lesson.shown if lesson.given.shown[i].value != 0]
    sizes = {len(lesson.given.shown[i].figures.lstrip("+-").split(".")[0].split(",")[0]) for i in telling}
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
    if column is not None and len({unit_of(column.texts[i]) for i in telling}) < 2:
        choice = (Choice("none", "this gauge is always set to one unit"),)
        sentence = (
            "the line has no decimal mark, and the other unit may have other decimals; take a reading in the other unit"
        )
        if lesson.given.answers.get("other-unit") is None:
            kind: Literal["reading", "choice"] = "reading" if lesson.may_take_another else "choice"
            lesson.questions.append(Question("other-unit", kind, sentence + ", or say that there is none", choice))

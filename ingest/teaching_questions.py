"""What is asked when a gauge is taught, and what the display showed."""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal
from typing import Literal, Self

from schemas.errors import BadInput
from schemas.units import UNIT_WORDS, Unit, unit_of

#: So many readings are asked for; what three do not settle is asked in words.
MOST_READINGS = 3


@dataclass(frozen=True, slots=True)
class Shown:
    """What the gauge's display showed for one line.

    Attributes:
        figures: The figures as a person reads them, such as "82.5" or "82,5".
        unit: The unit; None where the person did not say.
    """

    figures: str
    unit: Unit | None = None

    @classmethod
    def of(cls, text: str) -> Self:
        """Return what *text*, such as "82.5 um", says.

        Raises:
            BadInput: It is no figure with or without a unit.
        """
        match = re.fullmatch(r"\s*([-+\u2212]?\s*[0-9]+(?:[.,][0-9]+)?)\s*([^\W\d_]+)?\s*", text)
        if match is None:
            raise BadInput(f"{text!r} is not what a display shows; write figures and unit, such as 82.5 um")
        figures, word = match.groups()
        unit = unit_of(word) if word else None
        if word and unit is None:
            raise BadInput(f"{text!r}: unknown unit {word!r}; the units are: {', '.join(UNIT_WORDS)}")
        return cls("".join(figures.replace("\u2212", "-").split()), unit)

    @property
    def value(self) -> Decimal:
        """Return the figures as a number; a comma is taken for a decimal mark."""
        return Decimal(self.figures.replace(",", "."))

    @property
    def decimals(self) -> int:
        """Return how many decimals are shown."""
        return max(0, -int(self.value.as_tuple().exponent))

    @property
    def may_be_thousands(self) -> bool:
        """Return whether the comma could part thousands, as in 1,234."""
        return re.fullmatch(r"[-+]?[1-9][0-9]{0,2},[0-9]{3}", self.figures) is not None

    def __str__(self) -> str:
        return f"{self.figures} {self.unit.symbol}" if self.unit else self.figures


@dataclass(frozen=True, slots=True)
class Choice:
    """One of the answers that a question takes.

    Attributes:
        key: What :func:`ingest.teaching.Taught.answer` is given.
        text: The answer in words.
    """

    key: str
    text: str


#: reading: take another reading of the sort that the sentence says. choice: answer with one of the choices.
#: dead end: no profile can be made of these lines; the sentence says why.
QuestionKind = Literal["reading", "choice", "dead end"]


@dataclass(frozen=True, slots=True)
class Question:
    """Something that the lines alone do not tell.

    Attributes:
        key: The same question has the same key, however often it is asked.
        kind: What settles it.
        sentence: The question, for a person.
        choices: The answers of a choice; empty otherwise.
    """

    key: str
    kind: QuestionKind
    sentence: str
    choices: tuple[Choice, ...] = ()


def another_reading(key: str, sentence: str) -> Question:
    """Return the question that a further reading settles."""
    return Question(key, "reading", sentence)


def dead_end(key: str, sentence: str) -> Question:
    """Return what no answer settles."""
    return Question(key, "dead end", sentence)

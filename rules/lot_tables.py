"""The published tables of lot sampling by attributes, as data: which pieces of a lot are measured, and how many may fail.

What is here, and how well it is known:

* CODE_LETTERS: MIL-STD-105E, table I, the same as ISO 2859-1 (read, two public copies agree).
* NORMAL and TIGHTENED: MIL-STD-105E, tables II-A and II-B, for AQL 0.65 to 4.0 (read in a public table developed from
  MIL-STD-105E, all cells recomputed from the diagonal on which both tables are built; rows M to R tightened and row R
  normal from memory, by that pattern).
* LABEL_LOTS: the lot table of the architectural quality label (read, appendix of a public tender text).

* REDUCED: MIL-STD-105E, table II-C, from memory: the diagonal of the other two tables, with its own numbers of pieces
  and a gap between acceptance and rejection. (ISO 2859-1 closed that gap; its reduced plans are not held.)

What is not here, because no copy of it was read: the limit numbers that lead to reduced inspection (table VIII), other
AQLs, double and multiple sampling, and ISO 2859-1's plans with fractional acceptance numbers.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from typing import Final

from rules.sentence import Figures, joined, said
from schemas.vocabulary import Level


class Severity(StrEnum):
    """How severe the inspection of a lot is."""

    NORMAL = "normal"
    TIGHTENED = "tightened"
    REDUCED = "reduced"


class Arrow(StrEnum):
    """A cell that sends to another plan of its column; that plan's own number of pieces is taken."""

    DOWN = "first plan below"
    UP = "first plan above"


@dataclass(frozen=True, slots=True)
class TablePlan:
    """A single sampling plan as a cell of the tables gives it.

    Attributes:
        letter: Code letter of the row in which the plan stands, after any arrow.
        n: Pieces to be measured.
        accept: The lot is accepted with up to this many nonconforming pieces.
        reject: And rejected from this many.
    """

    letter: str
    n: int
    accept: int
    reject: int


@dataclass(frozen=True, slots=True)
class LabelLot:
    """A row of the label's lot table.

    Attributes:
        last: Largest lot of the row, in pieces; the row begins after the one before.
        n: Pieces to be measured; None: all.
        accept: Rejected pieces that are allowed.
    """

    last: int
    n: int | None
    accept: int


#: Largest lot of the row (None: no largest), and its letters for the levels S-1, S-2, S-3, S-4, I, II, III.
CODE_LETTERS: Final[tuple[tuple[int | None, str], ...]] = (
    (8, "AAAAAAB"),
    (15, "AAAAABC"),
    (25, "AABBBCD"),
    (50, "ABBCCDE"),
    (90, "BBCCCEF"),
    (150, "BBCDDFG"),
    (280, "BCDEEGH"),
    (500, "BCDEFHJ"),
    (1200, "CCEFGJK"),
    (3200, "CDEGHKL"),
    (10000, "CDFGJLM"),
    (35000, "CDFHKMN"),
    (150000, "DEGJLNP"),
    (500000, "DEGJMPQ"),
    (None, "DEHKNQR"),
)
#: Lots of fewer pieces are in no row.
SMALLEST_LOT: Final = 2

#: Pieces to be measured for each code letter, normal and tightened inspection alike.
SAMPLE_SIZES: Final[dict[str, int]] = {
    "A": 2,
    "B": 3,
    "C": 5,
    "D": 8,
    "E": 13,
    "F": 20,
    "G": 32,
    "H": 50,
    "J": 80,
    "K": 125,
    "L": 200,
    "M": 315,
    "N": 500,
    "P": 800,
    "Q": 1250,
    "R": 2000,
}

#: The columns of the two tables below: acceptable quality limits in percent nonconforming.
AQLS: Final = (Decimal("0.65"), Decimal("1.0"), Decimal("1.5"), Decimal("2.5"), Decimal("4.0"))

_V: Final = Arrow.DOWN
_A: Final = Arrow.UP

#: Acceptance numbers, normal inspection (table II-A). The rejection number is one more in every cell.
NORMAL: Final[dict[str, tuple[int | Arrow, ...]]] = {
    "A": (_V, _V, _V, _V, _V),
    "B": (_V, _V, _V, _V, 0),
    "C": (_V, _V, _V, 0, _A),
    "D": (_V, _V, 0, _A, _V),
    "E": (_V, 0, _A, _V, 1),
    "F": (0, _A, _V, 1, 2),
    "G": (_A, _V, 1, 2, 3),
    "H": (_V, 1, 2, 3, 5),
    "J": (1, 2, 3, 5, 7),
    "K": (2, 3, 5, 7, 10),
    "L": (3, 5, 7, 10, 14),
    "M": (5, 7, 10, 14, 21),
    "N": (7, 10, 14, 21, _A),
    "P": (10, 14, 21, _A, _A),
    "Q": (14, 21, _A, _A, _A),
    "R": (21, _A, _A, _A, _A),
}

#: Acceptance numbers, tightened inspection (table II-B). The rejection number is one more in every cell.
TIGHTENED: Final[dict[str, tuple[int | Arrow, ...]]] = {
    "A": (_V, _V, _V, _V, _V),
    "B": (_V, _V, _V, _V, _V),
    "C": (_V, _V, _V, _V, 0),
    "D": (_V, _V, _V, 0, _V),
    "E": (_V, _V, 0, _V, _V),
    "F": (_V, 0, _V, _V, 1),
    "G": (0, _V, _V, 1, 2),
    "H": (_V, _V, 1, 2, 3),
    "J": (_V, 1, 2, 3, 5),
    "K": (1, 2, 3, 5, 8),
    "L": (2, 3, 5, 8, 12),
    "M": (3, 5, 8, 12, 18),
    "N": (5, 8, 12, 18, _A),
    "P": (8, 12, 18, _A, _A),
    "Q": (12, 18, _A, _A, _A),
    "R": (18, _A, _A, _A, _A),
}

_TABLES: Final = {Severity.NORMAL: NORMAL, Severity.TIGHTENED: TIGHTENED}

#: Pieces to be measured, reduced inspection (table II-C, from memory).
REDUCED_SIZES: Final[dict[str, int]] = {
    "A": 2,
    "B": 2,
    "C": 2,
    "D": 3,
    "E": 5,
    "F": 8,
    "G": 13,
    "H": 20,
    "J": 32,
    "K": 50,
    "L": 80,
    "M": 125,
    "N": 200,
    "P": 315,
    "Q": 500,
    "R": 800,
}

#: The diagonal of table II-C (from memory): acceptance and rejection numbers, beginning where normal inspection allows none.
_REDUCED_DIAGONAL: Final[tuple[tuple[int, int] | Arrow, ...]] = (
    (0, 1),
    _A,
    _V,
    (0, 2),
    (1, 3),
    (1, 4),
    (2, 5),
    (3, 6),
    (5, 8),
    (7, 10),
    (10, 13),
)


def _reduced() -> dict[str, tuple[tuple[int, int] | Arrow, ...]]:
    # Row F begins with the 0 of the diagonal; each row below lies one step further along.
    letters = list(NORMAL)
    offset = letters.index("F")
    return {
        letter: tuple(_reduced_cell(row - offset + column) for column in range(len(AQLS)))
        for row, letter in enumerate(letters)
    }


def _reduced_cell(along: int) -> tuple[int, int] | Arrow:
    if along < 0:
        return _V
    return _REDUCED_DIAGONAL[along] if along < len(_REDUCED_DIAGONAL) else _A


#: Acceptance and rejection numbers, reduced inspection (table II-C).
REDUCED: Final[dict[str, tuple[tuple[int, int] | Arrow, ...]]] = _reduced()

#: The label's lots: a customer's complete order in one colour, or the part of it that is in the plant (read, same text).
LABEL_LOTS: Final = (
    LabelLot(10, None, 0),
    LabelLot(200, 10, 1),
    LabelLot(300, 15, 1),
    LabelLot(500, 20, 2),
    LabelLot(800, 30, 3),
    LabelLot(1300, 40, 3),
    LabelLot(3200, 55, 4),
    LabelLot(8000, 75, 6),
    LabelLot(22000, 115, 8),
    LabelLot(110000, 150, 11),
)


def code_letter(lot_size: int, level: Level) -> str:
    """Return the code letter for a lot of *lot_size* pieces at *level*.

    Raises:
        ValueError: The lot has fewer than two pieces: the table begins there.
    """
    if lot_size < SMALLEST_LOT:
        raise ValueError(
            said("the table of code letters begins at {least} pieces, not {n}", least=SMALLEST_LOT, n=lot_size)
        )
    column = list(Level).index(level)
    return next(letters[column] for last, letters in CODE_LETTERS if last is None or lot_size <= last)


def table_plan(letter: str, aql: Decimal, severity: Severity) -> TablePlan:
    """Return the single plan for a code *letter* and an *aql* (percent), following the arrows.

    An arrow takes the number of pieces with it: the plan that it leads to is used as it stands there.

    Raises:
        ValueError: There is no such letter or no such column.
    """
    if aql not in AQLS:
        held = joined([Figures(a) for a in AQLS], ", ")
        raise ValueError(said("plans are held for an AQL of {held} percent, not {aql}", held=held, aql=Figures(aql)))
    if letter not in NORMAL:
        raise ValueError(f"{letter!r} is no code letter")
    column = AQLS.index(aql)
    letters = list(NORMAL)
    row = letters.index(letter)
    while True:
        here = letters[row]
        cell = REDUCED[here][column] if severity is Severity.REDUCED else _TABLES[severity][here][column]
        if isinstance(cell, Arrow):
            row += 1 if cell is Arrow.DOWN else -1
        elif isinstance(cell, tuple):
            return TablePlan(here, REDUCED_SIZES[here], *cell)
        else:
            return TablePlan(here, SAMPLE_SIZES[here], cell, cell + 1)


def label_lot(lot_size: int) -> LabelLot:
    """Return the row of the label's table for a lot of *lot_size* pieces.

    Raises:
        ValueError: The lot has no pieces, or more than the last row.
    """
    if lot_size < 1:
        raise ValueError(said("a lot has at least one piece, not {n}", n=lot_size))
    for row in LABEL_LOTS:
        if lot_size <= row.last:
            return row
    last = LABEL_LOTS[-1].last
    raise ValueError(
        said("the label's lot table ends at {last} pieces; {n} are in no row of it", last=last, n=lot_size)
    )

"""Edges of the tables of lot sampling, and what is refused, in words."""

from __future__ import annotations

from decimal import Decimal

import pytest

from rules import lot_tables
from rules.lot_tables import (
    LABEL_LOTS,
    REDUCED,
    Arrow,
    LabelLot,
    Severity,
    TablePlan,
    code_letter,
    label_lot,
    table_plan,
)
from schemas.vocabulary import Level


def test_the_reduced_table_is_one_diagonal() -> None:
    """Rows A to R of MIL-STD-105E, table II-C, AQL 0.65 to 4.0 (from memory)."""
    down, up = Arrow.DOWN, Arrow.UP
    table = lot_tables._reduced()
    assert table == REDUCED
    assert table["A"] == (down,) * 5
    assert table["B"] == (down, down, down, down, (0, 1))
    assert table["F"] == ((0, 1), up, down, (0, 2), (1, 3))
    assert table["L"] == ((1, 4), (2, 5), (3, 6), (5, 8), (7, 10))
    assert table["P"] == ((5, 8), (7, 10), (10, 13), up, up)
    assert table["R"] == ((10, 13), up, up, up, up)


@pytest.mark.parametrize(
    ("letter", "aql", "severity", "plan"),
    [
        pytest.param("J", "1.0", Severity.NORMAL, TablePlan("J", 80, 2, 3), id="where it stands"),
        pytest.param("A", "4.0", Severity.NORMAL, TablePlan("B", 3, 0, 1), id="one down"),
        pytest.param("G", "0.65", Severity.NORMAL, TablePlan("F", 20, 0, 1), id="one up"),
        pytest.param("R", "4.0", Severity.NORMAL, TablePlan("M", 315, 21, 22), id="up through four rows"),
        pytest.param("H", "1.0", Severity.TIGHTENED, TablePlan("J", 80, 1, 2), id="tightened"),
        pytest.param("G", "1.0", Severity.REDUCED, TablePlan("H", 20, 0, 2), id="reduced, down"),
        pytest.param("L", "1.0", Severity.REDUCED, TablePlan("L", 80, 2, 5), id="reduced, with a gap"),
    ],
)
def test_an_arrow_takes_the_number_of_pieces_with_it(
    letter: str, aql: str, severity: Severity, plan: TablePlan
) -> None:
    assert table_plan(letter, Decimal(aql), severity) == plan


def test_the_edges_of_the_rows_of_code_letters() -> None:
    sizes = (2, 8, 9, 15, 16, 150_000, 150_001, 500_000, 500_001)
    assert "".join(code_letter(size, Level.II) for size in sizes) == "AABBCNPPQ"
    assert [code_letter(1200, level) for level in Level] == list("CCEFGJK")


def test_the_edges_of_the_rows_of_the_label() -> None:
    assert [label_lot(size) for size in (1, 10, 11, 200, 201, 110_000)] == [
        LABEL_LOTS[0],
        LABEL_LOTS[0],
        LABEL_LOTS[1],
        LABEL_LOTS[1],
        LABEL_LOTS[2],
        LABEL_LOTS[-1],
    ]
    assert label_lot(1) == LabelLot(10, None, 0)


def test_what_is_in_no_row_is_refused_in_words() -> None:
    with pytest.raises(ValueError, match=r"^the table of code letters begins at 2 pieces, not 1$"):
        code_letter(1, Level.II)
    with pytest.raises(ValueError, match=r"^plans are held for an AQL of 0.65, 1.0, 1.5, 2.5, 4.0 percent, not 2.0$"):
        table_plan("J", Decimal("2.0"), Severity.NORMAL)
    with pytest.raises(ValueError, match=r"^'I' is no code letter$"):
        table_plan("I", Decimal("1.0"), Severity.NORMAL)
    with pytest.raises(ValueError, match=r"^a lot has at least one piece, not 0$"):
        label_lot(0)
    with pytest.raises(ValueError, match=r"^the label's lot table ends at 110000 pieces; 110001 are in no row of it$"):
        label_lot(110_001)

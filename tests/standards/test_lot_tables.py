"""Lot sampling by attributes, cell by cell, and from lot to lot.

Sources, with how well each is known:

* MIL-STD-105E, table I (the same as ISO 2859-1): read, two public copies agree.
* MIL-STD-105E, tables II-A and II-B, AQL 0.65 to 4.0: read and recomputed, against a public table (nibs.org, "developed
  from MIL-STD-105E"); rows M to R tightened and R normal from memory, by the pattern.
* The arrows followed, and the diagonal that generates both tables: derived.
* Lot table of the QUALICOAT label: read, appendix of a QUALIDECO tender text.
* Switching: MIL-STD-105E, 4.7 and 4.8, read. Switching score: ISO 2859-1, read that it exists and starts at 0; its
  points from memory.
"""

from __future__ import annotations

from collections.abc import Iterable
from decimal import Decimal
from fractions import Fraction
from itertools import pairwise

import pytest

from rules.lot_tables import (
    AQLS,
    NORMAL,
    SAMPLE_SIZES,
    TIGHTENED,
    Arrow,
    Severity,
    code_letter,
    label_lot,
    table_plan,
)
from rules.lots import LotOutcome, Standing, plan_for, standing
from rules.operating_characteristic import probability_of_acceptance
from rules.verdict import Verdict
from schemas.vocabulary import Level, Scheme

TABLE_I = """
2-8 A A A A A A B
9-15 A A A A A B C
16-25 A A B B B C D
26-50 A B B C C D E
51-90 B B C C C E F
91-150 B B C D D F G
151-280 B C D E E G H
281-500 B C D E F H J
501-1200 C C E F G J K
1201-3200 C D E G H K L
3201-10000 C D F G J L M
10001-35000 C D F H K M N
35001-150000 D E G J L N P
150001-500000 D E G J M P Q
500001-9999999 D E H K N Q R
"""

TABLE_II_A = """
A 2 ↓ ↓ ↓ ↓ ↓
B 3 ↓ ↓ ↓ ↓ 0/1
C 5 ↓ ↓ ↓ 0/1 ↑
D 8 ↓ ↓ 0/1 ↑ ↓
E 13 ↓ 0/1 ↑ ↓ 1/2
F 20 0/1 ↑ ↓ 1/2 2/3
G 32 ↑ ↓ 1/2 2/3 3/4
H 50 ↓ 1/2 2/3 3/4 5/6
J 80 1/2 2/3 3/4 5/6 7/8
K 125 2/3 3/4 5/6 7/8 10/11
L 200 3/4 5/6 7/8 10/11 14/15
M 315 5/6 7/8 10/11 14/15 21/22
N 500 7/8 10/11 14/15 21/22 ↑
P 800 10/11 14/15 21/22 ↑ ↑
Q 1250 14/15 21/22 ↑ ↑ ↑
R 2000 21/22 ↑ ↑ ↑ ↑
"""

TABLE_II_B = """
A 2 ↓ ↓ ↓ ↓ ↓
B 3 ↓ ↓ ↓ ↓ ↓
C 5 ↓ ↓ ↓ ↓ 0/1
D 8 ↓ ↓ ↓ 0/1 ↓
E 13 ↓ ↓ 0/1 ↓ ↓
F 20 ↓ 0/1 ↓ ↓ 1/2
G 32 0/1 ↓ ↓ 1/2 2/3
H 50 ↓ ↓ 1/2 2/3 3/4
J 80 ↓ 1/2 2/3 3/4 5/6
K 125 1/2 2/3 3/4 5/6 8/9
L 200 2/3 3/4 5/6 8/9 12/13
M 315 3/4 5/6 8/9 12/13 18/19
N 500 5/6 8/9 12/13 18/19 ↑
P 800 8/9 12/13 18/19 ↑ ↑
Q 1250 12/13 18/19 ↑ ↑ ↑
R 2000 18/19 ↑ ↑ ↑ ↑
"""

#: Normal inspection with the arrows followed (derived).
FOLLOWED = """
A,B,C  20,0/1  13,0/1  8,0/1  5,0/1  3,0/1
D  20,0/1  13,0/1  8,0/1  5,0/1  13,1/2
E  20,0/1  13,0/1  8,0/1  20,1/2  13,1/2
F  20,0/1  13,0/1  32,1/2  20,1/2  20,2/3
G  20,0/1  50,1/2  32,1/2  32,2/3  32,3/4
H  80,1/2  50,1/2  50,2/3  50,3/4  50,5/6
J  80,1/2  80,2/3  80,3/4  80,5/6  80,7/8
K  125,2/3  125,3/4  125,5/6  125,7/8  125,10/11
L  200,3/4  200,5/6  200,7/8  200,10/11  200,14/15
M  315,5/6  315,7/8  315,10/11  315,14/15  315,21/22
N  500,7/8  500,10/11  500,14/15  500,21/22  315,21/22
P  800,10/11  800,14/15  800,21/22  500,21/22  315,21/22
Q  1250,14/15  1250,21/22  800,21/22  500,21/22  315,21/22
R  2000,21/22  1250,21/22  800,21/22  500,21/22  315,21/22
"""

LABEL = """
1-10 all 0
11-200 10 1
201-300 15 1
301-500 20 2
501-800 30 3
801-1300 40 3
1301-3200 55 4
3201-8000 75 6
8001-22000 115 8
22001-110000 150 11
"""


def _rows(text: str) -> list[list[str]]:
    return [line.split() for line in text.strip().splitlines()]


(LADDER,) = _rows("0.010 0.015 0.025 0.040 0.065 0.10 0.15 0.25 0.40 0.65 1.0 1.5 2.5 4.0 6.5 10 15")
ARROWS = {"↓": Arrow.DOWN, "↑": Arrow.UP}
PRINTED = {Severity.NORMAL: TABLE_II_A, Severity.TIGHTENED: TABLE_II_B}
HELD = {Severity.NORMAL: NORMAL, Severity.TIGHTENED: TIGHTENED}


def _ends(band: str) -> tuple[int, int]:
    first, last = band.split("-")
    return int(first), int(last)


@pytest.mark.parametrize("row", _rows(TABLE_I), ids=lambda row: row[0])
def test_the_code_letter_is_that_of_table_1_at_both_ends_of_every_row(row: list[str]) -> None:
    for lot_size in _ends(row[0]):
        assert row[1:] == [code_letter(lot_size, level) for level in Level]


def test_the_rows_of_table_1_leave_no_gap() -> None:
    ends = [_ends(row[0]) for row in _rows(TABLE_I)]
    assert all(after[0] == before[1] + 1 for before, after in pairwise(ends))


@pytest.mark.parametrize("severity", HELD)
def test_every_cell_of_the_master_table_is_the_published_one(severity: Severity) -> None:
    rows = _rows(PRINTED[severity])
    assert [row[0] for row in rows] == list(HELD[severity])
    for letter, n, *cells in rows:
        assert int(n) == SAMPLE_SIZES[letter]
        assert len(cells) == len(AQLS)
        for cell, held, aql in zip(cells, HELD[severity][letter], AQLS, strict=True):
            assert held == (ARROWS[cell] if cell in ARROWS else int(cell.split("/")[0]))
            if cell not in ARROWS:
                found = table_plan(letter, aql, severity)
                assert (letter, int(n), cell) == (found.letter, found.n, f"{found.accept}/{found.reject}")


@pytest.mark.parametrize("row", _rows(FOLLOWED), ids=lambda row: row[0])
def test_an_arrow_leads_to_the_plan_with_its_own_number_of_pieces(row: list[str]) -> None:
    for letter in row[0].split(","):
        found = [table_plan(letter, aql, Severity.NORMAL) for aql in AQLS]
        assert row[1:] == [f"{plan.n},{plan.accept}/{plan.reject}" for plan in found]


@pytest.mark.parametrize(
    ("severity", "before", "diagonal"),
    [
        (Severity.NORMAL, Arrow.DOWN, [0, Arrow.UP, Arrow.DOWN, 1, 2, 3, 5, 7, 10, 14, 21]),
        (Severity.TIGHTENED, Arrow.DOWN, [Arrow.DOWN, 0, Arrow.DOWN, Arrow.DOWN, 1, 2, 3, 5, 8, 12, 18]),
    ],
)
def test_both_tables_are_built_on_one_diagonal(severity: Severity, before: Arrow, diagonal: list[int | Arrow]) -> None:
    """Step down a letter and to the next smaller AQL, and the acceptance number stays; 0 stands at A, 6.5 (derived)."""
    letters = list(HELD[severity])
    for i, letter in enumerate(letters):
        for aql, held in zip(AQLS, HELD[severity][letter], strict=True):
            d = i + LADDER.index(str(aql)) - LADDER.index("6.5")
            expected = before if d < 0 else diagonal[d] if d < len(diagonal) else Arrow.UP
            assert held == expected, (letter, aql)


@pytest.mark.parametrize("letter", SAMPLE_SIZES)
def test_tightened_inspection_never_accepts_a_lot_more_easily_than_normal(letter: str) -> None:
    for aql in AQLS:
        normal, tightened = (table_plan(letter, aql, severity) for severity in (Severity.NORMAL, Severity.TIGHTENED))
        for percent in (1, 2, 5, 10):
            share = Fraction(percent, 100)
            accepted = [probability_of_acceptance(plan.n, plan.accept, share) for plan in (normal, tightened)]
            assert accepted[1] <= accepted[0]


def test_a_plan_of_as_many_pieces_as_the_lot_or_more_measures_every_piece() -> None:
    """Level II, AQL 0.65, up to 90 pieces: letters A to E lead to 20 pieces, 0/1."""
    small = plan_for(20, Scheme.ATTRIBUTES, Level.II, Decimal("0.65"))
    assert (small.n, small.every_piece, small.accept) == (20, True, 0)
    smaller = plan_for(7, Scheme.ATTRIBUTES, Level.II, Decimal("0.65"))
    assert (smaller.n, smaller.every_piece) == (7, True)
    larger = plan_for(21, Scheme.ATTRIBUTES, Level.II, Decimal("0.65"))
    assert (larger.n, larger.every_piece) == (20, False)


@pytest.mark.parametrize("row", _rows(LABEL), ids=lambda row: row[0])
def test_the_label_plan_is_that_of_its_lot_table_at_both_ends_of_every_row(row: list[str]) -> None:
    for lot_size in _ends(row[0]):
        plan = plan_for(lot_size, Scheme.LABEL)
        assert (lot_size if row[1] == "all" else int(row[1]), int(row[2])) == (plan.n, plan.accept)
        assert plan.reject == plan.accept + 1


@pytest.mark.parametrize(
    ("letter", "aql", "plan"),
    [
        ("F", "2.5", ("F", 8, 0, 2)),
        ("F", "4.0", ("F", 8, 1, 3)),
        ("D", "1.5", ("D", 3, 0, 1)),
        ("D", "2.5", ("C", 2, 0, 1)),
        ("J", "1.0", ("J", 32, 1, 3)),
        ("K", "2.5", ("K", 50, 3, 6)),
        ("L", "4.0", ("L", 80, 7, 10)),
        ("A", "4.0", ("B", 2, 0, 1)),
        ("R", "4.0", ("M", 125, 10, 13)),
    ],
)
def test_reduced_plans_measure_fewer_and_leave_a_gap(letter: str, aql: str, plan: tuple[str, int, int, int]) -> None:
    """MIL-STD-105E, table II-C: from memory."""
    found = table_plan(letter, Decimal(aql), Severity.REDUCED)
    assert (found.letter, found.n, found.accept, found.reject) == plan


def test_what_the_tables_do_not_hold_is_refused_not_guessed() -> None:
    with pytest.raises(ValueError, match="variables_plan"):
        plan_for(500, Scheme.VARIABLES, Level.II, Decimal("1.0"))
    with pytest.raises(ValueError, match="AQL of 0.65"):
        plan_for(500, Scheme.ATTRIBUTES, Level.II, Decimal("6.5"))
    with pytest.raises(ValueError, match="ends at 110000"):
        label_lot(110001)
    with pytest.raises(ValueError, match="begins at 2"):
        code_letter(1, Level.II)
    with pytest.raises(ValueError, match="no code letter"):
        table_plan("I", Decimal("1.0"), Severity.NORMAL)


# Switching: MIL-STD-105E, 4.7 and 4.8 (read)


def _lots(results: str, severity: Severity = Severity.NORMAL, first: int = 1, accept: int = 1) -> list[LotOutcome]:
    """Return a lot for each letter: a accepted, r rejected, u undecided."""
    verdicts = {"a": Verdict.PASS, "r": Verdict.FAIL, "u": Verdict.UNDECIDED}
    return [
        LotOutcome(f"{first + i}", severity, verdicts[result], accept, accept + 1 if result == "r" else 0)
        for i, result in enumerate(results)
    ]


def _after(*parts: Iterable[LotOutcome], wanted: bool = False) -> Standing:
    return standing([lot for part in parts for lot in part], reduced_wanted=wanted)


@pytest.mark.parametrize(
    ("results", "severity"),
    [
        ("", "normal"),
        ("r", "normal"),
        ("rr", "tightened"),
        ("rar", "tightened"),
        ("raar", "tightened"),
        ("raaar", "tightened"),
        ("raaaar", "normal"),
        ("aaaaaaaaraaar", "tightened"),
    ],
)
def test_two_of_up_to_five_consecutive_lots_rejected_lead_to_tightened_inspection(results: str, severity: str) -> None:
    assert _after(_lots(results)).severity == severity


@pytest.mark.parametrize(
    ("results", "severity"),
    [("aaaa", "tightened"), ("aaaaa", "normal"), ("aaaraaaa", "tightened"), ("raaaaa", "normal")],
)
def test_five_consecutive_lots_accepted_lead_back_to_normal_inspection(results: str, severity: str) -> None:
    assert _after(_lots("rr"), _lots(results, Severity.TIGHTENED, 3)).severity == severity


def test_resubmitted_lots_are_passed_over() -> None:
    again = LotOutcome("1 again", Severity.NORMAL, Verdict.FAIL, 1, 5, resubmitted=True)
    assert _after(_lots("r"), [again]).severity is Severity.NORMAL


def test_five_lots_not_accepted_on_tightened_stop_acceptance_until_the_cause_is_put_right() -> None:
    parts = [_lots("rr"), _lots("rarrraar", Severity.TIGHTENED, 3)]
    assert not _after(parts[0], parts[1][:-1]).stopped
    stopped = _after(*parts)
    assert stopped.stopped
    assert "lot 10: stopped, 5 lots" in stopped.changes[-1]
    with pytest.raises(ValueError, match="nothing is said to have been put right"):
        _after(*parts, _lots("a", Severity.TIGHTENED, 11))
    right = LotOutcome("11", Severity.TIGHTENED, Verdict.PASS, 1, 0, corrected=True)
    resumed = _after(*parts, [right])
    assert (resumed.stopped, resumed.severity, resumed.accepted_in_a_row) == (False, Severity.TIGHTENED, 1)
    assert resumed.not_accepted_on_tightened == 0


def test_the_count_of_rejected_lots_begins_anew_on_normal_inspection() -> None:
    parts = [_lots("rr"), _lots("rrrraaaaa", Severity.TIGHTENED, 3), _lots("r", first=12)]
    assert (_after(*parts).severity, _after(*parts).not_accepted_on_tightened) == (Severity.NORMAL, 0)


def test_a_lot_that_was_inspected_less_severely_than_due_is_refused() -> None:
    with pytest.raises(ValueError, match="lot 3 was inspected as normal; tightened inspection was due"):
        _after(_lots("rra"))


@pytest.mark.parametrize(
    ("lot", "score"),
    [
        pytest.param((0, 0), 2, id="acceptance number 0"),
        pytest.param((1, 1), 2, id="acceptance number 1, as many found"),
        pytest.param((2, 1), 3, id="acceptance number 2, also accepted at 1"),
        pytest.param((2, 2), 0, id="acceptance number 2, not accepted at 1"),
        pytest.param((5, 3), 3, id="acceptance number 5, also accepted at 3"),
        pytest.param((5, 4), 0, id="acceptance number 5, not accepted at 3"),
        pytest.param((21, 14), 3, id="acceptance number 21, also accepted at 14"),
    ],
)
def test_the_switching_score_of_iso_2859_1(lot: tuple[int, int], score: int) -> None:
    """The points are from memory; one AQL step tighter in the same row is the number before (derived)."""
    accept, found = lot
    before = _lots("a")
    assert before[0].accept == 1
    after = _after(before, [LotOutcome("2", Severity.NORMAL, Verdict.PASS, accept, found)])
    assert after.score == (2 + score if score else 0)


def test_one_step_tighter_is_the_number_before_in_the_table_itself() -> None:
    """Where a row has the next smaller AQL as a plan of the same row, it is what the score compares with."""
    for letter, cells in NORMAL.items():
        for tighter, cell in pairwise(cells):
            if not isinstance(cell, Arrow) and cell >= 2:
                assert not isinstance(tighter, Arrow)
                lots = [LotOutcome("1", Severity.NORMAL, Verdict.PASS, cell, found) for found in (tighter, tighter + 1)]
                assert [standing([lot]).score for lot in lots] == [3, 0], letter


def test_reduced_inspection_needs_a_score_of_thirty_steady_production_and_that_it_is_wanted() -> None:
    fourteen, fifteen = _lots("a" * 14), _lots("a" * 15)
    assert (_after(fourteen).score, _after(fourteen).may_reduce) == (28, False)
    assert (
        _after(fifteen).score,
        _after(fifteen).may_reduce,
        _after(fifteen).severity,
    ) == (30, True, Severity.NORMAL)
    assert _after(fifteen, wanted=True).severity is Severity.REDUCED
    unsteady = LotOutcome("15", Severity.NORMAL, Verdict.PASS, 1, 0, steady=False)
    assert _after(fourteen, [unsteady], wanted=True).severity is Severity.NORMAL


@pytest.mark.parametrize(
    "lot",
    [
        pytest.param(LotOutcome("16", Severity.REDUCED, Verdict.FAIL, 1, 4), id="not accepted"),
        pytest.param(LotOutcome("16", Severity.REDUCED, Verdict.PASS, 1, 2), id="between the two numbers"),
        pytest.param(LotOutcome("16", Severity.REDUCED, Verdict.PASS, 1, 0, steady=False), id="not steady"),
        pytest.param(LotOutcome("16", Severity.REDUCED, Verdict.UNDECIDED, 1, 0), id="undecided (our choice)"),
    ],
)
def test_reduced_inspection_ends_with_the_first_lot_that_is_not_plainly_good(lot: LotOutcome) -> None:
    good = LotOutcome("16", Severity.REDUCED, Verdict.PASS, 1, 1)
    assert _after(_lots("a" * 15), [good], wanted=True).severity is Severity.REDUCED
    ended = _after(_lots("a" * 15), [lot], wanted=True)
    assert (ended.severity, ended.score) == (Severity.NORMAL, 0)


def test_an_undecided_lot_breaks_a_row_and_does_not_keep_two_rejected_lots_apart() -> None:
    assert _after(_lots("rr"), _lots("aaaaua", Severity.TIGHTENED, 3)).severity is Severity.TIGHTENED
    assert _after(_lots("rauuuuar")).severity is Severity.TIGHTENED
    assert _after(_lots("aau")).score == 0

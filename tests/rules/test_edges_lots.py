"""Lots, their sentences and where a series of lots stands: edges that a change could move unnoticed."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import pytest

from rules.lot_tables import Severity
from rules.lots import LotOutcome, MeasuredPiece, Plan, Standing, _below, draw, judge_lot, plan_for, standing
from rules.verdict import Finding, Verdict
from schemas.vocabulary import Level, Scheme

NORMAL, TIGHTENED, REDUCED = Severity.NORMAL, Severity.TIGHTENED, Severity.REDUCED
VERDICTS = {"p": Verdict.PASS, "f": Verdict.FAIL, "u": Verdict.UNDECIDED, "b": Verdict.FAIL}


def _plan(accept: int = 1, reject: int = 2, kind: Scheme = Scheme.ATTRIBUTES, n: int = 5, lot_size: int = 60) -> Plan:
    return Plan(kind, n, accept, reject, "the shop's own copy", "stated by the shop", lot_size, "")


def _pieces(results: str) -> list[MeasuredPiece]:
    """Return a piece for each letter: p conforms, f does not, u undecided, b fails with a value under 80 %."""
    return [MeasuredPiece(f"{i}", VERDICTS[result], result == "b") for i, result in enumerate(results, 1)]


def _lots(results: str, severity: Severity = NORMAL, *, first: int = 1, accept: int = 1) -> list[LotOutcome]:
    return [
        LotOutcome(f"{first + i}", severity, VERDICTS[result], accept, 0 if result == "p" else accept + 1)
        for i, result in enumerate(results)
    ]


# The plan


def test_each_kind_of_plan_says_all_that_is_known_of_it() -> None:
    assert plan_for(4, Scheme.EVERY_PIECE) == Plan(
        Scheme.EVERY_PIECE,
        4,
        0,
        1,
        "as the order says",
        "common practice, no source",
        4,
        "Every piece of the lot (4) is measured; none may be nonconforming.",
    )
    assert plan_for(150, Scheme.LABEL) == Plan(
        Scheme.LABEL,
        10,
        1,
        2,
        "lot table of the quality label for coated architectural aluminium",
        "read, in a public tender text that quotes it",
        150,
        "Of a lot of 150, 10 pieces, taken at random; at most 1 may be rejected.",
    )
    assert plan_for(60, Scheme.ATTRIBUTES, aql=Decimal("4.0")) == Plan(
        Scheme.ATTRIBUTES,
        13,
        1,
        2,
        "MIL-STD-105E, tables I, II-A, II-B and II-C (the single plans of ISO 2859-1)",
        "read in public copies and recomputed; the rows of the largest samples from memory, by the tables' own pattern",
        60,
        "Single sampling by attributes, normal inspection, level II, AQL 4.0 %: code letter E. Of a lot of 60, 13 pieces; "
        "accepted with up to 1 nonconforming, rejected from 2.",
    )


def test_a_reduced_plan_is_known_otherwise() -> None:
    plan = plan_for(1000, Scheme.ATTRIBUTES, Level.II, Decimal("1.0"), REDUCED)
    assert plan.known == "from memory, by the pattern of the tables for normal and tightened inspection"


def test_a_small_lot_is_measured_whole_and_says_so() -> None:
    plan = plan_for(10, Scheme.ATTRIBUTES, Level.II, Decimal("0.65"))
    assert (plan.n, plan.lot_size, plan.every_piece) == (10, 10, True)
    assert "Of a lot of 10, every piece (10); accepted with up to 0" in plan.text
    label = plan_for(10, Scheme.LABEL).text
    assert label.startswith("Of a lot of 10, every piece (10)")
    assert label.endswith("at most 0 may be rejected.")
    assert not _plan(n=59).every_piece


@pytest.mark.parametrize(
    ("lot_size", "scheme", "sentence"),
    [
        pytest.param(
            5,
            Scheme.VARIABLES,
            "a plan by variables judges measured values, not pieces; see rules.variables_plan",
            id="by variables",
        ),
        pytest.param(0, Scheme.LABEL, "a lot has at least one piece, not 0", id="no piece"),
        pytest.param(
            5,
            Scheme.ATTRIBUTES,
            "sampling by attributes needs an AQL, the acceptable quality limit in percent",
            id="no AQL",
        ),
    ],
)
def test_what_has_no_plan_is_refused_in_words(lot_size: int, scheme: Scheme, sentence: str) -> None:
    with pytest.raises(ValueError, match=f"^{sentence}$"):
        plan_for(lot_size, scheme)


def test_the_edges_of_the_numbers_of_a_plan() -> None:
    assert _plan(0, 1, n=1, lot_size=1).n == 1
    with pytest.raises(ValueError, match=r"^a plan measures 1 to 60 pieces of a lot of 60, not 0$"):
        _plan(n=0)
    with pytest.raises(ValueError, match=r"^a plan measures 1 to 60 pieces of a lot of 60, not 61$"):
        _plan(n=61)
    with pytest.raises(ValueError, match=r"^no plan accepts at -1 and rejects at 1$"):
        _plan(-1, 1)
    with pytest.raises(ValueError, match=r"^no plan accepts at 2 and rejects at 2$"):
        _plan(2, 2)


def test_a_piece_under_the_floor_that_is_said_to_conform_is_refused_in_words() -> None:
    with pytest.raises(ValueError, match=r"^piece 7 has a value under 80 % of the minimum, so it cannot conform$"):
        MeasuredPiece("7", Verdict.PASS, below_floor=True)
    assert not MeasuredPiece("7", Verdict.PASS).below_floor


# The lot


def test_a_lot_that_is_accepted_in_full() -> None:
    assert judge_lot(_plan(), _pieces("pppp" + "f"), 60) == [
        Finding(
            Verdict.PASS,
            "pieces measured",
            "5 pieces of a lot of 60 decided, as many as the plan asks for (5)",
            found=Fraction(5),
            limit=Decimal(5),
        ),
        Finding(
            Verdict.PASS,
            "nonconforming pieces",
            "1 of 5 pieces nonconforming: piece 5; the plan accepts the lot with up to 1. That does not make these "
            "pieces conform: they are set apart",
            found=Fraction(1),
            limit=Decimal(1),
        ),
    ]


def test_a_lot_that_is_not_decided_in_full() -> None:
    assert judge_lot(_plan(n=5, lot_size=5), _pieces("pfu"), 5) == [
        Finding(
            Verdict.UNDECIDED,
            "pieces measured",
            "2 pieces of a lot of 5 decided, fewer than the plan asks for (all 5); measured but undecided, so counted "
            "as neither: piece 3",
            found=Fraction(2),
            limit=Decimal(5),
        ),
        Finding(
            Verdict.UNDECIDED,
            "nonconforming pieces",
            "1 of 2 pieces nonconforming: piece 2; the plan rejects the lot from 2, and too few pieces are decided to "
            "accept it",
            found=Fraction(1),
            limit=Decimal(1),
        ),
    ]


def test_a_lot_without_a_nonconforming_piece_names_none() -> None:
    finding = judge_lot(_plan(), _pieces("ppppp"), 60)[1]
    assert finding.sentence == "0 of 5 pieces nonconforming; the plan accepts the lot with up to 1"


def test_a_lot_that_is_rejected_names_the_pieces() -> None:
    finding = judge_lot(_plan(), _pieces("pffpp"), 60)[1]
    assert finding == Finding(
        Verdict.FAIL,
        "nonconforming pieces",
        "2 of 5 pieces nonconforming: pieces 2 and 3; the plan rejects the lot from 2",
        found=Fraction(2),
        limit=Decimal(1),
    )


def test_a_lot_between_the_two_numbers_is_accepted_and_says_so() -> None:
    finding = judge_lot(_plan(0, 2), _pieces("ppppf"), 60)[1]
    assert finding == Finding(
        Verdict.PASS,
        "nonconforming pieces",
        "1 of 5 pieces nonconforming: piece 5; between the acceptance number 0 and the rejection number 2: accepted. "
        "That does not make these pieces conform: they are set apart",
        found=Fraction(1),
        limit=Decimal(0),
    )


def test_a_lot_of_another_size_says_both_sizes() -> None:
    first, *rest = judge_lot(_plan(), _pieces("ppppp"), 61)
    assert first == Finding(
        Verdict.UNDECIDED,
        "lot size",
        "the plan is for a lot of 60, and this lot has 61 pieces: it needs a plan of its own",
        found=Fraction(61),
        limit=Decimal(60),
    )
    assert len(rest) == 2


def test_more_pieces_than_the_lot_has_says_both_numbers() -> None:
    first, *_ = judge_lot(_plan(0, 1, n=2, lot_size=2), _pieces("ppp"), 2)
    assert first == Finding(
        Verdict.UNDECIDED,
        "lot size",
        "3 pieces measured of a lot that is said to have 2: one of the two is wrong",
        found=Fraction(3),
        limit=Decimal(2),
    )
    assert len(judge_lot(_plan(0, 1, n=2, lot_size=2), _pieces("pp"), 2)) == 2


def test_what_the_label_says_of_the_floor() -> None:
    label = _plan(kind=Scheme.LABEL)
    name = "pieces below 80 % of the minimum"
    none = "no nonconforming piece has a measured value under 80 % of the minimum"
    assert judge_lot(label, _pieces("ppppf"), 60)[2] == Finding(
        Verdict.PASS, name, none, found=Fraction(0), limit=Decimal(0)
    )
    assert judge_lot(label, _pieces("ppp"), 60)[2].verdict is Verdict.UNDECIDED
    assert judge_lot(label, _pieces("pppbb"), 60)[2] == Finding(
        Verdict.FAIL,
        name,
        "pieces 4 and 5 have a measured value under 80 % of the minimum; that is not covered by the rejected pieces "
        "that the table allows",
        found=Fraction(2),
        limit=Decimal(0),
    )
    assert judge_lot(label, _pieces("ppppb"), 60, absorb_below_floor=True)[2] == Finding(
        Verdict.PASS,
        name,
        "piece 5 has a measured value under 80 % of the minimum; by the shop's choice counted among the rejected pieces "
        "that the table allows",
        found=Fraction(1),
    )
    assert judge_lot(label, _pieces("pppb"), 60, absorb_below_floor=True)[2].verdict is Verdict.UNDECIDED


def test_a_lot_of_one_piece_is_a_lot() -> None:
    assert judge_lot(_plan(0, 1, n=1, lot_size=1), _pieces("p"), 1)[0].sentence == (
        "1 piece of a lot of 1 decided, as many as the plan asks for (all 1)"
    )


def test_pieces_that_make_no_lot_are_refused_in_words() -> None:
    twice = [*_pieces("ppp"), *_pieces("pp")]
    with pytest.raises(ValueError, match=r"^a piece counts once; measured more than once: 1 and 2$"):
        judge_lot(_plan(), twice, 60)
    with pytest.raises(ValueError, match=r"^a lot has at least one piece, not 0$"):
        judge_lot(_plan(), [], 0)


# From lot to lot


def test_before_the_first_lot() -> None:
    assert standing([]) == Standing(NORMAL, False, 0, 0, 0, False, ())


def test_one_accepted_lot_on_normal_inspection() -> None:
    assert standing(_lots("p")) == Standing(NORMAL, False, 2, 1, 0, False, ())
    assert standing(_lots("pp")) == Standing(NORMAL, False, 4, 2, 0, False, ())


def test_a_rejected_and_an_undecided_lot_begin_the_row_and_the_score_anew() -> None:
    assert standing(_lots("ppf")) == Standing(NORMAL, False, 0, 0, 0, False, ())
    assert standing(_lots("ppu")) == Standing(NORMAL, False, 0, 0, 0, False, ())
    assert standing(_lots("ppfp")) == Standing(NORMAL, False, 2, 1, 0, False, ())


def test_two_of_five_lots_lead_to_tightened_inspection_and_the_sixth_is_looked_back_on_no_more() -> None:
    assert standing(_lots("fpppf")) == Standing(
        TIGHTENED,
        False,
        None,
        0,
        0,
        False,
        ("after lot 5: tightened inspection, 2 of at most 5 consecutive lots not accepted",),
    )
    assert standing(_lots("fppppf")).severity is NORMAL


def test_an_undecided_lot_does_not_stand_between_two_rejected_ones() -> None:
    assert standing(_lots("fppupf")).severity is TIGHTENED


def test_a_resubmitted_lot_is_passed_over_and_the_next_one_counts() -> None:
    again = LotOutcome("1", NORMAL, Verdict.FAIL, 1, 2, resubmitted=True)
    assert standing([*_lots("f"), again, *_lots("p", first=2)]) == Standing(NORMAL, False, 2, 1, 0, False, ())


TIGHT = _lots("ff")
TIGHT_SAID = "after lot 2: tightened inspection, 2 of at most 5 consecutive lots not accepted"


def test_on_tightened_inspection() -> None:
    assert standing([*TIGHT, *_lots("pp", TIGHTENED, first=3)]) == Standing(
        TIGHTENED, False, None, 2, 0, False, (TIGHT_SAID,)
    )
    assert standing([*TIGHT, *_lots("ppf", TIGHTENED, first=3)]) == Standing(
        TIGHTENED, False, None, 0, 1, False, (TIGHT_SAID,)
    )
    assert standing([*TIGHT, *_lots("fu", TIGHTENED, first=3)]) == Standing(
        TIGHTENED, False, None, 0, 1, False, (TIGHT_SAID,)
    )


def test_five_lots_in_a_row_lead_back_to_normal_and_every_count_begins_anew() -> None:
    back = (TIGHT_SAID, "after lot 8: normal inspection, 5 consecutive lots accepted")
    lots = [*TIGHT, *_lots("fppppp", TIGHTENED, first=3)]
    assert standing(lots) == Standing(NORMAL, False, 0, 0, 0, False, back)
    # The two that led to tightened inspection are no longer looked back on.
    assert standing([*lots, *_lots("f", first=9)]) == Standing(NORMAL, False, 0, 0, 0, False, back)
    assert standing([*TIGHT, *_lots("pppp", TIGHTENED, first=3)]).severity is TIGHTENED


STOPPED = [*TIGHT, *_lots("ffpfff", TIGHTENED, first=3)]
STOPPED_SAID = (TIGHT_SAID, "after lot 8: stopped, 5 lots not accepted on tightened inspection")


def test_five_lots_not_accepted_on_tightened_inspection_stop() -> None:
    assert standing(STOPPED) == Standing(TIGHTENED, True, None, 0, 5, False, STOPPED_SAID)
    assert not standing(STOPPED[:-1]).stopped


def test_after_correction_it_resumes_on_tightened_inspection_with_every_count_at_nothing() -> None:
    corrected = LotOutcome("9", TIGHTENED, Verdict.FAIL, 1, 2, corrected=True)
    assert standing([*STOPPED, corrected]) == Standing(
        TIGHTENED,
        False,
        None,
        0,
        1,
        False,
        (*STOPPED_SAID, "before lot 9: resumed on tightened inspection after correction"),
    )
    accepted = LotOutcome("9", TIGHTENED, Verdict.PASS, 1, 0, corrected=True)
    assert standing([*STOPPED, accepted]).accepted_in_a_row == 1
    with pytest.raises(
        ValueError, match=r"^acceptance was stopped before lot 9, and nothing is said to have been put right$"
    ):
        standing([*STOPPED, *_lots("p", TIGHTENED, first=9)])


def test_a_lot_inspected_otherwise_than_was_due_is_refused_in_words() -> None:
    with pytest.raises(ValueError, match=r"^lot 1 was inspected as tightened; normal inspection was due$"):
        standing(_lots("p", TIGHTENED))


GOOD = _lots("p" * 15)
REDUCED_SAID = "after lot 15: reduced inspection, switching score 30, at least 30"


def test_from_thirty_points_reduced_inspection_may_be_asked_for() -> None:
    assert standing(GOOD[:14]) == Standing(NORMAL, False, 28, 14, 0, False, ())
    assert standing(GOOD) == Standing(NORMAL, False, 30, 15, 0, True, ())
    assert standing(GOOD, reduced_wanted=True) == Standing(REDUCED, False, None, 0, 0, False, (REDUCED_SAID,))


def test_unsteady_production_leads_to_no_reduced_inspection() -> None:
    unsteady = LotOutcome("15", NORMAL, Verdict.PASS, 1, 0, steady=False)
    assert standing([*GOOD[:14], unsteady], reduced_wanted=True) == Standing(NORMAL, False, 30, 15, 0, False, ())


def test_points_by_the_acceptance_number() -> None:
    """2 for a number of 0 or 1; 3 for a larger one where the number one step tighter would have done too, else none."""

    def score(accept: int, nonconforming: int) -> int | None:
        return standing([LotOutcome("1", NORMAL, Verdict.PASS, accept, nonconforming)]).score

    assert [score(0, 0), score(1, 1)] == [2, 2]
    assert [score(2, 1), score(2, 2)] == [3, 0]
    assert [score(3, 2), score(3, 3), score(21, 14), score(21, 15)] == [3, 0, 3, 0]


@pytest.mark.parametrize(
    ("lot", "reason"),
    [
        pytest.param(LotOutcome("17", REDUCED, Verdict.FAIL, 1, 4), "lot not accepted", id="not accepted"),
        pytest.param(LotOutcome("17", REDUCED, Verdict.UNDECIDED, 1, 0), "lot undecided", id="undecided"),
        pytest.param(
            LotOutcome("17", REDUCED, Verdict.PASS, 1, 2),
            "accepted only between the acceptance and the rejection number, with 2 nonconforming",
            id="between",
        ),
        pytest.param(
            LotOutcome("17", REDUCED, Verdict.PASS, 1, 1, steady=False), "production not steady", id="not steady"
        ),
    ],
)
def test_what_ends_reduced_inspection(lot: LotOutcome, reason: str) -> None:
    on = [*GOOD, *_lots("p", REDUCED, first=16)]
    assert standing(on, reduced_wanted=True) == Standing(REDUCED, False, None, 1, 0, False, (REDUCED_SAID,))
    assert standing([*on, lot], reduced_wanted=True) == Standing(
        NORMAL, False, 0, 0, 0, False, (REDUCED_SAID, f"after lot 17: normal inspection, {reason}")
    )


# Which pieces


def test_a_draw_that_cannot_be_made_is_refused_in_words() -> None:
    with pytest.raises(ValueError, match=r"^from a lot of 5, 0 to 5 pieces can be drawn, not 6$"):
        draw(5, 6, "any")
    with pytest.raises(ValueError, match=r"^from a lot of 5, 0 to 5 pieces can be drawn, not -1$"):
        draw(5, -1, "any")


def test_numbers_beyond_the_last_whole_multiple_are_passed_over_so_that_no_piece_is_favoured() -> None:
    """2²⁵⁶ leaves 1 when divided by 3: the largest number would favour the first of three pieces."""
    largest = 2**256 - 1
    assert largest % 3 == 0
    assert _below(3, iter([largest, 5])) == 2
    assert _below(3, iter([largest - 1, 5])) == 2
    assert _below(4, iter([largest])) == 3

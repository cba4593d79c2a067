"""What a lot comes to by its plan, and what is said of the plan: word for word. Numbers are invented."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from fractions import Fraction
from typing import Any

import pytest

from rules.lot_judgement import (
    LotStatement,
    LotTerms,
    characteristic,
    judge_sampling,
    measured_pieces,
    nonconforming_pieces,
    state_plan,
)
from rules.lot_tables import Severity
from rules.lots import Drawn, MeasuredPiece, Plan, draw, drawn_of, plan_for
from rules.operating_characteristic import consumers_risk_pieces, consumers_risk_quality, probability_of_acceptance
from rules.places import PieceLocation
from rules.variables_plan import acceptance_by_values
from rules.verdict import Finding, Verdict
from schemas.job import Sampling
from schemas.units import Unit
from schemas.vocabulary import Scheme
from tests.rules.builders import job, location

PASS, UNDECIDED, FAIL = Verdict.PASS, Verdict.UNDECIDED, Verdict.FAIL


def _sampling(scheme: str, **more: Any) -> Sampling:
    return Sampling.checked({"scheme": scheme, **more}, "sampling")


COUNTING = _sampling("attributes", aql=Decimal("4.0"))
EVERY = _sampling("every-piece")
LABEL = _sampling("architectural-label")
VALUES = _sampling("variables", aql=Decimal("1.0"), letter="C")


def _finding(piece: str | None, verdict: Verdict, check: str = "lowest reading") -> Finding:
    return Finding(verdict, check, f"piece {piece}", piece=piece)


def _places(builds: dict[str, str], lower: str | None = "60", upper: str | None = "90") -> list[PieceLocation]:
    at = job(location("rail", lower, upper), unit="um").location[0]
    return [
        PieceLocation(piece, at, {1: tuple(Fraction(x) for x in figures.split())} if figures else {})
        for piece, figures in builds.items()
    ]


# Pieces


def test_each_piece_has_the_verdict_of_the_findings_that_name_it() -> None:
    places = _places({"1": "70", "2": "70", "3": "70"})
    findings = [
        _finding("1", PASS),
        _finding("2", PASS),
        _finding("2", FAIL),
        _finding(None, FAIL),
        _finding("9", FAIL),
    ]
    assert measured_pieces(places, findings) == [
        MeasuredPiece("1", PASS),
        MeasuredPiece("2", FAIL),
        MeasuredPiece("3", UNDECIDED),
        MeasuredPiece("9", FAIL),
    ]
    assert nonconforming_pieces(findings) == 2
    assert nonconforming_pieces([_finding("1", PASS), _finding(None, FAIL)]) == 0


def test_a_piece_is_below_the_floor_where_its_lowest_measured_value_fails() -> None:
    check = "lowest measured value"
    places = _places({"1": "70", "2": "70", "3": "70"})
    findings = [_finding("1", PASS, check), _finding("2", FAIL, check), _finding("3", FAIL)]
    assert [piece.below_floor for piece in measured_pieces(places, findings)] == [False, True, False]


# The plan as it is stated


def test_a_counting_plan_says_what_it_can_tell() -> None:
    stated = state_plan(COUNTING, LotTerms(60))
    plan = plan_for(60, Scheme.ATTRIBUTES, aql=Decimal("4.0"))
    assert replace(stated, risk="") == LotStatement(
        scheme=Scheme.ATTRIBUTES,
        n=13,
        text=plan.text,
        source=plan.source,
        known=plan.known,
        series="Normal inspection: no change of severity in the series so far.",
        chosen="How the pieces were chosen is not recorded.",
        risk="",
        characteristic=characteristic(plan, Decimal("4.0")),
    )
    assert stated.risk.startswith(
        "Of lots just as good as the AQL of 4 %, 9.3 % are not accepted (producer's risk). Of lots with 26.8 % nonconforming ("
    )
    assert "15" in stated.risk.partition("nonconforming (")[2].partition(")")[0]
    assert stated.risk.endswith("), 10.0 % are still accepted (consumer's risk).")


def test_the_series_is_said_with_its_last_change() -> None:
    changes = ("after lot 2: tightened inspection, so", "after lot 8: normal inspection, then")
    stated = state_plan(COUNTING, LotTerms(60, changes=changes))
    assert stated.series == "Normal inspection; after lot 8: normal inspection, then."
    tightened = state_plan(COUNTING, LotTerms(60, severity=Severity.TIGHTENED))
    assert tightened.series == "Tightened inspection: no change of severity in the series so far."
    assert "tightened inspection" in tightened.text
    assert state_plan(LABEL, LotTerms(60, changes=changes)).series == ""


def test_how_the_pieces_were_chosen_is_said_with_the_seed() -> None:
    drawn = Drawn("W-1031", 60, 3)
    pieces = draw(60, 3, "W-1031")
    assert state_plan(COUNTING, LotTerms(60, drawn=drawn)).chosen == (
        f"Drawn at random before measuring, with the seed W-1031: pieces {pieces[0]}, {pieces[1]} and {pieces[2]} of 1 to 60."
    )


def test_where_every_piece_is_measured_there_is_no_sampling_risk() -> None:
    stated = state_plan(EVERY, LotTerms(4))
    assert (stated.n, stated.characteristic) == (4, None)
    assert stated.risk == "Every piece is measured: no sampling risk."
    assert state_plan(LABEL, LotTerms(10)).characteristic is None


def test_a_plan_of_the_label_has_no_aql_and_so_no_producers_risk() -> None:
    stated = state_plan(LABEL, LotTerms(150))
    assert stated.characteristic is not None
    assert stated.characteristic.producers_risk is None
    assert stated.risk.startswith("Of lots with 33.7 % nonconforming (")
    assert "50" in stated.risk.partition("(")[2].partition(")")[0]
    assert stated.risk.endswith("), 10.0 % are still accepted (consumer's risk).")


def test_a_plan_by_variables_says_what_it_rests_on() -> None:
    stated = state_plan(VALUES, LotTerms(60))
    assert (stated.scheme, stated.n, stated.series) == (Scheme.VARIABLES, 4, "")
    assert stated.text == (
        "By variables, s method, normal inspection: 4 pieces of a lot of 60, one mean each; at each limit the mean lies at "
        "least k = 1.45 standard deviations inside. It holds for values that are about normally distributed and come from "
        "one process."
    )
    assert stated.source == "MIL-STD-414, table B-1, letter C, AQL 1.0, normal inspection"
    assert stated.known == "from memory; two values read, the others agree with each other"
    found = stated.characteristic
    assert found is not None
    accepted = Fraction(acceptance_by_values(4, Decimal("1.45"), Decimal("0.01")))
    assert found.producers_risk == 1 - accepted
    assert (found.consumers_quality, found.consumers_pieces, found.aql) == (None, None, Fraction(1, 100))
    assert [share for share, _ in found.points] == [
        Fraction(n, 1000) for n in (5, 10, 15, 25, 40, 65, 100, 150, 200, 250)
    ]
    assert found.points[6][1] == Fraction(acceptance_by_values(4, Decimal("1.45"), Decimal("0.1")))
    assert stated.risk == (
        f"Of lots just as good as the AQL of 1 %, {float(1 - accepted) * 100:.1f} % are not accepted (producer's risk)."
    )


@pytest.mark.parametrize(
    ("sampling", "lot_size", "sentence"),
    [
        pytest.param(
            COUNTING,
            None,
            "the plan depends on the number of pieces in the lot, and nobody said how many there are",
            id="nobody said how many",
        ),
        pytest.param(VALUES, 3, "the plan measures 4 pieces, and the lot has 3: measure every piece", id="too few"),
    ],
)
def test_a_lot_without_a_plan_is_refused_in_words(sampling: Sampling, lot_size: int | None, sentence: str) -> None:
    with pytest.raises(ValueError, match=f"^{sentence}$"):
        state_plan(sampling, LotTerms(lot_size))
    assert state_plan(VALUES, LotTerms(4)).n == 4


# What the plan can tell


def _plan(n: int, accept: int, reject: int, lot_size: int) -> Plan:
    return Plan(Scheme.ATTRIBUTES, n, accept, reject, "the shop's own copy", "stated by the shop", lot_size, "")


def test_what_a_plan_can_tell_is_its_operating_characteristic() -> None:
    """Of one piece of ten: the share that conforms is the share of lots accepted."""
    found = characteristic(_plan(1, 0, 1, 10), Decimal(10))
    shares = [Fraction(n, 1000) for n in (5, 10, 15, 25, 40, 65, 100, 150, 200, 250, 300, 400, 500)]
    assert found is not None
    assert found.points == tuple((share, 1 - share) for share in shares)
    assert (found.producers_risk, found.consumers_pieces, found.aql) == (Fraction(1, 10), 9, Fraction(1, 10))
    assert str(found.consumers_quality) == "0.9000"
    assert characteristic(_plan(10, 0, 1, 10), Decimal(10)) is None


def test_a_plan_with_a_gap_is_told_by_its_rejection_number() -> None:
    found = characteristic(_plan(5, 0, 3, 50), None)
    assert found is not None
    assert found.points[-1] == (Fraction(1, 2), probability_of_acceptance(5, 2, Fraction(1, 2)))
    assert found.consumers_quality == consumers_risk_quality(5, 2, places=4)
    assert found.consumers_pieces == consumers_risk_pieces(5, 2, 50)


def test_a_plan_that_never_rejects_protects_from_nothing() -> None:
    found = characteristic(_plan(2, 1, 3, 50), None)
    assert found is not None
    assert (found.consumers_quality, found.consumers_pieces, found.producers_risk, found.aql) == (None,) * 4
    assert {accepted for _, accepted in found.points} == {1}
    last = characteristic(_plan(2, 0, 2, 50), None)
    assert last is not None
    assert last.consumers_quality is not None


# The lot


def _judged(
    sampling: Sampling, terms: LotTerms, builds: dict[str, str], findings: list[Finding] | None = None, **limits: Any
) -> list[Finding]:
    places = _places(builds, **limits)
    about = [_finding(piece, PASS) for piece in builds] if findings is None else findings
    return judge_sampling(sampling, terms, places, about, Unit.UM)


THIRTEEN = {f"{n}": "70" for n in range(1, 14)}


def test_the_findings_of_pieces_make_the_lot_and_those_of_the_lot_stay() -> None:
    about_all = _finding(None, PASS, "areas measured")
    findings = [about_all, *(_finding(piece, FAIL if piece == "5" else PASS) for piece in THIRTEEN)]
    found = _judged(COUNTING, LotTerms(60), THIRTEEN, findings)
    assert found[0] is about_all
    assert [(f.check, f.verdict) for f in found[1:]] == [("pieces measured", PASS), ("nonconforming pieces", PASS)]
    assert found[2].sentence.startswith("1 of 13 pieces nonconforming: piece 5;")


def test_a_lot_of_unknown_size_has_no_plan() -> None:
    about_all = _finding(None, PASS, "areas measured")
    assert _judged(COUNTING, LotTerms(None), THIRTEEN, [about_all, _finding("1", FAIL)]) == [
        about_all,
        Finding(
            UNDECIDED,
            "lot size",
            "the job samples the lot, and nobody said how many pieces the lot has: there is no plan",
        ),
    ]


def test_why_there_is_no_plan_is_among_the_findings() -> None:
    about_all = _finding(None, PASS, "areas measured")
    assert _judged(LABEL, LotTerms(110_001), THIRTEEN, [about_all]) == [
        about_all,
        Finding(
            UNDECIDED,
            "plan",
            "there is no plan for this lot: the label's lot table ends at 110000 pieces; 110001 are in no row of it",
        ),
    ]


def test_the_severity_makes_the_plan() -> None:
    normal = _judged(COUNTING, LotTerms(60), THIRTEEN)[1]
    tightened = _judged(COUNTING, LotTerms(60, severity=Severity.TIGHTENED), THIRTEEN)[0]
    assert normal.limit == 1
    assert tightened.limit == plan_for(60, Scheme.ATTRIBUTES, COUNTING.level, COUNTING.aql, Severity.TIGHTENED).n


def test_by_values_the_severity_makes_the_plan_as_well() -> None:
    """Tightened inspection at 1.0 reads the column of 0.65, and letter C has no value there."""
    (found,) = _judged(VALUES, LotTerms(60, severity=Severity.TIGHTENED), {"1": "70"})
    assert found.sentence == (
        "there is no plan for this lot: no plan is held for letter C, AQL 1.0, tightened inspection"
    )


def test_a_piece_below_the_floor_is_absorbed_where_the_job_says_so() -> None:
    ten = {f"{n}": "70" for n in range(1, 11)}
    findings = [_finding(piece, PASS) for piece in ten if piece != "3"]
    findings.append(_finding("3", FAIL, "lowest measured value"))
    assert _judged(LABEL, LotTerms(150), ten, findings)[2].verdict is FAIL
    absorbing = _sampling("architectural-label", absorb_below_floor=True)
    assert _judged(absorbing, LotTerms(150), ten, findings)[2].verdict is PASS


def test_a_series_that_was_stopped_leaves_the_lot_undecided() -> None:
    last = _judged(COUNTING, LotTerms(60, stopped=True), THIRTEEN)[-1]
    assert last == Finding(
        UNDECIDED,
        "series of lots",
        "acceptance is stopped: five lots were not accepted on tightened inspection. Once the cause is put right and the "
        "customer agrees, the job says resumed_on",
    )


def test_by_values_each_location_is_judged_on_the_means_of_its_pieces() -> None:
    """Means 70, 74, 70 and 74: their mean is 72, and s² is 16/3."""
    builds = {"1": "69 71", "2": "74", "3": "70", "4": "74", "5": ""}
    first, second = _judged(VALUES, LotTerms(60), builds, upper=None)
    assert (first.verdict, first.check, first.found, first.limit) == (PASS, "pieces measured", 4, 4)
    assert first.sentence == "rail: 4 pieces measured, as many as the 4 of the plan"
    assert second.sentence.startswith(
        "rail: mean 72.0 µm less 1.45 times the standard deviation 2.309 µm is 68.7 µm, within"
    )
    assert (second.piece, second.location, second.limit) == (None, None, 60)
    assert second.found is not None
    both = _judged(VALUES, LotTerms(60), builds)
    assert [f.check for f in both][2:] == ["mean plus k standard deviations", "estimated share nonconforming"]


def test_by_values_two_locations_are_two_characteristics() -> None:
    rail = _places({"1": "70", "2": "72"}, upper=None)
    at = job(location("lid", "50", None), unit="um").location[0]
    lid = [PieceLocation("1", at, {1: (Fraction(70),)})]
    found = judge_sampling(VALUES, LotTerms(60), [*rail, *lid], [], Unit.UM)
    assert [f.sentence.partition(";")[0] for f in found] == [
        "rail: 2 pieces measured, fewer than the 4 of the plan",
        "lid: 1 piece measured, fewer than the 4 of the plan",
    ]


# The sample as it was drawn


def test_a_sample_that_was_drawn_is_measured_as_drawn() -> None:
    drawn = Drawn("W-1031", 60, 2)
    one, two = map(str, drawn.pieces)
    whole = _judged(COUNTING, LotTerms(60, drawn=drawn), {one: "70", two: "70", "x": "70"})[-1]
    assert whole == Finding(
        PASS, "sample as drawn", "all 2 pieces drawn are measured", found=Fraction(2), limit=Decimal(2)
    )
    part = _judged(COUNTING, LotTerms(60, drawn=drawn), {one: "70", two: ""})[-1]
    assert part == Finding(
        UNDECIDED, "sample as drawn", f"drawn and not measured: piece {two}", found=Fraction(1), limit=Decimal(2)
    )
    none = _judged(COUNTING, LotTerms(60, drawn=drawn), {"x": "70"})[-1]
    assert none.sentence == f"drawn and not measured: pieces {one} and {two}"
    assert none.found == 0


def test_a_sample_drawn_from_a_lot_of_another_size_is_drawn_again() -> None:
    found = _judged(COUNTING, LotTerms(60, drawn=Drawn("W-1031", 61, 2)), {"1": "70"})
    assert found[-1] == Finding(
        UNDECIDED, "sample as drawn", "the sample was drawn from 61 pieces, and the lot has 60: draw again"
    )
    assert [f.check for f in found].count("sample as drawn") == 1


# The note of a draw


def test_a_draw_is_noted_and_read_again() -> None:
    drawn = Drawn("W-1031", 60, 3)
    note = drawn.as_note()
    assert note == "sample drawn before measuring, seed W-1031: 3 of 60 pieces"
    assert drawn_of(["first coat", f"  {note} ", "later"]) == drawn
    assert drawn_of([note, Drawn("other", 1, 1).as_note()]) == Drawn("other", 1, 1)
    assert Drawn("other", 1, 1).as_note() == "sample drawn before measuring, seed other: 1 of 1 piece"
    assert drawn.pieces == draw(60, 3, "W-1031")


@pytest.mark.parametrize(
    "note",
    [
        pytest.param("sample drawn before measuring, seed W-1: 0 of 60 pieces", id="none"),
        pytest.param("sample drawn before measuring, seed W-1: 61 of 60 pieces", id="more than there are"),
        pytest.param("sample drawn before measuring, seed W 1: 3 of 60 pieces", id="two words"),
        pytest.param("a sample drawn before measuring, seed W-1: 3 of 60 pieces", id="something before"),
        pytest.param("sample drawn before measuring, seed W-1: 3 of 60 pieces, so", id="something after"),
    ],
)
def test_what_is_no_note_of_a_draw_is_none(note: str) -> None:
    assert drawn_of([note]) is None


def test_the_edges_of_a_draw() -> None:
    assert Drawn("W", 1, 1).n == 1
    assert Drawn("x" * 60, 5, 5).pieces == (1, 2, 3, 4, 5)
    for seed, lot_size, n in (("", 5, 1), ("W 1", 5, 1), ("x" * 61, 5, 1), ("W", 5, 0), ("W", 5, 6)):
        with pytest.raises(ValueError, match=f"^{n} of {lot_size} pieces with the seed '{seed}' is no draw$"):
            Drawn(seed, lot_size, n)

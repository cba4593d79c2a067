"""What an assessment says of single pieces where its lot is sampled."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from typing import Any

from rules.assessment import assess
from rules.lot_judgement import LotTerms
from rules.results import Assessment, GateState
from rules.verdict import Finding, Verdict
from tests.rules.builders import both_checks, job, location, reading, shop

PASS, FAIL = Verdict.PASS, Verdict.FAIL


def _assessed(sampled: bool = True) -> Assessment:
    """Thirteen pieces of sixty, of which the fifth is too thin; one nonconforming piece is allowed."""
    more: dict[str, Any] = {"sampling": {"scheme": "attributes", "aql": Decimal("4.0")}} if sampled else {}
    the_job = job(location("face", "2.0", "4.0"), **more)
    taken = [reading(n, "1.5" if n == 5 else "3.0", piece=f"{n}", location="face", spot=1) for n in range(1, 14)]
    return assess(the_job, shop(), taken, both_checks(), coats=1, bakes=1, lot=LotTerms(60))


def test_of_an_accepted_lot_the_pieces_that_do_not_conform_are_set_apart() -> None:
    found = _assessed()
    assert (found.coverage.state, found.conformity, found.verdict) == (GateState.COVERED, PASS, PASS)
    assert found.set_apart == ("5",)
    assert found.lot is not None
    assert found.lot.n == 13


def test_of_a_lot_that_is_not_accepted_or_not_sampled_none_is_set_apart() -> None:
    assert replace(_assessed(), conformity=FAIL).set_apart == ()
    plain = _assessed(sampled=False)
    assert (plain.lot, plain.conformity, plain.set_apart) == (None, FAIL, ())


def test_each_piece_is_set_apart_once_and_only_for_what_fails() -> None:
    found = _assessed()
    of_piece = Finding(FAIL, "mean", "piece 9 is thin", piece="9")
    other = Finding(PASS, "mean", "piece 1 is good", piece="1")
    nameless = Finding(FAIL, "mean", "something is thin")
    more = replace(
        found, piece_findings=(of_piece, of_piece, other, nameless), lot_findings=(Finding(FAIL, "x", "y", piece="8"),)
    )
    assert more.set_apart == ("5", "8", "9")


def test_findings_about_pieces_stand_by_location_then_lot_then_piece() -> None:
    found = _assessed()
    of_lot, of_piece = Finding(PASS, "lot", "of the lot", piece="2"), Finding(PASS, "piece", "of the piece", piece="3")
    nameless = Finding(PASS, "lot", "of all")
    more = replace(found, lot_findings=(of_lot, nameless), piece_findings=(of_piece,))
    by_location = [f for place in found.locations for f in place.findings]
    assert len(by_location) == 26
    assert more.about_pieces == (*by_location, of_lot, of_piece)

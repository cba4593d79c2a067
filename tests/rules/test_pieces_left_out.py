"""A piece that was read does not vanish when its readings are excluded; and what contradicts itself is no job."""

from __future__ import annotations

import json
from decimal import Decimal
from fractions import Fraction
from typing import Any

import pytest

from rules.assessment import assess, conformity_of
from rules.guarding import risks
from rules.lot_judgement import LotTerms
from rules.verdict import Finding, Verdict
from schemas.errors import BadInput
from schemas.vocabulary import UNDONE
from tests.rules.builders import at, job, location, reading, shop, verification

ATTRIBUTES = {"scheme": "attributes", "aql": Decimal("2.5")}


def test_excluding_the_only_reading_of_a_failing_piece_never_makes_its_lot_pass() -> None:
    """MIL-STD-105E, tables I and II-A (read): lot of 20, level II, AQL 2.5: 5 pieces, none may fail."""
    taken = [reading(n, "3.0" if n < 6 else "1.0", piece=str(n), spot=1) for n in range(1, 7)]
    checks = [*verification("open", at(8, 45)), *verification("close", at(18), occasion="closing")]
    asked = job(location(), sampling=ATTRIBUTES)

    def judged(last: Any) -> Any:
        rows = [*taken[:-1], last]
        return assess(asked, shop(bracket_limits=False), rows, checks, coats=1, bakes=1, lot=LotTerms(20))

    assert judged(taken[-1]).verdict is Verdict.FAIL
    excluded = reading(6, "1.0", piece="6", spot=1, counted=False, excluded_reason="probe slipped", excluded_by="AM")
    found = judged(excluded)
    # Five others are decided, as many as the plan asks for: but the sixth was read, and nobody knows what it is.
    assert any("measured but undecided, so counted as neither: piece 6" in f.sentence for f in found.lot_findings)
    assert found.verdict is Verdict.UNDECIDED
    undone = reading(6, "1.0", piece="6", spot=1, counted=False, excluded_reason=UNDONE, excluded_by="AM")
    assert judged(undone).verdict is Verdict.PASS


def test_without_a_plan_a_piece_with_nothing_that_counts_leaves_its_inspection_undecided() -> None:
    good = reading(1, "3.0")
    gone = reading(2, "9.0", piece="2", spot=1, counted=False, excluded_reason="not ours", excluded_by="AM")
    assert conformity_of(job(), [good])[2] is Verdict.PASS
    assert conformity_of(job(), [good, gone])[2] is Verdict.UNDECIDED


@pytest.mark.parametrize(
    ("places", "more", "sentence"),
    [
        ([location(lower="2.0", fit={"feature": "hole", "may_change": Decimal(3)})], {}, "lower 2.0 does not fit"),
        ([location(lower="2.0", fit={"feature": "thread", "may_change": Decimal(7)})], {}, "a film of 1.75 mil"),
        ([location(lower="2.0")], {"recoat": {"sheet_max_total": Decimal("1.5")}}, "above recoat.sheet_max_total 1.5"),
        ([location(lower="2.0")], {"rule": {"name": "architectural-aluminium", "floor": Decimal("2.5")}}, "above nominal"),
        ([location()], {"rule": {"name": "shop-rule", "mean_at_least": 1, "each_at_most": Decimal("0.4")}}, "nothing could pass"),
        ([location()], {"rule": {"name": "every-reading", "level": 2}}, "level belongs to sspc-pa2"),
        ([location(lower=None, spots=5, readings_per_spot=3)], {"rule": "sspc-pa2"}, "sspc-pa2 needs lower"),
        ([location()], {"sampling": {"scheme": "architectural-label"}}, "needs rule architectural-label"),
    ],
)  # fmt: skip
def test_a_job_that_contradicts_itself_is_refused(
    places: list[dict[str, Any]], more: dict[str, Any], sentence: str
) -> None:
    with pytest.raises(BadInput, match=sentence):
        job(*places, **more)


def test_the_words_of_a_stored_job_are_taken_as_they_stand() -> None:
    asked = job(location())
    assert type(asked).from_json(asked.to_json()) == asked


def test_what_only_a_guard_band_refuses_is_told_from_a_real_miss() -> None:
    def finding(found: str, *, low: bool, verdict: Verdict = Verdict.FAIL) -> Finding:
        return Finding(verdict, "c", "s", found=Fraction(found), limit=Decimal(2), low=low)

    assert finding("2.0", low=True).by_guard_band
    assert finding("2.0", low=False).by_guard_band
    assert not finding("1.9", low=True).by_guard_band
    assert not finding("2.1", low=False).by_guard_band
    assert not finding("2.1", low=True, verdict=Verdict.PASS).by_guard_band
    assert not Finding(Verdict.FAIL, "c", "s").by_guard_band


def test_the_risk_is_that_of_what_was_decided_by_the_rounding_method_too() -> None:
    """By hand: P(true < limit | found below it) is above one half, and the finding passes."""
    asked = job(location(lower="3", upper=None), rule={"name": "location-means", "comparison": "rounding"})
    taken = [reading(n, shown, spot=1) for n, shown in enumerate(("2.9", "2.9", "3.0"), 1)]
    checks = [*verification("open", at(8, 45)), *verification("close", at(18), occasion="closing")]
    found = assess(asked, shop(bracket_limits=False), taken, checks, coats=1, bakes=1)
    (place,) = found.locations
    assert place.verdict is Verdict.PASS
    assert place.risk is not None
    assert place.risk > Decimal("0.5")
    assert risks((), {}, asked.decision, asked.unit) == {}


def test_a_job_that_an_earlier_edition_sealed_is_read_as_it_stands() -> None:
    only_upper = job(location(spots=5, readings_per_spot=3), rule="sspc-pa2").model_dump(mode="json", exclude_none=True)
    del only_upper["location"][0]["lower"]
    only_upper["rule"]["level"] = 2
    assert type(job()).from_json(json.dumps(only_upper)).location[0].lower is None

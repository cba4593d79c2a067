"""What mutation testing found unguarded at last, a behaviour each."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from fractions import Fraction

import pytest

from rules.assessment import assess
from rules.guarding import guarded
from rules.lot_judgement import LotTerms, state_plan
from rules.lots import Drawn, plan_for
from rules.many import assess_many
from rules.results import Action, Assessment
from rules.verdict import Finding, Verdict
from schemas.job import DecisionTerms, Sampling
from schemas.parquet import table_of
from schemas.readings import READINGS, GaugeReading
from schemas.units import Unit
from schemas.vocabulary import DecisionRule, Scheme
from tests.rules.builders import GAUGE, at, job, location, reading, readings, shop, verification

CHECKS = [*verification("open", at(8, 45)), *verification("close", at(18), occasion="closing")]


def _assess(
    taken: list[GaugeReading], *places: dict[str, object], policy: str = "carried", **more: object
) -> Assessment:
    asked = job(*places, **more)
    return assess(asked, shop(bracket_limits=False, error=policy), taken, CHECKS, coats=1, bakes=1)


def test_two_builds_have_a_standard_deviation_and_one_has_none() -> None:
    two = _assess(readings("3.0 3.2", per_spot=2), location(readings_per_spot=2))
    assert float(two.locations[0].deviation or 0) == pytest.approx(0.02**0.5)
    assert _assess(readings("3.0")).locations[0].deviation is None


def test_a_share_of_readings_says_that_no_guard_band_reaches_it() -> None:
    share = Finding(Verdict.PASS, "share of low readings", "9 of 10 reach", found=Fraction(9, 10), limit=Decimal("0.9"))
    (found,) = guarded([share], {}, DecisionTerms(rule=DecisionRule.GUARD_BAND), Unit.MIL)
    assert found.sentence == "9 of 10 reach; the readings are counted as read, without a guard band"
    assert found.verdict is Verdict.PASS


def test_a_correction_and_its_budget_are_looked_up_at_what_the_gauge_showed() -> None:
    """The standards at 0 and 125 µm read 0.5 µm too much; by F-40 the nearest changes at 20 µm."""
    odd = verification("open", at(8, 45), standards=(("Z-0", "0"), ("F-40", "40")))
    odd = [replace(c, readings_um=[Decimal("42.0"), Decimal("42.0"), Decimal("42.3")], mean_um=Decimal("42.1"), error_um=Decimal("2.1")) if c.standard_id == "F-40" else c for c in odd]  # fmt: skip
    asked = job(location(lower="10", upper=None, readings_per_spot=3), rule="location-means", unit="um")
    close = verification("close", at(18), occasion="closing")
    taken = readings("21 21 21", "um", per_spot=3)
    found = assess(asked, shop(bracket_limits=False, error="corrected"), taken, [*odd, *close], coats=1, bakes=1)
    (place,) = found.locations
    assert place.mean == Fraction("18.9")
    assert place.uncertainty is not None
    # 18.9 µm is nearer to zero, and yet the correction came from F-40.
    assert [c.how for c in place.uncertainty.components if c.name == "standard"] == ["F-40: U 0.8 µm, k = 2"]


def test_what_only_more_readings_can_settle_asks_for_leave_to_take_them() -> None:
    near = readings("2.01 2.02 2.01 2.02 2.01", per_spot=5)
    found = _assess(near, location(readings_per_spot=5), decision={"rule": "guard-band"})
    assert found.verdict is Verdict.FAIL
    assert found.advice[0].action is Action.REMEASURE
    assert found.advice[0].ask_first == (
        "Does the order let more readings be taken than were agreed, before these decide?",
    )


@pytest.mark.parametrize(
    ("masked", "asked"), [(["pin"], "Is pin masked again?"), (["pin", "bore"], "Are pin and bore masked again?")]
)
def test_what_was_masked_is_asked_for_in_good_grammar(masked: list[str], asked: str) -> None:
    places = [location(upper="6.0"), *(location(name, lower=None, upper="9", role="masked") for name in masked)]
    taken = [reading(1, "1.0"), *(reading(n, "0.1", location=name, spot=1) for n, name in enumerate(masked, 2))]
    recoat = {"added_low": Decimal("1.5"), "added_high": Decimal("2.0")}
    found = _assess(taken, *places, recoat=recoat)
    (again,) = [a for a in found.advice if a.action is Action.RECOAT]
    assert asked in again.ask_first


def test_every_piece_is_not_taken_at_random() -> None:
    assert plan_for(7, Scheme.LABEL).text == "Of a lot of 7, every piece (7); at most 0 may be rejected."
    assert plan_for(11, Scheme.LABEL).text == "Of a lot of 11, 10 pieces, taken at random; at most 1 may be rejected."


@pytest.mark.parametrize(("n", "more"), [(60, ""), (61, " and 1 more")])
def test_sixty_pieces_that_were_drawn_are_named_and_then_counted(n: int, more: str) -> None:
    drawn = Drawn("seed", 400, n)
    said = state_plan(Sampling(scheme=Scheme.EVERY_PIECE), LotTerms(400, drawn=drawn)).chosen
    assert all(str(piece) in said for piece in drawn.pieces[:59])
    assert more in said
    assert (" more of 1 to 400." in said) is bool(more)


def test_each_earlier_inspection_of_a_lot_is_a_sentence_of_its_own() -> None:
    terms = LotTerms(5, shown_before=("it was seen", "and seen again"))
    assert state_plan(Sampling(scheme=Scheme.EVERY_PIECE), terms).series == (
        "Shown again: it was seen. Shown again: and seen again."
    )


def test_a_miss_without_a_limit_is_no_miss_of_a_guard_band() -> None:
    assert not Finding(Verdict.FAIL, "c", "s", found=Fraction(1), low=True).by_guard_band
    assert not Finding(Verdict.FAIL, "c", "s", limit=Decimal(1), low=True).by_guard_band


def test_an_inspection_of_several_locations_is_decided_at_once() -> None:
    asked = job(location("face"), location("back"))
    rows = [reading(1, "3.0", location="face", spot=1), reading(2, "3.0", location="back", spot=1)]
    found = assess_many(asked, shop(bracket_limits=False), table_of(READINGS, rows), CHECKS)["I-1"]
    assert found is not None
    assert found.verdict is Verdict.PASS
    assert rows[0].gauge_serial == GAUGE


def test_the_risk_of_a_rejected_number_is_that_it_is_really_inside() -> None:
    # A mean just under its limit: more likely outside than inside, so the risk of rejecting wrongly is below one half.
    taken = readings("1.99 1.98 1.99", per_spot=3)
    (place,) = _assess(taken, location(readings_per_spot=3), rule="location-means").locations
    assert place.verdict is Verdict.FAIL
    assert place.risk is not None
    assert 0 < place.risk < Decimal("0.5")
    assert "rejects what is really inside" in place.risk_sentence


def test_the_consumers_risk_of_a_plan_names_the_pieces_of_this_very_lot() -> None:
    """Hypergeometric, n 13 of 40, Ac 1: with 10 nonconforming pieces accepted at most 10 times in 100 (by hand)."""
    plan = state_plan(Sampling(scheme=Scheme.ATTRIBUTES, aql=Decimal("4.0")), LotTerms(40))
    assert "(in this lot: 10 of 40 pieces), 10.0 % are still accepted (consumer's risk)" in plan.risk

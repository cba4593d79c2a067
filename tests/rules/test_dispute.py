"""What two parties' results come to; and that neither party is the measure of the other."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.dispute import Action, Comparison, compare
from rules.parties import Accurate, Budgeted, Checked, Party, Result, Stated, Terms, budgeted
from rules.party_explanations import Cause, Standing
from rules.party_places import Bearing, renamed
from rules.results import GateState
from rules.uncertainty import Component, Kind, Spread, budget
from schemas.units import Unit
from tests.rules.two_parties import UNKNOWN, party, result

FACES = ("front", "back", "edge", "corner", "hidden")


def _compared(one: Party, other: Party, unit: Unit = Unit.UM) -> Comparison:
    return compare(one, other, unit)


def _actions(of: Comparison) -> list[Action]:
    return [step.action for step in of.steps]


# the answer


def test_differences_within_both_uncertainties_mean_nothing_and_nothing_is_to_do() -> None:
    found = _compared(party("A", {"front": "80"}), party("B", {"front": "82.8"}))
    assert found.bearing is Bearing.WITHIN
    assert found.conclusion == "No difference means anything: at 1 location all lie within both uncertainties"
    assert _actions(found) == [Action.NOTHING]
    assert found.explanations == ()


def test_where_one_uncertainty_is_not_known_the_answer_names_the_one_that_is() -> None:
    one = party("A", {"front": result("80", u="3"), "back": result("60", u="3")})
    other = party("B", {"front": result("82", u=None), "back": result("61", u=None)})
    found = _compared(one, other)
    assert found.bearing is Bearing.WITHIN
    assert found.conclusion == (
        "No difference means anything: at 2 locations all lie within the one uncertainty that is known"
    )
    assert found.conclusion == _compared(other, one).conclusion
    (step,) = found.steps
    assert step.sentence.startswith("The figures agree whatever uncertainty B does not state")
    mixed = party("B", {"front": result("82", u=None), "back": result("61", u="1")})
    assert _compared(one, mixed).conclusion == (
        "No difference means anything: of those at 2 locations 1 lies within both uncertainties and 1 lies within the one "
        "uncertainty that is known"
    )
    silent = [party(name, {"front": result("80", u=None)}) for name in "AB"]
    assert _compared(*silent).conclusion == "No difference means anything: at 1 location there is none at all"


def test_one_difference_beyond_is_enough() -> None:
    found = _compared(party("A", {"front": "80", "back": "60"}), party("B", {"front": "80", "back": "63"}))
    assert found.bearing is Bearing.BEYOND
    assert found.conclusion == (
        "The difference at back means something: more than both uncertainties allow (1 of 2 locations)"
    )
    assert [p.bearing for p in found.places] == [Bearing.WITHIN, Bearing.BEYOND]
    # By hand: 3 / √(2² + 2²)
    assert found.places[1].error is not None
    assert float(found.places[1].error.value) == pytest.approx(-3 / 8**0.5)


def test_where_one_uncertainty_is_not_stated_what_it_would_have_to_be_is_said() -> None:
    one = party("A", {"front": result("80", u="3"), "back": result("60", u="3")})
    other = party("B", {"front": result("85", u=None), "back": result("62", u=None)})
    found = _compared(one, other)
    assert found.bearing is Bearing.OPEN
    assert [p.needed_um for p in found.places] == [Decimal(4), None]  # 3² + 4² = 5²; 2 is less than 3
    assert [p.bearing for p in found.places] == [Bearing.OPEN, Bearing.WITHIN]
    assert _actions(found)[0] is Action.ASK_UNCERTAINTY
    assert found.steps[0].sentence.split(": ")[1].startswith("B.")


def test_equal_figures_mean_nothing_whatever_is_stated() -> None:
    found = _compared(party("A", {"f": result("80", u=None)}), party("B", {"f": result("80", u=None)}))
    assert found.bearing is Bearing.WITHIN


def test_locations_are_matched_whatever_their_case_and_blanks_and_others_are_named() -> None:
    one = party("A", {"Front  face": "80", "back": "60"})
    found = _compared(one, party("B", {"front face": "80", "edge": "70"}))
    assert [p.location for p in found.places] == ["Front  face"]
    assert (found.only_first, found.only_second) == (("back",), ("edge",))


def test_parties_without_a_location_in_common_and_parties_of_one_name_are_refused() -> None:
    with pytest.raises(ValueError, match="no location in common"):
        _compared(party("A", {"front": "80"}), party("B", {"back": "80"}))
    with pytest.raises(ValueError, match="both parties are called 'A'"):
        _compared(party("A", {"front": "80"}), party("A", {"front": "80"}))


def test_renaming_knows_its_locations_and_makes_no_two_alike() -> None:
    results = party("B", {"Vorne": "80", "Hinten": "60"}).results
    assert list(renamed(results, {"vorne": "front"})) == ["front", "Hinten"]
    with pytest.raises(ValueError, match="no location 'Seite'"):
        renamed(results, {"Seite": "edge"})
    with pytest.raises(ValueError, match="two locations would be called"):
        renamed(results, {"Vorne": "hinten"})


# one standard for both


def _with_standard(mean_um: str, standard: str, other_um: str = "0.6") -> Result:
    components = [
        Component("gauge accuracy", Decimal(other_um), None, "", Kind.B),
        Component("standard", Decimal(1), None, "", Kind.B),
    ]
    made = budget(components)
    return Result((Fraction(mean_um),), 1, budgeted(made, made), standard=standard)


def test_what_one_standard_brings_to_both_is_taken_out_and_may_decide() -> None:
    """u = 0.6 and 1 each; apart U = 2·√(2·1.36) = 3.30, with the standard taken out 2·√(2·0.36) = 1.70."""
    one = party("A", {"front": _with_standard("80", "S-80")})
    found = _compared(one, party("B", {"front": _with_standard("82", "S-80")}))
    (place,) = found.places
    assert place.error is not None
    assert place.taken_apart is not None
    assert float(place.error.expanded) == pytest.approx(1.697, abs=0.001)
    assert float(place.taken_apart.expanded) == pytest.approx(3.298, abs=0.001)
    assert place.bearing is Bearing.BEYOND
    assert any("S-80" in r and "At front that decides: |E_n| is 1.18, and 0.61" in r for r in found.remarks)
    apart = _compared(one, party("B", {"front": _with_standard("82", "S-81")}))
    assert apart.places[0].shared is None
    assert apart.bearing is Bearing.WITHIN


def test_a_stated_uncertainty_holds_the_standard_as_the_other_party_knows_it() -> None:
    one = party("A", {"front": _with_standard("80", "S-80")})
    stated = result("82", u="3", standard="S-80")
    (place,) = _compared(one, party("B", {"front": stated})).places
    assert place.error is not None
    # 2²·1.36 + 3² - 2·2·2
    assert float(place.error.square) == pytest.approx(6.44, abs=0.001)
    small = result("82", u="1", standard="S-80")
    assert _compared(one, party("B", {"front": small})).places[0].shared is None


# limits and rules


def _limited(*figures: str, u: str = "9") -> Result:
    return result(*figures, u=u, lower_um="60", upper_um="100")


def test_a_mean_that_conforms_over_readings_that_do_not_is_a_matter_of_the_rule() -> None:
    one = party("A", {"front": _limited("58", "70", "82")}, judges="Location means")
    found = _compared(one, party("B", {"front": ("69", "70", "71")}, judges="Every reading"))
    assert found.bearing is Bearing.WITHIN
    assert found.about_limits == (
        "front: the mean of A lies within the limits (60 to 100 µm), 1 of its 3 readings does not: whoever judges means "
        "accepts it, whoever judges every reading rejects it.",
        "The parties judge by different rules: Every reading and Location means.",
    )
    assert _actions(found) == [Action.SETTLE_RULE, Action.NOTHING]


def test_a_limit_between_the_two_means_is_said_and_on_the_limit_is_inside() -> None:
    found = _compared(party("A", {"front": _limited("60")}), party("B", {"front": "59.9"}))
    assert found.about_limits == ("front: by the mean, A lies within the limits (60 to 100 µm) and B does not.",)
    (at,) = found.at_limits
    assert (at.first_mean_inside, at.second_mean_inside, at.outside) == (True, False, (0, 1))


def test_other_limits_of_the_other_party_are_said() -> None:
    narrow = result("70", lower_um="65", upper_um="90")
    found = _compared(party("A", {"front": _limited("70")}), party("B", {"front": narrow}))
    assert any("different limits" in sentence for sentence in found.about_limits)


# what else is worth knowing


def test_a_spread_that_chance_does_not_explain_is_said() -> None:
    wide = ("60", "100", "70", "90", "80", "65", "95", "75")
    near = ("80", "81", "80", "79", "80", "81", "79", "80")
    found = _compared(party("A", {"front": wide}), party("B", {"front": near}))
    assert any("The readings of A vary more within a location than those of B" in r for r in found.remarks)
    alike = _compared(party("A", {"front": wide}), party("B", {"front": wide}))
    assert not any("vary more" in r for r in alike.remarks)


def test_the_spread_is_tested_as_scipy_tests_it() -> None:
    """Two-sided F test of two variances, independent library scipy: the bound of 1 % from both sides."""
    from scipy import stats

    base = [Fraction(v) for v in (-3, -1, 0, 1, 3)]
    ratio = stats.f.isf(0.005, 4, 4)
    for factor, said in ((0.999, False), (1.001, True)):
        scale = Fraction(str(round((ratio * factor) ** 0.5, 9)))
        one = Party(
            "A", {"f": Result(tuple(80 + b * scale for b in base), 5, Stated(Decimal(9)))}, Unit.UM, True, UNKNOWN
        )
        other = Party("B", {"f": Result(tuple(80 + b for b in base), 5, Stated(Decimal(9)))}, Unit.UM, True, UNKNOWN)
        assert any("vary more" in r for r in _compared(one, other).remarks) is said


def test_numbers_of_readings_that_differ_are_said() -> None:
    found = _compared(party("A", {"front": ("80", "81", "82", "79")}), party("B", {"front": "80"}))
    assert any("A took 4 and B took 1" in r for r in found.remarks)


def test_what_could_not_be_noticed_is_said() -> None:
    found = _compared(party("A", {"front": result("80", u="3")}), party("B", {"front": result("80", u="4")}))
    assert any("smaller than 5.0 µm (by location) could not be noticed" in r for r in found.remarks)


def test_one_of_many_may_lie_beyond_by_chance() -> None:
    many = {f"place {n}": "80" for n in range(12)}
    found = _compared(party("A", many), party("B", many | {"place 3": "83"}))
    # By hand: 1 - 0.9545^12 = 0.428
    assert any("probability of 42 %" in r or "probability of 43 %" in r for r in found.remarks)


# what to do


def test_a_dispute_goes_from_settling_over_measuring_together_to_the_referee() -> None:
    one = party("A", {place: result("70", subtracted_um="12") for place in FACES})
    found = _compared(one, party("B", dict.fromkeys(FACES, "82"), says_subtracted=False))
    actions = _actions(found)
    assert actions[0] is Action.SETTLE
    assert actions[-5:] == [
        Action.SAME_SPOT,
        Action.ONE_STANDARD,
        Action.SAME_FOOTING,
        Action.COMPARE_AGAIN,
        Action.REFEREE,
    ]
    referee = found.steps[-1]
    assert "A section destroys the part" in referee.caution
    assert "safety" in referee.caution
    assert all(step.known for step in found.steps)


def test_an_offset_sends_both_gauges_to_one_standard_before_the_part() -> None:
    one = party("A", {place: str(60 + 10 * n) for n, place in enumerate(FACES)})
    other = party("B", {place: str(66 + 10 * n) for n, place in enumerate(FACES)})
    actions = _actions(_compared(one, other))
    assert actions.index(Action.ONE_STANDARD) < actions.index(Action.SAME_SPOT)


def test_no_sentence_says_who_is_right() -> None:
    one = party("A", {place: result("70", subtracted_um="12") for place in FACES})
    found = _compared(one, party("B", dict.fromkeys(FACES, "95")))
    said = " ".join([found.conclusion, *(s.sentence for s in found.steps), *(e.sentence for e in found.explanations)])
    assert not any(word in said for word in (" wrong", "mistake of", "A is right", "B is right"))


# exchanging the parties changes no conclusion

_figures = st.integers(1, 400).map(lambda tenths: Fraction(tenths, 2))
_terms: st.SearchStrategy[Terms | None] = st.one_of(
    st.none(),
    st.integers(1, 30).map(lambda n: Stated(Decimal(n) / 2)),
    st.tuples(st.integers(1, 3), st.integers(0, 3)).map(
        lambda ab: Accurate(Decimal(ab[0]), Decimal(ab[1]), Fraction(1, 10), Spread(Fraction(9), 4, "readings"))
    ),
    st.integers(1, 4).map(lambda n: _budgets(n)),
)
_optional = st.one_of(st.none(), st.integers(0, 40).map(Fraction))


def _budgets(n: int) -> Budgeted:
    of_mean = budget(
        [
            Component("repeatability", Decimal(n), 4, "", Kind.A),
            Component("standard", Decimal("0.5"), None, "", Kind.B),
        ]
    )
    return budgeted(of_mean, of_mean)


@st.composite
def _results(draw: st.DrawFn) -> Result:
    builds = tuple(draw(st.lists(_figures, min_size=1, max_size=4)))
    return Result(
        builds_um=builds,
        count=len(builds) + draw(st.integers(0, 2)) * (len(builds) == 1),
        terms=draw(_terms),
        subtracted_um=draw(_optional),
        gauge_error_um=draw(st.one_of(st.none(), st.integers(-6, 6).map(Fraction))),
        standard=draw(st.sampled_from((None, "S-1", "S-2"))),
        lower_um=draw(st.sampled_from((None, Fraction(60)))),
        upper_um=draw(st.sampled_from((None, Fraction(120)))),
    )


@st.composite
def _parties(draw: st.DrawFn, name: str, base: Mapping[str, Result] | None = None) -> Party:
    names = draw(st.permutations(FACES))[: draw(st.integers(1, len(FACES)))]
    # Half of the second parties follow the first with an offset, a ratio or another order, so that causes do explain.
    results: dict[str, Result] = {}
    offset, factor = (
        draw(st.integers(-12, 12)),
        draw(st.sampled_from((Fraction(1), Fraction(127, 5), Fraction(11, 10)))),
    )
    follows = base is not None and draw(st.booleans())
    for place in names:
        made = draw(_results())
        if follows and base is not None and place in base:
            made = base[place].scaled(factor).moved(Fraction(offset))
        results[place] = made
    checked = draw(st.sampled_from((UNKNOWN, Checked(GateState.COVERED, "good"), Checked(GateState.SUSPECT, "failed"))))
    pieces: dict[str, dict[str, Result]] = {}
    if draw(st.booleans()):
        pieces = {piece: {place: draw(_results()) for place in names} for piece in ("1", "2")}
    return Party(
        name=name,
        results=results,
        unit=draw(st.sampled_from(Unit)),
        unit_recorded=draw(st.booleans()),
        checked=checked,
        says_subtracted=draw(st.booleans()),
        judges=draw(st.sampled_from(("", "Every reading", "Location means"))),
        pieces=pieces,
    )


@st.composite
def _two(draw: st.DrawFn) -> tuple[Party, Party]:
    one = draw(_parties("A"))
    return one, draw(_parties("B", one.results))


@settings(max_examples=100, deadline=None)
@given(two=_two(), unit=st.sampled_from(Unit))
def test_exchanging_the_parties_turns_the_sign_of_each_normalized_error_and_changes_no_conclusion(
    two: tuple[Party, Party], unit: Unit
) -> None:
    one, other = two
    if not set(one.results) & set(other.results):
        return
    there, back = compare(one, other, unit), compare(other, one, unit)
    mirrored = {p.location: p for p in back.places}
    assert mirrored.keys() == {p.location for p in there.places}
    for place in there.places:
        mirror = mirrored[place.location]
        assert place.difference_um == -mirror.difference_um
        assert (place.bearing, place.needed_um, place.shared) == (mirror.bearing, mirror.needed_um, mirror.shared)
        if place.error is not None:
            assert mirror.error is not None
            assert place.error.value == mirror.error.value.copy_negate() or place.error.difference == 0
            assert place.error.square == mirror.error.square
    assert (there.bearing, there.conclusion) == (back.bearing, back.conclusion)
    assert there.explanations == back.explanations
    assert there.about_limits == back.about_limits
    assert there.remarks == back.remarks
    assert there.steps == back.steps
    assert (there.only_first, there.only_second) == (back.only_second, back.only_first)


@settings(max_examples=40, deadline=None)
@given(two=_two())
def test_what_is_said_to_explain_leaves_no_normalized_error_above_one(two: tuple[Party, Party]) -> None:
    one, other = two
    if not set(one.results) & set(other.results):
        return
    found = compare(one, other, Unit.UM)
    for explanation in found.explanations:
        if explanation.standing is Standing.FULLY:
            assert all(left.bearing is not Bearing.BEYOND for left in explanation.left)
            assert explanation.greatest_error is None or explanation.greatest_error <= 1


def test_every_cause_has_a_step_of_its_own_or_is_what_measuring_together_is_for() -> None:
    from rules.dispute import _SETTLE

    together: set[Any] = {Cause.OFFSET, Cause.SLOPE, Cause.SPOT}
    assert set(Cause) == together | set(_SETTLE)

"""Coaching: which change is suggested when, and what is never said. Racks and numbers are invented."""

from __future__ import annotations

import random
from collections.abc import Mapping
from dataclasses import replace
from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.coaching import coach
from rules.coaching_findings import Change, Coaching
from rules.coaching_powder import powder_of
from rules.coaching_racks import Aim, Rack, RackReading
from schemas.units import Unit
from schemas.vocabulary import Role

D = Decimal
AIMS = (
    Aim("face", Role.VISIBLE, D(60), D(70), D(80), D(100)),
    Aim("recess", Role.HIDDEN, D(60), D(70), D(80), D(100)),
    Aim("rim", Role.EDGE, D(60), D(70), D(80), D(100)),
)
EVEN = {"face": 75, "recess": 75, "rim": 75}
GAUGE = {"face": D(2), "recess": D(2), "rim": D(2)}


def _rack(
    seed: int,
    means: Mapping[str, int] = EVEN,
    *,
    pieces: int = 6,
    readings: int = 2,
    between: float = 1,
    within: float = 1,
    places: Mapping[str, float] | None = None,
    powder: str | None = "grey",
) -> Rack:
    """Return a rack drawn at random; *places* are added to the pieces that hang there, turn by turn."""
    rng = random.Random(seed)
    found = []
    for piece in range(pieces):
        place = None if places is None else sorted(places)[piece % len(places)]
        own = rng.gauss(0, between) + (0 if places is None or place is None else places[place])
        for location, centre in means.items():
            for spot in range(1, readings + 1):
                build = D(str(round(centre + own + rng.gauss(0, within), 1)))
                found.append(RackReading(f"piece {piece}", location, spot, build, place))
    return Rack(f"rack {seed}", "A-1", powder, "S3", tuple(found))


def _moved(means: Mapping[str, int], by: int) -> dict[str, int]:
    return {location: centre + by for location, centre in means.items()}


def _coached(rack: Rack, earlier: int = 0, gauge: Mapping[str, Decimal] = GAUGE) -> Coaching:
    return coach(rack, AIMS, [_rack(seed) for seed in range(100, 100 + earlier)], Unit.UM, gauge)


# Which change is suggested


def test_a_rack_in_its_bands_is_left_alone() -> None:
    found = _coached(_rack(1), earlier=6).suggestion
    assert found.change is Change.NOTHING
    assert found.cautions == ()
    assert found.first is None
    assert len(found.evidence) == 3


def test_a_thin_recess_is_a_matter_of_technique_there_and_the_ground_comes_first() -> None:
    found = _coached(_rack(1, {**EVEN, "recess": 62})).suggestion
    assert found.change is Change.LOCATION
    assert found.sentence.startswith("At recess, begin there")
    assert found.first is not None
    assert "ground" in found.first
    assert "more than the gauge explains" in found.evidence[0]
    assert "n = 12, 6 pieces" in found.evidence[0]


def test_a_thick_rim_is_a_matter_of_distance_there() -> None:
    found = _coached(_rack(1, {**EVEN, "rim": 92})).suggestion
    assert found.change is Change.LOCATION
    assert found.sentence.startswith("At rim, keep the gun further off")
    assert found.first is None


def test_of_a_thin_recess_and_a_thick_rim_the_thin_one_comes_first() -> None:
    found = _coached(_rack(1, {**EVEN, "recess": 62, "rim": 92})).suggestion
    assert found.sentence.startswith("At recess")


def test_a_place_on_the_rack_that_is_thin_is_named() -> None:
    found = _coached(_rack(1, pieces=10, places={"top": 0, "bottom": -16}))
    assert found.suggestion.change is Change.POSITION
    assert found.suggestion.sentence.startswith("At bottom (place on the rack), let the strokes run past the pieces")
    assert found.positions is not None
    assert [place.position for place in found.positions.positions] == ["bottom", "top"]
    assert [place.pieces for place in found.positions.positions] == [5, 5]


def test_a_whole_part_that_is_thin_or_thick_is_told_so() -> None:
    thin, thick = (_coached(_rack(1, _moved(EVEN, by))).suggestion for by in (-12, 12))
    assert (thin.change, thick.change) == (Change.LEVEL, Change.LEVEL)
    assert "a little slower or make one stroke more" in thin.sentence
    assert "a little faster or make one stroke fewer" in thick.sentence
    assert thin.first is not None
    assert thick.first is None


def test_a_level_that_moved_inside_its_band_is_looked_into_and_not_corrected() -> None:
    found = _coached(_rack(1, _moved(EVEN, -4), between=0.5), earlier=22, gauge=dict.fromkeys(EVEN, D(1)))
    assert found.suggestion.change is Change.LOOK
    assert found.suggestion.sentence.startswith("Before anything is changed, look for what has changed")


@pytest.mark.parametrize(("between", "within", "word"), [(14, 1, "From piece to piece"), (1, 14, "Within the piece")])
def test_spread_is_told_apart(between: float, within: float, word: str) -> None:
    seeds = (_rack(seed, pieces=8, readings=4, between=between, within=within) for seed in range(16))
    told = [_coached(rack).suggestion for rack in seeds]
    uneven = [one for one in told if one.change is Change.SPREAD]
    assert len(uneven) > 8
    assert sum(one.sentence.startswith(word) for one in uneven) > 0.9 * len(uneven)


def test_no_suggestion_is_a_setting_and_each_defers_to_sheet_and_manual() -> None:
    racks = [_rack(1, {**EVEN, "recess": 62}), _rack(1, _moved(EVEN, -12)), _rack(1, _moved(EVEN, 12))]
    for rack in racks:
        found = _coached(rack).suggestion
        assert "common practice, no source" in found.sentence
        assert found.cautions[0].startswith("Change this alone")
        assert "data sheet of the powder and in the manual of the equipment" in found.cautions[1]
        assert ("Look at hooks and ground only with the gun off" in found.cautions[-1]) == (found.first is not None)
        assert not any(word in found.sentence for word in ("kV", "µA", "bar", "volt"))


# What is never said


@pytest.mark.parametrize("means", [_moved(EVEN, -12), {**EVEN, "recess": 62}, {**EVEN, "rim": 92}])
def test_what_the_gauge_explains_is_never_blamed_on_anybody(means: dict[str, int]) -> None:
    assert _coached(_rack(1, means), earlier=22, gauge=dict.fromkeys(EVEN, D(40))).suggestion.change is Change.UNCLEAR


def test_nothing_is_suggested_where_the_gauge_is_not_known() -> None:
    found = _coached(_rack(1, _moved(EVEN, -12)), gauge={})
    assert found.suggestion.change is Change.UNCLEAR
    assert found.notes == (
        "What the gauge alone brings is not known at face, recess and rim; a difference there may be the gauge's, so nothing is "
        "suggested from it.",
    )


def test_nothing_is_said_from_two_pieces_or_four_readings() -> None:
    found = _coached(_rack(1, _moved(EVEN, -30), pieces=2), earlier=22)
    assert found.suggestion.change is Change.TOO_FEW
    assert all(one.mean is None and not one.enough for one in found.locations)
    assert found.locations[0].sentences == (
        "face: 4 readings on 2 pieces; nothing is said from fewer than 5 readings on 3 pieces.",
    )
    assert coach(Rack("none", "A-1", None, None, ()), AIMS, [], Unit.UM, GAUGE).suggestion.change is Change.TOO_FEW
    four = _rack(1, pieces=4, readings=1)
    assert not any(one.enough for one in _coached(four).locations)


def test_who_sprayed_changes_nothing() -> None:
    rack = _rack(1, {**EVEN, "recess": 62})
    one, other = _coached(rack, earlier=6), _coached(replace(rack, sprayer="S9"), earlier=6)
    assert replace(other, sprayer="S3") == one


def test_only_like_racks_are_compared_with_and_the_others_are_counted() -> None:
    earlier = [_rack(100), _rack(101, powder="red"), replace(_rack(102), part_no="B-2"), _rack(103, places={"top": 0})]
    found = coach(_rack(1), AIMS, earlier, Unit.UM, GAUGE)
    assert found.alike == ("rack 100",)
    assert found.notes == (
        "Left out: 1 earlier rack, another powder.",
        "Left out: 1 earlier rack, another part.",
        "Left out: 1 earlier rack, other places on the rack.",
    )
    assert found.locations[0].earlier is None


def test_a_powder_that_is_not_stated_is_said_to_be_so() -> None:
    found = coach(_rack(1, powder=None), AIMS, [_rack(2, powder=None)], Unit.UM, GAUGE)
    assert found.alike == ("rack 2",)
    assert "No powder is stated" in found.notes[0]


def test_readings_at_other_locations_are_left_out_and_counted() -> None:
    rack = _rack(1, {**EVEN, "back": 20})
    found = _coached(rack)
    assert found.n == 36
    assert found.notes == ("Left out: 12 readings at locations that the job does not name.",)


def test_a_masked_location_is_left_to_masking() -> None:
    masked = Aim("thread", Role.MASKED, None, None, None, D(5))
    found = coach(_rack(1, {**EVEN, "thread": 60}), (*AIMS, masked), [], Unit.UM, GAUGE)
    assert [one.aim.location for one in found.locations] == ["face", "recess", "rim"]
    assert found.n == 36
    assert found.notes == ("Left out: thread, which is to stay bare; film there is a matter of masking.",)


def test_a_location_has_its_deviation_from_target() -> None:
    rack = replace(_rack(1), readings=tuple(replace(r, build=D(85)) for r in _rack(1).readings))
    # 10 above the middle of the target band, in a window of 60 to 100.
    assert [one.deviation for one in _coached(rack).locations] == [Fraction(1, 2)] * 3


def test_the_charts_rest_on_earlier_racks_alone() -> None:
    for one in _coached(_rack(1, _moved(EVEN, 50)), earlier=8).locations:
        assert one.chart is not None
        assert [point.baseline for point in one.chart.level.points] == [True] * 8 + [False]
        assert one.level_signals
        assert any("provisional" in sentence for sentence in one.sentences)
    few = _coached(_rack(1), earlier=4).locations[0]
    assert few.chart is None
    assert few.earlier is not None


def test_indices_wait_for_twenty_five_pieces_and_say_what_a_figure_is() -> None:
    waiting, given_out = (_coached(_rack(1), earlier=n).locations[0].capability for n in (3, 4))
    assert waiting is not None
    assert waiting.indices == ()
    assert given_out is not None
    assert [index.name for index in given_out.indices] == ["Pp", "Ppk"]
    assert any("a figure is the mean of one piece" in note for note in given_out.notes)


def test_places_with_too_few_pieces_are_not_compared() -> None:
    found = _coached(_rack(1, pieces=4, places={"top": 0, "bottom": -16})).positions
    assert found is not None
    assert found.difference is None
    assert found.sentence == "Places on the rack are not compared: that takes two with 3 pieces each."


def test_input_that_cannot_be_meant_is_refused() -> None:
    with pytest.raises(ValueError, match="named twice"):
        coach(_rack(1), (*AIMS, AIMS[0]), [], Unit.UM, GAUGE)
    with pytest.raises(ValueError, match="face: the gauge's uncertainty is not negative, -1 is"):
        coach(_rack(1), AIMS, [], Unit.UM, {"face": D(-1)})


# Laws


@settings(max_examples=8, deadline=None)
@given(st.integers(0, 10_000), st.sampled_from([0, -12, 12]), st.integers(0, 1), st.randoms(use_true_random=False))
def test_the_order_of_readings_does_not_matter(seed: int, by: int, at: int, shuffled: random.Random) -> None:
    rack = _rack(seed, {**EVEN, ("recess", "rim")[at]: 75 + by}, pieces=4)
    readings = list(rack.readings)
    shuffled.shuffle(readings)
    one, other = _coached(rack), _coached(replace(rack, readings=tuple(readings)))
    assert other.suggestion == one.suggestion
    assert [place.sentences for place in other.locations] == [place.sentences for place in one.locations]


@settings(max_examples=8, deadline=None)
@given(st.integers(0, 10_000), st.integers(-20, 20), st.integers(-20, 20), st.integers(1, 400))
def test_moving_rack_and_bands_together_changes_no_suggestion(seed: int, recess: int, rim: int, shift: int) -> None:
    rack = _rack(seed, {**EVEN, "recess": 75 + recess, "rim": 75 + rim}, pieces=4)
    moved = replace(rack, readings=tuple(replace(r, build=Fraction(r.build) + shift) for r in rack.readings))
    aims = [
        Aim(a.location, a.role, *(None if end is None else Fraction(end) + shift for end in (a.lower, a.target_low, a.target_high, a.upper)))
        for a in AIMS
    ]  # fmt: skip
    one, other = _coached(rack), coach(moved, aims, [], Unit.UM, GAUGE)
    assert (other.suggestion.change, other.suggestion.sentence) == (one.suggestion.change, one.suggestion.sentence)


@settings(max_examples=8, deadline=None)
@given(st.integers(0, 10_000), st.integers(-20, 20), st.integers(-20, 20))
def test_a_rack_in_the_mirror_is_off_at_the_same_places_the_other_way(seed: int, recess: int, rim: int) -> None:
    rack = _rack(seed, {**EVEN, "recess": 75 + recess, "rim": 75 + rim}, pieces=4)
    mirror = replace(rack, readings=tuple(replace(r, build=150 - Fraction(r.build)) for r in rack.readings))
    for here, there in zip(_coached(rack).locations, _coached(mirror).locations, strict=True):
        assert here.off == -there.off
        assert here.off_firmly == there.off_firmly
        assert here.between_pieces == there.between_pieces


@settings(max_examples=8, deadline=None)
@given(st.integers(0, 10_000), st.integers(-20, 20), st.integers(-20, 20))
def test_a_worse_gauge_never_makes_a_location_more_off(seed: int, recess: int, rim: int) -> None:
    rack = _rack(seed, {**EVEN, "recess": 75 + recess, "rim": 75 + rim}, pieces=4)
    better, worse = (_coached(rack, gauge=dict.fromkeys(EVEN, D(u))) for u in (1, 6))
    for sharp, dull in zip(better.locations, worse.locations, strict=True):
        assert sharp.off_firmly or not dull.off_firmly


# Powder above need


def test_powder_of_a_rack_is_a_range_over_the_transfer_efficiency() -> None:
    found = powder_of(
        _coached(_rack(1, {**EVEN, "rim": 99})), specific_gravity=D("1.5"), area=D(200), transfer=(D("0.5"), D("0.65"))
    )
    assert found.least is not None
    assert found.most is not None
    assert found.most / found.least == Fraction(65, 50)
    assert found.missing == ()
    assert "Transfer efficiency 50 to 65 %, as the shop states it." in found.assumptions
    assert "kg of powder on 200 m²" in found.sentences[-1]


def test_without_a_specific_gravity_nothing_is_weighed_and_nothing_is_guessed() -> None:
    found = powder_of(_coached(_rack(1, {**EVEN, "rim": 99})))
    assert (found.least, found.most) == (None, None)
    assert found.missing == (
        "The specific gravity of the powder is not stated; it stands in its data sheet.",
        "The area coated is not stated, so the answer is for 1 m².",
    )
    assert "what that weighs cannot be said" in found.sentences[-1]
    assert "not the shop's own" in found.assumptions[0]

"""The acceptance rules word for word: findings, what is missing, and the rule as a certificate states it."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from fractions import Fraction
from typing import Any

import pytest

from rules.conformity import (
    LOW_READINGS_CHECK,
    PA2_LEVELS,
    RULES,
    Pa2Limits,
    by_piece_and_location,
    judge,
    judged_builds,
    pa2_limits,
    rule_statement,
)
from rules.places import PieceLocation
from rules.rounding import Comparison
from rules.verdict import Finding, Verdict
from schemas.job import Job, Rule
from schemas.readings import GaugeReading
from schemas.units import Unit
from tests.rules.builders import job, location, reading, readings

PASS, UNDECIDED, FAIL = Verdict.PASS, Verdict.UNDECIDED, Verdict.FAIL


def _place(
    spots: list[str], lower: str | None = "60", upper: str | None = "90", name: str = "rail", piece: str = "7"
) -> PieceLocation:
    """Return a place with a spot for each text, its builds apart by spaces."""
    at = job(location(name, lower, upper), unit="um").location[0]
    numbered = {i: tuple(Fraction(x) for x in spot.split()) for i, spot in enumerate(spots, 1)}
    return PieceLocation(piece, at, numbered, Comparison.ABSOLUTE)


def _rule(**rule: Any) -> Rule:
    """Return a rule, of a job that plans enough for any of them."""
    return job(location(spots=5, readings_per_spot=3), rule=rule).rule


def _judged(places: list[PieceLocation], **rule: Any) -> list[Finding]:
    asked = _rule(**rule)
    return RULES[asked.name].judge(places, asked, Unit.UM)


def _said(
    verdict: Verdict, check: str, said: str, found: str, limit: Decimal | Fraction, *, low: bool, averaged: int = 1
) -> Finding:
    return Finding(
        verdict,
        check,
        f"piece 7, rail: {said}",
        location="rail",
        piece="7",
        found=Fraction(found),
        limit=limit,
        low=low,
        averaged=averaged,
    )


# Every reading, and means


def test_every_reading_of_every_place() -> None:
    found = _judged([_place([]), _place(["61 92"])], name="every-reading")
    assert found == [
        _said(
            PASS, "lowest reading", "lowest reading 61.0 µm meets the lower limit 60 µm", "61", Decimal(60), low=True
        ),
        _said(
            FAIL,
            "highest reading",
            "highest reading 92.0 µm is above the upper limit 90 µm",
            "92",
            Decimal(90),
            low=False,
        ),
    ]


def test_the_mean_of_every_place() -> None:
    check = "mean of the readings"
    found = _judged([_place([]), _place(["50 60", "85"])], name="location-means")
    assert found == [
        _said(PASS, check, f"{check} 65.0 µm meets the lower limit 60 µm", "65", Decimal(60), low=True, averaged=3),
        _said(
            PASS, check, f"{check} 65.0 µm is within the upper limit 90 µm", "65", Decimal(90), low=False, averaged=3
        ),
    ]
    assert [f.low for f in _judged([_place(["65"], upper=None)], name="location-means")] == [True]
    assert [f.low for f in _judged([_place(["65"], lower=None)], name="location-means")] == [False]


# SSPC-PA 2

FIVE_SPOTS = ["61 61 61", "59 59 59", "63 63 63", "65 65 65", "67 67 70"]


def test_an_area_of_five_spots_at_level_three() -> None:
    """The last spot has a mean of 68: the area 61 + 59 + 63 + 65 + 68 over 5."""
    assert _judged([_place(FIVE_SPOTS)], name="sspc-pa2") == [
        _said(
            PASS,
            "lowest spot",
            "lowest spot 59.0 µm meets 80 % of the lower limit 48 µm",
            "59",
            Fraction(48),
            low=True,
            averaged=3,
        ),
        _said(
            PASS,
            "highest spot",
            "highest spot 68.0 µm is within 120 % of the upper limit 108 µm",
            "68",
            Fraction(108),
            low=False,
            averaged=3,
        ),
        _said(
            PASS,
            "mean of the area",
            "mean of the area 63.2 µm meets the lower limit 60 µm",
            "63.2",
            Decimal(60),
            low=True,
            averaged=15,
        ),
        _said(
            PASS,
            "mean of the area",
            "mean of the area 63.2 µm is within the upper limit 90 µm",
            "63.2",
            Decimal(90),
            low=False,
            averaged=15,
        ),
    ]


def test_at_level_one_the_limits_are_those_that_were_written() -> None:
    first, second, *_ = _judged([_place(FIVE_SPOTS)], name="sspc-pa2", level=1)
    assert first.sentence == "piece 7, rail: lowest spot 59.0 µm is below the lower limit 60 µm"
    assert second.sentence == "piece 7, rail: highest spot 68.0 µm is within the upper limit 90 µm"
    assert isinstance(first.limit, Decimal)
    assert isinstance(second.limit, Decimal)


def test_a_short_spot_is_no_spot_and_fewer_spots_are_no_area() -> None:
    place = _place([*FIVE_SPOTS[:4], "67 67"])
    assert _judged([place, _place(FIVE_SPOTS)], name="sspc-pa2")[:4] == [
        Finding(
            UNDECIDED,
            "readings in a spot",
            "piece 7, rail: spot 5 has 2 readings; the rule takes at least 3 to a spot",
            location="rail",
            piece="7",
            found=Fraction(2),
            limit=Decimal(3),
        ),
        _said(
            PASS,
            "lowest spot",
            "lowest spot 59.0 µm meets 80 % of the lower limit 48 µm",
            "59",
            Fraction(48),
            low=True,
            averaged=3,
        ),
        _said(
            PASS,
            "highest spot",
            "highest spot 65.0 µm is within 120 % of the upper limit 108 µm",
            "65",
            Fraction(108),
            low=False,
            averaged=3,
        ),
        Finding(
            UNDECIDED,
            "spots",
            "piece 7, rail: too few spots: 4 of 5 that an area mean needs",
            location="rail",
            piece="7",
            found=Fraction(4),
            limit=Decimal(5),
        ),
    ]
    # The area behind the one that is short is judged all the same.
    assert "mean of the area" in [f.check for f in _judged([place, _place(FIVE_SPOTS)], name="sspc-pa2")]
    assert _judged([_place([])], name="sspc-pa2") == []


def test_one_reading_in_a_spot_is_singular() -> None:
    first, *_ = _judged([_place(["61"])], name="sspc-pa2")
    assert first.sentence == "piece 7, rail: spot 1 has 1 reading; the rule takes at least 3 to a spot"


@pytest.mark.parametrize(
    ("area", "verdict", "relation"),
    [
        pytest.param("20", PASS, "as many as the 2", id="enough"),
        pytest.param("25", UNDECIDED, "fewer than the 3", id="one short"),
    ],
)
def test_as_many_areas_as_the_coated_area_asks_for(area: str, verdict: Verdict, relation: str) -> None:
    places = [_place(FIVE_SPOTS), _place(FIVE_SPOTS, piece="8"), _place(FIVE_SPOTS[:4], piece="9")]
    last = _judged(places, name="sspc-pa2", coated_area_m2=Decimal(area))[-1]
    asked = int(relation.split()[-1])
    assert last == Finding(
        verdict,
        "areas measured",
        f"areas measured: 2, {relation} that SSPC-PA 2 asks for on {area} m²",
        found=Fraction(2),
        limit=Decimal(asked),
    )


def test_an_area_in_square_feet_is_counted_in_square_feet() -> None:
    """300 ft² are 27.9 m²; each has a table of its own, and here 350 ft² ask for three areas of 100 ft²."""
    last = _judged([_place(FIVE_SPOTS)], name="sspc-pa2", coated_area_ft2=Decimal("350"))[-1]
    assert last == Finding(
        UNDECIDED,
        "areas measured",
        "areas measured: 1, fewer than the 3 that SSPC-PA 2 asks for on 350 ft²",
        found=Fraction(1),
        limit=Decimal(3),
    )
    assert _judged([_place(FIVE_SPOTS)], name="sspc-pa2", coated_area_ft2=Decimal(100))[-1].verdict is PASS


def test_what_each_level_makes_of_the_limits() -> None:
    low, high = Decimal(100), Decimal(200)
    assert [pa2_limits(level, low, high) for level in PA2_LEVELS] == [
        Pa2Limits(low, high, low, high),
        Pa2Limits(low, Fraction(240), low, high),
        Pa2Limits(Fraction(80), Fraction(240), low, high),
        Pa2Limits(Fraction(80), Fraction(300), low, high),
        Pa2Limits(Fraction(80), None, low, None),
    ]
    unchanged = pa2_limits(1, low, high)
    assert all(isinstance(limit, Decimal) for limit in (unchanged.spot_low, unchanged.spot_high, unchanged.area_high))
    assert pa2_limits(3, None, high).spot_low is None
    assert pa2_limits(3, low, None).spot_high is None


# ISO 19840


def test_iso_19840_word_for_word() -> None:
    """Of six readings one may be low."""
    check = "mean of the readings"
    found = _judged([_place([]), _place(["61 70 70 70 70 59"])], name="iso-19840")
    assert found == [
        _said(
            PASS,
            check,
            f"{check} 66.7 µm meets nominal 60 µm",
            str(Fraction(400, 6)),
            Decimal(60),
            low=True,
            averaged=6,
        ),
        _said(
            PASS, "lowest reading", "lowest reading 59.0 µm meets 80 % of nominal 48 µm", "59", Fraction(48), low=True
        ),
        Finding(
            PASS,
            LOW_READINGS_CHECK,
            "piece 7, rail: 1 of 6 readings between 80 % of nominal and nominal (48 and 60 µm); less than 20 %, so 1 at "
            "the most, are allowed",
            location="rail",
            piece="7",
            found=Fraction(1, 6),
            limit=Fraction(1, 5),
        ),
        _said(
            PASS, "highest reading", "highest reading 70.0 µm is within the maximum 90 µm", "70", Decimal(90), low=False
        ),
    ]


def test_too_many_low_readings_would_be_allowed_to_be_fewer() -> None:
    """On 80 % of nominal a reading is low, on nominal it is not, and under 80 % it is worse than low."""
    finding = _judged([_place(["48 59 60 47"], upper=None)], name="iso-19840")[2]
    assert (finding.verdict, finding.found) == (FAIL, Fraction(1, 2))
    assert finding.sentence.endswith("less than 20 %, so 0 at the most, would be allowed")


def test_without_a_nominal_the_maximum_is_asked_about_alone() -> None:
    assert [f.check for f in _judged([_place(["70"], lower=None)], name="iso-19840")] == ["highest reading"]


def test_as_many_readings_as_the_sampling_plan_asks_for() -> None:
    places = [_place(["70 70 70"]), _place(["70 70"], piece="8")]
    last = _judged(places, name="iso-19840", coated_area_m2=Decimal("1.0"))[-1]
    assert last == Finding(
        PASS,
        "readings taken",
        "readings taken: 5, as many as the 5 that ISO 19840 asks for on 1.0 m²",
        found=Fraction(5),
        limit=Decimal(5),
    )
    short = _judged(places, name="iso-19840", coated_area_m2=Decimal(2))[-1]
    assert (short.verdict, short.limit) == (UNDECIDED, 10)
    assert short.sentence == "readings taken: 5, fewer than the 10 that ISO 19840 asks for on 2 m²"


# The architectural label

AREAS = ["61 62 63", "59 60 61", "70 70 70 70", "64 64 64 64 64", "66 66 66"]


def test_the_architectural_label_word_for_word() -> None:
    """Measured values 62, 60, 70, 64 and 66: their mean is 64.4."""
    assert _judged([_place(AREAS[:3]), _place(AREAS[3:], name="rib")], name="architectural-label") == [
        _said(
            PASS,
            "lowest measured value",
            "lowest measured value 60.0 µm meets 80 % of the minimum 48 µm",
            "60",
            Fraction(48),
            low=True,
            averaged=3,
        ),
        _said(
            PASS,
            "highest reading",
            "highest reading 70.0 µm is within the upper limit that the job sets 90 µm",
            "70",
            Decimal(90),
            low=False,
        ),
        replace(
            _said(PASS, "lowest measured value", "", "64", Fraction(48), low=True, averaged=3),
            location="rib",
            sentence="piece 7, rib: lowest measured value 64.0 µm meets 80 % of the minimum 48 µm",
        ),
        replace(
            _said(PASS, "highest reading", "", "66", Decimal(90), low=False),
            location="rib",
            sentence="piece 7, rib: highest reading 66.0 µm is within the upper limit that the job sets 90 µm",
        ),
        Finding(
            PASS,
            "mean of the measured values",
            "piece 7, rail and rib: mean of the measured values 64.4 µm meets the minimum 60 µm",
            piece="7",
            found=Fraction("64.4"),
            limit=Decimal(60),
            low=True,
        ),
    ]


def test_locations_with_another_minimum_and_other_pieces_are_judged_apart() -> None:
    places = [_place(AREAS), _place(AREAS, lower="50", name="rib"), _place(AREAS, piece="8"), _place(AREAS, lower=None)]
    last = [f for f in _judged(places, name="architectural-label") if f.check == "mean of the measured values"]
    assert [(f.piece, f.limit) for f in last] == [("7", 60), ("7", 50), ("8", 60)]


def test_too_few_measuring_areas_and_areas_of_too_few_or_too_many_readings() -> None:
    place = _place(["61 61", "62 62 62 62 62 62", "63 63 63"], upper=None)
    assert _judged([place], name="architectural-label") == [
        Finding(
            UNDECIDED,
            "readings in a spot",
            "piece 7, rail: spot 1 has 2 readings; the rule takes at least 3 to a spot",
            location="rail",
            piece="7",
            found=Fraction(2),
            limit=Decimal(3),
        ),
        Finding(
            UNDECIDED,
            "readings in a spot",
            "piece 7, rail: spot 2 has 6 readings; the rule takes at most 5 to a spot",
            location="rail",
            piece="7",
            found=Fraction(6),
            limit=Decimal(5),
        ),
        _said(
            PASS,
            "lowest measured value",
            "lowest measured value 63.0 µm meets 80 % of the minimum 48 µm",
            "63",
            Fraction(48),
            low=True,
            averaged=3,
        ),
        Finding(
            UNDECIDED,
            "measuring areas",
            "piece 7, rail: too few measuring areas: 1 of 5",
            piece="7",
            found=Fraction(1),
            limit=Decimal(5),
        ),
    ]


def test_a_place_without_readings_has_no_measured_value() -> None:
    assert [f.check for f in _judged([_place([])], name="architectural-label")] == ["measuring areas"]


# What is missing


def _missing(the_job: Job, taken: list[GaugeReading]) -> list[Finding]:
    places = by_piece_and_location(the_job, judged_builds(the_job, taken))
    return [f for f in judge(the_job, taken, places) if f.verdict is UNDECIDED]


def test_readings_at_a_location_that_the_job_does_not_name_are_counted() -> None:
    taken = [
        *readings("3.0"),
        *readings("3.0 3.1", first=2, location="back"),
        *readings("3.0", first=4, location="lid"),
    ]
    uncounted = reading(9, "3.0", location="back", counted=False)
    assert _missing(job(), [*taken, uncounted]) == [
        Finding(
            UNDECIDED,
            "locations of the job",
            "2 readings at back, a location that the job does not name: not judged",
            found=Fraction(2),
            limit=Decimal(0),
        ),
        Finding(
            UNDECIDED,
            "locations of the job",
            "1 reading at lid, a location that the job does not name: not judged",
            found=Fraction(1),
            limit=Decimal(0),
        ),
    ]


def test_readings_without_the_base_metal_reading_that_the_job_asks_for_are_counted() -> None:
    the_job = job(location(readings_per_spot=2), base_reading=True)
    taken = [reading(1, "3.0", spot=1), reading(2, "3.2", spot=1, base_metal_um=Decimal(5))]
    assert _missing(the_job, [*taken, reading(3, "9", counted=False)]) == [
        Finding(
            UNDECIDED,
            "base metal readings",
            "1 reading with nothing subtracted, though the job asks for base metal readings",
            found=Fraction(1),
            limit=Decimal(0),
        )
    ]
    assert _missing(the_job, [replace(taken[0], base_metal_um=Decimal(0)), taken[1]]) == []


def test_only_a_roughness_correction_that_is_made_stands_in_for_base_metal_readings() -> None:
    taken = [reading(1, "80", "um")]

    def missing(rule: dict[str, Any]) -> list[str]:
        asked = job(location(lower="20", upper="90"), rule=rule, unit="um", base_reading=True)
        return [f.check for f in _missing(asked, taken)]

    assert missing({"name": "iso-19840"}) == ["base metal readings"]
    assert missing({"name": "iso-19840", "roughness_correction_um": Decimal(25)}) == []
    assert missing({"name": "every-reading"}) == ["base metal readings"]


def test_where_no_piece_was_measured_every_location_is_missing() -> None:
    the_job = job(location(spots=2, readings_per_spot=3), location("back"))
    assert _missing(the_job, []) == [
        Finding(
            UNDECIDED,
            "readings",
            "front face: no readings, 6 a piece are planned",
            location="front face",
            found=Fraction(0),
            limit=Decimal(6),
        ),
        Finding(
            UNDECIDED,
            "readings",
            "back: no readings, 1 a piece are planned",
            location="back",
            found=Fraction(0),
            limit=Decimal(1),
        ),
    ]


def test_a_piece_with_fewer_readings_than_planned_says_how_many_are_missing() -> None:
    assert _missing(job(location(readings_per_spot=3)), readings("3.0 3.0", per_spot=3)) == [
        Finding(
            UNDECIDED,
            "readings",
            "piece 1, front face: too few readings: 2 of 3 that the plan asks for",
            location="front face",
            piece="1",
            found=Fraction(2),
            limit=Decimal(3),
        )
    ]


# From readings to places


def test_builds_stand_by_location_of_the_job_and_piece_as_first_met_and_spots_in_order() -> None:
    the_job = job(location("lid"), location())
    taken = [
        reading(1, "3.0", piece="2", spot=2),
        reading(2, "2.5", piece="2", spot=1),
        reading(3, "3.1", piece="2", spot=2),
        reading(4, "3.2", piece="1", spot=1, location="lid"),
        reading(5, "9.9", piece="3", counted=False),
        reading(6, "9.9", piece="4", location="nowhere"),
    ]
    places = by_piece_and_location(the_job, judged_builds(the_job, taken))
    assert [(p.location.name, p.piece) for p in places] == [
        ("lid", "2"),
        ("lid", "1"),
        ("front face", "2"),
        ("front face", "1"),
    ]
    assert [list(p.spots.items()) for p in places] == [
        [],
        [(1, (Fraction("3.2"),))],
        [(1, (Fraction("2.5"),)), (2, (Fraction(3), Fraction("3.1")))],
        [],
    ]
    assert {p.comparison for p in places} == {Comparison.ABSOLUTE}
    rounding = job(rule={"name": "every-reading", "comparison": "rounding"})
    assert {p.comparison for p in by_piece_and_location(rounding, judged_builds(rounding, taken))} == {
        Comparison.ROUNDING
    }


def test_the_roughness_correction_is_iso_19840s_and_stands_in_for_a_base_metal_reading() -> None:
    taken = [reading(1, "80", "um"), reading(2, "80", "um", base_metal_um=Decimal(10))]
    asked: dict[str, Any] = {"roughness_correction_um": Decimal(25)}
    iso = job(location(lower="60", upper="90"), rule={"name": "iso-19840", **asked}, unit="um", blasted=True)
    assert [build for _, _, build in judged_builds(iso, taken)] == [55, 70]
    plain = job(location(lower="60", upper=None), unit="um")
    assert [build for _, _, build in judged_builds(plain, taken)] == [80, 70]


# The rule as it is stated

UNROUNDED = "Numbers are compared unrounded (ASTM E29, absolute method); a number on its limit conforms."


def test_a_rule_is_stated_with_all_that_is_known_of_it() -> None:
    stated = rule_statement(_rule(name="location-means", edition="rev. 3"))
    assert (stated.name, stated.title, stated.text, stated.source, stated.edition, stated.known) == (
        "location-means",
        "Mean of each location within the limits",
        f"On each piece measured, the mean of the readings at each location lies within its limits. {UNROUNDED}",
        "as the order says",
        "rev. 3",
        "common practice, no source",
    )
    assert rule_statement(_rule(name="every-reading")).edition is None


def test_sspc_pa2_is_stated_with_its_level() -> None:
    stated = rule_statement(_rule(name="sspc-pa2", level=2))
    assert stated.title == "SSPC-PA 2, level 2"
    assert stated.text == (
        "A spot is the mean of at least three readings; an area, here a location on a piece, is the mean of at least five "
        f"spots. Area means lie within the limits, spots from the minimum to 120 % of the maximum. {UNROUNDED}"
    )


def test_a_rule_of_shares_is_stated_in_the_form_that_the_job_chose() -> None:
    stated = rule_statement(_rule(name="shop-rule", each_at_least=Decimal("0.9")))
    assert stated.text == f"At each location every reading is at least 90 % of the lower limit. {UNROUNDED}"
    assert stated.title == "A rule of the shop's own"


def test_the_rounding_method_is_stated_with_the_rule() -> None:
    stated = rule_statement(_rule(name="every-reading", comparison="rounding"))
    assert stated.text.startswith(
        "Every reading lies within the limits of its location. Numbers are rounded to the last place of the limit before "
        "they are compared, a tie to the even digit (ASTM E29, rounding method; ISO 80000-1, rule A)."
    )
    up = rule_statement(_rule(name="every-reading", comparison="rounding", tie="up"))
    assert "a tie to the larger number (ASTM E29, rounding method; ISO 80000-1, rule B)." in up.text


def test_a_roughness_correction_is_stated_where_it_is_made() -> None:
    said = (
        " From each reading 25.0 µm are subtracted for the roughness of the surface, unless a base metal reading was."
    )
    blasted = job(rule={"name": "iso-19840", "roughness_correction_um": Decimal("25.0")}, blasted=True).rule
    assert rule_statement(blasted).text.endswith(said)
    assert "subtracted" not in rule_statement(_rule(name="iso-19840")).text


def test_architectural_aluminium_is_stated_with_its_wording_and_every_rule_with_the_day_it_was_looked_up() -> None:
    for wording in ("none-below-floor", "five-percent-below-floor"):
        stated = rule_statement(_rule(name="architectural-aluminium", wording=wording))
        assert stated.title == f"Architectural aluminium, by shares of readings, wording {wording}"
    for name in ("sspc-pa2", "iso-19840", "ninety-ten", "every-reading"):
        asked = _rule(name=name)
        assert rule_statement(asked).seen == RULES[asked.name].seen
    assert rule_statement(_rule(name="iso-19840")).seen

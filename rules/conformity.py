"""The acceptance rules: from film builds and limits to findings that carry their numbers.

Each rule is one function; RULES holds them all with what they ask, where that is from, and how well it
is known. Every comparison is in the unit of the specification, by the method of ASTM E29 that the job names;
a number exactly on its limit conforms. Readings are grouped by piece and location: a
location on a piece is what SSPC-PA 2 calls an area and the architectural label a set of measuring areas.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from typing import Final

from rules.film_build import Judged, film_build, is_judged
from rules.pa2_extent import EXTENT_RULE
from rules.places import (
    LOW_READINGS_CHECK,
    AcceptanceRule,
    Limit,
    PieceLocation,
    compared,
    comparison_of,
    high,
    highest,
    low,
    lowest,
    lowest_and_highest,
    named,
    too_few,
    where,
)
from rules.results import RuleStatement
from rules.rounding import Comparison
from rules.sampling import (
    PA2_READINGS_PER_SPOT,
    PA2_SPOTS_PER_AREA,
    iso_19840_low_readings_allowed,
    iso_19840_readings,
    pa2_areas_ft2,
    pa2_areas_m2,
)
from rules.sentence import joined, said, template
from rules.share_rules import SHARE_RULES, text_of
from rules.statistics import mean
from rules.verdict import Finding, Verdict
from rules.wording import as_written, counted, listed, out_of, with_unit
from schemas.job import Job, Location, Rule
from schemas.units import Unit
from schemas.vocabulary import RuleName

EIGHTY_PERCENT: Final = Fraction(4, 5)
#: ISO 19840: the share of readings between 80 % and 100 % of nominal stays below this (read).
LOW_SHARE: Final = Fraction(1, 5)
#: Architectural label, from memory: measuring areas on a part, readings in each.
LABEL_AREAS: Final = 5
LABEL_READINGS: Final = (3, 5)


def judged_builds(job: Job, readings: Iterable[Judged]) -> Iterator[tuple[Judged, Location, Fraction]]:
    """Yield each judged reading with its location and film build, in the order given, in the unit of the job.

    Under ISO 19840 the build is less the job's roughness correction where no base metal reading is
    subtracted already. Readings at locations that the job does not name are left out here;
    :func:`judge` reports them.
    """
    correction_um = job.rule.roughness_correction_um if job.rule.name is RuleName.ISO_19840 else Decimal(0)
    # Found once per spelling, not once per reading.
    found: dict[str, Location | None] = {}
    for reading in readings:
        if not is_judged(reading):
            continue
        if reading.location not in found:
            found[reading.location] = job.find(reading.location)
        location = found[reading.location]
        if location is not None:
            yield reading, location, film_build(reading, job.unit, correction_um)


def by_piece_and_location(
    job: Job, judged: Iterable[tuple[Judged, Location, Fraction]], read: Iterable[str] = ()
) -> tuple[PieceLocation, ...]:
    """Return what :func:`judged_builds` gave by location and piece: locations in the job's order, pieces as first met.

    Every measured piece stands at every location, with no spots where nothing was read there, so that
    what is missing can be seen. *read* names pieces that were read, whether any of their readings counts.
    """
    comparison = comparison_of(job.rule)
    pieces: dict[str, None] = dict.fromkeys(read)
    spots: dict[tuple[str, str], dict[int, list[Fraction]]] = {}
    for reading, location, build in judged:
        pieces.setdefault(reading.piece)
        spots.setdefault((reading.piece, location.name), {}).setdefault(reading.spot, []).append(build)
    return tuple(
        PieceLocation(
            piece,
            location,
            {number: tuple(builds) for number, builds in sorted(spots.get((piece, location.name), {}).items())},
            comparison,
        )
        for location in job.location
        for piece in pieces
    )


def judge(job: Job, readings: Sequence[Judged], places: Sequence[PieceLocation]) -> list[Finding]:
    """Return all findings of the job's rule, those without a location being about the lot.

    *places* is what :func:`by_piece_and_location` made of *readings*. What was planned and is not there
    is UNDECIDED, never passed over: a location without readings, a piece with too few, a base metal
    reading that the job asks for.
    """
    findings = [
        *_unknown_locations(job, readings),
        *_without_base(job, readings),
        *_unmeasured(job, places),
    ]
    for place in places:
        if job.rule.name is not RuleName.SSPC_PA2_EXTENT:  # its own function says how far a direction has to be walked
            findings.extend(_completeness(place))
    findings.extend(RULES[job.rule.name].judge(places, job.rule, job.unit))
    return findings


def rule_statement(rule: Rule) -> RuleStatement:
    """Return the rule that a job names as it is stated on a certificate."""
    acceptance = RULES[rule.name]
    title, text = acceptance.title, acceptance.text
    if rule.name is RuleName.SSPC_PA2:
        title = said("SSPC-PA 2, level {level}", level=rule.level)
        text = joined([text, PA2_LEVELS[rule.level].text])
    if rule.name in SHARE_RULES:
        text = text_of(rule)
    if rule.name is RuleName.ARCHITECTURAL_ALUMINIUM:
        title = said("Architectural aluminium, by shares of readings, wording {wording}", wording=rule.wording)
    text = joined([text, COMPARISON_TEXTS[comparison_of(rule)]])
    if rule.name is RuleName.ISO_19840 and rule.roughness_correction_um:
        less = said(
            "From each reading {correction} µm are subtracted for the roughness of the surface, unless a base metal "
            "reading was.",
            correction=as_written(rule.roughness_correction_um),
        )
        text = joined([text, less])
    return RuleStatement(
        name=rule.name.value,
        title=title,
        text=text,
        source=acceptance.source,
        edition=rule.edition,
        known=acceptance.known,
        seen=acceptance.seen,
    )


# SSPC-PA 2 levels


@dataclass(frozen=True, slots=True)
class Pa2Level:
    """What one level of SSPC-PA 2 allows: factors on the limits; None where it does not restrict.

    Attributes:
        spot_low: Of the specified minimum, for a spot.
        spot_high: Of the specified maximum, for a spot.
        area_high: Of the specified maximum, for the mean of an area. (Its minimum is always the specified one.)
    """

    spot_low: Fraction
    spot_high: Fraction | None
    area_high: Fraction | None
    text: str


@dataclass(frozen=True, slots=True)
class Pa2Limits:
    """The limits of one level at one location, exact, in the unit of the specification; None: unrestricted."""

    spot_low: Limit | None
    spot_high: Limit | None
    area_low: Limit | None
    area_high: Limit | None


#: How numbers are compared with a limit, as it is printed with the rule.
COMPARISON_TEXTS: Final[dict[Comparison, str]] = {
    Comparison.ABSOLUTE: said(
        "Numbers are compared unrounded (ASTM E29, absolute method); a number on its limit conforms."
    ),
    Comparison.ROUNDING: said(
        "Numbers are rounded to the last place of the limit before they are compared, a tie to the even digit (ASTM E29, "
        "rounding method; ISO 80000-1, rule A). A limit that the rule derives, as 80 % of a minimum, is compared unrounded."
    ),
    Comparison.ROUNDING_UP: said(
        "Numbers are rounded to the last place of the limit before they are compared, a tie to the larger number "
        "(ASTM E29, rounding method; ISO 80000-1, rule B). A limit that the rule derives, as 80 % of a minimum, is compared "
        "unrounded."
    ),
}

_ONE: Final = Fraction(1)

#: SSPC-PA 2:2012 and later, table 1. Read: that there are five levels and the first allows nothing, and
#: that spots may run from 80 % of the minimum to 120 % of the maximum (level 3). The rest is from memory.
PA2_LEVELS: Final[dict[int, Pa2Level]] = {
    1: Pa2Level(_ONE, _ONE, _ONE, said("Spots and area means lie within the limits.")),
    2: Pa2Level(
        _ONE,
        Fraction(6, 5),
        _ONE,
        said("Area means lie within the limits, spots from the minimum to 120 % of the maximum."),
    ),
    3: Pa2Level(
        EIGHTY_PERCENT,
        Fraction(6, 5),
        _ONE,
        said("Area means lie within the limits, spots from 80 % of the minimum to 120 % of the maximum."),
    ),
    4: Pa2Level(
        EIGHTY_PERCENT,
        Fraction(3, 2),
        _ONE,
        said("Area means lie within the limits, spots from 80 % of the minimum to 150 % of the maximum."),
    ),
    5: Pa2Level(
        EIGHTY_PERCENT,
        None,
        None,
        said("Area means meet the minimum, spots 80 % of it; the maximum is not restricted."),
    ),
}


def pa2_limits(level: int, lower: Decimal | None, upper: Decimal | None) -> Pa2Limits:
    """Return the limits that SSPC-PA 2, table 1, makes of *lower* and *upper* at *level* (1 to 5).

    A single value without a maximum is a minimum (from memory). Exact, in the unit given: a specified
    8 to 12 mil gives spots of 6.4 to 14.4 mil at level 3 (read).
    """
    row = PA2_LEVELS[level]
    return Pa2Limits(
        spot_low=_share_of(lower, row.spot_low),
        spot_high=_share_of(upper, row.spot_high),
        area_low=lower,
        area_high=_share_of(upper, row.area_high),
    )


def _share_of(limit: Decimal | None, factor: Fraction | None) -> Limit | None:
    if limit is None or factor is None:
        return None
    # A limit that is not changed keeps the places that it was written with.
    return limit if factor == 1 else Fraction(limit) * factor


# The rules


def every_reading(places: Sequence[PieceLocation], rule: Rule, unit: Unit) -> list[Finding]:
    """Ask of every reading that it lies within the limits of its location.

    The plainest reading of a drawing that says "2 to 4 mil" and no more (common practice, no source).
    """
    findings: list[Finding] = []
    for place in places:
        findings.extend(lowest_and_highest(place, place.builds, "reading", unit))
    return findings


def location_means(places: Sequence[PieceLocation], rule: Rule, unit: Unit) -> list[Finding]:
    """Ask of each location on each piece that the mean of its readings lies within its limits.

    Single readings are free (common practice, no source).
    """
    findings: list[Finding] = []
    for place in places:
        if place.builds:
            found, count = mean(place.builds), len(place.builds)
            if place.location.lower is not None:
                findings.append(
                    low(place, "mean of the readings", found, place.location.lower, "the lower limit", unit, count)
                )
            if place.location.upper is not None:
                findings.append(
                    high(place, "mean of the readings", found, place.location.upper, "the upper limit", unit, count)
                )
    return findings


def sspc_pa2(places: Sequence[PieceLocation], rule: Rule, unit: Unit) -> list[Finding]:
    """Judge spots and areas by SSPC-PA 2 at the rule's level.

    A spot is the mean of at least three gauge readings (cl. 8.1), an area measurement the mean of five
    spots (cl. 8.2): both read. The area here is a location on a piece. A spot of fewer readings is no
    spot and fewer spots no area measurement: UNDECIDED. Where the coated area is given, as many areas
    as the standard asks for have to be measured. The level table: see PA2_LEVELS.
    """
    findings: list[Finding] = []
    complete = 0
    for place in places:
        findings.extend(_short_spots(place, PA2_READINGS_PER_SPOT))
        means = _spot_means(place, PA2_READINGS_PER_SPOT, None)
        location = place.location
        limits = pa2_limits(rule.level, location.lower, location.upper)
        if means:
            if limits.spot_low is not None:
                name = named("the lower limit", limits.spot_low, location.lower)
                findings.append(lowest(place, "lowest spot", means, limits.spot_low, name, unit, PA2_READINGS_PER_SPOT))
            if limits.spot_high is not None:
                name = named("the upper limit", limits.spot_high, location.upper)
                findings.append(
                    highest(place, "highest spot", means, limits.spot_high, name, unit, PA2_READINGS_PER_SPOT)
                )
        if len(means) < PA2_SPOTS_PER_AREA:
            if place.builds:
                findings.append(too_few(place, "spots", len(means), PA2_SPOTS_PER_AREA, "an area mean needs"))
            continue
        complete += 1
        area = mean(means)
        if limits.area_low is not None:
            findings.append(
                low(place, "mean of the area", area, limits.area_low, "the lower limit", unit, len(place.builds))
            )
        if limits.area_high is not None:
            findings.append(
                high(place, "mean of the area", area, limits.area_high, "the upper limit", unit, len(place.builds))
            )
    if rule.coated_area_m2 is not None:
        asked = pa2_areas_m2(rule.coated_area_m2)
        on = joined([as_written(rule.coated_area_m2), "m²"])
        findings.append(_amount_measured("areas measured", complete, asked, "SSPC-PA 2", on))
    if rule.coated_area_ft2 is not None:
        asked = pa2_areas_ft2(rule.coated_area_ft2)
        on = joined([as_written(rule.coated_area_ft2), "ft²"])
        findings.append(_amount_measured("areas measured", complete, asked, "SSPC-PA 2", on))
    return findings


def iso_19840(places: Sequence[PieceLocation], rule: Rule, unit: Unit) -> list[Finding]:
    """Judge each location on each piece by ISO 19840; nominal (NDFT) is the lower limit, the maximum the upper.

    The mean is at least nominal; every reading is at least 80 % of nominal; strictly less than 20 % of
    the readings lie from 80 % up to nominal; every reading is at most the maximum (all read, in a
    note on NEN-ISO 19840). Where the coated area is given, the number of readings that the sampling
    plan asks for has to be there.
    """
    findings: list[Finding] = []
    for place in places:
        nominal, builds = place.location.lower, place.builds
        if not builds:
            continue
        if nominal is not None:
            floor = EIGHTY_PERCENT * Fraction(nominal)
            findings.append(low(place, "mean of the readings", mean(builds), nominal, "nominal", unit, len(builds)))
            findings.append(lowest(place, "lowest reading", builds, floor, "80 % of nominal", unit))
            findings.append(_low_share(place, builds, nominal, floor, unit))
        if place.location.upper is not None:
            findings.append(highest(place, "highest reading", builds, place.location.upper, "the maximum", unit))
    if rule.coated_area_m2 is not None:
        taken = sum(len(place.builds) for place in places)
        asked = iso_19840_readings(rule.coated_area_m2)
        findings.append(
            _amount_measured(
                "readings taken", taken, asked, "ISO 19840", joined([as_written(rule.coated_area_m2), "m²"])
            )
        )
    return findings


def architectural_label(places: Sequence[PieceLocation], rule: Rule, unit: Unit) -> list[Finding]:
    """Judge each piece by the mean-and-80-percent rule of the architectural quality label (from memory).

    A measured value is the mean of three to five readings in one measuring area (a spot). Over the
    locations of a piece that share one minimum, the lower limit, there are at least five of them,
    their mean is at least the minimum, and none is below 80 % of it. Every measured piece has to
    conform: no number of rejected pieces is allowed for here.

    The label's rule names no maximum. Where a location of the job has an upper limit, that is the job's
    own, and it is asked of every reading there.
    """
    findings: list[Finding] = []
    fewest, most = LABEL_READINGS
    groups: dict[tuple[str, Decimal], list[PieceLocation]] = {}
    for place in places:
        findings.extend(_short_spots(place, fewest))
        findings.extend(_long_spots(place, most))
        minimum, upper = place.location.lower, place.location.upper
        if minimum is not None:
            groups.setdefault((place.piece, minimum), []).append(place)
            means = _spot_means(place, fewest, most)
            if means:
                floor = EIGHTY_PERCENT * Fraction(minimum)
                findings.append(
                    lowest(place, "lowest measured value", means, floor, "80 % of the minimum", unit, fewest)
                )
        if upper is not None and place.builds:
            findings.append(
                highest(place, "highest reading", place.builds, upper, "the upper limit that the job sets", unit)
            )
    for (piece, minimum), group in groups.items():
        findings.append(_label_mean(piece, minimum, group, unit))
    return findings


def _label_mean(piece: str, minimum: Decimal, group: Sequence[PieceLocation], unit: Unit) -> Finding:
    means = [m for place in group for m in _spot_means(place, *LABEL_READINGS)]
    here = said("piece {piece}, {locations}", piece=piece, locations=listed([place.location.name for place in group]))
    if len(means) < LABEL_AREAS:
        return Finding(
            Verdict.UNDECIDED,
            "measuring areas",
            said(
                "{place}: too few measuring areas: {found} of {asked}", place=here, found=len(means), asked=LABEL_AREAS
            ),
            piece=piece,
            found=Fraction(len(means)),
            limit=Decimal(LABEL_AREAS),
        )
    return compared(
        here,
        group[0].comparison,
        "mean of the measured values",
        mean(means),
        minimum,
        "the minimum",
        unit,
        low=True,
        piece=piece,
    )


RULES: Final[dict[RuleName, AcceptanceRule]] = {
    RuleName.EVERY_READING: AcceptanceRule(
        title=said("Every reading within the limits"),
        text=said("Every reading lies within the limits of its location."),
        source=said("as the order says"),
        known=said("common practice, no source"),
        seen=said("none: it is the order's own wording"),
        judge=every_reading,
    ),
    RuleName.LOCATION_MEANS: AcceptanceRule(
        title=said("Mean of each location within the limits"),
        text=said("On each piece measured, the mean of the readings at each location lies within its limits."),
        source=said("as the order says"),
        known=said("common practice, no source"),
        seen=said("none: it is the order's own wording"),
        judge=location_means,
    ),
    RuleName.SSPC_PA2: AcceptanceRule(
        title="SSPC-PA 2",
        text=said(
            "A spot is the mean of at least three readings; an area, here a location on a piece, is the mean of at "
            "least five spots."
        ),
        source=said("SSPC-PA 2, clauses 8.1 and 8.2 and table 1"),
        known=said(
            "spots, areas, and the 80 and 120 % of level 3: read in public copies and excerpts; the other levels: "
            "from memory"
        ),
        seen=said(
            "the edition of 2004 and excerpts of those of 2012 to 2018, in public copies; table 1 itself was not seen"
        ),
        judge=sspc_pa2,
    ),
    RuleName.ISO_19840: AcceptanceRule(
        title="ISO 19840",
        text=said(
            "At each location on each piece, with the lower limit as nominal: the mean is at least nominal, every "
            "reading at least 80 % of it and at most the upper limit, and less than 20 % of the readings lie between "
            "80 % of nominal and nominal."
        ),
        source="ISO 19840:2012",
        known=said("acceptance: read in a public note on the standard; sampling plan: read in part, else from memory"),
        seen=said("ISO 19840:2012, through a public note on NEN-ISO 19840 and a journal's copy of its sampling table"),
        judge=iso_19840,
    ),
    RuleName.ARCHITECTURAL_LABEL: AcceptanceRule(
        title=said("Mean and 80 percent, as the architectural quality label judges"),
        text=said(
            "On each piece measured, over the locations with one minimum: at least five measuring areas of three to "
            "five readings each; the mean of their values is at least the minimum, and none is below 80 % of it. "
            "An upper limit is the job's own and is asked of every reading."
        ),
        source=said(
            "specifications of the quality label for coated architectural aluminium, clause on coating thickness"
        ),
        known=said("from memory; the label's four published examples agree"),
        seen=said("none of the label's specifications; its lot table in a public tender text"),
        judge=architectural_label,
    ),
    **SHARE_RULES,
    RuleName.SSPC_PA2_EXTENT: EXTENT_RULE,
}


# What is missing


def _unknown_locations(job: Job, readings: Iterable[Judged]) -> Iterator[Finding]:
    unknown: dict[str, int] = {}
    for reading in readings:
        if is_judged(reading):
            unknown[reading.location] = unknown.get(reading.location, 0) + 1
    for name, taken in unknown.items():
        if job.find(name) is None:
            yield Finding(
                Verdict.UNDECIDED,
                "locations of the job",
                said(
                    "{readings} at {location}, a location that the job does not name: not judged",
                    readings=counted(taken, "reading"),
                    location=name,
                ),
                found=Fraction(taken),
                limit=Decimal(0),
            )


def _without_base(job: Job, readings: Iterable[Judged]) -> Iterator[Finding]:
    """Where the job asks for a base reading, thickness alone is film and profile (or zinc) together."""
    if not job.base_reading:
        return
    if job.rule.name is RuleName.ISO_19840 and job.rule.roughness_correction_um:
        # The other published way of allowing for a blasted profile was chosen.
        return
    without = sum(is_judged(reading) and reading.base_metal_um is None for reading in readings)
    if without:
        yield Finding(
            Verdict.UNDECIDED,
            "base metal readings",
            said(
                "{readings} with nothing subtracted, though the job asks for base metal readings",
                readings=counted(without, "reading"),
            ),
            found=Fraction(without),
            limit=Decimal(0),
        )


def _unmeasured(job: Job, places: Sequence[PieceLocation]) -> Iterator[Finding]:
    """Where no piece was measured at all there are no places, yet every location is missing."""
    if not places:
        for location in job.location:
            yield Finding(
                Verdict.UNDECIDED,
                "readings",
                said(
                    "{location}: no readings, {planned} a piece are planned",
                    location=location.name,
                    planned=location.planned,
                ),
                location=location.name,
                found=Fraction(0),
                limit=Decimal(location.planned),
            )


def _completeness(place: PieceLocation) -> Iterator[Finding]:
    if place.credited < place.location.planned:
        yield too_few(place, "readings", place.credited, place.location.planned, "the plan asks for")


def _short_spots(place: PieceLocation, fewest: int) -> Iterator[Finding]:
    for number, builds in place.spots.items():
        if len(builds) < fewest:
            yield _spot_finding(place, number, len(builds), fewest, short=True)


def _long_spots(place: PieceLocation, most: int) -> Iterator[Finding]:
    for number, builds in place.spots.items():
        if len(builds) > most:
            yield _spot_finding(place, number, len(builds), most, short=False)


_SHORT_SPOT: Final = template("{place}: spot {number} has {readings}; the rule takes at least {limit} to a spot")
_LONG_SPOT: Final = template("{place}: spot {number} has {readings}; the rule takes at most {limit} to a spot")


def _spot_finding(place: PieceLocation, number: int, taken: int, limit: int, *, short: bool) -> Finding:
    words = _SHORT_SPOT if short else _LONG_SPOT
    return Finding(
        Verdict.UNDECIDED,
        "readings in a spot",
        words(place=where(place), number=number, readings=counted(taken, "reading"), limit=limit),
        location=place.location.name,
        piece=place.piece,
        found=Fraction(taken),
        limit=Decimal(limit),
    )


#: By what was measured: where it is enough, and where it is not.
_AMOUNTS: Final = {
    "areas measured": (
        template("areas measured: {found}, as many as the {asked} that {rule} asks for on {area}"),
        template("areas measured: {found}, fewer than the {asked} that {rule} asks for on {area}"),
    ),
    "readings taken": (
        template("readings taken: {found}, as many as the {asked} that {rule} asks for on {area}"),
        template("readings taken: {found}, fewer than the {asked} that {rule} asks for on {area}"),
    ),
}


def _amount_measured(check: str, found: int, asked: int, who: str, on: str) -> Finding:
    enough = found >= asked
    reached, short = _AMOUNTS[check]
    return Finding(
        Verdict.PASS if enough else Verdict.UNDECIDED,
        check,
        (reached if enough else short)(found=found, asked=asked, rule=who, area=on),
        found=Fraction(found),
        limit=Decimal(asked),
    )


# What was compared


def _spot_means(place: PieceLocation, fewest: int, most: int | None) -> list[Fraction]:
    """Return the means of the spots with a number of readings that makes them spots."""
    return [
        mean(builds)
        for builds in place.spots.values()
        if len(builds) >= fewest and (most is None or len(builds) <= most)
    ]


_FEW_LOW: Final = template(
    "{place}: {n} {of_readings} between 80 % of nominal and nominal ({floor} and {nominal}); less than 20 %, so {allowed} "
    "at the most, are allowed"
)
_MANY_LOW: Final = template(
    "{place}: {n} {of_readings} between 80 % of nominal and nominal ({floor} and {nominal}); less than 20 %, so {allowed} "
    "at the most, would be allowed"
)


def _low_share(
    place: PieceLocation, builds: Sequence[Fraction], nominal: Decimal, floor: Fraction, unit: Unit
) -> Finding:
    thin = sum(floor <= build < Fraction(nominal) for build in builds)
    allowed = iso_19840_low_readings_allowed(len(builds))
    good = thin <= allowed
    words = _FEW_LOW if good else _MANY_LOW
    sentence = words(
        place=where(place),
        n=thin,
        of_readings=out_of(len(builds), "reading"),
        floor=as_written(floor),
        nominal=with_unit(as_written(nominal), unit),
        allowed=allowed,
    )
    return Finding(
        Verdict.PASS if good else Verdict.FAIL,
        LOW_READINGS_CHECK,
        sentence,
        location=place.location.name,
        piece=place.piece,
        found=Fraction(thin, len(builds)),
        limit=LOW_SHARE,
    )

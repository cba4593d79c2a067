"""How far a non-conforming area reaches: spots taken step by step away from it, as SSPC-PA 2 asks.

A job for this has one location for each direction that is walked from the failing area, and its spots are the steps:
spot 1 lies one step away, spot 2 two steps. What is known:

* Steps of 1.5 m (5 ft) in each direction until two consecutive spots conform, or no further step is possible, or the
  surface coated in that shift ends; spots are judged against the specified minimum and maximum themselves, without
  the allowance of a level: read, in a one-page copy whose text matches PA 2:2012, clause 8 (identity inferred).
* Repeating small units: one spot a unit until two consecutive units in each direction conform (read, same copy); there
  a step is a unit.
* That there are eight equally spaced directions: from memory, so their number is not asked for.
"""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from typing import Final

from rules.places import AcceptanceRule, PieceLocation, high, low, where
from rules.rounding import at_least, at_most
from rules.sampling import PA2_READINGS_PER_SPOT
from rules.sentence import said
from rules.statistics import mean
from rules.verdict import Finding, Verdict
from rules.wording import counted, listed
from schemas.job import Rule
from schemas.units import Unit

#: Consecutive conforming spots that end a direction (read, see above).
CONFORMING_IN_A_ROW: Final = 2
_REACH: Final = "reach of the non-conforming area"


def pa2_extent(places: Sequence[PieceLocation], rule: Rule, unit: Unit) -> list[Finding]:
    """Judge every step against the limits themselves, and say for each direction how far the area reaches.

    A step is the mean of at least three readings; one of fewer is none. A direction that is neither ended by two
    consecutive conforming steps nor walked as far as the job plans is UNDECIDED: it has to be walked on.
    """
    findings: list[Finding] = []
    for place in places:
        steps = {number: mean(builds) for number, builds in place.spots.items() if len(builds) >= PA2_READINGS_PER_SPOT}
        for number, build in steps.items():
            findings.extend(_step(place, number, build, unit))
        findings.append(_reach(place, steps))
    return findings


def _step(place: PieceLocation, number: int, build: Fraction, unit: Unit) -> list[Finding]:
    lower, upper = place.location.lower, place.location.upper
    check = said("step {number}", number=number)
    found = []
    if lower is not None:
        found.append(low(place, check, build, lower, "the specified minimum", unit, PA2_READINGS_PER_SPOT))
    if upper is not None:
        found.append(high(place, check, build, upper, "the specified maximum", unit, PA2_READINGS_PER_SPOT))
    return found


def _reach(place: PieceLocation, steps: dict[int, Fraction]) -> Finding:
    planned = place.location.spots
    missing = [n for n in range(1, planned + 1) if n not in steps]
    ended = _ended_at(place, steps)
    walked = max(steps, default=0)
    if ended is not None:
        verdict = Verdict.PASS
        last = ended - CONFORMING_IN_A_ROW
        if last:
            sentence = said(
                "{place}: conforms from step {next} on, {steps} measured: the area reaches past step {last} and ends "
                "before step {next}",
                place=where(place),
                next=last + 1,
                steps=counted(CONFORMING_IN_A_ROW, "consecutive step"),
                last=last,
            )
        else:
            sentence = said(
                "{place}: conforms from step 1 on, {steps} measured: the area ends before step 1",
                place=where(place),
                steps=counted(CONFORMING_IN_A_ROW, "consecutive step"),
            )
    elif not missing:
        verdict = Verdict.PASS
        sentence = said(
            "{place}: all {planned} steps that could be taken are measured, and no two in a row conform: the area reaches "
            "to the end of what was coated here",
            place=where(place),
            planned=planned,
        )
    else:
        verdict = Verdict.UNDECIDED
        gap = [str(n) for n in missing if n < walked]
        if len(gap) == 1:
            sentence = said("{place}: step {number} is missing; measure it", place=where(place), number=gap[0])
        elif gap:
            sentence = said(
                "{place}: steps {numbers} are missing; measure them", place=where(place), numbers=listed(gap)
            )
        else:
            sentence = said(
                "{place}: {steps} measured and no two in a row conform: go on",
                place=where(place),
                steps=counted(walked, "step"),
            )
    return Finding(
        verdict,
        _REACH,
        sentence,
        location=place.location.name,
        piece=place.piece,
        found=Fraction(walked),
    )


def _ended_at(place: PieceLocation, steps: dict[int, Fraction]) -> int | None:
    """Return the second of the first two consecutive conforming steps with no step missing before, or None."""
    row = 0
    for number in range(1, place.location.spots + 1):
        if number not in steps:
            return None
        row = row + 1 if _conforms(place, steps[number]) else 0
        if row == CONFORMING_IN_A_ROW:
            return number
    return None


def _conforms(place: PieceLocation, build: Fraction) -> bool:
    lower, upper = place.location.lower, place.location.upper
    return (lower is None or at_least(build, lower, place.comparison)) and (
        upper is None or at_most(build, upper, place.comparison)
    )


EXTENT_RULE: Final = AcceptanceRule(
    title=said("SSPC-PA 2, size of a non-conforming area"),
    text=said(
        "Each location is a direction from the failing area and each spot, the mean of at least three readings, one step "
        "of 1.5 m (5 ft) or one repeating unit. Steps are judged against the specified minimum and maximum without "
        "allowance; a direction ends with two consecutive conforming steps, or where no further step is possible."
    ),
    source=said("SSPC-PA 2:2012, clause 8"),
    known=said("read in a one-page copy, identity inferred; the number of directions is the shop's to choose"),
    seen=said("a one-page copy whose text matches the edition of 2012"),
    judge=pa2_extent,
)

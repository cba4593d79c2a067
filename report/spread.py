"""Where the spread of an inspection sits: between pieces, locations, spots, or from reading to reading. Pure."""

from __future__ import annotations

from fractions import Fraction
from typing import Any, Final

from report.evidence import Evidence, builds_by_reading
from rules.results import Assessment
from rules.variation import Level, Variation, nested_variation
from rules.wording import amount

_FEWEST: Final = 10
_WORDS: Final = {
    Level.PIECE: "between pieces",
    Level.LOCATION: "between locations of a piece",
    Level.SPOT: "between spots of a location",
    Level.READING: "from reading to reading",
}


def spread_of(evidence: Evidence, assessment: Assessment) -> Variation | None:
    """Return the nested variation of all builds, in the unit of the specification; None under ten readings."""
    builds = builds_by_reading(evidence, assessment)
    if len(builds) < _FEWEST:
        return None
    nest: dict[str, dict[str, dict[int, list[Fraction]]]] = {}
    for reading in evidence.readings:
        if reading.reading_no in builds:
            spots = nest.setdefault(reading.piece, {}).setdefault(reading.location, {})
            spots.setdefault(reading.spot, []).append(builds[reading.reading_no])
    return nested_variation(nest)


def spread_sentence(evidence: Evidence, assessment: Assessment) -> str:
    """Return where the spread sits, in a sentence without its full stop; empty where too little is known."""
    found = spread_of(evidence, assessment)
    if found is None or not found.total:
        return ""
    shares = [
        (level.share, _WORDS[level.level]) for level in found.levels if level.share is not None and level.share > 0
    ]
    parts = [f"{float(share) * 100:.0f} % {words}" for share, words in sorted(shares, reverse=True)]
    hidden = [level for level in found.levels if level.shown_in is not None]
    also = "".join(
        f"; what lies {_WORDS[h.level]} shows together with it" for h in hidden if h.level is not Level.PIECE
    )
    unit = assessment.unit
    return (
        f"where the spread sits (standard deviation {amount(Fraction(found.deviation), unit)} {unit.symbol} in all, by nested "
        f"analysis of variance): {', '.join(parts)}{also}"
    )


def spread_json(evidence: Evidence, assessment: Assessment) -> list[dict[str, Any]] | None:
    """Return the variance components as plain JSON, in the unit squared; None where too little is known."""
    found = spread_of(evidence, assessment)
    if found is None:
        return None
    return [
        {
            "level": level.level.value,
            "members": level.members,
            "degrees_of_freedom": level.degrees,
            "variance": None if level.component is None else float(level.component),
            "share": None if level.share is None else float(level.share),
        }
        for level in found.levels
    ]

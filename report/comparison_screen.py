"""Two parties' results on a terminal and as JSON: the answer first, then the numbers, what would explain them, what to do."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from decimal import Decimal
from fractions import Fraction
from typing import Any, Final

from report.comparing import Compared, Opened
from report.figures import figure, two_figures
from report.terminal_text import fitted, wrapped
from rules.dispute import Comparison, Step
from rules.parties import Party
from rules.party_explanations import Explanation, Standing, error_figure
from rules.party_places import Bearing, Place
from rules.uncertainty import TWO_SIGMA
from rules.wording import PLACES
from schemas.units import Unit, from_um

_ANSWER: Final = {
    Bearing.WITHIN: "NO DIFFERENCE MEANS ANYTHING",
    Bearing.OPEN: "CANNOT BE TOLD",
    Bearing.BEYOND: "A DIFFERENCE MEANS SOMETHING",
}
_WORDS: Final = {Bearing.WITHIN: "within U", Bearing.OPEN: "not known", Bearing.BEYOND: "BEYOND U"}
_HEAD: Final = ("location", "n A", "A", "U A", "n B", "B", "U B", "A - B", "U", "E_n", "left", "")
_RIGHT: Final = (1, 2, 3, 4, 5, 6, 7, 8, 9, 10)
#: Left out first where the terminal is narrow: the numbers of readings, then each party's own U.
_SPARE: Final = (1, 4, 8, 3, 6)


def comparison_lines(found: Compared, certificates: Sequence[Opened], columns: int) -> list[str]:
    """Return a comparison as it is read at a desk, at most *columns* wide."""
    comparison = found.comparison
    best = _best(comparison)
    lines = [
        f"{comparison.first.name} and {comparison.second.name}: {_ANSWER[comparison.bearing]}",
        *([found.nothing_to_learn] if found.nothing_to_learn else []),
        f"{comparison.conclusion}.",
        *_asked(comparison),
        "",
        *_verified(certificates),
        *_table(comparison, best, columns),
        *_explained(comparison),
        *_block("for the verdict", comparison.about_limits),
        *_block("worth knowing", [*found.remarks, *_alone(comparison), *comparison.remarks]),
        *_to_do(comparison.steps),
    ]
    return [line.replace("\u00a0", " ").rstrip() for line in wrapped(lines, columns)]


def _asked(comparison: Comparison) -> Iterator[str]:
    if any(p.second.expanded_um is None and p.bearing is Bearing.OPEN for p in comparison.places):
        yield "Say what is known of theirs with --their-u or --their-accuracy."


def _verified(certificates: Sequence[Opened]) -> Iterator[str]:
    for one in certificates:
        inspection = one.document.evidence.inspection
        yield (
            f"{one.called} ({inspection.shop}, part {inspection.part_no}, lot {inspection.lot}) was verified: nothing in it "
            "was changed, and every number follows from its data."
        )
        yield from (f"  not shown: {part.sentence}" for part in one.not_shown)


def _best(comparison: Comparison) -> Explanation | None:
    """Return the best explanation that leaves something at every location that is compared, by its own name."""
    names = {p.location for p in comparison.places}
    return next(
        (
            one
            for one in comparison.explanations
            if one.standing is Standing.FULLY and {left.location for left in one.left} == names
        ),
        None,
    )


def _table(comparison: Comparison, best: Explanation | None, columns: int) -> list[str]:
    unit = comparison.unit
    left = {one.location: one for one in best.left} if best is not None else {}
    rows = []
    for place in comparison.places:
        error = place.error
        after = left[place.location].error if left else None
        rows.append(
            (
                place.location,
                str(place.first.count),
                _shown(place.first.centre_um, unit),
                _uncertainty(place.first.expanded_um, unit),
                str(place.second.count),
                _shown(place.second.centre_um, unit),
                _uncertainty(place.second.expanded_um, unit),
                _signed(place.difference_um, unit),
                _uncertainty(None if error is None else error.expanded, unit),
                "-" if error is None else error_figure(Fraction(error.value)).replace("-", "\u2212"),
                "-" if after is None else error_figure(after),
                _word(place, unit),
            )
        )
    # Without an explanation that holds there is nothing left to show.
    dropped = () if any(row[10] != "-" for row in rows) else (10,)
    keep = [i for i in range(len(_HEAD)) if i not in dropped]
    head, *cells = [[row[i] for i in keep] for row in (_HEAD, *rows)]
    place_of = {old: new for new, old in enumerate(keep)}
    lines = fitted(
        [head, *cells],
        columns,
        right=[place_of[i] for i in _RIGHT if i in place_of],
        spare=[place_of[i] for i in _SPARE if i in place_of],
    )
    said = [
        "",
        f"film build in {unit.symbol}; A: {comparison.first.name}, B: {comparison.second.name}",
        *lines,
        "U: expanded, k = 2; a difference means something where |E_n|, the difference over its U, is above 1.",
        *_printed_otherwise((comparison.first, comparison.second)),
    ]
    if not dropped and best is not None:
        said.append(f"left: |E_n| that would be left by the first explanation below ({_causes(best)}).")
    return said


def _printed_otherwise(parties: Sequence[Party]) -> Iterator[str]:
    """Yield how U here differs from what a certificate prints: nobody should take one for a mistake in the other."""
    printed: dict[str, list[str]] = {}
    for party in parties:
        if party.printed_coverage is not None and party.printed_coverage != TWO_SIGMA:
            printed.setdefault(_percent(party.printed_coverage), []).append(party.name)
    for percent, names in printed.items():
        verb = "prints" if len(names) == 1 else "print"
        yield (
            f"U here is at k = 2 / {_percent(TWO_SIGMA)} (with few readings Student's t for as much); "
            f"{' and '.join(names)} {verb} U at {percent}."
        )


def _percent(share: Decimal) -> str:
    return f"{(share * 100).normalize():f} %"


def _word(place: Place, unit: Unit) -> str:
    if place.bearing is Bearing.OPEN and place.needed_um is not None:
        return f"nothing from U {_uncertainty(place.needed_um, unit)} on"
    if place.bearing is Bearing.WITHIN and place.error is None:
        if not place.difference_um:
            return "alike"
        return f"within U {'A' if place.first.expanded_um is not None else 'B'}"
    return _WORDS[place.bearing]


def _explained(comparison: Comparison) -> Iterator[str]:
    if not comparison.explanations:
        return
    by_standing = {
        standing: [one for one in comparison.explanations if one.standing is standing] for standing in Standing
    }
    yield ""
    yield "what would explain it"
    good = [*by_standing[Standing.FULLY], *by_standing[Standing.PARTLY]]
    if not good:
        yield "  - nothing that was tried"
    yield from (f"  {n}. [{_causes(one)}] {one.sentence}" for n, one in enumerate(good, start=1))
    if by_standing[Standing.OPEN]:
        yield "not ruled out"
        yield from (f"  - [{one.cause.value}] {one.sentence}" for one in by_standing[Standing.OPEN])
    if by_standing[Standing.NO]:
        yield f"tried, and does not explain it: {', '.join(_in_short(one) for one in by_standing[Standing.NO])} (--json says more)"


def _causes(one: Explanation) -> str:
    return one.cause.value if one.and_then is None else f"{one.cause.value}, and {one.and_then.value}"


def _in_short(one: Explanation) -> str:
    error = one.greatest_error
    if error is None:
        return one.cause.value
    left = f"|E_n| {error_figure(error)} left" if error > 1 else "the differences hardly shrink"
    return f"{one.cause.value} ({left})"


def _alone(comparison: Comparison) -> Iterator[str]:
    for party, names in ((comparison.first, comparison.only_first), (comparison.second, comparison.only_second)):
        if names:
            shown = ", ".join(names[:8]) + (", …" if len(names) > 8 else "")
            yield f"Only {party.name} has {shown}: not compared (a location that is called otherwise: --same THEIRS=OURS)."


def _block(head: str, sentences: Sequence[str]) -> Iterator[str]:
    if sentences:
        yield ""
        yield head
        yield from (f"  - {sentence}" for sentence in sentences)


def _to_do(steps: Sequence[Step]) -> Iterator[str]:
    yield ""
    yield "what to do"
    for number, step in enumerate(steps, start=1):
        yield f"  {number}. {step.action.upper()}. {step.sentence}"
        if step.caution:
            yield f"     caution: {step.caution}"
        yield f"     [{step.known}]"


def _shown(value_um: Fraction, unit: Unit) -> str:
    return figure(from_um(value_um, unit), PLACES[unit])


def _signed(value_um: Fraction, unit: Unit) -> str:
    text = _shown(value_um, unit)
    return f"+{text}" if value_um > 0 else text


def _uncertainty(value_um: Decimal | None, unit: Unit) -> str:
    return "-" if value_um is None else two_figures(from_um(value_um, unit))


# JSON


def comparison_json(found: Compared, certificates: Sequence[Opened]) -> dict[str, Any]:
    """Return a comparison as plain JSON; thicknesses are in µm."""
    comparison = found.comparison
    return {
        "answer": comparison.bearing.name,
        "conclusion": comparison.conclusion,
        "nothing_to_learn": found.nothing_to_learn or None,
        "unit": comparison.unit.value,
        "parties": [_party_json(comparison.first), _party_json(comparison.second)],
        "verified": [
            {
                "certificate": one.called,
                "holds": True,
                "parts": [
                    {"part": p.name, "verdict": p.verdict.name, "sentence": p.sentence} for p in one.report.parts
                ],
            }
            for one in certificates
        ],
        "locations": [_place_json(p) for p in comparison.places],
        "only_first": list(comparison.only_first),
        "only_second": list(comparison.only_second),
        "explanations": [_explanation_json(one) for one in comparison.explanations],
        "about_limits": list(comparison.about_limits),
        "remarks": [*found.remarks, *comparison.remarks],
        "steps": [
            {"action": s.action.value, "sentence": s.sentence, "known": s.known, "caution": s.caution or None}
            for s in comparison.steps
        ],
    }


def _party_json(party: Party) -> dict[str, Any]:
    return {
        "name": party.name,
        "unit": party.unit.value,
        "gauge": None if party.checked.state is None else party.checked.state.value,
        "gauge_sentence": party.checked.sentence,
        "rule": party.judges or None,
        "printed_coverage": _float(party.printed_coverage),
    }


def _place_json(place: Place) -> dict[str, Any]:
    error = place.error
    return {
        "location": place.location,
        "bearing": place.bearing.name,
        "means_um": [float(place.first.centre_um), float(place.second.centre_um)],
        "readings": [place.first.count, place.second.count],
        "expanded_um": [_float(place.first.expanded_um), _float(place.second.expanded_um)],
        "difference_um": float(place.difference_um),
        "expanded_of_difference_um": None if error is None else float(error.expanded),
        "normalized_error": None if error is None else float(error.value),
        "normalized_error_taken_as_independent": None if place.taken_apart is None else float(place.taken_apart.value),
        "shared_standard": place.shared,
        "means_nothing_from_expanded_um": _float(place.needed_um),
    }


def _explanation_json(one: Explanation) -> dict[str, Any]:
    return {
        "cause": one.cause.value,
        "and_then": None if one.and_then is None else one.and_then.value,
        "explains": one.standing.name,
        "sentence": one.sentence,
        "numbers_fitted": one.fitted,
        "left": [
            {
                "location": left.location,
                "difference_um": float(left.difference_um),
                "normalized_error": _float(left.error),
            }
            for left in one.left
        ],
    }


def _float(value: Decimal | None) -> float | None:
    return None if value is None else float(value)

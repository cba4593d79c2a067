"""What a certificate says of the guard bands that decided: value, U, width and acceptance limit, where it conforms too. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from fractions import Fraction
from typing import Final

from rules.comparison_words import check_words
from rules.sentence import joined, said, template
from rules.verdict import Finding, Guard
from rules.wording import amount, as_written, with_unit
from schemas.units import Unit

_LOW: Final = template("{number} (piece {piece}): U {expanded}, w {guard}, limit {limit}, accepted from {acceptance}")
_HIGH: Final = template("{number} (piece {piece}): U {expanded}, w {guard}, limit {limit}, accepted up to {acceptance}")


def guard_band_sentences(findings: Iterable[Finding], unit: Unit) -> tuple[str, ...]:
    """Return a sentence for each location that was decided with guard bands, with the least favourable number for each limit.

    By simple acceptance there is none. U depends on the thickness, so an acceptance limit is that for the number beside it.
    """
    nearest: dict[tuple[str | None, str, Fraction, bool | None], Finding] = {}
    for finding in findings:
        if finding.guard is None or finding.limit is None:
            continue
        key = (finding.location, finding.check, Fraction(finding.limit), finding.low)
        if key not in nearest or _room(finding) < _room(nearest[key]):
            nearest[key] = finding
    by_location: dict[str | None, list[Finding]] = {}
    for finding in nearest.values():
        by_location.setdefault(finding.location, []).append(finding)
    return tuple(_sentence(location, found, unit) for location, found in by_location.items())


def _sentence(location: str | None, findings: Iterable[Finding], unit: Unit) -> str:
    decided = joined([_against(finding, unit) for finding in findings], "; ")
    if location is None:
        return said("Several locations together, least favourable with its guard band w: {decided}", decided=decided)
    return said("{location}, least favourable with its guard band w: {decided}", location=location, decided=decided)


def _against(finding: Finding, unit: Unit) -> str:
    guard, limit = _guard(finding), finding.limit
    assert limit is not None  # noqa: S101 - the others are left out
    number = with_unit(amount(guard.value, unit, guard.acceptance), unit)
    if guard.value == finding.found:  # else it is neither the lowest nor the highest
        number = joined([check_words(finding.check), number])
    return (_LOW if finding.low else _HIGH)(
        number=number,
        piece=finding.piece or "",
        limit=with_unit(as_written(limit), unit),
        expanded=with_unit(amount(guard.expanded, unit), unit),
        guard=with_unit(amount(guard.width, unit), unit),
        acceptance=with_unit(amount(guard.acceptance, unit, guard.value), unit),
    )


def _room(finding: Finding) -> Fraction:
    """Return by how much a number lies inside its acceptance limit."""
    guard = _guard(finding)
    inside = guard.value - guard.acceptance
    return inside if finding.low else -inside


def _guard(finding: Finding) -> Guard:
    assert finding.guard is not None  # noqa: S101 - the others are left out
    return finding.guard

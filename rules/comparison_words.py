"""The sentences of a comparison with a limit, one for each limit that a rule names.

A limit's name is written out in each, so that a catalogue can give it the form that its sentence asks for.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from rules.sentence import Joined, Sentence, joined, said, template

_Words = tuple[Callable[..., Sentence], Callable[..., Sentence]]

#: What is compared; the subject of its sentence.
_CHECKS: Final[dict[str, str]] = {
    "lowest reading": said("lowest reading"),
    "highest reading": said("highest reading"),
    "lowest spot": said("lowest spot"),
    "highest spot": said("highest spot"),
    "lowest measured value": said("lowest measured value"),
    "mean of the readings": said("mean of the readings"),
    "mean of the area": said("mean of the area"),
    "mean of the measured values": said("mean of the measured values"),
}
#: By the name of a lower limit: the sentence where it is met, and where it is not.
_LOW: Final[dict[str, _Words]] = {
    "the lower limit": (
        template("{place}: {check} {found} meets the lower limit {limit}"),
        template("{place}: {check} {found} is below the lower limit {limit}"),
    ),
    "{share} of the lower limit": (
        template("{place}: {check} {found} meets {share} of the lower limit {limit}"),
        template("{place}: {check} {found} is below {share} of the lower limit {limit}"),
    ),
    "nominal": (
        template("{place}: {check} {found} meets nominal {limit}"),
        template("{place}: {check} {found} is below nominal {limit}"),
    ),
    "80 % of nominal": (
        template("{place}: {check} {found} meets 80 % of nominal {limit}"),
        template("{place}: {check} {found} is below 80 % of nominal {limit}"),
    ),
    "90 % of nominal": (
        template("{place}: {check} {found} meets 90 % of nominal {limit}"),
        template("{place}: {check} {found} is below 90 % of nominal {limit}"),
    ),
    "the minimum": (
        template("{place}: {check} {found} meets the minimum {limit}"),
        template("{place}: {check} {found} is below the minimum {limit}"),
    ),
    "80 % of the minimum": (
        template("{place}: {check} {found} meets 80 % of the minimum {limit}"),
        template("{place}: {check} {found} is below 80 % of the minimum {limit}"),
    ),
    "the specified minimum": (
        template("{place}: {check} {found} meets the specified minimum {limit}"),
        template("{place}: {check} {found} is below the specified minimum {limit}"),
    ),
    "the floor": (
        template("{place}: {check} {found} meets the floor {limit}"),
        template("{place}: {check} {found} is below the floor {limit}"),
    ),
    "the floor, 85 % of nominal,": (
        template("{place}: {check} {found} meets the floor, 85 % of nominal, {limit}"),
        template("{place}: {check} {found} is below the floor, 85 % of nominal, {limit}"),
    ),
}
#: By the name of an upper limit: the sentence where it is kept, and where it is not.
_HIGH: Final[dict[str, _Words]] = {
    "the upper limit": (
        template("{place}: {check} {found} is within the upper limit {limit}"),
        template("{place}: {check} {found} is above the upper limit {limit}"),
    ),
    "{share} of the upper limit": (
        template("{place}: {check} {found} is within {share} of the upper limit {limit}"),
        template("{place}: {check} {found} is above {share} of the upper limit {limit}"),
    ),
    "the upper limit that the job sets": (
        template("{place}: {check} {found} is within the upper limit that the job sets {limit}"),
        template("{place}: {check} {found} is above the upper limit that the job sets {limit}"),
    ),
    "the maximum": (
        template("{place}: {check} {found} is within the maximum {limit}"),
        template("{place}: {check} {found} is above the maximum {limit}"),
    ),
    "the specified maximum": (
        template("{place}: {check} {found} is within the specified maximum {limit}"),
        template("{place}: {check} {found} is above the specified maximum {limit}"),
    ),
}


def check_words(check: str) -> str:
    """Return what was compared, as the subject of its sentence."""
    return _CHECKS.get(check, check)


def share_of(share: str, limit_name: str) -> str:
    """Return the name of a limit that is a *share* of another one: "80 % of the lower limit".

    It is there to be compared with: :func:`comparison_sentence` says it as part of a whole sentence.
    """
    return joined([share, f"of {limit_name}"])


def comparison_sentence(
    place: str, check: str, found: str, limit_name: str, limit: str, *, low: bool, good: bool
) -> str:
    """Return what a comparison says; *found* and *limit* are figures with their unit, *place* says in words where.

    The name of a limit that no published rule has is said in English as it stands.
    """
    key, shares = limit_name, {}
    if isinstance(limit_name, Joined):
        share, of = limit_name.parts
        key, shares = f"{{share}} {of}", {"share": share}
    known = _LOW if low else _HIGH
    if key in known:
        kept, broken = known[key]
        words = kept if good else broken
        return words(place=place, check=check_words(check), found=found, limit=limit, **shares)
    relation = ("meets" if good else "is below") if low else ("is within" if good else "is above")
    return f"{place}: {check} {found} {relation} {limit_name} {limit}"

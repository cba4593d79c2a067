"""What was judged, as exact plain values that any later edition of the program can compute and compare again."""

from __future__ import annotations

import re
from decimal import Decimal
from fractions import Fraction
from typing import Any, Final

from report.figures import VERDICT_WORDS, verdict_word
from report.languages import Presentation
from rules.results import Assessment
from rules.verdict import Verdict

_PRINTED: Final = ("mean", "least", "greatest", "deviation")
_NUMBER: Final = re.compile(r"\u2212?[0-9]+(?:\.[0-9]+)?")


def judged(assessment: Assessment) -> dict[str, Any]:
    """Return verdict, conformity, gate and the build at each location; exact numbers as fractions "p/q"."""
    return {
        "verdict": assessment.verdict.name,
        "conformity": assessment.conformity.name,
        "gate": assessment.coverage.state.value,
        "rule": assessment.rule.name,
        "unit": assessment.unit.value,
        "locations": [
            {
                "location": place.location,
                "n": len(place.builds),
                "excluded": place.excluded,
                "lower": _written(place.lower),
                "upper": _written(place.upper),
                "mean": _exact(place.mean),
                "least": _exact(place.least),
                "greatest": _exact(place.greatest),
                "deviation": _written(place.deviation),
                "verdict": place.verdict.name,
                "conditional": place.conditional,
            }
            for place in assessment.locations
        ],
    }


def as_far_as(stated: Any, exact: Any) -> Any:
    """Return *exact* with only the entries that *stated* has: an earlier edition knew fewer of them."""
    if isinstance(stated, dict) and isinstance(exact, dict):
        return {key: as_far_as(value, exact[key]) for key, value in stated.items() if key in exact}
    if isinstance(stated, list) and isinstance(exact, list) and len(stated) == len(exact):
        return [as_far_as(s, e) for s, e in zip(stated, exact, strict=True)]
    return exact


def misprint(stated: dict[str, Any], exact: dict[str, Any], written: Presentation) -> str | None:
    """Return where the strings stated on the pages are not the exact values, rounded as printed; else None.

    Args:
        stated: The certificate's strings, as report.view.CertificateView.stated gives them.
        exact: What :func:`judged` returned.
        written: How the certificate writes words and numbers.
    """
    verdict = Verdict[exact["verdict"]]
    word = written.text(VERDICT_WORDS[verdict])
    conditional = verdict is Verdict.PASS and any(place["conditional"] for place in exact["locations"])
    # An earlier edition left the condition to the sentence beside the word.
    words = {word, written.text(verdict_word(verdict, conditional=True))} if conditional else {word}
    if stated["verdict"] not in words:
        return f"the verdict printed is {stated['verdict']!r} and not {word!r}"
    if len(stated["builds"]) != len(exact["locations"]):
        return f"{len(stated['builds'])} locations are printed and not {len(exact['locations'])}"
    for row, place in zip(stated["builds"], exact["locations"], strict=True):
        here = f"location {place['location']!r}"
        word = written.text(verdict_word(Verdict[place["verdict"]], conditional=place["conditional"]))
        if (row["location"], row["count"], row["verdict"]) != (place["location"], str(place["n"]), word):
            return f"{here} is printed with n {row['count']}, {row['verdict']}, and not {place['n']}, {word}"
        bounds = [Decimal(place[name]) for name in ("lower", "upper") if place[name] is not None]
        printed = [Decimal(_plain(number)) for number in _NUMBER.findall(written.figures(row["limits"]))]
        if printed != bounds:
            return f"{here}: the limits printed are {row['limits']!r}, and they are {' and '.join(map(str, bounds))}"
        for name in _PRINTED:
            if place[name] is not None and not _rounds_to(Fraction(place[name]), written.figures(row[name])):
                return f"{here}: the {name} printed is {row[name]!r}, and it is {float(Fraction(place[name])):.6g}"
    return None


def _exact(number: Fraction | None) -> str | None:
    return None if number is None else str(number)


def _written(number: Decimal | None) -> str | None:
    return None if number is None else f"{number:f}"


def _plain(printed: str) -> str:
    return printed.replace("\u2212", "-")


def _rounds_to(number: Fraction, printed: str) -> bool:
    if not _NUMBER.fullmatch(printed):
        return False
    written = Decimal(_plain(printed))
    half_a_place = Fraction(Decimal(1).scaleb(int(written.as_tuple().exponent))) / 2
    return abs(number - Fraction(written)) <= half_a_place

"""The acceptance rules that allow a share of the readings below nominal: architectural aluminium, 90/10, a shop's own.

"80 % of the readings" here is a share of readings, not 80 % of the nominal film build: the label's rule and
ISO 19840 mean the latter.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from decimal import Decimal
from fractions import Fraction
from typing import Final

from rules.places import LOW_READINGS_CHECK, AcceptanceRule, Limit, PieceLocation, high, low, where
from rules.rounding import Comparison, at_least, exact_decimal
from rules.statistics import mean
from rules.verdict import Finding, Verdict
from rules.wording import as_written, counted
from schemas.job import Rule
from schemas.units import Unit
from schemas.vocabulary import RuleName

#: Architectural aluminium (read, comparison of AAMA 2603, 2604 and 2605): share of readings at nominal or above.
ALUMINIUM_AT_NOMINAL: Final = Fraction(4, 5)
#: The same: the floor as a share of the specified thickness.
ALUMINIUM_FLOOR: Final = Fraction(85, 100)
#: The other wording in circulation (read, a trade paper of 2012-13, edition not shown): readings below the floor.
ALUMINIUM_BELOW_FLOOR: Final = Fraction(1, 20)
#: 90/10 (read, a formula page on the NDFT of IMO PSPC, MSC.215(82)).
NINETY: Final = Fraction(9, 10)


def architectural_aluminium(places: Sequence[PieceLocation], rule: Rule, unit: Unit) -> list[Finding]:
    """Judge each location on each piece by the architectural aluminium readings rule, in the wording that the job names.

    none-below-floor: at least 80 % of the readings reach nominal (the lower limit), and none lies below the
    floor, which is 85 % of nominal unless the job gives it. five-percent-below-floor: at most 5 % of the
    readings lie below the floor. Both are in circulation and disagree: the edition in force decides. Sources:
    see the constants above. An upper limit is the job's own, and asked of every reading.
    """
    findings: list[Finding] = []
    for place in _measured(places):
        nominal = place.location.lower
        if nominal is not None:
            floor: Limit = rule.floor if rule.floor is not None else ALUMINIUM_FLOOR * Fraction(nominal)
            name = "the floor" if rule.floor is not None else "the floor, 85 % of nominal,"
            if rule.wording == "none-below-floor":
                findings.append(_share_reaching(place, nominal, "nominal", ALUMINIUM_AT_NOMINAL, unit))
                findings.append(low(place, "lowest reading", min(place.builds), floor, name, unit))
            else:
                findings.append(_share_below(place, floor, name, ALUMINIUM_BELOW_FLOOR, unit))
        findings.extend(_own_maximum(place, unit))
    return findings


def ninety_ten(places: Sequence[PieceLocation], rule: Rule, unit: Unit) -> list[Finding]:
    """Judge by 90/10: at least 90 % of the readings reach nominal (the lower limit), none lies below 90 % of it.

    Source: see NINETY. An upper limit is the job's own, and asked of every reading.
    """
    findings: list[Finding] = []
    for place in _measured(places):
        nominal = place.location.lower
        if nominal is not None:
            findings.append(_share_reaching(place, nominal, "nominal", NINETY, unit))
            floor = NINETY * Fraction(nominal)
            findings.append(low(place, "lowest reading", min(place.builds), floor, "90 % of nominal", unit))
        findings.extend(_own_maximum(place, unit))
    return findings


def shop_rule(places: Sequence[PieceLocation], rule: Rule, unit: Unit) -> list[Finding]:
    """Judge by what the shop and its customer agreed, made of the pieces that the published rules are made of."""
    findings: list[Finding] = []
    for place in _measured(places):
        lower, upper = place.location.lower, place.location.upper
        if lower is not None and rule.mean_at_least is not None:
            limit = _share_of(lower, rule.mean_at_least)
            name = _called(rule.mean_at_least, "the lower limit")
            findings.append(
                low(place, "mean of the readings", mean(place.builds), limit, name, unit, len(place.builds))
            )
        if lower is not None and rule.each_at_least is not None:
            limit = _share_of(lower, rule.each_at_least)
            findings.append(
                low(
                    place,
                    "lowest reading",
                    min(place.builds),
                    limit,
                    _called(rule.each_at_least, "the lower limit"),
                    unit,
                )
            )
        if lower is not None and rule.at_most_below is not None:
            findings.append(_share_below(place, lower, "the lower limit", Fraction(rule.at_most_below), unit))
        if upper is not None and rule.each_at_most is not None:
            limit = _share_of(upper, rule.each_at_most)
            findings.append(
                high(
                    place,
                    "highest reading",
                    max(place.builds),
                    limit,
                    _called(rule.each_at_most, "the upper limit"),
                    unit,
                )
            )
    return findings


def _measured(places: Sequence[PieceLocation]) -> Iterator[PieceLocation]:
    return (place for place in places if place.builds)


def _own_maximum(place: PieceLocation, unit: Unit) -> Iterator[Finding]:
    if place.location.upper is not None:
        limit = place.location.upper
        yield high(place, "highest reading", max(place.builds), limit, "the upper limit that the job sets", unit)


def _share_of(limit: Decimal, share: Decimal) -> Limit:
    return limit if share == 1 else Fraction(limit) * Fraction(share)


def _called(share: Decimal, name: str) -> str:
    return name if share == 1 else f"{_percent(Fraction(share))} of {name}"


def _percent(share: Fraction) -> str:
    exact = exact_decimal(share * 100)
    return f"{exact.normalize():f} %" if exact is not None else f"{float(share * 100):.1f} %"


def _share_reaching(place: PieceLocation, limit: Decimal, name: str, at_least_share: Fraction, unit: Unit) -> Finding:
    reaching = sum(at_least(build, limit, place.comparison) for build in place.builds)
    found = Fraction(reaching, len(place.builds))
    good = found >= at_least_share
    return _finding(
        place,
        LOW_READINGS_CHECK,
        f"{reaching} of {counted(len(place.builds), 'reading')} {'reaches' if reaching == 1 else 'reach'} {name} {as_written(limit)} {unit.symbol}; "
        f"at least {_percent(at_least_share)} {'do' if good else 'should'}",
        found,
        at_least_share,
        good=good,
    )


def _share_below(place: PieceLocation, limit: Limit, name: str, at_most_share: Fraction, unit: Unit) -> Finding:
    method = place.comparison if isinstance(limit, Decimal) else Comparison.ABSOLUTE
    below = sum(not at_least(build, limit, method) for build in place.builds)
    found = Fraction(below, len(place.builds))
    good = found <= at_most_share
    return _finding(
        place,
        LOW_READINGS_CHECK,
        f"{below} of {counted(len(place.builds), 'reading')} {'lies' if below == 1 else 'lie'} below {name} "
        f"{as_written(limit)} {unit.symbol}; at most {_percent(at_most_share)} may",
        found,
        at_most_share,
        good=good,
    )


def _finding(place: PieceLocation, check: str, said: str, found: Fraction, limit: Fraction, *, good: bool) -> Finding:
    return Finding(
        Verdict.PASS if good else Verdict.FAIL,
        check,
        f"{where(place)}: {said}",
        location=place.location.name,
        piece=place.piece,
        found=found,
        limit=limit,
    )


def text_of(rule: Rule) -> str:
    """Return what one of these rules asks, in the form that the job chose."""
    if rule.name is RuleName.NINETY_TEN:
        return "At each location at least 90 % of the readings reach nominal, the lower limit, and none lies below 90 % of it."
    if rule.name is RuleName.ARCHITECTURAL_ALUMINIUM:
        floor = as_written(rule.floor) if rule.floor is not None else "85 % of nominal"
        if rule.wording == "none-below-floor":
            return (
                "At each location at least 80 % of the readings reach nominal, the lower limit, and none lies below "
                f"the floor of {floor}."
            )
        return f"At each location at most 5 % of the readings lie below the floor of {floor}."
    asked = []
    if rule.mean_at_least is not None:
        asked.append(f"the mean is at least {_called(rule.mean_at_least, 'the lower limit')}")
    if rule.each_at_least is not None:
        asked.append(f"every reading is at least {_called(rule.each_at_least, 'the lower limit')}")
    if rule.at_most_below is not None:
        asked.append(f"at most {_percent(Fraction(rule.at_most_below))} of the readings lie below the lower limit")
    if rule.each_at_most is not None:
        asked.append(f"every reading is at most {_called(rule.each_at_most, 'the upper limit')}")
    return f"At each location {'; '.join(asked)}." if asked else "Made of the pieces that the job names."


SHARE_RULES: Final[dict[RuleName, AcceptanceRule]] = {
    RuleName.ARCHITECTURAL_ALUMINIUM: AcceptanceRule(
        title="Architectural aluminium, by shares of readings",
        text="At least 80 % of the readings reach nominal and none lies below a floor; or at most 5 % lie below it.",
        source="AAMA 2603, 2604 and 2605, as compared in a public sheet; the 5 % wording from a trade paper",
        known="read in public comparisons, two wordings that disagree; check the edition in force",
        seen="comparisons of 2603-02 and -13, 2604-10 and -13, 2605-11 and -13; the 5 % wording in a trade paper of 2012-13",
        judge=architectural_aluminium,
    ),
    RuleName.NINETY_TEN: AcceptanceRule(
        title="90/10",
        text="At least 90 % of the readings reach nominal and none lies below 90 % of it.",
        source="IMO PSPC, resolution MSC.215(82)",
        known="read, on a public formula page",
        seen="the resolution's formula on a public page; its annex in a public collection",
        judge=ninety_ten,
    ),
    RuleName.SHOP_RULE: AcceptanceRule(
        title="A rule of the shop's own",
        text="Made of the pieces that the job names.",
        source="as agreed with the customer",
        known="stated by the shop",
        seen="none: it is what shop and customer agreed",
        judge=shop_rule,
    ),
}

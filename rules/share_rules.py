"""The acceptance rules that allow a share of the readings below nominal: architectural aluminium, 90/10, a shop's own.

"80 % of the readings" here is a share of readings, not 80 % of the nominal film build: the label's rule and
ISO 19840 mean the latter.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from decimal import Decimal
from fractions import Fraction
from typing import Final

from rules.comparison_words import share_of
from rules.places import LOW_READINGS_CHECK, AcceptanceRule, Limit, PieceLocation, highest, low, lowest, where
from rules.rounding import Comparison, at_least, exact_decimal
from rules.sentence import Figures, joined, said, template
from rules.statistics import mean
from rules.verdict import Finding, Verdict
from rules.wording import as_written, out_of, percent, with_unit
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
                findings.append(_share_reaching(place, nominal, ALUMINIUM_AT_NOMINAL, unit))
                findings.append(lowest(place, "lowest reading", place.builds, floor, name, unit))
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
            findings.append(_share_reaching(place, nominal, NINETY, unit))
            floor = NINETY * Fraction(nominal)
            findings.append(lowest(place, "lowest reading", place.builds, floor, "90 % of nominal", unit))
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
                lowest(
                    place,
                    "lowest reading",
                    place.builds,
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
                highest(
                    place,
                    "highest reading",
                    place.builds,
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
        yield highest(place, "highest reading", place.builds, limit, "the upper limit that the job sets", unit)


def _share_of(limit: Decimal, share: Decimal) -> Limit:
    return limit if share == 1 else Fraction(limit) * Fraction(share)


def _called(share: Decimal, name: str) -> str:
    return name if share == 1 else share_of(_percent(Fraction(share)), name)


def _percent(share: Fraction) -> str:
    exact = exact_decimal(share * 100)
    return percent(Figures(f"{exact.normalize():f}" if exact is not None else f"{float(share * 100):.1f}"))


#: By the name of the limit: where one reading lies below it, and where several or none do.
_BELOW: Final = {
    "the floor": (
        template("{place}: {n} {of_readings} lies below the floor {limit}; at most {share} may"),
        template("{place}: {n} {of_readings} lie below the floor {limit}; at most {share} may"),
    ),
    "the floor, 85 % of nominal,": (
        template("{place}: {n} {of_readings} lies below the floor, 85 % of nominal, {limit}; at most {share} may"),
        template("{place}: {n} {of_readings} lie below the floor, 85 % of nominal, {limit}; at most {share} may"),
    ),
    "the lower limit": (
        template("{place}: {n} {of_readings} lies below the lower limit {limit}; at most {share} may"),
        template("{place}: {n} {of_readings} lie below the lower limit {limit}; at most {share} may"),
    ),
}
#: Where the share is reached, and where it is not; for one reading, and for several or none.
_REACHING: Final = {
    True: (
        template("{place}: {n} {of_readings} reaches nominal {limit}; at least {share} do"),
        template("{place}: {n} {of_readings} reach nominal {limit}; at least {share} do"),
    ),
    False: (
        template("{place}: {n} {of_readings} reaches nominal {limit}; at least {share} should"),
        template("{place}: {n} {of_readings} reach nominal {limit}; at least {share} should"),
    ),
}


def _share_reaching(place: PieceLocation, limit: Decimal, at_least_share: Fraction, unit: Unit) -> Finding:
    reaching = sum(at_least(build, limit, place.comparison) for build in place.builds)
    found = Fraction(reaching, len(place.builds))
    good = found >= at_least_share
    one, several = _REACHING[good]
    words = one if reaching == 1 else several
    return _finding(
        place,
        LOW_READINGS_CHECK,
        words(
            place=where(place),
            n=reaching,
            of_readings=out_of(len(place.builds), "reading"),
            limit=with_unit(as_written(limit), unit),
            share=_percent(at_least_share),
        ),
        found,
        at_least_share,
        good=good,
    )


def _share_below(place: PieceLocation, limit: Limit, name: str, at_most_share: Fraction, unit: Unit) -> Finding:
    method = place.comparison if isinstance(limit, Decimal) else Comparison.ABSOLUTE
    below = sum(not at_least(build, limit, method) for build in place.builds)
    found = Fraction(below, len(place.builds))
    good = found <= at_most_share
    one, several = _BELOW[name]
    words = one if below == 1 else several
    return _finding(
        place,
        LOW_READINGS_CHECK,
        words(
            place=where(place),
            n=below,
            of_readings=out_of(len(place.builds), "reading"),
            limit=with_unit(as_written(limit), unit),
            share=_percent(at_most_share),
        ),
        found,
        at_most_share,
        good=good,
    )


def _finding(
    place: PieceLocation, check: str, sentence: str, found: Fraction, limit: Fraction, *, good: bool
) -> Finding:
    return Finding(
        Verdict.PASS if good else Verdict.FAIL,
        check,
        sentence,
        location=place.location.name,
        piece=place.piece,
        found=found,
        limit=limit,
    )


def text_of(rule: Rule) -> str:
    """Return what one of these rules asks, in the form that the job chose."""
    if rule.name is RuleName.NINETY_TEN:
        return said(
            "At each location at least 90 % of the readings reach nominal, the lower limit, and none lies below 90 % of it."
        )
    if rule.name is RuleName.ARCHITECTURAL_ALUMINIUM:
        return _aluminium_text(rule)
    asked = []
    if rule.mean_at_least is not None:
        asked.append(_at_share(rule.mean_at_least, _MEAN_AT_LEAST))
    if rule.each_at_least is not None:
        asked.append(_at_share(rule.each_at_least, _EACH_AT_LEAST))
    if rule.at_most_below is not None:
        share = _percent(Fraction(rule.at_most_below))
        asked.append(said("at most {share} of the readings lie below the lower limit", share=share))
    if rule.each_at_most is not None:
        asked.append(_at_share(rule.each_at_most, _EACH_AT_MOST))
    if not asked:
        return said("Made of the pieces that the job names.")
    return said("At each location {demands}.", demands=joined(asked, "; "))


#: What the shop's own rule asks: of the limit itself, and of a share of it.
_MEAN_AT_LEAST: Final = (
    template("the mean is at least the lower limit"),
    template("the mean is at least {share} of the lower limit"),
)
_EACH_AT_LEAST: Final = (
    template("every reading is at least the lower limit"),
    template("every reading is at least {share} of the lower limit"),
)
_EACH_AT_MOST: Final = (
    template("every reading is at most the upper limit"),
    template("every reading is at most {share} of the upper limit"),
)


def _at_share(share: Decimal, words: tuple[Callable[..., str], Callable[..., str]]) -> str:
    whole, part = words
    return whole() if share == 1 else part(share=_percent(Fraction(share)))


def _aluminium_text(rule: Rule) -> str:
    if rule.wording == "none-below-floor":
        if rule.floor is None:
            return said(
                "At each location at least 80 % of the readings reach nominal, the lower limit, and none lies below "
                "the floor of 85 % of nominal."
            )
        return said(
            "At each location at least 80 % of the readings reach nominal, the lower limit, and none lies below "
            "the floor of {floor}.",
            floor=as_written(rule.floor),
        )
    if rule.floor is None:
        return said("At each location at most 5 % of the readings lie below the floor of 85 % of nominal.")
    return said(
        "At each location at most 5 % of the readings lie below the floor of {floor}.", floor=as_written(rule.floor)
    )


# What a job shows in place of these texts, and of the first title: see text_of and rules.conformity.rule_statement.
SHARE_RULES: Final[dict[RuleName, AcceptanceRule]] = {
    RuleName.ARCHITECTURAL_ALUMINIUM: AcceptanceRule(
        title="Architectural aluminium, by shares of readings",
        text="At least 80 % of the readings reach nominal and none lies below a floor; or at most 5 % lie below it.",
        source=said("AAMA 2603, 2604 and 2605, as compared in a public sheet; the 5 % wording from a trade paper"),
        known=said("read in public comparisons, two wordings that disagree; check the edition in force"),
        seen=said(
            "comparisons of 2603-02 and -13, 2604-10 and -13, 2605-11 and -13; the 5 % wording in a trade paper of 2012-13"
        ),
        judge=architectural_aluminium,
    ),
    RuleName.NINETY_TEN: AcceptanceRule(
        title="90/10",
        text="At least 90 % of the readings reach nominal and none lies below 90 % of it.",
        source=said("IMO PSPC, resolution MSC.215(82)"),
        known=said("read, on a public formula page"),
        seen=said("the resolution's formula on a public page; its annex in a public collection"),
        judge=ninety_ten,
    ),
    RuleName.SHOP_RULE: AcceptanceRule(
        title=said("A rule of the shop's own"),
        text="Made of the pieces that the job names.",
        source=said("as agreed with the customer"),
        known=said("stated by the shop"),
        seen=said("none: it is what shop and customer agreed"),
        judge=shop_rule,
    ),
}

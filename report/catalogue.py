"""What a job can name: acceptance rules in each of their forms, decision rules, sampling schemes, with their sources. Pure."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal
from typing import Any, Final

from report.page_facts import decision_text
from rules.conformity import COMPARISON_TEXTS, PA2_LEVELS, rule_statement
from rules.lot_tables import AQLS
from rules.lots import plan_for
from rules.results import RuleStatement
from rules.variables_plan import K_TABLE, variables_plan
from schemas.job import DecisionTerms, Rule
from schemas.vocabulary import DecisionRule, Level, RuleName, Scheme

_A_LOT: Final = 500
_AN_AQL: Final = Decimal("1.0")


def stated_rules() -> list[RuleStatement]:
    """Return every acceptance rule in each form that a job can choose, the plainest first."""
    return [rule_statement(rule) for name in RuleName for rule in _forms(name)]


def catalogue_lines() -> list[str]:
    """Return all that a job can name, to be wrapped."""
    lines = ['acceptance rules, [rule] name = "..."', ""]
    before = ""
    for rule in stated_rules():
        again = rule.name == before
        lines += [f"{rule.name}: {rule.title}", f"  {_own_text(rule)}"]
        if not again:
            lines += [
                f"  source: {rule.source}",
                f"  edition seen: {rule.seen}",
                f"  how well known: {rule.known}",
            ]
        lines.append("")
        before = rule.name
    lines += ['how a number is compared with its limit, [rule] comparison = "..." and tie = "..."', ""]
    lines += [f"  - {text}" for text in COMPARISON_TEXTS.values()]
    lines += ["", 'decision rules, [decision] rule = "..."', ""]
    for name in DecisionRule:
        lines += [f"{name}", f"  {decision_text(DecisionTerms(rule=name))}".replace("\u00a0", " ")]
    lines += ["", 'sampling of a lot, [sampling] scheme = "..."', ""]
    for scheme, source, known in _schemes():
        lines += [f"{scheme}", *_choices(scheme), f"  source: {source}", f"  how well known: {known}"]
    return lines


def catalogue_json() -> list[dict[str, Any]]:
    """Return the acceptance rules as plain JSON."""
    return [
        {
            "name": rule.name,
            "title": rule.title,
            "text": rule.text,
            "source": rule.source,
            "seen": rule.seen,
            "known": rule.known,
        }
        for rule in stated_rules()
    ]


def _forms(name: RuleName) -> Iterator[Rule]:
    if name is RuleName.SSPC_PA2:
        yield from (Rule(name=name, level=level) for level in PA2_LEVELS)
    elif name is RuleName.ARCHITECTURAL_ALUMINIUM:
        yield Rule(name=name)
        yield Rule(name=name, wording="five-percent-below-floor")
    elif name is RuleName.SHOP_RULE:  # every piece that it can be made of
        one, most = Decimal(1), Decimal("0.8")
        yield Rule(name=name, mean_at_least=one, each_at_least=most, at_most_below=1 - most, each_at_most=one)
    else:
        yield Rule(name=name)


def _own_text(rule: RuleStatement) -> str:
    """Return the text without how numbers are compared, which is the same for all and stands in a section of its own."""
    for comparison in COMPARISON_TEXTS.values():
        text = rule.text.removesuffix(comparison).strip()
        if text != rule.text:
            return text
    return rule.text


def _choices(scheme: Scheme) -> list[str]:
    if scheme is Scheme.ATTRIBUTES:
        levels, aqls = ", ".join(Level), ", ".join(f"{aql}" for aql in AQLS)
        return [
            f"  level (II where none is named): {levels}; aql in percent: {aqls}; reduced = true where it is wanted",
            "  severity (normal, tightened, reduced) follows from the lots before, by the archive",
        ]
    if scheme is Scheme.VARIABLES:
        return [
            f"  letter: {', '.join(K_TABLE)} (of MIL-STD-414); aql in percent: {', '.join(f'{aql}' for aql in AQLS)}"
        ]
    return []


def _schemes() -> Iterator[tuple[Scheme, str, str]]:
    for scheme in Scheme:
        if scheme is Scheme.VARIABLES:
            plan = variables_plan("D", _AN_AQL)
            yield scheme, f"{plan.source} (an example)", plan.known
        else:
            counting = plan_for(_A_LOT, scheme, Level.II, _AN_AQL)
            yield scheme, counting.source, counting.known

"""assess --rules: every form that a job can choose, with source, edition seen and how well it is known."""

from __future__ import annotations

import json

import pytest

from filmtally import main
from report.catalogue import catalogue_lines, stated_rules
from schemas.job import DecisionTerms, Rule
from schemas.vocabulary import DecisionRule, RuleName, Scheme


def test_every_rule_stands_there_in_every_form_and_says_where_it_is_from() -> None:
    stated = stated_rules()
    assert {rule.name for rule in stated} == set(RuleName)
    titles = [rule.title for rule in stated]
    assert len(set(titles)) == len(titles)
    assert [t for t in titles if "level" in t] == [f"SSPC-PA 2, level {n}" for n in (1, 2, 3, 4, 5)]
    assert sum("wording" in t for t in titles) == 2
    assert all(rule.source and rule.seen and rule.known for rule in stated)


def test_the_defaults_of_a_job_are_among_the_forms() -> None:
    assert Rule(name=RuleName.SSPC_PA2).level == 3
    assert DecisionTerms().rule is DecisionRule.SIMPLE


def test_decision_rules_comparisons_and_sampling_schemes_stand_there_too() -> None:
    text = "\n".join(catalogue_lines())
    for word in (*DecisionRule, *Scheme, "absolute method", "rule A", "rule B", "on its edge it is clear"):
        assert word in text, word


def test_the_json_has_the_same_rules(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["assess", "--rules", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert [rule["title"] for rule in found] == [rule.title for rule in stated_rules()]
    assert all(rule["seen"] for rule in found)

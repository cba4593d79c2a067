"""Whatever the rules say can be said in another language: every template is read from the sources, none is lost on the way."""

from __future__ import annotations

import json
import re
import string
from collections.abc import Iterator
from dataclasses import fields, is_dataclass
from datetime import date
from decimal import Decimal
from enum import Enum
from fractions import Fraction
from functools import cache
from pathlib import Path
from typing import Any, Final

import pytest

import rules
from rules.cautions import cautions
from rules.conformity import RULES, rule_statement
from rules.results import Advice, Caution
from rules.sentence import Day, Figures, Joined, Sentence, from_plain, joined, restated, said, to_plain
from rules.window import window_warnings
from schemas.job import Rule
from schemas.vocabulary import RuleName
from tests.rules.builders import job, location
from tests.rules.many_assessments import drawn_cases, gate_cases, plan_cases, series_of_lots
from tests.templates_said import slots, templates

PACKAGE: Final = Path(rules.__file__).parent
CASES: Final = 600
#: Fields whose text is no sentence of the program: names, codes, and words that only decide.
_NOT_SAID: Final = {
    "location", "piece", "check", "check_id", "opening_check_id", "closing_check_id", "done_by", "standards", "name", "edition",
    "kind", "occasion", "source_seen", "how",
}  # fmt: skip
#: What is the same in every language: units, and what standards and their terms are called.
_SAME_EVERYWHERE: Final = {
    "µm", "mil", "m²", "ft²", "SSPC-PA 2", "ISO 19840", "ISO 19840:2012", "90/10", "none-below-floor",
    "five-percent-below-floor",
}  # fmt: skip
_CODE_LETTER: Final = re.compile(r"[A-R]|II|'[A-Z]'|B, C, [A-Z, ]+")


def test_every_template_of_the_rules_is_written_out_where_it_is_said() -> None:
    assert len(templates(PACKAGE)) > 400


@pytest.mark.parametrize(
    "source",
    [
        'said(words, n=1)',
        'said(f"{n} readings")',
        'said("one " + kind)',
        'template(words)',
        'said("{n} readings")',
        'said("readings", n=1)',
        'said("{n:.1f} readings", n=1)',
        'said("{n!r} readings", n=1)',
        'said("{} readings", n=1)',
        'said("{n.real} readings", n=1)',
        'sentence.said(words)',
        'Sentence(words, {})',
    ],
)  # fmt: skip
def test_a_template_that_no_reader_of_the_sources_can_find_is_refused(tmp_path: Path, source: str) -> None:
    (tmp_path / "saying.py").write_text(source + "\n", encoding="utf-8")
    with pytest.raises(AssertionError):
        templates(tmp_path)


def test_a_reader_of_the_sources_finds_what_is_said_and_where(tmp_path: Path) -> None:
    (tmp_path / "saying.py").write_text('said("{n} of "\n "{m}", n=1, m=2)\n\nX = template("so")\n', encoding="utf-8")
    assert templates(tmp_path) == {"{n} of {m}": "saying.py:1", "so": "saying.py:4"}


def test_every_text_of_every_assessment_says_itself_in_another_language() -> None:
    lost = {text: leaf for text in _texts() for leaf in _leaves(text) if _is_english(leaf)}
    assert lost == {}
    known, used = templates(PACKAGE), {template for text in _texts() for template in _templates_in(text)}
    assert used - known.keys() == set()
    untold = known.keys() - used
    assert len(untold) < len(known) / 6, "\n".join(sorted(f"{known[t]} {t}" for t in untold))


def test_nothing_english_is_left_where_every_template_is_taken_away() -> None:
    for text in _texts():
        other = restated(text, _without_words, lambda f: f.replace(".", ","), lambda d: f"{d:%d.%m.%Y}")
        assert "⟦" in other or not _is_english(text), text
        assert not re.search(r"[0-9]{4}-[0-9]{2}-[0-9]{2}|(?<![0-9.])[0-9]+\.[0-9]+(?![0-9.])", other), text
        left = re.sub(
            r"[§#][\w-]+|µm|ISO 19840(:2012)?|SSPC-PA 2|none-below-floor|five-percent-below-floor|\bmil\b", "", other
        )
        assert not re.search(r"[A-Za-z]{3}", left), text


def test_every_text_is_written_to_json_and_comes_back_with_its_memory() -> None:
    for text in _texts():
        plain = json.loads(json.dumps(to_plain(text)))
        assert from_plain(plain) == text
        assert to_plain(from_plain(plain)) == plain


def test_what_is_stated_as_plain_text_is_seen_by_these_tests() -> None:
    lost = said("{place}: {what}", place="§1", what=f"{Decimal('2.5')} readings")
    assert [leaf for leaf in _leaves(lost) if _is_english(leaf)] == ["2.5 readings"]
    assert [leaf for leaf in _leaves(joined(["lowest", "§2"])) if _is_english(leaf)] == ["lowest"]


@cache
def _texts() -> tuple[str, ...]:
    """Return every different text, by what it says and how it was put together."""
    found: dict[tuple[str, str], str] = {}
    for text in _every_text():
        found.setdefault((text, repr(list(_templates_in(text)))), text)
    return tuple(found.values())


def _every_text() -> Iterator[str]:
    for assessment, unusual in drawn_cases(range(CASES)):
        yield from _said_in(assessment)
        yield from _said_in(unusual)
    yield from series_of_lots()
    yield from plan_cases()
    for coverage in gate_cases():
        yield from _said_in(coverage)
    known = cautions()
    for caution in (*known.stripping, *known.scuffing, *known.touch_up, *(c.caution for c in known.by_substrate)):
        yield from _said_in(caution)
    for stop in known.stop_list:
        yield from _said_in(stop.as_caution())
        yield stop.as_reason()
    for name, rule in RULES.items():
        yield rule.seen
        asks = {"each_at_least": Decimal(1)} if name is RuleName.SHOP_RULE else {}
        yield from _said_in(rule_statement(Rule(name=name, **asks)))
    narrow = [location("§1", "2.0", "2.1"), location("§2", "2.0", "2.05")]
    histories: tuple[dict[str, tuple[Decimal, int]], ...] = (
        {},
        {"§1": (Decimal("0.1"), 30), "§2": (Decimal(1), 1)},
        {"§1": (Decimal("0.1"), 2)},
    )
    for spreads in histories:
        for guard in (Fraction(0), Fraction(1, 100), Fraction(1)):
            yield from window_warnings(job(*narrow), spreads, guards={"§1": guard, "§2": Fraction(0)})


def _said_in(record: Any) -> Iterator[str]:
    """Yield the texts of a record that the program makes."""
    if isinstance(record, Enum):
        return
    if isinstance(record, str):
        if record:
            yield record
    elif isinstance(record, tuple):
        for entry in record:
            yield from _said_in(entry)
    elif is_dataclass(record):
        skipped = _NOT_SAID | ({"source", "seen"} if isinstance(record, Caution) else set())
        for field in fields(record):
            if field.name not in skipped and not (field.name == "uncertainty" or field.name == "one_reading"):
                yield from _said_in(getattr(record, field.name))
    if isinstance(record, Advice):
        assert record.sentence


def _leaves(text: str) -> Iterator[str]:
    """Yield what was put in as plain text."""
    if isinstance(text, Sentence):
        for value in text.values.values():
            assert isinstance(value, str | int), f"{value!r} in {text.template!r}"
            if isinstance(value, str):
                yield from _leaves(value)
    elif isinstance(text, Joined):
        for part in text.parts:
            yield from _leaves(part)
    elif not isinstance(text, Figures | Day):
        yield text


def _templates_in(text: str) -> Iterator[str]:
    if isinstance(text, Sentence):
        yield text.template
        for value in text.values.values():
            if isinstance(value, str):
                yield from _templates_in(value)
    elif isinstance(text, Joined):
        for part in text.parts:
            yield from _templates_in(part)


def _is_english(leaf: str) -> bool:
    """Return whether a plain text has words or figures in it that nobody gave as a name."""
    given = leaf in _SAME_EVERYWHERE or _CODE_LETTER.fullmatch(leaf) or leaf.startswith(("§", "#"))
    return not given and bool(re.search(r"[A-Za-z]|[0-9][.,][0-9]|[0-9]-[0-9]", leaf))


def _without_words(template: str) -> str:
    return "".join(
        ("⟦⟧" if literal else "") + ("" if name is None else f"{{{name}}}")
        for literal, name, _, _ in string.Formatter().parse(template)
    )


def test_taking_the_words_away_keeps_what_is_put_in() -> None:
    assert _without_words("{n} of {m}, at most") == "{n}⟦⟧{m}⟦⟧"
    assert slots(_without_words("{n} of {m}")) == {"n", "m"}
    assert restated(Day(date(2026, 1, 2)), _without_words, str, lambda d: f"{d:%d.%m.%Y}") == "02.01.2026"

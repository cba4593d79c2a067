"""Every word of a certificate can be said in every language of its catalogues, and nothing of it stays English by mistake."""

from __future__ import annotations

import dataclasses
import html
import re
from collections.abc import Iterator
from datetime import date
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest

from report import languages
from report.assessing import judge
from report.certificate import draft
from report.evidence import EarlierInspection, Evidence
from report.languages import Presentation, catalogue, presentation_of
from report.printed import page_texts
from report.verifying import verify
from rules.lot_judgement import LotTerms
from rules.lot_tables import Severity
from rules.recoat import added_build
from rules.sentence import Day, Figures, said
from rules.verdict import Verdict
from schemas.customer import Customer
from schemas.units import Unit
from schemas.vocabulary import (
    DateStyle,
    Language,
)
from tests.report import scenario
from tests.report.made import drafted, identity, signed
from tests.templates_said import slots, templates

ROOT = Path(__file__).parents[2]
FOREIGN = [language for language in Language if language is not Language.ENGLISH]


def _every_template() -> dict[str, str]:
    return templates(ROOT / "rules") | templates(ROOT / "report")


@pytest.mark.parametrize("language", FOREIGN)
def test_a_catalogue_knows_every_template_and_no_other(language: Language) -> None:
    known, wanted = catalogue(language), _every_template()
    assert sorted(wanted.keys() - known.keys()) == []
    assert sorted(known.keys() - wanted.keys()) == []


@pytest.mark.parametrize("language", FOREIGN)
def test_a_translation_takes_in_just_what_its_template_does(language: Language) -> None:
    odd = [template for template, text in catalogue(language).items() if slots(template) != slots(text)]
    assert odd == []


@pytest.mark.parametrize("language", FOREIGN)
def test_a_translation_can_be_printed_and_keeps_what_is_no_word(language: Language) -> None:
    """Names of standards, clause numbers and figures are the same in every language, whatever its decimal mark."""
    for template, text in catalogue(language).items():
        assert text.strip(), template
        digits = sorted(re.findall(r"\d+", template))
        assert sorted(re.findall(r"\d+", text)) == digits, (template, text)
        assert text[:1].isspace() == template[:1].isspace(), template


# A language of our own, in which every word that is translated stands in brackets


_WORD = re.compile(r"[A-Za-z]{2,}")


def _bracketed(template: str) -> str:
    """Return *template* with every letter of its own as ¤ and what goes in as it is."""
    parts = re.split(r"(\{\{|\}\}|\{[a-z_0-9]+\})", template)
    return "".join(part if part.startswith("{") else re.sub(r"[^\W\d_]", "¤", part) for part in parts)


@pytest.fixture
def bracketed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Make German a language in which nothing that is translated keeps a letter."""
    everything = {template: _bracketed(template) for template in _every_template()}
    monkeypatch.setattr(languages, "catalogue", lambda _: everything)


def _cases() -> Iterator[tuple[str, Evidence, dict[str, Any]]]:
    thin = [["30.5", "90", "90", "90", "55.2"], *scenario.figures(11, 5)]
    yield "conforms", scenario.evidence(), {}
    yield "fails, with advice and cautions", scenario.evidence(shown=thin), {}
    yield "of a document type", scenario.evidence(), {"document_type": "3.2", "packing_slip": "8812", "quantity": 4}
    yield "of a document type without a further signature", scenario.evidence(), {"document_type": "3.1"}
    yield "received, key of an authority", scenario.evidence(), {"received_on": date(2026, 3, 2), "key_issuer": "Zyx"}
    yield "superseding", scenario.evidence(), {"revision": 2, "supersedes": 1, "superseded_why": "zyx"}
    left_out = {"counted": False, "excluded_reason": "zyx", "excluded_by": "IDA"}
    base = {"counted": False, "excluded_reason": "base metal reading: subtracted, not judged", "coat_stage": "bare"}
    yield "readings left out", scenario.evidence(reading={2: left_out, 3: base}), {}
    yield "no closing check", scenario.evidence(checks=scenario.opening()), {"deviation": "zyx", "deviation_by": "TOM"}
    for rule in (
        {"name": "location-means"},
        {"name": "ninety-ten"},
        {"name": "iso-19840"},
        {"name": "architectural-aluminium"},
        {"name": "shop-rule", "mean_at_least": Decimal(1), "each_at_least": Decimal("0.8")},
    ):
        yield str(rule["name"]), scenario.evidence(scenario.job(rule=rule), shown=thin), {}
    for decision in ("guard-band", "four-way"):
        yield decision, scenario.evidence(scenario.job(decision={"rule": decision}), shown=thin), {}


def _user_text(evidence: Evidence) -> set[str]:
    """Return every word that a person wrote: those stay as they are."""
    words = set(
        _WORD.findall(" ".join(_strings(dataclasses.asdict(evidence)) + _strings(scenario.facts().__class__.__name__)))
    )
    return words | {"zyx", "Zyx", "IDA", "TOM", "UTC", "Europe", "Berlin"}


def _strings(value: Any) -> list[str]:
    if isinstance(value, str):
        return [str(value)]
    if isinstance(value, dict):
        return [s for inner in value.values() for s in _strings(inner)]
    if isinstance(value, list | tuple):
        return [s for inner in value for s in _strings(inner)]
    if hasattr(value, "model_dump"):
        return _strings(value.model_dump(mode="json"))
    return []


@pytest.mark.usefixtures("bracketed")
@pytest.mark.parametrize(("evidence", "facts"), [pytest.param(e, f, id=name) for name, e, f in _cases()])
def test_nothing_of_the_program_stays_english(evidence: Evidence, facts: dict[str, Any]) -> None:
    earlier = tuple(
        EarlierInspection(inspection_id="x", sealed_at=scenario.BEGAN, coats=1, conformity=c)
        for c in ("PASS", "FAIL", "UNDECIDED")
    )
    wants = Customer(name=evidence.job.customer, language=Language.GERMAN, approvals=("zyx",), also_in=Unit.MIL)
    evidence = dataclasses.replace(evidence, customer=wants, earlier=earlier)
    made = draft(evidence, judge(evidence), scenario.facts(**facts))
    body = made.html[made.html.index("<body>") :]
    plain = html.unescape(re.sub(r"<[^>]+>", " ", body))
    # Titles of pictures and of places to sign are words for those who do not see them.
    plain += " ".join(html.unescape(t) for t in re.findall(r'title="([^"]*)"', body))
    allowed = _user_text(evidence) | {"mil", "csv", "json", "parquet"}
    left = [
        word for word in _WORD.findall(plain) if word not in allowed and not re.fullmatch(r"[0-9a-f]+|[0-9A-Z]+", word)
    ]
    assert left == []


# How a language writes numbers and days


def test_numbers_and_days_are_written_as_the_language_does_and_a_customer_may_say_otherwise() -> None:
    shop = scenario.shop()
    german = presentation_of(shop, Customer(name="x", language=Language.GERMAN))
    assert (german.number("84.20"), german.day(date(2026, 3, 4))) == ("84,20", "04.03.2026")
    french = presentation_of(shop, Customer(name="x", language=Language.FRENCH))
    assert french.day(date(2026, 3, 4)) == "04/03/2026"
    named = presentation_of(
        shop, Customer(name="x", language=Language.SPANISH, dates=DateStyle.NAMED, decimal_mark=".")
    )
    assert (named.number("84.20"), named.day(date(2026, 3, 4))) == ("84.20", "4\u00a0mar.\u00a02026")
    assert presentation_of(shop, None) == Presentation(Language.ENGLISH, ".", DateStyle.YEAR_FIRST, "A4")


def test_the_shops_own_habits_hold_for_its_own_language_alone() -> None:
    shop = scenario.shop(certificate={"language": "de", "dates": "day month-name year"})
    own = presentation_of(shop, None)
    assert own.text(Day(date(2026, 3, 4))) == "4\u00a0März\u00a02026"
    english = presentation_of(shop, Customer(name="x", language=Language.ENGLISH))
    assert (english.text(Day(date(2026, 3, 4))), english.text(Figures("1.5"))) == ("2026-03-04", "1.5")


def test_a_number_is_read_back_only_with_the_mark_of_its_certificate() -> None:
    german = presentation_of(scenario.shop(certificate={"language": "de"}), None)
    assert german.figures("84,20") == "84.20"
    assert german.figures("84.20") == "84?20"


def test_a_template_that_no_catalogue_knows_is_an_error_and_not_left_in_english() -> None:
    german = presentation_of(scenario.shop(certificate={"language": "de"}), None)
    with pytest.raises(LookupError, match="does not know 'never said'"):
        german.text(said("never said"))


# What was said once is said the same when it is read back


def test_a_certificate_in_another_language_holds_with_recoats_and_a_series_of_lots_behind_it() -> None:
    differences = [Fraction(n, 10) for n in range(400, 430)]
    thin = [["30.5", "58", "58", "58", "55.2"], *scenario.figures(11, 5)]
    job = scenario.job(
        recoat={"added_low": Decimal(30), "added_high": Decimal(50), "sheet_max_total": Decimal(300)},
        sampling={"scheme": "attributes", "aql": Decimal("2.5")},
    )
    of = scenario.evidence(job, shown=thin)
    standing = LotTerms(
        40, Severity.TIGHTENED, changes=(said("tightened for {n} reasons", n=2),), shown_before=(said("shown before"),)
    )
    wants = Customer(name=job.customer, language=Language.GERMAN)
    of = dataclasses.replace(of, customer=wants, lot=standing, added=added_build(differences, job.unit))
    words = catalogue(Language.GERMAN) | {
        "tightened for {n} reasons": "verschärft aus {n} Gründen",
        "shown before": "schon da",
    }
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(languages, "catalogue", lambda _: words)
        pdf = signed(drafted(of).pdf)
        found = verify(pdf, {identity().key_sha256})
    assert [(p.name, p.sentence) for p in found.parts if p.verdict is not Verdict.PASS] == []
    assert found.states == "does not conform"
    text = "".join(page_texts(pdf))
    assert "verschärftaus2Gründen" in text

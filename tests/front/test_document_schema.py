"""The published JSON Schema describes every document of the demo, and refuses what is none.

Checked by the library jsonschema, which knows nothing of this program; the schema itself against the meta-schema of
JSON Schema Draft 2020-12.
"""

from __future__ import annotations

import copy
import json
from collections.abc import Callable, Iterator
from decimal import Decimal
from typing import Any

import pytest
from jsonschema import Draft202012Validator, FormatChecker

from archive.store import Archive
from report import document_schema
from report.assessing import assessed
from report.document import SCHEMA_ID
from report.evidence import Evidence
from rules.recoat import AddedBuild
from sample_captures import demo
from tests.front.shop import SAMPLES, FrontDoor
from tests.report import scenario
from tests.report.made import document_of

VALIDATOR = Draft202012Validator(
    json.loads(document_schema.PATH.read_text(encoding="utf-8")), format_checker=FormatChecker()
)


def _plain(of: Evidence, **facts: Any) -> Any:
    return json.loads(document_of(of, scenario.facts(**facts)))


def _wrong(plain: Any) -> list[str]:
    return [f"{'/'.join(map(str, e.absolute_path))}: {e.message}" for e in VALIDATOR.iter_errors(plain)]


def test_the_published_schema_is_the_one_that_the_types_say() -> None:
    assert document_schema.PATH.read_text(encoding="utf-8") == document_schema.text(), "run 'make schemas'"


def test_the_schema_is_one_and_the_documents_name_it() -> None:
    Draft202012Validator.check_schema(VALIDATOR.schema)
    assert VALIDATOR.schema["$id"] == SCHEMA_ID == _plain(scenario.evidence())["$schema"]


def test_every_column_says_its_meaning_and_its_unit() -> None:
    readings = VALIDATOR.schema["$defs"]["GaugeReading"]["properties"]
    assert [name for name, said in readings.items() if not said.get("description")] == []
    assert readings["thickness_um"]["unit"] == "µm"
    assert readings["taken_at"]["unit"] == "UTC"


def test_every_certificate_of_the_demo_is_described(door: FrontDoor) -> None:
    for words in demo.checks():
        door(*words)
    for lot in demo.LOTS:
        words = ("measure", lot.job, "--lot", lot.lot, "--inspector", "mk", "--gauge", lot.gauge)
        assert door(*words, "--from", str(SAMPLES / "captures" / lot.capture), *lot.options).code == 0
    week = Archive(door.folder / "archive", "look")
    inspections = week.inspections()
    assert len(inspections) == len(demo.LOTS)
    for inspection in inspections:
        plain = json.loads(document_of(assessed(week, inspection).evidence, scenario.facts(signer="mk")))
        assert _wrong(plain) == [], inspection.lot


def _cases() -> Iterator[tuple[str, Evidence, dict[str, Any]]]:
    yield "plain", scenario.evidence(), {}
    yield "in mil", scenario.evidence(scenario.job(["face"], unit="mil")), {}
    yield "without checks", scenario.evidence(scenario.job(["face"]), checks=[]), {}
    left_out = {2: {"counted": False, "excluded_reason": "slipped", "excluded_by": "IDA"}}
    yield "a reading left out", scenario.evidence(scenario.job(["face"]), reading=left_out), {}
    yield "a deviation", scenario.evidence(), {"deviation": "late", "deviation_by": "TOM"}
    yield "a second revision", scenario.evidence(), {"revision": 2, "supersedes": 1, "superseded_why": "a name"}
    recoated = AddedBuild(Decimal("10"), Decimal("30.5"), 4, Decimal(20), Decimal("5.1"), "four pairs")
    plain = scenario.evidence(scenario.job(["face"]))
    yield "recoats", Evidence(plain.shop, plain.job, plain.inspection, plain.readings, plain.checks, added=recoated), {}


@pytest.mark.parametrize(("of", "facts"), [pytest.param(e, f, id=n) for n, e, f in _cases()])
def test_documents_of_every_kind_are_described(of: Evidence, facts: dict[str, Any]) -> None:
    assert _wrong(_plain(of, **facts)) == []


def _set(value: Any, *keys: Any) -> Callable[[Any], None]:
    def change(plain: Any) -> None:
        for key in keys[:-1]:
            plain = plain[key]
        plain[keys[-1]] = value

    return change


def _gone(*keys: Any) -> Callable[[Any], None]:
    def change(plain: Any) -> None:
        for key in keys[:-1]:
            plain = plain[key]
        del plain[keys[-1]]

    return change


@pytest.mark.parametrize(
    "change",
    [
        pytest.param(_gone("judged"), id="nothing judged"),
        pytest.param(_gone("readings", 0, "thickness_um"), id="no thickness"),
        pytest.param(_set(72.0, "readings", 0, "thickness_um"), id="a thickness as a binary number"),
        pytest.param(_set("72 um", "readings", 0, "thickness_um"), id="a thickness with its unit"),
        pytest.param(_set("NaN", "readings", 0, "thickness_um"), id="no number"),
        pytest.param(_set("1", "readings", 0, "spot"), id="a count as a text"),
        pytest.param(_set(None, "readings", 0, "location"), id="no location"),
        pytest.param(_set("2026-03-04 13:05", "readings", 0, "taken_at"), id="a time without a zone"),
        pytest.param(_set("2026-02-30", "checks", 0, "standard_due"), id="a day that does not exist"),
        pytest.param(_set("MAYBE", "judged", "verdict"), id="another verdict"),
        pytest.param(_set("84.2", "judged", "locations", 0, "mean"), id="a mean that is rounded"),
        pytest.param(_set("plastic", "job", "probe_mode"), id="another probe"),
        pytest.param(_set("60,0", "job", "location", 0, "lower"), id="a limit with a comma"),
        pytest.param(_set(1, "note"), id="an entry that is unknown"),
        pytest.param(_set(1, "readings", 0, "note"), id="a column that is unknown"),
        pytest.param(_set([], "stated", "number"), id="a list for a string"),
        pytest.param(_set("another", "schema"), id="another document"),
        pytest.param(_set(99, "version"), id="another version"),
        pytest.param(_set("urn:other", "$schema"), id="another schema"),
        pytest.param(_set("x", "edition"), id="no edition"),
    ],
)
def test_what_is_no_such_document_is_refused(change: Callable[[Any], None]) -> None:
    plain = copy.deepcopy(_plain(scenario.evidence(scenario.job(["face"]))))
    assert _wrong(plain) == []
    change(plain)
    assert len(_wrong(plain)) >= 1

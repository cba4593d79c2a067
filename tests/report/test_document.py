"""The JSON inside a certificate gives back exactly what it was made from, and nothing else is taken for one."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable
from decimal import Decimal
from typing import Any

import pytest

from report.assessing import judge
from report.csv_tables import csv_of
from report.document import read_document
from report.edition import edition
from report.judged import judged
from schemas.errors import BadInput, FilmtallyError
from schemas.readings import READINGS
from tests.report import scenario
from tests.report.made import document_of


def _document() -> bytes:
    return document_of(scenario.evidence())


def test_a_document_gives_back_what_it_was_made_from() -> None:
    of = scenario.evidence()
    found = read_document(_document(), {})
    assert found.evidence.readings == of.readings
    assert found.evidence.checks == of.checks
    assert (found.evidence.job, found.evidence.shop, found.evidence.inspection) == (of.job, of.shop, of.inspection)
    assert found.facts == scenario.facts()
    assert found.judged == judged(judge(of))
    assert found.edition == edition()


def _remove(*keys: str) -> Callable[[dict[str, Any]], None]:
    def change(plain: dict[str, Any]) -> None:
        inner = plain
        for key in keys[:-1]:
            inner = inner[int(key)] if isinstance(inner, list) else inner[key]
        del inner[keys[-1]]

    return change


def _set(value: Any, *keys: str) -> Callable[[dict[str, Any]], None]:
    def change(plain: dict[str, Any]) -> None:
        inner: Any = plain
        for key in keys[:-1]:
            inner = inner[int(key)] if isinstance(inner, list) else inner[key]
        inner[keys[-1]] = value

    return change


def _renamed(*keys: str) -> Callable[[dict[str, Any]], None]:
    def change(plain: dict[str, Any]) -> None:
        inner: Any = plain
        for key in keys[:-1]:
            inner = inner[int(key)] if isinstance(inner, list) else inner[key]
        inner[keys[-1] + "_"] = inner.pop(keys[-1])

    return change


def test_a_document_written_again_from_what_was_read_is_the_same_to_the_byte() -> None:
    written = _document()
    found = read_document(written, {})
    assert document_of(found.evidence, found.facts) == written


def test_everything_optional_comes_back_too() -> None:
    excluded = {"counted": False, "excluded_reason": "slipped", "excluded_by": "IDA", "base_metal_um": Decimal("-0.40")}
    of = scenario.evidence(
        scenario.job(["face"], customer="Żółte Płoty"), checks=(), reading={2: excluded, 3: {"lot_size": None}}
    )
    facts = scenario.facts(
        revision=2, supersedes=1, superseded_why="wrong order", deviation="no check", deviation_by="TOM"
    )
    found = read_document(document_of(of, facts), {})
    assert (found.evidence, found.facts) == (of, facts)


def test_a_newer_version_says_to_use_a_newer_program() -> None:
    plain = json.loads(_document())
    plain["version"] += 1
    with pytest.raises(BadInput, match=r"certificate.json is version 4; this program knows up to 3, use a newer one"):
        read_document(json.dumps(plain).encode(), {})


@pytest.mark.parametrize(
    "change",
    [
        pytest.param(_remove("readings"), id="no readings"),
        pytest.param(_remove("readings", "0", "shown"), id="a reading without its figures"),
        pytest.param(_set("x", "readings", "0", "thickness_um"), id="no number"),
        pytest.param(_set(None, "readings", "0", "lot"), id="null where none may be"),
        pytest.param(_set("2026-03-04T13:05:00", "readings", "0", "taken_at"), id="a time without a zone"),
        pytest.param(_set("one more", "readings", "0", "mood"), id="one key more"),
        pytest.param(_set(4, "version"), id="a newer version"),
        pytest.param(_set("other", "schema"), id="another schema"),
        pytest.param(_set("furlong", "job", "unit"), id="a job that is none"),
        pytest.param(_remove("edition"), id="no edition"),
        pytest.param(_remove("checks"), id="no checks"),
        pytest.param(_remove("certificate", "issued_at"), id="no time of issue"),
        pytest.param(_renamed("readings", "0", "lot"), id="a key by another name"),
        pytest.param(_renamed("judged"), id="a part by another name"),
        pytest.param(_set("NaN", "readings", "0", "thickness_um"), id="not a number"),
        pytest.param(_set("sNaN", "readings", "0", "thickness_um"), id="a number that raises when compared"),
        pytest.param(_set("1E+99999999", "readings", "0", "thickness_um"), id="a number that fills the memory"),
        pytest.param(_set("1E-99999999", "checks", "0", "error_um"), id="a number with too many places"),
        pytest.param(_set("0001-01-01T00:00:00+14:00", "readings", "0", "taken_at"), id="a time before all time"),
        pytest.param(_set(True, "certificate", "revision"), id="a yes for a number"),
    ],
)
def test_what_is_no_such_document_is_refused_in_one_sentence(change: Callable[[dict[str, Any]], None]) -> None:
    plain = json.loads(_document())
    change(plain)
    with pytest.raises(FilmtallyError, match="certificate.json") as refused:
        read_document(json.dumps(plain).encode(), {})
    assert len(refused.value.sentence.splitlines()) == 1


@pytest.mark.parametrize("content", [b"", b"{}", b"[]", b"\xff", b"null", b'{"schema": 1}'])
def test_what_is_no_json_of_ours_is_refused(content: bytes) -> None:
    with pytest.raises(FilmtallyError, match="certificate.json"):
        read_document(content, {})


def test_a_csv_has_a_header_and_ends_its_lines_as_rfc_4180_says() -> None:
    """RFC 4180, section 2: CRLF after every record, an optional header line first, quotes around a field with a comma."""
    lines = csv_of(READINGS, scenario.evidence().readings).decode().split("\r\n")
    assert lines[0].split(",") == [c.name for c in READINGS.columns]
    assert (len(lines), lines[-1]) == (62, "")


def test_a_csv_gives_back_names_with_commas_quotes_and_line_ends() -> None:
    """Read by Python's csv module, which is none of ours."""
    nasty = 'Fenwick, "the" Gate\r\nWorks'
    of = scenario.evidence(scenario.job(["face"]), reading={1: {"customer": nasty, "rack": None}})
    rows = list(csv.DictReader(io.StringIO(csv_of(READINGS, of.readings).decode(), newline="")))
    assert [(r["customer"], r["rack"]) for r in rows[:2]] == [(nasty, ""), ("Fenwick Cabinets", "R3")]
    assert [Decimal(r["thickness_um"]) for r in rows] == [r.thickness_um for r in of.readings]

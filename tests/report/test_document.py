"""The JSON inside a certificate gives back exactly what it was made from, and nothing else is taken for one."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import pytest

from report.assessing import judge
from report.document import csv_of, document, read_document
from report.edition import edition
from report.judged import judged
from report.view import certificate_view
from schemas.errors import FilmtallyError
from schemas.readings import READINGS
from tests.report import scenario


def _document() -> bytes:
    of = scenario.evidence()
    assessment, facts = judge(of), scenario.facts()
    return document(of, assessment, facts, certificate_view(of, assessment, facts))


def test_a_document_gives_back_what_it_was_made_from() -> None:
    of = scenario.evidence()
    found = read_document(_document())
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


@pytest.mark.parametrize(
    "change",
    [
        pytest.param(_remove("readings"), id="no readings"),
        pytest.param(_remove("readings", "0", "shown"), id="a reading without its figures"),
        pytest.param(_set("x", "readings", "0", "thickness_um"), id="no number"),
        pytest.param(_set(None, "readings", "0", "lot"), id="null where none may be"),
        pytest.param(_set("2026-03-04T13:05:00", "readings", "0", "taken_at"), id="a time without a zone"),
        pytest.param(_set("one more", "readings", "0", "mood"), id="one key more"),
        pytest.param(_set(2, "version"), id="a newer version"),
        pytest.param(_set("other", "schema"), id="another schema"),
        pytest.param(_set("furlong", "job", "unit"), id="a job that is none"),
        pytest.param(_remove("edition"), id="no edition"),
    ],
)
def test_what_is_no_such_document_is_refused_in_one_sentence(change: Callable[[dict[str, Any]], None]) -> None:
    plain = json.loads(_document())
    change(plain)
    with pytest.raises(FilmtallyError, match="certificate.json"):
        read_document(json.dumps(plain).encode())


@pytest.mark.parametrize("content", [b"", b"{}", b"[]", b"\xff", b"null", b'{"schema": 1}'])
def test_what_is_no_json_of_ours_is_refused(content: bytes) -> None:
    with pytest.raises(FilmtallyError, match="certificate.json"):
        read_document(content)


def test_a_csv_has_a_header_and_ends_its_lines_as_rfc_4180_says() -> None:
    lines = csv_of(READINGS, scenario.evidence().readings).decode().split("\r\n")
    assert lines[0].split(",") == [c.name for c in READINGS.columns]
    assert (len(lines), lines[-1]) == (62, "")

"""The tables for a spreadsheet: nothing in them runs, and nothing is lost by that."""

from __future__ import annotations

import csv
import io
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from report.csv_tables import as_cell, as_written, csv_of, is_table_of
from report.verifying import verify
from schemas.gauge_checks import GAUGE_CHECKS
from schemas.readings import READINGS
from tests.report import scenario
from tests.report.made import drafted, identity, signed, texts

#: Beginnings that OWASP's page "CSV Injection" names (from memory), with a formula of the usual kind behind them.
FORMULAS = ["=1+1", "+1+1", "-1+1", "@SUM(A1)", "\t=1+1", "\r=1+1", "＝1+1", '=HYPERLINK("http://x.example")']
NASTY = st.text(alphabet="=+-@'\t\r\n;,\"a1. ＝", max_size=12) | st.text(max_size=12)


def _cells(content: bytes, by: str = ",") -> list[list[str]]:
    return list(csv.reader(io.StringIO(content.decode(), newline=""), delimiter=by))


@pytest.mark.parametrize("formula", FORMULAS)
def test_a_text_that_a_spreadsheet_would_run_begins_with_an_apostrophe(formula: str) -> None:
    assert as_cell(formula).startswith("'")
    assert as_written(as_cell(formula)) == formula


@pytest.mark.parametrize("number", ["-1.2", "+3", "0", "12.50", "-0.0"])
def test_a_number_stays_a_number(number: str) -> None:
    assert as_cell(number) == number


def test_a_spreadsheet_that_parts_cells_at_semicolons_finds_no_formula_either() -> None:
    """As one does whose decimal sign is a comma."""
    of = scenario.evidence(scenario.job(["face"], customer="Fenwick;=1+1;-2;@x"))
    parted = _cells(csv_of(READINGS, of.readings), ";")
    assert [c for row in parted for c in row if c[:1] in ("=", "+", "-", "@")] == []


@given(NASTY)
def test_every_text_comes_back_and_none_begins_like_a_formula(text: str) -> None:
    cell = as_cell(text)
    assert as_written(cell) == text
    for delimiter in ";\t\r\n":
        for part in cell.split(delimiter):
            harmless = part[:1] not in ("=", "+", "-", "@", "＝") or part == text
            assert harmless, part


@given(NASTY)
def test_two_texts_are_never_one_cell(text: str) -> None:
    assert (as_cell("'" + text) == as_cell(text)) is False


def test_no_cell_of_any_column_is_a_formula_and_negative_numbers_are_numbers() -> None:
    of = scenario.evidence(
        scenario.job(["face"], customer="=cmd|' /C calc'!A0"),
        checks=scenario.opening(error="-1.2") + scenario.closing(),
        reading={1: {"raw_line": "+0001 72.0 um", "shown": "-0.2", "thickness_um": Decimal("-0.2000")}},
    )
    head, first, *_ = _cells(csv_of(READINGS, of.readings))
    said = dict(zip(head, first, strict=True))
    assert said["customer"] == "'=cmd|' /C calc'!A0"
    assert said["raw_line"] == "'+0001 72.0 um"
    assert (said["shown"], said["thickness_um"]) == ("-0.2", "-0.2000")
    head, first, *_ = _cells(csv_of(GAUGE_CHECKS, of.checks))
    assert dict(zip(head, first, strict=True))["error_um"] == "-1.2"


def test_a_certificate_with_such_names_verifies_and_one_with_the_apostrophe_taken_off_holds_as_the_older_form() -> None:
    of = scenario.evidence(scenario.job(["face"], customer="=1+1"))
    pdf = signed(drafted(of).pdf)
    assert verify(pdf, {identity().key_sha256}).holds
    content = texts(pdf)["readings.csv"]
    assert b",'=1+1," in content
    older = content.replace(b",'=1+1,", b",=1+1,")
    assert is_table_of(content, READINGS, of.readings)
    assert is_table_of(older, READINGS, of.readings)
    assert not is_table_of(content.replace(b",'=1+1,", b",''=1+1,", 1), READINGS, of.readings)

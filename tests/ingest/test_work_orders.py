"""orders.csv: what is read of it, what a mistake in it says, and which order a scanned code means."""

from __future__ import annotations

import contextlib
import csv
import io
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.work_orders import COLUMNS, WorkOrder, read_orders, work_order_scanned
from schemas.errors import BadInput
from schemas.shop import Shop
from tests.ingest.taking import SHOP

HEAD = "work_order,job,lot,lot_size,pieces,powder"
TABLE = f"{HEAD}\nWO-1,hinge,L-1,40,3,bronze\nWO-2,gate-leaf,L-2,,,\n"
CODE = re.compile(r"ORD/(?P<work_order>[A-Z0-9-]+)/[0-9]")


def _refused(data: bytes) -> str:
    with pytest.raises(BadInput) as fault:
        read_orders(data, "orders.csv")
    return fault.value.sentence


def _fault(table: str, number: str) -> str:
    orders = read_orders(table.encode(), "orders.csv")
    with pytest.raises(BadInput) as fault:
        orders.find(number)
    return fault.value.sentence


def test_a_row_gives_the_facts_that_it_names_and_no_others() -> None:
    orders = read_orders(TABLE.encode(), "orders.csv")
    assert orders.find("WO-1") == WorkOrder(
        work_order="WO-1", line=2, job="hinge", lot="L-1", lot_size=40, pieces=3, powder="bronze"
    )
    found = orders.find("WO-2")
    assert found is not None
    assert found.facts() == {"work_order": "WO-2", "job": "gate-leaf", "lot": "L-2"}


@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252", "utf-16"])
@pytest.mark.parametrize("line_end", ["\n", "\r\n", "\r"])
def test_every_separator_encoding_and_line_end_reads_alike(separator: str, encoding: str, line_end: str) -> None:
    rows = ["Work Order,Kunde,JOB,powder batch", '77,"Grün, Söhne; und Co",hinge,Ch. 9 – grün']
    text = line_end.join(
        separator.join(f'"{cell}"' if "Söhne" in cell else cell for cell in next(csv.reader([row]))) for row in rows
    )
    found = read_orders(text.encode(encoding), "orders.csv").find("77")
    assert found is not None
    assert found.facts() == {"work_order": "77", "job": "hinge", "powder_batch": "Ch. 9 – grün"}


def test_a_first_line_that_names_the_separator_is_no_row() -> None:
    found = read_orders(b"sep=;\nwork_order;lot\n7;L-9\n", "orders.csv").find("7")
    assert (found.lot, found.line) == ("L-9", 3) if found else False


@pytest.mark.parametrize("scanned", ["wo-1", "  WO-1\r\n", "*WO-1*", "ORD/WO-1/7", "*ORD/WO-1/7*"])
def test_a_scanned_code_finds_its_order(scanned: str) -> None:
    found = read_orders(TABLE.encode(), "orders.csv", CODE).find(scanned)
    assert found is not None
    assert found.work_order == "WO-1"


def test_a_code_that_the_expression_does_not_fit_is_the_number_as_it_stands() -> None:
    assert work_order_scanned("WO-1", CODE) == "WO-1"
    assert work_order_scanned("ORD/WO-1/77", CODE) == "ORD/WO-1/77"
    assert work_order_scanned("**", None) == "**"


def test_a_number_that_is_not_there_is_none_and_its_sentence_names_the_table() -> None:
    orders = read_orders(TABLE.encode(), "orders.csv")
    assert orders.find("WO-3") is None
    assert orders.not_found("*WO-3*") == (
        "orders.csv: there is no work order 'WO-3'; export the table anew, or correct the number"
    )


def test_rows_that_say_the_same_are_one_and_rows_that_differ_are_named_both() -> None:
    twice = f"{HEAD}\nWO-1,hinge,L-1,,,\nWO-1,hinge,L-1,,,\n"
    assert read_orders(twice.encode(), "orders.csv").find("WO-1") is not None
    differs = f"{HEAD}\nWO-1,hinge,L-1,,,\nWO-9,hinge,L-1,,,\nwo-1,hinge,L-7,,9,\n"
    assert _fault(differs, "WO-1") == (
        "orders.csv: work order 'WO-1' stands in line 2 and in line 4 with different lot, pieces; keep the one that holds"
    )


@pytest.mark.parametrize(
    ("row", "sentence"),
    [
        ("8,hinge,L,many,,", "orders.csv: line 2, column lot_size: 'many' is no number from 1 to 10000000; write it with digits alone"),
        ("8,hinge,L,1.200,,", "orders.csv: line 2, column lot_size: '1.200' is no number from 1 to 10000000; write it with digits alone"),
        ("8,hinge,L,,0,", "orders.csv: line 2, column pieces: '0' is no number from 1 to 100000; write it with digits alone"),
        ("8,hinge,L,3,4,", "orders.csv: line 2, column pieces: 4 are more than the lot's 3; correct one of them"),
        ("8,hinge,=L1&A2,,,", "orders.csv: line 2, column lot: '=L1&A2' begins like a spreadsheet's formula; write the bare text, or leave the cell empty"),
        ("8,@job,L,,,", "orders.csv: line 2, column job: '@job' begins like a spreadsheet's formula; write the bare text, or leave the cell empty"),
        ("8,hinge,L\u200b,,,", "orders.csv: line 2, column lot: a certificate cannot print '\\u200b' (U+200B, ZERO WIDTH SPACE); write it in Latin, Greek or Cyrillic letters"),
        ("8,hinge,L\x00,,,", "orders.csv: line 2, column lot: a certificate cannot print '\\x00' (U+0000, no name); write it in Latin, Greek or Cyrillic letters"),
        ("8,hinge,L\u043e7x,,,", "orders.csv: line 2, column lot: 'о' (U+043E, CYRILLIC SMALL LETTER O) in 'Lо' looks like a Latin letter and is none; write the word in one alphabet"),
        ("8,hinge," + "L" * 201 + ",,,", "orders.csv: line 2, column lot: has 201 characters; at most 200 are kept"),
    ],
)  # fmt: skip
def test_a_mistake_in_a_row_is_told_to_who_scans_that_row_and_to_nobody_else(row: str, sentence: str) -> None:
    table = f"{HEAD}\n{row}\nWO-1,hinge,L-1,,,\n"
    assert _fault(table, "8") == sentence
    assert read_orders(table.encode(), "orders.csv").find("WO-1") is not None


def test_a_row_without_a_number_is_named_where_a_number_is_not_found() -> None:
    orders = read_orders(f"{HEAD}\n,hinge,L-1,,,\n".encode(), "orders.csv")
    assert orders.not_found("5") == (
        "orders.csv: there is no work order '5' (line 2 has no number); export the table anew, or correct the number"
    )


def test_a_number_with_decimals_of_zeros_is_whole_and_a_negative_text_is_a_number() -> None:
    found = read_orders(b"work_order;pieces;rack\n8;12,00;-4\n", "orders.csv").find("8")
    assert found is not None
    assert (found.pieces, found.rack) == (12, "-4")


@pytest.mark.parametrize(
    ("data", "parts"),
    [
        (b"", ("line 1: there is no column 'work_order' (there are: none)", "name the columns in the first row")),
        (b"order,job\n7,hinge\n", ("line 1: there is no column 'work_order' (there are: 'order', 'job')",)),
        (b"work_order,job,Work-Order\n", ("line 1: columns 1 and 3 are both called 'work_order'; keep one",)),
        (b'work_order,job\n7,"hinge\n8,hinge\n', ("line 2: is no row of a table", "close the quotes")),
        (b"\xff\xfew", ("is no text; save the table as CSV in UTF-8",)),
    ],
)
def test_what_is_no_such_table_is_refused_with_one_sentence(data: bytes, parts: tuple[str, ...]) -> None:
    sentence = _refused(data)
    assert sentence.startswith("orders.csv: ")
    assert "\n" not in sentence
    for part in parts:
        assert part in sentence


@given(st.binary(max_size=300))
def test_any_bytes_are_a_table_or_bad_input_and_nothing_else(data: bytes) -> None:
    for begin in (b"", b"work_order;job;pieces\n"):
        with contextlib.suppress(BadInput):
            read_orders(begin + data, "orders.csv").find("8")


_CELL = st.text(st.sampled_from("abcXYZ019 ;,\"'/äß"), max_size=12).map(str.strip)


@given(st.lists(st.fixed_dictionaries({"work_order": _CELL.filter(bool), "lot": _CELL, "other": _CELL}), max_size=6))
def test_what_a_table_writer_writes_is_read_back(rows: list[dict[str, str]]) -> None:
    """Against the csv module of Python's standard library as the writer."""
    rows = list({row["work_order"].casefold(): row for row in rows}.values())
    out = io.StringIO(newline="")
    writer = csv.DictWriter(out, ["other", "lot", "work_order"])
    writer.writeheader()
    writer.writerows(rows)
    orders = read_orders(out.getvalue().encode(), "orders.csv")
    assert len(orders) == len(rows)
    for row in rows:
        found = orders.find(row["work_order"])
        assert found is not None
        assert found.facts() == {name: row[name] for name in COLUMNS if row.get(name)}


def test_where_the_orders_stand_is_never_archived_and_its_expression_has_to_name_the_number() -> None:
    plain = SHOP.model_dump() | {"orders": {"scanned": CODE.pattern}}
    shop = Shop.model_validate(plain)
    assert shop.orders.scanned == CODE.pattern
    assert "orders" not in shop.to_json()
    for pattern, sentence in (("(", "orders.scanned is '(': is no regular expression"), ("[0-9]+", "needs the group work_order")):  # fmt: skip
        with pytest.raises(BadInput, match=re.escape(sentence)):
            Shop.checked(plain | {"orders": {"scanned": pattern}}, "shop.toml")

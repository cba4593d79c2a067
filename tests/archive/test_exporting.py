"""What leaves the archive as one file: everything that was chosen, nothing else, and nothing that a spreadsheet runs."""

from __future__ import annotations

import csv
import dataclasses
import re
from collections.abc import Iterator
from datetime import UTC, date, datetime, time, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import openpyxl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from openpyxl.utils.escape import unescape

from archive import exporting, workbook
from archive.selection import Chosen, Selection, choose
from archive.store import Archive
from schemas import parquet
from schemas.certificates import CERTIFICATES
from schemas.column import Table
from schemas.errors import BadInput, IntegrityFailed
from schemas.gauge_checks import GAUGE_CHECKS
from schemas.inspections import INSPECTIONS
from schemas.readings import READINGS
from tests.archive import scenario

WHOLE = Selection(UTC)
BERLIN = ZoneInfo("Europe/Berlin")
#: Text as a customer, a location or a gauge's line may bring it: formulas, what XML forbids, escapes that look like ours.
TEXTS = st.one_of(
    st.text(st.characters(exclude_categories=("Cs",)), max_size=40),
    st.text("=+-@\t\r\n;',\"＝＠ a1_x0D<&\x00\x0b\x1f\ufffe\uffff", max_size=20),
    st.lists(st.sampled_from(["_x0041_", "x0041_", "_", "_x005F_", "\x01", "=1+1", "'"]), max_size=4).map("".join),
)


def chosen_of(contract: Table, rows: pa.Table) -> Chosen:
    """Return *rows* as what was chosen, in two parts."""
    half = rows.num_rows // 2

    def parts() -> Iterator[pa.Table]:
        yield rows.slice(0, half)
        yield rows.slice(half)

    return Chosen(contract, rows.num_rows, "all of it", parts)


def exported(folder: Path, contract: Table, rows: pa.Table, suffix: str) -> Path:
    path = folder / f"table{suffix}"
    exporting.export(chosen_of(contract, rows), path, replace=True)
    return path


def sheet_of(path: Path, name: str) -> list[tuple[Any, ...]]:
    """Return the cells of a sheet as another library reads them; it leaves the format's escapes to whoever asks."""
    book = openpyxl.load_workbook(path)
    try:
        assert all(cell.data_type != "f" for row in book[name].iter_rows() for cell in row), "a cell is a formula"
        return [
            tuple(unescape(value) if isinstance(value, str) else value for value in row)
            for row in book[name].iter_rows(values_only=True)
        ]
    finally:
        book.close()


def as_sheet(value: Any) -> Any:
    """Return a value of the archive as a spreadsheet holds it."""
    if isinstance(value, datetime):
        return value.replace(tzinfo=None)
    if isinstance(value, date):
        return datetime.combine(value, time())
    if isinstance(value, list):
        return " ".join(str(entry) for entry in value)
    return value


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=20)
@given(texts=st.lists(TEXTS, min_size=1, max_size=8))
@example(texts=['=HYPERLINK("http://x")', "_x0041_x0041_", "a\rb\nc\td", "\x00", "-5", "", " ", "https://x.example"])
def test_every_text_comes_back_out_of_every_format(tmp_path: Path, texts: list[str]) -> None:
    one = scenario.inspection(readings=len(texts))
    records = scenario.reading_records(one)
    rows = parquet.table_of(
        READINGS, [dataclasses.replace(r, raw_line=text, rack=text) for r, text in zip(records, texts, strict=True)]
    )
    held = pq.read_table(exported(tmp_path, READINGS, rows, ".parquet"))
    assert held.equals(rows)

    with exported(tmp_path, READINGS, rows, ".csv").open(encoding="utf-8", newline="") as file:
        cells = [row["raw_line"] for row in csv.DictReader(file)]
    assert [re.sub(r"\A'|(?<=[;\t\r\n])'", "", cell) for cell in cells] == texts
    # What any of the parts would begin with, whatever a spreadsheet takes for the end of a cell.
    assert not [
        part for cell in cells for part in re.split(r"[;\t\r\n]", cell)[0:] if part[:1] in tuple("=+-@＝＋－＠")
    ]

    header, *sheet = sheet_of(exported(tmp_path, READINGS, rows, ".xlsx"), "readings")
    at = [name.split(" [")[0] for name in header].index("raw_line")
    assert [row[at] for row in sheet] == texts


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=10)
@given(
    figures=st.lists(
        st.decimals(min_value="-99999", max_value="99999", places=4, allow_nan=False), min_size=1, max_size=20
    ),
    ms=st.integers(0, 86_399_999),
)
def test_a_workbook_holds_the_very_figures_and_times(tmp_path: Path, figures: list[Decimal], ms: int) -> None:
    one = scenario.inspection(readings=len(figures))
    at = scenario.START.replace(hour=0, minute=0, second=0) + timedelta(milliseconds=ms)
    rows = parquet.table_of(
        READINGS,
        [
            dataclasses.replace(r, thickness_um=figure, taken_at=at)
            for r, figure in zip(scenario.reading_records(one), figures, strict=True)
        ],
    )
    header, *sheet = sheet_of(exported(tmp_path, READINGS, rows, ".xlsx"), "readings")
    assert header == tuple(c.name if c.column.unit is None else f"{c.name} [{c.column.unit}]" for c in READINGS.columns)
    wanted = [tuple(as_sheet(value) for value in row.values()) for row in rows.to_pylist()]
    numbers = [c.name for c in READINGS.columns if pa.types.is_decimal(c.column.type)]
    names = READINGS.arrow_schema.names
    for got, want in zip(sheet, wanted, strict=True):
        for name, cell, value in zip(names, got, want, strict=True):
            if name in numbers and value is not None:
                assert Decimal(str(cell)) == value
            else:
                assert cell == value


def test_every_table_comes_back_out_of_a_workbook(tmp_path: Path, archive: Archive) -> None:
    fill(archive)
    for contract in (GAUGE_CHECKS, INSPECTIONS, CERTIFICATES):
        rows = pa.concat_tables(choose(archive.root, contract, WHOLE).parts())
        header, *sheet = sheet_of(exported(tmp_path, contract, rows, ".xlsx"), contract.name)
        assert len(header) == len(contract.columns)
        for got, want in zip(sheet, rows.to_pylist(), strict=True):
            for cell, value in zip(got, map(as_sheet, want.values()), strict=True):
                assert (Decimal(str(cell)) if isinstance(value, Decimal) else cell) == value
        about = sheet_of(tmp_path / "table.xlsx", "columns")
        explained = {row[0]: row[4] for row in about if row[4] is not None}
        assert [explained[c.name] for c in contract.columns] == [c.column.meaning for c in contract.columns]
    assert openpyxl.load_workbook(tmp_path / "table.xlsx")["certificates"].freeze_panes == "A2"


def test_a_text_that_no_cell_holds_lies_whole_on_a_sheet_of_its_own(tmp_path: Path) -> None:
    just, over, wide = "a" * workbook.CELL_UNITS, "=b" * workbook.CELL_UNITS, "𝄞" * (workbook.CELL_UNITS // 2 + 1)
    ones = [scenario.inspection(n, job_json=text, shop_json=over) for n, text in enumerate((just, over, wide))]
    rows = parquet.table_of(INSPECTIONS, ones)
    path = exported(tmp_path, INSPECTIONS, rows, ".xlsx")
    header, *sheet = sheet_of(path, "inspections")
    at = list(header).index("job_json")
    _, *pieces = sheet_of(path, "long texts")
    assert sheet[0][at] == just
    for index, text in ((1, over), (2, wide)):
        number = int(re.search(r"as text (\d+)\]", sheet[index][at])[1])  # type: ignore[index]
        mine = [piece for piece in pieces if piece[0] == number]
        assert "".join(piece[4] for piece in mine) == text
        assert {piece[1:3] for piece in mine} == {(index + 2, "job_json")}


def test_a_time_that_a_spreadsheet_has_no_date_for_is_a_text(tmp_path: Path) -> None:
    one = scenario.inspection(readings=2)
    early, first = (
        dataclasses.replace(r, taken_at=datetime(1900, month, day, 23, 59, 59, 999000, tzinfo=UTC))
        for r, (month, day) in zip(scenario.reading_records(one), ((2, 28), (3, 1)), strict=True)
    )
    path = exported(tmp_path, READINGS, parquet.table_of(READINGS, [early, first]), ".xlsx")
    header, *sheet = sheet_of(path, "readings")
    at = list(header).index("taken_at [UTC]")
    assert [row[at] for row in sheet] == ["1900-02-28T23:59:59.999Z", first.taken_at.replace(tzinfo=None)]


def test_the_same_rows_make_the_same_workbook(tmp_path: Path) -> None:
    rows = scenario.readings(scenario.inspection())
    first = exported(tmp_path, READINGS, rows, ".xlsx").read_bytes()
    assert exported(tmp_path, READINGS, rows, ".xlsx").read_bytes() == first


def test_more_rows_than_a_sheet_holds_are_refused_before_anything_is_written(tmp_path: Path) -> None:
    def parts() -> Iterator[pa.Table]:
        raise AssertionError("asked for rows")
        yield

    most = workbook.SHEET_ROWS - 1
    workbook.demand_room(READINGS, most)
    with pytest.raises(BadInput, match=r"1,048,576 rows are more than the 1,048,575 .* \.parquet or \.csv"):
        exporting.export(Chosen(READINGS, most + 1, "all", parts), tmp_path / "a.xlsx")
    assert list(tmp_path.iterdir()) == []


def test_a_file_that_is_there_is_written_over_only_when_asked(tmp_path: Path) -> None:
    rows = scenario.readings(scenario.inspection(readings=3))
    for suffix in exporting.SUFFIXES:
        path = tmp_path / f"a{suffix}"
        path.write_text("mine")
        with pytest.raises(BadInput, match="is there already; name another file, or say --replace"):
            exporting.export(chosen_of(READINGS, rows), path)
        assert path.read_text() == "mine"
        exporting.export(chosen_of(READINGS, rows), path, replace=True)
        assert path.read_bytes()[:4] != b"mine"
    assert len(list(tmp_path.iterdir())) == 3


@pytest.mark.parametrize("suffix", exporting.SUFFIXES)
def test_an_export_that_breaks_off_leaves_nothing(tmp_path: Path, suffix: str) -> None:
    rows = scenario.readings(scenario.inspection())

    def parts() -> Iterator[pa.Table]:
        yield rows
        raise IntegrityFailed("a file is not whole")

    with pytest.raises(IntegrityFailed):
        exporting.export(Chosen(READINGS, 120, "all", parts), tmp_path / f"a{suffix}")
    assert list(tmp_path.iterdir()) == []


# ---- what is chosen -------------------------------------------------------------------------


def fill(archive: Archive) -> None:
    """Commit three inspections of two customers, the first corrected to another lot, a check and certificates."""
    archive.commit_checks(scenario.verification(), scenario.START)
    first = scenario.inspection(1, readings=3)
    late = datetime(2026, 11, 30, 23, 30, tzinfo=UTC)  # the 1st of December in Berlin
    others = [
        scenario.inspection(2, customer="Wren Rail", part_no="WR-1", gauge_serial="G-2", readings=4),
        scenario.inspection(3, at=late - timedelta(minutes=20), lot="L-80", readings=5),
    ]
    for one in (first, dataclasses.replace(scenario.correction(first), lot="L-78"), *others):
        archive.commit_inspection(one, scenario.readings(one))
    for one in (first, others[0]):
        archive.commit_certificate(scenario.certificate(one, archive.head()))


CASES: list[tuple[str, dict[str, Any], list[tuple[int, int]]]] = [
    ("the whole table holds every revision", {}, [(1, 1), (1, 2), (2, 1), (3, 1)]),
    ("a selection holds the valid revisions", {"gauge": "G-1044"}, [(1, 2), (3, 1)]),
    ("every revision where asked", {"gauge": "G-1044", "all_revisions": True}, [(1, 1), (1, 2), (3, 1)]),
    ("a superseded lot stays out of sight", {"lot": "L-77"}, [(2, 1)]),
    ("part", {"part": "WR-1"}, [(2, 1)]),
    ("a part of the customer's name", {"customer": "wren"}, [(2, 1)]),
    ("inspection", {"inspection": scenario.inspection_id(2)}, [(2, 1)]),
    ("days begin in the shop's time zone", {"since": date(2026, 12, 1)}, [(3, 1)]),
    ("the last day counts", {"until": date(2026, 11, 3)}, [(1, 2), (2, 1)]),
    ("all together", {"part": "FG-20-114", "lot": "L-80", "until": date(2026, 11, 30)}, []),
]


@pytest.mark.parametrize(("by", "wanted"), [c[1:] for c in CASES], ids=[c[0] for c in CASES])
def test_readings_and_inspections_are_chosen_alike(
    archive: Archive, by: dict[str, Any], wanted: list[tuple[int, int]]
) -> None:
    fill(archive)
    number = {
        scenario.inspection(n, at).inspection_id: n
        for n, at in ((1, scenario.START), (2, scenario.START), (3, datetime(2026, 11, 30, 23, 10, tzinfo=UTC)))
    }
    for contract in (READINGS, INSPECTIONS):
        found = choose(archive.root, contract, Selection(BERLIN, **by))
        rows = [row for part in found.parts() for row in part.to_pylist()]
        assert sorted({(number[r["inspection_id"]], r["revision"]) for r in rows}) == wanted
        assert found.rows == len(rows)


def test_checks_and_certificates_are_chosen_by_what_they_say(archive: Archive) -> None:
    fill(archive)
    for contract, by, rows in (
        (GAUGE_CHECKS, {}, 2),
        (GAUGE_CHECKS, {"gauge": "G-1044"}, 2),
        (GAUGE_CHECKS, {"gauge": "G-2"}, 0),
        (GAUGE_CHECKS, {"until": date(2026, 11, 2)}, 0),
        (CERTIFICATES, {}, 2),
        (CERTIFICATES, {"customer": "Wren Rail"}, 1),
        (CERTIFICATES, {"inspection": scenario.inspection_id(1)}, 1),
    ):
        found = choose(archive.root, contract, Selection(BERLIN, **by))  # type: ignore[arg-type]
        assert (found.rows, sum(part.num_rows for part in found.parts())) == (rows, rows), (contract.name, by)
    with pytest.raises(BadInput, match=r"gauge_checks cannot be chosen by --lot; choose with --gauge, --from, --to"):
        choose(archive.root, GAUGE_CHECKS, Selection(BERLIN, lot="L-77"))

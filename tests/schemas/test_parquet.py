"""The strict reader and writer, and the stored version-1 files that every later version must read."""

from __future__ import annotations

import dataclasses
import json
from datetime import datetime
from decimal import Decimal
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from schemas import parquet
from schemas.column import FILE_KEY, Table
from schemas.errors import BadInput, IntegrityFailed
from schemas.tables import TABLES
from tests.schemas.records import READING, RECORDS

STORED = Path(__file__).parent / "stored"


@pytest.fixture(params=sorted(TABLES))
def table(request: pytest.FixtureRequest) -> Table:
    return TABLES[request.param]


def test_what_was_written_is_read(table: Table, tmp_path: Path) -> None:
    path = tmp_path / "one.parquet"
    parquet.write(table, parquet.table_of(table, [RECORDS[table.name]]), path)
    assert [RECORDS[table.name]] == parquet.records(table, parquet.read(table, path))


def test_every_later_version_reads_the_stored_version_1_file(table: Table) -> None:
    found = parquet.records(table, parquet.read(table, STORED / f"{table.name}-v1.parquet"))
    assert [RECORDS[table.name]] == found


def test_the_stored_version_1_file_says_that_it_is_version_1(table: Table) -> None:
    document = json.loads(parquet.footer(STORED / f"{table.name}-v1.parquet")[FILE_KEY.decode()])
    assert (table.name, 1) == (document["schema"], document["version"])


def test_every_column_carries_its_meaning_and_every_thickness_its_unit(table: Table, tmp_path: Path) -> None:
    path = tmp_path / "one.parquet"
    parquet.write(table, parquet.table_of(table, [RECORDS[table.name]]), path)
    for field in pq.read_schema(path):
        assert field.metadata[b"meaning"]
        if field.name.endswith("_um"):
            assert field.metadata[b"unit"].decode() == "µm"


def test_the_files_document_repeats_units_and_meanings_for_readers_other_than_arrow(
    table: Table, tmp_path: Path
) -> None:
    path = tmp_path / "one.parquet"
    parquet.write(table, parquet.table_of(table, [RECORDS[table.name]]), path)
    document = json.loads(pq.read_metadata(path).metadata[FILE_KEY])
    assert [c.name for c in table.columns] == list(document["columns"])
    assert all(said["meaning"] for said in document["columns"].values())


def _changed(**changes: Any) -> Any:
    return dataclasses.replace(READING, **changes)


@pytest.mark.parametrize(
    ("record", "word"),
    [
        pytest.param(_changed(taken_at=datetime(2026, 11, 3)), "time zone", id="naive time"),  # noqa: DTZ001
        pytest.param(_changed(lot=None), "may not be empty", id="null"),
        pytest.param(_changed(thickness_um=Decimal("1.00001")), "thickness_um", id="more decimals than are kept"),
        pytest.param(_changed(thickness_um=Decimal("123456.0000")), "thickness_um", id="more digits than are kept"),
        pytest.param(_changed(spot="first"), "spot", id="another type"),
    ],
)
def test_a_record_that_the_contract_does_not_allow_is_refused(record: Any, word: str) -> None:
    with pytest.raises(BadInput, match=word):
        parquet.table_of(TABLES["readings"], [record])


def test_a_table_with_another_column_is_not_written(tmp_path: Path) -> None:
    rows = parquet.table_of(TABLES["readings"], [READING]).append_column("mood", pa.array(["good"]))
    with pytest.raises(BadInput, match="the columns are not those"):
        parquet.write(TABLES["readings"], rows, tmp_path / "one.parquet")


def test_a_file_of_another_table_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "one.parquet"
    parquet.write(TABLES["readings"], parquet.table_of(TABLES["readings"], [READING]), path)
    with pytest.raises(IntegrityFailed, match="holds readings, not certificates"):
        parquet.read(TABLES["certificates"], path)


def test_a_file_of_a_newer_version_is_refused_with_what_to_do(tmp_path: Path) -> None:
    path = tmp_path / "one.parquet"
    newer = dataclasses.replace(TABLES["readings"], version=99)
    parquet.write(newer, parquet.table_of(newer, [READING]), path)
    with pytest.raises(BadInput, match="version 99; this program knows up to 1, use a newer one"):
        parquet.read(TABLES["readings"], path)


@pytest.mark.parametrize("content", [b"", b"PAR1", b"no parquet at all", b"PAR1" + b"\0" * 64 + b"PAR1"])
def test_what_is_no_parquet_is_refused_in_one_sentence(content: bytes, tmp_path: Path) -> None:
    path = tmp_path / "one.parquet"
    path.write_bytes(content)
    with pytest.raises(IntegrityFailed, match="restore it from a copy"):
        parquet.read(TABLES["readings"], path)


def test_a_foreign_parquet_file_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "one.parquet"
    pq.write_table(pa.table({"a": [1]}), path)
    with pytest.raises(IntegrityFailed, match="not a file of the archive"):
        parquet.read(TABLES["readings"], path)


def test_a_migration_brings_an_older_file_to_the_present_columns(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "old.parquet"
    parquet.write(TABLES["readings"], parquet.table_of(TABLES["readings"], [READING]), path)
    present = dataclasses.replace(TABLES["readings"], version=2)
    steps = {("readings", 1): lambda rows: rows.set_column(5, rows.schema.field("shop"), pa.array(["renamed"]))}
    monkeypatch.setattr(parquet, "MIGRATIONS", steps)
    assert parquet.read(present, path).column("shop").to_pylist() == ["renamed"]

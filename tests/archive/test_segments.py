"""The folded form by itself: what is written comes back, in one order and the same bytes each time."""

from __future__ import annotations

import dataclasses
import hashlib
import json
import random
from datetime import timedelta
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from archive.layout import CommitName
from archive.segments import Place, Segment, cut, records_of, rows_at, segments, write_segment
from schemas import parquet
from schemas.errors import BadInput, IntegrityFailed
from schemas.gauge_checks import GAUGE_CHECKS
from schemas.readings import READINGS
from tests.archive import scenario

MONTH = "2026-11"


def some(count: int = 5, readings: int = 24) -> tuple[list[tuple[str, str]], dict[str, pa.Table]]:
    """Return commits of several parts, oldest first, and the rows of each by its name."""
    commits, rows = [], {}
    for number in range(count):
        at = scenario.START + timedelta(hours=number)
        one = scenario.inspection(number, at, readings, part_no=f"FG-{number % 3}")
        name = CommitName(at, "bench1", number + 1, one.inspection_id, 1).file_name
        commits.append((name, json.dumps({"number": number})))
        rows[name] = scenario.readings(one)
    return commits, rows


def written(root: Path, commits: list[tuple[str, str]], rows: dict[str, pa.Table]) -> Segment:
    return write_segment(root, READINGS, MONTH, commits, pa.concat_tables(rows.values()))


def test_each_commit_has_its_record_and_its_rows_together(tmp_path: Path) -> None:
    commits, rows = some()
    segment = written(tmp_path, commits, rows)
    assert segments(tmp_path, "readings") == [segment]
    assert segments(tmp_path, "certificates") == []
    whole = pq.read_table(segment.rows_path)
    assert whole.schema.equals(READINGS.arrow_schema, check_metadata=True)
    records = records_of(segment).to_pylist()
    assert commits == [(one["file_name"], one["record"]) for one in records]
    for one in records:
        assert rows[one["file_name"]] == whole.slice(one["first_row"], one["rows"])
    order = [whole.column(name).to_pylist() for name in ("part_no", "inspection_id", "revision", "reading_no")]
    assert sorted(zip(*order, strict=True)) == list(zip(*order, strict=True))


def test_the_manifest_says_what_the_files_are(tmp_path: Path) -> None:
    segment = written(tmp_path, *some())
    said = json.loads(segment.manifest_path.read_text())
    assert hashlib.sha256(segment.rows_path.read_bytes()).hexdigest() == said["rows_sha256"]
    assert hashlib.sha256(segment.records_path.read_bytes()).hexdigest() == said["records_sha256"]
    assert (said["commits"], said["rows"], said["table"], said["table_version"]) == (5, 120, "readings", 1)


def test_the_same_commits_in_another_order_are_the_same_bytes(tmp_path: Path) -> None:
    commits, rows = some()
    first = written(tmp_path / "a", commits, rows)
    mixed = random.Random(1).sample(commits, len(commits))
    whole = pa.concat_tables(rows[name] for name, _ in mixed)
    shuffled = whole.take(random.Random(2).sample(range(whole.num_rows), whole.num_rows))
    second = write_segment(tmp_path / "b", READINGS, MONTH, mixed, shuffled)
    assert [path.read_bytes() for path in first.paths] == [path.read_bytes() for path in second.paths]
    assert [path.name for path in first.paths] == [path.name for path in second.paths]


def test_a_commit_without_rows_and_rows_without_a_revision_are_kept(tmp_path: Path) -> None:
    commits, rows = some(2)
    empty = CommitName(scenario.START, "bench2", 1, "K", 1).file_name
    segment = write_segment(tmp_path, READINGS, MONTH, [*commits, (empty, "{}")], pa.concat_tables(rows.values()))
    assert {one["file_name"]: one["rows"] for one in records_of(segment).to_pylist()}[empty] == 0
    checks = scenario.verification()
    name = CommitName(scenario.START, "bench1", 1, checks[0].check_id, 1).file_name
    segment = write_segment(tmp_path, GAUGE_CHECKS, MONTH, [(name, "{}")], parquet.table_of(GAUGE_CHECKS, checks))
    assert records_of(segment).to_pylist() == [{"file_name": name, "record": "{}", "first_row": 0, "rows": 2}]


def test_what_does_not_belong_together_is_not_written(tmp_path: Path) -> None:
    commits, rows = some(2)
    fork = (CommitName(scenario.START, "bench2", 1, scenario.inspection_id(0), 1).file_name, "{}")
    with pytest.raises(IntegrityFailed, match="two commits of 2026-11 hold the same key and revision"):
        written(tmp_path, [*commits, fork], rows)
    with pytest.raises(IntegrityFailed, match="there are rows of .*-0001-r1.parquet and no such commit"):
        written(tmp_path, commits[:1], rows)
    for_two = dataclasses.replace(scenario.inspection(0), part_no="ZZ")
    torn = {**rows, "other": scenario.readings(for_two)}
    with pytest.raises(IntegrityFailed, match="are of several parts"):
        written(tmp_path, commits, torn)
    assert segments(tmp_path, "readings") == []


def test_a_published_segment_is_never_written_again(tmp_path: Path) -> None:
    commits, rows = some(2)
    written(tmp_path, commits, rows)
    with pytest.raises(BadInput, match="exists already, and nothing folded is rewritten"):
        written(tmp_path, commits, rows)


def test_what_the_proof_refuses_is_not_published(tmp_path: Path) -> None:
    commits, rows = some(2)

    def refuse(segment: Segment) -> None:
        assert segment.rows_path.exists()
        assert segment.records_path.exists()
        raise IntegrityFailed("no")

    with pytest.raises(IntegrityFailed, match="no"):
        write_segment(tmp_path, READINGS, MONTH, commits, pa.concat_tables(rows.values()), refuse)
    assert segments(tmp_path, "readings") == []
    written(tmp_path, commits, rows)
    assert len(segments(tmp_path, "readings")) == 1


def test_a_month_of_many_rows_is_cut_between_commits_from_its_beginning(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    commits, rows = some(7)
    whole = pa.concat_tables(rows.values())
    monkeypatch.setattr("archive.segments.SEGMENT_ROWS", 50)
    pieces = list(cut(READINGS, commits, whole, tmp_path))
    assert [(len(of_piece), its.num_rows) for of_piece, its in pieces] == [(2, 48), (2, 48), (2, 48), (1, 24)]
    assert sorted(one for of_piece, _ in pieces for one in of_piece) == commits
    for of_piece, its in pieces:
        write_segment(tmp_path, READINGS, MONTH, of_piece, its)
    found = {
        one["file_name"]: pq.read_table(segment.rows_path).slice(one["first_row"], one["rows"])
        for segment in segments(tmp_path, "readings")
        for one in records_of(segment).to_pylist()
    }
    assert found == rows
    # Without the first pieces the others are cut as before: a fold that was cut short goes on.
    left = [one for of_piece, _ in pieces[2:] for one in of_piece]
    rest = list(cut(READINGS, left, pa.concat_tables(rows[name] for name, _ in left), tmp_path))
    assert [sorted(of_piece) for of_piece, _ in rest] == [sorted(of_piece) for of_piece, _ in pieces[2:]]


def test_a_commit_with_more_rows_than_a_segment_is_one_by_itself_and_commits_without_rows_are_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    commits, rows = some(3)
    empty = (CommitName(scenario.START, "bench2", 1, "K", 1).file_name, "{}")
    monkeypatch.setattr("archive.segments.SEGMENT_ROWS", 10)
    pieces = list(cut(READINGS, [*commits, empty], pa.concat_tables(rows.values()), tmp_path))
    assert [its.num_rows for _, its in pieces] == [0, 24, 24, 24]
    assert [of_piece for of_piece, its in pieces if not its.num_rows] == [[empty]]
    monkeypatch.setattr("archive.segments.SEGMENT_ROWS", 1_000)
    monkeypatch.setattr("archive.segments.SEGMENT_COMMITS", 2)
    pieces = list(cut(READINGS, commits, pa.concat_tables(rows.values()), tmp_path))
    assert [len(of_piece) for of_piece, _ in pieces] == [2, 1]


def test_a_row_group_ends_where_a_commit_does(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    commits, rows = some(7)
    monkeypatch.setattr("schemas.parquet.FOLDED_ROW_GROUP_ROWS", 70)
    segment = written(tmp_path, commits, rows)
    said = pq.read_metadata(segment.rows_path)
    assert [said.row_group(number).num_rows for number in range(said.num_row_groups)] == [48, 48, 48, 24]
    for row, one in enumerate(records_of(segment).to_pylist()):
        assert rows_at(Place(segment, row, one["first_row"], one["rows"])) == rows[one["file_name"]]
    monkeypatch.setattr("schemas.parquet.FOLDED_ROW_GROUP_ROWS", 20)
    segment = written(tmp_path / "larger", commits, rows)
    said = pq.read_metadata(segment.rows_path)
    assert [said.row_group(number).num_rows for number in range(4)] == [20, 4, 20, 4]
    for row, one in enumerate(records_of(segment).to_pylist()):
        assert rows_at(Place(segment, row, one["first_row"], one["rows"])) == rows[one["file_name"]]

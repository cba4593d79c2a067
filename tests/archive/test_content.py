"""The canonical lines. FIPS 180-4 fixes SHA-256 itself; the lines are ours, and spelled out here."""

from __future__ import annotations

import hashlib
from datetime import UTC, date, datetime
from decimal import Decimal
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given
from hypothesis import strategies as st

from archive import content
from archive.content import canonical_lines, content_sha256, contents_sha256
from schemas import parquet
from schemas.gauge_checks import GAUGE_CHECKS
from tests.archive import scenario


def lines(rows: pa.Table) -> bytes:
    return b"".join(canonical_lines(rows))


def spelled_out(rows: pa.Table) -> bytes:
    """The form as its docstring states it, built the slow way and without Arrow's text functions."""

    def field(value: Any, kind: pa.DataType) -> str:
        if value is None:
            return "\\N"
        if isinstance(value, bool):
            return "true" if value else "false"
        if isinstance(value, datetime):
            return f"{value.astimezone(UTC):%Y-%m-%d %H:%M:%S}.{value.microsecond // 1000:03d}"
        if isinstance(value, list):
            return "[" + " ".join(field(entry, kind.value_type) for entry in value) + "]"
        if isinstance(value, Decimal):
            return f"{value:.{kind.scale}f}"
        text = str(value)
        return text.replace("\\", "\\\\").replace("\t", "\\t").replace("\n", "\\n").replace("\r", "\\r")

    def line(fields: list[str]) -> bytes:
        return ("\t".join(fields) + "\n").encode()

    kinds = [column.type for column in rows.columns]
    records = rows.to_pylist()
    if "reading_no" in rows.column_names:
        records.sort(key=lambda record: record["reading_no"])
    body = [line([field(v, k) for v, k in zip(record.values(), kinds, strict=True)]) for record in records]
    if "reading_no" not in rows.column_names:
        body.sort()
    return line(rows.column_names) + b"".join(body)


def small(**columns: Any) -> pa.Table:
    return pa.table(columns)


def test_each_kind_of_value_has_one_form() -> None:
    rows = small(
        reading_no=pa.array([1, 2], pa.int32()),
        taken_at=pa.array([datetime(2026, 11, 3, 9, 15, 2, 123000, UTC), None], pa.timestamp("ms", "UTC")),
        due=pa.array([date(2027, 5, 1), None]),
        thickness_um=pa.array([Decimal("0.0001"), Decimal("-80")], pa.decimal128(9, 4)),
        counted=pa.array([True, False]),
        readings_um=pa.array([[Decimal(80), None], []], pa.list_(pa.decimal128(9, 4))),
        raw_line=pa.array(["80\t\\N µm\r\n", ""]),
    )
    assert (
        "reading_no\ttaken_at\tdue\tthickness_um\tcounted\treadings_um\traw_line\n"
        "1\t2026-11-03 09:15:02.123\t2027-05-01\t0.0001\ttrue\t[80.0000 \\N]\t80\\t\\\\N µm\\r\\n\n"
        "2\t\\N\t\\N\t-80.0000\tfalse\t[]\t\n"
    ).encode() == lines(rows)
    assert hashlib.sha256(lines(rows)).hexdigest() == content_sha256(rows)


@given(
    st.lists(
        st.tuples(
            st.one_of(st.none(), st.text(max_size=6), st.text(alphabet="\\N\t\n\r|", max_size=4)),
            st.one_of(st.none(), st.decimals(-99999, 99999, places=4)),
            st.text(alphabet="\\t\t\n", max_size=3),
        ),
        max_size=8,
    )
)
def test_the_lines_are_those_of_the_form_as_it_is_stated(values: list[tuple[Any, Any, Any]]) -> None:
    rows = small(
        a=pa.array([v[0] for v in values], pa.string()),
        b=pa.array([v[1] for v in values], pa.decimal128(9, 4)),
        reading_no=pa.array(range(len(values), 0, -1), pa.int32()),
        c=pa.array([v[2] for v in values], pa.string()),
    )
    assert spelled_out(rows) == lines(rows)
    assert spelled_out(rows.drop_columns(["reading_no"])) == lines(rows.drop_columns(["reading_no"]))


_FIELD = st.one_of(st.none(), st.sampled_from(["", "a", "bb", "\\", "\t", "\r\n", "µm", "\\N"]))
_COLUMNS = {
    "text": (pa.string(), _FIELD),
    "whole": (pa.int32(), st.one_of(st.none(), st.sampled_from([0, 1, 257, -1]))),
    "exact": (
        pa.decimal128(9, 4),
        st.one_of(st.none(), st.sampled_from([Decimal(0), Decimal("1.5"), Decimal("-80.0001")])),
    ),
    "truth": (pa.bool_(), st.one_of(st.none(), st.booleans())),
    "at": (
        pa.timestamp("ms", "UTC"),
        st.sampled_from([None, datetime(2026, 11, 3, 9, 15, 2, 123000, UTC), datetime(1969, 7, 20, tzinfo=UTC)]),
    ),
    "many": (pa.list_(pa.decimal128(9, 4)), st.sampled_from([None, [], [Decimal(1), None]])),
}


@st.composite
def _tables(draw: st.DrawFn) -> pa.Table:
    """Tables of columns that are often the same from the first row to the last, cut into chunks anywhere."""
    count = draw(st.integers(1, 12))
    columns = {}
    for number, kind in enumerate(draw(st.lists(st.sampled_from(sorted(_COLUMNS)), min_size=1, max_size=7))):
        arrow, values = _COLUMNS[kind]
        same = draw(st.booleans())
        said = [draw(values)] * count if same else draw(st.lists(values, min_size=count, max_size=count))
        columns[f"{kind}{number}"] = pa.array(said, arrow)
    rows = small(**columns)
    if draw(st.booleans()):
        rows = rows.append_column("reading_no", pa.array(range(count, 0, -1), pa.int32()))
    cut = draw(st.integers(0, count))
    # A slice of a longer table: its arrays begin in the middle of their buffers.
    longer = pa.concat_tables([rows, rows, rows]).combine_chunks().slice(count, count)
    return pa.concat_tables([longer.slice(0, cut), longer.slice(cut)])


@given(rows=_tables())
def test_what_is_the_same_in_all_rows_takes_the_stated_form_too(rows: pa.Table) -> None:
    with pytest.MonkeyPatch.context() as patch:
        expected = spelled_out(rows)
        assert expected == lines(rows)
        patch.setattr(content, "_FEW_ROWS", 1)
        assert expected == lines(rows)
        patch.setattr(content, "_SLICE_ROWS", 5)
        assert expected == lines(rows)


@given(
    st.sampled_from(sorted(_COLUMNS)).flatmap(
        lambda kind: st.tuples(st.just(kind), st.lists(_COLUMNS[kind][1], min_size=1, max_size=5))
    )
)
def test_a_column_is_said_to_be_the_same_only_where_it_is(drawn: tuple[str, list[Any]]) -> None:
    kind, values = drawn
    found = content.all_same(pa.array(values, _COLUMNS[kind][0]))
    same = all(value == values[0] for value in values)
    # For lists nobody looks; that costs time and no truth.
    assert found == (same and (kind != "many" or values[0] is None))


def test_readings_and_checks_take_the_stated_form() -> None:
    one = scenario.inspection(readings=37)
    assert spelled_out(scenario.readings(one)) == lines(scenario.readings(one))


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ([None, "x"], ["\\N", "x"]),
        (["", "a"], [None, "a"]),
        (["a\tb", "c"], ["a\\tb", "c"]),
        (["a\n", "b"], ["a", "\nb"]),
    ],
    ids=["null and its sign", "null and nothing", "tab and its escape", "line feed moved"],
)
def test_different_rows_never_share_their_lines(one: list[Any], other: list[Any]) -> None:
    text = pa.string()
    assert lines(small(a=pa.array(one, text))) != lines(small(a=pa.array(other, text)))


def test_the_hash_outlives_other_encodings_chunks_and_order(tmp_path: Path) -> None:
    rows = scenario.readings(scenario.inspection())
    expected = content_sha256(rows)
    for number, options in enumerate(
        ({"compression": "none"}, {"use_dictionary": False, "row_group_size": 7}, {"version": "1.0"})
    ):
        path = tmp_path / f"{number}.parquet"
        pq.write_table(rows, path, **options)  # type: ignore[arg-type]
        assert expected == content_sha256(pq.read_table(path))
    backwards = rows.take(pa.array(range(rows.num_rows - 1, -1, -1)))
    assert expected == content_sha256(pa.concat_tables([backwards.slice(0, 11), backwards.slice(11)]))


def test_rows_beyond_one_slice_make_one_text(monkeypatch: pytest.MonkeyPatch) -> None:
    rows = scenario.readings(scenario.inspection())
    expected = content_sha256(rows)
    monkeypatch.setattr(content, "_SLICE_ROWS", 7)
    assert expected == content_sha256(rows)


def test_many_commits_in_one_table_are_hashed_as_each_by_itself() -> None:
    """In order or not, end to end or with gaps, with letters that need an escape, and of tables without an order."""
    parts = [
        scenario.readings(scenario.inspection(number, readings=count, lot=f"L\t{number}\\\n"))
        for number, count in enumerate((300, 1, 24, 0, 60))
    ]
    parts.append(parts[0].take(list(range(299, -1, -1))))
    rows = pa.concat_tables(parts)
    starts = [sum(part.num_rows for part in parts[:place]) for place in range(len(parts))]
    spans = [(start, part.num_rows) for start, part in zip(starts, parts, strict=True)]
    expected = [content_sha256(part) for part in parts]
    assert contents_sha256(rows, spans) == expected
    assert contents_sha256(rows, spans[::-2]) == expected[::-2]
    checks = [parquet.table_of(GAUGE_CHECKS, scenario.verification(f"C-{n}")[:: 1 - 2 * (n % 2)]) for n in range(3)]
    found = contents_sha256(pa.concat_tables(checks), [(0, 2), (2, 2), (4, 2)])
    assert found == [content_sha256(one) for one in checks]

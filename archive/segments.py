"""The folded form: what was committed in a month that is over, per table in segments of three files.

    <month>-<id>.parquet          the rows of all its commits; a commit's rows stand together
    <month>-<id>.records.parquet  a row per commit: file_name, record, first_row, rows; sorted by file_name
    <month>-<id>.json             the manifest, written last: with its rename the segment is published

Readings stand in the order of part_no, inspection_id, revision, reading_no, the rows of other tables by key and revision,
those of one commit in the order in which they were committed: who asks for one part's readings reads a few row groups. A month
of many rows is in several segments, cut in that order (:func:`cut`): who looks up one commit reads a footer that is no
longer in a large shop than in a small one. The id follows from the records alone, so
that a fold that was cut short and is repeated writes the same names and the same bytes. A segment holds commits of one
version of its table and of no key and revision two, and nothing in it is ever rewritten.
"""

from __future__ import annotations

import hashlib
import json
import os
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any, Final

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from archive.commit import make_folder, write_once, write_over
from archive.layout import FOLDED_FOLDER, SEGMENT_ENDINGS, key_and_revision, parse_segment
from archive.ledger import canonical, record_hash
from archive.opening import CLOCKS_APART_NS, changed_ns, reading
from schemas import parquet
from schemas.column import FILE_KEY, Table
from schemas.errors import BadInput, FilmtallyError, IntegrityFailed
from schemas.tables import TABLES

#: What a manifest says that it is, and in which version.
MANIFEST: Final = "segment"
MANIFEST_VERSION: Final = 1
#: Which columns of each table hold a commit's key and, where it has one, its revision.
KEY_COLUMNS: Final = {
    "readings": ("inspection_id", "revision"),
    "gauge_checks": ("check_id", None),
    "certificates": ("number", "revision"),
    "holds": ("hold_id", "revision"),
    "tombstones": ("removal_id", None),
}
#: The columns of the records file: the name of a commit's single file, its ledger record verbatim, where its rows begin,
#: from 0, and how many they are.
_RECORDS_COLUMNS: Final[list[tuple[str, pa.DataType]]] = [
    ("file_name", pa.string()),
    ("record", pa.string()),
    ("first_row", pa.int64()),
    ("rows", pa.int32()),
]
RECORDS_SCHEMA: Final = pa.schema(
    _RECORDS_COLUMNS, metadata={FILE_KEY: json.dumps({"schema": "segment_records", "version": 1}).encode()}
)
#: So many rows and commits at most go into one segment, unless one commit alone has more rows. Looking up a commit costs
#: the reading of a footer that lists the row groups and columns: 0.4 ms of 65,536 rows, 3.6 ms of half a million.
SEGMENT_ROWS: Final = 65_536
SEGMENT_COMMITS: Final = 2_048
#: A record takes some 25 kilobytes, and who wants one reads the whole row group: 32 of them are most of a megabyte.
_RECORDS_AT_ONCE: Final = 32
#: From so many rows on, several threads read sooner than one.
_MANY_ROWS: Final = 50_000
#: The footers of files of segments that were read, by path, size and time of change; the one used last stands last.
_FOOTERS: Final[dict[tuple[Path, int, int], pq.FileMetaData]] = {}
#: The names in folders of segments, with the time at which each folder had changed last.
_LISTED: Final[dict[Path, tuple[int, list[str]]]] = {}
_MOST_LISTED: Final = 32
#: Bytes of footers that are kept, as they lie in the files; read, they take eight times that.
_FOOTER_BYTES: Final = 8_000_000
#: The columns of text of each table.
_TEXTS: Final = {
    name: [c.name for c in TABLES[name].columns if pa.types.is_string(c.column.type)] for name in KEY_COLUMNS
}


@dataclass(frozen=True, slots=True)
class Segment:
    """The commits of one month of one table, folded.

    Attributes:
        table: The table.
        month: The month that the commits' names say, as 2026-11.
        id: 16 hex digits that follow from the records, see :func:`segment_id`.
        root: The archive's folder.
    """

    table: str
    month: str
    id: str
    root: Path

    @property
    def rows_path(self) -> Path:
        """Return the file of the rows."""
        return self._path(SEGMENT_ENDINGS[0])

    @property
    def records_path(self) -> Path:
        """Return the file of the records."""
        return self._path(SEGMENT_ENDINGS[1])

    @property
    def manifest_path(self) -> Path:
        """Return the file that publishes the other two."""
        return self._path(SEGMENT_ENDINGS[2])

    @property
    def paths(self) -> tuple[Path, Path, Path]:
        """Return the three files, in the order in which they are written."""
        return self.rows_path, self.records_path, self.manifest_path

    def _path(self, ending: str) -> Path:
        return folded_folder(self.root, self.table) / f"{self.month}-{self.id}{ending}"


@dataclass(frozen=True, slots=True)
class Place:
    """Where one commit stands in a segment.

    Attributes:
        segment: The segment.
        row: Its row in the records file, from 0.
        first_row: Where its rows begin in the rows file, from 0.
        rows: How many rows it has.
    """

    segment: Segment
    row: int
    first_row: int
    rows: int


def folded_folder(root: Path, table: str) -> Path:
    """Return the folder of the segments of *table*."""
    return root / FOLDED_FOLDER / table


def segment_id(record_hashes: Iterable[str]) -> str:
    """Return the id of a segment of commits with *record_hashes*: from the SHA-256 over them, sorted, a line each."""
    return hashlib.sha256("".join(f"{one}\n" for one in sorted(record_hashes)).encode()).hexdigest()[:16]


def segments(root: Path, table: str, from_month: str = "") -> list[Segment]:
    """Return the published segments of *table* in *from_month* and later, by month and id.

    Raises:
        BadInput: The folder may not be read.
    """
    folder = folded_folder(root, table)
    try:
        names = file_names(folder)
    except (FileNotFoundError, NotADirectoryError):
        return []
    except PermissionError:
        raise BadInput(f"{folder}: this folder may not be read; ask whoever owns it") from None
    # A segment's name begins with its month; every commit looks here, mostly for nothing.
    found = [parse_segment(name) for name in names if name >= from_month]
    return sorted(
        (Segment(table, one[0], one[1], root) for one in found if one is not None and one[2] == SEGMENT_ENDINGS[2]),
        key=lambda one: (one.month, one.id),
    )


def standing(found: Sequence[Segment]) -> list[Segment]:
    """Return the segments in *found*, all published, whose commits count: not those whose place another of them has taken.

    A removal publishes what it leaves of a segment before the old one goes. And a manifest that was copied to another name would
    have its commits count twice.

    Raises:
        IntegrityFailed: A manifest is not that of the segment that its name says.
        BadInput: It may not be read.
    """
    replaced = {(one.table, one.month, said["replaces"]) for one in found if "replaces" in (said := manifest_of(one))}
    return [one for one in found if (one.table, one.month, one.id) not in replaced]


def manifest_of(segment: Segment) -> dict[str, Any]:
    """Return what the manifest of *segment* says.

    Kept in memory as long as the file's size and time of change stay what they were.

    Raises:
        Vanished: It is gone.
        IntegrityFailed: It is not the manifest of this segment.
        BadInput: It may not be read.
    """
    path = segment.manifest_path
    with reading(path):
        seen = path.stat()
        said: dict[str, Any] = _manifest(path, seen.st_size, seen.st_mtime_ns)
    if not said_of(segment.table, segment.month, path.name, said):
        raise IntegrityFailed(
            f"{path}: is not the manifest of this segment: it was copied, renamed or changed; move it away, or restore it from a "
            "copy where it was changed; 'filmtally archive check' says more"
        )
    return said


def said_of(table: str, month: str, name: str, said: Any) -> bool:
    """Return whether a manifest that says *said* is that of the segment of *table* and *month* whose manifest is called *name*."""
    return isinstance(said, dict) and all(said.get(key) == value for key, value in names_in(table, month, name).items())


def names_in(table: str, month: str, name: str) -> dict[str, str]:
    """Return what a manifest called *name* says of whose it is: table, month, and its two files."""
    stem = name.removesuffix(SEGMENT_ENDINGS[2])
    return {
        "table": table,
        "month": month,
        "rows_file": stem + SEGMENT_ENDINGS[0],
        "records_file": stem + SEGMENT_ENDINGS[1],
    }


@lru_cache(maxsize=4096)
def _manifest(path: Path, _size: int, _changed: int) -> Any:
    try:
        return json.loads(path.read_bytes())
    except ValueError:
        return None


def file_names(folder: Path) -> list[str]:
    """Return the names in a *folder* of segments, looked at anew unless they cannot have changed: every commit looks here, and
    ten years of a large shop are thousands of names.

    Raises:
        OSError: It is not there, or may not be looked at.
    """
    changed = changed_ns(folder)
    kept = _LISTED.get(folder)
    if kept is not None and kept[0] == changed:
        return kept[1]
    names = os.listdir(folder)  # noqa: PTH208 - as in archive/listing.py
    _LISTED.pop(folder, None)
    if time.time_ns() - changed > CLOCKS_APART_NS:
        _LISTED[folder] = (changed, names)
        if len(_LISTED) > _MOST_LISTED:
            del _LISTED[next(iter(_LISTED))]
    return names


def records_of(segment: Segment) -> pa.Table:
    """Return the records file of *segment*.

    Raises:
        IntegrityFailed: It is gone, not whole, or has other columns.
        BadInput: It may not be read.
    """
    path = segment.records_path
    with reading(path), pq.ParquetFile(path) as file:
        found = file.read()
    if not found.schema.equals(RECORDS_SCHEMA, check_metadata=False) or any(c.null_count for c in found.columns):
        raise IntegrityFailed(f"{path}: its columns are not those of a segment's records; restore the file from a copy")
    return found


def names_of(segment: Segment) -> pa.Table:
    """Return the records file of *segment* without the records: file_name, first_row, rows.

    Kept in memory as long as the file's size and time of change stay what they were.

    Raises:
        IntegrityFailed, BadInput: As :func:`records_of`.
    """
    path = segment.records_path
    with reading(path):
        seen = path.stat()
        return _names(path, seen.st_size, seen.st_mtime_ns)


@lru_cache(maxsize=2048)
def _names(path: Path, _size: int, _changed: int) -> pa.Table:
    wanted = ["file_name", "first_row", "rows"]
    with pq.ParquetFile(path) as file:
        found = file.read(columns=wanted).combine_chunks()
    if found.schema.types != [RECORDS_SCHEMA.field(name).type for name in wanted] or found.num_rows == 0:
        raise IntegrityFailed(f"{path}: its columns are not those of a segment's records; restore the file from a copy")
    if any(c.null_count for c in found.columns) or pc.min(found.column("first_row")).as_py() < 0:
        raise IntegrityFailed(f"{path}: does not say where the rows of each commit are; restore the file from a copy")
    return found


def forget() -> None:
    """Forget what this process keeps of segments that it looked at, as a program that was just started knows nothing."""
    _names.cache_clear()
    _manifest.cache_clear()
    _record_row.cache_clear()
    _FOOTERS.clear()
    _LISTED.clear()


def spans_of(names: pa.Table) -> list[tuple[int, int]]:
    """Return of each commit in *names* the place of its first row, and the number of its rows."""
    columns: list[Any] = [names.column(name).to_pylist() for name in ("first_row", "rows")]
    return list(zip(*columns, strict=True))


def place(segment: Segment, names: pa.Table, row: int) -> Place:
    """Return the place of the commit in *row* of the *names* of *segment*."""
    return Place(segment, row, names.column("first_row")[row].as_py(), names.column("rows")[row].as_py())


def record_at(there: Place, file_name: str) -> str:
    """Return the record of the commit *file_name*, which stands at *there*, as text.

    Raises:
        IntegrityFailed: The file is gone or not whole, or another commit stands there.
        BadInput: The file may not be read.
    """
    path = there.segment.records_path
    found = _row_at(there)
    if found["file_name"] != file_name:
        raise IntegrityFailed(f"{path}: does not hold {file_name} in its row {there.row}; restore the file from a copy")
    return str(found["record"])


def stands_at(there: Place, file_name: str) -> bool:
    """Return whether the segment says that the commit *file_name* stands at *there*: an index may be wrong or out of date."""
    try:
        found = _row_at(there)
    except FilmtallyError:
        return False
    return (file_name, there.first_row, there.rows) == (found["file_name"], found["first_row"], found["rows"])


def _row_at(there: Place) -> dict[str, Any]:
    path = there.segment.records_path
    with reading(path):
        seen = path.stat()
        return _record_row(path, seen.st_size, seen.st_mtime_ns, there.row)


@lru_cache(maxsize=64)
def _record_row(path: Path, size: int, changed: int, row: int) -> dict[str, Any]:
    with _opened(path, size, changed) as file:
        (group,), start = _groups(file.metadata, row, 1)
        found: list[dict[str, Any]] = file.read_row_group(group, use_threads=False).slice(row - start, 1).to_pylist()
    return found[0]


def _opened(path: Path, size: int, changed: int, texts: list[str] | None = None) -> pq.ParquetFile:
    """Return *path*, opened; its footer is read once. The columns *texts* come as numbers into a dictionary."""
    key = (path, size, changed)
    known = _FOOTERS.pop(key, None)
    file = pq.ParquetFile(path, metadata=known, read_dictionary=texts, pre_buffer=True)
    _FOOTERS[key] = file.metadata if known is None else known
    if known is None:
        held = sum(footer.serialized_size for footer in _FOOTERS.values())
        while held > _FOOTER_BYTES and len(_FOOTERS) > 1:
            held -= _FOOTERS.pop(next(iter(_FOOTERS))).serialized_size
    return file


def rows_at(there: Place) -> pa.Table:
    """Return the rows of the commit that stands at *there*, as they were committed; not shown to be so.

    Only the row groups that hold them are read.

    Raises:
        IntegrityFailed: The file is gone or not whole.
        BadInput: The file may not be read.
    """
    path = there.segment.rows_path
    with reading(path):
        seen = path.stat()
        # Texts as they lie in the file: most of what is read is thrown away again.
        with _opened(path, seen.st_size, seen.st_mtime_ns, _TEXTS[there.segment.table]) as file:
            groups, start = _groups(file.metadata, there.first_row, there.rows)
            if not groups:
                return _plain(file.schema_arrow.empty_table())
            found = file.read_row_groups(groups, use_threads=there.rows > _MANY_ROWS)
            return _plain(found.slice(there.first_row - start, there.rows))


def _plain(rows: pa.Table) -> pa.Table:
    """Return *rows* with texts as texts."""
    rows = rows.combine_chunks()
    columns: list[Any] = [column.chunk(0) if column.num_chunks else column for column in rows.columns]
    # A cast gives the same in twice the time.
    columns = [c.dictionary.take(c.indices) if isinstance(c, pa.DictionaryArray) else c for c in columns]
    fields = [field.with_type(column.type) for field, column in zip(rows.schema, columns, strict=True)]
    said: Any = rows.schema.metadata  # the stub wants the keys as text or bytes, whichever
    return pa.Table.from_arrays(columns, schema=pa.schema(fields, said))


def rows_of(segment: Segment) -> pa.Table:
    """Return all rows of *segment*, as they were committed; not shown to be so.

    Raises:
        IntegrityFailed, BadInput: As :func:`rows_at`.
    """
    with reading(segment.rows_path), pq.ParquetFile(segment.rows_path) as file:
        return file.read()


def _groups(metadata: pq.FileMetaData, first: int, count: int) -> tuple[list[int], int]:
    """Return the row groups that hold *count* rows from *first* on, and the row that they begin with."""
    if first < 0 or count < 0 or first + count > metadata.num_rows:
        raise ValueError(f"has {metadata.num_rows} rows, and those from {first} to {first + count} are looked for")
    groups: list[int] = []
    begins = start = 0
    for group in range(metadata.num_row_groups):
        end = start + metadata.row_group(group).num_rows
        if start < first + count and first < end:
            begins = begins if groups else start
            groups.append(group)
        if end >= first + count:
            break
        start = end
    return groups, begins


def write_segment(
    root: Path,
    contract: Table,
    month: str,
    commits: Sequence[tuple[str, str]],
    rows: pa.Table,
    prove: Callable[[Segment], None] | None = None,
    replaces: str | None = None,
) -> Segment:
    """Write the segment of *commits* and *rows* durably, and publish it.

    Args:
        root: The archive's folder.
        contract: The table.
        month: The month of all commits.
        commits: Of each commit the name of its single file and its ledger record, as text; in any order.
        rows: The rows of all of them, in any order, but that those of a commit, of other tables than readings, keep the order
            among themselves that they are given in; in the columns of *contract*, or of an older version, see
            :func:`schemas.parquet.write_folded`.
        prove: Called with the segment when both files are on disk and before it is published; what it raises leaves
            the archive as it was, but for two files that no reader sees.
        replaces: The id of the segment whose place this one takes, for what a removal leaves of it; None for a fold.

    Raises:
        BadInput: The archive cannot be written to, or the segment is there already.
        IntegrityFailed: The rows of a commit do not stand together in this order, two commits are of one key and
            revision, or there are rows of no commit.
    """
    folder = folded_folder(root, contract.name)
    ordered = _sorted_rows(contract, rows)
    spans = runs_of(contract, ordered, folder)
    by_name = sorted(commits)
    places = [spans.pop(key_and_revision(name), (0, 0)) for name, _ in by_name]
    if len({key_and_revision(name) for name, _ in by_name}) < len(by_name):
        raise IntegrityFailed(f"{folder}: two commits of {month} hold the same key and revision; fold them apart")
    if spans:
        raise IntegrityFailed(f"{folder}: there are rows of {next(iter(spans))} and no such commit is being folded")
    records = pa.table(
        [
            pa.array([name for name, _ in by_name], pa.string()),
            pa.array([text for _, text in by_name], pa.string()),
            pa.array([first for first, _ in places], pa.int64()),
            pa.array([count for _, count in places], pa.int32()),
        ],
        schema=RECORDS_SCHEMA,
    )
    segment = Segment(contract.name, month, segment_id(record_hash(text) for _, text in commits), root)
    if os.path.lexists(segment.manifest_path):
        raise BadInput(f"{segment.manifest_path}: exists already, and nothing folded is rewritten; nothing was changed")
    make_folder(folder)
    # Where there are files of these names already, no manifest speaks for them: a fold was cut short.
    each = [count for _, count in sorted(places)]
    rows_sha256 = _write(segment.rows_path, lambda file: parquet.write_folded(contract, ordered, file, each))
    records_sha256 = _write(segment.records_path, lambda file: _write_records(records, file))
    if prove is not None:
        prove(segment)
    said = {
        "schema": MANIFEST,
        "version": MANIFEST_VERSION,
        "table": contract.name,
        "table_version": parquet.version_of(contract, ordered.schema),
        "month": month,
        "commits": len(by_name),
        "rows": ordered.num_rows,
        "rows_file": segment.rows_path.name,
        "rows_sha256": rows_sha256,
        "records_file": segment.records_path.name,
        "records_sha256": records_sha256,
    }
    if replaces is not None:
        said["replaces"] = replaces
    write_once(segment.manifest_path, canonical(said).encode())
    return segment


def cut(
    contract: Table, commits: Sequence[tuple[str, str]], rows: pa.Table, where: Path
) -> Iterator[tuple[list[tuple[str, str]], pa.Table]]:
    """Yield *commits* and *rows* in pieces of at most :data:`SEGMENT_ROWS` rows, as :func:`write_segment` takes them.

    The cuts are made in the order of the rows and from its beginning, so that a fold that was cut short after some pieces, and
    goes on with the commits of the others, makes the same ones.

    Args:
        contract: The table.
        commits: Of each commit the name of its single file and its ledger record; no key and revision twice.
        rows: The rows of all of them, as :func:`write_segment` takes them.
        where: For sentences.

    Raises:
        IntegrityFailed: The rows of a commit do not stand together in their order.
    """
    ordered = _sorted_rows(contract, rows)
    spans = runs_of(contract, ordered, where)
    placed = sorted((*spans.get(key_and_revision(name), (0, 0)), name, text) for name, text in commits)
    begin = end = 0
    piece: list[tuple[str, str]] = []
    for first, count, name, text in placed:
        if piece and (first + count - begin > SEGMENT_ROWS or len(piece) == SEGMENT_COMMITS):
            yield piece, ordered.slice(begin, end - begin)
            begin, piece = end, []
        piece.append((name, text))
        end = max(end, first + count)
    if piece:
        # Rows of no commit go along, for the writing to refuse them.
        yield piece, ordered.slice(begin)


def _sorted_rows(contract: Table, rows: pa.Table) -> pa.Table:
    key, revision = KEY_COLUMNS[contract.name]
    if contract.name == "readings":
        order = ["part_no", key, "revision", "reading_no"]
    else:
        # Stable: the rows of one commit stay in the order that they were given in, as a check's standards were measured.
        order = [key] if revision is None else [key, revision]
    rows = rows.combine_chunks()  # in one piece it is sorted three times as fast
    indices = pc.sort_indices(rows, sort_keys=[(name, "ascending") for name in order])
    in_order = len(indices) < 2 or pc.all(pc.less(indices[:-1], indices[1:])).as_py()
    return rows if in_order else rows.take(indices)


def runs_of(contract: Table, rows: pa.Table, where: Path) -> dict[str, tuple[int, int]]:
    """Return of each run of rows with one key and revision where it begins and how long it is, by the end of its name."""
    if rows.num_rows == 0:
        return {}
    key, revision = KEY_COLUMNS[contract.name]
    named: list[Any] = [rows.column(name).combine_chunks() for name in (key, revision) if name is not None]
    other = pc.not_equal(named[0][1:], named[0][:-1])
    for column in named[1:]:
        other = pc.or_(other, pc.not_equal(column[1:], column[:-1]))
    starts = [0, *pc.add(pc.indices_nonzero(other), 1).to_pylist()]
    taken = [column.take(pa.array(starts, pa.int64())).to_pylist() for column in named]
    revisions = taken[1] if len(taken) > 1 else [1] * len(starts)
    spans: dict[str, tuple[int, int]] = {}
    for first, end, k, r in zip(starts, [*starts[1:], rows.num_rows], taken[0], revisions, strict=True):
        end_of_name = f"{k}-r{r}.parquet"
        if end_of_name in spans:
            raise IntegrityFailed(
                f"{where}: the rows of {k} in revision {r} are of several parts, and cannot be folded"
            )
        spans[end_of_name] = (first, end - first)
    return spans


def _write(path: Path, write: Callable[[pa.BufferOutputStream], None]) -> str:
    """Write durably to *path* what *write* gives, and return its SHA-256."""
    file = pa.BufferOutputStream()
    write(file)
    content = memoryview(file.getvalue())
    write_over(path, content)
    return hashlib.sha256(content).hexdigest()


def _write_records(records: pa.Table, file: pa.BufferOutputStream) -> None:
    with pq.ParquetWriter(
        file,
        RECORDS_SCHEMA,
        compression="zstd",
        compression_level=5,  # a seventh smaller than 3
        version="2.6",
        use_dictionary=False,
        column_encoding={
            "file_name": "DELTA_BYTE_ARRAY",
            "record": "PLAIN",
            "first_row": "DELTA_BINARY_PACKED",
            "rows": "DELTA_BINARY_PACKED",
        },
        # A statistic of a record would be the record once more.
        write_statistics=["file_name", "first_row", "rows"],
    ) as writer:
        writer.write_table(records, row_group_size=_RECORDS_AT_ONCE)

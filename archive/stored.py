"""Open one commit, in its own file or in a segment: its record, its rows, and whether they agree."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import accumulate
from pathlib import Path
from typing import Any, Final, TypeVar

import pyarrow as pa
import pyarrow.parquet as pq

from archive import listing
from archive.content import content_sha256, contents_sha256
from archive.layout import CommitName
from archive.ledger import RECORD_KEY, Record, record_of
from archive.listing import Stored
from archive.opening import Vanished, reading
from archive.segments import Place, Segment, record_at, records_of, rows_at, rows_of
from schemas import parquet
from schemas.column import Table
from schemas.errors import IntegrityFailed

_Found = TypeVar("_Found")
#: So many records of a segment are read sooner by themselves than with all the others.
_FEW_RECORDS: Final = 50
#: The same for rows.
_FEW_COMMITS: Final = 8
#: So many rows, or commits, are hashed together.
_HASHED_ROWS: Final = 20_000
_HASHED_COMMITS: Final = 512


def record_text(one: Stored) -> str:
    """Return the ledger record of *one*, as it was written.

    Raises:
        IntegrityFailed: The file is not whole, or holds no record.
        BadInput: The file may not be read.
    """
    return _wherever(one, _record_text)


def record_text_of_file(path: Path) -> str:
    """Return the ledger record in the footer of the single file *path*, as it stands there.

    Raises:
        Vanished: The file is gone.
        IntegrityFailed: It is not whole, or holds no record.
        BadInput: It may not be read.
    """
    with reading(path):
        text = parquet.footer(path).get(RECORD_KEY)
    if text is None:
        raise IntegrityFailed(
            f"{path}: holds no ledger record: it is no file of the archive; move it away, and where a commit of this name was "
            "there restore that from a copy"
        )
    return text


def record(one: Stored) -> Record:
    """Return the ledger record of *one*, which is the commit that its name says.

    Raises:
        IntegrityFailed: The file is not whole, its record is not one, or its name says otherwise.
        BadInput: The file may not be read.
    """
    return _record_of(record_text(one), one)


def records(found: Iterable[Stored]) -> Iterator[Record]:
    """Yield the ledger record of each of *found*; the records of a segment are read once, unless a few are sought.

    Raises:
        IntegrityFailed, BadInput: As :func:`record`.
    """
    ones = list(found)
    many = Counter(one.place.segment for one in ones if one.place is not None)

    def opened(segment: Segment) -> dict[str, str] | None:
        return _records_in(segment) if many[segment] > _FEW_RECORDS else None

    for one, held in _with_segment(ones, opened):
        text = None if held is None else held.get(one.name.file_name)
        yield record(one) if text is None else _record_of(text, one)


def misplaced(said: Record, one: Stored) -> str | None:
    """Return what a person is told where *one* lies under another name than its record says, or None."""
    name = CommitName(said.named_at, said.bench, said.seq, said.key, said.revision)
    if name == one.name and said.table == one.table:
        return None
    return (
        f"{one.where}: its record says that it is {said.table}/{name.month}/{name.file_name}; "
        "it is a copy or was renamed; move it back or away"
    )


def rows(contract: Table, one: Stored) -> pa.Table:
    """Return the rows of *one*, in the newest version of *contract*, shown to be those that were committed.

    Raises:
        IntegrityFailed: The file is not whole, its name says otherwise than its record, or its rows
            are not those that its record vouches for.
        BadInput: The file may not be read, or is of a newer version than this program knows.
    """
    return _wherever(one, lambda here: rows_of_file(contract, here))


def rows_of_file(contract: Table, one: Stored) -> pa.Table:
    """Return the :func:`rows` of *one*, where it was listed and nowhere else.

    Raises:
        Vanished: The file is gone.
        IntegrityFailed, BadInput: As :func:`rows`.
    """
    read = _read(contract, one)
    with reading(one.path):
        found = content_sha256(read.committed)
    return read.proven(found)


@dataclass(frozen=True)
class _Read:
    """The rows of one commit, as read."""

    one: Stored
    said: Record
    committed: pa.Table
    newest: pa.Table

    def proven(self, content: str) -> pa.Table:
        """Return the rows in the newest version; *content* is the content hash of those that were committed."""
        if (wrong := wrong_rows(self.one, self.said, content, self.newest.num_rows)) is not None:
            raise IntegrityFailed(wrong)
        return self.newest


def _read(contract: Table, one: Stored) -> _Read:
    said = _record_of(_record_text(one), one)
    with reading(one.path):
        # The hash is over the columns as they were committed, before any migration.
        if one.place is not None:
            committed = rows_at(one.place)
            table = parquet.newest(contract, one.path, committed)
        else:
            table = parquet.read(contract, one.path)
            committed = table if said.table_version == contract.version else as_committed(one)
    return _Read(one, said, committed, table)


def committed(contract: Table, one: Stored) -> tuple[str, pa.Table]:
    """Return the record of *one* as text, and its rows in the columns that they were committed in, shown to be those.

    Raises:
        IntegrityFailed, BadInput: As :func:`rows`.
    """
    text = record_text(one)
    said = _record_of(text, one)
    found = as_committed(one)
    with reading(one.path):
        parquet.newest(contract, one.path, found)
        content = content_sha256(found)
    if (wrong := wrong_rows(one, said, content, found.num_rows)) is not None:
        raise IntegrityFailed(wrong)
    return text, found


def every_rows(contract: Table, found: Iterable[Stored]) -> Iterator[pa.Table]:
    """Yield the :func:`rows` of each of *found*; a segment of which many are sought is read once.

    Raises:
        IntegrityFailed, BadInput: As :func:`rows`.
    """
    ones = list(found)
    wanted: dict[Segment, list[tuple[int, int]]] = defaultdict(list)
    for there in (one.place for one in ones if one.place is not None):
        wanted[there.segment].append((there.first_row, there.rows))

    def opened(segment: Segment) -> _Opened | None:
        return _Opened(contract, segment, wanted[segment]) if len(wanted[segment]) > _FEW_COMMITS else None

    waiting: list[_Read | pa.Table] = []
    held_rows = 0
    for one, held in _with_segment(ones, opened):
        if held is not None and one.place is not None:
            waiting.append(held.rows(one, one.place))
        else:
            read = _wherever(one, lambda here: _read(contract, here))
            waiting.append(read)
            held_rows += read.committed.num_rows
        if held_rows > _HASHED_ROWS or len(waiting) == _HASHED_COMMITS:
            yield from _proven(waiting)
            waiting, held_rows = [], 0
    yield from _proven(waiting)


def _proven(waiting: Sequence[_Read | pa.Table]) -> Iterator[pa.Table]:
    """Yield the rows of each; those that were read by themselves are hashed together, which takes a tenth of the time."""
    alike: dict[str, list[_Read]] = defaultdict(list)
    for one in waiting:
        if isinstance(one, _Read):
            alike[one.committed.schema.remove_metadata().to_string()].append(one)
    content: dict[Stored, str] = {}
    for group in alike.values():
        ends = list(accumulate(one.committed.num_rows for one in group))
        spans = [(end - one.committed.num_rows, one.committed.num_rows) for end, one in zip(ends, group, strict=True)]
        with reading(group[0].one.path):
            together = pa.concat_tables([one.committed.replace_schema_metadata() for one in group])
            hashes = contents_sha256(together.combine_chunks(), spans)
        content |= {one.one: hashed for one, hashed in zip(group, hashes, strict=True)}
    for one in waiting:
        yield one.proven(content[one.one]) if isinstance(one, _Read) else one


def as_committed(one: Stored) -> pa.Table:
    """Return the rows of *one* in the columns that they were committed in, not shown to be those that were.

    Raises:
        IntegrityFailed: The file is gone or not whole.
        BadInput: The file may not be read.
    """
    if one.place is not None:
        return rows_at(one.place)
    with reading(one.path):
        return pq.read_table(one.path, partitioning=None)


def wrong_rows(one: Stored, said: Record, content: str, count: int) -> str | None:
    """Return what a person is told where the rows of *one* are not those that its record vouches for, or None.

    Args:
        one: The commit.
        said: Its record.
        content: The content hash of its rows.
        count: How many they are.
    """
    if content == said.content_sha256 and count == said.rows:
        return None
    return (
        f"{one.where}: its rows are not those that were committed (content hash {content[:12]}…, its record says "
        f"{said.content_sha256[:12]}…); restore the file from a copy"
    )


class _Opened:
    """All rows of a segment, with the content hash of those in *spans*, each a commit's, and the records."""

    def __init__(self, contract: Table, segment: Segment, spans: list[tuple[int, int]]) -> None:
        self._records = _records_in(segment)
        with reading(segment.rows_path):
            committed = rows_of(segment)
            self._content = dict(zip(spans, contents_sha256(committed, spans), strict=True))
            self._newest = parquet.newest(contract, segment.rows_path, committed)

    def rows(self, one: Stored, there: Place) -> pa.Table:
        span = there.first_row, there.rows
        said = _record_of(self._records[one.name.file_name], one)
        found = self._newest.slice(*span)
        if (wrong := wrong_rows(one, said, self._content[span], found.num_rows)) is not None:
            raise IntegrityFailed(wrong)
        return found


def _wherever(one: Stored, look: Callable[[Stored], _Found]) -> _Found:
    """Return what *look* finds, once more where the commit was folded since it was listed."""
    try:
        return look(one)
    except Vanished:
        now = listing.again(one)
        if now is None or now == one:
            raise
        return look(now)


def _with_segment(
    ones: list[Stored], opened: Callable[[Segment], _Found | None]
) -> Iterator[tuple[Stored, _Found | None]]:
    """Yield each of *ones* with its segment, opened, or None for a file of its own; a segment is open while it is needed."""
    still = Counter(one.place.segment for one in ones if one.place is not None)
    held: dict[Segment, _Found | None] = {}
    for one in ones:
        if one.place is None:
            yield one, None
            continue
        segment = one.place.segment
        if segment not in held:
            try:
                held[segment] = opened(segment)
            except Vanished:
                yield one, None  # another segment took its place; each commit is looked for by itself
                continue
        yield one, held[segment]
        still[segment] -= 1
        if not still[segment]:
            del held[segment]


def _records_in(segment: Segment) -> dict[str, str]:
    found: Any = records_of(segment)
    return dict(zip(found.column("file_name").to_pylist(), found.column("record").to_pylist(), strict=True))


def _record_text(one: Stored) -> str:
    return record_text_of_file(one.path) if one.place is None else record_at(one.place, one.name.file_name)


def _record_of(text: str, one: Stored) -> Record:
    said = _parsed(text, one.where)
    if (wrong := misplaced(said, one)) is not None:
        raise IntegrityFailed(wrong)
    return said


@lru_cache(maxsize=8)
def _parsed(text: str, where: str) -> Record:
    """Return :func:`record_of`: who looks up an inspection asks for its record, and then for its rows, which it vouches for."""
    return record_of(text, where)

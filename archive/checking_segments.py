"""A segment, looked at: its files against its manifest, and each of its commits as if it had a file of its own."""

from __future__ import annotations

import hashlib
import json
from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq

from archive import stored
from archive.checking_commits import Examined, certificates_in, false_to_readers, faults, linked, tombstones_in
from archive.content import contents_sha256
from archive.layout import CommitName, parse, ranges
from archive.ledger import canonical, record_hash
from archive.listing import Stored
from archive.opening import Vanished, reading
from archive.segments import MANIFEST, MANIFEST_VERSION, Place, Segment, names_in, records_of, rows_of, segment_id
from archive.troubles import Link, Trouble
from schemas import parquet
from schemas.column import Table
from schemas.errors import IntegrityFailed
from schemas.tables import COMMITTED

#: So many commits are named one by one; more are told by their numbers.
_NAMED = 8


@dataclass(frozen=True)
class ExaminedSegment:
    """What was found of one segment.

    Attributes:
        segment: The segment.
        commits: What was found of each of its commits.
        content: The content hash of the rows of each commit, as they stand there, by file name.
        troubles: What is wrong with its files.
    """

    segment: Segment
    commits: tuple[Examined, ...]
    content: dict[str, str]
    troubles: tuple[Trouble, ...]


def examined_segment(segment: Segment) -> ExaminedSegment:
    """Return what is found of *segment*.

    Raises:
        BadInput: A file may not be read, or is of a newer version than this program knows.
    """
    troubles: list[Trouble] = []
    manifest = _manifest(segment, troubles)
    try:
        records: Any = records_of(segment)
        held = records.to_pylist()
    except IntegrityFailed as wrong:
        count = manifest.get("commits", "all")
        sentence = f"{wrong.sentence}; the {count} commits of {segment.table} in {segment.month}-{segment.id} can no longer be shown"
        kind = "missing" if isinstance(wrong, Vanished) else "changed"
        troubles.append(Trouble(segment.records_path, kind, sentence))  # type: ignore[arg-type]  # one of two literals
        troubles += _bytes_troubles(segment.rows_path, segment.manifest_path, manifest.get("rows_sha256"), [])
        return ExaminedSegment(segment, (), {}, tuple(troubles))
    here: list[tuple[Stored, Link | None, tuple[Trouble, ...]]] = []
    rows_path = segment.rows_path  # one path for all of them
    for row, one in enumerate(held):
        name = parse(one["file_name"])
        if name is None or name.month != segment.month:
            sentence = (
                f"{segment.records_path}: holds {one['file_name']!r}, which is no commit of {segment.month}; restore the "
                "file from a copy"
            )
            troubles.append(Trouble(segment.records_path, "unexpected", sentence))
            continue
        there = Stored(segment.table, name, rows_path, Place(segment, row, one["first_row"], one["rows"]))
        try:
            link, wrong_place = linked(there, one["record"])
        except IntegrityFailed as wrong:
            link, wrong_place = None, (Trouble(segment.records_path, "changed", wrong.sentence),)
        here.append((there, link, wrong_place))
    troubles += _bytes_troubles(segment.records_path, segment.manifest_path, manifest.get("records_sha256"), [])
    if segment_id(record_hash(one["record"]) for one in held) != segment.id:
        sentence = (
            f"{segment.records_path}: its records are not those that its name was made of; restore the file from a copy"
        )
        troubles.append(Trouble(segment.records_path, "changed", sentence))
    commits, content, rows = _commits(segment, here, troubles)
    troubles += _bytes_troubles(segment.rows_path, segment.manifest_path, manifest.get("rows_sha256"), troubles)
    if manifest and (manifest["commits"] != len(held) or (rows is not None and manifest["rows"] != rows)):
        sentence = (
            f"{segment.manifest_path}: says {manifest['commits']} commits of {manifest['rows']} rows, and its files hold "
            f"{len(held)} of {rows}; restore the three from a copy"
        )
        troubles.append(Trouble(segment.manifest_path, "changed", sentence))
    versions = {link.record.table_version for _, link, _ in here if link is not None}
    if manifest and versions and versions != {manifest["table_version"]}:
        sentence = (
            f"{segment.manifest_path}: says version {manifest['table_version']} of {segment.table}, and its commits are of "
            f"{', '.join(map(str, sorted(versions)))}; restore the three from a copy"
        )
        troubles.append(Trouble(segment.manifest_path, "changed", sentence))
    return ExaminedSegment(segment, tuple(commits), content, tuple(troubles))


def names_in_words(names: Iterable[CommitName]) -> str:
    """Return which commits *names* are: by name where they are few, else by their numbers in each bench's ledger."""
    ordered = sorted(names, key=lambda name: (name.bench, name.seq))
    if len(ordered) <= _NAMED:
        return ", ".join(name.file_name for name in ordered)
    by_bench: dict[str, list[int]] = defaultdict(list)
    for name in ordered:
        by_bench[name.bench].append(name.seq)
    return "; ".join(f"commits {ranges(seqs)} of bench {bench}" for bench, seqs in by_bench.items())


# ---- the three files ------------------------------------------------------------------------


def _manifest(segment: Segment, troubles: list[Trouble]) -> dict[str, Any]:
    """Return what the manifest of *segment* says, or nothing where it is none, and tell so."""
    path = segment.manifest_path
    said: Any = None
    try:
        with reading(path):
            text = path.read_bytes().decode()
            said = json.loads(text)
            sound = canonical(said) == text
    except IntegrityFailed:
        sound = False
    expected = {
        "schema": MANIFEST,
        "version": MANIFEST_VERSION,
        **names_in(segment.table, segment.month, path.name),
    }
    kinds = {"commits": int, "rows": int, "table_version": int, "rows_sha256": str, "records_sha256": str}
    if isinstance(said, dict) and "replaces" in said:
        kinds["replaces"] = str  # what a removal left of another segment
    if (
        not sound
        or not isinstance(said, dict)
        or set(said) != set(expected) | set(kinds)
        or any(said[name] != value for name, value in expected.items())
        or any(type(said[name]) is not kind for name, kind in kinds.items())
    ):
        sentence = f"{path}: is not the manifest of its segment; restore the file from a copy"
        troubles.append(Trouble(path, "changed", sentence))
        return {}
    return dict(said)


def _bytes_troubles(path: Path, manifest: Path, expected: str | None, told: Iterable[Trouble]) -> Iterator[Trouble]:
    """Yield that *path* is gone, or that its bytes are not those of which the manifest holds the hash."""
    if any(trouble.path == path and trouble.kind == "missing" for trouble in told):
        return
    try:
        with reading(path), path.open("rb") as file:
            found = hashlib.file_digest(file, "sha256").hexdigest()
    except Vanished as gone:
        yield Trouble(path, "missing", gone.sentence)
        return
    if expected is not None and found != expected:
        sentence = (
            f"{path}: its bytes are not those that {manifest.name} vouches for; one of the two was changed; restore it from a "
            "copy"
        )
        yield Trouble(path, "changed", sentence)


# ---- its commits ----------------------------------------------------------------------------


def _commits(
    segment: Segment, here: list[tuple[Stored, Link | None, tuple[Trouble, ...]]], troubles: list[Trouble]
) -> tuple[list[Examined], dict[str, str], int | None]:
    """Return what is found of each commit, the content hash of each, and how many rows the file has."""
    contract, path = COMMITTED[segment.table], segment.rows_path
    commits: list[Examined] = []
    content: dict[str, str] = {}
    try:
        whole = rows_of(segment)
        readable = [(0, whole)]
        why = ""
    except Vanished as gone:
        lost = names_in_words(one.name for one, _, _ in here)
        troubles.append(Trouble(path, "missing", f"{gone.sentence}; until then these cannot be shown: {lost}"))
        return [Examined(one, link, (), wrong) for one, link, wrong in here], {}, None
    except IntegrityFailed as broken:
        whole, why = None, broken.sentence
        readable = list(_readable_groups(segment))
    lost_names: list[CommitName] = []
    shown: list[tuple[Stored, Link | None, tuple[Trouble, ...], tuple[int, int]]] = []
    for one, link, wrong in here:
        span = _span_in(readable, one.place)
        if span is None:
            lost_names.append(one.name)
            commits.append(Examined(one, link, (), wrong))
        else:
            shown.append((one, link, wrong, span))
    if why or lost_names:
        what = why or f"{path}: has fewer rows than its records say; restore the file from a copy"
        lost = names_in_words(lost_names) or "none of its commits"
        troubles.append(Trouble(path, "changed", f"{what}; until then these cannot be shown: {lost}"))
    if not readable:
        return commits, content, None
    rows = pa.concat_tables([part for _, part in readable])
    try:
        with reading(path):
            newest = parquet.newest(contract, path, rows)
            hashes = contents_sha256(rows, [span for *_, span in shown])
    except IntegrityFailed as broken:
        lost = names_in_words(one.name for one, *_ in shown)
        troubles.append(Trouble(path, "changed", f"{broken.sentence}; until then these cannot be shown: {lost}"))
        return [*commits, *(Examined(one, link, (), wrong) for one, link, wrong, _ in shown)], content, None
    for (one, link, wrong, span), found in zip(shown, hashes, strict=True):
        content[one.name.file_name] = found
        commits.append(_examined(contract, one, link, wrong, newest.slice(*span), found))
    if whole is not None:
        troubles += _troubles_of_rows(contract, segment, here, whole)
    return commits, content, None if whole is None else whole.num_rows


def _examined(
    contract: Table, one: Stored, link: Link | None, wrong: tuple[Trouble, ...], rows: pa.Table, content: str
) -> Examined:
    if link is None:
        return Examined(one, None, (), wrong)
    if (not_these := stored.wrong_rows(one, link.record, content, rows.num_rows)) is not None:
        return Examined(one, link, (), (*wrong, Trouble(one.path, "changed", not_these)))
    try:
        said = [Trouble(one.path, "changed", f"{one.where}: {what}") for what in faults(one, link.record, rows)]
    except IntegrityFailed as broken:
        return Examined(one, link, (), (*wrong, Trouble(one.path, "changed", broken.sentence)))
    return Examined(one, link, certificates_in(one, rows), (*wrong, *said), tombstones_in(one, rows))


def _troubles_of_rows(
    contract: Table, segment: Segment, here: list[tuple[Stored, Link | None, tuple[Trouble, ...]]], rows: pa.Table
) -> Iterator[Trouble]:
    path = segment.rows_path
    if rows.schema.equals(contract.arrow_schema, check_metadata=False):
        try:
            for what in false_to_readers(contract, path, rows):
                yield Trouble(path, "changed", f"{path}: {what}")
        except IntegrityFailed as broken:
            yield Trouble(path, "changed", broken.sentence)
    end = 0
    for first, count in sorted(
        (one.place.first_row, one.place.rows) for one, _, _ in here if one.place and one.place.rows
    ):
        if first != end:
            break
        end += count
    if end != rows.num_rows:
        sentence = f"{path}: row {end + 1} belongs to no commit, or to two; restore the segment's files from a copy"
        yield Trouble(path, "changed", sentence)


def _readable_groups(segment: Segment) -> Iterator[tuple[int, pa.Table]]:
    """Yield the row groups of a damaged rows file that can be read, each with its first row."""
    start = 0
    try:
        with reading(segment.rows_path), pq.ParquetFile(segment.rows_path) as file:
            for group in range(file.metadata.num_row_groups):
                try:
                    with reading(segment.rows_path):
                        yield start, file.read_row_group(group)
                except IntegrityFailed:
                    pass
                start += file.metadata.row_group(group).num_rows
    except IntegrityFailed:
        return


def _span_in(readable: list[tuple[int, pa.Table]], place: Place | None) -> tuple[int, int] | None:
    """Return where the rows at *place* stand when *readable* stand end to end, or None where some of them cannot be read."""
    if place is None or place.first_row < 0 or place.rows < 0:
        return None
    behind = 0
    reached: int | None = None  # row of the file up to which the commit's rows were found
    begins = 0
    for start, part in readable:
        end = start + part.num_rows
        if reached is None and start <= place.first_row < end:
            begins, reached = behind + place.first_row - start, min(end, place.first_row + place.rows)
        elif reached is not None and reached == start and reached < place.first_row + place.rows:
            reached = min(end, place.first_row + place.rows)
        behind += part.num_rows
    if place.rows == 0:
        return 0, 0
    return (begins, place.rows) if reached == place.first_row + place.rows else None

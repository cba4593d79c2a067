"""Folding: the single files of each month that is over become segments, few and per table (segments.py).

At every moment each commit stands in its own file or in a published segment, or, for a moment, in both, and both say the
same. The steps of one month and table: its single files are read and shown to be what was committed; then of each segment the
rows and records are written, synced and read back, and every commit's record and content hash are compared; the manifest is
written, which publishes the segment; and its single files are removed. Whatever a fold that was cut short leaves is
finished or cleared away by the next one. A month folder that is empty then goes too, for whoever seeks something looks into
each; a commit that was about to write into it makes it again.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from contextlib import AbstractContextManager, suppress
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, Final

import pyarrow as pa
import pyarrow.compute as pc

from archive import listing, stored
from archive.commit import cannot_write, sync_folder
from archive.content import contents_sha256
from archive.layout import (
    FOLD_LOCK,
    FOLDED_FOLDER,
    TABLE_FOLDERS,
    TEMPORARY_PREFIX,
    is_month,
    key_and_revision,
    month_of,
    ranges,
)
from archive.ledger import record_hash, record_of
from archive.listing import Stored
from archive.locking import held_alone
from archive.segments import (
    KEY_COLUMNS,
    Segment,
    cut,
    folded_folder,
    records_of,
    rows_of,
    segments,
    spans_of,
    write_segment,
)
from archive.tombstones import record_under
from archive.unpublished import files_in, standing_only_there, unpublished
from schemas import parquet
from schemas.column import Table
from schemas.errors import BadInput, FilmtallyError, IntegrityFailed
from schemas.tables import COMMITTED
from schemas.tombstones import TOMBSTONES, Tombstone

#: How long a month has to be over. A bench whose clock is off, or a commit that was begun before midnight, still adds to
#: it; what comes later than that is folded into a further segment. Two days are a choice of ours.
SETTLED: Final = timedelta(days=2)
_LOCK_SECONDS: Final = 2.0


@dataclass(frozen=True)
class FoldedMonth:
    """What was done to one month, all tables together.

    Attributes:
        month: The month, as 2026-11.
        commits: How many commits were folded.
        rows: How many rows they have.
        bytes_before: Bytes of their single files.
        bytes_after: Bytes of the segments that they are in now.
        cleared: Single files that were removed because an earlier fold, cut short, had folded them.
        segments: The manifests of the new segments.
    """

    month: str
    commits: int
    rows: int
    bytes_before: int
    bytes_after: int
    cleared: int
    segments: tuple[Path, ...]


@dataclass(frozen=True)
class LeftAlone:
    """What was not folded, or not cleared away.

    Attributes:
        path: The file that is the reason.
        sentence: What a person is told: what, where, what to do.
    """

    path: Path
    sentence: str


@dataclass(frozen=True)
class Fold:
    """What a fold did.

    Attributes:
        months: The months in which something changed, oldest first.
        left_alone: What was not touched, and why.
        cleared: Files in the folder of segments that an earlier fold or removal, cut short, had left.
        missing: Commits that a bench's chain lacks, in sentences: folding neither needs them nor hides that they are gone.
    """

    months: tuple[FoldedMonth, ...]
    left_alone: tuple[LeftAlone, ...]
    cleared: int
    missing: tuple[str, ...] = ()


@dataclass
class _Tally:
    commits: int = 0
    rows: int = 0
    bytes_before: int = 0
    bytes_after: int = 0
    cleared: int = 0
    segments: list[Path] = field(default_factory=list)


def folding_alone(root: Path) -> AbstractContextManager[None]:
    """Hold the archive at *root*, which exists, against every other process that folds, removes or sets a hold.

    Benches commit and readers read meanwhile. Who holds it must not ask for it again.

    Raises:
        BadInput: Another process holds it, or the archive cannot be written to.
    """
    return held_alone(root / FOLD_LOCK, _LOCK_SECONDS, f"{root}: another program has been folding or removing")


def open_month(now: datetime) -> str:
    """Return the earliest month that cannot be folded yet at *now*."""
    return month_of(now - SETTLED)


def fold(root: Path, now: datetime, until: str | None = None) -> Fold:
    """Fold every month of the archive at *root* that has been over for two days, and return what was done.

    A month and table of which a file is damaged is left alone; the others go on, also where a bench's chain lacks a commit.

    Args:
        root: The archive's folder; one that does not exist is an empty archive.
        now: The time.
        until: The last month to fold, as 2026-11; None for all.

    Raises:
        BadInput: *until* is no month, or not over for two days; another process folds; or the archive may not be read or
            cannot be written to: then the sentence says what was folded before.
    """
    if until is not None and not is_month(until):
        raise BadInput(f"{until!r} is no month; write it as 2026-01")
    if until is not None and until >= open_month(now):
        raise BadInput(
            f"{until} cannot be folded yet: a month is folded when it has been over for two days (UTC), since a bench "
            "whose clock is off may still add to it"
        )
    if not root.is_dir():
        return Fold((), (), 0)
    tallies: dict[str, _Tally] = defaultdict(_Tally)
    with folding_alone(root):
        try:
            return _fold(root, now, until, tallies)
        except BadInput as wrong:
            folded = [f"{t.commits:,} of {month}" for month, t in sorted(tallies.items()) if t.commits]
            if not folded:
                raise
            # What is folded stays so, and whoever repeats the fold finds nothing of it.
            raise BadInput(f"folded these commits: {', '.join(folded)}; then stopped: {wrong.sentence}") from None


def _fold(root: Path, now: datetime, until: str | None, tallies: dict[str, _Tally]) -> Fold:
    cleared = _clear_temporary(root)
    left_alone: list[LeftAlone] = []
    for table in TABLE_FOLDERS:
        by_month: dict[str, list[Stored]] = defaultdict(list)
        for one in listing.singles(root, table):
            by_month[one.name.month].append(one)
        for month in sorted(by_month):
            if month < open_month(now) and (until is None or month <= until):
                try:
                    left_alone += _fold_month(root, COMMITTED[table], month, by_month[month], tallies[month])
                except _Damaged as damaged:
                    sentence = f"{damaged.sentence}; the {table} of {month} were left as they are"
                    left_alone.append(LeftAlone(damaged.path, sentence))
    tombstones, unread = _tombstones(root)
    left_alone += unread
    unclaimed, kept = _clear_unpublished(root, tombstones)
    return Fold(
        tuple(
            FoldedMonth(month, t.commits, t.rows, t.bytes_before, t.bytes_after, t.cleared, tuple(sorted(t.segments)))
            for month, t in sorted(tallies.items())
            if t.commits or t.cleared
        ),
        (*left_alone, *kept),
        cleared + unclaimed,
        tuple(_missing(root, tombstones)),
    )


class _Damaged(IntegrityFailed):
    def __init__(self, path: Path, sentence: str) -> None:
        super().__init__(sentence)
        self.path = path


# ---- one month of one table -----------------------------------------------------------------


def _fold_month(root: Path, contract: Table, month: str, singles: list[Stored], tally: _Tally) -> list[LeftAlone]:
    singles = sorted(singles, key=lambda one: one.name.file_name)
    held = {
        file_name: (segment, record, content)
        for segment in segments(root, contract.name)
        if segment.month == month
        for file_name, record, content in _contents(segment)
    }
    new = [one for one in singles if one.name.file_name not in held]
    proven = [_proven(contract, one) for one in new]  # all of them before anything is written or removed
    left_alone: list[LeftAlone] = []
    there: list[Path] = []
    for one in singles:
        if one.name.file_name in held:
            segment, record, content = held[one.name.file_name]
            if _same(contract, one, record, content):
                there.append(one.path)
            else:
                sentence = (
                    f"{one.path}: is folded already, into {segment.rows_path}, and the two differ; the single file was "
                    "left; check the archive, and move away the one that is wrong"
                )
                left_alone.append(LeftAlone(one.path, sentence))
    _remove(root, contract, there)
    tally.cleared += len(there)
    for group in _apart(contract, new, proven):
        paths = {one.name.file_name: one.path for one, _, _ in group}
        commits = [(one.name.file_name, text) for one, text, _ in group]
        together = pa.concat_tables([rows for _, _, rows in group])
        for piece, rows in cut(contract, commits, together, folded_folder(root, contract.name)):
            folded = [paths[name] for name, _ in piece]
            before = sum(path.stat().st_size for path in folded)
            segment = _segment_of(root, contract, month, piece, rows)
            _remove(root, contract, folded)
            tally.commits += len(piece)
            tally.rows += rows.num_rows
            tally.bytes_before += before
            tally.bytes_after += sum(path.stat().st_size for path in segment.paths)
            tally.segments.append(segment.manifest_path)
    return left_alone


def _contents(segment: Segment) -> Iterator[tuple[str, str, str]]:
    """Yield of each commit of *segment* its file name, its record, and the content hash of its rows, all from disk."""
    try:
        records: Any = records_of(segment)
        content = contents_sha256(rows_of(segment), spans_of(records))
    except IntegrityFailed as wrong:
        raise _Damaged(segment.rows_path, wrong.sentence) from None
    yield from zip(records.column("file_name").to_pylist(), records.column("record").to_pylist(), content, strict=True)


def _proven(contract: Table, one: Stored) -> tuple[str, pa.Table]:
    """Return the record and the rows of *one*, shown to be those that were committed, and its own."""
    try:
        text, rows = stored.committed(contract, one)
    except (IntegrityFailed, BadInput) as wrong:
        raise _Damaged(one.path, wrong.sentence) from None
    key, revision = KEY_COLUMNS[contract.name]
    alone: dict[str, Any] = {key: one.name.key}
    if revision is not None:
        alone[revision] = one.name.revision
    for name, value in alone.items():
        if rows.num_rows and pc.unique(rows.column(name)).to_pylist() != [value]:
            raise _Damaged(one.path, f"{one.path}: holds rows of another {name} than its name says; check the archive")
    if "part_no" in rows.column_names and len(pc.unique(rows.column("part_no"))) > 1:
        raise _Damaged(one.path, f"{one.path}: holds rows of several parts; check the archive")
    return text, rows


def _same(contract: Table, one: Stored, record: str, content: str) -> bool:
    """Return whether the single file *one* holds what a segment holds: *record*, and rows of the hash *content*."""
    try:
        text, _ = stored.committed(contract, one)
        return text == record and record_of(text, one.where).content_sha256 == content
    except FilmtallyError:
        return False


def _apart(
    contract: Table, new: list[Stored], proven: list[tuple[str, pa.Table]]
) -> list[list[tuple[Stored, str, pa.Table]]]:
    """Return what goes into one segment each: of one version of the table, and no key and revision twice (a fork)."""
    groups: dict[tuple[int, int], list[tuple[Stored, str, pa.Table]]] = defaultdict(list)
    seen: dict[str, int] = defaultdict(int)
    for one, (text, rows) in zip(new, proven, strict=True):
        same = key_and_revision(one.name.file_name)
        groups[parquet.version_of(contract, rows.schema), seen[same]].append((one, text, rows))
        seen[same] += 1
    return [groups[key] for key in sorted(groups)]


def _segment_of(root: Path, contract: Table, month: str, commits: list[tuple[str, str]], rows: pa.Table) -> Segment:
    expected = {}
    for name, text in commits:
        said = record_of(text, name)
        expected[name] = (text, said.content_sha256, said.rows)

    def prove(segment: Segment) -> None:
        counts = [count for _, count in spans_of(records_of(segment))]
        found = {
            name: (text, content, count)
            for (name, text, content), count in zip(_contents(segment), counts, strict=True)
        }
        if found != expected:
            wrong = next(name for name in expected if found.get(name) != expected[name])
            raise _Damaged(
                segment.rows_path,
                f"{segment.rows_path}: read back, {wrong} is not what was committed; look after the disk or the memory "
                "of this computer, then fold again",
            )

    return write_segment(root, contract, month, commits, rows, prove)


def _remove(root: Path, contract: Table, paths: list[Path]) -> None:
    """Remove single files that stand in a published segment."""
    if not paths:
        return
    try:
        # A fold may have been cut short before the segment's name was on the disk.
        for folder in (folded_folder(root, contract.name), root / FOLDED_FOLDER, root):
            sync_folder(folder)
        for path in paths:
            path.unlink(missing_ok=True)
        for folder in {path.parent for path in paths}:
            sync_folder(folder)
            with suppress(OSError):  # a bench has begun to write into it
                folder.rmdir()
    except OSError as wrong:
        raise BadInput(
            f"{wrong.filename or root}: could not be removed after it was folded ({wrong.strerror or wrong}); nothing is "
            "lost, and the next fold removes it"
        ) from None


# ---- what a fold left that was cut short ----------------------------------------------------


def _clear_temporary(root: Path) -> int:
    """Remove half-written files from the folders of segments, in which nobody else writes, and return how many."""
    found = [
        path
        for table in TABLE_FOLDERS
        for path in files_in(folded_folder(root, table))
        if path.name.startswith(TEMPORARY_PREFIX)
    ]
    _clear(found)
    return len(found)


def _clear(paths: list[Path]) -> None:
    for path in paths:
        try:
            path.unlink(missing_ok=True)
        except OSError as wrong:
            raise cannot_write(path.parent, wrong) from None


def _clear_unpublished(root: Path, tombstones: list[Tombstone]) -> tuple[int, list[LeftAlone]]:
    """Remove the files of segments that no manifest publishes, all of whose commits stand elsewhere, the same, or under
    *tombstones*: a removal that was cut short leaves such."""
    cleared = 0
    kept: list[LeftAlone] = []
    for table in TABLE_FOLDERS:
        for segment, paths in sorted(unpublished(root, table).items(), key=lambda one: one[0].id):
            try:
                there = [one for one in listing.commits(root, table, segment.month) if one.name.month == segment.month]
                elsewhere = [(record_hash(said.text()), said) for said in stored.records(there)]
                elsewhere += [(one.record_hash, record_under(one)) for one in tombstones if one.removed_table == table]
                lost = standing_only_there(COMMITTED[table], segment, paths, elsewhere)
            except IntegrityFailed as wrong:
                kept.append(LeftAlone(paths[0], f"{wrong.sentence}; {paths[0]} was left, which no manifest publishes"))
                continue
            if lost:
                sentence = (
                    f"{segment.manifest_path}: is gone, and {len(lost)} commits of {table} can no longer be "
                    "shown, whose files it published; restore it from a copy"
                )
                kept.append(LeftAlone(segment.manifest_path, sentence))
                continue
            _clear(paths)
            cleared += len(paths)
    return cleared, kept


# ---- the chains -----------------------------------------------------------------------------


def _tombstones(root: Path) -> tuple[list[Tombstone], list[LeftAlone]]:
    """Return the tombstones that can be read, and what is told of the others."""
    found: list[Tombstone] = []
    unread: list[LeftAlone] = []
    try:
        for one in listing.commits(root, TOMBSTONES.name):
            try:
                found += parquet.records(TOMBSTONES, stored.rows(TOMBSTONES, one))
            except IntegrityFailed as wrong:
                unread.append(LeftAlone(one.path, f"{wrong.sentence}; what its order removed cannot be told"))
    except IntegrityFailed as wrong:
        unread.append(LeftAlone(root, f"{wrong.sentence}; what was removed by order cannot be told"))
    return found, unread


def _missing(root: Path, tombstones: list[Tombstone]) -> list[str]:
    """Return in sentences which commits the chains lack: those before a bench's last that are neither there nor removed."""
    buried = {(one.bench, one.seq) for one in tombstones}
    try:
        seen = _numbers(root) | buried
        lasts = dict(sorted(seen))
        gaps = {(bench, seq) for bench, last in lasts.items() for seq in range(1, last)} - seen
        if gaps:
            # A bench commits into one table while another is listed; what its last commit followed is there by now.
            gaps -= _numbers(root)
    except IntegrityFailed as wrong:
        return [f"{wrong.sentence}; whether a commit is missing cannot be told; run 'filmtally archive check'"]
    by_bench: dict[str, list[int]] = defaultdict(list)
    for bench, seq in sorted(gaps):
        by_bench[bench].append(seq)
    return [
        f"{'commit' if len(seqs) == 1 else 'commits'} {ranges(seqs)} of bench {bench} {'is' if len(seqs) == 1 else 'are'} "
        "missing; run 'filmtally archive check'"
        for bench, seqs in by_bench.items()
    ]


def _numbers(root: Path) -> set[tuple[str, int]]:
    return {(one.name.bench, one.name.seq) for table in TABLE_FOLDERS for one in listing.commits(root, table)}

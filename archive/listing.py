"""Which commits there are: told by the names in the archive's folders, and by the names that its segments hold.

A name appears only with its file complete, so a listing beside a running commit shows the commit
whole or not at all. Single files are listed first, then the segments: a fold removes a single file only
after its segment was published, so beside a running fold too a commit is seen, and as one.
"""

from __future__ import annotations

import os
import time
from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Final

import pyarrow as pa
import pyarrow.compute as pc

from archive.index import Index
from archive.layout import TABLE_FOLDERS, CommitName, first_month, is_commit, is_month, needle, of_bench, parse
from archive.opening import CLOCKS_APART_NS, WELL_BACK_NS, Vanished, changed_ns
from archive.segments import Place, Segment, names_of, place, segments, stands_at
from schemas.errors import BadInput, IntegrityFailed

_CHECKS: Final = "gauge_checks"


@dataclass(frozen=True, slots=True)
class Stored:
    """One commit, in a file of its own or in a segment.

    Attributes:
        table: Table whose folder it lies in.
        name: What its name says: that of its file, or the one that it had before it was folded.
        path: The file that holds its rows: its own, or the segment's.
        place: Where in a segment it stands; None for a file of its own.
    """

    table: str
    name: CommitName
    path: Path
    place: Place | None = None

    @property
    def where(self) -> str:
        """Return where it lies, for a sentence: its file, or the segment's and which commit of it."""
        return str(self.path) if self.place is None else f"{self.path}, commit {self.name.file_name}"


class Folders:
    """The names in an archive's folders, looked at anew unless they cannot have changed.

    The names of a month are kept, and taken as long as the folder's own time of change stays what it
    was. They are kept only when that time lay well back: a folder that changes twice within one tick
    of its clock shows one time.
    """

    def __init__(self, root: Path) -> None:
        self.root = root
        self.index = Index(root)
        self._kept: dict[Path, tuple[int, str]] = {}
        self._singles: dict[Path, tuple[str, list[Stored]]] = {}

    def months(self, table: str, from_month: str = "") -> list[tuple[str, Path]]:
        """Return the month folders of *table* in *from_month* and later, oldest first.

        Raises:
            BadInput: The table's folder may not be read.
        """
        folder = self.root / table
        return [
            (month, folder / month) for month in sorted(_entries(folder)) if month >= from_month and is_month(month)
        ]

    def holding(self, table: str, part: str, from_month: str) -> Iterator[tuple[str, Path, str]]:
        """Yield month, folder and file name of every name that holds *part*, in *from_month* and later.

        Raises:
            BadInput: A folder may not be read.
        """
        months = self.months(table, from_month)
        for month, folder in months:
            names = self._names(folder, over=month != months[-1][0])
            if part in names:
                yield from ((month, folder, name) for name in names.split("\n") if part in name)

    def singles(self, table: str) -> list[Stored]:
        """Return what :func:`singles` does; a month in which the names are the same as before is not gone through again.

        Raises:
            BadInput: A folder may not be read.
        """
        months = self.months(table)
        found: list[Stored] = []
        for month, folder in months:
            names = self._names(folder, over=month != months[-1][0])
            known = self._singles.get(folder)
            if known is None or known[0] != names:
                known = (names, list(_stored(table, month, folder, names.split("\n"))))
                self._singles[folder] = known
            found += known[1]
        return found

    def _names(self, folder: Path, over: bool) -> str:
        try:
            changed = changed_ns(folder)
        except OSError:
            return ""
        kept = self._kept.get(folder)
        if kept is None or kept[0] != changed:
            kept = (changed, "\n".join(_entries(folder)))
            # The newest month changes all day.
            if time.time_ns() - changed > (WELL_BACK_NS if over else CLOCKS_APART_NS):
                self._kept[folder] = kept
        return kept[1]


def commits(root: Path, table: str, from_month: str = "") -> list[Stored]:
    """Return the commits of *table* in *from_month* and later ones, oldest first.

    Raises:
        BadInput: A folder may not be read.
        IntegrityFailed: A segment's records cannot be read.
    """
    found = {one.name.file_name: one for one in singles(root, table, from_month)}
    for segment, names in _segments(root, table, from_month):
        columns = (names.column(name).to_pylist() for name in ("file_name", "first_row", "rows"))
        for row, (file_name, first_row, rows) in enumerate(zip(*columns, strict=True)):
            name = parse(file_name)
            if name is not None and name.month == segment.month:
                found[file_name] = Stored(table, name, segment.rows_path, Place(segment, row, first_row, rows))
    return sorted(found.values(), key=lambda one: (one.name.at, one.name.file_name))


def file_names(root: Path, table: str) -> set[str]:
    """Return the names of the commits of *table*, wherever they stand; nothing else is asked of them.

    Raises:
        BadInput, IntegrityFailed: As :func:`commits`.
    """
    # Single files first, as everywhere.
    months = Folders(root).months(table)
    found = {name for month, folder in months for name in _entries(folder) if is_commit(name, month)}
    for segment, names in _segments(root, table, ""):
        held: list[Any] = names.column("file_name").to_pylist()
        found.update(name for name in held if is_commit(name, segment.month))
    return found


def singles(root: Path, table: str, from_month: str = "") -> list[Stored]:
    """Return the commits of *table* that have a file of their own, in *from_month* and later ones, in no order.

    Raises:
        BadInput: A folder may not be read.
    """
    return [
        one
        for month, folder in Folders(root).months(table, from_month)
        for one in _stored(table, month, folder, _entries(folder))
    ]


def _stored(table: str, month: str, folder: Path, file_names: Iterable[str]) -> Iterator[Stored]:
    for file_name in file_names:
        if (name := parse(file_name)) is not None and name.month == month:
            yield Stored(table, name, folder / file_name)


def find(folders: Folders, table: str, key: str, revision: int | None = None) -> list[Stored]:
    """Return the commits of *key*, in one revision or all, by revision and then oldest first.

    Looks only into the months that can hold *key*.

    Raises:
        BadInput: A folder may not be read.
        IntegrityFailed: The records of a segment that can hold it cannot be read.
    """
    found = {
        file_name: Stored(table, name, folder / file_name)
        for month, folder, file_name in folders.holding(table, needle(key, revision), first_month(key))
        if (name := parse(file_name)) is not None and name.key == key and name.month == month
    }
    found |= {one.name.file_name: one for one in _indexed(folders, table, key, revision)}
    return sorted(found.values(), key=lambda one: (one.name.revision, one.name.file_name))


def _indexed(folders: Folders, table: str, key: str, revision: int | None) -> list[Stored]:
    """Return what :func:`find_folded` does: by the index, where there is one and it is right."""
    said = folders.index.folded(table, key, revision)
    if said is not None:
        if all(stands_at(there, name.file_name) for name, there in said):
            return [Stored(table, name, there.segment.rows_path, there) for name, there in said]
        folders.index.forget()
    return find_folded(folders.root, table, key, revision)


def find_folded(root: Path, table: str, key: str, revision: int | None = None) -> list[Stored]:
    """Return the commits of *key* that stand in segments, in one revision or all, in no order.

    This is the plain way, through the names of all segments that can hold *key*.

    Raises:
        BadInput, IntegrityFailed: As :func:`find`.
    """
    part = needle(key, revision)
    found = []
    for segment, names in _segments(root, table, first_month(key)):
        held: Any = names.column("file_name")
        rows: list[Any] = pc.indices_nonzero(pc.match_substring(held, part)).to_pylist()
        for row in rows:
            name = parse(held[row].as_py())
            if name is not None and name.key == key and name.month == segment.month:
                found.append(Stored(table, name, segment.rows_path, place(segment, names, row)))
    return found


def checks_of(
    folders: Folders, gauge_serial: str, since: datetime | None, before: datetime | None, lasting: Collection[str]
) -> list[Stored] | None:
    """Return the commits of gauge checks that can hold one of a gauge, oldest first, or None where no index can say it.

    All that have a file of their own are among them.

    Args:
        folders: Of the archive.
        gauge_serial: The gauge.
        since: Leave out the folded ones that were done earlier; None for all.
        before: Leave out the folded ones that were not done earlier than that; None for all.
        lasting: Kinds of checks that are wanted whenever they were done.

    Raises:
        BadInput, IntegrityFailed: As :func:`commits`.
    """
    # Single files first, as everywhere.
    found = {one.name.file_name: one for one in singles(folders.root, _CHECKS)}
    said = folders.index.checks(gauge_serial, since, before, lasting)
    if said is None:
        return None
    held: dict[Segment, pa.Table] = {}
    for name, there in said:
        try:
            names = held[there.segment] if there.segment in held else names_of(there.segment)
        except Vanished:
            return None  # a removal put another segment in its place
        held[there.segment] = names
        if not (
            there.row < names.num_rows
            and place(there.segment, names, there.row) == there
            and names.column("file_name")[there.row].as_py() == name.file_name
        ):
            folders.index.forget()
            return None
        found[name.file_name] = Stored(_CHECKS, name, there.segment.rows_path, there)
    return sorted(found.values(), key=lambda one: (one.name.at, one.name.file_name))


def again(one: Stored) -> Stored | None:
    """Return where the commit *one* is now, or None where it is nowhere; it was not, or no longer, where it was.

    Raises:
        BadInput: A folder may not be read.
        IntegrityFailed: The records of a segment of its month cannot be read.
    """
    root = one.path.parent.parent.parent
    file_name = one.name.file_name
    own = root / one.table / one.name.month / file_name
    if one.path != own and own.is_file():
        return Stored(one.table, one.name, own)
    for segment, names in _segments(root, one.table, one.name.month):
        if segment.month == one.name.month:
            row = pc.index(names.column("file_name"), file_name).as_py()
            if row >= 0:
                return Stored(one.table, one.name, segment.rows_path, place(segment, names, row))
    return None


def last_of_bench(root: Path, bench: str) -> Stored | None:
    """Return the last commit of *bench* in any table, or None where it made none.

    Looks into the newest month in which the bench committed and into those after it.

    Raises:
        BadInput: A folder may not be read.
        IntegrityFailed: The records of a segment of those months cannot be read.
    """
    last = _last_single(root, bench)
    since = "" if last is None else last.name.month
    held = [(segment, names) for table in TABLE_FOLDERS for segment, names in _segments(root, table, since)]
    for month in sorted({segment.month for segment, _ in held}, reverse=True):
        for segment, names in held:
            if segment.month != month:
                continue
            file_names: list[Any] = names.column("file_name").to_pylist()
            newest = max(of_bench(file_names, bench), default=None)
            name = None if newest is None else parse(newest)
            # One that has both forms is taken folded, as everywhere.
            if name is not None and (last is None or name.seq >= last.name.seq):
                there = place(segment, names, file_names.index(newest))
                last = Stored(segment.table, name, segment.rows_path, there)
        if last is not None:
            break
    return last


def _last_single(root: Path, bench: str) -> Stored | None:
    folders: dict[str, list[tuple[str, Path]]] = defaultdict(list)
    for table in TABLE_FOLDERS:
        for month, folder in Folders(root).months(table):
            folders[month].append((table, folder))
    for month in sorted(folders, reverse=True):
        newest = [
            Stored(table, name, folder / file_name)
            for table, folder in folders[month]
            # A bench's names sort as it made them, so the last name is its last commit.
            if (file_name := max(of_bench(_entries(folder), bench), default=None)) is not None
            and (name := parse(file_name)) is not None
            and name.month == month
        ]
        if newest:
            return max(newest, key=lambda one: one.name.seq)
    return None


def lasts(folders: Folders) -> dict[str, Stored]:
    """Return each bench's last commit.

    Raises:
        BadInput, IntegrityFailed: As :func:`commits`.
    """
    root = folders.root
    # Single files first, as everywhere.
    found = [one for table in TABLE_FOLDERS for one in singles(root, table)]
    said = folders.index.lasts()
    if said is not None and all(stands_at(there, name.file_name) for name, there in said):
        found += [Stored(there.segment.table, name, there.segment.rows_path, there) for name, there in said]
    else:
        found += [one for table in TABLE_FOLDERS for one in commits(root, table)]
    newest: dict[str, Stored] = {}
    for one in found:
        held = newest.get(one.name.bench)
        # One that has both forms is taken folded, as everywhere.
        if held is None or one.name.seq >= held.name.seq:
            newest[one.name.bench] = one
    return newest


def the_one(found: Iterable[Stored]) -> Stored | None:
    """Return the commit of the highest revision in *found*, all of one key, or None where there is none.

    Raises:
        IntegrityFailed: Two commits hold that revision: a fork.
    """
    by_revision: dict[int, list[Stored]] = defaultdict(list)
    for one in found:
        by_revision[one.name.revision].append(one)
    if not by_revision:
        return None
    revision = max(by_revision)
    one, *others = by_revision[revision]
    if others:
        raise IntegrityFailed(fork_sentence(one, others[0]))
    return one


def fork_sentence(one: Stored, other: Stored) -> str:
    """Return what a person is told where *one* and *other* hold the same revision of the same thing."""
    name = one.name
    return (
        f"{one.where} and {other.where} both hold revision {name.revision} of {name.key}; "
        f"check the archive; if both belong there, find out which is right and seal it as revision {name.revision + 1}"
    )


def _segments(root: Path, table: str, from_month: str) -> list[tuple[Segment, pa.Table]]:
    """Return the segments of *from_month* and later, by month, each with its names."""
    while True:
        here = segments(root, table, from_month)
        try:
            return [(segment, names_of(segment)) for segment in here]
        except Vanished:
            # Either a file of a published segment is gone, or another took that segment's place since it was listed.
            if here == segments(root, table, from_month):
                raise


def _entries(folder: Path) -> list[str]:
    try:
        return os.listdir(folder)  # noqa: PTH208 - a path object for each of 10,000 names costs ten times the time
    except (FileNotFoundError, NotADirectoryError):
        return []  # a file in a folder's place holds no commits; the archive's check names it
    except PermissionError:
        raise BadInput(f"{folder}: this folder may not be read; ask whoever owns it") from None

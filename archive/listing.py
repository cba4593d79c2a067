"""Which commits there are: told by the names in the archive's folders alone, no file is opened.

A name appears only with its file complete, so a listing beside a running commit shows the commit
whole or not at all.
"""

from __future__ import annotations

import os
import time
from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from archive.layout import TABLE_FOLDERS, CommitName, first_month, is_month, is_of_bench, needle, parse
from schemas.errors import BadInput, IntegrityFailed

#: Two seconds: the coarsest clock that a file system keeps its times by (FAT; from memory).
_WELL_BACK_NS: Final = 2_000_000_000


@dataclass(frozen=True)
class Stored:
    """One commit's file.

    Attributes:
        table: Table whose folder it lies in.
        name: What its name says.
        path: Where it lies.
    """

    table: str
    name: CommitName
    path: Path


class Folders:
    """The names in an archive's folders, looked at anew unless they cannot have changed.

    A month that is over gets no new files. So the names of every month but the newest are kept, and
    taken as long as the folder's own time of change stays what it was. They are kept only when that
    time lay well back: a folder that changes twice within one tick of its clock shows one time.
    """

    def __init__(self, root: Path) -> None:
        self._root = root
        self._kept: dict[Path, tuple[int, str]] = {}

    def months(self, table: str, from_month: str = "") -> list[tuple[str, Path]]:
        """Return the month folders of *table* in *from_month* and later, oldest first.

        Raises:
            BadInput: The table's folder may not be read.
        """
        folder = self._root / table
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

    def _names(self, folder: Path, over: bool) -> str:
        if not over:
            return "\n".join(_entries(folder))
        try:
            changed = folder.stat().st_mtime_ns
        except OSError:
            return ""
        kept = self._kept.get(folder)
        if kept is None or kept[0] != changed:
            kept = (changed, "\n".join(_entries(folder)))
            if time.time_ns() - changed > _WELL_BACK_NS:
                self._kept[folder] = kept
        return kept[1]


def commits(root: Path, table: str, from_month: str = "") -> list[Stored]:
    """Return the commits of *table* in *from_month* and later ones, oldest first.

    Raises:
        BadInput: A folder may not be read.
    """
    found = [
        Stored(table, name, folder / file_name)
        for month, folder in Folders(root).months(table, from_month)
        for file_name in _entries(folder)
        if (name := parse(file_name)) is not None and name.month == month
    ]
    return sorted(found, key=lambda one: (one.name.at, one.name.file_name))


def find(folders: Folders, table: str, key: str, revision: int | None = None) -> list[Stored]:
    """Return the commits of *key*, in one revision or all, by revision and then oldest first.

    Looks only into the months that can hold *key*.

    Raises:
        BadInput: A folder may not be read.
    """
    found = [
        Stored(table, name, folder / file_name)
        for month, folder, file_name in folders.holding(table, needle(key, revision), first_month(key))
        if (name := parse(file_name)) is not None and name.key == key and name.month == month
    ]
    return sorted(found, key=lambda one: (one.name.revision, one.name.file_name))


def last_of_bench(root: Path, bench: str) -> Stored | None:
    """Return the last commit of *bench* in any table, or None where it made none.

    Looks into the newest month in which the bench committed and into those after it.

    Raises:
        BadInput: A folder may not be read.
    """
    folders: dict[str, list[tuple[str, Path]]] = defaultdict(list)
    for table in TABLE_FOLDERS:
        for month, folder in Folders(root).months(table):
            folders[month].append((table, folder))
    for month in sorted(folders, reverse=True):
        newest = [
            Stored(table, name, folder / file_name)
            for table, folder in folders[month]
            # A bench's names sort as it made them, so the last name is its last commit.
            if (file_name := max((n for n in _entries(folder) if is_of_bench(n, bench)), default=None)) is not None
            and (name := parse(file_name)) is not None
            and name.month == month
        ]
        if newest:
            return max(newest, key=lambda one: one.name.seq)
    return None


def lasts(root: Path) -> dict[str, Stored]:
    """Return each bench's last commit.

    Raises:
        BadInput: A folder may not be read.
    """
    newest: dict[str, Stored] = {}
    for table in TABLE_FOLDERS:
        for one in commits(root, table):
            held = newest.get(one.name.bench)
            if held is None or one.name.seq > held.name.seq:
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
        f"{one.path} and {other.path} both hold revision {name.revision} of {name.key}; "
        f"check the archive; if both belong there, find out which is right and seal it as revision {name.revision + 1}"
    )


def _entries(folder: Path) -> list[str]:
    try:
        return os.listdir(folder)  # noqa: PTH208 - a path object for each of 10,000 names costs ten times the time
    except (FileNotFoundError, NotADirectoryError):
        return []  # a file in a folder's place holds no commits; the archive's check names it
    except PermissionError:
        raise BadInput(f"{folder}: this folder may not be read; ask whoever owns it") from None

"""What an answer out of the archive cannot hold: commits that are missing, and inspections that were removed by an order.

This is a cheap look, by the names of the commits and the register; whether what is there is whole, the archive's check says.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from archive import listing
from archive.layout import TABLE_FOLDERS
from archive.ledger import heads_of
from archive.store import Archive
from schemas.certificates import Certificate
from schemas.errors import BadInput
from schemas.readings import READINGS
from schemas.tombstones import Tombstone


@dataclass(frozen=True, slots=True)
class Absent:
    """What is not there.

    Attributes:
        lost: What should be and is not, each in half a sentence.
        removed: The inspections that were removed, a tombstone of each, by inspection.
        certificates: Those of them that are still registered, oldest first.
    """

    lost: tuple[str, ...] = ()
    removed: tuple[Tombstone, ...] = ()
    certificates: tuple[Certificate, ...] = ()


def absent(archive: Archive, sealed_journals: Path, since: datetime | None) -> Absent:
    """Return what is not there: lost at any time, and removed of what was sealed from *since* on.

    Args:
        archive: The archive.
        sealed_journals: The folder of the sealed journals, each called as its inspection.
        since: Nothing that matters was committed before; None where that is not known.

    Raises:
        IntegrityFailed: A file is not whole.
        BadInput: The archive may not be read.
    """
    # In this order: what a certificate states and a journal was sealed to was committed before, and an order before it was
    # carried out. So beside a bench at work nothing is called missing that is not.
    register = archive.certificates(since=since)
    journals = sorted(path.stem for path in sealed_journals.glob("*.journal"))
    names = _names(archive.root)
    gaps = _gaps(archive, names, register)
    if any(
        gaps.values()
    ):  # one table is listed after the other: what was committed meanwhile is there at a second look
        again = _gaps(archive, _names(archive.root), register)
        gaps = {bench: numbers & again.get(bench, set()) for bench, numbers in gaps.items()}
    dead = [one for one in archive.tombstones() if one.removed_table == READINGS.name]
    there = {name.split("-", 3)[3].removesuffix(".parquet") for name in names[READINGS.name]}
    accounted = there | {f"{one.key}-r{one.revision}" for one in dead}
    known = {name.rpartition("-r")[0] for name in accounted}
    lost = [
        *_missing(gaps),
        *_unfounded(c for c in register if f"{c.inspection_id}-r{c.inspection_revision}" not in accounted),
        *_unsealed([name for name in journals if name not in known]),
    ]
    left = {name.rpartition("-r")[0] for name in there}
    removed = {one.key: one for one in dead if one.key not in left and (since is None or one.named_at >= since)}
    return Absent(
        tuple(lost),
        tuple(one for _, one in sorted(removed.items())),
        tuple(c for c in register if c.inspection_id in removed),
    )


def _names(root: Path) -> dict[str, set[str]]:
    return {table: listing.file_names(root, table) for table in TABLE_FOLDERS}


def _gaps(archive: Archive, names: dict[str, set[str]], register: Iterable[Certificate]) -> dict[str, set[int]]:
    """Return the numbers that each bench's commits leave out, up to the last that it is known to have made."""
    held: dict[str, set[int]] = defaultdict(set)
    for of_table in names.values():
        for name in of_table:
            _, bench, seq, _ = name.split("-", 3)
            held[bench].add(int(seq))
    for one in archive.tombstones():
        held[one.bench].add(one.seq)
    last = {bench: max(numbers) for bench, numbers in held.items()}
    for bench, known in _known_to(register):
        last[bench] = max(known, last.get(bench, 0))
    return {bench: set(range(1, end + 1)) - held[bench] for bench, end in last.items()}


def _known_to(register: Iterable[Certificate]) -> Iterator[tuple[str, int]]:
    """Yield how far each bench's chain went when the last certificate was issued."""
    *_, newest = sorted(register, key=lambda one: one.issued_at) or (None,)
    if newest is None:
        return
    try:
        heads = heads_of(newest.ledger_head, newest.number)
    except BadInput:
        return  # the archive's check names it
    yield from ((bench, seq) for bench, (seq, _) in heads.items())


def _missing(gaps: dict[str, set[int]]) -> Iterator[str]:
    for bench, numbers in sorted(gaps.items()):
        if numbers:
            one = len(numbers) == 1
            yield f"{'commit' if one else 'commits'} {_runs(numbers)} of bench {bench} {'is' if one else 'are'} missing"


def _runs(numbers: Iterable[int]) -> str:
    runs: list[tuple[int, int]] = []
    for number in sorted(numbers):
        if runs and number == runs[-1][1] + 1:
            runs[-1] = (runs[-1][0], number)
        else:
            runs.append((number, number))
    return ", ".join(str(first) if first == last else f"{first} to {last}" for first, last in runs)


def _unfounded(register: Iterable[Certificate]) -> Iterator[str]:
    for one in register:
        yield (
            f"certificate {one.number} revision {one.revision} states inspection {one.inspection_id} revision "
            f"{one.inspection_revision}, which is missing"
        )


def _unsealed(journals: list[str]) -> Iterator[str]:
    for name in journals:
        yield f"inspection {name}, whose journal was sealed, is missing"

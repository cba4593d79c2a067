"""Closed months sent to a store beyond this machine: the same files under the same names, each once.

    <address>/<plant>/folded/readings/2026-10-0f1e2d3c4b5a6978.parquet

A folded month never changes, and its name follows from what it holds, so sending it again after a broken line, or from two
machines at once, comes to the same. The manifest goes last: readers there see a month whole or not at all.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal

from archive.layout import TABLE_FOLDERS
from archive.object_store import Store
from archive.segments import Segment, manifest_of, segments
from archive.targets import demand_elsewhere
from schemas.errors import IntegrityFailed

FOLDED: Final = "folded"


@dataclass(frozen=True)
class Pushed:
    """What became of one folded month.

    Attributes:
        table: Its table.
        month: Its month.
        name: Name of its manifest.
        how: sent; there, where the store had it already; gone, where the store holds what this archive has no longer;
            removed, where that was removed from the store.
        size: Bytes sent or removed.
    """

    table: str
    month: str
    name: str
    how: Literal["sent", "there", "gone", "removed"]
    size: int


def push(root: Path, store: Store, plant: str, remove_gone: bool = False) -> Iterator[Pushed]:
    """Send the folded months of the archive at *root* to *store*, oldest first; yield what became of each.

    Args:
        root: The archive's folder.
        store: Where to.
        plant: The folder there that is this archive's alone.
        remove_gone: Whether months that the archive has no longer, since readings in them were removed on somebody's
            order, are removed from the store as well.

    Raises:
        IntegrityFailed: A file here is not what its manifest says, or the store holds another under its name; nothing of
            that month was published.
        BadInput: The store does not answer, or refuses; or it is a folder of this machine that belongs to what a shop keeps.
    """
    if store.local:
        for table in TABLE_FOLDERS:
            demand_elsewhere(Path(store.path(plant, FOLDED, table)), root)
    for table in TABLE_FOLDERS:
        there = store.names(plant, FOLDED, table)
        here = segments(root, table)
        for segment in here:
            yield _sent(segment, store, plant, there)
        ours = {segment.manifest_path.name for segment in here}
        for name in sorted(name for name in there if name.endswith(".json") and name not in ours):
            yield _gone(table, name, store, plant, there, remove_gone)


def _sent(segment: Segment, store: Store, plant: str, there: dict[str, int]) -> Pushed:
    folder = (plant, FOLDED, segment.table)
    manifest = segment.manifest_path
    paths = (segment.rows_path, segment.records_path)
    if manifest.name in there:
        same = store.get(*folder, manifest.name) == manifest.read_bytes()
        if not same or any(there.get(path.name) != path.stat().st_size for path in paths):
            raise IntegrityFailed(
                f"{store.address}: {'/'.join((*folder, manifest.name))} is not the month that {manifest} is; one of the "
                "two was changed: check the archive, and where it is whole remove the month from the store and push again"
            )
        return Pushed(segment.table, segment.month, manifest.name, "there", 0)
    said = manifest_of(segment)
    total = 0
    for path, wanted in zip(paths, (said["rows_sha256"], said["records_sha256"]), strict=True):
        size, found = store.put(path, *folder, path.name)
        if found != wanted:
            store.remove(*folder, path.name)
            raise IntegrityFailed(
                f"{path}: is not the file that its manifest names; the month was not published; check the archive"
            )
        total += size
    size, _ = store.put(manifest, *folder, manifest.name)
    return Pushed(segment.table, segment.month, manifest.name, "sent", total + size)


def _gone(table: str, name: str, store: Store, plant: str, there: dict[str, int], remove: bool) -> Pushed:
    stem = name.removesuffix(".json")
    month = stem.rpartition("-")[0]
    if not remove:
        return Pushed(table, month, name, "gone", 0)
    # The manifest first: without it nobody reads the others.
    names = (name, f"{stem}.records.parquet", f"{stem}.parquet")
    for one in names:
        store.remove(plant, FOLDED, table, one)
    return Pushed(table, month, name, "removed", sum(there.get(one, 0) for one in names))

"""Whether a file of readings is, byte by byte, the one that was written: by the hash that stands with it.

A segment's files have theirs in its manifest, a single file its own in its footer. This costs one reading of the file,
and finds what was changed by a fault, or by somebody who did not write the hash anew; only ``filmtally archive check``
asks the ledger.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable
from pathlib import Path

from archive import stored
from archive.layout import FOLDED_FOLDER, TABLE_FOLDERS, parse, parse_segment
from archive.listing import Stored, file_names
from archive.opening import Vanished, reading
from archive.own_hash import OWN_HASH_KEY, is_as_hashed
from archive.segments import Segment, folded_folder, manifest_of, names_of, segments
from archive.store import Archive
from archive.tombstones import name_of
from archive.unpublished import unpublished
from schemas import parquet
from schemas.errors import IntegrityFailed
from schemas.readings import READINGS


def demand_as_written() -> Callable[[Path], None]:
    """Return what refuses a file of readings that is not the one that was written; it looks at each file once.

    What it returns takes a single file, or the rows file of a segment, with which it looks at the records too, and raises:

        Vanished: The file is gone.
        IntegrityFailed: It is not the file that was written, or its manifest is none.
        BadInput: It may not be read.
    """
    seen: set[tuple[Path, int, int]] = set()

    def demand(path: Path) -> None:
        with reading(path):
            status = path.stat()
        key = (path, status.st_size, status.st_mtime_ns)
        if key in seen:
            return
        if path.parent.parent.name == FOLDED_FOLDER:
            _demand_segment(path)
        else:
            _demand_single(path)
        seen.add(key)

    return demand


def _demand_segment(rows_path: Path) -> None:
    named = parse_segment(rows_path.name)
    if named is None:
        raise ValueError(f"{rows_path} is no file of a segment")
    segment = Segment(rows_path.parent.name, named[0], named[1], rows_path.parents[2])
    manifest = segment.manifest_path
    said = manifest_of(segment)
    try:
        wanted = [str(said["rows_sha256"]), str(said["records_sha256"])]
    except KeyError:
        raise IntegrityFailed(f"{manifest}: is not the manifest of its segment; restore the file from a copy") from None
    for path, expected in zip(segment.paths, wanted, strict=False):
        with reading(path), path.open("rb") as file:
            found = hashlib.file_digest(file, "sha256").hexdigest()
        if found != expected:
            raise IntegrityFailed(
                f"{path}: its bytes are not those that {manifest.name} vouches for; one of the two was changed; restore it "
                "from a copy"
            )


def _demand_single(path: Path) -> None:
    with reading(path):
        said = parquet.footer(path).get(OWN_HASH_KEY)
        if said is not None:
            if not is_as_hashed(path.read_bytes(), said):
                raise IntegrityFailed(f"{path}: its bytes are not those that were written; restore it from a copy")
            return
    # Written by an early version, or by something else: then its rows are asked for the hash in its record.
    name = parse(path.name)
    if name is None:
        raise IntegrityFailed(f"{path}: has not the name of a commit; move it away")
    stored.rows_of_file(READINGS, Stored(READINGS.name, name, path))


def demand_published(root: Path) -> None:
    """Refuse an archive in which a file of a published segment is missing, or the manifest that published commits which stand
    nowhere else; only names are looked at.

    Raises:
        IntegrityFailed: One is missing.
        BadInput: A folder may not be read.
    """
    for table in TABLE_FOLDERS:
        missing = _missing(root, table)
        # A removal puts another segment in its place meanwhile: what is missed twice is missing.
        if missing and (still := sorted(missing & _missing(root, table))):
            others = f" ({len(still) - 1} more files too)" if len(still) > 1 else ""
            raise Vanished(
                f"{still[0]}: is gone, and what was folded into it cannot be shown{others}; restore it from a copy"
            )
        # A fold or a removal publishes meanwhile too.
        unspoken = _unspoken_for(root, table)
        again = _unspoken_for(root, table) if unspoken else {}
        for manifest, lost in unspoken.items():
            if lost & again.get(manifest, set()):
                raise Vanished(
                    f"{manifest}: is gone, and {len(lost)} commits of {table} that stand in its files cannot be shown; restore it "
                    "from a copy"
                )


def _missing(root: Path, table: str) -> set[Path]:
    published = segments(root, table)
    if not published:
        return set()
    names = set(os.listdir(folded_folder(root, table)))  # noqa: PTH208 - as in archive/listing.py
    return {path for segment in published for path in segment.paths[:2] if path.name not in names}


def _unspoken_for(root: Path, table: str) -> dict[Path, set[str]]:
    """Return of each manifest that is not there, though its segment's records are, the commits in them that stand nowhere else."""
    bare = [one for one, paths in unpublished(root, table).items() if one.records_path in paths]
    if not bare:
        return {}
    held = {one: set(map(str, names_of(one).column("file_name").to_pylist())) for one in bare}
    elsewhere = file_names(root, table)
    buried = {name_of(one).file_name for one in Archive(root, "look").tombstones() if one.removed_table == table}
    return {one.manifest_path: lost for one, names in held.items() if (lost := names - elsewhere - buried)}

"""Files of segments that no manifest publishes: what a fold left that was cut short, or what a removed manifest left bare."""

from __future__ import annotations

import os
from collections import defaultdict
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from archive.content import contents_sha256
from archive.layout import key_and_revision, parse_segment
from archive.ledger import Record, record_hash
from archive.opening import reading
from archive.segments import Segment, folded_folder, records_of, rows_of, runs_of, segments
from schemas.column import Table
from schemas.errors import BadInput


def unpublished(root: Path, table: str) -> dict[Segment, list[Path]]:
    """Return the files in the folder of the segments of *table* that no manifest publishes, by segment.

    Raises:
        BadInput: The folder may not be read.
    """
    found: dict[Segment, list[Path]] = defaultdict(list)
    # The files first: what is published meanwhile is published.
    paths = files_in(folded_folder(root, table))
    published = set(segments(root, table))
    for path in paths:
        name = parse_segment(path.name)
        if name is not None and (segment := Segment(table, name[0], name[1], root)) not in published:
            found[segment].append(path)
    return found


def standing_only_there(
    contract: Table, segment: Segment, paths: Sequence[Path], elsewhere: Iterable[tuple[str, Record]]
) -> list[str]:
    """Return the commits in *paths*, those files of *segment* that are there, that do not stand the same *elsewhere*.

    Args:
        contract: The table.
        segment: The segment.
        paths: Its files.
        elsewhere: The hash of each record that stands in a file of its own or a published segment, and the record.

    Returns:
        The ends of their names: key and revision.

    Raises:
        IntegrityFailed: A file is gone or not whole.
        BadInput: A file may not be read.
    """
    hashes: set[str] = set()
    contents: dict[str, set[str]] = defaultdict(set)
    for held_hash, one in elsewhere:
        hashes.add(held_hash)
        contents[f"{one.key}-r{one.revision}.parquet"].add(one.content_sha256)
    lost: set[str] = set()
    if segment.records_path in paths:
        records: Any = records_of(segment)
        held = zip(records.column("file_name").to_pylist(), records.column("record").to_pylist(), strict=True)
        lost |= {key_and_revision(name) for name, text in held if record_hash(text) not in hashes}
    if segment.rows_path in paths:
        with reading(segment.rows_path):
            rows = rows_of(segment)
            runs = runs_of(contract, rows, segment.rows_path)
            found = contents_sha256(rows, list(runs.values()))
        lost |= {end for end, content in zip(runs, found, strict=True) if content not in contents[end]}
    return sorted(lost)


def files_in(folder: Path) -> list[Path]:
    """Return what is in *folder*, sorted; nothing where there is no such folder.

    Raises:
        BadInput: It may not be read.
    """
    try:
        return sorted(folder / name for name in os.listdir(folder))  # noqa: PTH208 - as in archive/listing.py
    except (FileNotFoundError, NotADirectoryError):
        return []
    except PermissionError:
        raise BadInput(f"{folder}: this folder may not be read; ask whoever owns it") from None

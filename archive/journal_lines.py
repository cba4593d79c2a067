"""The lines of a journal: one record each, as a sealed one keeps them beside the archive. Only read here.

A line is the CRC-32 of the rest in eight hex digits, a space, and one JSON object. What the records mean:
ingest/open_inspection.py, which alone writes them.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from schemas.errors import IntegrityFailed


@dataclass(frozen=True, slots=True)
class JournalContent:
    """What a journal holds.

    Attributes:
        records: The whole records, oldest first.
        torn: Bytes after the last whole record; empty where the journal ends well.
        sound_bytes: Length of the file up to the last whole record.
    """

    records: tuple[dict[str, Any], ...]
    torn: bytes
    sound_bytes: int


def read(path: Path) -> JournalContent:
    """Return what the journal at *path* holds.

    Raises:
        IntegrityFailed: A record that is not the last one is damaged.
        FileNotFoundError: There is no such journal.
    """
    data = path.read_bytes()
    records = []
    sound = 0
    lines = data.split(b"\n")
    for number, line in enumerate(lines[:-1], start=1):
        record = record_of(line)
        if record is None:
            if number == len(lines) - 1 and not lines[-1]:
                break
            raise IntegrityFailed(
                f"{path}: line {number} is damaged; restore the journal from a copy, what stands before is sound"
            )
        records.append(record)
        sound += len(line) + 1
    return JournalContent(tuple(records), data[sound:], sound)


def record_of(line: bytes) -> dict[str, Any] | None:
    """Return the record in a *line*, without its line end, or None where it is not whole."""
    checksum, _, body = line.partition(b" ")
    try:
        if len(checksum) != 8 or int(checksum, 16) != zlib.crc32(body):
            return None
        record = json.loads(body)
    except ValueError:
        return None
    return record if isinstance(record, dict) else None


def captures_in(records: Iterable[dict[str, Any]]) -> list[str]:
    """Return the SHA-256 of each capture that was taken, in hex and in order."""
    return [record["sha256"] for record in records if record["kind"] == "capture"]


def came_in(records: Iterable[dict[str, Any]]) -> Iterator[bytes | str]:
    """Return in order what came: the bytes of a line, or the SHA-256 in hex of a capture that was taken whole.

    The hash over all of it is the inspection's ``capture_sha256``.
    """
    for record in records:
        if record["kind"] == "capture":
            yield record["sha256"]
        elif "bytes" in record and record["kind"] in ("item", "line"):
            yield bytes.fromhex(record["bytes"]) + b"\n"

"""The samples that were drawn: one file a draw, durable before its pieces are named, never overwritten.

A sample that is drawn until it pleases is no sample, so a second draw for the same lot asks for a reason and keeps the
first. The files lie beside the archive's tables; an inspection carries the seed of its draw as a note of its own.
"""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Annotated

from pydantic import Field

from archive.commit import make_folder, write_once
from schemas.errors import IntegrityFailed
from schemas.model import Model


class DrawRecord(Model):
    """One draw, as it was written down.

    Attributes:
        job: Name of the job.
        lot: The lot.
        lot_size: Pieces of the lot, numbered from 1.
        n: Pieces drawn.
        seed: What they were drawn with.
        pieces: Their numbers.
        severity: How severe the inspection is that the plan is for.
        plan: The plan in words.
        drawn_at: When, ISO 8601 in UTC.
        why: Why it was drawn again; None for the first draw.
    """

    job: str
    lot: str
    lot_size: Annotated[int, Field(ge=1)]
    n: Annotated[int, Field(ge=1)]
    seed: str
    pieces: tuple[int, ...]
    severity: str
    plan: str
    drawn_at: str
    why: str | None = None


def draws_of(folder: Path, job: str, lot: str) -> list[DrawRecord]:
    """Return the draws for a lot, the first one first.

    Raises:
        IntegrityFailed: A file is not as it was written.
    """
    return [_read(path) for path in sorted(folder.glob(f"{_stem(job, lot)}-*.json"))]


def record_draw(folder: Path, draw: DrawRecord) -> Path:
    """Write *draw* down durably and return its file.

    Raises:
        BadInput: It cannot be written.
    """
    make_folder(folder)
    number = len(draws_of(folder, draw.job, draw.lot)) + 1
    path = folder / f"{_stem(draw.job, draw.lot)}-{number:02}.json"
    write_once(path, draw.to_json().encode())
    return path


def _stem(job: str, lot: str) -> str:
    # A lot may be called anything, a file may not.
    return f"{job}-{hashlib.sha256(f'{len(job)}:{job}{lot}'.encode()).hexdigest()[:16]}"


def _read(path: Path) -> DrawRecord:
    try:
        return DrawRecord.from_json(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as wrong:
        first = (str(wrong).splitlines() or [""])[0]
        raise IntegrityFailed(f"{path}: is not as it was written ({first}); restore it from a copy") from None

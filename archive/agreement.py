"""Whether an inspection's own row and its readings say the same. Pure."""

from __future__ import annotations

from typing import Any, Final

import pyarrow as pa
import pyarrow.compute as pc

from archive.content import all_same
from schemas.inspections import Inspection

#: What stands on every reading as it stands in the inspection.
_REPEATED: Final = (
    "inspection_id",
    "revision",
    "shop",
    "customer",
    "purchase_order",
    "work_order",
    "part_no",
    "part_revision",
    "lot",
    "lot_size",
    "gauge_serial",
    "probe_mode",
)
#: Under this, a list is compared sooner than a column.
_FEW_ROWS: Final = 256


def disagreement(inspection: Inspection, readings: pa.Table) -> str | None:
    """Return what *inspection* and its *readings* disagree on, as half a sentence, or None where they agree."""
    for name in _REPEATED:
        said = getattr(inspection, name)
        others = [value for value in _different(readings.column(name)) if value != said]
        if others:
            return f"its inspection says {name} {said!r}, and readings say {others[0]!r}"
    if not _counts_from_one(readings.column("reading_no")):
        return f"its {readings.num_rows} readings are not numbered from 1 on, each once and in order"
    counted = readings.column("counted")
    held = pc.sum(counted).as_py() or 0
    pieces = len(pc.unique(readings.column("piece").filter(counted)))
    for name, found in (
        ("readings_counted", held),
        ("readings_excluded", readings.num_rows - held),
        ("pieces_measured", pieces),
    ):
        said = getattr(inspection, name)
        if said != found:
            return f"its inspection says {name} {said}, and the readings make it {found}"
    return None


def _different(column: Any) -> list[Any]:
    """Return the different values of *column*, and perhaps one more than once."""
    if len(column) >= _FEW_ROWS and all(all_same(chunk) for chunk in column.chunks if len(chunk)):
        return [chunk[0].as_py() for chunk in column.chunks if len(chunk)]
    found: list[Any] = pc.unique(column).to_pylist()
    return found


def _counts_from_one(numbers: Any) -> bool:
    if len(numbers) < _FEW_ROWS:
        return bool(numbers.to_pylist() == list(range(1, len(numbers) + 1)))
    counted = pc.cumulative_sum(pa.repeat(pa.scalar(1, numbers.type), len(numbers)))
    return numbers.null_count == 0 and pa.chunked_array([counted]).equals(numbers)

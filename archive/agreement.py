"""Whether an inspection's own row and its readings say the same. Pure."""

from __future__ import annotations

from typing import Final

import pyarrow as pa
import pyarrow.compute as pc

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


def disagreement(inspection: Inspection, readings: pa.Table) -> str | None:
    """Return what *inspection* and its *readings* disagree on, as half a sentence, or None where they agree."""
    for name in _REPEATED:
        said = getattr(inspection, name)
        others = [value for value in pc.unique(readings.column(name)).to_pylist() if value != said]
        if others:
            return f"its inspection says {name} {said!r}, and readings say {others[0]!r}"
    if readings.column("reading_no").to_pylist() != list(range(1, readings.num_rows + 1)):
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

"""holds: what must not be removed although its retention is over, set and lifted by a person."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Final

import pyarrow as pa

from schemas.column import Column, Table
from schemas.readings import TIME


@dataclass(frozen=True, slots=True, kw_only=True)
class Hold:
    """One hold, as it was set, or as it was lifted."""

    hold_id: Annotated[str, Column(pa.string(), "The hold.")]
    revision: Annotated[int, Column(pa.int32(), "1 where it was set, 2 where it was lifted.")]
    state: Annotated[str, Column(pa.string(), "set or lifted.")]
    customer: Annotated[
        str | None,
        Column(pa.string(), "Customer all of whose inspections it keeps; null where it keeps one inspection."),
    ]
    inspection_id: Annotated[
        str | None, Column(pa.string(), "Inspection that it keeps; null where it keeps all of a customer.")
    ]
    at: Annotated[datetime, Column(TIME, "When it was set, or lifted.", unit="UTC")]
    by: Annotated[str, Column(pa.string(), "Code of the person who set it, or lifted it.")]
    reason: Annotated[str, Column(pa.string(), "Why, as that person said.")]


HOLDS: Final = Table("holds", 1, "One row per hold that was set, and one more where it was lifted again.", Hold)

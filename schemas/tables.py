"""The tables of the contract, by name, and the page that describes them."""

from __future__ import annotations

from typing import Final

from schemas.certificates import CERTIFICATES
from schemas.column import Table
from schemas.gauge_checks import GAUGE_CHECKS
from schemas.holds import HOLDS
from schemas.inspections import INSPECTIONS
from schemas.readings import READINGS
from schemas.tombstones import TOMBSTONES

TABLES: Final[dict[str, Table]] = {
    t.name: t for t in (READINGS, GAUGE_CHECKS, INSPECTIONS, CERTIFICATES, HOLDS, TOMBSTONES)
}
#: Those whose commits are files of their own. An inspection's own row lies in the footer of its readings' file.
COMMITTED: Final[dict[str, Table]] = {name: t for name, t in TABLES.items() if t is not INSPECTIONS}

_HEAD = """# The data contract

Printed from the declarations in this folder by `make schemas`; a test fails when it is stale.

Every file is plain Parquet. Each column carries its meaning and unit in the Arrow field metadata,
and the file carries one JSON document under the key `filmtally` with the schema's name, version,
units and meanings, which any Parquet reader sees. Times are UTC in milliseconds. Thicknesses are
decimals with four places, exact: 1 mil = 25.4 µm, so 0.001 mil is 0.0254 µm. Nothing is ever
overwritten: a correction is a new revision, and the highest revision of an inspection is the valid
one. Nothing is removed before its retention is over and a person orders it, and then a tombstone stands
for it. A quantile of readings is the nearest rank (DuckDB's `quantile_disc`): the smallest reading
with at least that share of the readings at or below it.

A commit is a file of its own, `TABLE/MONTH/NAME.parquet`, until its month is folded: then all of that month's commits to the
table stand in segments of three files each. `folded/TABLE/MONTH-ID.parquet` holds their rows, in the same columns (whoever
reads them alone needs nothing else); `MONTH-ID.records.parquet` holds their ledger records (file_name, record, first_row,
rows) and is no part of the table; `MONTH-ID.json`, the manifest, is written last, and files without one do not count. Reading
a table therefore takes both: its single files, and the rows file beside each manifest. A fold that was cut short may leave a
commit in both, saying the same; `filmtally archive export TABLE FILE` gives each row once. An inspection's own row has no
file: it lies in the ledger record, in the footer of its readings' file (key `filmtally.record`) or in the segment's records.

"""


def readme() -> str:
    """Return the text of schemas/README.md."""
    return _HEAD + "\n".join(table.markdown() for table in TABLES.values())

"""Which part of a table somebody asks for: chosen by what the rows say, commit by commit."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date, datetime, tzinfo
from pathlib import Path
from typing import Any, Final

import pyarrow as pa

from archive import listing, stored
from archive.ledger import inspection_of
from schemas import parquet
from schemas.certificates import CERTIFICATES, Certificate
from schemas.column import Table
from schemas.errors import BadInput
from schemas.gauge_checks import GAUGE_CHECKS
from schemas.holds import HOLDS
from schemas.inspections import INSPECTIONS, Inspection
from schemas.readings import READINGS
from schemas.tombstones import TOMBSTONES, Tombstone

#: So many inspections' rows are held at once: each carries its job and its shop as JSON.
_INSPECTIONS_AT_ONCE: Final = 200
#: What the rows of a table say that can be chosen by.
_CHOSEN_BY: Final = {
    READINGS.name: ("part", "lot", "customer", "gauge", "inspection", "since", "until"),
    INSPECTIONS.name: ("part", "lot", "customer", "gauge", "inspection", "since", "until"),
    CERTIFICATES.name: ("part", "lot", "customer", "inspection", "since", "until"),
    GAUGE_CHECKS.name: ("gauge", "since", "until"),
    HOLDS.name: (),
    TOMBSTONES.name: ("part", "lot", "customer", "inspection", "since", "until"),
}
_OPTIONS: Final = {"since": "from", "until": "to"}


@dataclass(frozen=True)
class Selection:
    """What is asked for; whatever is None leaves nothing out.

    Attributes:
        zone: The shop's time zone, in which days begin.
        part: Part number.
        lot: Lot.
        customer: Customer's name, or a part of it, whatever the case.
        gauge: Serial number of the gauge.
        inspection: Number of an inspection.
        since: First day: of the sealing for readings and inspections, of the check, of the issue, or of the removal's order.
        until: Last day.
        all_revisions: Superseded revisions too. Where nothing at all is chosen, they are always there.
    """

    zone: tzinfo
    part: str | None = None
    lot: str | None = None
    customer: str | None = None
    gauge: str | None = None
    inspection: str | None = None
    since: date | None = None
    until: date | None = None
    all_revisions: bool = False

    @property
    def is_whole(self) -> bool:
        """Return whether nothing is chosen: the whole table."""
        return not any(getattr(self, name) is not None for name in _CHOSEN_BY[READINGS.name])

    @property
    def every_revision(self) -> bool:
        """Return whether superseded revisions are asked for as well."""
        return self.all_revisions or self.is_whole

    def words(self) -> str:
        """Return what was chosen as a person reads it."""
        said = [
            f"{_OPTIONS.get(name, name)} {getattr(self, name)}"
            for name in _CHOSEN_BY[READINGS.name]
            if getattr(self, name) is not None
        ]
        revisions = "every revision" if self.every_revision else "the valid revisions alone"
        return f"{', '.join(said) or 'the whole table'}; {revisions}"


@dataclass(frozen=True)
class Chosen:
    """The chosen rows of a table.

    Attributes:
        contract: The table.
        rows: How many rows there are.
        words: What was chosen, as a person reads it.
        parts: Gives the rows, a few commits at a time, each shown to be what was committed.
    """

    contract: Table
    rows: int
    words: str
    parts: Callable[[], Iterator[pa.Table]]


def choose(root: Path, contract: Table, selection: Selection) -> Chosen:
    """Return what *selection* chooses of the table *contract* in the archive at *root*.

    Raises:
        BadInput: The table's rows do not say what is chosen by, or the archive may not be read.
        IntegrityFailed: A file is not whole, or two hold the same valid revision of something.
    """
    for name in _CHOSEN_BY[READINGS.name]:
        if getattr(selection, name) is not None and name not in _CHOSEN_BY[contract.name]:
            can = ", ".join(f"--{_OPTIONS.get(known, known)}" for known in _CHOSEN_BY[contract.name])
            choose_with = f"choose with {can}" if can else "it is exported whole"
            raise BadInput(f"{contract.name} cannot be chosen by --{_OPTIONS.get(name, name)}; {choose_with}")
    found = listing.commits(root, READINGS.name if contract is INSPECTIONS else contract.name)
    if not selection.every_revision:
        # Before anything is chosen: a superseded revision of another lot must not come to the light again.
        found = valid(found)
    if contract in (READINGS, INSPECTIONS):
        return _of_inspections(contract, found, selection)
    return _of_rows(contract, found, selection)


def valid(found: list[listing.Stored]) -> list[listing.Stored]:
    """Return those of *found* that are the highest revision of what they hold, in the same order.

    Raises:
        IntegrityFailed: Two hold the same highest revision.
    """
    by_key: dict[str, list[listing.Stored]] = defaultdict(list)
    for one in found:
        by_key[one.name.key].append(one)
    highest = {id(listing.the_one(of_key)) for of_key in by_key.values()}
    return [one for one in found if id(one) in highest]


def _of_inspections(contract: Table, found: list[listing.Stored], selection: Selection) -> Chosen:
    kept: list[listing.Stored] = []
    rows = 0
    for one, record in zip(found, stored.records(found), strict=True):
        if selection.is_whole or _inspection_is_chosen(inspection_of(record, one.where), selection):
            kept.append(one)
            rows += record.rows

    def readings() -> Iterator[pa.Table]:
        yield from stored.every_rows(READINGS, kept)

    def inspections() -> Iterator[pa.Table]:
        for start in range(0, len(kept), _INSPECTIONS_AT_ONCE):
            some = kept[start : start + _INSPECTIONS_AT_ONCE]
            records = zip(some, stored.records(some), strict=True)
            yield parquet.table_of(INSPECTIONS, [inspection_of(record, one.where) for one, record in records])

    if contract is READINGS:
        return Chosen(contract, rows, selection.words(), readings)
    return Chosen(contract, len(kept), selection.words(), inspections)


def _of_rows(contract: Table, found: list[listing.Stored], selection: Selection) -> Chosen:
    is_chosen = {GAUGE_CHECKS.name: _check_is_chosen, TOMBSTONES.name: _tombstone_is_chosen}.get(
        contract.name, _certificate_is_chosen
    )

    def parts() -> Iterator[pa.Table]:
        for rows in stored.every_rows(contract, found):
            if not selection.is_whole:
                rows = rows.filter(pa.array([is_chosen(row, selection) for row in parquet.records(contract, rows)]))
            yield rows

    if selection.is_whole:
        count = sum(record.rows for record in stored.records(found))
    else:
        count = sum(part.num_rows for part in parts())
    return Chosen(contract, count, selection.words(), parts)


def _inspection_is_chosen(one: Inspection, by: Selection) -> bool:
    return (
        by.gauge in (None, one.gauge_serial)
        and _is_of_the_order(one, by)
        and by.inspection in (None, one.inspection_id)
        and _within_days(one.sealed_at, by)
    )


def _certificate_is_chosen(one: Certificate, by: Selection) -> bool:
    return _is_of_the_order(one, by) and by.inspection in (None, one.inspection_id) and _within_days(one.issued_at, by)


def _check_is_chosen(one: Any, by: Selection) -> bool:
    return by.gauge in (None, one.gauge_serial) and _within_days(one.done_at, by)


def _tombstone_is_chosen(one: Tombstone, by: Selection) -> bool:
    return _is_of_the_order(one, by) and by.inspection in (None, one.inspection_id) and _within_days(one.removed_at, by)


def _is_of_the_order(one: Inspection | Certificate | Tombstone, by: Selection) -> bool:
    return (
        by.part in (None, one.part_no)
        and by.lot in (None, one.lot)
        and (by.customer is None or by.customer.casefold() in (one.customer or "").casefold())
    )


def _within_days(at: datetime, by: Selection) -> bool:
    day = at.astimezone(by.zone).date()
    return (by.since is None or day >= by.since) and (by.until is None or day <= by.until)

"""The removal of inspections whose retention is over, by a person's order, and nothing else is ever removed.

An order is a commit of tombstones, one for each commit that goes: durable in the ledger before anything is touched. From
then on the removal can be cut short anywhere. What a tombstone stands for and is still there is whole and readable; who
calls :func:`finish` takes it away, as often as needed, and comes to the same. One process at a time decides what goes,
orders it and takes it away, and nobody sets a hold meanwhile (`archive.fold.folding_alone`).

A commit in its own file is unlinked. Of a segment a new one is published without the rows that go, which names the one
that it replaces; then that one is taken away, its manifest first, so that a reader finds one of the two at any moment.
What lies beside the archive of the same inspections goes as well: their sealed journals, and the captures that no other
journal names.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo
from pathlib import Path
from typing import Any, Final

import pyarrow as pa

from archive import listing, stored
from archive.commit import cannot_write, sync_folder
from archive.content import contents_sha256
from archive.fold import folding_alone
from archive.layout import month_of, parse
from archive.ledger import Record, inspection_of, record_hash, record_of
from archive.retention import Retained, holds_set, is_held, retained, retained_certificates
from archive.segments import (
    Segment,
    names_of,
    records_of,
    rows_of,
    segment_id,
    segments,
    spans_of,
    write_segment,
)
from archive.shop_folder import ShopFolder
from archive.store import Archive
from archive.tombstones import name_of, record_under, removed_words
from archive.unpublished import standing_only_there, unpublished
from schemas.certificates import CERTIFICATES, Certificate
from schemas.customer import Customer
from schemas.errors import BadInput, IntegrityFailed
from schemas.inspections import Inspection
from schemas.readings import READINGS
from schemas.tombstones import Tombstone

#: What an inspection's removal can take from the archive.
_CONTRACTS: Final = {READINGS.name: READINGS, CERTIFICATES.name: CERTIFICATES}
_SHA256: Final = re.compile(rb"(?<![0-9a-f])[0-9a-f]{64}(?![0-9a-f])")


@dataclass(frozen=True)
class Order:
    """Who orders a removal, and why.

    Attributes:
        removal_id: The order.
        at: When, aware.
        by: Code of the person.
        reason: Why.
        with_certificates: The certificates of the inspections go too: their PDFs and their rows in the register.
    """

    removal_id: str
    at: datetime
    by: str
    reason: str
    with_certificates: bool = False


@dataclass(frozen=True)
class Removal:
    """What a removal did.

    Attributes:
        going: The inspections that were removed; none where nothing was to go.
        gone: The files that are gone.
    """

    going: tuple[Retained, ...]
    gone: tuple[Path, ...]


def every_retained(archive: Archive, folder: ShopFolder, zone: tzinfo) -> list[Retained]:
    """Return how long each inspection of *archive* is kept, in the order of their beginnings.

    Raises:
        BadInput: A customer's file is wrong, or the archive may not be read.
        IntegrityFailed: A file of the archive is not whole.
    """
    revisions: dict[str, list[Inspection]] = defaultdict(list)
    for one in archive.inspections(all_revisions=True):
        revisions[one.inspection_id].append(one)
    issued: dict[str, list[Certificate]] = defaultdict(list)
    for certificate in archive.certificates():
        issued[certificate.inspection_id].append(certificate)
    holds = holds_set(archive.holds())
    files: dict[str, Customer | None] = {}
    found = []
    for inspection_id, ones in sorted(revisions.items()):
        ones.sort(key=lambda one: one.revision)
        customer = ones[-1].customer
        if customer not in files:
            files[customer] = folder.customer(customer)
        found.append(retained(ones, issued[inspection_id], files[customer], holds, zone))
    return found


def left_behind(archive: Archive, folder: ShopFolder, zone: tzinfo) -> list[Retained]:
    """Return the inspections that were removed without their certificates, which the register still has.

    They are kept until the later of two days: that of the inspection's tombstone, and that by the customer's file as it is
    now, counted from the last of the certificates.

    Raises:
        BadInput, IntegrityFailed: As :func:`every_retained`.
    """
    tombstones = archive.tombstones()
    gone = {one.inspection_id: one for one in tombstones if one.removed_table == READINGS.name}
    ordered = {(one.key, one.revision) for one in tombstones if one.removed_table == CERTIFICATES.name}
    issued: dict[str, list[Certificate]] = defaultdict(list)
    for certificate in archive.certificates(of=gone.keys()) if gone else ():
        if (certificate.number, certificate.revision) not in ordered:
            issued[certificate.inspection_id].append(certificate)
    holds = holds_set(archive.holds())
    return [
        retained_certificates(gone[inspection_id], ones, folder.customer(ones[-1].customer), holds, zone)
        for inspection_id, ones in sorted(issued.items())
    ]


def order(
    archive: Archive, folder: ShopFolder, given: Order, going: Sequence[Retained], zone: tzinfo
) -> list[Tombstone]:
    """Put the removal of *going* into the ledger, and return the tombstones; nothing is removed yet.

    What was removed or held since *going* was looked at is refused: nobody removes or sets a hold meanwhile.

    Args:
        archive: The archive.
        folder: The shop's folder.
        given: The order.
        going: The inspections, as :func:`every_retained` gave them, and with certificates as :func:`left_behind` did; one or
            more.
        zone: The shop's time zone.

    Raises:
        BadInput: One of them may not go, see :func:`demand_removable`; or another program folds, removes or sets a hold; or
            the archive cannot be written to.
        IntegrityFailed: A file of the archive is not whole; nothing was changed.
    """
    with folding_alone(archive.root):
        return _order(archive, folder, given, going, zone)


def remove(
    archive: Archive, folder: ShopFolder, given: Order, choose: Callable[[], Sequence[Retained]], zone: tzinfo
) -> Removal:
    """Remove what *choose* names, from the choice to the last file while nobody else removes, folds or sets a hold.

    Args:
        archive, folder, given, zone: As for :func:`order`.
        choose: Looks at the archive and returns the inspections that go, none or more; what it raises ends the removal
            before anything is changed. What was chosen before somebody was asked may be gone or held by now.

    Raises:
        BadInput, IntegrityFailed: As :func:`order` and :func:`finish`.
    """
    if not archive.root.is_dir():  # nothing was ever committed: no lock can lie there, and none is needed
        return Removal(tuple(choose()), ())
    with folding_alone(archive.root):
        going = tuple(choose())
        if going:
            _order(archive, folder, given, going, zone)
        return Removal(going, tuple(_finish(archive, folder)))


def _order(
    archive: Archive, folder: ShopFolder, given: Order, going: Sequence[Retained], zone: tzinfo
) -> list[Tombstone]:
    demand_removable(archive, folder, given, going, zone)
    tombstones = list(_tombstones(archive, given, {one.inspection_id: one for one in going}))
    archive.commit_tombstones(tombstones)
    return tombstones


def demand_removable(
    archive: Archive, folder: ShopFolder, given: Order, going: Sequence[Retained], zone: tzinfo
) -> None:
    """Refuse the order where one of *going* may not go.

    Raises:
        BadInput: It was removed already, is held, its time is not over, or its journal lies open; nothing was changed.
        IntegrityFailed: A hold or a tombstone in the archive is not whole.
    """
    today = given.at.astimezone(zone).date()
    removed = {one.inspection_id: one for one in archive.tombstones() if one.removed_table == READINGS.name}
    holds = holds_set(archive.holds())  # anew: one may have been set since they were looked at
    for one in going:
        if not one.certificates_alone and (tombstone := removed.get(one.inspection_id)) is not None:
            raise BadInput(
                f"inspection {one.inspection_id}: was {removed_words(tombstone)} already; nothing was removed"
            )
        held = next((hold for hold in holds if is_held(one.inspection_id, one.customer, hold)), None)
        if held is not None:
            raise BadInput(
                f"inspection {one.inspection_id}: is held by {held.by} since {held.at.astimezone(zone).date()} "
                f"({held.reason}); nothing was removed; it may go once hold {held.hold_id} is lifted"
            )
        if not one.is_over(today):
            raise BadInput(
                f"inspection {one.inspection_id}: is kept until {one.kept_until} ({one.rule}); nothing was removed"
            )
        journal = folder.journals / f"{one.inspection_id}.journal"
        if journal.exists():
            raise BadInput(
                f"{journal}: lies open although the inspection is sealed; put it away with 'filmtally seal "
                f"{one.inspection_id}', then repeat; nothing was removed"
            )


def unfinished(archive: Archive, folder: ShopFolder) -> list[Path]:
    """Return what tombstones stand for and is still there: a removal was cut short.

    Raises:
        BadInput: A folder may not be read.
        IntegrityFailed: A file of the archive is not whole.
    """
    found: list[Path] = []
    for (table, month), dead in _by_month(archive.tombstones()).items():
        found += [path for name in dead if (path := archive.root / table / month / name).exists()]
        found += [s.rows_path for s in _segments_of(archive.root, table, month) if _doomed(s, dead)]
    return found + [path for path in _beside(folder, archive.tombstones()) if path.exists()]


def finish(archive: Archive, folder: ShopFolder) -> list[Path]:
    """Remove what the tombstones of *archive* stand for and is still there; return the files that are gone.

    Raises:
        BadInput: Something cannot be removed, or another program folds, removes or sets a hold; what is removed so far stays
            removed.
        IntegrityFailed: Something is not what its tombstone says, and is left alone.
    """
    if not archive.tombstones():
        return []
    with folding_alone(archive.root):
        return _finish(archive, folder)


def _finish(archive: Archive, folder: ShopFolder) -> list[Path]:
    tombstones = archive.tombstones()
    gone: list[Path] = []
    for (table, month), dead in sorted(_by_month(tombstones).items()):
        own = [archive.root / table / month / name for name in sorted(dead)]
        for path in own:
            if path.exists():
                _demand_the_same(table, path, dead[path.name])
        gone += _unlinked(own)
        for segment in _segments_of(archive.root, table, month):
            gone += _without(archive.root, segment, dead)
        gone += _unlinked(_unpublished(archive.root, table, month, dead))
    gone += _unlinked(_captures_of(folder, tombstones))
    gone += _unlinked(_beside(folder, tombstones))
    return gone


# ---- the order ------------------------------------------------------------------------------


def _tombstones(archive: Archive, given: Order, going: dict[str, Retained]) -> Iterator[Tombstone]:
    found = [one for one in listing.commits(archive.root, READINGS.name) if one.name.key in going]
    for one, record in zip(found, stored.records(found), strict=True):
        yield _tombstone(given, going[record.key], record, inspection_of(record, one.where))
    if not given.with_certificates:
        return
    register = {(c.number, c.revision): c for c in archive.certificates() if c.inspection_id in going}
    found = [
        one for one in listing.commits(archive.root, CERTIFICATES.name) if (one.name.key, one.name.revision) in register
    ]
    for record in stored.records(found):
        certificate = register[record.key, record.revision]
        yield _tombstone(given, going[certificate.inspection_id], record, certificate)


def _tombstone(given: Order, kept: Retained, record: Record, what: Inspection | Certificate) -> Tombstone:
    return Tombstone(
        removal_id=given.removal_id,
        removed_table=record.table,
        bench=record.bench,
        seq=record.seq,
        key=record.key,
        revision=record.revision,
        named_at=record.named_at,
        record_hash=record_hash(record.text()),
        previous=record.previous,
        content_sha256=record.content_sha256,
        rows=record.rows,
        inspection_id=what.inspection_id,
        lot=what.lot,
        part_no=what.part_no,
        customer=what.customer,
        pdf_name=what.pdf_name if isinstance(what, Certificate) else None,
        pdf_sha256=what.pdf_sha256 if isinstance(what, Certificate) else None,
        removed_at=given.at,
        by=given.by,
        reason=given.reason,
        kept_until=kept.kept_until,
        rule=kept.rule,
    )


# ---- in the archive -------------------------------------------------------------------------


def _by_month(tombstones: Iterable[Tombstone]) -> dict[tuple[str, str], dict[str, Tombstone]]:
    found: dict[tuple[str, str], dict[str, Tombstone]] = defaultdict(dict)
    for one in tombstones:
        _demand_sound(one)
        found[one.removed_table, month_of(one.named_at)][name_of(one).file_name] = one
    return found


def _demand_sound(one: Tombstone) -> None:
    """Refuse a tombstone by which something could go that no removal takes: its names lead to files."""
    of_readings = one.removed_table == READINGS.name
    if (
        one.removed_table not in _CONTRACTS
        or parse(name_of(one).file_name) is None
        or (of_readings and one.inspection_id != one.key)
        or (one.pdf_name is not None and (of_readings or Path(one.pdf_name).name != one.pdf_name))
    ):
        raise IntegrityFailed(
            f"the tombstone of {one.removed_table} {one.key} revision {one.revision} in the order {one.removal_id} is none; "
            "nothing more is removed; check the archive"
        )


def _segments_of(root: Path, table: str, month: str) -> list[Segment]:
    return [segment for segment in segments(root, table) if segment.month == month]


def _doomed(segment: Segment, dead: dict[str, Tombstone]) -> set[str]:
    return dead.keys() & set(names_of(segment).column("file_name").to_pylist())


def _demand_the_same(table: str, path: Path, tombstone: Tombstone) -> None:
    text = stored.record_text(listing.Stored(table, name_of(tombstone), path))
    if record_hash(text) != tombstone.record_hash:
        raise _another(path)


def _another(path: Path) -> IntegrityFailed:
    return IntegrityFailed(f"{path}: is not the commit whose removal was ordered; it is left alone; check the archive")


def _without(root: Path, segment: Segment, dead: dict[str, Tombstone]) -> list[Path]:
    """Put a segment in the place of *segment* that holds all of it but what is dead; return the files that are gone."""
    if not _doomed(segment, dead):
        return []
    records = records_of(segment)
    names: list[Any] = records.column("file_name").to_pylist()
    texts: list[Any] = records.column("record").to_pylist()
    spans = spans_of(records)
    kept = [index for index, name in enumerate(names) if name not in dead]
    for name, text in zip(names, texts, strict=True):
        if name in dead and record_hash(text) != dead[name].record_hash:
            raise _another(segment.records_path)
    if kept:
        commits = [(names[index], texts[index]) for index in kept]
        new = Segment(segment.table, segment.month, segment_id(record_hash(text) for _, text in commits), root)
        # One that is published already was so by a removal that was cut short.
        if not new.manifest_path.exists():
            every = rows_of(segment)
            rows = pa.concat_tables([every.slice(*spans[index]) for index in kept])
            write_segment(
                root, _CONTRACTS[segment.table], segment.month, commits, rows, prove=_proved, replaces=segment.id
            )
    rows_path, records_path, manifest_path = segment.paths
    # While a manifest is there a reader looks for both files behind it.
    return _unlinked([manifest_path]) + _unlinked([rows_path, records_path])


def _proved(segment: Segment) -> None:
    """Read *segment* back and compare every commit's rows with its record."""
    records = records_of(segment)
    found = contents_sha256(rows_of(segment), spans_of(records))
    texts: list[Any] = records.column("record").to_pylist()
    for text, content in zip(texts, found, strict=True):
        if record_of(text, str(segment.records_path)).content_sha256 != content:
            raise IntegrityFailed(
                f"{segment.rows_path}: was not read back as it was to be written; nothing was removed from this month; "
                "look after the disk, then check the archive"
            )


def _unpublished(root: Path, table: str, month: str, dead: dict[str, Tombstone]) -> list[Path]:
    """Return the files of segments of *month* that no manifest speaks for and that hold nothing which is not dead or elsewhere.

    A removal that was cut short behind a manifest leaves such. Where something would be lost they are left to the check.
    """
    found: list[Path] = []
    buried = [(one.record_hash, record_under(one)) for one in dead.values()]
    for segment, paths in sorted(unpublished(root, table).items(), key=lambda one: one[0].id):
        if segment.month != month:
            continue
        there = [one for one in listing.commits(root, table, month) if one.name.month == month]
        try:
            standing = [(record_hash(said.text()), said) for said in stored.records(there)]
            lost = standing_only_there(_CONTRACTS[table], segment, paths, standing)
            if lost and not standing_only_there(_CONTRACTS[table], segment, paths, [*standing, *buried]):
                found += paths
        except IntegrityFailed:
            continue
    return found


# ---- beside the archive ---------------------------------------------------------------------


def _captures_of(folder: ShopFolder, tombstones: Sequence[Tombstone]) -> list[Path]:
    """Return the kept captures that the journals under *tombstones* name and no other journal does."""
    going = [path for path in _journals_of(folder, tombstones) if path.is_file()]
    named = {found.decode() for path in going for found in _SHA256.findall(path.read_bytes())}
    named = {sha256 for sha256 in named if (folder.captures / f"{sha256}.capture").exists()}
    others = set(folder.journals.rglob("*.journal")) - set(going)
    for path in sorted(others) if named else []:
        named -= {found.decode() for found in _SHA256.findall(path.read_bytes())}
    return [folder.captures / f"{sha256}{ending}" for sha256 in sorted(named) for ending in (".taken", ".capture")]


def _journals_of(folder: ShopFolder, tombstones: Sequence[Tombstone]) -> list[Path]:
    dead = sorted({one.inspection_id for one in tombstones if one.removed_table == READINGS.name})
    return [folder.journals / "sealed" / f"{inspection_id}.journal" for inspection_id in dead]


def _beside(folder: ShopFolder, tombstones: Sequence[Tombstone]) -> list[Path]:
    pdfs = [folder.certificates / one.pdf_name for one in tombstones if one.pdf_name is not None]
    return [*_journals_of(folder, tombstones), *pdfs]


def _unlinked(paths: Sequence[Path]) -> list[Path]:
    """Remove those of *paths* that are there, durably, and return them.

    Raises:
        BadInput: One cannot be removed.
    """
    gone = []
    for path in paths:
        try:
            path.unlink()
        except FileNotFoundError:
            continue
        except OSError as wrong:
            raise cannot_remove(path, wrong) from None
        gone.append(path)
    for folder in sorted({path.parent for path in gone}):
        try:
            sync_folder(folder)
        except OSError as wrong:
            raise cannot_write(folder, wrong) from None
    return gone


def cannot_remove(path: Path, wrong: OSError) -> BadInput:
    """Return the sentence for *wrong*, met while *path* was to be removed."""
    return BadInput(
        f"{path}: could not be removed ({wrong.strerror or wrong}); its removal stays ordered; look after the disk, then "
        "finish with 'filmtally archive retain --remove'"
    )

"""Does the archive still hold what was committed? Every file opened, every hash and chain followed."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Literal

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from archive import listing, stored
from archive.agreement import disagreement
from archive.layout import LOCK_PREFIX, TABLE_FOLDERS, TEMPORARY_PREFIX, is_month, parse
from archive.ledger import NO_RECORD, Record, heads_of, inspection_of, record_hash, record_of
from archive.opening import reading
from schemas import parquet
from schemas.certificates import CERTIFICATES, Certificate
from schemas.column import Table
from schemas.errors import BadInput, IntegrityFailed
from schemas.gauge_checks import GAUGE_CHECKS
from schemas.readings import READINGS

Kind = Literal["missing", "changed", "unexpected", "leftover", "fork"]

_CONTRACTS: Final[dict[str, Table]] = {t.name: t for t in (READINGS, GAUGE_CHECKS, CERTIFICATES)}


@dataclass(frozen=True)
class Trouble:
    """One thing that is not as it was committed.

    Attributes:
        path: Where: a file, or the archive's folder.
        kind: missing, changed, unexpected, fork; or leftover, which is harmless.
        sentence: What a person is told: what, where, what to do.
    """

    path: Path
    kind: Kind
    sentence: str

    @property
    def harmless(self) -> bool:
        """Return whether the archive is whole all the same."""
        return self.kind == "leftover"


@dataclass(frozen=True)
class _Link:
    """A commit in a bench's chain."""

    path: Path
    record: Record
    hash: str


def check(root: Path, anchors: Sequence[str] = ()) -> list[Trouble]:
    """Return what is wrong with the archive at *root*, in the order found, or an empty list.

    Finds: files that are not whole or not of their table; rows that are not those that were
    committed; statistics in a file that would make a reader pass over its rows; a record that is
    not in its place in its bench's chain; commits missing from a chain; anything that an anchor
    knows otherwise; two files of the same revision; inspections that disagree with their readings;
    certificates of inspections that are not there; and files that do not belong.

    What no check can find from within: the last commits of a bench cut off, or rewritten with
    fitting hashes, where no anchor is given that was taken after them.

    Args:
        root: The archive's folder; one that does not exist is an empty archive.
        anchors: Ledger heads kept elsewhere. Those in the archive's certificates are always compared.

    Raises:
        BadInput: An anchor is not a ledger head, or a folder may not be read.
    """
    known = [heads_of(anchor, "the anchor") for anchor in anchors]
    # Listed twice: whatever a file of the first listing follows, or knows of, was there before it, so
    # the second listing has it, even where a bench commits meanwhile. What came later is examined by
    # itself; its chain is a matter for the next check.
    first = {one.path for one in _listed(root)}
    found = _listed(root)

    troubles = list(_strangers(root))
    links: list[_Link] = []
    certificates: list[tuple[Path, Certificate]] = []
    for one in found:
        link, troubles_here, rows = _examined(one)
        troubles += troubles_here
        if link is not None:
            links.append(link)
        if rows is not None and one.table == CERTIFICATES.name and one.path in first:
            certificates += [(one.path, row) for row in parquet.records(CERTIFICATES, rows)]
    away = {trouble.path for trouble in troubles if trouble.kind == "unexpected"}
    found = [one for one in found if one.path not in away]
    chains = _chains(links)
    unread = {(one.name.bench, one.name.seq) for one in found} - {(x.record.bench, x.record.seq) for x in links}
    upto: dict[str, int] = defaultdict(int)
    for one in found:
        if one.path in first:
            upto[one.name.bench] = max(upto[one.name.bench], one.name.seq)
    troubles += _broken_chains(root, chains, unread, upto)
    troubles += _twice(found)
    for heads in known:
        troubles += _against(root, heads, "an anchor kept elsewhere", chains, unread)
    there = {(one.name.key, one.name.revision) for one in found if one.table == READINGS.name}
    for path, certificate in certificates:
        troubles += _certificate(root, path, certificate, chains, unread, there)
    return list(dict.fromkeys(troubles))


def _listed(root: Path) -> list[listing.Stored]:
    return [one for table in TABLE_FOLDERS for one in listing.commits(root, table)]


# ---- what does not belong -------------------------------------------------------------------


def _strangers(root: Path) -> Iterator[Trouble]:
    for entry in _entries(root):
        if entry.name in TABLE_FOLDERS and entry.is_dir():
            for month in _entries(entry):
                if is_month(month.name) and month.is_dir():
                    yield from _strangers_in_month(month)
                else:
                    yield _stranger(month)
        elif not (entry.name.startswith(LOCK_PREFIX) and entry.is_file()):
            yield _stranger(entry)


def _strangers_in_month(month: Path) -> Iterator[Trouble]:
    for entry in _entries(month):
        name = parse(entry.name)
        if entry.name.startswith(TEMPORARY_PREFIX):
            yield Trouble(
                entry,
                "leftover",
                f"{entry}: left by a commit that was cut short, before it counted; harmless, no reader sees it; "
                "it may be removed when nothing is committing",
            )
        elif name is None or not entry.is_file():
            yield _stranger(entry)
        elif name.month != month.name:
            yield Trouble(
                entry,
                "unexpected",
                f"{entry}: by its name belongs to {name.month}; nobody commits so; move it back or away",
            )


def _stranger(entry: Path) -> Trouble:
    return Trouble(entry, "unexpected", f"{entry}: does not belong in the archive; look what it is and move it away")


def _entries(folder: Path) -> list[Path]:
    try:
        return sorted(folder.iterdir())
    except FileNotFoundError:
        return []
    except PermissionError:
        raise BadInput(f"{folder}: this folder may not be read; ask whoever owns it") from None


# ---- one file -------------------------------------------------------------------------------


def _examined(one: listing.Stored) -> tuple[_Link | None, list[Trouble], pa.Table | None]:
    """Return the file's place in its chain, what is wrong with it, and its rows where they hold."""
    contract = _CONTRACTS[one.table]
    try:
        text = stored.record_text(one.path)
        record = record_of(text, str(one.path))
    except IntegrityFailed as wrong:
        return None, [Trouble(one.path, "changed", wrong.sentence)], None
    if (wrong_place := stored.misplaced(record, one)) is not None:
        return None, [Trouble(one.path, "unexpected", wrong_place)], None
    link = _Link(one.path, record, record_hash(text))
    try:
        rows = stored.rows(contract, one)
        troubles = [
            Trouble(one.path, "changed", f"{one.path}: {what}") for what in _faults(contract, one, record, rows)
        ]
    except IntegrityFailed as wrong:
        return link, [Trouble(one.path, "changed", wrong.sentence)], None
    return link, troubles, rows


def _faults(contract: Table, one: listing.Stored, record: Record, rows: pa.Table) -> Iterator[str]:
    if record.table_version == contract.version:
        # The content hash covers the values; these would mislead whoever reads the file without us.
        if not rows.schema.equals(contract.arrow_schema, check_metadata=False) or any(
            rows.schema.field(c.name).metadata != contract.arrow_schema.field(c.name).metadata for c in contract.columns
        ):
            yield "the meaning or unit of a column is not as declared; restore the file from a copy"
        if (name := _false_statistic(one.path, rows)) is not None:
            yield f"its statistics of {name} are not those of its rows; restore the file from a copy"
    if one.table == READINGS.name:
        inspection = inspection_of(record, str(one.path))
        if (inspection.inspection_id, inspection.revision) != (record.key, record.revision):
            yield f"its inspection is {inspection.inspection_id} revision {inspection.revision}, its name says otherwise"
        elif (wrong := disagreement(inspection, rows)) is not None:
            yield f"{wrong}; it was not committed so by this program"
    elif one.table == GAUGE_CHECKS.name:
        if set(rows.column("check_id").to_pylist()) != {record.key}:
            yield "holds rows of another check than its name says"
    elif [(n, r) for n, r in zip(*(rows.column(c).to_pylist() for c in ("number", "revision")), strict=True)] != [
        (record.key, record.revision)
    ]:
        yield "holds another certificate than its name says"


def _false_statistic(path: Path, rows: pa.Table) -> str | None:
    """Return the first column whose statistics disagree with its rows: readers skip rows by them."""
    with reading(path):
        return _first_false(pq.read_metadata(path), rows)


def _first_false(metadata: pq.FileMetaData, rows: pa.Table) -> str | None:
    start = 0
    for group in range(metadata.num_row_groups):
        info = metadata.row_group(group)
        part = rows.slice(start, info.num_rows)
        start += info.num_rows
        for index in range(info.num_columns):
            chunk = info.column(index)
            statistics = chunk.statistics
            if statistics is None or "." in chunk.path_in_schema:  # a list's entries
                continue
            if chunk.path_in_schema not in rows.column_names:
                return str(chunk.path_in_schema)
            column = part.column(chunk.path_in_schema)
            if statistics.null_count is not None and statistics.null_count != column.null_count:
                return chunk.path_in_schema
            if statistics.has_min_max:
                ends: Any = pc.min_max(column).as_py()
                if not _at_or_beyond(statistics, ends):
                    return chunk.path_in_schema
    return None


def _at_or_beyond(statistics: Any, ends: dict[str, Any]) -> bool:
    """Return whether the statistics' ends take in the rows' own: no reader then passes over a row."""
    if ends["min"] is None:
        return False
    try:
        return bool(statistics.min <= ends["min"] and statistics.max >= ends["max"])
    except TypeError:
        return False


# ---- the chains -----------------------------------------------------------------------------


def _chains(links: Iterable[_Link]) -> dict[str, dict[int, list[_Link]]]:
    chains: dict[str, dict[int, list[_Link]]] = defaultdict(lambda: defaultdict(list))
    for link in links:
        chains[link.record.bench][link.record.seq].append(link)
    return chains


def _broken_chains(
    root: Path, chains: dict[str, dict[int, list[_Link]]], unread: set[tuple[str, int]], upto: dict[str, int]
) -> Iterator[Trouble]:
    for bench, last in sorted(upto.items()):
        chain = chains.get(bench, {})
        gap: list[int] = []
        for seq in range(1, last + 2):
            if seq <= last and seq not in chain and (bench, seq) not in unread:
                gap.append(seq)
                continue
            if gap:
                yield _missing(root, bench, gap[0], gap[-1], "later ones are there")
                gap = []
        for seq, here in sorted(chain.items()):
            for other in here[1:]:
                yield Trouble(
                    other.path,
                    "fork",
                    f"{here[0].path} and {other.path} are both commit {seq} of bench {bench}: two computers use that "
                    "name, or an archive was brought back from a copy and gone on with; give each its own bench name",
                )
            for link in here:
                if seq == 1 and link.record.previous != NO_RECORD:
                    yield Trouble(
                        link.path,
                        "changed",
                        f"{link.path}: is the first commit of bench {bench}, and says that it follows another; "
                        "restore it from a copy",
                    )
                before = chain.get(seq - 1, [])
                if before and link.record.previous not in [one.hash for one in before]:
                    blamed = before[0].path
                    yield Trouble(
                        blamed,
                        "changed",
                        f"{blamed}: is not the commit {seq - 1} of bench {bench} that commit {seq} followed "
                        f"({link.path.name}); one of the two was rewritten; restore it from a copy",
                    )


def _missing(root: Path, bench: str, first: int, last: int, why: str) -> Trouble:
    which = f"commit {first}" if first == last else f"commits {first} to {last}"
    verb = "is" if first == last else "are"
    return Trouble(root, "missing", f"{root}: {which} of bench {bench} {verb} missing ({why}); restore from a copy")


def _against(
    root: Path,
    heads: dict[str, tuple[int, str]],
    whose: str,
    chains: dict[str, dict[int, list[_Link]]],
    unread: set[tuple[str, int]],
) -> Iterator[Trouble]:
    for bench, (seq, held) in sorted(heads.items()):
        here = chains.get(bench, {}).get(seq, [])
        if here and held not in [link.hash for link in here]:
            yield Trouble(
                here[0].path,
                "changed",
                f"{here[0].path}: is not the commit {seq} of bench {bench} that {whose} knows; restore it from a copy",
            )
        if not here and (bench, seq) not in unread:
            last = max([0, *chains.get(bench, {}), *(s for b, s in unread if b == bench)])
            first = last + 1 if last < seq else seq
            yield _missing(root, bench, first, seq, f"{whose} knows of commit {seq}")


def _certificate(
    root: Path,
    path: Path,
    certificate: Certificate,
    chains: dict[str, dict[int, list[_Link]]],
    unread: set[tuple[str, int]],
    there: set[tuple[str, int]],
) -> Iterator[Trouble]:
    name = f"certificate {certificate.number} revision {certificate.revision}"
    try:
        yield from _against(root, heads_of(certificate.ledger_head, str(path)), name, chains, unread)
    except BadInput as wrong:
        yield Trouble(path, "changed", wrong.sentence)
    if (certificate.inspection_id, certificate.inspection_revision) not in there:
        yield Trouble(
            root,
            "missing",
            f"{root}: inspection {certificate.inspection_id} revision {certificate.inspection_revision} is missing "
            f"({name} states it); restore it from a copy",
        )


# ---- forks ----------------------------------------------------------------------------------


def _twice(found: Iterable[listing.Stored]) -> Iterator[Trouble]:
    held: dict[tuple[str, str, int], list[listing.Stored]] = defaultdict(list)
    for one in found:
        held[one.table, one.name.key, one.name.revision].append(one)
    for ones in held.values():
        for other in ones[1:]:
            yield Trouble(other.path, "fork", listing.fork_sentence(ones[0], other))

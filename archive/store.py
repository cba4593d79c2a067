"""The archive: what was sealed, checked and issued, kept for good.

A commit is one immutable file; what it says of itself lies in its footer (ledger.py), where it lies
is in layout.py. A month that is over is folded (fold.py); whoever reads does not care. Nothing is overwritten. Reading needs no lock and no right to write;
committing takes a lock that only the same bench on the same archive ever waits for.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, contextmanager, suppress
from datetime import UTC, datetime, timedelta
from functools import partial
from itertools import islice
from pathlib import Path
from typing import Any, Final

import pyarrow as pa

from archive import checking, exporting, listing, segments, stored
from archive.agreement import disagreement
from archive.commit import make_folder, write_once
from archive.content import content_sha256
from archive.index import Entry, ListedInspection, Singles, Wanted
from archive.layout import (
    LOCK_PREFIX,
    TABLE_FOLDERS,
    CommitName,
    checked_bench,
    checked_key,
    checked_revision,
    first_month,
    id_time,
    month_of,
    name_time,
    next_seq,
)
from archive.ledger import (
    NO_RECORD,
    RECORD_KEY,
    Record,
    canonical,
    facts_of,
    heads_of,
    inspection_of,
    record_hash,
)
from archive.locking import held_alone
from archive.own_hash import NO_HASH, OWN_HASH_KEY, with_own_hash
from archive.selection import Chosen, Selection, choose, valid
from archive.tombstones import last_under, name_of, removed_words
from schemas import parquet
from schemas.certificates import CERTIFICATES, Certificate
from schemas.column import Table
from schemas.errors import BadInput, IntegrityFailed
from schemas.gauge_checks import GAUGE_CHECKS, GaugeCheck
from schemas.holds import HOLDS, Hold
from schemas.inspections import INSPECTIONS, Inspection
from schemas.readings import READINGS, GaugeReading
from schemas.tables import TABLES
from schemas.tombstones import TOMBSTONES, Tombstone
from schemas.vocabulary import CheckKind

_LOCK_SECONDS: Final = 30.0
#: So many commits' rows are made Python's at once.
_AT_ONCE: Final = 512
#: From so many rows on, two things at once are done sooner than one after the other.
_MANY_ROWS: Final = 50_000
#: Under so many single files, and with nothing folded, they are read sooner than an index is asked.
_MANY_FILES: Final = 500
#: How far a gauge's or another computer's clock may be ahead before a time counts as mistyped.
_CLOCKS_APART: Final = timedelta(days=1)


class Archive:
    """A shop's archive, as one bench sees it.

    Attributes:
        root: The archive's folder. It need not exist: then the archive is empty.
        bench: Name of the computer that commits: 1 to 16 small letters and digits.
    """

    def __init__(self, root: Path, bench: str) -> None:
        """Open the archive at *root*; nothing is read or written yet.

        Raises:
            BadInput: *root* is a file, or *bench* is not a bench's name.
        """
        if root.exists() and not root.is_dir():
            raise BadInput(f"{root}: this is a file, not an archive's folder; name the folder")
        self.root = root
        self.bench = checked_bench(bench)
        self._folders = listing.Folders(root)
        self._own_last: tuple[str, str] | None = None  # file name and record hash; a file never changes
        # As above: who certifies a hundred inspections asks for every check and certificate a hundred times.
        # By the name of the commit's single file, which it keeps when it is folded.
        self._certificates: dict[str, list[Certificate]] = {}
        self._checks: dict[str, list[GaugeCheck]] = {}
        self._inspections: dict[str, Inspection] = {}
        self._holds: dict[str, list[Hold]] = {}
        self._tombstones: dict[str, list[Tombstone]] = {}

    def close(self) -> None:
        """Close the index; whatever is asked next opens it again."""
        self._folders.index.close()

    # ---- committing -------------------------------------------------------------------------

    def commit_inspection(self, inspection: Inspection, readings: pa.Table) -> Path:
        """Commit *inspection* with its *readings*, ordered by reading_no; return the file.

        The readings are columns of READINGS. The commit's time is inspection.sealed_at.

        Raises:
            BadInput: The revision exists already, or does not follow the one that it supersedes;
                inspection and readings disagree; or the archive cannot be written to.
            IntegrityFailed: The bench's last commit cannot be read.
        """
        key, revision = inspection.inspection_id, inspection.revision
        checked_key("inspection", key)
        checked_revision("inspection", key, revision)
        if revision == 1 and inspection.supersedes is not None:
            raise BadInput(f"inspection {key}: revision 1 is the first and supersedes nothing; nothing was changed")
        if revision > 1 and inspection.supersedes != revision - 1:
            raise BadInput(
                f"inspection {key}: revision {revision} supersedes revision {revision - 1} and must say so; "
                "nothing was changed"
            )
        facts = facts_of(inspection)

        def refuse() -> None:
            there = {one.name.revision for one in listing.find(self._folders, "readings", key)}
            if revision in there:
                raise BadInput(
                    f"inspection {key}: revision {revision} is in the archive already; "
                    f"a correction is revision {max(there) + 1}; nothing was changed"
                )
            if revision > 1 and revision - 1 not in there:
                raise BadInput(
                    f"inspection {key}: revision {revision} supersedes revision {revision - 1}, which is not in the "
                    "archive; nothing was changed"
                )

        _demand_columns(READINGS, readings)
        if (wrong := disagreement(inspection, readings)) is not None:
            raise BadInput(f"inspection {key}: {wrong}; nothing was changed")
        return self._commit(READINGS, readings, key, revision, inspection.sealed_at, refuse, facts)

    def commit_checks(self, checks: Sequence[GaugeCheck], at: datetime) -> Path:
        """Commit *checks*, the rows of one check, at the time *at*; return the file.

        Raises:
            BadInput: There are none, they are of several checks, or the check is in the archive
                already; or the archive cannot be written to.
            IntegrityFailed: The bench's last commit cannot be read.
        """
        key = _only_key("check", "rows", (check.check_id for check in checks))
        rows = parquet.table_of(GAUGE_CHECKS, checks)
        done_at = max(check.done_at for check in checks)
        if done_at > at + _CLOCKS_APART:
            raise BadInput(
                f"check {key}: was done at {done_at:%Y-%m-%d %H:%M} UTC, and it is only {at:%Y-%m-%d %H:%M}; "
                "correct the time; nothing was changed"
            )
        refuse = partial(self._refuse_known, GAUGE_CHECKS, "check", key)
        return self._commit(GAUGE_CHECKS, rows, key, 1, at, refuse, not_before=done_at)

    def commit_certificate(self, certificate: Certificate) -> Path:
        """Commit *certificate* to the register at its issued_at; return the file.

        Raises:
            BadInput: Its number and revision are in the archive already, or what it supersedes is
                not; or the archive cannot be written to.
            IntegrityFailed: The bench's last commit cannot be read.
        """
        key, revision, old = certificate.number, certificate.revision, certificate.supersedes
        checked_key("certificate", key)
        checked_revision("certificate", key, revision)

        def refuse() -> None:
            there = {one.name.revision for one in listing.find(self._folders, "certificates", key)}
            if revision in there:
                raise BadInput(f"certificate {key}: revision {revision} is in the archive already; nothing was changed")
            if old is not None and (old >= revision or old not in there):
                raise BadInput(
                    f"certificate {key}: revision {revision} supersedes revision {old}, which is not an earlier one "
                    "in the archive; nothing was changed"
                )

        rows = parquet.table_of(CERTIFICATES, [certificate])
        started = id_time(certificate.inspection_id)
        return self._commit(CERTIFICATES, rows, key, revision, certificate.issued_at, refuse, not_before=started)

    def commit_hold(self, hold: Hold) -> Path:
        """Commit *hold*, as it was set or lifted, at its time; return the file.

        Raises:
            BadInput: It was set or lifted already, or is lifted and never was set; or the archive cannot be written to.
            IntegrityFailed: The bench's last commit cannot be read.
        """
        key, revision = checked_key("hold", hold.hold_id), hold.revision

        def refuse() -> None:
            there = {one.name.revision for one in listing.find(self._folders, "holds", key)}
            if there != set(range(1, revision)) or revision != {"set": 1, "lifted": 2}[hold.state]:
                raise BadInput(f"hold {key}: cannot be {hold.state} now; nothing was changed")

        return self._commit(HOLDS, parquet.table_of(HOLDS, [hold]), key, revision, hold.at, refuse)

    def commit_tombstones(self, tombstones: Sequence[Tombstone]) -> Path:
        """Commit *tombstones*, those of one order, at its time; return the file.

        Raises:
            BadInput: There are none, or they are of several orders, or the order is in the archive already, or a tombstone of
                one of the commits is; or the archive cannot be written to.
            IntegrityFailed: The bench's last commit cannot be read.
        """
        key = _only_key("order", "tombstones", (one.removal_id for one in tombstones))
        rows = parquet.table_of(TOMBSTONES, tombstones)
        at, named_at = tombstones[0].removed_at, max(one.named_at for one in tombstones)

        def refuse() -> None:
            self._refuse_known(TOMBSTONES, "order", key)
            # Two tombstones for one commit would be a fork of its chain, for good.
            there = {(one.bench, one.seq): one for one in self.tombstones()}
            for one in tombstones:
                if (earlier := there.get((one.bench, one.seq))) is not None:
                    raise BadInput(
                        f"{one.removed_table} {one.key} revision {one.revision}: was {removed_words(earlier)} already; "
                        "nothing was changed"
                    )
                there[one.bench, one.seq] = one

        return self._commit(TOMBSTONES, rows, key, 1, at, refuse, not_before=named_at)

    def _refuse_known(self, contract: Table, kind: str, key: str) -> None:
        if listing.find(self._folders, contract.name, key):
            raise BadInput(f"{kind} {key}: is in the archive already; nothing was changed")

    def _commit(
        self,
        contract: Table,
        rows: pa.Table,
        key: str,
        revision: int,
        at: datetime,
        refuse: Callable[[], None],
        facts: Mapping[str, Any] | None = None,
        not_before: datetime | None = None,
    ) -> Path:
        with _content_of(rows) as content, self._locked():
            refuse()
            last, previous = self._last()
            named_at = name_time(at, key, last, not_before)
            seq = next_seq(last, self.bench)
            all_but_content = partial(
                Record,
                table=contract.name,
                table_version=contract.version,
                key=key,
                revision=revision,
                bench=self.bench,
                seq=seq,
                committed_at=at,
                named_at=named_at,
                previous=previous,
                rows=rows.num_rows,
                facts=facts,
                facts_version=None if facts is None else INSPECTIONS.version,
            )
            record = ""

            def footer() -> dict[str, str]:
                nonlocal record
                record = all_but_content(content_sha256=content()).text()
                return {RECORD_KEY: record, OWN_HASH_KEY: NO_HASH}

            name = CommitName(named_at, self.bench, seq, key, revision)
            folder = self.root / contract.name / name.month
            file = pa.BufferOutputStream()
            parquet.write(contract, rows, file, footer)
            path = folder / name.file_name
            whole = with_own_hash(memoryview(file.getvalue()))
            make_folder(folder)
            try:
                write_once(path, whole)
            except BadInput:
                if folder.is_dir():
                    raise
                make_folder(folder)  # a fold found it empty, and removed it before the file was in it
                write_once(path, whole)
            self._own_last = (name.file_name, record_hash(record))
            return path

    def _last(self) -> tuple[CommitName | None, str]:
        """Return the name of the bench's last commit and the hash of its record, also of one that was removed since."""
        last = listing.last_of_bench(self.root, self.bench)
        # No tombstone is named with an earlier time than what lies under it.
        buried = last_under(self.tombstones("" if last is None else last.name.month)).get(self.bench)
        if buried is not None and (last is None or buried.seq > last.name.seq):
            return name_of(buried), buried.record_hash
        return (None, NO_RECORD) if last is None else (last.name, self._hash_of(last))

    def _hash_of(self, last: listing.Stored) -> str:
        if self._own_last is not None and self._own_last[0] == last.name.file_name:
            return self._own_last[1]
        try:
            return record_hash(stored.record(last).text())
        except IntegrityFailed as wrong:
            raise IntegrityFailed(
                f"{wrong.sentence}; until then bench {self.bench!r} cannot go on, another bench name can"
            ) from None

    def _locked(self) -> AbstractContextManager[None]:
        make_folder(self.root)
        return held_alone(
            self.root / f"{LOCK_PREFIX}{self.bench}",
            _LOCK_SECONDS,
            f"{self.root}: another program has been committing as bench {self.bench!r}",
        )

    # ---- looking up -------------------------------------------------------------------------

    def inspections(self, all_revisions: bool = False) -> list[Inspection]:
        """Return the inspections, oldest commit first: the valid revision of each, or all revisions.

        Raises:
            IntegrityFailed: Two files hold the same valid revision of an inspection, or a file is
                not whole.
            BadInput: The archive may not be read.
        """
        found = listing.commits(self.root, "readings")
        if not all_revisions:
            found = valid(found)
        return self._read(found)

    def listed(
        self,
        *,
        number: str | None = None,
        beginning: str | None = None,
        part_no: str | None = None,
        lot: str | None = None,
        customer: str | None = None,
        gauge_serial: str | None = None,
        since: datetime | None = None,
        before: datetime | None = None,
        all_revisions: bool = False,
    ) -> list[ListedInspection]:
        """Return what is known at a glance of the inspections that are asked for, oldest commit first.

        In a large archive this opens no file but those of the newest inspections. What it says of a folded inspection
        is the index's word; :meth:`chosen` reads the records.

        Args:
            number: Their number.
            beginning: What their number begins with.
            part_no, lot, customer, gauge_serial: What they say, letter by letter.
            since: Sealed then or later.
            before: Sealed earlier than that.
            all_revisions: Whether superseded revisions are asked for too.

        Raises:
            IntegrityFailed, BadInput: As :meth:`inspections`.
        """
        wanted = Wanted(number, beginning, part_no, lot, customer, gauge_serial, since, before, all_revisions)
        if number is None and (entries := self._entries(wanted)) is not None:
            return [entry.inspection for entry in entries]
        every = self._fitting(wanted)
        last = {one.inspection_id: one.revision for one in sorted(every, key=lambda one: one.revision)}
        return [ListedInspection.of(one, superseded=one.revision < last[one.inspection_id]) for one in every]

    def chosen(
        self,
        *,
        number: str | None = None,
        beginning: str | None = None,
        part_no: str | None = None,
        lot: str | None = None,
        customer: str | None = None,
        gauge_serial: str | None = None,
        since: datetime | None = None,
        before: datetime | None = None,
        all_revisions: bool = False,
    ) -> list[Inspection]:
        """Return the inspections that are asked for, oldest commit first; see :meth:`listed`.

        Raises:
            IntegrityFailed, BadInput: As :meth:`inspections`.
        """
        wanted = Wanted(number, beginning, part_no, lot, customer, gauge_serial, since, before, all_revisions)
        if number is None and (entries := self._entries(wanted)) is not None:
            ones = [self._stored(entry) for entry in entries]
            with suppress(IntegrityFailed):
                found = self._read(ones)
                if all(map(wanted.fits, found)):
                    return found
            # The index says what is not so, or something is not whole: then reading it all says what.
            self._folders.index.forget()
        return self._fitting(wanted)

    def _entries(self, wanted: Wanted) -> list[Entry] | None:
        """Return what the index says, or None where there is no index, or so few inspections that none is needed."""
        singles = {one.name: one for one in self._folders.singles("readings")}
        if len(singles) < _MANY_FILES and not segments.segments(self.root, "readings"):
            return None
        entries = self._folders.index.listed(
            wanted, Singles(frozenset(singles), lambda name: stored.record_text(singles[name]))
        )
        if entries is not None and not wanted.all_revisions:
            by_key: dict[str, list[listing.Stored]] = defaultdict(list)
            for entry in entries:
                own = singles.get(entry.name) if entry.place is None else None
                by_key[entry.name.key].append(own or self._stored(entry))
            for ones in by_key.values():
                listing.the_one(ones)  # says so where two hold the valid revision
        return entries

    def _stored(self, entry: Entry) -> listing.Stored:
        name, place = entry.name, entry.place
        own = self.root / "readings" / name.month / name.file_name
        return listing.Stored("readings", name, own if place is None else place.segment.rows_path, place)

    def _fitting(self, wanted: Wanted) -> list[Inspection]:
        if wanted.number is None:
            every = self.inspections(wanted.all_revisions)
        else:
            found = sorted(
                listing.find(self._folders, "readings", wanted.number),
                key=lambda one: (one.name.at, one.name.file_name),
            )
            every = self._read(found if wanted.all_revisions else valid(found))
        return [one for one in every if wanted.fits(one)]

    def inspection(self, inspection_id: str, revision: int | None = None) -> Inspection:
        """Return the inspection, in its valid revision or the given one.

        Raises:
            BadInput: There is none.
            IntegrityFailed: Two files hold that revision, or its file is not whole.
        """
        return self._inspection(self._find(inspection_id, revision))

    def readings(self, inspection_id: str, revision: int | None = None) -> pa.Table:
        """Return the inspection's readings by reading_no, shown to be those that were committed.

        Raises:
            BadInput: There is no such inspection.
            IntegrityFailed: Two files hold that revision, or its rows are not those that were committed.
        """
        return stored.rows(READINGS, self._find(inspection_id, revision))

    def reading_records(self, inspection_id: str, revision: int | None = None) -> list[GaugeReading]:
        """Return the inspection's readings by reading_no, as records.

        Raises:
            BadInput, IntegrityFailed: As :meth:`readings`.
        """
        return parquet.records(READINGS, self.readings(inspection_id, revision))

    def each_reading_records(self, inspections: Iterable[Inspection]) -> Iterator[list[GaugeReading]]:
        """Yield of each of *inspections*, in its revision, the :meth:`reading_records`; faster than one by one.

        Raises:
            BadInput, IntegrityFailed: As :meth:`readings`.
        """
        found = [self._find(one.inspection_id, one.revision) for one in inspections]
        for rows in stored.every_rows(READINGS, found):
            yield parquet.records(READINGS, rows)

    def checks(
        self,
        gauge_serial: str | None = None,
        since: datetime | None = None,
        before: datetime | None = None,
        *,
        lasting: Collection[CheckKind] = (),
    ) -> list[GaugeCheck]:
        """Return the rows of the gauge checks by done_at, of one gauge or all.

        Args:
            gauge_serial: The gauge; None for all.
            since: Leave out what was done earlier; None for all.
            before: Leave out what was not done earlier than that; None for all.
            lasting: Kinds of checks that are wanted whenever they were done.

        Raises:
            IntegrityFailed: A file is not whole, or its rows are not those that were committed.
            BadInput: The archive may not be read.
        """
        found = None
        if gauge_serial is not None:
            found = listing.checks_of(self._folders, gauge_serial, since, before, lasting)
        if found is None:
            # No check is named with an earlier time than it was done at, so earlier months need no look.
            from_month = "" if since is None or lasting else month_of(since)
            found = listing.commits(self.root, GAUGE_CHECKS.name, from_month)
        return sorted(
            (
                row
                for row in self._rows_of(GAUGE_CHECKS, self._checks, found)
                if (gauge_serial is None or row.gauge_serial == gauge_serial)
                and (
                    ((since is None or row.done_at >= since) and (before is None or row.done_at < before))
                    or row.kind in lasting
                )
            ),
            key=lambda row: (row.done_at, row.check_id),
        )

    def certificates(
        self, inspection_id: str | None = None, since: datetime | None = None, *, of: Collection[str] | None = None
    ) -> list[Certificate]:
        """Return the issued certificates in every revision, oldest first: of one inspection, of those in *of*, or all.

        With *since*, those committed in its month or later.

        Raises:
            IntegrityFailed: A file is not whole, or its row is not the one that was committed.
            BadInput: The archive may not be read.
        """
        wanted = of if inspection_id is None else {inspection_id}
        from_month = max(
            "" if wanted is None else min(map(first_month, wanted), default="9999-12"),
            "" if since is None else month_of(since),
        )
        rows = self._every(CERTIFICATES, self._certificates, from_month)
        return [row for row in rows if wanted is None or row.inspection_id in wanted]

    def certificate_of_pdf(self, pdf_sha256: str) -> Certificate | None:
        """Return the certificate whose signed PDF has that SHA-256 (hex), or None where none has.

        Raises:
            IntegrityFailed, BadInput: As :meth:`certificates`.
        """
        wanted = pdf_sha256.lower()
        return next((row for row in self.certificates() if row.pdf_sha256.lower() == wanted), None)

    def holds(self) -> list[Hold]:
        """Return every hold as it was set, and as it was lifted, oldest first.

        Raises:
            IntegrityFailed: A file is not whole, or its row is not the one that was committed.
            BadInput: The archive may not be read.
        """
        return self._every(HOLDS, self._holds, "")

    def tombstones(self, from_month: str = "") -> list[Tombstone]:
        """Return the tombstones of all orders in *from_month* and later, oldest first.

        Raises:
            IntegrityFailed: A file is not whole, or its rows are not those that were committed.
            BadInput: The archive may not be read.
        """
        return self._every(TOMBSTONES, self._tombstones, from_month)

    def _every(self, contract: Table, kept: dict[str, list[Any]], from_month: str) -> list[Any]:
        """Return the rows in *from_month* and later, by commit; those not in *kept* are read and kept there."""
        return self._rows_of(contract, kept, listing.commits(self.root, contract.name, from_month))

    def _rows_of(self, contract: Table, kept: dict[str, list[Any]], found: Sequence[listing.Stored]) -> list[Any]:
        """Return the rows of *found*, by commit; those not in *kept* are read and kept there."""
        new = [one for one in found if one.name.file_name not in kept]
        tables = stored.every_rows(contract, new)
        for begin in range(0, len(new), _AT_ONCE):
            # Few rows each: to make them Python's one commit after the other takes several times as long.
            some = list(islice(tables, _AT_ONCE))
            rows = iter(parquet.records(contract, pa.concat_tables(some).combine_chunks()))
            for one, table in zip(new[begin : begin + _AT_ONCE], some, strict=True):
                kept[one.name.file_name] = list(islice(rows, table.num_rows))
        return [row for one in found for row in kept[one.name.file_name]]

    def _find(self, inspection_id: str, revision: int | None) -> listing.Stored:
        one = listing.the_one(listing.find(self._folders, "readings", inspection_id, revision))
        if one is None:
            which = f"inspection {inspection_id!r}" + ("" if revision is None else f" in revision {revision}")
            raise BadInput(f"{self.root}: there is no {which}; 'filmtally history' lists those that there are")
        return one

    def _read(self, found: Sequence[listing.Stored]) -> list[Inspection]:
        new = [one for one in found if one.name.file_name not in self._inspections]
        for one, said in zip(new, stored.records(new), strict=True):
            self._inspections[one.name.file_name] = inspection_of(said, one.where)
        return [self._inspections[one.name.file_name] for one in found]

    def _inspection(self, one: listing.Stored) -> Inspection:
        file_name = one.name.file_name
        if file_name not in self._inspections:
            self._inspections[file_name] = inspection_of(stored.record(one), one.where)
        return self._inspections[file_name]

    def is_empty(self) -> bool:
        """Return whether the archive has no commit at all.

        Raises:
            IntegrityFailed: A segment's records cannot be read.
            BadInput: The archive may not be read.
        """
        return not any(listing.commits(self.root, table) for table in TABLE_FOLDERS)

    # ---- vouching ---------------------------------------------------------------------------

    def head(self) -> str:
        """Return the ledger's head: each bench's last sequence number and record hash, as JSON.

        Raises:
            IntegrityFailed: A bench's last commit cannot be read.
            BadInput: The archive may not be read.
        """
        heads: dict[str, dict[str, Any]] = {
            bench: {"seq": one.name.seq, "record": record_hash(stored.record(one).text())}
            for bench, one in listing.lasts(self._folders).items()
        }
        for bench, buried in last_under(self.tombstones()).items():
            if bench not in heads or buried.seq > heads[bench]["seq"]:
                heads[bench] = {"seq": buried.seq, "record": buried.record_hash}
        return canonical(heads)

    def unlike_head(self, head: str, where: str) -> str | None:
        """Return in a sentence how this archive differs from a ledger head that was kept elsewhere, or None.

        Looks at the commits that the head names and at nothing before them; :meth:`check` follows the whole chain.

        Args:
            head: The head, as :meth:`head` gave it when it was kept.
            where: What holds it, for the sentence.

        Raises:
            BadInput: *head* is no ledger head, or a folder may not be read.
            IntegrityFailed: A commit that it names cannot be read.
        """
        heads = heads_of(head, where)
        named = {
            (one.name.bench, one.name.seq): one
            for table in TABLE_FOLDERS
            for one in listing.commits(self.root, table)
            if one.name.bench in heads
        }
        removed = {(one.bench, one.seq): one.record_hash for one in self.tombstones()}
        for bench, (seq, held) in sorted(heads.items()):
            one = named.get((bench, seq))
            if one is None and removed.get((bench, seq)) == held:
                continue
            if one is None:
                return f"The archive has no commit {seq} of bench {bench}, which {where} knows of."
            if record_hash(stored.record(one).text()) != held:
                return f"Commit {seq} of bench {bench} in the archive is not the one that {where} knows."
        return None

    def check(self, anchors: Sequence[str] = ()) -> list[checking.Trouble]:
        """Return what is wrong with the archive, or an empty list.

        Args:
            anchors: Ledger heads kept elsewhere, such as those printed in certificates. Those in
                the archive's own register are always compared.

        Raises:
            BadInput: An anchor is not a ledger head, or the archive may not be read.
        """
        return checking.check(self.root, anchors)

    def export(
        self, table_name: str, path: Path, selection: Selection | None = None, *, replace: bool = False
    ) -> Chosen:
        """Write what *selection* chooses of a table to *path*: .parquet, .csv or .xlsx; return what was written.

        Args:
            table_name: The table.
            path: The file.
            selection: What is chosen; None is the whole table, every revision of it.
            replace: Write over a file that is there.

        Raises:
            BadInput: There is no such table, its rows do not say what is chosen by, the suffix is another, *path* is there
                or cannot be written, or a sheet has no room for the rows.
            IntegrityFailed: A file of the archive is not whole.
        """
        if table_name not in TABLES:
            raise BadInput(f"there is no table {table_name!r}; there are: {', '.join(TABLES)}")
        exporting.demand_place(path, replace=replace)
        chosen = choose(self.root, TABLES[table_name], selection or Selection(UTC))
        exporting.export(chosen, path, replace=replace)
        return chosen


@contextmanager
def _content_of(rows: pa.Table) -> Iterator[Callable[[], str]]:
    """Give what returns the content hash of *rows*: of many rows it is found on a thread beside, while they are written."""
    if rows.num_rows < _MANY_ROWS:
        content = content_sha256(rows)
        yield lambda: content
        return
    from concurrent.futures import ThreadPoolExecutor

    with ThreadPoolExecutor(max_workers=1) as beside:
        yield beside.submit(content_sha256, rows).result


def _only_key(kind: str, held: str, keys: Iterable[str]) -> str:
    """Return the one key of what a commit holds: the *held* of one *kind*, as the rows of one check."""
    different = set(keys)
    if len(different) != 1:
        raise BadInput(f"a commit holds the {held} of one {kind}, not of {len(different)}; nothing was changed")
    return checked_key(kind, different.pop())


def _demand_columns(contract: Table, rows: pa.Table) -> None:
    if not rows.schema.equals(contract.arrow_schema, check_metadata=False):
        raise BadInput(f"{contract.name}: the columns are not those of version {contract.version}; nothing was changed")

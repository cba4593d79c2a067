"""A derived index of an archive: where each folded commit stands, and the facts by which inspections and checks are sought.

One SQLite file in the user's own cache folder, never beside the archive and never on a share. It is never the truth: what
it says of a place is compared with the segment before it is used (listing.py), and it may be deleted at any time. Where it
cannot be written, is damaged or locked, whoever asked reads the segments instead. It follows the archive by one listing of
names, and by none where the folder has not changed since: a segment that it does not know is read and added, one that is gone
is dropped.

Single files are found by their names and need no index; the facts of their inspections are kept here too once they were
read, since opening each of a month's files anew takes seconds.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import sqlite3
import sys
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass, fields
from datetime import UTC, datetime, timedelta
from itertools import islice, pairwise
from pathlib import Path
from typing import Any, Final, Self, TypeVar

import pyarrow.parquet as pq

from archive.content import contents_sha256
from archive.layout import TABLE_FOLDERS, CommitName, parse
from archive.opening import CLOCKS_APART_NS, changed_ns, reading
from archive.segments import Place, Segment, file_names, folded_folder, records_of, rows_of, segments, spans_of
from schemas.errors import FilmtallyError, IntegrityFailed
from schemas.inspections import Inspection

#: Raised with every change of the tables below: an index of another version is made anew.
VERSION: Final = 2
#: Names the folder of the index, where somebody wants another.
CACHE_VARIABLE: Final = "FILMTALLY_CACHE"
#: How long another process that writes is waited for.
_BUSY_SECONDS: Final = 5.0
#: Facts that stand often and as few different texts: kept once.
_LISTED_WORDS: Final = ("part_no", "customer", "purchase_order", "gauge_serial", "probe_mode", "conformity")
_WORDS: Final = (*_LISTED_WORDS, "kind")
#: In the order in which a record holds them.
_MARKS: Final = tuple(
    (n, f'"{n}":'.encode()) for n in sorted((*_LISTED_WORDS, "lot", "sealed_at", "coats", "readings_counted"))
)
#: What SQLite says of a file that is locked, may not be written, has no room left, or cannot be opened.
_NOT_DAMAGED: Final = frozenset(
    (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED, sqlite3.SQLITE_READONLY, sqlite3.SQLITE_FULL, sqlite3.SQLITE_CANTOPEN)
)
#: A value in a record: a text, *plain* where it holds no escape, or a number, or null.
_VALUE: Final = re.compile(rb'"(?P<plain>[^"\\]*)"|"(?:[^"\\]|\\.)*"|-?[0-9]+|null')
_READINGS: Final = "readings"
_CHECKS: Final = "gauge_checks"
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
#: Stands for the segment of a commit that has a file of its own.
_SINGLE: Final = 0

_TABLES: Final = (
    "CREATE TABLE about (name TEXT PRIMARY KEY, value TEXT NOT NULL)",
    "CREATE TABLE segments (number INTEGER PRIMARY KEY, in_table TEXT NOT NULL, month TEXT NOT NULL, id TEXT NOT NULL)",
    "CREATE TABLE words (number INTEGER PRIMARY KEY, word TEXT NOT NULL UNIQUE)",
    "CREATE TABLE commits (segment INTEGER NOT NULL, row INTEGER NOT NULL, first_row INTEGER NOT NULL, rows INTEGER NOT NULL,"
    " in_table INTEGER NOT NULL, at INTEGER NOT NULL, bench INTEGER NOT NULL, seq INTEGER NOT NULL, key TEXT NOT NULL,"
    " revision INTEGER NOT NULL, lot TEXT, sealed_at INTEGER, coats INTEGER, readings_counted INTEGER, part_no INTEGER,"
    " customer INTEGER, purchase_order INTEGER, gauge_serial INTEGER, probe_mode INTEGER, conformity INTEGER, kind INTEGER,"
    " done_at INTEGER)",
    "CREATE INDEX by_key ON commits (key, in_table)",
    "CREATE INDEX by_segment ON commits (segment)",
    "CREATE INDEX by_lot ON commits (lot) WHERE lot IS NOT NULL",
    "CREATE INDEX by_part ON commits (part_no, sealed_at) WHERE part_no IS NOT NULL",
    "CREATE INDEX by_customer ON commits (customer, sealed_at) WHERE customer IS NOT NULL",
    "CREATE INDEX by_gauge ON commits (gauge_serial, sealed_at) WHERE gauge_serial IS NOT NULL",
    "CREATE INDEX by_time ON commits (sealed_at) WHERE sealed_at IS NOT NULL",
    "CREATE INDEX checks_by_gauge ON commits (gauge_serial, done_at) WHERE done_at IS NOT NULL",
)
_INSERT: Final = "INSERT INTO commits VALUES (" + ", ".join("?" * 22) + ")"  # noqa: S608 - nothing of outside in it
_PLACED: Final = (
    "SELECT s.in_table, s.month, s.id, c.row, c.first_row, c.rows, c.at, b.word, c.seq, c.key, c.revision"
    " FROM commits c JOIN words b ON b.number = c.bench JOIN segments s ON s.number = c.segment"
)

_Found = TypeVar("_Found")


@dataclass(frozen=True, slots=True, kw_only=True)
class ListedInspection:
    """What the index knows of an inspection in one revision; the names are those of schemas/inspections.py."""

    inspection_id: str
    revision: int
    sealed_at: datetime
    customer: str
    purchase_order: str | None
    part_no: str
    lot: str
    gauge_serial: str
    probe_mode: str
    coats: int
    readings_counted: int
    conformity: str
    superseded: bool

    @classmethod
    def of(cls, inspection: Inspection, superseded: bool) -> Self:
        """Return what is listed of *inspection*."""
        names = (field.name for field in fields(cls) if field.name != "superseded")
        return cls(**{name: getattr(inspection, name) for name in names}, superseded=superseded)


@dataclass(frozen=True, slots=True)
class Entry:
    """An inspection as the index has it, and where it stands: *place* is None where it has a file of its own."""

    inspection: ListedInspection
    name: CommitName
    place: Place | None


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which inspections are sought; what is None is not asked.

    Attributes:
        number: Their number.
        beginning: What their number begins with.
        part_no, lot, customer, gauge_serial: What they say.
        since: Sealed then or later.
        before: Sealed earlier than that.
        all_revisions: Whether superseded revisions are wanted too.
    """

    number: str | None = None
    beginning: str | None = None
    part_no: str | None = None
    lot: str | None = None
    customer: str | None = None
    gauge_serial: str | None = None
    since: datetime | None = None
    before: datetime | None = None
    all_revisions: bool = False

    def fits(self, one: Inspection) -> bool:
        """Return whether *one*, in a revision that is wanted, is."""
        asked = (
            (self.number, one.inspection_id),
            (self.part_no, one.part_no),
            (self.lot, one.lot),
            (self.customer, one.customer),
            (self.gauge_serial, one.gauge_serial),
        )
        return (
            all(value is None or value == said for value, said in asked)
            and (self.beginning is None or one.inspection_id.startswith(self.beginning))
            and (self.since is None or one.sealed_at >= self.since)
            and (self.before is None or one.sealed_at < self.before)
        )


def cache_folder() -> Path:
    """Return the folder of the indexes: of this user, on this computer."""
    said = os.environ.get(CACHE_VARIABLE)
    if said:
        return Path(said)
    if sys.platform == "win32":
        base = os.environ.get("LOCALAPPDATA") or str(Path.home() / "AppData" / "Local")
    elif sys.platform == "darwin":
        base = str(Path.home() / "Library" / "Caches")
    else:
        base = os.environ.get("XDG_CACHE_HOME") or str(Path.home() / ".cache")
    return Path(base) / "filmtally"


def index_path(root: Path) -> Path:
    """Return where the index of the archive at *root* lies, by the archive's real path."""
    return cache_folder() / f"index-{hashlib.sha256(os.path.realpath(root).encode()).hexdigest()[:32]}.sqlite"


class Index:
    """The index of one archive. Every question may be answered with None: then read the archive instead."""

    def __init__(self, root: Path) -> None:
        """Open nothing yet."""
        self._root = root
        self._open: sqlite3.Connection | None = None
        self._given_up = False
        #: When the folders of segments, which this one follows, had changed last.
        self._followed: dict[str, int] = {}

    def close(self) -> None:
        """Close the file; a further question opens it again."""
        if self._open is not None:
            with suppress(sqlite3.Error):
                self._open.close()
            self._open = None
            self._followed.clear()

    def forget(self) -> None:
        """Throw the index away, since it said what is not so; the next question makes it anew."""
        self.close()
        with suppress(OSError, RuntimeError):
            _remove(index_path(self._root))

    # ---- questions --------------------------------------------------------------------------

    def folded(self, table: str, key: str, revision: int | None = None) -> list[tuple[CommitName, Place]] | None:
        """Return the names and places of the folded commits of *key* in *table*, in no order."""
        if not folded_folder(self._root, table).is_dir():
            return []

        def look(db: sqlite3.Connection) -> list[tuple[CommitName, Place]]:
            self._follow(db, table)
            found = db.execute(
                f"{_PLACED} WHERE c.key = ? AND c.in_table = ?" + ("" if revision is None else " AND c.revision = ?"),
                (key, TABLE_FOLDERS.index(table), *(() if revision is None else (revision,))),
            ).fetchall()
            return [self._placed(*row) for row in found]

        return self._asked(look)

    def checks(
        self, gauge_serial: str, since: datetime | None, before: datetime | None, lasting: Iterable[str]
    ) -> list[tuple[CommitName, Place]] | None:
        """Return the names and places of the folded checks of a gauge, in no order.

        Args:
            gauge_serial: The gauge.
            since: Leave out what was done earlier; None for all.
            before: Leave out what was not done earlier than that; None for all.
            lasting: Kinds of checks that are wanted whenever they were done.
        """
        if not folded_folder(self._root, _CHECKS).is_dir():
            return []
        kinds = tuple(lasting)
        word = "(SELECT number FROM words WHERE word = ?)"
        times = [("c.done_at >= ?", since), ("c.done_at < ?", before)]
        asked = [(condition, _ms_up(at)) for condition, at in times if at is not None]
        within = " AND ".join(condition for condition, _ in asked) or "TRUE"

        def look(db: sqlite3.Connection) -> list[tuple[CommitName, Place]]:
            self._follow(db, _CHECKS)
            found = db.execute(
                # Every name in here is one of ours; what was asked goes in as values.
                f"{_PLACED} WHERE c.gauge_serial = {word} AND c.done_at IS NOT NULL"
                f" AND (({within}) OR c.kind IN ({', '.join([word] * len(kinds))}))",
                (gauge_serial, *(at for _, at in asked), *kinds),
            ).fetchall()
            return [self._placed(*row) for row in found]

        return self._asked(look)

    def lasts(self) -> list[tuple[CommitName, Place]] | None:
        """Return each bench's last folded commit."""
        tables = [table for table in TABLE_FOLDERS if folded_folder(self._root, table).is_dir()]
        if not tables:
            return []

        def look(db: sqlite3.Connection) -> list[tuple[CommitName, Place]]:
            for table in tables:
                self._follow(db, table)
            # Beside a MAX, SQLite gives the columns of the row that has it (documented as "bare columns in an aggregate").
            newest = _PLACED.replace("SELECT ", "SELECT MAX(c.seq), ", 1)
            found = db.execute(f"{newest} WHERE c.segment <> ? GROUP BY c.bench", (_SINGLE,)).fetchall()
            return [self._placed(*row) for _, *row in found]

        return self._asked(look)

    def listed(self, wanted: Wanted, singles: Singles) -> list[Entry] | None:
        """Return the inspections that are *wanted*, oldest commit first.

        Args:
            wanted: Which.
            singles: The commits that have a file of their own.
        """

        def look(db: sqlite3.Connection) -> list[Entry]:
            # Single files first: one that is folded meanwhile is then in both, and never in neither.
            self._learn(db, singles)
            self._follow(db, _READINGS)
            return self._listed(db, wanted)

        return self._asked(look)

    def _listed(self, db: sqlite3.Connection, wanted: Wanted) -> list[Entry]:
        where = ["c.in_table = ?", "c.lot IS NOT NULL"]
        values: list[Any] = [TABLE_FOLDERS.index(_READINGS)]
        for name, value in (
            ("part_no", wanted.part_no),
            ("customer", wanted.customer),
            ("gauge_serial", wanted.gauge_serial),
        ):
            if value is not None:
                where.append("c." + name + " = (SELECT number FROM words WHERE word = ?)")  # noqa: S608
                values.append(value)
        plain: tuple[tuple[str, str | int | None], ...] = (
            ("c.key = ?", wanted.number),
            ("c.key >= ?", wanted.beginning),
            ("c.key < ?", None if wanted.beginning is None else wanted.beginning + "\U0010ffff"),
            ("c.lot = ?", wanted.lot),
            ("c.sealed_at >= ?", None if wanted.since is None else _ms_up(wanted.since)),
            ("c.sealed_at < ?", None if wanted.before is None else _ms_up(wanted.before)),
        )
        for condition, asked in plain:
            if asked is not None:
                where.append(condition)
                values.append(asked)
        superseded = "EXISTS (SELECT 1 FROM commits h WHERE h.key = c.key AND h.in_table = c.in_table AND h.revision > c.revision)"
        if not wanted.all_revisions:
            where.append(f"NOT {superseded}")
        words = {name: "(SELECT word FROM words WHERE number = c." + name + ")" for name in _LISTED_WORDS}  # noqa: S608
        found = db.execute(
            # Every name in here is one of ours; what was asked goes in as values.
            f"SELECT c.at, b.word, c.seq, c.key, c.revision, c.sealed_at, {words['customer']}, {words['purchase_order']},"  # noqa: S608
            f" {words['part_no']}, c.lot, {words['gauge_serial']}, {words['probe_mode']}, c.coats, c.readings_counted,"
            f" {words['conformity']}, {superseded if wanted.all_revisions else '0'}, s.month, s.id, c.row, c.first_row, c.rows"
            " FROM commits c JOIN words b ON b.number = c.bench LEFT JOIN segments s ON s.number = c.segment"
            f" WHERE {' AND '.join(where)} ORDER BY c.segment",
            values,
        ).fetchall()
        # A commit that is being folded has both forms; the folded one comes later, and is taken.
        once = {CommitName(_at(row[0]), *row[1:5]): row for row in found}
        return [
            Entry(
                ListedInspection(
                    inspection_id=name.key,
                    revision=name.revision,
                    sealed_at=_at(row[5]),
                    customer=row[6],
                    purchase_order=row[7],
                    part_no=row[8],
                    lot=row[9],
                    gauge_serial=row[10],
                    probe_mode=row[11],
                    coats=row[12],
                    readings_counted=row[13],
                    conformity=row[14],
                    superseded=bool(row[15]),
                ),
                name,
                None if row[16] is None else Place(Segment(_READINGS, row[16], row[17], self._root), *row[18:]),
            )
            for name, row in sorted(once.items(), key=lambda one: (one[0].at, one[0].file_name))
        ]

    # ---- keeping up -------------------------------------------------------------------------

    def _follow(self, db: sqlite3.Connection, table: str) -> None:
        """Make the index hold the segments of *table*.

        Raises:
            FilmtallyError: One of them cannot be read.
        """
        try:
            changed = changed_ns(folded_folder(self._root, table))
        except (FileNotFoundError, NotADirectoryError):
            changed = 0  # there may be some that the index still knows
        if self._followed.get(table) == changed:
            return
        if _said(db, f"change of {table}") != str(changed):
            mark = hashlib.sha256("\n".join(sorted(_listing(self._root, table))).encode()).hexdigest()
            if _said(db, f"names of {table}") != mark:
                self._update(db, table, mark)
            if time.time_ns() - changed <= CLOCKS_APART_NS:
                return
            with db:
                db.execute("INSERT OR REPLACE INTO about VALUES (?, ?)", (f"change of {table}", str(changed)))
        self._followed[table] = changed

    def _update(self, db: sqlite3.Connection, table: str, mark: str) -> None:
        there = {(one.month, one.id): one for one in segments(self._root, table)}
        for number, month, identity in db.execute(
            "SELECT number, month, id FROM segments WHERE in_table = ?", (table,)
        ).fetchall():
            if there.pop((month, identity), None) is None:
                with db:
                    db.execute("BEGIN IMMEDIATE")
                    db.execute("DELETE FROM commits WHERE segment = ?", (number,))
                    db.execute("DELETE FROM segments WHERE number = ?", (number,))
        for segment in there.values():
            with db:
                db.execute("BEGIN IMMEDIATE")
                key = (table, segment.month, segment.id)
                known = "SELECT 1 FROM segments WHERE in_table = ? AND month = ? AND id = ?"
                if db.execute(known, key).fetchone() is not None:
                    continue  # another process was quicker
                number = db.execute("INSERT INTO segments (in_table, month, id) VALUES (?, ?, ?)", key).lastrowid
                words = _Words(db)
                db.executemany(_INSERT, _rows_of(segment, number or _SINGLE, words))
        with db:
            db.execute("INSERT OR REPLACE INTO about VALUES (?, ?)", (f"names of {table}", mark))

    def _learn(self, db: sqlite3.Connection, singles: Singles) -> None:
        """Make the index hold the facts of the inspections in single files, and of none that are gone."""
        query = (
            "SELECT c.rowid, c.at, b.word, c.seq, c.key, c.revision"
            " FROM commits c JOIN words b ON b.number = c.bench WHERE c.segment = ?"
        )
        known = {CommitName(_at(at), *rest): rowid for rowid, at, *rest in db.execute(query, (_SINGLE,))}
        gone = [(rowid,) for name, rowid in known.items() if name not in singles.names]
        new = [name for name in singles.names if name not in known]
        if not gone and not new:
            return
        read = [(name, singles.record(name).encode()) for name in new]
        with db:
            db.execute("BEGIN IMMEDIATE")
            db.executemany("DELETE FROM commits WHERE rowid = ?", gone)
            known_now = {CommitName(_at(at), *rest) for _, at, *rest in db.execute(query, (_SINGLE,))}
            words = _Words(db)
            db.executemany(
                _INSERT,
                [
                    _commit(_SINGLE, 0, 0, 0, _READINGS, name, _facts(record, 0, len(record), name.file_name), words)
                    for name, record in read
                    if name not in known_now
                ],
            )

    def _placed(self, *row: Any) -> tuple[CommitName, Place]:
        table, month, identity, in_records, first_row, rows, at, *name = row
        return CommitName(_at(at), *name), Place(
            Segment(table, month, identity, self._root), in_records, first_row, rows
        )

    # ---- the file ---------------------------------------------------------------------------

    def _asked(self, look: Callable[[sqlite3.Connection], _Found]) -> _Found | None:
        """Return what *look* finds, or None where there can be no index; a damaged one is made anew."""
        for again in (True, False):
            if self._given_up:
                return None
            try:
                return look(self._opened())
            except (sqlite3.Error, ValueError, TypeError) as wrong:
                if not again or getattr(wrong, "sqlite_errorcode", 0) & 0xFF in _NOT_DAMAGED:
                    self._give_up()
                else:
                    self.forget()
            except (OSError, RuntimeError):
                self._give_up()  # no home folder, or no right to it
            except FilmtallyError:
                # A segment cannot be read. Whoever reads it says so, if it is that which is sought.
                self.close()
                return None
        return None

    def _give_up(self) -> None:
        self.close()
        self._given_up = True

    def _opened(self) -> sqlite3.Connection:
        if self._open is None:
            path = index_path(self._root)
            path.parent.mkdir(parents=True, exist_ok=True)
            db = sqlite3.connect(path, timeout=_BUSY_SECONDS, isolation_level=None)
            self._open = db
            db.execute("PRAGMA journal_mode = WAL")  # who reads does not wait for who writes
            db.execute("PRAGMA synchronous = NORMAL")
            self._make_tables(db)
        return self._open

    def _make_tables(self, db: sqlite3.Connection) -> None:
        wanted = json.dumps({"version": VERSION, "archive": os.path.realpath(self._root)})
        if _has_tables(db) and _said(db, "index") == wanted:
            return
        with db:
            db.execute("BEGIN IMMEDIATE")
            if _has_tables(db):
                if _said(db, "index") == wanted:
                    return
                raise sqlite3.DatabaseError("an index of another version or archive")
            for statement in _TABLES:
                db.execute(statement)
            db.execute("INSERT INTO about VALUES (?, ?)", ("index", wanted))


@dataclass(frozen=True)
class Singles:
    """The inspections that have a file of their own.

    Attributes:
        names: What their names say.
        record: Gives the record of one, as text.
    """

    names: frozenset[CommitName]
    record: Callable[[CommitName], str]


class _Words:
    """The numbers of words, those that are new put into the index."""

    def __init__(self, db: sqlite3.Connection) -> None:
        self._db = db
        self._known: dict[str, int] = dict(db.execute("SELECT word, number FROM words").fetchall())

    def number(self, word: str | None) -> int | None:
        """Return the number of *word*; of None, None."""
        if word is None:
            return None
        number = self._known.get(word)
        if number is None:
            number = self._db.execute("INSERT INTO words (word) VALUES (?)", (word,)).lastrowid
            self._known[word] = number or 0  # SQLite counts from 1, and gives the number after every insert
        return number


def _rows_of(segment: Segment, number: int, words: _Words) -> Iterator[tuple[Any, ...]]:
    """Yield a row of the index for each commit of *segment*."""
    path = segment.records_path
    columns = ["file_name", "first_row", "rows", *(["record"] if segment.table == _READINGS else [])]
    of_checks = _facts_of_checks(segment) if segment.table == _CHECKS else None
    row = 0
    with reading(path), pq.ParquetFile(path) as file:
        for batch in file.iter_batches(batch_size=512, columns=columns, use_threads=False):
            places = (batch.column(name).to_pylist() for name in ("file_name", "first_row", "rows"))
            facts: Iterable[dict[str, Any]] = ({} for _ in range(batch.num_rows))
            if segment.table == _READINGS:
                facts = _facts_of(batch.column("record"), path)
            elif of_checks is not None:
                facts = islice(of_checks, batch.num_rows)
            for file_name, first_row, rows, said in zip(*places, facts, strict=True):
                name = parse(file_name)
                if name is None:
                    raise IntegrityFailed(f"{path}: {file_name!r} is no commit's name; restore the file from a copy")
                yield _commit(number, row, first_row, rows, segment.table, name, said, words)
                row += 1


def _facts_of_checks(segment: Segment) -> Iterator[dict[str, Any]]:
    """Yield gauge, kind and time of each check of *segment*.

    Who asks the index for a gauge's checks never sees the others, so nothing is taken from rows that are not as committed.
    """
    records = records_of(segment)
    rows = rows_of(segment)
    spans = spans_of(records)
    said = [rows.column(name).to_pylist() for name in ("gauge_serial", "kind", "done_at")]
    texts: list[Any] = records.column("record").to_pylist()
    for text, (first, count), content in zip(texts, spans, contents_sha256(rows, spans), strict=True):
        of_check = set(zip(*(column[first : first + count] for column in said), strict=True))
        if json.loads(text)["content_sha256"] != content or len(of_check) != 1:
            raise IntegrityFailed(
                f"{segment.rows_path}: holds a check that is not as it was committed; check the archive"
            )
        yield dict(zip(("gauge_serial", "kind", "done_at"), *of_check, strict=True))


def _commit(
    segment: int,
    row: int,
    first_row: int,
    rows: int,
    table: str,
    name: CommitName,
    facts: dict[str, Any],
    words: _Words,
) -> tuple[Any, ...]:
    sealed_at, done_at = facts.get("sealed_at"), facts.get("done_at")
    return (
        *(segment, row, first_row, rows, TABLE_FOLDERS.index(table)),
        *(_ms(name.at), words.number(name.bench), name.seq, name.key, name.revision),
        *(facts.get("lot"), None if sealed_at is None else _ms(datetime.fromisoformat(sealed_at))),
        *(facts.get("coats"), facts.get("readings_counted"), *(words.number(facts.get(one)) for one in _WORDS)),
        None if done_at is None else _ms(done_at),
    )


def _facts_of(records: Any, path: Path) -> Iterator[dict[str, Any]]:
    """Yield the facts of each of *records*, an Arrow array of texts."""
    _, ends, text = records.buffers()
    at = memoryview(ends).cast("i")[records.offset : records.offset + len(records) + 1]
    raw = text.to_pybytes()
    for start, end in pairwise(at):
        yield _facts(raw, start, end, str(path))


def _facts(raw: bytes, start: int, end: int, where: str) -> dict[str, Any]:
    """Return the facts in a record, without parsing the 25 kB that it is.

    A record is canonical JSON, and its facts are its only inner object. So a name in quotes with a colon behind stands
    there once at most: within a text every quote has a backslash before it.
    """
    found: dict[str, Any] = {}
    stop = start
    for name, mark in _MARKS:
        at = raw.find(mark, stop, end)
        if at < 0:
            raise IntegrityFailed(f"{where}: a record says nothing of {name}; restore the file from a copy")
        at += len(mark)
        value = _VALUE.match(raw, at, end)
        if value is None:
            raise IntegrityFailed(
                f"{where}: a record does not say {name} in canonical JSON; restore the file from a copy"
            )
        stop = value.end()
        plain = value["plain"]
        found[name] = json.loads(raw[at:stop]) if plain is None else plain.decode()
    return found


def _has_tables(db: sqlite3.Connection) -> bool:
    return db.execute("SELECT 1 FROM sqlite_master WHERE name = 'about'").fetchone() is not None


def _said(db: sqlite3.Connection, name: str) -> str | None:
    found = db.execute("SELECT value FROM about WHERE name = ?", (name,)).fetchone()
    return None if found is None else str(found[0])


def _listing(root: Path, table: str) -> list[str]:
    try:
        return file_names(folded_folder(root, table))
    except (FileNotFoundError, NotADirectoryError):
        return []


def _remove(path: Path) -> None:
    for ending in ("", "-wal", "-shm"):
        path.with_name(path.name + ending).unlink(missing_ok=True)


def _ms(at: datetime) -> int:
    return (at - _EPOCH) // timedelta(milliseconds=1)


def _ms_up(at: datetime) -> int:
    """Return the first whole millisecond that is not before *at*."""
    return -((_EPOCH - at) // timedelta(milliseconds=1))


def _at(ms: int) -> datetime:
    return _EPOCH + timedelta(milliseconds=ms)

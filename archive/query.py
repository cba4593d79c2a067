"""Ask a question of an archive: DuckDB, embedded, over the files as they lie there.

The unit of work is a month. Its files are its segments, and the single files that no segment holds. As many months are
asked at once as bounded memory allows, since one scan over many files is faster than many scans: measured over 24
months, month by month takes 1.1 times the processor time for all parts and 2.5 times for one part. Nothing is kept between questions; no extension of DuckDB is ever fetched.

A flipped byte inside a page may go unnoticed here, unless each file is shown to be the one that was written
(as_written.py) before it is asked; whether the rows are those that were committed is asked by ``filmtally archive
check``. A file that cannot be read is named.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, TypeVar

import duckdb
import pyarrow as pa

from archive import listing, segments
from archive.layout import first_month
from archive.opening import Vanished, reading
from archive.questions import CUSTOMERS, SOURCE, Question, customers_named, valid
from schemas import parquet
from schemas.column import FILE_KEY
from schemas.errors import BadInput, IntegrityFailed
from schemas.readings import READINGS

Row = TypeVar("Row")

#: Bytes of files that are asked at once, whole months: of folded readings about eight million. The exact
#: quantiles of 10.8 million, by part, location and month, took 390 MB at most, and with the inspections counted 550 MB.
_BYTES_AT_ONCE: Final = 120_000_000
#: The month in a path: the folder of a single file, or the beginning of a segment's name.
_MONTH: Final = r"(\d{4}-\d{2})[/\\-][^/\\]*$"


@dataclass(frozen=True)
class MonthFiles:
    """Where the readings of one month lie.

    Attributes:
        month: The month of the commits, in UTC.
        folded: Rows files of segments.
        single: Files of one commit each, none of which a segment holds.
        superseded: Inspections of which *folded* may hold superseded revisions, and the valid revision of each.
    """

    month: str
    folded: tuple[Path, ...]
    single: tuple[Path, ...]
    superseded: frozenset[tuple[str, int]]

    @property
    def paths(self) -> tuple[Path, ...]:
        """Return all files."""
        return (*self.folded, *self.single)


def ask(
    root: Path, question: Question[Row], from_month: str = "", demand: Callable[[Path], None] | None = None
) -> list[Row]:
    """Return the answer of the archive at *root*, which need not exist: then it is empty.

    With *from_month*, as 2026-11, only of what was committed in that month or later. *demand* is called with each file
    before it is asked, and may refuse it: see :func:`archive.as_written.demand_as_written`.

    Raises:
        IntegrityFailed: A file is not whole, or two files hold the same revision of an inspection.
        BadInput: A file may not be read, or is of a newer version than this program knows.
    """
    return question.joined(parts(root, question, from_month, demand))


def ask_at_once(
    root: Path, questions: Sequence[Question[Any]], demand: Callable[[Path], None] | None = None
) -> list[list[Any]]:
    """Return the answer to each of *questions*, all from the same commits, as :func:`ask`.

    Raises:
        IntegrityFailed, BadInput: As :func:`ask`.
        ValueError: Some ask for every revision, and some do not.
    """
    if len({question.every_revision for question in questions}) != 1:
        raise ValueError("questions asked at once ask for every revision all, or none of them")
    answers = _answers(root, questions, "", demand)
    return [question.joined([tables[n] for tables in answers]) for n, question in enumerate(questions)]


def parts(
    root: Path, question: Question[Row], from_month: str = "", demand: Callable[[Path], None] | None = None
) -> list[pa.Table]:
    """Return the answer in parts, each of one or more whole months, as :attr:`Question.joined` takes them.

    Raises:
        IntegrityFailed, BadInput: As :func:`ask`.
    """
    return [table for (table,) in _answers(root, [question], from_month, demand)]


def _answers(
    root: Path, questions: Sequence[Question[Any]], from_month: str, demand: Callable[[Path], None] | None
) -> list[list[pa.Table]]:
    """Return of each batch of months the part of each question's answer."""
    answered: dict[tuple[MonthFiles, ...], list[pa.Table]] = {}
    told = ""
    with connected() as connection:
        while True:
            try:
                listed = months(root, connection, questions[0].every_revision, from_month)
                done = {month for batch in answered for month in batch}
                if not done <= set(listed):  # a month that was answered looks different now: was folded, or corrected
                    answered, done = {}, set()
                for batch in _batches([month for month in listed if month not in done]):
                    if demand is not None:
                        for path in (path for month in batch for path in month.paths):
                            demand(path)
                    answered[batch] = [answer_of(connection, batch, question) for question in questions]
                return list(answered.values())
            except Vanished as gone:
                # Folded meanwhile, so look again; but a file that is missed twice is missing.
                if gone.sentence == told:
                    raise
                told = gone.sentence


@contextmanager
def connected() -> Iterator[duckdb.DuckDBPyConnection]:
    """Give a DuckDB of its own in memory: in UTC, and shut off from every extension that it does not bring."""
    config: dict[str, Any] = {"autoinstall_known_extensions": "false", "autoload_known_extensions": "false"}
    with duckdb.connect(config=config) as connection:
        connection.execute("SET TimeZone = 'UTC'")
        connection.execute("SET enable_progress_bar = false")
        yield connection


def answer(connection: duckdb.DuckDBPyConnection, question: Question[Any]) -> pa.Table:
    """Return the answer over the relation ``readings`` of *connection*, for :attr:`Question.joined`.

    Raises:
        duckdb.Error: DuckDB cannot answer.
    """
    parameters = dict(question.parameters)
    if question.customer is not None:
        names = [name for (name,) in connection.sql(CUSTOMERS).fetchall()]
        parameters["customers"] = customers_named(question.customer, names)
    found: pa.Table = connection.sql(question.sql, params=parameters).to_arrow_table()
    return found


def months(
    root: Path, connection: duckdb.DuckDBPyConnection, every_revision: bool = False, from_month: str = ""
) -> list[MonthFiles]:
    """Return where the readings of each month lie, oldest month first, and which of them are superseded.

    A correction is never committed before what it corrects, so months before *from_month* need no look.

    Raises:
        IntegrityFailed: Two files hold the same revision of a corrected inspection, or a file is not whole.
        BadInput: A folder may not be read.
    """
    # Single files first: what is folded between the two looks is then seen twice, and never not at all.
    singles: dict[str, dict[str, listing.Stored]] = defaultdict(dict)
    for one in listing.singles(root, "readings", from_month):
        singles[one.name.month][one.name.file_name] = one
    folded: dict[str, list[Path]] = defaultdict(list)
    for segment in segments.standing(segments.segments(root, "readings", from_month)):
        folded[segment.month].append(segment.rows_path)
        if singles[segment.month]:
            names: list[Any] = segments.names_of(segment).column("file_name").to_pylist()
            for name in names:
                singles[segment.month].pop(name, None)
    revisions: dict[str, dict[int, list[str]]] = defaultdict(lambda: defaultdict(list))
    for one in (one for of_month in singles.values() for one in of_month.values()):
        revisions[one.name.key][one.name.revision].append(one.name.month)
    for key, revision, month in _corrections_in(
        connection, {path: of for of, paths in folded.items() for path in paths}
    ):
        revisions[key][revision].append(month)
    valid_of = {} if every_revision else _corrected(root, revisions)
    earlier: dict[str, list[tuple[str, int]]] = defaultdict(list)
    for key, revision in valid_of.items():
        # Which of these months' segments holds an earlier revision, only their rows could tell.
        begin, end = first_month(key), max(revisions[key][revision])
        for month in (month for month in folded if begin <= month <= end):
            earlier[month].append((key, revision))
    found = []
    for month in sorted({*singles, *folded}):
        single = sorted(
            one.path for one in singles[month].values() if one.name.revision >= valid_of.get(one.name.key, 1)
        )
        if single or folded[month]:
            found.append(MonthFiles(month, tuple(folded[month]), tuple(single), frozenset(earlier[month])))
    return found


def _corrected(root: Path, revisions: Mapping[str, Mapping[int, Sequence[str]]]) -> dict[str, int]:
    """Return the valid revision of each inspection that was corrected; *revisions* are the months of the files of each.

    Raises:
        IntegrityFailed: Two files hold the valid revision of an inspection: a fork.
    """
    found: dict[str, int] = {}
    for key, files in revisions.items():
        highest = max(files)
        if len(files[highest]) > 1:
            listing.the_one(listing.find(listing.Folders(root), "readings", key))  # says which, and what to do
        if highest > 1:
            found[key] = highest
    return found


def _corrections_in(connection: duckdb.DuckDBPyConnection, months_of: Mapping[Path, str]) -> list[tuple[str, int, str]]:
    """Return inspection, revision and month of every revision above the first in segments, once for each that holds it.

    Of a segment without any only the footer is read, which the question needs in any case.
    """
    if not months_of:
        return []
    paths = list(months_of)
    sql = f"SELECT DISTINCT inspection_id, revision, filename FROM {_read(paths)} WHERE revision > 1"  # noqa: S608
    with _naming_the_file(paths):
        found = connection.sql(sql).fetchall()
    named = {str(path): month for path, month in months_of.items()}
    return [(key, revision, named[file]) for key, revision, file in found]


def answer_of(connection: duckdb.DuckDBPyConnection, batch: Sequence[MonthFiles], question: Question[Row]) -> pa.Table:
    """Return the answer of the months in *batch*, for :attr:`Question.joined`.

    Raises:
        Vanished: A file of theirs is gone.
        IntegrityFailed, BadInput: As :func:`ask`.
    """
    paths = [path for month in batch for path in month.paths]
    with _naming_the_file(paths):
        for path in paths:
            _demand_known(path)
        _let_readings_be(connection, batch)
        return answer(connection, question)


def _let_readings_be(connection: duckdb.DuckDBPyConnection, batch: Sequence[MonthFiles]) -> None:
    plain = [path for month in batch for path in (month.single if month.superseded else month.paths)]
    filtered = [path for month in batch for path in month.folded if month.superseded]
    superseded = sorted({one for month in batch for one in month.superseded})
    connection.register(
        "superseded",
        pa.table(
            {
                "inspection_id": pa.array([key for key, valid in superseded for _ in range(1, valid)], pa.string()),
                "revision": pa.array([lower for _, valid in superseded for lower in range(1, valid)], pa.int32()),
            }
        ),
    )
    month = f"regexp_extract(filename, '{_MONTH}', 1) AS month"
    sources = [
        valid(f"SELECT *, {month} FROM {_read(of_kind)}", superseded=of_kind is filtered)  # noqa: S608
        for of_kind in (plain, filtered)
        if of_kind
    ]
    connection.execute(f"CREATE OR REPLACE TEMP VIEW {SOURCE} AS {' UNION ALL '.join(sources)}")


def _read(paths: Sequence[Path]) -> str:
    quoted = ", ".join("'" + str(path).replace("'", "''") + "'" for path in paths)
    return f"read_parquet([{quoted}], filename = true)"


def _batches(waiting: Sequence[MonthFiles]) -> Iterator[tuple[MonthFiles, ...]]:
    """Yield *waiting* in batches of so many bytes, at least a month each."""
    batch: list[MonthFiles] = []
    held = 0
    for month in waiting:
        size = sum(_size(path) for path in month.paths)
        if batch and held + size > _BYTES_AT_ONCE:
            yield tuple(batch)
            batch, held = [], 0
        batch.append(month)
        held += size
    if batch:
        yield tuple(batch)


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0  # whoever reads it says why


# what may be wrong with a file

#: How the document in a file of this very version begins, wherever in the footer it stands.
_KNOWN: Final = READINGS.file_metadata()[FILE_KEY].partition(b', "meaning"')[0] + b","


def _demand_known(path: Path) -> None:
    """Refuse a file of another version than this program's.

    DuckDB would take its columns by their names and say nothing. The footer's bytes are looked at, which costs a tenth
    of what it takes to read it; whatever looks strange is left to the contract's own reader.
    """
    with reading(path), path.open("rb", buffering=0) as file:
        end = file.seek(0, 2)
        file.seek(max(0, end - 8))
        length = int.from_bytes(file.read(4), "little")
        file.seek(max(0, end - 8 - length))
        known = _KNOWN in file.read(length)
    if not known:
        parquet.read(READINGS, path)


@contextmanager
def _naming_the_file(paths: Sequence[Path]) -> Iterator[None]:
    """Translate what goes wrong while *paths* are read into a sentence that names the one that is not whole.

    Raises:
        IntegrityFailed: A file is gone or not whole.
        BadInput: A file may not be read, or is of a newer version than this program knows.
    """
    try:
        yield
    except duckdb.OutOfMemoryException:
        raise BadInput("this computer has too little memory for the question; ask about fewer readings") from None
    except (duckdb.Error, OSError, UnicodeDecodeError) as wrong:
        for path in paths:
            with reading(path):
                parquet.read(READINGS, path)
        said = (str(wrong).splitlines() or [type(wrong).__name__])[0]
        raise IntegrityFailed(
            f"{paths[0].parent}: a file here cannot be read ({said}); 'filmtally archive check' names it"
        ) from None

"""The questions to an archive asked of many plants at once, of the closed months that they have pushed to one store.

A question is the very one that an archive is asked (questions.py), answered by the same code (query.py): each piece of work is
a few whole months of one plant, whose files are fetched, shown to be what their manifests say, and given to a DuckDB on the
machine that works. Where the pieces are worked on, :class:`Hands` decide: here, one after the other, or workers.py's.

A file is fetched whole and read from a temporary folder: measured against DuckDB over Arrow's dataset on the store, that is
1.7 times as fast for one part and 4.8 times for all (docs/group.md). A store that is a folder is read where it lies.

First of all each month's manifest is read, since a removal leaves one that takes another's place, and the month is asked which
corrections it holds, since a correction may lie in a later month than what it supersedes: its footer and a few columns, a
twelfth of the file.
"""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Final, Generic, Protocol, TypeVar

import pyarrow as pa
import pyarrow.parquet as pq

from archive import query
from archive.layout import SEGMENT_ENDINGS, first_month, parse_segment
from archive.object_store import Store, checked_plant, open_store
from archive.push import FOLDED
from archive.questions import MonthSummary, Question
from archive.segments import said_of
from schemas.errors import BadInput, FilmtallyError, IntegrityFailed
from schemas.readings import READINGS

Row = TypeVar("Row")
T = TypeVar("T")
R = TypeVar("R")

#: Bytes of files in one piece of work, whole months: of folded readings some four million.
_BYTES_AT_ONCE: Final = 40_000_000
#: Pieces of work for each worker, so that the last to finish is not waited for long.
_PIECES_EACH: Final = 3
#: Segments in one piece of work that only looks for corrections.
_LOOKED_AT: Final = 24
#: Files fetched at once by one worker: a store answers late rather than slowly.
_FETCHED_AT_ONCE: Final = 4
#: DuckDB's share of a worker's memory; the rest is Python's and Arrow's.
_MEMORY_SHARE: Final = 0.6


class Hands(Protocol):
    """Who works.

    Attributes:
        count: How many work at once.
        threads: Threads that each may use, or None for all of the machine.
        memory: Bytes that each may use, or None where that is left to DuckDB.
    """

    @property
    def count(self) -> int: ...
    @property
    def threads(self) -> int | None: ...
    @property
    def memory(self) -> int | None: ...

    def each(self, do: Callable[[T], R], work: Sequence[T]) -> Iterator[R]:
        """Yield what *do* makes of each of *work*, in whatever order they are done."""


@dataclass(frozen=True)
class Here:
    """This process alone, one piece of work after the other."""

    count: int = 1
    threads: int | None = None
    memory: int | None = None

    def each(self, do: Callable[[T], R], work: Sequence[T]) -> Iterator[R]:
        """Yield what *do* makes of each of *work*."""
        return map(do, work)


@dataclass(frozen=True, order=True)
class PushedMonth:
    """The readings of a month that a plant has pushed, or those that were folded later than the others.

    Attributes:
        month: The month of the commits, in UTC.
        name: How its three files are called, without their endings.
        size: Bytes of its rows file.
    """

    month: str
    name: str
    size: int


@dataclass(frozen=True)
class _Look:
    address: str
    plant: str
    months: tuple[PushedMonth, ...]
    #: Whether corrections are looked for.
    corrections: bool


@dataclass(frozen=True)
class _Found:
    plant: str
    #: Inspection, revision, and the pushed month that holds it.
    corrections: list[tuple[str, int, PushedMonth]]
    #: Names of what another took the place of.
    replaced: set[str]
    fetched: int


@dataclass(frozen=True)
class _Work:
    address: str
    plant: str
    months: tuple[PushedMonth, ...]
    superseded: Mapping[str, frozenset[tuple[str, int]]]
    questions: tuple[Question[Any], ...]
    threads: int | None
    memory: int | None


@dataclass(frozen=True)
class _Done:
    plant: str
    tables: list[pa.Table]
    fetched: int


@dataclass(frozen=True)
class Answer(Generic[Row]):
    """What the plants answer.

    Attributes:
        question: What was asked.
        parts: Of each plant the parts of its answer, as :attr:`Question.joined` takes them.
        fetched: Bytes that were fetched from the store for it; none where the store is a folder.
    """

    question: Question[Row]
    parts: Mapping[str, Sequence[pa.Table]]
    fetched: int

    def per_plant(self) -> dict[str, list[Row]]:
        """Return the answer of each plant: what its own archive answers of the same months."""
        return {plant: self.question.joined(parts) for plant, parts in self.parts.items()}

    def together(self) -> list[Row]:
        """Return one answer over all plants: counts of builds added up, inspections in the order taken.

        Raises:
            ValueError: Summaries of months were asked for: quantiles of several plants do not follow from theirs.
        """
        rows = self.question.joined(part for parts in self.parts.values() for part in parts)
        if len(self.parts) > 1 and any(isinstance(row, MonthSummary) for row in rows):
            raise ValueError("quantiles over several plants do not follow from those of each; ask per plant")
        return rows


def plants_of(store: Store, named: Iterable[str] | None = None) -> list[str]:
    """Return the plants that have pushed to *store*, or those of them that are *named*, sorted.

    Raises:
        BadInput: There is none, or not every one that is named; or the store does not answer.
    """
    there = [name for name in store.folders() if store.folders(name)]
    if not there:
        raise BadInput(
            f"{store.address}: no plant has pushed to this place; correct the address, or push with 'filmtally archive push'"
        )
    if named is None:
        return there
    wanted = sorted({checked_plant(name) for name in named})
    missing = [name for name in wanted if name not in there]
    if missing:
        raise BadInput(f"{store.address}: there is no plant {', '.join(missing)}; there are: {', '.join(there)}")
    return wanted


def pushed_months(store: Store, plant: str) -> list[PushedMonth]:
    """Return what *plant* has pushed of its readings, oldest month first.

    Raises:
        IntegrityFailed: A month is published, and its rows file is not there.
        BadInput: The store does not answer.
    """
    names = store.names(plant, FOLDED, READINGS.name)
    found = []
    for name in names:
        parsed = parse_segment(name)
        if parsed is None or parsed[2] != SEGMENT_ENDINGS[2]:
            continue
        stem = name.removesuffix(SEGMENT_ENDINGS[2])
        if stem + SEGMENT_ENDINGS[0] not in names:
            raise IntegrityFailed(
                f"{_where(store, plant)}: {name} is there and its rows file is not; remove that manifest from the store and "
                "push again from the plant"
            )
        found.append(PushedMonth(parsed[0], stem, names[stem + SEGMENT_ENDINGS[0]]))
    return sorted(found)


def ask(store: Store, plants: Iterable[str], question: Question[Row], hands: Hands | None = None) -> Answer[Row]:
    """Return the answer of *plants*, of the months that they have pushed to *store*.

    Args:
        store: Where they lie.
        plants: Which.
        question: What is asked.
        hands: Who works; this process alone where None.

    Raises:
        IntegrityFailed: A file is not what its manifest says, or two months hold the same revision of an inspection.
        BadInput: The store does not answer, a file is of a newer version than this program knows, or the workers do not work.
    """
    return ask_at_once(store, plants, [question], hands)[0]


def ask_at_once(
    store: Store, plants: Iterable[str], questions: Sequence[Question[Any]], hands: Hands | None = None
) -> list[Answer[Any]]:
    """Return the answer to each of *questions*, for which every month is fetched once; as :func:`ask`.

    Raises:
        IntegrityFailed, BadInput: As :func:`ask`.
        ValueError: Some ask for every revision, and some do not.
    """
    hands = hands or Here()
    if len({question.every_revision for question in questions}) != 1:
        raise ValueError("questions asked at once ask for every revision all, or none of them")
    pushed = {plant: pushed_months(store, plant) for plant in plants}
    months, superseded, fetched = _looked_at(store, pushed, hands, corrections=not questions[0].every_revision)
    # How parts are joined is not the workers' business, and cannot be sent.
    bare = tuple(replace(question, joined=_joined_elsewhere) for question in questions)
    work = [
        _Work(
            store.address,
            plant,
            batch,
            {m.month: frozenset(superseded.get(plant, {}).get(m.month, ())) for m in batch},
            bare,
            hands.threads,
            hands.memory,
        )
        for plant, batch in _batches(months, hands.count)
    ]
    parts: list[dict[str, list[pa.Table]]] = [{plant: [] for plant in months} for _ in questions]
    for done in hands.each(_answered, work):
        for of_question, table in zip(parts, done.tables, strict=True):
            of_question[done.plant].append(table)
        fetched += done.fetched
    return [Answer(question, of_question, fetched) for question, of_question in zip(questions, parts, strict=True)]


def _looked_at(
    store: Store, pushed: Mapping[str, Sequence[PushedMonth]], hands: Hands, *, corrections: bool
) -> tuple[dict[str, list[PushedMonth]], dict[str, dict[str, set[tuple[str, int]]]], int]:
    """Return of each plant what counts of what it *pushed*, what :func:`_superseded` says of it, and the bytes read to know."""
    looks = [
        _Look(store.address, plant, tuple(of_plant[first : first + _LOOKED_AT]), corrections)
        for plant, of_plant in pushed.items()
        for first in range(0, len(of_plant), _LOOKED_AT)
    ]
    found: dict[str, list[tuple[str, int, PushedMonth]]] = defaultdict(list)
    replaced: dict[str, set[str]] = defaultdict(set)
    fetched = 0
    for seen in hands.each(_seen_in, looks):
        found[seen.plant] += seen.corrections
        replaced[seen.plant] |= seen.replaced
        fetched += seen.fetched
    months = {plant: [one for one in of_plant if one.name not in replaced[plant]] for plant, of_plant in pushed.items()}
    superseded = {
        plant: _superseded(
            _where(store, plant), [one for one in of_plant if one[2].name not in replaced[plant]], months[plant]
        )
        for plant, of_plant in found.items()
    }
    return months, superseded, fetched


def _joined_elsewhere(_: Iterable[pa.Table]) -> list[Any]:
    raise AssertionError("parts are joined where the question was asked")


def _batches(months: Mapping[str, Sequence[PushedMonth]], count: int) -> Iterator[tuple[str, tuple[PushedMonth, ...]]]:
    """Yield work in pieces of whole months of one plant."""
    total = sum(one.size for of_plant in months.values() for one in of_plant)
    most = min(_BYTES_AT_ONCE, total // (_PIECES_EACH * count)) if count > 1 else _BYTES_AT_ONCE
    for plant, of_plant in months.items():
        batch: list[PushedMonth] = []
        for one in of_plant:
            # The segments of one month stay together: its quantiles are of all of them.
            if batch and batch[-1].month != one.month and sum(m.size for m in batch) + one.size > most:
                yield plant, tuple(batch)
                batch = []
            batch.append(one)
        if batch:
            yield plant, tuple(batch)


def _superseded(
    where: str, corrections: Iterable[tuple[str, int, PushedMonth]], months: Sequence[PushedMonth]
) -> dict[str, set[tuple[str, int]]]:
    """Return of each month the inspections of which it may hold superseded revisions, and the valid revision of each.

    Raises:
        IntegrityFailed: Two months hold the valid revision of an inspection: a fork.
    """
    holders: dict[str, dict[int, list[PushedMonth]]] = defaultdict(lambda: defaultdict(list))
    for key, revision, holder in corrections:
        holders[key][revision].append(holder)
    every_month = sorted({one.month for one in months})
    found: dict[str, set[tuple[str, int]]] = defaultdict(set)
    for key, revisions in holders.items():
        valid = max(revisions)
        if len(revisions[valid]) > 1:
            twice = " and ".join(one.name for one in sorted(revisions[valid]))
            raise IntegrityFailed(
                f"{where}: {twice} both hold revision {valid} of {key}; 'filmtally archive check' at the plant says which "
                "to keep"
            )
        # What it supersedes was committed between the start of the inspection and the correction.
        last = revisions[valid][0].month
        for month in every_month:
            if first_month(key) <= month <= last:
                found[month].add((key, valid))
    return found


# what a worker does


def _seen_in(look: _Look) -> _Found:
    store = _store(look.address)
    with ThreadPoolExecutor(_FETCHED_AT_ONCE) as several:
        manifests = list(several.map(lambda month: _manifest_of(store, look.plant, month), look.months))
        found = (
            list(several.map(lambda month: _corrections_of(store, look.plant, month), look.months))
            if look.corrections
            else []
        )
    replaced = {
        f"{month.month}-{said['replaces']}"
        for month, (said, _) in zip(look.months, manifests, strict=True)
        if "replaces" in said
    }
    fetched = sum(size for _, size in manifests) + sum(size for _, size in found)
    return _Found(look.plant, [one for part, _ in found for one in part], replaced, 0 if store.local else fetched)


def _manifest_of(store: Store, plant: str, month: PushedMonth) -> tuple[dict[str, Any], int]:
    """Return what the manifest of *month* says, and its bytes.

    Raises:
        IntegrityFailed: It is not the manifest of that month.
    """
    name = month.name + SEGMENT_ENDINGS[2]
    held = store.get(plant, FOLDED, READINGS.name, name)
    try:
        said = json.loads(held)
    except ValueError:
        said = None
    if not said_of(READINGS.name, month.month, name, said):
        raise IntegrityFailed(
            f"{_where(store, plant)}/{name}: is not the manifest of this month: it was copied, renamed or changed; remove it from "
            "the store, and push again from the plant"
        )
    return said, len(held)


def _corrections_of(store: Store, plant: str, month: PushedMonth) -> tuple[list[tuple[str, int, PushedMonth]], int]:
    """Return every revision above the first in *month*, and the bytes that were read to know."""
    name = month.name + SEGMENT_ENDINGS[0]
    wanted = ["inspection_id", "revision"]
    with store.reading(plant, FOLDED, READINGS.name, name) as source:
        try:
            with pq.ParquetFile(source, pre_buffer=True) as file:
                metadata = file.metadata
                columns = [n for n in range(metadata.num_columns) if metadata.schema.column(n).path in wanted]
                revision = next(n for n in columns if metadata.schema.column(n).path == "revision")
                groups = [
                    n for n in range(metadata.num_row_groups) if _may_hold(metadata.row_group(n).column(revision))
                ]
                rows = file.read_row_groups(groups, columns=wanted, use_threads=False)
        except (pa.ArrowException, StopIteration) as wrong:
            raise _not_whole(store, plant, name, wrong) from None
    size = metadata.serialized_size + sum(
        metadata.row_group(g).column(n).total_compressed_size for g in groups for n in columns
    )
    pairs = zip(*(rows.column(name).to_pylist() for name in wanted), strict=True)
    return [(str(key), int(of), month) for key, of in sorted({pair for pair in pairs if pair[1] > 1})], size


def _may_hold(revisions: Any) -> bool:
    found = revisions.statistics
    return found is None or not found.has_min_max or found.max > 1


def _answered(work: _Work) -> _Done:
    store = _store(work.address)
    with TemporaryDirectory(prefix="filmtally-plants-") as name:
        folder = Path(name)
        (folder / "spilled").mkdir()
        spilled = str(folder / "spilled").replace("'", "''")
        with ThreadPoolExecutor(_FETCHED_AT_ONCE) as several:
            here = list(several.map(lambda month: _here(store, work.plant, month, folder), work.months))
        paths: dict[str, list[Path]] = defaultdict(list)
        for month, (path, _) in zip(work.months, here, strict=True):
            paths[month.month].append(path)
        batch = [
            query.MonthFiles(month, tuple(of_month), (), work.superseded[month]) for month, of_month in paths.items()
        ]
        try:
            with query.connected() as connection:
                connection.execute(f"SET temp_directory = '{spilled}'")
                if work.threads is not None:
                    connection.execute(f"SET threads = {work.threads}")
                if work.memory is not None:
                    connection.execute(f"SET memory_limit = '{int(work.memory * _MEMORY_SHARE) >> 20}MiB'")
                tables = [query.answer_of(connection, batch, question) for question in work.questions]
        except FilmtallyError as wrong:
            # Who reads it knows the store, not this folder.
            raise type(wrong)(wrong.sentence.replace(str(folder), _where(store, work.plant))) from None
    return _Done(work.plant, tables, sum(size for _, size in here))


def _here(store: Store, plant: str, month: PushedMonth, folder: Path) -> tuple[Path, int]:
    """Return where the rows of *month* can be read on this machine, and the bytes that were fetched for it."""
    name = month.name + SEGMENT_ENDINGS[0]
    parts = (plant, FOLDED, READINGS.name)
    if store.local:
        return Path(store.path(*parts, name)), 0
    said, of_manifest = _manifest_of(store, plant, month)
    target = folder / name
    size, found = store.fetch(target, *parts, name)
    if found != said.get("rows_sha256"):
        raise IntegrityFailed(
            f"{_where(store, plant)}/{name}: is not the file that its manifest names; remove the month from the store and push "
            "it again from the plant"
        )
    return target, size + of_manifest


def _not_whole(store: Store, plant: str, name: str, wrong: BaseException) -> IntegrityFailed:
    said = (str(wrong).splitlines() or [type(wrong).__name__])[0]
    return IntegrityFailed(
        f"{_where(store, plant)}/{name}: cannot be read as Parquet ({said}); remove the month from the store and push it again "
        "from the plant"
    )


def _where(store: Store, plant: str) -> str:
    return f"{store.address.partition('?')[0].rstrip('/')}/{plant}/{FOLDED}/{READINGS.name}"


@lru_cache(maxsize=8)
def _store(address: str) -> Store:
    return open_store(address)

"""History over the months that a plant has pushed: by 1 and by 2 workers, from an object store and from a folder.

The answer of each is held against that of the embedded archive row by row, and timed beside it. Seconds of the processor are
told with those of the clock: both workers, and the object store, share this machine with whatever else it does. Workers
are started before, and asked once before they are timed; what starting them takes is a row of its own. The object store is
moto's on loopback: it shows bytes and requests, not what a network takes.

    python -m bench.group [--inspections N | --archive FOLDER] [--times N] [--no-s3]
"""

from __future__ import annotations

import argparse
import json
import os
import tempfile
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from archive import query
from archive.group import Here, ask, pushed_months
from archive.object_store import Store, open_store
from archive.push import push
from archive.questions import Question, Selection, month_summaries
from archive.workers import hands_of
from bench.large_archive import make
from bench.results_folder import RESULTS
from bench.seal_capture import most_memory_mb
from tests.archive.s3_server import KEYS, s3_server

_DEFAULT: Final = 2_000
_PER_MONTH: Final = 500
_PLANT: Final = "tollgate"


@dataclass
class _Run:
    seconds: float
    processor_s: float
    most_mb: float
    fetched: int


def rows(
    archive: Path | None = None, times: int = 2, with_s3: bool = True, inspections: int = _DEFAULT
) -> list[dict[str, Any]]:
    """Return the measured rows for the folded months of *archive*, or of one of *inspections* that is made."""
    found: list[dict[str, Any]] = []
    with ExitStack() as stack:
        found.append(_row("load of this machine when it began", 0, os.getloadavg()[0]))
        if archive is None:
            archive = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="filmtally-group-archive-"))) / "all"
            make(archive, inspections, per_month=_PER_MONTH)
        scratch = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="filmtally-group-")))
        # The archive without what is not pushed, so that both are asked of the same months.
        closed = scratch / "closed"
        closed.mkdir()
        (closed / "folded").symlink_to(archive.resolve() / "folded")
        stores = {"a folder": scratch.joinpath("store").as_uri()}
        if with_s3:
            os.environ.update(KEYS)
            stores["S3"] = stack.enter_context(s3_server("plants"))
        part = _some_part(closed)
        questions = {
            "all parts": month_summaries(Selection()),
            f"part {part}": month_summaries(Selection(part_no=part)),
        }
        embedded = {name: _best(times, lambda q=q: _embedded(closed, q)) for name, q in questions.items()}
        opened = {}
        for where, address in stores.items():
            opened[where] = open_store(address)
            start = time.perf_counter()
            sent = sum(one.size for one in push(closed, opened[where], _PLANT))
            found.append(_row(f"pushed to {where} (MB/s)", 0, sent / 1e6 / (time.perf_counter() - start)))
        found.append(_row("months pushed", 0, len(pushed_months(opened["a folder"], _PLANT))))

        def each(how: str, run: Any) -> None:
            for where, store in opened.items():
                for name, question in questions.items():
                    expected, floor = embedded[name]
                    what = f"{name}, {sum(row.n for row in expected):,} readings, {where}, {how}"
                    found.extend(_compared(what, expected, floor, *_best(times, lambda s=store, q=question: run(s, q))))

        each("this process alone", _alone)
        for workers in (1, 2):
            with _cluster(workers) as (client, started):
                found.append(_row(f"starting {workers} worker processes (s)", 0, started))
                for question in questions.values():
                    _by_workers(opened["a folder"], question, client)
                each(f"{workers} workers", lambda s, q, c=client: _by_workers(s, q, c))
    return found


def _some_part(root: Path) -> str:
    """Return the part with the most readings."""
    counts = query.ask(root, month_summaries(Selection(), ("part_no",)))
    return str(max(counts, key=lambda row: row.n).group[0])


def _best(times: int, run: Any) -> tuple[Any, _Run]:
    """Return the answer and the run that was quickest; the processor's seconds are the least of any."""
    made = [run() for _ in range(times)]
    best = min((one for _, one in made), key=lambda one: one.seconds)
    best.processor_s = min(one.processor_s for _, one in made)
    best.most_mb = max(one.most_mb for _, one in made)
    return made[0][0], best


def _embedded(root: Path, question: Question[Any]) -> tuple[Any, _Run]:
    start, processor = time.perf_counter(), time.process_time()
    found = query.ask(root, question)
    return found, _Run(time.perf_counter() - start, time.process_time() - processor, most_memory_mb(), 0)


def _alone(store: Store, question: Question[Any]) -> tuple[Any, _Run]:
    start, processor = time.perf_counter(), time.process_time()
    answer = ask(store, [_PLANT], question, Here())
    found = answer.per_plant()[_PLANT]
    run = _Run(time.perf_counter() - start, time.process_time() - processor, most_memory_mb(), answer.fetched)
    return found, run


def _by_workers(store: Store, question: Question[Any], client: Any) -> tuple[Any, _Run]:
    before = sum(client.run(time.process_time).values())
    start = time.perf_counter()
    answer = ask(store, [_PLANT], question, hands_of(client))
    found = answer.per_plant()[_PLANT]
    seconds = time.perf_counter() - start
    used = sum(client.run(time.process_time).values()) - before
    return found, _Run(seconds, used, max(client.run(most_memory_mb).values()), answer.fetched)


@contextmanager
def _cluster(workers: int) -> Iterator[tuple[Any, float]]:
    import logging

    import distributed

    start = time.perf_counter()
    with (
        distributed.LocalCluster(
            n_workers=workers,
            threads_per_worker=1,
            host="127.0.0.1",
            dashboard_address="127.0.0.1:0",
            silence_logs=logging.CRITICAL,
        ) as cluster,
        distributed.Client(cluster) as client,
    ):
        yield client, time.perf_counter() - start


def _compared(what: str, expected: Any, floor: _Run, found: Any, ours: _Run) -> Iterator[dict[str, Any]]:
    if expected != found:
        raise AssertionError(f"{what}: the answer is not that of the embedded archive")
    yield _row(f"{what} (s); floor: embedded", floor.seconds, ours.seconds)
    yield _row(f"{what} (processor s); floor: embedded", floor.processor_s, ours.processor_s)
    yield _row(f"{what}, most memory of a process (MB); floor: embedded, and this bench", floor.most_mb, ours.most_mb)
    if ours.fetched:
        yield _row(f"{what}, fetched (MB)", 0, ours.fetched / 1e6)


def _row(name: str, floor: float, ours: float) -> dict[str, Any]:
    row = {
        "name": name,
        "floor": round(floor, 2),
        "ours": round(ours, 2),
        "ratio": round(ours / floor, 2) if floor else "",
        "aim": "reported",
    }
    print(f"{row['name']:<110} {row['floor']:>9} {row['ours']:>9} {row['ratio']:>7}", flush=True)
    return row


def main() -> None:
    """Measure, print a table, and write group.json."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--inspections", type=int, default=_DEFAULT, help="of the archive that is made")
    parser.add_argument("--archive", type=Path, help="an archive that is there, instead")
    parser.add_argument("--times", type=int, default=2, help="runs of each, of which the best is told")
    parser.add_argument("--no-s3", action="store_true", help="the folder alone")
    args = parser.parse_args()
    table = rows(args.archive, args.times, not args.no_s3, args.inspections)
    table.append(_row("load of this machine when it was over", 0, os.getloadavg()[0]))
    RESULTS.mkdir(exist_ok=True)
    (RESULTS / "group.json").write_text(json.dumps(table, indent=2, ensure_ascii=False) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()

"""The questions asked of two plants on a real S3 server, here and by real workers, against each plant's own archive."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import distributed
import pytest

from archive import query, questions, workers
from archive.fold import fold
from archive.group import Here, ask, ask_at_once, plants_of, pushed_months
from archive.object_store import Store, open_store
from archive.push import push
from archive.questions import Question, Selection
from archive.workers import hands_of, working
from schemas.errors import BadInput, IntegrityFailed
from tests.archive import scenario
from tests.archive.s3_server import KEYS, s3_server
from tests.archive.test_questions import APART
from tests.archive.test_questions import _filled as filled

PLANTS = {"kestrel": 3, "north-road": 4}  # and the seeds of their archives
EVERY_MONTH_OVER = scenario.START + timedelta(days=150)
START, END = scenario.START + APART, scenario.START + APART * 11

QUESTIONS: list[Any] = [
    pytest.param(questions.month_summaries(Selection()), id="months by part and location"),
    pytest.param(questions.month_summaries(Selection(customer="strasser"), ()), id="months of a customer"),
    pytest.param(questions.inspection_summaries(Selection(part_no="P-1", since=START)), id="inspections"),
    pytest.param(questions.build_counts(Selection(), ("sprayer", "rack_position")), id="counts of builds"),
    pytest.param(questions.affected("G-1", None, START, END), id="look-back"),
    pytest.param(questions.affected("G-1", "magnetic", None, END, every_revision=True), id="every revision"),
]


@pytest.fixture(scope="module")
def roots(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Return the archives of the plants, all months folded, one of them in two goes."""
    made = {}
    for plant, seed in PLANTS.items():
        goes = (
            (lambda archive: fold(archive.root, scenario.START + APART * 9)) if plant == "kestrel" else lambda _: None
        )
        made[plant] = filled(tmp_path_factory.mktemp(plant), seed, goes)[0]
        assert fold(made[plant], EVERY_MONTH_OVER).months
        assert not list((made[plant] / "readings").rglob("*.parquet"))
    return made


@pytest.fixture(scope="module")
def address(roots: dict[str, Path]) -> Iterator[str]:
    with pytest.MonkeyPatch.context() as environment:
        for name, value in KEYS.items():
            environment.setenv(name, value)
        with s3_server("plants") as found:
            for plant, root in roots.items():
                assert {one.how for one in push(root, open_store(found), plant)} == {"sent"}
            yield found


@pytest.fixture(scope="module")
def store(address: str) -> Store:
    return open_store(address)


@pytest.fixture(scope="module")
def folder(roots: dict[str, Path], tmp_path_factory: pytest.TempPathFactory) -> Store:
    """Return a store that is a folder, to which both plants have pushed."""
    found = open_store((tmp_path_factory.mktemp("store") / "store").as_uri())
    for plant, root in roots.items():
        list(push(root, found, plant))
    return found


@pytest.fixture(scope="module")
def client(address: str) -> Iterator[distributed.Client]:
    """Return a client of two worker processes; they know the server's keys from the environment."""
    with (
        distributed.LocalCluster(
            n_workers=2, threads_per_worker=1, host="127.0.0.1", dashboard_address="127.0.0.1:0"
        ) as cluster,
        distributed.Client(cluster, set_as_default=False) as found,
    ):
        yield found


def _own(roots: dict[str, Path], question: Question[Any]) -> dict[str, list[Any]]:
    return {plant: query.ask(root, question) for plant, root in roots.items()}


@pytest.mark.parametrize("question", QUESTIONS)
def test_workers_answer_of_a_store_what_each_plant_s_own_archive_answers(
    roots: dict[str, Path], store: Store, client: distributed.Client, question: Question[Any]
) -> None:
    found = ask(store, plants_of(store), question, hands_of(client))
    expected = _own(roots, question)
    assert all(expected.values())
    assert expected == found.per_plant()
    assert found.fetched > 0


@pytest.mark.parametrize(
    ("question", "kind"), [(QUESTIONS[2].values[0], "s3"), *((q.values[0], "folder") for q in QUESTIONS)]
)
def test_one_process_alone_answers_the_same_of_an_object_store_and_of_a_folder(
    roots: dict[str, Path], store: Store, folder: Store, question: Question[Any], kind: str
) -> None:
    store = folder if kind == "folder" else store
    found = ask(store, PLANTS, question)
    assert _own(roots, question) == found.per_plant()
    assert (found.fetched > 0) == (kind == "s3")


def test_corrections_supersede_across_months(roots: dict[str, Path], store: Store) -> None:
    """Otherwise the tests above could not fail by counting a superseded revision."""
    everything = ask(store, PLANTS, questions.affected("G-1", None, None, None, every_revision=True)).per_plant()
    for plant, valid in ask(store, PLANTS, questions.affected("G-1", None, None, None)).per_plant().items():
        months = {row.inspection_id: row.month for row in valid}
        gone = [row for row in everything[plant] if row not in valid]
        assert any(row.month < months.get(row.inspection_id, "") for row in gone)


def test_counts_of_builds_add_up_over_plants_and_quantiles_are_given_per_plant_alone(
    roots: dict[str, Path], store: Store
) -> None:
    question = questions.build_counts(Selection(), ("part_no",))
    expected: Counter[Any] = Counter()
    for rows in _own(roots, question).values():
        expected.update({(row.group, row.build_um): row.count for row in rows})
    together = ask(store, PLANTS, question).together()
    assert {(row.group, row.build_um): row.count for row in together} == expected
    assert together == sorted(together, key=lambda row: (row.group, row.build_um))
    with pytest.raises(ValueError, match="quantiles over several plants do not follow from those of each"):
        ask(store, PLANTS, questions.month_summaries(Selection())).together()


def test_questions_asked_at_once_fetch_each_month_once(roots: dict[str, Path], store: Store) -> None:
    asked = [questions.month_summaries(Selection()), questions.inspection_summaries(Selection())]
    found = ask_at_once(store, PLANTS, asked)
    assert [_own(roots, question) for question in asked] == [answer.per_plant() for answer in found]
    assert found[0].fetched == ask(store, PLANTS, asked[0]).fetched
    with pytest.raises(ValueError):
        ask_at_once(store, PLANTS, [asked[0], questions.affected("G-1", None, None, None, every_revision=True)])


def test_a_worker_that_is_killed_at_work_is_replaced_and_the_answer_is_whole(
    roots: dict[str, Path], store: Store, client: distributed.Client, tmp_path: Path
) -> None:
    once = tmp_path / "killed"

    class Killing:
        count, threads, memory = 2, 1, None

        def each(self, do: Any, work: Any) -> Iterator[Any]:
            return hands_of(client).each(_killing_once(do, once), work)

    question = questions.month_summaries(Selection())
    assert _own(roots, question) == ask(store, PLANTS, question, Killing()).per_plant()
    assert once.exists()


def _killing_once(do: Any, once: Path) -> Any:
    def done(work: Any) -> Any:
        if not once.exists():
            once.touch()
            os.kill(os.getpid(), signal.SIGKILL)
        return do(work)

    return done


def _pushed(tmp_path: Path, roots: dict[str, Path]) -> Store:
    store = open_store((tmp_path / "store").as_uri())
    list(push(roots["kestrel"], store, "kestrel"))
    return store


@pytest.mark.parametrize("workers", [False, True])
def test_a_month_that_is_damaged_on_the_store_is_one_sentence(
    roots: dict[str, Path], store: Store, client: distributed.Client, workers: bool
) -> None:
    folder = ("kestrel", "folded", "readings")
    one = pushed_months(store, "kestrel")[0]
    whole = store.get(*folder, f"{one.name}.parquet")
    damaged = bytearray(whole)
    damaged[len(whole) // 3] ^= 1
    try:
        with store.files.open_output_stream(store.path(*folder, f"{one.name}.parquet")) as file:
            file.write(bytes(damaged))
        with pytest.raises(IntegrityFailed, match=f"{one.name}.parquet: is not the file that its manifest names"):
            ask(store, PLANTS, QUESTIONS[0].values[0], hands_of(client) if workers else Here())
    finally:
        with store.files.open_output_stream(store.path(*folder, f"{one.name}.parquet")) as file:
            file.write(whole)


def test_a_file_cut_short_in_a_folder_is_one_sentence(roots: dict[str, Path], tmp_path: Path) -> None:
    store = _pushed(tmp_path, roots)
    one = pushed_months(store, "kestrel")[1]
    path = tmp_path / "store/kestrel/folded/readings" / f"{one.name}.parquet"
    path.write_bytes(path.read_bytes()[:-50])
    with pytest.raises(IntegrityFailed, match=f"{one.name}.parquet: cannot be read as Parquet"):
        ask(store, ["kestrel"], QUESTIONS[0].values[0])
    with pytest.raises(IntegrityFailed, match=f"{one.name}.parquet: cannot be read as Parquet"):
        ask(store, ["kestrel"], QUESTIONS[5].values[0])  # which looks for no corrections
    path.unlink()
    with pytest.raises(IntegrityFailed, match=f"{one.name}.json is there and its rows file is not"):
        ask(store, ["kestrel"], QUESTIONS[0].values[0])


def test_two_months_that_hold_the_same_revision_are_a_fork_and_no_answer(
    roots: dict[str, Path], tmp_path: Path
) -> None:
    store = _pushed(tmp_path, roots)
    corrected = [
        row for row in query.ask(roots["kestrel"], questions.affected("G-1", None, None, None)) if row.revision > 1
    ]
    folder = tmp_path / "store/kestrel/folded/readings"
    (held,) = [one for one in pushed_months(store, "kestrel") if _holds(folder / f"{one.name}.parquet", corrected[0])]
    twin = f"2027-05-{'ab' * 8}"
    for ending in (".parquet", ".json"):
        (folder / f"{twin}{ending}").write_bytes((folder / f"{held.name}{ending}").read_bytes())
    for question in (QUESTIONS[0], QUESTIONS[5]):  # which looks for no corrections
        with pytest.raises(IntegrityFailed, match=rf"{twin}.json: is not the manifest of this month: it was copied"):
            ask(store, ["kestrel"], question.values[0])
    manifest = folder / f"{twin}.json"
    manifest.write_text(
        manifest.read_text().replace(held.name, twin).replace(f'"month":"{held.month}"', '"month":"2027-05"')
    )
    with pytest.raises(IntegrityFailed, match=f"{twin} both hold revision"):
        ask(store, ["kestrel"], QUESTIONS[0].values[0])


def test_what_a_removal_took_the_place_of_counts_no_more_though_the_store_still_has_it(
    roots: dict[str, Path], tmp_path: Path
) -> None:
    store = _pushed(tmp_path, roots)
    before = {name: ask(store, ["kestrel"], QUESTIONS[at].values[0]).together() for name, at in (("n", 3), ("all", 5))}
    folder = tmp_path / "store/kestrel/folded/readings"
    old = pushed_months(store, "kestrel")[1]
    new = f"{old.month}-{'cd' * 8}"
    for ending in (".parquet", ".records.parquet", ".json"):
        (folder / f"{new}{ending}").write_bytes((folder / f"{old.name}{ending}").read_bytes())
    manifest = folder / f"{new}.json"
    said = json.loads(manifest.read_text().replace(old.name, new))
    manifest.write_text(json.dumps(said | {"replaces": old.name.removeprefix(f"{old.month}-")}))
    assert len(pushed_months(store, "kestrel")) > 1
    for name, at in (("n", 3), ("all", 5)):
        assert ask(store, ["kestrel"], QUESTIONS[at].values[0]).together() == before[name]


def _holds(path: Path, row: questions.Affected) -> bool:
    import pyarrow.parquet as pq

    held = pq.read_table(path, columns=["inspection_id", "revision"]).to_pylist()
    return {"inspection_id": row.inspection_id, "revision": row.revision} in held


def test_plants_that_are_not_there_are_named(store: Store, tmp_path: Path) -> None:
    assert plants_of(store) == sorted(PLANTS)
    assert plants_of(store, ["north-road"]) == ["north-road"]
    with pytest.raises(BadInput, match="there is no plant south; there are: kestrel, north-road"):
        plants_of(store, ["kestrel", "south"])
    with pytest.raises(BadInput, match="no plant has pushed to this place"):
        plants_of(open_store((tmp_path / "empty").as_uri()))


def test_a_scheduler_that_is_not_there_is_one_sentence() -> None:
    with socket.socket() as free:  # bound and not listening: whoever calls is refused
        free.bind(("127.0.0.1", 0))
        address = f"tcp://127.0.0.1:{free.getsockname()[1]}"
        with (
            pytest.raises(BadInput, match=f"--scheduler {address}: no scheduler answers there"),
            working(None, address),
        ):
            pass
    with pytest.raises(BadInput, match="no scheduler answers there"), working(None, "nonsense://x"):
        pass


@pytest.mark.parametrize("address", ["nowhere", "tcp://127.0.0.1:1", "tcp://nowhere.invalid:8786"])
def test_a_scheduler_that_is_not_there_leaves_nothing_behind_the_sentence(address: str) -> None:
    """In a process of its own: what is left of a client is shown when it is cleared away."""
    code = (
        "import sys; from archive import workers; from schemas.errors import BadInput\n"
        "workers._ANSWERS_WITHIN_S = 1\n"
        "try:\n    with workers.working(None, sys.argv[1]): pass\nexcept BadInput as wrong: print(wrong.sentence)"
    )
    began = time.monotonic()
    said = subprocess.run(
        [sys.executable, "-c", code, address], cwd=Path(__file__).parents[2], capture_output=True, text=True, check=True
    )
    assert said.stdout.startswith(f"--scheduler {address}: no scheduler answers there (")
    assert said.stderr == ""
    assert time.monotonic() - began < 15


def test_a_scheduler_that_runs_already_is_used(
    roots: dict[str, Path], store: Store, client: distributed.Client
) -> None:
    question = questions.affected("G-1", None, START, END)
    with working(None, client.scheduler.address) as hands:
        assert hands.count == 2
        assert _own(roots, question) == ask(store, PLANTS, question, hands).per_plant()


def test_workers_of_another_version_are_refused(client: distributed.Client, monkeypatch: pytest.MonkeyPatch) -> None:
    there = client.scheduler.address
    theirs = workers.code_sha256
    monkeypatch.setattr(workers, "code_sha256", lambda: theirs() + "-other")
    monkeypatch.setattr(distributed.Client, "run", lambda self, _: {"a worker": theirs()})
    with pytest.raises(BadInput, match="its workers do not have this version of filmtally"), working(None, there):
        pass


def test_without_the_package_the_sentence_says_how_to_install_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(BadInput, match=r"pip install 'filmtally\[group\]'"), working(2):
        pass
    with working() as hands:  # without workers nothing is missed
        assert hands == Here()


@pytest.mark.parametrize(("workers", "scheduler"), [(0, None), (1000, None), (2, "tcp://x:1")])
def test_workers_that_make_no_sense_are_refused(workers: int, scheduler: str | None) -> None:
    with pytest.raises(BadInput), working(workers, scheduler):
        pass

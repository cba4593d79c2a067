"""The index: what it says is what the archive says, whatever becomes of the index; held against reading everything.

The archive is a small one of the bench's invented plant: two months folded, a third under way, with corrections.
"""

from __future__ import annotations

import json
import os
import random
import shutil
import sqlite3
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from pathlib import Path

import pyarrow as pa
import pytest

from archive import index, listing, segments, stored
from archive.fold import fold
from archive.index import Index, ListedInspection, cache_folder, index_path
from archive.layout import TABLE_FOLDERS
from archive.naming import inspection_named
from archive.store import Archive
from bench import large_archive
from ingest.findings_text import findings_json
from ingest.sealing import _judged
from schemas import parquet
from schemas.errors import BadInput, IntegrityFailed
from schemas.gauge_checks import GAUGE_CHECKS
from schemas.inspections import Inspection
from schemas.job import Job
from schemas.vocabulary import CheckKind

INSPECTIONS, PER_MONTH = 30, 12


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("large") / "archive"
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(large_archive, "_CORRECTED", 300)
        patch.setattr(large_archive, "_CERTIFIED", 300)
        large_archive.make(root, INSPECTIONS, per_month=PER_MONTH)
    return root


@pytest.fixture
def root(made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("FILMTALLY_CACHE", str(tmp_path / "cache"))
    return Path(shutil.copytree(made, tmp_path / "archive"))


def plainly(root: Path, all_revisions: bool = True) -> list[Inspection]:
    return Archive(root, "look").inspections(all_revisions)


# ---- the generated archive -------------------------------------------------------------------


def test_a_generated_archive_is_whole(root: Path) -> None:
    archive = Archive(root, "look")
    assert archive.check() == []
    assert len(archive.inspections()) == INSPECTIONS
    assert len(plainly(root)) > INSPECTIONS
    assert archive.certificates()
    assert len(segments.segments(root, "readings")) == 2


def test_a_generated_inspection_says_what_the_program_makes_of_its_readings(root: Path) -> None:
    archive = Archive(root, "look")
    for one in archive.inspections():
        job = Job.from_json(one.job_json)
        assert job.to_json() == one.job_json
        findings, verdict = _judged(job, archive.reading_records(one.inspection_id))
        assert (one.findings_json, one.conformity) == (findings_json(findings), verdict.name)


def test_a_seed_makes_the_same_archive_again(root: Path, tmp_path: Path) -> None:
    ones = []
    for name in ("one", "other"):
        large_archive.make(tmp_path / name, 8, per_month=4)
        ones.append({path.relative_to(tmp_path / name): path.read_bytes() for path in (tmp_path / name).rglob("*.*")})
    assert ones[0] == ones[1]


# ---- looking up ------------------------------------------------------------------------------


def test_each_inspection_is_found_where_reading_all_names_finds_it(root: Path) -> None:
    folders = listing.Folders(root)
    every = listing.commits(root, "readings")
    for one in every:
        plain = {found.name: found for found in listing.find_folded(root, "readings", one.name.key)}
        found = {found.name: found for found in listing.find(folders, "readings", one.name.key)}
        assert plain.items() <= found.items()
        assert found[one.name] == one
        assert listing.find(folders, "readings", one.name.key, one.name.revision) == [one]
    assert listing.find(folders, "readings", "20160101-000000-AAAA") == []
    assert index_path(root).is_file()


def test_the_head_is_each_benchs_last_commit(root: Path) -> None:
    every = [one for table in TABLE_FOLDERS for one in listing.commits(root, table)]
    last = {one.name.bench: one.name.seq for one in sorted(every, key=lambda one: one.name.seq)}
    assert {bench: said["seq"] for bench, said in json.loads(Archive(root, "look").head()).items()} == last
    for table in TABLE_FOLDERS:
        shutil.rmtree(root / table / "2026-11", ignore_errors=True)
    every = [one for table in TABLE_FOLDERS for one in listing.commits(root, table)]
    last = {one.name.bench: one.name.seq for one in sorted(every, key=lambda one: one.name.seq)}
    assert {bench: said["seq"] for bench, said in json.loads(Archive(root, "look").head()).items()} == last


def test_checks_and_certificates_are_found_too(root: Path) -> None:
    folders = listing.Folders(root)
    for table in ("gauge_checks", "certificates"):
        for one in listing.commits(root, table):
            assert listing.find(folders, table, one.name.key) == [one]


@pytest.mark.parametrize("all_revisions", [False, True])
def test_what_is_listed_and_chosen_is_what_reading_everything_comes_to(root: Path, all_revisions: bool) -> None:
    archive, every = Archive(root, "look"), plainly(root, all_revisions)
    some = random.Random(5).sample(every, 6)
    times = sorted(one.sealed_at for one in every)
    asked: list[tuple[dict[str, object], Callable[[Inspection], bool]]] = [({}, lambda i: True)]
    for one in some:
        asked += [
            ({"number": one.inspection_id}, lambda i, o=one: i.inspection_id == o.inspection_id),
            ({"lot": one.lot}, lambda i, o=one: i.lot == o.lot),
            ({"part_no": one.part_no}, lambda i, o=one: i.part_no == o.part_no),
            ({"customer": one.customer}, lambda i, o=one: i.customer == o.customer),
            ({"gauge_serial": one.gauge_serial}, lambda i, o=one: i.gauge_serial == o.gauge_serial),
            ({"beginning": one.inspection_id[:10]}, lambda i, o=one: i.inspection_id[:10] == o.inspection_id[:10]),
            ({"since": one.sealed_at}, lambda i, o=one: i.sealed_at >= o.sealed_at),
            ({"before": one.sealed_at}, lambda i, o=one: i.sealed_at < o.sealed_at),
            (
                {"customer": one.customer, "since": times[5], "before": times[-5]},
                lambda i, o=one: i.customer == o.customer and times[5] <= i.sealed_at < times[-5],
            ),
        ]
    asked.append(({"part_no": "there is none"}, lambda i: False))
    last = {one.inspection_id: one.revision for one in plainly(root, all_revisions=False)}
    for wanted, fits in asked:
        brute = [one for one in every if fits(one)]
        assert archive.chosen(**wanted, all_revisions=all_revisions) == brute  # type: ignore[arg-type]
        listed = archive.listed(**wanted, all_revisions=all_revisions)  # type: ignore[arg-type]
        assert listed == [ListedInspection.of(one, one.revision < last[one.inspection_id]) for one in brute]


def test_a_name_is_looked_up_without_reading_all_inspections(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    every = plainly(root, all_revisions=False)
    commits = listing.commits
    # Whether a lot was removed by order is asked of the tombstones alone.
    monkeypatch.setattr(listing, "commits", lambda *of: commits(*of) if "tombstones" in of else _never())
    monkeypatch.setattr(stored, "_records_in", _never)
    archive = Archive(root, "look")
    for one in every:
        assert inspection_named(one.inspection_id, archive) == one
        assert inspection_named(one.lot, archive) == one
        assert inspection_named(one.inspection_id[:-1], archive) == one
    with pytest.raises(BadInput, match="there is no sealed inspection 'nothing'"):
        inspection_named("nothing", archive)
    with pytest.raises(BadInput, match="names 30 inspections.*, …; name one by its number"):
        inspection_named("20", archive)


def _never(*_: object, **__: object) -> object:
    raise AssertionError("this reads everything")


# ---- what becomes of the index ---------------------------------------------------------------


def _deleted(path: Path) -> None:
    path.unlink()


def _garbage(path: Path) -> None:
    path.write_bytes(b"no database" * 500)


def _cut_short(path: Path) -> None:
    content = path.read_bytes()
    path.write_bytes(content[: len(content) // 2])


def _flipped(path: Path) -> None:
    content = bytearray(path.read_bytes())
    for at in range(4096, len(content), 7):
        content[at] ^= 0x55
    path.write_bytes(bytes(content))


def _changed(*statements: str) -> Callable[[Path], None]:
    def change(path: Path) -> None:
        db = sqlite3.connect(path)
        with db:
            for statement in statements:
                db.execute(statement)
        db.close()

    return change


DAMAGE = {
    "deleted": _deleted,
    "garbage": _garbage,
    "cut short": _cut_short,
    "flipped": _flipped,
    "places moved": _changed("UPDATE commits SET row = row + 1, first_row = first_row + 60"),
    "rows beyond the end": _changed("UPDATE commits SET row = 100000"),
    "first rows moved": _changed("UPDATE commits SET first_row = 0"),
    "a segment that is not there": _changed("UPDATE segments SET id = '0123456789abcdef'"),
    "a table gone": _changed("DROP TABLE words"),
    "another version": _changed("UPDATE about SET value = '{}' WHERE name = 'index'"),
    "facts exchanged": _changed("UPDATE commits SET lot = 'another' || lot"),
}


@pytest.mark.parametrize("damage", DAMAGE.values(), ids=DAMAGE)
def test_a_damaged_index_is_made_again_or_passed_over(root: Path, damage: Callable[[Path], None]) -> None:
    every = plainly(root, all_revisions=False)
    first = Archive(root, "look")
    first.listed()
    first.inspection(every[0].inspection_id)
    first.close()
    damage(index_path(root))
    archive = Archive(root, "look")
    for one in every:
        assert archive.inspection(one.inspection_id) == one
        assert archive.readings(one.inspection_id).num_rows == one.readings_counted + one.readings_excluded
    part = every[3].part_no
    assert archive.chosen(part_no=part) == [one for one in every if one.part_no == part]


def test_where_no_index_can_be_written_the_archive_answers(
    root: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    every = plainly(root, all_revisions=False)
    (tmp_path / "a file").write_bytes(b"")
    monkeypatch.setenv("FILMTALLY_CACHE", str(tmp_path / "a file"))
    archive = Archive(root, "look")
    for one in every:
        assert archive.inspection(one.inspection_id) == one
    assert archive.chosen(lot=every[1].lot) == [every[1]]
    assert inspection_named(every[1].lot, archive) == every[1]


def test_nothing_is_written_into_the_archive(root: Path) -> None:
    before = sorted(root.rglob("*"))
    archive = Archive(root, "look")
    archive.listed(lot="L")
    assert sorted(root.rglob("*")) == before
    assert index_path(root).parent == cache_folder() != root


def test_no_file_is_opened_where_nothing_changed(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    listed = Archive(root, "look").listed()
    monkeypatch.setattr(index, "_rows_of", _never)
    monkeypatch.setattr(index, "segments", _never)
    monkeypatch.setattr(stored, "record_text", _never)
    assert Archive(root, "look").listed() == listed


def test_a_month_that_is_folded_is_taken_up_and_a_segment_that_is_gone_is_dropped(root: Path) -> None:
    archive = Archive(root, "look")
    every = plainly(root)
    assert archive.chosen(all_revisions=True) == every
    assert fold(root, datetime(2027, 1, 15, tzinfo=UTC))
    assert listing.singles(root, "readings") == []
    for which in (archive, Archive(root, "look")):
        assert which.chosen(all_revisions=True) == every
        for one in every:
            assert which.inspection(one.inspection_id, one.revision) == one
    gone = segments.segments(root, "readings")[0]
    there = [one for one in every if f"{one.sealed_at:%Y-%m}" != gone.month]
    for path in reversed(gone.paths):
        path.unlink()
    for which in (archive, Archive(root, "look")):
        assert [one.inspection_id for one in which.listed(all_revisions=True)] == [one.inspection_id for one in there]


def test_the_checks_of_a_gauge_are_those_that_reading_every_check_finds(root: Path) -> None:
    every = Archive(root, "look").checks()
    lasting = (CheckKind.CALIBRATION, CheckKind.STUDY)
    middle = every[len(every) // 2].done_at
    assert len({one.gauge_serial for one in every}) > 1
    for gauge in sorted({one.gauge_serial for one in every}):
        of_gauge = [one for one in every if one.gauge_serial == gauge]
        assert Archive(root, "look").checks(gauge) == of_gauge
        recent = [one for one in of_gauge if one.done_at >= middle or one.kind in lasting]
        assert 0 < len(recent) < len(of_gauge)
        assert Archive(root, "look").checks(gauge, middle, lasting=lasting) == recent
        older = [one for one in of_gauge if one.done_at < middle or one.kind in lasting]
        assert Archive(root, "look").checks(gauge, None, middle, lasting=lasting) == older
        assert Archive(root, "look").checks(gauge, middle) == [one for one in recent if one.done_at >= middle]
    assert Archive(root, "look").checks("no such gauge") == []


def test_a_check_that_was_given_another_gauge_is_not_passed_over(root: Path) -> None:
    gauge = Archive(root, "look").checks()[0].gauge_serial
    segment = segments.segments(root, "gauge_checks")[0]
    rows = segments.rows_of(segment)
    other = ["another" if serial == gauge else serial for serial in rows.column("gauge_serial").to_pylist()]
    where = rows.column_names.index("gauge_serial")
    forged = rows.set_column(where, rows.schema.field(where), pa.array(other))
    parquet.write_folded(GAUGE_CHECKS, forged, segment.rows_path, [rows.num_rows])
    with pytest.raises(IntegrityFailed, match="its rows are not those that were committed"):
        Archive(root, "look").checks(gauge)


def test_an_index_that_says_another_place_for_a_check_is_not_believed(root: Path) -> None:
    archive = Archive(root, "look")
    every = archive.checks()
    gauge = every[0].gauge_serial
    assert archive.checks(gauge)
    archive.close()
    db = sqlite3.connect(index_path(root))
    db.execute("UPDATE commits SET row = row + 1 WHERE done_at IS NOT NULL")
    db.commit()
    db.close()
    assert Archive(root, "look").checks(gauge) == [one for one in every if one.gauge_serial == gauge]


def test_a_segment_that_comes_within_a_tick_of_the_clock_is_seen(root: Path) -> None:
    """The folder's time of change says what is new, unless it is so young that it may change again and stay the same."""
    archive = Archive(root, "look")
    assert archive.chosen(all_revisions=True) == plainly(root)
    folder = segments.folded_folder(root, "readings")
    long_ago = time.time() - 3600
    for way in ("at once", "later"):
        os.utime(folder, (long_ago, long_ago) if way == "later" else None)
        assert archive.inspection(plainly(root)[0].inspection_id)
    before = folder.stat().st_mtime_ns
    assert fold(root, datetime(2027, 1, 15, tzinfo=UTC)).months
    assert folder.stat().st_mtime_ns != before
    for one in plainly(root):
        assert archive.inspection(one.inspection_id, one.revision) == one


def test_several_programs_may_make_the_index_at_once(root: Path) -> None:
    every = plainly(root, all_revisions=False)
    with ThreadPoolExecutor(4) as several:
        found = list(several.map(lambda _: _all_listed(root), range(8)))
    assert found == [[one.inspection_id for one in every]] * 8
    db = sqlite3.connect(index_path(root))
    assert db.execute("SELECT count(*) FROM commits WHERE lot IS NOT NULL").fetchone() == (len(plainly(root)),)
    assert db.execute("SELECT count(*) FROM segments WHERE in_table = 'readings'").fetchone() == (2,)
    db.close()


def _all_listed(root: Path) -> list[str]:
    archive = Archive(root, "look")
    try:
        return [one.inspection_id for one in archive.listed()]
    finally:
        archive.close()


def test_facts_are_read_out_of_a_record_without_parsing_it() -> None:
    said = {"lot": 'a "quoted", \\ lot', "sealed_at": "2026-11-03T09:15:02.123Z", "coats": 2, "readings_counted": 60}
    said |= {"part_no": "P{1}", "customer": "µ", "gauge_serial": "G", "probe_mode": "magnetic", "conformity": "PASS"}
    facts = said | {"purchase_order": None, "job_json": '{"customer":"other","lot":"none","coats":9}', "shop": "S"}
    from archive.ledger import canonical

    text = canonical({"bench": "b", "facts": facts, "key": "k"}).encode()
    assert index._facts(text, 0, len(text), "here") == said | {"purchase_order": None}


@pytest.mark.parametrize(
    ("platform", "variables", "folder"),
    [
        ("linux", {"XDG_CACHE_HOME": "/x/cache"}, "/x/cache/filmtally"),
        ("linux", {"HOME": "/home/ida"}, "/home/ida/.cache/filmtally"),
        ("darwin", {"HOME": "/Users/ida"}, "/Users/ida/Library/Caches/filmtally"),
        ("win32", {"LOCALAPPDATA": "/ida/Local"}, "/ida/Local/filmtally"),
        ("linux", {"FILMTALLY_CACHE": "/elsewhere"}, "/elsewhere"),
    ],
)
def test_the_index_lies_where_each_system_keeps_caches(
    monkeypatch: pytest.MonkeyPatch, platform: str, variables: dict[str, str], folder: str
) -> None:
    for name in ("XDG_CACHE_HOME", "LOCALAPPDATA", "FILMTALLY_CACHE"):
        monkeypatch.delenv(name, raising=False)
    for name, value in variables.items():
        monkeypatch.setenv(name, value)
    monkeypatch.setattr("sys.platform", platform)
    assert cache_folder() == Path(folder)


def test_without_segments_nothing_is_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FILMTALLY_CACHE", str(tmp_path / "cache"))
    archive = Archive(tmp_path / "archive", "bench1")
    assert archive.chosen(lot="L") == []
    assert Index(tmp_path / "archive").folded("readings", "K") == []
    assert not os.path.lexists(tmp_path / "cache")

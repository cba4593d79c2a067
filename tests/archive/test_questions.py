"""Every question to the archive against the same reckoned reading by reading, in fractions, from what was committed."""

from __future__ import annotations

import dataclasses
import json
import random
import statistics
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable
from datetime import datetime, timedelta
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest

from archive import query, questions, segments
from archive.as_written import demand_as_written
from archive.fold import fold
from archive.questions import Selection
from archive.store import Archive
from rules.film_build import film_build, is_judged
from rules.statistics import mean, nearest_rank_quantile, standard_deviation
from schemas import parquet
from schemas.errors import BadInput, IntegrityFailed
from schemas.readings import READINGS, GaugeReading
from schemas.units import Unit, from_um
from tests.archive import scenario

CUSTOMERS = ("Straßer & Söhne", "STRASSER NORD", "Ferrow Gate Works")
APART = timedelta(days=5, hours=9, milliseconds=1)  # fourteen inspections, three months

Held = list[tuple[str, GaugeReading]]  # the month of the commit, and the reading


def _readings_of(inspection: Any, chance: random.Random) -> list[GaugeReading]:
    """Return random readings for *inspection*: mil and µm, on and beside the limits, base metal, other coat stages."""
    unit = chance.choice(list(Unit))
    lower, upper = (Decimal("60"), Decimal("90")) if unit is Unit.UM else (Decimal("2.4"), Decimal("3.5"))
    limits = {
        name: (lower if chance.random() < 0.8 else None, upper if chance.random() < 0.8 else None) for name in "abc"
    }
    base = chance.choice([None, Decimal("3.5"), Decimal("0.0254")])
    found = []
    for old in scenario.reading_records(inspection):
        build = chance.choice(
            [Decimal(chance.randrange(500, 1000)) / 10, Decimal(chance.randrange(200, 400)) / 100 * Decimal("25.4")]
            + [limit * (1 if unit is Unit.UM else Decimal("25.4")) for limit in (lower, upper)]
        )
        location = chance.choice("abc")
        found.append(
            dataclasses.replace(
                old,
                location=location,
                taken_at=inspection.sealed_at - timedelta(milliseconds=chance.randrange(40 * 86_400_000)),
                coat_stage=chance.choice(["total"] * 9 + ["bare"]),
                counted=chance.random() < 0.9,
                rack_position=chance.choice([None, "top", "bottom"]),
                sprayer=chance.choice(["KM", "JS"]),
                thickness_um=build + (base or 0),
                base_metal_um=base,
                specification_unit=unit,
                lower=limits[location][0],
                upper=limits[location][1],
                target_low=lower + Decimal("0.1"),
                target_high=None,
            )
        )
    return found


def _commit(archive: Archive, inspection: Any, readings: list[GaugeReading]) -> str:
    counted = [r for r in readings if r.counted]
    inspection = dataclasses.replace(
        inspection,
        readings_counted=len(counted),
        readings_excluded=len(readings) - len(counted),
        pieces_measured=len({r.piece for r in counted}),
    )
    return archive.commit_inspection(inspection, parquet.table_of(READINGS, readings)).parent.name


def _filled(root: Path, seed: int, folded: Callable[[Archive], object] = lambda _: None) -> tuple[Path, Held, Held]:
    """Make an archive of three months with corrections, folded in between; return it, its valid readings, and all."""
    chance = random.Random(seed)
    archive = Archive(root / "archive", "bench1")
    revisions: dict[str, list[tuple[str, list[GaugeReading]]]] = defaultdict(list)
    latest: list[Any] = []
    for number in range(14):
        at = scenario.START + APART * number
        changed = {
            "customer": chance.choice(CUSTOMERS),
            "part_no": chance.choice(["P-1", "P-2"]),
            "gauge_serial": chance.choice(["G-1", "G-2"]),
            "lot": f"L-{number % 5}",
            "probe_mode": chance.choice(["magnetic", "eddy-current"]),
        }
        latest.append(scenario.inspection(number, at, chance.choice([1, 2, 7, 25]), **changed))
        readings = _readings_of(latest[-1], chance)
        revisions[latest[-1].inspection_id].append((_commit(archive, latest[-1], readings), readings))
        if chance.random() < 0.4:  # the correction of an earlier one, perhaps of an earlier month
            which = chance.randrange(len(latest))
            latest[which] = dataclasses.replace(scenario.correction(latest[which]), sealed_at=at + timedelta(hours=2))
            readings = _readings_of(latest[which], chance)
            revisions[latest[which].inspection_id].append((_commit(archive, latest[which], readings), readings))
        if number == 8:
            folded(archive)
    valid = [(month, r) for found in revisions.values() for month, readings in found[-1:] for r in readings]
    every = [(month, r) for found in revisions.values() for month, readings in found for r in readings]
    return archive.root, valid, every


def _fold(archive: Archive) -> None:
    assert fold(archive.root, scenario.START + APART * 9).months


ARCHIVES = [
    pytest.param(1, lambda _: None, id="single files"),
    pytest.param(2, _fold, id="folded and single mixed"),
]
SELECTIONS = [
    pytest.param(Selection(), id="everything"),
    pytest.param(Selection(part_no="P-1", location="a"), id="part and location"),
    pytest.param(Selection(customer="strasser"), id="part of a customer's name, folded"),
    pytest.param(Selection(customer="nobody"), id="a customer that there is not"),
    pytest.param(Selection(powder="P-7016", sprayer="KM", rack="R3", rack_position="top"), id="where and by whom"),
    pytest.param(Selection(gauge_serial="G-1", lot="L-2"), id="gauge and lot"),
    pytest.param(Selection(part_no="' OR 1=1 --"), id="a name that would be SQL"),
    pytest.param(
        Selection(since=scenario.START, until=scenario.START + timedelta(days=31)), id="a period by the time taken"
    ),
]
BY = [
    pytest.param((), id="all together"),
    pytest.param(("part_no", "location"), id="by part and location"),
    pytest.param(("rack_position", "customer", "sprayer"), id="by what may be unknown"),
]


def _selected(held: Held, selection: Selection) -> Held:
    whole = ("part_no", "location", "powder", "sprayer", "rack", "rack_position", "gauge_serial", "lot")
    return [
        (month, r)
        for month, r in held
        if is_judged(r)
        and all(getattr(selection, name) in (None, getattr(r, name)) for name in whole)
        and (selection.customer is None or selection.customer.casefold() in r.customer.casefold())
        and (selection.since is None or r.taken_at >= selection.since)
        and (selection.until is None or r.taken_at < selection.until)
    ]


def _grouped(held: Held, key: Callable[[str, GaugeReading], Any]) -> dict[Any, list[GaugeReading]]:
    found: dict[Any, list[GaugeReading]] = defaultdict(list)
    for month, reading in held:
        found[key(month, reading)].append(reading)
    return found


def _group(reading: GaugeReading, by: Iterable[str]) -> tuple[Any, ...]:
    return tuple(getattr(reading, name) for name in by)


def _outside(reading: GaugeReading) -> int:
    """Return -1, 0 or 1: below, within or above the limits, decided in the unit of the specification."""
    unit = Unit(reading.specification_unit)
    build = from_um(film_build(reading, Unit.UM), unit)
    if reading.lower is not None and build < reading.lower:
        return -1
    return int(reading.upper is not None and build > reading.upper)


def _same_statistics(answer: questions.Statistics, readings: list[GaugeReading]) -> None:
    builds = [film_build(r, Unit.UM) for r in readings]
    assert len(builds) == answer.n
    assert mean(builds) == answer.mean_um
    assert (standard_deviation(builds) if len(builds) > 1 else None) == answer.sd_um
    if answer.sd_um is not None:
        assert statistics.stdev(map(float, builds)) == pytest.approx(float(answer.sd_um), abs=1e-9)
    assert (min(builds), max(builds)) == (answer.min_um, answer.max_um)
    sides = Counter(map(_outside, readings))
    assert (sides[-1], sides[1]) == (answer.below, answer.above)
    assert sum(r.lower is not None or r.upper is not None for r in readings) == answer.limited


@pytest.mark.parametrize("by", BY)
@pytest.mark.parametrize("selection", SELECTIONS)
@pytest.mark.parametrize(("seed", "folded"), ARCHIVES)
def test_months_are_as_reckoned_reading_by_reading(
    filled: Callable[..., tuple[Path, Held, Held]], seed: int, folded: Any, selection: Selection, by: tuple[str, ...]
) -> None:
    root, valid, _ = filled(seed, folded)
    expected = _grouped(_selected(valid, selection), lambda month, r: (month, _group(r, by)))
    found = query.ask(root, questions.month_summaries(selection, by))
    assert set(expected) == {(row.month, row.group) for row in found}
    assert len(expected) == len(found)
    for row in found:
        readings = expected[row.month, row.group]
        builds = [film_build(r, Unit.UM) for r in readings]
        _same_statistics(row, readings)
        for share, quantile in zip(questions.SHARES, (row.p5_um, row.p50_um, row.p95_um), strict=True):
            assert nearest_rank_quantile(builds, share) == quantile
        assert len({r.inspection_id for r in readings}) == row.inspections
        units = {r.specification_unit for r in readings}
        assert (units.pop() if len(units) == 1 else None) == row.specification_unit


@pytest.mark.parametrize("by", [("location",), ("piece", "location"), ()])
@pytest.mark.parametrize(("seed", "folded"), ARCHIVES)
def test_inspections_are_as_reckoned_reading_by_reading(
    filled: Callable[..., tuple[Path, Held, Held]], seed: int, folded: Any, by: tuple[str, ...]
) -> None:
    root, valid, _ = filled(seed, folded)
    selection = Selection(part_no="P-1")
    expected = _grouped(
        _selected(valid, selection), lambda month, r: (month, r.inspection_id, r.revision, _group(r, by))
    )
    found = query.ask(root, questions.inspection_summaries(selection, by))
    assert set(expected) == {(row.month, row.inspection_id, row.revision, row.group) for row in found}
    assert [row.first_taken_at for row in found] == sorted(row.first_taken_at for row in found)
    for row in found:
        readings = expected[row.month, row.inspection_id, row.revision, row.group]
        _same_statistics(row, readings)
        assert min(r.taken_at for r in readings) == row.first_taken_at
        assert max(r.taken_at for r in readings) == row.last_taken_at
        for name in ("lower", "upper", "target_low", "target_high", "lot", "sprayer", "rack_position", "gauge_serial"):
            values = {getattr(r, name) for r in readings}
            assert (values.pop() if len(values) == 1 else None) == getattr(row, name), name


@pytest.mark.parametrize("by", BY)
@pytest.mark.parametrize(("seed", "folded"), ARCHIVES)
def test_counts_of_builds_add_up_over_months(
    filled: Callable[..., tuple[Path, Held, Held]], seed: int, folded: Any, by: tuple[str, ...]
) -> None:
    root, valid, _ = filled(seed, folded)
    expected = Counter((_group(r, by), film_build(r, Unit.UM)) for _, r in _selected(valid, Selection()))
    found = query.ask(root, questions.build_counts(Selection(), by))
    assert expected == {(row.group, Fraction(row.build_um)): row.count for row in found}


@pytest.mark.parametrize(("seed", "folded"), ARCHIVES)
def test_from_when_to_when_a_gauge_measured_is_told_over_all_months(
    filled: Callable[..., tuple[Path, Held, Held]], seed: int, folded: Any
) -> None:
    root, valid, _ = filled(seed, folded)
    selection = Selection(location="a")
    expected = _grouped(_selected(valid, selection), lambda _, r: (r.gauge_serial, r.probe_mode))
    found = query.ask(root, questions.gauge_uses(selection))
    times = {key: [r.taken_at for r in readings] for key, readings in expected.items()}
    assert [(row.gauge_serial, row.probe_mode, row.first_taken_at, row.last_taken_at) for row in found] == [
        (*key, min(at), max(at)) for key, at in sorted(times.items())
    ]


@pytest.mark.parametrize("every_revision", [False, True])
@pytest.mark.parametrize("mode", [None, "magnetic"])
@pytest.mark.parametrize(("seed", "folded"), ARCHIVES)
def test_what_a_gauge_affected_is_told_whether_counted_or_not(
    filled: Callable[..., tuple[Path, Held, Held]], seed: int, folded: Any, mode: str | None, every_revision: bool
) -> None:
    root, valid, every = filled(seed, folded)
    held = every if every_revision else valid
    times = sorted(r.taken_at for _, r in held if r.gauge_serial == "G-1")
    start, end = times[len(times) // 4], times[len(times) * 3 // 4]  # both are readings: both ends belong to it
    expected = _grouped(
        [
            (month, r)
            for month, r in held
            if r.gauge_serial == "G-1" and mode in (None, r.probe_mode) and start <= r.taken_at <= end
        ],
        lambda month, r: (month, r.inspection_id, r.revision, r.customer, r.part_no, r.lot),
    )
    found = query.ask(root, questions.affected("G-1", mode, start, end, every_revision=every_revision))
    assert expected
    assert {key: len(readings) for key, readings in expected.items()} == {
        (row.month, row.inspection_id, row.revision, row.customer, row.part_no, row.lot): row.n for row in found
    }
    for row in found:
        readings = expected[row.month, row.inspection_id, row.revision, row.customer, row.part_no, row.lot]
        assert sum(map(is_judged, readings)) == row.counted
        assert (min(r.taken_at for r in readings), max(r.taken_at for r in readings)) == (
            row.first_taken_at,
            row.last_taken_at,
        )
        assert (readings[0].purchase_order, readings[0].work_order) == (row.purchase_order, row.work_order)


def test_months_asked_one_by_one_give_the_same_answer(
    filled: Callable[..., tuple[Path, Held, Held]], monkeypatch: pytest.MonkeyPatch
) -> None:
    root, _, _ = filled(2, _fold)
    asked = [questions.month_summaries(Selection()), questions.build_counts(Selection(), ("part_no",))]
    at_once = [query.ask(root, question) for question in asked]
    monkeypatch.setattr(query, "_BYTES_AT_ONCE", 0)
    assert len(query.parts(root, asked[0])) > 1
    assert at_once == [query.ask(root, question) for question in asked]


def test_the_same_text_is_answered_over_an_arrow_table(filled: Callable[..., tuple[Path, Held, Held]]) -> None:
    root, valid, _ = filled(1, lambda _: None)
    months = sorted({month for month, _ in valid})
    asked = questions.month_summaries(Selection(customer="STRASSER"), ("location",))
    parts = []
    with query.connected() as connection:
        for month in months:
            rows = parquet.table_of(READINGS, [r for m, r in valid if m == month])
            connection.register("stored", rows)
            connection.execute(f"CREATE OR REPLACE TEMP VIEW readings AS {questions.view('stored', month)}")
            parts.append(query.answer(connection, asked))
    assert query.ask(root, asked) == asked.joined(reversed(parts))


def _some_file(root: Path) -> Path:
    return sorted((root / "readings").rglob("*.parquet"))[-1]


def test_a_file_cut_short_is_named(tmp_path: Path) -> None:
    root, _, _ = _filled(tmp_path, 4)
    path = _some_file(root)
    path.write_bytes(path.read_bytes()[:-100])
    with pytest.raises(IntegrityFailed, match=f"{path}: cannot be read as Parquet .*; restore it from a copy"):
        query.ask(root, questions.month_summaries(Selection()))


def test_a_segment_with_flipped_bytes_gives_an_answer_or_a_sentence_never_a_traceback(tmp_path: Path) -> None:
    root, _, _ = _filled(tmp_path, 4, _fold)
    chance = random.Random(4)
    path = sorted((root / "folded" / "readings").glob("*.parquet"))[0]
    whole = path.read_bytes()
    sentences = []
    for _ in range(15):
        at = chance.randrange(len(whole))
        path.write_bytes(whole[:at] + bytes([whole[at] ^ (1 << chance.randrange(8))]) + whole[at + 1 :])
        try:
            query.ask(root, questions.inspection_summaries(Selection()))
        except (BadInput, IntegrityFailed) as fault:
            sentences.append(fault.sentence)
    assert sentences
    assert all(len(sentence.splitlines()) == 1 for sentence in sentences)


@pytest.mark.parametrize("month", ["2026-11", "2026-05"])
def test_a_segment_that_was_copied_to_another_name_is_refused_and_not_counted_twice(tmp_path: Path, month: str) -> None:
    root, _, _ = _filled(tmp_path, 4, _fold)
    one = segments.segments(root, "readings")[0]
    for path in one.paths:
        name = path.name.replace(one.id, "ab" * 8).replace(one.month, month)
        path.with_name(name).write_bytes(path.read_bytes())
    for demand in (None, demand_as_written()):
        with pytest.raises(IntegrityFailed, match=rf"{month}-(ab){{8}}.json: is not the manifest of this segment"):
            query.ask(root, questions.month_summaries(Selection()), demand=demand)


def test_what_a_removal_puts_in_a_segments_place_counts_alone_while_both_are_there(tmp_path: Path) -> None:
    root, _, _ = _filled(tmp_path, 4, _fold)
    asked = questions.build_counts(Selection())
    before = query.ask(root, asked)
    one = segments.segments(root, "readings")[0]
    new = dataclasses.replace(one, id="ab" * 8)
    for path, target in zip(one.paths, new.paths, strict=True):
        target.write_bytes(path.read_bytes())
    said = json.loads(one.manifest_path.read_text().replace(one.id, new.id))
    new.manifest_path.write_text(json.dumps(said | {"replaces": one.id}))
    assert query.ask(root, asked) == before


def test_a_file_of_a_newer_version_is_refused(tmp_path: Path) -> None:
    root, _, _ = _filled(tmp_path, 4)
    newer = dataclasses.replace(READINGS, version=READINGS.version + 1)
    path = _some_file(root)
    rows = parquet.read(READINGS, path)
    parquet.write(newer, rows, path)
    with pytest.raises(BadInput, match=f"{path}: is readings version {newer.version}; this program knows up to"):
        query.ask(root, questions.month_summaries(Selection()))


def test_two_files_of_one_valid_revision_are_a_fork(tmp_path: Path) -> None:
    root, _, _ = _filled(tmp_path, 4)
    other = Archive(root.parent / "other", "bench2")
    inspection = scenario.inspection(1, scenario.START, 3)
    for archive in (Archive(root, "bench1"), other):
        one = dataclasses.replace(inspection, inspection_id="20261103-091502-FORK")
        path = archive.commit_inspection(one, scenario.readings(one))
    (root / "readings" / path.parent.name / path.name).write_bytes(path.read_bytes())
    with pytest.raises(IntegrityFailed, match="both hold revision 1 of 20261103-091502-FORK"):
        query.ask(root, questions.month_summaries(Selection()))


def test_what_is_folded_while_it_is_read_is_counted_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    root, _, _ = _filled(tmp_path, 4)
    asked = questions.month_summaries(Selection(), ())
    expected = query.ask(root, asked)
    answer_of, calls = query.answer_of, []

    def folding(*args: Any) -> Any:
        calls.append(args)
        if len(calls) == 2:  # the first month is answered, and is folded with the second before that is
            assert len(fold(root, scenario.START + timedelta(days=70)).months) == 2
        return answer_of(*args)

    monkeypatch.setattr(query, "_BYTES_AT_ONCE", 0)
    monkeypatch.setattr(query, "answer_of", folding)
    assert expected == query.ask(root, asked)
    assert len(calls) == 2 + len(expected)


def test_what_is_committed_while_questions_are_asked_at_once_stands_in_all_answers_or_in_none(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    root, _, _ = _filled(tmp_path, 4, _fold)
    asked = [questions.month_summaries(Selection()), questions.build_counts(Selection())]
    expected = [query.ask(root, question) for question in asked]
    answer_of, calls = query.answer_of, []

    def committing(*args: Any) -> Any:
        calls.append(args)
        if len(calls) == 2:  # the first question is answered
            late = scenario.inspection(99, scenario.START + timedelta(days=1), 3)
            Archive(root, "bench2").commit_inspection(late, scenario.readings(late))
        return answer_of(*args)

    monkeypatch.setattr(query, "answer_of", committing)
    assert query.ask_at_once(root, asked) == expected
    months, counts = query.ask_at_once(root, asked)
    assert sum(row.n for row in months) == sum(row.count for row in counts) > sum(row.count for row in expected[1])
    with pytest.raises(ValueError, match="all, or none of them"):
        query.ask_at_once(root, [asked[0], questions.affected("G-1", None, None, None, every_revision=True)])


def test_a_file_that_is_gone_for_good_is_told(tmp_path: Path) -> None:
    root, _, _ = _filled(tmp_path, 4, _fold)
    path = sorted(p for p in (root / "folded" / "readings").glob("*.parquet") if ".records." not in p.name)[0]
    path.unlink()
    with pytest.raises(IntegrityFailed, match=f"{path}: is gone; restore it from a copy"):
        query.ask(root, questions.month_summaries(Selection()))


@pytest.mark.parametrize("by", [("weather",), ("part_no", "part_no"), ("part_no; DROP TABLE x",)])
def test_only_the_columns_that_are_meant_for_it_are_grouped_by(by: tuple[str, ...]) -> None:
    with pytest.raises(ValueError):
        questions.month_summaries(Selection(), by)


def test_a_time_without_a_zone_is_refused() -> None:
    with pytest.raises(ValueError, match="has no time zone"):
        Selection(since=datetime(2026, 1, 1))  # noqa: DTZ001 - that is what is refused


def test_duckdb_is_shut_off_from_extensions() -> None:
    with query.connected() as connection:
        for setting in ("autoinstall_known_extensions", "autoload_known_extensions"):
            assert connection.sql(f"SELECT current_setting('{setting}')").fetchall() == [(False,)]
        assert connection.sql("SELECT current_setting('TimeZone')").fetchall() == [("UTC",)]


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., tuple[Path, Held, Held]]:
    """Return what makes an archive from a seed, once."""
    made: dict[int, tuple[Path, Held, Held]] = {}

    def of(seed: int, folded: Callable[[Archive], object]) -> tuple[Path, Held, Held]:
        if seed not in made:
            made[seed] = _filled(tmp_path_factory.mktemp("questions"), seed, folded)
        return made[seed]

    return of

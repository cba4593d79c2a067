"""What history says of a shop: the list of its inspections, and how their film build is distributed."""

from __future__ import annotations

import json
import statistics
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from archive.own_hash import OWN_HASH_KEY
from tests.front.shop import FrontDoor

MONTH_IS = "of the sealing, UTC, and of a corrected inspection that in which the correction was sealed"
BUILDS = ("88.0", "90.0", "90.5", "91.0")
FITS = ("31.0", "32.0", "33.0", "60.0")


def _lot(door: FrontDoor, lot: str, builds: tuple[str, ...] = BUILDS, *more: str) -> str:
    lines = "".join(f"{value} um\n" for value in (*builds, *FITS))
    answer = door.measure("hinge", door.write(f"{lot}.txt", lines.encode()), *more, lot=lot)
    assert answer.code in (0, 1), answer
    return answer.out.split()[1].rstrip(":")


def _asked(door: FrontDoor, *words: str) -> dict[str, Any]:
    answer = door("history", *words, "--json")
    assert answer.code == 0, answer
    found: dict[str, Any] = json.loads(answer.out)
    return found


@pytest.fixture
def measured(door: FrontDoor) -> FrontDoor:
    """Return a shop with two lots of hinges in it, between two checks."""
    door.verify_gauge("opening", "2026-11-03T09:00")
    _lot(door, "L-1")
    _lot(door, "L-2", ("70.0", "80.0", "85.0", "95.0"), "--measured-at", "2026-11-03T11:00")
    door.verify_gauge("closing", "2026-11-03T15:00")
    return door


def test_a_month_is_told_per_part_and_location(measured: FrontDoor) -> None:
    found = _asked(measured, "--by", "month")
    assert (found["inspections"], found["readings"], found["unit"]) == (2, 16, "um")
    by_location = {row["location"]: row for row in found["rows"]}
    face = [float(b) for b in (*BUILDS, "70.0", "80.0", "85.0", "95.0")]
    assert len(by_location) == 2
    for row in by_location.values():
        expected = face if row["max"] > 70 else [float(f) for f in FITS] * 2
        assert row["n"] == len(expected)
        assert row["inspections"] == 2
        assert row["mean"] == pytest.approx(statistics.mean(expected))
        assert row["sd"] == pytest.approx(statistics.stdev(expected))
        assert row["p50"] == sorted(expected)[3]
        assert (row["min"], row["max"]) == (min(expected), max(expected))
        assert row["outside_share"] == (row["below"] + row["above"]) / row["limited"]


def test_the_table_says_what_was_asked_for_and_what_it_covers(measured: FrontDoor) -> None:
    answer = measured("history", "--by", "month", "--lot", "L-2", "--from", "2026-11-01")
    assert answer.code == 0
    lines = answer.out.splitlines()
    assert lines[0] == "selection: lot 'L-2', taken on 2026-11-01 or later"
    assert lines[1] == f"1 inspection with 8 judged readings; film build in µm; a month is that {MONTH_IS}"
    assert lines[2].split()[:4] == ["month", "part", "location", "inspections"]
    assert (
        "checks of the gauges from the one before these readings to the one after them, by the month in which they were done:"
        in lines
    )
    assert lines[-2].split()[:4] == ["2026-11", "FB-11", "2", "0"]
    assert lines[-1] == "as the files stand; whether they are what was committed, 'filmtally archive check' shows"
    found = _asked(measured, "--by", "month")
    assert (found["month_is"], found["verified"], found["trust"]) == (MONTH_IS, False, lines[-1])


@pytest.mark.parametrize("by", ["month", "inspection"])
def test_the_checks_told_are_those_around_the_readings_whenever_they_were_done(measured: FrontDoor, by: str) -> None:
    measured.verify_gauge("opening", "2026-11-20T07:00")
    _lot(measured, "L-3", BUILDS[::-1], "--measured-at", "2026-11-20T08:00")
    measured.now = datetime(2026, 12, 2, 12, 0, tzinfo=UTC)
    drifted = ("--standard", "S-50=56.9,56.3,56.0")
    failed = measured.verify_gauge("closing", "2026-12-02T09:00", read=drifted)
    assert failed.code == 1, failed
    measured.verify_gauge("opening", "2026-12-02T10:00")
    told = [
        (one["done_at"][:10], one["within"]) for one in _asked(measured, "--by", by, "--lot", "L-3")["gauge_checks"]
    ]
    assert told == [("2026-11-20", True), ("2026-12-02", False)]
    until = _asked(measured, "--by", by, "--to", "2026-11-03")["gauge_checks"]
    assert [one["done_at"][:10] for one in until] == ["2026-11-03", "2026-11-03"]
    lines = measured("history", "--by", by, "--lot", "L-3").out.splitlines()
    assert lines[-2].split()[:4] == ["2026-12", "FB-11", "1", "1"]


def test_inspections_are_told_in_the_order_taken_and_the_newest_where_there_are_many(measured: FrontDoor) -> None:
    found = _asked(measured, "--by", "inspection", "--per", "part")
    assert [(row["lot"], row["n"]) for row in found["rows"]] == [("L-1", 8), ("L-2", 8)]
    assert found["rows"][1]["gauge_serial"] == "FB-11"
    newest = measured("history", "--by", "inspection", "--limit", "1")
    assert "L-1" not in newest.out
    assert "the newest 1 of 2 inspections; --limit 0 shows all" in newest.out
    assert [row["lot"] for row in _asked(measured, "--by", "inspection", "--per", "", "--limit", "0")["rows"]] == [
        "L-1",
        "L-2",
    ]


def test_values_are_in_the_unit_that_is_asked_for(measured: FrontDoor) -> None:
    um = _asked(measured, "--by", "month", "--per", "gauge")["rows"][0]
    mil = _asked(measured, "--by", "month", "--per", "gauge", "--unit", "mil")["rows"][0]
    assert um["n"] == mil["n"]
    assert um["below"] == mil["below"]
    for name in ("mean", "sd", "min", "p5", "p50", "p95", "max"):
        assert um[name] == pytest.approx(mil[name] * 25.4)


def test_a_correction_takes_the_place_of_what_it_corrects(measured: FrontDoor) -> None:
    (first, _) = [row["inspection_id"] for row in json.loads(measured("history", "--json").out)]
    before = _asked(measured, "--by", "month")["readings"]
    answer = measured("amend", first, "--exclude", "1=on the edge", "--by", "mk", "--why", "a slip")
    assert answer.code == 0, answer
    assert _asked(measured, "--by", "month")["readings"] == before - 1


def test_a_correction_moves_its_inspection_to_the_month_in_which_it_was_sealed(measured: FrontDoor) -> None:
    def months() -> list[tuple[str, int]]:
        return [(row["month"], row["n"]) for row in _asked(measured, "--by", "month", "--per", "part")["rows"]]

    assert months() == [("2026-11", 16)]
    measured.now = datetime(2026, 12, 2, 12, 0, tzinfo=UTC)
    answer = measured("amend", "L-1", "--set", "purchase_order=PO-9", "--by", "mk", "--why", "it was missing")
    assert answer.code == 0, answer
    assert months() == [("2026-11", 8), ("2026-12", 8)]
    assert f"a month is that {MONTH_IS}" in measured("history", "--by", "month").out


@pytest.mark.parametrize("words", [("--by", "month"), ("--by", "inspection", "--location", "nowhere"), ("--part", "X")])
def test_nothing_found_is_a_sentence(door: FrontDoor, words: tuple[str, ...]) -> None:
    answer = door("history", *words)
    assert answer.code == 0
    assert answer.out.splitlines()[-1] in ("no judged reading matches", "no sealed inspection matches")
    assert json.loads(door("history", *words, "--json").out) is not None


def test_an_empty_answer_says_which_days_were_meant(measured: FrontDoor) -> None:
    days = ("--from", "2026-11-04", "--to", "2026-11-05")
    listed = measured("history", *days)
    assert listed.out.splitlines() == [
        "no sealed inspection matches; --from and --to name days in which they were sealed; with --by and --html, taken"
    ]
    told = measured("history", *days, "--by", "month")
    assert told.out.splitlines()[-1] == (
        "no judged reading matches; --from and --to name days on which readings were taken; without --by, sealed"
    )


def test_a_location_of_another_name_is_answered_with_those_that_there_are(measured: FrontDoor) -> None:
    there = " --location 'strap'; what else is asked for was read at 'knuckle, running fit' and 'strap face'"
    for words in (("--by", "month"), ("--by", "inspection", "--lot", "L-1", "--from", "2026-11-01")):
        answer = measured("history", *words, "--location", "strap")
        assert (answer.code, answer.out.splitlines()[-1]) == (0, "no judged reading matches" + there)
    page = measured("history", "--html", str(measured.folder.parent / "h.html"), "--location", "strap")
    assert (page.code, page.sentence.endswith("no judged reading matches" + there)) == (2, True)
    # Where something else matches nothing too, no location is the answer.
    for words in (("--lot", "L-9"), ("--from", "2026-11-04")):
        answer = measured("history", "--by", "month", *words, "--location", "strap")
        assert "read at" not in answer.out


def test_a_part_that_is_grouped_by_stands_in_one_column(measured: FrontDoor) -> None:
    for per, heads in (
        ("part,location", ["taken", "inspection", "lot", "part", "location", "n"]),
        ("lot", ["taken", "inspection", "part", "lot", "n"]),
        ("location", ["taken", "inspection", "part", "lot", "location", "n"]),
    ):
        answer = measured("history", "--by", "inspection", "--per", per)
        assert answer.out.splitlines()[2].split()[: len(heads)] == heads


def test_the_list_shows_the_newest_and_says_that_there_are_more(measured: FrontDoor) -> None:
    every = json.loads(measured("history", "--json").out)
    newest = measured("history", "--limit", "1", "--json")
    assert json.loads(newest.out) == every[-1:]
    assert newest.sentence == "the newest 1 inspection; there are more, --limit 0 lists all"
    assert json.loads(measured("history", "--limit", "2", "--json").out) == every
    assert json.loads(measured("history", "--limit", "0", "--to", "2026-11-25", "--json").out) == every


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        pytest.param(
            ("--location", "front"), "--location asks about readings; say --by month", id="list of a location"
        ),
        pytest.param(("--by", "month", "--per", "weather"), "--per 'weather': there is no such group", id="no group"),
        pytest.param(("--by", "month", "--per", "part,part"), "names a group twice", id="group twice"),
        pytest.param(("--by", "month", "--revisions"), "leave out --revisions", id="superseded revisions"),
        pytest.param(("--by", "month", "--from", "soon"), "--from 'soon' is no day; write it as", id="no day"),
        pytest.param(("--to", ""), "--to '' is no day; write it as 2026-01-31", id="empty day"),
        pytest.param(
            ("--from", "2026-11-05", "--to", "2026-11-04"),
            "--from 2026-11-05 is later than --to 2026-11-04; swap them",
            id="days the wrong way round",
        ),
        pytest.param(
            ("--by", "month", "--limit", "1"), "--limit counts inspections; leave it out", id="limit of months"
        ),
        pytest.param(("--verified",), "say one of them with it", id="verified list"),
        pytest.param(("--limit", "-1"), "--limit -1: say how many", id="less than none"),
    ],
)
def test_what_cannot_be_asked_is_a_sentence(door: FrontDoor, words: tuple[str, ...], sentence: str) -> None:
    answer = door("history", *words)
    assert answer.code == 2
    assert sentence in answer.sentence


def test_a_file_that_is_not_whole_is_named(measured: FrontDoor) -> None:
    (path, *_) = sorted((measured.folder / "archive" / "readings").rglob("*.parquet"))
    path.write_bytes(path.read_bytes()[:-40])
    answer = measured("history", "--by", "month")
    assert answer.code == 4
    assert str(path) in answer.sentence


def _written_anew(path: Path, rows: pa.Table, without: bytes | None = None) -> None:
    """Write *path* anew with *rows* and the entries of its footer, as somebody would who knows Parquet."""
    entries = {k: v for k, v in pq.read_metadata(path).metadata.items() if k not in (b"ARROW:schema", without)}
    pq.write_table(rows.replace_schema_metadata(entries), path)


def _changed_quietly(path: Path) -> None:
    """Change a thickness in *path* and nothing else."""
    rows = pq.read_table(path, partitioning=None)
    at = rows.schema.get_field_index("thickness_um")
    field = rows.schema.field(at)
    first, *others = rows.column(at).to_pylist()
    _written_anew(path, rows.set_column(at, field, pa.array([first + 5, *others], field.type)))


def _folded_in_january(door: FrontDoor) -> Path:
    door.now = datetime(2027, 1, 10, 12, 0, tzinfo=UTC)
    assert door("archive", "fold").code == 0
    (path,) = (
        path
        for path in (door.folder / "archive" / "folded" / "readings").glob("*.parquet")
        if ".records." not in path.name
    )
    return path


@pytest.mark.parametrize("form", ["single file", "folded"])
def test_a_changed_thickness_is_refused_where_files_are_verified(
    measured: FrontDoor, tmp_path: Path, form: str
) -> None:
    if form == "folded":
        path = _folded_in_january(measured)
    else:
        (path, _) = sorted((measured.folder / "archive" / "readings").rglob("*.parquet"))
    target = tmp_path / "page.html"
    asked = (("--by", "month"), ("--by", "inspection"), ("--html", str(target), "--replace"))
    for words in asked:
        answer = measured("history", *words, "--verified")
        assert (answer.code, answer.err) == (0, "")
    assert "every file of readings that was read has the hash that was written with it" in target.read_text("utf-8")
    assert _asked(measured, "--by", "month", "--verified")["verified"] is True
    target.unlink()
    _changed_quietly(path)
    for words in asked:
        assert measured("history", *words).code == 0  # as the files stand
        answer = measured("history", *words, "--verified")
        assert (answer.code, answer.out) == (4, "")
        assert f"{path}: its bytes are not those that" in answer.sentence
    assert "as the files stand; whether they are" in target.read_text("utf-8")


def test_a_single_file_without_a_hash_of_its_own_is_verified_by_its_record(measured: FrontDoor) -> None:
    (path, _) = sorted((measured.folder / "archive" / "readings").rglob("*.parquet"))
    _written_anew(path, pq.read_table(path, partitioning=None), without=OWN_HASH_KEY.encode())
    assert measured("history", "--by", "month", "--verified").code == 0
    _changed_quietly(path)
    answer = measured("history", "--by", "month", "--verified")
    assert answer.code == 4
    assert f"{path}: its rows are not those that were committed" in answer.sentence


def test_a_records_file_that_was_changed_is_refused_with_its_rows(measured: FrontDoor) -> None:
    rows = _folded_in_january(measured)
    path = rows.with_suffix(".records.parquet")
    whole = path.read_bytes()
    path.write_bytes(whole[:100] + bytes(8) + whole[108:])
    answer = measured("history", "--by", "month", "--verified")
    assert answer.code == 4
    assert f"{path}: its bytes are not those" in answer.sentence


@pytest.mark.parametrize("table", ["readings", "gauge_checks"])
def test_a_list_says_that_a_file_of_a_folded_month_is_gone(measured: FrontDoor, table: str) -> None:
    listed = _folded_in_january(measured) and measured("history")
    assert listed.code == 0
    (path,) = (p for p in (measured.folder / "archive/folded" / table).glob("*.parquet") if ".records." not in p.name)
    path.unlink()
    answer = measured("history")
    assert (answer.code, answer.out) == (4, listed.out)
    assert f"{path}: is gone" in answer.sentence

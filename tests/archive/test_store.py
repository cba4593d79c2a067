from __future__ import annotations

import csv
import dataclasses
import json
import os
import subprocess
import sys
from datetime import timedelta
from decimal import Decimal
from pathlib import Path

import pyarrow.parquet as pq
import pytest

from archive import listing
from archive.store import Archive
from schemas import parquet
from schemas.certificates import CERTIFICATES
from schemas.errors import BadInput, IntegrityFailed
from schemas.readings import READINGS
from tests.archive import scenario

REPOSITORY = Path(__file__).resolve().parents[2]


def commit(archive: Archive, number: int = 1, readings: int = 6) -> str:
    one = scenario.inspection(number, readings=readings)
    archive.commit_inspection(one, scenario.readings(one))
    return one.inspection_id


def test_what_was_committed_comes_back_as_it_was(archive: Archive) -> None:
    one = scenario.inspection()
    checks = scenario.verification()
    archive.commit_checks(checks, checks[0].done_at)
    archive.commit_inspection(one, scenario.readings(one))
    issued = scenario.certificate(one, archive.head())
    archive.commit_certificate(issued)

    assert one == archive.inspection(one.inspection_id)
    assert [one] == archive.inspections()
    assert scenario.reading_records(one) == archive.reading_records(one.inspection_id)
    assert scenario.readings(one) == archive.readings(one.inspection_id)
    assert checks == archive.checks()
    assert [issued] == archive.certificates()
    assert issued == archive.certificate_of_pdf(issued.pdf_sha256.upper())
    assert archive.certificate_of_pdf("00" * 32) is None
    assert archive.check() == []


def test_an_archive_that_does_not_exist_is_empty_and_reading_does_not_make_it(archive: Archive) -> None:
    assert archive.inspections() == []
    assert archive.checks() == []
    assert archive.certificates() == []
    assert archive.head() == "{}"
    assert archive.check() == []
    assert not archive.root.exists()


def test_a_file_in_the_archives_place_is_refused(tmp_path: Path) -> None:
    (tmp_path / "archive").write_text("")
    with pytest.raises(BadInput, match="this is a file, not an archive's folder"):
        Archive(tmp_path / "archive", "bench1")


def test_a_missing_inspection_is_told_with_what_to_do(archive: Archive) -> None:
    one = commit(archive)
    with pytest.raises(BadInput, match="there is no inspection 'nothing'; 'filmtally history' lists"):
        archive.inspection("nothing")
    with pytest.raises(BadInput, match="in revision 2; "):
        archive.readings(one, 2)


def test_an_identity_that_ends_like_another_is_not_taken_for_it(archive: Archive) -> None:
    one = scenario.inspection()
    for identity in ("A-" + one.inspection_id, one.inspection_id):
        other = dataclasses.replace(one, inspection_id=identity, lot=identity)
        archive.commit_inspection(other, scenario.readings(other))
    assert one.inspection_id == archive.inspection(one.inspection_id).lot


def test_the_highest_revision_is_the_valid_one_and_all_are_kept(archive: Archive) -> None:
    first = scenario.inspection()
    second = scenario.correction(first)
    archive.commit_inspection(first, scenario.readings(first))
    archive.commit_inspection(second, scenario.readings(second, Decimal(75)))

    assert second == archive.inspection(first.inspection_id)
    assert first == archive.inspection(first.inspection_id, 1)
    assert [second] == archive.inspections()
    assert [first, second] == archive.inspections(all_revisions=True)
    assert Decimal(75) == archive.reading_records(first.inspection_id)[0].thickness_um
    assert Decimal("70.5") == archive.reading_records(first.inspection_id, 1)[0].thickness_um


def test_a_revision_is_committed_once_and_after_the_one_it_supersedes(archive: Archive) -> None:
    first = scenario.inspection()
    second = scenario.correction(first)
    refused = [
        (second, "supersedes revision 1, which is not in the archive"),
        (dataclasses.replace(first, supersedes=0), "is the first and supersedes nothing"),
        (dataclasses.replace(second, supersedes=None), "must say so"),
        (dataclasses.replace(first, revision=0), "revisions count from 1"),
    ]
    for wrong, sentence in refused:
        with pytest.raises(BadInput, match=sentence):
            archive.commit_inspection(wrong, scenario.readings(wrong))
    assert not list(archive.root.rglob("*.parquet"))

    archive.commit_inspection(first, scenario.readings(first))
    with pytest.raises(BadInput, match="revision 1 is in the archive already; a correction is revision 2"):
        Archive(archive.root, "bench2").commit_inspection(first, scenario.readings(first))
    assert len(list(archive.root.rglob("*.parquet"))) == 1


def test_a_check_is_committed_whole_and_once(archive: Archive) -> None:
    checks = scenario.verification()
    other = scenario.verification("20261103-120000-0002")
    for wrong in ([], [*checks, *other]):
        with pytest.raises(BadInput, match="the rows of one check"):
            archive.commit_checks(wrong, scenario.START)
    with pytest.raises(BadInput, match="the tombstones of one order, not of 0"):
        archive.commit_tombstones([])
    with pytest.raises(BadInput, match="correct the time"):
        archive.commit_checks(checks, checks[0].done_at - timedelta(days=2))
    archive.commit_checks(checks, scenario.START)
    with pytest.raises(BadInput, match="is in the archive already"):
        archive.commit_checks(checks, scenario.START)


def test_checks_come_by_gauge_and_by_time(archive: Archive) -> None:
    later, earlier = scenario.START + timedelta(days=70), scenario.START
    for key, done_at, gauge in (("C-3", later, "G-1"), ("C-2", earlier, "G-2"), ("C-1", earlier, "G-1")):
        archive.commit_checks(scenario.verification(key, done_at, gauge), done_at)
    assert [check.check_id for check in archive.checks()] == ["C-1", "C-1", "C-2", "C-2", "C-3", "C-3"]
    assert {"C-1", "C-3"} == {check.check_id for check in archive.checks("G-1")}
    assert {"C-3"} == {check.check_id for check in archive.checks(since=later)}


def test_a_certificate_is_registered_once_and_supersedes_what_is_there(archive: Archive) -> None:
    one = scenario.inspection()
    archive.commit_inspection(one, scenario.readings(one))
    issued = scenario.certificate(one, archive.head())
    reissued = dataclasses.replace(issued, revision=2, supersedes=1, superseded_why="address", pdf_sha256="01" * 32)
    with pytest.raises(BadInput, match="supersedes revision 1, which is not an earlier one"):
        archive.commit_certificate(reissued)
    archive.commit_certificate(issued)
    with pytest.raises(BadInput, match="revision 1 is in the archive already"):
        archive.commit_certificate(issued)
    archive.commit_certificate(reissued)
    assert [issued, reissued] == archive.certificates(one.inspection_id)
    assert archive.certificates("20261103-091502-ZZZZ") == []


@pytest.mark.parametrize(
    ("wrong", "sentence"),
    [
        ({"readings_counted": 59}, "says readings_counted 59, and the readings make it 60"),
        ({"pieces_measured": 4}, "says pieces_measured 4, and the readings make it 5"),
        ({"lot": "L-78"}, "says lot 'L-78', and readings say 'L-77'"),
        ({"purchase_order": None}, "says purchase_order None, and readings say '4711/2'"),
    ],
)
def test_an_inspection_that_disagrees_with_its_readings_is_refused(
    archive: Archive, wrong: dict[str, object], sentence: str
) -> None:
    rows = scenario.readings(scenario.inspection())
    with pytest.raises(BadInput, match=sentence):
        archive.commit_inspection(scenario.inspection(**wrong), rows)  # type: ignore[arg-type]
    assert not list(archive.root.rglob("*.parquet"))


def test_readings_out_of_order_or_of_other_columns_are_refused(archive: Archive) -> None:
    one = scenario.inspection()
    rows = scenario.readings(one)
    with pytest.raises(BadInput, match="numbered from 1 on"):
        archive.commit_inspection(one, rows.take(list(range(59, -1, -1))))
    with pytest.raises(BadInput, match="columns are not those"):
        archive.commit_inspection(one, rows.drop_columns(["lot"]))
    with pytest.raises(BadInput, match="is not what the column takes"):
        archive.commit_inspection(dataclasses.replace(one, job=None), rows)  # type: ignore[arg-type]


def test_a_clock_that_was_set_back_does_not_break_the_order(archive: Archive) -> None:
    first, second = scenario.inspection(1), scenario.inspection(2, scenario.START - timedelta(days=90))
    one = archive.commit_inspection(first, scenario.readings(first))
    two = archive.commit_inspection(second, scenario.readings(second))
    assert one.name < two.name
    assert one.parent == two.parent
    assert [first, second] == archive.inspections()
    record = json.loads(parquet.footer(two)["filmtally.record"])
    assert record["committed_at"] == "2026-08-05T09:35:02.000Z"
    assert record["named_at"] == "2026-11-03T09:35:02.000Z"
    assert archive.check() == []


def test_an_inspection_sealed_under_a_clock_set_back_is_still_found(archive: Archive) -> None:
    one = scenario.inspection(sealed_at=scenario.START - timedelta(days=60))
    archive.commit_inspection(one, scenario.readings(one))
    assert one == Archive(archive.root, "bench2").inspection(one.inspection_id)


def test_a_look_up_opens_no_other_file(archive: Archive, monkeypatch: pytest.MonkeyPatch) -> None:
    wanted = [commit(archive, number) for number in range(4)][2]
    opened: list[Path] = []
    monkeypatch.setattr(parquet, "footer", lambda path, plain=parquet.footer: (opened.append(path), plain(path))[1])
    monkeypatch.setattr(parquet, "read", lambda *a, plain=parquet.read: (opened.append(a[1]), plain(*a))[1])
    archive.inspection(wanted)
    archive.readings(wanted)
    assert len(opened) == 3
    assert len(set(opened)) == 1


def test_what_others_commit_meanwhile_is_found_in_every_month(
    archive: Archive, monkeypatch: pytest.MonkeyPatch
) -> None:
    # As if every folder's time of change lay well back, so that names are kept wherever they may be.
    monkeypatch.setattr(listing, "WELL_BACK_NS", -1)
    first, later = scenario.inspection(1), scenario.inspection(2, scenario.START + timedelta(days=60))
    for one in (first, later):
        archive.commit_inspection(one, scenario.readings(one))
    assert archive.inspection(first.inspection_id) == first
    folder = archive.root / "readings" / "2026-11"
    os.utime(folder, ns=(0, 0))
    assert archive.inspection(first.inspection_id) == first
    listed: list[Path] = []
    plain = listing._entries
    monkeypatch.setattr(listing, "_entries", lambda path: (listed.append(path), plain(path))[1])
    assert archive.inspection(first.inspection_id) == first
    assert folder not in listed
    # A bench whose clock is two months behind still commits into the month that is over.
    behind = scenario.inspection(3)
    Archive(archive.root, "bench2").commit_inspection(behind, scenario.readings(behind))
    assert archive.inspection(behind.inspection_id) == behind
    second = scenario.correction(first)
    Archive(archive.root, "bench2").commit_inspection(second, scenario.readings(second))
    assert archive.inspection(first.inspection_id) == second


def test_two_corrections_of_one_inspection_are_a_fork_that_names_both(archive: Archive, tmp_path: Path) -> None:
    first = scenario.inspection()
    second = scenario.correction(first)
    archive.commit_inspection(first, scenario.readings(first))
    # Two benches that cannot see each other, as on a share that came apart.
    apart = Archive(tmp_path / "apart", "bench2")
    apart.commit_inspection(first, scenario.readings(first))
    theirs = apart.commit_inspection(second, scenario.readings(second))
    ours = archive.commit_inspection(second, scenario.readings(second, Decimal(80)))
    (ours.parent / theirs.name).write_bytes(theirs.read_bytes())

    with pytest.raises(IntegrityFailed) as told:
        archive.inspection(first.inspection_id)
    assert ours.name in told.value.sentence
    assert theirs.name in told.value.sentence
    with pytest.raises(IntegrityFailed):
        archive.inspections()
    assert first == archive.inspection(first.inspection_id, 1)
    assert "fork" in {trouble.kind for trouble in archive.check()}
    # The way out that the sentence names.
    third = scenario.correction(second)
    archive.commit_inspection(third, scenario.readings(third))
    assert third == archive.inspection(first.inspection_id)
    assert [third] == archive.inspections()


def test_the_head_names_each_bench(archive: Archive) -> None:
    commit(archive, 1)
    commit(Archive(archive.root, "bench2"), 2)
    commit(archive, 3)
    head = json.loads(archive.head())
    assert {bench: said["seq"] for bench, said in head.items()} == {"bench1": 2, "bench2": 1}
    assert sorted(head) == list(head)


def test_an_archive_of_a_newer_version_says_so(archive: Archive) -> None:
    one = commit(archive)
    path = next(archive.root.rglob("*.parquet"))
    record = parquet.footer(path)["filmtally.record"]
    newer = dataclasses.replace(READINGS, version=2)
    parquet.write(newer, archive.readings(one), path, {"filmtally.record": record})
    with pytest.raises(BadInput, match="use a newer one"):
        archive.readings(one)


def test_an_export_as_csv_runs_nothing_in_a_spreadsheet(archive: Archive, tmp_path: Path) -> None:
    one = scenario.inspection(customer="=HYPERLINK(1)", lot="-5", part_no="@x", work_order="+1", readings=3)
    archive.commit_inspection(one, scenario.readings(one))
    for table in ("readings", "inspections"):
        archive.export(table, tmp_path / f"{table}.csv")
        with (tmp_path / f"{table}.csv").open(encoding="utf-8", newline="") as file:
            row = next(csv.DictReader(file))
        assert [row[name] for name in ("customer", "lot", "part_no", "work_order")] == [
            "'=HYPERLINK(1)",
            "'-5",
            "'@x",
            "'+1",
        ]
    assert row["sealed_at"] == "2026-11-03T09:35:02.000Z"


def test_an_export_as_parquet_is_the_table(archive: Archive, tmp_path: Path) -> None:
    first = scenario.inspection()
    second = scenario.correction(first)
    for one in (first, second):
        archive.commit_inspection(one, scenario.readings(one))
    archive.export("readings", tmp_path / "readings.parquet")
    archive.export("certificates", tmp_path / "certificates.parquet")
    assert parquet.read(READINGS, tmp_path / "readings.parquet").num_rows == 120
    assert parquet.read(CERTIFICATES, tmp_path / "certificates.parquet").num_rows == 0


def test_an_export_that_cannot_be_made_says_why(archive: Archive, tmp_path: Path) -> None:
    for table, name, sentence in (
        ("readings", "a.ods", "let the name end in .csv, .parquet or .xlsx"),
        ("thicknesses", "a.csv", "there is no table 'thicknesses'"),
        ("readings", "nowhere/a.csv", "there is no such folder"),
    ):
        with pytest.raises(BadInput, match=sentence):
            archive.export(table, tmp_path / name)
    assert list(tmp_path.iterdir()) == []


def test_any_parquet_reader_sees_every_unit_and_meaning(archive: Archive) -> None:
    commit(archive)
    (archive.root / "readings" / "2026-11" / ".writing-x.parquet").write_bytes(b"half")
    script = """
import sys
import pyarrow.dataset
readings = pyarrow.dataset.dataset(sys.argv[1], format="parquet")
print(readings.count_rows())
for field in readings.schema:
    notes = field.metadata or {}
    print(field.name, notes.get(b"unit", b"-").decode(), notes[b"meaning"].decode(), sep="\\t")
assert not {"schemas", "archive"} & set(sys.modules)
"""
    said = subprocess.run(
        [sys.executable, "-I", "-c", script, str(archive.root / "readings")],
        capture_output=True,
        encoding="utf-8",
        env={**os.environ, "PYTHONUTF8": "1"},
        check=True,
    ).stdout.splitlines()
    declared = [f"{c.name}\t{c.column.unit or '-'}\t{c.column.meaning}" for c in READINGS.columns]
    assert ["6", *declared] == said


def test_a_second_archive_object_goes_on_in_the_chain(archive: Archive) -> None:
    for number in range(3):
        commit(Archive(archive.root, "bench1"), number)
    records = [json.loads(parquet.footer(path)["filmtally.record"]) for path in sorted(archive.root.rglob("*.parquet"))]
    assert [record["seq"] for record in records] == [1, 2, 3]
    assert records[0]["previous"] == "0" * 64
    assert len({record["previous"] for record in records}) == 3
    assert archive.check() == []


def test_the_record_in_the_footer_is_readable_by_pyarrow_alone(archive: Archive) -> None:
    one = commit(archive)
    record = json.loads(pq.read_metadata(next(archive.root.rglob("*.parquet"))).metadata[b"filmtally.record"])
    assert one == record["facts"]["inspection_id"]
    assert record["rows"] == 6


def test_a_head_kept_elsewhere_shows_what_the_archive_lost_or_changed(archive: Archive, tmp_path: Path) -> None:
    commit(archive, 1)
    kept = archive.head()
    commit(archive, 2)
    assert archive.unlike_head(kept, "the certificate") is None
    assert archive.unlike_head("{}", "the certificate") is None
    other = Archive(tmp_path / "another", archive.bench)
    commit(other, 3)
    assert "is not the one that the certificate knows" in str(other.unlike_head(kept, "the certificate"))
    emptied = Archive(tmp_path / "emptied", archive.bench)
    assert "has no commit 1 of bench" in str(emptied.unlike_head(kept, "the certificate"))
    with pytest.raises(BadInput, match="the certificate: 'none' is not a ledger head"):
        archive.unlike_head("none", "the certificate")

"""Tampering, by hand: every change of what was committed is found, or found against an anchor."""

from __future__ import annotations

import dataclasses
import json
import random
import shutil
from decimal import Decimal
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from archive import listing
from archive.content import content_sha256
from archive.ledger import canonical
from archive.store import Archive
from schemas import parquet
from schemas.errors import BadInput, IntegrityFailed
from schemas.readings import READINGS
from tests.archive import scenario


@pytest.fixture
def five(archive: Archive) -> list[Path]:
    """Five commits of one bench, in order: a check, three inspections, and one more."""
    checks = scenario.verification()
    paths = [archive.commit_checks(checks, checks[0].done_at)]
    for number in range(4):
        one = scenario.inspection(number)
        paths.append(archive.commit_inspection(one, scenario.readings(one)))
    return paths


def kinds(archive: Archive, *anchors: str) -> list[str]:
    return [trouble.kind for trouble in archive.check(anchors)]


def rewritten(path: Path) -> None:
    """Change a reading in *path* and patch the content hash in its record, as a forger would."""
    record = json.loads(parquet.footer(path)["filmtally.record"])
    rows = parquet.read(READINGS, path)
    values = rows.column("thickness_um").to_pylist()
    values[3] = Decimal("65.0000")
    index = rows.column_names.index("thickness_um")
    rows = rows.set_column(index, rows.schema.field(index), pa.array(values, rows.schema.field(index).type))
    record["content_sha256"] = content_sha256(rows)
    parquet.write(READINGS, rows, path, {"filmtally.record": canonical(record)})


def test_an_archive_as_it_was_committed_has_no_troubles(archive: Archive, five: list[Path]) -> None:
    assert archive.check([archive.head()]) == []


def test_a_flipped_byte_in_the_rows_is_found_by_the_check_and_by_reading(archive: Archive, five: list[Path]) -> None:
    path = five[2]
    whole = path.read_bytes()
    metadata = pq.read_metadata(path)
    chunk = metadata.row_group(0).column(metadata.schema.names.index("thickness_um"))
    position = chunk.data_page_offset + chunk.total_compressed_size // 2
    assert position < len(whole)
    path.write_bytes(whole[:position] + bytes([whole[position] ^ 1]) + whole[position + 1 :])
    assert kinds(archive) == ["changed"]
    with pytest.raises(IntegrityFailed, match="restore"):
        archive.readings(scenario.inspection_id(1))


def test_no_flipped_byte_changes_what_is_read_without_being_found(archive: Archive, five: list[Path]) -> None:
    """A byte of no consequence, such as in the name of the writer, may be flipped; what is read may not change."""
    path = five[2]
    whole = path.read_bytes()
    expected = archive.readings(scenario.inspection_id(1)), archive.inspection(scenario.inspection_id(1))
    moments = random.Random(7)
    found = 0
    for _ in range(80):
        position = moments.randrange(len(whole))
        path.write_bytes(
            whole[:position] + bytes([whole[position] ^ 1 << moments.randrange(8)]) + whole[position + 1 :]
        )
        if any(not trouble.harmless for trouble in archive.check()):
            found += 1
            continue
        assert expected == (archive.readings(scenario.inspection_id(1)), archive.inspection(scenario.inspection_id(1)))
    assert found > 50


def test_a_changed_reading_with_a_patched_hash_breaks_the_chain(archive: Archive, five: list[Path]) -> None:
    rewritten(five[2])
    (trouble,) = archive.check()
    assert trouble.kind == "changed"
    assert five[2] == trouble.path


def test_a_changed_last_reading_shows_against_an_anchor_alone(archive: Archive, five: list[Path]) -> None:
    anchor = archive.head()
    rewritten(five[4])
    assert kinds(archive) == []
    assert kinds(archive, anchor) == ["changed"]


def test_a_changed_fact_of_the_inspection_is_found(archive: Archive, five: list[Path]) -> None:
    record = json.loads(parquet.footer(five[2])["filmtally.record"])
    rows = parquet.read(READINGS, five[2])
    record["facts"]["conformity"] = "FAIL"
    parquet.write(READINGS, rows, five[2], {"filmtally.record": canonical(record)})
    assert kinds(archive) == ["changed"]


def test_facts_that_disagree_with_their_rows_are_found_even_at_the_end(archive: Archive, five: list[Path]) -> None:
    record = json.loads(parquet.footer(five[4])["filmtally.record"])
    rows = parquet.read(READINGS, five[4])
    record["facts"]["readings_counted"] = 61
    parquet.write(READINGS, rows, five[4], {"filmtally.record": canonical(record)})
    (trouble,) = archive.check()
    assert "says readings_counted 61, and the readings make it 60" in trouble.sentence


def test_false_statistics_are_found(archive: Archive, five: list[Path], monkeypatch: pytest.MonkeyPatch) -> None:
    """A reader passes over rows that the statistics leave out, though the rows themselves are whole."""
    path = five[4]
    whole = path.read_bytes()
    # thickness_um is an INT32 of four places; its largest value, 76.4, stands in the footer's statistics.
    largest = int(Decimal("76.4") * 10_000).to_bytes(4, "little")
    smaller = int(Decimal("71.0") * 10_000).to_bytes(4, "little")
    footer = len(whole) - 8 - int.from_bytes(whole[-8:-4], "little")
    assert largest in whole[footer:]
    path.write_bytes(whole[:footer] + whole[footer:].replace(largest, smaller))
    assert archive.readings(scenario.inspection_id(3)).num_rows == 60
    (trouble,) = archive.check()
    assert "its statistics of thickness_um" in trouble.sentence


def test_a_unit_that_was_changed_in_the_file_is_found(archive: Archive, five: list[Path]) -> None:
    rows = parquet.read(READINGS, five[4])
    index = rows.column_names.index("thickness_um")
    false = rows.schema.field(index).with_metadata({"meaning": "Thickness", "unit": "mil"})
    footer = {k: v for k, v in pq.read_metadata(five[4]).metadata.items() if k != b"ARROW:schema"}
    changed = rows.cast(rows.schema.set(index, false).with_metadata(footer))
    pq.write_table(changed, five[4], store_decimal_as_integer=True)
    (trouble,) = archive.check()
    assert "meaning or unit of a column" in trouble.sentence


def test_a_missing_commit_in_the_middle_is_found(archive: Archive, five: list[Path]) -> None:
    five[2].unlink()
    (trouble,) = archive.check()
    assert trouble.kind == "missing"
    assert "commit 3 of bench bench1 is missing" in trouble.sentence


def test_a_missing_first_commit_is_found(archive: Archive, five: list[Path]) -> None:
    five[0].unlink()
    assert kinds(archive) == ["missing"]


def test_commits_made_while_the_check_looks_are_not_taken_for_gaps(
    archive: Archive, five: list[Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    """After the readings were listed: one more of them, and a certificate that knows of it."""
    plain, other, made = listing.singles, Archive(archive.root, "bench2"), [20, 30]

    def singles(root: Path, table: str, from_month: str = "") -> list[listing.Stored]:
        found = plain(root, table, from_month)
        if table == "readings" and made:
            one = scenario.inspection(made.pop(0))
            monkeypatch.setattr(listing, "singles", plain)
            archive.commit_inspection(one, scenario.readings(one))
            other.commit_certificate(scenario.certificate(one, archive.head()))
            monkeypatch.setattr(listing, "singles", singles)
        return found

    monkeypatch.setattr(listing, "singles", singles)
    assert archive.check() == []
    assert made == []
    monkeypatch.undo()
    assert archive.check() == []


def test_a_first_commit_that_follows_another_is_found(archive: Archive) -> None:
    one = scenario.inspection()
    path = archive.commit_inspection(one, scenario.readings(one))
    record = json.loads(parquet.footer(path)["filmtally.record"]) | {"previous": "1" * 64}
    parquet.write(READINGS, scenario.readings(one), path, {"filmtally.record": canonical(record)})
    assert kinds(archive) == ["changed"]


def test_missing_last_commits_show_against_an_anchor(archive: Archive, five: list[Path]) -> None:
    anchor = archive.head()
    for path in five[3:]:
        path.unlink()
    assert kinds(archive) == []
    (trouble,) = archive.check([anchor])
    assert trouble.kind == "missing"
    assert "commits 4 to 5 of bench bench1 are missing" in trouble.sentence


def test_a_whole_ledger_that_is_gone_shows_against_an_anchor(archive: Archive, five: list[Path]) -> None:
    anchor = archive.head()
    shutil.rmtree(archive.root)
    assert kinds(archive, anchor) == ["missing"]


def test_the_archives_own_certificates_are_anchors(archive: Archive, five: list[Path]) -> None:
    last = scenario.inspection(3)
    other = Archive(archive.root, "bench2")
    other.commit_certificate(scenario.certificate(last, archive.head()))
    assert kinds(archive) == []
    rewritten(five[4])
    (trouble,) = archive.check()
    assert trouble.kind == "changed"
    assert "that certificate KLC-20261103-091502-0003 revision 1 knows" in trouble.sentence
    five[4].unlink()
    sentences = " ".join(trouble.sentence for trouble in archive.check())
    assert "commit 5 of bench bench1 is missing" in sentences
    assert "inspection 20261103-091502-0003 revision 1 is missing" in sentences


def test_a_file_under_another_name_is_found(archive: Archive, five: list[Path]) -> None:
    copied = five[4].with_name(five[4].name.replace("-00000005-", "-00000009-"))
    shutil.copy(five[4], copied)
    (trouble,) = archive.check()
    assert ("unexpected", copied) == (trouble.kind, trouble.path)
    # Nor does it become a link of the chain, or the head that a certificate states.
    one = scenario.inspection(9)
    with pytest.raises(IntegrityFailed, match="it is a copy or was renamed"):
        Archive(archive.root, "bench1").commit_inspection(one, scenario.readings(one))
    with pytest.raises(IntegrityFailed, match="it is a copy or was renamed"):
        archive.head()
    copied.unlink()
    five[2].rename(five[2].with_name(five[2].name.replace("-r1.", "-r2.")))
    assert kinds(archive) == ["unexpected", "missing"]


def test_a_file_under_another_inspections_name_is_not_taken_for_it(archive: Archive, five: list[Path]) -> None:
    shutil.copy(five[1], five[4])
    with pytest.raises(IntegrityFailed, match="it is a copy or was renamed"):
        archive.inspection(scenario.inspection_id(3))
    with pytest.raises(IntegrityFailed, match="it is a copy or was renamed"):
        archive.readings(scenario.inspection_id(3))


def test_a_file_in_another_month_or_table_is_found(archive: Archive, five: list[Path]) -> None:
    elsewhere = archive.root / "readings" / "2026-12" / five[4].name
    elsewhere.parent.mkdir()
    shutil.copy(five[4], elsewhere)
    assert kinds(archive) == ["unexpected"]
    elsewhere.unlink()
    shutil.copy(five[4], archive.root / "gauge_checks" / "2026-11" / five[4].name)
    assert kinds(archive) == ["unexpected"]


def test_files_that_do_not_belong_are_named(archive: Archive, five: list[Path]) -> None:
    strangers = [
        archive.root / "notes.txt",
        archive.root / "readings" / "all.parquet",
        archive.root / "readings" / "2026-11" / "copy of readings.parquet",
    ]
    for stranger in strangers:
        stranger.write_bytes(b"x")
    folder = archive.root / "certificates"
    folder.mkdir()
    (folder / "2026-13").mkdir()
    found = archive.check()
    assert {"unexpected"} == {trouble.kind for trouble in found}
    assert {*strangers, folder / "2026-13"} == {trouble.path for trouble in found}


@pytest.mark.parametrize(
    "content", [b"", b"PAR1", b"PAR1" + b"\0" * 100 + b"PAR1"], ids=["empty", "short", "no footer"]
)
def test_a_file_cut_short_is_changed_and_not_missing(archive: Archive, five: list[Path], content: bytes) -> None:
    five[2].write_bytes(content)
    assert kinds(archive) == ["changed"]
    with pytest.raises(IntegrityFailed):
        archive.inspection(scenario.inspection_id(1))


def test_two_computers_of_one_name_are_a_fork(archive: Archive, five: list[Path], tmp_path: Path) -> None:
    copy = tmp_path / "copy"
    shutil.copytree(archive.root, copy)
    for root, number in ((archive.root, 10), (copy, 11)):
        one = scenario.inspection(number)
        path = Archive(root, "bench1").commit_inspection(one, scenario.readings(one))
    shutil.copy(path, archive.root / "readings" / path.parent.name / path.name)
    (trouble,) = archive.check()
    assert trouble.kind == "fork"
    assert "two computers use that name" in trouble.sentence


def test_a_bench_goes_no_further_on_a_last_commit_that_cannot_be_read(archive: Archive, five: list[Path]) -> None:
    five[4].write_bytes(b"")
    one = scenario.inspection(9)
    with pytest.raises(IntegrityFailed, match="another bench name can"):
        Archive(archive.root, "bench1").commit_inspection(one, scenario.readings(one))
    Archive(archive.root, "bench2").commit_inspection(one, scenario.readings(one))


@pytest.mark.parametrize("anchor", ["", "[]", "{", '{"bench1":{"seq":"5","record":"x"}}', '{"bench1":{"seq":5}}'])
def test_an_anchor_that_is_no_ledger_head_is_told(archive: Archive, anchor: str) -> None:
    with pytest.raises(BadInput, match="is not a ledger head; copy it whole from the certificate"):
        archive.check([anchor])


def test_an_older_anchor_still_holds_after_later_commits(archive: Archive, five: list[Path]) -> None:
    anchor = archive.head()
    one = scenario.correction(scenario.inspection(3))
    archive.commit_inspection(one, scenario.readings(one))
    assert kinds(archive, anchor) == []
    assert one == dataclasses.replace(archive.inspection(one.inspection_id))

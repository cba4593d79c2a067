"""Closed months on an object store: a real S3 server on loopback, and a folder."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pyarrow as pa
import pytest

from archive.content import content_sha256
from archive.layout import CommitName
from archive.ledger import NO_RECORD, Record, facts_of
from archive.object_store import checked_plant, open_store
from archive.push import push
from archive.segments import Segment, write_segment
from schemas.errors import BadInput, IntegrityFailed
from schemas.inspections import INSPECTIONS
from schemas.readings import READINGS
from tests.archive import scenario
from tests.archive.s3_server import KEYS, s3_server


@pytest.fixture(scope="module")
def address() -> Iterator[str]:
    with s3_server("plants") as found:
        yield found


@pytest.fixture(params=["s3", "folder"])
def store_address(request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    if request.param == "folder":
        return (tmp_path / "store").as_uri()
    for name, value in KEYS.items():
        monkeypatch.setenv(name, value)
    # Each test has a place of its own on the one server.
    server = str(request.getfixturevalue("address"))
    return server.replace("/group?", f"/{tmp_path.name}?")


def _segment(root: Path, month: int) -> Segment:
    at = scenario.START.replace(month=month)
    one = scenario.inspection(month, at, readings=24)
    rows = scenario.readings(one)
    name = CommitName(one.sealed_at, "bench1", month, one.inspection_id, 1)
    record = Record(
        table="readings",
        table_version=READINGS.version,
        key=one.inspection_id,
        revision=1,
        bench="bench1",
        seq=month,
        committed_at=one.sealed_at,
        named_at=one.sealed_at,
        previous=NO_RECORD,
        content_sha256=content_sha256(rows),
        rows=rows.num_rows,
        facts=facts_of(one),
        facts_version=INSPECTIONS.version,
    )
    return write_segment(root, READINGS, name.month, [(name.file_name, record.text())], rows)


def test_months_are_sent_once_with_the_manifest_last_and_are_the_same_there(tmp_path: Path, store_address: str) -> None:
    root = tmp_path / "archive"
    ours = [_segment(root, month) for month in (8, 9)]
    store = open_store(store_address)
    sent = list(push(root, store, "kestrel"))
    assert [(one.month, one.how) for one in sent] == [("2026-08", "sent"), ("2026-09", "sent")]
    for segment in ours:
        for path in segment.paths:
            assert store.get("kestrel", "folded", "readings", path.name) == path.read_bytes()
    assert store.folders() == ["kestrel"]
    assert [one.how for one in push(root, store, "kestrel")] == ["there", "there"]
    assert sum(one.size for one in push(root, store, "kestrel")) == 0


def test_a_push_that_was_cut_short_is_completed_by_the_next(tmp_path: Path, store_address: str) -> None:
    root = tmp_path / "archive"
    segment = _segment(root, 8)
    store = open_store(store_address)
    folder = ("kestrel", "folded", "readings")
    store.put(segment.rows_path, *folder, segment.rows_path.name)  # and here the line broke
    assert segment.manifest_path.name not in store.names(*folder)
    assert [one.how for one in push(root, store, "kestrel")] == ["sent"]
    assert set(store.names(*folder)) == {path.name for path in segment.paths}


def test_a_month_that_is_damaged_here_is_not_published_there(tmp_path: Path, store_address: str) -> None:
    root = tmp_path / "archive"
    segment = _segment(root, 8)
    content = bytearray(segment.rows_path.read_bytes())
    content[len(content) // 2] ^= 1
    segment.rows_path.write_bytes(content)
    store = open_store(store_address)
    with pytest.raises(IntegrityFailed, match="is not the file that its manifest names; the month was not published"):
        list(push(root, store, "kestrel"))
    assert store.names("kestrel", "folded", "readings") == {}


def test_a_month_that_was_copied_to_another_name_is_not_published(tmp_path: Path, store_address: str) -> None:
    root = tmp_path / "archive"
    segment = _segment(root, 8)
    for path in segment.paths:
        path.with_name(path.name.replace(segment.id, "00" * 8)).write_bytes(path.read_bytes())
    store = open_store(store_address)
    with pytest.raises(IntegrityFailed, match=r"0{16}.json: is not the manifest of this segment: it was copied"):
        list(push(root, store, "kestrel"))
    assert f"2026-08-{'00' * 8}.json" not in store.names("kestrel", "folded", "readings")


def test_another_month_under_the_same_name_is_never_overwritten(tmp_path: Path, store_address: str) -> None:
    root = tmp_path / "archive"
    segment = _segment(root, 8)
    store = open_store(store_address)
    list(push(root, store, "kestrel"))
    other = tmp_path / "other.json"
    other.write_bytes(segment.manifest_path.read_bytes().replace(b'"rows":24', b'"rows":25'))
    store.put(other, "kestrel", "folded", "readings", segment.manifest_path.name)
    with pytest.raises(IntegrityFailed, match="is not the month that"):
        list(push(root, store, "kestrel"))
    assert store.get("kestrel", "folded", "readings", segment.manifest_path.name) == other.read_bytes()


def test_what_the_archive_has_no_longer_is_named_and_goes_on_an_explicit_order(
    tmp_path: Path, store_address: str
) -> None:
    root = tmp_path / "archive"
    segment = _segment(root, 8)
    kept = _segment(root, 9)
    store = open_store(store_address)
    list(push(root, store, "kestrel"))
    for path in reversed(segment.paths):
        path.unlink()
    assert [(one.month, one.how) for one in push(root, store, "kestrel")] == [("2026-09", "there"), ("2026-08", "gone")]
    assert [one.how for one in push(root, store, "kestrel", remove_gone=True)] == ["there", "removed"]
    assert set(store.names("kestrel", "folded", "readings")) == {path.name for path in kept.paths}


def test_nothing_is_pushed_into_what_a_shop_keeps(tmp_path: Path) -> None:
    """Neither by its name, nor over a link to it or in it, nor where the archive lies elsewhere and the shop links to it."""
    shop, away = tmp_path / "shop", tmp_path / "away"
    for path in (shop, away, tmp_path / "else"):
        path.mkdir()
    (shop / "shop.toml").write_text("")
    (shop / "archive").symlink_to(away)
    root = shop / "archive"
    _segment(root, 8)
    (tmp_path / "link").symlink_to(root)
    (tmp_path / "in").symlink_to(shop)
    (tmp_path / "else" / "kestrel").symlink_to(away)
    before = sorted(tmp_path.rglob("*"))
    for address, plant in (
        (root, "kestrel"),
        (shop / "journals" / "x", "kestrel"),
        (shop / "archive" / "folded" / ".." / ".." / "archive", "kestrel"),
        (away, "kestrel"),
        (tmp_path, "away"),
        (tmp_path / "link", "kestrel"),
        (tmp_path / "in" / "captures", "kestrel"),
        (tmp_path / "in", "archive"),
        (tmp_path / "else", "kestrel"),
    ):
        with pytest.raises(BadInput, match=r"belongs to what the shop keeps \(.*\); name a folder elsewhere"):
            list(push(root, open_store(f"file://{address}"), plant))
    assert sorted(tmp_path.rglob("*")) == before
    assert [one.how for one in push(root, open_store((shop / "to-the-office").as_uri()), "kestrel")] == ["sent"]


def test_a_store_that_cannot_be_spoken_to_is_one_sentence(tmp_path: Path) -> None:
    root = tmp_path / "archive"
    _segment(root, 8)
    with pytest.raises(BadInput, match="no such place can be opened"):
        open_store("nowhere://x")
    (tmp_path / "a-file").write_text("x")
    with pytest.raises(BadInput, match="the store does not do what was asked"):
        list(push(root, open_store((tmp_path / "a-file").as_uri()), "kestrel"))


@pytest.mark.parametrize("address", ["s3://id:word@plants/group", "s3://plants/group?region=x&secret_key=word"])
def test_a_key_in_an_address_is_refused_and_not_said_again(address: str) -> None:
    with pytest.raises(BadInput, match="the address holds a key") as refused:
        open_store(address)
    assert "word" not in refused.value.sentence


@pytest.mark.parametrize("name", ["", "Kestrel", "-x", "a/b", "..", "x" * 41])
def test_a_plant_s_name_is_checked(name: str) -> None:
    with pytest.raises(BadInput, match="the plant is called"):
        checked_plant(name)


def test_the_rows_there_read_as_the_rows_here(tmp_path: Path, store_address: str) -> None:
    import pyarrow.dataset as ds

    root = tmp_path / "archive"
    segment = _segment(root, 8)
    store = open_store(store_address)
    list(push(root, store, "kestrel"))
    there: pa.Table = ds.dataset(
        store.path("kestrel", "folded", "readings", segment.rows_path.name), filesystem=store.files, format="parquet"
    ).to_table()
    assert there.num_rows == 24
    at = scenario.START.replace(month=8)
    assert content_sha256(there) == content_sha256(scenario.readings(scenario.inspection(8, at, readings=24)))

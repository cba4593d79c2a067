"""Removal by an order: what is named goes and all else stays, also where it is cut short anywhere, and no chain breaks."""

from __future__ import annotations

import dataclasses
import hashlib
import os
import shutil
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest

from archive import fold as folding
from archive import removing
from archive.fold import fold, folding_alone
from archive.holds import lift_hold, set_hold
from archive.ledger import RECORD_KEY
from archive.removing import Order, every_retained, finish, left_behind, order, remove, unfinished
from archive.retention import Retained
from archive.shop_folder import ShopFolder
from archive.store import Archive
from schemas import parquet
from schemas.errors import BadInput, IntegrityFailed
from schemas.inspections import Inspection
from schemas.tombstones import TOMBSTONES
from tests.archive import scenario

MONTH = timedelta(days=31)
ONES = [scenario.inspection(n, at=scenario.START + (n // 3) * MONTH, readings=3 + n) for n in range(1, 6)]
CORRECTED = dataclasses.replace(scenario.correction(ONES[0]), lot="L-78")
GOING, OTHERS = ONES[:1], ONES[1:]
LATER = datetime(2040, 1, 1, tzinfo=UTC)


class Killed(BaseException):
    """The process is no more."""


@dataclasses.dataclass
class Shop:
    folder: ShopFolder

    @property
    def archive(self) -> Archive:
        """Return the archive, opened anew: nothing of it is known."""
        return Archive(self.folder.archive, "bench1")

    def given(self, with_certificates: bool = False) -> Order:
        return Order("20400101-000000-G0NE", LATER, "TA", "the retention is over", with_certificates)

    def order(self, going: list[Inspection] = GOING, with_certificates: bool = False) -> None:
        archive = self.archive
        ids = {one.inspection_id for one in going}
        found = [one for one in every_retained(archive, self.folder, UTC) if one.inspection_id in ids]
        order(archive, self.folder, self.given(with_certificates), found, UTC)

    def remove(self, going: list[Inspection] = GOING, with_certificates: bool = False) -> list[Path]:
        self.order(going, with_certificates)
        return finish(self.archive, self.folder)

    def capture(self, text: bytes, *inspections: Inspection) -> Path:
        """Keep a capture that the journals of *inspections* name."""
        name = hashlib.sha256(text).hexdigest()
        for ending, content in ((".capture", text), (".taken", b"{}")):
            (self.folder.captures / f"{name}{ending}").write_bytes(content)
        for one in inspections:
            with (self.folder.journals / "sealed" / f"{one.inspection_id}.journal").open("a") as journal:
                journal.write(f'01234567 {{"kind":"capture","sha256":"{name}"}}\n')
        return self.folder.captures / f"{name}.capture"


def filled(folder: ShopFolder) -> Shop:
    """Return a shop of five inspections in two months by two benches, a check, certificates, journals, and captures."""
    for path in (folder.journals / "sealed", folder.captures, folder.certificates):
        path.mkdir(parents=True)
    first, second = Archive(folder.archive, "bench1"), Archive(folder.archive, "bench2")
    first.commit_checks(scenario.verification(), scenario.START)
    first.commit_inspection(ONES[0], scenario.readings(ONES[0]))
    second.commit_inspection(ONES[1], scenario.readings(ONES[1]))
    second.commit_inspection(CORRECTED, scenario.readings(CORRECTED))  # the last that this bench ever commits
    for one in ONES[2:]:
        first.commit_inspection(one, scenario.readings(one))
    for one in (CORRECTED, ONES[1]):
        certificate = scenario.certificate(one, first.head())
        first.commit_certificate(certificate)
        (folder.certificates / certificate.pdf_name).write_bytes(b"%PDF")
    shop = Shop(folder)
    shop.capture(b"of one", ONES[0])
    shop.capture(b"of two", ONES[0], ONES[1])
    return shop


@pytest.fixture(scope="session")
def shops(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Return a shop with single files, and the same shop with both months folded."""
    single = tmp_path_factory.mktemp("single") / "shop"
    filled(ShopFolder(single))
    folded = tmp_path_factory.mktemp("folded") / "shop"
    shutil.copytree(single, folded)
    fold(folded / "archive", datetime(2027, 3, 1, tzinfo=UTC))
    return {"single": single, "folded": folded}


@pytest.fixture(params=["single", "folded"])
def shop(request: pytest.FixtureRequest, shops: dict[str, Path], tmp_path: Path) -> Shop:
    return Shop(ShopFolder(Path(shutil.copytree(shops[request.param], tmp_path / "shop"))))


def readings_of(archive: Archive, ones: list[Inspection]) -> list[Any]:
    return [archive.readings(one.inspection_id, one.revision).to_pylist() for one in ones]


def left_of(shop: Shop) -> set[str]:
    """Return the files that hold a word of the inspections that go; tombstones hold their number and nothing more."""
    ids = [one.inspection_id for one in GOING]
    found = set()
    for path in shop.folder.root.rglob("*"):
        if path.is_file() and "tombstones" not in path.parts and "certificates" not in path.parts:
            names = path.name.endswith(".records.parquet") and str(pq.read_table(path).to_pylist())
            if any(i in path.name or (names and i in names) for i in ids):
                found.add(path.name)
            elif path.suffix == ".parquet" and "inspection_id" in (t := pq.read_table(path)).column_names:
                found |= {path.name for i in ids if i in t.column("inspection_id").to_pylist()}
    return found


def test_what_is_named_goes_and_everything_else_stays(shop: Shop) -> None:
    heads = shop.archive.head()
    before = readings_of(shop.archive, OTHERS)
    shared, alone = sorted(shop.folder.captures.glob("*.capture"), key=lambda path: path.read_bytes() == b"of one")
    gone = shop.remove()
    assert left_of(shop) == set()
    assert shop.archive.check() == []
    assert shop.archive.check([heads]) == [], "an anchor of before still holds"
    assert shop.archive.unlike_head(heads, "a certificate") is None
    assert readings_of(shop.archive, OTHERS) == before
    assert {one.inspection_id for one in shop.archive.inspections()} == {one.inspection_id for one in OTHERS}
    with pytest.raises(BadInput, match="there is no inspection"):
        shop.archive.readings(ONES[0].inspection_id)
    assert shared.exists()
    assert not alone.exists()
    assert {path.suffix for path in gone} >= {".parquet", ".journal", ".capture", ".taken"}
    assert len(shop.archive.certificates()) == 2, "the register keeps what was issued"
    assert unfinished(shop.archive, shop.folder) == []
    assert finish(shop.archive, shop.folder) == []


def test_a_tombstone_says_what_went_by_whose_order_and_by_which_rule(shop: Shop) -> None:
    shop.remove(with_certificates=True)
    rows = shop.archive.tombstones()
    assert [(r.removed_table, r.bench, r.seq, r.revision, r.rows, r.pdf_name) for r in rows] == [
        ("readings", "bench1", 2, 1, 4, None),
        ("readings", "bench2", 2, 2, 4, None),
        ("certificates", "bench1", 6, 2, 1, f"KLC-{ONES[0].inspection_id}-r2.pdf"),
    ]
    assert {(r.removal_id, r.by, r.reason, str(r.kept_until)) for r in rows} == {
        ("20400101-000000-G0NE", "TA", "the retention is over", "2036-11-03")
    }
    assert rows[0].rule.startswith("10 years by the job, from the last certificate on ")
    # Each revision with the lot that it had; the certificate with its own.
    assert [(r.lot, r.part_no, r.customer) for r in rows] == [
        (one.lot, one.part_no, one.customer) for one in (ONES[0], CORRECTED, CORRECTED)
    ]
    assert [r.pdf_sha256 for r in rows] == [None, None, scenario.certificate(CORRECTED, "").pdf_sha256]


def test_certificates_go_only_where_the_order_says_so(shop: Shop) -> None:
    pdfs = set(shop.folder.certificates.iterdir())
    shop.remove(with_certificates=True)
    assert {path.name for path in pdfs - set(shop.folder.certificates.iterdir())} == {
        f"KLC-{ONES[0].inspection_id}-r2.pdf"
    }
    assert [c.inspection_id for c in shop.archive.certificates()] == [ONES[1].inspection_id]
    assert shop.archive.check() == []


def test_a_bench_goes_on_behind_a_last_commit_that_was_removed(shop: Shop) -> None:
    """The corrected revision was the last commit of bench2: its number is not given a second time."""
    shop.remove()
    second = Archive(shop.folder.archive, "bench2")
    one = scenario.inspection(20, at=datetime(2040, 1, 2, tzinfo=UTC), readings=2)
    path = second.commit_inspection(one, scenario.readings(one))
    assert "-bench2-00000003-" in path.name
    assert shop.archive.check() == []
    assert '"bench2":{"record":' in shop.archive.head()
    assert ',"seq":3}' in shop.archive.head()


def test_two_removals_after_each_other_leave_a_whole_chain(shop: Shop) -> None:
    heads = [shop.archive.head()]
    for number, one in enumerate(ONES):
        archive = shop.archive
        found = [r for r in every_retained(archive, shop.folder, UTC) if r.inspection_id == one.inspection_id]
        given = dataclasses.replace(shop.given(True), removal_id=f"20400101-000000-000{number}")
        order(archive, shop.folder, given, found, UTC)
        finish(archive, shop.folder)
        heads.append(shop.archive.head())
        assert shop.archive.check(heads) == []
    assert shop.archive.inspections() == []
    assert list((shop.folder.journals / "sealed").iterdir()) == []
    assert list(shop.folder.captures.iterdir()) == [], "a shared capture goes with the last that took it"


# ---- who may not go -------------------------------------------------------------------------


def test_what_is_held_stays_until_the_hold_is_lifted(shop: Shop) -> None:
    at = datetime(2030, 5, 1, 12, tzinfo=UTC)
    hold = set_hold(shop.archive, at, "TA", "a claim is open", customer="ferrow gate works")
    with pytest.raises(BadInput, match=r"is held by TA since 2030-05-01 \(a claim is open\); nothing was removed"):
        shop.order()
    assert shop.archive.tombstones() == []
    lift_hold(shop.archive, hold.hold_id, at + timedelta(days=1), "TA", "the claim is settled")
    with pytest.raises(BadInput, match=r"was lifted by TA already \(the claim is settled\)"):
        lift_hold(shop.archive, hold.hold_id, at, "TA", "again")
    with pytest.raises(BadInput, match="there is no hold 'x'"):
        lift_hold(shop.archive, "x", at, "TA", "no such")
    shop.remove()
    assert shop.archive.check() == []
    assert [(one.state, one.reason) for one in shop.archive.holds()] == [
        ("set", "a claim is open"),
        ("lifted", "the claim is settled"),
    ]


def test_a_hold_that_was_set_after_the_look_is_heeded(shop: Shop) -> None:
    archive = shop.archive
    found = every_retained(archive, shop.folder, UTC)
    set_hold(shop.archive, LATER, "TA", "found just now", inspection_id=ONES[2].inspection_id)
    with pytest.raises(BadInput, match="is held by TA"):
        order(archive, shop.folder, shop.given(), found, UTC)


def test_what_is_not_over_stays(shop: Shop) -> None:
    found = every_retained(shop.archive, shop.folder, UTC)
    early = dataclasses.replace(shop.given(), at=datetime(2036, 11, 3, 23, 59, tzinfo=UTC))
    with pytest.raises(BadInput, match=r"is kept until 2036-11-03 \(10 years by the job, .*\); nothing was removed"):
        order(shop.archive, shop.folder, early, found, UTC)
    assert shop.archive.tombstones() == []


def test_an_inspection_whose_journal_lies_open_stays(shop: Shop) -> None:
    """Sealed anew from there it would be back."""
    (shop.folder.journals / f"{ONES[0].inspection_id}.journal").write_text("")
    with pytest.raises(BadInput, match="lies open although the inspection is sealed"):
        shop.order()


def test_the_customers_file_is_asked(shop: Shop) -> None:
    (shop.folder.root / "customers").mkdir()
    file = shop.folder.root / "customers" / "ferrow.toml"
    file.write_text('name = "Ferrow Gate Works"\n[retention]\nyears = 30\n')
    with pytest.raises(BadInput, match=r"is kept until 2056-11-03 \(30 years by the customer's file, from "):
        shop.order()


# ---- at once --------------------------------------------------------------------------------


def test_a_commit_never_gets_a_second_tombstone(shop: Shop) -> None:
    """What was looked at before another removal, also one that is not finished, is not ordered away again."""
    found = [r for r in every_retained(shop.archive, shop.folder, UTC) if r.inspection_id == ONES[0].inspection_id]
    again = dataclasses.replace(shop.given(), removal_id="20400101-000000-0002")
    shop.order()
    with pytest.raises(BadInput, match=r"was removed on 2040-01-01 by TA \(.*\) already; nothing was removed"):
        order(shop.archive, shop.folder, again, found, UTC)
    rows = [dataclasses.replace(one, removal_id=again.removal_id) for one in shop.archive.tombstones()]
    with pytest.raises(
        BadInput, match=r"revision 1: was removed on 2040-01-01 by TA \(.*\) already; nothing was changed"
    ):
        Archive(shop.folder.archive, "bench3").commit_tombstones(rows)
    with pytest.raises(BadInput, match="already; nothing was changed"):
        Archive(shop.folder.archive, "bench3").commit_tombstones(
            [dataclasses.replace(rows[0], bench="other"), dataclasses.replace(rows[0], bench="other")]
        )
    finish(shop.archive, shop.folder)
    with pytest.raises(BadInput, match="already; nothing was removed"):
        order(shop.archive, shop.folder, again, found, UTC)
    assert len(shop.archive.tombstones()) == 2
    assert shop.archive.check() == []


def test_two_removals_at_once_come_to_one(shop: Shop) -> None:
    """Two programs look at the same moment, and both are told to go on; only one of them finds that it may."""
    both = threading.Barrier(2)

    def removed(number: int) -> int | str:
        archive = Archive(shop.folder.archive, f"bench{number}")
        seen = every_retained(archive, shop.folder, UTC)
        both.wait()

        def chosen() -> list[Retained]:
            going = every_retained(archive, shop.folder, UTC)
            assert going in ([], seen)
            return going

        given = dataclasses.replace(shop.given(), removal_id=f"20400101-000000-000{number}")
        return len(remove(archive, shop.folder, given, chosen, UTC).going)

    with ThreadPoolExecutor() as programs:
        assert sorted(programs.map(removed, (8, 9))) == [0, len(ONES)]
    assert len(shop.archive.tombstones()) == len(ONES) + 1
    assert len({one.removal_id for one in shop.archive.tombstones()}) == 1
    assert shop.archive.check() == []


def test_no_hold_is_set_between_the_choice_and_the_last_file(shop: Shop, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(folding, "_LOCK_SECONDS", 0.05)
    (held,) = [one.inspection_id for one in GOING]
    told: list[str] = []

    def hold() -> None:
        with pytest.raises(BadInput) as refused:
            set_hold(Archive(shop.folder.archive, "bench3"), LATER, "TA", "a claim", inspection_id=held)
        told.append(refused.value.sentence)

    def before(real: Callable[..., Any]) -> Callable[..., Any]:
        def called(*args: Any) -> Any:
            hold()
            return real(*args)

        return called

    with monkeypatch.context() as patched:
        patched.setattr(Archive, "commit_tombstones", before(Archive.commit_tombstones))
        patched.setattr(removing, "_captures_of", before(removing._captures_of))
        found = [r for r in every_retained(shop.archive, shop.folder, UTC) if r.inspection_id == held]
        remove(shop.archive, shop.folder, shop.given(True), lambda: found, UTC)
    assert len(told) == 2
    assert all("another program has been folding or removing" in sentence for sentence in told)
    hold()
    assert told[-1] == (
        f"there is no inspection {held} any more: it was removed on 2040-01-01 by TA (the retention is over); nothing is held"
    )
    assert shop.archive.holds() == []
    assert shop.archive.check() == []


def test_a_hold_waits_for_no_more_than_the_lock_and_is_heeded_once_it_is_set(
    shop: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(folding, "_LOCK_SECONDS", 0.05)
    with (
        folding_alone(shop.folder.archive),
        pytest.raises(BadInput, match="nothing was changed; wait for it or end it, then repeat"),
    ):
        set_hold(shop.archive, LATER, "TA", "a claim", customer="Ferrow Gate Works")
    found = every_retained(shop.archive, shop.folder, UTC)
    set_hold(shop.archive, LATER, "TA", "a claim", customer="Ferrow Gate Works")
    with pytest.raises(BadInput, match="is held by TA"):
        remove(shop.archive, shop.folder, shop.given(), lambda: found, UTC)
    assert shop.archive.tombstones() == []


def test_certificates_that_a_removal_left_can_be_held_until_they_go(shop: Shop) -> None:
    shop.remove()
    hold = set_hold(shop.archive, LATER, "TA", "a claim", inspection_id=ONES[0].inspection_id)
    lift_hold(shop.archive, hold.hold_id, LATER, "TA", "settled")
    given = dataclasses.replace(shop.given(True), removal_id="20400101-000000-0002")
    remove(shop.archive, shop.folder, given, lambda: left_behind(shop.archive, shop.folder, UTC), UTC)
    with pytest.raises(BadInput, match="there is no inspection .* any more"):
        set_hold(shop.archive, LATER, "TA", "a claim", inspection_id=ONES[0].inspection_id)
    with pytest.raises(BadInput, match="there is no inspection 20990101-000000-0000; nothing was changed"):
        set_hold(shop.archive, LATER, "TA", "a claim", inspection_id="20990101-000000-0000")


# ---- killed ---------------------------------------------------------------------------------


@contextmanager
def dying(monkeypatch: pytest.MonkeyPatch, after: int) -> Iterator[Callable[[], int]]:
    """Let *after* operations on the disk happen, and none after those, as in a process that was killed."""
    done = 0

    def one(real: Callable[..., Any]) -> Callable[..., Any]:
        def counted(*args: Any, **more: Any) -> Any:
            nonlocal done
            if done >= after:
                raise Killed
            done += 1
            return real(*args, **more)

        return counted

    with monkeypatch.context() as patched:
        for name in ("unlink", "replace", "write", "fsync"):
            patched.setattr(os, name, one(getattr(os, name)))
        yield lambda: done


def killed_after(steps: int, source: Path, target: Path, monkeypatch: pytest.MonkeyPatch) -> bool:
    """Remove from a copy of the shop *source*, killed after *steps*, look at what is left, and finish it.

    Returns:
        Whether the kill came before the removal was done.
    """
    shop = Shop(ShopFolder(Path(shutil.copytree(source, target))))
    heads, before = shop.archive.head(), readings_of(shop.archive, OTHERS)
    try:
        with dying(monkeypatch, steps):
            shop.remove(with_certificates=True)
        killed = False
    except Killed:
        killed = True
    archive = shop.archive
    assert [t for t in archive.check([heads]) if not t.harmless] == [], f"killed after {steps}"
    assert readings_of(archive, OTHERS) == before
    if not archive.tombstones():
        assert readings_of(archive, [ONES[0], CORRECTED]), "nothing is removed before it stands in the ledger"
        assert len(list(shop.folder.captures.iterdir())) == 4
    for one in archive.inspections(all_revisions=True):
        archive.readings(one.inspection_id, one.revision)
    if archive.tombstones():
        finish(archive, shop.folder)
    else:
        shop.remove(with_certificates=True)
    archive = shop.archive
    assert left_of(shop) == set(), f"killed after {steps}"
    assert [t for t in archive.check([heads]) if ".writing-" not in t.sentence] == []
    assert unfinished(archive, shop.folder) == []
    assert readings_of(archive, OTHERS) == before
    shutil.rmtree(target)
    return killed


@pytest.mark.parametrize("form", ["single", "folded"])
def test_a_kill_anywhere_leaves_all_of_it_or_what_the_next_run_finishes(
    shops: dict[str, Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, form: str
) -> None:
    """Every fifteenth step here; bench/kill_removal.py kills at each."""
    steps = 3
    while killed_after(steps, shops[form], tmp_path / "shop", monkeypatch):
        steps += 15
    assert steps > 14, "the removal was never killed"


# ---- tampering ------------------------------------------------------------------------------


def test_a_fold_after_a_kill_behind_the_manifest_clears_what_only_tombstones_stand_for(
    shops: dict[str, Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Neither is it called a loss, nor are the removed commits called missing."""
    shop = Shop(ShopFolder(Path(shutil.copytree(shops["folded"], tmp_path / "shop"))))
    real = removing._unlinked

    def killed(paths: list[Path]) -> list[Path]:
        gone = real(paths)
        if any(path.suffix == ".json" for path in gone):
            raise Killed
        return gone

    with monkeypatch.context() as patched:
        patched.setattr(removing, "_unlinked", killed)
        with pytest.raises(Killed):
            shop.remove(with_certificates=True)
    done = fold(shop.folder.archive, datetime(2027, 3, 1, tzinfo=UTC))
    assert (done.left_alone, done.missing, done.cleared) == ((), (), 2)
    finish(shop.archive, shop.folder)
    assert left_of(shop) == set()
    assert shop.archive.check() == []


def forged(shop: Shop, change: Callable[[Any], Any], *, fitting: bool) -> Path:
    """Rewrite the tombstones with *change* done to each; where *fitting*, with a record that vouches for them."""
    from archive.content import content_sha256
    from archive.ledger import record_of

    (path,) = (shop.folder.archive / "tombstones").rglob("*.parquet")
    rows = parquet.table_of(TOMBSTONES, [change(one) for one in shop.archive.tombstones()])
    text = parquet.footer(path)[RECORD_KEY]
    if fitting:
        text = dataclasses.replace(record_of(text, ""), content_sha256=content_sha256(rows), rows=rows.num_rows).text()
    parquet.write(TOMBSTONES, rows, path, {RECORD_KEY: text})
    return path


@pytest.mark.parametrize(
    "change",
    [
        pytest.param({"by": "XX"}, id="who ordered it"),
        pytest.param({"reason": "none"}, id="why"),
        pytest.param({"record_hash": "0" * 64}, id="what was removed"),
    ],
)
def test_a_tombstone_that_was_changed_is_found(shop: Shop, change: dict[str, str]) -> None:
    shop.remove()
    forged(shop, lambda one: dataclasses.replace(one, **change), fitting=False)
    assert "changed" in {t.kind for t in shop.archive.check() if not t.harmless}


def test_a_tombstone_that_was_changed_with_a_fitting_record_breaks_a_chain_or_an_anchor(shop: Shop) -> None:
    shop.remove()
    one = scenario.inspection(20, at=datetime(2040, 1, 2, tzinfo=UTC), readings=2)
    shop.archive.commit_inspection(one, scenario.readings(one))
    assert shop.archive.check() == []
    forged(shop, lambda one: dataclasses.replace(one, by="XX"), fitting=True)
    assert [t.kind for t in shop.archive.check()] == ["changed"]


def test_a_tombstone_for_another_commit_than_was_there_breaks_the_chain(shop: Shop) -> None:
    shop.remove()
    forged(shop, lambda one: dataclasses.replace(one, record_hash="1" * 64), fitting=True)
    assert any("rewritten" in t.sentence for t in shop.archive.check())


def test_a_gap_without_a_tombstone_is_missing(shop: Shop) -> None:
    shop.remove()
    shutil.rmtree(shop.folder.archive / "tombstones")
    kinds = {t.kind for t in shop.archive.check()}
    assert "missing" in kinds


def test_a_tombstone_leads_to_no_file_outside(shop: Shop) -> None:
    keep = shop.folder.root / "shop.toml"
    keep.write_text("")
    shop.order(with_certificates=True)
    for change in ({"pdf_name": "../shop.toml"}, {"removed_table": "gauge_checks"}, {"bench": "../../x"}):
        forged(shop, lambda one, change=change: dataclasses.replace(one, **change), fitting=True)
        with pytest.raises(IntegrityFailed, match="nothing more is removed"):
            finish(shop.archive, shop.folder)
    assert keep.exists()


def test_a_file_that_is_not_what_the_tombstone_says_is_left_alone(shop: Shop) -> None:
    shop.order()
    forged(shop, lambda one: dataclasses.replace(one, record_hash="1" * 64), fitting=True)
    with pytest.raises(IntegrityFailed, match="is not the commit whose removal was ordered; it is left alone"):
        finish(shop.archive, shop.folder)
    assert readings_of(shop.archive, [ONES[0], CORRECTED])

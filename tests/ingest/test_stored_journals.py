"""Journals that earlier editions wrote replay to what they meant then."""

from __future__ import annotations

import shutil
from datetime import UTC, datetime
from pathlib import Path

from archive.shop_folder import ShopFolder
from ingest.capture_state import Act
from ingest.open_inspection import OpenInspection

STORED = Path(__file__).parent / "stored"


def test_a_journal_of_typed_lines_from_before_the_live_links_replays_and_goes_on(tmp_path: Path) -> None:
    """Written by the edition before (commit cb40dbf) from: 88 87 @undo nonsense 3.4 3.4 @location ... 33 @skip @note ... 90."""
    journals = tmp_path / "journals"
    journals.mkdir()
    name = "20261125-120001-NBAZ"
    shutil.copy(STORED / f"{name}.typed.journal", journals / f"{name}.journal")
    now = datetime(2026, 11, 25, 13, 0, tzinfo=UTC)
    with OpenInspection(ShopFolder(tmp_path), name, now) as inspection:
        taking = inspection.taking
        assert [(r.decoded.shown, r.location, r.excluded_reason) for r in taking.readings] == [
            ("88", "strap face", None),
            ("87", "strap face", "undone by the inspector"),
            ("3.4", "strap face", None),
            ("32", "knuckle, running fit", "slipped"),
            ("33", "knuckle, running fit", None),
        ]
        assert [(o.line_no, o.text, o.why.split(":")[0].split(";")[0]) for o in taking.other_lines] == [
            (4, "nonsense", "not taken"),
            (5, "3.4", "not taken"),
            (13, "@location lid", "not taken"),
            (14, "90", "not taken"),
        ]
        assert [note.what.partition(":")[0] for note in taking.notes] == [
            "reading 3 accepted although 3.4 µm at 'strap face' on piece 1 looks like 3.4 mil (limits 60 to 125 µm); set the "
            "unit right in the profile or on the gauge",
            "knuckle, running fit on piece 1 skipped",
            "warm part",
        ]
        assert [skip.location for skip in taking.skips] == ["knuckle, running fit"]
        before = inspection.capture_sha256
        inspection.act(Act.GO_TO, "strap face", now)
    with OpenInspection(ShopFolder(tmp_path), name, now) as inspection:
        assert before == inspection.capture_sha256
        slot = inspection.taking.next_slot()
        assert slot is not None
        assert (slot.location.name, slot.nth) == ("strap face", 3)


def test_a_journal_of_counted_readings_from_before_replays_by_the_rules_it_was_asked_by(tmp_path: Path) -> None:
    """Written by the edition before (commit 1426b71) from: 1 2, 4 and 5 left out, 6 accepted, over, 8 9, 9 left out, 5."""
    journals = tmp_path / "journals"
    journals.mkdir()
    name = "20261103-120000-TEST"
    shutil.copy(STORED / f"{name}.counted.journal", journals / f"{name}.journal")
    now = datetime(2026, 11, 3, 13, 0, tzinfo=UTC)
    with OpenInspection(ShopFolder(tmp_path), name, now) as inspection:
        taking = inspection.taking
        assert [(r.decoded.counter, r.decoded.shown) for r in taking.readings] == [
            (1, "3.1"), (2, "3.2"), (6, "3.5"), (8, "3.6"), (9, "3.7"), (5, "3.9"),
        ]  # fmt: skip
        gap = "so a reading may be missing and the rest out of place"
        assert [(o.line_no, o.text, o.why) for o in taking.other_lines] == [
            (3, "4;3.3", f"not taken: has counter 4 after 2, {gap}; left out by mk: another part"),
            (4, "5;3.4", f"not taken: has counter 5 after 2, {gap}; left out by mk: another part again"),
            (6, "over", "over the range"),
            (9, "9;3.8", "not taken: has counter 9 again, as reading 5 had; it may have been sent twice"),
        ]
        assert [note.what for note in taking.notes] == [
            f"reading 3 accepted although has counter 6 after 2, {gap}: seen by eye",
            f"reading 4 accepted although has counter 8 after 6, {gap}: it was over the range",
            f"reading 6 accepted although has counter 5 after 9, {gap}: sent late",
        ]
        assert inspection.live.question is None

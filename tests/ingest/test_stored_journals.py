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

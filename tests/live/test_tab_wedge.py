"""A gauge that types like a keyboard and ends its lines by Tab, through `filmtally measure` in plain lines at a real terminal."""

from __future__ import annotations

import random
import sys
from pathlib import Path

import pytest

from archive.journal_lines import read
from archive.shop_folder import ShopFolder
from archive.store import Archive
from ingest.open_inspection import open_ids
from tests.front.shop import FrontDoor, sample_shop

if sys.platform == "win32":
    pytest.skip("a pseudo-terminal is not a thing of Windows", allow_module_level=True)

from tests.front.terminal import Terminal

PIECES = 250
READINGS = [
    b"%.1f um" % (random.Random(n).randrange(*((700, 1100) if n % 8 < 4 else (290, 350))) / 10)
    for n in range(8 * PIECES)
]
WORDS = (
    "measure",
    "hinge",
    "--lot",
    "L",
    "--inspector",
    "mk",
    "--gauge",
    "FB-11",
    "--pieces",
    str(PIECES),
    "--link",
    "keys",
    "--plain",
)
#: What of a reading depends on the line alone, and where it was put.
COLUMNS = ["reading_no", "raw_line", "thickness_um", "shown", "unit", "piece", "location", "spot", "counted"]


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    folder = sample_shop(tmp_path / "shop")
    profile = folder / "profiles" / "number-and-unit.toml"
    profile.write_text('line_end = "\\t"\n' + profile.read_text(encoding="utf-8"), encoding="utf-8")
    return folder


def _rows(folder: Path) -> dict[str, list[object]]:
    archive = Archive(folder / "archive", "look")
    (inspection,) = archive.inspections()
    found: dict[str, list[object]] = archive.readings(inspection.inspection_id).select(COLUMNS).to_pydict()
    return found


def test_two_thousand_readings_typed_by_a_gauge_are_the_rows_of_a_capture(
    shop: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("FILMTALLY_SHOP", raising=False)
    with Terminal(shop, *WORDS) as terminal:
        terminal.sees("ASKED: ")
        terminal.types("@accept a trial of the program")
        terminal.sees("1 of 4")
        for at in range(0, len(READINGS), 40):
            terminal.key(b"".join(line + b"\t" for line in READINGS[at : at + 40]))
            terminal.sees(f"taken {at + 40}: ")
        terminal.sees("all taken")
        (inspection,) = open_ids(ShopFolder(shop))
        terminal.pauses(0.5)  # no finger follows a gauge within 35 ms
        terminal.key(b"\x04")
        assert terminal.ends() == 0
    journal = ShopFolder(shop).journals / "sealed" / f"{inspection}.journal"
    lines = [bytes.fromhex(r["bytes"]) for r in read(journal).records if r["kind"] == "item" and r["what"] == "line"]
    assert lines == READINGS
    other = FrontDoor(sample_shop(tmp_path / "other"), capsys)
    capture = other.write("readings.txt", b"".join(line + b"\n" for line in READINGS))
    answer = other.measure("hinge", capture, "--pieces", str(PIECES), lot="L")
    assert answer.code == 0, answer
    assert _rows(shop) == _rows(other.folder)


def test_what_a_person_types_between_is_shown_mended_and_taken_and_the_terminal_is_left_as_it_was(shop: Path) -> None:
    with Terminal(shop, *WORDS) as terminal:
        before = terminal.mode()
        terminal.sees("ASKED: ")
        assert terminal.mode() != before
        terminal.types("@accept a trial of the program")
        terminal.sees("accepted")
        terminal.sees("1 of 4")
        terminal.pauses(1.5)  # what follows fast typing at once is of the same gauge
        for key, shown in (*((c, c) for c in "88.9"), ("\x7f", "\b \b"), ("1", "1"), ("\r", "\n")):
            terminal.key(key.encode())
            terminal.sees(shown)
            terminal.pauses(0.12)
        terminal.sees("taken 1: 88.1")
        terminal.key(b"89.5 um\t")
        terminal.sees("89.5 um\n")
        terminal.sees("taken 2: 89.5")
        terminal.pauses(1.5)
        terminal.key(b"\x03")
        assert terminal.ends() == 130
        assert terminal.mode() == before

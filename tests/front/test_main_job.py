"""The main job through the front door: typed and from files, refused, certified, verified, found again."""

from __future__ import annotations

import io
import json
import subprocess
import sys
from pathlib import Path

import pytest

from archive.shop_folder import ShopFolder
from archive.store import Archive
from ingest.open_inspection import OpenInspection, open_ids
from tests.front.shop import GOOD, NOW, FrontDoor

TEN_LINES = """
import sys
import pyarrow.dataset as ds

readings = ds.dataset(sys.argv[1], format="parquet")
for field in readings.schema:
    notes = {k.decode(): v.decode() for k, v in field.metadata.items() if not k.startswith(b"PARQUET")}
    print(field.name, field.type, notes.get("unit", ""), notes["meaning"], sep="|")
print(readings.count_rows(), readings.to_table(columns=["thickness_um"])["thickness_um"].to_pylist()[0])
"""


def _type(door: FrontDoor, monkeypatch: pytest.MonkeyPatch, text: str, *more: str) -> tuple[int, str, str]:
    monkeypatch.setattr(sys, "stdin", io.StringIO(text))
    words = (
        ("measure", "hinge", "--lot", "T-1", "--inspector", "mk", "--gauge", "FB-11")
        if "--resume" not in more
        else ("measure",)
    )
    answer = door(*words, *more)
    return answer.code, answer.out, answer.err


def test_typed_readings_are_taken_one_a_line_and_sealed_at_their_end(
    door: FrontDoor, monkeypatch: pytest.MonkeyPatch
) -> None:
    code, out, _ = _type(door, monkeypatch, "88\n87.5\n@undo\n87.6 um\n90\n91\n32\n33\n3.3\n31\n30.5\n@note done\n")
    assert code == 1  # sealed, and a program that wrote the lines is told that one was not taken
    assert "taken 2: 87.5 µm at strap face, piece 1" in out
    assert "reading 2 (87.5 µm) is kept but not counted: undone by the inspector" in out
    assert "NOT TAKEN: line 9: 3.3 µm at 'knuckle, running fit' on piece 1 looks like 3.3 mil" in out
    (one,) = Archive(door.folder / "archive", "look").inspections()
    assert (one.readings_counted, one.readings_excluded, one.conformity) == (8, 1, "PASS")
    (line,) = json.loads(one.other_lines_json)
    assert line["text"] == "3.3"
    assert line["why"].startswith("not taken: 3.3 µm")


def test_a_doubted_reading_is_taken_when_it_is_typed_again(door: FrontDoor, monkeypatch: pytest.MonkeyPatch) -> None:
    code, out, _ = _type(door, monkeypatch, "88\n3.4\n3.4\n90\n91\n32\n33\n31\n30\n")
    assert code == 0
    assert "type it again to take it as it is" in out
    assert "taken 2: 3.4 µm" in out


def test_an_inspection_goes_on_where_it_was_left(door: FrontDoor, monkeypatch: pytest.MonkeyPatch) -> None:
    code, _, err = _type(door, monkeypatch, "88\n87\n")
    assert code == 2
    assert "too few readings: 'strap face' on piece 1 has 2 of 4" in err
    (inspection,) = open_ids(ShopFolder(door.folder))
    code, out, _ = _type(door, monkeypatch, "90\n91\n32\n33\n31\n30\n", "--resume")
    assert code == 0
    assert f"inspection {inspection}: 2 readings counted" in out
    assert Archive(door.folder / "archive", "look").inspection(inspection).readings_counted == 8


def test_a_journal_replays_to_the_same_state(door: FrontDoor, monkeypatch: pytest.MonkeyPatch) -> None:
    _type(door, monkeypatch, "88\n87\n@undo\nnonsense\n@location knuckle, running fit\n32\n@exclude slipped\n33\n")
    (inspection,) = open_ids(ShopFolder(door.folder))
    with OpenInspection(ShopFolder(door.folder), inspection, NOW) as again:
        state = again.taking
        assert [(r.decoded.shown, r.location, r.counted) for r in state.readings] == [
            ("88", "strap face", True),
            ("87", "strap face", False),
            ("32", "knuckle, running fit", False),
            ("33", "knuckle, running fit", True),
        ]
        assert [o.text for o in state.other_lines] == ["nonsense"]


def test_an_open_inspection_can_be_given_up_and_its_capture_taken_again(door: FrontDoor) -> None:
    capture = door.write("a.txt", b"88.0 um\n" * 4 + b"32.0 um\n" * 4)
    assert door.measure("hinge", capture, "--pieces", "2", lot="wrong").code == 2
    given_up = door("seal", "--abandon", "named the wrong lot")
    assert given_up.code == 0
    assert open_ids(ShopFolder(door.folder)) == []
    assert len(list((door.folder / "journals" / "abandoned").glob("*.journal"))) == 1
    assert door.measure("hinge", capture, lot="right").code == 0


def test_a_dry_run_shows_every_line_and_keeps_no_inspection(door: FrontDoor) -> None:
    capture = door.write("some.txt", b"88 um\nno contact\n3.4 um\n")
    answer = door.measure("hinge", capture, "--dry-run")
    assert answer.code == 0
    assert [line.split(": ", 1)[0] for line in answer.out.splitlines()] == ["line 1", "line 2", "line 3"]
    assert "line 2: no reading: no contact with the part" in answer.out
    assert "line 3: PROBLEM: 3.4 µm" in answer.out
    assert open_ids(ShopFolder(door.folder)) == []
    assert door.measure("hinge", capture).code == 2  # the dry run did not count as taking it


def test_a_failed_closing_check_stops_the_certificate_and_names_what_is_in_doubt(door: FrontDoor) -> None:
    door.verify_gauge("opening", "2026-11-03T09:00", read=(*GOOD, "--standard", "S-25=25.1,24.8,25.0"))
    capture = door.write("a.txt", b"88.0 um\n" * 4 + b"32.0 um\n" * 4)
    inspection = door.measure("hinge", capture).out.split()[1].rstrip(":")
    failed = door.verify_gauge(
        "closing", "2026-11-03T15:00", read=("--standard", "S-50=58,58,58", "--standard", "S-130=140,140,140")
    )
    assert failed.code == 1
    assert inspection in failed.err
    opening, closing = sorted({c.check_id for c in Archive(door.folder / "archive", "look").checks()})
    answer = door("certify", inspection, *door.signed_in())
    assert answer.code == 3
    assert f"failed the next check after the reading: {closing}" in answer.sentence
    assert f"the last good check is {opening}" in answer.sentence
    assert "8 of 8 readings are in doubt" in answer.sentence
    assert list((door.folder / "certificates").glob("*.pdf")) == []


def test_without_a_closing_check_nothing_is_certified_yet(door: FrontDoor) -> None:
    door.verify_gauge("opening", "2026-11-03T09:00", read=(*GOOD, "--standard", "S-25=25.1,24.8,25.0"))
    door.measure("hinge", door.write("a.txt", b"88.0 um\n" * 4 + b"32.0 um\n" * 4))
    answer = door("certify", "L-1", *door.signed_in())
    assert answer.code == 3
    assert "its closing check is still to come" in answer.sentence


def test_a_covered_lot_is_certified_verified_and_found_again(door: FrontDoor) -> None:
    inspection = door.covered_lot()
    assert door("assess", inspection).code == 0
    assert door("certify", inspection, *door.signed_in()).code == 0
    (pdf,) = (door.folder / "certificates").glob("*.pdf")
    verified = door("verify", str(pdf))
    assert verified.code == 0, verified
    history = door("history", "--part", "HW-088", "--json")
    assert [row["inspection_id"] for row in json.loads(history.out)] == [inspection]
    assert door("archive", "check").code == 0


def test_a_lot_that_does_not_conform_is_certified_as_such_with_exit_1(door: FrontDoor) -> None:
    inspection = door.covered_lot(fit="55.0 um")
    assert door("assess", inspection).code == 1
    assert door("certify", inspection, *door.signed_in()).code == 1
    (pdf,) = (door.folder / "certificates").glob("*.pdf")
    assert door("verify", str(pdf)).code in {0, 1}


def test_a_flipped_bit_of_a_certificate_is_refused(door: FrontDoor) -> None:
    """Through the front door; more of them in tests/report/test_verifying.py."""
    whole = door.certified().read_bytes()
    copy = door.folder.parent / "flipped.pdf"
    for place in range(11, len(whole), len(whole) // 5):
        changed = bytearray(whole)
        changed[place] ^= 1
        copy.write_bytes(bytes(changed))
        answer = door("verify", str(copy))
        assert answer.code == 4, place


def test_a_correction_is_a_new_revision_and_a_new_certificate_says_what_it_supersedes(door: FrontDoor) -> None:
    inspection = door.covered_lot()
    signer = door.signed_in()
    door("certify", inspection, *signer)
    amended = door(
        "amend", inspection, "--set", "purchase_order=PO-9", "--by", "mk", "--why", "order number was missing"
    )
    assert amended.code == 0
    assert door("certify", inspection, *signer, "--why", "order number was missing").code == 0
    newest = max((door.folder / "certificates").glob("*.pdf"))
    assert newest.name.endswith("-r2.pdf")
    assert door("verify", str(newest)).code == 0
    assert Archive(door.folder / "archive", "look").certificates(inspection)[-1].inspection_revision == 2


def test_a_certificate_of_an_amended_inspection_is_told_to_state_an_older_revision(door: FrontDoor) -> None:
    pdf = str(door.certified())
    inspection = Archive(door.folder / "archive", "look").inspections()[0].inspection_id
    (before,) = json.loads(door("verify", pdf, "--quick", "--json").out)
    assert before["notes"] == []
    why = ("--by", "mk", "--why", "order number was missing")
    assert door("amend", inspection, "--set", "purchase_order=PO-9", *why).code == 0
    answer = door("verify", pdf, "--quick")
    assert answer.code == 0  # what it states is still what was issued
    assert (
        f"  note: inspection {inspection} was amended since: its revision 2 of 2026-11-25 (order number was missing) is what "
        "holds, and this certificate states revision 1; no certificate states the newer one yet"
    ) in answer.out
    assert door("certify", inspection, *door.signed_in(), "--why", "order number was missing").code == 0
    for name in ("-r1.pdf", "-r2.pdf"):
        (found,) = json.loads(door("verify", pdf.replace("-r1.pdf", name), "--quick", "--json").out)
        assert found["notes"] == []  # the register says of the first that it is superseded


def test_an_inspection_is_amended_by_its_lot_or_the_beginning_of_its_number(door: FrontDoor) -> None:
    inspection = door.covered_lot()
    words = ("--set", "purchase_order=PO-9", "--by", "mk", "--why", "order number was missing", "--json")
    for revision, named in enumerate(("L-1", inspection[:12], inspection), start=2):
        answer = door("amend", named, *words)
        assert answer.code == 0, answer
        assert (json.loads(answer.out)["inspection_id"], json.loads(answer.out)["revision"]) == (inspection, revision)
    assert "no sealed inspection 'L-9', and no such lot" in door("amend", "L-9", *words).sentence


def test_a_script_that_knows_only_pyarrow_reads_units_and_meanings(door: FrontDoor, tmp_path: Path) -> None:
    door.covered_lot()
    script = tmp_path / "ten_lines.py"
    script.write_text(TEN_LINES, encoding="utf-8")
    readings = str(door.folder / "archive" / "readings")
    shown = subprocess.run(
        [sys.executable, "-I", str(script), readings], capture_output=True, text=True, check=True
    ).stdout
    assert "thickness_um|decimal128(9, 4)|µm|Thickness that the gauge showed" in shown
    assert shown.splitlines()[-1] == "8 88.0000"


def test_the_gate_needs_the_standards_to_bracket_the_limits(door: FrontDoor) -> None:
    few = ("--standard", "S-50=50.4,50.1,50.6", "--standard", "S-130=129.9,130.3,129.4")
    door.verify_gauge("opening", "2026-11-03T09:00", read=few)
    door.measure("hinge", door.write("a.txt", b"88.0 um\n" * 4 + b"32.0 um\n" * 4))
    door.verify_gauge("closing", "2026-11-03T15:00", read=few)
    answer = door("certify", "L-1", *door.signed_in())
    assert answer.code == 3
    assert "S-50" in answer.sentence


@pytest.mark.parametrize(
    "command",
    [
        "",
        "check",
        "measure",
        "seal",
        "amend",
        "assess",
        "certify",
        "verify",
        "history",
        "lookback",
        "archive",
        "new",
        "demo",
    ],
)
def test_every_command_has_help(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    from filmtally import main

    with pytest.raises(SystemExit) as caught:
        main([*command.split(), "--help"])
    assert caught.value.code == 0
    assert "usage: filmtally" in capsys.readouterr().out


def test_help_imports_nothing_heavy() -> None:
    code = "import sys, filmtally\ntry: filmtally.main(['--help'])\nexcept SystemExit: pass\nprint([m for m in ('pyarrow', 'pydantic', 'weasyprint', 'pyhanko', 'jinja2') if m in sys.modules])"
    root = Path(__file__).parents[2]
    shown = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=root).stdout
    assert shown.splitlines()[-1] == "[]"

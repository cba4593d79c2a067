"""`archive check`: what is gone, changed or never registered is named, each thing by itself."""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path

import pyarrow.parquet as pq
import pytest

from tests.front.shop import FrontDoor


def _certified(door: FrontDoor, *more: str) -> Path:
    """Certify a lot and return the newest PDF."""
    inspection = next((door.folder / "journals" / "sealed").glob("*.journal"), None)
    if inspection is None:
        return door.certified()
    answer = door("certify", inspection.stem, *door.signed_in(), *more)
    assert answer.code == 0, answer
    return max((door.folder / "certificates").glob("*.pdf"))


def _found(door: FrontDoor, *words: str) -> list[tuple[str, str]]:
    answer = door("archive", "check", "--json", *words)
    found = json.loads(answer.out)
    assert answer.code == (4 if found else 0), answer
    return [(Path(one["path"]).name, one["kind"]) for one in found]


def _newest_of_register(door: FrontDoor) -> Path:
    return max((door.folder / "archive" / "certificates").rglob("*.parquet"))


def test_certificates_that_are_gone_are_each_named(door: FrontDoor) -> None:
    first = _certified(door)
    second = _certified(door, "--why", "a copy for the test")
    assert _found(door) == []
    first.unlink()
    assert _found(door) == [(first.name, "missing")]
    second.unlink()
    assert _found(door) == [(first.name, "missing"), (second.name, "missing")]
    assert f"{second}: certificate TLPW-" in door("archive", "check").out


def test_one_broken_certificate_is_named_and_hides_no_other(door: FrontDoor) -> None:
    whole = _certified(door).read_bytes()
    pdfs = [_certified(door, "--why", f"copy {n}") for n in range(2)]
    for content in (b"", b"no PDF", whole[: len(whole) // 2], whole[:-3] + b"zzz"):
        pdfs[0].write_bytes(content)
        pdfs[1].unlink(missing_ok=True)
        assert _found(door) == [(pdfs[0].name, "changed"), (pdfs[1].name, "missing")]
    pdfs[0].unlink()
    os.mkfifo(pdfs[0])
    assert _found(door) == [(pdfs[0].name, "changed"), (pdfs[1].name, "missing")]


def test_a_damaged_register_is_named_with_the_rest(door: FrontDoor) -> None:
    _certified(door)
    entry = _newest_of_register(door)
    entry.write_bytes(entry.read_bytes()[:-20])
    found = _found(door)
    assert (entry.name, "changed") in found
    assert ("certificates", "changed") in found


def test_what_a_kill_left_unregistered_is_to_be_certified_again(door: FrontDoor) -> None:
    pdf = _certified(door)
    shutil.copy(pdf, pdf.with_name(pdf.name.replace("-r1", "-r2")))
    answer = door("archive", "check")
    assert answer.code == 4
    assert (
        "was signed and never registered (a kill or a full disk came in between); certify again moves it aside"
        in answer.out
    )
    assert door("certify", pdf.stem.removeprefix("TLPW-")[:-3], *door.signed_in(), "--why", "once more").code == 0
    assert _found(door) == []


def test_an_anchor_that_the_register_lost_is_a_finding(door: FrontDoor, tmp_path: Path) -> None:
    _certified(door)
    last = _certified(door, "--why", "once more")
    kept = Path(shutil.copy(last, tmp_path / "kept.pdf"))
    assert _found(door, "--anchor", str(kept)) == []
    _newest_of_register(door).unlink()
    last.unlink()
    assert _found(door) == []
    assert _found(door, "--anchor", str(kept)) == [("kept.pdf", "missing")]


@pytest.mark.parametrize("kind", ["changed", "no PDF", "unsigned", "another shop's"])
def test_an_anchor_that_does_not_hold_is_refused(door: FrontDoor, tmp_path: Path, kind: str) -> None:
    pdf = _certified(door)
    kept = tmp_path / "kept.pdf"
    content = pdf.read_bytes()
    if kind == "changed":
        kept.write_bytes(content.replace(b"/Producer", b"/Produced", 1) + b"\n")
    elif kind == "no PDF":
        kept.write_bytes(b"ledger")
    elif kind == "unsigned":
        kept.write_bytes(content[: content.index(b"%%EOF")] + b"%%EOF\n")
    else:
        kept.write_bytes(content)
        for of_this_shop in (door.folder / "archive" / "certificates", door.folder / "identities"):
            shutil.rmtree(of_this_shop)
        pdf.unlink()
    answer = door("archive", "check", "--anchor", str(kept))
    assert answer.code == (2 if kind == "no PDF" else 4)
    assert answer.sentence.startswith(f"filmtally: --anchor {kept}: ")
    if kind == "another shop's":
        assert "with a key that this shop does not know" in answer.sentence


def test_an_anchor_that_is_not_there_is_bad_input(door: FrontDoor) -> None:
    answer = door("archive", "check", "--anchor", "nowhere.pdf")
    assert (answer.code, "--anchor nowhere.pdf: cannot be read" in answer.sentence) == (2, True)


def test_an_archive_that_is_gone_is_said_first_and_nothing_is_to_be_certified_again(door: FrontDoor) -> None:
    _certified(door)
    shutil.rmtree(door.folder / "archive")
    answer = door("archive", "check")
    assert answer.code == 4
    assert answer.out.startswith(
        f"missing: {door.folder / 'archive'}: has no commit at all, and 1 certificate and 1 sealed journal lie beside it: "
        "the archive is gone; restore it from a copy"
    )
    assert "certify again" not in answer.out


def test_a_file_without_a_record_is_to_be_moved_away(door: FrontDoor) -> None:
    door.covered_lot()
    (path,) = (door.folder / "archive" / "readings").rglob("*.parquet")
    pq.write_table(pq.read_table(path).replace_schema_metadata(None), path)
    answer = door("archive", "check")
    assert (
        answer.code,
        f"{path}: holds no ledger record: it is no file of the archive; move it away" in answer.out,
    ) == (4, True)

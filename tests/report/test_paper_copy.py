"""The code of a paper copy finds the register's entry, and typing mistakes are told as such."""

from __future__ import annotations

import json
import random
from pathlib import Path

import pytest

from archive.store import Archive
from report.short_code import CHECKS, DIGITS
from tests.front.many_lots import copied, shop_of_lots
from tests.front.shop import FrontDoor


@pytest.fixture(scope="module")
def issued(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a shop with two lots, one certified twice and the other not."""
    from filmtally import main
    from tests.front.shop import NOW

    shop = shop_of_lots(tmp_path_factory.mktemp("codes") / "shop", 2)
    words = ["--shop", str(shop), "certify", "L-0", "--signer", "mk", "--passphrase-file", str(shop / "passphrase.txt")]
    for more in ([], ["--why", "the address was wrong"]):
        assert main([*words, *more], now=lambda: NOW) == 0
    return shop


@pytest.fixture
def door(
    issued: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> FrontDoor:
    monkeypatch.delenv("FILMTALLY_SHOP", raising=False)
    return FrontDoor(copied(issued, tmp_path / "shop"), capsys)


def _codes(door: FrontDoor) -> list[str]:
    entries = Archive(door.folder / "archive", "look").certificates()
    return [str(e.code) for e in sorted(entries, key=lambda e: e.revision)]


def test_the_newest_revision_is_found_however_its_code_is_typed(door: FrontDoor) -> None:
    first, second = _codes(door)
    assert first != second
    loosely = second.lower().replace("-", " ").replace("0", "o").replace("1", "l")
    for typed in (second, loosely, second.replace("-", "")):
        answer = door("verify", "--code", typed)
        assert answer.code == 0, answer
        for part in (
            second,
            "revision 2",
            "Hollin and Wray",
            "HW-088",
            "L-0",
            "conforms",
            "the newest revision",
            "byte for byte",
        ):
            assert part in answer.out


def test_what_the_qr_holds_is_taken_and_has_to_fit_the_entry(door: FrontDoor) -> None:
    entry = max(Archive(door.folder / "archive", "look").certificates(), key=lambda e: e.revision)
    for typed in (f"{entry.number} r2 {entry.code}", f" {entry.number}  R2 {str(entry.code).lower()} "):
        assert door("verify", "--code", typed).code == 0
    for typed in (f"{entry.number} r1 {entry.code}", f"TLPW-20260101-000000-XXXX r2 {entry.code}"):
        answer = door("verify", "--code", typed)
        assert answer.code == 4
        assert f"it is that of certificate {entry.number} revision 2, and the paper says" in answer.sentence
    assert door("verify", "--code", f"{entry.number} r2 {str(entry.code)[:-1]}").code == 2


def test_help_says_what_a_code_looks_like(door: FrontDoor, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        door("verify", "--help")
    assert "12 characters of which the last may be * ~ $ = or U" in " ".join(capsys.readouterr().out.split())


def test_a_superseded_one_says_what_took_its_place(door: FrontDoor) -> None:
    answer = door("verify", "--code", _codes(door)[0])
    assert answer.code == 1
    assert "superseded by revision 2 of 2026-11-25" in answer.out
    assert "the address was wrong" in answer.out


def test_the_answer_in_json_says_the_same(door: FrontDoor) -> None:
    first, second = _codes(door)
    answer = door("verify", "--code", first, "--code", second, "--json")
    assert answer.code == 1
    found = json.loads(answer.out)
    assert [(one["code"], one["revision"], one["superseded_by"], one["file"]) for one in found] == [
        (first, 1, 2, "as issued"),
        (second, 2, None, "as issued"),
    ]
    assert Path(found[1]["pdf"]).is_file()


def test_a_file_that_is_gone_or_changed_is_told(door: FrontDoor) -> None:
    _, code = _codes(door)
    (pdf,) = (door.folder / "certificates").glob("*-r2.pdf")
    content = pdf.read_bytes()
    pdf.unlink()
    assert (door("verify", "--code", code).code, "is not there" in door("verify", "--code", code).out) == (1, True)
    pdf.write_bytes(content[:-1])
    answer = door("verify", "--code", code)
    assert answer.code == 4
    assert "is not the file that was issued" in answer.out


def test_every_single_mistaken_character_and_every_exchange_of_neighbours_is_told_as_a_mistake(door: FrontDoor) -> None:
    bare = _codes(door)[1].replace("-", "")
    rng = random.Random(3)
    for place in range(12):
        others = [c for c in (DIGITS if place < 11 else CHECKS) if c != bare[place]]
        mistaken = bare[:place] + rng.choice(others) + bare[place + 1 :]
        answer = door("verify", "--code", mistaken)
        assert (answer.code, "its check character does not fit" in answer.sentence) == (2, True), mistaken
    exchanged = bare[1] + bare[0] + bare[2:] if bare[0] != bare[1] else bare[0] + bare[2] + bare[1] + bare[3:]
    assert door("verify", "--code", exchanged).code == 2


@pytest.mark.parametrize(
    ("code", "said"),
    [("", "it has 0 characters"), ("XXXX", "it has 4 characters"), ("A" * 10_000, "it has 10000 characters"), ("\u202eABCD-EFGH-JKMN", "is in no code"), ("UUUU-UUUU-UUUU", "is in no code")],
)  # fmt: skip
def test_what_is_no_code_is_refused(door: FrontDoor, code: str, said: str) -> None:
    answer = door("verify", "--code", code)
    assert (answer.code, said in answer.sentence) == (2, True), answer


def test_a_code_that_was_never_issued_is_a_failed_check_and_no_typing_mistake(door: FrontDoor) -> None:
    from report.short_code import short_code

    answer = door("verify", "--code", short_code(b"another paper"))
    assert answer.code == 4
    assert "no certificate with it is in this shop's register" in answer.sentence


def test_it_is_asked_of_a_shop_and_not_of_a_pdf_at_once(door: FrontDoor, tmp_path: Path) -> None:
    code = _codes(door)[1]
    assert door("verify").code == 2
    assert "one of the two" in door("verify", "x.pdf", "--code", code).sentence
    door.folder = tmp_path
    assert "there is no shop.toml here" in door("verify", "--code", code).sentence

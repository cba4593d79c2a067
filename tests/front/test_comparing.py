"""filmtally compare, as a quality department calls it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.front.shop import SAMPLES, FrontDoor

TABLE = "location;reading;unit\n" + "".join(
    f"{place};{figure};um\n" for place, figure in (("strap face", "88,4"), ("knuckle, running fit", "32,3"))
)


@pytest.fixture
def certificate(door: FrontDoor) -> str:
    """A certificate of hinges: 88.0 µm on the strap face and 32.0 µm on the fit."""
    return str(door.certified())


def test_figures_that_agree_are_exit_0_and_figures_that_do_not_exit_1(door: FrontDoor, certificate: str) -> None:
    near = door.write("near.csv", TABLE.encode())
    answer = door("compare", certificate, near, "--their-u", "1.5 um")
    assert (answer.code, answer.err) == (0, "")
    assert "NO DIFFERENCE MEANS ANYTHING" in answer.out
    far = door.write("far.csv", TABLE.replace("88,4", "120,4").encode())
    answer = door("compare", certificate, far, "--their-u", "1.5 um")
    assert answer.code == 1
    assert "The difference at strap face means something" in " ".join(answer.out.split())


def test_without_an_uncertainty_it_cannot_be_told_and_the_options_are_named(door: FrontDoor, certificate: str) -> None:
    far = door.write("far.csv", TABLE.replace("88,4", "120,4").encode())
    answer = door("compare", certificate, far)
    assert answer.code == 1
    assert "CANNOT BE TOLD" in answer.out
    assert "--their-u or --their-accuracy" in answer.out


def test_a_capture_is_read_by_its_profile_from_the_shop_or_from_a_file(door: FrontDoor, certificate: str) -> None:
    capture = door.write("theirs.txt", b"88.2 um\n" * 4 + b"32.1 um\n" * 4)
    shop_profile = str(SAMPLES / "shop" / "profiles" / "number-and-unit.toml")
    for profile in ("number-and-unit", shop_profile):
        answer = door("compare", certificate, capture, "--profile", profile, "--their-accuracy", "1 um + 1 %", "--json")
        assert answer.code == 0, answer
        said = json.loads(answer.out)
        assert [p["readings"] for p in said["locations"]] == [[4, 4], [4, 4]]
    assert (
        "name its line profile with --profile"
        in door("compare", certificate, door.write("c.capture", b"# filmtally capture 1\n")).sentence
    )


def test_a_second_certificate_brings_its_own_uncertainty(door: FrontDoor, certificate: str) -> None:
    # Another lot of the same hinges, 40 µm thicker on the strap face.
    inspection = door.covered_lot(build="128.0 um", lot="L-2")
    assert door("certify", inspection, *door.signed_in()).code in (0, 1)
    (other,) = [p for p in (door.folder / "certificates").glob("*.pdf") if str(p) != certificate]
    there = door("compare", certificate, str(other), "--json")
    back = door("compare", str(other), certificate, "--json")
    assert (there.code, back.code) == (1, 1)
    one, mirror = json.loads(there.out), json.loads(back.out)
    for key in ("answer", "conclusion", "explanations", "steps"):
        assert one[key] == mirror[key]
    assert any("different lots" in remark for remark in one["remarks"])
    assert "leave it out" in door("compare", certificate, str(other), "--their-u", "1 um").sentence


def test_a_certificate_that_does_not_hold_is_exit_4(door: FrontDoor, certificate: str) -> None:
    near = door.write("near.csv", TABLE.encode())
    content = Path(certificate).read_bytes()
    for name, changed in (("tail.pdf", content + b"\n"), ("none.pdf", b"%PDF-1.7\n"), ("text.pdf", b"hello")):
        answer = door("compare", door.write(name, changed), near, "--their-u", "1 um")
        assert answer.code == 4, name
        assert name in answer.sentence
    # So is a second one.
    assert door("compare", certificate, door.write("tail.pdf", content + b"\n")).code == 4


def test_a_key_that_has_to_be_known_is_asked_for_with_trust(door: FrontDoor, certificate: str) -> None:
    near = door.write("near.csv", TABLE.encode())
    answer = door("compare", certificate, near, "--their-u", "1 um", "--trust", "ab" * 32)
    assert answer.code == 4
    assert "is none of the known ones" in answer.sentence


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--their-u", "1"), "--their-u '1': write it with its unit"),
        (("--their-u", "0 um"), "an uncertainty is above zero"),
        (("--their-u", "1 um", "--their-accuracy", "1 um"), "both say how uncertain"),
        (("--their-base", "some"), "or as none"),
        (("--unit", "mil"), "--unit says mil"),
        (("--column", "where=x"), "--column where: the columns are"),
        (("--column", "location"), "write it as COLUMN=NAME"),
        (("--same", "a=b", "--same", "a=c"), "is given twice"),
        (("--piece", "9"), "--piece 9"),
        (("--same-standard", "S-9"), "--same-standard S-9"),
        (("--profile", "nobody"), "nobody"),
        (("--profile", "number-and-unit", "--unit", "um"), "is for a table"),
    ],
)
def test_bad_input_is_one_sentence_and_exit_2(
    door: FrontDoor, certificate: str, words: tuple[str, ...], said: str
) -> None:
    answer = door("compare", certificate, door.write("near.csv", TABLE.encode()), *words)
    assert answer.code == 2
    assert said in answer.sentence


def test_a_customer_compares_without_a_shop_folder(door: FrontDoor, certificate: str, tmp_path: Path) -> None:
    near = door.write("near.csv", TABLE.encode())
    door.folder = tmp_path / "nothing here"
    assert door("compare", certificate, near, "--their-u", "1.5 um", "--their-base", "none").code == 0

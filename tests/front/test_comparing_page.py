"""The example of docs/comparing.md, run: what the page prints is what the program says."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from sample_captures import demo
from tests.front.shop import SAMPLES, FrontDoor

PAGE = Path(__file__).parents[2] / "docs" / "comparing.md"


def _block(kind: str) -> str:
    match = re.search(rf"```{kind}\n(.*?)```", PAGE.read_text(encoding="utf-8"), re.DOTALL)
    assert match is not None
    return match.group(1)


def _without_what_differs(text: str) -> str:
    """Return *text* with the certificate's number, and the fingerprint of a key made for this run, made alike."""
    text = re.sub(r"TLPW-[0-9]{8}-[0-9]{6}-[A-Z0-9]{4}", "TLPW-20261125-120000-XXXX", text)
    return re.sub(
        r"key\s+(?:[0-9a-f]{4}\s+){15}[0-9a-f]{4}", lambda key: re.sub(r"\b[0-9a-f]{4}\b", "0000", key.group()), text
    )


def test_the_example_of_the_page_is_what_the_program_says(door: FrontDoor, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    for words in demo.checks():
        door(*words)
    lot = next(lot for lot in demo.LOTS if lot.lot == "GL-1141")
    words = ("measure", lot.job, "--lot", lot.lot, "--inspector", "mk", "--gauge", lot.gauge)
    assert door(*words, "--from", str(SAMPLES / "captures" / lot.capture), *lot.options).code == 0
    assert door("certify", lot.lot, *door.signed_in()).code == 0
    (pdf,) = (door.folder / "certificates").glob("*.pdf")
    table = door.write("goods-in.csv", _block("csv").encode())
    answer = door("compare", str(pdf), table, "--their-accuracy", "1 um + 1 %")
    assert answer.code == 1
    assert _without_what_differs(answer.out) == _without_what_differs(_block("text"))

"""`archive push`, and `history --at` and `lookback --at` over what two shops pushed to one store."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from tests.front.shop import FrontDoor

LATER = datetime(2027, 1, 10, 12, 0, tzinfo=UTC)

SENSELESS = [
    ("history", "--at", "{}"),
    ("history", "--at", "{}", "--by", "month", "--html", "x.html"),
    ("history", "--at", "{}", "--by", "month", "--plants", "north"),
    ("history", "--at", "{}", "--by", "month", "--plants", ","),
    ("history", "--at", "nowhere://x", "--by", "month"),
    ("history", "--by", "month", "--workers", "2"),
    ("history", "--by", "month", "--per", "plant"),
    ("lookback", "--at", "{}"),
    ("lookback", "--at", "{}", "--gauge", "FB-11", "--off=+2um"),
    ("archive", "push", "{}", "--plant", "Not A Plant"),
]


@pytest.fixture
def pushed(door: FrontDoor, tmp_path: Path) -> tuple[FrontDoor, str]:
    """Return a shop whose only month was folded and pushed, as two plants, and the address."""
    address = (tmp_path / "store").as_uri()
    door.covered_lot()
    nothing = door("archive", "push", address)
    assert nothing.code == 0
    assert nothing.out.startswith("nothing to push: no month is folded yet")
    door.now = LATER
    assert door("archive", "fold").code == 0
    for plant in ("west", "east"):
        assert door("archive", "push", address, "--plant", plant).code == 0
    return door, address


def test_push_says_what_was_sent_and_what_was_there_and_what_makes_no_sense_is_one_sentence(
    pushed: tuple[FrontDoor, str],
) -> None:
    door, address = pushed
    for words in SENSELESS:
        answer = door(*(word.format(address) for word in words))
        assert answer.code == 2, words
        assert answer.sentence
    first = door("archive", "push", address)
    *lines, total = first.out.splitlines()
    assert [line.split(": sent, ")[0] for line in lines] == ["readings 2026-11", "gauge_checks 2026-11"]
    plant = total.removeprefix("plant ").split(":")[0]
    assert plant.replace("-", "").isalnum()
    again = json.loads(door("archive", "push", address, "--json").out)
    assert (again["plant"], again["bytes_sent"]) == (plant, 0)
    assert {one["how"] for one in again["months"]} == {"there"}
    # Somebody changed the month that is there.
    manifest = next((Path(address.removeprefix("file://")) / plant / "folded/readings").glob("*.json"))
    manifest.write_bytes(manifest.read_bytes() + b" ")
    assert door("archive", "push", address).code == 4


def test_history_and_lookback_at_a_store_are_the_shop_s_own_with_the_plant_as_a_further_key(
    pushed: tuple[FrontDoor, str],
) -> None:
    door, address = pushed
    for by in ("month", "inspection"):
        own = json.loads(door("history", "--by", by, "--per", "part,location", "--json").out)
        there = json.loads(door("history", "--at", address, "--by", by, "--per", "part,location", "--json").out)
        expected: list[dict[str, Any]] = [row | {"plant": plant} for plant in ("east", "west") for row in own["rows"]]
        assert all(row in there["rows"] for row in expected)
        assert len(there["rows"]) == len(expected) > 0
        assert (there["inspections"], there["readings"]) == (2 * own["inspections"], 2 * own["readings"])
    answer = door("history", "--at", address, "--by", "month", "--per", "part,plant", "--plants", "west")
    assert answer.out.splitlines()[2].split()[:3] == ["month", "part", "plant"]
    assert "east" not in answer.out
    nowhere = door("history", "--at", address, "--by", "month", "--location", "strap")
    assert nowhere.out.splitlines()[-1].endswith("was read at 'knuckle, running fit' and 'strap face'")

    # The look-back lists what a gauge measured, plant by plant.
    found = door(
        "lookback", "--at", address, "--gauge", "FB-11", "--from", "2026-11-01", "--to", "2026-11-30", "--json"
    )
    assert found.code == 1
    told = json.loads(found.out)
    assert [row["plant"] for row in told["affected"]] == ["east", "west"]
    assert "2 inspections with" in door("lookback", "--at", address, "--gauge", "FB-11").out
    none = door("lookback", "--at", address, "--gauge", "FB-11", "--to", "2026-10-01")
    assert (none.code, "no reading of gauge FB-11" in none.out) == (0, True)

"""The sample shop: generated captures are current, and each lot comes to what was worked out without us."""

from __future__ import annotations

import json
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest

from archive.store import Archive
from ingest.work_orders import read_orders
from report.assessing import assessed
from rules.results import Assessment
from sample_captures import demo, make
from tests.front.shop import SAMPLES, FrontDoor

EXPECTED = sorted((SAMPLES / "expected").glob("*.json"))


@pytest.mark.parametrize("name", sorted(make.captures()))
def test_a_generated_capture_is_current(name: str) -> None:
    assert (SAMPLES / "captures" / name).read_bytes() == make.captures()[name].encode("utf-8"), "run 'make samples'"


def test_the_generated_work_orders_are_current_and_say_of_the_first_lot_what_the_demo_says() -> None:
    data = (SAMPLES / "shop" / "orders.csv").read_bytes()
    assert data == make.work_orders().encode("utf-8"), "run 'make samples'"
    orders = read_orders(data, "orders.csv")
    assert len(orders) == 5
    lot = demo.LOTS[0]
    found = orders.find("W-26-1141")
    assert found is not None
    said = dict(zip(lot.options[::2], lot.options[1::2], strict=True))
    told = {f"--{name.replace('_', '-')}": str(value) for name, value in found.facts().items()}
    assert (told.pop("--job"), told.pop("--lot"), told.pop("--coats")) == (lot.job, lot.lot, "1")
    assert told == said


def test_every_capture_has_its_expected_result_and_its_place_in_the_demo() -> None:
    names = {path.stem for path in (SAMPLES / "captures").iterdir()}
    assert {path.stem for path in EXPECTED} == names
    assert {Path(lot.capture).stem for lot in demo.LOTS} == names


def _assessed(door: FrontDoor, expected: dict[str, Any]) -> Assessment:
    for words in demo.checks():
        door(*words)
    lot = next(lot for lot in demo.LOTS if lot.lot == expected["lot"])
    words = ("measure", lot.job, "--lot", lot.lot, "--inspector", "mk", "--gauge", lot.gauge)
    answer = door(*words, "--from", str(SAMPLES / "captures" / lot.capture), *lot.options)
    assert answer.code == 0, answer
    archive = Archive(door.folder / "archive", "look")
    (one,) = archive.inspections()
    return assessed(archive, one).assessment


@pytest.mark.parametrize("path", EXPECTED, ids=lambda path: path.stem)
def test_a_sample_lot_comes_to_what_it_must(door: FrontDoor, path: Path) -> None:
    expected = json.loads(path.read_text(encoding="utf-8"))
    found = _assessed(door, expected)
    assert found.coverage.state == expected["gate"]
    assert (found.conformity.name, found.verdict.name) == (expected["conformity"], expected["verdict"])
    assert [place.location for place in found.locations] == list(expected["locations"])
    for place in found.locations:
        wanted = expected["locations"][place.location]
        assert len(place.builds) == wanted["n"]
        for name in ("mean", "least", "greatest"):
            exact = getattr(place, name)
            assert abs(exact - Fraction(Decimal(wanted[name]))) <= Fraction(1, 20_000), (place.location, name)

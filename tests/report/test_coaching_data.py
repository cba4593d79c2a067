"""Racks from the archive, held against the archive's rows looked through one by one."""

from __future__ import annotations

from collections import defaultdict
from decimal import Decimal
from fractions import Fraction
from pathlib import Path

import pytest

from archive.store import Archive
from report.coaching_data import CoachingCase, rack_of, racks_between
from rules.coaching_racks import Rack
from rules.results import GateState
from schemas.errors import BadInput
from tests.front.racks import BOTTOM, TOP, even, hang, open_gauge
from tests.front.shop import SAMPLES, FrontDoor, sample_shop

Counts = dict[tuple[str | None, str, str], list[Fraction]]


@pytest.fixture
def door(tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> FrontDoor:
    """A fresh copy of the sample shop and the front door to it."""
    monkeypatch.delenv("FILMTALLY_SHOP", raising=False)
    return FrontDoor(sample_shop(tmp_path / "shop"), capsys)


def _archive(door: FrontDoor) -> Archive:
    return Archive(door.folder / "archive", "bench")


def _brute(archive: Archive, inspections: list[str], um_per_unit: Decimal = Decimal(1)) -> Counts:
    """Return the counted builds of some inspections by place on the rack, piece and location, straight from the rows."""
    found: Counts = defaultdict(list)
    for number in inspections:
        for row in archive.readings(number).to_pylist():
            if row["counted"] and row["coat_stage"] == "total":
                build = Fraction(row["thickness_um"]) - Fraction(row["base_metal_um"] or 0)
                found[row["rack_position"], row["piece"], row["location"]].append(build / Fraction(um_per_unit))
    return found


def _counts(rack: Rack) -> Counts:
    found: Counts = defaultdict(list)
    for reading in rack.readings:
        found[reading.rack_position, reading.piece.rpartition(": ")[2], reading.location].append(
            Fraction(reading.build)
        )
    return found


def test_a_rack_measured_place_by_place_is_one_rack_of_all_its_pieces(door: FrontDoor) -> None:
    open_gauge(door)
    numbers = hang(door, even)
    for number in numbers:
        case = rack_of(_archive(door), number)
        assert [one.inspection_id for one in case.measured.inspections] == numbers
        assert _counts(case.measured.rack) == _brute(_archive(door), numbers)
        assert len({reading.piece for reading in case.measured.rack.readings}) == 8
    assert case.earlier == ()
    assert case.state is GateState.OPEN
    # Accuracy, standard, resolution and error, and never how readings repeat: the uncertainty of the budget is larger.
    assert set(case.gauge) == {"strap face", "knuckle, running fit"}
    assert all(Fraction(1, 2) < expanded < 5 for expanded in case.gauge.values())


def test_a_frame_that_is_hung_again_is_the_next_rack(door: FrontDoor) -> None:
    open_gauge(door)
    first = hang(door, even, 1)
    again = hang(door, even, 2, "--lot", "H-1", shift=0.4)
    case = rack_of(_archive(door), again[0])
    assert [one.inspection_id for one in case.measured.inspections] == again
    assert [[i.inspection_id for i in one.inspections] for one in case.earlier] == [first]
    assert rack_of(_archive(door), first[0]).earlier == ()


def test_corrections_and_exclusions_are_heeded(door: FrontDoor) -> None:
    open_gauge(door)
    numbers = hang(door, even)
    before = _counts(rack_of(_archive(door), numbers[0]).measured.rack)
    answer = door(
        "amend", numbers[1], "--exclude", "1=on the edge", "--exclude", "6=a slip", "--by", "mk", "--why", "slips"
    )
    assert answer.code == 0, answer
    case = rack_of(_archive(door), numbers[0])
    after = _counts(case.measured.rack)
    assert sum(map(len, before.values())) - 2 == sum(map(len, after.values()))
    assert after == _brute(_archive(door), numbers)
    assert [one.revision for one in case.measured.inspections] == [1, 2]


def test_base_metal_is_subtracted_and_builds_are_in_mil(door: FrontDoor) -> None:
    good = {"Z-0": "0.1,0.0,0.2", "S-50": "50.4,50.1,50.6", "S-130": "129.9,130.3,129.4", "S-255": "254.1,255.6,255.0"}
    read = tuple(word for name, values in good.items() for word in ("--standard", f"{name}={values}"))
    door.verify_gauge("opening", "2026-11-04T12:50", gauge="FB-19", read=read)
    capture = str(SAMPLES / "captures" / "mast-plate-MP-0903.capture")
    words = ("measure", "mast-plate", "--lot", "MP", "--inspector", "mk", "--gauge", "FB-19", "--from", capture)
    answer = door(*words, "--lot-size", "2")
    assert answer.code == 0, answer
    number = answer.out.split()[1].rstrip(":")
    case = rack_of(_archive(door), number)
    assert case.unit == "mil"
    brute = _brute(_archive(door), [number], Decimal("25.4"))
    assert _counts(case.measured.rack) == brute
    base = {row["base_metal_um"] for row in _archive(door).readings(number).to_pylist() if row["counted"]}
    assert base
    assert None not in base
    assert set(case.gauge) == {"top side", "under side"}
    assert all(Fraction(1, 100) < expanded < 1 for expanded in case.gauge.values())


def test_earlier_racks_come_oldest_first_and_a_period_has_its_own(door: FrontDoor) -> None:
    open_gauge(door)
    hung = [
        hang(door, even, number, places=(TOP,), pieces=3) for number in (3, 1, 2)
    ]  # sealed in another order than taken
    hang(door, even, 4, "--coats", "2", places=(TOP,), pieces=3)
    case = rack_of(_archive(door), hang(door, even, 5, places=(TOP,), pieces=3)[0])
    assert _firsts(case) == [hung[1][0], hung[2][0], hung[0][0]]
    period = racks_between(_archive(door), "HW-088", None, None)
    assert _firsts(period) == _firsts(case)
    assert period.measured.rack == case.measured.rack
    with pytest.raises(BadInput, match="with powder 'chalk'"):
        racks_between(_archive(door), "HW-088", None, None, powder="chalk")


def test_an_inspection_of_which_nothing_counts_is_a_sentence(door: FrontDoor) -> None:
    open_gauge(door)
    (number,) = hang(door, even, places=(BOTTOM,), pieces=1)
    out = [word for i in range(1, 9) for word in ("--exclude", f"{i}=a slip")]
    assert door("amend", number, *out, "--by", "mk", "--why", "all slips").code in (0, 1)
    with pytest.raises(BadInput, match="no reading of it counts"):
        rack_of(_archive(door), number)


def _firsts(case: CoachingCase) -> list[str]:
    return [one.rack.label for one in case.earlier]

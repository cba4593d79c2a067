"""Another party's capture, read as measure reads one, with nothing kept."""

from __future__ import annotations

from datetime import UTC, datetime
from decimal import Decimal
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from ingest.reading_captures import read_capture
from rules.party_readings import PartyReading
from schemas.errors import BadInput
from schemas.job import Job
from schemas.profile import Profile
from tests.rules.builders import job, location

NOW = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)
NUMBER_AND_UNIT = Profile.checked(
    {
        "title": "number and unit",
        "reading": r"(?P<thickness>[-+]?[0-9.,]+) *(?P<unit>[^0-9 .,-]+)",
        "not_a_reading": [{"pattern": "no contact", "meaning": "no contact with the part"}],
    },
    "profile",
)
JSON_LINES = Profile.checked(
    {
        "title": "JSON lines",
        "form": "json",
        "keys": {"thickness": "film", "unit": "in", "piece": "piece", "location": "place"},
    },
    "profile",
)


def _gate(**more: object) -> Job:
    return job(location("front", readings_per_spot=2), location("edge", readings_per_spot=2), **more)


def _taken(
    tmp_path: Path,
    text: str,
    profile: Profile = NUMBER_AND_UNIT,
    of: Job | None = None,
    pieces: tuple[str, ...] = ("1",),
) -> tuple[PartyReading, ...]:
    path = tmp_path / "theirs.txt"
    path.write_text(text, encoding="utf-8")
    return read_capture(path, of or _gate(), profile, pieces, ZoneInfo("UTC"), NOW)


def test_a_capture_without_locations_goes_into_the_plan_and_lines_that_are_no_readings_are_left_out(
    tmp_path: Path,
) -> None:
    taken = _taken(tmp_path, "3.1 mil\n3.20 mil\nno contact\n2.5 mil\n2.6 mil\n")
    assert [(r.location, r.thickness_um) for r in taken] == [
        ("front", Decimal("78.74")),
        ("front", Decimal("81.280")),
        ("edge", Decimal("63.50")),
        ("edge", Decimal("66.04")),
    ]
    assert taken[1].step_um == Decimal("0.254")
    assert {r.piece for r in taken} == {"1"}


def test_a_unit_that_looks_wrong_stops_measure_and_not_the_comparison(tmp_path: Path) -> None:
    taken = _taken(tmp_path, "3.1 um\n3.2 um\n2.5 um\n2.6 um\n")
    assert [r.thickness_um for r in taken] == [Decimal(v) for v in ("3.1", "3.2", "2.5", "2.6")]


def test_one_reading_more_than_the_plan_is_a_sentence(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match=r"theirs.txt: line 5: is one reading more than the job asks for"):
        _taken(tmp_path, "3.1 mil\n" * 5)


def test_a_capture_that_names_its_locations_may_hold_more_readings_than_the_plan(tmp_path: Path) -> None:
    lines = "".join(f'{{"film": "3.{n}", "in": "mil", "piece": "1", "place": "edge"}}\n' for n in range(7))
    taken = _taken(tmp_path, lines, JSON_LINES)
    assert [(r.location, r.piece) for r in taken] == [("edge", "1")] * 7


def test_words_of_the_inspector_are_obeyed_and_an_unnamed_piece_is_not_guessed(tmp_path: Path) -> None:
    text = "# filmtally capture 1\n" + "".join(
        f"2026-11-03T09:20:{n:02}Z\t{line}\n"
        for n, line in enumerate(("@location edge", "2.5 mil", "2.9 mil", "@undo", "2.6 mil", "2.7 mil"))
    )
    taken = _taken(tmp_path, text, pieces=("1", "2"))
    assert [r.thickness_um for r in taken] == [Decimal("63.50"), Decimal("66.04"), Decimal("68.58")]
    assert {r.piece for r in taken} == {None}


def test_what_was_read_before_coating_is_subtracted(tmp_path: Path) -> None:
    text = "# filmtally capture 1\n" + "".join(
        f"2026-11-03T09:20:{n:02}Z\t{line}\n"
        for n, line in enumerate(("@base *", "0.4 mil", "0.6 mil", "@coated", "3.5 mil"))
    )
    (reading,) = _taken(tmp_path, text, of=_gate(base_reading=True))
    assert (reading.thickness_um, reading.base_um) == (Decimal("88.90"), Decimal("12.7000"))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("three mil\n", "line 1: 'three mil' is not how profile"),
        ("no contact\n", "there is no reading in this capture"),
        ("", "there is nothing in this capture"),
    ],
)
def test_what_cannot_be_read_is_one_sentence(tmp_path: Path, text: str, said: str) -> None:
    with pytest.raises(BadInput, match=said):
        _taken(tmp_path, text)

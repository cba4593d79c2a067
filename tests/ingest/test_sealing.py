"""From readings to one commit: the rows, the record, and what is refused."""

from __future__ import annotations

import dataclasses
import json
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path

import pytest

from archive.store import Archive
from ingest.inspection import Taking
from ingest.sealing import Sealed, amend, known_checks, seal
from schemas.errors import BadInput
from schemas.parquet import records
from schemas.readings import READINGS, GaugeReading
from tests.ingest.taking import NOW, facts, feed, job, taking
from tests.schemas.records import CHECK


def _seal(state: Taking, as_is: str | None = None) -> Sealed:
    return seal(
        facts(state.job, pieces=state.pieces),
        state,
        [CHECK],
        capture_sha256="0" * 64,
        sealed_at=NOW,
        sealed_by="mk",
        as_is=as_is,
    )


def _rows(sealed: Sealed) -> list[GaugeReading]:
    return records(READINGS, sealed.readings)


def test_a_complete_inspection_is_sealed_with_its_conformity() -> None:
    state = taking()
    feed(state, "3.1", "3.2", "3.3", "3.4")
    sealed = _seal(state)
    assert (
        sealed.inspection.conformity,
        sealed.inspection.readings_counted,
        sealed.inspection.readings_excluded,
        sealed.inspection.pieces_measured,
    ) == ("PASS", 4, 0, 1)
    assert [Decimal("78.7400"), Decimal("81.2800"), Decimal("83.8200"), Decimal("86.3600")] == [
        r.thickness_um for r in _rows(sealed)
    ]
    assert [r.shown for r in _rows(sealed)] == ["3.1", "3.2", "3.3", "3.4"]


def test_limits_stand_beside_each_reading_in_the_unit_of_the_specification() -> None:
    state = taking()
    feed(state, "3.1", "3.2", "3.3", "3.4")
    last = _rows(_seal(state))[-1]
    assert ("edge", "mil", Decimal(2), Decimal(6)) == (last.location, last.specification_unit, last.lower, last.upper)


def test_readings_that_are_missing_are_named_and_sealing_waits() -> None:
    state = taking(pieces=("1", "2"))
    feed(state, "3.1")
    with pytest.raises(
        BadInput, match="too few readings: 'face' on piece 1 has 1 of 2 .and 3 more locations lack some.; go on with"
    ):
        _seal(state)


def test_an_inspection_sealed_as_it_is_is_undecided_and_says_why() -> None:
    state = taking()
    feed(state, "3.1")
    sealed = _seal(state, "customer took the part away")
    assert sealed.inspection.conformity == "UNDECIDED"
    assert (
        json.loads(sealed.inspection.notes_json)[-1]["what"]
        == "sealed with readings missing: customer took the part away"
    )


def test_an_inspection_without_any_counted_reading_is_not_sealed() -> None:
    state = taking()
    feed(state, "3.1", "@undo")
    with pytest.raises(BadInput, match="there is no counted reading to seal"):
        _seal(state, "anyway")


def test_missing_readings_before_coating_are_refused_even_as_it_is() -> None:
    state = taking(base_reading=True)
    feed(state, "@base face", "0.5", "@coated", "3.1", "3.1", "3.3", "3.4")
    with pytest.raises(BadInput, match="'edge' has none; take them after '@base edge'"):
        _seal(state, "anyway")


def test_the_base_mean_stands_beside_each_coated_reading_and_decides_with_it() -> None:
    state = taking(base_reading=True, blasted=True)
    feed(state, "@base *", "1.0", "1.2", "@coated", "3.0", "3.0", "3.0", "3.0")
    sealed = _seal(state)
    assert [None, None, *[Decimal("27.9400")] * 4] == [r.base_metal_um for r in _rows(sealed)]
    assert sealed.inspection.conformity == "FAIL"  # 3.0 less 1.1 is 1.9 mil, under the lower limit of 2


def test_lines_that_are_no_readings_are_kept_in_the_record() -> None:
    state = taking()
    feed(state, "3.1", "3.2", "3.3", "3.4")
    from tests.ingest.taking import line

    state.feed(line(9, "garbage"), "typed", set_aside="someone leaned on a key")
    other = json.loads(_seal(state).inspection.other_lines_json)
    assert [(o["text"], o["why"]) for o in other] == [("garbage", "set aside by mk: someone leaned on a key")]


def test_a_revision_supersedes_and_the_old_one_stays(tmp_path: Path) -> None:
    state = taking()
    feed(state, "3.1", "3.2", "3.3", "3.4")
    archive = Archive(tmp_path / "archive", "bench")
    first = _seal(state)
    archive.commit_inspection(first.inspection, first.readings)
    second = amend(
        first.inspection,
        _rows(first),
        {2: "read on a weld"},
        by="mk",
        why="weld found",
        sealed_at=datetime(2026, 11, 4, tzinfo=UTC),
        facts={"powder_batch": "B-2"},
    )
    archive.commit_inspection(second.inspection, second.readings)
    valid = archive.inspection(first.inspection.inspection_id)
    assert (valid.revision, valid.supersedes, valid.superseded_why, valid.conformity) == (
        2,
        1,
        "weld found",
        "UNDECIDED",
    )
    old, new = (archive.reading_records(valid.inspection_id, revision=n)[1] for n in (1, 2))
    assert (old.counted, old.excluded_reason) == (True, None)
    assert (new.counted, new.excluded_reason, new.excluded_by, new.powder_batch) == (
        False,
        "read on a weld",
        "mk",
        "B-2",
    )


@pytest.mark.parametrize(
    ("exclude", "changed", "sentence"),
    [
        ({9: "x"}, {}, "there is no reading 9; its readings are 1 to 4"),
        ({}, {}, "nothing is changed"),
        ({}, {"thickness_um": "1"}, "thickness_um cannot be corrected"),
    ],
)
def test_a_revision_that_cannot_be_says_why(exclude: dict[int, str], changed: dict[str, str], sentence: str) -> None:
    state = taking()
    feed(state, "3.1", "3.2", "3.3", "3.4")
    sealed = _seal(state)
    with pytest.raises(BadInput, match=sentence):
        amend(sealed.inspection, _rows(sealed), exclude, by="mk", why="w", sealed_at=NOW, facts=changed)


def test_every_sample_job_can_be_sealed_empty_handed_only_with_readings() -> None:
    with pytest.raises(BadInput, match="no counted reading"):
        _seal(taking(location=list(job().model_dump()["location"])))


def test_a_record_keeps_what_can_bear_on_its_readings_and_not_all_that_the_gauge_ever_had() -> None:
    def check(name: str, kind: str, days_before: float, **more: object) -> object:
        at = NOW - timedelta(days=days_before)
        return dataclasses.replace(CHECK, check_id=name, kind=kind, done_at=at, **more)

    checks = [
        check("long-ago", "verification", 400),
        check("calibrated-before", "calibration", 500),
        check("calibrated", "calibration", 200),
        check("dropped", "incident", 90),
        check("set-eddy", "adjustment", 80, probe_mode="eddy-current"),
        check("set", "adjustment", 70),
        check("studied", "study", 60),
        check("too-old", "verification", 31.001),
        check("oldest", "verification", 31),
        check("opening", "verification", 0.1),
        check("later", "verification", -1),
        check("another", "verification", 0.1, gauge_serial="G-other"),
    ]
    kept = known_checks(checks, CHECK.gauge_serial, NOW)  # type: ignore[arg-type]
    names = ["calibrated", "dropped", "set-eddy", "set", "oldest", "opening", "later"]
    assert [c.check_id for c in kept] == names


def _amended(first: Sealed, exclude: dict[int, str] | None = None, **facts: str) -> Sealed:
    return amend(first.inspection, _rows(first), exclude or {}, by="mk", why="w", sealed_at=NOW, facts=facts)


def test_the_number_of_pieces_in_the_lot_is_corrected_in_the_record_and_on_every_reading(tmp_path: Path) -> None:
    state = taking(pieces=("1", "2"))
    feed(state, *["3.1"] * 8)
    first = _seal(state)
    archive = Archive(tmp_path / "archive", "bench")
    archive.commit_inspection(first.inspection, first.readings)
    second = _amended(first, lot_size="12")
    archive.commit_inspection(second.inspection, second.readings)  # refuses where record and readings disagree
    assert archive.inspection(first.inspection.inspection_id).lot_size == 12
    assert {r.lot_size for r in archive.reading_records(first.inspection.inspection_id)} == {12}
    assert archive.check() == []


@pytest.mark.parametrize("said", ["", "many", "0", "-3", "1.5", "1e3", "\u0662", "10000001", "9" * 5000])
def test_a_lot_size_that_is_no_number_of_pieces_is_refused(said: str) -> None:
    state = taking()
    feed(state, *["3.1"] * 4)
    with pytest.raises(BadInput, match="is no number of pieces from 1 to 10000000; write it with digits alone"):
        _amended(_seal(state), lot_size=said)


def test_a_lot_is_not_smaller_than_what_counts_of_it() -> None:
    state = taking(pieces=("1", "2"))
    feed(state, *["3.1"] * 8)
    first = _seal(state)
    with pytest.raises(BadInput, match="--set lot_size=1 is less than the 2 pieces measured; correct the number"):
        _amended(first, lot_size="1")
    fewer = _amended(first, dict.fromkeys(range(5, 9), "of another lot"), lot_size="1")
    assert (fewer.inspection.lot_size, fewer.inspection.pieces_measured) == (1, 1)


def test_a_lot_size_without_a_sampling_plan_is_refused() -> None:
    state = taking(sampling={"scheme": "variables", "letter": "D", "aql": Decimal("1.0")})
    feed(state, *["3.1"] * 4)
    with pytest.raises(BadInput, match="lot_size=4: the plan measures 5 pieces, and the lot has 4: measure every"):
        _amended(_seal(state), lot_size="4")

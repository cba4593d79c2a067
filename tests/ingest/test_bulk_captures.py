"""A capture taken many lines at once against the same capture taken line by line: nothing may differ.

Invented captures: what is checked against is the way that single lines go, which other tests hold to published sources.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from typing import ClassVar
from zoneinfo import ZoneInfo

import pyarrow as pa
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from archive.shop_folder import ShopFolder
from archive.store import Archive
from ingest import bulk_lines, bulk_shapes, taking_captures
from ingest.capture_store import keep
from ingest.counters import Counters
from ingest.decoding import LineDecoder
from ingest.inspection import Taking
from ingest.open_inspection import OpenInspection, SaidOfLines
from ingest.readings_in_columns import ReadingsInColumns, from_us
from ingest.sealing import Sealed, seal
from ingest.taken_readings import TakenReadings
from ingest.taking_captures import CaptureLines, take_lines
from schemas.errors import BadInput
from schemas.job import Job
from schemas.profile import Profile
from schemas.shop import Plausible
from schemas.vocabulary import ProbeMode
from tests.ingest.taking import EDGE, FACE, NOW, facts, job, line
from tests.schemas.records import CHECK

PLAIN = Profile.model_validate(
    {
        "title": "plain",
        "reading": r"(?P<thickness>[-+]?[0-9.,]+)(?: (?P<unit>\S+))?",
        "unit": "mil",
        "not_a_reading": [{"pattern": "OVER|-{2,}", "meaning": "over the range"}],
        "max_line_bytes": 64,
    }
)
COUNTED = Profile.model_validate(
    {
        "title": "counted",
        "reading": r"(?P<counter>[0-9]+);(?:(?P<time>[0-9]{4}-[0-9]{2}-[0-9]{2} [0-9:]{8});)?(?P<mode>[A-Z]+);(?P<thickness>[-+]?[0-9.,]+)",
        "unit": "mil",
        "time_format": "%Y-%m-%d %H:%M:%S",
        "modes": {"FE": "magnetic", "NFE": "eddy-current"},
        "not_a_reading": [{"pattern": "[0-9]+;.*;over", "meaning": "over the range"}],
        "max_line_bytes": 64,
    }
)
PLACED = Profile.model_validate(
    {
        "title": "placed",
        "form": "json",
        "keys": {"thickness": "film", "piece": "piece", "location": "place", "spot": "spot", "counter": "n"},
        "unit": "mil",
        "max_line_bytes": 64,
    }
)
PROFILES = {"plain": PLAIN, "counted": COUNTED, "placed": PLACED}
ZONE = ZoneInfo("America/New_York")
WORDS = (
    "@piece 2", "@piece nowhere", "@location edge", "@location face", "@base *", "@base edge", "@coated", "@undo",
    "@exclude weld spot", "@exclude base metal reading: subtracted, not judged", "@skip hidden by the hanger", "@note rack 7", "@skip", "@dance",
)  # fmt: skip
#: What is written in place of a reading, or around it.
ODD = (
    b"", b"   ", b"OVER", b"---", b"75", b"3,1", b"3.1 um", b"78 um", b"-0.2", b"900", b"what", b"\xff\xfe3.1", b"\xb5", b"3.1 \xb5m", b"3.1 ell",
    b"3.1\x00", b"3.1\x07", b"\t3.1 ", b"3.1\r3.2", b"\xef\xbb\xbf3.1", b"9" * 70, b"9" * 120, b"3.12345", b"@note not a word here", b"# 3.1", b"3.1\x0b", b"3.1\x1c",
)  # fmt: skip


@dataclass(frozen=True)
class Case:
    """A capture, and the inspection it is taken into."""

    files: tuple[bytes, ...]
    profile: Profile
    job: Job
    pieces: tuple[str, ...]
    stated_at: datetime | None
    prompted: bool
    before: tuple[str, ...]
    after: tuple[str, ...]
    accept: dict[int, str]
    set_aside: dict[int, str]
    as_is: str | None
    checked_at: tuple[datetime, ...]


@st.composite
def _jobs(draw: st.DrawFn) -> Job:
    rule = draw(
        st.sampled_from(
            [
                {"name": "every-reading"},
                {"name": "every-reading", "comparison": "rounding"},
                {"name": "location-means"},
                {"name": "location-means", "comparison": "rounding", "tie": "up"},
                {"name": "sspc-pa2", "level": 3},
                {"name": "iso-19840"},
            ]
        )
    )
    places: list[dict[str, object]] = [
        {**FACE, "readings_per_spot": draw(st.sampled_from([1, 3, 8])), "spots": draw(st.sampled_from([1, 2]))},
        {**EDGE, "spots": draw(st.sampled_from([1, 4]))},
        {"name": "hidden", "role": "hidden", "lower": Decimal("1.5"), "readings_per_spot": 2},
    ]
    if rule["name"] == "sspc-pa2":
        places = [{**place, "spots": 5, "readings_per_spot": 3} for place in places]
    if rule["name"] == "iso-19840":
        places[2]["upper"] = Decimal(7)
    base = draw(st.sampled_from([False, False, True]))
    changes: dict[str, object] = {"rule": rule, "location": places[: draw(st.integers(1, 3))]}
    if base:
        changes |= {"base_reading": True, "blasted": True}
    return job(**changes)


@st.composite
def _said(draw: st.DrawFn, profile: str, state: dict[str, int]) -> bytes:
    """One line as the gauge writes it, mostly a reading that nothing speaks against."""
    figure = f"{draw(st.integers(21, 49)) / 10}"
    odd = draw(st.integers(0, 24)) == 0
    if profile == "plain":
        return draw(st.sampled_from(ODD)) if odd else figure.encode()
    if profile == "placed":
        if odd:
            return draw(st.sampled_from(ODD))
        said: dict[str, object] = {"film": figure}
        if draw(st.integers(0, 9)) == 0:
            said |= {
                "place": draw(st.sampled_from(["face", "EDGE", "no place"])),
                "piece": draw(st.sampled_from("129")),
            }
        if draw(st.integers(0, 9)) == 0:
            said["spot"] = draw(st.integers(0, 3))
        return json.dumps(said).encode()
    state["counter"] += draw(st.sampled_from([1] * 40 + [0, 2, 3, -3])) if state["counter"] else 1
    state["counter"] %= draw(st.sampled_from([100, 1000]))
    state["second"] += draw(st.sampled_from([1] * 30 + [0, -5, 3600]))
    local = datetime(2026, 11, 1, 0, 59, 50) + timedelta(seconds=state["second"])  # noqa: DTZ001 - as gauges write it
    mode = "NFE" if odd else "FE"
    time = "" if state["untimed"] else f"{local:%Y-%m-%d %H:%M:%S};"
    if draw(st.integers(0, 15)) == 0:
        figure = "over"
    return f"{state['counter']};{time}{mode};{figure}".encode()


@st.composite
def _files(draw: st.DrawFn, profile: str) -> bytes:
    timed = draw(st.booleans())
    end = draw(st.sampled_from([b"\n"] * 6 + [b"\r\n"] * 3 + [b"\r"]))
    stamp = draw(st.sampled_from(["milliseconds", "milliseconds", "seconds", "microseconds"]))
    zone = draw(st.sampled_from(["Z", "Z", "+02:00", "-05:30"]))
    state = {"counter": draw(st.sampled_from([0, 0, 17, 88])), "second": 0, "untimed": draw(st.sampled_from([0, 0, 1]))}
    at = NOW - timedelta(hours=2)
    out = [b"# filmtally capture 1"] if timed else []
    for _ in range(draw(st.integers(0, 60))):
        said = draw(_said(profile, state))
        if timed:
            at += timedelta(milliseconds=draw(st.sampled_from([700] * 60 + [0, -900, 10_000_000])))
            kind = draw(st.integers(0, 50))
            if kind == 0:
                said = draw(st.sampled_from(WORDS)).encode()
            if kind == 1:
                out.append(draw(st.sampled_from([b"# a remark", b"", b"   "])))
                continue
            if kind == 2 and draw(st.integers(0, 5)) == 0:
                out.append(
                    draw(st.sampled_from([b"3.1", b"2026-13-01T00:00:00.000Z\t3.1", b"2026-11-03T08:00:00\t3.1"]))
                )
                continue
            form = "seconds" if kind == 3 else stamp
            local = at.astimezone(UTC).replace(tzinfo=None).isoformat(timespec=form)
            said = f"{local}{zone}\t".encode() + said
        out.append(said)
    ended = draw(st.sampled_from([True, True, True, False]))
    return end.join(out) + (end if ended and out else b"")


@st.composite
def _cases(draw: st.DrawFn) -> Case:
    profile = draw(st.sampled_from(["plain", "plain", "counted", "placed"]))
    words = st.lists(st.one_of(st.sampled_from(WORDS), st.just("3.3")), max_size=4).map(tuple)
    lines = st.dictionaries(st.integers(1, 62), st.just("seen by eye"), max_size=draw(st.sampled_from([0, 0, 0, 12])))
    the_job = draw(_jobs())
    many = draw(st.sampled_from([1, 2, 5, 30]))
    return Case(
        files=tuple(draw(st.lists(_files(profile), min_size=1, max_size=draw(st.sampled_from([1, 1, 2]))))),
        profile=PROFILES[profile],
        job=the_job,
        pieces=tuple(str(n) for n in range(1, many + 1)),
        stated_at=draw(st.sampled_from([NOW - timedelta(days=1), NOW - timedelta(days=1), None])),
        prompted=draw(st.booleans()),
        before=draw(words) if draw(st.booleans()) else (),
        after=draw(words),
        accept=draw(lines),
        set_aside=draw(lines),
        as_is=draw(st.sampled_from(["as it is", None])),
        checked_at=tuple(draw(st.lists(st.integers(0, 9000).map(lambda s: NOW - timedelta(seconds=s)), max_size=3))),
    )


@contextmanager
def _in_columns(block_bytes: int, fewest: int) -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(taking_captures, "LONG_BYTES", 0)
        patch.setattr(taking_captures, "FEWEST", fewest)
        patch.setattr(bulk_lines, "BLOCK_BYTES", block_bytes)
        patch.setattr(bulk_shapes, "_LINES_TO_A_SHAPE", 1)
        yield


def _take(case: Case, folder: Path) -> tuple[Taking, list[object]]:
    decoder = LineDecoder(case.profile, ZONE)
    state = Taking(case.job, case.pieces, "mk", decoder, Plausible(), NOW, prompted=case.prompted)
    for number, text in enumerate(case.before, start=1):
        state.feed(line(number, text), "typed")
    said: list[object] = []
    for number, data in enumerate(case.files):
        path = folder / f"{number}.capture"
        path.write_bytes(data)
        into = CaptureLines(state, f"file:{path.name}", dict(case.accept), dict(case.set_aside))
        try:
            take_lines(into, path, path.name, case.profile, case.stated_at)
        except BadInput as refused:
            said.append(refused.sentence)
        said.append((into.problems, into.last_no, into.accept, into.set_aside))
    for number, text in enumerate(case.after, start=1):
        said.append(repr(state.feed(line(number, text, at=NOW), "typed")))
    return state, said


def _seal(case: Case, state: Taking) -> Sealed | str:
    checks = [
        replace(CHECK, check_id=f"check-{n}", gauge_serial="G1", done_at=at, probe_mode=ProbeMode.MAGNETIC.value)
        for n, at in enumerate(case.checked_at)
    ]
    try:
        return seal(
            facts(case.job, pieces=case.pieces),
            state,
            checks,
            capture_sha256="0" * 64,
            sealed_at=NOW,
            sealed_by="mk",
            as_is=case.as_is,
        )
    except BadInput as refused:
        return refused.sentence


def _same(case: Case, folder: Path, block_bytes: int, fewest: int) -> Taking:
    """Take *case* both ways and return it as taken in columns; fail where anything differs."""
    single, said_singly = _take(case, folder)
    with _in_columns(block_bytes, fewest):
        many, said = _take(case, folder)
    assert said_singly == said
    assert (single.other_lines, single.notes) == (many.other_lines, many.notes)
    assert single.next_slot() == many.next_slot()
    assert list(single.missing()) == list(many.missing())
    assert single.counted == many.counted
    alone, together = _seal(case, single), _seal(case, many)
    if isinstance(alone, Sealed) and isinstance(together, Sealed):
        assert alone.inspection == together.inspection
        assert alone.readings.equals(together.readings)
        assert alone.readings.schema.equals(together.readings.schema, check_metadata=True)
    else:
        assert alone == together
    # Looked at last, since it makes objects of them all.
    assert list(single.readings) == list(many.readings)
    assert single.readings[-5:] == many.readings[-5:]
    again = _seal(case, many)
    assert again == together if isinstance(together, str) else together.readings.equals(again.readings)  # type: ignore[union-attr]
    return many


@given(case=_cases(), block_bytes=st.sampled_from([60, 400, 1 << 20]), fewest=st.sampled_from([1, 4]))
@settings(
    max_examples=40,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large, HealthCheck.function_scoped_fixture],
)
def test_many_lines_at_once_come_to_the_same_as_one_by_one(
    tmp_path: Path, case: Case, block_bytes: int, fewest: int
) -> None:
    _same(case, tmp_path, block_bytes, fewest)


_DIGIT = st.sampled_from("0123456789")


@given(
    form=st.sampled_from(
        [
            "2026-11-03T09:15:00.000Z",
            "2026-11-03T09:15:00Z",
            "2026-11-03T09:15:00.000000+00:00",
            "2026-11-03T09:15:00-00:00",
        ]
    ),
    changes=st.dictionaries(st.integers(0, 31), _DIGIT, max_size=5),
)
def test_a_time_that_is_read_in_columns_is_the_time_that_single_lines_are_read_with(
    form: str, changes: dict[int, str]
) -> None:
    stamp = "".join(changes.get(n, sign) if sign.isdigit() else sign for n, sign in enumerate(form))
    found = bulk_lines._instants(pa.array([stamp.encode()]), len(stamp))
    if found is not None:
        assert datetime.fromisoformat(stamp) == from_us(found[0].as_py())


def _own(lines: int, odd: dict[int, str]) -> bytes:
    """Return a capture of *lines* lines, in which line numbers of *odd* have another text."""
    out = ["# filmtally capture 1"]
    for number in range(2, lines + 2):
        stamp = (NOW - timedelta(hours=3) + timedelta(seconds=number)).isoformat(timespec="milliseconds")
        out.append(f"{stamp.replace('+00:00', 'Z')}\t{odd.get(number, f'{2.2 + number % 25 / 10:.1f}')}")
    return ("\n".join(out) + "\n").encode()


def _open(root: Path, capture: bytes, pieces: int) -> tuple[OpenInspection, Path]:
    path = root / "long.capture"
    path.write_bytes(capture)
    known = facts(job(), pieces=tuple(str(n) for n in range(1, pieces + 1)))
    return OpenInspection(ShopFolder(root / "shop"), known.inspection_id, NOW, known), path


def _commit(root: Path, inspection: OpenInspection) -> bytes:
    sealed = seal(
        inspection.facts,
        inspection.taking,
        [CHECK],
        capture_sha256=inspection.capture_sha256,
        sealed_at=NOW,
        sealed_by="mk",
        as_is="as it is",
    )
    return Archive(root / "archive", "bench").commit_inspection(sealed.inspection, sealed.readings).read_bytes()


#: Captures from so many bytes on are taken in columns: long ones, and none.
WAYS = {"columns": 1 << 16, "lines": 1 << 30}


def test_a_long_capture_is_taken_resumed_and_sealed_without_an_object_for_each_reading(tmp_path: Path) -> None:
    capture = _own(4000, odd={17: "OVER?", 900: "@note the rack was turned", 2000: "@undo"})
    files = {}
    for way, long_bytes in WAYS.items():
        root = tmp_path / way
        root.mkdir()
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(taking_captures, "LONG_BYTES", long_bytes)
            inspection, path = _open(root, capture, 1000)
            with inspection:
                kept = keep(path, root / "shop" / "captures")
                inspection.take_captures([kept], None, SaidOfLines(set_aside={17: "it was no reading"}), NOW)
                taken_at_once = inspection.taking.readings.in_columns
            with OpenInspection(ShopFolder(root / "shop"), inspection.facts.inspection_id, NOW) as again:
                files[way] = _commit(root, again)
                stretches = [p for p in again.taking.readings.parts if isinstance(p, ReadingsInColumns)]
        assert taken_at_once == bool(stretches) == (way == "columns")
        assert sum(len(stretch._made) for stretch in stretches) <= 4
    assert files["columns"] == files["lines"]


def test_a_long_capture_with_a_line_that_cannot_be_taken_is_refused_whole_and_the_line_is_named(tmp_path: Path) -> None:
    sentences = []
    for way, long_bytes in WAYS.items():
        root = tmp_path / way
        root.mkdir()
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(taking_captures, "LONG_BYTES", long_bytes)
            inspection, path = _open(root, _own(4000, odd={1234: "75", 1300: "3,1", 3999: "900"}), 1000)
            with inspection:
                kept = keep(path, root / "shop" / "captures")
                with pytest.raises(BadInput, match="line 1234: 75 mil at 'face' on piece 309 looks like 75 µm") as no:
                    inspection.take_captures([kept], None, SaidOfLines(), NOW)
        sentences.append(no.value.sentence)
        with pytest.raises(BadInput, match="there is no open inspection"):
            OpenInspection(ShopFolder(root / "shop"), inspection.facts.inspection_id, NOW)
    assert sentences[0] == sentences[1]
    assert "(also lines 1300, 3999)" in sentences[0]


def _case(capture: bytes, pieces: int) -> Case:
    return Case(
        files=(capture,),
        profile=PLAIN,
        job=job(),
        pieces=tuple(str(n) for n in range(1, pieces + 1)),
        stated_at=NOW,
        prompted=False,
        before=(),
        after=(),
        accept={},
        set_aside={},
        as_is="as it is",
        checked_at=(),
    )


def test_where_something_speaks_against_every_reading_each_is_named(tmp_path: Path) -> None:
    _same(_case(_own(3000, odd=dict.fromkeys(range(40, 3000), "75")), 900), tmp_path, 1 << 20, 32)


def test_an_export_with_counter_and_time_in_each_line_lies_in_columns(tmp_path: Path) -> None:
    start = datetime(2026, 10, 31, 22, 30)  # noqa: DTZ001 - as the gauge writes it
    lines = [f"{n};{start + timedelta(seconds=4 * n)};FE;{2.2 + n % 25 / 10:.1f}" for n in range(1, 3001)]
    lines[1500:1500] = ["1501;2026-11-01 00:10:04;FE;over"]
    export = "\r\n".join([*lines, ""]).encode()
    many = _same(replace(_case(export, 750), profile=COUNTED, stated_at=None), tmp_path, 1 << 20, 32)
    in_columns = sum(len(part) for part in many.readings.parts if isinstance(part, ReadingsInColumns))
    assert in_columns == len(many.readings) - 1 == 2999  # the very first line of a file is always looked at by itself


class _Numbers:
    left_out: ClassVar[dict[int, int]] = {}

    def __init__(self, *numbers: int) -> None:
        self.numbers = numbers

    def __len__(self) -> int:
        return len(self.numbers)

    def at(self, place: int) -> int:
        return self.numbers[place]


def test_readings_added_singly_and_in_stretches_are_one_list() -> None:
    both: TakenReadings[int] = TakenReadings()
    assert not both
    both.append(1)
    both.extend_by(_Numbers(2, 3, 4))
    both.extend_by(_Numbers())
    both.append(5)
    both.append(6)
    both.extend_by(_Numbers(7))
    plain = [1, 2, 3, 4, 5, 6, 7]
    assert both == plain
    assert [*reversed(both)] == plain[::-1]
    assert [both[n] for n in range(-7, 7)] == [plain[n] for n in range(-7, 7)]
    assert (both[1:6:2], both[-2:], both[:]) == (plain[1:6:2], plain[-2:], plain)
    assert both != plain[:-1]
    with pytest.raises(IndexError):
        both[7]


@given(st.lists(st.tuples(st.integers(1, 12), st.integers(1, 5), st.booleans()), max_size=6), st.integers(0, 90))
def test_runs_of_counters_are_remembered_as_single_ones_are(seen: list[tuple[int, int, bool]], asked: int) -> None:
    counters, single = Counters(), Counters()
    plain: dict[int, int] = {}
    reading_no, first = 1, 0
    for skipped, count, as_run in seen:
        first += skipped
        if as_run:
            counters.add_run(first, count, reading_no)
        for n in range(count):
            if not as_run:
                counters.add(first + n, reading_no + n)
            single.add(first + n, reading_no + n)
            plain[first + n] = reading_no + n
        reading_no += count
        first += count - 1
        assert counters.last == single.last == first
    assert counters.seen_from(asked) == min((n for n in plain if n >= asked), default=None)
    for these in (counters, single):
        assert (asked in these) == (asked in plain)
        if asked in plain:
            assert these[asked] == plain[asked]
        else:
            with pytest.raises(KeyError):
                these[asked]

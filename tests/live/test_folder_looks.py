"""Looks at a folder of export files: no line lost, none twice, none invented, whatever programs do to the files."""

from __future__ import annotations

import contextlib
import os
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.framing import Framer
from ingest.links.folder_looks import FolderGone, FolderLooks, Happening, is_temporary
from ingest.links.growing_file import GrowingFile
from ingest.links.item import Kind, Origin
from tests.live.readings import two_thousand

SETTLE_S = 3.0


class Bench:
    """A folder, looks at it, and a clock that only goes when it is told to."""

    def __init__(self, folder: Path, line_end: bytes | None = None) -> None:
        self.folder = folder
        self.line_end = line_end
        self.now_s = 100.0
        self.origins: dict[str, Origin] = {}
        self.before: tuple[Origin, ...] = ()
        self.all: list[Happening] = []
        self.looks = FolderLooks(folder, 64, line_end, SETTLE_S)

    def begin(self) -> None:
        self.before = self.looks.begin(self.now_s) or self.before

    def restart(self) -> None:
        """As after a kill: all that is left is what was journaled."""
        self.looks = FolderLooks(self.folder, 64, self.line_end, SETTLE_S, dict(self.origins), self.before)
        self.looks.begin(self.now_s)

    def write(self, name: str, data: bytes) -> None:
        (self.folder / name).write_bytes(data)

    def add(self, name: str, data: bytes) -> None:
        with (self.folder / name).open("ab") as out:
            out.write(data)

    def look(self, wait_s: float = 0.5) -> list[Happening]:
        self.now_s += wait_s
        found = []
        for happened in self.looks.look(self.now_s):
            if happened.origin is not None:
                self.origins[happened.origin.name] = happened.origin
            found.append(happened)
        self.all += found
        return found

    def settled(self) -> list[Happening]:
        return self.look() + self.look(SETTLE_S) + self.look(SETTLE_S)

    def lines(self) -> list[bytes]:
        return lines(self.all)


def lines(happened: list[Happening], kind: Kind = Kind.LINE) -> list[bytes]:
    assert not any(h.kind is Kind.PARTIAL and h.frame and h.frame.ended for h in happened)
    return [h.frame.data for h in happened if h.kind is kind and h.frame is not None]


def notes(happened: list[Happening]) -> str:
    return "\n".join(h.note for h in happened if h.note)


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path)


def test_what_was_there_before_is_not_taken_and_what_is_added_to_it_is(bench: Bench) -> None:
    bench.write("monday.txt", b"3.10\n3.11\n")
    bench.begin()
    assert [origin.name for origin in bench.before] == ["", "monday.txt"]
    assert bench.look() == []
    bench.add("monday.txt", b"3.12\n3.")
    bench.write("tuesday.txt", b"3.50\n")
    assert lines(bench.look()) == [b"3.12", b"3.50"]
    bench.add("monday.txt", b"13\n")
    assert lines(bench.look()) == [b"3.13"]


def test_a_line_is_taken_as_soon_as_it_is_whole_and_its_origin_says_where_it_stood(bench: Bench) -> None:
    bench.begin()
    bench.write("a.txt", b"3.1")
    assert bench.look() == []
    bench.add("a.txt", b"2\r")
    (first,) = bench.look()
    assert (first.frame and first.frame.data, first.origin and first.origin.end) == (b"3.12", 5)
    bench.add("a.txt", b"\n3.13\r\n")
    (second,) = bench.look()
    # sha256 of b"3.12\r\n3.13\r\n", as sha256sum of coreutils says
    assert second.origin == Origin("a.txt", 12, "2c12a1f3a993cfaa411fc2147a9397733a64b021695d4d9f1e1bb60b403bf668")
    assert second.frame is not None
    assert second.frame.data == b"3.13"


def test_a_tail_is_given_out_once_the_file_is_quiet_and_is_never_glued(bench: Bench) -> None:
    bench.begin()
    bench.write("a.txt", b"3.12\n3.1")
    assert lines(bench.look()) == [b"3.12"]
    assert bench.look(SETTLE_S - 0.1) == []
    late = bench.look(1.0)
    assert lines(late, Kind.PARTIAL) == [b"3.1"]
    assert "no end" in notes(late)
    bench.add("a.txt", b"4\n3.15\n")
    more = bench.look()
    assert lines(more, Kind.PARTIAL) == [b"4"]
    assert "rest of a line" in notes(more)
    assert lines(more) == [b"3.15"]


def test_an_end_that_comes_late_says_that_the_line_was_whole(bench: Bench) -> None:
    bench.begin()
    bench.write("a.txt", b"3.12")
    assert lines(bench.settled(), Kind.PARTIAL) == [b"3.12"]
    bench.add("a.txt", b"\r\n3.13\r\n")
    more = bench.look()
    assert lines(more, Kind.PARTIAL) == [b""]
    assert "was whole" in notes(more)
    assert lines(more) == [b"3.13"]


def test_a_file_that_is_replaced_by_a_longer_one_with_the_same_beginning_goes_on(bench: Bench) -> None:
    bench.begin()
    bench.write("a.txt", b"3.12\n3.13\n")
    bench.look()
    bench.write("a.tmp", b"3.12\n3.13\n3.14\n")
    assert bench.look() == []
    (bench.folder / "a.tmp").replace(bench.folder / "a.txt")
    assert lines(bench.look()) == [b"3.14"]
    assert bench.lines() == [b"3.12", b"3.13", b"3.14"]


def test_a_file_that_is_written_anew_from_nothing_takes_nothing_twice(bench: Bench) -> None:
    bench.begin()
    whole = b"3.12\r\n3.13\r\n3.14\r\n"
    bench.write("a.txt", whole[:12])
    bench.look()
    for cut in range(len(whole) + 1):
        bench.write("a.txt", whole[:cut])
        bench.look(0.1)
    assert bench.lines() == [b"3.12", b"3.13", b"3.14"]


def test_other_content_under_the_same_name_is_read_from_its_beginning_and_said(bench: Bench) -> None:
    bench.begin()
    bench.write("a.txt", b"3.12\n3.13\n")
    bench.look()
    bench.write("a.txt", b"4.00\n4.01\n4.02\n")
    found = bench.look() + bench.look()
    assert lines(found) == [b"4.00", b"4.01", b"4.02"]
    assert "holds something else" in found[0].note


def test_a_shorter_file_that_holds_nothing_new_is_said_once_and_goes_on_when_it_grows(bench: Bench) -> None:
    bench.begin()
    bench.write("a.txt", b"3.12\n3.13\n")
    bench.look()
    bench.write("a.txt", b"3.12\n")
    found = bench.settled() + bench.settled()
    assert lines(found) == []
    assert notes(found).count("shorter than it was") == 1
    bench.write("a.txt", b"3.12\n3.13\n3.14\n")
    assert lines(bench.look()) == [b"3.14"]


def test_a_shorter_file_with_other_content_is_read(bench: Bench) -> None:
    bench.begin()
    bench.write("a.txt", b"3.12\n3.13\n")
    bench.look()
    bench.write("a.txt", b"4.12\n")
    assert lines(bench.look() + bench.look()) == [b"4.12"]


def test_a_copy_is_not_taken_twice_even_where_it_comes_in_pieces(bench: Bench) -> None:
    bench.begin()
    whole = b"3.12\n3.13\n3.14\n3.15\n"
    bench.write("a.txt", whole)
    bench.look()
    for cut in (3, 7, 12, 20):
        bench.write("copy.txt", whole[:cut])
        bench.look()
    found = bench.settled()
    assert "very same bytes as a.txt" in notes(found)
    assert bench.lines() == whole.split()
    bench.add("copy.txt", b"3.16\n")
    assert lines(bench.look()) == [b"3.16"]


def test_an_export_that_holds_an_earlier_one_and_more_is_taken_and_flagged(bench: Bench) -> None:
    bench.begin()
    bench.write("a.txt", b"3.12\n3.13\n")
    bench.look()
    bench.write("b.txt", b"3.12\n3.13\n3.14\n")
    found = bench.look()
    assert [(h.frame and h.frame.data, h.doubled) for h in found] == [
        (b"3.12", True),
        (b"3.13", True),
        (b"3.14", False),
    ]
    assert "all that a.txt holds" in found[0].note


def test_a_short_file_that_begins_like_a_long_one_is_taken_after_the_settle_time(bench: Bench) -> None:
    bench.begin()
    bench.write("a.txt", b"3.12\n3.13\n")
    bench.look()
    bench.write("b.txt", b"3.12\n")
    assert bench.look() == []
    assert lines(bench.settled()) == [b"3.12"]


def test_a_gauge_that_writes_a_file_a_reading_may_read_the_same_twice(bench: Bench) -> None:
    bench.begin()
    bench.write("spot-1.txt", b"3.12\r\n")
    bench.look()
    bench.write("spot-2.txt", b"3.12\r\n")
    found = bench.settled()
    assert [(h.frame and h.frame.data, h.doubled) for h in found] == [(b"3.12", True)]
    assert "very same bytes as spot-1.txt" in notes(found)


def test_a_small_file_that_is_written_again_with_the_same_bytes_is_said(bench: Bench) -> None:
    bench.begin()
    bench.write("last.txt", b"3.12\r\n")
    os.utime(bench.folder / "last.txt", (1000, 1000))
    assert lines(bench.look()) == [b"3.12"]
    assert bench.settled() == []
    bench.write("last.txt", b"3.12\r\n")
    found = bench.settled()
    assert lines(found) == []
    assert notes(found).count("written again with the very same bytes") == 1


def test_a_small_file_that_is_gone_is_not_taken_for_the_next_one_of_the_same_value(bench: Bench) -> None:
    bench.begin()
    bench.write("spot-1.txt", b"3.12\r\n")
    os.utime(bench.folder / "spot-1.txt", (1000, 1000))
    bench.look()
    (bench.folder / "spot-1.txt").unlink()
    bench.write("spot-2.txt", b"3.12\r\n")
    assert [(h.frame and h.frame.data, h.doubled) for h in bench.settled() if h.frame] == [(b"3.12", True)]


def test_a_file_that_is_renamed_goes_on_under_its_new_name(bench: Bench) -> None:
    bench.begin()
    bench.write("a.txt", b"3.12\n3.1")
    bench.look()
    (bench.folder / "a.txt").rename(bench.folder / "b.txt")
    bench.add("b.txt", b"3\n")
    found = bench.look()
    assert lines(found) == [b"3.13"]
    assert "is called b.txt now" in notes(found)
    assert bench.settled() == []


@pytest.mark.parametrize("restart", [False, True], ids=["running", "after a kill"])
@pytest.mark.parametrize("before", [False, True], ids=["taken", "there before"])
def test_a_log_that_is_put_aside_and_begun_anew_is_not_read_again(bench: Bench, restart: bool, before: bool) -> None:
    if before:
        bench.write("log.txt", b"3.12\n3.13\n")
        bench.begin()
    else:
        bench.begin()
        bench.write("log.txt", b"3.12\n3.13\n")
        bench.look()
    (bench.folder / "log.txt").rename(bench.folder / "log-1.txt")
    bench.write("log.txt", b"4.00\n")
    found = bench.settled()
    assert lines(found) == [b"4.00"]
    if restart:
        bench.restart()
    bench.add("log.txt", b"4.01\n")
    assert lines(bench.settled()) == [b"4.01"]


def test_temporary_names_are_waited_for_until_they_are_renamed(bench: Bench) -> None:
    bench.begin()
    for name in ("~a.txt", ".b.txt", "c.txt.part", "d.TMP", "Thumbs.db"):
        bench.write(name, b"3.12\n")
    assert bench.settled() == []
    (bench.folder / "c.txt.part").rename(bench.folder / "c.txt")
    assert lines(bench.look()) == [b"3.12"]
    assert not is_temporary("part.txt")


def test_files_that_come_together_are_taken_in_the_order_they_were_written_and_9_before_10(bench: Bench) -> None:
    bench.begin()
    for name, at in (("r10.txt", 1000), ("r9.txt", 1000), ("r1.txt", 2000), ("r٣.txt", 3000)):
        bench.write(name, name.encode()[:8] + b"\n")
        os.utime(bench.folder / name, (at, at))
    assert [h.origin and h.origin.name for h in bench.look()] == ["r9.txt", "r10.txt", "r1.txt", "r٣.txt"]


def test_a_folder_inside_is_said_once_and_pipes_are_left_alone(bench: Bench) -> None:
    bench.begin()
    (bench.folder / "inside").mkdir()
    os.mkfifo(bench.folder / "fifo")
    assert notes(bench.look()).count("inside: is a folder") == 1
    assert bench.settled() == []


def test_a_folder_that_is_gone_says_so_and_goes_on_without_reading_anything_twice(bench: Bench) -> None:
    bench.begin()
    bench.write("a.txt", b"3.12\n3.")
    bench.look()
    away = bench.folder.with_name("away")
    bench.folder.rename(away)
    for _ in range(3):
        with pytest.raises(FolderGone, match="bring it back"):
            bench.look(SETTLE_S)
    away.rename(bench.folder)
    bench.add("a.txt", b"13\n")
    assert lines(bench.look()) == [b"3.13"]


def test_a_file_that_vanishes_is_said_with_its_tail_and_goes_on_when_it_is_back(bench: Bench) -> None:
    bench.begin()
    bench.write("a.txt", b"3.12\n3.1")
    bench.look()
    (bench.folder / "a.txt").unlink()
    found = bench.settled()
    assert lines(found, Kind.PARTIAL) == [b"3.1"]
    assert "no longer in the folder" in notes(found)
    assert bench.settled() == []
    bench.write("a.txt", b"3.12\n3.13\n")
    assert lines(bench.look()) == [b"3.13"]


@contextlib.contextmanager
def as_nobody() -> Iterator[None]:
    """Be a user who may not read everything; does nothing where the tests are not run as root."""
    if os.geteuid() != 0:
        yield
        return
    os.seteuid(65534)
    try:
        yield
    finally:
        os.seteuid(0)


def test_a_file_that_may_not_be_read_is_said_once_and_taken_when_it_may() -> None:
    with tempfile.TemporaryDirectory() as folder:
        Path(folder).chmod(0o777)
        bench = Bench(Path(folder))
        bench.begin()
        bench.write("a.txt", b"3.12\n")
        (bench.folder / "a.txt").chmod(0)
        with as_nobody():
            found = bench.settled() + bench.settled()
        assert lines(found) == []
        assert notes(found).count("cannot be read") == 1
        (bench.folder / "a.txt").chmod(0o644)
        with as_nobody():
            assert lines(bench.look()) == [b"3.12"]


def test_utf_16_is_said_and_not_taken(bench: Bench) -> None:
    bench.begin()
    bench.write("a.txt", "3.12\r\n".encode("utf-16"))
    found = bench.settled()
    assert lines(found) == []
    assert notes(found).count("UTF-16") == 1
    (seen,) = bench.looks.files()
    assert "UTF-16" in seen.not_taken


def test_room_that_is_made_before_it_is_written_is_not_taken_for_bytes(bench: Bench) -> None:
    bench.begin()
    bench.write("a.txt", b"3.12\n" + bytes(20))
    assert lines(bench.look()) == [b"3.12"]
    bench.write("a.txt", b"3.12\n3.13\n" + bytes(15))
    assert lines(bench.look()) == [b"3.13"]
    found = bench.settled()
    assert lines(found, Kind.PARTIAL) == []
    assert "15 zero bytes" in notes(found)


def test_a_capture_of_ours_gives_each_line_its_own_time(bench: Bench) -> None:
    bench.begin()
    bench.write(
        "a.capture",
        b"# filmtally capture 1\n# a remark\n\n2026-11-03T09:20:07.637Z\t3.32\n2026-11-03T09:20:54Z\t@undo\n3.33\n",
    )
    first, second, third = bench.look()
    assert (first.frame and first.frame.data, first.taken_at and first.taken_at.isoformat()) == (
        b"3.32",
        "2026-11-03T09:20:07.637000+00:00",
    )
    assert second.frame is not None
    assert (second.frame.data, second.taken_at is not None) == (b"@undo", True)
    assert (third.kind, "time and a tab" in third.note) == (Kind.PARTIAL, True)


def test_garbage_without_a_line_end_is_bounded(bench: Bench) -> None:
    bench.begin()
    bench.write("a.bin", b"\xfe" * 5_000_000)
    (tail,) = [h for h in bench.settled() if h.kind is Kind.PARTIAL]
    assert tail.frame is not None
    assert (len(tail.frame.data), tail.frame.length) == (64, 5_000_000)


def test_an_end_of_the_gauges_own_ends_a_line(tmp_path: Path) -> None:
    bench = Bench(tmp_path, b";")
    bench.begin()
    bench.write("a.txt", b"3.12;3.13;\n3.1")
    assert lines(bench.look()) == [b"3.12", b"3.13", b""]


@settings(max_examples=20)
@given(st.data())
def test_however_writes_are_cut_into_looks_and_whenever_it_is_killed_the_lines_are_the_same(
    data: st.DataObject,
) -> None:
    end = data.draw(st.sampled_from([b"\n", b"\r", b"\r\n"]))
    names = ["a.txt", "b.txt", "c.txt"][: data.draw(st.integers(1, 3))]
    wholes = {
        name: b"".join(
            name[:1].encode() + str(n).encode() + text + end
            for n, text in enumerate(data.draw(st.lists(st.sampled_from([b"3.12", b"", b"\xff", b"4"]), max_size=8)))
        )
        for name in names
    }
    written = dict.fromkeys(names, 0)
    with tempfile.TemporaryDirectory() as folder:
        bench = Bench(Path(folder))
        bench.begin()
        while any(written[name] < len(wholes[name]) for name in names):
            name = data.draw(st.sampled_from(names))
            more = data.draw(st.integers(1, 9))
            bench.add(name, wholes[name][written[name] : written[name] + more])
            written[name] = min(len(wholes[name]), written[name] + more)
            if data.draw(st.booleans()):
                bench.look(0.1)
            if data.draw(st.integers(0, 5)) == 0:
                bench.restart()
        bench.settled()
        assert lines(bench.all, Kind.PARTIAL) == []
        for name in names:
            mine = [h.frame.data for h in bench.all if h.origin and h.origin.name == name and h.frame is not None]
            assert mine == wholes[name].split(end)[:-1]


@given(st.binary(max_size=60), st.sampled_from([None, b"\t", b"ab"]))
def test_a_file_is_cut_into_lines_as_a_stream_of_bytes_is(data: bytes, line_end: bytes | None) -> None:
    data = data.translate(bytes.maketrans(b"\x00\x01\x02\x03", b"\r\n\ta")).removeprefix(b"\xff").removeprefix(b"\xfe")
    framer = Framer(16, line_end)
    frames = framer.feed(data)
    tail = framer.close()
    file = GrowingFile("a.txt", 16, line_end, SETTLE_S)
    found = [*file.look(data, 0.0).lines, *file.look(data, SETTLE_S).lines]
    if not data.endswith(b"\0"):
        assert [line.frame for line in found] == frames + ([tail] if tail else [])


@settings(max_examples=25)
@given(st.data())
def test_whatever_is_done_to_a_file_no_line_is_given_that_never_stood_in_it(data: st.DataObject) -> None:
    """Contents follow each other in any order, cut anywhere: each line given is one of some content, whole."""
    some = st.lists(st.sampled_from([b"3.12\n", b"3.13\r\n", b"4\r", b"\n", b"5.01\n"]), max_size=6).map(b"".join)
    file = GrowingFile("a.txt", 64, None, SETTLE_S)
    now_s = 0.0
    possible: set[bytes] = set()
    for content in data.draw(st.lists(some, min_size=1, max_size=6)):
        possible |= set(content.splitlines())
        for cut in sorted(data.draw(st.lists(st.integers(0, len(content)), max_size=4))) + [len(content)] * 3:
            now_s += data.draw(st.sampled_from([0.5, 4.0]))
            for line in file.look(content[:cut], now_s).lines:
                if line.kind is Kind.LINE:
                    assert line.frame.data in possible


def test_two_thousand_readings_in_many_files_are_the_same_through_kills(tmp_path: Path) -> None:
    readings = two_thousand()
    bench = Bench(tmp_path)
    bench.write("old.txt", b"9.99\n")
    bench.begin()
    for number in range(0, 2000, 50):
        name = f"run-{number // 500}.txt"
        block = b"".join(line + b"\r\n" for line in readings[number : number + 50])
        bench.add(name, block[:333])
        bench.look(0.1)
        if number % 300 == 0:
            bench.restart()
        bench.add(name, block[333:])
        bench.look(0.1)
    shutil.copy(tmp_path / "run-0.txt", tmp_path / "run-0 (2).txt")
    bench.settled()
    assert bench.lines() == readings

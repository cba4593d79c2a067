"""Watched folder, file and pipe as live links: real files, FIFOs and writers."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from ingest.links import LIVE
from ingest.links.address import address_of
from ingest.links.item import Item, Kind, Origin
from ingest.links.live import LinkDown, LiveLink, ReadsFiles
from ingest.links.live_file import LiveFile
from ingest.links.pipe import Pipe, SelectWaiting, ThreadWaiting, Waiting
from ingest.links.stream import Stream
from ingest.links.watched_folder import WatchedFolder
from tests.live.readings import PATIENCE_S, PROFILE, got, has, has_lines, lines_of, two_thousand

READINGS = two_thousand()


def whole(end: bytes = b"\r\n") -> bytes:
    return b"".join(line + end for line in READINGS)


@pytest.fixture
def stream() -> Stream:
    return Stream()


@pytest.fixture
def started(stream: Stream) -> Iterator[Callable[[LiveLink], LiveLink]]:
    links: list[LiveLink] = []

    def start(link: LiveLink) -> LiveLink:
        links.append(link)
        link.start(stream)
        return link

    yield start
    for link in links:
        link.close()


def folder_link(folder: Path, settle_s: float = 0.2) -> WatchedFolder:
    return WatchedFolder(address_of(f"folder:{folder}"), PROFILE, poll_s=0.01, settle_s=settle_s)


def dribble(path: Path, data: bytes, size: int = 997) -> threading.Thread:
    """Write *data* in pieces that end in the middle of lines, as a program does that writes its buffer."""

    def run() -> None:
        with path.open("ab", buffering=0) as out:
            for at in range(0, len(data), size):
                out.write(data[at : at + size])
                time.sleep(0.001)

    thread = threading.Thread(target=run)
    thread.start()
    return thread


def origins_of(items: list[Item]) -> dict[str, Origin]:
    return {item.origin.name: item.origin for item in items if item.origin is not None}


@pytest.mark.parametrize("scheme", ["folder", "file", "pipe"])
def test_each_is_made_by_its_address_and_sends_nothing(scheme: str, tmp_path: Path) -> None:
    link = LIVE[scheme](address_of(f"{scheme}:{tmp_path}"), PROFILE)
    assert link.name == f"{scheme}:{tmp_path}"
    assert isinstance(link, ReadsFiles) == (scheme != "pipe")
    with pytest.raises(LinkDown, match="nothing can be sent"):
        link.send(b"R")
    link.close()


def test_two_thousand_readings_through_a_folder_with_a_kill_in_the_middle(
    tmp_path: Path,
) -> None:
    (tmp_path / "old.txt").write_bytes(b"#9999 9.99\r\n")
    first, second = Stream(most_items=20), Stream(most_items=20)
    link = folder_link(tmp_path, settle_s=PATIENCE_S)
    link.start(first)
    items = got(first, has(Kind.UP))
    data = whole()
    writers = []
    for number in range(4):
        block = b"".join(line + b"\r\n" for line in READINGS[number * 500 : number * 500 + 500])
        writers.append(dribble(tmp_path / f"run-{number}.txt", block))
    items += got(first, has_lines(700))
    link.close()  # what is still in the stream was never journaled
    again = folder_link(tmp_path, settle_s=PATIENCE_S)
    again.resume(origins_of(items), next(item.there_before for item in items if item.kind is Kind.UP))
    again.start(second)
    items += got(second, has_lines(1300))
    for writer in writers:
        writer.join()
    again.close()
    assert {seen.path.name for seen in again.files()} == {f"run-{number}.txt" for number in range(4)}
    for number in range(4):
        mine = [i.frame.data for i in items if i.origin and i.origin.name == f"run-{number}.txt" and i.frame]
        assert mine == READINGS[number * 500 : number * 500 + 500]
    assert b"".join(sorted(line + b"\r\n" for line in lines_of(items))) == data
    assert lines_of(items, Kind.PARTIAL) == []


def test_a_folder_that_goes_is_down_and_one_that_comes_back_is_up(
    tmp_path: Path, stream: Stream, started: Callable[[LiveLink], LiveLink]
) -> None:
    folder = tmp_path / "share"
    started(folder_link(folder))
    assert "bring it back" in got(stream, has(Kind.DOWN))[-1].note
    folder.mkdir()
    assert "no files are there already" in got(stream, has(Kind.UP))[-1].note
    (folder / "a.txt").write_bytes(b"3.12\n")
    got(stream, has_lines(1))
    folder.rename(tmp_path / "away")
    got(stream, has(Kind.DOWN))
    (tmp_path / "away").rename(folder)
    assert "is back" in got(stream, has(Kind.UP))[-1].note
    (folder / "b.txt").write_bytes(b"3.13\n")
    assert lines_of(got(stream, has_lines(1))) == [b"3.13"]


def test_closing_a_folder_whose_lines_nobody_takes_returns_and_nothing_counts_as_lost(tmp_path: Path) -> None:
    stream = Stream(most_items=3)
    link = folder_link(tmp_path)
    link.start(stream)
    got(stream, has(Kind.UP))
    (tmp_path / "a.txt").write_bytes(b"1\n2\n3\n4\n5\n")
    items = got(stream, has_lines(1))
    link.close()
    link.close()
    while (item := stream.get(0)) is not None:
        items.append(item)
    assert lines_of(items) == [b"1", b"2", b"3", b"4"][: len(lines_of(items))]
    assert Kind.LOST not in {item.kind for item in items}


def test_two_thousand_readings_through_a_file_and_on_after_a_kill(tmp_path: Path) -> None:
    path = tmp_path / "all.txt"
    path.write_bytes(whole() + b"#2000 3.1")
    first, second = Stream(most_items=50), Stream()
    link = LiveFile(address_of(f"file:{path}"), PROFILE)
    link.start(first)
    items = got(first, has_lines(700))
    link.close()
    again = LiveFile(address_of(f"file:{path}"), PROFILE)
    again.resume(origins_of(items))
    again.start(second)
    items += got(second, has(Kind.END))
    again.close()
    assert lines_of(items) == READINGS
    assert lines_of(items, Kind.PARTIAL) == [b"#2000 3.1"]
    (seen,) = again.files()
    assert (seen.path, seen.taken.end) == (path, path.stat().st_size)


def test_a_file_that_is_not_there_is_down_and_at_its_end(tmp_path: Path, stream: Stream) -> None:
    link = LiveFile(address_of(f"file:{tmp_path / 'none.txt'}"), PROFILE)
    link.start(stream)
    down, end = got(stream, has(Kind.END))
    link.close()
    assert (down.kind, end.kind) == (Kind.DOWN, Kind.END)
    assert "cannot be read" in down.note


def test_a_file_in_utf_16_says_so(tmp_path: Path, stream: Stream) -> None:
    path = tmp_path / "a.txt"
    path.write_bytes("3.12\r\n".encode("utf-16"))
    link = LiveFile(address_of(f"file:{path}"), PROFILE)
    link.start(stream)
    items = got(stream, has(Kind.END))
    link.close()
    assert lines_of(items, *Kind) == []
    assert "UTF-16" in items[1].note


def standard_input(reading: int, waiting: Waiting) -> Pipe:
    return Pipe(address_of("pipe:-"), PROFILE, stdin=reading, waiting=waiting)


@pytest.mark.parametrize("kind", [SelectWaiting, ThreadWaiting])
def test_two_thousand_readings_through_standard_input_and_its_writer_is_held_back(kind: Callable[[], Waiting]) -> None:
    reading, writing = os.pipe()
    stream = Stream(most_items=10)
    link = standard_input(reading, kind())
    link.start(stream)
    data = whole(b"\r")

    def write() -> None:
        with os.fdopen(writing, "wb", buffering=0) as out:
            for at in range(0, len(data), 313):
                out.write(data[at : at + 313])
            out.write(b"#2000 3.1")

    writer = threading.Thread(target=write)
    writer.start()
    items = got(stream, has(Kind.END))
    writer.join()
    link.close()
    os.close(reading)
    assert lines_of(items) == READINGS
    assert lines_of(items, Kind.PARTIAL) == [b"#2000 3.1"]
    assert [item.kind for item in items if item.frame is None] == [Kind.UP, Kind.END]


@pytest.mark.parametrize("kind", [SelectWaiting, ThreadWaiting])
def test_closing_while_a_read_waits_does_not_hang_and_gives_the_tail(kind: Callable[[], Waiting]) -> None:
    reading, writing = os.pipe()
    stream = Stream()
    link = standard_input(reading, kind())
    link.start(stream)
    os.write(writing, b"3.12\n3.1")
    got(stream, has_lines(1))
    link.close()
    link.close()
    rest = stream.get(0)
    assert rest is not None
    assert (rest.kind, rest.frame and rest.frame.data) == (Kind.PARTIAL, b"3.1")
    os.close(writing)
    os.close(reading)


def test_closing_a_pipe_whose_lines_nobody_takes_says_what_is_lost() -> None:
    reading, writing = os.pipe()
    stream = Stream(most_items=2)
    os.write(writing, b"1\n2\n3\n4\n")
    os.close(writing)
    link = standard_input(reading, SelectWaiting())
    link.start(stream)
    items = got(stream, has_lines(1))
    link.close()
    os.close(reading)
    while (item := stream.get(0)) is not None:
        items.append(item)
    given = len(lines_of(items))
    lost = sum(int(item.note.split()[0]) for item in items if item.kind is Kind.LOST)
    assert given + lost == 4


def test_writers_of_a_named_pipe_come_and_go(
    tmp_path: Path, stream: Stream, started: Callable[[LiveLink], LiveLink]
) -> None:
    path = tmp_path / "gauge"
    started(Pipe(address_of(f"pipe:{path}"), PROFILE))
    assert "cannot be opened" in got(stream, has(Kind.DOWN))[-1].note
    os.mkfifo(path)
    got(stream, has(Kind.UP))
    items: list[Item] = []
    for number in range(0, 2000, 500):
        with path.open("wb", buffering=0) as writer:
            writer.write(b"".join(line + b"\n" for line in READINGS[number : number + 500]) + b"#")
        items += got(stream, has(Kind.DOWN))
    assert lines_of(items) == READINGS
    assert lines_of(items, Kind.PARTIAL) == [b"#"] * 4
    assert [item.kind for item in items if item.frame is None] == [Kind.DOWN] + [Kind.UP, Kind.DOWN] * 3


def test_a_writer_that_came_and_went_before_the_pipe_was_opened_again_leaves_no_half_line_to_the_next(
    tmp_path: Path, stream: Stream, started: Callable[[LiveLink], LiveLink], monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "gauge"
    os.mkfifo(path)
    plainly = Pipe._opened
    times = 0

    def opened(self: Pipe, to: Stream, name: Path) -> int | None:
        nonlocal times
        times += 1
        if times == 2:  # the second writer is quicker than the link, which still holds the old end open
            with path.open("wb", buffering=0) as writer:
                writer.write(b"88.4 um\n3")
        return plainly(self, to, name)

    monkeypatch.setattr(Pipe, "_opened", opened)
    started(Pipe(address_of(f"pipe:{path}"), PROFILE))
    got(stream, has(Kind.UP))
    with path.open("wb", buffering=0) as writer:
        writer.write(b"87.1 um\n")
    items = got(stream, has(Kind.PARTIAL))
    assert lines_of(items) == [b"87.1 um", b"88.4 um"]
    assert lines_of(items, Kind.PARTIAL) == [b"3"]
    with path.open("wb", buffering=0) as writer:
        writer.write(b"4.57 um\n")
    assert lines_of(got(stream, has_lines(1))) == [b"4.57 um"]


def test_a_pause_ends_a_line_where_the_profile_says_so() -> None:
    reading, writing = os.pipe()
    stream = Stream()
    profile = PROFILE.model_copy(update={"idle_end_ms": 20})
    link = Pipe(address_of("pipe:-"), profile, stdin=reading)
    link.start(stream)
    os.write(writing, b"3.12")
    assert lines_of(got(stream, has_lines(1))) == [b"3.12"]
    os.write(writing, b"3.13")
    assert lines_of(got(stream, has_lines(1))) == [b"3.13"]
    link.close()
    os.close(writing)
    os.close(reading)

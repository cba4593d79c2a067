"""The one stream of a bench: bounded, and what had no room is said where it is missing."""

from __future__ import annotations

import threading
from datetime import UTC, datetime

from hypothesis import given
from hypothesis import strategies as st

from ingest.framing import Frame
from ingest.links.item import Item, Kind
from ingest.links.stream import Stream
from tests.live.following import lines_of, rest


def put(stream: Stream, link: str, data: bytes) -> bool:
    return stream.put(Kind.LINE, link, Frame(data, len(data)))


def told(items: list[Item]) -> list[str]:
    return [item.frame.data.decode() if item.frame else f"{item.kind}" for item in items]


def test_what_is_lost_is_said_between_the_lines_that_came_before_and_after_it() -> None:
    stream = Stream(most_items=2)
    assert [put(stream, "a", data) for data in (b"1", b"2", b"3", b"4")] == [True, True, False, False]
    assert stream.get(0) is not None
    assert put(stream, "a", b"5")
    items = rest(stream)
    assert told(items) == ["2", "lost", "5"]
    assert items[1].note.startswith("2 lines (2 bytes) came faster than they could be taken and are lost")
    assert [item.seq for item in items] == [2, 3, 4]


def test_what_is_lost_last_is_said_when_all_else_was_taken() -> None:
    stream = Stream(most_items=1)
    assert put(stream, "a", b"1")
    assert not put(stream, "a", b"2")
    stream.close()
    assert told(rest(stream)) == ["1", "lost"]
    assert rest(stream) == []


def test_each_link_is_told_its_own_losses() -> None:
    stream = Stream(most_items=1)
    put(stream, "a", b"1")
    put(stream, "a", b"2")
    put(stream, "b", b"33")
    items = rest(stream)
    assert [(item.link, told([item])[0]) for item in items] == [("a", "1"), ("a", "lost"), ("b", "lost")]
    assert items[2].note.startswith("1 line (2 bytes) came faster than it could be taken and is lost")


def test_what_happens_to_a_link_has_room_in_a_full_stream() -> None:
    stream = Stream(most_items=1)
    put(stream, "a", b"1")
    assert stream.put(Kind.DOWN, "a", note="gone")
    assert told(rest(stream)) == ["1", "down"]


def test_those_who_wait_for_room_are_let_go_when_the_stream_is_closed_and_when_they_shall_not_wait_any_more() -> None:
    for let_go in ("close", "unless"):
        stream = Stream(most_items=1)
        put(stream, "a", b"1")
        stop = threading.Event()
        took: list[bool] = []
        waiting = threading.Thread(
            target=lambda stream=stream, stop=stop, took=took: took.append(  # type: ignore[misc]
                stream.put(Kind.LINE, "a", Frame(b"2", 1), wait=True, unless=stop.is_set)
            )
        )
        waiting.start()
        if let_go == "close":
            stream.close()
        else:
            stop.set()
            stream.wake()
        waiting.join(60)
        assert not waiting.is_alive()
        assert took == [False]
        assert told(rest(stream)) == (["1"] if let_go == "close" else ["1", "lost"])


def test_one_who_waits_for_room_gets_it_when_an_item_is_taken() -> None:
    stream = Stream(most_items=1)
    put(stream, "a", b"1")
    waiting = threading.Thread(target=lambda: stream.put(Kind.LINE, "a", Frame(b"2", 1), wait=True))
    waiting.start()
    assert told([stream.get(60) or Item(kind=Kind.END, link="", seq=0, at=datetime.now(UTC), mono_ns=0)]) == ["1"]
    waiting.join(60)
    assert told(rest(stream)) == ["2"]


def test_the_times_are_those_of_the_clocks_that_are_given() -> None:
    at = datetime(2026, 11, 3, 12, tzinfo=UTC)
    stream = Stream(wall=lambda: at, mono_ns=lambda: 7)
    stream.put(Kind.UP, "a", about={"serial_number": "1"})
    item = stream.get(0)
    assert item is not None
    assert (item.at, item.mono_ns, item.about) == (at, 7, {"serial_number": "1"})


@given(st.lists(st.one_of(st.none(), st.binary(min_size=1, max_size=4)), max_size=60), st.integers(1, 5))
def test_every_line_is_either_handed_on_in_order_or_counted_as_lost(steps: list[bytes | None], room: int) -> None:
    stream = Stream(most_items=room)
    came: list[bytes] = []
    items: list[Item] = []
    for step in steps:  # None takes an item, anything else is a line that comes
        if step is None:
            item = stream.get(0)
            items += [item] if item else []
        else:
            came.append(step)
            put(stream, "a", step)
    items += rest(stream)
    at = 0
    for item in items:
        if item.kind is Kind.LOST:
            at += int(item.note.split()[0])
        else:
            assert lines_of([item]) == [came[at]]
            at += 1
    assert at == len(came)
    assert [item.seq for item in items] == list(range(1, len(items) + 1))

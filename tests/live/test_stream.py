"""The one stream of all links: bounded, in order, and nothing is dropped in silence."""

from __future__ import annotations

import itertools
import threading
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.framing import Frame
from ingest.links.item import Item, Kind, Origin
from ingest.links.stream import Stream
from tests.live.readings import PATIENCE_S


def frame(text: str) -> Frame:
    return Frame(text.encode(), len(text))


def left(stream: Stream) -> list[Item]:
    return list(iter(lambda: stream.get(0), None))


def said(items: list[Item]) -> list[str]:
    return [item.frame.data.decode() if item.frame else item.kind.value for item in items]


class Put(threading.Thread):
    """Puts lines on a thread of its own, and keeps what came of each."""

    def __init__(self, stream: Stream, lines: list[str], link: str = "file:a", **how: object) -> None:
        super().__init__(daemon=True)
        self.stream, self.lines, self.link, self.how = stream, lines, link, how
        self.taken: list[bool] = []
        self.start()

    def run(self) -> None:
        for line in self.lines:
            self.taken.append(self.stream.put(Kind.LINE, self.link, frame(line), wait=True, **self.how))  # type: ignore[arg-type]

    def ended(self) -> bool:
        self.join(PATIENCE_S)
        return not self.is_alive()


def test_items_come_in_the_order_they_were_put_and_each_link_counts_its_own() -> None:
    ticks = itertools.count(1)
    stream = Stream(
        wall=lambda: datetime(2026, 11, 3, tzinfo=UTC) + timedelta(seconds=next(ticks)), mono_ns=lambda: next(ticks)
    )
    stream.put(Kind.UP, "serial:A", about={"serial_number": "7"})
    stream.put(Kind.UP, "ble:B")
    stream.put(Kind.LINE, "serial:A", frame("3.12"), origin=Origin("a.txt", 5, "00"), doubled=True)
    items = left(stream)
    assert [(item.link, item.seq) for item in items] == [("serial:A", 1), ("ble:B", 1), ("serial:A", 2)]
    assert items[0].about == {"serial_number": "7"}
    assert (items[2].origin, items[2].doubled) == (Origin("a.txt", 5, "00"), True)
    assert [item.mono_ns for item in items] == sorted(item.mono_ns for item in items)
    assert all(item.at.tzinfo is UTC for item in items)


def test_what_has_no_room_is_said_in_the_place_where_it_is_missing() -> None:
    stream = Stream(most_items=2)
    taken = [stream.put(Kind.LINE, "serial:A", frame(text)) for text in ("1", "2", "33", "444")]
    assert taken == [True, True, False, False]
    assert said([item for item in (stream.get(0), stream.get(0)) if item]) == ["1", "2"]
    assert stream.put(Kind.LINE, "serial:A", frame("5"))
    lost, five = left(stream)
    assert (lost.kind, lost.seq, five.seq) == (Kind.LOST, 3, 4)
    assert lost.note.startswith("2 lines (5 bytes) ")


def test_what_is_missing_is_said_even_where_nothing_comes_after_it() -> None:
    stream = Stream(most_items=1)
    stream.put(Kind.LINE, "serial:A", frame("1"))
    stream.put(Kind.LINE, "serial:A", frame("2"))
    assert said(left(stream)) == ["1", "lost"]
    assert stream.get(0) is None


def test_a_link_that_loses_lines_says_so_before_it_says_that_it_went() -> None:
    stream = Stream(most_items=1)
    for text in ("1", "2"):
        stream.put(Kind.LINE, "serial:A", frame(text))
    assert stream.put(Kind.DOWN, "serial:A", note="cable")
    assert said(left(stream)) == ["1", "lost", "down"]


def test_what_happens_to_a_link_always_has_room() -> None:
    stream = Stream(most_items=1)
    stream.put(Kind.LINE, "serial:A", frame("1"))
    assert all(stream.put(kind, "serial:A") for kind in (Kind.DOWN, Kind.UP, Kind.NO_ANSWER, Kind.END))


def test_each_link_loses_its_own_and_the_other_nothing() -> None:
    stream = Stream(most_items=2)
    for link, text in (("serial:A", "a1"), ("ble:B", "b1"), ("serial:A", "a2"), ("ble:B", "b2"), ("ble:B", "b3")):
        stream.put(Kind.LINE, link, frame(text))
    assert said([item for item in (stream.get(0), stream.get(0)) if item]) == ["a1", "b1"]
    stream.put(Kind.LINE, "ble:B", frame("b4"))
    items = left(stream)
    assert [(item.link, item.kind) for item in items] == [
        ("ble:B", Kind.LOST),
        ("ble:B", Kind.LINE),
        ("serial:A", Kind.LOST),
    ]
    assert [item.note[:7] for item in items] == ["2 lines", "", "1 line "]


def test_a_link_that_waits_for_room_loses_nothing_and_keeps_its_order() -> None:
    stream = Stream(most_items=3)
    lines = [str(number) for number in range(500)]
    put = Put(stream, lines)
    items = [stream.get(PATIENCE_S) for _ in lines]
    assert said([item for item in items if item]) == lines
    assert put.ended()
    assert all(put.taken)


def test_two_links_that_wait_each_keep_their_order() -> None:
    stream = Stream(most_items=2)
    lines = [str(number) for number in range(300)]
    puts = [Put(stream, lines, link) for link in ("file:a", "file:b")]
    items = [item for item in (stream.get(PATIENCE_S) for _ in range(600)) if item]
    assert all(put.ended() for put in puts)
    for link in ("file:a", "file:b"):
        assert said([item for item in items if item.link == link]) == lines


@pytest.mark.parametrize("how", ["closed", "told"])
def test_a_link_that_waits_is_let_go(how: str) -> None:
    stream = Stream(most_items=1)
    leaving = threading.Event()
    waits = threading.Event()

    def unless() -> bool:
        waits.set()
        return leaving.is_set()

    put = Put(stream, ["1", "22", "333"], unless=unless)
    assert waits.wait(PATIENCE_S)
    if how == "closed":
        stream.close()
    else:
        leaving.set()
        stream.wake()
    assert put.ended()
    assert put.taken == [True, False, False]
    items = left(stream)
    # Who closes the stream wants nothing more; who is told to leave has lost what it held.
    assert said(items) == (["1"] if how == "closed" else ["1", "lost"])


def test_a_line_that_a_file_still_has_is_not_lost_when_its_link_is_told_to_leave() -> None:
    stream = Stream(most_items=1)
    origin = Origin("a.txt", 2, "00")
    assert stream.put(Kind.LINE, "file:a", frame("1"), origin=origin, wait=True, unless=lambda: True)
    assert not stream.put(Kind.LINE, "file:a", frame("2"), origin=origin, wait=True, unless=lambda: True)
    assert said(left(stream)) == ["1"]


def test_closing_takes_nothing_more_and_gives_what_is_there() -> None:
    stream = Stream()
    stream.put(Kind.LINE, "serial:A", frame("1"))
    stream.close()
    assert not stream.put(Kind.LINE, "serial:A", frame("2"))
    assert not stream.put(Kind.END, "serial:A")
    assert said(left(stream)) == ["1"]
    assert stream.get() is None  # does not wait: nothing can come any more


def test_getting_waits_until_something_comes_and_no_longer_than_it_was_told() -> None:
    stream = Stream()
    assert stream.get(0.01) is None
    begun = threading.Event()
    found: list[Item | None] = []

    def get() -> None:
        begun.set()
        found.append(stream.get())

    reader = threading.Thread(target=get, daemon=True)
    reader.start()
    assert begun.wait(PATIENCE_S)
    stream.put(Kind.LINE, "keys", frame("3.12"))
    reader.join(PATIENCE_S)
    assert said([item for item in found if item]) == ["3.12"]


Step = tuple[str, str]


@given(
    st.integers(1, 4),
    st.lists(
        st.tuples(st.sampled_from(["put", "put", "put", "get", "down"]), st.sampled_from(["A", "B"])), max_size=60
    ),
)
def test_every_line_is_either_handed_on_in_order_or_counted_where_it_is_missing(most: int, steps: list[Step]) -> None:
    stream = Stream(most_items=most)
    put: dict[str, list[str]] = {"A": [], "B": []}
    items: list[Item] = []
    for what, link in steps:
        if what == "put":
            text = f"{len(put[link])}"
            put[link].append(text)
            stream.put(Kind.LINE, link, frame(text))
        elif what == "down":
            stream.put(Kind.DOWN, link)
        elif (item := stream.get(0)) is not None:
            items.append(item)
    items += left(stream)
    for link, texts in put.items():
        mine = [item for item in items if item.link == link]
        assert [item.seq for item in mine] == list(range(1, len(mine) + 1))
        at = 0
        for item in mine:
            if item.kind is Kind.LINE:
                assert item.frame is not None
                assert item.frame.data.decode() == texts[at]
                at += 1
            elif item.kind is Kind.LOST:
                at += int(item.note.split()[0])
        assert at == len(texts)

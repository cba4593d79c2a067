"""Gauges that answer when they are asked: answered, unanswered, crossed by lines that nobody asked for, link down."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest

from ingest.links import live_link
from ingest.links.address import address_of
from ingest.links.asking import Requester
from ingest.links.item import Item, Kind
from ingest.links.stream import Stream
from schemas.errors import BadInput
from schemas.transport import Request
from tests.live.following import followed, lines_of, profile, quick_link, rest, until, until_kind, wait_until
from tests.live.pty_gauge import PtyGauge
from tests.live.test_same_readings import WAYS, gauge_on


class Answers:
    """Answers each request with what is next in *lines*; None stays silent."""

    def __init__(self, *lines: bytes | None) -> None:
        self._lines = list(lines)
        self.requests = 0

    def __call__(self, heard: bytes) -> bytes:
        self.requests += heard.count(b"?")
        return b"".join(line + b"\r\n" for _ in range(heard.count(b"?")) if (line := self._next()) is not None)

    def _next(self) -> bytes | None:
        return self._lines.pop(0) if self._lines else None


def asked(address: str, **changes: object) -> Requester:
    plain: dict[str, object] = {"text": "?", "timeout_s": "0.2"}
    return Requester(quick_link(address), Request.model_validate(plain | changes))


def kinds(items: list[Item]) -> list[Kind]:
    return [item.kind for item in items]


@pytest.mark.parametrize("way", WAYS)
def test_a_key_press_sends_the_request_and_the_answer_is_a_line_like_any_other(way: str, tmp_path: Path) -> None:
    with gauge_on(way, tmp_path, answer=Answers(b"3.12 mil", b"3.14 mil")) as gauge:
        link = asked(gauge.address, timeout_s=60)
        with followed(link) as stream:
            until_kind(stream, Kind.UP)
            for line in (b"3.12 mil", b"3.14 mil"):
                assert link.ask()
                items = until_kind(stream, Kind.LINE)
                assert (lines_of(items), kinds(items), items[0].note) == ([line], [Kind.LINE], "")
        assert bytes(gauge.heard) == b"??"


def test_bytes_are_sent_as_the_profile_writes_them_in_hex(tmp_path: Path) -> None:
    with PtyGauge(tmp_path) as gauge:
        link = asked(gauge.address, text=None, hex="02 FF 00 03")
        with followed(link) as stream:
            until_kind(stream, Kind.UP)
            assert link.ask()
            wait_until(lambda: bytes(gauge.heard) == b"\x02\xff\x00\x03", "the request as bytes")


def test_what_is_not_answered_in_time_is_said_and_the_next_request_is_answered(tmp_path: Path) -> None:
    with PtyGauge(tmp_path, answer=Answers(None, b"3.14 mil")) as gauge:
        link = asked(gauge.address)
        with followed(link) as stream:
            until_kind(stream, Kind.UP)
            assert link.ask()
            items = until_kind(stream, Kind.NO_ANSWER)
            assert items[-1].note == (
                "the gauge did not answer within 0.2 s; look whether the gauge is switched on and can send, then ask again"
            )
            assert items[-1].link == gauge.address
            assert link.ask()
            assert lines_of(until_kind(stream, Kind.LINE)) == [b"3.14 mil"]


def test_lines_that_nobody_asked_for_stay_in_the_stream_and_answer_nothing(tmp_path: Path) -> None:
    answers = Answers(None, b"3.12 mil")
    with PtyGauge(tmp_path, answer=answers) as gauge:
        link = asked(gauge.address, answer=r"[0-9.]+ mil", timeout_s="0.5")
        with followed(link) as stream:
            until_kind(stream, Kind.UP)
            assert link.ask()
            wait_until(lambda: answers.requests == 1, "the request")
            gauge.write([b"BATTERY LOW", b""])
            items = until_kind(stream, Kind.NO_ANSWER)
            assert lines_of(items) == [b"BATTERY LOW", b""]
            gauge.write([b"BATTERY LOW"])
            assert link.ask()
            items = until(stream, lambda item: lines_of([item]) == [b"3.12 mil"])
            assert lines_of(items) == [b"BATTERY LOW", b"3.12 mil"]
            assert link.ask()  # the one before has been answered


def test_an_echo_and_an_empty_line_are_no_answer(tmp_path: Path) -> None:
    answers = Answers(b"?\r\n")
    with PtyGauge(tmp_path, answer=answers) as gauge:
        link = asked(gauge.address)
        with followed(link) as stream:
            until_kind(stream, Kind.UP)
            assert link.ask()
            items = until_kind(stream, Kind.NO_ANSWER)
            assert lines_of(items) == [b"?", b""]


def test_one_request_is_under_way_at_a_time(tmp_path: Path) -> None:
    answers = Answers(None)
    with PtyGauge(tmp_path, answer=answers) as gauge:
        link = asked(gauge.address, timeout_s=60)
        with followed(link) as stream:
            until_kind(stream, Kind.UP)
            assert link.ask()
            wait_until(lambda: answers.requests == 1, "the request")
            assert not link.ask()
            gauge.write([b"3.12 mil"])
            until_kind(stream, Kind.LINE)
            assert link.ask()
            wait_until(lambda: answers.requests == 2, "the second request")
        assert bytes(gauge.heard) == b"??"


def test_a_request_while_the_link_is_down_says_so_in_one_item(tmp_path: Path) -> None:
    link = asked(f"serial:{tmp_path / 'gauge'}")
    with followed(link) as stream:
        until_kind(stream, Kind.DOWN)
        assert link.ask()
        item = until_kind(stream, Kind.NO_ANSWER)[-1]
        assert item.note.startswith(f"the gauge was not asked: {tmp_path / 'gauge'} is not there; plug the gauge in")
        assert rest(stream) == []


def test_a_link_that_goes_while_an_answer_is_waited_for_is_said(tmp_path: Path) -> None:
    answers = Answers(None)
    with PtyGauge(tmp_path, answer=answers) as gauge:
        link = asked(gauge.address, timeout_s=60)
        with followed(link) as stream:
            until_kind(stream, Kind.UP)
            assert link.ask()
            wait_until(lambda: answers.requests == 1, "the request")
            wait_until(lambda: link._deadline_s is not None, "the request to be sent")
            gauge.unplug()
            items = until_kind(stream, Kind.NO_ANSWER)
            assert kinds(items) == [Kind.DOWN, Kind.NO_ANSWER]
            assert "before the gauge had answered" in items[-1].note


def test_requests_at_an_interval_go_on_pause_while_the_link_is_down_and_go_on_again(tmp_path: Path) -> None:
    answers = Answers(*[b"%d.00 mil" % n for n in range(1, 10_000)])
    with PtyGauge(tmp_path, answer=answers) as gauge:
        link = asked(gauge.address, on="interval", every_s="0.05", timeout_s=60)
        with followed(link) as stream:
            items = until_kind(stream, Kind.LINE, 3)
            gauge.unplug()
            items += until_kind(stream, Kind.DOWN)
            before = answers.requests
            paused = threading.Event()
            paused.wait(0.2)  # several times the interval: requests would be said to fail
            between = rest(stream)  # at most the one that was under way when the cable was pulled
            assert kinds(between) in ([], [Kind.NO_ANSWER])
            assert answers.requests == before
            gauge.replug()
            items += until_kind(stream, Kind.LINE, 3)
    read = lines_of(items)
    assert read == [b"%d.00 mil" % n for n in range(1, len(read) + 1)]
    assert all(item.note == "" for item in items if item.kind is Kind.LINE)  # what was asked for has its beginning


def test_a_gauge_that_stays_silent_at_an_interval_is_said_once_until_it_answers_again(tmp_path: Path) -> None:
    answers = Answers(None, None, None, b"3.12 mil", None, None)
    with PtyGauge(tmp_path, answer=answers) as gauge:
        link = asked(gauge.address, on="interval", every_s="0.05", timeout_s="0.05")
        with followed(link) as stream:
            first = until_kind(stream, Kind.LINE)
            second = until_kind(stream, Kind.NO_ANSWER)
            wait_until(lambda: answers.requests >= 8, "more requests")
            after = rest(stream)
    assert kinds(first) == [Kind.UP, Kind.NO_ANSWER, Kind.LINE]
    assert "asking goes on, and this is said once" in second[-1].note
    assert kinds(second) == [Kind.NO_ANSWER]
    assert after == []


def test_an_answer_is_one_although_nobody_takes_the_items(tmp_path: Path) -> None:
    answers = Answers(b"1.00 mil", b"2.00 mil", b"3.00 mil")
    with PtyGauge(tmp_path, answer=answers) as gauge:
        link = asked(gauge.address, timeout_s=60)
        with followed(link, Stream(most_items=1)) as stream:
            until_kind(stream, Kind.UP)
            for n in (1, 2, 3):
                wait_until(link.ask, "the answer before, for which there may be no room")
                wait_until(lambda n=n: answers.requests == n, "the request")  # type: ignore[misc]


def test_a_link_comes_with_requests_where_the_profile_has_one() -> None:
    plain = live_link(address_of("COM3"), profile())
    asking = live_link(address_of("COM3"), profile(request={"text": "?"}))
    assert not hasattr(plain, "ask")
    assert isinstance(asking, Requester)
    assert asking.name == "serial:COM3"


@pytest.mark.parametrize("address", ["file:readings.txt", "keys"])
def test_a_link_over_which_nothing_can_be_asked_is_refused_in_a_sentence(address: str) -> None:
    with pytest.raises(BadInput, match="cannot be asked over this link|is no live link"):
        live_link(address_of(address), profile(request={"text": "?"}))

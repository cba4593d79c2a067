"""The same 2,000 readings through a serial line, a socket and RFC 2217, also with the cable pulled in the middle of a line."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from ingest.links.item import Kind
from tests.live.following import followed, lines_of, profile, quick_link, rest, until, until_kind
from tests.live.pty_gauge import PtyGauge
from tests.live.rfc2217_gauge import Rfc2217Gauge
from tests.live.socket_gauge import SocketGauge

WAYS = ["serial", "socket", "rfc2217"]
READINGS = [f"{n:04d} {random.Random(n).randrange(150, 650) / 100:.2f} mil".encode() for n in range(2000)]


def gauge_on(way: str, folder: Path, **options: object) -> PtyGauge | SocketGauge | Rfc2217Gauge:
    if way == "serial":
        return PtyGauge(folder, **options)  # type: ignore[arg-type]
    return {"socket": SocketGauge, "rfc2217": Rfc2217Gauge}[way](**options)  # type: ignore[arg-type]


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("end", [b"\r\n", b"\r", b"\n"], ids=["CRLF", "CR", "LF"])
def test_every_line_comes_byte_for_byte_and_in_order(way: str, end: bytes, tmp_path: Path) -> None:
    with gauge_on(way, tmp_path, end=end) as gauge, followed(quick_link(gauge.address)) as stream:
        until_kind(stream, Kind.UP)
        gauge.write(READINGS)
        items = until_kind(stream, Kind.LINE, len(READINGS))
        assert lines_of(items) == READINGS
        assert {item.kind for item in items} == {Kind.LINE}
        assert [item.seq for item in items] == list(range(2, len(READINGS) + 2))
        assert {item.link for item in items} == {gauge.address}
        assert rest(stream) == []


@pytest.mark.parametrize("way", WAYS)
def test_a_cable_pulled_within_a_line_costs_that_line_alone_and_its_tail_is_kept_apart(
    way: str, tmp_path: Path
) -> None:
    with gauge_on(way, tmp_path) as gauge, followed(quick_link(gauge.address)) as stream:
        until_kind(stream, Kind.UP)
        gauge.write(READINGS[:1000])
        gauge.write(READINGS[1000][:7])
        gauge.unplug()
        first = until_kind(stream, Kind.DOWN)
        assert [item.kind for item in first[-2:]] == [Kind.PARTIAL, Kind.DOWN]
        gauge.replug()
        second = until_kind(stream, Kind.UP)
        gauge.write(READINGS[1000:])
        second += until_kind(stream, Kind.LINE, 1000)
        assert lines_of(first) + lines_of(second) == READINGS
        assert lines_of(first, Kind.PARTIAL) == [READINGS[1000][:7]]
        assert not any(item.frame.ended for item in first if item.kind is Kind.PARTIAL and item.frame)
        assert lines_of(second, Kind.PARTIAL) == []


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize(("baud", "faster"), [(9600, 60.0), (115_200, 6.0), (921_600, 1.0)])
def test_lines_that_come_at_the_pace_of_a_serial_line_are_cut_alike(
    way: str, baud: int, faster: float, tmp_path: Path
) -> None:
    with (
        gauge_on(way, tmp_path, baud=baud, faster=faster) as gauge,
        followed(quick_link(gauge.address, profile(serial={"baud": baud}))) as stream,
    ):
        until_kind(stream, Kind.UP)
        gauge.write(READINGS[:500])
        assert lines_of(until_kind(stream, Kind.LINE, 500)) == READINGS[:500]


@pytest.mark.parametrize("way", WAYS)
def test_garbage_comes_through_as_it_is_and_the_next_line_is_whole(way: str, tmp_path: Path) -> None:
    every_byte = bytes(set(range(256)) - set(b"\r\n"))
    with gauge_on(way, tmp_path) as gauge, followed(quick_link(gauge.address, profile(max_line_bytes=300))) as stream:
        until_kind(stream, Kind.UP)
        gauge.write([b"\x00\xff\xff\x00", every_byte, b"\xff" * 5000, b"3.12 mil"])
        items = until(stream, lambda item: item.frame is not None and item.frame.data == b"3.12 mil")
        assert lines_of(items) == [b"\x00\xff\xff\x00", every_byte, b"\xff" * 300, b"3.12 mil"]
        overlong = items[2].frame
        assert overlong is not None
        assert (overlong.overlong, overlong.length) == (True, 5000)

"""The Bluetooth link over bumble's virtual radio link: real ATT bytes and a second opinion beside BlueZ."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from ingest.links.address import address_of
from ingest.links.bluetooth import BluetoothLink, Patience, scan
from ingest.links.item import Kind
from schemas.profile import Profile
from tests.live.bluez_gauge import DESCRIBED_LAYOUT, MEASUREMENT_LAYOUT, OWN_VALUE, sig
from tests.live.bumble_gauge import BumbleGauge
from tests.live.listening import listening, readings, take, take_kind, take_lines

QUICK = Patience(search_s=5, settle_s=0.2, waits_s=(0.02, 0.05))


def _profile(**bluetooth: Any) -> Profile:
    text = {"reading": "(?P<thickness>.+)", "unit": "um"}
    how = {"form": "characteristic"} if bluetooth.get("form", "uart") != "uart" else text
    return Profile.model_validate({"title": "Bench gauge", **how, "bluetooth": bluetooth})


def _link(gauge: BumbleGauge, profile: Profile | None = None, address: str = "") -> BluetoothLink:
    return BluetoothLink(
        address_of(address or f"ble:{gauge.address}"),
        profile or _profile(),
        client_backend=gauge.client_backend,
        scanner_backend=gauge.scanner_backend,
        patience=QUICK,
    )


@pytest.fixture
def gauge() -> Iterator[BumbleGauge]:
    return BumbleGauge()


def test_a_gauge_is_found_by_its_name_and_says_who_it_is(gauge: BumbleGauge) -> None:
    with listening(_link(gauge, address="ble:name=Gauge MK")) as stream:
        about = take_kind(stream, Kind.UP).about
    assert about["serial_number"] == "MK-00417"
    assert about["battery_percent"] == "87"
    assert gauge.mtus == [247]


def test_2000_readings_come_byte_for_byte_with_a_drop_in_the_middle(gauge: BumbleGauge) -> None:
    sent = readings(2000)
    with listening(_link(gauge, _profile(doubled_within_ms=0))) as stream:
        gauge.notify([line + b"\r\n" for line in sent[:900]])
        gauge.drop()
        gauge.notify([line + b"\r\n" for line in sent[900:]])
        assert take_lines(stream, len(sent)) == sent
    assert gauge.connections == 2


def test_the_tail_of_a_line_is_never_glued_to_what_comes_after_the_drop(gauge: BumbleGauge) -> None:
    with listening(_link(gauge)) as stream:
        gauge.notify([b"79.2 um\r\n79."])
        gauge.drop()
        gauge.notify([b"81.0 um\r\n"])
        items = [take(stream) for _ in range(6)]
    assert [item.kind for item in items] == [Kind.UP, Kind.LINE, Kind.PARTIAL, Kind.DOWN, Kind.UP, Kind.LINE]
    assert [item.frame.data for item in items if item.frame] == [b"79.2 um", b"79.", b"81.0 um"]


def test_a_gauge_refuses_vanishes_and_comes_back(gauge: BumbleGauge) -> None:
    gauge.refuse(3)
    with listening(_link(gauge)) as stream:
        assert "refused" in take_kind(stream, Kind.DOWN).note
        take_kind(stream, Kind.UP)
        gauge.vanish()
        assert "is lost" in take_kind(stream, Kind.DOWN).note
        gauge.appear()
        take_kind(stream, Kind.UP)
    assert gauge.connections == 2


def test_a_length_that_is_indicated_is_a_line() -> None:
    gauge = BumbleGauge(MEASUREMENT_LAYOUT)
    with listening(_link(gauge, _profile(form="measurement"))) as stream:
        gauge.notify([bytes.fromhex("d2040000"), bytes.fromhex("ffffffff")])
        assert take_lines(stream, 2) == [b"2C0A d2040000", b"2C0A ffffffff"]


def test_a_described_value_brings_its_description_along() -> None:
    gauge = BumbleGauge(DESCRIBED_LAYOUT)
    with listening(_link(gauge, _profile(form="described", notify=OWN_VALUE))) as stream:
        gauge.notify([bytes.fromhex("18030000")])
        assert take_lines(stream, 1) == [OWN_VALUE.encode() + b" 10f90127010000 18030000"]


def test_a_request_is_sent_in_pieces_that_fit(gauge: BumbleGauge) -> None:
    link = _link(gauge)
    with listening(link) as stream:
        take_kind(stream, Kind.UP)
        link.send(bytes(300))
        assert [len(data) for data in gauge.written] == [244, 56]


def test_each_of_12_drops_is_one_outage(gauge: BumbleGauge) -> None:
    with listening(_link(gauge)) as stream:
        take_kind(stream, Kind.UP)
        for number in range(12):
            gauge.notify([b"%d\r\n" % number])
            gauge.drop()
            assert take_lines(stream, 1) == [b"%d" % number]
            take_kind(stream, Kind.DOWN)
            take_kind(stream, Kind.UP)


def test_it_is_listed_with_the_form_that_fits(gauge: BumbleGauge) -> None:
    (found,) = scan(0.3, scanner_backend=gauge.scanner_backend)
    assert (found.name, found.form, found.address) == ("Gauge MK", "uart", gauge.address)
    assert sig(0x180A) not in found.services

"""What of the Bluetooth link is pure: suspected doubles, addresses, sentences."""

from __future__ import annotations

import pytest
from bleak.exc import (
    BleakBluetoothNotAvailableError,
    BleakBluetoothNotAvailableReason,
    BleakCharacteristicNotFoundError,
    BleakDBusError,
    BleakDeviceNotFoundError,
    BleakError,
    BleakGATTProtocolError,
)
from hypothesis import given
from hypothesis import strategies as st

from ingest.framing import Framer
from ingest.links.address import address_of
from ingest.links.bluetooth_address import Wanted, wanted_by
from ingest.links.bluetooth_faults import sentence_of
from ingest.links.doubles import DoubleMarker
from schemas.errors import BadInput

MS = 1_000_000


def _marked(pieces: list[tuple[bytes, int]], within_ms: int = 5) -> list[tuple[bytes, bool]]:
    marker = DoubleMarker(Framer(1024), within_ms)
    return [(line.frame.data, line.doubled) for piece, at_ms in pieces for line in marker.feed(piece, at_ms * MS)]


def test_a_line_that_comes_again_at_once_is_marked_and_one_that_comes_later_is_not() -> None:
    assert _marked([(b"50\r", 0), (b"50\r", 1), (b"50\r", 100), (b"51\r", 101)]) == [
        (b"50", False),
        (b"50", True),
        (b"50", False),
        (b"51", False),
    ]


def test_a_line_with_a_piece_that_came_twice_is_marked_and_the_next_is_not() -> None:
    assert _marked([(b"50", 0), (b"50", 1), (b"51\r", 2), (b"51", 50), (b"51\r", 51)]) == [
        (b"505051", True),
        (b"5151", False),
    ]


def test_a_long_line_that_comes_twice_piece_after_piece_is_marked() -> None:
    assert _marked([(b"one and ", 0), (b"two\r", 1), (b"one and ", 2), (b"two\r", 3)]) == [
        (b"one and two", False),
        (b"one and two", True),
    ]


def test_alike_lines_in_one_piece_are_no_doubles() -> None:
    assert _marked([(b"50\r50\r50\r", 0)]) == [(b"50", False)] * 3


def test_nothing_is_marked_where_the_profile_says_so() -> None:
    assert _marked([(b"50\r", 0), (b"50\r", 0)], within_ms=0) == [(b"50", False)] * 2


@given(st.lists(st.tuples(st.binary(max_size=8), st.integers(0, 8)), max_size=30))
def test_marking_never_changes_a_line(pieces: list[tuple[bytes, int]]) -> None:
    plain, marker = Framer(1024), DoubleMarker(Framer(1024), 5)
    at_ms = 0
    for piece, later_ms in pieces:
        at_ms += later_ms
        assert [line.frame for line in marker.feed(piece, at_ms * MS)] == plain.feed(piece)
        assert marker.holds_a_tail == plain.holds_a_tail
    rest = marker.close()
    assert (rest.frame if rest else None) == plain.close()


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("ble:c0:ff:ee:00:00:01", Wanted("C0:FF:EE:00:00:01", None)),
        ("ble:C0:FF:EE:00:00:01,adapter=hci1", Wanted("C0:FF:EE:00:00:01", None, "hci1")),
        ("ble:name=Gauge, old one,adapter=hci0", Wanted(None, "Gauge, old one", "hci0")),
        ("ble:9f2c1a3e-0000-4a4a-8b8b-0123456789ab", Wanted("9F2C1A3E-0000-4A4A-8B8B-0123456789AB", None)),
    ],
)
def test_an_address_says_which_gauge_and_which_adapter(text: str, wanted: Wanted) -> None:
    assert wanted_by(address_of(text)) == wanted


@pytest.mark.parametrize("text", ["ble:Gauge", "ble:C0:FF:EE:00:00", "ble:name=", "ble:name= ,adapter=hci0"])
def test_an_address_that_names_no_gauge_is_refused_with_the_ways_to_write_it(text: str) -> None:
    with pytest.raises(BadInput, match="ble:name=NAME"):
        wanted_by(address_of(text))


def test_a_gauge_is_known_by_its_name_whatever_its_case() -> None:
    assert Wanted(None, "gauge mk").fits("any", "Gauge MK ")
    assert not Wanted(None, "gauge mk").fits("any", None)
    assert Wanted("C0:FF:EE:00:00:01", None).fits("c0:ff:ee:00:00:01", None)


_NOT_AVAILABLE = [
    (reason, "switched off" if reason.name == "POWERED_OFF" else "privacy" if "DENIED" in reason.name else "plug in")
    for reason in BleakBluetoothNotAvailableReason
]


@pytest.mark.parametrize(
    ("fault", "says"),
    [
        *((BleakBluetoothNotAvailableError("no", reason), says) for reason, says in _NOT_AVAILABLE),
        (BleakDeviceNotFoundError("x", "gone"), "is it switched on and near"),
        (BleakError("device 'dev_C0' not found"), "is it switched on and near"),
        (BleakError("adapter 'hci7' not found"), "no Bluetooth adapter hci7"),
        (BleakError("failed to discover services, device disconnected"), "is lost"),
        (BleakGATTProtocolError(0x05), "wants to be paired"),
        (BleakGATTProtocolError(0x0F), "wants to be paired"),
        (BleakGATTProtocolError(0xE7), "failed"),
        (BleakDBusError("org.bluez.Error.InProgress", ["Operation already in progress"]), "is held by another"),
        (BleakDBusError("org.bluez.Error.Failed", ["le-connection-abort-by-peer"]), "le-connection-abort-by-peer"),
        (BleakDBusError("org.freedesktop.DBus.Error.ServiceUnknown", ["no"]), "service does not run"),
        (BleakDBusError("org.freedesktop.DBus.Error.AccessDenied", []), "privacy"),
        (BleakCharacteristicNotFoundError("2a19"), "2a19"),
        (TimeoutError(), "does not answer"),
        (FileNotFoundError(2, "no bus"), "service does not run"),
        (EOFError(), "service does not run"),
        (KeyError("Roles"), "KeyError"),
    ],
)
def test_every_fault_is_one_sentence(fault: Exception, says: str) -> None:
    sentence = sentence_of(fault, "'Gauge MK'", "hci7")
    assert says in sentence
    assert "\n" not in sentence

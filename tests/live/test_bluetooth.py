"""The Bluetooth link over the real BlueZ backend of bleak, against a gauge behind a simulated org.bluez."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from ingest.decoding import DecodedReading, LineDecoder, NotAReading
from ingest.links import LIVE
from ingest.links.address import address_of
from ingest.links.bluetooth import BluetoothLink, Patience, scan
from ingest.links.item import Kind
from ingest.links.live import LinkDown
from schemas.errors import BadInput
from schemas.profile import Profile
from tests.live.bluez_gauge import (
    DESCRIBED_LAYOUT,
    MEASUREMENT_LAYOUT,
    OWN_VALUE,
    UART_LAYOUT,
    BluezGauge,
    sig,
    unique_address,
)
from tests.live.listening import eventually, listening, readings, rest, take, take_kind, take_lines

pytestmark = pytest.mark.skipif(
    sys.platform != "linux" or shutil.which("dbus-daemon") is None,
    reason="needs Linux with dbus-daemon (apt install dbus)",
)

QUICK = Patience(search_s=5, settle_s=0.2, waits_s=(0.02, 0.05), late_s=0.1)
ROOT = Path(__file__).parents[2]


def _profile(**bluetooth: Any) -> Profile:
    text = {"reading": "(?P<thickness>.+)", "unit": "um"}
    how = {"form": "characteristic"} if bluetooth.get("form", "uart") != "uart" else text
    return Profile.model_validate({"title": "Bench gauge", **how, "bluetooth": bluetooth})


def _link(gauge: BluezGauge, profile: Profile | None = None, address: str = "") -> BluetoothLink:
    return BluetoothLink(address_of(address or f"ble:{gauge.address}"), profile or _profile(), patience=QUICK)


@pytest.fixture
def gauge() -> Iterator[BluezGauge]:
    with BluezGauge() as made:
        yield made


def test_a_gauge_is_found_by_its_name_among_others_and_says_who_it_is(gauge: BluezGauge) -> None:
    with listening(_link(gauge, address="ble:name=gauge mk")) as stream:
        up = take_kind(stream, Kind.UP)
    assert up.about == {
        "serial_number": "MK-00417",
        "model": "Bench gauge",
        "manufacturer": "Harbour Row Instruments",
        "firmware": "1.4.2",
        "battery_percent": "87",
    }
    assert gauge.state()["connected"] is False


def test_the_dict_of_live_links_makes_it(gauge: BluezGauge) -> None:
    with listening(LIVE["ble"](address_of(f"ble:{gauge.address.lower()}"), _profile())) as stream:
        assert take_kind(stream, Kind.UP).link == f"ble:{gauge.address.lower()}"


def test_a_gauge_that_says_nothing_of_itself_is_taken_all_the_same() -> None:
    with BluezGauge(UART_LAYOUT[:1]) as gauge, listening(_link(gauge)) as stream:
        assert take_kind(stream, Kind.UP).about == {}
        gauge.notify([b"79.2\r\n"])
        assert take_lines(stream, 1) == [b"79.2"]


@pytest.mark.parametrize("subscribe", ["start-notify", "acquire-notify"])
def test_2000_readings_come_byte_for_byte_with_a_drop_in_the_middle(subscribe: str, gauge: BluezGauge) -> None:
    sent = readings(2000)
    with listening(_link(gauge, _profile(subscribe=subscribe, doubled_within_ms=0))) as stream:
        gauge.notify([line + b"\r\n" for line in sent[:900]], pace_s=0)
        gauge.drop()
        gauge.notify([line + b"\r\n" for line in sent[900:]], pace_s=0)
        kinds = []
        lines = []
        while len(lines) < len(sent):
            item = take(stream)
            if item.frame is not None:
                assert item.kind is Kind.LINE
                assert item.doubled is False
                lines.append(item.frame.data)
            else:
                kinds.append((item.kind, len(lines)))
    assert lines == sent
    assert kinds == [(Kind.UP, 0), (Kind.DOWN, 900), (Kind.UP, 900)]
    assert gauge.state()["connections"] == 2


@pytest.mark.parametrize("subscribe", ["start-notify", "acquire-notify"])
def test_the_tail_of_a_line_is_never_glued_to_what_comes_after_the_drop(subscribe: str, gauge: BluezGauge) -> None:
    with listening(_link(gauge, _profile(subscribe=subscribe))) as stream:
        gauge.notify([b"79.2 um\r\n79."])
        gauge.drop()
        gauge.notify([b"81.0 um\r\n"])
        items = [take(stream) for _ in range(6)]
    assert [item.kind for item in items] == [Kind.UP, Kind.LINE, Kind.PARTIAL, Kind.DOWN, Kind.UP, Kind.LINE]
    assert items[2].frame is not None
    assert items[2].frame.data == b"79."
    assert items[2].frame.ended is False
    assert items[5].frame is not None
    assert items[5].frame.data == b"81.0 um"
    assert "is lost" in items[3].note


@pytest.mark.parametrize(
    ("error", "details", "says"),
    [
        ("org.bluez.Error.Failed", "le-connection-refused", "refuses the connection"),
        ("org.bluez.Error.AuthenticationFailed", "Authentication Failed", "wants to be paired"),
        ("org.bluez.Error.AlreadyConnected", "Already Connected", "is held by another device or program"),
        ("org.bluez.Error.NotReady", "Resource Not Ready", "switched off on this computer"),
    ],
)
def test_a_gauge_that_refuses_is_said_once_and_tried_again(
    error: str, details: str, says: str, gauge: BluezGauge
) -> None:
    gauge.refuse(4, error, details)
    with listening(_link(gauge)) as stream:
        assert says in take_kind(stream, Kind.DOWN).note
        take_kind(stream, Kind.UP)


def test_a_gauge_that_vanishes_is_one_outage_however_long(gauge: BluezGauge) -> None:
    patience = Patience(search_s=0.1, waits_s=(0.02,))
    link = BluetoothLink(address_of(f"ble:{gauge.address}"), _profile(), patience=patience)
    with listening(link) as stream:
        take_kind(stream, Kind.UP)
        gauge.vanish()
        assert "is lost" in take_kind(stream, Kind.DOWN).note
        for _ in range(3):
            eventually(lambda: bool(gauge.state()["discovering"]))
            eventually(lambda: not gauge.state()["discovering"])
        assert rest(stream) == []
        gauge.appear()
        take_kind(stream, Kind.UP)


def test_a_gauge_that_is_not_there_is_said_with_what_to_look_at(gauge: BluezGauge) -> None:
    link = BluetoothLink(address_of("ble:name=Nobody"), _profile(), patience=Patience(search_s=0.2, waits_s=(0.05,)))
    with listening(link) as stream:
        note = take_kind(stream, Kind.DOWN).note
    assert note == (
        "gauge 'Nobody' is not found; is it switched on and near, and not connected to a phone, a tablet or another computer"
    )


def test_two_gauges_of_one_name_are_asked_about_and_not_chosen_between() -> None:
    with BluezGauge(decoys=["Gauge MK"]) as gauge, listening(_link(gauge, address="ble:name=Gauge MK")) as stream:
        note = take_kind(stream, Kind.DOWN).note
    assert "there are 2 gauges 'Gauge MK'" in note
    assert gauge.address in note


def test_a_gauge_found_by_name_is_the_same_gauge_after_a_drop_or_it_is_said() -> None:
    patience = Patience(search_s=0.3, settle_s=0.05, waits_s=(0.02,))
    with BluezGauge() as gauge:
        link = BluetoothLink(address_of("ble:name=Gauge MK"), _profile(), patience=patience)
        with listening(link) as stream:
            take_kind(stream, Kind.UP)
            gauge.move_to(unique_address())
            take_kind(stream, Kind.DOWN)
            take_kind(stream, Kind.UP)  # the same serial number at another address
            gauge.set_value(sig(0x2A25), b"MK-00418")
            gauge.move_to(unique_address())
            take_kind(stream, Kind.DOWN)
            tried = gauge.state()["connections"]
            eventually(lambda: gauge.state()["connections"] >= tried + 2)
            assert rest(stream) == []


def test_a_link_that_answers_nothing_is_taken_for_lost_and_an_idle_gauge_is_not(gauge: BluezGauge) -> None:
    with listening(_link(gauge, _profile(silent_after_s=Decimal("0.9")))) as stream:
        take_kind(stream, Kind.UP)
        asked = gauge.state()["reads"]
        eventually(lambda: gauge.state()["reads"] >= asked + 3)
        assert rest(stream) == []
        gauge.be_silent(True)
        assert "has said nothing and answered nothing for 0.9 s" in take_kind(stream, Kind.DOWN).note
        gauge.be_silent(False)
        take_kind(stream, Kind.UP)


def test_a_gauge_with_nothing_to_read_is_asked_for_a_descriptor() -> None:
    described = Profile.model_validate(
        {
            "title": "Values",
            "form": "characteristic",
            "bluetooth": {"form": "described", "notify": OWN_VALUE, "silent_after_s": Decimal("0.6")},
        }
    )
    with BluezGauge(DESCRIBED_LAYOUT[:1]) as gauge, listening(_link(gauge, described)) as stream:
        take_kind(stream, Kind.UP)
        gauge.be_silent(True)
        assert "answered nothing" in take_kind(stream, Kind.DOWN).note


def test_the_end_of_the_bluetooth_service_is_noticed_and_its_return_as_well(gauge: BluezGauge) -> None:
    with listening(_link(gauge, _profile(silent_after_s=Decimal("0.6")))) as stream:
        take_kind(stream, Kind.UP)
        gauge.stop_service()
        assert "Bluetooth service does not run" in take_kind(stream, Kind.DOWN).note
        gauge.start_service()
        take_kind(stream, Kind.UP)
        gauge.notify([b"79.2\r\n"])
        assert take_lines(stream, 1) == [b"79.2"]


def test_a_gauge_without_line_ends_is_read_by_its_pauses(gauge: BluezGauge) -> None:
    profile = Profile(title="Pauses", reading="(?P<thickness>.+)", unit="um", idle_end_ms=50)
    with listening(_link(gauge, profile)) as stream:
        for line in (b"79.2", b"81.0"):
            gauge.notify([line])
            assert take_lines(stream, 1) == [line]


@pytest.mark.parametrize("subscribe", ["start-notify", "acquire-notify"])
def test_notifications_that_come_twice_are_kept_and_marked(subscribe: str, gauge: BluezGauge) -> None:
    with listening(_link(gauge, _profile(subscribe=subscribe, doubled_within_ms=1000))) as stream:
        take_kind(stream, Kind.UP)
        gauge.double(2)
        gauge.notify([b"50.0\r", b"51.0\r", b"a line that takes two pieces\r"])
        items = [take(stream) for _ in range(6)]
    assert [(item.frame.data, item.doubled) for item in items if item.frame] == [
        (b"50.0", False),
        (b"50.0", True),
        (b"51.0", False),
        (b"51.0", True),
        (b"a line that takes twa line that takes two pieces", True),
        (b"o pieces", True),
    ]


def test_a_length_is_a_line_that_is_read_exactly() -> None:
    profile = _profile(form="measurement", doubled_within_ms=1000)
    decoder = LineDecoder(profile, ZoneInfo("UTC"))
    with BluezGauge(MEASUREMENT_LAYOUT) as gauge, listening(_link(gauge, profile)) as stream:
        take_kind(stream, Kind.UP)
        gauge.double(2)
        gauge.notify([bytes.fromhex("d2040000")])
        gauge.double(1)
        gauge.notify([bytes.fromhex("ffffffff")])
        items = [take(stream) for _ in range(3)]
    lines = [item.frame.data.decode() for item in items if item.frame]
    assert lines == ["2C0A d2040000", "2C0A d2040000", "2C0A ffffffff"]
    assert [item.doubled for item in items] == [False, True, False]
    first, _, last = (decoder.decode(line) for line in lines)
    assert isinstance(first, DecodedReading)
    assert first.thickness_um == Decimal("123.4")
    assert last == NotAReading("the gauge says: value not known")


def test_a_described_value_brings_its_description_along() -> None:
    profile = _profile(form="described", notify=OWN_VALUE)
    with BluezGauge(DESCRIBED_LAYOUT) as gauge, listening(_link(gauge, profile)) as stream:
        gauge.notify([(-12).to_bytes(4, "little", signed=True)])
        (line,) = take_lines(stream, 1)
    assert line == OWN_VALUE.encode() + b" 10f90127010000 f4ffffff"
    answer = LineDecoder(profile, ZoneInfo("UTC")).decode(line.decode())
    assert isinstance(answer, DecodedReading)
    assert answer.thickness_um == Decimal("-1.2")


_BOTH = [(sig(0x185A), [(sig(number), ["notify"], "", {}) for number in (0x2C0A, 0x2C08)])]


@pytest.mark.parametrize(
    ("layout", "settings", "says"),
    [
        (UART_LAYOUT[1:], {}, "has no characteristic 6e400003"),
        (UART_LAYOUT, {"form": "measurement"}, "offers no Length and no Linear Position"),
        (_BOTH, {"form": "measurement"}, 'write notify = "2C0A" or "2C08"'),
        (UART_LAYOUT, {"form": "described", "notify": "2A19"}, "no presentation format (2904)"),
        (UART_LAYOUT, {"form": "described", "notify": "2A25"}, "does not send by itself"),
        (
            [(sig(0x1234), [(sig(0x2B00), ["notify"], "", {sig(0x2904): "1400a027010000"})])],
            {"form": "described", "notify": "2B00"},
            "unit 0x27A0",
        ),
    ],
)
def test_a_profile_that_does_not_fit_the_gauge_is_said(layout: Any, settings: Any, says: str) -> None:
    with BluezGauge(layout) as gauge, listening(_link(gauge, _profile(**settings))) as stream:
        assert says in take_kind(stream, Kind.DOWN).note


def test_of_two_measured_values_the_profile_chooses() -> None:
    profile = _profile(form="measurement", notify="2C08")
    with BluezGauge(_BOTH) as gauge, listening(_link(gauge, profile)) as stream:
        gauge.notify([bytes.fromhex("18030000")], uuid=sig(0x2C08))
        assert take_lines(stream, 1) == [b"2C08 18030000"]


def test_a_request_is_sent_in_pieces_that_fit_and_refused_while_the_link_is_down(gauge: BluezGauge) -> None:
    link = _link(gauge)
    with pytest.raises(LinkDown, match="is not connected"):
        link.send(b"READ\r\n")
    with listening(link) as stream:
        take_kind(stream, Kind.UP)
        link.send(b"READ the last one of this batch\r\n")
        assert gauge.written() == [(b"READ the last one of", "request"), (b" this batch\r\n", "request")]
        gauge.vanish()
        take_kind(stream, Kind.DOWN)
        with pytest.raises(LinkDown, match="is not connected"):
            link.send(b"READ\r\n")
    with pytest.raises(LinkDown, match="is not connected"):
        link.send(b"READ\r\n")


def test_a_gauge_that_takes_no_requests_says_so() -> None:
    layout = [(UART_LAYOUT[0][0], UART_LAYOUT[0][1][1:])]
    with BluezGauge(layout) as gauge:
        link = _link(gauge)
        with listening(link) as stream:
            take_kind(stream, Kind.UP)
            with pytest.raises(LinkDown, match="has nothing to write to"):
                link.send(b"READ\r\n")


def test_a_battery_that_falls_is_said_once_at_each_step(gauge: BluezGauge) -> None:
    with listening(_link(gauge, _profile(silent_after_s=Decimal("0.3")))) as stream:
        assert take_kind(stream, Kind.UP).note.endswith("is connected")
        for percent in (60, 20, 19, 9):
            gauge.set_value(sig(0x2A19), bytes([percent]))
            asked = gauge.state()["reads"]
            eventually(lambda asked=asked: gauge.state()["reads"] >= asked + 2)  # type: ignore[misc]
        items = rest(stream)
    assert [(item.kind, item.about["battery_percent"]) for item in items] == [(Kind.UP, "20"), (Kind.UP, "9")]
    assert "is at 9 %: charge it soon" in items[1].note


def test_100_drops_leave_no_file_and_no_thread_behind(gauge: BluezGauge) -> None:
    def open_now() -> tuple[int, int]:
        return len(list(Path("/proc/self/fd").iterdir())), threading.active_count()

    before = open_now()
    with listening(_link(gauge)) as stream:
        take_kind(stream, Kind.UP)
        gauge.drop()
        take_kind(stream, Kind.DOWN)
        take_kind(stream, Kind.UP)
        while_up = open_now()
        for _ in range(100):
            gauge.drop()
            take_kind(stream, Kind.DOWN)
            take_kind(stream, Kind.UP)
        assert open_now() == while_up
    assert open_now() == before


def test_a_gauge_that_is_still_connected_after_a_kill_is_found_again(gauge: BluezGauge) -> None:
    program = (
        "import sys, time; from ingest.links import LIVE; from ingest.links.address import address_of;"
        "from ingest.links.stream import Stream; from schemas.profile import Profile;"
        "s = Stream(); LIVE['ble'](address_of(sys.argv[1]), Profile(title='t', reading='(?P<thickness>.+)', unit='um')).start(s);"
        "s.get(); print('up', flush=True); time.sleep(600)"
    )
    address = f"ble:{gauge.address}"
    with subprocess.Popen([sys.executable, "-c", program, address], cwd=ROOT, stdout=subprocess.PIPE) as killed:
        assert killed.stdout is not None
        assert killed.stdout.readline() == b"up\n"
        killed.send_signal(signal.SIGKILL)
    eventually(lambda: gauge.state()["subscribers"] == 0)
    assert gauge.state()["connected"] is True
    with listening(_link(gauge)) as stream:
        take_kind(stream, Kind.UP)
        gauge.notify([b"79.2\r\n"])
        assert take_lines(stream, 1) == [b"79.2"]
        assert gauge.state()["connections"] == 1


def test_two_benches_do_not_cut_each_other_off(gauge: BluezGauge) -> None:
    with listening(_link(gauge, address="ble:name=Gauge MK")) as first:
        take_kind(first, Kind.UP)
        with listening(_link(gauge)) as second:
            assert "another filmtally on this computer listens" in take_kind(second, Kind.DOWN).note
            gauge.notify([b"79.2\r\n"])
            assert take_lines(first, 1) == [b"79.2"]
            assert rest(first) == []


def test_all_that_is_near_is_listed_with_the_form_that_fits(gauge: BluezGauge) -> None:
    found = scan(0.5)
    assert [(device.name, device.form) for device in found] == [
        ("Gauge MK", "uart"),
        ("Wrist band", ""),
        ("Kettle", ""),
    ]
    assert found[0].address == gauge.address
    assert found[0].rssi_dbm == -48
    assert UART_LAYOUT[0][0] in found[0].services


def test_the_adapter_is_the_one_that_is_named() -> None:
    with BluezGauge(adapters=["hci0", "hci1"]) as gauge:
        assert scan(0.2, "hci0") == []
        assert [device.name for device in scan(0.5, "hci1")][:1] == ["Gauge MK"]
        with listening(_link(gauge, address=f"ble:{gauge.address},adapter=hci1")) as stream:
            take_kind(stream, Kind.UP)
        with listening(_link(gauge, address=f"ble:{gauge.address},adapter=hci7")) as stream:
            assert "has no Bluetooth adapter hci7" in take_kind(stream, Kind.DOWN).note


def test_a_computer_without_bluetooth_is_told_so(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    with BluezGauge(adapters=[]) as gauge:
        with pytest.raises(BadInput, match="has no Bluetooth for low energy"):
            scan(0.1)
        with listening(_link(gauge)) as stream:
            assert "has no Bluetooth for low energy" in take_kind(stream, Kind.DOWN).note
    with BluezGauge() as gauge:
        gauge.power("hci0", False)
        with pytest.raises(BadInput, match="switched off on this computer"):
            scan(0.1)
        gauge.stop_service()
        with pytest.raises(BadInput, match="Bluetooth service does not run"):
            scan(0.1)
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", f"unix:path={tmp_path}/nobody")
    with pytest.raises(BadInput, match="Bluetooth service does not run"):
        scan(0.1)


def test_a_link_is_closed_at_any_moment(gauge: BluezGauge) -> None:
    for address in (f"ble:{gauge.address}", "ble:name=Nobody"):
        link = _link(gauge, address=address)
        link.close()
        with listening(link):
            pass
        link.close()
    with listening(_link(gauge)) as stream:
        take_kind(stream, Kind.UP)
        gauge.notify([b"79."])
        eventually(lambda: gauge.state()["subscribers"] > 0)
    assert [item.frame.data for item in rest(stream) if item.frame] in ([], [b"79."])
    assert os.environ["DBUS_SYSTEM_BUS_ADDRESS"] == gauge.bus_address

"""Links over serial lines and networks: when there is no port, when it goes, when it comes again, when nobody takes the items."""

from __future__ import annotations

import contextlib
import errno
import grp
import os
import signal
import socket
import subprocess
import sys
import termios
import threading
from pathlib import Path

import pytest
import serial

from ingest.links import LIVE, serial_port
from ingest.links.address import address_of
from ingest.links.item import Item, Kind
from ingest.links.live import LinkDown
from ingest.links.port import Port, PortFault, Reason
from ingest.links.port_link import BackOff, PortLink
from ingest.links.stream import Stream
from schemas.errors import BadInput
from schemas.transport import Serial
from tests.live.following import (
    QUICK,
    followed,
    lines_of,
    profile,
    quick_link,
    rest,
    until,
    until_kind,
    wait_until,
)
from tests.live.pty_gauge import PtyGauge
from tests.live.rfc2217_gauge import Rfc2217Gauge
from tests.live.socket_gauge import SocketGauge
from tests.live.test_same_readings import WAYS, gauge_on

ROOT = Path(__file__).parents[2]


def why(address: str, **changes: object) -> str:
    """Return why the link to *address* is down."""
    with followed(quick_link(address, profile(**changes))) as stream:
        return until_kind(stream, Kind.DOWN)[-1].note


# What is said where there is no port


def test_a_device_that_is_missing_is_said_once_however_often_it_is_tried_and_it_is_up_when_it_comes(
    tmp_path: Path,
) -> None:
    gauge = PtyGauge(tmp_path)
    tries = []

    def opening(read_s: float, _closing: threading.Event) -> Port:
        tries.append(read_s)
        return serial_port.SerialPort(str(gauge.path), Serial(), read_s)

    link = PortLink(gauge.address, opening, profile(), can_wait=False, back_off=QUICK)
    with gauge, followed(link) as stream:
        gauge.unplug()
        until_kind(stream, Kind.DOWN)
        wait_until(lambda: len(tries) > 10, "more tries")
        assert rest(stream) == []
        gauge.replug()
        assert until_kind(stream, Kind.UP)[-1].note == "9600 baud, 8 data bits, no parity, 1 stop bit"


def test_each_fault_of_a_serial_line_is_a_sentence_with_what_to_do(tmp_path: Path) -> None:
    plain = tmp_path / "plain.txt"
    plain.touch()
    assert why(f"serial:{tmp_path / 'none'}").startswith(f"{tmp_path / 'none'} is not there; plug the gauge in")
    for no_port in (plain, tmp_path, Path("/dev/null")):
        assert why(f"serial:{no_port}").startswith(f"{no_port} is no serial port; name one")


def test_settings_that_the_line_cannot_do_are_said(tmp_path: Path) -> None:
    # A pseudo-terminal has no parity. At first that is left out; later it is a termios.error, which is no OSError.
    with PtyGauge(tmp_path) as gauge:
        said = {why(gauge.address, serial={"parity": "even", "data_bits": 7}) for _ in range(3)}
    assert said == {
        f"{gauge.path} cannot be set to 9600 baud, 7 data bits, even parity, 1 stop bit; correct [serial] in the profile"
    }


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() != 0, reason="needs root, to be somebody else for once")
@pytest.mark.parametrize(
    ("group", "mode", "said"),
    [
        (1, 0o660, "it belongs to the group {name}: have 'sudo usermod -aG {name} YOUR-NAME' run once, then log out"),
        (1, 0o600, "ask whoever looks after this computer"),
        (0, 0o660, "ask whoever looks after this computer"),  # nobody is sent into the group root
    ],
)
def test_a_port_that_this_user_may_not_open_names_the_group_that_may(
    group: int, mode: int, said: str, tmp_path: Path
) -> None:
    program = (
        "import grp, os, sys\n"
        "from ingest.links.serial_port import SerialPort\n"
        "from ingest.links.port import PortFault\n"
        "from schemas.transport import Serial\n"
        "os.setgroups([]); os.setgid(65534); os.setuid(65534)\n"
        "try:\n    SerialPort(sys.argv[1], Serial(), 0.1)\n"
        "except PortFault as fault:\n    print(fault.reason.name, fault)\n"
    )
    with PtyGauge(tmp_path) as gauge:
        device = os.path.realpath(gauge.path)
        os.chown(device, 0, group)
        Path(device).chmod(mode)
        refused = subprocess.run(
            [sys.executable, "-c", program, device], cwd=ROOT, capture_output=True, text=True, check=True
        ).stdout
    said = said.format(name=grp.getgrgid(group).gr_name)
    assert refused.startswith(f"FORBIDDEN {device} may not be opened by you; {said}")


@pytest.mark.parametrize(
    ("fault", "reason", "said"),
    [
        # As pyserial words them on Windows, where the number stands in the text alone.
        ("could not open port 'COM3': FileNotFoundError(2, 'Not found.', None, 2)", Reason.AWAY, "COM3 is not there"),
        ("could not open port 'COM3': OSError(22, 'Semaphore', None, 121)", Reason.UNFIT, "COM3 cannot be set"),
        ("could not open port 'COM3': something new", Reason.OTHER, "COM3 cannot be opened (could not open"),
    ],
)
def test_faults_that_stand_in_words_alone_are_understood(fault: str, reason: Reason, said: str) -> None:
    found = serial_port._not_opened("COM3", Serial(), serial.SerialException(fault))
    assert found.reason is reason
    assert str(found).startswith(said)


@pytest.mark.parametrize("number", [errno.EHOSTDOWN, errno.ECONNREFUSED, errno.ETIMEDOUT])
def test_a_bluetooth_serial_port_whose_gauge_is_off_says_to_switch_it_on(number: int) -> None:
    fault = serial.SerialException(number, f"could not open port /dev/rfcomm0: {os.strerror(number)}")
    assert "reaches no gauge" in str(serial_port._not_opened("/dev/rfcomm0", Serial(), fault))


def test_each_fault_of_a_network_is_a_sentence_with_what_to_do() -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        number = taken.getsockname()[1]
    look = "look at the device server, its power and its network cable"
    for scheme in ("socket", "rfc2217"):
        assert why(f"{scheme}://127.0.0.1:{number}") == (
            f"127.0.0.1:{number} refuses the connection: its port is another, it is not ready, or another program is "
            f"connected; {look}"
        )
        assert why(f"{scheme}://no-such-host.invalid:4001").startswith(
            "no-such-host.invalid is not known in this network ("
        )
    with pytest.raises(BadInput, match="70000 is no port; write one from 1 to 65535"):
        LIVE["socket"](address_of("socket://127.0.0.1:70000"), profile())


def test_a_server_that_takes_no_settings_is_said_to_speak_something_else() -> None:
    refusal = bytes((255, 254, 44))  # DONT COM-PORT-OPTION, RFC 854 and RFC 2217
    with SocketGauge(greeting=refusal) as gauge:
        said = why(gauge.address.replace("socket", "rfc2217"))
    assert said.startswith(f"127.0.0.1:{gauge.port} takes no settings of a serial line (RFC 2217)")
    assert f"write socket://127.0.0.1:{gauge.port}" in said


def test_a_server_that_cannot_do_the_settings_is_said(tmp_path: Path) -> None:
    with Rfc2217Gauge(fastest=9600) as gauge:
        said = why(gauge.address, serial={"baud": 115_200})
    assert said.startswith(f"127.0.0.1:{gauge.port} does not set its line to 115200 baud, 8 data bits, no parity")


def test_the_settings_of_the_profile_reach_the_line_behind_an_rfc_2217_server() -> None:
    wanted = {"baud": 19200, "data_bits": 7, "parity": "even", "stop_bits": "2", "flow": "xon-xoff", "rts": False}
    with Rfc2217Gauge() as gauge, followed(quick_link(gauge.address, profile(serial=wanted))) as stream:
        up = until_kind(stream, Kind.UP)[-1]
        assert up.note == "19200 baud, 7 data bits, even parity, 2 stop bits, flow control xon-xoff"
        line = gauge.line
        wait_until(lambda: line.dtr, "DTR, which is set by default")
        assert (line.baudrate, line.bytesize, line.parity, line.stopbits) == (19200, 7, "E", 2)
        assert (line.xonxoff, line.rtscts, line.rts, line.purged) == (True, False, False, 0)


def test_the_settings_of_the_profile_reach_a_serial_line(tmp_path: Path) -> None:
    wanted = {"baud": 19200, "stop_bits": "2", "flow": "rts-cts"}
    with PtyGauge(tmp_path) as gauge, followed(quick_link(gauge.address, profile(serial=wanted))) as stream:
        until_kind(stream, Kind.UP)
        with gauge.path.open("rb", buffering=0) as device:
            flags = termios.tcgetattr(device)
    assert flags[4] == flags[5] == termios.B19200
    assert flags[2] & termios.CSTOPB
    assert flags[2] & termios.CRTSCTS


# One reader alone

HOLDER = """
import sys
from ingest.links.serial_port import SerialPort
from schemas.transport import Serial
port = SerialPort(sys.argv[1], Serial(), 0.1)
print("held", flush=True)
sys.stdin.read()
"""


def test_a_port_that_another_process_holds_is_said_and_is_up_once_that_one_ends(tmp_path: Path) -> None:
    with PtyGauge(tmp_path) as gauge:
        holder = subprocess.Popen(
            [sys.executable, "-c", HOLDER, str(gauge.path)],
            cwd=ROOT,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        assert holder.stdin is not None
        assert holder.stdout is not None
        try:
            assert holder.stdout.readline() == "held\n"
            with followed(quick_link(gauge.address)) as stream:
                down = until_kind(stream, Kind.DOWN)
                assert [item.note for item in down] == [f"{gauge.path} is held by another program; close that one"]
                holder.send_signal(signal.SIGKILL)  # a kill lets go of the port too
                holder.wait()
                until_kind(stream, Kind.UP)
                gauge.write([b"3.12 mil"])
                assert lines_of(until_kind(stream, Kind.LINE)) == [b"3.12 mil"]
        finally:
            holder.kill()
            holder.wait()
            holder.stdin.close()
            holder.stdout.close()


# Coming and going


def _open_files() -> int:
    return len(os.listdir("/proc/self/fd"))  # noqa: PTH208  # a listing of its own handle counts alike each time


@pytest.mark.skipif(not Path("/proc/self/fd").is_dir(), reason="counts open files where the system lists them")
@pytest.mark.parametrize(("way", "cycles"), [("serial", 200), ("socket", 200), ("rfc2217", 50)])
def test_a_link_that_drops_again_and_again_leaks_neither_threads_nor_files(
    way: str, cycles: int, tmp_path: Path
) -> None:
    with gauge_on(way, tmp_path) as gauge, followed(quick_link(gauge.address)) as stream:
        counts = []
        for n in range(cycles):
            until_kind(stream, Kind.UP)
            gauge.write([b"%d.00 mil" % n])
            assert lines_of(until_kind(stream, Kind.LINE)) == [b"%d.00 mil" % n]
            counts.append((threading.active_count(), _open_files()))
            if isinstance(gauge, PtyGauge):
                gauge.unplug()
            else:
                gauge.drop()
            assert until_kind(stream, Kind.DOWN)[0].kind is Kind.DOWN
            if isinstance(gauge, PtyGauge):
                gauge.replug()
        assert counts[-1] == counts[5]


def test_opening_and_closing_again_and_again_leaks_neither_threads_nor_files(tmp_path: Path) -> None:
    with PtyGauge(tmp_path) as gauge:
        counts = set()
        for _ in range(200):
            with followed(quick_link(gauge.address)) as stream:
                until_kind(stream, Kind.UP)
            counts.add((threading.active_count(), _open_files()))
    assert len(counts) == 1


def test_only_one_item_says_that_a_cable_was_pulled(tmp_path: Path) -> None:
    with PtyGauge(tmp_path) as gauge, followed(quick_link(gauge.address)) as stream:
        until_kind(stream, Kind.UP)
        gauge.unplug()
        items = until_kind(stream, Kind.DOWN)
        assert items[-1].note == f"{gauge.path} is gone: it was unplugged; plug it in again"
        gauge.replug()
        assert [item.kind for item in until_kind(stream, Kind.UP)] == [Kind.UP]


@pytest.mark.parametrize("way", WAYS)
def test_what_is_sent_while_the_link_is_down_is_refused_with_the_reason(way: str, tmp_path: Path) -> None:
    with gauge_on(way, tmp_path) as gauge:
        link = quick_link(gauge.address)
        with pytest.raises(LinkDown, match="not been opened yet"):
            link.send(b"?")
        with followed(link) as stream:
            until_kind(stream, Kind.UP)
            link.send(b"\x00\xff?\r\n")
            wait_until(lambda: bytes(gauge.heard) == b"\x00\xff?\r\n", "what was sent")
            gauge.unplug()
            note = until_kind(stream, Kind.DOWN)[-1].note
            with pytest.raises(LinkDown) as refused:
                link.send(b"?")
            assert str(refused.value).split()[0] == note.split()[0]


@pytest.mark.parametrize("way", WAYS)
def test_a_link_is_closed_while_it_waits_for_bytes_and_twice_is_as_once(way: str, tmp_path: Path) -> None:
    with gauge_on(way, tmp_path) as gauge:
        link = quick_link(gauge.address)
        stream = Stream()
        before = threading.active_count()
        link.start(stream)
        until_kind(stream, Kind.UP)
        gauge.write(b"3.1")
        if isinstance(gauge, PtyGauge):
            gauge.drain()
        link.close()
        link.close()
        assert threading.active_count() == before
        assert {item.kind for item in rest(stream)} <= {Kind.PARTIAL}  # no DOWN: nothing went wrong


def test_a_link_that_tries_in_vain_is_closed_at_once() -> None:
    link = LIVE["serial"](address_of("serial:/dev/no-such-device"), profile())
    stream = Stream()
    link.start(stream)
    until_kind(stream, Kind.DOWN)
    link.close()
    assert all(not thread.name.startswith("link ") for thread in threading.enumerate())


def test_a_fault_that_nobody_foresaw_is_said_and_tried_again(tmp_path: Path) -> None:
    tries = 0

    def opening(read_s: float, _closing: threading.Event) -> Port:
        nonlocal tries
        tries += 1
        if tries == 1:
            raise ZeroDivisionError("of a driver")
        return serial_port.SerialPort(str(gauge.path), Serial(), read_s)

    with PtyGauge(tmp_path) as gauge:
        link = PortLink(gauge.address, opening, profile(), can_wait=False, back_off=QUICK)
        with followed(link) as stream:
            items = until_kind(stream, Kind.UP)
    assert [item.kind for item in items] == [Kind.DOWN, Kind.UP]
    assert items[0].note.startswith(
        "the link failed in a way that was not foreseen (ZeroDivisionError: of a driver); it is tried again"
    )


def test_the_waits_double_up_to_their_bound() -> None:
    back_off = BackOff()
    assert [back_off.wait_s(n) for n in (1, 2, 3, 4, 5, 6, 10_000)] == [0.25, 0.5, 1.0, 2.0, 4.0, 5.0, 5.0]


def test_a_server_that_accepts_and_hangs_up_is_tried_with_longer_waits() -> None:
    waits: list[int] = []

    class Counted(BackOff):
        def wait_s(self, failures: int) -> float:
            waits.append(failures)
            return 0.001

    class HangsUp:
        settings = ""

        def read(self) -> bytes:
            raise PortFault("it hung up")

        def write(self, data: bytes) -> None: ...

        def interrupt(self) -> None: ...

        def close(self) -> None: ...

    link = PortLink("socket://x", lambda _s, _c: HangsUp(), profile(), can_wait=True, back_off=Counted())
    with followed(link):
        wait_until(lambda: len(waits) >= 4, "tries")
    assert waits[:4] == [1, 2, 3, 4]


# Lines


def test_a_line_end_of_its_own_ends_a_line(tmp_path: Path) -> None:
    with PtyGauge(tmp_path) as gauge, followed(quick_link(gauge.address, profile(line_end="\t"))) as stream:
        until_kind(stream, Kind.UP)
        gauge.write(b"3.12 mil\t3.14 mil\t\r\n")
        assert lines_of(until_kind(stream, Kind.LINE, 3)) == [b"3.12 mil", b"3.14 mil", b""]


@pytest.mark.parametrize(("way", "pause_ms"), [*((way, 20) for way in WAYS), ("serial", 700)])
def test_a_pause_ends_a_line_where_the_profile_says_so(way: str, pause_ms: int, tmp_path: Path) -> None:
    with (
        gauge_on(way, tmp_path, end=b"") as gauge,
        followed(quick_link(gauge.address, profile(idle_end_ms=pause_ms))) as stream,
    ):
        until_kind(stream, Kind.UP)
        for line in (b"3.12 mil", b"3.14 mil"):
            gauge.write(line)
            items = until_kind(stream, Kind.LINE)
            assert b"".join(lines_of(items)) == line
            assert all(item.frame is not None and item.frame.ended for item in items)


def test_without_that_a_pause_ends_nothing(tmp_path: Path) -> None:
    with PtyGauge(tmp_path) as gauge, followed(quick_link(gauge.address)) as stream:
        until_kind(stream, Kind.UP)
        gauge.write(b"3.1")
        gauge.drain()
        threading.Event().wait(0.7)  # longer than a read waits
        gauge.write(b"2 mil\r")
        assert lines_of(until_kind(stream, Kind.LINE)) == [b"3.12 mil"]


def test_a_line_that_comes_with_the_link_is_kept_and_says_that_its_beginning_may_be_missing_and_the_next_does_not() -> (
    None
):
    with Rfc2217Gauge(greeting=b"2 mil\r\n3.14 mil\r\n") as gauge, followed(quick_link(gauge.address)) as stream:
        items = until_kind(stream, Kind.LINE, 2)
    assert lines_of(items) == [b"2 mil", b"3.14 mil"]
    assert "its beginning may be missing" in items[1].note
    assert items[2].note == ""


def test_a_socket_begins_with_a_whole_line_unless_the_connection_before_ended_within_one() -> None:
    with SocketGauge(greeting=b"3.12 mil\r\n") as gauge, followed(quick_link(gauge.address)) as stream:
        first = until_kind(stream, Kind.LINE)[-1]
        gauge.write(b"3.1")
        gauge.unplug()
        gauge.replug()
        second = until_kind(stream, Kind.LINE)[-1]
        gauge.unplug()
        gauge.replug()
        third = until_kind(stream, Kind.LINE)[-1]
    assert first.note == ""
    assert "its beginning may be missing" in second.note
    assert third.note == ""


# Nobody takes the items


def test_a_serial_line_is_read_on_and_what_had_no_room_is_said_where_it_is_missing(tmp_path: Path) -> None:
    with PtyGauge(tmp_path) as gauge, followed(quick_link(gauge.address), Stream(most_items=11)) as stream:
        lines = [b"%04d" % n for n in range(1000)]
        wait_until(lambda: len(stream._items) == 1, "the link to be up")
        gauge.write(lines)
        gauge.drain()
        wait_until(lambda: sum(n for n, _ in stream._dropped.values()) == 990, "the lines that find no room")
        items = [item for item in (stream.get(0) for _ in range(11)) if item is not None]
        assert lines_of(items) == lines[:10]
        gauge.write([b"later"])
        lost, later = until_kind(stream, Kind.LINE)
        assert (lost.kind, later.kind) == (Kind.LOST, Kind.LINE)
        assert lost.note == (
            "990 lines (3,960 bytes) came faster than they could be taken and are lost; look into the gauge's memory and "
            "take these readings again"
        )
        assert lines_of([later]) == [b"later"]


@pytest.mark.parametrize("way", ["socket", "rfc2217"])
def test_a_network_link_waits_for_room_and_nothing_is_lost(way: str, tmp_path: Path) -> None:
    lines = [b"%06d " % n + b"x" * 93 for n in range(20_000)]
    with gauge_on(way, tmp_path) as gauge, followed(quick_link(gauge.address), Stream(most_items=100)) as stream:
        until_kind(stream, Kind.UP)
        writing = threading.Thread(target=gauge.write, args=(lines,))
        writing.start()
        wait_until(lambda: len(stream._items) == 100, "a full stream")
        items: list[Item] = []
        while len(items) < len(lines):
            items += until_kind(stream, Kind.LINE)
        writing.join()
        assert lines_of(items) == lines
        assert {item.kind for item in items} == {Kind.LINE}


def test_the_peer_of_a_network_link_is_held_back_while_nobody_takes_the_items() -> None:
    with SocketGauge() as gauge, followed(quick_link(gauge.address), Stream(most_items=100)) as stream:
        until_kind(stream, Kind.UP)
        connection = gauge.connected()
        connection.settimeout(0.5)
        sent = 0
        with contextlib.suppress(TimeoutError):
            while sent < 1 << 28:
                sent += connection.send(b"3.12 mil\r\n" * 1000)
        assert sent < 1 << 28
        assert len(stream._items) == 100


@pytest.mark.parametrize("first", ["link", "stream"])
def test_a_link_that_waits_for_room_is_let_go_when_it_or_the_stream_is_closed(first: str) -> None:
    with SocketGauge() as gauge:
        link = quick_link(gauge.address)
        stream = Stream(most_items=5)
        link.start(stream)
        gauge.write([b"3.12 mil"] * 100)
        wait_until(lambda: len(stream._items) >= 5, "a full stream")
        (link if first == "link" else stream).close()
        link.close()
        assert all(not thread.name.startswith("link ") for thread in threading.enumerate())
        items = rest(stream)
        if first == "link":  # what had been read and found no room is said
            assert items[-1].kind is Kind.LOST


# What there is


def test_a_serial_link_imports_nothing_of_bluetooth(tmp_path: Path) -> None:
    program = (
        "import sys\nfrom ingest.links import live_link\nfrom ingest.links.address import address_of\n"
        "from schemas.profile import Profile\n"
        "profile = Profile(title='x', reading='(?P<thickness>[0-9]+)', unit='um')\n"
        "for address in ('COM3', 'socket://h:1', 'rfc2217://h:1'):\n    print(live_link(address_of(address), profile).name)\n"
        "assert 'bleak' not in sys.modules\n"
    )
    said = subprocess.run([sys.executable, "-c", program], cwd=ROOT, capture_output=True, text=True, check=True).stdout
    assert said.split() == ["serial:COM3", "socket://h:1", "rfc2217://h:1"]


def test_the_ports_of_this_computer_are_listed_with_addresses_that_can_be_used(monkeypatch: pytest.MonkeyPatch) -> None:
    class Found:
        def __init__(self, device: str, description: str) -> None:
            self.device, self.description = device, description

    for address, said in serial_port.ports():
        assert address_of(address).scheme == "serial"
        assert said
    found = [Found("COM10", "USB Serial Port (COM10)"), Found("COM9", "n/a")]
    monkeypatch.setattr(serial_port.list_ports, "comports", lambda: found)
    assert serial_port.ports() == [("serial:COM9", "a serial port"), ("serial:COM10", "USB Serial Port (COM10)")]


def test_telnet_commands_are_taken_out_however_they_are_cut() -> None:
    from ingest.links.rfc2217_port import _Telnet

    raw = b"3.1\xff\xff2\xff\xfb\x00\xff\xfa\x2c\x65\x00\x00\xff\xff\xf0\xff\xf0 mil\xff\xf1\r\n"
    for cut in range(len(raw) + 1):
        telnet = _Telnet("peer")
        first, second = telnet.feed(raw[:cut]), telnet.feed(raw[cut:])
        assert first[0] + second[0] == b"3.1\xff2 mil\r\n"
        assert first[1] + second[1] == [b"\xfb\x00", b"\xfa\x2c\x65\x00\x00\xff\xf0"]


def test_all_that_comes_before_a_pause_is_one_item_and_none_is_lost_on_the_way(tmp_path: Path) -> None:
    with PtyGauge(tmp_path) as gauge, followed(quick_link(gauge.address)) as stream:
        until_kind(stream, Kind.UP)
        gauge.write(b"a\rb\nc\r\nd\n\re\r\r\n")
        items = until(stream, lambda item: lines_of([item]) == [b"e"])
        assert lines_of(items) == [b"a", b"b", b"c", b"d", b"", b"e"]

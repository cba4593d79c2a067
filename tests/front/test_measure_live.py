"""`measure` over a live link as a real process: resume, signals, a closed window, several benches, links from shop.toml."""

from __future__ import annotations

import fcntl
import json
import os
import pty
import select
import signal
import subprocess
import sys
import termios
import time
from pathlib import Path

import pytest

from archive.shop_folder import ShopFolder
from archive.store import Archive
from bench.kill_live import campaign
from bench.live_process import PATIENCE_S, ROOT, Measuring
from ingest.open_inspection import OpenInspection, open_ids
from tests.front.shop import NOW, FrontDoor, sample_shop
from tests.live.pty_gauge import PtyGauge


def _words(lot: str = "L", *more: str) -> tuple[str, ...]:
    return ("measure", "gate-leaf", "--lot", lot, "--inspector", "mk", "--gauge", "FB-07", *more)


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    return sample_shop(tmp_path / "shop")


def _figures(count: int, start: int = 0) -> list[bytes]:
    return [b"3.%02d" % n for n in range(start, start + count)]


def _shown(shop: Path, lot: str) -> list[str]:
    archive = Archive(shop / "archive", "look")
    (one,) = [i for i in archive.inspections() if i.lot == lot]
    return [reading.shown for reading in archive.reading_records(one.inspection_id)]


def test_a_kill_at_any_moment_loses_nothing_that_was_shown_and_the_rest_is_taken_after_it() -> None:
    """Short form of `make campaign`: kill -9 at random moments of a capture over a serial line."""
    result = campaign(times=3, seed=20261126)
    assert (result["lost"], result["half_visible"], result["failed"]) == (0, 0, 0), result["first_failure"]
    assert result["acknowledged"] > 0


def test_the_gauges_own_link_is_listened_to_and_a_pulled_cable_costs_no_reading(shop: Path, tmp_path: Path) -> None:
    with PtyGauge(tmp_path) as gauge:
        toml = (shop / "shop.toml").read_text(encoding="utf-8")
        toml = toml.replace('profile = "plain-number"\n', f'profile = "plain-number"\nlink = "{gauge.address}"\n', 1)
        (shop / "shop.toml").write_text(toml, encoding="utf-8")
        with Measuring(shop, *_words()) as measuring:
            assert "gauge uncovered: " in measuring.wait_for("no certificate can be issued")
            measuring.wait_until_up()
            gauge.write(_figures(10))
            assert measuring.wait_for_taken(10)
            gauge.write(b"3.1")
            gauge.unplug()
            measuring.wait_for("no reading: the link went in the middle of this line")
            gauge.replug()
            measuring.wait_until_up()
            gauge.write([b"no such line", *_figures(10, 10)])
            assert "not how profile" in measuring.wait_for("NOT TAKEN")
            assert measuring.wait_for_taken(20)
            measuring.type("@finish")
            assert measuring.ended() == 1  # sealed; one line was not taken
    assert [f.decode() for f in _figures(20)] == _shown(shop, "L")
    (one,) = Archive(shop / "archive", "look").inspections()
    assert [other["text"] for other in json.loads(one.other_lines_json)] == ["3.1", "no such line"]
    assert "the link went once" in one.notes_json


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_leaves_the_inspection_open_and_measure_without_a_job_goes_on(
    shop: Path, tmp_path: Path, number: signal.Signals
) -> None:
    with PtyGauge(tmp_path) as gauge:
        with Measuring(shop, *_words("L", "--link", gauge.address)) as measuring:
            measuring.wait_until_up()
            gauge.write(_figures(3))
            assert measuring.wait_for_taken(3)
            measuring.child.send_signal(number)
            assert measuring.ended() == 128 + number
            (inspection,) = open_ids(ShopFolder(shop))
            assert f"inspection {inspection} stays open with 3 readings counted" in measuring.lines[-1]
            assert f"'filmtally measure --resume {inspection}'" in measuring.lines[-1]
        if number is not signal.SIGTERM:
            return
        # Without a job, and without a link named: the one that it was begun with.
        with Measuring(shop, "measure") as measuring:
            measuring.wait_for(f"inspection {inspection}: 3 readings counted")
            measuring.wait_until_up()
            gauge.write(_figures(17, 3))
            assert measuring.wait_for_taken(17)
            measuring.end_input()
            assert measuring.ended() == 0, measuring.lines
    assert [f.decode() for f in _figures(20)] == _shown(shop, "L")


def test_a_lot_that_has_an_open_inspection_is_gone_on_with_and_not_begun_twice(
    door: FrontDoor, monkeypatch: pytest.MonkeyPatch
) -> None:
    def typed(text: str, *words: str) -> tuple[int, str, str]:
        monkeypatch.setattr(sys, "stdin", _Text(text))
        answer = door(*words)
        return answer.code, answer.out, answer.err

    assert typed("3.1\n3.2\n", *_words())[0] == 2
    (inspection,) = open_ids(ShopFolder(door.folder))
    code, out, _ = typed("3.3\n", *_words("L", "--keep-open"))
    assert code == 0
    assert f"lot 'L' has the open inspection {inspection}: this goes on with it" in out
    assert "inspection " + inspection + ": 2 readings counted" in out
    other_gauge = (*_words("L")[:-1], "FB-11")
    code, _, err = typed("3.3\n", *other_gauge)
    assert code == 2
    assert f"with gauge FB-07, not FB-11; go on with it by 'filmtally measure --resume {inspection}'" in err
    code, out, _ = typed("3.4\n", *_words("L", "--again", "a second rack", "--keep-open"))
    assert code == 0
    assert len(open_ids(ShopFolder(door.folder))) == 2
    code, _, err = typed("", "measure")
    assert code == 2
    assert "2 inspections are open" in err


class _Text:
    """Standard input that a program writes to."""

    def __init__(self, text: str) -> None:
        self._lines = text.splitlines(keepends=True)

    def isatty(self) -> bool:
        return False

    def __iter__(self) -> _Text:
        return self

    def __next__(self) -> str:
        if not self._lines:
            raise StopIteration
        return self._lines.pop(0)


def test_two_benches_take_two_lots_at_once_and_neither_disturbs_the_other(shop: Path, tmp_path: Path) -> None:
    with (
        PtyGauge(tmp_path, name="one") as one,
        PtyGauge(tmp_path, name="two") as two,
        Measuring(shop, *_words("A", "--link", one.address), environment={"FILMTALLY_BENCH": "east"}) as east,
        Measuring(shop, *_words("B", "--link", two.address), environment={"FILMTALLY_BENCH": "west"}) as west,
    ):
        for measuring in (east, west):
            measuring.wait_until_up()
        for number in range(20):
            one.write([b"3.%02d" % number])
            two.write([b"4.%02d" % number])
        for measuring in (east, west):
            assert measuring.wait_for_taken(20)
            measuring.end_input()
        assert (east.ended(), west.ended()) == (0, 0), (east.lines, west.lines)
    assert _shown(shop, "A") == [f"3.{n:02d}" for n in range(20)]
    assert _shown(shop, "B") == [f"4.{n:02d}" for n in range(20)]
    assert Archive(shop / "archive", "look").check() == []


def test_a_second_bench_cannot_take_the_same_inspection_nor_the_same_gauge(shop: Path, tmp_path: Path) -> None:
    with PtyGauge(tmp_path) as gauge, Measuring(shop, *_words("A", "--link", gauge.address)) as first:
        first.wait_until_up()
        gauge.write(_figures(2))
        assert first.wait_for_taken(2)
        (inspection,) = open_ids(ShopFolder(shop))
        with Measuring(shop, "measure", "--resume", inspection) as second:
            assert second.ended() == 2
            assert "another filmtally is taking this inspection; finish it there first" in second.lines[-1]
        with Measuring(shop, *_words("B", "--link", gauge.address)) as third:
            third.wait_for(gauge.address)  # it is told why the link is not there
            gauge.write(_figures(3, 2))
            assert first.wait_for_taken(5)
            third.type("@finish")
            assert third.ended() == 2
        assert first.taken() == {n + 1: f.decode() for n, f in enumerate(_figures(5))}
        assert open_ids(ShopFolder(shop)) == [inspection]


class _Terminal:
    """The program in a terminal of its own, which can be typed to and closed."""

    def __init__(self, shop: Path, *words: str) -> None:
        self.master, slave = pty.openpty()
        self.child = subprocess.Popen(
            [sys.executable, "-m", "filmtally", "--shop", str(shop), *words],
            cwd=ROOT,
            env={**os.environ, "PYTHONPATH": str(ROOT)},
            stdin=slave,
            stdout=slave,
            stderr=slave,
            start_new_session=True,
            preexec_fn=lambda: fcntl.ioctl(0, termios.TIOCSCTTY, 0),  # so that closing it is heard
        )
        os.close(slave)
        self.seen = ""

    def wait_for(self, part: str) -> None:
        until = time.monotonic() + PATIENCE_S
        while part not in self.seen:
            assert time.monotonic() < until, self.seen
            if not select.select([self.master], [], [], 1.0)[0]:
                continue
            try:
                self.seen += os.read(self.master, 4096).decode("utf-8", "replace")
            except OSError:
                raise AssertionError(f"it ended: {self.seen}") from None

    def type(self, text: str) -> None:
        os.write(self.master, text.encode())

    def ended(self) -> int:
        try:
            while data := os.read(self.master, 4096):
                self.seen += data.decode("utf-8", "replace")
        except OSError:
            pass
        os.close(self.master)
        return self.child.wait(PATIENCE_S)

    def close_the_window(self) -> int:
        os.close(self.master)
        return self.child.wait(PATIENCE_S)


def test_at_a_terminal_the_gate_is_confirmed_once_and_a_closed_window_leaves_it_open(shop: Path) -> None:
    terminal = _Terminal(shop, *_words("T", "--plain", "--pieces", "1"))
    terminal.wait_for("answer @accept REASON, or @finish and check the gauge")
    terminal.type("3.1\n")
    terminal.wait_for("waits until the question is answered")
    terminal.type("@accept only a trial\n")
    terminal.wait_for("taken 1: 3.1 mil at front face, piece 1")
    terminal.wait_for("piece 1, front face (2 of 5) > ")
    assert terminal.close_the_window() == 128 + signal.SIGHUP
    (inspection,) = open_ids(ShopFolder(shop))
    with OpenInspection(ShopFolder(shop), inspection, NOW) as again:
        assert [reading.decoded.shown for reading in again.taking.readings] == ["3.1"]
        assert "only a trial" in again.taking.notes[0].what
    terminal = _Terminal(shop, "measure", "--plain", "--resume")
    terminal.wait_for("piece 1, front face (2 of 5) > ")
    for number in range(19):
        terminal.type(f"3.{number}\n")
        terminal.wait_for(f"taken {number + 2}: ")
    terminal.wait_for("all taken; Ctrl-D seals > ")
    terminal.type("\x04")
    assert terminal.ended() == 0
    assert "sealed, 20 readings counted" in terminal.seen


def test_sealing_an_inspection_with_an_open_question_asks_for_a_word(shop: Path, tmp_path: Path) -> None:
    with PtyGauge(tmp_path) as gauge, Measuring(shop, *_words("Q", "--link", gauge.address)) as measuring:
        measuring.wait_until_up()
        gauge.write([b"3.1", b"75", b"3.2"])
        measuring.wait_for("ASKED")
        measuring.wait_for("waits until the question is answered")
        measuring.type("@finish")
        assert measuring.ended() == 2
        assert "a question is open: 75 mil" in measuring.lines[-1]
    seal = [sys.executable, "-m", "filmtally", "--shop", str(shop), "seal"]
    refused = subprocess.run(seal, capture_output=True, text=True, cwd=ROOT, check=False)
    assert refused.returncode == 2
    assert "and 1 line waits for the answer" in refused.stderr
    sealed = subprocess.run([*seal, "--as-is", "shift ended"], capture_output=True, text=True, cwd=ROOT, check=False)
    assert sealed.returncode == 0, sealed.stderr
    (one,) = Archive(shop / "archive", "look").inspections()
    assert [other["text"] for other in json.loads(one.other_lines_json)] == ["75", "3.2"]


def test_a_watched_folder_goes_on_behind_what_was_taken_before_a_kill(shop: Path, tmp_path: Path) -> None:
    exports = tmp_path / "exports"
    exports.mkdir()
    with Measuring(shop, *_words("W", "--link", f"folder:{exports}")) as measuring:
        measuring.wait_for("is there")
        (exports / "a.txt").write_bytes(b"".join(line + b"\n" for line in _figures(7)))
        assert measuring.wait_for_taken(7)
        measuring.kill()
    with (exports / "a.txt").open("ab") as growing:
        growing.write(b"".join(line + b"\n" for line in _figures(3, 7)))
    (exports / "b.txt").write_bytes(b"".join(line + b"\n" for line in _figures(10, 10)))
    with Measuring(shop, "measure") as measuring:
        measuring.wait_for(": 7 readings counted")
        assert measuring.wait_for_taken(13)
        measuring.end_input()
        assert measuring.ended() == 0, measuring.lines
    assert [f.decode() for f in _figures(20)] == _shown(shop, "W")


def test_a_file_of_which_nothing_can_be_taken_is_said_in_plain_lines(shop: Path, tmp_path: Path) -> None:
    exports = tmp_path / "exports"
    exports.mkdir()
    with Measuring(shop, *_words("W", "--link", f"folder:{exports}")) as measuring:
        measuring.wait_for("is there")
        (exports / "a.txt").write_bytes("3.01\r\n".encode("utf-16"))
        measuring.wait_for("a.txt: this is UTF-16, so nothing is taken from it")
        (exports / "b.txt").write_bytes("3.01\r\n".encode("utf-16-le"))  # without the mark
        measuring.wait_for("b.txt: this is UTF-16, so nothing is taken from it")
        measuring.kill()
    with Measuring(shop, *_words("W", "--link", f"file:{exports / 'b.txt'}")) as measuring:
        measuring.end_input()
        assert measuring.ended() == 2
    said = "\n".join(measuring.lines)
    assert "b.txt: this is UTF-16" in said
    assert "baud" not in said
    assert measuring.lines[-1] == "filmtally: nothing was taken, so nothing is kept"


def test_a_typed_line_that_is_doubted_and_cannot_be_typed_again_does_not_hold_the_gauge_up(
    shop: Path, tmp_path: Path
) -> None:
    with PtyGauge(tmp_path) as gauge, Measuring(shop, *_words("W", "--link", gauge.address)) as measuring:
        measuring.wait_for("is there")
        measuring.type("75\n")
        measuring.wait_for("type it again to take it as it is")
        measuring.end_input()
        time.sleep(1)  # nothing says that the end of the input has been read
        gauge.write(_figures(1))
        assert measuring.wait_for_taken(1)
        measuring.kill()


def test_sealing_names_what_was_skipped(door: FrontDoor, monkeypatch: pytest.MonkeyPatch) -> None:
    skips = "@skip hanger mark\n" * 2
    monkeypatch.setattr(sys, "stdin", _Text("3.1\n" * 10 + skips))
    answer = door(*_words("S"))
    assert answer.code == 0
    assert "bar edges on piece 1 (hanger mark) and 1 more skipped" in answer.out


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (("--link", "tin can"), "'tin can' is no link; write one of:"),
        (("--link", "COM3", "--link", "COM3"), "--link COM3: stands twice"),
        (("--link", "COM3", "--from", "a.txt"), "--from and --link exclude each other"),
        (("--link", "serial:/etc/passwd"), "serial:/etc/passwd: is a file and no serial line; name the device"),
        (("--link", "serial:/tmp"), "serial:/tmp: is a folder and no serial line"),
        (("--link", "folder:/etc/passwd"), "folder:/etc/passwd: is no folder; name the folder"),
        (("--link", "file:/nope"), "/nope: this file cannot be read (No such file or directory); name the right one"),
        (("--link", "file:/tmp"), "file:/tmp: is a folder; name a file in it"),
        (("--link", "pipe:/tmp"), "pipe:/tmp: is a folder and no pipe"),
        (("--link", "socket://localhost:0"), "0 is no port; write one from 1 to 65535"),
        (("--link", "rfc2217://localhost:99999"), "99999 is no port"),
        (("--link", "ble:name=x,adapter="), "behind ,adapter= stands no adapter; name one"),
        (("--link", "ble:AA:BB"), "'ble:AA:BB' is no Bluetooth gauge; write ble:"),
    ],
)
def test_a_wrong_link_is_refused_before_anything_is_begun(
    door: FrontDoor, words: tuple[str, ...], sentence: str
) -> None:
    answer = door(*_words("L", *words))
    assert answer.code == 2
    assert sentence in answer.sentence
    assert open_ids(ShopFolder(door.folder)) == []
    assert "readings counted" not in answer.out


def test_a_device_that_is_not_there_yet_is_waited_for(shop: Path, tmp_path: Path) -> None:
    with Measuring(shop, *_words("L", "--link", f"serial:{tmp_path / 'later'}")) as measuring:
        measuring.wait_for(str(tmp_path / "later"))
        assert measuring.child.poll() is None


WEDGE = """\
title = "a gauge that types like a keyboard"
reading = 'T=(?P<thickness>[0-9.]+)'
unit = "mil"
"""


def test_keys_said_on_the_command_line_read_the_gauges_own_lines_and_a_persons_bare_figures(
    door: FrontDoor, monkeypatch: pytest.MonkeyPatch
) -> None:
    (Path(door.folder) / "profiles" / "wedge.toml").write_text(WEDGE, encoding="utf-8")
    path = Path(door.folder) / "shop.toml"
    toml = path.read_text(encoding="utf-8").replace('profile = "plain-number"', 'profile = "wedge"')
    path.write_text(toml, encoding="utf-8")
    monkeypatch.setattr(sys, "stdin", _Text("T=3.1\n3.2\nT=3.3\nT=\n"))
    answer = door(*_words("L", "--link", "keys", "--keep-open"))
    for taken in ("taken 1: 3.1 mil", "taken 2: 3.2 mil", "taken 3: 3.3 mil"):
        assert taken in answer.out, answer
    assert "NOT TAKEN: line 4" in answer.out
    (inspection,) = open_ids(ShopFolder(door.folder))
    with OpenInspection(ShopFolder(door.folder), inspection, NOW) as again:  # the journal is read as it was taken
        assert [reading.decoded.shown for reading in again.taking.readings] == ["3.1", "3.2", "3.3"]
    monkeypatch.setattr(sys, "stdin", _Text("T=3.1\n3.2\n"))
    answer = door(*_words("M", "--keep-open"))
    assert "taken 1: 3.2 mil" in answer.out, answer
    assert "NOT TAKEN: line 1" in answer.out


def test_a_lot_that_is_open_is_gone_on_with_and_other_pieces_are_said_to_change_nothing(
    door: FrontDoor, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "stdin", _Text("3.1\n"))
    door(*_words("L", "--keep-open"))
    monkeypatch.setattr(sys, "stdin", _Text("3.2\n"))
    answer = door("measure", "gate-leaf", "--lot", "L", "--pieces", "3", "--keep-open")
    assert "this goes on with it, inspector mk, gauge FB-07" in answer.out, answer
    assert "; it was begun with 1 piece, and --pieces 3 changes nothing" in answer.out
    assert "1 reading counted" in answer.out


def test_listing_the_links_says_what_is_there(door: FrontDoor) -> None:
    answer = door("measure", "--list-links", "--json")
    assert answer.code == 0
    assert set(json.loads(answer.out)) == {"links", "missing"}


def test_where_nobody_can_answer_the_lines_wait_counted_and_it_ends_once_the_plan_is_full(
    shop: Path, tmp_path: Path
) -> None:
    words = _words("V", "--plain", "--json", "--link")
    with PtyGauge(tmp_path) as gauge, Measuring(shop, *words, gauge.address) as measuring:
        measuring.end_input()
        measuring.wait_until_up()
        gauge.write([*_figures(3), b"75"])
        measuring.wait_for("nobody can answer here: answer it at a terminal with 'filmtally measure --resume")
        gauge.write([*_figures(10, 3), b"no such line"])
        gauge.write(_figures(6, 13))
        assert measuring.ended() == 2
    (inspection,) = open_ids(ShopFolder(shop))
    said = "\n".join(measuring.lines)
    assert "waits until" not in said
    assert said.count("nobody can answer here") == 1
    assert "Ctrl-D" not in said
    assert "with 3 readings counted" in said
    assert "and 17 lines wait there for the answer" in said
    answer = json.loads(next(line for line in measuring.lines if line.startswith("{")))
    assert (answer["inspection_id"], answer["sealed"], answer["readings_counted"]) == (inspection, False, 3)
    assert answer["lines_waiting"] == 17
    with OpenInspection(ShopFolder(shop), inspection, NOW) as again:
        assert [came.line.frame.data for came in again.live.waiting][-1] == b"3.18"


def test_json_answers_at_the_end_of_a_live_capture_and_progress_goes_to_standard_error(shop: Path) -> None:
    command = [sys.executable, "-m", "filmtally", "--shop", str(shop), *_words("J", "--json")]
    done = subprocess.run(command, input="3.1\n" * 20, capture_output=True, text=True, cwd=ROOT, check=False)
    assert done.returncode == 0, done.stderr
    answer = json.loads(done.stdout)
    assert (answer["sealed"], answer["readings_counted"]) == (True, 20)
    assert "taken 20: 3.1 mil" in done.stderr
    one = subprocess.run(
        [*command, "--keep-open", "--lot", "K"], input="3.1\n", capture_output=True, text=True, cwd=ROOT, check=False
    )
    assert json.loads(one.stdout)["readings_counted"] == 1

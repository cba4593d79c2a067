"""The command `teach`, as an inspector uses it: from a file, pasted, and live over a socket and a serial line."""

from __future__ import annotations

import io
import json
from pathlib import Path

import pytest

from schemas.profile import Profile
from tests.front.shop import FrontDoor
from tests.live.pty_gauge import PtyGauge
from tests.live.socket_gauge import SocketGauge

PLAIN = b"82.5 um\r\nLOW CELL\r\n120.3 um\r\n"
SHOWN = ("--shown", "82.5 um", "--shown", "120.3 um")


class _Typed(io.StringIO):
    """What a person types at a terminal."""

    def __init__(self, *lines: str, terminal: bool = True) -> None:
        super().__init__("".join(line + "\n" for line in lines))
        self._terminal = terminal

    def isatty(self) -> bool:
        return self._terminal


def _types(monkeypatch: pytest.MonkeyPatch, *lines: str, terminal: bool = True) -> None:
    monkeypatch.setattr("sys.stdin", _Typed(*lines, terminal=terminal))


def _profile(door: FrontDoor, name: str) -> Profile:
    return Profile.load(door.folder / "profiles" / f"{name}.toml")


def test_a_file_and_what_was_shown_become_a_profile_that_takes_an_inspection(door: FrontDoor) -> None:
    answer = door(
        "teach", "bench-2", "--from", door.write("taught.txt", PLAIN), *SHOWN, "--not-reading", "2=battery low"
    )
    assert answer.code == 0, answer
    assert "line 1: 82.5 um  ->  82.5 µm (the display showed 82.5 µm)" in answer.out
    assert "line 2: LOW CELL  ->  no reading: battery low" in answer.out
    assert 'add to its entry under [[gauge]] in shop.toml: profile = "bench-2"' in answer.out
    capture = door.write("hinge.txt", b"88.0 um\r\n" * 4 + b"LOW CELL\r\n" + b"32.0 um\r\n" * 4)
    assert door.measure("hinge", capture, "--profile", "bench-2").code in (0, 1)


def test_a_profile_that_is_there_is_not_written_over(door: FrontDoor) -> None:
    capture = door.write("taught.txt", PLAIN)
    assert door("teach", "bench-2", "--from", capture, *SHOWN).code == 0
    before = (door.folder / "profiles" / "bench-2.toml").read_bytes()
    answer = door("teach", "bench-2", "--from", capture, *SHOWN, "--title", "other")
    assert answer.code == 2
    assert "this profile is there already; take another name, or say --replace" in answer.sentence
    assert (door.folder / "profiles" / "bench-2.toml").read_bytes() == before
    assert door("teach", "bench-2", "--from", capture, *SHOWN, "--title", "other", "--replace").code == 0
    assert _profile(door, "bench-2").title == "other"


def test_what_is_open_is_asked_in_sentences_and_nothing_is_written(door: FrontDoor) -> None:
    capture = door.write("taught.txt", b"A 82.5\nA 120.3\n")
    answer = door("teach", "bench-2", "--from", capture, *SHOWN)
    assert answer.code == 2
    assert "open: 'A' stands in every reading; what is it?" in answer.out
    assert "bench-2: 1 thing is open, and nothing was written" in answer.sentence
    assert not (door.folder / "profiles" / "bench-2.toml").exists()
    told = json.loads(door("teach", "bench-2", "--from", capture, *SHOWN, "--json").out)
    question = told["questions"][0]
    assert (told["written"], question["kind"]) == (None, "choice")
    said = f"{question['key']}=fixed"
    told = json.loads(door("teach", "bench-2", "--from", capture, *SHOWN, "--json", "--answer", said).out)
    assert [line["is"] for line in told["lines"]] == ["reading", "reading"]
    assert _profile(door, "bench-2").unit == "um"


def test_a_dry_run_shows_the_file_and_writes_nothing(door: FrontDoor) -> None:
    answer = door("teach", "bench-2", "--from", door.write("taught.txt", PLAIN), *SHOWN, "--dry-run")
    assert answer.code == 0
    assert "reading = '" in answer.out
    assert not (door.folder / "profiles" / "bench-2.toml").exists()


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (("--shown", "77.7 um"), "--shown 77.7 um: no line holds these figures"),
        (("--shown", "9=82.5 um"), "--shown 9=82.5 um: there is no line 9; 3 lines came"),
        (("--shown", "1=82.5 um", "--shown", "1=82.5 um"), "line 1 has a reading already"),
        (("--shown", "about eighty"), "'about eighty' is not what a display shows"),
        ((*SHOWN, "--answer", "yes"), "write it as QUESTION=CHOICE"),
        ((*SHOWN, "--not-reading", "1=low"), "line 1 cannot be a reading and none"),
        ((*SHOWN, "--baud", "7"), "--baud: baud is '7'"),
    ],
)
def test_a_word_that_cannot_be_used_gets_one_sentence(door: FrontDoor, words: tuple[str, ...], sentence: str) -> None:
    answer = door("teach", "bench-2", "--from", door.write("taught.txt", PLAIN), *words)
    assert answer.code == 2
    assert sentence in answer.sentence


def test_a_name_that_leads_out_of_the_folder_is_refused(door: FrontDoor) -> None:
    assert "is no name for a profile" in door("teach", "../shop", "--from", "x", *SHOWN).sentence


def test_lines_that_end_with_tab_are_cut_there(door: FrontDoor) -> None:
    answer = door("teach", "bench-2", "--from", door.write("taught.txt", b"82.5 um\t120.3 um\t"), *SHOWN)
    assert answer.code == 0, answer
    assert _profile(door, "bench-2").line_end == "\t"


def test_pasted_lines_are_taught_by_asking(door: FrontDoor, monkeypatch: pytest.MonkeyPatch) -> None:
    lines = ("1;A;82.5;um", "LOW CELL", "2;A;120.3;um", "3;S;9.1;um", "")
    _types(monkeypatch, *lines, "1=82.5 um", "3=120.3um", "2", "nonsense", "4=9.1 um", "1", "battery low")
    answer = door("teach", "bench-2")
    assert answer.code == 0, answer
    assert "line 4: 3;S;9.1;um  ->  9.1 µm, counter 3, magnetic" in answer.out
    assert "line 2: LOW CELL  ->  no reading: battery low" in answer.out


def test_a_capture_of_ours_is_taught_from_without_its_times(door: FrontDoor) -> None:
    data = b"# filmtally capture 1\n2026-11-03T10:00:00Z\t82.5 um\n2026-11-03T10:00:05Z\t@note x\n2026-11-03T10:00:09Z\t120.3 um\n"
    assert door("teach", "bench-2", "--from", door.write("taught.txt", data), *SHOWN).code == 0


def test_a_gauge_is_taught_live_over_a_socket(door: FrontDoor, monkeypatch: pytest.MonkeyPatch) -> None:
    greeting = b"".join(f"{n};{v};um\r\n".encode() for n, v in ((7, "82.5"), (8, "120.3"), (9, "9.1")))
    with SocketGauge(greeting=greeting) as gauge:
        _types(monkeypatch, "82.5 um", "120.3 um", "9.1 um")
        answer = door("teach", "bench-2", "--link", gauge.address)
    assert answer.code == 0, answer
    assert "counter" in (_profile(door, "bench-2").reading or "")


def test_a_gauge_is_taught_live_from_words_alone(door: FrontDoor) -> None:
    with SocketGauge(greeting=b"82.5 um\r\n120.3 um\r\n") as gauge:
        assert door("teach", "bench-2", "--link", gauge.address, *SHOWN).code == 0


def test_a_link_that_is_not_there_is_told(door: FrontDoor, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("ingest.teaching_sources.LiveSource.start.__defaults__", (0.5,))
    answer = door("teach", "bench-2", "--link", "serial:/dev/no-such-port", *SHOWN)
    assert answer.code == 2
    assert "serial:/dev/no-such-port: is not reached;" in answer.err.splitlines()[-1]


def test_garbage_on_a_serial_line_is_said_to_be_another_rate(
    door: FrontDoor, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    with PtyGauge(tmp_path) as gauge:
        steps = [
            ([b"\xfe\xed\xfa\xce\x9b"], "82.5 um\n"),
            ([], "19200\n"),
            ([b"82.5 um"], "82.5 um\n"),
            ([b"120.3 um"], "120.3 um\n"),
        ]
        monkeypatch.setattr("sys.stdin", _Scripted(gauge, steps))
        answer = door("teach", "bench-2", "--link", gauge.address)
    assert answer.code == 0, answer
    assert "What comes at 9600 baud is no text" in answer.out
    assert "baud = 19200" in (Path(door.folder) / "profiles" / "bench-2.toml").read_text()


@pytest.mark.parametrize(("end", "key"), [(b"\t", "line_end"), (b"", "idle_end_ms")])
def test_a_gauge_that_ends_its_lines_otherwise_is_taught(
    door: FrontDoor, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, end: bytes, key: str
) -> None:
    monkeypatch.setattr("ingest.teaching_talk._WAIT_S", 1.0)
    with PtyGauge(tmp_path, end=end) as gauge:
        steps = [([b"82.5 um"], "82.5 um\n"), ([b"120.3 um"], "120.3 um\n")]
        monkeypatch.setattr("sys.stdin", _Scripted(gauge, steps))
        answer = door("teach", "bench-2", "--link", gauge.address)
    assert answer.code == 0, answer
    assert f"\n{key} = " in (door.folder / "profiles" / "bench-2.toml").read_text()


class _Scripted:
    """A person who takes readings and types, and a gauge that writes each time before they type."""

    def __init__(self, gauge: PtyGauge, steps: list[tuple[list[bytes], str]]) -> None:
        self._steps = iter(steps)
        self._gauge = gauge

    def readline(self) -> str:
        lines, typed = next(self._steps, ([], ""))
        if lines:
            self._gauge.write(lines)
        return typed

    def isatty(self) -> bool:
        return True

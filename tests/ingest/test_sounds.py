"""What is heard: told apart, and never waited for."""

from __future__ import annotations

import threading

from ingest.capture_state import Heard
from ingest.sounds import BELLS, TONES, Bell, Silence, Tones, most_telling, sounds_for


def test_the_three_sounds_differ_in_number_and_in_length() -> None:
    assert sorted(BELLS.values()) == [1, 2, 3]
    assert {sum(1 for tone in tones if tone.hertz) for tones in TONES.values()} == {1, 2, 3}
    assert len({tones[0].hertz for tones in TONES.values()}) == 3


def test_of_many_readings_at_once_the_one_outside_is_heard() -> None:
    assert most_telling([Heard.IN, Heard.OUT, Heard.NOT_A_READING, Heard.IN]) is Heard.OUT
    assert most_telling([Heard.IN, Heard.NOT_A_READING]) is Heard.NOT_A_READING
    assert most_telling([]) is None


def test_the_bell_rings_as_often_as_the_sound_says() -> None:
    rung: list[int] = []
    for heard in Heard:
        Bell(rung.append).play(heard)
    assert rung == [1, 2, 3]


def test_a_tone_that_never_ends_holds_nobody_up_and_the_last_sound_wins() -> None:
    begun, go_on = threading.Event(), threading.Event()
    played: list[int] = []

    def beep(hertz: int, ms: int) -> None:
        played.append(hertz)
        begun.set()
        go_on.wait(60)

    tones = Tones(beep, lambda s: None)
    tones.play(Heard.IN)
    assert begun.wait(60)
    for _ in range(1000):  # each returns at once, or this would never end
        tones.play(Heard.NOT_A_READING)
    tones.play(Heard.OUT)
    go_on.set()
    tones.close()
    assert played == [1400] or played[:3] == [1400, 500, 500]
    assert 900 not in played


def test_a_computer_without_a_loudspeaker_measures_in_silence() -> None:
    failed = threading.Event()

    def beep(hertz: int, ms: int) -> None:
        failed.set()
        raise RuntimeError("Failed to beep")

    tones = Tones(beep, lambda s: None)
    tones.play(Heard.IN)
    assert failed.wait(60)
    tones.play(Heard.OUT)
    tones.close()


def test_no_sound_is_a_choice() -> None:
    rung: list[int] = []
    sounds = sounds_for("off", rung.append, lambda s: None)
    assert isinstance(sounds, Silence)
    sounds.play(Heard.OUT)
    sounds.close()
    assert rung == []
    sounds_for("bell", rung.append, lambda s: None).play(Heard.OUT)
    assert rung == [2]

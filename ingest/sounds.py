"""What is heard: one for a reading in its window, two for one outside, three for what is no reading.

Taking never waits for a sound: a terminal's bell is rung by the thread that draws, a tone by a thread of its own, and
where sounds come faster than they can be heard, the last one wins.
"""

from __future__ import annotations

import sys
import threading
from collections.abc import Callable, Iterable
from typing import Final, NamedTuple, Protocol

from ingest.capture_state import Heard

#: How the choice is spelled on the command line.
CHOICES: Final = ("auto", "bell", "tones", "off")

#: How often a bell rings.
BELLS: Final = {Heard.IN: 1, Heard.OUT: 2, Heard.NOT_A_READING: 3}


class Tone(NamedTuple):
    """Pitch and length; a pitch of 0 is a pause."""

    hertz: int
    ms: int


#: Different in pitch, number and rhythm, so that they are told apart beside a compressor. A choice of ours.
TONES: Final = {
    Heard.IN: (Tone(1400, 120),),
    Heard.OUT: (Tone(500, 250), Tone(0, 80), Tone(500, 250)),
    Heard.NOT_A_READING: (Tone(900, 70), Tone(0, 60), Tone(900, 70), Tone(0, 60), Tone(900, 70)),
}
_LOUDEST_FIRST: Final = (Heard.OUT, Heard.NOT_A_READING, Heard.IN)


class Sounds(Protocol):
    """Something that can be heard."""

    def play(self, heard: Heard) -> None:
        """Begin the sound and return at once."""
        ...

    def close(self) -> None:
        """Let the last sound end, for a moment, and stop."""
        ...


def most_telling(heard: Iterable[Heard]) -> Heard | None:
    """Return the one of *heard* that must not go unheard where many readings came at once, or None."""
    came = set(heard)
    return next((h for h in _LOUDEST_FIRST if h in came), None)


class Silence:
    """No sound."""

    def play(self, heard: Heard) -> None:
        pass

    def close(self) -> None:
        pass


class Bell:
    """The terminal's bell.

    Args:
        ring: Rings so many times and returns at once (Terminal.ring).
    """

    def __init__(self, ring: Callable[[int], None]) -> None:
        self._ring = ring

    def play(self, heard: Heard) -> None:
        self._ring(BELLS[heard])

    def close(self) -> None:
        pass


class Tones:
    """Tones, on a thread of their own.

    Args:
        beep: Sounds a tone of so many hertz for so many milliseconds, and returns when it has ended.
        pause: Waits so many seconds.
    """

    def __init__(self, beep: Callable[[int, int], None], pause: Callable[[float], None]) -> None:
        self._beep = beep
        self._pause = pause
        self._next: Heard | None = None
        self._closed = False
        self._changed = threading.Condition()
        self._thread = threading.Thread(target=self._run, name="tones", daemon=True)
        self._thread.start()

    def play(self, heard: Heard) -> None:
        with self._changed:
            self._next = heard
            self._changed.notify()

    def close(self) -> None:
        with self._changed:
            self._closed = True
            self._changed.notify()
        self._thread.join(1.0)

    def _run(self) -> None:
        while True:
            with self._changed:
                self._changed.wait_for(lambda: self._closed or self._next is not None)
                heard, self._next = self._next, None
            if heard is None:
                return
            for tone in TONES[heard]:
                if not tone.hertz:
                    self._pause(tone.ms / 1000)
                    continue
                try:
                    self._beep(tone.hertz, tone.ms)
                except (RuntimeError, OSError):
                    return  # this computer has nothing to sound with, and measuring goes on without


def sounds_for(choice: str, ring: Callable[[int], None], pause: Callable[[float], None]) -> Sounds:
    """Return the sounds that *choice*, one of CHOICES, names; auto is tones on Windows and the bell elsewhere."""
    if choice == "off":
        return Silence()
    if choice in ("auto", "tones") and sys.platform == "win32":
        import winsound

        return Tones(winsound.Beep, pause)
    return Bell(ring)

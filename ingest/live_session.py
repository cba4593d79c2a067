"""One sitting at a bench: opens the links, takes what comes until the inspector or a signal ends it, and closes them."""

from __future__ import annotations

import contextlib
import signal
import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from types import FrameType
from typing import Any, Final, TextIO

from ingest.capturing import Capture
from ingest.links import live_link
from ingest.links.address import Address, address_of
from ingest.links.asking import Requester
from ingest.links.key_lines import KeyLines
from ingest.links.live import LiveLink, ReadsFiles
from ingest.links.stream import Stream
from ingest.links.typed_keys import TypedKeys
from ingest.links.typed_lines import TypedLines
from ingest.open_inspection import OpenInspection
from ingest.plain_lines import Ended, PlainLines
from schemas.errors import BadInput
from schemas.gauge_checks import GaugeCheck
from schemas.profile import Profile
from schemas.shop import Gauge

#: What ends a program from outside: Ctrl-C, a shutdown, a terminal window that is closed.
_ENDINGS: Final = tuple(getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name))


@dataclass(frozen=True, slots=True)
class Sat:
    """How a sitting ended.

    Attributes:
        ended: Why.
        signal_no: The signal that ended it, or None.
        problems: How many lines were not taken.
        stopped: Why nothing could be written at the end, or None; then what was in hand was never shown as taken.
    """

    ended: Ended
    signal_no: int | None
    problems: int
    stopped: str | None


@dataclass(slots=True)
class _Signals:
    """The signal that asked for the end, noted while a record may be half written, and looked at when it is not."""

    seen: int | None = None
    _before: dict[int, Any] = field(default_factory=dict)

    def __enter__(self) -> _Signals:
        with contextlib.suppress(ValueError):  # not the main thread: then the signals are not ours
            for number in _ENDINGS:
                self._before[number] = signal.signal(number, self._note)
        return self

    def __exit__(self, *_: object) -> None:
        for number, handler in self._before.items():
            signal.signal(number, handler)

    def _note(self, number: int, _frame: FrameType | None) -> None:
        self.seen = number


def addresses_of(links: Sequence[str]) -> list[Address]:
    """Return the addresses that *links* write, "keys" left out: what is typed is always listened to.

    Raises:
        BadInput: One is no address, stands twice, or there is no such link here.
    """
    found: list[Address] = []
    for text in links:
        address = address_of(text)
        if address in found:
            raise BadInput(f"--link {text}: stands twice; say it once")
        if address.scheme == "keys":
            continue
        found.append(address)
    return found


def sit(
    inspection: OpenInspection,
    addresses: Sequence[Address],
    gauge: Gauge | None,
    checks: Callable[[], Sequence[GaugeCheck]],
    now: Callable[[], datetime],
    *,
    on_screen: bool = False,
    sound: str = "off",
    out: TextIO | None = None,
    also_figures: bool = False,
) -> Sat:
    """Take what comes until it ends: on a screen, or in plain lines.

    Args:
        inspection: The open inspection; stays open.
        addresses: The live links.
        gauge: The gauge as shop.toml has it today.
        checks: The gauge's checks on record now.
        now: The clock.
        on_screen: Whether the capture screen is drawn, on a terminal that can show it.
        sound: What is heard on it (ingest/sounds.py).
        out: Where plain lines go; standard output where None.
        also_figures: As of :meth:`ingest.live_taking.LiveTaking.begin`.
    """
    profile = inspection.facts.profile
    stdin_is_link = any(address.scheme == "pipe" and address.rest == "-" for address in addresses)
    interactive = not stdin_is_link and sys.stdin.isatty()
    stream = Stream(wall=now)
    links = [_made(address, profile, inspection) for address in addresses]
    typed = None if stdin_is_link or on_screen else _typed(profile, out or sys.stdout)
    capture = Capture(
        inspection,
        checks,
        now,
        links=[link.name for link in links],
        gauge=gauge,
        prompted=interactive,
        asks=on_screen or typed is not None,
        confirms=interactive,
        also_figures=also_figures,
    )
    if on_screen:
        return _on_screen(capture, stream, links, sound)
    with _Signals() as signals, _started([*links, *([typed] if typed else [])], stream, capture):
        loop = PlainLines(
            capture,
            stream,
            links,
            out or sys.stdout,
            interactive,
            typed=typed is not None,
            stop=lambda: signals.seen is not None,
        )
        ended = Ended.STOPPED
        try:
            ended = loop.run()
        except OSError:
            # The terminal is gone: there is nobody to tell, and the signal that says so is on its way.
            if not interactive:
                raise
    if signals.seen is not None or (typed is not None and typed.is_gone):
        ended = Ended.STOPPED
    return Sat(ended, signals.seen, loop.problems, capture.stopped)


def _on_screen(capture: Capture, stream: Stream, links: Sequence[LiveLink], sound: str) -> Sat:
    import os
    import time

    from ingest import screen
    from ingest.sounds import sounds_for
    from ingest.terminal import Terminal

    askable = [link for link in links if isinstance(link, Requester)]

    def request() -> None:
        for link in askable:
            link.ask()

    with (
        _started(links, stream, capture),
        Terminal(sys.stdin, sys.stdout, os.environ, stream.nudge) as terminal,
        contextlib.closing(sounds_for(sound, terminal.ring, time.sleep)) as sounds,
    ):
        left = screen.run(
            capture,
            stream,
            terminal,
            sounds,
            pieces=capture.inspection.taking.pieces,
            key_lines=None if links else _key_lines(capture.inspection.facts.profile),
            request=request if askable else None,
        )
        stopped_from_outside, by = terminal.ended, terminal.ended_by
    asked = capture.inspection.live.question
    if stopped_from_outside:
        return Sat(Ended.STOPPED, by, 0, capture.stopped)
    if left is screen.Ended.LATER:
        return Sat(Ended.LATER, None, 0, capture.stopped)
    return Sat(Ended.FINISHED if asked is None else Ended.ASKED, None, 0, capture.stopped)


def _typed(profile: Profile, out: TextIO) -> TypedLines | TypedKeys:
    """Return what hears standard input: key by key where a gauge may type there whose lines no Enter ends."""
    if (profile.line_end or profile.idle_end_ms) and sys.stdin.isatty():
        with contextlib.suppress(OSError, ValueError, AttributeError):

            def show(text: str) -> None:
                out.write(text)
                out.flush()

            return TypedKeys(sys.stdin.fileno(), profile, show)
    return TypedLines(sys.stdin, profile.max_line_bytes)


def _key_lines(profile: Profile) -> KeyLines:
    """Return what makes lines of the keys, where the keyboard is the link: typed, or a gauge that types."""
    end = profile.line_end.encode() if profile.line_end else None
    return KeyLines(profile.max_line_bytes, end, profile.idle_end_ms)


def _made(address: Address, profile: Profile, inspection: OpenInspection) -> LiveLink:
    link = live_link(address, profile)
    taken = inspection.live.origins.get(link.name)
    if taken and isinstance(link, ReadsFiles):  # it goes on behind what is on disk
        link.resume(taken)
    return link


@contextlib.contextmanager
def _started(links: Sequence[LiveLink], stream: Stream, capture: Capture) -> Iterator[None]:
    """Start *links*, and at the end close them and take what they had handed on by then."""
    begun: list[LiveLink] = []
    try:
        for link in links:
            link.start(stream)
            begun.append(link)
        yield
    finally:
        for link in begun:
            link.close()
        left = []
        while (item := stream.get(0)) is not None:
            left.append(item)
        stream.close()
        if left and capture.stopped is None:
            capture.items([item for item in left if item.link != "typed"])

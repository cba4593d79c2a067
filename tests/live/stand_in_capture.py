"""A small capture to drive the screen in tests: lines of bare figures at planned places, each synced to a file before it is shown."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import replace
from decimal import Decimal, InvalidOperation
from pathlib import Path

from ingest.capture_state import (
    Act,
    GateShown,
    GateState,
    Heard,
    LastReading,
    LinkShown,
    LocationCount,
    Message,
    MessageKind,
    NextPlace,
    Question,
    Shown,
    Standing,
)
from ingest.links.item import Item, Kind
from tests.live.screen_states import WINDOW

LOCATIONS = ("top rail", "bottom rail", "Türblatt", "latch side")
PIECES = ("P-1", "P-2", "P-3")
PER_LOCATION = 2


class StandInCapture:
    """Everything that it took stands in *disk*, a line each, before shown() tells of it."""

    def __init__(self, disk: Path) -> None:
        self._disk = disk
        self.piece, self.location = PIECES[0], LOCATIONS[0]
        self.taken: list[tuple[str, str, Decimal, bool]] = []
        self.last: LastReading | None = None
        self.message: Message | None = None
        self.question: Question | None = None
        self.paused = False
        self.up = True
        self.note = ""
        self._stopped: str | None = None
        self._heard: list[Heard] = []

    @property
    def stopped(self) -> str | None:
        if self._stopped is None and self._disk.with_suffix(".full").exists():
            self._stopped = "The disk is full: make room on it, and it goes on by itself"
        return self._stopped

    def write(self, text: str) -> None:
        fd = os.open(self._disk, os.O_CREAT | os.O_APPEND | os.O_WRONLY)
        try:
            os.write(fd, f"{text}\n".encode("utf-8", "surrogateescape"))
            os.fsync(fd)
        finally:
            os.close(fd)

    def items(self, items: Sequence[Item]) -> None:
        for item in items:
            if item.kind in (Kind.UP, Kind.DOWN):
                self.up, self.note = item.kind is Kind.UP, item.note
            elif item.frame is not None:
                self._line(item.frame.data.decode("utf-8", "surrogateescape"))

    def _line(self, text: str) -> None:
        try:
            value = Decimal(text.strip())
        except InvalidOperation:
            self.write(f"other {text}")
            self.message = Message(kind=MessageKind.NOT_A_READING, sentence=f"{text!r} is no reading")
            self._heard.append(Heard.NOT_A_READING)
            return
        if value < 10:
            self.question = Question(sentence=f"{value} looks like mil", line=text, acts=(Act.ACCEPT, Act.LEAVE_OUT))
            return
        self._take(value)

    def _take(self, value: Decimal) -> None:
        self.write(f"reading {value} {self.piece} {self.location}")
        self.taken.append((self.piece, self.location, value, True))
        standing = Standing.LOW if value < 60 else Standing.HIGH if value > 120 else Standing.IN
        self.last = LastReading(
            number=len(self.taken),
            shown=str(value),
            unit="µm",
            value=value,
            piece=self.piece,
            location=self.location,
            spot=1,
            window=WINDOW,
            standing=standing,
        )
        self.message = None
        self._heard.append(Heard.IN if standing is Standing.IN else Heard.OUT)
        if self._count(self.location)[0] >= PER_LOCATION:
            at = LOCATIONS.index(self.location)
            if at + 1 < len(LOCATIONS):
                self.location = LOCATIONS[at + 1]

    def act(self, act: Act, text: str | None = None) -> bool:
        self.write(f"act {act.value} {text or ''}".rstrip())
        self.message = Message(kind=MessageKind.TOLD, sentence=f"done: {act.value} {text or ''}".rstrip())
        if act in (Act.UNDO, Act.EXCLUDE) and self.last is not None:
            self.taken[-1] = (*self.taken[-1][:3], False)
            self.last = replace(self.last, counted=False)
        elif act is Act.PAUSE:
            self.paused = not self.paused
        elif act is Act.ACCEPT and self.question is not None:
            asked, self.question = self.question, None
            self._take(Decimal(asked.line))
        elif act is Act.LEAVE_OUT:
            self.question = None
        elif act is Act.NEXT_PIECE:
            self.piece, self.location = PIECES[PIECES.index(self.piece) + 1], LOCATIONS[0]
        elif act is Act.GO_TO and text is not None:
            word, _, name = text.partition(" ")
            if word == "@piece":
                self.piece = name
            else:
                self.location = name
        return True

    def say(self, kind: MessageKind, sentence: str) -> None:
        self.message = Message(kind=kind, sentence=sentence)

    def refresh_gate(self) -> None:
        pass

    def retry(self) -> bool:
        if self._disk.with_suffix(".full").exists():
            return False
        self._stopped = None
        return True

    def heard(self) -> list[Heard]:
        found, self._heard = self._heard, []
        return found

    def _count(self, location: str) -> tuple[int, Decimal | None]:
        values = [v for p, name, v, counted in self.taken if p == self.piece and name == location and counted]
        return len(values), sum(values, Decimal(0)) / len(values) if values else None

    def shown(self) -> Shown:
        counts = {name: self._count(name) for name in LOCATIONS}
        return Shown(
            inspection_id="stand-in",
            part="GP-4 gate panel",
            customer="Hollin Gates",
            lot="4712",
            work_order=None,
            gauge="G-1",
            inspector="ab",
            next=NextPlace(
                piece=self.piece,
                piece_no=PIECES.index(self.piece) + 1,
                pieces=len(PIECES),
                location=self.location,
                spot=counts[self.location][0] + 1,
                spots=PER_LOCATION,
                nth=1,
                per_spot=1,
                window=WINDOW,
            ),
            last=self.last,
            locations=tuple(
                LocationCount(
                    location=name,
                    counted=n,
                    planned=PER_LOCATION,
                    mean=mean,
                    standing=Standing.IN if n else None,
                    window=WINDOW,
                )
                for name, (n, mean) in counts.items()
            ),
            counted=sum(counted for *_, counted in self.taken),
            not_counted=sum(not counted for *_, counted in self.taken),
            planned=len(PIECES) * len(LOCATIONS) * PER_LOCATION,
            gate=GateShown(state=GateState.COVERED, sentence="the opening check was right"),
            links=(LinkShown(name="pipe:gauge", up=self.up, note=self.note),),
            message=self.message,
            question=self.question,
            paused=self.paused,
            stopped=self.stopped,
        )

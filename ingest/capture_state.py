"""What is to be seen of an inspection while it is taken, and what a person can do. Pure values: no terminal, no disk.

The capture (ingest/capturing.py) makes a Shown after every event; the screen and the plain lines draw it and
decide nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum


class Standing(StrEnum):
    """Where a value lies. Only limits decide conformity; this is what the inspector sees at once, and judges no part."""

    IN = "in"
    LOW = "low"
    HIGH = "high"
    NO_LIMITS = "no limits"
    NO_BASE = "base reading missing"


class Heard(StrEnum):
    """What a sound says."""

    IN = "in"
    OUT = "out"
    NOT_A_READING = "not a reading"


class Act(StrEnum):
    """What a person can do while an inspection is taken. Those in NEEDS_TEXT come with a reason or a text."""

    UNDO = "undo"
    EXCLUDE = "exclude"
    SKIP = "skip"
    NEXT_PIECE = "next piece"
    GO_TO = "go to"
    NOTE = "note"
    PAUSE = "pause"
    REQUEST = "request"
    ACCEPT = "accept"
    LEAVE_OUT = "leave out"
    FINISH = "finish"


NEEDS_TEXT = frozenset({Act.EXCLUDE, Act.SKIP, Act.GO_TO, Act.NOTE, Act.ACCEPT})


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """Limits and target band of a location, exact, in the specification's unit; None where there is none."""

    lower: Decimal | None
    target_low: Decimal | None
    target_high: Decimal | None
    upper: Decimal | None
    unit: str


@dataclass(frozen=True, slots=True, kw_only=True)
class NextPlace:
    """What is to be measured next. Numbers count from 1."""

    piece: str
    piece_no: int
    pieces: int
    location: str
    spot: int
    spots: int
    nth: int
    per_spot: int
    window: Window
    before_coating: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class LastReading:
    """The last reading that is on disk.

    Attributes:
        number: Its number in the inspection.
        shown: The figures as the gauge showed them.
        unit: Their unit's symbol.
        value: The same, exact, in the unit of *window*.
        standing: Where it lies in *window*.
        counted: Whether it counts.
        doubled: Whether it may have been sent twice.
        before_coating: Whether it was read before coating, and others are reduced by it.
    """

    number: int
    shown: str
    unit: str
    value: Decimal
    piece: str
    location: str
    spot: int
    window: Window
    standing: Standing
    counted: bool = True
    doubled: bool = False
    before_coating: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class LocationCount:
    """How far a location on the present piece is. *mean* is in the window's unit, for the eye alone; None without readings."""

    location: str
    counted: int
    planned: int
    mean: Decimal | None
    standing: Standing | None
    window: Window
    skipped: bool = False


class GateState(StrEnum):
    """What the calibration gate would say of a reading taken now."""

    COVERED = "covered"
    OPEN = "open"
    UNCOVERED = "uncovered"


@dataclass(frozen=True, slots=True, kw_only=True)
class GateShown:
    """The gate's state, a sentence that says why and what to do, and *short* in a few words, empty where there are none."""

    state: GateState
    sentence: str
    short: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkShown:
    """A link: *note* says why it is down, or what the device says of itself; of a link that is up the screen leaves it out."""

    name: str
    up: bool
    note: str = ""
    battery_percent: int | None = None


class MessageKind(StrEnum):
    """What a message is about."""

    TOLD = "told"
    NOT_A_READING = "not a reading"
    NOT_TAKEN = "not taken"
    LINK = "link"
    STOPPED = "stopped"


@dataclass(frozen=True, slots=True, kw_only=True)
class Message:
    """The last thing to be said: what, where, and what to do."""

    kind: MessageKind
    sentence: str


class Doubt(StrEnum):
    """What a question is about: each kind has its own usual reasons for a yes."""

    LINK = "link"
    COUNTER = "counter"
    UNIT = "unit"
    GATE = "gate"
    DEVICE = "device"


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """Something is asked once, and nothing more is taken before it is answered.

    Attributes:
        sentence: What speaks against the line that came.
        line: The line, as text.
        acts: What answers it, such as ACCEPT and LEAVE_OUT.
        about: What kind of doubt it is.
    """

    sentence: str
    line: str
    acts: tuple[Act, ...]
    about: Doubt = Doubt.LINK


@dataclass(frozen=True, slots=True, kw_only=True)
class BaseShown:
    """What the job wants read before coating.

    Attributes:
        under: What is read then, in words: "bare metal".
        missing: Locations that have no such reading yet.
    """

    under: str
    missing: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PieceCount:
    """How many readings a piece still lacks; what was skipped is not among them."""

    piece: str
    lacking: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """All that the inspector sees."""

    inspection_id: str
    part: str
    customer: str
    lot: str
    work_order: str | None
    gauge: str
    inspector: str
    next: NextPlace | None
    last: LastReading | None
    locations: tuple[LocationCount, ...]
    counted: int
    not_counted: int
    planned: int
    gate: GateShown
    links: tuple[LinkShown, ...]
    message: Message | None = None
    question: Question | None = None
    paused: bool = False
    base: BaseShown | None = None  # None where the job asks for no readings before coating
    pieces: tuple[PieceCount, ...] = ()
    stopped: str | None = None  # why nothing is taken any more: the disk is full

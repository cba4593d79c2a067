"""States of an inspection for looking at the capture screen. Shop, parts and people are invented."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

from ingest.capture_state import (
    Act,
    BaseShown,
    Doubt,
    GateShown,
    GateState,
    LastReading,
    LinkShown,
    LocationCount,
    Message,
    MessageKind,
    NextPlace,
    Question,
    Shown,
    Standing,
    Window,
)
from ingest.screen_entry import HELP_HINT, KEYS, Asked, Entry

WINDOW = Window(lower=Decimal(60), target_low=Decimal(70), target_high=Decimal(90), upper=Decimal(120), unit="µm")
MIL_WINDOW = Window(lower=Decimal("2.4"), target_low=None, target_high=None, upper=Decimal("4.7"), unit="mil")

_COUNTS = (
    ("top rail", 3, "84.9", Standing.IN),
    ("bottom rail", 3, "97.3", Standing.IN),
    ("hinge side", 1, "84.2", Standing.IN),
    ("latch side", 0, None, None),
    ("inside corner", 0, None, None),
    ("back", 0, None, None),
)


def counts(window: Window = WINDOW) -> tuple[LocationCount, ...]:
    return tuple(
        LocationCount(
            location=name,
            counted=counted,
            planned=3,
            mean=Decimal(mean) if mean else None,
            standing=standing,
            window=window,
        )
        for name, counted, mean, standing in _COUNTS
    )


IN_WINDOW = Shown(
    inspection_id="20261103-1",
    part="GP-4 gate panel",
    customer="Hollin Gates",
    lot="4712",
    work_order="W-88",
    gauge="G-1",
    inspector="ab",
    next=NextPlace(
        piece="2",
        piece_no=2,
        pieces=4,
        location="hinge side",
        spot=2,
        spots=3,
        nth=1,
        per_spot=1,
        window=WINDOW,
    ),
    last=LastReading(
        number=25,
        shown="84.2",
        unit="µm",
        value=Decimal("84.2"),
        piece="2",
        location="hinge side",
        spot=1,
        window=WINDOW,
        standing=Standing.IN,
    ),
    locations=counts(),
    counted=25,
    not_counted=1,
    planned=72,
    gate=GateShown(state=GateState.COVERED, sentence="the opening check at 09:12 was right on Z-0 and S-130"),
    links=(LinkShown(name="serial:/dev/ttyUSB0", up=True, battery_percent=80),),
    message=Message(kind=MessageKind.TOLD, sentence="reading 25 is on disk"),
)
assert IN_WINDOW.last is not None
assert IN_WINDOW.next is not None

HIGH = replace(IN_WINDOW, last=replace(IN_WINDOW.last, shown="136.5", value=Decimal("136.5"), standing=Standing.HIGH))
LOW = replace(IN_WINDOW, last=replace(IN_WINDOW.last, shown="41.7", value=Decimal("41.7"), standing=Standing.LOW))
LINK_LOST = replace(
    IN_WINDOW,
    links=(
        LinkShown(name="serial:/dev/ttyUSB0", up=False, note="the cable is out; trying again every 2 s, plug it in"),
    ),
    message=Message(
        kind=MessageKind.LINK, sentence="serial:/dev/ttyUSB0 went away; what came before is on disk, nothing is lost"
    ),
)
BEFORE_FIRST = replace(
    IN_WINDOW,
    last=None,
    counted=0,
    not_counted=0,
    message=None,
    locations=tuple(replace(c, counted=0, mean=None, standing=None) for c in counts()),
)
GATE_OPEN = replace(
    BEFORE_FIRST,
    gate=GateShown(
        state=GateState.OPEN,
        sentence="the opening check was right; the closing check is still to come after the last reading",
        short="gauge checked 07:40; closing check after the last reading",
    ),
)
GATE_REFUSING = replace(
    BEFORE_FIRST,
    gate=GateShown(
        state=GateState.UNCOVERED,
        sentence="gauge G-1 has no opening check today; run 'filmtally check verification --gauge G-1 --occasion opening' "
        "before you measure, or no certificate can be issued on these readings",
    ),
)
QUESTION = replace(
    IN_WINDOW,
    message=None,
    question=Question(
        sentence="3.31 µm at 'hinge side' on piece 2 looks like 3.31 mil (limits 60 to 120 µm); "
        "set the unit right in the profile or on the gauge",
        line="3.31 um",
        acts=(Act.ACCEPT, Act.LEAVE_OUT),
        about=Doubt.UNIT,
    ),
)
PAUSED = replace(IN_WINDOW, paused=True)
DISK_FULL = replace(
    IN_WINDOW,
    stopped="The disk is full: make room on it. All readings shown as taken are on disk; it goes on by itself",
)
NO_LIMITS = replace(
    IN_WINDOW,
    last=replace(
        IN_WINDOW.last,
        standing=Standing.NO_LIMITS,
        window=Window(lower=None, target_low=None, target_high=None, upper=None, unit="µm"),
    ),
)
BASE_MISSING = replace(
    BEFORE_FIRST, base=BaseShown(under="bare metal", missing=tuple(count.location for count in counts()))
)
NO_BASE = replace(BASE_MISSING, last=replace(IN_WINDOW.last, standing=Standing.NO_BASE))
BASE = replace(
    IN_WINDOW,
    next=replace(IN_WINDOW.next, before_coating=True),
    last=replace(
        IN_WINDOW.last,
        shown="3.1",
        value=Decimal("3.1"),
        standing=Standing.NO_LIMITS,
        counted=False,
        before_coating=True,
    ),
)
DONE = replace(IN_WINDOW, next=None, counted=72)

ENTRY = Entry(hints=(HELP_HINT, *(hint for act, hint in KEYS if act not in (Act.ACCEPT, Act.LEAVE_OUT))))
QUESTION_ENTRY = replace(ENTRY, hints=(HELP_HINT, *(hint for act, hint in KEYS if act in (Act.NOTE, Act.FINISH))))
REASONS = replace(
    ENTRY,
    asked=Asked(
        title="Why does 84.2 µm at hinge side, piece 2 not count?",
        choices=("probe slipped", "on an edge", "dirt under the probe", "surface damaged", "another reason"),
    ),
)
TYPING = replace(ENTRY, typed="84.2")

#: By the name of the picture.
STATES: dict[str, tuple[Shown, Entry]] = {
    "in_window": (IN_WINDOW, ENTRY),
    "too_high": (HIGH, ENTRY),
    "too_low": (LOW, ENTRY),
    "link_lost": (LINK_LOST, ENTRY),
    "gate_covered": (BEFORE_FIRST, ENTRY),
    "gate_open": (GATE_OPEN, ENTRY),
    "gate_refusing": (GATE_REFUSING, ENTRY),
    "question": (QUESTION, QUESTION_ENTRY),
    "paused": (PAUSED, ENTRY),
    "disk_full": (DISK_FULL, ENTRY),
    "no_limits": (NO_LIMITS, ENTRY),
    "before_coating": (BASE, ENTRY),
    "base_missing": (BASE_MISSING, ENTRY),
    "no_base": (NO_BASE, ENTRY),
    "done": (DONE, ENTRY),
    "reason": (IN_WINDOW, REASONS),
    "typing": (IN_WINDOW, TYPING),
    "help": (IN_WINDOW, replace(ENTRY, help=True)),
}

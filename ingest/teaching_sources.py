"""Where the lines come from that a gauge is taught by: a file, what is pasted, or a live link."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Final
from zoneinfo import ZoneInfo

from ingest.decoding import text_of
from ingest.framing import Frame, Framer
from ingest.links import live_link
from ingest.links.address import Address
from ingest.links.item import Kind
from ingest.links.stream import Stream
from ingest.teaching import Shown
from ingest.teaching_shapes import WAYS, tokens_of
from schemas.errors import BadInput
from schemas.profile import FRAMING, Profile

MOST_LINE_BYTES: Final = 4096
#: Ends of lines other than CR and LF, and what they are called (common practice, no source).
OTHER_ENDS: Final = {"\x03": "the control character ETX", "\x04": "the control character EOT", "\t": "Tab"}
#: Rates that gauges are set to, the most usual first (common practice, no source).
USUAL_BAUDS: Final = (9600, 19200, 38400, 57600, 115200, 4800, 2400, 1200)
#: Once a line came, others of the same reading follow within this time.
_QUIET_S: Final = 0.4
#: A pause of so long ends a line where nothing else does (a choice of ours; a gauge writes a line in one go).
PAUSE_MS: Final = 300
#: So long is waited for a link to come up.
_PATIENCE_S: Final = 15.0


def lines_of(data: bytes) -> tuple[list[bytes], str | None]:
    """Return the lines of *data*, and what ends them where that is neither CR nor LF."""
    end = None
    if b"\r" not in data and b"\n" not in data:
        for mark in OTHER_ENDS:
            if data.endswith(mark.encode()) and _all_figures(data.split(mark.encode())[:-1]):
                end = mark
                break
    framer = Framer(MOST_LINE_BYTES, end.encode() if end else None)
    frames = framer.feed(data)
    tail = framer.close()
    lines = [frame.data for frame in (*frames, *((tail,) if tail else ()))]
    if lines:
        lines[0] = lines[0].removeprefix(b"\xef\xbb\xbf")
    return lines, end


def _all_figures(pieces: Sequence[bytes]) -> bool:
    return len(pieces) > 1 and all(any(48 <= c <= 57 for c in piece) for piece in pieces)


def holds(data: bytes, shown: Shown) -> bool:
    """Return whether a line may be of the reading that the display showed as *shown*."""
    text = text_of(Frame(data, len(data)), "".join(FRAMING))
    if not isinstance(text, str):
        return False
    figures = shown.figures.lstrip("+-")
    point = figures.replace(",", ".")
    if any(form in text for form in (figures, point, point.replace(".", ","))):
        return True
    digits = point.replace(".", "")
    if "." in point and any(
        t.kind == "number" and t.digits.lstrip("0") == digits.lstrip("0") for t in tokens_of(text, WAYS[0])
    ):
        return True
    for way in WAYS[:2]:
        for token in tokens_of(text, way):
            if token.kind == "number" and way.decimal_mark in token.text:
                number = float(token.text.replace(way.decimal_mark, "."))
                if abs(number - float(shown.value)) <= 0.5 * 10**-shown.decimals:
                    return True
    return False


def end_of(tail: bytes) -> tuple[dict[str, Any], list[bytes]]:
    """Return the keys of a profile that end a line like *tail*, which neither CR nor LF ended, and the lines in it."""
    for mark in OTHER_ENDS:
        if tail.endswith(mark.encode()):
            return {"line_end": mark}, [line for line in tail.split(mark.encode()) if line]
    return {"idle_end_ms": PAUSE_MS}, [tail]


def is_garbage(lines: Sequence[bytes]) -> bool:
    """Return whether what came is no text: a sign of another baud rate."""
    if not lines:
        return False
    bad = sum(not isinstance(text_of(Frame(line, len(line)), "".join(FRAMING)), str) for line in lines)
    return bad * 2 > len(lines)


@dataclass
class LiveSource:
    """Lines that come over a live link.

    Attributes:
        address: The link's address.
        settings: The keys of the profile that the link is opened with.
        zone: Time zone of the gauge's clock.
        tell: Told what happens to the link, in sentences.
        lines: All lines that came.
        arrived: Line, and when it came, in *zone*.
    """

    address: Address
    settings: Mapping[str, Any]
    zone: ZoneInfo
    tell: Callable[[str], None]
    lines: list[bytes] = field(default_factory=list)
    arrived: dict[int, datetime] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self._stream = Stream()
        profile = Profile.model_validate(
            {"title": "a gauge to be taught", "reading": "(?P<thickness>.+)", "unit": "um", **self.settings}
        )
        self._link = live_link(self.address, profile)

    def start(self, patience_s: float = _PATIENCE_S) -> None:
        """Begin to listen; return once the link is up.

        Raises:
            BadInput: It did not come up within *patience_s* seconds.
        """
        self._link.start(self._stream)
        why = ""
        deadline = time.monotonic() + patience_s
        while (left := deadline - time.monotonic()) > 0:
            item = self._stream.get(left)
            if item is None:
                break
            if item.kind is Kind.UP:
                return
            if item.note and item.note != why:
                why = item.note
                self.tell(why)
        self.close()
        raise BadInput(f"{self.address.name}: is not reached; {why or 'look at the cable and at the address'}")

    def close(self) -> None:
        """Let go of the gauge."""
        self._link.close()
        self._stream.close()

    def tail(self) -> bytes:
        """Let go of the gauge, and return what had come of a line whose end never did."""
        self._link.close()
        tail = b""
        while (item := self._stream.get(0)) is not None:
            if item.kind is Kind.PARTIAL and item.frame is not None:
                tail = item.frame.data
        self._stream.close()
        return tail

    def wait(self, timeout_s: float, until: Callable[[], bool]) -> bool:
        """Listen until *until* holds and the link is quiet, or *timeout_s* have passed; return whether it holds."""
        deadline = time.monotonic() + timeout_s
        while True:
            left = deadline - time.monotonic()
            item = self._stream.get(min(_QUIET_S, max(left, 0.0)))
            if item is None:
                if until() or left <= 0:
                    return until()
                continue
            if item.kind is Kind.LINE and item.frame is not None:
                if item.frame.data:
                    self.arrived[len(self.lines)] = item.at.astimezone(self.zone)
                    self.lines.append(item.frame.data)
            elif item.kind is Kind.END:
                return until()
            elif item.note:
                self.tell(item.note)

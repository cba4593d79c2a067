"""Keys to lines: what a person types, and what a gauge or a scanner types as if it were a keyboard (a wedge). Pure.

Both come over the same keyboard, and what is right for one is wrong for the other: Backspace mends what a person typed, and is
a byte like any other from a wedge; 0x03 is Ctrl-C from a person, and the end of a block from a wedge. They are told apart by
their pace. Characters that follow each other within 35 ms, four or more of them, come from no fingers
(common practice, no source). Until that is known, at most 35 ms, what came is held back.

Where one line has bytes of both, or of a wedge that fell silent in the middle, it cannot be told which of them belong
together: the line is called mixed, and is nobody's reading.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from ingest.framing import Frame

#: Common practice, no source: fingers leave 80 ms and more between two characters, wedges 1 to 30.
FAST_NS: Final = 35_000_000
FAST_CHARACTERS: Final = 4
#: A busy computer reads late: what follows a wedge within this time is still the wedge.
_STALL_NS: Final = 500_000_000
#: How long the rest of an escape sequence may take, before it was the key Escape.
_ESCAPE_NS: Final = 150_000_000
#: Ctrl-C must stop even while something types without end: so many in so short a time are no data.
_STOPS: Final = 3
_STOPS_WITHIN_NS: Final = 2_000_000_000

_STX, _ETX, _ESC = 0x02, 0x03, 0x1B
_ERASING: Final = (0x08, 0x7F)
_SEQUENCE: Final = re.compile(rb"\x1b(?:\[\[[A-E]|\[[0-?]*[ -/]*[@-Z\\-~]|O[ -~])")
_UNFINISHED: Final = re.compile(rb"\x1b(?:\[\[?|\[[0-?]*[ -/]*|O)?")
_LONGEST_SEQUENCE: Final = 32
# Names by what terminals send for them (ECMA-48 and the xterm control sequences, from memory).
_NAMES: Final = {
    b"[A": "up", b"[B": "down", b"[C": "right", b"[D": "left", b"[H": "home", b"[F": "end", b"[Z": "shift-tab",
    b"OA": "up", b"OB": "down", b"OC": "right", b"OD": "left", b"OH": "home", b"OF": "end",
    b"[1~": "home", b"[2~": "insert", b"[3~": "delete", b"[4~": "end", b"[5~": "page-up", b"[6~": "page-down",
    b"OP": "f1", b"OQ": "f2", b"OR": "f3", b"OS": "f4",
    b"[[A": "f1", b"[[B": "f2", b"[[C": "f3", b"[[D": "f4", b"[[E": "f5",
    b"[11~": "f1", b"[12~": "f2", b"[13~": "f3", b"[14~": "f4", b"[15~": "f5", b"[17~": "f6", b"[18~": "f7",
    b"[19~": "f8", b"[20~": "f9", b"[21~": "f10", b"[23~": "f11", b"[24~": "f12",
}  # fmt: skip


class Entered(StrEnum):
    """How a line came to be."""

    TYPED = "typed"
    WEDGE = "wedge"
    MIXED = "mixed"


@dataclass(frozen=True, slots=True)
class KeyLine:
    """A line, without its end. *frame.ended* is False for what was left when the keys ended."""

    frame: Frame
    entered: Entered


@dataclass(frozen=True, slots=True)
class Key:
    """A key that is no text: "ctrl-c", "f3", "escape", "up", "alt-x", "backspace" (with nothing to mend), "unknown"."""

    name: str


class KeyLines:
    """Makes lines and keys of bytes and the time they came.

    Args:
        max_line_bytes: Longest line that is kept whole.
        line_end: What ends a line beside CR, LF and CRLF, such as Tab.
        idle_end_ms: A pause of so long ends a wedge's line too; a person may think as long as they like.
    """

    def __init__(self, max_line_bytes: int, line_end: bytes | None = None, idle_end_ms: int | None = None) -> None:
        self._max = max_line_bytes
        self._own_end = (line_end or b"").strip(b"\r\n")
        self._idle_ns = idle_end_ms * 1_000_000 if idle_end_ms else None
        self._held = bytearray()  # what came fast, and is too little yet to say of whom
        self._held_ns = 0  # when the first of it came
        self._last_ns: int | None = None
        self._is_wedge = False  # whether the present run of fast bytes is known to be a wedge's
        self._wedge_ns: int | None = None  # when the last byte of a wedge came
        self._after_cr = False
        self._stops: list[int] = []
        self._head = bytearray()
        self._end = bytearray()  # the last bytes of the line, as many as its end has
        self._length = 0
        self._typed = 0
        self._fragment = 0  # how many bytes of the line were fast, yet too few for a wedge, and came last
        self._fragment_ns = 0
        self._of_wedge = 0
        self._broken = False

    @property
    def text(self) -> bytes:
        """Return what stands in the line so far, to be shown."""
        return bytes(self._head)

    def feed(self, data: bytes, mono_ns: int) -> list[KeyLine | Key]:
        """Return what is known now that *data* came at *mono_ns* (monotonic, nanoseconds)."""
        heard = self.tick(mono_ns)
        for byte in data:
            self._byte(byte, mono_ns, heard)
            self._last_ns = mono_ns
        return heard

    def tick(self, mono_ns: int) -> list[KeyLine | Key]:
        """Return what is known now that nothing more came until *mono_ns*."""
        heard: list[KeyLine | Key] = []
        if self._last_ns is None:
            return heard
        quiet_ns = mono_ns - self._last_ns
        if quiet_ns >= FAST_NS:
            if self._held and (quiet_ns >= _ESCAPE_NS or not _UNFINISHED.fullmatch(self._held)):
                self._by_hand(heard)
            self._is_wedge = False
        if self._idle_ns is not None and quiet_ns >= max(self._idle_ns, FAST_NS) and self._of_wedge and not self._held:
            self._end_line(heard)
        return heard

    def due_ns(self) -> int | None:
        """Return the monotonic time at which tick() has something to say although nothing came; None for never."""
        if self._last_ns is None:
            return None
        if self._held:
            return self._last_ns + (_ESCAPE_NS if _UNFINISHED.fullmatch(self._held) else FAST_NS)
        if self._idle_ns is not None and self._of_wedge:
            return self._last_ns + max(self._idle_ns, FAST_NS)
        return None

    def close(self) -> list[KeyLine | Key]:
        """Return what is left, now that no more keys come: never a whole line."""
        heard: list[KeyLine | Key] = []
        self._by_hand(heard)
        if self._length:
            heard.append(KeyLine(Frame(bytes(self._head), self._length, ended=False), self._entered()))
            self._clear()
        return heard

    # one byte

    def _byte(self, byte: int, mono_ns: int, heard: list[KeyLine | Key]) -> None:
        if self._is_wedge:
            self._from_wedge(byte, mono_ns, heard)
            return
        if not self._held:
            self._held_ns = mono_ns
        self._held.append(byte)
        held = bytes(self._held)
        if held[0] == _ESC and held[1:2] in (b"[", b"O"):
            if found := _SEQUENCE.fullmatch(held):
                heard.append(Key(_NAMES.get(found[0][1:], "unknown")))
                self._held.clear()
                return
            if _UNFINISHED.fullmatch(held) and len(held) < _LONGEST_SEQUENCE:
                return
        if held[0] < 0x20 and len(set(held)) == 1 and len(held) >= FAST_CHARACTERS:
            self._by_hand(heard)  # a key that is held down
            return
        follows = self._wedge_ns is not None and self._held_ns - self._wedge_ns < _STALL_NS and not self._is_a_key(held)
        if follows or _characters(held) >= FAST_CHARACTERS:
            self._is_wedge = True
            self._held.clear()
            self._begin_wedge(mono_ns)
            for each in held:
                self._from_wedge(each, mono_ns, heard)

    def _is_a_key(self, held: bytes) -> bool:
        """Return whether *held*, which follows a wedge, is a key nevertheless."""
        first = held[0]
        if first in b"\r\n\t" or self._own_end.startswith(held[:1]) or (first == _ETX and _STX in self._head):
            return False
        return first < 0x20 or first == 0x7F

    # what a wedge types

    def _begin_wedge(self, mono_ns: int) -> None:
        late = self._wedge_ns is None or self._held_ns - self._wedge_ns >= _STALL_NS
        if self._of_wedge and late:
            self._broken = True
        if self._fragment == self._length and self._fragment > 1 and self._held_ns - self._fragment_ns < _STALL_NS:
            self._of_wedge, self._typed = self._fragment, 0  # its first bytes, read before the computer was busy
        self._fragment = 0
        self._wedge_ns = mono_ns

    def _from_wedge(self, byte: int, mono_ns: int, heard: list[KeyLine | Key]) -> None:
        self._wedge_ns = mono_ns
        if self._ends(byte, heard):
            return
        framed = _STX in self._head
        self._of_wedge += 1
        self._put(byte)
        if self._ended_by_its_own(heard):
            return
        if byte == _ETX and not framed and _ETX not in self._own_end:
            self._stops = [at for at in self._stops if mono_ns - at < _STOPS_WITHIN_NS] + [mono_ns]
            if len(self._stops) >= _STOPS:
                self._stops.clear()
                heard.append(Key("ctrl-c"))

    # what a person types

    def _by_hand(self, heard: list[KeyLine | Key]) -> None:
        held = bytes(self._held)
        self._held.clear()
        if not held:
            return
        if held[0] == _ESC:
            if len(held) == 2 and 0x20 <= held[1] < 0x7F:
                heard.append(Key(f"alt-{chr(held[1])}"))
                return
            heard.append(Key("escape"))
            held = held[1:]
        start = self._length
        for byte in held:
            self._by_finger(byte, heard)
        grown = self._length - start
        plain = grown == len(held)
        self._fragment = (self._fragment if self._held_ns - self._fragment_ns < FAST_NS else 0) + grown if plain else 0
        self._fragment_ns = self._held_ns

    def _by_finger(self, byte: int, heard: list[KeyLine | Key]) -> None:
        if byte == _ETX:
            heard.append(Key("ctrl-c"))
        elif self._ends(byte, heard):
            return
        elif byte in _ERASING:
            if self._of_wedge or not self._length or self._length > len(self._head):
                heard.append(Key("backspace"))  # what a wedge typed is never mended
            else:
                self._erase()
        elif byte == 0x15 and self._length and not self._of_wedge:
            self._clear()
        elif byte >= 0x20 or byte == 0x09 or byte in self._own_end:
            self._typed += 1
            self._put(byte)
            self._ended_by_its_own(heard)
        else:
            heard.append(Key("escape" if byte == _ESC else f"ctrl-{chr(byte + 0x60)}" if 0 < byte < 27 else "unknown"))

    def _erase(self) -> None:
        gone = 1
        while gone < len(self._head) and self._head[-gone] & 0xC0 == 0x80:
            gone += 1
        del self._head[-gone:]
        self._length -= gone
        self._typed -= gone
        self._end = self._head[-len(self._own_end) :] if self._own_end else self._end

    # the line

    def _ends(self, byte: int, heard: list[KeyLine | Key]) -> bool:
        """End the line where *byte* is CR or LF; of CRLF the second does nothing."""
        if byte == 0x0A and self._after_cr:
            self._after_cr = False
            return True
        self._after_cr = byte == 0x0D
        if byte not in (0x0A, 0x0D):
            return False
        self._end_line(heard)
        return True

    def _put(self, byte: int) -> None:
        if len(self._head) < self._max:
            self._head.append(byte)
        self._length += 1
        if self._own_end:
            self._end.append(byte)
            del self._end[: -len(self._own_end)]

    def _ended_by_its_own(self, heard: list[KeyLine | Key]) -> bool:
        if not self._own_end or self._end != self._own_end:
            return False
        self._length -= len(self._own_end)
        del self._head[self._length :]
        self._end_line(heard)
        return True

    def _end_line(self, heard: list[KeyLine | Key]) -> None:
        heard.append(KeyLine(Frame(bytes(self._head), self._length), self._entered()))
        self._clear()

    def _entered(self) -> Entered:
        if self._broken or (self._of_wedge and self._typed):
            return Entered.MIXED
        return Entered.WEDGE if self._of_wedge else Entered.TYPED

    def _clear(self) -> None:
        self._head.clear()
        self._end.clear()
        self._length = self._typed = self._of_wedge = self._fragment = 0
        self._broken = False


def _characters(data: bytes) -> int:
    """Return how many characters *data* has; the further bytes of one in UTF-8 are not counted."""
    return sum(byte & 0xC0 != 0x80 for byte in data)

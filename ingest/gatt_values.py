"""The value of a Bluetooth characteristic: the line of text that stands for its bytes, and what it says. Pure.

A gauge that sends values instead of text is kept like any other: as lines. A value's line is what came, in
hex, so that nothing is lost and everything behind the link works as it does with text:

    2C0A d2040000                     a characteristic whose layout the Bluetooth SIG publishes, and its bytes
    2C0A 10f90127010000 d2040000      a described one: between them the seven bytes of its presentation format

The characteristic is written as its four hex digits, or as a whole UUID where it has no assigned number; an
empty value is written as "-".

Layouts and where they are from. Length (0x2C0A, uint32) and Linear Position (0x2C08, sint32), both metre × 10^-7,
all ones and the largest positive number for "not known"; units metre 0x2701, inch 0x27A2, unitless 0x2700: the
Bluetooth SIG's assigned numbers and GATT Specification Supplement, as published in machine-readable form
(read). Presentation format (0x2904): format u8, exponent s8, unit u16, namespace u8, description u16, and the
numbers of the formats: Bluetooth Core Specification 5.0, volume 3, part G, 3.3.3.5 (read in open-source stacks
that quote it). medfloat16 and medfloat32: ISO/IEEE 11073-20601 as the SIG transcoding white paper quotes it
(read in pages that quote it; the special values of medfloat32 only in comments of open sources). That values are
little-endian is GATT's rule (from memory).

Left out: what else the Industrial Measurement Device service holds (status, control, historical data, triggers),
since its text could not be read; binary floats (0x14, 0x15), since such a value is not the decimal number that
the gauge shows; integers of more than 64 bits or of a broken number of bytes.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import Final, NamedTuple

from schemas.units import Unit

_BASE_UUID_TAIL: Final = "-0000-1000-8000-00805f9b34fb"

#: Presentation formats that are integers: how many bytes, and whether signed.
_INTEGERS: Final = {
    0x04: (1, False),
    0x06: (2, False),
    0x07: (3, False),
    0x08: (4, False),
    0x09: (6, False),
    0x0A: (8, False),
    0x0C: (1, True),
    0x0E: (2, True),
    0x0F: (3, True),
    0x10: (4, True),
    0x11: (6, True),
    0x12: (8, True),
}
_MEDFLOAT16: Final = 0x16
_MEDFLOAT32: Final = 0x17
_UTF8S: Final = 0x19
_BINARY_FLOATS: Final = (0x14, 0x15)

#: Units that a thickness can come in: ours, and the power of ten between. Neither micrometre nor mil has a number.
_UNITS: Final[dict[int, tuple[Unit | None, int]]] = {0x2701: (Unit.UM, 6), 0x27A2: (Unit.MIL, 3), 0x2700: (None, 0)}
#: Mantissas of a medfloat that are no number, as the last of its bits say; the exponent of these is zero.
_SPECIAL: Final = {
    -1: "the gauge says: not a number",
    -2: "the gauge says: above its range",
    0: "the gauge says: not at this resolution",
    1: "the gauge sent a value that is reserved",
    2: "the gauge says: below its range",
}
_NOT_KNOWN: Final = "the gauge says: value not known"


@dataclass(frozen=True, slots=True)
class Measured:
    """A number. *figures* is exact, with the resolution that it came in; *unit* is None where the value names none."""

    figures: Decimal
    unit: Unit | None


@dataclass(frozen=True, slots=True)
class Words:
    """A text that the gauge sent as a value. *scale* is the power of ten from the unit it names to *unit*."""

    text: str
    unit: Unit | None
    scale: int


@dataclass(frozen=True, slots=True)
class NoValue:
    """A value that is known to be none."""

    meaning: str


@dataclass(frozen=True, slots=True)
class Unreadable:
    """A value that cannot be read; *why* goes on after the words "line N"."""

    why: str


Value = Measured | Words | NoValue | Unreadable


class PresentationFormat(NamedTuple):
    """What descriptor 0x2904 says of a characteristic's value."""

    format: int
    exponent: int
    unit: int


def line_of(characteristic: str, value: bytes, presentation: bytes | None = None) -> bytes:
    """Return the line that stands for *value*.

    Args:
        characteristic: Its UUID, written out, in small letters.
        value: The bytes as they came.
        presentation: The bytes of its descriptor 0x2904, for a characteristic that is read by it.
    """
    short = characteristic.startswith("0000") and characteristic.endswith(_BASE_UUID_TAIL)
    words = [characteristic[4:8].upper() if short else characteristic]
    if presentation is not None:
        words.append(presentation.hex() or "-")
    return " ".join((*words, value.hex() or "-")).encode("ascii")


def value_of(line: str) -> Value:
    """Return what the value that *line* stands for says. Never raises."""
    words = line.split()
    try:
        parts = [b"" if word == "-" else bytes.fromhex(word) for word in words[1:]]
    except ValueError:
        parts = []
    if len(parts) not in (1, 2):
        return Unreadable("is not the value of a Bluetooth characteristic; set it aside or use the right profile")
    number = words[0].upper()
    data = parts[-1]
    if number in ("2C0A", "2C08"):
        signed = number == "2C08"
        if len(data) == 4 and data == (b"\xff\xff\xff\x7f" if signed else b"\xff\xff\xff\xff"):
            return NoValue(_NOT_KNOWN)
        if len(parts) == 1:
            if len(data) != 4:
                return Unreadable(f"has {len(data)} bytes where {_NAMES[number]} has 4; look at what was captured")
            return Measured(_decimal(int.from_bytes(data, "little", signed=signed), -7 + 6), Unit.UM)
    if len(parts) == 1:
        return Unreadable(
            f'comes from characteristic {words[0]}, whose layout is not published; use bluetooth.form = "described", '
            "if the gauge describes it"
        )
    presentation = presentation_of(parts[0])
    if presentation is None:
        return Unreadable("has a presentation format that is not 7 bytes long; look at what was captured")
    why = why_unreadable(presentation)
    return Unreadable(why) if why else _described(presentation, data)


_NAMES: Final = {"2C0A": "a length", "2C08": "a linear position"}


def presentation_of(data: bytes) -> PresentationFormat | None:
    """Return what the bytes of descriptor 0x2904 say, or None where they are not 7."""
    if len(data) != 7:
        return None
    return PresentationFormat(
        data[0], int.from_bytes(data[1:2], "little", signed=True), int.from_bytes(data[2:4], "little")
    )


def why_unreadable(presentation: PresentationFormat) -> str:
    """Return why values so described cannot be read, going on after "line N" or "the characteristic"; empty if they can."""
    if presentation.unit not in _UNITS:
        return f"is described in unit 0x{presentation.unit:04X}, which is no length that film build comes in"
    if presentation.format in _BINARY_FLOATS:
        return "is described as a binary float, which is not the decimal number that the gauge shows"
    if presentation.format not in (*_INTEGERS, _MEDFLOAT16, _MEDFLOAT32, _UTF8S):
        return f"is described in format 0x{presentation.format:02X}, which is not one that can be read here"
    return ""


def _described(presentation: PresentationFormat, data: bytes) -> Value:
    unit, scale = _UNITS[presentation.unit]
    if presentation.format == _UTF8S:
        try:
            return Words(data.rstrip(b"\x00").decode("utf-8").strip(), unit, scale)
        except UnicodeDecodeError:
            return Unreadable("is described as text and is none; look at what was captured")
    if presentation.format in _INTEGERS:
        size, signed = _INTEGERS[presentation.format]
        if len(data) != size:
            return _wrong_size(data, size)
        return Measured(
            _decimal(int.from_bytes(data, "little", signed=signed), presentation.exponent + scale),
            unit,
        )
    size, mantissa_bits = (2, 12) if presentation.format == _MEDFLOAT16 else (4, 24)
    if len(data) != size:
        return _wrong_size(data, size)
    return _medfloat(int.from_bytes(data, "little"), size * 8, mantissa_bits, unit, scale)


def _medfloat(raw: int, bits: int, mantissa_bits: int, unit: Unit | None, scale: int) -> Value:
    mantissa = raw & ((1 << mantissa_bits) - 1)
    exponent = raw >> mantissa_bits
    if exponent == 0:
        # NaN 0x7FF, +infinity 0x7FE, not at this resolution 0x800, reserved 0x801, -infinity 0x802; medfloat32 alike.
        special = _SPECIAL.get(mantissa - (1 << (mantissa_bits - 1)))
        if special is not None:
            return NoValue(special)
    exponent_bits = bits - mantissa_bits
    return Measured(_decimal(_signed(mantissa, mantissa_bits), _signed(exponent, exponent_bits) + scale), unit)


def _signed(number: int, bits: int) -> int:
    return number - (1 << bits) if number >> (bits - 1) else number


def scaled(figures: Decimal, power: int) -> Decimal:
    """Return *figures* × 10^*power*, exactly, with the resolution kept."""
    sign, digits, exponent = figures.as_tuple()
    assert isinstance(exponent, int)  # noqa: S101 - no infinity comes here
    return Decimal((sign, digits, exponent + power))


def _decimal(number: int, exponent: int) -> Decimal:
    return scaled(Decimal(number), exponent)


def _wrong_size(data: bytes, size: int) -> Unreadable:
    return Unreadable(f"has {len(data)} bytes where its description says {size}; look at what was captured")

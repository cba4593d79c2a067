"""A check at the end of a line: what it is reckoned by, what of the line it covers, and how it is written.

A check tells a line that was damaged on its way from one that was not. It is reckoned on the bytes as they
came, blanks and control characters included.

The cyclic redundancy checks have the names and the parameters of the public catalogue of parametrised CRC
algorithms (reveng.sourceforge.io/crc-catalogue; read in the documentation of the packages crc-catalog and
crc-fast, which repeat its entries). Sum and exclusive-or: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import Annotated, Final, Literal, Self

from pydantic import Field, field_validator, model_validator

from schemas.model import Model


@dataclass(frozen=True, slots=True)
class Crc:
    """The parameters of a cyclic redundancy check, as the catalogue gives them.

    Attributes:
        bits: Width of the check, 8 or 16.
        poly: Generator polynomial, its highest term left out.
        init: What the register holds at first.
        reflected: Whether bytes go in, and the check comes out, with the lowest bit first.
        xor_out: What the register is combined with at the end.
    """

    bits: int
    poly: int
    init: int
    reflected: bool
    xor_out: int

    def of(self, data: bytes) -> int:
        """Return the check of *data*."""
        table = _table(self)
        mask = (1 << self.bits) - 1
        register = _reversed(self.init, self.bits) if self.reflected else self.init
        for byte in data:
            if self.reflected:
                register = (register >> 8) ^ table[(register ^ byte) & 0xFF]
            else:
                register = ((register << 8) & mask) ^ table[((register >> (self.bits - 8)) ^ byte) & 0xFF]
        return register ^ self.xor_out


@cache
def _table(crc: Crc) -> tuple[int, ...]:
    mask = (1 << crc.bits) - 1
    table = []
    for byte in range(256):
        if crc.reflected:
            register = byte
            poly = _reversed(crc.poly, crc.bits)
            for _ in range(8):
                register = (register >> 1) ^ (poly if register & 1 else 0)
        else:
            register = byte << (crc.bits - 8)
            for _ in range(8):
                register = ((register << 1) ^ (crc.poly if register >> (crc.bits - 1) else 0)) & mask
        table.append(register)
    return tuple(table)


def _reversed(number: int, bits: int) -> int:
    return int(f"{number:0{bits}b}"[::-1], 2)


CRCS: Final[dict[str, Crc]] = {
    "CRC-8/SMBUS": Crc(8, 0x07, 0x00, False, 0x00),
    "CRC-8/MAXIM-DOW": Crc(8, 0x31, 0x00, True, 0x00),
    "CRC-8/ROHC": Crc(8, 0x07, 0xFF, True, 0x00),
    "CRC-8/I-432-1": Crc(8, 0x07, 0x00, False, 0x55),
    "CRC-8/CDMA2000": Crc(8, 0x9B, 0xFF, False, 0x00),
    "CRC-8/DVB-S2": Crc(8, 0xD5, 0x00, False, 0x00),
    "CRC-16/ARC": Crc(16, 0x8005, 0x0000, True, 0x0000),
    "CRC-16/MODBUS": Crc(16, 0x8005, 0xFFFF, True, 0x0000),
    "CRC-16/USB": Crc(16, 0x8005, 0xFFFF, True, 0xFFFF),
    "CRC-16/MAXIM-DOW": Crc(16, 0x8005, 0x0000, True, 0xFFFF),
    "CRC-16/UMTS": Crc(16, 0x8005, 0x0000, False, 0x0000),
    "CRC-16/XMODEM": Crc(16, 0x1021, 0x0000, False, 0x0000),
    "CRC-16/IBM-3740": Crc(16, 0x1021, 0xFFFF, False, 0x0000),
    "CRC-16/SPI-FUJITSU": Crc(16, 0x1021, 0x1D0F, False, 0x0000),
    "CRC-16/GENIBUS": Crc(16, 0x1021, 0xFFFF, False, 0xFFFF),
    "CRC-16/KERMIT": Crc(16, 0x1021, 0x0000, True, 0x0000),
    "CRC-16/MCRF4XX": Crc(16, 0x1021, 0xFFFF, True, 0x0000),
    "CRC-16/IBM-SDLC": Crc(16, 0x1021, 0xFFFF, True, 0xFFFF),
}


def _exclusive_or(data: bytes) -> int:
    found = 0
    for byte in data:
        found ^= byte
    return found


#: Kind of check: how wide it is in bits, and what it is of some bytes.
KINDS: Final[dict[str, tuple[int, Callable[[bytes], int]]]] = {
    "sum": (8, lambda data: sum(data) & 0xFF),
    "sum, two's complement": (8, lambda data: -sum(data) & 0xFF),
    "sum, one's complement": (8, lambda data: ~sum(data) & 0xFF),
    "sum of 16 bits": (16, lambda data: sum(data) & 0xFFFF),
    "exclusive-or": (8, _exclusive_or),
    **{name: (crc.bits, crc.of) for name, crc in CRCS.items()},
}

Written = Literal["HEX", "hex", "decimal"]


class CheckDigit(Model):
    """The check in the group check of a reading's expression."""

    kind: str = Field(description=f"What it is reckoned by: {', '.join(KINDS)}.")
    written: Written = Field("HEX", description="HEX: in capital letters; hex: in small ones; decimal.")
    width: Annotated[int, Field(ge=1, le=5)] | None = Field(
        None, description="How many figures it has, zeros before them counted; not given where that may differ."
    )
    low_byte_first: bool = Field(False, description="Whether a check of 16 bits in hex has its lower byte first.")
    skip_first: Annotated[int, Field(ge=0, le=16)] = Field(
        0, description="How many bytes at the beginning of the line it does not cover, such as a start character."
    )
    skip_last: Annotated[int, Field(ge=0, le=16)] = Field(
        0, description="How many bytes just before the check it does not cover, such as the delimiter."
    )
    encoding: Literal["utf-8", "latin-1"] | None = Field(
        None,
        description="How the gauge writes letters beyond ASCII, for the check is of the bytes; where not given, either will do.",
    )

    @field_validator("kind")
    @classmethod
    def _kind_is_known(cls, kind: str) -> str:
        if kind not in KINDS:
            raise ValueError(f"unknown check; write one of: {', '.join(KINDS)}")
        return kind

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        if self.low_byte_first and (self.bits != 16 or self.written == "decimal" or self.width != 4):
            raise ValueError("low_byte_first goes with a check of 16 bits in hex, width = 4")
        return self

    @property
    def bits(self) -> int:
        """Return how wide the check is."""
        return KINDS[self.kind][0]

    def of(self, before: bytes) -> str:
        """Return the check as the gauge writes it, for a line whose bytes *before* stand before the check."""
        end = max(self.skip_first, len(before) - self.skip_last)
        check = KINDS[self.kind][1](before[self.skip_first : end])
        if self.low_byte_first:
            check = (check & 0xFF) << 8 | check >> 8
        text = f"{check:X}" if self.written == "HEX" else f"{check:x}" if self.written == "hex" else str(check)
        return text.zfill(self.width or 0)

    def wrong(self, before: str, given: str) -> str | None:
        """Return the check that a line should have, or None where *given* is it.

        Args:
            before: All of the line that stands before the check, as it came.
            given: The check that the line has.
        """
        rights = []
        for encoding in (self.encoding,) if self.encoding else ("utf-8", "latin-1"):
            try:
                rights.append(self.of(before.encode(encoding)))
            except UnicodeEncodeError:
                continue
        if not rights:
            return f"none, since the line has letters that {self.encoding} cannot write"
        if self.width is None:  # zeros before it are the gauge's own affair
            given = given.lstrip("0") or "0"
        return None if given in rights else rights[0]

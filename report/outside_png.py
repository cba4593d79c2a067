"""A PNG picture from outside, read strictly and written anew: opaque, 8 bits, colours as they are, nothing else.

The chunks are checked one by one before a decoder sees them (PNG, ISO/IEC 15948, 5.3 to 5.6 and 8.2, from
memory), since the decoder at hand may have been told by others to make do with half a picture.
"""

from __future__ import annotations

import io
import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

from schemas.errors import BadInput

_SIGNATURE: Final = b"\x89PNG\r\n\x1a\n"
MOST_BYTES: Final = 40_000_000
MOST_PIXELS: Final = 40_000_000
LONGEST_SIDE: Final = 20_000
#: What is printed across a page of 180 mm at 300 dpi is about 2,100; more only weighs.
LONGEST_KEPT: Final = 2_400
_SLIMMEST: Final = 1 / 50
_PIECE: Final = 1 << 20

_CHANNELS: Final = {0: 1, 2: 3, 3: 1, 4: 2, 6: 4}
_DEPTHS: Final = {0: (1, 2, 4, 8, 16), 2: (8, 16), 3: (1, 2, 4, 8), 4: (8, 16), 6: (8, 16)}
#: Adam7: first column, first row, step across, step down (PNG 8.2).
_PASSES: Final = ((0, 0, 8, 8), (4, 0, 8, 8), (0, 4, 4, 8), (2, 0, 4, 4), (0, 2, 2, 4), (1, 0, 2, 2), (0, 1, 1, 2))
_DECODED: Final = (b"IHDR", b"PLTE", b"tRNS", b"IDAT", b"IEND")


@dataclass(frozen=True, slots=True)
class Photo:
    """A picture of pixels that is safe to print: PNG without transparency, palette or notes."""

    content: bytes
    width: int
    height: int


@dataclass(frozen=True, slots=True)
class _Header:
    width: int
    height: int
    depth: int
    colour: int
    interlaced: bool

    @property
    def raw_size(self) -> int:
        """Return how many bytes the pixels fill before compression, filter bytes included."""
        bits = _CHANNELS[self.colour] * self.depth
        if not self.interlaced:
            return self.height * (1 + (self.width * bits + 7) // 8)
        total = 0
        for left, top, across, down in _PASSES:
            columns, rows = -(-(self.width - left) // across), -(-(self.height - top) // down)
            if columns > 0 and rows > 0:
                total += rows * (1 + (columns * bits + 7) // 8)
        return total


def photo_of(content: bytes, name: str) -> Photo:
    """Return the safe picture that a PNG file holds; what was transparent is white.

    Args:
        content: The file.
        name: What to call it in a message.

    Raises:
        BadInput: It is no PNG, is damaged, animated, too large, or has something behind its end.
    """
    if len(content) > MOST_BYTES:
        raise BadInput(
            f"{name}: {len(content):,} bytes are more than a picture may have, {MOST_BYTES:,}; scale it down"
        )
    chunks = list(_chunks(content, name))
    header = _header(chunks, name)
    _is_whole(chunks, header, name)
    return _written_anew(_reduced(chunks), header, name)


def _chunks(content: bytes, name: str) -> Iterator[tuple[bytes, bytes]]:
    """Yield the kind and the data of every chunk, each checked against its sum."""
    if not content.startswith(_SIGNATURE):
        raise BadInput(f"{name}: this is not a PNG file; save the picture as PNG, or the drawing as SVG")
    at, kind = len(_SIGNATURE), b""
    while kind != b"IEND":
        head = content[at : at + 8]
        if len(head) < 8:
            raise BadInput(f"{name}: the file breaks off after {len(content):,} bytes; copy or save it again")
        size, kind = struct.unpack(">I4s", head)
        data, tail = content[at + 8 : at + 8 + size], content[at + 8 + size : at + 12 + size]
        if len(data) < size or len(tail) < 4:
            raise BadInput(f"{name}: the file breaks off after {len(content):,} bytes; copy or save it again")
        if struct.unpack(">I", tail)[0] != zlib.crc32(kind + data):
            raise BadInput(f"{name}: its part {_shown(kind)} at byte {at + 1} is damaged; copy or save it again")
        yield kind, data
        at += 12 + size
    if at != len(content):
        raise BadInput(f"{name}: {len(content) - at:,} bytes stand behind its end; save the picture again")


def _header(chunks: list[tuple[bytes, bytes]], name: str) -> _Header:
    kinds = [kind for kind, _ in chunks]
    if kinds[0] != b"IHDR" or kinds.count(b"IHDR") != 1 or len(chunks[0][1]) != 13:
        raise BadInput(f"{name}: it has no proper PNG header; save the picture again")
    width, height, depth, colour, packed, filtered, interlaced = struct.unpack(">IIBBBBB", chunks[0][1])
    if not (0 < width <= LONGEST_SIDE and 0 < height <= LONGEST_SIDE and width * height <= MOST_PIXELS):
        raise BadInput(
            f"{name}: {width:,} by {height:,} pixels are more than are taken, {MOST_PIXELS:,} and {LONGEST_SIDE:,} on "
            "a side; scale it down"
        )
    if not _SLIMMEST <= width / height <= 1 / _SLIMMEST:
        raise BadInput(
            f"{name}: {width:,} by {height:,} is too slim to print; crop it to at most {1 / _SLIMMEST:g} to 1"
        )
    if depth not in _DEPTHS.get(colour, ()) or packed or filtered or interlaced > 1:
        raise BadInput(f"{name}: its PNG header says what PNG does not know; save the picture again")
    if colour == 3 and b"PLTE" not in kinds[: kinds.index(b"IDAT") if b"IDAT" in kinds else None]:
        raise BadInput(f"{name}: its pixels refer to a palette and there is no palette; save the picture again")
    if b"acTL" in kinds or b"fcTL" in kinds or b"fdAT" in kinds:
        raise BadInput(f"{name}: the picture is animated; save one frame of it")
    # A capital first letter says that the picture cannot be shown without knowing the chunk (5.4).
    odd = next((kind for kind in kinds if kind not in _DECODED and not kind[0] & 0x20), None)
    if odd is not None:
        raise BadInput(f"{name}: its part {_shown(odd)} is not known; save the picture as plain PNG")
    return _Header(width, height, depth, colour, bool(interlaced))


def _is_whole(chunks: list[tuple[bytes, bytes]], header: _Header, name: str) -> None:
    """Refuse pixels that are fewer or more than the header says, without ever holding more of them than a piece."""
    unpacking = zlib.decompressobj()
    total = 0
    try:
        for kind, data in chunks:
            rest = data if kind == b"IDAT" else b""
            while rest:
                total += len(unpacking.decompress(rest, _PIECE))
                rest = unpacking.unconsumed_tail
                if total > header.raw_size:
                    raise BadInput(f"{name}: it holds more pixels than its header says; save the picture again")
        total += len(unpacking.flush())
    except zlib.error:
        raise BadInput(f"{name}: its pixels are damaged; copy or save the picture again") from None
    if total != header.raw_size or not unpacking.eof:
        raise BadInput(f"{name}: its pixels break off; copy or save the picture again")


def _reduced(chunks: list[tuple[bytes, bytes]]) -> bytes:
    """Return the file with the chunks alone that say how the pixels look."""
    parts = [_SIGNATURE]
    for kind, data in chunks:
        if kind in _DECODED:
            parts += [struct.pack(">I", len(data)), kind, data, struct.pack(">I", zlib.crc32(kind + data))]
    return b"".join(parts)


def _written_anew(content: bytes, header: _Header, name: str) -> Photo:
    from PIL import Image, PngImagePlugin

    try:
        # The decoder's own limit is on Image.open alone; ours was kept above, on the header.
        opened = PngImagePlugin.PngImageFile(io.BytesIO(content))
        opened.load()
        flat = _flattened(opened, header)
    except (OSError, SyntaxError, ValueError, KeyError, IndexError) as wrong:
        raise BadInput(f"{name}: the picture cannot be read ({wrong}); save it again as PNG") from None
    if max(flat.size) > LONGEST_KEPT:
        share = LONGEST_KEPT / max(flat.size)
        flat = flat.resize(
            (max(1, round(flat.width * share)), max(1, round(flat.height * share))), Image.Resampling.LANCZOS
        )
    clean = Image.frombytes(flat.mode, flat.size, flat.tobytes())
    out = io.BytesIO()
    clean.save(out, format="PNG", compress_level=9)
    return Photo(out.getvalue(), clean.width, clean.height)


def _flattened(opened: Any, header: _Header) -> Any:
    """Return the picture in grey or in RGB of 8 bits, laid on white where it was transparent."""
    from PIL import Image

    if opened.mode.startswith("I"):
        if "transparency" in opened.info:
            raise ValueError("16 bit grey with a transparent value; 8 bit would do")
        # Two bytes a pixel, the lower one first; the upper one is the grey in 8 bits.
        wide = opened.convert("I;16") if opened.mode != "I;16" else opened
        return Image.frombytes("L", opened.size, wide.tobytes()[1::2])
    if opened.mode in ("RGBA", "LA") or "transparency" in opened.info:
        clear = opened.convert("RGBA")
        white = Image.new("RGBA", clear.size, (255, 255, 255, 255))
        flat = Image.alpha_composite(white, clear).convert("RGB")
        return flat.convert("L") if header.colour in (0, 4) else flat
    return opened.convert("L" if header.colour == 0 else "RGB")


def _shown(kind: bytes) -> str:
    return repr(kind.decode("latin-1"))

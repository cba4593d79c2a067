"""How fast a simulated gauge writes: as a serial line of so many baud does, or faster by a factor."""

from __future__ import annotations

import time
from collections.abc import Iterator

#: A start bit, eight data bits, a stop bit.
BITS_PER_BYTE = 10
#: A UART hands its bytes on in pieces of about so many.
PIECE_BYTES = 8


def paced(data: bytes, baud: int | None, faster: float = 1.0) -> Iterator[bytes]:
    """Yield *data* in pieces, each when a line of *baud* would have it through; at once and whole where baud is None."""
    if baud is None:
        yield data
        return
    seconds_per_byte = BITS_PER_BYTE / baud / faster
    began = time.monotonic()
    for at in range(0, len(data), PIECE_BYTES):
        piece = data[at : at + PIECE_BYTES]
        due = began + (at + len(piece)) * seconds_per_byte
        left = due - time.monotonic()
        if left > 0:
            time.sleep(left)
        yield piece


def joined(lines: bytes | list[bytes], end: bytes) -> bytes:
    """Return *lines* with *end* behind each; bytes are returned as they are."""
    return lines if isinstance(lines, bytes) else b"".join(line + end for line in lines)

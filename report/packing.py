"""How much a signed file unpacks to, told from its bytes before any PDF library unpacks it.

A few hundred kilobytes may unpack to more than a machine holds, and a library finds that out by doing it. A
certificate packs its parts in one way, once; other parties' signatures may add pictures.
"""

from __future__ import annotations

import re
import zlib
from typing import Final

from schemas.errors import IntegrityFailed

#: Bytes read and written to unpack all of it; the largest pictures that a certificate takes need a tenth of that.
MOST_UNPACKED: Final = 500_000_000
_PIECE: Final = 1 << 20
_FIRST_PIECE: Final = 64
_DEFLATED: Final = 8  # the method in the first byte (RFC 1950, 2.2)
_STREAM: Final = re.compile(rb"stream\r?\n")
_ESCAPED: Final = re.compile(rb"#([0-9A-Fa-f]{2})")
_FILTER: Final = re.compile(rb"/(?:Filter|F)\s*(\[[^\]]{0,200}\]?|/[A-Za-z0-9.]+|\d+\s+\d+\s+R)")
#: One packing that is bounded below, pictures that are never unpacked here, and the kinds of signatures.
_TAKEN: Final = frozenset((b"FlateDecode", b"DCTDecode", b"JPXDecode", b"Adobe.PPKLite", b"ETSI.RFC3161"))
_NAME: Final = re.compile(rb"/([A-Za-z0-9.]+)")


def refuse_bombs(pdf: bytes) -> None:
    """Refuse a file whose parts unpack to more than any certificate's, or are packed as none are.

    Raises:
        IntegrityFailed: It is such a file.
    """
    plain = _ESCAPED.sub(lambda found: bytes([int(found[1], 16)]), pdf)
    for found in _FILTER.finditer(plain):
        names = _NAME.findall(found[1])
        if found[0].startswith(b"/F") and not found[0].startswith(b"/Filter") and not _is_packing(names):
            continue  # /F names a file as well, and the flags of a field
        if len(names) > 1 or not _TAKEN.issuperset(names) or found[1][-1:] == b"R":
            raise IntegrityFailed(
                "a part of this PDF is packed as none of a certificate is; the file was changed or is none"
            )
    left = MOST_UNPACKED
    whole = memoryview(pdf)
    for found in _STREAM.finditer(pdf):
        if found.end() < len(pdf) and pdf[found.end()] % 16 == _DEFLATED:
            left -= _work(whole[found.end() :], left)
        if left <= 0:
            raise IntegrityFailed(
                f"this PDF unpacks to more than {MOST_UNPACKED // 1_000_000} MB, which no certificate does; it is none"
            )


def _is_packing(names: list[bytes]) -> bool:
    return any(name.endswith((b"Decode", b"Crypt")) for name in names)


def _work(packed: memoryview, most: int) -> int:
    """Return how many bytes are read and written to unpack what *packed* begins with; *most* or more where it ends there."""
    packer, count, at, size = zlib.decompressobj(), 0, 0, _FIRST_PIECE
    try:
        while not packer.eof and count < most and (packer.unconsumed_tail or at < len(packed)):
            piece: bytes | memoryview = packer.unconsumed_tail
            if not piece:
                # Many parts end at once, and a large piece is not read for each of them.
                piece = packed[at : at + size]
                at += size
                count += len(piece)
                size = _PIECE
            count += len(packer.decompress(piece, _PIECE))
    except zlib.error:
        pass  # a library stops here too
    return count

"""A reader of QR codes for the tests: what is printed is read without the library that made it.

ISO/IEC 18004: format information (7.9), alignment patterns (annex E), error correction M (table 9), Reed-Solomon
over GF(256) with x^8 + x^4 + x^3 + x^2 + 1 (7.5), masks (7.8.2), modes (7.4); all from memory. Versions 1 to 10.
"""

from __future__ import annotations

import re
from typing import Final

Modules = list[list[int]]

#: Level M: error correction codewords in a block, then (blocks, data codewords in each).
_BLOCKS: Final[dict[int, tuple[int, list[tuple[int, int]]]]] = {
    1: (10, [(1, 16)]), 2: (16, [(1, 28)]), 3: (26, [(1, 44)]), 4: (18, [(2, 32)]), 5: (24, [(2, 43)]),
    6: (16, [(4, 27)]), 7: (18, [(4, 31)]), 8: (22, [(2, 38), (2, 39)]), 9: (22, [(3, 36), (2, 37)]),
    10: (26, [(4, 43), (1, 44)]),
}  # fmt: skip
_ALIGNED: Final = {
    1: [], 2: [6, 18], 3: [6, 22], 4: [6, 26], 5: [6, 30], 6: [6, 34], 7: [6, 22, 38], 8: [6, 24, 42],
    9: [6, 26, 46], 10: [6, 28, 50],
}  # fmt: skip
_MASKS: Final = (
    lambda i, j: (i + j) % 2 == 0,
    lambda i, j: i % 2 == 0,
    lambda i, j: j % 3 == 0,
    lambda i, j: (i + j) % 3 == 0,
    lambda i, j: (i // 2 + j // 3) % 2 == 0,
    lambda i, j: i * j % 2 + i * j % 3 == 0,
    lambda i, j: (i * j % 2 + i * j % 3) % 2 == 0,
    lambda i, j: ((i + j) % 2 + i * j % 3) % 2 == 0,
)
_LETTERS: Final = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ $%*+-./:"


def modules_of_svg(svg: str) -> Modules:
    """Return the modules that a path of boxes paints, without the quiet zone, which must be four wide and white."""
    (side,) = re.findall(r'viewBox="0 0 (\d+) \1"', svg)
    n = int(side)
    rows = [[0] * n for _ in range(n)]
    (path,) = re.findall(r'<path d="([^"]+)"', svg)
    boxes = re.findall(r"M(\d+) (\d+)h(\d+)v1h-(\d+)z", path)
    assert "".join(f"M{x} {y}h{w}v1h-{back}z" for x, y, w, back in boxes) == path
    for x, y, wide, back in boxes:
        assert wide == back
        for k in range(int(wide)):
            rows[int(y)][int(x) + k] = 1
    edge = [rows[i][j] for i in range(n) for j in range(n) if min(i, j, n - 1 - i, n - 1 - j) < 4]
    assert not any(edge)
    return [row[4:-4] for row in rows[4:-4]]


def read(modules: Modules) -> str:
    """Return the text of a QR code of level M; every block must be free of errors."""
    n = len(modules)
    version = (n - 17) // 4
    assert 4 * version + 17 == n
    mask = _mask(modules)
    bits = [modules[i][j] ^ _MASKS[mask](i, j) for i, j in _data_spots(n, version)]
    words = [int("".join(map(str, bits[k : k + 8])), 2) for k in range(0, len(bits) - 7, 8)]
    return _decoded(_corrected(words, version), version)


def _mask(modules: Modules) -> int:
    spots = [(8, k) for k in (0, 1, 2, 3, 4, 5, 7, 8)] + [(k, 8) for k in (7, 5, 4, 3, 2, 1, 0)]
    value = int("".join(str(modules[i][j]) for i, j in spots), 2) ^ 0b101010000010010
    rest = value
    for k in range(14, 9, -1):
        if rest >> k & 1:
            rest ^= 0b10100110111 << (k - 10)
    assert rest == 0, "the format information is damaged"
    assert value >> 13 == 0, "the level is not M"
    return value >> 10 & 7


def _data_spots(n: int, version: int) -> list[tuple[int, int]]:
    used = set()
    for i in range(n):
        used |= {(6, i), (i, 6)}
    for a in range(9):
        for b in range(9):
            used |= {(a, b)} | ({(a, n - 1 - b)} if b < 8 else set()) | ({(n - 1 - a, b)} if a < 8 else set())
    for y in _ALIGNED[version]:
        for x in _ALIGNED[version]:
            if (y, x) not in ((6, 6), (6, n - 7), (n - 7, 6)):
                used |= {(y + dy, x + dx) for dy in range(-2, 3) for dx in range(-2, 3)}
    if version >= 7:
        used |= {(a, n - 11 + b) for a in range(6) for b in range(3)} | {
            (n - 11 + b, a) for a in range(6) for b in range(3)
        }
    spots, up = [], True
    columns = [c for c in range(n - 1, 0, -2) if c > 6] + [5, 3, 1]
    for right in columns:
        for i in range(n - 1, -1, -1) if up else range(n):
            spots += [(i, j) for j in (right, right - 1) if (i, j) not in used]
        up = not up
    return spots


def _corrected(words: list[int], version: int) -> list[int]:
    """Return the data codewords of all blocks in order, once each block's syndromes are shown to be nought."""
    extra, groups = _BLOCKS[version]
    sizes = [size for count, size in groups for _ in range(count)]
    blocks: list[list[int]] = [[] for _ in sizes]
    rest = iter(words)
    for k in range(max(sizes)):
        for block, size in zip(blocks, sizes, strict=True):
            if k < size:
                block.append(next(rest))
    data = [word for block in blocks for word in block]
    for _ in range(extra):
        for block in blocks:
            block.append(next(rest))
    power, logs, value = [0] * 255, [0] * 256, 1
    for k in range(255):
        power[k], logs[value] = value, k
        value = value << 1 ^ (0x11D if value & 0x80 else 0)
    for block in blocks:
        for root in range(extra):
            total = 0
            for word in block:
                total = (power[(logs[total] + root) % 255] if total else 0) ^ word
            assert total == 0, "a block has errors"
    return data


def _decoded(words: list[int], version: int) -> str:
    bits, at = "".join(f"{w:08b}" for w in words), 0

    def take(count: int) -> int:
        nonlocal at
        at += count
        return int(bits[at - count : at], 2)

    text = ""
    while len(bits) - at >= 4 and (mode := take(4)):
        if mode == 4:
            text += bytes(take(8) for _ in range(take(8 if version < 10 else 16))).decode()
        elif mode == 2:
            left = take(9 if version < 10 else 11)
            while left > 0:
                pair = take(11 if left > 1 else 6)
                text += (_LETTERS[pair // 45] if left > 1 else "") + _LETTERS[pair % 45]
                left -= 2
        elif mode == 1:
            left = take(10 if version < 10 else 12)
            while left > 0:
                now = min(3, left)
                text += f"{take((0, 4, 7, 10)[now]):0{now}d}"
                left -= now
        else:
            raise AssertionError(f"mode {mode} is not read here")
    return text

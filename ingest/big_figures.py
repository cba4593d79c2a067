"""Figures and letters several rows high, to be read at two metres. Pure; the glyphs are our own.

A glyph is six rows of dots: one for what stands over a letter, five for the letter. A dot becomes as many cells as
there is room for; where a console has half blocks, a cell holds two dots.
"""

from __future__ import annotations

import unicodedata
from typing import Final, NamedTuple

from ingest.screen_text import Signs

_DOTS_HIGH: Final = 6

#: Rows from top to bottom; # is a dot.
_DRAWN: Final = """
0 ### #.# #.# #.# ###
1 .#. ##. .#. .#. ###
2 ### ..# ### #.. ###
3 ### ..# .## ..# ###
4 #.# #.# ### ..# ..#
5 ### #.. ### ..# ###
6 ### #.. ### #.# ###
7 ### ..# ..# .#. .#.
8 ### #.# ### #.# ###
9 ### #.# ### ..# ###
A .##. #..# #### #..# #..#
B ###. #..# ###. #..# ###.
C .### #... #... #... .###
D ###. #..# #..# #..# ###.
E #### #... ###. #... ####
F #### #... ###. #... #...
G .### #... #.## #..# .###
H #..# #..# #### #..# #..#
I ### .#. .#. .#. ###
J ..## ...# ...# #..# .##.
K #..# #.#. ##.. #.#. #..#
L #... #... #... #... ####
M #...# ##.## #.#.# #...# #...#
N #...# ##..# #.#.# #..## #...#
O .##. #..# #..# #..# .##.
P ###. #..# ###. #... #...
Q .##. #..# #..# #.#. .#.#
R ###. #..# ###. #.#. #..#
S .### #... .##. ...# ###.
T ##### ..#.. ..#.. ..#.. ..#..
U #..# #..# #..# #..# .##.
V #...# #...# .#.#. .#.#. ..#..
W #...# #...# #.#.# ##.## #...#
X #...# .#.#. ..#.. .#.#. #...#
Y #...# .#.#. ..#.. ..#.. ..#..
Z #### ...# .##. #... ####
- ... ... ### ... ...
+ ... .#. ### .#. ...
_ ... ... ... ... ###
/ ..# ..# .#. #.. #..
. . . . . #
, .. .. .. .# #.
: . # . # .
( .# #. #. #. .#
) #. .# .# .# #.
# .#.#. ##### .#.#. ##### .#.#.
& .##. #..# .##. #.#. .#.#
' # # . . .
µ ..... #..#. #..#. ####. #....
m ..... ##.#. #.#.# #.#.# #.#.#
i # . # # #
l # # # # #
"""

#: What stands over a letter, by the mark that Unicode takes off it.
_OVER: Final = {
    "\u0308": "#..#",
    "\u0301": "..#.",
    "\u0300": ".#..",
    "\u030a": ".##.",
    "\u0302": ".##.",
    "\u0303": "#.#.",
}


class Scale(NamedTuple):
    """How large a dot is: cells wide, half cells high."""

    wide: int
    high: int


def _glyphs() -> dict[str, tuple[str, ...]]:
    found: dict[str, tuple[str, ...]] = {" ": ("..",) * _DOTS_HIGH}
    for line in _DRAWN.split("\n"):
        if line:
            letter, *rows = line.split(" ")
            found[letter] = ("." * len(rows[0]), *rows)
    return found


_GLYPHS: Final = _glyphs()


def _glyph(letter: str, *, as_written: bool) -> tuple[str, ...] | None:
    known = _GLYPHS.get(letter)
    if known is not None and (as_written or not letter.islower()):
        return known
    upper = letter.upper()
    if len(upper) != 1:
        return None
    if upper in _GLYPHS:
        return _GLYPHS[upper]
    parts = unicodedata.normalize("NFD", upper)
    if len(parts) != 2 or parts[1] not in _OVER or parts[0] not in _GLYPHS:
        return None
    body = _GLYPHS[parts[0]]
    over = _OVER[parts[1]][: len(body[0])].ljust(len(body[0]), ".")
    return (over, *body[1:])


def can_be_big(text: str) -> bool:
    """Return whether there is a glyph for every letter of *text*."""
    return bool(text) and all(_glyph(letter, as_written=False) for letter in text)


def big(text: str, scale: Scale, signs: Signs, *, as_written: bool = False, over: bool = True) -> list[str] | None:
    """Return *text* in large letters, one string a row of cells, or None where a letter has no glyph.

    Args:
        text: What is drawn; small letters become capitals.
        scale: How large a dot is. Without half blocks *high* must be even.
        signs: What the console can show.
        as_written: Draw the small letters that there are (units).
        over: Keep the row over the letters; figures have nothing there.
    """
    if not signs.halves and scale.high % 2:
        return None
    glyphs = [_glyph(letter, as_written=as_written) for letter in text]
    dots = [""] * _DOTS_HIGH
    for at, glyph in enumerate(glyphs):
        if glyph is None:
            return None
        for y in range(_DOTS_HIGH):
            dots[y] += ("." if at else "") + glyph[y]
    if not over:
        dots = dots[1:]
    tall = ["".join(dot * scale.wide for dot in line) for line in dots for _ in range(scale.high)]
    if len(tall) % 2:  # a half row is left: it goes over the top
        tall.insert(0, "." * len(tall[0]))
    cells = {("#", "#"): signs.full, ("#", "."): signs.upper, (".", "#"): signs.lower, (".", "."): " "}
    return [
        "".join(cells[pair] for pair in zip(top, bottom, strict=True))
        for top, bottom in zip(tall[::2], tall[1::2], strict=True)
    ]

"""Numbers, lengths, transformations and paths of SVG, read strictly and written in one plain form.

Grammar: SVG 1.1 (Second Edition), 4.2 basic data types, 7.6 transform, 8.3 path data (from memory). What comes
out has no units, no relative steps and no shorthand, so that every program that draws it draws the same.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

#: No coordinate lies farther out; a drawing of a bridge in hundredths of a millimetre still fits.
FARTHEST: Final = 1e7
#: CSS 2.1, 4.3.2: 1in = 96px = 72pt = 6pc = 2.54cm.
_PX: Final = {
    "": 1.0,
    "px": 1.0,
    "in": 96.0,
    "cm": 96 / 2.54,
    "mm": 96 / 25.4,
    "pt": 96 / 72,
    "pc": 16.0,
    "q": 96 / 101.6,
}
_NUMBER: Final = r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?"
_LENGTH: Final = re.compile(rf"({_NUMBER})([a-zA-Z]*|%)")
_TOKEN: Final = re.compile(rf"[\s,]*(?:([A-Za-z])|({_NUMBER}))")
_FLAG: Final = re.compile(r"[\s,]*([01])")
_CALL: Final = re.compile(r"[\s,]*(matrix|translate|scale|rotate|skewX|skewY)\s*\(([^()]*)\)")
_TAKES: Final = {"M": 2, "L": 2, "H": 1, "V": 1, "C": 6, "S": 4, "Q": 4, "T": 2, "A": 7, "Z": 0}

Step = tuple[str, tuple[float, ...]]


class NotGeometry(ValueError):
    """A value is not what SVG calls a number, a length, a transformation or a path; the message says why."""


@dataclass(frozen=True, slots=True)
class Matrix:
    """x' = a·x + c·y + e, y' = b·x + d·y + f (SVG 1.1, 7.4)."""

    a: float = 1.0
    b: float = 0.0
    c: float = 0.0
    d: float = 1.0
    e: float = 0.0
    f: float = 0.0

    def after(self, first: Matrix) -> Matrix:
        """Return the transformation that does *first* and then this one."""
        return Matrix(
            self.a * first.a + self.c * first.b,
            self.b * first.a + self.d * first.b,
            self.a * first.c + self.c * first.d,
            self.b * first.c + self.d * first.d,
            self.a * first.e + self.c * first.f + self.e,
            self.b * first.e + self.d * first.f + self.f,
        )

    @property
    def flattens(self) -> bool:
        """Return whether everything comes out on a line or a point, so that nothing is to be seen."""
        return abs(self.a * self.d - self.b * self.c) < 1e-12

    def written(self) -> str:
        """Return it as the value of a transform attribute."""
        return f"matrix({' '.join(plain(v) for v in (self.a, self.b, self.c, self.d, self.e, self.f))})"


def plain(value: float) -> str:
    """Return a number in the one form that is written; reading it and writing it again changes nothing."""
    written = f"{0.0 if abs(value) < 1e-9 else value:.9g}"
    return "0" if written == "-0" else written


def number(text: str) -> float:
    """Return the number that *text* is.

    Raises:
        NotGeometry: It is none, or farther out than anything is drawn.
    """
    if not re.fullmatch(_NUMBER, text.strip()):
        raise NotGeometry(f"{_short(text)} is not a number")
    return _within(float(text))


def numbers(text: str) -> list[float]:
    """Return the numbers of a list with blanks or commas between them."""
    return [number(part) for part in re.split(r"[\s,]+", text.strip()) if part]


def length(text: str, whole: float | None = None) -> float:
    """Return a length in px.

    Args:
        text: Number and unit.
        whole: What 100 % is, in px; None where a percentage means nothing.

    Raises:
        NotGeometry: It is no length, or one that depends on a font or a window.
    """
    found = _LENGTH.fullmatch(text.strip())
    if found is None:
        raise NotGeometry(f"{_short(text)} is not a length")
    value, unit = float(found.group(1)), found.group(2).lower()
    if unit == "%" and whole is not None:
        return _within(value * whole / 100)
    if unit not in _PX:
        raise NotGeometry(f"{_short(text)} is not a length in px, mm, cm, in, pt or pc")
    return _within(value * _PX[unit])


def transformation(text: str) -> Matrix:
    """Return what a transform attribute does."""
    at, end, result = 0, len(text.rstrip(" \t\r\n,")), Matrix()
    while at < end:
        call = _CALL.match(text, at)
        if call is None:
            raise NotGeometry(f"{_short(text)} is not a transformation")
        result = result.after(_called(call.group(1), numbers(call.group(2)), text))
        at = call.end()
    for value in (result.a, result.b, result.c, result.d, result.e, result.f):
        _within(value)
    return result


def steps_of_path(text: str) -> Iterator[Step]:
    """Yield the steps of path data with absolute coordinates, as M, L, C, Q, A and Z alone.

    Raises:
        NotGeometry: The data breaks off or holds something else.
    """
    at = start = (0.0, 0.0)
    control: tuple[float, float] | None = None
    before = ""
    for letter, args in _commands(text):
        upper = letter.upper()
        if not before and upper != "M":
            raise NotGeometry(f"path data begins with {letter} and not with M")
        ox, oy = at if letter.islower() else (0.0, 0.0)
        if upper == "Z":
            at, control = start, None
            yield ("Z", ())
        elif upper == "A":
            at, control = (_within(ox + args[5]), _within(oy + args[6])), None
            yield ("A", (abs(args[0]), abs(args[1]), *args[2:5], *at))
        else:
            if upper == "H":
                moved = [ox + args[0], at[1]]
            elif upper == "V":
                moved = [at[0], oy + args[0]]
            else:
                moved = [v + (oy if i % 2 else ox) for i, v in enumerate(args)]
            verb = {"H": "L", "V": "L", "S": "C", "T": "Q"}.get(upper, upper)
            if upper in "ST":
                # The control point is the one before, seen from the other side (8.3.6, 8.3.7).
                mirrors = control is not None and before in ("CS" if upper == "S" else "QT")
                moved = [*((2 * at[0] - control[0], 2 * at[1] - control[1]) if mirrors and control else at), *moved]
            for value in moved:
                _within(value)
            control = (moved[-4], moved[-3]) if verb in "CQ" else None
            at = (moved[-2], moved[-1])
            start = at if verb == "M" else start
            yield (verb, tuple(moved))
        before = upper


def path_written(steps: Iterator[Step] | list[Step] | tuple[Step, ...]) -> str:
    """Return steps as path data."""
    return "".join(f"{verb}{' '.join(plain(v) for v in args)}" for verb, args in steps)


def _commands(text: str) -> Iterator[tuple[str, list[float]]]:
    at, letter = 0, ""
    end = len(text.rstrip(" \t\r\n,"))
    while at < end:
        token = _TOKEN.match(text, at)
        if token is None:
            raise NotGeometry(f"path data cannot be read at {_short(text[at:])}")
        if token.group(1):
            letter, at = token.group(1), token.end()
            if letter.upper() not in _TAKES:
                raise NotGeometry(f"path data has no step {letter!r}")
        elif letter in ("", "z", "Z"):
            raise NotGeometry(f"path data cannot be read at {_short(text[at:])}")
        args: list[float] = []
        for i in range(_TAKES[letter.upper()]):
            # The two flags of an arc may stand without anything between them and what follows (8.3.9).
            found = _FLAG.match(text, at) if letter in "aA" and i in (3, 4) else _TOKEN.match(text, at)
            if found is None or (found.re is _TOKEN and found.group(1)):
                raise NotGeometry(f"path data breaks off in step {letter}")
            args.append(_within(float(found.group(1) if found.re is _FLAG else found.group(2))))
            at = found.end()
        yield letter, args
        letter = {"m": "l", "M": "L"}.get(letter, letter)


def _called(name: str, args: list[float], text: str) -> Matrix:
    if name == "matrix" and len(args) == 6:
        return Matrix(*args)
    if name == "translate" and len(args) in (1, 2):
        return Matrix(e=args[0], f=args[1] if len(args) == 2 else 0.0)
    if name == "scale" and len(args) in (1, 2):
        return Matrix(a=args[0], d=args[-1])
    if name == "rotate" and len(args) in (1, 3):
        turn = math.radians(args[0])
        turned = Matrix(math.cos(turn), math.sin(turn), -math.sin(turn), math.cos(turn))
        if len(args) == 1:
            return turned
        _, x, y = args
        return Matrix(e=x, f=y).after(turned).after(Matrix(e=-x, f=-y))
    if name in ("skewX", "skewY") and len(args) == 1:
        slant = math.tan(math.radians(args[0]))
        return Matrix(c=slant) if name == "skewX" else Matrix(b=slant)
    raise NotGeometry(f"{_short(text)}: {name} takes another count of numbers")


def _within(value: float) -> float:
    if not abs(value) <= FARTHEST:
        raise NotGeometry(f"{value:g} is farther out than {FARTHEST:g}")
    return value


def _short(text: str) -> str:
    text = " ".join(text.split())
    return repr(text if len(text) <= 40 else text[:37] + "...")

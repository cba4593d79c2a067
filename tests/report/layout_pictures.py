"""What pages look like, as it is kept and compared: every word with its place, and a small grey picture.

The words say what moved or changed, in millimetres; the pictures see what has no words: lines, marks, shades. Measured
on Debian 12 (Pango 1.50, poppler 22.12) and Debian 13 (Pango 1.56, poppler 25.03): no word is elsewhere and no pixel
differs. The tolerances are for versions to come, and below what a reader would see.
"""

from __future__ import annotations

import gzip
import html
import io
import re
import subprocess
from collections import defaultdict
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from PIL import Image, ImageChops, ImageFilter

PICTURES: Final = Path(__file__).parent / "pictures"
DPI: Final = 60
#: A word that lies farther from its place than this, in mm, has moved.
MOST_MM: Final = 0.4
#: So much, of 255, may the grey of a spot of 2 mm differ on average.
MOST_GREY: Final = 6
_SPOT_PX: Final = 5
_GREYS: Final = 16
_MM_PER_POINT: Final = 25.4 / 72
_PAGE: Final = re.compile(r"<page (.*?)</page>", re.DOTALL)
_WORD: Final = re.compile(r'<word xMin="([\d.-]+)" yMin="([\d.-]+)" xMax="([\d.-]+)" yMax="([\d.-]+)">(.*?)</word>')


@dataclass(frozen=True, slots=True)
class Word:
    """A word on a page: left and top edge in mm from the top left corner."""

    page: int
    left: float
    top: float
    text: str


def words_of(pdf: bytes) -> list[Word]:
    """Return every word of *pdf* with its place, page by page, in the order of reading."""
    said = subprocess.run(["pdftotext", "-bbox", "-", "-"], input=pdf, capture_output=True, check=True).stdout.decode()
    return [
        Word(number, round(float(left) * _MM_PER_POINT, 1), round(float(top) * _MM_PER_POINT, 1), html.unescape(text))
        for number, page in enumerate(_PAGE.findall(said), 1)
        for left, top, _, _, text in _WORD.findall(page)
    ]


def picture_of(pdf: bytes) -> Image.Image:
    """Return the pages of *pdf* side by side, small and grey."""
    drawn = subprocess.run(
        ["pdftoppm", "-gray", "-r", str(DPI), "-"], input=pdf, capture_output=True, check=True
    ).stdout
    pages = []
    stream = io.BytesIO(drawn)
    while stream.tell() < len(drawn):
        assert stream.readline() == b"P5\n"
        width, height = map(int, stream.readline().split())
        assert stream.readline() == b"255\n"
        pages.append(Image.frombytes("L", (width, height), stream.read(width * height)))
    side_by_side = Image.new("L", (sum(p.width for p in pages), max(p.height for p in pages)), 128)
    left = 0
    for page in pages:
        side_by_side.paste(page, (left, 0))
        left += page.width
    return side_by_side.point([min(_GREYS - 1, v * _GREYS // 256) * 255 // (_GREYS - 1) for v in range(256)])


def keep(name: str, words: list[Word], picture: Image.Image) -> None:
    """Write the reference of a layout."""
    PICTURES.mkdir(exist_ok=True)
    few = picture.point([v * (_GREYS - 1) // 255 for v in range(256)]).convert("P")
    few.putpalette([v * 255 // (_GREYS - 1) for v in range(_GREYS) for _ in range(3)])
    few.save(PICTURES / f"{name}.png", optimize=True, bits=4)
    lines = [f"{w.page} {w.left:g} {w.top:g} {w.text}\n" for w in words]
    (PICTURES / f"{name}.words.gz").write_bytes(gzip.compress("".join(lines).encode(), 9, mtime=0))


def kept_words(name: str) -> list[Word]:
    """Return the words of a reference."""
    lines = gzip.decompress((PICTURES / f"{name}.words.gz").read_bytes()).decode().splitlines()
    parts = [line.split(" ", 3) for line in lines]
    return [Word(int(page), float(left), float(top), text) for page, left, top, text in parts]


def kept_picture(name: str) -> Image.Image:
    """Return the picture of a reference."""
    with Image.open(PICTURES / f"{name}.png") as image:
        return image.convert("L")


def words_differ(kept: list[Word], now: list[Word]) -> str | None:
    """Return in a sentence where the words differ in themselves or in their place, or None where they do not.

    In which order a program reads them off a page does not matter.
    """
    here: dict[tuple[int, str], list[Word]] = defaultdict(list)
    for word in now:
        here[word.page, word.text].append(word)
    for old in kept:
        alike = here[old.page, old.text]
        if not alike:
            return f"page {old.page}: {old.text!r} at {old.left:g}, {old.top:g} mm is gone"
        new = min(alike, key=lambda w: _apart(old, w))
        if _apart(old, new) > MOST_MM:
            return f"page {new.page}: {new.text!r} is at {new.left:g}, {new.top:g} mm and was at {old.left:g}, {old.top:g} mm"
        alike.remove(new)
    more = next((word for words in here.values() for word in words), None)
    return None if more is None else f"page {more.page}: {more.text!r} at {more.left:g}, {more.top:g} mm is new"


def _apart(one: Word, other: Word) -> float:
    return max(abs(one.left - other.left), abs(one.top - other.top))


def greatest_difference(kept: Image.Image, now: Image.Image) -> tuple[float, tuple[int, int]]:
    """Return by how much the grey of a spot differs on average where it differs most, of 255, and where, in pixels."""
    # A whole pixel may go another way where an edge falls between two; its neighbours even that out.
    spots = ImageChops.difference(kept, now).filter(ImageFilter.BoxBlur(_SPOT_PX // 2))
    most = spots.getextrema()[1]
    at = spots.tobytes().index(bytes([most]))
    return most, (at % spots.width, at // spots.width)


def pictures_differ(kept: Image.Image, now: Image.Image) -> str | None:
    """Return in a sentence where the pictures differ, or None where they do not."""
    if kept.size != now.size:
        return f"the pages measure {now.size} pixels and measured {kept.size}"
    grey, (x, y) = greatest_difference(kept, now)
    if grey <= MOST_GREY:
        return None
    return f"{x}, {y} px: the grey differs by {grey} of 255"

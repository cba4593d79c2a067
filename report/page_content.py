"""Whether the pages of a certificate can show anything else than the text that they hold.

Text that is in a PDF need not be seen on it: a font may draw another letter than it is read as, a box may lie over
it, a colour, a clip or an option may hide it. What our pages are made of is little, so anything else is refused:
other operators, other fonts, other boxes, other annotations, whatever a viewer runs or switches, and whatever is
painted over text. Where the text stands, and what lines and pictures show, is not looked at here; only to lay
the pages out anew tells that (report/rebuilding.py).
"""

from __future__ import annotations

import io
import re
import unicodedata
from bisect import bisect_left
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import cache
from html import unescape
from importlib.resources import files
from typing import Any, Final

import pikepdf

from report.signature_fields import RELEASE_FIELD

_TEXT_FONTS: Final = ("OpenSans-Regular.ttf", "OpenSans-Semibold.ttf", "OpenSans-Bold.ttf")
#: The subset that blocks are printed in, and the one of earlier certificates.
_STAMP_FONT: Final = ("OpenSans-Stamp.ttf", "OpenSans-Stamp-1.ttf")
_CATALOG: Final = frozenset(
    [
        "/AF",
        "/AcroForm",
        "/DSS",
        "/Extensions",
        "/Lang",
        "/MarkInfo",
        "/Metadata",
        "/Names",
        "/Outlines",
        "/OutputIntents",
        "/Pages",
        "/Perms",
        "/StructTreeRoot",
        "/Type",
        "/Version",
        "/ViewerPreferences",
    ]
)
_NAMES: Final = frozenset(("/Dests", "/EmbeddedFiles"))
_FORM_OF_FIELDS: Final = frozenset(("/Fields", "/SigFlags"))
_PAGE: Final = frozenset(
    [
        "/Annots",
        "/BleedBox",
        "/Contents",
        "/MediaBox",
        "/Parent",
        "/Resources",
        "/StructParents",
        "/Tabs",
        "/TrimBox",
        "/Type",
    ]
)
_FIELD: Final = frozenset(
    [
        "/AP",
        "/F",
        "/FT",
        "/Kids",
        "/Lock",
        "/P",
        "/Parent",
        "/Rect",
        "/StructParent",
        "/Subtype",
        "/T",
        "/TU",
        "/Type",
        "/V",
        "/MK",
        "/DA",
        "/SV",
    ]
)
_STATE: Final = frozenset(("/CA", "/ca", "/Type"))
#: A4 and Letter in points.
_SIZES: Final = ((595.28, 841.89), (612.0, 792.0))
_RUN_OR_SWITCHED: Final = re.compile(
    rb"/(JavaScript|OpenAction|OCProperties|Launch|RichMedia|SubmitForm|ImportData|GoToR|GoToE|ObjStm)(?![A-Za-z0-9])"
)
_ESCAPED: Final = re.compile(rb"#([0-9A-Fa-f]{2})")
_PAIR: Final = re.compile(rb"<([0-9A-Fa-f]+)>\s*<([0-9A-Fa-f]+)>")
_BLOCK: Final = re.compile(rb"beginbfchar(.*?)endbfchar", re.DOTALL)
_RANGES: Final = re.compile(rb"beginbfrange(.*?)endbfrange", re.DOTALL)
_RANGE: Final = re.compile(rb"<([0-9A-Fa-f]{4})>\s*<[0-9A-Fa-f]{4}>\s*\[([^\]]*)\]")
_HEX: Final = re.compile(rb"<([0-9A-Fa-f]+)>")
_BYTES_PER_GLYPH: Final = 2

_NOTHING: Final = frozenset(("BMC", "BDC", "EMC", "BT", "ET", "J", "j", "M", "d", "RG", "G", "CS", "SCN", "y", "v"))
_PATH: Final = frozenset(("m", "l", "c", "re", "h"))
_FILLS: Final = frozenset(("f", "f*", "B", "B*", "b", "b*"))
_STROKES: Final = frozenset(("S", "s"))
#: A font is at least so large on paper, in points, and a box over a text takes so much of it.
_LEAST_POINTS: Final = 3.0
_COVERED: Final = 0.25
#: Above that a colour is too light to be read on paper.
_LIGHTEST: Final = 0.6
_CLOSE: Final = 2.0
_THICK: Final = 3.0
_DEEPEST: Final = 6

Box = tuple[float, float, float, float]


class Fault(Exception):
    """What stands in the pages that no certificate of this program has, as a sentence."""


@dataclass(frozen=True, slots=True)
class PageContent:
    """What the pages hold.

    Attributes:
        texts: The text of each page without blanks, in the order of the document.
        pictures: The text inside the pictures of all pages, in order, without blanks.
        release: The text in the block of the release, without blanks; None where the file has none.
        titles: What the file is called in its description, each time that it is said.
        subjects: What it is said to be about, each time.
    """

    texts: tuple[str, ...]
    pictures: tuple[str, ...]
    release: str | None
    titles: frozenset[str] = frozenset()
    subjects: frozenset[str] = frozenset()


def page_content(pdf: bytes) -> PageContent:
    """Return what the pages of *pdf* hold.

    Args:
        pdf: The certificate up to the end of what its release covers.

    Raises:
        Fault: It holds what none of our pages does, or hides text.
    """
    plain = _ESCAPED.sub(lambda found: bytes([int(found[1], 16)]), pdf)
    found = _RUN_OR_SWITCHED.search(plain)
    if found is not None:
        raise Fault(
            f"The file holds what a viewer runs or switches on and off (/{found[1].decode()}); no certificate does."
        )
    with pikepdf.open(io.BytesIO(pdf)) as opened:
        root = opened.Root
        _only(root, _CATALOG, "The file")
        _only(root.get("/Names", {}), _NAMES, "The list of names in the file")
        release = _fields(opened)
        _only(root.Pages, frozenset(("/Count", "/Kids", "/Type")), "The list of pages")
        texts, pictures = [], []
        fonts = _Fonts(_TEXT_FONTS)
        for number, page in enumerate(opened.pages, 1):
            _boxes(page, number)
            walk = _Walk(number, fonts)
            walk.page(page)
            texts.append("".join("".join(walk.read).split()))
            pictures += ["".join(text.split()) for text in walk.in_pictures]
        titles, subjects = (
            frozenset((str(opened.docinfo.get(key, "")), *_in_metadata(opened, tag)))
            for key, tag in (("/Title", "title"), ("/Subject", "description"))
        )
    return PageContent(tuple(texts), tuple(pictures), release, titles, subjects)


def _in_metadata(opened: pikepdf.Pdf, tag: str) -> list[str]:
    text = bytes(opened.Root.Metadata.read_bytes()).decode() if "/Metadata" in opened.Root else ""
    found = re.findall(f"<dc:{tag}>(.*?)</dc:{tag}>", text, re.DOTALL)
    return [unescape(said) for one in found for said in re.findall(r"<rdf:li[^>]*>(.*?)</rdf:li>", one, re.DOTALL)]


def _only(given: Any, known: frozenset[str], what: str) -> None:
    odd = sorted(set(given.keys()) - known)
    if odd:
        raise Fault(f"{what} has an entry that no certificate has ({odd[0]}).")


def _fields(opened: pikepdf.Pdf) -> str | None:
    """Look at the form, and return the text in the block of the release."""
    form = opened.Root.get("/AcroForm")
    listed = [] if form is None else list(form.get("/Fields", ()))
    if form is not None:
        _only(form, _FORM_OF_FIELDS, "The form of the file")
    release = None
    for one in listed:
        _only(one, _FIELD, "A field of the file")
        if one.get("/FT") != "/Sig" or "/Kids" in one:
            raise Fault("The file has a form field that is no place to sign.")
        look = one.get("/AP")
        if look is None:
            continue
        _only(look, frozenset(("/N",)), "The look of a signature")
        if str(one.get("/T")) == RELEASE_FIELD and "/V" in one:
            walk = _Walk(0, _Fonts(_STAMP_FONT), stamp=True)
            walk.form(look.N)
            release = "".join("".join(walk.in_pictures).split())
        elif bytes(look.N.read_bytes()).strip():
            raise Fault("An empty place to sign shows something.")
    kept = {one.objgen for one in listed}
    for page in opened.pages:
        for one in page.get("/Annots", ()):
            if one.get("/Subtype") != "/Widget" or one.objgen not in kept:
                raise Fault(f"A page holds a note or a stamp ({one.get('/Subtype')}), which no certificate does.")
    return release


def _boxes(page: pikepdf.Page, number: int) -> None:
    _only(page.obj, _PAGE, f"Page {number}")
    boxes = [
        tuple(float(v) for v in page.obj[key]) for key in ("/MediaBox", "/TrimBox", "/BleedBox") if key in page.obj
    ]
    x, y, right, top = boxes[0]
    if len(set(boxes)) != 1 or (x, y) != (0, 0):
        raise Fault(f"Page {number} shows only a part of what is on it.")
    if not any(abs(right - w) < 1 and abs(top - h) < 1 for w, h in _SIZES):
        raise Fault(f"Page {number} has {right:.0f} by {top:.0f} points, which no certificate's has.")


# ---- fonts ---------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Bundled:
    outlines: Mapping[int, Any]
    advances: Mapping[int, float]
    read_as: Mapping[int, frozenset[str]]


class _Outlines(dict[int, Any]):
    """Outlines by glyph number, read where they are asked for."""

    def __init__(self, font: Any) -> None:
        super().__init__()
        self._table = font["glyf"]
        self._order = font.getGlyphOrder()

    def __missing__(self, glyph: int) -> Any:
        if glyph >= len(self._order):
            return None
        points, ends, flags = self._table[self._order[glyph]].getCoordinates(self._table)
        self[glyph] = (list(points), list(ends), bytes(f & 1 for f in flags))
        return self[glyph]


@cache
def _bundled(name: str) -> _Bundled:
    from fontTools.ttLib import TTFont

    font = TTFont(io.BytesIO((files("report") / "templates" / "fonts" / name).read_bytes()), lazy=True)
    order, units = font.getGlyphOrder(), font["head"].unitsPerEm
    numbers = {glyph: i for i, glyph in enumerate(order)}
    read_as: dict[int, set[str]] = {}
    for code, glyph in font.getBestCmap().items():
        # A ligature has a letter of its own, and is read as the letters that it joins.
        read_as.setdefault(numbers[glyph], set()).update((chr(code), unicodedata.normalize("NFKC", chr(code))))
    metrics = font["hmtx"].metrics
    return _Bundled(
        _Outlines(font),
        {i: metrics[glyph][0] * 1000 / units for i, glyph in enumerate(order)},
        {i: frozenset(texts) for i, texts in read_as.items()},
    )


@dataclass(frozen=True, slots=True)
class _Font:
    texts: Mapping[bytes, str]
    advances: Mapping[int, float]
    _runs: dict[bytes, tuple[str, float] | None] = field(default_factory=dict)

    def run(self, codes: bytes) -> tuple[str, float] | None:
        """Return what a run of glyphs is read as and how far it goes; None where one is read as nothing."""
        if codes not in self._runs:
            glyphs = [codes[i : i + _BYTES_PER_GLYPH] for i in range(0, len(codes), _BYTES_PER_GLYPH)]
            known = all(glyph in self.texts for glyph in glyphs)
            self._runs[codes] = (
                ("".join(self.texts[g] for g in glyphs), sum(self.advances[int.from_bytes(g, "big")] for g in glyphs))
                if known
                else None
            )
        return self._runs[codes]


class _Fonts:
    """The fonts of a file, each held against the ones that come with this program when first used."""

    def __init__(self, bundled: Iterable[str]) -> None:
        self._bundled = tuple(bundled)
        self._known: dict[tuple[int, int], _Font] = {}

    def of(self, resources: Any, name: str, number: int) -> _Font:
        font = resources.get("/Font", {}).get(name)
        if font is None or font.get("/Subtype") != "/Type0" or "/ToUnicode" not in font:
            raise Fault(f"{_where(number)} uses a font that no certificate has.")
        key = font.objgen
        if key not in self._known or key == (0, 0):
            self._known[key] = self._looked_at(font, number)
        return self._known[key]

    def _looked_at(self, font: Any, number: int) -> _Font:
        from fontTools.ttLib import TTFont

        texts = to_unicode(bytes(font.ToUnicode.read_bytes()))
        inner = font.DescendantFonts[0]
        if (
            font.get("/Encoding") != "/Identity-H"
            or len(font.DescendantFonts) != 1
            or inner.get("/Subtype") != "/CIDFontType2"
            or inner.get("/CIDToGIDMap", "/Identity") != "/Identity"
            or "/FontFile2" not in inner.get("/FontDescriptor", {})
        ):
            raise Fault(f"{_where(number)} uses a font that no certificate has.")
        own = _Outlines(TTFont(io.BytesIO(bytes(inner.FontDescriptor.FontFile2.read_bytes())), lazy=True))
        glyphs = {int.from_bytes(code, "big"): text for code, text in texts.items()}
        for name in self._bundled:
            ours = _bundled(name)
            if all(own[g] is not None and own[g] == ours.outlines[g] for g in glyphs):
                break
        else:
            raise Fault(f"{_where(number)} uses a font whose letters are not drawn as the program's own are.")
        for glyph, text in glyphs.items():
            if text not in ours.read_as.get(glyph, ()):
                raise Fault(f"{_where(number)} has a letter that is read as {text!r} and drawn as another.")
        widths = _widths(inner)
        if any(abs(widths.get(g, 1000.0) - ours.advances[g]) > 1.5 for g in glyphs):
            raise Fault(f"{_where(number)} uses a font whose letters stand closer or wider than they should.")
        return _Font(texts, ours.advances)


def _widths(font: Any) -> dict[int, float]:
    """Return the widths of a font's letters (ISO 32000-1, 9.7.4.3)."""
    found: dict[int, float] = {}
    given = list(font.get("/W", ()))
    at = 0
    while at + 1 < len(given):
        first = int(given[at])
        if isinstance(given[at + 1], pikepdf.Array):
            found.update({first + i: float(width) for i, width in enumerate(given[at + 1])})
            at += 2
        else:
            found.update(dict.fromkeys(range(first, min(int(given[at + 1]), 0xFFFF) + 1), float(given[at + 2])))
            at += 3
    return found


def to_unicode(cmap: bytes) -> dict[bytes, str]:
    """Return what the glyphs of a font are read as, by their code in two bytes."""
    found = {
        bytes.fromhex(glyph.decode()): bytes.fromhex(text.decode()).decode("utf-16-be")
        for block in _BLOCK.findall(cmap)
        for glyph, text in _PAIR.findall(block)
    }
    for block in _RANGES.findall(cmap):
        for first, texts in _RANGE.findall(block):
            for i, text in enumerate(_HEX.findall(texts)):
                code = (int(first, 16) + i).to_bytes(_BYTES_PER_GLYPH, "big")
                found[code] = bytes.fromhex(text.decode()).decode("utf-16-be")
    return found


# ---- content -------------------------------------------------------------------------------------


def _where(number: int) -> str:
    return f"Page {number}" if number else "The block of the release"


@dataclass(slots=True)
class _State:
    matrix: tuple[float, ...] = (1.0, 0.0, 0.0, 1.0, 0.0, 0.0)
    clip: Box = (-1e6, -1e6, 1e6, 1e6)
    light: float = 0.0
    opaque: float = 1.0
    width: float = 1.0
    font: _Font | None = None
    size: float = 0.0

    def copy(self) -> _State:
        return _State(self.matrix, self.clip, self.light, self.opaque, self.width, self.font, self.size)


@dataclass(slots=True)
class _Walk:
    """One page, operator by operator."""

    number: int
    fonts: _Fonts
    stamp: bool = False
    read: list[str] = field(default_factory=list)
    in_pictures: list[str] = field(default_factory=list)
    _texts: list[tuple[int, Box]] = field(default_factory=list)
    _paints: list[tuple[int, Box]] = field(default_factory=list)
    _images: list[Box] = field(default_factory=list)
    _order: int = 0
    _depth: int = 0

    def page(self, page: pikepdf.Page) -> None:
        width, height = (float(v) for v in page.obj.MediaBox[2:4])
        self._content(page, page.obj.get("/Resources", {}), _State(clip=(0.0, 0.0, width, height)), within=False)
        for one in page.get("/Annots", ()):
            left, bottom, right, top = (float(v) for v in one.Rect)
            self._paint((min(left, right), min(bottom, top), max(left, right), max(bottom, top)))
        self._refuse_covered()

    def form(self, form: Any, state: _State | None = None) -> None:
        """Look at what a picture draws."""
        self._depth += 1
        if self._depth > _DEEPEST or "/OC" in form:
            raise Fault(f"{_where(self.number)} has a picture that no certificate has.")
        state = _State() if state is None else state.copy()
        if "/Matrix" in form:
            state.matrix = _times(tuple(float(v) for v in form.Matrix), state.matrix)
        self.in_pictures.append("")
        self._content(form, form.get("/Resources", {}), state, within=True)
        self._depth -= 1

    def _refuse_covered(self) -> None:
        if not self._texts:
            return
        # By their lower edges, so that whatever is painted is held against the texts at its own height alone.
        texts = sorted((box[1], order, box) for order, box in self._texts)
        bottoms = [bottom for bottom, _, _ in texts]
        tallest = max(box[3] - box[1] for _, _, box in texts)
        for paint_order, (left, bottom, right, top) in [*self._paints, *((2**60, box) for box in self._images)]:
            for k in range(bisect_left(bottoms, bottom - tallest), bisect_left(bottoms, top)):
                _, order, box = texts[k]
                wide, high = min(box[2], right) - max(box[0], left), min(box[3], top) - max(box[1], bottom)
                area = (box[2] - box[0]) * (box[3] - box[1])
                if order < paint_order and wide > 0 and high > 0 and wide * high > _COVERED * area:
                    raise Fault(f"On page {self.number} something is painted over text.")

    def _paint(self, box: Box) -> None:
        self._order += 1
        if box[2] > box[0] and box[3] > box[1]:
            self._paints.append((self._order, box))

    def _content(self, stream: Any, resources: Any, state: _State, *, within: bool) -> None:
        saved: list[_State] = []
        path: list[tuple[str, Any]] = []
        checked: dict[str, float | None] = {}
        fonts: dict[str, _Font] = {}
        clips = False
        place: tuple[float, ...] = state.matrix
        try:
            steps = pikepdf.parse_content_stream(stream)
        except pikepdf.PdfError:
            raise Fault(f"{_where(self.number)} cannot be read.") from None
        for step in steps:
            name = str(step.operator)
            given = step.operands
            if name in _NOTHING:
                if name == "BDC" and given[0] == "/OC":
                    raise Fault(f"{_where(self.number)} has a part that can be switched off.")
                if name == "BDC" and not self.stamp and "/ActualText" in given[1]:
                    raise Fault(f"{_where(self.number)} has text that is read aloud as another.")
            elif name == "q":
                saved.append(state.copy())
            elif name == "Q":
                if not saved:
                    raise Fault(f"{_where(self.number)} is not drawn as a certificate is (Q).")
                state = saved.pop()
            elif name == "cm":
                state.matrix = _times(tuple(float(v) for v in given), state.matrix)
            elif name in _PATH:
                path.append((name, given))
            elif name in ("W", "W*"):
                clips = True
            elif name in _FILLS or name in _STROKES or name == "n":
                broad = 0.0 if name in _FILLS or name == "n" else state.width * _scale(state.matrix)
                paints = name in _FILLS or broad > _THICK
                if path and (paints or clips):
                    box = _around(_points(path, state.matrix))
                    if paints:
                        half = broad / 2
                        wide = (box[0] - half, box[1] - half, box[2] + half, box[3] + half)
                        self._paint(_inside(wide, state.clip))
                    if clips:
                        state.clip = _inside(box, state.clip)
                path, clips = [], False
            elif name == "rg":
                r, g, b = (float(v) for v in given)
                state.light = 0.2126 * r + 0.7152 * g + 0.0722 * b
            elif name == "g":
                state.light = float(given[0])
            elif name == "w":
                state.width = float(given[0])
            elif name in ("cs", "scn"):
                # A colour of a drawing, which is no colour of a text.
                state.light = 1.0
                self._pattern(given, resources)
            elif name == "gs":
                key = str(given[0])
                if key not in checked:
                    looks = resources.get("/ExtGState", {})[key]
                    _only(looks, _STATE, f"{_where(self.number)}, in how it paints,")
                    checked[key] = float(looks["/ca"]) if "/ca" in looks else None
                opaque = checked[key]
                state.opaque = state.opaque if opaque is None else opaque
            elif name == "Tf":
                key = str(given[0])
                if key not in fonts:
                    fonts[key] = self.fonts.of(resources, key, self.number)
                state.font = fonts[key]
                state.size = float(given[1])
            elif name == "Tr":
                if int(given[0]) != 0:
                    raise Fault(f"{_where(self.number)} has text that is not drawn.")
            elif name == "Tm":
                place = _times(tuple(float(v) for v in given), state.matrix)
            elif name in ("TJ", "Tj"):
                place = self._text(given[0], state, place, within=within)
            elif name == "Do":
                self._picture(resources.get("/XObject", {})[str(given[0])], state)
            elif name == "sh":
                self._paint(state.clip)
            elif self.stamp and name in ("TL", "T*", "Td"):
                pass
            else:
                raise Fault(f"{_where(self.number)} is drawn with an operator that no certificate has ({name}).")

    def _pattern(self, given: Any, resources: Any) -> None:
        if given and isinstance(given[-1], pikepdf.Name) and str(given[-1]) in resources.get("/Pattern", {}):
            pattern = resources.Pattern[str(given[-1])]
            if isinstance(pattern, pikepdf.Stream):
                texts = len(self.in_pictures)
                before = self._paints[:]
                self.form(pattern, _State())
                # A pattern paints where it is used, not where it is made.
                self._paints[:] = before
                if any(self.in_pictures[texts:]):
                    raise Fault(f"{_where(self.number)} has a pattern with text in it.")

    def _picture(self, picture: Any, state: _State) -> None:
        if "/OC" in picture:
            raise Fault(f"{_where(self.number)} has a part that can be switched off.")
        if picture.get("/Subtype") == "/Form":
            self.form(picture, state)
        else:
            corners = [_at(state.matrix, x, y) for x in (0.0, 1.0) for y in (0.0, 1.0)]
            self._images.append(_inside(_around(corners), state.clip))

    def _text(self, given: Any, state: _State, place: tuple[float, ...], *, within: bool) -> tuple[float, ...]:
        font = state.font
        if font is None:
            raise Fault(f"{_where(self.number)} has text without a font.")
        along, letters = 0.0, []
        for run in given if isinstance(given, pikepdf.Array) else [given]:
            if not isinstance(run, pikepdf.String):
                along -= float(run)
                continue
            said = font.run(bytes(run))
            if said is None:
                raise Fault(f"{_where(self.number)} has a letter that is read as nothing.")
            letters.append(said[0])
            along += said[1]
        text, length = "".join(letters), along * state.size / 1000
        if within:
            self.in_pictures[-1] += text
        else:
            self.read.append(text)
        if text.strip() and not self.stamp:
            box = _around([_at(place, x, y) for x in (0.0, length) for y in (0.0, 0.6 * state.size)])
            self._visible(text, box, state, place)
            if within:
                self._paint(box)
            else:
                self._order += 1
                self._texts.append((self._order, box))
        return _times((1.0, 0.0, 0.0, 1.0, length, 0.0), place)

    def _visible(self, text: str, box: Box, state: _State, place: tuple[float, ...]) -> None:
        if state.light > _LIGHTEST or state.opaque < 1:
            raise Fault(f"On page {self.number} {_short(text)} is too light to be read.")
        if state.size * _scale(place) < _LEAST_POINTS:
            raise Fault(f"On page {self.number} {_short(text)} is too small to be read.")
        left, bottom, right, top = state.clip
        seen = (
            left - _CLOSE <= box[0]
            and bottom - _CLOSE <= box[1]
            and box[2] <= right + _CLOSE
            and box[3] <= top + _CLOSE
        )
        if not seen:
            raise Fault(f"On page {self.number} {_short(text)} is cut off.")


def _short(text: str) -> str:
    return repr(text if len(text) <= 40 else f"{text[:40]}\u2026")


def _times(a: tuple[float, ...], b: tuple[float, ...]) -> tuple[float, ...]:
    return (
        a[0] * b[0] + a[1] * b[2],
        a[0] * b[1] + a[1] * b[3],
        a[2] * b[0] + a[3] * b[2],
        a[2] * b[1] + a[3] * b[3],
        a[4] * b[0] + a[5] * b[2] + b[4],
        a[4] * b[1] + a[5] * b[3] + b[5],
    )


def _at(m: tuple[float, ...], x: float, y: float) -> tuple[float, float]:
    return m[0] * x + m[2] * y + m[4], m[1] * x + m[3] * y + m[5]


def _scale(m: tuple[float, ...]) -> float:
    return float(abs(m[0] * m[3] - m[1] * m[2]) ** 0.5)


def _points(path: list[tuple[str, Any]], m: tuple[float, ...]) -> list[tuple[float, float]]:
    """Return the corners of the box around *path*, before it is placed by *m*, on the page."""
    xs, ys = [], []
    for name, given in path:
        numbers = [float(v) for v in given]
        if name == "re":
            x, y, w, h = numbers
            xs += [x, x + w]
            ys += [y, y + h]
        else:
            xs += numbers[::2]
            ys += numbers[1::2]
    if not xs:
        return [(0.0, 0.0)]
    return [_at(m, x, y) for x in (min(xs), max(xs)) for y in (min(ys), max(ys))]


def _around(points: list[tuple[float, float]]) -> Box:
    xs, ys = [x for x, _ in points], [y for _, y in points]
    return min(xs), min(ys), max(xs), max(ys)


def _inside(box: Box, clip: Box) -> Box:
    return max(box[0], clip[0]), max(box[1], clip[1]), min(box[2], clip[2]), min(box[3], clip[3])

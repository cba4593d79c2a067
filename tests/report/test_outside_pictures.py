"""Drawings and logos from anywhere: what is harmless comes out looking the same, everything else is refused."""

from __future__ import annotations

import base64
import io
import re
import shutil
import struct
import subprocess
import time
import zlib
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pikepdf
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from markupsafe import Markup
from PIL import Image, ImageChops, ImageFile, PngImagePlugin

from report import outside_png, pdf
from report.outside_pictures import OutsidePicture, picture_of
from report.printed import page_texts
from report.svg_geometry import Matrix, NotGeometry, steps_of_path, transformation
from schemas.errors import BadInput

SHOP = Path(__file__).parents[2] / "sample_captures" / "shop"
OWN = ["logo.svg", "drawings/gate-leaf.svg", "drawings/hinge.svg"]
NOON = datetime(2026, 8, 4, 12, tzinfo=UTC)
needs_poppler = pytest.mark.skipif(
    shutil.which("pdftoppm") is None, reason="needs poppler-utils: apt-get install poppler-utils"
)
RECT = '<rect width="10" height="10"/>'


def _svg(body: str, root: str = 'viewBox="0 0 100 50"', before: str = "") -> bytes:
    spaces = 'xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" xmlns:h="http://www.w3.org/1999/xhtml" xmlns:ours="urn:ours"'
    return f"{before}<svg {spaces} {root}>{body}</svg>".encode()


def _drawn(body: str, root: str = 'viewBox="0 0 100 50"') -> str:
    return picture_of(_svg(body, root), "part.svg").content.decode()


def _page(body: Markup | str, assets: dict[str, bytes] | None = None) -> bytes:
    """Return a page of the certificate's own machinery with *body* on it."""

    html = (
        '<!DOCTYPE html><html lang="en"><head><title>t</title><meta name="dcterms.created" content="2026-08-04T12:00:00Z"/>'
        '<meta name="dcterms.modified" content="2026-08-04T12:00:00Z"/></head><body><p>before</p>'
        f'<div style="width:100mm">{body}</div><p>after</p><div id="signature-place"></div></body></html>'
    )
    return pdf.render(html, {"certificate.json": b"{}"}, NOON, assets).content


def _seen(body: Markup | str, tmp_path: Path, assets: dict[str, bytes] | None = None) -> Image.Image:
    path = tmp_path / "seen.pdf"
    path.write_bytes(_page(body, assets))
    shown = subprocess.run(
        ["pdftoppm", "-r", "100", "-f", "1", "-l", "1", "-png", str(path)], capture_output=True, check=True
    )
    return Image.open(io.BytesIO(shown.stdout)).convert("RGB")


def _differ(one: Image.Image, other: Image.Image) -> int:
    """Return how many pixels differ by more than the smoothing of an edge."""
    grey = ImageChops.difference(one, other).convert("L")
    return sum(grey.histogram()[64:])


# --- what is taken, and what becomes of it


@pytest.mark.parametrize("name", OWN)
def test_the_samples_are_taken_and_being_given_in_again_come_out_the_same(name: str) -> None:
    once = picture_of((SHOP / name).read_bytes(), name)
    assert once.kind == "svg"
    assert once == picture_of(once.content, name)
    assert once.assets == {}


LOOKS = {
    "shapes": '<rect x="5" y="5" width="20" height="15" rx="4"/><circle cx="50" cy="20" r="9" fill="red"/><ellipse cx="80" cy="20" rx="12" ry="6" fill="none" stroke="blue" stroke-width="2"/><line x1="3" y1="45" x2="90" y2="40" stroke="#0a0" stroke-width="1"/><polygon points="10,30 20,45 30,30"/><polyline points="40,35 50,45 60,35" fill="none" stroke="black"/>',
    "relative paths and arcs": '<path d="M10 10h10v10h-10zM40 10c5-8 10-8 15 0s10 8 15 0" fill="none" stroke="#000"/><path d="M10 40q5-10 10 0t10 0t10 0" fill="none" stroke="#000"/><path d="M60 40a10 8 20 1120 3z" fill="#888"/>',
    "groups and transforms": '<g transform="translate(20,10) rotate(15) scale(1.5 .8)" fill="#446"><rect width="12" height="9"/><g transform="skewX(20)" fill="none" stroke="red"><circle cx="30" cy="8" r="6"/></g></g>',
    "a style sheet": '<style>/* plain */ .a,.b{fill:none;stroke:#123456} rect.b{stroke-width:3px} #c{fill:green!important}</style><rect class="a" x="5" y="5" width="20" height="20"/><rect class="b" x="35" y="5" width="20" height="20"/><rect id="c" x="65" y="5" width="20" height="20" fill="red"/>',
    "copies": '<defs><g id="p" fill="#a40"><rect width="8" height="8"/><circle cx="15" cy="4" r="4"/></g></defs><use xlink:href="#p" x="10" y="5"/><use href="#p" transform="translate(40 20) scale(2)"/>',
    "a gradient that takes over another": '<linearGradient id="s"><stop offset="0" stop-color="#f00"/><stop offset="100%" stop-color="#00f"/></linearGradient><linearGradient id="g" xlink:href="#s" x1="0" y1="0" x2="1" y2="1"/><rect x="10" y="5" width="70" height="40" fill="url(#g)"/>',
    "a clip path": '<clipPath id="k"><circle cx="40" cy="25" r="18"/></clipPath><g clip-path="url(#k)"><rect x="20" y="5" width="60" height="25" fill="#080"/></g>',
    "arrow heads": '<marker id="m" viewBox="0 0 10 10" refX="10" refY="5" markerWidth="6" markerHeight="6" orient="auto"><path d="M0 0L10 5L0 10z"/></marker><path d="M10 10L60 30L90 10" fill="none" stroke="#000" marker-end="url(#m)"/>',
    "opacity and colours with alpha": '<rect x="5" y="5" width="40" height="30" fill="#00f"/><rect x="25" y="15" width="40" height="30" fill="rgba(255,0,0,.5)"/><g opacity=".4"><rect x="60" y="5" width="30" height="30"/></g>',
    "dashes": '<path d="M5 10H95" stroke="#000" stroke-width="2" stroke-dasharray="6 2,1 2"/><path d="M5 25H95" stroke="#000" stroke-width="4" stroke-linecap="round" stroke-dasharray="0 8"/>',
    "currentColor and inheritance": '<g color="#0a0" stroke="currentColor" fill="none"><circle cx="20" cy="20" r="9"/><rect color="#a00" x="40" y="10" width="20" height="20" stroke="currentColor" stroke-width="inherit"/></g>',
}


@needs_poppler
@pytest.mark.parametrize("body", LOOKS.values(), ids=LOOKS)
def test_what_is_written_anew_looks_like_what_came(body: str, tmp_path: Path) -> None:
    came = _svg(f"<title>t</title>{body}").decode()
    came = came.replace("<svg ", '<svg style="display:block;width:100%;height:auto" ', 1)
    written = picture_of(_svg(body), "part.svg").markup("t", "p")
    one, other = _seen(came, tmp_path), _seen(written, tmp_path)
    assert one.size == other.size
    assert _differ(one, other) <= 60
    # And it is not an empty page that both of them show.
    assert _differ(other, _seen("", tmp_path)) > 60


@needs_poppler
def test_nothing_outside_the_window_is_seen(tmp_path: Path) -> None:
    inside = picture_of(_svg('<rect x="10" y="10" width="10" height="10"/>'), "a.svg").markup("t", "p")
    both = picture_of(
        _svg('<rect x="10" y="10" width="10" height="10"/><rect x="110" y="60" width="30" height="30"/>'), "a.svg"
    )
    assert _differ(_seen(inside, tmp_path), _seen(both.markup("t", "p"), tmp_path)) == 0


def test_words_of_a_drawing_become_shapes_and_do_not_stand_among_the_words_of_the_page() -> None:
    body = '<text x="10" y="20" font-size="8">Ø 16 <tspan font-weight="bold" dy="2">H8</tspan></text>'
    picture = picture_of(_svg(body), "part.svg")
    assert b"<text" not in picture.content
    assert "Ø" not in picture.content.decode()
    assert page_texts(_page(picture.markup("Hinge", "p"))) == ["beforeafter"]


@needs_poppler
@pytest.mark.parametrize("anchor", ["start", "middle", "end"])
def test_outlined_text_stands_where_text_would_stand(anchor: str, tmp_path: Path) -> None:
    body = f'<text x="50" y="20" font-family="Open Sans" font-size="9" text-anchor="{anchor}">Hinge pin</text>'
    came = (
        _svg(f"<title>t</title>{body}")
        .decode()
        .replace("<svg ", '<svg style="display:block;width:100%;height:auto" ', 1)
    )
    one = _seen(came, tmp_path).convert("L").crop((60, 60, 470, 260))
    other = _seen(picture_of(_svg(body), "part.svg").markup("t", "p"), tmp_path).convert("L").crop((60, 60, 470, 260))
    boxes = [image.point(lambda v: 255 if v < 128 else 0).getbbox() for image in (one, other)]
    assert boxes[0] is not None
    assert boxes[1] is not None
    assert all(abs(a - b) <= 2 for a, b in zip(*boxes, strict=True))


def test_notes_of_a_drawing_program_are_left_out_and_so_is_what_nobody_sees() -> None:
    body = (
        '<title>T</title><desc>D</desc><metadata><ours:view zoom="3"/></metadata><ours:guide position="3,4"/><!-- x -->'
        '<g ours:label="layer 1" id="layer1" class="q" data-x="1" aria-label="l"><rect width="9" height="9" ours:role="r"/></g>'
        '<g display="none"><rect width="77" height="7"/></g><rect width="78" height="7" visibility="hidden"/>'
        '<rect width="79" height="7" style="display:none"/><rect width="76" height="7" transform="scale(0)"/>'
    )
    content = _drawn(body)
    inside = '<rect width="9" height="9"/>'
    assert (
        content
        == f'<svg xmlns="http://www.w3.org/2000/svg" width="100" height="50" viewBox="0 0 100 50">{inside}</svg>'
    )


def test_a_style_attribute_outranks_a_style_sheet_and_a_sheet_an_attribute() -> None:
    """CSS 2.1, 6.4.3 and 6.4.4: style attribute, ids, classes, names; what is important outranks them all."""
    sheet = "<style>rect{fill:#000001}.k{fill:#000002}#i{fill:#000003}.w{fill:#000004!important}</style>"
    for said, fill in (
        ("", "1"),
        ('fill="#000009"', "1"),
        ('class="k"', "2"),
        ('class="k" id="i"', "3"),
        ('class="k" id="i" style="fill:#000005"', "5"),
        ('class="w" id="i" style="fill:#000005"', "4"),
    ):
        assert f'fill="#00000{fill}"' in _drawn(f'{sheet}<rect width="9" height="9" {said}/>')


@pytest.mark.parametrize(
    ("root", "size", "window"),
    [
        ('viewBox="0 0 100 50"', (100, 50), "0 0 100 50"),
        ('width="200" height="100"', (200, 100), "0 0 200 100"),
        ('width="2in" height="25.4mm"', (192, 96), "0 0 192 96"),
        ('width="50%" height="100%" viewBox="-5 -5 10 20"', (10, 20), "-5 -5 10 20"),
        ('width="300" viewBox="0 0 100 50"', (300, 150), "0 0 100 50"),
        # The window keeps its shape and lies in the middle (SVG 1.1, 7.8: xMidYMid meet, from memory).
        ('width="100" height="100" viewBox="0 0 100 50"', (100, 100), "0 -25 100 100"),
    ],
)
def test_the_window_follows_from_view_box_width_and_height(root: str, size: tuple[float, float], window: str) -> None:
    picture = picture_of(_svg(RECT, root), "part.svg")
    assert (picture.width, picture.height) == pytest.approx(size)
    assert f'viewBox="{window}"' in picture.content.decode()
    assert picture.aspect == pytest.approx(size[0] / size[1])


@pytest.mark.parametrize(
    ("data", "steps"),
    [
        # SVG 1.1, 8.3.1: superfluous blanks and letters may go: these are the specification's own (from memory).
        ("M 100 100 L 200 200", [("M", (100, 100)), ("L", (200, 200))]),
        ("M100 100L200 200", [("M", (100, 100)), ("L", (200, 200))]),
        ("M 100 200 L 200 100 -100 -200", [("M", (100, 200)), ("L", (200, 100)), ("L", (-100, -200))]),
        # 8.3.9: "M 100-200" and "M 0.6.5".
        ("M 100-200", [("M", (100, -200))]),
        ("M 0.6.5", [("M", (0.6, 0.5))]),
        ("m1 1 2 0", [("M", (1, 1)), ("L", (3, 1))]),
        ("M5 5zm1 1", [("M", (5, 5)), ("Z", ()), ("M", (6, 6))]),
        ("M0 0c1 1 2 2 3 3s2 2 4 4", [("M", (0, 0)), ("C", (1, 1, 2, 2, 3, 3)), ("C", (4, 4, 5, 5, 7, 7))]),
        ("M0 0t2 2", [("M", (0, 0)), ("Q", (0, 0, 2, 2))]),
        ("M0 0a1 1 0 0110-2", [("M", (0, 0)), ("A", (1, 1, 0, 0, 1, 10, -2))]),
    ],
)
def test_path_data_is_read_as_the_specification_says(data: str, steps: list[tuple[str, tuple[float, ...]]]) -> None:
    assert [(verb, pytest.approx(args)) for verb, args in steps_of_path(data)] == steps


def test_a_turn_about_a_point_is_three_steps_as_the_specification_says() -> None:
    """SVG 1.1, 7.6: rotate(a cx cy) is translate(cx cy) rotate(a) translate(-cx -cy), from memory."""
    one, other = transformation("rotate(30 5 7)"), transformation("translate(5,7)rotate(30)translate(-5 -7)")
    assert (one.a, one.b, one.c, one.d, one.e, one.f) == pytest.approx(
        (other.a, other.b, other.c, other.d, other.e, other.f)
    )
    assert transformation("") == Matrix()


@given(st.text(alphabet="MmLlHhVvCcSsQqTtAaZz0123456789.,-+eE \n", max_size=60))
def test_any_path_data_is_read_or_refused(data: str) -> None:
    try:
        steps = list(steps_of_path(data))
    except NotGeometry:
        return
    assert all(verb in "MLCQAZ" and all(abs(v) <= 1e7 for v in args) for verb, args in steps)


# --- what is refused

DOCTYPE = '<!DOCTYPE svg [<!ENTITY a "x"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;&a;&a;">]>'
EXTERNAL = '<!DOCTYPE svg [<!ENTITY x SYSTEM "file:///etc/passwd">]>'
BOMB = "".join(f'<g id="l{n}">' + f'<use xlink:href="#l{n + 1}"/>' * 10 + "</g>" for n in range(11)) + '<rect id="l11" width="1" height="1"/>'  # fmt: skip
EMPTY_BOMB = "".join(f'<g id="l{n}">' + f'<use xlink:href="#l{n + 1}"/>' * 10 + "</g>" for n in range(11)) + '<g id="l11"/>'  # fmt: skip

REFUSED: dict[str, tuple[bytes, str]] = {
    "entities within entities": (_svg("<text>&b;</text>", before=DOCTYPE), "line 1: a DOCTYPE"),
    "an external entity": (_svg("<text>&x;</text>", before=EXTERNAL), "line 1: a DOCTYPE"),
    "an external document type": (_svg(RECT, before='<!DOCTYPE svg SYSTEM "http://a.invalid/x.dtd">'), "DOCTYPE"),
    "an unknown entity": (_svg("<text>&nbsp;</text>"), "not well-formed"),
    "a script": (_svg("\n<script>alert(1)</script>"), "line 2: the element <script>"),
    "a script in other letters": (_svg("<SCRIPT/>"), "<SCRIPT>"),
    "a foreign object": (_svg("<foreignObject><rect/></foreignObject>"), "<foreignObject>"),
    "an element of a web page": (_svg('<h:iframe src="http://a.invalid"/>'), "<iframe> belongs to a web page"),
    "a web page in a note": (_svg("<metadata><h:script/></metadata>"), "web page"),
    "an image from a file": (_svg('<image xlink:href="file:///etc/passwd"/>'), "<image>"),
    "an image inside": (_svg('<image href="data:image/png;base64,AAAA"/>'), "<image>"),
    "a filter with an image": (_svg('<filter id="f"><feImage href="http://a.invalid"/></filter>'), "<filter>"),
    "a link": (_svg(f'<a xlink:href="http://a.invalid">{RECT}</a>'), "the element <a>"),
    "an animation": (_svg('<rect width="1" height="1"><animate attributeName="x" to="9"/></rect>'), "<animate>"),
    "a set": (_svg('<set attributeName="href" to="javascript:1"/>'), "<set>"),
    "an event": (_svg('<rect width="1" height="1" onload="x()"/>'), "onload, which runs a script"),
    "an event in other letters": (_svg(RECT, 'viewBox="0 0 1 1" onLoad="x()"'), "runs a script"),
    "an event in a note": (_svg('<desc onclick="x()"/>' + RECT), "onclick"),
    "a copy from another file": (_svg('<use href="http://a.invalid/x.svg#a"/>'), "outside the drawing"),
    "a copy from a data url": (_svg('<use href="data:image/svg+xml,x#a"/>'), "outside the drawing"),
    "a copy of itself": (_svg('<g id="a"><use href="#a"/></g>'), "in which it stands itself"),
    "copies in a circle": (_svg('<g id="a"><use href="#b"/></g><g id="b"><use href="#a"/></g>'), "stands itself"),
    "copies of copies": (_svg(BOMB), "more than"),
    "copies of nothing": (_svg(EMPTY_BOMB), "more than"),
    "a copy of what is not there": (_svg('<use href="#no"/>'), "does not have"),
    "gradients in a circle": (_svg('<linearGradient id="a" href="#b"/><linearGradient id="b" href="#a"/><rect width="1" height="1" fill="url(#a)"/>'), "circle"),
    "a gradient that repeats": (_svg('<linearGradient id="a" spreadMethod="repeat" x2="0.0000001"><stop offset="0"/><stop offset="1"/></linearGradient><rect width="9" height="9" fill="url(#a)"/>'), "spreadMethod"),
    "a marker in a marker": (_svg('<marker id="m"><path d="M0 0L1 1" marker-end="url(#m)"/></marker><path d="M0 0L1 1" marker-end="url(#m)"/>'), "stands itself"),
    "arrow heads by the million": (_svg('<marker id="m">' + RECT * 50 + '</marker><path marker-mid="url(#m)" d="M0 0' + "L1 1" * 2000 + '"/>'), "more than"),
    "a pattern": (_svg('<pattern id="p"/>'), "<pattern>"),
    "a mask": (_svg('<mask id="p"/>'), "<mask>"),
    "a drawing in a drawing": (_svg(f"<svg>{RECT}</svg>"), "one drawing inside another"),
    "an import": (_svg('<style>@import url("http://a.invalid/x.css");</style>'), "@import"),
    "an import in other letters": (_svg("<style>@\\69mport url(x)</style>"), "@import"),
    "a font from elsewhere": (_svg("<style>@font-face{font-family:x;src:url(http://a.invalid)}</style>"), "@font-face"),
    "an import hidden in CDATA": (_svg("<style><![CDATA[@import 'x';]]></style>"), "@import"),
    "a picture in the style": (_svg('<rect width="1" height="1" style="fill:url(http://a.invalid#x)"/>'), "outside the drawing"),
    "a fill from a data url": (_svg('<rect width="1" height="1" fill="url(data:image/svg+xml;base64,AAA#a)"/>'), "outside"),
    "a url written in escapes": (_svg('<rect width="1" height="1" style="fill:\\75rl(http://a.invalid#x)"/>'), "outside"),
    "a background": (_svg('<rect width="1" height="1" style="background:url(x)"/>'), "background is not a property"),
    "a selector with more": (_svg("<style>g > rect{fill:red}</style>"), "only names, classes and ids"),
    "a rule in a rule": (_svg("<style>g{rect{fill:red}}</style>"), "rules inside rules"),
    "a filter": (_svg('<rect width="1" height="1" filter="url(#f)"/>'), "filter is"),
    "a blend": (_svg('<rect width="1" height="1" style="mix-blend-mode:multiply"/>'), "mix-blend-mode"),
    "a style sheet from elsewhere": (_svg(RECT, before='<?xml-stylesheet href="http://a.invalid/x.css"?>'), "style sheet from elsewhere"),
    "another base": (_svg('<g xml:base="http://a.invalid/"><use href="#a"/></g>'), "xml:base"),
    "an id twice": (_svg('<rect id="a" width="1" height="1"/><rect id="a" width="2" height="2"/>'), "stands twice"),
    "UTF-16": (_svg(RECT, before='<?xml version="1.0" encoding="UTF-16"?>').decode().encode("utf-16"), "not UTF-8"),
    "UTF-16 without a mark": (_svg(RECT).decode().encode("utf-16-le"), "is zero"),
    "UTF-7": (_svg(RECT, before='<?xml version="1.0" encoding="UTF-7"?>'), "written in 'UTF-7'"),
    "latin letters": (_svg("<text>\u00d8</text>").decode().encode("latin-1"), "not UTF-8"),
    "another alphabet declared": (_svg(RECT, before='<?xml version="1.0" encoding="iso-8859-1"?>'), "iso-8859-1"),
    "deep nesting": (_svg("<g>" * 100 + "</g>" * 100), "deeper than"),
    "deep notes": (_svg("<ours:g>" * 100 + "</ours:g>" * 100), "deeper than"),
    "very many elements": (_svg("<g/>" * 20_001), "more than 20,000 elements"),
    "very many numbers": (_svg('<path d="M0 0' + "L1 1" * 210_000 + '"/>'), "numbers"),
    "a number that is none": (_svg('<rect width="NaN" height="1"/>'), "not a length"),
    "a number without end": (_svg('<rect width="1e400" height="1"/>'), "farther out"),
    "infinity": (_svg('<path d="M0 0LInfinity 1"/>'), "breaks off in step L"),
    "a path that breaks off": (_svg('<path d="M0 0L1"/>'), "breaks off"),
    "a window without room": (_svg(RECT, 'viewBox="0 0 0 50"'), "above 0"),
    "a window out of this world": (_svg(RECT, 'viewBox="0 0 1e30 1e30"'), "farther out"),
    "too slim": (_svg(RECT, 'viewBox="0 0 1000 1"'), "too slim"),
    "no size": (_svg(RECT, 'version="1.1"'), "neither a viewBox nor"),
    "dashes too fine": (_svg('<path d="M0 0H99" stroke="red" stroke-dasharray=".00001"/>'), "too fine"),
    "an unknown element": (_svg("<blink/>"), "<blink>"),
    "an unknown attribute": (_svg('<rect width="1" height="1" wobble="3"/>'), "wobble"),
    "text along a path": (_svg('<text><textPath href="#p">x</textPath></text>'), "<textPath>"),
    "text from right to left": (_svg('<text x="1" y="9">\u05d0\u05d1</text>'), "not drawn here"),
    "text turned round by a mark": (_svg('<text x="1" y="9">a\u202eb</text>'), "not drawn here"),
    "a pictogram": (_svg('<text x="1" y="9">\U0001f600</text>'), "GRINNING FACE"),
    "words in the open": (_svg("words" + RECT), "outside a text element"),
    "nothing": (_svg('<g display="none"><rect width="1" height="1"/></g>'), "draws nothing"),
    "no drawing": (b'<html xmlns="http://www.w3.org/1999/xhtml"/>', "web page"),
    "a drawing without its name": (b'<svg viewBox="0 0 1 1"><rect/></svg>', "outermost element"),
    "two roots": (_svg(RECT) + b"<script/>", "not well-formed"),
    "bytes of anything": (b"\x00\x01\x02", "neither SVG nor PNG"),
    "JPEG": (b"\xff\xd8\xff\xe0", "neither SVG nor PNG"),
    "an empty file": (b" \n", "empty"),
    "a style without end": (_svg('<rect width="1" height="1" style="fill:' + "(" * 100_000 + '"/>'), "nested too deep"),
    "brackets that hide their depth": (_svg("<style>a{fill:" + '(")"' * 5_000 + "</style>" + RECT), "nested too deep"),
    "brackets closed by others": (_svg("<style>a{fill:" + "(]" * 5_000 + "</style>" + RECT), "nested too deep"),
    "a colour of brackets": (_svg('<rect width="1" height="1" fill="' + "(" * 1_900 + '"/>'), "not a colour"),
    "closed brackets before open ones": (_svg("<style>" + ")" * 9_000 + "(" * 9_000 + "</style>" + RECT), "part.svg"),
    "a sheet without end": (_svg("<style>" + "a{" * 100_000 + "</style>" + RECT), "part.svg"),
    "a value without end": (_svg('<rect width="1" height="1" stroke-dasharray="' + "1 " * 100_000 + '"/>'), "characters"),
    "a number of 100,000 figures": (_svg('<rect width="' + "1" * 100_000 + 'x" height="1"/>'), "not a length"),
    "transformations without end": (_svg('<g transform="' + "scale(1)" * 100_000 + 'x"/>' + RECT), "not a transformation"),
    "rules times elements": (_svg("<style>" + "*{fill:red}" * 3_000 + "</style>" + RECT * 3_000), "too many"),
    "a text without end": (_svg('<text x="1" y="9">' + "x" * 100_000 + "</text>"), "more than 5,000 characters"),
    "blanks copied": (_svg('<text id="t" x="1" y="9" xml:space="preserve">' + " " * 4_000 + "</text>" + '<use href="#t"/>' * 9_000 + RECT), "numbers"),
    "a path of blanks copied": (_svg('<path id="t" d="M0 0' + " " * 1_000_000 + 'L1 1"/>' + '<use href="#t"/>' * 9_000), "numbers"),
    "clipped by what is clipped": (_svg('<clipPath id="a" clip-path="url(#a)"><rect width="1" height="1"/></clipPath><rect width="1" height="1" clip-path="url(#a)"/>'), "clipped itself"),
}  # fmt: skip


@pytest.mark.parametrize(("content", "why"), REFUSED.values(), ids=REFUSED)
def test_it_is_refused_in_one_sentence_that_names_the_file(content: bytes, why: str) -> None:
    begun = time.process_time()
    with pytest.raises(BadInput, match=re.escape(why)) as refused:
        picture_of(content, "part.svg")
    assert refused.value.sentence.startswith("part.svg")
    assert "\n" not in refused.value.sentence
    assert len(refused.value.sentence) < 300
    # Nothing is timed here but a bomb going off, by the processor's clock: a busy machine is no bomb.
    assert time.process_time() - begun < 60


@settings(deadline=None, max_examples=150)
@given(st.data())
def test_a_sample_with_anything_put_into_it_is_refused_or_comes_out_harmless(data: st.DataObject) -> None:
    source = (SHOP / data.draw(st.sampled_from(OWN))).read_bytes()
    at = data.draw(st.integers(0, len(source)))
    pieces = [
        b'"/><script>',
        b"<image href='http://a.invalid'/>",
        b"&lt;",
        b"url(x)",
        b"<!--",
        b"]]>",
        b"\xff",
        b"e9",
        b"-",
    ]
    put = data.draw(st.sampled_from(pieces) | st.binary(max_size=4))
    try:
        picture = picture_of(source[:at] + put + source[at + data.draw(st.integers(0, 3)) :], "part.svg")
    except BadInput:
        return
    assert harmless(picture.content.decode())
    assert picture_of(picture.content, "again") == picture


def harmless(content: str) -> bool:
    """Return whether *content* is made of our own elements, attributes and values alone, by a look of its own at it."""
    tags = (
        r"svg|g|path|rect|circle|ellipse|line|polyline|polygon|defs|clipPath|linearGradient|radialGradient|stop|marker"
    )
    value = r"(?:[A-Za-z0-9 .,#+-]|matrix\([0-9e. +-]+\)|url\(#i\d+\))*"
    spaced = content.replace(' xmlns="http://www.w3.org/2000/svg"', "", 1)
    return (
        re.fullmatch(rf'(?:<(?:{tags})(?: (?!on)[A-Za-z][A-Za-z0-9-]*="{value}")*/?>|</(?:{tags})>)+', spaced)
        is not None
    )


@pytest.mark.parametrize("name", OWN)
def test_the_samples_come_out_harmless(name: str) -> None:
    assert harmless(picture_of((SHOP / name).read_bytes(), name).content.decode())


def test_a_title_cannot_break_out_of_the_picture() -> None:
    title = '"><script>x</script></title>'
    for picture in (picture_of(_svg(RECT), "a.svg"), picture_of(_png(Image.new("RGB", (3, 3))), "a.png")):
        assert "<script" not in picture.markup(title, "p")


def test_two_drawings_on_one_page_share_no_id() -> None:
    picture = picture_of((SHOP / OWN[1]).read_bytes(), "gate")
    first, second = (set(re.findall(r'id="([^"]+)"', picture.markup("t", prefix))) for prefix in ("a", "b"))
    assert first
    assert not first & second
    assert set(re.findall(r"url\(#([^)]+)\)", picture.markup("t", "a"))) <= first
    with pytest.raises(ValueError):
        picture.markup("t", '"x')


# --- PNG


def _png(image: Image.Image, **extra: Any) -> bytes:
    out = io.BytesIO()
    image.save(out, format="PNG", **extra)
    return out.getvalue()


def _chunk(kind: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))


def _made(width: int, height: int, depth: int, colour: int, raw: bytes, interlace: int = 0, more: bytes = b"") -> bytes:
    head = struct.pack(">IIBBBBB", width, height, depth, colour, 0, 0, interlace)
    return (
        b"\x89PNG\r\n\x1a\n" + _chunk(b"IHDR", head) + more + _chunk(b"IDAT", zlib.compress(raw)) + _chunk(b"IEND", b"")
    )


def _pixels(picture: OutsidePicture) -> Image.Image:
    image = Image.open(io.BytesIO(picture.content))
    image.load()
    return image


def test_transparency_becomes_white_and_notes_do_not_survive() -> None:
    image = Image.new("RGBA", (20, 10), (255, 0, 0, 0))
    image.putpixel((3, 3), (0, 0, 255, 255))
    image.putpixel((4, 4), (0, 0, 0, 51))
    notes = PngImagePlugin.PngInfo()
    notes.add_text("Author", "somebody")
    notes.add_itxt("XML:com.adobe.xmp", "<x/>", zip=True)
    came = _png(image, pnginfo=notes, dpi=(72, 72), icc_profile=b"0" * 200)
    picture = picture_of(came, "logo.png")
    seen = _pixels(picture)
    assert seen.mode == "RGB"
    assert [seen.getpixel(at) for at in ((0, 0), (3, 3), (4, 4))] == [(255, 255, 255), (0, 0, 255), (204, 204, 204)]
    assert re.findall(rb"IHDR|IDAT|IEND|tEXt|iTXt|zTXt|iCCP|pHYs|tRNS|eXIf", picture.content) == [
        b"IHDR",
        b"IDAT",
        b"IEND",
    ]
    assert picture == picture_of(picture.content, "again")
    assert picture == picture_of(came, "logo.png")


@pytest.mark.parametrize("mode", ["1", "L", "LA", "P", "RGB", "RGBA", "I;16"])
def test_every_kind_of_pixel_comes_out_in_8_bits_and_looks_the_same(mode: str) -> None:
    ramp = Image.linear_gradient("L").resize((64, 32))
    if mode == "I;16":
        image = Image.frombytes("I;16", (64, 32), b"".join(struct.pack("<H", v * 257) for v in ramp.tobytes()))
    else:
        image = (
            ramp.convert("RGB").convert(mode)
            if mode != "LA"
            else Image.merge("LA", (ramp, Image.new("L", ramp.size, 255)))
        )
    seen = _pixels(picture_of(_png(image), "a.png"))
    assert seen.mode in ("L", "RGB")
    wanted = ramp if mode == "I;16" else image.convert("L")
    assert max(ImageChops.difference(seen.convert("L"), wanted).getextrema()) <= 1


def test_a_transparent_colour_of_a_palette_becomes_white() -> None:
    image = Image.new("P", (4, 4), 1)
    image.putpalette([255, 0, 0, 0, 128, 0])
    image.putpixel((0, 0), 0)
    seen = _pixels(picture_of(_png(image, transparency=0), "a.png"))
    assert seen.getpixel((0, 0)) == (255, 255, 255)
    assert seen.getpixel((1, 1)) == (0, 128, 0)


@pytest.mark.parametrize("size", [(1, 1), (5, 3), (8, 8), (9, 17)])
def test_an_interlaced_picture_is_counted_and_read(size: tuple[int, int]) -> None:
    width, height = size
    raw = b""
    for left, top, across, down in outside_png._PASSES:
        for y in range(top, height, down):
            row = bytes((x * 7 + y * 11) % 256 for x in range(left, width, across))
            raw += b"\0" + row if row else b""
    seen = _pixels(picture_of(_made(width, height, 8, 0, raw, interlace=1), "a.png"))
    assert list(seen.tobytes()) == [(x * 7 + y * 11) % 256 for y in range(height) for x in range(width)]


def test_a_large_picture_is_scaled_down_to_what_a_page_can_show() -> None:
    picture = picture_of(_png(Image.new("RGB", (5000, 2500), "red")), "a.png")
    assert (picture.width, picture.height) == (2400, 1200)


WHOLE = _png(Image.linear_gradient("L"))
BAD_PNG: dict[str, tuple[bytes, str]] = {
    "a bomb of pixels": (_made(19_000, 19_000, 8, 6, b"\0" * 100), "scale it down"),
    "a bomb behind a small header": (_made(10, 10, 8, 0, b"\0" * 60_000_000), "more pixels than its header says"),
    "sides of nothing": (_made(0, 10, 8, 0, b""), "scale it down"),
    "pixels that break off": (_made(10, 10, 8, 0, b"\0" * 50), "break off"),
    "a file that breaks off": (WHOLE[:-20], "breaks off"),
    "a file that breaks off in its header": (WHOLE[:20], "breaks off"),
    "a byte that changed": (WHOLE[:60] + bytes([WHOLE[60] ^ 1]) + WHOLE[61:], "damaged"),
    "another file behind it": (WHOLE + b"PK\x03\x04" + b"x" * 50, "stand behind its end"),
    "an animation": (_made(1, 1, 8, 0, b"\0\0", more=_chunk(b"acTL", struct.pack(">II", 2, 0))), "animated"),
    "a part that must be known": (_made(1, 1, 8, 0, b"\0\0", more=_chunk(b"XxXx", b"")), "is not known"),
    "a palette that is missing": (_made(1, 1, 8, 3, b"\0\0"), "no palette"),
    "a depth that PNG does not know": (_made(1, 1, 3, 0, b"\0\0"), "header says"),
    "no compression at all": (WHOLE[:33] + _chunk(b"IDAT", b"hello") + _chunk(b"IEND", b""), "damaged"),
    "16 bit grey with a transparent value": (_made(1, 1, 16, 0, b"\0\0\0", more=_chunk(b"tRNS", b"\0\0")), "8 bit"),
    "too slim": (_png(Image.new("L", (600, 2))), "too slim"),
}


@pytest.mark.parametrize(("content", "why"), BAD_PNG.values(), ids=BAD_PNG)
@pytest.mark.parametrize("lenient", [False, True], ids=["strict decoder", "lenient decoder"])
def test_a_bad_png_is_refused_whatever_the_decoder_was_told(
    content: bytes, why: str, lenient: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    # The page's own library tells the decoder to make do with half a picture.
    monkeypatch.setattr(ImageFile, "LOAD_TRUNCATED_IMAGES", lenient)
    with pytest.raises(BadInput, match=re.escape(why)) as refused:
        picture_of(content, "logo.png")
    assert refused.value.sentence.startswith("logo.png: ")


@settings(deadline=None, max_examples=100)
@given(st.integers(0, len(WHOLE) - 1), st.integers(1, 255))
def test_a_png_with_a_changed_byte_is_refused(at: int, by: int) -> None:
    changed = bytearray(WHOLE)
    changed[at] ^= by
    with pytest.raises(BadInput):
        picture_of(bytes(changed), "a.png")


# --- on the page


@pytest.mark.parametrize("kind", ["svg", "png"])
def test_on_a_page_a_picture_is_one_figure_with_its_words_and_what_pdf_a_forbids_is_absent(kind: str) -> None:
    """ISO 19005-3, 6.2.8 and 6.2.8.1: no interpolation, no alternates; 6.2.4.3: device grey and RGB with an sRGB output intent (from memory)."""
    content = _png(Image.linear_gradient("L").convert("RGBA")) if kind == "png" else (SHOP / OWN[1]).read_bytes()
    picture = picture_of(content, "a")
    made = _page(picture.markup("The gate leaf", "p"), picture.assets)
    assert made == _page(picture.markup("The gate leaf", "p"), picture.assets)
    assert page_texts(made) == ["beforeafter"]
    with pikepdf.open(io.BytesIO(made)) as opened:
        streams = [o for o in opened.objects if isinstance(o, pikepdf.Stream)]
        images = [s for s in streams if s.get("/Subtype") == "/Image"]
        assert len(images) == (1 if kind == "png" else 0)
        for image in images:
            assert image.Interpolate is False or image.Interpolate == pikepdf.Object.parse(b"false")
            assert image.ColorSpace in ("/DeviceRGB", "/DeviceGray")
            assert "/SMask" not in image
            assert image.BitsPerComponent == 8
        figures = [o for o in opened.objects if isinstance(o, pikepdf.Dictionary) and o.get("/S") == "/Figure"]
        assert [str(f.Alt) for f in figures] == ["The gate leaf"]


def test_a_png_in_the_page_itself_is_refused_by_the_fetcher_and_shown_by_a_browser() -> None:
    picture = picture_of(WHOLE, "a.png")
    markup = picture.markup("t", "p", inline=True)
    assert base64.b64encode(picture.content).decode() in markup
    with pytest.raises(BaseException, match="none of the template's own files|disallowed|Error fetching"):
        _page(markup)


def test_a_drawing_cannot_make_the_page_fetch_anything() -> None:
    asked: list[str] = []

    class Watching(pdf._AssetFetcher):
        def fetch(self, url: str, headers: Any = None) -> Any:
            asked.append(url)
            return super().fetch(url, headers)

    before, pdf._AssetFetcher = pdf._AssetFetcher, Watching  # type: ignore[misc]
    try:
        for body in LOOKS.values():
            _page(picture_of(_svg(body), "a.svg").markup("t", "p"))
    finally:
        pdf._AssetFetcher = before  # type: ignore[misc]
    assert [url for url in asked if not url.startswith("asset:fonts/")] == []

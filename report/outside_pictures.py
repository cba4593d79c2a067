"""Drawings and logos that a shop gives as SVG or PNG: bytes that came from anywhere, to something safe to print.

What comes out fetches nothing and runs nothing, and being given in again comes out the same, so that it can be
kept beside the data of a certificate and be laid out from there once more.
"""

from __future__ import annotations

import base64
import hashlib
import re
from dataclasses import dataclass
from typing import Final, Literal

from markupsafe import Markup, escape

from schemas.errors import BadInput

_PREFIX: Final = re.compile(r"[a-z][a-z0-9]*")
#: What clips is painted after the text of a page (CSS 2.1, appendix E), and would cover labels; see part_drawing.
_STYLE: Final = "display:block;width:100%;height:auto;overflow:visible"
_VIEW: Final = re.compile(r' viewBox="(\S+) (\S+) (\S+) (\S+)"')
_ID: Final = re.compile(r'(?<= id=")i(?=\d+")|(?<=url\(#)i(?=\d+\))')


@dataclass(frozen=True, slots=True)
class OutsidePicture:
    """A picture that is safe to print.

    Attributes:
        kind: svg or png.
        width, height: Its natural size in CSS px.
        content: What it came to: one svg element in UTF-8, or a PNG without transparency and notes.
    """

    kind: Literal["svg", "png"]
    width: float
    height: float
    content: bytes

    @property
    def aspect(self) -> float:
        """Return width by height."""
        return self.width / self.height

    @property
    def asset(self) -> str:
        """Return the name under which a PNG is fetched: it follows from the content."""
        return f"{hashlib.sha256(self.content).hexdigest()[:32]}.png"

    @property
    def assets(self) -> dict[str, bytes]:
        """Return what the page fetches for it, by name; an SVG stands in the page and needs nothing."""
        return {self.asset: self.content} if self.kind == "png" else {}

    def markup(self, title: str, prefix: str, *, inline: bool = False) -> Markup:
        """Return it as an element of a page, as wide as what is around it.

        Args:
            title: What it shows, for whoever does not see it.
            prefix: Begins the ids inside, unlike any other on the page: small letters and digits.
            inline: Whether a PNG stands in the page itself, as a browser needs it, instead of being fetched by its
                name.
        """
        if not _PREFIX.fullmatch(prefix):
            raise ValueError(f"{prefix!r} cannot begin an id")
        if self.kind == "svg":
            return _svg_markup(self.content.decode(), title, prefix)
        source = f"asset:given/{self.asset}"
        if inline:
            source = f"data:image/png;base64,{base64.b64encode(self.content).decode()}"
        # PDF/A forbids smoothing by the viewer (ISO 19005-3, 6.2.8, from memory), which is what a page asks for else.
        return Markup('<img src="{}" alt="{}" style="{};image-rendering:crisp-edges"/>').format(source, title, _STYLE)


def picture_of(content: bytes, name: str) -> OutsidePicture:
    """Return the safe picture that a file holds, SVG or PNG by what is in it.

    Args:
        content: The file.
        name: What to call it in a message, its path for example.

    Raises:
        BadInput: It is neither, or holds what is not taken; the sentence says what and where.
    """
    if not content.strip():
        raise BadInput(f"{name}: the file is empty; give the drawing as SVG or PNG")
    if content.startswith(b"\x89PNG"):
        from report.outside_png import photo_of

        photo = photo_of(content, name)
        return OutsidePicture("png", photo.width, photo.height, photo.content)
    if _looks_like_xml(content):
        from report.outside_svg import drawing_of

        drawing = drawing_of(content, name)
        return OutsidePicture("svg", drawing.width, drawing.height, drawing.content.encode())
    raise BadInput(f"{name}: this is neither SVG nor PNG; save the drawing as one of them")


def _svg_markup(content: str, title: str, prefix: str) -> Markup:
    # Nothing inside is text and every value was written by us, so these are all ids there are.
    head, _, body = _ID.sub(f"{prefix}-", content).partition(">")
    view = _VIEW.search(head)
    if view is None:
        raise ValueError("this is not a drawing that was read here")
    x, y, width, height = view.groups()
    window = f'<rect x="{x}" y="{y}" width="{width}" height="{height}"/>'
    return Markup(  # noqa: S704 - written by us, and a title that is escaped
        f'{head} style="{_STYLE}"><title>{escape(title)}</title><clipPath id="{prefix}-window">{window}</clipPath>'
        f'<g clip-path="url(#{prefix}-window)">{body.removesuffix("</svg>")}</g></svg>'
    )


def _looks_like_xml(content: bytes) -> bool:
    # A file in UTF-16 goes the same way, to be told there what is wrong with it.
    start = content[:64].removeprefix(b"\xef\xbb\xbf").lstrip()
    return start.startswith(b"<") or content.startswith((b"\xff\xfe", b"\xfe\xff", b"<\0", b"\0<"))

"""An SVG file as a tree of elements, read by a parser that knows no document type, no entity and no other file."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Final
from xml.parsers import expat

from schemas.errors import BadInput

SVG: Final = "http://www.w3.org/2000/svg"
XLINK: Final = "http://www.w3.org/1999/xlink"
XML: Final = "http://www.w3.org/XML/1998/namespace"
_XHTML: Final = "http://www.w3.org/1999/xhtml"

MOST_BYTES: Final = 4_000_000
MOST_ELEMENTS: Final = 20_000
DEEPEST: Final = 60
_ENCODINGS: Final = (None, "utf-8", "us-ascii")


@dataclass(slots=True)
class Element:
    """One element of the SVG namespace.

    Attributes:
        tag: Its name.
        attributes: Its attributes without a namespace, and of those with one xlink:href as href, and xml:space.
        line: Where it starts, from 1.
        parent: The element around it, None for the root.
        content: Elements and text in order.
    """

    tag: str
    attributes: dict[str, str]
    line: int
    parent: Element | None
    content: list[Element | str] = field(default_factory=list)

    @property
    def children(self) -> Iterator[Element]:
        """Yield the elements inside."""
        return (inner for inner in self.content if isinstance(inner, Element))

    @property
    def text(self) -> str:
        """Return the text right inside."""
        return "".join(inner for inner in self.content if isinstance(inner, str))


def refused(name: str, line: int, why: str) -> BadInput:
    """Return the fault of a drawing, in the one form that all of them have."""
    return BadInput(f"{name}, line {line}: {why}; save the drawing as plain SVG without that")


def read_source(content: bytes, name: str) -> Element:
    """Return the root of an SVG file.

    Args:
        content: The file.
        name: What to call it in a message.

    Raises:
        BadInput: It is too large, no UTF-8, no well-formed XML, no SVG, or brings a document type, an entity, a
            style sheet from elsewhere or elements of a web page.
    """
    if len(content) > MOST_BYTES:
        raise BadInput(
            f"{name}: {len(content):,} bytes are more than a drawing may have, {MOST_BYTES:,}; save it in less detail"
        )
    _is_plain_utf8(content, name)
    return _Reader(name).read(content)


def _is_plain_utf8(content: bytes, name: str) -> None:
    try:
        text = content.decode("utf-8")
    except UnicodeDecodeError as wrong:
        raise BadInput(f"{name}: byte {wrong.start + 1} is not UTF-8; save the drawing as UTF-8") from None
    if "\0" in text:
        raise BadInput(f"{name}: byte {content.index(0) + 1} is zero, so this is not UTF-8; save the drawing as UTF-8")


class _Reader:
    def __init__(self, name: str) -> None:
        self._name = name
        self._root: Element | None = None
        self._at: Element | None = None
        self._depth = 0
        self._foreign = 0
        self._count = 0
        self._parser = expat.ParserCreate("utf-8", namespace_separator=" ")
        self._parser.buffer_text = True
        self._parser.XmlDeclHandler = self._declared
        self._parser.StartDoctypeDeclHandler = self._document_type
        self._parser.ProcessingInstructionHandler = self._instruction
        self._parser.StartElementHandler = self._start
        self._parser.EndElementHandler = self._end
        self._parser.CharacterDataHandler = self._text

    def read(self, content: bytes) -> Element:
        try:
            self._parser.Parse(content, True)
        except expat.ExpatError as wrong:
            what = expat.errors.messages[wrong.code]
            raise BadInput(f"{self._name}, line {wrong.lineno}: not well-formed XML: {what}; save it again") from None
        if self._root is None:
            raise RuntimeError("the parser found no fault and no root either")
        return self._root

    def _fault(self, why: str) -> BadInput:
        return refused(self._name, self._parser.CurrentLineNumber, why)

    def _declared(self, version: str, encoding: str | None, _standalone: int) -> None:
        if (encoding.lower() if encoding else None) not in _ENCODINGS:
            raise BadInput(f"{self._name}: it says that it is written in {encoding!r}; save the drawing as UTF-8")

    def _document_type(self, *_: object) -> None:
        raise self._fault("a DOCTYPE can bring in other files and is not taken")

    def _instruction(self, target: str, _data: str) -> None:
        # No other instruction is one to whoever draws the file.
        if target.lower() == "xml-stylesheet":
            raise self._fault("a style sheet from elsewhere is not taken")

    def _start(self, full: str, raw: dict[str, str]) -> None:
        self._depth += 1
        self._count += 1
        if self._depth > DEEPEST:
            raise self._fault(f"elements are nested deeper than {DEEPEST}")
        if self._count > MOST_ELEMENTS:
            raise self._fault(f"there are more than {MOST_ELEMENTS:,} elements")
        space, _, tag = full.rpartition(" ")
        if space == _XHTML:
            raise self._fault(f"<{tag}> belongs to a web page")
        if self._root is None and (space, tag) != (SVG, "svg"):
            raise BadInput(f"{self._name}: its outermost element is <{tag}>, not svg of {SVG}; give an SVG drawing")
        if self._foreign or space != SVG:
            # What a drawing program notes for itself is drawn by nobody.
            self._foreign += 1
            return
        element = Element(tag, self._attributes(tag, raw), self._parser.CurrentLineNumber, self._at)
        if self._at is None:
            self._root = element
        else:
            self._at.content.append(element)
        self._at = element

    def _end(self, _full: str) -> None:
        self._depth -= 1
        if self._foreign:
            self._foreign -= 1
        elif self._at is not None:
            self._at = self._at.parent

    def _text(self, text: str) -> None:
        if self._at is not None and not self._foreign:
            self._at.content.append(text)

    def _attributes(self, tag: str, raw: dict[str, str]) -> dict[str, str]:
        result: dict[str, str] = {}
        for full, value in raw.items():
            space, _, key = full.rpartition(" ")
            if re.match(r"on[a-z]", key, re.IGNORECASE) and space in ("", SVG, _XHTML):
                raise self._fault(f"<{tag}> says {key}, which runs a script")
            if space == XML and key == "base":
                raise self._fault(f"<{tag}> says xml:base, which refers to another file")
            if not space:
                result[key] = value
            elif space == XLINK and key == "href":
                result.setdefault("href", value)
            elif space == XML and key == "space":
                result["xml:space"] = value
        return result

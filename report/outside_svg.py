"""An SVG drawing from outside, written anew from what is known to be harmless and nothing else.

Nothing of the file is passed on as it is. Shapes, groups, text, gradients, clip paths and arrow heads are read,
understood and written again in one plain form: absolute paths, resolved styles, text as outlines, ids of our
own, copies in place of references. What would run, fetch, link or move is refused with its line; what a drawing
program notes for itself and nobody sees is left out.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

from report.svg_geometry import (
    FARTHEST,
    Matrix,
    NotGeometry,
    Step,
    length,
    number,
    numbers,
    path_written,
    plain,
    steps_of_path,
    transformation,
)
from report.svg_source import SVG, Element, read_source, refused
from report.svg_style import INHERITED, KNOWN, Rule, colour, declared, reference, rules_of_sheet, settled
from report.svg_text import Letter, collapsed, outlines, refuse_unreadable
from schemas.errors import BadInput

#: A drawing that is copied within itself grows; this is where it ends.
MOST_WRITTEN: Final = 20_000
MOST_NUMBERS: Final = 400_000
MOST_BYTES_WRITTEN: Final = 8_000_000
MOST_STOPS: Final = 64
MOST_LETTERS: Final = 5_000
MOST_MATCHES: Final = 4_000_000
_DEEPEST_COPY: Final = 12
_LETTERS_PER_NUMBER: Final = 16
#: A dash is at least this share of the drawing's diagonal; finer ones are a grey and a burden to every viewer.
_FINEST_DASH: Final = 1 / 20_000
_SLIMMEST: Final = 1 / 50
#: How far the shape of width and height may be from that of viewBox before the difference is to be seen.
_SAME_SHAPE: Final = 0.002

_SHAPES: Final[Mapping[str, tuple[str, ...]]] = {
    "circle": ("cx", "cy", "r"),
    "ellipse": ("cx", "cy", "rx", "ry"),
    "line": ("x1", "y1", "x2", "y2"),
    "path": ("d",),
    "polygon": ("points",),
    "polyline": ("points",),
    "rect": ("x", "y", "width", "height", "rx", "ry"),
}
_TEXT: Final = ("text", "tspan")
_UNSEEN: Final = ("title", "desc", "metadata")
_DEFINED: Final = ("clipPath", "linearGradient", "radialGradient", "marker")
_GRADIENTS: Final[Mapping[str, tuple[str, ...]]] = {
    "linearGradient": ("x1", "y1", "x2", "y2"),
    "radialGradient": ("cx", "cy", "r", "fx", "fy"),
}
_CONTAINERS: Final = ("g", "defs", "svg")
_ATTRIBUTES: Final[Mapping[str, tuple[str, ...]]] = {
    **_SHAPES,
    "clipPath": ("clipPathUnits",),
    "linearGradient": (*_GRADIENTS["linearGradient"], "gradientUnits", "gradientTransform", "spreadMethod", "href"),
    "radialGradient": (*_GRADIENTS["radialGradient"], "gradientUnits", "gradientTransform", "spreadMethod", "href"),
    "marker": (
        "refX",
        "refY",
        "markerWidth",
        "markerHeight",
        "markerUnits",
        "orient",
        "viewBox",
        "preserveAspectRatio",
    ),
    "stop": ("offset",),
    "style": ("type", "media"),
    "svg": ("x", "y", "width", "height", "viewBox", "preserveAspectRatio", "zoomAndPan", "version", "baseProfile"),
    "text": ("x", "y", "dx", "dy"),
    "tspan": ("x", "y", "dx", "dy"),
    "use": ("x", "y", "width", "height", "href"),
}
#: Says who or what, never how it looks.
_NAMING: Final = re.compile(r"id|class|style|lang|role|tabindex|xml:space|requiredFeatures|aria-[\w-]+|data-[\w-]+")


@dataclass(frozen=True, slots=True)
class Drawing:
    """A drawing that is safe to print.

    Attributes:
        content: Its SVG, one element, with ids i1, i2 and so on; being read again it comes out the same.
        width, height: Its natural size in px.
    """

    content: str
    width: float
    height: float


def drawing_of(content: bytes, name: str) -> Drawing:
    """Return the safe drawing that an SVG file holds.

    Args:
        content: The file.
        name: What to call it in a message.

    Raises:
        BadInput: Something in it is not taken; the sentence names the line and what it is.
    """
    try:
        return _Writer(read_source(content, name), name).written()
    except RecursionError:
        # Elements are counted on the way down; the brackets of a style are not, and their reader gives up on its own.
        raise BadInput(
            f"{name}: its style has brackets nested too deep to read; save the drawing as plain SVG"
        ) from None


@dataclass(slots=True)
class _Writer:
    root: Element
    name: str
    ids: dict[str, Element] = field(default_factory=dict)
    rules: tuple[Rule, ...] = ()
    window: tuple[float, float, float, float] = (0, 0, 0, 0)
    definitions: dict[str, str] = field(default_factory=dict)
    written_ids: dict[str, str] = field(default_factory=dict)
    open_ids: list[str] = field(default_factory=list)
    count: int = 0
    visits: int = 0
    numbers: int = 0
    in_marker: bool = False
    said: dict[int, dict[str, str]] = field(default_factory=dict)
    states: dict[int, dict[str, str]] = field(default_factory=dict)

    def written(self) -> Drawing:
        self._look_around()
        width, height = self._sized()
        body = self._element(self.root, dict(INHERITED), 0)
        defs = f"<defs>{''.join(self.definitions.values())}</defs>" if self.definitions else ""
        view = " ".join(plain(v) for v in self.window)
        content = (
            f'<svg xmlns="{SVG}" width="{plain(width)}" height="{plain(height)}" viewBox="{view}">{defs}{body}</svg>'
        )
        if not body:
            raise BadInput(f"{self.name}: it draws nothing; give a drawing with something on it")
        if len(content) > MOST_BYTES_WRITTEN:
            raise BadInput(
                f"{self.name}: written out it has more than {MOST_BYTES_WRITTEN:,} bytes; save it in less detail"
            )
        return Drawing(content, float(plain(width)), float(plain(height)))

    def _fault(self, element: Element, why: str) -> BadInput:
        return refused(self.name, element.line, f"<{element.tag}>: {why}")

    # --- the whole file, once

    def _look_around(self) -> None:
        """Check every element's name and attributes, seen or not, and gather ids and style sheets."""
        waiting = [self.root]
        rules: list[Rule] = []
        elements = 0
        while waiting:
            elements += 1
            element = waiting.pop()
            self._is_known(element)
            if element.tag == "style":
                rules += self._sheet(element)
            if (id_ := element.attributes.get("id")) is not None:
                if id_ in self.ids:
                    raise self._fault(element, f"the id {id_[:40]!r} stands twice")
                self.ids[id_] = element
            waiting += reversed(list(element.children))
        if len(rules) * elements > MOST_MATCHES:
            raise BadInput(
                f"{self.name}: {len(rules):,} style rules on {elements:,} elements are too many; save it as plain SVG"
            )
        self.rules = tuple(rules)

    def _is_known(self, element: Element) -> None:
        tag = element.tag
        if tag not in _ATTRIBUTES and tag not in _CONTAINERS and tag not in _UNSEEN:
            raise refused(self.name, element.line, f"the element <{tag[:40]}> is not taken")
        if tag in _UNSEEN:
            # Whatever is inside is not looked at, and not passed on.
            element.content.clear()
            return
        if tag == "svg" and element is not self.root:
            raise self._fault(element, "one drawing inside another is not taken")
        if tag not in (*_TEXT, "style") and element.text.strip():
            raise self._fault(element, f"text {element.text.strip()[:30]!r} stands outside a text element")
        for key in element.attributes:
            taken = key in KNOWN or key in _ATTRIBUTES.get(tag, ()) or _NAMING.fullmatch(key)
            if not taken and not (key in ("transform", "overflow") and tag not in ("stop", "style")):
                raise self._fault(element, f"the attribute {key[:40]} is not taken")
        if (href := element.attributes.get("href")) is not None and not re.fullmatch(r"#[^\s#]+", href.strip()):
            raise self._fault(element, f"{href[:40]!r} refers to something outside the drawing")

    def _sheet(self, element: Element) -> list[Rule]:
        if element.attributes.get("type", "text/css") != "text/css":
            raise self._fault(element, f"a style sheet of type {element.attributes['type'][:40]!r} is not taken")
        if element.attributes.get("media", "all") not in ("all", "print", ""):
            raise self._fault(element, f"a style sheet for {element.attributes['media'][:40]!r} is not taken")
        try:
            return list(rules_of_sheet(element.text))
        except NotGeometry as wrong:
            raise self._fault(element, str(wrong)) from None

    def _sized(self) -> tuple[float, float]:
        """Set the window of the drawing's own coordinates, and return the natural size in px."""
        given = self.root.attributes
        try:
            # A share of the page says nothing about the drawing itself.
            width, height = (
                length(given[k]) if k in given and given[k].strip() != "auto" and "%" not in given[k] else None
                for k in ("width", "height")
            )
            box = numbers(given["viewBox"]) if "viewBox" in given else None
        except NotGeometry as wrong:
            raise self._fault(self.root, str(wrong)) from None
        if box is not None and len(box) != 4:
            raise self._fault(self.root, "viewBox is not four numbers")
        if box is None:
            if width is None or height is None:
                raise BadInput(f"{self.name}: it has neither a viewBox nor a width and a height; save it with its size")
            box = [0.0, 0.0, width, height]
        left, top, across, down = box
        for side in (across, down, width, height):
            if side is not None and not 0 < side <= FARTHEST:
                raise self._fault(self.root, "its width and height are not above 0")
        if width is None or height is None:
            width, height = (
                width or (height * across / down if height else across),
                height or (width * down / across if width else down),
            )
        if not _SLIMMEST <= width / height <= 1 / _SLIMMEST:
            raise BadInput(
                f"{self.name}: {width:g} by {height:g} is too slim to print; crop it to at most {1 / _SLIMMEST:g} to 1"
            )
        self.window = self._window(left, top, across, down, width / height)
        return width, height

    def _window(
        self, left: float, top: float, across: float, down: float, shape: float
    ) -> tuple[float, float, float, float]:
        """Return the viewBox that fills width and height: where their shapes differ, with what lies beside it."""
        if abs(across / down / shape - 1) <= _SAME_SHAPE:
            return left, top, across, down
        fitting = self.root.attributes.get("preserveAspectRatio", "xMidYMid meet").split()
        if fitting not in (["xMidYMid"], ["xMidYMid", "meet"]):
            raise self._fault(self.root, "viewBox and width and height differ in shape, and preserveAspectRatio is set")
        wide, high = max(across, down * shape), max(down, across / shape)
        return left - (wide - across) / 2, top - (high - down) / 2, wide, high

    # --- what is seen

    def _element(self, element: Element, above: Mapping[str, str], copies: int) -> str:
        """Return one element as it is seen, or nothing where it is not."""
        # What is empty costs time as well when it is copied often enough.
        self.visits += 1
        if self.visits > 5 * MOST_WRITTEN:
            raise self._fault(element, f"with its copies the drawing has more than {5 * MOST_WRITTEN:,} elements")
        if element.tag in (*_UNSEEN, "style", "defs", *_DEFINED):
            return ""
        if element.tag in ("stop", "tspan"):
            raise self._fault(element, "it stands where it means nothing")
        own = self._own(element, above)
        if own.get("display") == "none":
            return ""
        matrix = self._matrix(element)
        if matrix is not None and matrix.flattens:
            return ""
        state = {**above, **{k: v for k, v in own.items() if k in INHERITED}}
        if element.tag == "text":
            inside = self._text(element, state)
        elif element.tag == "use":
            inside = self._copy(element, state, copies)
        elif element.tag in _SHAPES:
            shape = self._shape(element, state)
            return (
                self._one(element, shape, {**self._painted(element, own, state), **self._placed(matrix)})
                if shape
                else ""
            )
        else:
            inside = "".join(self._element(child, state, copies) for child in element.children)
        attributes = {**self._painted(element, own, state), **self._placed(matrix)}
        if not inside or not attributes:
            return inside
        self._counted(element)
        return f"<g{_attributes(attributes)}>{inside}</g>"

    def _one(self, element: Element, shape: tuple[str, dict[str, str]], attributes: dict[str, str]) -> str:
        self._counted(element)
        tag, geometry = shape
        return f"<{tag}{_attributes({**geometry, **attributes})}/>"

    def _counted(self, element: Element, times: int = 1) -> None:
        self.count += times
        if self.count > MOST_WRITTEN:
            raise self._fault(element, f"with its copies the drawing has more than {MOST_WRITTEN:,} shapes")

    def _said(self, element: Element) -> dict[str, str]:
        if id(element) not in self.said:
            self.said[id(element)] = self._said_first(element)
        return self.said[id(element)]

    def _said_first(self, element: Element) -> dict[str, str]:
        attributes = {k: v for k, v in element.attributes.items() if k in KNOWN or k == "style"}
        if element.attributes.get("xml:space") in ("preserve", "default"):
            kept = element.attributes["xml:space"] == "preserve"
            attributes.setdefault("white-space", "pre" if kept else "normal")
        classes = frozenset(element.attributes.get("class", "").split())
        try:
            return declared(attributes, self.rules, element.tag, classes, element.attributes.get("id"))
        except NotGeometry as wrong:
            raise self._fault(element, str(wrong)) from None

    def _own(self, element: Element, above: Mapping[str, str]) -> dict[str, str]:
        try:
            return settled(self._said(element), above)
        except NotGeometry as wrong:
            raise self._fault(element, str(wrong)) from None

    def _matrix(self, element: Element, key: str = "transform") -> Matrix | None:
        text = element.attributes.get(key, "").strip()
        try:
            return transformation(text) if text and text != "none" else None
        except NotGeometry as wrong:
            raise self._fault(element, str(wrong)) from None

    def _placed(self, matrix: Matrix | None) -> dict[str, str]:
        return {} if matrix is None or matrix == Matrix() else {"transform": matrix.written()}

    def _painted(self, element: Element, own: Mapping[str, str], state: Mapping[str, str]) -> dict[str, str]:
        """Return the properties to write on an element: those that it sets itself."""
        result: dict[str, str] = {}
        for key in sorted(own):
            if key in ("fill", "stroke", "fill-opacity", "stroke-opacity"):
                paint = key.partition("-")[0]
                result |= self._paint(element, paint, state)
            elif key == "opacity":
                if own[key] != "1":
                    result[key] = own[key]
            elif key == "clip-path":
                if own[key] != "none":
                    result[key] = self._referred(element, own[key], ("clipPath",))
            elif key.startswith("marker-"):
                result[key] = own[key] if own[key] == "none" else self._referred(element, own[key], ("marker",))
            elif key.startswith("stroke-") or key == "fill-rule":
                self._dashes_are_coarse(element, key, own[key])
                result[key] = own[key]
        return result

    def _paint(self, element: Element, paint: str, state: Mapping[str, str]) -> dict[str, str]:
        # How opaque a colour is and how opaque its use is are two properties to the file and one to us.
        value, _, alpha = state[paint].partition(" ")
        opacity = plain(float(alpha or 1) * float(state[f"{paint}-opacity"]))
        if value.startswith("url("):
            value = self._referred(element, value, tuple(_GRADIENTS))
        return {paint: value, f"{paint}-opacity": opacity}

    def _dashes_are_coarse(self, element: Element, key: str, value: str) -> None:
        if key == "stroke-dasharray" and value != "none":
            total = sum(float(v) for v in value.split())
            if total < math.hypot(*self.window[2:]) * _FINEST_DASH:
                raise self._fault(element, f"dashes of {total:g} are too fine to print")

    # --- shapes

    def _shape(self, element: Element, state: Mapping[str, str]) -> tuple[str, dict[str, str]] | None:
        """Return a shape's name and geometry, or None where there is nothing to be seen of it."""
        if state["visibility"] != "visible":
            return None
        given = element.attributes
        try:
            # Long data takes its time even where it says little.
            self._numbered(element, len(given.get("d", "") + given.get("points", "")) // _LETTERS_PER_NUMBER)
            if element.tag == "path":
                return self._path(element, list(steps_of_path(given.get("d", ""))), state)
            if element.tag in ("polygon", "polyline"):
                return self._corners(element, numbers(given.get("points", "")), state)
            known = {k: self._along(k, given[k]) for k in _SHAPES[element.tag] if given.get(k, "auto") != "auto"}
        except NotGeometry as wrong:
            raise self._fault(element, str(wrong)) from None
        self._marked(element, 2 if element.tag == "line" else 0, state)
        for key in ("r", "rx", "ry", "width", "height"):
            if known.get(key, 0) < 0:
                raise self._fault(element, f"{key} is below 0")
        needed = {"circle": ("r",), "ellipse": ("rx", "ry"), "rect": ("width", "height")}.get(element.tag, ())
        if any(known.get(key, 0) == 0 for key in needed):
            return None
        if element.tag == "rect" and ("rx" in known) != ("ry" in known):
            known["rx"] = known["ry"] = known.get("rx", known.get("ry", 0))
        return element.tag, {k: plain(known[k]) for k in _SHAPES[element.tag] if k in known}

    def _along(self, key: str, text: str) -> float:
        _, _, across, down = self.window
        whole = {"x": across, "w": across, "c": None, "y": down, "h": down, "r": None}[key[0]]
        if key in ("cx", "cy"):
            whole = across if key == "cx" else down
        return length(text, whole)

    def _path(self, element: Element, steps: list[Step], state: Mapping[str, str]) -> tuple[str, dict[str, str]] | None:
        self._numbered(element, sum(len(args) for _, args in steps))
        self._marked(element, len(steps), state)
        return ("path", {"d": path_written(steps)}) if len(steps) > 1 else None

    def _corners(
        self, element: Element, points: list[float], state: Mapping[str, str]
    ) -> tuple[str, dict[str, str]] | None:
        if len(points) % 2:
            raise self._fault(element, "points has an odd count of numbers")
        self._numbered(element, len(points))
        self._marked(element, len(points) // 2, state)
        return (element.tag, {"points": " ".join(plain(v) for v in points)}) if len(points) >= 4 else None

    def _numbered(self, element: Element, count: int) -> None:
        self.numbers += count
        if self.numbers > MOST_NUMBERS:
            raise self._fault(element, f"with its copies the drawing has more than {MOST_NUMBERS:,} numbers")

    def _marked(self, element: Element, corners: int, state: Mapping[str, str]) -> None:
        """Count the arrow heads on a shape's corners as the shapes that they are."""
        if not corners:
            return
        if state["marker-mid"] != "none":
            self._counted(element, corners * self._marker_size(element, state["marker-mid"]))
        for key in ("marker-start", "marker-end"):
            if state[key] != "none":
                self._counted(element, self._marker_size(element, state[key]))

    def _marker_size(self, element: Element, value: str) -> int:
        marker = self.ids.get(reference(value) or "")
        if marker is None:
            return 0
        size, waiting = 0, [marker]
        while waiting:
            inner = waiting.pop()
            size += max(1, len(inner.text))
            waiting += inner.children
            if inner.tag == "use":
                raise self._fault(marker, "a marker may hold shapes alone, and no copies")
        return size

    # --- copies

    def _copy(self, element: Element, state: Mapping[str, str], copies: int) -> str:
        """Return what a use element shows, written out at its place."""
        id_ = element.attributes.get("href", "").strip()[1:]
        target = self.ids.get(id_)
        if target is None:
            raise self._fault(element, f"it refers to {id_[:40]!r}, which the drawing does not have")
        if target.tag not in (*_SHAPES, "g", "text", "use"):
            raise self._fault(element, f"it copies <{target.tag}>, and only shapes, groups and text are copied")
        if id_ in self.open_ids or copies >= _DEEPEST_COPY or _is_around(target, element):
            raise self._fault(element, f"it copies {id_[:40]!r}, in which it stands itself, or too deep")
        self.open_ids.append(id_)
        inside = self._element(target, state, copies + 1)
        self.open_ids.pop()
        x, y = (self._number(element, key, 0.0) for key in ("x", "y"))
        if not inside or (x == 0 and y == 0):
            return inside
        self._counted(element)
        return f"<g{_attributes(self._placed(Matrix(e=x, f=y)))}>{inside}</g>"

    def _number(self, element: Element, key: str, default: float) -> float:
        try:
            return self._along(key, element.attributes[key]) if key in element.attributes else default
        except NotGeometry as wrong:
            raise self._fault(element, str(wrong)) from None

    # --- text

    def _text(self, element: Element, state: Mapping[str, str]) -> str:
        pieces: list[tuple[str, Element, dict[str, str], dict[str, str]]] = []
        self._gather(element, state, {}, pieces)
        texts = list(collapsed([(text, s["white-space"] == "pre") for text, _, s, _ in pieces]))
        letters: list[Letter] = []
        begun: set[int] = set()
        for run, (text, (_, source, style, _)) in enumerate(zip(texts, pieces, strict=True)):
            if len(text) > MOST_LETTERS:
                raise self._fault(source, f"its text has more than {MOST_LETTERS:,} characters")
            try:
                refuse_unreadable(text)
                fresh = [Letter(c, style, run) for c in text]
                if fresh and id(source) not in begun:
                    begun.add(id(source))
                    self._put(fresh, source, element if not letters else None)
            except NotGeometry as wrong:
                raise self._fault(source, str(wrong)) from None
            letters += fresh
            self._numbered(source, len(text) + 1)
        shapes = outlines(letters)
        parts = []
        for run, (_, source, style, own) in enumerate(pieces):
            steps = shapes.get(run, [])
            if steps and style["visibility"] == "visible":
                self._numbered(source, sum(len(args) for _, args in steps))
                painted = {k: v for k, v in self._painted(source, own, style).items() if not k.startswith("marker-")}
                # Arrow heads belong to lines; letters have none although they are paths here.
                none = {k: "none" for k in ("marker-start", "marker-mid", "marker-end") if style[k] != "none"}
                even = {"fill-rule": "nonzero"} if style["fill-rule"] != "nonzero" else {}
                parts.append(self._one(source, ("path", {"d": path_written(steps)}), {**painted, **none, **even}))
        return "".join(parts)

    def _gather(
        self,
        element: Element,
        state: Mapping[str, str],
        own: dict[str, str],
        pieces: list[tuple[str, Element, dict[str, str], dict[str, str]]],
    ) -> None:
        """Add the stretches of text in *element* to *pieces*: text, element, inherited properties, those set inside."""
        for inner in element.content:
            if isinstance(inner, str):
                pieces.append((inner, element, dict(state), own))
            elif inner.tag == "tspan":
                said = self._own(inner, state)
                if said.get("display") == "none":
                    continue
                for key in ("opacity", "clip-path"):
                    if said.get(key, "none") not in ("none", "1"):
                        raise self._fault(inner, f"{key} on a part of a text is not taken")
                passed = {k: v for k, v in said.items() if k in INHERITED}
                self._gather(inner, {**state, **passed}, {**own, **passed}, pieces)
            elif inner.tag not in _UNSEEN:
                raise self._fault(inner, "it stands inside a text, where only tspan may")

    def _put(self, letters: list[Letter], source: Element, outer: Element | None) -> None:
        """Set the places that the element of a stretch, and the text around its first one, give to its letters."""
        for element in (outer, source):
            if element is None:
                continue
            for key in ("x", "y", "dx", "dy"):
                axis = key[-1]
                values = [
                    self._along(axis, part)
                    for part in re.split(r"[\s,]+", element.attributes.get(key, "").strip())
                    if part
                ]
                if len(values) > len(letters) and key in ("x", "y"):
                    values = values[: len(letters)]
                for letter, value in zip(letters, values, strict=False):
                    setattr(letter, key, value)

    # --- what is referred to

    def _referred(self, element: Element, value: str, tags: tuple[str, ...]) -> str:
        """Return a reference to a definition, which is written on its first use."""
        id_ = reference(value) or ""
        target = self.ids.get(id_)
        if target is None or target.tag not in tags:
            what = "the drawing does not have" if target is None else f"is <{target.tag}>"
            raise self._fault(element, f"it refers to {id_[:40]!r}, which {what}")
        if id_ not in self.written_ids:
            if id_ in self.open_ids:
                raise self._fault(element, f"it refers to {id_[:40]!r}, in which it stands itself")
            self.open_ids.append(id_)
            above = self._around(target)
            if target.tag == "clipPath":
                made = self._clip(target, above)
            elif target.tag == "marker":
                made = self._marker(target, above)
            else:
                made = self._gradient(target, above)
            self.open_ids.pop()
            new = f"i{len(self.written_ids) + 1}"
            self.written_ids[id_] = new
            self.definitions[id_] = made.replace(">", f' id="{new}">', 1)
        return f"url(#{self.written_ids[id_]})"

    def _around(self, element: Element) -> dict[str, str]:
        """Return the inherited properties that hold where *element* stands in the file."""
        outer = element.parent
        if outer is None:
            return dict(INHERITED)
        if id(outer) not in self.states:
            above = self._around(outer)
            self.states[id(outer)] = {**above, **{k: v for k, v in self._own(outer, above).items() if k in INHERITED}}
        return self.states[id(outer)]

    def _clip(self, element: Element, above: Mapping[str, str]) -> str:
        if element.attributes.get("clipPathUnits", "userSpaceOnUse") != "userSpaceOnUse":
            raise self._fault(element, "clipPathUnits is not userSpaceOnUse")
        own = self._own(element, above)
        if own.get("clip-path", "none") != "none":
            raise self._fault(element, "a clip path that is clipped itself is not taken")
        state = {**above, **{k: v for k, v in own.items() if k in INHERITED}}
        matrix = self._matrix(element) or Matrix()
        shapes = [child for child in element.children if child.tag not in _UNSEEN]
        if len(shapes) != 1:
            raise self._fault(element, f"it holds {len(shapes)} shapes, and one is taken")
        return f"<clipPath>{self._clip_shape(shapes[0], state, matrix)}</clipPath>"

    def _clip_shape(self, element: Element, above: Mapping[str, str], matrix: Matrix) -> str:
        own = self._own(element, above)
        state = {**above, **{k: v for k, v in own.items() if k in INHERITED}}
        if own.get("clip-path", "none") != "none":
            raise self._fault(element, "a clip path that is clipped itself is not taken")
        matrix = matrix.after(self._matrix(element) or Matrix())
        if element.tag == "use":
            target = self.ids.get(element.attributes.get("href", "").strip()[1:])
            if target is None or target.tag not in _SHAPES:
                raise self._fault(element, "inside a clip path it copies no single shape")
            x, y = (self._number(element, key, 0.0) for key in ("x", "y"))
            return self._clip_shape(target, state, matrix.after(Matrix(e=x, f=y)))
        if element.tag not in _SHAPES:
            raise self._fault(element, "inside a clip path only a shape is taken")
        if state["clip-rule"] != "nonzero" and element.tag in ("path", "polygon", "polyline"):
            raise self._fault(element, "clip-rule is evenodd, which is not drawn here")
        bare = {**state, "marker-start": "none", "marker-mid": "none", "marker-end": "none"}
        shape = None if own.get("display") == "none" or matrix.flattens else self._shape(element, bare)
        if shape is None:
            raise self._fault(element, "the clip path leaves nothing to be seen")
        return self._one(element, shape, self._placed(matrix))

    def _marker(self, element: Element, above: Mapping[str, str]) -> str:
        if self.in_marker:
            raise self._fault(element, "a marker inside a marker is not taken")
        given = element.attributes
        state = {**above, **{k: v for k, v in self._own(element, above).items() if k in INHERITED}}
        state |= {"marker-start": "none", "marker-mid": "none", "marker-end": "none"}
        attributes: dict[str, str] = {}
        box: list[float] = []
        try:
            for key, default in (("refX", "0"), ("refY", "0"), ("markerWidth", "3"), ("markerHeight", "3")):
                attributes[key] = plain(length(given.get(key, default)))
            if "viewBox" in given:
                box = numbers(given["viewBox"])
                attributes["viewBox"] = " ".join(plain(v) for v in box)
            orient = given.get("orient", "0").strip()
            if orient not in ("auto", "auto-start-reverse"):
                orient = plain(number(orient.removesuffix("deg")))
        except NotGeometry as wrong:
            raise self._fault(element, str(wrong)) from None
        if "viewBox" in given and (len(box) != 4 or min(box[2:]) <= 0):
            raise self._fault(element, "viewBox is not four numbers, of which the last two are above 0")
        if min(float(attributes["markerWidth"]), float(attributes["markerHeight"])) <= 0:
            raise self._fault(element, "its width and height are not above 0")
        if given.get("preserveAspectRatio", "xMidYMid").split() not in (["xMidYMid"], ["xMidYMid", "meet"]):
            raise self._fault(element, "preserveAspectRatio of a marker is not taken")
        if given.get("markerUnits", "strokeWidth") not in ("strokeWidth", "userSpaceOnUse"):
            raise self._fault(element, "markerUnits is neither strokeWidth nor userSpaceOnUse")
        attributes["markerUnits"] = given.get("markerUnits", "strokeWidth")
        attributes["orient"] = orient
        if self._said(element).get("overflow") in ("visible", "auto"):
            attributes["overflow"] = "visible"
        self.in_marker = True
        inside = "".join(self._element(child, state, 0) for child in element.children)
        self.in_marker = False
        # Written apart from its surroundings, it says for itself what it would have inherited.
        said = {k: v for k, v in state.items() if v != INHERITED[k]}
        attributes |= self._painted(element, said, state)
        return f"<marker{_attributes(attributes)}>{inside}</marker>"

    def _gradient(self, element: Element, above: Mapping[str, str]) -> str:
        given, stops = self._inherited_gradient(element, above)
        attributes: dict[str, str] = {}
        units = given.get("gradientUnits", "objectBoundingBox")
        if units not in ("objectBoundingBox", "userSpaceOnUse"):
            raise self._fault(element, "gradientUnits is neither objectBoundingBox nor userSpaceOnUse")
        if given.get("spreadMethod", "pad") != "pad":
            raise self._fault(element, f"spreadMethod {given['spreadMethod'][:20]!r} is not drawn here")
        try:
            for key in _GRADIENTS[element.tag]:
                if key in given:
                    attributes[key] = self._along_gradient(key, given[key], units)
            turned = transformation(given["gradientTransform"]) if given.get("gradientTransform", "").strip() else None
        except NotGeometry as wrong:
            raise self._fault(element, str(wrong)) from None
        if float(attributes.get("r", "1").rstrip("%")) <= 0:
            raise self._fault(element, "r is not above 0")
        if turned is not None and turned.flattens:
            raise self._fault(element, "gradientTransform leaves nothing of it")
        attributes["gradientUnits"] = units
        if turned is not None and turned != Matrix():
            attributes["gradientTransform"] = turned.written()
        return f"<{element.tag}{_attributes(attributes)}>{stops}</{element.tag}>"

    def _along_gradient(self, key: str, text: str, units: str) -> str:
        if units == "objectBoundingBox":
            return plain(length(text, 1.0))
        _, _, across, down = self.window
        whole = across if "x" in key else down if "y" in key else math.hypot(across, down) / math.sqrt(2)
        return plain(length(text, whole))

    def _inherited_gradient(self, element: Element, above: Mapping[str, str]) -> tuple[dict[str, str], str]:
        """Return a gradient's attributes and stops with what it takes over from others (SVG 1.1, 13.2.2)."""
        given: dict[str, str] = {}
        stops = ""
        seen: list[Element] = []
        here: Element | None = element
        while here is not None:
            if here in seen or len(seen) >= _DEEPEST_COPY:
                raise self._fault(element, "gradients refer to one another in a circle, or too deep")
            seen.append(here)
            shared = ("gradientUnits", "spreadMethod", "gradientTransform")
            keys = (*shared, *(_GRADIENTS[element.tag] if here.tag == element.tag else ()))
            given = {**{k: v for k, v in here.attributes.items() if k in keys}, **given}
            stops = stops or self._stops(here, above if here is element else self._around(here))
            id_ = here.attributes.get("href", "").strip()[1:]
            here = self.ids.get(id_) if id_ else None
            if id_ and (here is None or here.tag not in _GRADIENTS):
                raise self._fault(element, f"it refers to {id_[:40]!r}, which is no gradient")
        if not stops:
            raise self._fault(element, "it has no stops")
        return given, stops

    def _stops(self, gradient: Element, above: Mapping[str, str]) -> str:
        own = self._own(gradient, above)
        state = {**above, **{k: v for k, v in own.items() if k in INHERITED}}
        parts: list[str] = []
        last = 0.0
        for stop in gradient.children:
            if stop.tag in _UNSEEN:
                continue
            if stop.tag != "stop" or len(parts) >= MOST_STOPS:
                raise self._fault(stop, f"a gradient holds stops alone, and at most {MOST_STOPS}")
            said = self._own(stop, state)
            opaque, _, alpha = said.get("stop-color", "#000000").partition(" ")
            opacity = float(alpha or 1) * float(said.get("stop-opacity", "1"))
            try:
                last = max(last, min(1.0, max(0.0, length(stop.attributes.get("offset", "0"), 1.0))))
            except NotGeometry as wrong:
                raise self._fault(stop, str(wrong)) from None
            attributes = {"offset": plain(last), "stop-color": colour(opaque)[0], "stop-opacity": plain(opacity)}
            parts.append(f"<stop{_attributes(attributes)}/>")
        return "".join(parts)


def _is_around(outer: Element, inner: Element | None) -> bool:
    while inner is not None:
        if inner is outer:
            return True
        inner = inner.parent
    return False


def _attributes(values: Mapping[str, str]) -> str:
    """Return attributes as they are written; every value is a word or a number of ours."""
    for value in values.values():
        if not re.fullmatch(r"[A-Za-z0-9 .,#()+-]*", value):
            raise RuntimeError(f"{value!r} was about to be written into a drawing")
    return "".join(f' {key}="{value}"' for key, value in values.items())

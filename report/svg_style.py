"""Style of a drawing from outside: which properties are taken, in which values, and what they come to.

Whatever a drawing program says in presentation attributes, style attributes or a plain style sheet becomes one
plain value per property. A property that is not known is refused unless its value changes nothing.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final

from report.svg_geometry import NotGeometry, length, number, plain

#: Properties that children take over (SVG 1.1, appendix N, from memory), with what holds where nothing is said.
INHERITED: Final[Mapping[str, str]] = {
    "clip-rule": "nonzero",
    "color": "#000000",
    "dominant-baseline": "auto",
    "fill": "#000000",
    "fill-opacity": "1",
    "fill-rule": "nonzero",
    "font-size": "16",
    "font-style": "normal",
    "font-weight": "400",
    "letter-spacing": "0",
    "marker-end": "none",
    "marker-mid": "none",
    "marker-start": "none",
    "stroke": "none",
    "stroke-dasharray": "none",
    "stroke-dashoffset": "0",
    "stroke-linecap": "butt",
    "stroke-linejoin": "miter",
    "stroke-miterlimit": "4",
    "stroke-opacity": "1",
    "stroke-width": "1",
    "text-anchor": "start",
    "visibility": "visible",
    "white-space": "normal",
}
#: Properties of one element alone.
OWN: Final = ("clip-path", "display", "opacity", "stop-color", "stop-opacity")

_CHOICES: Final = {
    "clip-rule": ("nonzero", "evenodd"),
    "dominant-baseline": ("auto", "alphabetic", "middle", "central"),
    "fill-rule": ("nonzero", "evenodd"),
    "font-style": ("normal", "italic", "oblique"),
    "stroke-linecap": ("butt", "round", "square"),
    "stroke-linejoin": ("miter", "round", "bevel"),
    "text-anchor": ("start", "middle", "end"),
    "visibility": ("visible", "hidden", "collapse"),
    "white-space": ("normal", "nowrap", "pre"),
}
_WEIGHTS: Final = {"normal": "400", "bold": "700"}
#: Says how fast or how smoothly to draw, or concerns a screen; on paper nothing changes. The font is ours in any case.
_NO_MATTER: Final = frozenset(
    (
        "color-interpolation-filters",
        "color-rendering",
        "cursor",
        "enable-background",
        "flood-color",
        "flood-opacity",
        "font-family",
        "font-feature-settings",
        "font-kerning",
        "font-optical-sizing",
        "font-size-adjust",
        "font-synthesis",
        "font-variant-alternates",
        "font-variant-east-asian",
        "font-variant-position",
        "font-variation-settings",
        "glyph-orientation-horizontal",
        "glyph-orientation-vertical",
        "image-rendering",
        "kerning",
        "lighting-color",
        "line-height",
        "overflow",
        "pointer-events",
        "shape-rendering",
        "solid-color",
        "solid-opacity",
        "text-align",
        "text-indent",
        "text-orientation",
        "text-rendering",
        "touch-action",
        "user-select",
        "white-space-collapse",
        "will-change",
    )
)
#: Taken only with a value that changes nothing.
_WITHOUT_EFFECT: Final = {
    "alignment-baseline": ("auto", "baseline", "alphabetic"),
    "baseline-shift": ("baseline", "0", "0%", "0px"),
    "clip": ("auto",),
    "color-interpolation": ("srgb", "auto"),
    "color-profile": ("auto", "srgb"),
    "direction": ("ltr",),
    "filter": ("none",),
    "font-stretch": ("normal", "100%"),
    "font-variant": ("normal",),
    "font-variant-caps": ("normal",),
    "font-variant-ligatures": ("normal", "none"),
    "font-variant-numeric": ("normal", "tabular-nums"),
    "inline-size": ("0", "auto"),
    "isolation": ("auto", "isolate"),
    "mask": ("none",),
    "mix-blend-mode": ("normal",),
    "paint-order": ("normal", "fill", "fill stroke", "fill stroke markers", "fill markers stroke"),
    "shape-inside": ("auto", "none"),
    "shape-margin": ("0",),
    "shape-padding": ("0",),
    "text-decoration": ("none",),
    "text-decoration-color": ("currentcolor", "#000000"),
    "text-decoration-line": ("none",),
    "text-decoration-style": ("solid",),
    "text-overflow": ("clip",),
    "text-transform": ("none",),
    "transform": ("none",),
    "transform-box": ("view-box", "border-box"),
    "unicode-bidi": ("normal", "embed"),
    "vector-effect": ("none",),
    "word-spacing": ("normal", "0", "0px"),
    "writing-mode": ("lr", "lr-tb", "horizontal-tb"),
}
#: What may stand as a presentation attribute beside the properties that are taken.
KNOWN: Final = frozenset((*INHERITED, *OWN, *_NO_MATTER, *_WITHOUT_EFFECT, "marker", "font")) - {"transform"}

_LOCAL: Final = re.compile(r"""url\(\s*(["']?)#([^"'()\\\s]+)\1\s*\)""")
_SELECTOR: Final = re.compile(r"(\*|[A-Za-z][\w-]*)?((?:[.#][A-Za-z_][\w-]*)*)")
_MOST_DASHES: Final = 64
_LONGEST: Final = 2_000


@dataclass(frozen=True, slots=True)
class Rule:
    """One selector of a style sheet: an element's name, or any, with the classes and ids that it must have."""

    tag: str | None
    classes: frozenset[str]
    ids: frozenset[str]
    declarations: tuple[tuple[str, str, bool], ...]

    def fits(self, tag: str, classes: frozenset[str], id_: str | None) -> bool:
        """Return whether it speaks of such an element."""
        return self.tag in (None, tag) and self.classes <= classes and self.ids <= {id_}

    @property
    def weight(self) -> tuple[int, int, int]:
        """Return how much it counts against another (CSS 2.1, 6.4.3)."""
        return len(self.ids), len(self.classes), int(self.tag is not None)


def rules_of_sheet(text: str) -> Iterator[Rule]:
    """Yield the rules of a style sheet.

    Raises:
        NotGeometry: It holds more than plain rules on names, classes and ids.
    """
    import tinycss2

    for node in tinycss2.parse_stylesheet(text, skip_comments=True, skip_whitespace=True):
        if node.type == "at-rule":
            raise NotGeometry(f"the style sheet says @{node.at_keyword[:30]}, and only plain rules are taken")
        if node.type != "qualified-rule":
            raise NotGeometry("the style sheet cannot be read")
        declared = tuple(_declarations(node.content))
        for selector in tinycss2.serialize(node.prelude).split(","):
            found = _SELECTOR.fullmatch(selector.strip())
            if found is None or not selector.strip():
                raise NotGeometry(
                    f"the style sheet selects {selector.strip()[:40]!r}, and only names, classes and ids are taken"
                )
            marks = re.findall(r"([.#])([\w-]+)", found.group(2))
            yield Rule(
                None if found.group(1) in (None, "*") else found.group(1),
                frozenset(name for mark, name in marks if mark == "."),
                frozenset(name for mark, name in marks if mark == "#"),
                declared,
            )


def declared(
    attributes: Mapping[str, str], rules: tuple[Rule, ...], tag: str, classes: frozenset[str], id_: str | None
) -> dict[str, str]:
    """Return what is said of one element by its attributes, the style sheets and its style, the strongest word each."""
    import tinycss2

    said = {k: v.strip() for k, v in attributes.items()}
    ranked: list[tuple[tuple[bool, bool, tuple[int, int, int], int], str, str]] = []
    for order, rule in enumerate(rules):
        if rule.fits(tag, classes, id_):
            ranked += [((strong, False, rule.weight, order), k, v) for k, v, strong in rule.declarations]
    if "style" in attributes:
        written = _declarations(tinycss2.parse_component_value_list(attributes["style"]))
        ranked += [((strong, True, (0, 0, 0), 0), k, v) for k, v, strong in written]
        del said["style"]
    for _, key, value in sorted(ranked, key=lambda entry: entry[0]):
        said[key] = value
    # An element is copied, and asked again, many times; what it says is short.
    for key, value in said.items():
        if len(value) > _LONGEST:
            raise NotGeometry(f"{key} has {len(value):,} characters, and {_LONGEST:,} are the most")
    return said


def settled(said: Mapping[str, str], above: Mapping[str, str]) -> dict[str, str]:
    """Return the properties that *said* sets, each in its one plain form.

    Args:
        said: Property and value as written; no others than KNOWN.
        above: The inherited properties of the parent.

    Raises:
        NotGeometry: A property or a value is not taken; the message names it.
    """
    result: dict[str, str] = {}
    said = dict(said)
    if "marker" in said:
        shorthand = said.pop("marker")
        said = {**dict.fromkeys(("marker-start", "marker-mid", "marker-end"), shorthand), **said}
    if said.pop("font", "inherit") not in ("inherit", ""):
        raise NotGeometry("font is written in its short form; write font-size and font-weight")
    # What others are reckoned from comes first.
    said = {**{key: said[key] for key in ("color", "font-size") if key in said}, **said}
    for key, value in said.items():
        if key.startswith("-") or key in _NO_MATTER:
            continue
        if key in _WITHOUT_EFFECT:
            if value.lower() not in (*_WITHOUT_EFFECT[key], "inherit", ""):
                raise NotGeometry(f"{key} is {value[:40]!r}, which is not drawn here")
            continue
        if key not in INHERITED and key not in OWN:
            raise NotGeometry(f"{key} is not a property that is drawn here")
        if value == "inherit" and key in INHERITED:
            result[key] = above[key]
        elif value:
            result[key] = _value(key, value, {**above, **result})
    return result


def reference(value: str) -> str | None:
    """Return the id that a settled value refers to, or None."""
    return value[5:-1] if value.startswith("url(#") else None


def colour(text: str, current: str = "#000000") -> tuple[str, float]:
    """Return a colour as #rrggbb and how opaque it is, from 0 to 1.

    Raises:
        NotGeometry: It is none.
    """
    import tinycss2.color3

    found = tinycss2.color3.parse_color(text)
    if found == "currentColor":
        opaque, *rest = current.split()
        return opaque, float(rest[0]) if rest else 1.0
    if found is None or isinstance(found, str):
        raise NotGeometry(f"{text[:40]!r} is not a colour that is taken; write it as #rrggbb")
    red, green, blue, alpha = (min(1.0, max(0.0, part)) for part in found)
    return f"#{round(red * 255):02x}{round(green * 255):02x}{round(blue * 255):02x}", alpha


def _value(key: str, value: str, state: Mapping[str, str]) -> str:
    lower = value.lower()
    if key in _CHOICES:
        if lower not in _CHOICES[key]:
            raise NotGeometry(f"{key} is {value[:40]!r}; {', '.join(_CHOICES[key])} are taken")
        return lower
    if key in ("fill", "stroke"):
        return _paint(value, state)
    if key in ("color", "stop-color"):
        opaque, alpha = colour(value, state["color"])
        return opaque if alpha == 1 else f"{opaque} {plain(alpha)}"
    if key in ("clip-path", "marker-start", "marker-mid", "marker-end"):
        return "none" if lower == "none" else f"url(#{_target(key, value)})"
    if key.endswith("opacity"):
        share = number(value[:-1]) / 100 if value.endswith("%") else number(value)
        return plain(min(1.0, max(0.0, share)))
    if key == "display":
        return "none" if lower == "none" else "inline"
    if key == "font-weight":
        return _weight(lower)
    if key == "stroke-dasharray":
        return _dashes(lower)
    if key == "font-size":
        return plain(_at_least(key, length(lower, float(state["font-size"])), 0))
    if key == "letter-spacing":
        if lower.endswith("em"):
            return plain(number(lower[:-2]) * float(state["font-size"]))
        return "0" if lower == "normal" else plain(length(lower))
    if key == "stroke-miterlimit":
        return plain(_at_least(key, number(value), 1))
    return plain(_at_least(key, length(lower), 0 if key == "stroke-width" else None))


def _paint(value: str, state: Mapping[str, str]) -> str:
    if value.lower() in ("none", "transparent"):
        return "none"
    if value.lower().startswith("url"):
        local = _LOCAL.match(value)
        if local is None:
            raise NotGeometry(f"{value[:40]!r} refers to something outside the drawing")
        return f"url(#{local.group(2)})"
    opaque, alpha = colour(value, state["color"])
    return opaque if alpha == 1 else f"{opaque} {plain(alpha)}"


def _target(key: str, value: str) -> str:
    local = _LOCAL.fullmatch(value)
    if local is None:
        raise NotGeometry(f"{key} is {value[:40]!r}, and only something inside the drawing may be referred to")
    return local.group(2)


def _weight(value: str) -> str:
    if value in _WEIGHTS:
        return _WEIGHTS[value]
    heavy = number(value)
    if not 1 <= heavy <= 1000:
        raise NotGeometry(f"font-weight is {value[:40]!r}; normal, bold and 1 to 1000 are taken")
    return "400" if heavy < 550 else "600" if heavy < 650 else "700"


def _dashes(value: str) -> str:
    if value == "none":
        return value
    dashes = [_at_least("stroke-dasharray", length(part), 0) for part in re.split(r"[\s,]+", value) if part]
    if len(dashes) > _MOST_DASHES:
        raise NotGeometry(f"stroke-dasharray has {len(dashes)} lengths; {_MOST_DASHES} are the most")
    return " ".join(plain(d) for d in dashes) if sum(dashes) > 0 else "none"


def _at_least(key: str, value: float, least: float | None) -> float:
    if least is not None and value < least:
        raise NotGeometry(f"{key} is {value:g}, and {least:g} is the least")
    return value


def _declarations(content: Any) -> Iterator[tuple[str, str, bool]]:
    import tinycss2

    for node in tinycss2.parse_blocks_contents(content, skip_comments=True, skip_whitespace=True):
        if node.type == "declaration":
            yield node.lower_name, tinycss2.serialize(node.value).strip(), bool(node.important)
        elif node.type == "error":
            raise NotGeometry("the style cannot be read; write it as name: value;")
        else:
            raise NotGeometry("the style holds rules inside rules, and only plain rules are taken")

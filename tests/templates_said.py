"""Every template that a package says, read from its sources: what a catalogue of another language has to know.

A template is the literal in a call of said() or template() of rules.sentence or t() on a page,
or a text of rules/cautions.toml.
"""

from __future__ import annotations

import ast
import re
import string
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from rules.cautions import within_a_sentence

_SAYING: Final = ("said", "template")
#: Makes a template of any text, so nobody but these may: the module itself, and the reader of a file that is read here.
_MAKES_ANY: Final = "Sentence"
_MAY_MAKE_ANY: Final = ("sentence.py", "cautions.py")
_CALL_ON_A_PAGE: Final = re.compile(r"\bt\(")
_SAID_ON_A_PAGE: Final = re.compile(r't\("([^"\\]*)"\)')
_SAID_OF_A_CAUTION: Final = ("text", "why", "authority", "known")


def templates(package_folder: Path) -> dict[str, str]:
    """Return every template of a package with where it stands first, "module.py:line".

    Raises:
        AssertionError: A template is no literal, or asks str.format for more than putting a value in.
    """
    found: dict[str, str] = {}
    for path in sorted(package_folder.rglob("*.py")):
        for text, line in _of_module(path):
            found.setdefault(text, f"{path.name}:{line}")
    for path in sorted(package_folder.rglob("*.html")):
        page = path.read_text(encoding="utf-8")
        for call in _CALL_ON_A_PAGE.finditer(page):
            said = _SAID_ON_A_PAGE.match(page, call.start())
            assert said is not None, f"{path}: t() has no literal: {page[call.start() : call.start() + 60]!r}"
            found.setdefault(said[1], path.name)
    for path in sorted(package_folder.rglob("cautions.toml")):
        for text in _of_cautions(path):
            found.setdefault(text, path.name)
    return found


def slots(template: str) -> frozenset[str]:
    """Return the names of what is put into a template."""
    names = []
    for _, name, how, conversion in string.Formatter().parse(template):
        if name is None:
            continue
        assert name.isidentifier(), f"{template!r}: {name!r} is no name of a value"
        assert not how, f"{template!r}: {name} asks for a format"
        assert not conversion, f"{template!r}: {name} asks for a conversion"
        names.append(name)
    return frozenset(names)


def _of_module(path: Path) -> Iterator[tuple[str, int]]:
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if not isinstance(node, ast.Call) or path.name == "sentence.py":
            continue
        called = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
        where = f"{path}:{node.lineno}"
        assert called != _MAKES_ANY or path.name in _MAY_MAKE_ANY, f"{where}: make a sentence with said()"
        if called not in _SAYING:
            continue
        first = node.args[0] if len(node.args) == 1 else None
        assert isinstance(first, ast.Constant), f"{where}: the template is not written out in the call"
        text = first.value
        assert isinstance(text, str), f"{where}: the template is no text"
        asked = slots(text)
        given = {keyword.arg for keyword in node.keywords}
        if called == "said" and None not in given:
            assert given == asked, f"{where}: {sorted(asked)} are asked for, {sorted(map(str, given))} given"
        yield text, node.lineno


def _of_cautions(path: Path) -> Iterator[str]:
    for entries in tomllib.loads(path.read_text(encoding="utf-8")).values():
        for entry in entries:
            yield from (_escaped(entry[key]) for key in _SAID_OF_A_CAUTION if key in entry)
            if "name" in entry:
                yield _escaped(entry["name"])
                yield _escaped(within_a_sentence(entry["name"]))


def _escaped(text: str) -> str:
    return text.replace("{", "{{").replace("}", "}}")

"""Which edition of the program words, lays out and judges certificates: a hash of its own sources.

Two certificates of one edition are worded alike to the letter. A later edition may word the same facts
otherwise, so a certificate carries the edition that made it, and only its own edition compares words.
"""

from __future__ import annotations

import hashlib
from functools import cache
from importlib.resources import files
from importlib.resources.abc import Traversable
from typing import Final

_PACKAGES: Final = ("report", "rules", "schemas")
_SUFFIXES: Final = (".py", ".toml", ".html", ".css", ".ttf")


@cache
def edition() -> str:
    """Return the edition of this program, 16 hex digits."""
    digest = hashlib.sha256()
    for package in _PACKAGES:
        for name, content in sorted(_sources(files(package), package)):
            digest.update(f"{name}\n{len(content)}\n".encode())
            digest.update(content)
    return digest.hexdigest()[:16]


def _sources(folder: Traversable, name: str) -> list[tuple[str, bytes]]:
    found = []
    for entry in folder.iterdir():
        path = f"{name}/{entry.name}"
        if entry.is_dir():
            found += _sources(entry, path)
        elif entry.name.endswith(_SUFFIXES):
            # A checkout with other line ends is the same edition.
            content = entry.read_bytes()
            found.append((path, content if path.endswith(".ttf") else content.replace(b"\r\n", b"\n")))
    return found

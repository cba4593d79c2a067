"""Imports run one way: schemas <- rules, archive <- ingest, report <- filmtally.py."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
MAY_IMPORT = {
    "schemas": set(),
    "rules": {"schemas"},
    "archive": {"schemas"},
    "ingest": {"schemas", "rules", "archive"},
    "report": {"schemas", "rules", "archive"},
}
OURS = {*MAY_IMPORT, "filmtally", "sample_captures", "bench", "tests"}
#: What only the links may import, because it does not exist on every system.
ONE_SYSTEM = {"fcntl", "termios", "tty", "pty", "pwd", "grp", "resource", "msvcrt", "winreg"}


def _imports(path: Path) -> Iterator[str]:
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name.split(".")[0] for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path} imports relatively"
            yield str(node.module).split(".")[0]


def _modules(package: str) -> list[Path]:
    return sorted((ROOT / package).rglob("*.py"))


@pytest.mark.parametrize("package", sorted(MAY_IMPORT))
def test_a_package_imports_only_what_stands_below_it(package: str) -> None:
    assert _modules(package)
    for path in _modules(package):
        above = (set(_imports(path)) & OURS) - MAY_IMPORT[package] - {package}
        assert set() == above, f"{path} imports {above}"


@pytest.mark.parametrize("package", sorted(MAY_IMPORT))
def test_nothing_outside_the_links_needs_one_operating_system(package: str) -> None:
    for path in _modules(package):
        if "links" not in path.parts:
            assert set() == set(_imports(path)) & ONE_SYSTEM, path


def test_the_rules_do_no_io_and_know_no_clock() -> None:
    forbidden = {"os", "io", "pathlib", "random", "secrets", "time", "socket", "subprocess", "tempfile", "shutil"}
    for path in _modules("rules"):
        assert set() == set(_imports(path)) & forbidden, path
        text = path.read_text(encoding="utf-8")
        assert not any(call in text for call in (".now(", ".today(", ".utcnow(", "open(")), path

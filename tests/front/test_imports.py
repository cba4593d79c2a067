"""Imports run one way: schemas <- rules, archive <- ingest, report <- filmtally.py."""

from __future__ import annotations

import ast
import re
import sys
import tomllib
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
def test_no_module_imports_what_another_keeps_to_itself(package: str) -> None:
    for path in _modules(package):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom) and str(node.module).split(".")[0] in OURS:
                private = [alias.name for alias in node.names if alias.name.startswith("_")]
                assert private == [], f"{path} imports {private} from {node.module}"


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


#: Modules whose package is called otherwise, or comes with one that is declared because it is that one's own.
COME_WITH = {
    "PIL": "pillow",
    "aiohttp": "pyhanko",
    "asn1crypto": "pyhanko",
    "cryptography": "pyhanko",
    "fontTools": "fonttools",
    "markupsafe": "jinja2",
    "pkcs11": "pyhanko",
    "pydantic_core": "pydantic",
    "pyhanko_certvalidator": "pyhanko",
    "serial": "pyserial",
}


def test_nothing_is_imported_that_a_machine_without_the_test_packages_lacks() -> None:
    root = Path(__file__).parents[2]
    project = tomllib.loads((root / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    declared = {re.split(r"[\[>=; ]", wanted)[0].lower() for wanted in project["dependencies"]}
    # What an extra brings is imported where it is asked for, never at the top of a module.
    extras = {
        re.split(r"[\[>=; ]", wanted)[0].lower() for of in project["optional-dependencies"].values() for wanted in of
    }
    ours = {"archive", "filmtally", "ingest", "report", "rules", "sample_captures", "schemas"}
    sources = [root / "filmtally.py", *(path for name in ours for path in (root / name).rglob("*.py"))]
    undeclared = set()
    for path in sources:
        module = ast.parse(path.read_text(encoding="utf-8"))
        for node in ast.walk(module):
            names = [a.name for a in node.names] if isinstance(node, ast.Import) else []
            if isinstance(node, ast.ImportFrom) and node.module and not node.level:
                names = [node.module]
            known = declared if node in module.body else declared | extras
            for top in {name.partition(".")[0] for name in names} - ours - sys.stdlib_module_names:
                if COME_WITH.get(top, top).lower() not in known:
                    undeclared.add(f"{path.relative_to(root)}: {top}")
    assert sorted(undeclared) == []

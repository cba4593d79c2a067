"""Is there a test that notices when a rule is changed? Mutation testing of rules/; writes mutation.json.

python -m bench.mutation                          # every module; close to an hour on 2 cores
python -m bench.mutation decision rounding        # these modules; the others keep the numbers they have
python -m bench.mutation --folder /tmp/mutation   # keep the copy: next time only what survived is asked again

The repository is copied as it stands, and mutmut changes the copy: one small change at a time, each of which is asked
of the tests in tests/rules and tests/standards that reach it. A change that no test notices survives. Why one may is
written in mutation_judged.toml, by what it changes and not by its number.
"""

from __future__ import annotations

import argparse
import ast
import hashlib
import json
import os
import shutil
import signal
import site
import subprocess
import sys
import tempfile
import time
import tomllib
import venv
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from bench.results_folder import RESULTS

REPOSITORY: Final = Path(__file__).resolve().parent.parent
LOCK: Final = REPOSITORY / "locks" / "mutation.txt"
JUDGED: Final = Path(__file__).with_name("mutation_judged.toml")
RESULT: Final = RESULTS / "mutation.json"
PACKAGE: Final = "rules"
TESTS: Final = ("tests/rules", "tests/standards")
PROCESSES: Final = 2
#: The share of changes that is to be noticed.
AIM: Final = 0.95

#: What is not asked, and why.
EXCLUDED: Final = (
    {
        "what": "type annotations, docstrings, decorators with their arguments (as the size of a cache)",
        "reason": "they carry no behaviour that a test could hold to",
    },
    {
        "what": "what stands outside functions: constants, tables, members of enumerations, entries of dicts; and calls "
        "of len and isinstance as a whole",
        "reason": "mutmut changes the bodies of functions only, and leaves these calls alone",
    },
)

#: Decorated functions are not mutated either. In the copy these are applied in a line of their own below the function,
#: which is the same thing, and leaves the function without a decorator. What a decorator is there, by its name.
_APPLIED_BELOW: Final = {
    "cache": "cache",
    "lru_cache": "lru_cache",
    "property": "property",
    # An instance that the tests hold keeps what was worked out before the change.
    "cached_property": "property",
}

#: How many tests a change is asked of first; what these do not notice is asked of all that reach it.
QUICKEST: Final = 45

#: What pytest is told besides. A change is asked in a fork of a process that has run the tests once, so what was cached
#: then would hide the change; and most changes are noticed by a quick test, so the quick ones come first.
_PLUGIN: Final = """
import json
import os
import sys
from functools import cache
from pathlib import Path


def pytest_configure(config):
    most = int(os.environ.get("{most}", "0"))
    if most and len(config.args) > most:
        module = os.environ.get("MUTANT_UNDER_TEST", "").split(".")[1:2]
        own = {{test for test in config.args for name in module if name in test}}
        config.args = sorted(config.args, key=lambda test: (test not in own, _took().get(test, 0.0)))[:most]


def pytest_runtest_setup(item):
    for name, module in list(sys.modules.items()):
        if name.startswith("{package}."):
            for thing in list(vars(module).values()):
                if hasattr(thing, "cache_clear"):
                    thing.cache_clear()


def pytest_collection_modifyitems(items):
    took = _took() if Path("mutmut-stats.json").exists() else {{}}
    items.sort(key=lambda item: took.get(item.nodeid, 0.0))


@cache
def _took():
    return json.loads(Path("mutmut-stats.json").read_text(encoding="utf-8"))["duration_by_test"]
"""

#: Its own command shows one change a call, and starts anew for each.
_SHOW: Final = """
import json
import sys

from mutmut.mutation.diff_apply import get_diff_for_mutant

file, *names = sys.argv[1:]
print(json.dumps([get_diff_for_mutant(name, path=file) for name in names]))
"""

_MOST: Final = "ASKED_OF_AT_MOST"

# What mutmut notes of each change is the exit code of pytest or of mutmut itself.
_KILLED: Final = frozenset({1, 3})
_TIMED_OUT: Final = frozenset({36, 24, -24, 152, 255})
_NO_TEST: Final = frozenset({5, 33})
_NOT_ASKED: Final = frozenset({None, 2})

#: Why a change may survive, by file, function and what it changes.
Judged = dict[tuple[str, str, str], str]


@dataclass(frozen=True, slots=True)
class Change:
    """One change that was made, or is to be made.

    Attributes:
        name: What mutmut calls it; the number in it moves when the function is edited.
        code: How it ended, as mutmut notes it; None: it was not asked.
    """

    name: str
    code: int | None

    def ended(self, *codes: frozenset[int | None] | frozenset[int]) -> bool:
        """Return whether it ended in one of these ways."""
        return any(self.code in some for some in codes)

    @property
    def noticed(self) -> bool:
        """Return whether a test failed, or never came to an end."""
        return self.ended(_KILLED, _TIMED_OUT)

    @property
    def function(self) -> str:
        """Return the function or method that is changed: ``rules.x.xǁPlaceǁbuilds__mutmut_3`` gives Place.builds."""
        mangled = self.name.rpartition(".")[2].rpartition("__mutmut_")[0]
        return mangled.removeprefix("x_").removeprefix("xǁ").replace("ǁ", ".")


def main() -> int:
    """Ask the modules that are named; return 1 where fewer changes are noticed than aimed at, 2 where nothing ran."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    known = sorted(path.stem for path in (REPOSITORY / PACKAGE).glob("[!_]*.py"))
    parser.add_argument("modules", nargs="*", metavar="MODULE", help=f"one or more of {', '.join(known)}")
    parser.add_argument("--seconds", type=float, metavar="N", help="stop asking after so long (default: ask all)")
    parser.add_argument("--folder", type=Path, help="where to work, kept afterwards (default: a temporary one)")
    parser.add_argument("--deselect", action="append", default=[], metavar="TEST", help="a test that fails as it is")
    args = parser.parse_args()
    if unknown := sorted(set(args.modules) - set(known)):
        parser.error(f"no module of {PACKAGE}/: {', '.join(unknown)}")
    modules = args.modules or known
    # A job in the background ignores the signal that mutmut is stopped by, and so would mutmut.
    signal.signal(signal.SIGINT, signal.default_int_handler)
    with tempfile.TemporaryDirectory(prefix="mutation-") as scratch:
        work = Copy((args.folder or Path(scratch)).resolve(), args.deselect)
        work.refresh()
        judged = _judged()
        if not work.ask(modules, args.seconds, judged):
            return 2
        result = _merged(work, modules, judged)
    RESULTS.mkdir(exist_ok=True)
    RESULT.write_text(json.dumps(result, indent=2, ensure_ascii=False) + "\n", encoding="utf-8")
    _print(result)
    return int(result["killed"] < AIM * result["total"])


class Copy:
    """A copy of the repository that mutmut works in, with a virtual environment of its own.

    Attributes:
        tree: Where the copied files stand.
        deselected: Tests that are left out.
        commit: The commit that was copied, with what the working tree changes.
        changed: What it changes, in the package and its tests.
        hashes: SHA-256 of each file of the package as it was copied.
    """

    def __init__(self, folder: Path, deselected: Sequence[str] = ()) -> None:
        self.tree = folder / "tree"
        self.deselected = list(deselected)
        self.commit = ""
        self.changed: list[str] = []
        self.hashes: dict[str, str] = {}
        self._bin = folder / "venv" / "bin"
        self._log = folder / "mutmut.log"

    def refresh(self) -> None:
        """Bring the copy up to the repository as it stands; what did not change keeps its time and its results."""
        self._environment()
        self.commit = _git("rev-parse", "HEAD").strip()
        self.changed = [line[3:] for line in _git("status", "--porcelain", PACKAGE, *TESTS).splitlines()]
        # A test that is gone is not to stay; and mutmut adds to its own copy of the tests and removes nothing.
        for tests in (self.tree / "tests", self._mutants / "tests"):
            shutil.rmtree(tests, ignore_errors=True)
        files = list(_files())
        for relative in files:
            content = (REPOSITORY / relative).read_bytes()
            if relative.parts[0] == PACKAGE:
                self.hashes[str(relative)] = hashlib.sha256(content).hexdigest()
                if relative.suffix == ".py":
                    content = applied_below(content.decode()).encode()
                elif self._mutants.exists():
                    _write(self._mutants / relative, content)  # mutmut copies these but once
            if relative == Path("pyproject.toml"):
                content += self._configuration(files).encode()
            _write(self.tree / relative, content)
        _write(self.tree / "asked_alone.py", _PLUGIN.format(package=PACKAGE, most=_MOST).lstrip().encode())
        for gone in {path.relative_to(self.tree) for path in self.tree.glob(f"{PACKAGE}/*.py")} - set(files):
            (self.tree / gone).unlink()
        # Which test reaches what is found out anew.
        (self._mutants / "mutmut-stats.json").unlink(missing_ok=True)

    def ask(self, modules: Sequence[str], seconds: float | None, judged: Judged) -> bool:
        """Ask the changes of these modules that no test has noticed yet; return whether the tests ran at all.

        One that survived before and is judged is not asked again: in a function that is as it was, it means the same.
        """
        ends = None if seconds is None else time.monotonic() + seconds
        for most in (QUICKEST, 0):
            names = [name for module in modules for name in self._to_ask(module, judged)]
            if names and not self._run(names, most, ends):
                return False
        return True

    def _run(self, names: Sequence[str], most: int, ends: float | None) -> bool:
        command = [str(self._bin / "mutmut"), "run", "--max-children", str(PROCESSES), *names]
        # Sets are walked in one order, so that a run can be repeated.
        environment = {**os.environ, "PYTHONHASHSEED": "0", _MOST: str(most)}
        with (
            self._log.open("w", encoding="utf-8") as log,
            subprocess.Popen(command, cwd=self.tree, env=environment, stdout=log, stderr=log) as running,
        ):
            try:
                running.wait(None if ends is None else max(0.0, ends - time.monotonic()))
            except subprocess.TimeoutExpired:
                running.send_signal(signal.SIGINT)
                running.wait()
                return True
        if running.returncode:
            print(*self._log.read_text(encoding="utf-8").splitlines()[-40:], sep="\n", file=sys.stderr)
        return running.returncode == 0

    def changes(self, module: str) -> list[Change]:
        """Return every change of a module and how it ended."""
        noted = self._mutants / PACKAGE / f"{module}.py.meta"
        if not noted.exists():
            return []
        codes: dict[str, int | None] = json.loads(noted.read_text(encoding="utf-8"))["exit_code_by_key"]
        return [Change(name, code) for name, code in codes.items()]

    def wordings(self, module: str, changes: Sequence[Change]) -> list[str]:
        """Return what changes of one module change: the lines that go and the lines that come, without their indent."""
        command = [str(self._bin / "python"), "-c", _SHOW, f"{PACKAGE}/{module}.py", *(one.name for one in changes)]
        shown = subprocess.run(command, cwd=self.tree, capture_output=True, text=True, check=True).stdout
        wordings = []
        for diff in json.loads(shown):
            lines = [line for line in diff.splitlines() if line[:1] in "+-" and line[:3] not in ("+++", "---")]
            wordings.append("\n".join(f"{line[0]} {line[1:].strip()}" for line in lines))
        return wordings

    @property
    def _mutants(self) -> Path:
        return self.tree / "mutants"

    def _to_ask(self, module: str, judged: Judged) -> list[str]:
        source = self.tree / PACKAGE / f"{module}.py"
        mutated = self._mutants / PACKAGE / f"{module}.py"
        changes = self.changes(module)
        # mutmut goes by the times as well: an older mutated file is made anew.
        if not changes or source.stat().st_mtime >= mutated.stat().st_mtime:
            return [f"{PACKAGE}.{module}.*"]
        survived = [change for change in changes if not change.noticed and not change.ended(_NOT_ASKED)]
        keys = zip(survived, self.wordings(module, survived), strict=True)
        settled = {c.name for c, wording in keys if (f"{PACKAGE}/{module}.py", c.function, wording) in judged}
        return [change.name for change in changes if not change.noticed and change.name not in settled]

    def _environment(self) -> None:
        """Make the virtual environment: what the running one has, and mutmut with what it needs."""
        python = self._bin / "python"
        if python.exists():
            return
        venv.create(self._bin.parent, with_pip=True)
        ask = [str(python), "-c", "import site; print(site.getsitepackages()[0])"]
        packages = Path(subprocess.run(ask, capture_output=True, text=True, check=True).stdout.strip())
        # A path in a .pth file is searched, and the .pth files there are not read: the repository itself stays out.
        (packages / "outer.pth").write_text("\n".join(site.getsitepackages()) + "\n", encoding="utf-8")
        pip = [str(python), "-m", "pip", "--quiet", "--disable-pip-version-check", "install"]
        subprocess.run([*pip, "--require-hashes", "-r", str(LOCK)], check=True)

    def _configuration(self, files: Iterable[Path]) -> str:
        beside = sorted({path.parts[0] for path in files} - {PACKAGE} | {"asked_alone.py"})
        # Both take time at every change.
        without = ["-p", "no:cacheprovider", "-p", "no:unraisableexception"]
        left_out = [f"--deselect={test}" for test in self.deselected]
        options = {
            "source_paths": [PACKAGE],
            "also_copy": beside,
            "pytest_add_cli_args_test_selection": list(TESTS),
            # The same examples for every change, and the plugin above.
            "pytest_add_cli_args": ["-p", "asked_alone", "--hypothesis-seed=1", *without, *left_out],
            "use_git_change_detection": False,
            "track_dependencies": False,
            # A change that never ends: so many times what the tests took unchanged, with so many seconds on top.
            "timeout_multiplier": 4.0,
            "timeout_constant": 2.0,
        }
        # JSON's lists of strings, numbers and true and false are TOML's as well.
        return "\n[tool.mutmut]\n" + "".join(f"{name} = {json.dumps(value)}\n" for name, value in options.items())


def applied_below(source: str) -> str:
    """Return a module with the decorators of its functions that mutmut would shy at applied below the function.

    ``@property`` above ``def credited(self): ...`` is ``credited = property(credited)`` below it.
    """
    lines = source.splitlines(keepends=True)
    tree = ast.parse(source)
    bodies = [tree.body, *(one.body for one in tree.body if isinstance(one, ast.ClassDef))]
    functions = [one for body in bodies for one in body if isinstance(one, ast.FunctionDef) and one.decorator_list]
    for function in sorted(functions, key=lambda one: one.lineno, reverse=True):
        decorators = [ast.unparse(one) for one in function.decorator_list]
        named = [one.partition("(") for one in decorators]
        if not all(name in _APPLIED_BELOW for name, _, _ in named):
            continue
        indent = " " * function.col_offset
        below = [
            f"{indent}{function.name} = {_APPLIED_BELOW[name]}{bracket}{arguments}({function.name})\n"
            for name, bracket, arguments in reversed(named)
        ]
        assert function.end_lineno is not None
        lines[function.end_lineno : function.end_lineno] = below
        for number in range(function.decorator_list[0].lineno - 1, function.lineno - 1):
            lines[number] = "\n"
    return "".join(lines)


def _files() -> Iterator[Path]:
    """Yield what git tracks or would track, as it stands in the working tree."""
    command = ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"]
    listed = subprocess.run(command, cwd=REPOSITORY, capture_output=True, text=True, check=True).stdout
    for name in sorted(filter(None, set(listed.split("\0")))):
        if (REPOSITORY / name).is_file():
            yield Path(name)


def _write(path: Path, content: bytes) -> None:
    """Write a file where it is not so already: by the times mutmut knows what it has to make anew."""
    if not (path.exists() and path.read_bytes() == content):
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)


def _merged(work: Copy, modules: Sequence[str], judged: Judged) -> dict[str, Any]:
    """Return what was found, with what the last result says of other modules that are still as they were."""
    tables, survivors = [], []
    for module in modules:
        changes = work.changes(module)
        file = f"{PACKAGE}/{module}.py"
        asked = [change for change in changes if not change.ended(_NOT_ASKED)]
        tables.append(
            {
                "file": file,
                "source_sha256": work.hashes[file],
                "commit": work.commit,
                "total": len(asked),
                "killed": sum(change.noticed for change in asked),
                "timed_out": sum(change.ended(_TIMED_OUT) for change in asked),
                "not_asked": len(changes) - len(asked),
            }
        )
        survived = [change for change in asked if not change.noticed]
        for change, wording in zip(survived, work.wordings(module, survived), strict=True):
            survivors.append(
                {
                    "mutant": change.name,
                    "file": file,
                    "function": change.function,
                    "change": wording,
                    "reached": not change.ended(_NO_TEST),
                    "judged": judged.get((file, change.function, wording), "not judged yet"),
                }
            )
    before = json.loads(RESULT.read_text(encoding="utf-8")) if RESULT.exists() else {"modules": [], "survivors": []}
    new = {table["file"] for table in tables}
    kept = [t for t in before["modules"] if t["file"] not in new and t["source_sha256"] == work.hashes.get(t["file"])]
    still = {table["file"] for table in kept}
    tables = sorted([*tables, *kept], key=lambda t: str(t["file"]))
    return {
        "commit": work.commit,
        "changed_since_commit": work.changed,
        "tests": list(TESTS),
        "deselected": work.deselected,
        "total": sum(t["total"] for t in tables),
        "killed": sum(t["killed"] for t in tables),
        "not_asked": sum(t["not_asked"] for t in tables),
        "excluded": list(EXCLUDED),
        "modules": tables,
        "survivors": [*survivors, *(s for s in before["survivors"] if s["file"] in still)],
    }


def _judged() -> Judged:
    if not JUDGED.exists():
        return {}
    entries = tomllib.loads(JUDGED.read_text(encoding="utf-8"))["judged"]
    return {(one["file"], one["function"], one["change"].strip()): one["why"] for one in entries}


def _git(*arguments: str) -> str:
    return subprocess.run(["git", *arguments], cwd=REPOSITORY, capture_output=True, text=True, check=True).stdout


def _print(result: dict[str, Any]) -> None:
    for survivor in result["survivors"]:
        print(f"\n{survivor['file']}, {survivor['function']} ({survivor['mutant'].rpartition('.')[2]})")
        print(survivor["change"], f"  {survivor['judged']}", sep="\n")
    print(f"\n{'module':<40} {'changes':>8} {'noticed':>8} {'share':>8} {'not asked':>10}")
    everything = {"file": "together", **{key: result[key] for key in ("total", "killed", "not_asked")}}
    for table in [*result["modules"], everything]:
        share = f"{table['killed'] / table['total']:.1%}" if table["total"] else "-"
        print(f"{table['file']:<40} {table['total']:>8} {table['killed']:>8} {share:>8} {table['not_asked']:>10}")


if __name__ == "__main__":
    sys.exit(main())

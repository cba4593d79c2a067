"""Set up a machine: virtual environment, locked packages, system libraries. Needs python3 alone.

Run through `make setup`, `make demo` and `make test`; on Windows `py set_up.py` does the same without make.
"""

from __future__ import annotations

import argparse
import ctypes
import ctypes.util
import os
import shutil
import subprocess
import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent
#: What shows that a system library is there: the name that WeasyPrint itself asks the loader for.
SONAMES = {
    "libpango-1.0-0": "libpango-1.0.so.0",
    "libpangoft2-1.0-0": "libpangoft2-1.0.so.0",
    "libharfbuzz-subset0": "libharfbuzz-subset.so.0",
}
PROGRAMS = {
    "dbus-daemon": "dbus-daemon",
    "libnss3-tools": "certutil",
    "openssl": "openssl",
    "poppler-utils": "pdfsig",
    "qpdf": "qpdf",
    "softhsm2": "softhsm2-util",
    "tmux": "tmux",
}


def main() -> int:
    """Set everything up; return 0, or 2 after one sentence that says what is missing and what to do."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--venv", type=Path, default=HERE / ".venv")
    parser.add_argument("--lock", type=Path, default=HERE / "locks" / "run.txt")
    parser.add_argument("--libraries", default=" ".join(SONAMES))
    parser.add_argument("--programs", default="")
    args = parser.parse_args()
    if sys.version_info < (3, 11):  # noqa: UP036 - this file is what an older Python is told by
        return _stop(
            f"Python 3.11 or newer is needed, and this is {sys.version.split()[0]}; install it and run this again"
        )
    return _system_packages(args.libraries.split(), args.programs.split()) or _environment(args.venv, args.lock)


def _system_packages(libraries: list[str], programs: list[str]) -> int:
    if not sys.platform.startswith("linux"):
        return 0  # README.md says what Windows and macOS need
    missing = [name for name in libraries if not _loads(SONAMES[name])]
    missing += [name for name in programs if shutil.which(PROGRAMS[name]) is None]
    if not missing:
        return 0
    command = f"apt-get install -y --no-install-recommends {' '.join(missing)}"
    if os.geteuid() != 0 or shutil.which("apt-get") is None:
        sudo = "" if os.geteuid() == 0 else "sudo "
        return _stop(f"system libraries are missing; install them with: {sudo}{command}")
    quiet = {**os.environ, "DEBIAN_FRONTEND": "noninteractive"}
    for step in ("apt-get update -qq", command.replace("install -y", "install -y -qq")):
        if subprocess.run(step.split(), env=quiet, stdout=subprocess.DEVNULL, check=False).returncode:
            return _stop(f"system libraries could not be installed; see the lines above, then run: {command}")
    return 0


def _loads(soname: str) -> bool:
    try:
        ctypes.CDLL(soname)
    except OSError:
        return False
    return True


def _environment(venv: Path, lock: Path) -> int:
    python = venv / ("Scripts/python.exe" if os.name == "nt" else "bin/python")
    if not python.exists():
        made = subprocess.run([sys.executable, "-m", "venv", str(venv)], capture_output=True, text=True, check=False)
        if made.returncode:
            return _stop("Python's venv is missing; install it with: apt-get install -y python3-venv")
    pip = [str(python), "-m", "pip", "--quiet", "--disable-pip-version-check", "install"]
    for step in (
        [*pip, "--require-hashes", "-r", str(lock)],
        [*pip, "--no-deps", "--no-build-isolation", "-e", str(HERE)],
    ):
        if subprocess.run(step, check=False).returncode:
            return _stop(
                "the packages could not be installed; see the lines above, and whether a package index can be reached"
            )
    return 0


def _stop(sentence: str) -> int:
    print(f"set_up: {sentence}", file=sys.stderr)
    return 2


if __name__ == "__main__":
    sys.exit(main())

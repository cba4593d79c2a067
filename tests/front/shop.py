"""A copy of the sample shop, and the front door called as a person would."""

from __future__ import annotations

import atexit
import hashlib
import os
import shutil
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import Final

import pytest

from filmtally import main

SAMPLES = Path(__file__).parents[2] / "sample_captures"
NOW = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)
PASSPHRASE = "a passphrase for tests"  # noqa: S105 - it protects a key made for one test
GOOD = ("--standard", "Z-0=0.1,0.0,0.2", "--standard", "S-50=50.4,50.1,50.6", "--standard", "S-130=129.9,130.3,129.4", "--standard", "S-255=254.1,255.6,255.0")  # fmt: skip


#: By what was done, to which shop and when: what it came to, and the shop as it was then.
_DONE: Final[dict[tuple[object, ...], tuple[str, Path]]] = {}


@dataclass
class Answer:
    """What a command answered."""

    code: int
    out: str
    err: str

    @property
    def sentence(self) -> str:
        """Return the one line on standard error."""
        lines = self.err.strip().splitlines()
        assert len(lines) == 1, f"{len(lines)} lines on standard error: {self.err!r}"
        return lines[0]


@dataclass
class FrontDoor:
    """A shop folder and the program."""

    folder: Path
    capsys: pytest.CaptureFixture[str]
    now: datetime = NOW

    def __call__(self, *words: str) -> Answer:
        self.capsys.readouterr()
        code = main(["--shop", str(self.folder), *words], now=lambda: self.now)
        said = self.capsys.readouterr()
        return Answer(code, said.out, said.err)

    def write(self, name: str, data: bytes) -> str:
        """Write a capture beside the shop and return its path."""
        path = self.folder.parent / name
        path.write_bytes(data)
        return str(path)

    def measure(self, job: str, capture: str, *more: str, gauge: str = "FB-11", lot: str = "L-1") -> Answer:
        """Take a capture file for a lot."""
        words = ("measure", job, "--lot", lot, "--inspector", "mk", "--gauge", gauge, "--from", capture)
        return self(*words, "--measured-at", "2026-11-03T10:00", *more)

    def verify_gauge(
        self, occasion: str, at: str, *, gauge: str = "FB-11", mode: str = "magnetic", read: tuple[str, ...] = GOOD
    ) -> Answer:
        """Record a verification."""
        words = ("check", "verification", "--gauge", gauge, "--mode", mode, "--occasion", occasion, "--by", "mk")
        return self(*words, "--at", at, *read)

    def once(self, do: Callable[..., str], *words: str) -> str:
        """Return what *do* comes to with *words*; a shop that was just like this one when it was done before is not led
        there again, but copied from what it became then."""
        key = (
            do.__module__,
            do.__qualname__,
            words,
            self.now,
            os.environ.get("FILMTALLY_BENCH"),
            _content(self.folder),
        )
        if key in _DONE:
            found, kept = _DONE[key]
            shutil.copytree(kept, self.folder, dirs_exist_ok=True)
            return found
        found = do(*words)
        kept = _kept_shops() / str(len(_DONE))
        shutil.copytree(self.folder, kept)
        _DONE[key] = (found, kept)
        return found

    def covered_lot(self, *, build: str = "88.0 um", fit: str = "32.0 um", lot: str = "L-1") -> str:
        """Take a hinge lot between two good checks and return its inspection."""
        return self.once(self._covered_lot, build, fit, lot)

    def _covered_lot(self, build: str, fit: str, lot: str) -> str:
        self.verify_gauge("opening", "2026-11-03T09:00", read=(*GOOD, "--standard", "S-25=25.1,24.8,25.0"))
        lines = "".join(f"{build}\n" * 4 + f"{fit}\n" * 4)
        answer = self.measure("hinge", self.write(f"{lot}.txt", lines.encode()), lot=lot)
        assert answer.code == 0, answer
        self.verify_gauge("closing", "2026-11-03T15:00")
        return answer.out.split()[1].rstrip(":")

    def certified(self) -> Path:
        """Certify a hinge lot between two good checks with the key of mk and return the PDF."""
        return self.folder / "certificates" / self.once(self._certified)

    def _certified(self) -> str:
        answer = self("certify", self.covered_lot(), *self.signed_in())
        assert answer.code == 0, answer
        (pdf,) = (self.folder / "certificates").glob("*.pdf")
        return pdf.name

    def signed_in(self) -> tuple[str, ...]:
        """Make a key for mk and return the words that sign with it."""
        path = self.folder / "passphrase.txt"
        path.write_text(PASSPHRASE + "\n", encoding="utf-8")
        if not (self.folder / "identities" / "mk.p12").exists():
            answer = self("identity", "mk", "--passphrase-file", str(path))
            assert answer.code == 0, answer
        return ("--signer", "mk", "--passphrase-file", str(path))


@cache
def _kept_shops() -> Path:
    folder = Path(tempfile.mkdtemp(prefix="filmtally-shops-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    return folder


def _content(folder: Path) -> str:
    """Return a hash of every file in *folder* and its name."""
    known = hashlib.sha256()
    for path in sorted(folder.rglob("*")):
        known.update(f"{path.relative_to(folder)}\0".encode())
        if path.is_file():
            known.update(hashlib.sha256(path.read_bytes()).digest())
    return known.hexdigest()


def sample_shop(target: Path, *, customers: bool = False) -> Path:
    """Copy the sample shop to *target* and return it; the files of its customers, who ask for more than most tests say,
    only where *customers* says so."""
    shutil.copytree(SAMPLES / "shop", target, ignore=None if customers else shutil.ignore_patterns("customers"))
    return target

"""A sample shop with many sealed lots that wait for their certificates, for the tests and campaigns of batches."""

from __future__ import annotations

import contextlib
import hashlib
import io
import os
import shutil
import subprocess
import sys
import time
from datetime import datetime, timedelta
from pathlib import Path
from typing import Final

from archive.store import Archive
from filmtally import main
from tests.front.shop import GOOD, NOW, PASSPHRASE, sample_shop

REPOSITORY: Final = Path(__file__).parents[2]
SIGNED: Final = ("--signer", "mk", "--passphrase-file", "passphrase.txt")
#: The program with a clock of the scenario's: a key holds from the day on that it was made.
_PROGRAM: Final = """
import sys, time
from datetime import timedelta
from archive.store import Archive
from filmtally import main
from tests.front.shop import NOW
began = time.monotonic()
sys.exit(main(sys.argv[1:], now=lambda: NOW + timedelta(minutes=10, seconds=time.monotonic() - began)))
"""
_GIVEN: Final = ("--purchase-order", "PO 4471", "--lot-size", "1", "--powder-batch", "B-7")


def shop_of_lots(target: Path, lots: int) -> Path:
    """Make a shop in the folder *target* with hinge lots L-0, L-1 and so on, between two good checks, and a key for mk."""
    sample_shop(target)
    _check(target, "opening", "2026-11-03T09:00")
    for number in range(lots):
        capture = target.parent / f"{target.name}-{number}.txt"
        strap = "".join(f"{85 + (number * 7 + k * 3) % 15}.{k} um\n" for k in range(4))
        capture.write_text(strap + "".join(f"{30 + (number + k) % 5}.{k} um\n" for k in range(4)), encoding="utf-8")
        words = (
            "measure",
            "hinge",
            "--lot",
            f"L-{number}",
            "--inspector",
            "mk",
            "--gauge",
            "FB-11",
            "--from",
            str(capture),
        )
        _run(target, NOW + timedelta(seconds=number), *words, "--measured-at", "2026-11-03T10:00", *_GIVEN)
        capture.unlink()
    _check(target, "closing", "2026-11-03T15:00")
    secret = target / "passphrase.txt"
    secret.write_text(PASSPHRASE + "\n", encoding="utf-8")
    _run(target, NOW, "identity", "mk", "--passphrase-file", str(secret))
    return target


def begin(shop: Path, *words: str, bench: str = "bench1") -> subprocess.Popen[str]:
    """Begin the program in the folder *shop*, in a session of its own so that a signal to it reaches its workers too."""
    env = os.environ | {"FILMTALLY_BENCH": bench, "PYTHONPATH": str(REPOSITORY)}
    env.pop("FILMTALLY_SHOP", None)
    return subprocess.Popen(
        [sys.executable, "-c", _PROGRAM, *words],
        cwd=shop, env=env, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True,
    )  # fmt: skip


def faults(shop: Path, *, complete: bool) -> list[str]:
    """Return in sentences what is wrong with the certificates of a shop: none has two, none is half there.

    Args:
        shop: The shop.
        complete: Whether every inspection has to have one.
    """
    archive = Archive(shop / "archive", "look")
    entries = archive.certificates()
    certified = [e.inspection_id for e in entries]
    wrong = [f"{one} has {certified.count(one)} certificates" for one in set(certified) if certified.count(one) > 1]
    if len({e.number for e in entries}) < len(entries) or len({e.code for e in entries}) < len(entries):
        wrong.append("two certificates have one number or one code")
    if complete:
        wrong += [f"{i.inspection_id} has none" for i in archive.inspections() if i.inspection_id not in certified]
    for entry in entries:
        path = shop / "certificates" / entry.pdf_name
        if not path.is_file() or hashlib.sha256(path.read_bytes()).hexdigest() != entry.pdf_sha256:
            wrong.append(f"{entry.pdf_name} is not the file in the register")
    if complete:
        known = {e.pdf_name for e in entries}
        others = [p.name for p in (shop / "certificates").glob("*.pdf") if p.name not in known]
        wrong += [f"{name} is left over" for name in others if ".unregistered-" not in name]
    return wrong + [trouble.sentence for trouble in archive.check() if not trouble.harmless]


def orphans(shop: Path, seconds: float = 30) -> list[str]:
    """Return the processes in the folder *shop* that are still there after a while, though what began them was killed."""
    limit = time.monotonic() + seconds
    while (left := _in_folder(shop)) and time.monotonic() < limit:
        time.sleep(0.1)
    return [f"process {number} outlives the program" for number in left]


def _in_folder(shop: Path) -> list[str]:
    found = []
    for process in Path("/proc").glob("[0-9]*"):
        try:
            here = (process / "cwd").readlink() == shop
            gone = " Z " in (process / "stat").read_text(encoding="utf-8")
        except OSError:
            continue
        if here and not gone:
            found.append(process.name)
    return found


def copied(shop: Path, target: Path) -> Path:
    """Copy a shop to *target* and return it."""
    shutil.copytree(shop, target)
    return target


def _check(shop: Path, occasion: str, at: str) -> None:
    words = ("check", "verification", "--gauge", "FB-11", "--mode", "magnetic", "--occasion", occasion, "--by", "mk")
    _run(shop, NOW, *words, "--at", at, *GOOD, "--standard", "S-25=25.1,24.8,25.0")


def _run(shop: Path, now: datetime, *words: str) -> None:
    with contextlib.redirect_stdout(io.StringIO()):
        code = main(["--shop", str(shop), *words], now=lambda: now)
    if code != 0:
        raise RuntimeError(f"{' '.join(words)} ended with {code}")

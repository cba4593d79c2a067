"""Change one byte of a signed certificate, anywhere: every such file is refused, or listed with why it means nothing.

python -m bench.flip_bytes 2000
"""

from __future__ import annotations

import json
import random
import re
import sys
from collections.abc import Iterator
from itertools import pairwise
from typing import Final

from report.frame import frames_of
from report.verifying import VerificationReport, verify
from rules.verdict import Verdict
from schemas.errors import IntegrityFailed
from tests.report.made import approved, drafted, identity, second, signed, small
from tests.report.scenario import evidence, figures, job

_SHOWN: Final = 24


def campaign(times: int, seed: int = 1) -> dict[str, object]:
    """Flip *times* single bytes of each of three certificates and return what was found.

    Returns:
        name, what, times; refused: how many were refused; by: how often each part refused first; failed: those that were
        accepted, each with its place and the bytes around it.
    """
    files = {"released": small(), "released and approved": approved(small(), second()), "of 60 locations": _large()}
    by: dict[str, int] = {}
    failed: list[str] = []
    for name, good in files.items():
        found = _looked(good)
        if isinstance(found, str) or not found.holds:
            failed.append(f"{name}: does not hold before it is changed")
        for place, changed in flips(good, times, seed):
            refused = refused_by(changed)
            if refused is None:
                around = good[max(0, place - _SHOWN) : place + _SHOWN]
                failed.append(f"{name}: byte {place}, {good[place]:#04x} to {changed[place]:#04x}, in {around!r}")
            else:
                by[refused] = by.get(refused, 0) + 1
    return {
        "name": "single bytes flipped",
        "what": f"{times} random bytes of each of {len(files)} signed certificates, one at a time",
        "times": times,
        "sizes": {name: len(good) for name, good in files.items()},
        "refused": sum(by.values()),
        "by": by,
        "lost": [],
        "half_visible": [],
        "failed": failed,
    }


def flips(good: bytes, times: int, seed: int) -> Iterator[tuple[int, bytes]]:
    """Yield *times* copies of *good* with one byte changed, each with the place of it."""
    rng = random.Random(seed)  # noqa: S311 - places, not secrets; the seed makes a failure repeatable
    for _ in range(times):
        place = rng.randrange(len(good))
        copy = bytearray(good)
        copy[place] ^= rng.randrange(1, 256)
        yield place, bytes(copy)


def spread_flips(good: bytes, times: int, seed: int) -> Iterator[tuple[int, bytes]]:
    """Yield about *times* copies of *good* with one byte changed, spread so that every part of the file is met.

    The parts are what lies between the signatures' values and the ends of what each added. Each is cut into stretches of
    one length, three at least, and one byte of each stretch is changed.
    """
    rng = random.Random(seed)  # noqa: S311 - places, as in flips
    ends = [found.end() for found in re.finditer(rb"%%EOF\n?", good)]
    cuts = sorted({0, len(good), *ends, *(at for frame in frames_of(good) for at in (frame.gap, frame.after))})
    for low, high in pairwise(cuts):
        stretches = max(3, round(times * (high - low) / len(good)))
        for n in range(stretches):
            begin, end = (low + (high - low) * at // stretches for at in (n, n + 1))
            if begin < end:
                place = rng.randrange(begin, end)
                copy = bytearray(good)
                copy[place] ^= rng.randrange(1, 256)
                yield place, bytes(copy)


def refused_by(pdf: bytes) -> str | None:
    """Return what refuses *pdf* first, to a reader who trusts everybody who signed; None where nothing does."""
    found = _looked(pdf)
    if isinstance(found, str):
        return found
    return next((p.name for p in found.parts if p.verdict is Verdict.FAIL), None)


def _looked(pdf: bytes) -> VerificationReport | str:
    try:
        return verify(pdf, {identity().key_sha256, second().key_sha256})
    except IntegrityFailed:
        return "the file"


def _large() -> bytes:
    of = evidence(job([f"place {n}" for n in range(60)]), shown=figures(60, 3))
    return approved(signed(drafted(of).pdf), second())


if __name__ == "__main__":
    print(json.dumps(campaign(int(sys.argv[1]) if len(sys.argv) > 1 else 200), indent=1))

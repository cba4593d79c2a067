"""Certificates of 12 locations × 5 readings and of 60 × 15: laid out, signed, checked, by the hundred.

The floors are measured in the same run, ours and floor in turn: WeasyPrint and pyHanko with nothing of ours
around them, and the same page drawn directly with reportlab, which neither tags nor embeds nor signs.
All of it happens in one thread, so processor time is what an idle machine's clock would show.
"""

from __future__ import annotations

import gc
import statistics
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from multiprocessing import get_context
from typing import Any, Final

from bench import bare, cold_certificate
from bench.certificate_cases import Size, evidence_of
from bench.direct_drawing import draw, recipe_of
from report.assessing import judge
from report.certificate import draft
from report.pdf import render
from report.verifying import verify
from tests.report import scenario
from tests.report.made import approved, identity, parts, second, signed

SIZES: Final[dict[Size, int]] = {(12, 5): 9, (60, 15): 3}
_BATCH: Final = 16
_BATCHES: Final = 3
_COLD: Final = 3


def rows() -> list[dict[str, Any]]:
    """Return the rows of all that is measured here, medians."""
    found = [row for size, runs in SIZES.items() for row in _of_size(size, runs)]
    found += [_by_workers()]
    return found + _cold()


def _of_size(size: Size, runs: int) -> list[dict[str, Any]]:
    of, facts = evidence_of(size), scenario.facts(key_sha256=identity().key_sha256)
    assessment = judge(of)
    made = draft(of, assessment, facts)
    inside, html = parts(of)
    bare_pdf = bare.render(html, inside, facts.issued_at)
    recipe = recipe_of(html)
    pages = made.pdf.pages
    released = signed(made.pdf)
    twice = approved(released, second())
    known = {identity().key_sha256, second().key_sha256}
    if not verify(twice, known).holds:
        raise RuntimeError("the certificate that the bench has signed twice does not verify")
    times = _alternated(
        {
            "render": partial(render, html, inside, facts.issued_at),
            "bare render": partial(bare.render, html, inside, facts.issued_at),
            "sign": partial(signed, made.pdf),
            "bare sign": partial(bare.sign, made.pdf.content, made.pdf.place, identity(), has_field=True),
            "whole": lambda: signed(draft(of, judge(of), facts).pdf),
            "reportlab": partial(draw, recipe, pages),
            "both signatures": lambda: approved(signed(made.pdf), second()),
            "verify": partial(verify, twice, known),
        },
        runs,
    )
    name = f"{size[0]} × {size[1]}"
    drawn = draw(recipe, pages)[1]
    return [
        _row(f"{name} laid out, CPU ms; floor: WeasyPrint alone, same HTML, warm", times, "bare render", "render", "at most 1.1 x"),
        _row(f"{name} signed, CPU ms; floor: pyHanko alone", times, "bare sign", "sign", "at most 1.2 x"),
        _row(f"{name} judged to signed, {pages} pages, CPU ms; floor: reportlab, {drawn} pages", times, "reportlab", "whole", "at most 15 x"),
        _row(f"{name} verified, two signatures, CPU ms; floor: signing it twice", times, "both signatures", "verify", "at most 10 x"),
        _line(f"{name} signed, KB; floor: WeasyPrint and pyHanko alone", len(bare.sign(bare_pdf, made.pdf.place, identity())) / 1000, len(released) / 1000, "reported"),
    ]  # fmt: skip


def _alternated(work: dict[str, Callable[[], Any]], runs: int) -> dict[str, float]:
    """Return medians of processor time, in ms: on a busy machine wall time would flatter whatever is short."""
    taken: dict[str, list[float]] = {name: [] for name in work}
    for run in range(runs + 1):
        for name, do in work.items():
            gc.collect()  # what the one before left is not this one's to clear away
            start = time.process_time()
            do()
            if run:  # the first warms up
                taken[name].append((time.process_time() - start) * 1000)
    return {name: statistics.median(values) for name, values in taken.items()}


def _by_workers() -> dict[str, Any]:
    """Return certificates per minute by two processes against one, each warm."""
    per_minute: dict[int, list[float]] = {1: [], 2: []}
    context = get_context("spawn")
    with (
        ProcessPoolExecutor(1, context, initializer=one_certificate) as alone,
        ProcessPoolExecutor(2, context, initializer=one_certificate) as both,
    ):
        for pool, workers in ((alone, 1), (both, 2)):
            list(pool.map(one_certificate, range(2 * workers)))
        for _ in range(_BATCHES):
            for pool, workers in ((alone, 1), (both, 2)):
                start = time.perf_counter()
                list(pool.map(one_certificate, range(_BATCH)))
                per_minute[workers].append(60 * _BATCH / (time.perf_counter() - start))
    one, two = (statistics.median(per_minute[workers]) for workers in (1, 2))
    return _line("12 × 5 per minute by 2 worker processes; floor: by 1", one, two, "at least 1.8 x")


def one_certificate(number: int = 0) -> int:
    """Make one certificate from its evidence and return its length in bytes, as a worker process does."""
    of = evidence_of((12, 5))
    facts = scenario.facts(number=f"MLP-{number}", key_sha256=identity().key_sha256)
    return len(signed(draft(of, judge(of), facts).pdf))


def _cold() -> list[dict[str, Any]]:
    """Return the time of a first certificate, and the peak memory of a process that makes one."""
    found = []
    for size, runs in zip(SIZES, (_COLD, 1), strict=True):
        html = parts(evidence_of(size))[1]
        ours, floor = [], []
        for _ in range(runs):
            ours.append(cold_certificate.measured("ours", size))
            floor.append(cold_certificate.measured("bare", size, html))
        name = f"{size[0]} × {size[1]}"
        (ours_ms, ours_mb), (floor_ms, floor_mb) = (
            [statistics.median(values) for values in zip(*measured, strict=True)] for measured in (ours, floor)
        )
        found += [
            _line(f"{name} by a process just begun, ms; floor: WeasyPrint and pyHanko alone", floor_ms, ours_ms, "reported"),
            _line(f"{name} peak memory of a process, MB; floor: WeasyPrint and pyHanko alone", floor_mb, ours_mb, "reported"),
        ]  # fmt: skip
    return found


def _row(name: str, times: dict[str, float], floor: str, ours: str, aim: str) -> dict[str, Any]:
    return _line(name, times[floor], times[ours], aim)


def _line(name: str, floor: float, ours: float, aim: str) -> dict[str, Any]:
    return {
        "name": name,
        "floor": round(floor, 1),
        "ours": round(ours, 1),
        "ratio": round(ours / floor, 2),
        "aim": aim,
    }

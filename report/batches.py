"""Many certificates at once: laid out by worker processes, signed and registered one after the other.

Nearly all of the time goes into laying out pages, so that is what the workers do; the key never leaves the
process that opened it. What was issued stands as it is: whatever ends a batch, the same command again
does the rest.
"""

from __future__ import annotations

import multiprocessing
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final

from archive.shop_folder import ShopFolder
from archive.store import Archive
from report.assessing import judge
from report.certificate import draft
from report.evidence import Evidence, IssueFacts
from report.identities import Identity
from report.issuing import Issued, Prepared, Wish, prepare, register, release, with_key
from report.page_look import PageLook
from report.pdf import UnsignedPdf
from schemas.certificates import Certificate
from schemas.errors import BadInput, FilmtallyError
from schemas.inspections import Inspection

#: So many certificates are given out per worker: enough that none waits, few enough that none is made long before it is issued.
_AHEAD: Final = 2


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one inspection of a batch: one of the three is there.

    Attributes:
        inspection: The inspection.
        issued: The certificate that was issued for it.
        before: The certificate that it had already; nothing was done.
        refused: Why it has none.
    """

    inspection: Inspection
    issued: Issued | None = None
    before: Certificate | None = None
    refused: FilmtallyError | None = None


def issue_many(
    folder: ShopFolder,
    archive: Archive,
    wanted: Sequence[tuple[Inspection, Wish]],
    identity: Callable[[], Identity],
    now: Callable[[], datetime],
    workers: int,
    done: Callable[[Outcome], None],
) -> list[Outcome]:
    """Certify every inspection that can be, and return what became of each, in the order wanted.

    Everything that needs no key is looked at first, so that what is refused is refused before anything is issued.

    Args:
        folder: The shop's folder.
        archive: Its archive.
        wanted: The inspections, each with what is asked for.
        identity: Opens the key; asked once, and only where there is something to sign.
        now: The clock.
        workers: How many processes lay out pages.
        done: Told each outcome as soon as it is known.

    Raises:
        BadInput: The key does not open or hold; nothing was issued.
    """
    outcomes: dict[str, Outcome] = {}

    def tell(outcome: Outcome) -> None:
        outcomes[outcome.inspection.inspection_id] = outcome
        done(outcome)

    ready: list[Prepared] = []
    for inspection, wish in wanted:
        before = certified(archive, inspection)
        if before is not None and wish.why is None:
            tell(Outcome(inspection, before=before))
            continue
        try:
            ready.append(prepare(folder, archive, inspection, wish, now()))
        except FilmtallyError as refused:
            tell(Outcome(inspection, refused=refused))
    if ready:
        opened = identity()
        for outcome in _issued(folder, archive, ready, opened, now, workers):
            tell(outcome)
    return [outcomes[inspection.inspection_id] for inspection, _ in wanted]


def certified(archive: Archive, inspection: Inspection) -> Certificate | None:
    """Return the newest certificate of just this revision of *inspection*, or None."""
    found = [c for c in archive.certificates(inspection.inspection_id) if c.inspection_revision == inspection.revision]
    return max(found, key=lambda c: c.revision, default=None)


def _issued(
    folder: ShopFolder,
    archive: Archive,
    ready: list[Prepared],
    identity: Identity,
    now: Callable[[], datetime],
    workers: int,
) -> Iterator[Outcome]:
    """Yield each outcome as soon as it is known."""
    waiting = list(reversed(ready))
    running: dict[Future[tuple[UnsignedPdf, str | None]], tuple[Prepared, IssueFacts]] = {}
    # Spawned, not forked: the same on every system, and no worker inherits an open key.
    pool = ProcessPoolExecutor(min(workers, len(ready)), mp_context=multiprocessing.get_context("spawn"))
    try:
        while waiting or running:
            while waiting and len(running) < _AHEAD * workers:
                one = waiting.pop()
                at = now()
                stamped = replace(one.facts, issued_at=at.replace(microsecond=at.microsecond // 1000 * 1000))
                facts = with_key(stamped, identity, archive.head())
                try:
                    running[pool.submit(laid_out, one.evidence, facts, one.look, one.html)] = (one, facts)
                except BrokenProcessPool as ended:
                    yield Outcome(one.evidence.inspection, refused=_worker_ended(one.evidence.inspection, ended))
            finished, _ = wait(running, return_when=FIRST_COMPLETED)
            for future in finished:
                one, facts = running.pop(future)
                yield _outcome(folder, archive, one, facts, identity, future)
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


def _outcome(
    folder: ShopFolder,
    archive: Archive,
    one: Prepared,
    facts: IssueFacts,
    identity: Identity,
    future: Future[tuple[UnsignedPdf, str | None]],
) -> Outcome:
    inspection = one.evidence.inspection
    try:
        unsigned, html = future.result()
        return Outcome(
            inspection,
            issued=register(folder, archive, one, facts, release(unsigned, one, facts, identity), html),
        )
    except FilmtallyError as refused:
        return Outcome(inspection, refused=refused)
    except (BrokenProcessPool, MemoryError, OSError) as ended:
        return Outcome(inspection, refused=_worker_ended(inspection, ended))


def _worker_ended(inspection: Inspection, ended: Exception) -> BadInput:
    return BadInput(
        f"inspection {inspection.inspection_id} is not certified: a worker process ended before it was done "
        f"({type(ended).__name__}); the same command again does what is left, --workers 1 needs the least memory"
    )


def laid_out(evidence: Evidence, facts: IssueFacts, look: PageLook, html: bool) -> tuple[UnsignedPdf, str | None]:
    """Return the unsigned certificate, with its page where *html* asks for it; runs in a worker process."""
    made = draft(evidence, judge(evidence), facts, look)
    return made.pdf, made.html if html else None

"""Many certificates at once: laid out by worker processes, signed and registered one after the other.

Nearly all of the time goes into laying out pages, so that is what the workers do; the key never leaves the
process that opened it. What was issued stands as it is: whatever ends a batch, the same command again
does the rest.
"""

from __future__ import annotations

import multiprocessing
import signal
from collections import deque
from collections.abc import Callable, Generator, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from archive.shop_folder import ShopFolder
from archive.store import Archive
from report.evidence import IssueFacts
from report.identities import Identity
from report.issuing import Issued, Prepared, Wish, prepare, register, release, with_key
from report.laying_out import LaidOut, begin_work, laid_out
from schemas.certificates import Certificate
from schemas.errors import BadInput, FilmtallyError
from schemas.inspections import Inspection

#: More processes than that, Windows does not wait for at once.
MOST_WORKERS: Final = 61
#: So many certificates are given out per worker: enough that none waits, few enough that the memory is bounded and none
#: is made long before it is issued.
_AHEAD: Final = 2
#: So many workers that end one after the other, each on another certificate, are no fault of the certificates.
_MOST_ENDED: Final = 3


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one inspection of a batch: one of the three is there.

    Attributes:
        inspection: The inspection.
        issued: The certificate that was issued for it.
        before: The certificate that it had already; nothing was done.
        refused: Why it has none; where it is a defect of this program, that is its cause.
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

    Everything that needs no key is looked at first, so that what is refused is refused before anything is issued. It
    is looked at again when its turn comes: nothing is kept of a hundred others meanwhile.

    Args:
        folder: The shop's folder.
        archive: Its archive.
        wanted: The inspections, each once, with what is asked for.
        identity: Opens the key; asked once, and only where there is something to sign.
        now: The clock.
        workers: How many processes lay out pages, from 1 to :data:`MOST_WORKERS`.
        done: Told each outcome as soon as it is known.

    Raises:
        BadInput: The key does not open or hold; nothing was issued.
    """
    outcomes: dict[str, Outcome] = {}

    def tell(outcome: Outcome) -> None:
        outcomes[outcome.inspection.inspection_id] = outcome
        done(outcome)

    left: list[tuple[Inspection, Wish]] = []
    for inspection, wish in wanted:
        looked = _looked_at(folder, archive, inspection, wish, now())
        if isinstance(looked, Outcome):
            tell(looked)
        else:
            left.append((inspection, wish))
    if left:
        opened = identity()
        for outcome in _Batch(folder, archive, opened, now, min(workers, len(left))).issued(left):
            tell(outcome)
    return [outcomes[inspection.inspection_id] for inspection, _ in wanted]


def certified(archive: Archive, inspection: Inspection) -> Certificate | None:
    """Return the newest certificate of just this revision of *inspection*, or None."""
    found = [c for c in archive.certificates(inspection.inspection_id) if c.inspection_revision == inspection.revision]
    return max(found, key=lambda c: c.revision, default=None)


def done_before(archive: Archive, inspection: Inspection, wish: Wish) -> Certificate | None:
    """Return the certificate that *wish* asks for where it was issued already, or None.

    A new revision is asked for by its reason: where the newest has just that one, the same batch was run before.
    """
    newest = certified(archive, inspection)
    if newest is None or (wish.why is not None and newest.superseded_why != wish.why):
        return None
    return newest


def _looked_at(
    folder: ShopFolder, archive: Archive, inspection: Inspection, wish: Wish, now: datetime
) -> Outcome | Prepared:
    """Return what is ready to be laid out, or what became of it already."""
    try:
        before = done_before(archive, inspection, wish)
        if before is not None:
            return Outcome(inspection, before=before)
        _refuse_idle_reason(archive, inspection, wish)
        return prepare(folder, archive, inspection, wish, now)
    except FilmtallyError as refused:
        return Outcome(inspection, refused=refused)
    except Exception as wrong:
        return Outcome(inspection, refused=_defect(inspection, wrong))


def _refuse_idle_reason(archive: Archive, inspection: Inspection, wish: Wish) -> None:
    """Refuse a reason where nothing is superseded: a second run of the same command would issue a second one."""
    if wish.why is not None and not archive.certificates(inspection.inspection_id):
        raise BadInput(
            f"inspection {inspection.inspection_id} is not certified: it has no certificate yet that a new revision could "
            "supersede; leave the reason out"
        )


@dataclass(slots=True)
class _Out:
    """A certificate that a worker lays out."""

    inspection: Inspection
    wish: Wish
    ready: Prepared
    facts: IssueFacts


class _Batch:
    """The certificates that are being laid out, signed and registered."""

    def __init__(
        self, folder: ShopFolder, archive: Archive, identity: Identity, now: Callable[[], datetime], workers: int
    ) -> None:
        self._folder, self._archive, self._identity, self._now = folder, archive, identity, now
        self._workers = workers
        self._running: dict[Future[LaidOut], _Out] = {}
        # Those that were out when a worker ended. One of them was its end; laid out alone, it shows itself.
        self._suspects: deque[tuple[Inspection, Wish]] = deque()
        self._alone = False
        self._ended = 0

    def issued(self, left: Sequence[tuple[Inspection, Wish]]) -> Iterator[Outcome]:
        """Yield what becomes of each of *left*, as soon as it is known."""
        waiting = deque(left)
        pool = _pool(self._workers)
        try:
            while waiting or self._suspects or self._running:
                if self._ended >= _MOST_ENDED:
                    yield from (_not_tried(inspection) for inspection, _ in (*self._suspects, *waiting))
                    return
                broken = yield from self._give_out(pool, waiting)
                if not broken and self._running:
                    finished, _ = wait(self._running, return_when=FIRST_COMPLETED)
                    broken = any(isinstance(f.exception(), BrokenProcessPool) for f in finished)
                    if not broken:
                        yield from [self._outcome(future, self._running.pop(future)) for future in finished]
                if broken:
                    yield from self._sorted_out()
                    pool.shutdown(wait=True, cancel_futures=True)
                    pool = _pool(self._workers)
        finally:
            pool.shutdown(wait=True, cancel_futures=True)

    def _give_out(
        self, pool: ProcessPoolExecutor, waiting: deque[tuple[Inspection, Wish]]
    ) -> Generator[Outcome, None, bool]:
        """Hand out as many as the workers need; yield what needs none, and return whether the pool is broken."""
        if not self._running:
            self._alone = bool(self._suspects)
        source = self._suspects if self._alone else waiting
        most = 1 if self._alone else _AHEAD * self._workers
        while source and len(self._running) < most:
            inspection, wish = source[0]
            at = self._now()
            looked = _looked_at(self._folder, self._archive, inspection, wish, at)
            if isinstance(looked, Outcome):
                source.popleft()
                yield looked
                continue
            facts = with_key(looked.facts, self._identity, self._archive.head())
            try:
                with _interrupt_held():
                    future = pool.submit(laid_out, looked.evidence, facts, looked.look, looked.html)
            except BrokenProcessPool:
                return True
            source.popleft()
            self._running[future] = _Out(inspection, wish, looked, facts)
        return False

    def _sorted_out(self) -> Iterator[Outcome]:
        """After a worker ended: yield what was done, name the one that was alone, lay out the others one by one."""
        wait(self._running)
        out, self._running = self._running, {}
        ended = []
        for future, one in out.items():
            if isinstance(future.exception(), BrokenProcessPool):
                ended.append(one)
            else:
                yield self._outcome(future, one)
        if len(ended) <= 1:
            self._ended += 1
        if len(ended) == 1:
            yield Outcome(ended[0].inspection, refused=_worker_ended(ended[0].inspection))
        else:
            self._suspects.extend((one.inspection, one.wish) for one in ended)

    def _outcome(self, future: Future[LaidOut], one: _Out) -> Outcome:
        try:
            laid = future.result()
            signed = release(laid.pdf, one.ready, one.facts, self._identity)
            issued = register(self._folder, self._archive, one.ready, one.facts, signed, laid)
        except FilmtallyError as refused:
            # Another batch may have been faster, and then all is well.
            before = done_before(self._archive, one.inspection, one.wish)
            return Outcome(one.inspection, before=before, refused=refused if before is None else None)
        except Exception as wrong:
            return Outcome(one.inspection, refused=_defect(one.inspection, wrong))
        self._ended = 0
        return Outcome(one.inspection, issued=issued)


# the workers


def _pool(workers: int) -> ProcessPoolExecutor:
    # Spawned, not forked: the same on every system, and no worker inherits an open key.
    context = multiprocessing.get_context("spawn")
    return ProcessPoolExecutor(workers, mp_context=context, initializer=begin_work)


@contextmanager
def _interrupt_held() -> Iterator[None]:
    """Hold back an interrupt while a worker starts: what it inherits so, it is never disturbed by; Windows has no such."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


# what is told of one that failed


def _worker_ended(inspection: Inspection) -> BadInput:
    return BadInput(
        f"inspection {inspection.inspection_id} is not certified: the worker process that laid it out ended before it was "
        "done, perhaps for want of memory; the same command again does what is left, --workers 1 needs the least memory"
    )


def _not_tried(inspection: Inspection) -> Outcome:
    return Outcome(
        inspection,
        refused=BadInput(
            f"inspection {inspection.inspection_id} is not certified: it was not tried any more, since {_MOST_ENDED} worker "
            "processes in a row ended before they were done; look at the memory of this machine, then repeat"
        ),
    )


def _defect(inspection: Inspection, wrong: Exception) -> BadInput:
    first = (str(wrong).splitlines() or [""])[0]
    refused = BadInput(
        f"inspection {inspection.inspection_id} is not certified: a defect of this program ({type(wrong).__name__}: {first}); "
        "report it with what stands above, the other certificates are not held up by it"
    )
    refused.__cause__ = wrong
    return refused

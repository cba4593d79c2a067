"""Hands that work elsewhere: processes of this machine, or machines behind a scheduler, by Dask's distributed.

distributed is an optional package and imported only here, when it is asked for. A worker that dies is replaced, and what it
worked on is given to another. Whoever reaches a scheduler can have anything run there: it belongs on a closed network.
"""

from __future__ import annotations

import asyncio
import hashlib
import logging
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, TypeVar

from archive.group import Hands, Here
from schemas.errors import BadInput, FilmtallyError

T = TypeVar("T")
R = TypeVar("R")

_ANSWERS_WITHIN_S: Final = 10
_WORKERS_WITHIN_S: Final = 30
_MOST_WORKERS: Final = 256


@contextmanager
def working(workers: int | None = None, scheduler: str | None = None) -> Iterator[Hands]:
    """Give hands: *workers* processes of this machine, those behind *scheduler*, or this process alone.

    Args:
        workers: How many processes to start, with one thread each; they end with the block.
        scheduler: Address of a scheduler that runs already, as tcp://HOST:PORT.

    Raises:
        BadInput: Both are given, distributed is not installed, there is no scheduler, it has no worker, or workers of
            another version.
    """
    if workers is None and scheduler is None:
        yield Here()
        return
    if workers is not None and scheduler is not None:
        raise BadInput("--workers starts workers here and --scheduler goes to others; say one of them")
    if workers is not None and not 1 <= workers <= _MOST_WORKERS:
        raise BadInput(f"--workers {workers}: say a number from 1 to {_MOST_WORKERS}")
    distributed = _distributed()
    # What goes wrong is told in our own words.
    logging.getLogger("distributed").setLevel(logging.CRITICAL)
    if workers is not None:
        with (
            distributed.LocalCluster(
                n_workers=workers,
                threads_per_worker=1,
                processes=True,
                host="127.0.0.1",
                dashboard_address="127.0.0.1:0",  # any free port: the usual one may be another's
                silence_logs=logging.CRITICAL,
            ) as cluster,
            distributed.Client(cluster) as client,
        ):
            yield hands_of(client)
        return
    try:
        # A client that was never connected waits long for its own end, and then shows a traceback: call first.
        asyncio.run(_called(scheduler))
        client = distributed.Client(scheduler, timeout=_ANSWERS_WITHIN_S, set_as_default=False)
    except (OSError, ValueError, ImportError) as wrong:
        said = (str(wrong).splitlines() or [type(wrong).__name__])[0]
        raise BadInput(
            f"--scheduler {scheduler}: no scheduler answers there ({said}); start one with 'dask scheduler', or correct the "
            "address"
        ) from None
    with client:
        try:
            client.wait_for_workers(1, timeout=_WORKERS_WITHIN_S)
        except TimeoutError:
            raise BadInput(
                f"--scheduler {scheduler}: has no worker; start one on each machine with 'dask worker {scheduler}'"
            ) from None
        try:
            theirs = set(client.run(code_sha256).values())
        except (ImportError, AttributeError):
            theirs = set()
        if theirs != {code_sha256()}:
            raise BadInput(
                f"--scheduler {scheduler}: its workers do not have this version of filmtally; install the same on every machine, "
                "with the extra group"
            )
        yield hands_of(client)


async def _called(scheduler: str | None) -> None:
    """Connect to *scheduler* and hang up.

    Raises:
        OSError, ValueError, ImportError: Nobody answers in time, or it is no address.
    """
    distributed = _distributed()
    safely = distributed.Security().get_connection_args("client")
    comm = await distributed.comm.connect(scheduler, timeout=_ANSWERS_WITHIN_S, **safely)
    await comm.close()


def code_sha256() -> str:
    """Return the SHA-256 over the program's modules that work is made of, as hex."""
    digest = hashlib.sha256()
    root = Path(__file__).parents[1]
    for path in sorted(path for folder in ("archive", "schemas") for path in (root / folder).glob("*.py")):
        digest.update(f"{path.name}\n".encode() + path.read_bytes())
    return digest.hexdigest()


def hands_of(client: Any) -> Hands:
    """Return the hands of the workers that *client*, a distributed.Client, knows."""
    known = client.scheduler_info(n_workers=-1)["workers"].values()
    limits = [one["memory_limit"] // max(one["nthreads"], 1) for one in known if one.get("memory_limit")]
    return _Workers(client, sum(one["nthreads"] for one in known), 1, min(limits, default=None))


@dataclass(frozen=True)
class _Workers:
    client: Any
    count: int
    threads: int | None
    memory: int | None

    def each(self, do: Callable[[T], R], work: Sequence[T]) -> Iterator[R]:
        """Yield what *do* makes of each of *work*, as they are done.

        Raises:
            BadInput: Workers end again and again, cannot be reached any more, or do not have this program.
            FilmtallyError: As *do* raises it.
        """
        distributed = _distributed()
        # The same work asked again is done again: a store may have changed.
        futures = self.client.map(do, work, pure=False)
        try:
            for future in distributed.as_completed(futures, loop=self.client.loop):
                yield future.result()
        except FilmtallyError:
            raise
        except distributed.KilledWorker:
            raise BadInput(
                "workers ended again and again at the same months; give them more memory, or ask about fewer readings"
            ) from None
        except ImportError as wrong:
            raise BadInput(
                f"the workers do not have what they need ({wrong}); install this version of filmtally with the extra group on "
                "every machine"
            ) from None
        except (OSError, distributed.CancelledError) as wrong:
            said = (str(wrong).splitlines() or [type(wrong).__name__])[0]
            raise BadInput(f"the workers cannot be reached any more ({said}); ask again") from None
        finally:
            self.client.cancel(futures)


def _distributed() -> Any:
    try:
        import distributed
    except ImportError:
        raise BadInput(
            "workers need the package distributed, which is not installed; install it with pip install 'filmtally[group]'"
        ) from None
    return distributed

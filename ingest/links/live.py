"""What every live link is to those who use it: started with a stream, asked to send, closed."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol, runtime_checkable

from ingest.links.item import Origin
from ingest.links.stream import Stream


class LinkDown(Exception):
    """Nothing can be sent: the link is not up. The message is a sentence for the inspector."""


class LiveLink(Protocol):
    """A link that runs on a thread of its own and puts its items into a stream.

    It never raises into its user: what goes wrong is a DOWN item with a note, and it tries again, waiting longer each time.
    """

    @property
    def name(self) -> str:
        """Return scheme and address, as Item.link has it."""
        ...

    def start(self, stream: Stream) -> None:
        """Begin: items go into *stream* until close()."""
        ...

    def send(self, data: bytes) -> None:
        """Send *data* to the device.

        Raises:
            LinkDown: The link is not up, or cannot send.
        """
        ...

    def close(self) -> None:
        """Stop, let go of the device, and return once the thread has ended. A second close does nothing."""
        ...


@dataclass(frozen=True, slots=True)
class FileSeen:
    """A file that a link has read.

    Attributes:
        path: Where it is, or was.
        taken: How far its lines were put into the stream, with the hash of the bytes up to there.
        not_taken: Why nothing was taken from it; empty where lines were.
    """

    path: Path
    taken: Origin
    not_taken: str = ""


@runtime_checkable
class ReadsFiles(Protocol):
    """What a link that reads files can do beside: go on after a kill, and say which files it has read."""

    def resume(self, taken: Mapping[str, Origin], there_before: Iterable[Origin] = ()) -> None:
        """Go on behind what was taken; called before start(), and only where an UP of the link is on disk.

        Args:
            taken: By name of the file, the last Item.origin that is on disk, whatever the item's kind.
            there_before: Item.there_before of the UP that is on disk. A file that neither names is new.
        """
        ...

    def files(self) -> tuple[FileSeen, ...]:
        """Return the files read since the start, in the order they were first read, so that they can be kept."""
        ...

"""What the archive's check finds: one thing that is not as it was committed, and one commit's place in its chain."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from archive.ledger import Record

Kind = Literal["missing", "changed", "unexpected", "leftover", "fork", "removed"]


@dataclass(frozen=True)
class Trouble:
    """One thing that is not as it was committed.

    Attributes:
        path: Where: a file, or the archive's folder.
        kind: missing, changed, unexpected, fork; or leftover or removed (by an order), which are harmless.
        sentence: What a person is told: what, where, what to do.
    """

    path: Path
    kind: Kind
    sentence: str

    @property
    def harmless(self) -> bool:
        """Return whether the archive is whole all the same."""
        return self.kind in ("leftover", "removed")


@dataclass(frozen=True, slots=True)
class Link:
    """A commit in a bench's chain.

    Attributes:
        path: The file that holds it.
        where: Where it lies, for a sentence.
        record: Its record.
        hash: The record's hash.
    """

    path: Path
    where: str
    record: Record
    hash: str

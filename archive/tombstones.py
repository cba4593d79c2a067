"""What a tombstone stands for: the name, the record's place in its chain, the last commit of a bench that is no more; and
what a person is told of it. Pure."""

from __future__ import annotations

from collections.abc import Iterable

from archive.layout import CommitName
from archive.ledger import Record
from schemas.tombstones import Tombstone


def name_of(tombstone: Tombstone) -> CommitName:
    """Return the name of the commit under *tombstone*."""
    return CommitName(tombstone.named_at, tombstone.bench, tombstone.seq, tombstone.key, tombstone.revision)


def record_under(tombstone: Tombstone) -> Record:
    """Return what is known of the record of the commit under *tombstone*: its place in the chain, and no facts.

    Its hash is tombstone.record_hash, and not that of this record's text.
    """
    return Record(
        table=tombstone.removed_table,
        table_version=1,
        key=tombstone.key,
        revision=tombstone.revision,
        bench=tombstone.bench,
        seq=tombstone.seq,
        committed_at=tombstone.named_at,
        named_at=tombstone.named_at,
        previous=tombstone.previous,
        content_sha256=tombstone.content_sha256,
        rows=tombstone.rows,
    )


def last_under(tombstones: Iterable[Tombstone]) -> dict[str, Tombstone]:
    """Return of each bench the tombstone of the last of its commits that were removed."""
    last: dict[str, Tombstone] = {}
    for one in tombstones:
        if one.bench not in last or one.seq > last[one.bench].seq:
            last[one.bench] = one
    return last


def removed_words(tombstone: Tombstone) -> str:
    """Return what a person is told of a removal: when it was ordered (UTC), by whom, and why."""
    return f"removed on {tombstone.removed_at:%Y-%m-%d} by {tombstone.by} ({tombstone.reason})"

"""What happens while an inspection is taken live, as records of its journal. See ingest/open_inspection.py for their kinds."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from ingest.framing import Frame
from ingest.links.item import Item, Kind, Origin


def item_record(item: Item) -> dict[str, Any]:
    """Return *item* as a journal keeps it: what is not said is left out."""
    record: dict[str, Any] = {
        "kind": "item",
        "at": item.at.isoformat(),
        "what": item.kind.value,
        "link": item.link,
        "seq": item.seq,
        "mono_ns": item.mono_ns,
    }
    if item.frame is not None:
        record["bytes"] = item.frame.data.hex()
        if item.frame.overlong:
            record["length"] = item.frame.length
        if not item.frame.ended:
            record["ended"] = False
    if item.note:
        record["note"] = item.note
    if item.doubled:
        record["doubled"] = True
    if item.about:
        record["about"] = dict(item.about)
    if item.origin is not None:
        record["origin"] = _plain(item.origin)
    if item.taken_at is not None:
        record["taken_at"] = item.taken_at.isoformat()
    if item.there_before:
        record["there_before"] = [_plain(origin) for origin in item.there_before]
    return record


def _plain(origin: Origin) -> list[Any]:
    return [origin.name, origin.end, origin.sha256]


def item_of(record: dict[str, Any]) -> Item:
    """Return the item that :func:`item_record` wrote."""
    frame = None
    if "bytes" in record:
        data = bytes.fromhex(record["bytes"])
        frame = Frame(data, record.get("length", len(data)), record.get("ended", True))
    return Item(
        kind=Kind(record["what"]),
        link=record["link"],
        seq=record["seq"],
        at=datetime.fromisoformat(record["at"]),
        mono_ns=record["mono_ns"],
        frame=frame,
        note=record.get("note", ""),
        doubled=record.get("doubled", False),
        about=record.get("about", {}),
        origin=Origin(*record["origin"]) if "origin" in record else None,
        taken_at=datetime.fromisoformat(record["taken_at"]) if "taken_at" in record else None,
        there_before=tuple(Origin(*origin) for origin in record.get("there_before", ())),
    )

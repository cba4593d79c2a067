"""Which inspections are open in a shop folder, and what each holds: facts as values, looked at without a lock."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from archive.shop_folder import ShopFolder
from ingest.facts import InspectionFacts
from ingest.journal import SUFFIX, first_record, is_held
from ingest.open_inspection import OpenInspection, open_ids
from schemas.errors import FilmtallyError


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenSeen:
    """One open inspection, as its journal tells at this moment.

    Attributes:
        begun_at: When it began, aware; None where the journal does not say.
        last_at: When its last line came; None where none has or none says.
        inspector: The inspector's code.
        counted: Readings taken that count.
        planned: Readings that the job plans for all pieces.
        missing: How many of them are still to be taken; what was skipped is none.
        held: Whether a process takes it right now.
        fault: Why it cannot be gone on with, one sentence; None where it can. Then the texts may be empty.
    """

    inspection_id: str
    job: str = ""
    title: str = ""
    lot: str = ""
    work_order: str | None = None
    begun_at: datetime | None = None
    last_at: datetime | None = None
    inspector: str = ""
    gauge: str = ""
    counted: int = 0
    planned: int = 0
    missing: int = 0
    held: bool = False
    fault: str | None = None

    def to_json(self) -> dict[str, Any]:
        """Return the same for an answer in JSON."""
        return {
            "inspection_id": self.inspection_id,
            "job": self.job or None,
            "title": self.title or None,
            "lot": self.lot or None,
            "work_order": self.work_order,
            "begun_at": self.begun_at.isoformat() if self.begun_at else None,
            "last_at": self.last_at.isoformat() if self.last_at else None,
            "inspector": self.inspector or None,
            "gauge": self.gauge or None,
            "readings_counted": self.counted,
            "readings_planned": self.planned,
            "readings_missing": self.missing,
            "held": self.held,
            "fault": self.fault,
        }


def open_inspections(folder: ShopFolder, now: datetime) -> tuple[OpenSeen, ...]:
    """Return the open inspections of *folder*, oldest first; what is sealed while we look is left out.

    Args:
        folder: The shop folder.
        now: Time, aware.
    """
    seen = (_seen(folder, inspection_id, now) for inspection_id in open_ids(folder))
    never = datetime.max.replace(tzinfo=UTC)
    # Two that began within one second are named by chance.
    return tuple(sorted((one for one in seen if one is not None), key=lambda one: one.begun_at or never))


def _seen(folder: ShopFolder, inspection_id: str, now: datetime) -> OpenSeen | None:
    path = folder.journals / f"{inspection_id}{SUFFIX}"
    try:
        with OpenInspection(folder, inspection_id, now, looking=True) as inspection:
            facts, taking, records = inspection.facts, inspection.taking, inspection.journal.content.records
    except (FilmtallyError, FileNotFoundError) as wrong:
        if not path.is_file():
            return None
        sentence = wrong.sentence if isinstance(wrong, FilmtallyError) else f"{path}: cannot be read; try again"
        return OpenSeen(inspection_id=inspection_id, held=is_held(path), fault=sentence, **_begun(path))
    return OpenSeen(
        inspection_id=inspection_id,
        counted=taking.counted,
        missing=sum(lacking for _, _, lacking in taking.missing()),
        last_at=_moment(next((r.get("at") for r in reversed(records[1:]) if r.get("at")), None)),
        held=is_held(path),
        **_facts_shown(facts, records[0].get("at")),
    )


def _begun(path: Path) -> dict[str, Any]:
    """Return what the first record tells where the rest cannot be replayed."""
    try:
        record = first_record(path) or {}
        return _facts_shown(InspectionFacts.from_record(record["facts"]), record.get("at"))
    except (FilmtallyError, OSError, LookupError, ValueError):
        return {}


def _facts_shown(facts: InspectionFacts, begun_at: str | None) -> dict[str, Any]:
    return {
        "job": facts.job_name,
        "title": facts.job.title,
        "lot": facts.lot,
        "work_order": facts.work_order,
        "begun_at": _moment(begun_at),
        "inspector": facts.inspector,
        "gauge": facts.gauge_serial,
        "planned": len(facts.pieces) * sum(place.planned for place in facts.job.location),
    }


def _moment(text: str | None) -> datetime | None:
    return datetime.fromisoformat(text) if text else None

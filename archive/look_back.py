"""Which inspections and certificates a look-back has to open: those of a gauge, a mode and a time, and no others."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from archive.layout import id_time, month_of
from archive.query import ask
from archive.questions import affected
from archive.store import Archive
from schemas.certificates import Certificate
from schemas.inspections import Inspection


@dataclass(frozen=True, slots=True)
class Period:
    """A time of one gauge in one mode, UTC, both ends included; None where it has no such end."""

    gauge_serial: str
    probe_mode: str
    start: datetime | None
    end: datetime | None


def candidates(
    archive: Archive, periods: Iterable[Period], since: datetime | None
) -> tuple[list[Inspection], list[Certificate]]:
    """Return every revision of an inspection with readings in one of *periods*, and what was issued for it.

    The valid revision of each is among them, whatever it holds. Certificates are in every revision.

    Args:
        archive: Where they are.
        periods: When readings were taken.
        since: Nothing that matters was committed before; None where that is not known.

    Raises:
        IntegrityFailed: A file is not whole, or two files hold the same revision of an inspection.
        BadInput: The archive may not be read.
    """
    from_month = "" if since is None else month_of(since)
    # A dict, to keep them in the order in which their first reading was taken.
    held: dict[str, set[int]] = {}
    for period in periods:
        question = affected(period.gauge_serial, period.probe_mode, period.start, period.end, every_revision=True)
        for row in ask(archive.root, question, from_month):
            held.setdefault(row.inspection_id, set()).add(row.revision)
    inspections = []
    for inspection_id, revisions in held.items():
        valid = archive.inspection(inspection_id)
        earlier = sorted(revisions - {valid.revision})
        inspections += [*(archive.inspection(inspection_id, revision) for revision in earlier), valid]
    if not held:
        return [], []
    started = [id_time(inspection_id) for inspection_id in held]
    known = [moment for moment in started if moment is not None]
    issued = archive.certificates(since=min(known) if len(known) == len(started) else None)
    return inspections, [certificate for certificate in issued if certificate.inspection_id in held]

"""What the shop's own archive says about a part: how far its film builds spread, and what a second coat added."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from decimal import Decimal
from fractions import Fraction

from archive.index import ListedInspection
from archive.store import Archive
from rules.conformity import by_piece_and_location, judged_builds
from rules.places import PieceLocation
from rules.statistics import mean, standard_deviation
from schemas.inspections import Inspection
from schemas.job import Job


def spreads(archive: Archive, job: Job) -> dict[str, tuple[Decimal, int]]:
    """Return the standard deviation of all builds at each location of *job* so far, in its unit, and their number.

    Over all inspections of this part: what a window has to hold is the spread from lot to lot too. Locations with
    fewer than two readings are left out.
    """
    builds: dict[str, list[Fraction]] = {}
    for inspection in _of_part(archive, job):
        for place in _places(archive, job, inspection):
            builds.setdefault(place.location.name, []).extend(place.builds)
    return {name: (standard_deviation(found), len(found)) for name, found in builds.items() if len(found) > 1}


def recoat_differences(archive: Archive, job: Job, before: str | None = None) -> list[Fraction]:
    """Return by how much the mean at a location of a piece rose with a further coat, in the job's unit.

    Every pair of inspections of one lot of this part, the later one with one coat more. *before*: only inspections
    that began before this one, so that an inspection is never judged by itself.
    """
    by_lot: dict[str, list[ListedInspection]] = {}
    for inspection in archive.listed(part_no=job.part_no):
        if before is None or inspection.inspection_id < before:
            by_lot.setdefault(inspection.lot, []).append(inspection)
    found: list[Fraction] = []
    for inspections in by_lot.values():
        for thin in inspections:
            for thick in inspections:
                if thick.coats == thin.coats + 1 and thick.inspection_id > thin.inspection_id:
                    both = [archive.inspection(one.inspection_id) for one in (thin, thick)]
                    if all(_same_unit(one, job) for one in both):
                        before_and_after = (_places(archive, job, one) for one in both)
                        found.extend(_rises(*before_and_after))
    return found


def _rises(thin: Sequence[PieceLocation], thick: Sequence[PieceLocation]) -> Iterator[Fraction]:
    after = {(place.piece, place.location.name): place.builds for place in thick if place.builds}
    for place in thin:
        builds = after.get((place.piece, place.location.name))
        if place.builds and builds:
            yield mean(builds) - mean(place.builds)


def _of_part(archive: Archive, job: Job) -> list[Inspection]:
    return [i for i in archive.chosen(part_no=job.part_no) if _same_unit(i, job)]


def _same_unit(inspection: Inspection, job: Job) -> bool:
    # Another unit would have to be converted, and limits that change unit are another specification.
    return Job.from_json(inspection.job_json).unit == job.unit


def _places(archive: Archive, job: Job, inspection: Inspection) -> tuple[PieceLocation, ...]:
    return by_piece_and_location(job, judged_builds(job, archive.reading_records(inspection.inspection_id)))

"""From the archive to racks that coaching compares: the rack just measured, and earlier ones that are like it.

A rack is what hung together: the inspections of one lot, part, powder and number of coats whose rack has one name. The place on
the rack is a fact of an inspection, so a rack that is measured place by place is several inspections; they are joined here. A
place that comes a second time, or readings more than :data:`LONGEST` apart, belong to the next rack that was hung on the same
frame. An inspection without a rack's name is a rack of its own.

Only counted readings on the whole film are taken, of valid revisions, base metal subtracted as the job's rule does it, and
corrected for the error at verification where the policy corrects. Racks of the same part that had another powder, other places or
another number of coats are counted by rules.coaching and left out, or are not looked at; how many are looked at is bounded.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from fractions import Fraction
from functools import lru_cache
from typing import Final

from archive.index import ListedInspection
from archive.store import Archive
from report.checks_around import found_with_checks
from rules.assessment import GaugeSide, gauge_side
from rules.coaching_racks import Aim, Rack, RackReading
from rules.conformity import judged_builds
from rules.film_build import is_judged
from rules.results import Coverage, GateState
from schemas.errors import BadInput
from schemas.inspections import Inspection
from schemas.job import Job, Location
from schemas.readings import GaugeReading
from schemas.shop import Shop
from schemas.units import Unit, exact_um, from_um
from schemas.vocabulary import VerificationError

#: So many earlier racks are compared with at the most (a choice of ours: two control charts' worth of points).
MOST_RACKS: Final = 50
#: So many earlier inspections of the part are read for them at the most (a choice of ours; it bounds the time).
MOST_READ: Final = 80
#: So many inspections are looked through for a rack by its name.
MOST_SOUGHT: Final = 200
#: Readings further apart are not of one hanging of a rack (a choice of ours; coating and cooling take less).
LONGEST: Final = timedelta(hours=4)
#: Letters of an inspection's number that say when it began, to the second.
_BEGUN: Final = 15
#: What the gate says of readings that coaching may suggest something from.
_SPEAKING: Final = (GateState.COVERED, GateState.OPEN)


#: The same job and shop stand in inspection after inspection.
_job: Final = lru_cache(maxsize=64)(Job.from_json)
_shop: Final = lru_cache(maxsize=64)(Shop.from_json)


@dataclass(frozen=True, slots=True)
class MeasuredRack:
    """A rack with what it was made from.

    Attributes:
        rack: For rules.coaching.
        inspections: The inspections that it was measured as, in the order taken.
        read: The locations that each of them read, in the same order.
        taken: When the first and the last of its readings were taken.
        name: What the shop calls the rack; None where it said nothing.
    """

    rack: Rack
    inspections: tuple[Inspection, ...]
    read: tuple[frozenset[str], ...]
    taken: tuple[datetime, datetime]
    name: str | None


@dataclass(frozen=True, slots=True)
class CoachingCase:
    """All that coaching is given.

    Attributes:
        job: Of the rack, as it was.
        measured: The rack.
        aims: Its locations.
        earlier: Racks of the part before it, oldest first.
        gauge: By location: expanded uncertainty (k = 2) of the gauge alone, in the unit of the job; empty where the gate does not
            let the readings speak.
        gates: What the gate says of each inspection of the rack.
        looked_through: Whether all earlier inspections of the part were looked at, and not only the newest.
    """

    job: Job
    measured: MeasuredRack
    aims: tuple[Aim, ...]
    earlier: tuple[MeasuredRack, ...]
    gauge: dict[str, Fraction]
    gates: tuple[tuple[str, Coverage], ...]
    looked_through: bool

    @property
    def unit(self) -> Unit:
        """Return the unit of all builds."""
        return self.job.unit

    @property
    def state(self) -> GateState:
        """Return the worst that the gate says."""
        return worst_gate(self.gates).state


def worst_gate(gates: Sequence[tuple[str, Coverage]]) -> Coverage:
    """Return what the gate says of the inspection that it says the worst of."""
    order = (GateState.COVERED, GateState.OPEN, GateState.UNCOVERED, GateState.SUSPECT)
    return max((coverage for _, coverage in gates), key=lambda coverage: order.index(coverage.state))


def rack_of(archive: Archive, inspection_id: str, location: str | None = None) -> CoachingCase:
    """Return what coaching is given for the rack that *inspection_id* is of.

    Args:
        archive: The shop's.
        inspection_id: An inspection of the rack.
        location: The only location to look at; None for all.

    Raises:
        BadInput: There is no such inspection or location, or nothing on the rack counts.
        IntegrityFailed: What is read is not whole.
    """
    inspection = archive.inspection(inspection_id)
    job = _job(inspection.job_json)
    beside, before, whole = _around(archive, inspection)
    racks = _racks(archive, [*_newest(before), *beside], job.unit)
    mine = next((one for one in racks if _holds(one, inspection_id)), None)
    if mine is None:
        raise BadInput(
            f"inspection {inspection_id}: no reading of it counts, so there is nothing to coach from; "
            f"see 'filmtally assess {inspection_id}'"
        )
    earlier = [one for one in racks if one.taken[0] < mine.taken[0] and one is not mine]
    return _case(archive, job, mine, earlier, location, looked_through=whole and len(before) <= MOST_READ)


def racks_between(
    archive: Archive,
    part_no: str,
    since: datetime | None,
    until: datetime | None,
    *,
    location: str | None = None,
    powder: str | None = None,
) -> CoachingCase:
    """Return what coaching is given for the newest rack of a part in a period: the others in it are the earlier ones.

    Args:
        archive: The shop's.
        part_no: The part.
        since, until: Taken at this instant or later, and before that one.
        location: The only location to look at; None for all.
        powder: The only powder to look at; None for that of the newest rack.

    Raises:
        BadInput: There is no rack of the part in the period, or no such location.
        IntegrityFailed: What is read is not whole.
    """
    # Sealed after it was taken, so what was sealed before the period is none of it.
    listed = archive.listed(part_no=part_no, since=since)
    listed = [one for one in listed if until is None or one.sealed_at < until + timedelta(days=31)]
    newest = _newest(listed)
    unit = _job(archive.inspection(newest[-1].inspection_id).job_json).unit if newest else Unit.UM
    racks = [
        one
        for one in _racks(archive, newest, unit)
        if (since is None or one.taken[0] >= since)
        and (until is None or one.taken[0] < until)
        and powder in (None, one.rack.powder)
    ]
    if not racks:
        what = "" if powder is None else f" with powder {powder!r}"
        raise BadInput(
            f"part {part_no!r}{what}: no rack of it was measured in that time; 'filmtally history' lists what there is"
        )
    mine = racks[-1]
    coats = mine.inspections[-1].coats
    job = _job(mine.inspections[-1].job_json)
    if job.unit is not unit:
        raise BadInput(f"part {part_no!r}: its specification changed its unit in that time; name a shorter time")
    earlier = [one for one in racks[:-1] if one.inspections[-1].coats == coats]
    return _case(archive, job, mine, earlier, location, looked_through=len(listed) <= MOST_READ)


def newest_inspection(archive: Archive, now: datetime, rack: str | None = None) -> str:
    """Return the number of the inspection that was sealed last, or of the last one of the rack called *rack*.

    The order is that of history: of sealing, and in one moment that of the commits. An inspection's number says when it was
    begun, and one that was begun earlier may be sealed later. Looks back further and further, so that a large archive is not listed for its last line.

    Raises:
        BadInput: There is none.
        IntegrityFailed: What is read is not whole.
    """
    listed: list[ListedInspection] = []
    for days in (32, 256, None):
        listed = _last_sealed_first(archive.listed(since=None if days is None else now - timedelta(days=days)))
        if rack is None and listed:
            return listed[0].inspection_id
        if len(listed) >= MOST_SOUGHT:
            break
    for one in listed[:MOST_SOUGHT]:
        if rack in archive.readings(one.inspection_id).column("rack").to_pylist():
            return one.inspection_id
    if not listed:
        raise BadInput("there is no sealed inspection to coach from; measure a rack first")
    raise BadInput(
        f"no rack {rack!r} among the newest {min(len(listed), MOST_SOUGHT)} inspections; name an inspection or a lot, "
        "'filmtally history' lists what there is"
    )


def newest_of_lot(archive: Archive, lot: str) -> str | None:
    """Return the number of the inspection of a lot that was sealed last: a lot that is measured rack by rack has several.

    Raises:
        IntegrityFailed: What is read is not whole.
    """
    listed = _last_sealed_first(archive.listed(lot=lot))
    return listed[0].inspection_id if listed else None


def aims_of(job: Job, location: str | None = None) -> tuple[Aim, ...]:
    """Return the locations of *job* with what is aimed at, or the one of them that is named.

    Raises:
        BadInput: The job names no such location.
    """
    places: Sequence[Location] = job.location
    if location is not None:
        found = job.find(location)
        if found is None:
            names = ", ".join(place.name for place in job.location)
            raise BadInput(f"--location {location!r}: part {job.part_no} has no such location; it has: {names}")
        places = (found,)
    return tuple(Aim(p.name, p.role, p.lower, p.target_low, p.target_high, p.upper) for p in places)


def pooled(racks: Sequence[MeasuredRack], label: str) -> Rack:
    """Return all pieces of several racks as one, for what is said of a period."""
    readings = tuple(
        RackReading(f"{one.rack.label}/{r.piece}", r.location, r.spot, r.build, r.rack_position)
        for one in racks
        for r in one.rack.readings
    )
    last = racks[-1].rack
    return Rack(label, last.part_no, last.powder, None, readings)


def _case(
    archive: Archive,
    job: Job,
    mine: MeasuredRack,
    earlier: Sequence[MeasuredRack],
    location: str | None,
    *,
    looked_through: bool,
) -> CoachingCase:
    gates: list[tuple[str, Coverage]] = []
    expanded: list[dict[str, Fraction]] = []
    for inspection in mine.inspections:
        readings = archive.reading_records(inspection.inspection_id, inspection.revision)
        theirs = _job(inspection.job_json)
        side = _gauge_side(archive, inspection, readings)
        gates.append((inspection.inspection_id, side.coverage))
        expanded.append(
            {name: from_um(exact_um(value, theirs.unit), job.unit) for name, value in side.expanded.items()}
        )
    state = worst_gate(gates).state
    gauge: dict[str, Fraction] = {}
    if state in _SPEAKING:
        # A location is only known where every gauge that read it is; the worst of them counts.
        for aim in aims_of(job):
            there = [
                known.get(aim.location)
                for known, names in zip(expanded, mine.read, strict=True)
                if aim.location in names
            ]
            if there and None not in there:
                gauge[aim.location] = max(value for value in there if value is not None)
    aims = aims_of(job, location)
    if location is not None:
        mine, earlier = _only(mine, aims[0].location), [_only(one, aims[0].location) for one in earlier]
    alike = [one for one in earlier if _likeness(one.rack) == _likeness(mine.rack)]
    too_old = {one.rack.label for one in alike[:-MOST_RACKS]}
    return CoachingCase(
        job=job,
        measured=mine,
        aims=aims,
        earlier=tuple(one for one in earlier if one.rack.label not in too_old),
        gauge=gauge,
        gates=tuple(gates),
        looked_through=looked_through and len(alike) <= MOST_RACKS,
    )


def _around(archive: Archive, inspection: Inspection) -> tuple[list[ListedInspection], list[ListedInspection], bool]:
    """Return inspections of the same part and coats: later ones of the same lot, which may be of the same rack, and what began no
    later, the newest at least; and whether these are all.

    Looks back further and further, so that a large archive is not listed for the newest few.
    """
    beside: list[ListedInspection] = []
    before: list[ListedInspection] = []
    for days in (32, 256, None):
        since = None if days is None else inspection.sealed_at - timedelta(days=days)
        beside, before = [], []
        for one in archive.listed(part_no=inspection.part_no, since=since):
            if one.coats != inspection.coats:
                continue
            if one.inspection_id[:_BEGUN] <= inspection.inspection_id[:_BEGUN]:
                before.append(one)
            elif one.lot == inspection.lot:
                beside.append(one)
        if len(before) > MOST_READ:
            return beside, before, False
    return beside, before, True


def _gauge_side(archive: Archive, inspection: Inspection, readings: Sequence[GaugeReading]) -> GaugeSide:
    """Return what the gauge brings to an inspection, by the checks that assess looks at."""
    job, shop = _job(inspection.job_json), _shop(inspection.shop_json)
    _, side = found_with_checks(
        archive,
        inspection.gauge_serial,
        readings,
        lambda checks: gauge_side(job, shop, readings, checks),
        lambda side: side.coverage,
    )
    return side


def _last_sealed_first(listed: list[ListedInspection]) -> list[ListedInspection]:
    """Return *listed*, which is in the order of the commits, by the time of sealing, the last one first."""
    return sorted(listed, key=lambda one: one.sealed_at)[::-1]


def _newest(listed: Iterable[ListedInspection]) -> list[ListedInspection]:
    return sorted(listed, key=lambda one: one.inspection_id)[-MOST_READ:]


def _only(rack: MeasuredRack, location: str) -> MeasuredRack:
    """Return the readings of one location, so that those elsewhere are not told as left out."""
    readings = tuple(reading for reading in rack.rack.readings if reading.location == location)
    return replace(rack, rack=replace(rack.rack, readings=readings))


def _likeness(rack: Rack) -> tuple[str | None, frozenset[str | None]]:
    """Return what bounds the racks that are compared; what is alike is decided by rules.coaching_likeness, which counts the others."""
    return rack.powder, frozenset(reading.rack_position for reading in rack.readings)


def _holds(rack: MeasuredRack, inspection_id: str) -> bool:
    return any(one.inspection_id == inspection_id for one in rack.inspections)


@dataclass(frozen=True, slots=True)
class _Taken:
    """An inspection with the builds that count, in the unit that all are compared in."""

    inspection: Inspection
    readings: tuple[GaugeReading, ...]
    builds: tuple[tuple[GaugeReading, str, Fraction], ...]

    @property
    def hung(self) -> tuple[str | None, str | None]:
        """Return the rack, and the powder; several in one inspection stand together."""
        return _together(r.rack for r in self.readings), _together(r.powder for r in self.readings)

    @property
    def places(self) -> frozenset[str | None]:
        return frozenset(r.rack_position for r in self.readings)

    @property
    def taken(self) -> tuple[datetime, datetime]:
        moments = [r.taken_at for r in self.readings]
        return min(moments), max(moments)


def _racks(archive: Archive, listed: Iterable[ListedInspection], unit: Unit) -> list[MeasuredRack]:
    """Return the racks that the inspections were taken of, in the order taken; builds in *unit*."""
    taken = sorted(_all_taken(archive, listed, unit), key=lambda one: (one.taken, one.inspection.inspection_id))
    groups: list[list[_Taken]] = []
    under_way: dict[tuple[object, ...], list[_Taken]] = {}
    for one in taken:
        name, powder = one.hung
        key = (one.inspection.lot, one.inspection.customer, one.inspection.coats, name, powder)
        group = under_way.get(key)
        goes_on = (
            group is not None
            and name is not None
            and one.taken[0] - group[-1].taken[1] <= LONGEST
            and not any(one.places & other.places for other in group)
        )
        if group is None or not goes_on:
            group = under_way[key] = []
            groups.append(group)
        group.append(one)
    return [_rack(group) for group in groups]


def _all_taken(archive: Archive, listed: Iterable[ListedInspection], unit: Unit) -> Iterator[_Taken]:
    inspections = [archive.inspection(one.inspection_id) for one in listed]
    corrected: Sequence[GaugeReading]
    for inspection, records in zip(inspections, archive.each_reading_records(inspections), strict=True):
        job, shop = _job(inspection.job_json), _shop(inspection.shop_json)
        if shop.verification.error is not VerificationError.CARRIED:
            corrected = _gauge_side(archive, inspection, records).readings
        else:
            corrected = records
        judged = [r for r in corrected if is_judged(r)]
        builds = tuple(
            (reading, place.name, build if job.unit is unit else from_um(exact_um(build, job.unit), unit))
            for reading, place, build in _records_judged(job, judged)
        )
        if builds:
            yield _Taken(inspection, tuple(judged), builds)


def _records_judged(job: Job, judged: Sequence[GaugeReading]) -> Iterator[tuple[GaugeReading, Location, Fraction]]:
    for reading, place, build in judged_builds(job, judged):
        assert isinstance(reading, GaugeReading)  # noqa: S101 - it gives back what it was given
        yield reading, place, build


def _rack(group: Sequence[_Taken]) -> MeasuredRack:
    name, powder = group[0].hung
    several = len(group) > 1
    readings = tuple(
        # Pieces at two places on a rack are never one piece, whatever each inspection numbers them.
        RackReading(f"{r.rack_position}: {r.piece}" if several else r.piece, location, r.spot, build, r.rack_position)
        for one in group
        for r, location, build in one.builds
    )
    return MeasuredRack(
        rack=Rack(
            label=group[0].inspection.inspection_id,
            part_no=group[0].inspection.part_no,
            powder=powder,
            sprayer=_together(r.sprayer for one in group for r in one.readings),
            readings=readings,
        ),
        inspections=tuple(one.inspection for one in group),
        read=tuple(frozenset(location for _, location, _ in one.builds) for one in group),
        taken=(min(one.taken[0] for one in group), max(one.taken[1] for one in group)),
        name=name,
    )


def _together(words: Iterable[str | None]) -> str | None:
    found = sorted({word for word in words if word is not None})
    return ", ".join(found) or None

"""From the answers of the archive to what a page of history shows: units, windows, months, one value per chart. Pure."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from decimal import Decimal
from fractions import Fraction
from typing import Final
from zoneinfo import ZoneInfo

from archive.questions import BuildCount, InspectionSummary
from report.charted import CountedShare, EventKind, GaugeEvent, LocationSummary, TrendPoint, Window
from report.figures import day
from report.history import CheckedGauge
from report.history_page import MOST_LISTED, MOST_POINTS, Issued, ListedInspection, LocationHistory, PartHistory
from report.outside_pictures import OutsidePicture
from rules.statistics import square_root
from rules.verdict import Verdict
from rules.wording import counted
from schemas.certificates import Certificate
from schemas.errors import BadInput
from schemas.inspections import Inspection
from schemas.job import Job
from schemas.units import Unit, exact_um, from_um
from schemas.vocabulary import CheckKind

_P5: Final = Fraction(5, 100)
_P95: Final = Fraction(95, 100)
#: What the summaries of a page are grouped by; who sprayed and which gauge are put together again, for nobody's
#: readings are shown by themselves.
BY: Final = ("part_no", "location", "sprayer", "gauge_serial")
#: What the counts are grouped by.
COUNTED_BY: Final = ("part_no", "location")
_EVENTS: Final = {
    CheckKind.ADJUSTMENT: EventKind.ADJUSTMENT,
    CheckKind.CALIBRATION: EventKind.CALIBRATION,
    CheckKind.INCIDENT: EventKind.INCIDENT,
}


def part_histories(
    summaries: Iterable[InspectionSummary],
    counts: Iterable[BuildCount],
    events: Sequence[GaugeEvent],
    job_of: Callable[[str], Job],
    drawing_of: Callable[[Job], OutsidePicture | None],
    zone: ZoneInfo,
    unit: Unit | None = None,
) -> tuple[PartHistory, ...]:
    """Return the parts of a selection, those with the most readings first.

    Args:
        summaries: Per inspection, grouped by :data:`BY`, in the order taken.
        counts: Over all of it, grouped by :data:`COUNTED_BY`.
        events: Of all gauges.
        job_of: From an inspection to its job as it was.
        drawing_of: From a job to the drawing of its part, or None; the page says what a BadInput of it says.
        zone: The shop's.
        unit: Of all film builds; None for that of each part's last specification.
    """
    by_part: dict[str, list[InspectionSummary]] = defaultdict(list)
    for one in summaries:
        by_part[_part_of(one.group)].append(one)
    builds: dict[str, list[BuildCount]] = defaultdict(list)
    for count in counts:
        builds[_part_of(count.group)].append(count)
    found = [
        _part(part_no, of_part, builds[part_no], events, job_of(of_part[-1].inspection_id), drawing_of, zone, unit)
        for part_no, of_part in by_part.items()
    ]
    return tuple(sorted(found, key=lambda part: (-sum(place.summary.n for place in part.locations), part.part_no)))


def listed_inspections(
    summaries: Iterable[InspectionSummary],
    certificates: Iterable[Certificate],
    record_of: Callable[[str], Inspection],
    there: Collection[str],
) -> tuple[ListedInspection, ...]:
    """Return one line per inspection, in the order taken, with its certificates.

    Args:
        summaries: Per inspection, grouped by :data:`BY`.
        certificates: The register; a later revision stands for the ones before it.
        record_of: From an inspection to its record; asked for those that the page will list.
        there: The names of the PDF files that are where they belong.
    """
    issued: dict[str, dict[str, Certificate]] = defaultdict(dict)
    for one in certificates:
        known = issued[one.inspection_id].get(one.number)
        if known is None or one.revision > known.revision:
            issued[one.inspection_id][one.number] = one
    groups: dict[str, list[InspectionSummary]] = defaultdict(list)
    for summary in summaries:
        groups[summary.inspection_id].append(summary)
    order = sorted(groups, key=lambda key: (min(s.first_taken_at for s in groups[key]), key))
    read = set(order[-MOST_LISTED:])
    return tuple(
        _listed(groups[key], record_of(key) if key in read else None, issued[key].values(), there) for key in order
    )


def gauge_events(checks: Iterable[CheckedGauge]) -> list[GaugeEvent]:
    """Return *checks* as what is drawn: a verification that was not within on every standard has failed."""
    found = []
    for check in checks:
        kind = _EVENTS.get(CheckKind(check.kind))
        if kind is None:
            kind = EventKind.PASSED if check.within else EventKind.FAILED
        found.append(GaugeEvent(check.done_at, check.gauge_serial, kind))
    return found


def _part(
    part_no: str,
    summaries: Sequence[InspectionSummary],
    counts: Sequence[BuildCount],
    events: Sequence[GaugeEvent],
    job: Job,
    drawing_of: Callable[[Job], OutsidePicture | None],
    zone: ZoneInfo,
    unit: Unit | None,
) -> PartHistory:
    unit = unit or job.unit
    inspections = list(dict.fromkeys(s.inspection_id for s in summaries))
    by_month = len(inspections) > MOST_POINTS
    points = {place.name: place.point for place in job.location}
    by_location: dict[str, list[InspectionSummary]] = defaultdict(list)
    for one in summaries:
        by_location[_location_of(one.group)].append(one)
    builds: dict[str, dict[Fraction, int]] = defaultdict(dict)
    for count in counts:
        builds[_location_of(count.group)][from_um(count.build_um, unit)] = count.count
    gauges = {gauge for s in summaries if (gauge := _gauge_of(s.group)) is not None}
    # The job's order; what an earlier job measured and this one does not comes behind.
    names = [name for name in points if name in by_location]
    names += sorted(name for name in by_location if name not in points)
    locations = []
    for name in names:
        point = points.get(name)
        placed = None if point is None else (float(point[0]), float(point[1]))
        locations.append(_location(name, by_location[name], builds[name], unit, placed, zone, by_month=by_month))
    notes = []
    changed = [
        place.summary.location
        for place in locations
        if len({(point.window.lower, point.window.upper) for point in place.points}) > 1
    ]
    if changed:
        notes.append(
            f"Limits changed at {counted(len(changed), 'location')}: readings outside are counted by the limits of their own "
            "time, strips and distributions show the limits of the last inspection."
        )
    units = {s.specification_unit for s in summaries}
    if units != {unit.value}:
        notes.append(f"Specified in another unit, here or in part; all is shown in {unit.symbol}, converted exactly.")
    drawing = None
    try:
        drawing = drawing_of(job)
    except BadInput as wrong:
        notes.append(f"The part's drawing is left out: {wrong.sentence}.")
    return PartHistory(
        part_no=part_no,
        title=job.title,
        unit=unit,
        locations=tuple(locations),
        events=tuple(event for event in events if event.gauge in gauges),
        inspections=len(inspections),
        drawing=drawing,
        notes=tuple(notes),
    )


def _location(
    name: str,
    summaries: Sequence[InspectionSummary],
    builds: Mapping[Fraction, int],
    unit: Unit,
    point: tuple[float, float] | None,
    zone: ZoneInfo,
    *,
    by_month: bool,
) -> LocationHistory:
    inspections: dict[str, list[InspectionSummary]] = defaultdict(list)
    for one in summaries:
        inspections[one.inspection_id].append(one)
    groups: list[tuple[str, str, list[InspectionSummary]]]
    if by_month:
        months: dict[str, list[str]] = defaultdict(list)
        for key, of_inspection in inspections.items():
            months[f"{of_inspection[0].first_taken_at.astimezone(zone):%Y-%m}"].append(key)
        groups = [
            (month, f"{month}, {counted(len(keys), 'inspection')}", [s for key in keys for s in inspections[key]])
            for month, keys in months.items()
        ]
    else:
        groups = [
            (day(of[0].first_taken_at.astimezone(zone).date()), f"{key}, lot {of[0].lot}", of)
            for key, of in inspections.items()
        ]
    trend = tuple(_point(name, group, unit) for _, name, group in groups)
    shares = tuple(
        CountedShare(label, name, point.n, point.outside) for (label, name, _), point in zip(groups, trend, strict=True)
    )
    n = sum(s.n for s in summaries)
    return LocationHistory(
        summary=LocationSummary(
            location=name,
            n=n,
            outside=sum(s.outside for s in summaries),
            mean=_mean(summaries, unit),
            low=min(builds),
            high=max(builds),
            p5=_nearest_rank(builds, _P5),
            p95=_nearest_rank(builds, _P95),
            deviation=_deviation(summaries, unit),
            window=trend[-1].window,
            point=point,
        ),
        points=trend,
        builds=builds,
        shares=shares,
        per="month" if by_month else "inspection",
    )


def _point(label: str, group: Sequence[InspectionSummary], unit: Unit) -> TrendPoint:
    first, last = group[0].first_taken_at, group[-1].first_taken_at
    return TrendPoint(
        when=first + (last - first) / 2,
        label=label,
        n=sum(s.n for s in group),
        mean=_mean(group, unit),
        low=from_um(min(s.min_um for s in group), unit),
        high=from_um(max(s.max_um for s in group), unit),
        deviation=_deviation(group, unit),
        outside=sum(s.outside for s in group),
        window=_window(group[-1], unit),
    )


def _mean(group: Sequence[InspectionSummary], unit: Unit) -> Fraction:
    return from_um(sum((Fraction(s.sum_um) for s in group), Fraction(0)) / sum(s.n for s in group), unit)


def _deviation(group: Sequence[InspectionSummary], unit: Unit) -> Fraction | None:
    """Return the sample standard deviation of all readings of *group*, from their exact sums."""
    n = sum(s.n for s in group)
    if n < 2:
        return None
    total = sum((Fraction(s.sum_um) for s in group), Fraction(0))
    squares = sum((Fraction(s.sum_of_squares_um2) for s in group), Fraction(0))
    return from_um(square_root((n * squares - total * total) / (n * (n - 1))), unit)


def _window(one: InspectionSummary, unit: Unit) -> Window:
    given = unit if one.specification_unit is None else Unit(one.specification_unit)

    def bound(limit: Decimal | None) -> Fraction | None:
        return None if limit is None else from_um(exact_um(limit, given), unit)

    return Window(bound(one.lower), bound(one.target_low), bound(one.target_high), bound(one.upper))


def _nearest_rank(builds: Mapping[Fraction, int], share: Fraction) -> Fraction:
    """Return the smallest build with at least *share* of the readings at or below it, the contract's quantile."""
    wanted = share * sum(builds.values())
    seen = 0
    for build in sorted(builds):
        seen += builds[build]
        if seen >= wanted:
            return build
    raise ValueError("a quantile needs at least one reading")


def _listed(
    group: Sequence[InspectionSummary],
    record: Inspection | None,
    certificates: Iterable[Certificate],
    there: Collection[str],
) -> ListedInspection:
    first = group[0]
    revision = f" r{first.revision}" if first.revision > 1 else ""
    return ListedInspection(
        taken_at=min(s.first_taken_at for s in group),
        name=f"{first.inspection_id}{revision}",
        customer=first.customer or "",
        part_no=first.part_no or "",
        lot=first.lot or "",
        sprayers=_all(_sprayer_of(s.group) for s in group),
        gauges=_all(_gauge_of(s.group) for s in group),
        n=sum(s.n for s in group),
        outside=sum(s.outside for s in group),
        conformity=Verdict.UNDECIDED if record is None else Verdict[record.conformity],
        certificates=tuple(
            Issued(f"{one.number} r{one.revision}", one.pdf_name if one.pdf_name in there else None)
            for one in sorted(certificates, key=lambda one: one.number)
        ),
    )


def _all(codes: Iterable[str | None]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(code for code in codes if code))


def _part_of(group: tuple[str | None, ...]) -> str:
    return group[0] or ""


def _location_of(group: tuple[str | None, ...]) -> str:
    return group[1] or ""


def _sprayer_of(group: tuple[str | None, ...]) -> str | None:
    return group[2]


def _gauge_of(group: tuple[str | None, ...]) -> str | None:
    return group[3]

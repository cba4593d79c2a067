"""The history of a selection as one HTML page that opens anywhere, offline: charts, and the inspections behind them.

Pure: values in, the page out. What is long is cut down in sight: many inspections to one mark a month, many parts to
those with the most readings, a long list to its newest lines; the page says each time what it leaves out and how to
get it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction
from typing import Any, Final
from urllib.parse import quote
from zoneinfo import ZoneInfo

from markupsafe import Markup

from report.chart_figure import figure_markup
from report.charted import CountedShare, GaugeEvent, LocationSummary, TrendPoint
from report.distribution_chart import distribution_figure
from report.figures import VERDICT_WORDS, day, moment
from report.history import AS_THE_FILES_STAND, VERIFIED
from report.location_picture import location_picture
from report.offline_page import offline_page
from report.outside_pictures import OutsidePicture
from report.share_chart import share_figure
from report.trend_chart import trend_figure
from rules.verdict import Verdict
from rules.wording import counted
from schemas.units import Unit

#: Marks on one trend; where there are more inspections, a mark is a month.
MOST_POINTS: Final = 400
#: Marks on all trends of a page together, which is about 2 MB; a part alone with more has a mark a month.
MOST_MARKS: Final = 2_400
#: Locations with charts of their own, over all parts of the page.
MOST_LOCATIONS: Final = 36
#: Lines of the list of inspections.
MOST_LISTED: Final = 500
NOT_RANKED: Final = (
    "This page shows parts and locations, not people. A sprayer stands here as the code that the shop gave, and nobody is "
    "ranked: which part, place on the rack and powder somebody had weighs more than whose hand it was."
)
_DECIDES: Final = (
    "A picture decides nothing. Whether a lot conforms says its inspection, by the rule of its job; whether its gauge was "
    "right, the calibration gate. Here every judged reading counts alike."
)


@dataclass(frozen=True, slots=True)
class LocationHistory:
    """A location of a part.

    Attributes:
        summary: Over the whole time.
        points: One per inspection or month, in time.
        builds: How often each film build was read.
        shares: Readings outside the limits of those that have some, per inspection or month, in time.
        per: What each point and share is: inspection or month.
    """

    summary: LocationSummary
    points: tuple[TrendPoint, ...]
    builds: Mapping[Fraction, int]
    shares: tuple[CountedShare, ...]
    per: str


@dataclass(frozen=True, slots=True)
class PartHistory:
    """A part with its locations, in the order of its job.

    Attributes:
        part_no, title: Its number, and what it is called; the title may be empty.
        unit: In which its film builds are shown: that of its specification.
        locations: At least one, each with at least one reading.
        events: What happened to the gauges that measured it.
        inspections: How many.
        drawing: Of the part; None where there is none.
        notes: What a reader has to know, as that limits changed.
    """

    part_no: str
    title: str
    unit: Unit
    locations: tuple[LocationHistory, ...]
    events: tuple[GaugeEvent, ...]
    inspections: int
    drawing: OutsidePicture | None = None
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Issued:
    """A certificate: its number with its revision, and its file's name; None where the file is not there."""

    number: str
    file: str | None


@dataclass(frozen=True, slots=True)
class ListedInspection:
    """One line of the list.

    Attributes:
        taken_at: When its first reading was taken.
        name: Its number, with its revision from the second on.
        sprayers, gauges: Their codes and serials.
        n, outside: Readings of the selection, and how many of them lie outside their limits.
        conformity: What the whole inspection's readings say by the job's rule.
    """

    taken_at: datetime
    name: str
    customer: str
    part_no: str
    lot: str
    sprayers: tuple[str, ...]
    gauges: tuple[str, ...]
    n: int
    outside: int
    conformity: Verdict
    certificates: tuple[Issued, ...]


@dataclass(frozen=True, slots=True)
class HistoryPage:
    """What a page of history is made of.

    Attributes:
        shop: The shop's name.
        zone: Its time zone.
        selection: What was asked for, as labels and texts; empty for everything.
        made_at: When the page is made.
        head: Of the archive's ledger, bench by bench: the last sequence number and record hash.
        parts: Those with the most readings first.
        inspections: In the order taken.
        certificates: Where their PDFs lie seen from the page, as a relative path; None where they are not linked.
        verified: Whether each file was shown to be the one that was written.
    """

    shop: str
    zone: ZoneInfo
    selection: tuple[tuple[str, str], ...]
    made_at: datetime
    head: Mapping[str, tuple[int, str]]
    parts: tuple[PartHistory, ...]
    inspections: tuple[ListedInspection, ...]
    certificates: str | None = None
    verified: bool = False


def history_html(history: HistoryPage) -> str:
    """Return the page of *history*."""
    drawn = _drawn(history.parts)
    left_out = history.parts[len(drawn) :]
    notes = [NOT_RANKED, _DECIDES]
    if left_out:
        notes.append(
            f"Charts stand here for {counted(len(drawn), 'part')}, those with the most readings; {len(left_out)} more have "
            f"none on this page. For those of one part: filmtally history --part NUMBER --html FILE."
        )
    listed = history.inspections[-MOST_LISTED:]
    list_notes = []
    if len(listed) < len(history.inspections):
        list_notes.append(
            f"The newest {len(listed)} of {len(history.inspections)} inspections. All of them: the same question with "
            "--json instead of --html."
        )
    return offline_page(
        "history.html",
        {
            "title": _title(history),
            "shop": history.shop,
            "kind": "history of film builds",
            "facts": _facts(history),
            "notes": notes,
            "parts": [_part(history, number, part) for number, part in enumerate(drawn, 1)],
            "list_notes": list_notes,
            "inspections": [_listed(history, one) for one in reversed(listed)],
            "foot": _foot(history),
        },
    )


def _drawn(parts: Sequence[PartHistory]) -> Sequence[PartHistory]:
    """Return the parts that get charts: all that fit, and always the first."""
    room, marks = MOST_LOCATIONS, MOST_MARKS
    for i, part in enumerate(parts):
        room -= len(part.locations)
        marks -= sum(len(place.points) for place in part.locations)
        if room < 0 or marks < 0:
            return parts[: max(1, i)]
    return parts


def _title(history: HistoryPage) -> str:
    parts = {part.part_no for part in history.parts}
    if len(parts) == 1:
        return f"Film build of part {next(iter(parts))}"
    return f"Film build of {counted(len(parts), 'part')}" if parts else "Film build: no inspection matches"


def _facts(history: HistoryPage) -> list[tuple[str, str]]:
    readings = sum(one.n for one in history.inspections)
    facts = [*history.selection] if history.selection else [("selected", "everything in the archive")]
    if history.inspections:
        first, last = (when.astimezone(history.zone).date() for when in _span(history))
        facts.append(("measured", day(first) if first == last else f"{day(first)} to {day(last)}"))
    facts += [
        ("inspections", str(len(history.inspections))),
        ("readings", str(readings)),
        ("page made", moment(history.made_at, history.zone)),
    ]
    return facts


def _span(history: HistoryPage) -> tuple[datetime, datetime]:
    moments = [one.taken_at for one in history.inspections]
    return min(moments), max(moments)


def _part(history: HistoryPage, number: int, part: PartHistory) -> dict[str, Any]:
    span = _span_of(part)
    n = sum(place.summary.n for place in part.locations)
    said = [
        f"{counted(part.inspections, 'inspection')}, {counted(n, 'reading')} at {counted(len(part.locations), 'location')}."
    ]
    if any(place.per == "month" for place in part.locations):
        said.append(
            "There are too many inspections for a mark each, so each mark and each share is a month: its mean, its standard "
            "deviation, its least and greatest reading."
        )
    return {
        "anchor": f"part-{number}",
        "number": part.part_no,
        "title": part.title,
        "said": " ".join([*said, *part.notes]),
        "at_a_look": location_picture(
            [place.summary for place in part.locations],
            part.unit,
            f"Part {part.part_no}: all readings at each location",
            part.drawing,
            f"part{number}",
        ),
        "locations": [
            _location(history, f"part-{number}-{i}", part, place, span) for i, place in enumerate(part.locations, 1)
        ],
    }


def _location(
    history: HistoryPage, anchor: str, part: PartHistory, place: LocationHistory, span: tuple[datetime, datetime]
) -> dict[str, Any]:
    name = place.summary.location
    events = [event for event in part.events if span[0] <= event.when <= span[1]]
    return {
        "anchor": anchor,
        "name": name,
        "trend": figure_markup(trend_figure(place.points, events, part.unit, name, history.zone, span)),
        "distribution": figure_markup(distribution_figure(place.builds, place.summary.window, part.unit, name), "half"),
        "shares": figure_markup(share_figure(place.shares, name, place.per), "half") if place.shares else Markup(""),
    }


def _span_of(part: PartHistory) -> tuple[datetime, datetime]:
    """Return from when to when the charts of a part go: its readings, with the checks next to them."""
    moments = [point.when for place in part.locations for point in place.points]
    first, last = min(moments), max(moments)
    before = [event.when for event in part.events if event.when < first]
    after = [event.when for event in part.events if event.when > last]
    return max(before, default=first), min(after, default=last)


def _listed(history: HistoryPage, one: ListedInspection) -> dict[str, Any]:
    return {
        "day": day(one.taken_at.astimezone(history.zone).date()),
        "name": one.name,
        "customer": one.customer,
        "part": one.part_no,
        "lot": one.lot,
        "sprayer": ", ".join(one.sprayers),
        "gauge": ", ".join(one.gauges),
        "n": str(one.n),
        "outside": str(one.outside),
        "said": VERDICT_WORDS[one.conformity],
        "strong": one.conformity is not Verdict.PASS,
        "certificates": [
            {
                "name": issued.number,
                "link": None
                if history.certificates is None or issued.file is None
                else f"{quote(history.certificates)}/{quote(issued.file)}",
            }
            for issued in one.certificates
        ],
    }


def _foot(history: HistoryPage) -> list[str]:
    heads = [f"bench {bench}: record {seq}, {record[:16]}…" for bench, (seq, record) in sorted(history.head.items())]
    return [
        f"Made from the archive as of {'; '.join(heads)}: {VERIFIED if history.verified else AS_THE_FILES_STAND}."
        if heads
        else "The archive is empty.",
        "Only valid revisions are counted. Film build: what the gauge showed less what was read on the bare metal, the zinc or "
        "the earlier coat. p5 and p95 are nearest-rank quantiles, readings that were taken. Standard deviations are those of "
        "a sample (n less one).",
    ]

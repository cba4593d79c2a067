"""An answer of coaching as one HTML page that opens anywhere, offline: the one change in large type, then what it rests on.

Pure: values in, the page out.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from fractions import Fraction
from typing import Any, Final
from zoneinfo import ZoneInfo

from markupsafe import Markup

from report.chart_figure import NumberTable, figure_markup, table_markup
from report.charted import LocationSummary, Window, places
from report.coaching_answer import (
    FEW,
    Answer,
    against,
    aim_words,
    notes_of,
    outside,
    period_sentences,
    powder_lines,
    powder_terms,
    rack_words,
    said_first,
    sentences_of,
)
from report.control_chart_drawing import ControlPanel, control_figure
from report.deviation_chart import LocationDeviations, deviation_figure
from report.figures import figure, moment
from report.location_picture import location_picture
from report.offline_page import offline_page
from report.outside_pictures import OutsidePicture
from rules.coaching_findings import Coaching, LocationCoaching
from rules.coaching_racks import RackReading
from rules.control_charts import Chart
from rules.short_run import deviation_from_target
from rules.statistics import mean, nearest_rank_quantile, standard_deviation
from rules.wording import counted
from schemas.units import Unit

THIS: Final = "this"
_P5: Final = Fraction(5, 100)
_P95: Final = Fraction(95, 100)


def coaching_html(
    answer: Answer, shop: str, zone: ZoneInfo, made_at: datetime, picture: OutsidePicture | None = None
) -> str:
    """Return the page of *answer*.

    Args:
        answer: What is said.
        shop: The shop's name.
        zone: Its time zone.
        made_at: When the page is made.
        picture: The part's drawing; None where there is none.
    """
    found, case = answer.found, answer.case
    unit = case.unit
    suggestion = found.suggestion
    numbers = {label: str(i) for i, label in enumerate(found.alike, 1)}
    head, evidence = said_first(answer), suggestion.evidence if answer.holds else ()
    if answer.gate is not None:
        # The gate may have a lot to say, and what is written large is read from afar.
        short, _, why = answer.gate.partition(". ")
        head, evidence = f"{short}. Until that is settled nothing is suggested.", (why,)
    return offline_page(
        "coach.html",
        {
            "title": f"Coaching: {rack_words(case.measured, zone)}",
            "shop": shop,
            "kind": "coaching",
            "gate": not answer.holds,
            "change": head,
            "first": suggestion.first if answer.holds else None,
            "evidence": evidence,
            "cautions": suggestion.cautions if answer.holds else (),
            "facts": _facts(answer, zone, made_at),
            "notes": notes_of(answer),
            "unit": unit.symbol,
            "rows": [_row(one, answer) for one in found.locations],
            "any_few": any(one.few for one in found.locations),
            "few": FEW,
            "at_a_look": _at_a_look(answer, picture),
            "deviations": _deviations(answer),
            "positions": None if found.positions is None else found.positions.sentence,
            "positions_table": _positions(found, unit),
            "period": [line for one in answer.over_period.locations for line in period_sentences(one, unit)]
            if answer.over_period is not None
            else [],
            "places": [_place(i, one, unit, numbers) for i, one in enumerate(found.locations, 1)],
            "powder": powder_lines(answer),
            "powder_terms": powder_terms(answer),
            "racks": _racks(answer, zone, numbers),
            "foot": _foot(),
        },
    )


def _facts(answer: Answer, zone: ZoneInfo, made_at: datetime) -> list[tuple[str, str]]:
    found, case = answer.found, answer.case
    facts = [
        ("rack", case.measured.name or "not named"),
        ("lot", case.measured.inspections[-1].lot),
        ("part", f"{found.part_no}, {case.job.title}"),
        ("powder", found.powder or "not stated"),
        ("sprayer", found.sprayer or "not stated"),
        ("measured", moment(case.measured.taken[0], zone)),
        ("inspection", ", ".join(one.inspection_id for one in case.measured.inspections)),
        ("readings", f"{found.n} on {counted(found.pieces, 'piece')}"),
        ("compared with", f"{counted(len(found.alike), 'earlier rack')} like it"),
        ("page made", moment(made_at, zone)),
    ]
    if answer.period is not None:
        facts.insert(0, ("period", f"{answer.period}; the newest rack of it:"))
    return facts


def _row(one: LocationCoaching, answer: Answer) -> dict[str, Any]:
    unit = answer.case.unit
    digits = places(unit)
    difference = None if one.earlier is None else one.earlier.difference.value
    earlier = "–"
    if one.earlier is not None and difference is not None:
        side = "thicker" if difference >= 0 else "thinner"
        earlier = f"{figure(abs(difference), digits)} {side} than {one.earlier.racks}"
    return {
        "location": one.aim.location,
        "few": one.few,
        "mean": "–" if one.mean is None else figure(one.mean.value, digits),
        "aim": aim_words(one),
        "against": against(one, answer) if one.mean is not None else "too few readings",
        "strong": one.off_firmly,
        "between": figure(one.between_pieces, digits),
        "within": figure(one.within_piece, digits),
        "outside": outside(one),
        "earlier": earlier,
        "n": str(one.n),
    }


def _at_a_look(answer: Answer, picture: OutsidePicture | None) -> Markup:
    case = answer.case
    points = {place.name: place.point for place in case.job.location}
    summaries = []
    for one in answer.found.locations:
        builds = [Fraction(r.build) for r in case.measured.rack.readings if r.location == one.aim.location]
        if builds:
            summaries.append(_summary(one, builds, points.get(one.aim.location)))
    if not summaries:
        return Markup("")
    return location_picture(summaries, case.unit, "All readings of this rack at each location", picture, "part")


def _summary(one: LocationCoaching, builds: list[Fraction], point: Any) -> LocationSummary:
    aim = one.aim
    ends = (None if end is None else Fraction(end) for end in (aim.lower, aim.target_low, aim.target_high, aim.upper))
    window = Window(*ends)
    return LocationSummary(
        location=aim.location,
        n=len(builds),
        outside=sum(not window.lets(build) for build in builds),
        mean=mean(builds),
        low=min(builds),
        high=max(builds),
        p5=nearest_rank_quantile(builds, _P5),
        p95=nearest_rank_quantile(builds, _P95),
        deviation=Fraction(standard_deviation(builds)) if len(builds) > 1 else None,
        window=window,
        point=None if point is None else (float(point[0]), float(point[1])),
    )


def _deviations(answer: Answer) -> Markup:
    found = answer.found
    alike = set(found.alike)
    earlier = [one.rack.readings for one in answer.case.earlier if one.rack.label in alike]
    rows = []
    for one in found.locations:
        this, middle, lower, upper = one.deviation, one.aim.middle, one.aim.lower, one.aim.upper
        if this is None or middle is None or lower is None or upper is None:
            continue
        low, high = one.aim.band

        def scaled(build: Fraction | Any, middle: Any = middle, lower: Any = lower, upper: Any = upper) -> Fraction:
            return deviation_from_target(build, middle, lower, upper)

        means = [_mean_of_pieces(readings, one.aim.location) for readings in earlier]
        rows.append(
            LocationDeviations(
                one.aim.location,
                this,
                tuple(scaled(value) for value in means if value is not None),
                (scaled(lower), scaled(upper)),
                (scaled(low), scaled(high)),
                one.off_firmly,
            )
        )
    return (
        figure_markup(deviation_figure(rows, "Deviation from target, each location by its own window"))
        if rows
        else Markup("")
    )


def _mean_of_pieces(readings: Sequence[RackReading], location: str) -> Fraction | None:
    pieces: dict[str, list[Fraction]] = {}
    for reading in readings:
        if reading.location == location:
            pieces.setdefault(reading.piece, []).append(Fraction(reading.build))
    return mean([mean(builds) for builds in pieces.values()]) if pieces else None


def _positions(found: Coaching, unit: Unit) -> Markup:
    if found.positions is None or not found.positions.positions:
        return Markup("")
    digits = places(unit)
    table = NumberTable(
        ("place on the rack", f"against the rack's mean, {unit.symbol}", f"outside the bands, {unit.symbol}", "pieces"),
        tuple(
            (p.position, figure(p.above_rack, digits), figure(p.off, digits), str(p.pieces))
            for p in found.positions.positions
        ),
    )
    return table_markup(table, "Places on the rack, the thinnest first")


def _place(number: int, one: LocationCoaching, unit: Unit, numbers: Mapping[str, str]) -> dict[str, Any]:
    level = spread = Markup("")
    name = one.aim.location
    if one.chart is not None:
        panels = [
            _panel(f"mean of a rack, {unit.symbol}", one.chart.level),
            _panel(f"moving range, {unit.symbol}", one.chart.spread, behind=1),
        ]
        labels = [numbers.get(point.label, THIS) for point in one.chart.level.points]
        level = figure_markup(
            control_figure(panels, labels, unit, name, "Means of racks, and their moving ranges", one.chart.notes)
        )
    if one.spread_chart is not None:
        labels = [numbers.get(point.label, THIS) for point in one.spread_chart.points]
        panel = _panel(f"s of the pieces of a rack, {unit.symbol}", one.spread_chart)
        spread = figure_markup(
            control_figure(
                [panel], labels, unit, name, "How the pieces of a rack differ: standard deviations of their means"
            )
        )
    return {
        "anchor": f"location-{number}",
        "name": name,
        "said": sentences_of(one),
        "level": level,
        "spread": spread,
        "has_charts": one.chart is not None,
    }


def _panel(name: str, chart: Chart, behind: int = 0) -> ControlPanel:
    """Return a chart as it is drawn; *behind* points stand before its first, as before the first moving range."""
    points = chart.points
    ahead: list[Fraction | None] = [None] * behind
    return ControlPanel(
        name=name,
        values=[*ahead, *(point.value for point in points)],
        centre=points[-1].centre,
        lower=[*ahead, *(point.lower for point in points)],
        upper=[*ahead, *(point.upper for point in points)],
        signals={
            i: " and ".join(signal.value for signal in point.signals)
            for i, point in enumerate(points, behind)
            if point.signals
        },
    )


def _racks(answer: Answer, zone: ZoneInfo, numbers: Mapping[str, str]) -> Markup:
    alike = [one for one in answer.case.earlier if one.rack.label in numbers]
    if not alike:
        return Markup("")
    rows = tuple(
        (
            numbers[one.rack.label],
            one.name or "not named",
            one.inspections[-1].lot,
            moment(one.taken[0], zone),
            str(len({reading.piece for reading in one.rack.readings})),
            ", ".join(i.inspection_id for i in one.inspections),
        )
        for one in alike
    )
    table = NumberTable(("no.", "rack", "lot", "measured", "pieces", "inspections"), rows, frozenset({1, 2, 3, 5}))
    return table_markup(table, "Racks of the same part, powder and places, as the charts number them")


def _foot() -> list[str]:
    return [
        "Control limits come from the earlier racks and never from the specification. An interval counts pieces, not readings; that of "
        "a share is Wilson's score interval. Only counted readings of valid revisions stand here, base metal subtracted.",
        "Suggestions are of technique. Settings belong to the data sheet of the powder and the manual of the equipment; for ovens, "
        "ground and fire protection, local codes and a competent person decide.",
    ]

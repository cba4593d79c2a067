"""A history of our own invention, with all that a page has to be able to show; the same numbers each time."""

from __future__ import annotations

import random
from collections import Counter
from datetime import UTC, datetime, timedelta
from fractions import Fraction
from typing import Final
from zoneinfo import ZoneInfo

from report.charted import CountedShare, EventKind, GaugeEvent, LocationSummary, TrendPoint, Window
from report.history_page import HistoryPage, Issued, ListedInspection, LocationHistory, PartHistory
from report.outside_pictures import OutsidePicture
from rules.statistics import mean, nearest_rank_quantile, standard_deviation
from rules.verdict import Verdict
from schemas.units import Unit

ZONE: Final = ZoneInfo("Europe/London")
BEGIN: Final = datetime(2026, 1, 12, 9, 30, tzinfo=UTC)
NARROW: Final = Window(Fraction(60), Fraction(65), Fraction(80), Fraction(90))
WIDE: Final = Window(Fraction(60), None, None, Fraction(120))
ONE_SIDED: Final = Window(Fraction(50), Fraction(60), None, None)
OPEN: Final = Window()
#: Locations with their mean and window, from first to last inspection.
PLACES: Final = (
    ("stile, outer", 76, NARROW),
    ("mid rail", 79, WIDE),
    ("hinge pocket", 61, ONE_SIDED),
    ("back of leaf", 70, OPEN),
)


def point(
    builds: list[Fraction], window: Window = NARROW, when: datetime = BEGIN, label: str = "an inspection"
) -> TrendPoint:
    """Return the point of *builds*."""
    return TrendPoint(
        when=when,
        label=label,
        n=len(builds),
        mean=mean(builds),
        low=min(builds),
        high=max(builds),
        deviation=Fraction(standard_deviation(builds)) if len(builds) > 1 else None,
        outside=sum(not window.lets(build) for build in builds),
        window=window,
    )


def summary(
    location: str, builds: list[Fraction], window: Window, at: tuple[float, float] | None = None
) -> LocationSummary:
    """Return the summary of *builds*."""
    return LocationSummary(
        location=location,
        n=len(builds),
        outside=sum(not window.lets(build) for build in builds),
        mean=mean(builds),
        low=min(builds),
        high=max(builds),
        p5=nearest_rank_quantile(builds, Fraction(5, 100)),
        p95=nearest_rank_quantile(builds, Fraction(95, 100)),
        deviation=Fraction(standard_deviation(builds)) if len(builds) > 1 else None,
        window=window,
        point=at,
    )


def events(days: int, seed: int = 3) -> tuple[GaugeEvent, ...]:
    """Return the checks of two gauges over so many days, with some of every kind."""
    chance = random.Random(seed)
    found = []
    for n in range(-1, days + 2):
        when = BEGIN + timedelta(days=n, hours=-2)
        for gauge in ("FT-2291", "FT-3308")[: 2 if n % 3 == 0 else 1]:
            failed = chance.random() < 0.012
            found.append(GaugeEvent(when, gauge, EventKind.FAILED if failed else EventKind.PASSED))
        if n % 61 == 20:
            found.append(GaugeEvent(when + timedelta(hours=1), "FT-2291", EventKind.ADJUSTMENT))
        if n % 190 == 75:
            found.append(GaugeEvent(when + timedelta(hours=1), "FT-3308", EventKind.CALIBRATION))
        if n % 140 == 97:
            found.append(GaugeEvent(when + timedelta(hours=1), "FT-2291", EventKind.INCIDENT))
    return tuple(found)


def part(
    part_no: str = "HW-210",
    inspections: int = 26,
    days: int = 300,
    *,
    places: tuple[tuple[str, int, Window], ...] = PLACES,
    unit: Unit = Unit.UM,
    per: str = "inspection",
    readings: int = 9,
    drawing: OutsidePicture | None = None,
    title: str = "garden gate leaf",
    seed: int = 11,
) -> PartHistory:
    """Return a part whose film slowly grows, and with a lot that came out too thick half way."""
    chance = random.Random(seed)
    whens = [BEGIN + timedelta(days=days * i / max(1, inspections - 1)) for i in range(inspections)]
    locations = []
    for k, (name, middle, window) in enumerate(places):
        points, shares, every = [], [], []
        for i, when in enumerate(whens):
            asked = (
                Window(Fraction(60), None, None, Fraction(100)) if window is WIDE and i > inspections // 2 else window
            )
            aim = middle + 7 * i / inspections + (19 if i == inspections // 2 and k == 0 else 0)
            builds = [_build(chance.gauss(aim, 4.5), unit) for _ in range(readings)]
            name_of = f"{when:%Y-%m}" if per == "month" else f"{when:%Y%m%d}-0930-FT22, lot GL-{1100 + i}"
            points.append(point(builds, asked, when, f"{when:%Y-%m-%d}" if per == "inspection" else f"{when:%Y-%m}"))
            label = f"{when:%Y-%m}" if per == "month" else f"{when:%Y-%m-%d}"
            shares.append(CountedShare(label, name_of, len(builds), points[-1].outside))
            every += builds
        at = (0.08 + 0.22 * k, 0.3 + 0.1 * k) if drawing is not None and k < 4 else None
        locations.append(
            LocationHistory(
                summary(name, every, points[-1].window, at), tuple(points), Counter(every), tuple(shares), per
            )
        )
    return PartHistory(part_no, title, unit, tuple(locations), events(days), inspections, drawing)


def listed(count: int, part_no: str = "HW-210") -> tuple[ListedInspection, ...]:
    """Return so many lines of a list."""
    return tuple(
        ListedInspection(
            taken_at=BEGIN + timedelta(days=11 * i),
            name=f"{BEGIN + timedelta(days=11 * i):%Y%m%d}-093000-FT{i % 100:02}" + (" r2" if i % 9 == 4 else ""),
            customer="Hollin and Wray Garden Works",
            part_no=part_no,
            lot=f"GL-{1100 + i}",
            sprayers=("s1", "s4")[: 1 + i % 2],
            gauges=("FT-2291",),
            n=36,
            outside=3 if i == count // 2 else i % 2,
            conformity=Verdict.FAIL if i == count // 2 else Verdict.UNDECIDED if i % 7 == 5 else Verdict.PASS,
            certificates=() if i % 7 == 5 else (Issued(f"TLPW-{1100 + i} r1", f"TLPW-{1100 + i}-r1.pdf"),),
        )
        for i in range(count)
    )


def history(*parts: PartHistory, lines: int = 26, certificates: str | None = None) -> HistoryPage:
    """Return a page's history of *parts*."""
    return HistoryPage(
        shop="Tidewater Lane Powder Works",
        zone=ZONE,
        selection=(("part", "HW-210"), ("from", "2026-01-01")),
        made_at=datetime(2026, 11, 26, 15, 4, tzinfo=UTC),
        head={"bench1": (412, "5f" * 32), "bench2": (97, "c0" * 32)},
        parts=parts,
        inspections=listed(lines),
        certificates=certificates,
    )


def _build(um: float, unit: Unit) -> Fraction:
    return Fraction(str(round(um, 1))) if unit is Unit.UM else Fraction(str(round(um / 25.4, 2)))

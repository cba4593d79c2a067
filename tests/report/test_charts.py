"""Charts: every mark where the scale puts it, what is outside in another shape, limits never taken for one another."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ElementTree
from collections import Counter
from datetime import datetime, timedelta
from fractions import Fraction
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st
from markupsafe import Markup

from report.chart_drawing import CONTROL, INSIDE, LIMIT, OUTSIDE, TARGET_EDGE, cross, diamond, dot, wall
from report.chart_figure import Figure, figure_markup
from report.chart_scale import time_axis
from report.charted import CountedShare, EventKind, GaugeEvent, Window
from report.checks_strip import checks_strip
from report.control_chart_drawing import ControlPanel, control_figure
from report.distribution_chart import binned, distribution_figure
from report.location_picture import location_picture, mark_of
from report.share_chart import percent, share_figure
from report.trend_chart import trend_figure
from schemas.units import Unit
from tests.report.charted_example import BEGIN, NARROW, ONE_SIDED, OPEN, ZONE, point, summary

SVG = "{http://www.w3.org/2000/svg}"
INSIDE_BUILDS = [Fraction(60), Fraction(75), Fraction(90)]


def _trend(*builds: list[Fraction], window: Window = NARROW, events: tuple[GaugeEvent, ...] = ()) -> Figure:
    points = [point(of, window, BEGIN + timedelta(days=10 * i), f"lot {i}") for i, of in enumerate(builds)]
    return trend_figure(points, events, Unit.UM, "stile", ZONE)


def _paths(picture: Markup, **wanted: str) -> list[str]:
    """Return the paths of the elements that have all the attributes *wanted*, hyphens written as underscores."""
    root = ElementTree.fromstring(picture)  # noqa: S314 - our own
    return [
        e.get("d", "")
        for e in root.iter(f"{SVG}path")
        if all(e.get(k.replace("_", "-")) == v for k, v in wanted.items())
    ]


def _all_charts() -> dict[str, Markup]:
    values = [Fraction(70 + i % 5) for i in range(12)]
    panel = ControlPanel("individuals, µm", values, Fraction(72), Fraction(66), Fraction(78), {3: "beyond a limit"})
    shares = [CountedShare("2026-01", "2026-01", 20, 3)]
    event = GaugeEvent(BEGIN, "FT-2291", EventKind.PASSED)
    return {
        "trend": _trend([*INSIDE_BUILDS, Fraction(95)], events=(event,)).picture,
        "distribution": distribution_figure(Counter(INSIDE_BUILDS), NARROW, Unit.UM, "stile").picture,
        "share": share_figure(shares, "stile", "month").picture,
        "control": control_figure([panel], [str(i) for i in range(12)], Unit.UM, "stile", "Individuals").picture,
        "checks": checks_strip([event], time_axis([BEGIN], 10, 700, ZONE), 800),
    }


@pytest.mark.parametrize("kind", ["trend", "distribution", "share", "control", "checks"])
def test_a_chart_has_a_name_says_what_is_on_it_and_is_one_picture(kind: str) -> None:
    root = ElementTree.fromstring(_all_charts()[kind])  # noqa: S314 - our own
    assert root.get("role") == "img"
    assert [child.tag for child in root][:2] == [f"{SVG}title", f"{SVG}desc"]
    assert all(root[i].text for i in (0, 1))


# The trend.


def test_limits_and_means_stand_where_the_scale_puts_them() -> None:
    """Worked by hand in test_chart_scale: from 58.8 to 91.2 over 242 px up from 268."""
    picture = _trend(INSIDE_BUILDS).picture
    level = {_y(Fraction(b)) for b in (60, 90)}
    walls = _paths(picture, stroke=LIMIT, stroke_width="2")
    assert walls == [f"M58 {y}L764 {y}" for y in sorted(level, key=float)]
    # A single moment stands in the middle of its axis.
    (means,) = _paths(picture, fill=INSIDE)
    assert means == dot(411, 147, 4.2)


def test_a_limit_has_its_strokes_on_the_side_that_is_not_allowed() -> None:
    upper, lower = wall(0, 50, 100, 50, -1), wall(0, 90, 100, 90, 1)
    assert "M0 47L100 47" in upper
    assert "M0 93L100 93" in lower


def test_readings_within_the_limits_leave_no_mark_of_those_outside() -> None:
    figure = _trend(INSIDE_BUILDS, [Fraction(61), Fraction(89)])
    assert OUTSIDE not in figure.picture
    assert not any("outside" in words for _, words in figure.key)


def test_a_planted_reading_outside_gets_a_cross_where_it_is_and_its_mean_keeps_its_dot() -> None:
    """From 60 to 96 with 4 % of 36 around is 58.56 to 97.44, so 96 lies 37.44/38.88 of 242 px above 268."""
    figure = _trend([Fraction(60), Fraction(70), Fraction(96)])
    (crosses,) = _paths(figure.picture, stroke=OUTSIDE)
    assert crosses == cross(411, round(268 - 242 * 37.44 / 38.88, 2), 4.2)
    assert len(_paths(figure.picture, fill=INSIDE)) == 1
    assert [words for _, words in figure.key if "outside" in words] == ["a reading outside the limits"]


def test_a_mean_outside_has_another_shape_and_not_only_another_colour() -> None:
    figure = _trend([Fraction(100), Fraction(100)], INSIDE_BUILDS)
    rings = [path for path in _paths(figure.picture, stroke=OUTSIDE) if "a" in path]
    assert len(rings) == 1
    assert rings[0].count("z") == 1
    assert rings[0].count("l") == 2
    assert _paths(figure.picture, fill=INSIDE)[0].count("z") == 1
    assert "the mean outside the limits" in [words for _, words in figure.key]


def test_on_the_limit_is_within() -> None:
    assert OUTSIDE not in _trend([Fraction(90)], [Fraction(60)]).picture
    assert OUTSIDE in _trend([Fraction(90) + Fraction(1, 10**9)], [Fraction(60)]).picture


def test_limits_that_changed_are_drawn_for_their_own_time() -> None:
    points = [
        point(INSIDE_BUILDS, NARROW, BEGIN),
        point(INSIDE_BUILDS, ONE_SIDED, BEGIN + timedelta(days=10)),
    ]
    walls = _paths(trend_figure(points, (), Unit.UM, "stile", ZONE).picture, stroke=LIMIT, stroke_width="2")
    ends = [tuple(float(x) for x in re.findall(r"[ML](\S+)", path)) for path in walls]
    assert ends == [(58, 411), (58, 411), (411, 764)]


def test_the_target_is_broken_and_limits_are_not() -> None:
    picture = _trend(INSIDE_BUILDS).picture
    assert len(_paths(picture, stroke=TARGET_EDGE, stroke_dasharray="2 4")) == 1
    assert all("2 4" not in e for e in _paths(picture, stroke=LIMIT))


def test_labels_at_the_lines_say_what_they_are_in_exact_figures() -> None:
    window = Window(Fraction("2.0"), Fraction("2.5"), Fraction(3), Fraction(400, 127))
    figure = trend_figure([point([Fraction("2.6")], window)], (), Unit.MIL, "stile", ZONE)
    texts = re.findall(r"<text[^>]*>([^<]*)</text>", figure.picture)
    assert {"lower limit 2", "target from 2.5", "target to 3", "upper limit 3.1496"} <= set(texts)


def test_the_numbers_beneath_are_those_of_the_marks_and_never_round_onto_a_limit() -> None:
    figure = _trend([Fraction("59.96"), Fraction(75)])
    assert figure.table is not None
    assert figure.table.rows == (("lot 0", "2026-01-12", "2", "67.5", "10.63", "59.96", "75.0", "1"),)


@pytest.mark.parametrize("unit", list(Unit))
def test_a_single_reading_has_neither_spread_nor_deviation(unit: Unit) -> None:
    figure = trend_figure([point([Fraction(3)], OPEN)], (), unit, "stile", ZONE)
    assert figure.table is not None
    assert figure.table.rows[0][4] == "–"


# Checks of the gauge.


def test_every_kind_of_event_has_a_shape_of_its_own() -> None:
    axis = time_axis([BEGIN, BEGIN + timedelta(days=10)], 0, 700, ZONE)
    shapes = set()
    for kind in EventKind:
        picture = checks_strip([GaugeEvent(BEGIN + timedelta(days=5), "FT-1", kind)], axis, 800)
        path = [d for d in _paths(picture) if d.startswith(("M350 ", "M345 ", "M345.5 "))][-1]
        shapes.add(re.sub(r"[-\d. ]+", "", path))
    assert len(shapes) == len(EventKind)


def test_checks_stand_on_the_time_axis_of_the_readings() -> None:
    failed = GaugeEvent(BEGIN + timedelta(days=5), "FT-1", EventKind.FAILED)
    picture = _trend(INSIDE_BUILDS, INSIDE_BUILDS, events=(failed,)).picture
    (_, mark) = [path for path in _paths(picture, stroke_width="2.4") + _paths(picture, stroke_width="5") if path]
    assert mark.startswith("M406 ")  # five of ten days: the middle of 58 to 764 is 411, less its arm of 5


def test_ten_years_of_daily_checks_are_few_strokes() -> None:
    many = [GaugeEvent(BEGIN + timedelta(days=n), "FT-1", EventKind.PASSED) for n in range(3650)]
    picture = checks_strip(many, time_axis([many[0].when, many[-1].when], 58, 764, ZONE), 900)
    assert len(picture) < 2500
    assert "3650 checks passed" in picture
    (bar,) = _paths(picture, stroke=INSIDE, stroke_width="6")
    # From the first to the last of them: 2 % of the time stands free at either end of 706 px.
    assert bar == f"M{round(58 + 706 * 2 / 104) - 0.7} 19.5H{round(764 - 706 * 2 / 104) + 0.7}"


def test_a_day_without_a_check_is_a_gap_among_many() -> None:
    days = [n for n in range(100) if n != 50]
    many = [GaugeEvent(BEGIN + timedelta(days=n), "FT-1", EventKind.PASSED) for n in days]
    picture = checks_strip(many, time_axis([BEGIN, BEGIN + timedelta(days=99)], 0, 104 * 99 / 100, ZONE), 900)
    (bars,) = _paths(picture, stroke=INSIDE, stroke_width="6")
    assert bars.count("M") == 2


# The distribution.


@given(
    st.dictionaries(st.integers(-5, 2000).map(lambda n: Fraction(n, 10)), st.integers(1, 50), min_size=1, max_size=60)
)
def test_no_reading_is_lost_or_counted_twice_and_none_outside_becomes_one_inside(builds: dict[Fraction, int]) -> None:
    bins = binned(builds, NARROW)
    assert sum(b.inside + b.outside for b in bins) == sum(builds.values())
    assert sum(b.outside for b in bins) == sum(n for build, n in builds.items() if not NARROW.lets(build))
    assert all(a.end == b.start for a, b in pairwise(bins))
    assert bins[0].start <= min(builds)
    assert max(builds) < bins[-1].end
    assert len(bins) <= 32


def test_a_bar_that_a_limit_goes_through_is_cut_there() -> None:
    """89.5, 90 and 90.5 in one bar of 2: two are within (on the limit is), one is not."""
    builds = {Fraction("88"): 4, Fraction("89.5"): 1, Fraction(90): 1, Fraction("91"): 1, Fraction("99"): 1}
    found = {(b.start, b.inside, b.outside) for b in binned(builds, NARROW) if b.inside or b.outside}
    assert (Fraction(90), 1, 1) in found


def test_bars_are_as_high_as_their_counts() -> None:
    """Counts 1 and 4 on an axis from 0 to 4.16 over 174 px up from 214."""
    figure = distribution_figure({Fraction(70): 1, Fraction(76): 4}, NARROW, Unit.UM, "stile")
    (bars,) = _paths(figure.picture, fill=INSIDE)
    assert [float(top) for top in re.findall(r"V([\d.]+)H", bars)] == [
        round(214 - 174 * 1 / 4.16, 2),
        round(214 - 174 * 4 / 4.16, 2),
    ]


def test_the_caption_says_how_many_are_outside_of_how_many() -> None:
    figure = distribution_figure({Fraction(70): 3, Fraction(95): 1}, NARROW, Unit.UM, "stile")
    assert figure.caption == "Distribution of 4 readings, 1 of 4 (25.0\u00a0%) outside"
    assert "no limits" in distribution_figure({Fraction(70): 3}, OPEN, Unit.UM, "stile").caption


# The share outside.


@pytest.mark.parametrize(
    ("share", "written"),
    [("0", "0.0"), ("1", "100.0"), ("1/8", "12.5"), ("1/30000", "0.003"), ("29999/30000", "99.997"), ("1/3", "33.3")],
)
def test_a_share_is_never_written_as_none_or_all_where_it_is_not(share: str, written: str) -> None:
    assert percent(Fraction(share)) == f"{written}\u00a0%"


def test_a_month_with_readings_outside_has_another_shape_at_its_share() -> None:
    """3 of 20 is 15 %; its upper bound by hand (4.9207 + 1.96 · 1.8736) / 23.8415, 36.04 %, so the axis goes to 37.48 %."""
    shares = [CountedShare("2026-01", "January", 20, 0), CountedShare("2026-02", "February", 20, 3)]
    figure = share_figure(shares, "stile", "month")
    (none,) = _paths(figure.picture, fill=INSIDE)
    (some,) = _paths(figure.picture, fill=OUTSIDE)
    assert none == dot(146.5, 196, 4)
    x, y = (float(v) for v in re.match(r"M(\S+) (\S+?)l", some).groups())  # type: ignore[union-attr]
    assert x == 335.5
    assert y + 5.4 == pytest.approx(196 - 172 * 15 / 37.484, abs=0.05)
    assert figure.table is not None
    assert figure.table.rows[1][:4] == ("February", "20", "3", "15.0\u00a0%")


# Control charts.


def test_control_limits_are_never_drawn_as_limits_of_the_specification() -> None:
    control = _all_charts()["control"]
    assert LIMIT not in control
    assert len(_paths(control, stroke=CONTROL, stroke_dasharray="9 3 2 3")) == 2
    assert len(_paths(control, stroke=CONTROL, stroke_width="1.2")) == 1
    assert CONTROL not in _trend(INSIDE_BUILDS).picture


def test_a_signal_has_another_shape_at_its_point_and_its_reason_in_the_table() -> None:
    values = [Fraction(70), Fraction(90), Fraction(70)]
    panel = ControlPanel("individuals, µm", values, Fraction(72), None, Fraction(80), {1: "beyond a limit"})
    figure = control_figure([panel], ["a", "b", "c"], Unit.UM, "stile", "Individuals")
    (signal,) = _paths(figure.picture, fill=OUTSIDE)
    assert signal == diamond(411, round(216 - 190 * 20.8 / 21.6, 2), 6.4)
    assert _paths(figure.picture, fill=INSIDE)[0].count("z") == 2
    assert figure.table is not None
    assert [row[-1] for row in figure.table.rows] == ["", "beyond a limit", ""]


def test_a_point_that_is_missing_breaks_the_line() -> None:
    values = [None, Fraction(1), Fraction(2), None, Fraction(3)]
    figure = control_figure([ControlPanel("moving range", values)], list("abcde"), Unit.UM, "stile", "Ranges")
    assert [path.count("L") for path in _paths(figure.picture, stroke_width="0.9")] == [1]


def test_limits_that_differ_from_point_to_point_are_stairs() -> None:
    upper = [Fraction(80), Fraction(80), Fraction(90), Fraction(90)]
    figure = control_figure(
        [ControlPanel("mean", [Fraction(70)] * 4, None, None, upper)], list("abcd"), Unit.UM, "x", "y"
    )
    (stairs,) = _paths(figure.picture, stroke=CONTROL)
    assert re.fullmatch(r"M58 \S+H411V\S+H764", stairs)


def test_a_panel_with_too_few_values_is_a_mistake() -> None:
    with pytest.raises(ValueError, match="2 values for 3 points"):
        control_figure([ControlPanel("mean", [Fraction(1)] * 2)], list("abc"), Unit.UM, "x", "y")


# All locations.


@pytest.mark.parametrize(
    ("builds", "window", "mark"),
    [
        (INSIDE_BUILDS, NARROW, "conforms"),
        ([*INSIDE_BUILDS, Fraction(99)], NARROW, "undecided"),
        ([Fraction(99)], NARROW, "does not conform"),
        (INSIDE_BUILDS, OPEN, "undecided"),
    ],
)
def test_a_place_on_the_drawing_has_the_mark_of_how_its_readings_lie(
    builds: list[Fraction], window: Window, mark: str
) -> None:
    assert mark_of(summary("stile", builds, window)) == mark


def test_strips_share_a_scale_and_stand_in_the_order_of_the_job() -> None:
    page = location_picture(
        [summary("stile", INSIDE_BUILDS, NARROW), summary("<rail>", [Fraction(100)], OPEN)], Unit.UM, "caption"
    )
    assert re.findall(r'<th scope="row">([^<]*)</th>', page) == ["stile", "&lt;rail&gt;"]
    # From 60 to 100 with 4 % of 40 around: 58.4 to 101.6 over 284 px from 8.
    assert f"M{round(8 + 284 * 1.6 / 43.2, 2)} 1L" in page
    assert "Film build at &lt;rail&gt;" in page


# Figures.


def test_a_figure_keeps_its_numbers_beneath_and_prints_them_where_they_are_few() -> None:
    few, many = _trend(INSIDE_BUILDS), _trend(*[INSIDE_BUILDS] * 20)
    assert '<details class="short">' in figure_markup(few)
    assert '<details class="long">' in figure_markup(many)
    assert figure_markup(many).count('<th scope="row">') == 20
    assert figure_markup(few).count('<th scope="col"') == 8


def _y(build: Fraction, when: datetime = BEGIN) -> str:
    return f"{268 - 242 * float((build - Fraction('58.8')) / Fraction('32.4')):.2f}".rstrip("0").rstrip(".")

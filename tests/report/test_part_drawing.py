"""The part drawing: every location once, nothing over anything else, and read in the order of the table."""

from __future__ import annotations

import io
import re
from datetime import UTC, datetime
from itertools import combinations
from pathlib import Path
from typing import Final

import pikepdf
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from markupsafe import Markup

from report import pdf
from report.outside_pictures import picture_of
from report.part_drawing import PartDrawing, Place, Verdict, part_drawing
from report.printed import Foot, page_texts, printed_differs
from schemas.errors import BadInput
from schemas.job import Job

SHOP = Path(__file__).parents[2] / "sample_captures" / "shop"
NOON = datetime(2026, 8, 4, 12, tzinfo=UTC)
VERDICTS: Final[tuple[Verdict, ...]] = ("conforms", "does not conform", "undecided")
#: What floats may be off by, in mm.
HAIR = 1e-6

fractions = st.floats(0, 1, allow_nan=False)
names = st.text(alphabet="abcdefgh WXYZµ", min_size=1, max_size=60).map(str.strip).filter(bool)


@st.composite
def many_places(draw: st.DrawFn) -> list[Place]:
    """Return up to 200 locations: spread out, in a heap, on one line or all on one point."""
    count = draw(st.integers(1, 200) | st.integers(1, 30))
    rnd = draw(st.randoms(use_true_random=False))
    way = draw(st.sampled_from(["spread", "heap", "line", "point", "corners"]))
    x0, y0 = draw(fractions), draw(fractions)
    some = draw(st.lists(names, min_size=1, max_size=5))
    places = []
    for n in range(1, count + 1):
        x, y = {
            "spread": (rnd.random(), rnd.random()),
            "heap": (min(1, x0 + rnd.random() / 30), min(1, y0 + rnd.random() / 30)),
            "line": (x0, rnd.random()),
            "point": (x0, y0),
            "corners": (float(rnd.randint(0, 1)), float(rnd.randint(0, 1))),
        }[way]
        places.append(
            Place(n, f"{some[n % len(some)]} {n}", f"{rnd.uniform(1, 200):.1f} µm", x, y, rnd.choice(VERDICTS))
        )
    return places


def _holds_together(made: PartDrawing, places: list[Place]) -> None:
    assert [label.place for label in made.labels] == places
    for label in made.labels:
        assert label.left >= -HAIR
        assert label.top >= -HAIR
        assert label.left + label.width <= made.width + HAIR
        assert label.top + label.height <= made.height + HAIR
    points = [made.point(p) for p in places]
    for x, y in points:
        assert made.left - HAIR <= x <= made.left + made.drawing_width + HAIR
        assert 1.2 <= x <= made.width - 1.2
        assert 1.2 <= y <= made.height - 1.2
    for label in made.labels:
        assert not any(label.reaches(x, y, 1.2) for x, y in points)
    for one, other in combinations(made.labels, 2):
        assert (
            one.left + one.width <= other.left + HAIR
            or other.left + other.width <= one.left + HAIR
            or one.top + one.height <= other.top + HAIR
            or other.top + other.height <= one.top + HAIR
        )


@settings(deadline=None, max_examples=60)
@given(many_places(), st.sampled_from([0.3, 0.7, 1.0, 1.2, 2.8, 6.0]))
def test_no_label_covers_another_or_a_point_or_the_edge(places: list[Place], aspect: float) -> None:
    made = part_drawing(places, aspect, "Points")
    _holds_together(made, places)
    assert made.drawing_width / made.drawing_height == pytest.approx(aspect)
    assert made.height <= 120 + HAIR


@settings(deadline=None, max_examples=12)
@given(st.randoms(use_true_random=False), st.sampled_from([0.5, 1.0, 1.2, 2.0]))
def test_two_hundred_locations_spread_over_a_drawing_always_have_room(rnd: object, aspect: float) -> None:
    places = [Place(n, f"place {n}", "70 µm", rnd.random(), rnd.random(), "conforms") for n in range(1, 201)]  # type: ignore[attr-defined]
    made = part_drawing(places, aspect, "Points")
    assert made.way == "numbers"
    _holds_together(made, places)


@settings(deadline=None, max_examples=10)
@given(many_places())
def test_the_same_places_give_the_same_drawing(places: list[Place]) -> None:
    assert part_drawing(places, 1.2, "Points") == part_drawing(list(places), 1.2, "Points")


@settings(deadline=None, max_examples=40)
@given(st.lists(st.tuples(names, fractions, fractions), min_size=1, max_size=10))
def test_up_to_ten_locations_are_labelled_with_their_values_whatever_their_names(
    some: list[tuple[str, float, float]],
) -> None:
    places = [Place(n, f"{name} {n}", "71.5 µm", x, y, "conforms") for n, (name, x, y) in enumerate(some, 1)]
    made = part_drawing(places, 1.2, "Points")
    assert made.way == "beside"
    _holds_together(made, places)
    for label in made.labels:
        assert "".join(text for text, _ in label.lines).replace(" ", "") == f"{label.place.location}71.5µm".replace(
            " ", ""
        )


def test_labels_give_way_to_numbers_where_the_columns_are_full() -> None:
    def way(count: int) -> tuple[str, int]:
        spread = [
            Place(n, f"place {n}", "70 µm", n * 0.618 % 1, n * 0.414 % 1, "conforms") for n in range(1, count + 1)
        ]
        made = part_drawing(spread, 1.2, "Points")
        return made.way, max(len(label.lines) for label in made.labels)

    assert [way(n) for n in (1, 34, 35, 60, 61, 200)] == [
        ("beside", 2), ("beside", 2), ("beside", 1), ("beside", 1), ("numbers", 1), ("numbers", 1),
    ]  # fmt: skip


def test_lines_of_one_column_do_not_cross_where_they_need_not() -> None:
    places = [Place(n, f"place {n}", "70 µm", 0.6 + 0.03 * (n % 5), n / 12, "conforms") for n in range(1, 12)]
    overlay = part_drawing(places, 1.2, "Points").overlay
    lines = [
        tuple(map(float, m))
        for m in re.findall(r"M([\d.]+) ([\d.]+)L([\d.]+) ([\d.]+)", overlay.split('stroke="#fff"')[0])
    ]
    assert len(lines) == 11

    def side(a: tuple[float, ...], x: float, y: float) -> float:
        return (a[2] - a[0]) * (y - a[1]) - (a[3] - a[1]) * (x - a[0])

    for a, b in combinations(lines, 2):
        assert side(a, *b[:2]) * side(a, *b[2:]) >= 0 or side(b, *a[:2]) * side(b, *a[2:]) >= 0


def test_every_verdict_has_a_mark_of_its_own_shape() -> None:
    shapes = []
    for verdict in VERDICTS:
        made = part_drawing([Place(1, "face", "70 µm", 0.5, 0.5, verdict)], 1.2, "Points")
        shapes.append(re.sub(r"[\d.# -]+", "", made.overlay.rpartition("<path")[2]))
    assert len(set(shapes)) == 3
    assert 'fill="#1d4e6b"' in part_drawing([Place(1, "face", "70 µm", 0.5, 0.5, "conforms")], 1.2, "P").overlay


def test_more_numbers_than_there_is_room_for_are_refused() -> None:
    places = [Place(n, f"place {n}", "70 µm", 0.5, 0.5, "conforms") for n in range(1, 501)]
    with pytest.raises(BadInput, match="no room for the numbers of 500 locations"):
        part_drawing(places, 1.2, "Points", width_mm=40, highest_mm=40)


@pytest.mark.parametrize(("x", "y"), [(1.2, 0.5), (0.5, -0.1), (float("nan"), 0.5)])
def test_a_point_outside_the_drawing_is_refused_by_name(x: float, y: float) -> None:
    with pytest.raises(BadInput, match="location 'face': point .* lies outside the drawing"):
        part_drawing([Place(1, "face", "70 µm", x, y, "conforms")], 1.2, "Points")


def _html(body: Markup) -> str:
    return (
        '<!DOCTYPE html><html lang="en"><head><title>t</title><meta name="dcterms.created" content="2026-08-04T12:00:00Z"/>'
        '<meta name="dcterms.modified" content="2026-08-04T12:00:00Z"/>'
        '<style>@page { @bottom-right { content: "Page " counter(page) " of " counter(pages) } }</style></head>'
        f'<body><div class="foot-left">Film build certificate X</div><p>before</p>{body}<p>after</p><div id="signature-place"></div></body></html>'
    )


def _gate(count: int) -> tuple[Markup, list[Place]]:
    picture = picture_of((SHOP / "drawings" / "gate-leaf.svg").read_bytes(), "gate-leaf.svg")
    places = [
        Place(n, f"bar {n} <b>", "70 µm", n * 0.618 % 1, n * 0.414 % 1, VERDICTS[n % 3]) for n in range(1, count + 1)
    ]
    return part_drawing(places, picture.aspect, "Points").markup(picture.markup("Gate leaf", "d")), places


@pytest.mark.parametrize("count", [3, 40, 120])
def test_the_page_prints_the_labels_in_the_order_of_the_document_between_what_stands_around_them(count: int) -> None:
    body, places = _gate(count)
    made = pdf.render(_html(body), {"certificate.json": b"{}"}, NOON).content
    assert printed_differs(made, _html(body), Foot("Film build certificate X", ("Page ", " of ", ""))) is None
    words = [f"bar{p.number}<b>70µm" if count < 100 else str(p.number) for p in places]
    assert page_texts(made)[0].startswith("before" + "".join(words) + "after")


def test_the_labels_are_painted_over_the_drawing_and_its_marks() -> None:
    body, _ = _gate(120)
    made = pdf.render(_html(body), {"certificate.json": b"{}"}, NOON).content
    with pikepdf.open(io.BytesIO(made)) as opened:
        order = [
            str(step.operands[0])
            for step in pikepdf.parse_content_stream(opened.pages[0])
            if str(step.operator) == "BDC"
        ]
    assert order[:4] == ["/Span", "/Figure", "/Figure", "/Span"]
    assert "/Figure" not in order[3:]


def test_in_the_tag_tree_drawing_and_marks_are_figures_with_words_and_the_labels_follow() -> None:
    body, _ = _gate(3)
    made = pdf.render(_html(body), {"certificate.json": b"{}"}, NOON).content
    with pikepdf.open(io.BytesIO(made)) as opened:
        seen: list[str] = []

        def walk(node: pikepdf.Object) -> None:
            if not isinstance(node, pikepdf.Dictionary):
                return
            if node.get("/S") in ("/Figure", "/P"):
                seen.append(str(node.get("/Alt", node.S)))
            kids = node.get("/K", [])
            for kid in kids if isinstance(kids, pikepdf.Array) else [kids]:
                walk(kid)

        walk(opened.Root.StructTreeRoot.K[0])
    assert seen == ["/P", "Gate leaf", "Points", "/P", "/P", "/P", "/P"]


def test_the_sample_job_has_its_points_on_the_sample_drawing() -> None:
    job = Job.load(SHOP / "jobs" / "gate-leaf.toml")
    picture = picture_of((SHOP / "drawings" / "gate-leaf.svg").read_bytes(), "gate-leaf.svg")
    places = [
        Place(n, place.name, "3.40 mil", float(place.point[0]), float(place.point[1]), "conforms")
        for n, place in enumerate(job.location, 1)
        if place.point is not None
    ]
    made = part_drawing(places, picture.aspect, "Points")
    assert made.way == "beside"
    assert [label.place.location for label in made.labels] == ["front face", "bar edges", "inside corners"]

"""A profile from lines of fields: how they are cut, where the thickness stands, and what the rest is."""

from collections.abc import Mapping, Sequence
from typing import Any

from ingest.teaching_check_question import find_check
from ingest.teaching_checks import tail_of
from ingest.teaching_fields import Evidence, columns_of
from ingest.teaching_lesson import (
    MOST_NAMED,
    Lesson,
    Place,
    decimal_mark_of,
    fields_found,
    finish,
    matches,
    named,
    one_place,
    rounding_is_fine,
)
from ingest.teaching_patterns import Layout, line_pattern
from ingest.teaching_questions import (
    Shown,
    dead_end,
)
from ingest.teaching_shapes import WAYS, Token, Way, shape_of, tokens_of
from schemas.profile import FRAMING


def learn_lines(lesson: Lesson) -> None:
    if not find_check(lesson):
        return
    cut = {way: _cut_all(lesson, way) for way in WAYS}
    places: list[Place] = []
    shapes_differ = True
    for exact, join, times in (
        (True, False, True),
        (True, True, True),
        (False, False, True),
        (False, True, True),
        (True, False, False),
    ):
        for way in WAYS:
            if (way.words_join, way.times) != (join, times):
                continue
            tokens = {i: cut[way][i] for i in lesson.shown if i in cut[way]}
            if len(tokens) < len(lesson.shown) or len({shape_of(t) for t in tokens.values()}) > 1:
                continue
            shapes_differ = False
            for column in columns_of(tokens):
                if column.kind != "number":
                    continue
                found = matches(lesson, column.texts, way.decimal_mark, exact=exact)
                if found is not None and not (found and _are_decimals(tokens, int(column.place))):
                    places.append(Place(way, column.place, found, exact))
        if places:
            break
    if shapes_differ:
        lesson.questions.append(
            dead_end(
                "shape",
                f"lines {' and '.join(str(i + 1) for i in lesson.shown[-MOST_NAMED:])} are built differently, and a profile reads one shape; "
                "look again which line belongs to which reading",
            )
        )
        return
    found_places = places
    places = _apart(places, cut, lesson.given.shown)
    texts = {named(p): cut[p.way][lesson.shown[0]][int(p.at)].text for p in places if p.way}
    place = one_place(lesson, places, texts)
    if place is None or place.way is None:
        return
    if not rounding_is_fine(lesson, place, texts[named(place)]):
        return
    cuts = {
        shape_of(cut[p.way][lesson.shown[0]])
        for p in found_places
        if p.way is not None and (p.way.words_join, p.way.times) == (place.way.words_join, place.way.times)
    }
    _learn_columns(lesson, place, cut[place.way], cut_is_sure=len(cuts) == 1)


def _are_decimals(tokens: Mapping[int, Sequence[Token]], at: int) -> bool:
    """Return whether figures stand behind a mark as decimals do, as in ".52": they are no whole number of hundredths."""
    before = {(line[at - 1].text, line[at].gap, at == 1) for line in tokens.values()} if at else set()
    return any(gap == 0 and (text == "." or (text == "," and first)) for text, gap, first in before)


def _apart(
    places: Sequence[Place], cut: Mapping[Way, Mapping[int, Sequence[Token]]], shown: Mapping[int, Shown]
) -> list[Place]:
    """Return *places* without those that are the same figures of the line, only cut in another way.

    A comma that parts fields is no decimal mark. Else the way that cuts the lines into the fewest pieces stays: its
    decimal mark is the one that other figures have.
    """

    def spans(place: Place) -> tuple[tuple[int, int], ...]:
        if place.way is None:
            return ()
        return tuple((t.start, t.end) for i in shown for t in [cut[place.way][i][int(place.at)]])

    def rank(place: Place) -> tuple[bool, int]:
        if place.way is None:
            return False, 0
        tokens = [t for i in shown for t in cut[place.way][i]]
        parts = place.way.decimal_mark == "," and any(t.kind == "mark" and t.text == "," for t in tokens)
        return parts, len(tokens)

    kept: dict[tuple[object, ...], Place] = {}
    for place in sorted(places, key=rank):
        kept.setdefault((spans(place), place.places), place)

    def is_part(place: Place) -> bool:
        """Return whether *place* is part of figures that are just those of the display, such as 39 in "0,39"."""
        return any(
            other is not place
            and other.way is not None
            and not other.places
            and all(a <= c and d <= b for (a, b), (c, d) in zip(spans(other), spans(place), strict=True))
            and all(
                len(cut[other.way][i][int(other.at)].text.partition(other.way.decimal_mark)[2]) == shown[i].decimals
                for i in shown
            )
            for other in kept.values()
        )

    return [p for p in kept.values() if not is_part(p)]


def _cut_all(lesson: Lesson, way: Way) -> dict[int, tuple[Token, ...]]:
    """Return the pieces of every line; of those without the check that all readings have, nothing."""
    found = {}
    for index, text in lesson.texts.items():
        if index in lesson.given.named:
            continue
        if lesson.tail is None:
            found[index] = tokens_of(text.strip(), way)
            continue
        tail = tail_of(text, lesson.tail)
        if tail is None:
            continue
        if lesson.check is not None and lesson.check.check.wrong(tail.before, tail.piece) is not None:
            continue
        body = tail.before.lstrip()
        gap = len(body) - len(body.rstrip(" "))
        tokens = tokens_of(body, way)
        ends = tuple(Token("mark", c, 0, 0, 0) for c in tail.after if c != " ")
        found[index] = (*tokens, Token("check", tail.piece, len(body), len(body) + len(tail.piece), gap), *ends)
    return found


def _learn_columns(lesson: Lesson, place: Place, cut: Mapping[int, tuple[Token, ...]], *, cut_is_sure: bool) -> None:
    assert place.way is not None  # noqa: S101 - the caller looks
    first = cut[lesson.shown[0]]
    shape = shape_of(first)
    aligned = {i: tokens for i, tokens in sorted(cut.items()) if shape_of(tokens) == shape}
    columns = columns_of(aligned)
    evidence = Evidence(
        columns,
        place.at,
        lesson.shown,
        list(aligned),
        lesson.given.answers,
        lesson.given.arrived,
        cut=f"/{len(columns)}{place.way.decimal_mark}",
        cut_is_sure=cut_is_sure,
    )
    between = {}
    for one, other in _neighbours(first):
        texts = {_between(tokens, one, other) for tokens in aligned.values()}
        between[str(one), str(other)] = texts.pop() if len(texts) == 1 else None
    fields = fields_found(lesson, evidence, between)
    if fields is None:
        return
    mark: str = place.way.decimal_mark
    value = columns[int(place.at)]
    has_decimals = any(mark in text for text in value.texts.values())
    # A comma between fields says nothing of decimals: gauges write "67,5,um" as well.
    decided = has_decimals or place.places > 0
    mark = decimal_mark_of(lesson, mark, decided=decided)
    telling = [i for i in lesson.shown if lesson.given.shown[i].value != 0]
    layout = Layout(
        aligned,
        int(place.at),
        mark if mark != "none" else None,
        place.places,
        fields,
        lesson.check,
        lesson.tail,
        place.way.decimal_mark,
        telling,
    )
    content: dict[str, Any] = {"reading": line_pattern(layout), "decimal_mark": mark if mark != "none" else "."}
    if lesson.check is not None:
        content["check"] = lesson.check.check.model_dump(exclude_defaults=True) | {
            "kind": lesson.check.check.kind,
            "written": lesson.check.check.written,
        }
    control = "".join(sorted({c for i in lesson.shown for c in lesson.texts[i].strip() if c in FRAMING}))
    if control:
        content["control"] = control
    finish(lesson, content, evidence, fields, place)


def _neighbours(tokens: Sequence[Token]) -> list[tuple[int, int]]:
    """Return the pairs that may be a day and a time: only marks, or one T, between them."""
    found = []
    for one, token in enumerate(tokens):
        if token.kind not in ("day", "clock", "number"):
            continue
        for other in range(one + 1, min(one + 4, len(tokens))):
            if tokens[other].kind in ("day", "clock", "number"):
                found.append((one, other))
                break
            if tokens[other].kind != "mark" and tokens[other].text != "T":
                break
    return found


def _between(tokens: Sequence[Token], one: int, other: int) -> str:
    """Return what stands between two pieces, several blanks as one: a time format reads any number of them."""
    out = []
    for token in tokens[one + 1 : other]:
        out.append(" " * min(token.gap, 1) + token.text)
    return "".join(out) + " " * min(tokens[other].gap, 1)

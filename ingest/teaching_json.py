"""A profile from lines that are JSON objects."""

import json
import re
from collections.abc import Mapping
from typing import Any

from ingest.teaching_fields import Column, Evidence
from ingest.teaching_lesson import (
    Lesson,
    Place,
    decimal_mark_of,
    fields_found,
    finish,
    matches,
    one_place,
    rounding_is_fine,
)
from ingest.teaching_questions import (
    dead_end,
)
from ingest.teaching_shapes import WAYS, tokens_of
from ingest.teaching_times import stamp_formats


def object_of(text: str) -> dict[str, Any] | None:
    try:
        found = json.loads(text, parse_float=str, parse_int=str, parse_constant=str)
    except (ValueError, RecursionError):
        return None
    return found if isinstance(found, dict) else None


def _json_columns(objects: Mapping[int, Mapping[str, Any]]) -> list[Column]:
    keys = list(dict.fromkeys(key for found in objects.values() for key in found))
    columns = []
    for key in keys:
        texts = {
            i: v if isinstance(v, str) else json.dumps(v)
            for i, found in objects.items()
            if (v := found.get(key)) is not None
        }
        if not texts:
            continue
        kinds = {_json_kind(text) for text in texts.values()}
        columns.append(Column(key, texts, kinds.pop() if len(kinds) == 1 else "word"))
    return columns


def _json_kind(text: str) -> str:
    if re.fullmatch(r"[-+]?[0-9]+(?:[.,][0-9]+)?", text.strip()):
        return "number"
    kinds = {t.kind for t in tokens_of(text, WAYS[0])}
    if {"day", "clock"} <= kinds or stamp_formats([text]):
        return "moment"
    return "day" if kinds == {"day"} else "clock" if kinds == {"clock"} else "word"


def learn_json(lesson: Lesson, objects: Mapping[int, Mapping[str, Any]]) -> bool:
    """Learn from JSON objects; return False where the thickness has no key of its own."""
    shown_keys = [frozenset(objects[i]) for i in lesson.shown]
    columns = _json_columns({i: objects[i] for i in lesson.shown})
    found: list[tuple[Place, str]] = []
    for exact in (True, False):
        for column in columns:
            if any(i not in column.texts for i in lesson.shown):
                continue
            texts = {i: column.texts[i].strip() for i in lesson.shown}
            marks = (".", ",") if any("," in t for t in texts.values()) else (".",)
            for mark in marks:
                places = matches(lesson, texts, mark, exact=exact)
                if places is not None:
                    found.append((Place(None, column.place, places, exact), mark))
        if found:
            break
    if not found:
        return False
    if len(set(shown_keys)) > 1:
        lesson.questions.append(
            dead_end("keys", "the objects of the readings have different keys, and a profile reads one kind of object")
        )
        return True
    by_name = {c.place: c.texts[lesson.shown[0]] for c in columns}
    place = one_place(lesson, [p for p, _ in found], by_name)
    if place is None:
        return True
    mark = next(m for p, m in found if p is place)
    if not rounding_is_fine(lesson, place, by_name[place.at]):
        return True
    aligned = {
        i: o
        for i, o in objects.items()
        if frozenset(o) == shown_keys[0]
        and i not in lesson.given.named
        and isinstance(o.get(place.at), str)
        and re.fullmatch(rf"\s*[-+]?[0-9]+(?:{re.escape(mark)}[0-9]+)?\s*", o[place.at])
    }
    columns = _json_columns(aligned)
    evidence = Evidence(
        columns, place.at, lesson.shown, sorted(aligned), lesson.given.answers, lesson.given.arrived, ""
    )
    has_decimals = any(mark in c.texts[i] for c in columns if c.place == place.at for i in c.texts)
    # A number in JSON has a point; only one in quotes leaves the mark open.
    is_text = any(not re.search(rf'"{re.escape(place.at)}"\s*:\s*[-0-9]', lesson.texts[i]) for i in lesson.shown)
    fields = fields_found(lesson, evidence, {})
    if fields is None:
        return True
    mark = decimal_mark_of(lesson, mark, decided=has_decimals or place.places > 0 or not is_text)
    keys = {"thickness": place.at}
    for name in ("unit", "counter", "mode"):
        if (key := getattr(fields, name)) is not None:
            keys[name] = key
    if fields.moment is not None:
        keys["time"] = fields.moment.places[0]
    fixed = {k: v[0] for k, v in fields.fixed.items() if k not in keys.values()}
    if any(len(v) > 1 for k, v in fields.fixed.items()):
        lesson.notes.append("keys with several fixed words are passed over")
        fixed = {k: v[0] for k, v in fields.fixed.items() if len(v) == 1}
    others = sorted(set(shown_keys[0]) - set(keys.values()) - set(fixed))
    content: dict[str, Any] = {
        "form": "json",
        "keys": keys,
        "other_keys": others,
        "decimal_mark": mark if mark != "none" else ".",
    }
    if fixed:
        content["fixed_keys"] = fixed
    finish(lesson, content, evidence, fields, place)
    return True

"""Text that remembers its template."""

from __future__ import annotations

import copy
import json
import pickle
from datetime import date

import pytest

from rules.sentence import Day, Figures, Sentence, from_plain, joined, restated, said, to_plain

WHOLE = said(
    "{n} of {places} on {day}: {why}",
    n=3,
    places=joined(["web", Figures("2.50")], ", "),
    day=Day(date(2026, 1, 2)),
    why=said("below"),
)


def test_it_is_a_plain_english_str_to_whoever_prints_it() -> None:
    assert WHOLE == "3 of web, 2.50 on 2026-01-02: below"
    assert json.dumps(WHOLE) == '"3 of web, 2.50 on 2026-01-02: below"'


@pytest.mark.parametrize("again", [copy.deepcopy, lambda t: pickle.loads(pickle.dumps(t))], ids=["copied", "pickled"])  # noqa: S301
def test_a_copy_remembers_as_much(again) -> None:  # type: ignore[no-untyped-def]
    assert to_plain(again(WHOLE)) == to_plain(WHOLE)


def test_what_is_written_to_json_comes_back() -> None:
    back = from_plain(json.loads(json.dumps(to_plain(WHOLE))))
    assert back == WHOLE
    assert isinstance(back, Sentence)
    assert back.template == WHOLE.template
    assert from_plain("as a person wrote it") == "as a person wrote it"


def test_another_language_says_template_figures_and_day_in_its_own_way_and_leaves_a_persons_words() -> None:
    words = {"{n} of {places} on {day}: {why}": "{why}, {day}: {n} von {places}", "below": "darunter"}
    said_so = restated(WHOLE, words.__getitem__, lambda f: f.replace(".", ","), lambda d: f"{d:%d.%m.%Y}")
    assert said_so == "darunter, 02.01.2026: 3 von web, 2,50"
    assert type(said_so) is str


@pytest.mark.parametrize(
    "plain",
    [
        {"template": "{n.__class__}", "values": {"n": 1}},
        {"template": "{n:>999999999}", "values": {"n": 1}},
        {"template": "{n!r}", "values": {"n": 1}},
        {"template": "{0}", "values": {}},
        {"template": "{", "values": {}},
        {"template": "{n}", "values": {}},
        {"template": 3, "values": {}},
        {"day": "yesterday"},
        {"figures": 2.5},
        {},
        None,
        3,
    ],
)
def test_what_asks_for_more_than_putting_values_in_is_refused(plain: object) -> None:
    with pytest.raises((KeyError, TypeError, ValueError)):
        from_plain(plain)

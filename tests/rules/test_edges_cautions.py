"""How the file of cautions is read: everything in its place, and what is refused, in words. The content is invented."""

from __future__ import annotations

import re

import pytest

from rules.cautions import Cautions, StopClass, SubstrateCaution, cautions, parse_cautions, stop_classes, strip_cautions
from rules.results import Caution

SAID = 'authority = "the board"\nsource = "its page"\nknown = "read"\nseen = 2026-11-25\n'
PLAIN = "\n".join(f'[[{name}]]\ntext = "{name} hurts"\n{SAID}' for name in ("stripping", "scuffing", "touch_up"))
SUBSTRATE = f"[[substrate]]\ntext = \"tin melts\"\nwords = ['tin', 'pewter']\n{SAID}"
STOP = f'[[stop]]\nname = "Swings"\nwhy = "children sit on them"\nwords = [\'swing\']\n{SAID}'
WHOLE = f"{PLAIN}\n{SUBSTRATE}\n{STOP}"


def _caution(text: str) -> Caution:
    return Caution(text, "the board", "read", "its page", "2026-11-25")


def test_every_entry_stands_in_its_place() -> None:
    assert parse_cautions(WHOLE) == Cautions(
        stripping=(_caution("stripping hurts"),),
        scuffing=(_caution("scuffing hurts"),),
        touch_up=(_caution("touch_up hurts"),),
        by_substrate=(SubstrateCaution(re.compile("(?:tin)|(?:pewter)", re.IGNORECASE), _caution("tin melts")),),
        stop_list=(
            StopClass(
                "Swings",
                "children sit on them",
                "the board",
                "read",
                re.compile("(?:swing)", re.IGNORECASE),
                "its page",
                "2026-11-25",
            ),
        ),
    )
    (swings,) = parse_cautions(WHOLE).stop_list
    assert swings.as_caution() == _caution("Swings: children sit on them")


def test_several_entries_stand_in_their_order() -> None:
    twice = WHOLE.replace("[[scuffing]]", f'[[scuffing]]\ntext = "first"\n{SAID}\n[[scuffing]]')
    assert [caution.text for caution in parse_cautions(twice).scuffing] == ["first", "scuffing hurts"]


KEYS = "'authority', 'known', 'seen', 'source'"


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        pytest.param(
            "[[touch_up]]",
            "[[other]]",
            "cautions: sections ['other', 'scuffing', 'stop', 'stripping', 'substrate'] where ['scuffing', 'stop', "
            "'stripping', 'substrate', 'touch_up'] are asked for",
            id="unknown section",
        ),
        pytest.param("[[touch_up]]", "[touch_up]", "cautions: touch_up holds no entries", id="no list"),
        pytest.param(
            '"stripping hurts"\nauthority = "the board"\n',
            '"stripping hurts"\n',
            f"cautions: stripping 1: keys ['known', 'seen', 'source', 'text'] where [{KEYS}, 'text'] are asked for",
            id="missing key",
        ),
        pytest.param(
            'name = "Swings"\n',
            'title = "Swings"\n',
            f"cautions: stop 1: keys [{KEYS}, 'title', 'why', 'words'] where ['authority', 'known', 'name', 'seen', "
            "'source', 'why', 'words'] are asked for",
            id="unknown key",
        ),
        pytest.param('"tin melts"', '"  "', "cautions: substrate 1: text is '  '", id="empty text"),
        pytest.param('"tin melts"', "3", "cautions: substrate 1: text is 3", id="no text"),
        pytest.param("['swing']", "[]", "cautions: stop 1: words is []", id="no words"),
        pytest.param("['swing']", "['swing', '']", "cautions: stop 1: words is ['swing', '']", id="an empty word"),
        pytest.param("['swing']", "['swing', 3]", "cautions: stop 1: words is ['swing', 3]", id="a word that is none"),
        pytest.param("['swing']", "'swing'", "cautions: stop 1: words is 'swing'", id="words that are no list"),
    ],
)
def test_one_thing_wrong_is_refused_in_words(old: str, new: str, sentence: str) -> None:
    assert WHOLE.count(old) == 1
    with pytest.raises(ValueError, match=f"^{re.escape(sentence)}$"):
        parse_cautions(WHOLE.replace(old, new))


def test_a_section_of_no_entries_or_of_other_things_is_refused_in_words() -> None:
    none = "touch_up = []\n" + WHOLE.replace(f'[[touch_up]]\ntext = "touch_up hurts"\n{SAID}', "")
    with pytest.raises(ValueError, match=r"^cautions: touch_up holds no entries$"):
        parse_cautions(none)
    number = none.replace("touch_up = []", "touch_up = [3]")
    with pytest.raises(ValueError, match=rf"^cautions: touch_up 1: keys 3 where \[{KEYS}, 'text'\] are asked for$"):
        parse_cautions(number)


@pytest.mark.parametrize("seen", ['"2026-11-25"', "2026-11-25T08:00:00"])
def test_the_day_is_a_day(seen: str) -> None:
    wrong = STOP.replace("seen = 2026-11-25", f"seen = {seen}")
    with pytest.raises(ValueError, match=r"^cautions: stop 1: seen is "):
        parse_cautions(f"{PLAIN}\n{SUBSTRATE}\n{wrong}")


def test_the_second_entry_is_counted_as_the_second() -> None:
    with pytest.raises(ValueError, match=r"^cautions: stop 2: why is ''$"):
        parse_cautions(f"{WHOLE}\n{STOP.replace('children sit on them', '')}")


def test_cautions_to_strip_stand_by_substrate_then_the_usual_ones_then_the_stop_list() -> None:
    known = cautions()
    usual = (*known.stripping, *(entry.as_caution() for entry in known.stop_list))
    assert strip_cautions("plain sheet") == usual
    zinc = [entry.caution for entry in known.by_substrate if entry.words.search("Hot-dip GALVANIZED steel")]
    assert len(zinc) == 1
    assert strip_cautions("Hot-dip GALVANIZED steel") == (*zinc, *usual)


def test_words_are_looked_for_in_each_text_and_never_across_two() -> None:
    (hook,) = stop_classes("Lifting hook")
    assert stop_classes(None, "", "lifting HOOK") == (hook,)
    assert stop_classes("Lifting", "hook") == ()
    assert hook in stop_classes("Garden gate", "Lifting hook")

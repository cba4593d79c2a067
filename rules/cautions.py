"""The usual cautions around stripping, blasting, ovens and sanding, and the parts that nobody just strips.

The data stand in ``cautions.toml`` beside this module, each entry with the authority that publishes it, where
it was read, when, and how well it is known. They say what can go wrong and whom to ask, never how to do the
work: the product data sheet, the safety data sheets, local codes and licensed practice govern.

The rules do no I/O. Reading this one file is no exception in spirit: it is a part of the package like the code
around it, the same bytes at every call, read once through the import system and checked strictly.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from functools import cache
from importlib.resources import files
from typing import Any, Final

from rules.results import Caution
from rules.sentence import Sentence, joined, said


@dataclass(frozen=True, slots=True)
class SubstrateCaution:
    """A caution that a word in the job's substrate calls for."""

    words: re.Pattern[str]
    caution: Caution


@dataclass(frozen=True, slots=True)
class StopClass:
    """A class of parts that is not stripped or baked again without its owner's word.

    Attributes:
        words: What in a job's title, substrate or specification points to the class. A hint only: no
            list of words knows every such part.
    """

    name: str
    why: str
    authority: str
    known: str
    words: re.Pattern[str]
    source: str = ""
    seen: str = ""

    def as_caution(self) -> Caution:
        """Return the class as a caution to print."""
        return Caution(joined([self.name, self.why], ": "), self.authority, self.known, self.source, self.seen)

    def as_reason(self) -> str:
        """Return that the job's words point to the class, in a sentence."""
        return said(
            "The job's words point to {parts}: {why} ({authority}; {known}).",
            parts=_as_said(within_a_sentence(self.name)),
            why=self.why,
            authority=self.authority,
            known=self.known,
        )


@dataclass(frozen=True, slots=True)
class Cautions:
    """All that stands in the file.

    Attributes:
        stripping: Printed with every advice to strip.
        scuffing: Printed with every advice to scuff and recoat.
        touch_up: Printed with every advice to touch up.
        by_substrate: Printed besides with an advice to strip, where the job's substrate names the metal.
        stop_list: Parts for which heat, acid or blasting can take strength away with nothing to be seen.
    """

    stripping: tuple[Caution, ...]
    scuffing: tuple[Caution, ...]
    touch_up: tuple[Caution, ...]
    by_substrate: tuple[SubstrateCaution, ...]
    stop_list: tuple[StopClass, ...]


_SAID: Final = frozenset({"authority", "source", "known", "seen"})
_KEYS: Final = {
    "stripping": _SAID | {"text"},
    "scuffing": _SAID | {"text"},
    "touch_up": _SAID | {"text"},
    "substrate": _SAID | {"text", "words"},
    "stop": _SAID | {"name", "why", "words"},
}


@cache
def cautions() -> Cautions:
    """Return all cautions and the stop list of this edition of the program."""
    return parse_cautions((files("rules") / "cautions.toml").read_text(encoding="utf-8"))


def parse_cautions(content: str) -> Cautions:
    """Return what *content*, in TOML, says.

    Raises:
        ValueError: It is no TOML, a section or a key is unknown, missing or empty, or of the wrong kind.
    """
    data = tomllib.loads(content)
    if data.keys() != _KEYS.keys():
        raise ValueError(f"cautions: sections {sorted(data)} where {sorted(_KEYS)} are asked for")
    for section, keys in _KEYS.items():
        entries = data[section]
        if not isinstance(entries, list) or not entries:
            raise ValueError(f"cautions: {section} holds no entries")
        for number, entry in enumerate(entries, start=1):
            _check(f"cautions: {section} {number}", entry, keys)
    return Cautions(
        stripping=tuple(_caution(e) for e in data["stripping"]),
        scuffing=tuple(_caution(e) for e in data["scuffing"]),
        touch_up=tuple(_caution(e) for e in data["touch_up"]),
        by_substrate=tuple(SubstrateCaution(_pattern(e["words"]), _caution(e)) for e in data["substrate"]),
        stop_list=tuple(
            StopClass(
                _as_said(e["name"]),
                _as_said(e["why"]),
                _as_said(e["authority"]),
                _as_said(e["known"]),
                _pattern(e["words"]),
                e["source"],
                e["seen"].isoformat(),
            )
            for e in data["stop"]
        ),
    )


def _check(where: str, entry: Any, keys: frozenset[str]) -> None:
    if not isinstance(entry, dict) or entry.keys() != keys:
        got = sorted(entry) if isinstance(entry, dict) else entry
        raise ValueError(f"{where}: keys {got} where {sorted(keys)} are asked for")
    for key, value in entry.items():
        if key == "seen":
            good = isinstance(value, date) and not isinstance(value, datetime)
        elif key == "words":
            good = isinstance(value, list) and bool(value) and all(isinstance(word, str) and word for word in value)
        else:
            good = isinstance(value, str) and bool(value.strip())
        if not good:
            raise ValueError(f"{where}: {key} is {value!r}")


def _caution(entry: Mapping[str, Any]) -> Caution:
    text, authority, known = (_as_said(entry[key]) for key in ("text", "authority", "known"))
    return Caution(text, authority, known, entry["source"], entry["seen"].isoformat())


def within_a_sentence(name: str) -> str:
    """Return the name of a class of parts as it stands within a sentence."""
    return f"{name[0].lower()}{name[1:]}"


def _as_said(text: str) -> Sentence:
    """Return a text of the file as a template that nothing is put into."""
    return Sentence(text.replace("{", "{{").replace("}", "}}"), {})


def _pattern(words: list[str]) -> re.Pattern[str]:
    return re.compile("|".join(f"(?:{word})" for word in words), re.IGNORECASE)


def stop_classes(*texts: str | None) -> tuple[StopClass, ...]:
    """Return the classes of the stop list that the words of *texts* point to."""
    words = " / ".join(text for text in texts if text)
    return tuple(entry for entry in cautions().stop_list if entry.words.search(words))


def strip_cautions(substrate: str) -> tuple[Caution, ...]:
    """Return all cautions that go with an advice to strip: by substrate first, then the usual ones, then the stop list."""
    known = cautions()
    return (
        *(entry.caution for entry in known.by_substrate if entry.words.search(substrate)),
        *known.stripping,
        *(entry.as_caution() for entry in known.stop_list),
    )

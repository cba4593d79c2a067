"""Text that remembers how it was put together, so that a certificate can say it in another language.

To whoever compares, prints or stores it, a :class:`Sentence` is a plain English str. It also keeps its
template and what was put in, and a catalogue that knows the template says the same in its own words.
Text that a person wrote stays a plain str, and is never translated.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from datetime import date
from functools import partial
from typing import Any, Final

_KINDS: Final = ("template", "parts", "figures", "day")
# A template that comes from outside may name what goes in, and ask nothing else of str.format.
_PLAIN_TEMPLATE: Final = re.compile(r"(?:[^{}]|\{\{|\}\}|\{[a-z_][a-z_0-9]*\})*", re.DOTALL)
#: No sentence that is kept is longer; one that is put together from outside could fill the memory.
_LONGEST: Final = 20_000


class Figures(str):
    """A number as English writes it; another language may write its decimal mark otherwise."""

    __slots__ = ()


class Day(str):
    """A day, written as year, month and day; a reader may want it in another order."""

    __slots__ = ("day",)
    day: date

    def __new__(cls, day: date) -> Day:
        made = super().__new__(cls, day.isoformat())
        made.day = day
        return made

    def __getnewargs__(self) -> tuple[Any, ...]:
        return (self.day,)


class Sentence(str):
    """A template with what was put in.

    Attributes:
        template: English text with {names} where something goes in.
        values: What goes in: plain text, whole numbers, or text of the kinds of this module.
    """

    __slots__ = ("template", "values")
    template: str
    values: Mapping[str, Any]

    def __new__(cls, template: str, values: Mapping[str, Any]) -> Sentence:
        made = super().__new__(cls, template.format(**values))
        made.template = template
        made.values = dict(values)
        return made

    def __getnewargs__(self) -> tuple[Any, ...]:
        return (self.template, self.values)

    def of(self, **values: Any) -> Sentence:
        """Return the same sentence with other *values* in the slots they name."""
        return Sentence(self.template, {**self.values, **values})


class Joined(str):
    """Texts one after the other."""

    __slots__ = ("parts", "separator")
    parts: tuple[str, ...]
    separator: str

    def __new__(cls, parts: Iterable[str], separator: str = " ") -> Joined:
        kept = tuple(parts)
        made = super().__new__(cls, separator.join(kept))
        made.parts = kept
        made.separator = separator
        return made

    def __getnewargs__(self) -> tuple[Any, ...]:
        return (self.parts, self.separator)


def said(template: str, /, **values: Any) -> Sentence:
    """Return *template* with *values* put in.

    The template is written out where it is said, never put together: the catalogues are held complete by
    reading the sources. A brace of its own is doubled, as in str.format; a value is put in as it stands,
    without a format.
    """
    return Sentence(template, values)


def template(text: str, /) -> Callable[..., Sentence]:
    """Return what says *text* with the values it is given: for a table that one of several is chosen from.

    The text is written out here as it is in :func:`said`.
    """
    return partial(said, text)


def joined(parts: Iterable[str], separator: str = " ") -> Joined:
    """Return *parts* with *separator* between them: punctuation and blanks, never a word."""
    return Joined(parts, separator)


def restated(
    text: str,
    word: Callable[[str], str],
    figures: Callable[[str], str],
    day: Callable[[date], str],
    separator: Callable[[str], str] = str,
) -> str:
    """Return *text* said otherwise, as a plain str.

    Args:
        text: Any text; a plain one is returned as it is.
        word: From a template to that of the other language.
        figures: From a number in English figures to that of the other language.
        day: How a day is written.
        separator: From what stands between two texts to what stands there in the other language.
    """

    def other(value: Any) -> Any:
        return restated(value, word, figures, day, separator) if isinstance(value, str) else value

    if isinstance(text, Sentence):
        return word(text.template).format(**{name: other(value) for name, value in text.values.items()})
    if isinstance(text, Joined):
        return separator(text.separator).join(other(part) for part in text.parts)
    if isinstance(text, Figures):
        return figures(text)
    if isinstance(text, Day):
        return day(text.day)
    return str(text)


def to_plain(text: str) -> Any:
    """Return *text* as JSON that :func:`from_plain` makes the same of: a plain str stays one."""
    if isinstance(text, Sentence):
        return {"template": text.template, "values": {k: _value_to_plain(v) for k, v in text.values.items()}}
    if isinstance(text, Joined):
        return {"parts": [to_plain(part) for part in text.parts], "separator": text.separator}
    if isinstance(text, Figures):
        return {"figures": str(text)}
    if isinstance(text, Day):
        return {"day": text.day.isoformat()}
    return str(text)


def from_plain(plain: Any) -> str:
    """Return the text that :func:`to_plain` wrote.

    Raises:
        KeyError, TypeError, ValueError: It is no such text, or longer than any is.
    """
    if isinstance(plain, str):
        return plain
    if not isinstance(plain, dict) or not any(kind in plain for kind in _KINDS):
        raise TypeError(f"{plain!r} is no text")
    if "template" in plain:
        template = _text(plain["template"])
        if not _PLAIN_TEMPLATE.fullmatch(template):
            raise ValueError(f"{template!r} asks for more than putting values in")
        values = {k: _value_from_plain(v) for k, v in plain["values"].items()}
        _refuse_giant(len(template) + sum(template.count(f"{{{k}}}") * len(str(v)) for k, v in values.items()))
        return Sentence(template, values)
    if "parts" in plain:
        parts, separator = [from_plain(part) for part in plain["parts"]], _text(plain["separator"])
        _refuse_giant(sum(len(part) + len(separator) for part in parts))
        return Joined(parts, separator)
    if "figures" in plain:
        return Figures(_text(plain["figures"]))
    return Day(date.fromisoformat(plain["day"]))


def _value_to_plain(value: Any) -> Any:
    return to_plain(value) if isinstance(value, str) else value


def _value_from_plain(plain: Any) -> Any:
    return plain if isinstance(plain, int) else from_plain(plain)


def _refuse_giant(length: int) -> None:
    if length > _LONGEST:
        raise ValueError(f"a text of {length} characters is none that is kept")


def _text(plain: Any) -> str:
    if not isinstance(plain, str):
        raise TypeError(f"{plain!r} is no text")
    return plain

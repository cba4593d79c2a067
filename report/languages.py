"""The languages of a certificate: the same text in other words, numbers and days as the reader writes them.

A catalogue is a TOML file from English templates to those of its language (rules/sentence.py says what a
template is). Text that a person wrote, names and codes are never translated.
"""

from __future__ import annotations

import dataclasses
import tomllib
from dataclasses import dataclass
from datetime import date
from functools import cache
from importlib.resources import files
from typing import Any, Final, TypeVar

from rules.sentence import restated
from schemas.customer import Customer
from schemas.shop import Shop
from schemas.units import Unit
from schemas.vocabulary import DateStyle, Language

_T = TypeVar("_T")

#: How a language writes numbers and days where nobody says otherwise.
_HABITS: Final = {
    Language.ENGLISH: (".", DateStyle.YEAR_FIRST),
    Language.GERMAN: (",", DateStyle.POINTS),
    Language.FRENCH: (",", DateStyle.STROKES),
    Language.SPANISH: (",", DateStyle.STROKES),
}
_MONTHS: Final = {
    Language.ENGLISH: "Jan Feb Mar Apr May Jun Jul Aug Sep Oct Nov Dec",
    Language.GERMAN: "Jan. Feb. März Apr. Mai Juni Juli Aug. Sept. Okt. Nov. Dez.",
    Language.FRENCH: "janv. févr. mars avr. mai juin juil. août sept. oct. nov. déc.",
    Language.SPANISH: "ene. feb. mar. abr. may. jun. jul. ago. sept. oct. nov. dic.",
}
_NBSP: Final = "\u00a0"
#: French sets a space before them, at which no line breaks (common practice; no source).
_SEPARATORS: Final = {Language.FRENCH: {"; ": f"{_NBSP}; ", ": ": f"{_NBSP}: "}}


@dataclass(frozen=True, slots=True)
class Presentation:
    """How one certificate is written.

    Attributes:
        language: Its language.
        decimal_mark: What stands between whole and decimals: "." or ",".
        dates: How days are written.
        page: "A4" or "Letter".
        also_in: A second unit for the means, for information; None where there is none.
    """

    language: Language
    decimal_mark: str
    dates: DateStyle
    page: str
    also_in: Unit | None = None

    def text(self, text: str) -> str:
        """Return *text* as this certificate writes it.

        Raises:
            LookupError: The catalogue does not know a template; a test holds the catalogues complete.
        """
        return restated(text, self.word, self.number, self.day, self.separator)

    def word(self, template: str) -> str:
        """Return the template in the language."""
        if self.language is Language.ENGLISH:
            return template
        try:
            return catalogue(self.language)[template]
        except KeyError:
            raise LookupError(f"the catalogue {self.language.value} does not know {template!r}") from None

    def separator(self, between: str) -> str:
        """Return what stands between two texts, as the language sets it."""
        return _SEPARATORS.get(self.language, {}).get(between, between)

    def number(self, figures: str) -> str:
        """Return a number that is written with a point."""
        return figures.replace(".", self.decimal_mark)

    def figures(self, number: str) -> str:
        """Return a number of this certificate as it is written with a point; undoes :meth:`number`."""
        return number if self.decimal_mark == "." else number.replace(".", "?").replace(self.decimal_mark, ".")

    def day(self, day: date) -> str:
        """Return a day."""
        if self.dates is DateStyle.YEAR_FIRST:
            return day.isoformat()
        if self.dates is DateStyle.NAMED:
            return f"{day.day}{_NBSP}{_MONTHS[self.language].split()[day.month - 1]}{_NBSP}{day.year}"
        return day.strftime("%d.%m.%Y" if self.dates is DateStyle.POINTS else "%d/%m/%Y")

    def whole(self, view: _T) -> _T:
        """Return *view*, made of dataclasses, tuples and text, with every text as this certificate writes it."""
        restated_view: _T = _whole(view, self)
        return restated_view


def _whole(value: Any, presentation: Presentation) -> Any:
    if isinstance(value, str):
        return presentation.text(value)
    if isinstance(value, tuple):
        return tuple(_whole(inner, presentation) for inner in value)
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        fields = dataclasses.fields(value)
        return dataclasses.replace(value, **{f.name: _whole(getattr(value, f.name), presentation) for f in fields})
    return value


def presentation_of(shop: Shop, customer: Customer | None) -> Presentation:
    """Return how a certificate of *shop* for *customer* is written: as the customer's file says, else as the shop's."""
    look = shop.certificate
    language = look.language
    mark, dates = look.decimal_mark, look.dates
    page, also_in = shop.page, None
    if customer is not None:
        if customer.language is not None and customer.language is not language:
            # The shop's habits are those of its own language.
            language, mark, dates = customer.language, None, None
        mark, dates = customer.decimal_mark or mark, customer.dates or dates
        page, also_in = customer.page or page, customer.also_in
    usual_mark, usual_dates = _HABITS[language]
    return Presentation(language, mark or usual_mark, dates or usual_dates, page, also_in)


@cache
def catalogue(language: Language) -> dict[str, str]:
    """Return the catalogue of *language*: English template to its own."""
    text = (files("report") / "catalogues" / f"{language.value}.toml").read_text(encoding="utf-8")
    said: dict[str, str] = tomllib.loads(text)["words"]
    return said

"""What a certificate's pages print, read from the PDF itself and compared with what they should.

Reads only what our own pages are made of: text of fonts with a ToUnicode table, line by line in the
order of the document. Pictures are forms of their own and are passed over.
"""

from __future__ import annotations

import io
from collections import Counter
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from html.parser import HTMLParser
from typing import Any, Final

import pikepdf

from report.document import ReadDocument
from report.page_content import to_unicode

_GLYPH_BYTES: Final = 2
_NOT_PRINTED: Final = ("picture", "page", "kind", "language", "code_text", "page_count", "shown_otherwise")
#: What of a certificate's strings follows from its data alone.
_OF_THE_DATA: Final = ("issued", "order", "process", "gauge", "checks", "builds", "budgets", "readings")
_BETWEEN_READINGS: Final = "\u2002"
_MOST_SHOWN: Final = 80
_BULLET: Final = "\u2022"


@dataclass(frozen=True, slots=True)
class Foot:
    """What stands at the foot of every page.

    Attributes:
        text: Which certificate it is.
        page_count: What stands before, between and after the page's number and the number of pages.
    """

    text: str
    page_count: tuple[str, str, str]

    @classmethod
    def of(cls, stated: Mapping[str, Any]) -> Foot:
        """Return the foot that a certificate's strings state; before document version 3 it was always English."""
        text = stated.get("foot", f"Film build certificate {stated['number']}")
        before, between, after = stated.get("page_count", ("Page ", " of ", ""))
        return cls(text, (before, between, after))

    def of_page(self, which: int, of: int) -> tuple[str, str]:
        """Return the two texts at the foot of page *which*, without blanks."""
        before, between, after = self.page_count
        return _packed(self.text), _packed(f"{before}{which}{between}{of}{after}")


def page_texts(pdf: bytes) -> list[str]:
    """Return what each page prints, without blanks."""
    with pikepdf.open(io.BytesIO(pdf)) as opened:
        return [_text(page) for page in opened.pages]


def printed_differs(pdf: bytes, html: str, foot: Foot, pages: Sequence[str] | None = None) -> str | None:
    """Return in a sentence where the pages print something else than *html*, or None where they do not.

    Args:
        pdf: The certificate.
        html: What its pages should be laid out from.
        foot: What stands at the foot of every page.
        pages: What each page prints, where it was read already.
    """
    wanted = _words(html)
    rest = wanted.text
    pages = page_texts(pdf) if pages is None else [_packed(page) for page in pages]
    for i, page in enumerate(pages, 1):
        body = _without_foot(page, foot.of_page(i, len(pages)))
        if body is None:
            return f"Page {i} of the certificate does not carry its number and page count."
        # Where a table goes on from the page before, its head is printed again.
        again = next((h for h in wanted.heads if body.startswith(h) and rest.startswith(body[len(h) :])), None)
        if not rest.startswith(body) and again is not None:
            body = body[len(again) :]
        if not rest.startswith(body):
            at = next(k for k, c in enumerate(body) if not rest.startswith(body[: k + 1]))
            return (
                f"Page {i} prints {body[max(0, at - 20) : at + 20]!r}, where {rest[max(0, at - 20) : at + 20]!r} "
                "follows from the data inside."
            )
        rest = rest[len(body) :]
    return f"The pages leave out what follows from the data inside: {rest[:40]!r}." if rest else None


def pictures_differ(pictures: Sequence[str], html: str, pages: int) -> str | None:
    """Return in a sentence what text the pictures of the pages show otherwise than *html*, or None where they do not.

    Args:
        pictures: The text in each picture without blanks, as report.page_content gives it.
        html: What the pages should be laid out from.
        pages: How many pages there are.
    """
    shown, wanted = Counter(p for p in pictures if p), Counter(_words(html).in_pictures)
    # Where a table goes on on the next page, the picture in its head is drawn again.
    odd = shown - Counter({text: count * pages for text, count in wanted.items()})
    lacking = wanted - shown
    if not odd and not lacking:
        return None
    if odd:
        return f"A picture on the pages shows {next(iter(odd))!r}, which does not follow from the data inside."
    return f"The pictures on the pages do not show {next(iter(lacking))!r}, which follows from the data inside."


def printed_lacks(pdf: bytes, stated: Mapping[str, Any], pages: Sequence[str] | None = None) -> str | None:
    """Return the first string of *stated* that the pages do not print, or None where they print them all.

    Knows nothing of the layout: a row of strings stands together, or else each of them stands somewhere.
    """
    pages = page_texts(pdf) if pages is None else [_packed(page) for page in pages]
    foot = Foot.of(stated)
    text = ""
    for i, page in enumerate(pages, 1):
        body = _without_foot(page, foot.of_page(i, len(pages)))
        if body is None:
            return f"the number and the page count on page {i}"
        text += body
    beside_the_foot = {key: value for key, value in stated.items() if key != "foot"}
    return next((wanted for wanted in _lacking(beside_the_foot, text)), None)


def printed_has(pages: Sequence[str], text: str) -> bool:
    """Return whether the pages print *text* somewhere, blanks aside."""
    return _packed(text) in "".join(_packed(page) for page in pages)


def described_differs(titles: Collection[str], subjects: Collection[str], html: str) -> str | None:
    """Return in a sentence where the description of a file says something else than *html*, or None where it does not.

    Args:
        titles: What the file is called, each time that it says so; a viewer shows it above the pages.
        subjects: What it is said to be about, each time.
        html: What its pages should be laid out from.
    """
    wanted = _words(html)
    for said, right in ((titles, wanted.title), (subjects, wanted.subject)):
        odd = next((text for text in said if text != right), None)
        if odd is not None:
            return (
                f"The description of the file says {odd[:_MOST_SHOWN]!r}, where {right!r} follows from the data inside."
            )
    return None


def figures_lacking(pages: Sequence[str], worded: Mapping[str, Any]) -> list[str]:
    """Return what *worded* prints with figures in it and the pages do not, among what follows from the data alone.

    Args:
        pages: What each page prints.
        worded: The strings of a certificate as this edition words them.
    """
    text = "".join(_packed(page) for page in pages)
    strings = (string for part in _OF_THE_DATA for string in _strings(worded[part]))
    figures = (figure for string in strings for figure in string.split(_BETWEEN_READINGS))
    return [f for f in dict.fromkeys(figures) if any(c.isdigit() for c in f) and _packed(f) not in text]


def _strings(stated: Any) -> Iterator[str]:
    if isinstance(stated, str):
        yield stated
    elif isinstance(stated, list):
        for value in stated:
            yield from _strings(value)
    elif isinstance(stated, dict):
        for key, value in stated.items():
            if key not in _NOT_PRINTED:
                yield from _strings(value)


def facts_printed(stated: ReadDocument) -> list[str]:
    """Return what stands in the data of a certificate as text, and is printed as it is by every edition."""
    evidence, facts = stated.evidence, stated.facts
    inspection, job = evidence.inspection, evidence.job
    given = [
        facts.number,
        evidence.shop.name,
        evidence.shop.find_inspector(facts.signer).name,
        inspection.customer,
        inspection.purchase_order,
        inspection.part_no,
        inspection.lot,
        inspection.gauge_serial,
        job.title,
        job.specification,
        *(reading.location for reading in evidence.readings if reading.counted and reading.location),
        facts.deviation,
    ]
    return list(dict.fromkeys(text for text in given if text))


def _without_foot(page: str, parts: tuple[str, str]) -> str | None:
    """Return the text of a page without its foot, or None where it has none."""
    for part in parts:
        head, found, tail = page.rpartition(part)
        if not found:
            return None
        page = head + tail
    return page


def _lacking(stated: Any, text: str) -> Iterator[str]:
    if isinstance(stated, dict):
        # The title of a picture and the size of the page are in the file, not in its text.
        entries = [value for key, value in stated.items() if key not in _NOT_PRINTED]
        if not (all(isinstance(value, str) for value in entries) and _packed("".join(entries)) in text):
            for value in entries:
                yield from _lacking(value, text)
    elif isinstance(stated, list):
        for value in stated:
            yield from _lacking(value, text)
    elif _packed(stated) not in text:
        yield stated


def _text(page: Any) -> str:
    tables: dict[str, dict[bytes, str]] = {}
    fonts = page.Resources.get("/Font", {})
    current: dict[bytes, str] = {}
    out = []
    for step in pikepdf.parse_content_stream(page):
        operator = str(step.operator)
        if operator == "Tf":
            name = str(step.operands[0])
            if name not in tables:
                tables[name] = to_unicode(bytes(fonts[name].ToUnicode.read_bytes()))
            current = tables[name]
        elif operator in ("TJ", "Tj"):
            runs = step.operands[0] if operator == "TJ" else [step.operands[0]]
            out += [_decoded(bytes(run), current) for run in runs if isinstance(run, pikepdf.String)]
    return _packed("".join(out))


def _decoded(glyphs: bytes, table: dict[bytes, str]) -> str:
    return "".join(table[glyphs[i : i + _GLYPH_BYTES]] for i in range(0, len(glyphs), _GLYPH_BYTES))


def _packed(text: str) -> str:
    """Return *text* without blanks, and without the bullets that a list draws after its text."""
    return "".join(text.replace(_BULLET, "").split())


class _Words(HTMLParser):
    """The text of the body, without blanks, and the text of every table's head."""

    _SILENT: Final = ("head", "svg")

    def __init__(self, html: str) -> None:
        super().__init__(convert_charrefs=True)
        self.text = ""
        self.heads: list[str] = []
        self.in_pictures: list[str] = []
        self._in_text = False
        self.title = self.subject = ""
        self._in_title = False
        self._silent = 0
        self._head: str | None = None
        self._foot = False
        self.feed(html)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag in self._SILENT:
            self._silent += 1
        elif tag == "title" and self._silent == 1 and not self.title:
            self._in_title = True
        elif tag == "meta" and dict(attrs).get("name") == "description":
            self.subject = dict(attrs).get("content") or ""
        elif tag == "text":
            self._in_text = True
            self.in_pictures.append("")
        elif tag == "thead":
            self._head = ""
        elif tag == "div" and dict(attrs).get("class") == "foot-left":
            self._foot = True

    def handle_endtag(self, tag: str) -> None:
        if tag in self._SILENT:
            self._silent -= 1
        elif tag == "title":
            self._in_title = False
        elif tag == "text":
            self._in_text = False
        elif tag == "thead" and self._head is not None:
            self.heads.append(self._head)
            self._head = None
        elif tag == "div":
            self._foot = False

    def handle_data(self, data: str) -> None:
        if self._in_title:
            self.title += data
        if self._in_text:
            self.in_pictures[-1] += "".join(data.split())
        if self._silent or self._foot:
            return
        packed = _packed(data)
        self.text += packed
        if self._head is not None:
            self._head += packed


@lru_cache(maxsize=1)
def _words(html: str) -> _Words:
    """Return the words of a page, which is asked for its text and for its pictures."""
    return _Words(html)

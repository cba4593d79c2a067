"""A chart as a figure of a page: the picture, what its marks mean, and the same numbers as a table beneath."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

from markupsafe import Markup, escape

from rules.wording import counted

#: A table of at most so many rows is printed with its chart; a longer one where it was opened on the screen.
MOST_PRINTED: Final = 14


@dataclass(frozen=True, slots=True)
class NumberTable:
    """The numbers of a chart.

    Attributes:
        heads: What the columns are, with their units.
        rows: Finished strings, a row as wide as *heads*; the first of a row names it.
        words: Which columns are words and stand at the left, from 0; the first always does.
    """

    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    words: frozenset[int] = frozenset()


@dataclass(frozen=True, slots=True)
class Figure:
    """A chart on a page.

    Attributes:
        picture: The drawing, as :func:`report.chart_drawing.drawing` makes it.
        about: What it is about, as its location: for whoever hears the page, since others see it under that heading.
        caption: What it is.
        key: Each mark as a small drawing, and what it means.
        table: Its numbers; None where they stand beside it already.
        notes: What a reader has to know to read it right.
    """

    picture: Markup
    about: str
    caption: str
    key: tuple[tuple[Markup, str], ...] = ()
    table: NumberTable | None = None
    notes: tuple[str, ...] = field(default=())


def figure_markup(figure: Figure, kind: str = "wide") -> Markup:
    """Return *figure* as an element of a page in the style of templates/offline_page.css.

    Args:
        figure: The chart.
        kind: wide for the whole width, half where two stand side by side.
    """
    key = _key(figure.key) if figure.key else ""
    notes = Markup("").join(Markup('<p class="note">{}</p>').format(note) for note in figure.notes)
    table = "" if figure.table is None else _folded(figure.table, f"{figure.about}: {figure.caption}")
    return Markup(
        '<figure class="chart {kind}"><figcaption><span class="unseen">{about}: </span>{caption}</figcaption>{picture}{key}{notes}{table}</figure>'
    ).format(
        kind=kind,
        about=figure.about,
        caption=figure.caption,
        picture=figure.picture,
        key=key,
        notes=notes,
        table=table,
    )


def table_markup(table: NumberTable, caption: str, *, hidden_caption: bool = False) -> Markup:
    """Return *table* as an element of a page, every head saying what it is the head of."""
    heads = Markup("").join(
        Markup('<th scope="col"{}>{}</th>').format(_side(table, i), head) for i, head in enumerate(table.heads)
    )
    rows = Markup("").join(_row(table, row) for row in table.rows)
    hidden = Markup(' class="unseen"') if hidden_caption else ""
    return Markup(
        '<div class="scrolls" tabindex="0" role="region" aria-label="{caption}"><table><caption{hidden}>{caption}</caption>'
        "<thead><tr>{heads}</tr></thead><tbody>{rows}</tbody></table></div>"
    ).format(caption=caption, hidden=hidden, heads=heads, rows=rows)


def _folded(table: NumberTable, caption: str) -> Markup:
    short = len(table.rows) <= MOST_PRINTED
    return Markup(
        '<details class="{length}"><summary>The same in numbers<span class="unseen">: {caption}</span> ({rows})</summary>{table}</details>'
    ).format(
        length="short" if short else "long",
        caption=caption,
        rows=counted(len(table.rows), "row"),
        table=table_markup(table, caption, hidden_caption=True),
    )


def _key(marks: Sequence[tuple[Markup, str]]) -> Markup:
    items = Markup("").join(Markup("<li>{} {}</li>").format(swatch, words) for swatch, words in marks)
    return Markup('<ul class="key">{}</ul>').format(items)


def _row(table: NumberTable, row: Sequence[str]) -> Markup:
    # Thousands of cells: put together plainly, each one escaped here.
    cells = "".join(f"<td{_side(table, i)}>{escape(cell)}</td>" for i, cell in enumerate(row[1:], 1))
    return Markup(f'<tr><th scope="row">{escape(row[0])}</th>{cells}</tr>')  # noqa: S704 - escaped just above


def _side(table: NumberTable, column: int) -> Markup:
    return Markup("") if column == 0 or column in table.words else Markup(' class="r"')

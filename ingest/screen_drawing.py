"""The capture screen: what is to be seen of an inspection, drawn into rows of cells. Pure; it decides nothing.

The screen is a stack of sections. Each has forms from the smallest to the largest; all begin with their smallest,
and grow in the order of what an inspector at two metres needs most, as long as there is room.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from itertools import zip_longest
from typing import Final

from ingest.big_figures import Scale, big, can_be_big
from ingest.capture_state import (
    Act,
    GateState,
    LastReading,
    LinkShown,
    LocationCount,
    MessageKind,
    NextPlace,
    Question,
    Shown,
    Standing,
)
from ingest.screen_entry import EXPLAINED, HELP_HINT, KEYS, Asked, Entry, KeyHint
from ingest.screen_text import (
    Row,
    Signs,
    Span,
    Style,
    band,
    beside,
    cut,
    fitted,
    padded,
    row_width,
    width,
    wrap,
)
from ingest.window_bar import STYLES, bar, figures, mean_figures, standing_words, window_words

#: Dots of the last reading's figures, largest first.
_SCALES: Final = (Scale(6, 6), Scale(5, 5), Scale(4, 4), Scale(3, 3), Scale(2, 2), Scale(1, 2), Scale(1, 1))
#: Beside the figures there must be room for what they mean.
_SIDE_COLUMNS: Final = 24
#: Larger figures than this must leave room for a large unit, of about so many columns a letter.
#: So many rows at the end of what stands beside the figures say where it was read, and the limits there.
_PLACE_ROWS: Final = 3
_SMALLEST_WIDE: Final = 2
_UNIT_COLUMNS: Final = 5
_MOST_WHOLE_DIGITS: Final = 4
_CALM_ROWS: Final = 20
_MOST_BAR_COLUMNS: Final = 100
_NARROWEST_TABLE: Final = 36
_SHORTEST_NAME: Final = 6
_CHOICES_A_PAGE: Final = 9
_GATE: Final = {
    GateState.COVERED: ("GAUGE COVERED", Style.GOOD_BAND),
    GateState.OPEN: ("GAUGE CHECKED", Style.PLAIN),
    GateState.UNCOVERED: ("GAUGE NOT COVERED", Style.BAD_BAND),
}
#: The same in large letters, before the first reading; the usual state of a day is a quiet line and no more.
_GATE_LARGE: Final = {
    GateState.COVERED: ("COVERED", Style.GOOD),
    GateState.UNCOVERED: ("NOT COVERED", Style.BAD),
}
_MESSAGE: Final = {
    MessageKind.TOLD: ("", Style.PLAIN),
    MessageKind.NOT_A_READING: ("NO READING: ", Style.CARE),
    MessageKind.NOT_TAKEN: ("NOT TAKEN: ", Style.BAD),
    MessageKind.LINK: ("LINK: ", Style.CARE),
    MessageKind.STOPPED: ("STOPPED: ", Style.BAD),
}
#: Said large beside the figures, so that it is read and not only seen as a colour.
_WORD: Final = {
    Standing.IN: "IN",
    Standing.LOW: "LOW",
    Standing.HIGH: "HIGH",
    Standing.NO_LIMITS: "",
    Standing.NO_BASE: "NO BASE",
}
_COUNT_MARK: Final = {
    Standing.IN: "in",
    Standing.LOW: "LOW",
    Standing.HIGH: "HIGH",
    Standing.NO_LIMITS: "",
    Standing.NO_BASE: "no base",
}


@dataclass(frozen=True, slots=True)
class _Section:
    """Forms of one section, from the smallest to the largest; the smallest may be empty."""

    name: str
    forms: Sequence[Sequence[Row]]


#: Which section grows when, and to which of its forms (the how-manieth); what does not fit is left for later ones.
_GROWTH: Final = (
    ("alarm", 1),
    ("asked", 1),
    ("gate", 1),
    ("reading", 1),
    ("message", 1),
    ("next", 1),
    ("bar", 1),
    ("typed", 1),
    ("keys", 1),
    ("links", 1),
    ("next", 2),
    ("locations", 1),
    ("reading", 2),
    ("locations", 2),
    ("links", 2),
    ("reading", 3),
    ("locations", 3),
    ("gap2", 1),
    ("gap1", 1),
    ("bar", 2),
    ("gap3", 1),
    ("locations", 4),
    ("reading", 4),
    ("reading", 5),
    ("next", 3),
    ("reading", 6),
)
#: What goes first where even the smallest forms do not fit.
_LEAST: Final = ("links", "locations", "keys", "bar", "title", "gate", "message", "next", "reading")
#: What must be read whole, and what gives way to it on a small console.
_WHOLE: Final = ("alarm", "asked", "gate")
_GIVE_WAY: Final = ("locations", "bar", "links", "message", "title", "keys", "next")


def draw(shown: Shown, entry: Entry, columns: int, rows: int, signs: Signs) -> tuple[Row, ...]:
    """Return the screen: exactly *rows* rows, none wider than *columns* cells, nothing in it but visible characters."""
    if columns < 1 or rows < 1:
        return ()
    if entry.help:
        alarm = _alarm(shown, columns, signs)
        above = alarm[0] if alarm else []
        stack = [*above, *_help(entry, columns, rows - len(above), signs)]
    else:
        sections = [section for section in _sections(shown, entry, columns, rows, signs) if section.forms]
        stack = _grown(sections, rows)
    drawn = [fitted(row, columns, signs) for row in stack]
    if len(drawn) > rows:
        drawn = [*drawn[: rows - 1], (Span(cut(signs.more, columns, signs), Style.STRONG),)]
    return tuple(drawn + [()] * (rows - len(drawn)))


def _make_room(name: str, sections: list[_Section], form: dict[str, int], gone: set[str], rows: int) -> None:
    """Take others away until *name* fits whole, where that helps."""
    heights = {s.name: len(s.forms[form[s.name]]) for s in sections if s.name not in gone}
    heights[name] = len(next(s for s in sections if s.name == name).forms[-1])
    go = []
    for other in _GIVE_WAY:
        if sum(heights.values()) <= rows:
            break
        if heights.pop(other, 0):
            go.append(other)
    if sum(heights.values()) <= rows:
        gone.update(go)


def _grown(sections: list[_Section], rows: int) -> list[Row]:
    form = {section.name: 0 for section in sections}
    by_name = {section.name: section for section in sections}
    gone: set[str] = set()

    def height() -> int:
        return sum(len(s.forms[form[s.name]]) for s in sections if s.name not in gone)

    for name in _LEAST:
        if height() <= rows:
            break
        gone.add(name)
    for name, wanted in _GROWTH:
        if name not in by_name or name in gone:
            continue
        if name in _WHOLE:
            _make_room(name, sections, form, gone, rows)
        before = form[name]
        form[name] = max(before, min(wanted, len(by_name[name].forms) - 1))
        if height() > rows:
            form[name] = before
    foot = [s for s in sections if s.name in ("links", "keys") and s.name not in gone]
    head = [s for s in sections if s not in foot and s.name not in gone]
    above = [row for s in head for row in s.forms[form[s.name]]]
    below = [row for s in foot for row in s.forms[form[s.name]]]
    return [*above, *[()] * (rows - len(above) - len(below)), *below]


def _sections(shown: Shown, entry: Entry, columns: int, rows: int, signs: Signs) -> list[_Section]:
    gap = [[], [()]]
    panel = entry.asked is not None or shown.question is not None
    return [
        _Section("title", [[_title(shown, columns, signs)]]),
        _Section("alarm", _alarm(shown, columns, signs)),
        _Section("gate", _gate(shown, columns, signs)),
        _Section("gap1", gap),
        _Section("next", _next(shown, columns, signs)),
        _Section("gap2", gap),
        _Section("reading", _reading(shown, columns, rows, signs)),
        _Section("bar", _bar(shown, columns, signs)),
        _Section("gap3", gap),
        _Section("typed", _typed(entry, columns, signs)),
        _Section("asked", _asked(shown, entry, columns, signs)),
        _Section("message", _message(shown, entry, columns, rows, signs)),
        _Section("locations", [] if panel else _locations(shown, columns, signs)),
        _Section("links", _links(shown, columns, signs)),
        _Section("keys", _keys(entry, columns, signs)),
    ]


# the top


def _title(shown: Shown, columns: int, signs: Signs) -> Row:
    taken = f"taken {shown.counted} of {shown.planned}"
    if shown.not_counted:
        taken += f", {shown.not_counted} not counted"
    facts = [shown.part, f"lot {shown.lot}", shown.customer]
    if shown.work_order:
        facts.insert(2, f"order {shown.work_order}")
    facts += [f"gauge {shown.gauge}", shown.inspector]
    left = f" {signs.dot} ".join(signs.clean(fact) for fact in facts if fact)
    right = signs.clean(taken)
    if columns < width(right) + 12:
        return band(right if columns < width(right) + 6 else f"{taken} {signs.dot} {left}", columns, Style.BAND, signs)
    room = columns - width(right) - 4
    return (Span(f" {padded(cut(left, room, signs), room)}  {right} ", Style.BAND),)


def _alarm(shown: Shown, columns: int, signs: Signs) -> list[list[Row]]:
    """What keeps readings from being taken, or from being of use: a full disk, a pause, a link that is down, no base reading."""
    bands: list[list[list[Row]]] = []
    if shown.stopped is not None:
        said = signs.clean(f"STOPPED {signs.dash} nothing is taken. {shown.stopped}")
        bands.append(_as_band(said, columns, Style.BAD_BAND, signs))
    if shown.paused:
        said = f"PAUSED {signs.dash} what comes is kept and is no reading; press pause again to go on"
        bands.append(_as_band(said, columns, Style.CARE_BAND, signs))
    if (wanted := _base_wanted(shown, signs)) is not None:
        bands.append(_as_band(wanted, columns, Style.CARE_BAND, signs))
    for link in shown.links:
        if not link.up:
            note = f" {signs.dash} {signs.clean(link.note)}" if link.note else ""
            said = f"LINK DOWN: {signs.clean(link.name)}{note}"
            bands.append(_as_band(said, columns, Style.BAD_BAND, signs))
    if not bands:
        return []
    return [[row for forms in bands for row in forms[which]] for which in (0, 1)]


def _base_wanted(shown: Shown, signs: Signs) -> str | None:
    """Return what is to be read before coating, where the next reading would lack it."""
    base, place = shown.base, shown.next
    if base is None or place is None or place.before_coating or place.location not in base.missing:
        return None
    key = dict(KEYS)[Act.GO_TO].key
    where = "nothing" if len(base.missing) == len(shown.locations) else f"nothing for {place.location}"
    return signs.clean(
        f"BASE READING MISSING {signs.dash} read the {base.under} first: {key}, before coating; {where} was read yet"
    )


def _as_band(said: str, columns: int, style: Style, signs: Signs) -> list[list[Row]]:
    lines = wrap(said, columns - 2)
    return [[band(said, columns, style, signs)], [band(line, columns, style, signs) for line in lines]]


def _gate(shown: Shown, columns: int, signs: Signs) -> list[list[Row]]:
    """Before the first reading in every state; later as long as readings are not covered."""
    words, style = _GATE[shown.gate.state]
    if shown.last is not None and shown.gate.state is GateState.COVERED:
        return []
    if shown.question is not None and shown.question.sentence == shown.gate.sentence:
        return _as_band(words, columns, style, signs)  # the question says it
    if shown.gate.state is GateState.OPEN:  # the usual state of a day, until the last reading is taken
        quiet = signs.clean(shown.gate.short or shown.gate.sentence)
        return [[(Span(cut(quiet, columns, signs)),)]]
    said = f"{words}: {signs.clean(shown.gate.sentence)}"
    return _as_band(said, columns, style, signs)


# what is next


def _next(shown: Shown, columns: int, signs: Signs) -> list[list[Row]]:
    place = shown.next
    if shown.paused:
        key = dict(KEYS)[Act.PAUSE].key
        return _in_place_of_next("PAUSED", f"{key} goes on", Style.CARE, columns, signs)
    if place is None:
        return _in_place_of_next("ALL TAKEN", "press finish", Style.GOOD, columns, signs)
    piece = signs.clean(place.piece)
    location = signs.clean(place.location)
    of_piece = f" ({place.piece_no} of {place.pieces})" if place.pieces > 1 else ""
    spot = f"spot {place.spot} of {place.spots}"
    nth = f", reading {place.nth} of {place.per_spot}" if place.per_spot > 1 else ""
    before = "BEFORE COATING " if place.before_coating else ""
    tail = f"  {spot}{nth}"
    piece_said = f"piece {piece}{of_piece}"
    narrow = f"{signs.here} {before}"
    if width(narrow) + width(location) + 2 + width(piece_said) + width(tail) <= columns:
        mark = Span(narrow, Style.CARE if before else Style.STRONG)
        small: list[Row] = [(mark, Span(location, Style.STRONG), Span(f"  {piece_said}{tail}"))]
    else:
        room = max(4, columns - width(narrow))
        small = [
            (Span(narrow, Style.STRONG), Span(cut(location, room, signs), Style.STRONG)),
            (Span(cut(f"  {piece_said}{tail}", columns, signs)),),
        ]
        if width(piece_said) + width(tail) + 2 > columns:
            short = f"  {signs.clean(f'{spot}{nth}')}"
            small[1:] = [(Span(cut(f"  {piece_said}", columns, signs)),), (Span(cut(short, columns, signs)),)]
    head = "NEXT  " + (f"{before} " if before else "")
    facts = f"{piece_said}  {spot}{nth}  {signs.dot}  {window_words(place.window, signs)}"
    line: Row = (Span(head, Style.CARE if before else Style.STRONG), Span(facts, Style.STRONG))
    lines: list[Row] = [line]
    if row_width(line) > columns:
        lines = [(Span(part, Style.STRONG),) for part in wrap(head + facts, columns)]
    name = [(Span(part, Style.STRONG),) for part in wrap(location, columns)]
    forms = [small]
    if len(lines) + len(name) < 6:
        forms.append([*lines, *name])
    for scale in (Scale(1, 1), Scale(1, 2)) if not signs.halves else (Scale(1, 1), Scale(2, 2)):
        if large := _large_name(location, place, scale, columns, signs):
            forms.append([*lines, *large])
    return forms


def _in_place_of_next(word: str, then: str, style: Style, columns: int, signs: Signs) -> list[list[Row]]:
    """*word* as large as a location's name would be, and what to do."""
    line: Row = fitted((Span(word, style), Span(f" {signs.dash} {then}")), columns, signs)
    forms: list[list[Row]] = [[line]]
    for scale in (Scale(1, 1), Scale(1, 2)) if not signs.halves else (Scale(1, 1), Scale(2, 2)):
        large = big(word, scale, signs)
        if large is not None and width(large[0]) <= columns:
            forms.append([line, *[(Span(row, style),) for row in large]])
    return forms


def _large_name(location: str, place: NextPlace, scale: Scale, columns: int, signs: Signs) -> list[Row]:
    """The location's name in large letters, and the spot's number beside it where there is more than one."""
    if not can_be_big(location):
        return []
    spot = f"{place.spot}/{place.spots}" if place.spots > 1 else ""
    name = big(location, scale, signs)
    if name is not None:
        number = big(spot, scale, signs) if spot else None
        room = columns - (len(number[0]) + 3 if number else 0)
        if len(name[0]) <= room:
            if not number:
                return [(Span(row, Style.STRONG),) for row in name]
            return [
                (Span(row, Style.STRONG), Span("   "), Span(figure, Style.GOOD))
                for row, figure in zip(name, number, strict=True)
            ]
        if len(name[0]) <= columns:
            return [(Span(row, Style.STRONG),) for row in name]
    return []


# the last reading


def _reading(shown: Shown, columns: int, rows: int, signs: Signs) -> list[list[Row]]:
    last = shown.last
    if shown.question is not None and (shown.question.line.strip() or last is not None):
        return _questioned(shown.question, columns, rows, signs)
    if last is None:
        said: list[Row] = [(Span("No reading yet.", Style.STRONG),)]
        words, style = _GATE_LARGE.get(shown.gate.state, ("", Style.PLAIN))
        if shown.gate.state is not GateState.UNCOVERED and _base_wanted(shown, signs) is not None:
            words, style = "NO BASE", Style.CARE
        if not words:
            return [said]
        large = big(words, Scale(1, 1 if signs.halves else 2), signs, over=False)
        if large is None or len(large[0]) > columns or len(large) > rows // 4:
            return [said]
        return [said, [*[(Span(row, style),) for row in large], *said]]
    style = STYLES[last.standing] if last.counted else Style.CARE
    number, unit = signs.clean(last.shown), signs.clean(last.unit)
    side = _side(last, signs)
    line: Row = (Span(f"{number} {unit}", style), Span("  "), *side[0])
    forms: list[list[Row]] = [[line]]
    if row_width(line) > columns:
        forms = [[(Span(f"{number} {unit}", style),), side[0]]]
        if width(number) + 1 + width(unit) > columns:
            forms = [[*[(Span(part, style),) for part in wrap(f"{number} {unit}", columns)], side[0]]]
    for scale in reversed(_SCALES):
        rows_of = big(number, scale, signs, over=False)
        if rows_of is None or len(rows_of) > max(3, rows // 3):
            continue
        widest = big(_widest_here(number, last), scale, signs, over=False) or rows_of
        beside_it = columns - max(width(rows_of[0]), width(widest[0])) - 3
        room = columns - width(rows_of[0])
        if room < 0:
            continue
        if scale.wide > _SMALLEST_WIDE and beside_it < _SIDE_COLUMNS + width(unit) * _UNIT_COLUMNS:
            continue
        if beside_it >= _SIDE_COLUMNS:
            forms.append(_figures_and_side(rows_of, unit, last, side, style, columns, signs))
        elif len(rows_of) + len(side) <= max(5, rows // 2):
            forms.append([*[(Span(row, style),) for row in rows_of], *_side_rows(side, columns)])
    # Forms grow in height, and one of the same height replaces the smaller one.
    kept: list[list[Row]] = []
    for form in forms:
        if kept and len(kept) > 1 and len(form) <= len(kept[-1]):
            kept[-1] = form
        else:
            kept.append(form)
    return kept


def _questioned(question: Question, columns: int, rows: int, signs: Signs) -> list[list[Row]]:
    """The line that is asked about, large: a figure beside a question must be the one that is in question."""
    line = signs.clean(question.line.strip())
    small: list[Row] = [(Span(cut(line or "QUESTION", columns, signs), Style.CARE),)]
    forms = [small]
    for scale in reversed(_SCALES):
        for words in (line, "QUESTION"):
            large = big(words, scale, signs, over=False, as_written=True) or big(words, scale, signs, over=False)
            if large is None or len(large) > max(3, rows // 3) or width(large[0]) > columns:
                continue
            if len(forms) == 1 or len(large) > len(forms[-1]):
                forms.append([(Span(row, Style.CARE),) for row in large])
            else:
                forms[-1] = [(Span(row, Style.CARE),) for row in large]
            break
    return forms


def _widest_here(number: str, last: LastReading) -> str:
    """Return figures as wide as those that come here: from 99.9 to 100.1 their size must not jump."""
    whole, point, part = number.partition(".")
    digits = len(whole)
    if last.window.upper is not None and last.window.unit == last.unit:
        digits = max(digits, min(_MOST_WHOLE_DIGITS, len(str(int(last.window.upper)))))
    return "8" * digits + point + "8" * len(part)


def _side(last: LastReading, signs: Signs) -> list[Row]:
    """What the figures mean, most needed first."""
    words = standing_words(last.standing, last.value, last.window, signs)
    bad = last.standing in (Standing.LOW, Standing.HIGH)
    loud = Style.BAD_BAND if bad else Style.GOOD_BAND if last.standing is Standing.IN else Style.STRONG
    if last.standing is Standing.NO_BASE:
        loud = Style.CARE_BAND
    rows: list[Row] = []
    if last.before_coating:
        rows += [(Span(" BEFORE COATING ", Style.CARE_BAND),), (Span("what is read later is reduced by it"),)]
    elif not last.counted:
        rows.append((Span(" NOT COUNTED ", Style.CARE_BAND), Span(f" {words}")))
    else:
        rows.append((Span(f" {words} " if loud is not Style.STRONG else words, loud),))
    if last.doubled:
        rows.append((Span(f"{signs.bad} perhaps sent twice: look at the gauge", Style.CARE),))
    if last.standing not in (Standing.NO_LIMITS, Standing.NO_BASE) and _is_another_figure(last):
        build = f"film build {figures(last.value)} {signs.clean(last.window.unit)}"
        rows.append((Span(build, Style.STRONG),))
    place = f"reading {last.number}: piece {signs.clean(last.piece)}"
    where = f"{signs.clean(last.location)}, spot {last.spot}"
    limits = "no film build, so no limits" if last.before_coating else window_words(last.window, signs, target=False)
    rows += [(Span(place),), (Span(where),), (Span(limits),)]
    return rows


def _is_another_figure(last: LastReading) -> bool:
    """Return whether the film build is another figure than the gauge showed: another unit, or less what was read before."""
    if last.unit != last.window.unit:
        return True
    try:
        return Decimal(last.shown) != last.value
    except InvalidOperation:
        return True


def _side_rows(side: list[Row], columns: int) -> list[Row]:
    found: list[Row] = []
    for row in side:
        if row_width(row) <= columns:
            found.append(row)
        else:
            found += [(Span(part, row[0].style),) for part in wrap(" ".join(s.text for s in row), columns)]
    return found


def _figures_and_side(
    large_figures: list[str], unit: str, last: LastReading, side: list[Row], style: Style, columns: int, signs: Signs
) -> list[Row]:
    """The figures with the unit behind them, and beside that what they mean."""
    left: list[Row] = [(Span(row, style),) for row in large_figures]
    unit_word = unit.replace("um", "µm") if signs.halves else unit
    large = big(unit_word, Scale(1, 1), signs, as_written=True)
    if large is not None and columns - row_width(left[0]) - width(large[0]) - 6 >= _SIDE_COLUMNS:
        blank = [" " * width(large[0])] * (len(left) - len(large))
        left = [(*row, Span(f"  {part}", style)) for row, part in zip(left, blank + large, strict=True)]
    else:
        blank = [" " * width(unit)] * (len(left) - 1)
        left = [(*row, Span(f" {part}", style)) for row, part in zip(left, [*blank, unit], strict=True)]
    start = row_width(left[0]) + 3
    found = _side_rows(side, columns - start)
    word = big(_WORD[last.standing], Scale(1, 1), signs, over=False) if _WORD[last.standing] and last.counted else None
    if word is not None and width(word[0]) <= columns - start:
        large_word: list[Row] = [(Span(row, STYLES[last.standing]),) for row in word]
        where = f"piece {signs.clean(last.piece)}, {signs.clean(last.location)}, spot {last.spot}"
        short = _side_rows([*side[:-_PLACE_ROWS], (Span(where),)], columns - start)
        for rows in (found, short):
            if len(word) + len(rows) <= len(left) + 1:
                found = [*large_word, *rows]
                break
    tall = max(len(left), len(found))
    over = (tall - len(found)) // 2
    padding: list[Row] = [()] * over
    pairs = zip_longest(left, [*padding, *found], fillvalue=())
    return [beside(row, start, right) if right else row for row, right in pairs]


def _bar(shown: Shown, columns: int, signs: Signs) -> list[list[Row]]:
    """The last reading in its window; before the first one, the window of what is next."""
    room = min(columns - 2, _MOST_BAR_COLUMNS)
    if shown.question is not None and shown.last is not None:
        drawn = bar(
            shown.last.window, None, None, room, signs
        )  # the old reading's mark would be taken for the new one's
    elif shown.last is not None:
        # What is not reduced by the metal's own reading is no film build, and has no place between its limits.
        no_build = shown.last.before_coating or shown.last.standing is Standing.NO_BASE
        value, standing = (None, None) if no_build else (shown.last.value, shown.last.standing)
        drawn = bar(shown.last.window, value, standing, room, signs)
    elif shown.next is not None:
        drawn = bar(shown.next.window, None, None, room, signs)
    else:
        drawn = []
    if not drawn:
        return []
    moved: list[Row] = [(Span(" "), *row) if row else () for row in drawn]
    return [[], moved, [(), *moved]]


# what has been measured on this piece


def _locations(shown: Shown, columns: int, signs: Signs) -> list[list[Row]]:
    counts = shown.locations
    if not counts:
        return []
    here = next((i for i, c in enumerate(counts) if shown.next is not None and c.location == shown.next.location), 0)
    across = max(1, columns // _NARROWEST_TABLE)
    total = -(-len(counts) // across)
    heights = sorted({min(total, h) for h in (1, 2, 4, 6, total)})
    return [_table(counts, here, height, across, columns, signs, shown) for height in heights]


@dataclass(frozen=True, slots=True)
class _CountColumns:
    """How the cell of a location is divided: the whole, figures, mean, word."""

    whole: int
    facts: int
    mean: int
    word: int


def _table(
    counts: tuple[LocationCount, ...], here: int, height: int, across: int, columns: int, signs: Signs, shown: Shown
) -> list[Row]:
    """Locations row by row, the present one always among them; where some are left out, the last cell says how many."""
    room = height * across
    told = [_count_facts(count, signs) for count in counts]
    wide = [max(width(fact) for fact in facts) for facts in zip(*[t[:3] for t in told], strict=True)]
    parts = _CountColumns(columns // across, *wide)

    def cell(at: int, parts: _CountColumns) -> Row:
        return _count_cell(counts[at], told[at], shown.next is not None and at == here, parts, signs)

    if len(counts) <= room:
        cells = [cell(at, parts) for at in range(len(counts))]
    else:
        fit = room - 1
        if fit < 1:
            more = f"  and {len(counts) - 1} more"
            return [(*cell(here, _CountColumns(columns - len(more), *wide)), Span(more))]
        start = max(0, min(here - fit // 2, len(counts) - fit))
        cells = [cell(at, parts) for at in range(start, start + fit)]
        more = cut(f"  and {len(counts) - fit} more", parts.whole, signs)
        cells.append((Span(padded(more, parts.whole)),))
    return [tuple(span for cell in cells[at : at + across] for span in cell) for at in range(0, len(cells), across)]


def _count_facts(count: LocationCount, signs: Signs) -> tuple[str, str, str, Style]:
    unit = signs.clean(count.window.unit)
    mean = f" {mean_figures(count.mean, unit)} {unit}" if count.mean is not None else ""
    if count.skipped:
        word, style = " skipped", Style.CARE
    elif count.standing is None or count.standing is Standing.NO_LIMITS:
        word, style = "", Style.PLAIN
    else:
        word = f" {_COUNT_MARK[count.standing]}"
        style = STYLES[count.standing]
    return f" {count.counted}/{count.planned}", mean, word, style


def _count_cell(
    count: LocationCount, told: tuple[str, str, str, Style], here: bool, parts: _CountColumns, signs: Signs
) -> Row:
    facts, mean, word, style = told
    mark = signs.here if here else " "
    strong = Style.STRONG if here else Style.PLAIN
    name = signs.clean(count.location)
    room = parts.whole - width(mark) - 1 - parts.facts - parts.mean - parts.word - 2
    if room < _SHORTEST_NAME:
        tail = f"{facts}{mean}{word} "
        left = parts.whole - width(tail) - width(mark) - 1
        if left < 1:
            return (Span(padded(cut(f"{mark} {name}{tail}", parts.whole, signs), parts.whole), strong),)
        return (Span(f"{mark} {padded(cut(name, left, signs), left)}{tail}", strong),)
    return (
        Span(f"{mark} {padded(cut(name, room, signs), room)}{facts:>{parts.facts}}", strong),
        Span(" " * (parts.mean - width(mean)) + mean, strong),
        Span(padded(word, parts.word), style),
        Span("  "),
    )


# what is said and asked


def _message(shown: Shown, entry: Entry, columns: int, rows: int, signs: Signs) -> list[list[Row]]:
    said: list[tuple[str, Style]] = []
    if entry.said:
        said.append((signs.clean(entry.said), Style.CARE))
    if shown.message is not None and shown.message.sentence:
        word, style = _MESSAGE[shown.message.kind]
        sentence = signs.clean(shown.message.sentence)
        if word and sentence[: len(word)].upper() == word:
            sentence = sentence[len(word) :]
        said.append((word + sentence, style))
    if not said:
        return [[()]] if rows >= _CALM_ROWS else []  # its row stays, so that nothing jumps when something is said
    small: list[Row] = [(Span(cut(text, columns, signs), style),) for text, style in said[:1]]
    whole: list[Row] = [(Span(line, style),) for text, style in said for line in wrap(text, columns)]
    return [small, whole]


def _typed(entry: Entry, columns: int, signs: Signs) -> list[list[Row]]:
    if entry.typed is None or (entry.asked is not None and entry.asked.text is not None):
        return []
    typed = signs.clean(entry.typed)
    tail = typed
    while width(tail) > max(1, columns - 14 - width(signs.more)):
        tail = tail[1:]
    line: Row = (Span("typed: ", Style.STRONG), Span(f"{signs.more if tail != typed else ''}{tail}_", Style.STRONG))
    forms: list[list[Row]] = [[line]]
    large = big(f"{typed}_", Scale(1, 1), signs) if typed else None
    if large is not None and len(large[0]) <= columns - 8:
        forms.append(
            [(Span("typed:  " if i == 0 else " " * 8), Span(row, Style.STRONG)) for i, row in enumerate(large)]
        )
    return forms


def _asked(shown: Shown, entry: Entry, columns: int, signs: Signs) -> list[list[Row]]:
    if entry.asked is not None:
        return _own_question(entry.asked, columns, signs)
    question = shown.question
    if question is None:
        return []
    title = f"QUESTION {signs.dash} nothing more is taken before it is answered"
    sentence = signs.clean(question.sentence)
    line = f'came: "{signs.clean(question.line.strip())}"'
    answers = [(hint, act) for act, hint in KEYS if act in question.acts]
    keys: list[Row] = [
        (Span(f" {_key_name(hint, entry)} ", Style.BAND), Span(f" {hint.does}", Style.STRONG)) for hint, _ in answers
    ]
    one_row: Row = tuple(span for row in keys for span in (*row, Span("   ")))
    answer_rows = [one_row] if row_width(one_row) <= columns else keys
    small: list[Row] = [
        band(title, columns, Style.CARE_BAND, signs),
        (Span(cut(sentence, columns, signs)),),
        *answer_rows,
    ]
    whole: list[Row] = [band(part, columns, Style.CARE_BAND, signs) for part in wrap(title, columns - 2)]
    whole += [(Span(part, Style.STRONG),) for part in wrap(sentence, columns)]
    if question.line.strip():
        whole += [(Span(part),) for part in wrap(line, columns)]
    whole += answer_rows
    return [small, whole]


def _own_question(asked: Asked, columns: int, signs: Signs) -> list[list[Row]]:
    whole: list[Row] = [band(part, columns, Style.BAND, signs) for part in wrap(signs.clean(asked.title), columns - 2)]
    if asked.detail:
        whole += [(Span(part),) for part in wrap(signs.clean(asked.detail), columns)]
    if asked.text is not None:
        text = signs.clean(asked.text)
        tail = text
        while width(tail) > max(1, columns - 3 - width(signs.more)):
            tail = tail[1:]
        whole.append((Span("> ", Style.STRONG), Span(f"{signs.more if tail != text else ''}{tail}_", Style.STRONG)))
        whole.append((Span(cut("Enter ends it, Esc goes back", columns, signs)),))
        return [whole]
    shown_choices = asked.choices[asked.first : asked.first + _CHOICES_A_PAGE]
    picks = [f" {number}  {signs.clean(choice)}" for number, choice in enumerate(shown_choices, 1)]
    if len(asked.choices) > _CHOICES_A_PAGE:
        picks.append(f" 0  more ({len(asked.choices)} in all)")
    picks.append(" Esc  go back")
    cells = [(Span(pick[:4], Style.STRONG), Span(pick[4:])) for pick in picks]
    whole_rows: list[Row] = [fitted(cell, columns, signs) for cell in cells]
    if columns >= 60:
        half = columns // 2
        down = -(-len(cells) // 2)
        short = [fitted(cell, half - 2, signs) for cell in cells]
        in_two = [beside(left, half, right) for left, right in zip_longest(short[:down], short[down:], fillvalue=())]
        return [[*whole, *in_two], [*whole, *whole_rows]]
    return [[*whole, *whole_rows]]


# the bottom


def _link_words(link: LinkShown, signs: Signs) -> tuple[str, Style]:
    battery = f", battery {link.battery_percent} %" if link.battery_percent is not None else ""
    if link.up:
        return f"{signs.good} {signs.clean(link.name)} up{battery}", Style.PLAIN
    return f"{signs.bad} {signs.clean(link.name)} DOWN{battery}", Style.BAD  # why stands in the band at the top


def _links(shown: Shown, columns: int, signs: Signs) -> list[list[Row]]:
    links = sorted(shown.links, key=lambda link: link.up)
    if not links:
        gate = _GATE[shown.gate.state][0].lower()
        return [[(Span(cut(gate, columns, signs)),)]]
    words = [_link_words(link, signs) for link in links]
    gate = f"   {signs.dot} {_GATE[shown.gate.state][0].lower()}"
    text, style = words[0]
    if len(words) > 1:
        text = f"{text} (and {len(words) - 1} more)"
    first: Row = (Span(cut(text, columns, signs), style),)
    one: Row = tuple(span for text, style in words for span in (Span(text, style), Span("   ")))[:-1]
    if row_width(one) <= columns:
        if row_width(one) + len(gate) <= columns:
            one = (*one, Span(gate))
        return [[one]]
    rows: list[Row] = [(Span(part, style),) for text, style in words for part in wrap(text, columns)]
    down_only: list[Row] = [(Span(part, words[0][1]),) for part in wrap(words[0][0], columns)]
    return [[first], down_only, rows]


def _key_name(hint: KeyHint, entry: Entry) -> str:
    letter = f"Ctrl-{hint.letter.upper()}" if entry.typed is not None else hint.letter.upper()
    if hint is HELP_HINT and entry.typed is not None:
        return hint.key
    return f"{hint.key} {letter}"


def _keys(entry: Entry, columns: int, signs: Signs) -> list[list[Row]]:
    if not entry.hints:
        return []
    cells: list[Row] = [
        (Span(f" {_key_name(hint, entry)} ", Style.BAND), Span(f" {hint.does}  ")) for hint in entry.hints
    ]
    lines: list[list[Span]] = [[]]
    for cell in cells:
        if lines[-1] and row_width((*lines[-1], *cell)) > columns + 2:
            lines.append([])
        lines[-1] += cell
    rows: list[Row] = [fitted((*line[:-1], Span(line[-1].text.rstrip())), columns, signs) for line in lines]
    help_cell: Row = (Span(f" {HELP_HINT.key} ", Style.BAND), Span(" all keys"))
    small = [rows[0]] if len(rows) == 1 else [fitted(help_cell, columns, signs)]
    return [small, rows]


def _help(entry: Entry, columns: int, rows: int, signs: Signs) -> list[Row]:
    """Every key and what it does; where there is little room, in few words."""
    found: list[Row] = [band("KEYS (any key goes back)", columns, Style.BAND, signs)]
    names = [(hint, _key_name(hint, entry)) for _, hint in KEYS]
    wide = max(len(name) for _, name in names) + 3
    whole: list[Row] = []
    for (act, _), (_, name) in zip(KEYS, names, strict=True):
        lines = wrap(EXPLAINED[act], columns - wide)
        whole.append((Span(padded(f" {name}", wide), Style.STRONG), Span(lines[0])))
        whole += [(Span(" " * wide), Span(line)) for line in lines[1:]]
    whole += [
        (Span(padded(" Esc", wide), Style.STRONG), Span("go back")),
        (Span(padded(" Ctrl-C", wide), Style.STRONG), Span("stop here; it stays open and can be gone on with")),
    ]
    if len(whole) + 1 > rows or columns < 40:
        whole = [(Span(padded(f" {name}", wide), Style.STRONG), Span(hint.does)) for hint, name in names]
    return found + whole

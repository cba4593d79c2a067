"""A study of a gauge and its hands: from the lines that came to the rows of one check record, and what they show.

A study comes typed or in a capture, in words that each stand on a line beginning with @:

    @operator CODE    what follows is read by this inspector
    @part NAME        what follows is read on this part
    @undo             the last reading is left out

The other lines are the gauge's, and the line profile reads them. Or it comes as a table copied from paper: a first
line that names operator, part and reading in any order, set apart by commas, semicolons or tabs, and a line for each
reading (RFC 4180: the last line needs no line end; a cell here is on one line).

What the readings show is worked out in rules/gauge_study.py; here it is put in words and figures. Shares of a
tolerance are not told, as there.
"""

from __future__ import annotations

import csv
import os
import textwrap
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from decimal import Decimal
from fractions import Fraction
from functools import cached_property
from pathlib import Path
from typing import Any, Final, TextIO
from zoneinfo import ZoneInfo

from archive.commit import cannot_write, make_folder, sync_folder
from ingest.capture_store import KeptCapture, keep
from ingest.decoding import Blank, DecodedReading, LineDecoder, NotAReading, Rejected, text_of
from ingest.facts import typed_profile
from ingest.inspection import Problem, Told
from ingest.links import LINKS
from ingest.links.raw_line import RawLine
from ingest.plausibility import out_of_range
from ingest.said import plain_text
from rules.gauge_study import (
    D2,
    Analysis,
    Contribution,
    Contributions,
    RangeStudy,
    Source,
    VarianceStudy,
    average_and_range,
    variance_study,
)
from rules.rounding import round_to_step, shown
from rules.statistics import mean
from rules.wording import listed
from schemas.errors import BadInput
from schemas.gauge_checks import GaugeCheck
from schemas.profile import Profile
from schemas.shop import Shop
from schemas.units import Unit
from schemas.vocabulary import CheckKind, ProbeMode

#: The longest line that any profile may ask for; which profile reads a study is known after its first line.
MOST_BYTES: Final = 65_536
COLUMNS: Final = ("operator", "part", "reading")
WIDTH: Final = 80
_SEPARATORS: Final = (",", ";", "\t")
_MOST_NAMED: Final = 6
_PLACE_UM: Final = Decimal("0.0001")
_PLACES: Final = {Unit.UM: 3, Unit.MIL: 4}
_LAST_PLACES: Final = 15


@dataclass(frozen=True, slots=True)
class StudyReading:
    """A reading of a study: who read it, and on what."""

    line_no: int
    operator: str
    part: str
    decoded: DecodedReading

    @property
    def figures(self) -> str:
        """Return the reading with its unit, as it is shown."""
        return f"{self.decoded.shown} {self.decoded.unit.symbol}"


Outcome = StudyReading | Told | Problem | None


@dataclass(slots=True)
class StudyTaking:
    """A study while its lines come in. No I/O and no clock.

    Args:
        shop: The shop, for its inspectors, its decimal mark and its range of plausible readings.
        mode: The probe mode that is studied.
        profile: Gives the line profile; asked for once, when a line needs it, since a table needs none.
        unit: The unit that a person named, or None; bare figures are in it, or in µm.
    """

    shop: Shop
    mode: ProbeMode
    profile: Callable[[], Profile]
    unit: Unit | None = None
    readings: list[StudyReading] = field(default_factory=list)
    left_out: int = 0
    operator: str | None = None
    part: str | None = None
    _decoder: LineDecoder | None = None
    _table: _Table | None = None
    _begun: bool = False
    _counters: set[int] = field(default_factory=set)

    def feed(self, line: RawLine) -> Outcome:
        """Take one line, and return the reading, what was carried out, the problem with it, or None for a blank one.

        After a problem nothing has changed.

        Raises:
            BadInput: There is no such line profile.
        """
        text = text_of(line.frame)
        if isinstance(text, Rejected):
            return self._take_framed(line)
        if not text.strip():
            return None
        if not self._begun:
            self._begun = True
            self._table = _table_of(text)
            if self._table is not None:
                wrong = self._table.wrong
                return Told("a table") if wrong is None else Problem(line.line_no, wrong)
        if self._table is not None:
            return self._take_row(line.line_no, text, self._table)
        if text.lstrip().startswith("@"):
            return self._obey(line.line_no, text)
        return self._take_line(line, text)

    # the words

    def _obey(self, line_no: int, text: str) -> Outcome:
        word, _, rest = text.strip().partition(" ")
        name = rest.strip()
        match word.lower():
            case "@operator" if name:
                if (wrong := self._stranger(name)) is not None:
                    return Problem(line_no, wrong)
                self.operator = name
                return Told(f"operator {name}")
            case "@part" if name:
                if (wrong := _no_name(name)) is not None:
                    return Problem(line_no, wrong)
                self.part = name
                return Told(f"part {name}")
            case "@undo" if not name:
                return self._leave_out_last(line_no)
            case "@operator" | "@part":
                return Problem(line_no, f"{word} needs a name after it")
            case "@undo":
                return Problem(line_no, "@undo leaves out the last reading and stands alone; take the rest out")
        return Problem(line_no, f"{word!r} means nothing here; the words are @operator @part @undo")

    def _leave_out_last(self, line_no: int) -> Outcome:
        if not self.readings:
            return Problem(line_no, "there is no reading before this that could be left out")
        last = self.readings.pop()
        self.left_out += 1
        if last.decoded.counter is not None:
            self._counters.discard(last.decoded.counter)
        return Told(f"{last.figures} of {last.operator} on part {last.part} is left out")

    # the readings

    def _take_framed(self, line: RawLine) -> Outcome:
        """Take a line with control characters: a gauge may frame what it sends, a word or a table has none."""
        text = text_of(line.frame, "" if self._table is not None else self._read_by().control)
        if isinstance(text, Rejected):
            return Problem(line.line_no, text.why)
        self._begun = True
        return self._take_line(line, text)

    def _read_by(self) -> LineDecoder:
        if self._decoder is None:
            self._decoder = self._reader(self.profile())
        return self._decoder

    def _take_line(self, line: RawLine, text: str) -> Outcome:
        decoded = self._read_by().decode(text)
        if isinstance(decoded, Blank):
            return None
        if isinstance(decoded, NotAReading):
            return Told(f"no reading: {decoded.meaning}")
        cut = "" if line.frame.ended else "is the last line and has no line end, so it may be cut short"
        if isinstance(decoded, Rejected):
            return Problem(line.line_no, f"{_why(decoded)}; it {cut}" if cut else _why(decoded))
        if cut:
            return Problem(line.line_no, f"{text.strip()!r} {cut}; end it with a line end where it is whole")
        if self.operator is None:
            return Problem(line.line_no, "nobody is named who read this; write '@operator CODE' on a line before it")
        if decoded.piece is not None and self.part not in (None, decoded.piece):
            return Problem(
                line.line_no,
                f"the gauge names part {decoded.piece!r}, and '@part {self.part}' stands before it; take one of them out",
            )
        part = decoded.piece or self.part
        if part is None:
            return Problem(
                line.line_no, "no part is named that this was read on; write '@part NAME' on a line before it"
            )
        return self._take(line.line_no, self.operator, part, decoded)

    def _take_row(self, line_no: int, text: str, table: _Table) -> Outcome:
        if table.wrong is not None:
            return None  # the sentence about its first line says it all
        cells = table.cells(text)
        if isinstance(cells, str):
            return Problem(line_no, cells)
        operator, part, figures = (cells[name] for name in COLUMNS)
        for name in COLUMNS:
            if not cells[name]:
                return Problem(line_no, f"{name} is empty; fill it in, or take the line out")
        wrong = self._stranger(operator) or _no_name(part)
        if wrong is not None:
            return Problem(line_no, wrong)
        if self._decoder is None:
            self._decoder = self._reader(typed_profile(self.unit or Unit.UM, self.shop.decimal_mark))
        decoded = self._decoder.decode(figures)
        if isinstance(decoded, DecodedReading):
            return self._take(line_no, operator, part, decoded)
        return Problem(line_no, _why(decoded) if isinstance(decoded, Rejected) else f"{figures!r} is no reading")

    def _take(self, line_no: int, operator: str, part: str, decoded: DecodedReading) -> Outcome:
        reading = StudyReading(line_no, operator, part, decoded)
        unit = decoded.unit
        if self.unit not in (None, unit):
            return Problem(line_no, f"{reading.figures} is not in {self.unit}, which --unit says; correct one of them")
        if self.readings and self.readings[0].decoded.unit is not unit:
            before = self.readings[0].decoded.unit.symbol
            return Problem(
                line_no, f"{reading.figures}: the readings before it are in {before}; a study is in one unit"
            )
        if decoded.mode not in (None, self.mode):
            return Problem(
                line_no, f"was read in mode {decoded.mode}, and the study is of mode {self.mode}; read it again"
            )
        if decoded.counter in self._counters:
            return Problem(line_no, f"has counter {decoded.counter} again; it may have been sent twice, take one out")
        odd = out_of_range(decoded.thickness_um, self.shop.plausible)
        if odd is not None:
            return Problem(line_no, f"{reading.figures} {odd}")
        if decoded.counter is not None:
            self._counters.add(decoded.counter)
        self.readings.append(reading)
        return reading

    def _reader(self, profile: Profile) -> LineDecoder:
        return LineDecoder(profile, ZoneInfo(self.shop.time_zone))

    def _stranger(self, code: str) -> str | None:
        """Return why *code* can be nobody's who read, or None."""
        codes = [inspector.code for inspector in self.shop.inspector]
        if code in codes:
            return None
        return (
            f"operator {code!r} is no inspector of shop.toml (there are: {', '.join(codes)}); correct the code, or add "
            "an [[inspector]] there with code, name, role and independent_of_production"
        )


def _why(rejected: Rejected) -> str:
    """Return the sentence; nothing is kept aside in a study, so a line that is no reading is taken out."""
    return rejected.why.replace("set it aside", "take it out")


def _no_name(part: str) -> str | None:
    try:
        plain_text(part, "the name of the part")
    except BadInput as wrong:
        return wrong.sentence
    return None


@dataclass(frozen=True, slots=True)
class _Table:
    """How a table sets its cells apart, and which columns it has; *wrong* says why it cannot be read."""

    separator: str
    columns: tuple[str, ...]
    wrong: str | None = None

    def cells(self, text: str) -> dict[str, str] | str:
        """Return the cells of a line by column, or why it has none."""
        try:
            (cells,) = csv.reader([text], delimiter=self.separator, strict=True)
        except (csv.Error, ValueError):
            return "a quotation mark is open or stands amid a cell; a cell is on one line and wholly in quotes or not at all"
        if len(cells) != len(self.columns):
            return f"has {len(cells)} cells, and the first line names {len(self.columns)} columns; correct the line"
        return dict(zip(self.columns, (cell.strip() for cell in cells), strict=True))


def _table_of(first_line: str) -> _Table | None:
    """Return how to read the table that *first_line* heads, or None where it heads none."""
    for separator in _SEPARATORS:
        columns = tuple(cell.strip().strip('"').lower() for cell in first_line.split(separator))
        if not set(columns) & set(COLUMNS):
            continue
        if sorted(columns) == sorted(COLUMNS):
            return _Table(separator, columns)
        wrong = f"the table has the columns {', '.join(map(repr, columns))}; a study has operator, part and reading, each once"
        return _Table(separator, columns, wrong)
    return None


# all lines of a study


def take(taking: StudyTaking, lines: Iterable[RawLine], source: str) -> None:
    """Take every line of *lines*, all or nothing.

    Raises:
        BadInput: A line cannot be taken as it is; the sentence names *source*, the line and what to do.
    """
    problems = [outcome for line in lines if isinstance(outcome := taking.feed(line), Problem)]
    if not problems:
        return
    first, *rest = problems
    others = ", ".join(str(p.line_no) for p in rest[:5]) + (", …" if len(rest) > 5 else "")
    also = f" (also line{'s' if len(rest) > 1 else ''} {others})" if rest else ""
    raise BadInput(f"{source}: line {first.line_no}: {first.sentence}{also}; nothing was taken")


def result_of(readings: Sequence[StudyReading], source: str) -> Result:
    """Return what *readings* show: operators and parts in the order in which they first came.

    Raises:
        BadInput: It is no whole study; the sentence says who has how many readings on what.
    """
    counts = Counter((reading.operator, reading.part) for reading in readings)
    operators = list(dict.fromkeys(reading.operator for reading in readings))
    parts = list(dict.fromkeys(reading.part for reading in readings))
    wrong = _why_no_study(operators, parts, counts)
    if wrong is not None:
        raise BadInput(f"{source}: {wrong}")
    figures: dict[tuple[str, str], list[Decimal]] = {cell: [] for cell in counts}
    for reading in readings:
        figures[reading.operator, reading.part].append(Decimal(reading.decoded.shown))
    study = {operator: {part: tuple(figures[operator, part]) for part in parts} for operator in operators}
    return Result(study, readings[0].decoded.unit)


def _why_no_study(operators: Sequence[str], parts: Sequence[str], counts: Mapping[tuple[str, str], int]) -> str | None:
    cells = [(operator, part) for operator in operators for part in parts]
    if not cells:
        return "there is no reading; a study is '@operator CODE', '@part NAME', and the readings below them"
    if len(operators) == 1:
        return (
            f"only {operators[0]} has read ({_times(counts, cells)}); one operator shows the repeatability alone and "
            "nothing of the reproducibility; let a second operator read the same parts"
        )
    if len(parts) == 1:
        return (
            f"only one part was read ({_times(counts, cells)}); let the same operators read a second part that differs"
        )
    # What most have is what was meant; the more, where as many have this as that.
    meant, _ = max(Counter(counts[cell] for cell in cells if counts[cell]).items(), key=lambda item: (item[1], item[0]))
    odd = [cell for cell in cells if counts[cell] != meant]
    if odd:
        return (
            f"a study has equally many readings of every operator on every part, here {meant}, but {_times(counts, odd)}; "
            "read what is missing, or take out what is too much"
        )
    if meant == 1:
        return (
            f"{_times(counts, cells)}; one reading does not show how the gauge repeats; "
            "let every operator read every part at least twice"
        )
    return None


def _times(counts: Mapping[tuple[str, str], int], cells: Sequence[tuple[str, str]]) -> str:
    said = [f"{operator} has {counts.get((operator, part), 0) or 'none'} on part {part!r}" for operator, part in cells]
    return listed(said, _MOST_NAMED)


# where a study comes from


@dataclass(frozen=True)
class Came:
    """A whole study that came.

    Attributes:
        result: What it shows.
        capture: Its lines, byte for byte, as they are kept.
        draft: The copy made while it was typed; None where it was not.
    """

    result: Result
    capture: KeptCapture
    draft: Path | None = None

    def drop_draft(self) -> None:
        """Remove the copy made while typing, once the study is recorded: its bytes are kept as a capture."""
        if self.draft is not None:
            self.draft.unlink(missing_ok=True)


def from_file(taking: StudyTaking, path: Path, captures: Path) -> Came:
    """Keep the file *path* in *captures*, then take all of it.

    Raises:
        BadInput: It cannot be read, a line cannot be taken, or it is no whole study.
    """
    kept = keep(path, captures)
    take(taking, LINKS["file"](kept.path, MOST_BYTES, None, str(path)), str(path))
    return Came(result_of(taking.readings, str(path)), kept)


def from_typing(taking: StudyTaking, stream: TextIO, now: Callable[[], datetime], draft: Path, again: str) -> Came:
    """Take what is typed into *stream*, up to its end; what is shown as taken is on disk in *draft*.

    A program that writes into *stream* is answered as a file is: all or nothing. *again* is what else the command
    needs to read the draft.

    Raises:
        BadInput: A program's line cannot be taken, or it is no whole study; what a person typed stays in *draft*.
    """
    source = "standard input"
    if not stream.isatty():
        lines = list(LINKS["typed"](stream, now, lambda: None))
        take(taking, lines, source)
        result = result_of(taking.readings, source)
        _append(draft, *(line.frame.data for line in lines))
        return Came(result, keep(draft, draft.parent), draft)
    print(f"what is shown as taken is on disk, in {draft}; end with an empty input (Ctrl-D)")
    for line in LINKS["typed"](stream, now, lambda: print(_asked_next(taking), end="", flush=True)):
        outcome = taking.feed(line)
        if not isinstance(outcome, Problem):
            _append(draft, line.frame.data)
        print(_answer(outcome, taking), flush=True)
    print()
    try:
        result = result_of(taking.readings, source)
    except BadInput as wrong:
        if not draft.exists():
            raise
        raise BadInput(
            f"{wrong.sentence}; what was typed is kept: complete {draft} and take it with --from {draft} {again}"
        ) from None
    return Came(result, keep(draft, draft.parent), draft)


def _append(draft: Path, *lines: bytes) -> None:
    """Write *lines* to the end of *draft* and return once they are on disk."""
    make_folder(draft.parent)
    try:
        is_new = not draft.exists()
        with draft.open("ab") as out:
            out.write(b"".join(line + b"\n" for line in lines))
            out.flush()
            os.fsync(out.fileno())
        if is_new:
            sync_folder(draft.parent)
    except OSError as wrong:
        raise cannot_write(draft.parent, wrong) from None


def _asked_next(taking: StudyTaking) -> str:
    return f"{taking.operator or '@operator CODE'}, {taking.part or '@part NAME'} > "


def _answer(outcome: Outcome, taking: StudyTaking) -> str:
    match outcome:
        case StudyReading():
            nth = sum((r.operator, r.part) == (outcome.operator, outcome.part) for r in taking.readings)
            return f"  taken: {outcome.figures}, {outcome.operator} on part {outcome.part}, reading {nth}"
        case Told():
            return f"  {outcome.answer}"
        case Problem():
            return f"  NOT TAKEN: line {outcome.line_no}: {outcome.sentence}"
        case _:
            return "  nothing typed"


# the rows


def known(shop: Shop, gauge_serial: str, mode: ProbeMode, run_by: str) -> None:
    """Do nothing where the gauge, its mode and the person are the shop's.

    Raises:
        BadInput: One of them is not.
    """
    gauge = shop.find_gauge(gauge_serial)
    shop.find_inspector(run_by)
    if mode not in gauge.probe_modes:
        have = ", ".join(gauge.probe_modes)
        raise BadInput(f"shop.toml: gauge {gauge_serial!r} has no mode {mode} (it has: {have})")


def rows(
    taking: StudyTaking,
    *,
    check_id: str,
    gauge_serial: str,
    done_at: datetime,
    run_by: str,
    capture_sha256: str,
    temperature_c: Decimal | None = None,
    note: str | None = None,
) -> list[GaugeCheck]:
    """Return one row for each operator and part, in the order in which they first came."""
    cells: dict[tuple[str, str], list[DecodedReading]] = {}
    for reading in taking.readings:
        cells.setdefault((reading.operator, reading.part), []).append(reading.decoded)
    left_out = f"{taking.left_out} left out while reading" if taking.left_out else None
    said = "; ".join(filter(None, (f"study run by {run_by}", note, left_out, f"capture {capture_sha256}")))
    empty = dict.fromkeys(GaugeCheck.__dataclass_fields__)
    found = []
    for (operator, part), decoded in cells.items():
        given: dict[str, Any] = {
            "check_id": check_id,
            "kind": CheckKind.STUDY.value,
            "gauge_serial": gauge_serial,
            "probe_mode": taking.mode.value,
            "done_at": done_at.replace(microsecond=done_at.microsecond // 1000 * 1000),
            "done_by": operator,
            "temperature_c": temperature_c,
            "standard_id": part,
            "readings_um": [one.thickness_um for one in decoded],
            "unit": decoded[0].unit.value,
            "mean_um": round_to_step(mean([one.thickness_um for one in decoded]), _PLACE_UM),
            "note": said,
        }
        found.append(GaugeCheck(**{**empty, **given}))
    return found


def recorded_before(checks: Iterable[GaugeCheck], new: Sequence[GaugeCheck], *, at_any_time: bool) -> str | None:
    """Return the check among *checks* that says the same as *new*, taken from the very same capture; or None.

    Its time is left out of the comparison where nobody stated one (*at_any_time*).
    """
    earlier: dict[str, list[GaugeCheck]] = {}
    for row in checks:
        if row.kind == CheckKind.STUDY and row.note == new[0].note:
            earlier.setdefault(row.check_id, []).append(row)

    def said(row: GaugeCheck) -> GaugeCheck:
        return replace(row, check_id="", done_at=new[0].done_at) if at_any_time else replace(row, check_id="")

    return next((key for key, old in earlier.items() if [*map(said, old)] == [*map(said, new)]), None)


# what it shows


@dataclass(frozen=True)
class Result:
    """What a study shows, by both methods."""

    study: Mapping[str, Mapping[str, tuple[Decimal, ...]]]
    unit: Unit

    @property
    def operators(self) -> tuple[str, ...]:
        """Return who read."""
        return tuple(self.study)

    @property
    def parts(self) -> tuple[str, ...]:
        """Return what was read."""
        return tuple(self.study[self.operators[0]])

    @property
    def each(self) -> int:
        """Return how many readings every operator has on every part."""
        return len(self.study[self.operators[0]][self.parts[0]])

    @cached_property
    def by_variance(self) -> VarianceStudy:
        """Return the analysis of variance."""
        return variance_study(self.study)

    @cached_property
    def by_range(self) -> RangeStudy | None:
        """Return average and range, or None where it has no constants for so many."""
        return None if self.why_no_range is not None else average_and_range(self.study)

    @property
    def why_no_range(self) -> str | None:
        """Return why there is no average and range, or None where there is."""
        counts = ((len(self.operators), "operators"), (len(self.parts), "parts"), (self.each, "readings each"))
        over = [f"{count} {what}" for count, what in counts if count > max(D2)]
        return f"Average and range has constants for up to {max(D2)}, not for {listed(over)}." if over else None


def report(result: Result) -> str:
    """Return what a colleague would say of *result*, and a table of each method, in lines of at most 80 columns."""
    blocks = [_wrapped(headline(result)), _wrapped(_of_the_interaction(result.by_variance))]
    blocks.append(
        "\n".join(_table_lines("By analysis of variance", result.by_variance.chosen.contributions, result.unit))
    )
    if result.by_range is None:
        blocks.append(_wrapped(result.why_no_range or ""))
    else:
        blocks.append("\n".join(_table_lines("By average and range", result.by_range.contributions, result.unit)))
    blocks.append(_wrapped(NOT_TOLD))
    return "\n\n".join(blocks)


#: What a study leaves open.
NOT_TOLD: Final = (
    "This does not tell whether the gauge reads right (its accuracy): that is a verification on certified standards, "
    "and a study covers no reading."
)


def headline(result: Result) -> str:
    """Return the one sentence about *result*."""
    found = result.by_variance.chosen.contributions
    share = found.of(Source.GAUGE).percent_variation
    if share is None:
        return "Nothing varies: every reading is the same, so nothing can be told of gauge, hands or parts; read parts that differ."
    said = (
        f"Of what varies in these readings, {shown(Fraction(share), 1)} % (in standard deviations) is the gauge and its "
        "hands; "
    )
    by_variance = found.categories
    if result.by_range is None:
        return f"{said}by analysis of variance {_groups(by_variance)}."
    by_range = result.by_range.contributions.categories
    if _groups(by_range) == _groups(by_variance):
        return f"{said}by both methods {_groups(by_variance)}."
    other = str(by_range) if min(by_variance or 0, by_range or 0) > 1 else _groups(by_range)
    return (
        f"{said}by analysis of variance {_groups(by_variance)}, by average and range {other}; "
        "both are right by their own rule."
    )


def _groups(categories: int | None) -> str:
    if categories is None:
        return "the gauge shows no variation of its own beside that of the parts"
    if categories < 2:
        return "the gauge cannot tell these parts apart"
    return f"the gauge can tell {categories} groups of parts apart"


def _of_the_interaction(study: VarianceStudy) -> str:
    p = study.with_interaction.row(Source.INTERACTION).probability
    if p is None:
        return "The interaction of operator and part was kept apart: there is nothing to test it with, since nothing is left to vary."
    figures = _against(p, study.level)
    if study.is_pooled:
        return (
            f"The interaction of operator and part was pooled with the repeatability: p is {figures}, above {study.level}, "
            "so nothing shows that the operators differ more on one part than on another."
        )
    return (
        f"The interaction of operator and part was not pooled: p is {figures}, not above {study.level}, "
        "so it may be that the operators differ more on one part than on another."
    )


def _against(p: Decimal, level: Decimal) -> str:
    """Return *p* with the places it takes to stand to *level* in print as it does."""
    for places in range(4, _LAST_PLACES):
        printed = shown(Fraction(p), places)
        if (printed > level) == (p > level):
            return "below 0.0001" if printed == 0 and p >= 0 else f"{printed:f}"
    return str(p)


_NAMES: Final = {
    Source.OPERATOR: "  operator",
    Source.INTERACTION: "  operator by part",
}
_ORDER: Final = (
    Source.REPEATABILITY,
    Source.REPRODUCIBILITY,
    Source.OPERATOR,
    Source.INTERACTION,
    Source.GAUGE,
    Source.PART,
    Source.TOTAL,
)


def _table_lines(title: str, found: Contributions, unit: Unit) -> Iterator[str]:
    yield f"{title:35}{'standard':>14}{'percent of':>15}{'percent of':>15}"
    yield f"{'':35}{'deviation, ' + unit.symbol:>14}{'contribution':>15}{'variation':>15}"
    for row in sorted(found.rows, key=lambda row: _ORDER.index(row.source)):
        name = _NAMES.get(row.source, row.source.value) + (" *" if row.below_zero else "")
        deviation = f"{shown(Fraction(row.deviation), _PLACES[unit]):f}"
        yield f"{name:35}{deviation:>14}{_percent(row.percent_contribution):>15}{_percent(row.percent_variation):>15}"
    if any(row.below_zero for row in found.rows):
        yield "* the variance came out below zero and is taken as 0"
    yield _categories_line(found)


def _categories_line(found: Contributions) -> str:
    if found.categories is None or found.category_ratio is None:
        return "distinct categories: none to be told, since the gauge shows no variation"
    for places in range(2, _LAST_PLACES):
        ratio = shown(Fraction(found.category_ratio), places)
        if int(ratio) == found.categories:  # 4.996 is never printed as 5.00 when it counts as 4
            break
    return f"distinct categories: {found.categories} ({ratio:f}, truncated)"


def _percent(value: Decimal | None) -> str:
    return "-" if value is None else f"{shown(Fraction(value), 2):f}"


def _wrapped(text: str) -> str:
    return textwrap.fill(text, WIDTH)


def as_json(result: Result) -> dict[str, Any]:
    """Return every number of *result*: exact ones as fractions "p/q", roots and probabilities as decimals."""
    variance = result.by_variance
    ranges = result.by_range
    return {
        "unit": result.unit.value,
        "operators": list(result.operators),
        "parts": list(result.parts),
        "readings_each": result.each,
        "readings": [
            {"operator": operator, "part": part, "shown": [str(value) for value in values]}
            for operator, parts in result.study.items()
            for part, values in parts.items()
        ],
        "analysis_of_variance": {
            "pooled": variance.is_pooled,
            "pooling_level": str(variance.level),
            "sum_of_squares": str(variance.sum_of_squares),
            "with_interaction": _analysis_json(variance.with_interaction),
            "interaction_pooled": _analysis_json(variance.pooled),
        },
        "average_and_range": None if ranges is None else _ranges_json(ranges),
        "said": [headline(result), _of_the_interaction(variance), *filter(None, [result.why_no_range]), NOT_TOLD],
    }


def _analysis_json(analysis: Analysis) -> dict[str, Any]:
    return {
        "table": [
            {
                "source": row.source.value,
                "degrees": row.degrees,
                "sum_of_squares": str(row.sum_of_squares),
                "mean_square": str(row.mean_square),
                "against": None if row.against is None else row.against.value,
                "ratio": _text(row.ratio),
                "probability": _text(row.probability),
            }
            for row in analysis.table
        ],
        **_contributions_json(analysis.contributions),
    }


def _ranges_json(ranges: RangeStudy) -> dict[str, Any]:
    return {
        "operators": [
            {"operator": one.operator, "mean": str(one.mean), "mean_range": str(one.mean_range)}
            for one in ranges.operators
        ],
        "mean_range": str(ranges.mean_range),
        "operator_difference": str(ranges.operator_difference),
        "part_range": str(ranges.part_range),
        "trial_factor": str(ranges.trial_factor),
        "operator_factor": str(ranges.operator_factor),
        "part_factor": str(ranges.part_factor),
        **_contributions_json(ranges.contributions),
    }


def _contributions_json(found: Contributions) -> dict[str, Any]:
    return {
        "sources": {row.source.value: _contribution_json(row) for row in found.rows},
        "category_ratio": _text(found.category_ratio),
        "distinct_categories": found.categories,
    }


def _contribution_json(row: Contribution) -> dict[str, Any]:
    return {
        "estimate": str(row.estimate),
        "variance": str(row.variance),
        "standard_deviation": str(row.deviation),
        "percent_of_contribution": _text(row.percent_contribution),
        "percent_of_variation": _text(row.percent_variation),
    }


def _text(number: Decimal | Fraction | None) -> str | None:
    return None if number is None else str(number)

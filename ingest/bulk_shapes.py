"""Lines that differ in their digits alone, read many at once: for gauges that write a counter or a time with each reading.

The shape of a line is the line with 0 for each digit. Where a profile's expressions treat all digits alike, as [0-9] and
\\d do and 7 does not, whether they match, and where their groups lie, follows from the shape: Python's own re looks at
each shape once. What a group says is then cut out of all lines of the shape, and each different figure is decoded once,
by the decoder that reads single lines.
"""

from __future__ import annotations

import importlib
import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final

import pyarrow as pa
import pyarrow.compute

from ingest.bulk_decoding import Figures, Sort, sort_of
from ingest.bulk_lines import DIGITS_TO_0
from ingest.decoding import Blank, Decoded, LineDecoder, NotAReading, Rejected
from schemas.profile import Profile

pc: Final[Any] = pyarrow.compute  # its type information knows fewer pairs of arguments than it takes

_Span = tuple[int, int]
#: Groups that are cut out, or that are the same in all lines of a shape.
_GROUPS: Final = frozenset({"thickness", "unit", "counter", "time", "mode"})
#: What of a profile is heeded here, or says nothing of how a whole line is decoded. With anything else, lines are read one by one.
_HEEDED: Final = frozenset(
    [
        "title",
        "form",
        "reading",
        "keys",
        "not_a_reading",
        "decimal_mark",
        "places",
        "unit",
        "time_format",
        "modes",
        "max_line_bytes",
        "line_end",
        "idle_end_ms",
        "serial",
        "bluetooth",
        "request",
    ]
)
#: Widths of what strptime reads, as far as it is certain that it reads all of that width.
_TIME_CODES: Final = {"Y": 4, "m": 2, "d": 2, "H": 2, "M": 2, "S": 2}
_ISO_SHAPE: Final = "0000-00-00 00:00:00"
_ISO_PARTS: Final = {"Y": (0, 4), "m": (5, 7), "d": (8, 10), "H": (11, 13), "M": (14, 16), "S": (17, 19)}
#: A shape for so many lines at the least is worth the looking.
_LINES_TO_A_SHAPE: Final = 16
_DIGITS: Final = frozenset(range(48, 58))
_COUNTERS: Final = frozenset("0" * width for width in range(1, 10))
#: No time zone changes its offset within one of these, in µs.
_QUARTER_US: Final = 900_000_000
_EPOCH: Final = datetime(1970, 1, 1)  # noqa: DTZ001 - what a local clock shows
_MICROSECOND: Final = timedelta(microseconds=1)
_SINGLY: Final = Rejected("")


@dataclass(frozen=True, slots=True)
class _Plan:
    """What is to be done with the lines of a shape: what they say as far as it is no reading, or where its groups lie."""

    said: Decoded | None
    thickness: _Span = (0, 0)
    counter: _Span | None = None
    time: _Span | None = None


def figures_by_shape(lines: Any, decoder: LineDecoder) -> Figures | None:
    """Return what *lines*, Arrow binary, say, or None where they have to be read one by one."""
    reader = _reader_of(decoder)
    if reader is None or not len(lines):
        return None
    shapes = _shapes(lines).dictionary_encode()
    if len(shapes.dictionary) > max(1, len(lines) // _LINES_TO_A_SHAPE):
        return None
    plans = [reader.plan(shape) for shape in shapes.dictionary.to_pylist()]
    if len({plan.time is not None for plan in plans if plan.said is None}) != 1:
        return None
    # The lines of a shape together, in their order; what is found is put back into the order of the file.
    together = pc.array_sort_indices(shapes.indices)
    counts = {row["values"]: row["counts"] for row in pc.value_counts(shapes.indices).to_pylist()}
    groups = []
    start = 0
    for code, plan in enumerate(plans):
        rows = together[start : start + counts[code]]
        start += counts[code]
        groups.append((plan, lines if len(plans) == 1 else lines.take(rows)))
    found = _cut_out(groups, reader)
    if found is None:
        return None
    different, columns = found
    if len(plans) > 1:
        back = pc.array_sort_indices(together)
        columns = {name: column.take(back) for name, column in columns.items()}
    sorts = [sort_of(said) for said in different]
    odd = pa.array([sort is not Sort.READING for sort in sorts]).take(columns["which"])
    readable = pc.if_else(odd, pa.scalar(b""), lines) if pc.any(odd).as_py() else lines
    return Figures(
        different,
        columns["which"],
        None if all(sort is Sort.READING for sort in sorts) else pa.array(sorts, pa.int8()).take(columns["which"]),
        readable.cast(pa.string()),
        columns.get("counter"),
        columns.get("time"),
    )


def _cut_out(groups: list[tuple[_Plan, Any]], reader: _Reader) -> tuple[list[Decoded], dict[str, Any]] | None:
    """Return what is said, once each, and by line which of that, counter and time; None where a time is none."""
    different: list[Decoded] = []
    which, counters, times = [], [], []
    for plan, lines in groups:
        count = len(lines)
        if plan.said is not None:
            which.append(pa.repeat(pa.scalar(len(different), pa.int32()), count))
            different.append(plan.said)
        else:
            figures = pc.binary_slice(lines, *plan.thickness).dictionary_encode()
            which.append(pc.add(figures.indices, pa.scalar(len(different), pa.int32())))
            start, end = plan.thickness
            first = lines[0].as_py()
            for figure in figures.dictionary.to_pylist():
                different.append(reader.decoder.decode((first[:start] + figure + first[end:]).decode("ascii")))
        if plan.said is None and plan.counter is not None:
            counters.append(pc.binary_slice(lines, *plan.counter).cast(pa.string()).cast(pa.int64()))
        else:
            counters.append(pa.nulls(count, pa.int64()))
        if plan.said is None and plan.time is not None:
            found = reader.instants(pc.binary_slice(lines, *plan.time))
            if found is None:
                return None
            times.append(found)
        else:
            times.append(pa.nulls(count, pa.int64()))
    columns = {"which": pa.concat_arrays(which)}
    if any(plan.counter is not None for plan, _ in groups):
        columns["counter"] = pa.concat_arrays(counters)
    if any(plan.time is not None for plan, _ in groups):
        columns["time"] = pa.concat_arrays(times)
    return different, columns


@dataclass(frozen=True, slots=True)
class _Reader:
    """A profile whose expressions treat all digits alike."""

    decoder: LineDecoder
    reading: re.Pattern[str]
    others: tuple[tuple[re.Pattern[str], str], ...]
    time_shape: str
    time_parts: dict[str, _Span]

    def plan(self, shape: bytes) -> _Plan:
        """Return what is to be done with lines of *shape*."""
        text = shape.decode("latin-1")
        if not text.isascii() or not text.replace("\t", " ").isprintable():
            return _Plan(_SINGLY)
        line = text.strip()
        if not line:
            return _Plan(Blank())
        for pattern, meaning in self.others:
            if pattern.fullmatch(line):
                return _Plan(NotAReading(meaning))
        match = self.reading.fullmatch(line)
        if match is None:
            return _Plan(_SINGLY)
        before = len(text) - len(text.lstrip())
        spans: dict[str, _Span] = {}
        for name, value in match.groupdict().items():
            if value is not None:
                start = before + match.start(name) + len(value) - len(value.lstrip())
                spans[name] = start, start + len(value.strip())
        said = {name: text[start:end] for name, (start, end) in spans.items()}
        fits = (
            "0" not in said.get("unit", "") + said.get("mode", "")
            and said.get("counter", "0") in _COUNTERS
            and said.get("time", self.time_shape) == self.time_shape
        )
        if not fits:
            return _Plan(_SINGLY)
        return _Plan(None, spans["thickness"], spans.get("counter"), spans.get("time"))

    def instants(self, times: Any) -> Any | None:
        """Return *times*, local and all of the one shape, in µs since 1970 in UTC; None where one is none, or not certain."""
        try:
            local = self._in_iso(times).cast(pa.timestamp("us")).cast(pa.int64())
        except pa.ArrowInvalid:
            return None
        spread = pc.min_max(local).as_py()
        if spread["min"] < 0:  # whole quarters are cut off below, and Arrow cuts towards zero
            return None
        quarters = pc.divide(local, _QUARTER_US).dictionary_encode()
        offsets = [self._offset_us(quarter) for quarter in quarters.dictionary.to_pylist()]
        if None in offsets:
            return None
        return pc.subtract(local, pa.array(offsets, pa.int64()).take(quarters.indices))

    def _in_iso(self, times: Any) -> Any:
        """Return *times* as 2026-11-03 09:15:02, as Arrow reads them."""
        if self.time_shape == _ISO_SHAPE and self.time_parts == _ISO_PARTS:
            return times.cast(pa.string())
        parts = {code: pc.binary_slice(times, *span).cast(pa.string()) for code, span in self.time_parts.items()}
        day = pc.binary_join_element_wise(parts["Y"], parts["m"], parts["d"], "-")
        clock = pc.binary_join_element_wise(parts["H"], parts["M"], parts.get("S", "00"), ":")
        return pc.binary_join_element_wise(day, clock, " ")

    def _offset_us(self, quarter: int) -> int | None:
        start = _EPOCH + quarter * _QUARTER_US * _MICROSECOND
        last = start + (_QUARTER_US - 1) * _MICROSECOND
        zone = self.decoder.zone
        offset = start.replace(tzinfo=zone).utcoffset()
        if offset is None or offset != last.replace(tzinfo=zone).utcoffset():
            return None
        return offset // _MICROSECOND


def _reader_of(decoder: LineDecoder) -> _Reader | None:
    profile = decoder.profile
    if profile.reading is None or not _is_heeded(profile):
        return None
    patterns = [profile.reading, *(other.pattern for other in profile.not_a_reading)]
    if not all(treats_digits_alike(pattern) for pattern in patterns):
        return None
    reading = re.compile(profile.reading)
    if not _GROUPS.issuperset(reading.groupindex):
        return None
    parts: dict[str, _Span] = {}
    shape = ""
    if "time" in reading.groupindex:
        found = _time_parts(profile.time_format or "")
        if found is None:
            return None
        shape, parts = found
    others = tuple((re.compile(other.pattern), other.meaning) for other in profile.not_a_reading)
    return _Reader(decoder, reading, others, shape, parts)


def _is_heeded(profile: Profile) -> bool:
    return all(
        name in _HEEDED or getattr(profile, name) == field.get_default(call_default_factory=True)
        for name, field in type(profile).model_fields.items()
    )


def _time_parts(time_format: str) -> tuple[str, dict[str, _Span]] | None:
    """Return the shape of a time written by *time_format*, and where its parts stand; None where that is not certain."""
    shape = ""
    parts: dict[str, _Span] = {}
    codes = iter(time_format)
    for sign in codes:
        if sign != "%":
            # strptime takes any number of blanks for one, letters in any case, and folds what is not ASCII.
            if not sign.isascii() or (sign.isalnum() and sign != "T") or (sign.isspace() and sign != " "):
                return None
            shape += sign
            continue
        code = next(codes, "")
        if code not in _TIME_CODES or code in parts:
            return None
        parts[code] = len(shape), len(shape) + _TIME_CODES[code]
        shape += "0" * _TIME_CODES[code]
    return (shape, parts) if {"Y", "m", "d", "H", "M"} <= parts.keys() and shape == shape.strip() else None


def treats_digits_alike(pattern: str) -> bool:
    """Return whether *pattern*, an expression of re, matches a text just where it matches the text with other digits in it."""
    try:
        # Python's own parser of its expressions; without it there are no shapes, and lines are read one by one.
        parser: Any = importlib.import_module("re._parser")
        return _alike(parser.parse(pattern))
    except (ImportError, AttributeError, re.error, TypeError, ValueError):
        return False


def _alike(items: Iterable[Any]) -> bool:
    for kind, argument in items:
        match str(kind):
            case "ANY" | "AT":
                alike = True
            case "LITERAL" | "NOT_LITERAL":
                alike = not _is_digit(argument)
            case "IN":
                alike = _class_is_alike(argument)
            case "BRANCH":
                alike = all(_alike(branch) for branch in argument[1])
            case "MAX_REPEAT" | "MIN_REPEAT" | "POSSESSIVE_REPEAT":
                alike = _alike(argument[2])
            case "SUBPATTERN":
                alike = _alike(argument[3])
            case "ATOMIC_GROUP":
                alike = _alike(argument)
            case "ASSERT" | "ASSERT_NOT":
                alike = _alike(argument[1])
            case _:  # among others what was matched before, digit by digit
                alike = False
        if not alike:
            return False
    return True


def _class_is_alike(items: Iterable[Any]) -> bool:
    """Return whether a class of characters holds all digits or none."""
    held = set()
    for kind, argument in items:
        match str(kind):
            case "NEGATE" | "CATEGORY":  # every category holds all of them or none
                pass
            case "LITERAL":
                held |= {argument}
            case "RANGE":
                held |= {code for code in _DIGITS if argument[0] <= code <= argument[1]}
            case _:
                return False
    return len(held & _DIGITS) in (0, len(_DIGITS))


def _is_digit(code: int) -> bool:
    return code in _DIGITS


def _shapes(lines: Any) -> Any:
    """Return *lines* with 0 for each digit."""
    _, ends, text = lines.buffers()
    if text is None:
        return lines
    shaped = pa.py_buffer(text.to_pybytes().translate(DIGITS_TO_0))
    return pa.Array.from_buffers(lines.type, len(lines), [None, ends, shaped], offset=lines.offset)

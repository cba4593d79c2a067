"""How the gauge writes day and time. An order of day and month that the lines leave open stays open."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from typing import Final

from ingest.teaching_shapes import WAYS, tokens_of, written

#: A gauge's clock that is not further off than this is taken to be right, whatever its time zone.
_NEAR: Final = timedelta(days=2)
_FIRST_YEAR: Final = 1990
_LAST_YEAR: Final = 2099


def day_formats(days: Sequence[str]) -> list[str]:
    """Return the formats (codes of C's strftime) that read every one of *days*."""
    match = re.search(r"[-/. ]", days[0])
    mark = match[0] if match else ""
    if re.search(r"[A-Za-z]", days[0]):
        orders = [f"%d{mark}%b{mark}%Y", f"%d{mark}%b{mark}%y"]
    elif re.match(r"[0-9]{4}", days[0]):
        orders = [f"%Y{mark}%m{mark}%d"]
    elif re.search(r"[0-9]{4}$", days[0]):
        orders = [f"%d{mark}%m{mark}%Y", f"%m{mark}%d{mark}%Y"]
    else:
        orders = [f"%d{mark}%m{mark}%y", f"%m{mark}%d{mark}%y", f"%y{mark}%m{mark}%d"]
    return [order for order in orders if all(_read(day, order) for day in days)]


def clock_formats(clocks: Sequence[str]) -> list[str]:
    """Return the formats that read every one of *clocks*: one, or none."""
    first = clocks[0]
    half = re.search(r"( ?)[AaPp][Mm]$", first)
    hour = "%I" if half else "%H"
    seconds = ":%S" if first.count(":") - bool(re.search(r"[-+][0-9]{2}:[0-9]{2}$", first)) > 1 else ""
    fraction = re.search(r":[0-9]{2}([.,])[0-9]+", first)
    tail = f"{half[1]}%p" if half else "%z" if re.search(r"(Z|[-+][0-9:]+)$", first) else ""
    order = f"{hour}:%M{seconds}{fraction[1] + '%f' if fraction else ''}{tail}"
    return [order] if all(_read(clock, order) for clock in clocks) else []


def compact_formats(stamps: Sequence[str]) -> list[str]:
    """Return the formats that read every one of *stamps*, 14 figures without a mark."""
    if not all(re.fullmatch(r"20[0-9]{12}", stamp) for stamp in stamps):
        return []
    return ["%Y%m%d%H%M%S"] if all(_read(stamp, "%Y%m%d%H%M%S") for stamp in stamps) else []


def compact_day_formats(days: Sequence[str]) -> list[str]:
    """Return the formats that read every one of *days*, 8 or 6 figures without a mark."""
    if all(re.fullmatch(r"20[0-9]{6}", day) for day in days):
        orders = ["%Y%m%d"]
    elif all(re.fullmatch(r"[0-9]{8}", day) for day in days):
        orders = ["%d%m%Y", "%m%d%Y"]
    elif all(re.fullmatch(r"[0-9]{6}", day) for day in days):
        orders = ["%d%m%y", "%m%d%y", "%y%m%d"]
    else:
        return []
    return [order for order in orders if all(_read(day, order) for day in days)]


def compact_clock_formats(clocks: Sequence[str]) -> list[str]:
    """Return the formats that read every one of *clocks*, 6 or 4 figures without a mark."""
    for figures, order in ((6, "%H%M%S"), (4, "%H%M")):
        if all(re.fullmatch(rf"[0-9]{{{figures}}}", clock) and _read(clock, order) for clock in clocks):
            return [order]
    return []


def stamp_formats(stamps: Sequence[str]) -> list[str]:
    """Return the formats that read every one of *stamps*, each of which is a day and a time of day."""
    compact = [re.fullmatch(r"([0-9]{6}|[0-9]{8})([ T-]?)([0-9]{6}|[0-9]{4})", stamp) for stamp in stamps]
    found_compact = [m for m in compact if m is not None]
    if len(found_compact) == len(stamps):
        marks = {m[2] for m in found_compact}
        days = compact_day_formats([m[1] for m in found_compact])
        clocks = compact_clock_formats([m[3] for m in found_compact])
        return [f"{d}{marks.copy().pop()}{c}" for d in days for c in clocks] if len(marks) == 1 else []
    cut = [tokens_of(stamp, WAYS[0]) for stamp in stamps]
    parts = [({t.kind: t for t in tokens}) for tokens in cut]
    if any(not {"day", "clock"} <= found.keys() for found in parts):
        return []
    betweens = set()
    for stamp, found in zip(stamps, parts, strict=True):
        one, other = sorted((found["day"], found["clock"]), key=lambda t: t.start)
        if one.start != 0 or other.end != len(stamp):
            return []
        betweens.add((one.kind, stamp[one.end : other.start]))
    if len(betweens) != 1:
        return []
    first, mark = betweens.pop()
    days = day_formats([found["day"].text for found in parts])
    clocks = clock_formats([found["clock"].text for found in parts])
    return [f"{d}{mark}{c}" if first == "day" else f"{c}{mark}{d}" for d in days for c in clocks]


def settled_by_arrival(stamps: Mapping[int, str], arrived: Mapping[int, datetime], formats: Sequence[str]) -> list[str]:
    """Return the formats of *formats* that lie near the time of arrival, where one alone does; else all of them.

    Args:
        stamps: Line, and day and time as it writes them.
        arrived: Line, and when it came, aware.
        formats: Formats that read all of *stamps*.
    """
    known = [i for i in stamps if i in arrived]
    near = [
        order
        for order in formats
        if known
        and all(
            (read := _read(stamps[i], order)) is not None
            and abs(read.replace(tzinfo=None) - arrived[i].replace(tzinfo=None)) <= _NEAR
            for i in known
        )
    ]
    return near if len(near) == 1 else list(formats)


def said(stamp: str, order: str) -> str:
    """Return the day that *stamp* means by the format *order*, in words."""
    read = _read(stamp, order)
    if read is None:
        return order
    return f"{read.day} {read:%B} {read.year}"


def stamp_pattern(order: str) -> str:
    """Return a regular expression of what the format *order* reads."""
    parts = {
        "%Y": "[0-9]{4}",
        "%y": "[0-9]{2}",
        "%b": "[A-Za-z]{3}",
        "%M": "[0-9]{2}",
        "%S": "[0-9]{2}",
        "%f": "[0-9]{1,6}",
        "%p": "[AaPp][Mm]",
        "%z": "(?:Z|[-+][0-9]{2}:?[0-9]{2})",
    }
    if order == "%Y%m%d%H%M%S":
        return "[0-9]{14}"
    pieces = re.split(r"(%.)", order)
    if re.search(r"%[dmHM]%[mdyYMS]", order):  # without marks, every part has its full width
        parts |= dict.fromkeys(("%d", "%m", "%H"), "[0-9]{2}")
    out = []
    for piece in pieces:
        if piece.startswith("%"):
            out.append(parts.get(piece, "[0-9]{1,2}"))
        else:
            out.append(re.sub(" +", " +", written(piece)))
    return "".join(out)


def _read(stamp: str, order: str) -> datetime | None:
    try:
        read = datetime.strptime(stamp, order)  # noqa: DTZ007 - compared by the day alone
    except ValueError:
        return None
    if "%Y" in order or "%y" in order:
        return read if _FIRST_YEAR <= read.year <= _LAST_YEAR else None
    return read

"""What a person types on the command line, read strictly: moments, days, figures, NAME=VALUE; and numbers said back."""

from __future__ import annotations

from datetime import UTC, date, datetime
from decimal import Decimal, InvalidOperation
from typing import Final
from zoneinfo import ZoneInfo

from schemas.errors import BadInput
from schemas.letters import unfit

_LONGEST: Final = 200
_FIRST_YEAR: Final = 1990
_LAST_YEAR: Final = 2199


def number_of(count: int, one: str, more: str) -> str:
    """Return *count* and the words behind it: *one* where it is 1, else *more*."""
    return f"{count} {one if count == 1 else more}"


def moment(text: str, zone_name: str) -> datetime:
    """Return the moment that *text* (ISO 8601) names, in UTC; without an offset it is in the shop's zone.

    Raises:
        BadInput: It is no moment.
    """
    try:
        found = datetime.fromisoformat(text)
    except ValueError:
        raise BadInput(f"{text!r} is no moment; write it as 2026-01-31T09:15 or 2026-01-31T09:15:00+01:00") from None
    if not _FIRST_YEAR <= found.year <= _LAST_YEAR:
        raise BadInput(f"{text!r} is no moment that a shop measured at; correct the year")
    if found.tzinfo is None:
        found = found.replace(tzinfo=ZoneInfo(zone_name))
    return found.astimezone(UTC)


def day(text: str) -> date:
    """Return the day that *text* names.

    Raises:
        BadInput: It is no day.
    """
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise BadInput(f"{text!r} is no day; write it as 2026-01-31") from None


def figures(text: str, what: str) -> Decimal:
    """Return the number that *text* writes with a decimal point.

    Raises:
        BadInput: It is no number; the sentence starts with *what*.
    """
    try:
        found = Decimal(text.strip())
    except InvalidOperation:
        found = Decimal("NaN")
    if found.is_finite() and (abs(found) >= 1_000_000 or int(found.as_tuple().exponent) < -6):
        raise BadInput(f"{what}: {text!r} is far from anything that is measured here; correct it")
    if not found.is_finite():
        hint = "; write the decimals after a point" if "," in text else ""
        raise BadInput(f"{what}: {text!r} is not a number{hint}")
    return found


def pairs(entries: list[str] | None, option: str, form: str = "NAME=VALUE") -> dict[str, str]:
    """Return NAME=VALUE entries as a dict; *form* is how a sentence spells them.

    Raises:
        BadInput: An entry has no name, no "=" or no value, or a name stands twice.
    """
    found: dict[str, str] = {}
    for entry in entries or []:
        name, equals, value = entry.partition("=")
        if not (equals and name.strip() and value.strip()):
            raise BadInput(f"{option} {entry!r}: write it as {form}")
        if name.strip() in found:
            raise BadInput(f"{option}: {name.strip()!r} stands twice; say it once")
        found[name.strip()] = value.strip()
    return found


def numbered(entries: list[str] | None, option: str) -> dict[int, str]:
    """Return NUMBER=REASON entries as a dict.

    Raises:
        BadInput: As :func:`pairs`, or a name is no number.
    """
    found = {}
    for name, reason in pairs(entries, option, "NUMBER=REASON").items():
        if not name.isdecimal():
            raise BadInput(f"{option} {name}={reason}: {name!r} is no number; write it as NUMBER=REASON")
        found[int(name)] = plain_text(reason, f"{option} {name}")
    return found


def plain_text(text: str, what: str) -> str:
    """Return *text*, one line that can be printed.

    Raises:
        BadInput: It is empty, longer than 200 characters, or has a line end or another control character.
    """
    if not text.strip():
        raise BadInput(f"{what} is empty; say it, or leave the option out")
    if len(text) > _LONGEST:
        raise BadInput(f"{what} has {len(text)} characters; at most {_LONGEST} are kept")
    if not text.isprintable():
        raise BadInput(f"{what} {text!r} has a line end or a control character; write it on one line")
    if (why := unfit(text)) is not None:
        raise BadInput(f"{what}: {why}")
    return text

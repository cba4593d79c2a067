"""Days as a person names them in an option or in a list, and when they begin and end where the shop is."""

from __future__ import annotations

import argparse
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from schemas.errors import BadInput


def day_named(what: str, text: str) -> date:
    """Return the day that *text* names (ISO 8601); *what* is the option, or where the text stands.

    Raises:
        BadInput: It is no day.
    """
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise BadInput(f"{what} {text!r} is no day; write it as 2026-01-31") from None


def first_and_last(args: argparse.Namespace) -> tuple[date | None, date | None]:
    """Return the days of --from and --to; None where none was named.

    Raises:
        BadInput: One is no day, or the first is later than the last.
    """
    first = None if args.since is None else day_named("--from", args.since)
    last = None if args.until is None else day_named("--to", args.until)
    if first is not None and last is not None and first > last:
        raise BadInput(f"--from {args.since} is later than --to {args.until}; swap them")
    return first, last


def begin_and_end(first: date | None, last: date | None, zone: ZoneInfo) -> tuple[datetime | None, datetime | None]:
    """Return the instants, in UTC, at which *first* begins and *last* has ended by the wall clock of *zone*.

    None where no day is given, and for the outermost days of the calendar, which have no instant before or behind them
    in every time zone.
    """

    def midnight(day: date) -> datetime:
        return datetime.combine(day, time(), zone).astimezone(UTC)

    since = None if first is None or first <= date.min + timedelta(days=1) else midnight(first)
    before = None if last is None or last >= date.max - timedelta(days=1) else midnight(last + timedelta(days=1))
    return since, before

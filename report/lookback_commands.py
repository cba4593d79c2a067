"""The command `lookback`: from a gauge, a check or a standard to the inspections and certificates in doubt.

Only what `--help` needs is imported up here; the rest is imported where it is used.
"""

from __future__ import annotations

import argparse

from report.at_hand import path_of
from report.group_commands import add_group_options

TYPE_CHECKING = False  # as typing's own, without the cost of importing it for --help
if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import datetime
    from fractions import Fraction
    from typing import Any
    from zoneinfo import ZoneInfo

    from archive.shop_folder import ShopFolder
    from report.looking_back import Asked, LookBack, Stretch

_LONGEST = 200  # characters of a reason
#: How the names of the two files end.
_TABLE, _LETTERS = (".csv",), (".html",)


def register(commands: Any) -> None:
    """Add `lookback` to *commands*, an argparse subparsers action."""
    back = commands.add_parser(
        "lookback",
        help="which inspections and certificates a gauge, a check or a standard puts in doubt",
        description="List every sealed inspection and every issued certificate with readings in doubt. --check: through a "
        "failed check, an adjustment, an incident, a calibration that found the gauge off, or the last check where none "
        "closes. --gauge alone: through all that its records show; with --from or --to: every reading taken then. "
        "--standard: through the checks made on it. Exit code 0: nothing is in doubt; 1: something is, or may be and was "
        "removed; 2: bad input; 4: the archive is not whole, and so the answer. How to go about it: docs/looking_back.md.",
    )
    back.add_argument("--check", metavar="ID", help="the check, adjustment, incident or calibration")
    back.add_argument("--gauge", metavar="SERIAL")
    back.add_argument("--mode", choices=("magnetic", "eddy-current"), help="with --gauge: in this mode alone")
    back.add_argument("--standard", metavar="SERIAL", help="a standard that checks were made on")
    back.add_argument(
        "--from", dest="since", metavar="DAY|TIME", help="from this day or moment on, it included; by the shop's clock"
    )
    back.add_argument(
        "--to",
        dest="until",
        metavar="DAY|TIME",
        help="up to this day, minute or moment, all of it included, and so an hour that the clock shows twice",
    )
    back.add_argument(
        "--off",
        metavar="AMOUNT",
        help='by how much the gauge read too high, as "+2.5 um", or too low, as "-0.1 mil", where no check says so; '
        "write --off=-0.1mil with a minus",
    )
    back.add_argument("--reason", metavar="TEXT", help="with --gauge and a time: why, for the letter")
    back.add_argument("--csv", type=path_of, metavar="FILE", help="the same as a table for a spreadsheet")
    back.add_argument(
        "--html", type=path_of, metavar="FILE", help="a letter to each customer, to be completed and printed"
    )
    back.add_argument("--replace", action="store_true", help="with --csv or --html: write over a file that is there")
    back.add_argument("--json", action="store_true", help="answer as JSON")
    add_group_options(
        back, "list the inspections with readings of --gauge in the months that plants pushed to this store"
    )
    back.set_defaults(run=_lookback)


def _lookback(args: argparse.Namespace) -> int:
    import json

    from archive.shop_folder import ShopFolder
    from archive.store import Archive
    from archive.targets import write_target
    from report.lookback_letter import letters_html
    from report.lookback_screen import lookback_csv, lookback_json, lookback_lines
    from report.looking_back import looked_back
    from report.terminal_text import width
    from schemas.errors import IntegrityFailed

    if args.at is not None:
        return _of_plants(args)
    folder = ShopFolder(args.shop)
    shop = folder.shop()
    asked = _asked(args, shop.time_zone)
    _demand_targets(args)
    found = looked_back(Archive(folder.archive, args.bench), shop, asked, folder.journals / "sealed")
    written = []
    if args.csv is not None:
        write_target(args.csv, lookback_csv(found), _TABLE, replace=args.replace)
        written.append(f"the table: {args.csv}")
    if args.html is not None and found.affected:
        html = letters_html(found, shop, _customers(folder, found), args.now())
        write_target(args.html, html.encode(), _LETTERS, replace=args.replace)
        written.append(f"the {'letters' if len(found.customers) > 1 else 'letter'}: {args.html}")
    if args.json:
        print(json.dumps(lookback_json(found), ensure_ascii=False))
    else:
        print("\n".join([*lookback_lines(found, width()), *written]))
        if args.html is not None and not found.affected:
            print(f"no letter is due; {args.html} was not written")
    if found.absent.lost:
        lost = "; ".join(found.absent.lost)
        raise IntegrityFailed(f"{folder.archive}: the answer is incomplete: {lost}; run 'filmtally archive check'")
    return 1 if found.affected or found.absent.certificates else 0


def _of_plants(args: argparse.Namespace) -> int:
    import json
    from datetime import timedelta
    from zoneinfo import ZoneInfo

    from archive.questions import affected
    from report.group_commands import affected_json, affected_lines, asked_plants, time_zone
    from report.terminal_text import width
    from schemas.errors import BadInput

    for name in ("check", "standard", "off", "reason", "csv", "html"):
        if getattr(args, name) is not None:
            raise BadInput(f"--{name} asks of a shop's own records; with --at, say --gauge, --from and --to")
    if args.gauge is None:
        raise BadInput("--at lists what a gauge measured; name it with --gauge")
    zone = ZoneInfo(time_zone(args))
    stretch = _stretch(args.since, args.until, zone)
    end = stretch.end
    if end is not None and not stretch.end_counts:
        end -= timedelta(milliseconds=1)  # a reading's time is kept in whole milliseconds
    # A certificate may have been issued of any revision.
    question = affected(args.gauge, args.mode, stretch.start, end, every_revision=True)
    found = asked_plants(args, question)
    if args.json:
        print(json.dumps(affected_json(args.gauge, found), ensure_ascii=False))
    else:
        print("\n".join(affected_lines(args.gauge, found, zone, width())))
    return 1 if any(found.values()) else 0


def _asked(args: argparse.Namespace, zone_name: str) -> Asked:
    from zoneinfo import ZoneInfo

    from report.looking_back import Asked
    from schemas.errors import BadInput
    from schemas.letters import unfit

    named = [option for option in ("check", "gauge", "standard") if getattr(args, option) is not None]
    if len(named) != 1:
        raise BadInput("name one of them: a check with --check, a gauge with --gauge, or a standard with --standard")
    if args.check is not None and (args.since is not None or args.until is not None):
        raise BadInput(
            "--from and --to go with --gauge or --standard; the time that a check puts in doubt follows from it"
        )
    if args.mode is not None and args.gauge is None:
        raise BadInput("--mode goes with --gauge; leave it out")
    stretch = _stretch(args.since, args.until, ZoneInfo(zone_name))
    if args.reason is not None:
        if args.gauge is None or not stretch.given:
            raise BadInput("--reason goes with --gauge and a time; elsewhere the records say what happened")
        why = unfit(args.reason)
        if not args.reason.strip() or len(args.reason) > _LONGEST or not args.reason.isprintable() or why is not None:
            raise BadInput(f"--reason: {why or f'write one line of at most {_LONGEST} characters'}")
    return Asked(
        check_id=args.check,
        gauge_serial=args.gauge,
        standard_id=args.standard,
        stretch=stretch,
        probe_mode=args.mode,
        off_um=None if args.off is None else _off_um(args.off),
        reason=args.reason,
    )


def _stretch(since: str | None, until: str | None, zone: ZoneInfo) -> Stretch:
    from report.looking_back import Stretch
    from schemas.errors import BadInput

    start = None if since is None else _moment(since, "--from", zone, min)[0]
    end, after = (None, None) if until is None else _moment(until, "--to", zone, max)
    last = after or end
    if start is not None and last is not None and (start > last or start == after):
        raise BadInput(f"--from {since} is later than --to {until}; swap them")
    return Stretch(start, last, end_counts=after is None)


def _moment(
    text: str, option: str, zone: ZoneInfo, which: Callable[[datetime, datetime], datetime]
) -> tuple[datetime, datetime | None]:
    """Return the moment that *text* names; of a day or a minute its beginning, and where the next one begins.

    *which* takes one of two moments: a time of the hour that comes twice when clocks go back means both, and one that they skip
    when they go forward is reckoned by the clock before and by the clock after.
    """
    from datetime import UTC, date, datetime, time, timedelta

    from schemas.errors import BadInput

    try:
        found, step = datetime.combine(date.fromisoformat(text), time.min), timedelta(days=1)
    except ValueError:
        try:
            found, step = datetime.fromisoformat(text), timedelta(minutes=1)
        except ValueError:
            raise BadInput(f"{option} {text!r}: write a day as 2026-01-31 or a moment as 2026-01-31T09:15") from None
        if found.second or found.microsecond or text.count(":") > 1 + (found.tzinfo is not None):
            step = timedelta(0)
    if not 1990 <= found.year <= 2199:
        raise BadInput(f"{option} {text!r}: is no time that a shop measured at; correct the year")
    if step == timedelta(days=1):
        # By the wall clock: a day may have 23 or 25 hours.
        begins, ends = (day.replace(tzinfo=zone).astimezone(UTC) for day in (found, found + step))
        return begins, ends
    if found.tzinfo is None:
        moment = which(*(found.replace(tzinfo=zone, fold=fold).astimezone(UTC) for fold in (0, 1)))
    else:
        moment = found.astimezone(UTC)
    return moment, moment + step if step else None


def _off_um(text: str) -> Fraction:
    from fractions import Fraction

    from report.told_amounts import thickness_um

    bare = text.strip().replace("\u2212", "-")
    sign = -1 if bare.startswith("-") else 1
    return sign * Fraction(thickness_um(bare.lstrip("+-"), "--off"))


def _customers(folder: ShopFolder, found: LookBack) -> dict[str, Any]:
    return {name: folder.customer(name) for name in found.customers}


def _demand_targets(args: argparse.Namespace) -> None:
    """Refuse the files that were named before anything is looked up, so that never one of two is written."""
    from archive.targets import demand_target

    if args.csv is not None:
        demand_target(args.csv, _TABLE, replace=args.replace)
    if args.html is not None:
        beside = () if args.csv is None else (args.csv,)
        demand_target(args.html, _LETTERS, replace=args.replace, beside=beside)

"""The command that looks back: history.

Only what `--help` needs is imported up here; the rest is imported where it is used.
"""

from __future__ import annotations

import argparse

from report.at_hand import archive_of, folder_of, path_of
from report.group_commands import add_group_options

#: So many inspections are listed where nobody says how many.
_LIMIT = 1000
TYPE_CHECKING = False  # as typing's own, without the cost of importing it for --help
if TYPE_CHECKING:
    from typing import Any
    from zoneinfo import ZoneInfo

    from archive.index import ListedInspection
    from archive.questions import InspectionSummary, Selection
    from archive.store import Archive
    from report.history import CheckedGauge, History


def register(commands: Any) -> None:
    """Add the command `history` to *commands*, an argparse subparsers action."""
    history = commands.add_parser(
        "history",
        help="find inspections and their certificates, or what their readings come to by month or inspection",
        description="Without --by: the inspections and their certificates. With --by: how the film build of the judged "
        "readings (counted, on the whole film, valid revisions) is distributed.",
    )
    history.add_argument("--part", metavar="NUMBER")
    history.add_argument("--lot")
    history.add_argument("--customer", metavar="NAME", help="or a part of the name")
    history.add_argument("--gauge", metavar="SERIAL")
    history.add_argument(
        "--from", dest="since", metavar="DAY", help="sealed on this day or later; with --by and --html, taken"
    )
    history.add_argument(
        "--to", dest="until", metavar="DAY", help="sealed on this day or before; with --by and --html, taken"
    )
    history.add_argument("--revisions", action="store_true", help="the superseded revisions too")
    history.add_argument("--limit", type=int, metavar="N", help=f"the newest N inspections ({_LIMIT}); 0 for all")
    history.add_argument("--by", choices=("month", "inspection"), help="a row per month, or per inspection")
    history.add_argument(
        "--per",
        metavar="GROUP,…",
        help="with --by: a row for each part, location, customer, powder, powder-batch, sprayer, rack, rack-position, gauge, "
        "inspector, lot or piece, with --at plant too (default: part,location by month, location by inspection)",
    )
    for name in ("location", "powder", "sprayer", "rack", "rack-position"):
        history.add_argument(f"--{name}", metavar="NAME", help="with --by or --html: of the readings")
    history.add_argument(
        "--unit", choices=("um", "mil"), help="with --by or --html (default: the specification's, where it is one)"
    )
    history.add_argument("--json", action="store_true", help="answer as JSON")
    history.add_argument(
        "--html",
        type=path_of,
        metavar="FILE",
        help="write a page with charts per part and location to FILE, for any browser, without a network",
    )
    history.add_argument("--replace", action="store_true", help="with --html: write over a file that is there")
    history.add_argument(
        "--verified",
        action="store_true",
        help="with --by or --html: compare each file with the hash that was written with it first, and answer from no other",
    )
    add_group_options(history, "ask the plants' months that were pushed to this store; with --by")
    history.set_defaults(run=_history)


def _history(args: argparse.Namespace) -> int:
    from zoneinfo import ZoneInfo

    from report.group_commands import time_zone
    from schemas.errors import BadInput

    zone = ZoneInfo(time_zone(args))
    if args.limit is not None and args.limit < 0:
        raise BadInput(f"--limit {args.limit}: say how many inspections, or 0 for all")
    if args.at is not None and (args.html is not None or args.by is None):
        raise BadInput(
            "--at answers by month or inspection; say --by month or --by inspection with it, and leave out --html"
        )
    if args.verified and (args.at is not None or (args.by is None and args.html is None)):
        raise BadInput(
            "--verified compares the files that --by or --html asks in this shop's archive; say one of them with it, and "
            "leave out --at"
        )
    if args.by == "month" and args.limit is not None and args.html is None:
        raise BadInput("--limit counts inspections; leave it out with --by month, and name a time with --from and --to")
    if args.html is not None:
        return _page(args, zone)
    if args.by is not None:
        if args.revisions:
            raise BadInput("--by counts valid revisions only; leave out --revisions")
        return _distribution(args, zone)
    for name in ("per", "location", "powder", "sprayer", "rack", "rack_position", "unit"):
        if getattr(args, name) is not None:
            raise BadInput(
                f"--{name.replace('_', '-')} asks about readings; say --by month, --by inspection or --html FILE with it"
            )
    return _list(args, zone)


# the list of inspections


def _list(args: argparse.Namespace, zone: ZoneInfo) -> int:
    import json
    import sys

    from archive.as_written import demand_published
    from report.plain_text import history_lines, history_rows
    from rules.wording import counted

    archive = archive_of(args)
    chosen, more = _newest(args, archive, zone, _LIMIT if args.limit is None else args.limit)
    rows = history_rows(chosen, archive.certificates(of={one.inspection_id for one in chosen}))
    lines = history_lines(rows, zone, _days_meant(args, "in which they were sealed; with --by and --html, taken"))
    print(json.dumps(rows, ensure_ascii=False) if args.json else "\n".join(lines))
    if more:
        # Never into the JSON, which is a list and stays one.
        said = f"the newest {counted(len(chosen), 'inspection')}; there are more, --limit 0 lists all"
        print(said, file=sys.stderr if args.json else sys.stdout)
    # The list may come from names and an index alone, which do not show that the rows are there.
    demand_published(archive.root)
    return 0


def _newest(
    args: argparse.Namespace, archive: Archive, zone: ZoneInfo, limit: int
) -> tuple[list[ListedInspection], bool]:
    """Return the newest *limit* inspections that are asked for, oldest first, and whether there are more.

    Looks back further and further, so that a look at the newest few of a million does not list a million.
    """
    from datetime import timedelta

    from report.named_days import begin_and_end, first_and_last

    since, before = begin_and_end(*first_and_last(args), zone)
    name = (args.customer or "").casefold()
    now = args.now()
    for days in (32, 256, 2048, None) if limit else (None,):
        start = None if days is None else now - timedelta(days=days)
        whole = start is None or (since is not None and since >= start)
        listed = archive.listed(
            part_no=args.part,
            lot=args.lot,
            gauge_serial=args.gauge,
            since=since if whole else start,
            before=before,
            all_revisions=args.revisions,
        )
        chosen = [one for one in listed if name in one.customer.casefold()]
        if limit and len(chosen) > limit:
            return chosen[-limit:], True
        if whole:
            break
    return chosen, False


# how film build is distributed


def _distribution(args: argparse.Namespace, zone: ZoneInfo) -> int:
    import json

    from archive.as_written import demand_published
    from report.history import history_json, history_lines

    selection = _selection(args, zone)
    history = _asked(args, selection)
    meant = "" if history.readings else _other_locations(args, selection)
    meant = meant or _days_meant(args, "on which readings were taken; without --by, sealed")
    lines = history_lines(history, zone, meant)
    print(json.dumps(history_json(history), ensure_ascii=False) if args.json else "\n".join(lines))
    if args.at is None:
        demand_published(folder_of(args).archive)
    return 0


def _selection(args: argparse.Namespace, zone: ZoneInfo) -> Selection:
    from archive.questions import Selection
    from report.named_days import begin_and_end, first_and_last

    since, before = begin_and_end(*first_and_last(args), zone)
    return Selection(
        part_no=args.part,
        location=args.location,
        powder=args.powder,
        customer=args.customer,
        sprayer=args.sprayer,
        rack=args.rack,
        rack_position=args.rack_position,
        gauge_serial=args.gauge,
        lot=args.lot,
        since=since,
        until=before,
    )


def _asked(args: argparse.Namespace, selection: Selection) -> History:
    from archive.as_written import demand_as_written
    from archive.questions import gauge_uses, inspection_summaries, month_summaries
    from report.group_commands import answering
    from report.history import PLANT, History, checked_gauges, checks_beside, selection_words, unit_of_all
    from report.named_days import first_and_last
    from rules.wording import listed
    from schemas.units import Unit

    per = _per(args)
    by = tuple(name for name in per if name != PLANT)
    demand = demand_as_written() if args.verified else None
    # The checks lie with the plants; what was pushed is asked for readings alone.
    of_checks = [gauge_uses(selection)] if args.at is None else []
    with answering(args, per.index(PLANT) if PLANT in per else None, demand) as (ask, plants):
        if args.by == "month":
            # An inspection with readings in several groups is counted in each. It has one gauge and lies in one month, so
            # rows by gauge count it once.
            by_gauge = month_summaries(selection, ("gauge_serial",))
            months, of_gauges, *uses = ask(month_summaries(selection, by), by_gauge, *of_checks)
            single: list[InspectionSummary] = []
        else:
            months, of_gauges = [], []
            single, *uses = ask(inspection_summaries(selection, by), *of_checks)
    plant_at = per.index(PLANT) if PLANT in per else None

    def named(row: InspectionSummary) -> tuple[str | None, str]:
        return (None if plant_at is None else row.group[plant_at], row.inspection_id)

    newest = list(dict.fromkeys(map(named, single)))
    limit = _LIMIT if args.limit is None else args.limit
    left_out = set(newest[:-limit]) if limit else set()
    rows = months or single
    checks: tuple[CheckedGauge, ...] = ()
    for of_gauge in uses:
        beside = checks_beside(archive_of(args).checks(args.gauge), of_gauge)
        checks = checked_gauges(beside, {use.gauge_serial for use in of_gauge})
    words = selection_words(selection, *first_and_last(args))
    return History(
        selection=f"{words}; of what {listed(plants)} pushed" if plants else words,
        per=per,
        unit=Unit(args.unit) if args.unit else unit_of_all(rows),
        inspections=sum(row.inspections for row in of_gauges) if args.by == "month" else len(newest),
        readings=sum(row.n for row in rows),
        months=tuple(months),
        single=tuple(row for row in single if named(row) not in left_out),
        checks=checks,
        left_out=len(left_out),
        verified=args.verified,
        plants=bool(plants),
    )


def _per(args: argparse.Namespace) -> tuple[str, ...]:
    from report.history import PER, PLANT
    from schemas.errors import BadInput

    groups = PER if args.at is None else {PLANT: PLANT, **PER}
    if args.per is None:
        words = ["part", "location"] if args.by == "month" else ["location"]
    else:
        words = [word.strip() for word in args.per.split(",") if word.strip()]
    for word in words:
        if word not in groups:
            raise BadInput(f"--per {word!r}: there is no such group; there are: {', '.join(groups)}")
    if len(set(words)) < len(words):
        raise BadInput(f"--per {args.per}: names a group twice")
    if args.at is not None and PLANT not in words:
        words.insert(0, PLANT)  # quantiles of several plants do not follow from those of each
    return tuple(groups[word] for word in words)


# the page


def _page(args: argparse.Namespace, zone: ZoneInfo) -> int:
    from archive.as_written import demand_published
    from report.history_page_file import asked, write_history_page
    from report.named_days import first_and_last
    from schemas.errors import BadInput
    from schemas.units import Unit

    for name in ("by", "per", "limit", "revisions", "json"):
        if getattr(args, name):
            raise BadInput(f"--{name} shapes the answer of a terminal; leave it out with --html")
    selection = _selection(args, zone)
    words = asked(selection, *first_and_last(args))
    unit = Unit(args.unit) if args.unit else None
    folder, archive = folder_of(args), archive_of(args)
    demand_published(archive.root)
    verified = bool(args.verified)
    count = write_history_page(
        folder, archive, selection, words, args.now(), args.html, unit, verified=verified, replace=args.replace
    )
    if not count:
        lot = args.lot is None and args.part is not None and bool(archive.listed(lot=args.part))
        known = f"; there is a lot of that name: --lot {args.part}" if lot else ""
        meant = _other_locations(args, selection) or known + _days_meant(args, "on which readings were taken")
        raise BadInput(f"{args.html}: was not written, since no judged reading matches{meant}")
    print(f"{args.html}: {count} inspection{'' if count == 1 else 's'}")
    return 0


# what they share


def _other_locations(args: argparse.Namespace, selection: Selection) -> str:
    """Return where the readings were taken that match all but --location; nothing where there are none, or it is not asked for."""
    from dataclasses import replace

    from archive.questions import month_summaries
    from report.group_commands import answering
    from rules.wording import listed

    if selection.location is None:
        return ""
    with answering(args, None if args.at is None else 0) as (ask, _):
        (rows,) = ask(month_summaries(replace(selection, location=None), ("location",)))
    names = sorted({str(row.group[-1]) for row in rows})
    if not names:
        return ""
    return f" --location {selection.location!r}; what else is asked for was read at {listed([repr(name) for name in names])}"


def _days_meant(args: argparse.Namespace, which: str) -> str:
    return f"; --from and --to name days {which}" if args.since or args.until else ""

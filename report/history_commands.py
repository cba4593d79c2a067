"""The command that looks back: history.

Only what `--help` needs is imported up here; the rest is imported where it is used.
"""

from __future__ import annotations

import argparse

TYPE_CHECKING = False  # as typing's own, without the cost of importing it for --help
if TYPE_CHECKING:
    from typing import Any

    from archive.shop_folder import ShopFolder
    from archive.store import Archive


def register(commands: Any) -> None:
    """Add the command `history` to *commands*, an argparse subparsers action."""
    history = commands.add_parser("history", help="find inspections and their certificates")
    history.add_argument("--part", metavar="NUMBER")
    history.add_argument("--lot")
    history.add_argument("--customer", metavar="NAME", help="or a part of the name")
    history.add_argument("--gauge", metavar="SERIAL")
    history.add_argument("--from", dest="since", metavar="DAY", help="sealed on this day or later")
    history.add_argument("--to", dest="until", metavar="DAY", help="sealed on this day or before")
    history.add_argument("--revisions", action="store_true", help="the superseded revisions too")
    history.add_argument("--json", action="store_true", help="answer as JSON")
    history.set_defaults(run=_history)


def _history(args: argparse.Namespace) -> int:
    import json
    from datetime import date
    from zoneinfo import ZoneInfo

    from report.plain_text import history_lines, history_rows
    from schemas.errors import BadInput

    def day(text: str | None) -> date | None:
        try:
            return date.fromisoformat(text) if text else None
        except ValueError:
            raise BadInput(f"{text!r} is no day; write it as 2026-01-31") from None

    zone = ZoneInfo(_folder(args).shop().time_zone)
    since, until = day(args.since), day(args.until)
    archive = _archive(args)
    chosen = [
        i
        for i in archive.inspections(all_revisions=args.revisions)
        if (args.part is None or i.part_no == args.part)
        and (args.lot is None or i.lot == args.lot)
        and (args.customer is None or args.customer.casefold() in i.customer.casefold())
        and (args.gauge is None or i.gauge_serial == args.gauge)
        and (since is None or i.sealed_at.astimezone(zone).date() >= since)
        and (until is None or i.sealed_at.astimezone(zone).date() <= until)
    ]
    rows = history_rows(chosen, archive.certificates())
    print(json.dumps(rows, ensure_ascii=False) if args.json else "\n".join(history_lines(rows, zone)))
    return 0


# what they share


def _folder(args: argparse.Namespace) -> ShopFolder:
    from archive.shop_folder import ShopFolder

    return ShopFolder(args.shop)


def _archive(args: argparse.Namespace) -> Archive:
    from archive.store import Archive

    return Archive(_folder(args).archive, args.bench)

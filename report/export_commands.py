"""`filmtally archive export`: a table, or what is chosen of it, as one file.

Only what `--help` needs is imported up here; the rest is imported where it is used.
"""

from __future__ import annotations

import argparse

from report.at_hand import path_of

TYPE_CHECKING = False  # as typing's own, without the cost of importing it for --help
if TYPE_CHECKING:
    from typing import Any

    from archive.store import Archive

_TABLES = (
    "readings",
    "gauge_checks",
    "inspections",
    "certificates",
    "holds",
    "tombstones",
)  # as schemas.tables has them


class _SaidOnce(argparse.Action):
    """Takes a value once: of two that are said the last would silently count, and the first not be exported."""

    def __call__(self, parser: Any, namespace: argparse.Namespace, values: Any, option_string: Any = None) -> None:
        if getattr(namespace, self.dest) is not None:
            raise argparse.ArgumentError(
                self,
                f"is said twice, {getattr(namespace, self.dest)!r} and {values!r}; export each to a file of its own",
            )
        setattr(namespace, self.dest, values)


def register(actions: Any) -> None:
    """Add `export` to *actions*, the argparse subparsers action of `archive`."""
    export = actions.add_parser(
        "export",
        help="write a table, or a part of it, as one CSV, Parquet or Excel file",
        description="Write a table as one file. Where nothing is chosen it is the whole table in every revision; of what is "
        "chosen, the valid revisions alone. Readings and inspections go by the day of the sealing, gauge checks by the day "
        "that they were done, certificates by the day of the issue, tombstones by the day of the order. In .csv a text that a spreadsheet would take for a "
        "formula has an apostrophe before it; in .xlsx times are dates in UTC, and a second sheet explains every column.",
    )
    export.add_argument("table", choices=_TABLES, metavar="TABLE", help=", ".join(_TABLES))
    export.add_argument("target", type=path_of, metavar="FILE", help="ends in .csv, .parquet or .xlsx")
    export.add_argument("--part", metavar="NUMBER", action=_SaidOnce)
    export.add_argument("--lot", action=_SaidOnce)
    export.add_argument("--customer", metavar="NAME", help="or a part of the name", action=_SaidOnce)
    export.add_argument("--gauge", metavar="SERIAL", action=_SaidOnce)
    export.add_argument(
        "--inspection", metavar="INSPECTION", help="its number, the beginning of one, or its lot", action=_SaidOnce
    )
    export.add_argument("--from", dest="since", metavar="DAY", help="on this day or later", action=_SaidOnce)
    export.add_argument("--to", dest="until", metavar="DAY", help="on this day or before", action=_SaidOnce)
    export.add_argument("--all-revisions", action="store_true", help="the superseded revisions of what is chosen too")
    export.add_argument("--replace", action="store_true", help="write over a file that is there")
    export.set_defaults(run=_export)


def _export(args: argparse.Namespace) -> int:
    from zoneinfo import ZoneInfo

    from archive.exporting import demand_place, export
    from archive.naming import elsewhere
    from archive.selection import Selection, choose
    from archive.shop_folder import ShopFolder
    from archive.store import Archive
    from report.named_days import first_and_last
    from schemas.errors import BadInput
    from schemas.tables import TABLES

    folder = ShopFolder(args.shop)
    zone = ZoneInfo(folder.shop().time_zone)
    demand_place(args.target, replace=args.replace)
    archive = Archive(folder.archive, args.bench)
    first, last = first_and_last(args)
    selection = Selection(
        zone,
        part=args.part,
        lot=args.lot,
        customer=args.customer,
        gauge=args.gauge,
        inspection=None if args.inspection is None else _inspection(archive, args.table, args.inspection),
        since=first,
        until=last,
        all_revisions=args.all_revisions,
    )
    chosen = choose(archive.root, TABLES[args.table], selection)
    if not chosen.rows:
        hints = "".join(f"; {hint}" for hint in elsewhere(archive, part=args.part, lot=args.lot))
        raise BadInput(f"there are no {args.table} to export ({chosen.words}){hints}; nothing was written")
    export(chosen, args.target, replace=args.replace)
    rows = f"{chosen.rows:,} {'row' if chosen.rows == 1 else 'rows'}"
    print(f"{args.target}: {rows} of {args.table} ({chosen.words})")
    return 0


def _inspection(archive: Archive, table: str, wanted: str) -> str:
    from archive.naming import inspection_named, removed_inspections

    if table == "tombstones" and len(gone := removed_inspections(wanted, archive)) == 1:
        return gone[0].inspection_id
    # The register may still hold certificates of an inspection that was removed.
    if table == "certificates" and archive.certificates(wanted):
        return wanted
    return inspection_named(wanted, archive).inspection_id

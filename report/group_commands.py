"""What history and lookback share where they ask the plants of a group: options, workers, the list of inspections.

Only what `--help` needs is imported up here; the rest is imported where it is used.
"""

from __future__ import annotations

import argparse

TYPE_CHECKING = False  # as typing's own, without the cost of importing it for --help
if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence
    from contextlib import AbstractContextManager
    from pathlib import Path
    from typing import Any
    from zoneinfo import ZoneInfo

    from archive.questions import Affected, Question


def add_group_options(command: argparse.ArgumentParser, what_at_does: str) -> None:
    """Add --at and what goes with it to *command*."""
    command.add_argument("--at", metavar="ADDRESS", help=f"{what_at_does}; s3://BUCKET/FOLDER or file:///FOLDER")
    command.add_argument("--plants", metavar="NAME,…", help="with --at: these alone (default: all)")
    command.add_argument("--workers", type=int, metavar="N", help="with --at: by N processes of this machine")
    command.add_argument(
        "--scheduler", metavar="ADDRESS", help="with --at: by the workers behind this scheduler, as tcp://HOST:PORT"
    )


def time_zone(args: argparse.Namespace) -> str:
    """Return the time zone in which days are meant: the shop's, or with --at and outside a shop folder UTC.

    Raises:
        BadInput: There is no shop folder, or --plants, --workers or --scheduler is given without --at.
    """
    from archive.shop_folder import ShopFolder
    from schemas.errors import BadInput

    if args.at is None:
        for name in ("plants", "workers", "scheduler"):
            if getattr(args, name) is not None:
                raise BadInput(f"--{name} asks plants; say with --at ADDRESS where their months are")
    elif not (args.shop / "shop.toml").exists():
        return "UTC"
    return ShopFolder(args.shop).shop().time_zone


def answering(
    args: argparse.Namespace, plant_at: int | None, demand: Callable[[Path], None] | None = None
) -> AbstractContextManager[tuple[Callable[..., list[list[Any]]], list[str]]]:
    """Give what answers several questions with the rows of each, and the plants that are asked; none where it is this shop's archive.

    Args:
        args: As parsed.
        plant_at: Where the plant stands in the group of each row, with --at.
        demand: Called with each file of this shop's archive before it is asked, see :func:`archive.query.ask`.
    """
    from contextlib import contextmanager

    @contextmanager
    def given() -> Iterator[tuple[Callable[..., list[list[Any]]], list[str]]]:
        from archive.shop_folder import ShopFolder

        if args.at is None or plant_at is None:
            from archive.query import ask_at_once as ask_archive

            root = ShopFolder(args.shop).archive
            yield (lambda *questions: ask_archive(root, questions, demand)), []
            return
        from archive.group import ask_at_once, plants_of
        from archive.object_store import open_store
        from archive.workers import working

        store = open_store(args.at)
        plants = plants_of(store, _named(args.plants))
        with working(args.workers, args.scheduler) as hands:

            def answers(*questions: Question[Any]) -> list[list[Any]]:
                found = ask_at_once(store, plants, questions, hands)
                return [keyed(one.per_plant(), plant_at) for one in found]

            yield answers, plants

    return given()


def keyed(found: Mapping[str, Sequence[Any]], plant_at: int) -> list[Any]:
    """Return the rows of all plants, each with its plant in its group, in the order in which one archive gives them."""
    from dataclasses import replace

    from archive.questions import InspectionSummary, group_order

    rows = [
        replace(row, group=(*row.group[:plant_at], plant, *row.group[plant_at:]))
        for plant, of_plant in found.items()
        for row in of_plant
    ]

    def order(row: Any) -> tuple[Any, ...]:
        if isinstance(row, InspectionSummary):
            return row.first_taken_at, row.inspection_id, group_order(row.group)
        return group_order(row.group), row.month

    return sorted(rows, key=order)


def asked_plants(args: argparse.Namespace, question: Question[Affected]) -> dict[str, list[Affected]]:
    """Return what each plant answers to the look-back *question*."""
    from archive.group import ask, plants_of
    from archive.object_store import open_store
    from archive.workers import working

    store = open_store(args.at)
    plants = plants_of(store, _named(args.plants))
    with working(args.workers, args.scheduler) as hands:
        return ask(store, plants, question, hands).per_plant()


def affected_lines(gauge: str, found: Mapping[str, Sequence[Affected]], zone: ZoneInfo, columns: int) -> list[str]:
    """Return the inspections of each plant as lines: a table, and what to do at each plant."""
    from report.figures import NBSP, moment
    from report.terminal_text import table, wrapped
    from report.visible_text import visible
    from rules.wording import counted, listed

    of = listed(list(found))
    affected = [(plant, row) for plant, rows in found.items() for row in rows]
    if not affected:
        return wrapped([f"no reading of gauge {visible(gauge)} in that time, in the months that {of} pushed"], columns)
    head = ["plant", "inspection", "customer", "part", "lot", "readings", "judged", "first", "last"]
    cells = [
        [
            plant,
            row.inspection_id + (f" r{row.revision}" if row.revision > 1 else ""),
            visible(row.customer),
            visible(row.part_no),
            visible(row.lot),
            str(row.n),
            str(row.counted),
            moment(row.first_taken_at, zone),
            moment(row.last_taken_at, zone),
        ]
        for plant, row in affected
    ]
    inspections = len({(plant, row.inspection_id) for plant, row in affected})
    first = (
        f"{counted(inspections, 'inspection')} with {counted(sum(row.n for _, row in affected), 'reading')} of gauge "
        f"{visible(gauge)}, every revision, in the months that {of} pushed; times in {zone.key}:"
    )
    last = (
        "the month under way is not pushed, and certificates and letters lie with each plant: go on there with "
        f"'filmtally lookback --gauge {visible(gauge)}' and the same times"
    )
    lines = [*wrapped([first], columns), *table([head, *cells], (5, 6)), *wrapped([last], columns)]
    return [line.replace(NBSP, " ") for line in lines]


def affected_json(gauge: str, found: Mapping[str, Sequence[Affected]]) -> dict[str, Any]:
    """Return the inspections of each plant as plain JSON."""
    from dataclasses import asdict

    rows = []
    for plant, of_plant in found.items():
        for row in of_plant:
            told = asdict(row)
            for name in ("first_taken_at", "last_taken_at"):
                told[name] = told[name].isoformat(timespec="milliseconds")
            rows.append({"plant": plant, **told})
    return {"gauge_serial": gauge, "plants": list(found), "affected": rows}


def _named(plants: str | None) -> list[str] | None:
    from schemas.errors import BadInput

    if plants is None:
        return None
    names = [name.strip() for name in plants.split(",") if name.strip()]
    if not names:
        raise BadInput("--plants names none; name one or more, or leave it out for all")
    return names

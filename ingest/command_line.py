"""What the commands of this wing share: the shop folder, the archive, moments, and how they answer.

Only what `--help` needs is imported up here; the rest is imported where it is used.
"""

from __future__ import annotations

import argparse

TYPE_CHECKING = False  # as typing's own, without the cost of importing it for --help
if TYPE_CHECKING:
    from datetime import datetime
    from pathlib import Path
    from typing import Any

    from archive.shop_folder import ShopFolder
    from archive.store import Archive
    from ingest.open_inspection import OpenInspection
    from schemas.shop import Shop


def answers_json(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--json", action="store_true", help="answer as JSON")


def tell(args: argparse.Namespace, sentence: str, **fields: Any) -> int:
    """Print *sentence*, or *fields* where JSON is asked for, and return 0."""
    import json

    print(json.dumps(fields, ensure_ascii=False) if args.json else sentence)
    return 0


def shop_folder_of(args: argparse.Namespace) -> ShopFolder:
    from archive.shop_folder import ShopFolder

    return ShopFolder(args.shop)


def archive_of(args: argparse.Namespace) -> Archive:
    from archive.store import Archive

    return Archive(shop_folder_of(args).archive, args.bench)


def shop_and_moment(args: argparse.Namespace) -> tuple[Shop, datetime]:
    from ingest.said import moment
    from schemas.errors import BadInput

    shop = shop_folder_of(args).shop()
    done_at = moment(args.at, shop.time_zone) if args.at else args.now()
    if done_at > args.now():
        raise BadInput(f"--at {args.at}: is still to come; correct it")
    return shop, done_at


def probe_mode_said(shop: Shop, args: argparse.Namespace) -> Any:
    from schemas.errors import BadInput
    from schemas.vocabulary import ProbeMode

    gauge = shop.find_gauge(args.gauge)
    if args.mode is None and len(gauge.probe_modes) > 1:
        raise BadInput(f"gauge {gauge.serial!r} has the modes {' and '.join(gauge.probe_modes)}; say which with --mode")
    return ProbeMode(args.mode) if args.mode else gauge.probe_modes[0]


def resumed(args: argparse.Namespace, folder: ShopFolder) -> str:
    from ingest.open_inspection import open_ids
    from schemas.errors import BadInput

    if args.resume:
        return str(args.resume)
    ids = open_ids(folder)
    if len(ids) != 1:
        what = f"{len(ids)} inspections are open ({', '.join(ids)}); name one" if ids else "no inspection is open"
        raise BadInput(f"{folder.journals}: {what}")
    return ids[0]


def counts_said(inspection: OpenInspection) -> str:
    from ingest.said import number_of

    taking = inspection.taking
    counted, others = taking.counted, len(taking.other_lines)
    other = f", {number_of(others, 'line that is no reading', 'lines that are no readings')}" if others else ""
    not_counted = len(taking.readings) - counted
    return f"{number_of(counted, 'reading', 'readings')} counted, {not_counted} kept but not counted{other}"


def new_id(at: datetime) -> str:
    import secrets
    from datetime import UTC

    letters = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"  # Crockford's base 32: no letter that reads as a digit
    return f"{at.astimezone(UTC):%Y%m%d-%H%M%S}-" + "".join(secrets.choice(letters) for _ in range(4))


def path_said(text: str) -> Path:
    from pathlib import Path

    return Path(text)

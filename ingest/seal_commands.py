"""The commands `seal` and `amend`: an inspection into the archive, and a correction of one.

Only what `--help` needs is imported up here; the rest is imported where it is used.
"""

from __future__ import annotations

import argparse

from ingest.command_line import answers_json, archive_of, resumed, shop_folder_of, tell

TYPE_CHECKING = False  # as typing's own, without the cost of importing it for --help
if TYPE_CHECKING:
    from datetime import datetime
    from typing import Any

    from archive.shop_folder import ShopFolder
    from archive.store import Archive
    from ingest.open_inspection import OpenInspection
    from schemas.inspections import Inspection


def register(commands: Any) -> None:
    """Add both commands to *commands*, an argparse subparsers action."""
    _register_seal(commands)
    _register_amend(commands)


def _register_seal(commands: Any) -> None:
    seal = commands.add_parser("seal", help="turn an open inspection into archived Parquet")
    seal.add_argument("inspection", nargs="?", metavar="INSPECTION", help="the open inspection (default: the only one)")
    seal.add_argument(
        "--as-is", metavar="REASON", help="seal although readings are missing; the verdict will be undecided"
    )
    seal.add_argument(
        "--abandon",
        metavar="REASON",
        help="give the open inspection up: it is kept aside, and its capture may be taken again",
    )
    seal.add_argument("--by", metavar="CODE", help="who seals (default: the inspector)")
    seal.add_argument("--coach", action="store_true", help="then say the one thing to change on the next rack")
    answers_json(seal)
    seal.set_defaults(run=_seal)


def _seal(args: argparse.Namespace) -> int:
    from ingest.open_inspection import OpenInspection
    from ingest.said import plain_text

    folder = shop_folder_of(args)
    folder.shop()
    args.resume = args.inspection or ""
    with OpenInspection(folder, resumed(args, folder), args.now()) as inspection:
        for option in ("as_is", "abandon"):
            if (reason := getattr(args, option)) is not None:
                plain_text(reason, f"--{option.replace('_', '-')}")
        if args.abandon:
            by = args.by or inspection.facts.inspector
            inspection.facts.shop.find_inspector(by)
            inspection.abandon(args.abandon, by, args.now())
            inspection_id = inspection.facts.inspection_id
            told = f"inspection {inspection_id}: given up ({args.abandon}); kept in {folder.journals / 'abandoned'}"
            return tell(args, told, inspection_id=inspection_id, sealed=False, abandoned=True)
        return seal_open(args, folder, inspection, args.as_is)


def seal_open(args: argparse.Namespace, folder: ShopFolder, inspection: OpenInspection, as_is: str | None) -> int:
    from ingest.open_inspection import put_away
    from ingest.said import number_of
    from ingest.sealing import seal

    archive = archive_of(args)
    facts = inspection.facts
    by = getattr(args, "by", None) or facts.inspector
    facts.shop.find_inspector(by)
    _settle(inspection, as_is, args.now())
    if not _is_archived(archive, facts.inspection_id):
        sealed = seal(
            facts,
            inspection.taking,
            archive.checks(facts.gauge_serial),
            capture_sha256=inspection.capture_sha256,
            sealed_at=args.now(),
            sealed_by=by,
            as_is=as_is,
        )
        archive.commit_inspection(sealed.inspection, sealed.readings)
        record = sealed.inspection
        told = (
            f"inspection {facts.inspection_id}: sealed, {number_of(record.readings_counted, 'reading', 'readings')} counted, "
            f"{record.readings_excluded} kept but not counted{_skipped(inspection)}; see the verdict with 'filmtally assess {facts.inspection_id}'"
        )
    else:
        # A kill came between the commit and this point: the archive has it, only the journal is left over.
        record = archive.inspection(facts.inspection_id)
        told = f"inspection {facts.inspection_id}: was sealed already; its journal is put away"
    inspection.close()
    put_away(folder, facts.inspection_id)
    code = tell(args, told, **_sealed_json(record))
    if getattr(args, "coach", False) and not args.json:
        print(args.coaching_of(args, facts.inspection_id))
    return code


def _settle(inspection: OpenInspection, as_is: str | None, now: datetime) -> None:
    """Answer what is still asked with no, where a person says why it is sealed as it is.

    Raises:
        BadInput: Something is asked, and nobody says so.
    """
    from ingest.said import number_of
    from schemas.errors import BadInput

    asked, waiting = inspection.live.question, len(inspection.live.waiting)
    if asked is None:
        return
    if as_is is None:
        waits = f", and {number_of(waiting, 'line waits', 'lines wait')} for the answer" if waiting else ""
        inspection_id = inspection.facts.inspection_id
        raise BadInput(
            f"inspection {inspection_id}: a question is open ({asked.sentence}){waits}; answer it with 'filmtally measure "
            f"--resume {inspection_id}', or seal without these lines with 'filmtally seal {inspection_id} --as-is REASON'"
        )
    inspection.settle(f"sealed as it is: {as_is}", now)


def _skipped(inspection: OpenInspection) -> str:
    """Return what the sentence of sealing says of locations that were left: nobody shall find out on the certificate."""
    skips = inspection.taking.skips
    if not skips:
        return ""
    first = f"{skips[0].location} on piece {skips[0].piece} ({skips[0].reason})"
    return f", {first}{f' and {len(skips) - 1} more' if len(skips) > 1 else ''} skipped"


def _sealed_json(record: Inspection) -> dict[str, Any]:
    return {
        "inspection_id": record.inspection_id,
        "revision": record.revision,
        "sealed": True,
        "readings_counted": record.readings_counted,
        "readings_excluded": record.readings_excluded,
        "conformity": record.conformity,
    }


def _is_archived(archive: Archive, inspection_id: str) -> bool:
    from schemas.errors import BadInput

    try:
        archive.inspection(inspection_id)
    except BadInput:
        return False
    return True


def _register_amend(commands: Any) -> None:
    amend = commands.add_parser(
        "amend",
        help="correct a sealed inspection by a new revision that names why",
        description="Make the next revision of a sealed inspection. Nothing is overwritten: the old revision stays.",
    )
    amend.add_argument("inspection", metavar="INSPECTION", help="its number, the beginning of one, or its lot")
    amend.add_argument("--exclude", action="append", metavar="NUMBER=REASON", help="keep a reading but do not count it")
    amend.add_argument(
        "--set",
        dest="facts",
        action="append",
        metavar="NAME=VALUE",
        help="correct a fact: lot, lot_size (pieces), purchase_order, work_order, rack, rack_position, powder, powder_batch, sprayer",
    )
    amend.add_argument("--by", required=True, metavar="CODE", help="who says so")
    amend.add_argument("--why", required=True, metavar="REASON", help="why there is a new revision")
    answers_json(amend)
    amend.set_defaults(run=_amend)


def _amend(args: argparse.Namespace) -> int:
    from archive.naming import inspection_named
    from ingest.said import numbered, pairs, plain_text
    from ingest.sealing import amend

    shop_folder_of(args).shop().find_inspector(args.by)
    plain_text(args.why, "--why")
    facts = pairs(args.facts, "--set")
    for name, value in facts.items():
        plain_text(value, f"--set {name}")
    archive = archive_of(args)
    before = inspection_named(args.inspection, archive)
    sealed = amend(
        before,
        archive.reading_records(before.inspection_id),
        numbered(args.exclude, "--exclude"),
        by=args.by,
        why=args.why,
        sealed_at=args.now(),
        facts=facts,
    )
    archive.commit_inspection(sealed.inspection, sealed.readings)
    told = f"inspection {before.inspection_id}: revision {sealed.inspection.revision} supersedes {before.revision}: {args.why}"
    return tell(args, told, **_sealed_json(sealed.inspection), supersedes=before.revision)

"""`filmtally archive hold` and `filmtally archive retain`: what is kept, for how long, and what may go.

Only what `--help` needs is imported up here; the rest is imported where it is used.
"""

from __future__ import annotations

import argparse
import sys

_LONGEST = 200  # characters of a reason
TYPE_CHECKING = False  # as typing's own, without the cost of importing it for --help
if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date, tzinfo
    from pathlib import Path
    from typing import Any

    from archive.retention import Retained
    from archive.shop_folder import ShopFolder
    from archive.store import Archive
    from schemas.holds import Hold


def register(actions: Any) -> None:
    """Add both to *actions*, the argparse subparsers action of `archive`."""
    hold = actions.add_parser(
        "hold",
        help="keep something whatever its retention says, or list what is held",
        description="Without --set or --lift: list the holds that are set.",
    )
    what = hold.add_mutually_exclusive_group()
    what.add_argument("--set", action="store_true", help="hold what --customer or --inspection names")
    what.add_argument("--lift", metavar="HOLD", help="lift this hold; that it was set stays written down")
    hold.add_argument(
        "--customer", metavar="NAME", help="with --set: every inspection of this customer, later ones too"
    )
    hold.add_argument(
        "--inspection", metavar="INSPECTION", help="with --set: its number, the beginning of one, or its lot"
    )
    _add_by(hold)
    hold.set_defaults(run=_hold)
    retain = actions.add_parser(
        "retain",
        help="say what has to be kept no longer; remove it on an explicit order",
        description="Say which inspections were kept as long as the job and the customer's file ask, and what a hold keeps. "
        "Nothing is removed unless --remove says so; what is removed leaves a tombstone in the ledger. How long records have "
        "to be kept differs by law and by contract: docs/retention.md.",
    )
    retain.add_argument("--customer", metavar="NAME", help="of this customer alone")
    retain.add_argument(
        "--inspection", metavar="INSPECTION", help="this one alone: its number, the beginning of one, or its lot"
    )
    retain.add_argument("--all", action="store_true", help="list those too whose time is not over")
    retain.add_argument("--remove", action="store_true", help="remove what may go, for good")
    retain.add_argument("--yes", type=int, metavar="N", help="with --remove, away from a terminal: how many will go")
    retain.add_argument(
        "--with-certificates", action="store_true", help="with --remove: their certificates too, PDFs and register"
    )
    _add_by(retain)
    retain.set_defaults(run=_retain)


def _add_by(parser: Any) -> None:
    parser.add_argument("--by", metavar="CODE", help="who says so")
    parser.add_argument("--reason", metavar="TEXT", help="why")
    parser.add_argument("--json", action="store_true", help="answer as JSON")


# hold


def _hold(args: argparse.Namespace) -> int:
    import json

    from archive.holds import lift_hold, set_hold
    from archive.removing import left_behind
    from archive.retention import holds_set
    from schemas.errors import BadInput

    folder, archive, zone = _shop(args)
    if args.lift is not None:
        by, reason = _by(args, folder, "--lift")
        if args.customer or args.inspection:
            raise BadInput("--lift names the hold by its number; leave out --customer and --inspection")
        hold = lift_hold(archive, args.lift, args.now(), by, reason)
        print(json.dumps(_hold_json(hold)) if args.json else f"hold {hold.hold_id}: lifted by {by} ({reason})")
        return 0
    if args.set:
        by, reason = _by(args, folder, "--set")
        if bool(args.customer) == bool(args.inspection):
            raise BadInput("--set needs what is held: --customer NAME or --inspection INSPECTION, one of the two")
        # Of an inspection that was removed the certificates may still be there, and can be held.
        behind = left_behind(archive, folder, zone)
        inspection = _inspection(archive, args.inspection, behind) if args.inspection else None
        if args.customer:
            known = {one.customer for one in archive.inspections()} | {one.customer for one in behind}
            _demand_customer(args.customer, folder, known)
        hold = set_hold(archive, args.now(), by, reason, customer=args.customer, inspection_id=inspection)
        # Only now is it sure what the hold found: until it was set a removal may have been faster.
        told = f"hold {hold.hold_id}: {_found_by(hold, archive)} until the hold is lifted ({reason})"
        print(json.dumps(_hold_json(hold)) if args.json else told)
        return 0
    if args.customer or args.inspection or args.by or args.reason:
        raise BadInput("say --set to hold it, or --lift HOLD")
    holds = holds_set(archive.holds())
    if args.json:
        print(json.dumps([_hold_json(one) for one in holds], ensure_ascii=False))
    else:
        print("\n".join(_hold_line(one, zone) for one in holds) or "nothing is held")
    return 0


def _demand_customer(name: str, folder: ShopFolder, known: set[str]) -> None:
    """Refuse a customer of whom there is nothing: a hold with a mistyped name would hold nothing."""
    from archive.retention import is_same_customer
    from schemas.errors import BadInput

    if folder.customer(name) is None and not any(is_same_customer(name, one) for one in known):
        have = ", ".join(sorted(known)) or "none"
        raise BadInput(f"there is no customer {name!r} in the archive (there are: {have}); nothing was changed")


def _hold_json(hold: Hold) -> dict[str, Any]:
    from dataclasses import asdict

    from archive.ledger import iso

    return {**asdict(hold), "at": iso(hold.at)}


def _held(hold: Hold) -> str:
    return f"inspection {hold.inspection_id}" if hold.customer is None else f"all of {hold.customer}"


def _found_by(hold: Hold, archive: Archive) -> str:
    """Return what of it there is that *hold*, which has just been set, keeps: nothing of that goes any more."""
    from archive.naming import removed_inspections
    from archive.retention import is_same_customer
    from archive.tombstones import removed_words

    if hold.inspection_id is not None:
        gone = next((one for one in removed_inspections(hold.inspection_id, archive)), None)
        if gone is None:
            return f"{_held(hold)} stays"
        return f"the certificates of {_held(hold)}, which was {removed_words(gone)}, stay"
    many = sum(is_same_customer(one.customer, hold.customer or "") for one in archive.inspections())
    return f"{_held(hold)}, {_number(many)} now, stays"


def _hold_line(hold: Hold, zone: tzinfo) -> str:
    return f"{hold.hold_id}: {_held(hold)}, by {hold.by} since {hold.at.astimezone(zone).date()} ({hold.reason})"


# retain


def _retain(args: argparse.Namespace) -> int:
    from archive.removing import finish, left_behind
    from schemas.errors import BadInput

    folder, archive, zone = _shop(args)
    if not args.remove and (args.yes is not None or args.with_certificates or args.by or args.reason):
        raise BadInput("--yes, --with-certificates, --by and --reason go with --remove; without it nothing is removed")
    earlier: list[Path] = []
    if args.remove:
        _by(args, folder, "--remove")
        # Before it is asked what there is: what an order took already cannot be ordered away again.
        earlier = finish(archive, folder)
        if earlier and not args.json:
            print(f"finished a removal that was cut short: {_files(len(earlier))} gone")
        return _remove(args, folder, archive, zone, earlier)
    behind = left_behind(archive, folder, zone)
    found = _found(args, folder, archive, zone, behind)
    today = args.now().astimezone(zone).date()
    listed = found if args.all or args.inspection is not None else [one for one in found if one.is_over(today)]
    return _list(args, folder, archive, zone, today, found, listed, [one for one in behind if one.may_go(today)])


def _found(
    args: argparse.Namespace, folder: ShopFolder, archive: Archive, zone: tzinfo, behind: Sequence[Retained]
) -> list[Retained]:
    """Return what the command is asked about; *behind* is what has gone but for its certificates."""
    from archive.removing import every_retained
    from archive.retention import is_same_customer
    from schemas.errors import BadInput

    # It is asked for again only where the certificates are to go as well.
    found = [*every_retained(archive, folder, zone), *(behind if args.with_certificates else ())]
    if args.customer is not None:
        found = [one for one in found if is_same_customer(one.customer, args.customer)]
        if not found:
            raise BadInput(
                f"there is no inspection of a customer {args.customer!r}; write the name as the jobs have it"
            )
    if args.inspection is not None:
        wanted = _inspection(archive, args.inspection, found)
        found = [one for one in found if one.inspection_id == wanted]
    return found


def _inspection(archive: Archive, wanted: str, found: Sequence[Retained]) -> str:
    from archive.naming import inspection_named, removed_inspections

    alone = {one.inspection_id for one in found if one.certificates_alone}
    gone = [one.inspection_id for one in removed_inspections(wanted, archive) if one.inspection_id in alone]
    if len(gone) == 1 and not archive.listed(number=wanted) and not archive.listed(lot=wanted):
        return gone[0]
    return inspection_named(wanted, archive).inspection_id


def _list(
    args: argparse.Namespace,
    folder: ShopFolder,
    archive: Archive,
    zone: tzinfo,
    today: date,
    found: Sequence[Retained],
    listed: Sequence[Retained],
    behind: Sequence[Retained],
) -> int:
    import json

    from archive.removing import unfinished
    from report.terminal_text import table

    if args.json:
        print(json.dumps([_retained_json(one, today) for one in listed], ensure_ascii=False))
        return 0
    rows = [
        (
            one.inspection_id,
            one.customer,
            f"lot {one.lot}",
            f"kept until {one.kept_until}",
            _state(one, today),
            one.rule,
        )
        for one in listed
    ]
    print("\n".join(table(rows)) if rows else "no inspection's retention is over")
    for hold in {hold.hold_id: hold for one in listed for hold in one.held_by}.values():
        print(f"hold {_hold_line(hold, zone)}")
    going = sum(one.may_go(today) for one in found)
    held = sum(one.is_over(today) and bool(one.held_by) for one in found)
    print(f"{_number(len(found))}: {going} may go, {held} over and held, {len(found) - going - held} to be kept")
    if behind and args.inspection is None and args.customer is None:
        print(
            f"the register still has the certificates of {_number(len(behind))} removed earlier, which may go as well: "
            "--remove --with-certificates takes them too"
        )
    if left := unfinished(archive, folder):
        print(f"a removal was cut short: {_files(len(left))} of it still there; the next --remove takes them away")
    return 0


def _state(one: Retained, today: date) -> str:
    if one.held_by:
        return f"held ({len(one.held_by)})"
    return "may go" if one.is_over(today) else "kept"


def _retained_json(one: Retained, today: date) -> dict[str, Any]:
    return {
        "inspection_id": one.inspection_id,
        "customer": one.customer,
        "part_no": one.part_no,
        "lot": one.lot,
        "counted_from": one.counted_from.isoformat(),
        "kept_until": one.kept_until.isoformat(),
        "rule": one.rule,
        "held_by": [hold.hold_id for hold in one.held_by],
        "over": one.is_over(today),
        "may_go": one.may_go(today),
    }


def _remove(
    args: argparse.Namespace, folder: ShopFolder, archive: Archive, zone: tzinfo, earlier: Sequence[Path]
) -> int:
    import json

    from archive.holds import fresh_id
    from archive.removing import Order, demand_removable, left_behind, remove
    from schemas.errors import BadInput

    by, reason = _by(args, folder, "--remove")
    now = args.now()
    today = now.astimezone(zone).date()
    given = Order(fresh_id(now), now, by, reason, args.with_certificates)

    def looked() -> list[Retained]:
        found = _found(args, folder, archive, zone, left_behind(archive, folder, zone))
        # What was named by its number is refused with its reason; of the others those that may go are meant.
        going = found if args.inspection is not None else [one for one in found if one.may_go(today)]
        demand_removable(archive, folder, given, going, zone)
        return going

    # A person at the terminal takes time over the answer, and nobody is kept waiting meanwhile.
    typed = looked() if _is_typed(args) else None
    if typed:
        _confirm(args, typed)

    def chosen() -> list[Retained]:
        going = looked()
        if typed is not None and [one.inspection_id for one in going] != [one.inspection_id for one in typed]:
            raise BadInput(
                f"{_going(going)} may go now, and not the {len(typed)} that were looked at; look again; nothing was removed"
            )
        if typed is None and going:
            _confirm(args, going)
        return going

    done = remove(archive, folder, given, chosen, zone)
    going, gone = done.going, done.gone
    stay = archive.certificates(of={one.inspection_id for one in going}) if going else []
    if args.json:
        answer = {
            "removal_id": given.removal_id if going else None,
            "inspections": [one.inspection_id for one in going],
            "files": [str(path) for path in [*earlier, *gone]],
        }
        print(json.dumps(answer, ensure_ascii=False))
    elif going:
        print(
            f"order {given.removal_id}: {_going(going)} removed, {_files(len(gone))} gone; tombstones stand in the ledger"
        )
        if stay:
            print("their certificates stay, and the register says what they state")
    else:
        print("nothing may go; nothing was removed")
    return 0


def _is_typed(args: argparse.Namespace) -> bool:
    """Return whether the number of inspections is to be typed at a terminal."""
    return args.yes is None and not args.json and sys.stdin.isatty()


def _confirm(args: argparse.Namespace, going: Sequence[Retained]) -> None:
    """Have the number of inspections said by the person who orders their removal.

    Raises:
        BadInput: Another number was said, or none.
    """
    from schemas.errors import BadInput

    many = len(going)
    if args.yes is not None:
        if args.yes != many:
            raise BadInput(
                f"--yes {args.yes}: {_going(going)} would go, not {args.yes}; look again; nothing was removed"
            )
        return
    if not _is_typed(args):
        raise BadInput(
            f"{_going(going)} would go for good; look at them with 'filmtally archive retain', then say --yes {many}; "
            "nothing was removed"
        )
    for one in going:
        print(f"  {one.inspection_id}  {one.customer}  lot {one.lot}  kept until {one.kept_until} ({one.rule})")
    print(f"{_going(going)} will be removed for good{', with their certificates' if args.with_certificates else ''}.")
    try:
        said = input(f"Type the number of inspections, {many}, to remove them: ").strip()
    except EOFError:
        said = ""
    if said != str(many):
        raise BadInput(f"{said!r} is not {many}; nothing was removed")


def _going(going: Sequence[Retained]) -> str:
    """Return how many inspections go, and of how many only the certificates are left to go."""
    alone = sum(one.certificates_alone for one in going)
    return _number(len(going)) + (f" (of {alone} the certificates alone: the rest has gone before)" if alone else "")


def _files(many: int) -> str:
    return f"{many} {'file is' if many == 1 else 'files are'}"


def _number(many: int) -> str:
    return f"{many} {'inspection' if many == 1 else 'inspections'}"


# what they share


def _shop(args: argparse.Namespace) -> tuple[ShopFolder, Archive, tzinfo]:
    from zoneinfo import ZoneInfo

    from archive.shop_folder import ShopFolder
    from archive.store import Archive

    folder = ShopFolder(args.shop)
    return folder, Archive(folder.archive, args.bench), ZoneInfo(folder.shop().time_zone)


def _by(args: argparse.Namespace, folder: ShopFolder, option: str) -> tuple[str, str]:
    from schemas.errors import BadInput
    from schemas.letters import unfit

    if not args.by or not (args.reason or "").strip():
        raise BadInput(f"{option} needs who says so and why: --by CODE --reason TEXT")
    folder.shop().find_inspector(args.by)
    if len(args.reason) > _LONGEST or unfit(args.reason) is not None:
        raise BadInput(
            f"--reason: {unfit(args.reason) or f'has {len(args.reason)} characters; at most {_LONGEST} are kept'}"
        )
    return args.by, args.reason
